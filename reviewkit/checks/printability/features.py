"""PR-10: detail too small to draw: raised and engraved lines, nubs, nicks, letters.

Long or large narrow places are walls (PR-04), slots, holes and pins (PR-05) and are judged there;
what is left for here is low on a face or compact.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.judging import (
    WHOLE,
    at_words,
    bound_words,
    finding,
    mm_words,
    not_checked,
    ring_points,
    subject_names,
    too_open,
    unsound_words,
    vector,
)
from reviewkit.limits import Limits
from reviewkit.measure.features import Detail, Marks, detail_width, marks, small_details
from reviewkit.measure.gaps import Circles, Round, air_between_walls, circles, rounds
from reviewkit.measure.walls import thin_places
from reviewkit.model import Band, Box, Finding, Floats, Limit, Measurement, Place, Severity, Vector, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-10"
DOMAIN = "printability"

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_OPENED = "least width of an opening of the layers that takes it away"
_CLOSED = "least width of a closing of the layers that fills it"
_OUTLINES = "outlines of the layer"
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)
_ZOOM_TIMES, _ZOOM_LEAST_MM, _ZOOM_MOST_MM = 0.65, 1.5, 15.0
_SPOKES = 8
# Layers meet a level face to half their thickness.
_ROOM_MM = 0.15


def features(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge small detail.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``detail.*``; what is a wall, a hole or a pin and judged elsewhere is
        told by rows ``wall.*`` and ``gap.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a detail or group of letters that does not meet
        its limit, the worst first.
    """
    layers = workpiece.layers
    if not len(workpiece.walls):
        return [not_checked(workpiece, CODE, DOMAIN, "Small detail was", "no layer of the part has an outline")]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Small detail was", reason)]
    case = _Case(workpiece, limits)
    written = [group for group in case.marks if len(group) >= case.least_count and not _is_dots(case, group)]
    found = [one for group in written if (one := _marks(case, group)) is not None]
    found += _details(case, written)
    found.sort(key=lambda one: (_WORST_FIRST.index(one.verdict), one.severity, one.width_mm))
    listed = found[: case.listed]
    findings = [
        _told(case, one, name)
        for one, name in zip(listed, subject_names(case.workpiece, [one.centre_mm for one in listed]), strict=True)
    ]
    return [_whole_part(case, found, len(listed), written), *findings]


@dataclass(frozen=True, eq=False)
class _Found:
    """A detail that does not meet its limit, ready to be told."""

    verdict: Verdict
    severity: Severity
    width_mm: float
    centre_mm: Floats
    message: str
    change: str
    measurements: tuple[Measurement, ...]
    limits: tuple[Limit, ...]
    place: Place
    faces: Ints
    layer: int
    shapes: NDArray[np.object_]


class _Case:
    """A workpiece, the rows that PR-10 judges it by, and what is measured on it."""

    def __init__(self, workpiece: Workpiece, limits: Limits) -> None:
        self.workpiece, self._limits = workpiece, limits
        self.raised, self.engraved, self.mark_height, self.stroke, self.relief = (
            limits.band(f"detail.{name}", workpiece.setup)
            for name in ("raised", "engraved", "mark_height", "mark_stroke", "relief")
        )
        self.bands = (self.raised, self.engraved, self.mark_height, self.stroke, self.relief)
        self.least_count = round(self.value("detail.mark_count"))
        self.listed = round(self.value("detail.listed"))
        self.unsound_mm = 0.0 if workpiece.part.health.sound else self.value("gap.unsound")
        self.resolution_mm = self.value("gap.resolution")

    def value(self, name: str) -> float:
        return self._limits.value(name, self.workpiece.setup).value

    @property
    def details(self) -> list[Detail]:
        """All that the lines cannot draw or keep open."""
        workpiece = self.workpiece
        rows = (
            self.raised.limits[0].value,
            self.engraved.limits[0].value,
            self.value("detail.corner"),
            self.value("detail.least_area"),
        )
        large = tuple(sorted({**self._large("wall"), **self._large("gap")}.items()))
        found: list[Detail] = workpiece.measured(
            "small details",
            lambda: small_details(workpiece.layers, workpiece.walls, *rows, self._large_readings(*rows[:2])),
            *rows,
            large,
        )
        return found

    def _large(self, other: str) -> dict[str, float]:
        """The rows that make a narrow place a wall or a gap, judged by itself."""
        names = ("join", "facing", "credible_area", "credible_length")
        return {f"{other}.{name}": self.value(f"{other}.{name}") for name in names}

    def _large_readings(self, opening_mm: float, closing_mm: float) -> tuple[Bools, Bools]:
        """Readings of thin walls and of narrow gaps that are judged by themselves."""
        walls = self.workpiece.walls
        found = []
        for other, samples, below_mm in (("wall", walls, opening_mm), ("gap", air_between_walls(walls), closing_mm)):
            join_mm, facing_deg, area_mm2, length_mm = self._large(other).values()
            places, _ = thin_places(
                samples,
                below_mm,
                join_mm=join_mm,
                facing_deg=facing_deg,
                min_area_mm2=area_mm2,
                min_length_mm=length_mm,
                min_height_mm=self.value("detail.low"),
            )
            large = np.zeros(len(walls), dtype=bool)
            for place in places:
                large[place.samples] = True
            found.append(large)
        return found[0], found[1]

    @property
    def marks(self) -> list[Marks]:
        """Small shapes of one height on a level face."""
        rows = tuple(self.value(f"detail.{name}") for name in ("mark_largest", "mark_tallest", "mark_apart"))
        found: list[Marks] = self.workpiece.measured("marks", lambda: marks(self.workpiece.layers, *rows), *rows)
        return found

    @property
    def rounds(self) -> list[Round]:
        """Upright holes and pins, which are judged with the gaps."""
        rows = tuple(self.value(f"gap.{name}") for name in ("out_of_round", "credible_height", "round_steady"))
        layers = self.workpiece.layers
        known: Circles = self.workpiece.measured("circles", lambda: circles(layers, rows[0]), rows[0])
        found: list[Round] = self.workpiece.measured(
            "rounds in layers", lambda: rounds(layers, known, rows[1], rows[2]), *rows
        )
        slender = self.value("gap.pin_slender")
        return [one for one in found if one.hole or one.height_mm >= slender * one.diameter_mm]

    def width_mm(self, detail: Detail, band: Band) -> float:
        """How wide a detail is that was found by the stricter bound of its band [mm]."""
        return detail_width(detail, self.workpiece.layers, band.limits[0].value, self.value("detail.corner"))

    def to_part(self, point: Vector) -> Floats:
        inside: Floats = self.workpiece.to_part(np.array([point]))[0]
        return inside

    @property
    def caution(self) -> str:
        """What a message adds when the mesh is not sound."""
        return unsound_words("width", self.unsound_mm)


# --- single details ------------------------------------------------------------------------


def _details(case: _Case, written: list[Marks]) -> Iterator[_Found]:
    for detail in case.details:
        band = case.raised if detail.raised else case.engraved
        # At the bound's width it is shortest; what is large even so needs no measuring.
        if _is_tip(case, detail) or _is_large(case, detail, band.limits[0].value) or _is_round(case, detail):
            continue
        if any(_in_marks(detail, group) for group in written):
            continue
        width_mm = _rounded(case, case.width_mm(detail, band))
        verdict = band.verdict(width_mm, case.unsound_mm)
        if verdict is not Verdict.MEETS and not _is_large(case, detail, width_mm):
            yield _detail(case, detail, band, width_mm, verdict)


def _is_tip(case: _Case, detail: Detail) -> bool:
    """Whether a rest is but the tip of a slope or of a sharp corner."""
    return (
        detail.height_mm < case.value("detail.credible_height") - case.resolution_mm
        or detail.steadiness < case.value("detail.steady")
        or (detail.hangs and detail.fullness < case.value("detail.full"))
    )


def _is_large(case: _Case, detail: Detail, width_mm: float) -> bool:
    """Whether a rest of this width is a wall or a gap and judged as such."""
    if detail.height_mm <= case.value("detail.low") - case.resolution_mm:
        return False
    other = "wall" if detail.raised else "gap"
    length_mm = float(detail.shape.area) / width_mm
    wide = length_mm * detail.height_mm >= case.value(f"{other}.credible_area")
    return wide and max(length_mm, detail.height_mm) >= case.value(f"{other}.credible_length")


def _is_round(case: _Case, detail: Detail) -> bool:
    """Whether a rest is an upright hole or pin and judged as such."""
    x, y, z = detail.point_mm
    return any(
        one.hole is not detail.raised
        and one.bottom_mm <= z <= one.top_mm
        and np.hypot(x - one.point_mm[0], y - one.point_mm[1]) <= one.diameter_mm / 2
        for one in case.rounds
    )


def _in_marks(detail: Detail, group: Marks) -> bool:
    low, high = group.box_mm
    return detail.raised is group.raised and all(
        a - 1e-3 <= p <= b + 1e-3 for a, p, b in zip(low, detail.point_mm, high, strict=True)
    )


def _detail(case: _Case, detail: Detail, band: Band, width_mm: float, verdict: Verdict) -> _Found:
    centre = case.to_part(detail.point_mm)
    line = mm_words(case.workpiece.setup.line_width_mm)
    low = detail.height_mm <= case.value("detail.low") - case.resolution_mm
    size = f"{mm_words(width_mm)} wide, {mm_words(detail.length_mm)} long"
    if detail.raised:
        what = "raised detail" if low else "rib or nub"
        size += f" and {mm_words(detail.height_mm)} high"
        effect = f"narrower than one printed line of {line}, so it will be missing."
        may = f"room for one printed line of {line} but not for two, so it will be ragged or break off."
        change = f"Draw it {bound_words(band.limits[0])} wide or more, or leave it out."
    else:
        what = "engraved detail or recess" if low else "nick"
        size += f" and {mm_words(detail.height_mm)} deep or high"
        effect = f"narrower than one printed line of {line}, so it will be filled."
        may = "it may close in places."
        change = f"Draw it {bound_words(band.limits[0])} wide or more, or leave it out."
    return _Found(
        verdict=verdict,
        severity=Severity.LOOKS if low else Severity.YIELD,
        width_mm=width_mm,
        centre_mm=centre,
        message=f"The {what} {at_words(case.workpiece, centre)} is {size}: "
        f"{effect if verdict is Verdict.FAILS else may}{case.caution}",
        change=change,
        measurements=(
            Measurement("width", width_mm, "mm", case.unsound_mm, _OPENED if detail.raised else _CLOSED),
            Measurement("length", detail.length_mm, "mm", 0.0, "longer side of the tightest rectangle"),
            Measurement("height", detail.height_mm, "mm", 0.0, "lowest to highest layer"),
        ),
        limits=band.limits,
        place=_place(case, centre, detail.box_mm),
        faces=_faces(case, np.array([detail.point_mm]), detail.raised, detail.box_mm),
        layer=detail.layer,
        shapes=np.array([detail.shape], dtype=object),
    )


# --- letters and marks ---------------------------------------------------------------------


def _is_dots(case: _Case, group: Marks) -> bool:
    """Whether most of the shapes are round: bosses, feet or a pattern of dots."""
    return bool(np.mean(group.roundness > case.value("detail.mark_round")) > 0.5)


def _is_text(case: _Case, group: Marks) -> bool:
    """Letters differ from one another; a pattern repeats one shape."""
    area = shapely.area(group.shapes)
    return bool(np.ptp(area) > case.value("detail.mark_alike") * area.max())


def _marks(case: _Case, group: Marks) -> _Found | None:
    """What is wrong with a group of marks, or None."""
    text = _is_text(case, group)
    strokes = group.stroke_mm[group.roundness <= case.value("detail.mark_round")]
    method = f"{_OUTLINES}; narrowest of {len(strokes)}"
    stroke = Measurement("stroke", _rounded(case, float(strokes.min())), "mm", case.unsound_mm, method)
    relief = Measurement("height or depth", _rounded(case, group.relief_mm), "mm", 0.0, "lowest to highest layer")
    tallest = Measurement("cap height", _rounded(case, float(group.tallest_mm.max())), "mm", 0.0, _OUTLINES)
    judged = [(case.stroke, stroke), (case.relief, relief), *([(case.mark_height, tallest)] if text else [])]
    verdicts = [band.verdict(measured.value, measured.uncertainty) for band, measured in judged]
    verdict = min(verdicts, key=_WORST_FIRST.index)
    if verdict is Verdict.MEETS:
        return None
    layers = case.workpiece.layers
    points = shapely.get_coordinates(shapely.point_on_surface(group.shapes))
    points = np.column_stack([points, np.full(len(points), (group.box_mm[0][2] + group.box_mm[1][2]) / 2)])
    centre = case.to_part(vector(np.mean(group.box_mm, axis=0)))
    what = f"{'Raised' if group.raised else 'Engraved'} {'text' if text else 'marks'}"
    relief_word = "high" if group.raised else "deep"
    size = f"strokes {mm_words(stroke.value)} wide, {mm_words(relief.value)} {relief_word}"
    size = f"letters up to {mm_words(tallest.value)} tall, {size}" if text else size
    wrong = [
        words
        for (band, _), one, words in zip(
            judged,
            verdicts,
            ("the strokes are too narrow", f"they are not {relief_word} enough", "the letters are too small to read"),
            strict=False,
        )
        if one is not Verdict.MEETS and band.limits
    ]
    wanted = [
        f"strokes {bound_words(case.stroke.limits[0])} wide",
        f"{bound_words(case.relief.limits[0])} {relief_word}",
        f"letters {bound_words(case.mark_height.limits[0])} tall",
    ]
    return _Found(
        verdict=verdict,
        severity=Severity.LOOKS,
        width_mm=stroke.value,
        centre_mm=centre,
        message=f"{what} {at_words(case.workpiece, centre)}, {len(group)} shapes, {size}: {', and '.join(wrong)}."
        f"{case.caution}",
        change=f"Draw {', '.join(wanted[: len(judged)])} or more, in a bold plain face.",
        measurements=(*(measured for _, measured in judged), Measurement("shapes", len(group), "count")),
        limits=tuple(limit for band, _ in judged for limit in band.limits),
        place=_place(case, centre, group.box_mm),
        faces=_faces(case, points, group.raised, group.box_mm),
        layer=int(layers.same_as[group.layer]),
        shapes=group.shapes,
    )


# --- what all share ------------------------------------------------------------------------


def _told(case: _Case, one: _Found, name: str) -> Finding:
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        one.verdict,
        one.message,
        one.change,
        severity=one.severity,
        measurements=one.measurements,
        limits=one.limits,
        where=(one.place,),
        evidence={"faces": one.faces},
    )


def _whole_part(case: _Case, found: list[_Found], listed: int, written: list[Marks]) -> Finding:
    """The one finding that speaks for the whole part."""
    line = mm_words(case.workpiece.setup.line_width_mm)
    counted = [(v, sum(one.verdict is v for one in found)) for v in _WORST_FIRST[:2]]
    if found:
        words = {Verdict.FAILS: "too small to print", Verdict.MARGINAL: "doubtful"}
        parts = [f"{count} {'is' if count == 1 else 'are'} {words[v]}" for v, count in counted if count]
        message = f"Of the small details, {' and '.join(parts)} with lines {line} wide."
    else:
        message = f"No detail is too small for lines {line} wide."
    message += " Thin walls, slots, holes and pins are judged by themselves."
    if written:
        shapes = sum(len(group) for group in written)
        groups = f"{len(written)} group{'s' * (len(written) != 1)}"
        message += f" Letters and marks on level faces: {shapes} shapes in {groups}."
    if len(found) > listed:
        rest = len(found) - listed
        message += f" {rest} more {'is' if rest == 1 else 'are'} not listed one by one."
    change = ""
    if found:
        change = (
            f"Draw raised detail {bound_words(case.raised.limits[0])} wide or more and engraved detail "
            f"{bound_words(case.engraved.limits[0])}, or leave it out."
        )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        found[0].verdict if found else Verdict.MEETS,
        message + case.caution,
        change,
        severity=min((one.severity for one in found), default=Severity.LOOKS),
        measurements=(
            *(Measurement(f"small details: {v.value}", count, "count") for v, count in counted),
            Measurement("letters and marks", sum(len(group) for group in written), "count", 0.0, _OUTLINES),
        ),
        limits=tuple(limit for band in case.bands for limit in band.limits),
        where=(found[0].place,) if found else (),
        figures=("detail_layer",) if found else (),
        evidence={**_drawn(case, found), "faces": found[0].faces} if found else {},
    )


def _drawn(case: _Case, found: list[_Found]) -> dict[str, Floats]:
    """The layer of the worst detail, with all that is found in it."""
    worst, layers = found[0], case.workpiece.layers
    here = [one for one in found if one.layer == worst.layer]
    low, high = shapely.total_bounds(worst.shapes).reshape(2, 2)
    half = float(np.clip(_ZOOM_TIMES * (high - low).max(), _ZOOM_LEAST_MM, _ZOOM_MOST_MM))
    middle = (low + high) / 2
    below = layers.regions[worst.layer - 1] if worst.layer else shapely.Polygon()
    below = shapely.difference(below, layers.regions[worst.layer])
    return {
        "outline": ring_points(layers.regions[worst.layer]),
        "below": np.empty((0, 2)) if below.is_empty else ring_points(below),
        "layer_z_mm": np.array([layers.z_mm[worst.layer]]),
        "details": ring_points(shapely.geometrycollections([shape for one in here for shape in one.shapes])),
        "detail_count": np.array([len(here)]),
        "worst_mm": np.array([worst.width_mm]),
        "zoom": np.array([middle - half, middle + half]),
    }


def _place(case: _Case, centre: Floats, box_mm: Box) -> Place:
    """A place in the part's frame, seen from above."""
    low, high = box_mm
    corners = np.array([(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    inside = case.workpiece.to_part(corners)
    up = case.workpiece.to_part_direction(np.array([[0.0, 0.0, 1.0]]))[0]
    return Place(vector(centre), vector(up), (vector(inside.min(0)), vector(inside.max(0))), "faces")


def _faces(case: _Case, points: Floats, raised: bool, box_mm: Box) -> Ints:
    """Facets of detail: those seen from points in it, its top or floor and its sides, and all within its box."""
    turns = 2 * np.pi * np.arange(_SPOKES) / _SPOKES
    flat = np.column_stack([np.cos(turns), np.sin(turns), np.zeros(_SPOKES)])
    ways = np.vstack([[[0.0, 0.0, 1.0 if raised else -1.0]], flat])
    origins = np.repeat(points, len(ways), axis=0)
    _, face = case.workpiece.rays.first_hit(origins, np.tile(ways, (len(points), 1)), lift_mm=0.0)
    corners = case.workpiece.vertices[case.workpiece.faces]
    low, high = np.array(box_mm[0]) - _ROOM_MM, np.array(box_mm[1]) + _ROOM_MM
    # The face it stands on, or opens into, is not of it.
    level = (np.ptp(corners[:, :, 2], axis=1) < _ROOM_MM) & (
        np.abs(corners[:, 0, 2] - box_mm[0 if raised else 1][2]) < _ROOM_MM
    )
    within = ((corners >= low) & (corners <= high)).all((1, 2)) & ~level
    return np.union1d(face[face >= 0], np.flatnonzero(within))


def _rounded(case: _Case, length_mm: float) -> float:
    return round(length_mm / case.resolution_mm) * case.resolution_mm
