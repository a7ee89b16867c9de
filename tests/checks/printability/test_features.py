"""PR-10 on parts made just inside and just outside each limit, at turned positions."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from matplotlib.figure import Figure
from shapely import affinity

from reviewkit import review
from reviewkit.checks.printability.features import features
from reviewkit.figures.gaps import detail_layer
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Setup, Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
UPSIDE_DOWN: Matrix = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
TURNED = [0.0, 17.0]
BLOCK = shapely.box(0, 0, 40, 20)


def extruded(region, height=4.0, bottom=0.0) -> trimesh.Trimesh:
    pieces = [trimesh.creation.extrude_polygon(piece, height) for piece in shapely.get_parts(region)]
    mesh = trimesh.util.concatenate(pieces)
    mesh.apply_translation([0, 0, bottom])
    return mesh


def raised(region, height_mm, turn=0.0) -> trimesh.Trimesh:
    """Shapes on the block's upper face at 4 mm."""
    shape, block = (affinity.rotate(each, turn, origin=(0, 0)) for each in (region, BLOCK))
    return trimesh.boolean.union([extruded(block), extruded(shape, height_mm + 0.5, 3.5)])


def engraved(region, depth_mm, turn=0.0) -> trimesh.Trimesh:
    shape, block = (affinity.rotate(each, turn, origin=(0, 0)) for each in (region, BLOCK))
    return trimesh.boolean.difference([extruded(block), extruded(shape, 3.0, 4.0 - depth_mm)])


def judged(mesh, *regions: Region, pose: Matrix = IDENTITY, sound=True) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        health=SimpleNamespace(sound=sound),
    )
    workpiece = Workpiece(Submission("T-1", regions=regions), part, replace(SETUP, pose=pose))
    findings = features(workpiece, load_limits())
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert found.key == f"PR-10:p:{found.subject}"
        assert (found.code, found.domain, found.part) == ("PR-10", "printability", "p")
        assert found.message.endswith(".")
        assert bool(found.change) is (found.verdict is not Verdict.MEETS)
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
            faces = found.evidence[place.faces]
            assert len(faces) and faces.max() < len(mesh.faces)
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def only_place(found: dict[str, Finding]) -> Finding:
    (name,) = [subject for subject in found if subject != "part"]
    return found[name]


def matches(found: dict[str, Finding], verdict: Verdict) -> Finding | None:
    """The one finding beside the whole part's, or none where all is well."""
    assert found["part"].verdict is verdict
    if verdict is Verdict.MEETS:
        assert list(found) == ["part"]
        return None
    one = only_place(found)
    assert one.verdict is verdict
    return one


# Raised detail: under 1 line width of 0.4 mm fails, 2 line widths meet (common practice, printability 3.2).
@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(
    ("width", "verdict"),
    [(0.39, Verdict.FAILS), (0.40, Verdict.MARGINAL), (0.79, Verdict.MARGINAL), (0.80, Verdict.MEETS)],
)
def test_raised_lines_beside_their_limits(turn, width, verdict):
    one = matches(judged(raised(shapely.box(10, 8, 22, 8 + width), 0.6, turn)), verdict)
    if one:
        assert value(one, "width") == pytest.approx(width, abs=1e-3)
        assert value(one, "length") == pytest.approx(12, abs=0.01)
        assert value(one, "height") == pytest.approx(0.6)
        assert one.severity is Severity.LOOKS
        assert "raised detail" in one.message
        assert ("will be missing" in one.message) is (verdict is Verdict.FAILS)
        assert "0.8 mm (2 line widths)" in one.change


# Engraved detail: under 1 line width fails, 0.6 mm meets (common practice, printability 3.2).
@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(
    ("width", "verdict"),
    [(0.39, Verdict.FAILS), (0.40, Verdict.MARGINAL), (0.59, Verdict.MARGINAL), (0.60, Verdict.MEETS)],
)
def test_engraved_lines_beside_their_limits(turn, width, verdict):
    one = matches(judged(engraved(shapely.box(10, 8, 22, 8 + width), 0.6, turn)), verdict)
    if one:
        assert value(one, "width") == pytest.approx(width, abs=1e-3)
        assert "engraved detail" in one.message
        assert ("will be filled" in one.message) is (verdict is Verdict.FAILS)


@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize(("width", "verdict"), [(0.39, Verdict.FAILS), (0.7, Verdict.MARGINAL), (0.8, Verdict.MEETS)])
def test_nubs_on_a_side(turn, width, verdict):
    # Small enough to be no wall: 0.4 x 4 mm of side, 2 mm2 are a wall.
    nub = affinity.rotate(shapely.union_all([BLOCK, shapely.box(10, 19.9, 10 + width, 20.4)]), turn, origin=(0, 0))
    one = matches(judged(extruded(nub)), verdict)
    if one:
        assert one.severity is Severity.YIELD
        assert "rib or nub" in one.message


def test_what_is_judged_elsewhere_is_silent():
    """Walls (PR-04), slots, upright holes and pins (PR-05), tips of slopes and corners."""
    fin = raised(shapely.box(10, 8, 30, 8.3), 5.0)
    slot = extruded(BLOCK.difference(shapely.box(10, 8, 30, 8.3)))
    pin = raised(shapely.Point(10, 8).buffer(0.3, 12), 3.0)
    hole = extruded(BLOCK.difference(shapely.Point(10, 8).buffer(0.25, 12)))
    corner = extruded(shapely.Polygon([(0, 0), (40, 0), (40, 8)]))
    cone = trimesh.creation.cone(radius=4, height=6, sections=48)
    dome = trimesh.creation.icosphere(subdivisions=3, radius=6).apply_translation([0, 0, 6])
    plain = raised(shapely.box(10, 8, 22, 12), 0.6)
    for mesh in (fin, slot, pin, hole, corner, cone, dome, plain):
        found = judged(mesh)
        assert list(found) == ["part"]
        assert found["part"].verdict is Verdict.MEETS
        assert found["part"].figures == ()


def letter(x, y, high, stroke, foot):
    """A capital L, its foot given."""
    return shapely.union_all([shapely.box(x, y, x + stroke, y + high), shapely.box(x, y, x + foot, y + stroke)])


def word(high=6.5, stroke=1.0):
    return shapely.union_all([letter(4 + 7 * k, 6, high, stroke, 1.8 + 0.3 * k) for k in range(4)])


# Letters: 4 mm and 6 mm tall, strokes of one line and of 0.8 mm, two layers of relief (common practice, 3.2).
@pytest.mark.parametrize("turn", TURNED)
@pytest.mark.parametrize("made", [raised, engraved])
@pytest.mark.parametrize(
    ("high", "stroke", "relief", "verdict", "words"),
    [
        (6.0, 0.8, 0.4, Verdict.MEETS, ""),
        (5.9, 0.8, 0.4, Verdict.MARGINAL, "the letters are too small to read"),
        (4.0, 0.8, 0.4, Verdict.MARGINAL, "the letters are too small to read"),
        (3.9, 0.8, 0.4, Verdict.FAILS, "the letters are too small to read"),
        (6.5, 0.79, 0.4, Verdict.MARGINAL, "the strokes are too narrow"),
        (6.5, 0.39, 0.4, Verdict.FAILS, "the strokes are too narrow"),
        (6.5, 1.0, 0.2, Verdict.MARGINAL, "enough"),
    ],
)
def test_text_is_counted_as_such(turn, made, high, stroke, relief, verdict, words):
    found = judged(made(word(high, stroke), relief, turn))
    one = matches(found, verdict)
    assert value(found["part"], "letters and marks") == 4
    assert "4 shapes in 1 group" in found["part"].message
    if one:
        assert "text" in one.message and words in one.message
        assert value(one, "cap height") == pytest.approx(high, abs=2e-3)
        assert value(one, "stroke") == pytest.approx(stroke, abs=2e-3)
        assert value(one, "height or depth") == pytest.approx(relief)
        assert one.severity is Severity.LOOKS


def test_patterns_and_dots_are_no_text():
    pads = shapely.union_all([shapely.box(4 + 7 * k, 6, 7 + 7 * k, 9) for k in range(4)])
    dots = shapely.union_all([shapely.Point(6 + 7 * k, 8).buffer(1.5, 12) for k in range(4)])
    for shapes in (pads, dots):
        assert judged(raised(shapes, 1.0))["part"].verdict is Verdict.MEETS
    # Three letters are too few to be sure.
    few = shapely.union_all(list(shapely.get_parts(word(3.0)))[:3])
    assert judged(raised(few, 0.6))["part"].verdict is Verdict.MEETS


def test_named_by_region_and_placed_in_the_part():
    logo = Region("logo", "p", RegionKind.VISIBLE, Box((9, 7, 3.9), (23, 9, 5)))
    line = raised(shapely.box(10, 8, 22, 8.3), 0.6)
    found = judged(line, logo)
    assert list(found) == ["part", "logo"]
    assert found["logo"].where[0].point_mm == pytest.approx((16, 8.15, 4.3), abs=6.1)
    # Drawn with the text below, reviewed with it above.
    flipped = line.copy()
    flipped.vertices = flipped.vertices @ np.array(UPSIDE_DOWN).T
    one = only_place(judged(flipped, pose=UPSIDE_DOWN))
    assert one.verdict is Verdict.FAILS
    assert one.where[0].box_mm[0][2] == pytest.approx(-4.6, abs=1e-6)
    assert one.where[0].box_mm[1][2] == pytest.approx(-4.0, abs=1e-6)


def test_only_the_worst_are_listed_and_the_rest_counted():
    listed = round(load_limits().value("detail.listed", SETUP).value)
    # Dots, so that they are no text.
    dots = [shapely.Point(2 + 2 * k, 5).buffer(0.22 + 0.01 * k, 12) for k in range(listed + 3)]
    found = judged(raised(shapely.union_all(dots), 0.4))
    assert len(found) == 1 + listed
    assert "3 more are not listed one by one." in found["part"].message


def test_figure_has_all_that_it_draws():
    whole = judged(raised(shapely.box(10, 8, 22, 8.3), 0.6))["part"]
    assert whole.figures == ("detail_layer",)
    assert shapely.Polygon(whole.evidence["details"]).area == pytest.approx(12 * 0.3, rel=1e-3)
    low, high = whole.evidence["zoom"]
    assert (low < (10, 8)).all() and (high > (22, 8.3)).all()
    assert whole.evidence["worst_mm"][0] == pytest.approx(0.3, abs=1e-3)
    assert np.nanmax(whole.evidence["below"], axis=0) == pytest.approx((40, 20))
    # Detail on the plate has nothing below it.
    low = judged(extruded(shapely.union_all([BLOCK, shapely.box(10, 19.9, 10.3, 20.4)])))["part"]
    assert len(low.evidence["below"]) == 0
    for one, wide in ((whole, "0.30"), (low, "0.30")):
        title, caption, alt = detail_layer(one, Figure(layout="constrained"))
        assert title.startswith("Small detail in the layer at ")
        assert f"{wide} mm wide" in caption and f"{wide} mm wide" in alt


def test_what_cannot_be_measured_is_said():
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 0.001]], [[0, 1, 2]], process=False)
    (found,) = judged(flat).values()
    assert found.verdict is Verdict.NOT_CHECKED
    assert found.message.startswith("Small detail was not checked: ")


def test_demonstration_parts_have_no_small_detail():
    case = review.opened(review.demonstration())
    for workpiece in case.workpieces:
        (found,) = features(workpiece, case.limits)
        assert found.verdict is Verdict.MEETS
