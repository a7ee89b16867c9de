"""Print time and material of a part, from its layers and the settings of its machine.

Per layer: outline passes, solid and core lines with limited speed, acceleration and melt rate, the ways
between them, and the wait for the layer to cool, which all copies on a plate share.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely

from reviewkit.measure.filling import Filling
from reviewkit.measure.layers import Ints, Layers
from reviewkit.measure.motion_time import Pace, line_s, outlines_s
from reviewkit.model import Floats, PrintSettings, Setup

OUTLINES, SOLID, CORE, TRAVEL, COOLING = "outlines", "solid layers", "core fill", "travel", "cooling"
HEAT_UP, COOL_DOWN, REMOVAL = "heat-up", "cool-down", "removal"
TIME_KINDS = (OUTLINES, SOLID, CORE, TRAVEL, COOLING, HEAT_UP, COOL_DOWN, REMOVAL)
VOLUME_KINDS = (OUTLINES, SOLID, CORE)

_G_MM3_PER_G_CM3 = 1e-3
_MM_PER_M = 1e3
# Lines are cut with outlines in groups of no more crossings than this, about 100 bytes each.
_CROSSINGS = 2_000_000
# Lines are sampled closer than they lie, so that a narrow place has its share wherever it is.
_SAMPLES = 2
# Where solid and core meet at an outline, rounding leaves lines shorter than this.
_LEAST_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Work:
    """Time that each layer of one copy takes before any calibration.

    Parameters
    ----------
    outlines_s, solid_s, core_s : (n,) float
        Along outline passes, solid lines and core lines [s].
    travel_s : (n,) float
        Ways between them within the copy [s].
    hop_s : float
        Way from one copy to the next [s].
    change_s : float
        From one layer to the next, once for all copies [s].
    """

    outlines_s: Floats
    solid_s: Floats
    core_s: Floats
    travel_s: Floats
    hop_s: float
    change_s: float

    def layers_s(self, copies: int) -> Floats:
        """Each layer of so many copies, without waiting (n,) [s]."""
        one = self.outlines_s + self.solid_s + self.core_s + self.travel_s
        total: Floats = copies * (one + (self.hop_s if copies > 1 else 0.0)) + self.change_s
        return total


@dataclass(frozen=True, eq=False)
class Printing:
    """Print time of a plate of copies, and material of one of them.

    Parameters
    ----------
    work : Work
        Time that each layer of one copy takes.
    settings : PrintSettings
        Of the machine.
    copies : int
        Parts on the plate, all alike and printed layer by layer together [-].
    spread : float
        Half-width at 95 % of a plate's time as a share of it [-].
    volume_mm3 : mapping of str to float
        Plastic of one part by kind [mm3].
    mass_g, mass_uncertainty_g : float
        Of one part, without waste, and half-width at 95 % [g].
    filament_m : float
        For one part, without waste [m].
    """

    work: Work
    settings: PrintSettings
    copies: int
    spread: float
    volume_mm3: Mapping[str, float]
    mass_g: float
    mass_uncertainty_g: float
    filament_m: float

    def with_copies(self, copies: int) -> "Printing":
        """The same part with another number of copies on the plate.

        Raises
        ------
        ValueError
            When there is no copy.
        """
        if copies < 1:
            raise ValueError(f"{copies} copies cannot be printed; give 1 or more")
        return replace(self, copies=copies)

    @property
    def calibrated(self) -> bool:
        """Whether measured plates stand behind the time."""
        return self.settings.calibration is not None

    @property
    def factor(self) -> float:
        """What measured plates multiply the layers' time by, 1 without any [-]."""
        return 1.0 if self.settings.calibration is None else self.settings.calibration.factor

    @property
    def basis(self) -> str:
        """What the time rests on, in words."""
        fit = self.settings.calibration
        if fit is None:
            return f"speeds of the machine's profile ({self.settings.source}), not calibrated by measured plates"
        return f"{fit.plates} plates measured by {fit.date}: layers take {fit.factor:.3g} times what the speeds give"

    @cached_property
    def seconds(self) -> Mapping[str, float]:
        """Time of the whole plate by kind, in the order of ``TIME_KINDS`` [s]."""
        work, settings, copies = self.work, self.settings, self.copies
        per_plate = self.factor * copies
        layers_s = self.factor * work.layers_s(copies)
        drawn = [per_plate * float(s.sum()) for s in (work.outlines_s, work.solid_s, work.core_s)]
        waiting_s = float(printed_layers_s(layers_s, settings.least_layer_s).sum() - layers_s.sum())
        own = (*drawn, float(layers_s.sum()) - sum(drawn), waiting_s, settings.heat_s, settings.cool_s)
        return dict(zip(TIME_KINDS, (*own, settings.removal_s), strict=True))

    @property
    def plate_s(self) -> float:
        """From heat-up until the plate is free again [s]."""
        return sum(self.seconds.values())

    @property
    def part_s(self) -> float:
        """Share of a plate's time that one part takes [s]."""
        return self.plate_s / self.copies

    @property
    def plate_uncertainty_s(self) -> float:
        """Half-width at 95 % of the plate's time [s]."""
        return self.spread * self.plate_s

    @property
    def part_uncertainty_s(self) -> float:
        """Half-width at 95 % of a part's time [s]."""
        return self.spread * self.part_s

    @property
    def layers_s(self) -> float:
        """Time of all layers of the plate, waiting included; what a calibration acts on [s]."""
        return sum(self.seconds[kind] for kind in (OUTLINES, SOLID, CORE, TRAVEL, COOLING))

    def printed_s(self, factor: float) -> float:
        """From heat-up to the end of the last layer, were the layers' time multiplied so [s].

        Parameters
        ----------
        factor : float
            Instead of the calibration's own [-].
        """
        layers_s = printed_layers_s(factor * self.work.layers_s(self.copies), self.settings.least_layer_s)
        return self.settings.heat_s + float(layers_s.sum())

    @property
    def waiting_share(self) -> float:
        """Share of the layers' time that is waiting for them to cool [-]."""
        return self.seconds[COOLING] / self.layers_s

    @property
    def free_copies(self) -> float:
        """Copies with which no layer, the smallest neither, waits any more [-]."""
        work = self.work
        one = work.layers_s(1) - work.change_s
        wanted_s = self.settings.least_layer_s / self.factor - work.change_s
        alone, many = (wanted_s / float(np.min(one + hop)) for hop in (0.0, work.hop_s))
        return max(1.0, alone if alone <= 1 else many)


def printed_layers_s(layers_s: Floats, least_s: float) -> Floats:
    """Time of layers, none shorter than it needs to cool (n,) [s].

    Parameters
    ----------
    layers_s : (n,) float
        Time that all copies of each layer take [s].
    least_s : float
        Least time of a layer [s].
    """
    return np.maximum(layers_s, least_s)


def printing(layers: Layers, filled: Filling, setup: Setup, *, time_spread: float, mass_spread: float) -> Printing:
    """Print time and material of one part alone on a plate.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    filled : Filling
        How they are filled.
    setup : Setup
        Machine, material, layers and lines.
    time_spread : float
        Half-width at 95 % of a plate's time where no measured plates say better, as a share of it [-].
    mass_spread : float
        Half-width at 95 % of the plastic that is laid down, as a share of it [-].

    Returns
    -------
    Printing

    Raises
    ------
    SetupError
        When the machine's profile does not say how it prints.
    ValueError
        When the layers hold no volume.

    Notes
    -----
    A plate of k copies takes ``heat + sum over layers of max(least, k t) + cool + removal``.
    """
    settings, thick_mm = setup.printing, layers.thickness_mm
    cored_mm2 = filled.cored_mm2
    core_mm2 = cored_mm2 * filled.filled_share(setup.core_fill)
    amounts = (layers.area_mm2 - filled.inner_mm2, filled.inner_mm2 - cored_mm2, core_mm2)
    volume_mm3 = {kind: float(thick_mm @ area) for kind, area in zip(VOLUME_KINDS, amounts, strict=True)}
    plastic_mm3 = sum(volume_mm3.values())
    if plastic_mm3 <= 0:
        raise ValueError("the layers hold no volume")
    density = setup.material["density"]
    mass_g = plastic_mm3 * density.value * _G_MM3_PER_G_CM3
    density_spread = max(density.high - density.value, density.value - density.low) / density.value
    return Printing(
        work=layer_work(layers, filled, setup),
        settings=settings,
        copies=1,
        spread=time_spread if settings.calibration is None else settings.calibration.spread,
        volume_mm3=volume_mm3,
        mass_g=mass_g,
        mass_uncertainty_g=mass_g * float(np.hypot(density_spread, mass_spread)),
        filament_m=plastic_mm3 / (np.pi / 4 * settings.filament_mm**2) / _MM_PER_M,
    )


def layer_work(layers: Layers, filled: Filling, setup: Setup) -> Work:
    """Time that each layer of one copy takes.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    filled : Filling
        How they are filled.
    setup : Setup
        Machine, core fill, layers and lines.

    Returns
    -------
    Work

    Notes
    -----
    Lines fill solid and core side by side, turned by a right angle from layer to layer; core lines are
    timed as a share of lines laid side by side, zones of another filling by their share of the core.
    Where outline passes do not fit a narrow place, what they leave open is a line of that area at the
    speed of outlines.  Ways between outlines are as long as between neighbours of that many points
    strewn over the layer's box, ``sqrt(box / n) / 2``.

    References
    ----------
    P. J. Clark, F. C. Evans, Distance to nearest neighbor as a measure of spatial relationships in
    populations, Ecology 35, 1954 (from memory).
    """
    first, others = np.arange(len(layers))[:1], np.arange(len(layers))[1:]
    parts = [
        _drawn(filled, chosen, setup, height_mm, on_plate)
        for chosen, height_mm, on_plate in (
            (first, setup.first_layer_mm, True),
            (others, setup.layer_height_mm, False),
        )
        if len(chosen)
    ]
    outlines, solid, core, travel = (np.concatenate(times) for times in zip(*parts, strict=True))
    box = shapely.bounds(filled.drawn)
    size = np.nanmax(box[:, 2:], axis=0) - np.nanmin(box[:, :2], axis=0)
    settings = setup.printing
    hop = line_s(np.sqrt([float(np.prod(size))]), _pace(settings, settings.travel_mm_s))
    return Work(outlines, solid, core, travel, float(hop[0]) + settings.start_s, settings.layer_change_s)


def _drawn(
    filled: Filling, chosen: Ints, setup: Setup, height_mm: float, on_plate: bool
) -> tuple[Floats, Floats, Floats, Floats]:
    """Time of outlines, solid, core and ways of chosen layers."""
    settings, width_mm = setup.printing, filled.line_width_mm
    most_mm_s = settings.melt_mm3_s / (width_mm * height_mm)
    if on_plate:
        most_mm_s = min(most_mm_s, settings.first_layer_mm_s)
    outline, solid, core = (
        _pace(settings, min(speed, most_mm_s))
        for speed in (settings.outline_mm_s, settings.solid_mm_s, settings.core_mm_s)
    )
    names, repeat = np.unique(filled.inner_of[chosen], return_inverse=True)
    passes_s, travel_s = _outlines(filled, names, outline, settings)
    solid_s, core_s = _lines(filled, chosen, setup, solid, core)
    hop_s, inner_pieces = travel_s[1][repeat], shapely.get_num_geometries(filled.inner)[filled.inner_of[chosen]]
    starts = inner_pieces * ((solid_s > 0).astype(int) + (core_s > 0))
    return passes_s[repeat], solid_s, core_s, travel_s[0][repeat] + starts * hop_s


def _pace(settings: PrintSettings, speed_mm_s: float) -> Pace:
    return Pace(speed_mm_s, settings.acceleration_mm_s2, settings.corner_deg, settings.corner_mm_s)


def _outlines(
    filled: Filling, names: Ints, pace: Pace, settings: PrintSettings
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Time of all passes of distinct layers, and of the ways between them: all together, and of one."""
    travel = _pace(settings, settings.travel_mm_s)
    seconds, length_mm, way_s = np.zeros(len(names)), np.zeros(len(names)), np.zeros(len(names))
    box = shapely.bounds(filled.drawn[names])
    box_mm2 = np.nan_to_num((box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1]))
    rings = _ring_count(filled, names)
    hop_s = line_s(np.sqrt(box_mm2 / np.maximum(rings, 1)) / 2, travel) + settings.start_s
    beside_s = float(line_s(np.array([filled.line_width_mm]), travel)[0]) + settings.start_s
    for number in range(filled.outline_passes):
        pass_s, pass_mm, count = outlines_s(filled.outline_pass(number, names), pace)
        seconds, length_mm = seconds + pass_s, length_mm + pass_mm
        way_s = way_s + count * (beside_s if number else hop_s)
    strip_mm2 = shapely.area(filled.drawn[names]) - shapely.area(filled.inner[names])
    open_mm2 = np.maximum(strip_mm2 - filled.line_width_mm * length_mm, 0.0)
    return seconds + open_mm2 / filled.line_width_mm / pace.speed_mm_s, (way_s, hop_s)


def _ring_count(filled: Filling, names: Ints) -> Ints:
    """Outlines of distinct layers (k,) [-]."""
    pieces, owner = shapely.get_parts(filled.drawn[names], return_index=True)
    there = ~shapely.is_empty(pieces)
    inner = shapely.get_num_interior_rings(pieces[there])
    return np.bincount(owner[there], 1 + inner, len(names)).astype(np.int64)


def _lines(filled: Filling, chosen: Ints, setup: Setup, solid: Pace, core: Pace) -> tuple[Floats, Floats]:
    """Time of solid and of core lines of chosen layers."""
    settings, width_mm = setup.printing, filled.line_width_mm
    sorts, repeat = np.unique(
        np.column_stack([filled.inner_of[chosen], filled.core_of[chosen], chosen % 2]), axis=0, return_inverse=True
    )
    angle = np.radians(settings.line_angle_deg) + np.pi / 2 * sorts[:, 2]
    inner, cored = _inner_edges(filled), _core_edges(filled)
    seconds = []
    for edges, pace in ((_joined(inner.of(sorts[:, 0]), cored.of(sorts[:, 1])), solid), (cored.of(sorts[:, 1]), core)):
        total = np.zeros(len(sorts))
        for owner, chord_mm in _chords(edges, angle, width_mm / _SAMPLES):
            # What is shorter than a line is wide goes along with its neighbour.
            chord_s = np.where(chord_mm < width_mm, chord_mm / pace.speed_mm_s, line_s(chord_mm, pace))
            total += np.bincount(owner, np.where(chord_mm > _LEAST_MM, chord_s, 0.0), len(sorts)) / _SAMPLES
        seconds.append(total[repeat.ravel()])
    return seconds[0], filled.filled_share(setup.core_fill)[chosen] * seconds[1]


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges of closed rings, all of one shape together: owner (m,) and both ends (m, 2) [mm]."""

    owner: Ints
    begin: Floats
    end: Floats

    def of(self, shapes: Ints) -> "_Edges":
        """Edges of these shapes, owned by their places in `shapes`; a shape of -1 has none."""
        bounds = np.searchsorted(self.owner, [shapes, shapes + 1])
        counts = np.where(shapes < 0, 0, bounds[1] - bounds[0])
        owner = np.repeat(np.arange(len(shapes)), counts)
        index = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts) + bounds[0][owner]
        return _Edges(owner, self.begin[index], self.end[index])


def _joined(one: _Edges, other: _Edges) -> _Edges:
    """Edges of both, sorted by owner."""
    owner = np.concatenate([one.owner, other.owner])
    order = np.argsort(owner, kind="stable")
    begin, end = np.concatenate([one.begin, other.begin]), np.concatenate([one.end, other.end])
    return _Edges(owner[order], begin[order], end[order])


def _inner_edges(filled: Filling) -> _Edges:
    pieces, owner = shapely.get_parts(filled.inner, return_index=True)
    rings, piece = shapely.get_rings(pieces, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    follows = np.flatnonzero(ring[1:] == ring[:-1])
    return _Edges(owner[piece[ring[follows]]], points[follows], points[follows + 1])


def _core_edges(filled: Filling) -> _Edges:
    owner, begin, end = [np.zeros(0, dtype=np.int64)], [np.zeros((0, 2))], [np.zeros((0, 2))]
    for name, section in enumerate(filled.cores):
        for contour in section.to_polygons():
            owner.append(np.full(len(contour), name))
            begin.append(contour)
            end.append(np.roll(contour, -1, axis=0))
    return _Edges(np.concatenate(owner), np.vstack(begin), np.vstack(end))


def _chords(edges: _Edges, angle: Floats, apart_mm: float) -> list[tuple[Ints, Floats]]:
    """Lengths within closed outlines of lines that lie side by side at each owner's angle, with their owners."""
    turn_x, turn_y = np.cos(angle)[edges.owner], np.sin(angle)[edges.owner]
    # Along and across the lines; lines lie at whole numbers of the second.
    (u, v), (u_end, v_end) = (
        (turn_x * at[:, 0] + turn_y * at[:, 1], (turn_x * at[:, 1] - turn_y * at[:, 0]) / apart_mm - 0.5)
        for at in (edges.begin, edges.end)
    )
    low, high = np.ceil(np.minimum(v, v_end)).astype(np.int64), np.ceil(np.maximum(v, v_end)).astype(np.int64)
    crossed = high > low
    owner, low, high = edges.owner[crossed], low[crossed], high[crossed]
    u, v, u_end, v_end = u[crossed], v[crossed], u_end[crossed], v_end[crossed]
    if not len(owner):
        return []
    slope = (u_end - u) / (v_end - v)
    counts = high - low
    chords: list[tuple[Ints, Floats]] = []
    for begin, stop in _groups(owner, counts):
        count = counts[begin:stop]
        edge = begin + np.repeat(np.arange(stop - begin), count)
        line = low[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
        place = u[edge] + (line - v[edge]) * slope[edge]
        order = np.lexsort((place, line, owner[edge]))
        place, of = place[order], owner[edge][order]
        chords.append((of[::2], place[1::2] - place[::2]))
    return chords


def _groups(owner: Ints, counts: Ints) -> list[tuple[int, int]]:
    """Ranges of edges, whole owners, of no more crossings than memory should hold; one owner at least."""
    ends = np.append(np.flatnonzero(np.diff(owner)) + 1, len(owner))
    total = np.cumsum(counts)[ends - 1]
    groups, begin, done = [], 0, 0
    for here, following in zip(range(len(ends)), [*range(1, len(ends)), None], strict=True):
        if following is None or total[following] - done > _CROSSINGS:
            groups.append((begin, int(ends[here])))
            begin, done = int(ends[here]), int(total[here])
    return groups
