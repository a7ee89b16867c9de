"""Softest motions against beam formulas: a parallel-leaf stage, folds in series, hinges, demonstration parts."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import CrossSection, FillRule, Manifold
from shapely import LineString, affinity, box, unary_union

from reviewkit import review
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.flexures import SectionPlane, find_flexures
from reviewkit.measure.mechanism import angle_to_declared_deg, held_block, mechanism, mover_of
from reviewkit.model import Setup
from reviewkit.resources import resource
from reviewkit.submission import Box, Motion, MotionKind, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

E, NU, DEPTH = 2000.0, 0.35, 8.0
SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)


def extruded(outline: shapely.Geometry, height: float = DEPTH) -> Manifold:
    rings = [shapely.get_coordinates(ring)[:-1] for ring in shapely.get_rings(shapely.get_parts(outline))]
    return CrossSection(rings, FillRule.EvenOdd).extrude(height)


def plane_of(solid: Manifold, *regions: Region) -> SectionPlane:
    made = solid.to_mesh()
    mesh = trimesh.Trimesh(np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts), process=False)
    mesh.merge_vertices()
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, float), faces=np.array(mesh.faces, np.int64)
    )
    piece = Workpiece(Submission("T-1", regions=regions), part, SETUP)
    found = find_flexures(
        piece.vertices, piece.faces, piece.layers, piece.regions, piece.setup, load_limits(), piece.offset_mm
    )
    assert found.main is not None
    return found.main


def leaf_stiffness(length: float, width: float, depth: float = DEPTH) -> float:
    """Fixed-guided leaf with shear: Roark, 7th ed., table 8.1 case 1b; Przemieniecki 1968, ch. 5 (both from memory)."""
    return E * depth * width**3 / length**3 / (1 + 2.4 * (1 + NU) * (width / length) ** 2)


def stage(turn: float = 0.0) -> Manifold:
    outline = unary_union(
        [box(-20, -12, 20, 0), box(-20, 30, 20, 40), *[box(x - 0.4, -1, x + 0.4, 31) for x in (-15, 15)]]
    )
    return extruded(affinity.rotate(outline, turn, origin=(0, 0)))


@pytest.mark.parametrize("turn", [0.0, 17.0, 60.0])
def test_a_parallel_leaf_stage_is_guided_straight(turn: float) -> None:
    plane = plane_of(stage(turn))
    done = mechanism(plane, (), E, NU, root_widths=0.0)
    assert done is not None and done.held == 0 and "guess" in done.held_by
    first = done.motions[0]
    assert first.stiffness_n_mm == pytest.approx(2 * leaf_stiffness(30.0, 0.8), rel=0.005)
    assert first.stiffness_n_mm == pytest.approx(2 * 12 * E * (DEPTH * 0.8**3 / 12) / 30**3, rel=0.01)
    way = (np.cos(np.radians(turn)), np.sin(np.radians(turn)), 0.0)
    assert abs(np.dot(first.direction, way)) == pytest.approx(1.0, abs=1e-6)
    assert not first.turns and first.centre_mm is None and first.ratio > 100
    assert first.block == 1 and np.allclose(first.moves[0], 0)


def test_roots_that_give_way_add_to_the_length() -> None:
    """L + 0.79 t, computed with plane finite elements for sharp roots (flexures of 25 to 50 widths)."""
    done = mechanism(plane_of(stage()), (), E, NU)
    assert done is not None
    assert done.motions[0].stiffness_n_mm == pytest.approx(2 * leaf_stiffness(30.0 + 0.79 * 0.8, 0.8), rel=0.01)


def test_stages_in_series_share_the_way() -> None:
    """Folded suspension: two folds in parallel, each two equal legs in series, 6 E I / L3 a fold."""
    legs = [box(x - 0.3, -1, x + 0.3, 25) for x in (-16, -8, 8, 16)]
    part = unary_union([*legs, box(-22, -6, -14, 0), box(14, -6, 22, 0), box(-22, -14, 22, -6), box(-10, -4, 10, 0),
                        box(-18, 24, 18, 30)])  # fmt: skip
    plane = plane_of(extruded(part))
    done = mechanism(plane, (), E, NU, root_widths=0.0)
    assert done is not None
    first = done.motions[0]
    shuttle = min(range(3), key=lambda k: plane.blocks[k].volume_mm3)
    truss = next(k for k in done.free if k != shuttle)
    assert first.block == shuttle
    assert first.stiffness_n_mm == pytest.approx(leaf_stiffness(24.0, 0.6), rel=0.01)
    assert first.moves[truss, 0] / first.moves[shuttle, 0] == pytest.approx(0.5, rel=0.02)


def test_a_crossed_hinge_turns_about_its_crossing() -> None:
    """Two leaves that cross in their middles: E I / L each against a turn; Young, An evaluation of a flexure pivot,
    Journal of Applied Mechanics 11, 1944, for the crossed pivot unloaded (from memory)."""
    blocks = extruded(unary_union([box(-15, -8, 15, 0), box(-15, 20, 15, 26)]), 12.0)
    leaves = [LineString([(s * -11, -1), (s * 11, 21)]).buffer(0.4, cap_style="flat") for s in (1, -1)]
    plane = plane_of(blocks + extruded(leaves[0], 5.0) + extruded(leaves[1], 5.0).translate((0, 0, 7.0)))
    done = mechanism(plane, (), E, NU, root_widths=0.0)
    assert done is not None
    first = done.motions[0]
    assert first.centre_mm is not None and first.centre_mm[:2] == pytest.approx((0.0, 10.0), abs=0.2)
    assert first.ratio > 50
    mover = plane.blocks[first.block]
    arm = np.linalg.norm(mover.centre_mm - (0, 10))
    # A force at the mass centre turns the block about the crossing.
    length = 20 * np.sqrt(2)
    turning = 2 * E * 5.0 * 0.8**3 / 12 / length
    assert first.turning_n_mm == pytest.approx(turning, rel=0.05)
    assert first.stiffness_n_mm * arm**2 == pytest.approx(turning, rel=0.05)


def test_a_living_hinge_turns_about_its_middle() -> None:
    plane = plane_of(extruded(box(-20, 0, 20, 4).difference(box(-0.8, 0.5, 0.8, 5))))
    done = mechanism(plane, (), E, NU, root_widths=0.0)
    assert done is not None
    first = done.motions[0]
    assert first.centre_mm is not None and first.centre_mm[:2] == pytest.approx((0.0, 0.25), abs=0.15)
    assert first.turning_n_mm == pytest.approx(E * DEPTH * 0.5**3 / 12 / 1.6, rel=0.06)


def test_a_fold_without_stout_turns_is_condensed_out() -> None:
    """Two leaves that meet at an elbow: the joint belongs to them and moves freely."""
    part = unary_union([box(-30, -6, -20, 6), box(-21, -0.4, 0.4, 0.4), box(-0.4, -0.4, 0.4, 21), box(-6, 20, 6, 30)])
    done = mechanism(plane_of(extruded(part)), (), E, NU, root_widths=0.0)
    assert done is not None and len(done.free) == 1 and done.stiffness.shape == (3, 3)
    assert np.linalg.eigvalsh(done.stiffness).min() > 0
    # The whole line turns at its end by M times its length over E I.
    assert done.motions[0].turning_n_mm == pytest.approx(E * DEPTH * 0.8**3 / 12 / 40.0, rel=0.04)


def test_a_joint_of_three_leaves_adds_no_root_and_moves_freely() -> None:
    """From pad to pad a moment bends two leaves: their lengths to the joint and a root at each pad over E I."""
    arms = [affinity.rotate(box(-0.4, 0, 0.4, 25), turn, origin=(0, 0)) for turn in (0, 120, 240)]
    pads = [affinity.rotate(box(-6, 24, 6, 34), turn, origin=(0, 0)) for turn in (0, 120, 240)]
    plane = plane_of(extruded(unary_union([*arms, *pads])))
    assert len(plane.flexures) == 3 and [block.is_joint for block in plane.blocks] == [False, False, False, True]
    done = mechanism(plane, (), E, NU, root_widths=0.38)
    assert done is not None and len(done.free) == 2 and done.stiffness.shape == (6, 6)
    length = 2 * (plane.flexures[0].length_mm + 0.38 * 0.8)
    assert done.motions[0].turning_n_mm == pytest.approx(E * DEPTH * 0.8**3 / 12 / length, rel=0.005)


def test_leaves_fused_where_they_cross_turn_about_the_crossing() -> None:
    arms = [LineString([(-12, s * -11), (12, s * 11)]).buffer(0.4, cap_style="flat") for s in (1, -1)]
    plane = plane_of(extruded(unary_union([*arms, box(-16, 10, 16, 20), box(-16, -20, 16, -10)])))
    assert len(plane.flexures) == 4 and sum(block.is_joint for block in plane.blocks) == 1
    done = mechanism(plane, (), E, NU)
    assert done is not None and done.motions[0].centre_mm is not None and done.motions[0].ratio > 100
    assert done.motions[0].centre_mm[:2] == pytest.approx((0.0, 0.0), abs=0.1)


def test_what_is_held_follows_the_regions() -> None:
    low = Region("base", "p", RegionKind.FIXED, Box((-20.0, -12.0, 0.0), (20.0, 0.0, 8.0)))
    grip = Region("hold", "p", RegionKind.GRIP, Box((-20.0, 30.0, 0.0), (20.0, 40.0, 8.0)))
    plane = plane_of(stage(), low, grip)
    names = [block.name for block in plane.blocks]
    assert names == ["base", "hold"]
    assert held_block(plane, (low, grip))[0] == 1 and held_block(plane, (low,))[0] == 0
    forced = mechanism(plane, (low, grip), E, NU, held=0)
    assert forced is not None and forced.held == 0 and forced.motions[0].block == 1


def test_declared_motions_are_compared() -> None:
    upper = Region("table", "p", RegionKind.MOVING, Box((-20.0, 30.0, 0.0), (20.0, 40.0, 8.0)))
    plane = plane_of(stage(), upper)
    done = mechanism(plane, (upper,), E, NU)
    assert done is not None
    slides = Motion("table", MotionKind.TRANSLATION, (-1.0, np.tan(np.radians(3.0)), 0.0), (0.0, 2.0))
    turns = Motion("table", MotionKind.ROTATION, (1.0, 0.0, 0.0), (0.0, 20.0))
    assert angle_to_declared_deg(done.motions[0], plane, slides) == pytest.approx(3.0, abs=0.01)
    assert angle_to_declared_deg(done.motions[0], plane, turns) == pytest.approx(90.0)
    assert (
        mover_of(plane, slides) == 1 and mover_of(plane, Motion("lid", MotionKind.ROTATION, (0, 0, 1), (0, 1))) is None
    )


def test_the_launcher_moves_along_its_stroke_and_the_clip_across_its_arm() -> None:
    pieces = {n: review.opened(resource("data", "parts", n)).workpieces[0] for n in ("launcher-b", "snap-clip")}
    for name, stiffness, ratio in (("launcher-b", 6 * leaf_stiffness(47.2, 0.8, 26.4), 2.0), ("snap-clip", 0.0, 50.0)):
        piece = pieces[name]
        found = find_flexures(
            piece.vertices, piece.faces, piece.layers, piece.regions, piece.setup, load_limits(), piece.offset_mm
        )
        assert found.main is not None
        done = mechanism(found.main, piece.regions, E, NU, root_widths=0.0)
        assert done is not None
        declared = piece.submission.motions[0]
        first = done.motions[0]
        assert first.block == mover_of(found.main, declared)
        assert angle_to_declared_deg(first, found.main, declared) < 4.0
        assert first.ratio > ratio
        if stiffness:
            # Fillets of 0.8 mm stiffen the roots a little.
            assert stiffness < first.stiffness_n_mm < 1.08 * stiffness
