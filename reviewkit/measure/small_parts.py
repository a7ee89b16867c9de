"""Whether a body fits a cylinder with a sloped floor in any orientation, and whether it is a small ball.

The inside of the cylinder is convex and gets no narrower upwards, so a body fits when its convex
hull fits, and what fits can also be put in.  The mouth of the cylinder is at z = 0, its axis is z,
and the floor is lowest on the side of positive x.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog, minimize
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.distance import pdist, squareform
from scipy.spatial.transform import Rotation

from reviewkit.intake.edges import as_solid, boxes, compacted, connected, facet_volumes
from reviewkit.measure.pieces import Ints, Stack
from reviewkit.model import Floats

# Orientations tried first are drawn with this seed, so that the same body gives the same number.
_SEED = 20
# Points that stand for a hull while many orientations are looked at; what is found is tried on all points.
_FEW = 96
_MOST = 400
_CENTRE_STEPS, _SLOPE_STEPS, _LOOKED_AT, _SETTLED, _ADDED = 32, 10, 300, 12, 6
# Orientations nearer than this to a better one lead to the same place [deg].
_APART_DEG = 12.0
_FIRST_STEPS, _LAST_STEPS, _LAST = 6, 40, 4
_FIRST_TURN, _LEAST_TURN = 0.2, 1e-5
# A margin is good to this; an orientation so much worse at first does not become the best [mm].
_CLOSE_MM, _NO_HOPE_MM = 1e-3, 0.2
# Cells of directions are halved so often before a width in every direction is given up as not proved.
_HALVINGS, _PAIRS = 6, 400
_DIRECTIONS = 600
_THICKNESS_MM = 1e-3
# Shells nearer than this are one body; no more pairs than so many are compared.
_TOUCH_MM, _MOST_PAIRS = 1e-3, 300


@dataclass(frozen=True)
class Cylinder:
    """An upright cylinder with a plane sloping floor.

    Parameters
    ----------
    diameter_mm : float
        Inside [mm].
    deep_mm, shallow_mm : float
        Depth on the deep and on the shallow side [mm].
    """

    diameter_mm: float
    deep_mm: float
    shallow_mm: float

    @property
    def radius_mm(self) -> float:
        """Inside radius [mm]."""
        return self.diameter_mm / 2

    @property
    def middle_mm(self) -> float:
        """Depth at the axis [mm]."""
        return (self.deep_mm + self.shallow_mm) / 2

    @property
    def slope(self) -> float:
        """Fall of the floor per length along x [-]."""
        return (self.deep_mm - self.shallow_mm) / self.diameter_mm

    @property
    def volume_mm3(self) -> float:
        """Inside volume [mm3]."""
        return np.pi * self.radius_mm**2 * self.middle_mm

    @property
    def longest_mm(self) -> float:
        """Longest straight line inside, from the shallow side's rim to the deep corner [mm]."""
        return float(np.hypot(self.diameter_mm, self.deep_mm))


@dataclass(frozen=True, eq=False)
class CylinderFit:
    """How a body lies in the cylinder at the best orientation found.

    Parameters
    ----------
    margin_mm : float
        Least distance to wall and floor, negative by how much it does not go in [mm].
    turn : (3, 3) float
        Orientation: placed = points @ turn.T + shift [-].
    shift : (3,) float
        [mm]
    starts : int
        Orientations the search began from; 0 where none was needed [-].
    proof : str
        Why no orientation can fit: ``length``, ``volume`` or ``width``; empty where only searched.
    proof_value : float
        Distance of two points [mm], volume of the hull [mm3], or least over all directions of the longest
        straight line seen along it [mm].
    """

    margin_mm: float
    turn: Floats
    shift: Floats
    starts: int
    proof: str = ""
    proof_value: float = 0.0

    def placed(self, points: Floats) -> Floats:
        """Points as they lie in the cylinder, (n, 3) float [mm]."""
        return points @ self.turn.T + self.shift


@dataclass(frozen=True, eq=False)
class Hull:
    """A convex hull.

    Parameters
    ----------
    points : (n, 3) float
        Its corners [mm].
    volume_mm3, area_mm2 : float
        Of the hull [mm3, mm2].
    """

    points: Floats
    volume_mm3: float
    area_mm2: float

    @cached_property
    def extents_mm(self) -> Floats:
        """Sizes along the principal axes of its corners' hull, longest first (3,) [mm]."""
        return np.sort(np.ptp(self.points @ self.axes, axis=0))[::-1]

    @property
    def slimness(self) -> float:
        """Longest over shortest principal extent [-]."""
        return float(self.extents_mm[0] / max(self.extents_mm[2], 1e-9))

    @property
    def sphericity(self) -> float:
        """Area of the ball of the same volume over its own area: 1 for a ball, 0.806 for a cube [-]."""
        return float(np.pi ** (1 / 3) * (6 * self.volume_mm3) ** (2 / 3) / self.area_mm2)

    @cached_property
    def longest_mm(self) -> float:
        """Distance of the two points that are furthest apart [mm]."""
        few = self.points if len(self.points) <= 4 * _MOST else _extreme(self.points, 4 * _MOST)
        return float(pdist(few).max())

    @cached_property
    def axes(self) -> Floats:
        """Principal axes of the solid hull, as columns of a right-handed frame that turns with it (3, 3) [-]."""
        hull = ConvexHull(self.points)
        corners = self.points[hull.simplices]
        inside = self.points.mean(axis=0)
        a, b, c = (corners[:, k] - inside for k in range(3))
        weight = np.abs(np.einsum("ij,ij->i", a, np.cross(b, c)))
        total = a + b + c
        second = np.einsum("i,ij,ik->jk", weight, total, total)
        second += sum(np.einsum("i,ij,ik->jk", weight, p, p) for p in (a, b, c))
        first = weight @ total / 4
        axes = np.linalg.eigh(second / 20 - np.outer(first, first) / weight.sum())[1]
        # Each looks to the side where single corners stand out further.
        lean = (((self.points - inside - first / weight.sum()) @ axes) ** 3).sum(axis=0)
        axes = axes * np.where(lean < 0, -1.0, 1.0)
        axes[:, 2] *= np.sign(np.linalg.det(axes))
        return np.asarray(axes)


def hull_of(points: Floats) -> Hull:
    """The convex hull of points; what is flat counts as a hair thick.

    Parameters
    ----------
    points : (n, 3) float
        [mm]
    """
    try:
        hull = ConvexHull(points)
    except QhullError:
        nudge = _THICKNESS_MM * np.vstack([np.eye(3), -np.eye(3)])
        points = (points[:, None] + nudge).reshape(-1, 3)
        hull = ConvexHull(points)
    return Hull(np.asarray(points[hull.vertices]), float(hull.volume), float(hull.area))


def bodies(vertices: Floats, faces: Ints, stack: Stack) -> list[Ints]:
    """Corners of each loose body of a part, as drawn.

    Parameters
    ----------
    vertices : (n, 3) float
        In the plate frame [mm].
    faces : (m, 3) int
        [-]
    stack : Stack
        Islands of all layers: they decide for shells that are no solids, or too many to compare.

    Returns
    -------
    list of (k,) int
        The largest box first [-].

    Notes
    -----
    Shells that touch or overlap are one body; hollow spaces within belong to no body of their own.
    """
    shell = connected(len(vertices), faces[:, [0, 1]].ravel(), faces[:, [1, 2]].ravel())[faces[:, 0]]
    shell = np.unique(shell, return_inverse=True)[1].ravel().astype(np.int64)
    volume = np.bincount(shell, facet_volumes(vertices, faces))
    _, low, high = boxes(vertices, faces, shell)
    solid = np.flatnonzero(volume > 0) if (volume > 0).any() else np.arange(len(volume))
    close = (low[solid, None] <= high[None, solid] + _TOUCH_MM).all(axis=2)
    first, second = np.nonzero(np.triu(close & close.T, 1))
    joined = np.array([], dtype=np.int64)
    if len(first):
        made = {int(k): as_solid(*compacted(vertices, faces[shell == solid[k]])) for k in np.union1d(first, second)}
        corner = np.array([vertices[faces[np.argmax(shell == k), 0]] for k in solid])
        piece = stack.piece[islands_near(stack, corner)]
        compared = len(first) <= _MOST_PAIRS
        joined = np.array(
            [
                _together(made[a], made[b]) if compared and made[a] and made[b] else piece[a] == piece[b]
                for a, b in zip(first.tolist(), second.tolist(), strict=True)
            ]
        )
    group = connected(len(solid), first[joined > 0], second[joined > 0])
    found = [np.unique(faces[np.isin(shell, solid[group == k])]) for k in range(int(group.max()) + 1)]
    return sorted(found, key=lambda own: -float(np.ptp(vertices[own], axis=0).prod()))


def _together(one: Any, other: Any) -> bool:
    """Whether two solids touch or overlap."""
    return bool(one.min_gap(other, 2 * _TOUCH_MM) <= _TOUCH_MM or (one ^ other).volume() > 0)


def islands_near(stack: Stack, points: Floats) -> Ints:
    """For each point the nearest island of the layers at its height.

    Parameters
    ----------
    stack : Stack
    points : (n, 3) float
        In the plate frame [mm].

    Returns
    -------
    (n,) int
        Index of the island [-].
    """
    runs = np.unique(stack.run)
    low, high = stack.bottom_mm[runs], stack.top_mm[runs]
    below = np.clip(np.searchsorted(low, points[:, 2] - 1e-6) - 1, 0, len(runs) - 1)
    above = np.clip(np.searchsorted(high, points[:, 2] + 1e-6), 0, len(runs) - 1)
    flat = shapely.points(points[:, :2])
    best, near = np.full(len(points), np.inf), np.zeros(len(points), dtype=np.int64)
    for side in (below, above):
        for run in np.unique(side):
            here = np.flatnonzero(side == run)
            there = np.flatnonzero(stack.run == runs[run])
            tree = shapely.STRtree(stack.polygon[there])
            (asked, island), gap = tree.query_nearest(flat[here], return_distance=True, all_matches=False)
            better = gap < best[here[asked]] - 1e-9
            best[here[asked[better]]], near[here[asked[better]]] = gap[better], there[island[better]]
    return near


def fit_in_cylinder(hull: Hull, cylinder: Cylinder, starts: int) -> CylinderFit:
    """The orientation in which a hull lies most freely in the cylinder.

    Parameters
    ----------
    hull : Hull
    cylinder : Cylinder
    starts : int
        Orientations to begin from, evenly random with a fixed seed [-].

    Returns
    -------
    CylinderFit
        A margin above 0 is certain: the orientation is given.  One below 0 is as far as the search
        found, unless a proof is named.  A body with two points further apart than the longest line
        inside is not searched; its margin is the difference of the two.

    Notes
    -----
    The highest point is put at the mouth.  For each orientation a shift is sought that makes the
    greatest overhang beyond wall or floor least.  The best starts, some way apart, are then improved by
    linear programmes in small turns and shifts, which is exact where wall and floor are touched
    at as many points as there are freedoms.
    """
    if hull.longest_mm > cylinder.longest_mm:
        margin_mm = cylinder.longest_mm - hull.longest_mm
        return CylinderFit(margin_mm, np.eye(3), np.zeros(3), 0, "length", hull.longest_mm)
    proof, value = "", 0.0
    if hull.volume_mm3 > cylinder.volume_mm3:
        proof, value = "volume", hull.volume_mm3
    elif (width_mm := _width_proved(hull, cylinder.diameter_mm)) > 0:
        proof, value = "width", width_mm
    found = _best(hull, cylinder, starts)
    return CylinderFit(*found, starts, proof, value)


def least_circle(hull: Hull) -> tuple[float, Floats]:
    """Smallest round hole in a thin plate that a body passes through: its smallest shadow's circle.

    Parameters
    ----------
    hull : Hull

    Returns
    -------
    diameter_mm : float
        Of the smallest circle around the shadow in the best direction found [mm].
    along : (3,) float
        That direction [-].
    """
    few = _extreme(hull.points, _FEW)
    turn = np.pi * (1 + np.sqrt(5)) * np.arange(_DIRECTIONS)
    height = 1 - (np.arange(_DIRECTIONS) + 0.5) / _DIRECTIONS
    flat = np.sqrt(1 - height**2)
    along = np.vstack([np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height]), np.eye(3)])
    frames = np.array([_across(one) for one in along])
    shadows = np.einsum("ni,bki->bnk", few, frames)
    owner = np.repeat(np.arange(len(along)), len(few))
    radius = shapely.minimum_bounding_radius(shapely.multipoints(shadows.reshape(-1, 2), indices=owner))

    def of(angles: Floats, frame: Floats, points: Floats) -> float:
        """Radius seen along a direction turned away from that of a frame."""
        turned = Rotation.from_rotvec(angles @ frame).apply(frame)
        return float(shapely.minimum_bounding_radius(shapely.multipoints(points @ turned.T)))

    best, work = (np.inf, along[0]), _extreme(hull.points, _MOST)
    for index in np.argsort(radius, kind="stable")[:5]:
        frame = frames[index]
        simplex = np.array([[0.0, 0.0], [0.05, 0.0], [0.0, 0.05]])
        options = {"initial_simplex": simplex, "xatol": 1e-4, "fatol": 1e-5, "maxiter": 60}
        angles = minimize(of, np.zeros(2), (frame, work), method="Nelder-Mead", options=options).x
        value = of(angles, frame, hull.points)
        if value < best[0]:
            best = (value, Rotation.from_rotvec(angles @ frame).apply(along[index]))
    return 2 * best[0], best[1]


def _across(along: Floats) -> Floats:
    """Two unit directions square to one (2, 3)."""
    u = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    u /= np.linalg.norm(u)
    return np.vstack([u, np.cross(along, u)])


def _extreme(points: Floats, count: int) -> Floats:
    """Points that stand out furthest in evenly spread directions, no more than `count`."""
    if len(points) <= count:
        return points
    turn = np.pi * (1 + np.sqrt(5)) * np.arange(2 * count)
    height = 1 - (2 * np.arange(2 * count) + 1) / (2 * count)
    flat = np.sqrt(1 - height**2)
    ways = np.vstack([np.eye(3), -np.eye(3), np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])])
    _, first = np.unique(np.argmax(points @ ways.T, axis=0), return_index=True)
    chosen = np.argmax(points @ ways[np.sort(first)].T, axis=0)[:count]
    return np.asarray(points[chosen])


def _best(hull: Hull, cylinder: Cylinder, starts: int) -> tuple[float, Floats, Floats]:
    """Margin [mm], turn and shift of the best orientation found."""
    points = hull.points @ hull.axes
    points = points - (middle := (points.min(axis=0) + points.max(axis=0)) / 2)
    turns = np.asarray(Rotation.random(starts, _SEED).as_matrix())
    overhang, _ = _screened(_extreme(points, _FEW), turns, cylinder)
    turns = np.concatenate([_squared(), turns[np.argsort(overhang, kind="stable")[:_LOOKED_AT]]])
    work, best = _extreme(points, _MOST), None
    overhang, shifts = _screened(work, turns, cylinder)
    settled = [_settled(work, cylinder, turns[k], shifts[k], _FIRST_STEPS) for k in _apart(turns, overhang, _SETTLED)]
    settled.sort(key=lambda one: one[0])
    for first, turn, shift in settled[:_LAST]:
        if best is not None and first > best[0] + _NO_HOPE_MM:
            break
        found = _settled(work, cylinder, turn, shift, _LAST_STEPS)
        # What only a few points stood for is tried on all, and those that stick out join.
        for _ in range(_ADDED):
            placed = points @ found[1].T + found[2]
            placed[:, 2] -= placed[:, 2].max()
            out = _overhang(placed, cylinder)
            if out <= found[0] + _CLOSE_MM or len(work) == len(points):
                break
            work = np.vstack([work, points[_sticking_out(placed, cylinder)]])
            found = _settled(work, cylinder, found[1], found[2], _LAST_STEPS)
        placed = points @ found[1].T + found[2]
        shift = found[2] - (0.0, 0.0, placed[:, 2].max())
        out = _overhang(points @ found[1].T + shift, cylinder)
        if best is None or out < best[0]:
            best = (out, found[1], shift)
    assert best is not None
    out, turn, shift = best
    return -out, turn @ hull.axes.T, shift - middle @ turn.T


def _squared() -> Floats:
    """Turns that set each axis upright, either way up, in eight spins about it."""
    spins = Rotation.from_euler("z", np.arange(8)[:, None] * 45.0, degrees=True).as_matrix()
    upright = [np.vstack([_across(way * axis), way * axis]) for axis in np.eye(3) for way in (1.0, -1.0)]
    return np.concatenate([spins @ turn for turn in upright])


def _screened(points: Floats, turns: Floats, cylinder: Cylinder) -> tuple[Floats, Floats]:
    """Overhang [mm] and shift for each of many orientations, nearly best."""
    x, y, z = np.einsum("bij,nj->ibn", turns, points)
    top = z.max(axis=1)
    lean = np.sqrt(1 + cylinder.slope**2)
    # The floor asks that the shift along x is at least this, over its slope.
    floor = (top[:, None] - z - cylinder.slope * x).max(axis=1) - cylinder.middle_mm
    cx, cy = (x.max(axis=1) + x.min(axis=1)) / 2, (y.max(axis=1) + y.min(axis=1)) / 2
    row = np.arange(len(turns))
    for step in range(_CENTRE_STEPS):
        far = np.argmax((x - cx[:, None]) ** 2 + (y - cy[:, None]) ** 2, axis=1)
        cx, cy = cx + (x[row, far] - cx) / (step + 2), cy + (y[row, far] - cy) / (step + 2)

    def wall(shift_x: Floats) -> Floats:
        reach = (x + shift_x[:, None]) ** 2 + (y - cy[:, None]) ** 2
        return np.asarray(np.sqrt(reach.max(axis=1)) - cylinder.radius_mm)

    near, far_x = -cx, np.maximum(-cx, (floor / max(cylinder.slope, 1e-9)))
    for _ in range(_SLOPE_STEPS):
        middle = (near + far_x) / 2
        short = (floor - cylinder.slope * middle) / lean > wall(middle)
        near, far_x = np.where(short, middle, near), np.where(short, far_x, middle)
    shift_x = (near + far_x) / 2
    out = np.maximum(wall(shift_x), (floor - cylinder.slope * shift_x) / lean)
    return out, np.column_stack([shift_x, -cy, -top])


def _apart(turns: Floats, overhang: Floats, count: int) -> list[int]:
    """The best orientations that are some way apart."""
    chosen: list[int] = []
    for index in np.argsort(overhang, kind="stable"):
        cosine = (np.einsum("kij,ij->k", turns[chosen], turns[index]) - 1) / 2
        if not chosen or cosine.max() < np.cos(np.radians(_APART_DEG)):
            chosen.append(int(index))
        if len(chosen) == count:
            break
    return chosen


def _overhang(placed: Floats, cylinder: Cylinder) -> float:
    """By how much placed points reach beyond wall or floor; negative inside [mm]."""
    wall = np.hypot(placed[:, 0], placed[:, 1]).max() - cylinder.radius_mm
    floor = _under_floor(placed, cylinder).max()
    return float(max(wall, floor))


def _under_floor(placed: Floats, cylinder: Cylinder) -> Floats:
    lean = np.sqrt(1 + cylinder.slope**2)
    return np.asarray((-placed[:, 2] - cylinder.middle_mm - cylinder.slope * placed[:, 0]) / lean)


def _sticking_out(placed: Floats, cylinder: Cylinder) -> NDArray[np.int64]:
    """The points that reach furthest beyond, a dozen of wall, floor and mouth each."""
    wall = np.hypot(placed[:, 0], placed[:, 1]) - cylinder.radius_mm
    worst = [np.argsort(-out, kind="stable")[:12] for out in (wall, _under_floor(placed, cylinder), placed[:, 2])]
    return np.unique(np.concatenate(worst))


def _settled(
    points: Floats, cylinder: Cylinder, turn: Floats, shift: Floats, steps: int
) -> tuple[float, Floats, Floats]:
    """Overhang, turn and shift after improving one orientation by linear programmes."""
    lean = np.sqrt(1 + cylinder.slope**2)
    reach = float(np.linalg.norm(points, axis=1).max())
    placed = points @ turn.T + shift
    out, allowed, slow = _overhang(placed, cylinder), _FIRST_TURN, 0
    for _ in range(steps):
        wall = np.hypot(placed[:, 0], placed[:, 1])
        under = _under_floor(placed, cylinder)
        # What cannot come to bear within this step is left out.
        slack = 3 * allowed * reach
        outer, lower = wall - cylinder.radius_mm > out - slack, under > out - slack
        upper = placed[:, 2] > -slack
        arm = placed - shift
        push = np.column_stack([placed[outer, :2] / np.maximum(wall[outer, None], 1e-9), np.zeros(outer.sum())])
        fall = np.broadcast_to(np.array([-cylinder.slope, 0.0, -1.0]) / lean, (int(lower.sum()), 3))
        rise = np.broadcast_to(np.array([0.0, 0.0, 1.0]), (int(upper.sum()), 3))
        way, lever = np.vstack([push, fall, rise]), np.vstack([arm[outer], arm[lower], arm[upper]])
        least = np.concatenate([-np.ones(len(push) + len(fall)), np.zeros(len(rise))])
        rows = np.column_stack([np.cross(lever, way), way, least])
        room = np.concatenate([cylinder.radius_mm - wall[outer], -under[lower], -placed[upper, 2]])
        freedom = [(-allowed, allowed)] * 3 + [(-allowed * reach, allowed * reach)] * 3 + [(None, None)]
        step = linprog(np.eye(7)[6], rows, room, bounds=freedom, method="highs-ds")
        if step.x is None:
            break
        new_turn = Rotation.from_rotvec(step.x[:3]).as_matrix() @ turn
        new_shift = shift + step.x[3:6]
        new = points @ new_turn.T + new_shift
        new_shift[2] -= new[:, 2].max()
        new = points @ new_turn.T + new_shift
        new_out = _overhang(new, cylinder)
        if new_out < out - 1e-7:
            slow = slow + 1 if new_out > out - _CLOSE_MM / 10 else 0
            turn, shift, placed, out = new_turn, new_shift, new, new_out
            allowed = min(1.5 * allowed, _FIRST_TURN)
        else:
            allowed *= 0.3
        if allowed < _LEAST_TURN or slow == 4:
            break
    return out, turn, shift


def _width_proved(hull: Hull, wider_mm: float) -> float:
    """A length [mm] above `wider_mm` that some straight line has in the shadow along every direction, or 0.

    Directions are taken in cells: a line at an angle to the middle of a cell shortens by no more
    than the cell's own half-width allows, so that what holds for all cells holds for every direction.
    """
    few = _extreme(hull.points, _FEW)
    apart = squareform(pdist(few))
    first, second = np.nonzero(np.triu(apart > wider_mm))
    if not len(first):
        return 0.0
    longest = np.argsort(-apart[first, second], kind="stable")[:_PAIRS]
    lines = few[first[longest]] - few[second[longest]]
    length = np.linalg.norm(lines, axis=1)
    lines = lines / length[:, None]
    corners = np.array([[[sx, 0, 0], [0, sy, 0], [0, 0, 1]] for sx in (1, -1) for sy in (1, -1)], dtype=float)
    least = np.inf
    for _ in range(_HALVINGS):
        middle = corners.sum(axis=1)
        middle /= np.linalg.norm(middle, axis=1)[:, None]
        half = np.arccos(np.clip(np.einsum("cki,ci->ck", corners, middle).min(axis=1), -1, 1))
        off = np.arccos(np.clip(np.abs(middle @ lines.T), 0, 1))
        seen = (length * np.sin(np.maximum(off - half[:, None], 0))).max(axis=1)
        open_ = seen <= wider_mm
        least = min(least, float(seen[~open_].min(initial=np.inf)))
        if not open_.any():
            return least
        corners = _quartered(corners[open_])
    return 0.0


def _quartered(corners: Floats) -> Floats:
    """Each triangle of directions as four."""
    a, b, c = (corners[:, k] for k in range(3))
    ab, bc, ca = (m / np.linalg.norm(m, axis=1)[:, None] for m in (a + b, b + c, c + a))
    parts: Sequence[tuple[Floats, Floats, Floats]] = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
    return np.concatenate([np.stack(part, axis=1) for part in parts])
