"""PR-09: corners and ends that lift off the plate because the part shrinks while it is printed."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.judging import (
    WHOLE,
    WORST_FIRST,
    Case,
    at_words,
    finding,
    mm_words,
    not_checked,
    plate_places,
    ring_points,
    subject_names,
    too_open,
    worst_of,
)
from reviewkit.limits import Limits
from reviewkit.measure.lift import Corners, Extent, bow_estimate, clusters, contact_extent, plate_corners
from reviewkit.measure.pieces import Ints
from reviewkit.model import Finding, Floats, Measurement, Property, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-09"
DOMAIN = "printability"

_OUTLINE = "outer outlines of the first layer"
_BOW = (
    "curvature formula of Wang, Xi and Jin, 2007 (from memory), with the material's shrinkage range for its strain "
    "and the mean height over the contact; for ranking only"
)


def corner_lift(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the corners of the first layer and its length against the material's shrinkage.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``lift.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a place with corners that may lift.
    """
    layers = workpiece.layers
    if not len(layers) or not layers.area_mm2[0]:
        return [not_checked(workpiece, CODE, DOMAIN, "Corner lift was", "nothing of the part lies on the plate")]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Corner lift was", reason)]
    case = _Case(workpiece, limits)
    shown = case.places[: case.listed]
    names = subject_names(workpiece, [case.at(int(members[0])) for members in shown])
    return [_whole(case), *(_place(case, members, name) for members, name in zip(shown, names, strict=True))]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that PR-09 judges it by."""

    rows = "lift"

    @property
    def shrinkage(self) -> Property:
        return self.workpiece.setup.material["shrinkage"]

    @cached_property
    def corners(self) -> Corners:
        asked = (
            180 - self.value("corner_angle"),
            self.band("corner_radius").limits[0].value,
            self.value("simplify"),
        )
        return self.workpiece.measured(
            "plate corners",
            lambda: plate_corners(self.workpiece.stack, turn_deg=asked[0], rounded_mm=asked[1], simplify_mm=asked[2]),
            *asked,
        )

    @cached_property
    def extent(self) -> Extent:
        return self.workpiece.measured("contact extent", lambda: contact_extent(self.workpiece.stack))

    @cached_property
    def verdicts(self) -> list[Verdict]:
        return [self.verdict(corner) for corner in range(len(self.corners))]

    @cached_property
    def places(self) -> list[Ints]:
        """Corners that may lift, gathered to places, the worst first."""
        lifting = [corner for corner, verdict in enumerate(self.verdicts) if verdict is not Verdict.MEETS]
        lifting.sort(key=lambda corner: WORST_FIRST.index(self.verdicts[corner]))
        chosen = np.array(lifting, dtype=np.int64)
        return [chosen[members] for members in clusters(self.corners.at[chosen], self.value("cluster"))]

    def pull(self, reach_mm: float) -> Measurement:
        """Free shrinkage between a point and the middle of the contact."""
        low, high = (reach_mm * percent / 100 for percent in (self.shrinkage.low, self.shrinkage.high))
        return Measurement(
            "free shrinkage to the middle of the contact", (low + high) / 2, "mm", (high - low) / 2, "range x reach"
        )

    def verdict(self, corner: int) -> Verdict:
        """A round corner meets, a nearly round one never fails, a sharp one is judged by the pull at it."""
        pull = self.pull(float(self.corners.reach_mm[corner]))
        pulled = self.band("corner_pull").verdict(pull.value, pull.uncertainty)
        rounding = self.band("corner_radius").verdict(float(self.corners.radius_mm[corner]))
        return max(rounding, pulled, key=WORST_FIRST.index)

    def at(self, corner: int) -> Floats:
        """A corner in the part's frame [mm]."""
        found: Floats = self.workpiece.to_part(np.array([[*self.corners.at[corner], 0.0]]))[0]
        return found


def _place(case: _Case, members: Ints, name: str) -> Finding:
    """Corners at one place that may lift."""
    corners, first = case.corners, int(members[0])
    reach_mm, radius_mm = float(corners.reach_mm[first]), float(corners.radius_mm[first])
    pull = case.pull(reach_mm)
    wanted = case.band("corner_radius").limits[0]
    rounding = f"rounded by {mm_words(radius_mm)}" if radius_mm > 0.05 else "sharp"
    corner = "A corner" if len(members) == 1 else f"{len(members)} corners"
    angle = max(float(corners.angle_deg[first]), 0.0)
    shape = f", {angle:.0f}° and {rounding}," if len(members) == 1 else f", the farthest {rounding},"
    if len(members) == 1 and angle == 0:
        corner, shape = "An end", f", {rounding},"
    shrinks = f"{pull.value - pull.uncertainty:.2g} to {pull.value + pull.uncertainty:.2g} mm"
    points = corners.at[members]
    them = "it" if len(members) == 1 else "them"
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        case.verdicts[first],
        f"{corner} of the first layer {at_words(case.workpiece, case.at(first))}{shape} "
        f"{'is' if len(members) == 1 else 'are'} {mm_words(reach_mm)} from the middle of the contact: "
        f"{case.workpiece.setup.material.name} wants to draw in by {shrinks} over that length and pulls there first.",
        f"Round {them} at the plate by {mm_words(wanted.value)} or more, or set a thin round pad under {them} that is "
        "cut off later.",
        measurements=(
            pull,
            Measurement("corner radius", radius_mm, "mm", 0.0, _OUTLINE),
            Measurement("inside angle", angle, "deg", 0.0, _OUTLINE),
            Measurement("reach", reach_mm, "mm", 0.0, "from the centroid of the contact"),
        ),
        limits=(*case.band("corner_pull").limits, *case.band("corner_radius").limits),
        where=plate_places(case.workpiece, points),
    )


def _whole(case: _Case) -> Finding:
    """The one finding that speaks for the whole part."""
    extent, length = case.extent, case.band("length")
    verdict = worst_of((length.verdict(extent.length_mm), *case.verdicts))
    material = case.workpiece.setup.material
    narrow = ", a long narrow strip" if extent.narrowness >= case.value("narrow") else ""
    message = f"The contact is {mm_words(extent.length_mm)} long and {mm_words(extent.width_mm)} wide{narrow}."
    changes = []
    if case.places:
        message += f" {_counted(len(case.places), 'place has a corner', 'places have corners')} that may lift"
        message += f"; the {case.listed} worst are listed." if len(case.places) > case.listed else "."
        changes.append(f"Round the corners at the plate by {mm_words(case.band('corner_radius').limits[0].value)}.")
    else:
        message += " No corner on the plate is likely to lift."
    if length.verdict(extent.length_mm) is not Verdict.MEETS:
        message += f" Ends so far apart, over {mm_words(length.limits[0].value)} in {material.name}, tend to bow up."
        changes.append(
            f"Shorten it to {mm_words(length.limits[0].value)} or part the underside by slots, or try it on a pilot "
            "plate first."
        )
    bow = _bow(case)
    if bow is not None:
        message += (
            f" A published formula gives the ends {_range_words(bow)} of lift; it serves to rank parts only. It falls "
            "with every layer, while tests on printed blocks found most lift at middling heights."
        )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        " ".join(changes),
        measurements=(
            Measurement("length of contact", extent.length_mm, "mm", 0.0, "tightest rectangle around the contact"),
            Measurement("length over width", extent.narrowness, "-", 0.0, "tightest rectangle around the contact"),
            case.pull(extent.reach_mm),
            *(() if bow is None else (bow,)),
        ),
        limits=length.limits,
        figures=("corner_lift",),
        evidence=_drawn(case),
    )


def _bow(case: _Case) -> Measurement | None:
    """Lift of the ends by the published formula; nothing for a part of one layer, which it does not cover.

    The layers that count are those of a plate as heavy as the part: a thin mast stiffens nothing.
    """
    sliced = case.workpiece.layers
    height_mm = float(sliced.area_mm2 @ sliced.thickness_mm / sliced.area_mm2[0])
    layers = round(height_mm / case.workpiece.setup.layer_height_mm)
    if layers < 2:
        return None
    strain = np.array([case.shrinkage.low, case.shrinkage.high]) / 100
    low, high = bow_estimate(case.extent.length_mm, layers, case.workpiece.setup.layer_height_mm, strain)
    return Measurement("estimated lift of the ends", (low + high) / 2, "mm", (high - low) / 2, _BOW)


def _range_words(measured: Measurement) -> str:
    high = measured.value + measured.uncertainty
    return f"{measured.value - measured.uncertainty:.2g} to {high:.2g} mm" if high >= 0.01 else "less than 0.01 mm"


def _drawn(case: _Case) -> dict[str, Floats]:
    """Everything the figure shows."""
    corners = case.corners
    lifting = np.array([verdict is not Verdict.MEETS for verdict in case.verdicts], dtype=bool)
    area, x, y = case.workpiece.stack.moments[case.workpiece.stack.grounded, :3].sum(axis=0)
    return {
        "outline": ring_points(case.workpiece.layers.regions[0]),
        "corners": corners.at,
        "reach_mm": corners.reach_mm,
        "radius_mm": corners.radius_mm,
        "lifting": lifting.astype(float),
        "middle": np.array([[x / area, y / area]]),
    }


def _counted(count: int, one: str, many: str) -> str:
    return f"One {one}" if count == 1 else f"{count} {many}"
