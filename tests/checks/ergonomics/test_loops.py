"""ER-05 on loops drawn just inside and outside each bound; the bounds of the notes are written out again here.

Adults 25 x 28 mm (Pheasant, from memory, and slack), gloves 7 mm more, children 24 mm (Ann. Anat. 192, 2010, and
slack); holes of 7 to 12 mm that are 10 mm deep trap fingers (EN 581-1:2017 5.2).  A printed gap is off by 0.3 mm.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from matplotlib.figure import Figure
from shapely import Point, box

from reviewkit.checks.ergonomics.loops import finger_loops
from reviewkit.figures import handhold as drawings
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Setup, Severity, Verdict
from reviewkit.submission import (
    Box,
    Hardware,
    HardwareKind,
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
MEETS, MARGINAL, FAILS, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
ADULTS, CHILDREN = Use(192, ("adults",)), Use(72, ("children",))
ARM = Region("arm", "p", RegionKind.MOVING, Box((-41, -26, -20), (41, 26, 20)))
PULL = Requirement("R1", RequirementKind.FORCE, 12.0, -3.0, 3.0, "N", part="p", region="arm")
POSES = [trimesh.transformations.random_rotation_matrix(r)[:3, :3] for r in np.random.default_rng(5).random((12, 3))]


def plate(*holes, thick=15.0) -> trimesh.Trimesh:
    region = shapely.difference(box(-40, -25, 40, 25), shapely.union_all(holes))
    return trimesh.creation.extrude_polygon(region, thick).apply_translation((0, 0, -thick / 2))


def disc(diameter, x=0.0):
    return Point(x, 0).buffer(diameter / 2, quad_segs=64)


def oblong(width, length):
    return box(-width / 2, -length / 2, width / 2, length / 2)


def judged(mesh, *regions, use=ADULTS, pose=IDENTITY, requirements=(PULL,), motions=(), hardware=()):
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission(
        "T-1", regions=regions, use=use, requirements=requirements, motions=motions, hardware=hardware
    )
    setup = replace(SETUP, pose=tuple(map(tuple, pose)))
    findings = finger_loops(Workpiece(submission, part, setup), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    order = [FAILS, OPEN, MARGINAL, MEETS]
    for found in findings:
        assert (found.code, found.domain, found.part) == ("ER-05", "ergonomics", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        for kind in found.figures:
            words = getattr(drawings, kind)(found, Figure(layout="constrained"))
            assert all("nan" not in text and text for text in words)
        for place in found.where:
            assert len(found.evidence[place.faces])
    assert all(order.index(findings[0].verdict) <= order.index(found.verdict) for found in findings)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


@pytest.mark.parametrize(
    ("hole", "use", "expected"),
    [
        (oblong(26, 30), ADULTS, MEETS), (oblong(22, 30), ADULTS, FAILS), (disc(10), CHILDREN, FAILS),  # worked cases
        (oblong(25.4, 30), ADULTS, MEETS), (oblong(25.1, 30), ADULTS, MARGINAL), (oblong(24.6, 30), ADULTS, FAILS),
        (oblong(26, 28.4), ADULTS, MEETS), (oblong(26, 27.6), ADULTS, FAILS),
        (disc(24.4), CHILDREN, MEETS), (disc(24.0), CHILDREN, MARGINAL), (disc(23.6), CHILDREN, FAILS),
        (disc(24.4), Use(72, ("children", "adults")), FAILS),
        (oblong(32.4, 36), Use(192, ("men in gloves",)), MEETS), (oblong(31, 36), Use(192, ("men in gloves",)), FAILS),
        (oblong(31.4, 36), Use(72, ("children in gloves",)), MEETS), (disc(30), Use(72, ("child-8 in gloves",)), FAILS),
    ],
)  # fmt: skip
def test_loops_of_what_a_hand_pulls(hole, use, expected):
    found = judged(plate(hole), ARM, use=use)
    assert found["part"].verdict is expected
    assert set(found) == ({"part"} if expected is MEETS else {"part", "arm"})
    if expected is MARGINAL:
        assert "too near to tell" in found["arm"].message


@pytest.mark.parametrize(
    ("diameter", "thick", "injury"),
    [(10, 15, True), (7.6, 15, True), (11.6, 15, True), (10, 9, False), (13, 15, False)],
)
def test_holes_that_trap_fingers(diameter, thick, injury):
    """Between 7 and 12 mm and 10 mm deep or more it is an injury; shallower or wider it is only too small a loop."""
    found = judged(plate(disc(diameter), thick=thick), ARM, use=CHILDREN)["arm"]
    assert found.verdict is FAILS
    assert found.severity is (Severity.INJURY if injury else Severity.FUNCTION)
    assert ("goes in and sticks" in found.message) == injury


def test_a_hole_that_no_finger_enters_is_no_loop():
    found = judged(plate(disc(6.6)), ARM, use=CHILDREN)
    assert found["part"].verdict is MEETS
    assert "no hole that a finger can enter" in found["part"].message


def test_a_hole_that_nobody_declared_for_a_finger_is_a_guess():
    """Through what moves, but no force of a hand is stated: worth a look, no failure."""
    found = judged(plate(disc(10)), ARM, use=CHILDREN, requirements=())["arm"]
    assert found.verdict is MARGINAL
    assert "Nobody declared" in found.guess
    opening = Region("ring", "p", RegionKind.OPENING, Box((-12, -12, -9), (12, 12, 9)))
    assert judged(plate(disc(10)), opening, ARM, use=CHILDREN, requirements=())["arm"].verdict is FAILS


def test_a_hole_for_a_declared_pin_is_no_loop():
    pin = Hardware("pin", HardwareKind.BOUGHT, "p", (1.0, 0.0, 5.0))
    assert judged(plate(disc(10)), ARM, use=CHILDREN, hardware=(pin,))["part"].verdict is MEETS
    elsewhere = replace(pin, point_mm=(20.0, 0.0, 5.0))
    assert judged(plate(disc(10)), ARM, use=CHILDREN, hardware=(elsewhere,))["part"].verdict is FAILS


@pytest.mark.parametrize(("width", "expected"), [(26, MEETS), (22, FAILS), (6.5, MEETS)])
def test_declared_openings_of_what_rests(width, expected):
    """A window of 6.5 mm lets no finger in and is no opening for one."""
    window = Region("window", "p", RegionKind.OPENING, Box((-width / 2, -15, -8), (width / 2, 15, 8)))
    found = judged(plate(oblong(width, 30)), window, requirements=())
    assert found["part"].verdict is expected
    assert set(found) == ({"part"} if expected is MEETS else {"part", "window"})
    if width < 7:
        assert "no finger enters it" in found["part"].message


def test_an_opening_that_a_motion_narrows():
    """A bar comes 18 mm into a window of 30 x 26 mm: 26 mm as drawn, 13 at the end."""
    bar = trimesh.creation.box(bounds=[(-26.0, -12, -7), (-16.0, 12, 7)])
    mesh = trimesh.util.concatenate([plate(box(-27, -13, 15, 13)), bar])
    regions = (
        Region("frame", "p", RegionKind.FIXED, Box((-50, -40, -10), (50, 40, 10))),
        Region("bar", "p", RegionKind.MOVING, Box((-26.5, -12.5, -8), (-15.5, 12.5, 8))),
        Region("window", "p", RegionKind.OPENING, Box((-15, -13, -8), (15, 13, 8))),
    )
    motion = Motion("bar", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 18.0))
    found = judged(mesh, *regions, motions=(motion,), requirements=())["window"]
    assert value(found, "width, narrowest") == pytest.approx(13, abs=0.1)
    assert value(found, "width, widest") == pytest.approx(26, abs=0.1)
    assert len(found.evidence["strokes"]) == 7
    still = judged(mesh, *regions, requirements=())
    assert set(still) == {"part"}


def test_two_loops_bear_their_places():
    found = judged(plate(disc(20, -20), disc(20, 20)), ARM)
    assert set(found) == {"part", "arm at -20 0 0", "arm at 20 0 0"}


def test_numbers_do_not_depend_on_the_pose():
    mesh = plate(disc(22))
    expected = judged(mesh, ARM)["arm"]
    for pose in POSES:
        found = judged(mesh, ARM, pose=pose)["arm"]
        assert [m.value for m in found.measurements] == [m.value for m in expected.measurements]
        assert found.where[0].point_mm == expected.where[0].point_mm


def test_what_is_not_known():
    assert judged(plate(disc(22)))["part"].verdict is OPEN
    assert judged(plate(disc(22)), ARM, use=Use(hands=("giants",)))["part"].verdict is OPEN
    assert judged(plate(disc(40)), ARM, use=Use(hands=("men in mittens",)))["part"].verdict is OPEN
    keep = Region("face", "p", RegionKind.KEEP, Box((0, 0, 0), (9, 9, 9)))
    assert judged(plate(disc(22)), keep)["part"].verdict is MEETS
    assert judged(plate(oblong(23, 30)), ARM, use=Use())["arm"].guess
