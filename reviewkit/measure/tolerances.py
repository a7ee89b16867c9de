"""Sizes with their tolerances: what a drawn size comes out as, and how fine a tolerance is."""

from dataclasses import dataclass

import numpy as np

# Ranges of nominal sizes of ISO 286-1 up to 500 mm, over the first and up to and including the next.
_RANGES_MM = (1.0, 3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0)


@dataclass(frozen=True)
class Interval:
    """Sizes from ``low_mm`` to ``high_mm``; either end may be infinite."""

    low_mm: float
    high_mm: float

    @property
    def middle_mm(self) -> float:
        """Middle of a closed interval [mm]."""
        return (self.low_mm + self.high_mm) / 2

    @property
    def width_mm(self) -> float:
        """High end less low end [mm]."""
        return self.high_mm - self.low_mm

    def inside(self, other: "Interval", slack_mm: float = 0.0) -> bool:
        """Whether all of it lies in another interval.

        Parameters
        ----------
        other : Interval
        slack_mm : float
            How far it may stand out at either end [mm].
        """
        return self.low_mm >= other.low_mm - slack_mm and self.high_mm <= other.high_mm + slack_mm

    def apart(self, other: "Interval") -> bool:
        """Whether it shares nothing with another interval."""
        return self.high_mm < other.low_mm or self.low_mm > other.high_mm

    def moved(self, low_mm: float, high_mm: float) -> "Interval":
        """With other amounts added to the two ends.

        Parameters
        ----------
        low_mm, high_mm : float
            Added to the low and to the high end [mm].
        """
        return Interval(self.low_mm + low_mm, self.high_mm + high_mm)


@dataclass(frozen=True)
class Process:
    """What printing does to one drawn size.

    Parameters
    ----------
    share : float
        Of the drawn size that facets leave [-].
    shrinkage : tuple of float
        Least and most shrinkage as shares of the size [-].
    loss_mm : tuple of float
        Least and most by which a hole comes out smaller [mm].
    step_mm : float
        Layer height where layers are counted along the size, else nothing [mm].
    spread_mm : float
        Least half-width of what equal machines make of one size [mm].
    """

    share: float = 1.0
    shrinkage: tuple[float, float] = (0.0, 0.0)
    loss_mm: tuple[float, float] = (0.0, 0.0)
    step_mm: float = 0.0
    spread_mm: float = 0.0

    def made(self, drawn_mm: float) -> Interval:
        """Sizes that a drawn size comes out as.

        Parameters
        ----------
        drawn_mm : float
            Size in the drawing, across corners where it is round [mm].

        Returns
        -------
        Interval

        Notes
        -----
        The middle takes the middle of each known shift.  The half-width is that of the known
        shifts together, as the root of the sum of their squares, and never less than the spread.
        """
        middle_mm = drawn_mm * self.share * (1 - sum(self.shrinkage) / 2) - sum(self.loss_mm) / 2
        known_mm = float(
            np.sqrt(
                (drawn_mm * (self.shrinkage[1] - self.shrinkage[0]) / 2) ** 2
                + ((self.loss_mm[1] - self.loss_mm[0]) / 2) ** 2
                + (self.step_mm / 2) ** 2
            )
        )
        half_mm = max(self.spread_mm, known_mm)
        return Interval(middle_mm - half_mm, middle_mm + half_mm)

    def to_draw(self, wanted_mm: float) -> float:
        """The size to draw so that the middle of what is made is the wanted size.

        Parameters
        ----------
        wanted_mm : float
            Size wanted [mm].

        Returns
        -------
        float
            Size to draw [mm].
        """
        return (wanted_mm + sum(self.loss_mm) / 2) / (self.share * (1 - sum(self.shrinkage) / 2))


def tolerance_unit_mm(size_mm: float) -> float:
    """Standard tolerance factor i of the range that a size lies in.

    Parameters
    ----------
    size_mm : float
        Nominal size, up to 500 [mm].

    Returns
    -------
    float
        ``i`` [mm].

    Notes
    -----
    ``i = 0.45 D^(1/3) + 0.001 D`` in micrometres, D the geometric mean of the range in mm.

    References
    ----------
    ISO 286-1; the formula as told by engineersedge.com, Formulas International Tolerance (IT) Grades.
    """
    index = int(np.clip(np.searchsorted(_RANGES_MM, size_mm, side="left"), 1, len(_RANGES_MM) - 1))
    mean_mm = float(np.sqrt(_RANGES_MM[index - 1] * _RANGES_MM[index]))
    return float(0.45 * mean_mm ** (1 / 3) + 0.001 * mean_mm) / 1000
