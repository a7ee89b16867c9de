"""OBJ: points and polygons; free-form geometry is told, not read."""

import io
from array import array
from collections import Counter
from collections.abc import Iterator
from typing import TypeVar

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, Polygons, RawMesh

_Number = TypeVar("_Number", int, float)

_FREE_FORM = {b"curv", b"curv2", b"surf"}
_LOOKS = {b"mtllib", b"usemtl"}


def read_obj(data: bytes, caps: Caps) -> RawMesh:
    """Read an OBJ; no other file that it names is opened.

    Raises
    ------
    MeshError
        When a line is damaged, with its number.
    """
    points, polygons = array("d"), Polygons.none()
    left: Counter[str] = Counter()
    looks = False
    for line, words in _lines(data):
        key = words[0]
        if key == b"v":
            if len(words) < 4:
                raise MeshError(
                    f"is damaged: the point in line {line} has {len(words) - 1} coordinates; export it again"
                )
            points.extend(_values(words[1:4], float, line))
            looks |= len(words) >= 7
        elif key in (b"f", b"fo"):
            known = len(points) // 3
            ring = _values([word.split(b"/", 1)[0] for word in words[1:]], int, line)
            if not all(-known <= index != 0 for index in ring):
                raise MeshError(f"is damaged: line {line} names a point that does not exist; export it again")
            left["facets with fewer than three corners"] += len(ring) < 3
            polygons.add((index - 1 if index > 0 else known + index for index in ring), len(ring))
            caps.hold(len(polygons.sizes))
        elif key in _FREE_FORM:
            left["free-form curves and surfaces"] += 1
        elif key in (b"l", b"p"):
            left["loose lines and points"] += 1
        elif key in _LOOKS:
            looks = True
    vertices = np.array(points).reshape(-1, 3)
    return RawMesh(
        "OBJ",
        vertices,
        polygons.triangles(vertices, caps),
        unread=tuple(f"{words} ({number})" for words, number in left.items() if number),
        ignored=("colours and surface looks",) if looks else (),
    )


def _values(words: list[bytes], kind: type[_Number], line: int) -> list[_Number]:
    try:
        return [kind(word) for word in words]
    except ValueError:
        raise MeshError(f"is damaged: line {line} holds words where numbers belong; export it again") from None


def _lines(data: bytes) -> Iterator[tuple[int, list[bytes]]]:
    """Words of each line that says something; a backslash continues a line in the next."""
    pending: list[bytes] = []
    for number, line in enumerate(io.BytesIO(data), 1):
        text = line.split(b"#", 1)[0].rstrip()
        continued = text.endswith(b"\\")
        pending += (text[:-1] if continued else text).split()
        if pending and not continued:
            yield number, pending
            pending = []
