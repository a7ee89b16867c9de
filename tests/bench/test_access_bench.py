"""Finger access at 0.5 mm on a part of 200 x 150 x 40 mm, and its field of distances against a library's.

Run with ``pytest tests/bench --benchmark-only``.  The field of distances is compared with a
library's: scipy's tree over the solid cells that trimesh's ``VoxelGrid`` gives; speed is told, never judged.
"""

import resource

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from reviewkit.measure.access import Probe, grouped, reaches, scene, spread
from reviewkit.measure.voxels import solid_grid

PROBES = (
    Probe("A", 5.6, 25.9, 25.4, (14.7, 29.4), 44.0, 2.25, 187.0),
    Probe("B", 8.6, 38.4, 38.1, (19.3, 38.6), 57.9, 2.25, 228.6),
    Probe("IEC", 12.0, 50.0, 20.0, (30.0, 60.0), 80.0, tip_mm=4.0, tip_length_mm=12.0),
)


@pytest.fixture(scope="module")
def part() -> trimesh.Trimesh:
    """A case with twelve chambers under holes of rising size, on each floor a hazard."""
    tools = []
    for number in range(12):
        x, y = -75 + 50 * (number % 4), -48 + 48 * (number // 4)
        tools.append(trimesh.creation.box(bounds=[(x - 18, y - 18, 4), (x + 18, y + 18, 36)]))
        hole = trimesh.creation.cylinder(2.0 + 0.5 * number, 12, sections=48)
        tools.append(hole.apply_translation((x, y, 38)))
    return trimesh.boolean.difference([trimesh.creation.box(bounds=[(-100, -75, 0), (100, 75, 40)]), *tools])


def three_probes(part: trimesh.Trimesh) -> list[int]:
    vertices, faces = np.array(part.vertices), np.array(part.faces)
    floors = np.flatnonzero(np.abs(part.triangles_center[:, 2] - 4.0) < 1e-3)
    spots = spread(vertices, faces, floors, 1.5)
    groups = grouped(spots.at(vertices, faces), 5.6)
    place = scene(vertices, faces, 0.5, 8.0)
    return [
        len({r.group for r in reaches(place, spots, groups, probe, tolerance_mm=0.3, most_groups=12, facing=0.5)})
        for probe in PROBES
    ]


@pytest.mark.benchmark(group="three probes, 200 x 150 x 40 mm, 0.5 mm")
def test_three_probes(benchmark, part):
    reached = benchmark.pedantic(three_probes, args=(part,), rounds=1)
    benchmark.extra_info["greatest memory of the process [MB]"] = (
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    )
    # Holes of 4 to 15 mm in steps of 1 mm: 5.6, 8.6 and, with the bevelled tip of 4 mm that reaches 12 mm, 12 mm.
    assert reached == [10, 7, 4]


def ours(part: trimesh.Trimesh, points):
    grid = solid_grid(np.array(part.vertices), np.array(part.faces), 1.0, 8.0)
    return grid.distance_mm[tuple(grid.cells(points).T)]


def reference(part: trimesh.Trimesh, points):
    grid = solid_grid(np.array(part.vertices), np.array(part.faces), 1.0, 8.0)
    filled = trimesh.voxel.VoxelGrid(grid.solid, trimesh.transformations.scale_and_translate(1.0, grid.origin_mm))
    far, _ = cKDTree(filled.points).query(grid.middles(grid.cells(points)))
    return np.maximum(far - 0.5, 0.0)


@pytest.mark.benchmark(group="distance to the surface at 200 000 points, 1 mm cells")
@pytest.mark.parametrize("method", [ours, reference], ids=["cells", "scipy tree on trimesh voxels"])
def test_field_of_distances(benchmark, part, method):
    points = np.random.default_rng(3).uniform((-104, -79, -4), (104, 79, 44), size=(200_000, 3))
    found = benchmark.pedantic(method, args=(part, points), rounds=2, warmup_rounds=1)
    other = (reference if method is ours else ours)(part, points)
    assert np.allclose(found, other, atol=1e-4)
