"""Shares, capability and spread of machines against published values.

Outside truth: scipy's binomtest (Clopper and Pearson 1934), the rule of three, the e-Handbook of Statistical Methods
6.1.6 and Montgomery's looms (both from memory), Kish's design effect.
"""

import math

import numpy as np
import pytest
from scipy import stats

from reviewkit.measure.yields import (
    capability,
    clustered_share,
    counted_share,
    machine_spread,
    outside_share,
    pieces_without_loss,
)

LOOMS = np.array([98, 97, 99, 96, 91, 90, 93, 92, 96, 95, 97, 95, 95, 96, 99, 98.0])
LOOM = np.repeat(np.arange(4), 4)


@pytest.mark.parametrize(
    ("total", "lost", "upper", "low", "high"),
    [
        (10, 0, 0.258866, 0, 0.308497),
        (20, 0, 0.139108, 0, 0.168433),
        (20, 1, 0.216106, 0.001265, 0.248733),
        (40, 2, 0.149152, 0.006114, 0.169197),
        (50, 2, 0.120614, 0.004881, 0.137138),
        (60, 3, 0.124187, 0.010432, 0.139243),
        (100, 5, 0.102253, 0.016432, 0.112835),
    ],
)
def test_counted_shares_as_tabled(total, lost, upper, low, high):
    found = counted_share(lost, total)
    assert (found.low, found.high, found.upper) == pytest.approx((low, high, upper), abs=1e-6)
    assert found.value == lost / total


@pytest.mark.parametrize("level", [0.9, 0.95, 0.975])
@pytest.mark.parametrize(("total", "lost"), [(1, 0), (1, 1), (7, 3), (60, 60), (1000, 13)])
def test_counted_shares_against_scipy(total, lost, level):
    found = counted_share(lost, total, level)
    exact = stats.binomtest(lost, total).proportion_ci(level, "exact")
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-12)
    one_sided = stats.binomtest(lost, total, alternative="less").proportion_ci(level, "exact")
    assert found.upper == pytest.approx(one_sided.high, abs=1e-12)


@pytest.mark.parametrize(("total", "upper"), [(30, 0.095034), (60, 0.048703), (100, 0.029513), (300, 0.009936)])
def test_no_loss_follows_the_rule_of_three(total, upper):
    found = counted_share(0, total).upper
    assert found == pytest.approx(upper, abs=1e-6) == pytest.approx(1 - 0.05 ** (1 / total), abs=1e-6)
    assert found == pytest.approx(3 / total, rel=0.06)


@pytest.mark.parametrize(("confidence", "good", "count"), [(0.95, 0.95, 59), (0.95, 0.99, 299), (0.9, 0.9, 22)])
def test_pieces_without_loss(confidence, good, count):
    assert pieces_without_loss(confidence, good) == count
    assert 1 - good**count >= confidence > 1 - good ** (count - 1)


@pytest.mark.parametrize(("lost", "total"), [(1, 0), (3, 2), (-1, 4)])
def test_counts_that_cannot_be(lost, total):
    with pytest.raises(ValueError, match="cannot be"):
        counted_share(lost, total)
    with pytest.raises(ValueError, match="whole numbers"):
        clustered_share(np.array([lost]), np.array([total]), 0.3)


def test_plates_without_a_loss_take_the_correlation_given():
    found = clustered_share(np.zeros(10, int), np.full(10, 12), 0.3)
    assert found.design_effect == pytest.approx(4.3)
    assert found.effective == pytest.approx(27.9, abs=0.01)
    assert found.upper == pytest.approx(1 - 0.05 ** (1 / found.effective))


def test_losses_that_fall_together_say_less():
    total = np.full(20, 10)
    spread, together = np.zeros(20, int), np.zeros(20, int)
    spread[:10], together[0] = 1, 10
    single, joint = (clustered_share(lost, total, 0.3) for lost in (spread, together))
    assert single.design_effect == 1
    assert (single.low, single.high) == (counted_share(10, 200).low, counted_share(10, 200).high)
    # One plate of 20 that loses all its 10 parts: k/(k-1) * (k-1)/k / k over p(1-p)/n, that is n/k.
    assert joint.design_effect == pytest.approx(20 / 19 * (9.5**2 + 19 * 0.5**2) / 200**2 / (0.05 * 0.95 / 200))
    assert joint.effective < 200 / joint.design_effect
    assert joint.low < single.low
    assert joint.high > single.high


def test_clustered_intervals_hold_what_they_promise():
    """Plates whose own loss varies by a beta law of correlation 0.2; the interval misses in 5 % at most."""
    rng = np.random.default_rng(5)
    share, rho, missed = 0.1, 0.2, 0
    of = 1 / rho - 1
    for _ in range(400):
        lost = rng.binomial(8, rng.beta(share * of, (1 - share) * of, 30))
        found = clustered_share(lost, np.full(30, 8), rho)
        missed += not found.low <= share <= found.high
    assert missed / 400 < 0.075


def test_capability_as_worked():
    deviation = 0.04
    values = 10.05 + deviation * np.array([-1, 1]) * math.sqrt(0.5)
    found = capability(values, 9.8, 10.2)
    assert found.deviation == pytest.approx(deviation)
    assert found.cpk == pytest.approx(1.25)
    assert found.cp == pytest.approx(0.4 / 0.24)


def test_capability_of_the_handbook():
    """USL 20, LSL 8, mean 16, s 2: Cp 1.0 and Cpk 0.6667; its interval of Cp is by chi-square."""
    base = np.random.default_rng(1).normal(size=50)
    values = 16 + 2 * (base - base.mean()) / base.std(ddof=1)
    found = capability(values, 8, 20)
    assert (found.cp, found.cpk) == pytest.approx((1.0, 2 / 3))
    ends = np.sqrt(np.array([31.554916, 70.222414]) / 49)
    assert found.cp_range == pytest.approx(tuple(ends), rel=1e-6)
    half = 1.959964 * math.sqrt(1 / 450 + (2 / 3) ** 2 / 98)
    assert found.cpk_range == pytest.approx((2 / 3 - half, 2 / 3 + half), rel=1e-6)


def test_capability_of_one_side():
    values = np.array([1.0, 2.0, 3.0])
    assert capability(values, None, 5).cpk == pytest.approx(1.0)
    assert capability(values, -4, None).cpk == pytest.approx(2.0)
    assert math.isnan(capability(values, None, 5).cp)
    for wrong in ((np.ones(5), 0, 2), (np.array([1.0]), 0, 2), (values, None, None)):
        with pytest.raises(ValueError, match="capability"):
            capability(*wrong)


def test_spread_of_the_looms():
    """Mean squares 29.73 and 1.90, variance 6.96 between looms; interval of the share 0.39 to 0.98."""
    found = machine_spread(LOOMS, LOOM)
    assert found.between**2 == pytest.approx(6.96, abs=0.01)
    assert found.within**2 == pytest.approx(1.90, abs=0.005)
    assert found.share_range == pytest.approx((0.385, 0.982), abs=0.001)
    assert found.chance == pytest.approx(stats.f_oneway(*LOOMS.reshape(4, 4)).pvalue)
    order = np.random.default_rng(2).permutation(16)
    assert machine_spread(LOOMS[order], 7 - LOOM[order]).share == pytest.approx(found.share)


def test_machines_alike_have_no_spread():
    found = machine_spread(np.array([1, 2, 3, 1, 2, 3.0]), np.array([0, 0, 0, 1, 1, 1]))
    assert (found.between, found.share) == (0, 0)
    assert found.chance == pytest.approx(1)
    for values, machine in (([1, 2], [0, 0]), ([1, 2], [0, 1]), ([1, 1, 2, 2], [0, 0, 1, 1])):
        with pytest.raises(ValueError, match="spread"):
            machine_spread(np.array(values, float), np.array(machine))


def test_widths_outside():
    assert outside_share(np.array([0.4, 0.8]), 0.04, 0.1) == pytest.approx([0.317311, 0.0455003], abs=1e-6)
