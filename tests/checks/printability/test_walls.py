"""PR-04 on parts made just inside and just outside each limit, at turned positions."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import affinity

from reviewkit.checks.printability.walls import walls
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

LINE_MM = 0.4
LAYER_MM = 0.2
SETUP = Setup(machine("standard-240"), material("petg"), LAYER_MM, LINE_MM, LAYER_MM)
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
TURNED = [0.0, 17.0]


def extruded(region, height=10.0) -> trimesh.Trimesh:
    return trimesh.util.concatenate([trimesh.creation.extrude_polygon(p, height) for p in shapely.get_parts(region)])


def judged(mesh, *regions: Region, pose: Matrix = IDENTITY, sound=True) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        health=SimpleNamespace(sound=sound),
    )
    setup = replace(SETUP, pose=pose)
    findings = walls(Workpiece(Submission("T-1", regions=regions), part, setup), load_limits())
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"PR-04:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-04", "printability", "p")
        assert found.message.endswith(".")
        assert found.change or found.verdict is Verdict.MEETS
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
            faces = found.evidence[place.faces]
            assert len(faces) and faces.max() < len(mesh.faces)
    return {found.subject: found for found in findings}


def turned(shape, degrees):
    return affinity.rotate(shape, degrees, origin=(0, 0))


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


@pytest.mark.parametrize("turn", TURNED)
def test_a_thick_part_has_one_finding_that_says_so(turn):
    found = judged(extruded(turned(shapely.box(0, 0, 40, 20), turn)))
    assert list(found) == ["part"]
    whole = found["part"]
    assert whole.verdict is Verdict.MEETS
    assert whole.change == ""
    assert "All walls are 0.8 mm (2 line widths) thick or more; the thinnest is 20 mm thick" in whole.message
    assert value(whole, "share of the wall surface thinner than 0.8") == 0
    assert value(whole, "1% of the wall surface") == pytest.approx(20)
    assert {limit.id for limit in whole.limits} == {"wall-thickness-meets", "wall-thickness-fails"}


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(
    ("width", "verdict"),
    [
        (0.39, Verdict.FAILS),
        (0.395, Verdict.FAILS),
        (0.40, Verdict.MARGINAL),
        (0.41, Verdict.MARGINAL),
        (0.79, Verdict.MARGINAL),
        (0.80, Verdict.MEETS),
        (0.81, Verdict.MEETS),
    ],
)
def test_walls_beside_their_limits(turn, width, verdict):
    # Walls: 2 line widths meet, under 1 fails (common practice, printability 3.2).
    found = judged(extruded(turned(shapely.box(0, 0, 30, width), turn)))
    assert found["part"].verdict is verdict
    if verdict is Verdict.MEETS:
        assert list(found) == ["part"]
        return
    (name,) = [subject for subject in found if subject.startswith("at ")]
    wall = found[name]
    assert wall.verdict is verdict
    assert wall.severity is Severity.YIELD
    assert value(wall, "thinnest credible width") == pytest.approx(width, abs=1e-3)
    assert value(wall, "length") == pytest.approx(30, abs=0.5)
    assert value(wall, "bending stiffness gained") == pytest.approx((1 + 0.05 / width) ** 3 - 1, rel=1e-3)
    middle = turned(shapely.Point(15, width / 2), turn)
    assert wall.where[0].point_mm == pytest.approx((middle.x, middle.y, 5), abs=0.5)
    assert "Draw it 0.8 mm (2 line widths) thick or more." in wall.change
    fails_words = "one printed line is 0.4 mm, so it will be missing in places"
    assert (fails_words in wall.message) is (verdict is Verdict.FAILS)


def mechanism(leaf_mm: float):
    """Two blocks and the leaf between them."""
    return shapely.union_all(
        [shapely.box(0, 0, 10, 10), shapely.box(9.9, 4, 30.1, 4 + leaf_mm), shapely.box(30, 0, 40, 10)]
    )


def test_a_flexure_is_named_and_told_what_scatter_does():
    spring = Region("trigger spring", "p", RegionKind.FLEXURE, Box((10, 2, 0), (30, 6, 10)))
    found = judged(extruded(mechanism(0.6)), spring)
    assert list(found) == ["part", "trigger spring"]
    wall = found["trigger spring"]
    assert wall.severity is Severity.FUNCTION
    assert found["part"].severity is Severity.FUNCTION
    assert "in trigger spring is 0.6 mm thick over 20 mm" in wall.message
    # (0.65 / 0.6)^3 = 1.271; 0.8 / 0.6 = 1.33 times as long keeps t / L and so the stiffness (flexures.md 4).
    assert "A line 0.05 mm wider makes it 27 % stiffer." in wall.message
    assert "1.3 times as long" in wall.change
    thinner = judged(extruded(mechanism(0.3)), spring)["trigger spring"]
    assert thinner.verdict is Verdict.FAILS


def test_several_walls_in_one_region_have_names_of_their_own():
    comb = shapely.union_all([mechanism(0.6), shapely.box(9.9, 8, 30.1, 8.6)])
    found = judged(extruded(comb), Region("springs", "p", RegionKind.FLEXURE, Box((10, 0, 0), (30, 12, 10))))
    assert list(found) == ["part", "springs at 20 4 4", "springs at 20 8 4"]
    # A region cannot take the name of the whole-part finding.
    found = judged(extruded(mechanism(0.6)), Region("part", "p", RegionKind.KEEP, Box((10, 2, 0), (30, 6, 10))))
    assert list(found) == ["part", "part at 20 4 4"]


def test_places_are_in_the_frame_of_the_part():
    # Drawn lying, printed on its side: the leaf stands upright on the plate.
    leaf = trimesh.creation.box(bounds=[[0, 0, 0], [30, 10, 0.6]])
    found = judged(leaf, pose=ON_ITS_SIDE)
    wall = found["at 14 4 0"] if "at 14 4 0" in found else found["at 16 4 0"]
    assert wall.where[0].point_mm == pytest.approx((15, 5, 0.3), abs=0.5)
    assert np.abs(wall.where[0].normal) == pytest.approx((0, 0, 1), abs=1e-6)
    assert np.ravel(wall.where[0].box_mm) == pytest.approx((0, 0, 0, 30, 10, 0.6), abs=0.6)
    # As drawn it is a skin of three layers.
    flat = judged(leaf)
    assert list(flat) == ["part", "skins"]
    assert flat["skins"].verdict is Verdict.MARGINAL


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(("angle_deg", "found_it"), [(30, True), (42, True), (45, False), (60, False)])
def test_a_tapered_edge_is_marginal_when_it_loses_length(turn, angle_deg, found_it):
    # 0.4 / (2 tan(angle / 2)) = 0.5 at 43.6 degrees; the blunt end is square.
    wedge = shapely.Polygon(
        [(0, 0), (20, 20 * np.tan(np.radians(angle_deg / 2))), (20, -20 * np.tan(np.radians(angle_deg / 2)))]
    )
    found = judged(extruded(turned(wedge, turn)))
    edges = [found[name] for name in found if name.startswith("at ")]
    assert bool(edges) is found_it
    for edge in edges:
        assert edge.verdict is Verdict.MARGINAL
        assert value(edge, "angle between") == pytest.approx(angle_deg, abs=1e-3)
        assert value(edge, "length of the tip") == pytest.approx(0.2 / np.tan(np.radians(angle_deg / 2)), rel=1e-4)
        assert edge.where[0].point_mm[:2] == pytest.approx((0, 0), abs=1.5)
    assert found["part"].verdict is Verdict.MEETS


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(
    ("width", "found_it"), [(0.9, False), (1.0, True), (1.2, False), (1.5, False), (1.4, True), (1.8, False)]
)
def test_widths_between_whole_lines(turn, width, found_it):
    found = judged(extruded(turned(shapely.box(0, 0, 30, width), turn)))
    assert (f"width {width:.2f} mm" in found) is found_it
    assert found["part"].verdict is Verdict.MEETS
    if found_it:
        odd = found[f"width {width:.2f} mm"]
        assert odd.verdict is Verdict.MARGINAL
        less = int(width / LINE_MM)
        low, high = f"{less * LINE_MM:.3g} mm ({less} lines)", f"{(less + 1) * LINE_MM:.3g} mm ({less + 1} lines)"
        assert odd.change == f"Draw them {low} or {high} thick."


def test_equal_odd_widths_are_one_finding():
    fins = shapely.union_all(
        [shapely.box(0, -5, 30, 0.01), *(shapely.box(x, 0, x + w, 12) for x, w in ((2, 1.0), (8, 1.0), (14, 1.4)))]
    )
    found = judged(extruded(turned(fins, 17)))
    assert list(found) == ["part", "width 1.00 mm", "width 1.40 mm"]
    assert "in 2 places" in found["width 1.00 mm"].message
    assert len(found["width 1.00 mm"].where) == 2


@pytest.mark.parametrize(
    ("thick", "verdict"),
    [(0.39, Verdict.FAILS), (0.4, Verdict.MARGINAL), (0.99, Verdict.MARGINAL), (1.0, None), (1.2, None)],
)
def test_floors_beside_their_limits(thick, verdict):
    # Floors and roofs: 5 layers meet, under 2 fail (common practice, printability 3.2).
    tray = trimesh.boolean.difference(
        [
            trimesh.creation.box(bounds=[[0, 0, 0], [30, 20, 8]]),
            trimesh.creation.box(bounds=[[3, 3, thick], [27, 17, 9]]),
        ]
    )
    found = judged(tray)
    assert (found["skins"].verdict if "skins" in found else None) == verdict
    if verdict:
        skins = found["skins"]
        assert value(skins, "thinnest credible thickness") == pytest.approx(thick, abs=1e-3)
        assert value(skins, "area of thin floors") == pytest.approx(24 * 14, rel=0.1)
        assert skins.where[0].point_mm == pytest.approx((15, 10, thick / 2), abs=1.0)
        assert "1 mm (5 layers)" in skins.change


def test_a_part_that_fails_inside_a_larger_thin_wall_is_told():
    # 2 % of the wall is thinner than one line: the 5 % quantile of the whole wall does not see it.
    wall = shapely.box(0, 0, 100, 0.6).difference(shapely.box(49, 0.3, 51.5, 1))
    found = judged(extruded(wall))
    assert found["part"].verdict is Verdict.FAILS
    verdicts = [found[name].verdict for name in found if name != "part"]
    assert sorted(verdicts) == [Verdict.FAILS, Verdict.MARGINAL]
    assert value(found["part"], "thinnest credible width") == pytest.approx(0.3, abs=1e-3)


def test_a_spot_below_credible_size_fails_nothing():
    # A round groove leaves 0.6 mm; under 0.8 mm it is 3.06 mm long and three layers high: 1.84 mm2, 2 are needed.
    groove = shapely.box(0, 0, 30, 2.6).difference(shapely.Point(15, 6.6).buffer(6.0, quad_segs=64))
    found = judged(extruded(groove, 0.6))
    assert found["part"].verdict is Verdict.MEETS
    assert value(found["part"], "thinnest credible width") >= 0.8
    assert value(found["part"], "thin area in spots below") == pytest.approx(1.84, abs=0.2)
    # One layer more makes it a place.
    assert judged(extruded(groove, 0.8))["part"].verdict is Verdict.MARGINAL


def test_only_the_largest_are_listed_and_the_rest_counted():
    # Leaves of rising length, 2 mm apart, three more than the table lists.
    listed = round(load_limits().value("wall.listed", SETUP).value)
    leaves = [shapely.box(0, 2 * k, 10 + k, 2 * k + 0.6) for k in range(listed + 3)]
    found = judged(extruded(shapely.union_all([shapely.box(-5, 0, 0.01, 2 * listed + 6), *leaves])))
    assert len(found) == 1 + listed
    assert "3 more places" in found["part"].message
    assert min(value(f, "length") for name, f in found.items() if name != "part") > 12.5


def test_an_unsound_mesh_is_judged_with_doubt():
    sound, unsound = (judged(extruded(shapely.box(0, 0, 30, 0.83)), sound=sound)["part"] for sound in (True, False))
    assert (sound.verdict, unsound.verdict) == (Verdict.MEETS, Verdict.MARGINAL)
    assert unsound.measurements[0].uncertainty == pytest.approx(0.05, abs=1e-6)
    assert "The mesh is not sound, so a thickness may be off by about 0.05 mm." in unsound.message
    assert "not sound" not in sound.message


def test_what_cannot_be_measured_is_said():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 0.001]], [[0, 1, 2]], process=False)
    for mesh in (flat, trimesh.creation.box([0.5, 0.5, 0.4])):
        (found,) = judged(mesh).values()
        assert found.verdict is Verdict.NOT_CHECKED
        assert found.message.startswith("Wall thickness was not checked: ")


def test_figures_have_all_they_draw():
    found = judged(extruded(mechanism(0.6)))
    whole = found["part"]
    assert whole.figures == ("wall_widths", "worst_layer")
    edges, area = whole.evidence["bin_edges_mm"], whole.evidence["bin_area_mm2"]
    assert len(edges) == len(area) + 1
    # Both faces of the leaf lie in its bar; everything else is thicker than the last one.
    assert area[np.searchsorted(edges, 0.6) - 1] + area[np.searchsorted(edges, 0.6)] == pytest.approx(
        2 * 20 * 10, rel=0.02
    )
    assert area.sum() + whole.evidence["thicker_area_mm2"][0] == pytest.approx(mechanism(0.6).length * 10, rel=0.02)
    assert shapely.Polygon(whole.evidence["outline"]).area == pytest.approx(mechanism(0.6).area, rel=1e-6)
    points, opposite = whole.evidence["thin_points"], whole.evidence["thin_opposite"]
    assert np.linalg.norm(points - opposite, axis=1) == pytest.approx(whole.evidence["thin_width_mm"])
    assert ((points[:, 0] > 9.5) & (points[:, 0] < 30.5)).all()


def test_real_leg_of_a_flexure_stage(shared_parts):
    leg = trimesh.load(shared_parts / "just_leg_test.stl", force="mesh")
    found = judged(leg)
    assert list(found) == ["part", "skins"]
    assert found["part"].verdict is Verdict.MEETS
    # Four flexures that lie flat, of 0.5 and 0.75 mm: 2.5 and 3.75 layers.
    assert found["skins"].verdict is Verdict.MARGINAL
    assert value(found["skins"], "thinnest credible thickness") == pytest.approx(0.5, abs=1e-3)
