"""OFF, text and binary."""

import io
import re
import struct
from array import array
from dataclasses import replace
from itertools import islice

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, Polygons, RawMesh
from reviewkit.model import Floats

HEAD = re.compile(rb"[\xef\xbb\xbf\s]*((?:ST)?C?N?4?n?)OFF\b[ \t]*(BINARY)?[ \t]*\r?\n?")


def read_off(data: bytes, caps: Caps) -> RawMesh:
    """Read an OFF; facets behind a premature end count as missing.

    Raises
    ------
    MeshError
        When its head or its points are not whole.
    """
    head = HEAD.match(data)
    if head is None:
        raise MeshError("does not begin with OFF; export it again")
    if b"4" in head.group(1) or b"n" in head.group(1):
        raise MeshError("holds points in more than three dimensions; export a plain OFF file")
    if head.group(2):
        return _read_binary(data[head.end() :], caps)
    return _read_text(data[head.end() :], bool(head.group(1)), caps)


def _read_text(body: bytes, looks: bool, caps: Caps) -> RawMesh:
    rows = (words for line in io.BytesIO(body) if (words := line.split(b"#", 1)[0].split()))
    n_points, n_facets = _counts([int(word) for word in next(rows, [])[:2]], caps)
    values = array("d")
    for words in islice(rows, n_points):
        values.extend(float(word) for word in words[:3])
    points = np.array(values)
    polygons, whole = Polygons.none(), 0
    if len(points) == 3 * n_points:
        for words in islice(rows, n_facets):
            size = int(words[0])
            if size < 0 or len(words) <= size:
                break
            polygons.add((int(word) for word in words[1 : size + 1]), size)
            looks |= len(words) > size + 1
            whole += 1
    return _mesh("OFF, text", points, n_points, polygons, n_facets - whole, looks, caps)


def _read_binary(body: bytes, caps: Caps) -> RawMesh:
    """Big-endian: three counts, points, then per facet its corners and its colour values."""
    n_points, n_facets = _counts(list(struct.unpack_from(">ii", body)), caps)
    points = np.frombuffer(body, dtype=">f4", count=min(3 * n_points, (len(body) - 12) // 4), offset=12)
    polygons, whole, at, looks = Polygons.none(), 0, 12 + 12 * n_points, False
    while whole < n_facets and at + 4 <= len(body):
        (size,) = struct.unpack_from(">i", body, at)
        if size < 0 or at + 4 * size + 8 > len(body):
            break
        *ring, colours = struct.unpack_from(f">{size + 1}i", body, at + 4)
        if colours < 0:
            break
        polygons.add(ring, size)
        looks |= colours > 0
        at += 8 + 4 * size + 4 * colours
        whole += 1
    mesh = _mesh("OFF, binary", points.astype(np.float64), n_points, polygons, n_facets - whole, looks, caps)
    return replace(mesh, single=True)


def _counts(numbers: list[int], caps: Caps) -> tuple[int, int]:
    if len(numbers) < 2 or min(numbers) < 0:
        raise MeshError("does not state how many points and facets it holds; export it again")
    caps.hold(numbers[1])
    return numbers[0], numbers[1]


def _mesh(
    format: str, points: Floats, n_points: int, polygons: Polygons, missing: int, looks: bool, caps: Caps
) -> RawMesh:
    if len(points) != 3 * n_points:
        raise MeshError(f"is damaged: it states {n_points:,} points and holds {len(points) // 3:,}; export it again")
    vertices = points.reshape(-1, 3)
    return RawMesh(
        format,
        vertices,
        polygons.triangles(vertices, caps),
        facets_missing=missing,
        cut_short=missing > 0,
        ignored=("colours and surface looks",) if looks else (),
    )
