"""Sections as data: text cleaned once, figures sized to their column."""

import pytest

from reviewkit.document.sections import Bullets, Figures, Section, Table, Text, as_data, cell, labelled, pairs, words
from reviewkit.model import Drawing


def drawing(width: int, height: int, svg: bool = True) -> Drawing:
    return Drawing("d", "", "T", "C", "A", b"<svg/>" if svg else None, None if svg else b"png", width, height)


def test_text_is_cleaned_and_long_words_may_break() -> None:
    told, _ = as_data([Section("T\u202e", (Text(cell(words("a\u200bb" + "W" * 40))),))])
    assert told[0]["title"] == "T"
    assert told[0]["blocks"][0]["lines"][0][0]["words"] == "ab" + "W" * 14 + "\u200b" + "W" * 16 + "\u200b" + "W" * 10


def test_empty_lines_go_and_missing_entries_say_so() -> None:
    assert cell("", words("x"), labelled("Change:", "")) == (words("x"),)
    table = pairs("c", [("Customer", None), ("Stage", "pilot")])
    assert [row[1][0][0].words for row in table.rows] == ["not stated", "pilot"]


def test_figures_keep_to_their_column_and_height() -> None:
    told, files = as_data(
        [Section("F", (Figures((drawing(640, 400), drawing(900, 400), drawing(200, 900, svg=False))),))]
    )
    narrow, wide, tall = told[0]["blocks"][0]["figures"]
    assert (narrow["wide"], wide["wide"], tall["wide"]) == (False, True, False)
    assert (narrow["width_mm"], wide["width_mm"]) == (85.5, pytest.approx(66.0 * 900 / 400))
    assert tall["width_mm"] * 900 / 200 <= 66.0 + 1e-9
    assert set(files) == {"figures/d.svg", "figures/d.png"}


def test_lists_and_tables_keep_their_order() -> None:
    table = Table("c", ("a", "b"), (1.0, 2.0), ((cell("1"), cell("2")),))
    told, _ = as_data([Section("S", (Bullets((cell("x"), cell("y"))), table), level=2, new_page=True)])
    assert [block["kind"] for block in told[0]["blocks"]] == ["bullets", "table"]
    assert (told[0]["level"], told[0]["new_page"], told[0]["blocks"][1]["widths"]) == (2, True, [1.0, 2.0])
