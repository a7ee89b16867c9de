"""PD-07: why print it: what a form of two halves cannot reach, what could be cut, and when a tool pays."""

from functools import cached_property
from typing import Any

import numpy as np

from reviewkit.judging import WHOLE, Case, at_words, finding, mm_words, not_checked, percent_words, vector
from reviewkit.limits import Limits
from reviewkit.measure.break_even import break_even
from reviewkit.measure.draw import BodyDraw, Draw, Prism, Undercut, draws_of
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Sense, Severity, Source, Status, Verdict
from reviewkit.production import production_of
from reviewkit.submission import Tooling
from reviewkit.workpiece import Workpiece

CODE = "PD-07"
DOMAIN = "production"
BREAK_EVEN = "break-even"

_RAYS = "rays along the draw from points spread over the surface"
# Shares of the surface are good to about the shadow of one row of those points.
_SHARE_HALF = 0.002
_AXIS_DEG = 1.0
_ROUNDS = 6
# Curve of the figure: from this share of the break-even to so many times it.
_CURVE = (0.1, 5.0, 60)


def process(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether the part has to be printed or a tool could make it too.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``process.*``; those of cost where a price of tooling is given.

    Returns
    -------
    list of Finding
        The whole part first, then the break-even where a price is given and a tooled form exists or its
        redesign is stated.
    """
    health = workpiece.part.health
    if not health.closed:
        return [not_checked(workpiece, CODE, DOMAIN, "What a form of two halves could make was", "the mesh is open")]
    case = _Case(workpiece, limits)
    if not case.draws:
        reason = "the mesh encloses no volume"
        return [not_checked(workpiece, CODE, DOMAIN, "What a form of two halves could make was", reason)]
    worth = _worth(case)
    return [_whole(case, worth)] if worth is None else [_whole(case, worth), worth]


class _Case(Case):
    """A workpiece and the rows that PD-07 judges it by."""

    rows = "process"

    @cached_property
    def draws(self) -> tuple[BodyDraw, ...]:
        """The best draw of each body, in the plate frame."""
        least, work = self.value("body"), self.workpiece
        return work.measured("draws", lambda: draws_of(work.vertices, work.faces, work.rays, least), least)

    @cached_property
    def undercuts(self) -> list[tuple[Undercut, Draw]]:
        """Those large enough to be one, the largest first."""
        least_mm2 = self.value("undercut")
        found = [(one, body.best) for body in self.draws for one in body.best.undercuts if one.area_mm2 >= least_mm2]
        return sorted(found, key=lambda pair: -pair[0].area_mm2)

    @cached_property
    def is_free(self) -> bool:
        """Whether a form of two halves lets every body go, told by both measures."""
        most = self.value("columns")
        return not self.undercuts and all(body.best.column_share <= most for body in self.draws)

    @cached_property
    def hidden_share(self) -> float:
        """Of the surface of all bodies [-]."""
        hidden_mm2 = sum(body.best.hidden_mm2 for body in self.draws)
        return hidden_mm2 / sum(float(body.best.area_mm2.sum()) for body in self.draws)

    @property
    def tooling(self) -> Tooling:
        return self.workpiece.submission.tooling

    @cached_property
    def parts(self) -> int | None:
        """Parts of this kind that are wanted."""
        submission = self.workpiece.submission
        if submission.quantity is None:
            return None
        count = next((entry.count for entry in submission.parts if entry.id == self.workpiece.part.id), 1)
        return submission.quantity * count

    def in_part(self, direction: Floats) -> Floats:
        """A direction in the part's frame, (3,) [-]."""
        found: Floats = self.workpiece.to_part_direction(np.reshape(direction, (1, 3)))[0]
        return found

    def axis_words(self, direction: Floats) -> str:
        """A line of the part's frame in words."""
        own = self.in_part(direction)
        axis = int(np.argmax(np.abs(own)))
        if abs(own[axis]) >= np.cos(np.radians(_AXIS_DEG)):
            return f"along {'xyz'[axis]}"
        own = own * np.sign(own[axis])
        return f"along ({own[0]:.2f}, {own[1]:.2f}, {own[2]:.2f})"


def _whole(case: _Case, worth: Finding | None) -> Finding:
    main = case.draws[0]
    verdict, message, change = _judged(case, worth)
    many = f" The part has {len(case.draws)} bodies; each was looked at by itself." if len(case.draws) > 1 else ""
    walls = ""
    if case.is_free and main.best.wall_share > case.value("draft"):
        walls = (
            f" {percent_words(main.best.wall_share)} of its surface are walls without draft, which a tool would want."
        )
    shown, evidence = _drawn(case)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        f"{_draw_words(case)} {_prism_words(case, main.prism)}{walls}{many} {message} Wall thickness, sink, gates, "
        "ejection, slides and soft parts that strip off an undercut were not looked at.",
        change,
        severity=Severity.COST,
        measurements=(
            Measurement("surface hidden from the best two-sided draw", case.hidden_share, "-", _SHARE_HALF, _RAYS),
            Measurement(
                "lines along the draw that meet the body twice", main.best.column_share, "-", _SHARE_HALF, "grid"
            ),
            Measurement("undercuts", len(case.undercuts), "count", 0.0, "hidden surface that hangs together"),
            Measurement("walls without draft", main.best.wall_share, "-", 0.0, "facets within a degree of the draw"),
            Measurement("filled share of the outline", main.prism.fill, "-", 0.0, "volume over outline times depth"),
            Measurement("surface along or square to that", main.prism.plain_share, "-", 0.0, "facets within a degree"),
        ),
        limits=case.band("quantity").limits if case.is_free else (),
        where=shown,
        figures=("undercuts",) if case.undercuts else (),
        evidence=evidence,
    )


def _judged(case: _Case, worth: Finding | None) -> tuple[Verdict, str, str]:
    """Verdict, the reason for it, and what would settle it."""
    if not case.is_free:
        actions = len(case.undercuts)
        needs = f"{actions} side action{'s' if actions != 1 else ''} or as many changes" if actions else "side actions"
        return Verdict.MEETS, f"Printing makes what a form of two halves cannot: that would need {needs}.", ""
    if worth is not None:
        return Verdict.MEETS, "What a tool would be worth is told by the break-even below.", ""
    told = "So a tooled form exists."
    ask = "Ask for the price of a tool and of a part from it and give both in [tooling]; the break-even is then told."
    if case.parts is None:
        return (
            Verdict.MARGINAL,
            f"{told} Whether it is worth its price hangs on the number wanted, which is not stated.",
            ask,
        )
    verdict = case.band("quantity").verdict(case.parts)
    if verdict is Verdict.MEETS:
        return verdict, f"{told} {case.parts:,} parts are few for a tool.", ""
    return verdict, f"{told} {case.parts:,} parts may pay for a tool, and no price of one was given.", ask


def _draw_words(case: _Case) -> str:
    main = case.draws[0].best
    along = case.axis_words(main.direction)
    if case.is_free:
        return f"A form of two halves that opens {along} reaches the whole surface."
    told = (
        f"From the best two-sided draw, {along}, {percent_words(case.hidden_share)} of the surface is hidden"
        f" and {percent_words(main.column_share)} of the lines along it meet the body more than once"
    )
    if not case.undercuts:
        return f"{told}."
    largest = case.undercuts[0][0]
    at = at_words(case.workpiece, case.workpiece.to_part(largest.centre[None])[0])
    count = len(case.undercuts)
    return f"{told}; {count} undercut{'s' if count != 1 else ''}, the largest of {largest.area_mm2:.3g} mm² {at}."


def _prism_words(case: _Case, prism: Prism) -> str:
    wanted = case.value("prism")
    along = case.axis_words(np.array(prism.direction))
    if len(case.draws) > 1 or prism.plain_share < wanted:
        return "It is no prism, so it could not be cut from sheet or extruded as it is."
    if prism.fill < wanted:
        return f"It is stepped {along}: pockets and steps could be milled from the two sides, not cut or extruded."
    if prism.flatness <= case.value("sheet"):
        return f"It is a flat prism {along}, {mm_words(prism.depth_mm)} thick: it could be cut or punched from sheet."
    return (
        f"It is a prism {along}, {mm_words(prism.depth_mm)} long: it could be extruded and cut off, or cut from plate."
    )


def _drawn(case: _Case) -> tuple[tuple[Place, ...], dict[str, Any]]:
    """Places of the largest undercuts, and what the figure needs."""
    work, places = case.workpiece, []
    evidence: dict[str, Any] = {}
    for number, (undercut, _) in enumerate(case.undercuts[: round(case.value("listed"))], 1):
        name = f"facets of undercut {number}"
        evidence[name] = undercut.facets
        corners = work.part.vertices[work.faces[undercut.facets]].reshape(-1, 3)
        box = vector(corners.min(axis=0)), vector(corners.max(axis=0))
        # A point on the surface stands for it: the middle of a bore is air.
        middles = work.part.vertices[work.faces[undercut.facets]].mean(axis=1)
        centre = work.to_part(undercut.centre[None])[0]
        nearest = int(np.argmin(np.linalg.norm(middles - centre, axis=1)))
        places.append(Place(vector(middles[nearest]), None, box, faces=name))
    if case.undercuts:
        evidence["hidden facets"] = np.unique(np.concatenate([one.facets for one, _ in case.undercuts]))
        evidence["draw"] = case.in_part(case.undercuts[0][1].direction)
        evidence["share"] = np.array([case.hidden_share])
        evidence["count"] = np.array([len(case.undercuts)])
    return tuple(places), evidence


def _worth(case: _Case) -> Finding | None:
    """From how many parts on a tool is cheaper, where a price is given and the question makes sense."""
    tooling = case.tooling
    if tooling.price is None and tooling.part_cost is None:
        return None
    if not case.is_free and not tooling.redesign:
        words = (
            "A price of tooling is given, but the part has undercuts and no redesign is stated, so there is no tooled "
            "part to compare with."
        )
        change = "State in [tooling] redesign how the part would be changed so that a tool can make it."
        return _words_alone(case, Verdict.NOT_CHECKED, words, change)
    if tooling.price is None or tooling.part_cost is None:
        missing = "price" if tooling.price is None else "part_cost"
        words = f"The break-even with a tool was not reckoned: [tooling] {missing} is not given."
        return _words_alone(case, Verdict.NOT_CHECKED, words, f"Give [tooling] {missing}.")
    production = production_of(case.workpiece, case.limits)
    if production.unready:
        words = f"The break-even with a tool was not reckoned: {production.unready}."
        return _words_alone(
            case, Verdict.NOT_CHECKED, words, "Settle that first; then the cost of a printed part is known."
        )
    return _compared(case, tooling.price, tooling.part_cost)


def _words_alone(case: _Case, verdict: Verdict, words: str, change: str = "") -> Finding:
    return finding(case.workpiece, CODE, DOMAIN, BREAK_EVEN, verdict, words, change, severity=Severity.COST)


def _compared(case: _Case, price: float, tooled: float) -> Finding:
    production = production_of(case.workpiece, case.limits)
    life, currency, wanted = case.tooling.life, production.prices.currency, case.parts

    def crossing(which: str) -> int | None:
        """Printed cost falls a little with the number, so number and cost are brought together in a few rounds."""
        parts: int | None = max(wanted or 1000, 1)
        for _ in range(_ROUNDS):
            assert parts is not None
            before, parts = parts, break_even(price, float(getattr(production.cost(parts), which)), tooled, life)
            if parts is None or parts == before:
                break
        return parts

    found, soonest, latest = crossing("unit"), crossing("high"), crossing("low")
    at = found or wanted or 1000
    unit = float(production.cost(at).unit)
    pays = f"A tool of {price:,.0f} {currency} with parts at {tooled:.3g} {currency}"
    changed = f" The tooled part is redesigned: {case.tooling.redesign}" if not case.is_free else ""
    changed = f"{changed.rstrip('.')}." if changed else ""
    invented = " Prices are invented for the demonstration." if production.prices.invented else ""
    if found is None:
        why = (
            f"a printed one costs {unit:.3g} {currency}"
            if unit <= tooled
            else f"it is worn out after {life:,} parts, before it has paid for itself"
        )
        words = f"{pays} is never cheaper than printing: {why}.{changed}{invented}"
        return _words_alone(case, Verdict.MEETS, words)
    late = f"{latest:,}" if latest is not None else "never"
    span = f"{soonest:,} to {late}" if soonest is not None else f"{found:,}"
    life_words = f" It lasts for {life:,} parts; then the next must be bought." if life else ""
    if wanted is None:
        verdict, order = Verdict.MARGINAL, "The number wanted is not stated."
    elif soonest is not None and wanted < soonest:
        verdict, order = Verdict.MEETS, f"{wanted:,} are wanted: printing is cheaper."
    elif latest is not None and wanted >= latest:
        verdict, order = Verdict.MARGINAL, f"{wanted:,} are wanted: the tool is cheaper."
    else:
        verdict, order = Verdict.MARGINAL, f"{wanted:,} are wanted: within what the estimate of cost leaves open."
    words = (
        f"{pays} is cheaper than printing from {found:,} parts on ({span} with the cost of a printed part from low to "
        f"high); a printed one then costs {unit:.3g} {currency}. {order}{life_words} Each later change of the part "
        f"costs a change of the tool, and nothing of the kind when it is printed.{changed}{invented}"
    )
    numbers = np.unique(np.round(np.geomspace(max(1, _CURVE[0] * found), _CURVE[1] * found, int(_CURVE[2])))).astype(
        int
    )
    tools = np.ceil(numbers / life) if life else np.ones(len(numbers))
    half = 0.0 if soonest is None or latest is None else (latest - soonest) / 2
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        BREAK_EVEN,
        verdict,
        words,
        "" if verdict is Verdict.MEETS else "Weigh the tool's price, lead time and later changes against printing.",
        severity=Severity.COST,
        measurements=(
            Measurement("break-even with a tool", found, "parts", half, "tool over what a tooled part saves"),
            Measurement("cost of a printed part there", unit, currency, 0.0, "as in PD-04"),
        ),
        limits=(
            Limit(
                "tooling-break-even",
                "parts that a tool would pay for",
                soonest or found,
                "parts",
                Sense.MAX,
                Source("Price of a tool in the submission", Status.SEEN),
            ),
        ),
        figures=("break_even",),
        evidence={
            "parts": numbers,
            "printed": np.array([float(production.cost(int(n)).unit) for n in numbers]),
            "low": np.array([float(production.cost(int(n)).low) for n in numbers]),
            "high": np.array([float(production.cost(int(n)).high) for n in numbers]),
            "tooled": price * tools / numbers + tooled,
            "crossing": np.array([found]),
            "wanted": np.array([wanted or 0]),
            "currency": np.array([currency]),
        },
    )
