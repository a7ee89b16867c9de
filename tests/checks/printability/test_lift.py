"""PR-09 on corners just inside and just outside each limit, at turned positions.

The bounds, written out again here so that a slip in data/limits shows, are common practice of the trade: a radius of
5 and 3 mm, 0.3 and 1 mm of free shrinkage at a corner, 200 mm of length and 100 mm in materials that shrink much.
"""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import affinity, box

from reviewkit.checks.printability.lift import corner_lift
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Status, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
TURNED = [0.0, 23.0]


def block(region, height=6.0, turn_deg=0.0) -> trimesh.Trimesh:
    turned = affinity.rotate(region, turn_deg, origin=(0, 0))
    return trimesh.util.concatenate(
        [trimesh.creation.extrude_polygon(part, height) for part in shapely.get_parts(turned)]
    )


def judged(mesh, *regions: Region, of="petg", pose: Matrix = IDENTITY) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    setup = Setup(machine("standard-240"), material(of), 0.2, 0.4, 0.2, pose=pose)
    findings = corner_lift(Workpiece(Submission("T-1", regions=regions), part, setup), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    for found in findings:
        assert found.key == f"PR-09:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-09", "printability", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def square(reach, radius=0.0):
    """A square with its corners at a distance from its middle, rounded."""
    half = reach / np.sqrt(2)
    inner = box(-half + radius, -half + radius, half - radius, half - radius)
    return inner.buffer(radius, quad_segs=32) if radius else inner


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(
    ("of", "reach", "expected"),
    [
        ("petg", 49.5, MEETS),  # 0.6 % at most: 0.3 mm at 50 mm
        ("petg", 50.5, MARGINAL),
        ("abs", 33.0, MEETS),  # 0.9 % at most: 33.3 mm
        ("abs", 33.7, MARGINAL),
        ("pp", 11.9, MEETS),  # 1 to 2.5 %: 12 mm, and 1 mm at 100 mm
        ("pp", 12.1, MARGINAL),
        ("pp", 99.5, MARGINAL),
        ("pp", 100.5, FAILS),
    ],
)
def test_pull_at_sharp_corners(turn_deg, of, reach, expected):
    found = judged(block(square(reach), turn_deg=turn_deg), of=of)
    places = [f for f in found.values() if f.subject != "part"]
    assert [f.verdict for f in places] == ([] if expected is MEETS else [expected] * len(places))
    assert bool(places) == (expected is not MEETS)
    if reach > 30:
        assert len(places) == (0 if expected is MEETS else 4)
    if reach * np.sqrt(2) < 100:
        assert found["part"].verdict is expected
    for f in places:
        assert value(f, "reach") == pytest.approx(reach, rel=1e-3)
        assert np.hypot(*f.where[0].point_mm[:2]) == pytest.approx(reach, rel=1e-3)
        low_high = material(of)["shrinkage"]
        assert value(f, "free shrinkage") == pytest.approx(reach * (low_high.low + low_high.high) / 200, rel=1e-3)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(
    ("radius", "expected"), [(0.0, FAILS), (2.8, FAILS), (3.2, MARGINAL), (4.8, MARGINAL), (5.2, MEETS)]
)
def test_radius_of_corners_that_are_pulled_hard(turn_deg, radius, expected):
    """Polypropylene, 110 mm out: sharp corners fail, nearly round ones are watched, round ones are left alone."""
    found = judged(block(square(115, radius), turn_deg=turn_deg), of="pp")
    places = [f for f in found.values() if f.subject != "part"]
    assert [f.verdict for f in places] == ([] if expected is MEETS else [expected] * 4)
    for f in places:
        assert value(f, "corner radius") == pytest.approx(radius, rel=0.03, abs=0.01)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(
    ("of", "length", "expected"),
    [
        ("petg", 199, MEETS),
        ("petg", 201, MARGINAL),
        *((of, 99, MEETS) for of in ("abs", "asa", "pp", "pa12")),
        *((of, 101, MARGINAL) for of in ("abs", "asa", "pp", "pa12")),
    ],
)
def test_length_of_the_contact(turn_deg, of, length, expected):
    strip = box(-length / 2 + 7, -1, length / 2 - 7, 1).buffer(7, quad_segs=32)
    found = judged(block(strip, turn_deg=turn_deg), of=of)
    assert set(found) == {"part"}
    assert found["part"].verdict is expected
    assert value(found["part"], "length of contact") == pytest.approx(length, rel=1e-3)
    assert "a long narrow strip" in found["part"].message


def test_corners_close_together_are_one_place():
    arm = shapely.union_all([square(40, 8), box(0, -8, 90, 8)])
    found = judged(block(arm))
    (end,) = (f for f in found.values() if f.subject != "part")
    assert "2 corners" in end.message
    assert len(end.where) == 2


def test_a_corner_in_a_region_is_named_by_it():
    region = Region("nose", "p", RegionKind.KEEP, Box((40, 40, -1), (60, 60, 9)))
    found = judged(block(square(70)), region)
    assert "nose" in found
    assert len(found) == 5


def test_places_are_in_the_frame_of_the_part():
    flat = block(shapely.Polygon([(-60, -5), (60, -30), (60, 30), (-60, 5)]))
    expected = {f.where[0].point_mm for f in judged(flat).values() if f.subject != "part"}
    side = flat.copy().apply_transform(
        np.vstack([np.column_stack([np.array(ON_ITS_SIDE).T, np.zeros(3)]), [0, 0, 0, 1]])
    )
    found = [f.where[0] for f in judged(side, pose=ON_ITS_SIDE).values() if f.subject != "part"]
    assert len(found) == len(expected) > 0
    back = np.array([place.point_mm for place in found]) @ np.array(ON_ITS_SIDE).T
    assert np.sort(back, axis=0) == pytest.approx(np.sort(np.array(list(expected)), axis=0), abs=0.01)
    assert all(place.normal == pytest.approx((0, -1, 0)) for place in found)


def test_the_estimate_is_told_with_its_caveat_and_ranks():
    low, high = (judged(block(box(-60, -10, 60, 10), height))["part"] for height in (2.0, 8.0))
    assert value(low, "estimated lift") > value(high, "estimated lift")
    assert "rank parts only" in low.message and "middling heights" in low.message
    assert "from memory" in next(m.method for m in low.measurements if m.quantity.startswith("estimated"))
    assert not any("estimated" in m.quantity for m in judged(block(box(-60, -10, 60, 10), 0.2))["part"].measurements)


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_small_box_and_a_round_plate_stay_silent(turn_deg):
    for region in (box(-30, -20, 30, 20), square(110, 12)):
        (found,) = judged(block(region, turn_deg=turn_deg)).values()
        assert found.verdict is MEETS
        assert found.figures == ("corner_lift",)
        assert set(found.evidence) == {"outline", "corners", "reach_mm", "radius_mm", "lifting", "middle"}


def test_nothing_on_the_plate_and_an_open_mesh_are_not_checked():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    mesh = block(square(30))
    part = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    for broken in (flat, part):
        (found,) = judged(broken).values()
        assert found.verdict is Verdict.NOT_CHECKED


def test_a_mast_does_not_stiffen_the_plate_it_stands_on():
    plate = block(box(-60, -10, 60, 10), 2.0)
    masted = trimesh.boolean.union([block(box(-60, -10, 60, 10), 2.0), block(box(-1, -1, 1, 1), 40.0)])
    bare, mast = (value(judged(mesh)["part"], "estimated lift") for mesh in (plate, masted))
    assert mast == pytest.approx(bare, rel=0.1)


@pytest.mark.parametrize(("angle_deg", "expected"), [(99, MARGINAL), (101, MEETS)])
def test_blunt_corners_are_not_counted(angle_deg, expected):
    """A lozenge whose pointed ends are rounded."""
    half = np.radians(angle_deg / 2)
    lozenge = shapely.Polygon([(80 * np.tan(half), 0), (0, 80), (-80 * np.tan(half), 0), (0, -80)])
    tips = shapely.intersection(lozenge, box(-60, -90, 60, 90))
    places = [f for f in judged(block(tips), of="pla").values() if f.subject != "part"]
    assert bool([f for f in places if abs(f.where[0].point_mm[1]) > 79]) == (expected is MARGINAL)


@pytest.mark.parametrize(("width", "count"), [(19, 1), (21, 2)])
def test_corners_up_to_20_mm_apart_are_one_place(width, count):
    found = judged(block(shapely.union_all([square(40, 8), box(0, -width / 2, 90, width / 2)])))
    assert len([f for f in found.values() if f.subject != "part"]) == count


def test_more_places_than_are_listed_are_summed_up():
    turns = 2 * np.pi * np.arange(7) / 7
    rays = [affinity.rotate(box(0, -4, 80, 4), turn, origin=(0, 0), use_radians=True) for turn in turns]
    found = judged(block(shapely.union_all(rays)))
    assert len(found) == 7
    assert "7 places have corners that may lift; the 6 worst are listed" in found["part"].message
