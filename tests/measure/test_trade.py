"""Trades of leaves against their scaling laws, numerical integration and worked cases.

Outside truth: k = n E b t3/L3, e = 3 t d/L2 and U = E e2 V/18 for fixed-guided leaves (Roark's Formulas for Stress
and Strain, 7th ed. 2002, table 8.1, from memory) and what follows from them; second moments of wavy sections and
energy integrals of wavy beams by numerical integration; the time of a straight line from rest to rest.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.scatter import cube_moments, half_width_95
from reviewkit.measure.trade import (
    Design,
    Ripple,
    Task,
    even_wall_gain,
    force_curve,
    line_time_s,
    making,
    rippled,
    stroke_at_strain_mm,
    studied,
    trades,
)
from reviewkit.model import Setup

NU = 0.35
MACHINE = machine("standard-240")
SETUP = Setup(MACHINE, material("petg"), 0.2, 0.4, 0.2)
MADE = making(load_limits(), SETUP)
F1 = Design(4, 0.8, 8.0, 30.0)
# So long that roots, shear and large strokes leave the laws alone.
SLENDER, SMALL = Design(4, 0.8, 8.0, 3000.0), Task(3.0)


def printing(**changed) -> Setup:
    return replace(SETUP, machine=replace(MACHINE, printing=replace(MACHINE.printing, **changed)))


def named(rows, name):
    return [row for row in rows if row.name == name]


# Scaling laws.


def test_leaves_side_by_side_follow_the_beam_formula():
    found = studied(SLENDER, SMALL, MADE)
    assert found.stiffness_N_mm == pytest.approx(4 * 2000 * 8 * 0.8**3 / 3000**3, rel=2e-3)
    assert found.strain == pytest.approx(3 * 0.8 * 3 / 3000**2, rel=2e-3)
    assert found.energy_N_mm == pytest.approx(2000 * found.strain**2 * found.material_mm3 / 18, rel=2e-3)


def test_stages_share_the_stroke():
    # Folded suspension of 2 p legs: p 6 E I/L3 and 1.5 t d/L2 (table 1.1 of the notes on flexures, derived).
    found = studied(SLENDER, replace(SMALL, stages=2), MADE)
    assert found.stiffness_N_mm == pytest.approx(2 * 6 * 2000 * 8 * 0.8**3 / 12 / 3000**3, rel=2e-3)
    assert found.strain == pytest.approx(1.5 * 0.8 * 3 / 3000**2, rel=2e-3)


@pytest.mark.parametrize(("width", "more"), [(0.8, 0.424), (1.2, 0.271)])
def test_a_tenth_of_a_millimetre_on_the_width(width, more):
    thin, thick = (studied(replace(SLENDER, width_mm=w), SMALL, MADE).stiffness_N_mm for w in (width, width + 0.1))
    assert thick / thin - 1 == pytest.approx(more, abs=2e-3)


def test_trades_scale_as_the_laws_say():
    rows = trades(SLENDER, SMALL, MADE)
    half = next(row for row in named(rows, "fewer, deeper") if row.design.count == 2)
    assert (half.design.depth_mm, half.design.width_mm, half.design.length_mm) == pytest.approx((16, 0.8, 3000))
    (wider,) = named(rows, "one line more: longer")
    assert wider.design.count == 2
    assert wider.design.length_mm == pytest.approx(3000 * np.sqrt(1.5), rel=1e-3)
    assert wider.design.depth_mm == pytest.approx(8.709297, rel=1e-3)
    thicker = next(row for row in named(rows, "fewer, as deep: thicker, longer") if row.design.count == 2)
    assert thicker.design.width_mm == pytest.approx(0.8 * 2 ** (2 / 3), rel=1e-3)
    assert thicker.design.length_mm == pytest.approx(3000 * 2 ** (1 / 3), rel=1e-3)
    straight = [row for row in rows if not row.design.rippled and not any("laid as" in w for w in row.against)]
    assert len(straight) >= 5
    assert [row.material_mm3 for row in straight] == pytest.approx([rows[0].material_mm3] * len(straight), rel=2e-3)


def test_a_rippled_section_pays_in_material():
    (wavy,) = named(trades(SLENDER, SMALL, MADE), "rippled, longer")
    # I/(A c2) of a section that waves by its own width over that of a rectangle: (1 + 6)/(1 + 2)2.
    first = studied(SLENDER, SMALL, MADE)
    assert wavy.material_mm3 / first.material_mm3 == pytest.approx(9 / 7, rel=2e-3)
    assert wavy.design.length_mm == pytest.approx(3000 * np.sqrt(3), rel=1e-3)


@pytest.mark.parametrize(
    ("design", "task"),
    [
        (F1, Task(3.0)),
        (Design(12, 0.72, 16.0, 44.0, root_radius_mm=0.8), Task(9.0, 1, 0.91, 1.22, 0.85)),
        (Design(1, 1.2, 10.0, 40.0), Task(6.0, 2)),
        (Design(6, 0.8, 12.0, 40.0, Ripple.SECTION, 0.4), Task(4.0)),
        (Design(6, 0.8, 12.0, 40.0, Ripple.IN_PLANE, 0.4), Task(4.0)),
        (Design(6, 0.8, 12.0, 40.0, Ripple.OUT_OF_PLANE, 0.4), Task(4.0)),
    ],
)
def test_every_trade_does_the_same_or_says_what_it_does_not(design, task):
    first, *rest = trades(design, task, MADE)
    assert len(rest) >= 4
    for row in rest:
        if row.laid_mm != pytest.approx(row.design.width_mm, rel=1e-6):
            continue
        assert row.stiffness_N_mm == pytest.approx(first.stiffness_N_mm, rel=1e-6), row.name
        if "strain rises" in row.name:
            assert row.strain > 1.2 * first.strain
            assert design.ripple is not Ripple.SECTION
        elif row.name.startswith("less strained"):
            assert row.strain == pytest.approx(MADE.strain_allowed, rel=1e-6)
            assert first.strain > MADE.strain_allowed
        else:
            assert row.strain == pytest.approx(first.strain, rel=1e-6), row.name


def test_a_wave_is_kept_but_in_the_row_that_takes_it_away():
    wavy = Design(6, 0.8, 12.0, 40.0, Ripple.SECTION, 0.4)
    first, *rest = trades(wavy, Task(4.0), MADE)
    assert {row.name for row in rest if not row.design.rippled} == {"straight, shorter"}
    deeper = named(rest, "fewer, deeper")
    assert [row.design.length_mm for row in deeper] == [first.design.length_mm] * len(deeper)


def test_one_leaf_has_no_fewer():
    assert not named(trades(replace(F1, count=1), Task(3.0), MADE), "fewer, deeper")


# Over the stroke.


def test_force_is_the_slope_of_the_energy_and_ends_where_the_design_does():
    task, stroke = Task(9.0), np.linspace(0, 9, 181)
    design = replace(F1, ripple=Ripple.SECTION, amplitude_mm=0.2)
    force, energy = force_curve(design, task, MADE, stroke)
    end = studied(design, task, MADE)
    assert (force[-1], energy[-1]) == pytest.approx((end.force_N, end.energy_N_mm), rel=1e-9)
    assert energy[-1] == pytest.approx(float(np.trapezoid(force, stroke)), rel=1e-4)
    assert end.force_N > 1.05 * end.stiffness_N_mm * 9


@pytest.mark.parametrize("ripple", [Ripple.NONE, Ripple.SECTION, Ripple.IN_PLANE])
def test_the_stroke_of_a_strain_has_that_strain(ripple):
    design, task = replace(F1, ripple=ripple, amplitude_mm=0.3), Task(1.0, 2, 1.0, 1.3)
    stroke = stroke_at_strain_mm(design, task, MADE, 0.01)
    assert studied(design, replace(task, stroke_mm=stroke), MADE).strain == pytest.approx(0.01, rel=1e-3)


def test_a_strain_out_of_reach_has_no_stroke():
    assert stroke_at_strain_mm(SLENDER, SMALL, MADE, 0.01) == np.inf


# Waves.


@pytest.mark.parametrize(
    ("wave", "gain"),
    [((0.4, 4, 0.8), 2.8369), ((0.5, 5, 0.8), 3.7205), ((1, 10, 0.8), 11.0834), ((2, 10, 1.0), 29.9479)],
)
def test_a_wall_of_even_thickness_gains_by_its_polygon(wave, gain):
    amplitude, length, thickness = wave
    x = np.linspace(0, length, 20001)
    z, slope = (amplitude * f(2 * np.pi * x / length) for f in (np.sin, np.cos))
    slope = slope * 2 * np.pi / length
    normal = np.stack([-slope, np.ones_like(x)]) / np.sqrt(1 + slope**2)
    upper, lower = (np.stack([x, z]) + side * thickness / 2 * normal for side in (1, -1))
    ring = np.concatenate([lower, upper[:, ::-1]], axis=1)
    assert even_wall_gain(*wave) == pytest.approx(polygon_second_moment(*ring) / (length * thickness**3 / 12), rel=1e-4)
    assert even_wall_gain(*wave) == pytest.approx(gain, rel=1e-4)


def polygon_second_moment(x, z) -> float:
    """Of a closed polygon about z = 0, by Green's theorem."""
    u, v = np.roll(x, -1), np.roll(z, -1)
    return abs(float(np.sum((x * v - u * z) * (z**2 + z * v + v**2)))) / 12


@pytest.mark.parametrize(("amplitude", "gain", "strain"), [(0.4, 2.5, 2.0), (0.5, 3.34375, 2.25), (0.8, 7.0, 3.0)])
def test_a_wave_down_the_depth_gains_by_integration_over_the_layers(amplitude, gain, strain):
    design = Design(1, 0.8, 7.4, 30.0, Ripple.SECTION, amplitude, waves=2)
    found = rippled(design, NU)

    def layer(z: float) -> float:
        return 0.8 * (amplitude * np.sin(2 * np.pi * 2 * z / 7.4)) ** 2 + 0.8**3 / 12

    assert found.bending == pytest.approx(quad(layer, 0, 7.4)[0] / (7.4 * 0.8**3 / 12), rel=1e-9)
    assert (found.bending, found.strain, found.road) == pytest.approx((gain, strain, 1.0))


def test_the_lean_of_a_wave_down_the_depth():
    # Slopes of rippled leaves as built: 18.8 and 34.2 deg for 1 and 2 waves of 0.4 mm on 7.4 mm (computed).
    leans = [Design(1, 0.8, 7.4, 30, Ripple.SECTION, 0.4, waves).lean_deg for waves in (1, 2)]
    assert leans == pytest.approx([18.8, 34.2], abs=0.05)
    assert Design(1, 0.8, 7.4, 30, Ripple.IN_PLANE, 0.4).lean_deg == 0.0


@pytest.mark.parametrize(
    ("amplitude", "length", "axial", "bending"),
    [
        (0.4, 20, 0.399707, 0.996061),
        (1, 20, 0.095383, 0.976234),
        (2, 20, 0.024833, 0.915111),
        (1, 10, 0.092411, 0.914288),
    ],
)
def test_a_wave_along_the_leaf_gains_nothing(amplitude, length, axial, bending):
    # Plane-stress model of half a wave, 4186 unknowns; thin-beam integrals are up to 5 % below it axially.
    found = rippled(Design(1, 0.8, 8, 2 * length, Ripple.IN_PLANE, amplitude), NU)
    assert found.axial == pytest.approx(axial, rel=0.05)
    assert found.bending == pytest.approx(bending, rel=2e-3)
    assert found.strain < 1 < found.road


@pytest.mark.parametrize(("share", "bending"), [(0.1, 0.965343), (0.2, 0.873859)])
def test_a_wave_up_and_down_gains_nothing(share, bending):
    found = rippled(Design(1, 0.8, 8, 40, Ripple.OUT_OF_PLANE, share * 20), NU)
    assert found.bending == pytest.approx(bending, rel=1e-5)
    assert found.axial < 1 < found.road


def test_a_wave_of_no_height_changes_nothing():
    for ripple in Ripple:
        assert rippled(replace(F1, ripple=ripple), NU) == rippled(F1, NU)


# Time, plate and scatter.


@pytest.mark.parametrize(("length", "time"), [(100, 1.05), (5, 0.10), (4, 0.0894427), (1, 0.0447214)])
def test_a_line_from_rest_to_rest(length, time):
    setup = printing(outline_mm_s=100.0, acceleration_mm_s2=2000.0, melt_mm3_s=100.0)
    assert line_time_s(length, setup) == pytest.approx(time, rel=1e-5)


def test_the_melt_rate_limit_slows_a_line():
    setup = replace(printing(outline_mm_s=500.0, melt_mm3_s=15.0), line_width_mm=0.6, layer_height_mm=0.3)
    assert line_time_s(1e6, setup) == pytest.approx(1e6 / 83.3333, rel=1e-4)


def test_time_goes_with_lines_layers_and_leaves():
    setup = printing(start_s=0.5)
    made = making(load_limits(), setup)
    found = studied(Design(3, 0.8, 10.0, 30.0), Task(3.0), made)
    assert found.road_mm == pytest.approx(3 * 2 * 50 * 30)
    assert found.time_s == pytest.approx(3 * 50 * (2 * line_time_s(30.0, setup) + 0.5))
    assert found.time_uncertainty_s == pytest.approx(made.time_share * found.time_s)
    deeper = named(trades(replace(F1, depth_mm=9.6), Task(3.0), made), "fewer, deeper")[-1]
    assert deeper.time_s == pytest.approx(studied(replace(F1, depth_mm=9.6), Task(3.0), made).time_s, rel=1e-6)


def test_the_plate_holds_leaves_and_gaps():
    found = studied(replace(F1, ripple=Ripple.SECTION, amplitude_mm=0.3), Task(3.0), MADE)
    assert found.footprint_mm == pytest.approx((30.0, 4 * (0.8 + 0.6) + 3 * MADE.gap_mm))
    assert found.area_mm2 == pytest.approx(30.0 * found.footprint_mm[1])


@pytest.mark.parametrize(("count", "width"), [(1, 0.8), (4, 0.8), (12, 0.8), (4, 1.2)])
def test_scatter_is_that_of_a_cube(count, width):
    own = MADE.scatter
    common = np.hypot(own.part_mm, own.machine_mm)
    _, deviation = cube_moments(float(np.hypot(common, own.leaf_mm / np.sqrt(count))) / width)
    found = studied(replace(F1, count=count, width_mm=width), Task(3.0), MADE)
    assert found.scatter == pytest.approx(half_width_95(deviation), rel=0.05)
    many = studied(found.design, Task(3.0), replace(MADE, scatter=replace(own, parts=400)))
    assert found.scatter == pytest.approx(many.scatter, rel=0.03)


def test_what_does_not_scatter_lessens_the_scatter():
    whole, half = (studied(F1, Task(3.0, share=share), MADE).scatter for share in (1.0, 0.5))
    assert half == pytest.approx(whole / 2, rel=1e-9)


# What is against a design.


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, ""),
        ({"width_mm": 0.3}, "0.30 mm wide: less than the 0.36 mm of one line"),
        ({"width_mm": 0.6}, "0.60 mm wide is laid as"),
        ({"depth_mm": 221.0}, "221 mm deep: the machine prints 220 mm high"),
        ({"depth_mm": 0.1}, "0.10 mm deep: less than one layer"),
        ({"length_mm": 231.0}, "on a plate that takes 230 x 230 mm"),
        ({"count": 220}, "on a plate that takes 230 x 230 mm"),
        ({"ripple": Ripple.SECTION, "amplitude_mm": 0.7}, "its wall leans 48 deg from upright, at most 45 deg"),
        ({"length_mm": 20.0}, "strain 1.65 %: PETG bears 1 % for many strokes"),
        ({"length_mm": 7.0}, "as long as wide; the formulas want 10"),
    ],
)
def test_what_is_against_a_design(changed, words):
    found = studied(replace(F1, **changed), Task(3.0), MADE).against
    assert any(words in one for one in found) if words else found == ()


def test_a_machine_just_high_enough_has_nothing_against_it():
    assert studied(Design(1, 0.8, 220.0, 60.0), Task(3.0), MADE).against == ()
