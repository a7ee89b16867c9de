"""PD-02: what a part weighs and the plastic that it takes, by outline passes, solid layers and core fill."""

import numpy as np

from reviewkit.copies import copies_of
from reviewkit.judging import WHOLE, finding, no_matter, not_checked, percent_words
from reviewkit.limits import Limits
from reviewkit.measure.printing import VOLUME_KINDS
from reviewkit.model import Finding, Measurement, Severity, Verdict
from reviewkit.printed import grams_words, printing_of
from reviewkit.workpiece import Workpiece

CODE = "PD-02"
DOMAIN = "production"

# Less than this share of the mass is not worth a word.
_NAMED_SHARE = 0.005
_METHOD = "layers with outline passes, solid layers and core fill as set, times the density"


def material_used(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the mass of the part and the material of a plate.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``production.*`` and ``mass.spread``.

    Returns
    -------
    list of Finding
        The whole part first; then a full plate that takes more than a spool holds.
    """
    if reason := no_matter(workpiece, limits):
        return [not_checked(workpiece, CODE, DOMAIN, "Mass was", reason)]
    plate = _plate(workpiece, limits)
    whole = _whole(workpiece, limits, plate.verdict)
    return [whole] if plate.verdict is Verdict.MEETS else [whole, plate]


def _whole(workpiece: Workpiece, limits: Limits, verdict: Verdict) -> Finding:
    setup, submission = workpiece.setup, workpiece.submission
    found, waste = printing_of(workpiece, limits), limits.value("production.waste", setup)
    density = setup.material["density"]
    plastic_mm3 = sum(found.volume_mm3.values())
    grams = [found.mass_g * found.volume_mm3[kind] / plastic_mm3 for kind in VOLUME_KINDS]
    told = [
        f"{grams_words(mass_g)} in {kind}"
        for mass_g, kind in zip(grams, VOLUME_KINDS, strict=True)
        if mass_g > _NAMED_SHARE * found.mass_g
    ]
    solid_mm3 = float(workpiece.layers.thickness_mm @ workpiece.layers.area_mm2)
    message = (
        f"One part weighs {grams_words(found.mass_g)}, give or take {found.mass_uncertainty_g:.2g} g: "
        f"{', '.join(told)}. That is {percent_words(plastic_mm3 / solid_mm3)} of a solid part, and "
        f"{found.filament_m:.3g} m of filament of {found.settings.filament_mm:.3g} mm."
    )
    if submission.quantity:
        count = next((entry.count for entry in submission.parts if entry.id == workpiece.part.id), 1)
        total_g = found.mass_g * (1 + waste.value) * submission.quantity * count
        message += (
            f" {submission.quantity * count:,} parts take {grams_words(total_g)} with "
            f"{percent_words(waste.value)} of waste."
        )
    message += (
        f" Core fill is {percent_words(setup.core_fill)}; density {density.value:.3g} {density.unit}, "
        f"{density.source.cited}."
    )
    measurements = [
        Measurement("mass of a part", found.mass_g, "g", found.mass_uncertainty_g, _METHOD),
        Measurement("plastic of a part", plastic_mm3, "mm3", plastic_mm3 * limits.value("mass.spread", setup).value),
        Measurement(
            "filament of a part", found.filament_m, "m", found.filament_m * found.mass_uncertainty_g / found.mass_g
        ),
    ]
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        "" if verdict is Verdict.MEETS else "See the finding on the plate's material below.",
        severity=Severity.COST,
        measurements=tuple(measurements),
        limits=(waste,),
        figures=("mass_by_kind",),
        evidence={
            "mass_g": np.array(grams),
            "half_width_g": np.array([found.mass_uncertainty_g]),
            "solid_g": np.array([found.mass_g * solid_mm3 / plastic_mm3]),
        },
    )


def _plate(workpiece: Workpiece, limits: Limits) -> Finding:
    setup = workpiece.setup
    found, band = printing_of(workpiece, limits), limits.band("production.plate_mass", setup)
    waste = limits.value("production.waste", setup).value
    copies = max(1, copies_of(workpiece, limits).count)
    each_g, half_g = found.mass_g * (1 + waste), found.mass_uncertainty_g * (1 + waste)
    bound_g = band.limits[0].value
    fitting = int(bound_g // (each_g + half_g))
    message = (
        f"A plate of {copies} takes {grams_words(copies * each_g)} of plastic with its waste, give or take "
        f"{grams_words(copies * half_g)}, more than the {grams_words(bound_g)} that a spool may be counted on for."
    )
    change = (
        f"Put {fitting} copies on a plate, use larger spools, or let the machine change spools by itself."
        if fitting
        else "Use larger spools, let the machine change spools by itself, or bring the core fill down."
    )
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        "plate material",
        band.verdict(copies * each_g, copies * half_g),
        message,
        change,
        severity=Severity.YIELD,
        measurements=(Measurement("plastic of a full plate", copies * each_g, "g", copies * half_g, _METHOD),),
        limits=band.limits,
    )
