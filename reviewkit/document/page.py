"""The review document: one self-contained HTML file that opens offline and prints on A4.

No script, no remote address: every image is a data URI, and a content security policy
says so to the browser.  Whatever the template prints is cleaned by
:func:`~reviewkit.document.text.display_text` and escaped, without exception.
"""

import base64
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reviewkit.document.outline import (
    CAUTIONS,
    NOT_ESTABLISHED,
    ORIGIN_WORDS,
    OUTCOME_MEANING,
    STATUS_WORDS,
    also_measured,
    domains_of,
    gain_of,
    joined,
    judged,
    limits_used,
    needs_of,
    places_text,
    pose_text,
    quantity_text,
    scope,
    sentence,
    shown_limits,
    some,
    source_text,
    still_needed,
    stops_of,
    subject_text,
    titles_of,
    unchecked,
    unstated,
    volume_text,
)
from reviewkit.document.sections import Section, is_wide
from reviewkit.document.text import (
    counted,
    display_text,
    length_text,
    limit_text,
    measured_text,
    size_text,
    tally,
    unit_word,
)
from reviewkit.errors import DocumentError
from reviewkit.model import Drawing, Origin, Review

# The first page must stay one page of A4 whatever a customer wrote.
_STOPS_SHOWN = 3
_NEEDS_SHOWN = 5
_PARTS_NAMED = 4

_LONGEST_TEXT = 2000


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
    stops = stops_of(review, figures)
    named = titles_of(review.findings, titles or {})
    return (
        environment()
        .get_template("review.html.j2")
        .render(
            review=review,
            units=str(head.get("display_units") or "mm"),
            block=title_block or TitleBlock(),
            titles=named,
            name=head.get("name") or joined(part_names.values()) or "unnamed part",
            number=head.get("number") or joined(part.number for part in review.parts),
            revision=head.get("revision") or joined(part.revision for part in review.parts),
            facts=sorted(review.facts, key=lambda fact: fact.origin is Origin.CONFIRMED),
            customer=head.get("customer"),
            part_names=part_names,
            parts_named=some(review.parts, _PARTS_NAMED),
            meaning=OUTCOME_MEANING[review.outcome_suggested],
            scope=scope(review),
            numbers=numbers,
            gains={finding.key: gain_of(finding, review) for finding in review.findings},
            stops=stops[:_STOPS_SHOWN],
            stops_left=len(stops) - _STOPS_SHOWN,
            still_needed=still_needed(review, not_covered),
            needs=some(needs_of(review, named), _NEEDS_SHOWN),
            pictures=[figure for figure in figures if figure.number is None],
            domains=domains_of(review, figures),
            unchecked=unchecked(review),
            not_covered=not_covered,
            cautions=CAUTIONS,
            not_established=NOT_ESTABLISHED,
            limits=limits_used(review.findings),
            actions=sorted(review.actions, key=lambda action: action.priority),
        )
    )


def sections_html(kind: str, title: str, identity: str, sections: Sequence[Section]) -> str:
    """A document of sections as one self-contained page, in the look of a review.

    Parameters
    ----------
    kind, title, identity : str
        What it is, of what, and the line under its title.
    sections : sequence of Section
    """
    return (
        environment()
        .get_template("sections.html.j2")
        .render(kind=kind, title=title, identity=identity, sections=sections, image=figure_of)
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
        "also_measured": also_measured,
        "in_mm": length_text,
        "judged": judged,
        "limit_words": limit_text,
        "measured": measured_text,
        "origin": lambda origin: ORIGIN_WORDS[origin],
        "places": places_text,
        "pose": pose_text,
        "quantity": quantity_text,
        "sentence": sentence,
        "shown_limits": shown_limits,
        "size": size_text,
        "source": source_text,
        "status": lambda status: STATUS_WORDS[status],
        "stood_for": lambda fact: "stated by nobody" if unstated(fact) else ORIGIN_WORDS[fact.origin],
        "subject": subject_text,
        "tally": tally,
        "unit_word": unit_word,
        "volume": volume_text,
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
        wide=is_wide(drawing),
    )


def figure_of(drawing: Drawing) -> _Figure:
    """A drawing as an image of a page, apart from any finding."""
    return _figure(drawing, {})


def _data_uri(kind: str, content: bytes) -> Markup:
    return Markup(f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}")


def _css_string(text: object, limit: int = 60) -> Markup:
    """Text as a CSS string in which nothing but letters and digits of ASCII stands unescaped."""
    shown = display_text(text, limit)
    safe = re.sub(r"[^A-Za-z0-9]", lambda match: f"\\{ord(match.group()):06x}", shown)
    return Markup(f'"{safe}"')
