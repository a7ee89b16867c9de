"""Stretches of a part that a hand could close around: girth and solidity along straight lines through it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.measure.grip import section_numbers
from reviewkit.measure.layers import sections
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

# Sections begin this far inside the ends of the part [mm].
_INSIDE_MM = 0.05
# Pieces away from the main one that make no difference, over the area of a section.
_STRAY = 0.05
# Points on a section's hull from which the room around it is looked at, and how far outside they start [mm].
_AROUND, _OFF_MM = 16, 0.05


@dataclass(frozen=True, eq=False)
class Stretch:
    """A stretch of even girth.

    Parameters
    ----------
    frame : (3, 3) float
        Rows: two directions across it and its own, right-handed [-].
    along_mm : tuple of (float, float)
        Where it begins and ends along its direction [mm].
    low_mm, high_mm : (2,) float
        Bounds of its sections across it [mm].
    diameter_mm : float
        Median, of the circle of the same girth [mm].
    solid : float
        Median share of the hull of a section that is matter [-].
    share : float
        Of the part's extent along the direction [-].
    room : float
        Share of its girth with `room_mm` of air before it [-].
    """

    frame: Floats
    along_mm: tuple[float, float]
    low_mm: Floats
    high_mm: Floats
    diameter_mm: float
    solid: float
    share: float
    room: float

    @property
    def length_mm(self) -> float:
        """How long it is [mm]."""
        return self.along_mm[1] - self.along_mm[0]

    @property
    def middle_mm(self) -> Floats:
        """Middle of the box round it, (3,) [mm]."""
        flat = (self.low_mm + self.high_mm) / 2
        return np.asarray(np.array([*flat, sum(self.along_mm) / 2]) @ self.frame)

    @property
    def half_mm(self) -> Floats:
        """Half the sides of the box round it, in the directions of its frame, (3,) [mm]."""
        return np.array([*(self.high_mm - self.low_mm) / 2, self.length_mm / 2])


def stretches(
    vertices: Floats, faces: NDArray[np.int64], rays: RayTree, directions: Sequence[Floats], *, step_mm: float,
    bridged_mm: float, diameters_mm: tuple[float, float], even: float, solid: float, length_mm: float, room_mm: float,
    facet_turn_deg: float,
) -> tuple[Stretch, ...]:  # fmt: skip
    """Stretches whose girth lies between two bounds, the longest of each direction.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    rays : RayTree
        Of that mesh.
    directions : sequence of (3,) float
        Unit directions that are tried [-].
    step_mm : float
        Distance of the sections [mm].
    bridged_mm : float
        Fingers bridge gaps narrower than this [mm].
    diameters_mm : tuple of (float, float)
        Bounds of the diameter by girth [mm].
    even : float
        Share of the median by which the diameter may differ [-].
    solid : float
        Least share of a section's hull that is matter [-].
    length_mm : float
        Shorter stretches are left out [mm].
    room_mm : float
        How far around it air is looked for [mm].
    facet_turn_deg : float
        Sides that turn by no more than this stand for a curve [deg].

    Returns
    -------
    tuple of Stretch
        Longest first.
    """
    found = []
    for direction in directions:
        frame = _frame(direction)
        turned = vertices @ frame.T
        low, high = float(turned[:, 2].min()), float(turned[:, 2].max())
        if high - low < length_mm:
            continue
        at = np.linspace(low + _INSIDE_MM, high - _INSIDE_MM, max(int((high - low) / step_mm), 2))
        hulls, solids = zip(*(_lump(region, bridged_mm) for region in sections(turned, faces, at).regions), strict=True)
        girths = [0.0 if hull.is_empty else section_numbers(hull, facet_turn_deg).diameter_mm for hull in hulls]
        run = _run(np.array(girths), np.array(solids), diameters_mm, even, solid)
        if run is None or at[run[1]] - at[run[0]] < length_mm:
            continue
        first, last = run
        bounds = np.array([hull.bounds for hull in hulls[first : last + 1]])
        found.append(
            Stretch(
                frame=frame,
                along_mm=(float(at[first]), float(at[last])),
                low_mm=bounds[:, :2].min(axis=0),
                high_mm=bounds[:, 2:].max(axis=0),
                diameter_mm=float(np.median(girths[first : last + 1])),
                solid=float(np.median(solids[first : last + 1])),
                share=float((at[last] - at[first]) / (high - low)),
                room=_room(rays, frame, at[first : last + 1], hulls[first : last + 1], room_mm),
            )
        )
    return tuple(sorted(found, key=lambda one: -one.length_mm))


def _lump(region: shapely.Geometry, bridged_mm: float) -> tuple[shapely.Geometry, float]:
    """Hull of a section that is one lump to a hand, and how solid it is; nothing where it is several."""
    if shapely.is_empty(region):
        return shapely.Polygon(), 0.0
    lumps = shapely.get_parts(shapely.buffer(region, bridged_mm / 2, quad_segs=2))
    matter = np.array([shapely.area(shapely.intersection(lump, region)) for lump in lumps])
    if matter.max() < (1 - _STRAY) * matter.sum():
        return shapely.Polygon(), 0.0
    own = shapely.intersection(lumps[int(matter.argmax())], region)
    hull = shapely.convex_hull(own)
    return hull, float(own.area / hull.area) if hull.area else 0.0


def _run(
    girths: Floats, solids: Floats, bounds: tuple[float, float], even: float, solid: float
) -> tuple[int, int] | None:
    """First and last section of the longest run of even girth."""
    good = (girths >= bounds[0]) & (girths <= bounds[1]) & (solids >= solid)
    best: tuple[int, int] | None = None
    start = 0
    for number in range(len(good) + 1):
        if number < len(good) and good[number]:
            continue
        if number > start:
            inner = girths[start:number]
            near = np.flatnonzero(np.abs(inner - np.median(inner)) <= even * np.median(inner))
            first, last = start + int(near[0]), start + int(near[-1])
            if best is None or last - first > best[1] - best[0]:
                best = first, last
        start = number + 1
    return best


def _room(rays: RayTree, frame: Floats, at: Floats, hulls: Sequence[shapely.Geometry], room_mm: float) -> float:
    """Share of the girth before which there is air."""
    origins, ways = [], []
    for height, hull in zip(at, hulls, strict=True):
        middle = shapely.get_coordinates(shapely.centroid(hull))[0]
        ring, shares = shapely.get_exterior_ring(hull), np.linspace(0, 1, _AROUND + 1)[:-1]
        points = shapely.get_coordinates(shapely.line_interpolate_point(ring, shares, normalized=True))
        out = points - middle
        out = out / np.linalg.norm(out, axis=1)[:, None]
        flat = np.column_stack([points + _OFF_MM * out, np.full(len(points), height)])
        origins.append(flat @ frame)
        ways.append(np.column_stack([out, np.zeros(len(out))]) @ frame)
    distance, _ = rays.first_hit(np.vstack(origins), np.vstack(ways))
    return float(np.mean(distance >= room_mm))


def _frame(direction: Floats) -> Floats:
    """A right-handed frame whose last row is a direction; its first lies level where that can be."""
    z = direction / np.linalg.norm(direction)
    x = np.cross([0.0, 0.0, 1.0], z)
    x = np.array([1.0, 0.0, 0.0]) if np.linalg.norm(x) < 1e-9 else x / np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])
