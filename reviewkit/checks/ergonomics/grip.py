"""ER-01 to ER-03: whether a declared grip suits the declared hands by its girth and shape, its edges and its length.

A screen that ranks designs and says who is left out; no user trial, and comfort is not safety.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.hands import Declared, Hands, Share, declared
from reviewkit.judging import WHOLE, Case, finding, mm_words, percent_words, ring_points, too_open, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.grip import Edge, Grip, grip
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import Mounting, Region, RegionKind
from reviewkit.workpiece import Workpiece

DOMAIN = "ergonomics"
SECTION, EDGES, LENGTH = "ER-01", "ER-02", "ER-03"

_WHAT = {
    SECTION: "The girth and shape of a grip were",
    EDGES: "The edges of a grip were",
    LENGTH: "The length of a grip was",
}
_SCREEN = "a screen by geometry, no trial with users"
_BY_GIRTH = "convex hull of sections across the grip, median"
_BY_ROLLING = "radius of the square corner that loses as much when the section's hull is rolled off"
_BY_SECTIONS = "sections along the grip"
_POINTS = 161
_ROOM_MM = 2.0


def grip_section(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge girth, aspect and hollows of each declared grip against the task and the declared hands.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``grip.*``.

    Returns
    -------
    list of Finding
        One a grip region, or one on the whole part that says why there is none.
    """
    return _each(workpiece, limits, SECTION, _section)


def grip_edges(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the corner radii along each declared grip.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``grip.*``.

    Returns
    -------
    list of Finding
        One a grip region, or one on the whole part that says why there is none.
    """
    return _each(workpiece, limits, EDGES, _edges)


def grip_length(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the straight length of each declared grip against hand breadth, alone and together with the girth.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``grip.*``.

    Returns
    -------
    list of Finding
        One a grip region, or one on the whole part that says why there is none.
    """
    return _each(workpiece, limits, LENGTH, _length)


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """One grip and the hands that it is judged for."""

    rows = "grip"

    region: Region
    grip: Grip
    declared: Declared

    @property
    def task(self) -> str:
        """``precision`` where the region's note says so, else ``power``."""
        return "precision" if "precision" in self.region.note.lower() else "power"

    @cached_property
    def hands(self) -> tuple[Hands, ...]:
        """Groups that are judged; adults are men and women of equal weight."""
        return self.declared.groups

    @cached_property
    def told(self) -> tuple[Hands, ...]:
        """Groups that are told of: men and women apart."""
        kinds = [kind for hands in self.hands for kind in hands.kinds]
        return tuple({kind.name: kind for kind in kinds}.values())

    @property
    def thin(self) -> bool:
        """Whether the grip is thinner than a power grip is to be for some of the hands."""
        wanted = [self.scaled("power_least", hands).limits[0].value for hands in self.hands]
        return self.grip.diameter_mm < max(wanted, default=0.0)

    def guess(self, *, by_task: bool) -> str:
        """What nobody stated: whose hands, and the task where the judgement hangs on it."""
        unsaid = 'The task is not stated, taken as a power grip; write "precision" in the region\'s note otherwise.'
        stated = any(word in self.region.note.lower() for word in ("precision", "power"))
        return " ".join(filter(None, (self.declared.guess, unsaid if by_task and not stated else "")))

    @property
    def caution(self) -> str:
        """What the message adds where sizes are estimates."""
        return " Sizes of children's hands are an estimate here." if any(h.estimate for h in self.hands) else ""

    def scaled(self, name: str, hands: Hands) -> Band:
        """The bounds on the diameter for these hands: for children those of adults by hand length [mm]."""
        band = self.band(name)
        if not hands.estimate:
            return band
        factor = hands.mean_mm("hand_length") / self.value("reference_hand")
        words = f"for adults, by hand length for {hands.words}"
        meets, fails = (
            limit and replace(limit, value=limit.value * factor, stated=f"{limit.value:.4g} mm {words}")
            for limit in (band.meets, band.fails)
        )
        return Band(band.quantity, meets, fails)

    def girth_uncertainty_mm(self, hands: Hands) -> float:
        """Of the diameter against the bounds for these hands, whose mean may be off [mm]."""
        lengths = hands.of("hand_length")
        off = max(one.uncertainty_mm / one.mean_mm for one in lengths) if hands.estimate else 0.0
        return self.grip.uncertainty_mm + off * self.grip.diameter_mm

    def girth_verdict(self, hands: Hands) -> Verdict:
        bands = (self.scaled(f"{self.task}_{end}", hands) for end in ("least", "most"))
        return worst_of(band.verdict(self.grip.diameter_mm, self.girth_uncertainty_mm(hands)) for band in bands)

    @cached_property
    def suited_mm(self) -> tuple[float, float]:
        """Hand lengths whose target diameter is near enough to the grip's [mm]."""
        return self.suited_by(self.grip.diameter_mm)

    def suited_by(self, diameter_mm: float) -> tuple[float, float]:
        band, target = self.value("fit_band"), self.value("target")
        return diameter_mm / (target * (1 + band)), diameter_mm / (target * (1 - band))

    def suits(self, hands: Hands) -> Share:
        """Share of these hands that the girth suits."""
        return hands.share({"hand_length": self.suited_mm})

    @property
    def broadest_mm(self) -> float:
        """The broadest hand that the length holds [mm]."""
        return self.grip.length_mm - self.value("over_breadth")

    def holds(self, hands: Hands) -> Share:
        """Share of these hands that the length holds."""
        return hands.share({"hand_breadth": (-np.inf, self.broadest_mm)})

    def both(self, hands: Hands) -> Share:
        """Share of these hands that both suit."""
        return hands.share({"hand_length": self.suited_mm, "hand_breadth": (-np.inf, self.broadest_mm)})

    def share_verdict(self, share: Share) -> Verdict:
        """By whole percents, for the data tell no finer."""
        return self.band("fit").verdict(round(share.value, 2), round(share.uncertainty, 2) if self.uncertain else 0.0)

    @property
    def uncertain(self) -> bool:
        return any(hands.estimate for hands in self.hands)

    @property
    def middle(self) -> int:
        """The slice nearest to the middle of the usable length."""
        return int(np.argmin(np.abs(self.grip.at_mm - np.mean(self.grip.run_mm))))

    def judged(
        self,
        code: str,
        verdict: Verdict,
        message: str,
        change: str,
        measurements: Iterable[Measurement],
        limits: Iterable[Limit],
        where: tuple[Place, ...],
        figures: tuple[str, ...],
        evidence: dict[str, NDArray[np.generic]],
        *,
        by_task: bool,
    ) -> Finding:
        """The finding on this grip; change, place and doubt of the task only where something is wrong."""
        found = verdict is not Verdict.MEETS
        return finding(
            self.workpiece,
            code,
            DOMAIN,
            self.region.name,
            verdict,
            message,
            change if found else "",
            severity=Severity.FUNCTION,
            measurements=tuple(measurements),
            limits=tuple(dict.fromkeys(limits)),
            where=where if found else (),
            figures=figures,
            evidence=evidence,
            guess=self.guess(by_task=by_task and found),
        )


def _each(workpiece: Workpiece, limits: Limits, code: str, judge: Callable[[_Case], Finding]) -> list[Finding]:
    """A finding on each grip of the part, or why there is none."""
    submission = workpiece.submission
    grips = [region for region in submission.regions if region.kind is RegionKind.GRIP]
    own = [region for region in grips if region.part == workpiece.part.id]
    if own:
        return [_one(workpiece, limits, code, region, judge) for region in own]
    if submission.use.mounting is Mounting.FIXED:
        return [_of_none(workpiece, code, "The part is fastened in use and not held, so that no grip is asked for.")]
    if grips:
        elsewhere = f"The grip is declared on another part, {grips[0].part}; on this one none is asked for."
        return [_of_none(workpiece, code, elsewhere)]
    reason = "no region of the part is declared as a grip"
    change = 'Declare where the hand holds the part: a region of kind "grip" whose long side lies along the handle.'
    return [_unjudged(workpiece, code, WHOLE, reason, change)]


def _one(workpiece: Workpiece, limits: Limits, code: str, region: Region, judge: Callable[[_Case], Finding]) -> Finding:
    """The finding on one grip, or why it could not be judged."""
    measured = _measured(workpiece, limits, region)
    if measured is None:
        return _unjudged(
            workpiece,
            code,
            region.name,
            f"{region.name} holds no matter of the part",
            "Lay the region round the handle.",
        )
    if reason := too_open(workpiece, limits, measured.open_mm, measured.outline_mm):
        return _unjudged(workpiece, code, region.name, reason, "Send a closed mesh of the part in its true size.")
    try:
        use = workpiece.submission.use
        hands = declared(use.hands, use.age_from_months) if code != EDGES else Declared(())
    except SubmissionError as error:
        return _unjudged(workpiece, code, region.name, str(error), "Name the hands as the table of hands does.")
    case = _Case(workpiece, limits, region, measured, hands)
    most_deg = case.value("off_axis")
    if measured.off_axis_deg > most_deg:
        reason = f"the handle leans {measured.off_axis_deg:.0f}° from the long side of {region.name}"
        change = f"Declare it as a cylinder along the handle, within {most_deg:.0f}° of it."
        return _unjudged(workpiece, code, region.name, reason, change)
    return judge(case)


def _measured(workpiece: Workpiece, limits: Limits, region: Region) -> Grip | None:
    def value(name: str) -> float:
        return limits.value(f"grip.{name}", workpiece.setup).value

    corner = limits.band("grip.corner_power", workpiece.setup).limits[0].value
    asked = (*(value(name) for name in ("slice", "ends", "straight", "bridged", "facet_turn")), corner)
    return workpiece.measured(
        "grip",
        lambda: grip(
            workpiece.part.vertices,
            workpiece.part.faces,
            region,
            slice_mm=asked[0],
            ends_mm=asked[1],
            straight=asked[2],
            bridged_mm=asked[3],
            facet_turn_deg=asked[4],
            roll_mm=asked[5],
        ),
        region,
        *asked,
    )


def _section(case: _Case) -> Finding:
    """ER-01."""
    measured, task = case.grip, case.task
    diameter_mm = measured.diameter_mm
    short_mm, long_mm = measured.sections[case.middle].sides_mm
    aspect, grooves = round(measured.aspect, 2), measured.grooves_mm(case.value("groove_depth"))
    verdicts = {
        "girth": worst_of(case.girth_verdict(hands) for hands in case.hands),
        "aspect": case.band("aspect").verdict(aspect),
        "hollow": case.band("concavity").verdict(measured.concavity),
        "grooves": case.band("grooves").verdict(len(grooves)),
    }
    verdict = worst_of(verdicts.values())
    told = [
        f"The grip is {mm_words(np.pi * diameter_mm)} round, like a bar of {mm_words(diameter_mm)}, and "
        f"{mm_words(short_mm)} by {mm_words(long_mm)} in section.",
        _band_words(case),
    ]
    if task == "power":
        told.append(_suited_words(case))
    if verdicts["aspect"] is not Verdict.MEETS:
        told.append(f"It is {aspect:.2g} times as wide as thick, which its girth hides.")
    if verdicts["hollow"] is not Verdict.MEETS:
        told.append(f"Its section is hollow by {percent_words(measured.concavity)}, as by a groove along it.")
    if len(grooves):
        told.append(f"{len(grooves)} {'groove runs' if len(grooves) == 1 else 'grooves run'} round it, as for fingers.")
    if measured.taper > case.value("taper"):
        zones = ", ".join(f"{zone:.3g}" for zone in measured.zones_mm)
        told.append(f"It tapers: by quarters of its length it is like bars of {zones} mm.")
    if measured.joined.max() > case.value("joined"):
        joined = percent_words(float(measured.joined.max()))
        told.append(f"At one place {joined} of its girth goes over into the rest of the part.")
    if verdict is Verdict.MEETS:
        told.append(f"This is {_SCREEN}.")
    return case.judged(
        SECTION,
        verdict,
        " ".join(told) + case.caution,
        " ".join(_section_changes(case, verdicts)),
        _section_measured(case, len(grooves)),
        [
            *(
                limit
                for hands in case.hands
                for end in ("least", "most")
                for limit in case.scaled(f"{task}_{end}", hands).limits
            ),
            *(limit for name in ("aspect", "concavity", "grooves") for limit in case.band(name).limits),
            *(case.limits.value(f"grip.{name}", case.workpiece.setup) for name in ("target", "fit_band")),
        ],
        (_whole_place(case),),
        ("grip_sections", "grip_fit") if task == "power" else ("grip_sections",),
        {**_drawn_section(case), **_drawn_fit(case, "hand_length", case.suited_mm, case.suits), **_faces(case)},
        by_task=case.thin,
    )


def _band_words(case: _Case) -> str:
    """What each group wants of the diameter."""
    wanted: dict[str, list[str]] = {}
    for hands in case.hands:
        low, high = (case.scaled(f"{case.task}_{end}", hands).limits[0].value for end in ("least", "most"))
        wanted.setdefault(f"{low:.3g} to {high:.3g} mm", []).append(hands.words)
    return (
        f"A {case.task} grip is to be "
        + ", ".join(f"{band} for {_listed(words)}" for band, words in wanted.items())
        + "."
    )


def _suited_words(case: _Case) -> str:
    """How many hands the girth suits and how many can close round it."""
    suited = _listed(_share_words(case.suits(hands), hands) for hands in case.told)
    target, near = case.value("target"), case.value("fit_band")
    words = (
        f"It suits {suited}: those for whom the most comfortable diameter, {target:.3g} times the length of the hand, "
        f"is within {percent_words(near)} of it."
    )
    closing = [(hands, _closing(case, hands)) for hands in case.told]
    least, share = min(closing, key=lambda pair: pair[1].value)
    return f"{words} Thumb and fingers close round it for {_share_words(share, least)}."


def _closing(case: _Case, hands: Hands) -> Share:
    return hands.share({"grip_diameter": (case.grip.diameter_mm, np.inf)})


def _section_changes(case: _Case, verdicts: dict[str, Verdict]) -> list[str]:
    wanted = []
    best_mm = _target_mm(case)
    if verdicts["girth"] is not Verdict.MEETS:
        verb = "Round it to" if case.task == "power" else "Make it"
        wanted.append(f"{verb} the girth of a bar of {mm_words(best_mm)}, {mm_words(np.pi * best_mm)} round.")
    if verdicts["aspect"] is not Verdict.MEETS:
        girth_mm = best_mm if verdicts["girth"] is not Verdict.MEETS else case.grip.diameter_mm
        short_mm, long_mm = _oval_mm(girth_mm, case.value("aspect_target"))
        most = case.band("aspect").limits[0].value
        wanted.append(
            f"Make it at most {most:.2g} times as wide as thick; an oval of {mm_words(short_mm)} by "
            f"{mm_words(long_mm)} has {'that' if verdicts['girth'] is not Verdict.MEETS else 'the same'} girth and "
            "the best shape."
        )
    if verdicts["hollow"] is not Verdict.MEETS or verdicts["grooves"] is not Verdict.MEETS:
        wanted.append("Fill the grooves: they fit one size of hand and press on all others.")
    return wanted


def _target_mm(case: _Case) -> float:
    """A diameter for the middle of the declared hands, within the band of each where that can be [mm]."""
    bands = [
        [case.scaled(f"{case.task}_{end}", hands).limits[0].value for end in ("least", "most")] for hands in case.hands
    ]
    low, high = max(band[0] for band in bands), min(band[1] for band in bands)
    if case.task == "power":
        wanted = case.value("target") * float(np.mean([hands.mean_mm("hand_length") for hands in case.hands]))
    else:
        wanted = (low + high) / 2
    return float(np.clip(wanted, low, high)) if low <= high else (low + high) / 2


def _oval_mm(diameter_mm: float, aspect: float) -> tuple[float, float]:
    """Sides of the ellipse of that aspect with the girth of a round bar, by Ramanujan's formula [mm]."""
    h = ((aspect - 1) / (aspect + 1)) ** 2
    around = np.pi * (1 + aspect) / 2 * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    short_mm = float(np.pi * diameter_mm / around)
    return short_mm, aspect * short_mm


def _section_measured(case: _Case, grooves: int) -> Iterable[Measurement]:
    measured = case.grip
    yield Measurement("diameter by girth", measured.diameter_mm, "mm", measured.uncertainty_mm, _BY_GIRTH)
    yield Measurement("girth", np.pi * measured.diameter_mm, "mm", np.pi * measured.uncertainty_mm, _BY_GIRTH)
    by_area = float(np.median([section.area_diameter_mm for section in measured.sections]))
    yield Measurement("diameter by area", by_area, "mm", 0.0, "sections across the grip, holes filled, median")
    for name, value in (("least", measured.slice_diameter_mm.min()), ("greatest", measured.slice_diameter_mm.max())):
        yield Measurement(f"{name} diameter by girth", float(value), "mm", measured.uncertainty_mm, _BY_SECTIONS)
    yield Measurement("long side over short side", measured.aspect, "-", 0.0, "smallest rectangle round it, median")
    yield Measurement("hollow share of the section", measured.concavity, "-", 0.0, "area over that of the hull, median")
    yield Measurement("grooves round the grip", grooves, "count", 0.0, "dips of the diameter along the grip")
    if case.task != "power":
        return
    for hands in case.told:
        share, closing = case.suits(hands), _closing(case, hands)
        method = f"normal spread of hand length; {hands.source('hand_length')}"
        yield Measurement(f"{hands.words} whom the girth suits", share.value, "-", share.uncertainty, method)
        method = f"normal spread of the grip's inner diameter; {hands.source('grip_diameter')}"
        yield Measurement(f"{hands.words} who can close round it", closing.value, "-", closing.uncertainty, method)


def _edges(case: _Case) -> Finding:
    """ER-02."""
    measured, band = case.grip, case.band(f"corner_{case.task}")
    radius = np.round(measured.least_radius_mm, 1)
    least_mm, wanted_mm = float(radius.min()), band.limits[0].value
    verdict = band.verdict(least_mm)
    sharp = sorted(
        (edge for edge in measured.edges if np.round(edge.radius_mm.min(), 1) < wanted_mm),
        key=lambda e: _edge_rank(case, e),
    )
    rolled_mm = min(corners.rolled_mm for corners in measured.corners)
    if sharp:
        edge = sharp[0]
        point = edge.at[_worst_at(case, edge)]
        x, y, z = (round(float(value)) for value in point)
        length_mm = float(measured.at_mm[edge.slices[-1]] - measured.at_mm[edge.slices[0]])
        count = "One edge" if len(sharp) == 1 else f"{len(sharp)} edges"
        verb = "has" if len(sharp) == 1 else "have"
        like = "has none" if least_mm < 0.05 else f"is like a square corner of {mm_words(least_mm)}"
        message = (
            f"{count} along the grip {verb} a radius of less than {mm_words(wanted_mm)}. The sharpest {like}; it runs "
            f"over {mm_words(length_mm)} at the least, past x {x}, y {y}, z {z} mm."
        )
    elif verdict is not Verdict.MEETS:
        message = f"The grip is so thin that its edges can have no radius of more than {mm_words(rolled_mm)}."
    else:
        more = " or more" if least_mm >= rolled_mm - 0.05 else ""
        message = f"Between its ends every edge along the grip has a radius of {mm_words(least_mm)}{more}; {_SCREEN}."
    palm_mm = case.value("palm_corner")
    return case.judged(
        EDGES,
        verdict,
        message,
        f"Round the edges along the grip to {mm_words(wanted_mm)} or more, to {mm_words(palm_mm)} where the heel of "
        "the hand presses.",
        (
            Measurement("least corner radius", least_mm, "mm", 0.0, _BY_ROLLING),
            Measurement(
                "edges with less than what is wanted", len(sharp), "count", 0.0, "corners followed along the grip"
            ),
        ),
        (*band.limits, case.limits.value("grip.palm_corner", case.workpiece.setup)),
        tuple(_edge_place(case, edge) for edge in sharp) or (_whole_place(case),),
        ("grip_corners",),
        {**_drawn_section(case), **_drawn_corners(case, band), **_faces(case, sharp)},
        by_task=case.band("corner_precision").verdict(least_mm) is not verdict,
    )


def _edge_rank(case: _Case, edge: Edge) -> tuple[float, ...]:
    """The sharpest first, then the nearest to the middle, then the uppermost as drawn."""
    worst = _worst_at(case, edge)
    away = abs(int(edge.slices[worst]) - case.middle)
    x, y, z = edge.at[worst]
    return (float(np.round(edge.radius_mm[worst], 1)), away, -round(z, 3), -round(y, 3), -round(x, 3))


def _worst_at(case: _Case, edge: Edge) -> int:
    """Where along an edge it is sharpest, nearest to the middle of the grip."""
    away = np.abs(edge.slices - case.middle)
    return int(np.lexsort((away, np.round(edge.radius_mm, 1)))[0])


def _length(case: _Case) -> Finding:
    """ER-03."""
    measured, over_mm = case.grip, case.value("over_breadth")
    declared_mm = measured.span_mm[1] - measured.span_mm[0]
    words = (
        f"Of the grip's {mm_words(declared_mm)}, {mm_words(measured.length_mm)} are straight, the girth staying within "
        f"{percent_words(case.value('straight'))}."
    )
    method = f"sections; girth within {percent_words(case.value('straight'))} of its median"
    length = Measurement("straight length of the grip", measured.length_mm, "mm", 1 / 16, method)
    if case.task != "power":
        words += f" A precision grip is not held across the palm, so that no length is asked for; {_SCREEN}."
        return case.judged(LENGTH, Verdict.MEETS, words, "", (length,), (), (), (), {}, by_task=False)
    shares = {hands.name: (case.holds(hands), case.both(hands)) for hands in case.hands}
    by_length = worst_of(case.share_verdict(holds) for holds, _ in shares.values())
    verdict = worst_of([by_length, *(case.share_verdict(both) for _, both in shares.values())])
    held = _listed(_share_words(case.holds(hands), hands) for hands in case.told)
    both = _listed(_share_words(case.both(hands), hands) for hands in case.told)
    words += (
        f" A hand needs its breadth and {mm_words(over_mm)}: the length holds {held}. Girth and length together suit "
        f"{both}."
    )
    if verdict is Verdict.MEETS:
        words += f" This is {_SCREEN}."
    changes = []
    if by_length is not Verdict.MEETS:
        widest = max(case.hands, key=lambda hands: hands.percentile("hand_breadth", 95.0))
        needed = float(np.ceil(widest.percentile("hand_breadth", 95.0) + over_mm))
        changes.append(f"Make the straight part {mm_words(needed)} long, which holds 95 % of {widest.words}.")
    if any(case.share_verdict(case.suits(hands)) is not Verdict.MEETS for hands in case.hands):
        best_mm = _best_mm(case)
        changes.append(f"The girth that suits most of these hands is that of a bar of {mm_words(best_mm)}.")
    measurements = [length]
    for hands in case.told:
        for share, what, sources in (
            (case.holds(hands), "held by the length", ("hand_breadth",)),
            (case.both(hands), "suited by girth and length", ("hand_length", "hand_breadth")),
        ):
            spread = "normal spread" if len(sources) == 1 else "normal spread of both with their correlation"
            cited = "; ".join(dict.fromkeys(hands.source(name) for name in sources))
            quantity = f"{hands.words} {what}"
            measurements.append(Measurement(quantity, share.value, "-", share.uncertainty, f"{spread}; {cited}"))
    return case.judged(
        LENGTH,
        verdict,
        words + case.caution,
        " ".join(changes),
        measurements,
        (
            *case.band("fit").limits,
            *(
                case.limits.value(f"grip.{name}", case.workpiece.setup)
                for name in ("over_breadth", "target", "fit_band")
            ),
        ),
        (_whole_place(case),),
        ("grip_length", "grip_fit"),
        {
            **_drawn_along(case),
            **_drawn_fit(case, "hand_breadth", (0.0, case.broadest_mm), case.holds),
            **_faces(case),
        },
        by_task=case.thin,
    )


def _best_mm(case: _Case) -> float:
    """The diameter that suits the largest share of the least suited group, to half a mm [mm]."""
    lengths = [hands.mean_mm("hand_length") for hands in case.hands]
    low, high = (round(2 * case.value("target") * end) / 2 for end in (min(lengths), max(lengths)))
    tried = np.arange(low - 2.0, high + 2.5, 0.5)
    worst = [
        min(hands.share_within("hand_length", *case.suited_by(diameter)) for hands in case.hands) for diameter in tried
    ]
    return float(tried[int(np.argmax(worst))])


def _of_none(workpiece: Workpiece, code: str, message: str) -> Finding:
    return finding(workpiece, code, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.FUNCTION)


def _unjudged(workpiece: Workpiece, code: str, subject: str, reason: str, change: str) -> Finding:
    return finding(
        workpiece,
        code,
        DOMAIN,
        subject,
        Verdict.NOT_CHECKED,
        f"{_WHAT[code]} not checked: {reason}.",
        change,
        severity=Severity.FUNCTION,
    )


def _whole_place(case: _Case) -> Place:
    """The grip as a place: the middle of its middle slice, in the box of its straight part."""
    measured = case.grip
    box = _box(case, [case.middle, *range(len(measured.at_mm))])
    middle = measured.in_part(measured.sections[case.middle].hull, measured.at_mm[case.middle])
    return Place(vector(np.round(middle.mean(axis=0), 6) + 0.0), box_mm=(vector(box[0]), vector(box[1])), faces="faces")


def _box(case: _Case, slices: list[int]) -> Floats:
    """Box of the part's frame round some slices [mm]."""
    points = np.vstack([case.grip.in_part(case.grip.sections[k].hull, case.grip.at_mm[k]) for k in slices])
    return np.array([points.min(axis=0), points.max(axis=0)])


def _edge_place(case: _Case, edge: Edge) -> Place:
    """An edge where it is sharpest, its outward direction, and the box along its sharp stretch."""
    worst = _worst_at(case, edge)
    number = int(edge.slices[worst])
    hull = case.grip.in_part(case.grip.sections[number].hull, case.grip.at_mm[number])
    outward = edge.at[worst] - (hull.min(axis=0) + hull.max(axis=0)) / 2
    low, high = edge.at.min(axis=0) - _ROOM_MM, edge.at.max(axis=0) + _ROOM_MM
    return Place(
        vector(edge.at[worst]), vector(outward / np.linalg.norm(outward)), (vector(low), vector(high)), faces="faces"
    )


def _faces(case: _Case, edges: list[Edge] | None = None) -> dict[str, NDArray[np.generic]]:
    """Facets that reach into the box of the grip, or into those of its edges."""
    part = case.workpiece.part
    corners = part.vertices[part.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    if edges:
        boxes = [(edge.at.min(axis=0) - _ROOM_MM, edge.at.max(axis=0) + _ROOM_MM) for edge in edges]
    else:
        box = _box(case, list(range(len(case.grip.at_mm))))
        boxes = [(box[0], box[1])]
    near = [(high >= start).all(axis=1) & (low <= end).all(axis=1) for start, end in boxes]
    return {"faces": np.flatnonzero(np.any(near, axis=0))}


def _drawn_section(case: _Case) -> dict[str, NDArray[np.generic]]:
    """The middle section with its hull, the hulls at both ends, and the diameter along the grip."""
    section = case.grip.sections[case.middle]
    corners = case.grip.corners[case.middle]
    return {
        "hull": section.hull,
        "end_hulls": _rings([case.grip.sections[0].hull, case.grip.sections[-1].hull]),
        "middle": ring_points(case.grip.outlines[case.middle]),
        "corner_at": corners.at,
        "corner_mm": corners.radius_mm,
        **_drawn_along(case),
    }


def _rings(hulls: list[Floats]) -> Floats:
    """Closed rings with a row of nan behind each (n, 2) [mm]."""
    return np.vstack([np.vstack([hull, hull[:1], [[np.nan, np.nan]]]) for hull in hulls])


def _drawn_along(case: _Case) -> dict[str, NDArray[np.generic]]:
    start = case.grip.span_mm[0]
    return {
        "along_mm": case.grip.fine_at_mm - start,
        "diameter_mm": case.grip.fine_diameter_mm,
        "run_mm": np.array(case.grip.run_mm) - start,
        "median_mm": np.array([case.grip.diameter_mm, case.value("straight")]),
    }


def _drawn_corners(case: _Case, band: Band) -> dict[str, NDArray[np.generic]]:
    start = case.grip.span_mm[0]
    return {
        "slice_mm": case.grip.at_mm - start,
        "radius_mm": case.grip.least_radius_mm,
        "wanted_mm": np.array([limit.value for limit in band.limits]),
        "rolled_mm": np.array([corners.rolled_mm for corners in case.grip.corners]),
    }


def _drawn_fit(
    case: _Case, dimension: str, suited: tuple[float, float], share: Callable[[Hands], Share]
) -> dict[str, NDArray[np.generic]]:
    """How the declared hands are spread, and which of them the grip suits."""
    ends = [hands.percentile(dimension, percent) for hands in case.told for percent in (0.1, 99.9)]
    sizes = np.linspace(min(ends), max(ends), _POINTS)
    return {
        "size_mm": sizes,
        "density": np.array([hands.density(dimension, sizes) for hands in case.told]),
        "suited_mm": np.array(suited),
        "share": np.array([share(hands).value for hands in case.told]),
        "groups": np.array([hands.words for hands in case.told]),
        "dimension": np.array([dimension.replace("_", " ")]),
    }


def _share_words(share: Share, hands: Hands) -> str:
    """A share of people in words, with what its uncertain means leave open."""
    if share.uncertainty >= 0.05:
        low, high = (round(100 * end) for end in (share.low, share.high))
        return f"{round(100 * share.value)} % (it may be {low} to {high} %) of {hands.words}"
    if 0.005 <= share.value < 0.995:
        return f"{percent_words(share.value)} of {hands.words}"
    return f"{'nearly all' if share.value > 0.5 else 'hardly any'} {hands.words}"


def _listed(words: Iterable[str]) -> str:
    """Words as a list in a sentence."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
