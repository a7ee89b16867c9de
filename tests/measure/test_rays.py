"""Rays on shapes whose distances have closed forms, and against a search through every facet."""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.rays import LIFT_MM, RayTree


def tree(mesh: trimesh.Trimesh) -> RayTree:
    return RayTree(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))


def rays(*pairs):
    origins, directions = (np.array(side, dtype=float) for side in zip(*pairs, strict=True))
    return origins, directions / np.linalg.norm(directions, axis=1, keepdims=True)


def test_a_box_from_outside_and_inside():
    box = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 10)])
    distance, face = tree(box).first_hit(
        *rays(
            ((15, 10, 60), (0, 0, -1)),
            ((15, 10, 5), (0, 0, 1)),
            ((-7, 5, 5), (1, 0, 0)),
            ((15, 10, 60), (0, 0, 1)),
            ((100, 10, 5), (0, 1, 0)),
        )
    )
    np.testing.assert_allclose(distance, [50, 5, 7, np.inf, np.inf], atol=1e-4)
    assert face.dtype == np.int64
    np.testing.assert_array_equal(face < 0, [False, False, False, True, True])
    np.testing.assert_allclose(box.face_normals[face[:3]], [[0, 0, 1], [0, 0, 1], [-1, 0, 0]], atol=1e-9)


def test_a_ray_from_a_facet_meets_the_facet_opposite():
    box = trimesh.creation.box(bounds=[(0, 0, 0), (200, 150, 0.4)])
    middles = box.triangles_center
    distance, face = tree(box).first_hit(middles, -box.face_normals)
    width_mm = np.abs(box.face_normals) @ (200, 150, 0.4)
    np.testing.assert_allclose(distance, width_mm, atol=1e-3)
    np.testing.assert_allclose(box.face_normals[face], -box.face_normals, atol=1e-9)


def test_the_lift_is_counted_and_can_be_set():
    box = trimesh.creation.box(bounds=[(0, 0, 0), (10, 10, 10)])
    origins, directions = rays(((5, 5, -0.5), (0, 0, 1)))
    near, _ = tree(box).first_hit(origins, directions)
    far, _ = tree(box).first_hit(origins, directions, lift_mm=1.0)
    assert near[0] == pytest.approx(0.5, abs=1e-5)
    assert far[0] == pytest.approx(10.5, abs=1e-5)
    assert 0 < LIFT_MM < 0.01


def test_a_ball_all_round():
    """From the middle of a ball every ray goes the radius, to within the facets' sagitta."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=25.0)
    generator = np.random.default_rng(1)
    directions = generator.normal(size=(500, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    distance, face = tree(ball).first_hit(np.zeros((500, 3)), directions)
    sagitta_mm = 25 - np.linalg.norm(ball.triangles_center, axis=1).min()
    assert (face >= 0).all()
    assert (distance <= 25 + 1e-4).all()
    assert (distance >= 25 - sagitta_mm - 1e-4).all()


def first_by_search(mesh, origins, directions):
    """Nearest hit of every ray among all facets, by the determinants of Moeller and Trumbore (1997)."""
    a, b, c = (mesh.triangles[None, :, corner] for corner in range(3))
    o, d = origins[:, None], directions[:, None]
    across = np.cross(d, c - a)
    scale = ((b - a) * across).sum(-1)
    u = ((o - a) * across).sum(-1) / scale
    along = np.cross(o - a, b - a)
    v = (d * along).sum(-1) / scale
    t = ((c - a) * along).sum(-1) / scale
    return np.where((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0), t, np.inf).min(axis=1)


def test_the_nearest_of_all_facets_is_hit():
    mesh = trimesh.util.concatenate(
        [
            trimesh.creation.torus(30, 8, major_sections=24, minor_sections=12),
            trimesh.creation.box((9, 9, 9)).apply_translation((1.3, -2.1, 0.7)),
        ]
    )
    generator = np.random.default_rng(2)
    origins = generator.uniform(-50, 50, (400, 3))
    directions = generator.uniform(-10, 10, (400, 3)) - origins
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    expected = first_by_search(mesh, origins, directions)
    distance, face = tree(mesh).first_hit(origins, directions)
    assert 100 < np.isfinite(expected).sum() < 400
    np.testing.assert_array_equal(face >= 0, np.isfinite(expected))
    hit = face >= 0
    np.testing.assert_allclose(distance[hit], expected[hit], rtol=1e-5, atol=1e-4)


def test_no_ray_slips_through_an_edge():
    """Aimed at the middle of every edge of a closed shape, each ray has to meet it; corners may leak a hair."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=25.0)
    edges = ball.vertices[ball.edges_unique].mean(axis=1)
    distance, face = tree(ball).first_hit(*rays(*[((0.0, 0.0, 0.0), aim) for aim in edges]))
    assert (face >= 0).all()
    np.testing.assert_allclose(distance, np.linalg.norm(edges, axis=1), atol=1e-3)
    _, face = tree(ball).first_hit(*rays(*[((0.0, 0.0, 0.0), aim) for aim in ball.vertices]))
    assert (face < 0).mean() < 0.01


def test_no_rays_are_no_hits():
    distance, face = tree(trimesh.creation.box((10, 10, 10))).first_hit(np.empty((0, 3)), np.empty((0, 3)))
    assert distance.shape == face.shape == (0,)
