"""A flat mechanism as a plane model: force, energy, strains and first contact over its stroke.

The outline of a layer is divided into triangles, its fixed region held and its moving region
carried along the declared motion in a few steps.  The flexures are read by section: in each,
stretch and bending are fitted to the strains of the triangles there, so that what is judged hardly
depends on the mesh.  Roots take a notch factor from a handbook instead of the model's own corner.

The model is made as drawn and as laid, that is with the widths that lines of the printer can give
and with the first layer squashed, on the same triangles; a coarser mesh tells how much of the
numbers is the mesh's.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from reviewkit.errors import SetupError
from reviewkit.limits import Limits
from reviewkit.measure.beams import notch_factors
from reviewkit.measure.layers import Ints
from reviewkit.measure.plane_solid import PlaneSolid
from reviewkit.measure.triangles import SizeField, Triangles, straightened, triangulated, wall_widths
from reviewkit.model import Floats, Setup

# Spacing of the samples of an outline over the smallest width that they must show [-].
_SAMPLES_ACROSS = 0.7
# Sections along a flexure, and half the length of the window of each over the width there [-].
_SECTIONS = 61
_WINDOW = 1.5
# Places between rest and the end of the look-ahead where contact is tried, and halvings of the first that touches.
_CONTACT_TRIES = 24
_CONTACT_HALVINGS = 10
# Within this many widths of a flexure no region holds a node, so that roots give as they do in the part [-].
_RELEASED = 2.0
# Nodes this near to the edge of a region belong to it [mm].
_ON_EDGE_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Strip:
    """One flexure of a mechanism.

    Parameters
    ----------
    name : str
    line_mm : (n, 2) float
        Its centre line, from face to face of what it joins [mm].
    widths_mm : (n,) float
        Width at each point of the line [mm].
    root_radii_mm : (float, float)
        Fillet at each end, 0 sharp, nan unknown [mm].
    """

    name: str
    line_mm: Floats
    widths_mm: Floats
    root_radii_mm: tuple[float, float] = (0.0, 0.0)

    @cached_property
    def passed_mm(self) -> Floats:
        """Length along the line up to each of its points (n,) [mm]."""
        return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self.line_mm, axis=0), axis=1))])

    @property
    def length_mm(self) -> float:
        """Length from face to face [mm]."""
        return float(self.passed_mm[-1])

    @cached_property
    def width_mm(self) -> float:
        """Width between the roots, median by length [mm]."""
        return float(np.median(np.interp(np.linspace(0, self.length_mm, 201), self.passed_mm, self.widths_mm)))


@dataclass(frozen=True)
class Translation:
    """A region that moves without turning.

    Parameters
    ----------
    direction : (float, float)
        Where it goes, of any length [-].
    stroke_mm : float
        How far [mm].
    sideways_free : bool
        Whether it may drift across the direction.
    """

    direction: tuple[float, float]
    stroke_mm: float
    sideways_free: bool = True


@dataclass(frozen=True)
class Rotation:
    """A region that turns.

    Parameters
    ----------
    centre_mm : (float, float)
        About what point [mm].
    stroke_deg : float
        How far, anticlockwise [deg].
    """

    centre_mm: tuple[float, float]
    stroke_deg: float


@dataclass(frozen=True, eq=False)
class FlatMechanism:
    """What a plane model is made of.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Matter at the height of the flexures, with coordinates in mm.
    depth_mm : float
        Thickness out of the plane [mm].
    modulus_MPa : float
        Young's modulus within the plane [MPa].
    poisson : float
        Poisson's ratio [-].
    fixed, moving : shapely geometry
        What is held, and what the motion carries, with coordinates in mm.
    motion : Translation or Rotation
    strips : sequence of Strip
        The flexures.
    depths : sequence of (shapely geometry, float), optional
        Regions that are thicker or thinner, the last that holds a place counts [mm].
    first_layer_mm : float
        Thickness of the first layer where the flexures stand on the plate, else 0 [mm].
    """

    outline: Polygon | MultiPolygon
    depth_mm: float
    modulus_MPa: float  # noqa: N815
    poisson: float
    fixed: BaseGeometry
    moving: BaseGeometry
    motion: Translation | Rotation
    strips: Sequence[Strip]
    depths: Sequence[tuple[BaseGeometry, float]] = ()
    first_layer_mm: float = 0.0


@dataclass(frozen=True)
class PlaneSettings:
    """How a plane model is made; each value is a row of the tables.

    Parameters
    ----------
    outline_step_mm, outline_kept_mm : float
        By which short edges are straightened, and from what length edges stay [mm].
    size, size_strip, size_root, size_growth, coarser : float
        Element over width of matter, of flexures and at their roots, growth, and the second mesh over the first [-].
    size_least_mm, size_most_mm : float
        Bounds of the elements [mm].
    steps : int
        Of the stroke [-].
    look_ahead : float
        Share of the stroke to which contact is looked for [-].
    touch_mm : float
        Overlap that counts as contact [mm].
    line_least_mm, line_most_mm, stretched_up_to_mm : float
        Widths to which a line is laid, and walls that consist of lines alone [mm].
    squash_mm : float
        Bulge of the first layer on each side [mm].
    strain_most : float
        Up to which the law of the model holds [-].
    """

    outline_step_mm: float
    outline_kept_mm: float
    size: float
    size_strip: float
    size_root: float
    size_growth: float
    coarser: float
    size_least_mm: float
    size_most_mm: float
    steps: int
    look_ahead: float
    touch_mm: float
    line_least_mm: float
    line_most_mm: float
    stretched_up_to_mm: float
    squash_mm: float
    strain_most: float


@dataclass(frozen=True, eq=False)
class StripResult:
    """What a flexure goes through, at the k steps of the stroke.

    Parameters
    ----------
    name : str
    width_mm : float
        Width in this model, between the roots [mm].
    along_mm : (s,) float
        Places of the sections along its line, one width and more from its ends [mm].
    membrane, bending : (k, s) float
        Stretch of the middle, and strain of the outer fibre on its left from bending [-].
    nominal : (k,) float
        Largest sum of both sizes over sections and roots [-].
    root_membrane, root_bending : (k, 2) float
        At each end where its fillet begins, or at the face, drawn out from the sections [-].
    root_strain : (k, 2) float
        At each end with notch factors; nan where the root is sharp or unknown [-].
    root_points_mm : (2, 2) float
        Where that is [mm].
    peak_point_mm : (2,) float
        Where the nominal strain is largest at the end of the stroke [mm].
    energy_share : float
        Its part of the energy at the end of the stroke [-].
    bulge : float
        Strain in the squashed first layer over the strain above it [-].
    """

    name: str
    width_mm: float
    along_mm: Floats
    membrane: Floats
    bending: Floats
    nominal: Floats
    root_membrane: Floats
    root_bending: Floats
    root_strain: Floats
    root_points_mm: Floats
    peak_point_mm: Floats
    energy_share: float
    bulge: float


@dataclass(frozen=True, eq=False)
class Contact:
    """Where two parts of the outline touch first.

    Parameters
    ----------
    stroke : float
        In degrees for a rotation [mm, deg].
    points_mm : (2, 2) float
        Both sides, as drawn [mm].
    beyond : bool
        Whether it lies past the declared stroke, found by drawing the motion out.
    """

    stroke: float
    points_mm: Floats
    beyond: bool


@dataclass(frozen=True, eq=False)
class PlaneResult:
    """A mechanism over its stroke, rest first, k places in all.

    Parameters
    ----------
    stroke : (k,) float
        In degrees for a rotation [mm, deg].
    force : (k,) float
        That the motion takes, against it positive; a moment for a rotation [N, N mm].
    energy_N_mm : (k,) float
        Stored [N mm].
    stiffness : float
        At rest; for a rotation in N mm a degree [N/mm, N mm/deg].
    strips : tuple of StripResult
    first : int
        Index of the strip with the largest strain at the end, by roots where they are known; -1 without strips.
    contact : Contact or None
        Looked for as laid only.
    nodes_mm : (n, 2) float
        As drawn or laid, corners of triangles first [mm].
    triangles : (m, 3) int
        Corners [-].
    moved_mm : (k, n, 2) float
        Displacements [mm].
    strain : (k, n) float
        Principal strain of the larger size, with its sign; at sharp corners it is the mesh's own [-].
    unknowns : int
    min_angle_deg : float
        Of the triangles [deg].
    """

    stroke: Floats
    force: Floats
    energy_N_mm: Floats  # noqa: N815
    stiffness: float
    strips: tuple[StripResult, ...]
    first: int
    contact: Contact | None
    nodes_mm: Floats
    triangles: Ints
    moved_mm: Floats
    strain: Floats
    unknowns: int
    min_angle_deg: float


@dataclass(frozen=True, eq=False)
class PlaneAnalysis:
    """A mechanism as drawn and as laid.

    Parameters
    ----------
    drawn, laid : PlaneResult
    force_error, energy_error, strain_error : float
        Difference that a coarser mesh makes at the end of the stroke, over the value [-].
    notes : tuple of str
        What limits the validity of the model, in words.
    """

    drawn: PlaneResult
    laid: PlaneResult
    force_error: float
    energy_error: float
    strain_error: float
    notes: tuple[str, ...]


def plane_settings(limits: Limits, setup: Setup) -> PlaneSettings:
    """The rows ``plane.*`` of the tables for a setup."""

    def value(name: str) -> float:
        return limits.value(f"plane.{name}", setup).value

    return PlaneSettings(
        outline_step_mm=value("outline_step"),
        outline_kept_mm=value("outline_kept"),
        size=value("size"),
        size_strip=value("size_strip"),
        size_root=value("size_root"),
        size_growth=value("size_growth"),
        coarser=value("coarser"),
        size_least_mm=value("size_least"),
        size_most_mm=value("size_most"),
        steps=int(value("steps")),
        look_ahead=value("look_ahead"),
        touch_mm=value("touch"),
        line_least_mm=value("line_least"),
        line_most_mm=value("line_most"),
        stretched_up_to_mm=value("stretched_up_to"),
        squash_mm=value("squash"),
        strain_most=value("strain_most"),
    )


def laid_width(width_mm: Floats | float, settings: PlaneSettings, lines: int | None = None) -> Floats:
    """Width that lines give to a wall: the nearest that a whole number of lines reaches.

    Parameters
    ----------
    width_mm : float or array
        As drawn [mm].
    settings : PlaneSettings
    lines : int, optional
        How many lines; those that come nearest when not given [-].

    Returns
    -------
    array
        As laid; unchanged where the wall has a core or where lines can fill it [mm].
    """
    width = np.asarray(width_mm, dtype=float)
    most = max(1, int(settings.stretched_up_to_mm / settings.line_least_mm))
    counts = np.arange(1, most + 1) if lines is None else np.array([lines])
    reached = np.clip(width[..., None], counts * settings.line_least_mm, counts * settings.line_most_mm)
    nearest = np.abs(reached - width[..., None]).argmin(axis=-1)
    laid = np.take_along_axis(reached, nearest[..., None], axis=-1)[..., 0]
    return np.where(width >= settings.stretched_up_to_mm, width, laid)


def plane_analysis(mechanism: FlatMechanism, settings: PlaneSettings) -> PlaneAnalysis:
    """Carry a mechanism through its stroke, as drawn and as laid.

    Parameters
    ----------
    mechanism : FlatMechanism
    settings : PlaneSettings

    Returns
    -------
    PlaneAnalysis

    Raises
    ------
    SetupError
        When nothing is fixed, nothing moves, nothing joins the two, or no balance is found.
    MeshError
        When the outline cannot be divided.
    """
    mechanism, turn = _along_x(_joined(mechanism, settings))
    fine = _mesh(mechanism, settings, 1.0)
    coarse = _mesh(mechanism, settings, settings.coarser)
    drawn = _carried(mechanism, settings, fine, laid=False)
    laid = _carried(mechanism, settings, fine, laid=True)
    check = _carried(mechanism, replace(settings, steps=2, look_ahead=0.0), coarse, laid=True)
    strains = [(one.nominal[-1], other.nominal[-1]) for one, other in zip(laid.strips, check.strips, strict=True)]
    largest = max((one for one, _ in strains), default=1.0)
    return PlaneAnalysis(
        drawn=_turned_back(drawn, turn),
        laid=_turned_back(laid, turn),
        force_error=abs(check.force[-1] / laid.force[-1] - 1),
        energy_error=abs(check.energy_N_mm[-1] / laid.energy_N_mm[-1] - 1),
        strain_error=max((abs(one - other) / largest for one, other in strains), default=0.0),
        notes=_notes(mechanism, settings, laid),
    )


# The mesh.


def _joined(mechanism: FlatMechanism, settings: PlaneSettings) -> FlatMechanism:
    """The mechanism with its outline straightened and only what joins the fixed and the moving region."""
    whole = straightened(mechanism.outline, settings.outline_step_mm, settings.outline_kept_mm)
    pieces = [piece for piece in shapely.get_parts(whole) if piece.area > 0]
    for region, words in ((mechanism.fixed, "fixed"), (mechanism.moving, "moving")):
        if not any(piece.intersects(region) for piece in pieces):
            raise SetupError(f"the {words} region holds no matter at the height of the flexures; mark it there")
    kept = [piece for piece in pieces if piece.intersects(mechanism.fixed) and piece.intersects(mechanism.moving)]
    if not kept:
        raise SetupError("nothing joins the fixed and the moving region at the height of the flexures")
    for strip in mechanism.strips:
        line = LineString(strip.line_mm)
        if line.intersection(whole).length < line.length / 2:
            raise SetupError(f"flexure {strip.name!r} holds no matter at the height of the flexures; check its place")
    return replace(mechanism, outline=kept[0] if len(kept) == 1 else MultiPolygon(kept))


def _mesh(mechanism: FlatMechanism, settings: PlaneSettings, factor: float) -> Triangles:
    """Triangles as fine as the widths ask, finer at the roots of the flexures."""
    thinnest_mm = min((strip.width_mm for strip in mechanism.strips), default=np.inf)
    low_x, low_y, high_x, high_y = mechanism.outline.bounds
    spacing_mm = min(max(high_x - low_x, high_y - low_y) / 200, _SAMPLES_ACROSS * thinnest_mm)
    points, widths = wall_widths(mechanism.outline, spacing_mm)
    wall = np.isfinite(widths)
    seeds, sizes = [points[wall]], [widths[wall] * settings.size]
    for strip in mechanism.strips:
        places = np.linspace(0, strip.length_mm, int(np.ceil(2 * strip.length_mm / strip.width_mm)) + 1)
        seeds.append(np.array([_point_at(strip, place) for place in places]))
        sizes.append(np.full(len(places), strip.width_mm * settings.size_strip))
        for end, beside in ((0, 1), (-1, -2)):
            along = strip.line_mm[beside] - strip.line_mm[end]
            across = np.array([-along[1], along[0]]) / np.linalg.norm(along) * strip.width_mm / 2
            seeds.append(np.array([strip.line_mm[end] + across, strip.line_mm[end] - across]))
            sizes.append(np.full(2, strip.width_mm * settings.size_root))
    least_mm = min(settings.size_least_mm, thinnest_mm / 4)
    field = SizeField(
        np.vstack(seeds), factor * np.concatenate(sizes), settings.size_growth, factor * least_mm, settings.size_most_mm
    )
    return triangulated(mechanism.outline, field)


@dataclass(frozen=True, eq=False)
class _Places:
    """Points by a strip: how far along it, how far to its left, and which of them are its own."""

    along_mm: Floats
    left_mm: Floats
    direction: Floats
    within: NDArray[np.bool_]


def _beside(strip: Strip, points: Floats, reach: float) -> _Places:
    """Where points lie by a strip; its own lie within `reach` half widths of its line."""
    line, run = strip.line_mm, np.diff(strip.passed_mm)
    unit = np.diff(line, axis=0) / run[:, None]
    places = _Places(
        np.zeros(len(points)), np.zeros(len(points)), np.zeros((len(points), 2)), np.zeros(len(points), dtype=bool)
    )
    far = reach * strip.widths_mm.max() / 2 + _ON_EDGE_MM
    near = np.flatnonzero(((points >= line.min(axis=0) - far) & (points <= line.max(axis=0) + far)).all(axis=1))
    if not len(near):
        return places
    from_start = points[near, None] - line[None, :-1]
    along = (from_start * unit).sum(axis=2)
    left = from_start[..., 1] * unit[:, 0] - from_start[..., 0] * unit[:, 1]
    outside = np.maximum(np.maximum(-along, along - run), 0.0)
    distance = np.hypot(left, outside)
    best = distance.argmin(axis=1)
    chosen = (np.arange(len(near)), best)
    past = ((best == 0) & (along[:, 0] < -1e-9)) | ((best == len(run) - 1) & (along[:, -1] > run[-1] + 1e-9))
    places.along_mm[near] = strip.passed_mm[best] + np.clip(along[chosen], 0, run[best])
    places.left_mm[near] = left[chosen]
    places.direction[near] = unit[best]
    width = np.interp(places.along_mm[near], strip.passed_mm, strip.widths_mm)
    places.within[near] = (distance[chosen] <= reach * width / 2 + _ON_EDGE_MM) & ~past
    return places


def _laid_offsets(strips: Sequence[Strip], points: Floats, settings: PlaneSettings) -> Floats:
    """How nodes move so that each strip gets its laid width; the blocks that it joins keep their place."""
    offset = np.zeros_like(points)
    for strip in strips:
        lines = _lines(strip, settings)
        places = _beside(strip, points, 2.0)
        width = np.interp(places.along_mm, strip.passed_mm, strip.widths_mm)
        # Fillets carry the change of width of the strip between them.
        narrow = np.minimum(width, strip.width_mm * 1.05)
        change = (laid_width(narrow, settings, lines) - narrow) / 2
        share = np.clip(2 * places.left_mm / narrow, -1.0, 1.0)
        beyond = np.clip(2 * np.abs(places.left_mm) / narrow - 1.0, 0.0, 1.0)
        normal = np.column_stack([-places.direction[:, 1], places.direction[:, 0]])
        moved = normal * (change * share * (1.0 - beyond))[:, None]
        offset[places.within] = moved[places.within]
    return offset


def _lines(strip: Strip, settings: PlaneSettings) -> int | None:
    """How many lines lie side by side in a strip; none where it has a core."""
    if strip.width_mm >= settings.stretched_up_to_mm:
        return None
    laid_mm = float(laid_width(strip.width_mm, settings))
    counts = np.arange(1, int(settings.stretched_up_to_mm / settings.line_least_mm) + 1)
    return int(counts[np.abs(laid_mm / counts - (settings.line_least_mm + settings.line_most_mm) / 2).argmin()])


# The run.


def _carried(mechanism: FlatMechanism, settings: PlaneSettings, mesh: Triangles, *, laid: bool) -> PlaneResult:
    strips = mechanism.strips
    if laid:
        offsets = _laid_offsets(strips, mesh.points_mm, settings)
        mesh = Triangles(mesh.points_mm + offsets, mesh.corners)
        strips = [
            replace(strip, widths_mm=laid_width(strip.widths_mm, settings, _lines(strip, settings)))
            if strip.width_mm < settings.stretched_up_to_mm
            else strip
            for strip in strips
        ]
    middles = mesh.points_mm[mesh.corners].mean(axis=1)
    owner = np.full(len(middles), -1)
    for index, strip in enumerate(strips):
        owner[_beside(strip, middles, 1.0).within] = index
    depth, bulge = _depths(mechanism, strips, middles, owner, settings.squash_mm if laid else 0.0)
    solid = PlaneSolid(mesh, depth, mechanism.modulus_MPa, mechanism.poisson)
    drive = _Drive(mechanism, solid, owner)
    shares = np.linspace(0, 1, settings.steps + 1)
    states = solid.path(drive.held, np.array([drive.at(share) for share in shares[1:]]))
    moved = np.concatenate([np.zeros((1, *solid.nodes_mm.shape)), states.moved_mm])
    results, strain = _strains(solid, strips, moved, owner, bulge)
    force = np.array([0.0, *(drive.force(step, at) for step, at in zip(states.force_N, shares[1:], strict=True))])
    return PlaneResult(
        stroke=drive.stroke * shares,
        force=force,
        energy_N_mm=np.concatenate([[0.0], states.energy_N_mm]),
        stiffness=_stiffness(solid, drive),
        strips=results,
        first=_first(results),
        contact=_contact(solid, moved, drive.stroke * shares, settings) if laid and settings.look_ahead else None,
        nodes_mm=solid.nodes_mm,
        triangles=mesh.corners,
        moved_mm=moved,
        strain=strain,
        unknowns=solid.nodes_mm.size - len(drive.held),
        min_angle_deg=mesh.min_angle_deg,
    )


class _Drive:
    """Which freedoms of a solid are held and where they go; a translation goes along x."""

    def __init__(self, mechanism: FlatMechanism, solid: PlaneSolid, owner: Ints) -> None:
        points = shapely.points(solid.nodes_mm)
        free = np.zeros(len(points), dtype=bool)
        for strip in mechanism.strips:
            free |= shapely.dwithin(points, LineString(strip.line_mm), _RELEASED * strip.width_mm)
        fixed = shapely.dwithin(points, mechanism.fixed, _ON_EDGE_MM) & ~free
        moving = shapely.dwithin(points, mechanism.moving, _ON_EDGE_MM) & ~fixed & ~free
        fixed, moving = _of_bodies(solid, owner, fixed, moving)
        for nodes, words in ((fixed, "fixed"), (moving, "moving")):
            if nodes.sum() < 2:
                raise SetupError(f"the {words} region holds no matter at the height of the flexures; mark it there")
        self._motion = mechanism.motion
        self._still, self._nodes = np.flatnonzero(fixed), np.flatnonzero(moving)
        self._places = solid.nodes_mm[self._nodes]
        self._only_along = isinstance(self._motion, Translation) and self._motion.sideways_free
        turns = isinstance(self._motion, Rotation)
        self.stroke = self._motion.stroke_deg if isinstance(self._motion, Rotation) else self._motion.stroke_mm
        self.unit_stroke = np.radians(1.0) if turns else 1.0
        carried = [2 * self._nodes] if self._only_along else [2 * self._nodes, 2 * self._nodes + 1]
        self.held = np.concatenate([2 * self._still, 2 * self._still + 1, *carried])

    def at(self, share: float) -> Floats:
        """Places of the held freedoms at a share of the stroke."""
        return self._all(self._carried(share))

    def rate(self) -> Floats:
        """Places of the held freedoms for a small stroke of one mm or degree."""
        if isinstance(self._motion, Rotation):
            arm = self._places - np.array(self._motion.centre_mm)
            return self._all(np.radians(1.0) * np.column_stack([-arm[:, 1], arm[:, 0]]))
        return self._all(np.tile([1.0, 0.0], (len(self._nodes), 1)))

    def force(self, nodal_force: Floats, share: float) -> float:
        """What the motion takes at a share of the stroke: a force along it, or a moment."""
        force = nodal_force[self._nodes]
        if isinstance(self._motion, Rotation):
            arm = self._places + self._carried(share) - np.array(self._motion.centre_mm)
            return float((arm[:, 0] * force[:, 1] - arm[:, 1] * force[:, 0]).sum())
        return float(force[:, 0].sum())

    def _carried(self, share: float) -> Floats:
        if isinstance(self._motion, Rotation):
            angle = np.radians(share * self.stroke)
            arm = self._places - np.array(self._motion.centre_mm)
            turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            return np.asarray(arm @ turn.T - arm)
        return np.tile([share * self.stroke, 0.0], (len(self._nodes), 1))

    def _all(self, carried: Floats) -> Floats:
        along = carried[:, 0] if self._only_along else carried.T.ravel()
        return np.concatenate([np.zeros(2 * len(self._still)), along])


def _of_bodies(
    solid: PlaneSolid, owner: Ints, fixed: NDArray[np.bool_], moving: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Nodes of the body that the moving region holds most of, and fixed ones of the others.

    Bodies are what is left without the flexures; a generous region must not seize its neighbours.
    """
    rest = np.flatnonzero(owner < 0)
    corners = solid.triangles.corners[rest]
    holds = csr_array((np.ones(corners.size), (np.repeat(np.arange(len(rest)), 3), corners.ravel())))
    _, body = connected_components(holds @ holds.T, directed=False)
    of_node = np.full(len(solid.nodes_mm), -1)
    of_node[solid.elements[rest].ravel()] = np.repeat(body, 6)
    held = moving & (of_node >= 0)
    if not held.any():
        return fixed, moving
    seized = moving[solid.elements[rest]].all(axis=1)
    area = np.bincount(body[seized], solid.volume_mm3[rest][seized].sum(axis=1), body.max() + 1)
    most = int(area.argmax()) if seized.any() else int(np.bincount(of_node[held]).argmax())
    own = of_node == most
    # Where no flexure parts them, the regions alone say what is held.
    return (fixed, moving) if (fixed & own).any() else (fixed, moving & own)


def _depths(
    mechanism: FlatMechanism, strips: Sequence[Strip], middles: Floats, owner: Ints, squash_mm: float
) -> tuple[Floats, Floats]:
    """Depth of each triangle, that of a strip with the bending stiffness of its wider first layer; strains there."""
    depth = np.full(len(middles), mechanism.depth_mm)
    for region, depth_mm in mechanism.depths:
        depth[shapely.contains_xy(region, *middles.T)] = depth_mm
    bulge = np.ones(len(strips))
    if mechanism.first_layer_mm > 0 and squash_mm > 0:
        bulge += 2 * squash_mm / np.array([strip.width_mm for strip in strips]).reshape(-1)
        of_strip = owner >= 0
        depth[of_strip] += mechanism.first_layer_mm * (bulge[owner[of_strip]] ** 3 - 1)
    return depth, bulge


def _stiffness(solid: PlaneSolid, drive: _Drive) -> float:
    """Force or moment for a small stroke of one mm or degree."""
    _, force = solid.linear(drive.held, drive.rate())
    return drive.force(force, 0.0)


def _strains(
    solid: PlaneSolid, strips: Sequence[Strip], moved: Floats, owner: Ints, bulge: Floats
) -> tuple[tuple[StripResult, ...], Floats]:
    """What each strip goes through, and the principal strain of the larger size on all nodes."""
    field = np.zeros(moved.shape[:2])
    green = np.zeros((len(moved), *solid.volume_mm3.shape, 3))
    energy = solid.energy(moved[-1])
    for step in range(1, len(moved)):
        green[step] = solid.strain(moved[step])
        xx, yy, xy = (solid.on_nodes(green[step, ..., component]) for component in range(3))
        middle, radius = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy / 2)
        field[step] = middle + np.copysign(radius, middle)
    results = []
    for index, strip in enumerate(strips):
        own = owner == index
        share = float(energy[own].sum() / max(energy.sum(), 1e-300))
        places = solid.places_mm[own].reshape(-1, 2)
        weight = solid.volume_mm3[own].ravel()
        results.append(_read(strip, places, weight, green[:, own].reshape(len(moved), -1, 3), share, bulge[index]))
    return tuple(results), field


def _read(strip: Strip, places: Floats, weight: Floats, green: Floats, share: float, bulge: float) -> StripResult:
    """Stretch and bending of a strip by sections, and at its roots."""
    beside = _beside(strip, places, 2.0)
    tx, ty = beside.direction.T
    along = green[..., 0] * tx**2 + green[..., 1] * ty**2 + green[..., 2] * tx * ty
    stretch = np.sqrt(1 + 2 * along) - 1
    width, length = strip.width_mm, strip.length_mm
    fillets = np.minimum(np.nan_to_num(np.array(strip.root_radii_mm)), 0.35 * length)
    first, last = np.minimum(np.maximum(width, fillets), 0.45 * length)
    sections = np.linspace(first, length - last, _SECTIONS)
    ends = np.minimum(np.maximum(fillets, width / 2), 0.4 * length)
    clear = (beside.along_mm >= ends[0]) & (beside.along_mm <= length - ends[1])
    if clear.sum() < 12:
        clear[:] = True
    # A flexure of a piece that the motion does not reach has no triangles and no strain.
    membrane, bending = _fitted(
        sections, strip, beside.along_mm[clear], beside.left_mm[clear], weight[clear], stretch[:, clear]
    )
    root_at = np.array([fillets[0], length - fillets[1]])
    root_membrane, root_bending = (
        np.column_stack([_drawn_out(sections, values, place, 4 * width) for place in root_at])
        for values in (membrane, bending)
    )
    total, root_total = np.abs(membrane) + np.abs(bending), np.abs(root_membrane) + np.abs(root_bending)
    factors = [notch_factors(radius, width) for radius in strip.root_radii_mm]
    root_strain = np.abs(root_membrane) * [one.tension for one in factors]
    root_strain = root_strain + np.abs(root_bending) * [one.bending for one in factors]
    points = [_point_at(strip, place) for place in root_at]
    at_root = root_total[-1].max() >= total[-1].max()
    peak = points[int(root_total[-1].argmax())] if at_root else _point_at(strip, float(sections[total[-1].argmax()]))
    return StripResult(
        name=strip.name,
        width_mm=width,
        along_mm=sections,
        membrane=membrane,
        bending=bending,
        nominal=np.maximum(total.max(axis=1), root_total.max(axis=1)),
        root_membrane=root_membrane,
        root_bending=root_bending,
        root_strain=root_strain,
        root_points_mm=np.array(points),
        peak_point_mm=peak,
        energy_share=share,
        bulge=float(bulge),
    )


def _fitted(
    sections: Floats, strip: Strip, along: Floats, left: Floats, weight: Floats, stretch: Floats
) -> tuple[Floats, Floats]:
    """Strain of the middle and of the outer fibre by least squares over a window about each section (k, s)."""
    membrane, bending = np.zeros((len(stretch), len(sections))), np.zeros((len(stretch), len(sections)))
    half = _WINDOW * strip.width_mm
    if not len(along):
        return membrane, bending
    for index, place in enumerate(sections):
        reach = half
        near = np.abs(along - place) < reach
        while near.sum() < 8 and reach < strip.length_mm:
            reach *= 1.5
            near = np.abs(along - place) < reach
        run = along[near] - place
        terms = np.column_stack([np.ones_like(run), run, left[near], left[near] * run])
        root = np.sqrt(weight[near])
        found = np.linalg.lstsq(terms * root[:, None], stretch[:, near].T * root[:, None], rcond=None)[0]
        membrane[:, index] = found[0]
        bending[:, index] = found[2] * np.interp(place, strip.passed_mm, strip.widths_mm) / 2
    return membrane, bending


def _drawn_out(sections: Floats, values: Floats, place: float, reach: float) -> Floats:
    """Values (k,) at a place, on the straight line through the sections next to it."""
    near = np.abs(sections - place) <= max(reach, 3 * (sections[1] - sections[0]))
    if near.sum() < 3:
        near = np.argsort(np.abs(sections - place))[:3]
    slope, level = np.polyfit(sections[near] - place, values[:, near].T, 1)
    del slope
    return np.asarray(level)


def _point_at(strip: Strip, along_mm: float) -> Floats:
    return np.array([np.interp(along_mm, strip.passed_mm, strip.line_mm[:, axis]) for axis in (0, 1)])


def _first(strips: Sequence[StripResult]) -> int:
    if not strips:
        return -1
    roots = np.array([strip.root_strain[-1].max() for strip in strips])
    return int(np.argmax(roots if np.isfinite(roots).all() else [strip.nominal[-1] for strip in strips]))


# Contact.


def _contact(solid: PlaneSolid, moved: Floats, stroke: Floats, settings: PlaneSettings) -> Contact | None:
    """First overlap of the moved outline with itself, on curves through the steps."""
    shares = np.linspace(0, 1, len(moved))
    curve = CubicSpline(shares, moved)
    beside = _neighbours(solid)

    def touch(share: float) -> tuple[Floats, Floats] | None:
        return _overlap(solid, curve(share), beside, settings.touch_mm)

    clear, found = 0.0, None
    for share in np.linspace(0, settings.look_ahead, _CONTACT_TRIES + 1)[1:]:
        found = touch(share)
        if found is not None:
            break
        clear = share
    if found is None:
        return None
    late = float(share)
    for _ in range(_CONTACT_HALVINGS):
        middle = (clear + late) / 2
        earlier = touch(middle)
        if earlier is None:
            clear = middle
        else:
            late, found = middle, earlier
    return Contact(float(late * stroke[-1]), np.array(found), bool(late > 1))


def _neighbours(solid: PlaneSolid) -> csr_array:
    """Corners (columns) of the triangles that hold a node (rows)."""
    count, triangle = len(solid.nodes_mm), np.arange(len(solid.elements))
    holds = csr_array(
        (np.ones(solid.elements.size), (solid.elements.ravel(), np.repeat(triangle, 6))), (count, len(triangle))
    )
    corner = csr_array(
        (np.ones(solid.triangles.corners.size), (np.repeat(triangle, 3), solid.triangles.corners.ravel())),
        (len(triangle), count),
    )
    return holds @ corner


def _overlap(solid: PlaneSolid, moved: Floats, beside: csr_array, touch_mm: float) -> tuple[Floats, Floats] | None:
    """A node of the outline that lies inside matter where it did not grow, and what it lies in, both as drawn."""
    at, corners = solid.nodes_mm + moved, solid.triangles.corners
    outline = np.unique(solid.outline_edges)
    node, triangle = shapely.STRtree(shapely.polygons(at[corners])).query(shapely.points(at[outline]), "within")
    node = outline[node]
    grown = np.array([beside[node, corners[triangle, side]] for side in range(3)]) > 0
    away = ~grown.reshape(3, -1).any(axis=0)
    node, triangle = node[away], triangle[away]
    if not len(node):
        return None
    edges = shapely.linestrings(at[solid.outline_edges[:, :2]])
    side = {tuple(sorted(pair)): index for index, pair in enumerate(solid.outline_edges[:, :2].tolist())}
    deepest, best = touch_mm, None
    for point, element in zip(node, triangle, strict=True):
        a, b, c = corners[element].tolist()
        own = [side[pair] for pair in map(tuple, map(sorted, ((a, b), (b, c), (a, c)))) if pair in side]
        depth = min((shapely.distance(edges[edge], shapely.Point(at[point])) for edge in own), default=np.inf)
        if depth >= deepest:
            deepest, best = depth, (int(point), int(element))
    if best is None:
        return None
    point, element = best
    triangle_at = at[corners[element]]
    share = np.linalg.solve(np.vstack([triangle_at.T, np.ones(3)]), np.append(at[point], 1.0))
    return solid.nodes_mm[point], share @ solid.nodes_mm[corners[element]]


# Frames and notes.


def _along_x(mechanism: FlatMechanism) -> tuple[FlatMechanism, Floats]:
    """The mechanism turned so that a translation goes along x, and the matrix that turned it."""
    if isinstance(mechanism.motion, Rotation):
        return mechanism, np.eye(2)
    length = np.hypot(*mechanism.motion.direction)
    if length == 0:
        raise SetupError("the motion has no direction within the layers; give one")
    x, y = np.array(mechanism.motion.direction) / length
    turn = np.array([[x, y], [-y, x]])

    def turned(shape: BaseGeometry) -> BaseGeometry:
        return shapely.transform(shape, lambda points: points @ turn.T)

    return (
        replace(
            mechanism,
            outline=turned(mechanism.outline),
            fixed=turned(mechanism.fixed),
            moving=turned(mechanism.moving),
            strips=[replace(strip, line_mm=strip.line_mm @ turn.T) for strip in mechanism.strips],
            depths=[(turned(region), depth_mm) for region, depth_mm in mechanism.depths],
        ),
        turn,
    )


def _turned_back(result: PlaneResult, turn: Floats) -> PlaneResult:
    contact = result.contact
    return replace(
        result,
        strips=tuple(
            replace(
                strip,
                root_points_mm=strip.root_points_mm @ turn,
                peak_point_mm=strip.peak_point_mm @ turn,
            )
            for strip in result.strips
        ),
        contact=None if contact is None else replace(contact, points_mm=contact.points_mm @ turn),
        nodes_mm=result.nodes_mm @ turn,
        moved_mm=result.moved_mm @ turn,
    )


def _notes(mechanism: FlatMechanism, settings: PlaneSettings, result: PlaneResult) -> tuple[str, ...]:
    notes = []
    largest = max((strip.nominal.max() for strip in result.strips), default=0.0)
    if largest > settings.strain_most:
        notes.append(
            f"strain reaches {100 * largest:.2g} %; beyond {100 * settings.strain_most:.2g} % "
            "plastic yields or stiffens and the numbers are a guide only"
        )
    if result.contact is not None and not result.contact.beyond:
        notes.append(
            f"parts touch at {result.contact.stroke:.3g} of {result.stroke[-1]:.3g}; forces past that are too low"
        )
    deep = [strip.name for strip in mechanism.strips if mechanism.depth_mm > 5 * strip.length_mm]
    if deep:
        notes.append(f"{', '.join(deep)}: much deeper than long, so the force is up to 1/(1 - nu2) higher")
    return tuple(notes)
