"""PR-11 on leaves and clips at turned positions, just inside and just outside each limit."""

from dataclasses import replace
from types import SimpleNamespace

import manifold3d
import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure
from scipy.spatial.transform import Rotation

from reviewkit import review
from reviewkit.checks.printability.loads import loads
from reviewkit.figures.loads import layer_strength
from reviewkit.figures.style import STYLE
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Verdict
from reviewkit.resources import resource
from reviewkit.submission import (
    Box,
    Motion,
    MotionKind,
    PartEntry,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
)
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
BLOCK = manifold3d.Manifold.cube
LEAF = Region("leaf", "p", RegionKind.FLEXURE, Box((10.0, 2, -1), (30.0, 7, 9)))


def leaf_between_blocks(thick=1.0):
    """A leaf 20 long and 8 broad along x, held at both ends."""
    leaf = BLOCK((20, thick, 8)).translate((10, 4, 0))
    return BLOCK((10, 10, 8)) + leaf + BLOCK((10, 10, 8)).translate((30, 0, 0))


def raised(degrees) -> Matrix:
    """The pose that raises the x axis so far from the plate."""
    a, b, c = Rotation.from_euler("y", -degrees, degrees=True).as_matrix().tolist()
    return tuple(a), tuple(b), tuple(c)


def judged(solid, *regions, requirements=(), motions=(), pose=IDENTITY, made_of="petg") -> dict[str, Finding]:
    made = solid.to_mesh()
    mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        health=SimpleNamespace(sound=True),
    )
    submission = Submission(
        "T-1", parts=(PartEntry("p", "p.stl"),), regions=regions, requirements=requirements, motions=motions
    )
    setup = replace(SETUP, pose=pose, material=material(made_of))
    findings = loads(Workpiece(submission, part, setup), load_limits())
    assert findings[0].subject == "part"
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"PR-11:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-11", "printability", "p")
        assert found.message.endswith(".")
        assert found.change or found.verdict is Verdict.MEETS
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low <= place.point_mm).all() and (place.point_mm <= high).all()
            assert len(found.evidence[place.faces])
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


# PETG: half the strength across the layers; with shear from both, 1 / share2 = 1 + 3 cos2, so that 0.9 is
# left at 73.8 deg from the build direction and 0.7 at 53.8 (raised 16.2 and 36.2 from the plate).
@pytest.mark.parametrize(
    ("degrees", "verdict"),
    [
        (0, Verdict.MEETS),
        (15.5, Verdict.MEETS),
        (17, Verdict.MARGINAL),
        (35.5, Verdict.MARGINAL),
        (37, Verdict.FAILS),
        (90, Verdict.FAILS),
    ],
)
def test_a_leaf_raised_from_the_plate(degrees, verdict):
    found = judged(leaf_between_blocks(), LEAF, pose=raised(degrees))
    assert found["part"].verdict is verdict
    assert ("leaf" in found) is (verdict is not Verdict.MEETS)
    share = 1 / np.sqrt(1 + 3 * np.sin(np.radians(degrees)) ** 2)
    assert value(found["part"], "least strength left") == pytest.approx(share, abs=0.005)
    if verdict is not Verdict.MEETS:
        leaf = found["leaf"]
        assert leaf.verdict is verdict
        assert leaf.severity is Severity.FUNCTION
        assert value(leaf, "angle of the section") == pytest.approx(90 - degrees, abs=0.5)
        assert value(leaf, "thickness") == pytest.approx(1, rel=0.03)
        assert value(leaf, "length") == pytest.approx(20, rel=0.03)
        assert leaf.where[0].point_mm == pytest.approx((20, 4.5, 4), abs=0.15)
        assert "runs 74° or more from the build direction" in leaf.change
        assert ("breaks without warning" in leaf.message) is (verdict is Verdict.FAILS)
        allowed = 0.01 * share * (0.5 if verdict is Verdict.FAILS else 1)
        assert value(leaf, "strain to allow") == pytest.approx(allowed, rel=0.01)


@pytest.mark.parametrize("turn", [0, 30, 90])
def test_a_leaf_in_the_plane_meets_however_it_is_turned(turn):
    angle = np.radians(turn)
    pose = ((np.cos(angle), -np.sin(angle), 0.0), (np.sin(angle), np.cos(angle), 0.0), (0.0, 0.0, 1.0))
    on_edge = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    for lying in (pose, on_edge):
        found = judged(leaf_between_blocks(), LEAF, pose=lying)
        assert list(found) == ["part"]
        assert found["part"].verdict is Verdict.MEETS
        assert "leaf" in found["part"].message


def test_a_broad_hinge_is_judged_along_its_short_way():
    # 30 mm broad and 3 mm long: standing on its 30 mm it still bends along the layers.
    solid = BLOCK((10, 30, 4)) + BLOCK((3, 30, 0.8)).translate((10, 0, 0)) + BLOCK((10, 30, 4)).translate((13, 0, 0))
    hinge = Region("hinge", "p", RegionKind.FLEXURE, Box((10.0, -1, -1), (13.0, 31, 5)))
    on_end = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    assert judged(solid, hinge, pose=on_end)["part"].verdict is Verdict.MEETS
    assert judged(solid, hinge, pose=raised(90))["hinge"].verdict is Verdict.FAILS


@pytest.mark.parametrize(
    ("kind", "thick", "verdict"),
    [
        (RegionKind.FLEXURE, 9.0, Verdict.FAILS),
        (RegionKind.MOVING, 1.0, Verdict.FAILS),
        (RegionKind.MOVING, 4.9, Verdict.FAILS),
        # Less than four times as long as thick: a block.
        (RegionKind.MOVING, 5.1, Verdict.MEETS),
        (RegionKind.GRIP, 1.0, Verdict.FAILS),
        (RegionKind.KEEP, 1.0, Verdict.MEETS),
        (RegionKind.VISIBLE, 1.0, Verdict.MEETS),
    ],
)
def test_which_regions_count(kind, thick, verdict):
    # A clip's arm that stands 20 mm high on the plate, 10 mm broad.
    solid = BLOCK((40, 20, 4)) + BLOCK((thick, 10, 20)).translate((5, 5, 4))
    arm = Region("arm", "p", kind, Box((4.0, 4, 4), (15.0, 16, 25)))
    assert judged(solid, arm)["part"].verdict is verdict


def test_thick_sections_are_blocks_however_long():
    solid = BLOCK((60, 60, 4)) + BLOCK((7, 7, 60)).translate((5, 5, 4))
    arm = Region("arm", "p", RegionKind.MOVING, Box((4.0, 4, 4), (15.0, 16, 65)))
    found = judged(solid, arm)
    assert list(found) == ["part"]
    assert "arm is no thin section" in found["part"].message


def test_a_load_or_a_motion_makes_a_region_count():
    solid = BLOCK((40, 20, 4)) + BLOCK((1.5, 10, 20)).translate((5, 5, 4))
    arm = Region("arm", "p", RegionKind.KEEP, Box((4.0, 4, 4), (15.0, 16, 25)))
    load = Requirement("R1", RequirementKind.LOAD, 20.0, unit="N", region="arm")
    pushed = Motion("arm", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 2.0))
    assert judged(solid, arm, requirements=(load,))["arm"].verdict is Verdict.FAILS
    assert judged(solid, arm, motions=(pushed,))["arm"].verdict is Verdict.FAILS
    assert (
        judged(solid, arm, requirements=(replace(load, what=RequirementKind.SURFACE),))["part"].verdict is Verdict.MEETS
    )


def test_a_tougher_bond_between_layers_loses_less():
    # PP keeps half, TPU six tenths.
    shares = [
        value(judged(leaf_between_blocks(), LEAF, pose=raised(90), made_of=name)["leaf"], "strength left")
        for name in ("pp", "tpu")
    ]
    assert shares == pytest.approx([0.5, 0.6], abs=1e-3)


def test_nothing_marked_is_asked_for():
    found = judged(leaf_between_blocks())
    assert list(found) == ["part"]
    assert found["part"].verdict is Verdict.NOT_CHECKED
    assert "no region is marked that bends, moves or is gripped." in found["part"].message
    load = Requirement("R1", RequirementKind.LOAD, 20.0, unit="N")
    keep = Region("face", "p", RegionKind.KEEP, Box((0.0, 0, 0), (1.0, 1, 1)))
    found = judged(leaf_between_blocks(), keep, requirements=(load,))
    assert found["part"].verdict is Verdict.NOT_CHECKED
    assert "name in R1 the region that carries it" in found["part"].change
    # Regions are marked and none of them carries anything.
    assert judged(leaf_between_blocks(), keep)["part"].verdict is Verdict.MEETS


def test_a_region_that_holds_nothing_is_told():
    beside = Region("spring", "p", RegionKind.FLEXURE, Box((100.0, 0, 0), (110.0, 10, 10)))
    for regions in ((beside,), (LEAF, beside)):
        found = judged(leaf_between_blocks(), *regions)
        assert found["part"].verdict is Verdict.NOT_CHECKED
        assert "There is nothing of the part in spring." in found["part"].message
    assert judged(leaf_between_blocks(), LEAF, beside, pose=raised(90))["part"].verdict is Verdict.FAILS


def test_an_open_mesh_is_not_judged():
    box = trimesh.creation.box((40, 1, 8))
    mesh = trimesh.Trimesh(box.vertices, box.faces[box.face_normals[:, 1] < 0.5])
    part = SimpleNamespace(id="p", mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces))
    leaf = replace(LEAF, volume=Box((-10.0, -5, -5), (10.0, 5, 5)))
    (found,) = loads(Workpiece(Submission("T-1", regions=(leaf,)), part, SETUP), load_limits())
    assert found.verdict is Verdict.NOT_CHECKED
    assert "the mesh is open" in found.message


def test_many_are_listed_by_name_up_to_a_count():
    solid, regions = BLOCK((120, 20, 4)), []
    for number in range(14):
        x = 4 + 8 * number
        solid += BLOCK((1.2, 10, 20)).translate((x, 5, 4))
        regions.append(Region(f"arm-{number}", "p", RegionKind.FLEXURE, Box((x - 1.0, 4, 4), (x + 3.0, 16, 25))))
    found = judged(solid, *regions)
    assert len(found) == 13
    assert "14 run across the layers" in found["part"].message
    assert "and 2 more" in found["part"].message


def test_the_figure_tells_the_angle_and_what_is_left():
    leaf = judged(leaf_between_blocks(), LEAF, pose=raised(90))["leaf"]
    assert leaf.figures == ("layer_strength",)
    with mpl.rc_context(STYLE):
        title, caption, alt = layer_strength(leaf, Figure())
    assert title == "Strength by direction"
    assert "Dashed: 90 % and 70 %." in caption
    assert "from 50 % at 0 degrees to 100 % at 90; this section stands at 0 degrees with 50 %" in alt


def test_the_demonstration_launchers_leaves_lie_right():
    case = review.opened(resource("data", "parts") / "launcher-a")
    for workpiece in case.workpieces:
        (found,) = loads(workpiece, case.limits)
        assert found.verdict is Verdict.MEETS
