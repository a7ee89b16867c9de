"""PD-03: how many copies a plate holds, how the part's outline uses it, and what other ways to lie would hold."""

from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.copies import PlateCopies, PoseCopies, copies_by_pose, copies_of, nested_copies, smaller_copies
from reviewkit.judging import WHOLE, Case, finding, no_matter, not_checked, percent_words, ring_points, worst_of
from reviewkit.limits import Limits
from reviewkit.measure import packing
from reviewkit.measure.packing import Layout
from reviewkit.model import Finding, Floats, Measurement, Origin, Severity, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PD-03"
DOMAIN = "production"
NESTING = "nesting"

_REPEATED = "best repeatable layout found, every gap and edge checked"
_BOUND = "bound on any layout"
_AXIS_DEG = 5.0
# Smaller turns are not told.
_TURN_DEG = 0.5
# Outlines are drawn to this [mm].
_DRAWN_MM = 0.1
_LAID = {
    packing.GRID: "in a plain grid",
    packing.BLOCKS: "in blocks of two directions",
    packing.PAIR_BLOCKS: "in blocks of pairs, one of each turned by half",
    packing.DISCS: "as discs in their best known packing",
    packing.DISC_ROWS: "as discs in shifted rows",
    packing.ROWS: "in shifted rows",
    packing.TURNED_ROWS: "in rows, every second one turned by half",
    packing.PAIRS: "in pairs, one of each turned by half",
    packing.LATTICE: "in a lattice at an angle to the plate",
}


def copies(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge how many copies of the part a plate holds and how much of it they use.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``packing.*``, ``pose.*`` and ``plate.*``.

    Returns
    -------
    list of Finding
        One on the whole part, with the layout and the other ways to lie as evidence.
    """
    if reason := no_matter(workpiece, limits):
        return [not_checked(workpiece, CODE, DOMAIN, "Copies on a plate were", reason)]
    told = _Telling(workpiece, limits)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            told.verdict,
            " ".join(words for words in (told.found, told.otherwise, told.unsure) if words),
            told.change,
            severity=Severity.COST,
            measurements=told.measurements,
            limits=(*told.band("copies").limits, *told.band("use").limits),
            figures=told.figures,
            evidence=told.drawn,
            guess=told.guess,
        )
    ]


def nesting(workpiece: Workpiece, limits: Limits, store: str = "") -> Finding:
    """Tell what an irregular layout could hold; it decides nothing and is no part of a review.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``packing.*`` and ``plate.margin``.
    store : str
        Folder of stored layouts; the user's cache when empty.  A layout not yet stored is searched
        for, which takes up to ``packing.nesting_time``.

    Returns
    -------
    Finding
    """
    if reason := no_matter(workpiece, limits):
        return not_checked(workpiece, CODE, DOMAIN, "Irregular nesting was", reason)
    regular, found = copies_of(workpiece, limits), nested_copies(workpiece, limits, store)
    if found.layout is None:
        tried = regular.count >= regular.most or "found no layout" in found.note
        words = f"Beside the {regular.count} copies of the repeatable layout: {found.note}."
        verdict = Verdict.MEETS if tried else Verdict.NOT_CHECKED
        return finding(workpiece, CODE, DOMAIN, NESTING, verdict, words, severity=Severity.COST)
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        NESTING,
        Verdict.MEETS,
        f"At least {found.count} copies are possible, where the repeatable layout holds {regular.count}: "
        f"{found.note}. Copies then lie at many angles, which clearing the plate has to allow for; verdict "
        "and cost do not rest on it.",
        severity=Severity.COST,
        measurements=(
            Measurement("copies possible by irregular nesting", found.count, "count", 0.0, found.note),
            Measurement("share of the usable plate covered", found.layout.use, "-", 0.0, found.note),
        ),
        figures=("plate_layout",),
        evidence=_layout_drawn(found.layout, regular.most),
    )


class _Telling(Case):
    """The copies of a workpiece, with the words for them."""

    rows = "packing"

    @cached_property
    def copies(self) -> PlateCopies:
        """Copies in the pose under review."""
        return copies_of(self.workpiece, self.limits)

    @cached_property
    def poses(self) -> tuple[PoseCopies, ...]:
        """Copies by pose, the one under review first."""
        return copies_by_pose(self.workpiece, self.limits)

    @cached_property
    def verdict(self) -> Verdict:
        """By the number of copies, and by how much of the plate they use."""
        count = self.copies.count
        by_use = self.band("use").verdict(self.copies.use) if count else Verdict.MEETS
        return worst_of((self.band("copies").verdict(count), by_use))

    @property
    def guess(self) -> str:
        """What a failure would rest on that nobody stated."""
        return "the unit of length is not stated" if self.workpiece.part.units_origin is Origin.ASSUMED else ""

    @property
    def found(self) -> str:
        """How many, how, and how many at most."""
        copies = self.copies
        plate = f"a plate of {_mm(copies.plate_mm[0])} x {_mm(copies.plate_mm[1])} mm"
        apart = f"{_mm(copies.margin_mm)} mm from the edges"
        if not copies.count:
            return f"No copy fits on {plate} with {apart} kept free; see the plate fit for what would."
        bound = "no layout holds more" if copies.most == copies.count else f"no layout holds more than {copies.most}"
        covered = f"{percent_words(copies.use)} of the usable plate"
        if copies.count == 1:
            turn_deg = (copies.layout.places[0, 2] + 90) % 180 - 90
            turned = f", turned {_mm(abs(turn_deg))} degrees" if abs(turn_deg) >= _TURN_DEG else ""
            return f"One copy fits on {plate}, {apart}{turned}; {bound}. Seen from above it covers {covered}."
        words = (
            f"At least {copies.count} copies fit on {plate}, {_LAID[copies.layout.method]}, "
            f"{_mm(copies.gap_mm)} mm apart and {apart}; {bound}. Seen from above they cover {covered}."
        )
        grid = copies.packing.tried.get(packing.GRID, 0)
        if grid < copies.count:
            words += f" A plain grid of their boxes holds {grid or 'none'}."
        return words

    @property
    def otherwise(self) -> str:
        """What other ways to lie would hold."""
        others = self.poses[1:]
        if not others or not self.copies.count:
            return ""
        able = [pose for pose in others if pose.possible]
        words = f"As reviewed it is {_mm(self.poses[0].height_mm)} mm high."
        if able:
            told = [f"{p.count or 'none'} {_laid_words(p)}, {_mm(p.height_mm)} mm high" for p in able]
            words += f" Laid otherwise a plate holds {'; '.join(told)}."
        counts = sorted(pose.count for pose in others if not pose.possible)
        if counts:
            ways = "One other way to lie" if len(counts) == 1 else f"{len(counts)} other ways to lie"
            held = f"{counts[0]}" if counts[0] == counts[-1] else f"{counts[0]} to {counts[-1]}"
            words += f" {ways} cannot be printed; a plate would hold {held}."
        return words

    @property
    def unsure(self) -> str:
        """What the count leaves out."""
        if not self.copies.count:
            return ""
        return "Brims are not counted, nor whether a pusher or gripper reaches every copy."

    @property
    def change(self) -> str:
        """What would put more on a plate."""
        if self.verdict is Verdict.MEETS:
            return ""
        words = []
        better = [pose for pose in self.poses[1:] if pose.possible and pose.count > self.copies.count]
        if better:
            best = max(better, key=lambda pose: pose.count)
            words.append(f"lay it {_laid_words(best)}, where a plate holds {best.count}")
        if smaller := smaller_copies(self.workpiece, self.limits):
            scale, count = smaller
            low = np.ptp(self.workpiece.vertices[:, :2], axis=0) * scale
            fit = "it fits once" if count == 1 else f"{count} fit"
            words.append(
                f"make it at {100 * scale:.0f} % of its size, {_mm(low[0])} x {_mm(low[1])} mm on the plate, and {fit}"
            )
        if not words:
            tried = percent_words(self.value("smallest"))
            words.append(f"even at {tried} of its size no more fit: split it or accept the cost of few parts a plate")
        told = ", or ".join(words)
        return f"{told[0].upper()}{told[1:]}."

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """Copies, bound, use, and copies by pose."""
        copies = self.copies
        others = (
            Measurement(f"copies {_laid_words(pose)}, at least", pose.count, "count", 0.0, _REPEATED)
            for pose in self.poses[1:]
        )
        return (
            Measurement("copies on a plate, at least", copies.count, "count", 0.0, _REPEATED),
            Measurement("copies on a plate, at most", copies.most, "count", 0.0, f"{_BOUND}: {copies.packing.bound}"),
            Measurement("share of the usable plate covered", copies.use, "-", 0.0, _REPEATED),
            Measurement("outline seen from above", float(copies.outline.area), "mm2", 0.0, "projection of the mesh"),
            *others,
        )

    @property
    def figures(self) -> tuple[str, ...]:
        """The layout, and the poses where there are several."""
        if not self.copies.count:
            return ()
        return ("plate_layout", "copies_per_pose") if len(self.poses) > 1 else ("plate_layout",)

    @property
    def drawn(self) -> dict[str, NDArray[Any]]:
        """What the figures show."""
        if not self.copies.count:
            return {}
        return _layout_drawn(self.copies.layout, self.copies.most) | {
            "pose_up": np.array([pose.up for pose in self.poses]),
            "pose_height_mm": np.array([pose.height_mm for pose in self.poses]),
            "pose_count": np.array([pose.count for pose in self.poses]),
            "pose_most": np.array([pose.most for pose in self.poses]),
            "pose_possible": np.array([pose.possible for pose in self.poses]),
        }


def _layout_drawn(layout: Layout, most: int) -> dict[str, NDArray[Any]]:
    """Plate, margin and copies; those turned like the first apart from the others."""
    width_mm, depth_mm = layout.plate_mm
    margin_mm = layout.margin_mm
    first = np.isclose(layout.places[:, 2], layout.places[0, 2])
    copies = np.array([shapely.simplify(copy, _DRAWN_MM) for copy in layout.copies], dtype=object)
    drawn = {
        "plate": _rectangle(0.0, 0.0, width_mm, depth_mm),
        "margin": _rectangle(margin_mm, margin_mm, width_mm - margin_mm, depth_mm - margin_mm),
        "copies": ring_points(shapely.multipolygons(shapely.get_parts(copies[first]))),
        "count": np.array([layout.count, most]),
        "use": np.array([layout.use]),
    }
    if not first.all():
        drawn["turned"] = ring_points(shapely.multipolygons(shapely.get_parts(copies[~first])))
    return drawn


def _rectangle(left: float, front: float, right: float, back: float) -> Floats:
    return np.array([[left, front], [right, front], [right, back], [left, back], [left, front]])


def _laid_words(pose: PoseCopies) -> str:
    """Which side of the part as drawn is down."""
    down = -pose.up
    axis = int(np.abs(down).argmax())
    if abs(down[axis]) >= np.cos(np.radians(_AXIS_DEG)):
        return f"on its {'-+'[int(down[axis] > 0)]}{'xyz'[axis]} side"
    return (
        "tilted, the drawing's direction (" + ", ".join(f"{value + 0.0:.2f}" for value in np.round(down, 2)) + ") down"
    )


def _mm(value_mm: float) -> str:
    """A length to a tenth."""
    return f"{value_mm:.1f}".removesuffix(".0")
