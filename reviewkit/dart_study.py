"""A projectile on trial: from a submission or from numbers, with what its filling, nose, flare and fins make of it.

What the workbook of projectiles and its panel show; the sums are those of :mod:`reviewkit.measure.grading`,
:mod:`reviewkit.measure.aerodynamics` and :mod:`reviewkit.measure.flight`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

import numpy as np

from reviewkit import limits as tables
from reviewkit.document.show import show_drawing
from reviewkit.errors import SetupError
from reviewkit.figures import drawn
from reviewkit.flown import (
    DOMAIN,
    FlightCase,
    Flown,
    Variant,
    balance_evidence,
    compared,
    help_evidence,
    path_evidence,
    side_evidence,
    void_mm,
)
from reviewkit.launch import Span
from reviewkit.limits import Limits
from reviewkit.measure.aerodynamics import Airframe, AirSettings, air_settings
from reviewkit.measure.flight import Flight, Start, World, fly
from reviewkit.measure.grading import Dart, Weighed, graded_for_margin, plain_dart, smallest_addition
from reviewkit.model import Drawing, Finding, Setup, Severity, Verdict, finding_key
from reviewkit.review import DEFAULT_MACHINE, DEFAULT_MATERIAL, opened

# What only guards input: least and greatest of each number, and its unit.
RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType({
    "length": (10.0, 300.0, "mm"),
    "calibre": (3.0, 100.0, "mm"),
    "solid": (0.0, 300.0, "mm"),
    "nose": (0.0, 100.0, "mm"),
    "flare": (0.0, 200.0, "mm"),
    "fins": (0.0, 100.0, "mm"),
    "core fill": (0.0, 1.0, ""),
    "speed": (0.5, 30.0, "m/s"),
    "margin": (0.1, 5.0, "calibres"),
})  # fmt: skip
_SOLID = 0.999
# What is shown, by the code and the drawing of the check that shows it in a review.
_DRAWN = {
    "side": ("FL-01", "side_view"), "moment": ("FL-02", "moment_over_angle"), "path": ("FL-03", "flight_path"),
    "help": ("FL-02", "what_would_help"),
}  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """What is tried.

    Parameters
    ----------
    solid_mm : float
        From the foremost point to where the light zone begins [mm].
    nose_mm : float
        Length of a round nose, 0 for the nose as it is [mm].
    flare_mm : float
        Width of a flare at the tail, 0 for the tail as it is [mm].
    fins_mm : float
        Chord and span of four fins, 0 for the fins as they are [mm].
    core_fill : float
        Share of the core that is filled behind the solid [-].
    speed_m_s : float
        At the launch [m/s].
    """

    solid_mm: float
    nose_mm: float = 0.0
    flare_mm: float = 0.0
    fins_mm: float = 0.0
    core_fill: float = 0.05
    speed_m_s: float = 5.0


@dataclass(frozen=True, eq=False)
class DartStudy:
    """Where a study begins.

    Parameters
    ----------
    body : Dart
        What is there before anything is changed.
    trial : Trial
    setup : Setup
    limits : Limits
    margin : float
        Wanted, in calibres [-].
    within_m : float
        Path over which its nose is watched, inf for all of it [m].
    words : str
        Where the body comes from.
    """

    body: Dart
    trial: Trial
    setup: Setup
    limits: Limits
    margin: float
    within_m: float
    words: str

    def value(self, name: str) -> float:
        """A row ``flight.*`` of the tables."""
        return self.limits.value(f"flight.{name}", self.setup).value

    def tried(self, trial: Trial) -> "Tried":
        """What a trial makes of the body."""
        return Tried(self, trial)


@dataclass(frozen=True, eq=False)
class Tried:
    """A trial worked out.

    Parameters
    ----------
    study : DartStudy
    trial : Trial
    """

    study: DartStudy
    trial: Trial

    @cached_property
    def dart(self) -> Dart:
        """The body with what is changed."""
        study, trial = self.study, self.trial
        dart = replace(study.body, core_fill=trial.core_fill)
        if trial.nose_mm:
            dart = dart.with_nose(trial.nose_mm)
        if trial.flare_mm:
            dart = dart.with_flare(trial.flare_mm, study.value("flare_angle"))
        if trial.fins_mm:
            dart = dart.with_fins(4, trial.fins_mm, trial.fins_mm, study.value("fin_lines"))
        return dart

    @cached_property
    def settings(self) -> AirSettings:
        """What the theory needs beside the shape."""
        return air_settings(self.study.limits, self.study.setup, self.trial.speed_m_s)

    @cached_property
    def weighed(self) -> Weighed:
        """Its mass, from slabs; no solid ends where the body is light all over."""
        return self.dart.weighed(self.trial.solid_mm)

    @cached_property
    def air(self) -> Airframe:
        """Air forces about its mass centre."""
        return self.dart.air(self.settings, self.trial.solid_mm)

    @cached_property
    def flight(self) -> Flight:
        """Its flight from the speed of the trial."""
        return self._flown(self.air, self.weighed)

    @cached_property
    def variants(self) -> tuple[Variant, ...]:
        """As tried, and what each change with its best grading would make of it, at the same speed."""
        here = Variant("as tried", self.weighed.mass_g, self.weighed.centre_mm, self.air, self.flight,
                       self.trial.solid_mm)  # fmt: skip
        return (here, *compared(self.dart, self.settings, self.study.value, self._flown))

    def _flown(self, air: Airframe, weighed: Weighed) -> Flight:
        value = self.study.value
        start = Start(self.trial.speed_m_s, *(value(name) for name in ("elevation", "height", "error", "turning")))
        world = World(value("density"), value("gravity"))
        return fly(air, weighed.mass_g, weighed.inertia_g_mm2, start, world)

    @property
    def stands(self) -> bool:
        """Whether it has the margin that is wanted."""
        return self.air.margin >= self.study.margin


def begun(
    source: str | Path = "",
    part: str = "",
    *,
    length_mm: float = 66.0,
    calibre_mm: float = 12.0,
    nose_mm: float = 6.0,
    solid_mm: float = 24.0,
    core_fill: float = 0.05,
    speed_m_s: float = 5.0,
    margin: float = 1.2,
    material: str = "",
    machine: str = "",
) -> DartStudy:
    """Begin with a projectile of a submission, or without one with numbers.

    Parameters
    ----------
    source : str or Path
        Folder of a submission that launches something; empty for numbers.
    part : str
        Which part, where several are launched.
    length_mm, calibre_mm, nose_mm : float
        Of a round rod and its round nose; these and what follows but for the margin are for numbers only [mm].
    solid_mm : float
        Where its solid nose ends [mm].
    core_fill : float
        Share of the core that is filled behind it [-].
    speed_m_s : float
        At the launch [m/s].
    margin : float
        Static margin that is wanted, in calibres [-].
    material, machine : str
        Names; the usual ones when empty.

    Returns
    -------
    DartStudy

    Raises
    ------
    ReviewError
        In one line, for a submission that launches nothing or a number out of range.
    """
    _in_range("margin", margin)
    if source:
        return _of_submission(Path(source), part, margin, machine, material)
    for name, value in (
        ("length", length_mm), ("calibre", calibre_mm), ("nose", nose_mm), ("solid", solid_mm),
        ("core fill", core_fill), ("speed", speed_m_s),
    ):  # fmt: skip
        _in_range(name, value)
    known = tables.machine(machine or DEFAULT_MACHINE)
    setup = Setup(
        machine=known,
        material=tables.material(material or DEFAULT_MATERIAL),
        layer_height_mm=known.layer_height_mm,
        line_width_mm=known.line_width_mm,
        first_layer_mm=known.first_layer_mm,
    )
    printing = setup.printing
    body = plain_dart(
        length_mm, calibre_mm, nose_mm=min(nose_mm, length_mm), core_fill=core_fill,
        wall_mm=setup.line_width_mm * printing.outline_passes,
        floor_mm=setup.layer_height_mm * max(printing.top_layers, printing.bottom_layers),
        density_g_mm3=setup.material["density"].value * 1e-3,
    )  # fmt: skip
    trial = Trial(min(solid_mm, length_mm), core_fill=core_fill, speed_m_s=speed_m_s)
    words = "A round rod by numbers, weighed from thin slabs; a part is weighed from its layers in a review."
    return DartStudy(body, trial, setup, tables.load_limits(), margin, float("inf"), words)


# --- what is shown --------------------------------------------------------------------------


def summary(tried: Tried) -> str:
    """A trial in a line."""
    air, weighed, flight, study = tried.air, tried.weighed, tried.flight, tried.study
    within = f" over {study.within_m:g} m" if np.isfinite(study.within_m) else ""
    rest = "nose first" if air.trim_deg == 0 else f"at {air.trim_deg:.0f} degrees"
    told = (
        f"{weighed.mass_g:.3g} g, mass centre {weighed.centre_mm:.1f} mm behind the nose, margin {air.margin:.2f} "
        f"calibres of {air.calibre_mm:.3g} mm; settles {rest}"
    )
    broadside = study.limits.band("flight.trim", study.setup).fails
    if air.margin <= 0 and broadside is not None and broadside.met_by(air.trim_deg):
        told += " by this theory, which is not proven stable without a tail"
    return (
        f"{told}. From {tried.trial.speed_m_s:.3g} m/s it flies {flight.range_m:.2g} m in {flight.duration_s:.2g} s, "
        f"its nose up to {flight.greatest_deg(study.within_m):.0f} degrees off{within}, and arrives at "
        f"{flight.arrival_m_s:.2g} m/s with {flight.arrival_j:.2g} J"
    )


def advice(tried: Tried) -> str:
    """The grading that the wanted margin needs, or that there is none and what to add."""
    study, dart = tried.study, tried.dart
    found = graded_for_margin(dart, tried.settings, study.margin)
    if found.solid_to_mm is not None:
        return (
            f"For {study.margin:g} calibres: solid up to {found.solid_to_mm:.1f} mm, which weighs "
            f"{found.weighed.mass_g:.3g} g."
        )
    told = (
        f"No grading gives {study.margin:g} calibres; solid up to {found.best_solid_to_mm:.1f} mm gives the most, "
        f"{found.margin:.2f}."
    )
    added = smallest_addition(
        dart, tried.settings, study.margin, half_angle_deg=study.value("flare_angle"),
        thickness_mm=study.value("fin_lines"),
    )  # fmt: skip
    if not added:
        return f"{told} Neither four fins nor a flare serve: make it longer, its tail lighter, or its nose heavier."
    options = " or ".join(f"{one.words} and solid up to {one.grading.solid_to_mm or 0.0:.1f} mm" for one in added)
    return f"{told} Add {options}."


def pictures(tried: Tried, *names: str) -> Mapping[str, Drawing]:
    """Side view, moment, flight and comparison of a trial, by ``side``, ``moment``, ``path`` and ``help``.

    Parameters
    ----------
    tried : Tried
    *names : str
        Which of them; all without any.
    """
    evidence = {name: _evidence(name, tried) for name in names or _DRAWN}
    return {name: _drawing(name, held, tried) for name, held in evidence.items()}


def show_trial(study: DartStudy) -> str:
    """Display side view, moment and flight of the body that a study begins from, and say it in words."""
    tried = study.tried(study.trial)
    for drawing in pictures(tried, "side", "moment", "path").values():
        show_drawing(drawing)
    return f"{summary(tried)}."


def show_help(study: DartStudy) -> str:
    """Display what would help, and say which grading the wanted margin needs."""
    tried = study.tried(study.trial)
    show_drawing(pictures(tried, "help")["help"])
    return advice(tried)


def _evidence(name: str, tried: Tried) -> Mapping[str, np.ndarray]:
    """What a figure draws."""
    study, dart = tried.study, tried.dart
    outline, centre = dart.outline, tried.weighed.centre_mm
    match name:
        case "side":
            void = void_mm(outline)
            inner = np.where(void > 0, void + dart.wall_mm, 0.0)
            core = np.array([inner, np.maximum(dart.body_mm - dart.wall_mm, inner)])
            fill = np.where(outline.x_mm < tried.trial.solid_mm, 1.0, dart.core_fill)
            return side_evidence(outline, dart.fins, tried.air, Span(centre, centre, centre), core, fill)
        case "moment":
            return balance_evidence(tried.air, study.tried(study.trial).air, "as the study began")
        case "path":
            nose = study.limits.band("flight.nose", study.setup)
            bounds = [bound.value if bound else float("nan") for bound in (nose.meets, nose.fails)]
            return path_evidence([tried.flight] * 3, outline, centre, study.within_m, bounds)
        case _:
            return help_evidence(tried.variants, study.within_m, study.margin)


def _drawing(name: str, evidence: Mapping[str, np.ndarray], tried: Tried) -> Drawing:
    """One figure, by the drawing that the check of its code uses."""
    code, kind = _DRAWN[name]
    verdict = Verdict.MEETS if tried.stands else Verdict.MARGINAL
    shown = Finding(
        finding_key(code, "study", name), code, DOMAIN, "study", name, verdict, Severity.FUNCTION, summary(tried),
        figures=(kind,), evidence=evidence,
    )  # fmt: skip
    return drawn(shown, kind)


# --- where it begins ------------------------------------------------------------------------


def _in_range(name: str, value: float) -> None:
    low, high, unit = RANGES[name]
    if not low <= value <= high:
        raise SetupError(
            f"{name} {value:g} {unit}".rstrip() + f" is out of range; give {low:g} to {high:g} {unit}".rstrip()
        )


def _of_submission(source: Path, part: str, margin: float, machine: str, material: str) -> DartStudy:
    case = opened(source, machine=machine, material=material)
    launched = [
        flown
        for workpiece in case.workpieces
        if part in ("", workpiece.part.id)
        for flown in FlightCase(workpiece, case.limits).flown
    ]
    if not launched:
        told = f"nothing called {part!r} is launched" if part else "nothing of it is launched"
        raise SetupError(f"{source.name} holds no projectile to study: {told}; give numbers instead")
    return _of_flown(launched[0], margin)


def _of_flown(flown: Flown, margin: float) -> DartStudy:
    outline = flown.outline
    # What is drawn hollow holds no core.
    fill = np.where(void_mm(outline) > 0, 0.0, flown.core_fill)
    light = np.flatnonzero(fill < _SOLID)
    solid_mm = outline.length_mm if not len(light) else float(outline.x_mm[light[0]] - outline.step_mm[light[0]] / 2)
    core_fill = float(np.median(fill[light])) if len(light) else 1.0
    trial = Trial(round(solid_mm, 3), core_fill=core_fill, speed_m_s=round(flown.settings.speed_m_s, 3))
    slabs_g = replace(flown.dart, core_fill=core_fill).weighed(trial.solid_mm).mass_g
    launch = flown.shot.launch
    speed = "no launch is known, the speed is a guess" if launch is None else f"launched by {launch.speed_words}"
    words = (
        f"{flown.words} of {flown.workpiece.part.id}, {speed}. Its outline is that of the mesh; it is weighed from "
        f"thin slabs as {slabs_g:.3g} g, from its layers as {flown.mass_g.value:.3g} g."
    )
    case = flown.case
    return DartStudy(flown.dart, trial, flown.workpiece.setup, case.limits, margin, flown.within_m, words)
