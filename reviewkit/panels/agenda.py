"""A panel for the agenda of a week: sort it, open a part, pass the consent list."""

import html
from pathlib import Path

import ipywidgets as widgets

from reviewkit.agenda import SORTS, Agenda, Group, Item, agenda, pass_consent, table
from reviewkit.document.files import read_drawings, read_review
from reviewkit.document.page import environment, figure_of
from reviewkit.document.show import findings_table, summary
from reviewkit.document.text import counted, display_text, worst_first
from reviewkit.errors import RecordError, ReviewError
from reviewkit.model import Verdict
from reviewkit.panels.keys import kept_keys
from reviewkit.record import Record
from reviewkit.weekly import read_week

CLASS = "reviewkit-agenda"

_SHOWN = (Verdict.FAILS, Verdict.MARGINAL)
_WIDE = {"style": {"description_width": "6em"}, "layout": widgets.Layout(width="44em")}
_FIGURES = """{% for figure in figures %}<figure style="margin:8px 0"><img src="{{ figure.src }}"
alt="{{ figure.alt | clean(500) }}" style="max-width:44em;width:100%"><figcaption>
<b><bdi>{{ figure.title | clean }}</bdi></b> <bdi>{{ figure.caption | clean(300) }}</bdi></figcaption>
</figure>{% endfor %}"""


class AgendaPanel(widgets.VBox):  # type: ignore[misc]
    """Sort the agenda, open a part with its findings and pictures, pass the consent list.

    Parameters
    ----------
    told : Agenda
    records : str or Path
        Folder of the record; empty for none, and then nothing can be passed.
    who : str
        Who decides; may be typed in the panel.
    """

    def __init__(self, told: Agenda, records: str | Path = "", who: str = "") -> None:
        self.told = told
        self._records = records
        self.sort = widgets.Dropdown(options=list(SORTS), description="Sort by", **_WIDE)
        self.rows = widgets.HTML()
        self.part = widgets.Dropdown(description="Part", **_WIDE)
        self.shown = widgets.HTML()
        self.who = widgets.Text(value=who, description="Your name", **_WIDE)
        self.consent = widgets.Button(layout=widgets.Layout(width="auto"))
        self.said = widgets.HTML()
        self.sort.observe(lambda _: self._list(), names="value")
        self.part.observe(lambda _: self._open(), names="value")
        self.consent.on_click(lambda _: self._pass())
        keys = widgets.HTML(f"{kept_keys(CLASS)}</style>")
        super().__init__([keys, self.sort, self.rows, self.who, self.consent, self.said, self.part, self.shown])
        self.add_class(CLASS)
        self._list()

    def _list(self) -> None:
        """The table and the choice of parts, both in the order that was chosen."""
        items = sorted(self.told.items, key=SORTS[self.sort.value])
        self.rows.value = table(items, f"Week {self.told.week.label}: {self.told.week.words}").data
        chosen = self.part.value
        self.part.options = [(_label(item), item.entry.slug) for item in items]
        slugs = [item.entry.slug for item in items]
        self.part.value = chosen if chosen in slugs else next(iter(slugs), None)
        passable = self.told.of(Group.CONSENT)
        self.consent.description = f"Release {counted(len(passable), 'part')} by consent"
        self.consent.tooltip = ", ".join(display_text(item.what, 60) for item in passable) or "nothing can pass"
        self.consent.disabled = not passable or not self._records

    def _open(self) -> None:
        """The findings and pictures of the chosen part, or why it has none."""
        item = next((item for item in self.told.items if item.entry.slug == self.part.value), None)
        if item is None:
            self.shown.value = ""
            return
        try:
            self.shown.value = _opened(item)
        except ReviewError as error:
            self.shown.value = _said(str(error), refused=True)

    def _pass(self) -> None:
        passable = self.told.of(Group.CONSENT)
        try:
            pass_consent(Record(self._records), self.told, self.who.value)
        except RecordError as error:
            self._renew()
            self.said.value = _said(f"Not recorded: {error}", refused=True)
            return
        self._renew()
        self.said.value = _said(f"Recorded: {', '.join(item.what for item in passable)} released by consent.")

    def _renew(self) -> None:
        """Read the record again."""
        self.told = agenda(read_week(self.told.week.out), self._records or None)
        self._list()


def _opened(item: Item) -> str:
    if not item.tally:
        return _said(f"{item.what}: {item.state.value}, {item.reason}", refused=True)
    review, drawings = read_review(item.folder), read_drawings(item.folder)
    numbers = {finding.key: number for number, finding in enumerate(review.findings, 1)}
    found = [f for f in worst_first(review.findings) if f.verdict is not Verdict.MEETS]
    telling = {f.key for f in found if f.verdict in _SHOWN}
    figures = [figure_of(drawing) for drawing in drawings if not drawing.finding or drawing.finding in telling]
    units = str(review.submission.get("display_units") or "mm")
    pictures = environment().from_string(_FIGURES).render(figures=figures)
    return str(summary(review).data + findings_table(found, units, numbers).data + pictures)


def _label(item: Item) -> str:
    return display_text(f"{item.what}  {item.name}: {item.tally or item.state.value}", 140)


def _said(words: str, *, refused: bool = False) -> str:
    role = "alert" if refused else "status"
    return f'<div role="{role}">{html.escape(display_text(words, 900))}</div>'
