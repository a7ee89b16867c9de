"""What the workbooks display."""

import pytest
from corpus import HOSTILE
from lxml import html

from reviewkit.document import show
from reviewkit.document.text import display_text
from reviewkit.errors import DocumentError
from reviewkit.model import Drawing, Verdict


def parsed(displayed):
    return html.fragment_fromstring(displayed.data, create_parent="div")


def words(element):
    return " ".join(element.text_content().split())


def test_findings_stand_with_values_limits_and_sources(fake_review):
    tables = parsed(show.findings_table(fake_review.findings, "in"))
    text = words(tables)
    for finding in fake_review.findings:
        assert finding.code in text
        assert finding.message in text or finding.subject in text
    assert "0.312 ± 0.031 mm (0.0123 in)" in text
    assert "common practice" in text
    captions = [words(caption) for caption in tables.xpath(".//caption")]
    assert captions == ["21 findings: 4 fail, 10 marginal, 2 not checked, 5 meet", "meets every limit: 5 findings"]


def test_findings_alike_in_all_but_place_stand_together(fake_review):
    alike = [f for f in fake_review.findings if f.code == "PR-04" and f.verdict is Verdict.MARGINAL]
    tables = parsed(show.findings_table(alike))
    rows = tables.xpath(".//tbody/tr")
    named = sum(len(row.xpath(".//div[@class='alike']/span")) for row in rows)
    assert len(rows) + named == len(alike)
    assert named > 0


def test_numbers_of_the_document_can_be_given(fake_review):
    chosen = [f for f in fake_review.findings if f.verdict is Verdict.FAILS]
    numbers = {finding.key: number for number, finding in enumerate(fake_review.findings, 1)}
    rows = parsed(show.findings_table(chosen, "mm", numbers)).xpath(".//tbody/tr")
    assert [words(row[0]) for row in rows] == ["6", "10", "8"]
    assert "1 more like it: No. 11" in words(rows[1])
    actions = parsed(show.actions_table(fake_review.actions, numbers)).xpath(".//tbody/tr")
    assert [words(row[1]) for row in actions] == ["No. 6 PR-01", "No. 8 PR-03", "No. 10 PR-04"]


def test_empty_tables_say_so(fake_review):
    assert "No finding" in words(parsed(show.findings_table(())))
    assert "No action follows" in words(parsed(show.actions_table(())))
    assert "No fact was submitted" in words(parsed(show.facts_table(())))


def test_hostile_text_is_inert_in_a_notebook(hostile_review):
    shown = (
        show.findings_table(hostile_review.findings),
        show.facts_table(hostile_review.facts),
        show.actions_table(hostile_review.actions),
        show.summary(hostile_review),
    )
    for displayed in shown:
        for element in parsed(displayed).iter():
            assert element.tag in {"div", "style", "table", "caption", "thead", "tbody", "tr", "th", "td", "span", "b",
                                   "bdi", "strong", "cite", "p", "a"}  # fmt: skip
            assert not [name for name in element.attrib if name.startswith("on") or name == "src"]
    facts = words(parsed(shown[1]))
    for text in HOSTILE:
        assert display_text(text, 60)[:-1] in facts


def test_summary_is_marked_as_a_suggestion(fake_review):
    text = words(parsed(show.summary(fake_review)))
    assert "Suggested outcome: changes needed, until a reviewer has decided" in text
    assert "21 findings: 4 fail" in text


@pytest.fixture
def displayed(monkeypatch):
    calls = []
    monkeypatch.setattr(show, "display", lambda *content, **more: calls.append((content, more)))
    return calls


def test_figures_carry_alternative_text(displayed, fake_drawings):
    vector, shaded = fake_drawings[3], fake_drawings[0]
    show.show_drawing(vector)
    (images,), more = displayed[0]
    assert images == {"image/svg+xml": vector.svg.decode()}
    assert more["metadata"] == {"image/svg+xml": {"alt": vector.alt}}
    assert vector.caption in displayed[1][0][0].data
    show.show_drawing(shaded)
    (images,), more = displayed[2]
    assert images == {"image/png": shaded.png}
    assert more["metadata"]["image/png"]["alt"] == shaded.alt


def test_figures_clean_what_they_print(displayed):
    show.show_drawing(Drawing("x", "", HOSTILE[0], HOSTILE[1], "a\u202eb", b"<svg/>", None, 1, 1))
    assert displayed[0][1]["metadata"]["image/svg+xml"]["alt"] == "ab"
    assert "<script" not in displayed[1][0][0].data
    assert "<img" not in displayed[1][0][0].data


def test_a_drawing_without_an_image_is_refused(displayed):
    with pytest.raises(DocumentError, match="neither SVG nor PNG"):
        show.show_drawing(Drawing("bare", "", "", "", "", None, None, 1, 1))
