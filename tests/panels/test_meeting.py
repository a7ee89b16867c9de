"""The meeting in the kernel: widgets set and clicked, the record read."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import nbformat
import pytest
import trimesh

from reviewkit import checks
from reviewkit import review as front
from reviewkit.decisions import Disposition, decide, standing
from reviewkit.document.files import read_drawings, read_review, write_review
from reviewkit.figures import drawings
from reviewkit.model import Review, Verdict
from reviewkit.panels.meeting import MeetingPanel
from reviewkit.record import Kind, Record
from reviewkit.signoff import noted
from reviewkit.workbook import run_workbook

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>"
SUBMISSION = f"""
[submission]
number = "QT-1"
revision = "A"
name = "Fence {HOSTILE}"
quantity = 500
stage = "pilot"

[[part]]
id = "fence"
file = "fence.stl"
units = "mm"
"""
SOON = date(2999, 1, 31)


@pytest.fixture(scope="module")
def out(tmp_path_factory) -> Path:
    """The review of a plate with a wall that is too thin, by two checks only."""
    folder = tmp_path_factory.mktemp("fence")
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    trimesh.boolean.union([plate, wall]).export(folder / "fence.stl")
    (folder / "submission.toml").write_text(SUBMISSION)
    case = front.opened(folder)
    made = front.concluded(case, front.judged(case, [c for c in checks.CHECKS if c.code in ("PR-01", "PR-04")]))
    hostile = tuple(replace(f, message=f"{f.message} {HOSTILE}", change=HOSTILE) for f in made.findings)
    made = replace(made, findings=hostile)
    write_review(made, drawings(made), folder / "out")
    return folder / "out"


def changed(out: Path, folder: Path, change: Callable[[Review], Review]) -> Path:
    """A copy of a review with something changed, in a folder of its own."""
    write_review(change(read_review(out)), read_drawings(out), folder)
    return folder


@pytest.fixture
def records(tmp_path) -> Path:
    return tmp_path / "records"


@pytest.fixture
def panel(out, records) -> MeetingPanel:
    """On record in the name of Ada Review, rework filled in but for its reason."""
    made = MeetingPanel(out, records, "Ada Review")
    made.note.click()
    filled(made)
    return made


def filled(panel: MeetingPanel, reason: str = "") -> None:
    panel.disposition.value = "rework"
    panel.owner.value, panel.due.value, panel.reason.value = "Ben Draw", SOON, reason


def taken(records: Path) -> list[dict[str, str]]:
    """What every disposition on record says."""
    return [dict(e.data) | {"who": e.who} for e in Record(records).events() if e.kind is Kind.DISPOSITION]


def shown(panel: MeetingPanel) -> str:
    return "".join(w.value for w in (panel.state, panel.evidence, panel.said, panel.against))


def test_the_worst_finding_is_shown_with_numbers_change_and_pictures(panel):
    failing = [f.key for f in panel._review.findings if f.verdict is Verdict.FAILS]
    assert {key for _, key in panel.finding.options} == {*panel._seen.undecided} and failing
    assert panel.finding.value in failing
    panel.finding.value = next(key for key in failing if "at" in key)
    for expected in ("wall", "Change:", "0.3 mm", "at least 0.8 mm", "Expected gain", "data:image/", 'alt="'):
        assert expected in panel.evidence.value
    panel.show.value = "all"
    assert len(panel.finding.options) == len(panel._review.findings)


def test_a_decision_is_in_the_record_and_the_next_finding_comes_up(panel, records):
    first, left = panel.finding.value, len(panel.finding.options)
    filled(panel, "wall to 0.8 mm")
    panel.record.click()
    assert taken(records) == [
        {"finding": first, "disposition": "rework", "reason": "wall to 0.8 mm", "owner": "Ben Draw",
         "due": "2999-01-31", "who": "Ada Review"}
    ]  # fmt: skip
    assert 'role="status"' in panel.said.value and "Recorded: rework" in panel.said.value
    assert first not in [key for _, key in panel.finding.options]
    assert len(panel.finding.options) == left - 1 and panel.reason.value == ""
    assert f"{left - 1} to decide" in dict(map(reversed, panel.part.options))[panel.part.value]
    panel.show.value = "all"
    panel.finding.value = first
    assert "Decided: rework: wall to 0.8 mm; owner Ben Draw; due 2999-01-31 (Ada Review" in panel.evidence.value


@pytest.mark.parametrize("disposition", list(Disposition))
def test_only_what_a_decision_must_state_can_be_filled_in_and_goes_along(panel, records, disposition):
    panel.approver.value, panel.expiry.value, panel.reason.value = "Cy Check", SOON, "so"
    panel.disposition.value = disposition.value
    open_fields = {name for name, field in panel.fields.items() if not field.disabled}
    wanted = {
        Disposition.REWORK: {"owner", "due"}, Disposition.DEFER: {"owner", "due"},
        Disposition.CONCESSION: {"approver", "expiry"}, Disposition.NOT_APPLICABLE: set(),
    }  # fmt: skip
    assert open_fields == wanted[disposition]
    panel.record.click()
    (told,) = taken(records)
    assert {"owner", "due", "approver", "expiry"} & set(told) == open_fields


def test_refusals_come_in_the_kits_own_words_and_what_was_typed_stays(panel, records):
    key = panel.finding.value
    panel.record.click()
    assert 'role="alert"' in panel.said.value and f"rework of {key} needs a reason" in panel.said.value
    panel.disposition.value = "concession"
    panel.reason.value, panel.approver.value, panel.expiry.value = "a toy for a shelf", "ada review", SOON
    panel.record.click()
    assert f"the approver of a concession on {key} is not the reviewer" in panel.said.value
    panel.approver.value, panel.who.value = "Cy Check", " "
    panel.record.click()
    assert "is no name; say who decides" in panel.said.value
    assert (panel.reason.value, panel.approver.value, panel.finding.value) == ("a toy for a shelf", "Cy Check", key)
    assert taken(records) == []


def test_nothing_is_put_on_record_by_looking(out, records):
    panel = MeetingPanel(out, records, "Ada Review")
    filled(panel, "so")
    panel.record.click()
    assert "put the review on record first" in panel.said.value and "is not on record yet" in panel.state.value
    panel.finding.index = 1
    panel.outcome.value = "declined"
    panel.conclude.click()
    assert "put the review on record first" in panel.said.value
    assert Record(records).events() == ()
    assert panel.note.layout.display is None
    panel.note.click()
    assert [e.kind for e in Record(records).events()] == [Kind.RECEIVED, Kind.REVIEWED]
    assert panel.note.layout.display == "none"


def test_another_review_of_the_revision_is_told_and_not_decided_on(out, records, tmp_path):
    other = changed(out, tmp_path / "other", lambda review: replace(review, outcome_reason="made again"))
    noted(other, Record(records), "Cy Check")
    panel = MeetingPanel(out, records, "Ada Review")
    assert "the record&#x27;s last review of it is another one" in panel.state.value
    filled(panel, "so")
    panel.record.click()
    assert "put the review on record first" in panel.said.value and taken(records) == []


def test_two_reviewers_see_each_other_and_cannot_overwrite(panel, out, records):
    other = MeetingPanel(out, records, "Cy Check")
    key = panel.finding.value
    assert other.finding.value == key
    filled(other, "for the toolmaker")
    other.record.click()
    filled(panel, "my own words")
    panel.record.click()
    assert 'role="alert"' in panel.said.value
    assert "was changed since you looked" in panel.said.value and "for the toolmaker" in panel.said.value
    assert [told["who"] for told in taken(records)] == ["Cy Check"]
    # The view is renewed, what was typed is kept, and looking again allows to decide otherwise.
    assert panel.finding.value == key and panel.reason.value == "my own words"
    assert "Decided: rework: for the toolmaker" in panel.evidence.value and "Cy Check" in panel.evidence.value
    panel.record.click()
    assert [told["reason"] for told in taken(records)] == ["for the toolmaker", "my own words"]


def test_refreshing_tells_what_others_did(panel, out, records):
    other = MeetingPanel(out, records, "Cy Check")
    filled(other, "for the toolmaker")
    other.record.click()
    panel.again.click()
    assert "Since you looked: " in panel.said.value and "Cy Check: disposition" in panel.said.value
    assert "Decided: rework: for the toolmaker" in panel.evidence.value
    panel.again.click()
    assert panel.said.value == ""


def test_different_findings_can_be_decided_at_once(panel, out, records):
    other = MeetingPanel(out, records, "Cy Check")
    other.finding.index = 1
    filled(other, "the second")
    other.record.click()
    filled(panel, "the first")
    panel.record.click()
    assert {told["reason"] for told in taken(records)} == {"the first", "the second"}


def test_what_is_typed_for_a_finding_does_not_slip_to_another(panel):
    first = panel.finding.value
    panel.reason.value = "half a sent"
    panel.finding.index = 1
    assert panel.reason.value == ""
    panel.reason.value = "another"
    panel.finding.value = first
    assert panel.reason.value == "half a sent"


def test_an_outcome_is_refused_with_every_reason_and_recorded_when_nothing_stands_against_it(panel, records):
    count = len(panel.finding.options)
    panel.outcome.value = "release"
    assert f"Against it: {count} findings failing or not checked without a disposition" in panel.against.value
    panel.conclude.click()
    assert 'role="alert"' in panel.said.value and "cannot get the outcome release" in panel.said.value
    while panel.finding.value:
        filled(panel, "wall to 0.8 mm")
        panel.record.click()
    panel.outcome.value, panel.because.value = "changes needed", "walls too thin"
    assert panel.against.value == ""
    panel.conclude.click()
    seen = standing(Record(records), "QT-1", "A")
    assert seen.outcome == "changes needed"
    assert seen.terms == {
        "reason": "walls too thin", "quantity": "500", "stage": "pilot", "machine": "Standard 240", "material": "PETG"
    }  # fmt: skip
    assert "outcome changes needed" in panel.state.value
    assert panel.part.options[0][0].endswith(": changes needed")


def without_its_place(review: Review) -> Review:
    """The next revision, in which the wall is thick enough, so that its place is no finding."""
    submission = dict(review.submission) | {"revision": "B"}
    whole = [f for f in review.findings if f.subject == "part"]
    return replace(review, submission=submission, findings=tuple(replace(f, verdict=Verdict.MEETS) for f in whole))


def test_promises_of_the_revision_before_can_be_decided(panel, out, records, tmp_path):
    while panel.finding.value:
        filled(panel, "wall to 0.8 mm")
        panel.record.click()
    later = MeetingPanel(changed(out, tmp_path / "later", without_its_place), records, "Ada Review")
    later.note.click()
    ((label, old),) = later.finding.options
    assert later.finding.value == old and label == f"{old}, rework of revision A"
    assert "Open since revision A, not measured in this revision: rework: wall to 0.8 mm" in later.evidence.value
    later.disposition.value, later.reason.value = "not applicable", "the wall is thicker now"
    later.record.click()
    assert taken(records)[-1]["finding"] == old and later.finding.options == ()
    assert "Nothing here needs a decision." in later.evidence.value


def test_customer_and_reviewer_text_is_inert(panel, out, records):
    other = MeetingPanel(out, records, "Cy Check")
    for _, key in panel.finding.options:
        panel.finding.value = key
        assert "&lt;script&gt;" in panel.evidence.value
    filled(panel, f"=1+1 {HOSTILE}")
    panel.owner.value = HOSTILE
    panel.record.click()
    panel.show.value = "all"
    seen = []
    for _, key in panel.finding.options:
        panel.finding.value = key
        seen.append(shown(panel))
    other.again.click()
    assert "Since you looked" in other.said.value and "&lt;script&gt;" in other.said.value
    seen.append(shown(other))
    assert not [text for text in seen if "<script" in text or "<img src=x" in text]


SCRIPT = """
import os, signal, sys
from datetime import date
from reviewkit.panels.meeting import MeetingPanel
panel = MeetingPanel(sys.argv[1], sys.argv[2], "Ada Review")
panel.note.click()
panel.disposition.value, panel.owner.value, panel.due.value = "rework", "Ben Draw", date(2999, 1, 31)
panel.reason.value = "said just before the end"
panel.record.click()
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_nothing_is_lost_when_the_kernel_is_killed(out, records):
    root = str(Path(__file__).resolve().parents[2])
    search = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(out), str(records)], env=os.environ | {"PYTHONPATH": search}, check=False
    )
    assert done.returncode == -signal.SIGKILL
    (told,) = taken(records)
    again = MeetingPanel(out, records, "Cy Check")
    again.show.value = "all"
    again.finding.value = told["finding"]
    assert "said just before the end" in again.evidence.value and "(Ada Review" in again.evidence.value
    assert Record(records).verify() == ()


def test_a_decision_by_others_reaches_a_panel_that_only_looks(panel, records):
    key = panel.finding.value
    seen = standing(Record(records), "QT-1", "A")
    decide(Record(records), seen, key, "defer", "Cy Check", "later", owner="Ben Draw", due="2999-01-31")
    panel.outcome.value = "declined"
    assert "Decided: defer: later" in panel.evidence.value and "Since you looked" in panel.said.value


def test_folders_without_a_readable_review_are_told_and_stop_nothing(out, records, tmp_path):
    panel = MeetingPanel(tmp_path / "nothing", records)
    assert "There is no review below" in panel.said.value and panel.part.value is None
    broken = tmp_path / "week"
    (broken / "b").mkdir(parents=True)
    (broken / "b" / "review.json").write_text('{"schema": 7}')
    (broken / "a").symlink_to(out)
    panel = MeetingPanel(broken, records, "Ada Review")
    panel.part.value = str(broken / "b")
    assert 'role="alert"' in panel.said.value and "this kit reads" in panel.said.value
    assert panel.evidence.value == "" and panel.finding.options == ()


def test_the_workbook_shows_the_panel(out, records, tmp_path):
    parameters = {"out": str(out), "records": str(records), "who": "Ada Review"}
    run_workbook("meeting.ipynb", parameters, tmp_path / "meeting.ipynb")
    cells = nbformat.read(tmp_path / "meeting.ipynb", as_version=4).cells
    outputs = [output for cell in cells if cell.cell_type == "code" for output in cell.outputs]
    assert any("application/vnd.jupyter.widget-view+json" in output.get("data", {}) for output in outputs)
    assert (records / "record.sqlite").exists()
