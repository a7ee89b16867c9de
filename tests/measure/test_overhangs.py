"""Overhangs, bridges, ledges, islands and supports against closed forms and drawn solids."""

import numpy as np
import pytest
import shapely
import trimesh
from trimesh.transformations import rotation_matrix

from reviewkit.measure.layers import layers
from reviewkit.measure.overhangs import (
    Overhang,
    Overhangs,
    Rules,
    access,
    down_facing,
    overhangs,
    supports,
    surface_samples,
)
from reviewkit.measure.rays import RayTree

H, LINE = 0.2, 0.4
RULES = Rules(
    mild_deg=45.0,
    steep_deg=60.0,
    line_mm=LINE,
    plate_mm=0.1,
    short_mm=1.0,
    island_mm2=0.16,
    overlap=0.2,
    overlap_mm2=4.0,
    carried_layers=2,
    carried_share=0.8,
    spacing_mm=2.0,
)
TURNS = [0.0, 17.0, 45.0]
ON_ITS_SIDE = rotation_matrix(np.pi / 2, [1, 0, 0])
UPSIDE_DOWN = rotation_matrix(np.pi, [1, 0, 0])


def box(x0, y0, z0, x1, y1, z1) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[[x0, y0, z0], [x1, y1, z1]])


def joined(*meshes, turn: float = 0.0) -> trimesh.Trimesh:
    mesh = trimesh.boolean.union(list(meshes))
    return mesh.apply_transform(rotation_matrix(np.radians(turn), [0, 0, 1]))


def cut(mesh, *others) -> trimesh.Trimesh:
    return trimesh.boolean.difference([mesh, *others])


def cylinder(radius, height, sections=96) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius=radius, height=height, sections=sections)


def cone(half_angle_deg, height=10.0, sections=48) -> trimesh.Trimesh:
    """A cone that stands on its tip."""
    radius = height * np.tan(np.radians(half_angle_deg))
    return trimesh.creation.cone(radius=radius, height=height, sections=sections).apply_transform(UPSIDE_DOWN)


def placed(mesh) -> tuple[np.ndarray, np.ndarray, RayTree]:
    vertices = np.array(mesh.vertices, dtype=float)
    vertices[:, 2] -= vertices[:, 2].min()
    faces = np.array(mesh.faces, dtype=np.int64)
    return vertices, faces, RayTree(vertices, faces)


def found(mesh, height=H, rules=RULES) -> Overhangs:
    vertices, faces, rays = placed(mesh)
    return overhangs(layers(vertices, faces, H, height), vertices, faces, rays, rules)


def notable(mesh) -> list[Overhang]:
    """Overhangs that are no mere crumbs."""
    return [p for p in found(mesh).places if max(p.span_mm, p.reach_mm, p.run_mm, p.island_mm2, p.carried) > 0.5]


# --- facets by angle -------------------------------------------------------------------------


def test_share_of_a_ball_beyond_45_degrees():
    # (1 - cos 45) / 2 = 0.146447; R = 10: 184.030 mm2 (printability note 3.5, derived; mesh of 6 halvings 0.14670).
    vertices, faces, _ = placed(trimesh.creation.icosphere(subdivisions=6, radius=10))
    down = down_facing(vertices, faces, beyond_deg=45, plate_mm=0)
    assert down.beyond_mm2(45) / down.area_mm2.sum() == pytest.approx((1 - np.cos(np.pi / 4)) / 2, rel=3e-3)
    assert down.beyond_mm2(45) == pytest.approx(184.030, rel=3e-3)
    assert down.cluster.max() == 0


def test_share_of_a_lying_cylinder():
    # A quarter of the round face (printability note 3.5, derived); its plane ends stand upright.
    vertices, faces, _ = placed(cylinder(10, 30, 720).apply_transform(ON_ITS_SIDE))
    down = down_facing(vertices, faces, beyond_deg=45, plate_mm=0)
    assert down.beyond_mm2(45) / (2 * np.pi * 10 * 30) == pytest.approx(0.25, abs=0.003)


@pytest.mark.parametrize(("half_angle", "share"), [(30, 0.0), (44.9, 0.0), (45, 0.0), (50, 1.0), (70, 1.0)])
def test_cones_on_their_tip(half_angle, share):
    vertices, faces, _ = placed(cone(half_angle, sections=720))
    down = down_facing(vertices, faces, beyond_deg=45, plate_mm=0)
    lateral = down.angle_deg > 1
    assert down.beyond_mm2(45) / down.area_mm2[lateral].sum() == pytest.approx(share, abs=1e-6)
    assert down.angle_deg[lateral] == pytest.approx(half_angle, abs=0.02)


def test_an_upright_prism_has_none_and_its_underside_lies_on_the_plate():
    vertices, faces, _ = placed(box(0, 0, 0, 20, 10, 30))
    down = down_facing(vertices, faces, beyond_deg=45, plate_mm=0.1)
    assert down.beyond_mm2(45) == 0
    assert down.area_mm2[down.on_plate].sum() == pytest.approx(200)
    assert (down.cluster == -1).all()


# --- supports --------------------------------------------------------------------------------


def test_support_under_a_ball():
    # V = pi R^3 sin(b)^2 - 2/3 pi R^3 (1 - cos(b)^3), R = 10, b = 45: 216.882 mm3 (printability note 5, derived).
    vertices, faces, rays = placed(trimesh.creation.icosphere(subdivisions=6, radius=10))
    down = down_facing(vertices, faces, beyond_deg=45, plate_mm=0)
    b, r3 = np.pi / 4, 1000.0
    closed = np.pi * r3 * np.sin(b) ** 2 - 2 / 3 * np.pi * r3 * (1 - np.cos(b) ** 3)
    assert closed == pytest.approx(216.882, abs=1e-3)
    assert supports(vertices, faces, rays, down, 2.0).volume_mm3 == pytest.approx(closed, rel=6e-3)


@pytest.mark.parametrize("turn", TURNS)
def test_support_under_a_table(turn):
    # (40 x 30 less four legs of 4 x 4) times 25 (derived).
    legs = [box(x, y, 0, x + 4, y + 4, 25) for x in (0, 36) for y in (0, 26)]
    table = joined(*legs, box(0, 0, 25, 40, 30, 30), turn=turn)
    assert found(table).supports.volume_mm3 == pytest.approx((40 * 30 - 4 * 16) * 25, rel=1e-6)


def test_support_that_stands_on_the_part():
    # A 10 x 8 ledge 12 mm above the foot of an L: 80 x 12 mm3, standing on the part and not on the plate.
    shape = joined(box(0, 0, 0, 15, 8, 5), box(0, 0, 0, 5, 8, 20), box(0, 0, 17, 15, 8, 20))
    columns = found(shape).supports
    assert columns.volume_mm3 == pytest.approx(80 * 12, rel=1e-6)
    assert (columns.foot >= 0).all()


def test_nothing_is_held_up_inside_another_body():
    # The beam runs through the post: what of its underside is inside needs no support.
    overlapping = trimesh.util.concatenate([box(0, 0, 0, 10, 10, 30), box(-10, 2, 20, 20, 8, 25)])
    merged = joined(box(0, 0, 0, 10, 10, 30), box(-10, 2, 20, 20, 8, 25))
    assert found(merged).supports.volume_mm3 == pytest.approx(20 * 6 * 20, rel=1e-6)
    assert found(overlapping).supports.volume_mm3 == pytest.approx(20 * 6 * 20, rel=0.1)


def test_samples_share_out_their_facet():
    mesh = box(0, 0, 0, 30, 20, 10)
    facet, point, share = surface_samples(
        np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), np.arange(12), 3.0
    )
    assert np.bincount(facet, weights=share) == pytest.approx(np.ones(12))
    middle = [np.average(point[facet == k], axis=0, weights=share[facet == k]) for k in range(12)]
    np.testing.assert_allclose(middle, mesh.triangles_center, atol=1e-9)


# --- layer over layer ------------------------------------------------------------------------


def ramp(angle_deg, rise=8.0, deep=10.0) -> trimesh.Trimesh:
    """A leaning wall 6 mm thick whose underside leans by an angle."""
    out = rise * np.tan(np.radians(angle_deg))
    profile = shapely.Polygon([(0, 0), (6, 0), (6 + out, rise), (out, rise)])
    return trimesh.creation.extrude_polygon(profile, deep).apply_transform(ON_ITS_SIDE)


@pytest.mark.parametrize(
    ("angle", "step"), [(30, 0.1155), (44, 0.1931), (50, 0.2384), (55, 0.2856), (60, 0.3464), (63.435, 0.4)]
)
def test_steps_of_a_slope(angle, step):
    # Step h tan(angle) at h = 0.2 (printability note 3.5, derived).
    assert H * np.tan(np.radians(angle)) == pytest.approx(step, abs=6e-5)
    air = found(ramp(angle)).in_air
    if angle <= 45:
        assert not air
    else:
        assert [shape.area / 10 for shape in air.values()] == pytest.approx([step] * 39, abs=1e-3)


@pytest.mark.parametrize(("angle", "mild", "steep"), [(44.5, 0, 0), (46, 1, 0), (59, 1, 0), (61, 0, 1), (75, 0, 1)])
def test_a_slope_is_told_by_its_angle(angle, mild, steep):
    places = notable(ramp(angle))
    assert len(places) == mild + steep
    reach = 8 * np.tan(np.radians(angle))
    for place in places:
        assert (place.run_mm > 1) == bool(mild)
        assert (place.reach_mm > 1) == bool(steep)
        # The first of forty layers stands on the plate.
        assert max(place.run_mm, place.reach_mm) == pytest.approx(reach * 39 / 40, rel=0.01)
        assert place.angle_deg == pytest.approx(angle, abs=0.01)
        assert place.span_mm == 0


@pytest.mark.parametrize("turn", TURNS)
def test_a_t_has_two_ledges_and_no_island(turn):
    # Printability note 3.6.
    places = found(joined(box(0, 0, 0, 4, 10, 20), box(-10, 0, 20, 14, 10, 24), turn=turn)).places
    assert len(places) == 2
    for place in places:
        assert place.reach_mm == pytest.approx(10, abs=0.002)
        assert place.air_mm2 == pytest.approx(100, rel=1e-3)
        assert (place.span_mm, place.island_mm2) == (0, 0)
        assert place.angle_deg == pytest.approx(90, abs=1e-3)
        assert place.point[2] == pytest.approx(20, abs=1e-3)
        # The stem carries 40 of 240 mm2.
        assert place.overlap == pytest.approx(1 / 6, abs=1e-3)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("span", [4.0, 12.0, 35.0])
def test_an_inverted_u_is_a_bridge(turn, span):
    # Printability note 3.6; the deck is wider than the span is long or not, and open at both sides.
    arch = joined(box(-4, 0, 0, 0, 15, 9), box(span, 0, 0, span + 4, 15, 9), box(-4, 0, 9, span + 4, 15, 12), turn=turn)
    (place,) = found(arch).places
    assert place.span_mm == pytest.approx(span, abs=0.01)
    assert (place.reach_mm, place.island_mm2) == (0, 0)
    assert place.air_mm2 == pytest.approx(span * 15, rel=1e-3)
    assert np.linalg.norm(np.diff(place.ends, axis=0)) == pytest.approx(span, abs=0.01)


@pytest.mark.parametrize("turn", TURNS)
def test_a_closed_slot_is_bridged_across_and_not_along(turn):
    outer, inner = box(0, 0, 0, 46, 12, 12), box(3, 3, 3, 43, 9, 9)
    (place,) = found(joined(cut(outer, inner), turn=turn)).places
    assert place.span_mm == pytest.approx(6, abs=0.01)
    assert place.reach_mm == 0


def test_a_round_roof_is_as_long_as_its_diameter():
    (place,) = found(cut(cylinder(12, 60), cylinder(10.8, 57.6))).places
    assert place.span_mm == pytest.approx(21.6, abs=0.03)
    assert place.point == pytest.approx((0, 0, 58.8), abs=1e-3)


def test_a_small_table_spans_from_leg_to_leg_and_then_between():
    legs = [box(x, y, 0, x + 2, y + 2, 10) for x in (0, 6) for y in (0, 6)]
    (place,) = found(joined(*legs, box(0, 0, 10, 8, 8, 12))).places
    assert place.span_mm == pytest.approx(4, abs=0.05)
    assert place.reach_mm == 0


@pytest.mark.parametrize("turn", TURNS)
def test_a_stalactite_is_one_island_at_its_tip(turn):
    # Printability note 3.6.
    gate = (box(0, 0, 0, 4, 10, 20), box(16, 0, 0, 20, 10, 20), box(0, 0, 20, 20, 10, 24))
    places = found(joined(*gate, box(9, 4, 15, 11, 6, 20.5), turn=turn)).places
    islands = [p for p in places if p.island_mm2 > 0]
    assert len(islands) == 1
    assert islands[0].island_mm2 == pytest.approx(4, rel=1e-3)
    assert islands[0].island_mm == pytest.approx(15)
    assert islands[0].point[2] == pytest.approx(15, abs=1e-3)
    assert all(p.island_mm2 == 0 for p in found(joined(*gate, turn=turn)).places)


def test_a_pointed_stalactite_counts_from_where_it_can_be_drawn():
    # No facet of it leans over: half angle 20 degrees.  Its section reaches 0.16 mm2 0.62 mm above the tip.
    gate = (box(0, 0, 0, 4, 10, 20), box(16, 0, 0, 20, 10, 20), box(0, 0, 20, 20, 10, 24))
    icicle = cone(20, height=8).apply_translation([10, 5, 20.5])
    places = found(joined(*gate, icicle)).places
    (tip,) = [p for p in places if p.island_mm2 > 0]
    assert 0.16 <= tip.island_mm2 < 0.4
    assert tip.island_mm == pytest.approx(12.5 + 0.62, abs=0.25)


@pytest.mark.parametrize(("gap", "carried"), [(0.2, True), (0.4, True), (0.8, False), (3.0, False)])
def test_what_starts_just_above_a_surface_is_laid_onto_it(gap, carried):
    two = trimesh.util.concatenate([box(0, 0, 0, 20, 20, 1), box(5, 5, 1 + gap, 15, 15, 6 + gap)])
    (place,) = found(two).places
    assert place.carried is carried
    assert place.island_mm2 == pytest.approx(0 if carried else 100)


def test_overlapping_bodies_are_as_one():
    merged = (box(0, 0, 0, 4, 10, 22), box(-10, 0, 20, 14, 10, 24))
    reaches = [p.reach_mm for p in found(trimesh.util.concatenate(merged)).places]
    assert max(reaches) == pytest.approx(10, abs=0.01)
    assert found(trimesh.util.concatenate(merged)).places[0].air_mm2 == pytest.approx(200, rel=0.01)


@pytest.mark.parametrize("radius", [0.5, 1.0, 2.0])
def test_a_small_round_off_at_the_plate_is_no_overhang_to_speak_of(radius):
    arc = np.radians(np.linspace(-90, 0, 24))
    profile = np.column_stack([8 + radius * np.cos(arc), radius + radius * np.sin(arc)])
    disc = trimesh.creation.revolve(np.vstack([[0, 0], profile, [8 + radius, 6], [0, 6]]), sections=64)
    assert all(max(p.reach_mm, p.run_mm, p.span_mm) <= 1 for p in found(disc).places)


def test_rounded_tops_do_not_alarm():
    dome = cut(trimesh.creation.icosphere(subdivisions=4, radius=15), box(-20, -20, -20, 20, 20, 0))
    bumps = joined(
        box(0, 0, 0, 30, 10, 4),
        *[trimesh.creation.icosphere(subdivisions=3, radius=3).apply_translation([x, 5, 4]) for x in (6, 15, 24)],
    )
    for mesh in (dome, bumps, cone(40).apply_transform(UPSIDE_DOWN)):
        assert found(mesh).places == ()


def test_a_level_hole_is_an_arch():
    # Beyond 60 degrees a hole of radius R is open over R, between 45 and 60 over R (sin 45 - sin 30) at each side.
    lying = cylinder(8, 60).apply_transform(ON_ITS_SIDE).apply_translation([0, 0, 20])
    (place,) = notable(cut(box(-20, -10, 0, 20, 10, 40), lying))
    assert place.span_mm == pytest.approx(8, abs=0.5)
    assert place.reach_mm == 0
    assert place.run_mm == pytest.approx(8 * (np.sin(np.pi / 4) - 0.5), abs=0.25)


# --- what can be taken out -------------------------------------------------------------------


@pytest.mark.parametrize(("neck", "reached"), [(0.0, False), (1.5, False), (6.0, True), (20.0, True)])
def test_support_behind_a_neck(neck, reached):
    jar = cut(box(-12, -12, 0, 12, 12, 30), box(-10, -10, 4, 10, 10, 26))
    if neck:
        jar = cut(jar, box(-neck / 2, -neck / 2, 20, neck / 2, neck / 2, 40))
    vertices, faces, _ = placed(jar)
    stack = layers(vertices, faces, H, H)
    points = np.array([[0.0, 0, 15], [5, 5, 10], [-8, 8, 15]])
    assert (access(stack, 3.0).at(points) == reached).all()


def test_the_plate_side_is_open():
    cup = cut(box(-12, -12, 0, 12, 12, 20), box(-10, -10, -1, 10, 10, 18))
    vertices, faces, _ = placed(cup)
    assert access(layers(vertices, faces, H, H), 3.0).at(np.array([[0.0, 0, 17]])).all()
