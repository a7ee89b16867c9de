"""From the facets of a file to the mesh that is reviewed.

Safe are: joining points closer than the file can tell apart, leaving out facets without area
and second copies, splitting facets where a neighbour's corner lies on their edge, and turning
facets that face the wrong way.  No hole is ever filled.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from reviewkit.errors import MeshError
from reviewkit.intake.edges import (
    Edges,
    as_solid,
    boxes,
    compacted,
    connected,
    enclosing,
    facet_areas,
    facet_volumes,
    find_bodies,
    with_distinct_corners,
)
from reviewkit.intake.raw import Faces, RawMesh
from reviewkit.model import Floats

# Beyond this many open edges a mesh is loose triangles, and looking for slits to close is slow.
_STITCHED_EDGES = 200_000
_STITCH_ROUNDS = 8
# Volume against area to the power of 3/2 that is nothing but rounding; a sphere has 0.09.
_NO_VOLUME = 1e-12


@dataclass(frozen=True, eq=False)
class Mended:
    """A mesh after mending, and what was done; counts as in :class:`reviewkit.intake.health.Health`."""

    vertices: Floats
    faces: Faces
    edges: Edges
    route: str
    flipped_facets: int
    inverted_bodies: int
    degenerate_facets: int
    degenerate_left: int
    duplicate_facets: int
    doubled_bodies: int
    joined_points: int
    solid_change: float
    coordinate_step_mm: float
    words: tuple[str, ...]


def mend(raw: RawMesh, factor_mm: float, numbers: Mapping[str, float]) -> Mended:
    """Mend what is safe to mend.

    Parameters
    ----------
    raw : RawMesh
        As read.
    factor_mm : float
        Millimetres in one unit of the file [mm].
    numbers : mapping of str to float
        The intake limits by quantity: ``intake.weld_mm``, ``intake.stitch_mm``,
        ``intake.degenerate_area_fraction``, ``intake.solid_change_fraction``.

    Returns
    -------
    Mended
        With lengths in mm, facets outward where they enclose a volume.

    Raises
    ------
    MeshError
        When the facets span no area at all.
    """
    vertices = raw.vertices * factor_mm
    size_mm = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    step_mm = float(np.spacing(np.float32(np.abs(raw.vertices).max()))) * factor_mm
    joined_mm = max(numbers["intake.weld_mm"], step_mm)
    least_area = numbers["intake.degenerate_area_fraction"] * size_mm**2
    vertices, faces = _joined_equal(vertices, raw.faces)
    areas = facet_areas(vertices, faces)
    if not areas.max() > 0:
        raise MeshError(f"spans no area: all its {len(faces):,} facets are points or lines; export the body itself")
    degenerate = int((areas <= least_area).sum())
    distinct = with_distinct_corners(faces)
    faces, dropped = faces[distinct], int((~distinct).sum())
    edges = Edges(faces)
    joined = doubled = duplicates = stitched = 0
    if not edges.closed or degenerate > dropped:
        faces, joined = _joined_near(vertices, faces, edges, areas_at_most=least_area, within_mm=joined_mm)
        faces, doubled = _without_doubled_bodies(vertices, faces)
        faces, duplicates = _without_duplicates(faces)
        faces, needles, stitched = _without_needles(vertices, faces, least_area, numbers["intake.stitch_mm"])
        dropped += needles
        edges = Edges(faces)
    faces, flat = _without_flat_pieces(vertices, faces, edges)
    edges = Edges(faces) if flat else edges
    faces, flipped, inverted = _turned(vertices, faces, edges)
    edges = Edges(faces) if flipped or inverted else edges
    change, rebuilt = 0.0, False
    if not edges.closed and edges.balanced.all():
        vertices, faces, change, rebuilt = _rebuilt(vertices, faces, edges, numbers["intake.solid_change_fraction"])
        edges = Edges(faces)

    deeds = (
        (doubled, "body", "standing twice in one place left out once"),
        (duplicates, "facet", "standing in the place of another left out"),
        (dropped, "facet", "without area left out"),
        (flat, "piece", "without volume left out"),
        (stitched, "facet", "split where the corner of a neighbour lies on an edge"),
        (flipped, "facet", "facing the wrong way turned"),
        (inverted, "body", "sent inside out turned"),
    )
    mended = [*raw.mended, *(f"{_counted(number, what)} {words}" for number, what, words in deeds if number)]
    if rebuilt:
        mended.append("points split so that each edge has two facets; the solid stays the same")
    changed = any(number for number, _, _ in deeds)
    route = "mended" if changed else "points joined" if joined else "as sent"
    return Mended(
        *compacted(vertices, faces),
        edges,
        route="rebuilt" if rebuilt else route if edges.closed else "left open",
        flipped_facets=flipped,
        inverted_bodies=inverted,
        degenerate_facets=degenerate,
        degenerate_left=int((facet_areas(vertices, faces) <= least_area).sum()),
        duplicate_facets=duplicates,
        doubled_bodies=doubled,
        joined_points=joined,
        solid_change=change,
        coordinate_step_mm=step_mm if raw.single else 0.0,
        words=tuple(mended),
    )


def _joined_equal(vertices: Floats, faces: Faces) -> tuple[Floats, Faces]:
    """One point for all that have the same coordinates."""
    bits = np.ascontiguousarray(vertices).view(np.uint64)
    # A hash of the three coordinates sorts far faster than the rows; equal hashes are compared.
    odd = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)
    key = np.bitwise_xor.reduce((bits ^ (bits >> np.uint64(29))) * odd, axis=1)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    if not np.array_equal(vertices[first][inverse], vertices):
        _, first, inverse = np.unique(vertices, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return vertices[first[order]], rank[inverse.ravel()][faces]


def _joined_near(
    vertices: Floats, faces: Faces, edges: Edges, *, areas_at_most: float, within_mm: float
) -> tuple[Faces, int]:
    """Join points of open edges and of facets without area that lie within a distance, if it helps."""
    slivers = faces[facet_areas(vertices, faces) <= areas_at_most].ravel()
    halves = edges.open_halves
    candidates = np.unique(np.concatenate([edges.tails[halves], edges.heads[halves], slivers]))
    if not len(candidates):
        return faces, 0
    pairs = cKDTree(vertices[candidates]).query_pairs(within_mm, output_type="ndarray")
    if not len(pairs):
        return faces, 0
    groups = connected(len(candidates), pairs[:, 0], pairs[:, 1])
    first = np.full(groups.max() + 1, len(candidates))
    np.minimum.at(first, groups, np.arange(len(candidates)))
    target = np.arange(len(vertices))
    target[candidates] = candidates[first[groups]]
    joined = target[faces]
    joined = joined[with_distinct_corners(joined)]
    if not len(joined) or Edges(joined).faults > edges.faults:
        return faces, 0
    return joined, int((target != np.arange(len(vertices))).sum())


def _without_doubled_bodies(vertices: Floats, faces: Faces) -> tuple[Faces, int]:
    """Leave out bodies that have exactly the points and the volume of an earlier one."""
    edges = Edges(faces)
    if not (edges.counts > 2).any():
        return faces, 0
    pieces = edges.pieces()
    volumes = np.bincount(pieces, facet_volumes(vertices, faces))
    members_of, _, _ = boxes(vertices, faces, pieces)
    seen: dict[bytes, float] = {}
    copies = []
    for piece, (members, volume) in enumerate(zip(members_of, volumes, strict=True)):
        if len(members) < 4:
            continue
        points = np.unique(faces[members]).tobytes()
        if points in seen and np.isclose(seen[points], volume, rtol=1e-6, atol=0):
            copies.append(piece)
        seen.setdefault(points, volume)
    return (faces[~np.isin(pieces, copies)], len(copies)) if copies else (faces, 0)


def _without_duplicates(faces: Faces) -> tuple[Faces, int]:
    """Leave out facets on the same three points as another, of either side or of both, if that closes the mesh."""
    edges = Edges(faces)
    if edges.balanced.all():
        return faces, 0
    order = np.argsort(faces, axis=1)
    corners = np.take_along_axis(faces, order, axis=1)
    front = (order[:, 1] - order[:, 0]) % 3 == 1
    place = np.unique(corners, axis=0, return_inverse=True)[1].ravel()
    best, kept = edges.faults, faces
    for alike in (2 * place + front, place):
        once = faces[np.sort(np.unique(alike, return_index=True)[1])]
        if (faults := Edges(once).faults) < best:
            best, kept = faults, once
    return kept, len(faces) - len(kept)


def _without_flat_pieces(vertices: Floats, faces: Faces, edges: Edges) -> tuple[Faces, int]:
    """Leave out closed pieces that enclose nothing, such as two facets back to back."""
    pieces, volumes, closed = find_bodies(vertices, faces, edges)
    areas = np.bincount(pieces, facet_areas(vertices, faces))
    flat = closed & (np.abs(volumes) <= _NO_VOLUME * areas**1.5)
    if not flat.any() or flat.all():
        return faces, 0
    return faces[~flat[pieces]], int(flat.sum())


def _without_needles(vertices: Floats, faces: Faces, least_area: float, within_mm: float) -> tuple[Faces, int, int]:
    """Leave out facets without area and close the slits; unless that opens more than it closes.

    Returns
    -------
    faces : (m, 3) int
    dropped : int
        Facets left out [-].
    stitched : int
        Facets split [-].
    """
    edges = Edges(faces)
    needles = facet_areas(vertices, faces) <= least_area
    best, result = edges.faults, (faces, 0, 0)
    tries = [faces[~needles]] if needles.any() and not needles.all() else []
    for number, candidate in enumerate([*tries, faces]):
        split, stitched = _stitched(vertices, candidate, within_mm)
        faults = Edges(split).faults
        dropped = int(needles.sum()) if number < len(tries) else 0
        # Facets without area go even when nothing else is gained by it.
        if faults < best or (faults == best and dropped):
            best, result = faults, (split, dropped, stitched)
    return result


def _stitched(vertices: Floats, faces: Faces, within_mm: float) -> tuple[Faces, int]:
    """Split facets along open edges wherever the end of another open edge lies on them."""
    total = 0
    for _ in range(_STITCH_ROUNDS):
        edges = Edges(faces)
        halves = edges.open_halves
        if not 0 < len(halves) <= _STITCHED_EDGES:
            break
        tails, heads = edges.tails[halves], edges.heads[halves]
        rim = np.unique(np.concatenate([tails, heads]))
        start, along = vertices[tails], vertices[heads] - vertices[tails]
        length = np.linalg.norm(along, axis=1)
        near = cKDTree(vertices[rim]).query_ball_point(start + along / 2, length / 2 + within_mm)
        edge = np.repeat(np.arange(len(halves)), [len(each) for each in near])
        point = rim[np.concatenate([np.asarray(each, dtype=np.int64) for each in near])]
        offset = vertices[point] - start[edge]
        share = np.einsum("ij,ij->i", offset, along[edge]) / length[edge] ** 2
        apart = np.linalg.norm(offset - share[:, None] * along[edge], axis=1)
        inside = (share * length[edge] > within_mm) & ((1 - share) * length[edge] > within_mm)
        on = inside & (apart <= within_mm) & ~(faces[halves[edge] // 3] == point[:, None]).any(axis=1)
        if not on.any():
            break
        edge, point, share = edge[on], point[on], share[on]
        # One edge of a facet a round.
        chosen = np.unique(halves[np.unique(edge)] // 3, return_index=True)[1]
        chosen = np.unique(edge)[chosen]
        kept = np.isin(edge, chosen)
        chain = np.concatenate([edge[kept], chosen, chosen])
        stops = np.concatenate([point[kept], tails[chosen], heads[chosen]])
        places = np.concatenate([share[kept], np.zeros(len(chosen)), np.ones(len(chosen))])
        order = np.lexsort((places, chain))
        chain, stops = chain[order], stops[order]
        pair = np.flatnonzero(chain[:-1] == chain[1:])
        half = halves[chain[pair]]
        apex = faces[half // 3, (half % 3 + 2) % 3]
        whole = np.ones(len(faces), dtype=bool)
        whole[halves[chosen] // 3] = False
        faces = np.concatenate([faces[whole], np.column_stack([stops[pair], stops[pair + 1], apex])])
        faces = faces[with_distinct_corners(faces)]
        total += len(chosen)
    return faces, total


def _turned(vertices: Floats, faces: Faces, edges: Edges) -> tuple[Faces, int, int]:
    """Turn facets that disagree with their neighbours, then closed bodies that are inside out.

    Returns
    -------
    faces : (m, 3) int
    facets : int
        Facets turned in bodies that disagreed within themselves [-].
    bodies : int
        Bodies turned as a whole [-].
    """
    agreeing, turn = faces, np.zeros(len(faces), dtype=bool)
    if edges.clashing.any():
        turn = _to_agree(vertices, faces, edges)
        agreeing = np.where(turn[:, None], faces[:, ::-1], faces)
        edges = Edges(agreeing)
    pieces, volumes, closed = find_bodies(vertices, agreeing, edges)
    mixed = np.bincount(pieces, turn) > 0
    inside_out = closed & (volumes < 0)
    outward = np.zeros(len(volumes), dtype=bool)
    if inside_out.any():
        around = enclosing(vertices, agreeing, pieces, np.flatnonzero(closed), closed)
        for body, holders in around.items():
            # What a body encloses turns with it: a hollow space stays one.
            outermost = max((abs(volumes[each]), each) for each in [body, *holders])[1]
            outward[body] = inside_out[outermost]
    turn ^= outward[pieces]
    turned = np.where(turn[:, None], faces[:, ::-1], faces) if turn.any() else faces
    return turned, int((turn & mixed[pieces]).sum()), int((outward & ~mixed).sum())


def _to_agree(vertices: Floats, faces: Faces, edges: Edges) -> NDArray[np.bool_]:
    """Facets to turn, the lesser area of each piece, so that neighbours agree on the outside."""
    n = len(faces)
    (a, b), (c, d) = edges.agreeing, edges.disagreeing
    # Each facet stands in the graph twice, as it is and turned.
    groups = connected(2 * n, np.concatenate([a, a + n, c, c + n]), np.concatenate([b, b + n, d + n, d]))
    as_is, turned = groups[:n], groups[n:]
    one_sided = as_is == turned
    piece = np.minimum(as_is, turned)
    turn = (as_is > turned) & ~one_sided
    area = facet_areas(vertices, faces)
    most = np.bincount(piece, area * turn) > 0.5 * np.bincount(piece, area)
    lesser: NDArray[np.bool_] = turn ^ (most[piece] & ~one_sided)
    return lesser


def _rebuilt(vertices: Floats, faces: Faces, edges: Edges, most_change: float) -> tuple[Floats, Faces, float, bool]:
    """Two facets to every edge: bodies that touch get points of their own, the rest the solid modeller settles.

    Returns
    -------
    vertices, faces : array
        As they were, unless rebuilt.
    change : float
        Of the volume, relative [-].
    rebuilt : bool
        Whether the modeller, where it was needed, took the facets as a solid of the same volume.
    """
    own, corners = np.unique(edges.pieces()[:, None] * len(vertices) + faces, return_inverse=True)
    apart_vertices, apart = vertices[own % len(vertices)], corners.reshape(-1, 3)
    if Edges(apart).closed:
        return apart_vertices, apart, 0.0, True
    volume = float(facet_volumes(vertices, faces).sum())
    solid = as_solid(apart_vertices, apart)
    if solid is None or not volume > 0:
        return vertices, faces, 0.0, False
    change = solid.volume() / volume - 1
    if abs(change) > most_change:
        return vertices, faces, change, False
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int64), change, True


def _counted(number: int, one: str) -> str:
    many = {"body": "bodies"}.get(one, f"{one}s")
    return f"{number:,} {one if number == 1 else many}"
