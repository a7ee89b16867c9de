"""Taking a part off the plate with a blade that sweeps over it: what the blade meets from each side.

A sweep direction is the way the blade moves.  The blade is a straight edge across it, as wide as
the part or wider, that reaches from the plate up to a height.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet

from reviewkit.measure.layers import Geometries, Layers
from reviewkit.measure.pieces import Ints, Stack, stacked
from reviewkit.model import Floats

# What the blade meets from the side is looked at in lanes of this width [mm].
_LANE_MM = 0.5
# A thin piece less than this wide in every way is the rounding of a corner [mm].
_CRUMB_MM = 0.05
_ARC = 8
# Heights at which bodies are looked at for one that lies over another.
_LINK_HEIGHTS = 60
# Layers, evenly spaced, whose union is the outline that the blade meets.
_PLAN_LAYERS = 40


@dataclass(frozen=True, eq=False)
class Sweep:
    """What a blade meets that comes from one side; plate frame.

    Parameters
    ----------
    angle_deg : float
        Way the blade moves, counter-clockwise from x [deg].
    front_at : (2,) float
        Middle of what it meets first, seen from above [mm].
    face_low_mm, face_high_mm : float
        Heights between which the face that it meets first lies [mm].
    edge_mm : float
        Length of contact edge that it meets all at once [mm].
    far_mm : float
        From the mass centre forward to the edge of the contact over which the part would tip [mm].
    pocket_depth_mm : (p,) float
        Depth of each hollow of the outline that faces the blade [mm].
    pocket_at : (p, 2) float
        Bottom of each [mm].
    tab_at : (t, 2) float
        Where thin pieces of the outline lie bare to the blade [mm].
    """

    angle_deg: float
    front_at: Floats
    face_low_mm: float
    face_high_mm: float
    edge_mm: float
    far_mm: float
    pocket_depth_mm: Floats
    pocket_at: Floats
    tab_at: Floats


@dataclass(frozen=True, eq=False)
class Loose:
    """Pieces that come off the plate one by one; plate frame.

    Parameters
    ----------
    at : (n, 2) float
        A point in each piece [mm].
    contact_mm2 : (n,) float
        Area of each on the plate; zero for a piece that touches it nowhere [mm2].
    bodies : int
        Separate bodies; some may be linked to one piece [-].
    """

    at: Floats
    contact_mm2: Floats
    bodies: int


def loose_pieces(stack: Stack) -> Loose:
    """Pieces of a print that nothing links.

    Parameters
    ----------
    stack : Stack
        Islands of all layers.

    Returns
    -------
    Loose
        Largest contact first.

    Notes
    -----
    Two bodies count as linked, and as one piece to eject, where one lies inside the outline of the
    other in some layer, or where each has material above the other, looked at in 60 heights: then
    neither can be left behind.
    """
    bodies = int(stack.piece.max()) + 1
    linked = DisjointSet(range(bodies))
    for first, second in _links(stack):
        linked.merge(first, second)
    group = np.array([linked[int(body)] for body in stack.piece])
    names = np.unique(group)
    grounded = stack.run == 0
    contact = np.array([stack.moments[(group == name) & grounded, 0].sum() for name in names])
    order = np.argsort(-contact, kind="stable")
    first_island = np.array([int(np.argmax(group == name)) for name in names])
    at: Floats = shapely.get_coordinates(shapely.point_on_surface(stack.polygon[first_island]))
    return Loose(at[order], contact[order], bodies)


def sweeps(
    layers: Layers,
    mass_centre: Floats,
    angles_deg: Sequence[float] | Floats,
    *,
    reach_mm: float,
    slack_mm: float,
    pocket_depth_mm: float,
    pocket_width_mm: float,
    tab_mm: float,
    tab_length_mm: float,
) -> list[Sweep]:
    """What a blade meets that moves in each of several directions.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    mass_centre : (3,) float
        Of the part [mm].
    angles_deg : sequence of float
        Ways the blade moves, counter-clockwise from x [deg].
    reach_mm : float
        Height up to which the blade reaches [mm].
    slack_mm : float
        What lies back by no more than this is met at the same time [mm].
    pocket_depth_mm, pocket_width_mm : float
        Hollows shallower or narrower are no pockets [mm].
    tab_mm : float
        Pieces narrower than this are thin [mm].
    tab_length_mm : float
        Thin pieces that stand out by less are none [mm].

    Returns
    -------
    list of Sweep
        In the order of the angles.
    """
    reached = np.flatnonzero(layers.bottom_mm < reach_mm)
    distinct = np.unique(layers.same_as[reached])
    distinct = distinct[layers.area_mm2[distinct] > 0]
    plan = shapely.union_all(layers.regions[distinct[:: max(1, len(distinct) // _PLAN_LAYERS)]])
    outline = _points_along(plan)
    tabs = thin_pieces(layers.regions[0], tab_mm, tab_length_mm)
    tab_points = [_points_along(tab) for tab in tabs]
    hulls = shapely.convex_hull(layers.regions[distinct])
    corners, layer = shapely.get_coordinates(hulls, return_index=True)
    starts = np.searchsorted(layer, np.arange(len(distinct)))
    contact = _points_along(layers.regions[0])
    place = np.searchsorted(distinct, layers.same_as[reached])
    solid = layers.area_mm2[reached] > 0
    found = []
    for angle_deg in angles_deg:
        ahead = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
        lead = np.full(len(reached), np.inf)
        lead[solid] = np.minimum.reduceat(corners @ ahead, starts)[place[solid]]
        face = _lowest_face(lead, slack_mm)
        pockets = _pockets(outline, ahead, pocket_depth_mm, pocket_width_mm)
        # A blade that bears low meets what stands on the plate, not what leans out beside it.
        low = contact if face[0] == 0 else outline
        first = low[low @ ahead <= (low @ ahead).min() + slack_mm]
        tops = layers.bottom_mm[reached] + layers.thickness_mm[reached]
        found.append(
            Sweep(
                angle_deg=float(angle_deg),
                front_at=(first.min(axis=0) + first.max(axis=0)) / 2,
                face_low_mm=float(layers.bottom_mm[reached][face[0]]),
                face_high_mm=float(tops[face[-1]]),
                edge_mm=_edge_length(contact, ahead, slack_mm),
                far_mm=float((contact @ ahead).max() - mass_centre[:2] @ ahead),
                pocket_depth_mm=np.array([depth for depth, _ in pockets]),
                pocket_at=np.array([at for _, at in pockets]).reshape(-1, 2),
                tab_at=_bare(outline, tab_points, ahead, slack_mm),
            )
        )
    return found


def thin_pieces(region: shapely.Geometry, narrower_mm: float, length_mm: float) -> Geometries:
    """Parts of a region that the blade can break off: thin pieces with a free end, and what hangs on one alone.

    Parameters
    ----------
    region : shapely.Polygon or shapely.MultiPolygon
        [mm]
    narrower_mm : float
        Pieces narrower than this are thin [mm].
    length_mm : float
        Pieces shorter than this are none [mm].

    Returns
    -------
    (n,) object
        Polygons; a lump on a thin neck together with its neck.

    Notes
    -----
    What an opening by a disc removes is thin; what it leaves are lumps.  A lump or a thin piece is
    told when it is joined to the rest of its island by one thin piece at most.  The largest lump of
    each island is the island itself.
    """
    found: list[shapely.Geometry] = []
    for island in shapely.get_parts(region):
        core = shapely.buffer(shapely.buffer(island, -narrower_mm / 2, quad_segs=_ARC), narrower_mm / 2, quad_segs=_ARC)
        lumps = shapely.get_parts(core)
        lumps = lumps[~shapely.is_empty(lumps)]
        thin = shapely.get_parts(shapely.difference(island, shapely.buffer(core, _CRUMB_MM, join_style="mitre")))
        thin = thin[shapely.area(thin) > 0]
        if not len(lumps) or not len(thin):
            continue
        found += _hanging(lumps, thin, length_mm)
    return np.array(found, dtype=object)


def left_behind(layers: Layers, stack: Stack, *, narrower_mm: float, lower_mm: float, least_mm2: float) -> Floats:
    """Lumps on the plate that a push tears off the part, because only thin low webs hold them.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    stack : Stack
        Their islands.
    narrower_mm : float
        Webs narrower than this in the plane are thin [mm].
    lower_mm : float
        A lump is torn off when all its thin webs together are no higher than this [mm].
    least_mm2 : float
        Lumps with less on the plate, thin rims left out, are none [mm2].

    Returns
    -------
    (n, 2) float
        A point in each lump [mm].

    Notes
    -----
    Layers less a margin of half the width all round fall into lumps that are joined through thicker
    sections alone, above one another too.  The largest of each piece is the part, the others are
    held by webs: what the margin takes away between two lumps.
    """
    regions = layers.regions.copy()
    regions[layers.distinct] = shapely.buffer(layers.regions[layers.distinct], -narrower_mm / 2, quad_segs=_ARC)
    strong = stacked(replace(layers, regions=regions[layers.same_as]))
    if not len(strong):
        return np.empty((0, 2))
    height_mm = strong.top_mm - strong.bottom_mm
    volume = np.bincount(strong.piece, weights=strong.moments[:, 0] * height_mm[strong.run])
    ground_mm2 = np.bincount(
        strong.piece[strong.grounded], weights=strong.moments[strong.grounded, 0], minlength=len(volume)
    )
    if (ground_mm2 >= least_mm2).sum() < 2:
        return np.empty((0, 2))
    owner = _islands_around(stack, strong)
    part_of = np.zeros(len(volume), dtype=np.int64)
    part_of[strong.piece] = stack.piece[owner]
    held_mm = _webs_mm(stack, strong, owner, narrower_mm)
    main = {part: max(np.flatnonzero(part_of == part), key=lambda lump: volume[lump]) for part in np.unique(part_of)}
    torn = [
        lump
        for lump in np.flatnonzero(ground_mm2 >= least_mm2)
        if lump != main[part_of[lump]] and held_mm[lump] <= lower_mm + 1e-9
    ]
    first = [strong.grounded[strong.piece[strong.grounded] == lump][0] for lump in torn]
    return np.reshape(shapely.get_coordinates(shapely.point_on_surface(strong.polygon[first])), (-1, 2))


def _islands_around(stack: Stack, strong: Stack) -> Ints:
    """For each polygon that the margin left the island that it lies in."""
    inside = shapely.point_on_surface(strong.polygon)
    owner = np.empty(len(strong), np.int64)
    for run in np.unique(strong.run):
        here, there = np.flatnonzero(strong.run == run), np.flatnonzero(stack.run == run)
        lump, island = shapely.STRtree(stack.polygon[there]).query(inside[here], predicate="within")
        owner[here[lump]] = there[island]
    return owner


def _webs_mm(stack: Stack, strong: Stack, owner: Ints, narrower_mm: float) -> Floats:
    """Height of all webs that hold each lump to another [mm]."""
    held_mm = np.zeros(int(strong.piece.max()) + 1)
    order = np.argsort(owner, kind="stable")
    for members in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
        if len(np.unique(strong.piece[members])) < 2:
            continue
        island = owner[members[0]]
        lumps = shapely.buffer(strong.polygon[members], narrower_mm / 2, quad_segs=_ARC)
        thin = shapely.difference(stack.polygon[island], shapely.union_all(lumps).buffer(_CRUMB_MM, join_style="mitre"))
        webs = shapely.get_parts(thin)
        web, lump = shapely.STRtree(lumps).query(shapely.buffer(webs, 2 * _CRUMB_MM), predicate="intersects")
        run = stack.run[island]
        for one in np.unique(web):
            ends = np.unique(strong.piece[members[lump[web == one]]])
            if len(ends) > 1:
                held_mm[ends] += stack.top_mm[run] - stack.bottom_mm[run]
    return held_mm


def _hanging(lumps: Geometries, thin: Geometries, length_mm: float) -> list[shapely.Geometry]:
    """Thin pieces joined to one lump, and lumps that one thin piece joins to the rest."""
    tree = shapely.STRtree(lumps)
    piece, lump = tree.query(shapely.buffer(thin, 2 * _CRUMB_MM), predicate="intersects")
    joined = np.bincount(piece, minlength=len(thin))
    necks = np.bincount(lump[joined[piece] > 1], minlength=len(lumps))
    largest = int(np.argmax(shapely.area(lumps)))
    found = []
    for index in range(len(thin)):
        mine = lump[piece == index]
        if joined[index] == 1 and _stands_out(thin[index], lumps[mine[0]]) >= length_mm:
            found.append(thin[index])
        ends = [end for end in mine if necks[end] == 1 and end != largest]
        if joined[index] == 2 and ends:
            smaller = ends[int(np.argmin(shapely.area(lumps[ends])))]
            found.append(shapely.union_all([thin[index], lumps[smaller]]))
    return found


def _stands_out(thin: shapely.Polygon, lump: shapely.Polygon) -> float:
    """How far a thin piece reaches away from the lump that it is on [mm]."""
    points = shapely.points(shapely.get_coordinates(thin))
    return float(shapely.distance(points, lump).max())


def _links(stack: Stack) -> set[tuple[int, int]]:
    """Pairs of bodies that hold each other."""
    links: set[tuple[int, int]] = set()
    bodies = int(stack.piece.max()) + 1
    if bodies == 1:
        return links
    filled = shapely.polygons(shapely.get_exterior_ring(stack.polygon))
    for run in np.unique(stack.run):
        here = np.flatnonzero(stack.run == run)
        if len(np.unique(stack.piece[here])) < 2:
            continue
        inner, outer = shapely.STRtree(filled[here]).query(stack.polygon[here], predicate="within")
        pairs = np.column_stack([stack.piece[here[inner]], stack.piece[here[outer]]])
        links |= {(int(a), int(b)) for a, b in pairs if a != b}
    return links | _above_each_other(stack, bodies)


def _above_each_other(stack: Stack, bodies: int) -> set[tuple[int, int]]:
    """Pairs of bodies each of which has material above the other."""
    above = np.zeros((bodies, bodies), dtype=bool)
    runs = np.unique(np.linspace(0, len(stack.top_mm) - 1, _LINK_HEIGHTS).round().astype(int))
    looked = np.flatnonzero(np.isin(stack.run, runs))
    polygon, run, piece = stack.polygon[looked], stack.run[looked], stack.piece[looked]
    under, over = shapely.STRtree(polygon).query(polygon)
    rises = (run[over] > run[under]) & (piece[over] != piece[under])
    under, over = under[rises], over[rises]
    solid = shapely.area(shapely.intersection(polygon[under], polygon[over])) > 0
    above[piece[over[solid]], piece[under[solid]]] = True
    return {(int(a), int(b)) for a, b in np.argwhere(above & above.T)}


def _points_along(region: shapely.Geometry) -> Floats:
    """Points on all outlines, no farther apart than half a lane (n, 2)."""
    points: Floats = shapely.get_coordinates(shapely.segmentize(region, _LANE_MM / 2))
    return points


def _lowest_face(lead: Floats, slack_mm: float) -> NDArray[np.int64]:
    """Layers of the lowest unbroken face among those that the blade meets first."""
    met = np.flatnonzero(lead <= lead.min() + slack_mm)
    breaks = np.flatnonzero(np.diff(met) > 1)
    return met[: breaks[0] + 1] if len(breaks) else met


def _edge_length(contact: Floats, ahead: Floats, slack_mm: float) -> float:
    """Length across of the contact's edge that is met first [mm]."""
    depth = contact @ ahead
    across = contact[depth <= depth.min() + slack_mm] @ (-ahead[1], ahead[0])
    lanes = np.unique(np.round(across / _LANE_MM))
    return float(min(len(lanes) * _LANE_MM, np.ptp(across)))


def _front(points: Floats, ahead: Floats) -> tuple[Ints, Floats, Ints]:
    """For each lane across, rising, how far on the first point of the outline is, and which that is."""
    depth = points @ ahead
    lane = np.floor(points @ (-ahead[1], ahead[0]) / _LANE_MM).astype(np.int64)
    order = np.lexsort((depth, lane))
    first = order[np.flatnonzero(np.diff(lane[order], prepend=lane[order[0]] - 1))]
    return lane[first], depth[first], first


def _pockets(points: Floats, ahead: Floats, depth_mm: float, width_mm: float) -> list[tuple[float, Floats]]:
    """Hollows of the outline that face the blade: depth and bottom, the deepest first.

    A lane lies in a hollow as deep as water would stand in it, seen with the blade above.
    """
    lane, front, point = _front(points, ahead)
    left, right = np.minimum.accumulate(front), np.minimum.accumulate(front[::-1])[::-1]
    hollow = front - np.maximum(left, right)
    deep = np.flatnonzero(hollow > depth_mm)
    pockets = []
    for group in np.split(deep, np.flatnonzero(np.diff(deep) > 1) + 1):
        if len(group) and (lane[group[-1]] - lane[group[0]] + 1) * _LANE_MM >= width_mm:
            bottom = group[np.argmax(hollow[group])]
            pockets.append((float(hollow[bottom]), points[point[bottom]]))
    return sorted(pockets, key=lambda pocket: -pocket[0])


def _bare(outline: Floats, tabs: list[Floats], ahead: Floats, slack_mm: float) -> Floats:
    """Thin pieces that nothing stands in front of, by the point of each that is met first (t, 2)."""
    lane, front, _ = _front(outline, ahead)
    found = []
    for points in tabs:
        own_lane, own_front, own_point = _front(points, ahead)
        place = np.clip(np.searchsorted(lane, own_lane), 0, len(lane) - 1)
        bare = (lane[place] == own_lane) & (own_front <= front[place] + slack_mm)
        if bare.any():
            seen = np.flatnonzero(bare)
            found.append(points[own_point[seen[np.argmin(own_front[seen])]]])
    return np.reshape(found, (-1, 2))
