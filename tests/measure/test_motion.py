"""Motions against closed forms: rigid moves, a leaf that stretches, a hinge that turns."""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.motion import carried, moved, travel_mm
from reviewkit.submission import Box, Motion, MotionKind, Region, RegionKind

SLIDE = Motion("slider", MotionKind.TRANSLATION, (2.0, 0.0, 0.0), (0.0, 6.0))


def region(name: str, kind: RegionKind, low: tuple[float, ...], high: tuple[float, ...]) -> Region:
    return Region(name, "p", kind, Box(low, high))


def stage(cells: int) -> trimesh.Trimesh:
    """Frame block, leaf and slider in a row along y: 10 + 20 + 10 mm, the leaf 1 mm wide and in `cells` lengths."""
    blocks = [((0, -5, 0), (10, 5, 10)), ((4.5, 5, 0), (5.5, 25, 10)), ((0, 25, 0), (10, 35, 10))]
    boxes = [trimesh.creation.box(bounds=np.array(b, float)) for b in blocks]
    whole = trimesh.boolean.union(boxes, engine="manifold")
    for cut in np.linspace(5, 25, cells + 1)[1:-1]:
        whole = whole.slice_plane([0, cut, 0], [0, 1, 0]) + whole.slice_plane([0, cut, 0], [0, -1, 0])
        whole.merge_vertices()
    return whole


REGIONS = (
    region("slider", RegionKind.MOVING, (-1.0, 25.0, -1.0), (11.0, 36.0, 11.0)),
    region("leaf", RegionKind.FLEXURE, (4.0, 5.1, -1.0), (6.0, 24.9, 11.0)),
)


@pytest.mark.parametrize("cells", [1, 4])
def test_a_leaf_stays_straight_between_what_moves_and_what_rests(cells: int) -> None:
    mesh = stage(cells)
    done = carried(mesh.vertices, mesh.faces, REGIONS, SLIDE)
    y = mesh.vertices[:, 1]
    assert np.allclose(done.share, np.clip((y - 5.0) / 20.0, 0.0, 1.0), atol=1e-6)
    assert len(done.torn) == 0
    assert done.moving.any() and (y[mesh.faces[done.moving]] >= 25.0).all()


def test_a_sheared_leaf_keeps_its_volume_and_its_surface() -> None:
    mesh = stage(4)
    done = carried(mesh.vertices, mesh.faces, REGIONS, SLIDE)
    # Moving each cut through the leaf sideways is a shear: it keeps volume.
    for stroke in done.strokes(3):
        after = trimesh.Trimesh(done.at(stroke), mesh.faces, process=False)
        assert after.volume == pytest.approx(mesh.volume, rel=1e-3)
    assert done.strokes(3) == (0.0, 3.0, 6.0)
    assert np.ptp(done.at(6.0)[:, 0] - mesh.vertices[:, 0]) == pytest.approx(6.0)


def test_matter_joined_without_a_flexure_is_told() -> None:
    mesh = stage(1)
    done = carried(mesh.vertices, mesh.faces, REGIONS[:1], SLIDE)
    assert len(done.torn)
    assert ((done.torn[:, 1] >= 4.9) & (done.torn[:, 1] <= 25.1)).all()
    assert set(np.unique(done.share)) == {0.0, 1.0}


def test_a_loose_flexure_rests() -> None:
    mesh = trimesh.creation.box(bounds=np.array([(4.5, 6.0, 0.0), (5.5, 20.0, 10.0)]))
    done = carried(mesh.vertices, mesh.faces, REGIONS, SLIDE)
    assert (done.share == 0.0).all() and not done.moving.any()


def test_a_turn_is_that_of_a_rotation_matrix() -> None:
    points = np.random.default_rng(4).normal(scale=30.0, size=(50, 3))
    axis = np.array([1.0, -2.0, 0.5])
    motion = Motion("lid", MotionKind.ROTATION, tuple(axis), (0.0, 110.0), (3.0, 4.0, 5.0))
    turn = Rotation.from_rotvec(np.radians(110.0) * axis / np.linalg.norm(axis))
    assert np.allclose(moved(motion, points, 110.0), turn.apply(points - motion.point_mm) + motion.point_mm)


def test_travel_is_the_length_of_the_path() -> None:
    assert travel_mm(SLIDE, np.zeros((2, 3))).tolist() == [6.0, 6.0]
    lid = Motion("lid", MotionKind.ROTATION, (0.0, 0.0, 3.0), (-90.0, 90.0), (1.0, 0.0, 0.0))
    assert travel_mm(lid, np.array([[1.0, 10.0, 7.0], [1.0, 0.0, 2.0]])) == pytest.approx([10 * np.pi, 0.0])
