"""What counted and measured pilot parts say of all parts to come: shares lost, capability, spread of machines."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from reviewkit.model import Floats

LEVEL = 0.95


@dataclass(frozen=True)
class Share:
    """A share estimated from a count.

    Parameters
    ----------
    lost, total : int
        How many of how many [-].
    low, high : float
        Two-sided interval [-].
    upper : float
        One-sided upper bound at the same level [-].
    design_effect : float
        By how much what is counted together varies more than single pieces would [-].
    effective : float
        Single pieces that tell as much [-].
    """

    lost: int
    total: int
    low: float
    high: float
    upper: float
    design_effect: float = 1.0
    effective: float = math.nan

    @property
    def value(self) -> float:
        """Share lost of those counted [-]."""
        return self.lost / self.total


@dataclass(frozen=True)
class Capability:
    """How a dimension keeps its tolerance.

    Parameters
    ----------
    count : int
        Values [-].
    mean, deviation : float
        Of the values, in their unit [-].
    cp, cpk : float
        Width of the tolerance over six standard deviations, and room on the narrower side over three;
        `cp` is nan for a tolerance of one side [-].
    cp_range, cpk_range : tuple of (float, float)
        Intervals at 95 % [-].
    """

    count: int
    mean: float
    deviation: float
    cp: float
    cpk: float
    cp_range: tuple[float, float]
    cpk_range: tuple[float, float]


@dataclass(frozen=True)
class MachineSpread:
    """How values differ from machine to machine and within one.

    Parameters
    ----------
    machines, count : int
        Machines and values [-].
    within, between : float
        Standard deviations within a machine, and of the machines' own means, in the unit of the values [-].
    share : float
        Of all variance that is between machines [-].
    share_range : tuple of (float, float)
        Its interval at 95 %; exact where every machine has as many values [-].
    chance : float
        Of so great a spread were all machines alike [-].
    """

    machines: int
    count: int
    within: float
    between: float
    share: float
    share_range: tuple[float, float]
    chance: float


def counted_share(lost: int, total: int, level: float = LEVEL) -> Share:
    """Share of all to come that is lost, from pieces that fail one by one.

    Parameters
    ----------
    lost, total : int
        How many were lost of how many [-].
    level : float
        Of the intervals [-].

    Returns
    -------
    Share

    Raises
    ------
    ValueError
        When nothing was counted, or more was lost than counted.

    References
    ----------
    Clopper and Pearson, The use of confidence or fiducial limits illustrated in the case of the
    binomial, Biometrika 26 (1934) 404-413 (from memory).
    """
    if not 0 <= lost <= total or not total:
        raise ValueError(f"{lost} lost of {total} cannot be")
    return Share(lost, total, *_exact(float(lost), float(total), level), effective=float(total))


def clustered_share(
    lost: NDArray[np.int64], total: NDArray[np.int64], correlation: float, level: float = LEVEL
) -> Share:
    """Share of parts lost where the parts of one plate share their fate in part.

    Parameters
    ----------
    lost, total : (k,) int
        Parts lost and parts counted on each plate [-].
    correlation : float
        Between parts of one plate, taken where the plates themselves cannot tell: none or all lost, or
        one plate only [-].
    level : float
        Of the intervals [-].

    Returns
    -------
    Share

    Raises
    ------
    ValueError
        When nothing was counted, or more was lost than counted on a plate.

    Notes
    -----
    The variance of the ratio of sums, plates drawn as wholes, over that of single parts is the design
    effect, never taken below 1; the exact interval is then that of as many single parts as tell as
    much, fewer still for few plates.

    References
    ----------
    Korn and Graubard, Confidence intervals for proportions with small expected number of positive
    counts estimated from survey data, Survey Methodology 24 (1998) 193-201 (from memory); design
    effect 1 + (n - 1) rho by Kish (from memory).
    """
    if not len(total) or (lost > total).any() or (lost < 0).any() or (total < 1).any():
        raise ValueError("parts lost and counted must be whole numbers, at least one counted on each plate")
    k, n, x = len(total), float(total.sum()), float(lost.sum())
    share = x / n
    if 0 < share < 1 and k > 1:
        rest = lost - share * total
        effect = float(k / (k - 1) * (rest**2).sum() / n**2 / (share * (1 - share) / n))
        few = float(stats.t.ppf(0.5 + level / 2, n - 1) / stats.t.ppf(0.5 + level / 2, k - 1)) ** 2
    else:
        # Of plates of different sizes the larger count for more.
        effect, few = 1.0 + (float((total**2).sum()) / n - 1) * correlation, 1.0
    effect = max(effect, 1.0)
    effective = n if effect == 1.0 else n / effect * few
    return Share(int(x), int(n), *_exact(share * effective, effective, level), effect, effective)


def pieces_without_loss(confidence: float, share_good: float) -> int:
    """Pieces that must all be good to show a share of good ones.

    Parameters
    ----------
    confidence : float
        With which it is to be shown [-].
    share_good : float
        At least so many of all to come [-].

    Returns
    -------
    int
    """
    return math.ceil(math.log(1 - confidence) / math.log(share_good) - 1e-12)


def capability(values: Floats, low: float | None, high: float | None, level: float = LEVEL) -> Capability:
    """How values keep a tolerance.

    Parameters
    ----------
    values : (n,) float
        At least two that differ [any unit].
    low, high : float or None
        Bounds of the tolerance in the unit of the values, at least one of them [-].
    level : float
        Of the intervals [-].

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        For fewer than two values, values all alike, or no bound.

    Notes
    -----
    The interval of Cp is exact by chi-square for normal values.  That of Cpk is the normal
    approximation with variance 1/(9 n) + Cpk2/(2 (n - 1)).

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 (from memory); Bissell, How reliable is
    your capability index?, Applied Statistics 39 (1990) 331-340 (from memory).
    """
    n = len(values)
    deviation = float(np.std(values, ddof=1)) if n > 1 else 0.0
    if deviation <= 0 or (low is None and high is None):
        raise ValueError("capability needs two values that differ, and a bound")
    mean = float(np.mean(values))
    rooms = [] if low is None else [mean - low]
    rooms += [] if high is None else [high - mean]
    cpk = min(rooms) / (3 * deviation)
    cp = (high - low) / (6 * deviation) if low is not None and high is not None else math.nan
    ends = np.sqrt(stats.chi2.ppf([0.5 - level / 2, 0.5 + level / 2], n - 1) / (n - 1))
    half = float(stats.norm.ppf(0.5 + level / 2)) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return Capability(n, mean, deviation, cp, cpk, (cp * float(ends[0]), cp * float(ends[1])), (cpk - half, cpk + half))


def machine_spread(values: Floats, machine: NDArray[np.int64], level: float = LEVEL) -> MachineSpread:
    """Spread from machine to machine and within a machine, by one-way analysis with random machines.

    Parameters
    ----------
    values : (n,) float
        Not all alike [any unit].
    machine : (n,) int
        Machine of each value [-].
    level : float
        Of the interval [-].

    Returns
    -------
    MachineSpread

    Raises
    ------
    ValueError
        For fewer than two machines, no machine with two values, or no spread within machines.

    References
    ----------
    Montgomery, Design and Analysis of Experiments: the random effects model, with the interval of the
    share of variance (from memory); for unequal counts its n is n0 of Searle (from memory).
    """
    _, group, counts = np.unique(machine, return_inverse=True, return_counts=True)
    a, n = len(counts), len(values)
    if a < 2 or n <= a:
        raise ValueError("spread of machines needs two machines, and two values on one of them")
    means = np.bincount(group, values) / counts
    within_ms = float(((values - means[group]) ** 2).sum()) / (n - a)
    between_ms = float((counts * (means - np.mean(values)) ** 2).sum()) / (a - 1)
    if within_ms <= 0:
        raise ValueError("values that do not differ on any machine tell no spread")
    each = (n - float((counts**2).sum()) / n) / (a - 1)
    between = max(0.0, (between_ms - within_ms) / each)
    ratio = between_ms / within_ms
    ends = [(ratio / float(stats.f.ppf(p, a - 1, n - a)) - 1) / each for p in (0.5 + level / 2, 0.5 - level / 2)]
    low, high = (max(0.0, end / (1 + end)) for end in ends)
    return MachineSpread(
        machines=a,
        count=n,
        within=math.sqrt(within_ms),
        between=math.sqrt(between),
        share=between / (between + within_ms),
        share_range=(low, high),
        chance=float(stats.f.sf(ratio, a - 1, n - a)),
    )


def outside_share(width: Floats, deviation: float, tolerance: float) -> Floats:
    """Share of normal values that differ from their mean by more than a share of it.

    Parameters
    ----------
    width : (n,) float
        Means [any unit].
    deviation : float
        Standard deviation [same unit].
    tolerance : float
        Largest difference over the mean [-].

    Returns
    -------
    (n,) float
        [-].
    """
    return np.asarray(2 * stats.norm.sf(tolerance * width / deviation))


def _exact(lost: float, total: float, level: float) -> tuple[float, float, float]:
    """Interval and one-sided upper bound of a share; counts may be fractions."""
    tail = (1 - level) / 2
    good = total - lost
    low = 0.0 if lost <= 0 else float(special.betaincinv(lost, good + 1, tail))
    high, upper = (
        1.0 if good <= 0 else float(special.betaincinv(lost + 1, good, 1 - share)) for share in (tail, 2 * tail)
    )
    return low, high, upper
