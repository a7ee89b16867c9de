"""Resting poses of a part and what each of them costs in overhang, contact and height."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, KDTree, QhullError

from reviewkit.measure.plate import hull_2d, tightest_turn_deg
from reviewkit.model import IDENTITY, Floats, Matrix

# Facets of the hull whose normals differ by less are one resting face: what a mesh file's
# single precision and a curved face's triangulation leave, and no pose that a person would tell apart.
_SAME_FACE_DEG = 0.2
_SAME_POSE_DEG = 1.0
_SEED_SHARE = 0.02

# A facet tilted less than this against the plate already lies on it.
_FLUSH_DEG = 0.05

# A facet exactly at the overhang angle is not beyond it, whatever single precision makes of it.
_ANGLE_SLACK_DEG = 0.01

# A facet tilted less than this against the layers is a true flat and has no steps.
_FLAT_DEG = 1.0

# Facets times directions in one piece: small enough for the fast cache, ten times faster than a million.
_CHUNK = 100_000


@dataclass(frozen=True)
class PoseCandidate:
    """One way of laying a part on the plate.

    Parameters
    ----------
    rotation : Matrix
        Proper rotation from the part's frame to the plate's [-].
    stable : bool
        Whether it rests there by itself: the mass centre stands above the resting face.
    overhang_mm2 : float
        Area of facets beyond the overhang angle, those on the plate left out [mm2].
    contact_mm2 : float
        Area that touches the plate within half a layer [mm2].
    height_mm : float
        Height of the posed part [mm].
    centre_height_mm : float
        Height of the mass centre [mm].
    tip_deg : float
        Tilt at which it tips over, 0 where not stable [deg].
    size_mm : tuple of float
        Size of the footprint along x and y [mm].
    """

    rotation: Matrix
    stable: bool
    overhang_mm2: float
    contact_mm2: float
    height_mm: float
    centre_height_mm: float
    tip_deg: float
    size_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class PoseMeasures:
    """What each of k directions down costs.

    Parameters
    ----------
    overhang_mm2, contact_mm2 : (k,) float
        As in :class:`PoseCandidate` [mm2].
    height_mm, centre_height_mm : (k,) float
        As in :class:`PoseCandidate` [mm].
    cusp_mm : (k,) float
        Mean over the surface of the stair-step error: layer height times the cosine between a
        facet's normal and the upright, none for flats [mm].
    """

    overhang_mm2: Floats
    contact_mm2: Floats
    height_mm: Floats
    centre_height_mm: Floats
    cusp_mm: Floats


@dataclass(frozen=True, eq=False)
class RestingPoses:
    """Where a part rests by itself.

    Parameters
    ----------
    corners_mm : (c, 3) float
        Corners of its convex hull; all points where it has none [mm].
    downs : (k, 3) float
        Outward normals of the faces that it rests on [-].
    inside_mm : (k,) float
        How far within each face the mass centre stands [mm].
    """

    corners_mm: Floats
    downs: Floats
    inside_mm: Floats

    @property
    def rotations(self) -> list[Floats]:
        """The pose of each face, (3, 3): the longer side of the footprint along x, or the identity."""
        return [_laid(down, self.corners_mm) for down in self.downs]


def pose_candidates(
    vertices: Floats,
    faces: NDArray[np.int64],
    *,
    overhang_deg: float,
    layer_height_mm: float,
    least_share: float,
) -> list[PoseCandidate]:
    """Stable resting poses of a part, from the flat faces of its convex hull.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points; the mesh need not be closed [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    overhang_deg : float
        Angle from the vertical beyond which a facet overhangs [deg].
    layer_height_mm : float
        Facets within half of it above the plate lie on the plate [mm].
    least_share : float
        Least share of the hull's area of a face to rest on [-].

    Returns
    -------
    list of PoseCandidate
        The pose as sent first if it is one, then by the area to rest on; near-equal poses are
        merged.  A part that rests on no face, such as a
        ball, gets the pose as sent alone, not stable.

    Notes
    -----
    A pose whose face is down already is the identity exactly; any other is turned in the plane
    so that the longer side of its footprint's tightest rectangle lies along x.
    """
    rests = resting_poses(vertices, faces, least_share)
    stable = len(rests.downs) > 0
    downs, distances = (rests.downs, rests.inside_mm) if stable else (np.array([[0.0, 0.0, -1.0]]), np.zeros(1))
    measures = pose_measures(vertices, faces, downs, overhang_deg=overhang_deg, layer_height_mm=layer_height_mm)
    candidates = []
    for place, down in enumerate(downs):
        rotation = _laid(down, rests.corners_mm)
        width_mm, depth_mm = np.ptp(rests.corners_mm @ rotation[:2].T, axis=0)
        candidates.append(
            PoseCandidate(
                rotation=_matrix(rotation),
                stable=stable,
                overhang_mm2=float(measures.overhang_mm2[place]),
                contact_mm2=float(measures.contact_mm2[place]),
                height_mm=float(measures.height_mm[place]),
                centre_height_mm=float(measures.centre_height_mm[place]),
                tip_deg=float(np.degrees(np.arctan2(distances[place], measures.centre_height_mm[place]))),
                size_mm=(float(width_mm), float(depth_mm)),
            )
        )
    return sorted(candidates, key=lambda candidate: candidate.rotation != IDENTITY)


def resting_poses(vertices: Floats, faces: NDArray[np.int64], least_share: float) -> RestingPoses:
    """Faces of the convex hull that a part rests on by itself.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points; the mesh need not be closed [mm].
    faces : (m, 3) int
        Facets [-].
    least_share : float
        Least share of the hull's area of a face to rest on [-].

    Returns
    -------
    RestingPoses
        By the area to rest on, near-equal faces merged; without any for a ball.
    """
    corners, downs, supports = _resting_faces(vertices, least_share)
    centre = mass_centre(vertices, faces)
    inside = np.array([_inside_by(corners[on], centre, down) for down, on in zip(downs, supports, strict=True)])
    stable = inside > 1e-6 * float(np.ptp(corners, axis=0).max())
    return RestingPoses(corners, downs[stable], inside[stable])


def best_pose(candidates: Sequence[PoseCandidate], tie: float) -> PoseCandidate:
    """The pose with the least overhang; ties go to the lower height, then to the larger contact.

    Parameters
    ----------
    candidates : sequence of PoseCandidate
        At least one.
    tie : float
        Differences up to this share of the span over all candidates are ties [-].

    Returns
    -------
    PoseCandidate
        Where all three tie, the first in the order given.

    References
    ----------
    Scores normalised over the candidates, as common in build orientation: Di Angelo, Di Stefano
    and Guardiani, Journal of Manufacturing and Materials Processing 4(3):71, 2020 (abstract seen).
    """
    worths = np.array([(-c.overhang_mm2, -c.height_mm, c.contact_mm2) for c in candidates])
    left = np.arange(len(candidates))
    for worth in worths.T:
        left = left[worth[left] >= worth[left].max() - tie * np.ptp(worth)]
    return candidates[int(left[0])]


def pose_measures(
    vertices: Floats,
    faces: NDArray[np.int64],
    downs: Floats,
    *,
    overhang_deg: float,
    layer_height_mm: float,
) -> PoseMeasures:
    """Overhang, contact, height and stair-step error for many directions at once.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    downs : (k, 3) float
        Unit directions in the part's frame that point at the plate [-].
    overhang_deg : float
        Angle from the vertical beyond which a facet overhangs [deg].
    layer_height_mm : float
        Facets whose middle is within half of it above the plate lie on the plate [mm].

    Returns
    -------
    PoseMeasures

    References
    ----------
    The cusp height of a layered surface after Dolenc and Makela, Computer-Aided Design 26(2), 1994 (from memory).
    """
    down32 = np.ascontiguousarray(downs.T, dtype=np.float32)
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
    lowest, highest = _extent(vertices - middle, downs)
    corners = (vertices - middle)[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(cross, axis=1) / 2
    sound = areas > 0
    areas, centroids = areas[sound], corners[sound].mean(axis=1).astype(np.float32)
    normals = (cross[sound] / (2 * areas[:, None])).astype(np.float32)
    beyond = np.float32(np.sin(np.radians(min(overhang_deg + _ANGLE_SLACK_DEG, 90.0))))
    touching = (lowest - layer_height_mm / 2).astype(np.float32)
    weights = areas.astype(np.float32)

    flat = np.float32(np.cos(np.radians(_FLAT_DEG)))

    overhang, contact, stepped = np.zeros(len(downs)), np.zeros(len(downs)), np.zeros(len(downs))
    rows = max(1, _CHUNK // len(downs))
    for start in range(0, len(areas), rows):
        part = slice(start, start + rows)
        facing = normals[part] @ down32
        over = (facing > beyond).astype(np.float32)
        facet, pose = np.divmod(np.flatnonzero(centroids[part] @ down32 > touching), len(downs))
        over[facet, pose] = 0
        overhang += weights[part] @ over
        slope = np.abs(facing)
        slope[slope > flat] = 0
        stepped += weights[part] @ slope
        contact += np.bincount(pose, weights[part][facet] * np.maximum(facing[facet, pose], 0), len(downs))
    centre = mass_centre(vertices, faces) - middle
    cusp = layer_height_mm * stepped / max(float(areas.sum()), 1e-300)
    return PoseMeasures(overhang, contact, lowest - highest, lowest - downs @ centre, cusp)


def drop(vertices: Floats, rotation: Floats) -> tuple[Floats, Floats]:
    """Vertices turned to the plate frame, the lowest at z = 0.

    Parameters
    ----------
    vertices : (n, 3) float
        Points in the part's frame [mm].
    rotation : (3, 3) float
        Pose [-].

    Returns
    -------
    placed : (n, 3) float
        ``vertices @ rotation.T + offset``; x and y stay as rotated [mm].
    offset : (3,) float
        So that ``plate = rotation @ part + offset`` [mm].
    """
    turned = vertices @ np.asarray(rotation).T
    offset = np.array([0.0, 0.0, -turned[:, 2].min()])
    return turned + offset, offset


def mass_centre(vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """Centre of the volume; the convex hull's where the mesh encloses none.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].

    Returns
    -------
    (3,) float
        Point in the frame of the vertices [mm].

    Notes
    -----
    A closed surface has area vectors that sum to zero, and encloses a volume whose centre is within
    its box; a mesh that is closed but for slits passes, as it should.
    """
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    middle = (low + high) / 2
    corners = (vertices - middle)[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    volumes = np.einsum("ij,ij->i", corners[:, 0], cross) / 6
    if np.abs(cross.sum(axis=0)).max() <= 1e-6 * np.abs(cross).sum() and volumes.sum() != 0:
        centre = (volumes[:, None] * corners.sum(axis=1) / 4).sum(axis=0) / volumes.sum()
        if (np.abs(centre) < (high - low) / 2).all():
            return np.asarray(middle + centre)
    try:
        hull = ConvexHull(vertices)
    except QhullError:
        return np.asarray(middle)
    inner = vertices[hull.vertices].mean(axis=0)
    spokes = vertices[hull.simplices] - inner
    weights = np.abs(np.linalg.det(spokes))
    return np.asarray(inner + (weights[:, None] * spokes.sum(axis=1) / 4).sum(axis=0) / weights.sum())


def _resting_faces(vertices: Floats, least_share: float) -> tuple[Floats, Floats, list[NDArray[np.int64]]]:
    """Corners of the hull, and of each of its flat faces the outward normal and the corners it has.

    Facets of the hull with one normal lie in one plane, so grouping by normal is enough.
    """
    try:
        hull = ConvexHull(vertices)
    except QhullError:
        return vertices, np.empty((0, 3)), []
    index = np.full(len(vertices), -1)
    index[hull.vertices] = np.arange(len(hull.vertices))
    corners, simplices = vertices[hull.vertices], index[hull.simplices]
    sides = corners[simplices]
    areas = np.linalg.norm(np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0]), axis=1) / 2

    rounded, group = np.unique(np.round(hull.equations[:, :3], 4), axis=0, return_inverse=True)
    group = group.ravel()
    group_areas = np.bincount(group, areas, len(rounded))
    # A face has one normal that most of it shares; the crumbs of a curved side need not be looked at.
    seeds = np.flatnonzero(group_areas >= _SEED_SHARE * least_share * areas.sum())
    near = KDTree(rounded).query_ball_point(rounded[seeds], 2 * np.sin(np.radians(_SAME_FACE_DEG) / 2))
    face_areas = np.array([group_areas[members].sum() for members in near])

    downs: list[Floats] = []
    supports: list[NDArray[np.int64]] = []
    for seed in np.argsort(-face_areas, kind="stable"):
        if face_areas[seed] < least_share * areas.sum():
            break
        members = np.flatnonzero(np.isin(group, near[seed]))
        down = areas[members] @ hull.equations[members, :3]
        down /= np.linalg.norm(down)
        if down[2] <= -np.cos(np.radians(_FLUSH_DEG)):
            down = np.array([0.0, 0.0, -1.0])
        if all(down @ other < np.cos(np.radians(_SAME_POSE_DEG)) for other in downs):
            downs.append(down)
            supports.append(np.unique(simplices[members]))
    return corners, np.reshape(downs, (-1, 3)), supports


def _inside_by(support: Floats, centre: Floats, down: Floats) -> float:
    """How far the centre, seen along `down`, is inside the polygon of support points; negative outside [mm]."""
    across = _laid_flat(down)[:2]
    polygon = hull_2d(support @ across.T)
    edges = np.roll(polygon, -1, axis=0) - polygon
    to_centre = centre @ across.T - polygon
    lengths = np.linalg.norm(edges, axis=1)
    return float(((edges[:, 0] * to_centre[:, 1] - edges[:, 1] * to_centre[:, 0]) / lengths).min())


def _extent(points: Floats, downs: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest point along each direction down, lowest being the largest [mm]."""
    lowest, highest = np.full(len(downs), -np.inf), np.full(len(downs), np.inf)
    rows = max(1, _CHUNK // len(downs))
    for start in range(0, len(points), rows):
        along = points[start : start + rows] @ downs.T
        lowest, highest = np.maximum(lowest, along.max(axis=0)), np.minimum(highest, along.min(axis=0))
    return lowest, highest


def _laid(down: Floats, corners: Floats) -> Floats:
    """Rotation that puts `down` at -z and the footprint's longer side along x."""
    if down[2] <= -np.cos(np.radians(_FLUSH_DEG)):
        return np.eye(3)
    flat = _laid_flat(down)
    angle = np.radians(tightest_turn_deg(corners @ flat[:2].T))
    cos, sin = np.cos(angle), np.sin(angle)
    rotation = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]]) @ flat
    nearest = np.round(rotation)
    # A quarter turn of the axes is written without the last bits of sine and cosine.
    return nearest if np.allclose(rotation, nearest, rtol=0, atol=1e-9) else rotation


def _laid_flat(down: Floats) -> Floats:
    """The least rotation that puts `down` at -z."""
    x, y, z = down
    if z > 1 - 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    # Rodrigues' formula about down x (0, 0, -1), written out.
    rest = 1 - z
    return np.array([[1 - x * x / rest, -x * y / rest, x], [-x * y / rest, 1 - y * y / rest, y], [-x, -y, -z]])


def _matrix(rotation: Floats) -> Matrix:
    rows = [(float(x), float(y), float(z)) for x, y, z in rotation + 0.0]
    return rows[0], rows[1], rows[2]
