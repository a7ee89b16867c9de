"""PR-13 on faces just inside and just outside each limit, at turned positions."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from trimesh.transformations import rotation_matrix

from reviewkit.checks.printability.looks import looks
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
SETUP = Setup(machine("standard-240"), material("pla"), 0.2, 0.4, 0.2)
ON_ITS_SIDE = rotation_matrix(np.pi / 2, [1, 0, 0])
UPSIDE_DOWN: Matrix = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
TURNS = [0.0, 17.0]


def box(x0, y0, z0, x1, y1, z1) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[[x0, y0, z0], [x1, y1, z1]])


def turned(mesh, turn=0.0) -> trimesh.Trimesh:
    return mesh.apply_transform(rotation_matrix(np.radians(turn), [0, 0, 1]))


def visible(name, low, high, turn=0.0) -> Region:
    """A box drawn around a mesh that was turned about the origin with it."""
    middle = rotation_matrix(np.radians(turn), [0, 0, 1])[:2, :2] @ (np.add(low[:2], high[:2]) / 2)
    half = np.subtract(high[:2], low[:2]) / 2
    ends = [(*(middle + side * half).tolist(), z) for side, z in ((-1, low[2]), (1, high[2]))]
    return Region(name, "p", RegionKind.VISIBLE, Box(ends[0], ends[1], turn))


def judged(mesh, *regions: Region, pose: Matrix = IDENTITY) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        health=SimpleNamespace(sound=True),
    )
    setup = replace(SETUP, pose=pose)
    findings = looks(Workpiece(Submission("T-1", regions=regions), part, setup), load_limits())
    assert findings[0].subject == "part"
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"PR-13:p:{found.subject}"
        assert (found.code, found.severity) == ("PR-13", Severity.LOOKS)
        assert found.message.endswith(".")
        assert bool(found.change) is (found.verdict is not MEETS)
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
            assert found.evidence[place.faces].max() < len(mesh.faces)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def test_without_a_visible_face_it_asks_and_computes_nothing(monkeypatch):
    monkeypatch.setattr(Workpiece, "layers", property(lambda _: pytest.fail("layers were made")))
    found = judged(box(0, 0, 0, 10, 10, 10), Region("base", "p", RegionKind.KEEP, Box((0, 0, 0), (9, 9, 9))))
    assert list(found) == ["part"]
    assert found["part"].verdict is Verdict.NOT_CHECKED
    assert "names no face" in found["part"].message
    assert "please" in found["part"].change


@pytest.mark.parametrize("turn", TURNS)
def test_upright_walls_and_a_level_top_meet(turn):
    block = turned(box(0, 0, 0, 30, 20, 15), turn)
    region = visible("shell", (-1, -1, 1), (31, 21, 16), turn)
    found = judged(block, region)
    assert list(found) == ["part"]
    assert found["part"].verdict is MEETS
    assert value(found["part"], "visible surface") == pytest.approx(30 * 20 + 100 * 14, rel=0.05)


def wedge(angle_deg, turn=0.0) -> trimesh.Trimesh:
    """A roof that slopes by an angle from the level, 10 mm above the plate at its low end."""
    rise = 20 * np.tan(np.radians(angle_deg))
    profile = shapely.Polygon([(0, 0), (20, 0), (20, 10 + rise), (0, 10)])
    mesh = trimesh.creation.extrude_polygon(profile, 15).apply_transform(ON_ITS_SIDE)
    return turned(mesh.apply_translation([0, 15, 0]), turn)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(
    ("angle", "verdict"), [(0, MEETS), (76.5, MEETS), (74, MARGINAL), (55, MARGINAL), (52, FAILS), (20, FAILS)]
)
def test_steps_beside_their_limits(turn, angle, verdict):
    # Step h cos(angle): 0.05 mm at 75.5 degrees, 0.12 mm at 53.1 (limits common practice, supplement note 6.2).
    region = visible("roof", (0.1, 0.1, 9.9), (19.9, 14.9, 120), turn)
    found = judged(wedge(angle, turn), region)
    assert found["part"].verdict is verdict
    assert ("roof steps" in found) is (verdict is not MEETS)
    if verdict is not MEETS:
        steps = found["roof steps"]
        assert value(steps, "mean height") == pytest.approx(0.2 * np.cos(np.radians(angle)), rel=1e-3)
        # In layers as thin as told the steps are what is wanted.
        assert f"{0.05 / np.cos(np.radians(angle)):.2g} mm" in steps.change


def test_a_ball_is_marked_where_it_is_held_up():
    # (1 - cos 45) / 2 = 0.1464 of a ball needs support, less what touches the plate (supplement note 6.1).
    ball = trimesh.creation.icosphere(subdivisions=5, radius=10)
    found = judged(ball, visible("ball", (-11, -11, -11), (11, 11, 11)))
    marks = found["ball support marks"]
    assert marks.verdict is FAILS
    assert value(marks, "share marked") == pytest.approx(0.1464, abs=0.006)
    assert value(marks, "the same on the whole part") == pytest.approx(value(marks, "share marked"))
    assert found["ball steps"].verdict is MARGINAL
    assert value(found["ball steps"], "mean height") == pytest.approx(0.1, rel=0.01)
    assert found["ball seam"].verdict is MARGINAL
    assert found["part"].verdict is FAILS


@pytest.mark.parametrize("turn", TURNS)
def test_the_feet_of_supports_mark_what_they_stand_on(turn):
    # A shelf 12 mm out over a floor that is looked at: supports stand on 12 x 20 of its 20 x 20 mm.
    floor = trimesh.boolean.union([box(0, 0, 0, 30, 20, 4), box(0, 0, 0, 10, 20, 20), box(0, 0, 17, 22, 20, 20)])
    found = judged(turned(floor, turn), visible("floor", (10.1, -1, 3.9), (31, 21, 4.1), turn))
    marks = found["floor support marks"]
    assert value(marks, "share marked") == pytest.approx(0.6, abs=0.15)
    low = trimesh.boolean.union([box(0, 0, 0, 30, 20, 4), box(0, 0, 0, 10, 20, 20)])
    assert judged(turned(low, turn), visible("floor", (10.1, -1, 3.9), (31, 21, 4.1), turn))["part"].verdict is MEETS


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("wide", "verdict"), [(1.0, MEETS), (3.0, MARGINAL), (11.0, MARGINAL), (14.0, FAILS)])
def test_support_marks_beside_their_limits(turn, wide, verdict):
    # A shelf 20 mm out, so wide, over 50 x 50 mm of floor: 0.8 % a millimetre; 1 % meets, 10 % fails.
    floor = box(0, 0, 0, 60, 50, 4)
    post, shelf = box(0, 25 - wide / 2, 0, 10, 25 + wide / 2, 20), box(0, 25 - wide / 2, 17, 30, 25 + wide / 2, 20)
    made = trimesh.boolean.union([floor, post, shelf])
    found = judged(turned(made, turn), visible("floor", (10.1, -1, 3.9), (61, 51, 4.1), turn))
    marks = found.get("floor support marks")
    assert (marks.verdict if marks else MEETS) is verdict


def test_a_bridged_roof_sags_and_a_long_one_needs_support():
    def gate(span):
        whole = box(0, 0, 0, span + 8, 20, 20)
        return trimesh.boolean.difference([whole, box(4, -1, -1, span + 4, 21, 15)])

    found = judged(gate(8), visible("arch", (4.1, 0, 14), (11.9, 20, 15.5)))
    assert list(found) == ["part", "arch underside"]
    assert found["arch underside"].verdict is MARGINAL
    assert value(found["arch underside"], "share that is bridged") == pytest.approx(1, abs=0.15)
    long = judged(gate(25), visible("arch", (4.1, 0, 14), (28.9, 20, 15.5)))
    assert "arch support marks" in long and "arch underside" not in long


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("share", "verdict"), [(0.04, MEETS), (0.07, MARGINAL)])
def test_plate_sides_beside_their_limit(turn, share, verdict):
    # The visible box takes in a strip of the underside and the wall above it, 5 % meets.
    high = 40 * (1 - share)
    region = visible("front", (2, -1, -1), (38, 40 * share, high), turn)
    found = judged(turned(box(0, 0, 0, 40, 40, 60), turn), region)
    assert found["part"].verdict is verdict
    if verdict is not MEETS:
        assert value(found["front plate side"], "share on the plate") == pytest.approx(share, abs=0.02)


def test_the_pose_decides_what_lies_on_the_plate():
    lid = box(0, 0, 0, 30, 30, 3)
    top = visible("top", (1, 1, 2.9), (29, 29, 3.1))
    assert judged(lid, top)["part"].verdict is MEETS
    down = judged(lid, top, pose=UPSIDE_DOWN)
    assert list(down) == ["part", "top plate side"]
    assert down["top plate side"].where[0].normal == pytest.approx((0, 0, 1))


def test_a_smooth_round_side_has_no_place_for_the_seam():
    bar = trimesh.creation.cylinder(radius=10, height=20, sections=90)
    around = visible("side", (-11, -11, -9.5), (11, 11, 9.5))
    found = judged(bar, around)
    assert list(found) == ["part", "side seam"]
    assert found["side seam"].verdict is MARGINAL
    assert value(found["side seam"], "share of the height") == pytest.approx(1)
    # A flat along it has two edges; half of it may be turned away.
    flat = trimesh.boolean.difference([bar, box(8, -11, -11, 12, 11, 11)])
    assert list(judged(flat, around)) == ["part"]
    assert list(judged(bar, visible("side", (-11, -11, -9.5), (11, 0, 9.5)))) == ["part"]


def test_a_region_that_holds_nothing_is_told():
    found = judged(box(0, 0, 0, 10, 10, 10), visible("lost", (50, 50, 50), (60, 60, 60)))
    assert found["lost"].verdict is Verdict.NOT_CHECKED
    assert found["part"].verdict is Verdict.NOT_CHECKED


def test_what_nobody_sees_is_not_judged():
    # The hollow's roof would need support; only the outside is seen.
    hollow = trimesh.boolean.difference([box(0, 0, 0, 40, 40, 40), box(3, 3, 3, 37, 37, 37)])
    found = judged(hollow, visible("outside", (-1, -1, 0.5), (41, 41, 41)))
    assert list(found) == ["part"]
    assert found["part"].verdict is MEETS
