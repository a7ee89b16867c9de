"""Corners with known radius, angle and reach, and the published curvature formula.

Wang, Xi and Jin, International Journal of Advanced Manufacturing Technology 33 (2007) 1087 (from memory): for
alpha = 90e-6 / K, T_g - T_e = 24 K, h = 0.2 mm and L = 100 mm the lift is 2.590 mm at 5 layers, 0.72895 mm at 10
(R = 1714.68 mm) and 0.19237 mm at 20.
"""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, affinity, box

from reviewkit.measure.layers import layers
from reviewkit.measure.lift import bow_estimate, clusters, contact_extent, plate_corners
from reviewkit.measure.pieces import stacked

STRAIN = 90e-6 * 24
TURNED = [0.0, 23.0]


def stack_of(region, turn_deg=0.0, height=2.0):
    solids = [
        trimesh.creation.extrude_polygon(part, height)
        for part in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    mesh = trimesh.util.concatenate(solids)
    return stacked(layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), 0.2, 0.2))


def corners_of(region, turn_deg=0.0, turn=80.0):
    return plate_corners(stack_of(region, turn_deg), turn_deg=turn, rounded_mm=5.0, simplify_mm=0.001)


def rounded(length, width, radius, quad_segs=32):
    inner = box(-length / 2 + radius, -width / 2 + radius, length / 2 - radius, width / 2 - radius)
    return inner.buffer(radius, quad_segs=quad_segs)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize("quad_segs", [6, 16, 64])
@pytest.mark.parametrize("radius", [2.0, 3.0, 5.0, 7.0])
def test_radius_and_reach_of_rounded_corners(turn_deg, quad_segs, radius):
    found = corners_of(rounded(80, 40, radius, quad_segs), turn_deg)
    assert len(found) == 4
    assert found.radius_mm == pytest.approx([radius] * 4, rel=0.06)
    assert found.angle_deg == pytest.approx([90] * 4, abs=0.1)
    arc = radius * (1 - np.sqrt(0.5))
    assert found.reach_mm == pytest.approx([np.hypot(40 - arc, 20 - arc)] * 4, abs=0.3)


@pytest.mark.parametrize("turn_deg", TURNED)
def test_sharp_corners_have_no_radius(turn_deg):
    found = corners_of(box(-40, -20, 40, 20), turn_deg)
    assert found.radius_mm == pytest.approx([0] * 4)
    assert found.reach_mm == pytest.approx([np.hypot(40, 20)] * 4)


@pytest.mark.parametrize(("sides", "count"), [(3, 3), (4, 4), (5, 0), (12, 0)])
def test_angles_of_regular_polygons(sides, count):
    turns = 2 * np.pi * np.arange(sides) / sides
    found = corners_of(shapely.Polygon(60 * np.column_stack([np.cos(turns), np.sin(turns)])))
    assert len(found) == count
    assert found.angle_deg == pytest.approx([180 - 360 / sides] * count)
    assert found.reach_mm == pytest.approx([60] * count)


def test_a_chamfer_is_worth_the_arc_of_its_length():
    """Cut by 4 mm at 45 degrees: 5.657 mm for a quarter turn, as an arc of 3.6 mm."""
    cut = shapely.Polygon([(-40, -20), (36, -20), (40, -16), (40, 20), (-40, 20)])
    found = corners_of(cut)
    assert len(found) == 4
    assert sorted(found.radius_mm)[-1] == pytest.approx(4 * np.sqrt(2) / (np.pi / 2), rel=1e-3)


def test_large_discs_have_no_corner_and_small_ones_are_one_end():
    assert len(corners_of(Point(0, 0).buffer(30, quad_segs=64))) == 0
    found = corners_of(shapely.union_all([Point(0, 0).buffer(3), Point(50, 0).buffer(3)]))
    assert len(found) == 2
    assert found.radius_mm == pytest.approx([3, 3], rel=0.02)


def test_inner_corners_and_corners_of_holes_are_none():
    cross = shapely.union_all([box(-40, -10, 40, 10), box(-10, -40, 10, 40)])
    assert len(corners_of(cross)) == 8
    frame = rounded(100, 100, 12) - box(-20, -20, 20, 20)
    assert len(corners_of(frame)) == 0


def test_reach_counts_from_the_middle_of_the_own_piece():
    apart = shapely.union_all([box(-10, -10, 10, 10), box(90, -10, 110, 10)])
    assert corners_of(apart).reach_mm == pytest.approx([np.hypot(10, 10)] * 8)


@pytest.mark.parametrize("turn_deg", TURNED)
def test_length_and_width_of_the_contact(turn_deg):
    found = contact_extent(stack_of(box(-60, -10, 60, 10), turn_deg))
    assert (found.length_mm, found.width_mm) == (pytest.approx(120, rel=1e-4), pytest.approx(20, rel=1e-4))
    assert found.narrowness == pytest.approx(6, rel=1e-3)
    assert found.reach_mm == pytest.approx(np.hypot(60, 10), rel=1e-4)
    two = contact_extent(stack_of(shapely.union_all([box(0, 0, 30, 10), box(100, 0, 150, 10)])))
    assert two.length_mm == pytest.approx(50, rel=1e-4)


def test_corners_near_the_first_of_a_place_belong_to_it():
    at = np.array([[0, 0], [50, 0], [3, 4], [54, 3], [5.1, 0]])
    assert [members.tolist() for members in clusters(at, 5.0)] == [[0, 2], [1, 3], [4]]
    assert clusters(np.empty((0, 2)), 5.0) == []


@pytest.mark.parametrize(("count", "lift_mm"), [(5, 2.590), (10, 0.72895), (20, 0.19237)])
def test_bow_of_the_worked_cases(count, lift_mm):
    assert bow_estimate(100.0, count, 0.2, STRAIN) == pytest.approx([lift_mm], rel=2e-4)


def test_bow_grows_with_length_squared_and_falls_with_layers():
    one, two = (bow_estimate(length, 40, 0.2, STRAIN)[0] for length in (50.0, 100.0))
    assert two / one == pytest.approx(4, rel=1e-3)
    radius = 10**3 * 0.2 / (6 * STRAIN * 9)
    assert radius == pytest.approx(1714.68, abs=0.01)
    assert bow_estimate(100.0, 10, 0.2, STRAIN)[0] == pytest.approx(100**2 / (8 * radius), rel=1e-3)
    lifts = [bow_estimate(100.0, count, 0.2, STRAIN)[0] for count in range(5, 60)]
    assert (np.diff(lifts) < 0).all()
