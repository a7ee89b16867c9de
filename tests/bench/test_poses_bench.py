"""Overhang of many directions and the whole ranking of poses, against a reference library turned each way.

Run with ``pytest tests/bench --benchmark-only``.
"""

import numpy as np
import pytest
import trimesh

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.pose import pose_measures
from reviewkit.measure.poses import chosen_pose, sphere_directions
from reviewkit.model import Setup

DOWNS = sphere_directions(60)


@pytest.fixture(scope="module")
def torus() -> trimesh.Trimesh:
    """200k facets, no two of them alike."""
    mesh = trimesh.creation.torus(40, 12, major_sections=400, minor_sections=250)
    mesh.vertices *= (1.0, 1.3, 0.8)
    return mesh


def ours(mesh: trimesh.Trimesh):
    found = pose_measures(
        np.asarray(mesh.vertices), np.asarray(mesh.faces), DOWNS, overhang_deg=45.0, layer_height_mm=0.2
    )
    return found.height_mm, found.overhang_mm2


def reference(mesh: trimesh.Trimesh):
    heights, overhangs = [], []
    for down in DOWNS:
        posed = mesh.copy()
        posed.apply_transform(trimesh.geometry.align_vectors(down, (0, 0, -1)))
        posed.apply_translation((0, 0, -posed.bounds[0, 2]))
        hanging = posed.face_normals[:, 2] < -np.sin(np.radians(45.01))
        hanging &= posed.triangles_center[:, 2] >= 0.1
        heights.append(posed.extents[2])
        overhangs.append(posed.area_faces[hanging].sum())
    return np.array(heights), np.array(overhangs)


@pytest.mark.benchmark(group="overhang and height of 86 directions")
@pytest.mark.parametrize("method", [ours, reference], ids=["all at once", "trimesh turned"])
def test_many_directions(benchmark, torus, method):
    heights, overhangs = benchmark.pedantic(method, args=(torus,), rounds=1, warmup_rounds=1)
    others = (reference if method is ours else ours)(torus)
    assert heights == pytest.approx(others[0], rel=1e-6)
    assert overhangs == pytest.approx(others[1], rel=1e-3)


@pytest.mark.benchmark(group="pose chosen, all measures and the ranking")
def test_chosen_pose(benchmark, torus):
    setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
    arguments = (np.asarray(torus.vertices), np.asarray(torus.faces), setup, load_limits())
    pose, _ = benchmark.pedantic(chosen_pose, args=arguments, rounds=2, warmup_rounds=1)
    assert abs(pose[2][2]) == pytest.approx(1, abs=1e-3)
