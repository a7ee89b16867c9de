"""ER-04 on handles drawn just inside and outside each bound; the bounds of the notes are written out again here.

MIL-STD-1472F, one-hand bar (from memory): bare hand 48 behind, 111 along, 75 deep; gloves 50, 125, 100; mittens 75,
135, 150.  For children the notes give none; theirs go with the length of the hand (common practice).
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.ergonomics.clearance import handle_clearance
from reviewkit.figures import handhold as drawings
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Setup, Status, Verdict
from reviewkit.submission import Box, Cylinder, Mounting, PartEntry, Region, RegionKind, Submission, Use
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
ADULTS = Use(age_from_months=192, hands=("adults",))
POSES = [trimesh.transformations.random_rotation_matrix(r)[:3, :3] for r in np.random.default_rng(5).random((12, 3))]


def block(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=np.array([low, high], dtype=float))


def handle(gap=50.0, width=115.0, radius=10.0, wall_mm=None):
    """A round bar on two posts over a plate whose top is z = 0, with a wall beside it."""
    half, z = width / 2, gap + radius
    bar = trimesh.creation.cylinder(radius, segment=[(-half - 5, 0, z), (half + 5, 0, z)], sections=64)
    solids = [
        block((-half - 30, -30, -10), (half + 30, 30, 0)),
        block((-half - 15, -radius, -5), (-half, radius, z + radius)),
        block((half, -radius, -5), (half + 15, radius, z + radius)),
        bar,
    ]
    if wall_mm is not None:
        solids.append(block((-half - 30, wall_mm, -10), (half + 30, wall_mm + 6, z + 20)))
    grip = Region("grip", "p", RegionKind.GRIP, Cylinder((-half, 0, z), (half, 0, z), radius + 0.05))
    return trimesh.boolean.union(solids), grip


def judged(mesh, *regions, use=ADULTS, pose=IDENTITY, launched_by="") -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    entry = PartEntry("p", "p.stl", launched_by=launched_by)
    submission = Submission("T-1", regions=regions, use=use, parts=(entry,))
    setup = replace(SETUP, pose=tuple(map(tuple, pose)))
    findings = handle_clearance(Workpiece(submission, part, setup), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    order = [FAILS, OPEN, MARGINAL, MEETS]
    for found in findings:
        assert (found.code, found.domain, found.part) == ("ER-04", "ergonomics", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert all(limit.source.status is Status.MEMORY for limit in found.limits)
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
    ("gap", "width", "expected"),
    [
        (50, 115, MEETS), (40, 115, FAILS), (50, 105, FAILS),  # the worked cases of the notes
        (48.4, 115, MEETS), (48.1, 115, MARGINAL), (47.9, 115, MARGINAL), (47.6, 115, FAILS),
        (50, 111.4, MEETS), (50, 111.1, MARGINAL), (50, 110.6, FAILS),
    ],
)  # fmt: skip
def test_bar_handle_for_the_bare_hand(gap, width, expected):
    found = judged(*handle(gap, width))
    assert found["part"].verdict is expected
    assert value(found["part"], "clearance") == pytest.approx(gap, abs=0.06)
    assert value(found["part"], "opening") == pytest.approx(width, abs=0.06)
    assert set(found) == ({"part"} if expected is MEETS else {"part", "grip"})
    if expected is FAILS:
        short = 48.3 - gap if gap < 48 else 111.3 - width
        told = found["grip"].change
        assert f"{float(told.split(' mm')[0].split()[-1]):.1f}" == f"{short:.1f}"
        assert ("farther" in told) == (gap < 48)


@pytest.mark.parametrize(
    ("hands", "gap", "width", "expected"),
    [
        ("adults in gloves", 50.5, 125.5, MEETS), ("adults in gloves", 49, 130, FAILS),
        ("adults in mittens", 76, 136, MEETS), ("adults in mittens", 74, 136, FAILS),
    ],
)  # fmt: skip
def test_bar_handle_for_clothed_hands(hands, gap, width, expected):
    assert judged(*handle(gap, width), use=Use(192, (hands,)))["part"].verdict is expected


def test_children_go_by_the_length_of_the_hand():
    """Oldest of children from 6: 12 years, hand 164 mm, 164/187 of the 48 and 111 mm of adults: 42.1 and 97.3."""
    use = Use(72, ("children",))
    assert judged(*handle(42.6, 98), use=use)["part"].verdict is MEETS
    found = judged(*handle(41.6, 98), use=use)["grip"]
    assert found.verdict is FAILS
    assert found.limits[0].value == pytest.approx(48 * 164 / 187)
    assert "an estimate" in found.message


def test_nobody_said_whose_hands():
    found = judged(*handle(45, 115), use=Use())["grip"]
    assert found.verdict is MARGINAL
    assert found.guess


@pytest.mark.parametrize(("wall_mm", "expected"), [(66, MEETS), (64, FAILS)])
def test_a_handle_that_is_closed_on_one_side(wall_mm, expected):
    """75 mm deep, from the open side of a bar of 10 mm radius."""
    found = judged(*handle(50, 115, wall_mm=wall_mm))
    assert found["part"].verdict is expected
    assert value(found["part"], "depth") == pytest.approx(wall_mm + 10, abs=0.6)


def test_a_pocket_that_is_closed_all_round():
    mesh, grip = handle(50, 115, wall_mm=60)
    mesh = trimesh.boolean.union([mesh, block((-90, -66, -10), (90, -60, 80))])
    found = judged(mesh, grip)["grip"]
    assert found.verdict is FAILS
    assert "closed on all sides" in found.message


def test_an_open_grip_needs_no_room():
    bar = trimesh.creation.cylinder(15, segment=[(-60, 0, 0), (60, 0, 0)], sections=64)
    (found,) = judged(bar, Region("grip", "p", RegionKind.GRIP, Box((-60, -16, -16), (0, 16, 16)))).values()
    assert found.verdict is MEETS
    assert "Nothing of the part is behind grip within 100 mm" in found.message


def test_numbers_do_not_depend_on_the_pose():
    mesh, grip = handle(45, 100)
    expected = judged(mesh, grip)["grip"]
    for pose in POSES:
        found = judged(mesh, grip, pose=pose)["grip"]
        assert [m.value for m in found.measurements] == [m.value for m in expected.measurements]
        assert found.where[0].point_mm == expected.where[0].point_mm


def test_two_handles_are_judged_each():
    one, first = handle(50, 115)
    other, second = handle(40, 115)
    other.apply_translation((0, 200, 0))
    low, high = (np.add(end, (0, 200, 0)) for end in (second.volume.from_mm, second.volume.to_mm))
    second = Region("rear-grip", "p", RegionKind.GRIP, Cylinder(tuple(low), tuple(high), 10.05))
    found = judged(trimesh.util.concatenate([one, other]), first, second)
    assert set(found) == {"part", "rear-grip"}
    assert found["part"].verdict is FAILS
    assert value(found["part"], "clearance") == pytest.approx(40, abs=0.06)


def test_what_does_not_apply_and_what_is_not_known():
    mesh, grip = handle()
    assert judged(mesh, use=Use(mounting=Mounting.FIXED))["part"].verdict is MEETS
    assert judged(mesh, launched_by="launcher")["part"].verdict is MEETS
    assert judged(mesh)["part"].verdict is OPEN
    found = judged(mesh, grip, use=Use(hands=("giants",)))["part"]
    assert found.verdict is OPEN
    assert "giants" in found.message
    empty = Region("grip", "p", RegionKind.GRIP, Box((500, 0, 0), (510, 9, 9)))
    assert judged(mesh, empty)["part"].verdict is OPEN
