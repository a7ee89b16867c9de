"""What a blade meets, on shapes whose answer is plain: boxes, discs, hollows and tabs of known size."""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, affinity, box

from reviewkit.measure.layers import layers
from reviewkit.measure.pieces import stacked
from reviewkit.measure.removal import loose_pieces, sweeps, thin_pieces


def printed(*blocks, turn_deg=0.0):
    """Layers of upright blocks, each an outline from one height to another [mm]."""
    solids = [
        trimesh.creation.extrude_polygon(part, high - low).apply_translation((0, 0, low))
        for region, low, high in blocks
        for part in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    mesh = trimesh.boolean.union(solids) if len(solids) > 1 else solids[0]
    return layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), 0.2, 0.2)


def met(*blocks, angle_deg=0.0, centre=(0.0, 0.0, 5.0), reach_mm=80.0, turn_deg=0.0):
    """What the blade meets at an angle counted from the part, however that is turned."""
    turn = np.radians(turn_deg)
    x, y, z = centre
    turned = np.array([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z])
    (found,) = sweeps(
        printed(*blocks, turn_deg=turn_deg),
        turned,
        [angle_deg + turn_deg],
        reach_mm=reach_mm,
        slack_mm=0.5,
        pocket_depth_mm=2.0,
        pocket_width_mm=3.0,
        tab_mm=1.6,
        tab_length_mm=2.0,
    )
    return found


TURNED = [0.0, 31.0]


# --- face and edge ---------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_box_is_met_over_its_whole_height_and_side(turn_deg):
    found = met((box(-20, -10, 20, 10), 0, 12), turn_deg=turn_deg)
    assert (found.face_low_mm, found.face_high_mm) == (0, pytest.approx(12))
    assert found.edge_mm == pytest.approx(20, abs=0.01)
    assert found.far_mm == pytest.approx(20)
    front = affinity.rotate(Point(found.front_at), -turn_deg, origin=(0, 0))
    assert (front.x, front.y) == pytest.approx((-20, 0), abs=0.5)
    assert met((box(-20, -10, 20, 10), 0, 12), angle_deg=90, turn_deg=turn_deg).edge_mm == pytest.approx(40, abs=0.01)


def test_a_corner_and_a_disc_are_met_at_a_point():
    """Chord of a disc half a millimetre in: 2 sqrt(2 R s - s^2); of a square corner: 2 s."""
    assert met((box(-20, -10, 20, 10), 0, 12), angle_deg=45).edge_mm == pytest.approx(1.0, abs=0.5)
    disc = met((Point(0, 0).buffer(12, quad_segs=90), 0, 5))
    assert disc.edge_mm == pytest.approx(2 * np.sqrt(2 * 12 * 0.5 - 0.25), abs=0.5)


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_mushroom_is_met_at_its_cap(turn_deg):
    found = met((box(-5, -5, 5, 5), 0, 30), (box(-15, -15, 15, 15), 30, 36), turn_deg=turn_deg)
    assert (found.face_low_mm, found.face_high_mm) == (pytest.approx(30), pytest.approx(36))
    assert found.far_mm == pytest.approx(5)


def test_a_blade_that_does_not_reach_the_cap_meets_the_stem():
    found = met((box(-5, -5, 5, 5), 0, 30), (box(-15, -15, 15, 15), 30, 36), reach_mm=20)
    assert (found.face_low_mm, found.face_high_mm) == (0, pytest.approx(20, abs=0.21))


def test_a_slope_of_45_degrees_is_met_over_half_a_millimetre():
    wedge = trimesh.creation.cone(20, 20, sections=4)
    found = sweeps(
        layers(np.array(wedge.vertices), np.array(wedge.faces, dtype=np.int64), 0.1, 0.1), np.array([0, 0, 5.0]),
        [45.0], reach_mm=80, slack_mm=0.5, pocket_depth_mm=2, pocket_width_mm=3, tab_mm=1.6, tab_length_mm=2,
    )[0]  # fmt: skip
    assert found.face_high_mm == pytest.approx(0.5 * np.sqrt(2), abs=0.15)


# --- pockets and tabs ------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(
    ("depth", "width", "is_pocket"), [(8, 10, True), (2.2, 10, True), (1.8, 10, False), (8, 2, False)]
)
def test_a_hollow_is_a_pocket_from_its_own_side_alone(turn_deg, depth, width, is_pocket):
    shape = box(-20, -20, 20, 20) - box(-21, -width / 2, -20 + depth, width / 2)
    found = met((shape, 0, 10), turn_deg=turn_deg)
    assert len(found.pocket_at) == is_pocket
    if is_pocket:
        assert found.pocket_depth_mm[0] == pytest.approx(depth, abs=0.3)
        bottom = affinity.rotate(Point(found.pocket_at[0]), -turn_deg, origin=(0, 0))
        assert bottom.x == pytest.approx(-20 + depth, abs=0.3)
    assert len(met((shape, 0, 10), angle_deg=180, turn_deg=turn_deg).pocket_at) == 0


def test_a_step_and_a_hole_are_no_pockets():
    step = box(-20, -20, 20, 20) - box(-21, 0, -10, 21)
    assert len(met((step, 0, 10)).pocket_at) == 0
    assert len(met((box(-20, -20, 20, 20) - box(-10, -10, 10, 10), 0, 10)).pocket_at) == 0


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_thin_fin_is_met_from_its_own_side_alone(turn_deg):
    shape = shapely.union_all([box(-20, -10, 20, 10), box(-30, -0.6, -19, 0.6)])
    found = met((shape, 0, 10), turn_deg=turn_deg)
    assert len(found.tab_at) == 1
    at = affinity.rotate(Point(found.tab_at[0]), -turn_deg, origin=(0, 0))
    assert at.x == pytest.approx(-30, abs=0.3)
    assert len(met((shape, 0, 10), angle_deg=180, turn_deg=turn_deg).tab_at) == 0


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("width", "count"), [(1.5, 1), (1.7, 0)])
def test_a_lump_on_a_thin_neck_breaks_off_with_it(turn_deg, width, count):
    shape = shapely.union_all([box(-20, -10, 20, 10), box(-30, -width / 2, -19, width / 2), Point(-33, 0).buffer(5)])
    found = thin_pieces(affinity.rotate(shape, turn_deg, origin=(0, 0)), 1.6, 2.0)
    assert len(found) == count
    if count:
        assert found[0].area == pytest.approx(np.pi * 25 + 1.5 * 8, rel=0.03)


def test_a_web_between_two_halves_and_a_chain_of_flexures():
    """The smaller half of two breaks off; a lump held by two leaves does not."""
    halves = shapely.union_all([box(0, 0, 20, 20), box(20, 9, 30, 10), box(30, 0, 40, 20)])
    assert len(thin_pieces(halves, 1.6, 2.0)) == 1
    held = shapely.union_all([halves, box(20, 2, 30, 3)])
    assert len(thin_pieces(held, 1.6, 2.0)) == 0


def test_short_stubs_and_square_corners_are_no_tabs():
    stub = shapely.union_all([box(-20, -10, 20, 10), box(-21.5, -0.6, -19, 0.6)])
    assert len(thin_pieces(stub, 1.6, 2.0)) == 0
    assert len(thin_pieces(box(0, 0, 10, 10), 1.6, 2.0)) == 0
    assert len(thin_pieces(Point(0, 0).buffer(5) - Point(0, 0).buffer(4), 1.6, 2.0)) == 0


# --- pieces ----------------------------------------------------------------------------------


def test_pieces_are_counted_with_their_contact():
    feet = shapely.union_all([box(0, 0, 10, 10), box(20, 0, 40, 10)])
    found = loose_pieces(stacked(printed((feet, 0, 5))))
    assert (len(found.at), found.bodies) == (2, 2)
    assert found.contact_mm2 == pytest.approx([200, 100])
    assert box(20, 0, 40, 10).contains(Point(found.at[0]))
    joined = loose_pieces(stacked(printed((feet, 0, 5), (box(0, 0, 40, 10), 5, 7))))
    assert (len(joined.at), joined.bodies) == (1, 1)


def test_a_pin_in_a_ring_comes_off_with_it():
    ring = Point(0, 0).buffer(10) - Point(0, 0).buffer(6)
    found = loose_pieces(stacked(printed((shapely.union_all([ring, Point(0, 0).buffer(5)]), 0, 5))))
    assert (len(found.at), found.bodies) == (1, 2)
    assert found.contact_mm2[0] == pytest.approx(np.pi * (100 - 36 + 25), rel=0.01)


def test_hooks_that_grip_each_other_are_one_piece_and_a_lid_that_only_rests_above_is_two():
    """Each hook has an arm above an arm of the other: neither can be left behind."""
    hook = [(box(-10, -2, -8, 2), 0, 10), (box(-10, -2, 0, 2), 0, 2), (box(-10, -2, 0, 2), 8, 10)]
    eye = [(box(4, -2, 6, 2), 0, 16), (box(-4, -2, 6, 2), 4, 6), (box(-4, -2, 6, 2), 14, 16)]
    gripped = loose_pieces(stacked(printed(*hook, *eye)))
    assert (len(gripped.at), gripped.bodies) == (1, 2)
    lid = loose_pieces(stacked(printed((box(-5, -5, 5, 5), 0, 1), (box(-5, -5, 5, 5), 2, 3))))
    assert (len(lid.at), lid.bodies) == (2, 2)
    assert lid.contact_mm2 == pytest.approx([100, 0])
