"""Edges and tips of parts drawn at known angles and radii, at twelve orientations.

The slot of 1.02 x 1.15 mm and the depth of 0.5 mm are those of the sharp point tester of 16 CFR 1500.48 (from
memory); the widths at that depth are closed forms: a cone has 2 d tan(theta), a sphere 2 sqrt(2 R d - d2).
"""

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial.transform import Rotation

from reviewkit.measure.edges import Edges, Tip, edges, tips, touched
from reviewkit.measure.rays import RayTree
from reviewkit.resources import resource

SLOT, DEPTH = (1.02, 1.15), 0.5
TURNS = [Rotation.identity(), *Rotation.random(11, random_state=7)]


def arrays(solid):
    if isinstance(solid, manifold3d.Manifold):
        made = solid.to_mesh()
        solid = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    return np.array(solid.vertices, dtype=float), np.array(solid.faces, dtype=np.int64)


def edges_of(solid, turn=TURNS[0], within_mm=1.02) -> Edges:
    vertices, faces = arrays(solid)
    return edges(turn.apply(vertices), faces, 90.0, within_mm, 0.2)


def tips_of(solid, turn=TURNS[0]) -> list[Tip]:
    vertices, faces = arrays(solid)
    return tips(turn.apply(vertices), faces, SLOT, DEPTH)


def prism(points, length=40.0):
    return trimesh.creation.extrude_polygon(shapely.Polygon(points), length)


def rounded(radius, facets, size=20.0, length=50.0):
    """A bar whose four long edges are arcs of so many facets."""
    outline = shapely.box(radius, radius, size - radius, size - radius).buffer(radius, quad_segs=facets)
    return trimesh.creation.extrude_polygon(outline, length)


# --- edges -----------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
def test_a_box_has_twelve_square_edges(turn):
    found = edges_of(trimesh.creation.box((50, 20, 10)), turn)
    assert found.length_mm.sum() == pytest.approx(4 * 80)
    np.testing.assert_allclose(found.wedge_deg, 90, atol=1e-6)
    assert not found.radius_mm.any()
    chains = list(found.chains(np.ones(len(found), bool), 45))
    assert sorted(round(float(found.length_mm[chain].sum()), 6) for chain in chains) == [10] * 4 + [20] * 4 + [50] * 4


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize("facets", [1, 2, 3, 5, 16])
@pytest.mark.parametrize("radius", [0.2, 0.31, 0.75, 1.0])
def test_a_fillet_of_facets_is_read_as_its_radius(turn, facets, radius):
    """One facet is a chamfer: the fillet that it cuts short has its leg as radius."""
    found = edges_of(rounded(radius, facets), turn)
    fillets = found.radius_mm > 0
    np.testing.assert_allclose(found.radius_mm[fillets], radius, rtol=1e-4)
    np.testing.assert_allclose(found.wedge_deg[fillets], 90, atol=0.01)
    # However many facets it has, a fillet counts once.
    assert found.length_mm[fillets].sum() == pytest.approx(4 * 50, rel=1e-4)


def test_a_fillet_is_one_chain_and_ends_square():
    found = edges_of(rounded(0.3, 4))
    chains = list(found.chains(found.radius_mm > 0, 45))
    assert [round(float(found.length_mm[chain].sum()), 3) for chain in chains] == [50] * 4


@pytest.mark.parametrize("radius", [1.03, 2.0, 5.0])
def test_larger_fillets_are_no_edges(radius):
    found = edges_of(rounded(radius, 8))
    assert not (found.radius_mm > 0).any()


@pytest.mark.parametrize("wedge_deg", [20, 45, 60, 89])
@pytest.mark.parametrize("turn", TURNS[:4])
def test_angle_of_a_wedge(turn, wedge_deg):
    half = np.radians(wedge_deg / 2)
    found = edges_of(prism([(0, 0), (30, -30 * np.tan(half)), (30, 30 * np.tan(half))]), turn)
    tip = np.linalg.norm(turn.inv().apply(found.middle)[:, :2], axis=1) < 1e-6
    np.testing.assert_allclose(found.wedge_deg[tip], wedge_deg, atol=1e-6)
    assert found.length_mm[tip].sum() == pytest.approx(40)


@pytest.mark.parametrize("flat_mm", [0.1, 0.19, 1.0, 1.8, 1.95])
def test_a_wedge_that_is_cut_off_is_as_round_as_the_arc_that_its_face_cuts_short(flat_mm):
    half = np.radians(45 / 2)
    start = flat_mm / 2 / np.tan(half)
    outline = [(start, flat_mm / 2), (start, -flat_mm / 2), (30, -30 * np.tan(half)), (30, 30 * np.tan(half))]
    found = edges_of(prism(outline))
    tip = (np.abs(found.middle[:, 0] - start) < 1e-6) & (np.abs((found.end - found.start)[:, 2]) > 1)
    # The surface turns by 135 degrees over a chord of the flat.
    radius = flat_mm / (2 * np.sin(np.radians(135 / 2)))
    if radius > 1.02:
        assert not tip.any()
    else:
        np.testing.assert_allclose(found.wedge_deg[tip], 45, atol=0.01)
        np.testing.assert_allclose(found.radius_mm[tip], radius, rtol=1e-6)
        assert found.length_mm[tip].sum() == pytest.approx(40)


@pytest.mark.parametrize(("flat_mm", "expected"), [(0.15, 45), (0.25, 90)])
def test_a_wedge_cut_square_to_one_face_by_less_than_half_a_line_is_still_a_wedge(flat_mm, expected):
    outline = [(flat_mm, 0), (flat_mm, flat_mm), (30, 30), (30, 0)]
    found = edges_of(prism(outline))
    square = np.linalg.norm(found.middle[:, :2] - (flat_mm, 0), axis=1) < 1e-6
    np.testing.assert_allclose(found.wedge_deg[square], expected, atol=1e-6)


@pytest.mark.parametrize("turn", TURNS)
def test_a_cylinder_gives_no_edge_along_it(turn):
    for radius, sections in ((5.0, 12), (5.0, 96), (0.6, 24), (0.25, 16)):
        found = edges_of(trimesh.creation.cylinder(radius, 20, sections=sections), turn)
        # Its two rims are polygons of that circumference.
        around = 2 * 2 * sections * radius * np.sin(np.pi / sections)
        assert found.length_mm.sum() == pytest.approx(around, rel=1e-3)


def test_smooth_bodies_have_no_edge():
    for solid in (trimesh.creation.icosphere(3, 10), trimesh.creation.torus(20, 5), trimesh.creation.icosphere(2, 0.4)):
        assert len(edges_of(solid)) == 0


def test_hollow_edges_never_count():
    """An L has six convex edges along it and one hollow."""
    found = edges_of(prism([(0, 0), (20, 0), (20, 8), (8, 8), (8, 20), (0, 20)]))
    upright = np.abs((found.end - found.start)[:, 2]) > 1
    assert found.length_mm[upright].sum() == pytest.approx(5 * 40)
    at = np.unique(np.round(found.middle[upright, :2], 6), axis=0).tolist()
    assert [8, 8] not in at
    assert len(at) == 5


def test_what_lies_beyond_a_hollow_is_another_edge():
    """A bar's corner that turns by 60, back by 20 and by 60 degrees again within a millimetre: none turns by 90."""
    directions = np.radians([180, 240, 220, 280])
    lengths = [30, 0.3, 0.3, 30]
    steps = np.column_stack([np.cos(directions), np.sin(directions)]) * np.array(lengths)[:, None]
    outline = np.vstack([[30.0, 0.0], np.array([30.0, 0.0]) + np.cumsum(steps, axis=0)])
    found = edges_of(prism(outline))
    corner = (np.linalg.norm(found.middle[:, :2], axis=1) < 3) & (np.abs((found.end - found.start)[:, 2]) > 1)
    assert not corner.any()


def test_a_thin_plate_keeps_two_square_edges_a_side():
    found = edges_of(trimesh.creation.box((50, 20, 0.5)))
    np.testing.assert_allclose(found.wedge_deg, 90)
    assert found.length_mm.sum() == pytest.approx(4 * 70.5)


@pytest.mark.parametrize("name", ["launcher-a/launcher", "bracket/bracket", "hinged-box/hinged-box"])
def test_sharp_edges_are_those_of_trimesh(name):
    """The reference library's own angles between neighbouring facets, on parts with plain edges."""
    mesh = trimesh.load_mesh(resource("data", "parts") / f"{name}.stl")
    sharp = mesh.face_adjacency_convex & (mesh.face_adjacency_angles >= np.radians(89.5))
    ends = mesh.vertices[mesh.face_adjacency_edges[sharp]]
    expected = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1).sum()
    found = edges_of(mesh)
    assert found.length_mm[found.radius_mm == 0].sum() == pytest.approx(expected, rel=1e-6)
    assert found.open_mm == 0
    assert found.joints_mm == pytest.approx(mesh.edges_unique_length.sum())


def test_open_sides_are_told():
    mesh = trimesh.creation.box((10, 10, 10))
    lid = mesh.face_normals[:, 2] > 0.5
    vertices, faces = arrays(mesh)
    found = edges(vertices, faces[~lid], 90.0, 1.0, 0.2)
    assert found.open_mm == pytest.approx(40)
    assert found.length_mm.sum() == pytest.approx(8 * 10)


def test_the_middle_of_a_chain_is_on_it():
    found = edges_of(trimesh.creation.cylinder(8, 4, sections=64))
    for chain in found.chains(np.ones(len(found), bool), 45):
        middle = found.middle_of(chain)
        assert np.hypot(*middle[:2]) == pytest.approx(8, abs=0.02)
        assert found.length_mm[chain].sum() == pytest.approx(2 * np.pi * 8, rel=1e-3)
    straight = edges_of(trimesh.creation.box((2, 2, 16)))
    chain = next(straight.chains(np.ones(len(straight), bool), 45))
    np.testing.assert_allclose(np.abs(straight.middle_of(chain)), (1, 1, 0), atol=1e-9)


# --- tips ------------------------------------------------------------------------------------


def cone(half_deg, base=5.0, sections=64):
    return trimesh.creation.cone(base, base / np.tan(np.radians(half_deg)), sections=sections)


def ball_tip(radius, sections=64):
    """A taper that ends in a half ball."""
    taper = manifold3d.Manifold.cylinder(20, 5, radius * 0.999, sections)
    return taper + manifold3d.Manifold.sphere(radius, sections).translate((0, 0, 20))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("half_deg", "expected"), [(15, True), (45.3, True), (46.2, False), (60, False)])
def test_cones(turn, half_deg, expected):
    """Worked: 2 x 0.5 x tan(theta) fits 1.02 mm up to 45.6 degrees; 15 is a candidate, 60 (1.73 mm) is not."""
    found = tips_of(cone(half_deg), turn)
    assert len(found) == expected
    for tip in found:
        assert max(tip.size_mm) == pytest.approx(np.tan(np.radians(half_deg)), rel=2e-3)
        np.testing.assert_allclose(turn.inv().apply(tip.direction), (0, 0, 1), atol=1e-6)
        assert turn.inv().apply(tip.point)[2] == pytest.approx(5 / np.tan(np.radians(half_deg)))
        assert len(tip.faces) == 64


@pytest.mark.parametrize("turn", TURNS[:6])
@pytest.mark.parametrize(("radius", "expected"), [(0.3, True), (0.495, True), (0.53, False), (0.6, False)])
def test_round_tips(turn, radius, expected):
    """Worked: 2 sqrt(R - 0.25) fits 1.02 mm up to R = 0.51; 0.3 is a candidate, 0.6 (1.18 mm) is not."""
    found = tips_of(ball_tip(radius), turn)
    assert len(found) == expected
    if expected and radius > 0.4:
        assert max(found[0].size_mm) == pytest.approx(2 * np.sqrt(radius - 0.25), abs=0.01)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("diameter", "expected"), [(0.9, 2), (1.01, 2), (1.04, 0), (1.2, 0)])
def test_pins(turn, diameter, expected):
    """Worked: a pin of 0.9 mm is a candidate whatever its tip; one of more than 1.02 mm does not go in."""
    found = tips_of(trimesh.creation.cylinder(diameter / 2, 20, sections=64), turn)
    assert len(found) == expected


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("thick", "expected"), [(0.5, 4), (1.1, 4), (1.2, 0), (10, 0)])
def test_square_corners_of_sheets_and_blocks(turn, thick, expected):
    """A square corner is 2 x 0.5 x tan 45 = 1 mm wide at the depth; a cube's is a triangle of 1.22 x 1.06 mm."""
    found = tips_of(trimesh.creation.box((50, 20, thick)), turn)
    assert len(found) == expected
    for tip in found:
        assert sorted(tip.size_mm) == pytest.approx(sorted((thick, 1.0)), abs=0.01)


def test_a_strip_too_wide_for_the_slot_has_fine_corners():
    """0.8 x 1.2 mm: its end does not go in, a corner of it does."""
    found = tips_of(trimesh.creation.box((30, 1.2, 0.8)))
    assert [round(tip.size_mm[0] * tip.size_mm[1], 2) for tip in found] == [0.8, 0.8]


def test_a_shoulder_behind_a_pin_is_no_tip():
    shoulder = manifold3d.Manifold.cylinder(10, 0.45, 0.45, 32)
    pin = manifold3d.Manifold.cylinder(3, 0.15, 0.15, 32).translate((0, 0, 9.5))
    ends = sorted(round(float(tip.point[2]), 6) for tip in tips_of(shoulder + pin))
    assert ends == [0, 12.5]


def test_a_tip_of_very_small_facets():
    """Half a millimetre down it has come to the taper, 0.1 mm below the middle of the ball."""
    (tip,) = tips_of(ball_tip(0.4, 200))
    assert max(tip.size_mm) == pytest.approx(2 * (0.4 + 0.1 * 4.6 / 20), abs=0.005)


def test_a_rounded_corner_of_a_sheet_is_no_tip():
    # Its tip lies 0.414 R behind the corner that was: 2 (0.5 + 0.414 R) fits 1.15 mm up to R = 0.18.
    for radius, expected in ((0.16, 4), (0.2, 0), (1.0, 0)):
        outline = shapely.box(radius, radius, 30 - radius, 20 - radius).buffer(radius, quad_segs=8)
        assert len(tips_of(trimesh.creation.extrude_polygon(outline, 0.8))) == expected


def test_raised_strokes_are_no_tips():
    """Text 0.3 mm wide raised by 0.4 mm: the plate around it keeps it out of the slot."""
    plate = manifold3d.Manifold.cube((20, 10, 3))
    strokes = [manifold3d.Manifold.cube((0.3, 3, 0.5)).translate((x, 3, 2.9)) for x in (4, 8, 12)]
    assert tips_of(manifold3d.Manifold.batch_boolean([plate, *strokes], manifold3d.OpType.Add)) == []


def test_a_field_of_spikes_gives_one_tip_each():
    spikes = [trimesh.creation.cone(0.6, 1.2, sections=6).apply_translation((3 * x, 3 * y, 0)) for x in range(4)
              for y in range(4)]  # fmt: skip
    assert len(tips_of(trimesh.util.concatenate(spikes))) == 16


# --- fingertips ------------------------------------------------------------------------------


def reach(solid, points, outward, ball_mm):
    vertices, faces = arrays(solid)
    ways = np.array(outward, dtype=float)
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    return touched(np.array(points, dtype=float), ways, RayTree(vertices, faces), ball_mm)


def test_a_fingertip_touches_an_outer_edge():
    found = reach(trimesh.creation.box((40, 40, 40)), [(20, 20, 0)], [(1, 1, 0)], 8.6)
    assert found[0] == pytest.approx(0.75, abs=0.25)


@pytest.mark.parametrize(("width", "inside"), [(8.2, False), (9.2, True)])
def test_a_fingertip_enters_a_slot_that_is_wider_than_it(width, inside):
    """A rib stands in the middle of a slot's floor; its upper edge lies 12 mm under the mouth."""
    block = manifold3d.Manifold.cube((60, 60, 40), True)
    slot = manifold3d.Manifold.cube((60, 2 * width + 2, 30), True).translate((0, 0, 10))
    rib = manifold3d.Manifold.cube((60, 2, 5), True).translate((0, 0, -3))
    found = reach(block - slot + rib, [(0, 1, -0.5)], [(0, 1, 0)], 8.6)
    assert (found[0] > 0.03) == inside


def test_nothing_inside_a_closed_box_is_touched():
    hollow = manifold3d.Manifold.cube((40, 40, 40), True) - manifold3d.Manifold.cube((36, 36, 36), True)
    found = reach(hollow + manifold3d.Manifold.cube((8, 8, 8), True), [(4, 4, 4)], [(1, 1, 1)], 8.6)
    assert found[0] == 0
