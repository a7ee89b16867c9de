"""Which moving faces a finger probe reaches from outside: a ball bound on cells, then a jointed probe posed and shown.

The bound is one-sided.  The middle line of a real probe lies where a ball of its diameter fits,
so a face that no such ball touches from outside is touched by no probe.  What a ball touches may
still be out of a stiff finger's way; it counts as shown only when a jointed probe, collar outside,
was put there and drawn out again without cutting into the mesh.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from reviewkit.measure.layers import Ints
from reviewkit.measure.motion import Carried
from reviewkit.measure.poses import sphere_directions
from reviewkit.measure.rays import RayTree
from reviewkit.measure.sections import plane_section
from reviewkit.measure.voxels import Bools, SolidGrid, grid_cells, solid_grid
from reviewkit.model import Floats

# A ball's middle is at most this far from the middle of its cell, and the distance of a cell reads
# at most half a cell too small: the bound that lets every true ball through [cells].
_CELL = np.sqrt(3) / 2
_BOUND = _CELL + 0.5
# Lengths along steps of 3, 4, 5 to the neighbours are at most this much longer than the straight way.
_STEPS = {1: 3, 2: 4, 3: 5}
_LONGER = 1.12
_FAR = np.int32(2**30)
# The collar's room is found on cells of this many of the fine ones, that of a far larger ball on cells of this side.
_COARSE, _WIDE_MM = 3, 4.0
# Turns of the golden ratio and its sister spread points over a facet (Roberts' R2 sequence, from memory).
_R2 = (0.7548776662466927, 0.5698402909980532)
# Postures tried: tips, directions beside the 26, turns about the tip link, followed up, refined, polished; bends [deg].
_TIPS, _DIRECTIONS, _TURNS, _KEPT, _REFINED, _POLISHED = 40, 150, 8, 1500, 5, 2
_BENDS_DEG = np.array([0.0, 20.0, 40.0, 60.0, 80.0])
_LIMIT_DEG = 90.0
_ROUNDS, _TRIALS = 24, 96
_WITHDRAWN = 14
# Between the places of a finger whose room is looked at.
_ALONG_MM = 0.7
# How fast a probe unbends while it is pulled out: powers of what is left of the way.
_UNBENT = (0.5, 1.0, 2.0)
# Cores that a search of many places may use.
_CORES = 2
# Points, nearest first, that are looked at together for one that a ball really touches.
_LOOKED = 64
# Cells looked at for the one that lies before a face.
_BEFORE = 8
# Sections looked at along a path, and how often a narrow place may be closed and another way sought.
_STATIONS, _DETOURS = 8, 4
_VIEW_MM = 80.0


@dataclass(frozen=True)
class Probe:
    """A finger probe: a round finger with two joints that bend the same way, in front of a collar.

    Parameters
    ----------
    name : str
        In words.
    diameter_mm : float
        Of the finger and its round tip [mm].
    collar_mm, collar_length_mm : float
        Diameter and length of what must stay outside [mm].
    joints_mm : (float, float)
        From the end of the tip to each joint [mm].
    reach_mm : float
        From the end of the tip to the collar [mm].
    arm : float
        Openings wider than the collar are entered to this many times their width, 0 for a probe
        that stops at its collar always [-].
    unlimited_mm : float
        Openings as wide as this are entered to any depth [mm].
    tip_mm, tip_length_mm : float
        Width of a tip thinner than the finger and how far it reaches into a narrower place, 0
        for a round tip [mm].
    """

    name: str
    diameter_mm: float
    collar_mm: float
    collar_length_mm: float
    joints_mm: tuple[float, float]
    reach_mm: float
    arm: float = 0.0
    unlimited_mm: float = 0.0
    tip_mm: float = 0.0
    tip_length_mm: float = 0.0

    @property
    def radius_mm(self) -> float:
        """Of the finger [mm]."""
        return self.diameter_mm / 2

    @property
    def links_mm(self) -> Floats:
        """Middle of the tip to the first joint, joint to joint, last joint to collar, (3,) float [mm]."""
        first, second = self.joints_mm
        return np.array([first - self.radius_mm, second - first, self.reach_mm - second])


@dataclass(frozen=True, eq=False)
class Spots:
    """Points fixed to facets, which go with the mesh.

    Parameters
    ----------
    facet : (n,) int
        Facet of each point [-].
    weight : (n, 3) float
        Of its three corners [-].
    """

    facet: Ints
    weight: Floats

    def __len__(self) -> int:
        return len(self.facet)

    def at(self, vertices: Floats, faces: Ints) -> Floats:
        """Where the points are on a mesh, (n, 3) float [mm]."""
        return np.asarray(np.einsum("nk,nkx->nx", self.weight, vertices[faces[self.facet]]), dtype=float)

    def normals(self, vertices: Floats, faces: Ints) -> Floats:
        """Outward normals of their facets on a mesh, (n, 3) float [-]."""
        return _normals(vertices, faces[self.facet])

    def only(self, chosen: NDArray[np.generic]) -> "Spots":
        """Some of them."""
        return Spots(self.facet[chosen], self.weight[chosen])


@dataclass(frozen=True, eq=False)
class Opening:
    """The narrowest place on the way in, as a section square to the way.

    Parameters
    ----------
    size_mm : float
        Diameter of the largest circle in it: the width of a slot, side of a square, diameter of a round [mm].
    long_mm : float
        Long side of the smallest rectangle around it [mm].
    shape : str
        ``slot``, ``square``, ``round``, or ``open`` where no outline closes around it.
    point_mm, axis : (3,) float
        Middle of the circle [mm] and unit direction inward [-].
    outline_mm : (k, 3) float
        In space [mm].
    """

    size_mm: float
    long_mm: float
    shape: str
    point_mm: Floats
    axis: Floats
    outline_mm: Floats


@dataclass(frozen=True, eq=False)
class Reach:
    """How one probe comes to one group of hazard points at one place of the stroke.

    Parameters
    ----------
    probe : Probe
    stroke : float
        Place of the stroke [mm, deg].
    depth_mm : float
        Length of the shortest way from where the collar rests to the touched point [mm].
    touch_mm, mouth_mm : (3,) float
        Touched point, and where the way leaves the room of the collar [mm].
    path_mm : (k, 3) float
        Way of the ball's middle, from the mouth inward [mm].
    facets : (m,) int
        Facets that the ball touches in this group [-].
    opening : Opening or None
        None where the face lies open, in the room of the collar and in no hollow.
    chain_mm : (4, 3) float or None
        Middle of the tip, joints and collar of a jointed probe that touches and can be drawn out; None when
        only the ball bound reaches [mm].
    tip_only : bool
        Whether only a tip thinner than the finger comes there.
    group : int
        Number of the group of hazard points [-].
    """

    probe: Probe
    stroke: float
    depth_mm: float
    touch_mm: Floats
    mouth_mm: Floats
    path_mm: Floats
    facets: Ints
    opening: Opening | None
    chain_mm: Floats | None
    tip_only: bool = False
    group: int = 0


@dataclass(frozen=True, eq=False)
class Windows:
    """Openings that one sees through along one axis of the part.

    Parameters
    ----------
    axis : int
        0, 1, 2 for x, y, z [-].
    size_mm, area_mm2 : (n,) float
        Largest circle and area of each, the widest first [mm, mm2].
    middle_mm : (n, 2) float
        Of the largest circle, in the plane of the other two axes, in their order [mm].
    shadow : (p, q) int8
        0 outside, 1 matter, 2 window, in that plane [-].
    corner_mm : (2,) float
        Middle of the first cell of `shadow` [mm].
    pitch_mm : float
        Of `shadow` [mm].
    """

    axis: int
    size_mm: Floats
    area_mm2: Floats
    middle_mm: Floats
    shadow: NDArray[np.int8]
    corner_mm: Floats
    pitch_mm: float


def pitch_for(vertices: Floats, pitch_mm: float, most_mm: float, margin_mm: float, cells: int) -> float:
    """Side of the cells: as wanted, coarser up to a bound where there would be too many [mm].

    Parameters
    ----------
    vertices : (n, 3) float
        [mm].
    pitch_mm, most_mm : float
        Wanted and greatest side [mm].
    margin_mm : float
        Free room on every side [mm].
    cells : int
        Most cells wanted [-].
    """
    count = grid_cells(vertices, pitch_mm, margin_mm)
    return float(np.clip(pitch_mm * np.cbrt(count / cells), pitch_mm, max(pitch_mm, most_mm)))


def spread(vertices: Floats, faces: Ints, chosen: Ints, spacing_mm: float) -> Spots:
    """Points spread over facets by area, some on each.

    Parameters
    ----------
    vertices : (n, 3) float
        [mm].
    faces : (m, 3) int
        [-].
    chosen : (k,) int
        Facets to put points on [-].
    spacing_mm : float
        One point for each square of half this side, so that none is much further than this from the next [mm].
    """
    corners = vertices[faces[chosen]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    count = np.ceil(area / spacing_mm**2 * 2 + 1e-9).astype(np.int64)
    owner = np.repeat(np.arange(len(chosen)), count)
    turn = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count) + 1
    first, second = (np.mod(turn * step, 1.0) for step in _R2)
    over = first + second > 1
    first, second = np.where(over, 1 - first, first), np.where(over, 1 - second, second)
    return Spots(chosen[owner], np.column_stack([1 - first - second, first, second]))


def nips(
    carried: Carried, faces: Ints, strokes: Sequence[float], *, band_mm: float, change_mm: float, spacing_mm: float
) -> Spots:
    """Points of moving faces that close on resting matter during the stroke.

    Parameters
    ----------
    carried : Carried
        Mesh and motion.
    faces : (m, 3) int
        Facets [-].
    strokes : sequence of float
        Places of the stroke that are looked at [mm, deg].
    band_mm : float
        A face that never comes this near to resting matter in front of it traps nothing [mm].
    change_mm : float
        Nor does one whose distance changes by less than this: it slides along [mm].
    spacing_mm : float
        Between the points [mm].

    Returns
    -------
    Spots

    Notes
    -----
    Resting matter in front of a point: the first facet hit by rays along its outward normal and
    45 deg around it, where all corners of that facet move by less than the change that counts.
    """
    places = np.array([carried.at(stroke) for stroke in strokes])
    goes_mm = np.linalg.norm(places - places[0], axis=2).max(axis=0)[faces].max(axis=1)
    moving, rests = np.flatnonzero(goes_mm >= change_mm), goes_mm < change_mm
    spots = spread(carried.vertices, faces, moving, spacing_mm)
    if not len(spots) or not rests.any():
        return spots.only(np.zeros(len(spots), dtype=bool))
    gaps = np.array([_in_front(place, faces, spots, rests, band_mm) for place in places])
    # Straight ahead nothing counts as far; aside it says only that the wall ends there.
    gaps[:, 0] = np.minimum(gaps[:, 0], 2 * band_mm)
    least = gaps.min(axis=0)
    most = np.where(np.isfinite(gaps), gaps, -np.inf).max(axis=0)
    return spots.only(((least < band_mm) & (most - least >= change_mm)).any(axis=0))


def close_faces(vertices: Floats, faces: Ints, own: Bools, *, band_mm: float, spacing_mm: float) -> Spots:
    """Points of some facets that have other matter before them.

    Parameters
    ----------
    vertices : (n, 3) float
        [mm].
    faces : (m, 3) int
        [-].
    own : (m,) bool
        The facets in question; the others are the other matter.
    band_mm : float
        Nearer than this [mm].
    spacing_mm : float
        Between the points [mm].
    """
    spots = spread(vertices, faces, np.flatnonzero(own), spacing_mm)
    if not len(spots):
        return spots
    return spots.only(_in_front(vertices, faces, spots, ~own, band_mm).min(axis=0) < band_mm)


@dataclass(frozen=True, eq=False)
class Scene:
    """A mesh at one place of the stroke, its cells and what probes need of it.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    grid : SolidGrid
    stroke : float
        Place of the stroke [mm, deg].
    """

    vertices: Floats
    faces: Ints
    grid: SolidGrid
    stroke: float = 0.0

    @cached_property
    def skin(self) -> tuple[Floats, Floats]:
        """Points all over the surface and their outward normals, (n, 3) each [mm, -]."""
        spots = spread(self.vertices, self.faces, np.arange(len(self.faces)), 1.0)
        return spots.at(self.vertices, self.faces), spots.normals(self.vertices, self.faces)

    @cached_property
    def tree(self) -> "cKDTree[None]":
        """Of the points of the skin."""
        return cKDTree(self.skin[0])

    def room(self, ball_mm: float, coarse: int = _COARSE) -> SolidGrid:
        """Free cells that a ball from far outside covers, as the "solid" of a coarser grid.

        Parameters
        ----------
        ball_mm : float
            Diameter [mm].
        coarse : int
            Side of its cells in cells of the grid [-].
        """
        grid, radius = self.grid, ball_mm / 2
        pitch = grid.pitch_mm * coarse
        pad = int(np.ceil(radius / pitch)) + 2
        shape = -(-np.array(grid.solid.shape) // coarse)
        whole = np.zeros(shape * coarse, dtype=bool)
        whole[tuple(slice(n) for n in grid.solid.shape)] = grid.solid
        nx, ny, nz = shape
        matter = whole.reshape(nx, coarse, ny, coarse, nz, coarse).any(axis=(1, 3, 5))
        matter = np.pad(matter, pad)
        middles = ndimage.distance_transform_edt(~matter) * pitch >= radius
        label, _ = ndimage.label(middles, _AROUND)
        middles = label == label[0, 0, 0]
        covered = (ndimage.distance_transform_edt(~middles) * pitch <= radius) & ~matter
        origin = grid.origin_mm + grid.pitch_mm * (coarse - 1) / 2 - pitch * pad
        return SolidGrid(origin, pitch, covered)

    def fine_room(self, ball_mm: float, coarse: int = _COARSE) -> Bools:
        """The room of a ball on the cells of the grid."""
        room = self.room(ball_mm, coarse)
        index = [
            room.cells(np.stack([line if axis == k else np.zeros_like(line) for k in range(3)], axis=1))[:, axis]
            for axis, line in enumerate(
                self.grid.origin_mm[axis] + self.grid.pitch_mm * np.arange(count)
                for axis, count in enumerate(self.grid.solid.shape)
            )
        ]
        return room.solid[np.ix_(*index)]


def scene(vertices: Floats, faces: Ints, pitch_mm: float, margin_mm: float, stroke: float = 0.0) -> Scene:
    """A mesh with its cells, for :func:`reaches`.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    pitch_mm, margin_mm : float
        Size of a cell, and how far the cells go beyond the mesh [mm].
    stroke : float
        Place of the stroke [mm, deg].
    """
    return Scene(vertices, faces, solid_grid(vertices, faces, pitch_mm, margin_mm), stroke)


def grouped(points: Floats, within_mm: float) -> list[Ints]:
    """Points in groups whose members are no further than this from the next one, the greatest first.

    Parameters
    ----------
    points : (n, 3) float
        [mm].
    within_mm : float
        [mm].
    """
    pairs = cKDTree(points).query_pairs(within_mm, output_type="ndarray")
    net = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(points), len(points)))
    _, label = connected_components(net, directed=False)
    order = np.argsort(label, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    return sorted(groups, key=len, reverse=True)


def reaches(
    place: Scene,
    hazards: Spots,
    groups: Sequence[Ints],
    probe: Probe,
    *,
    tolerance_mm: float,
    most_groups: int,
    facing: float,
    skip: Sequence[int] = (),
) -> list[Reach]:
    """How a probe comes to hazard points from outside.

    Parameters
    ----------
    place : Scene
    hazards : Spots
    groups : sequence of (k,) int
        Which hazard points belong together, as :func:`grouped` gives them [-].
    probe : Probe
    tolerance_mm : float
        A printed gap may be this much wider than drawn: a ball thinner by this is bounded [mm].
    most_groups : int
        Groups of points that are followed up, the first of those that are touched [-].
    facing : float
        Cosine of the greatest angle between a face and the direction in which the ball lies that touches
        it: a ball on the edge of a slit it cannot enter lies beside the face [-].
    skip : sequence of int
        Groups that need no following up [-].

    Returns
    -------
    list of Reach
        One a group that the ball touches within the probe's reach; empty means that no probe
        touches any.

    Notes
    -----
    The way in is the shortest in steps of 3, 4 and 5 along, across and through cells, pulled
    straight; a group is out of reach when even that length, less its greatest error, is beyond
    the collar.  Where a section of the way proves too narrow for the probe, the place is closed
    and another way sought.
    """
    points = hazards.at(place.vertices, place.faces)
    normals = hazards.normals(place.vertices, place.faces)
    search = _Search(place, hazards, points, normals, groups, probe, tolerance_mm, most_groups, facing, tuple(skip))
    return search.all()


def windows(grid: SolidGrid, least_mm: float) -> tuple[Windows, ...]:
    """Openings that one sees through along each axis of the part.

    Parameters
    ----------
    grid : SolidGrid
        Of the part at rest.
    least_mm : float
        Openings whose largest circle is smaller are left out [mm].

    Returns
    -------
    tuple of Windows
        For x, y and z.
    """
    return tuple(_windows(grid, axis, least_mm) for axis in range(3))


_AROUND = np.ones((3, 3, 3), dtype=bool)


def _normals(vertices: Floats, faces: Ints) -> Floats:
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12), dtype=float)


def _in_front(vertices: Floats, faces: Ints, spots: Spots, rests: Bools, band_mm: float) -> Floats:
    """Distance to resting matter straight before each spot and 45 deg aside, infinite where none, (5, n) [mm]."""
    normal = spots.normals(vertices, faces)
    side = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal), axis=1)])
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-12)
    other = np.cross(normal, side)
    rays = RayTree(vertices, faces)
    origins = spots.at(vertices, faces)
    gaps = []
    for tilt in (np.zeros((1, 3)), side, -side, other, -other):
        along = normal + tilt
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        far, hit = rays.first_hit(origins, along)
        resting = (hit >= 0) & rests[np.maximum(hit, 0)] & (far < 2 * band_mm)
        gaps.append(np.where(resting, far, np.inf))
    return np.array(gaps)


def _windows(grid: SolidGrid, axis: int, least_mm: float) -> Windows:
    shade = grid.solid.any(axis=axis)
    label, _ = ndimage.label(~shade)
    inside = (label > 0) & (label != label[0, 0])
    label, count = ndimage.label(inside)
    across = (2 * ndimage.distance_transform_edt(inside) - 1) * grid.pitch_mm
    index = np.arange(1, count + 1)
    size = np.asarray(ndimage.maximum(across, label, index), dtype=float).reshape(-1)
    keep = index[size >= least_mm]
    keep = keep[np.argsort(-size[keep - 1], kind="stable")]
    others = [k for k in range(3) if k != axis]
    area = np.asarray(np.bincount(label.ravel(), minlength=count + 1)[keep] * grid.pitch_mm**2, dtype=float)
    middles = np.array(ndimage.maximum_position(across, label, keep), dtype=float).reshape(-1, 2)
    shadow: NDArray[np.int8] = np.asarray(shade, dtype=np.int8).copy()
    shadow[np.isin(label, keep)] = 2
    corner = grid.origin_mm[others]
    return Windows(axis, size[keep - 1], area, corner + grid.pitch_mm * middles, shadow, corner, grid.pitch_mm)


@dataclass(frozen=True, eq=False)
class _Search:
    """One probe, one place of the stroke, all hazard points."""

    place: Scene
    hazards: Spots
    points: Floats
    normals: Floats
    groups: Sequence[Ints]
    probe: Probe
    tolerance_mm: float
    most_groups: int
    facing: float
    skip: tuple[int, ...]
    body_steps: list[NDArray[np.int32]] = field(default_factory=list)

    @cached_property
    def outside(self) -> Bools:
        """Cells in the room of the collar."""
        return self.place.fine_room(self.probe.collar_mm)

    def all(self) -> list[Reach]:
        if not len(self.points):
            return []
        probe = self.probe
        free = self._fits(probe.diameter_mm)
        found, free = self._entered(free, free, probe.diameter_mm, probe.reach_mm, False)
        if probe.tip_mm:
            met = {reach.group for reach in found} | set(self.skip)
            if len(met) < min(len(self.groups), self.most_groups):
                body = _connected(free)
                # Where the whole finger comes within its length; the rest of that length is left to its tip.
                self.body_steps[:] = [_steps(body, body & self.outside, None, self._limit(probe.reach_mm))]
                body &= self.body_steps[0] < _FAR
                thin = self._fits(probe.tip_mm)
                found += [
                    reach
                    for reach in self._entered(thin, body, probe.tip_mm, probe.tip_length_mm, True)[0]
                    if reach.group not in met
                ]
        return found

    def _fits(self, ball_mm: float) -> Bools:
        """Cells in which the middle of a ball, thinner by the tolerance, may be."""
        least = (ball_mm - self.tolerance_mm) / 2 - _BOUND * self.place.grid.pitch_mm
        return np.asarray(self.place.grid.distance_mm >= max(least, self.place.grid.pitch_mm / 4), dtype=bool)

    def _entered(
        self, free: Bools, seeds: Bools, ball_mm: float, reach_mm: float, tip_only: bool
    ) -> tuple[list[Reach], Bools]:
        """Reaches of a ball, a thin tip's from cells the finger comes to; and the cells less what proved narrow."""
        found: list[Reach] = []
        for _ in range(_DETOURS + 1):
            reached = _inner(free) if tip_only else _connected(free)
            start = reached & self.outside if not tip_only else seeds & free
            touched, cell = self._touched(reached, ball_mm)
            followed = [
                (number, own[touched[own]])
                for number, own in enumerate(self.groups)
                if touched[own].any() and number not in self.skip and number not in {reach.group for reach in found}
            ][: self.most_groups]
            if not followed:
                break
            far = _steps(reached, start, np.concatenate([cell[own] for _, own in followed]), self._limit(reach_mm))
            closed: list[Opening] = []
            for number, own in followed:
                steps = far.ravel()[cell[own]]
                own = own[steps < _FAR]
                if not len(own):
                    continue
                reach, narrow = self._followed(number, own, cell, far, reached, ball_mm, reach_mm, tip_only)
                if reach is not None:
                    found.append(reach)
                elif narrow is not None:
                    closed.append(narrow)
            if not closed:
                break
            free = free.copy()
            for narrow in closed:
                self._close(free, narrow)
        return found, free

    def _limit(self, reach_mm: float) -> int:
        """Steps beyond which even the straightest way is too long [-]."""
        return int(np.ceil(_LONGER * 3 * (reach_mm + self.probe.diameter_mm) / self.place.grid.pitch_mm))

    def _touched(self, reached: Bools, ball_mm: float) -> tuple[Bools, Ints]:
        """Hazard points that a ball in a reached cell touches, and that cell as a flat index."""
        grid = self.place.grid
        near = (ball_mm + self.tolerance_mm) / 2 + _CELL * grid.pitch_mm
        low, high = (grid.cells(corner[None])[0] for corner in (self.points.min(0) - near, self.points.max(0) + near))
        box = tuple(slice(a, b + 1) for a, b in zip(low, high, strict=True))
        cells = np.argwhere(reached[box] & (grid.distance_mm[box] <= near)) + low
        if not len(cells):
            return np.zeros(len(self.points), dtype=bool), np.zeros(len(self.points), dtype=np.int64)
        middles = grid.middles(cells)
        # The ball that touches lies before the face, not over its edge: looked for around its own place there.
        wanted = self.points + ball_mm / 2 * self.normals
        _, index = cKDTree(middles).query(wanted, k=_BEFORE, distance_upper_bound=near)
        known = index < len(cells)
        index = np.where(known, index, 0).reshape(len(self.points), -1)
        off = middles[index] - self.points[:, None]
        far = np.linalg.norm(off, axis=2)
        before = np.einsum("nkx,nx->nk", off, self.normals) >= self.facing * far
        fits = known.reshape(index.shape) & before & (far <= near)
        chosen = cells[index[np.arange(len(index)), fits.argmax(axis=1)]]
        return fits.any(axis=1), np.ravel_multi_index(tuple(chosen.T), reached.shape).astype(np.int64)

    def _meets(self, own: Ints, cell: Ints, ball_mm: float) -> Bools:
        """Which points a ball really comes to beside its cell, by distances to the surface itself."""
        grid = self.place.grid
        middles = grid.middles(np.column_stack(np.unravel_index(cell[own], grid.solid.shape)))
        near, least = (ball_mm + self.tolerance_mm) / 2 + grid.pitch_mm / 2, (ball_mm - self.tolerance_mm) / 2
        # Sure by its cell alone, or else by a coarse and then a close look around it.
        room = grid.distance_mm.ravel()[cell[own]] - grid.pitch_mm * (_BOUND - 0.5)
        met = (room >= least) & (np.linalg.norm(middles - self.points[own], axis=1) <= near)
        for steps in (3, 7):
            beside = np.stack(np.meshgrid(*[np.linspace(-1.5, 1.5, steps)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
            left = np.flatnonzero(~met)
            for some in np.array_split(left, max(1, len(left) // 64)):
                tried = middles[some, None] + grid.pitch_mm * beside
                free = np.linalg.norm(tried - self.points[own[some], None], axis=2) <= near
                free[free] = np.isinf(self.place.tree.query(tried[free], distance_upper_bound=least, workers=_CORES)[0])
                met[some] = free.any(axis=1)
        return np.asarray(met, dtype=bool)

    def _followed(
        self, number: int, own: Ints, cell: Ints, far: NDArray[np.int32], reached: Bools, ball_mm: float,
        reach_mm: float, tip_only: bool,
    ) -> tuple[Reach | None, Opening | None]:  # fmt: skip
        """The way to the nearest point of a group, or the place that is too narrow for it."""
        grid = self.place.grid
        own = own[np.argsort(far.ravel()[cell[own]], kind="stable")]
        for first in range(0, len(own), _LOOKED):
            met = self._meets(own[first : first + _LOOKED], cell, ball_mm)
            if met.any():
                own = own[first + int(met.argmax()) :]
                break
        else:
            return None, None
        best = own[0]
        trail = _trail(far, int(cell[best]))
        start = int(np.ravel_multi_index(tuple(trail[0]), far.shape))
        path = _pulled(grid.middles(trail), reached, grid)
        touch = self.points[best]
        depth = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum() + np.linalg.norm(path[-1] - touch))
        if len(path) < 2:
            depth = self._under(touch, depth)
        opening = None if len(path) < 2 else self._opening(path, ball_mm)
        if opening is not None and opening.size_mm < ball_mm - self.tolerance_mm:
            return None, opening
        if tip_only:
            before = self._body_mm(start)
            if depth > reach_mm + grid.pitch_mm or before + depth > self.probe.reach_mm + grid.pitch_mm:
                return None, None
            depth = depth + before if before else self._depth(path, depth, opening, tip_only)
        else:
            depth = self._depth(path, depth, opening, tip_only)
            if not self._within(depth, touch, opening, int(cell[best]), reached):
                return None, None
        if opening is None or opening.shape == "open":
            opening = self._rim(int(best)) or opening
        chain = None if tip_only else self._posed(own, cell, path, opening)
        facets = np.unique(self.hazards.facet[own])
        return (
            Reach(self.probe, self.place.stroke, depth, touch, path[0], path, facets, opening, chain, tip_only, number),
            None,
        )

    def _body_mm(self, cell: int) -> float:
        """How deep the whole finger goes to the cell where its thin tip takes over [mm]."""
        grid, steps = self.place.grid, self.body_steps[0]
        path = _pulled(grid.middles(_trail(steps, cell)), steps < _FAR, grid)
        return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())

    def _under(self, touch: Floats, most_mm: float) -> float:
        """Distance from a touched point to the room of the collar, when the ball lies in that room [mm]."""
        grid = self.place.grid
        low, high = (grid.cells((touch + sign * most_mm)[None])[0] for sign in (-1, 1))
        box = tuple(slice(a, b + 1) for a, b in zip(low, high, strict=True))
        room = np.argwhere(self.outside[box]) + low
        return float(np.linalg.norm(grid.middles(room) - touch, axis=1).min(initial=most_mm))

    def _rim(self, point: int) -> Opening | None:
        """The opening that a touched point lies in, where the ball touches it from outside."""
        grid, touch = self.place.grid, self.points[point]
        most = self.probe.diameter_mm
        low, high = (grid.cells((touch + sign * most)[None])[0] for sign in (-1, 1))
        box = tuple(slice(a, b + 1) for a, b in zip(low, high, strict=True))
        room = grid.middles(np.argwhere(self.outside[box]) + low) - touch
        if not len(room):
            return None
        inward = -room[np.argmin(np.linalg.norm(room, axis=1))]
        length = float(np.linalg.norm(inward))
        if length < grid.pitch_mm / 2:
            return None
        return self._section(touch + grid.pitch_mm * self.normals[point], inward / length)

    def _depth(self, path: Floats, depth_mm: float, opening: Opening | None, tip_only: bool) -> float:
        """Depth counted from where a flat collar rests rather than from the cells of its room [mm]."""
        if opening is None:
            return depth_mm
        axis, radius = opening.axis, self.probe.collar_mm / 2
        skin = self.place.skin[0] - path[0]
        along = skin @ axis
        beside = np.linalg.norm(skin - np.outer(along, axis), axis=1)
        dip = radius - np.sqrt(max(radius**2 - (min(opening.size_mm, 2 * radius) / 2) ** 2, 0.0))
        # A thin tip's way begins in the middle of the finger, before the mouth.
        room = _COARSE * self.place.grid.pitch_mm + (self.probe.radius_mm if tip_only else 0.0)
        # The face of the collar rests on what stands out most around the mouth.
        rest = skin[(beside <= radius) & (np.abs(along) <= dip + room)] @ axis
        return depth_mm - float(rest.min()) if len(rest) else depth_mm

    def _within(self, depth_mm: float, touch: Floats, opening: Opening | None, cell: int, reached: Bools) -> bool:
        """Whether the collar's rule lets the probe go as deep as that."""
        probe, voxel = self.probe, self.place.grid.pitch_mm
        if depth_mm > probe.reach_mm + voxel:
            return False
        if opening is not None or not probe.arm or self._open_within(touch, probe.arm * probe.collar_mm):
            return True
        # In the room of the collar: the narrowest place behind the room of a far larger ball bounds the arm.
        wide = self.place.fine_room(probe.unlimited_mm, max(_COARSE, round(_WIDE_MM / voxel)))
        limit = int(_LONGER * 3 * probe.arm * probe.unlimited_mm / voxel)
        far = _steps(reached, reached & wide, np.array([cell]), limit)
        if far.ravel()[cell] in (0, _FAR):
            return bool(far.ravel()[cell] == 0)
        path = _pulled(self.place.grid.middles(_trail(far, cell)), reached, self.place.grid)
        outer = self._opening(path, probe.collar_mm)
        if outer is None or outer.shape == "open" or outer.size_mm < probe.collar_mm:
            return True
        deep = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum()) + probe.radius_mm
        return deep - 2 * voxel <= probe.arm * outer.size_mm

    def _open_within(self, touch: Floats, far_mm: float) -> bool:
        """Whether a straight line leads from a point out of the grid within a length."""
        grid = self.place.grid
        away = np.arange(grid.pitch_mm, far_mm, grid.pitch_mm / 2)
        lines = touch + away[:, None, None] * sphere_directions(0)
        solid = grid.solid[tuple(grid.cells(lines.reshape(-1, 3)).T)].reshape(lines.shape[:2])
        low, high = grid.origin_mm, grid.middles(np.array(grid.solid.shape) - 1)
        left = ((lines < low) | (lines > high)).any(axis=2)
        return bool((left.any(axis=0) & ~(solid & ~left).any(axis=0)).any())

    def _opening(self, path: Floats, ball_mm: float) -> Opening | None:
        """The narrowest section of a way, its last stretch beside the touched face left out."""
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        stop = max(length[-1] - ball_mm / 2, 0.35 * length[-1])
        at = np.linspace(0.0, stop, 3 * _STATIONS)
        points = np.column_stack([np.interp(at, length, path[:, k]) for k in range(3)])
        clear = self.place.grid.at(points)
        chosen = np.sort(np.argsort(clear, kind="stable")[:_STATIONS])
        segment = np.clip(np.searchsorted(length, at[chosen], side="right") - 1, 0, len(path) - 2)
        step = path[segment + 1] - path[segment]
        step /= np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9)
        return self._narrowest(points[chosen], step)

    def _narrowest(self, points: Floats, step: Floats) -> Opening | None:
        """The narrowest section at some points, square to the walls around."""
        steps = np.broadcast_to(step, points.shape)
        sections = [self._section(point, along) for point, along in zip(points, steps, strict=True)]
        found = [opening for opening in sections if opening is not None]
        closed = [opening for opening in found if opening.shape != "open"] or found
        return min(closed, key=lambda opening: opening.size_mm, default=None)

    def _section(self, point: Floats, along: Floats) -> Opening | None:
        axis = _walled(self.place, point, along, self.probe.diameter_mm)
        up = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
        up /= np.linalg.norm(up)
        matter = plane_section(self.place.vertices, self.place.faces, point, axis, up)
        view = shapely.box(-_VIEW_MM, -_VIEW_MM, _VIEW_MM, _VIEW_MM)
        parts = shapely.get_parts(view.difference(matter))
        here = [part for part in parts if part.distance(shapely.Point(0.0, 0.0)) <= self.place.grid.pitch_mm]
        if not here:
            return None
        air = max(here, key=lambda part: part.area)
        line = shapely.maximum_inscribed_circle(air, tolerance=0.01)
        middle = np.array(line.coords[0])
        shape, long_mm = _shape_of(air)
        if air.intersects(view.boundary):
            shape = "open"
        right = np.cross(up, axis)
        ring = shapely.get_coordinates(air.exterior)
        return Opening(
            2 * line.length, long_mm, shape, point + middle[0] * right + middle[1] * up, axis,
            point + ring[:, :1] * right + ring[:, 1:] * up,
        )  # fmt: skip

    def _close(self, free: Bools, narrow: Opening) -> None:
        """Take the cells of a place that is too narrow out of those that are free."""
        grid = self.place.grid
        reach = narrow.long_mm + 2 * grid.pitch_mm
        low, high = (grid.cells((narrow.point_mm + sign * reach)[None])[0] for sign in (-1, 1))
        box = tuple(slice(a, b + 1) for a, b in zip(low, high, strict=True))
        cells = np.argwhere(free[box]) + low
        off = grid.middles(cells) - narrow.point_mm
        along = off @ narrow.axis
        beside = np.linalg.norm(off - np.outer(along, narrow.axis), axis=1)
        gone = cells[(np.abs(along) <= 1.5 * grid.pitch_mm) & (beside <= reach)]
        free[tuple(gone.T)] = False

    def _posed(self, own: Ints, cell: Ints, path: Floats, opening: Opening | None) -> Floats | None:
        """A jointed probe that touches a group and can be drawn out, or None."""
        grid, probe = self.place.grid, self.probe
        cells = np.unique(cell[own])
        tips = grid.middles(np.column_stack(np.unravel_index(cells, grid.solid.shape)))
        tips = tips[np.argsort(np.linalg.norm(tips - path[-1], axis=1), kind="stable")]
        tips = tips[np.linspace(0, len(tips) - 1, min(_TIPS, len(tips))).astype(int)]
        target = cKDTree(self.points[own])
        guided = [_guided(path, probe)]
        if opening is not None and opening.shape != "open":
            inward = max(float((path[-1] - opening.point_mm) @ opening.axis), 0.0)
            guided.append(
                _guided(np.array([opening.point_mm, opening.point_mm + (inward + 1e-3) * opening.axis]), probe)
            )
        for posture in guided:
            self._lift(posture)
        starts: list[Floats] = []
        for some in (lambda: guided, lambda: _postures(grid, tips, probe)[:_REFINED]):
            for start in some():
                if self._good(_one_chain(start, probe), target):
                    return _one_chain(start, probe)
                starts.append(start)
        refined = []
        for start in starts:
            refined.append(_refined(grid, start, probe, target))
            if self._good(_one_chain(refined[-1], probe), target):
                return _one_chain(refined[-1], probe)
        room = _clearance(grid, np.array(refined), probe)
        for number in np.argsort(-room, kind="stable")[:_POLISHED]:
            chain = _one_chain(self._polished(refined[number], target), probe)
            if self._good(chain, target):
                return chain
        return None

    def _lift(self, posture: Floats) -> None:
        """Draw a posture back along its tip link until its tip cuts into nothing."""
        step = self.tolerance_mm / 6
        for _ in range(int(3 * self.place.grid.pitch_mm / step)):
            if self.place.tree.query(posture[:3])[0] >= self.probe.radius_mm - step:
                break
            posture[:3] += step * posture[3:6]

    def _good(self, chain: Floats, target: "cKDTree[None]") -> bool:
        return _touches(chain, target, self.probe, self.place.grid.pitch_mm) and self._proved(chain)

    def _polished(self, posture: Floats, target: "cKDTree[None]") -> Floats:
        """A posture moved about once more, by distances to the surface itself instead of cells."""
        grid, probe, tree = self.place.grid, self.probe, self.place.tree

        def room(chain: Floats) -> Floats:
            far, _ = tree.query(chain.reshape(-1, 3), distance_upper_bound=2 * probe.diameter_mm)
            return np.asarray(far.reshape(chain.shape[:-1]).min(axis=1) - probe.radius_mm, dtype=float)

        return _refined(grid, posture, probe, target, room)

    def _proved(self, chain: Floats) -> bool:
        """Whether a posed probe and its way out are free of the mesh itself, within half the tolerance."""
        probe, tree, slack = self.probe, self.place.tree, self.tolerance_mm / 2
        out = (chain[3] - chain[2]) / np.linalg.norm(chain[3] - chain[2])
        middle = chain[3] + out * probe.collar_length_mm / 2
        near = tree.query_ball_point(middle, float(np.hypot(probe.collar_length_mm, probe.collar_mm)) / 2)
        off = self.place.skin[0][near] - chain[3]
        along = off @ out
        beside = np.linalg.norm(off - np.outer(along, out), axis=1)
        if ((along > slack) & (along < probe.collar_length_mm) & (beside < probe.collar_mm / 2 - slack)).any():
            return False
        ways = _withdrawals(chain, probe)
        return any(all(_clear(state, tree, probe.radius_mm - slack) for state in states) for states in ways)


def _connected(free: Bools) -> Bools:
    """Free cells joined to the first corner of the grid, less its rim so that no step wraps around."""
    label, _ = ndimage.label(free, _AROUND)
    return _inner(np.asarray(label == label[0, 0, 0], dtype=bool) & free[0, 0, 0])


def _inner(cells: Bools) -> Bools:
    """Cells less those on the rim of the grid."""
    inner = np.zeros_like(cells)
    inner[1:-1, 1:-1, 1:-1] = cells[1:-1, 1:-1, 1:-1]
    return inner


def _dilated(cells: Bools) -> Bools:
    """Cells and their 26 neighbours."""
    grown = cells
    for axis in range(3):
        line = np.moveaxis(grown.copy(), axis, 0)
        old = np.moveaxis(grown, axis, 0)
        line[1:] |= old[:-1]
        line[:-1] |= old[1:]
        grown = np.moveaxis(line, 0, axis)
    return grown


def _steps(reached: Bools, start: Bools, targets: Ints | None, limit: int) -> NDArray[np.int32]:
    """Steps from the start to each cell, three along an axis; until all targets, if any, have their number."""
    far = np.full(reached.shape, _FAR, dtype=np.int32)
    flat, open_ = far.reshape(-1), reached.reshape(-1)
    inner = start & _dilated(reached & ~start)
    flat[start.reshape(-1)] = 0
    waiting: dict[int, list[Ints]] = {0: [np.flatnonzero(inner)]}
    offsets = [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x or y or z]
    strides = (reached.shape[1] * reached.shape[2], reached.shape[2], 1)
    moves = [(sum(d * s for d, s in zip(o, strides, strict=True)), _STEPS[sum(map(abs, o))]) for o in offsets]
    left = np.empty(0, np.int64) if targets is None else np.unique(targets)
    now = 0
    while waiting and now <= limit:
        # A cell is told each number once; where a lower one came since, it is void.
        front = np.concatenate(waiting.pop(now, [np.empty(0, np.int64)]))
        front = front[flat[front] == now]
        if len(front):
            for move, cost in moves:
                beyond = front + move
                beyond = beyond[open_[beyond]]
                beyond = beyond[flat[beyond] > now + cost]
                if len(beyond):
                    flat[beyond] = now + cost
                    waiting.setdefault(now + cost, []).append(beyond)
            left = left[flat[left] > now]
            if targets is not None and not len(left):
                break
        now += 1
    return far


def _trail(far: NDArray[np.int32], cell: int) -> Ints:
    """Cells from the start to a cell along falling steps, (k, 3)."""
    at = np.array(np.unravel_index(cell, far.shape))
    trail = [at]
    around = np.argwhere(_AROUND) - 1
    around = around[np.abs(around).sum(axis=1) > 0]
    cost = np.array([_STEPS[int(n)] for n in np.abs(around).sum(axis=1)])
    while far[tuple(at)] > 0:
        beside = at + around
        fits = far[tuple(beside.T)] + cost == far[tuple(at)]
        at = beside[np.argmax(fits)]
        trail.append(at)
    return np.array(trail[::-1])


def _pulled(points: Floats, reached: Bools, grid: SolidGrid) -> Floats:
    """A way through cells pulled straight where the straight line stays in reached cells."""
    kept = [0]
    while kept[-1] < len(points) - 1:
        here, ahead = kept[-1], len(points) - 1
        while ahead > here + 1:
            count = int(np.linalg.norm(points[ahead] - points[here]) / grid.pitch_mm * 2) + 2
            line = grid.cells(np.linspace(points[here], points[ahead], count))
            if reached[tuple(line.T)].all():
                break
            ahead -= 1
        kept.append(ahead)
    return points[kept]


def _walled(place: Scene, point: Floats, along: Floats, near_mm: float) -> Floats:
    """Axis of the walls around a point: the direction of the way less what leads into a wall."""
    _, normal = place.skin
    far, _ = place.tree.query(point)
    around = place.tree.query_ball_point(point, float(far) + near_mm / 2)
    walls = normal[around]
    walls = walls[np.abs(walls @ along) < 0.7]
    if len(walls) < 4:
        return along
    value, direction = np.linalg.eigh(walls.T @ walls / len(walls))
    axis = along.copy()
    for k in range(3):
        if value[k] > 0.15:
            axis = axis - (axis @ direction[:, k]) * direction[:, k]
    length = np.linalg.norm(axis)
    return axis / length if length > 0.5 else along


def _shape_of(air: shapely.Polygon) -> tuple[str, float]:
    """Slot, square or round by the outline's own shape, and its long side [mm]."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(air))
    sides = np.sort(np.linalg.norm(np.diff(box[:3], axis=0), axis=1)) if len(box) >= 3 else np.ones(2)
    if sides[1] >= 1.5 * max(sides[0], 1e-9):
        return "slot", float(sides[1])
    circle = np.pi * shapely.minimum_bounding_radius(air) ** 2
    return ("round" if air.area > 0.85 * circle else "square"), float(sides[1])


# A posture: middle of the tip (3), direction of the tip link (3), normal of the bends (3), two bends [deg].


def _chain(postures: Floats, probe: Probe) -> Floats:
    """Middle of the tip, joints and collar of postures (n, 11), as (n, 4, 3) [mm]."""
    tip, u, n = postures[:, :3], postures[:, 3:6], postures[:, 6:9]
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    n = n - (n * u).sum(axis=1, keepdims=True) * u
    n = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12)
    side = np.cross(n, u)
    bend = np.radians(np.clip(postures[:, 9:11], 0.0, _LIMIT_DEG))
    chain = [tip, tip + probe.links_mm[0] * u]
    for angle, length in zip((bend[:, 0], bend.sum(axis=1)), probe.links_mm[1:], strict=True):
        chain.append(chain[-1] + length * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * side))
    return np.stack(chain, axis=1)


def _clearance(
    grid: SolidGrid, postures: Floats, probe: Probe, beside: Callable[[Floats], Floats] | None = None
) -> Floats:
    """Least room beside the finger (by cells, or as told) and its collar, negative where they cut in, (n,) [mm]."""
    chain = _chain(postures, probe)
    along = []
    for start, end in ((0, 1), (1, 2), (2, 3)):
        share = np.linspace(0.0, 1.0, max(int(probe.links_mm[start]), 2))
        along.append(chain[:, start, None] + share[:, None] * (chain[:, end] - chain[:, start])[:, None])
    line = np.concatenate(along, axis=1)
    if beside is not None:
        room = beside(line)
    else:
        room = grid.at(line.reshape(-1, 3)).reshape(line.shape[:2]).min(axis=1) - probe.radius_mm
    return np.minimum(room, _collar_room(grid, chain, probe))


def _collar_room(grid: SolidGrid, chain: Floats, probe: Probe) -> Floats:
    """Least room around the collar, less half a cell, (n,) [mm]."""
    out = chain[:, 3] - chain[:, 2]
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    side = np.cross(out, np.eye(3)[np.argmin(np.abs(out), axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(out, side)
    turn = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    samples = []
    for back in (grid.pitch_mm, probe.collar_length_mm / 2, probe.collar_length_mm):
        for radius in (0.0, probe.collar_mm / 4, probe.collar_mm / 2):
            ring = radius * (np.cos(turn)[:, None, None] * side + np.sin(turn)[:, None, None] * other)
            samples.append(chain[:, 3] + back * out + ring)
    points = np.concatenate(samples)
    inside = ((points >= grid.origin_mm) & (points <= grid.middles(np.array(grid.solid.shape) - 1))).all(axis=2)
    room = np.where(inside, grid.at(points.reshape(-1, 3)).reshape(inside.shape), np.inf)
    return np.asarray(room.min(axis=0) - grid.pitch_mm / 2, dtype=float)


def _postures(grid: SolidGrid, tips: Floats, probe: Probe) -> Floats:
    """Postures whose links are free or nearly so, the roomiest first, (n, 11)."""
    slack = 0.75 * grid.pitch_mm
    directions = sphere_directions(_DIRECTIONS)
    found = np.zeros((len(tips) * len(directions), 11))
    found[:, :3] = np.repeat(tips, len(directions), axis=0)
    found[:, 3:6] = np.tile(directions, (len(tips), 1))
    found = _few(found[_link_room(grid, found, probe, 0) >= -slack])
    side = np.cross(found[:, 3:6], np.eye(3)[np.argmin(np.abs(found[:, 3:6]), axis=1)])
    other = np.cross(found[:, 3:6], side)
    turns = np.linspace(0.0, 2 * np.pi, _TURNS, endpoint=False)
    found = np.repeat(found, _TURNS, axis=0)
    turn = np.tile(turns, len(side))[:, None]
    found[:, 6:9] = np.cos(turn) * np.repeat(side, _TURNS, axis=0) + np.sin(turn) * np.repeat(other, _TURNS, axis=0)
    for link in (1, 2):
        found = np.repeat(found, len(_BENDS_DEG), axis=0)
        found[:, 8 + link] = np.tile(_BENDS_DEG, len(found) // len(_BENDS_DEG))
        found = _few(found[_link_room(grid, found, probe, link) >= -slack])
    room = _clearance(grid, found, probe)
    return np.asarray(found[np.argsort(-room, kind="stable")], dtype=float)


def _one_chain(posture: Floats, probe: Probe) -> Floats:
    """Joints of one posture."""
    return np.asarray(_chain(posture[None], probe)[0], dtype=float)


def _few(postures: Floats) -> Floats:
    """No more postures than are followed up, evenly chosen."""
    if len(postures) <= _KEPT:
        return postures
    return np.asarray(postures[np.linspace(0, len(postures) - 1, _KEPT).astype(int)], dtype=float)


def _link_room(grid: SolidGrid, postures: Floats, probe: Probe, link: int) -> Floats:
    """Room beside one link, by the nearest cells, (n,) [mm]."""
    chain = _chain(postures, probe)
    room = np.full(len(postures), np.inf)
    for share in np.linspace(0.0, 1.0, max(int(probe.links_mm[link] / 1.5), 2)):
        cells = grid.cells(chain[:, link] + share * (chain[:, link + 1] - chain[:, link]))
        room = np.minimum(room, grid.distance_mm[tuple(cells.T)])
    return room - probe.radius_mm


def _guided(path: Floats, probe: Probe) -> Floats:
    """The posture that follows a way, (11,)."""
    back = path[::-1]
    out = back[-1] - back[-2] if len(back) > 1 else np.array([0.0, 0.0, 1.0])
    line = np.vstack([back, back[-1] + 3 * probe.reach_mm * out / max(float(np.linalg.norm(out)), 1e-9)])
    chain = _led(line, 0.0, probe)
    links = np.diff(chain, axis=0)
    links /= np.linalg.norm(links, axis=1, keepdims=True)
    normal = np.cross(links[0], links[1]) + np.cross(links[1], links[2])
    if np.linalg.norm(normal) < 1e-6:
        normal = np.cross(links[0], np.eye(3)[np.argmin(np.abs(links[0]))])
    bends = [np.degrees(np.arccos(np.clip(links[k] @ links[k + 1], -1.0, 1.0))) for k in (0, 1)]
    return np.concatenate([chain[0], links[0], normal, bends])


def _led(line: Floats, start_mm: float, probe: Probe) -> Floats:
    """A chain drawn along a line from a place on it: tip, joints and collar all on the line, (4, 3) [mm]."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.arange(start_mm, min(start_mm + 2.5 * probe.reach_mm, length[-1]), 0.1)
    dense = np.column_stack([np.interp(at, length, line[:, k]) for k in range(3)])
    chain, index = [dense[0]], 0
    for link in probe.links_mm:
        far = np.linalg.norm(dense[index:] - chain[-1], axis=1) >= link
        index += int(np.argmax(far)) if far.any() else len(far) - 1
        chain.append(dense[index])
    return np.array(chain)


def _refined(
    grid: SolidGrid,
    start: Floats,
    probe: Probe,
    target: "cKDTree[None]",
    beside: Callable[[Floats], Floats] | None = None,
) -> Floats:
    """A posture moved about for more room while its tip stays on the target, (11,)."""
    random = np.random.default_rng(0)

    def worth(postures: Floats) -> Floats:
        room = _clearance(grid, postures, probe, beside)
        gap = target.query(postures[:, :3])[0] - probe.radius_mm
        # Of postures as roomy the more bent one, which hugs the outside of a corner and is drawn out more easily.
        bent = 1e-3 * grid.pitch_mm * postures[:, 9:11].sum(axis=1)
        return np.asarray(np.minimum(np.minimum(room, grid.pitch_mm / 2), grid.pitch_mm - gap) + bent, dtype=float)

    size = np.array([grid.pitch_mm] * 3 + [0.12] * 3 + [0.3] * 3 + [12.0] * 2)
    best = start.copy()
    best[6:9] /= np.linalg.norm(best[6:9])
    value = float(worth(best[None])[0])
    for turn in range(_ROUNDS):
        scale = 1.5 * 0.88**turn
        trials = best + scale * size * random.normal(size=(_TRIALS, 11))
        trials[:, 9:11] = np.clip(trials[:, 9:11], 0.0, _LIMIT_DEG)
        trials[:, 3:6] /= np.linalg.norm(trials[:, 3:6], axis=1, keepdims=True)
        trials[:, 6:9] /= np.linalg.norm(trials[:, 6:9], axis=1, keepdims=True)
        values = worth(trials)
        if values.max() > value:
            best, value = trials[np.argmax(values)], float(values.max())
    return best


def _touches(chain: Floats, target: "cKDTree[None]", probe: Probe, pitch_mm: float) -> bool:
    return bool(target.query(chain[0])[0] <= probe.radius_mm + pitch_mm)


def _clear(chain: Floats, skin: "cKDTree[None]", least_mm: float) -> bool:
    """Whether no point of the surface is nearer to the middle line of a chain than this."""
    links = [np.linspace(a, b, int(np.linalg.norm(b - a) / _ALONG_MM) + 2) for a, b in pairwise(chain)]
    return bool(np.isinf(skin.query(np.vstack(links), distance_upper_bound=least_mm)[0]).all())


def _withdrawals(chain: Floats, probe: Probe) -> Iterator[Iterator[Floats]]:
    """Ways to take a posed chain out: drawn along its own line, or pulled straight out while it unbends."""
    out = (chain[3] - chain[2]) / np.linalg.norm(chain[3] - chain[2])
    drawn = np.linspace(0.0, probe.reach_mm, _WITHDRAWN)
    line = np.vstack([chain, chain[3] + 4 * probe.reach_mm * out])
    yield (_led(line, float(far), probe) for far in drawn)
    links = np.diff(chain, axis=0) / probe.links_mm[:, None]
    bent = [Rotation.align_vectors(links[k][None], links[k + 1][None])[0].as_rotvec() for k in (0, 1)]
    if max(np.linalg.norm(turn) for turn in bent) < np.radians(1.0):
        return
    for bends in _UNBENT:
        share = np.maximum(1.0 - drawn / probe.links_mm[:2].sum(), 0.0) ** bends
        yield (_unbent(chain[3] + far * out, out, bent, part, probe) for far, part in zip(drawn, share, strict=True))


def _unbent(collar: Floats, out: Floats, bent: list[Floats], share: float, probe: Probe) -> Floats:
    """A chain from its collar inward, its joints bent by a share of what they were, (4, 3) [mm]."""
    second = Rotation.from_rotvec(share * bent[1]).apply(out)
    first = Rotation.from_rotvec(share * bent[0]).apply(second)
    joint = collar - probe.links_mm[2] * out
    before = joint - probe.links_mm[1] * second
    return np.array([before - probe.links_mm[0] * first, before, joint, collar])
