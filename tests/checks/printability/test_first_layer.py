"""PR-03 on parts made just inside and just outside each bound, at turned positions.

Shapes have closed forms: a disc is the shape of least outline for its area (isoperimetric quotient 1), and a
rectangle of sides in the ratio r has pi r / (1 + r)^2.  The bounds, written out again here so that a slip in
data/limits shows, are common practice of the trade.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, Polygon, affinity, box

from reviewkit.checks.printability.first_layer import first_layer_shape
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Status, Verdict
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

LINE_MM, LAYER_MM = 0.4, 0.2
SETUP = Setup(machine("standard-240"), material("petg"), LAYER_MM, LINE_MM, LAYER_MM)
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
MEASURES = {
    "compactness", "islands", "smallest island", "holes", "outline", "neck", "contact share", "sharp corners",
}  # fmt: skip
TURNED_DEG = [0.0, 37.0]

MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS


def solid(*floors: tuple[shapely.Geometry, float, float], turn_deg: float = 0.0) -> trimesh.Trimesh:
    """A part of upright blocks, each an outline from one height to another [mm]."""
    blocks = [
        trimesh.creation.extrude_polygon(polygon, high - low).apply_translation((0, 0, low))
        for region, low, high in floors
        for polygon in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    return trimesh.boolean.union(blocks) if len(blocks) > 1 else blocks[0]


def judged(mesh: trimesh.Trimesh, pose: Matrix = IDENTITY, declared: int | None = None) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        declared_bodies=declared,
    )
    findings = first_layer_shape(Workpiece(Submission("T-1"), part, replace(SETUP, pose=pose)), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"PR-03:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-03", "printability", "p")
        assert found.message.endswith(".")
        assert bool(found.change) == (found.verdict is not MEETS)
        assert found.limits or found.verdict is Verdict.NOT_CHECKED
        assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
        assert found.severity is Severity.YIELD
    return {found.subject: found for found in findings}


def verdict(subject: str, *floors: tuple[shapely.Geometry, float, float], turn_deg: float) -> Verdict:
    return judged(solid(*floors, turn_deg=turn_deg))[subject].verdict


def value(found: Finding) -> float:
    return found.measurements[0].value


def square(side_mm: float, x: float = 0.0, y: float = 0.0) -> Polygon:
    return box(x - side_mm / 2, y - side_mm / 2, x + side_mm / 2, y + side_mm / 2)


def ratio_of(quotient: float) -> float:
    """Ratio of the sides of the rectangle with that isoperimetric quotient."""
    half = np.pi / quotient / 2 - 1
    return half + np.sqrt(half**2 - 1)


# --- the easiest first layer -----------------------------------------------------------------


@pytest.mark.parametrize("pose", [IDENTITY, ON_ITS_SIDE])
def test_a_disc_is_beyond_reproach(pose):
    disc = solid((Point(5, -3).buffer(20, quad_segs=90), 0, 4))
    disc.apply_transform(np.vstack([np.column_stack([np.array(pose).T, np.zeros(3)]), [0, 0, 0, 1]]))
    found = judged(disc, pose)
    assert set(found) == MEASURES
    assert {f.verdict for f in found.values()} == {MEETS}
    assert value(found["compactness"]) == pytest.approx(1, abs=1e-3)
    assert value(found["outline"]) == pytest.approx(2 * np.pi * 20, rel=1e-3)
    assert value(found["smallest island"]) == pytest.approx(np.pi * 400, rel=1e-3)
    assert value(found["contact share"]) == pytest.approx(1, abs=1e-6)
    assert [value(found[name]) for name in ("islands", "holes", "sharp corners")] == [1, 0, 0]
    assert found["compactness"].figures == ("first_layer",)
    assert "a disc has 1" in found["compactness"].message


# --- beside each bound -----------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(
    ("quotient", "expected"), [(0.501, MEETS), (0.499, MARGINAL), (0.151, MARGINAL), (0.149, FAILS)]
)
def test_compactness_of_a_rectangle(turn_deg, quotient, expected):
    ratio = ratio_of(quotient)
    found = judged(solid((box(0, 0, 5 * ratio, 5), 0, 2), turn_deg=turn_deg))["compactness"]
    assert value(found) == pytest.approx(quotient, rel=1e-5)
    assert found.verdict is expected


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(("count", "expected"), [(1, MEETS), (2, MARGINAL), (4, MARGINAL), (5, FAILS)])
def test_islands_are_counted_and_marked(turn_deg, count, expected):
    feet = shapely.union_all([Point(30 * n, 0).buffer(8) for n in range(count)])
    mesh = solid((feet, 0, 4), (box(-8, -8, 30 * count, 8), 4, 6), turn_deg=turn_deg)
    found = judged(mesh)["islands"]
    assert (value(found), found.verdict) == (count, expected)
    assert len(found.where) == (count if count > 1 else 0)
    turned = affinity.rotate(feet, turn_deg, origin=(0, 0))
    assert all(turned.buffer(1e-3).contains(Point(place.point_mm[:2])) for place in found.where)


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(
    ("side_mm", "expected"), [(10.001, MEETS), (9.999, MARGINAL), (5.001, MARGINAL), (4.999, FAILS)]
)
def test_smallest_island(turn_deg, side_mm, expected):
    feet = shapely.union_all([square(20), square(side_mm, 30)])
    found = judged(solid((feet, 0, 3), (box(-10, -2, 32, 2), 3, 5), turn_deg=turn_deg))["smallest island"]
    assert value(found) == pytest.approx(side_mm**2, rel=1e-5)
    assert found.verdict is expected
    (place,) = found.where
    assert (
        affinity.rotate(square(side_mm, 30), turn_deg, origin=(0, 0)).buffer(1e-3).contains(Point(place.point_mm[:2]))
    )
    assert place.normal == pytest.approx((0, 0, -1))


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(("count", "expected"), [(2, MEETS), (3, MARGINAL), (8, MARGINAL), (9, FAILS)])
def test_holes(turn_deg, count, expected):
    windows = shapely.union_all([square(4 + 0.1 * n, 10 * n, 0) for n in range(count)])
    plate = box(-10, -10, 10 * count + 10, 10) - windows
    found = judged(solid((plate, 0, 2), turn_deg=turn_deg))["holes"]
    assert (value(found), found.verdict) == (count, expected)
    assert len(found.where) == count
    low, high = (np.array(found.where[0].box_mm)[side][:2] for side in (0, 1))
    largest = affinity.rotate(square(4 + 0.1 * (count - 1), 10 * (count - 1)), turn_deg, origin=(0, 0))
    assert (*low, *high) == pytest.approx(largest.bounds, abs=1e-3)


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(
    ("outline_mm", "expected"), [(499.9, MEETS), (500.1, MARGINAL), (1499.9, MARGINAL), (1500.1, FAILS)]
)
def test_outline(turn_deg, outline_mm, expected):
    found = judged(solid((box(0, 0, 100, outline_mm / 2 - 100), 0, 2), turn_deg=turn_deg))["outline"]
    assert value(found) == pytest.approx(outline_mm, rel=1e-6)
    assert found.verdict is expected


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(
    ("width_mm", "expected"),
    [(1.65, MEETS), (1.58, MARGINAL), (0.83, MARGINAL), (0.8, MARGINAL), (0.795, MARGINAL), (0.77, FAILS)],
)
def test_neck(turn_deg, width_mm, expected):
    """Four lines of 0.4 mm and two; within the uncertainty of a bound nothing fails."""
    barbell = shapely.union_all([square(15, -15), square(15, 15), box(-15, -width_mm / 2, 15, width_mm / 2)])
    found = judged(solid((barbell, 0, 2), turn_deg=turn_deg))["neck"]
    assert found.verdict is expected
    if expected is not MEETS:
        assert value(found) == pytest.approx(width_mm, abs=found.measurements[0].uncertainty)
        (place,) = found.where
        at = affinity.rotate(Point(place.point_mm), -turn_deg, origin=(0, 0))
        assert abs(at.y) < 0.1
        assert abs(at.x) < 7.6


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(("share", "expected"), [(0.501, MEETS), (0.499, MARGINAL), (0.201, MARGINAL), (0.199, FAILS)])
def test_contact_share_of_a_mushroom(turn_deg, share, expected):
    mesh = solid((square(20 * np.sqrt(share)), 0, 3), (square(20), 3, 5), turn_deg=turn_deg)
    found = judged(mesh)["contact share"]
    assert value(found) == pytest.approx(share, rel=1e-5)
    assert found.verdict is expected


def star(apex_deg: float, reach_mm: float, count: int) -> Polygon:
    """A disc with spikes of one apex angle at one distance from its middle."""
    half = np.tan(np.radians(apex_deg) / 2) * 25
    spike = Polygon([(reach_mm, 0), (reach_mm - 25, half), (reach_mm - 25, -half)])
    turns = (affinity.rotate(spike, 360 * n / count, origin=(0, 0)) for n in range(count))
    return shapely.union_all([Point(0, 0).buffer(30, quad_segs=60), *turns])


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(
    ("apex_deg", "reach_mm", "spikes", "expected"),
    [
        (59.5, 45.0, 1, MARGINAL),
        (59.5, 40.5, 2, MARGINAL),
        (60.5, 40.5, 2, MEETS),
        (59.5, 39.5, 2, MEETS),
        (59.5, 40.5, 3, FAILS),
    ],
)
def test_sharp_corners_far_from_the_middle(turn_deg, apex_deg, reach_mm, spikes, expected):
    found = judged(solid((star(apex_deg, reach_mm, spikes), 0, 2), turn_deg=turn_deg))["sharp corners"]
    assert found.verdict is expected
    assert value(found) == (0 if expected is MEETS else spikes)
    for place in found.where:
        assert np.hypot(*place.point_mm[:2]) == pytest.approx(reach_mm, abs=0.1)


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(("join_mm", "expected"), [(4.85, MEETS), (5.25, FAILS)])
def test_islands_have_to_be_joined_in_time(turn_deg, join_mm, expected):
    feet = shapely.union_all([square(15), square(15, 30)])
    found = judged(solid((feet, 0, join_mm), (box(-7, -3, 37, 3), join_mm, 8), turn_deg=turn_deg))["joining height"]
    assert value(found) == pytest.approx(join_mm, abs=LAYER_MM)
    assert found.verdict is expected
    assert bool(found.where) == (expected is FAILS)


def test_loose_bodies_are_never_joined():
    found = judged(solid((shapely.union_all([square(15), square(15, 30)]), 0, 8)))["joining height"]
    assert found.verdict is FAILS
    assert value(found) == pytest.approx(10)
    assert "2 of the islands are never joined" in found.message


@pytest.mark.parametrize("height_mm", [1, 8])
def test_loose_bodies_fail_however_low_unless_they_are_declared(height_mm):
    apart = solid((shapely.union_all([square(15), square(15, 30)]), 0, height_mm))
    assert judged(apart)["joining height"].verdict is FAILS
    assert judged(apart, declared=1)["joining height"].verdict is FAILS
    assert judged(apart, declared=2)["joining height"].verdict is MEETS


def test_one_island_is_joined_to_none():
    assert "joining height" not in judged(solid((square(15), 0, 8)))


@pytest.mark.parametrize("turn_deg", TURNED_DEG)
@pytest.mark.parametrize(("width_mm", "is_lost"), [(0.38, True), (0.42, False)])
def test_an_island_narrower_than_a_line_is_lost(turn_deg, width_mm, is_lost):
    sliver = box(20, -5, 20 + width_mm, 5)
    feet = shapely.union_all([square(20), sliver])
    found = judged(solid((feet, 0, 3), (box(-10, -6, 22, 6), 3, 5), turn_deg=turn_deg))
    assert ("lost islands" in found) == is_lost
    if is_lost:
        lost = found["lost islands"]
        assert lost.verdict is FAILS
        (place,) = lost.where
        assert affinity.rotate(sliver, turn_deg, origin=(0, 0)).distance(Point(place.point_mm[:2])) < 0.05


# --- places, unsound meshes, nothing at all --------------------------------------------------


def test_places_are_in_the_frame_of_the_part():
    barbell = shapely.union_all([square(15, -15), square(15, 15, 4), box(-15, -0.5, 15, 0.5)])
    flat = solid((barbell, 0, 2))
    (expected,) = judged(flat)["neck"].where
    side = flat.copy().apply_transform(
        np.vstack([np.column_stack([np.array(ON_ITS_SIDE).T, np.zeros(3)]), [0, 0, 0, 1]])
    )
    side.apply_translation((3, -7, 11))
    (place,) = judged(side, ON_ITS_SIDE)["neck"].where
    turned = np.array(expected.point_mm) @ np.array(ON_ITS_SIDE) + (3, -7, 11)
    assert place.point_mm == pytest.approx(turned, abs=0.01)
    assert place.normal == pytest.approx((0, -1, 0))


def open_prism(sides: int) -> trimesh.Trimesh:
    """An upright prism of equal sides, one of them missing."""
    angle = 2 * np.pi * np.arange(sides) / sides
    prism = solid((Polygon(20 * np.column_stack([np.cos(angle), np.sin(angle)])), 0, 4))
    middle = prism.triangles_center
    missing = (abs(prism.face_normals[:, 2]) < 0.5) & (
        abs(np.arctan2(middle[:, 1], middle[:, 0]) - np.pi / sides) < 0.05
    )
    assert missing.sum() == 2
    return prism.submesh([np.flatnonzero(~missing)], append=True)


def test_a_layer_that_is_hardly_open_is_judged_and_told():
    """Up to 2 % of an outline may be missing: one side of 51 is less."""
    found = judged(open_prism(51))
    assert set(found) == MEASURES
    assert value(found["smallest island"]) == pytest.approx(51 / 2 * 400 * np.sin(2 * np.pi / 51), rel=1e-5)
    assert all("closed by us" in f.message for f in found.values())


def test_a_layer_that_is_too_open_is_not_checked():
    (found,) = judged(open_prism(49)).values()
    assert found.verdict is Verdict.NOT_CHECKED
    assert "the mesh is open" in found.message


def test_a_closed_mesh_is_not_said_to_be_open():
    assert not any("open" in f.message for f in judged(solid((square(20), 0, 4))).values())


def test_evidence_holds_all_that_is_drawn():
    plate = square(40) - square(5)
    drawn = judged(solid((plate, 0, 2)))["compactness"].evidence
    assert set(drawn) >= {"outline", "disc", "outline_mm", "disc_outline_mm", "corners", "neck", "lost", "quotient"}
    rings = drawn["outline"]
    assert np.isnan(rings).all(axis=1).sum() == 1
    disc = Polygon(drawn["disc"])
    assert disc.area == pytest.approx(plate.area, rel=2e-3)
    assert drawn["disc_outline_mm"][0] == pytest.approx(2 * np.sqrt(np.pi * plate.area), rel=1e-6)
    assert drawn["outline_mm"][0] == pytest.approx(180, rel=1e-6)


def test_nothing_to_lay_down_is_not_checked():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    part = SimpleNamespace(id="p", mesh=flat, vertices=np.array(flat.vertices), faces=np.array(flat.faces))
    (found,) = first_layer_shape(Workpiece(Submission("T-1"), part, SETUP), load_limits())
    assert found.verdict is Verdict.NOT_CHECKED
    assert found.key == "PR-03:p:part"
    assert found.change
