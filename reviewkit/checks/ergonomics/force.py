"""ER-06: pull force against the strength of the hands, trigger reach and span of two handles."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.hands import Declared, Hands, declared
from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, mm_words, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.handhold import Hold, hold, reach, spans
from reviewkit.measure.rays import RayTree
from reviewkit.model import Band, Finding, Limit, Measurement, Place, Sense, Severity, Verdict
from reviewkit.submission import Motion, MotionKind, Region, RegionKind, Requirement, RequirementKind
from reviewkit.workpiece import Workpiece

CODE = "ER-06"
DOMAIN = "ergonomics"

_REACH = "rays from the back of the grip against the pull to the face the finger lies on, median"
_SPAN = "outer distance over the handles, square to the first one, over their middle fifth"
_GROUPS = ("child_under_6", "child_6_7", "child_8_9", "child_10_12", "adult")
_WORDS = {
    "child_under_6": "children under 6",
    "child_6_7": "children of 6 and 7",
    "child_8_9": "children of 8 and 9",
    "child_10_12": "children of 10 to 12",
    "adult": "adults",
}
_NEXT_GROUP = ("from_years_6", "from_years_8", "from_years_10")


def pull_force(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the force that a hand needs for each motion, and how far apart what one hand squeezes is.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``force.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a moving region that does not meet or whose force
        nobody stated.
    """
    case = _Case(workpiece, limits)
    if not case.regions:
        return [
            _not_checked(
                workpiece, WHOLE, "no region of the part is declared.",
                "Declare what moves as a region of kind moving, its motion, and the force measured on it.",
            )
        ]  # fmt: skip
    if not case.moved:
        still = [region.name for region in case.regions if region.kind is RegionKind.MOVING]
        if still:
            return [
                _not_checked(
                    workpiece, WHOLE, f"no motion is declared of {', '.join(still)}.",
                    "Declare the motion, with the force measured on it.",
                )
            ]  # fmt: skip
        words = "Nothing of the part is declared to move, so no hand has to pull or squeeze it."
        return [finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, words, severity=Severity.FUNCTION)]
    try:
        case.users  # noqa: B018 (raises for an unknown group)
    except SubmissionError as error:
        return [_not_checked(workpiece, WHOLE, f"{error}.", "Correct the hands in [use].")]
    bad = [region for region in case.moved if case.verdict(region) is not Verdict.MEETS]
    bad.sort(key=lambda region: WORST_FIRST.index(case.verdict(region)))
    return [_whole(case), *(_region(case, region) for region in bad[: case.listed])]


@dataclass(frozen=True)
class _Force:
    """A stated force with what it may be off by [N], and who states it."""

    newtons: float
    uncertainty: float
    source: str


@dataclass(frozen=True)
class _Size:
    """A reach or span with its bounds [mm]."""

    quantity: str
    size_mm: float
    method: str
    bands: tuple[Band, ...]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that ER-06 judges it by."""

    rows = "force"

    @cached_property
    def regions(self) -> list[Region]:
        return [region for region in self.workpiece.submission.regions if region.part == self.workpiece.part.id]

    @cached_property
    def moved(self) -> list[Region]:
        """Regions that a hand moves: those with a motion or a force asked of them, but not what is shot."""
        named = {motion.region for motion in self.workpiece.submission.motions}
        named |= {each.region for each in self._forces_asked}
        return [region for region in self.regions if region.name in named and region.kind is not RegionKind.PROJECTILE]

    @cached_property
    def _forces_asked(self) -> list[Requirement]:
        asked = self.workpiece.submission.requirements
        return [each for each in asked if each.what is RequirementKind.FORCE]

    @cached_property
    def users(self) -> Declared:
        use = self.workpiece.submission.use
        return declared(use.hands, use.age_from_months)

    @cached_property
    def groups(self) -> list[str]:
        """Groups of the strength rows that the hands belong to, the weakest first."""
        known = {self._group(hands) for hands in self.users.groups}
        return [group for group in _GROUPS if group in known]

    def _group(self, hands: Hands) -> str:
        if hands.age_years is None:
            return "adult"
        return _GROUPS[sum(hands.age_years >= self.value(row) for row in _NEXT_GROUP)]

    @cached_property
    def how_often(self) -> tuple[str, str]:
        """Which rows of force apply, and how that is known."""
        cycles = self.workpiece.submission.use.cycles
        if cycles is None:
            return "repeated", "how often it is worked is not stated: taken as again and again"
        if cycles >= self.value("repeated_cycles"):
            return "repeated", f"{cycles:,} times in its life: taken as again and again"
        return "occasional", f"{cycles:,} times in its life: taken as now and then"

    @property
    def guess(self) -> str:
        assumed = "" if self.workpiece.submission.use.cycles is not None else "Nobody stated how often it is worked."
        return f"{self.users.guess} {assumed}".strip()

    def motion(self, region: Region) -> Motion | None:
        return next((each for each in self.workpiece.submission.motions if each.region == region.name), None)

    def force(self, region: Region) -> _Force | None:
        """The force measured on a region, else the one asked of it; None when neither is stated in newtons."""
        motion = self.motion(region)
        if motion is not None and motion.force_N is not None:
            return _Force(motion.force_N, self.value("measured_spread") * motion.force_N, "measured")
        for each in self._forces_asked:
            own = each.region == region.name
            if own and each.nominal is not None and each.unit.strip().lower() in ("n", "newton", "newtons"):
                low, high = each.nominal + (each.lower or 0.0), each.nominal + (each.upper or 0.0)
                return _Force((low + high) / 2, (high - low) / 2, f"requirement {each.id}")
        return None

    def design(self, group: str) -> Band:
        return self.band(f"{self.how_often[0]}.{group}")

    def force_verdict(self, force: _Force) -> Verdict:
        """The worst over the groups; of those whose strength nobody knows, never better than marginal."""
        verdicts = [self.design(group).verdict(force.newtons, force.uncertainty) for group in self.groups]
        if _GROUPS[0] in self.groups:
            verdicts.append(Verdict.MARGINAL)
        return worst_of(verdicts)

    def sizes(self, region: Region) -> tuple[_Size, ...]:
        """Reach or spans, where one hand works grip and region."""
        return self.workpiece.measured(
            "squeeze", lambda: tuple(_sizes(self, region)), region, tuple(self.regions), self.motion(region),
            self.workpiece.submission.use, *(limit for name in _SIZE_ROWS for limit in self.band(name).limits),
            *(self.value(name) for name in ("reach_axis", "one_hand", "adult_hand")),
        )  # fmt: skip

    def size_verdict(self, size: _Size) -> Verdict:
        return worst_of(band.verdict(size.size_mm, self.value("reach_tolerance")) for band in size.bands)

    def verdict(self, region: Region) -> Verdict:
        force = self.force(region)
        own = Verdict.NOT_CHECKED if force is None else self.force_verdict(force)
        return worst_of((own, *(self.size_verdict(size) for size in self.sizes(region))))

    def scaled(self, name: str) -> Band:
        """Bounds for hands of the declared people: those of adults by the length of the hand."""
        band, adult_mm = self.band(name), self.value("adult_hand")
        shares = [
            (hands.mean_mm("hand_length") / adult_mm, hands.words) if hands.age_years is not None else (1.0, "")
            for hands in self.users.groups
        ]

        def strictest(limit: Limit | None) -> Limit | None:
            if limit is None:
                return None
            share, words = (max if limit.sense is Sense.MIN else min)(shares)
            if not words:
                return limit
            stated = f"{limit.value:.4g} mm of adults, times {share:.2g} for {words}"
            return replace(limit, value=limit.value * share, stated=stated)

        return Band(band.quantity, strictest(band.meets), strictest(band.fails))


_SIZE_ROWS = ("reach_least", "reach_most", "span_closed", "span_open")


def _sizes(case: _Case, region: Region) -> list[_Size]:
    part, motion = case.workpiece.part, case.motion(region)
    grips = [other for other in case.regions if other.kind is RegionKind.GRIP and other is not region]
    if motion is None or not grips:
        return []
    held = [one for grip in grips if (one := _held(case, grip)) is not None]
    if region.kind is RegionKind.GRIP:
        own = _held(case, region)
        if own is None:
            return []
        return [size for other in held for size in _handle_sizes(case, other, own, motion)]
    if motion.kind is not MotionKind.TRANSLATION:
        return []
    tree = case.workpiece.measured("rays in the part's frame", lambda: RayTree(part.vertices, part.faces))
    normals = np.asarray(part.mesh.face_normals)
    found = []
    for grip in held:
        pull = np.array(motion.direction) / np.linalg.norm(motion.direction)
        across_deg = np.degrees(np.arccos(min(1.0, abs(float(pull @ grip.axis)))))
        # A grip that runs along the pull is held by one hand while the other pulls.
        if across_deg < case.value("reach_axis"):
            continue
        way = reach(tree, grip, region, motion, normals)
        if way is not None and way.reach_mm <= case.value("one_hand"):
            bands = (case.scaled("reach_least"), case.scaled("reach_most"))
            found.append(_Size(f"reach from {grip.region.name}", way.reach_mm, _REACH, bands))
    return found


def _handle_sizes(case: _Case, first: Hold, second: Hold, motion: Motion) -> list[_Size]:
    wide, narrow = spans(first, second, motion)
    if wide > case.value("one_hand"):
        return []
    name = first.region.name
    return [
        _Size(f"span over {name} and {second.region.name}, open", wide, _SPAN, (case.scaled("span_open"),)),
        _Size(f"span over {name} and {second.region.name}, closed", narrow, _SPAN, (case.scaled("span_closed"),)),
    ]


def _held(case: _Case, region: Region) -> Hold | None:
    part = case.workpiece.part
    return case.workpiece.measured("hold", lambda: hold(part.vertices, part.faces, region), region)


def _whole(case: _Case) -> Finding:
    """The one finding that speaks for all motions of the part."""
    ranked = sorted(case.moved, key=lambda region: WORST_FIRST.index(case.verdict(region)))
    verdict = case.verdict(ranked[0])
    shown = next((region for region in ranked if case.force(region) is not None), None)
    message = " ".join(_words(case, region) for region in ranked[: case.listed])
    if len(ranked) > case.listed:
        message += f" There are {len(ranked)} regions that move in all; the {case.listed} worst are listed."
    changes = {
        Verdict.FAILS: "Change the forces and reaches listed.",
        Verdict.MARGINAL: "Change the forces and reaches listed, or state who uses the part.",
        Verdict.NOT_CHECKED: "State the forces that are missing.",
    }
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, verdict, message, changes.get(verdict, ""),
        severity=Severity.FUNCTION,
        measurements=_measured(case, ranked[0]),
        limits=_limits(case, ranked[0]),
        figures=("pull_force",) if shown else (),
        evidence=_drawn(case, shown) if shown else {},
        guess=case.guess,
    )  # fmt: skip


def _region(case: _Case, region: Region) -> Finding:
    """A moving region that is too strong, too far away, or of unknown force."""
    force = case.force(region)
    return finding(
        case.workpiece, CODE, DOMAIN, region.name, case.verdict(region), _words(case, region), _change(case, region),
        severity=Severity.FUNCTION,
        measurements=_measured(case, region),
        limits=_limits(case, region),
        where=_places(case, region),
        figures=("pull_force",) if force else (),
        evidence=(_drawn(case, region) if force else {}) | {"faces": _faces(_held(case, region))},
        guess=case.guess,
    )  # fmt: skip


def _words(case: _Case, region: Region) -> str:
    force = case.force(region)
    if force is None:
        told = f"The force that moves {region.name} is not stated."
    else:
        span = f"{force.newtons:.3g} N" + (f" give or take {force.uncertainty:.2g} N" if force.uncertainty else "")
        weakest = case.groups[0]
        limit = case.design(weakest).limits[0]
        told = (
            f"Moving {region.name} takes {span} ({force.source}); {limit.value:g} N or less suit {_WORDS[weakest]} "
            f"({case.how_often[1]})."
        )
        if weakest == _GROUPS[0]:
            told += " How strong children under 6 are is not known, so this can be no better than marginal."
    for size in case.sizes(region):
        bounds = " and ".join(limit.words for band in size.bands for limit in band.limits[:1])
        told += f" The {size.quantity} is {mm_words(size.size_mm)}; wanted are {bounds}."
    return told


def _change(case: _Case, region: Region) -> str:
    force, changes = case.force(region), []
    if force is None:
        changes.append(
            f"State the force measured on {region.name} (force_N of its motion), or a requirement of kind force in N "
            "for that region."
        )
    elif case.force_verdict(force) is not Verdict.MEETS:
        limit = case.design(case.groups[0]).limits[0].value
        most = force.newtons + force.uncertainty
        if most > limit:
            changes.append(
                f"Bring the force to {limit:g} N at most, {100 * (1 - limit / most):.0f} % less than the {most:.3g} N "
                "it may be now."
            )
        if case.groups[0] == _GROUPS[0]:
            changes.append("Try it with children of that age, or state an older youngest user.")
    for size in case.sizes(region):
        if case.size_verdict(size) is Verdict.MEETS:
            continue
        # What just meets, with the tolerance of the print.
        spare = case.value("reach_tolerance")
        for band in size.bands:
            bound = band.limits[0]
            if band.verdict(size.size_mm, spare) is not Verdict.MEETS:
                aim = bound.value + (spare if bound.sense is Sense.MIN else -spare)
                changes.append(f"Bring the {size.quantity} to {mm_words(aim)}.")
    return " ".join(changes)


def _measured(case: _Case, region: Region) -> tuple[Measurement, ...]:
    force, found = case.force(region), []
    if force is not None:
        found.append(Measurement(f"force that moves {region.name}", force.newtons, "N", force.uncertainty,
                                 f"stated: {force.source}"))  # fmt: skip
    spare = case.value("reach_tolerance")
    found += [Measurement(size.quantity, size.size_mm, "mm", spare, size.method) for size in case.sizes(region)]
    return tuple(found)


def _limits(case: _Case, region: Region) -> tuple[Limit, ...]:
    forces = [limit for group in case.groups for limit in case.design(group).limits] if case.force(region) else []
    sizes = [limit for size in case.sizes(region) for band in size.bands for limit in band.limits]
    return tuple(dict.fromkeys([*forces, *sizes]))


def _places(case: _Case, region: Region) -> tuple[Place, ...]:
    held = _held(case, region)
    if held is None:
        return ()
    box = (vector(held.points.min(axis=0)), vector(held.points.max(axis=0)))
    # The middle of a ring has no matter: the nearest surface stands for it.
    nearest = held.points[np.argmin(np.linalg.norm(held.points - held.centre_mm, axis=1))]
    return (Place(vector(nearest), None, box, "faces"),)


def _faces(held: Hold | None) -> NDArray[np.int64]:
    return np.empty(0, np.int64) if held is None else np.unique(held.facet)


def _drawn(case: _Case, region: Region) -> dict[str, NDArray[np.float64] | NDArray[np.str_] | NDArray[np.bool_]]:
    """The force, and of every group the design forces and the grip of a weak hand, nan where unknown [N]."""
    force = case.force(region)
    assert force is not None
    known = case.limits.rows
    return {
        "force": np.array([force.newtons, force.uncertainty]),
        "groups": np.array([_WORDS[group] for group in _GROUPS]),
        "repeated": np.array([case.band(f"repeated.{group}").limits[0].value for group in _GROUPS]),
        "occasional": np.array([case.band(f"occasional.{group}").limits[0].value for group in _GROUPS]),
        "weak": np.array(
            [case.value(f"weak.{g}") if f"force-weak-{g.replace('_', '-')}" in known else np.nan for g in _GROUPS]
        ),
        "own": np.array([group in case.groups for group in _GROUPS]),
        "again": np.array([case.how_often[0] == "repeated"]),
    }


def _not_checked(workpiece: Workpiece, subject: str, reason: str, change: str) -> Finding:
    message = f"Pull force and grip span were not checked: {reason}"
    return finding(
        workpiece, CODE, DOMAIN, subject, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION
    )  # fmt: skip
