"""``estimate.csv``: what a quoter needs of a review, one line a number, with interval, basis and date."""

import csv
import io
from collections.abc import Iterator
from datetime import date, timedelta

from reviewkit.document.text import spreadsheet_text
from reviewkit.measure.costing import TERMS
from reviewkit.model import Finding, Origin, Review, Verdict

ESTIMATE_FILE = "estimate.csv"
COLUMNS = ("part", "check", "what", "value", "low", "high", "unit", "basis")

_PRODUCTION = "production"
_HOLDS_FOR = "an estimate holds for"
_LONGEST = 1000


def estimate_csv(review: Review, issued: date) -> bytes:
    """The estimate of a review as a table.

    Parameters
    ----------
    review : Review
        Its findings on production are told number by number.
    issued : date
        Day from which the estimate holds; the shortest time that any of its prices holds for is added.

    Returns
    -------
    bytes
        UTF-8.  First what was ordered, then each number with its interval at 95 %, what could not be reckoned,
        what was assumed.  Text of a customer is kept from being taken for a formula.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in (*_head(review, issued), *_numbers(review), *_costs(review), *_open(review), *_assumed(review)):
        writer.writerow([spreadsheet_text(cell, _LONGEST) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue().encode()


Row = tuple[str | int | float, ...]


def _findings(review: Review) -> Iterator[Finding]:
    return (one for one in review.findings if one.domain == _PRODUCTION)


def _head(review: Review, issued: date) -> Iterator[Row]:
    """What the estimate is for, and how long it holds."""
    for name in ("number", "revision", "name", "customer", "quantity", "received", "due"):
        value = review.submission.get(name)
        yield "", "", name, "not stated" if value in (None, "") else str(value), "", "", "", ""
    yield "", "", "issued", issued.isoformat(), "", "", "", ""
    days = [m.value for one in _findings(review) for m in one.measurements if m.quantity == _HOLDS_FOR]
    until = (issued + timedelta(days=int(min(days)))).isoformat() if days else "not priced"
    yield "", "", "valid until", until, "", "", "", ""
    yield "", "", "kit", review.kit_version, "", "", "", f"limits {review.limits_sha256[:12]}"
    for part in review.parts:
        setup = part.setup
        told = f"{setup.machine.name}, {setup.material.name}, layer {setup.layer_height_mm:g} mm, {part.count} a set"
        yield part.id, "", "made on", told, "", "", "", f"{part.file} {part.sha256[:12]}"


def _numbers(review: Review) -> Iterator[Row]:
    for part in review.parts:
        for one in _findings(review):
            if one.part != part.id:
                continue
            for m in one.measurements:
                ends = (m.value - m.uncertainty, m.value + m.uncertainty) if m.uncertainty else ("", "")
                unit = "" if m.unit == "-" else m.unit
                yield part.id, one.code, m.quantity, *map(_rounded, (m.value, *ends)), unit, m.method


def _costs(review: Review) -> Iterator[Row]:
    """Terms of the cost at the order's number, and what steps would save."""
    for one in _findings(review):
        if "terms" not in one.evidence:
            continue
        at, numbers = int(one.evidence["at"][0]), one.evidence["quantities"].tolist()
        currency = str(one.evidence["prices"][0])
        for term, amount in zip(TERMS, one.evidence["terms"][numbers.index(at)].tolist(), strict=True):
            yield one.part, one.code, f"{term} at {at:,}", _rounded(amount), "", "", currency, "term of the cost"
        for step, amount in zip(one.evidence["steps"], one.evidence["saved"].tolist(), strict=True):
            yield one.part, one.code, f"saved by {step}", _rounded(amount), "", "", currency, "of one good part"


def _rounded(value: float | str) -> float | str:
    """Six digits, more than any of it is sure to; a blank stays one."""
    return value if isinstance(value, str) else float(f"{value:.6g}")


def _open(review: Review) -> Iterator[Row]:
    for one in _findings(review):
        if one.verdict is Verdict.NOT_CHECKED:
            yield one.part, one.code, "not checked", one.message, "", "", "", one.change


def _assumed(review: Review) -> Iterator[Row]:
    """Facts that nobody stands for, and what findings guess."""
    for fact in review.facts:
        if fact.origin is not Origin.CONFIRMED:
            yield "", "", f"assumption: {fact.name}", fact.value, "", "", "", fact.note or fact.origin.value
    for one in _findings(review):
        if one.guess:
            yield one.part, one.code, "assumption", one.guess, "", "", "", ""
