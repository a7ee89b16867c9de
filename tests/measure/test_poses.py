"""Poses compared: support volumes and stair steps against closed forms, rankings against what geometry dictates.

Closed forms (derived): a sphere of radius R on the plate, supported where it overhangs by more than b from the
vertical, has pi R^3 sin^2 b - (2 pi / 3) R^3 (1 - cos^3 b) below it, 216.882 mm3 for R = 10 and b = 45 degrees.  A
layered slope at t from the horizontal has a cusp of h cos t; over a whole sphere the mean is h / 2.
"""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.pose import pose_measures
from reviewkit.measure.poses import (
    BANDS,
    TERMS,
    chosen_pose,
    footings,
    ranked_poses,
    rough_time_s,
    sphere_directions,
    support_volumes,
)
from reviewkit.measure.rays import RayTree
from reviewkit.model import IDENTITY, Setup
from reviewkit.submission import Box, Region, RegionKind

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
DOWN = np.array([[0.0, 0.0, -1.0]])


def block(x, y, z, at=(0, 0, 0)):
    """A box by its sides, from its lowest corner."""
    return trimesh.creation.box((x, y, z)).apply_translation(np.add(at, (x / 2, y / 2, z / 2)))


def joined(*blocks):
    return trimesh.boolean.union(blocks)


def arrays(mesh):
    return np.asarray(mesh.vertices, dtype=float), np.asarray(mesh.faces, dtype=np.int64)


def turned(mesh, seed):
    rotation = Rotation.random(random_state=seed).as_matrix()
    other = mesh.copy()
    other.vertices = other.vertices @ rotation.T
    return other, rotation


def supports(mesh, downs=DOWN, layer_height_mm=1e-6):
    vertices, faces = arrays(mesh)
    rays = RayTree(vertices, faces)
    return support_volumes(vertices, faces, downs, rays, overhang_deg=45.0, layer_height_mm=layer_height_mm)


def ranked(mesh, current=IDENTITY, regions=(), setup=SETUP):
    return ranked_poses(*arrays(mesh), setup, load_limits(), regions, current)


def down_of(poses, pose):
    return -poses.rotations[pose][2]


T = joined(block(10, 10, 40), block(50, 10, 10, (-20, 0, 30)))
INVERTED_U = joined(block(10, 10, 30), block(10, 10, 30, (40, 0, 0)), block(50, 10, 10, (0, 0, 20)))


# --- support volume --------------------------------------------------------------------------


def test_support_below_a_sphere():
    sphere = trimesh.creation.icosphere(subdivisions=5, radius=10)
    downs = np.vstack([DOWN, np.random.default_rng(1).normal(size=(5, 3))])
    downs /= np.linalg.norm(downs, axis=1)[:, None]
    assert supports(sphere, downs) == pytest.approx(216.882, rel=0.015)


@pytest.mark.parametrize("seed", [None, 4])
@pytest.mark.parametrize(
    ("mesh", "volume_mm3"),
    [
        # Two arms of 20 x 10 mm, 30 mm up; a bridge of 30 x 10 mm, 20 mm up; a box needs none.
        (T, 2 * 20 * 10 * 30),
        (INVERTED_U, 30 * 10 * 20),
        (block(30, 20, 10), 0.0),
        # The arm of a C ends on its foot, 20 mm lower, not on the plate.
        (joined(block(10, 10, 40), block(40, 10, 10), block(40, 10, 10, (0, 0, 30))), 30 * 10 * 20),
        # Of a short foot only half: 15 mm of arm above it, 15 mm above the plate.
        (joined(block(10, 10, 40), block(25, 10, 10), block(40, 10, 10, (0, 0, 30))), 10 * (15 * 20 + 15 * 30)),
    ],
)
def test_support_ends_on_the_plate_or_on_the_first_surface(mesh, volume_mm3, seed):
    downs = DOWN
    if seed is not None:
        mesh, rotation = turned(mesh, seed)
        downs = DOWN @ rotation.T
    assert supports(mesh, downs, layer_height_mm=0.2)[0] == pytest.approx(volume_mm3, rel=5e-3, abs=1e-6)


def test_support_of_the_other_way_up():
    downs = np.array([[0, 0, -1.0], [0, 0, 1.0]])
    assert supports(T, downs, 0.2)[1] == 0
    assert supports(INVERTED_U, downs, 0.2)[1] == 0


# --- stair steps -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slope_deg", "cusp_mm"), [(30, 0.1732), (45, 0.1414), (60, 0.1000), (80, 0.0347), (0, 0), (0.5, 0)]
)
def test_cusp_of_a_slope(slope_deg, cusp_mm):
    # One facet that rises at this angle from the horizontal, layers of 0.2 mm.
    t = np.radians(slope_deg)
    vertices = np.array([[0, 0, 0], [0, 10, 0], [10 * np.cos(t), 0, 10 * np.sin(t)]])
    faces = np.array([[0, 2, 1]])
    found = pose_measures(vertices, faces, DOWN, overhang_deg=45.0, layer_height_mm=0.2)
    assert found.cusp_mm[0] == pytest.approx(cusp_mm, abs=5e-5)


def test_mean_cusp_of_a_sphere_is_half_a_layer():
    sphere = trimesh.creation.icosphere(subdivisions=5, radius=10)
    found = pose_measures(*arrays(sphere), DOWN, overhang_deg=45.0, layer_height_mm=0.2)
    assert found.cusp_mm[0] == pytest.approx(0.1, rel=2e-3)


# --- standing --------------------------------------------------------------------------------


def test_tip_angle_and_width_of_boxes_and_a_cylinder():
    box = block(30, 20, 60)
    tip_deg, width_mm = footings(*arrays(box), np.eye(3)[None], 0.2)
    assert (tip_deg[0], width_mm[0]) == pytest.approx((np.degrees(np.arctan2(10, 30)), 20))
    other, rotation = turned(box, 2)
    tip_deg, width_mm = footings(*arrays(other), rotation.T[None], 0.2)
    assert (tip_deg[0], width_mm[0]) == pytest.approx((np.degrees(np.arctan2(10, 30)), 20))
    # A lying cylinder stands on the strip that half a layer cuts from it.
    cylinder = trimesh.creation.cylinder(radius=10, height=40, sections=2000)
    _, width_mm = footings(*arrays(cylinder), np.array([[[0, 1, 0], [0, 0, 1], [1, 0, 0.0]]]), 0.2)
    assert width_mm[0] == pytest.approx(2 * np.sqrt(10**2 - 9.9**2), rel=1e-3)


def test_a_narrow_foot_under_a_wide_top_counts_as_narrow():
    # The hull of a mushroom is wide just above the plate; what lies there is not.
    mushroom = joined(block(4, 4, 5, (-2, -2, 0)), block(60, 60, 4, (-30, -30, 5)))
    _, width_mm = footings(*arrays(mushroom), np.eye(3)[None], 0.2)
    assert width_mm[0] == pytest.approx(4)


def test_mass_centre_beside_the_foot_tips_at_once():
    leaning = joined(block(10, 10, 10), block(60, 10, 10, (0, 0, 10)))
    assert footings(*arrays(leaning), np.eye(3)[None], 0.2)[0][0] == 0


# --- directions and time ---------------------------------------------------------------------


def test_directions_cover_the_sphere_evenly():
    found = sphere_directions(400)
    assert len(found) == 426
    assert np.linalg.norm(found, axis=1) == pytest.approx(1)
    assert len(np.unique(np.round(found[:26], 6), axis=0)) == 26
    # A sphere's cap beyond 45 degrees below holds (1 - cos 45) / 2 = 0.146447 of it.
    spread = found[26:]
    assert (spread[:, 2] < -np.cos(np.radians(45))).mean() == pytest.approx(0.146447, abs=0.005)
    assert spread.mean(axis=0) == pytest.approx(0, abs=0.005)


def test_rough_time_is_its_formula():
    # A cube of 10 mm: 600 mm2 of surface, 480 mm3 of it solid 0.8 mm deep, the rest of 520 filled to a quarter.
    found = rough_time_s(
        *arrays(block(10, 10, 10)), np.array([50, 100]), np.array([0.0, 800.0]),
        core_fill=0.25, shell_mm=0.8, support_fill=0.1, layer_time_s=3.0, flow_mm3_s=10.0,
    )  # fmt: skip
    assert found == pytest.approx([50 * 3 + (480 + 130) / 10, 100 * 3 + (480 + 130 + 80) / 10])


# --- ranking ---------------------------------------------------------------------------------


def test_box_has_six_poses_of_three_kinds_and_lies_flat():
    found = ranked(block(60, 40, 15), setup=SETUP)
    assert found.resting.sum() == 6
    assert found.possible.sum() == 6
    assert [len(kind) for kind in found.kinds] == [2, 2, 2]
    assert found.best == 0
    assert found.height_mm[[kind[0] for kind in found.kinds]] == pytest.approx([15, 40, 60])
    assert (found.terms >= 0).all()
    assert (found.terms <= 1).all()
    assert found.weights.sum() == pytest.approx(1)
    assert np.linalg.det(found.rotations) == pytest.approx(1)


@pytest.mark.parametrize("seed", range(3))
def test_t_and_inverted_u_lie_on_their_flat_sides_whichever_way_they_are_sent(seed):
    for mesh in (T, INVERTED_U):
        other, rotation = turned(mesh, seed)
        found = ranked(other)
        down = rotation.T @ down_of(found, found.best)
        assert abs(down[1]) == pytest.approx(1, abs=1e-6)
        assert found.overhang_mm2[found.best] == pytest.approx(0, abs=1e-3)
        assert found.height_mm[found.best] == pytest.approx(10)
        assert not found.possible[0] or found.scores[0] > found.scores[found.best]


def test_current_pose_is_kept_to_the_letter_and_found_among_the_others():
    quarter = ((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    found = ranked(block(60, 40, 15), quarter)
    assert found.matrix(0) == quarter
    assert found.resting[0]
    assert found.resting.sum() == 6
    ups = found.rotations[:, 2]
    nearest = (ups @ ups.T - 2 * np.eye(len(ups))).max(axis=1)
    assert nearest.max() < np.cos(np.radians(0.99))


def test_a_pose_that_fails_a_bound_never_wins():
    # Standing, a rod of 8 x 8 x 90 mm has least overhang of all, but it is too slender and tips.
    flap = joined(block(8, 8, 90), block(30, 8, 3, (0, 0, 0)))
    found = ranked(flap, IDENTITY)
    assert found.failed[0].any()
    assert found.possible[found.best]
    assert abs(down_of(found, found.best)[2]) < 0.5
    order = found.possible[found.order]
    assert (np.diff(order.astype(int)) <= 0).all()


@pytest.mark.parametrize(("length_mm", "fits"), [(229, True), (231, False)])
def test_plate_bounds_rule_poses_out(length_mm, fits):
    # 240 mm square; nothing less than 0 mm at the edge, and the diagonal is open to a slender bar only.
    plate = block(length_mm + 10, length_mm + 10, 12)
    found = ranked(plate)
    assert found.possible[0] == fits
    if not fits:
        assert not found.possible.any()
        assert chosen_pose(*arrays(plate), SETUP, load_limits())[1].startswith("chosen by us: the least bad")
        assert found.failed[0].tolist() == [band == "plate" for band in BANDS]


@pytest.mark.parametrize(("length_mm", "doubt"), [(229.9, False), (230.1, True), (260, True)])
def test_a_bar_that_fits_out_of_square_only_is_in_doubt(length_mm, doubt):
    # 240 mm less 5 mm at both ends.
    found = ranked(block(length_mm, 25, 20))
    assert found.possible[0]
    assert found.marginal[0, BANDS.index("plate")] == doubt


@pytest.mark.parametrize("seed", range(3))
def test_of_two_ends_without_overhang_the_broad_one_is_down(seed):
    frustum = trimesh.creation.cylinder(radius=10, height=12, sections=48)
    frustum.vertices[frustum.vertices[:, 2] > 0] *= (0.8, 0.8, 1)
    other, rotation = turned(frustum, seed)
    found = ranked(other)
    assert rotation.T @ down_of(found, found.best) == pytest.approx((0, 0, -1), abs=1e-6)
    contact = TERMS.index("contact")
    assert found.terms[found.best, contact] == 0
    assert found.terms[found.contact_mm2 < 1, contact] == pytest.approx(1, abs=0.01)


def leaf_part():
    """Two blocks joined by a leaf of 1 mm: 60 mm long along x, 10 mm wide along z."""
    return joined(block(20, 30, 10), block(20, 30, 10, (80, 0, 0)), block(62, 1, 10, (19, 14.5, 0)))


LEAF = Region("leaf", "p", RegionKind.FLEXURE, Box((20.0, 13.0, 0.0), (80.0, 17.0, 10.0)))


def test_flexures_rule_out_poses_that_pull_them_across_the_layers():
    without, marked = ranked(leaf_part()), ranked(leaf_part(), regions=[LEAF])
    ends = np.abs(marked.rotations[:, 2, 0]) > 0.99
    assert ends.sum() == 2
    assert not without.load_deg.any()
    assert marked.load_deg[ends] == pytest.approx(90, abs=0.1)
    assert marked.failed[ends, BANDS.index("flexure load")].all()
    assert marked.best == 0
    assert marked.load_deg[0] == pytest.approx(0, abs=0.1)
    # On a long side the leaf lies flat: its thickness is then a number of layers.
    side = np.argmax(marked.rotations[:, 2, 1])
    assert marked.bend_deg[side] == pytest.approx(90, abs=0.1)
    assert marked.marginal[side, BANDS.index("flexure bend")]
    assert not marked.failed[side, BANDS.index("flexure load")]


# --- the pose that a review takes ------------------------------------------------------------


def test_chosen_pose_says_why():
    pose, note = chosen_pose(*arrays(block(60, 40, 15)), SETUP, load_limits())
    assert pose == IDENTITY
    assert "best of 6 possible ways to lie" in note
    assert note.endswith("which is the pose as sent")
    pose, note = chosen_pose(*arrays(INVERTED_U), SETUP, load_limits())
    assert abs(pose[2][1]) == pytest.approx(1)
    assert "as sent" not in note


def test_a_ball_stays_as_sent_and_says_so():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=15)
    assert chosen_pose(*arrays(ball), SETUP, load_limits()) == (IDENTITY, "as sent: it rests on no face")


def test_far_from_the_origin_and_in_any_order_the_same_pose():
    first = ranked(T)
    moved = T.copy().apply_translation((4000, -2500, 900))
    moved.faces = moved.faces[np.random.default_rng(2).permutation(len(moved.faces))]
    second = ranked(moved)
    assert second.best == first.best
    assert np.sort(second.scores) == pytest.approx(np.sort(first.scores), abs=0.005)
    assert second.support_mm3[:6] == pytest.approx(first.support_mm3[:6], rel=5e-3, abs=1e-3)


def test_sheets_without_volume_do_not_stop_it():
    sheet = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]], [[0, 1, 2], [0, 2, 3]], process=False)
    pose, _ = chosen_pose(*arrays(sheet), SETUP, load_limits())
    assert abs(pose[2][2]) == 1
