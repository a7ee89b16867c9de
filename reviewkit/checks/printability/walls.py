"""PR-04: walls, edges and skins too thin to print, and widths that are no whole number of lines."""

from dataclasses import dataclass

import numpy as np

from reviewkit.judging import (
    WHOLE,
    at_words,
    bound_words,
    finding,
    mm_words,
    not_checked,
    percent_words,
    ring_points,
    subject_names,
    too_open,
    unsound_words,
    vector,
)
from reviewkit.limits import Limits
from reviewkit.measure.walls import (
    Samples,
    ThinPlace,
    Walls,
    area_share_below,
    bending_change,
    odd_widths,
    thin_places,
    thinnest_place,
    tip_below,
    touched_faces,
    width_quantile,
)
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import RegionKind
from reviewkit.workpiece import Workpiece

CODE = "PR-04"
DOMAIN = "printability"

_SKINS = "skins"
_BY_RAYS = "rays along the inward normal in each layer"
_CREDIBLE = f"{_BY_RAYS}; 5 % of the place is thinner"
_SUMMED = "sum of the samples"
# Walls of these regions carry the part's function.
_WORKING = (RegionKind.FLEXURE, RegionKind.GRIP, RegionKind.FIXED, RegionKind.MOVING)
# The histogram reaches so many lines far, in so many bars.
_DRAWN_LINES, _BARS = 10, 40


def walls(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge wall thickness, tapered edges, odd widths and skins.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``wall.*`` and ``skin.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a thin wall or tapered edge, one a group of equal
        odd widths, and one for all thin skins.
    """
    case = _Case.of(workpiece, limits)
    if not np.isfinite(case.samples.width_mm).any():
        return [not_checked(workpiece, CODE, DOMAIN, "Wall thickness was", "no layer of the part has an outline")]
    if reason := too_open(workpiece, limits, workpiece.layers.open_mm, workpiece.layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Wall thickness was", reason)]
    places, small_mm2 = thin_places(case.samples, case.below_mm, **case.credible)
    thin = [place for place in places if place.kind == "wall"]
    thin = sorted([*thin, *_failing_parts(case, thin)], key=lambda place: case.verdict(place) is not Verdict.FAILS)
    edges = [place for place in places if place.kind == "edge" and case.edge_verdict(place) is not Verdict.MEETS]
    groups = _odd_groups(case)

    listed = [*thin[: case.listed], *edges[: case.listed]]
    findings = [
        _wall(case, place, name) if place.kind == "wall" else _edge(case, place, name)
        for place, name in zip(
            listed, subject_names(workpiece, [case.centre(place) for place in listed], (_SKINS,)), strict=True
        )
    ]
    findings += [_odd(case, group) for group in groups[: case.listed]]
    findings += _skins(case)
    unlisted = [*thin[case.listed :], *edges[case.listed :], *(p for g in groups[case.listed :] for p in g)]
    return [_whole_part(case, thin, unlisted, small_mm2, findings), *findings]


@dataclass(frozen=True, eq=False)
class _Case:
    """A workpiece and the rows that PR-04 judges it by."""

    workpiece: Workpiece
    band: Band
    skin_band: Band
    edge_band: Band
    off_whole_line: Limit
    odd_up_to_mm: float
    scatter_mm: float
    credible: dict[str, float]
    parallel_deg: float
    steady_mm: float
    resolution_mm: float
    unsound_mm: float
    listed: int

    @classmethod
    def of(cls, workpiece: Workpiece, limits: Limits) -> "_Case":
        setup = workpiece.setup

        def value(name: str) -> float:
            return limits.value(f"wall.{name}", setup).value

        return cls(
            workpiece=workpiece,
            band=limits.band("wall.thickness", setup),
            skin_band=limits.band("skin.thickness", setup),
            edge_band=limits.band("wall.edge_loss", setup),
            off_whole_line=limits.band("wall.off_whole_line", setup).limits[0],
            odd_up_to_mm=value("odd_up_to"),
            scatter_mm=value("line_scatter"),
            credible={
                "join_mm": value("join"),
                "facing_deg": value("facing"),
                "min_area_mm2": value("credible_area"),
                "min_length_mm": value("credible_length"),
                "min_height_mm": value("credible_height"),
            },
            parallel_deg=value("parallel"),
            steady_mm=value("steady"),
            resolution_mm=value("resolution"),
            unsound_mm=0.0 if workpiece.part.health.sound else value("unsound"),
            listed=round(value("listed")),
        )

    @property
    def samples(self) -> Walls:
        return self.workpiece.walls

    @property
    def line_mm(self) -> float:
        return self.workpiece.setup.line_width_mm

    @property
    def wanted(self) -> Limit:
        """The stricter bound on wall thickness."""
        return self.band.limits[0]

    @property
    def below_mm(self) -> float:
        """A wall as thick as wanted but for the file's rounding is not thin [mm]."""
        return self.wanted.value - self.resolution_mm

    def rounded(self, width_mm: float) -> float:
        """A width as finely as it is judged [mm]."""
        return round(width_mm / self.resolution_mm) * self.resolution_mm

    def width(self, place: ThinPlace, quantity: str = "thinnest credible width") -> Measurement:
        uncertainty_mm = place.uncertainty_mm + self.unsound_mm
        return Measurement(quantity, self.rounded(place.width_mm), "mm", uncertainty_mm, _CREDIBLE)

    def verdict(self, place: ThinPlace) -> Verdict:
        width = self.width(place)
        return self.band.verdict(width.value, width.uncertainty)

    def edge_verdict(self, place: ThinPlace) -> Verdict:
        return self.edge_band.verdict(tip_below(self.line_mm, place.taper_deg))

    def stiffening(self, width_mm: float) -> Measurement:
        """What a line that comes out wider does to a flexure."""
        quantity = f"bending stiffness gained by a line {mm_words(self.scatter_mm)} wider"
        return Measurement(quantity, bending_change(width_mm, self.scatter_mm), "-", 0.0, "stiffness ~ thickness cubed")

    def centre(self, place: ThinPlace) -> Floats:
        """Middle of the place in the part's frame [mm]."""
        centre: Floats = self.workpiece.to_part(np.array([place.point_mm]))[0]
        return centre

    def at(self, place: ThinPlace) -> str:
        return at_words(self.workpiece, self.centre(place))

    def region(self, place: ThinPlace) -> str:
        return self.workpiece.region_at(self.centre(place))

    def kind(self, place: ThinPlace) -> RegionKind | None:
        """What the region that holds the place is for."""
        name = self.region(place)
        return next((r.kind for r in self.workpiece.submission.regions if name and r.name == name), None)

    def severity(self, *places: ThinPlace) -> Severity:
        return Severity.FUNCTION if any(self.kind(place) in _WORKING for place in places) else Severity.YIELD

    @property
    def caution(self) -> str:
        """What a message adds when the mesh is not sound."""
        return unsound_words("thickness", self.unsound_mm)


def _failing_parts(case: _Case, thin: list[ThinPlace]) -> list[ThinPlace]:
    """Places that fail inside a larger one that does not fail as a whole."""
    if case.band.fails is None:
        return []
    parts, _ = thin_places(case.samples, case.band.fails.value - case.resolution_mm, **case.credible)
    failing = [place.samples for place in thin if case.verdict(place) is Verdict.FAILS]
    told = np.concatenate(failing) if failing else np.zeros(0, dtype=np.int64)
    return [part for part in parts if part.kind == "wall" and not np.isin(part.samples, told).any()]


def _wall(case: _Case, place: ThinPlace, name: str) -> Finding:
    width = case.width(place)
    verdict = case.verdict(place)
    stiffening = case.stiffening(place.median_mm)
    thick = f"The wall {case.at(place)} is {mm_words(width.value)} thick"
    if place.median_mm - place.width_mm > case.steady_mm:
        thick += f" at its thinnest, half of it under {mm_words(place.median_mm)},"
    thick += f" over {mm_words(place.length_mm)}"
    line = mm_words(case.line_mm)
    if verdict is Verdict.FAILS:
        message = f"{thick}; one printed line is {line}, so it will be missing in places."
    else:
        message = (
            f"{thick}: room for one printed line of {line} but not for two, so it comes out as a single line or with "
            "a gap inside, and its strength varies from copy to copy."
        )
    change = f"Draw it {bound_words(case.wanted)} thick or more"
    if case.kind(place) is RegionKind.FLEXURE:
        message += f" A line {mm_words(case.scatter_mm)} wider makes it {percent_words(stiffening.value)} stiffer."
        longer = case.wanted.value / place.median_mm
        change += f", and {longer:.2g} times as long to keep its bending stiffness"
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        verdict,
        message + case.caution,
        f"{change}.",
        severity=case.severity(place),
        measurements=(
            width,
            Measurement("median width", place.median_mm, "mm", case.unsound_mm, _BY_RAYS),
            Measurement("length", place.length_mm, "mm", 0.0, "area over height"),
            Measurement("height", place.height_mm, "mm", 0.0, "lowest to highest layer"),
            Measurement("area of one side", place.area_mm2, "mm2", 0.0, _SUMMED),
            Measurement("share of the wall surface", place.share, "-", 0.0, _SUMMED),
            stiffening,
        ),
        limits=case.band.limits,
        where=(_where(case, case.samples, place),),
        evidence={"faces": _faces(case, case.samples, place)},
    )


def _edge(case: _Case, place: ThinPlace, name: str) -> Finding:
    loss_mm = tip_below(case.line_mm, place.taper_deg)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        case.edge_verdict(place),
        f"The part tapers to an edge {case.at(place)}: its last {mm_words(loss_mm)} are narrower than one printed line "
        f"of {mm_words(case.line_mm)}, along {mm_words(max(place.height_mm, place.length_mm))} of edge, and will be "
        f"ragged or missing.{case.caution}",
        f"End it with a flat or a rounding {bound_words(case.wanted)} wide, or accept that it ends {mm_words(loss_mm)} "
        "short.",
        severity=case.severity(place),
        measurements=(
            Measurement("length of the tip narrower than one line", loss_mm, "mm", 0.0, "from the angle of the faces"),
            Measurement("angle between the faces", place.taper_deg, "deg", 0.0, "median of the place"),
        ),
        limits=case.edge_band.limits,
        where=(_where(case, case.samples, place),),
        evidence={"faces": _faces(case, case.samples, place)},
    )


def _odd_groups(case: _Case) -> list[list[ThinPlace]]:
    """Walls that lie between two whole numbers of lines, those of one width together."""
    off_lines = (case.off_whole_line.value + case.resolution_mm) / case.line_mm
    places = odd_widths(
        case.samples,
        case.line_mm,
        from_mm=case.below_mm,
        to_mm=case.odd_up_to_mm - case.resolution_mm,
        odd_from=off_lines,
        odd_to=1 - off_lines,
        parallel_deg=case.parallel_deg,
        spread_mm=case.steady_mm,
        **{name: value for name, value in case.credible.items() if name != "facing_deg"},
    )
    groups: dict[float, list[ThinPlace]] = {}
    for place in places:
        like = [width_mm for width_mm in groups if abs(width_mm - place.median_mm) <= case.steady_mm / 2]
        groups.setdefault(like[0] if like else place.median_mm, []).append(place)
    return list(groups.values())


def _odd(case: _Case, group: list[ThinPlace]) -> Finding:
    width_mm = case.rounded(group[0].median_mm)
    lines = width_mm / case.line_mm
    fewer = int(np.floor(lines))
    off_mm = min(lines - fewer, fewer + 1 - lines) * case.line_mm
    area_mm2 = sum(place.area_mm2 for place in group)
    where = f"{case.at(group[0])}" if len(group) == 1 else f"in {len(group)} places, the largest {case.at(group[0])}"
    less, more = (f"{mm_words(count * case.line_mm)} ({count} lines)" for count in (fewer, fewer + 1))
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        f"width {width_mm:.2f} mm",
        Verdict.MARGINAL,
        f"Walls {mm_words(width_mm)} thick, {where}, {area_mm2:.0f} mm² in all, are {lines:.2g} printed lines of "
        f"{mm_words(case.line_mm)}: a gap or a line of uneven width is left inside them.{case.caution}",
        f"Draw them {less} or {more} thick.",
        severity=case.severity(*group),
        measurements=(
            Measurement("distance from a whole number of lines", off_mm, "mm", case.unsound_mm, _BY_RAYS),
            Measurement("median width", width_mm, "mm", case.unsound_mm, _BY_RAYS),
            Measurement("area of one side", area_mm2, "mm2", 0.0, _SUMMED),
            case.stiffening(width_mm),
        ),
        limits=(case.off_whole_line,),
        where=tuple(_where(case, case.samples, place) for place in group[: case.listed]),
        figures=("worst_layer",),
        evidence=_layer_drawn(case, *group),
    )


def _skins(case: _Case) -> list[Finding]:
    """One finding for all floors and roofs that are too thin, or none."""
    skins, wanted = case.workpiece.skins, case.skin_band.limits[0]
    places, _ = thin_places(skins, wanted.value - case.resolution_mm, **{**case.credible, "min_height_mm": 0.0})
    thin = [place for place in places if place.kind == "wall"]
    if not thin:
        return []
    worst = min(thin, key=lambda place: place.width_mm)
    width = case.width(worst, "thinnest credible thickness of a floor or roof")
    verdict = case.skin_band.verdict(width.value, width.uncertainty)
    layers = width.value / case.workpiece.setup.layer_height_mm
    area_mm2 = sum(place.area_mm2 for place in thin)
    listed = sorted(thin, key=lambda place: place is not worst)[: case.listed]
    effect = (
        "it will have holes" if verdict is Verdict.FAILS else "the lines below show through, and it may sag or leak"
    )
    return [
        finding(
            case.workpiece,
            CODE,
            DOMAIN,
            _SKINS,
            verdict,
            f"Floors or roofs thinner than {bound_words(wanted)}: {len(thin)}, {area_mm2:.0f} mm² in all. The "
            f"thinnest, {case.at(worst)}, is {mm_words(width.value)} thick, {layers:.2g} layers: {effect}."
            f"{case.caution}",
            f"Make floors and roofs {bound_words(wanted)} thick or more.",
            severity=case.severity(*listed),
            measurements=(width, Measurement("area of thin floors and roofs", area_mm2, "mm2", 0.0, _SUMMED)),
            limits=case.skin_band.limits,
            where=tuple(_where(case, skins, place) for place in listed),
            figures=("skin_thickness",),
            evidence={**_histogram(case, skins), "faces": _faces(case, skins, *thin)},
        )
    ]


def _whole_part(
    case: _Case, thin: list[ThinPlace], unlisted: list[ThinPlace], small_mm2: float, findings: list[Finding]
) -> Finding:
    """The one finding that speaks for the whole part."""
    facing_deg = case.credible["facing_deg"]
    worst: ThinPlace | None
    if thin:
        worst = min(thin, key=lambda place: place.width_mm)
    else:
        # Narrower readings are known by now not to add up to a place.
        worst = thinnest_place(case.samples, **case.credible, from_mm=case.below_mm)
    if worst is None:
        return _no_walls(case, small_mm2)
    width, verdict = case.width(worst), case.verdict(worst)
    thinnest = f"the thinnest is {mm_words(width.value)} thick, {case.at(worst)}"
    shares = [
        (limit, area_share_below(case.samples, limit.value - case.resolution_mm, facing_deg))
        for limit in case.band.limits
    ]
    if verdict is Verdict.MEETS:
        message = f"All walls are {bound_words(case.wanted)} thick or more; {thinnest}."
        change = ""
    else:
        parts = [f"{percent_words(share)} is thinner than {bound_words(limit)}" for limit, share in shares if share]
        message = f"Of the wall surface, {' and '.join(parts)}; " if parts else "Of the walls, "
        message += f"{thinnest}."
        change = f"Draw every wall {bound_words(case.wanted)} thick or more."
    if unlisted:
        area_mm2 = sum(place.area_mm2 for place in unlisted)
        places = "One more place" if len(unlisted) == 1 else f"{len(unlisted)} more places"
        message += f" {places}, {area_mm2:.0f} mm² in all, not listed one by one."
    if small_mm2 >= case.credible["min_area_mm2"]:
        message += f" Thin spots too small to count one by one add up to {small_mm2:.0f} mm²."
    quantiles = [(share, width_quantile(case.samples, share, facing_deg)) for share in (0.01, 0.05)]
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message + case.caution,
        change,
        severity=min((found.severity for found in findings), default=Severity.YIELD),
        measurements=(
            width,
            *(
                Measurement(f"share of the wall surface thinner than {bound_words(limit)}", share, "-", 0.0, _SUMMED)
                for limit, share in shares
            ),
            *(
                Measurement(f"{share:.0%} of the wall surface is thinner than", value, "mm", case.unsound_mm, _BY_RAYS)
                for share, value in quantiles
            ),
            Measurement("thin area in spots below credible size", small_mm2, "mm2", 0.0, _SUMMED),
        ),
        limits=case.band.limits,
        where=(_where(case, case.samples, worst),),
        figures=("wall_widths", "worst_layer") if thin else ("wall_widths",),
        evidence={**_histogram(case, case.samples), **_layer_drawn(case, worst, *thin)},
    )


def _no_walls(case: _Case, small_mm2: float) -> Finding:
    """A part such as a cone or a wedge, no two faces of which run alike."""
    if small_mm2:
        return not_checked(case.workpiece, CODE, DOMAIN, "Wall thickness was", "no wall is large enough to be measured")
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        Verdict.MEETS,
        f"The part has no walls thinner than {bound_words(case.wanted)}: no two of its faces run alike.{case.caution}",
        measurements=(Measurement("thin wall area", small_mm2, "mm2", 0.0, _SUMMED),),
        limits=case.band.limits,
    )


def _where(case: _Case, samples: Samples, place: ThinPlace) -> Place:
    """A place in the part's frame."""
    ends = np.stack([samples.point[place.samples], samples.opposite[place.samples]])
    if isinstance(samples, Walls):
        ends = np.concatenate([ends, ends])
        ends[:2, :, 2], ends[2:, :, 2] = place.bottom_mm, place.top_mm
    ends = case.workpiece.to_part(ends.reshape(-1, 3))
    normal = case.workpiece.to_part_direction(np.array([place.normal]))[0]
    box = (vector(ends.min(0)), vector(ends.max(0)))
    return Place(vector(case.centre(place)), vector(normal), box, "faces")


def _faces(case: _Case, samples: Samples, *places: ThinPlace) -> np.ndarray:
    """Facets of all these places."""
    return np.unique(np.concatenate([touched_faces(samples, place, case.workpiece.rays) for place in places]))


def _layer_drawn(case: _Case, worst: ThinPlace, *more: ThinPlace) -> dict[str, Floats]:
    """The layer that shows most of a place, with the thin samples on it, and all facets touched."""
    samples, layers = case.samples, case.workpiece.layers
    layer = int(np.argmax(np.bincount(samples.layer[worst.samples], weights=samples.area_mm2[worst.samples])))
    here = np.unique(np.concatenate([place.samples for place in (worst, *more)]))
    here = here[samples.layer[here] == layer]
    return {
        "outline": ring_points(layers.regions[layer]),
        "layer_z_mm": np.array([layers.z_mm[layer]]),
        "thin_points": samples.point[here, :2],
        "thin_opposite": samples.opposite[here, :2],
        "thin_width_mm": samples.width_mm[here],
        "faces": _faces(case, samples, worst, *more),
    }


def _histogram(case: _Case, samples: Samples) -> dict[str, Floats]:
    """Surface by thickness; what is thicker than the last bar is one number."""
    facing = np.isfinite(samples.width_mm) & (samples.taper_deg <= case.credible["facing_deg"])
    edges_mm = np.linspace(0.0, _DRAWN_LINES * case.line_mm, _BARS + 1)
    width, area = samples.width_mm[facing], samples.area_mm2[facing]
    return {
        "bin_edges_mm": edges_mm,
        "bin_area_mm2": np.histogram(width, bins=edges_mm, weights=area)[0],
        "thicker_area_mm2": np.array([area[width > edges_mm[-1]].sum()]),
    }
