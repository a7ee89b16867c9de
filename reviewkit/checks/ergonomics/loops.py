"""ER-05: loops, triggers and openings for fingers."""

from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.hands import Declared, Hands, declared
from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, mm_words, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.handhold import people_words, widest_finger_mm
from reviewkit.measure.loops import Loop, loops, opening, opening_width
from reviewkit.measure.motion import carried, moved
from reviewkit.measure.rays import RayTree
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict, place_name
from reviewkit.submission import Motion, Region, RegionKind, RequirementKind, region_contains
from reviewkit.workpiece import Workpiece

CODE = "ER-05"
DOMAIN = "ergonomics"

_BY_CIRCLE = "largest circle in the narrowest section across the way of the finger"
_BY_SLOT = "longest slot of that width in the section"
_BY_RIM = "thickness of its rim along the way of the finger, median"
_SHOWN = (Verdict.FAILS, Verdict.MARGINAL)
_CHANGES_MM = 0.05


def finger_loops(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge declared openings and holes through moving regions against fingers, over the whole stroke.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``loops.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a loop or opening that does not meet.
    """
    case = _Case(workpiece, limits)
    if not case.regions:
        return [
            _not_checked(
                workpiece,
                "no region of the part is declared.",
                "Declare loops and finger openings as regions of kind opening, and what moves as regions of kind "
                "moving.",
            )
        ]
    try:
        case.users  # noqa: B018 (raises for an unknown group)
    except SubmissionError as error:
        return [_not_checked(workpiece, f"{error}.", "Correct the hands in [use].")]
    if any(hands.wear == "mittens" for hands in case.users.groups) and case.found:
        return [
            _not_checked(
                workpiece,
                "the tables have no size of a loop for mittens.",
                "Say which other hands use it, or make it an opening for the whole hand.",
            )
        ]
    bad = sorted((item for item in case.found if case.verdict(item) in _SHOWN), key=case.rank)
    return [_whole(case), *(_bad(case, item) for item in bad[: case.listed])]


@dataclass(frozen=True, eq=False)
class _Item:
    """A loop or opening with its width at each place of the stroke that narrows it most.

    `meant` says that somebody declared it for a finger, or that a hand drives the region it goes through.
    """

    subject: str
    region: Region
    loop: Loop
    meant: bool
    unit: str
    strokes: Floats
    widths_mm: Floats

    @property
    def least_mm(self) -> float:
        return float(self.widths_mm.min())

    @property
    def most_mm(self) -> float:
        return float(self.widths_mm.max())

    @property
    def changes(self) -> bool:
        return self.most_mm - self.least_mm > _CHANGES_MM


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that ER-05 judges it by."""

    rows = "loops"

    @cached_property
    def regions(self) -> list[Region]:
        return [region for region in self.workpiece.submission.regions if region.part == self.workpiece.part.id]

    @cached_property
    def motions(self) -> list[Motion]:
        names = {region.name for region in self.regions}
        return [motion for motion in self.workpiece.submission.motions if motion.region in names]

    @cached_property
    def users(self) -> Declared:
        use = self.workpiece.submission.use
        return declared(use.hands, use.age_from_months)

    @cached_property
    def tolerance(self) -> float:
        return self.value("tolerance")

    @cached_property
    def found(self) -> list[_Item]:
        """Every loop and opening of the part, measured."""
        asked = (self.value("trap_low") - self.tolerance, self.value("free"), round(self.value("states")))
        return self.workpiece.measured(
            "loops", lambda: _measured_items(self, *asked), tuple(self.regions), tuple(self.motions),
            self.workpiece.submission.requirements, self.workpiece.submission.hardware, *asked,
        )  # fmt: skip

    def sizes(self, hands: Hands) -> dict[str, Limit]:
        """Bounds on width and length for these hands."""
        who = ("adult" if hands.age_years is None else "child") + ("_gloves" if hands.wear else "")
        names = {"width": f"width.{who}"} | ({} if hands.age_years is not None else {"length": f"length.{who}"})
        return {name: self.band(row).limits[0] for name, row in names.items()}

    @cached_property
    def wanted(self) -> dict[str, Limit]:
        """The strictest bounds that the hands set."""
        strictest: dict[str, Limit] = {}
        for hands in self.users.groups:
            for name, limit in self.sizes(hands).items():
                strictest[name] = max(strictest.get(name, limit), limit, key=lambda known: known.value)
        return strictest

    @cached_property
    def trap_limits(self) -> tuple[Limit, ...]:
        return tuple(
            self.limits.value(f"loops.{name}", self.workpiece.setup) for name in ("trap_low", "trap_high", "trap_depth")
        )

    def is_closed(self, item: _Item) -> bool:
        """Whether no finger enters it at any place of the stroke."""
        return item.most_mm + self.tolerance <= self.value("trap_low")

    def trap(self, item: _Item) -> Verdict:
        """Whether it is, or becomes, a hole that a finger enters and sticks in."""
        low, high, depth = (limit.value for limit in self.trap_limits)
        if item.loop.depth_mm < depth - self.tolerance or item.least_mm - self.tolerance >= high:
            return Verdict.MEETS
        if item.most_mm + self.tolerance <= low:
            return Verdict.MEETS
        surely = item.least_mm + self.tolerance < high and item.most_mm - self.tolerance > low
        surely &= item.loop.depth_mm - self.tolerance >= depth
        return Verdict.FAILS if surely and item.meant else Verdict.MARGINAL

    def size(self, item: _Item) -> Verdict:
        """Whether a finger of the hands fits in with room."""
        measured = {
            "width": item.least_mm,
            "length": item.loop.length_mm - max(item.loop.width_mm - item.least_mm, 0.0),
        }
        verdicts = [
            Band(limit.quantity, fails=limit).verdict(measured[name], self.tolerance)
            for name, limit in self.wanted.items()
        ]
        worst = worst_of(verdicts)
        return Verdict.MARGINAL if worst is Verdict.FAILS and not item.meant else worst

    def verdict(self, item: _Item) -> Verdict:
        if self.is_closed(item):
            return Verdict.MEETS
        return worst_of((self.trap(item), self.size(item)))

    def rank(self, item: _Item) -> tuple[int, float]:
        return WORST_FIRST.index(self.verdict(item)), item.least_mm

    @property
    def wearers(self) -> str:
        return people_words(self.users.groups)


def _measured_items(case: _Case, least_mm: float, free_mm: float, states: int) -> list[_Item]:
    part = case.workpiece.part
    vertices, faces = part.vertices, part.faces
    tree = case.workpiece.measured("rays in the part's frame", lambda: RayTree(vertices, faces))
    openings = [region for region in case.regions if region.kind is RegionKind.OPENING]
    found = [
        (region, loop)
        for region in case.regions
        if region.kind is RegionKind.MOVING
        for loop in loops(vertices, faces, tree, region, least_mm=least_mm, free_mm=free_mm)
        if not _holds_hardware(case, loop)
    ]
    several = Counter(region.name for region, _ in found)
    items = []
    for region, loop in found:
        declared_here = any(region_contains(each, loop.centre_mm)[0] for each in openings)
        name = region.name if several[region.name] == 1 else f"{region.name} {place_name(loop.centre_mm)}"
        meant = declared_here or _by_hand(case, region)
        items.append(_Item(name, region, loop, meant, "mm", np.zeros(1), np.array([loop.width_mm])))
    own = [loop for _, loop in found]
    for region in openings:
        void = opening(vertices, faces, tree, region, [loop.centre_mm for loop in own])
        # Where nothing but judged loops is open in the region, they speak for it.
        if void is not None and void.width_mm > 0:
            unit, strokes, widths = _over_the_stroke(case, region, void, own, states)
            items.append(_Item(region.name, region, void, True, unit, strokes, widths))
    return items


def _over_the_stroke(
    case: _Case, region: Region, void: Loop, own: list[Loop], states: int
) -> tuple[str, Floats, Floats]:
    """Widths of an opening along the motion that makes it narrowest [mm or deg, mm]."""
    part = case.workpiece.part
    best = ("mm", np.zeros(1), np.array([void.width_mm]))
    for motion in case.motions:
        state = carried(part.vertices, part.faces, case.regions, motion)
        widths = []
        for stroke in state.strokes(states):
            skip = [
                moved(motion, loop.centre_mm[None], stroke)[0] if loop.region == motion.region else loop.centre_mm
                for loop in own
            ]
            widths.append(opening_width(state.at(stroke), part.faces, region, void, skip))
        if min(widths) < float(best[2].min()) - _CHANGES_MM or (len(best[1]) == 1 and np.ptp(widths) > _CHANGES_MM):
            best = (motion.unit, np.array(state.strokes(states)), np.array(widths))
    return best


def _holds_hardware(case: _Case, loop: Loop) -> bool:
    """Whether a screw, pin or insert is declared in the hole."""
    for item in case.workpiece.submission.hardware:
        if item.part == case.workpiece.part.id and item.point_mm is not None:
            off = np.array(item.point_mm) - loop.centre_mm
            if np.linalg.norm(off - off @ loop.axes[2] * loop.axes[2]) <= loop.width_mm / 2:
                return True
    return False


def _by_hand(case: _Case, region: Region) -> bool:
    """Whether a force is stated that a hand moves the region with."""
    forced = any(motion.region == region.name and motion.force_N is not None for motion in case.motions)
    asked = case.workpiece.submission.requirements
    return forced or any(each.what is RequirementKind.FORCE and each.region == region.name for each in asked)


def _whole(case: _Case) -> Finding:
    """The one finding that speaks for all loops and openings."""
    found = sorted(case.found, key=case.rank)
    if not found:
        return finding(
            case.workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS,
            "No opening for fingers is declared, and no hole that a finger can enter goes through what moves.",
            severity=Severity.FUNCTION,
        )  # fmt: skip
    worst = found[0]
    verdict = case.verdict(worst)
    bad = [item for item in found if case.verdict(item) in _SHOWN]
    message = " ".join(_words(case, item) for item in found[: case.listed])
    if len(found) > case.listed:
        message += f" There are {len(found)} in all; the {case.listed} worst are listed."
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, verdict, message, "Change the openings listed." if bad else "",
        severity=_severity(case, worst),
        measurements=_measurements(case, worst),
        limits=_limits(case),
        figures=("finger_opening",),
        evidence=_drawn(case, worst),
        guess=case.users.guess,
    )  # fmt: skip


def _bad(case: _Case, item: _Item) -> Finding:
    """A loop or opening that a finger does not fit, or sticks in."""
    guess = case.users.guess
    if not item.meant:
        guess = f"{guess} Nobody declared this hole for a finger; it goes through what moves.".strip()
    return finding(
        case.workpiece, CODE, DOMAIN, item.subject, case.verdict(item), _words(case, item), _change(case, item),
        severity=_severity(case, item),
        measurements=_measurements(case, item),
        limits=_limits(case),
        where=(_place(case, item),),
        figures=("finger_opening",),
        evidence=_drawn(case, item) | {"faces": item.loop.faces},
        guess=guess,
    )  # fmt: skip


def _severity(case: _Case, item: _Item) -> Severity:
    return Severity.FUNCTION if case.is_closed(item) or case.trap(item) is Verdict.MEETS else Severity.INJURY


def _words(case: _Case, item: _Item) -> str:
    at = "" if item.loop.region != item.region.name or item.region.kind is RegionKind.OPENING else "The loop through "
    name = f"{at}{item.subject}" if at else f"The opening {item.subject}"
    width = mm_words(item.widths_mm[0] if not item.changes else item.most_mm)
    if case.is_closed(item):
        return f"{name} is {width} wide at most: no finger enters it."
    size = f"{name} takes a finger of {width} at most"
    if item.changes:
        size += f", and of {mm_words(item.least_mm)} where the stroke makes it narrowest"
    verdict, trap = case.size(item), case.trap(item)
    width_limit = case.wanted["width"]
    wanted = f"{mm_words(width_limit.value)} wide"
    if "length" in case.wanted:
        wanted += f" and {mm_words(case.wanted['length'].value)} long"
    told = f"{size}; a loop for {case.wearers} is {wanted} or more."
    if trap is not Verdict.MEETS:
        low, high = case.value("trap_low"), case.value("trap_high")
        becomes = "passes through" if item.changes else "is within"
        told += f" It {becomes} the {low:g} to {high:g} mm in which a finger goes in and sticks."
    elif verdict is Verdict.MARGINAL and item.meant:
        told += (
            f" That is too near to tell: a printed gap may come out {mm_words(case.tolerance)} off what is drawn, "
            "and holes come out small rather than large."
        )
    elif verdict is Verdict.MEETS and item.loop.length_mm >= case.value("two_fingers"):
        told += " Two fingers find room in it."
    return told


def _change(case: _Case, item: _Item) -> str:
    wanted = case.wanted["width"].value + case.tolerance
    long = f" and {mm_words(case.wanted['length'].value + case.tolerance)} long" if "length" in case.wanted else ""
    if not item.meant:
        low = case.value("trap_low") - case.tolerance
        return (
            f"If a finger is meant to go in, make it {mm_words(wanted)} wide{long}; if not, make it less than "
            f"{mm_words(low)} or cover it."
        )
    if item.changes:
        return (
            f"Leave {mm_words(wanted)} at every place of the stroke, {mm_words(wanted - item.least_mm)} more than now, "
            "or close the opening so that no finger gets in."
        )
    return f"Make it {mm_words(wanted)} wide{long}."


def _measurements(case: _Case, item: _Item) -> tuple[Measurement, ...]:
    found = [
        Measurement("width, narrowest", item.least_mm, "mm", case.tolerance, _BY_CIRCLE),
        Measurement("length as drawn", item.loop.length_mm, "mm", case.tolerance, _BY_SLOT),
        Measurement("depth of the rim", item.loop.depth_mm, "mm", case.tolerance, _BY_RIM),
    ]
    if item.changes:
        found.insert(1, Measurement("width, widest", item.most_mm, "mm", case.tolerance, _BY_CIRCLE))
        at = float(item.strokes[int(np.argmin(item.widths_mm))])
        found.insert(2, Measurement("stroke where it is narrowest", at, item.unit, 0.0, "mesh carried by the motion"))
    return tuple(found)


def _limits(case: _Case) -> tuple[Limit, ...]:
    return (*case.wanted.values(), *case.trap_limits)


def _place(case: _Case, item: _Item) -> Place:
    part, loop = case.workpiece.part, item.loop
    points = part.vertices[part.faces[loop.faces]].reshape(-1, 3) if len(loop.faces) else loop.centre_mm[None]
    box = (vector(points.min(axis=0)), vector(points.max(axis=0)))
    return Place(vector(np.clip(loop.centre_mm, *box)), vector(loop.axes[2]), box, "faces")


def _drawn(case: _Case, item: _Item) -> dict[str, NDArray[np.float64] | NDArray[np.int64]]:
    """Outline of the void, widths over the stroke, and the fingers and bounds that are drawn beside them."""
    return {
        "outline": item.loop.outline,
        "width": np.array([item.loop.width_mm]),
        "strokes": item.strokes,
        "widths": item.widths_mm,
        "turns": np.array([item.unit == "deg"]),
        "fingers": np.array([max(widest_finger_mm(hands) for hands in case.users.groups)]),
        "wanted": np.array([case.wanted["width"].value]),
        "trap": np.array([limit.value for limit in case.trap_limits[:2]]),
    }


def _not_checked(workpiece: Workpiece, reason: str, change: str) -> Finding:
    message = f"Loops and openings for fingers were not checked: {reason}"
    return finding(
        workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION
    )  # fmt: skip
