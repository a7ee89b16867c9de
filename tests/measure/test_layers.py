"""Layers against closed forms, against manifold3d's and trimesh's own sections, and against themselves turned."""

from functools import reduce

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import CrossSection, Manifold, Mesh64, OpType

from reviewkit.errors import SetupError
from reviewkit.measure import layers as module
from reviewkit.measure.layers import layer_planes, layers, projected_area, sections


def mesh_of(solid):
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int64)


def joined(*meshes):
    offsets = np.cumsum([0] + [len(vertices) for vertices, _ in meshes])
    return (
        np.concatenate([vertices for vertices, _ in meshes]),
        np.concatenate([faces + offset for (_, faces), offset in zip(meshes, offsets, strict=False)]),
    )


def box(size, at=(0.0, 0.0, 0.0)):
    return mesh_of(Manifold.cube(size).translate(at))


def mechanism():
    """A plate 80 x 50 x 6 with 24 windows, each with a pillar's worth of wall between, and a cone on top."""
    windows = [
        CrossSection.square((7.0, 8.0)).offset(-1.0).offset(1.0).translate((4.0 + 9.5 * i, 5.0 + 15.0 * j))
        for i in range(8)
        for j in range(3)
    ]
    plate = (CrossSection.square((80.0, 50.0)) - CrossSection.batch_boolean(windows, OpType.Add)).extrude(6.0)
    cone = Manifold.cylinder(5.5, 1.4, 0.3, 32).translate((77.0, 47.0, 5.5))
    return (plate + cone).rotate((0.0, 0.0, 17.0))


def slices(vertices, faces, z_mm):
    """Area, outer outlines and holes of manifold3d's own section at each height."""
    solid = Manifold(Mesh64(vertices.copy(), faces.astype(np.uint64)))
    rows = []
    for z in z_mm:
        areas = [shapely.Polygon(ring).area for ring in solid.slice(z).to_polygons()]
        signed = [shapely.LinearRing(ring).is_ccw for ring in solid.slice(z).to_polygons()]
        rows.append(
            (sum(a if ccw else -a for a, ccw in zip(areas, signed, strict=True)), sum(signed), signed.count(False))
        )
    return np.array(rows).T


def assert_sound(result):
    assert shapely.is_valid(result.regions).all()
    assert set(shapely.get_type_id(result.regions)) <= {3, 6}
    assert np.allclose(result.area_mm2, [region.area for region in result.regions])
    assert np.all(result.open_mm == 0)


class TestPlanes:
    def test_whole_layers(self):
        z_mm, thickness_mm = layer_planes(1.0, 0.2, 0.2)
        assert np.allclose(z_mm, [0.1, 0.3, 0.5, 0.7, 0.9])
        assert np.allclose(thickness_mm, 0.2)

    def test_own_first_layer_and_sliver_on_top(self):
        z_mm, thickness_mm = layer_planes(0.75, 0.3, 0.2)
        assert np.allclose(z_mm, [0.15, 0.4, 0.6, 0.725])
        assert np.allclose(thickness_mm, [0.3, 0.2, 0.2, 0.05])
        assert thickness_mm.sum() == pytest.approx(0.75)

    def test_rounding_makes_no_layer(self):
        assert len(layer_planes(0.2 * 3 + 1e-9, 0.2, 0.2)[0]) == 3

    def test_lower_than_the_first_layer(self):
        assert np.allclose(np.ravel(layer_planes(0.1, 0.3, 0.2)), [0.05, 0.1])

    def test_no_height_no_layer(self):
        assert len(layer_planes(0.0, 0.2, 0.2)[0]) == 0

    @pytest.mark.parametrize(("first", "layer"), [(0.0, 0.2), (0.2, -0.1), (0.2, float("nan"))])
    def test_refuses_a_thickness_that_is_none(self, first, layer):
        with pytest.raises(SetupError, match="above 0 mm"):
            layer_planes(1.0, first, layer)


class TestClosedForms:
    # Reference notes, printability 2.4: the real gap is the number of layer mid-heights strictly inside it.
    @pytest.mark.parametrize(("gap_mm", "empty"), [(0.20, 1), (0.25, 1), (0.40, 2), (0.15, 1), (0.08, 0)])
    def test_gap_over_a_base_in_whole_layers(self, gap_mm, empty):
        result = layers(*joined(box((20, 20, 1.0)), box((20, 20, 2.0), (0, 0, 1.0 + gap_mm))), 0.2, 0.2)
        assert np.count_nonzero(result.islands == 0) == empty
        assert np.count_nonzero(result.area_mm2 == 0) == empty

    def test_cone(self):
        sides, radius_mm, height_mm = 48, 10.0, 12.0
        result = layers(*mesh_of(Manifold.cylinder(height_mm, radius_mm, 0.0, sides)), 0.2, 0.2)
        at_mm = radius_mm * (1 - result.z_mm / height_mm)
        # Area of a regular polygon in its circumscribed circle.
        assert np.allclose(result.area_mm2, sides / 2 * np.sin(2 * np.pi / sides) * at_mm**2, rtol=1e-6)
        assert np.allclose(result.outline_mm, 2 * sides * np.sin(np.pi / sides) * at_mm, rtol=1e-6)
        assert_sound(result)

    def test_sphere(self):
        ball = trimesh.creation.icosphere(subdivisions=5, radius=10.0)
        result = layers(ball.vertices + np.array([0, 0, 10.0]), ball.faces, 0.2, 0.2)
        true_mm2 = np.pi * (100 - (result.z_mm - 10.0) ** 2)
        assert np.all(result.area_mm2 < true_mm2)
        assert np.allclose(result.area_mm2, true_mm2, atol=0.003 * np.pi * 100)
        # Cavalieri: the midpoint sum is the volume.
        assert result.area_mm2 @ result.thickness_mm == pytest.approx(ball.volume, rel=2e-4)
        assert_sound(result)

    def test_torus(self):
        ring = trimesh.creation.torus(20.0, 5.0, major_sections=256, minor_sections=128)
        result = layers(ring.vertices + np.array([0, 0, 5.0]), ring.faces, 0.2, 0.2)
        half_mm = np.sqrt(25 - (result.z_mm - 5.0) ** 2)
        assert np.allclose(result.area_mm2, 4 * np.pi * 20 * half_mm, rtol=0.01)
        assert np.all(result.holes == 1)
        assert np.all(result.islands == 1)
        assert_sound(result)

    def test_through_holes(self):
        # Hole walls by hand: 12 holes of 16 sides, circumscribed radius 2.
        holes = [
            Manifold.cylinder(10.0, 2.0, 2.0, 16).translate((6.0 * i + 5, 6.0 * j + 5, 0))
            for i in range(4)
            for j in range(3)
        ]
        solid = Manifold.cube((30.0, 25.0, 10.0)) - Manifold.batch_boolean(holes, OpType.Add)
        result = layers(*mesh_of(solid), 0.2, 0.2)
        polygon_mm2 = 16 / 2 * np.sin(2 * np.pi / 16) * 4
        assert np.allclose(result.area_mm2, 750 - 12 * polygon_mm2, rtol=1e-9)
        assert np.allclose(result.outline_mm, 110 + 12 * 2 * 16 * np.sin(np.pi / 16) * 2, rtol=1e-9)
        assert np.all(result.holes == 12)
        assert len(result.distinct) == 1
        assert_sound(result)

    def test_enclosed_void(self):
        outer, inner = box((10, 10, 10)), box((6, 6, 6), (2, 2, 2))
        result = layers(*joined(outer, (inner[0], inner[1][:, ::-1])), 0.2, 0.2)
        inside = (result.z_mm > 2) & (result.z_mm < 8)
        assert np.allclose(result.area_mm2, np.where(inside, 64.0, 100.0))
        assert np.array_equal(result.holes, inside)
        assert list(result.distinct) == [0, 10]
        assert np.all(result.same_as[40:] == 0)
        assert_sound(result)

    def test_pyramid_seen_from_above(self):
        result = layers(*mesh_of(Manifold.cylinder(10.0, 2.0, 8.0, 4)), 0.2, 0.2)
        assert projected_area(result) == pytest.approx(result.area_mm2.max())


class TestOtherLibraries:
    @pytest.mark.parametrize("name", ["sphere", "mechanism", "tilted"])
    def test_areas_and_holes_agree(self, name):
        if name == "sphere":
            ball = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
            vertices, faces = np.array(ball.vertices), np.array(ball.faces)
        else:
            vertices, faces = mesh_of(mechanism().rotate((25.0, 0.0, 0.0)) if name == "tilted" else mechanism())
        vertices = vertices - [0, 0, vertices[:, 2].min()]
        result = layers(vertices, faces, 0.3, 0.37)
        area_mm2, islands, holes = slices(vertices, faces, result.z_mm)
        assert np.allclose(result.area_mm2, area_mm2, atol=2e-4)
        assert np.array_equal(result.islands, islands)
        assert np.array_equal(result.holes, holes)
        peer = trimesh.Trimesh(vertices, faces, process=False).section_multiplane((0, 0, 0), (0, 0, 1), result.z_mm)
        # Its rings, one cut out of another; its own nesting needs a library that the kit does not have.
        full = [reduce(shapely.symmetric_difference, path.polygons_closed) for path in peer]
        assert np.allclose(result.area_mm2, shapely.area(full), atol=1e-2)
        assert np.array_equal(
            result.holes, [shapely.get_num_interior_rings(shapely.get_parts(region)).sum() for region in full]
        )
        assert_sound(result)

    @pytest.mark.parametrize(
        "name", ["just_leg_test.stl", "angle_block.STL", "plate_holes.STL", "fixed_top.ply", "1002_tray_bottom.STL"]
    )
    def test_real_parts(self, shared_parts, name):
        mesh = trimesh.load_mesh(shared_parts / name)
        vertices, faces = mesh.vertices - mesh.bounds[0], np.asarray(mesh.faces)
        z_mm = np.linspace(0, vertices[:, 2].max(), 42)[1:-1] + 0.00123
        result = sections(vertices, faces, z_mm)
        area_mm2, islands, holes = slices(vertices, faces, z_mm)
        assert np.allclose(result.area_mm2, area_mm2, atol=1e-3)
        assert np.array_equal(result.islands, islands)
        assert np.array_equal(result.holes, holes)
        assert_sound(result)

    @pytest.mark.parametrize("name", ["busted.STL", "soup.stl", "wallhole.obj", "tube.obj", "featuretype.3MF"])
    def test_real_broken_meshes_give_valid_layers(self, shared_parts, name):
        mesh = trimesh.load(shared_parts / name, force="mesh")
        vertices = mesh.vertices - mesh.bounds[0]
        result = sections(vertices, np.asarray(mesh.faces), np.linspace(0.01, 0.99, 30) * vertices[:, 2].max())
        assert shapely.is_valid(result.regions).all()
        assert np.all(result.area_mm2 <= np.prod(np.ptp(vertices[:, :2], axis=0)) * (1 + 1e-9))


class TestUncleanMeshes:
    def test_overlapping_boxes_unite(self):
        result = layers(*joined(box((10, 10, 4)), box((10, 10, 4), (6, 7, 0))), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 200 - 4 * 3)
        assert np.all(result.islands == 1)
        assert_sound(result)

    def test_doubled_box_counts_once(self):
        result = layers(*joined(box((10, 10, 4)), box((10, 10, 4))), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)
        assert np.allclose(result.outline_mm, 40)
        assert_sound(result)

    def test_doubled_box_with_merged_corners(self):
        # Every edge has four facets.
        vertices, faces = box((10, 10, 4))
        result = layers(vertices, np.concatenate([faces, faces]), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)
        assert_sound(result)

    def test_boxes_that_touch_along_an_edge_and_a_face(self):
        result = layers(*joined(box((5, 5, 2)), box((5, 5, 2), (5, 5, 0)), box((5, 5, 2), (10, 5, 0))), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 75)
        assert_sound(result)

    def test_edge_of_four_facets_with_shared_corners(self):
        # Two boxes welded along one upright edge.
        vertices, faces = joined(box((5, 5, 2)), box((5, 5, 2), (5, 5, 0)))
        mesh = trimesh.Trimesh(vertices, faces, process=True)
        assert len(mesh.vertices) == 14
        result = layers(np.array(mesh.vertices), np.array(mesh.faces), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 50)
        assert_sound(result)

    def test_inward_body_is_nothing(self):
        # 3MF Core 1.4.0, section 4.1: the positive filling rule (reference notes, printability 7.3).
        sound, inward = box((10, 10, 4)), box((8, 8, 4), (20, 0, 0))
        result = layers(*joined(sound, (inward[0], inward[1][:, ::-1])), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)
        assert_sound(result)
        alone = layers(inward[0], inward[1][:, ::-1], 0.2, 0.2)
        assert np.all(alone.area_mm2 == 0)
        assert np.all(alone.islands == 0)

    @pytest.mark.parametrize("off_line_mm", [0.0, 1e-5, 2e-4])
    def test_t_junctions_are_closed_without_a_trace(self, off_line_mm):
        # The wall at x = 0 is one quad on its own side, its upper rim is split in the wall beside it.
        vertices = np.array(
            [[0, 0, 0], [10, 0, 0], [10, 8, 0], [0, 8, 0],
             [0, 0, 6], [10, 0, 6], [10, 8, 6], [0, 8, 6], [off_line_mm, 0, 2.5]]
        )  # fmt: skip
        faces = np.array(
            [[0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6],
             [3, 0, 4], [3, 4, 7], [0, 1, 8], [1, 5, 8], [8, 5, 4]]
        )  # fmt: skip
        assert not trimesh.Trimesh(vertices, faces, process=False).is_watertight
        result = layers(vertices, faces, 0.2, 0.2)
        assert np.allclose(result.area_mm2, 80, atol=8 * off_line_mm + 1e-9)
        assert np.allclose(result.outline_mm, 36, atol=4 * off_line_mm + 1e-9)
        assert_sound(result)

    def test_missing_facet_is_bridged_and_told(self):
        vertices, faces = box((10, 10, 10))
        normal = trimesh.Trimesh(vertices, faces, process=False).face_normals
        wall = np.flatnonzero(normal[:, 0] > 0.9)[0]
        result = layers(vertices, np.delete(faces, wall, axis=0), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)
        # The gap runs along the diagonal of the wall: from 0 to 10 mm or from 10 to 0.
        assert np.allclose(result.open_mm, result.z_mm) or np.allclose(result.open_mm, 10 - result.z_mm)

    def test_missing_wall_is_closed_straight(self):
        vertices, faces = box((10, 10, 10))
        normal = trimesh.Trimesh(vertices, faces, process=False).face_normals
        result = layers(vertices, faces[normal[:, 0] < 0.9], 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)
        assert np.allclose(result.open_mm, 10)

    def test_gaps_in_two_bodies_do_not_mix(self):
        vertices, faces = box((10, 10, 10))
        normal = trimesh.Trimesh(vertices, faces, process=False).face_normals
        open_box = (vertices, faces[normal[:, 0] < 0.9])
        result = layers(*joined(open_box, (vertices + np.array([25.0, 3.0, 0.0]), open_box[1])), 0.2, 0.2)
        assert np.allclose(result.area_mm2, 200)
        assert np.all(result.islands == 2)

    def test_open_and_inside_out_falls_back_to_even_odd(self):
        vertices, faces = box((10, 10, 10))
        normal = trimesh.Trimesh(vertices, faces, process=False).face_normals
        result = layers(vertices, faces[normal[:, 0] < 0.9][:, ::-1], 0.2, 0.2)
        assert np.allclose(result.area_mm2, 100)

    def test_single_sheet_encloses_nothing(self):
        vertices = np.array([[0, 0, 0], [10, 0, 0], [10, 0, 5], [0, 0, 5.0]])
        result = layers(vertices, np.array([[0, 1, 2], [0, 2, 3]]), 0.2, 0.2)
        assert np.all(result.area_mm2 == 0)
        assert np.all(result.islands == 0)
        assert np.allclose(result.open_mm, 10)

    def test_some_facets_turned_round(self):
        ball = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
        vertices, faces = ball.vertices + np.array([0, 0, 10.0]), np.array(ball.faces)
        sound = layers(vertices, faces, 0.2, 0.2)
        turned = np.random.default_rng(3).random(len(faces)) < 0.1
        faces[turned] = faces[turned][:, ::-1]
        assert np.allclose(layers(vertices, faces, 0.2, 0.2).area_mm2, sound.area_mm2, rtol=0.01)


class TestPlanesThroughVertices:
    def test_level_face_belongs_to_the_solid_below(self):
        solid = Manifold.cube((10.0, 10.0, 4.0)) + Manifold.cube((4.0, 4.0, 8.0))
        result = sections(*mesh_of(solid), np.array([4.0, 8.0]))
        assert np.allclose(result.area_mm2, [100, 16])

    def test_face_that_is_level_but_for_rounding(self):
        vertices, faces = mesh_of(Manifold.cube((100.0, 100.0, 4.0)).refine(8) + Manifold.cube((4.0, 4.0, 8.0)))
        vertices[:, 2] += np.random.default_rng(1).normal(0.0, 2e-6, len(vertices))
        result = sections(vertices, faces, np.array([4.0]))
        assert result.area_mm2[0] == pytest.approx(10_000, rel=1e-6)
        assert (result.islands[0], result.holes[0]) == (1, 0)

    def test_equator_of_corners(self):
        ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
        heights = np.unique(np.round(ball.vertices[:, 2], 9))[1:-1]
        at = sections(ball.vertices, ball.faces, heights)
        under = sections(ball.vertices, ball.faces, heights - 3e-5)
        assert np.allclose(at.area_mm2, under.area_mm2, atol=0.01)
        assert np.array_equal(at.islands, under.islands)
        assert_sound(at)


class TestInvariance:
    @pytest.fixture
    def upright(self):
        return layers(*mesh_of(mechanism()), 0.2, 0.2)

    @pytest.mark.parametrize("angle_deg", [30.0, 90.0, 211.3])
    def test_turning_about_z(self, upright, angle_deg):
        turned = layers(*mesh_of(mechanism().rotate((0.0, 0.0, angle_deg))), 0.2, 0.2)
        assert np.allclose(turned.area_mm2, upright.area_mm2, rtol=1e-6)
        assert np.allclose(turned.outline_mm, upright.outline_mm, rtol=1e-6)
        assert np.array_equal(turned.islands, upright.islands)
        assert np.array_equal(turned.holes, upright.holes)
        assert np.array_equal(turned.same_as, upright.same_as)

    def test_twice_the_size(self, upright):
        vertices, faces = mesh_of(mechanism())
        double = layers(2 * vertices, faces, 0.4, 0.4)
        assert np.allclose(double.area_mm2, 4 * upright.area_mm2, rtol=1e-6)
        assert np.allclose(double.outline_mm, 2 * upright.outline_mm, rtol=1e-6)

    def test_order_of_facets_and_their_corners(self, upright):
        vertices, faces = mesh_of(mechanism())
        random = np.random.default_rng(5)
        shuffled = np.take_along_axis(faces, (np.arange(3) + random.integers(0, 3, (len(faces), 1))) % 3, axis=1)
        again = layers(vertices, shuffled[random.permutation(len(faces))], 0.2, 0.2)
        assert np.allclose(again.area_mm2, upright.area_mm2, rtol=1e-9)
        assert np.array_equal(again.holes, upright.holes)

    def test_narrow_indices(self, upright):
        vertices, faces = mesh_of(mechanism())
        padded = np.concatenate([np.full((70_000, 3), 1.0), vertices])
        narrow = layers(padded, (faces + 70_000).astype(np.uint32), 0.2, 0.2)
        assert np.array_equal(narrow.area_mm2, upright.area_mm2)
        assert np.all(narrow.open_mm == 0)

    def test_groups_of_planes(self, upright, monkeypatch):
        monkeypatch.setattr(module, "_CROSSINGS", 1500)
        grouped = layers(*mesh_of(mechanism()), 0.2, 0.2)
        assert np.array_equal(grouped.area_mm2, upright.area_mm2)
        assert np.array_equal(grouped.same_as, upright.same_as)


class TestRepeats:
    def test_prism_and_cone(self):
        result = layers(*mesh_of(mechanism()), 0.2, 0.2)
        assert np.all(result.same_as[:27] == 0)
        assert np.array_equal(result.same_as[30:], np.arange(30, len(result)))
        assert all(result.regions[i] is result.regions[0] for i in range(27))

    def test_repeats_are_not_cut_again(self, monkeypatch):
        groups = []

        def recorded(crossed, first, stop):
            groups.append(stop - first)
            return rings(crossed, first, stop)

        rings = module._rings
        monkeypatch.setattr(module, "_rings", recorded)
        result = layers(*mesh_of(mechanism()), 0.2, 0.2)
        assert groups == [len(result.distinct)]

    def test_walls_with_corners_between_the_planes(self):
        # Facets of other sizes at every height: only the rings themselves tell that layers repeat.
        vertices, faces = mesh_of(mechanism().trim_by_plane((0, 0, -1), -5.0).refine_to_length(1.1))
        result = layers(vertices - [0, 0, vertices[:, 2].min()], faces, 0.2, 0.2)
        assert list(result.distinct) == [0]

    def test_leaning_walls_do_not_repeat(self):
        result = layers(*mesh_of(Manifold.cube((10.0, 10.0, 5.0)).warp_batch(lean)), 0.2, 0.2)
        assert len(result.distinct) == len(result)
        assert np.allclose(result.area_mm2, 100)

    def test_near_repeats_stay_apart(self):
        lower, upper = box((10, 10, 1)), box((10, 10.001, 1), (0, 0, 1))
        assert list(layers(*joined(lower, upper), 0.2, 0.2).distinct) == [0, 5]


def lean(points):
    points = np.array(points)
    points[:, 0] += 0.01 * points[:, 2]
    return points


def test_pinched_outline_is_valid():
    # A ring that touches itself in a point, in one welded body.
    left = CrossSection.square((6.0, 6.0)) - CrossSection.square((4.0, 4.0)).translate((1.0, 1.0))
    pinched = left + CrossSection([np.array([[6.0, 6.0], [9.0, 6.0], [9.0, 9.0], [6.0, 9.0]])])
    tip = CrossSection([np.array([[1.0, 3.0], [3.0, 2.0], [3.0, 4.0]])])
    result = layers(*joined(mesh_of(pinched.extrude(2.0)), mesh_of(tip.extrude(2.0))), 0.2, 0.2)
    assert_sound(result)
    assert np.allclose(result.area_mm2, 36 - 16 + 9 + 2)


def test_nothing_gives_nothing():
    empty = layers(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64), 0.2, 0.2)
    assert len(empty) == 0
    assert projected_area(empty) == 0
    above = sections(*box((1, 1, 1)), np.array([5.0, 6.0]))
    assert np.all(above.islands == 0)
    assert np.all(above.area_mm2 == 0)


def test_heights_must_rise():
    with pytest.raises(ValueError, match="rise"):
        sections(*box((1, 1, 1)), np.array([0.5, 0.5]))
