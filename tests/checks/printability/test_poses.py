"""PR-02 on parts whose best pose geometry dictates, just inside and just outside each bound, at turned positions.

The bounds, written out again here so that a slip in data/limits shows, are common practice of the trade.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from scipy.spatial.transform import Rotation

from reviewkit.checks.printability.poses import poses
from reviewkit.figures.poses import pose_sheet
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.poses import chosen_pose
from reviewkit.model import IDENTITY, Finding, Matrix, Origin, Setup, Severity, Status, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
UPSIDE_DOWN: Matrix = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS


def block(x, y, z, at=(0, 0, 0)):
    """A box by its sides, from its lowest corner."""
    return trimesh.creation.box((x, y, z)).apply_translation(np.add(at, (x / 2, y / 2, z / 2)))


def joined(*blocks):
    return trimesh.boolean.union(blocks)


T = joined(block(20, 20, 40), block(60, 20, 10, (-20, 0, 30)))
LEAF_PART = joined(block(20, 30, 10), block(20, 30, 10, (80, 0, 0)), block(62, 1, 10, (19, 14.5, 0)))


def leaf(turn_deg=0.0, lift_mm=0.0):
    return Region("leaf", "p", RegionKind.FLEXURE, Box((20, 13, lift_mm), (80, 17, lift_mm + 10), turn_deg))


def workpiece(mesh, pose: Matrix = IDENTITY, origin=Origin.CONFIRMED, regions=()) -> Workpiece:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", regions=tuple(regions))
    return Workpiece(submission, part, replace(SETUP, pose=pose, pose_origin=origin))


def judged(mesh, pose: Matrix = IDENTITY, origin=Origin.CONFIRMED, regions=()) -> Finding:
    (found,) = poses(workpiece(mesh, pose, origin, regions), load_limits())
    assert (found.key, found.code, found.domain, found.subject) == ("PR-02:p:part", "PR-02", "printability", "part")
    assert found.message.endswith(".")
    assert bool(found.change) == (found.verdict is not MEETS)
    assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
    assert found.severity is (Severity.FUNCTION if found.verdict is FAILS else Severity.COST)
    assert len(found.evidence["reviewed"]) == 1
    return found


def measured(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity == quantity)


def matrix(rotation) -> Matrix:
    a, b, c = np.asarray(rotation).tolist()
    return tuple(a), tuple(b), tuple(c)


# --- the pose is given -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", [None, 5])
def test_upright_t_is_marginal_and_its_gain_is_told_in_numbers(seed):
    turn = np.eye(3) if seed is None else Rotation.random(random_state=seed).as_matrix()
    mesh = T.copy()
    mesh.vertices = mesh.vertices @ turn.T
    found = judged(mesh, matrix(turn.T))
    assert found.verdict is MARGINAL
    # Two arms of 20 x 20 mm, 30 mm up; lying, nothing hangs over and 1400 mm2 lie on the plate, 20 mm high.
    assert measured(found, "overhang area") == pytest.approx(800, rel=1e-4)
    assert measured(found, "support volume") == pytest.approx(24000, rel=0.01)
    for words in ("of support in place of 24 cm³", "0 mm² of overhang in place of 800 mm²"):
        assert words in found.change
    assert "1200 mm² on the plate in place of 400 mm²" in found.change
    assert "20 mm of height in place of 40 mm" in found.change
    assert "as the submission says" in found.message


@pytest.mark.parametrize("seed", [None, 6])
def test_lying_and_standing_on_its_head_the_t_is_well(seed):
    turn = np.eye(3) if seed is None else Rotation.random(random_state=seed).as_matrix()
    mesh = T.copy()
    mesh.vertices = mesh.vertices @ turn.T
    lying = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
    found = judged(mesh, matrix(lying @ turn.T))
    assert found.verdict is MEETS
    assert "Second best is" in found.message


@pytest.mark.parametrize(("margin", "verdict"), [(0.99, MEETS), (1.01, MARGINAL)])
def test_gain_just_inside_and_just_outside_the_margin(margin, verdict):
    # The gain of the upright T, and a bound just above and just below it.
    limits = load_limits()
    found = judged(T)
    gain = float(found.evidence["scores"][found.evidence["reviewed"][0]] - found.evidence["scores"].min())
    assert gain > 0.1
    row = limits.rows["pose-gain-meets"] | {"value": str(gain / margin)}
    (again,) = poses(workpiece(T), replace(limits, rows=limits.rows | {"pose-gain-meets": row}, sha256=str(margin)))
    assert again.verdict is verdict


def test_plain_box_is_silent():
    found = judged(block(60, 40, 15))
    assert found.verdict is MEETS
    assert found.where == ()
    assert measured(found, "poses possible") == 6
    assert "flexure" not in found.message


@pytest.mark.parametrize(("height_mm", "fails"), [(78, False), (82, True)])
def test_slenderness_beyond_eight(height_mm, fails):
    # A thin mast on a cube of 10 mm keeps the mass low, so that only height over foot, 80 mm at most, speaks.
    found = judged(joined(block(10, 10, 10), block(2, 2, height_mm - 9, (4, 4, 9))))
    assert measured(found, "height over width of the contact") == pytest.approx(height_mm / 10)
    assert measured(found, "tip angle") > 15
    assert (found.verdict is FAILS) == fails
    assert ("is too tall for what it stands on" in found.message.split("Laid")[0]) == fails
    assert ("stands on a face at least 10.2 mm wide" in found.change) == fails


@pytest.mark.parametrize(("offset_mm", "fails"), [(4.1, True), (2.9, False)])
def test_tip_angle_of_ten_degrees(offset_mm, fails):
    # A block of 10 x 30 x 20 mm, its top slid sideways: a leaning prism; d = 5 - s / 2 of 10 high tips at atan(d / 10).
    prism = block(10, 30, 20, (-5, -15, 0))
    slide_mm = 2 * offset_mm
    prism.vertices[prism.vertices[:, 2] > 10, 0] += slide_mm
    found = judged(prism)
    tip_deg = np.degrees(np.arctan2(5 - offset_mm, 10))
    assert measured(found, "tip angle") == pytest.approx(tip_deg, abs=0.3)
    assert (tip_deg < 10) == fails
    assert (found.verdict is FAILS) == fails
    assert ("tips over too easily" in found.message) == fails


def test_flexure_across_the_layers_fails_and_says_which_way_to_lie():
    standing = ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0))
    found = judged(LEAF_PART, standing, regions=[leaf()])
    assert found.verdict is FAILS
    assert "pulls a marked flexure across its layers (90° to the layers)" in found.message
    assert "Lay the part" in found.change
    lying = judged(LEAF_PART, regions=[leaf()])
    assert lying.verdict is MEETS
    assert measured(lying, "load of the worst flexure to the layers") == pytest.approx(0, abs=0.1)
    assert {limit.id for limit in lying.limits} >= {"pose-flexure-load-fails", "pose-flexure-bend-meets"}


@pytest.mark.parametrize(("tilt_deg", "fails"), [(43, False), (47, True)])
def test_flexure_tilt_just_inside_and_outside(tilt_deg, fails):
    # A foot carries an arm of 40 mm that rises at the angle; a slab at its end keeps the arm between two bodies.
    t = np.radians(tilt_deg)
    arm = trimesh.creation.box((60, 10, 2))
    arm.apply_transform(trimesh.transformations.rotation_matrix(-t, (0, 1, 0)))
    arm.apply_translation((0, 0, 4 + 28 * np.sin(t)))
    part = joined(block(80, 40, 8, (-50, -20, 0)), arm)
    region = Region("arm", "p", RegionKind.FLEXURE, Box((-14, -6, 9), (19, 6, 60)))
    found = judged(part, regions=[region])
    assert measured(found, "load of the worst flexure to the layers") == pytest.approx(tilt_deg, abs=1.0)
    assert ("pulls a marked flexure across its layers" in found.message.split("Of ")[0]) == fails


def test_empty_flexure_region_is_told():
    found = judged(LEAF_PART, regions=[Region("air", "p", RegionKind.FLEXURE, Box((30, 20, 0), (70, 29, 10)))])
    assert "No matter was found in air" in found.message


# --- one pose, no pose -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", [None, 8])
def test_only_one_pose_is_possible_and_why(seed):
    # A dome stands on its flat face and rolls on the rest: 18.75 mm up, on a patch of 2.4 mm, it tips at 7.4 degrees.
    dome = trimesh.creation.icosphere(subdivisions=4, radius=30)
    dome = trimesh.boolean.intersection([dome, block(60, 60, 30, (-30, -30, 0))])
    turn = np.eye(3) if seed is None else Rotation.random(random_state=seed).as_matrix()
    dome.vertices = dome.vertices @ turn.T
    found = judged(dome, matrix(turn.T))
    assert found.verdict is MEETS
    assert "It is the only pose possible. It rests on no other face." in found.message
    assert "all tip over too easily" in found.message
    assert measured(found, "poses possible") == 1


def test_poses_on_the_ends_of_a_leaf_are_shown_as_ruled_out():
    tall = joined(block(20, 12, 60), block(20, 12, 60, (80, 0, 0)), block(62, 1, 60, (19, 5.5, 0)))
    region = Region("leaf", "p", RegionKind.FLEXURE, Box((20, 3, 0), (80, 9, 60)))
    found = judged(tall, regions=[region])
    ends = [n for n, name in enumerate(found.evidence["names"]) if "x side" in name]
    assert ends
    assert all("pulls a marked flexure across" in found.evidence["failed"][n] for n in ends)


def test_a_ball_has_no_pose():
    found = judged(trimesh.creation.icosphere(subdivisions=4, radius=15), origin=Origin.ASSUMED)
    assert found.verdict is FAILS
    assert "No pose is possible" in found.message
    # Its mass centre is 15 mm up: a flat face of 2 x 15 tan 10 is the least.
    assert "at least 5.29 mm wide" in found.change
    flat = trimesh.creation.icosphere(subdivisions=4, radius=15)
    flat.apply_translation((0, 0, 15))
    flat = trimesh.boolean.difference([flat, block(60, 60, 4, (-30, -30, -2))])
    assert judged(flat).verdict is MEETS


def test_too_large_for_the_plate_in_every_pose():
    found = judged(block(250, 245, 230))
    assert found.verdict is FAILS
    assert "does not fit the plate" in found.message
    assert "shorter" in found.change


# --- the pose is ours ------------------------------------------------------------------------


@pytest.mark.parametrize("mesh", [T, LEAF_PART, block(60, 40, 15)])
def test_pose_that_we_choose_meets_and_says_so(mesh):
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    pose, _ = chosen_pose(vertices, faces, SETUP, load_limits())
    found = judged(mesh, pose, Origin.ASSUMED)
    assert found.verdict is MEETS
    assert "as we chose it" in found.message
    assert found.evidence["reviewed"].tolist() == found.evidence["best"].tolist() == [0]


def test_evidence_holds_the_reviewed_pose_and_at_most_six():
    found = judged(T)
    evidence = found.evidence
    count = len(evidence["names"])
    assert 2 <= count <= 6
    assert evidence["rotations"].shape == (count, 3, 3)
    reviewed = int(evidence["reviewed"][0])
    assert evidence["rotations"][reviewed] == pytest.approx(np.eye(3))
    assert evidence["names"][reviewed] == "as drawn"
    assert evidence["best"].tolist() == [0]
    assert reviewed != 0


def test_where_there_is_one_pose_the_next_ones_are_shown_as_ruled_out():
    drum = trimesh.creation.cylinder(radius=12, height=60, sections=720)
    drum.apply_translation((0, 0, 30))
    evidence = judged(drum).evidence
    assert evidence["alike"][0] == 2
    assert len(evidence["names"]) == 3
    assert [bool(words) for words in evidence["failed"]] == [False, True, True]


def test_mesh_with_a_slit_is_told_and_an_open_one_is_not_checked():
    box = block(60, 40, 15).subdivide().subdivide().subdivide().subdivide()
    slit = box.copy()
    slit.update_faces(np.arange(len(box.faces)) != 7)
    assert "mesh is not closed" in judged(slit).message
    wide = box.copy()
    wide.update_faces(box.triangles_center[:, 0] < 20)
    (found,) = poses(workpiece(wide), load_limits())
    assert found.verdict is Verdict.NOT_CHECKED
    assert "the mesh is open" in found.message
    speck = trimesh.Trimesh([[0, 0, 0]] * 3, [[0, 1, 2]], process=False)
    (found,) = poses(workpiece(speck), load_limits())
    assert found.verdict is Verdict.NOT_CHECKED


@pytest.mark.parametrize(("side_mm", "fails"), [(1.45, False), (1.37, True)])
def test_contact_of_two_square_millimetres(side_mm, fails):
    # A cube on one small foot under its middle.
    foot = block(side_mm, side_mm, 1, (-side_mm / 2, -side_mm / 2, 0))
    found = judged(joined(foot, block(4, 4, 3, (-2, -2, 1))))
    assert measured(found, "area on the plate") == pytest.approx(side_mm**2)
    assert ("touches the plate hardly at all" in found.message.split("Laid")[0]) == fails
    assert (found.verdict is FAILS) == fails


# --- figure ----------------------------------------------------------------------------------


def test_pose_sheet_frames_the_best_and_tells_all():
    found = judged(T)
    shots = {f"shot_{n}": np.full((40, 50, 3), 200, np.uint8) for n in range(len(found.evidence["names"]))}
    figure = Figure()
    title, caption, alt = pose_sheet(replace(found, evidence={**found.evidence, **shots}), figure)
    assert title == "Ways to lie on the plate"
    assert "best is framed" in caption
    assert len(figure.axes) == len(shots)
    framed = [axes.spines["left"].get_linewidth() > 1 for axes in figure.axes]
    assert framed == [place in found.evidence["best"] for place in range(len(shots))]
    assert all(axes.images for axes in figure.axes)
    assert all(str(name) in alt for name in found.evidence["names"])
    # Nothing of the words is cut off at the foot.
    renderer = FigureCanvasAgg(figure).get_renderer()
    heights = [words.get_window_extent(renderer).y0 for axes in figure.axes for words in axes.texts]
    assert min(heights) >= 0


def test_pose_sheet_frames_nothing_where_nothing_is_possible():
    found = judged(trimesh.creation.icosphere(subdivisions=3, radius=15))
    figure = Figure()
    assert "None of them is possible" in pose_sheet(found, figure)[1]
    assert not any(axes.spines["left"].get_linewidth() > 1 for axes in figure.axes)
