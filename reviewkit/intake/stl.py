"""STL, binary and text.

Notes
-----
Binary: 80 bytes of header, a 32-bit count, then 50 bytes a facet, all little-endian (from
memory; the format has no published standard).
"""

import re
import struct
from itertools import chain, islice

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, RawMesh, triangles
from reviewkit.model import Floats

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEAD_BYTES = 84
_TOKEN = re.compile(rb"\bvertex\s+(\S{1,64})\s+(\S{1,64})\s+(\S{1,64})|\bendloop\b", re.I)
_FACET = re.compile(rb"\bfacet\s+normal\b", re.I)
_END = re.compile(rb"\bendsolid\b", re.I)
# Matches held at a time, so that memory stays bounded on long texts.
_BLOCK = 300_000


def binary_fits(data: bytes) -> bool:
    """Whether the length is what a binary STL with the count in its head has."""
    if len(data) <= _HEAD_BYTES:
        return False
    (count,) = struct.unpack_from("<I", data, _HEAD_BYTES - 4)
    return len(data) == _HEAD_BYTES + _RECORD.itemsize * int(count)


def is_text(data: bytes) -> bool:
    """Whether the beginning is printable; binary facets practically always hold zero bytes."""
    return not re.search(rb"[\x00-\x08\x0e-\x1f]", data[:4096])


def read_stl(data: bytes, caps: Caps) -> RawMesh:
    """Read an STL of either kind; a header that begins with ``solid`` decides nothing.

    Raises
    ------
    MeshError
        When it holds no facets to read or more than the cap.
    """
    worded = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith((b"solid", b"facet"))
    if worded and is_text(data):
        return _read_text(data, caps)
    return _read_binary(data, caps)


def _read_binary(data: bytes, caps: Caps) -> RawMesh:
    if len(data) < _HEAD_BYTES:
        raise MeshError(f"holds {len(data)} bytes; an STL file has 84 before its first facet; export it again")
    (stated,) = struct.unpack_from("<I", data, _HEAD_BYTES - 4)
    held, rest = divmod(len(data) - _HEAD_BYTES, _RECORD.itemsize)
    count, left_over = held, rest
    mended: tuple[str, ...] = ()
    if stated < held and rest == 0:
        # Whole records to the very end: the count is wrong (writers that stream leave it 0).
        mended = (f"the file states {stated:,} facets and holds {held:,}; all {held:,} were read",)
    elif stated <= held:
        count, left_over = stated, len(data) - _HEAD_BYTES - stated * _RECORD.itemsize
    if is_text(data):
        raise MeshError("is text that describes no facets, not an STL file; export it again")
    caps.hold(count)
    records = np.frombuffer(data, dtype=_RECORD, count=count, offset=_HEAD_BYTES)
    return RawMesh(
        "STL, binary",
        records["corners"].reshape(-1, 3).astype(np.float64),
        np.arange(3 * count, dtype=np.int64).reshape(-1, 3),
        single=True,
        facets_missing=max(stated - held, 0),
        cut_short=stated > held,
        bytes_left_over=left_over,
        mended=mended,
        ignored=("facet attributes (colours)",) if records["attribute"].any() else (),
    )


def _read_text(data: bytes, caps: Caps) -> RawMesh:
    """Loops of vertices, whatever stands between them; a loop with a word for a number is missing."""
    points, sizes, commas, begun = [np.empty((0, 3))], [np.empty(0, np.int64)], False, 0
    tokens = _TOKEN.finditer(data)
    while block := list(islice(tokens, _BLOCK)):
        values, swapped = _numbers([token.groups() for token in block if token.lastindex])
        ends = np.flatnonzero([token.lastindex is None for token in block])
        corners = np.diff(ends, prepend=-1) - 1
        if len(corners):
            corners[0] += begun
            begun = 0
        begun += len(block) - 1 - (int(ends[-1]) if len(ends) else -1)
        commas |= swapped
        points.append(values)
        sizes.append(corners)
        caps.hold(sum(map(len, sizes)))
    vertices, loops = np.concatenate(points), np.concatenate(sizes)
    unreadable = np.concatenate([[0], np.cumsum(np.isnan(vertices).any(axis=1))])
    ends = np.cumsum(loops)
    whole = (loops >= 3) & (unreadable[ends] == unreadable[ends - loops])
    kept = np.flatnonzero(np.repeat(whole, loops))
    facets = data.count(b"facet normal")
    if facets != len(loops):
        facets = max(len(_FACET.findall(data)), len(loops))
    return RawMesh(
        "STL, text",
        vertices,
        triangles(vertices, kept, loops[whole]),
        facets_missing=facets - int(whole.sum()),
        cut_short=_END.search(data[-65536:]) is None,
        mended=("decimal commas were read as decimal points",) if commas else (),
    )


def _numbers(words: list[tuple[bytes, ...]]) -> tuple[Floats, bool]:
    """Coordinates of text, and whether decimal commas had to be read as points.

    NaN stands for what is no number, infinity for what says that it is not finite.
    """
    if not words:
        return np.empty((0, 3)), False
    try:
        values = np.fromiter(map(float, chain.from_iterable(words)), np.float64, 3 * len(words)).reshape(-1, 3)
    except ValueError:
        pointed = [tuple(word.replace(b",", b".") for word in row) for row in words]
        return np.array([[_number(word) for word in row] for row in pointed]), pointed != words
    return np.where(np.isnan(values), np.inf, values), False


def _number(word: bytes) -> float:
    try:
        value = float(word)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.inf
