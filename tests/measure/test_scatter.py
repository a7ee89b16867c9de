"""Width scatter: moments of the cube of a normal quantity, and what is common to two designs.

Outside truth: moments of the normal distribution (E z2 = 1, E z4 = 3, E z6 = 15), so that (1 + s z)3 has
mean 1 + 3 s2 and variance 9 s2 + 36 s4 + 15 s6; the normal law for shares out of tolerance.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from reviewkit.measure.scatter import Held, WidthScatter, cube_moments, force_scatter, half_width_95

NONE = WidthScatter(leaf_mm=0.0, part_mm=0.0, machine_mm=0.0, machines=200, parts=400, seed=7)
LEAF = np.array([0.8])
ALL = np.array([1.0])


def test_without_scatter_all_parts_are_alike():
    found = force_scatter(np.array([0.8, 1.2]), np.array([0.3, 0.5]), NONE)
    assert found.factor == pytest.approx(np.ones((200, 400)))
    assert (found.within, found.between) == pytest.approx((0.0, 0.0), abs=1e-12)


@pytest.mark.parametrize("which", ["leaf_mm", "part_mm"])
def test_one_leaf_within_a_machine_has_the_moments_of_a_cube(which):
    found = force_scatter(LEAF, ALL, replace(NONE, **{which: 0.06}))
    mean, deviation = cube_moments(0.06 / 0.8)
    assert found.mean == pytest.approx(mean, rel=2e-3)
    assert found.within == pytest.approx(deviation, rel=0.01)
    assert found.between == pytest.approx(deviation / np.sqrt(400), rel=0.2)


def test_machines_have_the_moments_of_a_cube():
    found = force_scatter(LEAF, ALL, replace(NONE, machine_mm=0.06))
    mean, deviation = cube_moments(0.06 / 0.8)
    assert (found.mean, found.between) == pytest.approx((mean, deviation), rel=0.01)
    assert found.within == pytest.approx(0.0, abs=1e-12)


def test_the_closed_form_is_right_for_a_large_spread():
    s = 0.3
    z = np.linspace(-9, 9, 20001)
    cube, weight = (1 + s * z) ** 3, norm.pdf(z) * (z[1] - z[0])
    mean = (cube * weight).sum()
    assert cube_moments(s) == pytest.approx((mean, np.sqrt(((cube - mean) ** 2 * weight).sum())), rel=1e-9)


@pytest.mark.parametrize("count", [4, 16])
def test_leaf_to_leaf_scatter_averages_out_and_machine_scatter_does_not(count):
    widths, shares = np.full(count, 0.8), np.full(count, 1 / count)
    own = force_scatter(widths, shares, replace(NONE, leaf_mm=0.04))
    assert own.within == pytest.approx(cube_moments(0.05)[1] / np.sqrt(count), rel=0.02)
    common = force_scatter(widths, shares, replace(NONE, machine_mm=0.04))
    assert common.between == pytest.approx(cube_moments(0.05)[1], rel=0.01)


def test_it_is_the_cube_and_not_its_slope():
    found = force_scatter(LEAF, ALL, replace(NONE, machine_mm=0.2))
    assert found.factor.min() > 0.0
    wide = found.factor[-1, 0] ** (1 / 3) - 1
    assert found.factor[-1, 0] == pytest.approx((1 + wide) ** 3)
    assert found.factor[-1, 0] > 1 + 3 * wide + 2 * wide**2


def test_what_is_no_leaf_does_not_scatter():
    half = force_scatter(LEAF, np.array([0.5]), replace(NONE, machine_mm=0.04))
    full = force_scatter(LEAF, ALL, replace(NONE, machine_mm=0.04))
    assert half.factor - 1 == pytest.approx(0.5 * (full.factor - 1))


def test_random_numbers_are_common_to_designs_and_fixed_by_the_seed():
    scatter = replace(NONE, leaf_mm=0.02, part_mm=0.01, machine_mm=0.02)
    few = force_scatter(np.full(4, 0.8), np.full(4, 0.25), scatter)
    again = force_scatter(np.full(4, 0.8), np.full(4, 0.25), scatter)
    assert (few.factor == again.factor).all()
    more = force_scatter(np.full(8, 0.8), np.full(8, 0.125), scatter)
    assert np.corrcoef(few.factor.ravel(), more.factor.ravel())[0, 1] > 0.9
    other = force_scatter(np.full(4, 0.8), np.full(4, 0.25), replace(scatter, seed=8))
    assert not np.allclose(few.factor, other.factor)
    # The same leaf thicker by a half scatters by two thirds, part by part, to first order.
    thick = force_scatter(np.full(4, 1.2), np.full(4, 0.25), scatter)
    assert np.corrcoef(few.factor.ravel(), thick.factor.ravel())[0, 1] > 0.999
    assert thick.within / few.within == pytest.approx(2 / 3, rel=0.01)


def test_shares_out_of_tolerance_follow_the_normal_law():
    found = force_scatter(np.full(1, 0.8), ALL, replace(NONE, machine_mm=0.01, part_mm=0.01))
    # Width at which the force of 12 N is 13 N; both scatters together move the width.
    over = 0.8 * ((13 / 12) ** (1 / 3) - 1)
    held = found.held_to(12.0, None, 13.0)
    assert held.high_share == pytest.approx(norm.sf(over / (0.01 * np.sqrt(2))), abs=0.003)
    assert held.yield_share == pytest.approx(1 - held.high_share)
    assert held.low_share == 0.0
    assert held.machines_out == pytest.approx(norm.sf(over / 0.01), abs=0.006)
    assert held.worst_machine < held.yield_share


def test_nothing_is_out_of_no_tolerance():
    found = force_scatter(LEAF, ALL, replace(NONE, machine_mm=0.05))
    assert found.held_to(12.0, None, None) == Held(1.0, 0.0, 0.0, 0.0, 1.0)


def test_range_of_95_and_its_half_width():
    found = force_scatter(LEAF, ALL, replace(NONE, part_mm=0.01))
    low, high = found.range_95
    assert (high - low) / 2 == pytest.approx(half_width_95(cube_moments(0.0125)[1]), rel=0.01)
    assert half_width_95(1.0) == pytest.approx(norm.ppf(0.975))


def test_within_joins_leaf_and_part():
    assert replace(NONE, leaf_mm=0.03, part_mm=0.04).within_mm == pytest.approx(0.05)
