"""ME-02 and ME-07: force and energy over the stroke against what is asked for, and what scatter of widths costs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, WORST_FIRST, finding, mm_words, percent_words, requirement_limits, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.scatter import ForceScatter, Held, half_width_95
from reviewkit.mechanics import DOMAIN, Drive, MechanicsCase
from reviewkit.model import Finding, Limit, Measurement, Severity, Verdict, finding_key
from reviewkit.submission import Requirement
from reviewkit.workpiece import Workpiece

FORCE, SCATTER = "ME-02", "ME-07"

_WHAT = {FORCE: "Force over the stroke", SCATTER: "Force as widths scatter"}
_MODEL = "plane model of the section, widths as the lines are laid; the uncertainty is the material's range"
_DRAWN = "plane model of the section, widths as drawn"
_ARM = "arm held at its root, free at its end, small strokes; the uncertainty is the material's range"
_DRAWN_PARTS = "parts of many machines drawn with common random numbers, force by the cube of each width"
_CURVE_POINTS = 41
# A width short of a whole number of lines by less of a line is that number.
_WHOLE_LINE = 0.1
_UNITS = {"N": ("N", 1.0), "Nmm": ("N mm", 1.0), "N mm": ("N mm", 1.0), "Nm": ("N mm", 1000.0), "N m": ("N mm", 1000.0)}


def stroke_force(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the force over each declared stroke against the requirement on it, and tell energy and first contact.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*``, ``flexure.*`` and ``plane.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a motion that does not meet or has a requirement.
    """
    case = MechanicsCase(workpiece, limits)
    asked = case.asked
    if reason := _nothing(case, asked):
        return [reason]
    judged = [_motion(case, drive) for drive in case.drives]
    unmoved = [_unmoved(case, requirement) for requirement in asked if not _drives_of(case, requirement)]
    listed = [found for found, open_one in judged if open_one] + unmoved
    every = [found for found, _ in judged] + unmoved
    return [_whole(case, FORCE, every, listed), *listed]


def width_scatter(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge what share of parts keeps the force when the widths of the flexures scatter as the process does.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``mechanics.*``, ``flexure.*`` and ``plane.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a motion that does not meet.
    """
    case = MechanicsCase(workpiece, limits)
    if (early := case.early(SCATTER, "What scatter of widths does to the force was")) is not None:
        return [early]
    judged = [_scattered(case, drive) for drive in case.bends]
    listed = [found for found in judged if found.verdict is not Verdict.MEETS]
    return [_whole(case, SCATTER, judged, listed), *listed]


# --- ME-02 ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Force:
    """The force at the place of the stroke that is asked about, and what it may be."""

    case: MechanicsCase
    drive: Drive

    @cached_property
    def asked(self) -> Requirement | None:
        """The requirement that it is held to."""
        own = [r for r in self.case.asked if r.region == self.drive.motion.region]
        fitting = [r for r in own if _UNITS.get(r.unit, ("", 0.0))[0] == self.drive.unit and r.nominal is not None]
        return fitting[0] if fitting else None

    @property
    def scale(self) -> float:
        """Of the unit of the requirement in the unit of the force [-]."""
        return _UNITS[self.asked.unit][1] if self.asked else 1.0

    @property
    def nominal(self) -> float | None:
        """The force asked for [N, N mm]."""
        return None if self.asked is None or self.asked.nominal is None else self.asked.nominal * self.scale

    @cached_property
    def bounds(self) -> tuple[float | None, float | None]:
        """Least and greatest force asked for [N, N mm]."""
        if self.asked is None or self.nominal is None:
            return None, None
        lower, upper = self.asked.lower, self.asked.upper
        return (
            None if lower is None else self.nominal + lower * self.scale,
            None if upper is None else self.nominal + upper * self.scale,
        )

    @property
    def limits(self) -> tuple[Limit, ...]:
        """What is asked for as limits."""
        if self.asked is None:
            return ()
        low, high = self.bounds
        ends = (-np.inf if low is None else low, np.inf if high is None else high)
        return requirement_limits(self.asked, "force", self.drive.unit, *ends)

    @property
    def force(self) -> float:
        """At the end of the stroke, as laid [N, N mm]."""
        return float(self.drive.force[-1])

    @cached_property
    def spread(self) -> ForceScatter:
        return self.case.spread(self.drive)

    @cached_property
    def batch(self) -> tuple[float, float]:
        """Mean force of all parts at the ends of the material's range, with the model's error [N, N mm]."""
        modulus = self.case.workpiece.setup.material["modulus"]
        low, high = modulus.low / modulus.value, modulus.high / modulus.value
        return self.force * low * (1 - self.drive.error), self.force * high * (1 + self.drive.error)

    @cached_property
    def verdict(self) -> Verdict:
        """Meets when the whole range does, fails when none of it does."""
        if self.asked is None:
            return Verdict.MEETS
        low, high = (-np.inf if self.bounds[0] is None else self.bounds[0], self.bounds[1] or np.inf)
        if self.batch[1] < low or self.batch[0] > high:
            return Verdict.FAILS
        return Verdict.MEETS if low <= self.batch[0] and self.batch[1] <= high else Verdict.MARGINAL

    @property
    def stops_at(self) -> float | None:
        """Place of the stroke where parts of the section touch, None where they do not before its end."""
        contact = self.drive.analysis.laid.contact if self.drive.analysis else None
        return None if contact is None or contact.beyond else abs(contact.stroke)

    @property
    def wanted_width(self) -> float | None:
        """Factor on the widths of the flexures that brings the force to the one asked for [-]."""
        return None if not self.nominal or not self.force else float((self.nominal / self.force) ** (1 / 3))


def _motion(case: MechanicsCase, drive: Drive) -> tuple[Finding, bool]:
    """The finding on one motion, and whether it stands by itself."""
    if drive.reason:
        asked = [r for r in case.asked if r.region == drive.motion.region]
        return _no_force(case, drive, asked), bool(asked)
    force = _Force(case, drive)
    touches = force.stops_at is not None
    verdict = worst_of([force.verdict, Verdict.MARGINAL if touches else Verdict.MEETS])
    found = finding(
        case.workpiece,
        FORCE,
        DOMAIN,
        drive.motion.name,
        verdict,
        " ".join(filter(None, (_force_words(force), _asked_words(force), _contact_words(force), _notes(drive)))),
        _force_change(force) if verdict is not Verdict.MEETS else "",
        severity=Severity.FUNCTION,
        measurements=_force_measured(force),
        figures=("force_over_stroke", *(("deformed_shape",) if drive.analysis else ())),
        evidence=_curves(force),
        limits=force.limits,
        guess=_ARM_GUESS if drive.is_arm and force.asked else "",
    )
    return found, verdict is not Verdict.MEETS or force.asked is not None


_ARM_GUESS = "the force asked for is taken along the declared motion, at its end"


def _force_words(force: _Force) -> str:
    drive = force.drive
    end = _stroke_words(drive, float(drive.stroke[-1]))
    shift = force.force / float(drive.drawn_force[-1]) - 1
    drawn = ""
    if abs(shift) >= 0.01:
        drawn = f" ({_force_of(float(drive.drawn_force[-1]), drive)} with the widths as drawn)"
    return (
        f"'{drive.motion.name}' takes {_force_of(force.force, drive)} at {end}{drawn} and stores "
        f"{drive.energy_N_mm[-1]:.3g} mJ; at rest it gives {drive.stiffness:.3g} {_per(drive)}. With the material's "
        f"modulus from low to high it is {_sized(force.batch[0])} to {_force_of(force.batch[1], drive)}."
    )


def _asked_words(force: _Force) -> str:
    if force.asked is None:
        return "No force is asked of it."
    low, high = force.bounds
    bounds = f"{_sized(low)} to {_force_of(high, force.drive)}" if low is not None and high is not None else (
        f"{force.asked.nominal:g} {force.asked.unit}"
    )  # fmt: skip
    match force.verdict:
        case Verdict.MEETS:
            told = "all of that keeps it"
        case Verdict.FAILS:
            told = "none of that keeps it"
        case _:
            inside = (low is None or low <= force.force) and (high is None or force.force <= high)
            told = "at the usual modulus it keeps it, at another it may not"
            told = told if inside else "at the usual modulus it does not keep it, at another it may"
    return f"{force.asked.id} asks for {bounds}: {told}."


def _contact_words(force: _Force) -> str:
    if force.stops_at is None:
        return ""
    return (
        f"Parts of the section touch at {_stroke_words(force.drive, force.stops_at)} of "
        f"{_stroke_words(force.drive, float(force.drive.stroke[-1]))}: there the motion stops or rubs."
    )


def _force_change(force: _Force) -> str:
    changes = []
    if force.verdict is not Verdict.MEETS and force.wanted_width is not None:
        modulus = force.case.workpiece.setup.material["modulus"]
        if abs(force.wanted_width - 1) > 0.005:
            changes.append(
                f"Flexures {abs(100 * (force.wanted_width - 1)):.1f} % "
                f"{'wider' if force.wanted_width > 1 else 'thinner'} or {_longer_words(force.wanted_width)} bring the "
                f"force to {_force_of(force.nominal or 0.0, force.drive)}."
            )
        changes.append(
            f"Measure the modulus on a printed coupon (now {modulus.low:g} to {modulus.high:g} {modulus.unit}) and the "
            "force on first articles."
        )
    if force.stops_at is not None:
        changes.append("Open the gap where it touches, or shorten the stroke.")
    return " ".join(changes)


def _longer_words(width_factor: float) -> str:
    """The same force by length, which goes with the inverse cube."""
    return f"{abs(100 * (1 / width_factor - 1)):.1f} % {'shorter' if width_factor > 1 else 'longer'}"


def _force_measured(force: _Force) -> tuple[Measurement, ...]:
    drive = force.drive
    unit = drive.unit
    half = (force.batch[1] - force.batch[0]) / 2
    how = _ARM if drive.is_arm else _MODEL
    measured = [
        Measurement("force at the end of the stroke", force.force, unit, half, how),
        Measurement("force at the end of the stroke as drawn", float(drive.drawn_force[-1]), unit, 0.0, _DRAWN),
        Measurement("energy stored at the end of the stroke", float(drive.energy_N_mm[-1]), "mJ",
                    half / force.force * float(drive.energy_N_mm[-1]), how),
        Measurement("stiffness at rest", drive.stiffness, _per(drive), 0.0, how),
        Measurement("stiffness at rest as drawn", drive.drawn_stiffness, _per(drive), 0.0, how),
    ]  # fmt: skip
    if force.stops_at is not None:
        measured.append(Measurement("stroke at first contact", force.stops_at, drive.motion.unit, 0.0, how))
    return tuple(measured)


def _curves(force: _Force) -> dict[str, Any]:
    """What the figures of force and of the bent shape draw."""
    drive = force.drive
    low, high = force.spread.range_95
    bounds = [np.nan if bound is None else bound for bound in (force.bounds[0], force.nominal, force.bounds[1])]
    stroke = np.linspace(0.0, drive.stroke[-1], _CURVE_POINTS)
    curves: dict[str, Any] = {
        "stroke": stroke,
        "force": drive.smooth(drive.force)(stroke),
        "drawn_force": drive.smooth(drive.drawn_force)(stroke),
        "energy_mj": drive.smooth(drive.energy_N_mm)(stroke),
        "scatter": np.array([low, high]),
        "material": np.array([force.batch[0] / force.force, force.batch[1] / force.force]),
        "asked": np.array(bounds, dtype=float),
        "is_turn": np.array([drive.unit != "N"]),
    }
    if drive.analysis is not None:
        result = drive.analysis.laid
        corners = len(np.unique(result.triangles))
        most = max(drive.bendings, key=lambda bending: bending.strain)
        outline = most.flexure.outline_mm
        middle, half = (outline.min(axis=0) + outline.max(axis=0)) / 2, 0.55 * float(np.ptp(outline, axis=0).max())
        nearest = int(np.argmin(np.linalg.norm(result.nodes_mm[:corners] - middle, axis=1)))
        curves |= {
            "nodes_mm": result.nodes_mm[:corners].astype(np.float32),
            "triangles": result.triangles.astype(np.int32),
            "rings": _rings(result.triangles),
            "scale": np.array([100 * most.strain]),
            "near": np.array([*(middle + result.moved_mm[-1][nearest]), half]),
            "moved_mm": result.moved_mm[-1][:corners].astype(np.float32),
            "strain": result.strain[-1][:corners].astype(np.float32),
        }
    return curves


def _rings(triangles: NDArray[np.int64]) -> NDArray[np.int32]:
    """Corners along the outlines of triangles that run anticlockwise, -1 between outlines, (k,) int."""
    sides = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, place, count = np.unique(np.sort(sides, axis=1), axis=0, return_index=True, return_counts=True)
    following = {int(start): int(end) for start, end in sides[place[count == 1]]}
    corners: list[int] = []
    while following:
        first = at = next(iter(following))
        while at in following:
            corners.append(at)
            at = following.pop(at)
        corners += [first, -1]
    return np.array(corners[:-1], dtype=np.int32)


def _no_force(case: MechanicsCase, drive: Drive, asked: Sequence[Requirement]) -> Finding:
    """A motion that takes no force by bending, or whose force could not be worked out."""
    name = drive.motion.name
    if not asked and case.idle_words:
        return case.plain(FORCE, Verdict.MEETS, f"'{name}' moves and bends nothing.", subject=name)
    told = f"Force over the stroke of '{name}' was not checked: {drive.reason}."
    ids = " and ".join(r.id for r in asked)
    change = f"Agree how {ids} is measured on first articles, and by whom." if asked else (
        f"Mark the flexures that carry '{name}' and what holds them as regions."
    )  # fmt: skip
    return case.plain(FORCE, Verdict.NOT_CHECKED, told, change, name)


def _unmoved(case: MechanicsCase, requirement: Requirement) -> Finding:
    told = f"{requirement.id} asks for a force on '{requirement.region}', for which no motion is declared: not checked."
    change = f"Declare the motion of '{requirement.region}' with its direction and stroke."
    return case.plain(FORCE, Verdict.NOT_CHECKED, told, change, f"{requirement.region} {requirement.id}")


def _nothing(case: MechanicsCase, asked: Sequence[Requirement]) -> Finding | None:
    """The one finding of a part that nothing can be said of, or that has nothing to say."""
    if case.idle_words and not asked:
        return case.plain(FORCE, Verdict.MEETS, case.idle_words)
    if case.open_words or (not case.drives and not asked):
        return case.unchecked(FORCE, "Force and energy over the stroke were")
    return None


# --- ME-07 ----------------------------------------------------------------------------------


def _scattered(case: MechanicsCase, drive: Drive) -> Finding:
    force = _Force(case, drive)
    spread = force.spread
    low, high = spread.range_95
    half = (high - low) / 2
    band = case.band("yield") if force.asked else case.band("force_spread")
    told = [
        f"Widths that scatter by {_plus_minus(case.scatter.within_mm)} within a machine and "
        f"{_plus_minus(case.scatter.machine_mm)} between machines (95 %) spread the force of '{drive.motion.name}' by "
        f"{percent_words(half)}; its standard deviation is {percent_words(spread.within)} within a machine and "
        f"{percent_words(spread.between)} between machines."
    ]
    measured = [
        Measurement("force spread, half-width at 95 %", 100 * half, "%", 0.0, _DRAWN_PARTS),
        Measurement("standard deviation within a machine", 100 * spread.within, "%", 0.0, _DRAWN_PARTS),
        Measurement("standard deviation between machines", 100 * spread.between, "%", 0.0, _DRAWN_PARTS),
    ]
    evidence: dict[str, Any] = {}
    if force.asked and force.nominal:
        as_is = spread.held_to(force.force, *force.bounds)
        centred = spread.held_to(force.nominal, *force.bounds)
        verdict = _yield_verdict(force, as_is, centred)
        told += [_yield_words(force, as_is), _centred_words(force, centred)]
        measured += [
            Measurement("parts within the tolerance", 100 * as_is.yield_share, "%", 0.0, _DRAWN_PARTS),
            Measurement("machines whose mean part is out", 100 * as_is.machines_out, "%", 0.0, _DRAWN_PARTS),
            Measurement("parts within it with the force centred", 100 * centred.yield_share, "%", 0.0, _DRAWN_PARTS),
        ]
        evidence = _histogram(force)
    else:
        verdict = band.verdict(half)
        told.append("No tolerance on the force is stated.")
    return finding(
        case.workpiece,
        SCATTER,
        DOMAIN,
        drive.motion.name,
        verdict,
        " ".join(told),
        _scatter_change(force) if verdict is not Verdict.MEETS else "",
        severity=Severity.YIELD,
        measurements=tuple(measured),
        limits=band.limits,
        figures=("force_histogram",) if evidence else (),
        evidence=evidence,
    )


def _yield_verdict(force: _Force, as_is: Held, centred: Held) -> Verdict:
    """By a force in the middle of its tolerance; a force that is off it or not known well is for ME-02 to judge."""
    band = force.case.band("yield")
    judged = [centred, as_is] if force.verdict is Verdict.MEETS else [centred]
    return worst_of([band.verdict(held.yield_share) for held in judged])


def _yield_words(force: _Force, held: Held) -> str:
    asked = force.asked.id if force.asked else ""
    return (
        f"At {_force_of(force.force, force.drive)} {_share(held.yield_share)} of the parts keep {asked}: "
        f"{_share(held.low_share)} too weak, {_share(held.high_share)} too strong. Machines whose mean part is out of "
        f"it: {_share(held.machines_out)}."
    )


def _centred_words(force: _Force, held: Held) -> str:
    return (
        f"With the force brought to {_force_of(force.nominal or 0.0, force.drive)} {_share(held.yield_share)} keep it."
    )


def _scatter_change(force: _Force) -> str:
    thinnest = min(force.drive.bendings, key=lambda bending: bending.width_mm)
    line_mm = force.case.workpiece.setup.line_width_mm
    lines = int(np.floor(thinnest.width_mm / line_mm + _WHOLE_LINE)) + 1
    factor = lines * line_mm / thinnest.width_mm
    return (
        f"Fewer and thicker flexures scatter less: {lines} lines ({mm_words(lines * line_mm)}) instead of "
        f"{mm_words(thinnest.width_mm)} cut the spread to {100 / factor:.0f} % of it; at the same strain and force "
        f"they are {100 * (np.sqrt(factor) - 1):.0f} % longer and have {100 * factor**-1.5:.0f} % of the number times "
        "depth."
    )


def _histogram(force: _Force) -> dict[str, Any]:
    """Shares of parts by force, machines' means apart."""
    parts = force.force * force.spread.factor
    edges = np.linspace(parts.min(), parts.max(), 41)
    machines = parts.mean(axis=1)
    bounds = [np.nan if bound is None else bound for bound in (force.bounds[0], force.nominal, force.bounds[1])]
    return {
        "edges": edges,
        "parts": np.histogram(parts, edges)[0] / parts.size,
        "machines": np.histogram(machines, edges)[0] / machines.size,
        "asked": np.array(bounds, dtype=float),
        "is_turn": np.array([force.drive.unit != "N"]),
    }


def _plus_minus(deviation_mm: float) -> str:
    return f"{half_width_95(deviation_mm):.2g} mm"


# --- both -----------------------------------------------------------------------------------


def _whole(case: MechanicsCase, code: str, judged: Sequence[Finding], listed: Sequence[Finding]) -> Finding:
    """The one finding that speaks for the whole part."""
    verdict = worst_of([found.verdict for found in judged])
    if len(judged) == 1 and not listed:
        return replace(judged[0], key=finding_key(code, judged[0].part, WHOLE), subject=WHOLE)
    ordered = sorted(judged, key=lambda found: WORST_FIRST.index(found.verdict))
    told = ", ".join(f"'{found.subject}' {found.verdict}" for found in ordered)
    message = f"{_WHAT[code]}: {told}."
    return finding(
        case.workpiece, code, DOMAIN, WHOLE, verdict, message,
        "Change what is listed." if verdict is not Verdict.MEETS else "", severity=judged[0].severity,
        limits=judged[0].limits, guess=ordered[0].guess,
    )  # fmt: skip


def _drives_of(case: MechanicsCase, requirement: Requirement) -> list[Drive]:
    return [drive for drive in case.drives if drive.motion.region == requirement.region]


def _notes(drive: Drive) -> str:
    """What limits the validity, contact apart, which is told by itself."""
    notes = [note for note in drive.notes if not note.startswith("parts touch")]
    return f"Mind: {'; '.join(notes)}." if notes else ""


def _stroke_words(drive: Drive, stroke: float) -> str:
    return mm_words(stroke) if drive.motion.unit == "mm" else f"{stroke:.3g} deg"


def _per(drive: Drive) -> str:
    return "N/mm" if drive.unit == "N" else "N mm/deg"


def _force_of(force: float, drive: Drive) -> str:
    return f"{_sized(force)} {drive.unit}"


def _sized(force: float) -> str:
    return f"{force:.3g}" if force < 1000 else f"{force:.0f}"


def _share(share: float) -> str:
    """A share, told so that neither all nor none is said where it is not so."""
    if share in (0.0, 1.0):
        return "none" if share == 0 else "all"
    if share < 0.001 or share > 0.999:
        return "hardly any" if share < 0.5 else "nearly all"
    return f"{100 * share:.1f} %"
