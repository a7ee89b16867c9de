"""The matter around holes of drawn bosses and blocks, turned any way."""

import manifold3d
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.bosses import boss, hole_near, inside_matter
from reviewkit.measure.holes import flats, rounds
from reviewkit.measure.rays import RayTree

TURNED = [(0, 0, 0), (13, 27, 41), (90, 0, 0)]


def bar(diameter, height, sides=64):
    return manifold3d.Manifold.cylinder(height, diameter / 2, diameter / 2, sides)


class Drawn:
    """A solid with everything that is measured on it."""

    def __init__(self, solid):
        made = solid.to_mesh()
        mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
        vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
        known = flats(vertices, faces)
        self.rays, self.normals = RayTree(vertices, faces), known.normal[known.of_face]
        self.rounds = rounds(known)
        self.holes = [each for each in self.rounds if each.hollow]

    def boss(self):
        (hole,) = self.holes
        return boss(hole, self.rays, self.normals)


@pytest.mark.parametrize("turn", TURNED)
def test_a_round_boss(turn):
    shape = Drawn((bar(10, 12) - bar(4, 10).translate((0, 0, 4))).rotate(turn)).boss()
    flat = np.cos(np.pi / 64)
    # Between corner and middle of a flat on both rings.
    assert shape.thinnest_mm == pytest.approx(3.0, abs=5 * (1 - flat) + 1e-3)
    assert shape.edge_mm == pytest.approx(5.0, abs=5 * (1 - flat) + 1e-3)
    assert shape.hole.length_mm == pytest.approx(8)
    assert {shape.open_low, shape.open_high} == {True, False}


@pytest.mark.parametrize("turn", TURNED)
def test_a_hole_near_the_edge_of_a_block(turn):
    turning = Rotation.from_euler("xyz", turn, degrees=True)
    solid = manifold3d.Manifold.cube((40, 30, 10)) - bar(4, 20).translate((36, 15, -5))
    shape = Drawn(solid.rotate(turn)).boss()
    assert shape.thinnest_mm == pytest.approx(2.0, abs=0.01)
    assert shape.edge_mm == pytest.approx(4.0, abs=0.01)
    assert shape.to_edge == pytest.approx(turning.apply([1, 0, 0]), abs=0.1)
    assert shape.open_low and shape.open_high


def test_a_hole_open_to_the_side_has_no_wall_there():
    slit = manifold3d.Manifold.cube((20, 1, 30)).translate((0, -0.5, -1))
    assert Drawn(bar(20, 10) - bar(4, 12).translate((0, 0, -1)) - slit).boss().thinnest_mm == 0


def test_a_keyway_is_no_wall():
    key = manifold3d.Manifold.cube((5, 1, 30)).translate((0, -0.5, -1))
    assert Drawn(bar(20, 10) - bar(4, 12).translate((0, 0, -1)) - key).boss().thinnest_mm == 0


def test_one_cross_hole_does_not_speak_for_the_depth():
    cross = bar(1.0, 40, 24).rotate((0, 90, 0)).translate((0, 0, 9))
    solid = bar(10, 16) - bar(4, 20).translate((0, 0, -1)) - cross
    (hole,) = [each for each in Drawn(solid).holes if each.diameter_mm > 2]
    drawn = Drawn(solid)
    assert boss(hole, drawn.rays, drawn.normals).thinnest_mm == pytest.approx(3.0, abs=0.02)


def test_the_hole_that_a_place_means():
    solid = (
        manifold3d.Manifold.cube((40, 30, 10)) - bar(4, 20).translate((10, 15, -5)) - bar(6, 20).translate((30, 15, -5))
    )
    solid -= bar(8, 5).translate((10, 15, 7))
    holes = Drawn(solid).rounds
    near = np.array([10.5, 15, 10])
    assert hole_near(holes, near, 3.0, 2, 10).diameter_mm == pytest.approx(8)
    assert hole_near(holes, near, 4.0, 2, 7).diameter_mm == pytest.approx(4)
    assert hole_near(holes, np.array([20.0, 15, 10]), 3.0, 2, 10) is None
    # Of two equally near, the narrower one.
    assert hole_near(holes, np.array([10.0, 15, 7]), 3.0, 2, 10).diameter_mm == pytest.approx(4)


def test_inside_and_outside():
    drawn = Drawn(manifold3d.Manifold.cube((10, 10, 10)) - manifold3d.Manifold.cube((4, 4, 4)).translate((3, 3, 3)))
    for point, inside in (((1, 1, 1), True), ((5, 5, 5), False), ((12, 5, 5), False), ((5, 5, 8.5), True)):
        assert inside_matter(drawn.rays, drawn.normals, np.array(point, dtype=float)) is inside
