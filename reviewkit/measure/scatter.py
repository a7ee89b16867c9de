"""What the scatter of laid widths does to the force of a mechanism: spread, parts and machines out, yield.

A leaf's stiffness goes with the cube of its width, so a thin leaf passes the scatter of the
process on threefold.  Widths scatter from leaf to leaf, from part to part and from machine to
machine; the last two do not average out over the leaves of a part.  All random numbers are
common: machine, part and leaf of the same number are equally off in every design, so that
two designs differ by their leaves and by nothing else.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from reviewkit.model import Floats

_HALF_95 = 1.959963984540054


@dataclass(frozen=True)
class WidthScatter:
    """How much the width of a thin wall scatters, and how many are drawn.

    Parameters
    ----------
    leaf_mm, part_mm, machine_mm : float
        Standard deviations from leaf to leaf of one part, from part to part of one machine, and from machine to
        machine [mm].
    machines, parts : int
        How many machines are drawn, and parts of each [-].
    seed : int
        Of the random numbers [-].
    """

    leaf_mm: float
    part_mm: float
    machine_mm: float
    machines: int
    parts: int
    seed: int

    @property
    def within_mm(self) -> float:
        """Standard deviation of one leaf within a machine [mm]."""
        return float(np.hypot(self.leaf_mm, self.part_mm))


@dataclass(frozen=True, eq=False)
class ForceScatter:
    """Forces of all parts of all machines, over the force of a part with the widths as laid.

    Parameters
    ----------
    factor : (machines, parts) float
        Force over that without scatter [-].
    """

    factor: Floats

    @property
    def mean(self) -> float:
        """Mean of all parts [-]; above 1 because a cube is steeper above than below."""
        return float(self.factor.mean())

    @property
    def between(self) -> float:
        """Standard deviation of the machines' means [-]."""
        return float(self.factor.mean(axis=1).std())

    @property
    def within(self) -> float:
        """Standard deviation within a machine [-]."""
        return float(np.sqrt(self.factor.var(axis=1).mean()))

    @property
    def range_95(self) -> tuple[float, float]:
        """Between which 95 of 100 parts lie [-]."""
        low, high = np.quantile(self.factor, (0.025, 0.975))
        return float(low), float(high)

    def held_to(self, force: float, lower: float | None, upper: float | None) -> "Held":
        """How many parts and machines keep a tolerance.

        Parameters
        ----------
        force : float
            Without scatter, N or N mm [N, N mm].
        lower, upper : float or None
            Least and greatest force asked for; None where there is no such bound [N, N mm].
        """
        low = -np.inf if lower is None else lower
        high = np.inf if upper is None else upper
        parts, machines = force * self.factor, force * self.factor.mean(axis=1)
        outside = (parts < low) | (parts > high)
        return Held(
            yield_share=float(1 - outside.mean()),
            low_share=float((parts < low).mean()),
            high_share=float((parts > high).mean()),
            machines_out=float(((machines < low) | (machines > high)).mean()),
            worst_machine=float(1 - outside.mean(axis=1).max()),
        )


@dataclass(frozen=True)
class Held:
    """How many parts and machines keep a tolerance, as shares of all.

    Parameters
    ----------
    yield_share : float
        Parts within the tolerance [-].
    low_share, high_share : float
        Parts below and above it [-].
    machines_out : float
        Machines whose mean part is out of it [-].
    worst_machine : float
        Parts within it on the worst machine [-].
    """

    yield_share: float
    low_share: float
    high_share: float
    machines_out: float
    worst_machine: float


def force_scatter(widths_mm: Floats, shares: Floats, scatter: WidthScatter) -> ForceScatter:
    """Force at full stroke of many parts from many machines, over that of a part without scatter.

    Parameters
    ----------
    widths_mm : (n,) float
        Width of each leaf as laid [mm].
    shares : (n,) float
        Energy of each leaf at full stroke over that of the whole part; what is left to 1 does not scatter [-].
    scatter : WidthScatter

    Returns
    -------
    ForceScatter

    Notes
    -----
    The force is the sum of shares times (t'/t)3: exact for leaves side by side, for leaves in a row it
    holds to first order, d ln F = 3 share d ln t.  The normal numbers are an evenly spread set for the
    machines and pseudo-random ones, seeded by leaf, within them.
    """
    shape = (scatter.machines, scatter.parts)
    machine = _even_normals(scatter.machines)[:, None]
    part = np.random.default_rng([scatter.seed, 0]).standard_normal(shape)
    common_mm = scatter.machine_mm * machine + scatter.part_mm * part
    factor = np.full(shape, 1.0 - float(np.sum(shares)))
    for leaf, (width_mm, share) in enumerate(zip(widths_mm, shares, strict=True)):
        own = np.random.default_rng([scatter.seed, leaf + 1]).standard_normal(shape)
        width = np.maximum(width_mm + common_mm + scatter.leaf_mm * own, 0.0)
        factor += share * (width / width_mm) ** 3
    return ForceScatter(factor)


def cube_moments(relative: float) -> tuple[float, float]:
    """Mean and standard deviation of the cube of a normal quantity of mean 1.

    Parameters
    ----------
    relative : float
        Standard deviation of the quantity [-].

    Returns
    -------
    (float, float)
        1 + 3 s2 and the root of 9 s2 + 36 s4 + 15 s6 [-].
    """
    square = relative**2
    return 1 + 3 * square, float(np.sqrt(9 * square + 36 * square**2 + 15 * square**3))


def half_width_95(deviation: float) -> float:
    """Half-width at 95 % of a normal quantity, from its standard deviation, in the same unit [-]."""
    return _HALF_95 * deviation


def _even_normals(count: int) -> Floats:
    """Normal numbers spread evenly, so that few machines show the tails as many would, (count,) float [-]."""
    normals = ndtri((np.arange(count) + 0.5) / count)
    return np.asarray(normals / normals.std(), dtype=float)
