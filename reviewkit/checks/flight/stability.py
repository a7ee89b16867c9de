"""FL-02: whether air keeps the nose of a launched part ahead, to what angle it trims, and what would help.

Slender-body theory, cross-flow and Barrowman's fins, for slow bodies without spin.  A body without a tail may
trim at an angle by this theory; what the flow does at its edges is left out, so that is told as not proven stable.
"""

import math

import numpy as np

from reviewkit.flown import FlightCase, Flown, balance_evidence, help_evidence
from reviewkit.judging import mm_words
from reviewkit.limits import Limits
from reviewkit.measure.grading import smallest_addition
from reviewkit.model import Finding, Measurement, Verdict
from reviewkit.workpiece import Workpiece

CODE = "FL-02"

_METHOD = "slender body, cross-flow and fins; still air, no spin"
_LIMIT = "This is theory for slender bodies; shoot some and film them."


def stays_ahead(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether every launched part keeps its nose ahead.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``flight.*``, ``launch.*`` and ``mass.*``.

    Returns
    -------
    list of Finding
        The whole part first, then each projectile that does not meet.
    """
    case = FlightCase(workpiece, limits)
    if (early := case.early(CODE, "Whether the projectile flies nose first was")) is not None:
        return [early]
    return case.summed(CODE, [_judged(flown) for flown in case.flown])


def _judged(flown: Flown) -> Finding:
    case, air, margin = flown.case, flown.air, flown.margin
    band, trim = case.band("margin"), case.band("trim")
    verdict = band.verdict((margin.low + margin.high) / 2, (margin.high - margin.low) / 2)
    if verdict is Verdict.FAILS and flown.trims:
        verdict = Verdict.MARGINAL
    wanted = band.meets.value if band.meets else 0.0
    at, calibre = air.pressure_centre_mm, flown.calibre_mm
    said = (
        f"The centre of pressure of {flown.shot.words} lies {mm_words(at)} behind its nose and the mass centre "
        f"{mm_words(flown.centre_mm.value)}: a margin of {margin.value:.2f} calibres of {mm_words(calibre)}, "
        f"{wanted:g} are asked."
    )
    said += _error_words(flown) + _rest_words(flown, verdict) + f" {_LIMIT}"
    rate, way = flown.swing
    measured = [
        Measurement("static margin", margin.value, "calibres", (margin.high - margin.low) / 2, _METHOD),
        Measurement("centre of pressure behind the nose", at, "mm", case.value("centre_spread") * calibre, _METHOD),
        Measurement("angle that it comes back to", air.trim_deg, "deg", 0.0, _METHOD),
    ]
    if air.margin > 0:
        measured += [
            Measurement("pitch frequency", rate / 2 / math.pi, "Hz", 0.0, f"at {flown.settings.speed_m_s:.3g} m/s"),
            Measurement("path of one swing", way, "m", 0.0, "at any speed"),
        ]
    else:
        measured.append(Measurement("path in which an error grows by e", way, "m", 0.0, "at any speed"))
    return flown.finding(
        CODE, verdict, said, "" if verdict is Verdict.MEETS else _change(flown), measurements=tuple(measured),
        limits=(*band.limits, *trim.limits), figures=("moment_over_angle", "what_would_help"),
        evidence=_evidence(flown),
    )  # fmt: skip


def _error_words(flown: Flown) -> str:
    """What an error at the launch does."""
    _, way = flown.swing
    error = flown.case.value("error")
    if flown.air.margin > 0:
        return f" A nose that leaves {error:g} degrees off swings to and fro once in {way:.2g} m, at any speed."
    return f" A nose that leaves {error:g} degrees off turns away by 2.7 times as much in each {way:.2g} m."


def _rest_words(flown: Flown, verdict: Verdict) -> str:
    """Where it settles, and how far that may be believed."""
    angle = flown.air.trim_deg
    if flown.air.margin > 0:
        return ""
    if verdict is Verdict.MARGINAL:
        return (
            f" It is not proven stable: by this theory it settles at {angle:.0f} degrees to its path, and what "
            f"the flow does at its edges is left out."
        )
    if angle >= 180:
        return " It settles with its tail ahead."
    return f" It settles at {angle:.0f} degrees to its path, so it flies broadside or tumbles."


def _change(flown: Flown) -> str:
    """The grading for the wanted margin, or what must be added."""
    case = flown.case
    wanted = case.value("better")
    graded = flown.graded(flown.dart)
    behind = f"walls of {mm_words(flown.dart.wall_mm)} and {100 * flown.dart.core_fill:.0f} % of core behind"
    if graded.solid_to_mm is not None:
        return (
            f"Print it solid from its nose to {mm_words(graded.solid_to_mm)}, with {behind}: that puts the mass centre "
            f"at {mm_words(graded.weighed.centre_mm)} and gives {graded.margin:.1f} calibres."
        )
    best = f"no grading gives {wanted:g} calibres, the best {graded.margin:.1f}"
    thick = case.value("fin_lines")
    found = smallest_addition(
        flown.dart, flown.settings, wanted, half_angle_deg=case.value("flare_angle"), thickness_mm=thick
    )  # fmt: skip
    if not found:
        return (
            f"Without another tail {best}, and neither four fins nor a flare serve with {behind}: make the body longer "
            f"and its tail lighter, or put a weight into the nose."
        )
    options = " or ".join(
        f"{added.words} and solid to {mm_words(added.grading.solid_to_mm or 0.0)}" for added in found
    )  # fmt: skip
    return f"Add a tail, since {best}: {options}, with {behind}, give {wanted:g} calibres."


def _evidence(flown: Flown) -> dict[str, np.ndarray]:
    """Moment over the angle, and what each change would make of it."""
    rows, meets = flown.variants[: flown.case.listed], flown.case.band("margin").meets
    best = max(rows[1:], key=lambda row: row.air.margin)
    wanted = float("nan") if meets is None else meets.value
    return {
        **balance_evidence(flown.air, best.air, f"best change: {best.name}"),
        **help_evidence(rows, flown.within_m, wanted),
    }
