"""PD-03 on parts whose counts are known, just inside and just outside each bound.

The bounds, written out again here so that a slip in data/limits shows, are common practice of the trade.
"""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from reviewkit import review
from reviewkit.checks.production import copies as module
from reviewkit.checks.production.copies import copies, nesting
from reviewkit.figures.packing import copies_per_pose, plate_layout
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.nesting import Nesting
from reviewkit.measure.packing import Layout
from reviewkit.model import Finding, Origin, Setup, Severity, Status, Verdict
from reviewkit.resources import resource
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

# Plate 240 x 240, 5 mm kept free at its edges, 2 mm between copies.
SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
LIMITS = load_limits()
TRIANGLE = shapely.Polygon([(0, 0), (60, 0), (20, 45)])


def workpiece(mesh: trimesh.Trimesh, origin: Origin = Origin.CONFIRMED) -> Workpiece:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64), units_origin=origin,
    )  # fmt: skip
    return Workpiece(Submission("T-1"), part, SETUP)


def box(x: float, y: float, z: float = 20.0, **told) -> Workpiece:
    return workpiece(trimesh.creation.box((x, y, z)), **told)


def judged(part: Workpiece) -> Finding:
    (found,) = copies(part, LIMITS)
    assert (found.key, found.code, found.domain) == ("PD-03:p:part", "PD-03", "production")
    assert found.message.endswith(".") and found.severity is Severity.COST
    assert bool(found.change) == (found.verdict is not MEETS)
    assert all(limit.source.status is Status.PRACTICE for limit in found.limits)
    return found


def value(found: Finding, quantity: str) -> float:
    (told,) = (each.value for each in found.measurements if each.quantity == quantity)
    return told


@pytest.mark.parametrize(
    ("x", "y", "count", "wanted"),
    [
        (52, 52, 16, MEETS),
        # Four need 2 a + 2 of 230.
        (114, 114, 4, MEETS), (114.1, 114, 2, MARGINAL), (230, 230, 1, MARGINAL), (230.1, 230, 0, FAILS),
    ],
)  # fmt: skip
def test_by_the_number_of_copies(x, y, count, wanted):
    found = judged(box(x, y))
    assert value(found, "copies on a plate, at least") == count
    assert found.verdict is wanted
    assert [limit.value for limit in found.limits] == [4, 1, 0.4]


def frame(side: float, width: float) -> trimesh.Trimesh:
    """An L of two legs: copies nest only so far."""
    return trimesh.boolean.union([
        trimesh.creation.box((side, width, 20)).apply_translation((side / 2, width / 2, 10)),
        trimesh.creation.box((width, side, 20)).apply_translation((width / 2, side / 2, 10)),
    ])  # fmt: skip


def test_by_the_share_of_the_plate():
    spoked = judged(workpiece(trimesh.boolean.union([
        trimesh.creation.box((100, 6, 20)), trimesh.creation.box((6, 100, 20)),
    ])))  # fmt: skip
    assert value(spoked, "copies on a plate, at least") >= 4
    assert value(spoked, "share of the usable plate covered") < 0.4 and spoked.verdict is MARGINAL
    full = judged(workpiece(frame(50, 25)))
    assert value(full, "share of the usable plate covered") > 0.4 and full.verdict is MEETS


def test_the_message_tells_layout_bound_and_grid():
    found = judged(box(80, 25))
    count = value(found, "copies on a plate, at least")
    assert f"At least {count} copies fit on a plate of 240 x 240 mm, in blocks" in found.message
    assert "in blocks of two directions, 2 mm apart and 5 mm from the edges" in found.message
    assert "A plain grid of their boxes holds 16." in found.message
    assert "Brims are not counted" in found.message
    most = value(found, "copies on a plate, at most")
    assert most == int((230 * 230 + 2 * 460 + np.pi) / (80 * 25 + 210 + np.pi))
    assert ("no layout holds more." in found.message) == (count == most)


def test_the_change_names_a_scale_or_another_pose():
    assert "at 94 % of its size, 112.8 x 112.8 mm on the plate, and 4 fit" in judged(box(120, 120)).change
    tall = judged(box(120, 30, 120))
    assert tall.verdict is MEETS
    flat = judged(box(120, 120, 30))
    assert flat.change.startswith("Lay it on its ") and "where a plate holds 12" in flat.change
    assert "Even at 80 % of its size no more fit" in judged(box(225, 225, 225)).change


def test_poses_are_told_beside_one_another():
    found = judged(workpiece(trimesh.creation.cylinder(10, 100, sections=48)))
    assert found.figures == ("plate_layout", "copies_per_pose")
    assert (
        "As reviewed it is 100 mm high. One other way to lie cannot be printed; a plate would hold 2" in found.message
    )
    bar = judged(box(20, 20, 60))
    assert "As reviewed it is 60 mm high. Laid otherwise a plate holds 3" in bar.message
    counts, high = found.evidence["pose_count"], found.evidence["pose_height_mm"]
    assert counts[0] > 100 and high[0] == pytest.approx(100) and counts[1:].max() < 30
    assert judged(box(30, 30, 30)).figures == ("plate_layout",)


def test_a_failure_on_guessed_units_is_marginal():
    assert judged(box(240, 240, origin=Origin.ASSUMED)).verdict is MARGINAL
    assert judged(box(240, 240, origin=Origin.ASSUMED)).guess


def test_open_or_empty_meshes_are_not_checked():
    torn = trimesh.creation.box((40, 40, 20))
    torn.update_faces(np.arange(len(torn.faces)) > 5)
    (found,) = copies(workpiece(torn), LIMITS)
    assert found.verdict is NOT_CHECKED and found.change
    sheet = trimesh.Trimesh([(0, 0, 0), (10, 0, 0), (0, 10, 0)], [(0, 1, 2)])
    assert copies(workpiece(sheet), LIMITS)[0].verdict is NOT_CHECKED
    assert nesting(workpiece(sheet), LIMITS).verdict is NOT_CHECKED


def drawn(draw, found: Finding) -> tuple[Figure, tuple[str, str, str]]:
    figure = Figure(layout="constrained")
    FigureCanvasAgg(figure)
    told = draw(found, figure)
    figure.canvas.draw()
    return figure, told


def test_figures_draw_what_was_found():
    found = judged(workpiece(trimesh.creation.cylinder(30, 150, sections=48)))
    figure, (_, caption, alt) = drawn(plate_layout, found)
    assert f"{found.evidence['count'][0]} copies on the plate of 240 by 240 mm" in caption and "240 by 240" in alt
    rings = int(np.isnan(found.evidence["copies"][:, 0]).sum()) + 1
    rings += int(np.isnan(found.evidence["turned"][:, 0]).sum()) + 1 if "turned" in found.evidence else 0
    assert rings == found.evidence["count"][0]
    figure, (_, caption, alt) = drawn(copies_per_pose, found)
    (axes,) = figure.axes
    assert [bar.get_width() for bar in axes.patches] == found.evidence["pose_count"].tolist()
    assert "as reviewed, 150 mm high" in alt
    pairs = judged(workpiece(trimesh.creation.extrude_polygon(TRIANGLE, 20)))
    assert "turned" in pairs.evidence and "Hatched" in drawn(plate_layout, pairs)[1][1]


def test_nesting_is_only_possible(monkeypatch):
    part = box(52, 52)
    places = np.array([[40.0 + 60 * n, 40.0, 0.0] for n in range(3)])
    layout = Layout(shapely.box(0, 0, 52, 52), (240.0, 240.0), 5.0, 2.0, places, "by hand")
    for known, verdict, words in (
        (
            Nesting(layout, "found by irregular nesting in 3 s, stored and checked"),
            MEETS,
            "At least 3 copies are possible",
        ),
        (Nesting(None, "irregular nesting found no layout with more copies in 3 s"), MEETS, "no layout with more"),
        (Nesting(None, "irregular nesting was not tried: it is not installed"), NOT_CHECKED, "not tried"),
    ):
        monkeypatch.setattr(module, "nested_copies", lambda *_, known=known: known)
        found = nesting(part, LIMITS)
        assert (found.subject, found.verdict) == ("nesting", verdict) and words in found.message
        assert judged(part).message == judged(box(52, 52)).message
    assert "verdict and cost do not rest on it" not in found.message


@pytest.mark.parametrize(("name", "verdicts"), [("launcher-a", [MARGINAL, MEETS]), ("spacer", [MEETS])])
def test_demonstration_parts(name, verdicts):
    case = review.opened(Path(str(resource("data", "parts"))) / name)
    found = [copies(part, case.limits)[0] for part in case.workpieces]
    assert [each.verdict for each in found] == verdicts
