"""Thin necks that hold a piece: where, how thin, what would part there, and the stress that loads put on them.

A part is sliced in many directions.  Where a slice is small and the matter grows on both sides of it,
or stands out far on one side, there is a neck.  All necks are then cut at once; the lumps left and
the necks between them are a net, in which the least total section that parts a lump from the rest is
found.  So a piece behind several necks is told together with all of them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from scipy.optimize import minimize
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, maximum_flow

from reviewkit.limits import Limits
from reviewkit.measure.layers import Layers, sections
from reviewkit.measure.pieces import Ints, Stack, area_moments, principal_moments, stacked
from reviewkit.measure.sections import strength_share
from reviewkit.measure.small_parts import islands_near
from reviewkit.model import Floats, Limit, Setup

# Slices stand this far apart, or in so many over the part's length: along its sides, and in other directions.
_STEP_MM, _PLANES = 0.5, (320, 160)
_LEVELS = 100
# Beside the sides of the part so many directions are sliced; none is further from one than this.
_SIDES, _SIDE_DEG, _COVER_DEG = 4, 8.0, 25.0
_SAME_AREA, _ASLANT = 1.05, 1.5
# Sections narrower than this are rounding; necks cut at most, the smallest first, and lumps that are no dust.
_SPECK_MM, _MOST_NECKS, _DUST_MM3 = 0.1, 120, 0.02
# A join that nothing breaks, in thousandths of mm2; how often necks are chosen again.
_FAST, _ROUNDS = 500_000_000, 3
# How far matter may flare on both sides of a neck within the thickness that is cut, over that thickness.
_FLARE, _WIDER_MM = 1.7, 0.05
_ROOT_MM = 0.25
# A pin is told from at least so many slices.
_PIN_SLICES, _SAME_ROOT = 2.5, 0.95
# How a neck's plane is turned and shifted to its least section.
_MOST_TURN_DEG, _LEAN, _TRIES = 40.0, 0.3, 70
_BETTER = 0.999
# Points a side at which a neck is asked for the lumps beside it.
_LOOKS = 7
_HEAP_STEPS = 24
# Elastic over plastic twisting strength: 0.59 to 0.64 for rectangles, 0.75 for a disc, whose compactness is 1.
_ELASTIC, _ELASTIC_DISC, _COMPACT = 0.6, 0.75, 0.8
# Greatest shear in a square bar of side s under a torque T is T / (0.208 s^3).
_SQUARE = 0.208

GROUPS = ("infant", "toddler", "child")


@dataclass(frozen=True, eq=False)
class Neck:
    """A thin section that holds a piece; plate frame.

    Parameters
    ----------
    centre_mm : (3,) float
        Its middle [mm].
    frame : (3, 3) float
        Unit directions as rows: two in its plane, the third square to it, away from the main part [-].
    section : Polygon
        Its outline in its plane, about its middle [mm].
    """

    centre_mm: Floats
    frame: Floats
    section: shapely.Polygon

    @property
    def area_mm2(self) -> float:
        """Area [mm2]."""
        return float(self.section.area)

    @property
    def outline(self) -> Floats:
        """Corners of its outline in the plate frame, (n, 3) float [mm]."""
        flat = shapely.get_coordinates(self.section)
        return np.asarray(flat @ self.frame[:2] + self.centre_mm)

    @cached_property
    def least_second_moment_mm4(self) -> float:
        """Least second moment about its middle [mm4]."""
        weak, _ = principal_moments(area_moments(np.array([self.section], dtype=object)))
        return float(weak[0])

    @cached_property
    def sides_mm(self) -> tuple[float, float]:
        """Shorter and longer side of the smallest rectangle around it [mm]."""
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(self.section))
        sides = sorted(np.hypot(*np.diff(box[:3], axis=0).T).tolist()) if len(box) > 3 else [0.0, 0.0]
        return sides[0], sides[1]

    @cached_property
    def bending_mm3(self) -> float:
        """Least section modulus in bending [mm3]."""
        area, x, y, xx, yy, xy = area_moments(np.array([self.section], dtype=object))[0]
        xx, yy, xy = xx - x * x / area, yy - y * y / area, xy - x * y / area
        value, axes = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
        off = np.abs((shapely.get_coordinates(self.section) - (x / area, y / area)) @ axes).max(axis=0)
        return float((value / np.maximum(off, 1e-9)).min())

    @cached_property
    def twisting_mm3(self) -> float:
        """Torque over greatest shear stress, within some twentieth for solid bars [mm3].

        Notes
        -----
        A share of the fully plastic value, which is twice the volume of a sand heap on the section, level over holes
        (Nadai, from memory).  For a thin tube it is a quarter too low, on the safe side.
        """
        outer = shapely.Polygon(self.section.exterior)
        holes = shapely.MultiLineString(list(self.section.interiors))
        high = float(np.sqrt(outer.area / np.pi))
        if not holes.is_empty:
            high = min(high, float(shapely.distance(outer.exterior, holes)))
        depth = np.linspace(0.0, high, _HEAP_STEPS + 1)
        area = shapely.area(shapely.buffer(outer, -depth, join_style="mitre"))
        compact = 4 * np.pi * outer.area / outer.length**2
        elastic = np.interp(compact, (_COMPACT, 1.0), (_ELASTIC, _ELASTIC_DISC))
        return float(2 * elastic * np.trapezoid(area, depth))

    @property
    def from_z_deg(self) -> float:
        """Angle of the pull across it from the build direction: 0 parts layers, 90 runs along them [deg]."""
        return float(np.degrees(np.arccos(np.clip(abs(self.frame[2, 2]), 0.0, 1.0))))


@dataclass(frozen=True, eq=False)
class Held:
    """A piece that parts when all its necks break; plate frame.

    Parameters
    ----------
    necks : tuple of Neck
        All of them, the largest first.
    points : (n, 3) float
        Corners of the piece, its hull among them [mm].
    corners : (k,) int
        Corners of the mesh in it [-].
    volume_mm3 : float
        Of the piece [mm3].
    reach_mm : float
        How far it reaches from its necks [mm].
    """

    necks: tuple[Neck, ...]
    points: Floats
    corners: Ints
    volume_mm3: float
    reach_mm: float

    @property
    def area_mm2(self) -> float:
        """Area of all necks [mm2]."""
        return sum(neck.area_mm2 for neck in self.necks)

    @property
    def centre_mm(self) -> Floats:
        """Middle of its necks, weighed by area, (3,) float [mm]."""
        weights = np.array([neck.area_mm2 for neck in self.necks])
        return np.asarray(weights @ np.array([neck.centre_mm for neck in self.necks]) / weights.sum())


@dataclass(frozen=True)
class Search:
    """What counts as a neck that holds a piece.

    Parameters
    ----------
    widest_mm2 : float
        Necks with more area in all are not looked for [mm2].
    contrast : float
        How much more area the matter has somewhere on both sides of a neck [-].
    bulk : float
        Volume of a piece over its neck's area to the power 1.5, from which a neck holds a piece; a straight
        pin has its length over the side of its section [-].
    least_mm : float
        Pieces that reach less far from their neck are none [mm].
    reach : float
        Nor are those that reach less far than this share of the longest side of their necks: the corner of a
        thin sheet, cut aslant, reaches half as far as the cut is long [-].
    """

    widest_mm2: float
    contrast: float
    bulk: float
    least_mm: float
    reach: float = 0.0

    @classmethod
    def of(cls, limits: Limits, setup: Setup) -> "Search":
        """As the rows ``necks.*`` say."""
        names = ("widest", "contrast", "bulk", "least_piece", "least_reach")
        return cls(*(limits.value(f"necks.{name}", setup).value for name in names))


@dataclass(frozen=True)
class Abuse:
    """Loads of use and abuse, and strength of the material, from the tables.

    Parameters
    ----------
    pull_n, push_n : float
        Tension and compression [N].
    twist_nmm : float
        Torque [N mm].
    lever : float
        Where a pull from the side takes hold, as a share of the piece's reach [-].
    along_mpa : tuple of float
        Least and greatest strength along the layers [MPa].
    across : tuple of float
        Least and greatest strength across the layers over that along them [-].
    shear : float
        Shear strength between layers over the geometric mean of both [-].
    scatter_mm : float
        By how much a printed neck may be narrower or wider [mm].
    limits : tuple of Limit
        The rows used.
    """

    pull_n: float
    push_n: float
    twist_nmm: float
    lever: float
    along_mpa: tuple[float, float]
    across: tuple[float, float]
    shear: float
    scatter_mm: float
    limits: tuple[Limit, ...]

    def strength_mpa(self, from_z_deg: float) -> tuple[float, float]:
        """Least and greatest strength under pull at an angle from the build direction [MPa]."""
        low, high = (
            along * strength_share(from_z_deg, across, self.shear * float(np.sqrt(across)))
            for along, across in zip(self.along_mpa, self.across, strict=True)
        )
        return low, high

    @property
    def shear_mpa(self) -> tuple[float, float]:
        """Least and greatest shear strength between the layers, along which any twisted bar shears [MPa]."""
        low, high = (
            self.shear * along * float(np.sqrt(across))
            for along, across in zip(self.along_mpa, self.across, strict=True)
        )
        return low, high


@dataclass(frozen=True)
class Demand:
    """Stress that one load puts on the necks of a piece, against the strength there.

    Parameters
    ----------
    load : str
        ``pull``, ``push``, ``twist`` or ``side pull``.
    stress_mpa, uncertainty_mpa : float
        Greatest stress, and half-width from the scatter of the neck's width [MPa].
    strength_mpa : tuple of float
        Least and greatest strength [MPa].
    """

    load: str
    stress_mpa: float
    uncertainty_mpa: float
    strength_mpa: tuple[float, float]

    @property
    def breaks(self) -> bool:
        """Whether it breaks at the greatest strength and the widest neck."""
        return self.stress_mpa - self.uncertainty_mpa > self.strength_mpa[1]

    @property
    def holds(self) -> bool:
        """Whether it holds at the least strength and the narrowest neck."""
        return self.stress_mpa + self.uncertainty_mpa <= self.strength_mpa[0]

    @property
    def share(self) -> float:
        """Stress over the middle of the strength [-]."""
        return self.stress_mpa / (sum(self.strength_mpa) / 2)


def abuse(limits: Limits, setup: Setup, age_from_months: int | None) -> Abuse | None:
    """The most stringent loads of all age groups from an age on, and the strength of the setup's material.

    Parameters
    ----------
    limits : Limits
        With the rows ``abuse.*``, ``necks.*`` and ``load.shear_share``.
    setup : Setup
    age_from_months : int or None
        None when nobody said: then all groups.

    Returns
    -------
    Abuse or None
        None for an age that no group reaches.
    """

    def row(name: str) -> Limit:
        return limits.value(name, setup)

    groups = [name for name in GROUPS if age_from_months is None or age_from_months < row(f"abuse.{name}.until").value]
    if not groups:
        return None
    pull, push, twist = (
        max((row(f"abuse.{name}.{load}") for name in groups), key=lambda limit: limit.value)
        for load in ("pull", "push", "twist")
    )
    least, greatest = row("necks.strength_least"), row("necks.strength_greatest")
    ratio = setup.material["layer_strength_ratio"]
    return Abuse(
        pull.value, push.value, 1000 * twist.value, row("necks.lever").value, (least.value, greatest.value),
        (ratio.low, ratio.high), row("load.shear_share").value, row("necks.scatter").value,
        (pull, push, twist, least, greatest),
    )  # fmt: skip


def demands(held: Held, load: Abuse) -> tuple[Demand, ...]:
    """Stress of each load in the necks of a piece; the pull from the side last.

    Parameters
    ----------
    held : Held
    load : Abuse

    Returns
    -------
    tuple of Demand

    Notes
    -----
    Pull and push are spread over all necks by their area.  One neck is twisted about its own axis and bent by
    a pull from the side; several share a torque as forces by their distance from their middle, and a pull from
    the side is left out.  No notch is counted.  Layers pressed together do not part, so a push meets the strength
    along them.
    """
    area = held.area_mm2
    narrow_mm = min(neck.sides_mm[0] for neck in held.necks)
    spread = min(load.scatter_mm / max(narrow_mm, 1e-9), 1.0)
    across = min((load.strength_mpa(neck.from_z_deg) for neck in held.necks), key=lambda pair: pair[0])
    pull, push = load.pull_n / area, load.push_n / area
    found = [
        Demand("pull", pull, spread * pull, across),
        Demand("push", push, spread * push, load.along_mpa),
    ]
    if len(held.necks) > 1:
        arm = np.linalg.norm([neck.centre_mm - held.centre_mm for neck in held.necks], axis=1)
        areas = np.array([neck.area_mm2 for neck in held.necks])
        twist = float(load.twist_nmm * arm.max() / max(float(areas @ arm**2), 1e-9))
        return (*found, Demand("twist", twist, spread * twist, load.shear_mpa))
    (neck,) = held.necks
    twist = load.twist_nmm / max(neck.twisting_mm3, 1e-9)
    side = load.pull_n * load.lever * held.reach_mm / max(neck.bending_mm3, 1e-9)
    found.append(Demand("twist", twist, min(2 * spread, 1.0) * twist, load.shear_mpa))
    found.append(Demand("side pull", side, min(2 * spread, 1.0) * side, across))
    return tuple(found)


def holding_mm(held: Held, load: Abuse) -> tuple[float, float]:
    """Width and thickness of one neck that holds against every load at the least strength [mm].

    Parameters
    ----------
    held : Held
    load : Abuse

    Returns
    -------
    width_mm, thickness_mm : float
        A neck as wide as the thinnest one now is where that is enough, else a square one [mm].
    """
    weakest = min(load.strength_mpa(neck.from_z_deg)[0] for neck in held.necks)
    bending = 6 * load.pull_n * load.lever * held.reach_mm / weakest
    twisting = load.twist_nmm / (_SQUARE * load.shear_mpa[0])
    area = max(load.pull_n / weakest, load.push_n / load.along_mpa[0])
    square = float(max(np.sqrt(area), np.cbrt(twisting), np.cbrt(bending))) + load.scatter_mm
    wide = min(held.necks, key=lambda neck: neck.area_mm2).sides_mm[1]
    if wide <= square:
        return square, square
    return wide, float(max(area / wide, np.sqrt(twisting / wide), np.sqrt(bending / wide))) + load.scatter_mm


def held_pieces(vertices: Floats, faces: Ints, layers: Layers, stack: Stack, search: Search) -> tuple[Held, ...]:
    """Every piece that parts from a part when thin necks break.

    Parameters
    ----------
    vertices : (n, 3) float
        In the plate frame [mm].
    faces : (m, 3) int
        [-]
    layers : Layers
        Of the part.
    stack : Stack
        Their islands.
    search : Search

    Returns
    -------
    tuple of Held
        The smallest necks first.  The main part is the largest lump of each body.

    Notes
    -----
    Slices lie square to the part's main sides and in other directions, so that a neck is cut at most some 20 degrees
    aslant; its plane is then turned and shifted to the least section.  The least total section that parts a lump
    from the main part is a minimum cut (Ford and Fulkerson) in the net of lumps and necks.
    """
    raw = [
        [neck for way in ways for neck in _necks_along(vertices, faces, way, planes, search)]
        for ways, planes in zip(_directions(vertices, faces), _PLANES, strict=True)
    ]
    thick_mm = 1.05 * float(layers.thickness_mm.max(initial=0.0))
    cut = None
    for _ in range(_ROUNDS):
        necks = _apart(raw[0], raw[1], thick_mm)
        if not necks:
            return ()
        cut = _cut(layers, stack, necks, thick_mm)
        idle = {id(necks[k]) for k in cut.idle(search)}
        if not idle:
            break
        # What parts nothing gives way to others that it stood in the way of.
        raw = [[neck for neck in some if id(neck) not in idle] for some in raw]
    assert cut is not None
    found = []
    for chosen, far in _least_cuts(cut, search):
        piece = _held(vertices, faces, cut.lumps, [cut.necks[k] for k in chosen], far)
        longest_mm = max(neck.sides_mm[1] for neck in piece.necks)
        least_mm = max(search.least_mm, search.reach * longest_mm)
        if piece.area_mm2 <= search.widest_mm2 and piece.reach_mm >= least_mm:
            found.append(piece)
    return tuple(sorted(_unlike(found), key=lambda piece: piece.area_mm2))


def _directions(vertices: Floats, faces: Ints) -> tuple[list[Floats], list[Floats]]:
    """Normals of the part's main sides, and what it takes to leave no direction far from all."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    unit = normal / np.maximum(area, 1e-12)[:, None]
    left = area.copy()
    ways: list[Floats] = [np.array([0.0, 0.0, 1.0])]
    for _ in range(_SIDES):
        off = np.abs(unit @ np.array(ways).T).max(axis=1) < np.cos(np.radians(_SIDE_DEG))
        if not (left * off).any():
            break
        # The largest facet gathers those that lie nearly like it.
        largest = unit[int(np.argmax(left * off))]
        like = np.abs(unit @ largest) > np.cos(np.radians(_SIDE_DEG / 4))
        left[like] = 0.0
        ways.append(largest)
    sides = len(ways)
    grid = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (0, 1)], dtype=float)
    for way in sorted(grid[np.abs(grid).sum(axis=1) > 0].tolist(), key=lambda w: float(np.abs(w).sum())):
        fill = np.array(way) / np.linalg.norm(way)
        if np.abs(np.array(ways) @ fill).max() < np.cos(np.radians(_COVER_DEG)):
            ways.append(fill)
    return ways[:sides], ways[sides:]


def _frame(way: Floats) -> Floats:
    """Unit directions as rows, the last one given."""
    u = np.cross(way, np.eye(3)[np.argmin(np.abs(way))])
    u /= np.linalg.norm(u)
    return np.vstack([u, np.cross(way, u), way])


def _necks_along(vertices: Floats, faces: Ints, way: Floats, planes: int, search: Search) -> Iterator[Neck]:
    """Necks among the slices square to one direction."""
    frame = _frame(way)
    points = vertices @ frame.T
    z_mm = _planes(points, faces, planes)
    if len(z_mm) < 2:
        return
    cut = sections(points, faces, z_mm, np.gradient(z_mm))
    stack = stacked(cut)
    if not len(stack):
        return
    edges = np.concatenate([[points[:, 2].min()], (z_mm[1:] + z_mm[:-1]) / 2, [points[:, 2].max()]])
    step_mm = float(np.diff(z_mm).max())
    first = np.flatnonzero(np.diff(cut.same_as, prepend=-1))
    low, high = edges[first], edges[np.append(first[1:], len(z_mm))]
    area = shapely.area(stack.polygon)
    for chain, below, above in _chains(stack):
        runs = stack.run[chain]
        for index, height_mm in _narrow(area[chain], low[runs], high[runs], below, above, step_mm, search):
            polygon = stack.polygon[chain[index]]
            middle = np.array(shapely.get_coordinates(shapely.centroid(polygon))[0])
            centre = np.append(middle, height_mm) @ frame
            neck = Neck(centre, frame, shapely.transform(polygon, lambda p, m=middle: p - m))
            if neck.sides_mm[0] > _SPECK_MM:
                yield neck


def _planes(points: Floats, faces: Ints, most: int) -> Floats:
    """Heights of slices: evenly, and between any two level faces."""
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    step = max(_STEP_MM, (high - low) / most)
    # A hair more, so that rounding of the coordinates never decides how many there are.
    count = max(int((high - low) / step + 1e-6), 1)
    even = low + (np.arange(count) + 0.5) * (high - low) / count
    corners = points[faces][:, :, 2]
    level = corners[np.ptp(corners, axis=1) < 1e-6, 0]
    levels = np.unique(np.round(level, 4))
    between = (levels[1:] + levels[:-1]) / 2
    close = np.diff(levels) < 2 * step
    between = between[close][:_LEVELS]
    planes = np.unique(np.concatenate([even, between]))
    return np.asarray(planes[np.append(True, np.diff(planes) > 1e-3)])


def _chains(stack: Stack) -> Iterator[tuple[Ints, bool, bool]]:
    """Islands one above another without a fork, and whether matter goes on below and above."""
    count = len(stack)
    over, under = np.bincount(stack.lower, minlength=count), np.bincount(stack.upper, minlength=count)
    plain = (over[stack.lower] == 1) & (under[stack.upper] == 1)
    after, before = np.full(count, -1), np.full(count, -1)
    after[stack.lower[plain]], before[stack.upper[plain]] = stack.upper[plain], stack.lower[plain]
    for start in np.flatnonzero(before < 0).tolist():
        chain = [start]
        while (following := int(after[chain[-1]])) >= 0:
            chain.append(following)
        yield np.array(chain), bool(under[start]), bool(over[chain[-1]])


def _narrow(
    area: Floats, low: Floats, high: Floats, below: bool, above: bool, step_mm: float, search: Search
) -> Iterator[tuple[int, float]]:
    """Places in a chain, as index and height [mm], where it is a neck."""
    count = len(area)
    small = np.flatnonzero(area <= search.widest_mm2)
    done, waist = -1, np.inf
    for index in small.tolist():
        if index <= done or (index and area[index - 1] < area[index]):
            continue
        first = last = index
        while last + 1 < count and area[last + 1] <= _SAME_AREA * area[first : last + 1].min():
            last += 1
        last = first + int(np.flatnonzero(area[first : last + 1] <= _SAME_AREA * area[first : last + 1].min())[-1])
        least = float(area[first : last + 1].min())
        while area[first] > _SAME_AREA * least:
            first += 1
        while first and area[first - 1] <= _SAME_AREA * least:
            first -= 1
        done = last
        wide = search.contrast * least
        if _grows(area[:first][::-1], least, wide, below) and _grows(area[last + 1 :], least, wide, above):
            waist = min(waist, least)
            height_mm = (low[first] + high[last]) / 2
            inside = np.flatnonzero((low[first : last + 1] <= height_mm) & (height_mm <= high[first : last + 1]))
            yield first + int(inside[0]), float(height_mm)
    for upwards, free, goes_on in ((True, not below, above), (False, not above, below)):
        order = np.arange(count) if upwards else np.arange(count)[::-1]
        wider = np.flatnonzero(area[order] > search.widest_mm2)
        if free and (goes_on or len(wider)):
            slender = order[: wider[0]] if len(wider) else order
            root = _root(area[slender], (high - low)[slender], step_mm, search)
            # Where it has a waist it breaks there first.
            if root is not None and area[slender[root]] < waist / _SAME_AREA:
                k = int(slender[root])
                off_mm = min(_ROOT_MM, (high[k] - low[k]) / 2)
                yield k, float(high[k] - off_mm if upwards else low[k] + off_mm)


def _root(area: Floats, tall: Floats, step_mm: float, search: Search) -> int | None:
    """Root of a pin among its sections from its free end on; none where it is too stout to be a pin."""
    tall = tall.copy()
    # Its last slice may be half empty.
    tall[:1] -= step_mm / 2
    seen = np.cumsum(tall) >= _PIN_SLICES * step_mm
    slender = np.where(seen, np.cumsum(area * tall) / area**1.5, 0.0)
    if slender.max(initial=0.0) < search.bulk:
        return None
    return int(np.flatnonzero(slender >= _SAME_ROOT * slender.max())[-1])


def _grows(area: Floats, least: float, wide: float, goes_on: bool) -> bool:
    """Whether sections going away from a neck get wide before they get smaller than the neck."""
    wider, smaller = np.flatnonzero(area >= wide), np.flatnonzero(area < least)
    if len(smaller):
        return bool(len(wider) and wider[0] < smaller[0])
    return goes_on or bool(len(wider))


def _apart(square: Sequence[Neck], aslant: Sequence[Neck], thick_mm: float) -> list[Neck]:
    """Necks that do not run through one another, the smallest of those that do.

    Those cut aslant pass for larger, and are left out beside another.
    """
    both = [(neck.area_mm2, neck, False) for neck in square] + [
        (_ASLANT * neck.area_mm2, neck, True) for neck in aslant
    ]
    kept: list[Neck] = []
    boxes: list[tuple[Floats, Floats]] = []
    for _, neck, leans in sorted(both, key=lambda one: one[0]):
        off_mm = np.linalg.norm([neck.centre_mm - other.centre_mm for other in kept], axis=1) if kept else np.empty(0)
        if leans and off_mm.min(initial=np.inf) < neck.sides_mm[1]:
            continue
        outline = neck.outline
        low, high = outline.min(axis=0) - thick_mm, outline.max(axis=0) + thick_mm
        near = [k for k, (least, most) in enumerate(boxes) if (least < high).all() and (low < most).all()]
        if not any(_meet(neck, kept[k], thick_mm) for k in near):
            kept.append(neck)
            boxes.append((low, high))
        if len(kept) == _MOST_NECKS:
            break
    return kept


def _meet(one: Neck, other: Neck, thick_mm: float) -> bool:
    """Whether the outline of one passes through the other, or lies against it."""
    for through, plate in ((one, other), (other, one)):
        flat = (through.outline - plate.centre_mm) @ plate.frame.T
        start, end = flat[:-1], flat[1:]
        touches = (np.minimum(start[:, 2], end[:, 2]) <= thick_mm) & (np.maximum(start[:, 2], end[:, 2]) >= -thick_mm)
        start, end = start[touches], end[touches]
        rise = end[:, 2] - start[:, 2]
        share = np.clip(np.where(np.abs(rise) < 1e-9, 0.5, -start[:, 2] / np.where(rise == 0, 1, rise)), 0, 1)
        at = start + share[:, None] * (end - start)
        window = shapely.buffer(shapely.convex_hull(plate.section), thick_mm)
        if shapely.contains_xy(window, at[:, 0], at[:, 1]).any():
            return True
    return False


@dataclass(frozen=True, eq=False)
class _Cut:
    """A part with all its necks taken out.

    ``lumps`` are the islands left, ``volume`` and ``body`` belong to each of their pieces, ``joins`` are necks with
    the pieces before and behind.
    """

    necks: Sequence[Neck]
    lumps: Stack
    volume: Floats
    body: Ints
    joins: tuple[tuple[int, int, int], ...]

    def idle(self, search: Search) -> set[int]:
        """Necks that part nothing, or only a crumb that nothing else holds."""
        working = {k for k, _, _ in self.joins}
        ends = np.array([end for _, a, b in self.joins for end in (a, b)], dtype=np.int64)
        degree = np.bincount(ends, minlength=len(self.volume))
        crumbs = {
            k
            for k, a, b in self.joins
            for end in (a, b)
            if degree[end] == 1 and self.volume[end] < search.bulk * self.necks[k].area_mm2 ** 1.5
        }
        return (set(range(len(self.necks))) - working) | crumbs


def _cut(layers: Layers, stack: Stack, necks: Sequence[Neck], thick_mm: float) -> _Cut:
    """Take every neck out."""
    lumps = _lumps(layers, necks, thick_mm)
    height = (lumps.top_mm - lumps.bottom_mm)[lumps.run]
    volume: Floats = np.bincount(lumps.piece, weights=lumps.moments[:, 0] * height).astype(np.float64)
    inside = shapely.get_coordinates(shapely.point_on_surface(lumps.polygon))
    middle = (lumps.top_mm + lumps.bottom_mm)[lumps.run] / 2
    _, first = np.unique(lumps.piece, return_index=True)
    body = stack.piece[islands_near(stack, np.column_stack([inside, middle])[first])]
    joins = [(k, a, b) for k, neck in enumerate(necks) for a, b in _ends(lumps, neck, thick_mm) if body[a] == body[b]]
    return _Cut(necks, lumps, volume, body, tuple(joins))


def _lumps(layers: Layers, necks: Sequence[Neck], thick_mm: float) -> Stack:
    """Islands of the layers with every neck taken out."""
    windows: list[list[shapely.Geometry]] = [[] for _ in range(len(layers))]
    for neck in necks:
        for layer, window in _windows(neck, layers.z_mm, thick_mm):
            windows[layer].append(window)
    regions, same_as = layers.regions.copy(), layers.same_as.copy()
    known: dict[tuple[int, tuple[bytes, ...]], int] = {}
    for layer, taken in enumerate(windows):
        name = tuple(shapely.to_wkb(shapely.set_precision(window, 1e-6)) for window in taken)
        same_as[layer] = known.setdefault((int(layers.same_as[layer]), name), layer)
        if same_as[layer] == layer and taken:
            regions[layer] = shapely.difference(layers.regions[layer], shapely.union_all(taken))
    return stacked(replace(layers, regions=regions[same_as], same_as=same_as))


def _windows(neck: Neck, z_mm: Floats, thick_mm: float) -> Iterator[tuple[int, shapely.Geometry]]:
    """What a thick plate in place of a neck covers of each layer."""
    wide = shapely.buffer(shapely.convex_hull(neck.section), _FLARE * thick_mm, join_style="mitre")
    ring = shapely.get_coordinates(wide)[:-1]
    flat = ring @ neck.frame[:2] + neck.centre_mm
    faces = [flat + way * thick_mm / 2 * neck.frame[2] for way in (-1, 1)]
    start = np.vstack([*faces, faces[0]])
    end = np.vstack([*(np.roll(face, -1, axis=0) for face in faces), faces[1]])
    rise = end[:, 2] - start[:, 2]
    for layer in np.flatnonzero((z_mm >= start[:, 2].min()) & (z_mm <= start[:, 2].max())).tolist():
        share = np.divide(z_mm[layer] - start[:, 2], rise, out=np.full(len(rise), -1.0), where=np.abs(rise) > 1e-9)
        through = (share >= 0) & (share <= 1)
        at = (start + share[:, None] * (end - start))[through, :2]
        if len(at) > 2:
            window = shapely.convex_hull(shapely.multipoints(at))
            if window.geom_type == "Polygon":
                yield layer, window


def _least_cuts(cut: _Cut, search: Search) -> Iterator[tuple[list[int], Ints]]:
    """Sets of necks whose least total area parts lumps from the largest lump of their body, and those lumps."""
    necks, volume, body, joins = cut.necks, cut.volume, cut.body, cut.joins
    pieces = len(volume)
    hub = {int(b): int(max(np.flatnonzero(body == b), key=lambda lump: volume[lump])) for b in np.unique(body)}
    net = np.zeros((pieces, pieces), dtype=np.int32)
    for k, a, b in joins:
        size = max(int(1000 * necks[k].area_mm2), 1)
        net[a, b] += size
        net[b, a] += size
    # What no known neck joins to its body is joined by something that was not understood.
    _, linked = connected_components(csr_array(net), directed=False)
    for lump in range(pieces):
        if linked[lump] != linked[hub[int(body[lump])]]:
            net[lump, hub[int(body[lump])]] = net[hub[int(body[lump])], lump] = _FAST
    told = set()
    for lump in np.argsort(-volume, kind="stable").tolist():
        main = hub[int(body[lump])]
        if lump == main or volume[lump] < _DUST_MM3:
            continue
        flow = maximum_flow(csr_array(net), main, lump)
        if flow.flow_value > 1000 * search.widest_mm2:
            continue
        left = csr_array(np.maximum(net - flow.flow.toarray(), 0))
        near = np.zeros(pieces, dtype=bool)
        near[breadth_first_order(left, main, return_predecessors=False)] = True
        far = np.flatnonzero(~near & (body == body[lump]))
        if tuple(far) in told:
            continue
        told.add(tuple(far))
        chosen = sorted({k for k, a, b in joins if near[a] != near[b]})
        total = sum(necks[k].area_mm2 for k in chosen)
        if volume[far].sum() <= volume[body == body[lump]].sum() / 2 and volume[far].sum() >= search.bulk * total**1.5:
            yield chosen, far


def _ends(lumps: Stack, neck: Neck, thick_mm: float) -> set[tuple[int, int]]:
    """Lumps before and behind a neck, in pairs; more than one pair where another neck meets it."""
    inner = shapely.buffer(neck.section, -0.1 * neck.sides_mm[0])
    low, high = np.array(neck.section.bounds).reshape(2, 2)
    steps = (np.arange(_LOOKS) + 0.5) / _LOOKS
    grid = low + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2) * (high - low)
    seen = grid[shapely.contains_xy(inner, grid[:, 0], grid[:, 1])]
    flat = np.vstack([shapely.get_coordinates(shapely.point_on_surface(neck.section)), seen])
    sides = []
    for way in (-1, 1):
        points = flat @ neck.frame[:2] + neck.centre_mm + way * (thick_mm / 2 + 2 * _WIDER_MM) * neck.frame[2]
        sides.append(lumps.piece[islands_near(lumps, points)].tolist())
    return {(a, b) for a, b in zip(*sides, strict=True) if a != b}


def _held(vertices: Floats, faces: Ints, lumps: Stack, necks: Sequence[Neck], far: Ints) -> Held:
    """The piece of some lumps, its necks at their least section."""
    own = np.isin(lumps.piece, far)
    box = shapely.bounds(lumps.polygon[own])
    runs = lumps.run[own]
    low = np.array([*box[:, :2].min(axis=0), lumps.bottom_mm[runs].min()]) - 0.3
    high = np.array([*box[:, 2:].max(axis=0), lumps.top_mm[runs].max()]) + 0.3
    near = np.flatnonzero(((vertices >= low) & (vertices <= high)).all(axis=1))
    corners = near[own[islands_near(lumps, vertices[near])]] if len(near) else near
    height = (lumps.top_mm - lumps.bottom_mm)[runs]
    moments = lumps.moments[own] * height[:, None]
    middle = moments[:, 1:3].sum(axis=0) / moments[:, 0].sum()
    centre = np.append(middle, (moments[:, 0] * (lumps.top_mm + lumps.bottom_mm)[runs]).sum() / moments[:, 0].sum() / 2)
    least = []
    for neck in (_least_section(vertices, faces, neck) for neck in necks):
        away = neck.frame[2] @ (centre - neck.centre_mm) < 0
        # Turned so that its third direction looks into the piece, still right-handed.
        turn = np.array([[1.0], [-1.0], [-1.0]]) if away else np.ones((3, 1))
        flip = shapely.transform(neck.section, lambda p, s=turn[1, 0]: p * (1.0, s))
        least.append(Neck(neck.centre_mm, turn * neck.frame, flip))
    necks = sorted(least, key=lambda neck: -neck.area_mm2)
    points = np.vstack([vertices[corners], *(neck.outline for neck in necks)])
    weights = np.array([neck.area_mm2 for neck in necks])
    root = weights @ np.array([neck.centre_mm for neck in necks]) / weights.sum()
    reach_mm = float(np.linalg.norm(points - root, axis=1).max())
    return Held(tuple(necks), points, corners, float(moments[:, 0].sum()), reach_mm)


def _least_section(vertices: Floats, faces: Ints, neck: Neck) -> Neck:
    """A neck with its plane turned and shifted to the least section near by."""
    best = neck

    def area(move: Floats) -> float:
        """Section after leaning the plane both ways [-] and shifting it [mm]."""
        nonlocal best
        normal = neck.frame[2] + move[0] * neck.frame[0] + move[1] * neck.frame[1]
        if np.linalg.norm(normal) * np.cos(np.radians(_MOST_TURN_DEG)) > 1:
            return 2 * neck.area_mm2
        at = neck.centre_mm + move[2] * neck.frame[2]
        found = _section_near(vertices, faces, at, normal / np.linalg.norm(normal))
        if found is None:
            return 2 * neck.area_mm2
        if found.area_mm2 < _BETTER * best.area_mm2:
            best = found
        return found.area_mm2

    simplex = np.vstack([np.zeros(3), np.diag([_LEAN, _LEAN, neck.sides_mm[1] / 8])])
    simplex[1:, 0] -= _LEAN / 3
    options = {"initial_simplex": simplex, "maxfev": _TRIES, "xatol": 2e-3, "fatol": 1e-3 * neck.area_mm2}
    minimize(area, np.zeros(3), method="Nelder-Mead", options=options)
    return best


def _section_near(vertices: Floats, faces: Ints, at: Floats, normal: Floats) -> Neck | None:
    """The section around a point, or none."""
    frame = _frame(normal)
    parts = shapely.get_parts(sections((vertices - at) @ frame.T, faces, np.zeros(1)).regions[0])
    parts = parts[~shapely.is_empty(parts)]
    if not len(parts):
        return None
    filled = shapely.polygons(shapely.get_exterior_ring(parts))
    around = np.flatnonzero(shapely.contains_xy(filled, 0.0, 0.0))
    if not len(around):
        return None
    section = parts[around[0]]
    middle = shapely.get_coordinates(shapely.centroid(section))[0]
    return Neck(at + middle @ frame[:2], frame, shapely.transform(section, lambda p: p - middle))


def _unlike(found: Sequence[Held]) -> list[Held]:
    """Of pieces that are nearly the same, cut here or there along one neck, the one with the least section."""
    kept: list[Held] = []
    for piece in sorted(found, key=lambda piece: piece.area_mm2):
        alike = (
            len(np.intersect1d(piece.corners, other.corners)) > 0.8 * max(len(piece.corners), len(other.corners))
            for other in kept
        )
        if not any(alike):
            kept.append(piece)
    return kept
