"""SA-03 on holes just inside and just outside each limit, at twelve orientations.

ASTM F963 4.18.2 in exact inches (a gauge maker's page): 1/4, 1/2, 3/8 and 0.062 in, 60 months.  EN 581-1:2017 5.2:
more than 7 and less than 12 mm, 10 mm deep or deeper.
"""

import io
from dataclasses import replace
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from manifold3d import Manifold
from matplotlib.figure import Figure
from scipy.spatial.transform import Rotation

from reviewkit.checks.safety.trap_holes import trap_holes
from reviewkit.figures import trap_holes as drawings
from reviewkit.figures.style import STYLE
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Status, Verdict
from reviewkit.submission import (
    Box,
    Cylinder,
    Hardware,
    HardwareKind,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
    Use,
)
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
TURNS = [Rotation.identity(), *Rotation.random(11, random_state=9)]
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
IN = 25.4


def judged(solid, *, turn=TURNS[0], age=48, pose: Matrix = IDENTITY, **stated) -> dict[str, Finding]:
    made = solid.to_mesh()
    mesh = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    vertices, faces = turn.apply(np.array(mesh.vertices, dtype=float)), np.array(mesh.faces, dtype=np.int64)
    part = SimpleNamespace(id="p", mesh=trimesh.Trimesh(vertices, faces, process=False), vertices=vertices, faces=faces)
    submission = Submission("T-1", use=Use(age), **stated)
    findings = trap_holes(Workpiece(submission, part, replace(SETUP, pose=pose)), load_limits())
    assert findings[0].subject == "part"
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"SA-03:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("SA-03", "safety", "p")
        assert found.severity is Severity.INJURY
        assert found.message.endswith("A screen by geometry: no rod or finger was tried.")
        assert "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert bool(found.guess) == (age is None)
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all()
            assert (place.point_mm <= high + 0.01).all()
            assert found.evidence[place.faces].max() < len(faces)
    order = [FAILS, MARGINAL, MEETS, Verdict.NOT_CHECKED]
    assert order.index(findings[0].verdict) == min((order.index(f.verdict) for f in findings[1:]), default=2)
    return {found.subject: found for found in findings}


def verdict(solid, **stated) -> Verdict:
    return judged(solid, **stated)["part"].verdict


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def bar(width, length=80.0, sides=120):
    """So many flats that a bar as wide as the hole still goes in."""
    radius = width / 2 / np.cos(np.pi / sides)
    return Manifold.cylinder(length, radius, radius, sides, True)


def block(*size):
    return Manifold.cube(size, True)


def blind(width, depth):
    """A block with a hole from above; its drill stands out by half a millimetre."""
    return block(40, 40, 30) - bar(width, depth + 0.5).translate((0, 0, 15.25 - depth / 2))


def tank(width, depth, sheet):
    """A box whose lid is a sheet with a round hole, its floor so deep under the top of the sheet."""
    inner = block(50, 50, depth - sheet).translate((0, 0, 20 - sheet - (depth - sheet) / 2))
    return block(60, 60, 40) - inner - bar(width, 2 * sheet + 1).translate((0, 0, 20))


# --- the worked cases ------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("age", "expected"), [(36, FAILS), (60, FAILS), (61, MARGINAL), (95, MARGINAL)])
def test_worked_a_hole_of_8_in_a_sheet_of_1_2(turn, age, expected):
    """Round hole 8, depth 15, wall 1.2: fails to 60 months, a flag from there to 96."""
    found = judged(tank(8, 15, 1.2), age=age, turn=turn)
    assert found["part"].verdict is expected
    (hole,) = (each for each in found.values() if each.subject != "part")
    assert value(hole, "width") == pytest.approx(8, abs=0.01)
    assert value(hole, "depth") == pytest.approx(15, abs=0.03)
    assert value(hole, "thickness") == pytest.approx(1.2, abs=0.02)
    assert {limit.source.clause for limit in hole.limits} == {"4.18.2", "5.2"}
    np.testing.assert_allclose(turn.inv().apply(hole.where[0].point_mm), (0, 0, 20), atol=0.02)


@pytest.mark.parametrize("turn", TURNS)
def test_worked_a_hole_of_8_in_a_wall_of_4(turn):
    """Too thick for 4.18.2; a flag under the furniture rule."""
    found = judged(tank(8, 15, 4), turn=turn)
    assert found["part"].verdict is MARGINAL
    (hole,) = (each for each in found.values() if each.subject != "part")
    assert {limit.source.clause for limit in hole.limits} == {"5.2"}


@pytest.mark.parametrize("turn", TURNS)
def test_worked_a_hole_of_14(turn):
    assert verdict(tank(14, 15, 1.2), turn=turn) is MEETS


@pytest.mark.parametrize("turn", TURNS[:4])
def test_worked_a_slot_of_8_by_40(turn):
    solid = tank(3, 15, 1.2) - block(40, 8, 4).translate((0, 0, 20))
    assert verdict(solid, turn=turn) is MEETS


@pytest.mark.parametrize(("age", "expected"), [(72, FAILS), (None, MARGINAL), (192, MARGINAL)])
def test_worked_a_childs_loop_of_10(age, expected):
    """Loop 10 mm across, 15 deep, where a finger is meant to go: the trap band (ergonomics)."""
    loop = bar(20, 15) - bar(10)
    opening = Region("loop", "p", RegionKind.OPENING, Cylinder((0, 0, -10), (0, 0, 10), 6))
    found = judged(loop, age=age, regions=(opening,))
    assert found["loop"].verdict is expected
    assert verdict(bar(30, 15) - bar(24), age=age, regions=(opening,)) is MEETS
    kept = Region("loop", "p", RegionKind.KEEP, opening.volume)
    assert verdict(loop, age=age, regions=(kept,)) is MARGINAL


# --- beside each bound -----------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize(("width", "expected"), [
    (1 / 4 * IN - 0.35, MEETS), (1 / 4 * IN - 0.1, MARGINAL), (1 / 4 * IN + 0.35, FAILS),
    (1 / 2 * IN - 0.35, FAILS), (1 / 2 * IN + 0.1, MARGINAL), (1 / 2 * IN + 0.35, MEETS),
])  # fmt: skip
def test_width_of_a_hole_in_thin_sheet(turn, width, expected):
    assert verdict(tank(width, 15, 1.2), turn=turn) is expected


@pytest.mark.parametrize(("depth", "expected"), [(3 / 8 * IN - 0.4, MEETS), (9.7, MARGINAL), (3 / 8 * IN + 0.4, FAILS)])
def test_depth_of_a_hole_in_thin_sheet(depth, expected):
    assert verdict(tank(8, depth, 1.2)) is expected


@pytest.mark.parametrize(("sheet", "expected"), [(0.062 * IN - 0.05, FAILS), (0.062 * IN + 0.05, MARGINAL)])
def test_thickness_of_the_sheet(sheet, expected):
    """8 mm and 15 deep: in a thicker sheet only the general band is left."""
    assert verdict(tank(8, 15, sheet)) is expected


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("width", "expected"), [(6.95, MEETS), (7.05, MARGINAL), (11.95, MARGINAL), (12.05, MEETS)])
def test_width_of_a_blind_hole(turn, width, expected):
    assert verdict(blind(width, 15), turn=turn) is expected


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize(("depth", "expected"), [(9.9, MEETS), (10.1, MARGINAL)])
def test_depth_of_a_blind_hole(turn, depth, expected):
    assert verdict(blind(9, depth), turn=turn) is expected


@pytest.mark.parametrize(("room", "expected"), [(19, MEETS), (22, MARGINAL)])
def test_a_hole_that_no_finger_comes_at(room, expected):
    wall = block(40, 40, 4).translate((0, 0, 17 + room)) + block(4, 40, room + 4).translate((18, 0, 15 + room / 2))
    assert verdict(blind(9, 15) + wall) is expected


@pytest.mark.parametrize("turn", TURNS[:6])
@pytest.mark.parametrize(("side", "expected"), [(6.9, MEETS), (7.1, MARGINAL), (11.9, MARGINAL), (12.1, MEETS)])
def test_openings_that_are_not_round(turn, side, expected):
    found = judged(block(40, 40, 16) - block(side, side * 1.3, 40), turn=turn)
    assert found["part"].verdict is expected


@pytest.mark.parametrize(("age", "markets", "expected"), [
    (48, ("US",), FAILS), (48, ("us", "EU"), FAILS), (48, (), FAILS), (48, ("EU",), MARGINAL), (96, ("US",), MARGINAL),
    (None, (), MARGINAL),
])  # fmt: skip
def test_the_rule_on_sheet_is_for_toys_in_the_united_states(age, markets, expected):
    found = judged(tank(8, 15, 1.2), age=age, markets=markets)["part"]
    assert found.verdict is expected
    assert ("no stated market" in found.message) == (markets == ("EU",))


@pytest.mark.parametrize(("age", "expected"), [(60, FAILS), (95, MARGINAL), (96, MEETS)])
def test_a_hole_that_only_the_rule_on_sheet_catches(age, expected):
    assert verdict(tank(6.8, 15, 1.2), age=age) is expected


# --- what fills a hole -----------------------------------------------------------------------

ROUND_HOLE = Cylinder((0, 0, -20), (0, 0, 20), 5)
BORE = Region("bore", "p", RegionKind.KEEP, ROUND_HOLE)
FIT = Requirement("R1", RequirementKind.FIT, 8.0, part="p", region="bore")
INSERT = Hardware("insert-1", HardwareKind.INSERT, "p", (0.3, 0.0, 21.0))


@pytest.mark.parametrize("stated", [{"regions": (BORE,), "requirements": (FIT,)}, {"hardware": (INSERT,)}])
def test_a_hole_that_something_goes_into_is_judged_one_step_milder(stated):
    """An adult's bore with a pivot pin in it is no finger hole; in a toy's thin sheet a doubt is left."""
    bored = judged(blind(8, 15), age=192, **stated)["part"]
    assert bored.verdict is MEETS
    assert "as long as that holds no finger enters it" in bored.message
    assert judged(tank(8, 15, 1.2), age=48, **stated)["part"].verdict is MARGINAL


@pytest.mark.parametrize("stated", [
    {"regions": (BORE,), "requirements": (replace(FIT, what=RequirementKind.SURFACE),)}, {"regions": (BORE,)},
    {"requirements": (replace(FIT, region=""),)}, {"hardware": (replace(INSERT, point_mm=(1.5, 0.0, 21.0)),)},
    {"hardware": (replace(INSERT, part="q"),)},
])  # fmt: skip
def test_what_does_not_fill_a_hole_does_not_make_it_milder(stated):
    assert verdict(blind(8, 15), age=192, **stated) is MARGINAL


# --- names, sums, silence --------------------------------------------------------------------


def test_holes_of_a_region_are_one_finding():
    solid = block(90, 30, 16)
    for x in (-30, 0, 30):
        solid -= block(10, 10, 40).translate((x, 0, 0))
    grip = Region("grip", "p", RegionKind.GRIP, Box((-45, -15, -8), (45, 15, 8)))
    found = judged(solid, regions=(grip,))
    assert set(found) == {"part", "grip"}
    assert "3 openings in grip" in found["grip"].message
    assert len(found["grip"].where) == 3
    assert len(judged(solid)) == 4


def test_more_holes_than_are_listed_are_summed_up():
    solid = block(160, 40, 16)
    for x in range(-64, 65, 16):
        solid -= bar(8).translate((x + 0.3, 0, 0))
    found = judged(solid)
    assert len(found) == 7
    assert "9 holes may trap a finger" in found["part"].message
    assert "The 6 worst places are listed" in found["part"].message


def test_the_same_places_whatever_the_pose():
    flat, side = judged(blind(8, 15)), judged(blind(8, 15), pose=ON_ITS_SIDE)
    assert set(flat) == set(side)
    for name in set(flat) - {"part"}:
        np.testing.assert_allclose(side[name].where[0].point_mm, flat[name].where[0].point_mm, atol=1e-3)
        np.testing.assert_allclose(side[name].where[0].normal, (0, 0, 1), atol=1e-4)


@pytest.mark.parametrize("turn", TURNS[:4])
def test_a_part_without_such_holes_stays_silent(turn):
    solid = block(60, 40, 16) - bar(4.2) - bar(20).translate((20, 0, 0)) + bar(9, 40).translate((-20, 0, 0))
    (found,) = judged(solid, turn=turn).values()
    assert found.verdict is MEETS
    assert found.figures == ()


def test_statuses_are_those_of_the_note():
    limits = {limit.id: limit.source.status for limit in judged(tank(8, 15, 1.2))["part"].limits}
    assert set(limits.values()) == {Status.SEEN}
    assert len(limits) == 8


def test_an_open_mesh_is_not_checked():
    mesh = trimesh.creation.box((20, 20, 20))
    half = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    vertices, faces = np.array(half.vertices, dtype=float), np.array(half.faces, dtype=np.int64)
    part = SimpleNamespace(id="p", mesh=half, vertices=vertices, faces=faces)
    (found,) = trap_holes(Workpiece(Submission("T-1"), part, SETUP), load_limits())
    assert found.verdict is Verdict.NOT_CHECKED


@pytest.mark.parametrize("solid", [tank(8, 15, 1.2), blind(8, 5), block(40, 40, 16) - block(9, 9, 40)])
def test_the_chart_is_drawn(solid):
    found = judged(solid)["part"]
    for name in found.figures:
        with mpl.rc_context(STYLE):
            figure = Figure()
            title, caption, alt = getattr(drawings, name)(found, figure)
            figure.savefig(io.BytesIO(), format="svg")
        assert title
        assert caption.endswith(".")
        assert f"{int((found.evidence['verdict'] < 2).sum())} may trap a finger" in alt
