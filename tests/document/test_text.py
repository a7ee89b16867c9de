"""Cleaning of customer text, and numbers as a person reads them."""

import math
import unicodedata

import pytest
from corpus import HOSTILE

from reviewkit.document.text import (
    counted,
    display_text,
    length_text,
    limit_text,
    measured_text,
    size_text,
    spreadsheet_text,
    tally,
    unit_word,
    worst_first,
)
from reviewkit.model import Limit, Measurement, Sense, Severity, Source, Status, Verdict

OVERRIDES = [chr(code) for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))]
ZERO_WIDTH = ["\u200b", "\u200c", "\u200d", "\u2060", "\ufeff"]


@pytest.mark.parametrize("hidden", [*OVERRIDES, *ZERO_WIDTH, "\x00", "\x07", "\x1b", "\x7f", "\x9b", "\U000e0041"])
def test_hidden_characters_are_dropped(hidden):
    assert display_text(f"abc{hidden}def") == "abcdef"


def test_a_name_cannot_turn_its_own_ending_round():
    assert display_text("abc\u202egnp.exe") == "abcgnp.exe"


def test_signs_that_are_drawn_stay():
    # U+06DD and U+0600 are format characters with a sign of their own (Unicode Character Database).
    assert display_text("\u0600\u06dd é ß 株 🧪") == "\u0600\u06dd é ß 株 🧪"


@pytest.mark.parametrize(
    ("raw", "composed"),
    # Unicode Standard Annex 15, tables of canonical composites: ANGSTROM SIGN, A with ring, combining order.
    [("\u212b", "\u00c5"), ("A\u030a", "\u00c5"), ("q\u0307\u0323", "q\u0323\u0307"), ("\u1e9b\u0323", "\u1e9b\u0323")],
)
def test_text_is_composed(raw, composed):
    assert display_text(raw) == composed


def test_text_becomes_one_line():
    assert display_text(" tab\tnew\r\nline\u2028end\u00a0\u3000 ") == "tab new line end"


@pytest.mark.parametrize("limit", [8, 40, 120])
def test_long_text_is_capped_with_an_ellipsis(limit):
    shown = display_text("W" * 400, limit)
    assert shown == "W" * (limit - 1) + "…"
    assert display_text("W" * limit, limit) == "W" * limit


@pytest.mark.parametrize("text", HOSTILE)
def test_cleaning_twice_changes_nothing(text):
    shown = display_text(text)
    assert display_text(shown) == shown
    assert not any(unicodedata.category(character) in ("Cc", "Cf", "Cs") for character in shown)


def test_lone_surrogates_can_be_written():
    assert display_text("a\ud800b").encode() == b"ab"


@pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@SUM(A1)", "\t=1+1", "\r=1", "\u200b=1", "|cmd", "\uff1d1"])
def test_formulas_are_guarded(text):
    assert spreadsheet_text(text).startswith("'")


@pytest.mark.parametrize("text", ["Thicken to 0.84 mm", "PR-04:launcher:leaf 1", "", "1=1"])
def test_plain_cells_stay(text):
    assert spreadsheet_text(text) == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "shown"),
    [
        # JCGM 100:2008 (GUM) 7.2.4: m_S = (100,021 47 ± 0,000 79) g (from memory).
        (100.02147, 0.00079, "g", "100.02147 ± 0.00079 g"),
        # JCGM 100:2008 (GUM) 7.2.6: 10,057 62 ohm with 27 milliohm is rounded to 10,058 ohm (from memory).
        (10.05762, 0.027, "ohm", "10.058 ± 0.027 ohm"),
        (0.62, 0.03, "mm", "0.62 ± 0.03 mm"),
        (0.624, 0.03, "mm", "0.624 ± 0.030 mm"),
        (1234.5, 120.0, "mm2", "1,230 ± 120 mm²"),
        (100.0, 10.0, "N", "100 ± 10 N"),
        (0.3, 0.0996, "mm", "0.3 ± 0.1 mm"),
        (45.25, 0.5, "deg", "45.25 ± 0.50°"),
        (0.96213, 0.004, "-", "0.9621 ± 0.0040"),
        (11, 0.0, "-", "11"),
        (23, 0.0, "count", "23"),
        (2.4e-9, 0.0, "mm2", "0 mm²"),
        (1.199, 5e-8, "mm", "1.199 mm"),
        (0.3, 0.1, "mm", "0.3 ± 0.1 mm"),
        (254.0, 0.0, "mm", "254 mm"),
        (91234.56, 0.0, "mm3", "91,235 mm³"),
        (0.118, math.nan, "-", "0.118"),
        (math.inf, 0.0, "mm", "unlimited mm"),
    ],
)
def test_measured_values_carry_the_digits_that_their_uncertainty_bears(value, uncertainty, unit, shown):
    assert measured_text(Measurement("x", value, unit, uncertainty)) == shown


@pytest.mark.parametrize(
    ("mm", "units", "shown"),
    [
        # One inch is 25.4 mm by definition since 1959, one foot is 12 of them (ISO 80000-3, from memory).
        (25.4, "in", "25.4 mm (1 in)"),
        (304.8, "ft", "304.8 mm (1 ft)"),
        (12.7, "inch", "12.7 mm (0.5 in)"),
        (215.9, "IN", "215.9 mm (8.5 in)"),
        (0.4, "in", "0.4 mm (0.0157 in)"),
        (0.0, "in", "0 mm (0 in)"),
        (35.0, "cm", "35 mm (3.5 cm)"),
        (35.0, "mm", "35 mm"),
        (35.0, "", "35 mm"),
        (35.0, "<b>furlong</b>", "35 mm"),
    ],
)
def test_lengths_also_stand_in_the_customers_unit(mm, units, shown):
    assert length_text(mm, units) == shown


def test_areas_and_volumes_convert_with_their_power():
    assert measured_text(Measurement("area", 645.16, "mm2"), "in") == "645.2 mm² (1 in²)"
    assert measured_text(Measurement("volume", 16387.064, "mm3"), "in") == "16,387 mm³ (1 in³)"
    assert measured_text(Measurement("force", 25.4, "N"), "in") == "25.4 N"


def test_sizes_join_in_both_units():
    assert size_text((254.0, 50.8, 25.4), "in") == "254 \u00d7 50.8 \u00d7 25.4 mm (10 \u00d7 2 \u00d7 1 in)"
    assert size_text((1500.0, 2.0)) == "1,500 \u00d7 2 mm"


def test_limits_read_as_a_sentence():
    practice = Source("", Status.PRACTICE)
    wall = Limit("w", "wall thickness", 0.8, "mm", Sense.MIN, practice, stated="2 line widths")
    assert limit_text(wall, "in") == "at least 0.8 mm (0.0315 in), that is 2 line widths"
    assert limit_text(Limit("i", "islands", 3, "-", Sense.MAX, practice)) == "at most 3"
    assert limit_text(Limit("o", "overhang", 45, "deg", Sense.MAX, practice)) == "at most 45°"


def test_small_words():
    assert counted(1, "finding") == "1 finding"
    assert counted(0, "finding") == "0 findings"
    assert counted(2, "mesh", "meshes") == "2 meshes"
    assert unit_word(" IN ") == "inches"
    assert unit_word("parsec") == "parsec"


def test_worst_comes_first(fake_review):
    ordered = worst_first(fake_review.findings)
    verdicts = [f.verdict for f in ordered]
    fails = verdicts.count(Verdict.FAILS)
    assert set(verdicts[:fails]) == {Verdict.FAILS}
    assert ordered[0].severity is Severity.FUNCTION
    assert ordered[fails - 1].severity is Severity.YIELD
    assert sorted(map(id, ordered)) == sorted(map(id, fake_review.findings))


def test_tally_counts_every_finding(fake_review):
    assert tally(fake_review.findings) == "4 fail, 10 marginal, 2 not checked, 5 meet"
    assert tally([f for f in fake_review.findings if f.code == "IN-03"]) == "1 meets"
