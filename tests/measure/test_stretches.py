"""Stretches that a hand closes around, on bars with a girth by formula."""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.rays import RayTree
from reviewkit.measure.stretches import stretches

AXES = tuple(np.eye(3))


def asked(mesh: trimesh.Trimesh, **changed):
    settings = {
        "step_mm": 2.0, "bridged_mm": 6.0, "diameters_mm": (20.0, 45.0), "even": 0.15, "solid": 0.6,
        "length_mm": 50.0, "room_mm": 25.0, "facet_turn_deg": 15.0,
    }  # fmt: skip
    vertices, faces = mesh.vertices.view(np.ndarray), mesh.faces.view(np.ndarray)
    return stretches(vertices, faces, RayTree(vertices, faces), AXES, **settings | changed)


def bar(diameter_mm: float, length_mm: float = 100.0) -> trimesh.Trimesh:
    made = trimesh.creation.cylinder(diameter_mm / 2, length_mm, sections=96)
    made.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    return made


def test_a_bar_is_a_stretch_of_its_own_girth():
    (found,) = asked(bar(30.0))
    assert found.diameter_mm == pytest.approx(30.0, rel=0.01)
    assert found.length_mm == pytest.approx(100.0, abs=0.2)
    assert abs(found.frame[2] @ [1, 0, 0]) == 1
    assert (found.solid, found.share, found.room) == pytest.approx((1.0, 1.0, 1.0), abs=1e-2)
    assert found.middle_mm == pytest.approx((0, 0, 0), abs=0.01)
    assert sorted(found.half_mm) == pytest.approx([15, 15, 50], abs=0.1)


def test_a_flat_bar_counts_by_its_girth():
    """The circle of the same girth: 2 (30 + 16) / pi."""
    (found,) = asked(trimesh.creation.box(extents=(90, 30, 16)))
    assert found.diameter_mm == pytest.approx(2 * (30 + 16) / np.pi, rel=0.02)


@pytest.mark.parametrize("mesh", [bar(60.0), bar(12.0), bar(30.0, 40.0)], ids=["thick", "thin", "short"])
def test_what_no_hand_closes_around_is_none(mesh):
    assert asked(mesh) == ()


def test_a_wall_beside_it_takes_the_room():
    wall = trimesh.creation.box(bounds=[(-50, -200, -28), (50, 200, -26)])
    stay = trimesh.creation.box(bounds=[(-52, -4, -28), (-49, 4, 0)])
    beside = trimesh.boolean.union([bar(30.0), wall, stay])
    found = [one for one in asked(beside, solid=0.0, bridged_mm=2.0) if abs(one.frame[2] @ [1, 0, 0]) > 0.9]
    assert all(one.room < 0.85 for one in found)
    assert asked(bar(30.0))[0].room > 0.99
