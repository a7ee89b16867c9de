"""Good parts out of those printed: from a pilot where there is one, else guessed from what the shape costs."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.judging import Case, mm_words, no_matter, percent_words
from reviewkit.limits import Limits
from reviewkit.measure.lift import Corners, plate_corners
from reviewkit.measure.yields import LEVEL, Share, clustered_share, counted_share, outside_share
from reviewkit.mechanics import flexures_of
from reviewkit.pilot import Pilot, read_pilot
from reviewkit.workpiece import Workpiece

FROM_PILOT = "pilot"
FROM_FINDINGS = "findings"

# Both shares of a pilot must hold at once, so each gets half the error (Bonferroni).
_BOTH = 1 - (1 - LEVEL) / 2


@dataclass(frozen=True)
class Loss:
    """Something of the shape that is thought to cost good parts.

    Parameters
    ----------
    what, measured : str
        Its name, and its measure in words.
    low, high : float
        Share of parts lost to it [-].
    change : str
        What would lessen it.
    """

    what: str
    measured: str
    low: float
    high: float
    change: str = ""


@dataclass(frozen=True)
class Yield:
    """Share of the printed parts that are good.

    Parameters
    ----------
    low, value, high : float
        A 95 % interval and its estimate where a pilot was made, else a guess and its middle [-].
    words : str
        One or two sentences.
    basis : str
        ``pilot`` or ``findings``.
    losses : tuple of Loss
        What the guess is made of; empty for a pilot.
    plates, parts : Share or None
        Of a pilot: plates lost, and parts rejected from the others.
    """

    low: float
    value: float
    high: float
    words: str
    basis: str
    losses: tuple[Loss, ...] = ()
    plates: Share | None = None
    parts: Share | None = None


def pilot_of(workpiece: Workpiece) -> Pilot | None:
    """The pilot of a part, none where no plate of its present revision was recorded.

    Raises
    ------
    SubmissionError
        When its tables cannot be read.
    """
    pilot = read_pilot(workpiece.submission, workpiece.part.id)
    return pilot if pilot is not None and pilot.plates else None


def yield_of(workpiece: Workpiece, limits: Limits) -> Yield:
    """Share of the printed parts that are good, with its span.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``yield.*``, ``lift.*``, ``flexure.*`` and ``mechanics.width_*``.

    Returns
    -------
    Yield

    Raises
    ------
    SubmissionError
        When the tables of a pilot cannot be read.
    """
    pilot = pilot_of(workpiece)
    if pilot is not None:
        return from_pilot(pilot, limits.value("yield.correlation", workpiece.setup).value)
    return workpiece.measured(
        "yield by shape", lambda: combined(tuple(YieldCase(workpiece, limits).losses)), limits.sha256, workpiece.regions
    )


def from_pilot(pilot: Pilot, correlation: float) -> Yield:
    """The yield that a pilot shows.

    Parameters
    ----------
    pilot : Pilot
        With at least one plate.
    correlation : float
        Between parts of one plate, where the plates themselves cannot tell [-].

    Returns
    -------
    Yield
        Plates are counted as the unit of what loses a plate, parts within plates that came through apart.
    """
    plates, both = (_plates(pilot, level) for level in (LEVEL, _BOTH))
    if not pilot.through:
        words = f"All {plates.total} plates of the pilot were lost."
        return Yield(0.0, 0.0, 1 - both.low, words, FROM_PILOT, plates=plates)
    parts, of_parts = (_parts(pilot, correlation, level) for level in (LEVEL, _BOTH))
    low, value, high = (
        (1 - plate) * (1 - part)
        for plate, part in ((both.high, of_parts.high), (plates.value, parts.value), (both.low, of_parts.low))
    )
    words = (
        f"The pilot gives {good_words(value)} good parts, with 95 % confidence {good_words(low)} to {good_words(high)}."
    )
    return Yield(low, value, high, words, FROM_PILOT, plates=plates, parts=parts)


def combined(losses: tuple[Loss, ...]) -> Yield:
    """The yield guessed from several losses that strike independently."""
    low, high = (float(np.prod([1 - share for share in shares])) for shares in _ends(losses))
    words = f"Without a pilot the yield is a guess from the shape: {good_words(low)} to {good_words(high)} good parts."
    return Yield(low, (low + high) / 2, high, words, FROM_FINDINGS, losses)


def good_words(share: float) -> str:
    """A share of good parts in words; close to all it is told to a tenth of a percent [-]."""
    if share < 0.95 or share == 1:
        return percent_words(share)
    return "more than 99.9 %" if share > 0.9995 else f"{100 * share:.1f} %"


@dataclass(frozen=True, eq=False)
class YieldCase(Case):
    """A workpiece and the rows ``yield.*``."""

    rows = "yield"

    @cached_property
    def open_words(self) -> str:
        """Why the shape tells nothing, nothing where it does."""
        return no_matter(self.workpiece, self.limits)

    @property
    def losses(self) -> Iterator[Loss]:
        """What of the shape costs good parts, the plainest shape's own loss first."""
        yield Loss("any print", "the plainest shape", self.value("base_low"), self.value("base_high"))
        if self.open_words:
            return
        for found in (self._leaves(), self._islands(), self._lift()):
            if found is not None:
                yield found

    def _leaves(self) -> Loss | None:
        """Leaves whose width scatters: at the least all scatter together, at the most each for itself."""
        found = flexures_of(self.workpiece, self.limits).every
        widths = np.array([flexure.width_mm for flexure in found])
        if not len(widths):
            return None
        rows = [f"mechanics.width_{whose}" for whose in ("leaf", "part", "machine")]
        deviation_mm = float(np.hypot.reduce([self.limits.value(row, self.workpiece.setup).value for row in rows]))
        tolerance = self.value("leaf_share")
        outside = outside_share(widths, deviation_mm, tolerance)
        thin_mm = float(widths.min())
        enough_mm = deviation_mm * 4 / tolerance
        return Loss(
            "thin leaves",
            f"{len(widths)} of them, the thinnest {mm_words(thin_mm)}, widths scatter by {mm_words(deviation_mm)} "
            "(standard deviation)",
            float(outside.max()),
            float(1 - np.prod(1 - outside)),
            f"Make the leaves at least {mm_words(enough_mm)} wide and longer for the same force, or fewer of them."
            if thin_mm < enough_mm
            else "",
        )

    def _islands(self) -> Loss | None:
        """Islands beyond one, as a mean over the height."""
        stack = self.workpiece.stack
        counts = np.bincount(stack.run, minlength=len(stack.top_mm))
        heights = stack.top_mm - stack.bottom_mm
        on_plate, mean = int(counts[0]), float(counts @ heights / heights.sum())
        # A part that stands on many feet pays for them at the plate, however soon they join.
        more = max(on_plate, mean) - 1
        if more < 0.05:
            return None
        return Loss(
            "many islands",
            f"{on_plate} on the plate, {mean:.3g} in the mean layer",
            min(1.0, more * self.value("island_low")),
            min(1.0, more * self.value("island_high")),
            "Join the islands at the plate by a rim or a floor, so that each layer is one or two pieces.",
        )

    def _lift(self) -> Loss | None:
        """Shrinkage beyond what corners bear, at the farthest sharp one."""
        wanted = self.limits.band("lift.corner_radius", self.workpiece.setup).limits[0].value
        borne = self.limits.band("lift.corner_pull", self.workpiece.setup).limits[0].value
        corners = self._corners(wanted)
        sharp = corners.reach_mm[corners.radius_mm < wanted]
        shrinkage = self.workpiece.setup.material["shrinkage"]
        reach_mm = float(sharp.max(initial=0.0))
        low_mm, high_mm = (max(0.0, reach_mm * per / 100 - borne) for per in (shrinkage.low, shrinkage.high))
        if high_mm <= 0:
            return None
        return Loss(
            "corner lift",
            f"a sharp corner {mm_words(reach_mm)} from the middle of the contact, drawn in by up to "
            f"{mm_words(high_mm + borne)}",
            min(1.0, low_mm * self.value("lift_low")),
            min(1.0, high_mm * self.value("lift_high")),
            f"Round the corners at the plate by {mm_words(wanted)} or more.",
        )

    def _corners(self, rounded_mm: float) -> Corners:
        """As corner lift asks for them, so that they are found once."""
        values = [
            self.limits.value(f"lift.{name}", self.workpiece.setup).value for name in ("corner_angle", "simplify")
        ]
        asked = (180 - values[0], rounded_mm, values[1])
        return self.workpiece.measured(
            "plate corners",
            lambda: plate_corners(self.workpiece.stack, turn_deg=asked[0], rounded_mm=asked[1], simplify_mm=asked[2]),
            *asked,
        )


def _ends(losses: tuple[Loss, ...]) -> tuple[list[float], list[float]]:
    return [loss.high for loss in losses], [loss.low for loss in losses]


def _plates(pilot: Pilot, level: float) -> Share:
    return counted_share(sum(plate.is_lost for plate in pilot.plates), len(pilot.plates), level)


def _parts(pilot: Pilot, correlation: float, level: float) -> Share:
    rejected = np.array([plate.rejected for plate in pilot.through], dtype=np.int64)
    copies = np.array([plate.copies for plate in pilot.through], dtype=np.int64)
    return clustered_share(rejected, copies, correlation, level)
