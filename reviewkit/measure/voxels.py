"""A solid as cells on a regular grid, and how far each free cell is from it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from reviewkit.measure.layers import Ints, sections
from reviewkit.model import Floats

Bools = NDArray[np.bool_]
Distances = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class SolidGrid:
    """Cells whose middle lies in matter.

    Parameters
    ----------
    origin_mm : (3,) float
        Middle of the first cell, in the frame of the mesh [mm].
    pitch_mm : float
        Side of a cell [mm].
    solid : (nx, ny, nz) bool
        Whether the middle of each cell lies in matter.
    """

    origin_mm: Floats
    pitch_mm: float
    solid: Bools

    @cached_property
    def distance_mm(self) -> Distances:
        """From the middle of each cell to the nearest surface, zero in matter, (nx, ny, nz) float [mm].

        Taken to the middle of the nearest solid cell less half a cell, so that it is off by half
        a cell across a flat face and by up to 0.87 cells anywhere.
        """
        if not self.solid.any():
            return np.full(self.solid.shape, np.inf, dtype=np.float32)
        cells = ndimage.distance_transform_edt(~self.solid).astype(np.float32)
        cells -= np.float32(0.5)
        cells *= np.float32(self.pitch_mm)
        return np.asarray(np.maximum(cells, np.float32(0.0), out=cells), dtype=np.float32)

    def middles(self, cells: Ints) -> Floats:
        """Middles of cells (n, 3) given by their indices, in the frame of the mesh [mm]."""
        return np.asarray(self.origin_mm + self.pitch_mm * cells, dtype=float)

    def cells(self, points_mm: Floats) -> Ints:
        """Indices of the cells that hold points (n, 3) [mm]; points outside go to the nearest cell."""
        index = np.rint((points_mm - self.origin_mm) / self.pitch_mm).astype(np.int64)
        return np.clip(index, 0, np.array(self.solid.shape) - 1)

    def at(self, points_mm: Floats) -> Floats:
        """Distance to the surface at points (n, 3), linear between middles, (n,) float [mm]."""
        place = ((points_mm - self.origin_mm) / self.pitch_mm).T
        found = ndimage.map_coordinates(self.distance_mm, place, order=1, mode="nearest")
        return np.asarray(found, dtype=float)


def grid_cells(vertices: Floats, pitch_mm: float, margin_mm: float) -> int:
    """How many cells :func:`solid_grid` will make [-]."""
    return int(np.prod(_shape(vertices, pitch_mm, margin_mm)[1]))


def solid_grid(vertices: Floats, faces: Ints, pitch_mm: float, margin_mm: float) -> SolidGrid:
    """Fill the sections of a mesh into cells.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in any frame, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    pitch_mm : float
        Side of a cell [mm].
    margin_mm : float
        Free room kept on every side [mm].

    Returns
    -------
    SolidGrid
        Matter thinner than a cell may fall between the middles and be missed; matter is never
        added.

    Notes
    -----
    Every level of cells is one section through their middles; the edges of its outlines flip
    what lies beyond them in each row (even-odd scan filling).
    """
    low, shape = _shape(vertices, pitch_mm, margin_mm)
    z_mm = low[2] + pitch_mm * np.arange(shape[2])
    inside = (z_mm > vertices[:, 2].min()) & (z_mm < vertices[:, 2].max())
    levels = np.flatnonzero(inside)
    solid = np.zeros(shape, dtype=bool)
    cut = sections(vertices, faces, z_mm[levels])
    for number in cut.distinct:
        filled = _filled(cut.regions[number], low[:2], pitch_mm, (shape[0], shape[1]))
        solid[:, :, levels[cut.same_as == number]] = filled[:, :, None]
    return SolidGrid(low, pitch_mm, solid)


def _shape(vertices: Floats, pitch_mm: float, margin_mm: float) -> tuple[Floats, tuple[int, int, int]]:
    """Middle of the first cell [mm] and how many cells each way; the mesh lies in the middle."""
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    count = np.ceil((high - low + 2 * margin_mm) / pitch_mm).astype(int) + 1
    first = (low + high) / 2 - pitch_mm * (count - 1) / 2
    return first, (int(count[0]), int(count[1]), int(count[2]))


def _filled(region: shapely.Geometry, low: Floats, pitch_mm: float, shape: tuple[int, int]) -> Bools:
    """Cells of one level whose middle lies in a region, (nx, ny)."""
    rings = shapely.get_rings(shapely.get_parts(region))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    points = (points - low) / pitch_mm
    joined = ring[1:] == ring[:-1]
    start, end = points[:-1][joined], points[1:][joined]
    # An edge flips the columns x from the first whose middle is at or beyond its lower end.
    first = np.ceil(np.minimum(start[:, 0], end[:, 0])).astype(np.int64)
    stop = np.ceil(np.maximum(start[:, 0], end[:, 0])).astype(np.int64)
    crossed = stop - first
    edge = np.repeat(np.arange(len(first)), crossed)
    column = np.arange(len(edge)) - np.repeat(np.cumsum(crossed) - crossed, crossed) + first[edge]
    slope = (end[edge, 1] - start[edge, 1]) / (end[edge, 0] - start[edge, 0])
    row = np.ceil(start[edge, 1] + slope * (column - start[edge, 0])).astype(np.int64)
    flips = np.bincount(column * (shape[1] + 1) + np.clip(row, 0, shape[1]), minlength=shape[0] * (shape[1] + 1))
    return np.asarray(np.cumsum(flips.reshape(shape[0], shape[1] + 1)[:, :-1] % 2, axis=1) % 2 == 1)
