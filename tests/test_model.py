"""The nouns of a review: what they say of themselves."""

import numpy as np
import pytest

from reviewkit.limits import machine, material
from reviewkit.model import (
    IDENTITY,
    Band,
    Drawing,
    Finding,
    Limit,
    Sense,
    Setup,
    Severity,
    Source,
    Status,
    Verdict,
    counted_unit,
    finding_key,
    place_name,
)

PRACTICE = Source("", Status.PRACTICE)


def limit(value: float, sense: Sense = Sense.MIN, unit: str = "mm", stated: str = "") -> Limit:
    return Limit("id", "quantity", value, unit, sense, PRACTICE, stated=stated)


# --- bounds ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "sense", "met"),
    [(0.8, Sense.MIN, True), (0.7999, Sense.MIN, False), (0.8, Sense.MAX, True), (0.8001, Sense.MAX, False)],
)
def test_a_bound_that_is_met_exactly_is_met(value, sense, met):
    assert limit(0.8, sense).met_by(value) is met


def test_rounding_is_no_failure():
    assert limit(0.3).met_by(0.1 + 0.2 - 1e-16)
    assert limit(0.3, Sense.MAX).met_by(0.1 + 0.2)


@pytest.mark.parametrize(
    ("value", "uncertainty", "verdict"),
    [
        (0.9, 0.05, Verdict.MEETS),
        (0.9, 0.15, Verdict.MARGINAL),
        (0.8, 0.0, Verdict.MEETS),
        (0.79, 0.0, Verdict.MARGINAL),
        (0.4, 0.0, Verdict.MARGINAL),
        (0.39, 0.0, Verdict.FAILS),
        (0.39, 0.05, Verdict.MARGINAL),
        (0.3, 0.05, Verdict.FAILS),
        (0.6, 0.5, Verdict.MARGINAL),
    ],
)
def test_conformity_and_failure_need_the_whole_interval(value, uncertainty, verdict):
    """ISO 14253-1:2017 (from memory): conformity is shown only beyond the uncertainty, so is failure."""
    assert Band("wall", limit(0.8), limit(0.4)).verdict(value, uncertainty) is verdict


def test_bands_with_one_bound_only():
    warns, stops = Band("w", meets=limit(1.0)), Band("s", fails=limit(1.0))
    assert [warns.verdict(v) for v in (1.0, 0.9)] == [Verdict.MEETS, Verdict.MARGINAL]
    assert [stops.verdict(v) for v in (1.0, 0.9)] == [Verdict.MEETS, Verdict.FAILS]
    assert warns.limits == (limit(1.0),)
    assert Band("n").limits == ()


# --- words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (limit(0.8, stated="2 line widths"), "at least 0.8 mm (2 line widths)"),
        (limit(2, Sense.MAX, "count"), "at most 2"),
        (limit(0.5, unit="-"), "at least 0.5"),
        (limit(1, unit="layers"), "at least 1 layer"),
        (limit(5, unit="layers"), "at least 5 layers"),
        (limit(1, Sense.MAX, "s"), "at most 1 s"),
    ],
)
def test_a_bound_in_words(made, words):
    assert made.words == words


def test_a_single_second_keeps_its_unit():
    assert counted_unit(1, "s") == "1 s"
    assert counted_unit(1, "line widths") == "1 line width"


@pytest.mark.parametrize(
    ("source", "cited"),
    [
        (Source("Handbook", Status.SEEN, "3rd", "4.2", "1999"), "Handbook, 3rd, 4.2, 1999"),
        (Source("Handbook", Status.MEMORY), "Handbook (from memory)"),
        (Source("Our trials", Status.PRACTICE, year="2020"), "Our trials, 2020 (common practice)"),
        (PRACTICE, "common practice"),
    ],
)
def test_a_source_says_how_it_came_to_us(source, cited):
    assert source.cited == cited


def test_keys_are_code_part_and_subject():
    assert finding_key("PR-04", "clip", "leaf-1") == "PR-04:clip:leaf-1"


@pytest.mark.parametrize(
    ("point", "name"),
    [
        ((12.9, -40.2, 8.0), "at 12 -40 8"),
        ((0.9, -0.9, 0.0), "at 0 0 0"),
        (np.array([11.1, 5.01, -3.2]), "at 12 6 -4"),
    ],
)
def test_places_are_named_on_a_grid_of_two(point, name):
    assert place_name(point) == name


def test_a_name_does_not_hang_on_the_mesh():
    """Two meshes of one part put the middle of a feature a few tenths apart; the name stays."""
    assert {place_name((12.0 + x, -40.0 + y, 8.0)) for x in (-0.4, 0.4) for y in (-0.4, 0.4)} == {"at 12 -40 8"}


# --- records ---------------------------------------------------------------------------------


def test_a_setup_takes_the_plate_of_its_machine_unless_told():
    printer = machine("standard-240")
    setup = Setup(printer, material("petg"), 0.2, 0.4, 0.2)
    assert setup.plate_mm == printer.plate_mm
    assert Setup(printer, material("petg"), 0.2, 0.4, 0.2, plate_mm=(100.0, 90.0)).plate_mm == (100.0, 90.0)
    np.testing.assert_array_equal(setup.rotation, np.eye(3))
    assert setup == Setup(printer, material("petg"), 0.2, 0.4, 0.2, IDENTITY)
    assert hash(setup) == hash(Setup(printer, material("petg"), 0.2, 0.4, 0.2))


@pytest.mark.parametrize(("verdict", "stops"), [(verdict, verdict is Verdict.FAILS) for verdict in Verdict])
def test_only_a_failing_finding_stops(verdict, stops):
    found = Finding("k", "PR-01", "printability", "p", "part", verdict, Severity.COST, "So.")
    assert found.stops is stops


def test_a_drawing_knows_its_file():
    vector = Drawing("plate", "", "t", "c", "a", b"<svg/>", None, 1, 1)
    assert vector.file == "plate.svg"
    assert Drawing("part", "", "t", "c", "a", None, b"png", 1, 1).file == "part.png"


def test_a_material_gives_its_properties_by_name():
    petg = material("petg")
    name = next(iter(petg.properties))
    assert petg[name] is petg.properties[name]
    with pytest.raises(KeyError):
        petg["no such property"]


def test_severities_are_ordered_from_the_worst():
    assert sorted(Severity) == [
        Severity.INJURY,
        Severity.FUNCTION,
        Severity.YIELD,
        Severity.COST,
        Severity.LOOKS,
    ]
