"""Tipping and sway against closed forms, and against worked values of beam and plate theory.

Worked values: E = 2000 MPa, 1.24 g/cm3, an assumed 0.5 N at the top.  Cantilever F H^3 / (3 E I): Roark's Formulas,
table 8.1 (from memory).  Cantilever plate 0.168 F H^2 12 (1 - nu^2) / (E t^3): Timoshenko and Woinowsky-Krieger
(from memory).  Frequencies: Blevins, Formulas for Natural Frequency and Mode Shape, 1979, root 1.875104 (from memory);
with Rayleigh's shape a uniform post comes out 1.5 % high, 90.14 against 88.84 Hz.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial import ConvexHull
from shapely import Point, affinity, box

from reviewkit.limits import material
from reviewkit.measure.layers import layers
from reviewkit.measure.pieces import area_moments, stacked
from reviewkit.measure.stability import (
    first_period,
    growing,
    inside_by,
    least_width,
    peel_stress,
    tip_sway,
    uprights,
)

E, DENSITY, FORCE = 2000.0, 1.24, 0.5
PLAIN = material("pla")
PLAIN = replace(
    PLAIN,
    properties={
        **PLAIN.properties,
        "modulus": replace(PLAIN["modulus"], value=E),
        "density": replace(PLAIN["density"], value=DENSITY),
    },
)


def printed(*blocks, turn_deg=0.0, layer_mm=0.2):
    """Layers and stack of upright blocks, each an outline from one height to another [mm]."""
    solids = [
        trimesh.creation.extrude_polygon(part, high - low).apply_translation((0, 0, low))
        for region, low, high in blocks
        for part in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    mesh = trimesh.boolean.union(solids) if len(solids) > 1 else solids[0]
    found = layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), layer_mm, layer_mm)
    return found, stacked(found)


def round_i(d):
    return np.pi * d**4 / 64


def sway(height, weak, length):
    return tip_sway(*(np.array([value]) for value in (height, 0.0, weak, length)), FORCE, E)


def frequency(height, weak, area, tip_mass=0.0):
    values = (np.array([value]) for value in (height, 0.0, weak, area))
    return 1 / first_period(*values, E, DENSITY, tip_mass)


# --- sway ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("height", "weak", "length", "expected", "within"),
    [
        (50, round_i(5), 5, 0.3395, 2e-4),
        (100, round_i(5), 5, 2.7162, 2e-4),
        (50, round_i(3), 3, 2.6198, 2e-4),
        (100, round_i(10), 10, 0.1698, 1e-3),
        (40, 20 * 0.8**3 / 12, 20, 6.2500, 2e-3),
        (40, 20 * 1.2**3 / 12, 20, 1.8519, 2e-3),
        (80, 20 * 0.8**3 / 12, 20, 50.0, 1e-3),
        (40, 200 * 0.8**3 / 12, 200, 1.382, 1e-3),
    ],
)
def test_sway_of_the_worked_cases(height, weak, length, expected, within):
    assert sway(height, weak, length) == pytest.approx(expected, rel=within)


def test_sway_scales_with_height_cubed_and_thickness_cubed():
    one = sway(40, 20 * 0.8**3 / 12, 0.8)
    assert sway(80, 20 * 0.8**3 / 12, 0.8) / one == pytest.approx(8, rel=1e-3)
    assert one / sway(40, 20 * 1.2**3 / 12, 0.8) == pytest.approx(1.5**3, rel=1e-3)


@pytest.mark.parametrize(("weak", "length", "height"), [(round_i(5), 5, 33.3), (round_i(3), 3, 16.8)])
def test_height_at_which_a_post_sways_a_tenth_of_a_millimetre(weak, length, height):
    assert sway(height, weak, length) == pytest.approx(0.1, rel=0.01)


def test_a_stepped_post_is_the_sum_of_its_parts():
    """Moment-area by hand: 0 to 20 mm with I = 100, 20 to 50 mm with I = 10."""
    stepped = tip_sway(np.array([50.0, 20.0]), np.array([20.0, 0.0]), np.array([10.0, 100.0]), np.zeros(2), FORCE, E)
    assert stepped == pytest.approx(FORCE / E * (30**3 / 30 + (50**3 - 30**3) / 300), rel=1e-9)


@pytest.mark.parametrize(
    ("height", "weak", "area", "exact"),
    [
        (50, round_i(5), np.pi * 25 / 4, 355.3),
        (100, round_i(5), np.pi * 25 / 4, 88.84),
        (50, round_i(3), np.pi * 9 / 4, 213.2),
        (100, round_i(10), np.pi * 100 / 4, 177.7),
        (40, 20 * 0.8**3 / 12, 16.0, 102.6),
        (40, 20 * 1.2**3 / 12, 24.0, 153.9),
        (80, 20 * 0.8**3 / 12, 16.0, 25.64),
    ],
)
def test_frequency_of_the_worked_cases(height, weak, area, exact):
    found = frequency(height, weak, area)
    assert exact < found < 1.016 * exact
    assert found == pytest.approx(exact * 90.14 / 88.84, rel=1e-3)


def test_frequency_with_a_mass_at_the_tip():
    assert frequency(100, round_i(5), np.pi * 25 / 4) == pytest.approx(90.14, rel=2e-4)
    assert frequency(100, round_i(5), np.pi * 25 / 4, tip_mass=2.0) == pytest.approx(42.56, rel=3e-4)


def found_uprights(*blocks, turn_deg=0.0):
    _, stack = printed(*blocks, turn_deg=turn_deg)
    return uprights(stack, PLAIN, side_force=FORCE, least_height_mm=5.0, small_area_mm2=25.0)


@pytest.mark.parametrize("turn_deg", [0.0, 29.0])
def test_a_post_on_a_base_is_followed_to_its_foot(turn_deg):
    base, post = box(-20, -20, 20, 20), Point(8, -3).buffer(2.5, quad_segs=32)
    (found,) = found_uprights((base, 0, 4), (post, 4, 54), turn_deg=turn_deg)
    assert found.sway_mm == pytest.approx(0.3395, rel=0.01)
    assert found.frequency_hz == pytest.approx(355.3 * 90.14 / 88.84, rel=0.01)
    assert (found.root_mm, found.top_mm, found.on_plate) == (pytest.approx(4), pytest.approx(54), False)
    assert found.width_mm == pytest.approx(5, rel=1e-3)
    assert found.slenderness == pytest.approx(10, rel=1e-3)
    assert found.small_mm == pytest.approx(50)
    middle = affinity.rotate(Point(8, -3), turn_deg, origin=(0, 0))
    assert found.top_at[:2] == pytest.approx((middle.x, middle.y), abs=1e-3)


def test_a_long_wall_is_held_by_what_the_load_spreads_to():
    (found,) = found_uprights((box(-110, -10, 110, 10), 0, 2), (box(-100, -0.4, 100, 0.4), 2, 42))
    assert found.sway_mm == pytest.approx(1.382, rel=0.01)


def test_posts_sway_until_a_beam_joins_them():
    """The gate is stiff when it is done; just below the beam each post is free."""
    posts = shapely.union_all([Point(x, 0).buffer(2.5, quad_segs=32) for x in (0, 30)])
    found = found_uprights((box(-5, -5, 35, 5), 0, 2), (posts, 2, 52), (box(-2.5, -2.5, 32.5, 2.5), 52, 55))
    assert len(found) == 2
    assert [upright.sway_mm for upright in found] == pytest.approx([0.3395] * 2, rel=0.01)


def test_two_tops_on_one_slender_stem_are_told_once():
    tops = shapely.union_all([box(-10, -2, -6, 2), box(6, -2, 10, 2)])
    found = found_uprights((box(-2, -2, 2, 2), 0, 40), (box(-10, -2, 10, 2), 40, 42), (tops, 42, 50))
    assert len(found) == 1
    assert found[0].top_mm == pytest.approx(50)


def test_low_things_and_things_in_mid_air_are_not_followed():
    base = box(-20, -20, 20, 20)
    assert found_uprights((base, 0, 4), (Point(8, 0).buffer(2.5), 4, 8.8)) == []
    bridge = [(box(-20, -3, -14, 3), 4, 20), (box(-20, -3, 20, 3), 20, 22)]
    hanging = found_uprights((base, 0, 4), *bridge, (box(17, -0.5, 18, 0.5), 8, 20))
    assert len(hanging) == 1
    assert hanging[0].width_mm == pytest.approx(6)


# --- tipping ---------------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", [0.0, 29.0])
def test_a_box_tips_at_half_its_width_over_half_its_height(turn_deg):
    (body,) = growing(*printed((box(0, 0, 30, 10), 0, 40), turn_deg=turn_deg))
    assert body.tip_deg[-1] == pytest.approx(np.degrees(np.arctan(5 / 20)), rel=1e-6)
    assert body.tip_deg == pytest.approx(np.degrees(np.arctan(10 / body.height_mm)), rel=1e-6)
    assert body.slenderness[-1] == pytest.approx(4)
    assert body.volume_mm3[-1] == pytest.approx(12000)
    assert not body.joined


def test_a_cone_has_its_mass_centre_at_a_quarter():
    cone = trimesh.creation.cone(10, 30, sections=180)
    found = layers(np.array(cone.vertices), np.array(cone.faces, dtype=np.int64), 0.1, 0.1)
    (body,) = growing(found, stacked(found))
    assert body.centre[-1] == pytest.approx([0, 0, 7.5], abs=0.02)
    assert body.volume_mm3[-1] == pytest.approx(np.pi * 100 * 10, rel=1e-3)


@pytest.mark.parametrize("turn_deg", [0.0, 121.0])
def test_the_mass_centre_of_a_gallows_leaves_the_contact_at_the_height_worked_out(turn_deg):
    """Post 10 x 10 x 10, arm 40 x 10: x = (5000 + 8000 t) / (1000 + 400 t) is 10 at t = 1.25 mm of arm."""
    (body,) = growing(*printed((box(0, 0, 10, 10), 0, 10), (box(0, 0, 40, 10), 10, 20), turn_deg=turn_deg))
    outside = body.height_mm[body.inside_mm < 0]
    assert outside[0] == pytest.approx(11.4)
    at = np.flatnonzero(np.isclose(body.height_mm, 11.2))[0]
    assert body.inside_mm[at] == pytest.approx(10 - (5000 + 8000 * 1.2) / (1000 + 400 * 1.2), abs=1e-6)
    assert (np.diff(np.sign(body.inside_mm)) <= 0).all()


def test_a_counterweight_brings_it_back():
    """Only the print on its way is unstable: a check of the finished part alone would miss it."""
    arm, weight = box(0, 0, 40, 10), box(-60, 0, 10, 10)
    (body,) = growing(*printed((box(0, 0, 10, 10), 0, 10), (arm, 10, 14), (weight, 14, 16)))
    assert body.inside_mm.min() < 0 < body.inside_mm[-1]


def test_towers_stand_alone_until_they_are_joined():
    towers = shapely.union_all([box(0, 0, 8, 8), box(40, 0, 48, 8)])
    whole, *alone = growing(*printed((towers, 0, 30), (box(0, 0, 48, 8), 30, 34)))
    assert [body.joined for body in (whole, *alone)] == [False, True, True]
    assert [body.height_mm[-1] for body in alone] == pytest.approx([30, 30])
    assert [body.slenderness.max() for body in alone] == pytest.approx([3.75, 3.75])
    assert whole.height_mm[0] == pytest.approx(30.2)
    assert whole.volume_mm3[-1] == pytest.approx(2 * 64 * 30 + 48 * 8 * 4)
    assert whole.width_mm[-1] == pytest.approx(8)
    assert np.ptp(whole.contact[:, 0]) == pytest.approx(48)
    assert whole.contact_moments[0] == pytest.approx(128)


def test_what_hangs_counts_from_where_it_is_joined():
    base = [(box(0, 0, 10, 10), 0, 12), (box(0, 0, 40, 10), 12, 14)]
    (body,) = growing(*printed(*base, (box(30, 0, 40, 10), 6, 12)))
    assert body.volume_mm3[np.flatnonzero(body.height_mm < 12.01)[-1]] == pytest.approx(1200)
    assert body.volume_mm3[-1] == pytest.approx(1200 + 600 + 800)


def test_calipers_and_distances_agree_with_brute_force():
    points = np.random.default_rng(3).normal(size=(40, 2)) * (9, 4)
    hull = points[ConvexHull(points).vertices]
    width, across = least_width(hull)
    turns = np.radians(np.arange(0, 180, 0.02))
    along = hull @ np.array([np.cos(turns), np.sin(turns)])
    assert width == pytest.approx(np.ptp(along, axis=0).min(), rel=1e-3)
    assert width <= np.ptp(along, axis=0).min() + 1e-12
    assert np.ptp(hull @ across) == pytest.approx(width)
    ring, inner = shapely.Polygon(hull), points.mean(axis=0) + np.array([[0, 0], [1, 1], [-2, 0.5]])
    assert inside_by(hull, inner) == pytest.approx(shapely.distance(ring.exterior, shapely.points(inner)))
    assert inside_by(np.array([[0, 0], [4, 0], [4, 4], [0, 4.0]]), np.array([[6.0, 1.0]])) == pytest.approx([-2])


@pytest.mark.parametrize("turn_deg", [0.0, 41.0])
def test_pull_on_the_plate_of_the_worked_cases(turn_deg):
    """5 N at 50 mm: 6 F H / (l b^2) = 1.500 MPa on 10 x 10, 32 F H / (pi D^3) = 2.546 MPa on a disc of 10."""
    turn = np.radians(turn_deg)
    for shape, expected in ((box(-5, -5, 5, 5), 1.500), (Point(0, 0).buffer(5, quad_segs=200), 2.546)):
        turned = affinity.translate(affinity.rotate(shape, turn_deg, origin=(0, 0)), 30, -7)
        hull = shapely.get_coordinates(turned)[:-1]
        moments = area_moments(np.array([turned]))[0]
        found = peel_stress(moments, hull, np.array([np.cos(turn), np.sin(turn)]), 50.0, 5.0)
        assert found == pytest.approx(expected, abs=6e-4)
