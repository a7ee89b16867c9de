"""Plate fit: whether a footprint fits the plate at some in-plane angle, exactly.

Between two angles at which an edge of the convex hull lies along a plate axis, both widths of
the footprint are arcs of sinusoids, hence concave.  So the best scale and the best margin are
at the ends of such an interval or where the two axes bind alike, and each of these angles has a
closed form: nothing is swept.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from reviewkit.errors import SetupError
from reviewkit.model import Floats

# Differences below this share of a length are arithmetic, not geometry.
_SLACK = 1e-9

# Rectangles around a footprint count as equally tight within this share of their area: an
# L-shaped part's hull has one on its legs and one on its long edge.
_AS_TIGHT = 0.02


@dataclass(frozen=True, eq=False)
class Placement:
    """A footprint at one in-plane angle, its box in the middle of the plate.

    Parameters
    ----------
    angle_deg : float
        Turn from the pose as given, counter-clockwise seen from above, in (-90, 90] [deg].
    size_mm : tuple of float
        Size of the turned footprint along the plate's axes [mm].
    plate_mm : tuple of float
        Size of the plate [mm].
    shift_mm : (2,) float
        From turned footprint to plate, whose corner is the origin [mm].
    scale : float
        Largest uniform scale that fits at this angle with the edge margin kept free [-].
    """

    angle_deg: float
    size_mm: tuple[float, float]
    plate_mm: tuple[float, float]
    shift_mm: Floats
    scale: float

    @property
    def margins_mm(self) -> tuple[float, float]:
        """Room left at each plate edge along x and along y; negative beyond the plate [mm]."""
        return (self.plate_mm[0] - self.size_mm[0]) / 2, (self.plate_mm[1] - self.size_mm[1]) / 2

    @property
    def margin_mm(self) -> float:
        """Least room left at any plate edge; negative beyond the plate [mm]."""
        return min(self.margins_mm)

    @property
    def axis(self) -> int:
        """The plate axis that binds, 0 for x and 1 for y [-]."""
        return int(np.argmin(self.margins_mm))

    def place(self, points_mm: Floats) -> Floats:
        """Points of the pose as given, (..., 2), set on the plate [mm]."""
        return points_mm @ _turn(np.radians(self.angle_deg)).T + self.shift_mm


@dataclass(frozen=True, eq=False)
class PlateFit:
    """How a footprint fits a plate.

    Parameters
    ----------
    hull_mm : (n, 2) float
        Convex hull of the footprint in the pose as given, counter-clockwise [mm].
    plate_mm : tuple of float
        Size of the plate [mm].
    edge_margin_mm : float
        Room wanted at every plate edge [mm].
    unturned : Placement
        Not turned.
    squared : Placement
        The footprint's tightest rectangle square to the plate, the roomiest way round.
    roomiest : Placement
        At the angle of the largest margin.
    largest : Placement
        At the angle of the largest scale with the edge margin kept free.
    ranges_deg : tuple of (float, float)
        Every angle at which it fits with the edge margin: ascending ranges within [0, 180), the
        one across 0 written with a negative start [deg].
    turn_deg : float
        Least turn out of square, tightest rectangle to plate, at which it fits with the edge
        margin; infinite when it does not [deg].
    """

    hull_mm: Floats
    plate_mm: tuple[float, float]
    edge_margin_mm: float
    unturned: Placement
    squared: Placement
    roomiest: Placement
    largest: Placement
    ranges_deg: tuple[tuple[float, float], ...]
    turn_deg: float

    @property
    def fits_unturned(self) -> bool:
        """Whether it lies within the plate not turned, edge margin or not."""
        return self.unturned.margin_mm >= -_SLACK * max(self.plate_mm)

    @property
    def fits(self) -> bool:
        """Whether it lies within the plate at some angle, edge margin or not."""
        return self.roomiest.margin_mm >= -_SLACK * max(self.plate_mm)


def plate_fit(outline_points: Floats, plate_mm: tuple[float, float], margin_mm: float) -> PlateFit:
    """Fit a footprint to a plate at every in-plane angle.

    Parameters
    ----------
    outline_points : (n, 2) float
        Points whose convex hull is the footprint's: any points of the part seen from above [mm].
    plate_mm : tuple of float
        Size of the plate along x and y [mm].
    margin_mm : float
        Room wanted at every plate edge, brim included [mm].

    Returns
    -------
    PlateFit

    Raises
    ------
    SetupError
        When the margin leaves nothing of the plate.
    ValueError
        When the points have no extent.

    References
    ----------
    W. B. Carver, American Mathematical Monthly 64 (1957), and J. E. Wetzel, Rectangles in
    Rectangles, Mathematics Magazine 73(3), 2000 (both from memory): the closed condition for
    rectangles, which this search reproduces for any footprint.
    """
    if not 0 <= 2 * margin_mm < min(plate_mm):
        raise SetupError(
            f"an edge margin of {margin_mm:g} mm leaves nothing of a {plate_mm[0]:g} x {plate_mm[1]:g} mm plate; "
            f"give 0 or more and less than {min(plate_mm) / 2:g} mm"
        )
    outline = _Outline(hull_2d(outline_points))
    usable_mm = (plate_mm[0] - 2 * margin_mm, plate_mm[1] - 2 * margin_mm)

    def placed(angle: float) -> Placement:
        size_mm = outline.size_at(angle)
        angle_deg = _signed_deg(angle)
        turned = outline.hull_mm @ _turn(np.radians(angle_deg)).T
        shift_mm = np.array(plate_mm) / 2 - (turned.min(axis=0) + turned.max(axis=0)) / 2
        scale = float(_scale(np.array(size_mm[0]), np.array(size_mm[1]), usable_mm))
        return Placement(angle_deg, size_mm, plate_mm, shift_mm, scale)

    fitting = outline.fitting(usable_mm)
    squares = outline.tightest_turns()
    return PlateFit(
        hull_mm=outline.hull_mm,
        plate_mm=plate_mm,
        edge_margin_mm=margin_mm,
        unturned=placed(0.0),
        squared=placed(outline.roomiest_turn(plate_mm, np.concatenate([squares, squares + np.pi / 2]) % np.pi)),
        roomiest=placed(outline.roomiest_turn(plate_mm, outline.level_turns(plate_mm))),
        largest=placed(outline.largest_turn(usable_mm)),
        ranges_deg=tuple((float(np.degrees(low)), float(np.degrees(high))) for low, high in fitting),
        turn_deg=float(np.degrees(min(_out_of_square(fitting, square) for square in squares))),
    )


def hull_2d(points_mm: Floats) -> Floats:
    """Corners of the convex hull of points in a plane, counter-clockwise.

    Parameters
    ----------
    points_mm : (n, 2) float
        Points, on one line too [mm].

    Returns
    -------
    (m, 2) float
        Corners; the two ends where all points are on one line [mm].

    Raises
    ------
    ValueError
        When the points have no extent.
    """
    points_mm = np.asarray(points_mm, dtype=float)
    if len(points_mm) == 0 or not np.isfinite(points_mm).all() or not np.ptp(points_mm, axis=0).max() > 0:
        raise ValueError("a footprint needs points with an extent; a single place has none")
    try:
        return np.ascontiguousarray(points_mm[ConvexHull(points_mm).vertices])
    except QhullError:
        along = points_mm @ np.linalg.svd(points_mm - points_mm.mean(axis=0), full_matrices=False)[2][0]
        return np.ascontiguousarray(points_mm[[along.argmin(), along.argmax()]])


def tightest_turn_deg(points_mm: Floats) -> float:
    """Turn that lays the longer side of the tightest rectangle around points along x.

    Parameters
    ----------
    points_mm : (n, 2) float
        Points in a plane [mm].

    Returns
    -------
    float
        Angle in (-90, 90], the smallest where several rectangles are as tight [deg].
    """
    outline = _Outline(hull_2d(points_mm))
    turn = float(min(outline.tightest_turns(), key=_turned))
    width_mm, depth_mm = outline.size_at(turn)
    return _signed_deg(turn if width_mm >= depth_mm * (1 - _SLACK) else turn + np.pi / 2)


def top_view_lines(vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """Edges that draw a part seen from above: where its upper side ends or bends to a wall.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].

    Returns
    -------
    (k, 2, 2) float
        Start and end of each line in x and y [mm].
    """
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    # A wall seen on edge is no upper side, whatever the last bit of its normal says.
    up = normals[:, 2] > 1e-3 * np.linalg.norm(normals, axis=1)
    ends = np.sort(np.vstack([faces[up][:, [0, 1]], faces[up][:, [1, 2]], faces[up][:, [2, 0]]]), axis=1)
    ids, seen = np.unique(ends[:, 0].astype(np.int64) * len(vertices) + ends[:, 1], return_counts=True)
    ids = ids[seen == 1]
    return np.asarray(vertices[np.column_stack([ids // len(vertices), ids % len(vertices)])][:, :, :2])


class _Outline:
    """A convex outline and its widths along x and y as it turns; angles in radians.

    Turned by t, the width along x is X0 cos t - X1 sin t with X the vector between the two
    corners that then touch its box, and the depth along y is Y0 sin t + Y1 cos t.
    """

    def __init__(self, hull_mm: Floats) -> None:
        self.hull_mm = hull_mm
        edges = np.roll(hull_mm, -1, axis=0) - hull_mm
        self._edge_angles = np.arctan2(edges[:, 1], edges[:, 0])

    @cached_property
    def bends(self) -> Floats:
        """Ascending turns from 0 to pi at which some edge lies along an axis; widths are smooth between."""
        flush = np.concatenate([-self._edge_angles, np.pi / 2 - self._edge_angles]) % np.pi
        return np.unique(np.concatenate([[0.0, np.pi / 2, np.pi], flush]))

    @cached_property
    def spans(self) -> tuple[Floats, Floats]:
        """For each interval between bends the vectors X and Y, (k, 2) each [mm]."""
        middle = (self.bends[1:] + self.bends[:-1]) / 2
        across = self._support(-middle) - self._support(np.pi - middle)
        along = self._support(np.pi / 2 - middle) - self._support(-np.pi / 2 - middle)
        return across, along

    def _support(self, direction: Floats) -> Floats:
        """Corner farthest in each direction: the one between the two edge normals around it."""
        normal_angles = (self._edge_angles - np.pi / 2) % (2 * np.pi)
        first = int(np.argmin(normal_angles))
        ascending = np.roll(normal_angles, -first)
        place = np.searchsorted(ascending, direction % (2 * np.pi))
        return np.asarray(self.hull_mm[(place + first) % len(self.hull_mm)])

    def sizes(self, turns: Floats) -> tuple[Floats, Floats]:
        """Width along x and depth along y at turns within [0, pi] [mm]."""
        place = np.clip(np.searchsorted(self.bends, turns, side="right") - 1, 0, len(self.bends) - 2)
        across, along = (span[place] for span in self.spans)
        cos, sin = np.cos(turns), np.sin(turns)
        return across[:, 0] * cos - across[:, 1] * sin, along[:, 0] * sin + along[:, 1] * cos

    def size_at(self, turn: float) -> tuple[float, float]:
        """Width along x and depth along y at one turn [mm]."""
        width_mm, depth_mm = self.sizes(np.array([turn % np.pi]))
        return float(width_mm[0]), float(depth_mm[0])

    def largest_turn(self, plate_mm: tuple[float, float]) -> float:
        """Turn of the largest uniform scale: at a bend, or where both axes bind."""
        across, along = self.spans
        a, b = plate_mm
        both = self._within(across[:, 0] / a - along[:, 1] / b, -across[:, 1] / a - along[:, 0] / b, 0.0)
        turns = np.concatenate([self.bends, both])
        return _least_turn(turns, _scale(*self.sizes(turns), plate_mm))

    def level_turns(self, plate_mm: tuple[float, float]) -> Floats:
        """Turns among which the largest margin is: all bends, and where both axes leave the same room."""
        across, along = self.spans
        both = self._within(across[:, 0] - along[:, 1], -across[:, 1] - along[:, 0], plate_mm[0] - plate_mm[1])
        return np.concatenate([self.bends, both])

    def roomiest_turn(self, plate_mm: tuple[float, float], turns: Floats) -> float:
        """Of the turns the one with the largest margin."""
        width_mm, depth_mm = self.sizes(turns)
        return _least_turn(turns, np.minimum(plate_mm[0] - width_mm, plate_mm[1] - depth_mm))

    def tightest_turns(self) -> Floats:
        """Turns within [0, pi / 2) that square a smallest rectangle around the outline."""
        turns = self.bends[self.bends < np.pi / 2]
        width_mm, depth_mm = self.sizes(turns)
        areas = width_mm * depth_mm
        return np.asarray(turns[areas <= areas.min() + _AS_TIGHT * abs(areas.min())])

    def fitting(self, plate_mm: tuple[float, float]) -> list[tuple[float, float]]:
        """Ranges of turns at which the outline fits."""
        across, along = self.spans
        a, b = plate_mm
        ends = np.unique(
            np.concatenate(
                [self.bends, self._within(across[:, 0], -across[:, 1], a), self._within(along[:, 1], along[:, 0], b)]
            )
        )
        inside = self._fit(ends, plate_mm)
        between = self._fit((ends[1:] + ends[:-1]) / 2, plate_mm)
        ranges: list[tuple[float, float]] = []
        for place, turn in enumerate(ends):
            if place and between[place - 1] and ranges:
                ranges[-1] = (ranges[-1][0], float(turn))
            elif inside[place] or (place < len(between) and between[place]):
                ranges.append((float(turn), float(turn)))
        if len(ranges) > 1 and ranges[0][0] == 0.0 and ranges[-1][1] == ends[-1]:
            ranges[0] = (ranges[-1][0] - np.pi, ranges[0][1])
            ranges.pop()
        return ranges

    def _fit(self, turns: Floats, plate_mm: tuple[float, float]) -> NDArray[np.bool_]:
        width_mm, depth_mm = self.sizes(turns)
        slack_mm = _SLACK * max(plate_mm)
        return (width_mm <= plate_mm[0] + slack_mm) & (depth_mm <= plate_mm[1] + slack_mm)

    def _within(self, cos_part: Floats, sin_part: Floats, value: float) -> Floats:
        """Turns inside each interval at which cos_part cos t + sin_part sin t is the value."""
        size = np.hypot(cos_part, sin_part)
        met = size > np.abs(value)
        middle = np.arctan2(sin_part[met], cos_part[met])
        half = np.arccos(value / size[met])
        low, high = self.bends[:-1][met], self.bends[1:][met]
        found = [(middle + sign * half) % (2 * np.pi) for sign in (1, -1)]
        return np.concatenate([turns[(turns > low) & (turns < high)] for turns in found])


def _turn(angle: float) -> Floats:
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin], [sin, cos]])


def _scale(width_mm: Floats, depth_mm: Floats, plate_mm: tuple[float, float]) -> Floats:
    """Largest uniform scale; a footprint that is a line has no width to divide by."""
    tiny_mm = _SLACK * max(plate_mm)
    return np.minimum(plate_mm[0] / np.maximum(width_mm, tiny_mm), plate_mm[1] / np.maximum(depth_mm, tiny_mm))


def _signed_deg(turn: float) -> float:
    """A turn in degrees within (-90, 90]: half a turn changes no width."""
    degrees = round(float(np.degrees(turn)), 10) % 180
    return degrees - 180 if degrees > 90 else degrees


def _turned(turn: float) -> tuple[float, float]:
    """How far from not turned, counter-clockwise before clockwise."""
    turn = turn % np.pi
    return round(min(turn, np.pi - turn), 9), turn


def _least_turn(turns: Floats, worth: Floats) -> float:
    """Of the turns worth most, the one nearest to not turned."""
    return float(min(turns[worth >= worth.max() - _SLACK * max(1.0, abs(worth.max()))], key=_turned)) % np.pi


def _out_of_square(ranges: list[tuple[float, float]], square: float) -> float:
    """Least distance of any range from the square turn or a quarter turn off it."""
    distances = [np.inf]
    for low, high in ranges:
        start, end = (low - square) % (np.pi / 2), (low - square) % (np.pi / 2) + (high - low)
        reached = end >= np.pi / 2 - 1e-9 or start <= 1e-9
        distances.append(0.0 if reached else min(start, np.pi / 2 - end))
    return min(distances)
