"""Curves that facets stand for: round holes, and runs of flats that turn by alike angles."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.intake.edges import Edges, Ints, connected, facet_areas
from reviewkit.intake.raw import Faces
from reviewkit.model import Floats, Vector

# What makes a ring of flats a round hole: facets within this angle are one flat, flats beyond
# it turn; with fewer flats it may be meant as a polygon; corners within this share of the radius.
_FLAT_DEG, _TURN_DEG = 0.1, 1.0
_FEWEST_FLATS = 9
_ROUND_SHARE = 0.02
# What makes flats a run: each goes on across its other side, by a turn no less than this share of
# the larger one, to a flat whose width is alike; this many of them are no chamfer.
_TURN_SHARE, _WIDTH_SHARE = 0.4, 0.4
_RUN_FLATS = 3
# Cosine between two sides that lie opposite; a flat with more neighbours is the end of a body.
_OPPOSITE = -0.3
_MOST_NEIGHBOURS = 8
# Directions of one flat that differ less are one, in the least squares for its curvature.
_ONE_DIRECTION = 0.1


class _Flats:
    """Facets joined to flats where they lie in one plane.

    ``of`` is the flat of each facet and ``middles`` the centroid of each flat [mm]; ``pairs`` are
    the facets that meet, with the angle between them and whether it is a hollow one; the facets
    of flat k are ``facets[starts[k] : starts[k + 1]]``.
    """

    def __init__(self, vertices: Floats, faces: Faces, edges: Edges) -> None:
        a, b = self.pairs = edges.agreeing
        normals = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
        self.normals: Floats = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
        cosine = np.einsum("ij,ij->i", self.normals[a], self.normals[b])
        self.bend_deg: Floats = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
        flat = self.bend_deg < _FLAT_DEG
        self.of = connected(len(faces), a[flat], b[flat])
        self.count = int(self.of.max()) + 1
        middles = vertices[faces].mean(axis=1)
        self.hollow: NDArray[np.bool_] = np.einsum("ij,ij->i", middles[b] - middles[a], self.normals[a]) > 0
        self.facets = np.argsort(self.of, kind="stable")
        self.starts = np.searchsorted(self.of[self.facets], np.arange(self.count + 1))
        areas = np.maximum(facet_areas(vertices, faces), 1e-300)
        moments = np.column_stack([np.bincount(self.of, areas * x) for x in middles.T])
        self.middles: Floats = moments / np.bincount(self.of, areas)[:, None]


def coarsest_hole(vertices: Floats, faces: Faces, edges: Edges) -> tuple[int, float, Vector] | None:
    """Fewest flats around a straight round hole, its diameter and its middle.

    Parameters
    ----------
    vertices, faces : array
        The mesh [mm].
    edges : Edges
        Of that mesh.

    Notes
    -----
    Facets are joined to flats.  A hole is a closed ring of flats around one axis, each meeting
    two others at a hollow angle.
    """
    flats = _Flats(vertices, faces, edges)
    a, b = flats.pairs
    turns = (flats.bend_deg > _TURN_DEG) & (flats.bend_deg < 360 / (_FEWEST_FLATS - 0.5))
    joint = flats.hollow & turns
    pairs = np.unique(np.sort(np.column_stack([flats.of[a[joint]], flats.of[b[joint]]]), axis=1), axis=0)
    if not len(pairs):
        return None
    degree = np.bincount(pairs.ravel(), minlength=flats.count)
    in_ring = (degree[pairs] == 2).all(axis=1)
    rings = connected(flats.count, pairs[in_ring, 0], pairs[in_ring, 1])
    sizes, links = np.bincount(rings), np.bincount(rings[pairs[in_ring, 0]], minlength=int(rings.max()) + 1)
    best = None
    by_ring = np.argsort(rings, kind="stable")
    ring_starts = np.searchsorted(rings[by_ring], np.arange(len(sizes) + 1))
    for ring in np.flatnonzero((sizes >= _FEWEST_FLATS) & (links == sizes)):
        if best is not None and sizes[ring] >= best[0]:
            continue
        members = by_ring[ring_starts[ring] : ring_starts[ring + 1]]
        facets = np.concatenate([flats.facets[flats.starts[k] : flats.starts[k + 1]] for k in members])
        hole = _round(vertices[np.unique(faces[facets])], flats.normals[flats.facets[flats.starts[members]]])
        if hole is not None:
            best = (int(sizes[ring]), *hole)
    return best


def _round(points: Floats, normals: Floats) -> tuple[float, Vector] | None:
    """Diameter and middle of a ring of flats around one axis, or none when it is not round."""
    _, spread, directions = np.linalg.svd(normals, full_matrices=False)
    if spread[2] > 1e-3 * spread[0] or spread[1] < 0.9 * spread[0]:
        return None
    flat = points @ directions[:2].T
    # Circle through the corners by least squares (x2 + y2 is linear in middle and offset).
    middle = np.linalg.lstsq(np.column_stack([2 * flat, np.ones(len(flat))]), (flat**2).sum(axis=1))[0][:2]
    radii = np.linalg.norm(flat - middle, axis=1)
    if np.ptp(radii) > _ROUND_SHARE * radii.mean():
        return None
    along = points @ directions[2]
    centre = middle @ directions[:2] + (along.min() + along.max()) / 2 * directions[2]
    return 2 * float(radii.mean()), (float(centre[0]), float(centre[1]), float(centre[2]))


@dataclass(frozen=True, eq=False)
class Curve:
    """A run of flats that stands for a curved surface.

    Parameters
    ----------
    sagitta_mm : float
        Farthest that a flat lies from the surface through its corners [mm].
    turn_deg : float
        Usual angle from one flat to the next [deg].
    hollow : bool
        Whether the surface is hollow, as in a hole or an inner fillet.
    flats : int
        How many there are [-].
    facets : (n,) int
        Their facets [-].
    """

    sagitta_mm: float
    turn_deg: float
    hollow: bool
    flats: int
    facets: Ints


@dataclass(frozen=True, eq=False)
class _Sides:
    """Sides of flats across which they turn to another.

    Row k of each array is one side of one flat; the same edge as seen from the other flat is
    half the rows further on.  ``flat`` carries whether the surface is hollow as its last bit;
    ``ahead`` is the unit direction in the plane of the flat, out across the side; ``reach_mm`` is
    how far the side is from the middle of the flat [mm].
    """

    flat: Ints
    turn_deg: Floats
    ahead: Floats
    reach_mm: Floats

    @property
    def other(self) -> Ints:
        """The flat across each side."""
        return self._across(self.flat)

    @property
    def curvature(self) -> Floats:
        """Of the surface across each side [1/mm]."""
        reach_mm = (self.reach_mm + self._across(self.reach_mm)) / 2
        curvature: Floats = np.tan(np.radians(self.turn_deg) / 2) / reach_mm
        return curvature

    def both(self, kept: NDArray[np.bool_]) -> "_Sides":
        """The edges of which both sides are kept."""
        kept = kept & self._across(kept)
        return _Sides(self.flat[kept], self.turn_deg[kept], self.ahead[kept], self.reach_mm[kept])

    @staticmethod
    def _across(values: NDArray[Any]) -> NDArray[Any]:
        return np.roll(values, len(values) // 2)


def faceted_curves(vertices: Floats, faces: Faces, edges: Edges, turns_deg: tuple[float, float]) -> list[Curve]:
    """Runs of flats that turn from one to the next by alike angles, those farthest from their curve first.

    Parameters
    ----------
    vertices, faces : array
        The mesh [mm].
    edges : Edges
        Of that mesh.
    turns_deg : tuple of float
        Smallest and largest angle between flats of a curve; beyond it edges are meant [deg].

    Notes
    -----
    The curvature of the surface along the way from flat to flat is the tangent of half the turn,
    over the distance from the middle of the flat to the side.  The curvatures of a flat's sides
    make a tensor by least squares, without curvature in directions that no side shows; the
    sagitta is its value at the farthest corner.  For strips of a cylinder this is the sagitta of
    a chord, ``r (1 - cos(turn / 2))``.
    """
    flats = _Flats(vertices, faces, edges)
    sides = _going_on(_turning_sides(vertices, edges, flats, turns_deg))
    if not len(sides.flat):
        return []
    flat, row = np.unique(sides.flat, return_inverse=True)
    runs = connected(len(flat), row, np.searchsorted(flat, sides.other))
    facet, owner = _members(flats, flat // 2)
    sagitta_mm = _sagittas(vertices[faces[facet]], owner, flats, sides, flat, row)
    found = [
        Curve(
            float(sagitta_mm[members].max()),
            float(np.median(sides.turn_deg[rows])),
            bool(flat[members[0]] % 2),
            len(members),
            np.sort(facet[held]),
        )
        for members, rows, held in zip(_grouped(runs), _grouped(runs[row]), _grouped(runs[owner]), strict=True)
        if len(members) >= _RUN_FLATS
    ]
    return sorted(found, key=lambda curve: (-round(curve.sagitta_mm, 9), int(curve.facets[0])))


def _grouped(group: Ints) -> list[Ints]:
    """Places of each group of a numbered sequence, groups in the order of their numbers."""
    order = np.argsort(group, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(group[order])) + 1)


def _members(flats: _Flats, flat: Ints) -> tuple[Ints, Ints]:
    """Facets of the flats named, and for each the place of its flat among them."""
    count = np.diff(flats.starts)[flat]
    owner = np.repeat(np.arange(len(flat)), count)
    return flats.facets[np.repeat(flats.starts[flat] - np.cumsum(count) + count, count) + np.arange(len(owner))], owner


def _turning_sides(vertices: Floats, edges: Edges, flats: _Flats, turns_deg: tuple[float, float]) -> _Sides:
    """Every side across which a flat turns to another by an angle of curves, once for each two flats."""
    (a, b), (half, _) = flats.pairs, edges.agreeing_halves
    turns = (flats.bend_deg >= turns_deg[0]) & (flats.bend_deg <= turns_deg[1]) & (flats.of[a] != flats.of[b])
    joint = np.flatnonzero(turns)
    two = np.sort(np.column_stack([flats.of[a[joint]], flats.of[b[joint]]]), axis=1)
    _, once = np.unique(np.column_stack([two, flats.hollow[joint]]), axis=0, return_index=True)
    joint = joint[np.sort(once)]
    a, b, half = a[joint], b[joint], half[joint]
    start = vertices[edges.tails[half]]
    along = vertices[edges.heads[half]] - start
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    facet = np.concatenate([a, b])
    ahead = np.cross(np.concatenate([along, -along]), flats.normals[facet])
    flat, hollow = flats.of[facet], np.tile(flats.hollow[joint], 2)
    reach_mm = np.einsum("ij,ij->i", np.concatenate([start, start]) - flats.middles[flat], ahead)
    few = np.bincount(flat, minlength=flats.count)[flat] <= _MOST_NEIGHBOURS
    sides = _Sides(2 * flat + hollow, np.tile(flats.bend_deg[joint], 2), ahead, reach_mm)
    return sides.both(few & (reach_mm > 0))


def _going_on(sides: _Sides) -> _Sides:
    """Sides between flats of one run: both flats go on across their other side, and are as wide."""
    order = np.argsort(sides.flat, kind="stable")
    first = np.searchsorted(sides.flat[order], sides.flat)
    count = np.bincount(sides.flat)[sides.flat] if len(order) else first
    side = np.repeat(np.arange(len(order)), count)
    mate = order[np.repeat(first - np.cumsum(count) + count, count) + np.arange(len(side))]
    opposite = np.einsum("ij,ij->i", sides.ahead[side], sides.ahead[mate]) < _OPPOSITE
    turn_deg, reach_mm, other_mm = sides.turn_deg, sides.reach_mm, sides._across(sides.reach_mm)
    alike = np.minimum(turn_deg[side], turn_deg[mate]) >= _TURN_SHARE * np.maximum(turn_deg[side], turn_deg[mate])
    goes_on = np.bincount(side, opposite & alike, minlength=len(order)) > 0
    wide = np.minimum(reach_mm, other_mm) >= _WIDTH_SHARE * np.maximum(reach_mm, other_mm)
    return sides.both(goes_on & wide)


def _sagittas(triangles: Floats, owner: Ints, flats: _Flats, sides: _Sides, flat: Ints, row: Ints) -> Floats:
    """Sagitta of each of the flats named, from its triangles and from the sides of the same row [mm]."""
    first, begin = np.unique(row, return_index=True)[1], np.unique(owner, return_index=True)[1]
    u = sides.ahead[first]
    v = np.cross(flats.normals[flats.facets[flats.starts[flat // 2]]], u)
    x, y = (np.einsum("ij,ij->i", sides.ahead, each[row]) for each in (u, v))
    # Curvature along a direction of the plane: (x2, xy root 2, y2) times (K11, K12 root 2, K22).
    terms = np.column_stack([x * x, np.sqrt(2) * x * y, y * y])
    gram, seen = np.zeros((len(flat), 3, 3)), np.zeros((len(flat), 3))
    np.add.at(gram, row, terms[:, :, None] * terms[:, None, :])
    np.add.at(seen, row, terms * sides.curvature[:, None])
    tensor = np.einsum("ijk,ik->ij", np.linalg.pinv(gram, rcond=_ONE_DIRECTION, hermitian=True), seen)
    corners = triangles - flats.middles[flat[owner] // 2][:, None]
    x, y = (np.einsum("ijk,ik->ij", corners, each[owner]) for each in (u, v))
    k11, k12, k22 = (tensor[owner, k, None] for k in range(3))
    depth = ((k11 * x * x + np.sqrt(2) * k12 * x * y + k22 * y * y) / 2).max(axis=1)
    # From the parabola to the circle, by the largest turn.
    turn = np.zeros(len(flat))
    np.maximum.at(turn, row, np.radians(sides.turn_deg))
    sagittas: Floats = np.maximum.reduceat(depth, begin) * 2 * np.tan(turn / 4) / np.tan(turn / 2)
    return sagittas
