"""Copies on a plate: the best repeatable layout of an outline, checked, and a count that no layout exceeds.

A layout repeats one cell: rows of copies square to the plate, each row shifted against the one
below, copies turned by half or not.  How near two copies may come is exact: from the upper and
lower edge of the outline grown by half the gap, the distance at which one lies on the other is a
maximum over the corners of both.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import product

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from reviewkit.measure.layers import layers
from reviewkit.measure.plate import PlateFit, plate_fit
from reviewkit.model import Floats
from reviewkit.resources import resource

GRID = "grid"
BLOCKS = "blocks of two directions"
DISCS = "best known packing of discs"
DISC_ROWS = "hexagonal rows of discs"
ROWS = "shifted rows"
TURNED_ROWS = "rows with every second one turned by half"
PAIRS = "pairs turned by half"
PAIR_BLOCKS = "blocks of pairs turned by half"
LATTICE = "lattice at an angle"
SINGLE = "one copy"
# A tie goes to the layout that is easier to set up and to clear.
_SIMPLEST_FIRST = (SINGLE, GRID, ROWS, TURNED_ROWS, PAIRS, BLOCKS, PAIR_BLOCKS, DISC_ROWS, DISCS, LATTICE)

# Coordinates are told apart and compared to this [mm].
_SLACK_MM = 1e-6
# What the check of a layout allows for arithmetic [mm].
_TOLERANCE_MM = 1e-4
# Corners are rounded by tangents no farther apart than this; straight sides grow exactly.
_ARC_DEG = 22.5
# Shifts of a row and heights of the second of a pair that are tried.
_SHIFTS = 36
_HEIGHTS = 65
# Densest cells that are turned against the plate, and at how many angles.
_DENSEST = 4
_SPINS = 24
# Breakpoints of blocks along one side of the plate; there are the fourth power of layouts.
_BREAKS = 22
_FEW_CORNERS = 24
# Share of its area by which an outline may differ from its half-turn for that to gain nothing.
_ALIKE = 0.01
# Slopes that differ by less are one straight line [-]; where there is no outline its edge is so far off [mm].
_STRAIGHT = 1e-7
_FAR_MM = 1e9
# Least rise of a row, as a share of the height of the outline.
_LEAST_RISE = 0.05

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Layout:
    """Copies of one outline on a plate.

    Parameters
    ----------
    outline : shapely polygon or multi-polygon
        Outline in its own frame, holes filled [mm].
    plate_mm : tuple of float
        Size of the plate, whose corner is the origin [mm].
    margin_mm, gap_mm : float
        Room kept free at every edge, and between two copies [mm].
    places : (n, 3) float
        Where the middle of the outline's box lies on the plate, and the turn about it,
        counter-clockwise [mm, mm, deg].
    method : str
        How it was found, in words.
    """

    outline: shapely.Geometry
    plate_mm: tuple[float, float]
    margin_mm: float
    gap_mm: float
    places: Floats
    method: str

    @property
    def count(self) -> int:
        """Number of copies [-]."""
        return len(self.places)

    @property
    def use(self) -> float:
        """Share of the plate inside its margins that the copies cover [-]."""
        width_mm, depth_mm = usable_mm(self.plate_mm, self.margin_mm)
        return self.count * float(self.outline.area) / (width_mm * depth_mm)

    @cached_property
    def copies(self) -> list[shapely.Geometry]:
        """The outline of every copy on the plate [mm]."""
        middle = box_middle(self.outline)
        at_origin = affinity.translate(self.outline, *-middle)
        turned = {turn: affinity.rotate(at_origin, turn, origin=(0, 0)) for turn in np.unique(self.places[:, 2])}
        return [affinity.translate(turned[turn], x, y) for x, y, turn in self.places]

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with it: copies off the plate or too near one another; empty when it holds."""
        if not self.count:
            return ()
        low, high = self.margin_mm - _TOLERANCE_MM, np.array(self.plate_mm) - self.margin_mm + _TOLERANCE_MM
        bounds = shapely.bounds(self.copies)
        off = int(((bounds[:, :2] < low) | (bounds[:, 2:] > high)).any(axis=1).sum())
        near_mm = max(self.gap_mm - _TOLERANCE_MM, 0.0)
        first, second = shapely.STRtree(self.copies).query(self.copies, "dwithin", distance=near_mm)
        pairs = first < second
        if near_mm == 0:
            shared = shapely.intersection(
                [self.copies[i] for i in first[pairs]], [self.copies[i] for i in second[pairs]]
            )
            close = int((shapely.area(shared) > _TOLERANCE_MM).sum())
        else:
            close = int(pairs.sum())
        told = [f"{off} of {self.count} copies reach over the edge margin"] if off else []
        return (*told, *([f"{close} pairs of copies are nearer than {self.gap_mm:g} mm"] if close else []))


@dataclass(frozen=True, eq=False)
class Packing:
    """The best repeatable layout found and what bounds it.

    Parameters
    ----------
    layout : Layout
        Without faults.
    most : int
        No layout holds more copies [-].
    bound : str
        What that rests on, in words.
    tried : dict of str to int
        Most copies by each method that was tried [-].
    """

    layout: Layout
    most: int
    bound: str
    tried: dict[str, int]

    @property
    def count(self) -> int:
        """Copies that the layout holds: at least so many fit [-]."""
        return self.layout.count


def shadow(vertices: Floats, faces: Ints, first_layer_mm: float, layer_height_mm: float) -> shapely.Geometry:
    """Outline of a posed part seen from above, holes filled: no copy of itself fits in a hole of its own.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame, lowest at z = 0 [mm].
    faces : (m, 3) int
        Facets [-].
    first_layer_mm, layer_height_mm : float
        Layers whose union stands in where the mesh is not closed [mm].

    Returns
    -------
    shapely polygon or multi-polygon
        Empty for a mesh without extent.
    """
    mesh = manifold3d.Mesh64(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, np.uint64))
    solid = manifold3d.Manifold(mesh)
    if solid.status() == manifold3d.Error.NoError and not solid.is_empty():
        rings = [ring for ring in solid.project().to_polygons() if len(ring) > 2]
        flat = shapely.union_all([shapely.make_valid(shapely.Polygon(ring)) for ring in rings])
    else:
        cut = layers(vertices, faces, first_layer_mm, layer_height_mm)
        flat = shapely.union_all(cut.regions[cut.distinct])
    pieces = [piece for piece in shapely.get_parts(flat) if piece.geom_type == "Polygon" and piece.area > _SLACK_MM]
    return shapely.union_all([shapely.Polygon(piece.exterior) for piece in pieces])


def usable_mm(plate_mm: tuple[float, float], margin_mm: float) -> tuple[float, float]:
    """Size of the plate inside its margins [mm].

    Parameters
    ----------
    plate_mm : tuple of float
        Size of the plate [mm].
    margin_mm : float
        Room kept free at every edge [mm].
    """
    return plate_mm[0] - 2 * margin_mm, plate_mm[1] - 2 * margin_mm


def box_middle(outline: shapely.Geometry) -> Floats:
    """Middle of the box around an outline, (2,) float [mm]."""
    bounds = shapely.bounds(outline)
    return np.asarray((bounds[:2] + bounds[2:]) / 2)


def fewer_corners(outline: shapely.Geometry, by_mm: float) -> shapely.Geometry:
    """An outline without corners on straight lines; one of many corners is grown to have fewer.

    Parameters
    ----------
    outline : shapely polygon or multi-polygon
        Without holes [mm].
    by_mm : float
        How far it may be grown [mm].

    Returns
    -------
    shapely polygon or multi-polygon
        Covers the outline [mm].
    """
    plain = shapely.simplify(outline, _SLACK_MM)
    if by_mm <= 0 or shapely.get_num_coordinates(plain) <= _FEW_CORNERS:
        return plain
    around = shapely.simplify(shapely.buffer(plain, by_mm, join_style="mitre"), by_mm)
    around = shapely.union_all([shapely.Polygon(piece.exterior) for piece in shapely.get_parts(around)])
    return around if around.is_valid and around.covers(plain) else plain


def packed(
    outline: shapely.Geometry,
    plate_mm: tuple[float, float],
    margin_mm: float,
    gap_mm: float,
    simplify_mm: float = 0.0,
    turns: int = 12,
) -> Packing:
    """The repeatable layout of an outline that holds most copies of those tried.

    Parameters
    ----------
    outline : shapely polygon or multi-polygon
        Outline seen from above [mm].
    plate_mm : tuple of float
        Size of the plate along x and y [mm].
    margin_mm, gap_mm : float
        Room kept free at every plate edge, and between two copies [mm].
    simplify_mm : float
        How far an outline of many corners may be grown to have fewer; the copies told are checked
        with the outline as it is [mm].
    turns : int
        Even turns of the outline that are tried over half a turn [-].

    Returns
    -------
    Packing
        Its count is a lower bound; nothing is said of layouts that do not repeat.

    Raises
    ------
    SetupError
        When the margin leaves nothing of the plate.
    ValueError
        When the outline has no area.

    References
    ----------
    Blocks of two directions: Bischoff and Dowsland, Journal of the Operational Research Society
    33, 1982 (from memory).  Discs in a square: ``data/packings/discs.csv``.
    """
    if outline.is_empty or not outline.area > 0:
        raise ValueError("an outline needs an area to be laid out")
    fit = plate_fit(shapely.get_coordinates(outline), plate_mm, margin_mm)
    most, bound = most_copies(outline, plate_mm, margin_mm, gap_mm)
    search = _Search(outline, plate_mm, margin_mm, gap_mm, simplify_mm, turns, fit)
    tried: dict[str, int] = {}
    best = search.laid(np.empty((0, 3)), SINGLE)
    found = sorted(search.layouts(), key=lambda each: (-each.count, _SIMPLEST_FIRST.index(each.method)))
    for layout in found:
        if layout.count > best.count and not layout.faults:
            best = layout
        if layout.count <= best.count:
            tried[layout.method] = max(tried.get(layout.method, 0), layout.count)
    return Packing(_centred(best), most, bound, tried)


def most_copies(
    outline: shapely.Geometry, plate_mm: tuple[float, float], margin_mm: float, gap_mm: float
) -> tuple[int, str]:
    """How many copies no layout exceeds, whatever its kind.

    Parameters
    ----------
    outline : shapely polygon or multi-polygon
        Outline seen from above [mm].
    plate_mm : tuple of float
        Size of the plate along x and y [mm].
    margin_mm, gap_mm : float
        Room kept free at every plate edge, and between two copies [mm].

    Returns
    -------
    most : int
        Bound [-].
    words : str
        What it rests on.

    Notes
    -----
    Copies grown by half the gap do not overlap and lie in the usable plate grown alike, so their
    areas are bounded by its area.  The largest discs within the copies do not overlap either: their
    middles stand apart by a diameter and a gap, D, within a rectangle a by b, so there are at most
    ``2 a b / (sqrt(3) D^2) + (a + b) / D + 1`` of them.

    References
    ----------
    N. Oler, Acta Mathematica 105, 1961; H. Groemer, Mathematische Zeitschrift 73, 1960 (both from
    memory).
    """
    width_mm, depth_mm = usable_mm(plate_mm, margin_mm)
    gap_mm = gap_mm if gap_mm > _SLACK_MM else 0.0
    fit = plate_fit(shapely.get_coordinates(outline), plate_mm, margin_mm)
    if fit.roomiest.margin_mm < margin_mm - _SLACK_MM:
        return 0, "the outline does not fit inside the edge margins at any angle"
    room_mm2 = width_mm * depth_mm + (width_mm + depth_mm) * gap_mm + np.pi * gap_mm**2 / 4
    grown = shapely.buffer(outline, gap_mm / 2, quad_segs=16) if gap_mm else outline
    by_area = int(room_mm2 / grown.area + 1e-9)
    largest = max(shapely.get_parts(outline), key=lambda piece: piece.area)
    radius_mm = float(shapely.maximum_inscribed_circle(largest).length)
    apart_mm = 2 * radius_mm + gap_mm
    a, b = max(width_mm - 2 * radius_mm, 0.0) / apart_mm, max(depth_mm - 2 * radius_mm, 0.0) / apart_mm
    by_disc = int(2 * a * b / np.sqrt(3) + a + b + 1 + 1e-9)
    if by_disc < by_area:
        return by_disc, "the largest disc inside the outline, packed as densely as discs can be"
    return max(by_area, 1), "area of the plate over area of a copy, each with its share of the gaps"


@lru_cache(maxsize=1)
def disc_packings() -> dict[int, tuple[float, Floats]]:
    """Best known packings of discs in a square: points in the unit square that stand far apart.

    Returns
    -------
    dict of int to (float, (n, 2) float)
        Least distance of two points and the points, by their number [-].
    """
    points: dict[int, list[tuple[float, float]]] = {}
    with resource("data", "packings", "discs.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            points.setdefault(int(row["discs"]), []).append((float(row["x"]), float(row["y"])))
    packings = {}
    for count, rows in points.items():
        places = np.array(rows)
        first, second = np.triu_indices(count, 1)
        apart = float(np.hypot(*(places[first] - places[second]).T).min()) if count > 1 else np.inf
        packings[count] = (apart, places)
    return packings


# --- what the search is made of -----------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Cell:
    """What repeats: copies at offsets, half-turned or not, along two steps; the outline turned by an angle."""

    turn_deg: float
    steps: Floats
    offsets: Floats
    halves: Bools
    method: str

    @property
    def density(self) -> float:
        """Copies for the area of a cell."""
        return len(self.offsets) / abs(float(self.steps[0, 0] * self.steps[1, 1] - self.steps[0, 1] * self.steps[1, 0]))


class _Turned:
    """An outline with half the gap around it at one turn, and how near copies of it may come.

    The middle is that of the box around the bare outline as turned, about which half-turns go.
    """

    def __init__(self, grown: Floats, turn_deg: float, middle: Floats) -> None:
        cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        ends = grown @ np.array([[cos, sin], [-sin, cos]])
        low, high = ends.min(axis=(0, 1)), ends.max(axis=(0, 1))
        self.turn_deg = turn_deg
        self.size = high - low
        segments = ends - middle
        self._upright = _edges(segments)
        self._level = _edges(segments[..., ::-1])

    def above(self, x: Floats, lower: bool, upper: bool) -> Floats:
        """Least height of a copy at shifts x above another, each turned by half or not."""
        return _clearance(self._upright[int(lower)][0], self._upright[int(upper)][1], x)

    def beside(self, y: Floats, left: bool, right: bool) -> Floats:
        """Least distance of a copy at heights y to the right of another."""
        return _clearance(self._level[int(left)][0], self._level[int(right)][1], y)


@dataclass(frozen=True, eq=False)
class _Edge:
    """One side of an outline over x: straight between points, and the points that can touch first."""

    x: Floats
    y: Floats
    peaks: Bools

    @property
    def half_turned(self) -> "_Edge":
        """The other side of the half-turned outline."""
        return _Edge(-self.x[::-1], -self.y[::-1], self.peaks[::-1])


def _edges(segments: Floats) -> tuple[tuple[_Edge, _Edge], tuple[_Edge, _Edge]]:
    """Upper and lower edge over x, of an outline and of its half-turn."""
    order = np.argsort(segments[:, :, 0], axis=1)
    x = np.take_along_axis(segments[:, :, 0], order, axis=1)
    y = np.take_along_axis(segments[:, :, 1], order, axis=1)
    run = x[:, 1] - x[:, 0]
    x, y, run = x[run > _SLACK_MM], y[run > _SLACK_MM], run[run > _SLACK_MM]
    slope = (y[:, 1] - y[:, 0]) / run
    at = np.unique(x)
    at = at[np.concatenate([[True], np.diff(at) > 4 * _SLACK_MM])]
    middle = (at[1:] + at[:-1]) / 2
    heights = y[:, :1] + slope[:, None] * (middle - x[:, :1])
    covers = (x[:, :1] <= middle) & (middle <= x[:, 1:])
    ends = np.column_stack([at[:-1] + _SLACK_MM / 10, at[1:] - _SLACK_MM / 10]).ravel()

    def edge(sign: float) -> _Edge:
        """The side that is highest in one sense; between pieces there is none."""
        chosen = np.where(covers, sign * heights, -np.inf).argmax(axis=0)
        sides = np.column_stack([y[chosen, 0] + slope[chosen] * (side - x[chosen, 0]) for side in (at[:-1], at[1:])])
        values = np.where(np.repeat(covers.any(axis=0), 2), sides.ravel(), -sign * _FAR_MM)
        bends = np.diff(np.diff(values) / np.diff(ends)) * sign
        kept = np.concatenate([[True], np.abs(bends) > _STRAIGHT, [True]])
        peaks = np.concatenate([[True], bends < 0, [True]])
        return _Edge(ends[kept], values[kept], peaks[kept])

    top, bottom = edge(1.0), edge(-1.0)
    return (top, bottom), (bottom.half_turned, top.half_turned)


def _clearance(lower: _Edge, upper: _Edge, shift: Floats) -> Floats:
    """How high an outline must be lifted to lie on another, by its lower and the other's upper edge, at each shift.

    The greatest difference is attained at a corner that points at the other outline.
    """
    shift = np.asarray(shift, dtype=float)[..., None]
    at, from_ = lower.x[lower.peaks], upper.x[upper.peaks]
    by_lower = lower.y[lower.peaks] - np.interp(at - shift, upper.x, upper.y, np.inf, np.inf)
    by_upper = np.interp(from_ + shift, lower.x, lower.y, -np.inf, -np.inf) - upper.y[upper.peaks]
    return np.asarray(np.maximum(by_lower.max(axis=-1), by_upper.max(axis=-1)))


class _Search:
    """One outline on one plate and the layouts of it."""

    def __init__(
        self,
        outline: shapely.Geometry,
        plate_mm: tuple[float, float],
        margin_mm: float,
        gap_mm: float,
        simplify_mm: float,
        even_turns: int,
        fit: PlateFit,
    ) -> None:
        self.outline, self.plate_mm, self.margin_mm, self.gap_mm = outline, plate_mm, margin_mm, gap_mm
        self.usable = np.array(usable_mm(plate_mm, margin_mm))
        self.fit, self.even_turns = fit, even_turns
        self.middle = box_middle(outline)
        self.centred = affinity.translate(outline, *-self.middle)
        self.few = fewer_corners(self.centred, simplify_mm)
        self.grown = _segments(_grown(self.few, gap_mm / 2))

    def laid(self, places: Floats, method: str) -> Layout:
        """Places as a layout."""
        return Layout(self.outline, self.plate_mm, self.margin_mm, self.gap_mm, places, method)

    def layouts(self) -> Iterator[Layout]:
        """The best of each kind."""
        if self.fit.roomiest.margin_mm < self.margin_mm - _SLACK_MM:
            return
        placed = self.fit.roomiest.place(self.middle)
        yield self.laid(np.array([[*placed, self.fit.roomiest.angle_deg]]), SINGLE)
        yield from self.boxes()
        if not self.is_alike:
            yield from self.pair_boxes()
        yield from self.discs()
        dense: list[tuple[int, _Cell]] = []
        best: dict[str, tuple[int, _Cell, Floats]] = {}
        for turn in self.turns():
            turned = _Turned(self.grown, turn, self.off_middle(turn))
            room = self.usable - self.size_at(turn)
            for cells in self.families(turned, room):
                index, count, base = _fullest(cells, np.maximum(room, 0.0), bool((room < -_SLACK_MM).any()))
                cell = cells.cell(index)
                if count > best.get(cell.method, (0,))[0]:
                    best[cell.method] = (count, cell, base)
                dense.append((len(dense), cells.cell(int(cells.densities.argmax()))))
        for _, cell, base in best.values():
            yield self.filled(cell, 0.0, base)
        dense.sort(key=lambda each: (-each[1].density, each[0]))
        unlike = {round(cell.density * self.outline.area, 3): cell for _, cell in reversed(dense)}
        for share in sorted(unlike, reverse=True)[:_DENSEST]:
            yield from self.spun(unlike[share])

    # --- boxes and discs ---------------------------------------------------------------

    def boxes(self) -> Iterator[Layout]:
        """Grids of the box around the outline, and blocks of such grids, as it lies and as it is tightest."""
        for turn in dict.fromkeys((0.0, self.fit.squared.angle_deg)):
            size = self.size_at(turn) + self.gap_mm
            room = self.usable + self.gap_mm
            for quarter in (0.0, 90.0):
                across, along = size if quarter == 0 else size[::-1]
                centres = _grid(0.0, 0.0, room[0], room[1], across, along)
                yield self.boxed(centres, np.full(len(centres), turn + quarter), GRID)
            centres, quarters = _blocks(room, size)
            yield self.boxed(centres, turn + quarters, BLOCKS)

    def pair_boxes(self) -> Iterator[Layout]:
        """Blocks of the box around a copy and its half-turn, laid together where that box is least."""
        for turn in dict.fromkeys((0.0, self.fit.squared.angle_deg)):
            turned, size = _Turned(self.grown, turn, self.off_middle(turn)), self.size_at(turn)
            heights = np.linspace(-1.0, 1.0, _HEIGHTS) * size[1]
            right = turned.beside(heights, False, True)
            best = int((np.abs(size[0] + right) * (size[1] + np.abs(heights))).argmin())
            apart = np.array([right[best], heights[best]]) / 2
            box = size + 2 * np.abs(apart) + self.gap_mm
            centres, quarters = _blocks(self.usable + self.gap_mm, box)
            away = np.where(quarters[:, None] > 0, np.array([-apart[1], apart[0]]), apart)
            both = np.vstack([centres - away, centres + away])
            yield self.boxed(both, turn + np.concatenate([quarters, quarters + 180]), PAIR_BLOCKS)

    def boxed(self, centres: Floats, turns: Floats, method: str) -> Layout:
        """Boxes with half a gap around them, by their middles from the corner of the usable plate less half a gap."""
        start = self.margin_mm - self.gap_mm / 2
        places = centres + start - np.array([self.off_middle(turn) for turn in turns]).reshape(-1, 2)
        return self.laid(np.column_stack([places, turns]), method)

    def discs(self) -> Iterator[Layout]:
        """The least circle around the outline as a disc."""
        circle = shapely.minimum_bounding_circle(self.centred)
        middle = np.array([circle.centroid.x, circle.centroid.y])
        radius = float(np.hypot(*(shapely.get_coordinates(self.centred) - middle).T).max())
        room, apart = self.usable - 2 * radius, 2 * radius + self.gap_mm
        if (room < 0).any():
            return
        able = [n for n, (far, _) in disc_packings().items() if n == 1 or far * room.min() >= apart - _SLACK_MM]
        points = disc_packings()[max(able)][1] * room
        for centres, method in ((points, DISCS), (_disc_rows(room, apart), DISC_ROWS)):
            places = centres + self.margin_mm + radius - middle
            yield self.laid(np.column_stack([places, np.zeros(len(places))]), method)

    @cached_property
    def is_alike(self) -> bool:
        """Whether the outline's half-turn is the outline, all but a hundredth."""
        half = affinity.rotate(self.few, 180, origin=(0, 0))
        return bool(shapely.symmetric_difference(self.few, half).area < _ALIKE * self.few.area)

    # --- rows --------------------------------------------------------------------------

    def turns(self) -> list[float]:
        """Turns that are tried: even ones from the tightest rectangle, and the long sides level or upright."""
        squared = self.fit.squared.angle_deg
        turns = [0.0, squared, self.fit.roomiest.angle_deg, self.fit.largest.angle_deg]
        turns += [squared + step * 180 / self.even_turns for step in range(self.even_turns)]
        hull = shapely.get_coordinates(self.few.convex_hull)
        sides = np.diff(hull, axis=0)
        for side in sides[np.argsort(-np.hypot(*sides.T), kind="stable")[: max(1, self.even_turns // 4)]]:
            level = -float(np.degrees(np.arctan2(side[1], side[0])))
            turns += [level, level + 90]
        square = abs(self.usable[0] - self.usable[1]) < _SLACK_MM
        turns = turns if square else turns + [turn + 90 for turn in turns]
        return list(dict.fromkeys(round(turn % 180, 6) % 180 for turn in turns))

    def size_at(self, turn_deg: float) -> Floats:
        """Size of the box around the outline as turned."""
        return np.asarray(np.ptp(self._corners_at(turn_deg), axis=0))

    def off_middle(self, turn_deg: float) -> Floats:
        """From the middle of the outline's own box, turned, to the middle of the box as turned."""
        corners = self._corners_at(turn_deg)
        return np.asarray((corners.min(axis=0) + corners.max(axis=0)) / 2)

    def _corners_at(self, turn_deg: float) -> Floats:
        cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        return np.asarray(self._hull @ np.array([[cos, sin], [-sin, cos]]))

    @cached_property
    def _hull(self) -> Floats:
        return np.asarray(shapely.get_coordinates(self.few.convex_hull))

    def families(self, turned: _Turned, room: Floats) -> Iterator["_Cells"]:
        """Cells whose rows lie along x."""
        least = float(turned.beside(np.zeros(1), False, False)[0])
        pitches = [least]
        if room[0] > least:
            # Rows drawn apart to fill the width let the next row sink deeper.
            pitches += _drawn_apart(float(room[0]), least)
        for pitch in dict.fromkeys(max(pitch, least) for pitch in pitches):
            shifts = np.linspace(0.0, 1.0, _SHIFTS, endpoint=False) * pitch
            up = _row_height(turned, shifts, pitch, False, False)
            down = _row_height(turned, -shifts, pitch, False, False)
            level = float(up[0])
            yield _Cells(
                turned.turn_deg, pitch, np.column_stack([shifts, _apart_twice(turned, shifts, up, pitch)]),
                np.zeros((_SHIFTS, 1, 2)), (False,), ROWS,
            )  # fmt: skip
            for half, method in ((False, ROWS), (True, TURNED_ROWS))[: 1 if self.is_alike else 2]:
                rise = up if not half else _row_height(turned, shifts, pitch, False, True)
                fall = down if not half else _row_height(turned, -shifts, pitch, True, False)
                offsets = np.zeros((_SHIFTS, 2, 2))
                offsets[:, 1] = np.column_stack([shifts, rise])
                both = np.maximum(rise + fall, level)
                yield _Cells(
                    turned.turn_deg, pitch, np.column_stack([np.zeros(_SHIFTS), both]), offsets, (False, half), method
                )
        if not self.is_alike:
            yield from self.pairs(turned, least)

    def pairs(self, turned: _Turned, least: float) -> Iterator["_Cells"]:
        """Cells of a copy and its half-turn side by side."""
        heights = np.linspace(-0.95, 0.95, _HEIGHTS) * turned.size[1]
        there, back = turned.beside(heights, False, True), turned.beside(-heights, True, False)
        around = np.pad(there + back, 1, constant_values=np.inf)
        # Pairs of locally least width, level ones, and some between.
        ahead, behind = around[2:] - around[1:-1], around[:-2] - around[1:-1]
        least_wide = (np.minimum(ahead, behind) >= -_SLACK_MM) & (np.maximum(ahead, behind) > _SLACK_MM)
        place = np.arange(_HEIGHTS)
        chosen = np.flatnonzero(least_wide | (place == _HEIGHTS // 2) | (place % 8 == 4))
        for height, right, left in zip(heights[chosen], there[chosen], back[chosen], strict=True):
            pitch = max(float(right + left), least)
            if not right + left > 0:
                continue
            shifts = np.linspace(0.0, 1.0, _SHIFTS, endpoint=False) * pitch
            offsets = np.zeros((_SHIFTS, 2, 2))
            offsets[:, 1] = (right, height)
            rise = self.pair_rise(turned, shifts, pitch, offsets[0])
            steps = np.column_stack([shifts, rise])
            yield _Cells(turned.turn_deg, pitch, steps, offsets, (False, True), PAIRS)

    def pair_rise(self, turned: _Turned, shifts: Floats, pitch: float, offsets: Floats) -> Floats:
        """Rise from a row of pairs to the next, so that the second and third above keep clear too."""
        rise = np.full(len(shifts), _LEAST_RISE * turned.size[1])
        high = turned.size[1] + abs(float(offsets[1, 1]))
        for times in (1, 2, 3):
            low = times * rise < high
            for (i, lower), (j, upper) in product(enumerate((False, True)), repeat=2):
                if low.any():
                    away = offsets[j] - offsets[i]
                    over = _row_height(turned, times * shifts[low] + away[0], pitch, lower, upper) - away[1]
                    rise[low] = np.maximum(rise[low], over / times)
        return rise

    # --- cells on the plate ------------------------------------------------------------

    def filled(self, cell: _Cell, spin_deg: float, base: Floats | None = None) -> Layout:
        """A cell repeated over the plate, spun against it; the base is a place of the lower left corner."""
        cos, sin = np.cos(np.radians(spin_deg)), np.sin(np.radians(spin_deg))
        spin = np.array([[cos, sin], [-sin, cos]])
        steps, offsets = cell.steps @ spin, cell.offsets @ spin
        turn = cell.turn_deg + spin_deg
        room = self.usable - self.size_at(turn)
        if (room < -_SLACK_MM).any():
            return self.laid(np.empty((0, 3)), cell.method)
        points, owner = _lattice(steps, offsets, room)
        start = base if base is not None else _best_corner(points, room, np.abs(steps).sum(axis=0))
        inside = ((points >= start - _SLACK_MM) & (points <= start + room + _SLACK_MM)).all(axis=1)
        halves = cell.halves[owner[inside]]
        turns = np.where(halves, turn + 180, turn) % 360
        off = self.off_middle(turn) * np.where(halves, -1, 1)[:, None]
        low = self.margin_mm + self.size_at(turn) / 2
        places = points[inside] - start + low - off
        return self.laid(np.column_stack([places, turns]), cell.method)

    def spun(self, cell: _Cell) -> Iterator[Layout]:
        """A dense cell at several angles to the plate."""
        spins = [-cell.turn_deg, *(step * 180 / _SPINS for step in range(1, _SPINS))]
        for spin in spins:
            yield replace(self.filled(cell, spin), method=LATTICE)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Cells alike, one for each of several shifts: rows of one pitch along x, the second step, the offsets."""

    turn_deg: float
    pitch: float
    steps: Floats
    offsets: Floats
    halves: tuple[bool, ...]
    method: str

    @property
    def densities(self) -> Floats:
        """Copies for the area of each cell."""
        return np.asarray(len(self.halves) / (self.pitch * self.steps[:, 1]))

    def cell(self, index: int) -> _Cell:
        """One of them."""
        steps = np.array([[self.pitch, 0.0], self.steps[index]])
        return _Cell(self.turn_deg, steps, self.offsets[index], np.array(self.halves), self.method)


def _fullest(cells: _Cells, room: Floats, barred: bool) -> tuple[int, int, Floats]:
    """Which of some cells puts most copies into the room, how many, and from which lower left corner.

    The corner stands at x of one copy and at y of one: of the first few rows all pairs are tried.
    """
    if barred:
        return 0, 0, np.zeros(2)
    count = len(cells.steps)
    rows = np.arange(-2, int(room[1] / max(float(cells.steps[:, 1].min()), _SLACK_MM)) + 3)[None, :, None]
    x = cells.offsets[:, None, :, 0] + rows * cells.steps[:, None, None, 0]
    y = cells.offsets[:, None, :, 1] + rows * cells.steps[:, None, None, 1]
    best = np.zeros(count, dtype=np.int64)
    corner = np.zeros((count, 2))
    kinds = len(cells.halves)
    for own_x, own_y, row in product(range(kinds), range(kinds), range(2)):
        left = cells.offsets[:, own_x, 0] + row * cells.steps[:, 0]
        low = cells.offsets[:, own_y, 1]
        over = np.mod(x - left[:, None, None] + _SLACK_MM, cells.pitch)
        in_row = np.floor((room[0] + 2 * _SLACK_MM - over) / cells.pitch) + 1
        up = y - low[:, None, None]
        inside = (up >= -_SLACK_MM) & (up <= room[1] + _SLACK_MM)
        total = np.where(inside, np.maximum(in_row, 0), 0).sum(axis=(1, 2)).astype(np.int64)
        better = total > best
        best[better] = total[better]
        corner[better] = np.column_stack([left, low])[better]
    index = int(best.argmax())
    return index, int(best[index]), corner[index]


def _row_height(turned: _Turned, shifts: Floats, pitch: float, lower: bool, upper: bool) -> Floats:
    """Least height of a copy above a whole row of copies."""
    reach = int(np.ceil(turned.size[0] / pitch - _SLACK_MM))
    near = np.mod(shifts, pitch)[:, None] + np.arange(-reach, reach) * pitch
    # Where the row leaves room to fall through, the copy stops beside it.
    return np.asarray(np.maximum(turned.above(near, lower, upper).max(axis=1), 0.0))


def _drawn_apart(width: float, least: float) -> list[float]:
    """Pitches at which a row, or a row and the next one half a pitch on, fills the width."""
    pitches = [width / np.floor(width / least)]
    if width > 1.5 * least:
        pitches.append(width / (np.floor(width / least - 0.5) + 0.5))
    return pitches


def _apart_twice(turned: _Turned, shifts: Floats, rise: Floats, pitch: float) -> Floats:
    """Height of rows that are shifted on and on, so that the second and third above keep clear too."""
    rise = np.maximum(rise, _LEAST_RISE * turned.size[1])
    for times in (2, 3):
        low = times * rise < turned.size[1]
        if low.any():
            over = _row_height(turned, times * shifts[low], pitch, False, False)
            rise[low] = np.maximum(rise[low], over / times)
    return rise


def _lattice(steps: Floats, offsets: Floats, room: Floats) -> tuple[Floats, Ints]:
    """All points of a repeated cell in and around the room, and which of the cell's copies each is."""
    reach = room + 2 * np.abs(steps).sum(axis=0) + np.ptp(offsets, axis=0)
    corners = np.array(list(product((-reach[0], reach[0]), (-reach[1], reach[1]))))
    ends = np.abs(corners @ np.linalg.inv(steps)).max(axis=0)
    i, j = (np.arange(-int(end) - 1, int(end) + 2) for end in ends)
    grid = np.stack(np.meshgrid(i, j, indexing="ij"), axis=-1).reshape(-1, 2) @ steps
    points = (grid[:, None, :] + offsets).reshape(-1, 2)
    owner = np.tile(np.arange(len(offsets)), len(grid))
    around = (np.abs(points) <= reach).all(axis=1)
    return points[around], owner[around]


def _best_corner(points: Floats, room: Floats, cell: Floats) -> Floats:
    """Lower left corner, at x of one point and y of one, from which the room holds most points."""
    best, corner = -1, np.zeros(2)
    near = (points >= -_SLACK_MM).all(axis=1) & (points <= cell + _SLACK_MM).all(axis=1)
    for left in np.unique(np.round(points[near, 0], 6))[:48]:
        within = (points[:, 0] >= left - _SLACK_MM) & (points[:, 0] <= left + room[0] + _SLACK_MM)
        heights = np.sort(points[within, 1])
        counts = np.searchsorted(heights, heights + room[1] + 2 * _SLACK_MM, side="right") - np.arange(len(heights))
        counts = np.where((heights >= -_SLACK_MM) & (heights <= cell[1] + _SLACK_MM), counts, 0)
        if len(counts) and counts.max() > best:
            best, corner = int(counts.max()), np.array([left, heights[counts.argmax()]])
    return corner


def _grid(left: float, low: float, width: float, depth: float, across: float, along: float) -> Floats:
    """Middles of boxes side by side in a rectangle."""
    columns, rows = (max(int((side + _SLACK_MM) / step), 0) for side, step in ((width, across), (depth, along)))
    x, y = left + (np.arange(columns) + 0.5) * across, low + (np.arange(rows) + 0.5) * along
    return np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)


def _blocks(room: Floats, size: Floats) -> tuple[Floats, Floats]:
    """Middles of boxes in five blocks around a middle one, each block all one way, and the turn of each [deg]."""
    breaks = [_sums(side, size) for side in room]
    if any(len(each) > _BREAKS for each in breaks):
        return np.empty((0, 2)), np.empty(0)
    xs, ys = breaks
    x1, x2, y1, y2 = np.meshgrid(xs, xs, ys, ys, indexing="ij", sparse=True)
    width, depth = room
    # Left, low, right, high of each block, counter-clockwise from the lower left, then the middle.
    edges = (
        (0.0, 0.0, x1, y1), (x1, 0.0, width, y2), (x2, y2, width, depth), (0.0, y1, x2, depth), (x1, y2, x2, y1),
    )  # fmt: skip
    total = np.zeros(np.broadcast_shapes(x1.shape, x2.shape, y1.shape, y2.shape), dtype=np.int64)
    for left, low, right, high in edges:
        total = total + np.maximum(*(_in_box(right - left, high - low, *way) for way in (size, size[::-1])))
    total = np.where((x1 <= x2) & (y2 <= y1), total, 0)
    at = np.unravel_index(int(total.argmax()), total.shape)
    chosen = xs[at[0]], xs[at[1]], ys[at[2]], ys[at[3]]
    return _filled_blocks(room, size, *chosen)


def _filled_blocks(room: Floats, size: Floats, x1: float, x2: float, y1: float, y2: float) -> tuple[Floats, Floats]:
    width, depth = room
    centres, turns = [], []
    for left, low, right, high in (
        (0.0, 0.0, x1, y1), (x1, 0.0, width, y2), (x2, y2, width, depth), (0.0, y1, x2, depth), (x1, y2, x2, y1),
    ):  # fmt: skip
        ways = [_grid(left, low, right - left, high - low, *way) for way in (size, size[::-1])]
        quarter = int(len(ways[1]) > len(ways[0]))
        centres.append(ways[quarter])
        turns.append(np.full(len(ways[quarter]), 90.0 * quarter))
    return np.vstack(centres), np.concatenate(turns)


def _sums(side: float, size: Floats) -> Floats:
    """Lengths up to a side that boxes laid either way add up to."""
    i, j = (np.arange(int((side + _SLACK_MM) / each) + 1) * each for each in size)
    sums = np.round((i[:, None] + j).ravel(), 6)
    return np.unique(np.minimum(sums[sums <= side + _SLACK_MM], side))


def _in_box(width: Floats, depth: Floats, across: float, along: float) -> Ints:
    across_count, along_count = (
        np.floor((side + _SLACK_MM) / step) for side, step in ((width, across), (depth, along))
    )
    return np.asarray(np.maximum(across_count, 0) * np.maximum(along_count, 0), dtype=np.int64)


def _disc_rows(room: Floats, apart: float) -> Floats:
    """Middles of discs in rows, every second row shifted by half a pitch, along x or along y."""
    best = np.empty((0, 2))
    for flip in (False, True):
        width, depth = room[::-1] if flip else room
        pitches = [apart]
        if width > apart:
            pitches += _drawn_apart(width, apart)
        for pitch in (max(each, apart) for each in pitches):
            # The row after the next stands over the first.
            rise = max(np.sqrt(max(apart**2 - pitch**2 / 4, 0.0)), apart / 2)
            rows = np.arange(int((depth + _SLACK_MM) / rise) + 1)
            starts = (rows % 2) * pitch / 2
            points = [
                (start + column * pitch, row * rise)
                for row, start in zip(rows, starts, strict=True)
                for column in range(int((width + _SLACK_MM - start) / pitch) + 1 if width + _SLACK_MM >= start else 0)
            ]
            if len(points) > len(best):
                best = np.array(points)[:, ::-1] if flip else np.array(points)
    return best


# --- outlines -----------------------------------------------------------------------------


def _grown(outline: shapely.Geometry, by_mm: float) -> shapely.Geometry:
    """An outline with a border whose straight sides are exact and whose corners are rounded from outside."""
    if by_mm <= _SLACK_MM:
        return outline
    blocks = [outline]
    for ring in shapely.get_rings(shapely.orient_polygons(shapely.get_parts(outline))):
        corners = shapely.get_coordinates(ring)[:-1]
        sides = np.roll(corners, -1, axis=0) - corners
        out = np.column_stack([sides[:, 1], -sides[:, 0]]) / np.hypot(*sides.T)[:, None]
        ahead = np.roll(corners, -1, axis=0)
        quads = np.stack([corners, ahead, ahead + by_mm * out, corners + by_mm * out], axis=1)
        blocks.extend(shapely.polygons(quads))
        before = np.roll(out, 1, axis=0)
        bend = np.arctan2(before[:, 0] * out[:, 1] - before[:, 1] * out[:, 0], (before * out).sum(axis=1))
        for corner, normal, angle in zip(corners, before, bend, strict=True):
            if angle > 1e-9:
                blocks.append(shapely.Polygon(np.vstack([corner, _fan(corner, normal, float(angle), by_mm)])))
    grown = shapely.union_all(blocks, grid_size=0)
    return shapely.union_all([shapely.Polygon(piece.exterior) for piece in shapely.get_parts(grown)])


def _fan(corner: Floats, normal: Floats, angle: float, radius: float) -> Floats:
    """Points around a corner, from one side's normal to the next, between tangents of its circle."""
    parts = max(1, int(np.ceil(np.degrees(angle) / _ARC_DEG - 1e-9)))
    start = np.arctan2(normal[1], normal[0])
    between = start + (np.arange(parts) + 0.5) * angle / parts
    reach = np.concatenate([[radius], np.full(parts, radius / np.cos(angle / parts / 2)), [radius]])
    turns = np.concatenate([[start], between, [start + angle]])
    return np.asarray(corner + reach[:, None] * np.column_stack([np.cos(turns), np.sin(turns)]))


def _segments(outline: shapely.Geometry) -> Floats:
    """Sides of an outline, (n, 2, 2): start and end."""
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(outline))]
    return np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings])


def _centred(layout: Layout) -> Layout:
    """The layout with its box in the middle of the plate."""
    if not layout.count:
        return layout
    bounds = shapely.total_bounds(layout.copies)
    shift = np.array(layout.plate_mm) / 2 - (bounds[:2] + bounds[2:]) / 2
    return replace(layout, places=layout.places + np.append(shift, 0.0))
