"""AMF: objects and constellations, plain or packed; curved triangles are read flat and told.

References
----------
ISO/ASTM 52915, additive manufacturing file format 1.2: elements, the default unit and the order
of the turns of an instance (about x, then y, then z, then the shift) are from memory.
"""

import io
from array import array
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.markup import Handlers, opened_archive, read_markup, read_packed_markup
from reviewkit.intake.raw import Caps, Faces, RawMesh, one_line
from reviewkit.model import Floats

_UNITS = {"micron": "um", "millimeter": "mm", "inch": "in", "feet": "ft", "meter": "m"}
_SHIFTS, _TURNS = ("deltax", "deltay", "deltaz"), ("rx", "ry", "rz")
_LOOKS = {"color", "texture", "texmap", "material", "composite"}

# Safety caps of the reader, no judgement of the part.
_PLACED_OBJECTS = 100_000
_NESTED_LEVELS = 64


@dataclass(eq=False)
class _Object:
    """One object: its points and the triangles of all its volumes."""

    points: "array[float]" = field(default_factory=lambda: array("d"))
    corners: "array[int]" = field(default_factory=lambda: array("q"))


@dataclass(frozen=True, eq=False)
class _Instance:
    """Something placed: row vectors are turned by the first three rows and shifted by the last."""

    name: str
    transform: Floats


def read_amf(data: bytes, caps: Caps) -> RawMesh:
    """Read an AMF; whatever no constellation names stands at its own place.

    Raises
    ------
    MeshError
        When it is not whole, or holds nothing to make.
    """
    model = _Model(caps)
    handlers = Handlers(model.start, model.end, model.text)
    if data.startswith(b"PK"):
        archive = opened_archive(data, caps, "AMF")
        parts = [info for info in archive.infolist() if info.filename.lower().endswith(".amf")]
        if len(parts) != 1:
            raise MeshError(f"is an archive of {len(parts)} AMF files; send one of them as a file of its own")
        read_packed_markup(archive, parts[0], "AMF", handlers)
    else:
        read_markup(io.BytesIO(data), "AMF", handlers)
    if model.unit not in _UNITS:
        raise MeshError(f"names the unit {one_line(model.unit)!r}; AMF knows {', '.join(_UNITS)}; export it again")
    points, faces = model.placed()
    return RawMesh(
        "AMF",
        points,
        faces,
        unit=_UNITS[model.unit],
        unit_note="stated in the file" if model.unit_stated else "the file states none; AMF then means millimetres",
        unread=tuple(f"{words} ({number})" for words, number in model.left.items()),
        ignored=("colours and materials",) if model.coloured else (),
    )


class _Model:
    """Handlers for the markup, and what they collected."""

    def __init__(self, caps: Caps) -> None:
        self.unit, self.unit_stated = "millimeter", False
        self.left = Counter[str]()
        self.coloured = False
        self._caps = caps
        self._objects: dict[str, _Object] = {}
        self._constellations: dict[str, list[_Instance]] = {}
        self._triangles = 0
        self._support = False
        self._text = ""
        self._numbers: dict[str, str] = {}
        self._current = _Object()
        self._members: list[_Instance] = []
        self._member = ""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self._text = ""
        match tag:
            case "coordinates" | "triangle":
                self._numbers = {}
            case "amf":
                self.unit_stated = "unit" in attributes
                self.unit = attributes.get("unit", self.unit).lower()
            case "object":
                self._current = self._objects[self._fresh(attributes["id"])] = _Object()
            case "constellation":
                self._members = self._constellations[self._fresh(attributes["id"])] = []
            case "instance":
                self._numbers, self._member = {}, attributes["objectid"]
            case "volume":
                self._support = attributes.get("type", "") == "support"
                if self._support:
                    self.left["support volumes"] += 1
            case "edge" | "normal":
                self.left["edges and normals that curve triangles, read as flat"] += 1
            case _ if tag in _LOOKS:
                self.coloured = True

    def text(self, text: str) -> None:
        self._text += text

    def end(self, tag: str) -> None:
        match tag:
            case "coordinates":
                self._current.points.extend(float(self._numbers[axis]) for axis in "xyz")
            case "triangle" if not self._support:
                self._current.corners.extend(int(self._numbers[corner]) for corner in ("v1", "v2", "v3"))
                self._triangles += 1
                self._caps.hold(self._triangles)
            case "instance":
                self._members.append(_Instance(self._member, self._transform()))
            case _:
                self._numbers[tag] = self._text

    def placed(self) -> tuple[Floats, Faces]:
        """Every object where its constellations put it, as one mesh."""
        named = {member.name for members in self._constellations.values() for member in members}
        at_home = np.eye(4, 3)
        roots = [name for name in (*self._constellations, *self._objects) if name not in named]
        waiting = [(_Instance(name, at_home), 0) for name in reversed(roots)]
        points, faces = [np.empty((0, 3))], [np.empty((0, 3), np.int64)]
        n_points = n_facets = n_objects = 0
        while waiting:
            place, level = waiting.pop()
            n_objects += 1
            if level > _NESTED_LEVELS or n_objects > _PLACED_OBJECTS:
                raise MeshError(
                    f"nests constellations deeper than {_NESTED_LEVELS} or repeats more than {_PLACED_OBJECTS:,} "
                    "objects; export it as plain meshes"
                )
            if members := self._constellations.get(place.name):
                waiting += [(_within(member, place), level + 1) for member in reversed(members)]
                continue
            if place.name not in self._objects:
                raise MeshError(f"refers to object {one_line(place.name)!r}, which it does not hold; export it again")
            found = self._objects[place.name]
            local = np.array(found.points).reshape(-1, 3)
            facets = np.array(found.corners, dtype=np.int64).reshape(-1, 3)
            n_facets += len(facets)
            self._caps.hold(n_facets)
            if len(facets) and not 0 <= facets.min() <= facets.max() < len(local):
                raise MeshError(
                    f"is damaged: object {one_line(place.name)!r} names points it does not hold; export it again"
                )
            with np.errstate(invalid="ignore"):
                points.append(local @ place.transform[:3] + place.transform[3])
            faces.append(facets + n_points)
            n_points += len(local)
        return np.concatenate(points), np.concatenate(faces)

    def _fresh(self, name: str) -> str:
        """A name that nothing before it has."""
        if name in self._objects or name in self._constellations:
            raise MeshError(f"names two things {one_line(name)!r}, so that one hides the other; export it again")
        return name

    def _transform(self) -> Floats:
        """Of an instance: turns about x, y and z in this order, then its shift."""
        angles = np.radians([float(self._numbers.get(name, "0")) for name in _TURNS])
        shift = [float(self._numbers.get(name, "0")) for name in _SHIFTS]
        if not np.isfinite([*angles, *shift]).all():
            raise MeshError("places an object by numbers that are not finite; export it again")
        turn = np.eye(3)
        for axis, angle in enumerate(angles):
            j, k = (axis + 1) % 3, (axis + 2) % 3
            about = np.eye(3)
            about[[j, k], [j, k]] = np.cos(angle)
            about[j, k], about[k, j] = np.sin(angle), -np.sin(angle)
            turn = turn @ about
        return np.vstack([turn, shift])


def _within(inner: _Instance, outer: _Instance) -> _Instance:
    """The member placed by its own transform, then by that of what holds it."""
    turn, shift = outer.transform[:3], outer.transform[3]
    return _Instance(inner.name, np.vstack([inner.transform[:3] @ turn, inner.transform[3] @ turn + shift]))
