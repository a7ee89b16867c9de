"""The meeting in a real JupyterLab and a real browser: what a person types is in the record."""

from pathlib import Path

import pytest
import trimesh

from reviewkit import checks
from reviewkit import review as front
from reviewkit.decisions import decide, standing
from reviewkit.document.files import write_review
from reviewkit.figures import drawings
from reviewkit.panels.meeting import CLASS
from reviewkit.record import Kind, Record
from tests.browser import CELLS, FOCUSED, jupyterlab, run_all, tab


@pytest.fixture
def folder(tmp_path) -> Path:
    """A folder as `reviewkit open` leaves it, with one review of a plate whose wall is too thin."""
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    trimesh.boolean.union([plate, wall]).export(tmp_path / "fence.stl")
    case = front.opened(tmp_path / "fence.stl", units="mm")
    some = [check for check in checks.CHECKS if check.code in ("PR-01", "PR-04")]
    made = front.concluded(case, front.judged(case, some))
    write_review(made, drawings(made), tmp_path / "out" / "fence")
    return tmp_path


@pytest.fixture
def lab(folder):
    with jupyterlab(folder, "meeting.ipynb") as address:
        yield address


@pytest.fixture
def page(tmp_path):
    with tab(tmp_path) as empty:
        yield empty


def test_what_is_typed_in_a_browser_is_in_the_record(page, lab, folder):
    panel = run_all(page, lab, CLASS)
    page.click(panel.labelled("Your name"))
    page.type("Ada Review")
    page.key("Tab")
    page.click(panel.button("Put on record"))
    assert panel.said("On record") == "status"

    # Letters and arrows on a list are for the list: twice d would have the notebook delete the cell of the panel.
    finding, cells = panel.labelled("Finding"), page.js(CELLS)
    page.js(f"{finding}.focus()")
    for name in ("KeyD", "KeyD", "ArrowDown"):
        page.key(name)
    assert page.js(CELLS) == cells and page.js(f"{finding}.selectedIndex") == 1
    page.key("ArrowUp")
    assert page.js(f"{finding}.selectedIndex") == 0 and page.js(FOCUSED) == "Finding"

    page.js("document.querySelector('.reviewkit-meeting input[data-value=rework]').focus()")
    page.key("Space")
    page.wait(f"!{panel.labelled('Owner')}.disabled")
    assert page.js(f"{panel.labelled('Approver')}.disabled") is True
    assert panel.stops("Your name", "Record outcome") == [
        "Your name", "Part", "Refresh", "need a decision", "all", "Finding", "rework", "concession", "not applicable",
        "defer", "Owner", "Due", "Reason", "Record decision", "Outcome", "Why", "Record outcome",
    ]  # fmt: skip

    page.js(f"{panel.labelled('Owner')}.focus()")
    page.type("Ben Draw")
    due = "e.value = '2999-01-31'; e.dispatchEvent(new Event('change', {bubbles: true}))"
    page.js(f"(e => {{ {due} }})({panel.labelled('Due')})")
    page.js(f"{panel.button('Record decision')}.focus()")
    page.key("Enter")
    assert panel.said("needs a reason") == "alert"

    # Somebody else, in another process, decides on the same finding while the reason is being typed.
    page.js(f"{panel.labelled('Reason')}.focus()")
    page.type("wall to 0.8 mm <b>")
    record = Record(folder / "records")
    reviewed = next(event for event in record.events() if event.kind is Kind.REVIEWED)
    seen = standing(record, reviewed.number, reviewed.revision)
    assert "whole part" in page.js("document.querySelector('.reviewkit-meeting table.findings').textContent")
    key = next(key for key in seen.undecided if key.endswith(":part"))
    decide(record, seen, key, "defer", "Cy Check", "for the toolmaker", owner="Ben Draw", due="2999-01-31")
    page.key("Tab")
    page.key("Enter")
    assert panel.said("was changed since you looked") == "alert"
    assert "Decided: defer: for the toolmaker" in page.js("document.querySelector('.reviewkit-meeting').textContent")
    assert page.js(f"{panel.labelled('Reason')}.value") == "wall to 0.8 mm <b>"
    page.key("Enter")
    assert panel.said("Recorded: rework") == "status"

    taken = [event for event in record.events() if event.kind is Kind.DISPOSITION]
    assert [event.who for event in taken] == ["Cy Check", "Ada Review"]
    assert taken[-1].data == {
        "finding": key, "disposition": "rework", "reason": "wall to 0.8 mm <b>", "owner": "Ben Draw",
        "due": "2999-01-31",
    }  # fmt: skip
    assert standing(record, reviewed.number, reviewed.revision).decisions[key].who == "Ada Review"
    assert record.verify() == ()
