"""Round holes, shafts and opposite sides, in parts drawn at known sizes and turned any way."""

import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from reviewkit.measure.holes import Round, facet_share, flats, rounds, spans

TURNED = [(0, 0, 0), (0, 0, 17), (13, 27, 41), (90, 0, 0)]
NOTHING = np.empty(0, dtype=np.int64)


def bar(diameter, height, sides):
    return manifold3d.Manifold.cylinder(height, diameter / 2, diameter / 2, sides)


def drilled(*holes):
    """A plate of 60 x 40 x 6 with upright holes: x, diameter, sides."""
    plate = manifold3d.Manifold.cube((60, 40, 6))
    for x, diameter, sides in holes:
        plate -= bar(diameter, 20, sides).translate((x, 20, -7))
    return plate


def arrays(solid):
    made = solid.to_mesh() if isinstance(solid, manifold3d.Manifold) else None
    if made is None:
        return np.array(solid.vertices, dtype=float), np.array(solid.faces, dtype=np.int64)
    mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    return np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)


def found(solid) -> tuple[Round, ...]:
    return rounds(flats(*arrays(solid)))


# --- facets ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sides", "loss_percent", "within"),
    [(8, 7.61, 0.01), (10, 4.89, 0.01), (16, 1.92, 0.01), (22, 1.02, 0.01), (32, 0.482, 0.001), (64, 0.120, 0.001)],
)
def test_what_facets_take_from_a_hole(sides, loss_percent, within):
    # cos(pi / N); "10 vertices 5 %, 22 vertices 1 %": hydraraptor.blogspot.com/2011/02/polyholes.html.
    assert 100 * (1 - facet_share(sides)) == pytest.approx(loss_percent, abs=within)


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(("diameter", "sides"), [(3.0, 24), (6.0, 8), (8.0, 96), (0.8, 300)])
def test_a_hole_has_the_size_it_was_drawn_at(turn, diameter, sides):
    (hole,) = found(drilled((25, diameter, sides)).rotate(turn))
    turning = Rotation.from_euler("xyz", turn, degrees=True)
    assert hole.hollow
    assert hole.diameter_mm == pytest.approx(diameter, abs=1e-4)
    assert hole.across_flats_mm == pytest.approx(diameter * np.cos(np.pi / sides), abs=1e-4)
    assert (hole.flats, hole.length_mm) == (sides, pytest.approx(6, abs=1e-4))
    assert hole.arc_deg == pytest.approx(360, abs=0.1)
    assert abs(np.array(hole.axis) @ turning.apply([0, 0, 1])) == pytest.approx(1, abs=1e-6)
    assert hole.middle_mm == pytest.approx(turning.apply([25, 20, 3]), abs=1e-3)
    ends = {tuple(np.round(turning.apply([25, 20, z]), 2)) for z in (0, 6)}
    assert {tuple(np.round(end, 2) + 0.0) for end in (hole.low_mm, hole.high_mm)} == ends
    assert len(hole.faces) == 2 * sides


def test_holes_lying_and_standing_and_a_shaft_are_told_apart():
    solid = drilled((10, 6, 48), (40, 8, 96)) - bar(4, 100, 64).rotate((90, 0, 0)).translate((52, 70, 3))
    solid += bar(9, 10, 60).translate((25, 20, 6))
    holes = {(each.hollow, round(each.diameter_mm, 3)): each for each in found(solid)}
    assert set(holes) == {(True, 6.0), (True, 8.0), (True, 4.0), (False, 9.0)}
    assert np.abs(holes[True, 4.0].axis) == pytest.approx([0, 1, 0], abs=1e-9)
    assert holes[True, 4.0].length_mm == pytest.approx(40)
    assert holes[False, 9.0].low_mm == pytest.approx((25, 20, 6))
    assert holes[False, 9.0].high_mm == pytest.approx((25, 20, 16))


def test_a_hole_with_keyways_is_one_hole():
    key = manifold3d.Manifold.cube((6, 2, 20))
    solid = bar(24, 10, 96) - bar(8, 12, 64).translate((0, 0, -1)) - key.translate((0, -1, -1))
    solid -= key.translate((-6, -1, -1))
    shaft, hole = sorted(found(solid), key=lambda each: each.hollow)
    assert not shaft.hollow and shaft.diameter_mm == pytest.approx(24)
    assert hole.diameter_mm == pytest.approx(8, abs=1e-4)
    assert 280 < hole.arc_deg < 320
    assert hole.flats == 64


def test_two_lugs_in_line_have_two_holes():
    lug = manifold3d.Manifold.cube((10, 10, 4)) - bar(5, 6, 48).translate((5, 5, -1))
    low, high = found(lug + lug.translate((0, 0, 20)))
    assert low.high_mm[2] == pytest.approx(4)
    assert high.low_mm[2] == pytest.approx(20)


def test_a_lying_hole_at_half_a_right_angle_from_a_file_in_32_bit():
    # Its edges lie along the axis that angles are counted from, on either side of it by rounding.
    vertices, faces = arrays(drilled((25, 6, 48)).rotate((90, 0, 45)).translate((70, 110, 0)))
    (hole,) = rounds(flats(vertices.astype(np.float32).astype(float), faces))
    assert hole.diameter_mm == pytest.approx(6, abs=1e-3)
    assert (hole.flats, hole.arc_deg) == (48, pytest.approx(360, abs=0.5))


def test_a_stepped_hole_is_two():
    solid = drilled((30, 4, 48)) - bar(8, 5, 48).translate((30, 20, 4))
    assert sorted((round(each.diameter_mm, 3), round(each.length_mm, 3)) for each in found(solid)) == [(4, 4), (8, 2)]


@pytest.mark.parametrize(
    "solid",
    [
        trimesh.creation.box((20, 10, 5)),
        trimesh.creation.icosphere(3, 5.0),
        trimesh.creation.torus(20, 4),
        trimesh.creation.cone(5, 20),
        # Fewer than eight flats are a shape that was meant.
        trimesh.creation.cylinder(5, 20, sections=6),
    ],
    ids=["box", "ball", "ring", "cone", "hexagon"],
)
def test_what_is_not_round_has_none(solid):
    assert found(solid) == ()


def test_fillets_and_slot_ends_are_no_holes():
    slot = manifold3d.CrossSection.circle(2, 48).translate((10, 10)) + manifold3d.CrossSection.circle(2, 48).translate(
        (25, 10)
    )
    plate = manifold3d.CrossSection.square((40, 30)).offset(3, manifold3d.JoinType.Round, circular_segments=64)
    assert found((plate - slot.hull()).extrude(5)) == ()


@example(23.0, 200, (0.0, 1.796875, 0.0), (0.0, 0.0, 53.0))
@settings(max_examples=20, deadline=None)
@given(
    st.floats(0.5, 30),
    st.integers(8, 200),
    st.tuples(*[st.floats(-180, 180)] * 3),
    st.tuples(*[st.floats(-200, 200)] * 3),
)
def test_a_tube_is_a_shaft_and_a_hole_wherever_it_lies(inner, sides, turn, shift):
    tube = bar(inner + 4, 12, sides) - bar(inner, 14, sides).translate((0, 0, -1))
    hole, shaft = sorted(found(tube.rotate(turn).translate(shift)), key=lambda each: not each.hollow)
    assert (hole.hollow, shaft.hollow) == (True, False)
    assert hole.diameter_mm == pytest.approx(inner, rel=2e-3, abs=2e-3)
    assert shaft.diameter_mm == pytest.approx(inner + 4, rel=2e-3, abs=2e-3)


def test_a_plate_of_others(shared_parts):
    """Clearance holes of 0.266 in (letter H drill, quarter-inch screw, from memory), one counterbored to 7/16 in."""
    mesh = trimesh.load(shared_parts / "plate_holes.STL")
    mesh.merge_vertices()
    holes = found(mesh)
    assert len(holes) == 6
    assert sorted(round(each.diameter_mm / 25.4, 4) for each in holes) == pytest.approx(
        [0.266] * 5 + [0.4375], abs=1e-4
    )


# --- opposite sides --------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNED)
def test_a_block_has_three_widths_and_a_slot_one_gap(turn):
    solid = manifold3d.Manifold.cube((40, 30, 12)) - manifold3d.Manifold.cube((20, 4, 5)).translate((10, 8, 8))
    known = flats(*arrays(solid.rotate(turn)))
    turning = Rotation.from_euler("xyz", turn, degrees=True)
    for size in (40, 30, 12):
        (span,) = [each for each in spans(known, NOTHING, 100.0, size, 0.5) if not each.hollow]
        assert span.size_mm == pytest.approx(size, abs=1e-4)
    (gap,) = spans(known, NOTHING, 4.0, 4.2, 0.5)
    assert gap.hollow
    assert gap.size_mm == pytest.approx(4, abs=1e-4)
    assert gap.middle_mm == pytest.approx(turning.apply([20, 10, 10]), abs=1e-3)
    assert gap.overlap_mm2 >= 80 - 1e-3
    assert abs(np.array(gap.direction) @ turning.apply([0, 1, 0])) == pytest.approx(1, abs=1e-6)
    assert known.area_mm2[list(gap.sides)] == pytest.approx([80, 80], rel=1e-4)


def test_sides_left_out_too_small_or_beside_one_another_do_not_count():
    known = flats(*arrays(manifold3d.Manifold.cube((40, 30, 12))))
    assert len(spans(known, NOTHING, 4.0, 12, 0.1)) == 1
    assert spans(known, known.members(*range(len(known.area_mm2))), 4.0, 12, 0.1) == ()
    assert spans(known, NOTHING, 1300.0, 12, 0.1) == ()
    assert spans(known, NOTHING, 4.0, 12.2, 0.1) == ()
    # Two blocks corner to corner: their sides do not lie across from one another.
    apart = manifold3d.Manifold.cube((10, 10, 10)) + manifold3d.Manifold.cube((10, 10, 10)).translate((14, 15, 15))
    assert [each for each in spans(flats(*arrays(apart)), NOTHING, 4.0, 4.0, 0.1) if each.hollow] == []
