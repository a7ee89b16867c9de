"""The minutes of a week: who decided what on which revision and why, and who does what until when.

They are read out of the record and nothing else, so that nobody retypes a decision; reviews on
disk only lend the numbers that findings have in their documents.
"""

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from reviewkit.checks import title_of
from reviewkit.decisions import Decision, Disposition, Role, Signature, Standing, standing
from reviewkit.document.files import make_folder, read_bytes, sha256_of, write_bytes
from reviewkit.document.outline import subject_text
from reviewkit.document.page import sections_html
from reviewkit.document.pdf import SIGNERS, sections_pdf
from reviewkit.document.sections import Block, Bullets, Section, Signatures, Table, Text, cell, words
from reviewkit.document.text import counted, display_text, spreadsheet_text
from reviewkit.errors import DocumentError, RecordError, SigningError
from reviewkit.model import Verdict
from reviewkit.record import Event, Kind, Record
from reviewkit.signing import DOCUMENT, Box, Expected, Identity, Line, check_document, signed
from reviewkit.signoff import boxes_of, introduced

FILE_NAME = "minutes.json"
SCHEMA = "reviewkit-minutes/1"
PDF = "minutes.pdf"

_KIND = "Minutes of the review meeting"
_CONSENT, _MINUTES = "consent list", "minutes"
_COLUMNS = ("owner", "due", "late", "number", "revision", "finding", "action", "reason", "decided by", "decided on")
_WIDTHS = (18, 12, 7, 14, 9, 40, 10, 50, 18, 12)
_ACTS = {
    Kind.REVIEWED: "review put on record",
    Kind.DISPOSITION: "decision",
    Kind.OUTCOME: "outcome",
    Kind.SIGNED: "signature",
}
_PROMISES = (Disposition.REWORK, Disposition.DEFER)
_PLURALS = {Kind.REVIEWED: "reviews put on record"}


@dataclass(frozen=True)
class Taken:
    """A disposition with the findings that got it in the same words; ``again`` are those that had another before."""

    decision: Decision
    findings: tuple[str, ...]
    again: tuple[str, ...] = ()


@dataclass(frozen=True)
class Dealt:
    """What was done about one revision in a week; ``outcome`` is empty where none was chosen then."""

    number: str
    revision: str
    name: str
    customer: str
    taken: tuple[Taken, ...] = ()
    outcome: str = ""
    reason: str = ""
    terms: str = ""
    chosen_by: str = ""
    signatures: tuple[Signature, ...] = ()
    left: int = 0

    @property
    def what(self) -> str:
        """Number, revision and name."""
        return " ".join(part for part in (self.number, self.revision, self.name) if part)


@dataclass(frozen=True)
class Task:
    """Something promised and not settled; ``finding`` is in words, ``late`` as of the minutes' last day."""

    decision: Decision
    number: str
    finding: str
    late: bool


@dataclass(frozen=True)
class Minutes:
    """The minutes of a week.

    ``seq`` and ``head`` name the last event of the record that they rest on; ``people`` are
    those who took part, with what they did; ``consent`` are lists passed in one decision, with
    who passed them; ``signed`` are hashes of minutes of this week that were signed before.
    """

    week: str
    first: date
    last: date
    made: datetime
    seq: int
    head: str
    people: tuple[tuple[str, str], ...]
    dealt: tuple[Dealt, ...]
    consent: tuple[tuple[str, tuple[str, ...]], ...]
    waiting: tuple[Dealt, ...]
    tasks: tuple[Task, ...]
    signed: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What the week brought, in a line."""
        decided = sum(len(taken.findings) for dealt in self.dealt for taken in dealt.taken)
        late = sum(task.late for task in self.tasks)
        passed = sum(len(names) for _, names in self.consent)
        told = [counted(len(self.dealt), "revision") + " dealt with", counted(decided, "finding") + " decided"]
        told += [f"{passed} passed by consent"] if passed else []
        told += [counted(len(self.tasks), "open action") + (f", {late} of them late" if late else "")]
        return ", ".join(told)


def minutes_of(record: Record, week: str, out: str | Path | None = None, *, now: datetime | None = None) -> Minutes:
    """The minutes of a week, as the record stood at its end or stands now.

    Parameters
    ----------
    record : Record
    week : str
        An ISO week such as ``2026-W48``; it begins on Monday 00:00 UTC.
    out : str or Path, optional
        Folder below which the reviews lie; without it findings go without their numbers.
    now : datetime, optional
        The present moment by default.

    Returns
    -------
    Minutes

    Raises
    ------
    RecordError
        When that is no week, or nothing was on record then.

    References
    ----------
    ISO 8601-1:2019, 3.1.1.23: weeks begin on Monday, the first holds the year's first Thursday (from memory).
    """
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    first = _monday(week)
    last = first + timedelta(days=6)
    then = _Until(record, last)
    until = then.events()
    if not until or first > moment.date():
        why = "it has not begun" if first > moment.date() else "the record holds nothing up to its end"
        raise RecordError(f"there are no minutes of {week}: {why}; name another week or another --records")
    during = [event for event in until if _day(event) >= first]
    revisions = dict.fromkeys((event.number, event.revision) for event in during if event.number)
    seen = {revision: standing(then, *revision) for revision in revisions}
    numbers = _numbers(out, {standing.review_sha256 for standing in seen.values()})
    passed = {tuple(pair) for event in during if _is(event, _CONSENT) for pair in event.data["passed"]}
    dealt = [_dealt(seen[revision], during, until, numbers) for revision in revisions]
    acted = [d for d in dealt if d.taken or d.signatures or (d.outcome and (d.number, d.revision) not in passed)]
    idle = [d for d in dealt if d not in acted and (d.number, d.revision) not in passed]
    names = {(e.number, e.revision): str(e.data.get("name") or "") for e in until if e.kind is Kind.RECEIVED}
    return Minutes(
        week=week,
        first=first,
        last=last,
        made=moment,
        seq=until[-1].seq,
        head=until[-1].hash,
        people=_people(during),
        dealt=tuple(acted),
        consent=tuple(
            (event.who, tuple(" ".join((*pair, names.get(tuple(pair), ""))).strip() for pair in event.data["passed"]))
            for event in during
            if _is(event, _CONSENT)
        ),
        waiting=tuple(d for d in idle if any(_of(e, d) and e.kind is Kind.REVIEWED for e in during)),
        tasks=_tasks(then, until, min(last, moment.date())),
        signed=tuple(e.data["minutes_sha256"] for e in record.events() if _is(e, _MINUTES) and e.data["week"] == week),
    )


def sections(minutes: Minutes) -> list[Section]:
    """What the minutes say, as sections of a document.

    Parameters
    ----------
    minutes : Minutes
    """
    days = f"{minutes.first.isoformat()} to {minutes.last.isoformat()}"
    lead = Text(cell(words(days, "bold"), words(f"{minutes.words}.")), "outcome")
    people = tuple((cell(words(who, "bold")), cell(did)) for who, did in minutes.people)
    took_part: Block = (
        Table("From the record", ("Name", "What they did"), (1.0, 2.6), people) if people else Text(cell("Nobody."))
    )
    return [
        Section("The week in short", (lead,)),
        Section("Who took part", (took_part,)),
        *_decided(minutes),
        *_consent(minutes),
        *_waiting(minutes),
        *_actions(minutes),
        Section("What these minutes rest on", (Text(cell(
            f"Events 1 to {minutes.seq} of the record. A change of any of them would change its last hash:",
            words(minutes.head, "code", 80),
        )),)),
    ]  # fmt: skip


def written(minutes: Minutes, folder: str | Path) -> Path:
    """Write the minutes and the list of actions: HTML, PDF, CSV, XLSX, and what signing needs.

    Parameters
    ----------
    minutes : Minutes
    folder : str or Path
        Made when absent.

    Returns
    -------
    Path
        The HTML page.

    Raises
    ------
    DocumentError
        When the folder cannot be written, or holds signed minutes.
    """
    folder = Path(folder)
    make_folder(folder)
    if (folder / FILE_NAME).exists() and sha256_of(read_bytes(folder / FILE_NAME)) in minutes.signed:
        raise DocumentError(f"{folder} holds signed minutes of {minutes.week}, which stay; choose another --out")
    told = sections(minutes)
    title = f"Week {minutes.week}"
    identity = f"from {minutes.first.isoformat()}, record up to event {minutes.seq}"
    page = sections_html(_KIND, title, identity, told)
    boxes = Section("Signatures", (Text(cell("Signed as a true account of what was decided.")), Signatures(SIGNERS)))
    made = sections_pdf(_KIND, title, identity, [*told, boxes], minutes.made, "for signature")
    files = {
        "minutes.html": page.encode(),
        PDF: made.content,
        "actions.csv": _csv(minutes).encode(),
        "actions.xlsx": _xlsx(minutes),
    }
    for name, content in files.items():
        write_bytes(folder / name, content)
    kept = {
        "schema": SCHEMA, "week": minutes.week, "seq": minutes.seq, "head": minutes.head,
        "files": {name: sha256_of(content) for name, content in files.items()},
        "boxes": [{"role": b.role.value, "page": b.page, "corners_pt": b.corners_pt} for b in boxes_of(made)],
    }  # fmt: skip
    write_bytes(folder / FILE_NAME, (json.dumps(kept, sort_keys=True, indent=1) + "\n").encode())
    return folder / "minutes.html"


def sign_minutes(
    folder: str | Path, record: Record, role: Role, identity: Identity, when: datetime | None = None
) -> Event:
    """Sign the minutes in a folder: the reviewer first, then an approver who is somebody else.

    Parameters
    ----------
    folder : str or Path
        As :func:`written` left it.
    record : Record
        The one that the minutes were written from.
    role : Role
    identity : Identity
    when : datetime, optional
        Now by default.

    Returns
    -------
    Event
        What the record keeps of the signature.

    Raises
    ------
    SigningError
        When a file was changed, the week has gone on since, or the wrong person signs.
    """
    folder, moment = Path(folder), when or datetime.now(UTC)
    told = _kept(folder)
    before = _signatures(record, sha256_of(read_bytes(folder / FILE_NAME)))
    _refuse_signing(folder, told, record, before, role, identity)
    content = signed(read_bytes(folder / PDF), role, identity, told.boxes, moment, f"minutes of {told.week}")
    # The new file lies ready before the record says that it is there.
    ready = write_bytes(folder / f".{PDF}.signed", content)
    try:
        introduced(record, identity)
        data = {
            "item": _MINUTES, "week": told.week, "role": role.value, "certificate": identity.fingerprint,
            "pdf_sha256": sha256_of(content), "minutes_sha256": sha256_of(read_bytes(folder / FILE_NAME)),
        }  # fmt: skip
        event = record.append(Kind.MEETING, "", "", identity.name, data, when=moment)
        ready.replace(folder / PDF)
    finally:
        ready.unlink(missing_ok=True)
    return event


def verify_minutes(folder: str | Path, record: Record | None = None) -> tuple[Line, ...]:
    """Check the minutes in a folder, a line for each thing that holds or does not.

    Parameters
    ----------
    folder : str or Path
    record : Record, optional
        What signers and hashes are held against.
    """
    folder = Path(folder)
    told = _kept(folder)
    changed = [Line(False, text) for text in _changed(folder, told)]
    lines = changed or [Line(True, f"all files are as {FILE_NAME} says")]
    content, expected = read_bytes(folder / PDF), None
    if record is not None:
        before = _signatures(record, sha256_of(read_bytes(folder / FILE_NAME)))
        signers = tuple((Role(e.data["role"]), e.who, str(e.data["certificate"])) for e in before)
        expected = Expected(signers, before[-1].data["pdf_sha256"] if before else told.pdf_sha256)
        lines += [Line(False, f"the record: {problem}") for problem in record.verify([told.head])]
        since = _since(record, told)
        lines += [Line(None, f"the week has gone on since: {event.words}") for event in since[:3]]
    # The words of that check are about the document of a review.
    checked = [Line(line.holds, line.text.replace(DOCUMENT, PDF)) for line in check_document(content, expected)]
    return (*lines, *checked)


@dataclass(frozen=True)
class _Kept:
    """What a folder of minutes says of itself."""

    week: str
    seq: int
    head: str
    files: Mapping[str, str]
    pdf_sha256: str
    boxes: tuple[Box, ...]


class _Until(Record):
    """The record as it stood at the end of a day."""

    def __init__(self, record: Record, last: date) -> None:
        super().__init__(record.folder)
        self._last = last

    def events(self, number: str = "", revision: str = "", *, after: int = 0) -> tuple[Event, ...]:
        return tuple(event for event in super().events(number, revision, after=after) if _day(event) <= self._last)


def _monday(week: str) -> date:
    found = re.fullmatch(r"(\d{4})-W(\d{2})", week)
    try:
        return date.fromisocalendar(int(found[1]), int(found[2]), 1) if found else _no_week(week)
    except ValueError:
        return _no_week(week)


def _no_week(week: str) -> date:
    raise RecordError(f"{display_text(week, 40)!r} is no week; write it as 2026-W48, the ISO year and week")


def _day(event: Event) -> date:
    return datetime.fromisoformat(event.when).astimezone(UTC).date()


def _is(event: Event, item: str) -> bool:
    return event.kind is Kind.MEETING and event.data.get("item") == item


def _of(event: Event, dealt: Dealt) -> bool:
    return (event.number, event.revision) == (dealt.number, dealt.revision)


def _numbers(out: str | Path | None, wanted: set[str]) -> dict[str, dict[str, int]]:
    """Numbers of the findings in their documents, by the hash of the review and their keys."""
    numbers = {}
    for path in sorted(Path(out).rglob("review.json")) if out else ():
        try:
            content = path.read_bytes()
            if (digest := sha256_of(content)) in wanted:
                numbers[digest] = {str(f["key"]): n for n, f in enumerate(json.loads(content)["findings"], 1)}
        except (OSError, ValueError, LookupError, TypeError):
            continue
    return numbers


def _people(during: Iterable[Event]) -> tuple[tuple[str, str], ...]:
    """Who acted, in the order in which they first did, and how often they did what."""
    acts: dict[str, Counter[Kind]] = {}
    more: dict[str, list[str]] = {}
    for event in during:
        if event.kind in _ACTS:
            acts.setdefault(event.who, Counter())[event.kind] += 1
        elif _is(event, _CONSENT) or _is(event, _MINUTES):
            acts.setdefault(event.who, Counter())
            told = "passed a list by consent" if _is(event, _CONSENT) else f"signed the minutes of {event.data['week']}"
            more.setdefault(event.who, []).append(told)
    return tuple(
        (
            who,
            ", ".join([
                *(counted(counts[kind], name, _PLURALS.get(kind, "")) for kind, name in _ACTS.items() if counts[kind]),
                *more.get(who, ()),
            ]),
        )
        for who, counts in acts.items()
    )  # fmt: skip


def _dealt(
    seen: Standing, during: Sequence[Event], until: Sequence[Event], numbers: Mapping[str, Mapping[str, int]]
) -> Dealt:
    """What happened to a revision in the week, decisions in the same words together."""
    own = [e for e in during if (e.number, e.revision) == (seen.number, seen.revision)]
    received = next(
        (e.data for e in until if e.kind is Kind.RECEIVED and (e.number, e.revision) == (seen.number, seen.revision)),
        {},
    )
    times = Counter(e.data["finding"] for e in own if e.kind is Kind.DISPOSITION)
    known = numbers.get(seen.review_sha256, {})
    groups: dict[Decision, list[str]] = {}
    for key in sorted((key for key in seen.decisions if key in times), key=lambda key: (known.get(key, 0), key)):
        alike = replace(seen.decisions[key], finding="", when=seen.decisions[key].when[:10])
        groups.setdefault(alike, []).append(key)
    outcome = next((e for e in reversed(own) if e.kind is Kind.OUTCOME), None)
    terms = {k: v for k, v in outcome.data.items() if k not in ("outcome", "reason")} if outcome else {}
    return Dealt(
        number=seen.number,
        revision=seen.revision,
        name=str(received.get("name") or ""),
        customer=str(received.get("customer") or ""),
        taken=tuple(
            Taken(
                decision,
                tuple(_finding_words(key, known, seen) for key in keys),
                tuple(_finding_words(key, known, seen) for key in keys if times[key] > 1),
            )
            for decision, keys in groups.items()
        ),
        outcome=str(outcome.data["outcome"]) if outcome else "",
        reason=str(outcome.data.get("reason") or "") if outcome else "",
        terms=", ".join(f"{name} {value}" for name, value in terms.items()),
        chosen_by=outcome.who if outcome else "",
        signatures=tuple(s for s in seen.signatures if any(e.kind is Kind.SIGNED and e.when == s.when for e in own)),
        left=len(seen.undecided),
    )


def _finding_words(key: str, numbers: Mapping[str, int], seen: Standing | None = None) -> str:
    """A finding as a person knows it, from its key: number, what is judged, of what, where, and the verdict."""
    code, _, rest = key.partition(":")
    part, _, subject = rest.partition(":")
    number = f"No. {numbers[key]} " if key in numbers else ""
    told = seen.findings.get(key) if seen else None
    where = f": {part}, {subject_text(subject)}" if subject else f": {rest}" if rest else ""
    return f"{number}{code} {title_of(code)}{where}" + (f", {told.verdict.value}" if told else "")


def _tasks(record: Record, until: Sequence[Event], day: date) -> tuple[Task, ...]:
    """What was promised for the revisions in force and is not settled, by owner and date."""
    tasks: list[Task] = []
    for number, revision in dict.fromkeys((event.number, event.revision) for event in until if event.number):
        seen = standing(record, number, revision)
        if seen.superseded_by:
            continue
        own = [d for key, d in seen.decisions.items() if not _meets(seen, key)]
        tasks += [
            Task(decision, number, _finding_words(decision.finding, {}), decision.late(day))
            for decision in (*own, *(point.decision for point in seen.open_points))
            if decision.disposition in _PROMISES
        ]
    return tuple(sorted(tasks, key=lambda t: (t.decision.owner.casefold(), t.decision.due, t.number, t.finding)))


def _meets(seen: Standing, key: str) -> bool:
    return key in seen.findings and seen.findings[key].verdict is Verdict.MEETS


# --- what the sections say


def _decided(minutes: Minutes) -> list[Section]:
    if not minutes.dealt:
        return [Section("What was decided", (Text(cell("Nothing was decided on any single revision.")),))]
    return [Section("What was decided"), *(_revision(dealt) for dealt in minutes.dealt)]


def _revision(dealt: Dealt) -> Section:
    left = f"{counted(dealt.left, 'finding')} still to decide." if dealt.left else ""
    outcome = f"Outcome: {dealt.outcome}" if dealt.outcome else "No outcome was chosen."
    by = f"Chosen by {dealt.chosen_by}" + (f" for {dealt.terms}" if dealt.terms else "") if dealt.outcome else ""
    signed_by = [f"Signed by {s.who} as {s.role.value}, {s.when[:10]}" for s in dealt.signatures]
    lines = cell(words(outcome, "bold"), words(dealt.reason), words(by, "aside"), *signed_by, left)
    blocks: list[Block] = [Text(lines)]
    if dealt.taken:
        heads = ("Finding", "Decision", "Why", "Who, until when", "Decided by")
        rows = tuple(
            (
                cell(*taken.findings, *(words(f"{finding}: decided before in another way", "aside")
                                        for finding in taken.again)),
                cell(words(taken.decision.disposition.value, "bold")),
                cell(words(taken.decision.reason)),
                cell(*(f"{name} {value}" for name, value in _terms(taken.decision))),
                cell(words(taken.decision.who), words(taken.decision.when, "aside")),
            )
            for taken in dealt.taken
        )  # fmt: skip
        count = sum(len(taken.findings) for taken in dealt.taken)
        caption = f"{counted(count, 'finding')} decided"
        blocks.append(Table(caption, heads, (2.9, 1.25, 2.2, 1.5, 1.1), rows, split_rows=True))
    title = f"{dealt.what}, {dealt.customer}" if dealt.customer else dealt.what
    return Section(title, tuple(blocks), level=2)


def _terms(decision: Decision) -> list[tuple[str, str]]:
    told = [("", decision.owner), ("due", decision.due), ("allowed by", decision.approver), ("until", decision.expiry)]
    return [(name, value) for name, value in told if value]


def _consent(minutes: Minutes) -> list[Section]:
    return [
        Section(
            "Passed by consent",
            (
                Text(cell(f"Nothing fails, nothing is unchecked, nothing is late; released in one decision by {who}:")),
                Bullets(tuple(cell(name) for name in names)),
            ),
        )
        for who, names in minutes.consent
    ]


def _waiting(minutes: Minutes) -> list[Section]:
    if not minutes.waiting:
        return []
    told = tuple(cell(f"{dealt.what}: {counted(dealt.left, 'finding')} to decide") for dealt in minutes.waiting)
    return [Section("Reviewed, nothing decided yet", (Bullets(told),))]


def _actions(minutes: Minutes) -> list[Section]:
    if not minutes.tasks:
        return [Section("Open actions", (Text(cell("Nothing is promised and open.")),))]
    owners: dict[str, list[Task]] = {}
    for task in minutes.tasks:
        owners.setdefault(task.decision.owner, []).append(task)
    return [Section("Open actions", tuple(_owed(owner, tasks) for owner, tasks in owners.items()))]


def _owed(owner: str, tasks: Sequence[Task]) -> Table:
    """What one person owes; the same promise for several findings of a revision in one row."""
    alike: dict[tuple[str, Decision], list[Task]] = {}
    for task in tasks:
        alike.setdefault((task.number, replace(task.decision, finding="", when="", who="")), []).append(task)
    late = sum(task.late for task in tasks)
    caption = f"{owner}: {counted(len(tasks), 'open action')}" + (f", {late} late" if late else "")
    rows = tuple(
        (
            cell(words(decision.due), words("late" if group[0].late else "", "bold")),
            cell(f"{number} {decision.revision}"),
            cell(words(decision.disposition.value, "bold"), words(decision.reason)),
            cell(*(task.finding for task in group)),
        )
        for (number, decision), group in alike.items()
    )
    return Table(caption, ("Due", "Revision", "Action", "For"), (0.8, 1.0, 2.6, 2.6), rows, split_rows=True)


# --- the list for spreadsheets


def _rows(minutes: Minutes) -> list[tuple[str, ...]]:
    return [
        (
            task.decision.owner, task.decision.due, "late" if task.late else "", task.number, task.decision.revision,
            task.finding, task.decision.disposition.value, task.decision.reason, task.decision.who,
            task.decision.when[:10],
        )
        for task in minutes.tasks
    ]  # fmt: skip


def _csv(minutes: Minutes) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows([spreadsheet_text(value) for value in row] for row in _rows(minutes))
    return text.getvalue()


def _xlsx(minutes: Minutes) -> bytes:
    """The same as a workbook: dates as dates, every text typed as text, whatever it begins with."""
    book = Workbook()
    sheet = book.active
    sheet.title = "Actions"
    for at, (name, width) in enumerate(zip(_COLUMNS, _WIDTHS, strict=True), 1):
        sheet.cell(1, at, name).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(at)].width = width
    for line, row in enumerate(_rows(minutes), 2):
        for at, (name, value) in enumerate(zip(_COLUMNS, row, strict=True), 1):
            place = sheet.cell(line, at)
            if name in ("due", "decided on"):
                place.value, place.number_format = date.fromisoformat(value), "yyyy-mm-dd"
            else:
                place.value, place.data_type, place.number_format = display_text(value, 1000), "s", "@"
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(_COLUMNS))}{len(minutes.tasks) + 1}"
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


# --- signing


def _refuse_signing(
    folder: Path, told: _Kept, record: Record, before: Sequence[Event], role: Role, identity: Identity
) -> None:
    week = told.week
    again = f"write them again with reviewkit minutes {week}"
    if changed := _changed(folder, told):
        raise SigningError(f"{folder} is not as it was written: {'; '.join(changed)}; {again}")
    if told.head not in {event.hash for event in record.events()}:
        raise SigningError(f"the minutes in {folder} were not written from this record; {again}")
    if since := _since(record, told):
        raise SigningError(f"the week has gone on since the minutes were written: {since[0].words}; {again}")
    for event in before:
        if event.data["role"] == role.value:
            raise SigningError(f"the minutes of {week} are signed by {event.who} as {role.value} already")
    expected = before[-1].data["pdf_sha256"] if before else told.pdf_sha256
    if sha256_of(read_bytes(folder / PDF)) != expected:
        raise SigningError(f"{folder / PDF} is not the file that was written or signed; run reviewkit verify {folder}")
    if role is Role.APPROVER:
        if not before:
            raise SigningError(f"the minutes of {week} are not signed by the reviewer yet; the approver signs second")
        first = before[0]
        if identity.fingerprint == first.data["certificate"] or identity.name.casefold() == first.who.casefold():
            raise SigningError(f"{identity.name} signed the minutes of {week} as reviewer; the approver is another")


def _since(record: Record, told: _Kept) -> list[Event]:
    """What happened in the same week after the minutes were written and is not in them."""
    last = _monday(told.week) + timedelta(days=6)
    later = [event for event in record.events(after=told.seq) if _day(event) <= last]
    return [event for event in later if event.kind in _ACTS or _is(event, _CONSENT)]


def _signatures(record: Record, minutes_sha256: str) -> list[Event]:
    return [e for e in record.events() if _is(e, _MINUTES) and e.data["minutes_sha256"] == minutes_sha256]


def _changed(folder: Path, told: _Kept) -> list[str]:
    """Files of the minutes that are gone or changed; the PDF changes when it is signed and is checked by itself."""
    problems = []
    for name, digest in told.files.items():
        if not (folder / name).exists():
            problems.append(f"{name} is missing")
        elif name != PDF and sha256_of(read_bytes(folder / name)) != digest:
            problems.append(f"{name} was changed")
    return problems


def _kept(folder: Path) -> _Kept:
    try:
        told = json.loads(read_bytes(folder / FILE_NAME))
        if told["schema"] != SCHEMA:
            raise DocumentError(f"{folder / FILE_NAME}: schema {told['schema']!r}, this kit reads {SCHEMA!r}")
        boxes = tuple(Box(Role(b["role"]), int(b["page"]), _corners(*b["corners_pt"])) for b in told["boxes"])
        files = {str(name): str(digest) for name, digest in told["files"].items()}
        return _Kept(str(told["week"]), int(told["seq"]), str(told["head"]), files, files[PDF], boxes)
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise DocumentError(f"{folder} holds no readable minutes: {error}; write them again") from None


def _corners(x0_pt: float, y0_pt: float, x1_pt: float, y1_pt: float) -> tuple[float, float, float, float]:
    return float(x0_pt), float(y0_pt), float(x1_pt), float(y1_pt)
