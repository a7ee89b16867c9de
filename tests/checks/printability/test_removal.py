"""PR-08 on parts made just inside and just outside each limit, at turned positions.

The bounds, written out again here so that a slip in data/limits shows, are common practice of the trade.  Parts are
turned by a right angle and by 45 degrees, which are among the directions tried.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, affinity, box

from reviewkit.checks.printability.removal import removal
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Status, Verdict
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
SUBJECTS = ["pieces", "contact area", "push height", "leading edge", "pockets", "tabs", "toppling"]
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
TURNED = [0.0, 45.0, 90.0]
ONE_WAY = {"removal-directions": "1"}


def solid(*blocks, turn_deg=0.0) -> trimesh.Trimesh:
    """A part of upright blocks, each an outline from one height to another [mm]."""
    solids = [
        trimesh.creation.extrude_polygon(part, high - low).apply_translation((0, 0, low))
        for region, low, high in blocks
        for part in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    return trimesh.boolean.union(solids) if len(solids) > 1 else solids[0]


def judged(mesh, pose: Matrix = IDENTITY, changed: dict[str, str] | None = None) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    limits = load_limits()
    rows = {key: {**row, "value": (changed or {}).get(key, row["value"])} for key, row in limits.rows.items()}
    limits = Limits(rows, limits.sha256)
    findings = removal(Workpiece(Submission("T-1"), part, replace(SETUP, pose=pose)), limits)
    for found in findings:
        assert found.key == f"PR-08:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-08", "printability", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert found.limits or found.verdict is Verdict.NOT_CHECKED
        assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
        assert bool(found.where) == (found.verdict in (MARGINAL, FAILS))
    if len(findings) > 1:
        assert [found.subject for found in findings] == SUBJECTS
    return {found.subject: found for found in findings}


def value(found: Finding) -> float:
    return found.measurements[0].value


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("count", "expected"), [(1, MEETS), (2, MARGINAL), (3, FAILS)])
def test_pieces(turn_deg, count, expected):
    found = judged(solid((shapely.union_all([box(30 * n, 0, 30 * n + 20, 20) for n in range(count)]), 0, 6),
                         turn_deg=turn_deg))["pieces"]  # fmt: skip
    assert (value(found), found.verdict) == (count, expected)
    assert len(found.where) == count - 1


def test_a_captured_pin_is_no_piece_of_its_own():
    ring = Point(0, 0).buffer(20) - Point(0, 0).buffer(12)
    found = judged(solid((shapely.union_all([ring, Point(0, 0).buffer(11)]), 0, 6)))["pieces"]
    assert found.verdict is MEETS
    assert "2 bodies hold each other" in found.message


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(
    ("area", "expected"),
    [(99, FAILS), (101, MARGINAL), (299, MARGINAL), (301, MEETS), (7990, MEETS), (8010, MARGINAL), (19990, MARGINAL),
     (20010, FAILS)],
)  # fmt: skip
def test_contact_area(turn_deg, area, expected):
    side = np.sqrt(area)
    found = judged(solid((box(0, 0, side, side), 0, 6), turn_deg=turn_deg))["contact area"]
    assert value(found) == pytest.approx(area, rel=1e-4)
    assert found.verdict is expected
    assert "compactness of 0.79" in found.message
    assert ("come off while it prints" in found.message) == (area < 300)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("height", "expected"), [(1.4, FAILS), (1.6, MARGINAL), (2.8, MARGINAL), (3.2, MEETS)])
def test_a_face_to_push_on(turn_deg, height, expected):
    found = judged(solid((Point(0, 0).buffer(20), 0, height), turn_deg=turn_deg))["push height"]
    assert value(found) == pytest.approx(height)
    assert found.verdict is expected
    assert found.figures == ("push_plan",)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("foot", "expected"), [(39, MEETS), (41, MARGINAL), (79, MARGINAL)])
def test_a_face_too_high_up(turn_deg, foot, expected):
    mesh = solid((Point(0, 0).buffer(15), 0, foot), (Point(0, 0).buffer(25), foot, foot + 8), turn_deg=turn_deg)
    found = judged(mesh, changed={"removal-blade-reach": "100"})["push height"]
    assert found.measurements[1].value == pytest.approx(foot)
    assert found.verdict is expected


def test_a_face_beyond_all_reach_fails():
    mesh = solid((Point(0, 0).buffer(15), 0, 81), (Point(0, 0).buffer(25), 81, 88))
    assert judged(mesh, changed={"removal-blade-reach": "100"})["push height"].verdict is FAILS
    # A blade that does not reach the cap meets the stem.
    assert judged(mesh)["push height"].verdict is MEETS


@pytest.mark.parametrize(("side", "expected"), [(59, MEETS), (61, MARGINAL), (149, MARGINAL), (151, FAILS)])
def test_a_straight_leading_edge(side, expected):
    """Of a bar that can be pushed square alone; free to turn, it is pushed at its corner."""
    mesh = solid((box(0, -side / 2, 30, side / 2), 0, 6))
    found = judged(mesh, changed=ONE_WAY)["leading edge"]
    assert value(found) == pytest.approx(side, abs=0.01)
    assert found.verdict is expected
    assert judged(mesh)["leading edge"].verdict is MEETS


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("depth", "expected"), [(1.8, MEETS), (2.2, MARGINAL)])
def test_pockets_on_every_side(turn_deg, depth, expected):
    notches = [affinity.rotate(box(-41, -5, -39.5 + depth, 5), turn, origin=(0, 0)) for turn in range(0, 360, 45)]
    disc = Point(0, 0).buffer(40, quad_segs=64) - shapely.union_all(notches)
    found = judged(solid((disc, 0, 6), turn_deg=turn_deg), changed=ONE_WAY)["pockets"]
    assert found.verdict is expected
    assert value(found) == (0 if expected is MEETS else 1)


def test_a_hollow_on_one_side_is_turned_away_from_the_blade():
    shape = box(-20, -20, 20, 20) - box(-21, -6, -10, 6)
    assert judged(solid((shape, 0, 6)), changed=ONE_WAY)["pockets"].verdict is MARGINAL
    found = judged(solid((shape, 0, 6)))
    assert found["pockets"].verdict is MEETS
    assert found["push height"].measurements[2].value != 0


@pytest.mark.parametrize(("count", "expected"), [(0, MEETS), (1, MARGINAL), (2, MARGINAL), (3, FAILS)])
def test_thin_fins_in_the_way(count, expected):
    fins = [box(-30, y - 0.6, -19, y + 0.6) for y in (-12, 0, 12)[:count]]
    mesh = solid((shapely.union_all([box(-20, -15, 20, 15), *fins]), 0, 6))
    found = judged(mesh, changed=ONE_WAY)["tabs"]
    assert (value(found), found.verdict) == (count, expected)
    away = judged(mesh)["tabs"]
    assert away.verdict is MEETS
    assert ("may break off" in away.message) == (count > 0)


@pytest.mark.parametrize(("width", "expected"), [(1.55, MARGINAL), (1.65, MEETS)])
def test_a_token_on_a_neck_of_four_lines_holds(width, expected):
    shape = shapely.union_all([box(-20, -15, 20, 15), box(-30, -width / 2, -19, width / 2), Point(-34, 0).buffer(6)])
    assert judged(solid((shape, 0, 6)), changed=ONE_WAY)["tabs"].verdict is expected


@pytest.mark.parametrize(("foot", "expected"), [(9.6, MEETS), (10.4, MARGINAL), (19.6, MARGINAL), (20.4, FAILS)])
def test_pushed_at_a_cap_on_a_stem(foot, expected):
    """Stem of 20 mm, friction 0.5: half the moment at 10 mm, the whole at 20 mm."""
    stem, cap = box(-10, -10, 10, 10), box(-30, -30, 30, 30)
    found = judged(solid((stem, 0, foot), (cap, foot, foot + 10)), changed=ONE_WAY)["toppling"]
    assert value(found) == pytest.approx(0.5 * foot / 10, rel=0.02)
    assert found.verdict is expected


def test_a_part_that_leans_out_topples():
    """Gallows pushed the way it leans: its mass centre is past the contact."""
    mesh = solid((box(0, -10, 20, 10), 0, 20), (box(0, -10, 120, 10), 20, 40))
    found = judged(mesh, changed=ONE_WAY)["toppling"]
    assert found.verdict is FAILS
    assert "not over the contact" in found.message


def test_places_are_in_the_frame_of_the_part():
    flat = solid((Point(0, 0).buffer(20), 0, 2))
    side = flat.copy().apply_transform(
        np.vstack([np.column_stack([np.array(ON_ITS_SIDE).T, np.zeros(3)]), [0, 0, 0, 1]])
    )
    (expected,), (found,) = judged(flat)["push height"].where, judged(side, ON_ITS_SIDE)["push height"].where
    assert found.point_mm == pytest.approx(np.array(expected.point_mm) @ np.array(ON_ITS_SIDE), abs=0.01)
    assert found.normal == pytest.approx((0, -1, 0))


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_plain_box_stays_silent(turn_deg):
    found = judged(solid((box(-20, -15, 20, 15), 0, 12), turn_deg=turn_deg))
    assert {f.verdict for f in found.values()} == {MEETS}
    drawn = found["push height"].evidence
    assert set(drawn) == {"first_layer", "outline", "front", "angle_deg", "face_mm", "pockets", "tabs", "mass_centre"}
    assert drawn["face_mm"] == pytest.approx([0, 12])
    assert drawn["mass_centre"] == pytest.approx(np.zeros((1, 2)), abs=1e-6)


def test_nothing_on_the_plate_and_an_open_mesh_are_not_checked():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    mesh = solid((box(0, 0, 20, 20), 0, 10))
    part = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    for broken in (flat, part):
        (found,) = judged(broken).values()
        assert found.verdict is Verdict.NOT_CHECKED


@pytest.mark.parametrize(("width", "expected"), [(2.4, MEETS), (3.6, MARGINAL)])
def test_a_slit_is_no_pocket(width, expected):
    shape = box(-20, -20, 20, 20) - box(-21, -width / 2, -10, width / 2)
    assert judged(solid((shape, 0, 6)), changed=ONE_WAY)["pockets"].verdict is expected


@pytest.mark.parametrize(("length", "expected"), [(1.9, MEETS), (2.4, MARGINAL)])
def test_a_stub_is_no_tab(length, expected):
    """Its root, 0.3 mm, goes with the body."""
    shape = shapely.union_all([box(-20, -15, 20, 15), box(-20 - length, -0.6, -19, 0.6)])
    assert judged(solid((shape, 0, 6)), changed=ONE_WAY)["tabs"].verdict is expected


def test_every_15_degrees_is_tried_and_the_blade_bears_at_3_mm():
    """Of a bar turned by 30 degrees out of square every upright side is met at one of the directions."""
    found = judged(solid((box(-40, -20, 40, 20), 0, 20), turn_deg=30))
    edge, topple = found["leading edge"], found["toppling"]
    assert "80 mm" in edge.message and "it would be" in edge.message
    assert "at 3 mm" in topple.message
    assert value(topple) == pytest.approx(
        0.5 * 3 / (40 * np.cos(np.radians(30)) + 20 * np.sin(np.radians(30))), rel=0.01
    )


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("width", "high", "count"), [(0.7, 1.0, 3), (0.9, 1.0, 1), (0.7, 1.8, 3), (0.7, 2.4, 1)])
@pytest.mark.parametrize("lifted", [0.0, 2.0])
def test_pads_on_thin_low_webs_stay_behind(turn_deg, width, high, count, lifted):
    body = box(-20, -15, 20, 15)
    pads = shapely.union_all([Point(0, y).buffer(4) for y in (-24, 24)])
    webs = box(-width / 2, -24, width / 2, 24) - body
    found = judged(solid((body, 0, 8), (pads, 0, 6), (webs, lifted, lifted + high), turn_deg=turn_deg))["pieces"]
    assert value(found) == count
    assert found.verdict is (FAILS if count == 3 else MEETS)
    assert len(found.where) == count - 1
    for place in found.where:
        at = affinity.rotate(Point(place.point_mm[:2]), -turn_deg, origin=(0, 0))
        assert (abs(at.y), at.x) == (pytest.approx(24, abs=2), pytest.approx(0, abs=2))


def test_a_flat_mechanism_on_several_leaves_holds_together():
    """1.4 mm high: one leaf would tear, four together hold the middle block."""
    frame = box(-30, -30, 30, 30) - box(-24, -24, 24, 24)
    for leaves, count in (([(0, 1)], 2), ([(-6, 1), (6, 1), (-6, -1), (6, -1)], 1)):
        arms = [box(x - 0.35, min(0, 25 * side), x + 0.35, max(0, 25 * side)) for x, side in leaves]
        found = judged(solid((shapely.union_all([frame, box(-8, -8, 8, 8), *arms]), 0, 1.4)))["pieces"]
        assert value(found) == count


@pytest.mark.parametrize(("radius", "count"), [(1.4, 1), (1.7, 2)])
def test_crumbs_on_webs_are_no_pieces(radius, count):
    """Less a margin of one line all round a disc of 1.53 mm is 4 mm2."""
    shape = shapely.union_all(
        [box(-20, -15, 20, 15), box(-0.3, 14, 0.3, 24), Point(0, 24).buffer(radius, quad_segs=32)]
    )
    assert value(judged(solid((shape, 0, 1)))["pieces"]) == count
