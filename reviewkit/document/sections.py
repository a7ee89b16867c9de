"""What a printed document is made of: sections of text, lists, tables, figures and signature boxes.

Every printed document of the kit is a list of these, set by one template; a subject joins a
document by giving its sections.  Text is cleaned here, once, and travels as data, so that no
customer's word is ever taken for markup.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from reviewkit.document.text import display_text
from reviewkit.model import Drawing, Verdict

_LONGEST = 700
_LONGEST_WORD = 16

# Widest drawing of lines and letters that is still readable at half the width of a page.
_HALF_PX = 640
# A figure is never higher than this, so that two rows of them stand on a page.
_TEXT_MM, _COLUMN_MM, _HIGHEST_MM = 176.0, 85.5, 66.0


@dataclass(frozen=True)
class Run:
    """Words in one style: ``plain``, ``bold``, ``aside``, ``code`` or a verdict."""

    words: str
    style: str = "plain"


Line = tuple[Run, ...]
Cell = tuple[Line, ...]


@dataclass(frozen=True)
class Text:
    """Paragraphs, a line each; ``style`` is ``plain``, ``lead`` or ``outcome``."""

    lines: Cell
    style: str = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of cells."""

    items: tuple[Cell, ...]


@dataclass(frozen=True)
class Table:
    """A table with a caption and headed columns; ``widths`` are their shares of the width.

    A row stays on one page unless ``split_rows``, which long cells need.
    """

    caption: str
    heads: tuple[str, ...]
    widths: tuple[float, ...]
    rows: tuple[tuple[Cell, ...], ...]
    split_rows: bool = False


@dataclass(frozen=True)
class Figures:
    """Drawings, two abreast where they are narrow, with the words before each title."""

    drawings: tuple[Drawing, ...]
    labels: tuple[str, ...] = ()


@dataclass(frozen=True)
class Signatures:
    """Boxes to sign in, by role, with what is printed over each."""

    boxes: tuple[tuple[str, str], ...]


Block = Text | Bullets | Table | Figures | Signatures


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it; ``level`` 1 is a chapter, 2 a part of one."""

    title: str
    blocks: tuple[Block, ...] = ()
    level: int = 1
    new_page: bool = field(default=False, kw_only=True)


def words(text: object, style: str = "plain", limit: int = _LONGEST) -> Line:
    """A line of one run, its text cleaned and capped [characters]."""
    return (Run(display_text(text, limit), style),)


def cell(*lines: Line | str) -> Cell:
    """A cell of lines; plain strings become plain lines and empty ones go."""
    made = tuple(words(line) if isinstance(line, str) else line for line in lines)
    return tuple(line for line in made if any(run.words for run in line))


def labelled(label: str, text: object, limit: int = _LONGEST) -> Line:
    """A line with a bold word before it, nothing when there is no text."""
    shown = display_text(text, limit)
    return (Run(f"{label} ", "bold"), Run(shown)) if shown else ()


def verdict(value: Verdict) -> Line:
    """A verdict as word and sign."""
    return (Run(value.value, value.value.replace(" ", "-")),)


def pairs(caption: str, rows: Iterable[tuple[str, object]]) -> Table:
    """A table of names and values; what nobody stated says so."""
    return Table(
        caption,
        ("Field", "Entry"),
        (1.0, 3.0),
        tuple(
            (cell(words(name, "bold")), value if isinstance(value, tuple) else cell(words(value or "not stated")))
            for name, value in rows
        ),
    )  # fmt: skip


def is_wide(drawing: Drawing) -> bool:
    """Whether a drawing needs the whole width: a strip, or lines and letters drawn for more than half a page."""
    strip = drawing.width_px > 1.9 * drawing.height_px
    return strip or (drawing.svg is not None and drawing.width_px > _HALF_PX)


def as_data(sections: Sequence[Section]) -> tuple[list[dict[str, Any]], dict[str, bytes]]:
    """What the template reads, and the pictures it shows by file name.

    Parameters
    ----------
    sections : sequence of Section
    """
    files: dict[str, bytes] = {}
    told = [
        {
            "title": display_text(section.title),
            "level": section.level,
            "new_page": section.new_page,
            "blocks": [_block(block, files) for block in section.blocks],
        }
        for section in sections
    ]
    return told, files


def _block(block: Block, files: dict[str, bytes]) -> dict[str, Any]:
    match block:
        case Text():
            return {"kind": "text", "style": block.style, "lines": _cell(block.lines)}
        case Bullets():
            return {"kind": "bullets", "items": [_cell(item) for item in block.items]}
        case Table():
            rows = [[_cell(entry) for entry in row] for row in block.rows]
            return {
                "kind": "table", "caption": display_text(block.caption), "heads": list(block.heads),
                "widths": list(block.widths), "rows": rows, "split_rows": block.split_rows,
            }  # fmt: skip
        case Figures():
            labels = block.labels or ("",) * len(block.drawings)
            return {
                "kind": "figures",
                "figures": [_figure(d, label, files) for d, label in zip(block.drawings, labels, strict=True)],
            }
        case Signatures():
            return {"kind": "signatures", "boxes": [{"role": role, "label": label} for role, label in block.boxes]}


def _cell(lines: Cell) -> list[list[dict[str, str]]]:
    return [[{"words": _breakable(run.words), "style": run.style} for run in line] for line in lines]


def _breakable(text: str) -> str:
    """Text whose overlong words may be broken, so that none runs out of its column."""
    return re.sub(rf"\S{{{_LONGEST_WORD}}}(?=\S)", lambda match: match[0] + "\u200b", text)


def _figure(drawing: Drawing, label: str, files: dict[str, bytes]) -> dict[str, Any]:
    name, wide = f"figures/{drawing.file}", is_wide(drawing)
    files[name] = drawing.svg or drawing.png or b""
    return {
        "file": name,
        "title": display_text(f"{label} {drawing.title}".strip(), 160),
        "caption": display_text(drawing.caption, 400),
        "alt": display_text(drawing.alt or drawing.title or drawing.name, 500),
        "wide": wide,
        "width_mm": min(_TEXT_MM if wide else _COLUMN_MM, _HIGHEST_MM * drawing.width_px / max(drawing.height_px, 1)),
    }
