"""Round holes and shafts, and flat sides that face or turn their backs to one another.

Both are read from the facets themselves, so that a part may lie as it likes.  Facets are
joined to flats.  Neighbouring flats that meet in parallel edges form a strip; where each
edge of the strip lies on one circle with the two beside it, the strip is part of a round
hole or shaft.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from reviewkit.model import Floats, Vector

Ints = NDArray[np.int64]

# Facets within this angle are one flat; flats that meet at more are no strip around a circle
# (an octagon's meet at 45, a hexagon's at 60).
_FLAT_DEG, _TURN_DEG = 0.2, 50.0
_PARALLEL_DEG = 1.0
# How far the circles of neighbouring edges may differ, as share of the radius and beyond it.
_ROUND_SHARE, _ROUND_MM = 0.02, 0.005
# Files in 32 bit round each coordinate by up to this share of the largest.
_ROUNDING = 1.2e-7
# Three edges always lie on a circle: one of so few flats is chance, or a shape that was meant.
_LEAST_FLATS = 8
# Shorter arcs are fillets; what is left of a circle that keyways cut is more than half.
_LEAST_ARC_DEG, _LEAST_PIECE_DEG = 200.0, 20.0
# Flats that are compared as opposite sides, largest first.
_MOST_SIDES = 400


@dataclass(frozen=True, eq=False)
class Round:
    """A round hole or shaft.

    Parameters
    ----------
    hollow : bool
        A hole rather than a shaft.
    axis : Vector
        Unit direction, upwards where it has one [-].
    low_mm, high_mm : Vector
        Ends on the axis, the lower first [mm].
    diameter_mm : float
        Of the circle through the corners of the flats [mm].
    flats : int
        As many as go around a full turn [-].
    arc_deg : float
        How much of the turn is there [deg].
    spread_mm : float
        Largest distance of a corner from the circle [mm].
    faces : (n,) int
        Facets [-].
    """

    hollow: bool
    axis: Vector
    low_mm: Vector
    high_mm: Vector
    diameter_mm: float
    flats: int
    arc_deg: float
    spread_mm: float
    faces: Ints

    @property
    def length_mm(self) -> float:
        """Length along the axis [mm]."""
        return float(np.linalg.norm(np.subtract(self.high_mm, self.low_mm)))

    @property
    def middle_mm(self) -> Floats:
        """Middle of the axis, (3,) [mm]."""
        middle: Floats = np.add(self.low_mm, self.high_mm) / 2
        return middle

    @property
    def across_flats_mm(self) -> float:
        """Diameter of the circle that the flats touch [mm]."""
        return self.diameter_mm * facet_share(self.flats)


@dataclass(frozen=True, eq=False)
class Span:
    """Two parallel flats that lie across from one another.

    Parameters
    ----------
    hollow : bool
        They face one another, as the sides of a slot do, rather than turn their backs.
    direction : Vector
        Unit normal, upwards where it has one [-].
    size_mm : float
        Distance [mm].
    overlap_mm2 : float
        Area of the rectangle in which their boxes overlap, seen along the normal [mm2].
    middle_mm : Vector
        Middle of what lies between them there [mm].
    sides : tuple of int
        The two flats [-].
    """

    hollow: bool
    direction: Vector
    size_mm: float
    overlap_mm2: float
    middle_mm: Vector
    sides: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Flats:
    """Facets joined to flats.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    of_face : (m,) int
        Flat of each facet [-].
    normal : (k, 3) float
        Mean normal of each flat by area [-].
    area_mm2 : (k,) float
        Area of each flat [mm2].
    """

    vertices: Floats
    faces: Ints
    of_face: Ints
    normal: Floats
    area_mm2: Floats

    @cached_property
    def _by_flat(self) -> tuple[Ints, Ints]:
        """Facets flat by flat, and where each flat starts."""
        return np.argsort(self.of_face, kind="stable"), np.cumsum([0, *np.bincount(self.of_face)])

    def members(self, *flats: int) -> Ints:
        """Facets of these flats (n,) [-]."""
        facets, starts = self._by_flat
        return np.sort(np.concatenate([facets[starts[flat] : starts[flat + 1]] for flat in flats]))

    def corners(self, *flats: int) -> Floats:
        """Corner points of these flats (n, 3) [mm]."""
        return self.vertices[np.unique(self.faces[self.members(*flats)])]


def facet_share(flats: int) -> float:
    """Distance across the flats over that across the corners of a regular polygon [-].

    Parameters
    ----------
    flats : int
        Number of sides [-].

    Notes
    -----
    ``cos(pi / flats)``: a hole drawn with its corners on the circle is smaller by that.
    """
    return float(np.cos(np.pi / flats))


def flats(vertices: Floats, faces: Ints) -> Flats:
    """Join facets that lie in one plane.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].

    Returns
    -------
    Flats
    """
    corner = vertices[faces]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    normal = cross / np.maximum(2 * area, 1e-300)[:, None]
    a, b, _ = _meetings(faces)
    joined = _angle_deg(normal[a], normal[b]) < _FLAT_DEG
    graph = coo_array((np.ones(joined.sum()), (a[joined], b[joined])), shape=(len(faces), len(faces)))
    count, of_face = connected_components(graph, directed=False)
    total = np.stack([np.bincount(of_face, cross[:, k], count) for k in range(3)], axis=1)
    mean = total / np.maximum(np.linalg.norm(total, axis=1), 1e-300)[:, None]
    return Flats(vertices, faces, of_face.astype(np.int64), mean, np.bincount(of_face, area, count).astype(float))


def rounds(flats: Flats) -> tuple[Round, ...]:
    """Every round hole and shaft, larger part of the turn than 200 degrees.

    Parameters
    ----------
    flats : Flats
        Of the mesh.

    Returns
    -------
    tuple of Round
        By place.

    Notes
    -----
    A hole that keyways or slots cut into arcs is one hole.  Wedges of a ring that is itself
    bent (a torus) are none.
    """
    strip = _strip(flats)
    arcs = [arc for members in strip.groups() if (arc := _arc(flats, strip, members)) is not None]
    merged = _merged(arcs)
    found = [_round(flats, group) for group in _unbent(flats, merged) if _turn_deg(group) >= _LEAST_ARC_DEG]
    return tuple(sorted(found, key=lambda each: tuple(np.round(each.middle_mm, 3).tolist())))


def spans(flats: Flats, skip: Ints, least_mm2: float, near_mm: float, within_mm: float) -> tuple[Span, ...]:
    """Pairs of parallel flats across from one another, at about a given distance.

    Parameters
    ----------
    flats : Flats
        Of the mesh.
    skip : (n,) int
        Facets that are left out, such as those of rounds [-].
    least_mm2 : float
        Smallest flat and smallest overlap of two that count [mm2].
    near_mm, within_mm : float
        Distance that is looked for, and how far from it a pair may be [mm].

    Returns
    -------
    tuple of Span
        Largest overlap first; of the 400 largest flats.
    """
    area = flats.area_mm2.copy()
    area[flats.of_face[skip]] = 0.0
    sides = np.flatnonzero(area >= least_mm2)
    sides = sides[np.argsort(-area[sides], kind="stable")][:_MOST_SIDES]
    if not len(sides):
        return ()
    normal = flats.normal[sides]
    corners = [flats.corners(int(side)) for side in sides]
    height = np.array([float((points @ n).mean()) for points, n in zip(corners, normal, strict=True)])
    size = height[:, None] + height[None, :]
    opposite = normal @ normal.T < -np.cos(np.radians(_PARALLEL_DEG))
    wanted = opposite & (np.abs(np.abs(size) - near_mm) <= within_mm) & (np.abs(size) > 1e-6)
    found = []
    for i, j in zip(*np.nonzero(np.triu(wanted, 1)), strict=True):
        size_mm = float(size[i, j])
        across = _across(normal[i])
        low = np.maximum((corners[i] @ across.T).min(axis=0), (corners[j] @ across.T).min(axis=0))
        high = np.minimum((corners[i] @ across.T).max(axis=0), (corners[j] @ across.T).max(axis=0))
        if (high <= low).any() or (overlap := float(np.prod(high - low))) < least_mm2:
            continue
        middle = (low + high) / 2 @ across + (height[i] - size_mm / 2) * normal[i]
        pair = (int(sides[i]), int(sides[j]))
        found.append(Span(size_mm < 0, _upward(normal[i]), abs(size_mm), overlap, _vector(middle), pair))
    return tuple(sorted(found, key=lambda span: -span.overlap_mm2))


@dataclass(frozen=True, eq=False)
class _Strip:
    """Edges in which two flats meet, each with the parallel edges on the far sides of its two flats.

    Parameters
    ----------
    flat : (r, 2) int
        The two flats of each edge [-].
    point, direction : (r, 3) float
        A point of it and its unit direction [mm, -].
    hollow : (r,) bool
        The flats meet at a hollow angle.
    chord_mm : (r, 2) float
        Distance to the next edge over either flat [mm].
    far : (r, 2) int
        That edge, -1 where there is none [-].
    circle : (r,) int
        Edges of one number lie on one circle; -1 on none [-].
    """

    flat: Ints
    point: Floats
    direction: Floats
    hollow: NDArray[np.bool_]
    chord_mm: Floats
    far: Ints
    circle: Ints

    def groups(self) -> Iterator[Ints]:
        """Edges of each circle, of at least two."""
        several = np.bincount(self.circle[self.circle >= 0], minlength=1) >= 2
        found = np.flatnonzero((self.circle >= 0) & several[self.circle])
        order = found[np.argsort(self.circle[found], kind="stable")]
        yield from np.split(order, np.flatnonzero(np.diff(self.circle[order])) + 1) if len(order) else ()


@dataclass(frozen=True, eq=False)
class _Arc:
    """A stretch of a circle: which flats it has and what of a turn they cover."""

    hollow: bool
    axis: Floats
    centre: Floats
    radius_mm: float
    reach_mm: tuple[float, float]
    spread_mm: float
    flats: Ints
    turn_deg: float


def _strip(flats: Flats) -> _Strip:
    flat, point, direction, hollow = _joints(flats)
    far, chord = _far_edges(flats, flat, point, direction)
    complete = np.all(far >= 0, axis=1)
    centre, radius, slack = _circles(point, direction, far, complete, 4 * _ROUNDING * np.abs(flats.vertices).max())
    near = np.repeat(np.arange(len(far)), 2)
    other = far.ravel()
    paired = (other >= 0) & complete[near] & complete[other] & (hollow[near] == hollow[other])
    near, other = near[paired], other[paired]
    apart = centre[near] - centre[other]
    apart -= np.einsum("ij,ij->i", apart, direction[near])[:, None] * direction[near]
    allowed = _ROUND_MM + _ROUND_SHARE * radius[near] + slack[near] + slack[other]
    alike = (np.linalg.norm(apart, axis=1) <= allowed) & (np.abs(radius[near] - radius[other]) <= allowed)
    graph = coo_array((np.ones(alike.sum()), (near[alike], other[alike])), shape=(len(far), len(far)))
    circle = connected_components(graph, directed=False)[1].astype(np.int64) if len(far) else np.empty(0, np.int64)
    circle[~complete] = -1
    return _Strip(flat, point, direction, hollow, chord, far, circle)


def _joints(flats: Flats) -> tuple[Ints, Floats, Floats, NDArray[np.bool_]]:
    """Lines in which two flats meet at a small angle, one a pair of flats."""
    a, b, ends = _meetings(flats.faces)
    fa, fb = flats.of_face[a], flats.of_face[b]
    bend = _angle_deg(flats.normal[fa], flats.normal[fb])
    kept = (fa != fb) & (bend > _FLAT_DEG) & (bend < _TURN_DEG)
    a, b, fa, fb, ends = a[kept], b[kept], fa[kept], fb[kept], ends[kept]
    start, stop = flats.vertices[ends[:, 0]], flats.vertices[ends[:, 1]]
    middle = flats.vertices[flats.faces].mean(axis=1)
    hollow = np.einsum("ij,ij->i", middle[b] - middle[a], flats.normal[fa]) > 0
    length = np.linalg.norm(stop - start, axis=1)
    pair = np.column_stack([np.minimum(fa, fb), np.maximum(fa, fb)])
    # The longest edge of each pair speaks for all of them.
    order = np.lexsort((-length, pair[:, 1], pair[:, 0]))
    pair, hollow = pair[order], hollow[order]
    new = np.ones(len(pair), dtype=bool)
    new[1:] = (np.diff(pair, axis=0) != 0).any(axis=1)
    first = order[new]
    direction = (stop[first] - start[first]) / np.maximum(length[first], 1e-300)[:, None]
    return pair[new], (start[first] + stop[first]) / 2, direction, hollow[new]


def _far_edges(flats: Flats, flat: Ints, point: Floats, direction: Floats) -> tuple[Ints, Floats]:
    """For each edge the nearest parallel one over each of its flats, and its distance."""
    edge, owner = np.repeat(np.arange(len(flat)), 2), flat.ravel()
    far = np.full(2 * len(flat), -1, dtype=np.int64)
    chord = np.full(2 * len(flat), np.inf)
    if not len(flat):
        return far.reshape(-1, 2), chord.reshape(-1, 2)
    block = _parallel(owner, direction[edge], flats.normal[owner])
    _, lead, block = np.unique(block, return_index=True, return_inverse=True)
    sideways = np.cross(flats.normal[owner], direction[edge[lead[block]]])
    place = np.einsum("ij,ij->i", point[edge], sideways)
    order = np.lexsort((place, block))
    one, two = order[:-1], order[1:]
    gap = place[two] - place[one]
    beside = (block[one] == block[two]) & (gap > 1e-6)
    for here, there in ((one, two), (two, one)):
        nearer = beside & (gap < chord[here])
        far[here[nearer]], chord[here[nearer]] = edge[there[nearer]], gap[nearer]
    return far.reshape(-1, 2), chord.reshape(-1, 2)


def _parallel(owner: Ints, direction: Floats, normal: Floats) -> Ints:
    """One number for the edges of one flat that are parallel (n,)."""
    u, v = _across_many(normal)
    angle_deg = np.degrees(np.arctan2(np.einsum("ij,ij->i", direction, v), np.einsum("ij,ij->i", direction, u))) % 180
    order = np.lexsort((angle_deg, owner))
    ranked, sorted_deg = owner[order], angle_deg[order]
    starts = np.diff(ranked, prepend=-1) != 0
    number = np.cumsum(starts | (np.diff(sorted_deg, prepend=0.0) > _PARALLEL_DEG))
    # Lines at 0 and at 180 degrees are parallel too.
    first = np.flatnonzero(starts)
    last = np.append(first[1:], len(order)) - 1
    round_again = sorted_deg[first] + 180 - sorted_deg[last] <= _PARALLEL_DEG
    same = np.arange(number[-1] + 1)
    same[number[last[round_again]]] = number[first[round_again]]
    block = np.empty(len(order), dtype=np.int64)
    block[order] = same[number]
    return block


def _circles(
    point: Floats, direction: Floats, far: Ints, complete: NDArray[np.bool_], noise_mm: float
) -> tuple[Floats, Floats, Floats]:
    """Centre, radius and uncertainty of the circle through each edge and the two beside it."""
    a, b = point[far[:, 0]] - point, point[far[:, 1]] - point
    for side in (a, b):
        side -= np.einsum("ij,ij->i", side, direction)[:, None] * direction
    cross = np.einsum("ij,ij->i", np.cross(a, b), direction)
    flat = ~complete | (np.abs(cross) < 1e-12)
    cross = np.where(flat, 1.0, cross)
    aa, bb = (np.einsum("ij,ij->i", side, side)[:, None] for side in (a, b))
    to_centre = np.cross(aa * b - bb * a, direction) / (2 * cross)[:, None]
    # The sign of the cross product cancels: the centre has the same distance from all three.
    to_centre = np.where(np.einsum("ij,ij->i", to_centre, a + b)[:, None] < 0, -to_centre, to_centre)
    radius = np.linalg.norm(to_centre, axis=1)
    sagitta = np.abs(cross) / np.maximum(np.linalg.norm(a - b, axis=1), 1e-12)
    slack = radius * noise_mm / np.maximum(sagitta, 1e-12)
    radius[flat], slack[flat] = np.inf, 0.0
    return np.where(flat[:, None], np.inf, point + to_centre), radius, slack


def _arc(flats: Flats, strip: _Strip, members: Ints) -> _Arc | None:
    """The circle through a group of edges and those beside them, if it is one."""
    edges = np.unique(np.concatenate([members, strip.far[members].ravel()]))
    lead = strip.direction[members[0]]
    directions = strip.direction[members]
    axis = (directions * np.sign(directions @ lead)[:, None]).sum(axis=0)
    axis = np.array(_upward(axis / np.linalg.norm(axis)))
    across = _across(axis)
    corner = strip.point[edges] @ across.T
    centre, radius = _fitted(corner)
    spread = float(np.abs(np.linalg.norm(corner - centre, axis=1) - radius).max())
    if not np.isfinite(radius) or spread > _ROUND_SHARE * radius + _ROUND_MM:
        return None
    touched, at = np.unique(strip.flat[members].ravel(), return_index=True)
    chord = strip.chord_mm[members].ravel()[at]
    turn_deg = float(np.degrees(2 * np.arcsin(np.minimum(chord / (2 * radius), 1.0))).sum())
    if turn_deg < _LEAST_PIECE_DEG or turn_deg > 360 / (_LEAST_FLATS - 0.5) * len(touched):
        return None
    along = flats.corners(*touched) @ axis
    return _Arc(
        bool(strip.hollow[members[0]]),
        axis,
        centre @ across,
        float(radius),
        (float(along.min()), float(along.max())),
        spread,
        touched,
        turn_deg,
    )


def _fitted(points: Floats) -> tuple[Floats, float]:
    """Circle through points of the plane by least squares: x2 + y2 is linear in centre and offset."""
    origin = points.mean(axis=0)
    flat = points - origin
    rows = np.column_stack([2 * flat, np.ones(len(flat))])
    (x, y, rest), *_ = np.linalg.lstsq(rows, (flat**2).sum(axis=1))
    return origin + np.array([x, y]), float(np.sqrt(max(rest + x * x + y * y, 0.0)))


def _merged(arcs: list[_Arc]) -> list[list[_Arc]]:
    """Arcs of one circle whose reaches along the axis overlap, together."""
    groups: list[list[_Arc]] = []
    for arc in sorted(arcs, key=lambda arc: -arc.turn_deg):
        for group in groups:
            if any(_same_circle(arc, other) for other in group):
                group.append(arc)
                break
        else:
            groups.append([arc])
    return groups


def _same_circle(one: _Arc, other: _Arc) -> bool:
    allowed = _ROUND_MM + _ROUND_SHARE * other.radius_mm
    if one.hollow is not other.hollow or abs(one.radius_mm - other.radius_mm) > allowed:
        return False
    if abs(float(one.axis @ other.axis)) < np.cos(np.radians(_PARALLEL_DEG)):
        return False
    apart = one.centre - other.centre
    if np.linalg.norm(apart - (apart @ one.axis) * one.axis) > allowed:
        return False
    return one.reach_mm[0] < other.reach_mm[1] and other.reach_mm[0] < one.reach_mm[1]


def _turn_deg(group: list[_Arc]) -> float:
    return sum(arc.turn_deg for arc in group)


def _unbent(flats: Flats, groups: list[list[_Arc]]) -> list[list[_Arc]]:
    """Rounds whose flats do not run on, nearly straight, into an equal round of another direction."""
    groups = [group for group in groups if _turn_deg(group) >= _LEAST_ARC_DEG]
    number = np.full(len(flats.area_mm2), -1, dtype=np.int64)
    for index, group in enumerate(groups):
        number[np.concatenate([arc.flats for arc in group])] = index
    a, b, _ = _meetings(flats.faces)
    a, b = number[flats.of_face[a]], number[flats.of_face[b]]
    touching = np.unique(np.column_stack([a, b])[(a >= 0) & (b >= 0) & (a != b)], axis=0)
    bent = set()
    for i, j in touching:
        one, other = groups[i][0], groups[j][0]
        cosine = abs(float(one.axis @ other.axis))
        alike = abs(one.radius_mm - other.radius_mm) <= 0.05 * one.radius_mm + _ROUND_MM
        if alike and np.cos(np.radians(_TURN_DEG)) < cosine < np.cos(np.radians(0.2)):
            bent |= {int(i), int(j)}
    return [group for index, group in enumerate(groups) if index not in bent]


def _round(flats: Flats, group: list[_Arc]) -> Round:
    arc = group[0]
    members = np.concatenate([each.flats for each in group])
    low = min(each.reach_mm[0] for each in group)
    high = max(each.reach_mm[1] for each in group)
    turn_deg = _turn_deg(group)
    return Round(
        hollow=arc.hollow,
        axis=_vector(arc.axis),
        low_mm=_vector(arc.centre + low * arc.axis),
        high_mm=_vector(arc.centre + high * arc.axis),
        diameter_mm=2 * arc.radius_mm,
        flats=max(3, round(360 * len(members) / turn_deg)),
        arc_deg=min(turn_deg, 360.0),
        spread_mm=max(each.spread_mm for each in group),
        faces=flats.members(*members),
    )


def _meetings(faces: Ints) -> tuple[Ints, Ints, Ints]:
    """Pairs of facets that share an edge which no third facet has, and its two corners."""
    tails, heads = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    low, high = np.minimum(tails, heads), np.maximum(tails, heads)
    key = low * (int(faces.max(initial=0)) + 1) + high
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    pairs = starts[np.diff(starts, append=len(key)) == 2]
    one, two = order[pairs], order[pairs + 1]
    return one // 3, two // 3, np.column_stack([low[one], high[one]])


def _angle_deg(a: Floats, b: Floats) -> Floats:
    """Angle between unit vectors, good for small ones too."""
    sine, cosine = np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b)
    angle: Floats = np.degrees(np.arctan2(sine, cosine))
    return angle


def _across(axis: Floats) -> Floats:
    """Two unit directions square to an axis and to one another, (2, 3)."""
    return np.vstack(_across_many(axis[None]))


def _across_many(axis: Floats) -> tuple[Floats, Floats]:
    helper = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    u = np.cross(axis, helper)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-300)[:, None]
    return u, np.cross(axis, u)


def _upward(direction: Floats) -> Vector:
    """A line's direction: upwards, or else along the first axis that it follows."""
    for k in (2, 1, 0):
        if abs(direction[k]) > 1e-6:
            return _vector(direction * np.sign(direction[k]))
    return _vector(direction)


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z
