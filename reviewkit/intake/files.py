"""Any mesh file: its content is looked at before its name is believed."""

import io
import re
import struct
import zipfile
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.amf import read_amf
from reviewkit.intake.gltf import read_glb, read_gltf
from reviewkit.intake.obj import read_obj
from reviewkit.intake.off import HEAD as OFF_HEAD
from reviewkit.intake.off import read_off
from reviewkit.intake.package import read_3mf
from reviewkit.intake.ply import read_ply
from reviewkit.intake.raw import Caps, RawMesh, one_line
from reviewkit.intake.step import read_step
from reviewkit.intake.stl import binary_fits, is_text, read_stl

FORMATS = "STL, 3MF, OBJ, PLY, OFF, AMF, GLB or STEP"
_READERS = {
    ".stl": read_stl,
    ".obj": read_obj,
    ".ply": read_ply,
    ".off": read_off,
    ".3mf": read_3mf,
    ".amf": read_amf,
    ".glb": read_glb,
    ".gltf": read_gltf,
}
_STEP = (".step", ".stp")

# How files begin that are sent by mistake, in lower case, and what a person calls them.
_FOREIGN = (
    (b"%pdf", "a PDF document"),
    (b"<!doctype html", "a web page (HTML), as a failed download leaves behind"),
    (b"<html", "a web page (HTML), as a failed download leaves behind"),
    (b"{", "a JSON document, but no glTF"),
    (b"<", "an XML document, neither AMF nor packed as 3MF"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"rar!", "a RAR archive"),
    (b"\x89png", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\xd0\xcf\x11\xe0", "a CAD or office document"),
    (b"ac10", "a DWG drawing"),
    (b"version https://", "a pointer that stands for the file, not the file itself"),
)
_ODD_ERRORS = (
    ValueError, IndexError, KeyError, TypeError, AttributeError, OverflowError, EOFError, struct.error, RuntimeError,
)  # fmt: skip


def read_mesh(data: bytes, suffix: str, caps: Caps, numbers: Mapping[str, float]) -> RawMesh:
    """Read a mesh from the bytes of a file.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, with the dot.
    caps : Caps
        What is taken at most.
    numbers : mapping of str to float
        The intake limits by quantity; as :func:`reviewkit.intake.step.read_step` asks for them.

    Returns
    -------
    RawMesh
        With at least one facet, finite coordinates, and no points that no facet uses.

    Raises
    ------
    MeshError
        When there is no mesh to read; the message is one line that follows the file's name.
    """
    suffix = suffix.lower()
    kind = ".step" if suffix in _STEP else suffix
    ending, words = _content(data)
    if words and ending != kind:
        named = f", named {one_line(suffix, 12)}" if kind == ".step" or suffix in _READERS else ""
        advice = f"rename it to end in {ending}" if ending else f"export it as {FORMATS}"
        raise MeshError(f"is {words}{named}; {advice} and send it again")
    if kind != ".step" and suffix not in _READERS:
        raise MeshError(f"is no mesh file that can be read; export it as {FORMATS} and send it again")
    try:
        raw = read_step(data, caps, numbers) if kind == ".step" else _READERS[suffix](data, caps)
    except _ODD_ERRORS as error:
        raise MeshError(f"cannot be read as {suffix[1:].upper()} ({one_line(error)}); export it again") from None
    return _usable(raw)


def _content(data: bytes) -> tuple[str, str]:
    """Ending that suits the content and words for it, both empty when nothing is certain."""
    head = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n")
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _archive(data)
    if binary_fits(data):
        return ".stl", "an STL file"
    if head.lower().startswith(b"iso-10303-21"):
        return ".step", "a STEP file"
    if data.startswith(b"glTF"):
        return ".glb", "a binary glTF file"
    if head.startswith(b"{") and b'"asset"' in data:
        return ".gltf", "a glTF file"
    if head.startswith(b"<") and re.search(rb"<amf[\s/>]", data[:65536]):
        return ".amf", "an AMF file"
    for mark, words in _FOREIGN:
        if head.lower().startswith(mark):
            return "", words
    if re.match(rb"ply\s", head):
        return ".ply", "a PLY file"
    if OFF_HEAD.match(head):
        return ".off", "an OFF file"
    if head.lower().startswith(b"solid") and is_text(data) and re.search(rb"\b(facet|endsolid)\b", data[:65536], re.I):
        return ".stl", "an STL file"
    return "", ""


def _archive(data: bytes) -> tuple[str, str]:
    try:
        names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    except (zipfile.BadZipFile, NotImplementedError, OSError, *_ODD_ERRORS):
        return "", "a damaged ZIP archive (3MF files are such archives too)"
    for inside, ending, words in ((".model", ".3mf", "a 3MF file"), (".amf", ".amf", "an AMF file")):
        if any(name.lower().endswith(inside) for name in names):
            return ending, words
    return "", "a ZIP archive"


def _usable(raw: RawMesh) -> RawMesh:
    """The mesh with only the points that its facets use, or a refusal."""
    if len(raw.faces) == 0:
        missing = f", {raw.facets_missing:,} are cut off or unreadable" if raw.facets_missing else ""
        raise MeshError(f"holds no facets ({raw.format}{missing}); export the body itself and send it again")
    wrong = int(((raw.faces < 0) | (raw.faces >= len(raw.vertices))).any(axis=1).sum())
    if wrong:
        raise MeshError(
            f"is damaged: {wrong:,} facets name points beyond the {len(raw.vertices):,} it holds; export it again"
        )
    used = np.zeros(len(raw.vertices), dtype=bool)
    used[raw.faces] = True
    # Adding zero makes one of the two zeros of floating point.
    vertices, faces = raw.vertices[used] + 0.0, (np.cumsum(used) - 1)[raw.faces]
    odd = int((~np.isfinite(vertices).all(axis=1)).sum())
    if odd:
        raise MeshError(f"is damaged: {odd:,} points have no finite coordinates; export it again")
    return replace(raw, vertices=vertices, faces=faces)
