"""The form of what is known of the order: each entry is checked as it is typed, by the rules of the format."""

import html
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import ipywidgets as widgets
import tomlkit

from reviewkit.document.text import display_text
from reviewkit.errors import SubmissionError
from reviewkit.limits import materials
from reviewkit.panels.intake.marking import FIELD
from reviewkit.submission import (
    Mounting,
    Requirement,
    RequirementKind,
    Stage,
    Submission,
    Surroundings,
    parse_submission,
    requirement_words,
)

OPEN = "not stated"
_HANDS = ("adults", "men", "women", "children", "children, adults")


@dataclass(frozen=True)
class Entry:
    """One fact of the form: its dotted name without the part's id, its label, and how it is typed."""

    fact: str
    label: str
    hint: str = ""
    options: tuple[str, ...] = ()
    kind: Callable[[str], object] = field(default=str)


def _whole(text: str) -> object:
    """A whole number where it is one; else the text, which the format then refuses in its own words."""
    bare = text.replace(" ", "").replace(",", "")
    return int(bare) if bare.isdecimal() and len(bare) < 20 else text


def _listed(text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


ENTRIES = (
    Entry("submission.number", "Number", "part number of the customer"),
    Entry("submission.revision", "Revision", "such as A"),
    Entry("submission.name", "Name"),
    Entry("submission.customer", "Customer"),
    Entry("part.material", "Material", options=tuple(materials())),
    Entry("submission.quantity", "Quantity", "sets", kind=_whole),
    Entry("submission.due", "Due", "such as 2031-03-25"),
    Entry("submission.stage", "Stage", options=tuple(Stage)),
    Entry("submission.markets", "Markets", "codes, such as US, EU", kind=_listed),
    Entry("use.age_from_months", "Youngest user", "months", kind=_whole),
    Entry("use.hands", "Hands", options=_HANDS, kind=_listed),
    Entry("use.mounting", "Held or fixed", options=tuple(Mounting)),
    Entry("use.surroundings", "Used", options=tuple(Surroundings)),
    Entry("use.cycles", "Cycles in its life", "how often it is used", kind=_whole),
)


class OrderForm(widgets.VBox):  # type: ignore[misc]
    """Number, revision, material, quantity, market, use and requirements, each with its message beside it.

    Parameters
    ----------
    changed : callable
        Called after a person changed an entry.
    """

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._still = False
        self._shown: dict[str, str] = {}
        self.entries: dict[str, widgets.Widget] = {}
        self.messages: dict[str, widgets.HTML] = {}
        self.requirements: tuple[Requirement, ...] = ()
        rows = [self._row(entry) for entry in ENTRIES]
        self.what = widgets.Dropdown(
            options=[(str(k), str(k)) for k in RequirementKind], description="Requirement", **FIELD
        )
        texts = (("Nominal", "a number"), ("Tolerance", "plus or minus"), ("Unit", "such as N"), ("Verified", "how"))
        self.nominal, self.tolerance, self.unit, self.verified = (
            widgets.Text(description=label, placeholder=hint, continuous_update=False, **FIELD) for label, hint in texts
        )
        self.critical = widgets.Checkbox(description="critical", indent=False)
        self.add = widgets.Button(description="Add requirement", layout={"width": "auto", "align_self": "flex-start"})
        self.listed = widgets.Dropdown(options=[("none yet", "")], description="Required", **FIELD)
        self.remove = widgets.Button(
            description="Remove requirement", layout={"width": "auto", "align_self": "flex-start"}
        )
        self.messages["requirement"] = widgets.HTML()
        self.add.on_click(lambda _: self._add())
        self.remove.on_click(lambda _: self._remove())
        super().__init__(
            [
                *rows, self.what, self.nominal, self.tolerance, self.unit, self.verified, self.critical, self.add,
                self.messages["requirement"], self.listed, self.remove,
            ]
        )  # fmt: skip

    def load(self, submission: Submission) -> None:
        """Show what a submission states; facts that nobody stated are blank."""
        self._still = True
        for entry in ENTRIES:
            text = _text(_value(submission, entry.fact))
            widget = self.entries[entry.fact]
            if entry.options and text not in [value for _, value in widget.options]:
                widget.options = [*widget.options, (text, text)]
            widget.value = self._shown[entry.fact] = text
            self.messages[entry.fact].value = ""
        self.requirements = submission.requirements
        self._list()
        self._still = False

    def applied(self, submission: Submission) -> Submission:
        """The submission with what was typed, which is confirmed; what was not touched stays as it is.

        Raises
        ------
        SubmissionError
            For the first entry that the format refuses; its message stands beside the entry, too.
        """
        problems = []
        marked, notes = dict(submission.marked), dict(submission.notes)
        for entry in ENTRIES:
            if self.entries[entry.fact].value == self._shown.get(entry.fact):
                continue
            try:
                value = self._read(entry)
            except SubmissionError as error:
                problems.append(f"{entry.label}: {error}")
                continue
            submission, names = _with(submission, entry.fact, value)
            marked = {name: origin for name, origin in marked.items() if name not in names}
            notes = {name: note for name, note in notes.items() if name not in names}
        if problems:
            more = f" (and {len(problems) - 1} more)" if problems[1:] else ""
            raise SubmissionError(problems[0] + more)
        return replace(submission, requirements=self.requirements, marked=marked, notes=notes)

    def typed(self, fact: str) -> str:
        """What stands in an entry."""
        return str(self.entries[fact].value)

    # --- how

    def _row(self, entry: Entry) -> widgets.VBox:
        if entry.options:
            options = [(OPEN, ""), *((str(word), str(word)) for word in entry.options)]
            widget: widgets.Widget = widgets.Dropdown(options=options, value="", description=entry.label, **FIELD)
        else:
            widget = widgets.Text(
                description=entry.label, placeholder=entry.hint or OPEN, continuous_update=False, **FIELD
            )
        message = widgets.HTML()
        self.entries[entry.fact], self.messages[entry.fact] = widget, message
        widget.observe(lambda _: self._check(entry), names="value")
        return widgets.VBox([widget, message])

    def _check(self, entry: Entry) -> None:
        """Say beside an entry what is wrong with it."""
        if self._still:
            return
        try:
            self._read(entry)
            self.messages[entry.fact].value = ""
        except SubmissionError as error:
            self.messages[entry.fact].value = wrong(error)
        self._changed()

    def _read(self, entry: Entry) -> object:
        """The value of an entry, as the format takes it.

        Raises
        ------
        SubmissionError
            In the words of the format.
        """
        text = str(self.entries[entry.fact].value).strip()
        section, _, name = entry.fact.partition(".")
        if not text and entry.fact != "submission.number":
            return _value(_parsed(), entry.fact)
        return _value(_parsed({section: {name: entry.kind(text)}}), entry.fact)

    def _add(self) -> None:
        taken = {needed.id for needed in self.requirements}
        name = next(f"R{n}" for n in range(1, len(taken) + 2) if f"R{n}" not in taken)
        texts = {"unit": self.unit.value, "verified": self.verified.value}
        numbers = {"nominal": self.nominal.value, "tolerance": self.tolerance.value}
        stated: dict[str, object] = {key: text.strip() for key, text in texts.items() if text.strip()}
        stated |= {key: _decimal(text.strip()) for key, text in numbers.items() if text.strip()}
        stated |= {"id": name, "what": self.what.value} | ({"critical": True} if self.critical.value else {})
        try:
            added = _parsed({"requirement": stated}).requirements
        except SubmissionError as error:
            self.messages["requirement"].value = wrong(error)
            return
        self.messages["requirement"].value = ""
        self.requirements = (*self.requirements, *added)
        for widget in (self.nominal, self.tolerance, self.unit, self.verified):
            widget.value = ""
        self.critical.value = False
        self._list()
        self._changed()

    def _remove(self) -> None:
        self.requirements = tuple(needed for needed in self.requirements if needed.id != self.listed.value)
        self._list()
        self._changed()

    def _list(self) -> None:
        told = [(display_text(f"{r.id}: {requirement_words(r)}", 90), r.id) for r in self.requirements]
        self.listed.options = told or [("none yet", "")]
        self.remove.disabled = not told


def wrong(error: SubmissionError) -> str:
    """What is wrong, as HTML to stand beside a field."""
    return f'<div class="wrong" role="alert">{html.escape(display_text(error, 300))}</div>'


def _parsed(more: Mapping[str, Mapping[str, object]] | None = None) -> Submission:
    """A submission that states nothing but what is given, through the rules of the format.

    Raises
    ------
    SubmissionError
        Without the place in the file, which a person at a form does not see.
    """
    more = more or {}
    document: dict[str, Any] = {
        "submission": {"number": "1", **more.get("submission", {})},
        "part": [{"id": "part", "file": "part.stl", **more.get("part", {})}],
        "use": dict(more.get("use", {})),
        "requirement": [dict(more["requirement"])] if "requirement" in more else [],
    }
    try:
        return parse_submission(tomlkit.dumps(document))
    except SubmissionError as error:
        told = str(error)
        # Behind the file and the section, or behind the name of an entry of several.
        said = told.partition("]: ")[2] or told.partition("': ")[2]
        raise SubmissionError(said or told) from None


def _value(submission: Submission, fact: str) -> object:
    section, _, name = fact.partition(".")
    holder = {"submission": submission, "use": submission.use, "part": submission.parts[0]}[section]
    return getattr(holder, name)


def _with(submission: Submission, fact: str, value: object) -> tuple[Submission, list[str]]:
    """The submission with one fact stated, of a part for all parts, and the facts that this states."""
    section, _, name = fact.partition(".")
    change: dict[str, Any] = {name: value}
    if section == "use":
        return replace(submission, use=replace(submission.use, **change)), [fact]
    if section == "part":
        parts = tuple(replace(part, **change) for part in submission.parts)
        return replace(submission, parts=parts), [f"part.{part.id}.{name}" for part in parts]
    return replace(submission, **change), [fact]


def _text(value: object) -> str:
    match value:
        case None:
            return ""
        case tuple():
            return ", ".join(str(item) for item in value)
        case date():
            return value.isoformat()
    return str(value)


def _decimal(text: str) -> object:
    """A number where it is one; else the text, which the format then refuses in its own words."""
    try:
        return float(text)
    except ValueError:
        return text
