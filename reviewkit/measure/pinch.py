"""Gaps between what moves and what it moves against, as the largest ball that enters, over a stroke.

At a sample of the moving surface lies the largest ball that touches it there and holds no matter:
the ball of the medial axis.  Where it touches again is the other side of the gap.  The faces on
both sides tell whether they close on what lies between them, how far they move against one
another whether a finger could be hurt.  All places are in the part's frame.

References
----------
Ma, Bae and Choi, 3D medial axis point approximation using nearest neighbors and the normal field,
The Visual Computer 28 (2012): the shrinking ball (from memory).  Here the last balls are set against
the facets near by, so that the samples' distance does not show in their size.
"""

from dataclasses import dataclass, fields
from itertools import combinations
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reviewkit.measure.motion import Carried, travel_mm
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# What keeps a hostile mesh from taking all time: samples and places of the stroke.
_MOST_SAMPLES = 60_000
_MOST_STATES = 31
_ROUNDS = 16
_SAME_BALL_MM = 5e-3
_FACETS_NEAR = 6
# Edges that turn by more get samples of their own, since gaps are narrowest at them.
_SHARP_DEG = 20.0
# Corners that take part in less of the motion than this rest.
_RESTS = 1e-3
# Samples joined into one place: within this many of their distances, facing alike.
_NEAR = 2.2
_ALIKE = 0.5
# Between faces at an angle a gap changes this much faster than they move.
_FASTER = 1.5
# A rod that just fits is not stopped by rounding.
_ROD_SLACK = 0.97
_ROD_SIDES = 8
_WAYS, _LEANS_DEG = 16, (0.0, 25.0, -25.0)
_DEPTH_STEP_MM = 0.25
_WALL_ROOM = 1.5


@dataclass(frozen=True, eq=False)
class Sides:
    """One side of gaps found at samples over the stroke: arrays of `k` places of the stroke and `n` samples.

    Parameters
    ----------
    gap_mm : (k, n) float
        Ball that touches both sides, infinite where there is no other side near [mm].
    contact : (k, n, 3) float
        Where it touches the other side, not a number where there is none [mm].
    drawn : (k, n, 3) float
        The same matter of the other side where it was drawn [mm].
    face : (k, n) int
        Facet of the other side, -1 where there is none [-].
    opening_deg : (k, n) float
        Angle between the two faces, 0 where they are parallel [deg].
    slip_mm : (k, n) float
        How far the two sides move against one another over the stroke; infinite between what
        moves and what rests where the motion has no stroke [mm].
    """

    gap_mm: Floats
    contact: Floats
    drawn: Floats
    face: Ints
    opening_deg: Floats
    slip_mm: Floats


@dataclass(frozen=True, eq=False)
class Clearances:
    """Gaps at samples of the surface that moves, at `k` places of the stroke.

    Parameters
    ----------
    stroke : (k,) float
        From the part as drawn, by the kind of motion [mm, deg].
    corners : tuple of (m, 3) float
        Corners of the mesh at each place [mm].
    rays : tuple of RayTree
        Of the mesh at each place.
    faces : (f, 3) int
        Facets [-].
    face : (n,) int
        Facet of each sample [-].
    drawn : (n, 3) float
        Samples where they were drawn [mm].
    point, normal : (k, n, 3) float
        Samples carried along, and the outward normal there [mm, -].
    area_mm2 : float
        Surface that one sample stands for [mm2].
    pitch_mm : float
        Mean distance of neighbouring samples [mm].
    open_mm : float
        A gap of this size or more is open [mm].
    ball : Sides
        By the largest empty ball.
    wall : Sides
        By the face straight ahead, whatever else lies between: the width of a groove whose
        floor stops the ball.
    """

    stroke: Floats
    corners: tuple[Floats, ...]
    rays: tuple[RayTree, ...]
    faces: Ints
    face: Ints
    drawn: Floats
    point: Floats
    normal: Floats
    area_mm2: float
    pitch_mm: float
    open_mm: float
    ball: Sides
    wall: Sides


@dataclass(frozen=True, eq=False)
class _Spots:
    """Points fixed to facets, which go where the facets go."""

    face: Ints
    weight: Floats

    def at(self, corners: Floats, faces: Ints) -> Floats:
        """Where they are, (n, 3) float [mm]."""
        return np.asarray(np.einsum("nc,ncx->nx", self.weight, corners[faces[self.face]]), dtype=float)

    def chosen(self, which: Ints | Bools) -> "_Spots":
        return _Spots(self.face[which], self.weight[which])


def clearances(
    carried: Carried, faces: Ints, *, pitch_mm: float, step_mm: float, largest_mm: float, slip_mm: float
) -> Clearances:
    """Gaps between what a motion moves and what stays behind, over its stroke.

    Parameters
    ----------
    carried : Carried
        Of the mesh and one motion.
    faces : (f, 3) int
        Facets [-].
    pitch_mm : float
        Wanted mean distance of samples; more on a very large part [mm].
    step_mm : float
        Farthest that anything moves from one place of the stroke to the next; more on a very
        long stroke [mm].
    largest_mm : float
        A gap of this size or more is open [mm].
    slip_mm : float
        Gaps whose sides move less than half of this against one another are told by the samples
        alone, a little too large [mm].

    Returns
    -------
    Clearances
        Of the samples on matter that takes part in the motion.
    """
    drawn = carried.vertices
    area = trimesh.triangles.area(drawn[faces])
    pitch_mm = max(pitch_mm, float(np.sqrt(area.sum() / _MOST_SAMPLES)))
    surface = _spread(area, pitch_mm)
    edges = _edges(drawn, faces, pitch_mm)
    pool = _Spots(np.append(surface.face, edges.face), np.vstack([surface.weight, edges.weight]))
    goes = carried.share[faces[surface.face]].max(axis=1) > _RESTS
    spots = surface.chosen(goes)
    strokes = _strokes(carried, step_mm)
    corners = tuple(carried.at(stroke) for stroke in strokes)
    rays = tuple(RayTree(at, faces) for at in corners)
    path = _Path(carried, corners, faces, spots)
    balls, walls, points, normals = [], [], [], []
    for state, at in enumerate(corners):
        unit = _normals(at, faces)
        point, normal = spots.at(at, faces), unit[spots.face]
        points.append(point)
        normals.append(normal)
        balls.append(_by_ball(path, state, point, normal, pool, largest_mm, slip_mm))
        walls.append(_by_ray(path, state, rays[state], point, normal, unit, largest_mm))
    return Clearances(
        stroke=np.array(strokes),
        corners=corners,
        rays=rays,
        faces=faces,
        face=spots.face,
        drawn=spots.at(drawn, faces),
        point=np.array(points),
        normal=np.array(normals),
        area_mm2=float(area.sum()) / max(len(surface.face), 1),
        pitch_mm=pitch_mm,
        open_mm=largest_mm,
        ball=_stacked(balls),
        wall=_stacked(walls),
    )


def either(first: Sides, is_first: Bools, second: Sides) -> Sides:
    """One side where it is chosen, (k, n) bool, the other elsewhere."""

    def chosen(name: str) -> Any:
        one, two = getattr(first, name), getattr(second, name)
        return np.where(is_first[..., None] if one.ndim > is_first.ndim else is_first, one, two)

    return Sides(*(chosen(each.name) for each in fields(Sides)))


def followed(clear: Clearances, side: Sides, told: Bools, chosen: Ints, state: Ints) -> Floats:
    """How one gap goes over the stroke: not from one pair of faces to the next, (k, c) float [mm].

    Parameters
    ----------
    clear : Clearances
    side : Sides
        By which the gaps are told.
    told : (k, n) bool
        Where a sample has a gap at all.
    chosen : (c,) int
        Samples [-].
    state : (c,) int
        Place of the stroke from which each is followed both ways [-].

    Returns
    -------
    (k, c) float
        Infinite where the gap is open, not a number where it is followed no more [mm].

    Notes
    -----
    A gap between two faces changes no faster than they move; a leap is another pair of faces.
    """
    gap = np.where(told[:, chosen] | np.isinf(side.gap_mm[:, chosen]), side.gap_mm[:, chosen], np.nan)
    step = np.linalg.norm(np.diff(clear.point[:, chosen], axis=0), axis=2)
    curve = np.full(gap.shape, np.nan)
    every = np.arange(len(chosen))
    curve[state, every] = gap[state, every]
    for sense in (1, -1):
        here, going = state.copy(), np.ones(len(chosen), dtype=bool)
        for _ in range(len(gap) - 1):
            there = here + sense
            going &= (there >= 0) & (there < len(gap))
            there = there.clip(0, len(gap) - 1)
            room = _FASTER * step[np.minimum(here, there).clip(0, len(step) - 1), every] + clear.pitch_mm
            last, following = gap[here, every], gap[there, every]
            steady = (
                np.abs(
                    np.where(np.isinf(following), clear.open_mm, following)
                    - np.where(np.isinf(last), clear.open_mm, last)
                )
                <= room
            )
            going &= steady
            curve[there[going], every[going]] = following[going]
            here = np.where(going, there, here)
    return curve


def joined(clear: Clearances, chosen: Ints, side: Sides, state: Ints) -> list[Ints]:
    """Chosen samples joined into places: neighbours on one face, and both sides of one gap.

    Parameters
    ----------
    clear : Clearances
    chosen : (c,) int
        Samples [-].
    side : Sides
        By which the other side of each is told.
    state : (c,) int
        Place of the stroke at which it is asked [-].

    Returns
    -------
    list of (g,) int
        Samples of each place, indices into those of `clear`, the larger place first.
    """
    if not len(chosen):
        return []
    near = _NEAR * clear.pitch_mm
    here, normal = clear.drawn[chosen], clear.normal[0, chosen]
    tree = cKDTree(here)
    pairs = tree.query_pairs(near, output_type="ndarray")
    pairs = pairs[(normal[pairs[:, 0]] * normal[pairs[:, 1]]).sum(axis=1) > _ALIKE]
    across = side.drawn[state, chosen]
    told = np.flatnonzero(np.isfinite(across).all(axis=1))
    far, partner = tree.query(across[told], distance_upper_bound=near)
    met = np.isfinite(far)
    links = np.vstack([pairs, np.column_stack([told[met], partner[met]])])
    net = coo_array((np.ones(len(links)), (links[:, 0], links[:, 1])), (len(chosen), len(chosen)))
    count, label = connected_components(net, directed=False)
    groups = [chosen[label == number] for number in range(count)]
    return sorted(groups, key=lambda group: (-len(group), int(group[0])))


def covered(clear: Clearances, vertices: Floats, points: Floats, face: Ints) -> Ints:
    """Facets that points on a surface stand for: their own, and those too small to bear one.

    Parameters
    ----------
    clear : Clearances
    vertices : (m, 3) float
        Corners as drawn [mm].
    points : (n, 3) float
        On the surface, as drawn [mm].
    face : (n,) int
        Facet of each point [-].

    Returns
    -------
    (f,) int
        Facets in order, each once [-].
    """
    unit = _normals(vertices, clear.faces)
    far, nearest = cKDTree(points).query(vertices[clear.faces].mean(axis=1))
    alike = (unit * unit[face[nearest]]).sum(axis=1) > _ALIKE
    return np.union1d(face, np.flatnonzero(alike & (far <= _NEAR * clear.pitch_mm)))


def depths(rays: RayTree, middle: Floats, axis: Floats, gap_mm: Floats, rod_mm: Floats, deepest_mm: float) -> Floats:
    """How deep a straight rod that comes from outside gets into gaps, (n,) float [mm].

    Parameters
    ----------
    rays : RayTree
        Of the mesh at one place of the stroke.
    middle : (n, 3) float
        Middles of the balls between the two sides [mm].
    axis : (n, 3) float
        Unit directions from side to side [-].
    gap_mm, rod_mm : (n,) float
        Size of the ball and of the rod [mm].
    deepest_mm : float
        How far up the mouth of a gap is looked for [mm].

    Returns
    -------
    (n,) float
        From the mouth of the gap to its floor, by the way on which that is least; infinite where
        it has no floor, not a number where no rod gets in [mm].

    Notes
    -----
    Only straight ways are tried, 48 a place, none along the axis itself.  A finger that has to
    bend on its way is the business of finger access.
    """
    ways = _ways(axis)
    count, tried = ways.shape[:2]
    flat, start = ways.reshape(-1, 3), np.repeat(middle, tried, axis=0)
    side = _across(flat)
    other = np.cross(flat, side)
    turn = 2 * np.pi * np.arange(_ROD_SIDES) / _ROD_SIDES
    ring = np.cos(turn)[:, None, None] * side + np.sin(turn)[:, None, None] * other
    offset = np.concatenate([np.zeros((1, len(flat), 3)), ring * _ROD_SLACK * np.repeat(rod_mm, tried)[:, None] / 2])
    hit = rays.first_hit((start + offset).reshape(-1, 3), np.tile(flat, (len(offset), 1)))[0]
    free = np.isinf(hit.reshape(len(offset), -1)).all(axis=0)
    deep = np.full(len(flat), np.nan)
    if free.any():
        floor = rays.first_hit(start[free], -flat[free])[0]
        long = np.repeat(np.arange(count), tried)[free]
        deep[free] = floor + _mouth(rays, start[free], flat[free], axis[long], gap_mm[long], deepest_mm)
    table = deep.reshape(count, tried)
    return np.where(np.isnan(table).all(axis=1), np.nan, np.nanmin(np.where(np.isnan(table), np.inf, table), axis=1))


def _mouth(rays: RayTree, start: Floats, way: Floats, axis: Floats, gap_mm: Floats, deepest_mm: float) -> Floats:
    """How far up a way both sides of the gap go, (n,) float [mm]."""
    steps = np.arange(0.0, deepest_mm + _DEPTH_STEP_MM, _DEPTH_STEP_MM)
    points = (start[:, None] + steps[:, None] * way[:, None]).reshape(-1, 3)
    both = np.repeat(axis, len(steps), axis=0)
    near = [rays.first_hit(points, sense * both)[0].reshape(len(start), -1) for sense in (1.0, -1.0)]
    between = (np.maximum(*near) <= _WALL_ROOM * gap_mm[:, None]).cumprod(axis=1).sum(axis=1)
    return np.asarray(steps[np.maximum(between - 1, 0)], dtype=float)


def _ways(axis: Floats) -> Floats:
    """Directions on which a rod may come into gaps of these axes, (n, w, 3) float [-]."""
    side = _across(axis)
    other = np.cross(axis, side)
    turn = 2 * np.pi * np.arange(_WAYS) / _WAYS
    level = np.cos(turn)[:, None] * side[:, None] + np.sin(turn)[:, None] * other[:, None]
    leans = np.radians(_LEANS_DEG)
    return np.concatenate([np.cos(lean) * level + np.sin(lean) * axis[:, None] for lean in leans], axis=1)


def _across(direction: Floats) -> Floats:
    """Unit directions across, (n, 3) float [-]."""
    least = np.eye(3)[np.abs(direction).argmin(axis=1)]
    across = np.cross(direction, least)
    return np.asarray(across / np.linalg.norm(across, axis=1, keepdims=True), dtype=float)


@dataclass(frozen=True, eq=False)
class _Path:
    """What all places of the stroke share: how far samples and the facets that they meet go."""

    carried: Carried
    corners: tuple[Floats, ...]
    faces: Ints
    spots: _Spots

    def sides(self, state: int, gap_mm: Floats, contact: Floats, face: Ints, opening_deg: Floats) -> Sides:
        """The other side of gaps with how far it slips past; where there is none, nothing."""
        met = np.isfinite(gap_mm)
        spot = self.spots.chosen(met)
        other = _Spots(face[met], _weights(contact[met], self.corners[state][self.faces[face[met]]]))
        drawn, slip = np.full(contact.shape, np.nan), np.zeros(len(gap_mm))
        drawn[met] = other.at(self.carried.vertices, self.faces)
        start, end = self.carried.motion.stroke
        if start == end:
            one, two = (np.einsum("nc,nc->n", s.weight, self.carried.share[self.faces[s.face]]) for s in (spot, other))
            slip[met] = np.where(np.abs(one - two) > 0.5, np.inf, 0.0)
        else:
            ends = (self.corners[0], self.corners[len(self.corners) // 2], self.corners[-1])
            apart = [spot.at(at, self.faces) - other.at(at, self.faces) for at in ends]
            slip[met] = np.max([np.linalg.norm(one - two, axis=1) for one, two in combinations(apart, 2)], axis=0)
        return Sides(
            gap_mm=gap_mm,
            contact=np.where(met[:, None], contact, np.nan),
            drawn=drawn,
            face=np.where(met, face, -1),
            opening_deg=np.where(met, opening_deg, np.nan),
            slip_mm=slip,
        )


def _by_ball(
    path: _Path, state: int, point: Floats, normal: Floats, pool: _Spots, largest_mm: float, slip_mm: float
) -> Sides:
    """The largest empty ball that touches each sample."""
    corners = path.corners[state]
    points = pool.at(corners, path.faces)
    tree = cKDTree(points)
    radius = np.full(len(point), largest_mm / 2)
    face = np.full(len(point), -1)
    contact = np.full(point.shape, np.nan)
    active = np.arange(len(point))
    for _ in range(_ROUNDS):
        far, found = tree.query(point[active] + radius[active, None] * normal[active], workers=-1)
        inside = far < radius[active] - _SAME_BALL_MM
        active, found = active[inside], found[inside]
        if not len(active):
            break
        contact[active], face[active] = points[found], pool.face[found]
        radius[active] = _touching(contact[active] - point[active], normal[active])
    # Samples only bound the ball from above; the facets where it touches say how large it is.
    active = np.flatnonzero(face >= 0)
    slip = path.sides(state, np.where(face >= 0, radius, np.inf), contact, np.maximum(face, 0), radius).slip_mm
    active = active[slip[active] >= slip_mm / 2]
    for _ in range(_ROUNDS):
        middle = point[active] + radius[active, None] * normal[active]
        near = pool.face[tree.query(contact[active], _FACETS_NEAR, workers=-1)[1]]
        flat = np.repeat(middle, _FACETS_NEAR, axis=0)
        foot = trimesh.triangles.closest_point(corners[path.faces[near.ravel()]], flat).reshape(*near.shape, 3)
        # A facet that the sample lies on, or looks away from, is no other side.
        ahead = ((foot - point[active, None]) * normal[active, None]).sum(axis=2)
        far = np.where(ahead > _SAME_BALL_MM, np.linalg.norm(foot - middle[:, None], axis=2), np.inf)
        nearest = far.argmin(axis=1)
        row, reach = np.arange(len(active)), far.min(axis=1)
        # Where it touches is known better with every look, even when the ball stays as it is.
        found = reach < radius[active] + _SAME_BALL_MM
        contact[active[found]] = foot[row, nearest][found]
        face[active[found]] = near[row, nearest][found]
        active = active[reach < radius[active] - _SAME_BALL_MM]
        if not len(active):
            break
        radius[active] = _touching(contact[active] - point[active], normal[active])
    met = face >= 0
    apart = contact - point - radius[:, None] * normal
    cosine = (apart * normal).sum(axis=1) / np.maximum(np.linalg.norm(apart, axis=1), _SAME_BALL_MM / 2)
    opening = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return path.sides(state, np.where(met, 2.0 * radius, np.inf), contact, np.maximum(face, 0), opening)


def _touching(apart: Floats, normal: Floats) -> Floats:
    """Radius of the ball that touches a face at a point and passes through another point, (n,) float [mm]."""
    return np.asarray((apart**2).sum(axis=1) / (2.0 * (apart * normal).sum(axis=1)), dtype=float)


def _by_ray(
    path: _Path, state: int, rays: RayTree, point: Floats, normal: Floats, unit: Floats, largest_mm: float
) -> Sides:
    """The face straight ahead of each sample, and the ball that would touch both if nothing else were there."""
    ahead, face = rays.first_hit(point, normal)
    face = np.maximum(face, 0)
    facing = np.clip(-(normal * unit[face]).sum(axis=1), 0.0, 1.0)
    reach = np.where(np.isfinite(ahead), ahead, 0.0)
    gap = np.where(np.isfinite(ahead), 2.0 * reach * facing / (1.0 + facing), np.inf)
    gap = np.where(gap < largest_mm, gap, np.inf)
    return path.sides(state, gap, point + reach[:, None] * normal, face, np.degrees(np.arccos(facing)))


def _stacked(sides: list[Sides]) -> Sides:
    return Sides(*(np.array([getattr(side, each.name) for side in sides]) for each in fields(Sides)))


def _strokes(carried: Carried, step_mm: float) -> tuple[float, ...]:
    """Places of the stroke, closer than a step apart for what goes farthest."""
    if carried.motion.stroke[0] == carried.motion.stroke[1]:
        return (carried.motion.stroke[0],)
    far = float(travel_mm(carried.motion, carried.vertices[carried.share > 0.5]).max(initial=0.0))
    return carried.strokes(int(np.clip(np.ceil(far / step_mm) + 1, 3, _MOST_STATES)))


def _spread(area: Floats, pitch_mm: float) -> _Spots:
    """Points spread evenly over facets, the same for the same mesh.

    Notes
    -----
    Facets in turn get samples by their area; within them these follow the sequence of golden
    ratios of two dimensions (M. Roberts, 2018, from memory), folded into the triangle.
    """
    reach = area.cumsum()
    count = max(int(np.ceil(reach[-1] / pitch_mm**2)), 1)
    number = np.arange(count)
    face = np.searchsorted(reach, (number + 0.5) / count * reach[-1], side="right").clip(0, len(area) - 1)
    u, v = ((0.5 + ratio * number) % 1.0 for ratio in (0.7548776662466927, 0.5698402909980532))
    fold = u + v > 1.0
    u, v = np.where(fold, 1.0 - u, u), np.where(fold, 1.0 - v, v)
    return _Spots(face.astype(np.int64), np.column_stack([1.0 - u - v, u, v]))


def _edges(vertices: Floats, faces: Ints, pitch_mm: float) -> _Spots:
    """Points along sharp edges, no farther apart than samples are."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    # A facet without area has no angle and bears no point.
    sound = (trimesh.triangles.area(vertices[faces]) > 0)[mesh.face_adjacency].all(axis=1)
    sharp = sound & (mesh.face_adjacency_angles > np.radians(_SHARP_DEG))
    face, edge = mesh.face_adjacency[sharp, 0], mesh.face_adjacency_edges[sharp]
    length = np.linalg.norm(vertices[edge[:, 1]] - vertices[edge[:, 0]], axis=1)
    pieces = np.ceil(length / pitch_mm).clip(1, _MOST_SAMPLES).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(edge)), pieces)
    place = np.arange(len(owner)) - np.repeat(pieces.cumsum() - pieces, pieces)
    along = place / (pieces[owner] - 1)
    corners = faces[face[owner]]
    weight = (corners == edge[owner, :1]) * (1.0 - along)[:, None] + (corners == edge[owner, 1:]) * along[:, None]
    return _Spots(face[owner].astype(np.int64), np.asarray(weight, dtype=float))


def _weights(points: Floats, triangles: Floats) -> Floats:
    """Barycentric weights of points in or beside triangles, (n, 3) float [-]."""
    return np.asarray(trimesh.triangles.points_to_barycentric(triangles, points), dtype=float)


def _normals(vertices: Floats, faces: Ints) -> Floats:
    """Unit normals of facets, zero for one without area, (f, 3) float [-]."""
    one, two, three = (vertices[faces[:, corner]] for corner in range(3))
    normal = np.cross(two - one, three - one)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(normal / np.where(length > 0, length, 1.0), dtype=float)
