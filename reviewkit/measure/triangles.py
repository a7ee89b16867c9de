"""Quality triangles over a polygon with holes, graded by a field of sizes.

Delaunay refinement in batches: boundary edges are split to the sizes, interior points start from a
quadtree of the sizes, then edges that the triangulation misses are split and circumcentres of bad
triangles are put in until none is left.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree
from shapely import LineString, MultiPolygon, Polygon

from reviewkit.errors import MeshError
from reviewkit.measure.layers import Ints
from reviewkit.model import Floats

# A triangle whose circumradius is at most this multiple of its shortest edge has no angle under 20 degrees [-].
_SLENDER = 0.5 / np.sin(np.radians(20.0))
# Circumradius of a triangle over the size wanted there; an equilateral one has 0.58 [-].
_LARGE = 0.8
# Interior points start no nearer to the outline than this multiple of the size wanted there [-].
_CLEAR = 0.75
# Triangles flatter than this against their longest edge squared are rounding on a straight edge [-].
_FLAT = 1e-8
# Two sides of an inscribed circle nearer than this seen from its middle belong to a corner, not to a wall [deg].
_WALL_ANGLE_DEG = 110.0
_ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Triangles:
    """A triangulation of a polygon.

    Parameters
    ----------
    points_mm : (n, 2) float
        Corners [mm].
    corners : (m, 3) int
        Corners of each triangle, anticlockwise [-].
    """

    points_mm: Floats
    corners: Ints

    @property
    def area_mm2(self) -> Floats:
        """Area of each triangle (m,) [mm2]."""
        return _areas(self.points_mm, self.corners)

    @property
    def min_angle_deg(self) -> float:
        """Smallest angle of all [deg]."""
        a, b, c = _edge_lengths(self.points_mm, self.corners).T
        shortest, *others = np.sort(np.column_stack([a, b, c]), axis=1).T
        cosine = (others[0] ** 2 + others[1] ** 2 - shortest**2) / (2 * others[0] * others[1])
        return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).min())


class SizeField:
    """Edge length wanted at any place: small at its seeds, growing with the distance from them.

    Parameters
    ----------
    seeds_mm : (n, 2) float
        Places [mm].
    sizes_mm : (n,) float
        Edge length wanted there [mm].
    growth : float
        By how much the edge may grow on the way away from a seed, over that way [-].
    least_mm, most_mm : float
        Bounds of all sizes [mm].
    """

    def __init__(self, seeds_mm: Floats, sizes_mm: Floats, growth: float, least_mm: float, most_mm: float) -> None:
        sizes = np.clip(sizes_mm, least_mm, most_mm)
        self._tree = cKDTree(seeds_mm)
        self._growth, self.least_mm, self.most_mm = growth, least_mm, most_mm
        # After a few rounds no seed wants more than its neighbours allow, so that the nearest speak for all.
        distance, near = self._nearest(np.asarray(seeds_mm), 12)
        for _ in range(8):
            sizes = np.minimum(sizes, (sizes[near] + growth * distance).min(axis=1))
        self._sizes = sizes

    def __call__(self, points_mm: Floats) -> Floats:
        """Edge length wanted at points (n, 2), (n,) float [mm]."""
        distance, near = self._nearest(points_mm, 4)
        return np.asarray(np.minimum((self._sizes[near] + self._growth * distance).min(axis=1), self.most_mm))

    def _nearest(self, points: Floats, count: int) -> tuple[Floats, Ints]:
        count = min(count, self._tree.n)
        distance, near = self._tree.query(points, k=count)
        return distance.reshape(-1, count), near.reshape(-1, count)


def wall_widths(outline: Polygon | MultiPolygon, spacing_mm: float) -> tuple[Floats, Floats]:
    """Width of the matter along an outline: diameter of the largest circle inside that touches there.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        With coordinates in mm.
    spacing_mm : float
        Between samples [mm].

    Returns
    -------
    points_mm : (n, 2) float
        Samples on the outline, corners left out [mm].
    widths_mm : (n,) float
        Infinite where the circle only fits a corner [mm].

    References
    ----------
    Ma, Bae and Choi, 3D medial axis point approximation using nearest neighbors and the normal
    field, The Visual Computer 28 (2012): the shrinking ball (from memory).
    """
    points, normals = _samples(outline, spacing_mm)
    tree = cKDTree(points)
    radius = np.full(len(points), 2.0 * float(np.ptp(points, axis=0).max()))
    touched = np.arange(len(points))
    active = np.arange(len(points))
    while len(active):
        distance, nearest = tree.query(points[active] + normals[active] * radius[active, None])
        inside = distance < radius[active] * (1 - 1e-9) - 1e-9
        active, nearest = active[inside], nearest[inside]
        across = points[nearest] - points[active]
        ahead = (across * normals[active]).sum(axis=1)
        smaller = (across**2).sum(axis=1) / np.maximum(2 * ahead, 1e-12)
        shrinks = (nearest != active) & (smaller < radius[active] * (1 - 1e-9))
        active = active[shrinks]
        radius[active], touched[active] = smaller[shrinks], nearest[shrinks]
    middle = points + normals * radius[:, None]
    cosine = ((points - middle) * (points[touched] - middle)).sum(axis=1) / radius**2
    return points, np.where(cosine < np.cos(np.radians(_WALL_ANGLE_DEG)), 2 * radius, np.inf)


def straightened(outline: Polygon | MultiPolygon, tolerance_mm: float, kept_mm: float) -> Polygon | MultiPolygon:
    """An outline whose short edges are joined where they hardly turn; long edges stay where they are.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        With coordinates in mm.
    tolerance_mm : float
        By how much the outline may move [mm].
    kept_mm : float
        Edges of at least this length keep both ends [mm].

    Returns
    -------
    Polygon or MultiPolygon

    Notes
    -----
    A plain simplification may tie a long flank to the first corner of the fillet beside it and so
    make a leaf wider, to the third power in its stiffness.
    """
    simple = shapely.MultiPolygon(
        [
            Polygon(*_straight_rings(piece, tolerance_mm, kept_mm))
            for piece in shapely.get_parts(outline)
            if not piece.is_empty
        ]
    )
    if not simple.is_valid:
        return outline
    return simple.geoms[0] if len(simple.geoms) == 1 else simple


def triangulated(outline: Polygon | MultiPolygon, size: SizeField) -> Triangles:
    """Triangles over a polygon, none of them larger than the sizes want and few with an angle under 20 degrees.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Valid, with coordinates in mm.
    size : SizeField
        Edge length wanted at each place.

    Returns
    -------
    Triangles
        Every edge of the outline is a chain of edges of triangles.

    Raises
    ------
    MeshError
        When no triangulation keeps the outline.

    References
    ----------
    Ruppert, A Delaunay refinement algorithm for quality 2-dimensional mesh generation, Journal of
    Algorithms 18 (1995) 548-585 (from memory).
    """
    outline = shapely.orient_polygons(outline)
    shapely.prepare(outline)
    points, edges = _split_outline(outline, size)
    on_outline = len(points)
    start = _quadtree_points(outline, size)
    points = np.vstack([points, _apart(start, points, _CLEAR * size(start))])
    fixed = np.arange(len(points)) < on_outline

    for _ in range(_ROUNDS):
        corners = _inside(points, outline)
        split = _edges_to_split(points, edges, corners, size)
        added = np.empty((0, 2))
        if not split.any():
            added, split = _better_points(points, edges, corners, outline, size)
        if not split.any() and not len(added):
            break
        middles, edges = _halved(points, edges, split)
        points = np.vstack([points, middles, added])
        fixed = np.concatenate([fixed, np.ones(len(middles), bool), np.zeros(len(added), bool)])
    points, corners = _smoothed(points, edges, corners, fixed, outline)
    total_mm2 = float(_areas(points, corners).sum())
    if _missing(edges, corners, len(points)).any() or abs(total_mm2 - outline.area) > 1e-6 * outline.area:
        raise MeshError("the outline of a layer could not be divided into triangles; look for edges that nearly touch")
    used, corners = np.unique(corners, return_inverse=True)
    return Triangles(points[used], corners.reshape(-1, 3).astype(np.int64))


# Outline.


def _samples(outline: Polygon | MultiPolygon, spacing_mm: float) -> tuple[Floats, Floats]:
    """Points inside the edges of an outline, evenly spaced, and the directions into the matter."""
    points, normals = [], []
    for ring in shapely.get_rings(shapely.orient_polygons(outline)):
        corners = shapely.get_coordinates(ring)
        along = np.diff(corners, axis=0)
        length = np.linalg.norm(along, axis=1)
        count = np.maximum(1, np.ceil(length / spacing_mm)).astype(int)
        edge = np.repeat(np.arange(len(along)), count)
        place = (np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[edge]
        points.append(corners[edge] + along[edge] * place[:, None])
        left = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(length, 1e-30)[:, None]
        normals.append(left[edge])
    return np.vstack(points), np.vstack(normals)


def _straight_rings(piece: Polygon, tolerance_mm: float, kept_mm: float) -> tuple[Floats, list[Floats]]:
    rings = [
        _straight_ring(shapely.get_coordinates(ring)[:-1], tolerance_mm, kept_mm) for ring in shapely.get_rings(piece)
    ]
    return rings[0], rings[1:]


def _straight_ring(corners: Floats, tolerance_mm: float, kept_mm: float) -> Floats:
    long = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1) >= kept_mm
    kept = np.flatnonzero(long | np.roll(long, 1))
    if len(kept) < 2:
        kept = np.array([0, len(corners) // 2])
    corners = np.roll(corners, -kept[0], axis=0)
    kept = np.append(kept - kept[0], len(corners))
    closed = np.vstack([corners, corners[:1]])
    chains = [
        shapely.get_coordinates(LineString(closed[start : stop + 1]).simplify(tolerance_mm))[:-1]
        for start, stop in pairwise(kept)
    ]
    ring = np.vstack(chains)
    return ring if len(ring) > 3 else corners


def _split_outline(outline: Polygon | MultiPolygon, size: SizeField) -> tuple[Floats, Ints]:
    """Corners of the outline and points between them as the sizes want, and its edges (k, 2)."""
    points, edges, total = [], [], 0
    for ring in shapely.get_rings(outline):
        corners = shapely.get_coordinates(ring)
        along = np.diff(corners, axis=0)
        length = np.linalg.norm(along, axis=1)
        # Each edge is cut where the integral of one over the size passes equal shares.
        count = np.clip(np.ceil(3 * length / size.least_mm), 4, 400).astype(int)
        edge = np.repeat(np.arange(len(along)), count)
        first = np.cumsum(count) - count
        place = (np.arange(len(edge)) - first[edge] + 0.5) / count[edge]
        weight = length[edge] / count[edge] / size(corners[edge] + along[edge] * place[:, None])
        chain = []
        for index in range(len(along)):
            passed = np.concatenate([[0.0], np.cumsum(weight[first[index] : first[index] + count[index]])])
            pieces = max(1, round(passed[-1]))
            at = np.interp(np.arange(pieces) * passed[-1] / pieces, passed, np.linspace(0, 1, count[index] + 1))
            chain.append(corners[index] + along[index] * at[:, None])
        new = np.vstack(chain)
        here = total + np.arange(len(new))
        points.append(new)
        edges.append(np.column_stack([here, np.roll(here, -1)]))
        total += len(new)
    return np.vstack(points), np.vstack(edges)


# Points inside.


def _quadtree_points(outline: Polygon | MultiPolygon, size: SizeField) -> Floats:
    """Middles of square cells no larger than the sizes want."""
    low_x, low_y, high_x, high_y = outline.bounds
    side = size.most_mm
    x, y = np.meshgrid(
        np.arange(low_x + side / 2, high_x + side, side), np.arange(low_y + side / 2, high_y + side, side)
    )
    cells = np.column_stack([x.ravel(), y.ravel()])
    done = []
    while len(cells):
        near = shapely.dwithin(shapely.points(cells), outline, side * 0.71)
        cells = cells[near]
        fine = size(cells) >= side * 0.9
        done.append(cells[fine])
        quarter = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1]]) * side / 4
        cells = (cells[~fine][:, None] + quarter).reshape(-1, 2)
        side /= 2
    middles = np.vstack(done)
    return np.asarray(middles[shapely.contains_xy(outline, *middles.T)])


def _apart(candidates: Floats, points: Floats, clear_mm: Floats) -> Floats:
    """Candidates that stay clear of points."""
    if not len(candidates):
        return candidates
    distance, _ = cKDTree(points).query(candidates)
    return np.asarray(candidates[distance > clear_mm])


def _better_points(
    points: Floats, edges: Ints, corners: Ints, outline: Polygon | MultiPolygon, size: SizeField
) -> tuple[Floats, NDArray[np.bool_]]:
    """Circumcentres of bad triangles, well apart; edges to be split for those too near the outline."""
    none = np.zeros(len(edges), dtype=bool)
    centre, radius = _circumcircles(points, corners)
    shortest = _edge_lengths(points, corners).min(axis=1)
    slender = (radius > _SLENDER * shortest) & (shortest > size.least_mm)
    large = radius > _LARGE * size(points[corners].mean(axis=1))
    bad = np.flatnonzero(slender | large)
    bad = bad[np.argsort(-radius[bad], kind="stable")]
    bad = bad[_well_spaced(centre[bad], radius[bad])]
    if not len(bad):
        return np.empty((0, 2)), none
    ends = points[edges]
    middle, half = ends.mean(axis=1), np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) / 2
    tree = cKDTree(middle)
    _, near = tree.query(centre[bad], k=min(6, len(middle)))
    near = near.reshape(len(bad), -1)
    enters = np.linalg.norm(centre[bad][:, None] - middle[near], axis=2) < half[near] * (1 - 1e-9)
    split = none.copy()
    split[near[enters]] = True
    split &= 2 * half > size.least_mm
    free = ~enters.any(axis=1) & shapely.contains_xy(outline, *centre[bad].T)
    return centre[bad][free], split


def _well_spaced(centre: Floats, radius: Floats) -> Ints:
    """Indices of circles, taken in order, of which none holds the middle of another taken before."""
    if not len(centre):
        return np.empty(0, dtype=np.int64)
    tree = cKDTree(centre)
    near = tree.query_ball_point(centre, radius)
    free = np.ones(len(centre), dtype=bool)
    taken = []
    for index, others in enumerate(near):
        if free[index]:
            taken.append(index)
            free[others] = False
    return np.array(taken)


def _edges_to_split(points: Floats, edges: Ints, corners: Ints, size: SizeField) -> NDArray[np.bool_]:
    """Edges of the outline that no triangle has, and those whose triangle looks at them under a blunt angle."""
    missing = _missing(edges, corners, len(points))
    if missing.any():
        return missing
    code = _edge_codes(corners, len(points))
    order = np.argsort(code)
    triangle = order[np.searchsorted(code[order], _pair_codes(edges, len(points)))]
    apex = points[corners[triangle % len(corners), (triangle // len(corners) + 2) % 3]]
    one, other = points[edges[:, 0]] - apex, points[edges[:, 1]] - apex
    blunt = (one * other).sum(axis=1) < -0.1 * np.linalg.norm(one, axis=1) * np.linalg.norm(other, axis=1)
    return np.asarray(blunt & (np.linalg.norm(one - other, axis=1) > size.least_mm))


def _halved(points: Floats, edges: Ints, split: NDArray[np.bool_]) -> tuple[Floats, Ints]:
    """Middles of the edges to split, and all edges after."""
    middles = points[edges[split]].mean(axis=1)
    index = len(points) + np.arange(len(middles))
    first, second = edges[split].copy(), edges[split].copy()
    first[:, 1], second[:, 0] = index, index
    return middles, np.vstack([edges[~split], first, second])


def _smoothed(
    points: Floats, edges: Ints, corners: Ints, fixed: NDArray[np.bool_], outline: Polygon | MultiPolygon
) -> tuple[Floats, Ints]:
    """Interior points moved to the middle of their neighbours, where that makes no angle worse than the worst."""
    for _ in range(2):
        pairs = np.unique(np.sort(corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
        both = np.vstack([pairs, pairs[:, ::-1]])
        count = np.bincount(both[:, 0], minlength=len(points))
        total = [np.bincount(both[:, 0], points[both[:, 1], axis], len(points)) for axis in (0, 1)]
        moved = np.where(
            (fixed | (count == 0))[:, None], points, np.column_stack(total) / np.maximum(count, 1)[:, None]
        )
        new = _inside(moved, outline)
        if _missing(edges, new, len(points)).any():
            break
        if Triangles(moved, new).min_angle_deg < 0.9 * Triangles(points, corners).min_angle_deg:
            break
        points, corners = moved, new
    return points, corners


# Triangles.


def _inside(points: Floats, outline: Polygon | MultiPolygon) -> Ints:
    """Delaunay triangles inside the outline, anticlockwise."""
    corners = Delaunay(points).simplices.astype(np.int64)
    area = _areas(points, corners)
    corners[area < 0] = corners[area < 0][:, ::-1]
    flat = np.abs(area) < _FLAT * _edge_lengths(points, corners).max(axis=1) ** 2
    corners = corners[~flat]
    return np.asarray(corners[shapely.contains_xy(outline, *points[corners].mean(axis=1).T)])


def _areas(points: Floats, corners: Ints) -> Floats:
    a, b, c = points[corners[:, 0]], points[corners[:, 1]], points[corners[:, 2]]
    u, v = b - a, c - a
    return np.asarray((u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2)


def _edge_lengths(points: Floats, corners: Ints) -> Floats:
    return np.asarray(np.linalg.norm(points[corners] - points[np.roll(corners, -1, axis=1)], axis=2))


def _circumcircles(points: Floats, corners: Ints) -> tuple[Floats, Floats]:
    a, b, c = points[corners[:, 0]], points[corners[:, 1]], points[corners[:, 2]]
    u, v = b - a, c - a
    u2, v2 = (u**2).sum(axis=1), (v**2).sum(axis=1)
    double = 2 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    offset = np.column_stack([v[:, 1] * u2 - u[:, 1] * v2, u[:, 0] * v2 - v[:, 0] * u2]) / double[:, None]
    return a + offset, np.linalg.norm(offset, axis=1)


def _pair_codes(pairs: Ints, count: int) -> Ints:
    low, high = np.sort(pairs, axis=1).T
    return np.asarray(low * count + high)


def _edge_codes(corners: Ints, count: int) -> Ints:
    """A number for each side of each triangle, the first sides first (3 m,)."""
    return _pair_codes(np.vstack([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), count)


def _missing(edges: Ints, corners: Ints, count: int) -> NDArray[np.bool_]:
    return ~np.isin(_pair_codes(edges, count), _edge_codes(corners, count))
