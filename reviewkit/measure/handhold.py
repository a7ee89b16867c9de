"""Grips in the part's frame: axis, the room for fingers behind a handle, reach to what the fingers pull, and spans."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.hands import Hands
from reviewkit.measure.layers import sections
from reviewkit.measure.motion import moved
from reviewkit.measure.rays import RayTree
from reviewkit.measure.sections import plane_section, volume_corners
from reviewkit.model import Floats, Vector
from reviewkit.submission import Box, Motion, Region, region_contains

Ints = NDArray[np.int64]

# Surface is sampled this finely, coarser where that would give more samples than are kept.
_SPACING_MM, _MOST_SAMPLES = 1.5, 6000
# Directions tried round the axis; a surface faces one that is within 45 degrees of its normal.
_DIRECTIONS = 48
_FACING = float(np.cos(np.radians(45.0)))
# A ray starts beside the surface, not on it.
_OFF_MM = 0.01
# A ray that passes through so many surfaces has been followed far enough.
_MOST_HITS = 12
_PERCENTILE = 5.0
_SECTIONS, _ROOM_MM = 9, 0.5
# Handles are spanned over their middle, this share left off at each end.
_MIDDLE = 0.4
# For drawings: how far off the axis tells a plane, as share of the grip, and how fine an outline is.
_ALONG_SHARE, _GRID_MM, _SLIVER_MM2 = 0.15, 0.01, 1e-6


@dataclass(frozen=True, eq=False)
class Hold:
    """The matter of a part in a grip region.

    Parameters
    ----------
    region : Region
    centre_mm : (3,) float
        Middle of the matter along the axis, mean of its surface across it [mm].
    axis : (3,) float
        Unit direction along it [-].
    across : (3,) float
        Unit direction across it in which it is widest [-].
    length_mm : float
        Extent along the axis [mm].
    points, normals : (n, 3) float
        Samples of the surface and their outward unit directions [mm, -].
    area_mm2 : (n,) float
        What each sample stands for [mm2].
    facet : (n,) int
        The facet that each sample lies on [-].
    """

    region: Region
    centre_mm: Floats
    axis: Floats
    across: Floats
    length_mm: float
    points: Floats
    normals: Floats
    area_mm2: Floats
    facet: Ints


@dataclass(frozen=True, eq=False)
class Clearance:
    """Room for fingers behind a handle.

    Parameters
    ----------
    direction : (3,) float
        Unit direction from the handle to what is behind it, square to the axis [-].
    clearance_mm : float
        5th percentile over the finger zone of the way from the handle to the next surface [mm].
    opening_mm : float
        Way between what closes the opening at the two ends of the handle, 5th percentile; infinite
        where one end is open [mm].
    depth_mm : float
        From the open side of the handle to the wall that closes the other side; infinite where both
        sides are open, zero where both are closed [mm].
    zone_mm : tuple of float
        Finger zone along the axis, from the middle of the handle [mm].
    at_mm : float
        Where along the axis, from the middle of the handle, the way is about that short [mm].
    face_mm : float
        The handle's surface there, from its middle towards what is behind [mm].
    behind_mm : Vector
        Middle of what is behind, where the finger zone's rays ended [mm].
    share : float
        Of the handle's surface on that side, how much has matter behind it [-].
    faces : (k,) int
        Facets of what is behind, and of the handle on that side [-].
    """

    direction: Floats
    clearance_mm: float
    opening_mm: float
    depth_mm: float
    zone_mm: tuple[float, float]
    at_mm: float
    face_mm: float
    behind_mm: Vector
    share: float
    faces: Ints


@dataclass(frozen=True)
class Reach:
    """Way from the back of a grip to the face that a finger of the same hand pulls [mm], and that face's middle."""

    reach_mm: float
    face_mm: Vector


def hold(vertices: Floats, faces: Ints, region: Region) -> Hold | None:
    """The matter of a part in a grip region, and its axis.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    region : Region
        Box or cylinder.

    Returns
    -------
    Hold or None
        None where the region holds no surface.

    Notes
    -----
    The axis is that of the largest second moment of the surface.  On a grip as wide as it is long
    it is one of several; declare a longer region.
    """
    points, normals, area, facet = surface_samples(vertices, faces, region)
    if len(points) < 4:
        return None
    mean = area @ points / area.sum()
    off = points - mean
    _, axes = np.linalg.eigh((off * area[:, None]).T @ off / area.sum())
    axis, across = _signed(axes[:, 2]), _signed(axes[:, 1])
    along = off @ axis
    low, high = float(along.min()), float(along.max())
    centre = mean + (low + high) / 2 * axis
    return Hold(region, centre, axis, across, high - low, points, normals, area, facet)


def surface_samples(vertices: Floats, faces: Ints, region: Region) -> tuple[Floats, Floats, Floats, Ints]:
    """Evenly spread samples of the surface inside a region.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    region : Region

    Returns
    -------
    points, normals : (k, 3) float
        [mm, -]
    area : (k,) float
        What each stands for [mm2].
    facet : (k,) int
        The facet it lies on [-].
    """
    corners = region_corners(region)
    triangles = vertices[faces]
    near = np.flatnonzero(
        (triangles.min(axis=1) <= corners.max(axis=0)).all(axis=1)
        & (triangles.max(axis=1) >= corners.min(axis=0)).all(axis=1)
    )
    triangles = triangles[near]
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    near, triangles, cross, area = near[area > 0], triangles[area > 0], cross[area > 0], area[area > 0]
    if not len(area):
        return np.empty((0, 3)), np.empty((0, 3)), np.empty(0), np.empty(0, np.int64)
    size = np.ptp(corners, axis=0)
    box_mm2 = 2 * (size[0] * size[1] + size[1] * size[2] + size[0] * size[2])
    spacing = max(_SPACING_MM, float(np.sqrt(min(area.sum(), 2 * box_mm2) / _MOST_SAMPLES)))
    facet, share = _spread(triangles, area, spacing)
    a, b, c = (triangles[facet, k] for k in range(3))
    points = a + share[:, :1] * (b - a) + share[:, 1:] * (c - a)
    normals = cross[facet] / (2 * area[facet])[:, None]
    each = area[facet] / np.bincount(facet, minlength=len(area))[facet]
    inside = region_contains(region, points)
    return points[inside], normals[inside], each[inside], near[facet[inside]]


def region_corners(region: Region) -> Floats:
    """Points whose convex hull is the region's volume (n, 3) [mm]."""
    volume = region.volume
    if isinstance(volume, Box):
        return volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    return volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)


def clearance(
    tree: RayTree,
    face_normals: Floats,
    held: Hold,
    others: Sequence[Region],
    *,
    reach_mm: float,
    behind_share: float,
    zone_share: float,
) -> Clearance | None:
    """Room for fingers between a handle and what is behind it.

    Parameters
    ----------
    tree : RayTree
        Of the mesh in the part's frame.
    face_normals : (m, 3) float
        Outward unit direction of each facet [-].
    held : Hold
    others : sequence of Region
        Other grips and what moves: no fingers go between them and the handle.
    reach_mm : float
        What is farther away is not behind the handle [mm].
    behind_share : float
        Share of the handle's surface that must have matter behind it [-].
    zone_share : float
        Middle share of the opening that is the finger zone [-].

    Returns
    -------
    Clearance or None
        None where nothing is behind it: an open grip.

    Notes
    -----
    Rays run square to the axis from the surface that faces each of 48 directions.  What they meet
    inside the region itself is the grip's own hollow or window.
    """
    v = np.cross(held.axis, held.across)
    turns = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    directions = np.outer(np.cos(turns), held.across) + np.outer(np.sin(turns), v)
    tried = [_behind(tree, held, others, direction, reach_mm) for direction in directions]
    closed = [look for look in tried if look is not None and look.share >= behind_share]
    if not closed:
        return None
    look = min(closed, key=lambda look: round(look.short_mm, 6))
    # Square to what is behind, where that is nearly flat.
    square = -face_normals[look.faces].mean(axis=0)
    square -= square @ held.axis * held.axis
    square /= max(float(np.linalg.norm(square)), 1e-12)
    if square @ look.direction > np.cos(2 * np.pi / _DIRECTIONS):
        straight = _behind(tree, held, others, square, reach_mm)
        if straight is not None and straight.share >= behind_share:
            look = straight
    direction, start, way = look.direction, look.start, look.way
    middle = start + way[:, None] / 2 * direction
    opening, zone = _opening(tree, held, middle, zone_share)
    along = (start - held.centre_mm) @ held.axis
    in_zone = (along >= zone[0]) & (along <= zone[1])
    # A handle with nothing over the middle of its opening is judged by what there is.
    in_zone = in_zone if in_zone.any() else np.ones(len(along), dtype=bool)
    start, way, middle, along = start[in_zone], way[in_zone], middle[in_zone], along[in_zone]
    end = start + way[:, None] * direction
    short = float(np.percentile(way, _PERCENTILE))
    # Of the ways about that short, the one nearest to the middle of the handle.
    near = np.flatnonzero(np.abs(way - short) <= np.abs(way - short).min() + _OFF_MM)
    shown = near[np.argmin(np.abs(along[near]))]
    return Clearance(
        direction,
        short,
        opening,
        _depth(tree, held, middle, direction, reach_mm, np.isfinite(opening)),
        zone,
        float(along[shown]),
        float((start[shown] - held.centre_mm) @ direction),
        _vector(np.median(end, axis=0)),
        look.share,
        np.union1d(look.faces, held.facet[held.normals @ direction > _FACING]),
    )


def thickness(vertices: Floats, faces: Ints, held: Hold) -> float:
    """Diameter of the circle as long as the string round a grip, median of its sections [mm].

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    held : Hold

    Returns
    -------
    float
        Zero where no section could be made [mm].
    """
    turn = np.vstack([held.across, np.cross(held.axis, held.across), held.axis])
    levels = ((np.arange(_SECTIONS) + 1) / (_SECTIONS + 1) - 0.5) * held.length_mm
    cut = sections((vertices - held.centre_mm) @ turn.T, faces, levels)
    corners = (region_corners(held.region) - held.centre_mm) @ turn.T
    found = []
    for level, region in zip(levels, cut.regions, strict=True):
        # A region drawn to the surface keeps it, tilted as the axis may be.
        window = shapely.buffer(window_at(corners, float(level)), _ROOM_MM, join_style="mitre")
        matter = shapely.intersection(region, window)
        if matter.area > 0:
            found.append(float(shapely.convex_hull(matter).length) / np.pi)
    return float(np.median(found)) if found else 0.0


def window_at(corners: Floats, level: float) -> shapely.Geometry:
    """Section of a convex volume by a level plane.

    Parameters
    ----------
    corners : (n, 3) float
        Its corners [mm].
    level : float
        Height of the plane [mm].

    Returns
    -------
    Geometry
        A polygon, empty where the plane misses the volume.
    """
    height = corners[:, 2] - level
    above, below = np.nonzero((height[:, None] >= 0) & (height[None, :] <= 0))
    fall = height[above] - height[below]
    share = np.where(fall > 0, height[above] / np.where(fall > 0, fall, 1.0), 0.0)
    flat = corners[above, :2] + share[:, None] * (corners[below, :2] - corners[above, :2])
    return shapely.convex_hull(shapely.multipoints(flat)) if len(flat) else shapely.Polygon()


def handle_section(vertices: Floats, faces: Ints, held: Hold, direction: Floats, reach_mm: float) -> shapely.Geometry:
    """Section of a part along a grip and towards what is behind it.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    held : Hold
    direction : (3,) float
        Unit direction towards what is behind, square to the axis [-].
    reach_mm : float
        How far on all sides of the grip is shown [mm].

    Returns
    -------
    Geometry
        In the plane, from the grip's middle, x along the axis and y towards what is behind [mm].
    """
    cut = plane_section(vertices, faces, held.centre_mm, np.cross(held.axis, direction), direction)
    half = held.length_mm / 2 + reach_mm
    clipped: shapely.Geometry = shapely.intersection(cut, shapely.box(-half, -reach_mm, half, reach_mm))
    return clipped


def outline_plane(held: Hold, centre_mm: Floats) -> tuple[Floats, Floats]:
    """Directions of the plane in which grip and mass centre lie, x along the grip.

    Parameters
    ----------
    held : Hold
    centre_mm : (3,) float
        Mass centre [mm].

    Returns
    -------
    x, y : (3,) float
        Unit directions; where the mass centre lies on the grip's axis, y is the grip's widest way [-].
    """
    arm = centre_mm - held.centre_mm
    x = held.axis if arm @ held.axis >= 0 else -held.axis
    off = arm - arm @ x * x
    length = float(np.linalg.norm(off))
    # An arm nearly along the axis tells no plane of its own.
    return x, off / length if length > _ALONG_SHARE * held.length_mm else held.across


def silhouette(vertices: Floats, faces: Ints, plane: Floats) -> shapely.Geometry:
    """Shadow of a mesh.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    plane : (2, 3) float
        Unit directions of x and y [-].

    Returns
    -------
    Geometry
        Union of the facets that look at the viewer [mm].
    """
    flat = vertices @ plane.T
    a, b, c = (flat[faces[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    shown = faces[area > _SLIVER_MM2]
    rings = np.round(flat[shown[:, [0, 1, 2, 0]]], 6)
    shadow = shapely.union_all(shapely.polygons(rings), grid_size=_GRID_MM)
    # Facets that miss one another by rounding leave hairlines.
    closed = shapely.buffer(shapely.buffer(shadow, 2 * _GRID_MM, join_style="mitre"), -2 * _GRID_MM, join_style="mitre")
    return shapely.simplify(closed, 2 * _GRID_MM)


def widest_finger_mm(hands: Hands) -> float:
    """The widest index finger of a group: of adults at the 95th percentile, of children the widest measured [mm]."""
    if hands.age_years is None and "children" not in hands.name:
        return max(known.percentiles_mm[95] for known in hands.of("index_breadth_middle_joint"))
    return max(known.most_mm or known.mean_mm for known in hands.of("index_diameter"))


def people_words(groups: Sequence[Hands]) -> str:
    """The groups in a few words: children from the youngest to the oldest, then the others."""
    ages = sorted({hands.age_years for hands in groups if hands.age_years is not None})
    children = (
        [f"children of {' to '.join(f'{age:g}' for age in (ages[0], ages[-1])[: len(ages)])} years"] if ages else []
    )
    worn = {hands.wear for hands in groups if hands.age_years is not None and hands.wear}
    children = [f"{words} in {' or '.join(sorted(worn))}" if worn else words for words in children]
    return " and ".join([*children, *(hands.words for hands in groups if hands.age_years is None)])


def reach(tree: RayTree, held: Hold, mover: Region, motion: Motion, face_normals: Floats) -> Reach | None:
    """Way from the back of a grip to the face that a finger of the same hand pulls.

    Parameters
    ----------
    tree : RayTree
        Of the mesh in the part's frame.
    held : Hold
    mover : Region
        What is pulled.
    motion : Motion
        Its translation.
    face_normals : (m, 3) float
        Outward unit direction of each facet [-].

    Returns
    -------
    Reach or None
        None where the mover does not stand opposite the grip along its motion.

    Notes
    -----
    Rays run from the back of the grip against the motion: the first face of the mover that looks
    the same way is the one a finger lies on, be it the front of a trigger or the inside of a loop.
    """
    pull = np.array(motion.direction) / np.linalg.norm(motion.direction) * np.sign(motion.stroke[1] - motion.stroke[0])
    back = np.flatnonzero(held.normals @ pull > _FACING)
    if not len(back):
        return None
    start = held.points[back]
    gone = np.zeros(len(back))
    going, reached = np.arange(len(back)), np.zeros(len(back), dtype=bool)
    for _ in range(_MOST_HITS):
        at = start[going] - gone[going, None] * pull
        way, face = tree.first_hit(at, np.broadcast_to(-pull, at.shape), _OFF_MM)
        going, way, face = going[face >= 0], way[face >= 0], face[face >= 0]
        if not len(going):
            break
        gone[going] += way
        at = start[going] - gone[going, None] * pull
        there = (face_normals[face] @ -pull > _FACING) & region_contains(mover, at)
        reached[going[there]] = True
        going = going[~there]
    if not reached.any():
        return None
    ends = start[reached] - gone[reached, None] * pull
    return Reach(float(np.median(gone[reached])), _vector(np.median(ends, axis=0)))


def spans(first: Hold, second: Hold, motion: Motion) -> tuple[float, float]:
    """Outer distance over two handles, open and closed.

    Parameters
    ----------
    first, second : Hold
        The second moves.
    motion : Motion
        Of the second.

    Returns
    -------
    open_mm, closed_mm : float
        Greater and smaller of the spans at the two ends of the stroke, over the middle fifth of what the
        handles have side by side [mm].
    """
    ends = [_span(first, moved(motion, second.points, stroke)) for stroke in motion.stroke]
    return max(ends), min(ends)


@dataclass(frozen=True, eq=False)
class _Look:
    """What rays in one direction met: from where, how far, on which facets, and from how much of the surface."""

    direction: Floats
    start: Floats
    way: Floats
    faces: Ints
    share: float

    @property
    def short_mm(self) -> float:
        return float(np.percentile(self.way, _PERCENTILE))


def _behind(tree: RayTree, held: Hold, others: Sequence[Region], direction: Floats, reach_mm: float) -> _Look | None:
    """What is behind the surface that faces a direction; None where nothing is."""
    facing = np.flatnonzero(held.normals @ direction > _FACING)
    start = held.points[facing]
    if not len(facing):
        return None
    way, faces = tree.first_hit(start, np.broadcast_to(direction, start.shape), _OFF_MM)
    end = start + np.where(np.isfinite(way), way, 0.0)[:, None] * direction
    own = np.isfinite(way) & region_contains(held.region, end)
    behind = ~own & (way <= reach_mm)
    for other in others:
        behind &= ~region_contains(other, end)
    area = held.area_mm2[facing]
    if not behind.any():
        return None
    return _Look(direction, start[behind], way[behind], faces[behind], float(area[behind].sum() / area[~own].sum()))


def _span(first: Hold, points: Floats) -> float:
    """From the back of one handle to the back of the other, square to the first one's axis [mm]."""
    along = (first.points - first.centre_mm) @ first.axis
    other = (points - first.centre_mm) @ first.axis
    # Handles that meet in a pivot are spanned at the middle of what both have side by side.
    low, high = max(along.min(), other.min()), min(along.max(), other.max())
    low, high = low + _MIDDLE * (high - low), high - _MIDDLE * (high - low)
    one, two = first.points[(along >= low) & (along <= high)], points[(other >= low) & (other <= high)]
    if not len(one) or not len(two):
        one, two = first.points, points
    apart = two.mean(axis=0) - one.mean(axis=0)
    apart -= apart @ first.axis * first.axis
    apart /= max(float(np.linalg.norm(apart)), 1e-12)
    return float((two @ apart).max() - (one @ apart).min())


def _spread(triangles: Floats, area: Floats, spacing_mm: float) -> tuple[Ints, Floats]:
    """Facet of each sample, and its place by the two sides that leave the facet's first corner (n, 2)."""
    first = np.linalg.norm(triangles[:, 1] - triangles[:, 0], axis=1)
    second = np.linalg.norm(triangles[:, 2] - triangles[:, 0], axis=1)
    across = 2 * area / np.maximum(first, second)
    many = np.ceil(np.maximum(first, second) / spacing_mm).astype(np.int64)
    few = np.ceil(across / spacing_mm).astype(np.int64)
    rows, columns = np.where(first >= second, many, few), np.where(first >= second, few, many)
    count = rows * columns
    facet = np.repeat(np.arange(len(area)), count)
    index = np.arange(len(facet)) - np.repeat(np.cumsum(count) - count, count)
    share = np.column_stack([(index // columns[facet] + 0.5) / rows[facet], (index % columns[facet] + 0.5)])
    share[:, 1] /= columns[facet]
    # The far half of the parallelogram is folded back on the facet.
    return facet, np.where(share.sum(axis=1, keepdims=True) > 1, 1 - share, share)


def _opening(tree: RayTree, held: Hold, middle: Floats, zone_share: float) -> tuple[float, tuple[float, float]]:
    """Opening along the handle half-way to what is behind it, and the finger zone along the axis [mm]."""
    along = (middle - held.centre_mm) @ held.axis
    ends = [tree.first_hit(middle, np.broadcast_to(sign * held.axis, middle.shape), _OFF_MM)[0] for sign in (-1, 1)]
    closed = [np.isfinite(end).mean() > 0.5 for end in ends]
    low, high = -held.length_mm / 2, held.length_mm / 2
    if closed[0]:
        low = max(low, float(np.median((along - ends[0])[np.isfinite(ends[0])])))
    if closed[1]:
        high = min(high, float(np.median((along + ends[1])[np.isfinite(ends[1])])))
    room_mm = (1 - zone_share) / 2 * (high - low)
    both = np.isfinite(ends[0]) & np.isfinite(ends[1])
    opening = float(np.percentile((ends[0] + ends[1])[both], _PERCENTILE)) if all(closed) and both.any() else np.inf
    return opening, (low + room_mm, high - room_mm)


def _depth(
    tree: RayTree, held: Hold, middle: Floats, direction: Floats, reach_mm: float, ends_closed: np.bool_ | bool
) -> float:
    """Depth of the pocket behind the handle, seen across handle and clearance [mm]."""
    sideways = np.cross(held.axis, direction)
    place = (middle - held.centre_mm) @ sideways
    grip = (held.points - held.centre_mm) @ sideways
    depths = []
    for sign, edge in ((-1.0, float(grip.max())), (1.0, float(-grip.min()))):
        way, _ = tree.first_hit(middle, np.broadcast_to(sign * sideways, middle.shape), _OFF_MM)
        wall = way <= reach_mm
        if wall.mean() > 0.5:
            depths.append(float(np.percentile((sign * place + way)[wall], _PERCENTILE)) + edge)
    if len(depths) == 2 and ends_closed:
        return 0.0
    return min(depths, default=np.inf)


def _signed(direction: Floats) -> Floats:
    """The same line, its largest component positive."""
    flipped: Floats = direction * np.sign(direction[np.argmax(np.abs(direction) > 0.5 * np.abs(direction).max())])
    return flipped


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z
