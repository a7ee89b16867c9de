"""ME-01: the flexures that were found, numbered, and whether they let move what is declared to move."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from reviewkit.judging import WHOLE, finding, mm_words, ring_points
from reviewkit.limits import Limits
from reviewkit.measure.flexures import Flexure, FlexureKind, FlexureOrigin, SectionPlane
from reviewkit.measure.mechanism import SoftMotion
from reviewkit.mechanics import DOMAIN, MechanicsCase, Wanted, softest, wanted
from reviewkit.model import Finding, Measurement, Severity, Verdict
from reviewkit.submission import Motion
from reviewkit.workpiece import Workpiece

CODE = "ME-01"

_SOFT = "stiffness of the flexures condensed to the blocks that they join, modulus of the layer plane"
_KINDS = {FlexureKind.LEAF: ("leaf", "leaves"), FlexureKind.NECK: ("neck", "necks"), FlexureKind.ARM: ("arm", "arms")}


def flexures_found(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """List the flexures of a part and hold the declared motions against the softest ones that they allow.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``flexure.*`` and ``mechanics.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a motion that the flexures do not let happen as declared.
    """
    case = MechanicsCase(workpiece, limits)
    if case.open_words:
        told = f"Flexures were not looked for: {case.open_words}."
        return [case.plain(CODE, Verdict.NOT_CHECKED, told, "Send a closed mesh of the part.")]
    if case.idle_words:
        return [case.plain(CODE, Verdict.MEETS, case.idle_words)]
    motions = [carried.motion for carried in workpiece.motions]
    pairs = [(motion, wanted(workpiece, limits, motion)) for motion in motions]
    odd = [_apart(case, motion, want) for motion, want in pairs if want is not None and not _agrees(case, want)]
    return [_whole(case, pairs, odd), *odd]


def _agrees(case: MechanicsCase, want: Wanted) -> bool:
    return case.band("apart").verdict(want.apart_deg) is Verdict.MEETS


def _apart(case: MechanicsCase, motion: Motion, want: Wanted) -> Finding:
    message = (
        f"'{motion.name}' is declared to move {want.apart_deg:.0f} deg off the way in which its flexures let it move "
        f"most easily: {_soft_words(want.soft)}."
    )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        motion.name,
        Verdict.MARGINAL,
        message,
        f"Confirm the motion of '{motion.name}', or turn its direction by {want.apart_deg:.0f} deg.",
        severity=Severity.FUNCTION,
        measurements=(Measurement("declared motion off the softest", want.apart_deg, "deg", 0.0, _SOFT),),
        limits=case.band("apart").limits,
    )


def _whole(case: MechanicsCase, pairs: Sequence[tuple[Motion, Wanted | None]], odd: Sequence[Finding]) -> Finding:
    found = case.found
    told = [_list_words(found.every)] if found.every else []
    told += [f"Left out because the submission says so: {'; '.join(found.dropped)}." for _ in found.dropped[:1]]
    told += [f"No matter was found in {' and '.join(map(repr, found.empty))}." for _ in found.empty[:1]]
    measured = [Measurement("flexures", float(len(found.every)), "count")]
    change = "Confirm the motion that is meant." if odd else ""
    verdict = Verdict.MARGINAL if odd or found.empty else Verdict.MEETS
    for motion, want in pairs:
        if want is not None and _agrees(case, want):
            told.append(f"They let '{motion.name}' move as declared: {_soft_words(want.soft)}.")
    if not pairs and (plane := found.main) is not None:
        moves = softest(case.workpiece, case.limits, plane)
        if moves is not None:
            soft = moves.motions[0]
            told.append(
                f"No motion is declared; what they let move most easily is {_soft_words(soft)}, "
                f"{plane.blocks[moves.held].name} held because {moves.held_by}."
            )
            measured.append(Measurement("stiffness of the softest motion", soft.stiffness_n_mm, "N/mm", 0.0, _SOFT))
    if found.empty:
        change = " ".join(filter(None, (change, "Move the regions of the flexures to where the flexures are.")))
    evidence: dict[str, Any] = _drawn(case, found.main or (found.planes[0] if found.planes else None))
    where = tuple(case.place(flexure, evidence) for flexure in found.every[: case.listed])
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        " ".join(told),
        change if verdict is not Verdict.MEETS else "",
        severity=Severity.FUNCTION,
        measurements=tuple(measured),
        limits=case.band("apart").limits if pairs else (),
        where=where,
        figures=("numbered_flexures",) if found.planes else (),
        evidence=evidence,
    )


def _list_words(flexures: Sequence[Flexure]) -> str:
    """The flexures in words, those of like size together."""
    alike: dict[tuple[object, ...], list[Flexure]] = {}
    for flexure in flexures:
        size = (flexure.kind, round(flexure.length_mm), round(flexure.width_mm, 1), round(flexure.depth_mm))
        alike.setdefault(size, []).append(flexure)
    parts = []
    for group in alike.values():
        one, many = _KINDS[group[0].kind]
        named = f"{len(group)} {one if len(group) == 1 else many}"
        length_mm, width_mm, depth_mm = (
            float(np.mean([getattr(flexure, name) for flexure in group]))
            for name in ("length_mm", "width_mm", "depth_mm")
        )
        parts.append(f"{named} {mm_words(length_mm)} long, {mm_words(width_mm)} thin, {mm_words(depth_mm)} deep")
    origins = Counter(flexure.origin for flexure in flexures)
    said = {
        FlexureOrigin.CONFIRMED: "found and declared",
        FlexureOrigin.FOUND: "found and not declared",
        FlexureOrigin.ADDED: "declared only",
    }
    told = ", ".join(f"{origins[origin]} {words}" for origin, words in said.items() if origins[origin])
    count = f"{len(flexures)} flexure{'s' if len(flexures) > 1 else ''}"
    return f"{count}: {'; '.join(parts)} ({told})."


def _soft_words(soft: SoftMotion) -> str:
    x, y, z = (round(100 * float(part)) / 100 + 0.0 for part in soft.direction)
    turning = "" if soft.centre_mm is None else (
        f", turning about x {soft.centre_mm[0]:.0f}, y {soft.centre_mm[1]:.0f}, z {soft.centre_mm[2]:.0f} mm"
    )  # fmt: skip
    stiff = "" if np.isinf(soft.ratio) else f", the next {soft.ratio:.2g} times as stiff"
    return f"along ({x:g}, {y:g}, {z:g}){turning}, at {soft.stiffness_n_mm:.3g} N/mm{stiff}"


def _drawn(case: MechanicsCase, plane: SectionPlane | None) -> dict[str, Any]:
    """The section with its flexures, as the drawing of numbered flexures needs them."""
    if plane is None:
        return {}
    number = {flexure.name: index + 1 for index, flexure in enumerate(case.found.every)}
    return {
        "section": ring_points(plane.section),
        "flexures": ring_points(shapely.union_all([_outline(flexure) for flexure in plane.flexures])),
        "middles": np.array([_outline(flexure).centroid.coords[0] for flexure in plane.flexures]),
        "numbers": np.array([number[flexure.name] for flexure in plane.flexures]),
        "names": np.array([flexure.name for flexure in plane.flexures]),
        "widths_mm": np.array([flexure.width_mm for flexure in plane.flexures]),
        "lengths_mm": np.array([flexure.length_mm for flexure in plane.flexures]),
        "height_mm": np.array([plane.height_mm]),
        "in_layers": np.array([plane.in_layers]),
    }


def _outline(flexure: Flexure) -> shapely.Geometry:
    return shapely.make_valid(shapely.Polygon(flexure.outline_mm))
