"""ER-07: weight and balance of a part that one hand holds."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.hands import Declared, declared
from reviewkit.judging import WHOLE, Case, finding, mm_words, ring_points, too_open, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.handhold import Hold, clearance, hold, outline_plane, silhouette, thickness
from reviewkit.measure.mass import PrintedMass
from reviewkit.measure.rays import RayTree
from reviewkit.model import Band, Finding, Floats, Measurement, Place, Severity, Verdict
from reviewkit.submission import Mounting, Region, RegionKind
from reviewkit.workpiece import Workpiece

CODE = "ER-07"
DOMAIN = "ergonomics"

# Standard acceleration of free fall (CGPM 1901), m/s2.
_FREE_FALL = 9.80665
_LOADS = 4
_BY_LAYERS = "layers of the part with shell, skins and core fill as set"
_FROM_GRIP = "mass centre from the middle of the grip"
_BY_STRING = "string round the grip, median of its sections"


def balance(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether one hand can hold the part by its grip without tiring.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``balance.*`` and ``mass.*``.

    Returns
    -------
    list of Finding
        The whole part first; then the grip, when it does not meet.
    """
    case = _Case(workpiece, limits)
    if (why := _not_held(case)) is not None:
        return [why]
    try:
        case.users  # noqa: B018 (raises for an unknown group)
    except SubmissionError as error:
        return [_not_checked(workpiece, f"{error}.", "Correct the hands in [use].")]
    layers = workpiece.layers
    if not len(layers) or not layers.area_mm2.any():
        return [_not_checked(workpiece, "the mesh encloses no volume.", "Send a closed mesh of the part.")]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [_not_checked(workpiece, f"{reason}.", "Send a closed mesh of the part.")]
    if case.held is None:
        return [
            _not_checked(
                workpiece, f"the region {case.grip.name} holds no matter of the part.",
                "Draw it so that it holds what the hand closes round.",
            )
        ]  # fmt: skip
    whole = _judged(case, WHOLE)
    return [whole] if whole.verdict is Verdict.MEETS else [whole, _judged(case, case.grip.name)]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that ER-07 judges it by."""

    rows = "balance"

    @cached_property
    def grips(self) -> list[Region]:
        own = [region for region in self.workpiece.submission.regions if region.part == self.workpiece.part.id]
        return [region for region in own if region.kind is RegionKind.GRIP]

    @property
    def grip(self) -> Region:
        return self.grips[0]

    @cached_property
    def users(self) -> Declared:
        use = self.workpiece.submission.use
        return declared(use.hands, use.age_from_months)

    @cached_property
    def who(self) -> str:
        return "child" if any(hands.age_years is not None for hands in self.users.groups) else "adult"

    @cached_property
    def held(self) -> Hold | None:
        part = self.workpiece.part
        return self.workpiece.measured("hold", lambda: hold(part.vertices, part.faces, self.grip), self.grip)

    @property
    def hold(self) -> Hold:
        assert self.held is not None
        return self.held

    @cached_property
    def mass(self) -> PrintedMass:
        return self.workpiece.mass(self.limits)

    @cached_property
    def mass_centre(self) -> Floats:
        """In the part's frame (3,) [mm]."""
        found: Floats = self.workpiece.to_part(self.mass.centre_mm[None])[0]
        return found

    @cached_property
    def hangs(self) -> Floats | None:
        """Direction in which the part hangs under a closed handle, None for an open grip (3,) [-]."""
        part, held = self.workpiece.part, self.hold
        tree = self.workpiece.measured("rays in the part's frame", lambda: RayTree(part.vertices, part.faces))
        normals = np.asarray(part.mesh.face_normals)
        reach_mm, share, zone = (
            self.limits.value(f"clearance.{name}", self.workpiece.setup).value
            for name in ("reach", "behind_share", "zone_share")
        )
        found = self.workpiece.measured(
            "handle clearance",
            lambda: clearance(tree, normals, held, (), reach_mm=reach_mm, behind_share=share, zone_share=zone),
            self.grip, (), reach_mm, share, zone,
        )  # fmt: skip
        return None if found is None else found.direction

    @cached_property
    def arm_mm(self) -> float:
        """From the middle of the grip to the mass centre, of a part that hangs under its handle sideways [mm]."""
        arm = self.mass_centre - self.hold.centre_mm
        if self.hangs is not None:
            arm = arm - arm @ self.hangs * self.hangs
        return float(np.linalg.norm(arm))

    @cached_property
    def moment(self) -> tuple[float, float]:
        """Tilting moment and its half-width [N m]."""
        weight_newton = self.mass.mass_g / 1000 * _FREE_FALL
        moment = weight_newton * self.arm_mm / 1000
        off = weight_newton * self.value("place") / 1000
        return moment, self.value("spread") * moment + off

    @cached_property
    def thickness_mm(self) -> float:
        part = self.workpiece.part
        return self.workpiece.measured(
            "grip thickness", lambda: thickness(part.vertices, part.faces, self.hold), self.grip
        )

    @cached_property
    def handle_band(self) -> Band:
        """Least diameter of a handle for this load."""
        reached = [n for n in range(_LOADS) if self.mass.mass_g >= self.value(f"load_{n}")]
        return self.band(f"handle_{max(reached)}")

    @cached_property
    def verdicts(self) -> dict[str, Verdict]:
        near = self.band("offset").verdict(self.arm_mm, self.value("place")) is Verdict.MEETS
        turning = Verdict.MEETS if near else self.band(f"moment.{self.who}").verdict(*self.moment)
        return {
            "mass": self.band("mass").verdict(self.mass.mass_g, self.value("spread") * self.mass.mass_g),
            "moment": turning,
            "handle": self.handle_band.verdict(self.thickness_mm) if self.thickness_mm else Verdict.MEETS,
        }


def _not_held(case: _Case) -> Finding | None:
    """Why balance in one hand does not apply or cannot be judged; None where it can."""
    workpiece, use = case.workpiece, case.workpiece.submission.use
    entry = next((entry for entry in workpiece.submission.parts if entry.id == workpiece.part.id), None)
    if entry is not None and entry.launched_by:
        why = f"It is shot by {entry.launched_by}, not held: balance in the hand does not apply."
    elif use.mounting is Mounting.FIXED:
        why = "It is fastened in use, not held: weight and balance in the hand do not apply."
    elif len(case.grips) > 1:
        why = f"It has {len(case.grips)} grips and is held in two hands: balance in one hand does not apply."
    elif not case.grips:
        return _not_checked(
            workpiece, "no region of kind grip is declared.",
            "Declare what the hand closes round as a region of kind grip, or say in [use] that the part is fixed.",
        )  # fmt: skip
    else:
        return None
    return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, why, severity=Severity.FUNCTION)


def _judged(case: _Case, subject: str) -> Finding:
    verdict = worst_of(case.verdicts.values())
    mass, (moment, off) = case.mass, case.moment
    spread_g = case.value("spread") * mass.mass_g
    limits = [*case.band("mass").limits, *case.band("offset").limits, *case.band(f"moment.{case.who}").limits]
    measurements = [
        Measurement("mass as printed", mass.mass_g, "g", spread_g, _BY_LAYERS),
        Measurement("mass centre from the middle of the grip", case.arm_mm, "mm", case.value("place"), _BY_LAYERS),
        Measurement("of it along the grip", _along_mm(case), "mm", case.value("place"), _BY_LAYERS),
        Measurement("tilting moment", moment, "N m", off, _FROM_GRIP),
    ]
    if case.thickness_mm:
        measurements.append(Measurement("diameter of the grip by its girth", case.thickness_mm, "mm", 0.0, _BY_STRING))
        limits += case.handle_band.limits
    return finding(
        case.workpiece, CODE, DOMAIN, subject, verdict, _words(case), _change(case),
        severity=Severity.FUNCTION,
        measurements=tuple(measurements),
        limits=tuple(limits),
        where=(_place(case),) if verdict is not Verdict.MEETS else (),
        figures=("balance",),
        evidence=_drawn(case),
        guess=case.users.guess,
    )  # fmt: skip


def _along_mm(case: _Case) -> float:
    return abs(float((case.mass_centre - case.hold.centre_mm) @ case.hold.axis))


def _words(case: _Case) -> str:
    moment, limit = case.moment[0], case.band(f"moment.{case.who}").limits[0]
    near = case.band("offset").limits[0]
    told = (
        f"The part is about {case.mass.mass_g:.3g} g as printed, {case.mass.high_g:.3g} g if it were solid. Its mass "
        f"centre is {mm_words(case.arm_mm)} from the middle of {case.grip.name}"
    )
    if case.band("offset").verdict(case.arm_mm, case.value("place")) is Verdict.MEETS:
        told += f", near enough ({mm_words(near.value)}) that it lies in the hand."
    else:
        whom = "a child" if case.who == "child" else "an adult"
        told += f", which turns the wrist by {moment:.2g} N m; {limit.value:g} N m suit {whom}."
    if case.verdicts["mass"] is not Verdict.MEETS:
        told += f" One hand holds {case.band('mass').limits[0].value:g} g at most for long."
    if case.verdicts["handle"] is not Verdict.MEETS:
        least = case.handle_band.limits[0].value
        told += f" For that load the grip, {mm_words(case.thickness_mm)} thick, has to be {mm_words(least)} thick."
    return told + _without(case)


def _without(case: _Case) -> str:
    """What is not in the mass."""
    own = [item.name for item in case.workpiece.submission.hardware if item.part == case.workpiece.part.id]
    return f" Without {', '.join(own)}, whose mass is not stated." if own else ""


def _change(case: _Case) -> str:
    changes = []
    if case.verdicts["mass"] is not Verdict.MEETS:
        most = case.band("mass").limits[0].value / (1 + case.value("spread"))
        changes.append(f"Take {case.mass.mass_g - most:.3g} g off, or give it a second grip.")
    if case.verdicts["moment"] is not Verdict.MEETS:
        limit = case.band(f"moment.{case.who}").limits[0].value
        arm_mm = limit / (1 + case.value("spread")) / (case.mass.mass_g * _FREE_FALL) * 1e6 - case.value("place")
        aim_mm = max(arm_mm, case.band("offset").limits[0].value - case.value("place"))
        changes.append(
            f"Bring the middle of the grip within {mm_words(aim_mm)} of the mass centre, "
            f"{mm_words(case.arm_mm - aim_mm)} nearer than now, or take as much weight off the far end."
        )
    if case.verdicts["handle"] is not Verdict.MEETS:
        changes.append(f"Make the grip {mm_words(case.handle_band.limits[0].value)} thick or more.")
    return " ".join(changes)


def _place(case: _Case) -> Place:
    points = case.hold.points
    nearest = points[np.argmin(np.linalg.norm(points - case.hold.centre_mm, axis=1))]
    return Place(vector(nearest), None, (vector(points.min(axis=0)), vector(points.max(axis=0))), "faces")


def _drawn(case: _Case) -> dict[str, NDArray[np.float64] | NDArray[np.int64]]:
    """Outline of the part seen square to grip and lever, the grip, the mass centre, and what is allowed."""
    part, held = case.workpiece.part, case.hold
    x, y = outline_plane(held, case.mass_centre)
    plane = np.vstack([x, y])
    outline = case.workpiece.measured(
        "silhouette", lambda: ring_points(silhouette(part.vertices, part.faces, plane)), vector(x), vector(y)
    )
    moment = case.band(f"moment.{case.who}").limits[0].value
    return {
        "outline": outline,
        "grip": (held.centre_mm + np.outer([-0.5, 0.5], held.length_mm * held.axis)) @ plane.T,
        "centres": np.array([held.centre_mm, case.mass_centre]) @ plane.T,
        "allowed": np.array([moment / (case.mass.mass_g * _FREE_FALL) * 1e6]),
        "numbers": np.array([case.mass.mass_g, case.arm_mm, case.moment[0], moment]),
        "faces": np.unique(held.facet),
    }


def _not_checked(workpiece: Workpiece, reason: str, change: str) -> Finding:
    message = f"Weight and balance in the hand were not checked: {reason}"
    return finding(
        workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION
    )  # fmt: skip
