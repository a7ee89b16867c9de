"""ER-04: room for the fingers behind a handle."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.hands import Declared, Hands, declared
from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, mm_words, ring_points, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.handhold import Clearance, Hold, clearance, handle_section, hold, people_words, widest_finger_mm
from reviewkit.measure.rays import RayTree
from reviewkit.model import Band, Finding, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import Mounting, Region, RegionKind
from reviewkit.workpiece import Workpiece

CODE = "ER-04"
DOMAIN = "ergonomics"

_BY_RAYS = "rays from the handle across its axis to the next surface, 5th percentile over the finger zone"
_BY_ROOM = "rays along the handle, half-way to what is behind it, 5th percentile"
_BY_WALL = "rays across the handle, half-way to what is behind it, 5th percentile"
_FINGERS = 4


def handle_clearance(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether the fingers have room behind each grip that has matter of the part behind it.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``clearance.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a handle with too little room.
    """
    case = _Case(workpiece, limits)
    if not case.grips:
        return [_without_grip(case)]
    try:
        case.users  # noqa: B018 (raises for an unknown group)
    except SubmissionError as error:
        return [_not_checked(workpiece, f"{error}.", "Correct the hands in [use].")]
    handles = [_Handle(region, case.held(region), case.behind(region)) for region in case.grips]
    short = [handle for handle in handles if case.verdict(handle) in (Verdict.FAILS, Verdict.MARGINAL)]
    short.sort(key=lambda handle: WORST_FIRST.index(case.verdict(handle)))
    return [_whole(case, handles), *(_short(case, handle) for handle in short[: case.listed])]


@dataclass(frozen=True, eq=False)
class _Handle:
    """A grip, its matter and the room behind it; None where there is none."""

    region: Region
    held: Hold | None
    behind: Clearance | None


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that ER-04 judges it by."""

    rows = "clearance"

    @cached_property
    def regions(self) -> list[Region]:
        return [region for region in self.workpiece.submission.regions if region.part == self.workpiece.part.id]

    @cached_property
    def grips(self) -> list[Region]:
        return [region for region in self.regions if region.kind is RegionKind.GRIP]

    @cached_property
    def users(self) -> Declared:
        use = self.workpiece.submission.use
        return declared(use.hands, use.age_from_months)

    def held(self, region: Region) -> Hold | None:
        part = self.workpiece.part
        return self.workpiece.measured("hold", lambda: hold(part.vertices, part.faces, region), region)

    def behind(self, region: Region) -> Clearance | None:
        part, held = self.workpiece.part, self.held(region)
        if held is None:
            return None
        tree = self.workpiece.measured("rays in the part's frame", lambda: RayTree(part.vertices, part.faces))
        kinds = (RegionKind.GRIP, RegionKind.MOVING)
        others = tuple(other for other in self.regions if other.kind in kinds and other is not region)
        asked = tuple(self.value(name) for name in ("reach", "behind_share", "zone_share"))
        return self.workpiece.measured(
            "handle clearance",
            lambda: clearance(
                tree, np.asarray(part.mesh.face_normals), held, others,
                reach_mm=asked[0], behind_share=asked[1], zone_share=asked[2],
            ),
            region, others, *asked,
        )  # fmt: skip

    def limit(self, name: str, hands: Hands) -> Limit:
        """The bound on a size for these hands; for children that of adults by the length of the hand."""
        (limit,) = self.band(f"{name}.{hands.wear or 'bare'}").limits
        if hands.age_years is None:
            return limit
        share = hands.mean_mm("hand_length") / self.value("adult_hand")
        stated = f"{limit.value:g} mm of adults, times {share:.2g} for {hands.words}"
        return replace(limit, value=limit.value * share, stated=stated)

    def bounds(self, handle: _Handle) -> list[tuple[str, float, Limit]]:
        """Each size of a handle with the strictest bound that the hands set on it [mm]."""
        behind = handle.behind
        if behind is None:
            return []
        sizes = [("behind", behind.clearance_mm), ("along", behind.opening_mm), ("depth", behind.depth_mm)]
        return [
            (name, size, max((self.limit(name, hands) for hands in self.users.groups), key=lambda limit: limit.value))
            for name, size in sizes
        ]

    def verdicts(self, handle: _Handle) -> dict[str, Verdict]:
        return {
            name: Band(limit.quantity, fails=limit).verdict(size, self.value("tolerance"))
            for name, size, limit in self.bounds(handle)
        }

    def verdict(self, handle: _Handle) -> Verdict:
        if handle.held is None:
            return Verdict.NOT_CHECKED
        return worst_of(self.verdicts(handle).values())

    @property
    def wearers(self) -> str:
        return people_words(self.users.groups)


def _whole(case: _Case, handles: list[_Handle]) -> Finding:
    """The one finding that speaks for all grips of the part."""
    verdict = worst_of(case.verdict(handle) for handle in handles)
    closed = [handle for handle in handles if handle.behind is not None]
    closest = min(closed, key=lambda handle: _behind(handle).clearance_mm, default=None)
    change = "Change the handles listed." if verdict in (Verdict.FAILS, Verdict.MARGINAL) else ""
    if verdict is Verdict.NOT_CHECKED:
        change = "Draw each grip region so that it holds the matter that the hand closes round."
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, verdict,
        " ".join(_words(case, handle) for handle in handles) + _caution(case, closed),
        change,
        severity=Severity.FUNCTION,
        measurements=_measured(case, closest) if closest else (),
        limits=_limits(case, closest) if closest else (),
        figures=("handle_clearance",) if closest else (),
        evidence=_drawn(case, closest) if closest else {},
        guess=case.users.guess if closed else "",
    )  # fmt: skip


def _short(case: _Case, handle: _Handle) -> Finding:
    """A handle with too little room."""
    return finding(
        case.workpiece, CODE, DOMAIN, handle.region.name, case.verdict(handle),
        _words(case, handle) + _caution(case, [handle]),
        _change(case, handle),
        severity=Severity.FUNCTION,
        measurements=_measured(case, handle),
        limits=_limits(case, handle),
        where=(_place(handle),),
        figures=("handle_clearance",),
        evidence=_drawn(case, handle) | {"faces": _behind(handle).faces},
        guess=case.users.guess,
    )  # fmt: skip


def _words(case: _Case, handle: _Handle) -> str:
    name = handle.region.name
    if handle.held is None:
        return f"The region {name} holds no matter of the part, so the room behind it was not judged."
    if handle.behind is None:
        reach = mm_words(case.value("reach"))
        return (
            f"Nothing of the part is behind {name} within {reach}, outside its region: an open grip, round which "
            "the fingers have room."
        )
    behind = handle.behind
    along = (
        f"the opening along it is {mm_words(behind.opening_mm)} long"
        if np.isfinite(behind.opening_mm)
        else "the opening along it is open at an end"
    )
    pocket = ""
    if not behind.depth_mm:
        pocket = " It is closed on all sides: no hand gets behind it."
    elif np.isfinite(behind.depth_mm):
        pocket = f" It is closed on one side, {mm_words(behind.depth_mm)} deep."
    wanted = " and ".join(
        f"{mm_words(limit.value)} {text}"
        for (_, size, limit), text in zip(case.bounds(handle), ("behind", "along", "deep"), strict=True)
        if np.isfinite(size)
    )
    return (
        f"Behind {name} there are {mm_words(behind.clearance_mm)} to the next surface, and {along}; {wanted} are "
        f"wanted for a closed handle and {case.wearers}.{pocket}"
    )


def _caution(case: _Case, closed: list[_Handle]) -> str:
    if not closed:
        return ""
    children = any(hands.age_years is not None for hands in case.users.groups)
    return " Sizes for children are those of adults by the length of the hand, an estimate." if children else ""


def _change(case: _Case, handle: _Handle) -> str:
    verdicts, told = case.verdicts(handle), []
    room = {"behind": "move the handle {0} farther from what is behind it", "along": "make its opening {0} longer",
            "depth": "make the pocket {0} deeper, or open its other side"}  # fmt: skip
    for name, size, limit in case.bounds(handle):
        if verdicts[name] is not Verdict.MEETS:
            told.append(room[name].format(mm_words(limit.value + case.value("tolerance") - size)))
    words = " and ".join(told)
    return f"{words[0].upper()}{words[1:]}."


def _measured(case: _Case, handle: _Handle) -> tuple[Measurement, ...]:
    behind, tolerance = _behind(handle), case.value("tolerance")
    found = [Measurement("clearance behind the handle", behind.clearance_mm, "mm", tolerance, _BY_RAYS)]
    if np.isfinite(behind.opening_mm):
        found.append(Measurement("opening along the handle", behind.opening_mm, "mm", tolerance, _BY_ROOM))
    if np.isfinite(behind.depth_mm):
        found.append(Measurement("depth of the handle", behind.depth_mm, "mm", tolerance, _BY_WALL))
    found.append(Measurement("surface of that side with matter behind it", 100 * behind.share, "%", 0.0, _BY_RAYS))
    return tuple(found)


def _limits(case: _Case, handle: _Handle) -> tuple[Limit, ...]:
    return tuple(limit for _, size, limit in case.bounds(handle) if np.isfinite(size))


def _behind(handle: _Handle) -> Clearance:
    assert handle.behind is not None
    return handle.behind


def _place(handle: _Handle) -> Place:
    held, behind = handle.held, _behind(handle)
    assert held is not None
    side = np.cross(held.axis, behind.direction)
    away = [0.0 * behind.direction, (behind.face_mm + behind.clearance_mm) * behind.direction]
    wide = np.abs((held.points - held.centre_mm) @ side).max()
    ends = [held.centre_mm + along * held.axis + far for along in behind.zone_mm for far in away]
    corners = np.array([end + sign * wide * side for end in ends for sign in (-1, 1)])
    middle = held.centre_mm + behind.at_mm * held.axis + behind.face_mm * behind.direction
    # Looked at from beside the handle, where the gap is seen.
    return Place(vector(middle), vector(side), (vector(corners.min(axis=0)), vector(corners.max(axis=0))), "faces")


def _drawn(case: _Case, handle: _Handle) -> dict[str, NDArray[np.float64] | NDArray[np.int64]]:
    """Section along the handle, what was measured in it, and the fingers of the hands."""
    held, behind, part = handle.held, _behind(handle), case.workpiece.part
    assert held is not None
    cut = handle_section(part.vertices, part.faces, held, behind.direction, case.value("reach"))
    wanted = {name: limit.value for name, _, limit in case.bounds(handle)}
    fingers = np.array([widest_finger_mm(hands) for hands in case.users.groups])
    return {
        "section": ring_points(cut) if cut.area else np.empty((0, 2)),
        "arrow": np.array([behind.at_mm, behind.face_mm, behind.clearance_mm]),
        "zone": np.array(behind.zone_mm),
        "wanted": np.array([wanted["behind"], wanted["along"]]),
        "opening": np.array([behind.opening_mm]),
        "fingers": np.repeat(fingers.max(), _FINGERS),
    }


def _without_grip(case: _Case) -> Finding:
    """Nothing that a hand closes round is declared."""
    use, part = case.workpiece.submission.use, case.workpiece.part
    entry = next((entry for entry in case.workpiece.submission.parts if entry.id == part.id), None)
    if entry is not None and entry.launched_by:
        why = f"It is shot by {entry.launched_by} and has no handle."
    elif use.mounting is Mounting.FIXED:
        why = "It is fastened in use and no grip of it is declared: there is no handle to judge."
    else:
        return _not_checked(
            case.workpiece,
            "no region of kind grip is declared.",
            "Declare what the hand closes round as a region of kind grip, or say in [use] that the part is fixed.",
        )
    return finding(case.workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, why, severity=Severity.FUNCTION)


def _not_checked(workpiece: Workpiece, reason: str, change: str) -> Finding:
    message = f"Room behind a handle was not checked: {reason}"
    return finding(
        workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION
    )  # fmt: skip
