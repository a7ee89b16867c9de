"""One inward ray a facet: our shared tree against a reference library, in one process, answers compared.

Run with ``pytest tests/bench --benchmark-only``; both times hold the building of the tree.
"""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.rays import RayTree


@pytest.fixture(scope="module")
def part() -> trimesh.Trimesh:
    """A lumpy hollow body of 164k facets."""
    outer = trimesh.creation.icosphere(subdivisions=6, radius=30.0)
    lumps = 1 + 0.1 * np.sin(outer.vertices[:, 0] / 2) * np.cos(outer.vertices[:, 1] / 3)
    outer.vertices *= lumps[:, None]
    inner = outer.copy()
    inner.vertices *= 0.95
    inner.invert()
    return trimesh.util.concatenate([outer, inner])


def ours(part: trimesh.Trimesh, centres, normals):
    return RayTree(part.vertices, part.faces).first_hit(centres, -normals)[0]


def reference(part: trimesh.Trimesh, centres, normals):
    fresh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    return trimesh.proximity.thickness(fresh, centres, normals=normals, method="ray")


@pytest.mark.benchmark(group="one inward ray a facet, tree included")
@pytest.mark.parametrize("method", [ours, reference], ids=["shared tree", "trimesh ray"])
def test_thickness_at_every_facet(benchmark, part, method):
    centres, normals = np.array(part.triangles_center), np.array(part.face_normals)
    thickness = benchmark.pedantic(method, args=(part, centres, normals), rounds=3, warmup_rounds=1)
    other = (reference if method is ours else ours)(part, centres, normals)
    assert np.isclose(thickness, other, atol=2e-3).mean() > 0.999


@pytest.mark.benchmark(group="one inward ray a facet, tree at hand")
@pytest.mark.parametrize("method", ["shared tree", "trimesh ray"])
def test_thickness_with_the_tree_at_hand(benchmark, part, method):
    tree = RayTree(part.vertices, part.faces)
    centres, normals = np.array(part.triangles_center), np.array(part.face_normals)
    calls = {
        "shared tree": lambda: tree.first_hit(centres, -normals)[0],
        # The warm-up round leaves the library's own tree with the mesh.
        "trimesh ray": lambda: trimesh.proximity.thickness(part, centres, normals=normals, method="ray"),
    }
    thickness = benchmark.pedantic(calls[method], rounds=3, warmup_rounds=1)
    other = next(call for name, call in calls.items() if name != method)()
    assert np.isclose(thickness, other, atol=2e-3).mean() > 0.999
