"""The screen of a review meeting: choose a part and a finding, see the evidence, decide, conclude.

The panel holds no rule: every act is one call of :mod:`reviewkit.decisions` or
:mod:`reviewkit.signoff`, and what they refuse is shown in their own words.  The record is read
again before anything is shown, so that several people may decide at once.
"""

import html
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from reviewkit.decisions import (
    REQUIRED,
    Decision,
    Disposition,
    OpenPoint,
    Standing,
    conclude,
    decide,
    named,
    refusals,
    standing,
)
from reviewkit.document.files import read_drawings, read_review
from reviewkit.document.outline import gain_of, scope, subject_text
from reviewkit.document.page import environment, figure_of
from reviewkit.document.show import findings_table
from reviewkit.document.text import counted, display_text, worst_first
from reviewkit.errors import RecordError, ReviewError
from reviewkit.model import Drawing, Finding, Outcome, Review
from reviewkit.panels.keys import kept_keys
from reviewkit.record import Kind, Record
from reviewkit.signoff import noted, review_hash

CLASS = "reviewkit-meeting"

_OPEN, _EVERY = "need a decision", "all"
_LABEL: dict[str, Any] = {"style": {"description_width": "7em"}}
_FIELD: dict[str, Any] = _LABEL | {"layout": {"width": "auto"}}
_LOOK = f"""{kept_keys(CLASS)}
.{CLASS} .widget-radio {{ display: flex; flex-direction: row; align-items: baseline; width: auto; height: auto; }}
.{CLASS} .widget-radio > label {{ flex: none; text-align: right; margin-right: 8px; }}
.{CLASS} .widget-radio-box {{ flex-flow: row wrap; gap: 2px 12px; margin: 0; }}
.{CLASS} .widget-radio-box label {{ width: auto; margin: 0; padding: 0; }}
.{CLASS} caption {{ display: none; }}
.{CLASS} figure {{ margin: 8px 0; }}
.{CLASS} figure img {{ width: 100%; height: auto; max-height: 52vh; object-fit: contain; object-position: left; }}
.{CLASS} figcaption {{ font-size: 12px; line-height: 1.4; color: #505963; }}
.{CLASS} .said {{ line-height: 1.4; margin: 2px 0; padding: 6px 10px; border-left: 4px solid #1b5a8a;
  background: #f3f5f7; color: #1d2630; }}
.{CLASS} .said[role=alert] {{ border-left-color: #8a2b12; background: #fbf1ee; }}
.{CLASS} .told {{ line-height: 1.45; margin: 0; }}
.{CLASS} :disabled {{ opacity: .45; }}
.{CLASS} :focus-visible {{ outline: 2px solid #1b5a8a; outline-offset: 1px; }}
</style>"""
_FIGURES = """{% for figure in figures %}<figure><img src="{{ figure.src }}" alt="{{ figure.alt | clean(500) }}">
<figcaption><b><bdi>{{ figure.title | clean }}</bdi></b> <bdi>{{ figure.caption | clean(300) }}</bdi></figcaption>
</figure>{% endfor %}"""


class MeetingPanel(widgets.VBox):  # type: ignore[misc]
    """Decide on the findings of the reviews below a folder, and choose their outcomes.

    Parameters
    ----------
    out : str or Path
        Folder below which the reviews lie.
    records : str or Path
        Folder of the record; made when absent.
    who : str
        Who decides; may be typed in the panel.

    Raises
    ------
    RecordError
        When the record cannot be used.
    """

    def __init__(self, out: str | Path = "out", records: str | Path = "records", who: str = "") -> None:
        self._out = Path(out)
        self._record = Record(records)
        self._review: Review | None = None
        self._drawings: tuple[Drawing, ...] = ()
        self._seen: Standing | None = None
        self._typed: dict[tuple[str, str], str] = {}
        self._at = ("", "")
        self._still = False
        self._folders: list[Path] = []
        self._build(who)
        self._watch()
        super().__init__(
            [widgets.HTML(_LOOK), self._head, self.state, self._body], layout=widgets.Layout(grid_gap="4px")
        )
        self.add_class(CLASS)
        self._list_parts()

    # --- what stands where: the order here is the order of the tabulator key

    def _build(self, who: str) -> None:
        self.who = widgets.Text(value=who, description="Your name", continuous_update=False, **_FIELD)
        self.part = widgets.Dropdown(description="Part", **_FIELD)
        self.again = _button("Refresh", "Read the record again and show what others decided")
        self.show = widgets.RadioButtons(
            options=[_OPEN, _EVERY], description="Findings", orientation="horizontal", **_LABEL
        )
        self.finding = widgets.Dropdown(description="Finding", **_FIELD)
        self.state = widgets.HTML()
        self.evidence = widgets.HTML()

        self.note = _button("Put on record", "Put this review on record in your name; decisions rest on it")
        self.disposition = widgets.RadioButtons(
            options=[d.value for d in Disposition],
            value=None,
            description="Decision",
            orientation="horizontal",
            **_LABEL,
        )
        self.owner = widgets.Text(description="Owner", placeholder="who does it", continuous_update=False, **_FIELD)
        self.due = widgets.DatePicker(description="Due", **_FIELD)
        self.approver = widgets.Text(
            description="Approver", placeholder="who allows it", continuous_update=False, **_FIELD
        )
        self.expiry = widgets.DatePicker(description="Holds until", **_FIELD)
        self.reason = widgets.Textarea(description="Reason", rows=4, continuous_update=False, **_FIELD)
        self.record = _button("Record decision", "Write this decision into the record")
        self.said = widgets.HTML()
        self.outcome = widgets.Dropdown(
            options=[("choose one", ""), *((o.value, o.value) for o in Outcome)], description="Outcome", **_FIELD
        )
        self.against = widgets.HTML()
        self.because = widgets.Textarea(description="Why", rows=2, continuous_update=False, **_FIELD)
        self.conclude = _button("Record outcome", "Write the outcome of this revision into the record")

        self.fields = {name: getattr(self, name) for name in ("owner", "due", "approver", "expiry")}
        self.who.layout.flex, self.part.layout.flex = "0 1 22em", "1 1 18em"
        self._head = widgets.VBox(
            [
                widgets.HBox([self.who, self.part, self.again], layout=widgets.Layout(flex_flow="row wrap")),
                self.show,
                self.finding,
            ]
        )
        form = [
            self.note, self.disposition, *self.fields.values(), self.reason, self.record, self.said,
            self.outcome, self.against, self.because, self.conclude,
        ]  # fmt: skip
        self._body = widgets.HBox(
            [
                widgets.Box([self.evidence], layout=widgets.Layout(flex="3 1 32em", min_width="0")),
                widgets.VBox(form, layout=widgets.Layout(flex="2 1 24em", grid_gap="2px")),
            ],
            layout=widgets.Layout(flex_flow="row wrap", grid_gap="16px", align_items="flex-start"),
        )

    def _watch(self) -> None:
        for widget, act in (
            (self.part, self._open), (self.show, self._renew), (self.finding, self._renew),
            (self.outcome, self._renew), (self.disposition, self._enable),
        ):  # fmt: skip
            widget.observe(lambda _, act=act: None if self._still else act(), names="value")
        self.again.on_click(lambda _: self._list_parts())
        self.note.on_click(lambda _: self._note())
        self.record.on_click(lambda _: self._decide())
        self.conclude.on_click(lambda _: self._conclude())

    # --- the acts: one call each

    def _note(self) -> None:
        folder = Path(str(self.part.value))
        self._act(lambda: noted(folder, self._record, self.who.value), "On record: decisions can be taken.")

    def _decide(self) -> None:
        seen, key, chosen = self._seen, self.finding.value, self.disposition.value
        if seen is None or not key or not chosen:
            missing = "put the review on record" if seen is None else "choose a decision" if key else "choose a finding"
            self._say(f"Not recorded: {missing} first.", refused=True)
            return
        at, told = self._at, f"Recorded: {chosen} of {_chosen(self.finding)}."
        terms: dict[str, Any] = {name: _entry(self.fields[name]) for name in REQUIRED[Disposition(chosen)]}
        reason = self.reason.value
        if self._act(lambda: decide(self._record, seen, key, chosen, self.who.value, reason, **terms), told, done=True):
            self._typed.pop(at, None)
            if self._at == at:
                self.reason.value = ""

    def _conclude(self) -> None:
        seen, review, chosen = self._seen, self._review, self.outcome.value
        if seen is None or review is None or not chosen:
            missing = "choose an outcome" if seen else "put the review on record"
            self._say(f"Not recorded: {missing} first.", refused=True)
            return
        terms = {name.lower(): str(value or "") for name, value in scope(review)}
        reason, told = self.because.value, f"Recorded: the outcome of {seen.number} {seen.revision} is {chosen}."
        if self._act(lambda: conclude(self._record, seen, chosen, self.who.value, reason, **terms), told):
            self.because.value = ""

    def _act(self, act: Callable[[], object], told: str, *, done: bool = False) -> bool:
        """Do what may be refused, show how things stand then, and tell which it was; what was typed stays."""
        try:
            act()
        except ReviewError as error:
            self._renew()
            self._say(f"Not recorded: {error}", refused=True)
            return False
        with self._unwatched():
            self._label_parts()
        self._renew(done=done)
        self._say(told)
        return True

    # --- what is shown: always as the record stands now

    def _list_parts(self) -> None:
        """Offer the reviews below the folder, the same one chosen as before, and show it anew."""
        self._folders = sorted(path.parent for path in self._out.rglob("review.json"))
        before = self.part.value
        with self._unwatched():
            self._label_parts()
        if self.part.value is None or self.part.value != before:
            self._open()
        else:
            self._renew()

    def _label_parts(self) -> None:
        chosen = self.part.value
        on_record = {
            str(event.data["review_sha256"]): (event.number, event.revision)
            for event in self._record.events()
            if event.kind is Kind.REVIEWED
        }
        options = [(_part_label(folder, self._record, on_record), str(folder)) for folder in self._folders]
        _offer(self.part, options)
        values = [value for _, value in options]
        self.part.value = chosen if chosen in values else next(iter(values), None)

    def _open(self) -> None:
        """Read the chosen review."""
        self._review, self._drawings, self._seen = None, (), None
        with self._unwatched():
            self.outcome.value = ""
            self.finding.options = ()
        nothing = f"There is no review below {self._out.resolve()}: review first, or name another folder."
        failed = "" if self._folders else nothing
        try:
            if self._folders:
                self._review = read_review(Path(self.part.value))
                self._drawings = read_drawings(Path(self.part.value))
        except ReviewError as error:
            failed = str(error)
        self._renew()
        if failed:
            self._say(failed, refused=True)

    def _renew(self, *, done: bool = False) -> None:
        """Read the record again and show the part and the finding as they stand; `done` moves on to the next."""
        before, news = self._seen, ""
        self._seen, standing_words = self._standing()
        if before and self._seen and self._seen.version > before.version:
            since = self._record.events(before.number, before.revision, after=before.version)
            others = [event.words for event in since if event.who != self.who.value.strip()]
            news = "Since you looked: " + "; ".join(others[-3:]) if others else ""
        with self._unwatched():
            self._list_findings(keep="" if done else str(self.finding.value or ""))
        self._keep_typed((str(self.part.value or ""), str(self.finding.value or "")))
        self.state.value = _told(standing_words)
        self.evidence.value = self._evidence(str(self.finding.value or ""))
        self.note.layout.display = "none" if self._seen or self._review is None else None
        against = refusals(self._seen, Outcome(self.outcome.value)) if self._seen and self.outcome.value else ()
        self.against.value = _told(*(f"Against it: {line}." for line in against))
        self._enable()
        self._say(news)

    def _standing(self) -> tuple[Standing | None, str]:
        """How the chosen revision stands, nothing when its review is not the one on record; and that in words."""
        if self._review is None:
            return None, ""
        number, revision = named(self._review)
        what = " ".join((number, revision, str(self._review.submission.get("name") or "")))
        try:
            seen = standing(self._record, number, revision)
        except RecordError as error:
            held = [e for e in self._record.events(number, revision) if e.kind is Kind.REVIEWED]
            return None, str(error) if held else f"{what} is not on record yet."
        if seen.review_sha256 != review_hash(Path(self.part.value)):
            return None, (
                f"{what}: the record's last review of it is another one; putting this one on record voids what was "
                "signed on that"
            )
        return seen, f"{what}: {_stands(seen)}"

    def _list_findings(self, keep: str) -> None:
        """Offer what needs a decision, or everything; what is being looked at stays until one moves on."""
        found = worst_first(self._review.findings) if self._review else []
        points = self._seen.open_points if self._seen else ()
        numbers = {f.key: number for number, f in enumerate(self._review.findings, 1)} if self._review else {}
        options = [(_finding_label(f, numbers[f.key], self._seen), f.key) for f in found]
        options += [(_point_label(p), p.decision.finding) for p in points if p.decision.finding not in numbers]
        wanting = {*self._seen.undecided, *(p.decision.finding for p in points)} if self._seen else {*numbers}
        if self.show.value == _OPEN:
            just_decided = {keep} & {*self._seen.decisions} if self._seen else set()
            options = [(label, key) for label, key in options if key in wanting | just_decided]
        keys = [key for _, key in options]
        _offer(self.finding, options)
        self.finding.value = keep if keep in keys else next((key for key in keys if key in wanting), None)

    def _keep_typed(self, at: tuple[str, str]) -> None:
        """A reason typed for one finding does not slip to another, and is there again on return."""
        if at == self._at:
            return
        if self.reason.value.strip():
            self._typed[self._at] = self.reason.value
        self._at, self.reason.value = at, self._typed.get(at, "")

    def _evidence(self, key: str) -> str:
        """The finding with its numbers, what was decided about it, and its pictures, as HTML."""
        review = self._review
        if review is None:
            return ""
        taken = self._seen.decisions.get(key) if self._seen else None
        points = [p for p in self._seen.open_points if p.decision.finding == key] if self._seen else []
        told = [f"Decided: {_decision_words(taken)}"] if taken else []
        told += [f"Open since revision {p.decision.revision}, {p.now}: {_decision_words(p.decision)}" for p in points]
        finding = next((f for f in review.findings if f.key == key), None)
        if finding is None:
            return _told(*(told or ["Nothing here needs a decision." if self._seen else ""]))
        gain = gain_of(finding, review)
        table = findings_table([finding], str(review.submission.get("display_units") or "mm")).data
        pictures = environment().from_string(_FIGURES).render(figures=map(figure_of, self._pictures(review, finding)))
        return str(_told(*told) + table + _told(f"Expected gain of the change: {gain}" if gain else "") + pictures)

    def _pictures(self, review: Review, finding: Finding) -> Sequence[Drawing]:
        """Its close-up and figures; without any, the first picture of its part."""
        own = [drawing for drawing in self._drawings if drawing.finding == finding.key]
        of_part = [p.name for p in review.pictures if p.part == finding.part and not p.finding]
        return own or [drawing for drawing in self._drawings if drawing.name in of_part[:1]]

    def _enable(self) -> None:
        """Only what the chosen decision must state can be filled in."""
        needed = REQUIRED[Disposition(self.disposition.value)] if self.disposition.value else ()
        for name, field in self.fields.items():
            field.disabled = name not in needed

    def _say(self, words: str, *, refused: bool = False) -> None:
        role = "alert" if refused else "status"
        self.said.value = f'<div class="said" role="{role}">{_shown(words, 900)}</div>' if words else ""

    @contextmanager
    def _unwatched(self) -> Iterator[None]:
        """Change widgets without taking it for a person's choice."""
        self._still = True
        try:
            yield
        finally:
            self._still = False


def _button(words: str, tooltip: str) -> widgets.Button:
    return widgets.Button(description=words, tooltip=tooltip, layout=widgets.Layout(width="auto", margin="2px 2px"))


def _offer(dropdown: widgets.Dropdown, options: Sequence[tuple[str, str]]) -> None:
    """Change what a list offers, only where it differs: a list that is drawn anew loses the place of the keyboard."""
    if tuple(options) != tuple(dropdown.options):
        dropdown.options = options


def _entry(field: widgets.Widget) -> str:
    value = field.value
    return value.isoformat() if isinstance(value, date) else str(value or "")


def _chosen(dropdown: widgets.Dropdown) -> str:
    return next((label for label, value in dropdown.options if value == dropdown.value), "")


def _shown(text: object, limit: int = 300) -> str:
    return html.escape(display_text(text, limit))


def _told(*lines: str) -> str:
    return "".join(f'<p class="told">{_shown(line, 900)}</p>' for line in lines if line)


def _part_label(folder: Path, record: Record, on_record: Mapping[str, tuple[str, str]]) -> str:
    """A review in the list: what it is of, and what is left to decide."""
    try:
        submission = json.loads((folder / "review.json").read_bytes())["submission"]
        held = on_record.get(review_hash(folder))
    except (OSError, ValueError, LookupError, TypeError):
        return f"{display_text(folder.name, 60)}: cannot be read"
    told = [submission.get(name) for name in ("number", "revision", "name")]
    name = display_text(" ".join(str(text) for text in told if text) or folder.name, 60)
    return f"{name}: {_left(standing(record, *held))}" if held else f"{name}: not on record"


def _left(seen: Standing) -> str:
    if seen.superseded_by:
        return f"superseded by {display_text(seen.superseded_by, 20)}"
    if seen.undecided:
        return f"{len(seen.undecided)} to decide"
    return seen.outcome.value if seen.outcome else "all decided, no outcome"


def _stands(seen: Standing) -> str:
    """A revision's state in a line."""
    outcome = f"outcome {seen.outcome.value}" if seen.outcome else "no outcome yet"
    signed = ", ".join(f"signed by {s.who} as {s.role.value}" for s in seen.signatures)
    gone = f"superseded by revision {seen.superseded_by}" if seen.superseded_by else ""
    counts = f"{counted(len(seen.findings), 'finding')}, {len(seen.undecided)} to decide"
    return ", ".join(part for part in (counts, outcome, signed, gone) if part) + "."


def _finding_label(finding: Finding, number: int, seen: Standing | None) -> str:
    what = (
        f"{number}  {finding.code}  {display_text(finding.part, 30)}: {display_text(subject_text(finding.subject), 60)}"
    )
    taken = seen.decisions.get(finding.key) if seen else None
    return f"{what}, {finding.verdict.value}" + (f", {taken.disposition.value}" if taken else "")


def _point_label(point: OpenPoint) -> str:
    key, revision = display_text(point.decision.finding, 80), display_text(point.decision.revision, 20)
    return f"{key}, {point.decision.disposition.value} of revision {revision}"


def _decision_words(decision: Decision) -> str:
    terms = (("owner", decision.owner), ("due", decision.due), ("allowed by", decision.approver),
             ("until", decision.expiry))  # fmt: skip
    told = "; ".join([decision.reason, *(f"{name} {value}" for name, value in terms if value)])
    return f"{decision.disposition.value}: {told} ({decision.who}, {decision.when[:10]})"
