"""The intake in the kernel: widgets set and clicked, the written submission read."""

import threading
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import nbformat
import numpy as np
import pytest
import shapely
import trimesh

from reviewkit import hands
from reviewkit.errors import SubmissionError, WorkbookError
from reviewkit.model import Origin
from reviewkit.panels import intake as package
from reviewkit.panels.intake import panel as panels
from reviewkit.panels.intake.draft import Answer, Draft
from reviewkit.panels.intake.hand import hand_of, hand_outline, hand_words
from reviewkit.panels.intake.marking import ARROW, MarkForm
from reviewkit.panels.intake.order import OrderForm
from reviewkit.panels.intake.panel import MARKING, ORDER, PART, REVIEW, SUGGESTED, IntakePanel
from reviewkit.panels.intake.sheet import BAR_MM, LOOKS, Sheet, inside
from reviewkit.part import Part, read_part
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    PartEntry,
    Region,
    RegionKind,
    Submission,
    read_submission,
)
from reviewkit.suggestions import Suggestion, SuggestionKind, Sureness
from reviewkit.workbook import run_workbook

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>"
FRONT, SIDE, TOP = LOOKS
BLOCK = Box((40.0, 5.0, 0.0), (60.0, 35.0, 8.0))


@pytest.fixture(scope="module")
def meshes(tmp_path_factory) -> Path:
    """A block on two leaves, and a pin."""
    folder = tmp_path_factory.mktemp("meshes")
    solids = [
        trimesh.creation.box(bounds=bounds)
        for bounds in (
            [(0, 0, 0), (10, 40, 8)],
            [(40, 5, 0), (60, 35, 8)],
            [(9, 10, 0), (41, 10.8, 8)],
            [(9, 29.2, 0), (41, 30, 8)],
        )
    ]
    trimesh.boolean.union(solids).export(folder / "swing.stl")
    trimesh.creation.cylinder(radius=3, height=30).export(folder / "pin.stl")
    return folder


@pytest.fixture(scope="module")
def parts(meshes) -> dict[str, Part]:
    return {name: read_part(meshes / f"{name}.stl", id=name, units="mm") for name in ("swing", "pin")}


@pytest.fixture(scope="module")
def sheet(parts) -> Sheet:
    return Sheet(parts["swing"])


@pytest.fixture(scope="module")
def drawn() -> dict[tuple[str, str], Sheet]:
    """Sheets that were drawn once."""
    return {}


SUGGESTED_HERE = (
    Suggestion(
        "swing:flexure:leaf", SuggestionKind.FLEXURE, "swing", "leaf bends", f"Thin. {HOSTILE}", Sureness.SURE,
        "the shape alone", Region("leaf", "swing", RegionKind.FLEXURE, Box((10.0, 9.0, 0.0), (40.0, 11.0, 8.0))),
    ),
    Suggestion(
        "swing:moving:block", SuggestionKind.MOVING, "swing", "block moves", "It hangs on leaves.", Sureness.LIKELY,
        "the shape alone", Region("block", "swing", RegionKind.MOVING, BLOCK),
        Motion("block", MotionKind.TRANSLATION, (0.0, 1.0, 0.0), (0.0, 4.0)), needs=("swing:flexure:leaf",),
        stops="After 4 mm the strain is too high.",
    ),
    Suggestion(
        "pin:projectile:pin", SuggestionKind.PROJECTILE, "pin", "pin is launched", "It fits.", Sureness.GUESS, "fit",
        Region("pin-body", "pin", RegionKind.PROJECTILE, Cylinder((0.0, 0.0, -15.0), (0.0, 0.0, 15.0), 3.0)),
        fields=(("part.pin.launched_by", "swing"),),
    ),
)  # fmt: skip


@pytest.fixture
def opened(meshes, parts, drawn, monkeypatch):
    """What the panel opens: both parts with suggestions of ours, quickly."""
    found = Submission(
        number="swing", parts=(PartEntry("swing", "swing.stl"), PartEntry("pin", "pin.stl")), folder=meshes,
        marked={"submission.number": Origin.ASSUMED}, notes={"submission.number": "from the file name"},
    )  # fmt: skip

    def opened_intake(source: Path, *, units: str = "", progress: object = None) -> SimpleNamespace:
        entries = tuple(replace(entry, units=units) for entry in found.parts)
        pieces = [replace(part, units=units or "mm") for part in parts.values()]
        return SimpleNamespace(
            submission=replace(found, parts=entries), suggestions=SUGGESTED_HERE,
            workpieces=tuple(SimpleNamespace(part=piece) for piece in pieces),
        )  # fmt: skip

    monkeypatch.setattr(panels, "opened_intake", opened_intake)
    monkeypatch.setattr(panels, "Sheet", lambda part: drawn.setdefault((part.id, part.units), Sheet(part)))
    return opened_intake


@pytest.fixture
def panel(opened, tmp_path, meshes) -> IntakePanel:
    return IntakePanel(meshes, tmp_path / "marked", tmp_path / "out", lambda *_, **__: Path())


def chosen(panel: IntakePanel, key: str) -> None:
    panel.step.value = SUGGESTED
    panel.suggestion.value = key


def said(panel: IntakePanel) -> str:
    return str(panel.said.value)


# --- the hand


@pytest.mark.parametrize("name", ["adults", "men", "women", "child-3", "child-8"])
def test_the_hand_is_as_long_and_as_broad_as_the_table_says(name):
    people = hands.group(name)
    outline = shapely.Polygon(hand_outline(people))
    left, bottom, right, top = outline.bounds
    assert top - bottom == pytest.approx(people.mean_mm("hand_length"), rel=0.01)
    across = outline.intersection(shapely.LineString([(-500, 0.5 * top), (500, 0.5 * top)]))
    assert across.bounds[2] - across.bounds[0] == pytest.approx(people.mean_mm("hand_breadth"), rel=0.02)
    assert outline.is_valid and right - left < 2 * people.mean_mm("hand_breadth")


def test_hands_that_the_table_does_not_have_are_drawn_as_adults_and_an_estimate_says_so():
    assert hand_of("").name == hand_of("nobody").name == "adults"
    assert "187 mm" in hand_words(hand_of("adults"))
    assert "an estimate" in hand_words(hand_of("child-8")) and "an estimate" not in hand_words(hand_of("adults"))


# --- the sheet


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.name)
def test_a_place_on_the_sheet_and_back(sheet, look):
    point = np.array([[12.5, 31.0, 6.5]])
    x, y = sheet.at(look, point)[0]
    assert sheet.look_at(x, y) is look
    assert sheet.place(look, x, y) == pytest.approx((point[0, look.right], point[0, look.up]))


def test_views_lie_above_and_beside_one_another(sheet):
    corner = np.array([[60.0, 35.0, 8.0]])
    front, side, top = (sheet.at(look, corner)[0] for look in LOOKS)
    assert front[0] == pytest.approx(top[0]) and front[1] == pytest.approx(side[1])
    assert top[1] < front[1] and side[0] > front[0]
    assert sheet.look_at(-100.0, -100.0) is None


def test_the_size_picture_has_part_bar_and_hand_to_one_scale(sheet):
    svg = sheet.size_picture(hand_of("adults"))
    assert svg.count("<image") >= 3 and f"{BAR_MM:g} mm" in svg and "mean hand of adults" in svg
    # The sheet is in millimetres: the bar is 100 units long and the hand 187 high.
    rows = [path.split('"')[0] for path in svg.split('<path d="M')[1:]]
    drawn = [
        np.array([[float(number) for number in pair.split()] for pair in row.removesuffix(" Z").split(" L")])
        for row in rows
    ]
    assert sorted(np.ptp(points, axis=0).max() for points in drawn)[-2:] == pytest.approx(
        [BAR_MM, hand_of("adults").mean_mm("hand_length")], rel=0.01
    )


@pytest.mark.parametrize(
    ("volume", "volume_mm3"),
    [
        (BLOCK, 20 * 30 * 8),
        (Box((45.0, 10.0, 2.0), (55.0, 30.0, 8.0)), 10 * 20 * 6),
        # A square of 10 mm turned by 45 degrees about its middle is still one of 10 mm.
        (Box((45.0, 15.0, -1.0), (55.0, 25.0, 9.0), 45.0), 10 * 10 * 8),
        (Cylinder((50.0, 20.0, 0.0), (50.0, 20.0, 8.0), 5.0), np.pi * 25 * 8),
    ],
)
def test_a_block_is_cut_out_of_the_part_at_the_volume(parts, volume, volume_mm3):
    vertices, faces = inside(parts["swing"], volume)
    # The cut has no lid of its own; the floor and the roof that lie in it say how large it is.
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    up = np.cross(b - a, c - a)[:, 2] / 2
    top = a[:, 2] > 7.99
    height = 6.0 if volume_mm3 == 10 * 20 * 6 else 8.0
    assert up[top].sum() * height == pytest.approx(volume_mm3, rel=0.01)
    assert not len(inside(parts["swing"], Box((100.0, 0.0, 0.0), (110.0, 5.0, 5.0)))[1])


def test_names_on_the_sheet_are_escaped_and_do_not_lie_on_one_another(sheet):
    svg = sheet.named([(HOSTILE, BLOCK), ("second", BLOCK)])
    assert "<script" not in svg and "&lt;script" in svg and "second" not in svg
    assert "far" in sheet.named([("near", BLOCK), ("far", Box((0.0, 0.0, 0.0), (5.0, 5.0, 8.0)))])


# --- marking


@pytest.fixture
def form(sheet) -> MarkForm:
    made = MarkForm(lambda: None)
    made.blank(sheet.low_mm, sheet.high_mm)
    return made


def test_two_rectangles_make_a_box(form):
    assert form.volume() == Box((0.0, 0.0, 0.0), (60.0, 40.0, 8.0)) and not form.narrowed
    form.dragged(TOP, (40.0, 35.0), (60.0, 5.0))
    form.dragged(FRONT, (60.0, 2.0), (40.0, 8.0))
    assert form.volume() == Box((40.0, 5.0, 2.0), (60.0, 35.0, 8.0)) and form.narrowed
    form.dragged(SIDE, (6.0, 1.0), (30.0, 7.0))
    assert form.volume() == Box((40.0, 6.0, 1.0), (60.0, 30.0, 7.0))


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ("cylinder along x", Cylinder((10.0, 20.0, 5.0), (20.0, 20.0, 5.0), 10.0)),
        ("cylinder along y", Cylinder((15.0, 10.0, 5.0), (15.0, 30.0, 5.0), 5.0)),
        ("cylinder along z", Cylinder((15.0, 20.0, 2.0), (15.0, 20.0, 8.0), 10.0)),
    ],
)
def test_two_rectangles_make_a_cylinder_that_leaves_nothing_out(form, shape, expected):
    form.dragged(TOP, (10.0, 10.0), (20.0, 30.0))
    form.dragged(SIDE, (10.0, 2.0), (30.0, 8.0))
    form.shape.value = shape
    assert form.volume() == expected


def test_an_arrow_makes_a_motion(form):
    form.name.value = "block"
    assert form.motion() is None
    form.drag.value = ARROW
    form.dragged(TOP, (10.0, 10.0), (10.0, 30.0))
    form.end.value = 4.0
    assert form.motion() == Motion("block", MotionKind.TRANSLATION, (0.0, 1.0, 0.0), (0.0, 4.0), (10.0, 10.0, 4.0))
    assert (form.at.min, form.at.max) == (0.0, 4.0)
    form.dragged(SIDE, (5.0, 2.0), (10.0, 7.0))
    assert form.motion().direction == pytest.approx((0.0, 0.5**0.5, 0.5**0.5))


@pytest.mark.parametrize(("look", "axis"), [(FRONT, (0.0, -1.0, 0.0)), (SIDE, (1.0, 0.0, 0.0)), (TOP, (0.0, 0.0, 1.0))])
def test_a_turn_goes_counter_clockwise_as_one_looks_at_it(form, look, axis):
    form.name.value, form.moves.value = "block", "turns about the point"
    form.drag.value = ARROW
    form.dragged(look, (7.0, 3.0), (9.0, 3.0))
    form.start.value, form.end.value = -10.0, 30.0
    motion = form.motion()
    assert motion.kind is MotionKind.ROTATION and motion.direction == axis and motion.stroke == (-10.0, 30.0)
    assert (motion.point_mm[look.right], motion.point_mm[look.up]) == (7.0, 3.0)
    assert "deg" in form.at.description and form.angle.layout.display == "none"
    # Right hand rule: what lies to the right in the view goes up in it.
    right = np.zeros(3)
    right[look.right] = 1.0
    assert np.cross(motion.direction, right)[look.up] == pytest.approx(1.0)


def test_what_was_loaded_comes_back_as_it_was_until_it_is_changed(form):
    turned = Region("lid", "swing", RegionKind.MOVING, Box((1.0, 2.0, 3.0), (11.0, 7.0, 8.0), 30.0))
    aslant = Motion("lid", MotionKind.TRANSLATION, (0.6, 0.48, 0.64), (1.0, 5.0), (1.0, 2.0, 3.0), True, 7.5, 2.0)
    form.load(turned, aslant)
    assert form.region("swing") == turned and form.motion() == aslant
    form.end.value = 6.0
    assert form.motion() == replace(aslant, stroke=(1.0, 6.0))
    form.low[0].value = 2.0
    assert form.volume() == Box((2.0, 2.0, 3.0), (11.0, 7.0, 8.0))
    form.angle.value = 0.0
    assert form.motion().direction == (1.0, 0.0, 0.0)


def test_a_force_that_is_no_number_is_refused_and_drawn_without(form):
    form.load(Region("a", "swing", RegionKind.MOVING, BLOCK), SUGGESTED_HERE[1].motion)
    form.force.value = "strong"
    with pytest.raises(SubmissionError, match="'strong' is no number"):
        form.motion()
    assert form.motion(measured=False).force_N is None
    form.force.value = "12.5"
    assert form.motion().force_N == 12.5


# --- the draft


@pytest.fixture
def draft(opened) -> Draft:
    made = opened(Path())
    return Draft(made.submission, made.suggestions)


def test_an_answer_confirms_and_silence_leaves_it_suggested(draft):
    origins = draft.submission.origins
    assert {origins[f"region.{name}"] for name in ("leaf", "block", "pin-body")} == {Origin.SUGGESTED}
    draft.answer("swing:moving:block", Answer.ACCEPTED)
    origins = draft.submission.origins
    # What it needs is accepted along with it.
    assert origins["region.block"] is origins["motion.block"] is origins["region.leaf"] is Origin.CONFIRMED
    assert origins["region.pin-body"] is origins["part.pin.launched_by"] is Origin.SUGGESTED
    draft.answer("pin:projectile:pin", Answer.DROPPED)
    assert [region.name for region in draft.submission.regions] == ["leaf", "block"]
    assert draft.submission.parts[1].launched_by == ""


def test_what_makes_no_sense_without_a_dropped_suggestion_goes_with_it(draft):
    draft.answer("swing:flexure:leaf", Answer.DROPPED)
    assert [region.name for region in draft.submission.regions] == ["pin-body"]
    assert draft.answers["swing:moving:block"] is Answer.DROPPED


def test_further_motions_of_a_region_and_its_note_stay_when_it_is_changed(meshes, form):
    slide = SUGGESTED_HERE[1].motion
    found = Submission(
        number="1", parts=(PartEntry("swing", "swing.stl"),), folder=meshes,
        regions=(Region("block", "swing", RegionKind.MOVING, BLOCK, "as drawn"),),
        motions=(slide, replace(slide, stroke=(0.0, 1.0), name="shake")),
    )  # fmt: skip
    draft = Draft(found, ())
    form.load(found.regions[0], draft.motion_of("block"))
    form.end.value = 3.0
    draft.keep("block", form.region("swing"), form.motion())
    assert [(m.name, m.stroke) for m in draft.submission.motions] == [("block", (0.0, 3.0)), ("shake", (0.0, 1.0))]
    assert draft.submission.regions == found.regions


def test_what_the_format_refuses_changes_nothing(draft):
    before = draft.submission
    for region in (Region("", "swing", RegionKind.MOVING, BLOCK), Region("leaf", "swing", RegionKind.GRIP, BLOCK)):
        with pytest.raises(SubmissionError):
            draft.keep("", region, None)
    with pytest.raises(SubmissionError):
        draft.keep("block", Region("block", "swing", RegionKind.MOVING, Box((0.0, 0.0, 0.0), (0.0, 1.0, 1.0))), None)
    with pytest.raises(SubmissionError, match="circle"):
        draft.launch("swing", "pin")
    assert draft.submission == before and set(draft.answers.values()) == {Answer.OPEN}


def test_a_mark_by_hand_stands_against_what_is_suggested(draft):
    wide = Region("block", "swing", RegionKind.MOVING, Box((39.0, 4.0, 0.0), (61.0, 36.0, 8.0)))
    draft.keep("block", wide, replace(SUGGESTED_HERE[1].motion, stroke=(0.0, 2.0)))
    now = draft.submission
    assert next(r for r in now.regions if r.name == "block") == wide
    assert now.origins["region.block"] is Origin.CONFIRMED and now.origins["region.leaf"] is Origin.SUGGESTED
    assert draft.motion_of("block").stroke == (0.0, 2.0)
    assert draft.answers["swing:moving:block"] is Answer.CHANGED
    draft.keep("block", replace(wide, name="slider"), replace(SUGGESTED_HERE[1].motion, region="slider", name="slider"))
    assert draft.motion_of("block") is None and draft.motion_of("slider") is not None
    draft.remove("slider")
    assert [region.name for region in draft.submission.regions] == ["leaf", "pin-body"]


def test_suggestions_keep_their_order_whatever_is_answered_and_marks_by_hand_come_last(draft):
    frame = Region("frame", "swing", RegionKind.FIXED, Box((0.0, 0.0, 0.0), (10.0, 40.0, 8.0)))
    draft.keep("", frame, None)
    draft.answer("pin:projectile:pin", Answer.ACCEPTED)
    draft.keep("block", replace(SUGGESTED_HERE[1].region, kind=RegionKind.VISIBLE), None)
    assert [region.name for region in draft.submission.regions] == ["leaf", "block", "pin-body", "frame"]


def test_a_region_by_hand_is_kept_changed_renamed_and_removed(draft):
    frame = Region("frame", "swing", RegionKind.FIXED, Box((0.0, 0.0, 0.0), (10.0, 40.0, 8.0)))
    draft.keep("", frame, None)
    draft.keep("frame", replace(frame, name="base"), None)
    assert [r.name for r in draft.submission.regions if r.kind is RegionKind.FIXED] == ["base"]
    assert draft.submission.origins["region.base"] is Origin.CONFIRMED
    draft.launch("pin", "")
    assert draft.submission.parts[1].launched_by == ""
    draft.remove("base")
    assert "base" not in [region.name for region in draft.submission.regions]


# --- the order


@pytest.fixture
def order() -> OrderForm:
    made = OrderForm(lambda: None)
    made.load(Submission(number="from-file", parts=(PartEntry("a", "a.stl"), PartEntry("b", "b.stl")),
                         marked={"submission.number": Origin.ASSUMED}))  # fmt: skip
    return made


BARE = Submission(number="from-file", parts=(PartEntry("a", "a.stl"), PartEntry("b", "b.stl")),
                  marked={"submission.number": Origin.ASSUMED})  # fmt: skip


@pytest.mark.parametrize(
    ("fact", "text", "message"),
    [
        ("submission.number", "", "'number'"),
        ("submission.quantity", "many", "'quantity' must be a whole number from 1"),
        ("submission.quantity", "0", "'quantity' must be a whole number from 1"),
        ("submission.due", "soon", "'due' must be a date such as"),
        ("submission.markets", "Europe", "'markets' must be codes such as"),
        ("use.age_from_months", "three", "'age_from_months' must be a whole number"),
        ("use.cycles", "-4", "'cycles' must be a whole number"),
    ],
)
def test_a_wrong_entry_is_told_beside_it_in_the_words_of_the_format(order, fact, text, message):
    order.entries[fact].value = text
    assert 'role="alert"' in order.messages[fact].value and message in order.messages[fact].value.replace("&#x27;", "'")
    assert [name for name, told in order.messages.items() if told.value] == [fact]
    with pytest.raises(SubmissionError, match=message.split()[0]):
        order.applied(BARE)


def test_what_is_typed_is_confirmed_and_what_is_not_stays(order):
    typed = {
        "submission.revision": "B", "submission.quantity": "20 000", "submission.markets": "us, EU",
        "submission.due": "2999-01-31", "submission.stage": "pilot", "part.material": "petg", "use.hands": "children",
        "use.age_from_months": "72", "use.mounting": "held", "use.surroundings": "outdoor", "use.cycles": "10000",
    }  # fmt: skip
    for fact, text in typed.items():
        order.entries[fact].value = text
    made = order.applied(BARE)
    assert (made.quantity, made.markets, made.revision, str(made.stage)) == (20000, ("US", "EU"), "B", "pilot")
    assert [part.material for part in made.parts] == ["petg", "petg"]
    assert (made.use.hands, made.use.age_from_months, made.use.cycles) == (("children",), 72, 10000)
    assert made.origins["submission.number"] is Origin.ASSUMED
    assert made.origins["submission.quantity"] is made.origins["part.b.material"] is Origin.CONFIRMED
    order.entries["submission.number"].value = "TW-1"
    assert order.applied(BARE).origins["submission.number"] is Origin.CONFIRMED
    order.entries["submission.quantity"].value = ""
    assert order.applied(BARE).quantity is None


def test_requirements_are_added_refused_and_removed(order):
    order.what.value, order.nominal.value, order.unit.value = "force", "strong", "N"
    order.add.click()
    assert "must be a number" in order.messages["requirement"].value and order.requirements == ()
    order.nominal.value, order.tolerance.value, order.verified.value = "12", "3", "spring balance"
    order.critical.value = True
    order.add.click()
    (needed,) = order.applied(BARE).requirements
    assert (needed.id, needed.nominal, needed.lower, needed.upper, needed.critical) == ("R1", 12.0, -3.0, 3.0, True)
    assert order.messages["requirement"].value == "" and "R1: force 12 N" in order.listed.options[0][0]
    order.remove.click()
    assert order.applied(BARE).requirements == () and order.remove.disabled


# --- the panel


def test_it_opens_on_the_part_with_its_size_and_what_moves(panel):
    assert panel.step.value == PART and panel.part.value == "swing"
    assert "data:image/svg+xml" in panel.picture.value and "100 mm and a hand" in panel.picture.value
    told = panel.told.value
    for words in ("Size: 60", "not confirmed", "Moves: block (suggested)", "Bends: leaf (suggested)", "2 suggestions"):
        assert words in told, words
    shown = [box.layout.display for box in panel.steps.values()]
    assert shown == [None, "none", "none", "none", "none"]
    assert panel.units.value == "mm" and "in: 1524" in dict(map(reversed, panel.units.options))["in"].replace(",", "")


def test_the_other_part_has_its_own_suggestions_and_is_launched(panel):
    panel.part.value = "pin"
    assert [key for _, key in panel.suggestion.options] == ["pin:projectile:pin"]
    assert panel.launched.value == "swing" and "Launched: pin-body" in panel.told.value
    panel.launched.value = ""
    assert panel.draft.submission.parts[1].launched_by == "" and "launched by nothing" in said(panel)
    panel.launched.value = "swing"
    assert panel.draft.submission.origins["part.pin.launched_by"] is Origin.CONFIRMED
    panel.part.value = "swing"
    panel.launched.value = "pin"
    assert "Refused" in said(panel) and panel.launched.value == ""


def test_a_suggestion_is_shown_with_picture_and_reason_and_moves(panel):
    chosen(panel, "swing:flexure:leaf")
    assert "&lt;script" in panel.reason.value and "<script" not in panel.reason.value
    assert panel.at.layout.display == "none" and "<image" in panel.over.value
    chosen(panel, "swing:moving:block")
    assert "the strain is too high" in panel.reason.value and "Likely, from the shape alone" in panel.reason.value
    assert panel.at.layout.display is None and (panel.at.min, panel.at.max) == (0.0, 4.0)
    places = []
    for stroke in (0.0, 4.0):
        panel.at.value = stroke
        places.append([float(tag.split('y="')[1].split('"')[0]) for tag in panel.over.value.split("<image")[1:]])
    # Along +y: the same in the front view, up on the sheet by 4 mm in the view from the top.
    assert places[0][0] == pytest.approx(places[1][0]) and places[0][2] - places[1][2] == pytest.approx(4.0, abs=0.01)


def test_suggestions_are_accepted_dropped_and_changed(panel):
    chosen(panel, "swing:flexure:leaf")
    panel.accept.click()
    assert "Accepted: leaf bends" in said(panel) and panel.suggestion.value == "swing:moving:block"
    panel.change.click()
    assert panel.step.value == MARKING and panel.mark.name.value == "block" and panel.mark.end.value == 4.0
    panel.mark.end.value = 3.0
    panel.keep.click()
    assert "Kept: block" in said(panel) and panel.draft.motion_of("block").stroke == (0.0, 3.0)
    chosen(panel, "swing:flexure:leaf")
    panel.drop.click()
    assert [label for label, _ in panel.suggestion.options] == ["dropped: leaf bends", "changed: block moves"]
    assert "leaf" not in [region.name for region in panel.draft.submission.regions]
    panel.part.value = "pin"
    panel.rest.click()
    assert panel.draft.submission.origins["region.pin-body"] is Origin.CONFIRMED and panel.rest.disabled


def test_a_region_is_dragged_named_kept_and_taken_out(panel):
    panel.step.value = MARKING
    assert panel.region.value == "" and "<image" not in panel.over.value
    ends = panel._sheet.at(TOP, np.array([[0.0, 0.0, 0.0], [10.0, 40.0, 0.0]]))
    panel.drag.value = " ".join(f"{end:.3f}" for end in ends.ravel()) + " 1"
    assert "<image" in panel.over.value
    panel.keep.click()
    assert 'role="alert"' in said(panel) and "name" in said(panel)
    panel.mark.name.value, panel.mark.kind.value = "frame", "fixed"
    panel.keep.click()
    frame = next(r for r in panel.draft.submission.regions if r.name == "frame")
    assert frame.kind is RegionKind.FIXED and frame.volume == Box((0.0, 0.0, 0.0), (10.0, 40.0, 8.0))
    assert panel.region.value == "frame"
    panel.remove.click()
    assert "frame" not in [r.name for r in panel.draft.submission.regions] and panel.region.value == ""


def test_what_the_page_sends_wrongly_changes_nothing(panel):
    panel.step.value = MARKING
    before = panel.mark.volume()
    for sent in ("", "a b c d", "1 2", "-500 -500 -400 -400 2"):
        panel.drag.value = sent
        assert panel.mark.volume() == before
    panel.step.value = PART
    panel.drag.value = "1 1 5 5 3"
    assert panel.mark.volume() == before


def test_another_unit_is_read_again_and_confirmed(panel):
    panel.units.value = "in"
    panel.confirm.click()
    assert "confirmed: in" in said(panel) and {p.units for p in panel._parts.values()} == {"in"}
    submission = panel.draft.submission
    assert {part.units for part in submission.parts} == {"in"}
    assert submission.origins["part.swing.units"] is Origin.CONFIRMED and "Unit: in, confirmed" in panel.told.value


def test_writing_is_refused_with_the_message_beside_the_field_and_then_done(panel, tmp_path):
    panel.step.value = ORDER
    panel.order.entries["submission.quantity"].value = "many"
    panel.step.value = REVIEW
    panel.write.click()
    assert "Not written: Quantity: " in said(panel) and not (tmp_path / "marked").exists()
    assert "whole number" in panel.order.messages["submission.quantity"].value
    panel.order.entries["submission.quantity"].value = "20000"
    panel.write.click()
    assert "Written and checked" in said(panel) and "nobody confirmed" in said(panel)
    read = read_submission(tmp_path / "marked")
    assert read.quantity == 20000 and read.origins["region.leaf"] is Origin.SUGGESTED
    assert {path.name for path in (tmp_path / "marked").iterdir()} == {"submission.toml", "swing.stl", "pin.stl"}


def handed_over(panel: IntakePanel) -> None:
    panel.step.value = REVIEW
    panel.hand_over.click()
    assert panel._job is not None
    panel._job.join(20)
    assert not panel._job.is_alive()


def test_a_review_that_stops_says_so_and_can_be_started_again(panel):
    asked = []

    def stopped(source: Path, folder: Path, *, progress: object) -> Path:
        asked.append((source.name, threading.current_thread() is not threading.main_thread()))
        raise WorkbookError("the kernel died")

    panel._reviewer = stopped
    handed_over(panel)
    assert "The review stopped: the kernel died" in said(panel) and 'role="alert"' in said(panel)
    assert not panel.hand_over.disabled
    panel._reviewer = lambda *_, **__: 1 / 0
    handed_over(panel)
    assert "ZeroDivisionError" in said(panel) and asked == [("submission.toml", True)]


def test_nothing_that_is_written_is_lost_of_a_file_that_was_there(panel, meshes, tmp_path):
    folder = tmp_path / "marked"
    folder.mkdir()
    panel.write.click()
    text = (folder / "submission.toml").read_text()
    (folder / "submission.toml").write_text(f"# mine\n{text}")
    panel.order.entries["submission.revision"].value = "C"
    panel.write.click()
    again = (folder / "submission.toml").read_text()
    assert again.startswith("# mine") and 'revision = "C"' in again


# --- the workbook


def test_the_workbook_without_a_person_prints_pictures_and_suggestions_and_writes(meshes, tmp_path):
    parameters = {
        "source": str(meshes / "pin.stl"),
        "folder": str(tmp_path / "marked"),
        "out": str(tmp_path),
        "live": False,
    }
    steps = []
    run_workbook("part_intake.ipynb", parameters, tmp_path / "done.ipynb", lambda *told: steps.append(told))
    assert steps == [(1, 1, "Intake")]
    notebook = nbformat.read(tmp_path / "done.ipynb", as_version=4)
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    kinds = {kind for output in outputs for kind in output.get("data", {})}
    assert "image/svg+xml" in kinds and not [kind for kind in kinds if "widget" in kind]
    pages = "".join(output.get("data", {}).get("text/html", "") for output in outputs)
    alts = [str(output.get("metadata", {}).get("image/svg+xml", "")) for output in outputs]
    assert "Suggested for" in pages or "suggests nothing" in pages
    assert sum("beside 100 mm and a hand" in alt for alt in alts) == 1
    read = read_submission(tmp_path / "marked")
    assert [part.id for part in read.parts] == ["pin"]
    assert all(origin is not Origin.CONFIRMED for name, origin in read.origins.items() if name.startswith("region."))


def test_the_panel_is_what_the_workbook_shows_to_a_person(opened, meshes):
    shown = package.intake(meshes, "", "", lambda *_, **__: Path())
    assert isinstance(shown, IntakePanel) and shown.part.value == "swing"
