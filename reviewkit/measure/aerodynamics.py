"""Air forces on a slow body without spin: normal force, centre of pressure, drag, and where it comes to rest.

Slender-body theory gives what sections that grow do, viscous cross-flow what the side does at larger angles,
Barrowman's formulas what fins do.  The outline is that of the mesh, read by sections square to its flight axis.
Angles of attack run from 0, nose first, to 180 degrees, tail first; a moment that raises the nose is positive.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import shapely

from reviewkit.limits import Limits
from reviewkit.measure.layers import Geometries, Ints, layers
from reviewkit.model import Floats, Setup

# Sections along the flight axis, and steps of the angle between which balance is looked for.
_SECTIONS = 120
_ANGLES = 721
_HALVINGS = 50
# Diameters that differ by less are one, and the share of the length over which that one must run.
_SAME_DIAMETER = 0.02
_LEAST_RUN = 0.2
# Chords of a fin are read at these shares of its span.
_ROOT, _TIP = 0.1, 0.9
# Fins cover at least this share of the sections.
_LEAST_CHORD = 0.03


@dataclass(frozen=True, eq=False)
class Outline:
    """What air meets of a body, by sections along its flight axis, nose first; fins left out.

    Parameters
    ----------
    x_mm : (n,) float
        Middle of each section's slab, from the foremost point backwards [mm].
    step_mm : (n,) float
        Its thickness [mm].
    area_mm2 : (n,) float
        Area inside the outer outline, holes filled [mm2].
    width_mm : (n,) float
        Width seen from the side, the mean of two sides [mm].
    matter_mm2 : (n,) float
        Area of matter, without holes, with fins [mm2].
    """

    x_mm: Floats
    step_mm: Floats
    area_mm2: Floats
    width_mm: Floats
    matter_mm2: Floats

    @cached_property
    def length_mm(self) -> float:
        """From the foremost to the rearmost point [mm]."""
        return float(self.step_mm.sum())

    @cached_property
    def radius_mm(self) -> Floats:
        """Radius of the circle of each section's area (n,) [mm]."""
        radius: Floats = np.sqrt(self.area_mm2 / np.pi)
        return radius

    @cached_property
    def calibre_mm(self) -> float:
        """The diameter over which most of the length runs, the greatest where none does [mm]."""
        width = 2 * self.radius_mm
        alike = np.abs(width[:, None] / np.maximum(width[None, :], 1e-9) - 1) < _SAME_DIAMETER
        run_mm = alike @ self.step_mm
        longest = int(np.argmax(run_mm))
        if run_mm[longest] < _LEAST_RUN * self.length_mm:
            return float(width.max())
        return float(np.median(width[alike[longest]]))

    @cached_property
    def volume_mm3(self) -> float:
        """Inside the outer outline [mm3]."""
        return float(self.area_mm2 @ self.step_mm)

    @cached_property
    def side_mm2(self) -> float:
        """Area seen from the side [mm2]."""
        return float(self.width_mm @ self.step_mm)

    @cached_property
    def side_centre_mm(self) -> float:
        """Its centre, from the foremost point [mm]."""
        return float((self.width_mm * self.step_mm) @ self.x_mm) / self.side_mm2

    @cached_property
    def wetted_mm2(self) -> float:
        """Surface along the flow, as that of a round body of the same areas [mm2]."""
        slope = np.gradient(self.radius_mm, self.x_mm)
        return float((2 * np.pi * self.radius_mm * np.sqrt(1 + np.minimum(slope**2, 1.0))) @ self.step_mm)


@dataclass(frozen=True)
class Fins:
    """Alike fins round a body.

    Parameters
    ----------
    count : int
        [-]
    root_mm, tip_mm : float
        Chords along the body and at the tip [mm].
    span_mm : float
        From the body's surface to the tip [mm].
    sweep_mm : float
        How far the leading edge at the tip lies behind that at the root [mm].
    from_nose_mm : float
        Leading edge at the root, from the foremost point [mm].
    radius_mm : float
        Of the body at the fins [mm].
    """

    count: int
    root_mm: float
    tip_mm: float
    span_mm: float
    sweep_mm: float
    from_nose_mm: float
    radius_mm: float

    @property
    def area_mm2(self) -> float:
        """Of one fin, one side [mm2]."""
        return self.span_mm * (self.root_mm + self.tip_mm) / 2

    @property
    def centre_mm(self) -> float:
        """Middle of that area, from the foremost point of the body [mm]."""
        root, tip, sweep = self.root_mm, self.tip_mm, self.sweep_mm
        along = (sweep * (root + 2 * tip) + root**2 + root * tip + tip**2) / (3 * (root + tip))
        return self.from_nose_mm + along


@dataclass(frozen=True)
class AirSettings:
    """What the theory needs beside the shape; each value is a row of the tables [-], angles in degrees.

    Parameters
    ----------
    cross_flow : float
        Drag coefficient of an endless cylinder across the flow [-].
    fin_cross : float
        Of a flat fin across the flow, on the area that faces it [-].
    separation_deg : float
        Where a body narrows by more, the flow leaves it [deg].
    flat_deg : float
        A front that leans less than this from square to the flow counts as flat [deg].
    drag_round, drag_flare, drag_fins : float
        Drag coefficients: of a body with a round nose without friction, on its calibre; of what a flare adds, on
        the area that it adds; of fins, on both sides of them [-].
    viscosity_m2_s : float
        Kinematic, of the air, m2/s [-].
    speed_m_s : float
        At which friction is taken [m/s].
    """

    cross_flow: float
    fin_cross: float
    separation_deg: float
    flat_deg: float
    drag_round: float
    drag_flare: float
    drag_fins: float
    viscosity_m2_s: float
    speed_m_s: float


# Cylinder by length over diameter, Aeronautical Engineer's Data Book, "Basic fluid mechanics", p. 95 (seen): drag along
# the flow on the end's area, and across the flow on the side's area, 1.20 for an endless one.
_ALONG = np.array([(1.0, 0.91), (2.0, 0.85), (4.0, 0.87), (7.0, 0.99)])
_ACROSS = np.array([(1.0, 0.63), (2.0, 0.68), (5.0, 0.74), (10.0, 0.82), (40.0, 0.98)])
_ENDLESS = 1.20


@dataclass(frozen=True)
class Growth:
    """Normal force of sections that grow, at small angles.

    Parameters
    ----------
    slope : float
        Over the angle in radians [-].
    centre_mm : float
        Where it acts, from the foremost point [mm].
    """

    slope: float
    centre_mm: float


@dataclass(frozen=True)
class Balance:
    """An angle at which no moment acts.

    Parameters
    ----------
    angle_deg : float
        0 nose first, 180 tail first [deg].
    stable : bool
        Whether the body comes back to it.
    """

    angle_deg: float
    stable: bool


class Coefficients(NamedTuple):
    """Air forces at an angle of attack, over dynamic pressure, reference area and calibre [-].

    Parameters
    ----------
    normal : float or (n,) float
        Square to the axis [-].
    moment : float or (n,) float
        About the mass centre, raising the nose positive [-].
    axial : float or (n,) float
        From nose to tail [-].
    damping : float or (n,) float
        Of the moment, over omega d / (2 V), quasi-steady [-].
    """

    normal: Any
    moment: Any
    axial: Any
    damping: Any


@dataclass(frozen=True)
class Airframe:
    """The air forces on a body about its mass centre, over the reference area and the calibre.

    Parameters
    ----------
    calibre_mm : float
        Reference length; the reference area is that of its circle [mm].
    centre_mm : float
        Mass centre, from the foremost point [mm].
    ahead, astern : Growth
        Of the body flown nose first and tail first.
    cross, cross_centre_mm, cross_square_mm2 : float
        Coefficient of the side across the flow over the reference area [-], its centre [mm] and the mean square of the
        distance of its parts from the mass centre [mm2].
    drag, drag_astern : float
        Along the axis, nose first and tail first [-].
    fins : float
        Normal force of fins over the angle in radians [-].
    fins_centre_mm : float
        Where it acts [mm].
    fins_cross, fins_cross_centre_mm : float
        Coefficient of fins across the flow [-] and its centre [mm].
    tail, tail_mm : float
        Coefficient of a drag tail [-] and where it is tied to [mm].
    """

    calibre_mm: float
    centre_mm: float
    ahead: Growth
    astern: Growth
    cross: float = 0.0
    cross_centre_mm: float = 0.0
    cross_square_mm2: float = 0.0
    drag: float = 0.0
    drag_astern: float = 0.0
    fins: float = 0.0
    fins_centre_mm: float = 0.0
    fins_cross: float = 0.0
    fins_cross_centre_mm: float = 0.0
    tail: float = 0.0
    tail_mm: float = 0.0

    @property
    def slope(self) -> float:
        """Normal force coefficient over the angle at small angles, in radians [-]."""
        return self.ahead.slope + self.fins + self.tail

    @property
    def pressure_centre_mm(self) -> float:
        """Centre of pressure at small angles, from the foremost point; nan without a normal force [mm]."""
        if not self.slope:
            return float("nan")
        moment = self.ahead.slope * self.ahead.centre_mm + self.fins * self.fins_centre_mm + self.tail * self.tail_mm
        return moment / self.slope

    @property
    def margin(self) -> float:
        """Static margin: centre of pressure behind the mass centre, in calibres [-]."""
        return (self.pressure_centre_mm - self.centre_mm) / self.calibre_mm

    @property
    def lead(self) -> float:
        """How far the mass centre lies ahead of the centre of the side across the flow, in calibres [-]."""
        whole = self.cross + self.fins_cross + self.tail
        if not whole:
            return float("nan")
        centre = (
            self.cross * self.cross_centre_mm
            + self.fins_cross * self.fins_cross_centre_mm
            + self.tail * self.tail_mm
        ) / whole  # fmt: skip
        return (centre - self.centre_mm) / self.calibre_mm

    def at(self, angle: float) -> "Coefficients":
        """Coefficients at an angle of attack in radians [-], fast."""
        return self._coefficients(math.sin(angle), math.cos(angle))

    def over(self, angle_deg: Floats) -> "Coefficients":
        """Coefficients at angles of attack (n,) [deg]."""
        return self._coefficients(np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg)))

    def _coefficients(self, across: Any, along: Any) -> "Coefficients":
        """By sine and cosine of the angle, numbers or arrays alike."""
        steep, forward = abs(along), along >= 0
        # The angle from the end that leads, which is never more than a right one.
        grown = across * steep * ((1 + steep) / 2) ** 0.5
        square = across * abs(across)
        centre, calibre = self.centre_mm, self.calibre_mm
        parts = (
            (forward * self.ahead.slope * grown, self.ahead.centre_mm),
            ((1 - forward) * self.astern.slope * grown, self.astern.centre_mm),
            (self.cross * square, self.cross_centre_mm),
            (self.fins * across * steep, self.fins_centre_mm),
            (self.fins_cross * square, self.fins_cross_centre_mm),
            (self.tail * across, self.tail_mm),
        )
        axial = (forward * self.drag - (1 - forward) * self.drag_astern) * along**2 + self.tail * along
        # Each force times the square of its arm; of the side across the flow what is linear in the turning.
        arms = (
            (self.ahead.slope, self.ahead.centre_mm), (self.fins, self.fins_centre_mm), (self.tail, self.tail_mm),
        )  # fmt: skip
        linear = 2 * sum(slope * ((place - centre) / calibre) ** 2 for slope, place in arms)
        side = self.cross * self.cross_square_mm2 + self.fins_cross * (self.fins_cross_centre_mm - centre) ** 2
        return Coefficients(
            normal=sum(force for force, _ in parts),
            moment=sum(force * (centre - place) for force, place in parts) / calibre,
            axial=axial,
            damping=-linear * steep - 4 * side / calibre**2 * abs(across),
        )

    @cached_property
    def balances(self) -> tuple[Balance, ...]:
        """Angles from 0 to 180 degrees at which no moment acts, the smallest first."""
        angle = np.linspace(0.0, np.pi, _ANGLES)[1:-1]
        value = self.over(np.degrees(angle)).moment
        found = [Balance(0.0, bool(value[0] < 0))]
        for row in np.flatnonzero((value[:-1] > 0) != (value[1:] > 0)):
            low, high = float(angle[row]), float(angle[row + 1])
            rises = bool(value[row + 1] > 0)
            for _ in range(_HALVINGS):
                middle = (low + high) / 2
                low, high = (low, middle) if (self.at(middle).moment > 0) is rises else (middle, high)
            found.append(Balance(float(np.degrees((low + high) / 2)), not rises))
        return (*found, Balance(180.0, bool(value[-1] > 0)))

    @property
    def trim_deg(self) -> float:
        """The smallest angle that the body comes back to [deg]."""
        return next((balance.angle_deg for balance in self.balances if balance.stable), 180.0)


def air_settings(limits: Limits, setup: Setup, speed_m_s: float) -> AirSettings:
    """The rows ``flight.*`` that the theory needs, friction at a speed [m/s]."""

    def value(name: str) -> float:
        return limits.value(f"flight.{name}", setup).value

    return AirSettings(
        cross_flow=value("cross_flow"),
        fin_cross=value("fin_cross"),
        separation_deg=value("separation"),
        flat_deg=value("flat"),
        drag_round=value("drag_round"),
        drag_flare=value("drag_flare"),
        drag_fins=value("drag_fins"),
        viscosity_m2_s=value("viscosity"),
        speed_m_s=speed_m_s,
    )


def outline_of(
    vertices: Floats, faces: Ints, ahead: Floats, *, fin_thickness: float, fin_span: float
) -> tuple[Outline, Fins | None]:
    """Outline of a body and its fins, from sections square to its flight axis.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    ahead : (3,) float
        Unit direction of flight [-].
    fin_thickness : float
        What is thinner than this share of the calibre in a section and stands out is a fin [-].
    fin_span : float
        What stands out by less than this share of the calibre is none [-].

    Returns
    -------
    outline : Outline
    fins : Fins or None
        None where fewer than three alike ones stand out.

    Notes
    -----
    A fin is what an opening of the section by half the thickness takes away.  Its leading and trailing edges are
    read at a tenth and nine tenths of its span and drawn on to both ends, which is exact for straight edges.
    """
    placed = vertices @ _frame(ahead).T
    used = np.unique(faces)
    placed = placed - (0.0, 0.0, placed[used, 2].min())
    step = float(placed[used, 2].max()) / _SECTIONS
    cut = layers(placed, faces, step, step)
    filled = np.array([_filled(region) for region in cut.regions], dtype=object)
    plain = _outline(cut.z_mm, cut.thickness_mm, filled, cut.area_mm2)
    calibre = plain.calibre_mm
    # Straightened first: an opening of a fine outline takes long.
    coarse = shapely.simplify(filled, calibre * 1e-3)
    half = fin_thickness * calibre / 2
    body = shapely.buffer(shapely.buffer(coarse, -half, quad_segs=8), half * 1.001, quad_segs=8)
    rest = shapely.difference(coarse, body)
    centre = np.array([[p.x, p.y] for p in shapely.centroid(body) if not p.is_empty])
    if not len(centre):
        return plain, None
    axis = np.median(centre, axis=0)
    found = _fins(plain, body, rest, axis, fin_span * calibre)
    if found is None:
        return plain, None
    bare = np.array(
        [shapely.intersection(one, other) for one, other in zip(filled, body, strict=True)], dtype=object
    )  # fmt: skip
    return _outline(cut.z_mm, cut.thickness_mm, bare, cut.area_mm2), found


def airframe(
    outline: Outline,
    centre_mm: float,
    settings: AirSettings,
    fins: Fins | None = None,
    *,
    tail: float = 0.0,
) -> Airframe:
    """Air forces on an outline about a mass centre.

    Parameters
    ----------
    outline : Outline
    centre_mm : float
        Mass centre, from the foremost point [mm].
    settings : AirSettings
    fins : Fins, optional
    tail : float
        Drag coefficient of a tail that is tied to the rear end, on the reference area [-].

    Returns
    -------
    Airframe

    Notes
    -----
    Body: each growth of the section by dA bears 2 dA / S per radian where it grows, so that a body that ends in its
    base bears 2 S_base / S with the centre at L - V / S_base, whatever its nose (slender-body theory, Munk 1924, NACA
    Report 184).  Where it narrows steeply the flow leaves it and nothing more is borne.  At larger angles
    sin(2 alpha) cos(alpha / 2) / 2 stands for the angle, and the side across the flow adds eta C_dc A_p / S sin2 alpha
    (Allen and Perkins 1951, NACA Report 1048; Jorgensen 1973, NASA TN D-6996).  Fins by Barrowman 1967, beyond small
    angles by sin alpha cos alpha and as flat plates across the flow (common practice).  All from memory but for the
    table of cylinders.  Body lift and fins are for slender bodies at small angles; the rest is a guide.
    """
    calibre = outline.calibre_mm
    area = np.pi * calibre**2 / 4
    slender = outline.length_mm / (outline.side_mm2 / outline.length_mm)
    eta = float(np.interp(slender, *_ACROSS.T)) / _ENDLESS
    spread = (outline.width_mm * outline.step_mm) @ ((outline.x_mm - centre_mm) ** 2) / outline.side_mm2
    backwards = Outline(
        outline.length_mm - outline.x_mm[::-1], outline.step_mm[::-1], outline.area_mm2[::-1],
        outline.width_mm[::-1], outline.matter_mm2[::-1],
    )  # fmt: skip
    astern = _growth(backwards, area, settings)
    found = Airframe(
        calibre_mm=calibre,
        centre_mm=centre_mm,
        ahead=_growth(outline, area, settings),
        astern=Growth(astern.slope, outline.length_mm - astern.centre_mm),
        cross=eta * settings.cross_flow * outline.side_mm2 / area,
        cross_centre_mm=outline.side_centre_mm,
        cross_square_mm2=float(spread),
        drag=_drag(outline, area, settings, fins),
        drag_astern=_drag(backwards, area, settings, fins),
        tail=tail,
        tail_mm=outline.length_mm,
    )
    if fins is None:
        return found
    slope, at_mm = fin_force(fins, calibre)
    flat = settings.fin_cross * fins.count / 2 * fins.area_mm2 / area
    return Airframe(
        **{
            **found.__dict__, "fins": slope, "fins_centre_mm": at_mm, "fins_cross": flat,
            "fins_cross_centre_mm": fins.centre_mm,
        }
    )  # fmt: skip


def fin_force(fins: Fins, calibre_mm: float) -> tuple[float, float]:
    """Normal force of fins over the angle in radians [-], and where it acts from the foremost point [mm].

    References
    ----------
    Barrowman 1967, The Practical Calculation of the Aerodynamic Characteristics of Slender Finned Vehicles, thesis,
    Catholic University of America (from memory); three or four thin fins at angles below about 10 degrees.
    """
    root, tip, span, sweep = fins.root_mm, fins.tip_mm, fins.span_mm, fins.sweep_mm
    middle = float(np.hypot(span, sweep + (tip - root) / 2))
    interference = 1 + fins.radius_mm / (span + fins.radius_mm)
    slope = interference * 4 * fins.count * (span / calibre_mm) ** 2
    slope /= 1 + float(np.sqrt(1 + (2 * middle / (root + tip)) ** 2))
    at = fins.from_nose_mm + sweep / 3 * (root + 2 * tip) / (root + tip)
    return slope, at + (root + tip - root * tip / (root + tip)) / 6


def sphere_drag(reynolds: float) -> float:
    """Drag coefficient of a smooth sphere up to a Reynolds number of 200 000 [-].

    References
    ----------
    Brown and Lawler 2003, J. Environ. Eng. 129:222 (from memory).
    """
    return float(24 / reynolds * (1 + 0.150 * reynolds**0.681) + 0.407 / (1 + 8710 / reynolds))


def tumbling_area_mm2(length_mm: float, diameter_mm: float) -> tuple[float, float]:
    """Mean shadow of a tumbling cylinder, turning at random and in one plane [mm2].

    Notes
    -----
    A quarter of its surface (Cauchy), and 2 / pi of the sum of side and end.
    """
    side, end = diameter_mm * length_mm, np.pi * diameter_mm**2 / 4
    return float((2 * end + np.pi * side) / 4), float(2 / np.pi * (side + end))


# --- outline ----------------------------------------------------------------------------------


def _frame(ahead: Floats) -> Floats:
    """Rows: two directions across the flight, and the one backwards (3, 3) [-]."""
    back = -np.asarray(ahead, dtype=float) / np.linalg.norm(ahead)
    across = np.eye(3)[int(np.argmin(np.abs(back)))]
    first = np.cross(across, back)
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(back, first), back])


def _filled(region: shapely.Geometry) -> shapely.Geometry:
    """A section without its holes."""
    return shapely.union_all(shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(region))))


def _outline(x_mm: Floats, step_mm: Floats, sections: Geometries, matter_mm2: Floats) -> Outline:
    bounds = shapely.bounds(sections)
    sides = np.nan_to_num(np.column_stack([bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]]))
    return Outline(x_mm, step_mm, shapely.area(sections), sides.mean(axis=1), matter_mm2)


def _fins(outline: Outline, body: Geometries, rest: Geometries, axis: Floats, least_mm: float) -> Fins | None:
    """The fins among what an opening took away."""
    middle = shapely.Point(axis)
    radius = np.sqrt(shapely.area(body) / np.pi)
    tips = np.zeros(len(rest))
    counts = np.zeros(len(rest), dtype=int)
    for row, left in enumerate(rest):
        reach = [shapely.hausdorff_distance(middle, piece) for piece in shapely.get_parts(left)]
        out = [far for far in reach if far - radius[row] > least_mm / 4]
        counts[row], tips[row] = len(out), max(out, default=0.0)
    finned = counts >= 3
    if finned.sum() < max(_LEAST_CHORD * len(rest), 2):
        return None
    at = float(np.median(radius[finned]))
    span = float(tips.max()) - at
    if span < least_mm:
        return None
    x, half = outline.x_mm, outline.step_mm / 2

    def chord(share: float) -> tuple[float, float]:
        reached = np.flatnonzero(finned & (tips >= at + share * span))
        if not len(reached):
            return float("nan"), float("nan")
        return float(x[reached[0]] - half[reached[0]]), float(x[reached[-1]] + half[reached[-1]])

    (front, rear), (front_tip, rear_tip) = chord(_ROOT), chord(_TIP)
    lean, lean_rear = (front_tip - front) / (_TIP - _ROOT), (rear_tip - rear) / (_TIP - _ROOT)
    front, rear = front - _ROOT * lean, rear - _ROOT * lean_rear
    root, tip = rear - front, max(rear + lean_rear - front - lean, 0.0)
    return Fins(int(np.bincount(counts[finned]).argmax()), root, tip, span, lean, front, at)


def _growth(outline: Outline, area_mm2: float, settings: AirSettings) -> Growth:
    """Where sections grow, up to where the flow leaves a body that narrows."""
    grown = np.diff(outline.area_mm2, prepend=0.0)
    edge = outline.x_mm - outline.step_mm / 2
    steep = np.diff(outline.radius_mm, prepend=0.0) / np.gradient(outline.x_mm)
    grown = np.where(steep < -np.tan(np.radians(settings.separation_deg)), 0.0, grown)
    total = float(grown.sum())
    if total <= 0:
        return Growth(0.0, 0.0)
    return Growth(2 * total / area_mm2, float(grown @ edge) / total)


def _drag(outline: Outline, area_mm2: float, settings: AirSettings, fins: Fins | None) -> float:
    """Drag coefficient along the axis."""
    calibre = outline.calibre_mm
    grown = np.maximum(np.diff(outline.area_mm2, prepend=0.0), 0.0)
    slope = np.diff(outline.radius_mm, prepend=0.0) / np.maximum(outline.step_mm, 1e-9)
    ahead = np.cumsum(grown) <= area_mm2 * (1 + _SAME_DIAMETER)
    front = float(grown[ahead].sum())
    flat = float(grown[ahead & (slope > np.tan(np.radians(90 - settings.flat_deg)))].sum()) / max(front, 1e-9)
    reynolds = max(settings.speed_m_s * outline.length_mm * 1e-3 / settings.viscosity_m2_s, 1.0)
    # Blasius 1908, laminar plate, one side (from memory).
    friction = 1.328 / np.sqrt(reynolds) * outline.wetted_mm2 / area_mm2
    blunt = float(np.interp(outline.length_mm / calibre, *_ALONG.T))
    total = flat * blunt + (1 - flat) * (settings.drag_round + float(friction))
    total += settings.drag_flare * max(float(grown[~ahead].sum()), 0.0) / area_mm2
    if fins is not None:
        total += settings.drag_fins * 2 * fins.count * fins.area_mm2 / area_mm2
    return float(total)
