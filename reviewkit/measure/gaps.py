"""Gaps: the air between walls read as walls are, gaps straight up counted in whole layers, round holes and pins.

The rays that :mod:`reviewkit.measure.walls` sends outward end on the far side of a gap.  Turned
inside out, so that air is what is measured, those readings are joined into places by the same
rules as thin walls.  What lies on the two sides, one body or two, is asked of the mesh; whether a
gap straight up is left open is asked of the layers, for a layer is either drawn or not.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reviewkit.measure.layers import Layers
from reviewkit.measure.rays import RayTree
from reviewkit.measure.walls import Samples, Skins, Walls
from reviewkit.model import Floats, Vector

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
S = TypeVar("S", Walls, Skins)

# A corner that is less than this under a plane counts as above it, as when the layers are cut.
_SNAP_MM = 1.5e-5
# Rings of fewer corners are polygons meant as such.
_FEWEST_CORNERS = 6
# Rings of two layers are one hole or pin when their radii agree within this share.
_SAME_RADIUS = 0.25
# Facets on the sides of a reading are looked up from this far before them.
_BACK_MM = 0.01
# Layers are set this far apart when rings and readings of many layers are searched at once.
_STOREY_MM = 1e4


def air_between_walls(walls: Walls) -> Walls:
    """The gaps beside the walls, in the shape of walls: ``width_mm`` is the width of the air."""
    return _inside_out(walls)


def air_between_skins(skins: Skins) -> Skins:
    """The gaps above and below floors and roofs, in the shape of skins."""
    return _inside_out(skins)


def near_plate(gaps: Walls, up_to_mm: float) -> Walls:
    """The readings of layers that begin below a height, standing for no more than that height.

    Parameters
    ----------
    gaps : Walls
        As from :func:`air_between_walls`.
    up_to_mm : float
        Height above the plate [mm].
    """
    low = gaps.run_bottom_mm < up_to_mm - _SNAP_MM
    top = np.minimum(gaps.run_top_mm[low], up_to_mm)
    count = int(gaps.run_layer.max(initial=-1)) + 1
    heights = np.bincount(gaps.run_layer, gaps.run_top_mm - gaps.run_bottom_mm, count)
    clipped = np.bincount(gaps.run_layer[low], top - gaps.run_bottom_mm[low], count)
    here = clipped[gaps.layer] > 0
    area = gaps.area_mm2 * clipped[gaps.layer] / heights[gaps.layer]
    return replace(
        only(gaps, here),
        area_mm2=area,
        run_layer=gaps.run_layer[low],
        run_bottom_mm=gaps.run_bottom_mm[low],
        run_top_mm=top,
    )


def only(gaps: S, chosen: Bools) -> S:
    """The same readings, those not chosen read as free."""
    return replace(gaps, width_mm=np.where(chosen, gaps.width_mm, np.inf))


def squashed_gap(gap_mm: float, spread_mm: float) -> float:
    """What is left of a gap in the first layer when both its edges spread [mm].

    Parameters
    ----------
    gap_mm : float
        Gap as drawn [mm].
    spread_mm : float
        How far an edge of the first layer spreads [mm].
    """
    return gap_mm - 2 * spread_mm


def empty_layers(z_mm: Floats, floor_mm: Floats, roof_mm: Floats) -> Ints:
    """How many layers are left empty between material below and material above.

    Parameters
    ----------
    z_mm : (k,) float
        Heights at which the layers are cut, rising [mm].
    floor_mm, roof_mm : (n,) float
        Where the air begins and ends [mm].

    Returns
    -------
    (n,) int
        Cuts that lie in the air; a gap that no cut falls into is drawn shut.
    """
    below, above = (np.searchsorted(z_mm, height + _SNAP_MM, side="right") for height in (floor_mm, roof_mm))
    return (above - below).astype(np.int64)


def facet_bodies(faces: Ints, corners: int) -> Ints:
    """Number of the connected piece of mesh that each facet belongs to, (m,) int [-]."""
    links = np.vstack([faces[:, [0, 1]], faces[:, [1, 2]]])
    label = _groups(links, corners)
    return np.unique(label[faces[:, 0]], return_inverse=True)[1].astype(np.int64)


def sides(samples: Samples, rays: RayTree, bodies: Ints, chosen: Ints) -> Ints:
    """Body on either side of what some readings span, -1 where the mesh has no facet, (n, 2) int [-].

    Parameters
    ----------
    samples : Samples
        Walls or skins, or the air between them.
    rays : RayTree
        Tree of the mesh.
    bodies : (m,) int
        Body of each facet [-].
    chosen : (n,) int
        Readings of finite width [-].
    """
    inward = samples.inward[chosen]
    # From close by, since other bodies' facets may lie between where bodies overlap.
    back = inward * np.minimum(_BACK_MM, samples.width_mm[chosen] / 2)[:, None]
    starts = (samples.point[chosen] + back, samples.opposite[chosen] - back)
    found = [rays.first_hit(start, way * inward, lift_mm=0.0)[1] for start, way in zip(starts, (-1, 1), strict=True)]
    return np.column_stack([np.where(face >= 0, bodies[face], -1) for face in found])


def joined_bodies(bodies: Ints, walls: Walls, skins: Skins, rays: RayTree) -> Ints:
    """Pieces of mesh with those united that share material, such as a wall and the cavity in it.

    Parameters
    ----------
    bodies : (m,) int
        As from :func:`facet_bodies`.
    walls, skins : Walls, Skins
        Readings through the material of the same mesh.
    rays : RayTree
        Tree of it.

    Returns
    -------
    (m,) int
        Body of each facet, counted from 0 [-].
    """
    count = int(bodies.max(initial=-1)) + 1
    if count < 2:
        return bodies
    pairs = [sides(samples, rays, bodies, np.flatnonzero(np.isfinite(samples.width_mm))) for samples in (walls, skins)]
    met = np.vstack(pairs)
    label = _groups(met[(met >= 0).all(1)], count)
    return label[bodies]


def printed_pieces(layers: Layers) -> int:
    """How many separate pieces the layers make: what overlaps from one layer to the next is one [-]."""
    known: dict[int, tuple[NDArray[np.object_], Ints]] = {}
    count, links = 0, []
    below: tuple[NDArray[np.object_], Ints] | None = None
    for layer in range(len(layers)):
        base = int(layers.same_as[layer])
        if layer and base == int(layers.same_as[layer - 1]):
            continue
        parts = known[base][0] if base in known else _filled(layers.regions[base])
        here = (parts, count + np.arange(len(parts)))
        known[base] = here
        count += len(parts)
        if below is not None and len(parts) and len(below[0]):
            upper, lower = shapely.STRtree(below[0]).query(parts)
            touching = shapely.relate_pattern(parts[upper], below[0][lower], "T********")
            links.append(np.column_stack([here[1][upper[touching]], below[1][lower[touching]]]))
        below = here
    if not count:
        return 0
    return int(_groups(np.vstack(links) if links else np.zeros((0, 2), dtype=np.int64), count).max()) + 1


@dataclass(frozen=True, eq=False)
class Round:
    """A vertical hole or pin: circles that stand over one another.

    Parameters
    ----------
    hole : bool
        Whether it is a hole; else a pin.
    point_mm : tuple of float
        Middle of its axis, plate frame [mm].
    diameter_mm : float
        Through the corners of the outline, as drawn; the median over its height [mm].
    across_flats_mm : float
        Least width, between the sides of the outline that stands for the circle [mm].
    bottom_mm, top_mm : float
        Where it begins and ends [mm].
    layer : int
        A layer that shows it [-].
    """

    hole: bool
    point_mm: Vector
    diameter_mm: float
    across_flats_mm: float
    bottom_mm: float
    top_mm: float
    layer: int

    @property
    def height_mm(self) -> float:
        """From its lowest to its highest layer [mm]."""
        return self.top_mm - self.bottom_mm


@dataclass(frozen=True, eq=False)
class Circles:
    """Outlines of the distinct layers that stand for circles.

    Parameters
    ----------
    hole : (n,) bool
        Whether it is an inner outline.
    centre : (n, 2) float
        Of the fitted circle [mm].
    radius_mm, flat_mm : (n,) float
        Of the circle through the corners, and from its centre to the nearest side [mm].
    layer : (n,) int
        Layer, the first of its equals [-].
    """

    hole: Bools
    centre: Floats
    radius_mm: Floats
    flat_mm: Floats
    layer: Ints

    def __len__(self) -> int:
        return len(self.radius_mm)

    def at_middle_of(self, gaps: Walls) -> Bools:
        """Which readings go straight across a round hole, (n,) bool."""
        found = np.zeros(len(gaps), dtype=bool)
        holes = np.flatnonzero(self.hole)
        finite = np.flatnonzero(np.isfinite(gaps.width_mm))
        if len(holes) and len(finite):
            middle = gaps.point[finite] + gaps.inward[finite] * (gaps.width_mm[finite] / 2)[:, None]
            tree = cKDTree(np.column_stack([self.centre[holes], self.layer[holes] * _STOREY_MM]))
            away, nearest = tree.query(np.column_stack([middle[:, :2], gaps.layer[finite] * _STOREY_MM]))
            found[finite] = away < self.radius_mm[holes[nearest]] / 2
        return found


def circles(layers: Layers, out_of_round: float) -> Circles:
    """Outlines that stand for circles.

    Parameters
    ----------
    layers : Layers
        All layers as polygons.
    out_of_round : float
        How far corners and sides may leave the circle through the corners, as a share of its
        radius; a regular hexagon's sides leave it by 0.134 [-].

    Notes
    -----
    Circles are fitted to the corners by least squares of the algebraic distance: those that
    stand for a drawn circle lie on it.

    References
    ----------
    Kasa, IEEE Trans. Instrumentation and Measurement 25 (1976) 8: circle fit by linear least
    squares (from memory).
    """
    distinct = layers.distinct
    polygons, of_layer = shapely.get_parts(layers.regions[distinct], return_index=True)
    rings, of_polygon = shapely.get_rings(polygons, return_index=True)
    inner = np.r_[False, of_polygon[1:] == of_polygon[:-1]] if len(rings) else np.zeros(0, dtype=bool)
    layer = distinct[of_layer[of_polygon]].astype(np.int64)
    corners = shapely.get_num_points(rings) - 1
    fit = np.flatnonzero(corners >= _FEWEST_CORNERS)
    none = np.zeros(0)
    if not len(fit):
        return Circles(np.zeros(0, bool), np.zeros((0, 2)), none, none, np.zeros(0, np.int64))
    points, of_ring = shapely.get_coordinates(rings[fit], return_index=True)
    start = np.searchsorted(of_ring, np.arange(len(fit)))
    last = np.r_[start[1:], len(points)] - 1
    closing = np.zeros(len(points), dtype=bool)
    closing[last] = True
    middles = (points + np.roll(points, -1, axis=0))[~closing] / 2
    points, of_ring = points[~closing], of_ring[~closing]
    start = np.searchsorted(of_ring, np.arange(len(fit)))

    def mean(values: Floats) -> Floats:
        sums = np.add.reduceat(values, start, axis=0)
        means: Floats = sums / (corners[fit][:, None] if values.ndim > 1 else corners[fit])
        return means

    centroid = mean(points)
    u, v = (points - centroid[of_ring]).T
    square = u * u + v * v
    uu, vv, uv = mean(u * u), mean(v * v), mean(u * v)
    us, vs = mean(u * square) / 2, mean(v * square) / 2
    determinant = uu * vv - uv * uv
    flat = determinant <= 1e-12 * (uu + vv) ** 2
    determinant = np.where(flat, 1.0, determinant)
    shift = np.column_stack([us * vv - vs * uv, vs * uu - us * uv]) / determinant[:, None]
    centre = centroid + shift
    radius = np.sqrt(uu + vv + (shift**2).sum(1))
    corner = np.linalg.norm(points - centre[of_ring], axis=1)
    off = np.maximum.reduceat(np.abs(corner - radius[of_ring]), start)
    side = np.minimum.reduceat(np.linalg.norm(middles - centre[of_ring], axis=1), start)
    # An arc is no circle: its ends are joined by a side that passes near the middle.
    kept = ~flat & (off <= out_of_round * radius) & (radius - side <= out_of_round * radius)
    return Circles(inner[fit[kept]], centre[kept], radius[kept], side[kept], layer[fit[kept]])


def rounds(layers: Layers, found: Circles, least_height_mm: float, steady: float) -> list[Round]:
    """Vertical holes and pins, from the plate up.

    Parameters
    ----------
    layers : Layers
        All layers.
    found : Circles
        Their circles.
    least_height_mm : float
        Lower stacks of circles are no hole or pin [mm].
    steady : float
        Least median diameter as a share of the greatest: a cone or a dome has less [-].
    """
    first = np.flatnonzero(np.r_[True, np.diff(layers.same_as) != 0]) if len(layers) else np.zeros(0, int)
    after = np.r_[first[1:], len(layers)][: len(first)]
    bottom = layers.z_mm[first] - layers.thickness_mm[first] / 2
    top = layers.z_mm[after - 1] + layers.thickness_mm[after - 1] / 2
    order = np.argsort(found.layer, kind="stable")
    at = [
        order[slice(*np.searchsorted(found.layer[order], (base, base + 1)))] for base in layers.same_as[first].tolist()
    ]
    count = np.array([len(ring) for ring in at], dtype=np.int64)
    base = np.cumsum(count) - count
    ring = np.concatenate(at) if at else np.zeros(0, dtype=np.int64)
    run = np.repeat(np.arange(len(at)), count)
    links = [
        _standing(found, lower, upper) + np.array(offsets)
        for (lower, upper), offsets in zip(pairwise(at), pairwise(base), strict=True)
    ]
    label = _groups(np.vstack(links) if links else np.zeros((0, 2), dtype=np.int64), len(ring))
    stacks = np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label))[:-1]) if len(ring) else []
    listed = [_round(found, ring[stack], bottom[run[stack]], top[run[stack]]) for stack in stacks]
    widest = [float(2 * found.radius_mm[ring[stack]].max()) for stack in stacks]
    kept = [
        one
        for one, wide in zip(listed, widest, strict=True)
        if one.height_mm >= least_height_mm - _SNAP_MM and one.diameter_mm >= steady * wide
    ]
    return sorted(kept, key=lambda one: (one.diameter_mm, one.point_mm))


def _round(found: Circles, ring: Ints, bottom: Floats, top: Floats) -> Round:
    height = top - bottom
    order = np.argsort(found.radius_mm[ring], kind="stable")
    total = np.cumsum(height[order])
    middle = ring[order[np.searchsorted(total, total[-1] / 2)]]
    x, y = np.average(found.centre[ring], axis=0, weights=height)
    return Round(
        hole=bool(found.hole[middle]),
        point_mm=(float(x), float(y), float(bottom.min() + top.max()) / 2),
        diameter_mm=float(2 * found.radius_mm[middle]),
        across_flats_mm=float(2 * found.flat_mm[middle]),
        bottom_mm=float(bottom.min()),
        top_mm=float(top.max()),
        layer=int(found.layer[middle]),
    )


def _standing(found: Circles, lower: Ints, upper: Ints) -> Ints:
    """Pairs, counted within each run, of circles that stand over one another (n, 2)."""
    if not (len(lower) and len(upper)):
        return np.zeros((0, 2), dtype=np.int64)
    away, nearest = cKDTree(found.centre[lower]).query(found.centre[upper])
    below = lower[nearest]
    least = np.minimum(found.radius_mm[below], found.radius_mm[upper])
    alike = (away < least / 2) & (found.hole[below] == found.hole[upper])
    alike &= np.abs(found.radius_mm[below] - found.radius_mm[upper]) <= _SAME_RADIUS * least
    return np.column_stack([nearest[alike], np.flatnonzero(alike)]).astype(np.int64)


def _inside_out(samples: S) -> S:
    """Air for material: what was outward points into the other side."""
    return replace(
        samples,
        normal=-samples.normal,
        inward=-samples.inward,
        width_mm=samples.clearance_mm,
        opposite_normal=-samples.clearance_normal,
        clearance_mm=samples.width_mm,
        clearance_normal=-samples.opposite_normal,
    )


def _filled(region: shapely.Geometry) -> NDArray[np.object_]:
    parts = shapely.get_parts(region)
    filled: NDArray[np.object_] = parts[~shapely.is_empty(parts)]
    return filled


def _groups(links: Ints, count: int) -> Ints:
    """Number of the connected group of each of some things, counted from 0 (count,)."""
    graph = coo_array((np.ones(len(links), dtype=bool), (links[:, 0], links[:, 1])), shape=(count, count))
    label: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return label
