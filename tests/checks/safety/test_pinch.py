"""SA-02: the worked tables of the rules, then the same cases drawn, turned and closed in.

Outside truth: ASTM F963 4.18.1 (rods of 3/16 and 1/2 in), EN 71-1 and ISO 8124-1 (5 and 12 mm, from memory), ISO 13854
(25 mm for a finger), the clauses on hinge lines (227 and 250 g, from memory).
"""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit import review
from reviewkit.checks.safety.pinch import by_range, caught, crushed, hinge_line, pinch
from reviewkit.figures.pinch import gap_over_stroke
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Finding, Setup, Severity, Verdict
from reviewkit.resources import resource
from reviewkit.submission import (
    Box,
    Motion,
    MotionKind,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
    Use,
)
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
US, EU = (4.7625, 12.7), (5.0, 12.0)
TOY, ADULT = 60, 216
HIGH = 16.0

Blocks = list[tuple[tuple[float, ...], tuple[float, ...]]]


def solid(blocks: Blocks, turn_deg: float = 0.0) -> trimesh.Trimesh:
    bodies = [trimesh.creation.box(bounds=np.array(block, dtype=float)) for block in blocks]
    mesh = trimesh.boolean.union(bodies) if len(bodies) > 1 else bodies[0]
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn_deg), (0, 0, 1)))
    return mesh


def turned(points, turn_deg: float):
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.atleast_2d(points) @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def region(name: str, kind: RegionKind, low, high, turn_deg: float = 0.0) -> Region:
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    shift = turned((low + high) / 2, turn_deg)[0] - (low + high) / 2
    return Region(name, "p", kind, Box(tuple(low + shift), tuple(high + shift), turn_deg))


def slide(far_mm: float, direction=(1.0, 0.0, 0.0), turn_deg: float = 0.0, **more) -> Motion:
    return Motion("slider", MotionKind.TRANSLATION, tuple(turned(direction, turn_deg)[0]), (0.0, far_mm), **more)


def judged(mesh, regions=(), motions=(), age=TOY, markets=("US", "EU"), requirements=()) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission(
        "T-1",
        regions=tuple(regions),
        motions=tuple(motions),
        use=Use(age_from_months=age),
        markets=markets,
        requirements=requirements,
    )
    findings = pinch(Workpiece(submission, part, SETUP), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    for found in findings:
        assert (found.code, found.domain, found.part) == ("SA-02", "safety", "p")
        assert found.severity is Severity.INJURY
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert bool(found.guess) == (age is None and found.verdict is not NOT_CHECKED)
        for place in found.where:
            if place.faces:
                low, high = np.array(place.box_mm)
                assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
                assert found.evidence[place.faces].max() < len(mesh.faces)
        for name in found.figures:
            title, caption, alt = {"gap_over_stroke": gap_over_stroke}[name](found, Figure())
            assert title and caption.endswith(".") and alt.endswith(".")
    order = [FAILS, MARGINAL, MEETS, NOT_CHECKED]
    assert order.index(findings[0].verdict) <= min((order.index(f.verdict) for f in findings[1:]), default=3)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity == quantity)


def frame(low_mm: float, high_mm: float, turn_deg: float = 0.0, **asked) -> dict[str, Finding]:
    """A slider whose gap to a wall goes from one size to the other, or that slides along it where they are equal."""
    blocks: Blocks = [((-20, -10, 0), (0, 10, HIGH)), ((high_mm, -25, 0), (high_mm + 6, 25, HIGH))]
    far = high_mm - low_mm
    motion = slide(far, turn_deg=turn_deg) if far else slide(8.0, (0.0, 1.0, 0.0), turn_deg)
    moves = region("slider", RegionKind.MOVING, (-20.5, -10.5, -1), (0.3, 10.5, HIGH + 1), turn_deg)
    return judged(solid(blocks, turn_deg), [moves], [motion], **asked)


# --- the worked tables -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("least", "most", "us", "eu"),
    [
        (4.9, 4.9, FAILS, MEETS),
        (0.4, 3.0, MEETS, MEETS),
        (6.0, 6.0, FAILS, FAILS),
        (13.5, 20.0, MEETS, MEETS),
        (12.2, 20.0, FAILS, MEETS),
        (2.0, 15.0, FAILS, FAILS),
        (4.7625, 4.7625, FAILS, MEETS),
        (12.7, 12.7, MEETS, MEETS),
    ],
)
def test_table_of_segments(least, most, us, eu):
    """Table of section 2.1 at nominal sizes, and the two bounds themselves."""
    ends = np.array(least), np.array(most)
    for rods, wanted in ((US, us), (EU, eu)):
        assert by_range(caught(*ends, *rods), caught(*ends, *rods)) is wanted


@pytest.mark.parametrize(
    ("least", "most", "wanted"), [(26.0, 40.0, MEETS), (12.0, 30.0, FAILS), (3.0, 4.0, MEETS), (25.0, 40.0, MEETS)]
)
def test_table_of_crushing(least, most, wanted):
    """Table of section 1.3: 25 mm at the closest approach, not where no finger enters."""
    found = crushed(np.array(least), np.array(most), 6.0, 25.0)
    assert by_range(found, found) is wanted


@pytest.mark.parametrize(
    ("least", "most", "piece_g", "wanted"), [(4.0, 4.0, 300, MEETS), (8.0, 8.0, 300, FAILS), (8.0, 8.0, 20, None)]
)
@pytest.mark.parametrize(("rods", "from_g"), [(US, 226.796), (EU, 250.0)])
def test_table_of_hinge_lines(least, most, piece_g, wanted, rods, from_g):
    """Table of section 2.2."""
    assert hinge_line(least, most, piece_g, from_g, rods) is wanted


def test_a_gap_within_its_uncertainty_is_marginal():
    for gap, wanted in ((4.4, MEETS), (4.6, MARGINAL), (4.9, MARGINAL), (5.2, FAILS), (12.3, FAILS), (12.6, MARGINAL),
                        (12.9, MARGINAL), (13.1, MEETS)):  # fmt: skip
        ends = np.array(gap), np.array(gap)
        assert by_range(caught(*ends, *US, 0.3), caught(*ends, *US, -0.3)) is wanted


# --- the same, drawn -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "us", "eu"),
    [
        (4.9, 4.9, MARGINAL, MARGINAL),
        (5.4, 5.4, FAILS, FAILS),
        (4.3, 4.3, MEETS, MEETS),
        (0.4, 3.0, MEETS, MEETS),
        (6.0, 6.0, FAILS, FAILS),
        (13.5, 20.0, MEETS, MEETS),
        (12.2, 20.0, FAILS, MARGINAL),
        (2.0, 15.0, FAILS, FAILS),
        (0.3, 0.3, MEETS, MEETS),
    ],
)
def test_slider_before_a_wall(low, high, us, eu):
    """The table of 2.1 as parts, each gap judged with the 0.3 mm that printed gaps vary by."""
    for market, wanted in (("US", us), ("EU", eu)):
        found = frame(low, high, markets=(market,))
        assert found["part"].verdict is wanted
        assert [f.verdict for f in list(found.values())[1:]] == ([wanted] if wanted is not MEETS else [])
        for gap in list(found.values())[1:]:
            assert value(gap, "gap at its narrowest") == pytest.approx(low, abs=0.1)
            assert {limit.id.split("-")[1] for limit in gap.limits} == {market.lower()}
            assert gap.where[0].point_mm == pytest.approx((high / 2, 0, HIGH / 2), abs=1.6)


@pytest.mark.parametrize("turn_deg", range(0, 360, 30))
def test_turned_it_is_the_same_gap(turn_deg):
    found = frame(3.0, 12.0, turn_deg)
    (gap,) = (f for f in found.values() if f.subject != "part")
    assert gap.verdict is FAILS and found["part"].verdict is FAILS
    assert value(gap, "gap at its narrowest") == pytest.approx(3.0, abs=0.1)
    assert value(gap, "gap at its widest") == pytest.approx(12.0, abs=0.1)
    middle = turned((6.0, 0.0, HIGH / 2), turn_deg)[0]
    assert gap.where[0].point_mm == pytest.approx(tuple(middle), abs=1.6)
    assert "10 mm more where it is narrowest" in gap.change


@pytest.mark.parametrize("turn_deg", [17, 151])
def test_turned_a_narrow_gap_is_silent(turn_deg):
    assert frame(0.4, 4.0, turn_deg)["part"].verdict is MEETS


def test_markets_choose_the_rods():
    assert frame(12.35, 20.0, markets=("EU",))["part"].verdict is MEETS
    assert frame(12.35, 20.0, markets=("US", "EU"))["part"].verdict is FAILS
    unstated = frame(12.35, 20.0, markets=())
    assert unstated["part"].verdict is FAILS
    assert "No market is stated" in unstated["part"].message


# --- age, force ------------------------------------------------------------------------------


def test_age_chooses_the_rule():
    assert frame(3.0, 12.0, age=95)["part"].verdict is FAILS
    grown = frame(3.0, 12.0, age=ADULT)
    assert grown["part"].verdict is FAILS
    assert "rods for toys do not apply" in grown["part"].message
    assert "25 mm" in list(grown.values())[1].message
    # Both rules: the rods let it pass, ISO 13854 does not.
    assert frame(14.0, 22.0, age=TOY)["part"].verdict is MEETS
    assert frame(14.0, 22.0, age=None)["part"].verdict is MARGINAL
    assert frame(25.5, 32.0, age=None)["part"].verdict is MEETS


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [(26.0, 34.0, MEETS), (24.9, 33.0, MARGINAL), (12.0, 20.0, FAILS), (3.0, 5.5, MEETS), (3.0, 6.8, FAILS)],
)
def test_crushing_of_adults(low, high, wanted):
    assert frame(low, high, age=ADULT)["part"].verdict is wanted


def test_a_guide_crushes_no_adult():
    assert frame(10.0, 10.0, age=ADULT)["part"].verdict is MEETS
    # A bar that goes into a slot beside which it was free before: what is beside it comes no nearer.
    blocks: Blocks = [((-40, -5, 0), (-3, 5, HIGH)), ((0, 5.5, 0), (40, 15, HIGH))]
    moves = region("slider", RegionKind.MOVING, (-41, -6, -1), (-2, 5.2, HIGH + 1))
    assert judged(solid(blocks), [moves], [slide(20.0)], age=ADULT)["part"].verdict is MEETS


def test_a_small_force_lets_off_adults_and_not_children():
    gap = ((-20, -10, 0), (0, 10, HIGH)), ((12, -25, 0), (18, 25, HIGH))
    moves = [region("slider", RegionKind.MOVING, (-20.5, -10.5, -1), (0.3, 10.5, HIGH + 1))]

    def at(age, force=None, asked=None) -> dict[str, Finding]:
        wanted = Requirement("R1", RequirementKind.FORCE, asked, 0.0, 3.0, "N", part="p", region="slider")
        requirements = (wanted,) if asked is not None else ()
        return judged(solid(list(gap)), moves, [slide(9.0, force_N=force)], age=age, requirements=requirements)

    assert at(ADULT, 8.0)["part"].verdict is MEETS
    assert "8 N" in at(ADULT, 8.0)["part"].message
    assert at(ADULT, 49.9)["part"].verdict is MEETS
    assert at(ADULT, 51.0)["part"].verdict is FAILS
    assert at(ADULT, None, 46.0)["part"].verdict is MEETS
    assert at(ADULT, None, 48.0)["part"].verdict is FAILS
    assert at(120, 8.0)["part"].verdict is MARGINAL
    child = at(TOY, None, 12.0)
    assert child["part"].verdict is FAILS
    (gap_found,) = list(child.values())[1:]
    assert value(gap_found, "closing force, at most") == 15.0
    assert "no rule for toys" in gap_found.message


# --- hinges, grooves, boxes ------------------------------------------------------------------


def hinge(opens_deg: float, age: int = TOY, still: trimesh.Trimesh | None = None) -> dict[str, Finding]:
    """Two leaves side by side that meet at z = 0 like a book, open by an angle and closed over the stroke."""
    leaf, lid = (trimesh.creation.box(bounds=np.array(b, dtype=float)) for b in (
        [(0, -3, 0), (40, 0, 20)], [(0.5, 0.01, 0), (40, 3, 20)]))  # fmt: skip
    lid.apply_transform(trimesh.transformations.rotation_matrix(np.radians(opens_deg), (0, 0, 1)))
    mesh = trimesh.util.concatenate([leaf if still is None else still, lid])
    moves = Region("lid", "p", RegionKind.MOVING, Box((-5.0, 0.005, -1.0), (45.0, 45.0, 21.0)))
    motion = Motion("lid", MotionKind.ROTATION, (0.0, 0.0, 1.0), (0.0, -opens_deg), (0.0, 0.0, 0.0))
    return judged(mesh, [moves], [motion], age=age)


def test_a_closing_v_catches_a_finger_and_a_narrow_one_does_not():
    wide = hinge(30.0)
    assert wide["part"].verdict is FAILS
    (gap,) = (f for f in wide.values() if f.subject != "part")
    assert "like a V, up to 30° open" in gap.message
    assert value(gap, "opening angle of its sides") == pytest.approx(30, abs=1)
    assert "for pieces of 227 g and over; this part has" in wide["part"].message
    # At its mouth the ball in a wedge of 5 degrees is 2 x 40 x tan(2.5 deg) = 3.5 mm.
    assert hinge(5.0)["part"].verdict is MEETS


def test_a_heavy_hinge_is_told_of_its_own_clause():
    heavy = trimesh.creation.box(bounds=np.array([(0, -60, 0), (80, 0, 45)], dtype=float))
    found = hinge(30.0, still=heavy)
    assert found["part"].verdict is FAILS
    assert "not met by the gaps listed, if the piece that turns weighs so much" in found["part"].message


def boxed(*more, lid=True, **asked) -> dict[str, Finding]:
    """A slider in a box of its own that is wholly closed, or open above."""
    outer = trimesh.creation.box(bounds=np.array([(-30, -25, -10), (30, 25, 26)], dtype=float))
    room = trimesh.creation.box(bounds=np.array([(-26, -21, -6), (26, 21, 22 if lid else 40)], dtype=float))
    for hole in more:
        room = trimesh.boolean.union([room, hole])
    slider = trimesh.creation.box(bounds=np.array([(-20, -15, 0), (12, 15, 16)], dtype=float))
    mesh = trimesh.util.concatenate([trimesh.boolean.difference([outer, room]), slider])
    moves = region("slider", RegionKind.MOVING, (-20.5, -15.5, -1), (12.5, 15.5, 17))
    return judged(mesh, [moves], [slide(10.0)], **asked)


def test_what_is_closed_in_a_box_is_silent():
    assert boxed(lid=False)["part"].verdict is FAILS
    assert list(boxed()) == ["part"]
    assert boxed()["part"].verdict is MEETS
    slot = trimesh.creation.box(bounds=np.array([(12, -8, 20), (26, 8, 40)], dtype=float))
    assert boxed(slot)["part"].verdict is FAILS
    slit = trimesh.creation.box(bounds=np.array([(12, -8, 20), (16, 8, 40)], dtype=float))
    assert boxed(slit)["part"].verdict is MEETS


@pytest.mark.parametrize(("deep", "wanted"), [(3.0, MARGINAL), (4.6, MARGINAL), (5.8, FAILS), (1.5, MEETS)])
def test_a_shallow_floor_is_marginal(deep, wanted):
    """A slider on a floor beside a step as high as itself, 7 mm away, along which it slides."""
    mesh = trimesh.util.concatenate([
        solid([((-30, -40, -6), (20, 40, 0)), ((7, -40, -1), (20, 40, deep))]),
        trimesh.creation.box(bounds=np.array([(-20, -20, 0.02), (0, 20, deep)])),
    ])  # fmt: skip
    moves = region("slider", RegionKind.MOVING, (-20.5, -20.5, 0.01), (0.5, 20.5, deep + 1))
    found = judged(mesh, [moves], [slide(8.0, (0.0, 1.0, 0.0))])
    assert found["part"].verdict is wanted
    if wanted is MARGINAL:
        (gap,) = list(found.values())[1:]
        assert value(gap, "depth of the gap") == pytest.approx(deep, abs=0.5)
        assert "deep" in gap.message


# --- names, groups, what is not declared --------------------------------------------------------


def test_a_gap_bears_the_name_of_its_opening_else_of_its_regions():
    blocks: Blocks = [((-20, -10, 0), (0, 10, HIGH)), ((9, -25, 0), (15, 25, HIGH))]
    slider = region("slider", RegionKind.MOVING, (-20.5, -10.5, -1), (0.3, 10.5, HIGH + 1))
    wall = region("wall", RegionKind.FIXED, (8.9, -26, -1), (16, 26, HIGH + 1))
    hole = region("hole", RegionKind.OPENING, (0, -10, -1), (9, 10, HIGH + 1))
    motion = [slide(6.0)]
    assert list(judged(solid(blocks), [slider], motion)) == ["part", "slider"]
    assert list(judged(solid(blocks), [slider, wall], motion)) == ["part", "slider to wall"]
    # An opening holds no matter of its own, and what is declared for fingers is judged all the same.
    assert list(judged(solid(blocks), [hole, slider, wall], motion)) == ["part", "hole"]


def test_gaps_alike_are_told_together():
    blocks: Blocks = [((40, -40, 0), (46, 60, HIGH)), ((12, 10, 0), (14, 55, HIGH))]
    blocks += [((13, 10, 0), (31, 25, HIGH)), ((13, 40, 0), (31, 55, HIGH))]
    slider = region("slider", RegionKind.MOVING, (11, 9, -1), (33, 56, HIGH + 1))
    found = judged(solid(blocks), [slider], [slide(6.0)])
    (gap,) = list(found.values())[1:]
    assert len(gap.where) == 2 and "There are 2 such places" in gap.message
    assert found["part"].message.startswith("There are 2 gaps beside slider that catch a finger.")


def test_what_is_not_declared_is_said():
    blocks: Blocks = [((-20, -10, 0), (0, 10, HIGH)), ((9, -25, 0), (15, 25, HIGH))]
    slider = region("slider", RegionKind.MOVING, (-20.5, -10.5, -1), (0.3, 10.5, HIGH + 1))
    bare = judged(solid(blocks))
    assert bare["part"].verdict is NOT_CHECKED and "Mark what moves" in bare["part"].change
    still = judged(solid(blocks), [slider])
    assert still["part"].verdict is FAILS
    assert "as drawn" in still["part"].message and "direction and stroke" in still["part"].change
    wide = judged(solid([blocks[0], ((19, -25, 0), (25, 25, HIGH))]), [slider])
    assert wide["part"].verdict is MARGINAL and list(wide) == ["part"]
    float_ = judged(solid(blocks[:1]), [region("dart", RegionKind.PROJECTILE, (-21, -11, -1), (1, 11, 17))])
    assert float_["part"].verdict is MEETS


def test_what_moves_together_pinches_nothing():
    blocks: Blocks = [((-20, -10, 0), (0, 10, HIGH)), ((8, -10, 0), (20, 10, HIGH)), ((-20, -10, 0), (20, 10, 2))]
    moves = region("slider", RegionKind.MOVING, (-21, -11, -1), (21, 11, 17))
    assert list(judged(solid(blocks), [moves], [slide(9.0)])) == ["part"]
    # A motion of no more than flesh gives way is none.
    assert frame(6.0, 7.9)["part"].verdict is MEETS
    assert frame(6.0, 8.1)["part"].verdict is FAILS


# --- demonstration ---------------------------------------------------------------------------


def test_the_finger_opening_of_the_launcher():
    case = review.opened(Path(str(resource("data", "parts"))) / "launcher-a")
    found = {f.subject: f for f in pinch(case.workpieces[0], case.limits)}
    opening = found["finger-opening"]
    assert opening.verdict is FAILS
    assert opening.where[0].point_mm == pytest.approx((-84, 0, 8), abs=3)
    assert value(opening, "gap at its widest") == pytest.approx(12, abs=0.1)
    assert value(opening, "gap at its narrowest") == pytest.approx(3, abs=0.1)
    pusher = found["shuttle to barrel"]
    assert pusher.verdict is FAILS
    assert value(pusher, "gap at its narrowest") == pytest.approx(3, abs=0.1)
    assert list(found) == ["part", "shuttle to barrel", "finger-opening", "leaf-1"]
