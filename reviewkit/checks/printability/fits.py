"""PR-12: sizes that must fit, and holes for inserts and screws, against what the process holds."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely

from reviewkit.errors import SubmissionError
from reviewkit.judging import WHOLE, at_words, finding, mm_words, requirement_limits, ring_points, vector
from reviewkit.limits import Limits
from reviewkit.measure.bosses import Boss, boss, hole_near, inside_matter
from reviewkit.measure.holes import Flats, Round, flats, rounds, spans
from reviewkit.measure.sections import plane_section
from reviewkit.measure.tolerances import Interval, Process, tolerance_unit_mm
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Sense, Severity, Verdict
from reviewkit.submission import (
    MM_PER_UNIT,
    Hardware,
    HardwareKind,
    Region,
    Requirement,
    RequirementKind,
    normalised_units,
    region_contains,
    requirement_words,
    requirements_of,
)
from reviewkit.workpiece import Workpiece

CODE = "PR-12"
DOMAIN = "printability"

_FROM_FACETS = "circle or parallel planes through the facets"
_PREDICTED = "drawn size with facets, shrinkage and hole loss; half-width of the spread"
_RAYS = "rays outward from the hole"
# Coarser classes of ISO 2768 have later letters.
_CLASSES = {"f": "fine", "m": "medium", "c": "coarse", "v": "very coarse"}
_GRADES = (9, 10, 11, 12, 13, 14, 15, 16)
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)
# Axes within this of the build direction are upright, and sides within it of the plate's lie flat.
_UPRIGHT = np.cos(np.radians(20.0))
# Where a hole is marked: so far below its upper end, as a share of its length.
_UNDER_RIM = 0.1

# What the words of a requirement say of the feature that it means.
_WORDS = {
    "flat": {"flat", "flatness", "planar"},
    "hole": {"hole", "holes", "bore", "bores", "bored", "socket", "plug", "inner", "inside", "internal"},
    "shaft": {"shaft", "pin", "pins", "peg", "stud", "spigot", "axle", "outer", "outside", "external"},
    "slot": {"slot", "slots", "groove", "gap", "clearance", "opening"},
    "width": {"width", "wide", "thickness", "thick", "wall", "rib", "tongue", "tab"},
    "reach": {"length", "long", "height", "high", "depth", "deep"},
    "round": {"diameter", "dia", "round", "ø"},
}
_GAUGES = {"gauge", "gage", "gauges"}


def fits(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge every size that must fit and every hole for an insert or a screw.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``fit.*`` and ``boss.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one a requirement and one a piece of hardware.
    """
    case = _Case(workpiece, limits)
    part = workpiece.part.id
    asked = requirements_of(workpiece.submission, part)
    sizes = [_answer(case, requirement) for requirement in asked if requirement.what is RequirementKind.FIT]
    hardware = [_built_in(case, item) for item in workpiece.submission.hardware if item.part == part]
    return [_whole_part(case, sizes, hardware), *sizes, *hardware]


@dataclass(frozen=True, eq=False)
class _Feature:
    """A size of the part: between two flats or across a round.

    ``faces`` are its facets, ``along`` the direction of the size or, of a round, its axis.
    """

    kind: str
    drawn_mm: float
    middle_mm: Floats
    along: Floats
    faces: np.ndarray
    round: Round | None = None


@dataclass(frozen=True, eq=False)
class _Fit:
    """A requirement of fit with its size in mm."""

    requirement: Requirement
    nominal_mm: float
    wanted: Interval

    @property
    def stated(self) -> bool:
        """Whether a tolerance was given."""
        return bool(np.isfinite([self.wanted.low_mm, self.wanted.high_mm]).any())

    @property
    def both_sides(self) -> bool:
        """Whether the tolerance is closed at both ends."""
        return bool(np.isfinite([self.wanted.low_mm, self.wanted.high_mm]).all())

    @property
    def words(self) -> str:
        """What was asked, in mm."""
        low, high = self.wanted.low_mm - self.nominal_mm, self.wanted.high_mm - self.nominal_mm
        if self.both_sides and abs(low + high) < 1e-9:
            return f"{self.nominal_mm:g} ± {high:.3g} mm"
        if self.both_sides:
            return f"{self.nominal_mm:g} mm {_signed(low)} / {_signed(high)} mm"
        if np.isfinite(self.wanted.low_mm):
            return f"{self.wanted.low_mm:g} mm or more"
        return f"{self.wanted.high_mm:g} mm or less" if self.stated else f"{self.nominal_mm:g} mm"


class _Case:
    """A workpiece with the features and rows that PR-12 judges by."""

    def __init__(self, workpiece: Workpiece, limits: Limits) -> None:
        self.workpiece = workpiece
        self.limits = limits
        self.setup = workpiece.setup

    def value(self, quantity: str) -> float:
        return self.limits.value(quantity, self.setup).value

    def band(self, quantity: str) -> Band:
        return self.limits.band(quantity, self.setup)

    @property
    def flats(self) -> Flats:
        return self.workpiece.measured("flats", lambda: flats(self.workpiece.vertices, self.workpiece.faces))

    @property
    def rounds(self) -> tuple[Round, ...]:
        return self.workpiece.measured("rounds", lambda: rounds(self.flats))

    @cached_property
    def normals(self) -> Floats:
        normals: Floats = self.flats.normal[self.flats.of_face]
        return normals

    @property
    def material(self) -> str:
        return self.setup.material.name

    @property
    def shrinkage(self) -> tuple[float, float]:
        """Least and most shrinkage as shares."""
        shrinkage = self.setup.material["shrinkage"]
        return shrinkage.low / 100, shrinkage.high / 100

    def at(self, point: Floats) -> str:
        """Where a point of the plate frame is."""
        return at_words(self.workpiece, self.workpiece.to_part(point[None])[0])

    def features(self, near_mm: float, within_mm: float) -> list[_Feature]:
        """Every size of the part about as large."""
        found = [
            _Feature("hole" if r.hollow else "shaft", r.diameter_mm, r.middle_mm, np.array(r.axis), r.faces, r)
            for r in self.rounds
            if abs(r.diameter_mm - near_mm) <= within_mm
        ]
        skip = np.concatenate([np.empty(0, np.int64), *(r.faces for r in self.rounds)])
        for span in spans(self.flats, skip, self.value("fit.side_area"), near_mm, within_mm):
            faces = self.flats.members(*span.sides)
            middle, along = np.array(span.middle_mm), np.array(span.direction)
            found.append(_Feature("slot" if span.hollow else "width", span.size_mm, middle, along, faces))
        return found

    def process(self, feature: _Feature) -> Process:
        """What printing does to a size."""
        hole = feature.kind == "hole"
        rise = abs(float(feature.along[2]))
        if feature.round is not None:
            rise = float(np.sqrt(max(1 - rise**2, 0.0)))
        return Process(
            share=feature.round.across_flats_mm / feature.drawn_mm if hole and feature.round else 1.0,
            shrinkage=self.shrinkage,
            loss_mm=(self.value("fit.hole_loss_least"), self.value("fit.hole_loss_most")) if hole else (0.0, 0.0),
            step_mm=self.setup.layer_height_mm * rise,
            spread_mm=max(self.value("fit.spread"), self.value("fit.spread_share") * feature.drawn_mm),
        )

    def at_plate(self, feature: _Feature, made: Interval) -> Interval | None:
        """Sizes where the feature reaches the plate and the first layers bulge, or None."""
        rise = abs(float(feature.along[2]))
        upright = rise > _UPRIGHT if feature.round is not None else rise < 1 - _UPRIGHT
        lowest_mm = float(self.workpiece.vertices[self.workpiece.faces[feature.faces], 2].min())
        if not upright or lowest_mm > self.setup.first_layer_mm / 2:
            return None
        least, most = 2 * self.value("fit.squash_least"), 2 * self.value("fit.squash_most")
        return made.moved(-most, -least) if feature.kind in ("hole", "slot") else made.moved(least, most)


# --- sizes that must fit -----------------------------------------------------------------------


def _answer(case: _Case, requirement: Requirement) -> Finding:
    """The finding on one requirement of fit."""
    fit = _in_mm(requirement)
    if isinstance(fit, str):
        return _open(case, requirement, fit, "State the size in mm and its tolerance.")
    kinds = _kinds(case, requirement)
    if "flat" in kinds:
        return _flatness(case, fit)
    alike, note = _meant(case, fit, kinds)
    if not alike:
        where = f" in {requirement.region}" if requirement.region else ""
        reason = f"no hole, shaft, slot or pair of flats of about {mm_words(fit.nominal_mm)} was found{where}"
        change = "Mark the feature by a region, or say which size is meant, and measure it on first articles."
        return _open(case, requirement, reason, change)
    return _sized(case, fit, alike, note)


def _in_mm(requirement: Requirement) -> _Fit | str:
    """The requirement's size and tolerance in mm, or why it has none."""
    if requirement.nominal is None:
        return "it states no size"
    try:
        unit = normalised_units(requirement.unit)
    except SubmissionError:
        unit = ""
    if not unit:
        return f"its unit {requirement.unit!r} is no length"
    scale = MM_PER_UNIT[unit]
    nominal_mm = requirement.nominal * scale
    low = -np.inf if requirement.lower is None else nominal_mm + requirement.lower * scale
    high = np.inf if requirement.upper is None else nominal_mm + requirement.upper * scale
    return _Fit(requirement, nominal_mm, Interval(float(low), float(high)))


def _kinds(case: _Case, requirement: Requirement) -> set[str]:
    """Kinds of feature that the requirement's words name."""
    region = _region(case, requirement)
    text = " ".join([requirement.note, requirement.verified, requirement.region, region.note if region else ""])
    words = set(re.findall(r"[^\W\d_]+", text.casefold()))
    if words & _GAUGES:
        # A pin or plug gauge is for holes, a ring gauge for shafts.
        return {"hole"} if words & {"pin", "pins", "plug"} else {"shaft"} if "ring" in words else set()
    named = {kind for kind, known in _WORDS.items() if words & known}
    if "reach" in named:
        return {"width"}
    if named & {"hole", "shaft", "slot"}:
        # The width of a slot is a slot.
        named -= {"width"}
    if "round" in named:
        named = (named & {"hole", "shaft"}) or {"hole", "shaft"}
    return named


def _region(case: _Case, requirement: Requirement) -> Region | None:
    own = (region for region in case.workpiece.submission.regions if region.name == requirement.region)
    return next(own, None)


def _meant(case: _Case, fit: _Fit, kinds: set[str]) -> tuple[list[_Feature], str]:
    """Features that a requirement means, all of one kind and size, and how they were found."""
    reach_mm = max(
        case.value("fit.match"),
        case.value("fit.match_share") * fit.nominal_mm,
        fit.wanted.width_mm if fit.both_sides else 0.0,
    )
    found = case.features(fit.nominal_mm, reach_mm)
    region = _region(case, fit.requirement)
    if region is not None:
        found = [feature for feature in found if _in_region(case, feature, region)]
    named = [feature for feature in found if feature.kind in kinds]
    note = "" if named or region is not None else "the nearest size of the part"
    found = named or found
    if not found:
        return [], note
    chosen = min(found, key=lambda f: (round(abs(f.drawn_mm - fit.nominal_mm), 2), f.round is None))
    alike_mm = case.value("fit.alike")
    alike = [f for f in found if f.kind == chosen.kind and abs(f.drawn_mm - chosen.drawn_mm) <= alike_mm]
    return [chosen, *(f for f in alike if f is not chosen)], note


def _in_region(case: _Case, feature: _Feature, region: Region) -> bool:
    """Whether the middle of a feature, its axis or a good part of its facets lies in a region."""
    points = [feature.middle_mm]
    if feature.round is not None:
        low, high = np.array(feature.round.low_mm), np.array(feature.round.high_mm)
        points += list(low + np.linspace(0, 1, 11)[:, None] * (high - low))
    if region_contains(region, case.workpiece.to_part(np.array(points))).any():
        return True
    part = case.workpiece.part
    inside = region_contains(region, part.vertices[np.unique(part.faces[feature.faces])])
    return bool(inside.mean() > 0.5)


def _sized(case: _Case, fit: _Fit, alike: list[_Feature], note: str) -> Finding:
    """A size judged by what comes out of the process."""
    judged = [(*_judged(case, fit, feature), feature) for feature in alike]
    verdict, made, at_plate, feature = min(judged, key=lambda entry: _WORST_FIRST.index(entry[0]))
    process = case.process(feature)
    requirement, wanted = fit.requirement, fit.wanted
    resolution_mm = case.value("fit.resolution")
    exact_mm = _to_draw(fit, process, feature)
    after, to_draw_mm = process.made(exact_mm), round(exact_mm / resolution_mm) * resolution_mm
    changes = _changes(case, fit, feature, made, after, to_draw_mm, at_plate)
    message = (
        f"{requirement.id} asks for {fit.words}. It is taken to be {_feature_words(case, feature, len(alike), note)}. "
        f"Printed in {case.material} it is expected at {_span(made)}{_fate(fit, made)}"
    )
    if at_plate is not None:
        message += f" At the plate the first layers bulge, to {_span(at_plate)} there."
    half_mm = made.width_mm / 2
    measurements = [
        Measurement("size as drawn", feature.drawn_mm, "mm", 0.001, _FROM_FACETS),
        Measurement("size as printed", made.middle_mm, "mm", half_mm, _PREDICTED),
        Measurement("size to draw", to_draw_mm, "mm", 0.0, "drawn size whose printed middle is the wanted one"),
    ]
    if fit.both_sides:
        grade = wanted.width_mm / tolerance_unit_mm(fit.nominal_mm)
        measurements.append(
            Measurement("tolerance over the ISO 286 factor i", grade, "-", 0.0, f"nearest grade {_grade(case, grade)}")
        )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        _subject(requirement.id),
        verdict,
        message,
        "" if verdict is Verdict.MEETS else " ".join(changes),
        severity=Severity.FUNCTION if requirement.critical else Severity.YIELD,
        measurements=tuple(measurements),
        limits=(*_own_limits(fit), *(limit for letter in "mf" if (limit := _class_row(case, letter, fit)) is not None)),
        where=tuple(_place(case, each) for each in alike[: round(case.value("fit.listed"))]),
        figures=("fit_interval",),
        evidence=_interval_drawn(fit, made, at_plate, after, feature, to_draw_mm)
        | {"faces": np.unique(np.concatenate([each.faces for each in alike]))},
    )


def _judged(case: _Case, fit: _Fit, feature: _Feature) -> tuple[Verdict, Interval, Interval | None]:
    """Verdict on one feature with the sizes it comes out at, elsewhere and at the plate."""
    made = case.process(feature).made(feature.drawn_mm)
    at_plate = case.at_plate(feature, made)
    slack_mm = case.value("fit.resolution")
    if not fit.stated:
        return Verdict.NOT_CHECKED, made, at_plate
    middle = Interval(made.middle_mm, made.middle_mm)
    if not middle.inside(fit.wanted) or _finer_than(case, "f", fit):
        return Verdict.FAILS, made, at_plate
    whole = made.inside(fit.wanted, slack_mm) and (at_plate is None or at_plate.inside(fit.wanted, slack_mm))
    return (Verdict.MEETS if whole and not _finer_than(case, "m", fit) else Verdict.MARGINAL), made, at_plate


def _own_limits(fit: _Fit) -> tuple[Limit, ...]:
    """The customer's own bounds."""
    return requirement_limits(fit.requirement, "size", "mm", fit.wanted.low_mm, fit.wanted.high_mm)


def _class_row(case: _Case, letter: str, fit: _Fit) -> Limit | None:
    """Deviation that a general tolerance class allows a size, plus and minus."""
    prefix = f"fit.iso2768_{letter}."
    for quantity in dict.fromkeys(row["quantity"] for row in case.limits.rows.values()):
        if quantity.startswith(prefix):
            low, high = (float(end) for end in quantity.removeprefix(prefix).split("-"))
            if low < fit.nominal_mm <= high:
                return case.limits.value(quantity, case.setup)
    return None


def _finer_than(case: _Case, letter: str, fit: _Fit) -> bool:
    """Whether the tolerance is closer than that of a general class."""
    row = _class_row(case, letter, fit)
    return fit.both_sides and row is not None and not row.met_by(fit.wanted.width_mm / 2)


def _grade(case: _Case, factors: float) -> str:
    """The ISO 286 grade whose multiple of i is nearest by ratio."""
    known = {grade: case.value(f"fit.it_multiplier.{grade}") for grade in _GRADES}
    nearest = min(known, key=lambda grade: abs(np.log(max(factors, 1e-9) / known[grade])))
    if factors > 1.3 * known[_GRADES[-1]]:
        return f"coarser than IT{_GRADES[-1]}"
    return f"finer than IT{_GRADES[0]}" if factors < known[_GRADES[0]] / 1.3 else f"IT{nearest}"


def _to_draw(fit: _Fit, process: Process, feature: _Feature) -> float:
    """The size that puts the middle of what is made on the middle of what is wanted.

    Of a tolerance with one end, the size that puts the near end of what is made on it.
    """
    half_mm = process.made(feature.drawn_mm).width_mm / 2
    if fit.both_sides or not fit.stated:
        wanted_mm = fit.wanted.middle_mm if fit.both_sides else fit.nominal_mm
    elif np.isfinite(fit.wanted.low_mm):
        wanted_mm = max(fit.nominal_mm, fit.wanted.low_mm + half_mm)
    else:
        wanted_mm = min(fit.nominal_mm, fit.wanted.high_mm - half_mm)
    return process.to_draw(wanted_mm)


def _changes(
    case: _Case,
    fit: _Fit,
    feature: _Feature,
    made: Interval,
    after: Interval,
    to_draw_mm: float,
    at_plate: Interval | None,
) -> Iterator[str]:
    """What would settle it, one sentence each."""
    resolution_mm = case.value("fit.resolution")
    noun = feature.kind
    if not fit.stated:
        row = _class_row(case, "m", fit)
        usual = f"; the usual class of ISO 2768, {_CLASSES['m']}, allows ± {row.value:g} mm" if row else ""
        yield f"State the tolerance of {fit.requirement.id}{usual}."
        return
    held = after.inside(fit.wanted, resolution_mm)
    if not made.inside(fit.wanted, resolution_mm) and abs(to_draw_mm - feature.drawn_mm) > resolution_mm / 2:
        yield f"Draw the {noun} {to_draw_mm:.2f} mm instead of {feature.drawn_mm:.2f} mm: then it is expected at " + (
            f"{_span(after)}, within the tolerance."
            if held
            else f"{_span(after)}, in the middle of the tolerance but wider than it."
        )
    if not held or _finer_than(case, "m", fit):
        finish = "ream or drill it after printing" if noun == "hole" else "finish it after printing"
        yield f"Widen the tolerance to ± {after.width_mm / 2:.2f} mm{_class_words(case, fit, after)}, or {finish}."
    if at_plate is not None and not at_plate.inside(fit.wanted, resolution_mm):
        yield f"Chamfer the edge at the plate by {mm_words(case.value('fit.chamfer'))} at 45° to take up the bulge."


def _class_words(case: _Case, fit: _Fit, made: Interval) -> str:
    """The finest general class that holds what is made, in brackets."""
    rows = ((name, _class_row(case, letter, fit)) for letter, name in _CLASSES.items())
    wide = (name for name, row in rows if row is not None and row.value >= made.width_mm / 2 - 1e-6)
    name = next(wide, "")
    return f" (class {name} of ISO 2768)" if name else ""


def _feature_words(case: _Case, feature: _Feature, count: int, note: str) -> str:
    drawn = f"{feature.drawn_mm:.2f} mm" if feature.drawn_mm < 1000 else f"{feature.drawn_mm:.1f} mm"
    if feature.kind == "hole" and feature.round is not None:
        drawn += f" across the corners of its {feature.round.flats} flats, {feature.round.across_flats_mm:.2f} mm clear"
    noun = {"slot": "slot", "width": "distance between outer faces"}.get(feature.kind, feature.kind)
    where = case.at(feature.middle_mm)
    many = f" and {count - 1} alike" if count > 1 else ""
    return f"the {noun} {where}{many}{', ' + note if note else ''}, drawn {drawn}"


def _fate(fit: _Fit, made: Interval) -> str:
    """What of the expected sizes lies outside the tolerance, to end the sentence."""
    wanted = fit.wanted
    if not fit.stated:
        return "; without a tolerance it cannot be judged."
    if made.apart(wanted):
        return ": all of that is too small." if made.high_mm < wanted.low_mm else ": all of that is too large."
    below, above = wanted.low_mm - made.low_mm > 0.01, made.high_mm - wanted.high_mm > 0.01
    if below and above:
        return ": the tolerance is narrower than what the process spreads over."
    if below:
        return f": some come out below {wanted.low_mm:.2f} mm."
    return f": some come out above {wanted.high_mm:.2f} mm." if above else ", within the tolerance."


def _interval_drawn(
    fit: _Fit, made: Interval, at_plate: Interval | None, after: Interval, feature: _Feature, to_draw_mm: float
) -> dict[str, Floats]:
    """Everything the figure shows; an open end is nan."""
    ends = np.array([fit.wanted.low_mm, fit.wanted.high_mm])
    bulged = [at_plate.low_mm, at_plate.high_mm] if at_plate is not None else []
    return {
        "wanted_mm": np.where(np.isfinite(ends), ends, np.nan),
        "nominal_mm": np.array([fit.nominal_mm]),
        "made_mm": np.array([made.low_mm, made.high_mm]),
        "at_plate_mm": np.array(bulged),
        "after_mm": np.array([after.low_mm, after.high_mm]),
        "drawn_mm": np.array([feature.drawn_mm]),
        "to_draw_mm": np.array([to_draw_mm]),
    }


def _flatness(case: _Case, fit: _Fit) -> Finding:
    """The largest flat of the region, or of the part, against how flat printing leaves it."""
    workpiece, requirement = case.workpiece, fit.requirement
    region = _region(case, requirement)
    facets = np.arange(len(workpiece.faces))
    if region is not None:
        own = workpiece.part
        inside = region_contains(region, own.vertices[own.faces].reshape(-1, 3)).reshape(-1, 3).any(axis=1)
        facets = np.flatnonzero(inside)
    if not len(facets):
        return _open(
            case, requirement, f"nothing of the part lies in {requirement.region}", "Mark the face by a region."
        )
    present = np.unique(case.flats.of_face[facets])
    largest = int(present[np.argmax(case.flats.area_mm2[present])])
    corners, normal = case.flats.corners(largest), case.flats.normal[largest]
    drawn_mm = float(np.ptp(corners @ normal))
    across_mm = float(np.linalg.norm(np.ptp(corners, axis=0)))
    added_mm = max(case.value("fit.flatness"), case.value("fit.flatness_share") * across_mm)
    allowed_mm = fit.wanted.high_mm if np.isfinite(fit.wanted.high_mm) else fit.nominal_mm
    verdict = Verdict.MEETS if drawn_mm + added_mm <= allowed_mm + 1e-9 else Verdict.MARGINAL
    if drawn_mm > allowed_mm:
        verdict = Verdict.FAILS
    middle = corners.mean(axis=0)
    feature = _Feature("flat", across_mm, middle, normal, case.flats.members(largest))
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        _subject(requirement.id),
        verdict,
        f"{requirement.id} asks for flatness within {mm_words(allowed_mm)}. The face {case.at(middle)} is drawn flat "
        f"within {mm_words(round(drawn_mm, 3))} over {mm_words(across_mm)}; printing adds about {mm_words(added_mm)}, "
        "without corners that lift.",
        ""
        if verdict is Verdict.MEETS
        else f"Allow {mm_words(drawn_mm + added_mm)}, or machine or lap the face after printing.",
        severity=Severity.FUNCTION if requirement.critical else Severity.YIELD,
        measurements=(
            Measurement("out of flat as drawn", drawn_mm, "mm", 0.001, "corners of the flat along its normal"),
            Measurement("out of flat as printed", drawn_mm + added_mm, "mm", added_mm, "drawn with the usual amount"),
        ),
        limits=tuple(limit for limit in _own_limits(fit) if limit.sense is Sense.MAX),
        where=(_place(case, feature),),
        evidence={"faces": feature.faces},
    )


def _open(case: _Case, requirement: Requirement, reason: str, change: str) -> Finding:
    """A requirement of fit that could not be judged."""
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        _subject(requirement.id),
        Verdict.NOT_CHECKED,
        f"Requirement {requirement.id}, {requirement_words(requirement)}, was not checked: {reason}.",
        change,
        severity=Severity.FUNCTION if requirement.critical else Severity.YIELD,
    )


# --- holes for inserts and screws --------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Point:
    """One thing judged of a hole for hardware."""

    verdict: Verdict
    measurement: Measurement
    limits: tuple[Limit, ...] = ()
    wrong: str = ""
    change: str = ""


def _built_in(case: _Case, item: Hardware) -> Finding:
    """The finding on one insert or screw."""
    if item.kind not in (HardwareKind.INSERT, HardwareKind.SCREW):
        reason = f"this kit has no rule for a {item.kind}"
        return _hardware_open(case, item, reason, "Try the fit on first articles.")
    if item.diameter_mm is None or item.point_mm is None:
        missing = "diameter" if item.diameter_mm is None else "place"
        return _hardware_open(
            case, item, f"the submission does not state its {missing}", f"State {missing}, diameter and length."
        )
    diameter_mm = item.diameter_mm
    point = case.workpiece.to_plate(np.array([item.point_mm]))[0]
    reach_mm = max(case.value("boss.reach"), diameter_mm)
    least, most = (diameter_mm * case.value(f"boss.hole_share_{end}") for end in ("least", "most"))
    hole = hole_near(case.rounds, point, reach_mm, least, most)
    if hole is None:
        return _no_hole(case, item, point, reach_mm)
    shape = boss(hole, case.workpiece.rays, case.normals)
    points = list(_points(case, item, shape, diameter_mm))
    wrong = [each for each in points if each.verdict is not Verdict.MEETS]
    verdict = min((each.verdict for each in points), key=_WORST_FIRST.index)
    hole_words = f"the {mm_words(hole.diameter_mm)} hole {case.at(hole.middle_mm)}"
    name = f"{item.name} ({item.kind} of {mm_words(diameter_mm)})"
    if wrong:
        message = f"{name} goes into {hole_words}. " + " ".join(each.wrong for each in wrong)
    else:
        message = (
            f"{name} goes into {hole_words}: width, depth, wall ({mm_words(shape.thinnest_mm)}) and distance to the "
            f"edge ({mm_words(shape.edge_mm)}) suit it."
        )
    feature = _Feature("hole", hole.diameter_mm, hole.middle_mm, np.array(hole.axis), hole.faces, hole)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        _subject(item.name),
        verdict,
        message,
        " ".join(dict.fromkeys(each.change for each in wrong)),
        severity=Severity.FUNCTION,
        measurements=tuple(each.measurement for each in points),
        limits=tuple(dict.fromkeys(limit for each in points for limit in each.limits)),
        where=(_place(case, feature),),
        figures=("boss_section",),
        evidence=_boss_drawn(case, shape, diameter_mm) | {"faces": hole.faces},
    )


def _points(case: _Case, item: Hardware, shape: Boss, diameter_mm: float) -> Iterator[_Point]:
    insert = item.kind is HardwareKind.INSERT
    yield _pilot(case, item, shape.hole, diameter_mm)
    yield _depth(case, item, shape, diameter_mm)
    yield from _walls(case, shape, diameter_mm, insert)
    tilt_deg = float(np.degrees(np.arccos(min(abs(shape.hole.axis[2]), 1.0))))
    band = case.band("boss.tilt")
    yield _Point(
        band.verdict(tilt_deg),
        Measurement("axis from the build direction", tilt_deg, "deg", 0.0, _FROM_FACETS),
        band.limits,
        f"Its axis lies {tilt_deg:.0f}° from the build direction, so that the boss splits between layers.",
        "Choose a pose in which the hole stands upright, or fasten from another side.",
    )
    if (spacing := _spacing(case, item, shape, diameter_mm)) is not None:
        yield spacing


def _pilot(case: _Case, item: Hardware, hole: Round, diameter_mm: float) -> _Point:
    """The printed hole against the range that the insert or screw wants."""
    names = ("insert_hole", "insert") if item.kind is HardwareKind.INSERT else ("screw_pilot", "screw")
    rows = [case.limits.value(f"boss.{names[0]}_{end}", case.setup) for end in ("least", "most")]
    wanted = Interval(*(row.value * diameter_mm for row in rows))
    process = Process(hole.across_flats_mm / hole.diameter_mm, loss_mm=_loss(case))
    made = process.made(hole.diameter_mm)
    middle = Interval(made.middle_mm, made.middle_mm)
    verdict = Verdict.MEETS if middle.inside(wanted, case.value("fit.resolution") / 2) else Verdict.MARGINAL
    if made.apart(wanted):
        verdict = Verdict.FAILS
    small = made.middle_mm < wanted.middle_mm
    size = "narrow" if small else "wide"
    to_draw = [process.to_draw(end) for end in (wanted.low_mm, wanted.high_mm)]
    return _Point(
        verdict,
        Measurement("hole as printed", made.middle_mm, "mm", made.width_mm / 2, _PREDICTED),
        tuple(replace(row, sense=sense) for row, sense in zip(rows, (Sense.MIN, Sense.MAX), strict=True)),
        f"The hole prints at about {made.middle_mm:.2f} mm, too {size}: the {names[1]} wants {_span(wanted)}.",
        f"Draw the hole {to_draw[0]:.2f} to {to_draw[1]:.2f} mm (the maker's own value goes before this one).",
    )


def _depth(case: _Case, item: Hardware, shape: Boss, diameter_mm: float) -> _Point:
    """The depth of the hole against the insert's length, or the screw's diameter."""
    hole, through = shape.hole, shape.open_low and shape.open_high
    depth_mm = hole.length_mm
    measurement = Measurement("depth of the hole", depth_mm, "mm", 0.01, _FROM_FACETS)
    if item.kind is HardwareKind.SCREW:
        band = case.band("boss.screw_depth")
        wanted_mm = band.limits[0].value * diameter_mm
        verdict = band.verdict(depth_mm / diameter_mm)
        what = f"{wanted_mm:.2g} mm ({band.limits[0].value:g} times the screw)"
    elif item.length_mm is None:
        return _Point(Verdict.MEETS, measurement)
    else:
        band = case.band("boss.insert_extra_depth")
        extra_mm = band.limits[0].value
        wanted_mm = item.length_mm + (0.0 if through else extra_mm)
        verdict = Verdict.MEETS if through and depth_mm >= item.length_mm else band.verdict(depth_mm - item.length_mm)
        what = f"{wanted_mm:.3g} mm, the insert's length" + ("" if through else f" and {mm_words(extra_mm)} more")
    return _Point(
        verdict,
        measurement,
        band.limits,
        f"The hole is {mm_words(depth_mm)} deep; it wants {what}.",
        f"Make the hole {wanted_mm:.3g} mm deep or more.",
    )


def _walls(case: _Case, shape: Boss, diameter_mm: float, insert: bool) -> Iterator[_Point]:
    """Wall beside the hole, distance to the nearest edge and what is left of a boss around it."""
    kind = "insert" if insert else "screw"
    at = f"{mm_words(shape.thinnest_mm)} of wall"
    lines = case.band("boss.wall")
    wanted_mm = lines.limits[0].value
    wide = Measurement("thinnest wall beside the hole", shape.thinnest_mm, "mm", 0.05, _RAYS)
    verdicts, limits = [lines.verdict(shape.thinnest_mm)], list(lines.limits)
    if insert:
        share = case.band("boss.insert_wall")
        verdicts.append(share.verdict(shape.thinnest_mm / diameter_mm))
        limits += share.limits
        wanted_mm = max(wanted_mm, share.limits[0].value * diameter_mm)
    yield _Point(
        min(verdicts, key=_WORST_FIRST.index),
        wide,
        tuple(limits),
        f"Only {at} is left beside it; {mm_words(wanted_mm)} is wanted.",
        f"Give the hole {mm_words(wanted_mm)} of wall all around.",
    )
    edge, width = case.band(f"boss.{kind}_edge"), case.band(f"boss.{kind}_width")
    verdict = min(
        edge.verdict(shape.edge_mm / diameter_mm),
        width.verdict(2 * shape.edge_mm / diameter_mm),
        key=_WORST_FIRST.index,
    )
    yield _Point(
        verdict,
        Measurement("centre to the nearest free edge", shape.edge_mm, "mm", 0.05, _RAYS),
        (*edge.limits, *width.limits),
        f"Its centre is {mm_words(shape.edge_mm)} from the nearest edge; "
        f"{mm_words(edge.limits[0].value * diameter_mm)} is wanted, "
        f"a boss of {mm_words(width.limits[0].value * diameter_mm)}.",
        f"Move the hole {mm_words(edge.limits[0].value * diameter_mm)} or more from every edge.",
    )


def _spacing(case: _Case, item: Hardware, shape: Boss, diameter_mm: float) -> _Point | None:
    """Distance to the next insert or screw."""
    others = [
        case.workpiece.to_plate(np.array([other.point_mm]))[0]
        for other in case.workpiece.submission.hardware
        if other is not item and other.part == item.part and other.point_mm is not None
    ]
    if not others:
        return None
    axis = np.array(shape.hole.axis)
    apart = np.array(others) - np.array(shape.hole.low_mm)
    nearest_mm = float(np.linalg.norm(apart - (apart @ axis)[:, None] * axis, axis=1).min())
    band = case.band("boss.spacing")
    wanted_mm = band.limits[0].value * diameter_mm
    return _Point(
        band.verdict(nearest_mm / diameter_mm),
        Measurement("centre to the next insert or screw", nearest_mm, "mm", 0.1, "places stated in the submission"),
        band.limits,
        f"The next one is {mm_words(nearest_mm)} away; {mm_words(wanted_mm)} is wanted.",
        f"Set them {mm_words(wanted_mm)} apart or more.",
    )


def _loss(case: _Case) -> tuple[float, float]:
    return case.value("fit.hole_loss_least"), case.value("fit.hole_loss_most")


def _no_hole(case: _Case, item: Hardware, point: Floats, reach_mm: float) -> Finding:
    """Nothing to put it in: wrong where there is matter, a question where there is none."""
    if not inside_matter(case.workpiece.rays, case.normals, point):
        reason = f"no round hole for it was found within {mm_words(reach_mm)} of the stated place"
        return _hardware_open(case, item, reason, "Check the place, or draw the hole round.")
    part_point = np.array(item.point_mm)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        _subject(item.name),
        Verdict.FAILS,
        f"There is no hole for {item.name} ({item.kind} of {mm_words(item.diameter_mm or 0.0)}) "
        f"{at_words(case.workpiece, part_point)}: the part is solid there.",
        "Draw the hole, or correct the stated place.",
        severity=Severity.FUNCTION,
        where=(Place(vector(part_point)),),
    )


def _hardware_open(case: _Case, item: Hardware, reason: str, change: str) -> Finding:
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        _subject(item.name),
        Verdict.NOT_CHECKED,
        f"The place of {item.name} ({item.kind}) was not checked: {reason}.",
        change,
        severity=Severity.FUNCTION,
    )


def _boss_drawn(case: _Case, shape: Boss, diameter_mm: float) -> dict[str, Floats]:
    """Two sections to scale: across the hole, and along it towards the nearest edge."""
    workpiece, hole = case.workpiece, shape.hole
    axis, edge = np.array(hole.axis), shape.to_edge
    half_mm = max(1.25 * shape.edge_mm, 1.2 * diameter_mm, 0.75 * hole.length_mm)
    drawn = {}
    for name, normal, up in (("across", axis, np.cross(axis, edge)), ("along", np.cross(edge, axis), axis)):
        cut = plane_section(workpiece.vertices, workpiece.faces, hole.middle_mm, normal, up)
        window = shapely.clip_by_rect(cut, -half_mm, -half_mm, half_mm, half_mm)
        drawn[name] = np.empty((0, 2)) if window.is_empty else ring_points(window)
    return drawn | {
        "half_mm": np.array([half_mm]),
        "hole_mm": np.array([hole.diameter_mm]),
        "hardware_mm": np.array([diameter_mm]),
        "edge_mm": np.array([shape.edge_mm]),
        "wall_mm": np.array([shape.thinnest_mm]),
        "depth_mm": np.array([hole.length_mm]),
    }


# --- the whole part, and words -----------------------------------------------------------------


def _whole_part(case: _Case, sizes: list[Finding], hardware: list[Finding]) -> Finding:
    every = [*sizes, *hardware]
    if not every:
        message = "No fit and no insert or screw is asked of this part."
        return finding(case.workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message)
    verdict = min((each.verdict for each in every), key=_WORST_FIRST.index)
    asked = []
    if sizes:
        asked.append("1 size that must fit" if len(sizes) == 1 else f"{len(sizes)} sizes that must fit")
    if hardware:
        one = "1 place for an insert or a screw"
        asked.append(one if len(hardware) == 1 else f"{len(hardware)} places for inserts or screws")
    wrong = [each.subject for each in every if each.verdict is not Verdict.MEETS]
    named = ", ".join(wrong[: round(case.value("fit.listed"))])
    if wrong:
        count = "it is" if len(every) == 1 else f"{len(wrong)} of the {len(every)} {'is' if len(wrong) == 1 else 'are'}"
        told = f"{count} open or at risk: {named}"
    else:
        told = "the process holds it" if len(every) == 1 else "the process holds them all"
    message = f"This part has {' and '.join(asked)}; as drawn, {told}."
    change = "" if verdict is Verdict.MEETS else f"Settle {named}, each as its finding says."
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        change,
        severity=min(each.severity for each in every),
        measurements=(Measurement("fits open or at risk", len(wrong), "count", 0.0, "counted"),),
        limits=tuple({limit.id: limit for each in every if each.verdict is verdict for limit in each.limits}.values()),
    )


def _place(case: _Case, feature: _Feature) -> Place:
    """Where a feature is, in the part's frame: a point of its surface, of a hole near its upper end."""
    workpiece = case.workpiece
    corners = workpiece.part.vertices[np.unique(workpiece.part.faces[feature.faces])]
    point, outward, size_mm = feature.middle_mm, feature.along, feature.drawn_mm
    if feature.round is not None:
        outward = np.cross(feature.along, np.eye(3)[np.argmin(np.abs(feature.along))])
        outward /= np.linalg.norm(outward)
    if feature.kind == "hole" and feature.round is not None:
        size_mm = feature.round.across_flats_mm
        point = np.array(feature.round.high_mm) - _UNDER_RIM * feature.round.length_mm * feature.along
    if feature.kind != "flat":
        point = point + size_mm / 2 * outward
    if feature.kind in ("hole", "slot"):
        outward = -outward
    low, high = corners.min(axis=0), corners.max(axis=0)
    point = np.clip(workpiece.to_part(point[None])[0], low, high)
    outward = workpiece.to_part_direction(outward[None])[0]
    return Place(vector(point), vector(outward), (vector(low), vector(high)), "faces")


def _subject(name: str) -> str:
    """The name that the customer gave, kept apart from the whole part's."""
    return f"{name} (stated)" if name == WHOLE else name


def _span(interval: Interval) -> str:
    return f"{interval.low_mm:.2f} to {interval.high_mm:.2f} mm"


def _signed(value_mm: float) -> str:
    return "0" if abs(value_mm) < 1e-9 else f"{value_mm:+.3g}"
