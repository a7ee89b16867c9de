"""A panel to go through the findings of a finished review, picture and numbers together."""

import base64
import html
from pathlib import Path

import ipywidgets as widgets

from reviewkit.document.files import read_review
from reviewkit.document.show import findings_table
from reviewkit.document.text import display_text, worst_first
from reviewkit.figures import drawn, pictured
from reviewkit.model import Drawing, Finding, Verdict

_ALL = "all"


class FindingsPanel(widgets.VBox):  # type: ignore[misc]
    """Choose a verdict and a finding; see its numbers, limits and figures.

    Parameters
    ----------
    folder : str or Path
        The folder of a review.

    Raises
    ------
    DocumentError
        When the folder holds no readable review.
    """

    def __init__(self, folder: str | Path) -> None:
        self._folder = Path(folder)
        self.review = read_review(self._folder)
        self._numbers = {finding.key: number for number, finding in enumerate(self.review.findings, 1)}
        present = [v.value for v in Verdict if any(f.verdict is v for f in self.review.findings)]
        wide = {"style": {"description_width": "6em"}, "layout": widgets.Layout(width="44em")}
        self.verdict = widgets.ToggleButtons(options=[_ALL, *present], description="Verdict", style=wide["style"])
        self.finding = widgets.Dropdown(description="Finding", **wide)
        self.shown = widgets.VBox()
        self.verdict.observe(lambda _: self._list(), names="value")
        self.finding.observe(lambda _: self._show(), names="value")
        self._list()
        super().__init__([self.verdict, self.finding, self.shown])

    def _list(self) -> None:
        """Offer the findings of the chosen verdict, the worst first."""
        findings = [f for f in self.review.findings if self.verdict.value in (_ALL, f.verdict.value)]
        self.finding.options = [
            (f"{self._numbers[f.key]}  {f.code}  {display_text(f.part, 30)}: {display_text(f.subject, 60)}", f.key)
            for f in worst_first(findings)
        ]
        self.finding.index = 0 if findings else None

    def _show(self) -> None:
        chosen = next((f for f in self.review.findings if f.key == self.finding.value), None)
        if chosen is None:
            self.shown.children = ()
            return
        units = str(self.review.submission.get("display_units") or "mm")
        table = widgets.HTML(findings_table([chosen], units, self._numbers).data)
        self.shown.children = (table, *(_image(drawing) for drawing in self._drawings(chosen)))

    def _drawings(self, finding: Finding) -> list[Drawing]:
        """Its close-up and its figures; without any, the pictures of its part."""
        pictures = [p for p in self.review.pictures if p.finding == finding.key]
        figures = [drawn(finding, kind) for kind in finding.figures]
        if not pictures and not figures:
            pictures = [p for p in self.review.pictures if p.part == finding.part and not p.finding][:1]
        return [*map(pictured, pictures), *figures]


def _image(drawing: Drawing) -> widgets.Widget:
    """A drawing with its alternative text; SVG goes into an image, never into the page."""
    kind, content = ("svg+xml", drawing.svg) if drawing.svg is not None else ("png", drawing.png or b"")
    data = base64.b64encode(content).decode()
    alt = display_text(drawing.alt, 400)
    return widgets.HTML(
        f'<figure style="margin:8px 0"><img src="data:image/{kind};base64,{data}" alt="{html.escape(alt)}" '
        f'style="max-width:44em"><figcaption>{html.escape(display_text(drawing.caption, 300))}</figcaption></figure>'
    )
