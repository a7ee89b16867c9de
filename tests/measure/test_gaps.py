"""Gaps as air between walls, whole layers left empty, bodies, round outlines: closed forms."""

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from reviewkit.measure.gaps import (
    air_between_skins,
    air_between_walls,
    circles,
    empty_layers,
    facet_bodies,
    joined_bodies,
    near_plate,
    only,
    printed_pieces,
    rounds,
    sides,
    squashed_gap,
)
from reviewkit.measure.layers import layer_planes, layers
from reviewkit.measure.rays import RayTree
from reviewkit.measure.walls import skin_samples, thin_places, wall_samples

CREDIBLE = {"join_mm": 1.5, "facing_deg": 20.0, "min_area_mm2": 1.0, "min_length_mm": 1.0, "min_height_mm": 0.4}


def extruded(region, height=6.0, bottom=0.0) -> trimesh.Trimesh:
    pieces = [trimesh.creation.extrude_polygon(piece, height) for piece in shapely.get_parts(region)]
    mesh = trimesh.util.concatenate(pieces)
    mesh.apply_translation([0, 0, bottom])
    return mesh


class Read:
    """All readings of a mesh."""

    def __init__(self, mesh) -> None:
        self.vertices, self.faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)
        self.rays = RayTree(self.vertices, self.faces)
        self.layers = layers(self.vertices, self.faces, 0.2, 0.2)
        self.walls = wall_samples(self.layers, self.vertices, self.faces, self.rays)
        self.skins = skin_samples(self.vertices, self.faces, self.rays)
        self.pieces = facet_bodies(self.faces, len(self.vertices))

    @property
    def bodies(self):
        return joined_bodies(self.pieces, self.walls, self.skins, self.rays)


def plates(gap_mm: float) -> trimesh.Trimesh:
    """Two plates of 40 x 30 x 2 on edge, beside one another."""
    return extruded(shapely.union_all([shapely.box(0, 0, 40, 2), shapely.box(0, 2 + gap_mm, 40, 4 + gap_mm)]), 30.0)


def test_two_plates_stand_0_4_apart():
    # printability 4.3: two plates 40 x 30 x 2, gap 0.4, read 0.4 by ray.
    air = air_between_walls(Read(plates(0.4)).walls)
    (gap,) = thin_places(air, 0.5, **CREDIBLE)[0]
    assert gap.width_mm == pytest.approx(0.4, abs=1e-6)
    assert (gap.length_mm, gap.height_mm) == pytest.approx((40, 30), abs=0.2)
    assert gap.point_mm == pytest.approx((20, 2.2, 15), abs=0.2)
    assert gap.taper_deg == pytest.approx(0, abs=1e-5)


def test_inside_out_twice_is_as_before():
    walls = Read(plates(0.4)).walls
    again = air_between_walls(air_between_walls(walls))
    for name in ("point", "normal", "inward", "width_mm", "opposite_normal", "clearance_mm", "clearance_normal"):
        assert np.array_equal(getattr(again, name), getattr(walls, name))


def test_gaps_straight_up():
    mesh = trimesh.util.concatenate([extruded(shapely.box(0, 0, 20, 10), 2.0), extruded(shapely.box(0, 0, 20, 10), 2.0,
                                                                                         2.3)])  # fmt: skip
    air = air_between_skins(Read(mesh).skins)
    (gap,) = thin_places(air, 0.5, **{**CREDIBLE, "min_height_mm": 0.0})[0]
    assert gap.width_mm == pytest.approx(0.3, abs=1e-6)
    assert gap.area_mm2 == pytest.approx(200, rel=0.05)
    assert not thin_places(only(air, np.zeros(len(air), dtype=bool)), 0.5, **CREDIBLE)[0]


def test_near_the_plate_a_gap_is_as_low_as_the_first_layer():
    # A slot that is chamfered below 1 mm: 1.4 wide at the plate, 0.4 above.
    low = shapely.box(0, 0, 20, 10).difference(shapely.box(-1, 4.3, 21, 5.7))
    high = shapely.box(0, 0, 20, 10).difference(shapely.box(-1, 4.8, 21, 5.2))
    stepped = Read(trimesh.boolean.union([extruded(low, 1.0), extruded(high, 5.0, 1.0)]))
    air = air_between_walls(stepped.walls)
    assert thin_places(air, 0.5, **CREDIBLE)[0][0].height_mm == pytest.approx(5.0)
    assert thin_places(near_plate(air, 0.2), 0.5, **{**CREDIBLE, "min_height_mm": 0.0})[0] == []
    plain = air_between_walls(Read(extruded(high, 6.0)).walls)
    (gap,) = thin_places(near_plate(plain, 0.2), 0.5, **{**CREDIBLE, "min_height_mm": 0.0})[0]
    assert gap.box_mm[0][2] == 0 and gap.box_mm[1][2] == pytest.approx(0.2)
    assert gap.area_mm2 == pytest.approx(20 * 0.2, rel=0.02)
    assert len(near_plate(plain, 0.2)) == len(plain)


def test_what_the_plate_leaves_of_a_gap():
    # printability 3.9: 0.40 with a spread of 0.15 leaves 0.10.
    assert squashed_gap(0.40, 0.15) == pytest.approx(0.10)


@pytest.mark.parametrize(
    ("gap_mm", "count"), [(0.20, 1), (0.25, 1), (0.40, 2), (0.15, 1), (0.08, 0), (0.0, 0), (0.1, 1), (0.099, 0)]
)
def test_empty_layers_of_the_notes_list(gap_mm, count):
    # printability 2.4: base top 1.0, layers of 0.2 cut at mid-height.
    z_mm, _ = layer_planes(5.0, 0.2, 0.2)
    assert empty_layers(z_mm, np.array([1.0]), np.array([1.0 + gap_mm])).tolist() == [count]


@given(
    floor=st.floats(0.3, 3.0), gap=st.floats(0.01, 1.5), layer=st.sampled_from([0.1, 0.15, 0.2, 0.3])
)  # fmt: skip
def test_empty_layers_are_those_that_the_layers_leave_empty(floor, gap, layer):
    lower, upper = extruded(shapely.box(0, 0, 4, 4), floor), extruded(shapely.box(0, 0, 4, 4), 1.0, floor + gap)
    mesh = trimesh.util.concatenate([lower, upper])
    cut = layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), layer, layer)
    count = empty_layers(cut.z_mm, np.array([floor]), np.array([floor + gap]))
    assert count.tolist() == [int((cut.area_mm2[:-1] == 0).sum())]
    assert printed_pieces(cut) == (2 if count[0] else 1)


def test_bodies_share_material_or_are_apart():
    cavity = extruded(shapely.box(2, 2, 8, 8), 2.0, 2.0)
    cavity.invert()
    block = extruded(shapely.box(0, 0, 10, 10), 6.0)
    for parts, drawn, printed in (
        ([block, cavity], 1, 1),
        ([block, extruded(shapely.box(8, 2, 20, 8), 6.0)], 1, 1),
        ([block, extruded(shapely.box(10.3, 0, 20, 10), 6.0)], 2, 2),
        ([block, extruded(shapely.box(0, 0, 10, 10), 2.0, 6.05)], 2, 1),
        ([block, extruded(shapely.box(2, 2, 8, 8), 3.0, 4.0)], 1, 1),
    ):
        read = Read(trimesh.util.concatenate(parts))
        assert read.pieces.max() == 1
        assert read.bodies.max() + 1 == drawn
        assert printed_pieces(read.layers) == printed


def test_sides_of_a_gap_are_the_bodies_beside_it():
    read = Read(plates(0.4))
    air = air_between_walls(read.walls)
    across = sides(air, read.rays, read.bodies, np.flatnonzero(air.width_mm < 0.5))
    assert len(across) and (np.sort(across, axis=1) == (0, 1)).all()
    through = sides(read.walls, read.rays, read.bodies, np.arange(len(read.walls)))
    assert (through[:, 0] == through[:, 1]).all()


@pytest.mark.parametrize("corners", [6, 12, 48, 200])
@pytest.mark.parametrize("turn", [0.0, 0.3])
def test_circles_of_regular_polygons(corners, turn):
    angle = turn + 2 * np.pi * np.arange(corners) / corners
    ring = np.column_stack([7 + 1.3 * np.cos(angle), 3 + 1.3 * np.sin(angle)])
    read = Read(extruded(shapely.box(0, 0, 20, 10).difference(shapely.Polygon(ring)), 4.0))
    found = circles(read.layers, 0.15)
    assert len(found) == 1 and found.hole[0]
    assert found.radius_mm[0] == pytest.approx(1.3, abs=1e-6)
    # The sides of a regular polygon lie at r cos(pi / n) from its middle.
    assert found.flat_mm[0] == pytest.approx(1.3 * np.cos(np.pi / corners), abs=1e-6)
    assert found.centre[0] == pytest.approx((7, 3), abs=1e-6)
    assert len(circles(read.layers, 0.12 if corners == 6 else 0.15)) == (0 if corners == 6 else 1)
    (hole,) = rounds(read.layers, found, 0.4, 0.75)
    assert hole.hole and hole.diameter_mm == pytest.approx(2.6, abs=1e-6)
    assert (hole.bottom_mm, hole.top_mm) == pytest.approx((0, 4))
    # Rays straight across it are told from those in a gap around a pin.
    across = air_between_walls(read.walls)
    inside = np.isfinite(across.width_mm)
    assert found.at_middle_of(across)[inside].all()


def test_teardrops_and_slots_are_no_circles():
    circle = shapely.Point(7, 5).buffer(1.3, 12)
    teardrop = shapely.union_all([circle, shapely.Polygon([(6.1, 5.9), (7.9, 5.9), (7, 6.85)])])
    slot = shapely.LineString([(12, 5), (14, 5)]).buffer(1.3, 12)
    read = Read(extruded(shapely.box(0, 0, 20, 10).difference(shapely.union_all([teardrop, slot])), 1.0))
    assert len(circles(read.layers, 0.15)) == 0


def test_readings_around_a_pin_are_not_across_its_hole():
    ring = shapely.Point(0, 0).buffer(6, 32).difference(shapely.Point(0, 0).buffer(3.4, 32))
    read = Read(trimesh.util.concatenate([extruded(ring, 6.0), extruded(shapely.Point(0, 0).buffer(3, 32), 6.0)]))
    air = air_between_walls(read.walls)
    near = air.width_mm < 1
    assert near.any() and not circles(read.layers, 0.15).at_middle_of(air)[near].any()
    # Pin of R 3 in a hole of R 3.4, 128 sides: 0.3999 (printability 4.2).
    assert air.width_mm[near] == pytest.approx(0.4 * np.cos(np.pi / 128), abs=1e-3)


def test_stacked_circles_are_one_and_cones_none():
    stepped = trimesh.boolean.union(
        [extruded(shapely.Point(0, 0).buffer(2, 16), 4.0), extruded(shapely.Point(0, 0).buffer(1, 16), 3.0, 3.5)]
    )
    read = Read(stepped)
    thin, thick = rounds(read.layers, circles(read.layers, 0.15), 0.4, 0.75)
    assert (thin.diameter_mm, thin.bottom_mm, thin.top_mm) == pytest.approx((2, 4, 6.5), abs=1e-6)
    assert (thick.diameter_mm, thick.height_mm) == pytest.approx((4, 4), abs=1e-6)
    read = Read(trimesh.creation.cone(radius=3, height=6, sections=32))
    found = circles(read.layers, 0.15)
    assert len(found) == len(read.layers)
    assert not [one for one in rounds(read.layers, found, 1.5, 0.75) if one.height_mm > 3]


def test_nothing_at_all():
    empty = layers(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), 0.2, 0.2)
    assert printed_pieces(empty) == 0
    assert len(circles(empty, 0.15)) == 0
    assert rounds(empty, circles(empty, 0.15), 0.4, 0.75) == []
