"""PR-07 on parts made just inside and just outside each limit, at turned positions.

The bounds, written out again here so that a slip in data/limits shows, are common practice of the trade: 4 and 8
times as high as wide, 20 and 10 degrees of tilt, a quarter and half a line of sway, 100 Hz, 10 mm of small section.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, affinity, box

from reviewkit.checks.printability.stability import stability
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Status, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

PETG = material("petg")
STIFF = replace(PETG, properties={**PETG.properties, "modulus": replace(PETG["modulus"], value=2e6, high=2e6)})
SETUP = Setup(machine("standard-240"), PETG, 0.2, 0.4, 0.2)
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS
TURNED = [0.0, 17.0]
BASE = (box(-30, -30, 30, 30), 0, 6)


def solid(*blocks, turn_deg=0.0) -> trimesh.Trimesh:
    """A part of upright blocks, each an outline from one height to another [mm]."""
    solids = [
        trimesh.creation.extrude_polygon(part, high - low).apply_translation((0, 0, low))
        for region, low, high in blocks
        for part in shapely.get_parts(affinity.rotate(region, turn_deg, origin=(0, 0)))
    ]
    return trimesh.boolean.union(solids) if len(solids) > 1 else solids[0]


def judged(mesh, *regions: Region, setup=SETUP, pose: Matrix = IDENTITY, **changed: str) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    limits = load_limits()
    rows = {key: {**row, "value": changed.get(key.replace("-", "_"), row["value"])} for key, row in limits.rows.items()}
    limits = Limits(rows, limits.sha256)
    findings = stability(Workpiece(Submission("T-1", regions=regions), part, replace(setup, pose=pose)), limits)
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    for found in findings:
        assert found.key == f"PR-07:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-07", "printability", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
            faces = found.evidence[place.faces]
            assert len(faces) and faces.max() < len(mesh.faces)
    order = [FAILS, MARGINAL, MEETS, Verdict.NOT_CHECKED]
    assert order.index(findings[0].verdict) <= min((order.index(f.verdict) for f in findings[1:]), default=3)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


# --- beside each bound -----------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("tip_deg", "expected"), [(20.3, MEETS), (19.7, MARGINAL), (10.2, MARGINAL), (9.8, FAILS)])
def test_tilt_of_a_block(turn_deg, tip_deg, expected):
    """Tipped over by atan(b / H), b the smaller side."""
    height = 20 / np.tan(np.radians(tip_deg))
    (found,) = judged(solid((box(0, 0, 60, 20), 0, height), turn_deg=turn_deg)).values()
    assert value(found, "tip angle") == pytest.approx(tip_deg, abs=0.01)
    assert found.verdict is expected
    assert found.figures == ("growing_print",)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("height", "expected"), [(79.6, MEETS), (80.4, MARGINAL), (158, MARGINAL), (162, FAILS)])
def test_slenderness_of_a_low_heavy_part(turn_deg, height, expected):
    """A mast that is too stiff to sway on a foot 20 mm wide: only height over width counts."""
    mast = box(-5, -5, 5, 5) if height < 100 else box(-2.6, -2.6, 2.6, 2.6)
    mesh = solid((box(-10, -10, 10, 10), 0, 20), (mast, 20, height), turn_deg=turn_deg)
    found = judged(mesh, setup=replace(SETUP, material=STIFF))["part"]
    assert value(found, "slenderness") == pytest.approx(height / 20, rel=1e-3)
    assert value(found, "tip angle") > (20 if height < 100 else 10)
    assert found.verdict is expected


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("height", "expected"), [(34.4, MEETS), (35.6, MARGINAL), (90.2, MARGINAL), (92.6, FAILS)])
def test_sway_of_a_post(turn_deg, height, expected):
    """0.5 N, give or take 0.4 N, on a round post of 6 mm: 0.9 N sways it 0.1 mm at 34.9 mm, 0.1 N 0.2 mm at 91.4 mm."""
    post = Point(4, 2).buffer(3, quad_segs=64)
    found = judged(solid(BASE, (post, 6, 6 + height), turn_deg=turn_deg))
    assert found["part"].verdict is expected
    others = [f for f in found.values() if f.subject != "part"]
    assert [f.verdict for f in others] == ([] if expected is MEETS else [expected])
    for f in others:
        middle = affinity.rotate(Point(4, 2), turn_deg, origin=(0, 0))
        assert f.where[0].point_mm == pytest.approx((middle.x, middle.y, 6 + height), abs=0.05)
        assert value(f, "sway") == pytest.approx(0.5 * height**3 / (3 * 2000 * np.pi * 6**4 / 64), rel=0.01)
        assert value(f, "free height over width") == pytest.approx(height / 6, rel=0.01)


def test_a_sway_beyond_the_formula_is_told_as_more_than():
    """0.8 x 20 mm wall 80 mm high: 50 mm by the formula of small deflections; told as more than a tenth of 80 mm."""
    found = judged(solid(BASE, (box(-10, -0.4, 10, 0.4), 6, 86)))
    (wall,) = (f for f in found.values() if f.subject != "part")
    assert wall.verdict is FAILS
    assert value(wall, "sway at the top, at least") == pytest.approx(8)
    assert "more than 8 mm" in wall.message


@pytest.mark.parametrize(("height", "expected"), [(40.2, MEETS), (41.2, MARGINAL)])
def test_a_wall_that_rings_with_the_machine(height, expected):
    """0.8 mm at 2000 MPa and 1.27 g/cm3: 100 Hz at 40.7 mm, whatever its length; the side force is set to nothing."""
    no_force = {"stability_side_force": "1e-6", "stability_side_force_spread": "1e-7"}
    mesh = solid((box(-110, -60, 110, 60), 0, 6), (box(-100, -0.4, 100, 0.4), 6, 6 + height))
    found = judged(mesh, **no_force)
    assert found["part"].verdict is expected
    assert len(found) == (1 if expected is MEETS else 2)


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("height", "expected"), [(9.8, MEETS), (10.4, MARGINAL)])
def test_a_column_of_small_section(turn_deg, height, expected):
    """25 mm2 or less a layer over 10 mm or more: the heat has no time to leave."""
    found = judged(solid(BASE, (box(-2.4, -2.4, 2.4, 2.4), 6, 6 + height), turn_deg=turn_deg))
    assert found["part"].verdict is expected
    if expected is MARGINAL:
        (column,) = (f for f in found.values() if f.subject != "part")
        assert "still warm" in column.message
    assert len(judged(solid(BASE, (box(-2.6, -2.6, 2.6, 2.6), 6, 6 + height), turn_deg=turn_deg))) == 1


# --- the growing print -----------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_gallows_falls_when_its_arm_is_printed(turn_deg):
    """Worked out: the mass centre passes the edge at 1.25 mm of arm."""
    mesh = solid((box(0, 0, 10, 10), 0, 10), (box(0, 0, 40, 10), 10, 20), turn_deg=turn_deg)
    found = judged(mesh)["part"]
    assert found.verdict is FAILS
    assert "From 11.4 mm on its mass centre is no longer over the contact" in found.message
    crossed = found.evidence["height_mm"][found.evidence["inside_mm"] < 0]
    assert crossed[0] == pytest.approx(11.4, abs=0.2)
    assert found.evidence["wanted_mm"][-1] > found.evidence["least_mm"][-1] > 0


def test_a_part_that_is_stable_when_done_can_fall_on_the_way():
    arm, weight = box(0, 0, 40, 10), box(-60, 0, 10, 10)
    found = judged(solid((box(0, 0, 10, 10), 0, 10), (arm, 10, 14), (weight, 14, 16)))["part"]
    assert found.verdict is FAILS
    assert found.evidence["inside_mm"][-1] > 0


@pytest.mark.parametrize("turn_deg", TURNED)
@pytest.mark.parametrize(("joined_at", "expected"), [(20, MEETS), (60, FAILS)])
def test_towers_that_stand_alone_too_long(turn_deg, joined_at, expected):
    towers = shapely.union_all([box(x, y, x + 8, y + 8) for x in (0, 60) for y in (0, 60)])
    found = judged(solid((towers, 0, joined_at), (box(0, 0, 68, 68), joined_at, joined_at + 8), turn_deg=turn_deg))
    assert found["part"].verdict is expected
    alone = [f for f in found.values() if f.subject != "part"]
    assert len(alone) == (0 if expected is MEETS else 4)
    assert all("stands alone before it is joined" in f.message for f in alone)


def test_more_places_than_are_listed_are_summed_up():
    posts = shapely.union_all([Point(x, y).buffer(1.5) for x in (-20, 0, 20) for y in (-20, 0, 20)])
    found = judged(solid(BASE, (posts, 6, 60)))
    assert len(found) == 7
    assert "9 posts or walls" in found["part"].message
    assert "The 6 worst are listed" in found["part"].message


# --- names, places, silence ------------------------------------------------------------------


def test_a_post_in_a_region_is_named_by_it():
    mast = Region("mast", "p", RegionKind.KEEP, Box((-5, -5, 7), (5, 5, 100)))
    found = judged(solid(BASE, (Point(0, 0).buffer(2), 6, 60)), mast)
    assert set(found) == {"part", "mast"}
    assert "in mast" in found["mast"].message


def test_places_are_in_the_frame_of_the_part():
    upright = solid(BASE, (Point(4, 2).buffer(2), 6, 60))
    (expected,) = (f for f in judged(upright).values() if f.subject != "part")
    side = upright.copy().apply_transform(
        np.vstack([np.column_stack([np.array(ON_ITS_SIDE).T, np.zeros(3)]), [0, 0, 0, 1]])
    )
    side.apply_translation((3, -7, 11))
    (found,) = (f for f in judged(side, pose=ON_ITS_SIDE).values() if f.subject != "part")
    turned = np.array(expected.where[0].point_mm) @ np.array(ON_ITS_SIDE) + (3, -7, 11)
    assert found.where[0].point_mm == pytest.approx(turned, abs=0.01)
    assert found.where[0].normal == pytest.approx((0, 1, 0))
    assert value(found, "sway") == pytest.approx(value(expected, "sway"), rel=1e-4)


@pytest.mark.parametrize("turn_deg", TURNED)
def test_a_stout_part_stays_silent(turn_deg):
    ribs = shapely.union_all([box(x, -20, x + 3, 20) for x in (-20, 0, 20)])
    (found,) = judged(solid(BASE, (ribs, 6, 16), turn_deg=turn_deg)).values()
    assert found.verdict is MEETS
    assert found.change == ""
    assert found.where == ()


def test_soft_material_sways_more():
    mesh = solid(BASE, (Point(0, 0).buffer(3), 6, 36))
    assert judged(mesh)["part"].verdict is MEETS
    assert judged(mesh, setup=replace(SETUP, material=material("tpu")))["part"].verdict is MARGINAL


def test_an_open_mesh_is_not_checked():
    mesh = solid((box(0, 0, 20, 20), 0, 10))
    part = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    (found,) = judged(part).values()
    assert found.verdict is Verdict.NOT_CHECKED


def test_nothing_on_the_plate_is_not_checked():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    (found,) = judged(flat).values()
    assert found.verdict is Verdict.NOT_CHECKED


def test_a_fault_of_the_whole_is_not_told_again_for_its_pieces():
    """A tower on four pins, which are joined at once or late: it is the tower that tips."""
    for joined_at in (4, 12):
        pins = shapely.union_all([box(x, y, x + 2, y + 2) for x in (0, 6) for y in (0, 6)])
        found = judged(solid((pins, 0, joined_at), (box(0, 0, 8, 8), joined_at, 60)))
        assert found["part"].verdict is FAILS
        assert not any("stands alone" in f.message for f in found.values())


def test_pieces_that_are_never_joined_are_judged_each():
    towers = shapely.union_all([box(0, 0, 30, 30), box(60, 0, 68, 8)])
    found = judged(solid((towers, 0, 60)))
    (loose,) = (f for f in found.values() if f.subject != "part")
    assert "is never joined to the rest" in loose.message
    assert loose.verdict is FAILS


@pytest.mark.parametrize(("height", "expected"), [(4.8, MEETS), (5.2, MARGINAL)])
def test_low_walls_are_not_followed(height, expected):
    assert judged(solid(BASE, (box(-10, -0.2, 10, 0.2), 6, 6 + height)))["part"].verdict is expected
