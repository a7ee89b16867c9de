"""Wall, skin and gap thickness against closed forms, a published case table and a reference library."""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import affinity

from reviewkit.measure.layers import layers
from reviewkit.measure.rays import RayTree
from reviewkit.measure.walls import (
    Skins,
    ThinPlace,
    Walls,
    area_share_below,
    bending_change,
    odd_widths,
    skin_samples,
    thin_places,
    thinnest_place,
    tip_below,
    touched_faces,
    wall_samples,
    width_quantile,
)

CREDIBLE = {
    "join_mm": 1.5,
    "facing_deg": 20.0,
    "min_area_mm2": 2.0,
    "min_length_mm": 1.5,
    "min_height_mm": 0.4,
}
ODD = {
    "from_mm": 0.8,
    "to_mm": 1.6,
    "odd_from": 0.255,
    "odd_to": 0.745,
    "parallel_deg": 3.0,
    "spread_mm": 0.1,
    "join_mm": 1.5,
    "min_area_mm2": 2.0,
    "min_length_mm": 1.5,
}
TURNED = [0.0, 17.0, 90.0]


def extruded(region, height=10.0, bottom=0.0) -> trimesh.Trimesh:
    pieces = [trimesh.creation.extrude_polygon(piece, height) for piece in shapely.get_parts(region)]
    mesh = trimesh.util.concatenate(pieces)
    mesh.apply_translation([0, 0, bottom])
    return mesh


def measured(mesh, layer_mm=0.2) -> tuple[Walls, RayTree]:
    vertices, faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)
    vertices[:, 2] -= vertices[:, 2].min()
    rays = RayTree(vertices, faces)
    return wall_samples(layers(vertices, faces, layer_mm, layer_mm), vertices, faces, rays), rays


def walls_of(mesh, layer_mm=0.2) -> Walls:
    return measured(mesh, layer_mm)[0]


def skins_of(mesh) -> Skins:
    vertices, faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)
    return skin_samples(vertices, faces, RayTree(vertices, faces))


def thin_of(mesh, below_mm=0.798, **changed) -> list[ThinPlace]:
    return thin_places(walls_of(mesh), below_mm, **{**CREDIBLE, **changed})[0]


def stadium(length, width):
    """A leaf with round ends, overall length and width, about the origin along x."""
    half = (length - width) / 2
    return shapely.LineString([(-half, 0), (half, 0)]).buffer(width / 2, quad_segs=32)


# --- the case table: exact values are closed forms; the readings in brackets were obtained with a reference library


@pytest.mark.parametrize("turn", TURNED)
def test_plate_reads_its_thickness_standing_and_lying(turn):
    # Plate 40 x 30 x 2: ray 2 everywhere, also 0.5 mm from an edge (4.3 of the printability notes, closed form).
    standing = trimesh.creation.box([40, 2, 30])
    standing.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn), [0, 0, 1]))
    walls = walls_of(standing)
    assert np.unique(walls.width_mm.round(6)).tolist() == [2.0, 40.0]
    assert np.allclose(walls.taper_deg, 0, atol=1e-4)
    skins = skins_of(trimesh.creation.box([40, 30, 2]))
    assert np.allclose(skins.width_mm, 2.0, atol=1e-6)
    assert np.isinf(skins.clearance_mm).all()


def test_faceted_cylinder_reads_its_width_across_flats():
    # R 3, 128 sides, mid-line of a facet: 5.9982 (closed form 6 cos(pi / 128)).
    walls = walls_of(trimesh.creation.cylinder(3.0, 40.0, sections=128))
    assert np.allclose(walls.width_mm, 6 * np.cos(np.pi / 128), atol=1e-6)
    assert walls.width_mm[0] == pytest.approx(5.9982, abs=5e-5)
    # From the middle of the cap the ray reads the length: 40.
    assert np.allclose(skins_of(trimesh.creation.cylinder(3.0, 40.0, sections=128)).width_mm, 40.0, atol=1e-5)


def shell() -> trimesh.Trimesh:
    outer, inner = (trimesh.creation.icosphere(subdivisions=5, radius=radius) for radius in (10, 8))
    inner.invert()
    mesh = trimesh.util.concatenate([outer, inner])
    mesh.apply_translation([0, 0, 10])
    return mesh


def test_shell_reads_its_wall():
    # R 10 / 8 as icosphere 5: 1.9995 along the facet normal, outside and inside face.
    mesh = shell()
    centres, normals = mesh.triangles_center, mesh.face_normals
    straight, _ = RayTree(mesh.vertices, mesh.faces).first_hit(centres, -normals)
    assert np.median(straight) == pytest.approx(1.9995, abs=2e-4)
    walls = walls_of(mesh)
    # A level cut at height h off the centre meets both spheres: sqrt(100 - h^2) - sqrt(64 - h^2).
    for height in (0.0, 4.0, 6.0):
        nearest = np.abs(walls.point[:, 2] - 10 - height) < 0.11
        off = walls.point[nearest, 2] - 10
        level = np.sqrt(100 - off**2) - np.sqrt(64 - off**2)
        assert np.allclose(walls.width_mm[nearest], level, atol=0.02)
    assert width_quantile(walls, 0.01, 20) == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(("angle_deg", "per_mm"), [(30, 0.57735), (10, 0.176327), (20, 0.363970), (45, 1.0)])
def test_wedge_reads_its_distance_from_the_tip(angle_deg, per_mm):
    # Ray s tan(angle): 30 degrees at s = 10 reads 5.7735.
    height = 40 * np.tan(np.radians(angle_deg))
    walls = walls_of(extruded(shapely.Polygon([(0, 0), (40, 0), (40, height)])))
    along_x = walls.normal[:, 1] < -0.999
    assert np.allclose(walls.width_mm[along_x], per_mm * walls.point[along_x, 0], rtol=1e-5)
    assert np.allclose(walls.taper_deg[along_x], angle_deg, atol=1e-3)


def test_gap_between_two_plates():
    # Two plates 40 x 30 x 2, 0.4 apart: exterior 0.4.
    plates = [trimesh.creation.box([40, 2, 30]), trimesh.creation.box([40, 2, 30])]
    plates[1].apply_translation([0, 2.4, 0])
    walls = walls_of(trimesh.util.concatenate(plates))
    free = np.isinf(walls.clearance_mm)
    assert np.allclose(walls.clearance_mm[~free], 0.4, atol=1e-6)
    assert np.allclose(walls.clearance_taper_deg[~free], 0.0, atol=1e-4)
    assert walls.area_mm2[~free].sum() == pytest.approx(2 * 40 * 30)
    assert (walls.clearance_taper_deg[free] == 180).all()
    for plate in plates:
        plate.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    skins = skins_of(trimesh.util.concatenate(plates))
    assert np.allclose(skins.clearance_mm[np.isfinite(skins.clearance_mm)], 0.4, atol=1e-6)
    assert np.isfinite(skins.clearance_mm).mean() == pytest.approx(0.5, abs=0.02)


# --- against a reference library on the same points


def test_same_answers_as_a_reference_library(shared_parts):
    # trimesh.proximity.thickness(method="ray"), MIT, on our points and in our direction.
    part = trimesh.load(shared_parts / "featuretype.STL", force="mesh")
    part.apply_scale(25.4)
    part.apply_translation(-part.bounds[0])
    for mesh in (part, extruded(affinity.rotate(stadium(20, 0.6), 17)), shell()):
        walls = walls_of(mesh)
        some = np.random.default_rng(1).choice(len(walls), min(2000, len(walls)), replace=False)
        reference = trimesh.proximity.thickness(mesh, walls.point[some], normals=-walls.inward[some], method="ray")
        equal = np.isclose(walls.width_mm[some], reference, atol=2e-3)
        # A ray of the reference that starts on a facet's edge may slip past it.
        assert equal.mean() > 0.998


# --- places


@pytest.mark.parametrize("turn", TURNED)
def test_a_leaf_is_one_place_with_its_exact_width(turn):
    leaf = affinity.translate(affinity.rotate(stadium(20, 0.6), turn, origin=(0, 0)), 31.0, -12.0)
    (place,) = thin_of(extruded(leaf, 8.0))
    assert place.kind == "wall"
    assert place.width_mm == pytest.approx(0.6, abs=1e-5)
    assert place.median_mm == pytest.approx(0.6, abs=1e-5)
    assert place.uncertainty_mm == pytest.approx(0, abs=1e-5)
    assert np.linalg.norm(np.subtract(place.point_mm, (31.0, -12.0, 4.0))) < 0.5
    across = np.array([-np.sin(np.radians(turn)), np.cos(np.radians(turn)), 0])
    assert abs(across @ place.normal) == pytest.approx(1.0, abs=1e-6)
    # The round ends read wider than the leaf, but for their flanks.
    assert 19.4 <= place.length_mm <= 19.4 + 2 * 0.3
    assert place.area_mm2 == pytest.approx(place.length_mm * 8.0)
    assert (place.box_mm[0][2], place.box_mm[1][2]) == pytest.approx((0.0, 8.0))


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(("width", "found"), [(0.79, 1), (0.797, 1), (0.8, 0), (0.81, 0), (2.0, 0)])
def test_just_inside_and_just_outside_the_bound(turn, width, found):
    assert len(thin_of(extruded(affinity.rotate(shapely.box(0, 0, 20, width), turn)))) == found


def comb(leaves: int, width: float, gap: float):
    """Two blocks joined by parallel leaves of 15 mm."""
    pitch = width + gap
    bars = [shapely.box(0, k * pitch, 15, k * pitch + width) for k in range(leaves)]
    high = leaves * pitch - gap
    return shapely.union_all([*bars, shapely.box(-6, 0, 0.001, high), shapely.box(14.999, 0, 21, high)])


@pytest.mark.parametrize("gap", [3.0, 0.6, 0.35])
def test_twelve_leaves_are_twelve_places(gap):
    places = thin_of(extruded(affinity.rotate(comb(12, 0.5, gap), 17, origin=(0, 0))))
    assert len(places) == 12
    assert [place.width_mm for place in places] == pytest.approx([0.5] * 12, abs=1e-5)
    for k, place in enumerate(sorted(places, key=lambda place: np.hypot(*place.point_mm[:2]))):
        middle = affinity.rotate(shapely.Point(7.5, k * (0.5 + gap) + 0.25), 17, origin=(0, 0))
        near = min(np.hypot(p.point_mm[0] - middle.x, p.point_mm[1] - middle.y) for p in places)
        assert near < 0.5, k
        # Half a sample at each end, where a leaf runs on into its block.
        assert place.length_mm == pytest.approx(15, abs=0.3)


def test_thin_box_is_one_place_round_its_corners():
    ring = shapely.box(0, 0, 20, 20).difference(shapely.box(0.6, 0.6, 19.4, 19.4))
    (place,) = thin_of(extruded(affinity.rotate(ring, 17)))
    # At its corners a wall looks along its neighbour and reads wide.
    assert place.length_mm == pytest.approx(80 - 8 * 0.6, abs=0.5)
    assert place.width_mm == pytest.approx(0.6, abs=1e-5)


def test_equal_layers_at_two_heights_are_two_places():
    leaf, block = shapely.box(0, 0, 20, 0.6), shapely.box(-2, -5, 22, 5)
    stack = [extruded(leaf, 4.0), extruded(block, 2.0, 4.0), extruded(leaf, 6.0, 6.0)]
    high, low = thin_of(trimesh.util.concatenate(stack))
    assert (low.point_mm[2], high.point_mm[2]) == pytest.approx((2.0, 9.0), abs=0.1)
    assert (low.area_mm2, high.area_mm2) == pytest.approx((80.0, 120.0), rel=0.02)
    walls = walls_of(trimesh.util.concatenate(stack))
    # Both leaves on both long faces, of all upright faces.
    assert area_share_below(walls, 0.8, 20) == pytest.approx(2 * 20 * 10 / (2 * 20.6 * 10 + 2 * 34 * 2), rel=1e-3)


def test_samples_add_up_to_the_surface():
    leaf = affinity.rotate(stadium(20, 0.6), 17)
    walls = walls_of(extruded(leaf, 8.0))
    assert walls.area_mm2.sum() == pytest.approx(leaf.length * 8.0, rel=1e-6)
    skins = skins_of(trimesh.creation.box([40, 30, 2]))
    assert skins.area_mm2.sum() == pytest.approx(2 * 40 * 30)


def test_many_samples_are_thinned_out_evenly():
    mesh = shell()
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    stack, rays = layers(vertices, faces, 0.2, 0.2), RayTree(vertices, faces)
    every = wall_samples(stack, vertices, faces, rays, spacing_mm=0.05)
    few = wall_samples(stack, vertices, faces, rays, most=3000)
    assert len(few) == 3000 < len(every)
    assert few.area_mm2.sum() == pytest.approx((stack.outline_mm * stack.thickness_mm).sum(), rel=0.01)
    assert width_quantile(few, 0.5, 20) == pytest.approx(width_quantile(every, 0.5, 20), rel=0.02)
    assert few.spacing_mm == pytest.approx(stack.outline_mm[stack.distinct].sum() / 3000, rel=1e-3)


@pytest.mark.parametrize("turn", TURNED)
def test_a_feather_edge_is_no_wall(turn):
    wedge = affinity.rotate(shapely.Polygon([(0, 0), (20, 0), (20, 20 * np.tan(np.radians(30)))]), turn)
    tips = thin_of(extruded(wedge))
    assert {place.kind for place in tips} == {"edge"}
    assert sorted(place.taper_deg for place in tips) == pytest.approx([30, 60], abs=1e-3)
    # Width across the middle plane is 2 d tan(angle / 2) at d from the tip.
    assert tip_below(0.4, 30.0) == pytest.approx(0.7464, abs=1e-4)
    assert tip_below(0.4, 60.0) == pytest.approx(0.3464, abs=1e-4)


def test_ridge_and_dome_have_no_thin_wall():
    # Their last layers are narrow in plan, but the mesh's faces meet at an angle there.
    ridge = extruded(shapely.Polygon([(0, 0), (12, 0), (6, 6 * np.tan(np.radians(60)))]), 30.0)
    ridge.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    assert ridge.extents[2] == pytest.approx(6 * np.tan(np.radians(60)))
    assert [place.kind for place in thin_of(ridge)] == ["edge"]
    assert not [place for place in thin_of(trimesh.creation.icosphere(4, radius=6.0)) if place.kind == "wall"]
    lying = trimesh.creation.cylinder(1.0, 30.0, sections=64)
    lying.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    assert not [place for place in thin_of(lying) if place.kind == "wall"]


def test_a_leaning_wall_is_a_wall():
    leaf = trimesh.creation.box([20, 0.4, 20])
    leaf.apply_transform(trimesh.transformations.rotation_matrix(np.radians(30), [1, 0, 0]))
    (place,) = [place for place in thin_of(leaf) if place.kind == "wall"]
    # In the layer's plane it is thickness / cos(lean).
    assert place.median_mm == pytest.approx(0.4 / np.cos(np.radians(30)), abs=1e-5)


def test_a_web_beside_a_hole_is_one_wall():
    web = shapely.box(0, 0, 20, 10).difference(shapely.Point(10, 2.4).buffer(2.0, quad_segs=64))
    (place,) = thin_of(extruded(affinity.rotate(web, 17, origin=(0, 0))))
    assert place.kind == "wall"
    assert place.width_mm == pytest.approx(0.4, abs=0.01)
    # Under the bound while 0.4 + 2 (1 - cos a) < 0.798, up to a = 36.8 degrees, far beyond `facing_deg`.
    assert place.length_mm == pytest.approx(2 * 2 * np.sin(np.radians(36.8)), abs=0.4)
    middle = affinity.rotate(shapely.Point(10, 0.2), 17, origin=(0, 0))
    assert place.point_mm[:2] == pytest.approx((middle.x, middle.y), abs=0.1)


def test_small_spots_are_only_summed_up():
    nib = shapely.union_all([shapely.box(0, 0, 20, 10), shapely.box(8, 9.9, 8.5, 11)])
    places, small_mm2 = thin_places(walls_of(extruded(nib, 1.0)), 0.8, **CREDIBLE)
    assert not places
    assert small_mm2 == pytest.approx(1.0, rel=0.05)
    assert not thin_places(walls_of(extruded(shapely.box(0, 0, 20, 10))), 0.8, **CREDIBLE)[1]


def test_a_place_needs_area_length_and_height():
    rail = extruded(shapely.box(0, 0, 30, 0.6), 0.6)
    assert len(thin_of(rail)) == 1
    for too_much in ({"min_area_mm2": 18.5}, {"min_length_mm": 31.0}, {"min_height_mm": 0.7}):
        places, small_mm2 = thin_places(walls_of(rail), 0.8, **{**CREDIBLE, **too_much})
        assert not places
        assert small_mm2 == pytest.approx(30 * 0.6, rel=0.03)


def test_a_wall_thin_in_part_keeps_its_range():
    wall = shapely.Polygon([(0, 0), (40, 0), (40, 0.7), (0, 0.3)])
    (place,) = thin_of(extruded(wall))
    assert place.width_mm == pytest.approx(0.32, abs=0.01)
    assert place.median_mm == pytest.approx(0.5, abs=0.01)
    assert place.spread_mm == pytest.approx(0.36, abs=0.02)
    assert 0 < place.uncertainty_mm < 0.02


def test_thinnest_place_of_thick_parts():
    assert thinnest_place(walls_of(trimesh.creation.box([40, 2, 30])), **CREDIBLE).width_mm == pytest.approx(2.0)
    step = shapely.union_all([shapely.box(0, 0, 20, 20), shapely.box(19, 8, 40, 11)])
    place = thinnest_place(walls_of(extruded(affinity.rotate(step, 17, origin=(0, 0)))), **CREDIBLE)
    assert place.width_mm == pytest.approx(3.0, abs=1e-5)
    middle = affinity.rotate(shapely.Point(30, 9.5), 17, origin=(0, 0))
    assert place.point_mm[:2] == pytest.approx((middle.x, middle.y), abs=0.5)
    assert thinnest_place(walls_of(trimesh.creation.box([1, 1, 0.5])), **CREDIBLE) is None


def test_touched_faces_are_the_two_sides():
    block = shapely.union_all([shapely.box(0, 0, 10, 10), shapely.box(9.9, 4, 30, 4.6)])
    mesh = extruded(block)
    walls, rays = measured(mesh)
    ((place,), _) = thin_places(walls, 0.8, **CREDIBLE)
    faces = touched_faces(walls, place, rays)
    assert len(faces) == 4
    assert mesh.area_faces[faces].sum() == pytest.approx(2 * 20 * 10)
    assert np.allclose(np.abs(mesh.face_normals[faces] @ place.normal), 1.0)


# --- odd widths and scatter


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(("width", "found"), [(0.8, 0), (0.9, 0), (0.91, 1), (1.0, 1), (1.09, 1), (1.1, 0), (1.7, 0)])
def test_widths_between_whole_lines(turn, width, found):
    # Odd where 0.25 to 0.75 of a 0.4 mm line is left over, up to four lines (common practice).
    places = odd_widths(walls_of(extruded(affinity.rotate(shapely.box(0, 0, 20, width), turn))), 0.4, **ODD)
    assert len(places) == found
    assert all(place.median_mm == pytest.approx(width, abs=1e-5) for place in places)


def test_two_odd_widths_in_one_wall_are_two_places():
    stepped = shapely.union_all([shapely.box(0, 0, 15, 1.0), shapely.box(15, 0, 30, 1.4)])
    places = odd_widths(walls_of(extruded(affinity.rotate(stepped, 17))), 0.4, **ODD)
    assert sorted(place.median_mm for place in places) == pytest.approx([1.0, 1.4], abs=1e-5)


def test_a_tapering_wall_has_no_odd_width():
    steep = shapely.Polygon([(0, 0), (20, 0), (20, 20 * np.tan(np.radians(15)))])
    assert not odd_widths(walls_of(extruded(steep)), 0.4, **ODD)
    upright = shapely.Polygon([(0, 0), (20, 0), (20, 1.5), (0, 0.8)])
    assert not odd_widths(walls_of(extruded(upright)), 0.4, **ODD)
    # A wall that thins upwards is parallel in each layer, but no width of it is steady.
    leaning = trimesh.creation.box([20, 1.5, 20])
    leaning.vertices[leaning.vertices[:, 2] > 0, 1] *= 0.8 / 1.5
    assert not odd_widths(walls_of(leaning), 0.4, **ODD)


@pytest.mark.parametrize(
    ("thickness", "over", "change"), [(0.8, 0.1, 0.424), (1.2, 0.1, 0.271), (0.8, 0.05, 0.199), (1.2, 0.05, 0.130)]
)
def test_bending_stiffness_goes_with_the_cube(thickness, over, change):
    # Worked values of flexures.md section 4, from beam theory.
    assert bending_change(thickness, over) == pytest.approx(change, abs=5e-4)
    # Three times the relative change of thickness, to first order.
    assert bending_change(thickness, 1e-6) == pytest.approx(3 * 1e-6 / thickness, rel=1e-5)


# --- unclean and real meshes


def test_overlapping_and_doubled_bodies_read_as_printed():
    boxes = [trimesh.creation.box([20, 20, 10]), trimesh.creation.box([20, 20, 10])]
    boxes[1].apply_translation([19.7, 0, 0])
    overlapping = trimesh.util.concatenate(boxes)
    walls = walls_of(overlapping)
    assert walls.width_mm.min() == pytest.approx(20.0)
    assert walls.width_mm.max() == pytest.approx(39.7)
    doubled = trimesh.util.concatenate([boxes[0], boxes[0]])
    assert np.allclose(walls_of(doubled).width_mm, 20.0)
    # A slab sunk into a block: its buried roof is no roof, and the block's own is read through both.
    sunk = trimesh.util.concatenate([trimesh.creation.box([20, 20, 10]), trimesh.creation.box([10, 10, 0.4])])
    assert np.allclose(skins_of(sunk).width_mm, 10.0)


def test_nothing_to_sample():
    empty = trimesh.Trimesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int))
    vertices, faces = np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    rays = RayTree(*(np.array(a) for a in (trimesh.creation.box().vertices, trimesh.creation.box().faces)))
    walls = wall_samples(layers(vertices, faces, 0.2, 0.2), vertices, faces, rays)
    assert len(walls) == len(empty.faces) == len(skin_samples(vertices, faces, rays)) == 0
    assert thin_places(walls, 0.8, **CREDIBLE) == ([], 0.0)
    assert thinnest_place(walls, **CREDIBLE) is None
    assert area_share_below(walls, 0.8, 20) == 0
    assert width_quantile(walls, 0.05, 20) == np.inf


def test_real_flexures_are_found_whole(shared_parts):
    # One leg of a printed flexure stage.  As sent its flexures lie flat, as floors; on its side they stand.
    leg = trimesh.load(shared_parts / "just_leg_test.stl", force="mesh")
    assert not thin_of(leg)
    skins = thin_places(skins_of(leg), 0.998, **{**CREDIBLE, "min_height_mm": 0.0})[0]
    assert sorted({round(place.width_mm, 3) for place in skins}) == [0.5, 0.75]
    leg.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    places = thin_of(leg)
    assert sorted({round(place.width_mm, 3) for place in places}) == [0.5, 0.75]


@pytest.mark.parametrize(
    "name", ["featuretype.STL", "angle_block.STL", "plate_holes.STL", "fixed_top.ply", "busted.STL"]
)
def test_real_parts_give_credible_numbers(shared_parts, name):
    mesh = trimesh.load(shared_parts / name, force="mesh")
    if mesh.extents.max() < 10:
        mesh.apply_scale(25.4)
    walls = walls_of(mesh)
    # Single rays near edges read hundredths of a mm; no wall of these parts is thinner than two lines.
    assert not [place for place in thin_places(walls, 0.798, **CREDIBLE)[0] if place.kind == "wall"]
    assert thinnest_place(walls, **CREDIBLE).width_mm >= 0.8
