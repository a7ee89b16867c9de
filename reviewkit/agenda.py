"""The agenda of a week: what waits, in which order, what blocks it, and what passes by consent."""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from pathlib import Path

from IPython.display import HTML, display
from markupsafe import Markup

from reviewkit.checks import title_of
from reviewkit.compare import State as Change
from reviewkit.compare import changes
from reviewkit.decisions import Decision, Disposition, Standing, conclude, named, refusals, standing
from reviewkit.document.files import make_folder, read_review, write_bytes
from reviewkit.document.outline import scope
from reviewkit.document.page import environment, figure_of
from reviewkit.document.show import show_drawing
from reviewkit.document.text import counted, display_text, tally
from reviewkit.errors import DocumentError, RecordError
from reviewkit.figures import week as figures
from reviewkit.limits import load_limits
from reviewkit.model import Drawing, Outcome, Review, Verdict
from reviewkit.record import Event, Kind, Record, find_record
from reviewkit.weekly import Entry, Week, week_label

PAGE = "agenda.html"
BY_CONSENT = "passed by consent: nothing fails, nothing is unchecked, nothing is late"

_VERDICTS = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)

# What a chart can show and a reader takes in.
_WEEKS_SHOWN = 12
_KINDS_SHOWN = 10
_OTHERS = "All others"
_LONGEST_LINE = 400


class State(StrEnum):
    """How a submission stands on the agenda."""

    REFUSED = "refused"
    STOPPED = "stopped"
    REVIEWED = "reviewed"
    UNCHANGED = "unchanged"
    SIGNED = "signed"
    SUPERSEDED = "superseded"


class Group(StrEnum):
    """Where on the agenda a submission stands."""

    DISCUSS = "To discuss, by severity times quantity"
    NO_REVIEW = "Without a review"
    CONSENT = "To pass by consent"
    DECIDED = "Decided or superseded"


@dataclass(frozen=True, eq=False)
class Item:
    """One submission on the agenda.

    ``weight`` orders the agenda [-]: over all failing findings that apply the weight of their
    severity, times the quantity.  ``before`` is the revision that ``changed`` counts against.  ``seen`` is
    how the record stood when the agenda was made, None when this review is not on record.
    """

    entry: Entry
    folder: Path
    group: Group
    state: State
    reason: str = ""
    number: str = ""
    revision: str = ""
    name: str = ""
    customer: str = ""
    quantity: int | None = None
    counts: Mapping[Verdict, int] = field(default_factory=dict)
    tally: str = ""
    suggested: str = ""
    outcome: str = ""
    before: str = ""
    changed: Mapping[Change, int] = field(default_factory=dict)
    late: tuple[str, ...] = ()
    blocks: tuple[str, ...] = ()
    weight: float = 0.0
    picture: Drawing | None = None
    seen: Standing | None = None
    terms: Mapping[str, str] = field(default_factory=dict)

    @property
    def what(self) -> str:
        """Number and revision, or the name of the folder where they are not known."""
        return " ".join(part for part in (self.number, self.revision) if part) or self.entry.name

    @property
    def since(self) -> str:
        """What changed since the revision before, in a line."""
        return ", ".join(f"{count} {state.value}" for state, count in self.changed.items())


@dataclass(frozen=True)
class Trend:
    """Failing findings by kind in each week, and how many revisions were reviewed."""

    weeks: tuple[str, ...]
    failing: Mapping[str, tuple[int, ...]]
    reviewed: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Agenda:
    """The submissions of a week in the order in which they come up; ``trend`` is None without a record."""

    week: Week
    items: tuple[Item, ...]
    trend: Trend | None = None

    def of(self, group: Group) -> list[Item]:
        """The items of one group, in order."""
        return [item for item in self.items if item.group is group]


SORTS: Mapping[str, Callable[[Item], tuple[object, ...]]] = {
    "agenda": lambda item: (list(Group).index(item.group), -item.weight, -len(item.late), -_open(item), item.what),
    "number": lambda item: (item.what, item.entry.name),
    "name": lambda item: (item.name.casefold(), item.what),
    "customer": lambda item: (item.customer.casefold(), item.what),
    "quantity": lambda item: (-(item.quantity or 0), item.what),
    "failing": lambda item: (-item.counts.get(Verdict.FAILS, 0), item.what),
    "not checked": lambda item: (-item.counts.get(Verdict.NOT_CHECKED, 0), item.what),
    "late": lambda item: (-len(item.late), item.what),
    "state": lambda item: (list(State).index(item.state), item.what),
}


def agenda(week: Week, records: str | Path | None = None, today: date | None = None) -> Agenda:
    """The agenda of a week, from its reviews on disk and the record.

    Parameters
    ----------
    week : Week
    records : str or Path, optional
        Folder of the record; without one nothing is known of promises and decisions.
    today : date, optional
        The present day by default, for what is late.
    """
    day = today or datetime.now(UTC).date()
    record = find_record(records)
    heads = _heads(week.out)
    items = [_item(entry, week.folder(entry), heads, record, day) for entry in week.entries]
    return Agenda(week, tuple(sorted(items, key=SORTS["agenda"])), trend(record) if record else None)


def trend(record: Record) -> Trend | None:
    """Failing findings by kind over the last weeks, or None when the record holds no review.

    Of several reviews of one revision in a week the last one counts.

    Parameters
    ----------
    record : Record
    """
    last: dict[tuple[date, str, str], Event] = {}
    for event in record.events():
        if event.kind is Kind.REVIEWED:
            last[(_monday(event.when), event.number, event.revision)] = event
    if not last:
        return None
    end = max(monday for monday, _, _ in last)
    start = max(min(monday for monday, _, _ in last), end - timedelta(weeks=_WEEKS_SHOWN - 1))
    mondays = [start + timedelta(weeks=number) for number in range((end - start).days // 7 + 1)]
    counts: dict[str, list[int]] = {}
    reviewed = [0] * len(mondays)
    for (monday, _, _), event in last.items():
        if monday < start:
            continue
        at = mondays.index(monday)
        reviewed[at] += 1
        for key, told in event.data["findings"].items():
            if told["verdict"] == Verdict.FAILS:
                counts.setdefault(key.partition(":")[0], [0] * len(mondays))[at] += 1
    ranked = sorted(counts, key=lambda code: (-sum(counts[code]), code))
    shown = ranked if len(ranked) <= _KINDS_SHOWN else ranked[: _KINDS_SHOWN - 1]
    failing = {f"{code} {title_of(code)}": tuple(counts[code]) for code in shown}
    if len(shown) < len(ranked):
        rest = [counts[code] for code in ranked[len(shown) :]]
        failing[_OTHERS] = tuple(sum(column) for column in zip(*rest, strict=True))
    return Trend(tuple(week_label(monday) for monday in mondays), failing, tuple(reviewed))


def pass_consent(record: Record, told: Agenda, who: str, only: Sequence[str] = ()) -> Event:
    """Release by one decision the parts of which nothing is left to discuss.

    Each gets its outcome, and the record one event of the meeting that names them all.

    Parameters
    ----------
    record : Record
    told : Agenda
        What the person saw.
    who : str
        Who decides.
    only : sequence of str
        The items meant, as :attr:`Item.what` names them; by default the whole consent list.

    Returns
    -------
    Event
        The event of the meeting.

    Raises
    ------
    RecordError
        When one of them is not fit to pass, with the reason, or when there is none; then
        nothing is recorded.
    StaleError
        When somebody decided on one of them since; those before it stand, and the record
        names them.
    """
    chosen = [item for item in told.items if item.what in only] if only else told.of(Group.CONSENT)
    unknown = [name for name in only if name not in {item.what for item in chosen}]
    against = [f"{name}: it is not on the agenda" for name in unknown]
    against += [f"{item.what}: {'; '.join(why)}" for item in chosen if (why := _against_consent(item))]
    if against:
        raise RecordError(f"these cannot pass by consent: {' / '.join(against)}")
    if not chosen:
        raise RecordError("nothing can pass by consent this week; each part has something to discuss")
    passed: list[Item] = []
    stopped: RecordError | None = None
    for item in chosen:
        assert item.seen is not None
        try:
            conclude(record, item.seen, Outcome.RELEASE, who, BY_CONSENT, **item.terms)
        except RecordError as error:
            stopped = error
            break
        passed.append(item)
    if passed:
        data = {
            "item": "consent list", "outcome": Outcome.RELEASE.value, "week": told.week.label,
            "passed": [[item.number, item.revision] for item in passed],
        }  # fmt: skip
        event = record.append(Kind.MEETING, "", "", who, data)
    if stopped is not None:
        raise stopped
    return event


def written(told: Agenda, out: str | Path | None = None) -> Path:
    """Write the agenda as one self-contained page beside the reviews, to which it links.

    Parameters
    ----------
    told : Agenda
    out : str or Path, optional
        The folder of the reviews by default.

    Returns
    -------
    Path
    """
    folder = Path(out or told.week.out)
    make_folder(folder)
    return write_bytes(folder / PAGE, page(told).encode())


def page(told: Agenda) -> str:
    """The agenda as HTML, in the look of a review."""
    groups = [(group, told.of(group)) for group in Group]
    template = environment().get_template("agenda.html.j2")
    return template.render(
        week=told.week, groups=groups, image=figure_of, trend=trend_drawing(told), consent=Group.CONSENT
    )


def table(items: Sequence[Item], caption: str) -> HTML:
    """Items as a workbook shows them.

    Parameters
    ----------
    items : sequence of Item
    caption : str
    """
    template = environment().get_template("agenda_cell.html.j2")
    return HTML(Markup(template.render(items=items, caption=caption, image=figure_of)))


def lines(told: Agenda) -> list[str]:
    """The agenda for a terminal, a line an item under the heading of its group."""
    shown = []
    for group in Group:
        items = told.of(group)
        shown += [f"{group.value}: {len(items)}"] if items else []
        for item in items:
            facts = [item.tally, item.since and f"since {item.before}: {item.since}", item.outcome]
            facts += [f"{len(item.late)} late" if item.late else "", item.reason]
            text = "; ".join(fact for fact in facts if fact)
            what = display_text(f"{item.what} {item.name}")
            shown.append(f"  {what} ({item.state.value}): {display_text(text, _LONGEST_LINE)}")
    return shown


def trend_drawing(told: Agenda) -> Drawing | None:
    """The chart of failing findings over the weeks, or None without a record of any."""
    if told.trend is None:
        return None
    return figures.trend(told.trend.weeks, told.trend.failing, told.trend.reviewed)


def show_trend(told: Agenda) -> None:
    """Display the chart of failing findings over the weeks, or that there is none."""
    drawing = trend_drawing(told)
    if drawing is None:
        display(HTML("<p>There is no review on record.</p>"))
    else:
        show_drawing(drawing)


@dataclass(frozen=True)
class _Head:
    """What tells one review on disk from another."""

    number: str
    revision: str
    received: str
    sha256: str

    @property
    def age(self) -> tuple[str, int, str]:
        return self.received, len(self.revision), self.revision


def _item(entry: Entry, folder: Path, heads: Mapping[Path, _Head], record: Record | None, day: date) -> Item:
    state = State(entry.done.value)
    if not entry.has_review:
        return Item(entry, folder, Group.NO_REVIEW, state, entry.reason, entry.number, entry.revision)
    try:
        review = read_review(folder)
    except DocumentError as error:
        return Item(entry, folder, Group.NO_REVIEW, State.STOPPED, str(error), entry.number, entry.revision)
    number, revision = named(review)
    seen, unknown = _seen(record, number, revision, heads[folder].sha256)
    late = tuple(_promise(decision) for decision in _promises(seen) if decision.late(day)) if seen else ()
    outcome = seen.outcome if seen else None
    blocks = refusals(seen, outcome or Outcome.RELEASE, day) if seen else (unknown,)
    newer = (seen.superseded_by if seen else "") or _newer(folder, heads)
    if newer:
        # What it still owes, the newer one owes.
        state, late, blocks = State.SUPERSEDED, (), (f"revision {newer} has superseded it",)
    elif seen and seen.signatures:
        state = State.SIGNED
    older = _older(folder, heads)
    item = Item(
        entry=entry,
        folder=folder,
        group=Group.DISCUSS,
        state=state,
        reason=entry.reason,
        number=number,
        revision=revision,
        name=str(review.submission.get("name") or review.parts[0].name or review.parts[0].file),
        customer=str(review.submission.get("customer") or ""),
        quantity=_quantity(review),
        counts={verdict: sum(f.verdict is verdict for f in review.findings) for verdict in _VERDICTS},
        tally=tally(review.findings),
        suggested=review.outcome_suggested.value,
        outcome=outcome.value if outcome else "",
        before=heads[older].revision if older else "",
        changed=_changed(older, review) if older else {},
        late=late,
        blocks=blocks,
        weight=_weight(review, _ruled_out(seen)),
        picture=next((figures.thumbnail(p) for p in review.pictures if not p.finding), None),
        seen=seen,
        terms={name.lower(): str(value or "") for name, value in scope(review)},
    )
    return replace(item, group=_group(item))


def _group(item: Item) -> Group:
    if item.state is State.SUPERSEDED or (item.outcome and not item.late and not item.blocks):
        return Group.DECIDED
    return Group.DISCUSS if _against_consent(item) else Group.CONSENT


def _against_consent(item: Item) -> list[str]:
    """Why an item has to be discussed; nothing when it may pass by consent."""
    seen = item.seen
    if seen is None:
        return [*item.blocks] or [item.reason or "there is no review"]
    ruled_out = _ruled_out(seen)
    told = {verdict: [k for k, t in seen.findings.items() if t.verdict is verdict and k not in ruled_out]
            for verdict in (Verdict.FAILS, Verdict.NOT_CHECKED)}  # fmt: skip
    reasons = [f"{counted(len(keys), 'finding')} {verdict.value}" for verdict, keys in told.items() if keys]
    reasons += [f"{len(item.late)} late"] if item.late else []
    reasons += [f"{counted(len(seen.open_points), 'open point')} of earlier revisions"] if seen.open_points else []
    reasons += [f"it has the outcome {seen.outcome.value}"] if seen.outcome else []
    return reasons + [line for line in item.blocks if not reasons]


def _seen(record: Record | None, number: str, revision: str, review_sha256: str) -> tuple[Standing | None, str]:
    """How the record stands to a review, or why it says nothing of it."""
    if record is None or not record.events(number, revision):
        return None, "the review is not on record"
    seen = standing(record, number, revision)
    if seen.review_sha256 != review_sha256:
        return None, "the record's last review of it is another one"
    return seen, ""


def _ruled_out(seen: Standing | None) -> set[str]:
    """Findings that a reviewer has told not to apply."""
    taken = seen.decisions if seen else {}
    return {key for key, decision in taken.items() if decision.disposition is Disposition.NOT_APPLICABLE}


def _promises(seen: Standing) -> list[Decision]:
    return [*seen.decisions.values(), *(point.decision for point in seen.open_points)]


def _promise(decision: Decision) -> str:
    whose = decision.owner or decision.approver
    until = decision.due or decision.expiry
    on = f" of revision {decision.revision}"
    return f"{decision.finding}: {decision.disposition.value}{on}, {whose}, until {until}"


def _weight(review: Review, ruled_out: Set[str]) -> float:
    """Severity times quantity, summed over the failing findings that apply."""
    limits, setup = load_limits(), review.setup
    quantity = _quantity(review) or limits.value("week.quantity", setup).value
    failing = [f for f in review.findings if f.verdict is Verdict.FAILS and f.key not in ruled_out]
    return quantity * sum(limits.value(f"week.weight.{f.severity.name.lower()}", setup).value for f in failing)


def _quantity(review: Review) -> int | None:
    quantity = review.submission.get("quantity")
    return quantity if isinstance(quantity, int) else None


def _open(item: Item) -> int:
    return item.counts.get(Verdict.NOT_CHECKED, 0)


def _changed(older: Path, review: Review) -> dict[Change, int]:
    try:
        told = changes(read_review(older), review)
    except DocumentError:
        return {}
    counts = {state: sum(change.state is state for change in told) for state in Change}
    return {state: count for state, count in counts.items() if count and state is not Change.UNCHANGED}


def _heads(out: Path) -> dict[Path, _Head]:
    """Every readable review below a folder by its own folder."""
    heads = {}
    for path in sorted(out.rglob("review.json")):
        try:
            content = path.read_bytes()
            told = json.loads(content)["submission"]
            number, revision, received = (str(told.get(name) or "") for name in ("number", "revision", "received"))
        except (OSError, ValueError, LookupError, TypeError, AttributeError):
            continue
        heads[path.parent] = _Head(number, revision, received, hashlib.sha256(content).hexdigest())
    return heads


def _older(folder: Path, heads: Mapping[Path, _Head]) -> Path | None:
    """The review of the revision before that one, where there is one on disk."""
    own = heads[folder]
    older = [place for place, head in heads.items() if _same_part(head, own) and head.age < own.age]
    return max(older, key=lambda place: heads[place].age, default=None)


def _newer(folder: Path, heads: Mapping[Path, _Head]) -> str:
    """The revision after that one, where its review is on disk."""
    own = heads[folder]
    newer = [head for head in heads.values() if _same_part(head, own) and head.age > own.age]
    return min(newer, key=lambda head: head.age).revision if newer else ""


def _same_part(one: _Head, other: _Head) -> bool:
    return bool(one.number) and one.number == other.number and one.revision != other.revision


def _monday(when: str) -> date:
    day = datetime.fromisoformat(when).date()
    return day - timedelta(days=day.weekday())
