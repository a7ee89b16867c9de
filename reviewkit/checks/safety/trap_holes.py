"""SA-03: holes in which a finger may be trapped."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, Case, at_words, finding, mm_words, not_checked, subject_names, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.finger_holes import FingerHole, finger_holes
from reviewkit.measure.holes import Flats, Round, flats, rounds
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import Region, RegionKind, RequirementKind, region_contains
from reviewkit.workpiece import Workpiece

CODE = "SA-03"
DOMAIN = "safety"

_BY_FACETS = "circle or largest inscribed circle through the facets"
_BY_BAR = "straight lines round a bar as thick as a fingertip"
_SCREEN = "A screen by geometry: no rod or finger was tried."
_NO_AGE = "the age of the users was not stated: judged as for a child of 60 months or less, the strictest"
_US = "US"
_ORDER = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)
_MILDER = {Verdict.FAILS: Verdict.MARGINAL, Verdict.MARGINAL: Verdict.MEETS, Verdict.MEETS: Verdict.MEETS}
# Deeper holes are drawn at this depth.
_DRAWN_MM = 40.0
_MOST_PLACES = 6


def trap_holes(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the holes that a fingertip enters and may not leave.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``trap.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a hole, or for all holes alike of a region.
    """
    layers = workpiece.layers
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Holes that trap a finger were", reason)]
    case = _Case(workpiece, limits)
    judged = [case.judged(hole) for hole in case.holes]
    wanting = sorted((each for each in judged if each.verdict is not Verdict.MEETS), key=lambda each: each.rank)
    groups = _grouped(case, wanting)
    shown = groups[: case.listed]
    names = subject_names(workpiece, [case.middle(group[0].hole) for group in shown])
    return [
        _whole(case, judged, wanting, len(groups)),
        *(_holes(case, group, name) for group, name in zip(shown, names, strict=True)),
    ]


@dataclass(frozen=True, eq=False)
class _Judged:
    """A hole with its verdict: by which rule, and what is declared to fill it."""

    hole: FingerHole
    verdict: Verdict
    sheet: bool
    general: bool
    filled: str
    finger: str

    @property
    def rank(self) -> tuple[float, ...]:
        return (_ORDER.index(self.verdict), *np.round(self.hole.mouth, 2).tolist())


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-03 judges it by."""

    rows = "trap"

    @property
    def age(self) -> int | None:
        return self.workpiece.submission.use.age_from_months

    @property
    def guess(self) -> str:
        return _NO_AGE if self.age is None else ""

    @property
    def child(self) -> bool:
        return self.age is None or self.age < self.value("child_age")

    @cached_property
    def us_rule(self) -> bool:
        """Whether the rule on thin sheet is asked: for the United States, or where no market was stated."""
        markets = [market.strip().upper() for market in self.workpiece.submission.markets]
        return not markets or _US in markets

    @property
    def narrow(self) -> Limit:
        return self.band("narrow").limits[0]

    @property
    def wide(self) -> Limit:
        return self.band("wide").limits[0]

    @property
    def flats(self) -> Flats:
        return self.workpiece.measured("flats", lambda: flats(self.workpiece.vertices, self.workpiece.faces))

    @property
    def rounds(self) -> tuple[Round, ...]:
        return self.workpiece.measured("rounds", lambda: rounds(self.flats))

    @cached_property
    def holes(self) -> list[FingerHole]:
        """Holes about as wide as a finger that can be come at."""
        tolerance_mm = self.value("tolerance")
        asked = (
            min(self.value("us_enters"), self.narrow.value) - tolerance_mm,
            max(self.value("us_passes"), self.wide.value) + tolerance_mm,
            self.narrow.value,
            min(self.value("us_depth"), self.value("depth")),
            self.value("slot"),
        )
        found = self.workpiece.measured(
            "finger holes",
            lambda: finger_holes(
                self.flats,
                self.rounds,
                self.workpiece.rays,
                least_mm=asked[0],
                most_mm=asked[1],
                bar_mm=asked[2],
                deep_mm=asked[3],
                slot=asked[4],
            ),
            *asked,
        )
        return [hole for hole in found if hole.approach_mm >= self.value("approach")]

    def judged(self, hole: FingerHole) -> _Judged:
        sheet = self.by_sheet_rule(hole)
        general = self.in_band(hole)
        finger = self.finger_region(hole) if general else ""
        verdict = max((sheet, Verdict.MARGINAL if general else Verdict.MEETS), key=_worse)
        if finger and self.child:
            verdict = Verdict.FAILS
        filled = self.filled_by(hole)
        return _Judged(
            hole, _MILDER[verdict] if filled else verdict, sheet is not Verdict.MEETS, general, filled, finger
        )

    def in_band(self, hole: FingerHole) -> bool:
        """Whether a finger enters, deep enough, and may not come out: the rule for all parts."""
        enters = not self.narrow.met_by(hole.width_mm) and not self.wide.met_by(hole.width_mm)
        return enters and hole.depth_mm >= self.value("depth")

    def by_sheet_rule(self, hole: FingerHole) -> Verdict:
        """The rule for round holes in thin rigid sheet of toys."""
        if not (self.us_rule and self.child and hole.round and hole.sheet_mm < self.value("us_sheet")):
            return Verdict.MEETS
        tolerance_mm = self.value("tolerance")
        hits = [
            self.value("us_enters") <= hole.width_mm + off_mm < self.value("us_passes")
            and hole.depth_mm + deeper_mm >= self.value("us_depth")
            for off_mm in (-tolerance_mm, 0.0, tolerance_mm)
            for deeper_mm in (-tolerance_mm, 0.0, tolerance_mm)
        ]
        young = self.age is None or self.age <= self.value("us_age")
        if all(hits) and young:
            return Verdict.FAILS
        return Verdict.MARGINAL if any(hits) else Verdict.MEETS

    def on_axis(self, hole: FingerHole) -> Floats:
        """Points along a hole in the part's frame."""
        depth_mm = min(hole.depth_mm, hole.sheet_mm) if np.isfinite(min(hole.depth_mm, hole.sheet_mm)) else 1.0
        return self.workpiece.to_part(hole.mouth + np.linspace(0.05, 0.95, 9)[:, None] * depth_mm * hole.inward)

    def middle(self, hole: FingerHole) -> Floats:
        middle: Floats = self.on_axis(hole)[4]
        return middle

    def finger_region(self, hole: FingerHole) -> str:
        """Name of the declared opening for fingers that a hole lies in."""
        own = (r for r in self.workpiece.submission.regions if r.part == self.workpiece.part.id)
        openings = (r for r in own if r.kind is RegionKind.OPENING)
        return next((r.name for r in openings if self.holds(r, hole)), "")

    def holds(self, region: Region, hole: FingerHole) -> bool:
        return bool(region_contains(region, self.on_axis(hole)).any())

    def filled_by(self, hole: FingerHole) -> str:
        """What the submission says goes into a hole, in words, or nothing."""
        submission, part = self.workpiece.submission, self.workpiece.part.id
        regions = {region.name: region for region in submission.regions if region.part == part}
        for requirement in submission.requirements:
            region = regions.get(requirement.region)
            if requirement.what is RequirementKind.FIT and region is not None and self.holds(region, hole):
                return f"requirement {requirement.id} fits a part into it"
        for item in submission.hardware:
            if item.part != part or item.point_mm is None:
                continue
            off = self.workpiece.to_plate(np.array([item.point_mm]))[0] - hole.mouth
            along = float(off @ hole.inward)
            if np.linalg.norm(off - along * hole.inward) <= self.value("fill_room") and along >= -hole.width_mm:
                return f"{item.name} is built into it"
        return ""


def _grouped(case: _Case, wanting: list[_Judged]) -> list[list[_Judged]]:
    """Holes of one region with one verdict for one reason together, all others each alone; the worst first."""
    groups: dict[object, list[_Judged]] = {}
    for each in wanting:
        region = case.workpiece.region_at(case.middle(each.hole))
        alike = (region, each.verdict, each.sheet, each.general, each.filled, each.hole.round)
        groups.setdefault(alike if region else id(each), []).append(each)
    return list(groups.values())


def _worse(verdict: Verdict) -> int:
    return -_ORDER.index(verdict)


def _whole(case: _Case, judged: list[_Judged], wanting: list[_Judged], groups: int) -> Finding:
    """The one finding that sums up all holes."""
    verdict = max((each.verdict for each in judged), key=_worse, default=Verdict.MEETS)
    band = f"wider than {case.narrow.value:g} and narrower than {mm_words(case.wide.value)}"
    told = []
    if wanting:
        many = "One hole" if len(wanting) == 1 else f"{len(wanting)} holes"
        told.append(f"{many} may trap a finger: a fingertip enters and may not come out.")
        if groups > case.listed:
            told.append(f"The {case.listed} worst places are listed.")
    else:
        told.append(
            f"No open hole is {band} and {mm_words(case.value('depth'))} deep or deeper, so that none is taken to trap "
            "a finger."
        )
    milder = [each for each in judged if each.filled and (each.general or each.sheet)]
    told += [
        f"The hole {at_words(case.workpiece, case.middle(each.hole))} is {mm_words(each.hole.width_mm)} wide, but "
        f"{each.filled}: as long as that holds no finger enters it."
        for each in milder
    ]
    if not case.us_rule:
        told.append("The rule on holes in thin sheet is for toys in the United States, which is no stated market.")
    elif not case.child:
        told.append("The rule on holes in thin sheet is for toys; the users are older.")
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        f"{' '.join(told)} {_SCREEN}",
        "Change the holes listed." if wanting else "",
        severity=Severity.INJURY,
        measurements=(
            Measurement("holes that may trap a finger", len(wanting), "count", 0.0, _BY_FACETS),
            Measurement("holes about as wide as a finger", len(judged), "count", 0.0, _BY_FACETS),
        ),
        limits=_limits(case, sheet=case.us_rule and case.child),
        figures=("trap_holes",) if judged else (),
        evidence=_chart(case, judged),
        guess=case.guess,
    )


def _holes(case: _Case, group: list[_Judged], name: str) -> Finding:
    """A hole that may trap a finger, or several alike in one region."""
    each, several = group[0], len(group) > 1
    hole = each.hole
    what = ("round hole" if hole.round else "opening") + ("s" if several else "")
    sizes = sorted({_size_words(other.hole) for other in group})
    deep = "right through" if hole.through else f"{mm_words(hole.depth_mm)} deep into {'them' if several else 'it'}"
    told = [
        f"The {f'{len(group)} ' if several else ''}{what} {at_words(case.workpiece, case.middle(hole))} "
        f"{'measure' if several else 'measures'} {', '.join(sizes)}, and a fingertip goes {deep}."
    ]
    if each.sheet:
        told.append(
            f"The sheet round it is {mm_words(hole.sheet_mm)} thick: where a rod of {case.value('us_enters'):g} mm "
            f"enters, one of {case.value('us_passes'):g} mm must too, in toys up to {case.value('us_age'):.0f} months."
        )
        if case.age is not None and case.age > case.value("us_age"):
            told.append(f"From {case.age} months on it is a warning.")
        elif each.verdict is Verdict.MARGINAL and not each.filled:
            told.append(f"It is within {mm_words(case.value('tolerance'))} of a bound, which printing may add or take.")
    if each.general:
        told.append(
            f"Between {case.narrow.value:g} and {mm_words(case.wide.value)} a finger that is pushed in may stay in."
        )
    if each.finger:
        told.append(f"A finger is meant to go into {each.finger}.")
    if each.filled:
        told.append(f"It is judged one step milder, because {each.filled}.")
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        each.verdict,
        f"{' '.join(told)} {_SCREEN}",
        _change(case, each, "each" if several else "it"),
        severity=Severity.INJURY,
        measurements=(
            Measurement("width of the hole", hole.width_mm, "mm", case.value("tolerance"), _BY_FACETS),
            *(() if hole.through else (Measurement("depth for a fingertip", hole.depth_mm, "mm", 0.0, _BY_BAR),)),
            *((Measurement("thickness of the sheet", hole.sheet_mm, "mm", 0.0, _BY_BAR),) if hole.round else ()),
        ),
        limits=_limits(case, sheet=each.sheet),
        where=tuple(_place(case, other.hole) for other in group[:_MOST_PLACES]),
        evidence={"faces": np.unique(np.concatenate([other.hole.faces for other in group]))},
        guess=case.guess,
    )


def _size_words(hole: FingerHole) -> str:
    across = mm_words(hole.width_mm)
    return f"{across} across" if hole.round else f"{across} by {mm_words(hole.long_mm)}"


def _change(case: _Case, each: _Judged, it: str) -> str:
    """What would settle a hole, with numbers that settle every rule it breaks."""
    narrow_mm = case.value("us_enters") - case.value("tolerance") if each.sheet else case.narrow.value
    wide_mm = case.value("us_passes") + case.value("tolerance") if each.sheet else case.wide.value
    if each.finger:
        return (
            f"Open {it} to more than {mm_words(wide_mm)} and as wide as the fingers that use it, or close {it} to "
            f"{mm_words(narrow_mm)} or less."
        )
    if each.hole.through:
        return f"Close {it} to {mm_words(narrow_mm)} or less, or open {it} to {mm_words(wide_mm)} or more."
    floor_mm = case.value("us_depth") - case.value("tolerance") if each.sheet else case.value("depth")
    return (
        f"Close {it} to {mm_words(narrow_mm)} or less, open {it} to {mm_words(wide_mm)} or more, or give {it} a floor "
        f"less than {mm_words(floor_mm)} deep."
    )


def _limits(case: _Case, *, sheet: bool) -> tuple[Limit, ...]:
    rows = ("us_enters", "us_passes", "us_depth", "us_sheet", "us_age") if sheet else ()
    setup = case.workpiece.setup
    return (case.narrow, case.wide, *(case.limits.value(f"trap.{row}", setup) for row in ("depth", *rows)))


def _place(case: _Case, hole: FingerHole) -> Place:
    part = case.workpiece.part
    if hole.round:
        around = part.vertices[np.unique(part.faces[hole.faces])]
    else:
        half = np.full(3, hole.long_mm / 2 + 1.0)
        mouth = case.workpiece.to_part(hole.mouth[None])[0]
        around = np.array([mouth - half, mouth + half])
    outward = case.workpiece.to_part_direction(-hole.inward[None])[0]
    point = case.workpiece.to_part(hole.mouth[None])[0]
    return Place(vector(point), vector(outward), (vector(around.min(axis=0)), vector(around.max(axis=0))), "faces")


def _chart(case: _Case, judged: list[_Judged]) -> dict[str, NDArray[np.generic]]:
    """Width and depth of each hole with its verdict, and the corner of each rule's band."""
    thin = case.us_rule and case.child
    sheet = [case.value("us_enters"), case.value("us_passes"), case.value("us_depth")] if thin else []
    return {
        "width_mm": np.array([each.hole.width_mm for each in judged]),
        "depth_mm": np.array([min(each.hole.depth_mm, _DRAWN_MM) for each in judged]),
        "through": np.array([each.hole.through for each in judged], dtype=bool),
        "verdict": np.array([_ORDER.index(each.verdict) for each in judged], dtype=np.int8),
        "band_mm": np.array([case.narrow.value, case.wide.value, case.value("depth")]),
        "sheet_mm": np.array(sheet),
    }
