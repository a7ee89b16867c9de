"""The typesetter: inert data, fonts of our own, a fence round the files, one line for a template that fails."""

from datetime import UTC, datetime

import pytest

from reviewkit.document import typeset as module
from reviewkit.document.typeset import typeset
from reviewkit.errors import DocumentError

WHEN = datetime(2026, 3, 9, tzinfo=UTC)


@pytest.fixture
def template(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_TEMPLATES", tmp_path)

    def write(body: str) -> str:
        head = '#let d = json("data.json")\n#set document(title: "T")\n#set text(font: "DejaVu Sans")\n= T\n'
        (tmp_path / "t.typ").write_text(head + body)
        return "t.typ"

    return write


def test_marks_come_back_and_unknown_glyphs_are_told(template) -> None:
    made = typeset(template("#d.a #context [#metadata((page: here().page()))<mark>]"), {"a": "x 株 y"}, {}, WHEN)
    assert made.content.startswith(b"%PDF-1.7")
    assert made.replaced == ("株",) and made.marks == ({"page": 1},)


@pytest.mark.parametrize(
    "body", ["#unknown", '#image("figures/none.svg", alt: "x")', '#read("/etc/hostname")', "=== skipped"]
)
def test_a_template_that_fails_is_one_line(template, body) -> None:
    with pytest.raises(DocumentError, match=r"^t\.typ could not be set: [^\n]+; report it$"):
        typeset(template(body), {}, {}, WHEN)


def test_a_font_that_is_not_ours_is_an_error(template) -> None:
    with pytest.raises(DocumentError, match="unknown font family"):
        typeset(template('#set text(font: "Some Sans")\nx'), {}, {}, WHEN)


def test_nested_data_is_cleaned_everywhere(template) -> None:
    made = typeset(template("#d.a.at(0).b"), {"a": [{"b": "🙂"}, ("字", 3, None)]}, {}, WHEN)
    assert made.replaced == ("🙂", "字")
