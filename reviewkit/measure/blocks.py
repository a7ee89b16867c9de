"""Boxes round blocks and flexures of a section plane, and how far a block goes before it meets another."""

from collections.abc import Callable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from reviewkit.measure.flexures import Flexure, SectionPlane
from reviewkit.measure.layers import sections
from reviewkit.model import Floats, Vector
from reviewkit.submission import Box

# A box takes in what lies on its faces [mm].
_SKIN_MM = 0.05
# Matter of others in a box, over its block's, that is let pass, and how often a side is moved in.
_FOREIGN, _CUTS = 0.01, 6
# Sections in which the ends of a block are sought: so far apart that no gap is missed, no more than so many; and how
# near the ends are found [mm].
_STEP_MM, _LEVELS, _LEVEL_MM = 0.15, 400, 0.02
# Less matter than this is a touch [mm2].
_TOUCH_MM2 = 1e-3
# Sections in which a guide is looked for.
_GUIDE_LEVELS = 8
# What stays beside a block: looked for in sections so far apart [mm], smaller pieces left out [mm2], and those of
# two sections are one piece when they share so much.
_REST_STEP_MM, _LEAST_REST_MM2, _ONE_PIECE = 0.25, 1.0, 0.5
# A box holds nothing of a block when it holds a smaller share.
_NOTHING = 1e-4
# An axis along z to within this, as a sine, keeps a box turned about z exact.
_UPRIGHT = 1e-3


def flexure_box(plane: SectionPlane, flexure: Flexure) -> Box:
    """The smallest box round a flexure in the part's frame, exact where one of its sides is along z.

    Parameters
    ----------
    plane : SectionPlane
        In which it bends.
    flexure : Flexure
    """
    around = shapely.minimum_rotated_rectangle(shapely.Polygon(flexure.outline_mm))
    corners = shapely.get_coordinates(shapely.get_exterior_ring(around))[:4]
    return _box(plane, corners, flexure.span_mm)


def block_box(
    plane: SectionPlane, number: int, vertices: Floats, faces: NDArray[np.int64], *, clear: bool = True
) -> Box:
    """A box round a block in the part's frame that holds as little of the other blocks as can be.

    Parameters
    ----------
    plane : SectionPlane
    number : int
        Of the block [-].
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].
    clear : bool
        Whether other blocks are kept out; else it holds all of the block.

    Notes
    -----
    Sides are moved in where the outline is hollow and others stand in it.  Its ends along the plane's normal
    are where matter that goes on from section to section ends.
    """
    low_x, low_y, high_x, high_y = _clear_bounds(plane, number) if clear else plane.blocks[number].outline.bounds
    rectangle = shapely.box(low_x - _SKIN_MM, low_y - _SKIN_MM, high_x + _SKIN_MM, high_y + _SKIN_MM)
    own = rectangle.difference(_others(plane, number)) if clear else rectangle
    start = plane.blocks[number].outline.intersection(rectangle)
    low, high = (_reaches(plane, start, own, vertices, faces, way) for way in (-1.0, 1.0))
    corners = shapely.get_coordinates(shapely.get_exterior_ring(rectangle))[:4]
    return _box(plane, corners, (low - _SKIN_MM, high + _SKIN_MM))


def mover_boxes(
    plane: SectionPlane, number: int, carried: Sequence[int], vertices: Floats, faces: NDArray[np.int64]
) -> tuple[Box, tuple[Box, ...]]:
    """A box round a block that moves, and boxes within it round matter that stays, in the part's frame.

    Parameters
    ----------
    plane : SectionPlane
    number : int
        Of the block [-].
    carried : sequence of int
        Blocks that have regions of their own [-].
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].

    Notes
    -----
    Where a box round what stays would hold much of the block, the block's own box is moved in instead, as for
    :func:`block_box`.
    """
    own = plane.blocks[number].outline
    rectangle = shapely.box(*own.bounds).buffer(_SKIN_MM, join_style="mitre")
    flexures = shapely.union_all([shapely.Polygon(flexure.outline_mm).buffer(_SKIN_MM) for flexure in plane.flexures])
    apart = shapely.union_all([flexures, *(plane.blocks[k].outline for k in carried)])
    start = own.intersection(rectangle)
    domain = rectangle.difference(_others(plane, number))
    low, high = (_reaches(plane, start, domain, vertices, faces, way) for way in (-1.0, 1.0))
    turned_vertices = vertices @ plane.axes.T
    steps = max(int((high - low) / _REST_STEP_MM), 2)
    levels = np.linspace(low, high, 2 * steps + 1)[1::2]
    half = float(levels[1] - levels[0]) / 2 if len(levels) > 1 else (high - low) / 2
    regions = sections(turned_vertices, faces, levels).regions
    middle = int(np.argmin(np.abs(levels - plane.height_mm)))
    mine: list[shapely.Geometry] = [shapely.Polygon()] * len(levels)
    for order in (range(middle, len(levels)), range(middle, -1, -1)):
        matter = start
        for k in order:
            pieces = shapely.get_parts(regions[k].intersection(domain).difference(flexures))
            matter = shapely.union_all([piece for piece in pieces if piece.intersection(matter).area > _TOUCH_MM2])
            mine[k] = matter
    rests: list[tuple[shapely.Geometry, float, float]] = []
    for k, region in enumerate(regions):
        others = region.intersection(rectangle).difference(shapely.union_all([apart, mine[k].buffer(_SKIN_MM)]))
        for piece in shapely.get_parts(others):
            if piece.area < _LEAST_REST_MM2:
                continue
            around = shapely.box(*piece.bounds)
            known = next((n for n, rest in enumerate(rests) if _same_rest(rest[0], around)), None)
            if known is None:
                rests.append((around, levels[k] - 2 * half, levels[k] + 2 * half))
            else:
                before = rests[known]
                joined = shapely.box(*shapely.union(before[0], around).bounds)
                rests[known] = joined, min(before[1], levels[k] - 2 * half), max(before[2], levels[k] + 2 * half)
    rests = _merged(rests, mine, levels)
    for around, bottom, top in rests:
        if _held_in(around, bottom, top, mine, levels) > _FOREIGN:
            return block_box(plane, number, vertices, faces), ()
    corners = shapely.get_coordinates(shapely.get_exterior_ring(rectangle))[:4]
    boxes = tuple(
        _box(plane, shapely.get_coordinates(shapely.get_exterior_ring(around))[:4], (bottom - _SKIN_MM, top))
        for around, bottom, top in rests
    )
    return _box(plane, corners, (low - _SKIN_MM, high + _SKIN_MM)), boxes


def _held_in(
    around: shapely.Geometry, bottom: float, top: float, mine: Sequence[shapely.Geometry], levels: Floats
) -> float:
    """Share of a block that a box holds."""
    inside = sum(
        area.intersection(around).area for area, level in zip(mine, levels, strict=True) if bottom < level < top
    )
    return float(inside / max(sum(area.area for area in mine), 1e-9))


def _merged(
    rests: list[tuple[shapely.Geometry, float, float]], mine: Sequence[shapely.Geometry], levels: Floats
) -> list[tuple[shapely.Geometry, float, float]]:
    """Boxes put together where the box round two of them holds nothing of the block."""
    kept: list[tuple[shapely.Geometry, float, float]] = []
    for rest in rests:
        for number, before in enumerate(kept):
            around = shapely.box(*shapely.union(before[0], rest[0]).bounds)
            bottom, top = min(before[1], rest[1]), max(before[2], rest[2])
            if _held_in(around, bottom, top, mine, levels) < _NOTHING:
                kept[number] = around, bottom, top
                break
        else:
            kept.append(rest)
    return kept


def _same_rest(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    """Whether two sections of what stays are of one piece."""
    return bool(one.intersection(other).area > _ONE_PIECE * max(one.area, other.area))


def free_way(
    plane: SectionPlane, number: int, others: Sequence[int],
    moved: Callable[[shapely.Geometry, float], shapely.Geometry], most: float, steps: int,
) -> float:  # fmt: skip
    """How far a block goes in its section before it meets another, `most` where it meets none.

    Parameters
    ----------
    plane : SectionPlane
    number : int
        Of the block [-].
    others : sequence of int
        Blocks that stand still [-].
    moved : callable
        Gives the outline at a place of its way [mm, deg].
    most : float
        How far it is looked [mm, deg].
    steps : int
        Into how many steps that is divided [-].
    """
    outline = plane.blocks[number].outline
    still = shapely.union_all([plane.blocks[k].outline for k in others])
    shapely.prepare(still)

    def meets(way: float) -> bool:
        return bool(moved(outline, way).intersection(still).area > _TOUCH_MM2)

    reached = 0.0
    for way in np.linspace(most / steps, most, steps):
        if meets(float(way)):
            low, high = reached, float(way)
            for _ in range(8):
                middle = (low + high) / 2
                low, high = (low, middle) if meets(middle) else (middle, high)
            return low
        reached = float(way)
    return most


def shifted(direction: tuple[float, float]) -> Callable[[shapely.Geometry, float], shapely.Geometry]:
    """Moves an outline along a unit direction of its plane [mm]."""
    return lambda outline, way: affinity.translate(outline, way * direction[0], way * direction[1])


def turned(centre_mm: tuple[float, float], sense: float) -> Callable[[shapely.Geometry, float], shapely.Geometry]:
    """Turns an outline about a point of its plane [deg], anticlockwise where `sense` is 1."""
    return lambda outline, way: affinity.rotate(outline, sense * way, origin=centre_mm)


def corridor(
    plane: SectionPlane, number: int, direction: tuple[float, float], ahead_mm: float, vertices: Floats,
    faces: NDArray[np.int64],
) -> float:  # fmt: skip
    """Least clear width of the void in front of a block, across the way it goes; infinite where nothing bounds it.

    Parameters
    ----------
    plane : SectionPlane
    number : int
        Of the block [-].
    direction : (float, float)
        Unit direction in the plane [-].
    ahead_mm : float
        Length of the way that is looked at [mm].

    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].

    Notes
    -----
    Looked at in four places along the way, in sections at several heights, of which the widest that is bounded on
    both sides counts: a trough is widest at its rim.
    """
    turned_vertices = vertices @ plane.axes.T
    low, high = float(turned_vertices[:, 2].min()), float(turned_vertices[:, 2].max())
    levels = np.linspace(low, high, _GUIDE_LEVELS + 2)[1:]
    levels[-1] -= _SKIN_MM
    cut = sections(turned_vertices, faces, levels).regions
    widths = [_clear_width(plane, number, direction, ahead_mm, region) for region in cut]
    bounded = [width for width in widths if np.isfinite(width)]
    return max(bounded, default=float("inf"))


def _clear_width(
    plane: SectionPlane, number: int, direction: tuple[float, float], ahead_mm: float, region: shapely.Geometry
) -> float:
    """Least clear width in one section."""
    along = np.array(direction)
    across = np.array([-along[1], along[0]])
    block = plane.blocks[number]
    points = shapely.get_coordinates(block.outline)
    front = float((points @ along).max())
    far = float(np.ptp(shapely.get_coordinates(plane.section), axis=0).max())
    widths = []
    for share in (0.4, 0.6, 0.8, 1.0):
        at = along * (front + share * ahead_mm) + across * float(block.centre_mm @ across)
        ways = []
        for side in (-1.0, 1.0):
            ray = shapely.LineString([at, at + side * far * across])
            hit = ray.intersection(region)
            ways.append(np.inf if hit.is_empty else float(shapely.distance(shapely.Point(at), hit)))
        widths.append(sum(ways))
    return float(min(widths))


def _others(plane: SectionPlane, number: int) -> shapely.Geometry:
    """Outlines of all blocks but one, and a little around them."""
    return shapely.union_all([block.outline.buffer(_SKIN_MM) for k, block in enumerate(plane.blocks) if k != number])


def _clear_bounds(plane: SectionPlane, number: int) -> tuple[float, float, float, float]:
    """Bounds of a block with sides moved in until hardly any other block is inside."""
    own = plane.blocks[number].outline
    others = shapely.union_all([block.outline for k, block in enumerate(plane.blocks) if k != number])
    bounds = own.bounds
    for _ in range(_CUTS):
        inside = others.intersection(shapely.box(*bounds))
        mine = own.intersection(shapely.box(*bounds)).area
        if inside.area <= _FOREIGN * mine:
            break
        low_x, low_y, high_x, high_y = inside.bounds
        tries = [
            (high_x, bounds[1], bounds[2], bounds[3]), (bounds[0], high_y, bounds[2], bounds[3]),
            (bounds[0], bounds[1], low_x, bounds[3]), (bounds[0], bounds[1], bounds[2], low_y),
        ]  # fmt: skip
        whole = [one for one in tries if one[2] > one[0] and one[3] > one[1]]
        if not whole:
            break
        bounds = max(whole, key=lambda one: own.intersection(shapely.box(*one)).area)
    low_x, low_y, high_x, high_y = (float(bound) for bound in bounds)
    return low_x, low_y, high_x, high_y


def _reaches(
    plane: SectionPlane, start: shapely.Geometry, rectangle: shapely.Geometry, vertices: Floats,
    faces: NDArray[np.int64], way: float,
) -> float:  # fmt: skip
    """Where the matter of a block ends along the normal of its plane, going one way from the section."""
    turned_vertices = vertices @ plane.axes.T
    heights = turned_vertices[:, 2]
    end = float(heights.max() if way > 0 else heights.min())
    count = min(max(int(abs(end - plane.height_mm) / _STEP_MM), 2), _LEVELS)
    levels = np.linspace(plane.height_mm, end, count + 1)[1:]
    levels[-1] -= way * min(_LEVEL_MM, abs(end - plane.height_mm) / 2)
    cut = sections(turned_vertices, faces, np.sort(levels))
    regions = list(cut.regions if way > 0 else cut.regions[::-1])

    def goes_on(region: shapely.Geometry, below: shapely.Geometry) -> shapely.Geometry:
        pieces = shapely.get_parts(shapely.intersection(region, rectangle))
        return shapely.union_all([piece for piece in pieces if piece.intersection(below).area > _TOUCH_MM2])

    reached, matter = plane.height_mm, start
    for level, region in zip(levels, regions, strict=True):
        above = goes_on(region, matter)
        if above.is_empty:
            low, high = reached, float(level)
            while abs(high - low) > _LEVEL_MM:
                middle = (low + high) / 2
                there = goes_on(sections(turned_vertices, faces, np.array([middle])).regions[0], matter)
                low, high = (low, middle) if there.is_empty else (middle, high)
            return low
        reached, matter = float(level), above
    return end


def _box(plane: SectionPlane, corners: Floats, span: tuple[float, float]) -> Box:
    """A box from four corners of a rectangle of the plane and its ends along the normal."""
    first, second = corners[1] - corners[0], corners[3] - corners[0]
    middle = plane.to_part(corners.mean(axis=0)[None], (span[0] + span[1]) / 2)[0]
    sides = np.array([np.linalg.norm(first), np.linalg.norm(second), span[1] - span[0]]) / 2
    flat = np.array([[*first / (2 * sides[0]), 0.0], [*second / (2 * sides[1]), 0.0], [0.0, 0.0, 1.0]])
    return oriented_box(middle, flat @ plane.axes_part, sides)


def oriented_box(middle_mm: Floats, axes: Floats, half_mm: Floats) -> Box:
    """The box of a submission that holds a box of any attitude, exact where one of its axes is along z.

    Parameters
    ----------
    middle_mm : (3,) float
        [mm]
    axes : (3, 3) float
        Rows: unit directions of its sides [-].
    half_mm : (3,) float
        Half its sides [mm].
    """
    upright = int(np.argmax(np.abs(axes[:, 2])))
    if np.hypot(*axes[upright, :2]) < _UPRIGHT:
        first = next(k for k in range(3) if k != upright)
        second = next(k for k in range(3) if k not in (upright, first))
        turn_deg = float(np.degrees(np.arctan2(axes[first, 1], axes[first, 0])))
        # A box is the same after a quarter turn with its sides swapped; nearest to none is easiest to read.
        quarters = round(turn_deg / 90.0)
        turn_deg -= 90.0 * quarters
        sides = half_mm[[first, second, upright]] if quarters % 2 == 0 else half_mm[[second, first, upright]]
        turn_deg = 0.0 if abs(turn_deg) < 1e-4 else round(turn_deg, 4)
        return Box(_vector(middle_mm - sides), _vector(middle_mm + sides), turn_deg)
    reach = np.abs(axes * half_mm[:, None]).sum(axis=0)
    return Box(_vector(middle_mm - reach), _vector(middle_mm + reach))


def _vector(values: Floats) -> Vector:
    """Rounded to a thousandth, so that a person can read it."""
    x, y, z = (round(float(value), 3) + 0.0 for value in values)
    return x, y, z
