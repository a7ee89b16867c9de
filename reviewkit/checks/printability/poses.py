"""PR-02: whether the part lies as well as it could, and which ways to lie it has at all."""

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, finding, mm_words, not_checked, too_open
from reviewkit.limits import Limits
from reviewkit.measure.poses import BANDS, TERMS, RankedPoses, ranked_poses
from reviewkit.model import IDENTITY, Band, Finding, Limit, Measurement, Origin, Severity, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-02"
DOMAIN = "printability"

_AXIS_DEG = 5.0
_LEAST_SHOWN = 3
_REASONS_SHOWN = 2
_ROWS = ("pose.contact", "pose.tip_angle", "pose.slenderness", "pose.flexure_load", "pose.flexure_bend", "pose.gain")
# What each bound rules out, of one pose and of several; the most telling first.
_RULED_OUT = {
    "flexure load": ("pulls a marked flexure across its layers", "pull a marked flexure across its layers"),
    "height": ("is higher than the machine can build", "are higher than the machine can build"),
    "plate": ("does not fit the plate", "do not fit the plate"),
    "contact": ("touches the plate hardly at all", "touch the plate hardly at all"),
    "tipping": ("tips over too easily", "tip over too easily"),
    "slenderness": ("is too tall for what it stands on", "are too tall for what they stand on"),
}


def poses(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the pose under review against every other way to lay the part down.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``pose.*`` and ``plate.*``.

    Returns
    -------
    list of Finding
        One on the whole part, with the best poses and their numbers as evidence.
    """
    part = workpiece.part
    if len(part.faces) == 0 or not np.ptp(workpiece.vertices[:, :2], axis=0).max() > 0:
        return [not_checked(workpiece, CODE, DOMAIN, "The poses of the part were", "the mesh has no extent")]
    if not part.mesh.is_watertight:
        layers = workpiece.layers
        reason = too_open(workpiece, limits, layers.open_mm, layers.outline_mm)
        if reason:
            return [not_checked(workpiece, CODE, DOMAIN, "The poses of the part were", reason)]
    regions = [region for region in workpiece.submission.regions if region.part == part.id]
    ranked = workpiece.measured(
        "ranked poses",
        lambda: ranked_poses(part.vertices, part.faces, workpiece.setup, limits, regions, workpiece.setup.pose),
        tuple(regions),
        limits.sha256,
    )
    told = _Telling(workpiece, limits, ranked)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            told.verdict,
            " ".join(words for words in (told.found, told.only, told.beside, told.unsure) if words),
            told.change,
            severity=Severity.FUNCTION if told.verdict is Verdict.FAILS else Severity.COST,
            measurements=told.measurements,
            limits=told.limits,
            figures=("pose_sheet",),
            evidence=told.drawn,
        )
    ]


class _Telling:
    """The ranked poses of a workpiece, with the words for them."""

    def __init__(self, workpiece: Workpiece, limits: Limits, ranked: RankedPoses) -> None:
        self.workpiece = workpiece
        self.setup = workpiece.setup
        self.ranked = ranked
        self.bands: dict[str, Band] = {row: limits.band(row, self.setup) for row in _ROWS}
        self.listed = int(limits.value("pose.listed", self.setup).value)
        self.gain = float(ranked.scores[0] - ranked.scores[ranked.best])

    @cached_property
    def verdict(self) -> Verdict:
        """Fails where the part cannot lie so, marginal where it could lie much better."""
        if not self.ranked.possible[0]:
            return Verdict.FAILS
        return self.bands["pose.gain"].verdict(self.gain)

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The bounds on a pose and the gain that counts."""
        rows = [row for row in _ROWS if self.ranked.flexures or "flexure" not in row]
        return tuple(limit for row in rows for limit in self.bands[row].limits)

    @property
    def found(self) -> str:
        """How the part lies, and whether that is the best way."""
        ranked, best = self.ranked, self.ranked.best
        who = "as we chose it" if self.setup.pose_origin is Origin.ASSUMED else "as the submission says"
        start = f"The part lies {self._laid(0)}, {who}: {self._numbers(0)}."
        if ranked.possible[0] and self.verdict is Verdict.MEETS:
            return f"{start} Of the {len(ranked.order)} poses compared none is better by more than it takes to change."
        if ranked.possible[0]:
            return (
                f"{start} Laid {self._laid(best)} it needs {self._gains(best, 0)}. What speaks for that: "
                f"{self._reasons(best, 0)}."
            )
        why = self._misses(0)
        if ranked.possible.any():
            return f"{start} It cannot be printed so: {why}. Laid {self._laid(best)} it can: {self._numbers(best)}."
        standing = f"Nearest to possible is {self._laid(best)}, but {self._misses(best)}. " if best else ""
        return f"{start} No pose is possible: lying so, {why}. {standing}{self._ruled_out()}"

    @property
    def only(self) -> str:
        """That there is but one way to lie, and what rules out the others."""
        kinds = self.ranked.kinds
        if len(kinds) != 1:
            return ""
        alike = len(kinds[0]) - 1
        if alike == 0:
            return f"It is the only pose possible. {self._ruled_out()}" if self.ranked.possible[0] else ""
        like = "one just like it" if alike == 1 else f"{alike} just like it"
        return f"Only one way to lie is possible, this and {like}. {self._ruled_out()}"

    @property
    def beside(self) -> str:
        """The second best pose beside the best, and what decides between them."""
        ranked = self.ranked
        if len(ranked.kinds) < 2 or self.verdict is Verdict.FAILS:
            return ""
        first, second = int(ranked.kinds[0][0]), int(ranked.kinds[1][0])
        if self.verdict is Verdict.MEETS and first != 0 and not (ranked.kinds[0] == 0).any():
            return f"A little better still is {self._laid(first)}, by {self._reasons(first, 0)}."
        if second == 0:
            return ""
        reasons = self._reasons(first, second)
        return f"Second best is {self._laid(second)}: {self._numbers(second)}; the best has {reasons}."

    @property
    def unsure(self) -> str:
        """What the numbers rest on where that is shaky."""
        words = []
        if not self.workpiece.part.mesh.is_watertight:
            words.append("The mesh is not closed: mass centre and support volume are estimates.")
        if self.ranked.flexures_without:
            names = ", ".join(self.ranked.flexures_without)
            words.append(f"No matter was found in {names}: the direction of its load was not looked at.")
        return " ".join(words)

    @property
    def change(self) -> str:
        """What would settle it."""
        ranked, best = self.ranked, self.ranked.best
        if self.verdict is Verdict.MEETS:
            return ""
        if ranked.possible.any():
            return f"Lay the part {self._laid(best)}: {self._gains(best, 0)}."
        wants = self._wants(best)
        return f"Change the part so that, lying {self._laid(best)}, it {' and '.join(wants)}."

    def _wants(self, pose: int) -> list[str]:
        """What a pose would have to keep to be possible, each with its number."""
        ranked = self.ranked
        bound = {row: self.bands[row].limits[-1].value for row in _ROWS}
        foot_mm = ranked.height_mm[pose] / bound["pose.slenderness"]
        lean_mm = 2 * ranked.centre_height_mm[pose] * np.tan(np.radians(bound["pose.tip_angle"]))
        width_mm, depth_mm = self.setup.plate_mm
        wants = {
            "flexure load": f"pulls its flexures within {bound['pose.flexure_load']:g}° of the layers",
            "height": f"is at most {mm_words(self.setup.machine.height_mm)} high",
            "plate": f"is {mm_words(-2 * float(ranked.margin_mm[pose]))} shorter and lies within the plate of "
            f"{width_mm:g} x {depth_mm:g} mm",
            "contact": f"has {_area(bound['pose.contact'])} or more on the plate",
            "tipping": f"stands on a flat face at least {mm_words(float(lean_mm))} wide below its mass centre",
            "slenderness": f"stands on a face at least {mm_words(float(foot_mm))} wide",
        }
        failed = dict(zip(BANDS, ranked.failed[pose], strict=True))
        return [wants[band] for band in _RULED_OUT if failed[band]]

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """All that was measured of this pose, and of the best or second best beside it."""
        ranked = self.ranked
        others = [kind for kind in ranked.kinds if not (kind == 0).any()]
        beside = [int(others[0][0])] if others else []
        return (
            Measurement("poses compared", len(ranked.order), "count"),
            Measurement("poses possible", int(ranked.possible.sum()), "count"),
            Measurement("score of the pose, 0 is best", float(ranked.scores[0]), "-", 0.0, self._score_words),
            *self._measured(0, ""),
            *(measured for pose in beside for measured in self._measured(pose, f" laid {self._laid(pose)}")),
        )

    @property
    def _score_words(self) -> str:
        shares = ", ".join(f"{term} {weight:.2g}" for term, weight in zip(TERMS, self.ranked.weights, strict=True))
        return f"weighted over the poses compared: {shares}"

    def _measured(self, pose: int, which: str) -> tuple[Measurement, ...]:
        ranked = self.ranked
        support_mm3 = float(ranked.support_mm3[pose])
        flexed = (
            Measurement(f"load of the worst flexure to the layers{which}", float(ranked.load_deg[pose]), "deg", 1.0),
            Measurement(
                f"thickness of the worst flexure to the layers{which}", float(ranked.bend_deg[pose]), "deg", 1.0
            ),
        )
        return (
            Measurement(f"overhang area{which}", float(ranked.overhang_mm2[pose]), "mm2", 0.0, "facets beyond 45 deg"),
            Measurement(f"support volume{which}", support_mm3, "mm3", 0.02 * support_mm3, "columns by rays"),
            Measurement(f"area on the plate{which}", float(ranked.contact_mm2[pose]), "mm2"),
            Measurement(f"height{which}", float(ranked.height_mm[pose]), "mm"),
            Measurement(f"layers{which}", int(ranked.layers[pose]), "count"),
            Measurement(
                f"rough print time{which}",
                float(ranked.time_s[pose]),
                "s",
                0.0,
                "layers and volume; to compare poses only",
            ),
            Measurement(
                f"mean stair-step error{which}", float(ranked.cusp_mm[pose]), "mm", 0.0, "layer height x cosine"
            ),
            Measurement(f"tip angle{which}", float(ranked.tip_deg[pose]), "deg"),
            Measurement(f"height over width of the contact{which}", float(ranked.slenderness[pose]), "-"),
            Measurement(f"margin to the plate edge at the best angle{which}", float(ranked.margin_mm[pose]), "mm"),
            *(flexed if ranked.flexures else ()),
        )

    @cached_property
    def drawn(self) -> dict[str, NDArray[Any]]:
        """The best poses with their numbers, the one under review among them."""
        ranked = self.ranked
        rested = ranked.order[ranked.resting[ranked.order] & ~ranked.possible[ranked.order]]
        groups = [*ranked.kinds, *ranked.alike(rested)]
        if len(groups) < _LEAST_SHOWN:
            between = ranked.order[~ranked.resting[ranked.order] & ~ranked.possible[ranked.order]]
            groups += ranked.alike(between)[: _LEAST_SHOWN - len(groups)]
        own = next((group for group in groups if (group == 0).any()), np.array([0]))
        groups = [group for group in groups if group is not own]
        place = next((n for n, group in enumerate(groups) if ranked.scores[0] < ranked.scores[group[0]]), len(groups))
        if (own == ranked.best).any() or not ranked.possible.any():
            place = 0
        groups.insert(min(place, self.listed - 1), own)
        groups = groups[: self.listed]
        # Of several alike the one under review stands for them.
        shown = np.array([0 if group is own else int(group[0]) for group in groups])
        return {
            "rotations": ranked.rotations[shown],
            "names": np.array([self._laid(int(pose)) for pose in shown]),
            "reviewed": np.flatnonzero(shown == 0),
            "best": np.flatnonzero([bool(ranked.possible[g[0]]) and ranked.best in g for g in groups]),
            "alike": np.array([len(group) for group in groups]),
            "overhang_mm2": ranked.overhang_mm2[shown],
            "support_mm3": ranked.support_mm3[shown],
            "contact_mm2": ranked.contact_mm2[shown],
            "height_mm": ranked.height_mm[shown],
            "layers": ranked.layers[shown],
            "time_s": ranked.time_s[shown],
            "scores": ranked.scores[shown],
            "failed": np.array([", ".join(self._missed(int(pose))[:_REASONS_SHOWN]) for pose in shown]),
        }

    def _laid(self, pose: int) -> str:
        """Which side of the part as drawn is down."""
        rotation = self.ranked.rotations[pose]
        if self.ranked.matrix(pose) == IDENTITY:
            return "as drawn"
        down = -rotation[2]
        axis = int(np.abs(down).argmax())
        if abs(down[axis]) >= np.cos(np.radians(_AXIS_DEG)):
            return f"on its {'-' if down[axis] < 0 else '+'}{'xyz'[axis]} side"
        return f"tilted, the drawing's direction {_direction(down)} down"

    def _numbers(self, pose: int) -> str:
        ranked = self.ranked
        return (
            f"{_area(ranked.overhang_mm2[pose])} of overhang, {_volume(ranked.support_mm3[pose])} of support, "
            f"{_area(ranked.contact_mm2[pose])} on the plate, {mm_words(float(ranked.height_mm[pose]))} high in "
            f"{int(ranked.layers[pose])} layers"
        )

    def _gains(self, better: int, worse: int) -> str:
        """What changes from one pose to the other, each with both numbers."""
        ranked = self.ranked
        pairs = (
            ("of support", _volume, ranked.support_mm3),
            ("of overhang", _area, ranked.overhang_mm2),
            ("on the plate", _area, ranked.contact_mm2),
            ("of height", lambda value: mm_words(float(value)), ranked.height_mm),
        )
        return ", ".join(f"{say(of[better])} {what} in place of {say(of[worse])}" for what, say, of in pairs)

    def _reasons(self, better: int, worse: int) -> str:
        """The terms that decide between two poses, the weightiest first."""
        ranked = self.ranked
        values = {
            "overhang": ("less overhang", _area, ranked.overhang_mm2),
            "support": ("less support", _volume, ranked.support_mm3),
            "contact": ("more on the plate", _area, ranked.contact_mm2),
            "height": ("less height", lambda value: mm_words(float(value)), ranked.height_mm),
            "time": ("less print time", _hours, ranked.time_s),
            "step": ("finer stair steps", lambda value: f"{value:.2g} mm", ranked.cusp_mm),
            "strength": ("flexures better in the layers", lambda value: f"{value:.0f}°", ranked.load_deg),
            "doubt": ("fewer bounds kept only just", lambda value: f"{value:.0f}", ranked.marginal.sum(axis=1)),
        }
        weighed = (ranked.terms[worse] - ranked.terms[better]) * ranked.weights
        told = [TERMS[n] for n in np.argsort(-weighed, kind="stable")[:2] if weighed[n] > 0]
        words = []
        for term in told:
            what, say, of = values[term]
            words.append(f"{what} ({say(of[better])} against {say(of[worse])})")
        return " and ".join(words) or "a lower height or more on the plate, all else alike"

    def _missed(self, pose: int) -> list[str]:
        """What rules a pose out, the most telling first, as a person says it of one pose."""
        failed = dict(zip(BANDS, self.ranked.failed[pose], strict=True))
        return [words[0] for band, words in _RULED_OUT.items() if failed[band]]

    def _misses(self, pose: int) -> str:
        """What rules a pose out, each with its number."""
        ranked = self.ranked
        numbers = {
            "flexure load": f"{ranked.load_deg[pose]:.0f}° to the layers",
            "height": mm_words(float(ranked.height_mm[pose])),
            "plate": f"{mm_words(float(-ranked.margin_mm[pose]))} over the edge on each side",
            "contact": _area(ranked.contact_mm2[pose]),
            "tipping": f"at {ranked.tip_deg[pose]:.0f}°",
            "slenderness": f"{ranked.slenderness[pose]:.3g} times as high as the contact is wide",
        }
        failed = dict(zip(BANDS, ranked.failed[pose], strict=True))
        return ", ".join(f"it {words[0]} ({numbers[band]})" for band, words in _RULED_OUT.items() if failed[band])

    def _ruled_out(self) -> str:
        """How many of the other poses each bound rules out."""
        ranked = self.ranked
        other = ~ranked.possible
        other[0] = False
        rested, between = ranked.resting & other, ~ranked.resting & other
        sentences = []
        if rested.any():
            told = self._counted(rested, list(_RULED_OUT))
            start = f"Of the {int(rested.sum())} other faces that it can rest on, "
            one = f"The one other face that it can rest on {told.removeprefix('1 ')}."
            sentences.append(one if rested.sum() == 1 else f"{start}{told}.")
        elif ranked.resting.any():
            sentences.append("It rests on no other face.")
        if between.any():
            told = self._counted(between, ["tipping", *_RULED_OUT])
            sentences.append(f"Of {int(between.sum())} directions between, {told}.")
        return " ".join(sentences)

    def _counted(self, which: NDArray[np.bool_], bands: list[str]) -> str:
        """How many of some poses each bound rules out, each pose told once."""
        left, words = which.copy(), []
        for band in bands:
            out = left & self.ranked.failed[:, BANDS.index(band)]
            left &= ~out
            if out.any():
                count = "all" if out.sum() == which.sum() > 1 else str(int(out.sum()))
                words.append(f"{count} {_RULED_OUT[band][0 if out.sum() == 1 else 1]}")
        return ", ".join(words)


def _direction(direction: NDArray[np.float64]) -> str:
    return "(" + ", ".join(f"{value + 0.0:.2f}" for value in np.round(direction, 2)) + ")"


def _area(area_mm2: float) -> str:
    return f"{_rounded(float(area_mm2))} mm²"


def _volume(volume_mm3: float) -> str:
    if volume_mm3 >= 1e4:
        return f"{volume_mm3 / 1000:.3g} cm³"
    return f"{_rounded(float(volume_mm3))} mm³"


def _hours(time_s: float) -> str:
    return f"{time_s / 3600:.1f} h" if time_s >= 3600 else f"{time_s / 60:.0f} min"


def _rounded(value: float) -> str:
    """Three figures that count, without an exponent."""
    return f"{float(f'{value:.3g}'):.0f}" if value >= 100 else f"{float(f'{value:.2g}'):g}"
