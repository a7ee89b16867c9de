"""Print time and material against worked closed forms.

Box 40 x 40 x 10, disc R 20 and ring R 20 / r 15, 10 high, and a 5 mm cube; layers 0.2, lines 0.4, two passes, four
solid layers below and above, 15 % of core, outlines at 50 and the rest at 100 mm/s, 2000 mm/s2, lines along one side:
derived and computed twice.  PLA 1.24 g/cm3 (from memory).
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from shapely.geometry import Point, box

from reviewkit.errors import SetupError
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.filling import filling_of
from reviewkit.measure.layers import layers
from reviewkit.measure.mass import mass_of
from reviewkit.measure.printing import (
    COOLING,
    CORE,
    OUTLINES,
    SOLID,
    TIME_KINDS,
    TRAVEL,
    VOLUME_KINDS,
    layer_work,
    printed_layers_s,
    printing,
)
from reviewkit.model import Calibration, Setup

BASE = machine("standard-240")
WORKED = replace(
    BASE.printing,
    outline_passes=2, top_layers=4, bottom_layers=4, core_fill=0.15, line_angle_deg=0.0, filament_mm=1.75,
    outline_mm_s=50.0, solid_mm_s=100.0, core_mm_s=100.0, first_layer_mm_s=1e4, travel_mm_s=1e4, melt_mm3_s=1e4,
    acceleration_mm_s2=2000.0, corner_deg=30.0, corner_mm_s=0.0, start_s=0.0, layer_change_s=0.0, least_layer_s=0.0,
    heat_s=0.0, cool_s=0.0, removal_s=0.0,
)  # fmt: skip
BOX = trimesh.creation.box((40, 40, 10))
DISC = trimesh.creation.extrude_polygon(Point(0, 0).buffer(20, quad_segs=500), 10)
RING = trimesh.creation.extrude_polygon(
    Point(0, 0).buffer(20, quad_segs=500) - Point(0, 0).buffer(15, quad_segs=500), 10
)
CUBE = trimesh.creation.box((5, 5, 5))


def setup_with(**settings):
    return Setup(replace(BASE, printing=replace(WORKED, **settings)), material("pla"), 0.2, 0.4, 0.2)


def cut(mesh, setup):
    vertices = np.array(mesh.vertices)
    vertices[:, 2] -= vertices[:, 2].min()
    return layers(vertices, np.array(mesh.faces, dtype=np.int64), setup.first_layer_mm, setup.layer_height_mm)


def printed(mesh, setup=None, **settings):
    setup = setup or setup_with(**settings)
    found = cut(mesh, setup)
    filled = filling_of(found, setup.printing, setup.line_width_mm)
    return printing(found, filled, setup, time_spread=0.25, mass_spread=0.05)


def drawn_s(found):
    return sum(found.seconds[kind] for kind in (OUTLINES, SOLID, CORE))


# --- worked cases --------------------------------------------------------------------------


def test_box_with_acceleration():
    """Outlines 6.472 s a layer, solid 41.664 s (96 lines of 38.4), core 6.2496 s: 919.3952 s."""
    found = printed(BOX)
    assert drawn_s(found) == pytest.approx(919.3952, rel=1e-7)
    assert found.work.outlines_s == pytest.approx([6.472] * 50)
    assert found.work.solid_s == pytest.approx([41.664] * 4 + [0] * 42 + [41.664] * 4, abs=1e-9)
    assert found.work.core_s == pytest.approx([0] * 4 + [6.2496] * 42 + [0] * 4)


@pytest.mark.parametrize(
    ("mesh", "seconds", "volume", "share", "grams"),
    [
        (BOX, 840.7552, 5471.6416, 0.3419776, 6.784836),
        (DISC, 660.327590, 4297.417263, 0.3419776, 5.328797),
        (RING, 573.474177, 2828.501530, 0.51448, 3.507342),
    ],
)
def test_time_at_constant_speed_volume_and_mass(mesh, seconds, volume, share, grams):
    found = printed(mesh, acceleration_mm_s2=1e6)
    # Starts and stops at so high an acceleration are what is left above the closed form.
    assert drawn_s(found) == pytest.approx(seconds, rel=1.5e-3)
    assert sum(found.volume_mm3.values()) == pytest.approx(volume, rel=5e-4)
    assert sum(found.volume_mm3.values()) / 10 / shapely_area(mesh) == pytest.approx(share, rel=5e-4)
    assert found.mass_g == pytest.approx(grams, rel=5e-4)
    assert found.filament_m == pytest.approx(volume / 2.4052819 / 1000, rel=5e-4)


def shapely_area(mesh):
    return float(mesh.volume) / 10


def test_disc_with_acceleration():
    """Passes 4.976017 s; 96 chords of a solid layer 33.762450 s, by the exact area 33.752923 s."""
    work = printed(DISC).work
    assert work.outlines_s[9] == pytest.approx(4.976017, rel=2e-4)
    assert work.solid_s[0] == pytest.approx(33.7529, rel=5e-4)
    assert work.core_s[9] == pytest.approx(0.15 * 33.7529, rel=5e-4)


def test_cube_whose_lines_never_reach_full_speed():
    """Outlines 0.872 s, 8.5 lines of 3.4 mm 0.700928 s; 25 layers if all were solid 39.3232 s."""
    found = printed(CUBE, top_layers=25)
    assert found.work.outlines_s == pytest.approx([0.872] * 25)
    assert found.work.solid_s == pytest.approx([0.700928] * 25, abs=1e-6)
    assert drawn_s(found) == pytest.approx(39.3232, abs=1e-4)


@pytest.mark.parametrize(
    ("copies", "plate", "each"),
    [(1, 200, 200), (2, 200, 100), (5, 200, 40), (6, 235.939, 39.3232), (10, 393.232, 39.3232)],
)
def test_copies_share_the_cooling_of_a_layer(copies, plate, each):
    work = printed(CUBE, top_layers=25).work
    layer_s = work.outlines_s + work.solid_s
    plate_s = printed_layers_s(copies * layer_s, 8.0).sum()
    assert (plate_s, plate_s / copies) == pytest.approx((plate, each), rel=1e-5)


@pytest.mark.parametrize(("width", "height", "melt", "most"), [(0.4, 0.2, 12, 150), (0.6, 0.3, 15, 83.333)])
def test_melt_rate_bounds_the_speed(width, height, melt, most):
    """12 mm3/s through 0.4 x 0.2 is 150 mm/s; 15 through 0.6 x 0.3 is 83.333 mm/s."""
    machine_ = replace(
        BASE,
        printing=replace(
            WORKED, melt_mm3_s=melt, outline_mm_s=1e4, solid_mm_s=1e4, acceleration_mm_s2=1e6, core_fill=1.0
        ),
    )
    found = printed(BOX, Setup(machine_, material("pla"), height, width, height))
    passes_mm = sum(4 * (40 - (2 * number + 1) * width) for number in range(2))
    assert found.work.outlines_s[5] == pytest.approx(passes_mm / most, rel=2e-3)


# --- rules ---------------------------------------------------------------------------------


def test_the_first_layer_goes_at_its_own_speed():
    found = printed(BOX, first_layer_mm_s=20.0)
    assert found.work.outlines_s[0] == pytest.approx(sum(4 * (s / 20 + 20 / 2000) for s in (39.6, 38.8)))
    assert found.work.solid_s[0] == pytest.approx(96 * (38.4 / 20 + 20 / 2000))
    assert found.work.outlines_s[1] == pytest.approx(6.472)


def test_lines_turn_by_a_right_angle_from_layer_to_layer():
    """A bar of 100 x 10: 21 lines of 98.4, then 246 lines of 8.4."""
    work = printed(trimesh.creation.box((100, 10, 10)), outline_passes=2).work
    assert work.solid_s[0] == pytest.approx(8.4 / 0.4 * (98.4 / 100 + 0.05), rel=1e-6)
    assert work.solid_s[1] == pytest.approx(98.4 / 0.4 * (8.4 / 100 + 0.05), rel=1e-6)


@pytest.mark.parametrize("shift", [0.0, 0.13, 0.37])
@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 71.0])
def test_neither_place_nor_angle_of_the_lines_changes_their_length(shift, angle_deg):
    """At constant speed the time of solid lines is area over width and speed."""
    region = box(0, 0, 30, 20) - Point(11, 9).buffer(4) - box(20, 3, 22, 15)
    mesh = trimesh.creation.extrude_polygon(region, 0.8).apply_translation((shift, 2 * shift, 0))
    found = printed(mesh, line_angle_deg=angle_deg, acceleration_mm_s2=1e6)
    inner = region.buffer(-0.8, join_style="mitre").area
    assert found.work.solid_s[:2].mean() == pytest.approx(inner / 0.4 / 100, rel=0.02)


def test_a_narrow_wall_is_timed_by_its_area():
    """1 mm wide: one pass goes round, what it leaves open is one line more; 0.3 mm: a line of its area."""
    for width in (1.0, 0.3):
        found = printed(trimesh.creation.box((60, width, 4)), acceleration_mm_s2=1e6)
        assert found.work.outlines_s[5] == pytest.approx(60 * width / 0.4 / 50, rel=0.01)


def test_core_fill_of_the_setup_goes_before_the_machines():
    setup = replace(setup_with(), core_fill=0.30)
    assert printed(BOX, setup).seconds[CORE] == pytest.approx(2 * printed(BOX).seconds[CORE])
    assert setup_with(core_fill=0.4).core_fill == 0.4


def test_ways_between_outlines():
    """Four islands and two passes: hops of half the neighbours' distance, and of a line width, from rest to rest."""
    islands = shapely.union_all([box(x, y, x + 6, y + 6) for x in (0, 34) for y in (0, 34)])
    mesh = trimesh.util.concatenate(
        [trimesh.creation.extrude_polygon(part, 1.0) for part in shapely.get_parts(islands)]
    )
    found = printed(mesh, travel_mm_s=200.0, start_s=0.1, layer_change_s=0.0)
    hop = 0.5 * np.sqrt(40 * 40 / 4)
    way = 2 * np.sqrt(hop / 2000) if hop < 200**2 / 2000 else hop / 200 + 200 / 2000
    beside = 2 * np.sqrt(0.4 / 2000)
    # One lot of solid lines an island and layer; the whole part is solid.
    assert found.work.travel_s == pytest.approx([8 * (way + 0.1) + 4 * (beside + 0.1)] * 5)
    assert found.work.hop_s == pytest.approx(40 / 200 + 200 / 2000 + 0.1)


def test_kinds_make_up_the_plate():
    found = printed(
        CUBE, least_layer_s=8.0, heat_s=240.0, cool_s=300.0, removal_s=60.0, layer_change_s=0.5, start_s=0.1
    )
    assert tuple(found.seconds) == TIME_KINDS
    assert found.plate_s == pytest.approx(25 * 8 + 600)
    assert found.waiting_share == pytest.approx(found.seconds[COOLING] / 200)
    ten = found.with_copies(10)
    assert ten.seconds[COOLING] < found.seconds[COOLING]
    assert ten.seconds[OUTLINES] == pytest.approx(10 * found.seconds[OUTLINES])
    assert ten.part_s == pytest.approx(ten.plate_s / 10)
    # Once a layer, and ten ways from copy to copy.
    per_copy = float(found.work.travel_s.sum()) + 25 * found.work.hop_s
    assert ten.seconds[TRAVEL] == pytest.approx(10 * per_copy + 25 * 0.5)
    with pytest.raises(ValueError, match="0 copies"):
        found.with_copies(0)


def test_free_copies_are_the_fewest_without_waiting():
    found = printed(CUBE, least_layer_s=8.0)
    enough = int(np.ceil(found.free_copies))
    assert found.with_copies(enough).seconds[COOLING] == pytest.approx(0, abs=1e-9)
    assert found.with_copies(enough - 1).seconds[COOLING] > 0
    assert printed(BOX, least_layer_s=8.0, core_fill=1.0).free_copies == 1


def test_heavier_lines_take_longer():
    """More passes, wider acceleration limits, slower speed: each way round."""
    plain = printed(BOX).plate_s
    for slower in ({"solid_mm_s": 60.0}, {"core_mm_s": 60.0}, {"acceleration_mm_s2": 800.0}, {"start_s": 0.3}):
        assert printed(BOX, **slower).plate_s > plain


def test_volume_is_the_mass_rule_of_printed_mass():
    rng = np.random.default_rng(2)
    mesh = trimesh.convex.convex_hull(rng.normal(size=(60, 3)) * 12)
    setup = setup_with()
    found, other = printed(mesh, setup), mass_of(cut(mesh, setup), setup, load_limits())
    assert tuple(found.volume_mm3) == VOLUME_KINDS
    assert sum(found.volume_mm3.values()) == pytest.approx(other.plastic_mm3, rel=1e-9)
    assert found.mass_g == pytest.approx(other.mass_g, rel=1e-9)


def test_ten_cubic_centimetres():
    """PLA 12.4 g, ABS 10.4 g (1.04, seen): solid blocks."""
    block = trimesh.creation.box((20, 20, 25))
    for name, grams in (("pla", 12.4), ("abs", 10.4)):
        setup = replace(setup_with(), material=material(name), core_fill=1.0)
        assert printed(block, setup).mass_g == pytest.approx(grams, rel=1e-6)


def test_uncertainty_of_mass_and_time():
    found = printed(BOX)
    density = material("pla")["density"]
    rel = max(density.high - density.value, density.value - density.low) / density.value
    assert found.mass_uncertainty_g == pytest.approx(found.mass_g * np.hypot(rel, 0.05))
    assert found.plate_uncertainty_s == pytest.approx(0.25 * found.plate_s)
    assert "not calibrated" in found.basis and not found.calibrated


def test_a_calibration_multiplies_the_layers_and_narrows_the_estimate():
    plain = printed(BOX, heat_s=100.0, layer_change_s=1.0)
    fit = Calibration(1.2, 1.1, 1.3, 0.08, 6, "2026-05-01")
    found = printed(BOX, heat_s=100.0, layer_change_s=1.0, calibration=fit)
    assert found.layers_s == pytest.approx(1.2 * plain.layers_s)
    for kind in (OUTLINES, SOLID, CORE, TRAVEL):
        assert found.seconds[kind] == pytest.approx(1.2 * plain.seconds[kind])
    assert found.seconds["heat-up"] == 100
    assert found.plate_uncertainty_s == pytest.approx(0.08 * found.plate_s)
    assert found.calibrated and "6 plates measured by 2026-05-01" in found.basis
    assert found.printed_s(1.2) == pytest.approx(100 + found.layers_s)


def test_nothing_cannot_be_printed_and_a_machine_must_say_how():
    setup = setup_with()
    nothing = layers(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), 0.2, 0.2)
    with pytest.raises(ValueError, match="no volume"):
        printing(nothing, filling_of(nothing, WORKED, 0.4), setup, time_spread=0.25, mass_spread=0.05)
    mute = Setup(replace(BASE, printing=None), material("pla"), 0.2, 0.4, 0.2)
    with pytest.raises(SetupError, match=r"'standard-240' does not say how it prints; add a \[printing\] table"):
        layer_work(cut(BOX, setup), filling_of(cut(BOX, setup), WORKED, 0.4), mute)
