"""How a print grows: the islands of each layer, what each of them rests on, and the loose pieces they make.

Layers that repeat the one below are one run with one set of islands, so that a prism is a
single island however many layers it has.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet

from reviewkit.measure.layers import Geometries, Layers
from reviewkit.model import Floats

Ints = NDArray[np.int64]

# Less overlap than this is a touch, not a joint.
_TOUCH_MM2 = 1e-6


@dataclass(frozen=True, eq=False)
class Stack:
    """Islands of every run of equal layers and the joints between them; plate frame.

    Parameters
    ----------
    polygon : (n,) object
        Outline of each island, from the plate up.
    run : (n,) int
        Run of layers that each belongs to, counted from the plate [-].
    bottom_mm, top_mm : (r,) float
        Heights where each run begins and ends [mm].
    upper, lower : (e,) int
        Islands that touch: the upper one rests on the lower one [-].
    """

    polygon: Geometries
    run: Ints
    bottom_mm: Floats
    top_mm: Floats
    upper: Ints
    lower: Ints

    def __len__(self) -> int:
        return len(self.polygon)

    @cached_property
    def moments(self) -> Floats:
        """Area and first and second moments of each island, as in :func:`area_moments` (n, 6)."""
        return area_moments(self.polygon)

    @cached_property
    def grounded(self) -> Ints:
        """Islands on the plate [-]."""
        return np.flatnonzero(self.run == 0)

    @cached_property
    def piece(self) -> Ints:
        """For each island the loose piece that it ends up in, pieces counted from the plate up (n,) [-]."""
        joined = DisjointSet(range(len(self)))
        for upper, lower in zip(self.upper.tolist(), self.lower.tolist(), strict=True):
            joined.merge(upper, lower)
        roots = [joined[island] for island in range(len(self))]
        _, first, piece = np.unique(roots, return_index=True, return_inverse=True)
        order = np.empty(len(first), np.int64)
        order[np.argsort(first, kind="stable")] = np.arange(len(first))
        return order[piece.ravel()]


def stacked(layers: Layers) -> Stack:
    """The islands of all layers and what each rests on.

    Parameters
    ----------
    layers : Layers
        All layers of the part.

    Returns
    -------
    Stack
    """
    first = np.flatnonzero(np.diff(layers.same_as, prepend=-1))
    polygon, run = shapely.get_parts(layers.regions[first], return_index=True)
    solid = ~shapely.is_empty(polygon)
    polygon, run = polygon[solid], run[solid].astype(np.int64)
    bottom_mm = layers.bottom_mm[first]
    top_mm = np.append(bottom_mm[1:], layers.bottom_mm[-1:] + layers.thickness_mm[-1:])[: len(first)]
    upper, lower = _joints(polygon, run, len(first))
    return Stack(polygon, run, bottom_mm, top_mm, upper, lower)


def area_moments(polygons: Geometries) -> Floats:
    """Area, first and second moments of polygons with holes about the origin.

    Parameters
    ----------
    polygons : (n,) object
        Valid shapely polygons, coordinates in mm.

    Returns
    -------
    (n, 6) float
        A, integrals of x, y, xx, yy and xy [mm2, mm3, mm3, mm4, mm4, mm4].

    References
    ----------
    Green's theorem for polygons, as in any table of section properties.
    """
    rings, owner = shapely.get_rings(shapely.orient_polygons(polygons), return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return np.zeros((len(polygons), 6))
    # About each polygon's own middle, so that a far one loses no digits.
    middle = np.nan_to_num(shapely.bounds(polygons).reshape(-1, 2, 2).mean(axis=1))
    inside = np.flatnonzero(ring[1:] == ring[:-1])
    segment = owner[ring[inside]]
    (x0, y0), (x1, y1) = (points[inside] - middle[segment]).T, (points[inside + 1] - middle[segment]).T
    cross = x0 * y1 - x1 * y0
    terms = (
        cross / 2,
        cross * (x0 + x1) / 6,
        cross * (y0 + y1) / 6,
        cross * (x0 * x0 + x0 * x1 + x1 * x1) / 12,
        cross * (y0 * y0 + y0 * y1 + y1 * y1) / 12,
        cross * (x0 * y1 + 2 * x0 * y0 + 2 * x1 * y1 + x1 * y0) / 24,
    )
    area, x, y, xx, yy, xy = (np.bincount(segment, term, len(polygons)) for term in terms)
    u, v = middle.T
    return np.column_stack(
        [
            area,
            x + area * u,
            y + area * v,
            xx + 2 * u * x + area * u * u,
            yy + 2 * v * y + area * v * v,
            xy + u * y + v * x + area * u * v,
        ]
    )


def principal_moments(moments: Floats) -> tuple[Floats, Floats]:
    """Least and greatest second moment of sections about their own centroids.

    Parameters
    ----------
    moments : (..., 6) float
        As given by :func:`area_moments` [unit of each column there].

    Returns
    -------
    weak, strong : (...) float
        [mm4].
    """
    area, x, y, xx, yy, xy = np.moveaxis(moments, -1, 0)
    area = np.maximum(area, 1e-12)
    xx, yy, xy = xx - x * x / area, yy - y * y / area, xy - x * y / area
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return np.maximum(mean - half, 0.0), mean + half


def _joints(polygon: Geometries, run: Ints, runs: int) -> tuple[Ints, Ints]:
    """Pairs of islands of neighbouring runs that overlap."""
    start = np.searchsorted(run, np.arange(runs + 1))
    near = []
    for below, here, end in zip(start[:-2], start[1:-1], start[2:], strict=True):
        upper, lower = shapely.STRtree(polygon[below:here]).query(polygon[here:end])
        near.append((upper + here, lower + below))
    upper, lower = (np.concatenate([pair[side] for pair in near] or [np.empty(0, np.int64)]) for side in (0, 1))
    upper, lower = (side.astype(np.int64) for side in (upper, lower))
    # A point of one inside the other settles most pairs without an intersection.
    shapely.prepare(polygon)
    inner = shapely.point_on_surface(polygon)
    rests = shapely.contains_properly(polygon[lower], inner[upper])
    rests |= shapely.contains_properly(polygon[upper], inner[lower])
    open_ = np.flatnonzero(~rests)
    overlap_mm2 = shapely.area(shapely.intersection(polygon[upper[open_]], polygon[lower[open_]]))
    rests[open_] = overlap_mm2 > _TOUCH_MM2
    return upper[rests], lower[rests]
