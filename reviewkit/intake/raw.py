"""What every reader of mesh files gives and uses: the raw mesh, caps, cutting of polygons."""

from array import array
from collections.abc import Iterable
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import MeshError
from reviewkit.model import Floats

Faces = NDArray[np.int64]

# In words, by the keys of :data:`reviewkit.submission.MM_PER_UNIT`.
UNIT_WORDS = {
    "um": "microns",
    "mm": "millimetres",
    "cm": "centimetres",
    "in": "inches",
    "ft": "feet",
    "m": "metres",
}


@dataclass(frozen=True)
class Caps:
    """Most that a reader takes: facets, and bytes after unpacking."""

    facets: int
    unpacked_bytes: int

    def hold(self, facets: int) -> None:
        """Refuse more facets than the cap.

        Raises
        ------
        MeshError
            With both numbers.
        """
        if facets > self.facets:
            raise MeshError(f"holds {facets:,} facets; at most {self.facets:,} are read; export it coarser")


@dataclass(frozen=True, eq=False)
class RawMesh:
    """A mesh as a file holds it.

    Parameters
    ----------
    format : str
        In words, such as ``STL, binary``.
    vertices : (n, 3) float
        Corner points [unit of the file].
    faces : (m, 3) int
        Facets, polygons already cut into triangles [-].
    unit : str
        Key of `UNIT_WORDS`, empty where the format has no unit.
    unit_note : str
        Where the unit comes from.
    single : bool
        Whether the coordinates were stored in 32 bits.
    facets_missing : int
        Facets that the file announces or begins and does not hold whole [-].
    cut_short : bool
        Whether the file ends before its own end.
    bytes_left_over : int
        Bytes behind the last facet that belong to nothing [-].
    mended : tuple of str
        What had to be read otherwise than written.
    unread : tuple of str
        Geometry or instructions of the file that were not applied.
    ignored : tuple of str
        Looks and notes that a review of the shape does not need.
    notes : tuple of str
        How the shape was read where the format leaves no other way, such as turned axes.
    """

    format: str
    vertices: Floats
    faces: Faces
    unit: str = ""
    unit_note: str = ""
    single: bool = False
    facets_missing: int = 0
    cut_short: bool = False
    bytes_left_over: int = 0
    mended: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(eq=False)
class Polygons:
    """Polygons as they are collected: corners of one after the other, and how many each has."""

    corners: "array[int]"
    sizes: "array[int]"

    @classmethod
    def none(cls) -> "Polygons":
        """An empty collection."""
        return cls(array("q"), array("q"))

    def add(self, ring: Iterable[int], size: int) -> None:
        """Add one polygon; fewer than three corners enclose nothing and are left out."""
        if size >= 3:
            self.corners.extend(ring)
            self.sizes.append(size)

    def triangles(self, points: Floats, caps: Caps) -> Faces:
        """All of them cut into triangles, (m, 3) int [-].

        Raises
        ------
        MeshError
            For corners that are no points, or more triangles than the cap.
        """
        sizes = np.array(self.sizes, dtype=np.int64)
        caps.hold(int((sizes - 2).sum()))
        return triangles(points, np.array(self.corners, dtype=np.int64), sizes)


def one_line(text: object, most: int = 100) -> str:
    """Text of a file or an error made fit for one line: printable and short."""
    flat = "".join(letter if letter.isprintable() else " " for letter in " ".join(str(text).split()))
    return flat if len(flat) <= most else flat[: most - 3] + "..."


def triangles(points: Floats, corners: NDArray[np.int64], sizes: NDArray[np.int64]) -> Faces:
    """Polygons cut into triangles, in the order of the polygons.

    Parameters
    ----------
    points : (n, 3) float
        All points [any unit].
    corners : (sum of sizes,) int
        Indices of the points of one polygon after the other [-].
    sizes : (p,) int
        Corners of each polygon, 3 or more [-].

    Returns
    -------
    (m, 3) int

    Raises
    ------
    MeshError
        When corners are no points.
    """
    if np.all(sizes == 3):
        return corners.reshape(-1, 3)
    if corners.min() < 0 or corners.max() >= len(points):
        raise MeshError(f"is damaged: facets name points beyond the {len(points):,} it holds; export it again")
    starts = np.cumsum(sizes) - sizes
    pieces, owners = [], []
    for size in np.unique(sizes):
        which = np.flatnonzero(sizes == size)
        rings = corners[starts[which, None] + np.arange(size)]
        if size == 3:
            cut = rings[:, None, :]
        elif size == 4:
            cut = _cut_quads(points, rings)
        else:
            cut = np.array([_cut_polygon(points, ring) for ring in rings])
        pieces.append(cut.reshape(-1, 3))
        owners.append(np.repeat(which, cut.shape[1]))
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(pieces)[order]


def _cut_quads(points: Floats, rings: Faces) -> Faces:
    """Two triangles a quad, along the diagonal that stays inside it."""
    a, b, c, d = (points[rings[:, k]] for k in range(4))
    inside = (np.cross(b - a, c - a) * np.cross(c - a, d - a)).sum(axis=1) >= 0
    return np.where(inside[:, None, None], rings[:, [[0, 1, 2], [0, 2, 3]]], rings[:, [[1, 2, 3], [1, 3, 0]]])


def _cut_polygon(points: Floats, ring: NDArray[np.int64]) -> Faces:
    """Triangles of one polygon, convex or not; always two fewer than corners."""
    fan = np.column_stack([np.full(len(ring) - 2, ring[0]), ring[1:-1], ring[2:]])
    corners = points[ring] - points[ring].mean(axis=0)
    following = np.roll(corners, -1, axis=0)
    normal = np.cross(corners, following).sum(axis=0)
    turns = np.cross(following - corners, np.roll(following, -1, axis=0) - following) @ normal
    if not np.isfinite(turns).all() or (turns >= 0).all():
        return fan
    # The plane of two axes in which the polygon shows largest, counter-clockwise.
    axis = int(np.abs(normal).argmax())
    across = [(1, 2), (2, 0), (0, 1)][axis]
    flat = corners[:, across if normal[axis] > 0 else across[::-1]]
    cut: Faces = np.asarray(manifold3d.triangulate([flat]), dtype=np.int64)
    return ring[cut] if len(cut) == len(fan) else fan
