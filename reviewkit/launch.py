"""How a launched part starts: its matter, its mass, its speed and its energy, made once for all that judge a shot.

Speed and energy are those that were measured, else they come from what the launcher stores: by a measured
force, by the plane model of its flexures, or by the force that is asked of it.  Stored energy is shared
between the launched part and what moves with it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
import shapely

from reviewkit.limits import Limits
from reviewkit.measure.filling import Filling, filling_of
from reviewkit.measure.gaps import facet_bodies
from reviewkit.measure.impact import kinetic_energy_j, speed_m_s, spring_energy_j
from reviewkit.measure.layers import Ints, Layers, layers
from reviewkit.measure.mass import PrintedMass, mass_of
from reviewkit.measure.zones import rest_fill, zoned
from reviewkit.mechanics import Drive, MechanicsCase, drives
from reviewkit.model import Floats
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    PartEntry,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Zone,
    region_contains,
)
from reviewkit.workpiece import Workpiece

_J_PER_N_MM = 1e-3


class Known(StrEnum):
    """Whence a launch is known, the surest first."""

    SPEED = "measured speed"
    FORCE = "measured force"
    FLEXURES = "model of the flexures"
    REQUIREMENT = "force that is asked for"


@dataclass(frozen=True)
class Span:
    """A number with the least and the greatest that it may be [any unit]."""

    low: float
    value: float
    high: float


@dataclass(frozen=True)
class Stored:
    """The energy that a launcher's motion gives up.

    Parameters
    ----------
    motion : Motion
    known : Known
        By force, flexures or requirement.
    words : str
        Whence it is known, to follow "by".
    energy_j : Span
        [J]
    moving_g : Span or None
        Mass that moves with the launched part, that of the leaves by their share; None where nobody knows [g].
    """

    motion: Motion
    known: Known
    words: str
    energy_j: Span
    moving_g: Span | None = None


@dataclass(frozen=True)
class Launch:
    """How one launched part starts.

    Parameters
    ----------
    known : Known
    words, speed_words : str
        Whence energy and speed are known, to follow "by".
    energy_j : Span
        Of the launched part; the greatest is that of the heaviest print [J].
    speed_m_s : Span
        The greatest is that of the lightest print [m/s].
    stored : Stored or None
        What it was worked out from, None for a measured speed.
    usable_j : float
        Of the stored energy what losses leave, likely; 0 for a measured speed [J].
    """

    known: Known
    words: str
    speed_words: str
    energy_j: Span
    speed_m_s: Span
    stored: Stored | None = None
    usable_j: float = 0.0


@dataclass(frozen=True, eq=False)
class Shot:
    """One launched part, or one launched region of a part.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
    region : Region or None
        None where the whole part is launched and no region says so.
    """

    workpiece: Workpiece
    limits: Limits
    region: Region | None

    @property
    def name(self) -> str:
        """Name of its region, empty without one."""
        return self.region.name if self.region else ""

    @property
    def words(self) -> str:
        """What it is called in a sentence."""
        return f"'{self.region.name}'" if self.region else "the projectile"

    @cached_property
    def faces(self) -> Ints:
        """Facets of the bodies that lie in its region, all facets where none does."""
        part = self.workpiece.part
        if self.region is None:
            return part.faces
        body = facet_bodies(part.faces, len(part.vertices))
        inside = region_contains(self.region, part.vertices[part.faces].mean(axis=1))
        mine = np.bincount(body, inside) > 0.5 * np.bincount(body)
        return part.faces[mine[body]] if mine.any() else part.faces

    @cached_property
    def corners(self) -> Floats:
        """Its corners [mm]."""
        corners: Floats = self.workpiece.part.vertices[np.unique(self.faces)]
        return corners

    @cached_property
    def zones(self) -> tuple[Zone, ...]:
        """The zones of its part, in the order of the submission."""
        return self.workpiece.zones

    @cached_property
    def mass(self) -> PrintedMass:
        """Mass of it as printed, with its zones; plate frame."""
        return self.mass_with(self.zones)

    def mass_with(self, zones: tuple[Zone, ...], core_fill: float | None = None) -> PrintedMass:
        """Mass of it with other zones, or with another core fill [-] than the setup's; plate frame."""
        workpiece, setup = self.workpiece, self.workpiece.setup
        fill = rest_fill(setup.core_fill if core_fill is None else core_fill, zones)
        setup = replace(setup, core_fill=fill)

        def weighed() -> PrintedMass:
            cut, filled, low_mm = self._printed
            place = np.array([0.0, 0.0, low_mm])
            laid = zoned(cut, filled, zones, fill, setup.printing, lambda points: workpiece.to_plate(points) - place)
            mass = mass_of(cut, setup, self.limits, laid)
            return replace(mass, centre_mm=mass.centre_mm + place)

        return workpiece.measured("launched mass", weighed, self.name, zones, fill, self.limits.sha256)

    @cached_property
    def _printed(self) -> tuple[Layers, Filling, float]:
        """Its layers, how they are filled, and how high it begins over the plate [mm]."""
        workpiece, setup = self.workpiece, self.workpiece.setup
        if len(self.faces) == len(workpiece.part.faces):
            cut, low_mm = workpiece.layers, 0.0
        else:
            used, faces = np.unique(self.faces, return_inverse=True)
            low_mm = float(workpiece.vertices[used, 2].min())
            vertices = workpiece.vertices[used] - (0.0, 0.0, low_mm)
            cut = layers(vertices, faces.reshape(-1, 3).astype(np.int64), setup.first_layer_mm, setup.layer_height_mm)
        return cut, filling_of(cut, setup.printing, setup.line_width_mm), low_mm

    @cached_property
    def flight(self) -> tuple[Floats, bool]:
        """Direction of flight in the part's frame [-], and whether it was declared which end is ahead."""
        volume = self.region.volume if self.region else None
        if isinstance(volume, Cylinder):
            axis = np.array(volume.to_mm) - np.array(volume.from_mm)
            return axis / np.linalg.norm(axis), True
        if isinstance(volume, Box):
            size = np.array(volume.max_mm) - np.array(volume.min_mm)
            turn = np.radians(volume.turn_deg)
            axes = np.array([(np.cos(turn), np.sin(turn), 0), (-np.sin(turn), np.cos(turn), 0), (0, 0, 1)])
            return axes[int(np.argmax(size))], False
        least = np.linalg.eigh(self.mass.inertia_g_mm2)[1][:, 0]
        return self.workpiece.to_part_direction(least[None])[0], False

    @cached_property
    def launch(self) -> Launch | None:
        """How it starts, None where nothing is declared to tell it from."""
        return launch_of(self.workpiece, self.limits, self.mass)


def shots(workpiece: Workpiece, limits: Limits) -> tuple[Shot, ...]:
    """What of a part is launched: its regions of that kind, else the whole part where another launches it."""
    marked = [region for region in workpiece.regions if region.kind is RegionKind.PROJECTILE]
    if marked:
        return tuple(Shot(workpiece, limits, region) for region in marked)
    entry = entry_of(workpiece)
    return (Shot(workpiece, limits, None),) if entry is not None and entry.launched_by else ()


def entry_of(workpiece: Workpiece) -> PartEntry | None:
    """Entry of the part in its submission."""
    return next((entry for entry in workpiece.submission.parts if entry.id == workpiece.part.id), None)


def launch_of(workpiece: Workpiece, limits: Limits, mass: PrintedMass) -> Launch | None:
    """Speed and energy at which a part leaves its launcher.

    Parameters
    ----------
    workpiece : Workpiece
        The part that is launched.
    limits : Limits
        Tables with the rows ``launch.*``, and those of :mod:`reviewkit.mechanics`.
    mass : PrintedMass
        Of what is launched.

    Returns
    -------
    Launch or None
        None where no speed, force or flexure tells it.

    Notes
    -----
    v = sqrt(2 eta U / (m + m_c)) and E = eta U m / (m + m_c): U stored, eta what losses leave of it, m_c the mass
    that moves along.  The greatest energy is that of the heaviest print, the greatest speed that of the lightest.
    """
    spread = limits.value("launch.energy_spread", workpiece.setup).value
    if (fast := _measured_speed(workpiece)) is not None:
        speed, name = fast
        low, value, high = (kinetic_energy_j(m, speed) for m in (mass.low_g, mass.mass_g, mass.high_g))
        energy = Span(min(low, value * (1 - spread)), value, max(high, value * (1 + spread)))
        words = f"the measured speed of {name}, {speed:g} m/s, and {mass_words(mass)}"
        return Launch(Known.SPEED, words, f"the measured speed of {name}", energy, Span(speed, speed, speed))
    stored = stored_by(workpiece, limits)
    if stored is None:
        return None
    least, middle, most = (
        limits.value(f"launch.{name}", workpiece.setup).value
        for name in ("efficiency_least", "efficiency", "efficiency_most")
    )
    along = stored.moving_g or Span(0.0, 0.0, 0.0)
    usable = Span(least * stored.energy_j.low, middle * stored.energy_j.value, most * stored.energy_j.high)
    return Launch(
        stored.known,
        stored.words,
        stored.words,
        Span(
            usable.low * mass.low_g / (mass.low_g + along.high),
            usable.value * mass.mass_g / (mass.mass_g + along.value),
            usable.high * mass.high_g / (mass.high_g + along.low),
        ),
        Span(
            speed_m_s(usable.low, mass.high_g + along.high),
            speed_m_s(usable.value, mass.mass_g + along.value),
            speed_m_s(usable.high, mass.low_g + along.low),
        ),
        stored,
        usable.value,
    )


def speed_with(launch: Launch, mass_g: float) -> float:
    """Likely speed of another mass [g] in the same launcher, the measured one where nothing else is known [m/s]."""
    if launch.stored is None:
        return launch.speed_m_s.value
    along = 0.0 if launch.stored.moving_g is None else launch.stored.moving_g.value
    return speed_m_s(launch.usable_j, mass_g + along)


def stored_by(workpiece: Workpiece, limits: Limits) -> Stored | None:
    """The energy that the launcher of a part stores, the greatest of several motions, None where nothing tells it.

    Parameters
    ----------
    workpiece : Workpiece
        The launched part, or the launcher.
    limits : Limits
        Tables with the rows ``launch.*``, and those of :mod:`reviewkit.mechanics`.
    """
    launcher = launcher_of(workpiece)
    bends = {} if launcher is None else {d.motion: d for d in drives(launcher, limits) if not d.reason}
    found = [
        stored
        for motion in _motions(workpiece, _launcher_id(workpiece))
        if (stored := _stored(workpiece, limits, launcher, motion, bends.get(motion))) is not None
    ]
    return max(found, key=lambda stored: stored.energy_j.high, default=None)


def launcher_of(workpiece: Workpiece) -> Workpiece | None:
    """The part that launches this one, this one itself where none does; None where it was not read."""
    name = _launcher_id(workpiece)
    if name == workpiece.part.id:
        return workpiece
    return workpiece.beside.get(name)


def mass_words(mass: PrintedMass) -> str:
    """A printed mass with its span."""
    return f"{mass.mass_g:.3g} g ({mass.low_g:.3g} to {mass.high_g:.3g} g)"


# --- what the launcher stores -----------------------------------------------------------------


def _launcher_id(workpiece: Workpiece) -> str:
    entry = entry_of(workpiece)
    return (entry.launched_by if entry else "") or workpiece.part.id


def _motions(workpiece: Workpiece, *parts: str) -> Iterator[Motion]:
    """The motions whose region belongs to one of some parts."""
    owner = {region.name: region.part for region in workpiece.submission.regions}
    return (motion for motion in workpiece.submission.motions if owner.get(motion.region) in parts)


def _measured_speed(workpiece: Workpiece) -> tuple[float, str] | None:
    """The greatest measured speed of a shot [m/s] and whose it is."""
    own = _motions(workpiece, _launcher_id(workpiece), workpiece.part.id)
    return max(((m.speed_m_s, m.name) for m in own if m.speed_m_s is not None), default=None)


def _stored(
    workpiece: Workpiece, limits: Limits, launcher: Workpiece | None, motion: Motion, drive: Drive | None
) -> Stored | None:
    """The energy of one motion."""
    if motion.kind is not MotionKind.TRANSLATION:
        return None
    ends = sorted(abs(end) for end in motion.stroke)
    rest_mm, drawn_mm = (0.0 if motion.stroke[0] * motion.stroke[1] <= 0 else ends[0]), ends[1]
    spread = limits.value("launch.energy_spread", workpiece.setup).value
    along = None if launcher is None or drive is None else moving_mass_g(launcher, limits, drive)

    def linear(known: Known, pull: Span, words: str) -> Stored:
        low, value, high = (spring_energy_j(max(f, 0.0), drawn_mm, rest_mm) for f in (pull.low, pull.value, pull.high))
        return Stored(motion, known, words, Span(low, value, high), along)

    if (force := motion.force_N) is not None:
        words = f"the spring of {motion.name}, measured {force:g} N at {drawn_mm:g} mm"
        return linear(Known.FORCE, Span(force * (1 - spread), force, force * (1 + spread)), words)
    if launcher is not None and drive is not None:
        return _bent(launcher, limits, drive, rest_mm, drawn_mm, along)
    wanted = _asked(workpiece, motion)
    if wanted is None or wanted.nominal is None:
        return None
    force, lower, upper = wanted.nominal, wanted.lower, wanted.upper
    low = force * (1 - spread) if lower is None else force + min(lower, 0.0)
    high = force * (1 + spread) if upper is None else force + max(upper, 0.0)
    span = "" if low == high else f" ({low:g} to {high:g} N)"
    words = f"the spring of {motion.name}, {force:g} N{span} at {drawn_mm:g} mm by requirement {wanted.id}"
    return linear(Known.REQUIREMENT, Span(low, force, high), words)


def _bent(
    launcher: Workpiece, limits: Limits, drive: Drive, rest_mm: float, drawn_mm: float, along: Span | None
) -> Stored:
    """What the flexures give up, over the range of the material and the scatter of widths."""
    energy_j = (drive.energy_at(drawn_mm) - drive.energy_at(rest_mm)) * _J_PER_N_MM
    modulus = launcher.setup.material["modulus"]
    thin, thick = (float(end) for end in MechanicsCase(launcher, limits).spread(drive).range_95)
    words = f"the flexures of {drive.motion.name} bent over {drawn_mm:g} mm, by the plane model"
    span = Span(
        energy_j * modulus.low / modulus.value * thin * (1 - drive.error),
        energy_j,
        energy_j * modulus.high / modulus.value * thick * (1 + drive.error),
    )
    return Stored(drive.motion, Known.FLEXURES, words, span, along)


def moving_mass_g(launcher: Workpiece, limits: Limits, drive: Drive) -> Span | None:
    """Mass that moves with what a motion drives, each place by the square of its share of the motion.

    Parameters
    ----------
    launcher : Workpiece
    limits : Limits
        Tables with the rows ``mass.*``.
    drive : Drive
        One of its motions.

    Returns
    -------
    Span or None
        From an empty to a solid print [g]; None for an arm by formula, whose shape is not kept.

    Notes
    -----
    Rayleigh's mass with the shape of a small stroke: the integral of density and squared displacement over that of
    the driven place, 13/35 of its own mass for a leaf that is guided at its far end.
    """
    if drive.analysis is None or drive.plane is None:
        return None
    laid, plane = drive.analysis.laid, drive.plane
    corners = laid.nodes_mm[laid.triangles]
    share = laid.moved_mm[1][laid.triangles] / abs(laid.stroke[1])
    first, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area_mm2 = np.abs(first[:, 0] * other[:, 1] - first[:, 1] * other[:, 0]) / 2
    # A product of linear functions over a triangle, exactly.
    squares = ((share**2).sum(axis=(1, 2)) + (share.sum(axis=1) ** 2).sum(axis=1)) / 12
    depth_mm = np.full(len(corners), float(np.median([flexure.depth_mm for flexure in plane.flexures])))
    for block in plane.blocks:
        held = shapely.contains_xy(block.outline, corners.mean(axis=1))
        if block.outline.area > 0:
            depth_mm[held] = block.volume_mm3 / block.outline.area
    volume_mm3 = float((area_mm2 * depth_mm) @ squares)
    mass = launcher.mass(limits)
    return Span(*(volume_mm3 * g / mass.solid_mm3 for g in (mass.low_g, mass.mass_g, mass.high_g)))


def _asked(workpiece: Workpiece, motion: Motion) -> Requirement | None:
    """The force asked of a moving region in newtons, the greatest of several."""
    asked = [
        requirement
        for requirement in workpiece.submission.requirements
        if requirement.what is RequirementKind.FORCE
        and requirement.region == motion.region
        and requirement.unit == "N"
        and requirement.nominal
    ]
    return max(asked, key=lambda requirement: requirement.nominal or 0.0, default=None)
