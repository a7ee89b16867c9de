"""IN: whether the mesh and its units can be trusted, before anything is measured on them.

======  =========================================================================================
IN-01   closed and sound: a solid can be sliced from the mesh; surfaces run through one another
IN-02   mended: what was changed on the mesh before the review
IN-03   bodies: as many as declared; standing twice, overlapping, or too small to be meant
IN-04   units: who says them, and what else the size could mean
IN-05   facets: without area, too many, coordinates too coarse; round holes and curves too coarse
IN-06   file: cut short, left over, or holding something that was not applied
======  =========================================================================================
"""

import numpy as np
from numpy.typing import NDArray

from reviewkit.intake.curves import Curve, faceted_curves
from reviewkit.intake.edges import Edges, connected, find_bodies
from reviewkit.intake.health import SIGHT_LINES, UNITED_FACETS
from reviewkit.intake.raw import UNIT_WORDS
from reviewkit.judging import WHOLE, finding, mm_words, percent_words, vector
from reviewkit.limits import Limits
from reviewkit.model import (
    Finding,
    Floats,
    Limit,
    Measurement,
    Origin,
    Place,
    Sense,
    Severity,
    Source,
    Status,
    Vector,
    Verdict,
    place_name,
)
from reviewkit.workpiece import Workpiece

DOMAIN = "intake"

_COUNTED = "counted in the mesh after mending"
_AS_SENT = "counted in the mesh as sent"
_SIGHTED = f"lines of sight through the mesh on a grid of {SIGHT_LINES} by {SIGHT_LINES}"
_UNITED = "sum of the bodies less their union, made by a solid modeller"
# Holes, bodies and words that one finding shows; the rest it counts.
_SHOWN = 5
_WORST_FIRST = (Verdict.FAILS, Verdict.NOT_CHECKED, Verdict.MARGINAL, Verdict.MEETS)


def intake(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the mesh, its units and what its file holds.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``intake.*``.

    Returns
    -------
    list of Finding
        Codes IN-01 to IN-06, each at least once.
    """
    return [
        *soundness(workpiece, limits),
        *mendings(workpiece, limits),
        *bodies(workpiece, limits),
        *units(workpiece, limits),
        *facets(workpiece, limits),
        *file_content(workpiece, limits),
    ]


def soundness(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-01: whether the mesh encloses a solid, and whether it encloses any of it twice.

    Returns
    -------
    list of Finding
        One on the whole; for a solid one more on surfaces that run through one another.
    """
    part, health = workpiece.part, workpiece.part.health
    if not health.sound:
        return [_unsound(workpiece, limits)]
    band = limits.band("intake.open_edges", workpiece.setup)
    change = percent_words(abs(health.solid_change))
    how = {
        "as sent": "as it was sent",
        "points joined": f"once {health.joined_points:,} points that its file stores a hair apart are joined",
        "mended": "after mending (IN-02)",
        "rebuilt": f"after rebuilding its edges (IN-02), which changed its volume by {change}",
    }[health.route]
    whole = finding(
        workpiece,
        "IN-01",
        DOMAIN,
        WHOLE,
        band.verdict(health.open_edges + health.crowded_edges + health.clashing_edges),
        f"The mesh is closed {how} and encloses a solid of {part.volume_mm3 / 1000:.4g} cm3.",
        severity=Severity.FUNCTION,
        measurements=(
            Measurement("edges that are not closed", float(health.open_edges), "-", 0.0, _COUNTED),
            Measurement("enclosed volume", part.volume_mm3, "mm3", 0.0, "sum over the facets, exact for the mesh"),
        ),
        limits=band.limits,
    )
    return [whole, _crossing(workpiece, limits)]


def _unsound(workpiece: Workpiece, limits: Limits) -> Finding:
    """A mesh that is no solid, with its largest holes."""
    part, health = workpiece.part, workpiece.part.health
    band = limits.band("intake.open_edges", workpiece.setup)
    edges = Edges(part.faces)
    halves = edges.open_halves
    ends = part.vertices[np.column_stack([edges.tails[halves], edges.heads[halves]])]
    faults = [
        (health.open_edges, "edges have a facet on one side only"),
        (health.crowded_edges, "edges are shared by more than two facets"),
        (health.clashing_edges, "edges lie between facets that disagree on the outside"),
    ]
    told = [f"{number:,} {words}" for number, words in faults if number] or ["its facets enclose no volume"]
    where, evidence = _holes(ends, halves // 3)
    shown = f" The largest openings are marked ({len(where)})." if where else ""
    return finding(
        workpiece,
        "IN-01",
        DOMAIN,
        WHOLE,
        Verdict.FAILS if health.closed else band.verdict(sum(number for number, _ in faults)),
        f"The mesh is not a closed solid: {'; '.join(told)}. What is measured on it is not reliable.{shown}",
        f"Close the surface in the drawing program, until it reports a solid, and send it again"
        f"{f'; {health.open_edges:,} open edges have to become 0' if health.open_edges else ''}.",
        severity=Severity.FUNCTION,
        measurements=tuple(Measurement(words, float(number), "-", 0.0, _COUNTED) for number, words in faults),
        limits=band.limits,
        where=where,
        evidence={"open_edges": ends, **evidence},
    )


def _holes(ends: Floats, facets: NDArray[np.int64]) -> tuple[tuple[Place, ...], dict[str, NDArray[np.int64]]]:
    """Middles of the longest runs of open edges, (n, 2, 3) float [mm], and the facets along them."""
    if not len(ends):
        return (), {}
    points, index = np.unique(ends.reshape(-1, 3), axis=0, return_inverse=True)
    index = index.reshape(-1, 2)
    runs = connected(len(points), index[:, 0], index[:, 1])[index[:, 0]]
    lengths = np.bincount(runs, np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1))
    places, evidence = [], {}
    # Runs of equal length stay in the order of the file.
    for number, run in enumerate(np.argsort(-lengths.round(6), kind="stable")[:_SHOWN], 1):
        corners = ends[runs == run].reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        name = f"hole_{number}"
        places.append(Place(vector((low + high) / 2), None, (vector(low), vector(high)), name))
        evidence[name] = np.unique(facets[runs == run])
    return tuple(places), evidence


def _crossing(workpiece: Workpiece, limits: Limits) -> Finding:
    """Volume that one surface encloses more than once."""
    part, health = workpiece.part, workpiece.part.health
    subject = "crossing surfaces"
    if health.crossing_mm3 is None or health.crossing_uncertainty_mm3 is None:
        return finding(
            workpiece,
            "IN-01",
            DOMAIN,
            subject,
            Verdict.NOT_CHECKED,
            f"Whether surfaces run through one another was not checked: {len(part.faces):,} facets are too many.",
            f"Export the part coarser, with {UNITED_FACETS:,} facets or fewer, to have it checked.",
            severity=Severity.YIELD,
        )
    band = limits.band("intake.crossing_fraction", workpiece.setup)
    share = health.crossing_mm3 / part.volume_mm3
    uncertainty = health.crossing_uncertainty_mm3 / part.volume_mm3
    verdict = band.verdict(share, uncertainty)
    clear = verdict is Verdict.MEETS
    return finding(
        workpiece,
        "IN-01",
        DOMAIN,
        subject,
        verdict,
        f"Surfaces of a body run through one another: {percent_words(share)} of the volume is enclosed twice."
        if share > 0
        else "No surface runs through another of the same body.",
        "" if clear else "Unite the overlapping shapes of the body in the drawing program and export it again.",
        severity=Severity.YIELD,
        measurements=(Measurement("share of the volume enclosed more than once", share, "-", uncertainty, _SIGHTED),),
        limits=band.limits,
    )


def mendings(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-02: what was changed on the mesh before the review."""
    health = workpiece.part.health
    band = limits.band("intake.mendings", workpiece.setup)
    verdict = band.verdict(len(health.mended))
    joined = f" {health.joined_points:,} points that lie a hair apart were joined." if health.joined_points else ""
    return [
        finding(
            workpiece,
            "IN-02",
            DOMAIN,
            WHOLE,
            verdict,
            f"Mended before the review: {'; '.join(health.mended)}.{joined} Nothing else was changed."
            if health.mended
            else f"Nothing had to be mended.{joined}",
            "Confirm that this is the part meant, or correct it in the drawing program and send it again."
            if health.mended
            else "",
            severity=Severity.COST,
            measurements=(
                Measurement("kinds of mending", float(len(health.mended)), "-", 0.0, "counted while mending"),
                Measurement("facets turned", float(health.flipped_facets), "-", 0.0, _AS_SENT),
                Measurement("bodies turned inside out", float(health.inverted_bodies), "-", 0.0, _AS_SENT),
                Measurement("points joined", float(health.joined_points), "-", 0.0, _AS_SENT),
            ),
            limits=band.limits,
        )
    ]


def bodies(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-03: the number of bodies, and bodies that stand twice, overlap or are too small to be meant.

    Returns
    -------
    list of Finding
        One on their number; one more each when bodies stood twice, when there are several
        (overlap), and when one is too small.
    """
    health = workpiece.part.health
    found = [_number_of_bodies(workpiece)]
    if health.doubled_bodies:
        band = limits.band("intake.doubled_bodies", workpiece.setup)
        twice = f"{health.doubled_bodies:,} {'body stands' if health.doubled_bodies == 1 else 'bodies stand'}"
        found.append(
            finding(
                workpiece,
                "IN-03",
                DOMAIN,
                "doubled bodies",
                band.verdict(health.doubled_bodies),
                f"{twice} twice in exactly the same place, which would double volume and mass; one copy was reviewed.",
                "Delete the copy in the drawing program, or say that it belongs elsewhere.",
                severity=Severity.COST,
                measurements=(Measurement("bodies standing twice", float(health.doubled_bodies), "-", 0.0, _AS_SENT),),
                limits=band.limits,
            )
        )
    if health.sound and health.bodies > 1:
        found.append(_overlap(workpiece, limits))
    return found + _tiny_bodies(workpiece, limits)


def _number_of_bodies(workpiece: Workpiece) -> Finding:
    """As many bodies as the submission declares; undeclared, one is as expected."""
    part, health = workpiece.part, workpiece.part.health
    pieces = f"{_counted(part.bodies, 'piece')}, {health.loose_pieces:,} of them open"
    hollow = f" and {_counted(health.voids, 'enclosed hollow space')}" if health.voids else ""
    held = f"The mesh holds {_counted(part.bodies, 'separate body', 'separate bodies')}{hollow}"
    stated: tuple[Limit, ...] = ()
    if health.loose_pieces:
        verdict = Verdict.NOT_CHECKED
        message = f"The mesh falls into {pieces}, so its bodies cannot be counted."
        change = "Close the surface first (IN-01)."
    elif part.declared_bodies is None:
        verdict = Verdict.MEETS if part.bodies == 1 else Verdict.MARGINAL
        message = f"{held}." if part.bodies == 1 else f"{held}; the submission does not say how many are meant."
        change = f"Say in the submission whether {part.bodies:,} bodies are meant (bodies = {part.bodies})."
    else:
        source = Source("the customer's submission", Status.SEEN)
        stated = (
            Limit("submission-bodies", "declared bodies", float(part.declared_bodies), "-", Sense.MAX, source),
            Limit("submission-bodies", "declared bodies", float(part.declared_bodies), "-", Sense.MIN, source),
        )
        verdict = Verdict.MEETS if part.bodies == part.declared_bodies else Verdict.FAILS
        agrees = "as the submission says" if verdict is Verdict.MEETS else f"but {part.declared_bodies:,} are declared"
        message = f"{held}, {agrees}."
        change = f"Make them {part.declared_bodies:,} in the drawing, or declare bodies = {part.bodies}."
    return finding(
        workpiece,
        "IN-03",
        DOMAIN,
        WHOLE,
        verdict,
        message,
        "" if verdict is Verdict.MEETS else change,
        severity=Severity.FUNCTION,
        measurements=(
            Measurement("separate bodies", float(part.bodies), "-", 0.0, "connected facets, hollow spaces apart"),
            Measurement("enclosed hollow spaces", float(health.voids), "-", 0.0, "connected facets facing inward"),
        ),
        limits=stated,
    )


def _overlap(workpiece: Workpiece, limits: Limits) -> Finding:
    """Volume that several bodies share."""
    part, health = workpiece.part, workpiece.part.health
    if health.overlap_mm3 is None:
        return finding(
            workpiece,
            "IN-03",
            DOMAIN,
            "overlap",
            Verdict.NOT_CHECKED,
            f"Whether the {part.bodies:,} bodies overlap was not checked: they are too many or too finely meshed.",
            "Export the part coarser, or its bodies apart, to have it checked.",
            severity=Severity.YIELD,
        )
    band = limits.band("intake.overlap_fraction", workpiece.setup)
    share = health.overlap_mm3 / (part.volume_mm3 - health.overlap_mm3)
    verdict = band.verdict(share)
    clear = verdict is Verdict.MEETS
    return finding(
        workpiece,
        "IN-03",
        DOMAIN,
        "overlap",
        verdict,
        f"The {part.bodies:,} bodies do not overlap."
        if clear
        else f"Bodies overlap by {health.overlap_mm3:.3g} mm3 ({percent_words(share)} of the part): they print as one, "
        "and volume and mass count that twice.",
        "" if clear else "Unite the bodies in the drawing program, or move them apart until they share 0 mm3.",
        severity=Severity.FUNCTION,
        measurements=(
            Measurement("shared share of the volume", share, "-", 0.0, _UNITED),
            Measurement("shared volume", health.overlap_mm3, "mm3", 0.0, _UNITED),
        ),
        limits=band.limits,
    )


def _tiny_bodies(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Bodies too small to be meant, with their places; nothing when there are none."""
    part, volumes = workpiece.part, workpiece.part.health.body_volumes_mm3
    band = limits.band("intake.body_volume_mm3", workpiece.setup)
    if not volumes or band.verdict(volumes[-1]) is Verdict.MEETS:
        return []
    piece_of, volume_mm3, closed = find_bodies(part.vertices, part.faces, Edges(part.faces))
    tiny = [
        int(piece)
        for piece in np.argsort(volume_mm3, kind="stable")
        if closed[piece] and volume_mm3[piece] > 0 and band.verdict(float(volume_mm3[piece])) is not Verdict.MEETS
    ]
    places, evidence = [], {}
    for number, piece in enumerate(tiny[:_SHOWN], 1):
        members = np.flatnonzero(piece_of == piece)
        corners = part.vertices[part.faces[members]].reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        evidence[f"body_{number}"] = members
        places.append(Place(vector((low + high) / 2), None, (vector(low), vector(high)), f"body_{number}"))
    several = f"{len(tiny):,} bodies are" if len(tiny) > 1 else "One body is"
    return [
        finding(
            workpiece,
            "IN-03",
            DOMAIN,
            "tiny bodies",
            band.verdict(volumes[-1]),
            f"{several} very small, the smallest {volumes[-1]:.2g} mm3: usually leftovers of the drawing.",
            f"Delete them, or make each {band.limits[0].value:g} mm3 or larger if it is meant.",
            severity=Severity.YIELD,
            measurements=(Measurement("volume of the smallest body", volumes[-1], "mm3", 0.0, "sum over its facets"),),
            limits=band.limits,
            where=tuple(places),
            evidence=evidence,
        )
    ]


def units(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-04: who says the unit; inferred units are never taken as settled."""
    part = workpiece.part
    bands = (
        limits.band("intake.extent_least_mm", workpiece.setup),
        limits.band("intake.extent_most_mm", workpiece.setup),
    )
    longest_mm = max(part.size_mm)
    size = _size_words(part.size_mm)
    read = f"Read in {UNIT_WORDS[part.units]}: {size}"
    odd = any(band.verdict(longest_mm) is not Verdict.MEETS for band in bands)
    contradicted = bool(part.units_in_file) and part.units_in_file != part.units
    verdict = Verdict.MARGINAL if odd or contradicted else Verdict.MEETS
    change = f"Confirm that the part measures {size}, or state the right unit."
    if part.units_origin is not Origin.CONFIRMED:
        others = "; ".join(
            f"in {UNIT_WORDS[unit]} it would be {_size_words(it)}" for unit, it in part.units_alternatives
        )
        verdict = Verdict.MARGINAL
        message = f"Nobody states the unit of the file. {read} ({part.units_note}); {others}."
        change = f'Confirm that the part measures {size} (units = "{part.units}"), or state the right unit.'
    elif contradicted:
        message = f"{read}, {part.units_note}."
    else:
        message = f"{read} ({part.units_note})."
    if odd:
        message += f" A longest side of {mm_words(longest_mm)} is unusual for a printed part: the unit may be wrong."
    return [
        finding(
            workpiece,
            "IN-04",
            DOMAIN,
            WHOLE,
            verdict,
            message,
            "" if verdict is Verdict.MEETS else change,
            severity=Severity.FUNCTION,
            measurements=(Measurement("longest side", longest_mm, "mm", 0.0, "box around the part in its own frame"),),
            limits=tuple(limit for band in bands for limit in band.limits),
        )
    ]


def facets(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-05: facets without area, their number, the steps of the coordinates, round holes and curves.

    Returns
    -------
    list of Finding
        One on the whole; one more on the coarsest round hole when it is too coarse, and one on
        other curves whose facets lie too far from them.
    """
    part, health, setup = workpiece.part, workpiece.part.health, workpiece.setup
    stored = "step of 32-bit numbers at the farthest coordinate"
    judged = (
        ("facets", "facets", float(len(part.faces)), "-", _COUNTED),
        ("degenerate_left", "facets without area", float(health.degenerate_left), "-", _COUNTED),
        ("coordinate_step_mm", "step of the coordinates", health.coordinate_step_mm, "mm", stored),
    )
    bands = [limits.band(f"intake.{quantity}", setup) for quantity, *_ in judged]
    verdicts = [band.verdict(value) for band, (_, _, value, _, _) in zip(bands, judged, strict=True)]
    told, changes = [f"The reviewed mesh has {len(part.faces):,} facets"], []
    if verdicts[0] is not Verdict.MEETS:
        told.append("more than a printed part can show")
        changes.append(f"Export it coarser, with {bands[0].limits[0].value:,.0f} facets or fewer.")
    if verdicts[1] is not Verdict.MEETS:
        told.append(f"{health.degenerate_left:,} of them without area, which no mending removes safely")
        changes.append("Export the part again with a finer tolerance, so that 0 facets are without area.")
    if verdicts[2] is not Verdict.MEETS:
        told.append(
            f"and it lies so far from its origin that points are rounded to {mm_words(health.coordinate_step_mm)}"
        )
        changes.append("Move the part to the origin before export.")
    hole = _coarse_hole(workpiece, limits)
    if health.hole_facets is None:
        round_holes = " No straight round hole was found to judge their fineness by."
    elif hole:
        round_holes = ""
    else:
        round_holes = f" Its coarsest straight round hole has {health.hole_facets:,} flats."
    whole = finding(
        workpiece,
        "IN-05",
        DOMAIN,
        WHOLE,
        min(verdicts, key=_WORST_FIRST.index),
        f"{', '.join(told)}.{round_holes}",
        " ".join(changes),
        severity=Severity.COST,
        measurements=tuple(Measurement(words, value, unit, 0.0, method) for _, words, value, unit, method in judged),
        limits=tuple(limit for band in bands for limit in band.limits),
    )
    return [whole, *hole, *_coarse_curves(workpiece, limits)]


def _coarse_hole(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """The round hole with the fewest flats, when they are too few."""
    health = workpiece.part.health
    band = limits.band("intake.hole_facets", workpiece.setup)
    if health.hole_facets is None or band.verdict(health.hole_facets) is Verdict.MEETS:
        return []
    flats, diameter_mm = health.hole_facets, health.hole_diameter_mm
    inward_mm = diameter_mm / 2 * (1 - np.cos(np.pi / flats))
    return [
        finding(
            workpiece,
            "IN-05",
            DOMAIN,
            f"hole {place_name(health.hole_at_mm)}",
            band.verdict(flats),
            f"A round hole of {mm_words(diameter_mm)} has {flats} flats, which stand {mm_words(inward_mm)} inside the "
            "circle: they will show and tighten the fit.",
            f"Export with a finer tolerance, so that round holes have {band.limits[0].value:g} flats or more.",
            severity=Severity.LOOKS,
            measurements=(
                Measurement("flats around the hole", float(flats), "-", 0.0, "ring of flats at equal angles"),
                Measurement("diameter through the corners", diameter_mm, "mm", 0.0, "mean distance from the axis"),
                Measurement(
                    "flats inside the circle by", float(inward_mm), "mm", 0.0, "half the diameter (1 - cos(180/n))"
                ),
            ),
            limits=band.limits,
            where=(Place(health.hole_at_mm),),
        )
    ]


def _coarse_curves(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Curved surfaces whose facets lie too far from them; nothing when there are none."""
    part, setup = workpiece.part, workpiece.setup
    band = limits.band("intake.curve_sagitta_mm", setup)
    least, most = (limits.value(f"intake.curve_turn_{end}_deg", setup).value for end in ("least", "most"))
    if not part.health.sound or len(part.faces) > UNITED_FACETS:
        return []
    curves = [
        curve
        for curve in faceted_curves(part.vertices, part.faces, Edges(part.faces), (least, most))
        if band.verdict(curve.sagitta_mm) is not Verdict.MEETS and not _is_judged_hole(workpiece, limits, curve)
    ]
    if not curves:
        return []
    places, evidence = [], {}
    for number, curve in enumerate(curves[:_SHOWN], 1):
        corners = part.vertices[part.faces[curve.facets]].reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        evidence[f"curve_{number}"] = curve.facets
        places.append(Place(vector((low + high) / 2), None, (vector(low), vector(high)), f"curve_{number}"))
    worst = curves[0]
    others = f", and {len(curves) - 1:,} more like it" if len(curves) > 1 else ""
    # The sagitta goes with the square of the turn.
    turn_deg = worst.turn_deg * np.sqrt(band.limits[0].value / worst.sagitta_mm)
    return [
        finding(
            workpiece,
            "IN-05",
            DOMAIN,
            "coarse curves",
            band.verdict(worst.sagitta_mm),
            f"A {'hollow' if worst.hollow else 'rounded'} surface is made of {worst.flats:,} flats that turn by "
            f"{worst.turn_deg:.0f} degrees and lie up to {mm_words(worst.sagitta_mm)} from the curve they stand "
            f"for{others}: the flats will show.",
            f"Export with a chord tolerance of {mm_words(band.limits[0].value)} or finer, here a turn of "
            f"{turn_deg:.1f} degrees or less from flat to flat; or say that the flats are meant.",
            severity=Severity.LOOKS,
            measurements=(
                Measurement("curve to facet", worst.sagitta_mm, "mm", 0.0, "turn from flat to flat and their width"),
                Measurement("turn from flat to flat", worst.turn_deg, "deg", 0.0, "median along the run of flats"),
                Measurement("curves too coarse", float(len(curves)), "-", 0.0, _COUNTED),
            ),
            limits=band.limits,
            where=tuple(places),
            evidence=evidence,
        )
    ]


def _is_judged_hole(workpiece: Workpiece, limits: Limits, curve: Curve) -> bool:
    """Whether a curve is the round hole that has a finding of its own."""
    part, health = workpiece.part, workpiece.part.health
    if not curve.hollow or not _coarse_hole(workpiece, limits):
        return False
    corners = part.vertices[part.faces[curve.facets]].reshape(-1, 3)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    return float(np.linalg.norm(middle - health.hole_at_mm)) < health.hole_diameter_mm / 4


def file_content(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """IN-06: whether the file is whole and all of it was applied."""
    health, setup = workpiece.part.health, workpiece.setup
    missing_band, left_band = limits.band("intake.facets_missing", setup), limits.band("intake.left_out", setup)
    verdicts = [missing_band.verdict(health.facets_missing), left_band.verdict(len(health.unread))]
    told, changes = [f"The file ({health.format}) was read to its end."], []
    if health.facets_missing:
        told = [
            f"Of {health.triangles_sent:,} facets in the file ({health.format}), {health.facets_missing:,} "
            f"{'is' if health.facets_missing == 1 else 'are'} missing or unreadable, so this is not the whole part."
        ]
        changes.append(f"Send the file again with all its {health.triangles_sent:,} facets.")
    elif health.cut_short:
        verdicts.append(Verdict.MARGINAL)
        told = [f"The file ({health.format}) ends without its closing line and may be cut short."]
        changes.append("Confirm that the part is whole, or send the file again.")
    if health.bytes_left_over:
        verdicts.append(Verdict.MARGINAL)
        told.append(f"{health.bytes_left_over:,} bytes behind its last facet were not read.")
        changes.append("Export the file again, or confirm that the part is whole.")
    if health.unread:
        more = f"; and {len(health.unread) - _SHOWN} more" if len(health.unread) > _SHOWN else ""
        told.append(f"Not applied: {'; '.join(health.unread[:_SHOWN])}{more}.")
        changes.append("Say whether what was not applied belongs to the part.")
    if health.notes:
        told.append(f"How it was read: {'; '.join(health.notes)}.")
    if health.ignored:
        told.append(f"Not needed for the shape: {'; '.join(health.ignored)}.")
    return [
        finding(
            workpiece,
            "IN-06",
            DOMAIN,
            WHOLE,
            min(verdicts, key=_WORST_FIRST.index),
            " ".join(told),
            " ".join(changes),
            severity=Severity.FUNCTION if health.facets_missing else Severity.YIELD,
            measurements=(
                Measurement(
                    "facets missing", float(health.facets_missing), "-", 0.0, "stated or begun, less those read"
                ),
                Measurement("contents not applied", float(len(health.unread)), "-", 0.0, "counted while reading"),
                Measurement("bytes left over", float(health.bytes_left_over), "-", 0.0, "behind the last facet"),
            ),
            limits=(*missing_band.limits, *left_band.limits),
        )
    ]


def _size_words(size_mm: Vector) -> str:
    """A box in words, such as ``127 x 63.5 x 34.9 mm``."""
    return " x ".join(f"{side:.3g}" if side < 1000 else f"{side:.0f}" for side in size_mm) + " mm"


def _counted(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"
