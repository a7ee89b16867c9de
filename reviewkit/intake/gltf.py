"""glTF 2.0, as one binary file (GLB) or as JSON with its data inside.

The part is turned so that its z axis is up, as everywhere else here; the format has y up.
Data in other files are not read: the hash of one file stands for one part.

References
----------
Khronos glTF 2.0 Specification, version 2.0.1, 2021: 3.4 (y is up, lengths are metres), 3.5.3
(transforms), 3.6.2 (accessors), 3.7.2 (kinds of primitives), 3.7.4 (a mirroring transform turns the
facets), 3.12 (extensions), 4 (GLB).  KHR_mesh_quantization allows whole numbers as coordinates.
"""

import base64
import json
import re
import struct
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, Faces, RawMesh, one_line
from reviewkit.model import Floats

_HEAD_BYTES, _CHUNK_HEAD_BYTES = 12, 8
_JSON, _BIN = 0x4E4F534A, 0x004E4942
# Component types of accessors by their numbers, little-endian (3.6.2.2).
_KINDS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_LOOSE = {0: "loose points", 1: "loose lines", 2: "loose lines", 3: "loose lines"}
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_EMBEDDED = re.compile(r"data:[^,]{0,200};base64,", re.I)
# Extensions that change no shape, or one that is read: a file may require them.
_HARMLESS = re.compile(
    r"KHR_(materials|texture|lights|xmp|animation)_\w+|KHR_xmp|(EXT|MSFT)_(texture|lights)_\w+|KHR_mesh_quantization"
)
# Packed copies of meshes that also stand unpacked in the file, unless it requires the extension.
_PACKED = {"KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression"}


@dataclass(frozen=True, eq=False)
class _Placed:
    """A node with the transform from its own frame into that of the scene, (4, 4)."""

    node: Mapping[str, Any]
    transform: Floats


def read_glb(data: bytes, caps: Caps) -> RawMesh:
    """Read a GLB, the binary form.

    Raises
    ------
    MeshError
        When it is not whole, requires an extension that is not read, or keeps data elsewhere.
    """
    return _upright(mesh_of_glb(data, caps))


def read_gltf(data: bytes, caps: Caps) -> RawMesh:
    """Read a glTF, the form in JSON.

    Raises
    ------
    MeshError
        As :func:`read_glb`.
    """
    return _upright(_Asset("glTF", data, b"", caps).mesh())


def mesh_of_glb(data: bytes, caps: Caps) -> RawMesh:
    """The mesh of a GLB in its own axes."""
    if len(data) < _HEAD_BYTES + _CHUNK_HEAD_BYTES:
        raise MeshError(f"holds {len(data)} bytes, too few for a GLB; export it again")
    _, version, length = struct.unpack_from("<4sII", data)
    if version != 2:
        raise MeshError(f"is GLB of version {version}; version 2 is read; export it as glTF 2.0")
    if length > len(data):
        raise MeshError(f"is cut short: it states {length:,} bytes and holds {len(data):,}; send it again")
    chunks: list[tuple[int, bytes]] = []
    at = _HEAD_BYTES
    while at + _CHUNK_HEAD_BYTES <= length:
        size, kind = struct.unpack_from("<II", data, at)
        at += _CHUNK_HEAD_BYTES
        if at + size > length:
            raise MeshError(f"is damaged: its part {len(chunks) + 1} reaches beyond the end; export it again")
        chunks.append((kind, data[at : at + size]))
        at += size
    if not chunks or chunks[0][0] != _JSON:
        raise MeshError("is damaged: it does not begin with its description; export it again")
    binary = next((body for kind, body in chunks[1:2] if kind == _BIN), b"")
    return _Asset("GLB", chunks[0][1], binary, caps, bytes_left_over=len(data) - length).mesh()


def _upright(raw: RawMesh) -> RawMesh:
    """The mesh turned about x, from y up to z up."""
    x, y, z = raw.vertices.T
    turned = "turned so that z is up, because y is up in the format"
    return replace(raw, vertices=np.column_stack([x, -z, y]), notes=(*raw.notes, turned))


class _Asset:
    """The description of a file and the data that it names."""

    def __init__(self, format: str, text: bytes, binary: bytes, caps: Caps, *, bytes_left_over: int = 0) -> None:
        self._format, self._binary, self._caps = format, binary, caps
        self._bytes_left_over = bytes_left_over
        self._tree: Mapping[str, Any] = json.loads(text.rstrip(b"\0").decode("utf-8-sig"))
        self._buffers: dict[int, bytes] = {}
        self._unread = Counter[str]()
        self._missing = 0
        self._single = False
        self._placed_meshes: set[int] = set()

    def mesh(self) -> RawMesh:
        """All meshes of the scene as one."""
        self._refuse_unknown()
        points, faces = [np.empty((0, 3))], [np.empty((0, 3), np.int64)]
        n_points = n_facets = 0
        for placed in self._nodes():
            turn, shift = placed.transform[:3, :3], placed.transform[:3, 3]
            mirrored = np.linalg.det(turn)
            if mirrored == 0:
                self._unread["objects scaled to nothing"] += 1
                continue
            for primitive in self._primitives(placed.node):
                local, facets = self._primitive(primitive, n_facets)
                n_facets += len(facets)
                points.append(local @ turn.T + shift)
                faces.append((facets if mirrored > 0 else facets[:, ::-1]) + n_points)
                n_points += len(local)
        return RawMesh(
            self._format,
            np.concatenate(points),
            np.concatenate(faces),
            unit="m",
            unit_note="glTF 2.0, clause 3.4, has metres only",
            single=self._single,
            facets_missing=self._missing,
            bytes_left_over=self._bytes_left_over,
            unread=self._all_unread(),
            ignored=self._ignored(),
        )

    def _refuse_unknown(self) -> None:
        """Only version 2, and no extension that has to be known and is not (3.2, 3.12)."""
        version = str(self._tree["asset"].get("minVersion", self._tree["asset"]["version"]))
        if version != "2.0":
            raise MeshError(f"is glTF of version {one_line(version, 12)}; version 2.0 is read; export it as glTF 2.0")
        unknown = [name for name in self._list("extensionsRequired") if not _HARMLESS.fullmatch(str(name))]
        if unknown:
            names = one_line(", ".join(map(str, unknown)))
            raise MeshError(f"requires {names}, which is not read; export it without compression and extensions")

    def _nodes(self) -> list[_Placed]:
        """Nodes with meshes, of the scene that the file shows, else of all roots."""
        nodes, scenes = self._list("nodes"), self._list("scenes")
        if scenes:
            roots = self._at("scenes", self._tree.get("scene", 0)).get("nodes", [])
            if len(scenes) > 1:
                self._unread["other scenes"] = len(scenes) - 1
        else:
            children = {_whole(child) for node in nodes for child in node.get("children", [])}
            roots = [number for number in range(len(nodes)) if number not in children]
        found, seen = [], set[int]()
        waiting = [(_whole(root), np.eye(4)) for root in reversed(roots)]
        while waiting:
            number, outer = waiting.pop()
            if number in seen:
                raise MeshError(f"is damaged: its node {number} stands in two places; export it again")
            seen.add(number)
            node = self._at("nodes", number)
            transform = outer @ _local(node)
            if "mesh" in node:
                found.append(_Placed(node, transform))
            waiting += [(_whole(child), transform) for child in reversed(node.get("children", []))]
        return found

    def _primitives(self, node: Mapping[str, Any]) -> list[Mapping[str, Any]]:
        """Pieces of the mesh of a node; what would move its points is told."""
        mesh = self._at("meshes", node["mesh"])
        self._placed_meshes.add(_whole(node["mesh"]))
        if "skin" in node:
            self._unread["skeletons that bend a mesh, read unbent"] += 1
        if any(primitive.get("targets") for primitive in mesh["primitives"]):
            self._unread["meshes with other shapes to blend in, read without"] += 1
        return list(mesh["primitives"])

    def _primitive(self, primitive: Mapping[str, Any], n_before: int) -> tuple[Floats, Faces]:
        """Points and triangles of one piece; loose lines and points are told."""
        mode = primitive.get("mode", _TRIANGLES)
        attributes = primitive["attributes"]
        if mode in _LOOSE or "POSITION" not in attributes:
            self._unread[_LOOSE.get(mode, "meshes without points")] += 1
            return np.empty((0, 3)), np.empty((0, 3), np.int64)
        points = self._points(attributes["POSITION"])
        if "indices" in primitive:
            order = self._array(primitive["indices"], "SCALAR")[:, 0]
            if order.dtype.kind != "u":
                raise MeshError("is damaged: its facets name points by numbers that are not whole; export it again")
        else:
            order = np.arange(len(points))
        self._caps.hold(n_before + (len(order) // 3 if mode == _TRIANGLES else max(len(order) - 2, 0)))
        facets = _triangles(order.astype(np.int64), mode)
        self._missing += mode == _TRIANGLES and len(order) % 3 > 0
        if len(facets) and facets.max() >= len(points):
            raise MeshError(f"is damaged: facets name points beyond the {len(points):,} of theirs; export it again")
        if mode != _TRIANGLES:
            # Strips are joined by facets with two corners in one place, which are no facets.
            corners = points[facets]
            facets = facets[~(corners == corners[:, [1, 2, 0]]).all(axis=2).any(axis=1)]
        return points, facets

    def _points(self, number: Any) -> Floats:
        """Coordinates, whole numbers scaled where they say so (3.6.2.2)."""
        values = self._array(number, "VEC3")
        points = values.astype(np.float64)
        if values.dtype.kind == "f":
            self._single = True
        elif self._at("accessors", number).get("normalized"):
            points = np.maximum(points / np.iinfo(values.dtype).max, -1.0)
        return points

    def _array(self, number: Any, shape: str) -> NDArray[Any]:
        """What an accessor describes, one row an element."""
        accessor = self._at("accessors", number)
        name = f"its block of numbers {_whole(number)}"
        if "sparse" in accessor:
            raise MeshError(
                f"gives {name} as changes to another (a sparse accessor), which is not read; export it without"
            )
        if "bufferView" not in accessor:
            raise MeshError(f"is damaged: {name} stands nowhere in it; export it again")
        if accessor["type"] != shape or accessor["componentType"] not in _KINDS:
            raise MeshError(f"is damaged: {name} is not of the kind that it is used for; export it again")
        view = self._at("bufferViews", accessor["bufferView"])
        kind, width = np.dtype(_KINDS[accessor["componentType"]]), 3 if shape == "VEC3" else 1
        size, count = kind.itemsize * width, _whole(accessor["count"])
        begin, inside = _whole(view.get("byteOffset", 0)), _whole(accessor.get("byteOffset", 0))
        step = _whole(view.get("byteStride", size))
        data = self._buffer(_whole(view["buffer"]))
        needed = inside + step * (count - 1) + size
        held = min(_whole(view["byteLength"]), len(data) - begin)
        if count < 1 or step < size or needed > held:
            raise MeshError(f"is damaged: {name} states {count:,} entries, more than it holds; export it again")
        return np.ndarray((count, width), kind, data, begin + inside, (step, kind.itemsize))

    def _buffer(self, number: int) -> bytes:
        """Data inside the file; no other file is opened."""
        if number not in self._buffers:
            buffer = self._at("buffers", number)
            uri = buffer.get("uri")
            if uri is None:
                data = self._binary if number == 0 else b""
            elif head := _EMBEDDED.match(uri):
                held = sum(map(len, self._buffers.values())) + len(uri) * 3 // 4
                if held > self._caps.unpacked_bytes:
                    raise MeshError(
                        f"unpacks to {held:,} bytes; at most {self._caps.unpacked_bytes:,} are read; export it coarser"
                    )
                data = base64.b64decode(uri[head.end() :], validate=True)
            else:
                raise MeshError(f"keeps its points in another file, {one_line(uri)!r}; export it as one GLB file")
            stated = _whole(buffer["byteLength"])
            if stated > len(data):
                raise MeshError(f"is cut short: {stated:,} bytes of data are stated, {len(data):,} held; send it again")
            self._buffers[number] = data[:stated]
        return self._buffers[number]

    def _all_unread(self) -> tuple[str, ...]:
        """What was not applied, with meshes of no scene and extensions that could change a shape."""
        if unplaced := len(self._list("meshes")) - len(self._placed_meshes):
            self._unread["meshes outside the scene"] = unplaced
        used = [str(name) for name in self._list("extensionsUsed")]
        odd = [name for name in used if name not in _PACKED and not _HARMLESS.fullmatch(name)]
        counted = [f"{words} ({number})" for words, number in self._unread.items()]
        return (*counted, *(f"extension {one_line(name, 60)}" for name in odd))

    def _ignored(self) -> tuple[str, ...]:
        kinds = (("materials", "colours and surface looks"), ("cameras", "cameras"), ("animations", "animations"))
        return tuple(words for key, words in kinds if self._list(key))

    def _list(self, key: str) -> list[Any]:
        return list(self._tree.get(key, []))

    def _at(self, key: str, number: Any) -> Mapping[str, Any]:
        held = self._tree.get(key, [])
        if not 0 <= _whole(number) < len(held):
            raise MeshError(
                f"is damaged: it refers to number {_whole(number):,} of its {len(held):,} {key}; export it again"
            )
        found: Mapping[str, Any] = held[_whole(number)]
        return found


def _whole(value: Any) -> int:
    """A whole number, which may be written as a decimal one (2.7) and is never negative."""
    if isinstance(value, bool) or not isinstance(value, int | float) or value != int(value) or value < 0:
        raise MeshError(f"is damaged: {one_line(value, 20)!r} stands where a count belongs; export it again")
    return int(value)


def _local(node: Mapping[str, Any]) -> Floats:
    """Transform of a node into what holds it, (4, 4)."""
    if "matrix" in node:
        transform = np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
    else:
        x, y, z, w = np.array(node.get("rotation", (0, 0, 0, 1)), dtype=np.float64)
        norm = x * x + y * y + z * z + w * w
        across = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        turn = np.eye(3) + 2 / norm * (w * across + across @ across)
        transform = np.eye(4)
        transform[:3, :3] = turn * np.array(node.get("scale", (1, 1, 1)), dtype=np.float64).reshape(3)
        transform[:3, 3] = np.array(node.get("translation", (0, 0, 0)), dtype=np.float64).reshape(3)
    if not np.isfinite(transform).all():
        raise MeshError("places an object by numbers that are not finite; export it again")
    return transform


def _triangles(order: NDArray[np.int64], mode: Any) -> Faces:
    """Triangles of a primitive; strips and fans are cut up."""
    if mode == _TRIANGLES:
        return order[: len(order) // 3 * 3].reshape(-1, 3)
    if mode not in (_STRIP, _FAN):
        raise MeshError(f"is damaged: {one_line(mode, 20)!r} is no kind of primitive; export it again")
    first = np.arange(max(len(order) - 2, 0))
    if mode == _FAN:
        cut = np.column_stack([first + 1, first + 2, np.zeros_like(first)])
    else:
        cut = np.column_stack([first, first + 1 + first % 2, first + 2 - first % 2])
    facets: Faces = order[cut]
    return facets
