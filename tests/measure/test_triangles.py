"""Triangulation of polygons: whole, graded, without slivers."""

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box

from reviewkit.measure.triangles import SizeField, straightened, triangulated, wall_widths


def even(size: float) -> SizeField:
    return SizeField(np.zeros((1, 2)), np.array([size]), 0.0, size / 20, size)


def outline_length(mesh) -> float:
    sides = np.sort(mesh.corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    pairs, count = np.unique(sides, axis=0, return_counts=True)
    ends = mesh.points_mm[pairs[count == 1]]
    return float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum())


def plate_with_holes() -> Polygon:
    holes = [Point(8 * i, 6 * j).buffer(1.5, 12) for i in range(-2, 3) for j in range(-1, 2)]
    return shapely.difference(box(-25, -12, 25, 12), shapely.union_all(holes))


@pytest.mark.parametrize(
    "shape",
    [
        box(0, 0, 10, 4),
        plate_with_holes(),
        Polygon([(0, 0), (20, 0), (20, 3), (11, 3), (11, 20), (10, 20), (10, 3), (0, 3)]),
        shapely.affinity.rotate(box(0, 0, 60, 0.7), 31.7),
        shapely.difference(box(0, 0, 20, 10), box(2, 5, 18, 5.15)),
    ],
)
def test_triangles_fill_the_polygon_and_keep_its_outline(shape):
    mesh = triangulated(shape, even(1.0))
    assert mesh.area_mm2.min() > 0
    assert mesh.area_mm2.sum() == pytest.approx(shape.area, rel=1e-9)
    assert outline_length(mesh) == pytest.approx(shape.length, rel=1e-9)
    assert mesh.min_angle_deg > 15


def test_sizes_are_kept_and_graded():
    size = SizeField(np.array([[0.0, 0.0]]), np.array([0.1]), 0.3, 0.05, 3.0)
    mesh = triangulated(box(-20, -20, 20, 20), size)
    sides = np.linalg.norm(mesh.points_mm[mesh.corners] - mesh.points_mm[np.roll(mesh.corners, 1, 1)], axis=2)
    middles = mesh.points_mm[mesh.corners].mean(axis=1)
    assert (sides.max(axis=1) / size(middles)).max() < 1.7
    assert np.median(sides.max(axis=1) / size(middles)) > 0.6
    near = np.linalg.norm(middles, axis=1) < 0.5
    assert sides[near].max() < 0.5 < 2 < sides[~near].max()


def test_a_sharp_wedge_ends_with_its_own_angle():
    wedge = Polygon([(0, 0), (30, 0), (30, 30 * np.tan(np.radians(10)))])
    mesh = triangulated(wedge, even(1.5))
    assert mesh.area_mm2.sum() == pytest.approx(wedge.area, rel=1e-9)
    assert mesh.min_angle_deg > 3


def test_same_outline_same_triangles():
    one, two = (triangulated(plate_with_holes(), even(1.3)) for _ in range(2))
    assert np.array_equal(one.corners, two.corners)
    assert np.array_equal(one.points_mm, two.points_mm)


def test_width_of_walls_is_that_of_the_circle_inside():
    shape = shapely.union_all([box(0, 0, 40, 0.7), box(40, -30, 60, 30)])
    points, widths = wall_widths(shape, 0.3)
    on_leaf = (points[:, 0] > 2) & (points[:, 0] < 37)
    assert widths[on_leaf] == pytest.approx(0.7, rel=0.06)
    on_block = (points[:, 0] > 59.9) & (np.abs(points[:, 1]) < 15)
    assert widths[on_block] == pytest.approx(20, rel=0.02)
    at_corner = (points[:, 0] > 59.5) & (points[:, 1] > 29.5)
    assert np.isinf(widths[at_corner]).all()


def test_straightening_leaves_the_flanks_of_a_leaf_where_they_are():
    # An arc of very short edges runs into each flank; a plain simplification moves the flanks.
    hole = box(2, 2, 38, 8).buffer(-0.8, join_style="mitre").buffer(0.8, quad_segs=400)
    shape = box(0, 0, 40, 10).difference(hole)
    straight = straightened(shape, 0.03, 0.5)
    across = shapely.LineString([(20, -1), (20, 11)])
    assert straight.intersection(across).length == pytest.approx(shape.intersection(across).length, abs=1e-9)
    assert shapely.get_num_coordinates(straight) < shapely.get_num_coordinates(shape) / 20
    assert shapely.hausdorff_distance(shape, straight) < 0.031
