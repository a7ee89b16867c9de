"""Energy, contact area and roundness of a nose against closed forms and worked values.

Kinetic energy m v^2 / 2: EN 71-1:2005+A8:2009, A.47.  Spherical cap pi (2 R d - d^2), Hooke's law and v^2 / g: any
textbook.  The worked energies, areas and speeds were computed for the kit from those.
"""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.impact import (
    contact_area_mm2,
    energy_per_area_j_m2,
    greatest_range_m,
    kinetic_energy_j,
    nose,
    sizes_mm,
    speed_m_s,
    spring_energy_j,
)

UP = np.array([0.0, 0.0, 1.0])
TURNS = [np.eye(4), trimesh.transformations.euler_matrix(0.7, -1.1, 2.3)]


def rod(radius, rim, length=60.0, facets=24, sections=96):
    """A round rod whose front rim is rounded; a hemisphere where the rim's radius is the rod's."""
    angles = np.linspace(0, np.pi / 2, facets + 1) if rim else [0.0]
    rounded = [(radius - rim + rim * np.cos(a), length - rim + rim * np.sin(a)) for a in angles]
    rounded[-1:] = [(0.0, length)] if rim == radius else [rounded[-1], (0.0, length)]
    return trimesh.creation.revolve(np.array([(0.0, 0.0), (radius, 0.0), *rounded]), sections=sections)


def measured(mesh, ahead=UP, **settings):
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
    plain = {"depths_mm": np.array([0.5, 1, 2]), "zone_mm": 2, "gauge_mm": 2, "most_mm": 6, "within_mm": 0.05}
    return nose(vertices, faces, ahead, **{**plain, **settings})


def test_energies_and_speeds():
    for mass, speed, energy in [(1, 10, 0.05), (2, 10, 0.1), (3, 10, 0.15), (3, 16, 0.384), (1, 12.6, 0.0794)]:
        assert kinetic_energy_j(mass, speed) == pytest.approx(energy, abs=5e-5)
    for mass, speed in [(0.5, 17.9), (1, 12.6), (2, 8.9), (5, 5.7), (10, 4.0)]:
        assert speed_m_s(0.08, mass) == pytest.approx(speed, abs=0.05)
        assert kinetic_energy_j(mass, speed_m_s(0.08, mass)) == pytest.approx(0.08)
    assert greatest_range_m(12.6) == pytest.approx(16.2, abs=0.05)


def test_energy_per_area():
    for energy, area, expected in [(0.1, 9.42, 10616), (0.15, 126.7, 1184), (0.384, 126.7, 3031)]:
        assert energy_per_area_j_m2(energy, area) == pytest.approx(expected, abs=0.6)
    for diameter, energy in [(12.7, 0.317), (20, 0.785)]:
        area = np.pi * diameter**2 / 4
        assert energy_per_area_j_m2(energy, area) == pytest.approx(2500, rel=2e-3)


def test_spring():
    """500 N/m from 40 to 10 mm gives 0.375 J; 12 N over 9 mm gives 54 mJ."""
    assert spring_energy_j(500 * 0.040, 40, 10) == pytest.approx(0.375)
    assert spring_energy_j(12, 9) == pytest.approx(0.054)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("radius", [2.0, 5.0])
def test_contact_area_of_a_sphere(radius, turn):
    """pi (2 R d - d^2): R = 2, d = 1 gives 9.42 mm2."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=radius).apply_transform(turn)
    vertices, faces = np.array(ball.vertices), np.array(ball.faces, dtype=np.int64)
    for depth in (0.5, 1.0, 2.0):
        expected = np.pi * (2 * radius * depth - depth**2)
        assert contact_area_mm2(vertices, faces, turn[:3, 2], depth) == pytest.approx(expected, rel=5e-3)
    found = measured(ball, turn[:3, 2])
    assert found.area_mm2 == pytest.approx(np.pi * (2 * radius * found.depth_mm - found.depth_mm**2), rel=5e-3)


def test_contact_area_counts_once_what_lies_behind_an_overhang():
    """A disc of 6 mm on a neck before a shoulder of 10 mm, 0.6 mm behind: pi 9, then pi 25."""
    profile = [(0, 0), (5, 0), (5, 20), (1, 20), (1, 20.3), (3, 20.3), (3, 20.6), (0, 20.6)]
    found = measured(trimesh.creation.revolve(np.array(profile, dtype=float), sections=96))
    assert found.area_mm2 == pytest.approx(np.pi * np.array([9, 25, 25]), rel=2e-3)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(
    ("radius", "rim", "expected"), [(4, 4, 4.0), (1, 1, 1.0), (5, 2, 2.0), (5, 1, 1.0), (5, 0.5, 0.5), (2, 2, 2.0)]
)
def test_radius_of_round_noses(radius, rim, expected, turn):
    found = measured(rod(radius, rim).apply_transform(turn), turn[:3, 2])
    assert found.least_mm == pytest.approx(expected, abs=0.02)
    assert found.within_mm < 0.01
    if rim == radius:
        assert found.sphere_mm == pytest.approx(radius, abs=1e-4)
        assert found.radius_mm == pytest.approx(expected, abs=0.01)
    else:
        assert found.sphere_mm > found.least_mm
    assert found.tip_mm == pytest.approx((turn @ [0, 0, 60, 1])[:3], abs=0.02)


@pytest.mark.parametrize("turn", TURNS)
def test_flat_nose_has_a_flat_face_and_a_sharp_rim(turn):
    found = measured(rod(5, 0).apply_transform(turn), turn[:3, 2])
    assert found.sphere_mm == np.inf
    assert found.least_mm < 0.03
    assert found.turn_deg == pytest.approx(90, abs=0.1)
    local = (np.linalg.inv(turn) @ [*found.least_at, 1])[:3]
    assert (np.hypot(*local[:2]), local[2]) == pytest.approx((5, 60), abs=0.02)
    assert found.area_mm2 == pytest.approx(np.full(3, np.pi * 25), rel=1e-3)
    assert len(found.bare)
    assert np.abs(local[:2] @ local[:2] - 25) < 0.1


@pytest.mark.parametrize("radius", [1.5, 2.5])
@pytest.mark.parametrize("turn_rad", [0.0, 0.5])
def test_bar_rounded_all_over(radius, turn_rad):
    """A bar 16 x 10 mm: its long edges are not read aslant, where their section is a sharper ellipse."""
    ball = np.array(trimesh.creation.uv_sphere(radius, count=(33, 64)).vertices)
    middles = [(x * (8 - radius), y * (5 - radius), z) for x in (1, -1) for y in (1, -1) for z in (0, 20)]
    bar = trimesh.convex.convex_hull(np.vstack([ball + middle for middle in middles]))
    found = measured(bar.apply_transform(trimesh.transformations.rotation_matrix(turn_rad, UP)))
    assert found.least_mm == pytest.approx(radius, abs=0.03)


def test_square_bar_has_no_radius():
    found = measured(trimesh.creation.box((16, 10, 20)))
    assert found.least_mm < 0.03
    assert found.turn_deg == pytest.approx(90, abs=0.1)


def test_coarse_mesh_tells_how_far_the_outline_turns():
    """A hemisphere of R 4 in three steps turns by 30 degrees; in twelve, its facets are taken for the curve."""
    coarse, fine = measured(rod(4, 4, facets=3)), measured(rod(4, 4, facets=12))
    assert coarse.least_mm < 2
    assert coarse.turn_deg == pytest.approx(30, abs=0.1)
    assert fine.least_mm == pytest.approx(4, abs=0.06)
    assert fine.within_mm > 0.005


def test_hollow_and_bored_are_as_blunt_as_their_outside():
    outer = rod(8, 3)
    inner = rod(6.8, 2.5, length=57.6).apply_translation((0, 0, 1.2))
    hollow = trimesh.boolean.difference([outer, inner])
    bore = trimesh.creation.cylinder(6.8, 56, sections=96).apply_translation((0, 0, 26))
    bored = trimesh.boolean.difference([outer, bore])
    for mesh in (hollow, bored):
        assert measured(mesh).least_mm == pytest.approx(3, abs=0.03)
        assert measured(mesh).sphere_mm == pytest.approx(measured(outer).sphere_mm, rel=0.02)


def test_open_tube_hits_with_its_rim():
    """A tube of 1.2 mm wall: no disc above 0.6 mm goes into its rim."""
    tube = trimesh.creation.annulus(6.8, 8, 40, sections=96)
    found = measured(tube)
    assert found.least_mm < 0.61
    assert found.area_mm2 == pytest.approx(np.full(3, np.pi * (64 - 6.8**2)), rel=2e-3)


def test_every_separate_leading_place_is_looked_at():
    """Two round horns, one of them with R 1: the sharper one speaks."""
    blunt = rod(3, 3, length=20).apply_translation((-10, 0, 0))
    sharp = rod(1, 1, length=19.5).apply_translation((10, 0, 0))
    base = trimesh.creation.box((40, 20, 4)).apply_translation((0, 0, 2))
    found = measured(trimesh.boolean.union([blunt, sharp, base]))
    assert found.least_mm == pytest.approx(1, abs=0.02)
    assert found.least_at[0] == pytest.approx(10, abs=1.1)


def test_what_lies_behind_the_zone_does_not_lead():
    """A sharp shoulder 5 mm behind a round nose is no leading part."""
    stepped = trimesh.boolean.union(
        [rod(3, 3, length=25), trimesh.creation.cylinder(6, 20).apply_translation((0, 0, 10))]
    )
    assert measured(stepped).least_mm == pytest.approx(3, abs=0.02)
    assert measured(stepped, zone_mm=5.5).least_mm < 0.1


def test_gauge_goes_in_where_the_radius_is_its_own():
    assert not len(measured(rod(5, 2.1)).bare)
    assert not np.isnan(measured(rod(2, 2)).disc).any()
    assert np.isnan(measured(rod(1, 1)).disc).all()


def test_sizes():
    box = np.array(trimesh.creation.box((24, 30, 60)).vertices)
    assert sizes_mm(box, UP) == pytest.approx((60, 60))
    assert sizes_mm(box, np.array([0.0, 1.0, 0.0])) == pytest.approx((30, 60))
    turned = trimesh.transformations.euler_matrix(0.7, -1.1, 2.3)[:3, :3]
    assert sizes_mm(box @ turned.T, turned @ UP) == pytest.approx((60, 60))
