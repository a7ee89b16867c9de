"""Convex edges with their wedge angle and radius, tips, and whether a fingertip touches them.

A fillet reaches a mesh as facets, so that the angle between two facets says little.  From each
joint of two facets the surface is followed both ways, square to the joint, until it has turned
through a given angle: the circle through the corners passed on the way is the edge's radius.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Joints that turn by less are flat; whole facets are crossed without end on no honest mesh.
_FLAT_DEG, _LEAST_JOINT_DEG, _MOST_JOINTS, _MOST_STEPS = 0.05, 1.0, 24, 160
# A right angle comes out of a file of 32 bit a little off.
_TURN_SLACK_DEG = 0.5
# A surface that goes on turning beyond half a turn is a rod, not an edge.
_ROD_DEG = 190.0
# Circles as large as this share of the smallest belong to the same rounding.
_SAME_ROUNDING = 1.1
# Long joints are looked at so often.
_EVERY_MM, _MOST_STRETCHES = 5.0, 25
_CHUNK = 20_000
# Least total turn of the surface near a tip: a cone that just fits the slot has 103 degrees, a cube's corner 90.
_LEAST_TIP_DEG, _BENT_RAD = 80.0, 1e-4
# Corners as near to one another as this share of the slot are one where much is looked for.
_CLOSE_SHARE = 0.1
# What lies ahead of a tip by no more is rounding.
_AHEAD_MM = 0.005
_ROTATIONS = 360
_DIRECTIONS = 64


@dataclass(frozen=True, eq=False)
class Edges:
    """Stretches of convex edge.

    Parameters
    ----------
    start, end : (n, 3) float
        Ends of each stretch, on a joint of two facets [mm].
    wedge_deg : (n,) float
        Angle of the matter at the edge: 90 for a square one, less for a pointed one [deg].
    radius_mm : (n,) float
        Radius over which the surface turns; zero at a joint that turns all of it [mm].
    share : (n,) float
        Of the turn that lies in this joint: facets of a fillet share one edge [-].
    outward : (n, 3) float
        Unit direction midway between the normals of the two facets [-].
    normals : (n, 2, 3) float
        Those normals [-].
    sides : (n, 2) int
        Those facets [-].
    links : (k, 2) int
        Stretches that run on into one another or lie in the same rounding [-].
    bend_deg : (k,) float
        Change of direction from one to the other [deg].
    open_mm, joints_mm : float
        Length of the facet sides that have no neighbour, and of all [mm].
    """

    start: Floats
    end: Floats
    wedge_deg: Floats
    radius_mm: Floats
    share: Floats
    outward: Floats
    normals: Floats
    sides: Ints
    links: Ints
    bend_deg: Floats
    open_mm: float
    joints_mm: float

    def __len__(self) -> int:
        return len(self.start)

    @cached_property
    def length_mm(self) -> Floats:
        """Length that each stretch stands for, so that a fillet counts once (n,) [mm]."""
        length: Floats = np.linalg.norm(self.end - self.start, axis=1) * self.share
        return length

    @cached_property
    def middle(self) -> Floats:
        """Middle of each stretch (n, 3) [mm]."""
        middle: Floats = (self.start + self.end) / 2
        return middle

    def chains(self, chosen: Bools, bend_deg: float) -> Iterator[Ints]:
        """Stretches that run on into one another, the longest chain first.

        Parameters
        ----------
        chosen : (n,) bool
            Stretches that count [-].
        bend_deg : float
            A chain ends at a corner that is bent by more [deg].

        Yields
        ------
        (m,) int
            Stretches of one chain [-].
        """
        a, b = self.links.T
        kept = chosen[a] & chosen[b] & (self.bend_deg <= bend_deg)
        graph = coo_array((np.ones(kept.sum()), (a[kept], b[kept])), shape=(len(self), len(self)))
        label = connected_components(graph, directed=False)[1]
        found = np.flatnonzero(chosen)
        order = found[np.argsort(label[found], kind="stable")]
        groups = np.split(order, np.flatnonzero(np.diff(label[order])) + 1) if len(order) else []
        yield from sorted(groups, key=lambda group: -float(self.length_mm[group].sum()))

    def middle_of(self, chain: Ints) -> Floats:
        """Place on a chain that is nearest to its centre, (3,) [mm]; the largest x, y, z of several."""
        weight = np.maximum(self.length_mm[chain], 1e-9)
        centre = np.average(self.middle[chain], axis=0, weights=weight)
        start, along = self.start[chain], self.end[chain] - self.start[chain]
        t = np.einsum("ij,ij->i", centre - start, along) / np.maximum(np.einsum("ij,ij->i", along, along), 1e-18)
        near = start + np.clip(t, 0.0, 1.0)[:, None] * along
        off = np.round(np.linalg.norm(near - centre, axis=1), 2)
        rank = np.lexsort((*-np.round(near, 2).T[::-1], off))
        found: Floats = near[rank[0]]
        return found


@dataclass(frozen=True, eq=False)
class Tip:
    """A place whose surface within a small depth fits a small slot.

    Parameters
    ----------
    point : (3,) float
        Foremost point [mm].
    direction : (3,) float
        Unit direction in which it points [-].
    size_mm : (float, float)
        Sides of the slot that holds it at that depth, the smaller first [mm].
    faces : (n,) int
        Facets around [-].
    """

    point: Floats
    direction: Floats
    size_mm: tuple[float, float]
    faces: Ints


def edges(vertices: Floats, faces: Ints, turn_deg: float, within_mm: float, blunt_mm: float) -> Edges:
    """Find the convex edges of a mesh.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    turn_deg : float
        An edge is where the surface turns by at least this much [deg].
    within_mm : float
        Largest radius that is still an edge [mm].
    blunt_mm : float
        Surface that turns within this length is one edge: the cut tip of a wedge [mm].

    Returns
    -------
    Edges

    Notes
    -----
    A fillet of radius R in facets with their corners on the arc is read as R; a chamfer of leg c
    across a square edge as the fillet of radius c that it cuts short.  Rods, whose surface goes
    on turning, are none.  Concave edges are none.
    """
    mesh = _Mesh(vertices, faces)
    joint, angle_deg = mesh.convex_joints(within_mm)
    owner, start, end = _stretches(mesh, joint)
    walked = [
        _turned(mesh, joint[owner[part]], start[part], end[part], angle_deg[owner[part]], turn_deg, within_mm, blunt_mm)
        for part in (slice(k, k + _CHUNK) for k in range(0, len(owner), _CHUNK))
    ]
    radius, turn, share, beside = (
        np.concatenate([each[k] for each in walked]) if walked else np.empty((0, 2) if k == 3 else 0, dtype=dtype)
        for k, dtype in enumerate((float, float, float, np.int64))
    )
    kept = np.flatnonzero(radius <= within_mm)
    half = joint[owner[kept]]
    sides = np.column_stack([half // 3, mesh.twin[half] // 3])
    normals = mesh.normal[sides]
    outward = normals.sum(axis=1)
    outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-12)[:, None]
    links, bend = _links(mesh, half, start[kept], end[kept], beside[kept])
    return Edges(
        start[kept],
        end[kept],
        180.0 - turn[kept],
        radius[kept],
        share[kept],
        outward,
        normals,
        sides,
        links,
        bend,
        mesh.open_mm,
        float(mesh.length.sum()) / 2,
    )


def tips(vertices: Floats, faces: Ints, slot_mm: tuple[float, float], depth_mm: float) -> list[Tip]:
    """Find the places that go into a slot as deep as a given depth.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    slot_mm : (float, float)
        Sides of the slot, the smaller first [mm].
    depth_mm : float
        Depth below the foremost point [mm].

    Returns
    -------
    list of Tip
        The finest first; one for tips nearer to one another than the slot is wide.

    Notes
    -----
    A tip is looked at along the mean normal of its corner, of two corners with a short side between
    them, and of all corners that the slot might hold together, each weighted by how far it is from
    flat; the direction in which it is finest counts.
    """
    return _Tips(_Mesh(vertices, faces), slot_mm, depth_mm).found()


def touched(points: Floats, outward: Floats, rays: RayTree, ball_mm: float) -> Floats:
    """Share of directions in which a ball that touches a convex place sees the open, zero where it does not fit.

    Parameters
    ----------
    points : (n, 3) float
        Places on the surface [mm].
    outward : (n, 3) float
        Unit directions from them to the middle of the ball [-].
    rays : RayTree
        Of the mesh.
    ball_mm : float
        Diameter of the ball [mm].

    Returns
    -------
    (n,) float
        [-]

    Notes
    -----
    Sight is along 64 straight lines from the middle of the ball: a bent way in is not seen, and
    matter finer than about a quarter of the ball may slip between them.
    """
    k = np.arange(_DIRECTIONS) + 0.5
    polar, turn = np.arccos(1 - 2 * k / _DIRECTIONS), np.pi * (1 + 5**0.5) * k
    ball = np.column_stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)])
    middle = points + ball_mm / 2 * outward
    reach, _ = rays.first_hit(np.repeat(middle, _DIRECTIONS, axis=0), np.tile(ball, (len(points), 1)))
    reach = reach.reshape(-1, _DIRECTIONS)
    share: Floats = np.isinf(reach).mean(axis=1) * (reach.min(axis=1, initial=np.inf) >= 0.49 * ball_mm)
    return share


class _Mesh:
    """Facets with their neighbours; side k of facet f is ``3 f + k``, from its corner k to the next."""

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        self.vertices = vertices
        self.faces = faces
        self.tail = faces.ravel()
        self.head = np.roll(faces, -1, axis=1).ravel()
        corner = vertices[faces]
        cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        self.area = np.linalg.norm(cross, axis=1) / 2
        self.normal = cross / np.maximum(2 * self.area, 1e-300)[:, None]
        self.length = np.linalg.norm(vertices[self.head] - vertices[self.tail], axis=1)
        self.twin = self._twins()
        self.open_mm = float(self.length[self.twin < 0].sum())

    def _twins(self) -> Ints:
        """The side of the neighbour, -1 where there is none or more than one."""
        low, high = np.minimum(self.tail, self.head), np.maximum(self.tail, self.head)
        key = low * (int(self.faces.max(initial=0)) + 1) + high
        order = np.argsort(key, kind="stable")
        starts = np.flatnonzero(np.diff(key[order], prepend=-1))
        pairs = starts[np.diff(starts, append=len(key)) == 2]
        one, two = order[pairs], order[pairs + 1]
        opposed = self.tail[one] == self.head[two]
        one, two = one[opposed], two[opposed]
        twin = np.full(len(key), -1, dtype=np.int64)
        twin[one], twin[two] = two, one
        return twin

    def convex_joints(self, within_mm: float) -> tuple[Ints, Floats]:
        """Sides at which the surface turns outward fast enough to be part of an edge, one a pair, and by how much."""
        half = np.flatnonzero(self.twin > np.arange(len(self.twin)))
        one, two = half // 3, self.twin[half] // 3
        along = (self.vertices[self.head[half]] - self.vertices[self.tail[half]]) / np.maximum(
            self.length[half], 1e-300
        )[:, None]
        sine = np.einsum("ij,ij->i", np.cross(self.normal[one], self.normal[two]), along)
        angle = np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", self.normal[one], self.normal[two])))
        height = 2 * np.minimum(self.area[one], self.area[two]) / np.maximum(self.length[half], 1e-300)
        fast = np.radians(angle) * 2 * within_mm > height
        solid = (self.area[one] > 0) & (self.area[two] > 0)
        kept = solid & (angle > _LEAST_JOINT_DEG) & (fast | (angle > 45))
        return half[kept], angle[kept]


def _stretches(mesh: _Mesh, joint: Ints) -> tuple[Ints, Floats, Floats]:
    """Each joint cut into stretches: index of the joint, start and end."""
    length = mesh.length[joint]
    count = np.clip(np.ceil(length / _EVERY_MM), 1, _MOST_STRETCHES).astype(np.int64)
    owner = np.repeat(np.arange(len(joint)), count)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    tail, head = mesh.vertices[mesh.tail[joint]][owner], mesh.vertices[mesh.head[joint]][owner]
    share = count[owner][:, None]
    start = tail + (head - tail) * (number[:, None] / share)
    return owner, start, tail + (head - tail) * ((number[:, None] + 1) / share)


def _turned(
    mesh: _Mesh,
    half: Ints,
    start: Floats,
    end: Floats,
    angle_deg: Floats,
    turn_deg: float,
    within_mm: float,
    blunt_mm: float,
) -> tuple[Floats, Floats, Floats, Ints]:
    """Radius, turn and share of each stretch, and the sides next to it in its rounding."""
    n = len(half)
    least = turn_deg - _TURN_SLACK_DEG
    radius, turn = np.full(n, np.inf), angle_deg.copy()
    share, beside = np.ones(n), np.full((n, 2), -1, dtype=np.int64)
    point = start + 0.4873 * (end - start)
    along = (end - start) / np.maximum(np.linalg.norm(end - start, axis=1), 1e-300)[:, None]
    # A quarter turn on the largest radius takes pi / 2 of it; a little more shows whether it goes on.
    reach_mm = 1.8 * within_mm
    ahead = _walk(mesh, half, point, along, reach_mm)
    behind = _walk(mesh, mesh.twin[half], point, -along, reach_mm)
    enough = angle_deg + np.maximum(ahead.turn, 0).sum(1) + np.maximum(behind.turn, 0).sum(1) >= least
    index = np.flatnonzero(enough)
    if not len(index):
        return radius, turn, share, beside
    seen = _Profile.joined(behind, ahead, point, angle_deg, index)
    found, best, wide, run = seen.windows(least, blunt_mm)
    rod = (found > 0) & (run >= _ROD_DEG)
    good = np.isfinite(found) & ~rod
    index, found, best, wide = index[good], found[good], best[good], wide[good]
    radius[index], turn[index] = found, np.minimum(wide, 180.0)
    share[index] = angle_deg[index] / np.maximum(wide, angle_deg[index])
    for k, walk in enumerate((behind, ahead)):
        inside = best[:, k] > 0
        beside[index[inside], k] = walk.side[index[inside], 0]
    return radius, turn, share, beside


@dataclass(frozen=True, eq=False)
class _Walk:
    """Joints that a path over the surface crosses: turn [deg], place and way to it [mm], and the side crossed."""

    turn: Floats
    place: Floats
    way: Floats
    side: Ints
    count: Ints


def _walk(mesh: _Mesh, half: Ints, point: Floats, along: Floats, reach_mm: float) -> _Walk:
    """Follow the surface from a side into its facet and on, in the plane square to `along`."""
    n = len(half)
    turn, way = np.zeros((n, _MOST_JOINTS)), np.full((n, _MOST_JOINTS), np.inf)
    place, side = np.zeros((n, _MOST_JOINTS, 3)), np.full((n, _MOST_JOINTS), -1, dtype=np.int64)
    count = np.zeros(n, dtype=np.int64)
    live, enter, at, gone = np.arange(n), half.copy(), point.copy(), np.zeros(n)
    origin, axis = point, along
    ahead = np.cross(mesh.normal[half // 3], axis)
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1), 1e-300)[:, None]
    for _ in range(_MOST_STEPS):
        if not len(live):
            break
        base = enter // 3 * 3
        second, third = base + (enter + 1) % 3, base + (enter + 2) % 3
        far = mesh.vertices[mesh.tail[third]]
        far_side = np.einsum("ij,ij->i", far - origin, axis)
        # The side that is left: from the far corner's opposite neighbour, whichever lies across the plane.
        leave = np.where(far_side < 0, second, third)
        one, two = mesh.vertices[mesh.tail[leave]], mesh.vertices[mesh.head[leave]]
        s1, s2 = (np.einsum("ij,ij->i", each - origin, axis) for each in (one, two))
        t = np.clip(s1 / np.where(np.abs(s1 - s2) < 1e-15, 1.0, s1 - s2), 0.0, 1.0)
        out = one + t[:, None] * (two - one)
        gone = gone + np.linalg.norm(out - at, axis=1)
        across = mesh.twin[leave]
        going = (gone <= reach_mm) & (across >= 0)
        live, out, gone, across = live[going], out[going], gone[going], across[going]
        origin, axis, ahead = origin[going], axis[going], ahead[going]
        turned = np.cross(mesh.normal[across // 3], axis)
        size = np.linalg.norm(turned, axis=1)
        flat = size < 1e-9
        turned = np.where(flat[:, None], ahead, turned / np.maximum(size, 1e-300)[:, None])
        up = np.cross(axis, ahead)
        angle = np.degrees(np.arctan2(-np.einsum("ij,ij->i", turned, up), np.einsum("ij,ij->i", turned, ahead)))
        bent = np.abs(angle) > _FLAT_DEG
        rows, at_k = live[bent], count[live[bent]]
        turn[rows, at_k], way[rows, at_k], place[rows, at_k] = angle[bent], gone[bent], out[bent]
        side[rows, at_k] = across[bent]
        count[rows] += 1
        more = count[live] < _MOST_JOINTS
        live, enter, at, gone, ahead = live[more], across[more], out[more], gone[more], turned[more]
        origin, axis = origin[more], axis[more]
    return _Walk(turn, place, way, side, count)


@dataclass(frozen=True, eq=False)
class _Profile:
    """Joints along the surface on both sides of a joint in the middle, as far as they are convex."""

    turn: Floats
    place: Floats
    way: Floats
    count: Ints
    centre: int

    @classmethod
    def joined(cls, behind: _Walk, ahead: _Walk, point: Floats, angle_deg: Floats, index: Ints) -> "_Profile":
        most = [int(walk.count[index].max(initial=0)) for walk in (behind, ahead)]
        sides = [
            (
                walk.turn[index, :width][:, ::sign],
                walk.place[index, :width][:, ::sign],
                walk.way[index, :width][:, ::sign],
            )
            for walk, width, sign in zip((behind, ahead), most, (-1, 1), strict=True)
        ]
        count = [
            # What lies beyond the first hollow joint is another feature.
            np.minimum(walk.count[index], np.logical_and.accumulate(walk.turn[index, :width] >= 0, axis=1).sum(axis=1))
            for walk, width in zip((behind, ahead), most, strict=True)
        ]
        (turn_a, place_a, way_a), (turn_b, place_b, way_b) = sides
        return cls(
            np.concatenate([turn_a, angle_deg[index, None], turn_b], axis=1),
            np.concatenate([place_a, point[index, None], place_b], axis=1),
            np.concatenate([-way_a, np.zeros((len(index), 1)), way_b], axis=1),
            np.column_stack(count),
            most[0],
        )

    def windows(self, least_deg: float, blunt_mm: float) -> tuple[Floats, Ints, Floats, Floats]:
        """Smallest radius over which it turns far enough, how many joints each way that takes, all of its turn, run."""
        n, centre = len(self.turn), self.centre
        most = self.count.max(axis=0, initial=0)
        total = np.concatenate([np.zeros((n, 1)), np.cumsum(self.turn, axis=1)], axis=1)
        radius, best = np.full(n, np.inf), np.zeros((n, 2), dtype=np.int64)
        spans = []
        for i in range(int(most[0]) + 1):
            for j in range(int(most[1]) + 1):
                rows = np.flatnonzero((self.count[:, 0] >= i) & (self.count[:, 1] >= j))
                turn = total[rows, centre + j + 1] - total[rows, centre - i]
                edge = (turn >= least_deg) & (turn < _ROD_DEG)
                rows, turn = rows[edge], turn[edge]
                if not len(rows):
                    continue
                size = self._radius(rows, centre - i, centre + j, turn)
                length = self.way[rows, centre + j] - self.way[rows, centre - i]
                spans.append((rows, turn, size, length))
                better = size < radius[rows]
                radius[rows[better]], best[rows[better]] = size[better], (i, j)
        wide = np.zeros(n)
        for rows, turn, size, length in spans:
            same = (size <= _SAME_ROUNDING * radius[rows] + 1e-9) | (length <= blunt_mm)
            wide[rows[same]] = np.maximum(wide[rows[same]], turn[same])
        run = total[np.arange(n), centre + self.count[:, 1] + 1] - total[np.arange(n), centre - self.count[:, 0]]
        return radius, best, wide, run

    def _radius(self, rows: Ints, i: int, j: int, turn_deg: Floats) -> Floats:
        """Of the circle through the first, a middle and the last joint of a window."""
        if i == j:
            return np.zeros(len(rows))
        a, b, c = (self.place[rows, k] for k in (i, (i + j) // 2, j))
        whole = np.linalg.norm(c - a, axis=1)
        if j == i + 1:
            chord: Floats = whole / (2 * np.sin(np.radians(np.minimum(turn_deg, 180.0)) / 2))
            return chord
        doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        product = np.linalg.norm(b - a, axis=1) * np.linalg.norm(c - b, axis=1) * whole
        round_: Floats = product / np.maximum(2 * doubled, 1e-12)
        return round_


def _links(mesh: _Mesh, half: Ints, start: Floats, end: Floats, beside: Ints) -> tuple[Ints, Floats]:
    """Pairs of stretches that touch end to end or lie beside one another in a rounding, and their bends."""
    n = len(half)
    ends = np.round(np.vstack([start, end]) / 1e-4).astype(np.int64)
    _, spot = np.unique(ends, axis=0, return_inverse=True)
    spot = spot.ravel()
    owner = np.tile(np.arange(n), 2)
    order = np.argsort(spot, kind="stable")
    starts = np.flatnonzero(np.diff(spot[order], prepend=-1))
    count = np.diff(starts, append=len(order))
    away = np.vstack([end - start, start - end])
    away /= np.maximum(np.linalg.norm(away, axis=1), 1e-300)[:, None]
    pairs = [np.empty((0, 2), dtype=np.int64)]
    for size in np.unique(count[count > 1]):
        members = order[starts[count == size][:, None] + np.arange(size)]
        one, two = np.triu_indices(size, 1)
        pairs.append(np.column_stack([members[:, one].ravel(), members[:, two].ravel()]))
    met = np.vstack(pairs)
    cosine = -np.einsum("ij,ij->i", away[met[:, 0]], away[met[:, 1]])
    bend = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    # Beside one another: the stretch of the neighbouring joint that lies nearest.
    name = np.minimum(half, mesh.twin[half])
    by_name = np.argsort(name, kind="stable")
    other = np.where(beside >= 0, np.minimum(beside, mesh.twin[beside]), -1)
    middle = (start + end) / 2
    alongside = []
    for k in range(2):
        rows = np.flatnonzero(other[:, k] >= 0)
        first, last = (np.searchsorted(name[by_name], other[rows, k], side=side) for side in ("left", "right"))
        rows, first, last = rows[last > first], first[last > first], last[last > first]
        if len(rows):
            lead = by_name[first]
            along = end[by_name[last - 1]] - start[lead]
            share = np.einsum("ij,ij->i", middle[rows] - start[lead], along) / np.maximum(
                np.einsum("ij,ij->i", along, along), 1e-300
            )
            step = np.clip((share * (last - first)).astype(np.int64), 0, last - first - 1)
            alongside.append(np.column_stack([rows, by_name[first + step]]))
    joined = np.vstack([np.empty((0, 2), dtype=np.int64), *alongside])
    return np.vstack([owner[met], joined]), np.concatenate([bend, np.zeros(len(joined))])


class _Tips:
    """Search for the places that fit a slot."""

    def __init__(self, mesh: _Mesh, slot_mm: tuple[float, float], depth_mm: float) -> None:
        self.mesh = mesh
        self.slot = (min(slot_mm), max(slot_mm))
        self.depth = depth_mm
        self.across = float(np.hypot(*slot_mm))
        self.defect, self.mean = self._corners()

    def found(self) -> list[Tip]:
        seeds, corners = self._seeds()
        if not len(seeds):
            return []
        points = self.mesh.vertices
        which, direction = self._looks(seeds, cKDTree(points[corners]), corners)
        if not len(which):
            return []
        u, v = _square_to(direction)
        near = cKDTree(points[which])
        hidden = np.zeros(len(which), dtype=bool)
        chosen = []
        for k in range(len(which)):
            if not hidden[k] and (tip := self._tip(int(which[k]), np.stack([u[k], v[k], direction[k]]))) is not None:
                chosen.append(tip)
                hidden[near.query_ball_point(tip.point, self.across)] = True
        return sorted(chosen, key=lambda tip: (round(tip.size_mm[0] * tip.size_mm[1], 6), *np.round(tip.point, 6)))

    def _corners(self) -> tuple[Floats, Floats]:
        """How far each corner point is from flat [rad], and its mean normal."""
        mesh = self.mesh
        points = mesh.vertices[mesh.faces]
        to_next, to_last = np.roll(points, -1, axis=1) - points, np.roll(points, 1, axis=1) - points
        sine = np.linalg.norm(np.cross(to_next, to_last), axis=2)
        angle = np.arctan2(sine, np.einsum("fij,fij->fi", to_next, to_last))
        n = len(mesh.vertices)
        defect: Floats = 2 * np.pi - np.bincount(mesh.tail, angle.ravel(), n).astype(float)
        weighted = (angle[:, :, None] * mesh.normal[:, None]).reshape(-1, 3)
        mean = _unit(_summed(mesh.tail, weighted, n))
        edge = mesh.twin < 0
        defect[mesh.tail[edge]] = defect[mesh.head[edge]] = 0.0
        defect[np.bincount(mesh.tail, minlength=n) == 0] = 0.0
        return defect, mean

    def _seeds(self) -> tuple[Ints, Ints]:
        """Corner points around which the surface turns far enough, and all bent ones."""
        bent = np.flatnonzero(self.defect > _BENT_RAD)
        if not len(bent):
            return bent, bent
        cell = np.floor(self.mesh.vertices[bent] / self.across).astype(np.int64)
        cell -= cell.min(axis=0) - 1
        size = cell.max(axis=0) + 2
        key = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
        cells, of_point = np.unique(key, return_inverse=True)
        total = np.bincount(of_point.ravel(), self.defect[bent])
        around = np.zeros(len(cells))
        for step in np.stack(np.meshgrid(*[(-1, 0, 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3):
            there = cells + (step[0] * size[1] + step[1]) * size[2] + step[2]
            at = np.clip(np.searchsorted(cells, there), 0, len(cells) - 1)
            around += np.where(cells[at] == there, total[at], 0.0)
        likely = around[of_point.ravel()] >= np.radians(_LEAST_TIP_DEG)
        return bent[likely], bent

    def _looks(self, seeds: Ints, tree: cKDTree, corners: Ints) -> tuple[Ints, Floats]:
        """Corner points that might be tips and the direction, finest first as far as their own sides tell."""
        looks = [self._alone(seeds), self._paired(), self._gathered(seeds, tree, corners)]
        which, direction = (np.concatenate([look[k] for look in looks]) for k in range(2))
        if not len(which):
            return which, direction
        full = self._fullness(which, direction)
        # Within 2.5 degrees of the best turn a side is less than 5 % longer than it has to be.
        order = np.lexsort((which, np.round(full, 6)))
        order = order[full[order] <= 1.1]
        return which[order], direction[order]

    def _alone(self, seeds: Ints) -> tuple[Ints, Floats]:
        """Corners that are sharp enough by themselves, along their mean normals."""
        own = seeds[self.defect[seeds] >= np.radians(_LEAST_TIP_DEG)]
        return own, self.mean[own]

    def _paired(self) -> tuple[Ints, Floats]:
        """Two sharp corners with a short side between, such as the corner of a sheet."""
        mesh, half = self.mesh, np.radians(_LEAST_TIP_DEG / 2)
        one, two = mesh.tail, mesh.head
        short = (one < two) & (mesh.length <= self.across) & (self.defect[one] >= half) & (self.defect[two] >= half)
        one, two = one[short], two[short]
        weight = [self.defect[each][:, None] * self.mean[each] for each in (one, two)]
        direction = _unit(weight[0] + weight[1])
        ahead = np.einsum("ij,ij->i", mesh.vertices[two] - mesh.vertices[one], direction) > 1e-6
        return np.where(ahead, two, one), direction

    def _gathered(self, seeds: Ints, tree: cKDTree, corners: Ints) -> tuple[Ints, Floats]:
        """The foremost of all corners that a slot might hold together, along their mean normal."""
        points = self.mesh.vertices
        # Of corners that lie close together one looks around for all.
        cell = np.floor(points / (_CLOSE_SHARE * self.across)).astype(np.int64)
        _, lead, group = np.unique(cell[seeds], axis=0, return_index=True, return_inverse=True)
        place = np.full(len(points), -1, dtype=np.int64)
        place[seeds] = group.ravel()
        seeds = seeds[lead]
        near = tree.query_ball_point(points[seeds], self.across)
        count = np.array([len(each) for each in near])
        owner = np.repeat(np.arange(len(seeds)), count)
        member = corners[np.concatenate([np.asarray(each, dtype=np.int64) for each in near])]
        weight = self.defect[member][:, None] * self.mean[member]
        direction = _unit(_summed(owner, weight, len(seeds)))
        height = np.einsum("ij,ij->i", points[member], direction[owner])
        rank = np.lexsort((member, -np.round(height, 6), owner))
        front = member[rank[np.cumsum(count) - count]]
        enough = np.bincount(owner, self.defect[member], len(seeds)) >= np.radians(_LEAST_TIP_DEG)
        # From any corner of a rounded tip the foremost one is reached in a few steps.
        step = np.where(place[front] >= 0, place[front], np.arange(len(seeds)))
        last = step[step[step[step]]]
        kept = np.unique(last[enough & (count > 1)])
        return front[kept], direction[kept]

    @cached_property
    def _spokes(self) -> tuple[Ints, Ints, Ints]:
        """Corner points joined to each corner point: where each list starts and how long it is, and the lists."""
        order = np.argsort(self.mesh.tail, kind="stable")
        count = np.bincount(self.mesh.tail, minlength=len(self.mesh.vertices))
        return np.cumsum(count) - count, count, order

    def _fullness(self, seeds: Ints, direction: Floats) -> Floats:
        """How full the sides that leave a corner make the slot, down to the depth; infinite where one goes ahead."""
        first, count, order = self._spokes
        number = count[seeds]
        starts = np.cumsum(number) - number
        owner = np.repeat(np.arange(len(seeds)), number)
        spoke = order[np.repeat(first[seeds] - starts, number) + np.arange(len(owner))]
        points = self.mesh.vertices
        way = points[self.mesh.head[spoke]] - points[self.mesh.tail[spoke]]
        drop = -np.einsum("ij,ij->i", way, direction[owner])
        share = np.where(drop > self.depth, self.depth / np.maximum(drop, 1e-300), 1.0)
        u, v = _square_to(direction)
        flat = share[:, None] * np.column_stack(
            [np.einsum("ij,ij->i", way, u[owner]), np.einsum("ij,ij->i", way, v[owner])]
        )
        turns = np.radians(np.arange(0, 180, 5))
        seen = flat @ np.vstack([np.cos(turns), np.sin(turns)])
        seen = np.maximum(np.maximum.reduceat(seen, starts), 0) - np.minimum(np.minimum.reduceat(seen, starts), 0)
        full = np.maximum(seen / self.slot[0], np.roll(seen, 18, axis=1) / self.slot[1]).min(axis=1)
        return np.where(np.minimum.reduceat(drop, starts) >= -_AHEAD_MM, full, np.inf)

    def _tip(self, seed: int, frame: Floats) -> Tip | None:
        """The tip at a corner, seen along the last direction of a frame, if it fits the slot."""
        cap = self._cap(seed, frame)
        if cap is None:
            return None
        points, faces = cap
        full, sides = _slot_of(points, self.slot)
        return Tip(self.mesh.vertices[seed], frame[2], sides, faces) if full <= 1.0 + 1e-9 else None

    def _cap(self, seed: int, frame: Floats) -> tuple[Floats, Ints] | None:
        """Outline of the surface within the depth, seen along a frame, and its facets; nothing where it is no tip.

        That is where it is too wide for the slot, or where something of it lies farther ahead.
        """
        mesh, (first, count, order) = self.mesh, self._spokes
        origin = mesh.vertices[seed]
        seen, queue, points = {seed}, [seed], []
        faces: set[int] = set()
        while queue:
            corner = queue.pop()
            here = frame @ (mesh.vertices[corner] - origin)
            points.append(here[:2])
            if here[2] > _AHEAD_MM or float(np.hypot(here[0], here[1])) > self.across:
                return None
            sides = order[first[corner] : first[corner] + count[corner]]
            ahead = mesh.head[sides]
            there = (mesh.vertices[ahead] - origin) @ frame.T
            faces.update((sides // 3).tolist())
            for k, other in enumerate(ahead.tolist()):
                if there[k, 2] >= -self.depth:
                    if other not in seen:
                        seen.add(other)
                        queue.append(other)
                else:
                    share = (here[2] + self.depth) / (here[2] - there[k, 2])
                    points.append(here[:2] + share * (there[k, :2] - here[:2]))
        return np.array(points), np.array(sorted(faces), dtype=np.int64)


def _slot_of(points: Floats, slot: tuple[float, float]) -> tuple[float, tuple[float, float]]:
    """The turned rectangle that holds points of a plane and is smallest against a slot: how full, and its sides."""
    turns = np.radians(np.arange(_ROTATIONS) * 180 / _ROTATIONS)
    seen = np.ptp(points @ np.vstack([np.cos(turns), np.sin(turns)]), axis=0)
    across = np.roll(seen, _ROTATIONS // 2)
    full = np.maximum(seen / slot[0], across / slot[1])
    best = int(full.argmin())
    return float(full[best]), (float(seen[best]), float(across[best]))


def _summed(owner: Ints, vectors: Floats, count: int) -> Floats:
    """Sum of the vectors of each owner (count, 3)."""
    return np.stack([np.bincount(owner, vectors[:, k], count).astype(float) for k in range(3)], axis=1)


def _unit(vectors: Floats) -> Floats:
    """The same directions with length 1."""
    unit: Floats = vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)[:, None]
    return unit


def _square_to(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit directions square to each direction and to one another."""
    helper = np.eye(3)[np.argmin(np.abs(direction), axis=1)]
    u = np.cross(direction, helper)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-300)[:, None]
    return u, np.cross(direction, u)
