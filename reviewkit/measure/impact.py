"""How a launched part arrives: energy and speed, contact area and roundness of its leading end.

The leading end is measured as a target sees it: what lies behind a point that faces ahead counts as
filled, so that a hollow or bored projectile is as blunt as its outside.
"""

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from manifold3d import CrossSection, FillRule

from reviewkit.measure.layers import Ints
from reviewkit.model import Floats

# Facets that lean less ahead than this are side walls [-].
_FACING = 1e-6
# Just beside the plane that is wanted, which in a symmetrical mesh runs along edges [mm].
_ASIDE_MM = 1.3e-4
# A profile straighter than this is straight [mm].
_STRAIGHT_MM = 1e-4
# Widths of the search for a radius and the least departure of facets from their curve [mm].
_STEP_MM = 2e-3
_FINE_MM = 5e-3
# Facets stand inside their curve; a section may miss the place where they do most [-].
_SAG_ROOM = 1.5
# Planes around each outline of a leading place, how many such places are followed, and what share of the way
# through it a plane tells of: to the middle and a little beyond, where the other side's planes take over.
_TURNS = 16
_PLACES = 6
_HALF = 0.55
_ARC_SEGMENTS = 32


@dataclass(frozen=True, eq=False)
class Nose:
    """Leading end of a projectile, in the frame of its vertices.

    Parameters
    ----------
    ahead : (3,) float
        Unit direction of flight [-].
    tip_mm : (3,) float
        Middle of what is foremost [mm].
    depth_mm, area_mm2 : (k,) float
        Depths behind the foremost point, and the area within each, seen along the flight [mm, mm2].
    outlines : tuple of (n, 2) float
        Outline of each of these areas, closed rings parted by nan, 0 at the tip's middle [mm].
    sphere_mm : float
        Radius of the sphere fitted to the corners that face ahead; infinite where they lie in a plane [mm].
    least_mm : float
        Least radius that the leading surface has anywhere, never told as more than `most_mm` [mm].
    most_mm : float
        Greatest radius that was looked for [mm].
    least_at : (3,) float
        Where it is [mm].
    turn_deg : float
        How far the outline turns at that corner of the mesh [deg].
    within_mm : float
        How far facets were allowed to depart from a curve [mm].
    profile : (n, 2) float
        Outline of the section that shows it, closed rings, x across and y ahead, 0 at the foremost point [mm].
    bare : (n, 2) float
        What a disc of the gauge's radius inside the profile cannot reach, rings parted by nan, (0, 2) for none [mm].
    disc : (2,) float
        Middle of that disc where it comes nearest, nan where it does not go in [mm].
    faces : (m,) int
        Facets that lead [-].
    """

    ahead: Floats
    tip_mm: Floats
    depth_mm: Floats
    area_mm2: Floats
    outlines: tuple[Floats, ...]
    sphere_mm: float
    least_mm: float
    most_mm: float
    least_at: Floats
    turn_deg: float
    within_mm: float
    profile: Floats
    bare: Floats
    disc: Floats
    faces: Ints

    @property
    def radius_mm(self) -> float:
        """The smaller of both radii [mm]."""
        return min(self.sphere_mm, self.least_mm)


def spring_energy_j(force_n: float, drawn_mm: float, rest_mm: float = 0.0) -> float:
    """Energy that a linear spring gives up from where it is drawn to where it comes to rest.

    Parameters
    ----------
    force_n : float
        Where it is drawn to [N].
    drawn_mm, rest_mm : float
        From where it would pull no more [mm].

    Returns
    -------
    float
        F x / 2 for a rest at 0 [J].

    Notes
    -----
    k (x1^2 - x0^2) / 2 with k = F / x1.
    """
    return force_n / drawn_mm * (drawn_mm**2 - rest_mm**2) * 1e-3 / 2


def kinetic_energy_j(mass_g: float, speed_m_s: float) -> float:
    """Energy of a mass [g] at a speed [m/s], m v^2 / 2 [J]."""
    return mass_g * 1e-3 * speed_m_s**2 / 2


def speed_m_s(energy_j: float, mass_g: float) -> float:
    """Speed of a mass [g] that got all of an energy [J], [m/s]."""
    return float(np.sqrt(2 * energy_j / (mass_g * 1e-3)))


def energy_per_area_j_m2(energy_j: float, area_mm2: float) -> float:
    """Energy [J] over an area [mm2], [J/m2]."""
    return energy_j / (area_mm2 * 1e-6)


def greatest_range_m(speed: float, gravity_m_s2: float = 9.80665) -> float:
    """Range at 45 degrees over level ground without air at a speed [m/s], v^2 / g [m]."""
    return speed**2 / gravity_m_s2


def sizes_mm(vertices: Floats, ahead: Floats) -> tuple[float, float]:
    """Length along the flight, and the longest side of the box about the flight axis.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    ahead : (3,) float
        Unit direction of flight [-].

    Returns
    -------
    along_mm, longest_mm : float
        [mm]
    """
    placed = vertices @ _frame(ahead).T
    along = float(np.ptp(placed[:, 2]))
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.multipoints(placed[:, :2])))
    return along, float(max(along, *np.hypot(*np.diff(box, axis=0).T)))


def contact_area_mm2(vertices: Floats, faces: Ints, ahead: Floats, depth_mm: float) -> float:
    """Area of all that lies within a depth of the foremost point, seen along the flight.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    ahead : (3,) float
        Unit direction of flight [-].
    depth_mm : float
        [mm]

    Returns
    -------
    float
        [mm2]

    Notes
    -----
    A proxy for the mark that a coloured tip leaves on what it hits.  For a sphere
    pi (2 R depth - depth^2).
    """
    placed = vertices @ _frame(ahead).T
    placed[:, 2] -= placed[faces, 2].max()
    return float(_shadow(placed, faces[_facing(placed, faces)], depth_mm).area())


def nose(
    vertices: Floats, faces: Ints, ahead: Floats, *, depths_mm: Floats, zone_mm: float, gauge_mm: float,
    most_mm: float, within_mm: float,
) -> Nose:  # fmt: skip
    """Measure the leading end of a projectile.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    ahead : (3,) float
        Unit direction of flight [-].
    depths_mm : (k,) float
        Depths at which the contact area is wanted [mm].
    zone_mm : float
        What lies within this depth of the foremost point leads [mm].
    gauge_mm : float
        Radius of the gauge for the figure [mm].
    most_mm : float
        Greatest radius that is looked for [mm].
    within_mm : float
        Facets that depart from a curve by no more than this are taken for the curve [mm].

    Returns
    -------
    Nose

    Notes
    -----
    The least radius is that of the largest disc that, rolled inside a section along the flight,
    reaches every corner of the leading outline to within a tolerance: the departure of the mesh's own
    facets from their curve, between 0.005 mm and `within_mm`.  Sections stand square to the outline of
    each separate leading place, so that an edge is cut across and not aslant.  A rim of 90 degrees
    without a radius so reads 2.4 times the tolerance.  The sphere is fitted by least squares to the
    corners of facets that face ahead.
    """
    turn = _frame(ahead)
    placed = vertices @ turn.T
    top = float(placed[faces, 2].max())
    placed[:, 2] -= top
    facing = _facing(placed, faces)
    front = faces[facing]
    reach_mm = zone_mm + 2 * most_mm
    near = front[placed[front, 2].max(axis=1) > -reach_mm]
    shadows = [_shadow(placed, near, float(depth)) for depth in depths_mm]
    middle = np.array(_polygon(_shadow(placed, near, _FINE_MM)).centroid.coords[0])
    planes = [plane for depth in (zone_mm, zone_mm / 4) for plane in _planes(_shadow(placed, near, depth))]
    cuts = [cut for plane in planes if (cut := _profile(placed, near, plane, zone_mm, reach_mm)) is not None]
    if not cuts:
        raise ValueError("no facet of the mesh faces ahead")
    departure_mm = max(cut.sag_mm for cut in cuts)
    tolerance_mm = float(np.clip(_SAG_ROOM * departure_mm, min(_FINE_MM, within_mm), within_mm))
    worst, least = cuts[0], most_mm
    for cut in cuts:
        if not cut.reached(least, tolerance_mm):
            worst, least = cut, cut.radius(least, tolerance_mm)
    corner, turn_deg = worst.worst_corner(least)
    bare, disc = worst.gauged(gauge_mm, tolerance_mm, corner)
    plane = worst.plane
    # Drawn from the middle of the tip.
    aside = np.array([(plane.at - middle) @ plane.outward, 0.0])
    leading = facing[placed[front, 2].max(axis=1) >= -zone_mm]
    points = np.unique(faces[leading])
    return Nose(
        ahead=turn[2],
        tip_mm=np.array([*middle, top]) @ turn,
        depth_mm=np.asarray(depths_mm, dtype=float),
        area_mm2=np.array([float(shadow.area()) for shadow in shadows]),
        outlines=tuple(_rings(_polygon(shadow.translate(tuple(-middle)))) for shadow in shadows),
        sphere_mm=_sphere_radius(placed[points[placed[points, 2] >= -zone_mm]]),
        least_mm=least,
        most_mm=most_mm,
        least_at=np.array([*(plane.at + corner[0] * plane.outward), corner[1] + top]) @ turn,
        turn_deg=turn_deg,
        within_mm=tolerance_mm,
        profile=_rings(worst.shape) + aside,
        bare=_rings(bare) + aside,
        disc=disc + aside,
        faces=leading,
    )


def _frame(ahead: Floats) -> Floats:
    """Rows: two directions square to the flight, and the flight (3, 3) [-]."""
    along = np.asarray(ahead, dtype=float) / np.linalg.norm(ahead)
    first = np.eye(3)[int(np.argmin(np.abs(along)))]
    across = np.cross(first, along)
    across /= np.linalg.norm(across)
    return np.vstack([across, np.cross(along, across), along])


def _facing(placed: Floats, faces: Ints) -> Ints:
    """Facets that face ahead."""
    a, b, c = (placed[faces[:, corner]] for corner in range(3))
    normal = np.cross(b - a, c - a)
    return np.flatnonzero(normal[:, 2] > _FACING * np.linalg.norm(normal, axis=1))


def _shadow(placed: Floats, front: Ints, depth_mm: float) -> CrossSection:
    """What facets hide within a depth of the foremost point [mm]."""
    near = front[placed[front, 2].max(axis=1) > -depth_mm]
    corners, facets, _ = trimesh.intersections.slice_faces_plane(
        placed, near, plane_normal=np.array([0.0, 0.0, 1.0]), plane_origin=np.array([0.0, 0.0, -depth_mm])
    )
    return CrossSection(list(corners[facets][:, :, :2]), FillRule.Positive)


@dataclass(frozen=True, eq=False)
class _Plane:
    """A plane along the flight and square to the outline of a leading place.

    `at` is on that outline, `outward` square to it; from there inward to `inward_mm` it tells of the
    edge that it is square to.
    """

    at: Floats
    outward: Floats
    inward_mm: float


def _planes(shadow: CrossSection) -> list[_Plane]:
    """Planes through points spread over the outlines of separate leading places."""
    planes = []
    for place in sorted(shapely.get_parts(_polygon(shadow)), key=lambda piece: -float(piece.area))[:_PLACES]:
        far_mm = 2 * float(np.hypot(place.bounds[2] - place.bounds[0], place.bounds[3] - place.bounds[1]))
        for ring in shapely.get_rings(shapely.orient_polygons(place)):
            points = shapely.get_coordinates(ring)
            side = np.diff(points, axis=0)
            length = np.hypot(*side.T)
            # Middles of sides, where a square section meets what the side stands for.
            spread = (np.arange(_TURNS) + 0.5) / _TURNS * length.sum()
            for row in np.unique(np.searchsorted(np.cumsum(length), spread)):
                at, outward = points[row] + side[row] / 2, np.array([side[row, 1], -side[row, 0]]) / length[row]
                line = shapely.LineString([at - _STRAIGHT_MM * outward, at - far_mm * outward])
                chords = shapely.get_parts(line.intersection(place))
                nearest = int(np.argmin(shapely.distance(chords, shapely.Point(at)))) if len(chords) else -1
                if nearest >= 0:
                    planes.append(_Plane(at, outward, _HALF * float(chords[nearest].length)))
    return planes


@dataclass(frozen=True, eq=False)
class _Profile:
    """The leading outline in one plane along the flight, filled behind.

    `corners` are those of the outline that lead, `turns` how far it turns there [deg], `sag_mm` how far
    facets stand off the curve that they stand for [mm].
    """

    plane: _Plane
    shape: shapely.Geometry
    corners: Floats
    turns: Floats
    sag_mm: float

    def gaps(self, radius_mm: float) -> Floats:
        """How far a disc stays off each leading corner [mm]."""
        opened = self.shape.buffer(-radius_mm).buffer(radius_mm, quad_segs=_ARC_SEGMENTS)
        if opened.is_empty:
            return np.full(len(self.corners), np.inf)
        return np.asarray(shapely.distance(shapely.points(self.corners), opened), dtype=float)

    def reached(self, radius_mm: float, within_mm: float) -> bool:
        """Whether a disc reaches every leading corner to within a tolerance [mm]."""
        return bool(self.gaps(radius_mm).max() <= within_mm)

    def radius(self, most_mm: float, within_mm: float) -> float:
        """Radius of the largest disc that does, below a most that does not [mm]."""
        low, high = 0.0, most_mm
        while high - low > _STEP_MM:
            half = (low + high) / 2
            low, high = (half, high) if self.reached(half, within_mm) else (low, half)
        return low

    def worst_corner(self, radius_mm: float) -> tuple[Floats, float]:
        """The corner that a slightly larger disc misses most, and the turn there [deg]."""
        worst = int(np.argmax(np.round(self.gaps(1.2 * radius_mm + _FINE_MM), 6)))
        return self.corners[worst], float(self.turns[worst])

    def gauged(self, radius_mm: float, within_mm: float, corner: Floats) -> tuple[shapely.Geometry, Floats]:
        """What a disc cannot reach near the front, and its middle where it comes nearest to a corner."""
        # Facets stand inside their curve: the disc gives way by as much.
        inner = self.shape.buffer(within_mm - radius_mm)
        low, _, high, _ = self.shape.bounds
        front = shapely.box(low, float(self.corners[:, 1].min()) - radius_mm, high, 1.0)
        if inner.is_empty:
            return self.shape.intersection(front), np.full(2, np.nan)
        covered = inner.buffer(radius_mm, quad_segs=_ARC_SEGMENTS)
        nearest = shapely.shortest_line(inner, shapely.Point(corner))
        return self.shape.difference(covered).intersection(front), shapely.get_coordinates(nearest)[0]


def _profile(placed: Floats, front: Ints, plane: _Plane, zone_mm: float, reach_mm: float) -> _Profile | None:
    """Section of what faces ahead, filled back to a depth [mm]; None where nothing leads."""
    from_at = placed[:, :2] - plane.at
    side = from_at @ np.array([-plane.outward[1], plane.outward[0]]) - _ASIDE_MM
    along = np.column_stack([from_at @ plane.outward, placed[:, 2]])
    cut = front[(side[front].min(axis=1) < 0) & (side[front].max(axis=1) > 0)]
    if not len(cut):
        return None
    # Each cut facet has one corner alone on its side; its two edges are crossed.
    above = side[cut] > 0
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    rows = np.arange(len(cut))
    lone = cut[rows, alone]
    ends = []
    for step in (1, 2):
        other = cut[rows, (alone + step) % 3]
        share = (side[lone] / (side[lone] - side[other]))[:, None]
        ends.append(along[lone] + share * (along[other] - along[lone]))
    one, two = ends
    left = np.where((one[:, 0] <= two[:, 0])[:, None], one, two)
    rightmost = np.where((one[:, 0] <= two[:, 0])[:, None], two, one)
    keep = (np.maximum(left[:, 1], rightmost[:, 1]) > -reach_mm) & (rightmost[:, 0] - left[:, 0] > 1e-7)
    left, rightmost = left[keep], rightmost[keep]
    if not len(left):
        return None
    foot_mm = -2 * reach_mm
    blocks = np.stack(
        [rightmost, left, np.column_stack([left[:, 0], np.full(len(left), foot_mm)]),
         np.column_stack([rightmost[:, 0], np.full(len(left), foot_mm)])], axis=1,
    )  # fmt: skip
    shape = _polygon(CrossSection(list(blocks), FillRule.Positive).simplify(_STRAIGHT_MM))
    corners, turns, sag = _corners(shape, plane.inward_mm, zone_mm)
    return _Profile(plane, shape, corners, turns, sag) if len(corners) else None


def _corners(shape: shapely.Geometry, inward_mm: float, zone_mm: float) -> tuple[Floats, Floats, float]:
    """Leading corners, the turn at each [deg], and how far facets stand off the curve they stand for [mm]."""
    corners, turns, sags = [np.empty((0, 2))], [np.empty(0)], [0.0]
    for ring in shapely.get_rings(shapely.orient_polygons(shapely.get_parts(shape))):
        points = shapely.get_coordinates(ring)[:-1]
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn = np.arctan2(cross, (before * after).sum(axis=1))
        leads = (points[:, 1] >= -zone_mm) & (turn > 0) & (points[:, 0] >= -inward_mm) & (points[:, 0] <= _FINE_MM)
        shorter = np.minimum(np.hypot(*before.T), np.hypot(*after.T))
        curved = leads & (turn < np.pi / 6)
        sags.append(float((shorter[curved] / 2 * np.tan(turn[curved] / 4)).max(initial=0.0)))
        corners.append(points[leads])
        turns.append(np.degrees(turn[leads]))
    return np.vstack(corners), np.concatenate(turns), max(sags)


def _sphere_radius(points: Floats) -> float:
    """Radius of the sphere through points by linear least squares [mm], infinite for points of one plane."""
    centred = points - points.mean(axis=0)
    spread = np.linalg.svd(centred, compute_uv=False)
    if len(points) < 4 or spread[2] < 1e-4 * spread[0]:
        return float("inf")
    unknown = np.column_stack([2 * centred, np.ones(len(points))])
    solved = np.linalg.lstsq(unknown, (centred**2).sum(axis=1), rcond=None)[0]
    return float(np.sqrt(solved[3] + (solved[:3] ** 2).sum()))


def _polygon(section: CrossSection) -> shapely.Geometry:
    """A section as polygons."""
    pieces = []
    for piece in section.decompose():
        contours = sorted(piece.to_polygons(), key=lambda ring: -abs(shapely.Polygon(ring).area))
        pieces.append(shapely.Polygon(contours[0], contours[1:]))
    return shapely.MultiPolygon(pieces)


def _rings(shape: shapely.Geometry) -> Floats:
    """Closed rings, rows of nan between them (n, 2) [mm]."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(shape)))
    if not len(rings):
        return np.empty((0, 2))
    between = np.full((1, 2), np.nan)
    return np.vstack([block for ring in rings for block in (shapely.get_coordinates(ring), between)][:-1])
