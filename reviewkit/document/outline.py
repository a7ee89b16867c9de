"""What a review document says and in which order, whatever it is printed on."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from reviewkit.document.text import counted, display_text, measured_text, size_text, unit_word, worst_first
from reviewkit.judging import WHOLE
from reviewkit.model import (
    IDENTITY,
    Fact,
    Finding,
    Limit,
    Measurement,
    Origin,
    Outcome,
    Place,
    Review,
    Setup,
    Status,
    Verdict,
)

_PLACES_NAMED = 3
_WORDS_LISTED = 6
# Bounded quantities that a finding's row shows; the chapter on limits has all of them.
LIMITS_SHOWN = 3
_MINUS = "\u2212"

# How a submission's facts say that nobody gave a value.
NOT_STATED = "not stated"

OUTCOME_MEANING = {
    Outcome.RELEASE: "Nothing that was judged speaks against making the part as submitted.",
    Outcome.CONCESSIONS: "The part can be made once each deviation below is accepted by name.",
    Outcome.CHANGES: "The part has to change before it can be made in this quantity.",
    Outcome.INFORMATION: "A decision needs answers from the customer first.",
    Outcome.DECLINED: "The part should not be made in this way.",
}
STATUS_WORDS = {Status.SEEN: "seen", Status.MEMORY: "from memory", Status.PRACTICE: "common practice"}
ORIGIN_WORDS = {
    Origin.CONFIRMED: "confirmed",
    Origin.SUGGESTED: "suggested by the kit, confirmed by nobody",
    Origin.ASSUMED: "assumed, stated by nobody",
}


# In words of our own what a screen by computation cannot say.
CAUTIONS = (
    "This is a computed screen of a submitted shape. No printed part was tested; it is no laboratory report, no "
    "certificate and no advice on law.",
    "It is no declaration of conformity and no mark of any market, and must not be shown to a buyer or to customs"
    " as one.",
    "Safety of use, toys and other articles for children, gaps that pinch or trap, small parts, edges and points,"
    " anything that is thrown or shot: accredited laboratories, the law of the place of sale and licensed or "
    "qualified practitioners decide. A finding that meets its limit here is no evidence of compliance.",
    "Whether the article is a toy, a children's product, a tool or a machine, and which law holds for it, is for "
    "whoever sells it and their adviser to settle. The age of its users was stated by the customer or assumed; "
    "where it is wrong, verdicts on safety and grip change.",
    "What a shape cannot show was not judged: heavy metals and other substances, flammability, contact with food "
    "or skin, noise, magnets, cords, batteries, heat, hair that is caught, suffocation. Where any of these "
    "matter, stop and refer.",
    "The mesh is the design. Stringing, flare at the plate, scars of supports, seams, weak bonds between layers "
    "and the spread between machines are not in it: edges as printed need a hand to feel them, and a value near "
    "its limit needs measured parts.",
    "Wear, creep, fatigue, drops, bites, sun and washing are estimated at most.",
    "No person held the part. Fit to the hand is for the population named beside it, for bare right hands of "
    "healthy people; values for children are estimates. Comfort, injury by repeated use, gloves, impairment and "
    "age were not judged.",
    "Strength, life, heat, contact with food, skin or medicine, and electrical safety are established by tests on"
    " parts made as they will be made in production.",
    "Standards change, and a limit from memory or from a page that quotes a standard is a working value until the"
    " standard itself has been opened. Limits of common practice are starting points: settle them on your own "
    "machines.",
)
NOT_ESTABLISHED = (
    "That the file is the part that was meant: units and facts marked as suggested or assumed need the customer's"
    " word.",
    "That the part does its job, is safe, lasts, or is free of the rights of others.",
    "That matters listed under What was not checked are in order.",
    "That another file, revision, material, machine or quantity would be judged alike: the review holds for the "
    "files whose hashes stand in the title block.",
    "An outcome: that is the reviewer's, signed, with an approver who is not the reviewer.",
)


class Shown(Protocol):
    """Anything that shows a finding: a drawing, or an image of a page."""

    @property
    def finding(self) -> str:
        """Key of the finding, empty for none."""


F = TypeVar("F", bound=Shown)


@dataclass(frozen=True)
class Stop(Generic[F]):
    """The worst finding of a code on a part, and how many more of that code fail there."""

    finding: Finding
    figure: F | None
    alike: int


@dataclass(frozen=True)
class Group(Generic[F]):
    """The findings of one code and their figures.

    ``open`` holds what does not meet, worst first, each with those that are alike in all but
    place; ``met`` the rest.
    """

    code: str
    findings: Sequence[Finding]
    open: list[tuple[Finding, list[Finding]]]
    met: list[Finding]
    figures: list[F]


def titles_of(findings: Iterable[Finding], titles: Mapping[str, str]) -> dict[str, str]:
    """The title of each code that was judged, its own before that of its group."""
    return {f.code: titles.get(f.code) or titles.get(f.code.split("-")[0], "") for f in findings}


def scope(review: Review) -> list[tuple[str, object]]:
    """What the suggested outcome holds for."""
    setups = [part.setup for part in review.parts]
    quantity = review.submission.get("quantity")
    return [
        ("Quantity", f"{quantity:,}" if isinstance(quantity, int) else quantity),
        ("Material", joined(setup.material.name for setup in setups)),
        ("Machine", joined(setup.machine.name for setup in setups)),
        ("Stage", review.submission.get("stage")),
    ]


def joined(words: Iterable[str]) -> str:
    """Words with commas between them, none twice and no empty one."""
    return ", ".join(dict.fromkeys(word for word in words if word))


def some(items: Sequence[object], most: int) -> dict[str, object]:
    """The first items and how many were left out."""
    return {"shown": items[:most], "left": max(0, len(items) - most)}


def stops_of(review: Review, figures: Sequence[F]) -> list[Stop[F]]:
    """What stands against release, worst first; one entry for all of a kind on a part."""
    kinds: dict[tuple[str, str], list[Finding]] = {}
    for finding in worst_first([finding for finding in review.findings if finding.stops]):
        kinds.setdefault((finding.code, finding.part), []).append(finding)
    stops = []
    for alike in kinds.values():
        # A place can be shown and changed; the finding on the whole part only sums up.
        shown = next((finding for finding in alike if finding.subject != WHOLE), alike[0])
        figure = next(iter(figures_of([shown, *alike], figures)), None)
        more = sum(finding.subject != WHOLE for finding in alike) - (shown.subject != WHOLE)
        stops.append(Stop(shown, figure, more))
    return stops


def gain_of(finding: Finding, review: Review) -> str:
    """What settling a finding is expected to bring, as its action says."""
    gains = (action.expected_gain for action in review.actions if action.finding == finding.key)
    return next((gain for gain in gains if gain.strip()), "")


def needs_of(review: Review, titles: Mapping[str, str]) -> list[str]:
    """What only the customer can settle, most pressing first."""
    units = str(review.submission.get("display_units") or "mm")
    unsettled = [
        f"{display_text(part.file, 40)} was read in {unit_word(part.units)}, which makes it "
        f"{size_text(part.size_mm, units)}"
        for part in review.parts
        if part.units_origin is not Origin.CONFIRMED
    ]
    needs = [f"Confirm the units: {'; '.join(unsettled)}."] if unsettled else []
    unknown = [fact.name for fact in review.facts if unstated(fact)]
    if unknown:
        needs.append(f"State what is not known yet: {_listed(unknown)}.")
    unconfirmed = [
        f"{fact.name}: {display_text(fact.value, 40)}"
        for fact in review.facts
        if fact.origin is not Origin.CONFIRMED and not unstated(fact)
    ]
    if unconfirmed:
        needs.append(f"Confirm or correct what was taken without your word: {_listed(unconfirmed)}.")
    for finding in unchecked(review):
        check = f"{finding.code} {titles[finding.code]}".strip()
        needs.append(f"{check}: {finding.change or finding.message}")
    return list(dict.fromkeys(needs))


def unstated(fact: Fact) -> bool:
    """Whether nobody gave a fact its value."""
    return fact.value in ("", NOT_STATED)


def _listed(words: Sequence[str]) -> str:
    left = len(words) - _WORDS_LISTED
    more = f" and {left} more" if left > 0 else ""
    return ", ".join(display_text(word, 60) for word in words[:_WORDS_LISTED]) + more


def unchecked(review: Review) -> list[Finding]:
    """Findings without a verdict, the most pressing first."""
    return worst_first([finding for finding in review.findings if finding.verdict is Verdict.NOT_CHECKED])


def still_needed(review: Review, not_covered: Sequence[tuple[str, str]]) -> list[str]:
    """What stands between a review without a failing finding and a release."""
    counts = {verdict: sum(f.verdict is verdict for f in review.findings) for verdict in Verdict}
    needed = []
    if not review.findings:
        needed.append("The checks themselves: this review holds no finding at all.")
    if counts[Verdict.MARGINAL]:
        needed.append(f"A reviewer's judgement on {counted(counts[Verdict.MARGINAL], 'marginal finding')}.")
    if counts[Verdict.NOT_CHECKED]:
        needed.append(f"An answer or a decision on {counted(counts[Verdict.NOT_CHECKED], 'matter')} not checked.")
    if not_covered:
        matters = counted(len(not_covered), "matter")
        needed.append(f"A look at {matters} that this kit does not judge yet, under What was not checked.")
    if any(part.units_origin is not Origin.CONFIRMED for part in review.parts):
        needed.append("The customer's word on the units of the files.")
    needed.append("The reviewer's own outcome, and the signature of an approver who is not the reviewer.")
    return needed


def domains_of(review: Review, figures: Sequence[F]) -> list[tuple[str, list[Group[F]]]]:
    """Findings by domain and code, both in the order in which they were judged."""
    domains: dict[str, dict[str, list[Finding]]] = {}
    for finding in review.findings:
        domains.setdefault(finding.domain, {}).setdefault(finding.code, []).append(finding)
    return [
        (
            domain,
            [grouped(code, findings, figures) for code, findings in codes.items()],
        )
        for domain, codes in domains.items()
    ]


def grouped(code: str, findings: Sequence[Finding], figures: Sequence[F] = ()) -> Group[F]:
    """Findings in the order of a page: those that call for something by kind, then those that meet."""
    findings = worst_first(findings)
    kinds: dict[object, list[Finding]] = {}
    for finding in findings:
        if finding.verdict is not Verdict.MEETS:
            alike = (finding.part, finding.verdict, finding.severity, finding.change or finding.key, finding.limits)
            kinds.setdefault(alike, []).append(finding)
    return Group(
        code,
        findings,
        [(kind[0], kind[1:]) for kind in kinds.values()],
        [finding for finding in findings if finding.verdict is Verdict.MEETS],
        figures_of(findings, figures),
    )


def figures_of(findings: Sequence[Finding], figures: Sequence[F]) -> list[F]:
    """The figures that show findings, in the order of the findings."""
    return [figure for finding in findings for figure in figures if figure.finding == finding.key]


def limits_used(findings: Iterable[Finding]) -> list[Limit]:
    """Every limit that findings were held against, once, by id."""
    by_id = {limit.id: limit for finding in findings for limit in finding.limits}
    return [by_id[id] for id in sorted(by_id)]


def source_text(limit: Limit) -> str:
    """Title, edition, clause and year of where a limit comes from."""
    source = limit.source
    return ", ".join(word for word in (source.title, source.edition, source.clause, source.year) if word)


def shown_limits(finding: Finding) -> list[Limit]:
    """The limits that a finding's row shows: those of its first bounded quantities."""
    quantities = list(dict.fromkeys(limit.quantity for limit in finding.limits))[:LIMITS_SHOWN]
    return [limit for limit in finding.limits if limit.quantity in quantities]


def short_source(limit: Limit) -> str:
    """Title, clause and status of where a limit comes from, as short as a table wants it."""
    source = limit.source
    law = f"law in {' and '.join(source.law)}" if source.law else ""
    named = display_text(" ".join(word for word in (source.title, source.clause) if word), 56)
    return ", ".join(word for word in (named, law, STATUS_WORDS[source.status]) if word)


def quantity_text(quantity: str) -> str:
    """A quantity's name in the tables of limits, such as ``wall.thickness``, in words."""
    return re.sub(r"[._]+", " ", quantity)


def judged(finding: Finding) -> tuple[Measurement, ...]:
    """The measurements that the limits bound: the first ones, as many as bounded quantities."""
    return finding.measurements[: max(1, len({limit.quantity for limit in finding.limits}))]


def also_measured(finding: Finding, display_units: str) -> str:
    """The measurements that no limit bounds, in a line."""
    others = finding.measurements[len(judged(finding)) :]
    return "; ".join(f"{other.quantity} {measured_text(other, display_units)}" for other in others)


def sentence(text: str, limit: int) -> str:
    """Text with a capital at its start and a full stop at its end."""
    shown = display_text(text, limit)
    return shown[:1].upper() + shown[1:] + ("" if shown.endswith((".", "!", "?", "…")) else ".")


def subject_text(subject: str) -> str:
    """A finding's subject in words."""
    return "whole part" if subject == "part" else subject


def places_text(places: Sequence[Place]) -> str:
    """Where a finding is, in coordinates of the part; the first few places."""
    named = [", ".join(f"{axis} {x:.1f}" for axis, x in zip("xyz", p.point_mm, strict=True)) for p in places]
    left = len(named) - _PLACES_NAMED
    more = f"; and {counted(left, 'more place')}" if left > 0 else ""
    return "; ".join(named[:_PLACES_NAMED]) + " mm" + more if named else ""


def pose_text(setup: Setup) -> str:
    """Which direction of the part points up from the plate, in words."""
    if setup.pose == IDENTITY:
        return "as drawn"
    up = np.array(setup.pose)[2]
    axis = int(np.argmax(np.abs(up)))
    if up[2] > 0.9999:
        return "turned about the vertical"
    if abs(up[axis]) > 0.9999:
        return f"turned so that the drawing's {'+' if up[axis] > 0 else _MINUS}{'xyz'[axis]} points up"
    return f"turned so that ({', '.join(f'{x:.2f}' for x in up)}) of the drawing points up"


def volume_text(volume_mm3: float, units: str) -> str:
    """A volume [mm3] in words, in the customer's unit too."""
    return measured_text(Measurement("volume", volume_mm3, "mm3"), units)
