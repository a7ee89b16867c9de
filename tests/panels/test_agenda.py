import json
import shutil
from dataclasses import replace

import pytest
import trimesh

from reviewkit import review as front
from reviewkit.agenda import Group, agenda
from reviewkit.decisions import Outcome, reviewed, standing
from reviewkit.document.files import file_sha256, write_review
from reviewkit.figures import drawings
from reviewkit.model import Verdict
from reviewkit.panels.agenda import AgendaPanel
from reviewkit.record import Kind, Record
from reviewkit.weekly import Done, Entry, Week, _write, read_week

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>"
WHO = "Ada Review"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A fence with a thin wall, a plain part that nothing is wrong with, and one that was refused."""
    root = tmp_path_factory.mktemp("week")
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    trimesh.boolean.union([plate, wall]).export(root / "fence.stl")
    fence = front.review(root / "fence.stl", units="mm")
    fence = replace(fence, findings=tuple(replace(f, message=HOSTILE) for f in fence.findings))
    plain = replace(fence, findings=tuple(f for f in fence.findings if f.verdict is Verdict.MEETS))
    entries = [Entry("bad", "bad", Done.REFUSED, f"no mesh {HOSTILE}", "N-3", "A")]
    for name, number, told in (("fence", "N-2", fence), ("plain", "N-1", plain)):
        head = {**told.submission, "number": number, "revision": "A", "name": f"{name} {HOSTILE}"}
        told = replace(told, submission=head)
        write_review(told, drawings(told), root / "out" / name)
        reviewed(Record(root / "records"), told, file_sha256(root / "out" / name / "review.json"), WHO)
        entries.append(Entry(name, name, Done.REVIEWED))
    _write(root / "out", entries)
    return root


@pytest.fixture
def root(made, tmp_path):
    return shutil.copytree(made, tmp_path / "week")


@pytest.fixture
def panel(root):
    return AgendaPanel(agenda(read_week(root / "out"), root / "records"), root / "records", WHO)


def order(panel) -> list[str]:
    return [slug for _, slug in panel.part.options]


def test_the_agenda_is_shown_in_its_order_and_its_first_part_at_once(panel):
    assert order(panel) == ["fence", "bad", "plain"]
    assert panel.part.value == "fence"
    assert "<figure" in panel.shown.value
    assert panel.rows.value.count("<tr>") == 4


def test_sorting_changes_the_table_and_keeps_what_is_open(panel):
    before = panel.rows.value
    panel.sort.value = "number"
    assert order(panel) == ["plain", "fence", "bad"]
    assert panel.rows.value != before
    assert panel.part.value == "fence"


def test_opening_a_part_shows_its_open_findings_and_pictures(panel, root):
    told = json.loads((root / "out" / "fence" / "review.json").read_bytes())
    failing = sum(finding["verdict"] == "fails" for finding in told["findings"])
    assert f"{failing} fail" in panel.shown.value
    assert panel.shown.value.count('src="data:image/') >= 2
    panel.part.value = "plain"
    assert "No finding" in panel.shown.value
    panel.part.value = "bad"
    assert "N-3 A: refused, no mesh" in panel.shown.value
    assert 'role="alert"' in panel.shown.value


def test_a_review_that_is_gone_is_told(panel, root):
    shutil.rmtree(root / "out" / "plain")
    panel.part.value = "plain"
    assert "holds no readable review" in panel.shown.value


def test_consent_is_one_decision_on_record(panel, root):
    assert panel.consent.description == "Release 1 part by consent"
    assert not panel.consent.disabled
    panel.consent.click()
    record = Record(root / "records")
    assert standing(record, "N-1", "A").outcome is Outcome.RELEASE
    assert [e.data["passed"] for e in record.events() if e.kind is Kind.MEETING] == [[["N-1", "A"]]]
    assert "Recorded: N-1 A released by consent" in panel.said.value
    assert panel.consent.disabled
    assert [item.what for item in panel.told.of(Group.DECIDED)] == ["N-1 A"]


def test_consent_is_refused_in_words(panel, root):
    panel.who.value = " "
    panel.consent.click()
    assert 'role="alert"' in panel.said.value
    assert "is no name" in panel.said.value
    assert not [e for e in Record(root / "records").events() if e.kind in (Kind.MEETING, Kind.OUTCOME)]


def test_without_a_record_nothing_can_be_passed(root):
    panel = AgendaPanel(agenda(Week(root / "out", "2026-W11", ())))
    assert panel.consent.disabled
    assert panel.part.value is None
    assert panel.shown.value == ""


def test_customer_text_is_inert(panel):
    for _, slug in panel.part.options:
        panel.part.value = slug
        shown = panel.rows.value + panel.shown.value + panel.said.value
        assert "&lt;script&gt;" in shown
        assert "<script" not in shown
        assert "<img src=x" not in shown
