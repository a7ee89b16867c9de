"""Directions of flexures against the shapes they were drawn with, straight and turned."""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.load_directions import load_directions
from reviewkit.measure.rays import RayTree
from reviewkit.submission import Box, Cylinder, Region, RegionKind

NOWHERE = np.zeros(3)


def block(x, y, z, at=(0, 0, 0)):
    return trimesh.creation.box((x, y, z)).apply_translation(np.add(at, (x / 2, y / 2, z / 2)))


def found(mesh, *regions, frame=NOWHERE):
    vertices, faces = np.asarray(mesh.vertices) - frame, np.asarray(mesh.faces)
    corners = vertices[faces]
    out = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return load_directions(regions, RayTree(vertices, faces), np.asarray(frame), out)


def flexure(volume, name="leaf", kind=RegionKind.FLEXURE):
    return Region(name, "p", kind, volume)


# A leaf 60 mm along x, 1 mm along y, 10 mm along z, between two blocks.
LEAF = trimesh.boolean.union([block(20, 30, 10), block(20, 30, 10, (80, 0, 0)), block(62, 1, 10, (19, 14.5, 0))])
# A hinge 2 mm along x, 40 mm along y, 1 mm along z, between two plates.
HINGE = trimesh.boolean.union([block(30, 40, 5), block(30, 40, 5, (32, 0, 0)), block(4, 40, 1, (29, 0, 0))])


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, -75.0])
def test_leaf_is_loaded_along_its_length(turn_deg):
    turn = np.radians(turn_deg)
    rotation = trimesh.transformations.rotation_matrix(turn, (0, 0, 1), (50, 15, 5))
    mesh = LEAF.copy().apply_transform(rotation)
    (leaf,), without = found(mesh, flexure(Box((20.0, 13.0, 0.0), (80.0, 17.0, 10.0), turn_deg)))
    assert without == ()
    assert abs(np.dot(leaf.load, (np.cos(turn), np.sin(turn), 0))) == pytest.approx(1, abs=1e-4)
    assert abs(np.dot(leaf.thin, (-np.sin(turn), np.cos(turn), 0))) == pytest.approx(1, abs=1e-4)
    assert leaf.length_mm == pytest.approx(60, rel=0.02)
    assert leaf.thickness_mm == pytest.approx(1, rel=0.1)
    assert leaf.centre_mm == pytest.approx((50, 15, 5), abs=0.1)


def test_wide_hinge_is_loaded_across_its_axis():
    (hinge,), _ = found(HINGE, flexure(Box((30.0, 0.0, 0.0), (32.0, 40.0, 5.0))))
    assert abs(hinge.load[0]) == pytest.approx(1, abs=1e-3)
    assert abs(hinge.thin[2]) == pytest.approx(1, abs=1e-3)
    assert hinge.length_mm == pytest.approx(2, rel=0.05)
    assert hinge.thickness_mm == pytest.approx(1, rel=0.2)


def test_round_region_and_frame_away_from_the_origin():
    away = np.array([900.0, -300.0, 40.0])
    mesh = LEAF.copy().apply_translation(away)
    round_ = Cylinder((922.0, -285.0, 45.0), (978.0, -285.0, 45.0), 4.0)
    (leaf,), _ = found(mesh, flexure(round_), frame=away)
    assert abs(leaf.load[0]) == pytest.approx(1, abs=1e-4)
    assert abs(leaf.thin[1]) == pytest.approx(1, abs=1e-4)


def test_only_flexures_and_only_where_there_is_matter():
    empty = Box((30.0, 20.0, 0.0), (70.0, 29.0, 10.0))
    full = Box((20.0, 13.0, 0.0), (80.0, 17.0, 10.0))
    directions, without = found(LEAF, flexure(empty, "air"), flexure(full, "grip", RegionKind.GRIP), flexure(full))
    assert [leaf.region for leaf in directions] == ["leaf"]
    assert without == ("air",)
