"""Holes drawn at known widths, depths and sheets, pointing any way."""

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import Manifold
from scipy.spatial.transform import Rotation

from reviewkit.measure.finger_holes import FingerHole, finger_holes
from reviewkit.measure.holes import flats, rounds
from reviewkit.measure.rays import RayTree

TURNS = [Rotation.identity(), *Rotation.random(11, random_state=3)]


def found(solid, turn=TURNS[0], **changed) -> list[FingerHole]:
    made = solid.to_mesh()
    mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    vertices, faces = turn.apply(np.array(mesh.vertices, dtype=float)), np.array(mesh.faces, dtype=np.int64)
    flat = flats(vertices, faces)
    asked = {"least_mm": 5.0, "most_mm": 14.0, "bar_mm": 7.0, "deep_mm": 9.5, "slot": 1.5} | changed
    return finger_holes(flat, rounds(flat), RayTree(vertices, faces), **asked)


def bar(diameter, length, sides=96):
    return Manifold.cylinder(length, diameter / 2, diameter / 2, sides)


def block(*size):
    return Manifold.cube(size, True)


def tank(sheet, free, *, hole=8.0):
    """A closed box with a hole in its lid: free depth behind it, from outside."""
    outer, inner = block(60, 60, 40), block(50, 50, free - sheet).translate((0, 0, 20 - sheet - (free - sheet) / 2))
    return outer - inner - bar(hole, 30).translate((0, 0, 5))


@pytest.mark.parametrize("turn", TURNS)
def test_a_blind_hole(turn):
    (hole,) = found(block(40, 40, 30) - bar(8, 16).translate((0, 0, -1)), turn)
    assert hole.round
    assert not hole.through
    assert hole.width_mm == pytest.approx(8 * np.cos(np.pi / 96), abs=1e-3)
    assert hole.depth_mm == pytest.approx(16, abs=0.02)
    assert hole.approach_mm == np.inf
    np.testing.assert_allclose(turn.inv().apply(hole.mouth), (0, 0, 15), atol=0.02)
    np.testing.assert_allclose(turn.inv().apply(hole.inward), (0, 0, -1), atol=1e-4)
    assert hole.sheet_mm == pytest.approx(30, abs=0.02)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("sheet", [1.2, 4.0])
def test_a_hole_in_a_sheet_with_room_behind(turn, sheet):
    (hole,) = found(tank(sheet, 15), turn)
    assert hole.depth_mm == pytest.approx(15, abs=0.02)
    assert hole.sheet_mm == pytest.approx(sheet, abs=0.02)


@pytest.mark.parametrize("turn", TURNS[:3])
def test_a_chamfer_does_not_thin_the_sheet(turn):
    """A sheet of 4 mm whose hole has 1.5 mm of chamfer both ends: only 1 mm of it is straight."""
    plate = block(40, 40, 4)
    cone = Manifold.cylinder(1.5, 4, 5.5, 96)
    cones = cone.translate((0, 0, 0.5)) + cone.rotate((180, 0, 0)).translate((0, 0, -0.5))
    hole = bar(8, 10).translate((0, 0, -5)) + cones
    (seen,) = found(plate - hole, turn)
    assert seen.through
    assert seen.sheet_mm == pytest.approx(4, abs=0.02)


@pytest.mark.parametrize("turn", TURNS[:4])
def test_a_hole_that_is_filled_or_covered_is_none(turn):
    pin = block(40, 40, 10) - bar(8.3, 20).translate((0, 0, -10)) + bar(8, 12).translate((0, 0, -6))
    assert found(pin, turn) == []


def test_the_way_to_a_hole_is_measured():
    wall = block(40, 4, 30).translate((0, 20, 0))
    near = block(40, 20, 30) - bar(8, 15).rotate((-90, 0, 0)).translate((0, -4.9, 0)) + wall
    (hole,) = found(near)
    assert hole.approach_mm == pytest.approx(8, abs=0.05)


@pytest.mark.parametrize("turn", TURNS[:3])
def test_a_finger_stops_at_a_counterbore(turn):
    """8 mm wide for 6 mm, then 5 mm wide through: a fingertip goes 6 mm deep."""
    solid = block(40, 40, 30) - bar(8, 6.001).translate((0, 0, 9)) - bar(5.2, 40).translate((0, 0, -20))
    wide = max(found(solid, turn), key=lambda hole: hole.width_mm)
    assert wide.depth_mm == pytest.approx(6, abs=0.02)
    assert not wide.through


@pytest.mark.parametrize("turn", TURNS)
def test_a_square_window(turn):
    (hole,) = found(block(40, 40, 16) - block(9, 9, 40), turn)
    assert not hole.round
    assert hole.through
    assert hole.width_mm == pytest.approx(9, abs=0.02)
    assert hole.long_mm == pytest.approx(9, abs=0.02)
    assert hole.sheet_mm == pytest.approx(16, abs=0.02)


def test_a_rounded_window_through_a_flat_handle():
    outline = shapely.box(-7, -5, 7, 5).buffer(-3).buffer(3)
    rings = [np.array(shapely.orient_polygons(outline).exterior.coords)[:-1]]
    window = manifold3d.CrossSection(rings).extrude(40).translate((0, 0, -20))
    (hole,) = found(block(80, 30, 16) - window)
    assert (hole.width_mm, hole.long_mm) == pytest.approx((10, 14), abs=0.02)
    np.testing.assert_allclose(hole.mouth[:2], 0, atol=0.01)


@pytest.mark.parametrize(("long", "expected"), [(11.8, 1), (12.2, 0), (40, 0)])
def test_slots_are_left_out(long, expected):
    assert len(found(block(80, 40, 16) - block(long, 8, 40))) == expected


def test_a_chamfered_window_is_measured_below_its_chamfer():
    taper = Manifold.extrude(manifold3d.CrossSection.square((9, 9), True), 1.5, scale_top=(12 / 9, 12 / 9))
    (hole,) = found(block(40, 40, 16) - block(9, 9, 40) - taper.translate((0, 0, 6.5001)))
    assert hole.width_mm == pytest.approx(9, abs=0.6)


def test_bosses_shallow_marks_and_other_sizes_are_none():
    plate = block(80, 40, 16)
    assert found(plate + bar(8, 20)) == []
    assert found(plate + block(9, 9, 30)) == []
    assert found(plate - block(9, 9, 4).translate((0, 0, 8))) == []
    assert found(plate - bar(4.8, 40).translate((0, 0, -20)) - bar(15, 40).translate((20, 0, -20))) == []


def test_holes_of_two_walls_are_two():
    clevis = block(40, 40, 20) - block(42, 20, 30)
    clevis += block(4, 40, 20).translate((20, 0, 0))
    holes = found(clevis - bar(8, 60).rotate((90, 0, 0)).translate((0, 30, 0)))
    assert len([hole for hole in holes if hole.round]) == 2
