"""Solid cells and their distance field against closed forms and scipy's own tree."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from reviewkit.measure.voxels import solid_grid

PITCH = 0.5


def grid_of(mesh: trimesh.Trimesh, pitch_mm: float = PITCH):
    return solid_grid(np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64), pitch_mm, 3.0)


@pytest.mark.parametrize(
    "mesh",
    [
        trimesh.creation.box((12.0, 8.0, 5.0)),
        trimesh.creation.icosphere(subdivisions=4, radius=7.0),
        trimesh.creation.annulus(4.0, 9.0, 6.0),
    ],
)
def test_cells_hold_the_volume(mesh) -> None:
    grid = grid_of(mesh)
    # Off by less than a third of a cell all over the surface.
    assert abs(grid.solid.sum() * PITCH**3 - mesh.volume) < mesh.area * PITCH / 3


def test_the_middles_of_solid_cells_lie_inside() -> None:
    mesh = trimesh.creation.annulus(4.0, 9.0, 6.0)
    grid = grid_of(mesh)
    middles = grid.middles(np.argwhere(grid.solid)[::7])
    away = np.hypot(middles[:, 0], middles[:, 1])
    assert ((away > 4.0 - PITCH) & (away < 9.0 + PITCH)).all()


def test_distance_is_that_to_the_nearest_solid_cell() -> None:
    grid = grid_of(trimesh.creation.box((12.0, 8.0, 5.0)))
    cells = np.argwhere(~grid.solid)[::53]
    tree = cKDTree(grid.middles(np.argwhere(grid.solid)))
    wanted = np.maximum(tree.query(grid.middles(cells))[0] - PITCH / 2, 0.0)
    assert grid.distance_mm[tuple(cells.T)] == pytest.approx(wanted, abs=1e-4)


def test_a_point_finds_its_cell() -> None:
    grid = grid_of(trimesh.creation.box((12.0, 8.0, 5.0)))
    cells = np.argwhere(grid.solid)[::101]
    assert (grid.cells(grid.middles(cells)) == cells).all()
