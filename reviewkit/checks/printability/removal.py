"""PR-08: whether a part leaves the plate without a hand, pushed off by a blade that sweeps over it.

Every bound here is common practice of the trade: a factory replaces it by what its own blade,
plate and material do.  How hard a part holds is machine data and is not judged.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.judging import Case, finding, mm_words, not_checked, percent_words, plate_places, ring_points, too_open
from reviewkit.limits import Limits
from reviewkit.measure.pose import mass_centre
from reviewkit.measure.removal import Loose, Sweep, left_behind, loose_pieces, sweeps
from reviewkit.model import Band, Finding, Floats, Measurement, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-08"
DOMAIN = "printability"

_FIRST = "section of the mesh at half the height of the first layer"
_PLAN = "outline of the layers that the blade reaches, from the direction that suits best"
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)


def removal(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge how the part can be pushed off the plate.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``removal.*``.

    Returns
    -------
    list of Finding
        One a measure: pieces, contact area, push height, leading edge, pockets, tabs, toppling;
        all but the first two from the sweep direction that suits the part best.
    """
    layers = workpiece.layers
    if not len(layers) or not layers.area_mm2[0]:
        reason = "nothing of the part lies on the plate"
        return [not_checked(workpiece, CODE, DOMAIN, "Removal from the plate was", reason)]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Removal from the plate was", reason)]
    case = _Case(workpiece, limits)
    return [judge(case) for judge in (_pieces, _contact, _push_height, _edge, _pockets, _tabs, _toppling)]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that PR-08 judges it by."""

    rows = "removal"

    @cached_property
    def loose(self) -> Loose:
        return self.workpiece.measured("loose pieces", lambda: loose_pieces(self.workpiece.stack))

    @cached_property
    def torn(self) -> Floats:
        """Points in lumps that a push tears off [mm]."""
        asked = (self.value("web_width"), self.value("web_height"), self.value("web_lump"))
        return self.workpiece.measured(
            "left behind",
            lambda: left_behind(
                self.workpiece.layers, self.workpiece.stack, narrower_mm=asked[0], lower_mm=asked[1], least_mm2=asked[2]
            ),
            *asked,
        )

    @cached_property
    def centre(self) -> Floats:
        return mass_centre(self.workpiece.vertices, self.workpiece.faces)

    @cached_property
    def sweeps(self) -> list[Sweep]:
        names = ("blade_reach", "slack", "pocket_depth", "pocket_width", "tab_width", "tab_length")
        reach, slack, depth, width, tab, length = (self.value(name) for name in names)
        count = round(self.value("directions"))
        return self.workpiece.measured(
            "sweeps",
            lambda: sweeps(
                self.workpiece.layers,
                self.centre,
                np.arange(count) * 360 / count,
                reach_mm=reach,
                slack_mm=slack,
                pocket_depth_mm=depth,
                pocket_width_mm=width,
                tab_mm=tab,
                tab_length_mm=length,
            ),
            reach, slack, depth, width, tab, length, count,
        )  # fmt: skip

    @cached_property
    def best(self) -> Sweep:
        """The direction with the fewest faults; of these the one along an axis of the plate, then the pointed one."""

        def worth(sweep: Sweep) -> tuple[float, ...]:
            verdicts = self.verdicts(sweep)
            counts = tuple(float(verdicts.count(verdict)) for verdict in _WORST_FIRST[:2])
            return (*counts, len(sweep.pocket_at) + len(sweep.tab_at), float(sweep.angle_deg % 90 > 0), sweep.edge_mm)

        return min(self.sweeps, key=worth)

    def verdicts(self, sweep: Sweep) -> list[Verdict]:
        """Verdicts of all that depends on the direction."""
        return [
            self.push_verdict(sweep),
            self.band("edge").verdict(sweep.edge_mm),
            self.band("pockets").verdict(len(sweep.pocket_at)),
            self.band("tabs").verdict(len(sweep.tab_at)),
            self.band("topple").verdict(self.topple(sweep)),
        ]

    def push_verdict(self, sweep: Sweep) -> Verdict:
        verdicts = (
            self.band("push_top").verdict(sweep.face_high_mm),
            self.band("push_low").verdict(sweep.face_low_mm),
        )
        return min(verdicts, key=_WORST_FIRST.index)

    def push_mm(self, sweep: Sweep) -> float:
        """Height at which the blade bears: as low as the face and the blade allow [mm]."""
        return max(sweep.face_low_mm, min(sweep.face_high_mm, self.value("blade_low")))

    def topple(self, sweep: Sweep) -> float:
        """Tipping moment over righting moment of a part that slides, infinite beyond the contact [-]."""
        if sweep.far_mm <= 0:
            return np.inf
        return self.value("friction") * self.push_mm(sweep) / sweep.far_mm

    def judged(
        self,
        subject: str,
        verdict: Verdict,
        message: str,
        change: str,
        *bands: Band,
        measurements: tuple[Measurement, ...],
        points: Floats | None = None,
    ) -> Finding:
        """The finding on one measure; `change` is told only where something is to change."""
        return finding(
            self.workpiece,
            CODE,
            DOMAIN,
            subject,
            verdict,
            message,
            "" if verdict is Verdict.MEETS else change,
            measurements=measurements,
            limits=tuple(limit for band in bands for limit in band.limits),
            where=() if points is None or verdict is Verdict.MEETS else plate_places(self.workpiece, points),
            figures=("push_plan",) if subject == "push height" else (),
            evidence=self._drawn() if subject == "push height" else {},
        )

    def _drawn(self) -> dict[str, Floats]:
        """Everything the figure shows."""
        layers, best = self.workpiece.layers, self.best
        reached = np.unique(layers.same_as[layers.bottom_mm < self.value("blade_reach")])
        tallest = reached[np.argmax(layers.area_mm2[reached])]
        return {
            "first_layer": ring_points(layers.regions[0]),
            "outline": ring_points(layers.regions[tallest]),
            "front": best.front_at[None, :],
            "angle_deg": np.array([best.angle_deg]),
            "face_mm": np.array([best.face_low_mm, best.face_high_mm]),
            "pockets": best.pocket_at,
            "tabs": best.tab_at,
            "mass_centre": self.centre[None, :2],
        }


def _pieces(case: _Case) -> Finding:
    loose, torn = case.loose, case.torn
    count = len(loose.at) + len(torn)
    if len(loose.at) == 1:
        message = "The part comes off the plate as one piece."
        if loose.bodies > 1:
            message = f"The part's {loose.bodies} bodies hold each other and come off the plate as one piece."
        if len(torn):
            message = "The part is one piece."
    else:
        hidden = int((loose.contact_mm2 == 0).sum())
        message = (
            f"The part is {len(loose.at)} pieces that nothing joins: each has to be pushed off by itself, and any "
            "of them can be left behind or fall separately."
        )
        if hidden:
            message += f" Of these, {hidden} {'touches' if hidden == 1 else 'touch'} the plate nowhere."
    if len(torn):
        message += (
            f" {_counted(len(torn), 'lump', 'lumps').capitalize()} on the plate "
            f"{'hangs' if len(torn) == 1 else 'hang'} on the part by webs narrower than "
            f"{mm_words(case.value('web_width'))} and no higher than {mm_words(case.value('web_height'))} in all: a "
            "push tears them and leaves the lump behind."
        )
    band = case.band("pieces")
    return case.judged(
        "pieces",
        band.verdict(count),
        message,
        "Join the pieces by a base plate, a strong rib or a link, so that one push takes all of them off, or leave "
        "away what need not be there.",
        band,
        measurements=(
            Measurement("pieces", count, "count", 0.0, "layers joined where they overlap; linked bodies count once"),
        ),
        points=np.vstack([torn, loose.at[1:]]),
    )


def _contact(case: _Case) -> Finding:
    layers = case.workpiece.layers
    area_mm2, outline_mm = float(layers.area_mm2[0]), float(layers.outline_mm[0])
    least, most = case.band("contact_least"), case.band("contact_most")
    verdict = min((least.verdict(area_mm2), most.verdict(area_mm2)), key=_WORST_FIRST.index)
    share = area_mm2 / case.workpiece.projected_area_mm2
    quotient = 4 * np.pi * area_mm2 / outline_mm**2
    message = (
        f"The part holds to the plate over {area_mm2:.0f} mm², {percent_words(share)} of its shadow, with a "
        f"compactness of {quotient:.2g}; a disc has 1."
    )
    small = least.verdict(area_mm2) is not Verdict.MEETS
    if small:
        message += " So little may come off while it prints."
        change = f"Let {least.limits[0].value:.0f} mm² or more lie on the plate, by a wider foot or another pose."
    else:
        if verdict is not Verdict.MEETS:
            message += " So much may hold too well for a push."
        change = (
            f"Bring the contact to {most.limits[0].value:.0f} mm² or less, by ribs or windows in the underside or "
            "another pose, or show on a pilot plate that it lets go when the plate has cooled."
        )
    stack = case.workpiece.stack
    on_plate = stack.moments[stack.grounded]
    return case.judged(
        "contact area",
        verdict,
        message,
        change,
        least,
        most,
        measurements=(Measurement("contact area", area_mm2, "mm2", 0.0, _FIRST),),
        points=on_plate[:, 1:3] / on_plate[:, :1],
    )


def _push_height(case: _Case) -> Finding:
    best = case.best
    low, high = best.face_low_mm, best.face_high_mm
    message = f"Pushed {_way(best)}, the blade meets the part first between {mm_words(low)} and {mm_words(high)} high."
    top, foot = case.band("push_top"), case.band("push_low")
    if top.verdict(high) is not Verdict.MEETS:
        message += " So low a face lets the blade ride over the part."
    if foot.verdict(low) is not Verdict.MEETS:
        message += " Pushed so high the part tips onto its neighbours."
    worse = sum(case.push_verdict(sweep) is not Verdict.MEETS for sweep in case.sweeps)
    if worse and case.push_verdict(best) is Verdict.MEETS:
        message += f" From {worse} of the {len(case.sweeps)} directions tried it has no such face."
    return case.judged(
        "push height",
        case.push_verdict(best),
        message,
        f"Give the side that faces the blade an upright face up to {mm_words(top.limits[0].value)} or more.",
        top,
        foot,
        measurements=(
            Measurement("top of the pushed face", high, "mm", 0.0, _PLAN),
            Measurement("foot of the pushed face", low, "mm", 0.0, _PLAN),
            Measurement("best sweep direction, from x", best.angle_deg, "deg", 0.0, "fewest faults of those tried"),
        ),
        points=best.front_at[None, :],
    )


def _edge(case: _Case) -> Finding:
    best, band = case.best, case.band("edge")
    longest = max(case.sweeps, key=lambda sweep: sweep.edge_mm)
    message = f"Pushed {_way(best)}, {mm_words(best.edge_mm)} of the contact's edge let go at once."
    if band.verdict(longest.edge_mm) is not Verdict.MEETS:
        message += (
            f" Pushed {_way(longest)} it would be {mm_words(longest.edge_mm)}: a long straight edge holds most, a "
            "corner or a curve peels."
        )
    return case.judged(
        "leading edge",
        band.verdict(best.edge_mm),
        message,
        f"Round or point the side that faces the blade, or turn the part, so that {mm_words(band.limits[0].value)} or "
        "less of it let go at once.",
        band,
        measurements=(Measurement("leading edge", best.edge_mm, "mm", case.value("slack"), _PLAN),),
        points=best.front_at[None, :],
    )


def _pockets(case: _Case) -> Finding:
    best, band = case.best, case.band("pockets")
    count = len(best.pocket_at)
    if count:
        message = (
            f"Pushed {_way(best)}, {_counted(count, 'hollow', 'hollows')} in the outline face the blade, the deepest "
            f"{mm_words(float(best.pocket_depth_mm[0]))} deep: they hook a blade that is narrower than the part."
        )
    else:
        message = f"Pushed {_way(best)}, no hollow of the outline faces the blade."
    return case.judged(
        "pockets",
        band.verdict(count),
        message,
        "Close the hollow in the outline, or use a straight blade wider than the part.",
        band,
        measurements=(Measurement("pockets that face the blade", count, "count", 0.0, _PLAN),),
        points=best.pocket_at,
    )


def _tabs(case: _Case) -> Finding:
    best, band = case.best, case.band("tabs")
    count = len(best.tab_at)
    thin = mm_words(case.value("tab_width"))
    most = max(case.sweeps, key=lambda sweep: len(sweep.tab_at))
    if count:
        message = (
            f"Pushed {_way(best)}, {_counted(count, 'piece', 'pieces')} of the first layer thinner than {thin}, or on "
            f"a neck as thin, {'lies' if count == 1 else 'lie'} in the way of the blade and may break off."
        )
    elif len(most.tab_at):
        hit = _counted(len(most.tab_at), "piece", "pieces")
        message = (
            f"Pushed {_way(best)}, no thin piece lies in the way of the blade; pushed {_way(most)} it would meet {hit} "
            f"thinner than {thin} or on a neck as thin, which may break off."
        )
    else:
        message = f"No thin piece of the first layer, under {thin}, lies bare to the blade from any side."
    return case.judged(
        "tabs",
        band.verdict(count),
        message,
        f"Make them {thin} wide or more at the plate, or move them to the side away from the blade.",
        band,
        measurements=(Measurement("thin pieces in the way of the blade", count, "count", 0.0, _PLAN),),
        points=best.tab_at,
    )


def _toppling(case: _Case) -> Finding:
    best, band = case.best, case.band("topple")
    ratio, push_mm, friction = case.topple(best), case.push_mm(best), case.value("friction")
    beside = "below" if push_mm <= case.centre[2] else "above"
    message = (
        f"Pushed {_way(best)} at {mm_words(push_mm)}, {beside} its mass centre at {mm_words(float(case.centre[2]))}, "
    )
    measured = 1e3
    if np.isfinite(ratio):
        measured = ratio
        does = "slides" if ratio <= 1 else "topples"
        message += f"the part {does}: the push tips it with {percent_words(ratio)} of the moment that this takes."
    else:
        message += "the part topples: its mass centre is not over the contact."
    far_mm = max(best.far_mm, 0.0)
    highest_mm = band.limits[0].value * far_mm / friction
    return case.judged(
        "toppling",
        band.verdict(measured),
        message,
        f"Let the blade find a face {mm_words(highest_mm)} high or lower, or widen what stands on the plate.",
        band,
        measurements=(
            Measurement("tipping moment over righting moment", measured, "-", 0.0, f"friction {friction:g} assumed"),
            Measurement("push height over height of the mass centre", push_mm / float(case.centre[2]), "-", 0.0, _PLAN),
        ),
        points=best.front_at[None, :],
    )


def _way(sweep: Sweep) -> str:
    """The way the blade moves, in words."""
    axes = {0.0: "along x", 90.0: "along y", 180.0: "against x", 270.0: "against y"}
    return axes.get(sweep.angle_deg % 360, f"at {sweep.angle_deg:.0f}° to x")


def _counted(count: int, one: str, many: str) -> str:
    return f"one {one}" if count == 1 else f"{count} {many}"
