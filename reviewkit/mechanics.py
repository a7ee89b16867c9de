"""How a part moves: its flexures, the mechanism that they make, and what its declared motions take of it.

Joins the measures of flexures, of soft motions and of the plane model to what the submission
declares.  Every check that needs a force, an energy or a strain asks here, and each is made once.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import shapely
from scipy.interpolate import CubicSpline
from shapely.geometry.base import BaseGeometry

from reviewkit.errors import MeshError, SetupError
from reviewkit.judging import WHOLE, Case, finding, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.beams import root_length
from reviewkit.measure.flexures import Block, Flexure, FlexureKind, Flexures, SectionPlane, find_flexures
from reviewkit.measure.mechanism import Mechanism, SoftMotion, mechanism, mover_of
from reviewkit.measure.plane_model import (
    FlatMechanism,
    PlaneAnalysis,
    PlaneSettings,
    Rotation,
    Strip,
    StripResult,
    Translation,
    laid_width,
    plane_analysis,
    plane_settings,
)
from reviewkit.measure.scatter import ForceScatter, WidthScatter, force_scatter
from reviewkit.measure.sections import volume_corners
from reviewkit.model import Finding, Floats, Place, Severity, Verdict
from reviewkit.submission import Box, Motion, MotionKind, Region, RegionKind, Requirement, RequirementKind
from reviewkit.workpiece import Workpiece

DOMAIN = "mechanics"

# A motion whose direction leans out of the section by more, as a sine, is none of that plane.
_IN_PLANE = 0.2
# Matter smaller than this holds or carries nothing [mm2].
_LEAST_MM2 = 0.5
# Depths that differ by less are one.
_SAME_DEPTH = 0.02
# Corners this near to a flexure's box belong to it.
_NEAR_MM = 0.3
# A block takes part in a motion when it goes this share of the way of the block that goes farthest.
_TAKES_PART = 0.3
# Points of a line nearer to one another are one.
_TWICE_MM = 1e-6
# Sections alike over more of the height need no word.
_PRISMATIC = 0.9
# Stations along an arm.
_STATIONS = 401


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class Bending:
    """What one flexure goes through at the end of a stroke.

    Parameters
    ----------
    flexure : Flexure
    width_mm : float
        As laid [mm].
    strain, drawn_strain : float
        Nominal, as laid and as drawn [-].
    root_strain : float
        With the notch factor of its fillets, the larger; nan where both are sharp or not known [-].
    share : float
        Of the energy of the whole part [-].
    squeeze_N : float
        Greatest load along it that presses it together, over the stroke; 0 where it is pulled [N].
    """

    flexure: Flexure
    width_mm: float
    strain: float
    drawn_strain: float
    root_strain: float
    share: float
    squeeze_N: float  # noqa: N815

    @property
    def peak(self) -> float:
        """The strain that is judged: in the fillets of the roots, or nominal where that is larger [-]."""
        return float(np.fmax(self.strain, self.root_strain))


@dataclass(frozen=True, eq=False)
class Drive:
    """A declared motion and what it takes.

    Parameters
    ----------
    motion : Motion
    reason : str
        Why nothing could be worked out, to follow a colon; empty where it was.
    plane : SectionPlane or None
        In which it was worked out.
    stroke : (k,) float
        From rest to its end, in the unit of the motion [mm, deg].
    force, drawn_force : (k,) float
        As laid and as drawn; a moment for a rotation [N, N mm].
    energy_N_mm : (k,) float
        Stored, as laid [N mm].
    error, strain_error : float
        Share by which a coarser mesh changes the force and the strain at the end [-].
    bendings : tuple of Bending
        Of every flexure that bends.
    notes : tuple of str
        What limits the validity.
    analysis : PlaneAnalysis or None
        The plane model; None for an arm by formula.
    """

    motion: Motion
    reason: str = ""
    plane: SectionPlane | None = None
    stroke: Floats = field(default_factory=_none)
    force: Floats = field(default_factory=_none)
    drawn_force: Floats = field(default_factory=_none)
    energy_N_mm: Floats = field(default_factory=_none)  # noqa: N815
    error: float = 0.0
    strain_error: float = 0.0
    bendings: tuple[Bending, ...] = ()
    notes: tuple[str, ...] = ()
    analysis: PlaneAnalysis | None = None

    @property
    def is_arm(self) -> bool:
        """Whether it was worked out as an arm that is free at its far end."""
        return not self.reason and self.analysis is None

    @property
    def unit(self) -> str:
        """Of its force, ``N`` or ``N mm``."""
        return "N" if self.motion.kind is MotionKind.TRANSLATION else "N mm"

    @property
    def stiffness(self) -> float:
        """At rest, as laid; N/mm, or N mm a degree [N/mm, N mm/deg]."""
        if self.analysis is not None:
            return self.analysis.laid.stiffness
        return float(self.force[1] / self.stroke[1])

    @property
    def drawn_stiffness(self) -> float:
        """At rest, as drawn; N/mm, or N mm a degree [N/mm, N mm/deg]."""
        if self.analysis is not None:
            return self.analysis.drawn.stiffness
        return float(self.drawn_force[1] / self.stroke[1])

    def smooth(self, values: Floats) -> CubicSpline:
        """A smooth curve over the stroke through values at its steps (k,), in the unit of the motion [-]."""
        return CubicSpline(self.stroke, values)

    def energy_at(self, stroke: float) -> float:
        """Energy stored at a place of the stroke, in the unit of the motion [N mm]."""
        return float(self.smooth(self.energy_N_mm)(abs(stroke)))


@dataclass(frozen=True, eq=False)
class MechanicsCase(Case):
    """A workpiece and the rows ``mechanics.*`` that its motions are judged by."""

    rows: ClassVar[str] = "mechanics"

    @cached_property
    def found(self) -> Flexures:
        """Its flexures."""
        return flexures_of(self.workpiece, self.limits)

    @cached_property
    def drives(self) -> tuple[Drive, ...]:
        """What its declared motions take."""
        return drives(self.workpiece, self.limits)

    @property
    def bends(self) -> tuple[Drive, ...]:
        """The motions that could be worked out."""
        return tuple(drive for drive in self.drives if not drive.reason)

    @cached_property
    def open_words(self) -> str:
        """Why its layers cannot be judged, nothing where they can."""
        layers = self.workpiece.layers
        return too_open(self.workpiece, self.limits, layers.open_mm, layers.outline_mm)

    @property
    def idle_words(self) -> str:
        """Why nothing of it can bend, as a sentence; nothing where something may."""
        if self.workpiece.said_to_be_rigid:
            return "The part is said to be rigid: nothing of it is meant to bend."
        moved = [carried.motion.region for carried in self.workpiece.motions]
        if any(flexure.region for flexure in self.found.every) or (self.found.every and not moved):
            return ""
        if any(name in block.regions for plane in self.found.planes for block in plane.blocks for name in moved):
            return ""
        if moved:
            return "No flexure carries what is declared to move and none is declared: nothing bends when it moves."
        return "No flexure was found and nothing is declared to move, so nothing is meant to bend."

    @cached_property
    def asked(self) -> tuple[Requirement, ...]:
        """Requirements on the force of regions of this part that move."""
        moving = {carried.motion.region for carried in self.workpiece.motions}
        moving |= {region.name for region in self.workpiece.regions if region.kind is RegionKind.MOVING}
        own = moving & {region.name for region in self.workpiece.regions}
        every = self.workpiece.submission.requirements
        return tuple(one for one in every if one.what is RequirementKind.FORCE and one.region in own)

    def answers(self, requirement: Requirement) -> bool:
        """Whether the checks of mechanics speak of a requirement, if only to say why they cannot judge it."""
        if requirement.what is RequirementKind.LIFE:
            return not self.idle_words
        return requirement in self.asked

    @property
    def unmoved_words(self) -> str:
        """Why the flexures cannot be judged under load, to follow a colon; nothing where they can."""
        if self.bends:
            return ""
        if self.drives:
            return "; ".join(dict.fromkeys(drive.reason for drive in self.drives))
        return "the part has flexures, and no motion with a stroke is declared"

    def plain(self, code: str, verdict: Verdict, words: str, change: str = "", subject: str = WHOLE) -> Finding:
        """A finding of this domain that is words alone."""
        return finding(self.workpiece, code, DOMAIN, subject, verdict, words, change, severity=Severity.FUNCTION)

    def unchecked(self, code: str, what: str) -> Finding:
        """What stands in where the mesh is open or no motion could be worked out; `what` begins the sentence."""
        change = "Declare what moves, in what direction and how far, and what holds the part."
        if self.open_words:
            change = "Send a closed mesh of the part."
        reason = self.open_words or self.unmoved_words
        return self.plain(code, Verdict.NOT_CHECKED, f"{what} not checked: {reason}.", change)

    def early(self, code: str, what: str) -> Finding | None:
        """The one finding where nothing bends or nothing can be said, None where there is more to judge."""
        if self.idle_words:
            return self.plain(code, Verdict.MEETS, self.idle_words)
        return self.unchecked(code, what) if self.open_words or self.unmoved_words else None

    @cached_property
    def scatter(self) -> WidthScatter:
        """How the process scatters."""
        return WidthScatter(
            leaf_mm=self.value("width_leaf"),
            part_mm=self.value("width_part"),
            machine_mm=self.value("width_machine"),
            machines=round(self.value("machines")),
            parts=round(self.value("parts")),
            seed=round(self.value("seed")),
        )

    def spread(self, drive: Drive) -> ForceScatter:
        """Forces of many parts from many machines, over the force without scatter."""
        scatter = self.scatter
        widths = np.array([bending.width_mm for bending in drive.bendings])
        shares = np.array([bending.share for bending in drive.bendings])
        return self.workpiece.measured(
            "width scatter", lambda: force_scatter(widths, shares, scatter), scatter, drive.motion, *widths, *shares
        )

    def place(self, flexure: Flexure, evidence: dict[str, Any]) -> Place:
        """Where a flexure is; its facets go into `evidence`."""
        low, high = flexure.outline_mm.min(axis=0), flexure.outline_mm.max(axis=0)
        at = self.workpiece.vertices @ flexure.axes.T
        bottom, top = flexure.span_mm
        inside = (at[:, :2] >= low - _NEAR_MM).all(axis=1) & (at[:, :2] <= high + _NEAR_MM).all(axis=1)
        inside &= (at[:, 2] >= bottom - _NEAR_MM) & (at[:, 2] <= top + _NEAR_MM)
        name = f"facets of {flexure.name}"
        evidence[name] = np.flatnonzero(inside[self.workpiece.faces].all(axis=1))
        ends = np.array([[*low, bottom], [*high, top]]) @ flexure.axes
        corners = self.workpiece.to_part(ends)
        box = vector(corners.min(axis=0)), vector(corners.max(axis=0))
        return Place(flexure.point_mm, None, box, faces=name if len(evidence[name]) else "")


@dataclass(frozen=True, eq=False)
class Wanted:
    """How the flexures want to let a region move, against how it is declared to.

    Parameters
    ----------
    soft : SoftMotion
        The softest motion in which the region takes part.
    apart_deg : float
        Angle between the two at the middle of the region [deg].
    """

    soft: SoftMotion
    apart_deg: float


def flexures_of(workpiece: Workpiece, limits: Limits) -> Flexures:
    """The flexures of a part, measured once."""
    return workpiece.measured(
        "flexures",
        lambda: find_flexures(
            workpiece.vertices,
            workpiece.faces,
            workpiece.layers,
            workpiece.regions,
            workpiece.setup,
            limits,
            workpiece.offset_mm,
        ),
        limits.sha256,
        workpiece.regions,
    )


def drives(workpiece: Workpiece, limits: Limits) -> tuple[Drive, ...]:
    """What each declared motion of a part takes, worked out once.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``flexure.*``, ``plane.*`` and ``mechanics.poisson``.

    Returns
    -------
    tuple of Drive
        In the order of the submission.
    """
    return tuple(_driven(workpiece, limits, carried.motion) for carried in workpiece.motions)


def wanted(workpiece: Workpiece, limits: Limits, motion: Motion) -> Wanted | None:
    """The softest motion of a declared region against its declared one, None where the plane holds no such region."""
    plane = _plane_of(workpiece, flexures_of(workpiece, limits), motion)
    if plane is None:
        return None
    body = mover_of(plane, motion)
    soft = softest(workpiece, limits, plane)
    if body is None or soft is None:
        return None
    moving = _region_area(workpiece, plane, motion.region)
    at = plane.blocks[body].centre_mm if moving.is_empty else np.array(moving.centroid.coords[0])
    declared = _declared_2d(workpiece, plane, motion, at)
    for candidate in soft.motions:
        way = _way(plane.blocks[body], candidate.moves[body], at)
        most = max(
            float(np.hypot(*_way(block, row, block.centre_mm)))
            for block, row in zip(plane.blocks, candidate.moves, strict=True)
        )
        if np.hypot(*way) > _TAKES_PART * most:
            cosine = abs(float(way @ declared)) / float(np.hypot(*way) * np.hypot(*declared))
            return Wanted(candidate, float(np.degrees(np.arccos(min(cosine, 1.0)))))
    return None


def softest(workpiece: Workpiece, limits: Limits, plane: SectionPlane) -> Mechanism | None:
    """How the blocks of a plane want to move, that of the grip, the fixed or the largest held; None for not at all."""
    modulus = workpiece.setup.material["modulus"].value
    poisson = limits.value("mechanics.poisson", workpiece.setup).value
    return workpiece.measured(
        "mechanism",
        lambda: mechanism(plane, workpiece.regions, modulus, poisson),
        limits.sha256,
        workpiece.regions,
        plane.in_layers,
        plane.height_mm,
    )


def arm_force(
    line_mm: Floats, widths_mm: Floats, depth_mm: float, beyond_mm: float, modulus_mpa: float
) -> tuple[float, Floats, Floats]:
    """A leaf held at its first point and loaded square to itself at or beyond its last one.

    Parameters
    ----------
    line_mm : (n, 2) float
        Its centre line from the root outward [mm].
    widths_mm : (n,) float
        Width at each point [mm].
    depth_mm : float
        [mm].
    beyond_mm : float
        How far beyond its last point the load acts, through something stiff [mm].
    modulus_mpa : float
        Young's modulus [MPa].

    Returns
    -------
    stiffness_n_mm : float
        Force over the way of its point of action, small strokes, without shear [N/mm].
    along_mm : (s,) float
        Places along the leaf [mm].
    strain : (s,) float
        At its surface there, for a way of 1 mm [-].

    Notes
    -----
    Virtual work: 1/k is the integral of (a - x)2 / (E I(x)); for one width 3 E I / L3.
    """
    passed = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])
    along = np.linspace(0.0, passed[-1], _STATIONS)
    width = np.interp(along, passed, widths_mm)
    lever = passed[-1] + beyond_mm - along
    bending = modulus_mpa * depth_mm * width**3 / 12
    # The clamp gives way as if the leaf were longer, at the moment that acts there.
    give_mm = root_length(0.0, float(np.median(widths_mm)))
    at_root = give_mm * lever[0] ** 2 / (modulus_mpa * depth_mm * float(np.median(widths_mm)) ** 3 / 12)
    stiffness = 1.0 / (float(np.trapezoid(lever**2 / bending, along)) + at_root)
    return stiffness, along, stiffness * lever * width / 2 / bending


# --- one motion -----------------------------------------------------------------------------


def _driven(workpiece: Workpiece, limits: Limits, motion: Motion) -> Drive:
    return workpiece.measured(
        "drive", lambda: _worked_out(workpiece, limits, motion), limits.sha256, workpiece.regions, motion
    )


def _worked_out(workpiece: Workpiece, limits: Limits, motion: Motion) -> Drive:
    found = flexures_of(workpiece, limits)
    stroke = max(motion.stroke, key=abs)
    if not found.every:
        return Drive(motion, "no flexure was found in the part and none is declared, so nothing bends when it moves")
    if not stroke:
        return Drive(motion, "the motion has no stroke")
    plane = _plane_of(workpiece, found, motion)
    if plane is None:
        return Drive(motion, "no flexure bends in a plane that holds the declared direction")
    moving = _region_area(workpiece, plane, motion.region)
    if moving.area < _LEAST_MM2:
        return Drive(motion, f"{motion.region} holds no matter at the height of the flexures")
    settings = plane_settings(limits, workpiece.setup)
    try:
        if (arm := _arm(plane, motion.region, moving)) is not None and motion.kind is MotionKind.TRANSLATION:
            return _by_arm(workpiece, settings, motion, plane, arm)
        return _by_model(workpiece, limits, settings, motion, plane, moving)
    except (SetupError, MeshError) as error:
        return Drive(motion, str(error))


def _by_model(
    workpiece: Workpiece,
    limits: Limits,
    settings: PlaneSettings,
    motion: Motion,
    plane: SectionPlane,
    moving: BaseGeometry,
) -> Drive:
    """By the plane model of the section."""
    stroke = max(motion.stroke, key=abs)
    depth_mm = float(np.median([flexure.depth_mm for flexure in plane.flexures]))
    other = [flexure for flexure in plane.flexures if abs(flexure.depth_mm / depth_mm - 1) > _SAME_DEPTH]
    to_plane = plane.axes @ workpiece.setup.rotation
    driven: Translation | Rotation
    if motion.kind is MotionKind.TRANSLATION:
        x, y = to_plane[:2] @ np.array(motion.direction) * np.sign(stroke)
        driven = Translation((float(x), float(y)), abs(stroke))
    else:
        centre = _in_plane(workpiece, plane, np.array([motion.point_mm]))[0]
        way = float(np.sign(to_plane[2] @ np.array(motion.direction)))
        driven = Rotation((float(centre[0]), float(centre[1])), way * stroke)
    first_mm = workpiece.setup.first_layer_mm
    stands = plane.in_layers and any(flexure.span_mm[0] < first_mm / 2 for flexure in plane.flexures)
    analysis = plane_analysis(
        FlatMechanism(
            outline=plane.section,
            depth_mm=depth_mm,
            modulus_MPa=workpiece.setup.material["modulus"].value,
            poisson=limits.value("mechanics.poisson", workpiece.setup).value,
            fixed=_fixed(workpiece, plane, motion, moving),
            moving=moving,
            motion=driven,
            strips=[_strip(flexure) for flexure in plane.flexures],
            depths=[(shapely.Polygon(flexure.outline_mm), flexure.depth_mm) for flexure in other],
            first_layer_mm=first_mm if stands else 0.0,
        ),
        settings,
    )
    laid, drawn = analysis.laid, analysis.drawn
    if not np.isfinite([laid.force[-1], *(strip.nominal[-1] for strip in laid.strips)]).all():
        raise SetupError("the plane model gives no number for a flexure of this shape")
    modulus = workpiece.setup.material["modulus"].value
    return Drive(
        motion=motion,
        plane=plane,
        stroke=np.abs(laid.stroke),
        force=np.abs(laid.force),
        drawn_force=np.abs(drawn.force),
        energy_N_mm=laid.energy_N_mm,
        error=analysis.force_error,
        strain_error=analysis.strain_error,
        bendings=tuple(
            _bending(flexure, one, other_one, modulus)
            for flexure, one, other_one in zip(plane.flexures, laid.strips, drawn.strips, strict=True)
        ),
        notes=(*analysis.notes, *_shape_notes(plane)),
        analysis=analysis,
    )


def _strip(flexure: Flexure) -> Strip:
    """A flexure as the plane model needs it, without points that stand twice."""
    apart = np.append(True, np.linalg.norm(np.diff(flexure.line_mm, axis=0), axis=1) > _TWICE_MM)
    return Strip(flexure.name, flexure.line_mm[apart], flexure.widths_mm[apart], flexure.root_radii_mm)


def _shape_notes(plane: SectionPlane) -> tuple[str, ...]:
    """What is said where the part is not the same at every height of its flexures."""
    if plane.prismatic_share > _PRISMATIC:
        return ()
    share = f"{100 * plane.prismatic_share:.0f} %"
    return (
        f"the section at {plane.height_mm:.1f} mm stands for all, {share} of the heights of the flexures are like it",
    )


def _bending(flexure: Flexure, laid: StripResult, drawn: StripResult, modulus_mpa: float) -> Bending:
    area_mm2 = laid.width_mm * flexure.depth_mm
    squeeze = -float(np.median(laid.membrane, axis=1).min()) * modulus_mpa * area_mm2
    return Bending(
        flexure=flexure,
        width_mm=laid.width_mm,
        strain=float(laid.nominal[-1]),
        drawn_strain=float(drawn.nominal[-1]),
        root_strain=float(np.fmax.reduce(laid.root_strain[-1])),
        share=laid.energy_share,
        squeeze_N=max(squeeze, 0.0),
    )


def _arm(plane: SectionPlane, region: str, moving: BaseGeometry) -> tuple[Flexure, int] | None:
    """The one flexure that holds the moving region, which may turn then, and its end there; None for several."""
    bodies = _bodies(plane, region, moving)
    ends = [
        (flexure, end)
        for flexure in plane.flexures
        for end in (0, 1)
        if flexure.blocks[end] in bodies
        or (
            flexure.blocks[end] < 0
            and flexure.kind is FlexureKind.ARM
            and moving.distance(shapely.Point(flexure.line_mm[-end])) < 2 * flexure.width_mm
        )
    ]
    return ends[0] if len(ends) == 1 else None


def _by_arm(
    workpiece: Workpiece, settings: PlaneSettings, motion: Motion, plane: SectionPlane, arm: tuple[Flexure, int]
) -> Drive:
    """By the formula of an arm that is free at its far end."""
    flexure, end = arm
    line, widths = (
        (flexure.line_mm, flexure.widths_mm) if end == 1 else (flexure.line_mm[::-1], flexure.widths_mm[::-1])
    )
    tip, along = line[-1], line[-1] - line[0]
    along = along / np.linalg.norm(along)
    load = _in_plane(workpiece, plane, np.array([motion.point_mm]))[0, :2]
    beyond_mm = max(float((load - tip) @ along), 0.0)
    way = (plane.axes @ workpiece.setup.rotation)[:2] @ np.array(motion.direction)
    across = float(abs(way @ np.array([-along[1], along[0]])) / np.linalg.norm(motion.direction))
    stroke = abs(max(motion.stroke, key=abs))
    modulus = workpiece.setup.material["modulus"].value
    reached = laid_width(widths, settings) if plane.in_layers else widths
    stiffness, _, strain = arm_force(line, reached, flexure.depth_mm, beyond_mm, modulus)
    drawn, _, drawn_strain = arm_force(line, widths, flexure.depth_mm, beyond_mm, modulus)
    steps = np.linspace(0.0, stroke, 5)
    return Drive(
        motion=motion,
        plane=plane,
        stroke=steps,
        force=stiffness * steps * across,
        drawn_force=drawn * steps * across,
        energy_N_mm=stiffness * (steps * across) ** 2 / 2,
        bendings=(
            Bending(
                flexure=flexure,
                width_mm=float(np.median(reached)),
                strain=float(strain.max()) * stroke * across,
                drawn_strain=float(drawn_strain.max()) * stroke * across,
                root_strain=float("nan"),
                share=1.0,
                squeeze_N=0.0,
            ),
        ),
        notes=("worked out as an arm held at its root and free to turn at its end, for small strokes",),
    )


# --- regions in a section -------------------------------------------------------------------


def _plane_of(workpiece: Workpiece, found: Flexures, motion: Motion) -> SectionPlane | None:
    """The plane in which a motion runs, that whose flexures join the moving region first."""
    fitting = []
    for plane in found.planes:
        normal = plane.axes[2] @ workpiece.setup.rotation
        lean = abs(float(normal @ np.array(motion.direction))) / float(np.linalg.norm(motion.direction))
        if lean < _IN_PLANE if motion.kind is MotionKind.TRANSLATION else lean > np.sqrt(1 - _IN_PLANE**2):
            fitting.append(plane)
    return max(fitting, key=lambda plane: _region_area(workpiece, plane, motion.region).area > _LEAST_MM2, default=None)


def _in_plane(workpiece: Workpiece, plane: SectionPlane, points: Floats) -> Floats:
    """Points of the part's frame in the frame of a section: x, y, height (n, 3) [mm]."""
    return np.asarray(workpiece.to_plate(points) @ plane.axes.T, dtype=float)


def _section_of(workpiece: Workpiece, plane: SectionPlane, region: Region) -> BaseGeometry:
    """Where the plane cuts the volume of a region; exact, since volumes are convex."""
    volume = region.volume
    if isinstance(volume, Box):
        corners = volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    else:
        corners = volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)
    at = _in_plane(workpiece, plane, corners)
    height = at[:, 2] - plane.height_mm
    low, high = at[height < 0], at[height >= 0]
    if not len(low) or not len(high):
        return shapely.Polygon()
    span = high[None, :, :] - low[:, None, :]
    share = (plane.height_mm - low[:, None, 2]) / span[:, :, 2]
    crossed = low[:, None, :2] + share[..., None] * span[..., :2]
    return shapely.MultiPoint(crossed.reshape(-1, 2)).convex_hull


def _region_area(workpiece: Workpiece, plane: SectionPlane, name: str) -> BaseGeometry:
    """Matter of a declared region in the section; later regions take what they hold, and flexures are none of it."""
    names = [region.name for region in workpiece.regions]
    if name not in names:
        return shapely.Polygon()
    place = names.index(name)
    area = plane.section.intersection(_section_of(workpiece, plane, workpiece.regions[place]))
    for region in workpiece.regions[place + 1 :]:
        area = area.difference(_section_of(workpiece, plane, region))
    leaves = [shapely.Polygon(flexure.outline_mm) for flexure in plane.flexures if len(flexure.outline_mm) > 3]
    area = area.difference(shapely.union_all([leaf if leaf.is_valid else leaf.buffer(0) for leaf in leaves]))
    return shapely.union_all([piece for piece in shapely.get_parts(area) if piece.area > _LEAST_MM2])


def _bodies(plane: SectionPlane, region: str, area: BaseGeometry) -> list[int]:
    """Indices of the blocks that hold a declared region, or matter of it in the section."""
    return [
        index
        for index, block in enumerate(plane.blocks)
        if region in block.regions or block.outline.intersection(area).area > _LEAST_MM2
    ]


def _fixed(workpiece: Workpiece, plane: SectionPlane, motion: Motion, moving: BaseGeometry) -> BaseGeometry:
    """What is held: the fixed regions, the body that they are a part of, the grip, or the largest body that rests."""
    still = [index for index in range(len(plane.blocks)) if index not in _bodies(plane, motion.region, moving)]
    for kind in (RegionKind.FIXED, RegionKind.GRIP):
        names = [region.name for region in workpiece.regions if region.kind is kind]
        area = shapely.union_all([_region_area(workpiece, plane, name) for name in names])
        if area.area > _LEAST_MM2:
            return area
        for index in still:
            if set(names) & set(plane.blocks[index].regions):
                return plane.blocks[index].outline
    if not still:
        raise SetupError(f"nothing but {motion.region} is left at the height of the flexures to hold it by")
    return plane.blocks[max(still, key=lambda index: plane.blocks[index].volume_mm3)].outline


def _declared_2d(workpiece: Workpiece, plane: SectionPlane, motion: Motion, at: Floats) -> Floats:
    """Direction in which a declared motion starts at a point of the section, (2,) float [-]."""
    to_plane = plane.axes @ workpiece.setup.rotation
    if motion.kind is MotionKind.TRANSLATION:
        return np.asarray((to_plane @ np.array(motion.direction))[:2], dtype=float)
    centre = _in_plane(workpiece, plane, np.array([motion.point_mm]))[0, :2]
    arm = at - centre
    return np.array([-arm[1], arm[0]])


def _way(block: Block, move: Floats, at: Floats) -> Floats:
    """How a point of a block goes when the block moves by ux, uy and turns, (2,) float [mm]."""
    arm = at - block.centre_mm
    return np.array([move[0] - move[2] * arm[1], move[1] + move[2] * arm[0]])
