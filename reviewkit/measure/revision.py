"""How the surface of a part moved between two revisions."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from reviewkit.model import Floats

_SAMPLES = 40_000
_NEAREST = 24
_FIT_SAMPLES = 3000
_FIT_STEPS = 40
_SEED = 20260302
# A fit replaces the frames as drawn only where it brings the surfaces this much closer.
_BETTER = 0.5
_WORTH_A_FIT = 0.004


@dataclass(frozen=True, eq=False)
class Moved:
    """Distance of the new surface from the old one.

    Parameters
    ----------
    registered : bool
        Whether the old part was turned and shifted to fit; else both lie in the frame they were drawn in.
    turn : (3, 3) float
        Rotation that was put on the old part [-].
    shift_mm : (3,) float
        What was then added to it [mm].
    points_mm : (n, 3) float
        Places spread evenly over the new surface [mm].
    distance_mm : (n,) float
        Of each place from the old surface, positive where matter was added [mm].
    removed_mm : (k,) float
        Of places spread evenly over the old surface, from the new one, negative where matter was taken [mm].
    facet_mm : (m,) float
        Mean over the places on each new facet, nan where none lies on it [mm].
    resolution_mm : float
        Distance between neighbouring places [mm].
    """

    registered: bool
    turn: Floats
    shift_mm: Floats
    points_mm: Floats
    distance_mm: Floats
    removed_mm: Floats
    facet_mm: Floats
    resolution_mm: float

    @property
    def farthest_mm(self) -> float:
        """Greatest distance either way [mm]."""
        return float(max(np.abs(self.distance_mm).max(), np.abs(self.removed_mm).max()))

    def share(self, beyond_mm: float) -> float:
        """Share of the new surface that moved by more than `beyond_mm` [mm], as a part of 1 [-]."""
        return float((np.abs(self.distance_mm) > beyond_mm).mean())


def moved_surface(
    old_vertices: Floats, old_faces: NDArray[np.int64], new_vertices: Floats, new_faces: NDArray[np.int64]
) -> Moved:
    """Lay two revisions over one another and measure how the surface moved.

    They are taken as drawn in the same frame; where that fits badly and a turned and shifted
    old part fits at least twice as well, it is taken so.

    Parameters
    ----------
    old_vertices, new_vertices : (n, 3) float
        Corners in the frame of each part [mm].
    old_faces, new_faces : (m, 3) int
        Facets [-].

    Returns
    -------
    Moved
    """
    size_mm = float(np.linalg.norm(np.ptp(new_vertices, axis=0)))
    turn, shift = np.eye(3), np.zeros(3)
    registered = False
    as_drawn = _fit_mm(old_vertices, old_faces, new_vertices, new_faces)
    if as_drawn > _WORTH_A_FIT * size_mm:
        fitted = _best_fit(old_vertices, old_faces, new_vertices, new_faces)
        if _fit_mm(old_vertices @ fitted[0].T + fitted[1], old_faces, new_vertices, new_faces) < _BETTER * as_drawn:
            (turn, shift), registered = fitted, True
    laid = old_vertices @ turn.T + shift
    points, owner = _spread(new_vertices, new_faces, _SAMPLES)
    points, owner = points[:_SAMPLES], owner[:_SAMPLES]
    distance = _signed_mm(points, laid, old_faces)
    back = _spread(laid, old_faces, _SAMPLES)[0][:_SAMPLES]
    area = np.linalg.norm(np.cross(*_arms(new_vertices, new_faces)), axis=1) / 2
    counts = np.bincount(owner, minlength=len(new_faces))
    sums = np.bincount(owner, distance, minlength=len(new_faces))
    return Moved(
        registered=registered,
        turn=turn,
        shift_mm=shift,
        points_mm=points,
        distance_mm=distance,
        removed_mm=-_signed_mm(back, new_vertices, new_faces),
        facet_mm=np.where(counts > 0, sums / np.maximum(counts, 1), np.nan),
        resolution_mm=float(np.sqrt(area.sum() / len(points))),
    )


def _spread(vertices: Floats, faces: NDArray[np.int64], count: int) -> tuple[Floats, NDArray[np.int64]]:
    """Places spread over a surface by area, then along the rim of every facet, and the facet of each."""
    one, other = _arms(vertices, faces)
    area = np.linalg.norm(np.cross(one, other), axis=1) / 2
    ends = np.concatenate([[0.0], np.cumsum(area)])
    # Evenly along the running area: more even than chance, and the same every time.
    at = (np.arange(count) + 0.5) / count * ends[-1]
    owner = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(faces) - 1)
    u, v = np.random.default_rng(_SEED).random((2, count))
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    points = vertices[faces[owner, 0]] + u[:, None] * one[owner] + v[:, None] * other[owner]
    rim, rim_owner = _rims(vertices, faces, float(np.sqrt(ends[-1] / count)))
    return np.vstack([points, rim]), np.concatenate([owner, rim_owner])


def _rims(vertices: Floats, faces: NDArray[np.int64], apart_mm: float) -> tuple[Floats, NDArray[np.int64]]:
    """Places along the rim of each facet, so that one near an edge is near places of both its facets."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    along = vertices[end] - vertices[start]
    count = np.maximum(np.ceil(np.linalg.norm(along, axis=1) / apart_mm).astype(int), 1)
    edge = np.repeat(np.arange(len(start)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    return vertices[start[edge]] + (step / count[edge])[:, None] * along[edge], edge // 3


def _places(vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """A few places spread over a surface by area alone, (n, 3) float [mm]."""
    return _spread(vertices, faces, _FIT_SAMPLES)[0][:_FIT_SAMPLES]


def _arms(vertices: Floats, faces: NDArray[np.int64]) -> tuple[Floats, Floats]:
    corner = vertices[faces[:, 0]]
    return vertices[faces[:, 1]] - corner, vertices[faces[:, 2]] - corner


def _signed_mm(points: Floats, vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """Distance of points from a closed surface, positive outside, (n,) float [mm]."""
    spread, owner = _spread(vertices, faces, 2 * _SAMPLES)
    _, near = cKDTree(spread).query(points, k=_NEAREST)
    best = np.full(len(points), np.inf)
    foot, facet = np.zeros_like(points), np.zeros(len(points), dtype=np.int64)
    # The nearest places name the facets to look at; the distance is to the facet itself.
    for column in near.T:
        candidate = owner[column]
        on = trimesh.triangles.closest_point(vertices[faces[candidate]], points)
        away = np.linalg.norm(points - on, axis=1)
        closer = away < best - 1e-12
        best = np.where(closer, away, best)
        foot[closer], facet[closer] = on[closer], candidate[closer]
    normals = np.cross(*_arms(vertices, faces))
    outward = ((points - foot) * normals[facet]).sum(axis=1) >= 0
    return np.where(outward, best, -best)


def _fit_mm(old: Floats, old_faces: NDArray[np.int64], new: Floats, new_faces: NDArray[np.int64]) -> float:
    """Mean distance between places of both surfaces, both ways [mm]."""
    one, other = _places(old, old_faces), _places(new, new_faces)
    there, back = cKDTree(one).query(other)[0], cKDTree(other).query(one)[0]
    return float((there.mean() + back.mean()) / 2)


def _best_fit(
    old: Floats, old_faces: NDArray[np.int64], new: Floats, new_faces: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Turn and shift of the old part that lay it closest to the new one."""
    one, other = _places(old, old_faces), _places(new, new_faces)
    tree = cKDTree(other)
    fits = []
    for start in _starts(one, other):
        turn = start
        shift = other.mean(axis=0) - turn @ one.mean(axis=0)
        for _ in range(_FIT_STEPS):
            laid = one @ turn.T + shift
            target = other[tree.query(laid)[1]]
            turn, shift = _rigid(one, target)
        laid = one @ turn.T + shift
        fits.append((float(tree.query(laid)[0].mean() + cKDTree(laid).query(other)[0].mean()), turn, shift))
    _, turn, shift = min(fits, key=lambda fit: fit[0])
    return turn, shift


def _starts(one: Floats, other: Floats) -> Iterator[Floats]:
    """No turn, and the four turns that lay principal axes upon one another."""
    yield np.eye(3)
    axes = [np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))[1] for points in (one, other)]
    for signs in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        turned = axes[0] * np.array([*signs, 1.0])
        turned[:, 2] *= np.linalg.det(turned) * np.linalg.det(axes[1])
        yield axes[1] @ turned.T


def _rigid(points: Floats, target: Floats) -> tuple[Floats, Floats]:
    """Turn and shift that lay points closest to their targets (Kabsch, Acta Cryst. A32 (1976) 922, from memory)."""
    middle, goal = points.mean(axis=0), target.mean(axis=0)
    left, _, right = np.linalg.svd((points - middle).T @ (target - goal))
    mirror = np.diag([1.0, 1.0, np.sign(np.linalg.det(right.T @ left.T))])
    turn = right.T @ mirror @ left.T
    return turn, goal - turn @ middle
