"""What of a part is printed over nothing: down-facing faces, bridges, ledges, slopes, islands, supports.

Angles come from the facets; what holds what comes from the layers, so that overlapping bodies
and doubled walls do not mislead.  Facets beyond the milder angle that share an edge are one
overhang.  In each layer that such a facet passes through, what lies outside the layer below,
grown by the step that the angle allows, is in the air; tiles of all layers above one overhang
together are its footprint, and its edge is held where it touches matter of a layer below.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from reviewkit.limits import Limits
from reviewkit.measure.layers import Layers
from reviewkit.measure.plate import tightest_turn_deg
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats, Setup

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# A face exactly at an angle is not beyond it, whatever single precision and straightened outlines make of it.
_ANGLE_SLACK_DEG = 0.01
_STEP_SLACK_MM = 0.002
_SLIVER_MM2 = 1e-4
# Tiles of neighbouring layers share an edge but for rounding.
_SEAM_MM = 0.005
# An edge this near to what lies below is held by it.
_HELD_MM = 0.05
_EDGE_PIECE_MM = 0.5
_OUTLINE_MM = 0.01
# As the layers count a corner that lies in a cut plane.
_SNAP_MM = 1.5e-5
_MITRE = 3.0

_TURN_STEP_DEG = 5.0
_SCANS = 120
# Of the directions that hold this much of what the best one holds, the one with the shortest lines goes first;
# what it leaves may span between its lines and the rest.  The last passes take whatever holds most.
_WORTH = (0.5, 0.5, 0.5, 0.98, 0.98)

_MOST_CELLS = 1_000_000


@dataclass(frozen=True)
class Rules:
    """What the rows ``overhang.*`` say of a setup, as far as it bears on measuring.

    Parameters
    ----------
    mild_deg, steep_deg : float
        Angles from the vertical: what is between them leans, what is beyond the second is in the
        air unless it is held [deg].
    line_mm : float
        Width of a printed line; a piece nearer than half of it to the layer below is no island [mm].
    plate_mm : float
        Facets that look down and whose middle is no higher lie on the plate [mm].
    short_mm : float
        Overhangs that end nearer than this to what holds them are not looked at closer [mm].
    island_mm2 : float
        Islands smaller than this cannot be drawn; they count where they have grown to it [mm2].
    overlap, overlap_mm2 : float
        A piece of a layer, at least so large, that rests by a smaller share on the layer below is told [-], [mm2].
    carried_layers : int
        What lies so many empty layers or fewer above a surface is laid onto it [-].
    carried_share : float
        Share of a piece that must be so laid for all of it to be [-].
    spacing_mm : float
        Distance of the columns that support volume is summed over [mm].
    """

    mild_deg: float
    steep_deg: float
    line_mm: float
    plate_mm: float
    short_mm: float
    island_mm2: float
    overlap: float
    overlap_mm2: float
    carried_layers: int
    carried_share: float
    spacing_mm: float

    @classmethod
    def of(cls, limits: Limits, setup: Setup) -> "Rules":
        """The rules of a setup."""

        def value(name: str) -> float:
            return limits.value(f"overhang.{name}", setup).value

        def strictest(name: str) -> float:
            return limits.band(f"overhang.{name}", setup).limits[0].value

        return cls(
            mild_deg=strictest("angle"),
            steep_deg=limits.band("overhang.angle", setup).limits[-1].value,
            line_mm=setup.line_width_mm,
            plate_mm=value("plate"),
            short_mm=strictest("ledge"),
            island_mm2=value("island_area"),
            overlap=strictest("overlap"),
            overlap_mm2=value("overlap_area"),
            carried_layers=round(value("carried_gap")),
            carried_share=value("carried_share"),
            spacing_mm=value("support_spacing"),
        )


@dataclass(frozen=True, eq=False)
class DownFacing:
    """Facets by how far they lean over.

    Parameters
    ----------
    angle_deg : (m,) float
        From the vertical: a wall 0, a ceiling 90, facets that look up negative [deg].
    area_mm2 : (m,) float
        Area of each facet [mm2].
    on_plate : (m,) bool
        Facets that look down and lie on the plate.
    cluster : (m,) int
        Facets beyond the limit that share edges have one number; -1 for all others [-].
    """

    angle_deg: Floats
    area_mm2: Floats
    on_plate: Bools
    cluster: Ints

    def beyond_mm2(self, limit_deg: float) -> float:
        """Area beyond an angle, the plate left out [mm2]."""
        beyond = (self.angle_deg > limit_deg + _ANGLE_SLACK_DEG) & ~self.on_plate
        return float(self.area_mm2[beyond].sum())


@dataclass(frozen=True, eq=False)
class Supports:
    """Columns that would hold every facet beyond the limit, one a sample of its surface.

    Parameters
    ----------
    facet : (n,) int
        Facet that the column carries [-].
    top : (n, 3) float
        Point of that facet [mm].
    area_mm2 : (n,) float
        Cross-section of the column [mm2].
    height_mm : (n,) float
        Down to the plate or to the first surface below; zero inside overlapping bodies [mm].
    foot : (n,) int
        Facet on which the column stands, -1 on the plate [-].
    """

    facet: Ints
    top: Floats
    area_mm2: Floats
    height_mm: Floats
    foot: Ints

    @property
    def volume_mm3(self) -> float:
        """Volume of all columns [mm3]."""
        return float(self.area_mm2 @ self.height_mm)


@dataclass(frozen=True, eq=False)
class Overhang:
    """One connected piece of surface that is printed over nothing.

    Parameters
    ----------
    faces : (n,) int
        Its facets beyond the milder angle; may be empty where thin bodies lean [-].
    area_mm2 : float
        Their area [mm2].
    angle_deg : float
        Angle from the vertical that all but 5 % of that area stays within [deg].
    air_mm2 : float
        Footprint of what is beyond the steeper angle [mm2].
    span_mm : float
        Longest line in the air that is held at both ends, along the direction in which most is so
        held and the longest is shortest; zero where none is [mm].
    reach_mm : float
        Farthest that the rest, held at one end, reaches from what holds it [mm].
    run_mm : float
        Farthest that what is between the two angles reaches from where it begins [mm].
    overlap : float
        Least share of a piece of a layer that rests on the layer below; 1 where none is low [-].
    island_mm2, island_mm : float
        Area and height above the plate of a piece that starts in mid-air; zero where none does
        [mm2], [mm].
    carried : bool
        Whether it is laid onto a surface a few empty layers below.
    layer : int
        Layer that shows most of it [-].
    point : (3,) float
        A point on its underside [mm].
    ends : (2, 2) float
        Ends of the longest line in the air, nan where there is none [mm].
    """

    faces: Ints
    area_mm2: float
    angle_deg: float
    air_mm2: float
    span_mm: float
    reach_mm: float
    run_mm: float
    overlap: float
    island_mm2: float
    island_mm: float
    carried: bool
    layer: int
    point: Floats
    ends: Floats


@dataclass(frozen=True, eq=False)
class Overhangs:
    """All overhangs of a part.

    Parameters
    ----------
    down : DownFacing
        Its facets by angle.
    places : tuple of Overhang
        Largest footprint first.
    in_air : mapping of int to shapely geometry
        What lies outside the layer below by more than the milder angle allows, by layer.
    supports : Supports
        Columns under every facet beyond the milder angle.
    """

    down: DownFacing
    places: tuple[Overhang, ...]
    in_air: dict[int, shapely.Geometry]
    supports: Supports


@dataclass(frozen=True, eq=False)
class Access:
    """Where a ball can come near from outside, by cells.

    Parameters
    ----------
    low : (3,) float
        Lowest corner of the grid [mm].
    pitch_mm : float
        Side of a cell [mm].
    reached : (z, y, x) bool
        Cells that the ball touches or nearly touches.
    """

    low: Floats
    pitch_mm: float
    reached: Bools

    def at(self, points: Floats) -> Bools:
        """Whether points (n, 3) can be reached (n,) [mm]."""
        cells = ((points - self.low) / self.pitch_mm).astype(int)
        x, y, z = np.clip(cells, 0, np.array(self.reached.shape[::-1]) - 1).T
        return np.asarray(self.reached[z, y, x])


def down_facing(vertices: Floats, faces: Ints, *, beyond_deg: float, plate_mm: float) -> DownFacing:
    """How far each facet leans over, and which of those beyond an angle hang together.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, lowest at z = 0 [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    beyond_deg : float
        Angle from the vertical beyond which facets form clusters [deg].
    plate_mm : float
        Facets that look down and whose middle is no higher lie on the plate [mm].

    Returns
    -------
    DownFacing
    """
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    lean = np.divide(-cross[:, 2], twice, out=np.zeros(len(faces)), where=twice > 0)
    angle_deg = np.degrees(np.arcsin(np.clip(lean, -1.0, 1.0)))
    on_plate = (angle_deg > 0) & (corners[:, :, 2].mean(axis=1) <= plate_mm)
    beyond = np.flatnonzero((angle_deg > beyond_deg + _ANGLE_SLACK_DEG) & ~on_plate)
    cluster = np.full(len(faces), -1)
    cluster[beyond] = _connected(faces[beyond])
    return DownFacing(angle_deg, twice / 2, on_plate, cluster)


def supports(vertices: Floats, faces: Ints, rays: RayTree, down: DownFacing, spacing_mm: float) -> Supports:
    """Columns below every facet beyond the limit.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, lowest at z = 0 [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    rays : RayTree
        Of the same mesh.
    down : DownFacing
        Its facets.
    spacing_mm : float
        Facets with longer edges get several columns [mm].

    Returns
    -------
    Supports

    Notes
    -----
    Volume is the sum of projected area times height (printability note 5): a ball of radius R on
    the plate, limit b, has ``pi R^3 sin(b)^2 - 2/3 pi R^3 (1 - cos(b)^3)``.
    """
    chosen = np.flatnonzero(down.cluster >= 0)
    facet, top, share = surface_samples(vertices, faces, chosen, spacing_mm)
    shadow_mm2 = down.area_mm2[facet] * np.sin(np.radians(down.angle_deg[facet])) * share
    below = np.tile([0.0, 0.0, -1.0], (len(top), 1))
    distance, foot = rays.first_hit(top, below) if len(top) else (np.empty(0), np.empty(0, np.int64))
    height_mm = np.where(foot >= 0, distance, top[:, 2])
    # A column that meets a face from inside began inside another body.
    inside = (foot >= 0) & (down.angle_deg[foot] > 0)
    return Supports(facet, top, shadow_mm2, np.where(inside, 0.0, height_mm), foot)


def surface_samples(vertices: Floats, faces: Ints, chosen: Ints, spacing_mm: float) -> tuple[Ints, Floats, Floats]:
    """Points spread evenly over facets.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets [-].
    chosen : (k,) int
        Facets to sample [-].
    spacing_mm : float
        A facet is cut into as many like triangles as keep their edges under this, 64 by 64 at most [mm].

    Returns
    -------
    facet : (s,) int
        Facet of each sample [-].
    point : (s, 3) float
        Middle of its triangle [mm].
    share : (s,) float
        Share of the facet that it stands for [-].
    """
    corners = vertices[faces[chosen]]
    longest = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1, initial=0.0)
    cuts = np.clip(np.ceil(longest / spacing_mm), 1, 64).astype(np.int64)
    found, points, shares = [], [], []
    for cut in np.unique(cuts):
        own = np.flatnonzero(cuts == cut)
        weights = _triangle_middles(int(cut))
        points.append(np.einsum("sw,fwx->fsx", weights, corners[own]).reshape(-1, 3))
        found.append(np.repeat(chosen[own], len(weights)))
        shares.append(np.full(len(own) * len(weights), 1 / len(weights)))
    if not found:
        return np.empty(0, np.int64), np.empty((0, 3)), np.empty(0)
    return np.concatenate(found), np.vstack(points), np.concatenate(shares)


def overhangs(layers: Layers, vertices: Floats, faces: Ints, rays: RayTree, rules: Rules) -> Overhangs:
    """Every overhang of a part with what holds it.

    Parameters
    ----------
    layers : Layers
        Layers of the part.
    vertices : (n, 3) float
        Corner points, lowest at z = 0 [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    rays : RayTree
        Of the same mesh.
    rules : Rules

    Returns
    -------
    Overhangs
    """
    down = down_facing(vertices, faces, beyond_deg=rules.mild_deg, plate_mm=rules.plate_mm)
    finder = _Finder(layers, rules)
    finder.walk(*_layers_to_look_at(layers, vertices, faces, down))
    columns = supports(vertices, faces, rays, down, rules.spacing_mm)
    return Overhangs(down, _gathered(finder, rays, down), finder.in_air, columns)


def access(layers: Layers, opening_mm: float) -> Access:
    """What of the air around and inside a part a ball can come near from outside.

    Parameters
    ----------
    layers : Layers
        Layers of the part, at least one.
    opening_mm : float
        Diameter of the ball: smaller openings let nothing out [mm].

    Returns
    -------
    Access

    Notes
    -----
    On a grid, of cells a quarter of the opening or larger where there would be over a million.
    Every cell that an outline passes through counts as solid, so that thin walls hold tight.  The
    part may be taken from the plate, so its underside is open.
    """
    bounds = shapely.total_bounds(layers.regions[layers.distinct])
    low = np.array([*bounds[:2], 0.0])
    high = np.array([*bounds[2:], layers.z_mm[-1] + layers.thickness_mm[-1] / 2])
    pitch_mm = max(opening_mm / 4, float(np.prod(high - low + 2 * opening_mm) / _MOST_CELLS) ** (1 / 3))
    low, high = low - opening_mm - 2 * pitch_mm, high + opening_mm + 2 * pitch_mm
    shape = np.ceil((high - low) / pitch_mm).astype(int)
    solid = np.zeros(shape[::-1], dtype=bool)
    cells = ((layers.z_mm - low[2]) / pitch_mm).astype(int)
    for layer, cell in {(int(layers.same_as[k]), int(cells[k])) for k in range(len(layers))}:
        solid[cell] |= _raster(layers.regions[layer], low[:2], pitch_mm, (int(shape[1]), int(shape[0])))
    room_mm = distance_transform_edt(~solid) * pitch_mm
    passable, _ = label(room_mm >= opening_mm / 2)
    near_mm = distance_transform_edt(passable != passable[0, 0, 0]) * pitch_mm
    return Access(low, pitch_mm, near_mm <= opening_mm / 2 + pitch_mm)


def _connected(faces: Ints) -> Ints:
    """Number of the group of facets that each belongs to, groups sharing no edge."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.lexsort(edges.T)
    edges, owner = edges[order], owner[order]
    same = (edges[1:] == edges[:-1]).all(axis=1)
    links = coo_array((np.ones(same.sum()), (owner[:-1][same], owner[1:][same])), shape=(len(faces), len(faces)))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _triangle_middles(cuts: int) -> Floats:
    """Barycentric middles of the triangles that a triangle is cut into, each side in so many pieces."""
    i, j = (axis.ravel() for axis in np.meshgrid(np.arange(cuts), np.arange(cuts), indexing="ij"))
    upright, hanging = i + j < cuts, i + j < cuts - 1
    u = np.concatenate([i[upright] + 1 / 3, i[hanging] + 2 / 3]) / cuts
    v = np.concatenate([j[upright] + 1 / 3, j[hanging] + 2 / 3]) / cuts
    return np.column_stack([1 - u - v, u, v])


def _layers_to_look_at(layers: Layers, vertices: Floats, faces: Ints, down: DownFacing) -> tuple[Floats, Bools]:
    """By layer, the box (n, 4) of the overhanging facets below it, nan for none, and whether an island may start."""
    count = len(layers)
    chosen = np.flatnonzero(down.cluster >= 0)
    corners = vertices[faces[chosen]]
    levels = np.searchsorted(layers.z_mm, corners[:, :, 2] + _SNAP_MM, side="right")
    first, last = levels.min(axis=1), np.minimum(levels.max(axis=1), count - 1)
    spans = np.maximum(last - first + 1, 0)
    facet = np.repeat(np.arange(len(chosen)), spans)
    layer = np.arange(len(facet)) - np.repeat(np.cumsum(spans) - spans, spans) + first[facet]
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    np.minimum.at(low, layer, corners[facet, :, :2].min(axis=1))
    np.maximum.at(high, layer, corners[facet, :, :2].max(axis=1))
    boxes = np.where(np.isfinite(low).all(axis=1)[:, None], np.hstack([low, high]), np.nan)

    # A piece can start only where the surface has a lowest point that looks down.
    lowest = np.full(len(vertices), np.inf)
    looks_down = np.zeros(len(vertices), dtype=bool)
    z_mm = vertices[faces, 2]
    for corner in range(3):
        np.minimum.at(lowest, faces[:, corner], z_mm.min(axis=1))
        looks_down[faces[down.angle_deg > 0, corner]] = True
    starts = looks_down & (vertices[:, 2] <= lowest + _SNAP_MM)
    level = np.searchsorted(layers.z_mm, vertices[starts, 2] + _SNAP_MM, side="right")
    begins = np.bincount(level, minlength=count + 1)[:count] > 0
    return boxes, begins


@dataclass(frozen=True, eq=False)
class _Tile:
    """A piece of a layer over nothing, and the matter below that it touches."""

    shape: shapely.Geometry
    layer: int
    steep: bool
    island: bool
    carried: bool
    overlap: float
    below: shapely.Geometry


@dataclass(eq=False)
class _Finder:
    """Walks the layers from the plate up and collects what lies over nothing."""

    layers: Layers
    rules: Rules
    tiles: list[_Tile] = field(default_factory=list)
    in_air: dict[int, shapely.Geometry] = field(default_factory=dict)

    def walk(self, boxes: Floats, begins: Bools) -> None:
        """Look at every layer in which something may overhang or start."""
        same_as, regions = self.layers.same_as, self.layers.regions
        undrawn = shapely.Polygon()
        for layer in range(1, len(self.layers)):
            if same_as[layer] == same_as[layer - 1] and undrawn.is_empty:
                continue
            overhanging = bool(np.isfinite(boxes[layer, 0]))
            if not (overhanging or begins[layer] or not undrawn.is_empty):
                continue
            below = regions[layer - 1].difference(undrawn) if not undrawn.is_empty else regions[layer - 1]
            undrawn = self._islands(layer, below)
            if overhanging:
                self._tiles(layer, below, boxes[layer])

    def _islands(self, layer: int, below: shapely.Geometry) -> shapely.Geometry:
        """Collect the islands that start in a layer and give back those too small to be drawn."""
        pieces = shapely.get_parts(self.layers.regions[layer])
        shapely.prepare(below)
        alone = pieces[~shapely.dwithin(pieces, below, self.rules.line_mm / 2)] if not below.is_empty else pieces
        undrawn = []
        for piece in alone:
            if piece.area < self.rules.island_mm2:
                undrawn.append(piece)
                continue
            under = self._further_below(layer, piece)
            carried = piece.intersection(under).area >= self.rules.carried_share * piece.area
            self._add(piece, layer, True, below, island=True, carried=carried)
            if not carried:
                self._in_air(layer, piece)
        return shapely.union_all(undrawn) if undrawn else shapely.Polygon()

    def _tiles(self, layer: int, below: shapely.Geometry, box: Floats) -> None:
        """Collect what of a layer reaches out over the layer below by more than the angles allow."""
        rise_mm = self.layers.z_mm[layer] - self.layers.z_mm[layer - 1]
        mild_mm, steep_mm = (
            rise_mm * np.tan(np.radians(angle_deg)) + _STEP_SLACK_MM
            for angle_deg in (self.rules.mild_deg, self.rules.steep_deg)
        )
        margin_mm = 2 * steep_mm + self.rules.line_mm
        here = _clipped(self.layers.regions[layer], box, margin_mm)
        near = _clipped(below, box, 2 * margin_mm)
        new = here.difference(near)
        islands = [tile.shape for tile in self.tiles if tile.layer == layer and tile.island]
        if islands:
            new = new.difference(shapely.union_all(islands))
        beyond = _beyond(new, near, mild_mm)
        if beyond.is_empty:
            return
        leaning = new.intersection(_grown(beyond, mild_mm))
        air = _beyond(new, near, steep_mm)
        steep = new.intersection(_grown(air, steep_mm))
        under = self._further_below(layer, leaning)
        self._in_air(layer, leaning)
        slight = self._slight(layer, new, steep)
        for shape, is_steep in ((steep, True), (leaning.difference(steep), False)):
            for piece in shapely.get_parts(shape.difference(under)):
                rests = min((share for part, share in slight if part.intersects(piece)), default=1.0)
                self._add(piece, layer, is_steep, near, rests=rests if is_steep else 1.0)
            for piece in shapely.get_parts(shape.intersection(under)) if is_steep else ():
                self._add(piece, layer, True, near, carried=True)

    def _in_air(self, layer: int, shape: shapely.Geometry) -> None:
        known = self.in_air.get(layer)
        self.in_air[layer] = shape if known is None else known.union(shape)

    def _slight(
        self, layer: int, new: shapely.Geometry, steep: shapely.Geometry
    ) -> list[tuple[shapely.Geometry, float]]:
        """Pieces of a layer of which little rests on the layer below, and how much does."""
        parts = shapely.get_parts(self.layers.regions[layer])
        parts = parts[
            (shapely.area(parts) >= self.rules.overlap_mm2)
            & (shapely.area(parts) * (1 - self.rules.overlap) < new.area)
        ]
        if not len(parts) or steep.is_empty:
            return []
        shares = 1 - shapely.area(shapely.intersection(parts, new)) / shapely.area(parts)
        return [(part, float(share)) for part, share in zip(parts, shares, strict=True) if share < self.rules.overlap]

    def _further_below(self, layer: int, shape: shapely.Geometry) -> shapely.Geometry:
        """Matter a few layers below a shape, the layer right below left out."""
        lower = self.layers.regions[max(layer - 1 - self.rules.carried_layers, 0) : layer - 1]
        return shapely.union_all([_clipped(region, np.array(shape.bounds), 0.1) for region in lower])

    def _add(
        self,
        piece: shapely.Geometry,
        layer: int,
        steep: bool,
        below: shapely.Geometry,
        *,
        island: bool = False,
        carried: bool = False,
        rests: float = 1.0,
    ) -> None:
        if piece.area < _SLIVER_MM2 or piece.geom_type != "Polygon":
            return
        around = piece.buffer(self.rules.line_mm / 2 + _HELD_MM, quad_segs=2)
        touched = _clipped(below, np.array(piece.bounds), self.rules.line_mm).intersection(around)
        self.tiles.append(_Tile(piece, layer, steep, island, carried, rests, touched))


def _clipped(region: shapely.Geometry, box: Floats, margin_mm: float) -> shapely.Geometry:
    """A region near a box; the region itself where little would go."""
    low_x, low_y, high_x, high_y = box + np.array([-1, -1, 1, 1]) * margin_mm
    if region.is_empty or not np.isfinite(low_x):
        return region
    x0, y0, x1, y1 = region.bounds
    if low_x <= x0 and low_y <= y0 and high_x >= x1 and high_y >= y1:
        return region
    cut = shapely.clip_by_rect(region, low_x, low_y, high_x, high_y)
    return cut if shapely.is_valid(cut) else region.intersection(shapely.box(low_x, low_y, high_x, high_y))


def _grown(shape: shapely.Geometry, by_mm: float) -> shapely.Geometry:
    """A shape grown with sharp corners, as a face that leans the same all round would."""
    return shape.buffer(by_mm, join_style="mitre", mitre_limit=_MITRE)


def _beyond(new: shapely.Geometry, below: shapely.Geometry, step_mm: float) -> shapely.Geometry:
    """What of the new matter reaches farther than a step beyond the layer below."""
    far = new.difference(_grown(below, step_mm))
    return shapely.union_all([piece for piece in shapely.get_parts(far) if piece.area > _SLIVER_MM2])


def _gathered(finder: _Finder, rays: RayTree, down: DownFacing) -> tuple[Overhang, ...]:
    """Tiles over one cluster of facets make one overhang."""
    tiles = finder.tiles
    if not tiles:
        return ()
    inner = np.array([tile.shape.centroid if tile.shape.contains(tile.shape.centroid) else
                      tile.shape.representative_point() for tile in tiles])  # fmt: skip
    tops = np.column_stack([shapely.get_coordinates(inner), finder.layers.z_mm[[tile.layer for tile in tiles]]])
    distance, facet = rays.first_hit(tops, np.tile([0.0, 0.0, -1.0], (len(tops), 1)))
    under = tops - np.where(np.isfinite(distance), distance, 0.0)[:, None] * [0.0, 0.0, 1.0]
    cluster = np.where(facet >= 0, down.cluster[facet], -1)
    # Over facets of no cluster, tiles that touch seen from above are one.
    loose = np.flatnonzero(cluster < 0)
    if len(loose):
        joined = shapely.get_parts(shapely.union_all([tiles[k].shape.buffer(_SEAM_MM) for k in loose]))
        tree = shapely.STRtree(joined)
        point, piece = tree.query(inner[loose], predicate="intersects")
        cluster[loose[point]] = -2 - piece
    facets_of = {int(key): np.flatnonzero(down.cluster == key) for key in np.unique(cluster[cluster >= 0])}
    none = np.empty(0, dtype=np.int64)
    found = []
    for key in np.unique(cluster):
        own = np.flatnonzero(cluster == key)
        found.append(_overhang([tiles[k] for k in own], under[own], facets_of.get(int(key), none), finder, down))
    return tuple(sorted(found, key=lambda it: (-it.air_mm2, *it.point.tolist())))


def _overhang(tiles: Sequence[_Tile], under: Floats, facets: Ints, finder: _Finder, down: DownFacing) -> Overhang:
    """One overhang with its footprint measured."""
    islands = [tile for tile in tiles if tile.island and not tile.carried]
    free = [tile for tile in tiles if not tile.carried and not tile.island]
    steep = _together([tile.shape for tile in free if tile.steep])
    mild = _together([tile.shape for tile in free if not tile.steep])
    span_mm, reach_mm, ends = _held(steep, _touched(free, steep, steep=True), finder.rules)
    order = np.argsort(down.angle_deg[facets])
    area = down.area_mm2[facets[order]]
    within = np.searchsorted(np.cumsum(area), 0.95 * area.sum()) if len(area) else 0
    largest = max(range(len(tiles)), key=lambda k: (tiles[k].island, tiles[k].shape.area))
    start = min(islands, key=lambda tile: tile.layer, default=None)
    return Overhang(
        faces=facets,
        area_mm2=float(area.sum()),
        angle_deg=float(down.angle_deg[facets[order]][min(within, len(area) - 1)]) if len(area) else 0.0,
        air_mm2=float(steep.area + sum(tile.shape.area for tile in islands)),
        span_mm=span_mm,
        reach_mm=reach_mm,
        run_mm=_reach(mild, _touched(free, mild, steep=False)),
        overlap=min(tile.overlap for tile in tiles),
        island_mm2=float(start.shape.area) if start else 0.0,
        island_mm=float(finder.layers.bottom_mm[start.layer]) if start else 0.0,
        carried=not free and not islands,
        layer=tiles[largest].layer,
        point=under[largest],
        ends=ends,
    )


def _together(shapes: Sequence[shapely.Geometry]) -> shapely.Geometry:
    """Tiles as one footprint, without the seams that rounding leaves."""
    if not shapes:
        return shapely.Polygon()
    whole = shapely.union_all(shapes)
    if len(shapes) > 1:
        whole = whole.buffer(_SEAM_MM, join_style="mitre").buffer(-_SEAM_MM, join_style="mitre")
    return whole


def _touched(tiles: Sequence[_Tile], footprint: shapely.Geometry, *, steep: bool) -> shapely.Geometry:
    """Matter below a footprint's edge that is not itself part of the footprint."""
    below = [tile.below for tile in tiles if tile.steep is steep]
    if not below:
        return shapely.Polygon()
    return shapely.union_all(below).difference(footprint.buffer(2 * _SEAM_MM, join_style="mitre"))


def _reach(shape: shapely.Geometry, holding: shapely.Geometry) -> float:
    """Farthest distance of a shape's outline from what holds it; its own width where nothing does [mm]."""
    if shape.is_empty:
        return 0.0
    if holding.is_empty:
        return float(shapely.minimum_bounding_radius(shape))
    corners = shapely.points(shapely.get_coordinates(shape.segmentize(_EDGE_PIECE_MM)))
    return max(float(shapely.distance(corners, holding).max()) - 2 * _SEAM_MM, 0.0)


def _held(air: shapely.Geometry, holding: shapely.Geometry, rules: Rules) -> tuple[float, float, Floats]:
    """Longest line held at both ends, farthest reach of what is held at one, and the ends of that line [mm].

    Lines go first in the direction that holds most; what they leave may then span between them
    and the rest, as a table's top does between the edges that span from leg to leg.
    """
    none = np.full((2, 2), np.nan)
    if air.is_empty:
        return 0.0, 0.0, none
    if air.difference(holding.buffer(rules.short_mm)).is_empty:
        return 0.0, _reach(air, holding), none
    span_mm, ends = 0.0, none
    left = air
    for worth in _WORTH:
        crossing = _best_crossing(left, holding, rules.line_mm, worth)
        if crossing is None:
            break
        if crossing.span_mm > span_mm:
            span_mm, ends = crossing.span_mm, crossing.ends
        holding = holding.union(crossing.strips)
        left = shapely.union_all(
            [p for p in shapely.get_parts(left.difference(crossing.strips)) if p.area > _SLIVER_MM2]
        )
        if left.difference(holding.buffer(rules.short_mm)).is_empty:
            return span_mm, 0.0, ends
    return span_mm, _reach(left, holding), ends


@dataclass(frozen=True, eq=False)
class _Crossing:
    """Lines in one direction that are held at both ends."""

    area_mm2: float
    span_mm: float
    ends: Floats
    strips: shapely.Geometry


def _best_crossing(air: shapely.Geometry, holding: shapely.Geometry, line_mm: float, worth: float) -> _Crossing | None:
    """The direction in which most of a footprint is held at both ends, the shortest such."""
    outline = air.simplify(_OUTLINE_MM).segmentize(_EDGE_PIECE_MM)
    pieces = [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(outline))]
    start, end = np.vstack([ring[:-1] for ring in pieces]), np.vstack([ring[1:] for ring in pieces])
    middles = shapely.points((start + end) / 2)
    distance_mm = shapely.distance(middles, holding) if not holding.is_empty else np.full(len(start), np.inf)
    held = distance_mm <= _HELD_MM
    if not held.any():
        held = distance_mm <= line_mm / 2 + _HELD_MM
    if not held.any():
        return None
    # Along the sides of the tightest rectangle, and all round.
    along_deg = -tightest_turn_deg(start)
    turns = np.concatenate([[along_deg, along_deg + 90.0], np.arange(0.0, 180.0, _TURN_STEP_DEG)])
    scans = [_lines(start, end, held, float(turn), line_mm) for turn in turns]
    areas = np.array([length.sum() * spacing for _, length, spacing in scans])
    if areas.max() < _SLIVER_MM2:
        return None
    spans = np.array([length.max(initial=0.0) for _, length, _ in scans])
    spans[areas < worth * areas.max()] = np.inf
    best = int(np.argmin(np.round(spans, 6)))
    lines, length, spacing = scans[best]
    thick = shapely.buffer(shapely.linestrings(lines), spacing / 2 + _SEAM_MM, cap_style="flat")
    return _Crossing(float(areas[best]), float(length.max()), lines[int(np.argmax(length))], shapely.union_all(thick))


def _lines(start: Floats, end: Floats, held: Bools, turn_deg: float, line_mm: float) -> tuple[Floats, Floats, float]:
    """Lines (n, 2, 2) across a footprint in one direction that are held at both ends, their lengths and spacing."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[cos, -sin], [sin, cos]])
    a, b = start @ turn, end @ turn
    low, high = float(a[:, 1].min()), float(a[:, 1].max())
    count = int(np.clip(np.ceil((high - low) / line_mm), 3, _SCANS))
    spacing = (high - low) / count
    y = low + spacing * (np.arange(count, dtype=np.float64) + 0.5)
    row, edge, x = _crossed(a, b, y)
    order = np.lexsort((x, row))
    row, x, edge = row[order], x[order], edge[order]
    first, last = slice(0, len(x) - 1, 2), slice(1, len(x), 2)
    both = held[edge[first]] & held[edge[last]] & (x[last] > x[first])
    rows = y[row[first]][both]
    ends = np.stack([np.column_stack([x[first][both], rows]), np.column_stack([x[last][both], rows])], axis=1)
    return ends @ turn.T, x[last][both] - x[first][both], spacing


def _crossed(start: Floats, end: Floats, y: Floats) -> tuple[Ints, Ints, Floats]:
    """Where level lines cross edges: line, edge and x."""
    row, edge = np.nonzero((start[None, :, 1] <= y[:, None]) != (end[None, :, 1] <= y[:, None]))
    share = (y[row] - start[edge, 1]) / (end[edge, 1] - start[edge, 1])
    return row, edge, start[edge, 0] + share * (end[edge, 0] - start[edge, 0])


def _raster(region: shapely.Geometry, low: Floats, pitch_mm: float, shape: tuple[int, int]) -> Bools:
    """Cells whose middle a region holds, and those that its outline passes through."""
    grid = np.zeros(shape, dtype=np.int64)
    rows = np.arange(shape[0], dtype=np.float64) + 0.5
    for ring in shapely.get_rings(shapely.get_parts(region)):
        points = (shapely.get_coordinates(ring) - low) / pitch_mm
        row, _, x = _crossed(points[:-1], points[1:], rows)
        column = np.ceil(x - 0.5).astype(int)
        np.add.at(grid, (row, np.clip(column, 0, shape[1] - 1)), 1)
    solid: Bools = np.cumsum(grid, axis=1) % 2 == 1
    passed = shapely.get_coordinates(shapely.boundary(region).segmentize(pitch_mm / 2)) if not region.is_empty else None
    if passed is not None:
        column, row = ((passed - low) / pitch_mm).astype(int).T
        solid[np.clip(row, 0, shape[0] - 1), np.clip(column, 0, shape[1] - 1)] = True
    return solid
