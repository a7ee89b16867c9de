"""A mesh carried through a declared motion: what moves, what stays, and what stretches between."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import spsolve

from reviewkit.model import Floats
from reviewkit.submission import Motion, MotionKind, Region, RegionKind, region_contains, region_of

# Facets thinner than this have no angle to speak of.
_SLIVER_MM2 = 1e-9

# Points along an edge that tell whether it runs through a flexure.
_ALONG = (0.25, 0.5, 0.75)


@dataclass(frozen=True, eq=False)
class Carried:
    """How one motion carries the corners of a mesh, in the part's frame.

    Parameters
    ----------
    motion : Motion
    vertices : (n, 3) float
        Corners as drawn [mm].
    share : (n,) float
        How much of the motion each corner takes part in: 1 in the moving region, 0 where the
        part stays, between them along the flexures [-].
    moving : (m,) bool
        Facets that belong wholly to the moving region.
    torn : (k, 3) float
        Middles of edges that lead from moving to resting matter where no flexure is marked [mm].
    """

    motion: Motion
    vertices: Floats
    share: Floats
    moving: NDArray[np.bool_]
    torn: Floats

    def at(self, stroke: float) -> Floats:
        """Corners at a place of the stroke, (n, 3) float [mm].

        Parameters
        ----------
        stroke : float
            From the part as drawn, in degrees for a rotation [mm, deg].
        """
        return moved(self.motion, self.vertices, stroke, self.share)

    def strokes(self, count: int) -> tuple[float, ...]:
        """Places of the stroke from its start to its end, evenly spaced [mm, deg].

        Parameters
        ----------
        count : int
            How many, at least 2 [-].
        """
        return tuple(float(stroke) for stroke in np.linspace(*self.motion.stroke, count))


def carried(vertices: Floats, faces: NDArray[np.int64], regions: Sequence[Region], motion: Motion) -> Carried:
    """How a motion carries a mesh whose flexures stretch between what moves and what stays.

    A corner belongs to the last region that holds it.  Corners of flexures settle as heat would
    along the surface between what moves and what rests, so that a leaf stays straight between
    its ends.  Regions that move by another motion, and moving regions without one, rest.

    Parameters
    ----------
    vertices : (n, 3) float
        Corners in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    regions : sequence of Region
        All regions of this part, in the order of the submission.
    motion : Motion
        Of one of them.

    Returns
    -------
    Carried

    References
    ----------
    Pinkall and Polthier, Computing discrete minimal surfaces and their conjugates, Experimental
    Mathematics 2 (1993): the cotangent weights (from memory).
    """
    kinds = np.array([*(region.kind is RegionKind.FLEXURE for region in regions), False])
    names = np.array([*(region.name for region in regions), ""])
    owner = region_of(regions, vertices)
    free, goes = kinds[owner], names[owner] == motion.region
    edges = np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    share = _settled(vertices, faces, free, goes.astype(float))
    return Carried(
        motion=motion,
        vertices=vertices,
        share=share,
        moving=goes[faces].all(axis=1),
        torn=_torn(vertices, edges, regions, free, goes),
    )


def moved(motion: Motion, points: Floats, stroke: float, share: Floats | float = 1.0) -> Floats:
    """Points that take part in a motion, at a place of its stroke.

    Parameters
    ----------
    motion : Motion
    points : (n, 3) float
        In the part's frame [mm].
    stroke : float
        From the part as drawn, in degrees for a rotation [mm, deg].
    share : (n,) float or float
        How much of the stroke each point takes part in [-].

    Returns
    -------
    (n, 3) float
        In the part's frame [mm].

    Notes
    -----
    A rotation is Rodrigues' formula, counter-clockwise seen against the direction.
    """
    along = np.array(motion.direction, dtype=float)
    along /= np.linalg.norm(along)
    far = np.broadcast_to(np.asarray(share, dtype=float) * stroke, len(points))[:, None]
    if motion.kind is MotionKind.TRANSLATION:
        return np.asarray(points + far * along, dtype=float)
    arm = points - np.array(motion.point_mm)
    turn = np.radians(far)
    axial = np.outer(arm @ along, along)
    turned = axial + np.cos(turn) * (arm - axial) + np.sin(turn) * np.cross(along, arm)
    return np.asarray(turned + np.array(motion.point_mm), dtype=float)


def travel_mm(motion: Motion, points: Floats) -> Floats:
    """How far points of the moving region go over the whole stroke, as the path is long, (n,) float [mm].

    Parameters
    ----------
    motion : Motion
    points : (n, 3) float
        In the part's frame [mm].
    """
    far = abs(motion.stroke[1] - motion.stroke[0])
    if motion.kind is MotionKind.TRANSLATION:
        return np.full(len(points), far)
    along = np.array(motion.direction) / np.linalg.norm(motion.direction)
    radius = np.linalg.norm(np.cross(points - np.array(motion.point_mm), along), axis=1)
    return np.asarray(radius * np.radians(far), dtype=float)


def _settled(vertices: Floats, faces: NDArray[np.int64], free: NDArray[np.bool_], share: Floats) -> Floats:
    """Shares with those of free corners in balance with their neighbours', (n,) float [-]."""
    net = _cotangents(vertices, faces[free[faces].any(axis=1)])
    inner = np.flatnonzero(free & _held(net, free))
    if not len(inner):
        return share
    pull = net[inner]
    balance = diags_array(np.asarray(pull.sum(axis=1)).ravel()) - pull[:, inner]
    settled = share.copy()
    # An obtuse facet pulls the wrong way; it can carry a corner past its neighbours by a little.
    settled[inner] = np.clip(spsolve(balance.tocsc(), pull @ np.where(free, 0.0, share)), 0.0, 1.0)
    return settled


def _cotangents(vertices: Floats, faces: NDArray[np.int64]) -> csr_array:
    """Stiffness between the corners of facets, (n, n) symmetric without its diagonal [-]."""
    size = (len(vertices), len(vertices))
    net = csr_array(size)
    for corner, one, other in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        arms = vertices[faces[:, (one, other)]] - vertices[faces[:, corner]][:, None]
        across = np.linalg.norm(np.cross(arms[:, 0], arms[:, 1]), axis=1)
        weight = (arms[:, 0] * arms[:, 1]).sum(axis=1) / np.maximum(2.0 * across, _SLIVER_MM2)
        ends = faces[:, one], faces[:, other]
        net += coo_array((weight, ends), size).tocsr() + coo_array((weight, ends[::-1]), size).tocsr()
    return net


def _held(net: csr_array, free: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Corners of free pieces that hang on anything at all; a loose piece stays as drawn."""
    _, piece = connected_components(net, directed=False)
    touches = np.zeros(piece.max() + 1, dtype=bool)
    touches[piece[~free]] = True
    return np.asarray(touches[piece], dtype=bool)


def _torn(
    vertices: Floats,
    edges: NDArray[np.int64],
    regions: Sequence[Region],
    free: NDArray[np.bool_],
    goes: NDArray[np.bool_],
) -> Floats:
    """Middles of edges from moving to resting corners that run through no flexure, (k, 3) float [mm]."""
    across = edges[(goes[edges].sum(axis=1) == 1) & ~free[edges].any(axis=1)]
    ends = vertices[across]
    flexures = [region for region in regions if region.kind is RegionKind.FLEXURE]
    stretches = np.zeros(len(across), dtype=bool)
    for region in flexures:
        for far in _ALONG:
            stretches |= region_contains(region, ends[:, 0] + far * (ends[:, 1] - ends[:, 0]))
    return np.asarray(ends.mean(axis=1)[~stretches], dtype=float)
