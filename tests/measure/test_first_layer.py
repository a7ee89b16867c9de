"""First-layer measures against closed forms.

The isoperimetric values are those of the reference notes (printability 2.2), derived there: 1 for a disc,
(R - r) / (R + r) for a ring, pi / (n tan(pi / n)) for a regular polygon, pi r / (1 + r)^2 for a rectangle of
side ratio r, and Q / n for n copies.
"""

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import Manifold, Mesh64, OpType
from shapely import MultiPolygon, Polygon, box
from shapely.affinity import rotate, scale, translate

from reviewkit.measure.first_layer import first_layer, joined_by_mm
from reviewkit.measure.layers import layers, projected_area

LINE_MM = 0.4


def measured(region, **changed):
    arguments = {"corner_deg": 90.5, "widest_neck_mm": 4.0} | changed
    return first_layer(region, 2 * region.area, LINE_MM, **arguments)


def regular(sides, radius_mm=10.0):
    angle = 2 * np.pi * np.arange(sides) / sides
    return Polygon(radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))


def disc(x_mm, y_mm, radius_mm):
    return shapely.Point(x_mm, y_mm).buffer(radius_mm, quad_segs=64)


def mesh_of(solid):
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int64)


def bars(*boxes):
    """A solid of boxes, each (size, corner)."""
    return mesh_of(Manifold.batch_boolean([Manifold.cube(size).translate(at) for size, at in boxes], OpType.Add))


class TestQuotient:
    @pytest.mark.parametrize(
        ("sides", "quotient"),
        [(3, 0.604600), (4, 0.785398), (6, 0.906900), (8, 0.948059), (12, 0.977049), (64, 0.999197)],
    )
    def test_regular_polygon(self, sides, quotient):
        assert measured(regular(sides)).quotient == pytest.approx(quotient, abs=5e-7)

    @pytest.mark.parametrize(
        ("ratio", "quotient"), [(1, 0.785398), (2, 0.698132), (3, 0.589049), (5, 0.436332), (10, 0.259636)]
    )
    def test_rectangle(self, ratio, quotient):
        assert measured(box(0, 0, 6 * ratio, 6)).quotient == pytest.approx(quotient, abs=5e-7)

    def test_ring(self):
        assert measured(regular(512, 25.0) - regular(512, 15.0)).quotient == pytest.approx(0.25, abs=2e-5)

    @pytest.mark.parametrize("copies", [2, 3, 7])
    def test_copies(self, copies):
        shape = box(0, 0, 12, 6)
        many = MultiPolygon([translate(shape, 20 * i) for i in range(copies)])
        assert measured(many).quotient == pytest.approx(measured(shape).quotient / copies)
        assert measured(many).islands == copies

    def test_turned_cylinder_mesh_gives_the_value_of_its_polygon(self):
        vertices, faces = mesh_of(Manifold.cylinder(2.0, 10.0, 10.0, 64).rotate((0.0, 0.0, 11.0)))
        region = layers(vertices, faces, 0.2, 0.2).regions[0]
        assert measured(region).quotient == pytest.approx(0.999197, abs=1e-6)


class TestCounts:
    def test_plate_with_holes_and_a_loose_strip(self):
        plate = box(0, 0, 40, 30) - box(5, 5, 10, 10) - box(20, 5, 22, 25)
        strip = box(45, 0, 45.3, 20)
        result = first_layer(
            MultiPolygon([plate, strip]), 2000.0, LINE_MM, corner_deg=80, widest_neck_mm=4, outline_passes=2
        )
        assert (result.islands, result.holes) == (2, 2)
        assert result.starts == 2 * 4
        assert result.contact_mm2 == pytest.approx(1200 - 25 - 40 + 6)
        assert result.contact_share == pytest.approx(result.contact_mm2 / 2000)
        assert result.outline_mm == pytest.approx(140 + 20 + 44 + 40.6)
        assert result.smallest_island_mm2 == pytest.approx(6)
        assert strip.contains(shapely.Point(result.smallest_island_at))
        assert result.gap_mm == pytest.approx(5)
        assert result.gap_at[0] == pytest.approx(42.5)
        assert len(result.lost_at) == 1
        assert strip.contains(shapely.Point(result.lost_at[0]))

    def test_strip_wider_than_a_line_is_not_lost(self):
        assert len(measured(box(0, 0, 0.41, 20)).lost_at) == 0

    def test_gap_between_discs(self):
        result = measured(MultiPolygon([disc(0, 0, 5), disc(11, 0, 5), disc(40, 0, 5)]))
        assert result.gap_mm == pytest.approx(1.0)
        assert result.gap_at == pytest.approx((5.5, 0.0), abs=1e-6)

    def test_nothing_on_the_plate(self):
        result = measured(Polygon())
        assert (result.islands, result.holes, result.starts) == (0, 0, 0)
        assert (result.quotient, result.contact_share, result.smallest_island_mm2) == (0, 0, 0)
        assert np.isinf([result.neck_mm, result.gap_mm]).all()

    def test_contact_share_of_a_cone_on_its_tip_end(self):
        # Frustum of 48 sides, 4 mm on the plate, 8 mm on top: areas go with the square of the radius.
        stack = layers(*mesh_of(Manifold.cylinder(10.0, 4.0, 8.0, 48)), 0.2, 0.2)
        result = first_layer(stack.regions[0], projected_area(stack), LINE_MM, corner_deg=90, widest_neck_mm=4)
        assert result.contact_share == pytest.approx((4 + 0.04) ** 2 / (8 - 0.04) ** 2, rel=1e-6)


class TestNeck:
    @pytest.mark.parametrize("neck_mm", [0.13, 0.5, 1.4, 3.9])
    def test_long_neck_between_two_blocks(self, neck_mm):
        neck = box(9, 5 - neck_mm / 2, 31, 5 + neck_mm / 2)
        result = measured(shapely.union_all([box(0, 0, 10, 10), box(30, 0, 40, 10), neck]))
        assert result.neck_mm == pytest.approx(neck_mm, abs=0.02 * LINE_MM)
        assert result.neck_at == pytest.approx((20, 5), abs=0.1)

    def test_two_discs_that_overlap(self):
        # The common chord of two equal circles: 2 sqrt(R^2 - (c / 2)^2).
        result = measured(shapely.union(disc(0, 0, 5), disc(9.8, 0, 5)))
        assert result.neck_mm == pytest.approx(2 * np.sqrt(25 - 4.9**2), abs=0.02 * LINE_MM)
        assert result.neck_at == pytest.approx((4.9, 0), abs=0.1)

    def test_waist_between_two_arcs(self):
        waisted = box(-10, -6, 10, 6) - disc(0, 6, 5.2) - disc(0, -6, 5.2)
        assert measured(waisted).neck_mm == pytest.approx(1.6, abs=0.02 * LINE_MM)

    def test_narrowest_of_three_necks_in_two_islands(self):
        blocks = [box(0, 0, 10, 10), box(20, 0, 30, 10), box(40, 0, 50, 10)]
        chain = shapely.union_all([*blocks, box(10, 4, 20, 6), box(30, 4.5, 40, 5.5)])
        other = shapely.union_all([translate(b, 0, 30) for b in blocks[:2]] + [box(10, 34, 20, 36.5)])
        result = measured(MultiPolygon([other, chain]))
        assert result.neck_mm == pytest.approx(1.0, abs=0.02 * LINE_MM)
        assert result.neck_at == pytest.approx((35, 5), abs=0.1)

    def test_small_lobe_on_a_thin_stalk(self):
        # The lobe is gone long before the block: it splits off between 1 and 3 mm only.
        result = measured(shapely.union_all([box(0, 0, 30, 30), box(30, 10, 36, 11), box(36, 9, 42, 12)]))
        assert result.neck_mm == pytest.approx(1.0, abs=0.02 * LINE_MM)

    @pytest.mark.parametrize(
        "shape",
        [box(0, 0, 50, 3), regular(3), disc(0, 0, 1.5), shapely.union(box(0, 0, 20, 1), box(0, 0, 5, 20))],
        ids=["strip", "triangle", "disc", "thin arm"],
    )
    def test_no_neck(self, shape):
        assert measured(shape).neck_mm == np.inf

    def test_ring_with_one_thin_place_is_in_one_piece(self):
        assert measured(disc(0, 0, 10) - disc(1.5, 0, 8)).neck_mm == np.inf

    def test_ring_with_two_thin_places_is_not(self):
        slot = scale(disc(0, 0, 1), 9.25, 6)
        assert measured(disc(0, 0, 10) - slot).neck_mm == pytest.approx(0.75, abs=0.02 * LINE_MM)

    def test_strip_with_rough_edges(self):
        random = np.random.default_rng(1)
        along = np.linspace(0, 50, 400)
        upper = np.column_stack([along, 3 + random.normal(0, 2e-3, 400)])
        lower = np.column_stack([along[::-1], random.normal(0, 2e-3, 400)])
        assert measured(Polygon(np.concatenate([upper, lower]))).neck_mm == np.inf

    def test_wider_than_asked_for(self):
        shape = shapely.union_all([box(0, 0, 10, 10), box(20, 0, 30, 10), box(10, 4, 20, 6)])
        for asked_mm in (1.5, 1.95, 1.99):
            assert measured(shape, widest_neck_mm=asked_mm).neck_mm == np.inf
        assert measured(shape, widest_neck_mm=2.01).neck_mm == pytest.approx(2, abs=0.02 * LINE_MM)


class TestCorners:
    def test_triangle(self):
        result = measured(regular(3, 30.0))
        assert np.allclose(result.corner_deg, 60)
        assert np.allclose(result.corner_reach_mm, 30)

    def test_sharpest_first_and_bound(self):
        # Right triangle 3-4-5: angles atan(3/4) and atan(4/3).
        triangle = Polygon([(0, 0), (40, 0), (0, 30)])
        result = measured(triangle, corner_deg=89)
        assert result.corner_deg == pytest.approx([36.869898, 53.130102], abs=1e-5)
        assert result.corner_at == pytest.approx(np.array([[40, 0], [0, 30]]))
        assert result.corner_reach_mm[0] == pytest.approx(np.hypot(40 - 40 / 3, 10))

    def test_only_outward_corners(self):
        frame = box(0, 0, 40, 40) - box(10, 10, 30, 30)
        assert len(measured(frame).corner_deg) == 4
        notched = box(0, 0, 40, 40) - Polygon([(20, 20), (35, 10), (35, 30)])
        assert len(measured(notched, corner_deg=91).corner_deg) == 4

    def test_point_that_reaches_into_a_hole(self):
        spike = Polygon([(10, 10), (30, 10), (30, 19), (12, 20), (30, 21), (30, 30), (10, 30)])
        assert measured(box(0, 0, 40, 40) - spike, corner_deg=89.9).corner_at == pytest.approx(np.array([[12.0, 20.0]]))

    def test_rounding_takes_corners_away(self):
        assert len(measured(box(0, 0, 40, 40).buffer(-3).buffer(3, quad_segs=32)).corner_deg) == 0

    def test_steps_under_the_smoothing_do_not_count(self):
        edge = [(x, 0.02 * (i // 2 % 2)) for i, x in enumerate(np.repeat(np.linspace(0, 40, 42), 2)[1:-1])]
        assert len(measured(Polygon([*edge, (40, 40), (0, 40)]), corner_deg=91).corner_deg) == 4


class TestJoinedAbove:
    def test_two_legs_under_a_plate(self):
        stack = layers(*bars(((5, 5, 6), (0, 0, 0)), ((5, 5, 6), (20, 0, 0)), ((25, 5, 2), (0, 0, 6))), 0.2, 0.2)
        assert joined_by_mm(stack) == pytest.approx([6.0, 6.0])

    def test_each_leg_has_its_own_height_and_one_stands_alone(self):
        low, high = ((15, 5, 1), (0, 0, 3)), ((25, 5, 1), (0, 0, 7))
        legs = [((5, 5, 8), (x, 0, 0)) for x in (0, 10, 20, 40)]
        stack = layers(*bars(*legs, low, high), 0.2, 0.2)
        order = np.argsort([island.centroid.x for island in shapely.get_parts(stack.regions[0])])
        assert joined_by_mm(stack)[order] == pytest.approx([3.0, 3.0, 7.0, np.inf])

    def test_through_matter_that_hangs_down(self):
        # From leg one over a beam at 8 mm down a hanging post to a foot at 2 mm that meets leg two only there.
        stack = layers(
            *bars(((5, 5, 8), (0, 0, 0)), ((25, 5, 2), (0, 0, 8)), ((5, 5, 6), (20, 0, 2)), ((15, 5, 1), (20, 0, 2)),
                  ((5, 5, 3), (30, 0, 0))), 0.2, 0.2,
        )  # fmt: skip
        assert joined_by_mm(stack) == pytest.approx([8.0, 8.0])

    def test_touching_corners_do_not_join(self):
        stack = layers(*bars(((5, 5, 2), (0, 0, 0)), ((5, 5, 4), (10, 0, 0)), ((5, 5, 2), (5, 5, 2))), 0.2, 0.2)
        assert np.isinf(joined_by_mm(stack)).all()

    def test_one_island_has_no_other(self):
        assert list(joined_by_mm(layers(*bars(((5, 5, 2), (0, 0, 0))), 0.2, 0.2))) == [np.inf]

    def test_real_plate_with_a_second_foot(self, shared_parts):
        mesh = trimesh.load_mesh(shared_parts / "fixed_top.ply")
        stack = layers(mesh.vertices - mesh.bounds[0], np.asarray(mesh.faces), 0.2, 0.2)
        first, second = joined_by_mm(stack)
        assert first == second
        # manifold3d: bodies on the plate when the part is cut off just under that height and one layer above.
        solid = Manifold(Mesh64(mesh.vertices - mesh.bounds[0], np.asarray(mesh.faces, dtype=np.uint64)))
        for height_mm, bodies in ((first - 0.01, 2), (first + 0.21, 1)):
            pieces = solid.trim_by_plane((0, 0, -1), -height_mm).decompose()
            assert sum(piece.bounding_box()[2] < 0.1 for piece in pieces) == bodies


def test_turning_and_scaling():
    shape = shapely.union_all([box(0, 0, 10, 10), box(20, 0, 30, 10), box(10, 4, 20, 5)])
    region = MultiPolygon([shape, translate(box(0, 0, 5, 8), 40, 3)])
    plain = measured(region)
    turned = measured(rotate(region, 33.0, origin=(0, 0)))
    double = first_layer(scale(region, 2, 2, origin=(0, 0)), 8.0, 2 * LINE_MM, corner_deg=90.5, widest_neck_mm=8.0)
    for name, factor in (("contact_mm2", 4), ("outline_mm", 2), ("neck_mm", 2), ("gap_mm", 2), ("quotient", 1)):
        assert getattr(turned, name) == pytest.approx(getattr(plain, name), rel=1e-4)
        assert getattr(double, name) == pytest.approx(factor * getattr(plain, name), rel=1e-4)
    assert np.allclose(turned.corner_reach_mm.max(), plain.corner_reach_mm.max())
    assert np.allclose(double.corner_deg, plain.corner_deg)
