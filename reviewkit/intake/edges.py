"""Which facets of a mesh meet, which bodies they form, and what these enclose."""

from functools import cached_property
from typing import Any

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from reviewkit.intake.raw import Faces
from reviewkit.model import Floats

Ints = NDArray[np.int64]


class Edges:
    """Every edge of a mesh with the facets on it.

    Parameters
    ----------
    faces : (m, 3) int
        Facets [-].

    Notes
    -----
    Half-edge ``k`` runs along side ``k % 3`` of facet ``k // 3``.
    """

    def __init__(self, faces: Faces) -> None:
        self.n_facets = len(faces)
        self.tails, self.heads = faces.ravel(), faces[:, [1, 2, 0]].ravel()
        low, high = np.minimum(self.tails, self.heads), np.maximum(self.tails, self.heads)
        key = low * (int(faces.max()) + 1) + high
        # Half-edges edge by edge, within an edge in the order of the file.
        self._order = np.argsort(key, kind="stable")
        self._starts = np.flatnonzero(np.diff(key[self._order], prepend=-1))
        self.counts = np.diff(self._starts, append=len(key))
        self._along = self.tails[self._order] < self.heads[self._order]
        self.forward = np.add.reduceat(self._along, self._starts, dtype=np.int64)

    @cached_property
    def balanced(self) -> NDArray[np.bool_]:
        """Edges that as many facets use in one direction as in the other."""
        balanced: NDArray[np.bool_] = 2 * self.forward == self.counts
        return balanced

    @property
    def clashing(self) -> NDArray[np.bool_]:
        """Edges with two facets that run the same way, so that one of them faces inward."""
        clashing: NDArray[np.bool_] = (self.counts == 2) & ~self.balanced
        return clashing

    @property
    def closed(self) -> bool:
        """Whether each edge has exactly two facets, one in each direction."""
        return bool(((self.counts == 2) & self.balanced).all())

    @property
    def faults(self) -> tuple[int, int]:
        """Edges on which an odd number of facets meet, and edges with more than two."""
        return int((self.counts % 2 == 1).sum()), int((self.counts > 2).sum())

    @property
    def open_halves(self) -> Ints:
        """Half-edges that no other facet uses."""
        halves: Ints = self._order[self._starts[self.counts == 1]]
        return halves

    @cached_property
    def agreeing(self) -> tuple[Ints, Ints]:
        """Pairs of facets that meet in balanced edges and agree on the outside.

        Where more than two meet, the first facet in the file goes with the first that
        runs the other way: bodies that touch or coincide stay apart.
        """
        ahead, back = self.agreeing_halves
        return ahead // 3, back // 3

    @cached_property
    def agreeing_halves(self) -> tuple[Ints, Ints]:
        """Half-edges of the pairs of `agreeing`, the second runs against the first."""
        balanced = np.repeat(self.balanced, self.counts)
        return self._order[balanced & self._along], self._order[balanced & ~self._along]

    @property
    def disagreeing(self) -> tuple[Ints, Ints]:
        """Pairs of facets that meet in clashing edges."""
        first = self._starts[self.clashing]
        return self._order[first] // 3, self._order[first + 1] // 3

    def pieces(self) -> Ints:
        """Number of the connected piece of each facet, (m,) int; pieces in the order of the file."""
        (a, b), (c, d) = self.agreeing, self.disagreeing
        return connected(self.n_facets, np.concatenate([a, c]), np.concatenate([b, d]))

    def unclosed(self) -> NDArray[np.bool_]:
        """Facets with a side on an edge that is not balanced, (m,) bool."""
        facets = np.zeros(self.n_facets, dtype=bool)
        facets[self._order[~np.repeat(self.balanced, self.counts)] // 3] = True
        return facets


def facet_areas(vertices: Floats, faces: Faces) -> Floats:
    """Area of each facet, (m,) float [unit of the points, squared]."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    areas: Floats = 0.5 * np.sqrt(np.einsum("ij,ij->i", normals, normals))
    return areas


def facet_volumes(vertices: Floats, faces: Faces) -> Floats:
    """Signed volume that each facet encloses with the middle of the box, (m,) float, points in [mm]."""
    a, b, c = (vertices[faces[:, k]] - (vertices.min(axis=0) + vertices.max(axis=0)) / 2 for k in range(3))
    volumes: Floats = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
    return volumes


def with_distinct_corners(faces: Faces) -> NDArray[np.bool_]:
    """Facets with three different corners."""
    a, b, c = faces.T
    distinct: NDArray[np.bool_] = (a != b) & (b != c) & (c != a)
    return distinct


def connected(count: int, a: Ints, b: Ints) -> Ints:
    """Number of the connected group of each of `count` things, groups in order of their first thing."""
    graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(count, count))
    _, labels = connected_components(graph, directed=False)
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    groups: Ints = np.argsort(np.argsort(first))[inverse].astype(np.int64)
    return groups


def find_bodies(vertices: Floats, faces: Faces, edges: Edges) -> tuple[Ints, Floats, NDArray[np.bool_]]:
    """Piece of each facet, and of each piece its signed volume and whether it is closed, points in [mm]."""
    pieces = edges.pieces()
    volumes: Floats = np.bincount(pieces, facet_volumes(vertices, faces)).astype(np.float64)
    closed: NDArray[np.bool_] = np.bincount(pieces, edges.unclosed()) == 0
    return pieces, volumes, closed


def boxes(vertices: Floats, faces: Faces, pieces: Ints) -> tuple[list[Ints], Floats, Floats]:
    """Facets of each piece, and the low and high corner of the box around each, (p, 3) float [mm]."""
    order = np.argsort(pieces, kind="stable")
    starts = np.searchsorted(pieces[order], np.arange(int(pieces.max()) + 1))
    corners = vertices[faces[order]]
    low = np.minimum.reduceat(corners.min(axis=1), starts)
    high = np.maximum.reduceat(corners.max(axis=1), starts)
    return np.split(order, starts[1:]), low, high


def enclosing(
    vertices: Floats, faces: Faces, pieces: Ints, asked: Ints, closed: NDArray[np.bool_]
) -> dict[int, list[int]]:
    """Which closed pieces enclose each of the asked ones.

    Parameters
    ----------
    vertices, faces : array
        The mesh [mm].
    pieces : (m,) int
        Piece of each facet [-].
    asked : (k,) int
        Pieces to place [-].
    closed : (p,) bool
        Pieces that can enclose others.

    Notes
    -----
    A line outward from a piece leaves whatever encloses it once more than it enters.  It
    starts at the extreme point of the piece in its own direction, so that it never meets
    that piece again; the direction is oblique, so that it meets no edge by design.
    """
    tilt = np.linalg.qr(np.array([[0.36, 0.48, 0.81], [-0.80, 0.61, 0.05], [0.41, -0.62, 0.58]]))[0]
    turned = vertices @ tilt
    members, low, high = boxes(vertices, faces, pieces)
    around: dict[int, list[int]] = {}
    for body in asked:
        holders = closed & (low <= low[body]).all(axis=1) & (high >= high[body]).all(axis=1)
        holders[body] = False
        around[int(body)] = []
        points = np.unique(faces[members[body]])
        tip = turned[points[turned[points, 2].argmax()]]
        for holder in np.flatnonzero(holders):
            triangles = turned[faces[members[holder]]]
            if _crossings(triangles, tip):
                around[int(body)].append(int(holder))
    return around


def _crossings(triangles: Floats, point: Floats) -> int:
    """How often a line upward from a point leaves a closed surface more than it enters it."""
    flat, corner = triangles[:, :, :2] - point[:2], triangles[:, :, 2]
    near = (flat.min(axis=1) <= 0).all(axis=1) & (flat.max(axis=1) >= 0).all(axis=1)
    flat, corner = flat[near], corner[near]
    following = np.roll(flat, -1, axis=1)
    # Twice the area that the point forms with each side; weight of the corner opposite.
    sides = flat[:, :, 0] * following[:, :, 1] - flat[:, :, 1] * following[:, :, 0]
    hit = (sides > 0).all(axis=1) | (sides < 0).all(axis=1)
    sides, corner = sides[hit], corner[hit]
    height = (sides * np.roll(corner, -2, axis=1)).sum(axis=1) / sides.sum(axis=1)
    return int(np.sign(sides[:, 0])[height > point[2]].sum())


def as_solid(vertices: Floats, faces: Faces) -> Any:
    """The facets, points in [mm], as a solid of the modeller, or none when it does not take them.

    Notes
    -----
    The modeller pairs the half-edges of each edge, so only balanced edges have a chance.  Its
    own joining of points is left out: it stops the process on wild coordinates.
    """
    mesh = manifold3d.Mesh64(np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.uint64))
    solid = manifold3d.Manifold(mesh)
    return solid if solid.status() == manifold3d.Error.NoError else None


def compacted(vertices: Floats, faces: Faces) -> tuple[Floats, Faces]:
    """Only the points [mm] that facets use, in their order."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    return vertices[used], (np.cumsum(used) - 1)[faces]
