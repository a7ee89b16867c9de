"""Closed forms of leaf flexures against handbook formulas, tables of the elastica and numerical integration."""

import numpy as np
import pytest
from scipy.integrate import solve_bvp, solve_ivp
from shapely import LineString

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure import beams
from reviewkit.measure.beams import BeamBounds, Column, Ends, Leaf
from reviewkit.model import Setup

E, NU = 2000.0, 0.35
WIDE = BeamBounds(slenderness=10, stroke_share=0.8, strain_most=0.5, deep=5)


def rigid(length, width, depth, ends=Ends.GUIDED) -> Leaf:
    return Leaf(length, width, depth, ends=ends, rigid_roots=True)


def small(leaf: Leaf, stroke_mm: float, modulus=E) -> beams.Bent:
    """At a millionth of the stroke, scaled up: the linear formulas, shear left out."""
    bent = beams.bent(leaf, 1e-6 * stroke_mm, modulus, NU, WIDE)
    shear = bent.shear
    return beams.Bent(
        bent.stiffness_N_mm / shear, 1e6 * bent.force_N / shear, 1e12 * bent.energy_N_mm / shear,
        1e6 * bent.strain, 0.0, 1.0, shear, (),
    )  # fmt: skip


# Roark's Formulas for Stress and Strain, 7th ed., table 8.1 cases 1a and 1b (from memory).


@pytest.mark.parametrize(
    ("leaf", "stroke", "modulus", "stiffness", "strain", "energy"),
    [
        (rigid(30, 0.8, 8, Ends.FREE), 3, 2000, 0.0758519, 0.004, 0.341333),
        (rigid(30, 0.8, 8), 3, 2000, 0.303407, 0.008, 1.365333),
        (rigid(20, 1.2, 10), 2, 1500, 3.24, 0.018, 6.48),
    ],
)
def test_small_strokes(leaf, stroke, modulus, stiffness, strain, energy):
    found = small(leaf, stroke, modulus)
    assert found.stiffness_N_mm == pytest.approx(stiffness, rel=1e-5)
    assert found.strain == pytest.approx(strain, rel=1e-5)
    assert found.energy_N_mm == pytest.approx(energy, rel=1e-5)
    volume = leaf.length_mm * leaf.width_mm * leaf.depth_mm
    assert found.energy_N_mm == pytest.approx(modulus * strain**2 * volume / 18, rel=1e-5)


def test_folded_suspension_in_parallel_and_series():
    leg = small(rigid(30, 0.8, 8), 1.5).stiffness_N_mm
    assert beams.parallel([beams.series([leg, leg])] * 4) == pytest.approx(0.606815, rel=1e-5)
    unequal = [small(rigid(length, 0.8, 8), 1).stiffness_N_mm for length in (20, 30)]
    inertia = 8 * 0.8**3 / 12
    assert beams.series(unequal) == pytest.approx(12 * E * inertia / (20**3 + 30**3), rel=1e-5)


@pytest.mark.parametrize(
    ("leaf", "modulus", "stiffness"),
    [
        (rigid(30, 0.8, 8), 2000, 0.302710),
        (rigid(30, 0.8, 8, Ends.FREE), 2000, 0.0758083),
        (rigid(20, 1.2, 10), 1500, 3.202644),
        (rigid(6, 1.5, 8), 2000, 207.900208),
        (rigid(6, 1.5, 8, Ends.FREE), 2000, 59.488400),
    ],
)
def test_shear(leaf, modulus, stiffness):
    assert beams.stiffness_N_mm(leaf, modulus, NU) == pytest.approx(stiffness, rel=1e-5)


def test_deep_leaf_bends_as_a_plate():
    leaf = rigid(30, 0.8, 8)
    ratio = beams.stiffness_N_mm(leaf, E, NU, as_plate=True) / beams.stiffness_N_mm(leaf, E, NU)
    assert ratio == pytest.approx(1.139601, rel=1e-6)


# Roots: plane-stress models of 30 000 to 100 000 unknowns with sharp corners, k over n 12 E I/L3.


@pytest.mark.parametrize(
    ("length", "width", "ratio"), [(40, 0.8, 0.9532), (40, 1.2, 0.9291), (20, 0.8, 0.9049), (40, 0.8, 0.95499)]
)
def test_sharp_roots_give(length, width, ratio):
    leaf = Leaf(length, width, 8.0)
    found = beams.stiffness_N_mm(leaf, E, NU) / (12 * E * leaf.second_moment_mm4 / length**3)
    assert found == pytest.approx(ratio, abs=6e-3)
    assert leaf.effective_length_mm == pytest.approx(length + 0.79 * width)


def test_fillets_stiffen_and_a_root_of_unknown_radius_is_sharp():
    lengths = [Leaf(40, 1.0, 8.0, (radius, radius)).effective_length_mm for radius in (0, 0.1, 0.3, 0.5, 1.0)]
    assert lengths == pytest.approx([40.79, 40.72, 40.48, 40.2, 39.46])
    assert Leaf(40, 1.0, 8.0, (np.nan, 0.0)).effective_length_mm == lengths[0]
    assert Leaf(40, 1.0, 8.0, ends=Ends.FREE).effective_length_mm == pytest.approx(40.395)


def test_strain_is_that_where_the_fillet_begins():
    sharp = small(Leaf(40, 0.8, 8.0), 4)
    # Force times half the leaf is the moment at its face.
    assert sharp.strain == pytest.approx(sharp.force_N * 20 * 0.4 / (E * 8 * 0.8**3 / 12), rel=2e-3)
    round_ = small(Leaf(40, 0.8, 8.0, (0.8, 0.8)), 4)
    assert round_.strain == pytest.approx(round_.force_N * 19.2 * 0.4 / (E * 8 * 0.8**3 / 12), rel=2e-3)


# Elastica, Bisshopp and Drucker 1945; the table recomputed by shooting and by elliptic integrals to 2e-13.

CANTILEVER = [
    (0.10, 0.0332953, 0.0006654, 0.0999335, 0.0016638),
    (0.50, 0.1621436, 0.0159190, 0.4920405, 0.0399801),
    (1.0, 0.3017208, 0.0564332, 0.9435668, 0.1434383),
    (2.0, 0.4934575, 0.1606417, 1.6787166, 0.4221297),
    (5.0, 0.7137915, 0.3876284, 3.0618582, 1.1185302),
    (10.0, 0.8106090, 0.5549956, 4.4500440, 1.7953557),
]
GUIDED = [
    (0.01, 0.1200123, 0.0000600, 0.0600026, 0.0006000),
    (0.05, 0.6015474, 0.0015013, 0.3003221, 0.0150193),
    (0.10, 1.2124882, 0.0060207, 0.6025941, 0.0603110),
    (0.20, 2.5035692, 0.0243379, 1.2213189, 0.2450960),
    (0.30, 3.9723912, 0.0557697, 1.8754260, 0.5668941),
    (0.50, 8.1860146, 0.1654098, 3.4159836, 1.7414647),
]


@pytest.mark.parametrize(("load", "stroke", "shortening", "moment", "energy"), CANTILEVER)
def test_large_strokes_of_a_cantilever(load, stroke, shortening, moment, energy):
    found = beams.elastica(stroke, Ends.FREE)
    assert found.force * 3 * stroke == pytest.approx(load, rel=1e-5)
    assert found.end_moment * 3 * stroke == pytest.approx(moment, rel=1e-5)
    assert found.energy * 1.5 * stroke**2 == pytest.approx(energy, rel=3e-5)
    assert found.shortening == pytest.approx(shortening, rel=1e-5, abs=5e-8)


@pytest.mark.parametrize(("stroke", "load", "shortening", "moment", "energy"), GUIDED)
def test_large_strokes_of_a_guided_leaf(stroke, load, shortening, moment, energy):
    found = beams.elastica(stroke, Ends.GUIDED)
    assert found.force * 12 * stroke == pytest.approx(load, rel=1e-6)
    assert found.end_moment * 6 * stroke == pytest.approx(moment, rel=1e-6)
    assert found.energy * 6 * stroke**2 == pytest.approx(energy, rel=1e-4)
    assert found.shortening == pytest.approx(shortening, rel=1e-5, abs=5e-8)


def test_elastica_against_shooting():
    # theta'' = -a cos(theta), theta(0) = 0, theta'(1) = 0, by a solver that knows no elliptic integral.
    load = 1.7

    def slope(s, y):
        return np.vstack([y[1], -load * np.cos(y[0])])

    found = solve_bvp(slope, lambda a, b: [a[0], b[1]], np.linspace(0, 1, 40), np.zeros((2, 40)), tol=1e-10)
    stroke = solve_ivp(lambda s, _: np.sin(found.sol(s)[0]), (0, 1), [0.0], rtol=1e-10, atol=1e-12).y[0, -1]
    assert beams.elastica(stroke, Ends.FREE).force * 3 * stroke == pytest.approx(load, rel=1e-6)
    assert beams.elastica(stroke, Ends.FREE).end_moment * 3 * stroke == pytest.approx(found.sol(0)[1], rel=1e-6)


def test_pseudo_rigid_body_is_as_wrong_as_published():
    # Howell, Compliant Mechanisms, 2001, ch. 5: gamma 0.8517, spring 2.65; errors against the elastica.
    for stroke, error in ((0.05, 0.0369), (0.10, 0.0360), (0.30, 0.0263), (0.50, 0.0036)):
        angle = np.arcsin(stroke / 0.8517)
        rigid_body = 4 * 2.65 * angle / np.cos(angle)
        exact = float(beams.elastica(stroke, Ends.GUIDED).force) * 12 * stroke
        assert rigid_body / exact - 1 == pytest.approx(error, abs=1.5e-4)


def test_leaf_shortens_by_the_square_of_a_small_stroke():
    # Mean of half the squared slope of the cubic, 0.6 (d/L)2.
    assert beams.elastica(1e-3, Ends.GUIDED).shortening == pytest.approx(0.6e-6, rel=1e-4)


def test_elastica_ends_with_its_table():
    with pytest.raises(ValueError, match="beyond"):
        beams.elastica(0.9, Ends.FREE)


def test_bent_puts_roots_shear_and_large_strokes_together():
    leaf = rigid(30, 0.8, 8)
    found = beams.bent(leaf, 9.0, E, NU, WIDE)
    assert found.force_N == pytest.approx(0.302710 * 9 * 3.9723912 / 3.6, rel=1e-5)
    assert found.strain == pytest.approx(3 * 0.8 * 9 / 900 * 1.04190, rel=1e-4)
    assert found.shortening_mm == pytest.approx(30 * 0.0557697, rel=1e-5)
    assert found.valid


# Leaf between blocks that cannot approach; 2D ratios from an independent total-Lagrangian model.


@pytest.mark.parametrize(
    ("ratio", "force", "plane", "strain"),
    [(0.5, 1.17888, 1.1800, 5.975e-5), (1, 1.70358, 1.7056, 2.364e-4), (3, 6.75696, 6.7626, 2.007e-3)],
)
def test_leaf_that_cannot_shorten(ratio, force, plane, strain):
    found = beams.stretched(ratio)
    assert found.force == pytest.approx(force, rel=1e-5)
    assert found.force == pytest.approx(plane, rel=2e-3)
    assert found.stretch * 0.02**2 == pytest.approx(strain, rel=1e-3)
    step = 1e-4
    work = (ratio + step) ** 2 * beams.stretched(ratio + step).energy
    work -= (ratio - step) ** 2 * beams.stretched(ratio - step).energy
    assert work / (4 * step * ratio) == pytest.approx(force, rel=1e-5)


def test_leaf_that_cannot_shorten_at_small_strokes():
    assert beams.stretched(0.05).force == pytest.approx(1 + 0.72 * 0.05**2, rel=1e-6)
    assert beams.stretched(0.0).force == 1.0
    held = beams.bent(rigid(100, 2, 5), 2.0, E, NU, WIDE, axially_held=True)
    assert held.large_stroke == pytest.approx(1.70358, rel=1e-5)
    assert held.shortening_mm == 0


def test_stroke_for_a_strain():
    leaf = rigid(30, 0.8, 8)
    assert beams.stroke_for_strain_mm(leaf, 0.006) == pytest.approx(2.25 / 1.0024, rel=2e-4)
    long = beams.stroke_for_strain_mm(leaf, 0.025)
    assert beams.bent(leaf, long, E, NU, WIDE).strain == pytest.approx(0.025, rel=1e-9)
    assert long == pytest.approx(9.375 / 1.046, rel=0.01)


# Buckling: Timoshenko and Gere, Theory of Elastic Stability, 2nd ed. 1961, ch. 2 (from memory).


@pytest.mark.parametrize(
    ("column", "load"),
    [
        (Column.FIXED_FREE, 1.8716),
        (Column.PINNED, 7.4863),
        (Column.FIXED_GUIDED, 7.4863),
        (Column.FIXED_PINNED, 15.3150),
        (Column.FIXED_FIXED, 29.9451),
    ],
)
def test_buckling(column, load):
    assert beams.buckling_load_N(rigid(30, 0.8, 8), E, NU, column) == pytest.approx(load, rel=1e-4)


def test_buckling_of_a_wide_leaf_and_where_euler_ends():
    wide = beams.buckling_load_N(rigid(30, 0.8, 8), E, NU, Column.FIXED_GUIDED, as_plate=True)
    assert wide == pytest.approx(8.5314, rel=1e-4)
    assert beams.euler_slenderness(2000, 40) == pytest.approx(31.42, abs=0.01)


@pytest.mark.parametrize(("load", "factor"), [(0, 1), (0.25, 0.7525), (0.5, 0.5035), (0.9, 0.1013), (-1, 1.9765)])
def test_axial_load_changes_the_stiffness(load, factor):
    assert beams.load_factor(load, Ends.GUIDED) == pytest.approx(factor, abs=1e-4)
    assert beams.load_factor(load, Ends.FREE) == pytest.approx(factor, abs=0.02)
    assert beams.load_factor(1.0, Ends.GUIDED) == 0


# Notch factors: Peterson's fits against plane-stress models with 24 elements on the arc.


@pytest.mark.parametrize(
    ("ratio", "bending"), [(0.05, 2.516), (0.1, 1.956), (0.2, 1.576), (0.3, 1.418), (0.5, 1.272), (1.0, 1.147)]
)
def test_notch_factor_in_bending(ratio, bending):
    assert beams.notch_factors(ratio * 0.8, 0.8).bending == pytest.approx(bending, rel=0.04)


def test_notch_factors_by_handbook():
    found = beams.notch_factors(0.1, 1.0, 3.0)
    assert (found.bending, found.tension) == pytest.approx((1.951, 2.731), abs=1e-3)
    assert beams.notch_factors(0.3, 1.0, 2.0).bending == pytest.approx(1.418, rel=0.02)
    assert found.valid
    assert not beams.notch_factors(0.01, 1.0).valid
    for unknown in (0.0, np.nan):
        sharp = beams.notch_factors(unknown, 1.0)
        assert np.isnan(sharp.bending)
        assert not sharp.valid


# Ripples, against sections cut into thin strips.


@pytest.mark.parametrize(
    ("amplitude", "wavelength", "thickness", "second_moment"),
    [(0.4, 4, 0.8, 0.121042), (1, 10, 0.8, 0.472892), (2, 10, 1.0, 2.495656)],
)
def test_wavy_section(amplitude, wavelength, thickness, second_moment):
    found = beams.wavy_second_moment_mm3(amplitude, wavelength, thickness)
    assert found == pytest.approx(second_moment, rel=1e-5)
    x = np.linspace(0, 40 * wavelength, 40 * 400 + 1)
    wall = LineString(np.column_stack([x, amplitude * np.sin(2 * np.pi * x / wavelength)])).buffer(
        thickness / 2, cap_style="flat"
    )
    assert polygon_second_moment(np.array(wall.exterior.coords)) / x[-1] == pytest.approx(found, rel=2e-3)


def polygon_second_moment(ring: np.ndarray) -> float:
    x, y = ring.T
    cross = x[:-1] * y[1:] - x[1:] * y[:-1]
    return abs(float((cross * (y[:-1] ** 2 + y[:-1] * y[1:] + y[1:] ** 2)).sum() / 12))


@pytest.mark.parametrize(("shape", "second_moment"), [((2, 1, 1, 0.8), 0.766900), ((3, 2, 1.5, 1.0), 1.959323)])
def test_trapezoid_section(shape, second_moment):
    assert beams.trapezoid_second_moment_mm3(*shape) == pytest.approx(second_moment, rel=1e-5)


@pytest.mark.parametrize(
    ("amplitude", "wavelength", "axial", "plane", "bending"),
    [
        (0.4, 20, 0.396122, 0.399707, 0.996079),
        (1, 20, 0.094160, 0.095383, 0.976338),
        (1, 10, 0.088504, 0.092411, 0.915429),
    ],
)
def test_wavy_middle_line(amplitude, wavelength, axial, plane, bending):
    found = beams.wavy_axial_ratio(amplitude, wavelength, 0.8, NU)
    assert found == pytest.approx(axial, rel=1e-5)
    assert found == pytest.approx(plane, rel=0.05)
    assert 1 / beams.wave_length_ratio(amplitude, wavelength) == pytest.approx(bending, rel=1e-5)


def test_snaking_strip_is_softer():
    assert beams.out_of_plane_ratio(1, 10, NU) == pytest.approx(0.965343, rel=1e-5)
    assert beams.out_of_plane_ratio(2, 10, NU) == pytest.approx(0.873859, rel=1e-5)


# Bounds.


def test_bounds_are_said():
    printer = machine("standard-240")
    bounds = beams.beam_bounds(load_limits(), Setup(printer, material("PETG"), 0.2, 0.4, 0.2))
    assert beams.bent(Leaf(30, 0.8, 8), 3.0, E, NU, bounds).valid
    for leaf, stroke, word in (
        (Leaf(7, 0.8, 8), 0.1, "as long as wide"),
        (Leaf(30, 0.8, 8), 18.0, "of the length"),
        (Leaf(12, 1.0, 8), 3.0, "strain"),
        (Leaf(30, 0.8, 200), 1.0, "as deep as long"),
        (Leaf(30, 0.8, 8, (1.7, 0.5)), 1.0, "fillet"),
    ):
        found = beams.bent(leaf, stroke, E, NU, bounds)
        assert not found.valid
        assert any(word in text for text in found.beyond)
