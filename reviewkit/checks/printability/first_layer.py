"""PR-03: how hard the first layer is to lay down, ten thousand times, against a filled round disc.

A disc is the easiest first layer: one outline without a corner, the shortest for its area,
one start and no hole.  Each way to depart from it is a finding of its own.
"""

from collections.abc import Iterator

import numpy as np
import shapely

from reviewkit.judging import finding, mm_words, not_checked, percent_words, plate_places, ring_points, too_open
from reviewkit.limits import Limits
from reviewkit.measure.first_layer import FirstLayer, first_layer, joined_by_mm
from reviewkit.model import Finding, Floats, Limit, Measurement, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-03"
DOMAIN = "printability"

_SECTION = "section of the mesh at half the height of the first layer"
_LISTED = 12


def first_layer_shape(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the first layer.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``first_layer.*``.

    Returns
    -------
    list of Finding
        One a measure, each with the first layer's shape as evidence.
    """
    reason = _unmeasured(workpiece, limits)
    if reason:
        return [not_checked(workpiece, CODE, DOMAIN, "The first layer was", reason)]
    return [judged for judge in _MEASURES for judged in judge(_Bed(workpiece, limits))]


def _unmeasured(workpiece: Workpiece, limits: Limits) -> str:
    """Why the first layer cannot be judged, or nothing."""
    layers = workpiece.layers
    if not len(layers):
        return "the part has no layers"
    if not layers.area_mm2[0]:
        return "nothing of the part lies on the plate"
    return too_open(workpiece, limits, layers.open_mm[:1], layers.outline_mm[:1])


class _Bed:
    """The first layer of a workpiece with the means to judge it."""

    def __init__(self, workpiece: Workpiece, limits: Limits) -> None:
        self.workpiece = workpiece
        self.limits = limits
        setup = workpiece.setup
        self.sharp_deg = limits.value("first_layer.sharp_angle", setup).value
        self.reach_mm = limits.value("first_layer.sharp_reach", setup).value
        widest_mm = limits.band("first_layer.neck", setup).limits[0].value
        arguments = (self.sharp_deg, widest_mm, limits.value("first_layer.simplify", setup).value)
        self.shape: FirstLayer = workpiece.measured(
            "first layer",
            lambda: first_layer(
                workpiece.layers.regions[0],
                workpiece.projected_area_mm2,
                setup.line_width_mm,
                corner_deg=arguments[0],
                widest_neck_mm=arguments[1],
                simplify_mm=arguments[2],
            ),
            *arguments,
        )

    def judged(
        self,
        subject: str,
        quantity: str,
        value: float,
        unit: str,
        message: str,
        change: str,
        points: Floats | None = None,
        around: Floats | None = None,
        more: tuple[Measurement, ...] = (),
        uncertainty: float = 0.0,
    ) -> Finding:
        """The finding on one measure; `change` is told only where something is to change."""
        band = self.limits.band(f"first_layer.{quantity}", self.workpiece.setup)
        verdict = band.verdict(value, uncertainty)
        marked = np.empty((0, 2)) if points is None else points[:_LISTED]
        return finding(
            self.workpiece,
            CODE,
            DOMAIN,
            subject,
            verdict,
            message + self._unsound,
            "" if verdict is Verdict.MEETS else change,
            measurements=(Measurement(subject, value, unit, uncertainty, _SECTION), *more),
            limits=band.limits,
            where=plate_places(self.workpiece, marked, None if around is None else around[:_LISTED]),
            figures=("first_layer",) if subject == "compactness" else (),
            evidence=self._drawn() if subject == "compactness" else {},
        )

    def bound(self, quantity: str) -> Limit:
        """The stricter bound on a quantity."""
        return self.limits.band(f"first_layer.{quantity}", self.workpiece.setup).limits[0]

    @property
    def _unsound(self) -> str:
        if self.workpiece.layers.open_mm[0] == 0:
            return ""
        return f" The mesh is open here: {mm_words(self.workpiece.layers.open_mm[0])} of outline was closed by us."

    def _drawn(self) -> dict[str, Floats]:
        """Everything the figure shows."""
        shape = self.shape
        radius_mm = float(np.sqrt(shape.contact_mm2 / np.pi))
        disc = shapely.Point(shape.centroid_at).buffer(radius_mm, quad_segs=32)
        far = shape.corner_reach_mm > self.reach_mm
        return {
            "outline": ring_points(self.workpiece.layers.regions[0]),
            "disc": ring_points(disc),
            "disc_outline_mm": np.array([2 * np.pi * radius_mm]),
            "outline_mm": np.array([shape.outline_mm]),
            "corners": shape.corner_at[far],
            "neck": np.array([shape.neck_at]) if np.isfinite(shape.neck_mm) else np.empty((0, 2)),
            "lost": shape.lost_at,
            "quotient": np.array([shape.quotient]),
        }


def _compactness(bed: _Bed) -> Iterator[Finding]:
    shape = bed.shape
    disc_mm = 2 * np.sqrt(np.pi * shape.contact_mm2)
    yield bed.judged(
        "compactness",
        "compactness",
        shape.quotient,
        "-",
        f"The first layer covers {shape.contact_mm2:.0f} mm² with {shape.outline_mm:.0f} mm of outline; a disc of "
        f"that area, the easiest shape to lay down, has {disc_mm:.0f} mm. Compactness is {shape.quotient:.2g}; a disc "
        "has 1.",
        "Give the part a plain underside, such as a closed base plate of the part's own outline, so that the first "
        f"layer's compactness is {bed.bound('compactness').value:g} or more.",
        more=(Measurement("contact area", shape.contact_mm2, "mm2", 0.0, _SECTION),),
    )


def _islands(bed: _Bed) -> Iterator[Finding]:
    shape = bed.shape
    order = np.argsort(shape.island_mm2)
    if shape.islands == 1:
        message = "The first layer is one piece."
    else:
        message = (
            f"The first layer is {shape.islands} separate islands: each has to hold to the plate by itself until the "
            "part joins them, and each is a piece that can be left behind when the part is taken off."
        )
    yield bed.judged(
        "islands",
        "islands",
        shape.islands,
        "count",
        message,
        "Join the islands in the first layer, by a base plate or by ribs that touch the plate.",
        points=shape.island_at[order] if shape.islands > 1 else None,
    )
    if shape.islands > 1:
        yield _joining(bed)
    smallest_mm2 = shape.smallest_island_mm2
    yield bed.judged(
        "smallest island",
        "smallest_island",
        smallest_mm2,
        "mm2",
        f"The smallest island of the first layer covers {_mm2_words(smallest_mm2)}."
        if shape.islands > 1
        else f"The first layer's one island covers {_mm2_words(smallest_mm2)}.",
        f"Let every island cover {bed.bound('smallest_island').value:g} mm² or more, or join it to another.",
        points=shape.island_at[order[:1]],
    )
    if len(shape.lost_at):
        yield finding(
            bed.workpiece,
            CODE,
            DOMAIN,
            "lost islands",
            Verdict.FAILS,
            f"Of the first layer's islands, {len(shape.lost_at)} nowhere reach the width of one printed line, "
            f"{mm_words(bed.workpiece.setup.line_width_mm)}, and will not be drawn.",
            "Widen them to two lines or take them away.",
            measurements=(Measurement("islands narrower than a line", len(shape.lost_at), "count", 0.0, _SECTION),),
            limits=bed.limits.band("first_layer.neck", bed.workpiece.setup).limits,
            where=plate_places(bed.workpiece, shape.lost_at[:_LISTED]),
        )


def _joining(bed: _Bed) -> Finding:
    """Islands that stay alone too high are bodies that nothing holds."""
    joined_mm: Floats = bed.workpiece.measured("joined by", lambda: joined_by_mm(bed.workpiece.layers))
    bound = bed.bound("join_height")
    apart = np.isinf(joined_mm)
    meant = bed.workpiece.part.declared_bodies
    if apart.any() and meant is not None and meant >= apart.sum():
        joined_mm = np.where(apart, 0.0, joined_mm)
    alone = joined_mm > bound.value
    latest_mm = float(joined_mm.max())
    if np.isinf(latest_mm):
        message = f"{int(apart.sum())} of the islands are never joined to another: they are loose bodies."
    elif latest_mm == 0:
        message = f"The {int(apart.sum())} islands are bodies of their own, as the submission says."
    else:
        message = f"The last of the islands is joined to another {mm_words(latest_mm)} above the plate."
    return bed.judged(
        "joining height",
        "join_height",
        # A loose body stands alone over its whole height, and however low it is it fails.
        min(latest_mm, max(bed.workpiece.height_mm, 2 * bound.value)),
        "mm",
        message,
        f"Join every island to another less than {mm_words(bound.value)} above the plate, or declare the bodies.",
        points=bed.shape.island_at[alone] if alone.any() else None,
    )


def _holes(bed: _Bed) -> Iterator[Finding]:
    holes = bed.shape.holes
    islands = shapely.get_parts(bed.workpiece.layers.regions[0])
    inner = np.array([ring for island in islands for ring in island.interiors], dtype=object)
    inner = inner[np.argsort(-shapely.area(shapely.polygons(inner)))] if len(inner) else inner
    edges = np.array([ring.coords[0] for ring in inner]) if len(inner) else None
    yield bed.judged(
        "holes",
        "holes",
        holes,
        "count",
        f"The first layer has {holes or 'no'} hole{'s' * (holes != 1)}"
        + (": each is one more outline that starts and ends on the plate." if holes else "."),
        "Close windows at the underside, for instance by a thin base plate, or merge them, to "
        f"{bed.bound('holes').value:g} or fewer.",
        points=edges,
        around=shapely.bounds(inner) if len(inner) else None,
    )


def _outline(bed: _Bed) -> Iterator[Finding]:
    starts = "once" if bed.shape.starts == 1 else f"{bed.shape.starts} times"
    yield bed.judged(
        "outline",
        "outline",
        bed.shape.outline_mm,
        "mm",
        f"All outlines of the first layer together are {bed.shape.outline_mm:.0f} mm long and start {starts}: "
        "the longer and the more, the more chances that a line does not hold.",
        f"Simplify the underside to {bed.bound('outline').value:.0f} mm of outline or less.",
    )


def _neck(bed: _Bed) -> Iterator[Finding]:
    shape = bed.shape
    bound = bed.bound("neck")
    if not np.isfinite(shape.neck_mm):
        yield bed.judged(
            "neck",
            "neck",
            bound.value,
            "mm",
            f"No island hangs together by a neck narrower than {mm_words(bound.value)}.",
            "",
        )
        return
    yield bed.judged(
        "neck",
        "neck",
        shape.neck_mm,
        "mm",
        f"The first layer hangs together by a neck {mm_words(shape.neck_mm)} wide: if it does not hold, the piece "
        "behind it is loose.",
        f"Widen the neck to {mm_words(bound.value)} ({bound.stated}) in the first layer.",
        points=np.array([shape.neck_at]),
        uncertainty=0.02 * bed.workpiece.setup.line_width_mm + 0.001 * shape.neck_mm,
    )


def _contact(bed: _Bed) -> Iterator[Finding]:
    share = bed.shape.contact_share
    yield bed.judged(
        "contact share",
        "contact_share",
        share,
        "-",
        f"Of the part's shadow, {percent_words(share)} lies on the plate"
        + ("." if share > 0.999 else "; the rest starts above."),
        f"Choose a pose or an underside with {percent_words(bed.bound('contact_share').value)} or more on the plate.",
        more=(Measurement("projected area", bed.shape.projected_mm2, "mm2", 0.0, "union of all layers"),),
    )


def _corners(bed: _Bed) -> Iterator[Finding]:
    far = bed.shape.corner_reach_mm > bed.reach_mm
    count = int(far.sum())
    yield bed.judged(
        "sharp corners",
        "sharp_corners",
        count,
        "count",
        f"{count or 'No'} corner{'s' * (count != 1)} of the first layer {'is' if count == 1 else 'are'} sharper than "
        f"{bed.sharp_deg:g}° and farther than {mm_words(bed.reach_mm)} from its middle"
        + (": such corners lift first when the part shrinks." if count else "."),
        "Round these corners at the plate, with a radius of 3 mm or more.",
        points=bed.shape.corner_at[far] if count else None,
    )


def _mm2_words(area_mm2: float) -> str:
    return f"{area_mm2:.0f} mm²" if area_mm2 >= 10 else f"{area_mm2:.2g} mm²"


_MEASURES = (_compactness, _islands, _holes, _outline, _neck, _contact, _corners)
