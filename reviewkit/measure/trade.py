"""Leaves traded for other leaves: the same stiffness, stroke and strain from fewer, deeper, thicker or rippled ones.

The leaves stand up from the plate side by side, guided at both ends, and bend within the layers:
their width is laid in lines, their depth is built up in layers.  Closed forms throughout, so that
a whole table takes milliseconds; nothing here judges.

Three things are called a ripple.  A wave down the depth, whose crests run along the leaf, moves
material away from the bending axis and stiffens; it also strains more.  A wave along the leaf only
makes the path longer, in the bending plane or out of it, and stiffens nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np

from reviewkit.limits import Limits
from reviewkit.measure.beams import (
    BeamBounds,
    Bent,
    Ends,
    Leaf,
    beam_bounds,
    bent,
    elastica,
    out_of_plane_ratio,
    wave_length_ratio,
    wavy_axial_ratio,
    wavy_second_moment_mm3,
)
from reviewkit.measure.motion_time import Pace, line_s
from reviewkit.measure.plane_model import PlaneSettings, laid_width, plane_settings
from reviewkit.measure.scatter import ForceScatter, WidthScatter, force_scatter
from reviewkit.model import Floats, Setup

# Rounds by which a design is brought to the stiffness and strain asked for, and when it is there [-].
_ROUNDS = 40
_ALIKE = 1e-9
# A width that lines give to within this share is the one drawn [-].
_AS_DRAWN = 0.005
# Most of its length that a guided leaf may go in the tables of the elastica [-].
_MOST_SHARE = 0.8


class Ripple(StrEnum):
    """Where a leaf waves."""

    NONE = "none"
    SECTION = "down the depth"
    IN_PLANE = "along the leaf, in the way it bends"
    OUT_OF_PLANE = "along the leaf, up and down"


@dataclass(frozen=True)
class Design:
    """Leaves side by side, all alike.

    Parameters
    ----------
    count : int
        How many [-].
    width_mm, depth_mm, length_mm : float
        Of each as drawn; in which it bends, along the axis about which it bends, from face to face [mm].
    ripple : Ripple
    amplitude_mm : float
        Half the height of the wave of its middle surface [mm].
    waves : int
        Whole waves over the depth or the length [-].
    root_radius_mm : float
        Fillet at both ends, 0 sharp [mm].
    """

    count: int
    width_mm: float
    depth_mm: float
    length_mm: float
    ripple: Ripple = Ripple.NONE
    amplitude_mm: float = 0.0
    waves: int = 2
    root_radius_mm: float = 0.0

    @property
    def rippled(self) -> bool:
        """Whether it waves at all."""
        return self.ripple is not Ripple.NONE and self.amplitude_mm > 0

    @property
    def wavelength_mm(self) -> float:
        """Of one wave, along its mean line [mm]."""
        return (self.depth_mm if self.ripple is Ripple.SECTION else self.length_mm) / self.waves

    @property
    def lean_deg(self) -> float:
        """Angle by which a wall that waves down its depth leans from upright at most [deg]."""
        if not self.rippled or self.ripple is not Ripple.SECTION:
            return 0.0
        return float(np.degrees(np.arctan(2 * np.pi * self.amplitude_mm / self.wavelength_mm)))


@dataclass(frozen=True)
class Task:
    """What the leaves have to do, and how a part differs from the formulas.

    Parameters
    ----------
    stroke_mm : float
        From rest to the end [mm].
    stages : int
        Equal stages one behind the other, each of an equal share of the leaves [-].
    force_factor, strain_factor : float
        Of the leaves in the plane model of a part over the formulas; 1 for leaves that are only numbers [-].
    share : float
        Of the energy of the whole mechanism that these leaves store; the rest does not scatter [-].
    """

    stroke_mm: float
    stages: int = 1
    force_factor: float = 1.0
    strain_factor: float = 1.0
    share: float = 1.0


@dataclass(frozen=True)
class Making:
    """How the leaves are made and of what.

    Parameters
    ----------
    setup : Setup
    poisson : float
        Poisson's ratio [-].
    lines : PlaneSettings
        How widths are laid in lines.
    bounds : BeamBounds
        Where the formulas hold.
    scatter : WidthScatter
    gap_mm : float
        Least gap between leaves [mm].
    lean_deg : float
        Most that a wall may lean from upright [deg].
    time_share : float
        Half-width at 95 % of the time over the time [-].
    counts : int
        How many smaller numbers of leaves are tried [-].
    count_share : float
        Each number of leaves over the one before [-].
    waves : int
        Whole waves down the depth [-].
    ripple : float
        Amplitude of a wave over the width that is tried [-].
    """

    setup: Setup
    poisson: float
    lines: PlaneSettings
    bounds: BeamBounds
    scatter: WidthScatter
    gap_mm: float
    lean_deg: float
    time_share: float
    counts: int
    count_share: float
    waves: int
    ripple: float

    @property
    def modulus_mpa(self) -> float:
        """Young's modulus in the layer plane [MPa]."""
        return self.setup.material["modulus"].value

    @property
    def strain_allowed(self) -> float:
        """Strain that the material bears for many strokes [-]."""
        return self.setup.material["strain_many_cycles"].value


@dataclass(frozen=True)
class Rippled:
    """A leaf that waves over the same leaf straight, each a ratio at the same width in the layer.

    Parameters
    ----------
    bending, axial : float
        Stiffness across the leaf and along it [-].
    strain : float
        Largest nominal strain at the same stroke [-].
    road : float
        Length of the lines [-].
    """

    bending: float = 1.0
    axial: float = 1.0
    strain: float = 1.0
    road: float = 1.0


@dataclass(frozen=True, eq=False)
class Studied:
    """A design at its task.

    Parameters
    ----------
    name : str
        What was traded, in words.
    design : Design
    laid_mm : float
        Width as the lines are laid [mm].
    stiffness_N_mm, force_N, energy_N_mm : float
        At rest, and at the end of the stroke [N/mm, N, N mm].
    strain : float
        Largest nominal one at the end of the stroke [-].
    material_mm3 : float
        Of the leaves [mm3].
    road_mm, time_s, time_uncertainty_s : float
        Length of the lines of all leaves, and the time that it takes, a proxy of the print time [mm, s].
    footprint_mm : (float, float)
        Length and breadth of the leaves on the plate, the least gap between them [mm].
    spread : ForceScatter
        Forces of many parts over that of one without scatter.
    against : tuple of str
        Why it cannot be made or used, in words; empty where nothing is known against it.
    """

    name: str
    design: Design
    laid_mm: float
    stiffness_N_mm: float  # noqa: N815
    force_N: float  # noqa: N815
    energy_N_mm: float  # noqa: N815
    strain: float
    material_mm3: float
    road_mm: float
    time_s: float
    time_uncertainty_s: float
    footprint_mm: tuple[float, float]
    spread: ForceScatter
    against: tuple[str, ...]

    @property
    def area_mm2(self) -> float:
        """Of the leaves on the plate, the least gap between them [mm2]."""
        return self.footprint_mm[0] * self.footprint_mm[1]

    @property
    def scatter(self) -> float:
        """Half the range that holds 95 of 100 parts, over the force [-]."""
        low, high = self.spread.range_95
        return (high - low) / 2


def making(limits: Limits, setup: Setup) -> Making:
    """How leaves are made in a setup, from the rows ``trade.*``, ``mechanics.*``, ``plane.*`` and ``beam.*``.

    Parameters
    ----------
    limits : Limits
    setup : Setup

    Returns
    -------
    Making

    Raises
    ------
    LimitError
        When a row is missing.
    """

    def value(quantity: str) -> float:
        return limits.value(quantity, setup).value

    def least(quantity: str) -> float:
        return next(limit.value for limit in limits.band(quantity, setup).limits)

    fit = setup.printing.calibration
    return Making(
        setup=setup,
        poisson=value("mechanics.poisson"),
        lines=plane_settings(limits, setup),
        bounds=beam_bounds(limits, setup),
        scatter=WidthScatter(
            leaf_mm=value("mechanics.width_leaf"),
            part_mm=value("mechanics.width_part"),
            machine_mm=value("mechanics.width_machine"),
            machines=round(value("mechanics.machines")),
            parts=round(value("trade.parts")),
            seed=round(value("mechanics.seed")),
        ),
        gap_mm=least("gap.clearance"),
        lean_deg=least("overhang.angle"),
        time_share=value("trade.time") if fit is None else fit.spread,
        counts=round(value("trade.counts")),
        count_share=value("trade.count_share"),
        waves=round(value("trade.waves")),
        ripple=value("trade.ripple"),
    )


def studied(design: Design, task: Task, made: Making, name: str = "") -> Studied:
    """A design at its task.

    Parameters
    ----------
    design : Design
    task : Task
    made : Making
    name : str
        What was traded.

    Returns
    -------
    Studied

    Notes
    -----
    Formulas of :mod:`reviewkit.measure.beams` with the widths as laid; the time is the length of the lines over
    their speed with a start and a stop for each line, without travel, cooling and what the leaves join.
    """
    laid_mm = float(laid_width(design.width_mm, made.lines))
    leaf = _leaf(design, laid_mm)
    end = _bent(leaf, task, made)
    ratio = rippled(replace(design, width_mm=laid_mm), made.poisson)
    bending = ratio.bending * task.force_factor
    strain = end.strain * ratio.strain * task.strain_factor
    lines, layers = _lines(laid_mm, made), max(round(design.depth_mm / made.setup.layer_height_mm), 1)
    roads = design.count * lines * layers
    starts_s = design.count * layers * made.setup.printing.start_s
    time_s = roads * line_time_s(design.length_mm * ratio.road, made.setup) + starts_s
    aside_mm = 2 * design.amplitude_mm if design.ripple in (Ripple.SECTION, Ripple.IN_PLANE) else 0.0
    breadth_mm = design.count * (laid_mm + aside_mm) + (design.count - 1) * made.gap_mm
    found = Studied(
        name=name,
        design=design,
        laid_mm=laid_mm,
        stiffness_N_mm=design.count / task.stages**2 * end.stiffness_N_mm * bending,
        force_N=design.count / task.stages * end.force_N * bending,
        energy_N_mm=design.count * end.energy_N_mm * bending,
        strain=strain,
        material_mm3=design.count * laid_mm * design.depth_mm * design.length_mm * ratio.road,
        road_mm=roads * design.length_mm * ratio.road,
        time_s=time_s,
        time_uncertainty_s=made.time_share * time_s,
        footprint_mm=(design.length_mm, breadth_mm),
        spread=_spread(design.count, laid_mm, task.share, made.scatter),
        against=(),
    )
    return replace(found, against=(*_against(found, made), *end.beyond))


def force_curve(design: Design, task: Task, made: Making, stroke_mm: Floats) -> tuple[Floats, Floats]:
    """Force and stored energy over the stroke.

    Parameters
    ----------
    design : Design
    task : Task
        Its stroke is not looked at.
    made : Making
    stroke_mm : (k,) float
        Places of the stroke [mm].

    Returns
    -------
    force_n, energy_n_mm : (k,) float
        [N, N mm].
    """
    laid_mm = float(laid_width(design.width_mm, made.lines))
    leaf = _leaf(design, laid_mm)
    end = _bent(leaf, task, made)
    share = np.minimum(stroke_mm / task.stages / leaf.effective_length_mm, _MOST_SHARE)
    large = elastica(share, Ends.GUIDED)
    bending = rippled(replace(design, width_mm=laid_mm), made.poisson).bending * task.force_factor
    stiffness = design.count / task.stages**2 * end.stiffness_N_mm * bending
    force = stiffness * stroke_mm * large.force
    return np.asarray(force, dtype=float), np.asarray(stiffness * stroke_mm**2 / 2 * large.energy, dtype=float)


def stroke_at_strain_mm(design: Design, task: Task, made: Making, strain: float) -> float:
    """Stroke at which a design reaches a nominal strain, inf where it does not within what the formulas reach.

    Parameters
    ----------
    design : Design
    task : Task
        Its stroke is not looked at.
    made : Making
    strain : float
        [-].

    Returns
    -------
    float
        [mm].
    """
    laid_mm = float(laid_width(design.width_mm, made.lines))
    leaf = _leaf(design, laid_mm)
    factor = rippled(replace(design, width_mm=laid_mm), made.poisson).strain * task.strain_factor
    share = np.linspace(0.0, _MOST_SHARE, 161)
    moment = np.asarray(elastica(share, Ends.GUIDED).end_moment, dtype=float)
    reached = 3 * laid_mm * share / leaf.effective_length_mm * leaf.root_share * moment * factor
    if reached[-1] < strain:
        return float("inf")
    return float(np.interp(strain, reached, share)) * leaf.effective_length_mm * task.stages


def rippled(design: Design, poisson: float) -> Rippled:
    """What the wave of a design does to its leaves.

    Parameters
    ----------
    design : Design
    poisson : float
        Poisson's ratio [-].

    Returns
    -------
    Rippled
        All 1 for a straight leaf.

    Notes
    -----
    A wave down the depth keeps the width in every layer, so its second moment is exactly 1 + 6 (a/t)2 of the
    straight one, and its outer fibre lies 1 + 2 a/t as far out.  Waves along the leaf are integrated.  A wave up
    and down holds for leaves whose depth is small against its length.

    References
    ----------
    Briassoulis, Computers and Structures 23 (1986) 129-138: equivalent plates, flat waves (from memory).
    """
    if not design.rippled:
        return Rippled()
    height, length = design.amplitude_mm, design.wavelength_mm
    if design.ripple is Ripple.SECTION:
        over = height / design.width_mm
        return Rippled(bending=1 + 6 * over**2, strain=1 + 2 * over)
    road = wave_length_ratio(height, length)
    if design.ripple is Ripple.IN_PLANE:
        return Rippled(1 / road, wavy_axial_ratio(height, length, design.width_mm, poisson), 1 / road, road)
    bending = out_of_plane_ratio(height, length, poisson)
    return Rippled(bending, wavy_axial_ratio(height, length, design.depth_mm, poisson), bending, road)


def even_wall_gain(amplitude_mm: float, wavelength_mm: float, thickness_mm: float) -> float:
    """Bending stiffness of a wall that waves down its depth over the straight one, its thickness the same everywhere.

    Parameters
    ----------
    amplitude_mm, wavelength_mm, thickness_mm : float
        Of the wave, and of the wall square to itself [mm].

    Returns
    -------
    float
        By exact integration; more than at the same width in the layer, because it takes more material [-].
    """
    return wavy_second_moment_mm3(amplitude_mm, wavelength_mm, thickness_mm) / (thickness_mm**3 / 12)


def line_time_s(length_mm: float, setup: Setup) -> float:
    """Time of one line, begun and ended as at a sharp corner.

    Parameters
    ----------
    length_mm : float
        [mm].
    setup : Setup
        Its machine says speed, acceleration and melt rate limit.

    Returns
    -------
    float
        [s].

    """
    how = setup.printing
    speed_mm_s = min(how.outline_mm_s, how.melt_mm3_s / (setup.line_width_mm * setup.layer_height_mm))
    pace = Pace(speed_mm_s, how.acceleration_mm_s2, how.corner_deg, how.corner_mm_s)
    factor = 1.0 if how.calibration is None else how.calibration.factor
    return factor * float(line_s(np.array([length_mm]), pace)[0])


def trades(start: Design, task: Task, made: Making) -> tuple[Studied, ...]:
    """Designs that do the same as one: the same stiffness, stroke and strain.

    Parameters
    ----------
    start : Design
        Its own wave is kept, but for one row that trades a wave down the depth for a straight leaf.
    task : Task
    made : Making

    Returns
    -------
    tuple of Studied
        The start first.  Rows that give way in strain say so in their name: rippled leaves of the same
        length, and the same leaves at the strain that the material allows where the start passes it.

    Notes
    -----
    To first order k = n E b t3/L3 and e = 3 t d/L2: n b stays for the same t and L; L goes with the root of t and
    n b with t to the power -3/2; the material stays the same whatever is chosen, but for a ripple.
    """
    first = studied(start, task, made, "as it is")
    return first, *(studied(design, task, made, name) for name, design in _other_designs(first, task, made))


def _other_designs(first: Studied, task: Task, made: Making) -> Iterator[tuple[str, Design]]:
    start = first.design
    kept = replace(start, width_mm=first.laid_mm)
    plain = replace(kept, ripple=Ripple.NONE, amplitude_mm=0.0)
    goal = _Goal(task, made, first.stiffness_N_mm, first.strain)
    fewer = _fewer(start.count, made)
    for count in fewer:
        yield "fewer, deeper", goal.by_depth(replace(kept, count=count))
    for count in fewer:
        yield "fewer, as deep: thicker, longer", goal.by_width(replace(kept, count=count))
    lines = _lines(first.laid_mm, made)
    for more, words in ((1, "one line more: longer"), (-1, "one line less: shorter")):
        if lines + more >= 1:
            width_mm = (lines + more) * made.setup.line_width_mm
            count = max(round(start.count * (first.laid_mm / width_mm) ** 1.5), 1)
            yield words, goal.by_depth(replace(kept, width_mm=width_mm, count=count))
    if start.rippled and start.ripple is Ripple.SECTION:
        ratio = rippled(kept, made.poisson)
        count = max(round(start.count * ratio.bending / ratio.strain**1.5), 1)
        yield "straight, shorter", goal.by_depth(replace(plain, count=count))
    else:
        height_mm = made.ripple * first.laid_mm
        wavy = replace(plain, ripple=Ripple.SECTION, amplitude_mm=height_mm, waves=made.waves)
        ratio = rippled(wavy, made.poisson)
        count = max(round(start.count * ratio.strain**1.5 / ratio.bending), 1)
        yield "rippled, longer", goal.by_depth(replace(wavy, count=count))
        count = max(round(start.count / ratio.bending), 1)
        yield "rippled, as long: strain rises", goal.by_depth(replace(wavy, count=count), keep_length=True)
    if first.strain > made.strain_allowed:
        calm = replace(goal, strain=made.strain_allowed)
        yield "less strained: longer, deeper", calm.by_depth(kept)


@dataclass(frozen=True)
class _Goal:
    """The stiffness and strain that a design is brought to."""

    task: Task
    made: Making
    stiffness: float
    strain: float

    def by_depth(self, design: Design, *, keep_length: bool = False) -> Design:
        """The design with the length and depth that reach it; the stiffness is in proportion to the depth."""
        stiffness, strain = self._reached(design)
        for _ in range(0 if keep_length else _ROUNDS):
            if abs(strain / self.strain - 1) < _ALIKE:
                break
            design = replace(design, length_mm=design.length_mm * float(np.sqrt(strain / self.strain)))
            stiffness, strain = self._reached(design)
        return replace(design, depth_mm=design.depth_mm * self.stiffness / stiffness)

    def by_width(self, design: Design) -> Design:
        """The design with the length and width that reach it, widths not held to lines."""
        for _ in range(_ROUNDS):
            stiffness, strain = self._reached(design)
            stiff, strained = np.log(self.stiffness / stiffness), np.log(self.strain / strain)
            if max(abs(stiff), abs(strained)) < _ALIKE:
                break
            # By k ~ t3/L3 and e ~ t/L2.
            longer = stiff / 3 - strained
            width_mm = design.width_mm * float(np.exp(strained + 2 * longer))
            design = replace(design, width_mm=width_mm, length_mm=design.length_mm * float(np.exp(longer)))
        return design

    def _reached(self, design: Design) -> tuple[float, float]:
        """Stiffness and strain of a design, its width laid as drawn."""
        end = _bent(_leaf(design, design.width_mm), self.task, self.made)
        ratio = rippled(design, self.made.poisson)
        stiffness = design.count / self.task.stages**2 * end.stiffness_N_mm * ratio.bending * self.task.force_factor
        return stiffness, end.strain * ratio.strain * self.task.strain_factor


def _fewer(count: int, made: Making) -> list[int]:
    """Smaller numbers of leaves, none less than two unless there is only that."""
    found = [round(count * made.count_share**step) for step in range(1, made.counts + 1)]
    return [number for number in dict.fromkeys(found) if max(min(count - 1, 2), 1) <= number < count]


def _leaf(design: Design, laid_mm: float) -> Leaf:
    radius = design.root_radius_mm
    return Leaf(design.length_mm, laid_mm, design.depth_mm, (radius, radius), Ends.GUIDED)


def _bent(leaf: Leaf, task: Task, made: Making) -> Bent:
    return bent(leaf, task.stroke_mm / task.stages, made.modulus_mpa, made.poisson, made.bounds)


def _lines(laid_mm: float, made: Making) -> int:
    """How many lines lie side by side in a leaf [-]."""
    return max(round(laid_mm / made.setup.line_width_mm), 1)


@lru_cache(maxsize=512)
def _spread(count: int, laid_mm: float, share: float, scatter: WidthScatter) -> ForceScatter:
    return force_scatter(np.full(count, laid_mm), np.full(count, share / count), scatter)


def _against(found: Studied, made: Making) -> tuple[str, ...]:
    design, setup = found.design, made.setup
    line_mm, (x_mm, y_mm) = setup.line_width_mm, setup.plate_mm
    sides = sorted((x_mm - 2 * setup.machine.edge_margin_mm, y_mm - 2 * setup.machine.edge_margin_mm))
    long_mm, short_mm = max(found.footprint_mm), min(found.footprint_mm)
    told = []
    if design.width_mm < made.lines.line_least_mm * (1 - _AS_DRAWN):
        told.append(f"{design.width_mm:.2f} mm wide: less than the {made.lines.line_least_mm:.2f} mm of one line")
    elif abs(found.laid_mm / design.width_mm - 1) > _AS_DRAWN:
        told.append(f"{design.width_mm:.2f} mm wide is laid as {found.laid_mm:.2f} mm, in lines of {line_mm:g} mm")
    if design.depth_mm > setup.machine.height_mm:
        told.append(f"{design.depth_mm:.0f} mm deep: the machine prints {setup.machine.height_mm:.0f} mm high")
    if design.depth_mm < setup.first_layer_mm:
        told.append(f"{design.depth_mm:.2f} mm deep: less than one layer")
    if long_mm > sides[1] or short_mm > sides[0]:
        told.append(f"{long_mm:.0f} x {short_mm:.0f} mm on a plate that takes {sides[1]:.0f} x {sides[0]:.0f} mm")
    if design.lean_deg > made.lean_deg:
        told.append(f"its wall leans {design.lean_deg:.0f} deg from upright, at most {made.lean_deg:.0f} deg")
    if found.strain > made.strain_allowed * (1 + _ALIKE):
        told.append(
            f"strain {100 * found.strain:.3g} %: {setup.material.name} bears {100 * made.strain_allowed:.2g} % "
            "for many strokes"
        )
    return tuple(told)
