"""Resting poses against closed forms and against trimesh's own stable poses.

Overhang shares (derived): sphere beyond 45 degrees (1 - cos 45) / 2 = 0.146447 of its area; lying cylinder 25 % of
its lateral area; vertical prism none; cone tip down with a half-angle of 30 degrees none, of 50 all its side.
"""

import time

import numpy as np
import pytest
import trimesh

from reviewkit.measure.pose import best_pose, drop, mass_centre, pose_candidates, pose_measures
from reviewkit.model import IDENTITY

RULES = {"overhang_deg": 45.0, "layer_height_mm": 0.2, "least_share": 0.01}
DOWN = np.array([[0.0, 0.0, -1.0]])


def candidates(mesh, **rules):
    return pose_candidates(np.asarray(mesh.vertices), np.asarray(mesh.faces), **{**RULES, **rules})


def measured(mesh, downs=DOWN, overhang_deg=45.0, layer_height_mm=1e-6):
    return pose_measures(
        np.asarray(mesh.vertices),
        np.asarray(mesh.faces),
        downs,
        overhang_deg=overhang_deg,
        layer_height_mm=layer_height_mm,
    )


def downs_of(found):
    return np.array([np.array(c.rotation).T @ DOWN[0] for c in found])


def turned(mesh, seed=3):
    other = mesh.copy()
    other.apply_transform(trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3)))
    return other


@pytest.fixture(scope="module")
def sphere():
    return trimesh.creation.icosphere(subdivisions=6, radius=10)


def test_sphere_overhang(sphere):
    found = measured(sphere).overhang_mm2[0]
    assert found / sphere.area == pytest.approx(0.146447, abs=5e-4)
    assert found == pytest.approx(184.030, rel=3e-3)
    # Of every direction, as a sphere has none.
    downs = np.random.default_rng(1).normal(size=(20, 3))
    downs /= np.linalg.norm(downs, axis=1)[:, None]
    assert measured(sphere, downs).overhang_mm2 == pytest.approx(184.030, rel=6e-3)


def test_sphere_contact_is_a_cap(sphere):
    # Facets within half a layer are on the plate, not overhanging: a cap of 2 pi R h.
    cap_mm2 = 2 * np.pi * 10 * 0.5
    found = measured(sphere, layer_height_mm=1.0)
    assert found.contact_mm2[0] == pytest.approx(cap_mm2, rel=0.05)
    assert found.overhang_mm2[0] == pytest.approx(184.030 - cap_mm2, rel=0.02)
    assert found.height_mm[0] == pytest.approx(20)
    assert found.centre_height_mm[0] == pytest.approx(10)


def test_lying_cylinder_overhangs_a_quarter_and_a_standing_one_nothing():
    cylinder = trimesh.creation.cylinder(radius=5, height=40, sections=720)
    found = measured(cylinder, np.array([[1.0, 0.0, 0.0]])).overhang_mm2[0]
    assert found / (2 * np.pi * 5 * 40) == pytest.approx(0.25, abs=2e-3)
    assert measured(cylinder, layer_height_mm=0.2).overhang_mm2[0] == 0


@pytest.mark.parametrize(("half_angle_deg", "share"), [(30, 0.0), (50, 1.0)])
def test_cone_tip_down(half_angle_deg, share):
    height = 20.0
    radius = height * np.tan(np.radians(half_angle_deg))
    cone = trimesh.creation.cone(radius=radius, height=height, sections=360)
    side_mm2 = np.pi * radius * np.hypot(radius, height)
    # Its tip is up as made; down is +z then.
    found = measured(cone, -DOWN).overhang_mm2[0]
    assert found / side_mm2 == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize("seed", range(6))
def test_a_chamfer_at_the_overhang_angle_is_not_beyond_it(seed):
    # A trapezium whose sides lean out by exactly 45 degrees, written in single precision as a file would.
    profile = trimesh.path.polygons.Polygon([(-10, 0), (10, 0), (20, 10), (-20, 10)])
    prism = trimesh.creation.extrude_polygon(profile, 30)
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3))
    prism.apply_transform(turn)
    prism.vertices = prism.vertices.astype(np.float32)
    down = turn[:3, :3] @ [[0.0], [-1.0], [0.0]]
    assert measured(prism, down.T, layer_height_mm=0.2).overhang_mm2[0] == 0
    steeper = measured(prism, down.T, overhang_deg=44.0, layer_height_mm=0.2)
    assert steeper.overhang_mm2[0] == pytest.approx(2 * 30 * 10 * 2**0.5, rel=1e-5)


def test_box_rests_on_six_faces():
    box = trimesh.creation.box((30, 20, 10))
    found = candidates(box)
    assert len(found) == 6
    assert all(c.stable for c in found)
    assert sorted(c.height_mm for c in found) == pytest.approx([10, 10, 20, 20, 30, 30])
    for c in found:
        # Contact times height is the volume of a box; the longer side lies along x.
        assert c.contact_mm2 * c.height_mm == pytest.approx(6000)
        assert c.overhang_mm2 == 0
        assert c.centre_height_mm == pytest.approx(c.height_mm / 2)
        assert c.size_mm[0] >= c.size_mm[1]
        assert c.tip_deg == pytest.approx(np.degrees(np.arctan2(c.size_mm[1], c.height_mm)))
        assert np.linalg.det(c.rotation) == pytest.approx(1)
    assert found[0].rotation == IDENTITY
    assert best_pose(found, 0.02).rotation == IDENTITY


def test_pose_of_a_turned_box_is_found_again():
    best = best_pose(candidates(turned(trimesh.creation.box((30, 20, 10)))), 0.02)
    assert best.height_mm == pytest.approx(10)
    assert best.size_mm == pytest.approx((30, 20))


def test_tetrahedron_rests_on_four_faces():
    tetrahedron = trimesh.Trimesh([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]).convex_hull
    found = candidates(tetrahedron)
    assert len(found) == 4
    assert [c.height_mm for c in found] == pytest.approx([4 / 3**0.5] * 4)
    assert [c.centre_height_mm for c in found] == pytest.approx([1 / 3**0.5] * 4)


def test_thin_plate_rests_on_its_sides():
    found = candidates(trimesh.creation.box((100, 80, 2)))
    # Its edges of 80 mm by 2 mm are less than 1 % of its hull.
    assert sorted(round(c.height_mm) for c in found) == [2, 2, 80, 80]
    assert len(candidates(trimesh.creation.box((100, 80, 2)), least_share=1e-3)) == 6


def test_leaning_prism_does_not_stand():
    # Sheared so far that the mass centre is beside the base: it stands on neither end.
    leaning = trimesh.creation.box((10, 10, 60))
    leaning.vertices[:, 0] += 0.5 * leaning.vertices[:, 2]
    downs = downs_of(candidates(leaning))
    assert len(downs)
    assert np.abs(downs[:, 2]).max() < 0.99
    upright = trimesh.creation.box((10, 10, 60))
    upright.vertices[:, 0] += 0.1 * upright.vertices[:, 2]
    assert np.abs(downs_of(candidates(upright))[:, 2]).max() == pytest.approx(1)


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_the_reference_library(seed):
    # trimesh 5 lists poses by their chance to come to rest; each of ours must be one of them and
    # each of its that rests on 2 % of the hull one of ours.
    hull = trimesh.Trimesh(np.random.default_rng(seed).normal(size=(14, 3)) * (20, 14, 9)).convex_hull
    ours = downs_of(candidates(hull))
    transforms, _ = trimesh.poses.compute_stable_poses(hull, n_samples=1)
    theirs = np.array([t[:3, :3].T @ DOWN[0] for t in transforms])
    assert (theirs @ ours.T).max(axis=0).min() > 1 - 1e-6
    areas = np.array([hull.area_faces[hull.face_normals @ down > 1 - 1e-9].sum() for down in theirs])
    broad = theirs[areas > 0.02 * hull.area]
    assert len(broad)
    assert (broad @ ours.T).max(axis=1).min() > 1 - 1e-6


def test_rotations_are_proper_and_put_the_face_down():
    hull = trimesh.Trimesh(np.random.default_rng(9).normal(size=(20, 3)) * 20).convex_hull
    for c in candidates(hull):
        rotation = np.array(c.rotation)
        assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1)
        placed, _ = drop(np.asarray(hull.vertices), rotation)
        assert (placed[:, 2] < 1e-9).sum() >= 3
        assert placed[:, 2].max() == pytest.approx(c.height_mm)
        assert np.ptp(placed[:, :2], axis=0) == pytest.approx(c.size_mm)


def test_a_ball_keeps_the_pose_as_sent(sphere):
    (only,) = candidates(sphere)
    assert only.rotation == IDENTITY
    assert not only.stable
    assert only.tip_deg == 0


def test_best_pose_by_overhang_then_height_then_contact():
    # A table upside down has no overhang; on its legs the whole top hangs over.
    top = trimesh.creation.box((60, 40, 4), transform=trimesh.transformations.translation_matrix((0, 0, 22)))
    leg = trimesh.creation.box((6, 6, 20), transform=trimesh.transformations.translation_matrix((0, 0, 10)))
    legs = [leg.copy().apply_translation((x, y, 0)) for x in (-27, 27) for y in (-17, 17)]
    table = trimesh.boolean.union([top, *legs])
    best = best_pose(candidates(table), 0.02)
    assert best.rotation[2] == pytest.approx((0, 0, -1))
    assert best.overhang_mm2 == 0
    upright = next(c for c in candidates(table) if c.rotation == IDENTITY)
    assert upright.overhang_mm2 == pytest.approx(60 * 40 - 4 * 36, rel=1e-6)
    # A frustum has no overhang on its base; both ends tie in height where it is nearly straight.
    frustum = trimesh.creation.cylinder(radius=10, height=20, sections=48)
    frustum.vertices[frustum.vertices[:, 2] > 0] *= (0.9, 0.9, 1)
    best = best_pose(candidates(turned(frustum)), 0.02)
    assert best.contact_mm2 == pytest.approx(48 / 2 * np.sin(2 * np.pi / 48) * 100)


def test_order_of_facets_changes_nothing():
    mesh = turned(trimesh.creation.box((30, 20, 10)))
    order = np.random.default_rng(2).permutation(len(mesh.faces))
    other = trimesh.Trimesh(mesh.vertices, mesh.faces[order], process=False)
    assert candidates(mesh) == candidates(mesh)
    assert best_pose(candidates(other), 0.02) == best_pose(candidates(mesh), 0.02)


def test_mass_centre_of_closed_and_open_meshes():
    cone = trimesh.creation.cone(radius=10, height=20, sections=256)
    cone.apply_translation((300, -40, 7))
    # A cone's mass centre is a quarter of its height above the base.
    expected = (300, -40, 7 + 5)
    assert mass_centre(np.asarray(cone.vertices), np.asarray(cone.faces)) == pytest.approx(expected, abs=1e-6)
    side = cone.faces[np.abs(cone.face_normals[:, 2]) < 0.9]
    assert mass_centre(np.asarray(cone.vertices), np.asarray(side)) == pytest.approx(expected, abs=1e-6)
    # An angle of two legs, 40 x 10 and 10 x 30: not where its hull's centre is, wound either way.
    angle = trimesh.creation.extrude_polygon(
        trimesh.path.polygons.Polygon([(0, 0), (40, 0), (40, 10), (10, 10), (10, 40), (0, 40)]), 8
    )
    expected = ((400 * 20 + 300 * 5) / 700, (400 * 5 + 300 * 25) / 700, 4)
    for faces in (np.asarray(angle.faces), np.asarray(angle.faces)[:, ::-1]):
        assert mass_centre(np.asarray(angle.vertices), faces) == pytest.approx(expected)


def test_flat_sheet_and_real_open_mesh(shared_parts):
    sheet = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]], [[0, 1, 2], [0, 2, 3]], process=False)
    (only,) = candidates(sheet)
    assert not only.stable
    tube = trimesh.load(shared_parts / "tube.obj", force="mesh")
    best = best_pose(candidates(tube), 0.02)
    assert best.stable
    assert best.height_mm == pytest.approx(11.84375, abs=1e-3)


def test_drop_maps_back():
    points = np.random.default_rng(5).normal(size=(30, 3)) * 40
    rotation = trimesh.transformations.random_rotation_matrix(np.random.default_rng(6).random(3))[:3, :3]
    placed, offset = drop(points, rotation)
    assert placed[:, 2].min() == 0
    assert (placed - offset) @ rotation == pytest.approx(points)
    assert offset[:2] == pytest.approx((0, 0))


def test_five_hundred_directions_in_no_time():
    mesh = trimesh.creation.icosphere(subdivisions=7, radius=50)
    downs = np.random.default_rng(8).normal(size=(500, 3))
    downs /= np.linalg.norm(downs, axis=1)[:, None]
    start = time.process_time()
    found = measured(mesh, downs, layer_height_mm=0.2)
    # 330k facets, 500 directions; 0.4 s when the machine is free, and room for one that is not.
    assert time.process_time() - start < 2.5
    assert found.overhang_mm2.shape == (500,)
    assert found.overhang_mm2 == pytest.approx(0.146447 * mesh.area - 2 * np.pi * 50 * 0.1, rel=5e-3)
