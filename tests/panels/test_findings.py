from dataclasses import replace

import pytest
import trimesh

from reviewkit import review as front
from reviewkit.document.files import write_review
from reviewkit.errors import DocumentError
from reviewkit.model import Verdict
from reviewkit.panels.findings import FindingsPanel

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    sent = tmp_path_factory.mktemp("sent")
    trimesh.boolean.union([plate, wall]).export(sent / "fence.stl")
    made = front.review(sent / "fence.stl", units="mm")
    hostile = tuple(replace(f, message=f"{f.message} {HOSTILE}", change=HOSTILE) for f in made.findings)
    write_review(replace(made, findings=hostile), (), sent / "out")
    return sent / "out"


@pytest.fixture
def panel(folder):
    return FindingsPanel(folder)


def test_the_worst_finding_is_shown_at_once(panel):
    chosen = next(f for f in panel.review.findings if f.key == panel.finding.value)
    assert chosen.verdict is Verdict.FAILS
    assert panel.shown.children


def test_choosing_a_verdict_lists_its_findings_only(panel):
    panel.verdict.value = Verdict.MEETS.value
    keys = [key for _, key in panel.finding.options]
    assert keys
    assert {f.key for f in panel.review.findings if f.verdict is Verdict.MEETS} == set(keys)
    assert panel.finding.value == keys[0]


def test_another_finding_changes_what_is_shown(panel):
    before = [child.value for child in panel.shown.children]
    panel.finding.index = 1
    assert [child.value for child in panel.shown.children] != before


def test_customer_text_is_inert(panel):
    escaped = 0
    for _, key in panel.finding.options:
        panel.finding.value = key
        shown = "".join(child.value for child in panel.shown.children)
        escaped += "&lt;script&gt;" in shown
        assert "<script" not in shown
        assert "<img src=x" not in shown
    # Not every finding names the part, whose name is the hostile one.
    assert escaped > 20


def test_figures_of_a_finding_are_shown_with_alternative_text(panel):
    panel.finding.value = next(f.key for f in panel.review.findings if f.code == "PR-01")
    figures = [child.value for child in panel.shown.children if child.value.startswith("<figure")]
    assert figures
    assert all('alt="' in figure and 'alt=""' not in figure for figure in figures)


def test_no_review_there_is_told_in_one_line(tmp_path):
    with pytest.raises(DocumentError, match="holds no readable review"):
        FindingsPanel(tmp_path)
