"""How a mesh stands: closed, sound, its bodies, and surfaces that run through one another."""

from dataclasses import dataclass

import manifold3d
import numpy as np

from reviewkit.intake.curves import coarsest_hole
from reviewkit.intake.edges import Ints, as_solid, boxes, compacted, connected, enclosing, find_bodies
from reviewkit.intake.mending import Mended
from reviewkit.intake.raw import Faces, RawMesh
from reviewkit.model import Floats, Vector

# Beyond these the costly looks are left out, and the findings say so.
_COMPARED_BODIES = 3_000
UNITED_FACETS = 1_000_000
# Lines of sight a side of the grid that looks for surfaces running through one another.
SIGHT_LINES = 200


@dataclass(frozen=True)
class Health:
    """What was found and mended in a mesh; lengths after units were settled.

    Parameters
    ----------
    format : str
        File format in words.
    triangles_sent : int
        Facets in the file [-].
    closed : bool
        Every edge has two facets that agree on the outside.
    sound : bool
        A solid can be sliced from it: closed with a volume, or taken by an independent
        solid modeller with the same volume.
    route : str
        How the reviewed mesh came about: ``as sent``, ``points joined``, ``mended``,
        ``rebuilt`` or ``left open``.
    open_edges, crowded_edges, clashing_edges : int
        Edges of the reviewed mesh with one facet, with more than two, and with two that
        disagree on the outside [-].
    flipped_facets : int
        Facets turned to agree with their neighbours [-].
    inverted_bodies : int
        Bodies turned inside out as a whole [-].
    degenerate_facets, degenerate_left : int
        Facets without area, in the file and in the reviewed mesh [-].
    duplicate_facets : int
        Facets that stood in the same place as another [-].
    doubled_bodies : int
        Bodies that stood in the same place as another, left out [-].
    joined_points : int
        Points joined with another that the file cannot tell from it [-].
    bodies, voids, loose_pieces : int
        Separate solids, enclosed hollow spaces, and pieces of open surface [-].
    body_volumes_mm3 : tuple of float
        Of each solid without its voids, largest first [mm3].
    overlap_mm3 : float or None
        Volume counted more than once among the bodies; none where it was not measured [mm3].
    crossing_mm3, crossing_uncertainty_mm3 : float or None
        Volume that a surface encloses more than once by itself, from sampled lines of sight [mm3].
    solid_change : float
        Volume of the rebuilt solid against the mesh as sent, relative [-].
    euler : int
        Points minus edges plus facets [-].
    coordinate_step_mm : float
        Smallest step of the file's coordinates at the part's place; 0 where unknown [mm].
    hole_facets : int or None
        Fewest facets around a round hole, of at least nine; none without such a hole [-].
    hole_diameter_mm, hole_at_mm
        That hole [mm].
    facets_missing, cut_short, bytes_left_over
        As in :class:`reviewkit.intake.raw.RawMesh`.
    mended, unread, ignored : tuple of str
        Plain words: what was mended, what of the file was not applied, and which looks of
        it do not matter to the shape.
    notes : tuple of str
        How the shape was read where the format leaves no other way.
    """

    format: str
    triangles_sent: int
    closed: bool
    sound: bool
    route: str
    open_edges: int
    crowded_edges: int
    clashing_edges: int
    flipped_facets: int
    inverted_bodies: int
    degenerate_facets: int
    degenerate_left: int
    duplicate_facets: int
    doubled_bodies: int
    joined_points: int
    bodies: int
    voids: int
    loose_pieces: int
    body_volumes_mm3: tuple[float, ...]
    overlap_mm3: float | None
    crossing_mm3: float | None
    crossing_uncertainty_mm3: float | None
    solid_change: float
    euler: int
    coordinate_step_mm: float
    hole_facets: int | None
    hole_diameter_mm: float
    hole_at_mm: Vector
    facets_missing: int
    cut_short: bool
    bytes_left_over: int
    mended: tuple[str, ...]
    unread: tuple[str, ...]
    ignored: tuple[str, ...]
    notes: tuple[str, ...]


def examine(raw: RawMesh, mesh: Mended) -> Health:
    """Examine a mended mesh.

    Parameters
    ----------
    raw : RawMesh
        As read.
    mesh : Mended
        As it will be reviewed.
    """
    vertices, faces, edges = mesh.vertices, mesh.faces, mesh.edges
    pieces, volumes, closed = find_bodies(vertices, faces, edges)
    solids = closed & (volumes > 0)
    sound = edges.closed and float(volumes.sum()) > 0
    crossing = _counted_twice(vertices, faces, pieces) if sound and len(faces) <= UNITED_FACETS else (None, None)
    hole = coarsest_hole(vertices, faces, edges) if sound else None
    return Health(
        format=raw.format,
        triangles_sent=len(raw.faces) + raw.facets_missing,
        closed=edges.closed,
        sound=sound,
        route=mesh.route,
        open_edges=int((edges.counts == 1).sum()),
        crowded_edges=int((edges.counts > 2).sum()),
        clashing_edges=int(edges.clashing.sum()),
        flipped_facets=mesh.flipped_facets,
        inverted_bodies=mesh.inverted_bodies,
        degenerate_facets=mesh.degenerate_facets,
        degenerate_left=mesh.degenerate_left,
        duplicate_facets=mesh.duplicate_facets,
        doubled_bodies=mesh.doubled_bodies,
        joined_points=mesh.joined_points,
        bodies=int((solids | ~closed).sum()),
        voids=int((closed & (volumes < 0)).sum()),
        loose_pieces=int((~closed).sum()),
        body_volumes_mm3=tuple(sorted(volumes[solids].tolist(), reverse=True)),
        overlap_mm3=_overlap(vertices, faces, pieces, volumes) if sound else None,
        crossing_mm3=crossing[0],
        crossing_uncertainty_mm3=crossing[1],
        solid_change=mesh.solid_change,
        euler=len(vertices) - len(edges.counts) + len(faces),
        coordinate_step_mm=mesh.coordinate_step_mm,
        hole_facets=hole[0] if hole else None,
        hole_diameter_mm=hole[1] if hole else 0.0,
        hole_at_mm=hole[2] if hole else (0.0, 0.0, 0.0),
        facets_missing=raw.facets_missing,
        cut_short=raw.cut_short,
        bytes_left_over=raw.bytes_left_over,
        mended=mesh.words,
        unread=raw.unread,
        ignored=raw.ignored,
        notes=raw.notes,
    )


def _overlap(vertices: Floats, faces: Faces, pieces: Ints, volumes: Floats) -> float | None:
    """Sum of the bodies' volumes minus the volume of their union [mm3]; none when not measured."""
    solids = np.flatnonzero(volumes > 0)
    if len(solids) < 2:
        return 0.0
    if len(solids) > _COMPARED_BODIES:
        return None
    members_of, low, high = boxes(vertices, faces, pieces)
    below = np.asarray((low[solids, None] < high[None, solids]).all(axis=2))
    meet = below & below.T & ~np.eye(len(solids), dtype=bool)
    first, second = np.nonzero(meet)
    if not len(first):
        return 0.0
    # A hollow space belongs to the smallest solid around it.
    voids = np.flatnonzero(volumes < 0)
    around = enclosing(vertices, faces, pieces, voids, volumes > 0)
    owners = {int(void): min(around[void], key=lambda each: volumes[each], default=-1) for void in map(int, voids)}
    members = {int(solid): [int(solid)] for solid in solids}
    for void, owner in owners.items():
        if owner >= 0:
            members[owner].append(void)
    clusters = connected(len(solids), first, second)
    counted = 0.0
    for cluster in np.flatnonzero(np.bincount(clusters) > 1):
        parts = solids[clusters == cluster]
        facets = [np.concatenate([members_of[k] for k in members[int(part)]]) for part in parts]
        if sum(map(len, facets)) > UNITED_FACETS:
            return None
        bodies = [as_solid(*compacted(vertices, faces[each])) for each in facets]
        if any(body is None for body in bodies):
            return None
        union = manifold3d.Manifold.batch_boolean(bodies, manifold3d.OpType.Add)
        counted += sum(body.volume() for body in bodies) - union.volume()
    return max(counted, 0.0)


def _counted_twice(vertices: Floats, faces: Faces, pieces: Ints) -> tuple[float, float]:
    """Volume that a surface encloses more than once by itself, and its uncertainty [mm3].

    Notes
    -----
    Parallel lines of sight on a grid, along the shortest side of the box.  Along each, the
    facets of a piece that it passes say how many times that piece encloses each stretch.
    Every line crosses the shared edge of two facets at the very same place, so that none slips
    through between them.
    """
    axis = int(np.ptp(vertices, axis=0).argmin())
    points = vertices[:, [(axis + 1) % 3, (axis + 2) % 3, axis]]
    origin, size = points.min(axis=0), np.ptp(points, axis=0)
    # An odd shift keeps the lines off the coordinates that drawings use.
    step = size[:2] / SIGHT_LINES
    shift = origin[:2] + step * (np.sqrt(5) - 2)
    grid = np.column_stack([(points[:, :2] - shift) / step, points[:, 2]])
    facet, line, depth, sign = _passed(grid, faces)
    _, sight = np.unique(pieces[facet] * SIGHT_LINES**2 + line, return_inverse=True)
    # A line that does not come out again met a facet edge-on; without it one running sum serves all.
    whole = np.bincount(sight, sign) == 0
    order = np.lexsort((depth, sight))
    order = order[whole[sight[order]]]
    sight, line, depth, sign = sight[order], line[order], depth[order], sign[order]
    level = np.cumsum(sign)[:-1]
    inside = (sight[1:] == sight[:-1]) & (level > 1)
    extra = np.where(inside, (level - 1) * np.diff(depth), 0.0)
    on_line = np.bincount(line[:-1], extra, minlength=SIGHT_LINES**2)
    cell = float(step.prod())
    return float(on_line.sum()) * cell, 1.96 * float(on_line.std()) * SIGHT_LINES * cell


def _passed(grid: Floats, faces: Faces) -> tuple[Ints, Ints, Floats, Ints]:
    """Lines through whole grid points and the facets they pass: facet, line, depth, and 1 in or -1 out."""
    a, b, c = (grid[faces[:, k]] for k in range(3))
    rise = np.cross(b - a, c - a)[:, 2]
    low, high = (op.reduce([a[:, 1], b[:, 1], c[:, 1]]) for op in (np.minimum, np.maximum))
    first, last = np.ceil(low).astype(np.int64), np.ceil(high).astype(np.int64)
    facet, row = _spread(last - first, first)
    # Where a row crosses the sides of a facet: two of the three do.
    across, depth = np.full((2, len(facet)), np.nan), np.zeros((2, len(facet)))
    for side in ((0, 1), (1, 2), (2, 0)):
        ends = np.sort(faces[facet][:, side], axis=1)
        p, q = grid[ends[:, 0]], grid[ends[:, 1]]
        crosses = (p[:, 1] <= row) != (q[:, 1] <= row)
        share = np.divide(row - p[:, 1], q[:, 1] - p[:, 1], out=np.zeros(len(row)), where=crosses)
        slot = np.where(np.isnan(across[0]), 0, 1)[crosses]
        index = np.flatnonzero(crosses)
        across[slot, index] = (p[:, 0] + share * (q[:, 0] - p[:, 0]))[crosses]
        depth[slot, index] = (p[:, 2] + share * (q[:, 2] - p[:, 2]))[crosses]
    swap = across[0] > across[1]
    across[:, swap], depth[:, swap] = across[::-1, swap], depth[::-1, swap]
    begin, end = np.ceil(across).astype(np.int64)
    hit, column = _spread(end - begin, begin)
    width = across[1, hit] - across[0, hit]
    share = np.divide(column - across[0, hit], width, out=np.zeros(len(hit)), where=width > 0)
    sign = np.where(rise[facet[hit]] < 0, 1, -1)
    return (
        facet[hit],
        row[hit] * SIGHT_LINES + column,
        depth[0, hit] + share * (depth[1, hit] - depth[0, hit]),
        sign.astype(np.int64),
    )


def _spread(counts: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Each index as often as its count, with whole numbers that run up from its first."""
    index = np.repeat(np.arange(len(counts)), counts)
    run = np.arange(len(index)) - np.repeat(np.cumsum(counts) - counts, counts)
    return index, first[index] + run
