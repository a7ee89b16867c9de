"""Boxes round blocks and flexures, and ways that are free, on a parallel-leaf stage drawn by numbers: closed forms."""

import numpy as np
import pytest
import trimesh
from shapely import box, unary_union

from reviewkit.measure.blocks import (
    block_box,
    corridor,
    flexure_box,
    free_way,
    mover_boxes,
    oriented_box,
    shifted,
    turned,
)
from reviewkit.measure.flexures import SectionPlane
from reviewkit.model import Floats
from tests.measure.test_mechanism import extruded, plane_of, stage


@pytest.fixture(scope="module")
def plane() -> SectionPlane:
    return plane_of(stage())


def mesh_of(solid) -> tuple[Floats, np.ndarray]:
    made = solid.to_mesh()
    mesh = trimesh.Trimesh(np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts))
    return np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)


def test_a_box_round_each_leaf_is_the_leaf(plane):
    boxes = sorted((flexure_box(plane, flexure) for flexure in plane.flexures), key=lambda one: one.min_mm)
    for found, middle in zip(boxes, (-15.0, 15.0), strict=True):
        assert found.turn_deg == pytest.approx(0.0, abs=0.2)
        assert found.min_mm == pytest.approx((middle - 0.4, 0, 0), abs=0.25)
        assert found.max_mm == pytest.approx((middle + 0.4, 30, 8), abs=0.25)


def test_a_box_round_a_block_holds_it_and_no_other(plane):
    found = block_box(plane, 1, *mesh_of(stage()))
    assert found.min_mm == pytest.approx((-20, 30, 0), abs=0.1)
    assert found.max_mm == pytest.approx((20, 40, 8), abs=0.1)
    whole, beside = mover_boxes(plane, 1, (), *mesh_of(stage()))
    assert (whole.min_mm, whole.max_mm) == (found.min_mm, found.max_mm)
    assert beside == ()


def test_a_post_that_stands_in_a_mover_has_a_box_of_its_own():
    """A ring that moves round a post on the frame's arm below: the post stays."""
    solid = stage() - extruded(box(-6, 32, 6, 38)) + extruded(box(-3, 33.5, 3, 36.5))
    whole, beside = mover_boxes(plane_of(solid), 1, (), *mesh_of(solid))
    assert whole.max_mm == pytest.approx((20, 40, 8), abs=0.1)
    assert len(beside) == 1
    assert beside[0].min_mm[:2] == pytest.approx((-3, 33.5), abs=0.15)
    assert beside[0].max_mm[:2] == pytest.approx((3, 36.5), abs=0.15)


def test_a_block_goes_until_it_meets_another(plane):
    assert free_way(plane, 1, [0], shifted((0.0, -1.0)), 50.0, 60) == pytest.approx(30.0, abs=0.01)
    assert free_way(plane, 1, [0], shifted((0.0, 1.0)), 50.0, 60) == 50.0
    # About its corner at -20, 30 clockwise, the far corner comes down on the frame where 40 sin a = 30.
    met = free_way(plane, 1, [0], turned((-20.0, 30.0), -1.0), 90.0, 60)
    assert met == pytest.approx(np.degrees(np.arcsin(30 / 40)), abs=0.15)
    assert free_way(plane, 1, [0], turned((-20.0, 30.0), 1.0), 90.0, 60) == 90.0


def test_the_way_ahead_is_as_wide_as_its_walls_leave_it():
    walls = unary_union([box(-34, -12, -26, 80), box(26, -12, 34, 80), box(-34, -12, 34, -4)])
    solid = stage() + extruded(walls)
    plane = plane_of(solid)
    mover = next(k for k, block in enumerate(plane.blocks) if block.outline.bounds[1] > 29 and block.outline.area < 500)
    assert corridor(plane, mover, (0.0, 1.0), 20.0, *mesh_of(solid)) == pytest.approx(52.0, abs=0.2)
    assert corridor(plane_of(stage()), 1, (0.0, 1.0), 20.0, *mesh_of(stage())) == np.inf


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, -40.0, 80.0])
def test_a_box_of_any_attitude_is_that_of_a_submission(turn_deg):
    turn = np.radians(turn_deg)
    axes = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    found = oriented_box(np.array([1.0, 2.0, 3.0]), axes, np.array([4.0, 2.0, 1.0]))
    quarter = abs(turn_deg) > 45
    assert found.turn_deg == pytest.approx(turn_deg - 90 * np.sign(turn_deg) * quarter, abs=1e-3)
    sides = np.subtract(found.max_mm, found.min_mm)
    assert sides == pytest.approx((4, 8, 2) if quarter else (8, 4, 2), abs=2e-3)
    # Leaning out of the plate, only a box that holds it can be given: half sides along each axis by the cosines.
    lean = np.array([[1, 0, 0], [0, np.cos(0.5), np.sin(0.5)], [0, -np.sin(0.5), np.cos(0.5)]])
    around = oriented_box(np.zeros(3), lean[[1, 0, 2]], np.array([4.0, 1.0, 1.0]))
    assert around.max_mm[1] == pytest.approx(4 * np.cos(0.5) + np.sin(0.5), abs=2e-3)
