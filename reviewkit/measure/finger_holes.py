"""Holes that a fingertip may enter: how wide, how deep, how thick the sheet, how free the way to them.

Round holes are read from the facets wherever they point; other openings from the inner outlines of
flat faces.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.measure.holes import Flats, Round
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

Ints = NDArray[np.int64]

# Rays round a bar, and directions in which the sheet round a hole is looked for.
_AROUND = 16
# Bars are looked along a little within their outside, from a little outside the mouth.
_WITHIN, _OFF_MM = 0.98, 0.02
# Beside a hole its sheet is looked through at these distances from the rim, the nearer for thin webs.
_BESIDE_MM = (0.4, 2.0)
# The width of an opening is measured on a grid so fine.
_GRID_MM = 0.25
# An opening that is deep all over is measured by its outline.
_WHOLE = 0.97
_LEAST_FLAT_MM2 = 20.0
# Mouths whose middles lie so near on one line belong to one hole.
_SAME_MM = 0.5


@dataclass(frozen=True, eq=False)
class FingerHole:
    """A hole seen from one of its mouths.

    Parameters
    ----------
    round : bool
        A round hole rather than another closed opening.
    mouth : (3,) float
        Middle of the mouth [mm].
    inward : (3,) float
        Unit direction into the hole [-].
    width_mm : float
        Diameter of the largest bar that enters [mm].
    long_mm : float
        Long side of the mouth, the diameter where it is round [mm].
    depth_mm : float
        How deep a thin bar goes, infinite where it comes out into the open [mm].
    sheet_mm : float
        Thickness of the matter that the hole goes through, infinite where it has no far side near [mm].
    approach_mm : float
        Free way in front of the mouth [mm].
    through : bool
        The bar comes out again.
    faces : (n,) int
        Facets of the hole or around its mouth [-].
    """

    round: bool
    mouth: Floats
    inward: Floats
    width_mm: float
    long_mm: float
    depth_mm: float
    sheet_mm: float
    approach_mm: float
    through: bool
    faces: Ints


def finger_holes(
    flats: Flats,
    rounds: Sequence[Round],
    rays: RayTree,
    *,
    least_mm: float,
    most_mm: float,
    bar_mm: float,
    deep_mm: float,
    slot: float,
) -> list[FingerHole]:
    """Find the holes of a range of widths.

    Parameters
    ----------
    flats : Flats
        Of the mesh.
    rounds : sequence of Round
        Round holes and shafts of the mesh.
    rays : RayTree
        Of the mesh.
    least_mm, most_mm : float
        Widths that are looked for [mm].
    bar_mm : float
        Diameter of the thin bar that measures the depth [mm].
    deep_mm : float
        Openings that are not round are looked at where they are at least so deep [mm].
    slot : float
        Openings as many times longer than wide are slots and left out [-].

    Returns
    -------
    list of FingerHole
        One a hole, from the mouth that lets the bar in deeper; holes whose mouths are both blocked left out.
    """
    sight = _Sight(flats, rays)
    found = [
        hole
        for each in rounds
        if each.hollow and least_mm <= each.across_flats_mm <= most_mm
        if (hole := _best(_round_mouths(each, sight, bar_mm))) is not None
    ]
    found += _openings(flats, rounds, sight, least_mm, most_mm, bar_mm, deep_mm, slot)
    return _once(found)


class _Sight:
    """Free ways along straight lines through a part."""

    def __init__(self, flats: Flats, rays: RayTree) -> None:
        self.normals = flats.normal[flats.of_face]
        self.rays = rays

    def free(self, origins: Floats, direction: Floats) -> Floats:
        """Free way of each line (n,) [mm]; zero where it begins in matter."""
        outward = np.tile(direction, (len(origins), 1))
        distance, face = self.rays.first_hit(origins, outward)
        inside = (face >= 0) & (np.einsum("ij,ij->i", self.normals[face], outward) > 0)
        return np.where(inside, 0.0, distance)

    def through(self, origins: Floats, direction: Floats) -> Floats:
        """Matter that each line passes before it comes out (n,) [mm]; zero where it begins in the open."""
        outward = np.tile(direction, (len(origins), 1))
        distance, face = self.rays.first_hit(origins, outward)
        inside = (face >= 0) & (np.einsum("ij,ij->i", self.normals[face], outward) > 0)
        return np.where(inside, distance, 0.0)


def _round_mouths(hole: Round, sight: _Sight, bar_mm: float) -> Iterator[FingerHole]:
    """A round hole from each of its ends."""
    sheet_mm = _sheet(hole, sight)
    for mouth, inward in ((hole.low_mm, np.array(hole.axis)), (hole.high_mm, -np.array(hole.axis))):
        bar = _bar(np.array(mouth), inward, min(bar_mm, hole.across_flats_mm))
        depth_mm = float(sight.free(bar - _OFF_MM * inward, inward).min()) - _OFF_MM
        approach_mm = float(sight.free(bar - _OFF_MM * inward, -inward).min())
        yield FingerHole(
            True,
            np.array(mouth),
            inward,
            hole.across_flats_mm,
            hole.diameter_mm,
            max(depth_mm, 0.0),
            sheet_mm,
            approach_mm,
            bool(np.isinf(depth_mm)),
            hole.faces,
        )


def _best(mouths: Iterator[FingerHole]) -> FingerHole | None:
    """The mouth that can be come at best and lets a bar in deepest."""
    open_ = [mouth for mouth in mouths if mouth.depth_mm > 0 and mouth.approach_mm > 0]
    return max(open_, key=lambda mouth: (mouth.approach_mm, mouth.depth_mm), default=None)


def _bar(middle: Floats, axis: Floats, width_mm: float) -> Floats:
    """Points on the outside of a bar and on its axis, in the plane of a mouth."""
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    u /= np.linalg.norm(u)
    turn = 2 * np.pi * np.arange(_AROUND) / _AROUND
    ring = np.outer(np.cos(turn), u) + np.outer(np.sin(turn), np.cross(axis, u))
    points: Floats = middle + np.vstack([np.zeros(3), _WITHIN * width_mm / 2 * ring])
    return points


def _sheet(hole: Round, sight: _Sight) -> float:
    """Thickness of what a hole goes through, along its axis; the thicker of what is beside the rim and farther out."""
    axis = np.array(hole.axis)
    thickness = []
    for beside_mm in _BESIDE_MM:
        ring = _bar(hole.middle_mm, axis, (hole.diameter_mm + 2 * beside_mm) / _WITHIN)[1:]
        matter = sight.through(ring, axis) + sight.through(ring, -axis)
        if (matter > 0).mean() >= 0.5:
            thickness.append(float(np.median(matter[matter > 0])))
    return max(thickness, default=hole.length_mm)


def _openings(
    flats: Flats,
    rounds: Sequence[Round],
    sight: _Sight,
    least_mm: float,
    most_mm: float,
    bar_mm: float,
    deep_mm: float,
    slot: float,
) -> Iterator[FingerHole]:
    """Openings that are not round, from the inner outlines of flat faces."""
    for flat, loop in _inner_loops(flats):
        normal = flats.normal[flat]
        u = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
        u /= np.linalg.norm(u)
        frame = np.vstack([u, np.cross(normal, u)])
        corners = flats.vertices[loop]
        shape = shapely.Polygon(corners @ frame.T)
        if not shape.is_valid or shape.area < np.pi / 4 * least_mm**2:
            continue
        sides = _sides(shape)
        if not least_mm <= sides[0] <= 2 * most_mm or sides[1] > 2 * slot * most_mm:
            continue
        height = float(np.mean(corners @ normal))
        middle = shapely.get_coordinates(shape.centroid)[0] @ frame + height * normal
        if any(_on_axis(each, middle, normal, float(sides[1])) for each in rounds):
            continue
        hole = _opening(sight, shape, frame, normal, height, bar_mm, deep_mm, slot, flats.members(flat))
        if hole is not None and least_mm <= hole.width_mm <= most_mm:
            yield hole


def _inner_loops(flats: Flats) -> Iterator[tuple[int, Ints]]:
    """Each outline of a flat but its largest: the flat and the corners in order."""
    tails, heads = flats.faces.ravel(), np.roll(flats.faces, -1, axis=1).ravel()
    own = np.repeat(flats.of_face, 3)
    large = flats.area_mm2[own] >= _LEAST_FLAT_MM2
    size = len(flats.vertices)
    _, number = np.unique(own[large], return_inverse=True)
    key = (number * size + np.minimum(tails, heads)[large]) * size + np.maximum(tails, heads)[large]
    # A side is on an outline when no other facet of its flat has it.
    _, at, count = np.unique(key, return_inverse=True, return_counts=True)
    outline = np.flatnonzero(large)[count[at] == 1]
    following: dict[tuple[int, int], int] = {}
    crowded = set()
    for side in outline.tolist():
        start = (int(own[side]), int(tails[side]))
        if start in following:
            crowded.add(start)
        following[start] = int(heads[side])
    loops: dict[int, list[list[int]]] = {}
    while following:
        flat, first = next(iter(following))
        loop, here = [first], following.pop((flat, first))
        while here != first and (flat, here) in following:
            loop.append(here)
            here = following.pop((flat, here))
        if here == first and len(loop) > 2 and not any((flat, each) in crowded for each in loop):
            loops.setdefault(flat, []).append(loop)
    for flat, found in loops.items():
        extent = [float(np.ptp(flats.vertices[loop], axis=0).max()) for loop in found]
        for index in np.argsort(extent)[:-1]:
            yield flat, np.array(found[index])


def _on_axis(each: Round, middle: Floats, normal: Floats, long_mm: float) -> bool:
    """Whether a round hole or shaft stands in the middle of an opening."""
    axis = np.array(each.axis)
    if abs(float(axis @ normal)) < 0.99 or each.diameter_mm > 1.5 * long_mm:
        return False
    off = middle - each.middle_mm
    return bool(np.linalg.norm(off - (off @ axis) * axis) < 0.05 * long_mm)


def _opening(
    sight: _Sight,
    shape: shapely.Polygon,
    frame: Floats,
    normal: Floats,
    height: float,
    bar_mm: float,
    deep_mm: float,
    slot: float,
    faces: Ints,
) -> FingerHole | None:
    """An opening measured by lines through its mouth, or nothing where it is a boss or a shallow mark."""
    low, high = np.array(shape.bounds).reshape(2, 2)
    steps = [np.arange(a + _GRID_MM / 2, b, _GRID_MM) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 2)
    grid = grid[shapely.contains_xy(shape, grid[:, 0], grid[:, 1])]
    if not len(grid):
        return None
    mouth = grid @ frame + height * normal
    depth = sight.free(mouth + _OFF_MM * normal, -normal) - _OFF_MM
    before = sight.free(mouth + _OFF_MM * normal, normal)
    # What is deep enough, told apart from chamfers and steps at the mouth.
    deep = (depth >= deep_mm) & (before > 0)
    clear: shapely.Geometry | None = shape
    if deep.mean() < _WHOLE:
        found = shapely.intersection(_cells(grid[deep]), shape)
        clear = max(shapely.get_parts(found), key=_area, default=None)
    if clear is None or clear.area < _GRID_MM:
        return None
    sides_mm = _sides(clear)
    if sides_mm[1] > slot * sides_mm[0]:
        return None
    line = shapely.maximum_inscribed_circle(clear, tolerance=0.005)
    centre = shapely.get_coordinates(line)[0]
    width_mm = 2 * float(line.length)
    bar = _bar(centre @ frame + height * normal, -normal, min(bar_mm, width_mm))
    depth_mm = float(sight.free(bar + _OFF_MM * normal, -normal).min()) - _OFF_MM
    approach_mm = float(sight.free(bar + _OFF_MM * normal, normal).min())
    if depth_mm <= 0 or approach_mm <= 0:
        return None
    middle = shapely.get_coordinates(clear.centroid)[0] @ frame + height * normal
    return FingerHole(
        False, middle, -normal, width_mm, sides_mm[1], depth_mm, np.inf, approach_mm, bool(np.isinf(depth_mm)), faces
    )


def _cells(grid: Floats) -> shapely.Geometry:
    """What the cells round points of the grid cover; runs of cells as one strip each."""
    if not len(grid):
        return shapely.Polygon()
    step = np.round((grid - grid[0]) / _GRID_MM).astype(np.int64)
    order = np.lexsort(step.T[::-1])
    grid, step = grid[order], step[order]
    new = np.ones(len(grid), dtype=bool)
    new[1:] = (np.diff(step[:, 0]) != 0) | (np.diff(step[:, 1]) != 1)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(grid)) - 1
    # A little wider, so that strips beside one another join.
    strips = shapely.box(*(grid[first] - 0.501 * _GRID_MM).T, *(grid[last] + 0.501 * _GRID_MM).T)
    return shapely.union_all(strips)


def _sides(shape: shapely.Geometry) -> tuple[float, float]:
    """Sides of the smallest rectangle round a shape, the shorter first [mm]."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    short, long = sorted(np.linalg.norm(np.diff(box[:3], axis=0), axis=1).tolist())
    return short, long


def _area(part: shapely.Geometry) -> float:
    return float(part.area)


def _once(holes: list[FingerHole]) -> list[FingerHole]:
    """Holes by place; an opening that goes through once, and none that is the mouth of a round hole."""
    kept: list[FingerHole] = []
    for hole in sorted(holes, key=lambda each: (not each.round, -each.approach_mm, *np.round(each.mouth, 2))):
        for index, other in enumerate(kept):
            off = hole.mouth - other.mouth
            along = float(off @ other.inward)
            beside = float(np.linalg.norm(off - along * other.inward))
            if not hole.round and abs(float(hole.inward @ other.inward)) > 0.99 and beside < _SAME_MM:
                if float(hole.inward @ other.inward) < 0 < along and not other.round:
                    kept[index] = replace(other, sheet_mm=along)
                break
        else:
            kept.append(hole)
    return sorted(kept, key=lambda each: tuple(np.round(each.mouth, 2).tolist()))
