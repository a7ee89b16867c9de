"""Pages for print: a template of the package and plain data become a tagged PDF, offline and the same everywhere."""

import importlib.util
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst
from fontTools.ttLib import TTFont

from reviewkit.errors import DocumentError

_TEMPLATES = Path(__file__).parent / "templates"
_FACES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")


@dataclass(frozen=True)
class Typeset:
    """A finished PDF.

    Parameters
    ----------
    content : bytes
    replaced : tuple of str
        Characters that no font of ours can draw; each stands as its code point in brackets.
    marks : tuple of mapping
        What the template noted in ``metadata`` elements labelled ``<mark>``.
    """

    content: bytes
    replaced: tuple[str, ...]
    marks: tuple[Mapping[str, Any], ...]


def typeset(template: str, data: Mapping[str, Any], files: Mapping[str, bytes], made: datetime) -> Typeset:
    """Set a document.

    Parameters
    ----------
    template : str
        Name of a file of ``document/templates``.
    data : mapping
        What the template reads as ``data.json``: JSON values, text already fit to show.
    files : mapping of str to bytes
        Pictures and attachments by the name that the template knows them by.
    made : datetime
        Goes into the file, so that the same input gives the same bytes.

    Returns
    -------
    Typeset

    Raises
    ------
    DocumentError
        When the template does not compile or warns.
    """
    missing: dict[str, None] = {}
    shown = _drawable(data, missing)
    # A fresh folder of our own files only: the compiler follows links inside its root.
    with tempfile.TemporaryDirectory(prefix="reviewkit-") as name:
        folder = Path(name)
        for file, content in files.items():
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            (folder / file).write_bytes(content)
        (folder / "data.json").write_text(json.dumps(shown, ensure_ascii=False), encoding="utf-8")
        for source in _TEMPLATES.glob("*.typ"):
            (folder / source.name).write_bytes(source.read_bytes())
        source, fonts = folder / template, _fonts()
        try:
            # The archival and the accessible form that go together; claimed by the writer, not verified.
            content, warnings = typst.compile_with_warnings(
                source, root=folder, font_paths=fonts, ignore_system_fonts=True, pdf_standards=["a-3a", "ua-1"],
                timestamp=int(made.timestamp()),
            )  # fmt: skip
            marks = typst.query(
                source, "<mark>", field="value", root=folder, font_paths=fonts, ignore_system_fonts=True
            )
        except typst.TypstError as error:
            raise DocumentError(f"{template} could not be set: {_cause(error)}; report it") from None
    if warnings:
        raise DocumentError(f"{template} could not be set: {'; '.join(w.message for w in warnings)}; report it")
    return Typeset(content, tuple(missing), tuple(json.loads(marks)))


@lru_cache(maxsize=1)
def _fonts() -> typst.Fonts:
    return typst.Fonts(include_system_fonts=False, font_paths=[_font_folder()])


@lru_cache(maxsize=1)
def _drawn() -> frozenset[int]:
    """Code points that every face in use can draw."""
    tables = [TTFont(_font_folder() / face, lazy=True).getBestCmap() for face in _FACES]
    return frozenset(set.intersection(*(set(table) for table in tables)))


def _font_folder() -> Path:
    """The fonts that come with the drawing library, so that every machine sets alike."""
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise DocumentError("matplotlib and its fonts are not installed; install reviewkit again")
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


def _drawable(value: Any, missing: dict[str, None]) -> Any:
    """The data with what no font can draw replaced by its code point, each such character noted."""
    if isinstance(value, str):
        return "".join(_glyph(character, missing) for character in value)
    if isinstance(value, Mapping):
        return {key: _drawable(item, missing) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_drawable(item, missing) for item in value]
    return value


def _glyph(character: str, missing: dict[str, None]) -> str:
    if ord(character) in _drawn() or character == "\n":
        return character
    missing[character] = None
    return f"[U+{ord(character):04X}]"


def _cause(error: typst.TypstError) -> str:
    return " ".join(str(error.message).split())
