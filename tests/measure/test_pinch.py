"""Gaps that close against closed forms: plates, the ball in a wedge, a cylinder in a slot, rods in grooves."""

import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.motion import Carried
from reviewkit.measure.pinch import Clearances, clearances, covered, depths, followed, joined
from reviewkit.measure.rays import RayTree
from reviewkit.submission import Motion, MotionKind

TURNS = [Rotation.identity(), *(Rotation.random(rng=seed) for seed in range(1, 12))]
UPRIGHT = TURNS[0]


def box(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=np.array([low, high], dtype=float))


def cleared(moving, resting, motion: Motion, turn=UPRIGHT, pitch_mm=1.0, largest_mm=30.0) -> Clearances:
    """Clearances between two bodies, the first of which moves, all of it turned."""
    both = trimesh.util.concatenate([moving, resting])
    share = np.repeat([1.0, 0.0], [len(moving.vertices), len(resting.vertices)])
    turned = Motion(
        motion.region,
        motion.kind,
        tuple(turn.apply(motion.direction)),
        motion.stroke,
        tuple(turn.apply(motion.point_mm)),
    )
    faces = np.array(both.faces, dtype=np.int64)
    carried = Carried(turned, turn.apply(both.vertices), share, share[faces].all(axis=1), np.empty((0, 3)))
    return clearances(carried, faces, pitch_mm=pitch_mm, step_mm=2.0, largest_mm=largest_mm, slip_mm=2.0)


def slide(far_mm: float, direction=(1.0, 0.0, 0.0)) -> Motion:
    return Motion("slider", MotionKind.TRANSLATION, direction, (0.0, far_mm))


@pytest.mark.parametrize("turn", TURNS)
def test_two_plates_close_by_the_stroke(turn) -> None:
    wall, slider = box((10, -15, 0), (14, 15, 16)), box((-10, -10, 0), (0, 10, 16))
    clear = cleared(slider, wall, slide(8.0), turn)
    front = (turn.inv().apply(clear.normal[0])[:, 0] > 0.9) & np.isfinite(clear.ball.gap_mm[0])
    assert front.sum() * clear.area_mm2 == pytest.approx(20 * 16, rel=0.1)
    assert np.allclose(clear.stroke, np.linspace(0, 8, 5))
    assert np.allclose(clear.ball.gap_mm[:, front], 10 - clear.stroke[:, None], atol=0.02)
    assert np.allclose(clear.wall.gap_mm[:, front], 10 - clear.stroke[:, None], atol=0.002)
    assert np.allclose(clear.ball.opening_deg[:, front], 0, atol=1.0)
    assert np.allclose(clear.ball.slip_mm[:, front], 8)
    drawn = turn.inv().apply(clear.ball.drawn[2, front])
    assert np.allclose(drawn[:, 0], 10, atol=1e-4)


@pytest.mark.parametrize("angle_deg", [12.0, 30.0, 50.0])
@pytest.mark.parametrize("turn", TURNS[:4])
def test_ball_in_a_wedge(turn, angle_deg) -> None:
    """Touching a face at a distance s from the edge, the ball in a wedge is 2 s tan(angle / 2) across."""
    angle = np.radians(angle_deg)
    flat = box((0, -4, 0), (40, 0, 12))
    other = box((0, 0, 0), (40, 4, 12))
    other.apply_transform(trimesh.transformations.rotation_matrix(angle, (0, 0, 1)))
    clear = cleared(flat, other, slide(3.0, (0.0, 0.0, 1.0)), turn)
    place, normal = turn.inv().apply(clear.drawn), turn.inv().apply(clear.normal[0])
    inside = (normal[:, 1] > 0.9) & (place[:, 0] > 5) & (place[:, 0] < 25 * np.cos(angle / 2))
    wanted = 2 * place[inside, 0] * np.tan(angle / 2)
    assert inside.sum() > 100
    open_ = wanted >= 30.0
    found = clear.ball.gap_mm[0, inside]
    assert np.allclose(found[~open_], wanted[~open_], atol=0.03)
    assert np.isinf(found[open_]).all()
    assert np.allclose(clear.ball.opening_deg[0, inside][~open_], angle_deg, atol=1.0)


@pytest.mark.parametrize("turn", TURNS[:4])
def test_cylinder_in_a_slot(turn) -> None:
    """At an angle a from the nearest point the ball between a bar of radius R and a wall H from its axis is
    2 (H - R cos a) / (1 + cos a) across."""
    radius, half = 8.0, 12.0
    bar = trimesh.creation.cylinder(radius, 16.0, sections=720)
    walls = trimesh.util.concatenate(
        [box((-40, half, -8), (40, half + 3, 8)), box((-40, -half - 3, -8), (40, -half, 8))]
    )
    clear = cleared(bar, walls, slide(6.0), turn)
    normal = turn.inv().apply(clear.normal[0])
    angle = np.arccos(np.clip(np.abs(normal[:, 1]), 0, 1))
    side = (np.abs(normal[:, 2]) < 0.1) & (angle < np.radians(60))
    wanted = 2 * (half - radius * np.cos(angle)) / (1 + np.cos(angle))
    assert np.allclose(clear.ball.gap_mm[:, side], wanted[side], atol=0.06)
    assert np.allclose(clear.ball.opening_deg[0, side], np.degrees(angle[side]), atol=2.0)
    assert np.allclose(clear.ball.slip_mm[:, side], 6.0)


def test_a_turn_moves_its_samples_on_circles() -> None:
    lid, frame = box((0, 0.0, 0), (30, 3, 10)), box((0, -13, 0), (30, -10, 10))
    motion = Motion("lid", MotionKind.ROTATION, (0.0, 0.0, 1.0), (0.0, -15.0), (0.0, 0.0, 0.0))
    clear = cleared(lid, frame, motion)
    under = np.flatnonzero((clear.normal[0][:, 1] < -0.9) & (clear.drawn[:, 0] > 4) & (clear.drawn[:, 0] < 25))
    turned = np.radians(-clear.stroke[-1])
    assert np.allclose(clear.ball.gap_mm[0, under], 10, atol=0.03)
    # Distance of a point of the lid from the frame, across; then the ball between faces at that angle.
    apart = 10 - clear.drawn[under, 0] * np.sin(turned)
    assert np.allclose(clear.ball.gap_mm[-1, under], 2 * apart / (1 + np.cos(turned)), atol=0.05)
    assert clear.ball.slip_mm[0, under] == pytest.approx(2 * clear.drawn[under, 0] * np.sin(turned / 2), rel=0.01)


def test_without_a_stroke_what_moves_slips_and_what_rests_does_not() -> None:
    clear = cleared(box((-10, -10, 0), (0, 10, 16)), box((5, -15, 0), (9, 15, 16)), slide(0.0))
    near = np.isfinite(clear.ball.gap_mm[0]) & (clear.normal[0][:, 0] > 0.9)
    assert len(clear.stroke) == 1 and near.any()
    assert np.isinf(clear.ball.slip_mm[0, near]).all()
    assert np.allclose(clear.ball.gap_mm[0, near], 5, atol=0.02)


def test_large_gaps_are_open() -> None:
    clear = cleared(box((-10, -10, 0), (0, 10, 16)), box((31, -15, 0), (35, 15, 16)), slide(4.0))
    front = clear.normal[0][:, 0] > 0.9
    assert np.isinf(clear.ball.gap_mm[0, front]).all() and (clear.ball.face[0, front] == -1).all()
    assert np.allclose(clear.ball.gap_mm[-1, front], 27, atol=0.02)


def test_a_floor_stops_the_ball_and_not_the_ray() -> None:
    """Groove 8 mm wide and 3 mm deep: the ball at a height h above its floor is 2 h across."""
    floor = trimesh.util.concatenate([box((-20, -20, -4), (30, 20, 0)), box((8, -20, 0), (20, 20, 3))])
    clear = cleared(box((-10, -15, 0.01), (0, 15, 3)), floor, slide(5.0, (0.0, 1.0, 0.0)))
    side = (clear.normal[0][:, 0] > 0.9) & (clear.drawn[:, 2] > 0.2) & (clear.drawn[:, 2] < 2.9)
    assert np.allclose(clear.wall.gap_mm[0, side], 8, atol=0.002)
    assert np.allclose(clear.ball.gap_mm[0, side], 2 * clear.drawn[side, 2], atol=0.03)
    assert np.allclose(clear.ball.opening_deg[0, side], 90, atol=3)


def test_a_gap_is_followed_and_not_left_for_another() -> None:
    """A block that slides into a guide: beside it first a wall far away, then one near by."""
    guide = trimesh.util.concatenate([box((-40, 12, 0), (0, 15, 16)), box((0, 5.5, 0), (40, 15, 16))])
    clear = cleared(box((-30, -5, 0), (-3, 5, 16)), guide, slide(20.0))
    told = np.isfinite(clear.ball.gap_mm) & (clear.ball.opening_deg < 45)
    top = np.flatnonzero((clear.normal[0][:, 1] > 0.9) & (np.abs(clear.drawn[:, 0] + 12) < 1.0))
    curve = followed(clear, clear.ball, told, top, np.zeros(len(top), dtype=int))
    assert np.allclose(curve[0], 7, atol=0.02)
    # It meets the corner of the guide at a wide angle, then goes in: that is no closing of the first gap.
    assert np.nanmin(curve) == pytest.approx(7, abs=0.02)
    assert np.allclose(clear.ball.gap_mm[-1, top], 0.5, atol=0.02)
    assert np.isnan(curve[-1]).all()


def test_both_sides_of_a_gap_are_one_place_and_two_gaps_are_two() -> None:
    slider = box((-10, -10, 0), (10, 10, 16))
    walls = trimesh.util.concatenate([box((14, -15, 0), (18, 15, 16)), box((-18, -15, 0), (-14, 15, 16))])
    clear = cleared(slider, walls, slide(3.0, (0.0, 1.0, 0.0)))
    chosen = np.flatnonzero(np.isfinite(clear.ball.gap_mm[0]) & (clear.ball.opening_deg[0] < 20))
    places = joined(clear, chosen, clear.ball, np.zeros(len(chosen), dtype=int))
    assert [np.sign(clear.drawn[place, 0].mean()) for place in places[:2]] in ([1, -1], [-1, 1])
    assert len(places) == 2
    assert joined(clear, chosen[:0], clear.ball, chosen[:0]) == []


def test_slivers_between_samples_are_covered_too() -> None:
    fine = box((10, -15, 0), (14, 15, 16)).subdivide().subdivide().subdivide().subdivide()
    clear = cleared(box((-10, -10, 0), (0, 10, 16)), fine, slide(4.0), pitch_mm=2.0)
    vertices = np.vstack([box((-10, -10, 0), (0, 10, 16)).vertices, fine.vertices])
    front = np.flatnonzero((clear.normal[0][:, 0] > 0.9) & (np.abs(clear.drawn[:, 1]) < 9))
    facets = covered(clear, vertices, clear.ball.drawn[0, front], clear.ball.face[0, front])
    facing = (vertices[clear.faces][:, :, 0] == 10).all(axis=1)
    inner = facing & (np.abs(vertices[clear.faces][:, :, 1]) < 7).all(axis=1)
    assert set(np.flatnonzero(inner)) <= set(facets) <= set(np.flatnonzero(facing))
    assert len(set(clear.ball.face[0, front])) < len(facets)


# --- rods ----------------------------------------------------------------------------------


def groove(depth_mm: float, turn=UPRIGHT, lid=False) -> RayTree:
    """Two walls 8 mm apart along y, 60 mm long, over a floor; with a lid and ends nothing gets in."""
    parts = [box((-20, -30, 0), (0, 30, 30)), box((8, -30, 0), (28, 30, 30))]
    if depth_mm < 30:
        parts.append(box((-20, -30, -5), (28, 30, 30 - depth_mm)))
    if lid:
        parts += [
            box((-20, -30, 30), (28, 30, 33)),
            box((-20, -33, -5), (28, -30, 33)),
            box((-20, 30, -5), (28, 33, 33)),
        ]
    mesh = trimesh.util.concatenate(parts)
    return RayTree(turn.apply(mesh.vertices), np.array(mesh.faces, dtype=np.int64))


def depth(tree: RayTree, middle, turn=UPRIGHT, rod_mm=5.0) -> float:
    place, axis = turn.apply([middle]), turn.apply([(1.0, 0.0, 0.0)])
    return float(depths(tree, place, axis, np.array([8.0]), np.array([rod_mm]), 10.0)[0])


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("deep_mm", [3.5, 4.5, 6.0])
def test_depth_of_a_groove(turn, deep_mm) -> None:
    # Ways are 22.5 degrees apart: a groove seems deeper by 1 / cos of at most half of that.
    found = depth(groove(deep_mm, turn), (4.0, 2.0, 30 - 0.6), turn)
    assert deep_mm - 0.3 <= found <= deep_mm / np.cos(np.radians(12)) + 0.3


def test_a_gap_without_a_floor_has_no_depth_and_a_closed_one_no_way_in() -> None:
    assert np.isinf(depth(groove(30.0), (4.0, 0.0, 15.0)))
    assert np.isnan(depth(groove(20.0, lid=True), (4.0, 0.0, 20.0)))
    assert np.isnan(depth(groove(20.0), (4.0, 0.0, 29.0), rod_mm=9.0))


def test_a_window_lets_in_a_rod_that_fits() -> None:
    outer = trimesh.creation.extrude_polygon(
        shapely.box(-20, -30, 28, 30).difference(shapely.Point(4, 0).buffer(3.0, 64)), 3
    ).apply_translation((0, 0, 30))
    closed = [box((-20, -30, 0), (0, 30, 30)), box((8, -30, 0), (28, 30, 30)), box((-20, -30, -5), (28, 30, 10)),
              box((-20, -33, -5), (28, -30, 33)), box((-20, 30, -5), (28, 33, 33))]  # fmt: skip
    mesh = trimesh.util.concatenate([outer, *closed])
    tree = RayTree(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))
    assert depth(tree, (4.0, 0.0, 24.0), rod_mm=5.5) == pytest.approx(23.0, abs=0.3)
    assert np.isnan(depth(tree, (4.0, 0.0, 24.0), rod_mm=6.5))
