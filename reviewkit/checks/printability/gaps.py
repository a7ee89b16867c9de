"""PR-05: gaps that fuse, slots that close, holes and pins too small.

A gap is judged by what it is for.  Between two bodies, or between a moving part and what is beside
it, it must let them move; any other is a mere slot that must only stay open.  Straight up, whole
layers count; near the plate the first layer spreads into the gap.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import (
    WHOLE,
    at_words,
    bound_words,
    finding,
    mm_words,
    not_checked,
    ring_points,
    subject_names,
    too_open,
    unsound_words,
    vector,
)
from reviewkit.limits import Limits
from reviewkit.measure.gaps import (
    Circles,
    Round,
    air_between_skins,
    air_between_walls,
    circles,
    empty_layers,
    facet_bodies,
    joined_bodies,
    near_plate,
    only,
    printed_pieces,
    rounds,
    sides,
    squashed_gap,
)
from reviewkit.measure.walls import Samples, Skins, ThinPlace, Walls, thin_places, thinnest_place, touched_faces
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict, place_name
from reviewkit.submission import RegionKind, region_of
from reviewkit.workpiece import Workpiece

CODE = "PR-05"
DOMAIN = "printability"

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
AirSamples = TypeVar("AirSamples", Walls, Skins)

_BY_RAYS = "rays along the outward normal in each layer; 5 % of the place is narrower"
_UPRIGHT = "rays straight up and down; 5 % of the place is narrower"
_COUNTED = "cuts at mid-layer that fall into the gap"
_FITTED = "circle through the corners of the outlines, median over the height"
_MOVES = (RegionKind.MOVING, RegionKind.FLEXURE, RegionKind.PROJECTILE)
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)

# What two sides of a gap are to one another.
_SLOT, _REGIONS, _BODIES = 0, 1, 2

# A side's region is asked this far inside the material.
_INTO_MM = 0.05
# What a drawing shows around the worst place.
_ZOOM_WIDTHS, _ZOOM_LEAST_MM, _ZOOM_MOST_MM = 5.0, 1.0, 8.0
_SPOKES = 8


def gaps(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge clearances, slots, gaps straight up, round holes and pins.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``gap.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a gap, hole or pin that does not meet its limit,
        the worst first.
    """
    layers = workpiece.layers
    if not len(workpiece.walls):
        return [not_checked(workpiece, CODE, DOMAIN, "Gaps were", "no layer of the part has an outline")]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Gaps were", reason)]
    case = _Case(workpiece, limits)
    found = [*_in_plane(case), *_straight_up(case), *_round_ones(case)]
    found.sort(key=lambda one: (_WORST_FIRST.index(one.verdict), one.severity, one.width_mm))
    listed = found[: case.listed]
    findings = [
        _told(case, one, name)
        for one, name in zip(listed, subject_names(case.workpiece, [one.centre_mm for one in listed]), strict=True)
    ]
    return [_whole_part(case, found, len(listed)), *findings]


@dataclass(frozen=True, eq=False)
class _Found:
    """A gap, hole or pin that does not meet its limit, ready to be told."""

    verdict: Verdict
    severity: Severity
    width_mm: float
    centre_mm: Floats
    message: str
    change: str
    measurements: tuple[Measurement, ...]
    limits: tuple[Limit, ...]
    place: Place
    faces: Ints
    layer: int
    strokes: Floats


class _Case:
    """A workpiece, the rows that PR-05 judges it by, and what is measured on it."""

    def __init__(self, workpiece: Workpiece, limits: Limits) -> None:
        self.workpiece, self._limits = workpiece, limits
        self.clearance, self.slot, self.upright, self.at_plate, self.hole, self.pin = (
            limits.band(f"gap.{name}", workpiece.setup)
            for name in ("clearance", "slot", "empty_layers", "at_plate", "hole", "pin")
        )
        self.bands = (self.clearance, self.at_plate, self.slot, self.upright, self.hole, self.pin)
        self.spread_mm = self.value("spread")
        self.resolution_mm = self.value("resolution")
        self.seam_mm = self.value("seam")
        self.listed = round(self.value("listed"))
        self.unsound_mm = 0.0 if workpiece.part.health.sound else self.value("unsound")

    def value(self, name: str) -> float:
        """The row ``gap.<name>``."""
        return self._limits.value(f"gap.{name}", self.workpiece.setup).value

    @cached_property
    def credible(self) -> dict[str, float]:
        """Least size of a place, for clearances."""
        return {
            "join_mm": self.value("join"),
            "facing_deg": self.value("facing"),
            "min_area_mm2": self.value("credible_area"),
            "min_length_mm": self.value("credible_length"),
            "min_height_mm": self.value("credible_height"),
            "from_mm": self.seam_mm,
        }

    @cached_property
    def air(self) -> Walls:
        """Gaps in the plane of the layers, round holes left out."""
        air = air_between_walls(self.workpiece.walls)
        return only(air, ~self.circles.at_middle_of(air))

    @cached_property
    def upright_air(self) -> Skins:
        """Gaps straight up and down."""
        return air_between_skins(self.workpiece.skins)

    @cached_property
    def bodies(self) -> Ints:
        """Body of each facet."""
        workpiece = self.workpiece

        def drawn() -> Ints:
            pieces = facet_bodies(workpiece.faces, len(workpiece.vertices))
            return joined_bodies(pieces, workpiece.walls, workpiece.skins, workpiece.rays)

        bodies: Ints = workpiece.measured("body of each facet", drawn)
        return bodies

    @property
    def body_count(self) -> int:
        """Bodies that share no material as drawn."""
        return int(self.bodies.max(initial=-1)) + 1

    @cached_property
    def circles(self) -> Circles:
        """Round outlines of the layers."""
        tolerance = self.value("out_of_round")
        found: Circles = self.workpiece.measured(
            "circles", lambda: circles(self.workpiece.layers, tolerance), tolerance
        )
        return found

    @cached_property
    def rounds(self) -> list[Round]:
        """Upright holes and pins."""
        rows = tuple(self.value(name) for name in ("out_of_round", "credible_height", "round_steady"))
        found: list[Round] = self.workpiece.measured(
            "rounds", lambda: rounds(self.workpiece.layers, self.circles, rows[1], rows[2]), *rows
        )
        return found

    def kinds(self, samples: Samples, near: Bools) -> Ints:
        """What the two sides of each near reading are to one another; slot where it is not near."""
        chosen = np.flatnonzero(near)
        kind = np.full(len(samples), _SLOT, dtype=np.int64)
        regions = [r for r in self.workpiece.submission.regions if r.part == self.workpiece.part.id]
        if regions and len(chosen):
            moves = np.array([r.kind in _MOVES for r in regions] + [False])
            bends = np.array([r.kind is RegionKind.FLEXURE for r in regions] + [False])
            ends = self._ends(samples, chosen)
            here, beyond = (region_of(regions, self.workpiece.to_part(end)) for end in ends)
            apart = (moves[here] | moves[beyond]) & ((here != beyond) | bends[here])
            kind[chosen[apart]] = _REGIONS
        if self.body_count > 1 and len(chosen):
            here, beyond = sides(samples, self.workpiece.rays, self.bodies, chosen).T
            kind[chosen[(here >= 0) & (beyond >= 0) & (here != beyond)]] = _BODIES
        return kind

    def _ends(self, samples: Samples, chosen: Ints) -> tuple[Floats, Floats]:
        """Points just inside the material on both sides, half-way up what each reading stands for."""
        into = samples.inward[chosen] * np.minimum(_INTO_MM, samples.clearance_mm[chosen] / 2)[:, None]
        here, beyond = samples.point[chosen] - into, samples.opposite[chosen] + _INTO_MM * samples.inward[chosen]
        if isinstance(samples, Walls):
            half_up = np.zeros(len(self.workpiece.layers))
            height = samples.run_top_mm - samples.run_bottom_mm
            # The tallest run of equal layers speaks for all.
            order = np.argsort(height, kind="stable")
            half_up[samples.run_layer[order]] = ((samples.run_bottom_mm + samples.run_top_mm) / 2)[order]
            here[:, 2] = beyond[:, 2] = half_up[samples.layer[chosen]]
        return here, beyond

    def places(self, samples: Samples, below_mm: float, **other: float) -> list[ThinPlace]:
        """Credible gaps that may be narrower than a bound; notches left out."""
        least = {**self.credible, **other}
        if isinstance(samples, Skins):
            least["min_height_mm"] = 0.0
        found, _ = thin_places(samples, below_mm + self.unsound_mm - self.resolution_mm, **least)
        return [place for place in found if place.kind == "wall"]

    def centre(self, place: ThinPlace) -> Floats:
        """Middle of the place in the part's frame [mm]."""
        centre: Floats = self.workpiece.to_part(np.array([place.point_mm]))[0]
        return centre

    def width(self, place: ThinPlace, quantity: str, method: str) -> Measurement:
        width_mm = round(place.width_mm / self.resolution_mm) * self.resolution_mm
        return Measurement(quantity, width_mm, "mm", place.uncertainty_mm + self.unsound_mm, method)

    @property
    def caution(self) -> str:
        """What a message adds when the mesh is not sound."""
        return unsound_words("width", self.unsound_mm)


# --- in the plane of the layers ------------------------------------------------------------


def _in_plane(case: _Case) -> Iterator[_Found]:
    """Clearances too narrow, over their height or in the first layer alone, and slots too narrow."""
    air = case.air
    plate_mm = case.at_plate.limits[0].value + 2 * case.spread_mm
    clearance_mm, slot_mm = (band.limits[0].value for band in (case.clearance, case.slot))
    kinds = case.kinds(air, air.width_mm < max(clearance_mm, slot_mm, plate_mm) + case.unsound_mm)
    free = only(air, kinds != _SLOT)
    tight = case.places(free, clearance_mm)
    low = case.places(near_plate(free, case.value("spread_height")), plate_mm, min_height_mm=0.0)
    squashed = {id(place): [other for other in low if np.isin(other.samples, place.samples).any()] for place in tight}
    for place in tight:
        yield _clearance(case, free, place, kinds, min(squashed[id(place)], key=_narrowness, default=None))
    with_others = [other for others in squashed.values() for other in others]
    for place in low:
        if not any(place is other for other in with_others):
            yield _squashed(case, free, place, kinds)
    slots = only(air, kinds == _SLOT)
    for place in case.places(slots, slot_mm, min_height_mm=case.value("slot_height")):
        yield _slot(case, slots, place)


def _clearance(case: _Case, air: Walls, place: ThinPlace, kinds: Ints, low: ThinPlace | None) -> _Found:
    width = case.width(place, "narrowest credible width", _BY_RAYS)
    verdict = case.clearance.verdict(width.value, width.uncertainty)
    message = f"The gap {_at(case, place)} is {mm_words(width.value)} wide over {mm_words(place.length_mm)} "
    message += {
        Verdict.FAILS: "and fuses: what should move is stuck. ",
        Verdict.MARGINAL: "and may fuse: some copies will have to be forced free. ",
        Verdict.MEETS: "and would move free. ",
    }[verdict]
    measurements, bands = [width, *_size(place)], [case.clearance]
    if low is not None:
        left = _left_at_plate(case, low)
        measurements.append(left)
        bands.append(case.at_plate)
        verdict = min(verdict, case.at_plate.verdict(left.value, left.uncertainty), key=_WORST_FIRST.index)
        message += f"{_plate_words(case, left)} "
    message += _rule_words(place, kinds)
    return _of_place(
        case, air, place, verdict, Severity.FUNCTION, message, _widen(case), tuple(measurements), *bands
    )  # fmt: skip


def _squashed(case: _Case, air: Walls, place: ThinPlace, kinds: Ints) -> _Found:
    """A clearance that is wide enough but for its first layer."""
    width = case.width(place, "narrowest credible width in the first layer", _BY_RAYS)
    left = _left_at_plate(case, place)
    verdict = case.at_plate.verdict(left.value, left.uncertainty)
    state = "fuses" if verdict is Verdict.FAILS else "may fuse"
    chamfer_mm = case.value("unattended")
    wide_mm = case.at_plate.limits[0].value + 2 * case.spread_mm
    return _of_place(
        case,
        air,
        place,
        verdict,
        Severity.FUNCTION,
        f"The gap {_at(case, place)} is {mm_words(width.value)} wide over {mm_words(place.length_mm)} where it "
        f"meets the plate and {state} there. {_plate_words(case, left)} {_rule_words(place, kinds)}",
        f"Draw it {mm_words(wide_mm)} wide or more at the plate, or chamfer the lower edges on both sides by "
        f"{mm_words(chamfer_mm)}.",
        (left, width, *_size(place)),
        case.at_plate,
    )


def _slot(case: _Case, air: Walls, place: ThinPlace) -> _Found:
    width = case.width(place, "narrowest credible width", _BY_RAYS)
    verdict = case.slot.verdict(width.value, width.uncertainty)
    line = mm_words(case.workpiece.setup.line_width_mm)
    if verdict is Verdict.FAILS:
        effect = f"narrower than one printed line of {line}, so it fuses shut."
    else:
        effect = "it may close in places."
    return _of_place(
        case,
        air,
        place,
        verdict,
        Severity.YIELD,
        f"The slot {_at(case, place)} is {mm_words(width.value)} wide over {mm_words(place.length_mm)}: {effect} "
        "It lies within one body and nothing declared moves beside it, so it is judged as a slot.",
        f"Draw it {bound_words(case.slot.limits[0])} wide or more, or close it. If its sides must move, it needs "
        f"{mm_words(case.value('unattended'))}.",
        (width, *_size(place)),
        case.slot,
    )


def _left_at_plate(case: _Case, place: ThinPlace) -> Measurement:
    width = case.width(place, "", _BY_RAYS)
    left_mm = round(squashed_gap(width.value, case.spread_mm) / case.resolution_mm) * case.resolution_mm
    method = f"gap in the first layer less {mm_words(case.spread_mm)} on each side"
    return Measurement("width left at the plate", left_mm, "mm", width.uncertainty, method)


def _plate_words(case: _Case, left: Measurement) -> str:
    spread = mm_words(case.spread_mm)
    if left.value <= 0:
        return f"At the plate nothing is left of it, since the first layer spreads by {spread} on each side."
    return f"At the plate {mm_words(left.value)} is left, since the first layer spreads by {spread} on each side."


def _rule_words(place: ThinPlace, kinds: Ints) -> str:
    """Which rule was used and why."""
    if (kinds[place.samples] == _BODIES).any():
        return "It parts two separate bodies, so it is judged as a clearance that must move."
    return "It lies beside a part that is declared to move, so it is judged as a clearance that must move."


def _widen(case: _Case) -> str:
    least = bound_words(case.clearance.limits[0])
    return f"Draw it {mm_words(case.value('unattended'))} wide; {least} is the least that moves free."


# --- straight up ---------------------------------------------------------------------------


def _straight_up(case: _Case) -> Iterator[_Found]:
    """Gaps between floors and roofs that leave too few layers empty."""
    air, layer_mm = case.upright_air, case.workpiece.setup.layer_height_mm
    most_mm = (case.upright.limits[0].value + 1) * layer_mm
    near = air.width_mm < most_mm
    kinds = case.kinds(air, near)
    count = np.full(len(air), np.iinfo(np.int64).max)
    count[near] = _empty(case, air, np.flatnonzero(near))
    wanted = case.upright.limits[0].value
    narrow = near & ((count < wanted) | (air.width_mm < wanted * layer_mm - case.resolution_mm))
    for kind in (_SLOT, _REGIONS, _BODIES):
        alike = only(air, narrow & (kinds == kind))
        for place in case.places(alike, most_mm):
            one = _upright(case, alike, place, count[place.samples], kind)
            if one.verdict is not Verdict.MEETS:
                yield one


def _empty(case: _Case, air: Skins, chosen: Ints) -> Ints:
    ends = np.column_stack([air.point[chosen, 2], air.opposite[chosen, 2]])
    return empty_layers(case.workpiece.layers.z_mm, ends.min(1), ends.max(1))


def _upright(case: _Case, air: Skins, place: ThinPlace, counts: Ints, kind: int) -> _Found:
    layer_mm = case.workpiece.setup.layer_height_mm
    drawn = case.width(place, "height as drawn", _UPRIGHT)
    count = int(np.quantile(counts, 0.05, method="lower"))
    verdict = case.upright.verdict(count)
    by_luck = np.floor(drawn.value / layer_mm + 1e-6) < count
    if by_luck:
        verdict = min(verdict, Verdict.MARGINAL, key=_WORST_FIRST.index)
    layers = f"{count} empty layer{'s' * (count != 1)}"
    message = f"The gap {_at(case, place)}, between what lies below and above, is drawn {mm_words(drawn.value)} high. "
    if count == 0:
        message += "No layer falls into it, so it is not left out and fuses. "
    elif count < case.upright.limits[0].value:
        message += f"It prints as {layers}, {mm_words(count * layer_mm)}: "
        message += "it breaks away by hand and does not move by itself. " if kind else "it may close in places. "
    else:
        message += f"It prints as {layers}, {mm_words(count * layer_mm)}. "
    if by_luck:
        message += "At another height above the plate it would have one empty layer less. "
    message += {
        _SLOT: "It lies within one body and nothing declared moves beside it.",
        _REGIONS: "It lies beside a part that is declared to move.",
        _BODIES: "It parts two separate bodies.",
    }[kind]
    wanted = case.upright.limits[0]
    free = f"{mm_words(wanted.value * layer_mm)} high, {wanted.value:g} whole layers"
    return _of_place(
        case,
        air,
        place,
        verdict,
        Severity.FUNCTION if kind and verdict is Verdict.FAILS else Severity.YIELD,
        message,
        f"Draw it {free}, to move free, or leave one whole layer of {mm_words(layer_mm)} where it is to be broken away."
        if kind
        else f"Draw it {free}, or close it.",
        (
            Measurement("empty layers", count, "count", 0.0, _COUNTED),
            Measurement("height as printed", count * layer_mm, "mm", 0.0, _COUNTED),
            drawn,
            Measurement("area", place.area_mm2, "mm2", 0.0, "sum of the samples"),
        ),
        case.upright,
    )


# --- round holes and pins ------------------------------------------------------------------


def _round_ones(case: _Case) -> Iterator[_Found]:
    """Upright holes and pins too thin."""
    slender = case.value("pin_slender")
    for one in case.rounds:
        band = case.hole if one.hole else case.pin
        diameter_mm = round(one.diameter_mm / case.resolution_mm) * case.resolution_mm
        verdict = band.verdict(diameter_mm, case.unsound_mm)
        if verdict is Verdict.MEETS or (not one.hole and one.height_mm < slender * one.diameter_mm):
            continue
        yield _round_one(case, one, band, diameter_mm, verdict)


def _round_one(case: _Case, one: Round, band: Band, diameter_mm: float, verdict: Verdict) -> _Found:
    centre: Floats = case.workpiece.to_part(np.array([one.point_mm]))[0]
    at, size = at_words(case.workpiece, centre), f"{mm_words(diameter_mm)} across and {mm_words(one.height_mm)} high"
    wanted = bound_words(band.limits[0])
    if one.hole:
        message = f"The upright hole {at} is {size}: " + (
            "it closes." if verdict is Verdict.FAILS else "it may close or come out far too small."
        )
        loss = mm_words(case.value("hole_loss"))
        message += f" Printed holes come out about {loss} smaller than drawn."
        change = f"Draw it {wanted} across or more, or leave it out and drill it."
    else:
        message = f"The upright pin {at} is {size}: " + (
            "it is too thin to stand and breaks across its layers."
            if verdict is Verdict.FAILS
            else "it is weak across its layers."
        )
        change = f"Draw it {wanted} across or more, or put in a metal pin."
    # Rays from the axis end on the hole's wall, or leave through the pin's.
    turns = 2 * np.pi * np.arange(_SPOKES) / _SPOKES
    ways = np.column_stack([np.cos(turns), np.sin(turns), np.zeros(_SPOKES)])
    heights = np.linspace(one.bottom_mm, one.top_mm, 5)[1:-1]
    origins = np.array([(*one.point_mm[:2], z) for z in heights for _ in ways])
    away, face = case.workpiece.rays.first_hit(origins, np.tile(ways, (len(heights), 1)), lift_mm=0.0)
    radius_mm = diameter_mm / 2
    strokes = np.array([[np.subtract(one.point_mm[:2], w[:2] * radius_mm), np.add(one.point_mm[:2], w[:2] * radius_mm)]
                        for w in ways[: _SPOKES // 2]])  # fmt: skip
    x, y, _ = one.point_mm
    corners = [
        (x + i * radius_mm, y + j * radius_mm, z) for i in (-1, 1) for j in (-1, 1) for z in (one.bottom_mm, one.top_mm)
    ]
    box = case.workpiece.to_part(np.array(corners))
    axis = case.workpiece.to_part_direction(np.array([[0.0, 0.0, 1.0]]))[0]
    return _Found(
        verdict=verdict,
        severity=Severity.YIELD,
        width_mm=diameter_mm,
        centre_mm=centre,
        message=message + case.caution,
        change=change,
        measurements=(
            Measurement("diameter", diameter_mm, "mm", case.unsound_mm, _FITTED),
            Measurement("least width across flats", one.across_flats_mm, "mm", case.unsound_mm, _FITTED),
            Measurement("height", one.height_mm, "mm", 0.0, "lowest to highest layer"),
            Measurement("height over diameter", one.height_mm / one.diameter_mm, "-", 0.0, _FITTED),
        ),
        limits=band.limits,
        place=Place(vector(centre), vector(axis), (vector(box.min(0)), vector(box.max(0))), "faces"),
        faces=np.unique(face[(face >= 0) & (away <= 1.1 * radius_mm)]),
        layer=one.layer,
        strokes=strokes,
    )


# --- what all share ------------------------------------------------------------------------


def _of_place(
    case: _Case,
    air: Walls | Skins,
    place: ThinPlace,
    verdict: Verdict,
    severity: Severity,
    message: str,
    change: str,
    measurements: tuple[Measurement, ...],
    *bands: Band,
) -> _Found:
    ends = np.stack([air.point[place.samples], air.opposite[place.samples]])
    layer, strokes = -1, np.zeros((0, 2, 2))
    if isinstance(air, Walls):
        layer = int(np.argmax(np.bincount(air.layer[place.samples], weights=air.area_mm2[place.samples])))
        here = air.layer[place.samples] == layer
        strokes = np.swapaxes(ends[:, here, :2], 0, 1)
        ends = np.concatenate([ends, ends])
        ends[:2, :, 2], ends[2:, :, 2] = place.bottom_mm, place.top_mm
    ends = case.workpiece.to_part(ends.reshape(-1, 3))
    centre = case.centre(place)
    normal = case.workpiece.to_part_direction(np.array([place.normal]))[0]
    return _Found(
        verdict=verdict,
        severity=severity,
        width_mm=place.width_mm,
        centre_mm=centre,
        message=message + case.caution,
        change=change,
        measurements=measurements,
        limits=tuple(limit for band in bands for limit in band.limits),
        place=Place(vector(centre), vector(normal), (vector(ends.min(0)), vector(ends.max(0))), "faces"),
        faces=touched_faces(air, place, case.workpiece.rays),
        layer=layer,
        strokes=strokes,
    )


def _told(case: _Case, one: _Found, name: str) -> Finding:
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        one.verdict,
        one.message,
        one.change,
        severity=one.severity,
        measurements=one.measurements,
        limits=one.limits,
        where=(one.place,),
        evidence={"faces": one.faces},
    )


def _whole_part(case: _Case, found: list[_Found], listed: int) -> Finding:
    """The one finding that speaks for the whole part."""
    verdict = found[0].verdict if found else Verdict.MEETS
    smallest = _smallest(case)
    pairs = _between_bodies(case)
    pieces: int = case.workpiece.measured("printed pieces", lambda: printed_pieces(case.workpiece.layers))
    counted = [(v, sum(one.verdict is v for one in found)) for v in _WORST_FIRST[:2]]
    if found:
        words = {Verdict.FAILS: "too small and will fuse, close or break", Verdict.MARGINAL: "doubtful"}
        parts = [f"{count} {'is' if count == 1 else 'are'} {words[v]}" for v, count in counted if count]
        message = f"Of the gaps, slots, upright holes and pins, {' and '.join(parts)}."
    else:
        message = "Every gap, slot, upright hole and pin is wide enough."
    if smallest is not None:
        place, width = smallest
        message += f" The narrowest gap in the plane of the layers is {mm_words(width.value)} wide, {_at(case, place)}."
    else:
        message += " No gap in the plane of the layers has sides that run alike."
    change = f"Widen them as said for each; {_widen_all(case)}" if found else ""
    if case.body_count > 1:
        message += f" The part is drawn as {case.body_count} separate bodies and prints as {pieces or 'no'} "
        message += f"piece{'s' * (pieces != 1)}."
        if pieces < case.body_count and not case.unsound_mm and not found:
            verdict = Verdict.MARGINAL
            change = "Join the bodies in the drawing if they are one piece, or leave two empty layers between them."
    if len(found) > listed:
        rest = len(found) - listed
        message += f" {rest} more {'is' if rest == 1 else 'are'} not listed one by one."
    drawn = _drawn(case, found)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message + case.caution,
        change,
        severity=min((one.severity for one in found), default=Severity.YIELD),
        measurements=(
            *((smallest[1],) if smallest is not None else ()),
            *(Measurement(f"gaps, holes and pins: {v.value}", count, "count") for v, count in counted),
            *pairs,
            *_pieces_measured(case, pieces),
        ),
        limits=tuple(limit for band in case.bands for limit in band.limits),
        where=(found[0].place,) if found else (),
        figures=("gap_layer",) if drawn else (),
        evidence={**drawn, "faces": found[0].faces} if found else {},
    )


def _pieces_measured(case: _Case, pieces: int) -> tuple[Measurement, ...]:
    return (
        Measurement("bodies as drawn", case.body_count, "count", 0.0, "pieces of mesh that share no material"),
        Measurement("pieces as printed", pieces, "count", 0.0, "layers that overlap the one below are one piece"),
    )


def _widen_all(case: _Case) -> str:
    return (
        f"{mm_words(case.value('unattended'))} between what moves, {bound_words(case.slot.limits[0])} for slots, "
        f"{case.upright.limits[0].value:g} empty layers straight up."
    )


def _smallest(case: _Case) -> tuple[ThinPlace, Measurement] | None:
    """The narrowest credible gap in the plane of the layers, whatever it is for."""
    place = thinnest_place(case.air, **case.credible)
    return None if place is None else (place, case.width(place, "narrowest gap in the plane", _BY_RAYS))


def _between_bodies(case: _Case) -> list[Measurement]:
    """The narrowest gap between each two bodies that stand beside or over one another."""
    if case.body_count < 2:
        return []
    middles = [
        case.workpiece.part.vertices[np.unique(case.workpiece.faces[case.bodies == body])].mean(0)
        for body in range(case.body_count)
    ]
    found = [*_narrowest_between(case, case.air, _BY_RAYS), *_narrowest_between(case, case.upright_air, _UPRIGHT)]
    narrowest: dict[tuple[int, int], tuple[ThinPlace, str]] = {}
    for pair, place, method in sorted(found, key=lambda one: -one[1].width_mm):
        narrowest[pair] = (place, method)
    return [
        case.width(
            place,
            f"smallest gap between the bodies {place_name(middles[first])} and {place_name(middles[second])}",
            method,
        )
        for (first, second), (place, method) in sorted(narrowest.items())
    ]


def _narrowest_between(case: _Case, air: AirSamples, method: str) -> Iterator[tuple[tuple[int, int], ThinPlace, str]]:
    """The narrowest credible gap between each two bodies, of one kind of reading."""
    chosen = np.flatnonzero(np.isfinite(air.width_mm))
    pair = np.sort(sides(air, case.workpiece.rays, case.bodies, chosen), axis=1)
    known = (pair[:, 0] >= 0) & (pair[:, 0] != pair[:, 1])
    for first, second in np.unique(pair[known], axis=0)[: case.listed].tolist():
        between = np.zeros(len(air), dtype=bool)
        between[chosen[(pair == (first, second)).all(1)]] = True
        place = thinnest_place(only(air, between), **{**case.credible, "min_height_mm": 0.0})
        if place is not None:
            yield (first, second), place, method


def _drawn(case: _Case, found: list[_Found]) -> Mapping[str, NDArray[Any]]:
    """The layer of the worst place in the plane, with all that is found in it."""
    worst = next((one for one in found if len(one.strokes)), None)
    if worst is None:
        return {}
    here = [one for one in found if one.layer == worst.layer and len(one.strokes)]
    low, high = worst.strokes.min((0, 1)), worst.strokes.max((0, 1))
    half = np.clip(max(float((high - low).max()) * 0.75, _ZOOM_WIDTHS * worst.width_mm), _ZOOM_LEAST_MM, _ZOOM_MOST_MM)
    middle = worst.strokes.mean(1)
    middle = middle[np.argmin(np.linalg.norm(middle - (low + high) / 2, axis=1))]
    layers = case.workpiece.layers
    return {
        "outline": ring_points(layers.regions[worst.layer]),
        "layer_z_mm": np.array([layers.z_mm[worst.layer]]),
        "gaps": np.concatenate([one.strokes for one in here]),
        "gap_count": np.array([len(here)]),
        "worst_mm": np.array([worst.width_mm]),
        "zoom": np.array([middle - half, middle + half]),
    }


def _at(case: _Case, place: ThinPlace) -> str:
    return at_words(case.workpiece, case.centre(place))


def _narrowness(place: ThinPlace) -> float:
    return place.width_mm


def _size(place: ThinPlace) -> tuple[Measurement, ...]:
    return (
        Measurement("length", place.length_mm, "mm", 0.0, "area over height"),
        Measurement("height", place.height_mm, "mm", 0.0, "lowest to highest layer"),
    )
