"""How long a nozzle takes along lines and outlines, with limited speed and acceleration.

Speed grows and falls at one acceleration; at a sharp corner it is the corner's speed, round a curve
no more than keeps the acceleration across it in bounds, and an outline starts and ends at rest.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from reviewkit.measure.layers import Geometries, Ints
from reviewkit.model import Floats

_LEAST_MM = 1e-9
_LEAST_TURN = 1e-12


@dataclass(frozen=True)
class Pace:
    """What bounds the speed along a path.

    Parameters
    ----------
    speed_mm_s : float
        Most speed [mm/s].
    acceleration_mm_s2 : float
        Along the path and across it [mm/s2].
    corner_deg : float
        A larger turn is a sharp corner [deg].
    corner_mm_s : float
        Speed at a sharp corner [mm/s].
    """

    speed_mm_s: float
    acceleration_mm_s2: float
    corner_deg: float
    corner_mm_s: float


def line_s(length_mm: Floats, pace: Pace) -> Floats:
    """Time along straight lines, each begun and ended at the speed of a sharp corner (n,) [s].

    Parameters
    ----------
    length_mm : (n,) float
        Length of each line [mm].
    pace : Pace

    Returns
    -------
    (n,) float
        [s]
    """
    end = min(pace.corner_mm_s, pace.speed_mm_s) ** 2
    ends = np.full(np.shape(length_mm), end)
    return _ramp_s(np.asarray(length_mm, dtype=float), ends, ends, pace)


def outlines_s(regions: Geometries, pace: Pace) -> tuple[Floats, Floats, Ints]:
    """Time round all outlines of regions, outer and inner.

    Parameters
    ----------
    regions : (n,) object
        Polygons, multi-polygons or nothing.
    pace : Pace

    Returns
    -------
    seconds : (n,) float
        Time round the outlines of each, the ways between them left out [s].
    length_mm : (n,) float
        Their length [mm].
    rings : (n,) int
        How many outlines each has [-].

    Notes
    -----
    Each outline starts and ends at rest at its slowest corner.  Highest speeds at the corners follow
    from ``u_i = min over j of (cap_j + 2 a |s_i - s_j|)`` with u the speed squared, s the place along
    the path and cap what corner j allows: one running minimum forwards and one backwards.  A corner
    that is not sharp is part of a curve of radius ``mean length beside it / turn``, on which
    ``v**2 <= a r``, so that a finer mesh of the same curve takes the same time.
    """
    pieces, owner = shapely.get_parts(regions, return_index=True)
    rings, piece = shapely.get_rings(pieces, return_index=True)
    corners = shapely.get_num_coordinates(rings) - 1
    there = corners >= 3
    rings, of, corners = rings[there], owner[piece[there]], corners[there]
    if not len(rings):
        return np.zeros(len(regions)), np.zeros(len(regions)), np.zeros(len(regions), dtype=np.int64)
    points = shapely.get_coordinates(rings)
    # Every ring as the corners without the last, which repeats the first.
    first = np.concatenate([[0], np.cumsum(corners + 1)[:-1]])
    ring = np.repeat(np.arange(len(rings)), corners)
    start = np.concatenate([[0], np.cumsum(corners)[:-1]])
    at = np.arange(len(ring)) - start[ring]
    points = points[first[ring] + at]
    onward = start[ring] + (at + 1) % corners[ring]
    step = points[onward] - points
    length = np.hypot(step[:, 0], step[:, 1])
    allowed = _allowed(step, length, start[ring] + (at - 1) % corners[ring], pace)

    # Each ring opened at its slowest corner, where it starts and ends at rest.
    slowest = np.lexsort((at, allowed, ring))[start]
    order = start[ring] + (at + (slowest - start)[ring]) % corners[ring]
    length, allowed = length[order], allowed[order]
    allowed[start] = 0.0
    ends = np.where(at == corners[ring] - 1, 0.0, np.roll(allowed, -1))
    reached, reached_at_end = _reached(length, allowed, ends, pace)
    seconds = _ramp_s(length, reached, reached_at_end, pace)
    seconds_of, length_of = (np.bincount(of[ring], column, len(regions)).astype(float) for column in (seconds, length))
    return seconds_of, length_of, np.bincount(of, minlength=len(regions))


def _allowed(step: Floats, length: Floats, before: Ints, pace: Pace) -> Floats:
    """Speed squared that each corner allows (n,) [mm2/s2]."""
    cross = step[before, 0] * step[:, 1] - step[before, 1] * step[:, 0]
    turn = np.abs(np.arctan2(cross, np.einsum("ij,ij->i", step[before], step)))
    radius = (length[before] + length) / 2 / np.maximum(turn, _LEAST_TURN)
    curve = np.minimum(pace.speed_mm_s**2, pace.acceleration_mm_s2 * radius)
    sharp = turn > np.radians(pace.corner_deg)
    corner: Floats = np.where(sharp, min(pace.corner_mm_s, pace.speed_mm_s) ** 2, curve)
    return corner


def _reached(length: Floats, starts: Floats, ends: Floats, pace: Pace) -> tuple[Floats, Floats]:
    """Speeds squared at both ends of every segment of paths that begin and end at rest (n,), (n,) [mm2/s2]."""
    climb = 2 * pace.acceleration_mm_s2 * np.concatenate([[0.0], np.cumsum(length)])
    forwards = np.minimum.accumulate(starts - climb[:-1]) + climb[:-1]
    backwards = np.minimum.accumulate((ends + climb[1:])[::-1])[::-1] - climb[1:]
    begin = np.minimum(forwards, np.minimum(starts, backwards + np.diff(climb)))
    end = np.minimum(backwards, np.minimum(ends, forwards + np.diff(climb)))
    return np.maximum(begin, 0.0), np.maximum(end, 0.0)


def _ramp_s(length: Floats, begin: Floats, end: Floats, pace: Pace) -> Floats:
    """Time of segments from one speed to another, squares given: up, along at most speed, and down (n,) [s]."""
    acceleration = pace.acceleration_mm_s2
    peak = np.minimum(pace.speed_mm_s**2, (begin + end) / 2 + acceleration * length)
    # Speeds that a segment is too short for differ by rounding alone.
    peak = np.maximum(peak, np.maximum(begin, end))
    top, low, high = np.sqrt(peak), np.sqrt(begin), np.sqrt(end)
    along = np.maximum(length - (2 * peak - begin - end) / (2 * acceleration), 0.0)
    seconds: Floats = (2 * top - low - high) / acceleration + along / np.maximum(top, _LEAST_MM)
    return seconds
