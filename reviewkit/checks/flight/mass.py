"""FL-01: what a launched part weighs as it is printed, and whether its mass sits far enough ahead.

A body that lies across the wind turns its nose ahead only when its mass centre lies ahead of the middle of its side.
"""

import numpy as np

from reviewkit.flown import FlightCase, Flown, side_evidence, void_mm
from reviewkit.judging import mm_words
from reviewkit.limits import Limits
from reviewkit.model import Finding, Measurement, Verdict
from reviewkit.workpiece import Workpiece

CODE = "FL-01"


def mass_centre(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge where the mass of every launched part sits.

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
    if (early := case.early(CODE, "Where the mass of the projectile sits was")) is not None:
        return [early]
    return case.summed(CODE, [_judged(flown) for flown in case.flown])


def _judged(flown: Flown) -> Finding:
    band, lead, centre, mass = flown.case.band("lead"), flown.lead, flown.centre_mm, flown.mass_g
    verdict = band.verdict((lead.low + lead.high) / 2, (lead.high - lead.low) / 2)
    length = flown.outline.length_mm
    side = centre.value + lead.value * flown.calibre_mm
    zones = ", ".join(f"'{zone.name}'" for zone in flown.shot.zones)
    said = (
        f"{flown.words} weighs {mass.value:.3g} g ({mass.low:.3g} to {mass.high:.3g} g)"
        f"{f' with {zones}' if zones else ''} and its mass centre lies {mm_words(centre.value)} behind its nose, at "
        f"{100 * centre.value / length:.0f} % of its {mm_words(length)}."
    )
    wanted = band.meets.value if band.meets else 0.0
    if verdict is Verdict.MEETS:
        said += f" That is {lead.value:.2f} calibres ahead of the middle of its side, {wanted:g} are asked."
        change = ""
    else:
        where = "behind" if lead.value < 0 else "ahead of"
        said += (
            f" The middle of its side is at {mm_words(side)}: the mass centre lies {abs(lead.value):.2f} calibres "
            f"{where} it, {wanted:g} ahead are asked, so once it is broadside the air does not turn its nose ahead."
        )
        change = (
            f"Bring the mass centre to {mm_words(side - wanted * flown.calibre_mm)} behind the nose or less: solid "
            f"ahead and light behind, or move the middle of the side back with a flare or fins."
        )
    across, along = flown.inertia_g_mm2
    method = "as printed, from its layers with outline passes, solid layers, core and zones"
    measured = (
        Measurement("mass", mass.value, "g", (mass.high - mass.low) / 2, method),
        Measurement("mass centre behind the nose", centre.value, "mm", (centre.high - centre.low) / 2, method),
        Measurement("mass centre ahead of the middle of the side", lead.value, "calibres",
                    (lead.high - lead.low) / 2, "over the diameter of the body"),
        Measurement("moment of inertia across the flight", across, "g mm2", 0.0, method),
        Measurement("moment of inertia along the flight", along, "g mm2", 0.0, method),
    )  # fmt: skip
    return flown.finding(
        CODE, verdict, said, change, measurements=measured, limits=band.limits, figures=("side_view",),
        evidence=_side(flown),
    )  # fmt: skip


def _side(flown: Flown) -> dict[str, np.ndarray]:
    """What the side view draws; the core lies between the walls of the outline and of what is hollow."""
    outline, void, wall_mm = flown.outline, void_mm(flown.outline), flown.dart.wall_mm
    inner = np.where(void > 0, void + wall_mm, 0.0)
    core_mm = np.array([inner, np.maximum(outline.radius_mm - wall_mm, inner)])
    return side_evidence(outline, flown.fins, flown.air, flown.centre_mm, core_mm, flown.core_fill)
