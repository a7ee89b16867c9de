"""PR-01: whether the part fits the plate, how it must be turned for it, and how much larger it could be made."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from reviewkit.judging import WHOLE, finding, vector
from reviewkit.limits import Limits
from reviewkit.measure import plate, pose
from reviewkit.model import (
    Band,
    Finding,
    Floats,
    Measurement,
    Origin,
    Place,
    Setup,
    Severity,
    Source,
    Status,
    Verdict,
)
from reviewkit.workpiece import Workpiece

CODE = "PR-01"
DOMAIN = "printability"

_EXACT = "convex hull of the footprint at every in-plane angle, in closed form"
_AXIS_DEG = 5.0
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)


def plate_fit(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge how the part fits the plate and the height of the machine in its pose.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``plate.*`` and ``pose.*``.

    Returns
    -------
    list of Finding
        One, with the plate and the footprint as evidence.
    """
    if len(workpiece.vertices) == 0 or not np.ptp(workpiece.vertices[:, :2], axis=0).max() > 0:
        return [
            finding(
                workpiece,
                CODE,
                DOMAIN,
                WHOLE,
                Verdict.NOT_CHECKED,
                "Whether the part fits the plate was not checked: the mesh has no extent.",
                "Send a closed mesh of the part in its true size.",
            )
        ]
    fitting = _Fitting(workpiece, limits)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            fitting.verdict,
            " ".join(words for words in (fitting.found, fitting.larger, fitting.otherwise, fitting.unsure) if words),
            "" if fitting.verdict is Verdict.MEETS else fitting.change,
            severity=Severity.FUNCTION if fitting.verdict is Verdict.FAILS else Severity.YIELD,
            measurements=fitting.measurements,
            limits=tuple(limit for band, _ in fitting.judged for limit in band.limits),
            where=() if fitting.verdict is Verdict.MEETS else fitting.ends,
            figures=("plate_fit",),
            evidence=fitting.drawn,
        )
    ]


@dataclass(frozen=True)
class _OtherPose:
    """Another way of laying the part down, and how it then fits."""

    candidate: pose.PoseCandidate
    fit: plate.PlateFit
    scale: float


class _Fitting:
    """A part on its plate, with the words for it."""

    def __init__(self, workpiece: Workpiece, limits: Limits) -> None:
        self.workpiece = workpiece
        self.limits = limits
        self.setup = workpiece.setup
        self.margin_band = _margin_band(limits, self.setup)
        self.keep_mm = self.margin_band.limits[0].value
        self.fit = self._fit(workpiece.vertices)
        self.headroom_mm = self.setup.machine.height_mm - workpiece.height_mm

    def _fit(self, vertices: Floats) -> plate.PlateFit:
        return plate.plate_fit(vertices[:, :2], self.setup.plate_mm, self.keep_mm)

    @cached_property
    def chosen(self) -> plate.Placement:
        """The least trouble that leaves the margin: as sent, square, else wherever there is most room."""
        for placement in (self.fit.unturned, self.fit.squared):
            if self.margin_band.limits[0].met_by(placement.margin_mm):
                return placement
        return self.fit.roomiest

    @cached_property
    def judged(self) -> tuple[tuple[Band, Measurement], ...]:
        """What is judged, each with its bounds; out of square only where the margin can be kept."""
        margin = Measurement("margin to the plate edge", self.chosen.margin_mm, "mm", 0.0, _EXACT)
        turned = Measurement("turn out of square needed", self.fit.turn_deg, "deg", 0.0, _EXACT)
        headroom = Measurement("height left above the part", self.headroom_mm, "mm", 0.0, "height of the posed mesh")
        band = self.limits.band
        return (
            (self.margin_band, margin),
            *([(band("plate.turned", self.setup), turned)] if np.isfinite(self.fit.turn_deg) else []),
            (band("plate.headroom", self.setup), headroom),
        )

    @cached_property
    def verdict(self) -> Verdict:
        """The worst of what is judged."""
        verdicts = [band.verdict(measured.value) for band, measured in self.judged]
        return min(verdicts, key=_WORST_FIRST.index)

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """What is judged and what a designer may ask next."""
        fit = self.fit
        return (
            *(measured for _, measured in self.judged),
            Measurement("turn on the plate", self.chosen.angle_deg, "deg", 0.0, _EXACT),
            Measurement("size on the plate along x as it lies", fit.unturned.size_mm[0], "mm", 0.0, _EXACT),
            Measurement("size on the plate along y as it lies", fit.unturned.size_mm[1], "mm", 0.0, _EXACT),
            Measurement("margin to the plate edge as it lies", fit.unturned.margin_mm, "mm", 0.0, _EXACT),
            Measurement("largest margin to the plate edge at any turn", fit.roomiest.margin_mm, "mm", 0.0, _EXACT),
            Measurement("largest scale that fits", self._scale(fit.largest), "-", 0.0, _EXACT),
            Measurement("turn for the largest scale", fit.largest.angle_deg, "deg", 0.0, _EXACT),
            Measurement("largest scale that fits as it lies", self._scale(fit.unturned), "-", 0.0, _EXACT),
        )

    @property
    def found(self) -> str:
        """How it fits."""
        width_mm, depth_mm = self.fit.unturned.size_mm
        size = (
            f"The part is {_mm(width_mm)} x {_mm(depth_mm)} mm on the plate and {_mm(self.workpiece.height_mm)} mm high"
        )
        if self.headroom_mm < 0:
            size += f", which is {_mm(-self.headroom_mm)} mm higher than the machine can build"
        on_plate = "x".join(f" {_mm(side)} " for side in self.setup.plate_mm).strip()
        left = f"{_mm(self.chosen.margin_mm)} mm left to the nearest plate edge"
        square = self.fit.squared
        if not self.fit.fits:
            return f"{size}. It does not fit the {on_plate} mm plate at any angle: {self._overhanging}."
        if not np.isfinite(self.fit.turn_deg):
            return (
                f"{size}. It fits the {on_plate} mm plate {_turned(self.chosen)}, but with {left} where "
                f"{_mm(self.keep_mm)} mm are wanted."
            )
        if self._askew:
            return (
                f"{size}. It fits the {on_plate} mm plate only out of square, {_turned(self.chosen)}, with {left}. "
                f"Square to it, it is {_mm(max(square.size_mm))} mm long; {_mm(self._room_mm(square))} mm are free."
            )
        return f"{size}. It fits the {on_plate} mm plate {_turned(self.chosen)}, with {left}."

    @property
    def larger(self) -> str:
        """How much larger, or smaller, it can be made."""
        best, unturned = self.fit.largest, self.fit.unturned
        scale = self._scale(best)
        kept = f"with {_mm(self.keep_mm)} mm kept free at the edge"
        if scale < 1:
            how = "It would fit" if self.verdict is Verdict.FAILS else "It can be made"
            return f"{how} at {_percent(scale)} of its size, {_turned(best)}, {kept}."
        if _down(scale) == _down(self._scale(unturned)):
            best, scale = unturned, self._scale(unturned)
        words = f"On this machine it could be made {_times(scale)} as large, {_turned(best)}, {kept}"
        if best is not unturned:
            words += f"; as it lies, {_times(self._scale(unturned))}"
        if self._height_scale <= scale:
            words += f" (the height of {_mm(self.setup.machine.height_mm)} mm ends it)"
        return f"{words}."

    @property
    def otherwise(self) -> str:
        """Whether another lying pose does better, told only where this one is not well."""
        if self.verdict is Verdict.MEETS:
            return ""
        if self.other is None:
            return "It rests by itself in no other pose." if self.verdict is Verdict.FAILS else ""
        laid, fit, candidate = self._laid_words, self.other.fit, self.other.candidate
        high = f"{_mm(candidate.height_mm)} mm high, with {candidate.overhang_mm2:.0f} mm² of overhang"
        if self._well(self.other):
            placement = fit.unturned if fit.unturned.margin_mm >= self.keep_mm else fit.squared
            return f"Laid {laid} it fits, {_mm(placement.margin_mm)} mm from the plate edge and {high}."
        if self.verdict is Verdict.MARGINAL:
            return ""
        if self._inside(self.other):
            best = fit.roomiest
            return f"Laid {laid}, {_turned(best)}, it fits {_mm(best.margin_mm)} mm from the plate edge, {high}."
        return f"Laid otherwise it does not fit either; best is {laid}, at {_percent(self.other.scale)} of its size."

    @property
    def unsure(self) -> str:
        """The warning that the size itself was inferred."""
        if self.workpiece.part.units_origin is not Origin.ASSUMED:
            return ""
        return "All of this rests on the unit of length, which nobody stated and we inferred: confirm it first."

    @property
    def change(self) -> str:
        """What would settle it."""
        square, scale = self.fit.squared, self._scale(self.fit.largest)
        if self.verdict is Verdict.FAILS:
            words = f"make it at {_percent(scale)} of its size or smaller, split it, or build it on a larger machine."
        elif not np.isfinite(self.fit.turn_deg):
            words = (
                f"make it at {_percent(scale)} of its size or smaller, {_turned(self.fit.largest)}, so that "
                f"{_mm(self.keep_mm)} mm stay free at the plate edge."
            )
        else:
            over = [size_mm - self._usable_mm(axis) for axis, size_mm in enumerate(square.size_mm)]
            shorter = f"shorten it by {_mm_up(max(over))} mm or " if min(over) <= 0 else ""
            words = (
                f"{shorter}make it at {_percent(square.scale)} of its size so that it lies square, or accept one part "
                f"a plate, {_turned(self.chosen)}."
            )
        if self.other is not None and (self._well(self.other) or self._rescued):
            words = f"lay it {self._laid_words}, or {words}"
        return words[0].upper() + words[1:]

    @cached_property
    def other(self) -> _OtherPose | None:
        """The best other pose: of those that fit well the one with least overhang, else what comes nearest."""
        overhang, share, tie = (
            self.limits.value(f"pose.{name}", self.setup).value for name in ("overhang", "facet_share", "tie")
        )
        candidates = pose.pose_candidates(
            self.workpiece.vertices,
            self.workpiece.faces,
            overhang_deg=overhang,
            layer_height_mm=self.setup.layer_height_mm,
            least_share=share,
        )
        others = [self._posed(candidate) for candidate in candidates if candidate.stable and not _as_it_lies(candidate)]
        for enough in (self._well, self._inside):
            able = [other for other in others if enough(other)]
            if able:
                best = pose.best_pose([other.candidate for other in able], tie)
                return next(other for other in able if other.candidate is best)
        return max(others, key=lambda other: other.scale, default=None)

    @property
    def ends(self) -> tuple[Place, ...]:
        """The two ends that are too near to the plate edge or beyond it, and the top where it is too high."""
        vertices = self.workpiece.vertices
        axis = self.chosen.axis
        along = self.chosen.place(vertices[:, :2])[:, axis]
        angle = np.radians(self.chosen.angle_deg)
        outward = np.array([[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0]])[axis]
        (band, margin), *_ = self.judged
        on_plate_well = band.verdict(margin.value) is Verdict.MEETS and not self._askew
        places = [self._place(vertices, sign * along, sign * outward) for sign in (1, -1) if not on_plate_well]
        if self.headroom_mm < 0:
            places.append(self._place(vertices, vertices[:, 2], np.array([0.0, 0.0, 1.0])))
        return tuple(places)

    @property
    def drawn(self) -> dict[str, Floats]:
        """Everything the figure shows, rings closed, in plate coordinates from the plate's corner."""
        fit = self.fit
        best = fit.largest if self.chosen is fit.unturned and self.verdict is Verdict.MEETS else self.chosen
        (a, b), keep_mm = self.setup.plate_mm, self.keep_mm
        middle = np.array([a, b]) / 2
        lines = plate.top_view_lines(self.workpiece.vertices, self.workpiece.faces)
        return {
            "plate": _ring(_rectangle(0.0, 0.0, a, b)),
            "margin": _ring(_rectangle(keep_mm, keep_mm, a - keep_mm, b - keep_mm)),
            "unturned": _ring(fit.unturned.place(fit.hull_mm)),
            "best": _ring(best.place(fit.hull_mm)),
            "best_deg": np.array([best.angle_deg]),
            "unturned_lines": _parted(fit.unturned.place(lines)),
            "best_lines": _parted(best.place(lines)),
            "largest": _ring(middle + self._scale(fit.largest) * (fit.largest.place(fit.hull_mm) - middle)),
            "largest_deg": np.array([fit.largest.angle_deg]),
            "largest_scale": np.array([self._scale(fit.largest)]),
        }

    @property
    def _askew(self) -> bool:
        return bool(np.isfinite(self.fit.turn_deg)) and self.fit.turn_deg > 0

    @property
    def _height_scale(self) -> float:
        return self.setup.machine.height_mm / self.workpiece.height_mm if self.workpiece.height_mm > 0 else np.inf

    def _scale(self, placement: plate.Placement) -> float:
        """Largest scale at a placement, the height of the machine kept too."""
        return min(placement.scale, self._height_scale)

    def _usable_mm(self, axis: int) -> float:
        return self.setup.plate_mm[axis] - 2 * self.keep_mm

    def _room_mm(self, placement: plate.Placement) -> float:
        return self._usable_mm(int(np.argmax(placement.size_mm)))

    @property
    def _overhanging(self) -> str:
        """How far it hangs over where it comes nearest to fitting."""
        size_mm, plate_mm = self.fit.roomiest.size_mm, self.setup.plate_mm
        over = [(axis, size - side) for axis, size, side in zip("xy", size_mm, plate_mm, strict=True) if size > side]
        words = " and ".join(f"{_mm(length)} mm along {axis}" for axis, length in over)
        return f"{_turned(self.fit.roomiest)}, where it comes nearest, it is still too long by {words}"

    def _posed(self, candidate: pose.PoseCandidate) -> _OtherPose:
        fit = self._fit(self.workpiece.vertices @ np.array(candidate.rotation).T)
        scale = min(fit.largest.scale, self.setup.machine.height_mm / candidate.height_mm)
        return _OtherPose(candidate, fit, scale)

    def _well(self, other: _OtherPose) -> bool:
        """Whether another pose fits square, edge margin and height kept."""
        return other.fit.turn_deg == 0 and self._low_enough(other)

    def _inside(self, other: _OtherPose) -> bool:
        return other.fit.fits and self._low_enough(other)

    @property
    def _rescued(self) -> bool:
        """Whether the part fails as it lies and another pose at least fits."""
        return self.verdict is Verdict.FAILS and self.other is not None and self._inside(self.other)

    def _low_enough(self, other: _OtherPose) -> bool:
        return other.candidate.height_mm <= self.setup.machine.height_mm

    @property
    def _laid_words(self) -> str:
        """Which side of the part as sent the other pose lies on."""
        assert self.other is not None
        down = self.setup.rotation.T @ np.array(self.other.candidate.rotation).T @ np.array([0.0, 0.0, -1.0])
        axis = int(np.abs(down).argmax())
        if abs(down[axis]) < np.cos(np.radians(_AXIS_DEG)):
            return "on a sloping side"
        return f"on its {'-' if down[axis] < 0 else '+'}{'xyz'[axis]} side"

    def _place(self, vertices: Floats, along: Floats, outward: Floats) -> Place:
        """The lowest of the farthest points, in the part's frame."""
        far = np.flatnonzero(along >= along.max() - 1e-6)
        vertex = vertices[far[vertices[far, 2].argmin()]]
        return Place(vector(self.workpiece.to_part(vertex[None])[0]), vector(self.setup.rotation.T @ outward))


def _margin_band(limits: Limits, setup: Setup) -> Band:
    """The bounds on the edge margin, the machine's own where that is wider."""
    band, machine = limits.band("plate.margin", setup), setup.machine
    if band.meets is None or machine.edge_margin_mm <= band.meets.value:
        return band
    source = Source(f"{machine.name}: {machine.source}", Status.PRACTICE)
    meets = replace(band.meets, value=machine.edge_margin_mm, stated=f"edge margin of {machine.name}", source=source)
    return replace(band, meets=meets)


def _as_it_lies(candidate: pose.PoseCandidate) -> bool:
    """Whether a pose has the side down that is down now."""
    return candidate.rotation[2][2] >= float(np.cos(np.radians(_AXIS_DEG)))


def _rectangle(left: float, front: float, right: float, back: float) -> Floats:
    return np.array([[left, front], [right, front], [right, back], [left, back]])


def _ring(corners: Floats) -> Floats:
    return np.vstack([corners, corners[:1]])


def _parted(lines: Floats) -> Floats:
    """Lines as one list of points with a row of nan after each."""
    gaps = np.full((len(lines), 1, 2), np.nan)
    return np.concatenate([lines, gaps], axis=1).reshape(-1, 2)


def _turned(placement: plate.Placement) -> str:
    angle_deg = placement.angle_deg
    if angle_deg == 0:
        return "as it lies"
    way = "" if angle_deg in (45, 90) else " counter-clockwise" if angle_deg > 0 else " clockwise"
    return f"turned {_mm(abs(angle_deg))} degrees{way}"


def _mm(value: float) -> str:
    """A length or an angle to a tenth."""
    return f"{value:.1f}".removesuffix(".0")


def _mm_up(value: float) -> str:
    """A length to shorten by, rounded so that it is enough."""
    return _mm(np.ceil(10 * value - 1e-6) / 10)


def _down(scale: float) -> float:
    """A scale to two places, rounded so that it still fits."""
    return float(np.floor(100 * scale + 1e-6) / 100)


def _times(scale: float) -> str:
    return f"{_down(scale):.2f} times" if scale < 10 else f"{np.floor(scale):.0f} times"


def _percent(scale: float) -> str:
    return f"{100 * _down(scale):.0f} %"
