"""Moved surfaces against closed forms: offset solids, a boss added, turned copies."""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.revision import moved_surface


def compared(old: trimesh.Trimesh, new: trimesh.Trimesh):
    return moved_surface(np.array(old.vertices), np.array(old.faces), np.array(new.vertices), np.array(new.faces))


def bracket() -> trimesh.Trimesh:
    """Nothing about it is alike from two sides."""
    parts = [((0, 0, 0), (60, 20, 6)), ((0, 0, 6), (8, 20, 40)), ((40, 0, 6), (52, 9, 14))]
    return trimesh.boolean.union([trimesh.creation.box(bounds=np.array(b, float)) for b in parts], engine="manifold")


def test_the_same_part_did_not_move() -> None:
    found = compared(bracket(), bracket())
    assert found.farthest_mm < 1e-9 and found.share(0.01) == 0.0 and not found.registered


@pytest.mark.parametrize("grown_mm", [0.5, -0.5])
def test_a_grown_ball_moved_by_its_growth(grown_mm: float) -> None:
    old, new = (trimesh.creation.icosphere(subdivisions=4, radius=r) for r in (20.0, 20.0 + grown_mm))
    found = compared(old, new)
    assert np.median(found.distance_mm) == pytest.approx(grown_mm, abs=0.02)
    assert np.median(found.removed_mm) == pytest.approx(grown_mm, abs=0.02)
    assert np.nanmean(found.facet_mm) == pytest.approx(grown_mm, abs=0.02)


def test_an_offset_box_moved_by_its_offset_and_more_at_corners() -> None:
    old, new = (trimesh.creation.box((40.0 + 2 * d, 30.0 + 2 * d, 10.0 + 2 * d)) for d in (0.0, 1.0))
    found = compared(old, new)
    assert np.median(found.distance_mm) == pytest.approx(1.0, abs=1e-9)
    # Near a corner of the offset box it is almost the space diagonal of a unit cube.
    assert 1.5 < found.farthest_mm <= np.sqrt(3.0) + 1e-9
    assert (found.distance_mm > 0).all()


def test_only_where_a_boss_was_added_did_it_move() -> None:
    old = bracket()
    boss = trimesh.creation.cylinder(
        4.0, 12.0, sections=64, transform=trimesh.transformations.translation_matrix((24, 10, 9))
    )
    new = trimesh.boolean.union([old, boss], engine="manifold")
    found = compared(old, new)
    far = np.abs(found.distance_mm) > 0.01
    away = np.hypot(found.points_mm[:, 0] - 24, found.points_mm[:, 1] - 10)
    assert far.any() and (away[far] < 4.01).all()
    # Its top is 9 mm over the plate's face; wall and top are that share of the new surface.
    assert found.distance_mm.max() == pytest.approx(9.0, abs=1e-6)
    grown = 2 * np.pi * 4 * 9 + np.pi * 16
    assert found.share(0.01) == pytest.approx(grown / new.area, abs=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_a_part_drawn_in_another_frame_is_laid_over(seed: int) -> None:
    old, new = bracket(), bracket()
    turn = Rotation.random(random_state=seed)
    old.vertices = turn.apply(old.vertices) + np.array([100.0, -40.0, 7.0])
    found = compared(old, new)
    assert found.registered
    assert found.farthest_mm < 0.05
    assert np.allclose(found.turn @ turn.as_matrix(), np.eye(3), atol=2e-3)


def test_a_changed_part_in_its_own_frame_stays_there() -> None:
    old, new = bracket(), bracket()
    new.vertices[:, 2] *= 1.05
    found = compared(old, new)
    assert not found.registered and found.farthest_mm == pytest.approx(2.0, abs=1e-6)
