"""SA-06 on parts made just inside and just outside each limit, at twelve orientations.

The slot and depth of the sharp point tester are those of 16 CFR 1500.48 (from memory), its age of 8 years is seen;
13 mm of cut edge is 16 CFR 1500.49 (from memory); 0.3, 0.5 and 1 mm of radius are common practice.
"""

import io
from dataclasses import replace
from types import SimpleNamespace

import manifold3d
import matplotlib as mpl
import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import Manifold
from matplotlib.figure import Figure
from scipy.spatial.transform import Rotation

from reviewkit.checks.safety.edges import edges_and_points
from reviewkit.figures import edges as drawings
from reviewkit.figures.style import STYLE
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Status, Verdict
from reviewkit.submission import Box, Mounting, PartEntry, Region, RegionKind, Submission, Use
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
TURNS = [Rotation.identity(), *Rotation.random(11, random_state=5)]
TOY, ADULT, BRACKET = Use(72), Use(192, mounting=Mounting.HELD), Use(192, mounting=Mounting.FIXED)
EVERYWHERE = Box((-200, -200, -200), (200, 200, 200))
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))


def judged(
    solid,
    *regions: Region,
    use=TOY,
    turn=TURNS[0],
    pose: Matrix = IDENTITY,
    launched_by: str = "",
    checked: bool = True,
) -> dict[str, Finding]:
    if isinstance(solid, Manifold):
        made = solid.to_mesh()
        solid = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts)
    vertices, faces = turn.apply(np.array(solid.vertices, dtype=float)), np.array(solid.faces, dtype=np.int64)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    part = SimpleNamespace(id="p", mesh=mesh, vertices=vertices, faces=faces)
    entry = PartEntry("p", "p.stl", launched_by=launched_by)
    submission = Submission("T-1", parts=(entry,), regions=regions, use=use)
    findings = edges_and_points(Workpiece(submission, part, replace(SETUP, pose=pose)), load_limits())
    assert findings[0].subject == "part"
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"SA-06:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("SA-06", "safety", "p")
        assert found.message.endswith(".")
        assert "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        if checked:
            assert "not the tester of 16 CFR 1500.48" in found.message
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 1e-6 <= place.point_mm).all()
            assert (place.point_mm <= high + 1e-6).all()
            if place.faces:
                assert found.evidence[place.faces].max() < len(faces)
    order = [FAILS, MARGINAL, MEETS, Verdict.NOT_CHECKED]
    assert order.index(findings[0].verdict) <= min((order.index(f.verdict) for f in findings[1:]), default=3)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def features(found: dict[str, Finding]) -> list[Finding]:
    return [each for each in found.values() if each.subject != "part"]


def rounded_box(radius, facets=4):
    """A box of 50 x 20 x 10 with all edges round: what a ball sweeps."""
    ball = Manifold.sphere(radius, 4 * facets)
    corners = [ball.translate((x, y, z)) for x in (-25 + radius, 25 - radius) for y in (-10 + radius, 10 - radius)
               for z in (-5 + radius, 5 - radius)]  # fmt: skip
    return Manifold.batch_hull(corners)


def region(kind, volume=EVERYWHERE, name="here"):
    return Region(name, "p", kind, volume)


def spike(half_deg, height=12.0):
    """A cone on a round plate without square edges."""
    plate = Manifold.batch_hull([Manifold.sphere(3, 32).translate((x, y, 0)) for x in (-15, 15) for y in (-15, 15)])
    cone = Manifold.cylinder(height, height * np.tan(np.radians(half_deg)), 0, 64)
    return plate + cone.translate((0, 0, 2.5))


# --- the worked cases ------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
def test_worked_a_square_edge_is_flagged(turn):
    """Box edge, wedge 90, radius 0, 50 mm long: a flag, and one for the whole part."""
    (found,) = judged(trimesh.creation.box((50, 20, 10)), turn=turn).values()
    assert found.verdict is MARGINAL
    assert found.severity is Severity.LOOKS
    # Edges of 10 mm are shorter than 13.
    assert value(found, "length of square edges in reach") == pytest.approx(4 * 70)
    assert "without radius" in found.message
    assert "1 mm or more" in found.change
    assert found.figures == ("edge_map",)


@pytest.mark.parametrize("turn", TURNS[:6])
@pytest.mark.parametrize(("radius", "use", "expected"), [
    (1.0, TOY, MEETS), (1.03, TOY, MEETS), (0.95, TOY, MARGINAL), (0.31, TOY, MARGINAL), (0.29, TOY, MARGINAL),
    (0.51, ADULT, MEETS), (0.48, ADULT, MARGINAL), (0.48, BRACKET, MEETS),
])  # fmt: skip
def test_worked_a_fillet_is_clear(turn, radius, use, expected):
    """Box edge with a fillet of 1 mm: clear; advice 1 mm for a child, 0.5 mm for what an adult handles."""
    (found,) = judged(rounded_box(radius), use=use, turn=turn).values()
    assert found.verdict is expected
    if use is TOY and expected is MARGINAL:
        assert ("under 0.3 mm" in found.message) == (radius < 0.3)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(("half_deg", "expected"), [(15, MARGINAL), (45.2, MARGINAL), (46.3, MEETS), (60, MEETS)])
def test_worked_cones(turn, half_deg, expected):
    found = judged(spike(half_deg, height=8), turn=turn)
    assert found["part"].verdict is expected
    assert found["part"].severity is (Severity.INJURY if expected is MARGINAL else Severity.LOOKS)
    assert len(features(found)) == (expected is MARGINAL)
    for tip in features(found):
        assert value(tip, "tip, longer side") == pytest.approx(np.tan(np.radians(half_deg)), rel=0.01)
        np.testing.assert_allclose(turn.inv().apply(tip.where[0].point_mm), (0, 0, 10.5), atol=0.01)
        assert tip.severity is Severity.INJURY


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize(("radius", "expected"), [(0.3, 1), (0.6, 0)])
def test_worked_round_tips(turn, radius, expected):
    base = Manifold.batch_hull([Manifold.sphere(3, 32).translate((x, y, 0)) for x in (-15, 15) for y in (-15, 15)])
    tip = Manifold.batch_hull([Manifold.sphere(radius, 48).translate((0, 0, 20)), Manifold.sphere(2.5, 48)])
    assert len(features(judged(base + tip, turn=turn))) == expected


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize(("diameter", "expected"), [(0.9, 1), (1.1, 0)])
def test_worked_a_thin_pin(turn, diameter, expected):
    base = Manifold.batch_hull([Manifold.sphere(3, 32).translate((x, y, 0)) for x in (-15, 15) for y in (-15, 15)])
    pin = Manifold.cylinder(14, diameter / 2, diameter / 2, 48)
    assert len(features(judged(base + pin, turn=turn))) == expected


# --- beside each bound -----------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS[:4])
@pytest.mark.parametrize(("wedge_deg", "expected"), [(58, 1), (62, 0)])
def test_pointed_edges_are_listed(turn, wedge_deg, expected):
    half = np.radians(wedge_deg / 2)
    outline = shapely.Polygon([(0, 0), (20, -20 * np.tan(half)), (34, 0), (20, 20 * np.tan(half))])
    found = judged(trimesh.creation.extrude_polygon(outline, 30), turn=turn)
    pointed = [each for each in features(found) if "is pointed" in each.message]
    assert len(pointed) == expected
    assert found["part"].verdict is MARGINAL
    for each in pointed:
        assert value(each, "angle") == pytest.approx(wedge_deg, abs=1e-3)
        assert value(each, "length") == pytest.approx(30)
        np.testing.assert_allclose(turn.inv().apply(each.where[0].point_mm), (0, 0, 15), atol=0.01)
        assert each.figures == ("edge_section",)


@pytest.mark.parametrize(("height", "expected"), [(4.6, 0), (5.4, 1)])
def test_short_pointed_edges_are_only_points(height, expected):
    outline = shapely.Polygon([(0, 0), (20, -8), (24, 0), (20, 8)])
    found = features(judged(trimesh.creation.extrude_polygon(outline, height)))
    assert sum("is pointed" in each.message for each in found) == expected
    assert sum("may count as a sharp point" in each.message for each in found) == (0 if expected else 2)


@pytest.mark.parametrize(("side", "expected"), [(12.6, MEETS), (13.4, MARGINAL)])
def test_edges_shorter_than_half_an_inch_do_not_count(side, expected):
    (found,) = judged(trimesh.creation.box((side, side, side))).values()
    assert found.verdict is expected


@pytest.mark.parametrize(("age", "expected"), [(95, MARGINAL), (96, MEETS), (None, MARGINAL)])
def test_points_are_for_children_under_eight(age, expected):
    found = judged(spike(15), use=Use(age, mounting=Mounting.HELD))
    assert found["part"].verdict is expected
    assert bool(found["part"].guess) == (age is None)
    if expected is MEETS:
        assert "the rule for children's toys" in found["part"].message


@pytest.mark.parametrize(("age", "width", "reached"), [
    (36, 5.4, False), (36, 7.0, True), (72, 8.2, False), (72, 9.5, True), (192, 11.4, False), (192, 12.6, True),
])  # fmt: skip
def test_only_edges_that_the_fingertip_of_that_age_reaches_count(age, width, reached):
    """Probes of 5.6, 8.6 and 12 mm: a ledge 2 mm wide along one wall of a slot, 15 mm under its mouth."""
    block = rounded_box(2, 6).scale((1.4, 3, 4))
    slot = Manifold.cube((120, width, 35), True).translate((0, 0, 12.5))
    ledge = Manifold.cube((40, 3, 12), True).translate((0, -width / 2 + 0.5, -1))
    found = judged(block - slot + ledge, use=Use(age, mounting=Mounting.HELD))["part"]
    start, end, kind = (found.evidence[name] for name in ("edge_start", "edge_end", "edge_kind"))
    # The plate lies 20 mm under the middle of the block.
    own = (np.abs(start[:, 2] - 25) < 1e-3) & (np.abs(end[:, 2] - 25) < 1e-3) & (np.abs(start[:, 0] - end[:, 0]) > 1)
    assert own.any()
    assert (kind[own] == 0).any() == reached


# --- where hands go --------------------------------------------------------------------------


WEDGE = trimesh.creation.extrude_polygon(shapely.Polygon([(0, 0), (30, -12), (36, 0), (30, 12)]), 30)


@pytest.mark.parametrize(("kind", "expected"), [
    (RegionKind.GRIP, FAILS), (RegionKind.OPENING, FAILS), (RegionKind.KEEP, MARGINAL), (RegionKind.VISIBLE, MARGINAL),
])  # fmt: skip
def test_a_pointed_edge_is_worse_where_hands_go(kind, expected):
    where = region(kind, Box((-1, -5, 0), (12, 5, 30)), "nose")
    found = judged(WEDGE, where)
    pointed = next(each for each in features(found) if "is pointed" in each.message)
    assert pointed.verdict is expected
    assert pointed.subject == ("nose" if expected is FAILS and kind is RegionKind.GRIP else pointed.subject)
    assert found["part"].verdict is expected


@pytest.mark.parametrize(("use", "expected"), [(TOY, FAILS), (ADULT, MARGINAL)])
def test_a_point_is_worse_where_hands_go(use, expected):
    found = judged(spike(15), region(RegionKind.GRIP), use=use)
    (tip,) = features(found)
    assert tip.verdict is expected
    assert tip.subject == "here"
    assert "where hands go" in tip.message


def test_a_region_drawn_to_the_size_of_the_part_holds_its_edges():
    found = judged(WEDGE, region(RegionKind.GRIP, Box((0, -12, 0), (36, 12, 30))))
    assert found["here"].verdict is FAILS


def test_square_edges_of_an_opening_have_their_own_finding_and_those_of_a_grip_not():
    box = trimesh.creation.box((50, 20, 10))
    found = judged(box, region(RegionKind.OPENING, Box((-26, -11, -6), (0, 11, 6))))
    # Half the edges of 50 mm, two of 20 mm.
    assert found["here"].verdict is MARGINAL
    assert value(found["here"], "length") == pytest.approx(4 * 25 + 2 * 20, abs=12)
    (grip,) = judged(box, region(RegionKind.GRIP)).values()
    assert grip.verdict is MARGINAL
    assert "280 mm on here; how they lie in the hand is judged with the grip" in grip.message


def test_a_projectile_leaves_its_rim_to_its_own_check():
    can = trimesh.creation.cylinder(12, 60, sections=96)
    assert judged(can)["part"].verdict is MARGINAL
    for found in (judged(can, launched_by="q"), judged(can, region(RegionKind.PROJECTILE))):
        assert found["part"].verdict is MEETS
        assert "151 mm of its edges" in found["part"].message


# --- the plate, names, silence ---------------------------------------------------------------


def test_the_rim_on_the_plate_and_its_flare_are_told():
    box = trimesh.creation.box((50, 20, 10))
    (flat,) = judged(box).values()
    assert value(flat, "of them on the plate") == pytest.approx(140)
    assert "flare" in flat.message
    (side,) = judged(box, pose=ON_ITS_SIDE).values()
    # The two ends of that side, 10 mm long, do not count.
    assert value(side, "of them on the plate") == pytest.approx(100)


def test_the_same_places_whatever_the_pose():
    flat, side = judged(WEDGE), judged(WEDGE, pose=ON_ITS_SIDE)
    assert {found.subject: found.verdict for found in flat.values()} == {
        found.subject: found.verdict for found in side.values()
    }
    assert "at 0 0 15" not in flat
    (pointed,) = (each for each in features(side) if "is pointed" in each.message)
    np.testing.assert_allclose(pointed.where[0].point_mm, (0, 0, 15), atol=1e-6)
    np.testing.assert_allclose(pointed.where[0].normal, (-1, 0, 0), atol=1e-6)


def test_more_places_than_are_listed_are_summed_up():
    base = Manifold.batch_hull([Manifold.sphere(3, 32).translate((x, y, 0)) for x in (-30, 30) for y in (-30, 30)])
    spikes = [Manifold.cylinder(8, 2, 0, 32).translate((12 * x, 12 * y, 2.5)) for x in (-1, 0, 1) for y in (-1, 0, 1)]
    found = judged(manifold3d.Manifold.batch_boolean([base, *spikes], manifold3d.OpType.Add))
    assert len(features(found)) == 6
    assert "9 places are points, the 6 worst listed" in found["part"].message


def test_two_points_near_one_another_are_one_place():
    outline = shapely.Polygon([(0, 0), (20, -8), (24, 0), (20, 8)])
    found = features(judged(trimesh.creation.extrude_polygon(outline, 2.5)))
    (both,) = (each for each in found if "2 points" in each.message)
    assert abs(both.where[0].point_mm[0]) < 1e-6


@pytest.mark.parametrize("turn", TURNS)
def test_a_smooth_part_stays_silent(turn):
    (found,) = judged(rounded_box(3, 12), turn=turn).values()
    assert found.verdict is MEETS
    assert found.where == ()
    assert found.figures == ()


def test_limits_say_where_they_come_from():
    found = judged(spike(15))
    status = {limit.id: limit.source.status for each in found.values() for limit in each.limits}
    assert status["edges-slot-short"] is Status.MEMORY
    assert status["edges-child-age"] is Status.SEEN
    assert status["edges-radius-child-meets"] is Status.PRACTICE


def test_an_open_mesh_is_not_checked():
    mesh = trimesh.creation.box((20, 20, 20))
    part = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    (found,) = judged(part, checked=False).values()
    assert found.verdict is Verdict.NOT_CHECKED


@pytest.mark.parametrize("solid", [WEDGE, spike(15), trimesh.creation.box((50, 20, 10))])
def test_figures_are_drawn(solid):
    drawn = 0
    for found in judged(solid).values():
        for name in found.figures:
            with mpl.rc_context(STYLE):
                figure = Figure()
                title, caption, alt = getattr(drawings, name)(found, figure)
                figure.savefig(io.BytesIO(), format="svg")
            assert title and caption.endswith(".") and alt.endswith(".")
            drawn += 1
            if name == "edge_section":
                assert len(found.evidence["outline"]) >= 4
                # The tip is the uppermost point, in the middle.
                top = found.evidence["outline"][np.nanargmax(found.evidence["outline"][:, 1])]
                np.testing.assert_allclose(top, 0, atol=0.02)
    assert drawn
