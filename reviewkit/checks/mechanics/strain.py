"""ME-03 to ME-06: strain of flexures against what the material bears, roots, layers, buckling, snaps."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from reviewkit.judging import WHOLE, finding, mm_words, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.beams import Column, Leaf, buckling_load_N
from reviewkit.measure.flexures import Flexure
from reviewkit.mechanics import DOMAIN, Bending, Drive, MechanicsCase
from reviewkit.model import Band, Finding, Limit, Measurement, Property, Sense, Severity, Verdict
from reviewkit.submission import RequirementKind
from reviewkit.workpiece import Workpiece

STRAIN, LAYERS, BUCKLING, SNAP = "ME-03", "ME-04", "ME-05", "ME-06"

_ROOT = "stretch and bending by section of the plane model, with a notch factor at fillets; widths as laid"
_BY_ARM = "arm held at its root, free at its end, small strokes"
_LOAD = "stretch along the flexure in the plane model times modulus and section"


def peak_strain(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the strain of every flexure over the declared strokes, and its roots.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*``, ``flexure.*`` and ``plane.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a flexure that does not meet and one a flexure with a sharp root.
    """
    case = MechanicsCase(workpiece, limits)
    if (early := case.early(STRAIN, "Strain of the flexures was")) is not None:
        return [early]
    judged = [_Strained(case, drive, bending) for drive in case.bends for bending in drive.bendings]
    worst = _worst_of_each(judged)
    poor = sorted((one for one in worst if one.verdict is not Verdict.MEETS), key=lambda one: -one.use)
    sharp = [flexure for flexure in _loaded(case) if _is_sharp(case, flexure)]
    listed = [_strained(one, poor) for one in poor[: case.listed]]
    return [_whole_strain(case, worst, sharp), *listed, *(_sharp(case, flexure) for flexure in sharp[: case.listed])]


def layer_bending(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether flexures bend within the layers, where they are strong, or across them.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*`` and ``flexure.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a flexure that bends across the layers.
    """
    case = MechanicsCase(workpiece, limits)
    if case.idle_words:
        return [case.plain(LAYERS, Verdict.MEETS, case.idle_words)]
    if case.open_words:
        return [case.unchecked(LAYERS, "The direction in which the flexures bend was")]
    loaded = _loaded(case)
    across = [flexure for flexure in loaded if not flexure.in_layers]
    listed = [_across(case, flexure) for flexure in across[: case.listed]]
    return [_whole_layers(case, loaded, across), *listed]


def leaf_buckling(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge flexures that the stroke presses together along their length.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*``, ``flexure.*`` and ``plane.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a flexure that may buckle.
    """
    case = MechanicsCase(workpiece, limits)
    if (early := case.early(BUCKLING, "Buckling of the flexures was")) is not None:
        return [early]
    pressed = [_Pressed(case, drive, bending) for drive in case.bends for bending in drive.bendings]
    pressed = [one for one in pressed if one.load_N > 0]
    poor = [one for one in pressed if one.verdict is not Verdict.MEETS]
    return [_whole_buckling(case, pressed), *(_buckles(one) for one in poor[: case.listed])]


def snap_strain(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the strain of arms at insertion, where stress whitening shows.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*`` and ``flexure.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding an arm that does not meet.
    """
    case = MechanicsCase(workpiece, limits)
    if case.open_words:
        return [case.unchecked(SNAP, "Arms that snap in were")]
    arms = [_Strained(case, drive, drive.bendings[0], as_snap=True) for drive in case.bends if drive.is_arm]
    if not arms:
        told = case.idle_words or "No arm that is free at its end is declared to move, so nothing snaps in."
        return [case.plain(SNAP, Verdict.MEETS, told)]
    listed = [_strained(one, arms) for one in arms if one.verdict is not Verdict.MEETS]
    worst = max(arms, key=lambda one: one.use)
    whole = finding(
        case.workpiece, SNAP, DOMAIN, WHOLE, worst_of([one.verdict for one in arms]), _strain_words(worst),
        _strain_change(worst) if worst.verdict is not Verdict.MEETS else "", severity=Severity.FUNCTION,
        measurements=_strain_measured(worst), limits=worst.duty.band.limits,
    )  # fmt: skip
    return [whole, *listed]


# --- what is allowed ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Duty:
    """What a flexure has to bear: its bounds on strain in per cent, and why they are those."""

    band: Band
    words: str
    guess: str = ""


def _duty(case: MechanicsCase, drive: Drive, flexure: Flexure) -> _Duty:
    """The strictest of what cycles and holding ask of a flexure, less where it bends across the layers."""
    cycles, guess = _cycles(case)
    if drive.motion.held:
        name, words = "strain_held", "held bent"
    elif cycles <= case.value("cycles_few"):
        name, words = "strain_few", f"{cycles:.0f} strokes"
    elif cycles <= case.value("cycles_many"):
        name, words = "strain_many", f"{cycles:.0f} strokes"
    else:
        name, words = "strain_very_many", f"{cycles:.0f} strokes"
    return _Duty(_strain_band(case, name, flexure), words, "" if drive.motion.held else guess)


def _cycles(case: MechanicsCase) -> tuple[float, str]:
    """How often the part is to move, by its requirement on life before its use, and what was taken for granted."""
    submission, part = case.workpiece.submission, case.workpiece.part.id
    own = {region.name for region in case.workpiece.regions}
    lives = [
        requirement.nominal
        for requirement in submission.requirements
        if requirement.what is RequirementKind.LIFE
        and requirement.nominal is not None
        and (requirement.part == part or requirement.region in own)
    ]
    stated = [*lives, *([submission.use.cycles] if submission.use.cycles is not None else [])]
    if stated:
        return float(max(stated)), ""
    many = case.value("cycles_many")
    return many, f"the number of strokes in its life is not stated; {many:.0f} was taken"


def _strain_band(case: MechanicsCase, name: str, flexure: Flexure) -> Band:
    """Bounds on strain [%] by shares of the yield strain, or the material's own for many cycles."""
    material = case.workpiece.setup.material
    knock = 1.0
    if not flexure.in_layers:
        knock = material["layer_strength_ratio"].value * case.value("across")
    shares = case.band(name)
    yield_strain = material["yield_strain"]
    fails = None if shares.fails is None else _of_yield(shares.fails, yield_strain, knock)
    if name == "strain_many":
        return Band(shares.quantity, _own(material["strain_many_cycles"], shares.quantity, material.id, knock), fails)
    return Band(shares.quantity, None if shares.meets is None else _of_yield(shares.meets, yield_strain, knock), fails)


def _of_yield(share: Limit, yield_strain: Property, knock: float) -> Limit:
    across = "" if knock == 1 else f", {knock:.2g} of that across the layers"
    stated = f"{share.value:g} of the yield strain of {100 * yield_strain.value:.3g} %{across}"
    return replace(share, value=100 * share.value * yield_strain.value * knock, unit="%", stated=stated)


def _own(allowed: Property, quantity: str, material: str, knock: float) -> Limit:
    """A material's own strain for many cycles as a bound."""
    return Limit(
        id=f"{material}-{allowed.name.replace('_', '-')}",
        quantity=quantity,
        value=100 * allowed.value * knock,
        unit="%",
        sense=Sense.MAX,
        source=allowed.source,
        stated="" if knock == 1 else f"{knock:.2g} of {100 * allowed.value:.3g} %, across the layers",
    )


# --- ME-03 and ME-06 ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Strained:
    """A flexure at the end of a stroke, against what it may bear."""

    case: MechanicsCase
    drive: Drive
    bending: Bending
    as_snap: bool = False

    @cached_property
    def duty(self) -> _Duty:
        if self.as_snap:
            return _Duty(_strain_band(self.case, "snap", self.bending.flexure), "insertion")
        return _duty(self.case, self.drive, self.bending.flexure)

    @property
    def peak(self) -> float:
        """Strain that is judged [%]."""
        return 100 * self.bending.peak

    @property
    def uncertainty(self) -> float:
        """Half-width of it by the mesh of the model [%]."""
        return self.peak * self.drive.strain_error

    @cached_property
    def verdict(self) -> Verdict:
        return self.duty.band.verdict(self.peak, self.uncertainty)

    @property
    def bound(self) -> Limit:
        """The bound that a change has to keep."""
        return self.duty.band.limits[0]

    @property
    def size(self) -> tuple[float, float, float]:
        """Length, width and depth by which flexures are told alike [mm]."""
        flexure = self.bending.flexure
        return round(flexure.length_mm), round(self.bending.width_mm, 1), round(flexure.depth_mm)

    @property
    def use(self) -> float:
        """Strain over the strain that surely holds [-]."""
        return self.peak / self.bound.value


def _worst_of_each(judged: Sequence[_Strained]) -> list[_Strained]:
    """The motion that strains each flexure most."""
    kept: dict[str, _Strained] = {}
    for one in judged:
        name = one.bending.flexure.name
        if name not in kept or one.use > kept[name].use:
            kept[name] = one
    return list(kept.values())


def _strained(one: _Strained, others: Sequence[_Strained]) -> Finding:
    """The finding on one flexure; flexures alike get one change, that of the most strained of them."""
    alike = [other for other in others if other.size == one.size]
    flexure = one.bending.flexure
    evidence: dict[str, Any] = {}
    place = one.case.place(flexure, evidence)
    return finding(
        one.case.workpiece,
        SNAP if one.as_snap else STRAIN,
        DOMAIN,
        flexure.name,
        one.verdict,
        _strain_words(one),
        _strain_change(max(alike, key=lambda other: other.use)),
        severity=Severity.FUNCTION,
        measurements=_strain_measured(one),
        limits=one.duty.band.limits,
        where=(place,),
        evidence=evidence,
        guess=one.duty.guess,
    )


def _strain_words(one: _Strained) -> str:
    bending = one.bending
    root = ""
    if np.isfinite(bending.root_strain):
        root = f", {_percent(bending.root_strain)} in its fillets"
    if one.verdict is Verdict.MEETS:
        told = "that holds"
    elif one.verdict is Verdict.FAILS:
        told = "it will not last"
    else:
        told = "it may not last"
    whitens = " Beyond it the arm whitens and stays bent." if one.as_snap else ""
    return (
        f"'{bending.flexure.name}' is strained {_percent(bending.strain)}{root} at the end of the stroke of "
        f"'{one.drive.motion.name}'; for {one.duty.words} {_allowed_words(one.duty.band)}: {told}.{whitens}"
    )


def _allowed_words(band: Band) -> str:
    """Both bounds in words."""
    words = [f"{limit.value:.3g} %" + (f" ({limit.stated})" if limit.stated else "") for limit in band.limits]
    if band.meets is None or band.fails is None or band.meets.value == band.fails.value:
        return f"{words[0]} is allowed"
    return f"{words[0]} is allowed and beyond {words[1]} it fails"


def _strain_change(one: _Strained) -> str:
    """Strain goes with width over length squared, at a given stroke."""
    ratio = one.bound.value / max(one.peak + one.uncertainty, 1e-12)
    length_mm, width_mm = one.bending.flexure.length_mm, one.bending.width_mm
    return (
        f"Make it {mm_words(np.ceil(10 * length_mm / np.sqrt(ratio)) / 10)} long instead of {mm_words(length_mm)}, or "
        f"{mm_words(np.floor(100 * width_mm * ratio) / 100)} wide instead of {mm_words(width_mm)}, or shorten the "
        f"stroke to {100 * min(ratio, 1.0):.0f} % of what it is."
    )


def _strain_measured(one: _Strained) -> tuple[Measurement, ...]:
    how = _BY_ARM if one.drive.is_arm else _ROOT
    measured = [
        Measurement("nominal strain", 100 * one.bending.strain, "%", one.uncertainty, how),
        Measurement("nominal strain as drawn", 100 * one.bending.drawn_strain, "%", 0.0, how),
    ]
    if np.isfinite(one.bending.root_strain):
        measured.append(Measurement("strain in its fillets", 100 * one.bending.root_strain, "%", one.uncertainty, how))
    return tuple(measured)


def _whole_strain(case: MechanicsCase, worst: Sequence[_Strained], sharp: Sequence[Flexure]) -> Finding:
    most = max(worst, key=lambda one: one.use)
    verdict = worst_of([*(one.verdict for one in worst), Verdict.MARGINAL if sharp else Verdict.MEETS])
    bad = sum(one.verdict is not Verdict.MEETS for one in worst)
    of_all = f"Of {len(worst)} flexures the most strained: " if len(worst) > 1 else ""
    told = [of_all + _strain_words(most)]
    told += [f"{bad} in all do not surely last." if bad > 1 else ""]
    told += [f"{_counted(len(sharp), 'flexure')} with a root that has no controlled radius." if sharp else ""]
    told += [f"Not worked out: '{drive.motion.name}': {drive.reason}." for drive in case.drives if drive.reason]
    changes = [_strain_change(most) if bad else "", _sharp_change(case, sharp) if sharp else ""]
    return finding(
        case.workpiece,
        STRAIN,
        DOMAIN,
        WHOLE,
        verdict,
        " ".join(filter(None, told)),
        " ".join(filter(None, changes)),
        severity=Severity.FUNCTION,
        measurements=_strain_measured(most),
        limits=most.duty.band.limits,
        figures=("strain_bars",),
        evidence={
            "names": np.array([one.bending.flexure.name for one in worst]),
            "nominal": np.array([100 * one.bending.strain for one in worst]),
            "root": np.array([100 * one.bending.root_strain for one in worst]),
            "meets": np.array([_value(one.duty.band.meets) for one in worst]),
            "fails": np.array([_value(one.duty.band.fails) for one in worst]),
        },
        guess=most.duty.guess,
    )


def _value(limit: Limit | None) -> float:
    return np.nan if limit is None else limit.value


def _is_sharp(case: MechanicsCase, flexure: Flexure) -> bool:
    """Whether a root that carries the flexure is sharp or no rounder than a line makes it; not for unknown ones."""
    least = case.band("root_radius").meets
    radii = [radius for radius, block in zip(flexure.root_radii_mm, flexure.blocks, strict=True) if block >= 0]
    return least is not None and any(np.isfinite(radius) and not least.met_by(radius) for radius in radii)


def _sharp(case: MechanicsCase, flexure: Flexure) -> Finding:
    evidence: dict[str, Any] = {}
    place = case.place(flexure, evidence)
    return finding(
        case.workpiece,
        STRAIN,
        DOMAIN,
        f"{flexure.name} root",
        Verdict.MARGINAL,
        f"'{flexure.name}' grows out of what it joins in a sharp corner: no strain can be stated there, and cracks "
        "begin in such corners.",
        _sharp_change(case, (flexure,)),
        severity=Severity.FUNCTION,
        limits=case.band("root_radius").limits,
        where=(place,),
        evidence=evidence,
    )


def _sharp_change(case: MechanicsCase, sharp: Sequence[Flexure]) -> str:
    least = case.band("root_radius").meets
    width_mm = max(flexure.width_mm for flexure in sharp)
    radius_mm = max(case.value("root_wanted") * width_mm, least.value if least else 0.0)
    return f"Round both roots of the flexures with a radius of {mm_words(np.ceil(20 * radius_mm) / 20)} or more."


# --- ME-04 ----------------------------------------------------------------------------------


def _across(case: MechanicsCase, flexure: Flexure) -> Finding:
    evidence: dict[str, Any] = {}
    place = case.place(flexure, evidence)
    ones = [
        _Strained(case, drive, bending)
        for drive in case.bends
        for bending in drive.bendings
        if bending.flexure.name == flexure.name
    ]
    material = case.workpiece.setup.material
    left = material["layer_strength_ratio"].value * case.value("across")
    told = (
        f"'{flexure.name}' stands across the layers and bends them apart: {100 * left:.0f} % of the strain within the "
        "layers may be asked of it, and it breaks without warning."
    )
    strained = f" At the end of the stroke it is strained {ones[0].peak:.2g} %." if ones else ""
    return finding(
        case.workpiece,
        LAYERS,
        DOMAIN,
        flexure.name,
        Verdict.MARGINAL,
        told + strained,
        f"Print the part on its side, so that '{flexure.name}' lies in the layers: {1 / left:.1f} times the strain.",
        severity=Severity.FUNCTION,
        measurements=(Measurement("allowed strain across the layers over that within them", left, "-"),),
        limits=(case.row("across"),),
        where=(place,),
        evidence=evidence,
    )


def _loaded(case: MechanicsCase) -> Sequence[Flexure]:
    """The flexures that bend in a declared motion; all of them where none could be worked out."""
    names = {bending.flexure.name for drive in case.bends for bending in drive.bendings}
    return [flexure for flexure in case.found.every if flexure.name in names or not names]


def _whole_layers(case: MechanicsCase, every: Sequence[Flexure], across: Sequence[Flexure]) -> Finding:
    if not across:
        told = f"All of {_counted(len(every), 'flexure')} bend within the layers, where the print is strongest."
        told = "The flexure bends within the layers, where the print is strongest." if len(every) == 1 else told
        return case.plain(LAYERS, Verdict.MEETS, told)
    message = "The flexure bends across the layers." if len(every) == 1 else (
        f"{len(across)} of {len(every)} flexures bend across the layers."
    )  # fmt: skip
    return finding(
        case.workpiece, LAYERS, DOMAIN, WHOLE, Verdict.MARGINAL, message,
        "Turn the part so that its flexures lie in the layers.", severity=Severity.FUNCTION,
        limits=(case.row("across"),),
    )  # fmt: skip


# --- ME-05 ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pressed:
    """A flexure pressed together along its length, against the load that buckles it."""

    case: MechanicsCase
    drive: Drive
    bending: Bending

    @property
    def load_N(self) -> float:  # noqa: N802
        """Along it [N]."""
        return self.bending.squeeze_N

    @cached_property
    def buckles_N(self) -> float:  # noqa: N802
        """Load at which it buckles, one end guided sideways [N]."""
        flexure = self.bending.flexure
        leaf = Leaf(flexure.length_mm, self.bending.width_mm, flexure.depth_mm, flexure.root_radii_mm)
        modulus = self.case.workpiece.setup.material["modulus"].value
        return buckling_load_N(leaf, modulus, self.case.value("poisson"), Column.FIXED_GUIDED)

    @property
    def safety(self) -> float:
        """Buckling load over load [-]."""
        return self.buckles_N / self.load_N

    @property
    def verdict(self) -> Verdict:
        return self.case.band("buckling").verdict(self.safety)


def _buckles(one: _Pressed) -> Finding:
    evidence: dict[str, Any] = {}
    flexure = one.bending.flexure
    place = one.case.place(flexure, evidence)
    return finding(
        one.case.workpiece, BUCKLING, DOMAIN, flexure.name, one.verdict, _pressed_words(one), _pressed_change(one),
        severity=Severity.FUNCTION, measurements=_pressed_measured(one), limits=one.case.band("buckling").limits,
        where=(place,), evidence=evidence,
    )  # fmt: skip


def _whole_buckling(case: MechanicsCase, pressed: Sequence[_Pressed]) -> Finding:
    if not pressed:
        return case.plain(BUCKLING, Verdict.MEETS, "No flexure is pressed together along its length over the stroke.")
    worst = min(pressed, key=lambda one: one.safety)
    verdict = worst_of([one.verdict for one in pressed])
    return finding(
        case.workpiece, BUCKLING, DOMAIN, WHOLE, verdict, _pressed_words(worst),
        _pressed_change(worst) if verdict is not Verdict.MEETS else "", severity=Severity.FUNCTION,
        measurements=_pressed_measured(worst), limits=case.band("buckling").limits,
    )  # fmt: skip


def _pressed_words(one: _Pressed) -> str:
    return (
        f"'{one.bending.flexure.name}' is pressed along its length with {one.load_N:.2g} N at most and buckles at "
        f"{one.buckles_N:.3g} N, {one.safety:.3g} times that."
    )


def _pressed_change(one: _Pressed) -> str:
    wanted = one.case.band("buckling").limits[0].value
    ratio = wanted / one.safety
    return (
        f"Make it {100 * (1 - ratio**-0.5):.0f} % shorter or {100 * (ratio ** (1 / 3) - 1):.0f} % wider, or let the "
        "load pull it."
    )


def _pressed_measured(one: _Pressed) -> tuple[Measurement, ...]:
    return (
        Measurement("load along the flexure", one.load_N, "N", 0.0, _LOAD),
        Measurement("load that buckles it", one.buckles_N, "N", 0.0, "Euler, one end fixed, one guided sideways"),
    )


# --- all ------------------------------------------------------------------------------------


def _percent(strain: float) -> str:
    return f"{100 * strain:.3g} %"


def _counted(count: int, name: str) -> str:
    return f"{count} {name}" if count == 1 else f"{count} {name}s"
