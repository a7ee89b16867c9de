"""Flexures in a bare mesh: thin strips of a section whose removal sets blocks free, and those blocks.

In each section the medial axis of the matter is drawn from the Voronoi cells of points on its
outline.  Where it runs between two faces that look at each other it is a strip with a width at
every place.  Strips are taken thinnest first, and judged by what they join: both ends must be in
thicker matter, or in other strips that are, and the two ends must be different bodies once all
sections are joined.  What frees no body is a wall, a rib or a floor.

Sections are the layers, and upright planes along the two directions in which most of the upright
surface looks; leaves inclined to all three are not seen.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet
from scipy.spatial import QhullError, Voronoi

from reviewkit.limits import Limits
from reviewkit.measure.layers import Layers, sections
from reviewkit.measure.pieces import area_moments
from reviewkit.measure.sections import member, volume_corners
from reviewkit.model import Floats, Setup, Vector
from reviewkit.submission import Box, Region, RegionKind, region_contains, region_of

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Shares of the section's diagonal: what carries no shape, the coarsest and the finest sampling, one place.
_STRAIGHT, _COARSE, _FINE, _CELL = 2e-5, 1 / 60, 5e-4, 1 / 150
# An outline that needs more samples than this is no mechanism but a texture.
_MOST_SAMPLES = 25_000
_PASSES = 9
# Pieces of outline are this part of the way to the face opposite, and grow along it by no more than this factor.
_PIECE, _GROWTH = 0.4, 2.0
# So few pieces that are still too long change nothing.
_SETTLED = 0.005
# Faces that look at each other, as the cosine between their inward normals.
_OPPOSITE = -0.85
# Feet seen from the medial axis at these angles [deg]: a strip at all, its even part, its flanks without roots.
_SEEN_DEG, _CORE_DEG, _FLANK_DEG = 105.5, 140.0, 165.0
# One foot that stays while the other moves is a mouth.
_STAYS = 0.1
# Left-over runs count only when they are even.
_EVEN_RUN = 1.3
# Turns of an outline that belong to no fillet, and those too sharp for one [deg]; chords of one fillet are alike.
_STRAIGHT_DEG, _SHARP_DEG, _CHORDS_ALIKE, _LEAST_TURN_DEG = 2.0, 50.0, 2.6, 25.0
# A fillet begins within so many widths of the even part, and has no more chords than this.
_FILLET_WITHIN, _MOST_CHORDS = 4.0, 400
# Widths within this factor are taken together.
_LEVEL = 1.3
# Of a strip's width: how far its ends reach for what they join, and how near they meet one another.
_REACH, _MEET = 0.6, 1.2
# Sections looked at for strips, and upright sections that tell whether bodies are joined.
_MOST_SECTIONS, _JOINING_SECTIONS = 5, 60
# Overlap of blocks in neighbouring sections that makes them one body: over the smaller area, or when it is no
# sliver, whose half width is this share of the thinnest flexure's.
_OVERLAP, _SLIVER = 0.05, 0.1
# Sections show the same flexure when its middle is within this many widths, its width within this share,
# and they run the same way, as a cosine.
_SAME_PLACE, _SAME_WIDTH, _SAME_WAY = 1.0, 0.25, 0.9
# Sections alike in islands and holes, and in outline and area within this share, are looked at once.
_LIKE = 0.01
# The ends of a flexure are narrowed down between two sections so many times.
_HALVINGS = 6
# A flexure is there in a section when so many of these points along it lie in matter and those beside it in air.
_ALONG, _BESIDE, _SEEN = np.linspace(0.15, 0.85, 9), 0.85, 0.75
# Facets that lean less are upright; a texture has no more directions than this fine a count tells [deg].
_UPRIGHT_DEG, _BIN_DEG = 2.0, 0.5
#: Length that a block which gives way adds to a flexure at its root, over its width there [-]: computed with plane
#: finite elements for leaves of 25 to 50 widths between blocks 10 to 20 widths wide, 0.376 to 0.401.
ROOT_WIDTHS = 0.38
# Poisson's ratio hardly matters where it is used here: for walls beside holes.
_POISSON = 0.35
# Points along each side of a region that tell whose matter it is.
_REGION_POINTS = 7


class FlexureKind(StrEnum):
    """What a flexure is by its proportions and its ends."""

    LEAF = "leaf"
    NECK = "neck"
    ARM = "arm"


class FlexureOrigin(StrEnum):
    """Who says that it is a flexure."""

    FOUND = "found"
    CONFIRMED = "confirmed"
    ADDED = "added"


@dataclass(frozen=True)
class Bounds:
    """What makes a strip a flexure; numbers without unit [-] from rows ``flexure.*`` of the limits.

    Parameters
    ----------
    slenderness, neck_slenderness : float
        Least length over width of a leaf and of a neck [-].
    even : float
        Greatest over least width of one flexure [-].
    leaf_thicker, neck_thicker : float
        Thickness of what it ends in over its width [-].
    compliance, like_width : float
        Least compliance over the greatest, and the width over the thinnest that needs none [-].
    depth : float
        Least depth over width [-].
    neck_stiffness : float
        Greatest stiffness of necks between two blocks over modulus times depth [-].
    region_steps : float
        Upright sections along each direction [-].
    """

    slenderness: float
    neck_slenderness: float
    even: float
    leaf_thicker: float
    neck_thicker: float
    compliance: float
    like_width: float
    depth: float
    neck_stiffness: float
    region_steps: float


@dataclass(frozen=True, eq=False)
class Flexure:
    """One flexure.

    Parameters
    ----------
    name : str
        Its region's, numbered when that holds several, else ``flexure 1`` and so on.
    kind : FlexureKind
    origin : FlexureOrigin
    region : str
        Name of the declared flexure that holds its middle, or ``""``.
    length_mm : float
        Along its centre line between the faces that it joins, roots included [mm].
    width_mm, least_width_mm, width_scatter_mm : float
        Mean, least and standard deviation of its thin size in the section plane, without roots [mm].
    depth_mm : float
        Size square to the section plane [mm].
    span_mm : tuple of (float, float)
        Where that begins and ends; heights above the plate when it bends in the layers [mm].
    root_radii_mm : tuple of (float, float)
        Of the fillets at its two ends, the smaller flank of each; 0 sharp, nan not known or none there [mm].
    direction : Vector
        Unit direction from end to end in the part's frame [-].
    point_mm : Vector
        Middle of its centre line at half its depth in the part's frame [mm].
    in_layers : bool
        Whether it bends within the layers, so that they are its section planes.
    axes : (3, 3) float
        Rows: x, y and normal of its section plane in the plate frame [-].
    line_mm : (n, 2) float
        Centre line in the section plane, that is on the plate when it bends in the layers [mm].
    widths_mm : (n,) float
        Width at each point of the line, roots included [mm].
    outline_mm : (m, 2) float
        Closed outline in the section plane [mm].
    blocks : tuple of (int, int)
        Blocks of its plane that its ends join, -1 for a free end or when not known [-].
    """

    name: str
    kind: FlexureKind
    origin: FlexureOrigin
    region: str
    length_mm: float
    width_mm: float
    least_width_mm: float
    width_scatter_mm: float
    depth_mm: float
    span_mm: tuple[float, float]
    root_radii_mm: tuple[float, float]
    direction: Vector
    point_mm: Vector
    in_layers: bool
    axes: Floats
    line_mm: Floats
    widths_mm: Floats
    outline_mm: Floats
    blocks: tuple[int, int]

    @property
    def slenderness(self) -> float:
        """Length over mean width [-]."""
        return self.length_mm / self.width_mm


@dataclass(frozen=True, eq=False)
class Block:
    """A body that is left when the flexures of a plane are taken out.

    Parameters
    ----------
    name : str
        Its first region's, else ``block 1`` and so on by volume.
    regions : tuple of str
        Declared regions whose matter it is, those that move first.
    outline : Geometry
        What of it lies in the section that is shown [mm].
    centre_mm : (2,) float
        Mass centre in the section plane [mm].
    volume_mm3 : float
        Of the whole body [mm3].
    turning_mm5 : float
        Integral of the squared distance from the centre in the plane over the body [mm5].
    is_joint : bool
        Whether it is no thicker than the flexures that meet in it.
    """

    name: str
    regions: tuple[str, ...]
    outline: shapely.Geometry
    centre_mm: Floats
    volume_mm3: float
    turning_mm5: float
    is_joint: bool = False


@dataclass(frozen=True, eq=False)
class Rejected:
    """A strip that is none of the flexures, and why.

    Parameters
    ----------
    reason : str
        In plain words.
    length_mm, width_mm : float
        [mm].
    point_mm : Vector
        Its middle in the part's frame [mm].
    in_layers : bool
    line_mm : (n, 2) float
        Centre line in its section plane [mm].
    height_mm : float
        Of its section along the plane's normal [mm].
    """

    reason: str
    length_mm: float
    width_mm: float
    point_mm: Vector
    in_layers: bool
    line_mm: Floats
    height_mm: float


@dataclass(frozen=True, eq=False)
class SectionPlane:
    """Flexures that bend in one family of parallel planes, and the blocks between them.

    Parameters
    ----------
    axes : (3, 3) float
        Rows: x, y and normal of the planes in the plate frame [-].
    axes_part : (3, 3) float
        The same in the part's frame [-].
    origin_part_mm : (3,) float
        Where x, y and height are zero, in the part's frame [mm].
    in_layers : bool
    height_mm : float
        Along the normal, of the section that is shown [mm].
    section : Geometry
        That section [mm].
    flexures : tuple of Flexure
    blocks : tuple of Block
        Largest first.
    prismatic_share : float
        Least share of a flexure's span in which sections show it [-].
    """

    axes: Floats
    axes_part: Floats
    origin_part_mm: Floats
    in_layers: bool
    height_mm: float
    section: shapely.Geometry
    flexures: tuple[Flexure, ...]
    blocks: tuple[Block, ...]
    prismatic_share: float = 1.0

    def to_part(self, points_mm: Floats, height_mm: float) -> Floats:
        """Points (n, 2) of the plane at a height along its normal, in the part's frame (n, 3) [mm]."""
        flat = np.column_stack([points_mm, np.full(len(points_mm), height_mm)])
        return np.asarray(flat @ self.axes_part + self.origin_part_mm)


@dataclass(frozen=True, eq=False)
class Flexures:
    """Everything that was found in one part.

    Parameters
    ----------
    planes : tuple of SectionPlane
        With at least one flexure each, that of the layers first.
    rejected : tuple of Rejected
        Strips that are none, slender ones only.
    dropped : tuple of str
        Why flexures were left out because the submission says so, one line each.
    empty : tuple of str
        Regions of kind flexure in which there is no matter.
    """

    planes: tuple[SectionPlane, ...]
    rejected: tuple[Rejected, ...]
    dropped: tuple[str, ...]
    empty: tuple[str, ...]

    @property
    def every(self) -> tuple[Flexure, ...]:
        """All flexures, in the order of their numbers."""
        return tuple(flexure for plane in self.planes for flexure in plane.flexures)

    @property
    def main(self) -> SectionPlane | None:
        """The plane with most flexures that join two blocks, that of the layers before others."""
        joined = [sum(min(f.blocks) >= 0 for f in plane.flexures) for plane in self.planes]
        return self.planes[int(np.argmax(joined))] if any(joined) else None

    def of_region(self, name: str) -> tuple[Flexure, ...]:
        """Flexures of one declared region."""
        return tuple(flexure for flexure in self.every if flexure.region == name)


def plane_evidence(plane: SectionPlane) -> dict[str, NDArray[np.float64]]:
    """What the drawing of a plane needs: rings of the section and of each block, the flexures and their numbers.

    Parameters
    ----------
    plane : SectionPlane

    Returns
    -------
    dict of str to array
        ``section`` and ``flexures`` are closed rings with rows of nan between them (n, 2) [mm], ``block 0``
        and so on those of the blocks, ``places`` (k, 2) the middles of the flexures in their order [mm],
        ``levels`` (k, 2) the heights between which each lies [mm], ``height`` (1,) that of the section
        [mm], ``in_layers`` (1,) 1 when the section is a layer [-].
    """
    middles = [flexure.line_mm[len(flexure.line_mm) // 2] for flexure in plane.flexures]
    evidence = {
        "section": _rings([plane.section]),
        "flexures": _rings([shapely.polygons(flexure.outline_mm) for flexure in plane.flexures]),
        "places": np.array(middles).reshape(-1, 2),
        "levels": np.array([flexure.span_mm for flexure in plane.flexures]).reshape(-1, 2),
        "height": np.array([plane.height_mm]),
        "in_layers": np.array([float(plane.in_layers)]),
    }
    shown = [block for block in plane.blocks if not shapely.is_empty(block.outline)]
    return evidence | {f"block {number}": _rings([block.outline]) for number, block in enumerate(shown)}


def _rings(regions: Sequence[shapely.Geometry]) -> Floats:
    """Closed rings of regions, outer ones anticlockwise, rows of nan between them."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(regions)))
    blocks = [block for ring in rings for block in (shapely.get_coordinates(ring), np.full((1, 2), np.nan))]
    return np.vstack(blocks[:-1]) if blocks else np.empty((0, 2))


# --- strips of one section --------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Strip:
    """A stretch of medial axis between two faces.

    ``line`` (n, 2), ``left`` and ``right`` are its middle and its two flanks, ``widths`` (n,) between
    them; ``flank`` marks points clear of the roots.  ``roots`` are the fillets at both ends.
    """

    line: Floats
    left: Floats
    right: Floats
    widths: Floats
    flank: Bools
    length: float
    roots: tuple[float, float]

    @cached_property
    def least(self) -> float:
        return float(self.widths.min())

    @cached_property
    def slenderness(self) -> float:
        return self.length / self.least

    @cached_property
    def steps(self) -> Floats:
        """Length that each point stands for."""
        half = np.linalg.norm(np.diff(self.line, axis=0), axis=1) / 2
        return np.asarray(np.append(half, 0.0) + np.append(0.0, half))

    @cached_property
    def compliance(self) -> float:
        """How easily one end turns against the other."""
        return float(12 * (self.steps / self.widths**3).sum())

    @cached_property
    def middle(self) -> Floats:
        """Point half way along it."""
        far = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(self.line, axis=0), axis=1)))
        return np.array([np.interp(far[-1] / 2, far, self.line[:, k]) for k in (0, 1)])

    @property
    def ring(self) -> Floats:
        """Closed outline."""
        return np.vstack([self.left, self.right[::-1], self.left[:1]])

    @cached_property
    def matter(self) -> shapely.Geometry:
        """Its outline as a region, a hair wider so that taking it out leaves nothing beside it."""
        hair = 2e-3 * self.least
        quads = np.stack([self.left[:-1], self.left[1:], self.right[1:], self.right[:-1], self.left[:-1]], axis=1)
        whole = shapely.polygons(self.ring)
        if not whole.is_valid:
            whole = shapely.union_all(shapely.buffer(shapely.polygons(quads), 0.0))
        return shapely.buffer(whole, hair, join_style="mitre")

    def end(self, which: int) -> tuple[Floats, Floats]:
        """Last point and outward direction of its first (0) or last (1) end."""
        line = self.line if which else self.line[::-1]
        far = np.linalg.norm(line - line[-1], axis=1)
        back = line[np.flatnonzero(far > 0.3 * self.least)[-1]] if (far > 0.3 * self.least).any() else line[0]
        return line[-1], (line[-1] - back) / max(float(np.linalg.norm(line[-1] - back)), 1e-12)


@dataclass(frozen=True, eq=False)
class _Outline:
    """Straight edges of a section, matter on their left; ``ahead`` and ``behind`` are their neighbours."""

    start: Floats
    end: Floats
    ahead: Ints
    behind: Ints

    @cached_property
    def along(self) -> Floats:
        return self.end - self.start

    @cached_property
    def lengths(self) -> Floats:
        return np.asarray(np.hypot(self.along[:, 0], self.along[:, 1]))

    @cached_property
    def turns(self) -> Floats:
        """Turn to the left at the end of each edge [deg]."""
        here, there = self.along, self.along[self.ahead]
        cross = here[:, 0] * there[:, 1] - here[:, 1] * there[:, 0]
        return np.asarray(np.degrees(np.arctan2(cross, (here * there).sum(axis=1))))

    def foot(self, point: Floats, edge: Ints) -> Floats:
        """Nearest points on edges."""
        along = self.along[edge]
        share = ((point - self.start[edge]) * along).sum(axis=1) / (along**2).sum(axis=1)
        return np.asarray(self.start[edge] + np.clip(share, 0.0, 1.0)[:, None] * along)


@dataclass(frozen=True, eq=False)
class _Medial:
    """Stretches of the medial axis between two edges that look at each other, and all its points with their radii."""

    outline: _Outline
    ends: Ints
    edges: Ints
    deg: Floats
    vertex: Floats
    points: Floats
    radii: Floats


def _strips(region: shapely.Geometry, bounds: Bounds) -> tuple[list[_Strip], Floats, Floats]:
    """Strips of a section, and the points of its medial axis with their radii."""
    low, high = np.reshape(shapely.bounds(region), (2, 2))
    size = float(np.linalg.norm(high - low))
    outline = _outline(shapely.simplify(region, _STRAIGHT * size))
    medial = _medial(outline, size) if len(outline.start) else None
    if medial is None:
        return [], np.empty((0, 2)), np.empty(0)
    strips = [strip for chain in _chains(medial) for strip in _chain_strips(medial, chain, bounds)]
    # The widest place of each cell tells the thickness of a block as well as all places do.
    cell = np.floor((medial.points - low) / (_CELL * size)).astype(np.int64)
    order = np.lexsort((-medial.radii, cell[:, 1], cell[:, 0]))
    widest = order[np.append(True, (np.diff(cell[order], axis=0) != 0).any(axis=1))] if len(order) else order
    return strips, medial.points[widest], medial.radii[widest]


def _outline(region: shapely.Geometry) -> _Outline:
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(region)))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    inner = np.flatnonzero((ring[1:] == ring[:-1]) & (points[1:] != points[:-1]).any(axis=1))
    of_ring = ring[inner]
    number = np.arange(len(inner))
    first = np.searchsorted(of_ring, of_ring)
    last = np.searchsorted(of_ring, of_ring, side="right") - 1
    ahead = np.where(number == last, first, number + 1)
    behind = np.where(number == first, last, number - 1)
    return _Outline(points[inner], points[inner + 1], ahead, behind)


def _medial(outline: _Outline, size: float) -> _Medial | None:
    """The medial axis from samples dense enough for every width; None for textures and slivers."""
    lengths = outline.lengths
    inward = np.column_stack([-outline.along[:, 1], outline.along[:, 0]]) / lengths[:, None]
    parts = np.ceil(lengths / (_COARSE * size)).astype(np.int64)
    edge, low, high = _divided(np.arange(len(lengths)), np.zeros(len(lengths)), np.ones(len(lengths)), parts)
    for left in range(_PASSES, -1, -1):
        samples = outline.start[edge] + ((low + high) / 2)[:, None] * outline.along[edge]
        if not 4 <= len(samples) <= _MOST_SAMPLES:
            return None
        try:
            cells = Voronoi(samples)
        except QhullError:
            return None
        pair = cells.ridge_points
        normal, step = inward[edge[pair]], samples[pair[:, 1]] - samples[pair[:, 0]]
        facing = (normal[:, 0] * normal[:, 1]).sum(axis=1) < _OPPOSITE
        facing &= ((normal[:, 0] * step).sum(axis=1) > 0) & ((normal[:, 1] * step).sum(axis=1) < 0)
        reach = np.full(len(samples), np.inf)
        away = np.linalg.norm(step[facing], axis=1)
        for side in (0, 1):
            np.minimum.at(reach, pair[facing, side], away)
        piece = (high - low) * lengths[edge]
        wanted = np.maximum(_PIECE * reach, _FINE * size)
        parts = np.clip(np.ceil(np.where(np.isinf(wanted), 1.0, piece / wanted) - 1e-9), 1, 8).astype(np.int64)
        if not left or (parts > 1).mean() < _SETTLED:
            break
        edge, low, high = _graded(outline, lengths, *_divided(edge, low, high, parts))
    return _axis(outline, cells, edge, inward)


def _divided(edge: Ints, low: Floats, high: Floats, parts: Ints) -> tuple[Ints, Floats, Floats]:
    """Pieces of edges, each in so many equal parts."""
    owner = np.repeat(np.arange(len(edge)), parts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    step = ((high - low) / parts)[owner]
    return edge[owner], low[owner] + place * step, low[owner] + (place + 1) * step


def _graded(outline: _Outline, lengths: Floats, edge: Ints, low: Floats, high: Floats) -> tuple[Ints, Floats, Floats]:
    """Pieces none of which is much longer than its neighbour on the same ring."""
    for _ in range(24):
        piece = (high - low) * lengths[edge]
        first = np.searchsorted(edge, np.arange(len(lengths)))
        last = np.append(first[1:], len(edge)) - 1
        number = np.arange(len(edge))
        ahead = np.where(number == last[edge], first[outline.ahead[edge]], number + 1)
        behind = np.where(number == first[edge], last[outline.behind[edge]], number - 1)
        # A neighbour shorter only because its whole edge is short, as of an arc, asks for nothing.
        whole = first == last
        least = np.full(len(edge), np.inf)
        for beside in (ahead, behind):
            least = np.minimum(least, np.where(whole[edge[beside]], np.inf, piece[beside]))
        parts = np.where(piece > 1.001 * _GROWTH * least, 2, 1)
        if (parts == 1).all():
            break
        edge, low, high = _divided(edge, low, high, parts)
    return edge, low, high


def _axis(outline: _Outline, cells: Voronoi, edge: Ints, inward: Floats) -> _Medial:
    """Ridges of the cells that run inside the matter between two edges that look at each other."""
    pair, ends = cells.ridge_points, np.array(cells.ridge_vertices, dtype=np.int64).reshape(-1, 2)
    edges = edge[pair]
    kept = (ends >= 0).all(axis=1) & (edges[:, 0] != edges[:, 1])
    pair, ends, edges = pair[kept], ends[kept], edges[kept]
    middle = cells.vertices[ends].mean(axis=1)
    within = np.ones(len(pair), dtype=bool)
    for side in (0, 1):
        within &= ((middle - cells.points[pair[:, side]]) * inward[edges[:, side]]).sum(axis=1) > 0
    ends, edges, middle, pair = ends[within], edges[within], middle[within], pair[within]
    arms = [outline.foot(middle, edges[:, side]) - middle for side in (0, 1)]
    far = np.linalg.norm(arms, axis=2)
    cosine = (arms[0] * arms[1]).sum(axis=1) / np.maximum(far[0] * far[1], 1e-30)
    deg = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    seen = deg >= _SEEN_DEG
    return _Medial(outline, ends[seen], edges[seen], deg[seen], cells.vertices, middle, far.mean(axis=0))


def _chains(medial: _Medial) -> list[list[tuple[int, bool]]]:
    """Ridges end to end between the ends and forks of the axis, each with whether it is run backwards."""
    at: dict[int, list[int]] = defaultdict(list)
    for number, (one, other) in enumerate(medial.ends.tolist()):
        at[one].append(number)
        at[other].append(number)
    left = {number for ridges in at.values() for number in ridges}
    chains = []
    for start in sorted(at):
        if len(at[start]) in (0, 2):
            continue
        for ridge in at[start]:
            chain, here = [], start
            while ridge in left:
                left.discard(ridge)
                one, other = medial.ends[ridge].tolist()
                chain.append((ridge, here != one))
                here = other if here == one else one
                if len(at[here]) != 2:
                    break
                ridge = at[here][0] if at[here][1] == ridge else at[here][1]
            if chain:
                chains.append(chain)
    return chains


def _chain_strips(medial: _Medial, chain: list[tuple[int, bool]], bounds: Bounds) -> list[_Strip]:
    """The even runs of a chain, least width first."""
    ridge = np.array([number for number, _ in chain])
    back = np.array([turned for _, turned in chain])
    ends = np.where(back[:, None], medial.ends[ridge][:, ::-1], medial.ends[ridge])
    stops, edges, deg = medial.vertex[ends], medial.edges[ridge], medial.deg[ridge]
    middle = stops.mean(axis=1)
    feet = [medial.outline.foot(middle, edges[:, side]) for side in (0, 1)]
    along, across = stops[:, 1] - stops[:, 0], feet[0] - feet[1]
    swapped = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0] < 0
    edges = np.where(swapped[:, None], edges[:, ::-1], edges)
    widths = np.linalg.norm(across, axis=1)
    run = _Run(medial.outline, stops, edges, widths, deg)

    found: list[_Strip] = []
    spans = [(0, len(ridge), True)]
    while spans:
        low, high, fresh = spans.pop()
        core = low + np.flatnonzero(deg[low:high] >= _CORE_DEG)
        if not len(core):
            continue
        least = core[np.argmin(widths[core])]
        first, last = least, least
        while first > low and widths[first - 1] <= bounds.even * widths[least]:
            first -= 1
        while last < high - 1 and widths[last + 1] <= bounds.even * widths[least]:
            last += 1
        strip = run.strip(first, last + 1)
        if strip is not None:
            even = np.quantile(strip.widths, 0.9) < _EVEN_RUN * np.quantile(strip.widths, 0.1)
            leaf = strip.slenderness >= bounds.slenderness
            if (leaf and even) or (fresh and strip.slenderness >= bounds.neck_slenderness):
                found.append(strip)
        spans += [(low, first, False), (last + 1, high, False)]
    return found


@dataclass(frozen=True, eq=False)
class _Run:
    """Ridges of one chain in order: their ends (n, 2, 2), left and right edges (n, 2), widths and angles (n,)."""

    outline: _Outline
    stops: Floats
    edges: Ints
    widths: Floats
    deg: Floats

    def strip(self, low: int, high: int) -> _Strip | None:
        """The strip along some of its ridges, from the first to the last place where both flanks go on."""
        stops, edges = self.stops[low:high], self.edges[low:high]
        feet = np.stack(
            [[self.outline.foot(stops[:, end], edges[:, side]) for end in (0, 1)] for side in (0, 1)]
        )  # side, end, ridge, xy
        moved = np.linalg.norm(feet[:, 1] - feet[:, 0], axis=2)
        # The hair keeps rounding at corners from counting as movement.
        on = moved.min(axis=0) >= np.maximum(_STAYS * moved.max(axis=0), 1e-6 * self.widths[low:high])
        if on.sum() < 3:
            return None
        first, last = np.flatnonzero(on)[[0, -1]]
        last += 1
        left, right = (np.vstack([feet[side, 0, first:last], feet[side, 1, last - 1 : last]]) for side in (0, 1))
        deg = self.deg[low:high][first:last]
        clear = np.flatnonzero(deg >= _FLANK_DEG)
        clear = clear if len(clear) else np.arange(len(deg))
        # Fillets are counted from where the flank ends, by their radius: what lies beyond is not all length.
        counted, roots, beyond = [0, len(deg)], [], 0.0
        for toward, end in ((-1, 0), (1, -1)):
            fillets = self._fillets(low + first, low + last, toward)
            there = fillets[~np.isnan(fillets)]
            roots.append(float(there.min()) if len(there) else float("nan"))
            if not there.any():
                left[end], right[end] = self._mouth(left[end], right[end], edges[first:last][end], toward)
            elif there.min() > 0:
                # Of two fillets the angle is shared; beside a flank that goes on one has it alone.
                turned = np.radians((180 - deg[clear[end]]) / len(there))
                beyond += float(there.mean()) * max(0.0, 1 - np.sin(turned))
                counted[end] = int(clear[end]) + (toward > 0)
        line = (left + right) / 2
        across = np.linalg.norm(left - right, axis=1)
        flank = np.zeros(len(line), dtype=bool)
        flank[clear] = True
        steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
        length = float(steps[counted[0] : counted[1]].sum() + beyond)
        return _Strip(line, left, right, across, flank, length, (roots[0], roots[1]))

    def _mouth(self, left: Floats, right: Floats, edges: Ints, toward: int) -> tuple[Floats, Floats]:
        """Last feet moved to the corners of a sharp mouth, where samples leave a little out."""
        outline, width = self.outline, float(np.linalg.norm(left - right))
        corners = [outline.start, outline.end] if toward > 0 else [outline.end, outline.start]
        corner = [corners[side][edges[side]] for side in (0, 1)]
        near = [float(np.linalg.norm(corner[side] - foot)) < _REACH * width for side, foot in ((0, left), (1, right))]
        if all(near):
            return corner[0], corner[1]
        if any(near):
            side = near.index(True)
            other = outline.foot(corner[side][None], edges[1 - side : 2 - side])[0]
            return (corner[0], other) if side == 0 else (other, corner[1])
        return left, right

    def _fillets(self, low: int, high: int, toward: int) -> Floats:
        """Radii of the two fillets at an end, left and right."""
        flank = low + np.flatnonzero(self.deg[low:high] >= _FLANK_DEG)
        if not len(flank):
            flank = np.array([low + int(np.argmax(self.deg[low:high]))])
        at = flank[-1] if toward > 0 else flank[0]
        width = self.widths[at]
        left, right = (int(self.edges[at, side]) for side in (0, 1))
        return np.array([self._fillet(left, -toward, width), self._fillet(right, toward, width)])

    def _fillet(self, edge: int, way: int, width: float) -> float:
        """Radius of the hollow arc that follows an edge of the outline; 0 for a corner, nan where it goes on.

        ``way`` is 1 along the outline, -1 against it.  Corners of the outline lie on the arc, so that
        circles through three of them give its radius, however few its chords.
        """
        outline = self.outline
        turns: list[float] = []
        chords: list[float] = []
        walked = 0.0
        while walked < _FILLET_WITHIN * width and len(turns) < _MOST_CHORDS:
            # Hollow corners turn to the right along the outline, whichever way it is walked.
            hollow = -float(outline.turns[edge if way > 0 else outline.behind[edge]])
            if turns:
                chord = float(outline.lengths[edge])
                unlike = chord * len(chords) > _CHORDS_ALIKE * sum(chords) > 0
                if unlike or not _STRAIGHT_DEG <= hollow <= _SHARP_DEG:
                    break
                chords.append(chord)
                turns.append(hollow)
            elif hollow > _SHARP_DEG:
                return 0.0
            elif hollow < -_SHARP_DEG:
                break
            elif hollow >= _STRAIGHT_DEG:
                turns.append(hollow)
            edge = int((outline.ahead if way > 0 else outline.behind)[edge])
            if not turns:
                walked += float(outline.lengths[edge])
        if not chords or sum(turns) < _LEAST_TURN_DEG:
            return float("nan")
        if len(chords) == 1:
            return float(chords[0] / (2 * np.sin(np.radians(sum(turns)) / 2)))
        # Three points on a circle: the side across their turn is 2 r sin of it.
        one, other = np.array(chords[:-1]), np.array(chords[1:])
        turn = np.radians(turns[1 : len(chords)])
        across = np.sqrt(one**2 + other**2 + 2 * one * other * np.cos(turn))
        return float(across.sum() / (2 * np.sin(turn).sum()))


# --- which strips of one section are flexures ---------------------------------------------------

_FREE_END = "one end is free"
_LOOP = "both ends join one body, so that it sets nothing free"
_STIFF = "much stiffer than the flexures beside it"
_NOT_THICKER = "ends in nothing much thicker than itself"
_FEW_BLOCKS = "its network reaches no second block"
_LOW = "hardly deeper than wide, so that it bends out of its plane too"
_RESTS = "stands on a floor or carries one along its length"
_HOLE_WALL = "as stiff as what it joins: a wall beside a hole"
_FREE = -1


@dataclass(frozen=True, eq=False)
class _Joined:
    """What is left of a section without some strips, and what the two ends of each strip join.

    ``nodes`` (n, 2) are pieces, past their number joints where only strips meet, or free;
    ``across`` is the thickness of every node.
    """

    pieces: NDArray[np.object_]
    nodes: Ints
    across: Floats

    def joints(self, strips: Sequence[_Strip], bounds: Bounds) -> set[int]:
        """Nodes no thicker than what meets in them, where at least two strips meet."""
        meeting = Counter(node for pair in self.nodes.tolist() for node in set(pair) if node != _FREE)
        width: dict[int, float] = {}
        for strip, pair in zip(strips, self.nodes.tolist(), strict=True):
            for node in pair:
                width[node] = min(width.get(node, np.inf), strip.least)
        return {n for n, many in meeting.items() if many > 1 and self.across[n] < bounds.leaf_thicker * width[n]}


def _joined(region: shapely.Geometry, strips: Sequence[_Strip], points: Floats, radii: Floats) -> _Joined:
    """Take strips out of a section and see what their ends join."""
    thinnest = min(strip.least for strip in strips)
    pieces = _pieces(region, [strip.matter for strip in strips], thinnest)
    tree = shapely.STRtree(pieces)
    tips = [strip.end(which) for strip in strips for which in (0, 1)]
    widths = np.repeat([strip.least for strip in strips], 2)
    beyond = np.array([tip + 0.05 * width * out for (tip, out), width in zip(tips, widths, strict=True)])
    nodes = np.full(len(tips), _FREE, dtype=np.int64)
    reach = shapely.points(beyond)
    for number, width in enumerate(widths.tolist()):
        near = tree.query_nearest(reach[number], max_distance=_REACH * width) if len(pieces) else np.empty(0, int)
        if len(near):
            nodes[number] = int(near.min())
    nodes, joints = _meetings(np.array([tip for tip, _ in tips]), widths, nodes, len(pieces))

    wide = radii >= 0.9 * thinnest
    across = np.zeros(len(pieces) + joints)
    if wide.any() and len(pieces):
        point, piece = tree.query(shapely.points(points[wide]), predicate="intersects")
        np.maximum.at(across, piece, 2 * radii[wide][point])
    return _Joined(pieces, nodes.reshape(-1, 2), across)


def _pieces(region: shapely.Geometry, matters: Sequence[shapely.Geometry], thinnest: float) -> NDArray[np.object_]:
    """Separate pieces of a section without some matter, slivers left out."""
    rest = shapely.difference(region, shapely.union_all(matters)) if len(matters) else region
    pieces = shapely.get_parts(rest)
    pieces = pieces[shapely.get_type_id(pieces) == shapely.GeometryType.POLYGON]
    return np.asarray(pieces[shapely.area(pieces) > 0.1 * thinnest**2])


def _meetings(tips: Floats, widths: Floats, nodes: Ints, start: int) -> tuple[Ints, int]:
    """Free ends that meet other free ends share a joint, numbered from `start`."""
    free = np.flatnonzero(nodes == _FREE)
    sets = DisjointSet(free.tolist())
    for place, one in enumerate(free):
        for other in free[place + 1 :]:
            near = np.linalg.norm(tips[one] - tips[other]) < _MEET * max(widths[one], widths[other])
            if near and one // 2 != other // 2:
                sets.merge(int(one), int(other))
    found = nodes.copy()
    joints = [sorted(group) for group in sets.subsets() if len(group) > 1]
    for number, group in enumerate(sorted(joints)):
        found[group] = start + number
    return found, len(joints)


def _accepted(
    region: shapely.Geometry, strips: list[_Strip], axis: tuple[Floats, Floats], bounds: Bounds, declared: Bools
) -> tuple[list[int], dict[int, str]]:
    """Strips of a section that are flexures in it, and why the others are not; thinnest first."""
    order = sorted(range(len(strips)), key=lambda k: strips[k].least)
    levels: list[list[int]] = []
    for number in order:
        if not levels or strips[number].least > _LEVEL * strips[levels[-1][0]].least:
            levels.append([])
        levels[-1].append(number)
    accepted: list[int] = []
    reasons: dict[int, str] = {}
    for level in levels:
        accepted += _level(region, strips, axis, bounds, declared, accepted, level, reasons)
    again = [number for number, reason in reasons.items() if reason == _LOOP]
    accepted += _level(region, strips, axis, bounds, declared, accepted, again, reasons) if accepted else []
    return sorted(accepted), {number: reason for number, reason in reasons.items() if number not in accepted}


def _level(
    region: shapely.Geometry,
    strips: list[_Strip],
    axis: tuple[Floats, Floats],
    bounds: Bounds,
    declared: Bools,
    accepted: list[int],
    candidates: list[int],
    reasons: dict[int, str],
) -> list[int]:
    """Those of some candidates that stand when they and the accepted ones are taken out together."""
    left = list(candidates)
    while left:
        chosen = [strips[number] for number in accepted + left]
        bad = {n: _STIFF for n in left if not declared[n] and _too_stiff(strips[n], chosen, bounds)}
        if not bad:
            joined = _joined(region, chosen, *axis)
            told = _misfits(joined, chosen, bounds, declared[accepted + left])
            bad = {left[k - len(accepted)]: reason for k, reason in told.items() if k >= len(accepted)}
        if not bad:
            break
        reasons.update(bad)
        left = [number for number in left if number not in bad]
    return left


def _too_stiff(strip: _Strip, others: Sequence[_Strip], bounds: Bounds) -> bool:
    """Whether a strip hardly bends when the others do; leaves of like width are kept."""
    thinnest = min(other.least for other in others)
    if strip.slenderness >= bounds.slenderness and strip.least <= bounds.like_width * thinnest:
        return False
    return strip.compliance < bounds.compliance * max(other.compliance for other in others)


def _misfits(joined: _Joined, strips: Sequence[_Strip], bounds: Bounds, declared: Bools) -> dict[int, str]:
    """Strips whose ends do not join what a flexure's must, and why."""
    joints = joined.joints(strips, bounds)
    groups = _networks(joined.nodes, joints)
    told: dict[int, str] = {}
    for number, strip in enumerate(strips):
        one, other = joined.nodes[number].tolist()
        ends = [node for node in (one, other) if node not in joints]
        leaf = strip.slenderness >= bounds.slenderness
        thicker = (bounds.leaf_thicker if leaf else bounds.neck_thicker) * strip.least
        if _FREE in (one, other):
            if not (declared[number] and max(one, other) != _FREE):
                told[number] = _FREE_END
        elif one == other:
            told[number] = _LOOP
        elif not declared[number] and (
            any(joined.across[node] < thicker for node in ends) or (not leaf and len(ends) < 2)
        ):
            told[number] = _NOT_THICKER
    for members, thick in groups:
        if len(thick) < 2:
            for number in members:
                if _FREE not in joined.nodes[number]:
                    told.setdefault(number, _LOOP if len(members) == 1 else _FEW_BLOCKS)
    return told


def _networks(nodes: Ints, joints: set[int]) -> list[tuple[list[int], set[int]]]:
    """Flexures linked through joints, and the blocks that each such network reaches."""
    sets = DisjointSet(range(len(nodes)))
    first: dict[int, int] = {}
    for number, pair in enumerate(nodes.tolist()):
        for node in set(pair) & joints:
            sets.merge(number, first.setdefault(node, number))
    return [
        (sorted(members), {int(n) for k in members for n in nodes[k] if n not in joints and n != _FREE})
        for members in sorted(sets.subsets(), key=min)
    ]


# --- the same flexures in many sections -----------------------------------------------------------

# Points of the medial axis and their radii, by section.
_Axes = dict[int, tuple[Floats, Floats]]


@dataclass(frozen=True, eq=False)
class _Member:
    """One flexure as several sections of a plane show it; ``section`` is where ``strip`` was read."""

    strip: _Strip
    section: int
    widths: Floats
    weights: Floats
    span: tuple[float, float] = (0.0, 0.0)
    depth: float = 0.0

    @property
    def width(self) -> float:
        return float(np.average(self.widths, weights=self.weights))

    @property
    def scatter(self) -> float:
        return float(np.sqrt(np.average((self.widths - self.width) ** 2, weights=self.weights)))


def _same(one: _Strip, other: _Strip) -> bool:
    """Whether two strips of different sections lie over one another."""
    if np.linalg.norm(one.middle - other.middle) >= _SAME_PLACE * max(one.least, other.least):
        return False
    chords = [strip.line[-1] - strip.line[0] for strip in (one, other)]
    sizes = [float(np.linalg.norm(chord)) for chord in chords]
    return bool(abs(chords[0] @ chords[1]) >= _SAME_WAY * sizes[0] * sizes[1])


def _members(found: Sequence[tuple[int, _Strip]], thickness: Floats) -> list[_Member]:
    """Strips that lie over one another in different sections, as one each; the most frequent section first."""
    members: list[list[tuple[int, _Strip]]] = []
    for section, strip in sorted(found, key=lambda pair: (-thickness[pair[0]], pair[0])):
        for known in members:
            first = known[0][1]
            if _same(first, strip) and abs(strip.least / first.least - 1) < _SAME_WIDTH:
                known.append((section, strip))
                break
        else:
            members.append([(section, strip)])
    made = []
    for known in members:
        widths = np.concatenate([strip.widths[strip.flank] for _, strip in known])
        weights = np.concatenate([strip.steps[strip.flank] * thickness[section] for section, strip in known])
        made.append(_Member(known[0][1], known[0][0], widths, np.maximum(weights, 1e-12)))
    return made


@dataclass(frozen=True, eq=False)
class _Seen:
    """How much of each flexure is matter, and of what is beside it air, in each section (k, n) [-]."""

    matter: Floats
    air: Floats

    @cached_property
    def there(self) -> Bools:
        """Sections that have the flexure."""
        return np.asarray((self.matter >= _SEEN) & (self.air >= _SEEN))

    @cached_property
    def parts(self) -> Bools:
        """Those too that have part of it next to one that has it all: a taper takes it away by and by."""
        beside = self.there.copy()
        beside[:, 1:] |= self.there[:, :-1]
        beside[:, :-1] |= self.there[:, 1:]
        return np.asarray(beside & (self.air >= _SEEN))

    @cached_property
    def rests(self) -> Bools:
        """Flexures on top of which, or under which, there is matter all along (k,)."""
        ends = np.zeros_like(self.there)
        ends[:, 1:] |= self.there[:, :-1]
        ends[:, :-1] |= self.there[:, 1:]
        return np.asarray((ends & ~self.there & (self.matter >= _SEEN)).any(axis=1))

    def only(self, kept: Sequence[int]) -> "_Seen":
        return _Seen(self.matter[kept], self.air[kept])


def _seen(members: Sequence[_Member], layers: Layers) -> _Seen:
    """Look for flexures in every section."""
    empty = np.zeros((len(members), len(layers)))
    if not members:
        return _Seen(empty, empty)
    inner, outer = [], []
    for one in members:
        strip = one.strip
        far = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(strip.line, axis=0), axis=1)))
        at = np.searchsorted(far, _ALONG * far[-1])
        across = (strip.left - strip.right)[at]
        inner.append(strip.line[at])
        outer.append([strip.line[at] + _BESIDE * across, strip.line[at] - _BESIDE * across])
    points, beside = np.array(inner), np.array(outer)
    matter, air = empty.copy(), empty.copy()
    for section in layers.distinct:
        region = layers.regions[section]
        shapely.prepare(region)
        matter[:, section] = shapely.contains_xy(region, points[..., 0], points[..., 1]).mean(axis=1)
        air[:, section] = 1 - shapely.contains_xy(region, beside[..., 0], beside[..., 1]).mean(axis=(1, 2))
    return _Seen(matter[:, layers.same_as], air[:, layers.same_as])


@dataclass(frozen=True, eq=False)
class _Bodies:
    """Pieces of all distinct sections without the flexures in them, and the body that each belongs to."""

    pieces: NDArray[np.object_]
    section: Ints
    body: Ints

    def of(self, section: int) -> tuple[NDArray[np.object_], Ints]:
        """Pieces of one section and their bodies."""
        chosen = self.section == section
        return self.pieces[chosen], self.body[chosen]


def _bodies(layers: Layers, members: Sequence[_Member], there: Bools) -> _Bodies:
    """Cut the flexures out of every section and join what lies over one another."""
    thinnest = min(m.strip.least for m in members)
    matters = [m.strip.matter for m in members]
    pieces, section = [np.empty(0, dtype=object)], [np.empty(0, dtype=np.int64)]
    for number in layers.distinct:
        cut = [matter for matter, is_there in zip(matters, there[:, number], strict=True) if is_there]
        pieces.append(_pieces(layers.regions[number], cut, thinnest))
        section.append(np.full(len(pieces[-1]), number, dtype=np.int64))
    every, of = np.concatenate(pieces), np.concatenate(section)
    shapely.prepare(every)
    inner, area = shapely.point_on_surface(every), shapely.area(every)
    sets = DisjointSet(range(len(every)))
    start = np.searchsorted(of, np.arange(len(layers) + 1))
    steps = {(int(a), int(b)) for a, b in pairwise(layers.same_as) if a != b}
    for below, above in sorted(steps):
        lower, upper = np.arange(*start[[below, below + 1]]), np.arange(*start[[above, above + 1]])
        if not (len(lower) and len(upper)):
            continue
        up, low = shapely.STRtree(every[lower]).query(every[upper])
        up, low = upper[up], lower[low]
        rests = shapely.contains_properly(every[low], inner[up]) & shapely.contains_properly(every[up], inner[low])
        unsure = np.flatnonzero(~rests)
        shared = shapely.intersection(every[up[unsure]], every[low[unsure]])
        rests[unsure] = shapely.area(shared) > _OVERLAP * np.minimum(area[up[unsure]], area[low[unsure]])
        rests[unsure] |= ~shapely.is_empty(shapely.buffer(shared, -_SLIVER * thinnest))
        for one, other in zip(up[rests].tolist(), low[rests].tolist(), strict=True):
            sets.merge(one, other)
    roots = np.array([sets[k] for k in range(len(every))], dtype=np.int64)
    return _Bodies(every, of, np.unique(roots, return_inverse=True)[1].astype(np.int64))


@dataclass(frozen=True, eq=False)
class _Graph:
    """Flexures of a plane with the bodies that their ends join (n, 2); ``joints`` are bodies no thicker than they."""

    nodes: Ints
    joints: set[int]
    centres: dict[int, Floats]


def _graph(layers: Layers, members: Sequence[_Member], bodies: _Bodies, bounds: Bounds, axes: _Axes) -> _Graph:
    """What the ends of each flexure join, read in its own section, in numbers of bodies."""
    nodes = np.full((len(members), 2), _FREE, dtype=np.int64)
    joints: set[int] = set()
    centres: dict[int, Floats] = {}
    past = int(bodies.body.max(initial=-1)) + 1
    for section in sorted({m.section for m in members}):
        own = [k for k, m in enumerate(members) if m.section == section]
        strips = [members[k].strip for k in own]
        joined = _joined(layers.regions[section], strips, *axes[section])
        known, body = bodies.of(section)
        tree = shapely.STRtree(known)
        number: dict[int, int] = {_FREE: _FREE}
        for node, piece in enumerate(joined.pieces):
            hits = tree.query(shapely.point_on_surface(piece), predicate="intersects")
            number[node] = int(body[hits[0]]) if len(hits) else _FREE
        tips = np.array([[strip.end(w)[0] for w in (0, 1)] for strip in strips])
        for node in range(len(joined.pieces), len(joined.across)):
            number[node] = past
            centres[past] = tips[joined.nodes == node].mean(axis=0)
            past += 1
        nodes[own] = np.vectorize(number.get)(joined.nodes)
        joints |= {number[node] for node in joined.joints(strips, bounds)}
    return _Graph(nodes, joints - {_FREE}, centres)


def flexibility(
    line_mm: Floats, widths_mm: Floats, poisson: float, end_mm: Floats, root_mm: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """How one end of a flexure moves against the other, for a unit of modulus times depth.

    Parameters
    ----------
    line_mm : (n, 2) float
        Centre line, straight, curved or folded [mm].
    widths_mm : (n,) float
        Width at each of its points [mm].
    poisson : float
        Ratio of the material [-].
    end_mm : (2,) float
        Point at which force, moment and movement are counted [mm].
    root_mm : tuple of (float, float)
        Length added at each end for what gives way beyond it [mm].

    Returns
    -------
    (3, 3) float
        Displacements in x and y and turn [rad] by forces and moment there [-, -, 1/mm] [-, 1/mm, 1/mm2].

    References
    ----------
    Unit-load theorem with the shear factor 1.2 of a rectangle, any strength-of-materials text (from memory).
    """
    step = np.diff(line_mm, axis=0)
    length = np.linalg.norm(step, axis=1)
    keep = length > 1e-12
    step, length = step[keep], length[keep]
    middle = ((line_mm[1:] + line_mm[:-1]) / 2)[keep]
    width = ((widths_mm[1:] + widths_mm[:-1]) / 2)[keep]
    along = step / length[:, None]
    if any(root_mm):
        first, last = line_mm[0] - along[0] * root_mm[0] / 2, line_mm[-1] + along[-1] * root_mm[1] / 2
        middle = np.vstack([first, middle, last])
        along = np.vstack([along[:1], along, along[-1:]])
        length = np.concatenate([[root_mm[0]], length, [root_mm[1]]])
        width = np.concatenate([widths_mm[:1], width, widths_mm[-1:]])
    square = np.column_stack([-along[:, 1], along[:, 0]])
    arm = np.column_stack([-(end_mm[1] - middle[:, 1]), end_mm[0] - middle[:, 0], np.ones(len(length))])
    total = np.zeros((3, 3))
    total[:2, :2] = np.einsum("k,ki,kj->ij", length / width, along, along)
    total[:2, :2] += np.einsum("k,ki,kj->ij", 2.4 * (1 + poisson) * length / width, square, square)
    # A straight stretch bends about its own middle too: its length squared over twelve.
    total[:2, :2] += np.einsum("k,ki,kj->ij", length**3 / width**3, square, square)
    return np.asarray(total + np.einsum("k,ki,kj->ij", 12 * length / width**3, arm, arm))


# --- a family of parallel sections ------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Frame:
    """How section planes lie: rows x, y and normal in the plate frame, and the way to the part's frame."""

    axes: Floats
    rotation: Floats
    offset_mm: Floats

    def to_part(self, points: Floats, height_mm: Floats | float) -> Floats:
        """Points (n, 2) of the section at some height in the part's frame (n, 3)."""
        flat = np.column_stack([points, np.broadcast_to(height_mm, len(points))])
        return np.asarray((flat @ self.axes - self.offset_mm) @ self.rotation)

    def from_part(self, points: Floats) -> Floats:
        """Points (n, 3) of the part's frame along the axes of the sections."""
        return np.asarray((points @ self.rotation.T + self.offset_mm) @ self.axes.T)

    def to_part_direction(self, direction: Floats) -> Vector:
        """A direction in the plane as one of the part's frame."""
        x, y, z = (float(v) + 0.0 for v in (direction @ self.axes[:2]) @ self.rotation)
        return x, y, z


@dataclass(frozen=True, eq=False)
class _Family:
    """Sections of one direction, what is declared, and by what bounds they are judged.

    ``cut`` gives sections at any heights, where those of ``layers`` are only samples.
    """

    frame: _Frame
    layers: Layers
    in_layers: bool
    regions: tuple[Region, ...]
    bounds: Bounds
    cut: Callable[[Floats], Layers] | None = None

    @cached_property
    def thickness(self) -> Floats:
        """What each distinct section stands for together with those like it."""
        return np.asarray(np.bincount(self.layers.same_as, self.layers.thickness_mm, len(self.layers)), dtype=float)

    @cached_property
    def flexure_regions(self) -> tuple[Region, ...]:
        return tuple(region for region in self.regions if region.kind is RegionKind.FLEXURE)

    def middle(self, strip: _Strip, section: int) -> Floats:
        """Middle of a strip in the part's frame (1, 3)."""
        return self.frame.to_part(np.asarray(strip.middle[None]), float(self.layers.z_mm[section]))

    def looked(self) -> list[int]:
        """Sections to find strips in: evenly by outline, and at declared flexures; of like ones the first."""
        layers = self.layers
        weight = np.cumsum(layers.outline_mm * layers.thickness_mm)
        count = _MOST_SECTIONS if self.in_layers else round(self.bounds.region_steps)
        at = np.searchsorted(weight, (np.arange(count) + 0.5) / count * weight[-1])
        for region in self.flexure_regions:
            height = self.frame.from_part(_region_points(region)).mean(axis=0)[2]
            at = np.append(at, np.abs(layers.z_mm - height).argmin())
        order = np.unique(layers.same_as[np.minimum(at, len(layers) - 1)])
        chosen: list[int] = []
        for section in order[np.argsort(-self.thickness[order], kind="stable")].tolist():
            if not any(self._alike(section, other) for other in chosen) and layers.area_mm2[section] > 0:
                chosen.append(section)
        return sorted(chosen)

    def _alike(self, one: int, other: int) -> bool:
        """Whether two sections differ by less than a strip would make."""
        layers = self.layers
        same = layers.islands[one] == layers.islands[other] and layers.holes[one] == layers.holes[other]
        near = [abs(v[one] - v[other]) <= _LIKE * v[other] for v in (layers.outline_mm, layers.area_mm2)]
        if not (same and all(near)):
            return False
        # Mirror images have all that in common.
        middle = shapely.centroid(layers.regions[other])
        shifted = [shapely.transform(layers.regions[k], lambda at: at - (middle.x, middle.y)) for k in (one, other)]
        moments = area_moments(np.array(shifted))
        size = moments[1, 3] + moments[1, 4]
        return bool((np.abs(moments[0, 3:] - moments[1, 3:]) <= _LIKE / 2 * size).all())

    def spanned(self, members: Sequence[_Member], there: Bools) -> list[_Member]:
        """Flexures with where they begin and end along the normal, and how much of that they fill."""
        layers = self.layers
        at = [np.flatnonzero(seen) for seen in there]
        top_mm = layers.bottom_mm + layers.thickness_mm
        ends = np.array([(layers.bottom_mm[k[0]], top_mm[k[-1]]) if len(k) else (0.0, 0.0) for k in at]).reshape(-1, 2)
        filled = np.array([layers.thickness_mm[k].sum() for k in at])
        if self.cut is not None:
            for side, inward in ((0, 1), (1, -1)):
                # The end lies between the last section with it and the next one without.
                known = np.array([layers.z_mm[k[-side]] if len(k) else 0.0 for k in at])
                step = -inward * layers.thickness_mm[0]
                reached, missed = known, known + step
                for _ in range(_HALVINGS):
                    middle = (reached + missed) / 2
                    heights, which = np.unique(middle, return_inverse=True)
                    finer = self.cut(heights)
                    seen = _seen(members, finer).there[np.arange(len(members)), which.ravel()]
                    reached, missed = np.where(seen, middle, reached), np.where(seen, missed, middle)
                end = (reached + missed) / 2
                filled += inward * (ends[:, side] - end)
                ends[:, side] = end
        return [
            replace(one, span=(float(low), float(high)), depth=float(depth))
            for one, (low, high), depth in zip(members, ends, filled, strict=True)
        ]


def _plane(family: _Family) -> tuple[SectionPlane | None, list[Flexure], list[Rejected], list[str]]:
    """Flexures of one family of sections, those only declared, strips that are none, and what is dropped."""
    layers, bounds = family.layers, family.bounds
    found: list[tuple[int, _Strip]] = []
    refused: list[tuple[int, _Strip, str]] = []
    axes: _Axes = {}
    for section in family.looked():
        strips, *axis = _strips(layers.regions[section], bounds)
        if not strips:
            continue
        axes[section] = (axis[0], axis[1])
        middles = np.vstack([family.middle(strip, section) for strip in strips])
        declared = region_of(family.flexure_regions, middles) >= 0
        accepted, reasons = _accepted(layers.regions[section], strips, axes[section], bounds, declared)
        found += [(section, strips[k]) for k in accepted]
        refused += [(section, strips[k], reasons[k]) for k in sorted(reasons)]
    members, told, graph, bodies, there = _free(family, _members(found, family.thickness), axes)
    refused += told
    kept, dropped = _without_dropped(family, members)
    if dropped:
        members, more, graph, bodies, there = _free(family, kept, axes)
        refused += more
    only = _only_declared(family, refused)
    rejected = _rejected(family, members, refused)
    if not members:
        return None, only, rejected, dropped
    return _assembled(family, members, graph, bodies, there), only, rejected, dropped


def _without_dropped(family: _Family, members: list[_Member]) -> tuple[list[_Member], list[str]]:
    """Flexures outside fixed regions, and a line on each that lies in one."""
    kept, dropped = [], []
    for one in members:
        middle = family.middle(one.strip, one.section)
        index = int(region_of(family.regions, middle)[0])
        if index >= 0 and family.regions[index].kind is RegionKind.FIXED:
            x, y, z = middle[0].tolist()
            dropped.append(
                f"strip {one.width:.2f} mm wide and {one.strip.length:.1f} mm long at {x:.0f} {y:.0f} {z:.0f}: "
                f"region {family.regions[index].name} says that it is fixed"
            )
        else:
            kept.append(one)
    return kept, dropped


def _free(
    family: _Family, members: list[_Member], axes: _Axes
) -> tuple[list[_Member], list[tuple[int, _Strip, str]], _Graph, _Bodies, Bools]:
    """Flexures that set a body free once all sections are joined, why others do not, and the bodies."""
    layers, bounds = family.layers, family.bounds
    told: list[tuple[int, _Strip, str]] = []
    seen = _seen(members, layers)
    none = _Bodies(np.empty(0, dtype=object), np.empty(0, np.int64), np.empty(0, np.int64))
    graph = _Graph(np.empty((0, 2), np.int64), set(), {})
    members = family.spanned(members, seen.there)
    bad = {k: _LOW for k, m in enumerate(members) if m.depth < bounds.depth * m.strip.least * (1 - 1e-6)}
    bad |= dict.fromkeys(np.flatnonzero(seen.rests).tolist(), _RESTS)
    bodies, cut_again = none, True
    while True:
        told += [(members[k].section, members[k].strip, reason) for k, reason in sorted(bad.items())]
        kept = [k for k in range(len(members)) if k not in bad]
        members, seen = [members[k] for k in kept], seen.only(kept)
        if not members:
            return [], told, graph, none, seen.parts
        bodies = _bodies(layers, members, seen.parts) if cut_again else bodies
        graph = _graph(layers, members, bodies, bounds, axes)
        bad = _unfree(family, members, graph)
        # Both ends of what frees nothing are one body whether it is cut or not.
        cut_again = False
        if not bad:
            bad = _hole_walls(members, graph, bodies, family.thickness, bounds)
            cut_again = True
        if not bad:
            return members, told, graph, bodies, seen.parts


def _unfree(family: _Family, members: Sequence[_Member], graph: _Graph) -> dict[int, str]:
    """Flexures that set nothing free."""
    bad: dict[int, str] = {}
    for number, (one, other) in enumerate(graph.nodes.tolist()):
        if one == other != _FREE:
            bad[number] = _LOOP
        elif _FREE in (one, other):
            declared = region_of(family.flexure_regions, family.middle(members[number].strip, members[number].section))
            if int(declared[0]) < 0:
                bad[number] = _FREE_END
    for group, thick in _networks(graph.nodes, graph.joints):
        if len(thick) < 2:
            bad |= {k: _FEW_BLOCKS for k in group if k not in bad and _FREE not in graph.nodes[k]}
    return bad


def _hole_walls(
    members: Sequence[_Member], graph: _Graph, bodies: _Bodies, thickness: Floats, bounds: Bounds
) -> dict[int, str]:
    """Necks that together are as stiff as the two blocks they join."""
    moments = _body_moments(bodies, thickness)
    pairs: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for number, pair in enumerate(graph.nodes.tolist()):
        if _FREE not in pair and not graph.joints & set(pair):
            pairs[tuple(sorted(pair))].append(number)
    bad: dict[int, str] = {}
    for (one, other), group in sorted(pairs.items()):
        if any(members[k].strip.slenderness >= bounds.slenderness for k in group):
            continue
        volume, x, y, xx, yy, _ = moments[min(one, other, key=lambda b: moments[b][0])]
        centre, turning = np.array([x, y]) / volume, (xx + yy) / volume - (x * x + y * y) / volume**2
        stiffness = np.zeros((3, 3))
        for k in group:
            strip = members[k].strip
            root = ROOT_WIDTHS * strip.least
            stiffness += np.linalg.inv(flexibility(strip.line, strip.widths, _POISSON, centre, (root, root)))
        scale = np.sqrt(np.array([1.0, 1.0, turning]))
        if np.linalg.eigvalsh(stiffness / np.outer(scale, scale))[0] > bounds.neck_stiffness:
            bad |= dict.fromkeys(group, _HOLE_WALL)
    return bad


def _body_moments(bodies: _Bodies, thickness: Floats) -> dict[int, Floats]:
    """Volume and its first and second moments in the plane, by body."""
    every = area_moments(bodies.pieces) * thickness[bodies.section][:, None]
    total = np.zeros((int(bodies.body.max(initial=-1)) + 1, 6))
    np.add.at(total, bodies.body, every)
    return dict(enumerate(total))


def _rejected(
    family: _Family, members: Sequence[_Member], refused: Sequence[tuple[int, _Strip, str]]
) -> list[Rejected]:
    """Strips that are none, each once, those apart that another section shows to be a flexure."""
    told: list[tuple[_Strip, Rejected]] = []
    for section, strip, reason in refused:
        if strip.slenderness < family.bounds.slenderness:
            continue
        alike = [m.strip for m in members] + [known for known, _ in told]
        if any(_same(known, strip) for known in alike):
            continue
        x, y, z = family.middle(strip, section)[0].tolist()
        height = float(family.layers.z_mm[section])
        told.append(
            (strip, Rejected(reason, strip.length, strip.least, (x, y, z), family.in_layers, strip.line, height))
        )
    return [rejected for _, rejected in told]


def _assembled(family: _Family, members: list[_Member], graph: _Graph, bodies: _Bodies, there: Bools) -> SectionPlane:
    """The plane with its flexures, not yet named, and its blocks."""
    layers, frame = family.layers, family.frame
    # The section with most of them, nearest to their middle height.
    count = np.where(there.any(axis=0), there.sum(axis=0), -1)
    middle = float(np.mean([one.span for one in members]))
    nearest = np.argmin(np.where(count == count.max(), np.abs(layers.z_mm - middle), np.inf))
    shown = int(layers.same_as[nearest])
    moments = _body_moments(bodies, family.thickness)
    used = sorted({int(n) for n in graph.nodes.ravel() if n != _FREE})
    used.sort(key=lambda b: (-moments[b][0] if b in moments else 0.0, b))
    names = _region_names(family, bodies, used)
    pieces, body = bodies.of(shown)
    blocks = []
    for number, one in enumerate(used, start=1):
        if one in moments:
            volume, x, y, xx, yy, _ = moments[one]
            centre, turning = np.array([x, y]) / volume, xx + yy - (x * x + y * y) / volume
        else:
            volume, centre, turning = 0.0, graph.centres[one], 0.0
        outline = shapely.union_all(pieces[body == one])
        regions = names.get(one, ())
        name = regions[0] if regions else f"block {number}"
        blocks.append(Block(name, regions, outline, centre, float(volume), float(turning), one in graph.joints))
    place = {body_: k for k, body_ in enumerate(used)} | {_FREE: _FREE}
    made = tuple(
        _flexure(family, one, (place[int(pair[0])], place[int(pair[1])]), FlexureOrigin.FOUND)
        for one, pair in zip(members, graph.nodes, strict=True)
    )
    shares = [one.depth / max(one.span[1] - one.span[0], 1e-9) for one in members]
    return SectionPlane(
        axes=frame.axes,
        axes_part=frame.axes @ frame.rotation,
        origin_part_mm=-frame.offset_mm @ frame.rotation,
        in_layers=family.in_layers,
        height_mm=float(layers.z_mm[nearest]),
        section=layers.regions[shown],
        flexures=made,
        blocks=tuple(blocks),
        prismatic_share=min(shares),
    )


def _flexure(family: _Family, one: _Member, blocks: tuple[int, int], origin: FlexureOrigin) -> Flexure:
    """A flexure as it is told, not yet named."""
    strip, frame = one.strip, family.frame
    chord = strip.line[-1] - strip.line[0]
    x, y, z = frame.to_part(strip.middle[None], sum(one.span) / 2)[0].tolist()
    leaf = strip.slenderness >= family.bounds.slenderness
    kind = FlexureKind.LEAF if leaf else FlexureKind.NECK
    return Flexure(
        name="",
        kind=FlexureKind.ARM if origin is FlexureOrigin.FOUND and _FREE in blocks else kind,
        origin=origin,
        region="",
        length_mm=strip.length,
        width_mm=one.width if leaf else strip.least,
        least_width_mm=float(min(one.widths.min(), strip.least)),
        width_scatter_mm=one.scatter,
        depth_mm=one.depth,
        span_mm=one.span,
        root_radii_mm=strip.roots,
        direction=frame.to_part_direction(chord / max(float(np.linalg.norm(chord)), 1e-12)),
        point_mm=(x, y, z),
        in_layers=family.in_layers,
        axes=frame.axes,
        line_mm=strip.line,
        widths_mm=strip.widths,
        outline_mm=strip.ring,
        blocks=blocks,
    )


def _only_declared(family: _Family, refused: Sequence[tuple[int, _Strip, str]]) -> list[Flexure]:
    """Strips in declared flexures that set nothing free: the submission alone says that they are."""
    inside = [
        (section, strip)
        for section, strip, _ in refused
        if strip.slenderness >= family.bounds.slenderness
        and int(region_of(family.flexure_regions, family.middle(strip, section))[0]) >= 0
    ]
    members = _members(inside, family.thickness)
    seen = _seen(members, family.layers)
    spanned = family.spanned(members, seen.there)
    return [_flexure(family, one, (_FREE, _FREE), FlexureOrigin.ADDED) for one in spanned if one.depth > 0]


def _region_points(region: Region) -> Floats:
    """Points spread through a region's volume, in the part's frame."""
    volume = region.volume
    if isinstance(volume, Box):
        corners = volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    else:
        corners = volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)
    low, high = corners.min(axis=0), corners.max(axis=0)
    share = (np.arange(_REGION_POINTS) + 0.5) / _REGION_POINTS
    grid = np.stack(np.meshgrid(share, share, share, indexing="ij"), axis=-1).reshape(-1, 3)
    points = low + grid * (high - low)
    return np.asarray(points[region_contains(region, points)])


def _region_names(family: _Family, bodies: _Bodies, used: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Declared regions whose matter each body is most of, those that move first."""
    order = {RegionKind.MOVING: 0, RegionKind.GRIP: 1, RegionKind.FIXED: 2}
    names: dict[int, list[tuple[int, int, str]]] = defaultdict(list)
    for number, region in enumerate(family.regions):
        if region.kind not in order:
            continue
        points = family.frame.from_part(_region_points(region))
        nearest = np.abs(points[:, 2:] - family.layers.z_mm).argmin(axis=1)
        held: Counter[int] = Counter()
        for section in np.unique(nearest):
            pieces, body = bodies.of(int(family.layers.same_as[section]))
            inside = shapely.points(points[nearest == section][:, :2])
            _, piece = shapely.STRtree(pieces).query(inside, predicate="intersects")
            held.update(int(b) for b in body[piece])
        most = max(((held[b], -k, b) for k, b in enumerate(used) if held[b]), default=None)
        if most is not None:
            names[most[2]].append((order[region.kind], number, region.name))
    return {body: tuple(name for _, _, name in sorted(told)) for body, told in names.items()}


# --- the whole part -----------------------------------------------------------------------------------


def find_flexures(
    vertices: Floats,
    faces: Ints,
    layers: Layers,
    regions: Sequence[Region],
    setup: Setup,
    limits: Limits,
    offset_mm: Floats | None = None,
) -> Flexures:
    """Find the flexures of a part from its mesh, and settle them with what the submission declares.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].
    layers : Layers
        All layers of the part.
    regions : sequence of Region
        Declared regions of the part.
    setup : Setup
        Whose pose turns the part's frame into the plate's.
    limits : Limits
        With the rows ``flexure.*``.
    offset_mm : (3,) float, optional
        What is added after turning so that the part stands on the plate [mm].

    Returns
    -------
    Flexures

    Notes
    -----
    A declared flexure confirms what is found in it; where nothing is found its matter is added as
    a straight bar.  A declared fixed region drops what is found in it: fixed matter does not give way.

    References
    ----------
    Blum 1967 (medial axis); Attali and Montanvert, Computer Vision and Image Understanding 67, 1997
    (skeleton from Voronoi cells, pruned by the angle at the centre); both from memory.
    """
    bounds = Bounds(**{name: limits.value(f"flexure.{name}", setup).value for name in Bounds.__dataclass_fields__})
    offset = np.zeros(3) if offset_mm is None else offset_mm
    known = tuple(regions)
    families = [_Family(_Frame(np.eye(3), setup.rotation, offset), layers, True, known, bounds)]
    for axes in _upright_axes(vertices, faces):
        turned = vertices @ axes.T
        cut = partial(sections, turned, faces)
        families.append(
            _Family(_Frame(axes, setup.rotation, offset), _upright_sections(turned, faces), False, known, bounds, cut)
        )
    planes: list[SectionPlane] = []
    rejected: list[Rejected] = []
    dropped: list[str] = []
    spare: list[Flexure] = []
    for family in families:
        if not len(family.layers):
            continue
        plane, only, told, gone = _plane(family)
        spare += only
        rejected += told if family.in_layers else []
        dropped += gone
        if plane is not None:
            planes.append(plane)
    planes = _each_once(planes)
    planes, empty = _with_declared(planes, spare, layers, known, setup.rotation, offset)
    return Flexures(tuple(_named(planes, known)), tuple(rejected), tuple(dropped), tuple(empty))


def _upright_axes(vertices: Floats, faces: Ints) -> list[Floats]:
    """Two families of upright planes, square to the directions in which most upright surface looks."""
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    upright = (area > 0) & (np.abs(normal[:, 2]) < np.sin(np.radians(_UPRIGHT_DEG)) * area)
    if not upright.any():
        return []
    looks = np.degrees(np.arctan2(normal[upright, 1], normal[upright, 0])) % 90
    bins = np.round(looks / _BIN_DEG).astype(np.int64) % round(90 / _BIN_DEG)
    peak = _BIN_DEG * int(np.argmax(np.bincount(bins, area[upright])))
    away = (looks - peak + 45) % 90 - 45
    near = np.abs(away) <= _BIN_DEG
    angle = np.radians(round(peak + np.average(away[near], weights=area[upright][near]), 3))
    found = []
    for turn in (angle, angle + np.pi / 2):
        out = np.array([np.cos(turn), np.sin(turn), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        found.append(np.round(np.array([np.cross(up, out), up, out]), 12))
    return found


def _upright_sections(vertices: Floats, faces: Ints) -> Layers:
    """Sections at even steps that pass through no corner of the mesh."""
    low, high = float(vertices[:, 2].min()), float(vertices[:, 2].max())
    step = (high - low) / _JOINING_SECTIONS
    z_mm: Floats = np.asarray(low + (np.arange(_JOINING_SECTIONS) + 0.5) * step, dtype=float)
    levels = np.unique(vertices[:, 2])
    for shift in (0.0, 0.013, -0.017, 0.029, -0.031):
        moved = z_mm + shift * step
        at = np.searchsorted(levels, moved)
        gap = np.minimum(
            np.abs(levels[np.minimum(at, len(levels) - 1)] - moved), np.abs(levels[np.maximum(at - 1, 0)] - moved)
        )
        if gap.min() > 1e-3 * step:
            z_mm = moved
            break
    return sections(vertices, faces, z_mm, np.full(_JOINING_SECTIONS, step, dtype=float))


def _each_once(planes: Sequence[SectionPlane]) -> list[SectionPlane]:
    """Planes without flexures that an earlier plane has in the same place."""
    kept: list[SectionPlane] = []
    for plane in planes:
        before = [flexure for other in kept for flexure in other.flexures]
        own = [
            flexure
            for flexure in plane.flexures
            if not any(
                np.linalg.norm(np.subtract(flexure.point_mm, other.point_mm)) < max(flexure.width_mm, other.width_mm)
                for other in before
            )
        ]
        if own:
            kept.append(replace(plane, flexures=tuple(own)))
    return kept


def _with_declared(
    planes: list[SectionPlane],
    spare: Sequence[Flexure],
    layers: Layers,
    regions: tuple[Region, ...],
    rotation: Floats,
    offset: Floats,
) -> tuple[list[SectionPlane], list[str]]:
    """Declared flexures joined to what was found, added where nothing was, and those without matter."""
    declared = [region for region in regions if region.kind is RegionKind.FLEXURE]
    settled = []
    for plane in planes:
        index = region_of(declared, np.array([flexure.point_mm for flexure in plane.flexures]))
        own = tuple(
            replace(flexure, region=declared[k].name, origin=FlexureOrigin.CONFIRMED) if k >= 0 else flexure
            for k, flexure in zip(index.tolist(), plane.flexures, strict=True)
        )
        settled.append(replace(plane, flexures=own))
    settled = _without_stray_arms(settled)
    held = {flexure.region for plane in settled for flexure in plane.flexures}
    empty = []
    for number, region in enumerate(declared):
        if region.name in held:
            continue
        own_spare = [f for f in spare if int(region_of(declared, np.array([f.point_mm]))[0]) == number]
        best = [
            f for f in own_spare if f.in_layers is own_spare[0].in_layers and np.allclose(f.axes, own_spare[0].axes)
        ]
        bar = None if best else _bar(region, layers, rotation, offset)
        added = [replace(f, region=region.name) for f in best] or ([bar] if bar is not None else [])
        if not added:
            empty.append(region.name)
        for flexure in added:
            _put(settled, flexure, layers, rotation, offset)
    return sorted(settled, key=lambda plane: not plane.in_layers), empty


def _put(planes: list[SectionPlane], flexure: Flexure, layers: Layers, rotation: Floats, offset: Floats) -> None:
    """Put a declared flexure into the plane in which it bends, a new one if need be."""
    for number, plane in enumerate(planes):
        if np.allclose(plane.axes, flexure.axes, atol=1e-6):
            planes[number] = replace(plane, flexures=(*plane.flexures, flexure))
            return
    section, height = shapely.Polygon(), float(np.mean(flexure.span_mm))
    if flexure.in_layers:
        nearest = int(np.abs(layers.z_mm - height).argmin())
        section, height = layers.regions[nearest], float(layers.z_mm[nearest])
    axes, origin = flexure.axes @ rotation, -offset @ rotation
    planes.append(SectionPlane(flexure.axes, axes, origin, flexure.in_layers, height, section, (flexure,), ()))


def _without_stray_arms(planes: Sequence[SectionPlane]) -> list[SectionPlane]:
    """Planes with only those arms that are declared and that no other plane shows held at both ends."""
    whole = {f.region for plane in planes for f in plane.flexures if f.kind is not FlexureKind.ARM} | {""}
    kept = []
    for plane in planes:
        own = tuple(f for f in plane.flexures if f.kind is not FlexureKind.ARM or f.region not in whole)
        if own:
            kept.append(replace(plane, flexures=own))
    return kept


def _bar(region: Region, layers: Layers, rotation: Floats, offset: Floats) -> Flexure | None:
    """The matter of a declared flexure as a straight bar; None without matter."""
    volume = region.volume
    if isinstance(volume, Box):
        corners = volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    else:
        corners = volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)
    matter = member(layers, corners @ rotation.T + offset)
    if matter is None:
        return None
    thin, across, along = matter.axes
    in_layers = bool(abs(across[2]) > np.cos(np.radians(30)))
    axes = np.eye(3) if in_layers else np.array([along, thin, np.cross(along, thin)])
    width, depth, length = matter.size_mm.tolist()
    centre = matter.centre_mm @ axes.T
    way = axes[:2] @ along
    side = np.array([-way[1], way[0]])
    line = centre[:2] + np.linspace(-length / 2, length / 2, 21)[:, None] * way
    ring = np.vstack([line[[0, -1]] + width / 2 * side, line[[-1, 0]] - width / 2 * side])
    x, y, z = ((matter.centre_mm - offset) @ rotation).tolist()
    u, v, w = (float(t) + 0.0 for t in along @ rotation)
    return Flexure(
        name="",
        kind=FlexureKind.LEAF,
        origin=FlexureOrigin.ADDED,
        region=region.name,
        length_mm=length,
        width_mm=width,
        least_width_mm=width,
        width_scatter_mm=0.0,
        depth_mm=depth,
        span_mm=(float(centre[2] - depth / 2), float(centre[2] + depth / 2)),
        root_radii_mm=(float("nan"), float("nan")),
        direction=(u, v, w),
        point_mm=(x, y, z),
        in_layers=in_layers,
        axes=axes,
        line_mm=line,
        widths_mm=np.full(len(line), width),
        outline_mm=np.vstack([ring, ring[:1]]),
        blocks=(_FREE, _FREE),
    )


def _named(planes: Sequence[SectionPlane], regions: Sequence[Region]) -> list[SectionPlane]:
    """Planes with their flexures in a stable order and named."""
    order = {region.name: k for k, region in enumerate(regions)}
    shared = Counter(flexure.region for plane in planes for flexure in plane.flexures)
    given: Counter[str] = Counter()
    named = []
    for plane in planes:
        own = sorted(
            plane.flexures, key=lambda f: (order.get(f.region, len(order)), *(round(v) for v in f.point_mm), f.width_mm)
        )
        told = []
        for flexure in own:
            base = flexure.region or "flexure"
            given[base] += 1
            single = flexure.region and shared[flexure.region] == 1
            told.append(replace(flexure, name=base if single else f"{base} {given[base]}"))
        named.append(replace(plane, flexures=tuple(told)))
    return named
