"""Measures of the first layer: how much of it there is, how it is shaped, what hangs on it.

All come from the region that touches the plate; nothing is judged here.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet

from reviewkit.measure.layers import Geometries, Layers
from reviewkit.model import Floats

XY = tuple[float, float]

_NOWHERE: XY = (np.nan, np.nan)
# Widths at which necks are sought grow by this factor; a lobe counts when it outlasts its neck by one step [-].
_STEP = 2**0.25
_HALVINGS = 12
# Segments a quarter circle where erosion rounds an inward corner: 0.1 % of its radius.
_ARC = 16
# Less overlap than this is a touch, not a joint.
_TOUCH_MM2 = 1e-6


@dataclass(frozen=True, eq=False)
class FirstLayer:
    """What lies on the plate.

    Parameters
    ----------
    contact_mm2 : float
        Area on the plate [mm2].
    projected_mm2 : float
        Area of the whole part seen from above [mm2].
    island_mm2 : (n,) float
        Area of each separate island [mm2].
    island_at : (n, 2) float
        A point inside each island [mm].
    holes : int
        Inner outlines [-].
    outline_mm : float
        Length of all outlines, outer and inner [mm].
    starts : int
        Times an outline is begun, over all outline passes [-].
    centroid_at : (float, float)
        Centroid of the contact area [mm].
    neck_mm : float
        Smallest width at which an island falls apart, infinite when none does up to the
        width asked for [mm].
    neck_at : (float, float)
        Middle of that neck [mm].
    corner_at : (m, 2) float
        Outward corners sharper than asked for, sharpest first [mm].
    corner_deg : (m,) float
        Their inside angles [degrees].
    corner_reach_mm : (m,) float
        Their distances from the centroid [mm].
    gap_mm : float
        Shortest distance between two islands, infinite for one island [mm].
    gap_at : (float, float)
        Middle of that gap [mm].
    lost_at : (k, 2) float
        Points in islands that are nowhere as wide as one line [mm].
    """

    contact_mm2: float
    projected_mm2: float
    island_mm2: Floats
    island_at: Floats
    holes: int
    outline_mm: float
    starts: int
    centroid_at: XY
    neck_mm: float
    neck_at: XY
    corner_at: Floats
    corner_deg: Floats
    corner_reach_mm: Floats
    gap_mm: float
    gap_at: XY
    lost_at: Floats

    @property
    def islands(self) -> int:
        """Number of separate islands [-]."""
        return len(self.island_mm2)

    @property
    def contact_share(self) -> float:
        """Contact area over projected area [-]."""
        return self.contact_mm2 / self.projected_mm2 if self.projected_mm2 else 0.0

    @property
    def quotient(self) -> float:
        """Isoperimetric quotient ``4 pi A / P^2``: 1 for a full disc, less for all else [-]."""
        return 4 * np.pi * self.contact_mm2 / self.outline_mm**2 if self.outline_mm else 0.0

    @property
    def smallest_island_mm2(self) -> float:
        """Area of the smallest island, zero when nothing touches the plate [mm2]."""
        return float(self.island_mm2.min()) if self.islands else 0.0

    @property
    def smallest_island_at(self) -> XY:
        """A point inside the smallest island [mm]."""
        return _point(self.island_at[np.argmin(self.island_mm2)]) if self.islands else _NOWHERE


def first_layer(
    region: shapely.Geometry,
    projected_area_mm2: float,
    line_width_mm: float,
    *,
    corner_deg: float,
    widest_neck_mm: float,
    outline_passes: int = 1,
    simplify_mm: float = 0.05,
) -> FirstLayer:
    """Measure the region that lies on the plate.

    Parameters
    ----------
    region : shapely.Polygon or shapely.MultiPolygon
        First layer, valid [mm].
    projected_area_mm2 : float
        Area of the whole part seen from above [mm2].
    line_width_mm : float
        Width of one line [mm].
    corner_deg : float
        Outward corners with an inside angle below this are listed [degrees].
    widest_neck_mm : float
        Necks are sought up to this width [mm].
    outline_passes : int
        Lines laid along each outline [-].
    simplify_mm : float
        Outlines are smoothed by this much before corners are sought [mm].

    Returns
    -------
    FirstLayer

    Notes
    -----
    A neck is where an island, eroded from all sides, falls into two or more lobes that are each
    wider than the neck: lobes 1.4 times as wide are always told apart, lobes under 1.2 times
    never.  Its width is twice the erosion.  Erosion alone is used, not erosion and regrowth:
    lobes that grow back meet again across a short or a waisted neck and would hide it.  Thin
    arms that only end are no necks.  The width is good to 2 % of a line width plus 0.1 % of
    itself.
    """
    islands = _parts(region)
    centroid_at = _xy(shapely.centroid(region))
    corner_at, angle_deg = _outward_corners(shapely.simplify(islands, simplify_mm), corner_deg)
    neck_mm, neck_at = _smallest_neck(shapely.simplify(islands, line_width_mm / 100), line_width_mm, widest_neck_mm)
    gap_mm, gap_at = _closest_pair(islands)
    inside = _points(shapely.point_on_surface(islands))
    holes = int(shapely.get_num_interior_rings(islands).sum())
    return FirstLayer(
        contact_mm2=float(shapely.area(region)),
        projected_mm2=projected_area_mm2,
        island_mm2=shapely.area(islands),
        island_at=inside,
        holes=holes,
        outline_mm=float(shapely.length(region)),
        starts=outline_passes * (len(islands) + holes),
        centroid_at=centroid_at,
        neck_mm=neck_mm,
        neck_at=neck_at,
        corner_at=corner_at,
        corner_deg=angle_deg,
        corner_reach_mm=np.hypot(*(corner_at - centroid_at).T),
        gap_mm=gap_mm,
        gap_at=gap_at,
        lost_at=inside[shapely.is_empty(shapely.buffer(islands, -line_width_mm / 2))],
    )


def joined_by_mm(layers: Layers) -> Floats:
    """How high each island of the first layer stands alone.

    Parameters
    ----------
    layers : Layers
        All layers of the part.

    Returns
    -------
    (n,) float
        For each island, in the order of ``shapely.get_parts(layers.regions[0])``, the underside
        of the lowest layer that connects it with another island, however far round; infinite
        when none does (or when there is one island only) [mm].

    Notes
    -----
    Polygons of neighbouring layers are connected when they overlap by more than 1e-6 mm2.
    """
    if not len(layers):
        return np.empty(0)
    below = _parts(layers.regions[0])
    count = len(below)
    joined_mm = np.full(count, np.inf)
    bodies = DisjointSet(range(count))
    first_below = 0
    for layer in range(1, len(layers)):
        if np.isfinite(joined_mm).all() or count < 2:
            break
        if layers.same_as[layer] == layers.same_as[layer - 1]:
            continue
        here = _parts(layers.regions[layer])
        first_here = first_below + len(below)
        for part in range(len(here)):
            bodies.add(first_here + part)
        over, under = shapely.STRtree(below).query(here, predicate="intersects")
        overlap_mm2 = shapely.area(shapely.intersection(here[over], below[under]))
        for part, support in zip(over[overlap_mm2 > _TOUCH_MM2], under[overlap_mm2 > _TOUCH_MM2], strict=True):
            bodies.merge(first_here + int(part), first_below + int(support))
        _, body, members = np.unique(
            [bodies[island] for island in range(count)], return_inverse=True, return_counts=True
        )
        joined_mm[(members[body] > 1) & np.isinf(joined_mm)] = layers.bottom_mm[layer]
        below, first_below = here, first_here
    return joined_mm


def _parts(region: shapely.Geometry) -> Geometries:
    """Polygons of a region, none of an empty one."""
    parts = shapely.get_parts(region)
    solid: Geometries = parts[~shapely.is_empty(parts)]
    return solid


def _smallest_neck(islands: Geometries, line_width_mm: float, widest_mm: float) -> tuple[float, XY]:
    """Width and middle of the narrowest place at which an island falls apart."""
    low_mm, width_mm = 0.0, line_width_mm / 8
    pieces, owner = _eroded(islands, width_mm)
    while low_mm < widest_mm and len(pieces):
        later, later_owner = _eroded(islands, width_mm * _STEP)
        lasting = np.unique(shapely.STRtree(pieces).query(shapely.point_on_surface(later), predicate="intersects")[1])
        lobes, lobe_owner = pieces[lasting], owner[lasting]
        split = np.flatnonzero(np.bincount(lobe_owner) > 1)
        if len(split):
            neck_mm, neck_at = min(_split(islands[i], lobes[lobe_owner == i], low_mm, width_mm) for i in split)
            return (neck_mm, neck_at) if neck_mm <= widest_mm else (np.inf, _NOWHERE)
        low_mm, width_mm, pieces, owner = width_mm, width_mm * _STEP, later, later_owner
    return np.inf, _NOWHERE


def _split(island: shapely.Polygon, lobes: Geometries, low_mm: float, high_mm: float) -> tuple[float, XY]:
    """Width at which an island parts between its lobes, by halving, and where."""
    marks, pieces = shapely.point_on_surface(lobes), lobes
    for _ in range(_HALVINGS):
        middle_mm = (low_mm + high_mm) / 2
        eroded, _ = _eroded(island, middle_mm)
        holding = eroded[shapely.intersects(eroded[:, None], marks).any(axis=1)]
        if len(holding) > 1:
            high_mm, pieces = middle_mm, holding
        else:
            low_mm = middle_mm
    return (low_mm + high_mm) / 2, _closest_pair(pieces)[1]


def _eroded(islands: Geometries | shapely.Polygon, width_mm: float) -> tuple[Geometries, NDArray[np.int64]]:
    """Pieces left of islands less a margin of half the width all round, and the island of each."""
    pieces, owner = shapely.get_parts(shapely.buffer(islands, -width_mm / 2, quad_segs=_ARC), return_index=True)
    left = ~shapely.is_empty(pieces)
    return pieces[left], owner[left]


def _closest_pair(parts: Geometries) -> tuple[float, XY]:
    """Shortest distance between two of several polygons and the middle of it [mm]."""
    if len(parts) < 2:
        return np.inf, _NOWHERE
    pairs, distance_mm = shapely.STRtree(parts).query_nearest(parts, exclusive=True, return_distance=True)
    first, second = parts[pairs[:, np.argmin(distance_mm)]]
    return float(distance_mm.min()), _xy(shapely.centroid(shapely.shortest_line(first, second)))


def _outward_corners(islands: Geometries, below_deg: float) -> tuple[Floats, Floats]:
    """Corners (m, 2) that point outward with an inside angle under a bound, and their angles (m,)."""
    corners, angles = [np.empty((0, 2))], [np.empty(0)]
    for ring in shapely.get_rings(shapely.orient_polygons(islands)):
        here = shapely.get_coordinates(ring)[:-1]
        arriving, leaving = here - np.roll(here, 1, axis=0), np.roll(here, -1, axis=0) - here
        cross = arriving[:, 0] * leaving[:, 1] - arriving[:, 1] * leaving[:, 0]
        # Solid is on the left of outer and of inner outlines alike: a left turn points outward.
        angle_deg = 180 - np.degrees(np.arctan2(cross, (arriving * leaving).sum(axis=1)))
        sharp = angle_deg < below_deg
        corners.append(here[sharp])
        angles.append(angle_deg[sharp])
    at, angle = np.concatenate(corners), np.concatenate(angles)
    order = np.argsort(angle, kind="stable")
    return at[order], angle[order]


def _points(points: NDArray[np.object_]) -> Floats:
    coordinates: Floats = shapely.get_coordinates(points)
    return coordinates


def _xy(point: shapely.Point) -> XY:
    return _NOWHERE if shapely.is_empty(point) else _point(shapely.get_coordinates(point)[0])


def _point(xy: Floats) -> XY:
    return float(xy[0]), float(xy[1])
