"""Local thickness by rays: walls in the plane of each layer, skins straight up and down.

A wall is read where it is printed: from the outline of each distinct layer along its inward
normal to the outline opposite.  The rays run against the layers' own outlines, set up as low
fences in one ray tree, so that seams and overlapping bodies which the layers have settled do
not come back as false thin readings.  The tree only names the fence that was hit; the distance
is then computed in double precision, so that a wall drawn two lines wide reads two lines wide.
The mesh itself says how the two faces lean, so that the narrow last layers of a ridge or a dome
are told from a wall.

No answer rests on a single ray: thin samples are joined into places, and a place counts only
when its area, length and height are credible.

References
----------
Shapira, Shamir, Cohen-Or, The Visual Computer 24 (2008) 249: thickness by rays along the inward
normal (from memory).  Here the cone is closed to the single normal ray, since a wide cone reads
a plate too thick.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reviewkit.measure.rays import RayTree
from reviewkit.model import Box, Floats, Vector

if TYPE_CHECKING:
    from reviewkit.measure.layers import Layers

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Distance of neighbouring runs of layers, as a share of the joining distance.
_RUN_STEP = 0.6
# Samples are always joined within this many of their mean distances.
_NEIGHBOURS = 1.25
# An oblique reading goes on with the wall beside it unless it is narrower than this share of it.
_TAPERS_BELOW = 0.9
# The facets of a tall wall are looked up once for so much height, and so often at most.
_LOOK_MM = 1.0
_MOST_LOOKS = 8
# Widths closer than this are equal when the thinnest surface is cut off from the rest.
_TIE_MM = 1e-4
# Finely drawn curves are sampled at the wanted distance, and not once a segment, above this many samples.
_FEW_SAMPLES = 20_000
# What a fence stands over at each end, above the rounding of 32 bit and below the lift of a ray.
_OVERLAP_MM = 1e-4
# Facets at an outline are looked up from this far before it.
_BACK_MM = 0.01
# Bodies that one straight line may enter and leave before it is given up.
_MOST_CROSSINGS = 16


@dataclass(frozen=True, eq=False)
class Samples:
    """Readings of thickness, each standing for a piece of the surface; plate frame.

    Parameters
    ----------
    point : (n, 3) float
        Where the ray starts on the surface [mm].
    normal : (n, 3) float
        Outward normal of the surface there [-].
    inward : (n, 3) float
        Direction of the ray through the material [-].
    width_mm : (n,) float
        To the opposite surface along `inward`; infinite where nothing was hit [mm].
    opposite_normal : (n, 3) float
        Outward normal of the surface hit; zero where nothing was [-].
    clearance_mm : (n,) float
        To the next surface the other way, through air; infinite where it is free [mm].
    clearance_normal : (n, 3) float
        Outward normal of that surface; zero where it is free [-].
    area_mm2 : (n,) float
        Surface that the sample stands for [mm2].
    spacing_mm : float
        Mean distance of neighbouring samples [mm].
    """

    point: Floats
    normal: Floats
    inward: Floats
    width_mm: Floats
    opposite_normal: Floats
    clearance_mm: Floats
    clearance_normal: Floats
    area_mm2: Floats
    spacing_mm: float

    def __len__(self) -> int:
        return len(self.width_mm)

    @cached_property
    def taper_deg(self) -> Floats:
        """Angle between the two faces of the wall, 0 where they are parallel, (n,) float [deg]."""
        return _angle_between_faces(self.normal, self.opposite_normal)

    @cached_property
    def clearance_taper_deg(self) -> Floats:
        """Angle between the two faces of the gap, 0 where they are parallel, (n,) float [deg]."""
        return _angle_between_faces(self.normal, self.clearance_normal)

    @cached_property
    def opposite(self) -> Floats:
        """Where each ray ends, its start where it met nothing, (n, 3) float [mm]."""
        return self.point + self.inward * np.where(np.isfinite(self.width_mm), self.width_mm, 0.0)[:, None]

    def _pieces(self, chosen: Ints) -> _Pieces:
        """The chosen samples as pieces of wall in the place where they really are."""
        middle = self._middle(chosen)
        ends = np.column_stack([self.point[chosen, 2], self.opposite[chosen, 2]])
        return _Pieces(chosen, middle, ends.min(1), ends.max(1), self.area_mm2[chosen], np.zeros_like(chosen))

    def _middle(self, chosen: Ints) -> Floats:
        """Points midway between the two faces."""
        return self.point[chosen] + self.inward[chosen] * (self.width_mm[chosen] / 2)[:, None]

    def _address(self, pieces: _Pieces, reach_mm: float) -> Floats:  # noqa: ARG002 - walls need the reach
        """Where pieces are for joining within `reach_mm`, (n, 3) float [mm]."""
        return pieces.middle


@dataclass(frozen=True, eq=False)
class Walls(Samples):
    """In-plane readings on the outlines of the distinct layers.

    Equal layers are sampled once: a sample's area covers all of them, and `run_layer` tells at
    which heights they stand.

    Parameters
    ----------
    layer : (n,) int
        Layer of each sample, the first of its equals [-].
    run_layer : (r,) int
        For each run of equal layers, from the plate up, the first of their equals [-].
    run_bottom_mm, run_top_mm : (r,) float
        Heights where each run begins and ends [mm].
    """

    layer: Ints
    run_layer: Ints
    run_bottom_mm: Floats
    run_top_mm: Floats

    def _pieces(self, chosen: Ints) -> _Pieces:
        """One piece for each chosen sample and each run of layers that it stands for."""
        order = np.argsort(self.run_layer, kind="stable")
        first = np.searchsorted(self.run_layer[order], self.layer[chosen], side="left")
        count = np.searchsorted(self.run_layer[order], self.layer[chosen], side="right") - first
        run = order[np.repeat(first, count) + _counted(count)]
        sample = np.repeat(chosen, count)
        bottom, top = self.run_bottom_mm[run], self.run_top_mm[run]
        middle = self._middle(sample)
        middle[:, 2] = (bottom + top) / 2
        stack = np.bincount(self.run_layer, weights=self.run_top_mm - self.run_bottom_mm)
        area = self.area_mm2[sample] * (top - bottom) / stack[self.layer[sample]]
        return _Pieces(sample, middle, bottom, top, area, run)

    def _address(self, pieces: _Pieces, reach_mm: float) -> Floats:
        """Runs are set so far apart that each meets the next one but never the one after it."""
        return np.column_stack([pieces.middle[:, :2], pieces.run * (_RUN_STEP * reach_mm)])


@dataclass(frozen=True, eq=False)
class Skins(Samples):
    """Readings straight up or down through floors and roofs; their gaps are vertical."""


@dataclass(frozen=True, eq=False)
class ThinPlace:
    """Joined samples: one wall, edge or skin, in the plate frame.

    Parameters
    ----------
    kind : str
        ``wall`` where the faces run alike, ``edge`` where they meet at an angle.
    point_mm : tuple of float
        Middle of the place on the surface midway between its two faces [mm].
    normal : tuple of float
        Thin direction, without sign [-].
    box_mm : tuple
        Least and greatest corner, both faces included [mm].
    area_mm2 : float
        Area of one side [mm2].
    share : float
        Part of all sampled surface [-].
    length_mm : float
        How long the wall is in plan: area over height; of a skin its longest way across [mm].
    height_mm : float
        From its lowest to its highest layer [mm].
    width_mm : float
        Credible width: 5 % of the area is thinner [mm].
    median_mm : float
        Half of the area is thinner [mm].
    spread_mm : float
        From the 5 % to the 95 % quantile [mm].
    uncertainty_mm : float
        Half-width at 95 % of the credible width: half the step between the quantiles beside it,
        zero on a wall of constant width [mm].
    taper_deg : float
        Median angle between the faces [deg].
    samples : (m,) int
        Samples in the place; one that stands for several runs of layers may be named more than once [-].
    bottom_mm, top_mm : (m,) float
        Heights that each of them covers here [mm].
    """

    kind: str
    point_mm: Vector
    normal: Vector
    box_mm: Box
    area_mm2: float
    share: float
    length_mm: float
    height_mm: float
    width_mm: float
    median_mm: float
    spread_mm: float
    uncertainty_mm: float
    taper_deg: float
    samples: Ints
    bottom_mm: Floats
    top_mm: Floats


def wall_samples(
    layers: Layers, vertices: Floats, faces: Ints, rays: RayTree, spacing_mm: float = 0.5, most: int = 400_000
) -> Walls:
    """Width of the walls, and of the gaps beside them, in the plane of each distinct layer.

    Parameters
    ----------
    layers : Layers
        All layers as polygons in the plate frame.
    vertices : (n, 3) float
        Corner points of the mesh in the same frame [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    rays : RayTree
        Tree of the same mesh.
    spacing_mm : float
        Wanted distance of samples along an outline [mm].
    most : int
        Samples at most; above it they are thinned out evenly along the outlines [-].

    Returns
    -------
    Walls
        Empty when no layer holds anything.

    Notes
    -----
    Each straight piece of outline is cut into equal parts and read in the middle of each, so
    never on a corner.  At a convex corner of 90 degrees the ray reads the wall; towards the tip
    of an acute corner it falls to zero, and ``taper_deg`` tells why.  Where the mesh has no facet
    at an outline (a seam that the layers bridged), the face is taken to be upright.
    """
    start, end, segment_layer = _outlines(layers)
    heights = np.bincount(layers.same_as, weights=layers.thickness_mm, minlength=len(layers.same_as))
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    segment, share, piece = _spread_out(length, spacing_mm, most)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]

    fences = _Fences(start, end, outward, segment_layer)
    flat, layer = outward[segment], segment_layer[segment]
    foot = start[segment] + share[:, None] * along[segment]
    width, opposite = fences.first_hit(foot, -flat, layer)
    clearance, beyond = fences.first_hit(foot, flat, layer)

    surface = _Surface(rays, vertices, faces)
    point, outward_ray, inward_ray = np.column_stack([foot, layers.z_mm[layer]]), _flat(flat), _flat(-flat)
    near = np.zeros(len(point))
    first_of_run = (
        np.flatnonzero(np.r_[True, np.diff(layers.same_as) != 0]) if len(layers.same_as) else np.zeros(0, int)
    )
    last_of_run = np.r_[first_of_run[1:], len(layers.same_as)][: len(first_of_run)] - 1
    return Walls(
        point=point,
        normal=surface.normal_at(point, outward_ray, near, outward_ray),
        inward=inward_ray,
        width_mm=width,
        opposite_normal=surface.normal_at(point, inward_ray, width, _flat(opposite)),
        clearance_mm=clearance,
        clearance_normal=surface.normal_at(point, outward_ray, clearance, _flat(beyond)),
        area_mm2=piece * heights[layer],
        spacing_mm=float(length.sum() / len(segment)) if len(segment) else spacing_mm,
        layer=layer,
        run_layer=layers.same_as[first_of_run].astype(np.int64),
        run_bottom_mm=layers.z_mm[first_of_run] - layers.thickness_mm[first_of_run] / 2,
        run_top_mm=layers.z_mm[last_of_run] + layers.thickness_mm[last_of_run] / 2,
    )


def skin_samples(
    vertices: Floats,
    faces: Ints,
    rays: RayTree,
    spacing_mm: float = 0.5,
    most: int = 50_000,
    steepest_deg: float = 45.0,
) -> Skins:
    """Thickness straight through floors and roofs, and the vertical gap on their free side.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    rays : RayTree
        Tree of the same mesh.
    spacing_mm : float
        Wanted distance of samples [mm].
    most : int
        Samples at most; above it the distance grows [-].
    steepest_deg : float
        Facets flatter than this, measured from the horizontal, are floors and roofs [deg].

    Returns
    -------
    Skins
        Empty when the part has no flat enough facet.

    Notes
    -----
    Facets that lie inside another body are left out: the air that should be outside them is
    material.  Through overlapping bodies the ray goes on until it has left them all.
    """
    surface = _Surface(rays, vertices, faces)
    flat = np.flatnonzero(np.abs(surface.normals[:, 2]) > np.cos(np.radians(steepest_deg)))
    area = surface.area[flat]
    count = int(min(most, np.ceil(area.sum() / spacing_mm**2)))
    if not count:
        vectors, numbers = np.zeros((0, 3)), np.zeros(0)
        return Skins(vectors, vectors, vectors, numbers, vectors, numbers, vectors, numbers, spacing_mm)

    face = flat[_systematic(area, count)]
    point = _random_points(vertices[faces[face]])
    normal = surface.normals[face]
    inward = np.zeros_like(normal)
    inward[:, 2] = -np.sign(normal[:, 2])
    clearance, beyond = surface.first_hit(point, -inward)
    # Air that ends on the inner side of a facet is no air: the sample lies inside another body.
    free = np.einsum("ij,ij->i", beyond, -inward) <= 0
    point, normal, inward, clearance, beyond = (a[free] for a in (point, normal, inward, clearance, beyond))
    width, opposite = surface.through(point, inward)
    return Skins(
        point=point,
        normal=normal,
        inward=inward,
        width_mm=width,
        opposite_normal=opposite,
        clearance_mm=clearance,
        clearance_normal=beyond,
        area_mm2=np.full(len(point), area.sum() / count),
        spacing_mm=float(np.sqrt(area.sum() / count)),
    )


def thin_places(
    samples: Samples,
    below_mm: float,
    *,
    join_mm: float,
    facing_deg: float,
    min_area_mm2: float,
    min_length_mm: float,
    min_height_mm: float = 0.0,
    from_mm: float = 0.0,
) -> tuple[list[ThinPlace], float]:
    """Places thinner than a bound, largest first.

    Parameters
    ----------
    samples : Walls or Skins
        Readings of the part.
    below_mm : float
        Samples narrower than this are thin [mm].
    join_mm : float
        Thin samples within this distance are one place, unless a gap parts them [mm].
    facing_deg : float
        Faces within this angle of parallel make a ``wall``, others an ``edge`` [deg].
    min_area_mm2, min_length_mm, min_height_mm : float
        Least size of a credible place: area of one side, the greater of length and height, and
        height [mm2, mm, mm].
    from_mm : float
        Samples narrower than this are left out [mm].

    Returns
    -------
    places : list of ThinPlace
        Credible places.
    small_mm2 : float
        One-sided area of all thin walls, edges apart, in places below credible size [mm2].
    """
    pieces = samples._pieces(np.flatnonzero((samples.width_mm >= from_mm) & (samples.width_mm < below_mm)))
    facing = _facing(samples, pieces, facing_deg, join_mm)
    least = (min_area_mm2, min_length_mm, min_height_mm)
    thin_walls, small_mm2 = _places(samples, pieces.only(facing), "wall", join_mm, least)
    edges, _ = _places(samples, pieces.only(~facing), "edge", join_mm, least)
    return _largest_first([*thin_walls, *edges]), small_mm2


def thinnest_place(
    samples: Samples,
    *,
    join_mm: float,
    facing_deg: float,
    min_area_mm2: float,
    min_length_mm: float,
    min_height_mm: float = 0.0,
    from_mm: float = 0.0,
) -> ThinPlace | None:
    """The credible wall or skin of least width, however thick; parameters as for :func:`thin_places`.

    Returns
    -------
    ThinPlace or None
        None when no reading of the part adds up to a credible place.

    Notes
    -----
    The thinnest facing surface is taken, twice as much at each try, until some of it is a place.
    Since that may be most of a thick part, samples are joined at their own distance, not farther.
    """
    join_mm = min(join_mm, _NEIGHBOURS * samples.spacing_mm)
    told = np.isfinite(samples.width_mm) & (samples.width_mm >= from_mm)
    facing = np.flatnonzero(told & (samples.taper_deg <= facing_deg))
    order = facing[np.argsort(samples.width_mm[facing], kind="stable")]
    area = np.cumsum(samples.area_mm2[order])
    wanted_mm2 = 2 * min_area_mm2
    while len(order):
        last = min(int(np.searchsorted(area, wanted_mm2)), len(order) - 1)
        places, _ = thin_places(
            samples,
            float(samples.width_mm[order[last]]) + _TIE_MM,
            join_mm=join_mm,
            facing_deg=facing_deg,
            min_area_mm2=min_area_mm2,
            min_length_mm=min_length_mm,
            min_height_mm=min_height_mm,
            from_mm=from_mm,
        )
        walls = [place for place in places if place.kind == "wall"]
        if walls:
            return min(walls, key=lambda place: (place.width_mm, place.point_mm))
        if last == len(order) - 1:
            break
        wanted_mm2 *= 2
    return None


def odd_widths(
    walls: Walls,
    line_mm: float,
    *,
    from_mm: float,
    to_mm: float,
    odd_from: float,
    odd_to: float,
    parallel_deg: float,
    spread_mm: float,
    join_mm: float,
    min_area_mm2: float,
    min_length_mm: float,
    min_height_mm: float = 0.0,
) -> list[ThinPlace]:
    """Parallel walls of steady width that is no whole number of lines, largest first.

    Parameters
    ----------
    walls : Walls
        Readings of the part.
    line_mm : float
        Width of one printed line [mm].
    from_mm, to_mm : float
        Widths looked at [mm].
    odd_from, odd_to : float
        Fraction of a line left over, between which a width is odd [-].
    parallel_deg : float
        Faces within this angle are parallel [deg].
    spread_mm : float
        Neighbours within this width are one wall; one whose width varies by more from end to end
        has no width that could be whole, and is left out [mm].
    join_mm, min_area_mm2, min_length_mm, min_height_mm : float
        As for :func:`thin_places` [mm, mm2, mm, mm].

    Returns
    -------
    list of ThinPlace
        Of kind ``wall``; ``median_mm`` is the width to judge.
    """
    width = walls.width_mm
    left_over = np.mod(np.where(np.isfinite(width), width, 0.0) / line_mm, 1.0)
    odd = (width >= from_mm) & (width < to_mm) & (left_over > odd_from) & (left_over < odd_to)
    pieces = walls._pieces(np.flatnonzero(odd & (walls.taper_deg <= parallel_deg)))
    places, _ = _places(walls, pieces, "wall", join_mm, (min_area_mm2, min_length_mm, min_height_mm), spread_mm)
    return _largest_first([place for place in places if place.spread_mm <= spread_mm])


def tip_below(line_mm: float, taper_deg: float) -> float:
    """Length of a tapered tip that is narrower than a line, along its middle plane [mm].

    Parameters
    ----------
    line_mm : float
        Width of one printed line [mm].
    taper_deg : float
        Angle between the two faces, above 0 and up to 180 [deg].
    """
    return float(line_mm / 2 / np.tan(np.radians(taper_deg) / 2))


def touched_faces(samples: Samples, place: ThinPlace, rays: RayTree) -> Ints:
    """Facets of the mesh on both faces of a thin place, (f,) int [-].

    Parameters
    ----------
    samples : Walls or Skins
        The readings that the place was made from.
    place : ThinPlace
        The place.
    rays : RayTree
        Tree of the mesh in the same frame.
    """
    middle, inward = samples._middle(place.samples), samples.inward[place.samples]
    if isinstance(samples, Walls):
        height = place.top_mm - place.bottom_mm
        looks = np.clip(np.ceil(height / _LOOK_MM), 1, _MOST_LOOKS).astype(np.int64)
        middle, inward = np.repeat(middle, looks, axis=0), np.repeat(inward, looks, axis=0)
        share = (_counted(looks) + 0.5) / np.repeat(looks, looks)
        middle[:, 2] = np.repeat(place.bottom_mm, looks) + share * np.repeat(height, looks)
    _, face = rays.first_hit(np.vstack([middle, middle]), np.vstack([inward, -inward]), lift_mm=0.0)
    return np.unique(face[face >= 0])


def area_share_below(samples: Samples, below_mm: float, facing_deg: float) -> float:
    """Share of all sampled surface on walls thinner than a bound, corners and edges apart [-]."""
    thin = (samples.width_mm < below_mm) & (samples.taper_deg <= facing_deg)
    return float(samples.area_mm2[thin].sum() / samples.area_mm2.sum()) if len(samples) else 0.0


def width_quantile(samples: Samples, share: float, facing_deg: float) -> float:
    """Width that this share of the surface on facing walls falls below; infinite without any [mm]."""
    facing = np.isfinite(samples.width_mm) & (samples.taper_deg <= facing_deg)
    if not facing.any():
        return float("inf")
    return _quantile(samples.width_mm[facing], samples.area_mm2[facing], share)


def bending_change(thickness_mm: float, over_mm: float) -> float:
    """Relative change of a wall's bending stiffness when it comes out thicker by a little [-].

    Parameters
    ----------
    thickness_mm : float
        Thickness as drawn [mm].
    over_mm : float
        How much thicker it is printed, negative when thinner [mm].

    Returns
    -------
    float
        To first order three times the relative change of the thickness.

    References
    ----------
    Beam theory, any strength-of-materials text (from memory): the second moment of area of a
    rectangle is b t^3 / 12, so the stiffness in bending goes with t^3.
    """
    return (1 + over_mm / thickness_mm) ** 3 - 1


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Samples at the heights that they stand for; ``run`` is the run of layers, 0 for skins."""

    sample: Ints
    middle: Floats
    bottom: Floats
    top: Floats
    area: Floats
    run: Ints

    def only(self, chosen: Bools | Ints) -> _Pieces:
        return _Pieces(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


class _Fences:
    """Outlines of the distinct layers as low upright fences, one storey a layer.

    One triangle a segment: at half its height, where all rays run, it spans the segment and a
    hair more, so that no ray slips through a corner.
    """

    def __init__(self, start: Floats, end: Floats, outward: Floats, layer: Ints) -> None:
        self._start, self._along, self._outward = start, end - start, outward
        middle = (start + end) / 2
        reach = self._along + 2 * _OVERLAP_MM * np.column_stack([-outward[:, 1], outward[:, 0]])
        corners = np.empty((len(start), 3, 3))
        for corner, xy in enumerate((middle - reach, middle + reach, middle)):
            corners[:, corner, :2] = xy
            corners[:, corner, 2] = layer + (0.25 if corner == 2 else -0.25)
        triangles = np.arange(3 * len(start)).reshape(-1, 3)
        self._tree = RayTree(corners.reshape(-1, 3), triangles) if len(start) else None

    def first_hit(self, point: Floats, direction: Floats, layer: Ints) -> tuple[Floats, Floats]:
        """Distance to the first fence and its outward normal; infinite and zero without one."""
        if self._tree is None:
            return np.zeros(0), np.zeros((0, 2))
        near, fence = self._tree.first_hit(np.column_stack([point, layer]), _flat(direction))
        hit = fence >= 0
        along = self._along[fence]
        # Ray p + t d meets the line a + s e at t = (a - p) x e / d x e.
        slope = _cross(direction, along)
        exact = hit & (np.abs(slope) > 1e-6 * np.hypot(along[:, 0], along[:, 1]))
        distance = near.copy()
        distance[exact] = _cross(self._start[fence] - point, along)[exact] / slope[exact]
        return distance, np.where(hit[:, None], self._outward[fence], 0.0)


class _Surface:
    """The mesh as a target, its hits refined to double precision on the facets' planes."""

    def __init__(self, rays: RayTree, vertices: Floats, faces: Ints) -> None:
        corners = vertices[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        double_area = np.linalg.norm(cross, axis=1)
        self._rays, self._anchor = rays, corners[:, 0]
        self.normals = cross / np.maximum(double_area, np.finfo(float).tiny)[:, None]
        self.area = double_area / 2

    def normal_at(self, point: Floats, direction: Floats, distance: Floats, otherwise: Floats) -> Floats:
        """Outward normal of the facet that a ray leaves or meets at a known distance.

        `otherwise` is the answer where the mesh has no facet just there that looks the same way.
        """
        known = np.flatnonzero(np.isfinite(distance))
        back = np.full(len(known), _BACK_MM)
        start = point[known] + direction[known] * (distance[known] - back)[:, None]
        away, face = self._rays.first_hit(start, direction[known], lift_mm=0.0)
        normal = otherwise.copy()
        found = (face >= 0) & (np.abs(away - back) < _BACK_MM / 2)
        found &= np.einsum("ij,ij->i", self.normals[face], otherwise[known]) > 0
        normal[known[found]] = self.normals[face[found]]
        return normal

    def first_hit(self, point: Floats, direction: Floats) -> tuple[Floats, Floats]:
        """Distance to the first facet and its outward normal; infinite and zero without one."""
        near, face = self._rays.first_hit(point, direction)
        hit = face >= 0
        normal = np.where(hit[:, None], self.normals[face], 0.0)
        slope = np.einsum("ij,ij->i", direction, normal)
        exact = hit & (np.abs(slope) > 1e-6)
        distance = near.copy()
        distance[exact] = np.einsum("ij,ij->i", self._anchor[face] - point, normal)[exact] / slope[exact]
        return distance, normal

    def through(self, point: Floats, direction: Floats) -> tuple[Floats, Floats]:
        """Distance until the ray has left every body that it entered, and the normal there."""
        distance = np.zeros(len(point))
        normal = np.zeros_like(point)
        inside = np.ones(len(point), dtype=np.int64)
        going = np.arange(len(point))
        for _ in range(_MOST_CROSSINGS):
            step, met = self.first_hit(point[going] + direction[going] * distance[going, None], direction[going])
            distance[going] += step
            normal[going] = met
            inside[going] -= np.where(np.einsum("ij,ij->i", met, direction[going]) > 0, 1, -1)
            going = going[(inside[going] > 0) & np.isfinite(step)]
            if not len(going):
                break
        distance[going] = np.inf
        return distance, normal


def _outlines(layers: Layers) -> tuple[Floats, Floats, Ints]:
    """Straight pieces of all outlines of the distinct layers, material to their left."""
    distinct = np.flatnonzero(layers.same_as == np.arange(len(layers.same_as)))
    polygons, of_layer = shapely.get_parts(layers.regions[distinct], return_index=True)
    rings, of_polygon = shapely.get_rings(shapely.orient_polygons(polygons), return_index=True)
    points, of_ring = shapely.get_coordinates(rings, return_index=True)
    joined = (of_ring[:-1] == of_ring[1:]) & (points[:-1] != points[1:]).any(1) if len(points) else np.zeros(0, bool)
    layer = distinct[of_layer[of_polygon[of_ring]]]
    return points[:-1][joined], points[1:][joined], layer[:-1][joined].astype(np.int64)


def _spread_out(length: Floats, spacing_mm: float, most: int) -> tuple[Ints, Floats, Floats]:
    """Samples on segments: which segment, how far along it [-] and the length each stands for."""
    parts = np.ceil(length / spacing_mm).astype(np.int64)
    segment = np.repeat(np.arange(len(length)), parts)
    share = (_counted(parts) + 0.5) / parts[segment]
    piece = (length / np.maximum(parts, 1))[segment]
    count = min(most, max(_FEW_SAMPLES, int(np.ceil(length.sum() / spacing_mm))))
    if len(segment) > count:
        kept = _systematic(piece, count)
        return segment[kept], share[kept], np.full(count, length.sum() / count)
    return segment, share, piece


def _counted(counts: Ints) -> Ints:
    """0, 1, ... up to each count, one after another."""
    counted: Ints = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return counted


def _systematic(weight: Floats, count: int) -> Ints:
    """Indices at equal steps of the summed weight, so that each is drawn in proportion to it."""
    total = np.cumsum(weight)
    drawn: Ints = np.searchsorted(total, (np.arange(count) + 0.5) * (total[-1] / count))
    return np.minimum(drawn, len(weight) - 1)


def _random_points(corners: Floats) -> Floats:
    """One point in each triangle, uniform and always the same."""
    u, v = np.random.default_rng(0).random((2, len(corners), 1))
    root = np.sqrt(u)
    inside: Floats = (1 - root) * corners[:, 0] + root * (1 - v) * corners[:, 1] + root * v * corners[:, 2]
    return inside


def _facing(samples: Samples, pieces: _Pieces, facing_deg: float, join_mm: float) -> Bools:
    """Pieces that belong to a wall: faces nearly parallel, or oblique but as wide as the wall beside them."""
    facing = samples.taper_deg[pieces.sample] <= facing_deg
    oblique = np.flatnonzero(~facing)
    if facing.any() and len(oblique):
        wall = pieces.only(facing)
        tree = cKDTree(samples._address(wall, join_mm))
        away, nearest = tree.query(samples._address(pieces.only(oblique), join_mm), distance_upper_bound=join_mm)
        beside = np.isfinite(away)
        width = samples.width_mm[pieces.sample[oblique[beside]]]
        goes_on = width >= _TAPERS_BELOW * samples.width_mm[wall.sample[nearest[beside]]]
        facing[oblique[beside][goes_on]] = True
    return facing


def _places(
    samples: Samples,
    pieces: _Pieces,
    kind: str,
    join_mm: float,
    least: tuple[float, float, float],
    same_width_mm: float = np.inf,
) -> tuple[list[ThinPlace], float]:
    """Join pieces into places; those below the least area, length and height are only summed up."""
    if not len(pieces.sample):
        return [], 0.0
    label = _joined(samples, pieces, join_mm, same_width_mm)
    order = np.argsort(label, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    one_side = np.bincount(label, weights=pieces.area) / 2
    places = []
    for group in groups:
        if one_side[label[group[0]]] < least[0]:
            continue
        place = _place(samples, pieces.only(group), kind)
        if max(place.length_mm, place.height_mm) >= least[1] and place.height_mm >= least[2]:
            places.append(place)
    return places, max(0.0, float(one_side.sum() - sum(place.area_mm2 for place in places)))


def _joined(samples: Samples, pieces: _Pieces, join_mm: float, same_width_mm: float) -> Ints:
    """Number of the connected group of each piece.

    Two pieces are joined when they are near, and when they lie apart along the wall rather than
    across it: side by side with more than a wall's width between their middles, there is a gap.
    """
    reach = max(join_mm, _NEIGHBOURS * samples.spacing_mm)
    i, j = cKDTree(samples._address(pieces, reach)).query_pairs(reach, output_type="ndarray").T
    width, through = samples.width_mm[pieces.sample], samples.inward[pieces.sample]
    step = pieces.middle[j] - pieces.middle[i]
    across = np.minimum(*(np.abs(np.einsum("ij,ij->i", step, through[end])) for end in (i, j)))
    together = across <= (width[i] + width[j] + samples.spacing_mm) / 2
    together &= np.abs(width[i] - width[j]) <= same_width_mm
    i, j = i[together], j[together]
    links = coo_array((np.ones(len(i), dtype=bool), (i, j)), shape=(len(width), len(width)))
    label: Ints = connected_components(links, directed=False)[1].astype(np.int64)
    return label


def _place(samples: Samples, pieces: _Pieces, kind: str) -> ThinPlace:
    """What a group of joined pieces amounts to."""
    sample, area = pieces.sample, pieces.area
    width = samples.width_mm[sample]
    ends = np.stack([samples.point[sample], samples.opposite[sample]])
    low, high = ends.min((0, 1)), ends.max((0, 1))
    low[2], high[2] = pieces.bottom.min(), pieces.top.max()
    one_side = float(area.sum() / 2)
    height = float(high[2] - low[2])
    length = one_side / height if isinstance(samples, Walls) else _longest_way(ends.reshape(-1, 3)[:, :2])
    through = samples.inward[sample]
    principal = np.linalg.eigh((through * area[:, None]).T @ through)[1][:, -1]
    principal *= np.sign(principal[np.argmax(np.abs(principal))])
    least, fifth, above, median, most = (_quantile(width, area, share) for share in (0.025, 0.05, 0.075, 0.5, 0.95))
    return ThinPlace(
        kind=kind,
        point_mm=_vector(_middle(samples, pieces)),
        normal=_vector(principal),
        box_mm=(_vector(low), _vector(high)),
        area_mm2=one_side,
        share=float(area.sum() / samples.area_mm2.sum()),
        length_mm=float(length),
        height_mm=height,
        width_mm=fifth,
        median_mm=median,
        spread_mm=most - fifth,
        uncertainty_mm=(above - least) / 2,
        taper_deg=_quantile(samples.taper_deg[sample], area, 0.5),
        samples=sample,
        bottom_mm=pieces.bottom,
        top_mm=pieces.top,
    )


def _middle(samples: Samples, pieces: _Pieces) -> Floats:
    """Centroid of the place, or the piece nearest to it where the centroid lies off the wall."""
    centroid = np.average(pieces.middle, axis=0, weights=pieces.area)
    on_wall = pieces.middle.copy()
    on_wall[:, 2] = np.clip(centroid[2], pieces.bottom, pieces.top)
    away = np.linalg.norm(on_wall - centroid, axis=1)
    nearest = int(np.argmin(away))
    within = max(samples.width_mm[pieces.sample[nearest]], samples.spacing_mm)
    return centroid if away[nearest] <= within else on_wall[nearest]


def _longest_way(points: Floats) -> float:
    """Extent of points along the direction in which they spread most."""
    centred = points - points.mean(0)
    along = centred @ np.linalg.eigh(centred.T @ centred)[1][:, -1]
    return float(np.ptp(along))


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    """The least value that at least this share of the weight does not exceed."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][min(np.searchsorted(total, share * total[-1]), len(values) - 1)])


def _largest_first(places: list[ThinPlace]) -> list[ThinPlace]:
    return sorted(places, key=lambda place: (-place.area_mm2, place.point_mm))


def _angle_between_faces(normal: Floats, other: Floats) -> Floats:
    """0 where two faces look exactly away from or at each other, 180 where nothing was hit [deg]."""
    turned = np.degrees(np.arccos(np.clip(-np.einsum("ij,ij->i", normal, other), -1.0, 1.0)))
    return np.where(other.any(1), turned, 180.0)


def _cross(a: Floats, b: Floats) -> Floats:
    """Cross product of plane vectors, row by row."""
    product: Floats = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return product


def _flat(xy: Floats) -> Floats:
    """Plane vectors as vectors in space."""
    return np.column_stack([xy, np.zeros(len(xy))])


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z
