"""Flexures against drawn parts whose leaves are known, parts that have none, and real meshes made by others."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import CrossSection, FillRule, Manifold, OpType
from shapely import LineString, Point, affinity, box, unary_union

from reviewkit import review
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.flexures import FlexureKind, FlexureOrigin, Flexures, find_flexures, flexibility, plane_evidence
from reviewkit.model import Setup
from reviewkit.resources import resource
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
LIMITS = load_limits()
DEPTH = 8.0


# --- drawing ---------------------------------------------------------------------------------


def extruded(outline: shapely.Geometry, height: float = DEPTH) -> Manifold:
    rings = [shapely.get_coordinates(ring)[:-1] for ring in shapely.get_rings(shapely.get_parts(outline))]
    return CrossSection(rings, FillRule.EvenOdd).extrude(height)


def mesh_of(solid: Manifold, longest: float = 0.0) -> trimesh.Trimesh:
    made = solid.refine_to_length(longest).to_mesh() if longest else solid.to_mesh()
    mesh = trimesh.Trimesh(np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts), process=False)
    mesh.merge_vertices()
    return mesh


def on_plate(mesh: trimesh.Trimesh, regions: tuple[Region, ...] = ()) -> Workpiece:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, float), faces=np.array(mesh.faces, np.int64)
    )
    return Workpiece(Submission("T-1", regions=regions), part, SETUP)


def found(piece: Workpiece) -> Flexures:
    return find_flexures(piece.vertices, piece.faces, piece.layers, piece.regions, piece.setup, LIMITS, piece.offset_mm)


def of(solid: Manifold, *regions: Region) -> Flexures:
    return found(on_plate(mesh_of(solid), regions))


def filleted(shape: shapely.Geometry, radius: float, chords: int = 8) -> shapely.Geometry:
    return shape.buffer(radius, chords).buffer(-radius, chords) if radius else shape


def stage(root: float = 0.0, chords: int = 8, xs: tuple[float, ...] = (-15.0, -5.0, 5.0, 15.0)) -> shapely.Geometry:
    """Two blocks 30 mm apart joined by leaves 0.8 mm wide."""
    leaves = [box(x - 0.4, -1, x + 0.4, 31) for x in xs]
    return filleted(unary_union([box(-20, -10, 20, 0), box(-20, 30, 20, 40), *leaves]), root, chords)


# --- the plain stage --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turn", "root", "chords", "longest"),
    [(0, 0.0, 3, 0.0), (17, 0.0, 8, 1.5), (45, 0.4, 8, 0.0), (17, 0.4, 32, 1.5), (90, 0.8, 3, 0.0), (63, 0.8, 16, 0.0)],
)
def test_parallel_leaves_at_any_angle_and_mesh_density(turn: float, root: float, chords: int, longest: float) -> None:
    outline = affinity.rotate(stage(root, chords), turn, origin=(0, 0))
    seen = found(on_plate(mesh_of(extruded(outline), longest)))
    assert len(seen.planes) == 1
    plane = seen.planes[0]
    assert plane.in_layers and len(plane.flexures) == 4 and len(plane.blocks) == 2
    along = np.array([-np.sin(np.radians(turn)), np.cos(np.radians(turn)), 0.0])
    for flexure in plane.flexures:
        assert flexure.kind is FlexureKind.LEAF and flexure.origin is FlexureOrigin.FOUND
        assert flexure.width_mm == pytest.approx(0.8, rel=0.005)
        assert flexure.length_mm == pytest.approx(30.0, rel=0.025)
        assert flexure.width_scatter_mm < 0.01 and flexure.least_width_mm == pytest.approx(0.8, rel=0.005)
        assert flexure.depth_mm == pytest.approx(DEPTH) and flexure.span_mm == pytest.approx((0.0, DEPTH))
        assert flexure.root_radii_mm == pytest.approx((root, root), rel=0.06, abs=1e-9)
        assert abs(np.dot(flexure.direction, along)) == pytest.approx(1.0, abs=1e-4)
        assert sorted(flexure.blocks) == [0, 1]
    assert [flexure.name for flexure in plane.flexures] == [f"flexure {n}" for n in (1, 2, 3, 4)]


def test_names_do_not_change_when_the_mesh_does() -> None:
    outline = affinity.rotate(stage(0.4, 8), 17, origin=(0, 0))
    plain, fine = (found(on_plate(mesh_of(extruded(outline), longest))).every for longest in (0.0, 1.5))
    for one, other in zip(plain, fine, strict=True):
        assert one.name == other.name and np.allclose(one.point_mm, other.point_mm, atol=0.1)


def test_noise_of_a_hundredth_of_a_millimetre_hides_nothing() -> None:
    mesh = mesh_of(extruded(affinity.rotate(stage(0.4), 10, origin=(0, 0))), 2.0)
    noise = np.random.default_rng(3).normal(scale=0.01, size=(len(mesh.vertices), 3)) * (mesh.vertices[:, 2:] > 0)
    noise[:, 2] = 0.0
    mesh.vertices = mesh.vertices + noise
    seen = found(on_plate(mesh)).every
    assert len(seen) == 4
    assert all(flexure.width_mm == pytest.approx(0.8, rel=0.03) for flexure in seen)


# --- other shapes of leaves --------------------------------------------------------------------


def arc_part(radius: float, chords: int) -> shapely.Geometry:
    """Two blocks joined by one curved leaf, a half circle 1 mm wide."""
    turns = np.linspace(0, np.pi, chords + 1)
    middle = radius * np.column_stack([np.cos(turns), np.sin(turns)])
    leaf = LineString(middle).buffer(0.5, cap_style="flat", join_style="mitre")
    return unary_union([leaf, box(radius - 6, -10, radius + 6, 0.02), box(-radius - 6, -10, -radius + 6, 0.02)])


@pytest.mark.parametrize(("chords", "turn"), [(12, 0), (48, 30), (96, 77)])
def test_a_half_circle_is_as_long_as_its_centre_line(chords: int, turn: float) -> None:
    (flexure,) = of(extruded(affinity.rotate(arc_part(20.0, chords), turn, origin=(0, 0)))).every
    assert flexure.length_mm == pytest.approx(20 * np.pi, rel=0.02)
    assert flexure.width_mm == pytest.approx(1.0, rel=0.01)


def serpentine(legs: int = 5, width: float = 1.0) -> shapely.Geometry:
    """One folded strip of even width between two blocks."""
    points = [(-20.0, 0.0)]
    for leg in range(legs):
        x = -8.0 + 4.0 * leg
        points += (
            [(x, 10.0 * (-1) ** leg), (x + 4.0, 10.0 * (-1) ** leg)] if leg else [(x, 0.0), (x, 10.0), (x + 4.0, 10.0)]
        )
    points += [(points[-1][0], 0.0), (points[-1][0] + 12.0, 0.0)]
    strip = LineString(points).buffer(width / 2, cap_style="flat", join_style="mitre")
    last = points[-1][0]
    return unary_union([strip, box(-32, -8, -19.9, 8), box(last - 0.1, -8, last + 12, 8)]), LineString(points)


@pytest.mark.parametrize("turn", [0, 21])
def test_a_folded_leaf_is_one_flexure(turn: float) -> None:
    outline, line = serpentine()
    (flexure,) = of(extruded(affinity.rotate(outline, turn, origin=(0, 0)))).every
    assert flexure.length_mm == pytest.approx(line.length, rel=0.04)
    assert flexure.width_mm == pytest.approx(1.0, rel=0.04) and flexure.least_width_mm == pytest.approx(1.0, rel=0.01)


def test_folds_with_stout_turns_are_leaves_in_series() -> None:
    """Fixed block, trusses and shuttle of a folded suspension."""
    legs = [box(x - 0.3, -1, x + 0.3, 25) for x in (-16, -8, 8, 16)]
    part = unary_union([*legs, box(-20, -6, -14, 0), box(14, -6, 20, 0), box(-20, -12, 20, -6), box(-10, -4, 10, 0),
                        box(-18, 24, 18, 30)])  # fmt: skip
    seen = of(extruded(part))
    (plane,) = seen.planes
    assert len(plane.flexures) == 4 and len(plane.blocks) == 3
    assert all(f.length_mm == pytest.approx(24.0, rel=0.02) for f in plane.flexures)


def test_a_living_hinge_is_a_neck() -> None:
    part = box(-20, 0, 20, 4).difference(box(-0.8, 0.5, 0.8, 5))
    (flexure,) = of(extruded(part)).every
    assert flexure.kind is FlexureKind.NECK
    assert flexure.width_mm == pytest.approx(0.5, rel=0.01)
    assert flexure.length_mm == pytest.approx(1.6, rel=0.05)


def crossed() -> Manifold:
    """Two leaves that cross without touching, at different heights, between two blocks."""
    blocks = extruded(unary_union([box(-15, -6, 15, 0), box(-15, 20, 15, 26)]), 12.0)
    leaves = [LineString([(s * -10, -1), (s * 10, 21)]).buffer(0.4, cap_style="flat") for s in (1, -1)]
    return blocks + extruded(leaves[0], 5.0) + extruded(leaves[1], 5.0).translate((0, 0, 7.0))


def test_leaves_that_cross_at_different_heights() -> None:
    (plane,) = of(crossed()).planes
    assert len(plane.flexures) == 2 and len(plane.blocks) == 2
    assert sorted(f.span_mm for f in plane.flexures) == [pytest.approx((0, 5)), pytest.approx((7, 12))]
    for flexure in plane.flexures:
        assert flexure.width_mm == pytest.approx(0.8, rel=0.01)
        assert flexure.length_mm == pytest.approx(20 * np.hypot(20, 22) / 22, rel=0.04)
        assert flexure.point_mm[:2] == pytest.approx((0, 10), abs=0.3)


@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_a_leaf_that_stands_across_the_layers(turn: float) -> None:
    part = Manifold.batch_boolean(
        [Manifold.cube(np.array(size), False).translate(at) for size, at in (
            ((40.0, 12.0, 6.0), (0, 0, 0)), ((1.2, 12.0, 26.0), (10, 0, 5)), ((14.0, 12.0, 8.0), (4, 0, 30)))],
        OpType.Add,
    )  # fmt: skip
    (plane,) = of(part.rotate((0, 0, turn))).planes
    (flexure,) = plane.flexures
    assert not plane.in_layers and not flexure.in_layers
    assert flexure.length_mm == pytest.approx(24.0, rel=0.02) and flexure.width_mm == pytest.approx(1.2, rel=0.01)
    assert flexure.depth_mm == pytest.approx(12.0, rel=0.01)
    assert abs(flexure.direction[2]) == pytest.approx(1.0, abs=1e-6)
    middle = affinity.rotate(Point(10.6, 6), turn, origin=(0, 0))
    assert flexure.point_mm == pytest.approx((middle.x, middle.y, 18.0), abs=0.1)


# --- what is no flexure -------------------------------------------------------------------------


def thin_box(floor: float, ribs: float = 0.0, bosses: bool = False) -> Manifold:
    ring = box(-30, -20, 30, 20).difference(box(-28.8, -18.8, 28.8, 18.8))
    extra = [box(x - ribs / 2, -19, x + ribs / 2, 19) for x in (-10, 0, 10)] if ribs else []
    posts = [Point(x, y).buffer(4) for x in (-28, 28) for y in (-18, 18)] if bosses else []
    walls = extruded(unary_union([ring, *extra, *posts]), 15.0)
    return walls + extruded(box(-30, -20, 30, 20), floor) if floor else walls


def lattice() -> Manifold:
    bars = [box(x - 0.5, -30, x + 0.5, 30) for x in range(-30, 31, 10)]
    bars += [box(-30.5, y - 0.5, 30.5, y + 0.5) for y in range(-30, 31, 10)]
    return extruded(unary_union(bars), 4.0)


def ribbed_bracket() -> Manifold:
    base = extruded(box(0, 0, 40, 30), 4.0)
    wall = extruded(box(0, 0, 4, 30), 30.0)
    rib = Manifold.extrude(CrossSection([np.array([(4.0, 4.0), (30.0, 4.0), (4.0, 26.0)])]), 1.6).rotate((90, 0, 0))
    return base + wall + rib.translate((0, 9.0, 0)) + rib.translate((0, 22.0, 0))


@pytest.mark.parametrize(
    "part",
    [thin_box(1.2), thin_box(0.0), thin_box(1.2, 0.8), thin_box(1.2, 1.2, True), lattice(), ribbed_bracket()],
    ids=["box", "tube", "ribs", "bosses", "lattice", "bracket"],
)
def test_walls_and_ribs_are_no_flexures(part: Manifold) -> None:
    assert of(part).planes == ()


def test_walls_beside_holes_are_no_necks() -> None:
    plate = box(-30, -5, 30, 5).difference(unary_union([Point(x, 0).buffer(3.2, 24) for x in (-20, 0, 20)]))
    seen = of(extruded(plate))
    assert seen.planes == ()


def test_a_token_on_a_web_as_high_as_wide_is_no_hinge() -> None:
    part = extruded(unary_union([box(-20, -10, 20, 0), Point(0, 12).buffer(6)])) + extruded(box(-0.6, -1, 0.6, 7), 1.0)
    assert of(part).planes == ()


def test_what_rests_on_a_floor_is_no_flexure_and_what_hangs_over_one_is() -> None:
    floor = extruded(box(-20, -10, 20, 40), 1.2)
    joined = extruded(stage()).translate((0, 0, 1.0)) + floor
    assert of(joined).planes == ()
    feet = extruded(box(-20, -10, 20, 0), 3.0)
    hanging = extruded(stage()).translate((0, 0, 1.6)) + floor + feet
    (plane,) = of(hanging).planes
    assert len(plane.flexures) == 4
    assert all(f.span_mm == pytest.approx((1.6, 1.6 + DEPTH)) for f in plane.flexures)


# --- the submission's word ------------------------------------------------------------------------


def region(name: str, kind: RegionKind, low: tuple[float, ...], high: tuple[float, ...]) -> Region:
    return Region(name, "p", kind, Box(low, high))


def test_fixed_matter_does_not_give_way() -> None:
    """One leaf said to be fixed welds the blocks; what the submission still calls a flexure is told as added."""
    pair = region("pair", RegionKind.FLEXURE, (-17.0, 1.0, 0.0), (-3.0, 29.0, 8.0))
    still = region("still", RegionKind.FIXED, (3.0, 1.0, 0.0), (7.0, 29.0, 8.0))
    nothing = region("nothing", RegionKind.FLEXURE, (40.0, 0.0, 0.0), (50.0, 5.0, 8.0))
    seen = of(extruded(stage()), pair, still, nothing)
    assert [(f.name, f.origin, f.blocks) for f in seen.every] == [
        (f"pair {n}", FlexureOrigin.ADDED, (-1, -1)) for n in (1, 2)
    ]
    assert all(f.length_mm == pytest.approx(30.0, rel=0.01) for f in seen.every)
    assert seen.empty == ("nothing",) and seen.main is None
    assert len(seen.dropped) == 1 and "still" in seen.dropped[0]


def test_a_fixed_strip_elsewhere_leaves_the_rest_free() -> None:
    loose = affinity.translate(stage(xs=(0.0,)), 60)
    still = region("still", RegionKind.FIXED, (55.0, 1.0, 0.0), (65.0, 29.0, 8.0))
    seen = of(extruded(unary_union([stage(), loose])), still)
    assert len(seen.every) == 4 and len(seen.dropped) == 1


def test_one_flexure_of_a_region_bears_its_name() -> None:
    own = region("spring", RegionKind.FLEXURE, (-17.0, 1.0, 0.0), (-13.0, 29.0, 8.0))
    foot = region("foot", RegionKind.GRIP, (-20.0, -10.0, 0.0), (20.0, 0.0, 8.0))
    seen = of(extruded(stage()), own, foot)
    assert [f.name for f in seen.every] == ["spring", "flexure 1", "flexure 2", "flexure 3"]
    assert seen.every[0].origin is FlexureOrigin.CONFIRMED and seen.of_region("spring") == seen.every[:1]
    assert seen.main is seen.planes[0]
    assert {block.name for block in seen.planes[0].blocks} == {"foot", "block 2"} or {
        block.name for block in seen.planes[0].blocks
    } == {"foot", "block 1"}


def test_a_declared_bar_without_a_find_is_added_as_it_lies() -> None:
    bar = region("bar", RegionKind.FLEXURE, (-10.0, -5.0, 0.0), (10.0, 5.0, 8.0))
    part = extruded(unary_union([box(-30, -5, -10, 5), box(10, -5, 30, 5), box(-11, -1.5, 11, 1.5)]))
    seen = of(part, bar)
    (flexure,) = seen.every
    assert flexure.name == "bar" and flexure.width_mm == pytest.approx(3.0, rel=0.01)
    assert flexure.length_mm == pytest.approx(20.0, rel=0.02) and flexure.depth_mm == pytest.approx(8.0, rel=0.02)
    assert np.allclose(np.abs(flexure.direction), (1, 0, 0), atol=1e-6)


def test_a_declared_arm_with_a_free_end_is_an_arm() -> None:
    arm = region("arm", RegionKind.FLEXURE, (-2.0, 1.0, 0.0), (2.0, 30.0, 8.0))
    part = extruded(unary_union([box(-15, -10, 15, 0), box(-0.6, -1, 0.6, 25)]))
    (flexure,) = of(part, arm).every
    assert flexure.kind is FlexureKind.ARM and min(flexure.blocks) == -1
    assert flexure.width_mm == pytest.approx(1.2, rel=0.01) and flexure.length_mm == pytest.approx(25.0, rel=0.04)
    assert of(part).planes == ()


# --- demonstration parts and real ones --------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "leaves", "width", "length", "ties", "tie_width", "tie_length"),
    [("launcher-a", 12, 0.7, 44.0, 4, 1.2, 24.0), ("launcher-b", 6, 0.8, 47.2, 4, 0.8, 18.5)],
)
def test_launchers(name, leaves, width, length, ties, tie_width, tie_length) -> None:
    piece = next(w for w in review.opened(resource("data", "parts", name)).workpieces if w.part.id == "launcher")
    seen = found(piece)
    (plane,) = seen.planes
    own = [f for f in plane.flexures if f.region.startswith("leaf")]
    hung = [f for f in plane.flexures if f.region.startswith("tie")]
    assert len(own) == leaves and len(hung) == ties and len(plane.flexures) == leaves + ties
    assert [f.name for f in own] == [f"leaf-{n}" for n in range(1, leaves + 1)]
    assert all(f.origin is FlexureOrigin.CONFIRMED for f in plane.flexures)
    for flexure in own:
        assert flexure.width_mm == pytest.approx(width, rel=0.005)
        assert flexure.length_mm == pytest.approx(length, rel=0.01)
        assert flexure.root_radii_mm == pytest.approx((0.8, 0.8), rel=0.06)
    for flexure in hung:
        assert flexure.width_mm == pytest.approx(tie_width, rel=0.01)
        assert flexure.length_mm == pytest.approx(tie_length, rel=0.04)
    assert {block.name for block in plane.blocks} == {"grip", "shuttle", "rail-left", "rail-right"}
    if name == "launcher-a":
        return
    # The same is found when nothing is declared.
    bare = Workpiece(replace(piece.submission, regions=()), piece.part, piece.setup)
    assert len(found(bare).every) == leaves + ties


def test_an_upright_snap_arm_and_parts_without_flexures() -> None:
    pieces = {
        n: review.opened(resource("data", "parts", n)).workpieces[0] for n in ("snap-clip", "hinged-box", "bracket")
    }
    (arm,) = found(pieces["snap-clip"]).every
    assert arm.name == "arm" and not arm.in_layers
    assert arm.width_mm == pytest.approx(1.6, rel=0.01) and arm.depth_mm == pytest.approx(12.0, rel=0.01)
    assert found(pieces["hinged-box"]).every == () and found(pieces["bracket"]).every == ()


@pytest.mark.parametrize("name", ["1002_tray_bottom.STL", "angle_block.STL", "octagonal_pocket.stl", "idler_riser.STL"])
def test_machined_parts_have_none(shared_parts: Path, name: str) -> None:
    mesh = trimesh.load(shared_parts / name, force="mesh")
    mesh.merge_vertices()
    assert found(on_plate(mesh)).planes == ()


def test_the_real_flexure_leg(shared_parts: Path) -> None:
    """Four living hinges join two stout legs to two end blocks, seen in upright sections."""
    mesh = trimesh.load(shared_parts / "just_leg_test.stl", force="mesh")
    mesh.merge_vertices()
    (plane,) = found(on_plate(mesh)).planes
    assert not plane.in_layers and np.allclose(np.abs(plane.axes_part[2]), (0, 1, 0))
    assert len(plane.flexures) == 4 and len(plane.blocks) == 4
    for flexure in plane.flexures:
        assert flexure.kind is FlexureKind.NECK
        assert flexure.width_mm == pytest.approx(0.75, abs=0.02) and flexure.length_mm == pytest.approx(1.5, abs=0.1)


# --- the beam ------------------------------------------------------------------------------------------


def test_flexibility_is_that_of_a_cantilever_and_of_a_curved_bar() -> None:
    """Cantilever with shear and stretch; quarter circle, Roark's curved beams (from memory)."""
    line = np.column_stack([np.linspace(0, 30, 7), np.zeros(7)])
    give = flexibility(line, np.full(7, 0.8), 0.35, line[-1])
    assert give[1, 1] == pytest.approx(12 * 30**3 / 3 / 0.8**3 + 2.4 * 1.35 * 30 / 0.8, rel=1e-9)
    assert give[0, 0] == pytest.approx(30 / 0.8) and give[2, 2] == pytest.approx(12 * 30 / 0.8**3)
    assert give[1, 2] == pytest.approx(6 * 30**2 / 0.8**3)
    turns = np.linspace(0, np.pi / 2, 400)
    arc = 50 * np.column_stack([np.sin(turns), 1 - np.cos(turns)])
    give = flexibility(arc, np.full(400, 0.5), 0.35, arc[-1])
    # Integrals of cos squared and of (1 - sin) squared over the quarter.
    assert give[0, 0] == pytest.approx(12 / 0.5**3 * 50**3 * np.pi / 4, rel=2e-3)
    assert give[1, 1] == pytest.approx(12 / 0.5**3 * 50**3 * (3 * np.pi / 4 - 2), rel=2e-3)


def test_evidence_draws_every_flexure_and_block() -> None:
    (plane,) = of(extruded(stage())).planes
    evidence = plane_evidence(plane)
    assert np.isnan(evidence["flexures"][:, 0]).sum() == 3 and len(evidence["places"]) == 4
    assert {"block 0", "block 1"} <= set(evidence) and "block 2" not in evidence
    assert evidence["in_layers"][0] == 1.0
