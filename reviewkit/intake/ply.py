"""PLY, text and binary of either byte order."""

import io
import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, Polygons, RawMesh, one_line
from reviewkit.model import Floats

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_COLOURS = {"red", "green", "blue", "texcoord"}
_HEAD_BYTES = 1_000_000
# Rows compared at a time to find how far a run of equal list lengths goes; doubled while it goes on.
_LOOK_AHEAD = 16


@dataclass(frozen=True)
class _Property:
    """One property; a list has a type of its count."""

    name: str
    kind: str
    count_kind: str = ""


@dataclass(frozen=True)
class _Element:
    """One kind of element, in the order of the file."""

    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    @property
    def names(self) -> set[str]:
        return {each.name for each in self.properties}


def read_ply(data: bytes, caps: Caps) -> RawMesh:
    """Read a PLY; facets behind a premature end count as missing.

    Raises
    ------
    MeshError
        When its head or its points are not whole.
    """
    end = re.search(rb"end_header[ \t]*(\r\n|\n|\r)", data[:_HEAD_BYTES])
    if end is None:
        raise MeshError("has no whole PLY head; export it again")
    order, elements = _head(data[: end.start()].decode("latin-1"))
    body: _Text | _Binary = _Binary(data, end.end(), order) if order else _Text(data[end.end() :])
    points: Floats | None = None
    polygons, missing, single, looks, unread = Polygons.none(), 0, False, False, []
    for element in elements:
        looks |= bool(element.names & _COLOURS)
        if element.name == "vertex":
            points = _points(body, element)
            single = bool(order) and all(each.kind == "f4" for each in element.properties if each.name in "xyz")
        elif element.name == "face":
            caps.hold(element.count)
            key = next((name for name in ("vertex_indices", "vertex_index") if name in element.names), "")
            if not key:
                raise MeshError("gives its facets no corners; export it again")
            missing = element.count - body.polygons(element, key, polygons)
            if missing:
                break
        elif element.name == "tristrips":
            raise MeshError("holds strips of triangles; export plain triangles")
        elif element.count and element.properties:
            unread.append(f"{one_line(element.name)} ({element.count})")
            body.polygons(element, "", Polygons.none())
    if points is None:
        raise MeshError("holds no points; export it again")
    return RawMesh(
        "PLY, binary" if order else "PLY, text",
        points,
        polygons.triangles(points, caps),
        single=single,
        facets_missing=missing,
        cut_short=missing > 0,
        unread=tuple(unread),
        ignored=("colours and surface looks",) if looks else (),
    )


def _head(text: str) -> tuple[str, list[_Element]]:
    """Byte order, empty for text, and the elements."""
    order: str | None = None
    elements: list[_Element] = []
    for words in map(str.split, text.splitlines()):
        match words:
            case ["format", kind, _]:
                order = _ORDERS[kind]
            case ["element", name, count]:
                elements.append(_Element(name, max(int(count), 0)))
            case ["property", "list", count_kind, kind, name]:
                elements[-1].properties.append(_Property(name, _TYPES[kind], _TYPES[count_kind]))
            case ["property", kind, name]:
                elements[-1].properties.append(_Property(name, _TYPES[kind]))
    if order is None:
        raise MeshError("does not state its PLY format; export it again")
    return order, elements


def _points(body: "_Text | _Binary", element: _Element) -> Floats:
    if not {"x", "y", "z"} <= element.names or any(each.count_kind for each in element.properties):
        raise MeshError("gives its points no plain x, y and z; export it again")
    columns = body.scalars(element)
    points = np.column_stack([columns[axis] for axis in "xyz"])
    if len(points) < element.count:
        raise MeshError(f"is damaged: it states {element.count:,} points and holds {len(points):,}; export it again")
    return points


class _Text:
    """Elements of a text PLY, one a line."""

    def __init__(self, body: bytes) -> None:
        self._rows = (words for words in map(bytes.split, io.BytesIO(body)) if words)

    def scalars(self, element: _Element) -> Mapping[str, Floats]:
        width = len(element.properties)
        values = array("d")
        for words in islice(self._rows, element.count):
            if len(words) < width:
                break
            values.extend(float(word) for word in words[:width])
        table = np.array(values).reshape(-1, width)
        return {each.name: table[:, k] for k, each in enumerate(element.properties)}

    def polygons(self, element: _Element, key: str, polygons: Polygons) -> int:
        """Collect the lists named `key`; how many rows were whole."""
        whole = 0
        for words in islice(self._rows, element.count):
            at = 0
            for each in element.properties:
                size = int(words[at]) if each.count_kind and at < len(words) else 1
                first = at + bool(each.count_kind)
                at = first + size
                if size < 0 or at > len(words):
                    return whole
                if each.name == key:
                    polygons.add([int(word) for word in words[first:at]], size)
            whole += 1
        return whole


class _Binary:
    """Elements of a binary PLY."""

    def __init__(self, data: bytes, at: int, order: str) -> None:
        self._data, self._at, self._order = data, at, order

    def scalars(self, element: _Element) -> Mapping[str, Floats]:
        record = np.dtype([(each.name, self._order + each.kind) for each in element.properties])
        table = self._rows(record, min(element.count, (len(self._data) - self._at) // record.itemsize))
        return {each.name: table[each.name].astype(np.float64) for each in element.properties}

    def polygons(self, element: _Element, key: str, polygons: Polygons) -> int:
        """Collect the lists named `key`; how many rows were whole.

        Runs of rows whose lists are as long as in the first of the run are read at once.
        """
        whole, ahead = 0, _LOOK_AHEAD
        while whole < element.count:
            record = self._row_like_next(element)
            if record is None:
                break
            most = min(element.count - whole, (len(self._data) - self._at) // record.itemsize, ahead)
            table = np.frombuffer(self._data, record, most, self._at)
            alike = np.ones(most, dtype=bool)
            for each in element.properties:
                if each.count_kind:
                    alike &= table[f"count of {each.name}"] == record[each.name].shape[0]
            run = most if alike.all() else int(alike.argmin())
            ahead = 2 * ahead if run == most else _LOOK_AHEAD
            self._at += run * record.itemsize
            whole += run
            if key and run:
                rings = table[key][:run].astype(np.int64).reshape(run, -1)
                if rings.shape[1] >= 3:
                    polygons.corners.frombytes(rings.tobytes())
                    polygons.sizes.frombytes(np.full(run, rings.shape[1], np.int64).tobytes())
        return whole

    def _rows(self, record: np.dtype[np.void], count: int) -> NDArray[np.void]:
        table: NDArray[np.void] = np.frombuffer(self._data, record, count, self._at)
        self._at += count * record.itemsize
        return table

    def _row_like_next(self, element: _Element) -> np.dtype[np.void] | None:
        """Layout of the row at hand, with its own list lengths; none where the data ends."""
        at = self._at
        fields: list[tuple[str, np.dtype[Any], tuple[int, ...]]] = []
        for each in element.properties:
            shape: tuple[int, ...] = ()
            if each.count_kind:
                count = np.dtype(self._order + each.count_kind)
                if at + count.itemsize > len(self._data):
                    return None
                shape = (int(np.frombuffer(self._data, count, 1, at)[0]),)
                fields.append((f"count of {each.name}", count, ()))
                at += count.itemsize
            kind = np.dtype(self._order + each.kind)
            at += kind.itemsize * (shape[0] if shape else 1)
            if at > len(self._data) or (shape and shape[0] < 0):
                return None
            fields.append((each.name, kind, shape))
        return np.dtype(fields)
