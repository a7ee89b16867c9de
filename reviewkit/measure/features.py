"""Small detail: what an opening of the layers takes away and what a closing fills; letters and marks.

Opening a layer by a width (shrink it by half of that, then grow it again) keeps all that a line of
that width can draw and takes away the rest; closing does the same to the air.  What is left over is
followed from layer to layer, so that a rib is told from the tip of a slope that is narrow in one
layer alone.

References
----------
Serra, Image Analysis and Mathematical Morphology, 1982: opening and closing (from memory).  Corners
are kept sharp here, down to a bound, since a printed line rounds every corner without losing it.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from reviewkit.measure.layers import Layers
from reviewkit.measure.walls import Walls
from reviewkit.model import Box, Floats, Vector

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Geometries = NDArray[np.object_]

# A width that is exactly the bound is kept.
_HAIR_MM = 1e-3
# Pieces that come nearer than this hang together.
_TOUCH_MM = 5e-3
# Widths of pieces are found to this.
_WIDTH_TOLERANCE_MM = 2e-4


@dataclass(frozen=True, eq=False)
class Detail:
    """A small piece of material that an opening takes away, or of air that a closing fills.

    Parameters
    ----------
    raised : bool
        Whether it is material; else it is air.
    point_mm : tuple of float
        A point in it, half-way up, plate frame [mm].
    box_mm : tuple
        Least and greatest corner [mm].
    length_mm : float
        Longer side of the tightest rectangle around it in the layer where it is largest [mm].
    fullness : float
        Its area over that rectangle's: a bar has 1, a disc 0.79, a pointed tip 0.5 [-].
    hangs : bool
        Whether it is joined to what the opening keeps, or opens into what the closing keeps.
    steadiness : float
        Median area over the greatest, by height: what tapers has less [-].
    layer : int
        Layer where it is largest [-].
    shape : shapely.Polygon
        Its outline there.
    """

    raised: bool
    point_mm: Vector
    box_mm: Box
    length_mm: float
    fullness: float
    hangs: bool
    steadiness: float
    layer: int
    shape: shapely.Polygon

    @property
    def height_mm(self) -> float:
        """From its lowest to its highest layer [mm]."""
        return self.box_mm[1][2] - self.box_mm[0][2]


@dataclass(frozen=True, eq=False)
class Marks:
    """Letters or other small shapes of one height, raised on one level face or engraved into it.

    Parameters
    ----------
    raised : bool
        Whether they stand proud; else they are cut in.
    box_mm : tuple
        Around all of them [mm].
    relief_mm : float
        Height or depth [mm].
    shapes : (n,) object
        Their outlines.
    tallest_mm : (n,) float
        Greater side of the tightest rectangle around each [mm].
    stroke_mm : (n,) float
        Width of the widest place of each: its stroke [mm].
    roundness : (n,) float
        Isoperimetric quotient, a disc has 1 [-].
    layer : int
        The layer that shows them [-].
    """

    raised: bool
    box_mm: Box
    relief_mm: float
    shapes: Geometries
    tallest_mm: Floats
    stroke_mm: Floats
    roundness: Floats
    layer: int

    def __len__(self) -> int:
        return len(self.shapes)


def small_details(
    layers: Layers,
    walls: Walls,
    opening_mm: float,
    closing_mm: float,
    corner: float,
    least_area_mm2: float,
    large: tuple[Bools, Bools] | None = None,
) -> list[Detail]:
    """All that an opening takes away and a closing fills, from the plate up.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    walls : Walls
        Readings of the same layers: they tell where there is anything narrow.
    opening_mm, closing_mm : float
        Narrower material is taken away, narrower air is filled [mm].
    corner : float
        Sharp corners are kept as far out as this many times half the width [-].
    least_area_mm2 : float
        Smaller rests are left out [mm2].
    large : two of (n,) bool, optional
        Readings of thin walls, and of narrow gaps, that are known to be no detail; a layer that has
        no other narrow readings is not looked at.
    """
    details: list[Detail] = []
    known = (np.zeros(len(walls), dtype=bool),) * 2 if large is None else large
    ways = ((True, opening_mm, walls.width_mm), (False, closing_mm, walls.clearance_mm))
    for (raised, width_mm, read), other in zip(ways, known, strict=True):
        narrow = np.unique(walls.layer[(read < width_mm) & ~other])
        rests = {
            int(layer): _rests(layers.regions[layer], raised, width_mm, corner, least_area_mm2) for layer in narrow
        }
        details += _followed(layers, rests, raised)
    return details


def detail_width(detail: Detail, layers: Layers, most_mm: float, corner: float) -> float:
    """Width of a detail: the least by which an opening takes most of it away, or a closing fills it [mm].

    Parameters
    ----------
    detail : Detail
    layers : Layers
        The layers that it was found in.
    most_mm : float
        The width by which it was found [mm].
    corner : float
        As for :func:`small_details` [-].
    """
    around = shapely.box(*shapely.bounds(shapely.buffer(detail.shape, 2 * most_mm)))
    region = shapely.intersection(layers.regions[detail.layer], around)
    kept_mm, lost_mm = 0.0, most_mm
    while lost_mm - kept_mm > _WIDTH_TOLERANCE_MM:
        middle_mm = (kept_mm + lost_mm) / 2
        back = _opened(region, middle_mm if detail.raised else -middle_mm, corner)
        left = shapely.intersection(detail.shape, back).area / detail.shape.area
        if (left if detail.raised else 1 - left) < 0.5:
            lost_mm = middle_mm
        else:
            kept_mm = middle_mm
    return lost_mm


def marks(
    layers: Layers, largest_mm: float, tallest_mm: float, apart: float, least_height_mm: float = 0.0
) -> list[Marks]:
    """Groups of small shapes that rise from one face, or go down into it, by one height.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    largest_mm : float
        Greater side of a shape at most [mm].
    tallest_mm : float
        Height or depth at most [mm].
    apart : float
        Shapes are of one group when they are nearer than this many of their greater sides [-].
    least_height_mm : float
        Lower shapes are left out [mm].

    Returns
    -------
    list of Marks
        Also groups of one shape.
    """
    first, bottom, top = _runs(layers)
    found: list[Marks] = []
    base = [layers.regions[layers.same_as[layer]] for layer in first]
    for start in range(1, len(first)):
        for raised in (True, False):
            found += _marks(layers, base, first, bottom, top, start, raised, largest_mm, tallest_mm, apart)
    return [group for group in found if group.relief_mm >= least_height_mm - _HAIR_MM]


def _marks(
    layers: Layers,
    regions: list[shapely.Geometry],
    first: Ints,
    bottom: Floats,
    top: Floats,
    start: int,
    raised: bool,
    largest_mm: float,
    tallest_mm: float,
    apart: float,
) -> list[Marks]:
    """Groups that begin in one run of layers, by the height that they reach."""
    here = _pieces(regions[start], raised, largest_mm)
    if len(here):
        # A mark stands on a face: the run below is solid under it and all around it.
        shapely.prepare(regions[start - 1])
        here = here[shapely.covers(regions[start - 1], shapely.buffer(here, _TOUCH_MM, join_style="mitre"))]
        here = here[_extent(here) <= largest_mm]
    if not len(here):
        return []
    ends = np.full(len(here), np.inf)
    going = np.arange(len(here))
    for run in range(start, len(first)):
        if not len(going) or top[run] - bottom[start] > tallest_mm + _HAIR_MM:
            break
        after = regions[run + 1] if run + 1 < len(first) else shapely.Polygon()
        if raised:
            left = shapely.intersects(after, here[going])
        else:
            # What is roofed over is a cavity and never ends in the open.
            going = going[~shapely.intersects(after, shapely.point_on_surface(here[going]))]
            left = shapely.intersects(after, shapely.boundary(here[going]))
        ends[going[~left]] = top[run]
        going = going[left]
    groups = []
    for end in np.unique(ends[np.isfinite(ends)]):
        alike = here[ends == end]
        extent = _extent(alike)
        middle = shapely.get_coordinates(shapely.centroid(alike))
        i, j = cKDTree(middle).query_pairs(apart * 2 * float(extent.max()), output_type="ndarray").T
        near = shapely.distance(alike[i], alike[j]) <= apart * np.maximum(extent[i], extent[j])
        label = _groups(np.column_stack([i, j])[near], len(alike))
        for group in range(label.max() + 1):
            shapes = alike[label == group]
            low_x, low_y, high_x, high_y = shapely.total_bounds(shapes).tolist()
            groups.append(
                Marks(
                    raised=raised,
                    box_mm=((low_x, low_y, float(bottom[start])), (high_x, high_y, float(end))),
                    relief_mm=float(end - bottom[start]),
                    shapes=shapes,
                    tallest_mm=extent[label == group],
                    stroke_mm=np.array([_widest(shape) for shape in shapes]),
                    roundness=4 * np.pi * shapely.area(shapes) / shapely.length(shapes) ** 2,
                    layer=int(layers.same_as[first[start]]),
                )
            )
    return groups


def _pieces(region: shapely.Geometry, raised: bool, largest_mm: float) -> Geometries:
    """Islands of a layer, or its holes less what stands in them, that may be no larger than a bound."""
    islands = _solid(region)
    if raised:
        return islands[_spans(islands) <= largest_mm]
    rings = np.array([ring for island in islands for ring in island.interiors], dtype=object)
    rings = rings[_spans(rings) <= largest_mm]
    holes = shapely.polygons(rings)
    inner = islands[_spans(islands) <= largest_mm]
    return _solid(shapely.difference(holes, shapely.union_all(inner))) if len(holes) and len(inner) else holes


def _spans(shapes: Geometries) -> Floats:
    """Diagonal of the box around each shape over that of a square: no greater than its greater side (n,) [mm]."""
    low_x, low_y, high_x, high_y = shapely.bounds(shapes).reshape(-1, 4).T
    return np.asarray(np.hypot(high_x - low_x, high_y - low_y) / np.sqrt(2), dtype=float)


def _solid(region: Any) -> Geometries:
    parts = shapely.get_parts(region)
    solid: Geometries = parts[~shapely.is_empty(parts)]
    return solid


def _extent(shapes: Geometries) -> Floats:
    """Greater side of the tightest rectangle around each shape [mm]."""
    return _rectangles(shapes)[:, 0]


def _rectangles(shapes: Geometries) -> Floats:
    """Greater and smaller side of the tightest rectangle around each shape (n, 2) [mm]."""
    sides = np.zeros((len(shapes), 2))
    for number, box in enumerate(shapely.minimum_rotated_rectangle(shapes)):
        corners = shapely.get_coordinates(box)
        if len(corners) >= 3:
            steps = np.linalg.norm(np.diff(corners[:3], axis=0), axis=1)
            sides[number] = steps.max(), steps.min()
    return sides


def _rests(region: shapely.Geometry, raised: bool, width_mm: float, corner: float, least_area_mm2: float) -> Geometries:
    """What an opening takes away, or a closing fills."""
    by_mm = width_mm - _HAIR_MM
    back = _opened(region, by_mm if raised else -by_mm, corner)
    rest = shapely.difference(region, back) if raised else shapely.difference(back, region)
    # Grown back, an outline may miss its old place by a rounding: no rest, and nothing that joins two.
    rest = _opened(rest, _HAIR_MM / 2, corner)
    parts = shapely.get_parts(rest)
    kept: Geometries = parts[shapely.area(parts) >= least_area_mm2]
    return kept


def _opened(region: shapely.Geometry, width_mm: float, corner: float) -> shapely.Geometry:
    """Opening, or closing where the width is negative."""
    there = shapely.buffer(region, -width_mm / 2, join_style="mitre", mitre_limit=corner)
    return shapely.buffer(there, width_mm / 2, join_style="mitre", mitre_limit=corner)


def _followed(layers: Layers, rests: dict[int, Geometries], raised: bool) -> list[Detail]:
    """Rests joined from layer to layer where they overlap."""
    first, bottom, top = _runs(layers)
    none: Geometries = np.zeros(0, dtype=object)
    at = [rests.get(int(layers.same_as[layer]), none) for layer in first]
    count = np.array([len(parts) for parts in at], dtype=np.int64)
    if not count.sum():
        return []
    base = np.cumsum(count) - count
    parts, run = np.concatenate(at), np.repeat(np.arange(len(at)), count)
    links = [np.zeros((0, 2), dtype=np.int64)]
    for (lower, upper), (below, above) in zip(pairwise(at), pairwise(base), strict=True):
        if len(lower) and len(upper):
            i, j = shapely.STRtree(lower).query(upper, predicate="intersects")
            links.append(np.column_stack([i + above, j + below]))
    label = _groups(np.vstack(links), len(parts))
    order = np.argsort(label, kind="stable")
    groups = np.split(order, np.cumsum(np.bincount(label))[:-1])
    return [_detail(layers, first, parts[group], run[group], bottom, top, raised) for group in groups]


def _detail(
    layers: Layers, first: Ints, parts: Geometries, run: Ints, bottom: Floats, top: Floats, raised: bool
) -> Detail:
    height = top[run] - bottom[run]
    area = shapely.area(parts)
    largest = int(np.argmax(area))
    shape = parts[largest]
    order = np.argsort(area, kind="stable")
    total = np.cumsum(height[order])
    median = area[order[np.searchsorted(total, total[-1] / 2)]]
    layer = int(layers.same_as[first[run[largest]]])
    (length, width), region = _rectangles(parts[[largest]])[0], layers.regions[layer]
    low_x, low_y, high_x, high_y = shapely.total_bounds(parts).tolist()
    low_z, high_z = float(bottom[run].min()), float(top[run].max())
    inside = shapely.point_on_surface(shape)
    # The whole of an island, or of the air between islands, is taken; a part of either hangs on the rest.
    around = shapely.difference(shapely.buffer(shape, _TOUCH_MM, join_style="mitre"), shape)
    same = shapely.intersection(around, region) if raised else shapely.difference(around, region)
    return Detail(
        raised=raised,
        point_mm=(inside.x, inside.y, (low_z + high_z) / 2),
        box_mm=((low_x, low_y, low_z), (high_x, high_y, high_z)),
        length_mm=float(length),
        fullness=float(shape.area / max(length * width, np.finfo(float).tiny)),
        hangs=bool(same.area > _TOUCH_MM**2),
        steadiness=float(median / area[largest]),
        layer=layer,
        shape=shape,
    )


def _widest(shape: shapely.Polygon) -> float:
    """Width of the widest place of a shape: shrunk by half of it, nothing is left [mm]."""
    kept_mm, lost_mm = 0.0, float(_rectangles(np.array([shape]))[0, 1])
    while lost_mm - kept_mm > _WIDTH_TOLERANCE_MM:
        middle_mm = (kept_mm + lost_mm) / 2
        if shapely.buffer(shape, -middle_mm / 2, join_style="mitre").is_empty:
            lost_mm = middle_mm
        else:
            kept_mm = middle_mm
    return lost_mm


def _runs(layers: Layers) -> tuple[Ints, Floats, Floats]:
    """First layer of each run of equal layers, and where each run begins and ends [mm]."""
    if not len(layers):
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
    first = np.flatnonzero(np.r_[True, np.diff(layers.same_as) != 0]).astype(np.int64)
    last = np.r_[first[1:], len(layers)] - 1
    half = layers.thickness_mm / 2
    return first, layers.z_mm[first] - half[first], layers.z_mm[last] + half[last]


def _groups(links: Ints, count: int) -> Ints:
    graph = coo_array((np.ones(len(links), dtype=bool), (links[:, 0], links[:, 1])), shape=(count, count))
    label: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return label
