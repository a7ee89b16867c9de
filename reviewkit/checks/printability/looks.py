"""PR-13: what the faces that the customer declared visible will look like."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, Case, finding, mm_words, percent_words, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.looks import Seams, Surface, cusp_mm, seams, seen, support_feet, surface
from reviewkit.measure.overhangs import Overhang, Overhangs, Rules, overhangs
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import Region, RegionKind, region_contains
from reviewkit.workpiece import Workpiece

CODE = "PR-13"
DOMAIN = "printability"

_BY_SAMPLES = "samples spread evenly over the face"
_BY_NORMALS = f"layer height times the upright part of the normal, {_BY_SAMPLES}"
_WORST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)


def looks(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the visible faces.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``looks.*`` and ``overhang.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding for each thing that mars a visible face; where no
        face is declared visible, one that asks for them.
    """
    part = workpiece.part.id
    regions = [r for r in workpiece.submission.regions if r.part == part and r.kind is RegionKind.VISIBLE]
    if not regions:
        return [
            _open(
                workpiece,
                "Looks were not checked: the submission names no face of this part that will be seen.",
                "If looks matter, please name the visible faces as regions of kind visible; if they do not, say so.",
            )
        ]
    layers = workpiece.layers
    reason = too_open(workpiece, limits, layers.open_mm, layers.outline_mm) if len(layers) else "it has no layers"
    if reason:
        return [
            _open(workpiece, f"Looks were not checked: {reason}.", "Send a closed mesh of the part in its true size.")
        ]
    case = _Case.of(workpiece, limits)
    faces = [_Face.of(case, region) for region in regions]
    findings = [found for face in faces for found in _judged(case, face)]
    return [_whole_part(case, faces, findings), *findings]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece, its surface and the rows that PR-13 judges it by."""

    rows = "looks"
    surface: Surface
    found: Overhangs
    cusps_mm: Floats
    marked: NDArray[np.bool_]
    rough: NDArray[np.bool_]
    feet: Surface

    @classmethod
    def of(cls, workpiece: Workpiece, limits: Limits) -> "_Case":
        setup = workpiece.setup
        rules = Rules.of(limits, setup)
        vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
        found = workpiece.measured(
            "overhangs", lambda: overhangs(workpiece.layers, vertices, faces, rays, rules), rules
        )
        spacing_mm = limits.value("looks.spacing", setup).value
        whole = workpiece.measured(
            "surface", lambda: surface(vertices, faces, found.down, spacing_mm), rules, spacing_mm
        )
        bridge, ledge = (limits.band(f"overhang.{name}", setup) for name in ("bridge", "ledge"))
        held = [place.faces for place in found.places if _needs_support(place, bridge, ledge)]
        supported = np.isin(np.arange(len(faces)), np.concatenate(held) if held else [])
        # A short ledge or a bridge prints without support, yet its underside sags.
        sagging = np.zeros(len(faces), dtype=bool)
        for place in found.places:
            if not supported[place.faces].any() and max(place.span_mm, place.run_mm, place.reach_mm) > rules.line_mm:
                sagging[place.faces] = True
        return cls(
            workpiece=workpiece,
            limits=limits,
            surface=whole,
            found=found,
            cusps_mm=cusp_mm(whole, setup.layer_height_mm),
            marked=supported[whole.facet],
            rough=sagging[whole.facet],
            feet=support_feet(vertices, faces, found, supported),
        )


@dataclass(frozen=True, eq=False)
class _Face:
    """The part of the surface that a region of kind visible holds and that can be seen."""

    region: Region
    surface: Surface
    cusps_mm: Floats
    marked: NDArray[np.bool_]
    rough: NDArray[np.bool_]
    marks_share: float
    seams: Seams

    @classmethod
    def of(cls, case: _Case, region: Region) -> "_Face":
        workpiece = case.workpiece

        def within(points: Floats) -> NDArray[np.bool_]:
            return region_contains(region, workpiece.to_part(points))

        def shown(samples: Surface) -> NDArray[np.bool_]:
            chosen = within(samples.inside)
            chosen[chosen] = seen(samples.chosen(chosen), workpiece.rays) > case.value("open_view")
            return chosen

        inside = shown(case.surface)
        own = case.surface.chosen(inside)
        area_mm2 = float(own.area_mm2.sum())
        feet_mm2 = float(case.feet.area_mm2[shown(case.feet)].sum())
        marked = case.marked[inside]
        return cls(
            region=region,
            surface=own,
            cusps_mm=case.cusps_mm[inside],
            marked=marked,
            rough=case.rough[inside],
            marks_share=min(own.share(marked) + (feet_mm2 / area_mm2 if area_mm2 else 0.0), 1.0),
            seams=seams(
                workpiece.layers,
                within,
                turn_deg=case.value("corner_turn"),
                reach_mm=case.value("corner_reach"),
                room_mm=case.value("seam_room"),
            ),
        )

    @property
    def area_mm2(self) -> float:
        return float(self.surface.area_mm2.sum())


def _needs_support(place: Overhang, bridge: Band, ledge: Band) -> bool:
    """Whether an overhang falls unless it is held up."""
    falls = (bridge.verdict(place.span_mm), ledge.verdict(place.reach_mm))
    return place.island_mm2 > 0 or Verdict.FAILS in falls


def _judged(case: _Case, face: _Face) -> Iterator[Finding]:
    """One finding for each thing that mars a face."""
    if not face.area_mm2:
        name = face.region.name
        yield finding(
            case.workpiece,
            CODE,
            DOMAIN,
            name,
            Verdict.NOT_CHECKED,
            f"The visible region {name} holds no surface that can be seen, so its looks were not checked.",
            "Check where the region lies.",
            severity=Severity.LOOKS,
        )
        return
    yield from chain.from_iterable(judge(case, face) for judge in (_marks, _steps, _undersides, _plate_side, _seam))


def _marks(case: _Case, face: _Face) -> Iterator[Finding]:
    share = face.marks_share
    yield from _on(
        case,
        face,
        "support marks",
        "support_marks",
        Measurement("share marked by supports", share, "-", 0.0, _BY_SAMPLES),
        Measurement("the same on the whole part", case.surface.share(case.marked), "-", 0.0, _BY_SAMPLES),
        f"Of the visible face {face.region.name}, {percent_words(share)} has to be held up by supports or carries "
        "their feet: it comes out rough and pitted where they are broken off.",
        "Turn the part so that this face needs no support and carries none, or reshape what overhangs, until no more "
        f"than {percent_words(case.band('support_marks').limits[0].value)} of it is marked.",
        face.marked if face.marked.any() else None,
    )


def _steps(case: _Case, face: _Face) -> Iterator[Finding]:
    bound = case.band("cusp").limits[0].value
    value = face.surface.mean(face.cusps_mm)
    fine_mm = case.workpiece.setup.layer_height_mm * bound / value if value else 0.0
    yield from _on(
        case,
        face,
        "steps",
        "cusp",
        Measurement("mean height of the steps", value, "mm", 0.0, _BY_NORMALS),
        Measurement("the same on the whole part", case.surface.mean(case.cusps_mm), "mm", 0.0, _BY_NORMALS),
        f"On the visible face {face.region.name} the layers leave steps {mm_words(value)} high on average: contour "
        f"lines show{' plainly at reading distance' if case.band('cusp').verdict(value) is Verdict.FAILS else ''}.",
        f"Turn the part so that this face stands upright or lies flat, or print it in layers of {fine_mm:.2g} mm, "
        f"which brings the steps to {mm_words(bound)}.",
        face.cusps_mm > bound,
    )


def _undersides(case: _Case, face: _Face) -> Iterator[Finding]:
    share = face.surface.share(face.rough)
    yield from _on(
        case,
        face,
        "underside",
        "underside",
        Measurement("share that is bridged or leans over", share, "-", 0.0, _BY_SAMPLES),
        Measurement("the same on the whole part", case.surface.share(case.rough), "-", 0.0, _BY_SAMPLES),
        f"Of the visible face {face.region.name}, {percent_words(share)} is the underside of a bridge or of an "
        "overhang: it prints without support, but its lines sag and show.",
        "Turn the part so that this side faces up or stands upright, or accept a sagging surface on no more than "
        f"{percent_words(case.band('underside').limits[0].value)} of it.",
        face.rough,
    )


def _plate_side(case: _Case, face: _Face) -> Iterator[Finding]:
    share = face.surface.share(face.surface.on_plate)
    yield from _on(
        case,
        face,
        "plate side",
        "plate_side",
        Measurement("share on the plate", share, "-", 0.0, _BY_SAMPLES),
        Measurement("the same on the whole part", case.surface.share(case.surface.on_plate), "-", 0.0, _BY_SAMPLES),
        f"Of the visible face {face.region.name}, {percent_words(share)} lies on the plate: it takes the plate's "
        "texture, and plates differ a little from machine to machine.",
        "Agree on a sample of the plate's texture, or turn the part so that no more than "
        f"{percent_words(case.band('plate_side').limits[0].value)} of this face lies on the plate.",
        face.surface.on_plate,
    )


def _seam(case: _Case, face: _Face) -> Iterator[Finding]:
    share, found = face.seams.exposed_share, face.seams
    yield from _on(
        case,
        face,
        "seam",
        "seam",
        Measurement("share of the height without a place to hide the seam", share, "-", 0.0, "outlines of the layers"),
        Measurement("height of outer outlines on the face", found.height_mm, "mm", 0.0, "outlines of the layers"),
        f"Each outline starts and stops somewhere. Over {percent_words(share)} of the height of the visible face "
        f"{face.region.name} the outline is all visible and smooth, so the seam, a ridge of 0.1 to 0.2 mm, shows.",
        "Give the part an upright edge or a groove of 1 mm or more to hide the seam in, or say on which side it may "
        "show.",
        None,
        found.point,
    )


def _on(
    case: _Case,
    face: _Face,
    kind: str,
    quantity: str,
    value: Measurement,
    other: Measurement,
    message: str,
    change: str,
    which: NDArray[np.bool_] | None,
    point: Floats | None = None,
) -> Iterator[Finding]:
    """The finding on one thing that mars a face, if it does."""
    band = case.band(quantity)
    verdict = band.verdict(value.value)
    if verdict is Verdict.MEETS:
        return
    place, faces = _where(case, face, which, point)
    yield finding(
        case.workpiece,
        CODE,
        DOMAIN,
        f"{face.region.name} {kind}",
        verdict,
        message,
        change,
        severity=Severity.LOOKS,
        measurements=(value, other, Measurement("visible surface", face.area_mm2, "mm2", 0.0, _BY_SAMPLES)),
        limits=band.limits,
        where=(place,),
        evidence={"faces": faces},
    )


def _where(
    case: _Case, face: _Face, which: NDArray[np.bool_] | None, point: Floats | None
) -> tuple[Place, NDArray[np.int64]]:
    """The marred samples of a face as a place in the part's frame; all of the face where none are told apart."""
    own = face.surface if which is None or not which.any() else face.surface.chosen(which)
    points = case.workpiece.to_part(own.point)
    centre = np.average(points, axis=0, weights=own.area_mm2) if point is None else case.workpiece.to_part(point[None])
    nearest = int(np.argmin(np.linalg.norm(points - centre, axis=1)))
    normal = case.workpiece.to_part_direction(own.normal[nearest : nearest + 1])[0]
    box = (vector(points.min(axis=0)), vector(points.max(axis=0)))
    return Place(vector(points[nearest]), vector(normal), box, "faces"), np.unique(own.facet)


def _whole_part(case: _Case, faces: list[_Face], findings: list[Finding]) -> Finding:
    """The one finding that speaks for the whole part."""
    verdict = min((found.verdict for found in findings), key=_WORST.index, default=Verdict.MEETS)
    seen_mm2 = sum(face.area_mm2 for face in faces)
    names = ", ".join(face.region.name for face in faces)
    few = "One face is" if len(faces) == 1 else f"{len(faces)} faces are"
    message = f"{few} declared visible: {names}."
    marring = [found for found in findings if found.verdict is not Verdict.NOT_CHECKED]
    if marring:
        message += f" What will be seen on them: {', '.join(found.subject for found in marring)}."
    elif not findings:
        message += " No support marks, coarse steps, sagging undersides, plate texture or bare seams on them."
    means = [
        Measurement(f"mean height of the steps on {face.region.name}", face.surface.mean(face.cusps_mm), "mm", 0.0,
                    _BY_NORMALS)
        for face in faces if face.area_mm2
    ]  # fmt: skip
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        "" if verdict is Verdict.MEETS else "Change what is listed, or agree on a limit sample of these faces.",
        severity=Severity.LOOKS,
        measurements=(Measurement("visible surface", seen_mm2, "mm2", 0.0, _BY_SAMPLES), *means),
        limits=_limits(case),
        where=tuple(found.where[0] for found in marring if found.where),
        evidence={"faces": np.unique(np.concatenate([found.evidence["faces"] for found in marring]))}
        if marring
        else {},
    )


def _limits(case: _Case) -> tuple[Limit, ...]:
    names = ("support_marks", "cusp", "underside", "plate_side", "seam")
    return tuple(limit for name in names for limit in case.band(name).limits)


def _open(workpiece: Workpiece, message: str, change: str) -> Finding:
    return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.LOOKS)
