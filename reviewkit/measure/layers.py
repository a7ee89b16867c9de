"""All layers of a mesh as valid polygons with holes, for clean and for unclean meshes.

Each facet that a plane crosses gives one segment with the solid on its left.  Segments are
linked into rings across the facets' shared edges, rings of one plane go together into one
polygon union with the positive filling rule, so that overlapping bodies unite, doubled
bodies count once and inward shells stay voids.  Where the mesh is open, nearest loose ends
are joined and the length so bridged is reported.

Work is done once a distinct layer: a plane that crosses only vertical facets and has no
vertex between it and the plane below repeats that plane; other planes are compared by a
digest of their straightened rings.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from manifold3d import CrossSection, FillRule
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, depth_first_order
from scipy.spatial import cKDTree

from reviewkit.errors import SetupError
from reviewkit.model import Floats

Ints = NDArray[np.int64]
Geometries = NDArray[np.object_]

# A face that lies in a plane must not be cut by the rounding of its own corners; 32-bit files
# round to 1.5e-5 mm at 200 mm.
_SNAP_MM = 1.5e-5
# Corners nearer than this to the chord of their neighbours carry no shape.
_STRAIGHT_MM = 1e-5
# Layers whose corners agree on this grid are one layer.
_SAME_MM = 1e-6
_SLIVER_MM2 = 1e-6
# Loose ends nearer than this are corners of T-junctions, rounded apart; wider gaps are openings.
_GAP_MM = 1e-3
# Facets that lean less than this from the vertical repeat their section upwards [-].
_LEAN = 1e-9
# About 250 bytes each: planes are taken in groups of no more crossings than this.
_CROSSINGS = 2_000_000


@dataclass(frozen=True, eq=False)
class Layers:
    """Sections of a mesh at rising heights.

    Parameters
    ----------
    z_mm : (n,) float
        Height of each cut [mm].
    thickness_mm : (n,) float
        Height of the part that each cut stands for, zero for planes that are no layers [mm].
    regions : (n,) object
        Valid shapely polygons or multi-polygons, empty where nothing was cut.
    area_mm2 : (n,) float
        Area, holes left out [mm2].
    outline_mm : (n,) float
        Length of outer and inner outlines [mm].
    islands : (n,) int
        Separate polygons [-].
    holes : (n,) int
        Inner outlines [-].
    same_as : (n,) int
        First layer with the same region, its own index where there is none below [-].
    open_mm : (n,) float
        Length of outline that is missing in the mesh and was bridged straight; zero for a
        sound mesh [mm].
    """

    z_mm: Floats
    thickness_mm: Floats
    regions: Geometries
    area_mm2: Floats
    outline_mm: Floats
    islands: Ints
    holes: Ints
    same_as: Ints
    open_mm: Floats

    def __len__(self) -> int:
        return len(self.z_mm)

    @property
    def distinct(self) -> Ints:
        """Indices of the layers that repeat none below, rising (k,) [-]."""
        return np.flatnonzero(self.same_as == np.arange(len(self)))

    @property
    def bottom_mm(self) -> Floats:
        """Height of each layer's underside (n,) [mm]."""
        return self.z_mm - self.thickness_mm / 2


def layer_planes(height_mm: float, first_layer_mm: float, layer_height_mm: float) -> tuple[Floats, Floats]:
    """Heights at which a part is cut: the middle of each layer.

    Parameters
    ----------
    height_mm : float
        Height of the part [mm].
    first_layer_mm : float
        Thickness of the first layer [mm].
    layer_height_mm : float
        Thickness of the others [mm].

    Returns
    -------
    z_mm : (n,) float
        Cut heights [mm].
    thickness_mm : (n,) float
        Part height within each layer; their sum is the height of the part [mm].

    Raises
    ------
    SetupError
        When a layer thickness is not positive.

    Notes
    -----
    ``n = 1 + ceil((height - first) / layer)``, with a millionth of a layer of tolerance: what
    is left at the top, however thin, is a layer, and is cut at the middle of what is there.
    A part lower than its first layer has that one layer.
    """
    for name, size_mm in (("first layer", first_layer_mm), ("layer height", layer_height_mm)):
        if not (np.isfinite(size_mm) and size_mm > 0):
            raise SetupError(f"{name} {size_mm:g} mm cannot be used; give a thickness above 0 mm")
    if height_mm <= 0:
        return np.empty(0), np.empty(0)
    above = max(0, int(np.ceil((height_mm - first_layer_mm) / layer_height_mm - 1e-6)))
    bottom_mm = np.concatenate([[0.0], first_layer_mm + layer_height_mm * np.arange(above)])
    top_mm = np.append(bottom_mm[1:], height_mm)
    return (bottom_mm + top_mm) / 2, top_mm - bottom_mm


def layers(vertices: Floats, faces: Ints, first_layer_mm: float, layer_height_mm: float) -> Layers:
    """All layers of a mesh that stands on the plate.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, lowest at z = 0 [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    first_layer_mm : float
        Thickness of the first layer [mm].
    layer_height_mm : float
        Thickness of the others [mm].

    Returns
    -------
    Layers
        Cut at the heights of :func:`layer_planes`.

    Raises
    ------
    SetupError
        When a layer thickness is not positive.
    """
    height_mm = float(vertices[:, 2].max()) if len(vertices) else 0.0
    z_mm, thickness_mm = layer_planes(height_mm, first_layer_mm, layer_height_mm)
    return sections(vertices, faces, z_mm, thickness_mm)


def sections(vertices: Floats, faces: Ints, z_mm: Floats, thickness_mm: Floats | None = None) -> Layers:
    """Sections of a mesh by level planes.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    z_mm : (k,) float
        Heights of the planes, rising [mm].
    thickness_mm : (k,) float, optional
        What each plane stands for; zero when not given [mm].

    Returns
    -------
    Layers

    Raises
    ------
    ValueError
        When the heights do not rise.

    Notes
    -----
    A vertex in the plane (or less than 1.5e-5 mm under it) counts as above it, so the section
    at a level face is that of the solid just below.

    Where the mesh is open, an end of an outline is joined to the nearest free start in its
    plane, closest first; with one gap in a ring that is the straight chord across it.  Gaps
    under 1e-3 mm do not count as open.  A layer with open outlines, whose winding cannot be
    relied on, is filled by the even-odd rule instead when that gives more area.

    Outlines are straightened to 1e-5 mm; islands and holes under 1e-6 mm2 are dropped.
    """
    vertices, faces = np.asarray(vertices, dtype=float), np.asarray(faces, dtype=np.int64)
    z_mm = np.asarray(z_mm, dtype=float)
    count = len(z_mm)
    if np.any(np.diff(z_mm) <= 0):
        raise ValueError("cut heights must rise")
    crossed = _crossed(vertices, faces, z_mm)
    base = _repeated_planes(crossed, faces)
    cut = np.flatnonzero(base == np.arange(count))
    crossed = crossed.at_planes(cut)

    regions = np.full(count, shapely.Polygon(), dtype=object)
    open_mm = np.zeros(count)
    same_as = base.copy()
    known: dict[tuple[int, bool], int] = {}
    for first, stop in _plane_groups(crossed, len(cut)):
        rings = _rings(crossed, first, stop)
        for digest, gap_mm, outlines, plane in zip(
            rings.digests(), rings.open_mm, rings.by_plane(), cut[first:stop], strict=True
        ):
            open_mm[plane] = gap_mm
            same_as[plane] = known.setdefault((int(digest), gap_mm > 0), int(plane))
            if same_as[plane] == plane and outlines:
                regions[plane] = _region(outlines, gap_mm > 0)
    broken = np.flatnonzero(~shapely.is_valid(regions))
    regions[broken] = shapely.buffer(regions[broken], 0.0)

    # The lowest plane of a run may itself repeat a lower one.
    same_as = same_as[base]
    regions = regions[same_as]
    pieces, owner = shapely.get_parts(regions, return_index=True)
    return Layers(
        z_mm=z_mm,
        thickness_mm=np.zeros(count) if thickness_mm is None else np.asarray(thickness_mm, dtype=float),
        regions=regions,
        area_mm2=shapely.area(regions),
        outline_mm=shapely.length(regions),
        islands=np.bincount(owner[~shapely.is_empty(pieces)], minlength=count),
        holes=np.bincount(owner, weights=shapely.get_num_interior_rings(pieces), minlength=count).astype(np.int64),
        same_as=same_as,
        open_mm=open_mm[base],
    )


def projected_area(layers: Layers) -> float:
    """Area that all layers together cover, seen from above [mm2].

    Parameters
    ----------
    layers : Layers
        Layers of the part.

    Returns
    -------
    float
        Area of the union of the regions [mm2].
    """
    return float(shapely.union_all(layers.regions[layers.distinct]).area)


@dataclass(frozen=True, eq=False)
class _Crossed:
    """Facets that at least one plane crosses.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    z_mm : (k,) float
        Planes [mm].
    corners : (3 m,) int
        Vertex at which each half-edge starts; half-edges ``3 f`` to ``3 f + 2`` are facet f's.
    levels : (m, 3) int
        Planes at or below each corner: plane j lies below a corner of level over j.
    low, high : (m,) int
        Planes from ``low`` up to but not including ``high`` cross the facet.
    twin : (3 m,) int
        Half-edge that runs the other way in the neighbour, -1 where there is none; given
        only for half-edges that a plane crosses.
    """

    vertices: Floats
    z_mm: Floats
    corners: Ints
    levels: Ints
    low: Ints
    high: Ints
    twin: Ints

    def at_planes(self, planes: Ints) -> "_Crossed":
        """The same facets for some of the planes alone."""
        levels = np.searchsorted(planes, self.levels)
        low, high = _range(levels)
        return replace(self, z_mm=self.z_mm[planes], levels=levels, low=low, high=high)

    def at(self, half_edge: Ints, plane: Ints) -> Floats:
        """Points (n, 2) where half-edges pass through planes [mm]."""
        start = self.corners[half_edge]
        end = self.corners[half_edge + np.where(half_edge % 3 == 2, -2, 1)]
        # From the lower end always, so that both facets of an edge get the same point to the bit.
        rising = self.vertices[start, 2] < self.vertices[end, 2]
        low = self.vertices[np.where(rising, start, end)]
        high = self.vertices[np.where(rising, end, start)]
        share = (self.z_mm[plane] - low[:, 2]) / (high[:, 2] - low[:, 2])
        return low[:, :2] + np.clip(share, 0.0, 1.0)[:, None] * (high[:, :2] - low[:, :2])


@dataclass(frozen=True, eq=False)
class _Rings:
    """Closed rings of a group of planes, sorted by plane.

    Parameters
    ----------
    points : (n, 2) float
        Corners, ring after ring, solid on the left [mm].
    start : (r + 1,) int
        Where each ring starts in ``points``, and the end.
    plane : (r,) int
        Plane of each ring, counted within the group.
    open_mm : (k,) float
        Length that was bridged in each plane [mm].
    """

    points: Floats
    start: Ints
    plane: Ints
    open_mm: Floats

    def by_plane(self) -> Iterator[list[Floats]]:
        """Each plane's rings."""
        rings = np.split(self.points, self.start[1:-1]) if len(self.plane) else []
        bounds = np.searchsorted(self.plane, np.arange(len(self.open_mm) + 1))
        for first, stop in pairwise(bounds):
            yield rings[first:stop]

    def digests(self) -> NDArray[np.uint64]:
        """One number a plane that tells whether two planes have the same rings.

        The sum of scrambled edges: it depends neither on the order of the rings nor on where
        each starts.
        """
        grid = np.rint(self.points / _SAME_MM).astype(np.int64).view(np.uint64)
        _, following = _neighbours(self.start)
        x, y = grid.T
        edge = x * _ODD[0] + y * _ODD[1] + x[following] * _ODD[2] + y[following] * _ODD[3]
        for multiplier in _ODD[4:]:
            edge = (edge ^ (edge >> np.uint64(31))) * multiplier
        edge ^= edge >> np.uint64(29)
        # Sums that wrap around, taken as differences of one running sum.
        total = np.concatenate([np.zeros(1, np.uint64), np.cumsum(edge, dtype=np.uint64)])
        bounds = self.start[np.searchsorted(self.plane, np.arange(len(self.open_mm) + 1))]
        return np.diff(total[bounds])


# Arbitrary odd multipliers of 64 bits.
_ODD = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9,
     0xD6E8FEB86659FD93, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB], dtype=np.uint64,
)  # fmt: skip


def _crossed(vertices: Floats, faces: Ints, z_mm: Floats) -> _Crossed:
    """The crossed facets with their half-edges paired."""
    levels = _level(vertices, z_mm)[faces]
    low, high = _range(levels)
    crossing = low < high
    faces, levels, low, high = faces[crossing], levels[crossing], low[crossing], high[crossing]
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    rise = np.roll(levels, -1, axis=1).ravel() - levels.ravel()
    up, up_edge = _sorted_edges(np.flatnonzero(rise > 0), start, end, len(vertices))
    down, down_edge = _sorted_edges(np.flatnonzero(rise < 0), end, start, len(vertices))

    # An edge of more than two facets pairs its first rising half-edge with its first falling
    # one and so on; which goes with which does not change what the rings enclose.
    turn = np.arange(len(up)) - np.searchsorted(up_edge, up_edge)
    match = np.searchsorted(down_edge, up_edge) + turn
    paired = match < len(down)
    paired[paired] = down_edge[match[paired]] == up_edge[paired]
    twin = np.full(3 * len(faces), -1)
    twin[up[paired]] = down[match[paired]]
    twin[down[match[paired]]] = up[paired]
    return _Crossed(vertices, z_mm, start, levels, low, high, twin)


def _sorted_edges(half_edges: Ints, lower: Ints, upper: Ints, vertices: int) -> tuple[Ints, Ints]:
    """Half-edges in the order of one number for each edge, and that number."""
    edge = lower[half_edges] * vertices + upper[half_edges]
    order = np.argsort(edge, kind="stable")
    return half_edges[order], edge[order]


def _repeated_planes(crossed: _Crossed, faces: Ints) -> Ints:
    """For each plane the lowest one of its run through closed vertical walls alone (n,)."""
    count = len(crossed.z_mm)
    between = np.bincount(_level(crossed.vertices, crossed.z_mm)[faces.ravel()], minlength=count + 1)[:count]
    facet = crossed.vertices[crossed.corners].reshape(-1, 3, 3)
    normal = np.cross(facet[:, 1] - facet[:, 0], facet[:, 2] - facet[:, 0])
    leans = np.abs(normal[:, 2]) > _LEAN * np.linalg.norm(normal, axis=1)
    crossing = crossed.levels != np.roll(crossed.levels, -1, axis=1)
    leans |= (crossing & (crossed.twin.reshape(-1, 3) < 0)).any(axis=1)
    own = (between > 0) | (_crossings(crossed.low[leans], crossed.high[leans], count) > 0)
    own[:1] = True
    return np.maximum.accumulate(np.where(own, np.arange(count), 0))


def _crossings(low: Ints, high: Ints, count: int) -> Ints:
    """How many facets each plane crosses (count,)."""
    change = np.bincount(low, minlength=count + 1) - np.bincount(high, minlength=count + 1)
    return np.cumsum(change)[:count]


def _level(vertices: Floats, z_mm: Floats) -> Ints:
    """Number of planes at or below each vertex (n,)."""
    return np.searchsorted(z_mm, vertices[:, 2] + _SNAP_MM, side="right")


def _range(levels: Ints) -> tuple[Ints, Ints]:
    """Lowest and highest of three columns (n,)."""
    first, second, third = levels.T
    return np.minimum(np.minimum(first, second), third), np.maximum(np.maximum(first, second), third)


def _plane_groups(crossed: _Crossed, count: int) -> Iterator[tuple[int, int]]:
    """Runs of planes, as many together as memory allows."""
    total = np.concatenate([[0], np.cumsum(_crossings(crossed.low, crossed.high, count))])
    first = 0
    while first < count:
        stop = int(np.searchsorted(total, total[first] + _CROSSINGS, side="right")) - 1
        stop = max(stop, first + 1)
        yield first, stop
        first = stop


def _half_edge_tables() -> tuple[Ints, Ints]:
    """Rising and falling half-edge of a facet by which corners are above: 1, 2, 4 added."""
    up, down = np.zeros(8, np.int64), np.zeros(8, np.int64)
    for code in range(1, 7):
        above = [bool(code >> corner & 1) for corner in range(3)]
        for edge in range(3):
            if above[edge] != above[(edge + 1) % 3]:
                (down if above[edge] else up)[code] = edge
    return up, down


_UP, _DOWN = _half_edge_tables()


def _rings(crossed: _Crossed, first: int, stop: int) -> _Rings:
    """Rings of the planes from `first` up to but not including `stop`."""
    low, high = np.clip(crossed.low, first, stop), np.clip(crossed.high, first, stop)
    offset = np.concatenate([[0], np.cumsum(high - low)])
    facet = np.repeat(np.arange(len(low)), high - low)
    plane = np.arange(len(facet)) - (offset[:-1] - low)[facet]

    # One segment a facet and plane, from its falling half-edge to its rising one; the next one
    # is in the facet beyond, at the same plane.
    code = sum((column[facet] > plane) * weight for column, weight in zip(crossed.levels.T, (1, 2, 4), strict=True))
    leaving = 3 * facet + _UP[code]
    beyond = crossed.twin[leaving]
    neighbour = beyond // 3
    following = np.where(beyond >= 0, offset[neighbour] + plane - low[neighbour], -1)
    points = crossed.at(3 * facet + _DOWN[code], plane)

    open_mm = np.zeros(stop - first)
    loose = np.flatnonzero(following < 0)
    if len(loose):
        ends = crossed.at(leaving[loose], plane[loose])
        starts = np.setdiff1d(np.arange(len(facet)), following)
        joined, gap_mm = _joined(ends, plane[loose], points[starts], plane[starts])
        # The end of each open chain becomes a point of its own before the next chain starts.
        following[loose] = len(facet) + np.arange(len(loose))
        following = np.concatenate([following, starts[joined]])
        points = np.concatenate([points, ends])
        plane = np.concatenate([plane, plane[loose]])
        open_mm += np.bincount(plane[loose] - first, np.where(gap_mm > _GAP_MM, gap_mm, 0.0), stop - first)

    order, start, ring_plane = _ring_order(following, plane)
    return _Rings(*_straightened(points[order], start, ring_plane - first), open_mm)


def _joined(ends: Floats, end_plane: Ints, starts: Floats, start_plane: Ints) -> tuple[Ints, Floats]:
    """Partner of each loose end among the loose starts of its plane, and the gap between them [mm].

    Each plane has as many starts as ends.  Each end asks for its nearest start; of several that
    want the same one the nearest gets it, and the others ask again among those left.
    """
    # Planes are kept apart by more than any distance within one.
    span_mm = 2 * float(np.ptp(np.concatenate([ends, starts]), axis=0).sum()) + 1.0
    ends_3d = np.column_stack([ends, end_plane * span_mm])
    starts_3d = np.column_stack([starts, start_plane * span_mm])
    partner, gap_mm = np.full(len(ends), -1), np.zeros(len(ends))
    waiting, free = np.arange(len(ends)), np.arange(len(starts))
    while len(waiting):
        distance_mm, wanted = cKDTree(starts_3d[free]).query(ends_3d[waiting])
        nearest = np.lexsort((distance_mm, wanted))
        wanted_sorted = wanted[nearest]
        won = nearest[np.concatenate([[True], wanted_sorted[1:] != wanted_sorted[:-1]])]
        partner[waiting[won]], gap_mm[waiting[won]] = free[wanted[won]], distance_mm[won]
        waiting, free = np.delete(waiting, won), np.delete(free, wanted[won])
    return partner, gap_mm


def _ring_order(following: Ints, plane: Ints) -> tuple[Ints, Ints, Ints]:
    """Points in ring order, where each ring starts, and its plane; rings sorted by plane.

    The rings are cut open and strung into one long loop, which one walk in compiled code then
    orders.
    """
    count = len(following)
    if not count:
        return np.empty(0, np.int64), np.zeros(1, np.int64), np.empty(0, np.int64)
    rings, ring = connected_components(_graph(following), directed=True, connection="strong")
    head = np.empty(rings, np.int64)
    head[ring[::-1]] = np.arange(count)[::-1]
    by_plane = np.lexsort((head, plane[head]))
    head = head[by_plane]
    before = np.empty(count, np.int64)
    before[following] = np.arange(count)
    loop = following.copy()
    loop[before[head]] = np.roll(head, -1)
    order = depth_first_order(_graph(loop), head[0], directed=True, return_predecessors=False)
    start = np.concatenate([[0], np.cumsum(np.bincount(ring, minlength=rings)[by_plane])])
    return order.astype(np.int64), start, plane[head]


def _graph(following: Ints) -> csr_array:
    count = len(following)
    arcs = (np.ones(count), following.astype(np.int32), np.arange(count + 1, dtype=np.int32))
    return csr_array(arcs, shape=(count, count))


def _straightened(points: Floats, start: Ints, plane: Ints) -> tuple[Floats, Ints, Ints]:
    """Rings without corners on a straight line, and without rings that enclose nothing.

    No two neighbours go in one pass, so that the error of one cannot hide behind the other.
    """
    suspect, turn = np.ones(len(points), dtype=bool), 0
    points, start, plane, suspect = _without(points, start, plane, suspect, np.zeros(len(points), dtype=bool))
    while suspect.any():
        before, following = _neighbours(start)
        flat = np.zeros(len(points), dtype=bool)
        tried = np.flatnonzero(suspect)
        flat[tried] = _flat(points[before[tried]], points[tried], points[following[tried]])
        # Odd places count from another corner in each pass: in a ring of odd length the first
        # and the last place are neighbours and both even.
        size = np.repeat(np.diff(start), np.diff(start))
        odd = (np.arange(len(points)) - np.repeat(start[:-1], np.diff(start)) + turn) % size % 2 == 1
        gone = flat & (odd | ~(flat[before] | flat[following]))
        suspect = flat.copy()
        suspect[before[gone]] = suspect[following[gone]] = True
        points, start, plane, suspect = _without(points, start, plane, suspect, gone)
        turn += 1
    return points, start, plane


def _flat(back: Floats, here: Floats, ahead: Floats) -> NDArray[np.bool_]:
    """Whether corners lie on the chord of their neighbours (n,)."""
    chord, step = ahead - back, here - back
    length = np.hypot(chord[:, 0], chord[:, 1])
    off_line = np.abs(chord[:, 0] * step[:, 1] - chord[:, 1] * step[:, 0]) > _STRAIGHT_MM * length
    along = chord[:, 0] * step[:, 0] + chord[:, 1] * step[:, 1]
    return ~off_line & (along >= 0) & (along <= length**2)


def _neighbours(start: Ints) -> tuple[Ints, Ints]:
    """Index of the corner before and of the corner after each corner of closed rings (n,)."""
    before = np.arange(-1, start[-1] - 1)
    before[start[:-1]] = start[1:] - 1
    following = np.arange(1, start[-1] + 1)
    following[start[1:] - 1] = start[:-1]
    return before, following


def _without(
    points: Floats, start: Ints, plane: Ints, suspect: NDArray[np.bool_], gone: NDArray[np.bool_]
) -> tuple[Floats, Ints, Ints, NDArray[np.bool_]]:
    """Rings less the corners that are gone and less the rings of fewer than three corners."""
    size = np.diff(start)
    ring = np.repeat(np.arange(len(size)), size)
    size = np.bincount(ring[~gone], minlength=len(size))
    keep = ~gone & (size >= 3)[ring]
    kept = size >= 3
    return points[keep], np.concatenate([[0], np.cumsum(size[kept])]), plane[kept], suspect[keep]


def _region(rings: list[Floats], is_open: bool) -> shapely.Geometry:
    """What rings enclose, as a polygon or multi-polygon."""
    section = CrossSection(rings, FillRule.Positive)
    if is_open:
        other = CrossSection(rings, FillRule.EvenOdd)
        section = max(section, other, key=CrossSection.area)
    section = section.simplify(_STRAIGHT_MM)
    contours = [(_enclosed(contour), contour) for contour in section.to_polygons()]
    shells = sum(area_mm2 > 0 for area_mm2, _ in contours)
    if not shells:
        return shapely.Polygon()
    # Pieces are told apart only where there are several: it costs a second sweep.
    pieces = [contours] if shells == 1 else [
        [(_enclosed(contour), contour) for contour in piece.to_polygons()] for piece in section.decompose()
    ]  # fmt: skip
    polygons = []
    for piece in pieces:
        shell = max(piece, key=lambda item: item[0])
        if shell[0] >= _SLIVER_MM2:
            polygons.append(shapely.Polygon(shell[1], [hole for area_mm2, hole in piece if area_mm2 <= -_SLIVER_MM2]))
    return polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(polygons)


def _enclosed(contour: Floats) -> float:
    """Area inside a contour, negative when it runs clockwise [mm2]."""
    x, y = (contour - contour[0]).T
    return float(x[:-1] @ y[1:] - x[1:] @ y[:-1]) / 2
