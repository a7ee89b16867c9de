"""The files of one review: written whole or not at all, and read back.

The JSON form and its schema follow from the type hints of :mod:`reviewkit.model`, so the
records there are the only description of a review.
"""

import csv
import dataclasses
import hashlib
import importlib.metadata
import io
import json
import math
import os
import platform
import types
import typing
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

from reviewkit.document.text import spreadsheet_text
from reviewkit.errors import DocumentError
from reviewkit.model import SCHEMA, Action, Drawing, Finding, PartFacts, Picture, Review, Shape

MANIFEST = "manifest.json"
_BELONGS = "review_sha256"
_INDEX = "index.json"
_SHAPE = ("vertices_mm", "faces")
# Fields that are kept in files of their own; arrays stand in the evidence by their names.
_ARRAYS = ("evidence", "rgb", "shape", "tables")
_IMAGES = {"svg": ".svg", "png": ".png"}
LIBRARIES = ("numpy", "scipy", "shapely", "trimesh", "manifold3d", "embreex", "matplotlib", "papermill")


def write_review(review: Review, drawings: Sequence[Drawing], folder: Path) -> list[Path]:
    """Write ``review.json``, ``evidence.npz``, ``actions.csv`` and ``figures/``.

    Parameters
    ----------
    review : Review
    drawings : sequence of Drawing
    folder : Path
        Made when absent; files of an earlier review there are replaced.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    DocumentError
        When the folder cannot be written.
    """
    figures = folder / "figures"
    make_folder(figures)
    wanted = {f"figures/{_INDEX}", *(f"figures/{drawing.file}" for drawing in drawings)}
    for stale in _listed(folder) - wanted:
        if stale.startswith("figures/"):
            (folder / stale).unlink(missing_ok=True)
    text = review_json(review).encode()
    # Evidence says which review it belongs to, so that a stop between two files is noticed.
    own = np.frombuffer(hashlib.sha256(text).digest(), dtype=np.uint8)
    return [
        write_bytes(folder / "evidence.npz", _npz(evidence(review) | {_BELONGS: own})),
        write_bytes(folder / "actions.csv", _actions_csv(review.actions).encode()),
        *(write_bytes(figures / drawing.file, drawing.svg or drawing.png or b"") for drawing in drawings),
        write_bytes(figures / _INDEX, (json.dumps([_told(d) for d in drawings], indent=1) + "\n").encode()),
        write_bytes(folder / "review.json", text),
    ]


def sealed(review: Review, folder: Path) -> Path:
    """Write ``manifest.json``: hash and size of every file of the review, versions and inputs.

    Parameters
    ----------
    review : Review
    folder : Path
        The folder of the review, its other files in place.

    Returns
    -------
    Path
    """
    files = {
        path.relative_to(folder).as_posix(): {"sha256": file_sha256(path), "bytes": path.stat().st_size}
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in (MANIFEST, "review.pdf") and not path.name.startswith(".")
    }
    manifest = {
        "schema": "reviewkit-manifest/1",
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "kit_version": review.kit_version,
        "limits_sha256": review.limits_sha256,
        "python": platform.python_version(),
        "platform": platform.system(),
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "submission": {name: _plain(review.submission.get(name)) for name in ("number", "revision", "quantity")},
        "inputs": {part.id: {"file": part.file, "sha256": part.sha256} for part in review.parts},
        "files": files,
    }
    return write_bytes(folder / MANIFEST, (json.dumps(manifest, sort_keys=True, indent=1) + "\n").encode())


def make_folder(folder: Path) -> None:
    """Make a folder and its parents where they are absent.

    Raises
    ------
    DocumentError
        When that cannot be done.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DocumentError(f"cannot write to {folder}: {error.strerror}; choose another folder with --out") from None


def _listed(folder: Path) -> set[str]:
    """Files that the manifest of an earlier review names; none where there is no readable one."""
    try:
        return set(json.loads((folder / MANIFEST).read_bytes())["files"])
    except (OSError, ValueError, LookupError, TypeError):
        return set()


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file under a temporary name and rename it, so that no half-written file is ever met.

    Raises
    ------
    DocumentError
        When the place cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.write_bytes(content)
        temporary.replace(path)
    except OSError as error:
        raise DocumentError(f"cannot write {path}: {error.strerror}; free the place or choose another --out") from None
    finally:
        temporary.unlink(missing_ok=True)
    return path


def read_bytes(path: Path) -> bytes:
    """What a file of a document holds.

    Raises
    ------
    DocumentError
        When it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise DocumentError(f"{path} cannot be read: {error.strerror}") from None


def sha256_of(content: bytes) -> str:
    """Hash of what a file holds, as a manifest and the record keep it."""
    return hashlib.sha256(content).hexdigest()


def file_sha256(path: Path) -> str:
    """Hash of a file, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def evidence(review: Review) -> dict[str, np.ndarray[Any, Any]]:
    """All evidence arrays by their names in ``evidence.npz``: findings', pictures' and the parts' shapes."""
    arrays = {f"{f.key}/{name}": array for f in review.findings for name, array in f.evidence.items()}
    arrays |= {f"picture/{picture.name}": picture.rgb for picture in review.pictures}
    shapes = {f"shape/{part.id}": part.shape for part in review.parts if part.shape is not None}
    return arrays | {f"{at}/{name}": getattr(shape, name) for at, shape in shapes.items() for name in _SHAPE}


def review_json(review: Review) -> str:
    """The review as JSON text: keys sorted, numbers in full, arrays by their evidence names."""
    return json.dumps(_plain(review), sort_keys=True, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def read_review(folder: Path) -> Review:
    """Read a review back from its ``review.json`` and ``evidence.npz``.

    Raises
    ------
    DocumentError
        When a file is missing, damaged or of another schema version.
    """
    try:
        text = (folder / "review.json").read_bytes()
        stored = json.loads(text)
        if stored.get("schema") != SCHEMA:
            raise DocumentError(f"{folder / 'review.json'}: schema {stored.get('schema')!r}, this kit reads {SCHEMA!r}")
        with np.load(folder / "evidence.npz", allow_pickle=False) as arrays:
            if arrays[_BELONGS].tobytes() != hashlib.sha256(text).digest():
                raise DocumentError(
                    f"{folder}: review.json and evidence.npz are not of one review; make the review again"
                )
            review: Review = _made(Review, stored, {name: arrays[name] for name in arrays.files})
    except (OSError, EOFError, ValueError, LookupError, TypeError, AttributeError, zipfile.BadZipFile) as error:
        raise DocumentError(f"{folder} holds no readable review: {error}; make the review again") from None
    return review


def read_drawings(folder: Path) -> tuple[Drawing, ...]:
    """Read the figures of a review back, in the order of its documents.

    Raises
    ------
    DocumentError
        When a file is missing or damaged.
    """
    figures = folder / "figures"
    drawings = []
    try:
        for told in json.loads((figures / _INDEX).read_bytes()):
            kind = told.pop("kind")
            content = (figures / f"{told['name']}{_IMAGES[kind]}").read_bytes()
            drawings.append(Drawing(**told, **(dict.fromkeys(_IMAGES) | {kind: content})))
    except (OSError, ValueError, LookupError, TypeError) as error:
        raise DocumentError(f"{figures} holds no readable figures: {error}; make the review again") from None
    return tuple(drawings)


def schema() -> dict[str, Any]:
    """The JSON schema (draft 2020-12) of ``review.json``."""
    definitions: dict[str, Any] = {}
    _described(Review, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": SCHEMA,
        "$ref": "#/$defs/Review",
        "$defs": definitions,
    }


def _told(drawing: Drawing) -> dict[str, Any]:
    """What a figure's file does not say itself."""
    told = {f.name: getattr(drawing, f.name) for f in dataclasses.fields(drawing) if f.name not in _IMAGES}
    return told | {"kind": "svg" if drawing.svg is not None else "png"}


def _actions_csv(actions: Iterable[Action]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("priority", "finding", "action", "owner", "due", "expected gain"))
    for action in actions:
        cells = (action.finding, action.action, action.owner, action.due, action.expected_gain)
        writer.writerow((action.priority, *map(spreadsheet_text, cells)))
    return text.getvalue()


def _npz(arrays: Mapping[str, np.ndarray[Any, Any]]) -> bytes:
    """Compressed arrays with fixed times, so that the same review gives the same bytes."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED, compresslevel=4) as archive:
        for name in sorted(arrays):
            member = io.BytesIO()
            np.lib.format.write_array(member, np.ascontiguousarray(arrays[name]), allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(f"{name}.npy"), member.getvalue(), zipfile.ZIP_DEFLATED, 4)
    return content.getvalue()


def _plain(value: Any) -> Any:
    """A record as JSON values; no number that JSON cannot hold."""
    if isinstance(value, Finding):
        return _fields(value) | {"evidence": sorted(f"{value.key}/{name}" for name in value.evidence)}
    if isinstance(value, Picture):
        return _fields(value) | {"rgb": f"picture/{value.name}"}
    if isinstance(value, PartFacts):
        return _fields(value) | {"shape": f"shape/{value.id}" if value.shape is not None else None}
    if dataclasses.is_dataclass(value):
        return _fields(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value


def _fields(record: Any) -> dict[str, Any]:
    values = {f.name: getattr(record, f.name) for f in dataclasses.fields(record) if f.name not in _ARRAYS}
    hints = typing.get_type_hints(type(record))
    # A whole number in a field of fractions is written as a fraction, so that it reads back the same.
    return {name: _plain(float(value) if hints[name] is float else value) for name, value in values.items()}


def _made(hint: Any, value: Any, arrays: Mapping[str, Any]) -> Any:
    """The record of that type from its JSON value."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any or value is None:
        return math.nan if hint is float else value
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        hints = typing.get_type_hints(hint)
        made = {f.name: value[f.name] for f in dataclasses.fields(hint) if f.name in value}
        if hint is Finding:
            prefix = f"{value['key']}/"
            made["evidence"] = {name.removeprefix(prefix): arrays[name] for name in value["evidence"]}
        if hint is Picture:
            made["rgb"] = arrays[value["rgb"]]
        if hint is PartFacts and value.get("shape"):
            made["shape"] = Shape(*(arrays[f"{value['shape']}/{name}"] for name in _SHAPE))
        return hint(**{n: v if n in _ARRAYS else _made(hints[n], v, arrays) for n, v in made.items()})
    if origin is tuple:
        items = arguments[:1] * len(value) if arguments[-1] is Ellipsis else arguments
        return tuple(_made(item, v, arrays) for item, v in zip(items, value, strict=True))
    if origin in (types.UnionType, typing.Union):
        return _made(next(a for a in arguments if a is not type(None)), value, arrays)
    if origin is not None and issubclass(origin, Mapping):
        return {key: _made(arguments[1], item, arrays) for key, item in value.items()}
    if hint is float:
        return float(value)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(value)
    return value


def _described(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    """JSON schema of a type; records go to `definitions` and are referred to."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        if hint.__name__ not in definitions:
            definitions[hint.__name__] = {}
            hints = typing.get_type_hints(hint)
            names = [f.name for f in dataclasses.fields(hint)]
            properties = {n: _described(hints[n], definitions) for n in names if n not in _ARRAYS}
            if hint is Finding:
                properties["evidence"] = {"type": "array", "items": {"type": "string"}}
            if hint is Picture:
                properties["rgb"] = {"type": "string"}
            if hint is PartFacts:
                properties["shape"] = {"type": ["string", "null"]}
            definitions[hint.__name__] = {
                "type": "object",
                "description": (hint.__doc__ or "").split("\n\n")[0],
                "properties": properties,
                "required": sorted(properties),
            }
        return {"$ref": f"#/$defs/{hint.__name__}"}
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return {"type": "array", "items": _described(arguments[0], definitions)}
        items = [_described(item, definitions) for item in arguments]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if origin in (types.UnionType, typing.Union):
        return {"anyOf": [_described(item, definitions) for item in arguments]}
    if origin is not None and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _described(arguments[1], definitions)}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"enum": [member.value for member in hint]}
    if hint is float:
        return {"type": ["number", "null"]}
    if isinstance(hint, type) and issubclass(hint, int):
        return {"type": "integer"}
    return {str: {"type": "string"}, type(None): {"type": "null"}}.get(hint, {})
