"""3MF: build items and components where their transforms put them, in the file's unit.

References
----------
3MF Core Specification 1.4.0 and 3MF Production Extension (3MF Consortium).
"""

from array import array
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.markup import Handlers, opened_archive, read_packed_markup
from reviewkit.intake.raw import Caps, Faces, RawMesh, one_line
from reviewkit.model import Floats

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MATERIALS = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_TRIANGLE_SETS = "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07"
_XML = "http://www.w3.org/XML/1998/namespace"
_RELATIONSHIP = "http://schemas.openxmlformats.org/package/2006/relationships Relationship"
_MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
# Extensions by the words of their titles; only names that stand in a file are looked up here.
_EXTENSIONS = {
    _MATERIALS: "materials and properties",
    _PRODUCTION: "production",
    _TRIANGLE_SETS: "triangle sets",
    "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07": "slice",
    "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02": "beam lattice",
    "http://schemas.microsoft.com/3dmanufacturing/securecontent/2019/04": "secure content",
}
# What these add changes no shape, so a file may require them and still be read whole.
_HARMLESS = {_MATERIALS, _PRODUCTION, _TRIANGLE_SETS}
_UNITS = {"micron": "um", "millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m"}
_PLUMBING = (".rels", ".png", ".jpg", ".jpeg", "[content_types].xml", "/core.xml", "/")

# Safety caps of the reader, no judgement of the part.
_PLACED_OBJECTS = 100_000
_NESTED_LEVELS = 64


@dataclass(frozen=True, eq=False)
class _Reference:
    """An object put somewhere: by a build item, or as a component of another object."""

    path: str
    name: str
    transform: Floats


@dataclass(eq=False)
class _Object:
    """One object resource: a mesh or components."""

    type: str
    points: "array[float]" = field(default_factory=lambda: array("d"))
    corners: "array[int]" = field(default_factory=lambda: array("q"))
    components: list[_Reference] = field(default_factory=list)


def read_3mf(data: bytes, caps: Caps) -> RawMesh:
    """Read a 3MF package: model objects of the build only, others are told.

    Raises
    ------
    MeshError
        When the package is not whole, requires an extension that is not read, or holds
        nothing to build.
    """
    package = _Package(data, caps)
    model = package.model(package.root())
    if model.unit not in _UNITS:
        raise MeshError(f"names the unit {one_line(model.unit)!r}; 3MF knows {', '.join(_UNITS)}; export it again")
    points, faces, left_out = _placed(model, package, caps)
    foreign = set().union(*(each.foreign for each in package.models.values())) - _HARMLESS
    unread = [f"{number} {type} object{'s' if number > 1 else ''}" for type, number in sorted(left_out.items())]
    unread += [f"extension {_extension(uri)}" for uri in sorted(foreign)]
    if others := package.unopened():
        more = f" and {len(others) - 3} more" if len(others) > 3 else ""
        unread.append(f"other files in the package ({one_line(', '.join(others[:3]))}{more})")
    return RawMesh(
        "3MF",
        points,
        faces,
        unit=_UNITS[model.unit],
        unit_note="stated in the file" if model.unit_stated else "the file states none; 3MF then means millimetres",
        unread=tuple(unread),
        ignored=("colours and materials",) if any(each.coloured for each in package.models.values()) else (),
    )


def _placed(model: "_Model", package: "_Package", caps: Caps) -> tuple[Floats, Faces, Counter[str]]:
    """All model objects of the build as one mesh; objects of other types are counted."""
    if not model.items:
        raise MeshError("has no build item, so nothing of it is to be made; export it again")
    points, faces, left_out = [np.empty((0, 3))], [np.empty((0, 3), np.int64)], Counter[str]()
    n_points = n_facets = n_objects = 0
    waiting = [(item, 0) for item in reversed(model.items)]
    while waiting:
        place, level = waiting.pop()
        found = package.model(place.path).objects.get(place.name)
        if found is None:
            raise MeshError(f"refers to object {one_line(place.name)!r}, which it does not hold; export it again")
        n_objects += 1
        if level > _NESTED_LEVELS or n_objects > _PLACED_OBJECTS:
            raise MeshError(
                f"nests components deeper than {_NESTED_LEVELS} or repeats more than {_PLACED_OBJECTS:,} objects; "
                "export it as plain meshes"
            )
        waiting += [(_within(part, place), level + 1) for part in reversed(found.components)]
        if found.components:
            continue
        if found.type != "model":
            left_out[found.type] += 1
            continue
        local = np.array(found.points).reshape(-1, 3)
        facets = np.array(found.corners, dtype=np.int64).reshape(-1, 3)
        n_facets += len(facets)
        caps.hold(n_facets)
        if len(facets) and not 0 <= facets.min() <= facets.max() < len(local):
            raise MeshError(
                f"is damaged: object {one_line(place.name)!r} names points it does not hold; export it again"
            )
        if np.linalg.det(place.transform[:3]) < 0:
            # A mirrored shape keeps the sign of its volume (3MF Core Specification 1.4.0, 3.3).
            facets = facets[:, ::-1]
        points.append(local @ place.transform[:3] + place.transform[3])
        faces.append(facets + n_points)
        n_points += len(local)
    if not n_facets and left_out:
        words = ", ".join(f"{number} {one_line(type)}" for type, number in sorted(left_out.items()))
        raise MeshError(f"holds no model object to make, only objects of type {words}; export the body as a model")
    return np.concatenate(points), np.concatenate(faces), left_out


def _within(inner: _Reference, outer: _Reference) -> _Reference:
    """The component placed by its own transform, then by that of what holds it (row vectors)."""
    turn, shift = outer.transform[:3], outer.transform[3]
    return _Reference(
        inner.path, inner.name, np.vstack([inner.transform[:3] @ turn, inner.transform[3] @ turn + shift])
    )


def _extension(uri: str) -> str:
    return _EXTENSIONS.get(uri) or one_line(uri.partition("//")[2] or uri)


class _Package:
    """The ZIP archive, its model parts read when they are asked for."""

    def __init__(self, data: bytes, caps: Caps) -> None:
        self._zip = opened_archive(data, caps, "3MF")
        self._infos = {f"/{info.filename.lstrip('/')}".lower(): info for info in self._zip.infolist()}
        self.models: dict[str, _Model] = {}

    def root(self) -> str:
        """Path of the model part that the package's relationships name."""
        relations = _Relations()
        if "/_rels/.rels" in self._infos:
            self._parse("/_rels/.rels", relations)
        return relations.target or next((path for path in sorted(self._infos) if path.endswith(".model")), "")

    def model(self, path: str) -> "_Model":
        """The model part at a path."""
        key = path.lower()
        if key not in self.models:
            model = _Model(path)
            self._parse(key, model)
            self.models[key] = model
        return self.models[key]

    def unopened(self) -> list[str]:
        """Names of parts that are neither models that were read, nor pictures, nor plumbing."""
        return [
            info.filename
            for path, info in sorted(self._infos.items())
            if path not in self.models and not path.endswith(_PLUMBING)
        ]

    def _parse(self, path: str, markup: "_Relations | _Model") -> None:
        """Feed a part to its handlers."""
        if path not in self._infos:
            raise MeshError(f"is no whole 3MF package: its part {one_line(path)} is missing; export it again")
        handlers = Handlers(markup.start, namespace=markup.namespace)
        read_packed_markup(self._zip, self._infos[path], "3MF", handlers)


class _Relations:
    """Handlers for the package's relationships: which part is its model."""

    def __init__(self) -> None:
        self.target = ""

    def namespace(self, prefix: str | None, uri: str) -> None:
        """Relationships use no prefixes."""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == _RELATIONSHIP and attributes.get("Type") == _MODEL_RELATION:
            self.target = self.target or "/" + attributes.get("Target", "").lstrip("/")


class _Model:
    """Handlers for one model part, and what they collected."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.unit, self.unit_stated = "millimeter", False
        self.objects: dict[str, _Object] = {}
        self.items: list[_Reference] = []
        self.foreign: set[str] = set()
        self.coloured = False
        self._prefixes: dict[str, str] = {}
        self._current = _Object("other")
        self._handlers: Mapping[str, Callable[[dict[str, str]], None]] = {
            f"{_CORE} vertex": self._vertex,
            f"{_CORE} triangle": self._triangle,
            f"{_CORE} model": self._model,
            f"{_CORE} object": self._object,
            f"{_CORE} component": self._component,
            f"{_CORE} item": self._item,
            f"{_CORE} basematerials": self._basematerials,
        }

    def namespace(self, prefix: str | None, uri: str) -> None:
        self._prefixes[prefix or ""] = uri

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        handler = self._handlers.get(tag)
        if handler:
            handler(attributes)
        elif not tag.startswith(f"{_CORE} "):
            if self._prefixes.get("", _CORE) != _CORE and _CORE not in self._prefixes.values():
                uri = one_line(self._prefixes[""])
                raise MeshError(f"uses the markup {uri!r}, not that of 3MF core; export it again")
            self._note(tag)

    def _vertex(self, attributes: dict[str, str]) -> None:
        self._current.points.extend((float(attributes["x"]), float(attributes["y"]), float(attributes["z"])))

    def _triangle(self, attributes: dict[str, str]) -> None:
        self._current.corners.extend((int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"])))

    def _model(self, attributes: dict[str, str]) -> None:
        """The root: its unit, and whether every extension that it requires is read.

        A consumer must not process a document whose required extensions it does not
        support (3MF Core Specification 1.4.0, 3.4).
        """
        self.unit_stated = "unit" in attributes
        self.unit = attributes.get("unit", self.unit)
        for prefix in attributes.get("requiredextensions", "").split():
            uri = self._prefixes.get(prefix, "")
            if uri not in _HARMLESS:
                name = _extension(uri) if uri else f"of the undeclared prefix {one_line(prefix)!r}"
                raise MeshError(f"requires the 3MF extension {name}, which is not read; export plain triangles")

    def _object(self, attributes: dict[str, str]) -> None:
        self._current = _Object(attributes.get("type", "model"))
        self.objects[attributes["id"]] = self._current
        self.coloured |= "pid" in attributes
        self._note_all(attributes)

    def _component(self, attributes: dict[str, str]) -> None:
        self._current.components.append(self._reference(attributes))

    def _item(self, attributes: dict[str, str]) -> None:
        self.items.append(self._reference(attributes))

    def _basematerials(self, _: dict[str, str]) -> None:
        self.coloured = True

    def _reference(self, attributes: dict[str, str]) -> _Reference:
        """A reference, by the production extension also into another model part."""
        self._note_all(attributes)
        transform = np.array(attributes.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split(), dtype=np.float64)
        if transform.shape != (12,) or not np.isfinite(transform).all():
            raise MeshError(f"holds a transform that is not 12 numbers ({len(transform)}); export it again")
        path = attributes.get(f"{_PRODUCTION} path", self.path)
        return _Reference(path, attributes["objectid"], transform.reshape(4, 3))

    def _note_all(self, attributes: dict[str, str]) -> None:
        for name in attributes:
            if " " in name:
                self._note(name)

    def _note(self, name: str) -> None:
        """Remember the namespace of an element or attribute beyond the core."""
        uri = name.rpartition(" ")[0]
        if uri and uri not in (_CORE, _XML):
            self.foreign.add(uri)
            self.coloured |= uri == _MATERIALS
