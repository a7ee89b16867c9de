"""The intake for nobody to click: pictures and suggestions printed; else the panel."""

import html
from pathlib import Path

from IPython.display import HTML, display

from reviewkit.document.show import facts_table, show_drawing
from reviewkit.document.text import counted, display_text
from reviewkit.errors import ReviewError
from reviewkit.intake_flow import Intake, opened_intake, save_intake
from reviewkit.model import Drawing
from reviewkit.panels.intake.hand import hand_of, hand_words
from reviewkit.panels.intake.panel import IntakePanel, Reviewer
from reviewkit.panels.intake.sheet import BLUE, Sheet
from reviewkit.part import Part
from reviewkit.submission import facts
from reviewkit.suggestions import Suggestion, accepted


def intake(source: str | Path, folder: str | Path, out: str | Path, reviewer: Reviewer, *, live: bool = True) -> object:
    """The panel, or without anybody to click what it would show, every suggestion written as suggested.

    Parameters
    ----------
    source, folder, out, reviewer
        As for :class:`~reviewkit.panels.intake.panel.IntakePanel`.
    live : bool
        Whether there is a person with a notebook before them.

    Returns
    -------
    IntakePanel, or a line that says what is wrong with the source, or None
    """
    if live:
        shown = display(HTML(""), display_id=True)
        try:
            panel = IntakePanel(source, folder, out, reviewer, lambda words: shown and shown.update(HTML(_line(words))))
        except ReviewError as error:
            # A person has opened the workbook before there is a mesh; the line says what to put there.
            return HTML(f'<p role="alert">{html.escape(display_text(str(error), 400))}</p>')
        if shown:
            shown.update(HTML(""))
        return panel
    opened = opened_intake(source)
    for workpiece in opened.workpieces:
        _show_part(workpiece.part, [s for s in opened.suggestions if s.part == workpiece.part.id])
    _write(opened, folder)
    return None


def _show_part(part: Part, suggested: list[Suggestion]) -> None:
    sheet, hands = Sheet(part), hand_of("")
    name = display_text(part.name or part.id, 60)
    size = sheet.size_picture(hands)
    show_drawing(_drawing(f"{part.id}-size", f"{name} beside 100 mm and a hand", hand_words(hands), size))
    marked = [(n, s) for n, s in enumerate(suggested, 1) if s.region]
    over = sheet.named([(str(n), s.region.volume) for n, s in marked if s.region], BLUE)
    if marked:
        told = f"{counted(len(marked), 'suggested region')} on {name}, by number"
        show_drawing(_drawing(f"{part.id}-suggested", told, "nobody confirmed them", sheet.picture(over)))
    display(HTML(_table(name, suggested)))


def _line(words: str) -> str:
    return f"<p>{html.escape(display_text(words, 120))} ...</p>"


def _write(opened: Intake, folder: str | Path) -> None:
    submission = accepted(opened.submission, opened.suggestions)
    path = save_intake(submission, Path(folder or submission.folder or "."))
    display(facts_table(facts(submission)))
    print(f"written with its suggestions: {path}")


def _drawing(name: str, title: str, caption: str, svg: str) -> Drawing:
    return Drawing(name, "", title, caption, f"{title}: {caption}", svg.encode(), None, 900, 600)


def _table(name: str, suggested: list[Suggestion]) -> str:
    if not suggested:
        return f"<p>The shape of {html.escape(name)} suggests nothing.</p>"
    rows = "".join(
        f"<tr><td>{n}</td>" + "".join(f'<td style="text-align:left">{html.escape(display_text(text, 600))}</td>'
                                      for text in (s.title, s.kind, s.sure, s.reason)) + "</tr>"
        for n, s in enumerate(suggested, 1)
    )  # fmt: skip
    head = "".join(f"<th>{word}</th>" for word in ("", "suggestion", "kind", "how sure", "why"))
    return f"<table><caption>Suggested for {html.escape(name)}</caption><tr>{head}</tr>{rows}</table>"
