"""Every way to lay a part down, measured and ranked, and the best of them chosen."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.limits import Limits
from reviewkit.measure.load_directions import LoadDirections, load_directions
from reviewkit.measure.plate import hull_2d, plate_fit
from reviewkit.measure.pose import RestingPoses, mass_centre, pose_measures, resting_poses
from reviewkit.measure.rays import RayTree
from reviewkit.model import IDENTITY, Band, Floats, Matrix, Setup, Verdict
from reviewkit.submission import Region

Flags = NDArray[np.bool_]

# Two directions nearer than this are one pose, as in `pose_candidates`.
_SAME_POSE_DEG = 1.0

# As in `pose_measures`: a facet exactly at the overhang angle is not beyond it.
_ANGLE_SLACK_DEG = 0.01

# Columns measured under each pose; a sphere's support volume then comes out to half a per cent.
_COLUMNS = 2048
_GOLDEN = (5**0.5 - 1) / 2

# For directions on which the part does not rest a hull of more corners is thinned to those that stick
# out farthest in so many directions: its footprint then stays true to half a hundredth of its size.
_MANY_CORNERS = 1000
_THINNED_BY = 300

BANDS = ("plate", "height", "contact", "tipping", "slenderness", "flexure load", "flexure bend")
TERMS = ("overhang", "support", "contact", "height", "time", "step", "strength", "doubt")


@dataclass(frozen=True, eq=False)
class RankedPoses:
    """The poses of a part, each measured, and their order.

    Pose 0 is the one under review.  Rows of all arrays are poses.

    Parameters
    ----------
    rotations : (k, 3, 3) float
        From the part's frame to the plate's [-].
    resting : (k,) bool
        Whether a flat face of the hull is down and the mass centre over it.
    overhang_mm2, contact_mm2, height_mm, centre_height_mm, cusp_mm : (k,) float
        As in :class:`reviewkit.measure.pose.PoseMeasures` [mm].
    support_mm3 : (k,) float
        Volume below overhanging facets, to the plate or to the first surface below [mm3].
    layers : (k,) int
        Number of layers [-].
    time_s : (k,) float
        Rough print time, see :func:`rough_time_s` [s].
    tip_deg : (k,) float
        Tilt at which it tips over; 0 where it does at once [deg].
    slenderness : (k,) float
        Height over the smallest width of what lies on the plate [-].
    margin_mm, square_margin_mm : (k,) float
        Room to the plate edge at the best angle, and square to the plate [mm].
    load_deg, bend_deg : (k,) float
        Worst angle of a flexure's load, and of its thin direction, to the layer plane; 0 without
        flexures [deg].
    failed, marginal : (k, 7) bool
        Which of :data:`BANDS` each pose fails, or keeps only marginally.
    terms : (k, 8) float
        :data:`TERMS` from 0, best of all poses, to 1, worst [-].
    weights : (8,) float
        Of the terms; they sum to 1 [-].
    order : (k,) int
        Poses from best to worst, possible ones first.
    tie : float
        Terms that differ by no more are alike [-].
    flexures : tuple of LoadDirections
        What the strength direction was taken from.
    flexures_without : tuple of str
        Marked flexures in which no matter was found.
    """

    rotations: Floats
    resting: Flags
    overhang_mm2: Floats
    support_mm3: Floats
    contact_mm2: Floats
    height_mm: Floats
    centre_height_mm: Floats
    layers: NDArray[np.int64]
    time_s: Floats
    cusp_mm: Floats
    tip_deg: Floats
    slenderness: Floats
    margin_mm: Floats
    square_margin_mm: Floats
    load_deg: Floats
    bend_deg: Floats
    failed: Flags
    marginal: Flags
    terms: Floats
    weights: Floats
    order: NDArray[np.int64]
    tie: float
    flexures: tuple[LoadDirections, ...]
    flexures_without: tuple[str, ...]

    @cached_property
    def scores(self) -> Floats:
        """Weighted sum of the terms, (k,) float; 0 is best [-]."""
        return np.asarray(self.terms @ self.weights)

    @cached_property
    def possible(self) -> Flags:
        """Poses that fail no bound, (k,) bool."""
        return np.asarray(~self.failed.any(axis=1))

    @property
    def best(self) -> int:
        """The pose to choose."""
        return int(self.order[0])

    @cached_property
    def kinds(self) -> tuple[NDArray[np.int64], ...]:
        """Possible poses from best to worst, those alike in every term together."""
        return tuple(self.alike(self.order[self.possible[self.order]]))

    def alike(self, poses: NDArray[np.int64]) -> list[NDArray[np.int64]]:
        """Some poses grouped, in order, with those that no term tells apart."""
        groups: list[NDArray[np.int64]] = []
        left = poses
        while len(left):
            near = (np.abs(self.terms[left] - self.terms[left[0]]) <= self.tie).all(axis=1)
            groups.append(left[near])
            left = left[~near]
        return groups

    def matrix(self, pose: int) -> Matrix:
        """The rotation of a pose as plain numbers."""
        rows = [(float(x), float(y), float(z)) for x, y, z in self.rotations[pose] + 0.0]
        return rows[0], rows[1], rows[2]


def chosen_pose(
    vertices: Floats, faces: NDArray[np.int64], setup: Setup, limits: Limits, regions: Sequence[Region] = ()
) -> tuple[Matrix, str]:
    """The pose to review a part in when nobody gave one, and why.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    setup : Setup
        Machine and layers; its pose is not looked at.
    limits : Limits
        Tables with the rows ``pose.*`` and ``plate.*``.
    regions : sequence of Region
        Declared regions of this part.

    Returns
    -------
    pose : Matrix
        From the part's frame to the plate's.
    note : str
        A few words.
    """
    ranked = ranked_poses(vertices, faces, setup, limits, regions, IDENTITY)
    pose = ranked.matrix(ranked.best)
    sent = ", which is the pose as sent" if pose == IDENTITY else ""
    if ranked.possible.any():
        count = int(ranked.possible.sum())
        ways = "the only possible way to lie" if count == 1 else f"the best of {count} possible ways to lie"
        return pose, f"chosen by us: {ways} ({len(ranked.order)} compared){sent}"
    if not ranked.resting.any():
        return pose, "as sent: it rests on no face"
    return pose, f"chosen by us: the least bad, as no way to lie keeps all bounds{sent}"


def ranked_poses(
    vertices: Floats,
    faces: NDArray[np.int64],
    setup: Setup,
    limits: Limits,
    regions: Sequence[Region],
    current: Matrix,
) -> RankedPoses:
    """Measure and rank all stable poses and a sphere of directions beside them.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the part's frame [mm].
    faces : (m, 3) int
        Facets [-].
    setup : Setup
        Machine and layers; its pose is not looked at.
    limits : Limits
        Tables with the rows ``pose.*`` and ``plate.*``.
    regions : sequence of Region
        Declared regions of this part.
    current : Matrix
        The pose under review.

    Returns
    -------
    RankedPoses

    Notes
    -----
    Each term is brought to 0 to 1 over all poses compared, so that a difference counts by what is
    at stake for this part; a term whose span is within ``pose.tie`` of its greatest value tells
    nothing and is 0.  Poses that fail a bound come after all that do not, whatever their score;
    within ``pose.tie`` of the best score the lower pose wins, then the one with more contact.
    Where no pose is possible, one that stands and fails fewest bounds is taken, else the current.

    References
    ----------
    Scores normalised over the candidates, as common in build orientation: Di Angelo, Di Stefano
    and Guardiani, Journal of Manufacturing and Materials Processing 4(3):71, 2020 (abstract seen).
    """

    def value(name: str) -> float:
        return limits.value(f"pose.{name}", setup).value

    layer_mm, overhang_deg, tie = setup.layer_height_mm, value("overhang"), value("tie")
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
    vertices = vertices - middle
    rests = resting_poses(vertices, faces, value("facet_share"))
    rotations, resting = _all_poses(rests, np.array(current), int(value("directions")))
    downs = -rotations[:, 2]
    rays = RayTree(vertices, faces)
    measures = pose_measures(vertices, faces, downs, overhang_deg=overhang_deg, layer_height_mm=layer_mm)
    supports = support_volumes(vertices, faces, downs, rays, overhang_deg=overhang_deg, layer_height_mm=layer_mm)
    layers = np.ceil(np.round(measures.height_mm / layer_mm, 6)).astype(np.int64)
    tip_deg, widths_mm = footings(vertices, faces, rotations, layer_mm)
    flexures, without = load_directions(regions, rays, middle, _crosses(vertices, faces))
    load_deg = _to_layers_deg(downs, [flexure.load for flexure in flexures])
    bend_deg = _to_layers_deg(downs, [flexure.thin for flexure in flexures])
    margin = limits.band("plate.margin", setup)
    keep_mm = max(setup.machine.edge_margin_mm, margin.limits[0].value)
    stands = resting | (np.arange(len(resting)) == 0)
    room_mm, square_mm = _margins(rests.corners_mm, rotations, stands, setup.plate_mm, keep_mm)
    time_s = rough_time_s(
        vertices,
        faces,
        layers,
        supports,
        core_fill=setup.core_fill,
        shell_mm=value("shell"),
        support_fill=value("support_fill"),
        layer_time_s=value("layer_time"),
        flow_mm3_s=value("flow"),
    )

    slenderness = measures.height_mm / np.maximum(widths_mm, 1e-6)
    judged: list[tuple[Band, Floats]] = [
        (margin, room_mm),
        (limits.band("plate.headroom", setup), setup.machine.height_mm - measures.height_mm),
        (limits.band("pose.contact", setup), measures.contact_mm2),
        (limits.band("pose.tip_angle", setup), tip_deg),
        (limits.band("pose.slenderness", setup), slenderness),
        (limits.band("pose.flexure_load", setup), load_deg),
        (limits.band("pose.flexure_bend", setup), bend_deg),
    ]
    verdicts = np.array([[band.verdict(float(x)) for x in values] for band, values in judged]).T
    failed, marginal = verdicts == Verdict.FAILS, verdicts == Verdict.MARGINAL
    # Out of square on the plate is a doubt too: one part a plate, and its ends far out.
    marginal[:, 0] |= ~failed[:, 0] & (square_mm < keep_mm)

    costs = (
        measures.overhang_mm2,
        supports,
        measures.contact_mm2.max() - measures.contact_mm2,
        measures.height_mm,
        time_s,
        measures.cusp_mm,
        load_deg,
        marginal.mean(axis=1),
    )
    # What is at stake is told by the greatest value of a measure; of contact, by the most there is.
    scales = [float(cost.max()) for cost in costs]
    scales[2] = float(measures.contact_mm2.max())
    terms = np.column_stack([_spread(cost, scale, tie) for cost, scale in zip(costs, scales, strict=True)])
    weights = np.array([value(f"weight_{term}") for term in TERMS])
    weights = weights / weights.sum()
    order = _order(terms @ weights, failed, measures.height_mm, measures.contact_mm2, tie)
    return RankedPoses(
        rotations=rotations,
        resting=resting,
        overhang_mm2=measures.overhang_mm2,
        support_mm3=supports,
        contact_mm2=measures.contact_mm2,
        height_mm=measures.height_mm,
        centre_height_mm=measures.centre_height_mm,
        layers=layers,
        time_s=time_s,
        cusp_mm=measures.cusp_mm,
        tip_deg=tip_deg,
        slenderness=slenderness,
        margin_mm=room_mm,
        square_margin_mm=square_mm,
        load_deg=load_deg,
        bend_deg=bend_deg,
        failed=failed,
        marginal=marginal,
        terms=terms,
        weights=weights,
        order=order,
        tie=tie,
        flexures=flexures,
        flexures_without=without,
    )


def sphere_directions(count: int) -> Floats:
    """The 26 directions along axes and diagonals, then some spread evenly over the sphere.

    Parameters
    ----------
    count : int
        How many beside the 26 [-].

    Returns
    -------
    (26 + count, 3) float
        Unit directions [-].

    References
    ----------
    The Fibonacci lattice: Gonzalez, Mathematical Geosciences 42, 2010 (from memory).
    """
    steps = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    steps = steps[np.abs(steps).sum(axis=1) > 0]
    place = np.arange(count)
    z = 1 - (2 * place + 1) / max(count, 1)
    turn = 2 * np.pi * _GOLDEN * place
    around = np.sqrt(1 - z**2)
    spread = np.column_stack([around * np.cos(turn), around * np.sin(turn), z])
    return np.vstack([steps / np.linalg.norm(steps, axis=1, keepdims=True), spread])


def support_volumes(
    vertices: Floats,
    faces: NDArray[np.int64],
    downs: Floats,
    rays: RayTree,
    *,
    overhang_deg: float,
    layer_height_mm: float,
) -> Floats:
    """Volume below overhanging facets, to the plate or to the first surface below.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    downs : (k, 3) float
        Unit directions that point at the plate [-].
    rays : RayTree
        The tree of just this mesh.
    overhang_deg : float
        Angle from the vertical beyond which a facet overhangs [deg].
    layer_height_mm : float
        Facets whose middle is within half of it above the plate lie on the plate [mm].

    Returns
    -------
    (k,) float
        Volume of each direction [mm3].

    Notes
    -----
    Columns of equal section are spread over the shadow of the overhanging facets, facet after
    facet, and each is followed down to where it ends; so a ceiling of two large facets is
    measured as well as a ball of many small ones.
    """
    cross = _crosses(vertices, faces)
    areas = np.linalg.norm(cross, axis=1) / 2
    corners, sound = vertices[faces].astype(np.float32), areas > 0
    corners, areas = corners[sound], areas[sound]
    centroids = corners.mean(axis=1)
    normals = np.ascontiguousarray((cross[sound] / (2 * areas[:, None])).astype(np.float32).T)
    weights, downs32 = areas.astype(np.float32), downs.astype(np.float32)
    beyond = np.float32(np.sin(np.radians(min(overhang_deg + _ANGLE_SLACK_DEG, 90.0))))
    steps = (np.arange(_COLUMNS) + 0.5) / _COLUMNS
    across = (np.arange(_COLUMNS) * _GOLDEN) % 1.0

    shadows, starts, plates = np.zeros(len(downs)), [], []
    for pose, down in enumerate(downs):
        lowest = float((vertices @ down).max())
        facing = downs32[pose] @ normals
        flagged = np.flatnonzero(facing > beyond)
        flagged = flagged[lowest - centroids[flagged] @ downs32[pose] >= layer_height_mm / 2]
        if not len(flagged):
            continue
        summed = np.cumsum(weights[flagged] * facing[flagged], dtype=float)
        shadows[pose] = summed[-1]
        place = np.minimum(np.searchsorted(summed, steps * summed[-1]), len(flagged) - 1)
        before = np.concatenate([[0.0], summed[:-1]])[place]
        root = np.sqrt(np.clip((steps * summed[-1] - before) / (summed[place] - before), 0, 1))
        a, b, c = (corners[flagged[place], corner] for corner in range(3))
        points = (1 - root)[:, None] * a + (root * (1 - across))[:, None] * b + (root * across)[:, None] * c
        starts.append(points)
        plates.append(lowest - points @ down)
    volumes = np.zeros(len(downs))
    hanging = np.flatnonzero(shadows > 0)
    if len(hanging):
        along = np.repeat(downs[hanging], _COLUMNS, axis=0)
        below, _ = rays.first_hit(np.concatenate(starts), along)
        columns = np.minimum(below, np.concatenate(plates)).reshape(len(hanging), _COLUMNS)
        volumes[hanging] = shadows[hanging] * columns.mean(axis=1)
    return volumes


def footings(
    vertices: Floats, faces: NDArray[np.int64], rotations: Floats, layer_height_mm: float
) -> tuple[Floats, Floats]:
    """How firmly the part stands in each pose on what lies within half a layer above the plate.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    rotations : (k, 3, 3) float
        Poses [-].
    layer_height_mm : float
        Height of a layer [mm].

    Returns
    -------
    tip_deg : (k,) float
        Tilt at which the mass centre passes the edge of the convex hull of the contact; 0 where it
        is beyond it already [deg].
    width_mm : (k,) float
        Smallest width of that hull [mm].
    """
    centre = mass_centre(vertices, faces)
    a, b, c = np.ascontiguousarray(faces.T)
    tip_deg, width_mm = np.zeros(len(rotations)), np.zeros(len(rotations))
    for pose, rotation in enumerate(rotations):
        heights = vertices @ rotation[2]
        heights -= heights.min()
        low = heights <= layer_height_mm / 2
        mixed = low[a].astype(np.int8) + low[b] + low[c]
        crossing = faces[(mixed == 1) | (mixed == 2)]
        ends = np.concatenate([crossing[:, [0, 1]], crossing[:, [1, 2]], crossing[:, [2, 0]]])
        ends = ends[low[ends[:, 0]] != low[ends[:, 1]]]
        start, end = heights[ends[:, 0]], heights[ends[:, 1]]
        share = (layer_height_mm / 2 - start) / (end - start)
        cut = vertices[ends[:, 0]] + share[:, None] * (vertices[ends[:, 1]] - vertices[ends[:, 0]])
        contact = np.concatenate([vertices[low], cut]) @ rotation[:2].T
        if len(contact) < 3 or not np.ptp(contact, axis=0).min() > 0:
            continue
        polygon = hull_2d(contact)
        edges = np.roll(polygon, -1, axis=0) - polygon
        inward = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.linalg.norm(edges, axis=1)[:, None]
        offsets = (inward * polygon).sum(axis=1)
        inside_mm = float((inward @ (rotation[:2] @ centre) - offsets).min())
        above_mm = float(rotation[2] @ centre - (vertices @ rotation[2]).min())
        tip_deg[pose] = np.degrees(np.arctan2(max(inside_mm, 0.0), max(above_mm, 1e-9)))
        width_mm[pose] = float(((polygon @ inward.T) - offsets).max(axis=0).min())
    return tip_deg, width_mm


def rough_time_s(
    vertices: Floats,
    faces: NDArray[np.int64],
    layers: NDArray[np.int64],
    support_mm3: Floats,
    *,
    core_fill: float,
    shell_mm: float,
    support_fill: float,
    layer_time_s: float,
    flow_mm3_s: float,
) -> Floats:
    """Print time for comparing poses; it knows nothing of how the machine moves.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    layers : (k,) int
        Number of layers of each pose [-].
    support_mm3 : (k,) float
        Support volume of each pose [mm3].
    core_fill, support_fill : float
        Share of the core, and of supports, that is material [-].
    shell_mm : float
        Thickness under the surface that is solid [mm].
    layer_time_s : float
        Time a layer takes beside laying lines [s].
    flow_mm3_s : float
        Mean rate of laying material [mm3/s].

    Returns
    -------
    (k,) float
        Time of each pose [s].

    Notes
    -----
    time = layers x layer time + (shell + core fill x (volume - shell) + support fill x supports) / flow,
    with shell = surface x shell thickness, at most the volume.
    """
    cross = _crosses(vertices, faces)
    surface_mm2 = float(np.linalg.norm(cross, axis=1).sum() / 2)
    volume_mm3 = abs(float((vertices[faces[:, 0]] * cross).sum() / 6))
    shell_mm3 = min(volume_mm3, surface_mm2 * shell_mm)
    laid_mm3 = shell_mm3 + core_fill * (volume_mm3 - shell_mm3) + support_fill * support_mm3
    return np.asarray(layers * layer_time_s + laid_mm3 / flow_mm3_s)


def _all_poses(rests: RestingPoses, current: Floats, directions: int) -> tuple[Floats, Flags]:
    """The current pose, then the resting ones, then the directions between, none of them twice."""
    near = np.cos(np.radians(_SAME_POSE_DEG))
    as_current = [bool(-down @ current[2] > near) for down in rests.downs]
    rotations = [current, *(r for r, same in zip(rests.rotations, as_current, strict=True) if not same)]
    resting = [any(as_current)] + [True] * (len(rotations) - 1)
    ups = np.array([rotation[2] for rotation in rotations])
    for up in -sphere_directions(directions):
        if (ups @ up).max() <= near:
            rotations.append(_upright(up))
            resting.append(False)
    return np.array(rotations), np.array(resting)


def _upright(up: Floats) -> Floats:
    """A rotation that turns a direction up, its second row as level in the part's frame as can be."""
    side = np.cross(up, (0.0, 1.0, 0.0) if abs(up[1]) < 0.9 else (1.0, 0.0, 0.0))
    side /= np.linalg.norm(side)
    return np.array([-side, np.cross(up, -side), up])


def _margins(
    corners: Floats, rotations: Floats, stands: Flags, plate_mm: tuple[float, float], keep_mm: float
) -> tuple[Floats, Floats]:
    """Room to the plate edge of each pose at the best angle, and square to the plate [mm]."""
    few = corners
    if len(corners) > _MANY_CORNERS:
        few = corners[np.unique(_farthest(corners, sphere_directions(_THINNED_BY)))]
    room_mm, square_mm = np.empty(len(rotations)), np.empty(len(rotations))
    for pose, rotation in enumerate(rotations):
        fit = plate_fit((corners if stands[pose] else few) @ rotation[:2].T, plate_mm, keep_mm)
        room_mm[pose] = fit.roomiest.margin_mm
        square_mm[pose] = max(fit.unturned.margin_mm, fit.squared.margin_mm)
    return room_mm, square_mm


def _farthest(corners: Floats, directions: Floats) -> NDArray[np.int64]:
    """The corner that sticks out farthest in each direction."""
    corners32, directions32 = np.ascontiguousarray(corners.T, dtype=np.float32), directions.astype(np.float32)
    return np.concatenate([(part @ corners32).argmax(axis=1) for part in np.array_split(directions32, 100)])


def _to_layers_deg(downs: Floats, directions: Sequence[tuple[float, float, float]]) -> Floats:
    """Worst angle of the directions to the layer plane of each pose [deg]."""
    if not directions:
        return np.zeros(len(downs))
    along = np.abs(downs @ np.array(directions).T).max(axis=1)
    return np.asarray(np.round(np.degrees(np.arcsin(np.clip(along, 0, 1))), 9))


def _spread(cost: Floats, scale: float, tie: float) -> Floats:
    """A cost from 0 at its least to 1 at its greatest; all 0 where it hardly differs."""
    span = float(np.ptp(cost))
    return np.zeros(len(cost)) if span <= tie * scale or span == 0 else (cost - cost.min()) / span


def _order(scores: Floats, failed: Flags, height_mm: Floats, contact_mm2: Floats, tie: float) -> NDArray[np.int64]:
    """Poses from best to worst: possible ones by score, the rest by how many bounds they fail."""
    fails = failed.sum(axis=1)
    stands = ~failed[:, [BANDS.index("contact"), BANDS.index("tipping")]].any(axis=1)
    if fails.min() > 0:
        # Where nothing is possible a pose that stands is still the better start; if none does, nothing is gained.
        pool = np.flatnonzero(stands & (fails == fails[stands].min())) if stands.any() else np.array([0])
    else:
        pool = np.flatnonzero(fails == 0)
    close = pool[scores[pool] <= scores[pool].min() + tie]
    low = close[height_mm[close] <= height_mm[close].min() * (1 + tie)]
    best = low[contact_mm2[low] >= contact_mm2[low].max() * (1 - tie)][0]
    return np.asarray(np.lexsort((scores, fails, np.arange(len(scores)) != best)))


def _crosses(vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """Outward normals of the facets, twice their area long [mm2]."""
    corners = vertices[faces]
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
