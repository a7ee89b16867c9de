"""Loops and openings in plates drawn to known sizes, at turned positions and over a stroke."""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, box

from reviewkit.measure.loops import loops, opening, opening_width
from reviewkit.measure.motion import carried
from reviewkit.measure.rays import RayTree
from reviewkit.submission import Box, Cylinder, Motion, MotionKind, Region, RegionKind

TURNS = [trimesh.transformations.random_rotation_matrix(r) for r in np.random.default_rng(3).random((12, 3))]
ASKED = {"least_mm": 6.7, "free_mm": 20.0}


def plate(*holes, outline=None, thick=12.0) -> trimesh.Trimesh:
    outline = box(-40, -25, 40, 25) if outline is None else outline
    region = shapely.difference(outline, shapely.union_all(holes)) if holes else outline
    return trimesh.creation.extrude_polygon(region, thick).apply_translation((0, 0, -thick / 2))


def arrays(mesh):
    return np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)


def region(kind=RegionKind.MOVING, turn=None, radius=60.0, half=30.0) -> Region:
    ends = np.array([(0, 0, -half), (0, 0, half)], dtype=float)
    if turn is not None:
        ends = trimesh.transform_points(ends, turn)
    return Region("arm", "p", kind, Cylinder(tuple(ends[0]), tuple(ends[1]), radius))


def found(mesh, place=None, **changed):
    return loops(*arrays(mesh), RayTree(*arrays(mesh)), place or region(), **(ASKED | changed))


def disc(x, y, diameter, quad_segs=64):
    return Point(x, y).buffer(diameter / 2, quad_segs=quad_segs)


@pytest.mark.parametrize(
    ("hole", "width", "length"),
    [
        (disc(5, 3, 24), 24, 24),
        (box(-13, -15, 13, 15), 26, 30),
        (box(-11, -15, 11, 15), 22, 30),
        (box(-17.5, -12.5, 17.5, 12.5), 25, 35),
        (shapely.LineString([(-12, 0), (12, 0)]).buffer(12.5, quad_segs=64), 25, 49),
        (disc(0, 0, 10), 10, 10),
    ],
)
def test_width_length_and_depth_at_twelve_turns(hole, width, length):
    """Closed forms: circle, rectangle and slot; the widest circle is drawn with its corners on the circle."""
    for turn in TURNS:
        mesh = plate(hole).apply_transform(turn)
        (loop,) = found(mesh, region(turn=turn))
        assert loop.width_mm == pytest.approx(width, abs=0.03)
        assert loop.length_mm == pytest.approx(length, abs=0.06)
        assert loop.depth_mm == pytest.approx(12, abs=0.01)
        assert abs(loop.axes[2] @ turn[:3, 2]) == pytest.approx(1, abs=1e-6)
        assert abs((loop.centre_mm - turn[:3, 3]) @ turn[:3, 2]) < 0.01
        # The rim is the wall of the hole, all of it and nothing else.
        corners = trimesh.transform_points(mesh.triangles[loop.faces].reshape(-1, 3), np.linalg.inv(turn))
        assert shapely.distance(hole.exterior, shapely.points(corners[:, :2])).max() < 1e-6
        assert mesh.area_faces[loop.faces].sum() == pytest.approx(hole.length * 12, rel=1e-6)


def test_an_axis_that_no_region_names_is_found_by_the_flat_faces():
    turn = TURNS[4]
    mesh = plate(disc(5, 3, 24)).apply_transform(turn)
    around = Region("arm", "p", RegionKind.MOVING, Box((-90, -90, -90), (90, 90, 90)))
    (loop,) = found(mesh, around)
    assert loop.width_mm == pytest.approx(24, abs=0.03)
    assert loop.centre_mm == pytest.approx(trimesh.transform_points([(5, 3, 0)], turn)[0], abs=0.05)


def test_a_ring_without_flat_faces():
    ring = trimesh.creation.torus(17, 5, major_sections=128, minor_sections=48)
    (loop,) = found(ring)
    assert loop.width_mm == pytest.approx(24, abs=0.05)


def test_holes_that_taper_are_as_wide_as_where_they_are_narrowest():
    cone = trimesh.creation.cylinder(15, 40, sections=96)
    narrow = trimesh.creation.cylinder(10, 40, sections=96).apply_translation((0, 0, 19))
    mesh = trimesh.boolean.difference([plate(), cone.apply_translation((0, 0, -20)), narrow])
    (loop,) = found(mesh)
    assert loop.width_mm == pytest.approx(20, abs=0.05)


def test_what_is_no_loop():
    assert found(plate()) == ()
    assert found(plate(disc(0, 0, 6.5))) == ()
    # Blind: the ways of a finger end on a floor.
    blind = trimesh.boolean.union([plate(disc(0, 0, 24)), trimesh.creation.box(bounds=[(-20, -20, -6), (20, 20, -4)])])
    assert found(blind) == ()
    # Covered at 10 mm: less than is asked to be free; not at 30 mm.
    lid = trimesh.creation.box(bounds=[(-20, -20, 0), (20, 20, 2)])
    assert found(trimesh.util.concatenate([plate(disc(0, 0, 24)), lid.copy().apply_translation((0, 0, 16))])) == ()
    far = trimesh.util.concatenate([plate(disc(0, 0, 24)), lid.apply_translation((0, 0, 36))])
    assert len(found(far, region(half=10))) == 1
    # A hole that the region does not go all the way round belongs to something else.
    assert found(plate(disc(12, 0, 24)), region(radius=20)) == ()
    assert len(found(plate(disc(12, 0, 24)), region(radius=25))) == 1
    # A pin fills it.
    pin = trimesh.creation.cylinder(11.8, 30, sections=96)
    assert found(trimesh.util.concatenate([plate(disc(0, 0, 24)), pin])) == ()


def test_what_stands_in_a_hole_takes_from_its_width():
    """A pin of 6 mm whose middle is 8 mm off that of a hole of 24 mm: from 12 mm on one side to 5 mm on the other."""
    pin = trimesh.creation.cylinder(3, 30, sections=96).apply_translation((8, 0, 0))
    (loop,) = found(trimesh.util.concatenate([plate(disc(0, 0, 24)), pin]))
    assert loop.width_mm == pytest.approx(17, abs=0.05)


def test_two_loops_are_told_apart():
    both = found(plate(disc(-20, 0, 24), disc(20, 0, 20)))
    assert [round(loop.width_mm) for loop in both] == [24, 20]
    assert [round(float(loop.centre_mm[0])) for loop in both] == [-20, 20]


def test_a_declared_opening_at_turned_positions():
    for turn in TURNS[:4]:
        mesh = plate(box(-13, -15, 13, 15)).apply_transform(turn)
        void = opening(*arrays(mesh), RayTree(*arrays(mesh)), region(RegionKind.OPENING, turn, radius=24.0, half=8.0))
        assert (void.width_mm, void.length_mm) == pytest.approx((26, 30), abs=0.06)
        assert void.depth_mm == pytest.approx(12, abs=0.01)
        assert abs(void.axes[2] @ turn[:3, 2]) == pytest.approx(1, abs=1e-6)


def test_the_void_of_a_box_is_seen_along_the_way_of_the_finger():
    """A box around the hole, longer along the plate than through it: sideways it is shut in by matter on two sides."""
    mesh = plate(box(-13, -15, 13, 15))
    place = Region("o", "p", RegionKind.OPENING, Box((-13, -15, -6), (13, 15, 6)))
    void = opening(*arrays(mesh), RayTree(*arrays(mesh)), place)
    assert abs(void.axes[2, 2]) == pytest.approx(1)
    assert void.width_mm == pytest.approx(26, abs=0.03)


def test_a_region_that_is_full_of_matter_has_no_opening():
    mesh = plate()
    full = Region("o", "p", RegionKind.OPENING, Box((-10, -10, -5), (10, 10, 5)))
    assert opening(*arrays(mesh), RayTree(*arrays(mesh)), full) is None


def test_loops_judged_by_themselves_are_left_out():
    mesh = plate(disc(-10, 0, 24), disc(15, 0, 14))
    around = region(RegionKind.OPENING, radius=30, half=8)
    tree = RayTree(*arrays(mesh))
    assert opening(*arrays(mesh), tree, around).width_mm == pytest.approx(24, abs=0.03)
    assert opening(*arrays(mesh), tree, around, [np.array([-10.0, 0, 0])]).width_mm == pytest.approx(14, abs=0.03)


def test_width_over_a_stroke():
    """A bar that moves into a window 40 mm long leaves 30 - s of it ahead and s behind, 20 mm wide across."""
    bar = trimesh.creation.box(bounds=[(-20.0, -8, -6), (-10.0, 8, 6)])
    mesh = trimesh.util.concatenate([plate(box(-20.5, -10, 20, 10)), bar])
    regions = (
        Region("frame", "p", RegionKind.FIXED, Box((-50, -40, -10), (50, 40, 10))),
        Region("bar", "p", RegionKind.MOVING, Box((-20.2, -9, -7), (-9.9, 9, 7))),
    )
    window = Region("o", "p", RegionKind.OPENING, Box((-10, -10, -6), (20, 10, 6)))
    void = opening(*arrays(mesh), RayTree(*arrays(mesh)), window)
    assert void.width_mm == pytest.approx(20, abs=0.03)
    motion = Motion("bar", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 24.0))
    state = carried(*arrays(mesh), regions, motion)
    widths = [opening_width(state.at(stroke), arrays(mesh)[1], window, void) for stroke in (0.0, 8.0, 15.0, 22.0, 24.0)]
    assert widths == pytest.approx([20, 20, 15, 12, 14], abs=0.05)
