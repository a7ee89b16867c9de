"""A handle by its sections: girth, size, shape and corners along a declared grip, and its straight length.

Fingers bridge hollows, so the girth is that of the convex hull of each section.  All is
measured in the part's own frame across the grip's axis and does not depend on the pose.

References
----------
The measures follow those of Kong and Lowe, Int. J. Ind. Ergon. 35 (2005) 495-507 (diameter) and
of NIOSH 2004-164, Easy Ergonomics (length, straight line through the handle's centre).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.signal import find_peaks
from scipy.spatial import ConvexHull, HalfspaceIntersection

from reviewkit.measure.layers import sections
from reviewkit.measure.sections import volume_corners
from reviewkit.model import Floats
from reviewkit.submission import Box, Region

Ints = NDArray[np.int64]

# Planes that find the grip's ends: one a mm, of a long grip no more than this; so many between two at its ends.
_FINE_MM, _MOST_PLANES, _ENDS_IN = 1.0, 400, 16
# An axis as near as this is the region's own, for a swell shifts the centres too and a girth is 0.2 % off at
# most; else it is turned towards the matter's until it moves less than the other.
_ON_AXIS_DEG, _TURNS, _STILL_DEG = 4.0, 6, 0.15
# Shorter than this many times its width a lump has no axis of its own; the volume's longest side is
# the grip's unless the matter is clearly longer along another.
_LONG, _PREFERRED = 1.5, np.array([0.8, 0.8, 1.0])
# Chords of one arc are of about one length and turn at their ends.
_ALIKE, _STRAIGHT_RAD, _ARC_POINTS, _SAG_MM = 2.2, 1e-4, 4, 5e-4
# How much of a thin section may be rolled, and how finely its widest circle is found.
_THIN, _FINE = 0.98, 0.002
_SQUARE_LOSS = 1 - np.pi / 4
# A corner as round as this share of the rolled radius is none.
_ROUND = 0.99
# Matter goes on beyond the region where it is met this far outside, looked for so many times a side and corner.
_BEYOND_MM, _SAMPLES = 0.05, 5
_AROUND = np.array([[np.cos(turn), np.sin(turn)] for turn in np.arange(16) * np.pi / 8])
_SLIVER_MM2, _SEAM_MM = 1e-4, 1e-6
# Corners of neighbouring slices belong to one edge when they lie no farther apart than this share of their distance.
_LEAN = 0.7


@dataclass(frozen=True, eq=False)
class Section:
    """Numbers of one section of a handle.

    Parameters
    ----------
    hull : (n, 2) float
        Convex hull, anticlockwise, not closed [mm].
    perimeter_mm : float
        Of the hull, chords of arcs taken as arcs [mm].
    area_mm2 : float
        Of the matter, its holes and narrow gaps filled, chords of arcs taken as arcs [mm2].
    hull_mm2 : float
        Area of the hull, likewise [mm2].
    facet_mm : float
        What the arcs added to the perimeter [mm].
    """

    hull: Floats
    perimeter_mm: float
    area_mm2: float
    hull_mm2: float
    facet_mm: float

    @property
    def diameter_mm(self) -> float:
        """Diameter of the circle of the same girth [mm]."""
        return self.perimeter_mm / np.pi

    @property
    def area_diameter_mm(self) -> float:
        """Diameter of the circle of the same area [mm]."""
        return float(2 * np.sqrt(self.area_mm2 / np.pi))

    @cached_property
    def sides_mm(self) -> tuple[float, float]:
        """Short and long side of the smallest rectangle round it [mm]."""
        return _rectangle(self.hull)

    @property
    def aspect(self) -> float:
        """Long over short side [-]."""
        return self.sides_mm[1] / self.sides_mm[0]

    @property
    def concavity(self) -> float:
        """Share of the hull that is hollow [-]."""
        return max(1 - self.area_mm2 / self.hull_mm2, 0.0)


@dataclass(frozen=True, eq=False)
class Corners:
    """Convex corners of one section.

    Parameters
    ----------
    at : (n, 2) float
        Tip of each [mm].
    radius_mm : (n,) float
        Radius of a square corner that loses as much when it is rolled off, at most `rolled_mm` [mm].
    loss_mm2 : (n,) float
        Area lost by each [mm2].
    rolled_mm : float
        Radius with which they were rolled off, less than asked for where the section is thinner [mm].
    """

    at: Floats
    radius_mm: Floats
    loss_mm2: Floats
    rolled_mm: float

    @property
    def least_mm(self) -> float:
        """Least radius, that of rolling where there is no corner [mm]."""
        return float(self.radius_mm.min(initial=self.rolled_mm))


@dataclass(frozen=True, eq=False)
class Edge:
    """One corner followed along the grip.

    Parameters
    ----------
    slices : (n,) int
        Slices in which it is met, rising [-].
    at : (n, 3) float
        Its place in each, in the part's frame [mm].
    radius_mm : (n,) float
        Its radius in each [mm].
    """

    slices: Ints
    at: Floats
    radius_mm: Floats


@dataclass(frozen=True, eq=False)
class Grip:
    """A handle measured along its axis.

    Parameters
    ----------
    frame : (3, 3) float
        Rows: two directions across the grip and its axis, in the part's frame [-].
    off_axis_deg : float
        Angle between the region's long axis and the grip's own [deg].
    fine_at_mm, fine_diameter_mm : (m,) float
        Diameter by girth about every mm; places count along the axis [mm].
    span_mm : (float, float)
        Where the matter in the region starts and ends [mm].
    run_mm : (float, float)
        Where the straight usable part starts and ends [mm].
    at_mm : (n,) float
        Places of the slices, counted from the middle of the usable part, off the ends of the matter [mm].
    outlines : tuple of Geometry
        Matter of each slice, holes filled [mm].
    sections : tuple of Section
        One a slice.
    corners : tuple of Corners
        One a slice.
    joined : (n,) float
        Share of the girth of each slice along which matter goes on beyond the region [-].
    others : int
        Separate loops in the region that were left out, such as a guard [-].
    open_mm, outline_mm : (m,) float
        Outline that is missing in the mesh, and all outline, of the fine planes [mm].
    """

    frame: Floats
    off_axis_deg: float
    fine_at_mm: Floats
    fine_diameter_mm: Floats
    span_mm: tuple[float, float]
    run_mm: tuple[float, float]
    at_mm: Floats
    outlines: tuple[shapely.Geometry, ...]
    sections: tuple[Section, ...]
    corners: tuple[Corners, ...]
    joined: Floats
    others: int
    open_mm: Floats
    outline_mm: Floats

    @cached_property
    def diameter_mm(self) -> float:
        """Median diameter by girth over the slices [mm]."""
        return float(np.median(self.slice_diameter_mm))

    @property
    def length_mm(self) -> float:
        """Straight usable length [mm]."""
        return self.run_mm[1] - self.run_mm[0]

    @cached_property
    def slice_diameter_mm(self) -> Floats:
        """Diameter by girth of each slice (n,) [mm]."""
        return np.array([section.diameter_mm for section in self.sections])

    @property
    def uncertainty_mm(self) -> float:
        """Half-width of the diameter: what arcs in place of facets added [mm]."""
        return float(np.median([section.facet_mm for section in self.sections])) / np.pi

    @property
    def aspect(self) -> float:
        """Median aspect of the slices [-]."""
        return float(np.median([section.aspect for section in self.sections]))

    @property
    def concavity(self) -> float:
        """Median concavity of the slices [-]."""
        return float(np.median([section.concavity for section in self.sections]))

    @property
    def taper(self) -> float:
        """Greatest less least diameter of the slices over their median [-]."""
        return float(np.ptp(self.slice_diameter_mm) / self.diameter_mm)

    @property
    def zones_mm(self) -> Floats:
        """Median diameter of the slices in each quarter of the length (4,) [mm]."""
        start, end = self.at_mm[0], self.at_mm[-1]
        quarter = np.minimum(4 * (self.at_mm - start) / max(end - start, 1e-9), 3.999).astype(int)
        found = [self.slice_diameter_mm[quarter == k] for k in range(4)]
        return np.array([np.median(values) if len(values) else self.diameter_mm for values in found])

    @property
    def least_radius_mm(self) -> Floats:
        """Least corner radius of each slice, the rolled radius where it has no corner (n,) [mm]."""
        return np.array([corners.least_mm for corners in self.corners])

    def grooves_mm(self, depth_mm: float) -> Floats:
        """Places of grooves round the handle, as for fingers (k,) [mm].

        Parameters
        ----------
        depth_mm : float
            Least depth of a groove: half of what the diameter falls between two crests [mm].
        """
        within = (self.fine_at_mm >= self.at_mm[0]) & (self.fine_at_mm <= self.at_mm[-1])
        dips, _ = find_peaks(-self.fine_diameter_mm[within], prominence=2 * depth_mm)
        found: Floats = self.fine_at_mm[within][dips]
        return found

    def in_part(self, flat: Floats, at_mm: Floats | float) -> Floats:
        """Points of slices (n, 2) at places along the axis in the part's frame, (n, 3) [mm]."""
        flat = np.atleast_2d(flat)
        points: Floats = np.column_stack([flat, np.broadcast_to(at_mm, len(flat))]) @ self.frame
        return points

    @cached_property
    def edges(self) -> tuple[Edge, ...]:
        """Corners followed from slice to slice."""
        open_ends: list[list[tuple[int, int]]] = []
        done: list[list[tuple[int, int]]] = []
        for number, corners in enumerate(self.corners):
            step_mm = self.at_mm[number] - self.at_mm[number - 1] if number else 0.0
            free = list(range(len(corners.at)))
            going = []
            for chain in open_ends:
                last = self.corners[chain[-1][0]].at[chain[-1][1]]
                apart = [float(np.hypot(*(corners.at[k] - last))) for k in free]
                if apart and min(apart) <= _LEAN * step_mm:
                    chain.append((number, free.pop(int(np.argmin(apart)))))
                    going.append(chain)
                else:
                    done.append(chain)
            open_ends = [*going, *([(number, k)] for k in free)]
        return tuple(self._edge(chain) for chain in (*done, *open_ends))

    def _edge(self, chain: Sequence[tuple[int, int]]) -> Edge:
        at = [self.in_part(self.corners[number].at[k], self.at_mm[number])[0] for number, k in chain]
        radii = [self.corners[number].radius_mm[k] for number, k in chain]
        return Edge(np.array([number for number, _ in chain]), np.array(at), np.array(radii))


def grip(
    vertices: Floats,
    faces: Ints,
    region: Region,
    *,
    slice_mm: float,
    ends_mm: float,
    straight: float,
    roll_mm: float,
    bridged_mm: float,
    facet_turn_deg: float,
) -> Grip | None:
    """Measure the matter of a part inside a grip region.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    region : Region
        Its volume's long axis is where the search for the grip's axis begins.
    slice_mm : float
        Distance of the slices [mm].
    ends_mm : float
        What is left off at each end of the matter, of a short grip a quarter [mm].
    straight : float
        Share of the median by which the diameter of the straight part may differ [-].
    roll_mm : float
        Radius up to which corners are told apart from round ones [mm].
    bridged_mm : float
        Loops nearer to the largest than this belong to the handle, and what is between is filled [mm].
    facet_turn_deg : float
        Facets that turn by no more than this stand for a curve [deg].

    Returns
    -------
    Grip or None
        None where the region holds no matter.

    Notes
    -----
    The axis is the region's own; where the line through the centres of the sections leans from it
    clearly, that line, found again across itself until it stands still.  A lump that is hardly
    longer than wide has no axis but the region's.
    """
    part = _Part(vertices, faces, region, bridged_mm)
    frame = declared = part.first_frame()
    for turn in range(_TURNS):
        cut = part.cut(frame, part.fine_planes(frame)).unbroken()
        leaning = _leaning(cut)
        if np.degrees(np.arctan(np.hypot(*leaning))) < (_STILL_DEG if turn else _ON_AXIS_DEG):
            break
        frame = _turned(frame, np.array([*leaning, 1.0]) @ frame)
    cut = part.cut(frame, part.fine_planes(frame)).unbroken()
    if not len(cut.at_mm):
        return None
    fine_mm = cut.girths_mm(facet_turn_deg) / np.pi
    span = (float(cut.at_mm[0]), float(cut.at_mm[-1]))
    off_mm = min(ends_mm, (span[1] - span[0]) / 4)
    inner = (cut.at_mm >= span[0] + off_mm) & (cut.at_mm <= span[1] - off_mm)
    median_mm = float(np.median(fine_mm[inner]))

    def alike(cut: _Cut) -> NDArray[np.bool_]:
        good: NDArray[np.bool_] = np.abs(cut.girths_mm(facet_turn_deg) / np.pi - median_mm) <= straight * median_mm
        return good

    run = _run(cut, alike(cut), lambda planes: alike(part.cut(frame, planes)))
    middle = (run[0] + run[1]) / 2
    low, high = (span[0] + off_mm - middle) / slice_mm, (span[1] - off_mm - middle) / slice_mm
    steps = np.arange(np.ceil(low), np.floor(high) + 1)
    slices = part.cut(frame, middle + slice_mm * (steps if len(steps) else np.zeros(1)))
    numbers = tuple(section_numbers(matter, facet_turn_deg) for matter in slices.matter)
    corners = tuple(slices.corners(k, numbers[k].hull, roll_mm, facet_turn_deg) for k in range(len(numbers)))
    return Grip(
        frame=frame,
        off_axis_deg=float(np.degrees(np.arccos(np.clip(frame[2] @ declared[2], 0.0, 1.0)))),
        fine_at_mm=cut.at_mm,
        fine_diameter_mm=fine_mm,
        span_mm=span,
        run_mm=run,
        at_mm=slices.at_mm,
        outlines=tuple(slices.matter),
        sections=numbers,
        corners=corners,
        joined=np.array([slices.joined(k, section.hull) for k, section in enumerate(numbers)]),
        others=max(cut.others),
        open_mm=cut.open_mm,
        outline_mm=cut.outline_mm,
    )


def section_numbers(matter: shapely.Geometry, facet_turn_deg: float) -> Section:
    """Numbers of one section.

    Parameters
    ----------
    matter : Geometry
        Of the section, without holes.
    facet_turn_deg : float
        Sides that turn by no more than this stand for a curve [deg].

    Returns
    -------
    Section
    """
    hull = _ring(shapely.convex_hull(matter))
    arcs = _with_arcs(hull, facet_turn_deg)
    solid = sum(_area(_with_arcs(_ring(piece), facet_turn_deg)) for piece in shapely.get_parts(matter))
    around = _length(arcs)
    return Section(hull, around, solid, _area(arcs), around - _length(hull))


def corner_radii(hull: Floats, roll_mm: float, facet_turn_deg: float) -> Corners:
    """Convex corners of a section and their radii.

    Parameters
    ----------
    hull : (n, 2) float
        Convex outline, anticlockwise, not closed [mm].
    roll_mm : float
        Radius with which corners are rolled off: one as round loses nothing [mm].
    facet_turn_deg : float
        Sides that turn by no more than this stand for a curve [deg].

    Returns
    -------
    Corners

    Notes
    -----
    Rolling off is a morphological opening with a disc of radius r, here exact.  A square corner of radius
    rho loses (1 - pi/4) (r^2 - rho^2); each corner is told by the radius of the square corner
    that loses as much, so that a blunt one counts as rounder and a sharp one never as less than 0.
    """
    ring = _with_arcs(hull, facet_turn_deg)
    side = np.roll(ring, -1, axis=0) - ring
    outward = np.column_stack([side[:, 1], -side[:, 0]]) / np.linalg.norm(side, axis=1)[:, None]
    widest = shapely.maximum_inscribed_circle(shapely.Polygon(ring), tolerance=_FINE * _area(ring) / _length(ring))
    rolled = min(roll_mm, _THIN * float(shapely.length(widest)))
    inner = (outward * ring).sum(axis=1) - rolled
    # The disc's centre reaches where all sides moved inwards leave room; sides that bound it are touched.
    room = HalfspaceIntersection(np.column_stack([outward, -inner]), shapely.get_coordinates(widest)[0])
    touched = np.unique(np.concatenate(room.dual_facets))
    behind = np.roll(touched, -1)
    turn = np.arccos(np.clip((outward[touched] * outward[behind]).sum(axis=1), -1.0, 1.0))
    # No corner loses more than the sharp one of its turn; most turns of a curve are told apart by that.
    least = (1 - _ROUND**2) * _SQUARE_LOSS
    worth = np.tan(np.minimum(turn, 3.0) / 2) - turn / 2 > least
    at, lost = [], []
    for one, other, angle in zip(touched[worth], behind[worth], turn[worth], strict=True):
        normals = outward[[one, other]]
        centre = np.linalg.solve(normals, inner[[one, other]])
        between = ring[np.arange(one + 1, other + 1 + len(ring) * (other < one)) % len(ring)]
        wedge = np.vstack([centre, centre + rolled * normals[0], between, centre + rolled * normals[1]])
        at.append(between[np.argmax(np.linalg.norm(between - centre, axis=1))])
        lost.append(_area(wedge) - rolled**2 * angle / 2)
    loss = np.array(lost)
    corner = loss > least * rolled**2
    radius = np.sqrt(np.maximum(rolled**2 - loss[corner] / _SQUARE_LOSS, 0.0))
    return Corners(np.reshape(at, (-1, 2))[corner], radius, loss[corner], rolled)


@dataclass(frozen=True, eq=False)
class _Cut:
    """Sections across an axis: the handle within the region, how many loops were left out, the part, the region."""

    at_mm: Floats
    matter: list[shapely.Geometry]
    others: list[int]
    part: list[shapely.Geometry]
    region: list[shapely.Geometry]
    open_mm: Floats
    outline_mm: Floats

    def unbroken(self) -> "_Cut":
        """The longest run of planes that meet matter."""
        start, stop = _longest(np.array([not shapely.is_empty(matter) for matter in self.matter], dtype=bool))
        chosen = slice(start, stop)
        return _Cut(
            self.at_mm[chosen],
            self.matter[chosen],
            self.others[chosen],
            self.part[chosen],
            self.region[chosen],
            self.open_mm[chosen],
            self.outline_mm[chosen],
        )

    def girths_mm(self, facet_turn_deg: float) -> Floats:
        """Girth of each section (n,), equal ones measured once [mm]."""
        known = {id(matter): _girth_mm(matter, facet_turn_deg) for matter in {id(m): m for m in self.matter}.values()}
        return np.array([known[id(matter)] for matter in self.matter])

    def corners(self, plane: int, hull: Floats, roll_mm: float, facet_turn_deg: float) -> Corners:
        """Corners of one section that are not made by the region's own sides."""
        found = corner_radii(hull, roll_mm, facet_turn_deg)
        real = ~self._goes_on(plane, found.at[:, None] + _BEYOND_MM * _AROUND).any(axis=1)
        return Corners(found.at[real], found.radius_mm[real], found.loss_mm2[real], found.rolled_mm)

    def joined(self, plane: int, hull: Floats) -> float:
        """Share of the girth along which matter goes on beyond the region [-]."""
        side = np.roll(hull, -1, axis=0) - hull
        length = np.linalg.norm(side, axis=1)
        outward = np.column_stack([side[:, 1], -side[:, 0]]) / length[:, None]
        along = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
        points = (hull + _BEYOND_MM * outward)[:, None] + side[:, None] * along[:, None]
        return float((self._goes_on(plane, points).mean(axis=1) * length).sum() / length.sum())

    def _goes_on(self, plane: int, points: Floats) -> NDArray[np.bool_]:
        """Which points (..., 2) lie in the part and not in the region."""
        x, y = points[..., 0], points[..., 1]
        beyond: NDArray[np.bool_] = shapely.contains_xy(self.part[plane], x, y)
        beyond &= ~shapely.contains_xy(self.region[plane], x, y)
        return beyond


class _Part:
    """The part and the volume of its grip, cut across any axis."""

    def __init__(self, vertices: Floats, faces: Ints, region: Region, bridged_mm: float) -> None:
        self.vertices, self.faces, self.volume, self.bridged_mm = vertices, faces, region.volume, bridged_mm
        if isinstance(self.volume, Box):
            ends = np.array(self.volume.min_mm), np.array(self.volume.max_mm)
            self.corners = volume_corners(*ends, self.volume.turn_deg)
        else:
            ends = np.array(self.volume.from_mm), np.array(self.volume.to_mm)
            self.corners = volume_corners(*ends, radius_mm=self.volume.radius_mm)
        hull = ConvexHull(self.corners)
        # Facets of a hull run either way; those that look inwards are turned about.
        a, b, c = self.corners[hull.simplices].transpose(1, 0, 2)
        inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
        self.sides = np.where(inward[:, None], hull.simplices[:, ::-1], hull.simplices).astype(np.int64)

    def first_frame(self) -> Floats:
        """Across and along the declared volume: its longest side, or that along which there is most matter."""
        if not isinstance(self.volume, Box):
            axis = np.subtract(self.volume.to_mm, self.volume.from_mm)
            return _turned(np.eye(3), axis / np.linalg.norm(axis))
        angle = np.radians(self.volume.turn_deg)
        own = np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
        longest = int(np.argmax(np.subtract(self.volume.max_mm, self.volume.min_mm)))
        frame = np.roll(own, 2 - longest, axis=0)
        cut = self.cut(frame, self.fine_planes(frame)).unbroken()
        if not len(cut.at_mm):
            return frame
        bounds = shapely.total_bounds(np.array(cut.matter))
        size = np.array([*(bounds[2:] - bounds[:2]), np.ptp(cut.at_mm)])
        return np.roll(frame, 2 - int(np.argmax(size * _PREFERRED)), axis=0)

    def fine_planes(self, frame: Floats) -> Floats:
        """Planes about a mm apart over the volume [mm]."""
        along = self.corners @ frame[2]
        low, high = float(along.min()), float(along.max())
        count = int(np.clip(np.ceil((high - low) / _FINE_MM), 1, _MOST_PLANES))
        return low + (np.arange(count) + 0.5) * (high - low) / count

    def cut(self, frame: Floats, planes: Floats) -> _Cut:
        """Sections at places along the third row of a frame [mm]."""
        part = sections(self.vertices @ frame.T, self.faces, planes)
        region = sections(self.corners @ frame.T, self.sides, planes)
        known: dict[tuple[int, int], tuple[shapely.Geometry, int]] = {}
        found = []
        for own, within in zip(part.same_as, region.same_as, strict=True):
            key = (int(own), int(within))
            if key not in known:
                known[key] = _handle(shapely.intersection(part.regions[own], region.regions[within]), self.bridged_mm)
            found.append(known[key])
        matter, others = [item[0] for item in found], [item[1] for item in found]
        return _Cut(planes, matter, others, list(part.regions), list(region.regions), part.open_mm, part.outline_mm)


def _leaning(cut: _Cut) -> Floats:
    """Slope of the line through the centres of the sections (2,), none for a lump [-]."""
    area = shapely.area(cut.matter)
    if not len(area) or np.ptp(cut.at_mm) < _LONG * np.sqrt(np.median(area)):
        return np.zeros(2)
    kept = slice(len(area) // 8, len(area) - len(area) // 8)
    centre = shapely.get_coordinates(shapely.centroid(cut.matter))[kept]
    along = cut.at_mm[kept] - np.average(cut.at_mm[kept], weights=area[kept])
    slope: Floats = (along * area[kept]) @ centre / (along**2 @ area[kept])
    return slope


def _turned(frame: Floats, axis: Floats) -> Floats:
    """A frame turned so that its third row is an axis [-]."""
    axis = axis / np.linalg.norm(axis)
    side = frame[np.argmin(np.abs(frame @ axis))]
    first = side - (side @ axis) * axis
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first), axis])


def _run(cut: _Cut, good: NDArray[np.bool_], alike: Callable[[Floats], NDArray[np.bool_]]) -> tuple[float, float]:
    """Start and end of the longest run of good planes, followed between the planes [mm]."""
    start, stop = _longest(good)
    step_mm = float(cut.at_mm[1] - cut.at_mm[0]) if len(cut.at_mm) > 1 else _FINE_MM
    within = (np.arange(_ENDS_IN) + 0.5) / _ENDS_IN * step_mm
    first, last = float(cut.at_mm[start]), float(cut.at_mm[stop - 1])
    before, behind = alike(first - within[::-1])[::-1], alike(last + within)
    # As far as an unbroken row of good planes goes.
    down, up = (float(np.argmin(np.append(row, False))) / _ENDS_IN * step_mm for row in (before, behind))
    return first - down, last + up


def _longest(good: NDArray[np.bool_]) -> tuple[int, int]:
    """First and behind the last of the longest run of what is good."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    if not len(edges):
        return 0, 0
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    return int(edges[2 * longest]), int(edges[2 * longest + 1])


def _handle(section: shapely.Geometry, bridged_mm: float) -> tuple[shapely.Geometry, int]:
    """The largest piece of a section with those near to it, holes and gaps filled; how many are left out."""
    pieces = shapely.get_parts(section)
    pieces = pieces[(shapely.get_dimensions(pieces) == 2) & (shapely.area(pieces) > _SLIVER_MM2)]
    if not len(pieces):
        return shapely.Polygon(), 0
    # Islands in a hole are filled over with it.
    pieces = shapely.get_parts(shapely.union_all(shapely.polygons(shapely.get_exterior_ring(pieces))))
    if len(pieces) == 1:
        return pieces[0], 0
    grown = shapely.buffer(pieces, bridged_mm / 2, join_style="mitre")
    lumps = shapely.get_parts(shapely.union_all(grown))
    owner = np.array([np.flatnonzero(shapely.intersects(lumps, piece))[0] for piece in pieces])
    main = owner[np.argmax(shapely.area(pieces))]
    own = pieces[owner == main]
    closed = shapely.buffer(lumps[main], -bridged_mm / 2, join_style="mitre")
    between = shapely.get_parts(shapely.difference(closed, shapely.union_all(own)))
    near = shapely.distance(between[:, None], own[None, :]) <= _BEYOND_MM
    bridges = between[(near.sum(axis=1) > 1) & (shapely.get_dimensions(between) == 2)]
    joined = shapely.union_all([*own, *shapely.buffer(bridges, _SEAM_MM, join_style="mitre")])
    solid = shapely.get_parts(joined)
    return shapely.union_all(shapely.polygons(shapely.get_exterior_ring(solid))), int((owner != main).sum())


def _girth_mm(matter: shapely.Geometry, facet_turn_deg: float) -> float:
    """Perimeter of the hull, chords of arcs taken as arcs, nothing where there is no matter [mm]."""
    if shapely.is_empty(matter):
        return 0.0
    return _length(_with_arcs(_ring(shapely.convex_hull(matter)), facet_turn_deg))


def _ring(polygon: shapely.Geometry) -> Floats:
    """Outer corners of a polygon, anticlockwise, not closed (n, 2) [mm]."""
    points: Floats = shapely.get_coordinates(shapely.get_exterior_ring(shapely.orient_polygons(polygon)))[:-1]
    return points


def _with_arcs(ring: Floats, turn_deg: float) -> Floats:
    """A ring in which chords of arcs have got points on their arc (n, 2) [mm].

    A chord is of an arc when it turns outwards at both ends by no more than `turn_deg` and is
    about as long as its neighbours; the arc turns by the mean of the two.
    """
    side = np.roll(ring, -1, axis=0) - ring
    length = np.linalg.norm(side, axis=1)
    ahead = np.roll(side, -1, axis=0)
    turn = np.arctan2(side[:, 0] * ahead[:, 1] - side[:, 1] * ahead[:, 0], (side * ahead).sum(axis=1))
    before = np.roll(turn, 1)
    alike = length <= _ALIKE * np.minimum(np.roll(length, 1), np.roll(length, -1))
    bends = (np.minimum(turn, before) > _STRAIGHT_RAD) & (np.maximum(turn, before) <= np.radians(turn_deg)) & alike
    # Flat arcs are left as they are.
    bends &= length * (turn + before) / 16 > _SAG_MM
    if not bends.any():
        return ring
    angle = np.where(bends, (turn + before) / 2, 0.0)
    radius = np.where(bends, length / (2 * np.sin(np.where(bends, angle, 1.0) / 2)), 0.0)
    part = np.arange(_ARC_POINTS + 1) / (_ARC_POINTS + 1)
    about = (part - 0.5) * angle[:, None]
    along = np.where(bends[:, None], 0.5 * length[:, None] + radius[:, None] * np.sin(about), 0.0)
    out = radius[:, None] * (np.cos(about) - np.cos(angle / 2)[:, None])
    ahead = side / length[:, None]
    outward = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    points = ring[:, None] + along[..., None] * ahead[:, None] + out[..., None] * outward[:, None]
    kept = np.concatenate([np.ones((len(ring), 1), dtype=bool), np.repeat(bends[:, None], _ARC_POINTS, axis=1)], axis=1)
    found: Floats = points[kept]
    return found


def _length(ring: Floats) -> float:
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())


def _area(ring: Floats) -> float:
    x, y = (ring - ring[0]).T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _rectangle(hull: Floats) -> tuple[float, float]:
    """Short and long side of the rectangle of least area round a convex ring [mm]."""
    side = np.roll(hull, -1, axis=0) - hull
    along = side / np.linalg.norm(side, axis=1)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    sides = np.column_stack([np.ptp(hull @ along.T, axis=0), np.ptp(hull @ across.T, axis=0)])
    short, long = np.sort(sides[np.argmin(sides.prod(axis=1))])
    return float(short), float(long)
