"""Finger access on parts whose answer follows from their sizes, with the published probes written out again here.

Probe sizes: toy probes A and B of 16 CFR 1500.48/.49, ISO 8124-1 and EN 71-1 (joints, collar lengths and probe B in
part from memory), IEC 61032 test probe B; as collected in the project's safety reference 1.4 to 1.6, whose worked
cases stand here with their expected answers.
"""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.access import Probe, Reach, grouped, nips, reaches, scene, spread, windows
from reviewkit.measure.motion import carried
from reviewkit.measure.voxels import solid_grid
from reviewkit.submission import Box, Motion, MotionKind, Region, RegionKind

A = Probe("A", 5.6, 25.9, 25.4, (14.7, 29.4), 44.0, 2.25, 187.0)
B = Probe("B", 8.6, 38.4, 38.1, (19.3, 38.6), 57.9, 2.25, 228.6)
IEC = Probe("IEC", 12.0, 50.0, 20.0, (30.0, 60.0), 80.0, tip_mm=4.0, tip_length_mm=12.0)
TURNS = Rotation.random(11, random_state=7).as_matrix()


def bar(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=np.array([low, high], float))


def rod(diameter, top, bottom) -> trimesh.Trimesh:
    """An upright cylinder, a fine polygon around the circle."""
    rod = trimesh.creation.cylinder(diameter / 2 / np.cos(np.pi / 96), height=top - bottom, sections=96)
    return rod.apply_translation((0, 0, (top + bottom) / 2))


def cut(block: trimesh.Trimesh, *tools: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.difference([block, *tools])


def guarded(opening: trimesh.Trimesh, depth: float, plate: float = 3.0, side: float = 24.0) -> trimesh.Trimesh:
    """A closed box whose lid, its top at z = 0, has one opening; the floor lies `depth` below that top."""
    half = side / 2
    outer = bar((-half - 3, -half - 3, -depth - 3), (half + 3, half + 3, 0))
    return cut(outer, bar((-half, -half, -depth), (half, half, -plate)), opening)


def tried(mesh: trimesh.Trimesh, probe: Probe, hazard, pitch: float = 0.5, turn=None) -> list[Reach]:
    """Reaches to the facets whose middles `hazard` picks."""
    faces = np.array(mesh.faces, dtype=np.int64)
    chosen = np.flatnonzero([hazard(middle) for middle in mesh.triangles_center])
    assert len(chosen)
    vertices = np.array(mesh.vertices)
    if turn is not None:
        vertices = vertices @ turn.T
    place = scene(vertices, faces, pitch, probe.radius_mm + 2)
    spots = spread(vertices, faces, chosen, 1.5)
    groups = grouped(spots.at(vertices, faces), probe.diameter_mm)
    return reaches(place, spots, groups, probe, tolerance_mm=0.3, most_groups=2, facing=0.5)


def floor_at(depth: float):
    return lambda p: abs(p[2] + depth) < 1e-3 and max(abs(p[0]), abs(p[1])) < 40


# --- the worked cases of the reference, flat plate 3 thick ------------------------------------


def test_a_hole_narrower_than_the_probe_lets_nothing_in():
    assert tried(guarded(rod(5.0, 1, -4), 10.0), A, floor_at(10.0), 0.35) == []


@pytest.mark.parametrize("turn", [None, *TURNS[:3]])
def test_a_hole_of_6_lets_probe_a_in(turn):
    (found,) = tried(guarded(rod(6.0, 1, -4), 10.0), A, floor_at(10.0), 0.35, turn)
    assert found.depth_mm == pytest.approx(10.0, abs=0.7)
    assert found.chain_mm is not None
    assert found.opening.shape == "round"
    assert found.opening.size_mm == pytest.approx(6.0, abs=0.05)


def test_a_hole_of_6_keeps_probe_b_out():
    assert tried(guarded(rod(6.0, 1, -4), 10.0), B, floor_at(10.0)) == []


@pytest.mark.parametrize(("depth", "reached"), [(60.0, False), (55.0, True)])
def test_behind_a_slot_of_9_the_collar_stops_probe_b(depth, reached):
    """Tip to collar is 57.9 mm."""
    slot = bar((-15, -4.5, -4), (15, 4.5, 1))
    found = tried(guarded(slot, depth, side=32.0), B, floor_at(depth), 0.7)
    assert bool(found) == reached
    for reach in found:
        assert (reach.opening.shape, reach.chain_mm is not None) == ("slot", True)
        assert reach.opening.size_mm == pytest.approx(9.0, abs=0.05)
        assert reach.depth_mm == pytest.approx(depth, abs=1.4)


@pytest.mark.parametrize(
    ("diameter", "depth", "expected"),
    [(13.0, 60.0, "finger"), (13.0, 85.0, "none"), (3.5, 10.0, "none"), (8.0, 5.0, "tip")],
)
def test_jointed_test_finger(diameter, depth, expected):
    found = tried(guarded(rod(diameter, 1, -4), depth), IEC, floor_at(depth), 0.5 if depth < 20 else 0.9)
    told = ["tip" if reach.tip_only else "finger" for reach in found] or ["none"]
    assert told == [expected]
    if expected == "finger":
        assert found[0].chain_mm is not None


@pytest.mark.parametrize(("depth", "touched"), [(1.2, True), (2.6, False)])
def test_a_tip_dips_into_a_hole_that_is_too_narrow(depth, touched):
    """Probe A on a hole of 5.0 dips 2.8 - sqrt(2.8^2 - 2.5^2) = 1.54 mm."""
    pit = cut(bar((-15, -15, -8), (15, 15, 0)), rod(5.0, 1, -depth))
    found = tried(pit, A, lambda p: abs(p[2] + depth) < 1e-3 and np.hypot(p[0], p[1]) < 2.6, 0.35)
    assert bool(found) == touched


# --- depth ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("depth", "reached"), [(42.6, True), (45.4, False)])
def test_a_tube_just_shorter_and_just_longer_than_the_probe(depth, reached):
    """Probe A reaches 44.0 mm."""
    tube = cut(bar((-16, -16, -depth - 3), (16, 16, 0)), rod(9.0, 1, -depth))
    found = tried(tube, A, lambda p: abs(p[2] + depth) < 1e-3 and np.hypot(p[0], p[1]) < 4.6)
    assert bool(found) == reached
    if reached:
        assert found[0].depth_mm == pytest.approx(depth, abs=1.0)
        assert found[0].chain_mm is not None


@pytest.mark.parametrize(("depth", "reached"), [(58.0, True), (76.0, False)])
def test_an_opening_wider_than_the_collar_bounds_the_arm(depth, reached):
    """A square pit of 30 mm: 2.25 x 30 = 67.5 mm."""
    pit = cut(bar((-18, -18, -depth - 3), (18, 18, 0)), bar((-15, -15, -depth), (15, 15, 1)))
    assert bool(tried(pit, A, floor_at(depth), 0.7)) == reached


# --- joints -----------------------------------------------------------------------------------


def bent(width: float, down: float, along: float) -> trimesh.Trimesh:
    """A square channel down and then along x, dead end at x = along."""
    half = width / 2
    block = bar((-14, -14, -down - half - 4), (along + 4, 14, 0))
    tools = (
        bar((-half, -half, -down - half), (half, half, 1)),
        bar((-half, -half, -down - half), (along, half, half - down)),
    )
    return cut(block, trimesh.boolean.union(tools))


# Down the middle line past the inner corner (8, -17), around it at the ball's radius of 4.3, then 2.7 mm to the face:
# 17 - 0 down, a quarter turn of radius 4.3 and on; least over where the end face may be touched.
BENT_DEPTH = 17.0 + np.pi / 2 * 4.3 + (15.0 - 8.0)


def straight(reach: Reach) -> bool:
    links = np.diff(reach.chain_mm, axis=0)
    links /= np.linalg.norm(links, axis=1, keepdims=True)
    return bool((links[0] @ links[2]) > np.cos(np.radians(20)))


@pytest.mark.parametrize("turn", [None, *TURNS])
def test_a_bent_channel_lets_a_jointed_probe_in(turn):
    mesh = bent(16.0, 25.0, 15.0)
    (found,) = tried(mesh, B, lambda p: abs(p[0] - 15.0) < 1e-3 and p[2] < -15, turn=turn)
    assert found.chain_mm is not None and not straight(found)
    links = np.diff(found.chain_mm, axis=0)
    assert np.linalg.norm(links, axis=1) == pytest.approx(B.links_mm, abs=1e-6)
    # In one plane, both bends the same way.
    first, second = np.cross(links[0], links[1]), np.cross(links[1], links[2])
    assert first @ second >= -1e-6
    assert abs(np.linalg.det(links / np.linalg.norm(links, axis=1, keepdims=True))) < 1e-6
    # A solid finger, thinner by half the tolerance, cuts nothing of the part: by the library's own solids.
    solid = trimesh.Trimesh(mesh.vertices if turn is None else mesh.vertices @ turn.T, mesh.faces)
    for start, end in zip(found.chain_mm[:-1], found.chain_mm[1:], strict=True):
        finger = trimesh.creation.cylinder(B.radius_mm - 0.2, segment=(start, end), sections=64)
        common = trimesh.boolean.intersection([solid, finger])
        assert common.is_empty or common.volume < 1e-6
    # Around the inner corner with the ball, then straight at the end face.
    assert found.depth_mm == pytest.approx(BENT_DEPTH, abs=2 * 0.5)


def test_a_double_bend_passes_the_ball_and_stops_the_joints():
    """Down 17, along 16, down 17: the bends go opposite ways and the links are stiff."""
    half = 5.0
    block = bar((-9, -9, -38), (25, 9, 0))
    tools = [
        bar((-half, -half, -22), (half, half, 1)),
        bar((-half, -half, -22), (16 + half, half, -12)),
        bar((16 - half, -half, -34), (16 + half, half, -12)),
    ]
    (found,) = tried(cut(block, trimesh.boolean.union(tools)), B, floor_at(34.0))
    assert found.chain_mm is None
    assert found.opening.size_mm == pytest.approx(10.0, abs=0.1)


def test_a_wide_way_is_found_when_the_near_one_is_too_narrow():
    """A hole of 5.2 right above the hazard and one of 7 aside: the cells let both pass, the sections only one."""
    holes = rod(5.2, 1, -4), rod(7.0, 1, -4).apply_translation((8.0, 0, 0))
    (found,) = tried(guarded(trimesh.util.concatenate(holes), 9.0), A, lambda p: abs(p[2] + 9) < 1e-3, 0.6)
    assert found.opening.size_mm == pytest.approx(7.0, abs=0.1)


def test_a_closed_box_keeps_everything_out():
    shut = cut(bar((-15, -15, -15), (15, 15, 0)), bar((-12, -12, -12), (12, 12, -3)))
    for probe in (A, B, IEC):
        assert tried(shut, probe, lambda p: abs(p[2] + 12) < 1e-3, 0.6) == []


# --- hazards, cells, windows ------------------------------------------------------------------


def test_faces_that_close_are_told_from_faces_that_slide():
    """A block 10 wide between two walls, 0.3 beside it, 8 before it, moved 6 ahead."""
    slider = bar((0, 0, 0), (20, 10, 10))
    walls = [bar((-5, 10.3, 0), (40, 14, 10)), bar((-5, -4, 0), (40, -0.3, 10)), bar((28, -0.3, 0), (34, 10.3, 10))]
    mesh = trimesh.util.concatenate([slider, *walls])
    regions = (Region("slider", "p", RegionKind.MOVING, Box((-0.1, -0.1, -0.1), (20.1, 10.1, 10.1))),)
    done = carried(
        mesh.vertices, mesh.faces, regions, Motion("slider", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 6.0))
    )
    found = nips(done, mesh.faces, done.strokes(5), band_mm=12.7, change_mm=1.0, spacing_mm=1.0)
    points = found.at(mesh.vertices, mesh.faces)
    assert len(points) and np.allclose(points[:, 0], 20.0)
    assert not len(nips(done, mesh.faces, done.strokes(5), band_mm=1.9, change_mm=1.0, spacing_mm=1.0))


def test_cells_of_a_ball_and_their_distances():
    ball = trimesh.creation.icosphere(4, radius=10.0)
    grid = solid_grid(np.array(ball.vertices), np.array(ball.faces), 0.5, 3.0)
    away = np.linalg.norm(grid.middles(np.argwhere(np.ones(grid.solid.shape, bool))), axis=1).reshape(grid.solid.shape)
    assert grid.solid[away < 9.9].all() and not grid.solid[away > 10.0].any()
    outside = away > 10.0
    assert np.abs(grid.distance_mm - (away - 10.0))[outside].max() <= 0.87 * 0.5


def test_see_through_windows():
    plate = cut(
        bar((-30, -20, 0), (30, 20, 4)),
        rod(10.0, 5, -1).apply_translation((-15, 0, 0)),
        bar((5, -6, -1), (25, 6, 5)),
        rod(8.0, 5, 2),
    )
    along_x, along_y, along_z = windows(solid_grid(np.array(plate.vertices), np.array(plate.faces), 0.5, 3.0), 2.0)
    assert not len(along_x.size_mm) and not len(along_y.size_mm)
    assert along_z.size_mm == pytest.approx([12.0, 10.0], abs=0.6)
    assert along_z.area_mm2 == pytest.approx([240.0, np.pi * 25], rel=0.1)
    assert along_z.middle_mm[1] == pytest.approx([-15.0, 0.0], abs=0.6)
