"""A bare mesh in a real JupyterLab and a real browser: looked at, marked by mouse and keyboard, reviewed."""

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from reviewkit.document.files import read_review
from reviewkit.model import Origin
from reviewkit.panels.intake.page import CLASS
from reviewkit.resources import resource
from reviewkit.submission import Box, RegionKind, read_submission
from tests.browser import CELLS, FOCUSED, Page, Panel, jupyterlab, run_all, tab

REVIEW_S = 400.0
OVER = f"document.querySelector('.{CLASS}-over svg')"
OPTIONS = "[...document.activeElement.options].map(option => option.textContent)"


@pytest.fixture
def lab(tmp_path) -> Iterator[str]:
    shutil.copy(resource("data", "parts", "launcher-a") / "launcher.stl", tmp_path)
    with jupyterlab(tmp_path, "part_intake.ipynb") as address:
        yield address


@pytest.fixture
def page(tmp_path) -> Iterator[Page]:
    with tab(tmp_path) as empty:
        yield empty


def drag(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Drag from one place of the sheet [mm] to another, as a hand with a mouse does."""
    page.js(f"{OVER}.scrollIntoView({{block: 'center'}})")
    places = [
        page.js(
            f"(svg => {{ const p = new DOMPoint({x}, {y}).matrixTransform(svg.getScreenCTM());"
            f" return [p.x, p.y]; }})({OVER})"
        )
        for x, y in (start, ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2), end)
    ]
    # What lies over the sheet is drawn anew after each change; a drag that begins before that is lost.
    page.wait(
        f"new Promise(r => (before => setTimeout(() => r({OVER}.outerHTML === before), 500))({OVER}.outerHTML))", "rest"
    )
    kinds = ("mouseMoved", "mousePressed", "mouseMoved", "mouseMoved", "mouseReleased")
    for kind, (x, y) in zip(kinds, (places[0], *places[:2], places[2], places[2]), strict=True):
        page.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)


def typed(page: Page, field: str, words: str) -> None:
    """Put words into a field in the place of what it holds."""
    page.wait(f"{field}?.offsetParent", field)
    page.js(f"{field}.focus()")
    page.js(f"{field}.select()")
    page.type(words)
    page.key("Tab")


def picked(page: Page, field: str, words: str) -> None:
    """Choose in a list."""
    page.wait(field)
    page.js(
        f"(e => {{ e.value = [...e.options].find(o => o.textContent.replaceAll('\u00a0', ' ') === {words!r}).value;"
        f" e.dispatchEvent(new Event('change', {{bubbles: true}})); }})({field})"
    )


def number(page: Page, panel: Panel, label: str) -> float:
    return float(page.js(f"{panel.labelled(label)}.value"))


def waited(page: Page, expression: str, seconds: float) -> None:
    """Wait for what takes longer than anything on a page may."""
    until = time.monotonic() + seconds
    while not page.js(expression):
        assert time.monotonic() < until, page.js("document.body.innerText")
        time.sleep(0.5)


def test_a_bare_launcher_goes_from_the_mesh_through_marking_to_a_review(page, lab, tmp_path):
    panel = run_all(page, lab, CLASS)
    text = f"{panel.element}.textContent"
    page.wait(f"{text}.includes('Size: 262')")
    assert page.js(f"document.querySelector('.{CLASS}-sheet img').naturalWidth") > 0
    page.click(panel.button("Confirm unit"))
    assert panel.said("The unit is confirmed: mm") == "status"

    # Suggestions by the keyboard alone: letters and arrows on the list stay in it.
    page.js(f"{panel.button('Suggestions')}.focus()")
    page.key("Enter")
    listed, cells = panel.labelled("Suggested"), page.js(CELLS)
    page.wait(f"{listed}.offsetParent")
    page.js(f"{listed}.focus()")
    count = page.js(f"{OPTIONS}.length")
    assert count >= 3
    for name in ("KeyD", "KeyD", "Home"):
        page.key(name)
    assert page.js(CELLS) == cells and page.js(FOCUSED) == "Suggested"
    reason = page.js(text)
    page.key("ArrowDown")
    page.wait(f"{text} !== {reason!r}", "another reason")
    page.click(panel.button("Accept"))
    assert panel.said("Accepted:") == "status"
    page.click(panel.button("Drop"))
    assert panel.said("Dropped:") == "status"
    page.wait(f"[...{listed}.options].filter(o => o.textContent.startsWith('open')).length <= {count - 2}")

    # Two rectangles mark a region: the part lies from x -170 to 92, y -68 to 68, z 0 to 16 on the sheet from 0, 0.
    page.click(panel.button("Marking"))
    page.wait(f"{panel.labelled('Name')}.offsetParent")
    drag(page, (-170 + 170 + 262 - 52, 68 - 20), (262.0, 68 + 20))
    page.wait(f"Math.abs(Number({panel.labelled('y from [mm]')}.value) + 20) < 0.5", "the rectangle")
    for label, expected in (("x from [mm]", 40), ("x to [mm]", 92), ("y to [mm]", 20), ("z from [mm]", 0)):
        assert number(page, panel, label) == pytest.approx(expected, abs=0.5)
    page.click(panel.button("Keep region"))
    assert panel.said("Refused") == "alert"
    typed(page, panel.labelled("Name"), "front-block")
    picked(page, panel.labelled("Kind"), "visible")
    page.click(panel.button("Keep region"))
    assert panel.said("Kept: front-block, visible") == "status"

    # Another with a motion: numbers typed, the arrow dragged, the block moved by the keys of the slider.
    picked(page, panel.labelled("Region"), "a new region")
    page.wait(f"{panel.labelled('Name')}.value === ''")
    for label, value in (("x from [mm]", -78), ("x to [mm]", 36), ("y from [mm]", -16.05), ("y to [mm]", 16.05)):
        typed(page, panel.labelled(label), str(value))
    typed(page, panel.labelled("Name"), "hand-shuttle")
    picked(page, panel.labelled("Kind"), "moving")
    page.js(f"document.querySelector('.{CLASS} input[data-value=\"the%20arrow\"]').focus()")
    page.key("Space")
    page.wait(f"document.querySelector('.{CLASS}-arrow')")
    drag(page, (170.0, 68.0), (120.0, 68.0))
    page.wait(f"{panel.labelled('Angle [deg]')}.value === '180'", "the arrow")
    typed(page, panel.labelled("Stroke to [mm]"), "9")
    page.click(panel.button("Keep region"))
    assert panel.said("Kept: hand-shuttle, moving") == "status"
    before = page.js(f"{OVER}.outerHTML")
    page.js(f"{panel.element}.querySelector('.widget-slider:not([style*=\"none\"]) .noUi-handle').focus()")
    page.key("End")
    page.wait(f"{OVER}.outerHTML !== {before!r}", "the block moved")
    assert page.js(CELLS) == cells

    # The order last: what is wrong is told beside the field.
    page.click(panel.button("Order"))
    typed(page, panel.labelled("Number"), "TW-4410")
    typed(page, panel.labelled("Revision"), "A")
    typed(page, panel.labelled("Quantity"), "many")
    page.wait(f"{panel.element}.querySelector('.wrong')?.textContent.includes('whole number')")
    typed(page, panel.labelled("Quantity"), "20000")
    page.wait(f"!{panel.element}.querySelector('.wrong')")
    picked(page, panel.labelled("Material"), "petg")
    typed(page, panel.labelled("Markets"), "US, EU")
    picked(page, panel.labelled("Hands"), "children")

    page.click(panel.button("Write and review"))
    page.wait(f"{panel.button('Hand over to the review')}")
    page.click(panel.button("Hand over to the review"))
    waited(page, f"{panel.element}.querySelector('.said')?.textContent.includes('The review')", REVIEW_S)
    assert panel.said("The review is done") == "status"
    link = page.js(f"{panel.element}.querySelector('a[href]').href")
    document = page.js(f"fetch({link!r}).then(told => told.text())")
    assert "TW-4410" in document, (link, document[:2000])

    submission = read_submission(tmp_path)
    regions = {region.name: region for region in submission.regions}
    assert regions["front-block"].kind is RegionKind.VISIBLE
    assert regions["hand-shuttle"].volume == Box((-78.0, -16.05, 0.0), (36.0, 16.05, 16.0))
    motion = next(motion for motion in submission.motions if motion.region == "hand-shuttle")
    assert (motion.direction, motion.stroke) == ((-1.0, 0.0, 0.0), (0.0, 9.0))
    assert submission.origins["region.hand-shuttle"] is Origin.CONFIRMED
    assert Origin.SUGGESTED in submission.origins.values()
    review = read_review(next(Path(tmp_path, "out").rglob("review.json")).parent)
    assert (review.submission["number"], review.submission["quantity"]) == ("TW-4410", 20000)
    assert {fact.origin for fact in review.facts} >= {Origin.CONFIRMED, Origin.SUGGESTED}
