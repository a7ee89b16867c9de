"""The review document: one self-contained HTML file that opens offline and prints on A4.

No script, no remote address: every image is a data URI, and a content security policy
says so to the browser.  Whatever the template prints is cleaned by
:func:`~reviewkit.document.text.display_text` and escaped, without exception.
"""

import base64
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reviewkit.document.text import (
    counted,
    display_text,
    length_text,
    limit_text,
    measured_text,
    size_text,
    tally,
    unit_word,
    worst_first,
)
from reviewkit.errors import DocumentError
from reviewkit.judging import WHOLE
from reviewkit.model import (
    IDENTITY,
    Drawing,
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

# The first page must stay one page of A4 whatever a customer wrote.
_STOPS_SHOWN = 3
_NEEDS_SHOWN = 5
_PARTS_NAMED = 4
_PLACES_NAMED = 3
_WORDS_LISTED = 6

_LONGEST_TEXT = 2000
# Widest drawing of lines and letters that is still readable at half the width of a page.
_HALF_PX = 640
_MINUS = "\u2212"

# How a submission's facts say that nobody gave a value.
NOT_STATED = "not stated"

_OUTCOME_MEANING = {
    Outcome.RELEASE: "Nothing that was judged speaks against making the part as submitted.",
    Outcome.CONCESSIONS: "The part can be made once each deviation below is accepted by name.",
    Outcome.CHANGES: "The part has to change before it can be made in this quantity.",
    Outcome.INFORMATION: "A decision needs answers from the customer first.",
    Outcome.DECLINED: "The part should not be made in this way.",
}
_STATUS_WORDS = {Status.SEEN: "seen", Status.MEMORY: "from memory", Status.PRACTICE: "common practice"}
_ORIGIN_WORDS = {
    Origin.CONFIRMED: "confirmed",
    Origin.SUGGESTED: "suggested by the kit, confirmed by nobody",
    Origin.ASSUMED: "assumed, stated by nobody",
}


@dataclass(frozen=True)
class TitleBlock:
    """Fields of the title block that a review does not know by itself.

    The set of fields follows ISO 7200:2004; an empty field is printed as not stated.
    """

    owner: str = ""
    issued: str = ""
    creator: str = ""
    approval: str = ""
    document_type: str = "Design-for-print review"
    status: str = "draft, not signed"
    language: str = "en"


def review_html(
    review: Review,
    drawings: Sequence[Drawing],
    not_covered: Sequence[tuple[str, str]] = (),
    titles: Mapping[str, str] | None = None,
    title_block: TitleBlock | None = None,
) -> str:
    """The whole review document as HTML.

    Parameters
    ----------
    review : Review
    drawings : sequence of Drawing
        Figures of the findings, and pictures of the parts with the numbers of the findings:
        a finding's number is its place in ``review.findings``, from 1.
    not_covered : sequence of (str, str)
        Code or domain that no check of this kit covers yet, and why.
    titles : mapping of str to str, optional
        What each check judges, in a few words, by code (``PR-01``) or group of codes (``IN``).
    title_block : TitleBlock, optional

    Returns
    -------
    str
        The same for the same arguments.

    Raises
    ------
    DocumentError
        For a drawing without any image.
    """
    head = review.submission
    numbers = {finding.key: number for number, finding in enumerate(review.findings, 1)}
    figures = [_figure(drawing, numbers) for drawing in drawings]
    part_names = {part.id: part.name or part.file for part in review.parts}
    stops = _stops(review, figures)
    named = _titles(review.findings, titles or {})
    return (
        environment()
        .get_template("review.html.j2")
        .render(
            review=review,
            units=str(head.get("display_units") or "mm"),
            block=title_block or TitleBlock(),
            titles=named,
            name=head.get("name") or _joined(part_names.values()) or "unnamed part",
            number=head.get("number") or _joined(part.number for part in review.parts),
            revision=head.get("revision") or _joined(part.revision for part in review.parts),
            facts=sorted(review.facts, key=lambda fact: fact.origin is Origin.CONFIRMED),
            customer=head.get("customer"),
            part_names=part_names,
            parts_named=_some(review.parts, _PARTS_NAMED),
            meaning=_OUTCOME_MEANING[review.outcome_suggested],
            scope=_scope(review),
            numbers=numbers,
            gains={finding.key: _gain(finding, review) for finding in review.findings},
            stops=stops[:_STOPS_SHOWN],
            stops_left=len(stops) - _STOPS_SHOWN,
            still_needed=_still_needed(review, not_covered),
            needs=_some(_needs(review, named), _NEEDS_SHOWN),
            pictures=[figure for figure in figures if figure.number is None],
            domains=_domains(review, figures),
            unchecked=_unchecked(review),
            not_covered=not_covered,
            limits=_limits_used(review.findings),
            actions=sorted(review.actions, key=lambda action: action.priority),
        )
    )


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates, with every printed value cleaned and escaped."""
    made = Environment(
        loader=PackageLoader("reviewkit.document", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: value if isinstance(value, Markup) else display_text(value, _LONGEST_TEXT),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "clean": display_text,
        "css": _css_string,
        "counted": counted,
        "also_measured": _also_measured,
        "in_mm": length_text,
        "judged": _judged,
        "limit_words": limit_text,
        "measured": measured_text,
        "origin": lambda origin: _ORIGIN_WORDS[origin],
        "places": _places_text,
        "pose": _pose_text,
        "quantity": _quantity_text,
        "sentence": _sentence,
        "size": size_text,
        "source": _source_text,
        "status": lambda status: _STATUS_WORDS[status],
        "stood_for": lambda fact: "stated by nobody" if _unstated(fact) else _ORIGIN_WORDS[fact.origin],
        "subject": _subject_text,
        "tally": tally,
        "unit_word": unit_word,
        "volume": _volume_text,
    }
    return made


@dataclass(frozen=True)
class _Figure:
    """An image of the document; ``src`` is a data URI."""

    name: str
    finding: str
    number: int | None
    title: str
    caption: str
    alt: str
    src: Markup
    width_px: int
    height_px: int
    wide: bool


@dataclass(frozen=True)
class _Stop:
    """The worst finding of a code on a part, and how many more of that code fail there."""

    finding: Finding
    figure: _Figure | None
    alike: int


@dataclass(frozen=True)
class _Group:
    """The findings of one code and their figures.

    ``open`` holds what does not meet, worst first, each with those that are alike in all but
    place; ``met`` the rest.
    """

    code: str
    findings: Sequence[Finding]
    open: list[tuple[Finding, list[Finding]]]
    met: list[Finding]
    figures: list[_Figure]


def _titles(findings: Iterable[Finding], titles: Mapping[str, str]) -> dict[str, str]:
    """The title of each code that was judged, its own before that of its group."""
    return {f.code: titles.get(f.code) or titles.get(f.code.split("-")[0], "") for f in findings}


def _scope(review: Review) -> list[tuple[str, object]]:
    """What the suggested outcome holds for."""
    setups = [part.setup for part in review.parts]
    quantity = review.submission.get("quantity")
    return [
        ("Quantity", f"{quantity:,}" if isinstance(quantity, int) else quantity),
        ("Material", _joined(setup.material.name for setup in setups)),
        ("Machine", _joined(setup.machine.name for setup in setups)),
        ("Stage", review.submission.get("stage")),
    ]


def _joined(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(word for word in words if word))


def _some(items: Sequence[object], most: int) -> dict[str, object]:
    """The first items and how many were left out."""
    return {"shown": items[:most], "left": max(0, len(items) - most)}


def _stops(review: Review, figures: Sequence[_Figure]) -> list[_Stop]:
    """What stands against release, worst first; one entry for all of a kind on a part."""
    kinds: dict[tuple[str, str], list[Finding]] = {}
    for finding in worst_first([finding for finding in review.findings if finding.stops]):
        kinds.setdefault((finding.code, finding.part), []).append(finding)
    stops = []
    for alike in kinds.values():
        # A place can be shown and changed; the finding on the whole part only sums up.
        shown = next((finding for finding in alike if finding.subject != WHOLE), alike[0])
        figure = next(iter(_figures_of([shown, *alike], figures)), None)
        more = sum(finding.subject != WHOLE for finding in alike) - (shown.subject != WHOLE)
        stops.append(_Stop(shown, figure, more))
    return stops


def _gain(finding: Finding, review: Review) -> str:
    gains = (action.expected_gain for action in review.actions if action.finding == finding.key)
    return next((gain for gain in gains if gain.strip()), "")


def _needs(review: Review, titles: Mapping[str, str]) -> list[str]:
    """What only the customer can settle, most pressing first."""
    units = str(review.submission.get("display_units") or "mm")
    unsettled = [
        f"{display_text(part.file, 40)} was read in {unit_word(part.units)}, which makes it "
        f"{size_text(part.size_mm, units)}"
        for part in review.parts
        if part.units_origin is not Origin.CONFIRMED
    ]
    needs = [f"Confirm the units: {'; '.join(unsettled)}."] if unsettled else []
    unstated = [fact.name for fact in review.facts if _unstated(fact)]
    if unstated:
        needs.append(f"State what is not known yet: {_listed(unstated)}.")
    unconfirmed = [
        f"{fact.name}: {display_text(fact.value, 40)}"
        for fact in review.facts
        if fact.origin is not Origin.CONFIRMED and not _unstated(fact)
    ]
    if unconfirmed:
        needs.append(f"Confirm or correct what was taken without your word: {_listed(unconfirmed)}.")
    for finding in _unchecked(review):
        check = f"{finding.code} {titles[finding.code]}".strip()
        needs.append(f"{check}: {finding.change or finding.message}")
    return list(dict.fromkeys(needs))


def _unstated(fact: Fact) -> bool:
    return fact.value in ("", NOT_STATED)


def _listed(words: Sequence[str]) -> str:
    left = len(words) - _WORDS_LISTED
    more = f" and {left} more" if left > 0 else ""
    return ", ".join(display_text(word, 60) for word in words[:_WORDS_LISTED]) + more


def _unchecked(review: Review) -> list[Finding]:
    return worst_first([finding for finding in review.findings if finding.verdict is Verdict.NOT_CHECKED])


def _still_needed(review: Review, not_covered: Sequence[tuple[str, str]]) -> list[str]:
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


def _domains(review: Review, figures: Sequence[_Figure]) -> list[tuple[str, list[_Group]]]:
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


def grouped(code: str, findings: Sequence[Finding], figures: Sequence[_Figure] = ()) -> _Group:
    """Findings in the order of a page: those that call for something by kind, then those that meet."""
    findings = worst_first(findings)
    kinds: dict[object, list[Finding]] = {}
    for finding in findings:
        if finding.verdict is not Verdict.MEETS:
            alike = (finding.part, finding.verdict, finding.severity, finding.change or finding.key, finding.limits)
            kinds.setdefault(alike, []).append(finding)
    return _Group(
        code,
        findings,
        [(kind[0], kind[1:]) for kind in kinds.values()],
        [finding for finding in findings if finding.verdict is Verdict.MEETS],
        _figures_of(findings, figures),
    )


def _figures_of(findings: Sequence[Finding], figures: Sequence[_Figure]) -> list[_Figure]:
    return [figure for finding in findings for figure in figures if figure.finding == finding.key]


def _limits_used(findings: Iterable[Finding]) -> list[Limit]:
    by_id = {limit.id: limit for finding in findings for limit in finding.limits}
    return [by_id[id] for id in sorted(by_id)]


def _figure(drawing: Drawing, numbers: Mapping[str, int]) -> _Figure:
    if drawing.svg is not None:
        src = _data_uri("image/svg+xml", drawing.svg)
    elif drawing.png is not None:
        src = _data_uri("image/png", drawing.png)
    else:
        raise DocumentError(f"drawing {drawing.name!r} holds neither SVG nor PNG; draw it again")
    return _Figure(
        name=drawing.name,
        finding=drawing.finding,
        number=numbers.get(drawing.finding),
        title=drawing.title,
        caption=drawing.caption,
        alt=drawing.alt or drawing.title or drawing.name,
        src=src,
        width_px=drawing.width_px,
        height_px=drawing.height_px,
        # A strip, or lines and letters drawn for more than half a page.
        wide=drawing.width_px > 1.9 * drawing.height_px or (drawing.svg is not None and drawing.width_px > _HALF_PX),
    )


def _data_uri(kind: str, content: bytes) -> Markup:
    return Markup(f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}")


def _css_string(text: object, limit: int = 60) -> Markup:
    """Text as a CSS string in which nothing but letters and digits of ASCII stands unescaped."""
    shown = display_text(text, limit)
    safe = re.sub(r"[^A-Za-z0-9]", lambda match: f"\\{ord(match.group()):06x}", shown)
    return Markup(f'"{safe}"')


def _source_text(limit: Limit) -> str:
    source = limit.source
    return ", ".join(word for word in (source.title, source.edition, source.clause, source.year) if word)


def _quantity_text(quantity: str) -> str:
    """A quantity's name in the tables of limits, such as ``wall.thickness``, in words."""
    return re.sub(r"[._]+", " ", quantity)


def _judged(finding: Finding) -> tuple[Measurement, ...]:
    """The measurements that the limits bound: the first ones, as many as bounded quantities."""
    return finding.measurements[: max(1, len({limit.quantity for limit in finding.limits}))]


def _also_measured(finding: Finding, display_units: str) -> str:
    others = finding.measurements[len(_judged(finding)) :]
    return "; ".join(f"{other.quantity} {measured_text(other, display_units)}" for other in others)


def _sentence(text: str, limit: int) -> str:
    """Text with a capital at its start and a full stop at its end."""
    shown = display_text(text, limit)
    return shown[:1].upper() + shown[1:] + ("" if shown.endswith((".", "!", "?", "…")) else ".")


def _subject_text(subject: str) -> str:
    return "whole part" if subject == "part" else subject


def _places_text(places: Sequence[Place]) -> str:
    named = [", ".join(f"{axis} {x:.1f}" for axis, x in zip("xyz", p.point_mm, strict=True)) for p in places]
    left = len(named) - _PLACES_NAMED
    more = f"; and {counted(left, 'more place')}" if left > 0 else ""
    return "; ".join(named[:_PLACES_NAMED]) + " mm" + more if named else ""


def _pose_text(setup: Setup) -> str:
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


def _volume_text(volume_mm3: float, units: str) -> str:
    return measured_text(Measurement("volume", volume_mm3, "mm3"), units)
