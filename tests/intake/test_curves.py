"""Curves that facets stand for, against closed forms of chords, spheres and tori.

References
----------
Sagitta of a chord that turns by t on a circle of radius r: r (1 - cos(t / 2)).  Depth of a facet
inscribed in a sphere: r less the distance of its plane from the middle.
"""

import numpy as np
import pytest
import shapely
import trimesh

from reviewkit.intake.curves import faceted_curves
from reviewkit.intake.edges import Edges
from reviewkit.limits import load_limits

NUMBERS = {limit.quantity: limit.value for limit in load_limits().every()}
TURNS_DEG = (NUMBERS["intake.curve_turn_least_deg"], NUMBERS["intake.curve_turn_most_deg"])
TURNED = trimesh.transformations.rotation_matrix(0.7, (0.3, -0.5, 0.8), (4, 5, 6))


def curves(mesh, turned=True):
    placed = mesh.copy().apply_transform(TURNED) if turned else mesh
    faces = np.asarray(placed.faces, dtype=np.int64)
    return faceted_curves(np.asarray(placed.vertices, dtype=np.float64), faces, Edges(faces), TURNS_DEG)


def sagitta(radius_mm, turn_deg):
    return radius_mm * (1 - np.cos(np.radians(turn_deg) / 2))


@pytest.mark.parametrize("flats", [10, 12, 24, 71])
def test_a_cylinder_has_the_sagitta_of_its_chords(flats):
    (curve,) = curves(trimesh.creation.cylinder(10, 20, sections=flats))
    assert curve.sagitta_mm == pytest.approx(sagitta(10, 360 / flats), rel=1e-6)
    assert curve.turn_deg == pytest.approx(360 / flats) and (curve.flats, curve.hollow) == (flats, False)
    assert len(curve.facets) == 2 * flats


def test_prisms_that_are_meant_and_fine_cylinders_are_silent():
    for sections in (3, 4, 6, 8, 73, 200):
        assert curves(trimesh.creation.cylinder(10, 20, sections=sections)) == []
    assert curves(trimesh.creation.box((1, 2, 3))) == []
    assert curves(trimesh.creation.icosahedron()) == []


def test_a_hole_is_a_hollow_curve():
    outside, hole = curves(trimesh.creation.annulus(5, 10, 7, sections=16))
    assert (outside.hollow, hole.hollow) == (False, True)
    assert [outside.sagitta_mm, hole.sagitta_mm] == pytest.approx([sagitta(10, 22.5), sagitta(5, 22.5)], rel=1e-6)


@pytest.mark.parametrize("strips", [3, 4, 8])
def test_fillets_are_curves_and_chamfers_are_not(strips):
    outline = shapely.box(0, 0, 40, 30).buffer(-5)
    rounded = trimesh.creation.extrude_polygon(outline.buffer(5, quad_segs=strips), 8)
    found = curves(rounded)
    assert len(found) == 4 and all(curve.flats == strips for curve in found)
    assert [curve.sagitta_mm for curve in found] == pytest.approx([sagitta(5, 90 / strips)] * 4, rel=1e-6)
    # Corners cut once, or twice, by 30 degrees each.
    for cut in ([(0, 3), (3, 0)], [(0, 4.098), (1.5, 1.5), (4.098, 0)], [(0, 2), (1.1547, 0)]):
        ring = [*cut, (40, 0), (40, 30), (0, 30)]
        assert curves(trimesh.creation.extrude_polygon(shapely.Polygon(ring), 8)) == []


@pytest.mark.parametrize("mesh", [trimesh.creation.icosphere(2, 10.0), trimesh.creation.uv_sphere(10, count=[16, 16])])
def test_a_sphere_has_about_the_depth_of_its_deepest_facet(mesh):
    (curve,) = curves(mesh)
    corners = mesh.triangles
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    depth = 10 - np.abs(np.einsum("ij,ij->i", normals, corners[:, 0])).min()
    assert curve.sagitta_mm == pytest.approx(depth, rel=0.12)


def test_a_torus_is_as_deep_as_its_two_circles_together():
    (curve, *_) = curves(trimesh.creation.torus(20, 5, major_sections=24, minor_sections=12))
    assert curve.sagitta_mm == pytest.approx(sagitta(5, 30) + sagitta(25, 15), rel=0.05)
    # Fine along the ring, only the circle across shows.
    fine = curves(trimesh.creation.torus(20, 5, major_sections=120, minor_sections=12))
    assert fine[0].sagitta_mm == pytest.approx(sagitta(5, 30), rel=0.05)


def test_a_slender_cone_has_about_the_sagitta_of_its_wide_end():
    cone = trimesh.creation.revolve([(0, 0), (10, 0), (8, 20), (0, 20)], sections=16)
    (curve,) = curves(cone)
    assert curve.sagitta_mm == pytest.approx(sagitta(10, 22.5), rel=0.2)


def test_sides_that_are_nearly_parallel_say_nothing_of_the_other_direction():
    # An oval cone, whose turns differ from side to side; the depth of its chords by sampling the ellipse.
    cone = trimesh.creation.revolve([(0, 0), (10, 0), (8, 40), (0, 40)], sections=36).apply_scale([1, 0.5, 1])
    (curve,) = curves(cone)
    angles = np.linspace(0, 2 * np.pi, 36 * 100 + 1)
    ellipse = np.column_stack([10 * np.cos(angles), 5 * np.sin(angles)])
    start, end = ellipse[:-1:100], ellipse[100::100]
    along = (end - start) / np.linalg.norm(end - start, axis=1, keepdims=True)
    offset = ellipse[:-1].reshape(36, 100, 2) - start[:, None]
    depth = np.abs(offset[..., 0] * along[:, None, 1] - offset[..., 1] * along[:, None, 0]).max()
    assert curve.sagitta_mm == pytest.approx(depth, rel=0.15)


def test_a_shallow_pyramid_is_no_curve():
    # Sides that turn by less than 40 degrees, but round a point, not across one another.
    for sections in (3, 4):
        pyramid = trimesh.creation.cone(10, 2, sections=sections)
        normals = pyramid.face_normals[pyramid.face_normals[:, 2] > 0]
        turn_deg = np.degrees(np.arccos(normals[0] @ normals[1]))
        assert TURNS_DEG[0] < turn_deg < TURNS_DEG[1]
        assert curves(pyramid) == []


def test_a_corrugated_sheet_is_no_curve():
    # Bends to and fro by 30 degrees, as a knurl.
    ridge = [(k, 0.268 * (k % 2)) for k in range(20)]
    sheet = shapely.Polygon([*ridge, (19, 5), (0, 5)])
    assert curves(trimesh.creation.extrude_polygon(sheet, 10)) == []


def test_the_order_is_worst_first_and_the_same_every_time():
    mesh = trimesh.util.concatenate(
        [trimesh.creation.cylinder(r, 9, sections=16).apply_translation([40 * r, 0, 0]) for r in (2, 9, 5)]
    )
    first, second = curves(mesh), curves(mesh)
    assert [c.sagitta_mm for c in first] == pytest.approx([sagitta(r, 22.5) for r in (9, 5, 2)], rel=1e-6)
    for one, other in zip(first, second, strict=True):
        assert np.array_equal(one.facets, other.facets)
