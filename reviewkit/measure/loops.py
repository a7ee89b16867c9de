"""Loops and openings for fingers, in the part's frame: width, length and depth, at each state of a stroke."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.measure.handhold import region_corners, surface_samples, window_at
from reviewkit.measure.layers import sections
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats
from reviewkit.submission import Box, Region, region_contains

Ints = NDArray[np.int64]

# Two directions closer than this are one.
_SAME_DEG = 2.0
# Planes across a loop or opening, as shares of the matter's extent along its axis.
_PLANES = (0.1, 0.3, 0.5, 0.7, 0.9)
_MOST_AXES = 6
# How exactly the largest circle is sought, and how much of its radius is taken off to see how far it moves.
_CIRCLE_MM, _MOVING_SHARE = 0.01, 0.98
_RIM_POINTS, _RIM_OFF_MM = 48, 0.05
_RIM_ROOM_MM = 1.0
_LOOKS = 72
_OFF_MM = 0.01
_ON_RIM_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Loop:
    """An opening for a finger.

    Parameters
    ----------
    region : str
        Name of the region that it was found in.
    centre_mm : (3,) float
        Middle of the largest circle in its narrowest section [mm].
    axes : (3, 3) float
        Two unit directions of the section, and the axis a finger goes along [-].
    width_mm : float
        Diameter of the largest circle in that section [mm].
    length_mm : float
        How long a slot of that width fits into it [mm].
    reach_mm : tuple of float
        Where the matter round it begins and ends along the axis [mm].
    depth_mm : float
        Of its rim along the axis, median [mm].
    outline : (n, 2) float
        The void's outline in the section, from the centre, rows of nan between rings [mm].
    faces : (k,) int
        Facets of its rim [-].
    """

    region: str
    centre_mm: Floats
    axes: Floats
    width_mm: float
    length_mm: float
    reach_mm: tuple[float, float]
    depth_mm: float
    outline: Floats
    faces: Ints


def loops(
    vertices: Floats, faces: Ints, tree: RayTree, region: Region, *, least_mm: float, free_mm: float
) -> tuple[Loop, ...]:
    """Holes through the matter of a region that a finger can enter.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    tree : RayTree
        Of that mesh.
    region : Region
    least_mm : float
        Narrower holes are left out [mm].
    free_mm : float
        How far the way must be clear beyond the matter, on both sides [mm].

    Returns
    -------
    tuple of Loop
        Each hole once, at its narrowest section; by place.

    Notes
    -----
    Found in sections square to the region's own axes and to its larger flat faces: a hole that slants
    to all of them is not.
    """
    points, normals, area, _ = surface_samples(vertices, faces, region)
    if not len(points):
        return ()
    found: list[Loop] = []
    for axes in _frames(region, points, normals, area):
        for loop in _through(vertices, faces, tree, region, points, axes, least_mm, free_mm):
            # One hole cut by two directions is the hole of the direction that shows it smaller.
            alike = [k for k, other in enumerate(found) if _same(loop, other)]
            if not alike:
                found.append(loop)
            elif loop.width_mm < found[alike[0]].width_mm - _CIRCLE_MM:
                found[alike[0]] = loop
    return tuple(sorted(found, key=lambda loop: tuple(np.round(loop.centre_mm, 3).tolist())))


def opening(
    vertices: Floats,
    faces: Ints,
    tree: RayTree,
    region: Region,
    skip: Sequence[Floats] = (),
) -> Loop | None:
    """The void of a region of kind opening.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    tree : RayTree
        Of the mesh as drawn.
    region : Region
    skip : sequence of (3,) float
        Middles of loops that are judged by themselves: the voids around them are left out [mm].

    Returns
    -------
    Loop or None
        Narrowest section; None where the region is filled with matter throughout.

    Notes
    -----
    The axis is the one along which the void is clear and round which most of it is enclosed.
    """
    points, normals, area, _ = surface_samples(vertices, faces, region)
    corners = region_corners(region)
    frames = _frames(region, points, normals, area)
    enclosed = [_enclosed(vertices, faces, tree, corners, points, skip, frame) for frame in frames]
    axes = frames[int(np.argmax(np.array(enclosed) >= max(enclosed) - 1e-9))]
    low, high = _extent(points, corners, axes[2])
    narrowest: tuple[float, Floats, shapely.Geometry, shapely.Geometry] | None = None
    for level, cut in _cuts(vertices, faces, axes, low, high):
        void = _void(cut, corners, axes, level, skip)
        if void.is_empty:
            return None
        radius, middle, part = _largest(void)
        if narrowest is None or radius < narrowest[0] - 1e-9:
            narrowest = (radius, np.array([*middle, level]), part, cut)
    if narrowest is None:
        return None
    radius, place, part, cut = narrowest
    return _loop(vertices, faces, tree, region.name, axes, (low, high), place, radius, part, cut)


def opening_width(vertices: Floats, faces: Ints, region: Region, drawn: Loop, skip: Sequence[Floats] = ()) -> float:
    """Width of an opening at another state of the part.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points of that state, in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    region : Region
    drawn : Loop
        The opening in the part as drawn.
    skip : sequence of (3,) float
        Where the loops that are judged by themselves are then [mm].

    Returns
    -------
    float
        Diameter of the largest circle in the narrowest section, zero where it is closed [mm].
    """
    corners, axes = region_corners(region), drawn.axes
    voids = [_void(cut, corners, axes, level, skip) for level, cut in _cuts(vertices, faces, axes, *drawn.reach_mm)]
    return 2 * min((_largest(void)[0] for void in voids), default=0.0)


def _frames(region: Region, points: Floats, normals: Floats, area: Floats) -> list[Floats]:
    """Directions to look along: the region's own, then those of its larger faces; each with two across it."""
    volume = region.volume
    if isinstance(volume, Box):
        turn = np.radians(volume.turn_deg)
        own = [[np.cos(turn), np.sin(turn), 0.0], [-np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]]
    else:
        axis = np.subtract(volume.to_mm, volume.from_mm)
        own = [(axis / np.linalg.norm(axis)).tolist()]
    candidates = [np.array(direction) for direction in own]
    folded = normals * np.sign(normals[:, [2]] + 1e-3 * normals[:, [1]] + 1e-6 * normals[:, [0]])
    left = area.copy()
    while left.any() and len(candidates) < _MOST_AXES:
        lead = folded[np.argmax(left)]
        near = np.abs(folded @ lead) > np.cos(np.radians(_SAME_DEG))
        weight = float(left[near].sum())
        mean = (folded[near] * np.sign(folded[near] @ lead)[:, None] * left[near, None]).sum(axis=0)
        if weight >= 0.1 * area.sum():
            candidates.append(mean / max(float(np.linalg.norm(mean)), 1e-12))
        left[near] = 0.0
    if len(points):
        off = points - points.mean(axis=0)
        candidates += list(np.linalg.eigh((off * area[:, None]).T @ off)[1].T)
    kept: list[Floats] = []
    for axis in candidates:
        if all(abs(axis @ other) < np.cos(np.radians(_SAME_DEG)) for other in kept):
            kept.append(axis)
    return [_frame(axis) for axis in kept]


def _frame(axis: Floats) -> Floats:
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    u /= np.linalg.norm(u)
    return np.vstack([u, np.cross(axis, u), axis])


def _extent(points: Floats, corners: Floats, axis: Floats) -> tuple[float, float]:
    """Where matter of a region begins and ends along a direction, of an empty one the region [mm]."""
    along = (points if len(points) else corners) @ axis
    return float(along.min()), float(along.max())


def _cuts(vertices: Floats, faces: Ints, axes: Floats, low: float, high: float) -> list[tuple[float, shapely.Geometry]]:
    """Sections square to an axis with their level, from the middle outwards; equal ones once."""
    levels = low + np.array(_PLANES) * (high - low)
    if not (np.diff(levels) > 0).all():
        return []
    cut = sections(vertices @ axes.T, faces, levels)
    from_middle = np.argsort(np.abs(np.arange(len(levels)) - len(levels) // 2), kind="stable")
    _, first = np.unique(cut.same_as[from_middle], return_index=True)
    return [(float(levels[k]), cut.regions[k]) for k in from_middle[np.sort(first)]]


def _through(
    vertices: Floats,
    faces: Ints,
    tree: RayTree,
    region: Region,
    points: Floats,
    axes: Floats,
    least_mm: float,
    free_mm: float,
) -> list[Loop]:
    """Holes along one axis."""
    low, high = _extent(points, points, axes[2])
    found: list[tuple[float, Floats, shapely.Geometry, shapely.Geometry]] = []
    for level, cut in _cuts(vertices, faces, axes, low, high):
        for part in shapely.get_parts(cut):
            for ring in part.interiors:
                rim = np.column_stack([np.asarray(ring.coords)[:, :2], np.full(len(ring.coords), level)]) @ axes
                if not region_contains(region, rim).all():
                    continue
                void = shapely.difference(shapely.Polygon(ring), cut)
                if void.is_empty or void.area < np.pi * least_mm**2 / 4:
                    continue
                radius, middle, inner = _largest(void)
                if 2 * radius < least_mm - _CIRCLE_MM:
                    continue
                place = np.array([*middle, level])
                same = [k for k, f in enumerate(found) if np.hypot(*(f[1][:2] - middle)) < max(f[0], radius)]
                if not same:
                    found.append((radius, place, inner, cut))
                elif radius < found[same[0]][0] - 1e-9:
                    found[same[0]] = (radius, place, inner, cut)
    kept = []
    for radius, place, void, cut in found:
        ways = [float(tree.first_hit((place @ axes)[None], sign * axes[2:], _OFF_MM)[0][0]) for sign in (-1, 1)]
        clear = (ways[0] >= place[2] - low + free_mm, ways[1] >= high - place[2] + free_mm)
        if all(clear):
            kept.append(_loop(vertices, faces, tree, region.name, axes, (low, high), place, radius, void, cut))
    return kept


def _void(
    cut: shapely.Geometry, corners: Floats, axes: Floats, level: float, skip: Sequence[Floats]
) -> shapely.Geometry:
    """What a region leaves open in a section, less the voids that hold a point to skip."""
    window = window_at(corners @ axes.T, level)
    parts = shapely.get_parts(shapely.difference(window, cut))
    skipped = shapely.points([(axes @ point)[:2] for point in skip]) if len(skip) else np.empty(0)
    kept = [part for part in parts if part.area > 0 and not shapely.contains(part, skipped).any()]
    return shapely.union_all(kept) if kept else shapely.Polygon()


def _largest(void: shapely.Geometry) -> tuple[float, Floats, shapely.Geometry]:
    """Radius and middle of the largest circle in a void, and the piece of the void that holds it."""
    best: tuple[float, Floats, shapely.Geometry] | None = None
    for part in sorted(shapely.get_parts(void), key=lambda part: -part.area):
        if best is not None and np.sqrt(part.area / np.pi) <= best[0]:
            continue
        spoke = shapely.maximum_inscribed_circle(part, tolerance=_CIRCLE_MM)
        if best is None or spoke.length > best[0]:
            best = (float(spoke.length), shapely.get_coordinates(spoke)[0], part)
    if best is None:
        return 0.0, np.zeros(2), void
    return best


def _slot_mm(void: shapely.Geometry, radius_mm: float) -> float:
    """Length of the longest slot as wide as the largest circle [mm]."""
    inner = shapely.buffer(void, -_MOVING_SHARE * radius_mm, quad_segs=32)
    longest = 0.0
    for part in shapely.get_parts(inner):
        points = shapely.get_coordinates(part)
        if len(points):
            box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.multipoints(points)))
            longest = max(longest, *np.linalg.norm(np.diff(box, axis=0), axis=1), 0.0) if len(box) > 1 else longest
    return float(2 * _MOVING_SHARE * radius_mm + longest)


def _loop(
    vertices: Floats,
    faces: Ints,
    tree: RayTree,
    region: str,
    axes: Floats,
    reach_mm: tuple[float, float],
    place: Floats,
    radius_mm: float,
    void: shapely.Geometry,
    cut: shapely.Geometry,
) -> Loop:
    centre = place @ axes
    rings = [shapely.get_coordinates(ring) - place[:2] for ring in shapely.get_rings(shapely.orient_polygons(void))]
    between = np.full((1, 2), np.nan)
    outline = np.vstack([block for ring in rings for block in (ring, between)][:-1])
    return Loop(
        region,
        centre,
        axes,
        2 * radius_mm,
        _slot_mm(void, radius_mm),
        reach_mm,
        _rim_depth(tree, axes, place[2], void, cut),
        outline,
        _rim_faces(vertices, faces, axes, void, cut),
    )


def _rim_depth(tree: RayTree, axes: Floats, level: float, void: shapely.Geometry, cut: shapely.Geometry) -> float:
    """How thick the matter is just outside the void, median round its rim [mm]."""
    rim = shapely.boundary(void)
    spots = shapely.get_coordinates(shapely.line_interpolate_point(rim, np.linspace(0, rim.length, _RIM_POINTS)))
    turns = 2 * np.pi * np.arange(8) / 8
    beside = (spots[:, None] + _RIM_OFF_MM * np.column_stack([np.cos(turns), np.sin(turns)])).reshape(-1, 2)
    solid = beside[shapely.contains_xy(cut, beside[:, 0], beside[:, 1])]
    if not len(solid):
        return 0.0
    start = np.column_stack([solid, np.full(len(solid), level)]) @ axes
    ways = [tree.first_hit(start, np.broadcast_to(sign * axes[2], start.shape), _OFF_MM)[0] for sign in (-1, 1)]
    total = ways[0] + ways[1]
    total = total[np.isfinite(total)]
    return float(np.median(total)) if len(total) else 0.0


def _rim_faces(vertices: Floats, faces: Ints, axes: Floats, void: shapely.Geometry, cut: shapely.Geometry) -> Ints:
    """Facets along the axis whose middle, seen along it, lies on the void's rim."""
    flat = vertices @ axes.T
    middle = flat[faces].mean(axis=1)
    rim = shapely.intersection(shapely.boundary(void), shapely.buffer(cut, _ON_RIM_MM))
    if rim.is_empty:
        rim = shapely.boundary(void)
    low, high = shapely.get_coordinates(rim).min(axis=0), shapely.get_coordinates(rim).max(axis=0)
    near = ((middle[:, :2] >= low - _RIM_ROOM_MM) & (middle[:, :2] <= high + _RIM_ROOM_MM)).all(axis=1)
    near = np.flatnonzero(near)
    edge = np.cross(flat[faces[near, 1]] - flat[faces[near, 0]], flat[faces[near, 2]] - flat[faces[near, 0]])
    upright = np.abs(edge[:, 2]) < 0.7 * np.linalg.norm(edge, axis=1)
    near = near[upright]
    shapely.prepare(rim)
    on_rim: Ints = near[shapely.dwithin(rim, shapely.points(middle[near, :2]), _RIM_ROOM_MM / 2)]
    return on_rim


def _enclosed(
    vertices: Floats,
    faces: Ints,
    tree: RayTree,
    corners: Floats,
    points: Floats,
    skip: Sequence[Floats],
    axes: Floats,
) -> float:
    """How much of the way round the void ends at matter, where a finger can come along the axis; else 0 [-]."""
    low, high = _extent(points, corners, axes[2])
    if high - low < 1e-6:
        return 0.0
    level = (low + high) / 2
    cut = sections(vertices @ axes.T, faces, np.array([level])).regions[0]
    void = _void(cut, corners, axes, level, skip)
    if void.is_empty:
        return 0.0
    _, middle, _ = _largest(void)
    start = (np.array([*middle, level]) @ axes)[None]
    ways = [float(tree.first_hit(start, sign * axes[2:], _OFF_MM)[0][0]) for sign in (-1, 1)]
    if ways[0] < level - low and ways[1] < high - level:
        return 0.0
    far = float(np.linalg.norm(np.ptp(corners, axis=0)))
    turns = 2 * np.pi * np.arange(_LOOKS) / _LOOKS
    looks = np.column_stack([np.cos(turns), np.sin(turns), np.zeros(_LOOKS)]) @ axes
    way, _ = tree.first_hit(np.repeat(start, _LOOKS, axis=0), looks, _OFF_MM)
    return float((way <= far).mean())


def _same(one: Loop, other: Loop) -> bool:
    apart = float(np.linalg.norm(one.centre_mm - other.centre_mm))
    return apart < max(one.width_mm, other.width_mm) / 2
