"""PR-06: what is printed over nothing: slopes, bridges, ledges, islands, and supports that cannot come out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from reviewkit.judging import (
    WHOLE,
    at_words,
    finding,
    mm_words,
    not_checked,
    percent_words,
    ring_points,
    subject_names,
    too_open,
    vector,
)
from reviewkit.limits import Limits
from reviewkit.measure.overhangs import (
    Overhang,
    Overhangs,
    Rules,
    access,
    overhangs,
)
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-06"
DOMAIN = "printability"

_BY_LAYERS = "each layer against the one below"
_BY_FACETS = "facets by their normals"
_BY_RAYS = "projected area times height down to the plate or the first surface below"
_WORST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.MEETS)
_BARS_DEG = 5.0


def overhanging(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge overhangs, bridges, ledges, islands and enclosed supports.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``overhang.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a place that does not meet.
    """
    if not len(workpiece.layers):
        return [not_checked(workpiece, CODE, DOMAIN, "Overhangs were", "the part has no layers")]
    if reason := too_open(workpiece, limits, workpiece.layers.open_mm, workpiece.layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Overhangs were", reason)]
    case = _Case.of(workpiece, limits)
    bad = [place for place in case.found.places if case.verdict(place) is not Verdict.MEETS]
    bad.sort(key=lambda place: (_WORST.index(case.verdict(place)), -place.island_mm2, -place.air_mm2))
    listed = bad[: case.listed]
    findings = [
        _place(case, place, name)
        for place, name in zip(listed, subject_names(workpiece, [case.point(place) for place in listed]), strict=True)
    ]
    return [_whole_part(case, bad), *findings]


@dataclass(frozen=True, eq=False)
class _Case:
    """A workpiece, what of it is over nothing, and the rows that PR-06 judges it by."""

    workpiece: Workpiece
    found: Overhangs
    angle: Band
    run: Band
    bridge: Band
    ledge: Band
    islands: Band
    overlap: Band
    opening_mm: float
    shut_in: float
    listed: int

    @classmethod
    def of(cls, workpiece: Workpiece, limits: Limits) -> "_Case":
        setup = workpiece.setup

        def band(name: str) -> Band:
            return limits.band(f"overhang.{name}", setup)

        def value(name: str) -> float:
            return limits.value(f"overhang.{name}", setup).value

        rules = Rules.of(limits, setup)
        vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
        return cls(
            workpiece=workpiece,
            found=workpiece.measured(
                "overhangs", lambda: overhangs(workpiece.layers, vertices, faces, rays, rules), rules
            ),
            angle=band("angle"),
            run=band("run"),
            bridge=band("bridge"),
            ledge=band("ledge"),
            islands=band("islands"),
            overlap=band("overlap"),
            opening_mm=value("support_opening"),
            shut_in=value("shut_in"),
            listed=round(value("listed")),
        )

    def judged(self, place: Overhang) -> dict[str, Verdict]:
        """Verdict by what is judged: island, bridge, ledge, slope, overlap."""
        verdicts = {
            "island": self.islands.verdict(float(place.island_mm2 > 0)),
            "bridge": self.bridge.verdict(round(place.span_mm, 3)),
            "ledge": self.ledge.verdict(round(place.reach_mm, 3)),
            "slope": self.run.verdict(round(place.run_mm, 3)),
        }
        # A lid that is held all round rests on little and yet lies well.
        if place.reach_mm > 0 or not place.span_mm:
            verdicts["overlap"] = self.overlap.verdict(place.overlap)
        return verdicts

    def verdict(self, place: Overhang) -> Verdict:
        return min(self.judged(place).values(), key=_WORST.index, default=Verdict.MEETS)

    def at(self, place: Overhang) -> str:
        return at_words(self.workpiece, self.point(place))

    def point(self, place: Overhang) -> Floats:
        """Its point in the part's frame [mm]."""
        point: Floats = self.workpiece.to_part(place.point.reshape(1, 3))[0]
        return point

    def columns(self, places: Sequence[Overhang]) -> np.ndarray:
        """Support columns below places."""
        faces = np.concatenate([place.faces for place in places] or [np.empty(0, np.int64)])
        return np.flatnonzero(np.isin(self.found.supports.facet, faces))

    def support_mm3(self, places: Sequence[Overhang]) -> float:
        columns = self.columns(places)
        return float(self.found.supports.area_mm2[columns] @ self.found.supports.height_mm[columns])

    def shut_in_share(self, places: Sequence[Overhang]) -> float:
        """Share of the support below places that no tool can reach."""
        columns = self.columns(places)
        volume = self.found.supports.area_mm2[columns] * self.found.supports.height_mm[columns]
        middles = self.found.supports.top[columns] - [0.0, 0.0, 0.5] * self.found.supports.height_mm[columns, None]
        if not volume.sum():
            return 0.0
        reach = self.workpiece.measured(
            "access", lambda: access(self.workpiece.layers, self.opening_mm), self.opening_mm
        )
        return float(volume[~reach.at(middles)].sum() / volume.sum())


def _place(case: _Case, place: Overhang, name: str) -> Finding:
    """The finding on one place that does not meet."""
    verdicts = case.judged(place)
    verdict = case.verdict(place)
    worst = next(kind for kind, found in verdicts.items() if found is verdict)
    shut_in = case.shut_in_share([place]) if verdict is Verdict.FAILS else 0.0
    words, change, band = _WORDS[worst](case, place)
    message = f"{words}."
    if shut_in > case.shut_in:
        message += (
            " Support is no way out: it would stand in a hollow that no tool "
            f"{mm_words(case.opening_mm)} wide can reach, so nobody could take it out."
        )
    volume = case.support_mm3([place])
    measurements = [
        Measurement("longest line in the air held at both ends", place.span_mm, "mm", 0.0, _BY_LAYERS),
        Measurement("farthest reach held at one side", place.reach_mm, "mm", 0.0, _BY_LAYERS),
        Measurement(
            f"reach between {case.angle.limits[0].value:g} and {case.angle.limits[1].value:g} degrees",
            place.run_mm, "mm", 0.0, _BY_LAYERS,
        ),
        Measurement("angle from the vertical", place.angle_deg, "deg", 0.0, f"{_BY_FACETS}; 5 % leans farther"),
        Measurement("area over nothing, seen from above", place.air_mm2, "mm2", 0.0, _BY_LAYERS),
        Measurement("volume of support", volume, "mm3", 0.0, _BY_RAYS),
    ]  # fmt: skip
    if place.island_mm2:
        measurements.insert(0, Measurement("height at which it starts", place.island_mm, "mm", 0.0, _BY_LAYERS))
        measurements.insert(0, Measurement("area that starts in mid-air", place.island_mm2, "mm2", 0.0, _BY_LAYERS))
    if place.overlap < 1:
        measurements.append(Measurement("share that rests on the layer below", place.overlap, "-", 0.0, _BY_LAYERS))
    if verdict is Verdict.FAILS:
        measurements.append(_shut_in(shut_in))
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        verdict,
        message,
        change,
        measurements=tuple(measurements),
        limits=band.limits,
        where=(_where(case, place),),
        evidence={"faces": place.faces},
    )


def _island(case: _Case, place: Overhang) -> tuple[str, str, Band]:
    words = (
        f"A piece of {_mm2_words(place.island_mm2)} starts in mid-air {case.at(place)}, {mm_words(place.island_mm)} "
        "above the plate, with nothing below it: its first lines fall and are dragged along"
    )
    change = (
        f"Let it grow out of the part at {case.angle.limits[0].value:g}° from the vertical or less, start it on the "
        "plate, or turn the part."
    )
    return words, change, case.islands


def _bridge(case: _Case, place: Overhang) -> tuple[str, str, Band]:
    bound = case.bridge.limits[0]
    over = "sag and come loose" if case.bridge.verdict(place.span_mm) is Verdict.FAILS else "may sag"
    words = (
        f"A flat underside {case.at(place)} is held at both ends and spans {mm_words(place.span_mm)} over nothing: its "
        f"lines {over}"
    )
    change = (
        f"Bring the span to {bound.value:g} mm or less by a rib below it, or vault it: two sides that lean "
        f"{case.angle.limits[0].value:g}° from the vertical or less and meet."
    )
    return words, change, case.bridge


def _ledge(case: _Case, place: Overhang) -> tuple[str, str, Band]:
    bound = case.ledge.limits[0]
    lean = (
        "A flat ledge"
        if place.angle_deg > 85 or not len(place.faces)
        else f"An underside that leans {place.angle_deg:.0f}° from the vertical"
    )
    fall = "droop or fall" if case.ledge.verdict(place.reach_mm) is Verdict.FAILS else "may droop"
    words = (
        f"{lean} {case.at(place)} is held at one side only and reaches out {mm_words(place.reach_mm)} over nothing: "
        f"its lines {fall}"
    )
    change = (
        f"Carry it on a slope of {case.angle.limits[0].value:g}° from the vertical or less, "
        f"{mm_words(place.reach_mm)} high, or let it reach out {bound.value:g} mm or less."
    )
    return words, change, case.ledge


def _slope(case: _Case, place: Overhang) -> tuple[str, str, Band]:
    mild, steep = case.angle.limits
    words = (
        f"An underside {case.at(place)} leans between {mild.value:g}° and {steep.value:g}° from the vertical over a "
        f"reach of {mm_words(place.run_mm)}: it comes out rough, and its edge may curl up"
    )
    change = f"Draw it at {mild.value:g}° from the vertical or less."
    return words, change, case.run


def _overlap(case: _Case, place: Overhang) -> tuple[str, str, Band]:
    bound = case.overlap.limits[0]
    words = (
        f"A layer {case.at(place)} widens at once: only {percent_words(max(place.overlap, 0.0))} of it rests on the "
        "layer below"
    )
    change = f"Let {percent_words(bound.value)} or more of each layer rest on the one below."
    return words, change, case.overlap


_WORDS = {"island": _island, "bridge": _bridge, "ledge": _ledge, "slope": _slope, "overlap": _overlap}


def _whole_part(case: _Case, bad: list[Overhang]) -> Finding:
    """The one finding that speaks for the whole part."""
    places = [place for place in case.found.places if not place.carried]
    mild, steep = case.angle.limits
    down, support_mm3 = case.found.down, case.found.supports.volume_mm3
    beyond_mm2, steep_mm2 = (down.beyond_mm2(limit.value) for limit in (mild, steep))
    share = beyond_mm2 / float(down.area_mm2.sum())
    span_mm = max((place.span_mm for place in places), default=0.0)
    reach_mm = max((place.reach_mm for place in places), default=0.0)
    run_mm = max((place.run_mm for place in places), default=0.0)
    islands = sum(place.island_mm2 > 0 for place in places)
    verdict = case.verdict(bad[0]) if bad else Verdict.MEETS
    failing = [place for place in bad if case.verdict(place) is Verdict.FAILS]
    shut_in = case.shut_in_share(failing) if failing else 0.0

    if beyond_mm2 < 0.5:
        message = f"Nothing of the part leans over by more than {mild.value:g}° from the vertical."
    else:
        message = (
            f"Of the surface, {percent_words(share)} ({_mm2_words(beyond_mm2)}) leans over by more than "
            f"{mild.value:g}° from the vertical."
        )
    message += _reach_words(span_mm, reach_mm, bool(bad))
    if bad:
        few = "One place" if len(bad) == 1 else f"{len(bad)} places"
        message += (
            f" {few} will not print cleanly as drawn; the worst is {case.at(bad[0])}. Support under all that "
            f"leans over would be {_mm3_words(support_mm3)}, to be broken off by hand from every copy."
        )
        if len(bad) > case.listed:
            message += f" {len(bad) - case.listed} of them are not listed one by one."
    if shut_in > case.shut_in:
        message += f" Of the support that is needed, {percent_words(shut_in)} could never be taken out."
    carried = sum(place.carried for place in case.found.places)
    if carried:
        message += (
            f" {'One place is' if carried == 1 else f'{carried} places are'} laid across a thin gap onto the part."
        )
    bars, area = _bars(case)
    evidence = {
        "bin_edges_deg": bars,
        "bin_area_mm2": area,
        "surface_mm2": np.array([down.area_mm2.sum()]),
        "bands_deg": np.array([mild.value, steep.value]),
        "faces": np.unique(np.concatenate([place.faces for place in bad] or [np.empty(0, np.int64)])),
    }
    figures = ["overhang_map"] if area.sum() > 0 else []
    shown = next((place for place in bad if place.layer in case.found.in_air), None)
    if shown is not None:
        evidence |= _layer_drawn(case, shown)
        figures.append("midair_layer")
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        "" if not bad else "Change the places listed, or turn the part so that they face up.",
        measurements=(
            Measurement(f"surface beyond {mild.value:g} degrees", beyond_mm2, "mm2", 0.0, _BY_FACETS),
            Measurement(f"surface beyond {steep.value:g} degrees", steep_mm2, "mm2", 0.0, _BY_FACETS),
            Measurement("share of the surface", share, "-", 0.0, _BY_FACETS),
            Measurement("longest line in the air held at both ends", span_mm, "mm", 0.0, _BY_LAYERS),
            Measurement("farthest reach held at one side", reach_mm, "mm", 0.0, _BY_LAYERS),
            Measurement("farthest reach between the angles", run_mm, "mm", 0.0, _BY_LAYERS),
            Measurement("pieces that start in mid-air", islands, "count", 0.0, _BY_LAYERS),
            Measurement("volume of support", support_mm3, "mm3", 0.0, _BY_RAYS),
            *([_shut_in(shut_in)] if failing else []),
        ),
        limits=_limits(case),
        where=tuple(_where(case, place) for place in bad[: case.listed]),
        figures=tuple(figures),
        evidence=evidence,
    )  # fmt: skip


def _shut_in(share: float) -> Measurement:
    return Measurement("share of the support that no tool can reach", share, "-", 0.0, "a ball passed over a grid")


def _reach_words(span_mm: float, reach_mm: float, wrong: bool) -> str:
    found = []
    if span_mm:
        found.append(f"the longest bridge spans {mm_words(span_mm)}")
    if reach_mm:
        found.append(f"the longest ledge reaches out {mm_words(reach_mm)}")
    if not found:
        return "" if wrong else " It prints without support."
    words = " and ".join(found)
    return f" {words[0].upper()}{words[1:]}{'.' if wrong else ': it prints without support.'}"


def _limits(case: _Case) -> tuple[Limit, ...]:
    bands = (case.angle, case.bridge, case.ledge, case.run, case.islands, case.overlap)
    return tuple(limit for band in bands for limit in band.limits)


def _bars(case: _Case) -> tuple[Floats, Floats]:
    """Down-facing surface by angle, the plate left out."""
    edges = np.arange(0.0, 90.0 + _BARS_DEG, _BARS_DEG)
    down = case.found.down
    # Walls are no overhang, whatever single precision makes of them; an angle on an edge is not beyond it.
    leaning = (down.angle_deg > 0.1) & ~down.on_plate
    angle = np.maximum(down.angle_deg[leaning] - 0.01, 0.0)
    return edges, np.histogram(angle, bins=edges, weights=down.area_mm2[leaning])[0]


def _layer_drawn(case: _Case, place: Overhang) -> dict[str, Floats]:
    """The layer that shows most of a place over the layer below."""
    layers = case.workpiece.layers
    air = case.found.in_air[place.layer]
    # The last layer may be thinner; what hangs is drawn as it is.
    return {
        "layer_z_mm": np.array([layers.z_mm[place.layer]]),
        "below": _rings(layers.regions[place.layer - 1]),
        "here": _rings(layers.regions[place.layer]),
        "in_air": _rings(air),
        "in_air_mm2": np.array([air.area]),
        "longest": place.ends,
        "longest_mm": np.array([place.span_mm]),
    }


def _rings(region: shapely.Geometry) -> Floats:
    polygons = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon" and not part.is_empty]
    return ring_points(shapely.MultiPolygon(polygons)) if polygons else np.empty((0, 2))


def _where(case: _Case, place: Overhang) -> Place:
    """A place in the part's frame, seen from below."""
    point = case.point(place)
    down = vector(case.workpiece.to_part_direction(np.array([[0.0, 0.0, -1.0]]))[0])
    if not len(place.faces):
        return Place(vector(point), down)
    corners = case.workpiece.part.vertices[case.workpiece.faces[place.faces].ravel()]
    low, high = np.minimum(corners.min(axis=0), point), np.maximum(corners.max(axis=0), point)
    return Place(vector(point), down, (vector(low), vector(high)), "faces")


def _mm2_words(area_mm2: float) -> str:
    return f"{area_mm2:.0f} mm²" if area_mm2 >= 10 else f"{area_mm2:.2g} mm²"


def _mm3_words(volume_mm3: float) -> str:
    return f"{volume_mm3 / 1000:.3g} cm³" if volume_mm3 >= 1000 else f"{volume_mm3:.3g} mm³"
