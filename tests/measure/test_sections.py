"""Thin sections in volumes at turned positions, sections by any plane, and strength by direction."""

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from reviewkit.measure.layers import layers
from reviewkit.measure.sections import member, plane_section, strength_share, volume_corners

TURNED = [(0, 0, 0), (0, 0, 30), (90, 0, 0), (0, 90, 0), (0, 40, 25)]
BLOCK = manifold3d.Manifold.cube


def on_plate(solid, turn):
    """Vertices and facets after turning, lowest at zero, and what turns points the same way."""
    made = solid.rotate(turn).to_mesh()
    mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    low = mesh.vertices[:, 2].min()
    turning = Rotation.from_euler("xyz", turn, degrees=True)
    return (
        np.array(mesh.vertices) - (0, 0, low),
        np.array(mesh.faces),
        lambda p: turning.apply(p) - (0, 0, low),
        turning,
    )


# --- members ---------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNED)
def test_a_leaf_between_two_blocks(turn):
    leaf = BLOCK((20, 1, 8)).translate((10, 4, 0))
    solid = BLOCK((10, 10, 8)) + leaf + BLOCK((10, 10, 8)).translate((30, 0, 0))
    vertices, faces, put, turning = on_plate(solid, turn)
    shape = member(layers(vertices, faces, 0.1, 0.1), put(volume_corners((10.0, 2, -1), (30.0, 7, 9))))
    assert shape.volume_mm3 == pytest.approx(160, rel=0.03)
    assert shape.centre_mm == pytest.approx(put([20, 4.5, 4]), abs=0.1)
    assert shape.size_mm == pytest.approx([1, 8, 20], rel=0.03)
    assert shape.slenderness == pytest.approx(20, rel=0.03)
    along = turning.apply([1, 0, 0])
    assert abs(shape.axes[2] @ along) == pytest.approx(1, abs=1e-3)
    assert shape.from_z_deg == pytest.approx(np.degrees(np.arccos(abs(along[2]))), abs=1.5)
    # Both ends are held, 8 mm2 each.
    assert shape.held_mm2 == pytest.approx([0, 0, 16], abs=0.8)


@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0), (0, 90, 0)])
def test_a_broad_hinge_bends_along_its_short_way(turn):
    # 30 mm broad and 3 mm long between two plates: it bends over the 3 mm.
    web = BLOCK((3, 30, 0.6)).translate((10, 0, 0))
    solid = BLOCK((10, 30, 4)) + web + BLOCK((10, 30, 4)).translate((13, 0, 0))
    vertices, faces, put, turning = on_plate(solid, turn)
    shape = member(layers(vertices, faces, 0.2, 0.2), put(volume_corners((10.0, -1, -1), (13.0, 31, 5))))
    assert shape.size_mm == pytest.approx([0.6, 30, 3], rel=0.05)
    assert abs(shape.axes[2] @ turning.apply([1, 0, 0])) == pytest.approx(1, abs=1e-3)


def test_a_turned_box_and_a_round_bar_cut_what_they_hold():
    vertices, faces, _, _ = on_plate(BLOCK((40, 40, 10)).translate((-20, -20, 0)), (0, 0, 0))
    cut = layers(vertices, faces, 0.2, 0.2)
    turned = member(cut, volume_corners((-6.0, -1, -1), (6.0, 1, 11), 30.0))
    assert turned.volume_mm3 == pytest.approx(240, rel=1e-3)
    assert abs(turned.axes[2] @ [np.cos(np.pi / 6), np.sin(np.pi / 6), 0]) == pytest.approx(1, abs=1e-3)
    bar = member(cut, volume_corners((0.0, 0, -1), (0.0, 0, 11), radius_mm=3.0))
    assert bar.volume_mm3 == pytest.approx(np.pi * 90, rel=1e-3)
    lying = member(cut, volume_corners((-30.0, 0, 5), (30.0, 0, 5), radius_mm=3.0))
    assert lying.volume_mm3 == pytest.approx(np.pi * 9 * 40, rel=5e-3)


def test_a_volume_beside_the_part_holds_nothing():
    vertices, faces, _, _ = on_plate(BLOCK((10, 10, 10)), (0, 0, 0))
    cut = layers(vertices, faces, 0.2, 0.2)
    assert member(cut, volume_corners((20.0, 0, 0), (30.0, 10, 10))) is None
    assert member(cut, volume_corners((0.0, 0, 20), (10.0, 10, 30))) is None


def test_many_layers_are_stood_for_by_some():
    vertices, faces, _, _ = on_plate(BLOCK((3, 10, 100)), (0, 0, 0))
    shape = member(layers(vertices, faces, 0.1, 0.1), volume_corners((-1.0, -1, -1), (11.0, 11, 60)))
    assert shape.volume_mm3 == pytest.approx(1800, rel=5e-3)
    assert shape.size_mm == pytest.approx([3, 10, 60], rel=5e-3)
    assert shape.held_mm2[2] == pytest.approx(30, rel=1e-3)


# --- sections --------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNED)
def test_a_section_along_a_hole_shows_its_depth(turn):
    solid = BLOCK((20, 20, 10)) - manifold3d.Manifold.cylinder(20, 2, 2, 64).translate((10, 10, 4))
    vertices, faces, put, turning = on_plate(solid, turn)
    cut = plane_section(vertices, faces, put([10, 10, 4]), turning.apply([0, -1, 0]), turning.apply([0, 0, 1]))
    expected = shapely.box(-10, -4, 10, 6) - shapely.box(-2, 0, 2, 6)
    assert cut.symmetric_difference(expected).area < 0.05
    across = plane_section(vertices, faces, put([10, 10, 7]), turning.apply([0, 0, 1]), turning.apply([0, 1, 0]))
    assert across.area == pytest.approx(400 - 64 / 2 * 4 * np.sin(2 * np.pi / 64), rel=1e-4)


# --- strength --------------------------------------------------------------------------------

RATIOS = st.floats(0.2, 1.0)


@given(RATIOS, RATIOS)
def test_ends_of_the_criterion(across, shear):
    # Tsai-Hill (from memory): pull across the layers gives their strength, along them the whole.
    assert strength_share(0, across, shear) == pytest.approx(across)
    assert strength_share(90, across, shear) == pytest.approx(1)


def test_the_criterion_by_hand():
    # 45 deg, across 0.5, shear 0.5: 1/s2 = (4 + 1 + 3) / 4 = 2.
    assert strength_share(45, 0.5, 0.5) == pytest.approx(1 / np.sqrt(2))


@given(st.floats(0, 90))
def test_an_even_solid_is_as_strong_either_way(angle):
    # With von Mises' shear strength, 1 / sqrt(3), the criterion knows no direction.
    assert strength_share(angle, 1.0, 1 / np.sqrt(3)) == pytest.approx(1)


@given(RATIOS)
def test_strength_rises_towards_the_layers(across):
    shear = np.sqrt(across / 3)
    shares = [strength_share(angle, across, shear) for angle in np.linspace(0, 90, 46)]
    assert (np.diff(shares) > -1e-12).all()
