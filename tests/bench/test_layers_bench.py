"""Layers against trimesh's and manifold3d's own sections: equal answers always, times with --benchmark-only.

Times leave out reading the mesh and, for manifold3d, building its solid.  trimesh is timed to closed rings
alone, without nesting them into polygons, so that it does less work than the other two.
"""

from functools import reduce

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import CrossSection, Manifold, Mesh64, OpType

from reviewkit.measure.layers import layer_planes, layers

LAYER_MM = 0.2


def windowed_plate(arc_segments):
    """Vertices and facets of a plate 160 x 100 x 12 with 98 rounded windows, turned by 17 degrees."""
    window = CrossSection.square((8.6, 11.2)).offset(-1.0).offset(1.0, circular_segments=arc_segments)
    windows = [window.translate((4 + 11 * i, 3 + 14 * j)) for i in range(14) for j in range(7)]
    plate = CrossSection.square((160.0, 100.0)) - CrossSection.batch_boolean(windows, OpType.Add)
    mesh = plate.extrude(12.0).rotate((0.0, 0.0, 17.0)).to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int64)


def pebble(around, upward):
    """Vertices and facets of a closed bumpy body about 65 mm high, standing on its lowest point."""
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)
    rise = np.linspace(0, np.pi, upward + 1)[1:-1, None]
    radius = 30 * (
        1 + 0.12 * np.sin(3 * turn) * np.sin(rise) ** 3 + 0.08 * np.sin(7 * rise + np.cos(turn)) * np.sin(rise)
    )
    grid = np.stack(
        [radius * np.sin(rise) * np.cos(turn), radius * np.sin(rise) * np.sin(turn), -radius * np.cos(rise)], -1
    )
    vertices = np.concatenate([grid.reshape(-1, 3), [[0, 0, -30.0], [0, 0, 30.0]]])
    index = np.arange(grid.shape[0] * around).reshape(-1, around)
    beside = np.roll(index, -1, axis=1)
    quads = [(index[:-1], beside[:-1], beside[1:]), (index[:-1], beside[1:], index[1:])]
    caps = [
        (beside[0], index[0], np.full(around, index.size)),
        (index[-1], beside[-1], np.full(around, index.size + 1)),
    ]
    faces = np.concatenate([np.stack(corners, -1).reshape(-1, 3) for corners in quads + caps])
    return vertices - [0, 0, vertices[:, 2].min()], faces


def by_kit(vertices, faces):
    return layers(vertices, faces, LAYER_MM, LAYER_MM).regions


def by_manifold(solid, z_mm):
    return [solid.slice(z).to_polygons() for z in z_mm]


def by_trimesh(vertices, faces, z_mm):
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    return [path.polygons_closed for path in mesh.section_multiplane((0, 0, 0), (0, 0, 1), z_mm)]


def solid_of(vertices, faces):
    return Manifold(Mesh64(vertices.copy(), faces.astype(np.uint64)))


def heights(vertices):
    return layer_planes(float(vertices[:, 2].max()), LAYER_MM, LAYER_MM)[0]


def polygons_of(rings):
    return [shapely.Polygon(ring) for ring in rings]


def area_and_holes(regions):
    pieces, owner = shapely.get_parts(regions, return_index=True)
    return shapely.area(regions), np.bincount(owner, shapely.get_num_interior_rings(pieces), len(regions))


@pytest.mark.parametrize(("vertices", "faces"), [windowed_plate(16), pebble(60, 40)], ids=["plate", "pebble"])
def test_answers_are_equal(vertices, faces):
    z_mm = heights(vertices)[::9]
    regions = by_kit(vertices, faces)[::9]
    assert shapely.is_valid(regions).all()
    slices = by_manifold(solid_of(vertices, faces), z_mm)
    peers = (map(polygons_of, slices), by_trimesh(vertices, faces, z_mm))
    for peer in peers:
        # Their rings, one cut out of another.
        nested = np.array([reduce(shapely.symmetric_difference, rings) for rings in peer])
        (area_mm2, holes), (peer_mm2, peer_holes) = area_and_holes(regions), area_and_holes(nested)
        assert np.allclose(area_mm2, peer_mm2, rtol=1e-5, atol=1e-3)
        assert np.array_equal(holes, peer_holes)


@pytest.fixture(scope="module", params=["plate 200k", "pebble 500k"])
def mesh(request):
    return windowed_plate(500) if request.param == "plate 200k" else pebble(625, 401)


@pytest.mark.benchmark(group="layers")
def test_kit(benchmark, mesh):
    regions = benchmark.pedantic(by_kit, mesh, rounds=3, warmup_rounds=1)
    assert shapely.is_valid(regions).all()


@pytest.mark.benchmark(group="layers")
def test_manifold(benchmark, mesh):
    assert benchmark.pedantic(by_manifold, (solid_of(*mesh), heights(mesh[0])), rounds=3)


@pytest.mark.benchmark(group="layers")
def test_trimesh_a_tenth_of_the_layers(benchmark, mesh):
    assert benchmark.pedantic(by_trimesh, (*mesh, heights(mesh[0])[::10]), rounds=1)
