"""What a workbook cell displays: tables and figures of a review, cleaned and escaped.

The tables are those of the review document, so that notebook and document never differ.
"""

from collections.abc import Mapping, Sequence

from IPython.display import HTML, display
from markupsafe import Markup

from reviewkit.document.outline import Group, grouped
from reviewkit.document.page import environment, figure_of
from reviewkit.document.sections import Section
from reviewkit.document.text import counted, display_text, tally
from reviewkit.errors import DocumentError
from reviewkit.figures import drawn, pictured
from reviewkit.model import Action, Drawing, Fact, Finding, Review


def findings(found: Sequence[Finding], display_units: str = "mm") -> None:
    """Display findings by code, with measured values beside their limits and sources, and their figures.

    Parameters
    ----------
    found : sequence of Finding
    display_units : str
        The customer's unit of length.
    """
    for code in dict.fromkeys(finding.code for finding in found):
        alike = [finding for finding in found if finding.code == code]
        display(findings_table(alike, display_units))
        for finding in alike:
            for kind in finding.figures:
                show_drawing(drawn(finding, kind))


def findings_table(
    found: Sequence[Finding], display_units: str = "mm", numbers: Mapping[str, int] | None = None
) -> HTML:
    """Findings as the document has them: what does not meet in full, the rest in brief.

    Parameters
    ----------
    found : sequence of Finding
    display_units : str
        The customer's unit of length.
    numbers : mapping of str to int, optional
        Number of each finding in the document by its key; without it codes stand instead.

    Returns
    -------
    IPython.display.HTML
    """
    group: Group[Drawing] = grouped("", found)
    caption = f"{counted(len(found), 'finding')}: {tally(found)}" if found else "No finding"
    parts = {finding.part: finding.part for finding in found}
    tables = []
    if group.open or not found:
        tables.append(_table("open_table", group.open, caption, display_units, numbers, None, parts))
    if group.met:
        tables.append(_table("met_table", group.met, display_units, numbers, parts))
    return HTML("<div>" + "\n".join(table.data for table in tables) + "</div>")


def conclusion(review: Review) -> None:
    """Display the suggested outcome, the action list and the pictures of the parts."""
    numbers = {finding.key: number for number, finding in enumerate(review.findings, 1)}
    display(summary(review))
    display(actions_table(review.actions, numbers))
    for picture in review.pictures:
        if not picture.finding:
            show_drawing(pictured(picture))


def facts_table(facts: Sequence[Fact]) -> HTML:
    """What is known of a submission and who stands for it."""
    return _table("facts_table", facts, "What is known of the submission")


def actions_table(actions: Sequence[Action], numbers: Mapping[str, int] | None = None) -> HTML:
    """The action list, the most pressing first."""
    ordered = sorted(actions, key=lambda action: action.priority)
    return _table("actions_table", ordered, "Actions, the most pressing first", numbers)


def summary(review: Review) -> HTML:
    """The suggested outcome with its reason and how many findings have which verdict."""
    template = environment().from_string(
        "<p><strong>Suggested outcome: {{ review.outcome_suggested }}</strong>, until a reviewer has decided.</p>"
        "<p><bdi>{{ review.outcome_reason | clean(400) }}</bdi></p>"
        "<p>{{ review.findings | length | counted('finding') }}"
        "{% if review.findings %}: {{ review.findings | tally }}{% endif %}.</p>"
    )
    return HTML(template.render(review=review))


def page(title: str, identity: str, sections: Sequence[Section]) -> HTML:
    """A document of sections.

    Parameters
    ----------
    title, identity : str
    sections : sequence of Section
    """
    template = environment().from_string(
        "{% import 'blocks.html.j2' as blocks %}<h2><bdi>{{ title | clean(80) }}</bdi></h2>"
        "<p><bdi>{{ identity | clean(120) }}</bdi></p>{{ blocks.body(sections, image) }}"
    )
    return _styled(template.render(title=title, identity=identity, sections=sections, image=figure_of), "blocks.css")


def show_drawing(drawing: Drawing) -> None:
    """Display a figure with its caption; its alternative text goes along for the readers that use it.

    Parameters
    ----------
    drawing : Drawing

    Raises
    ------
    DocumentError
        For a drawing without any image.
    """
    images: dict[str, str | bytes] = {}
    if drawing.png is not None:
        images["image/png"] = drawing.png
    if drawing.svg is not None:
        images["image/svg+xml"] = drawing.svg.decode("utf-8")
    if not images:
        raise DocumentError(f"drawing {drawing.name!r} holds neither SVG nor PNG; draw it again")
    described = {"alt": display_text(drawing.alt or drawing.title or drawing.name, 500)}
    display(images, raw=True, metadata=dict.fromkeys(images, described))
    caption = environment().from_string("<p><b><bdi>{{ title }}</bdi></b> <bdi>{{ caption | clean(400) }}</bdi></p>")
    display(HTML(caption.render(title=display_text(drawing.title), caption=drawing.caption)))


def _table(macro: str, *arguments: object) -> HTML:
    """One table of the document with the signs of the verdicts; wide tables stay in their cell."""
    table: Markup = getattr(environment().get_template("tables.html.j2").module, macro)(*arguments)
    return _styled(table)


def _styled(body: str, *more: str) -> HTML:
    """Finished HTML in the look of the document, kept to its cell."""
    names = ("notebook.css", "verdicts.css", *more)
    styles = "\n".join(environment().get_template(name).render() for name in names)
    return HTML(f"<style>{styles}</style>\n<div class='reviewkit'>{body}</div>")
