"""PD-07: what printing alone can make, what a tool or a cut could make too, and from how many parts on it pays.

Outside truth: tray with a hole in its wall (2 pi a w/A hidden, derived); break-even tooling/(printed - tooled).
"""

from dataclasses import replace
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production import process as subject
from reviewkit.checks.production.process import process
from reviewkit.figures import process as drawings
from reviewkit.figures.style import STYLE
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup, Severity, Verdict
from reviewkit.submission import PartEntry, Submission, Tooling, parse_submission, submission_toml
from reviewkit.undercut_sheet import undercut_shots
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED
LIMITS = load_limits()
TURN = trimesh.transformations.rotation_matrix(0.7, (0.3, -0.8, 0.5))
NO_TOOL = Tooling()
TOOL = Tooling(price=12_000, part_cost=0.18)


def block(low, high):
    return trimesh.creation.box(bounds=(low, high))


def tray(holed: bool):
    mesh = trimesh.boolean.difference([block((-20, -20, 0), (20, 20, 30)), block((-16, -16, 4), (16, 16, 40))])
    if not holed:
        return mesh
    hole = trimesh.creation.cylinder(5, segment=((12, 0, 17), (24, 0, 17)), sections=128)
    return trimesh.boolean.difference([mesh, hole])


def workpiece(mesh, quantity=None, tooling=NO_TOOL, closed=True, count=1):
    part = SimpleNamespace(
        id="p",
        mesh=mesh,
        vertices=np.array(mesh.vertices, dtype=float),
        faces=np.array(mesh.faces, dtype=np.int64),
        health=SimpleNamespace(closed=closed),
    )
    entry = PartEntry("p", "p.stl", count=count)
    submission = Submission("T-1", parts=(entry,), quantity=quantity, tooling=tooling)
    return Workpiece(submission, part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2))


def judged(mesh, *asked, **more):
    made = workpiece(mesh, *asked, **more)
    found = process(made, LIMITS)
    assert found[0].subject == "part"
    for one in found:
        assert (one.code, one.domain) == ("PD-07", "production")
        assert one.severity is Severity.COST or not made.part.health.closed
        assert one.message.endswith(".")
        assert bool(one.change) == (one.verdict is not MEETS)
        for name in one.figures:
            drawn = replace(one, evidence={**one.evidence, **undercut_shots(made, one)})
            with mpl.rc_context(STYLE):
                figure = Figure(layout="constrained")
                assert all(getattr(drawings, name)(drawn, figure))
                figure.canvas.draw()
    return {one.subject: one for one in found}


@pytest.fixture
def costs(monkeypatch):
    """Printed parts at one cost whatever their number, with a span."""

    def made(unit, low=None, high=None, unready=""):
        cost = SimpleNamespace(unit=unit, low=unit if low is None else low, high=unit if high is None else high)
        prices = SimpleNamespace(currency="EUR", invented=False)
        case = SimpleNamespace(unready=unready, prices=prices, cost=lambda _: cost)
        monkeypatch.setattr(subject, "production_of", lambda *_: case)

    return made


def test_undercuts_are_what_printing_is_for():
    (whole,) = judged(tray(True), 100_000).values()
    assert whole.verdict is MEETS
    assert whole.measurements[0].value == pytest.approx(0.011124, abs=3e-5)
    assert "1 undercut, the largest of 126 mm²" in whole.message
    assert "1 side action" in whole.message
    (place,) = whole.where
    assert np.hypot(place.point_mm[1], place.point_mm[2] - 17) == pytest.approx(5, abs=0.1)
    assert 16 <= place.point_mm[0] <= 20
    assert whole.figures == ("undercuts",)


@pytest.mark.parametrize(("quantity", "count", "verdict"), [(1000, 1, MEETS), (1001, 1, MARGINAL), (501, 2, MARGINAL)])
def test_a_tooled_form_is_asked_for_where_many_are_wanted(quantity, count, verdict):
    (whole,) = judged(tray(False), quantity, count=count).values()
    assert whole.verdict is verdict
    assert "opens along z reaches the whole surface" in whole.message
    assert "walls without draft" in whole.message
    assert "break-even" not in whole.message


def test_without_a_number_the_question_stays():
    (whole,) = judged(tray(False)).values()
    assert whole.verdict is MARGINAL
    assert "[tooling]" in whole.change


@pytest.mark.parametrize(
    ("mesh", "told"),
    [
        (block((0, 0, 0), (60, 40, 3)), "flat prism along z, 3 mm thick: it could be cut or punched from sheet"),
        (trimesh.creation.cylinder(5, 60, sections=64), "prism along z, 60 mm long: it could be extruded"),
        (tray(False), "stepped along z"),
        (trimesh.creation.icosphere(3, 10), "It is no prism"),
    ],
)
def test_prisms_are_told(mesh, told):
    assert told in judged(mesh, 10)["part"].message


def test_a_turned_part_is_judged_alike():
    plain, turned = (judged(mesh, 5000)["part"] for mesh in (tray(True), tray(True).apply_transform(TURN)))
    assert turned.verdict is plain.verdict
    assert turned.measurements[0].value == pytest.approx(plain.measurements[0].value, abs=1e-4)
    place = np.linalg.inv(TURN) @ [*turned.where[0].point_mm, 1]
    assert np.hypot(place[1], place[2] - 17) == pytest.approx(5, abs=0.1)


def test_break_even_where_a_tooled_form_exists(costs):
    costs(0.55)
    found = judged(tray(False), 20_000, TOOL)
    assert found["part"].verdict is MEETS
    assert "from 32,433 parts on" in found["break-even"].message
    assert found["break-even"].verdict is MEETS
    assert found["break-even"].measurements[0].value == 32_433
    assert judged(tray(False), 40_000, TOOL)["break-even"].verdict is MARGINAL
    assert judged(tray(False), None, TOOL)["break-even"].verdict is MARGINAL


def test_what_the_cost_leaves_open_is_told(costs):
    costs(0.55, 0.45, 0.65)
    found = judged(tray(False), 30_000, TOOL)["break-even"]
    assert "25,532 to 44,445" in found.message
    assert found.verdict is MARGINAL
    assert "within what the estimate of cost leaves open" in found.message
    assert judged(tray(False), 25_000, TOOL)["break-even"].verdict is MEETS
    costs(0.55, 0.15, 0.65)
    assert "25,532 to never" in judged(tray(False), 30_000, TOOL)["break-even"].message


def test_printing_may_always_be_cheaper(costs):
    costs(0.17)
    found = judged(tray(False), 10**6, TOOL)["break-even"]
    assert found.verdict is MEETS
    assert "never cheaper" in found.message
    costs(0.55)
    worn = judged(tray(False), 10**6, replace(TOOL, life=10_000))["break-even"]
    assert "worn out after 10,000 parts" in worn.message


def test_no_break_even_for_a_part_that_no_tool_makes(costs):
    costs(0.55)
    found = judged(tray(True), 50_000, TOOL)["break-even"]
    assert found.verdict is OPEN
    assert "32,433" not in found.message
    stated = judged(tray(True), 50_000, replace(TOOL, redesign="The hole is opened to the rim."))["break-even"]
    assert "from 32,433 parts on" in stated.message
    assert "The hole is opened to the rim." in stated.message


def test_what_is_missing_for_a_break_even_is_told(costs):
    costs(0.55)
    assert "part_cost is not given" in judged(tray(False), 50, replace(TOOL, part_cost=None))["break-even"].message
    costs(0.55, unready="the mesh is open")
    assert judged(tray(False), 50, TOOL)["break-even"].verdict is OPEN


def test_the_cost_of_the_case_is_taken():
    found = judged(tray(False), 5_000, TOOL)["break-even"]
    assert "Prices are invented" in found.message
    parts, unit = (measurement.value for measurement in found.measurements)
    assert parts == pytest.approx(12_000 / (unit - 0.18), rel=1e-3)


def test_an_open_mesh_is_not_checked():
    (whole,) = judged(tray(False), closed=False).values()
    assert whole.verdict is OPEN
    assert "the mesh is open" in whole.message


def test_tooling_is_read_and_written():
    head = '[submission]\nnumber = "T"\n[[part]]\nid = "p"\nfile = "p.stl"\n'
    read = parse_submission(
        head + "[tooling]\nprice = 9000\npart_cost = 0\nlife = 50000\nredesign = 'Open the slot.'\n"
    )
    assert read.tooling == Tooling(9000, 0, 50_000, "Open the slot.")
    assert parse_submission(submission_toml(read)) == read
    for wrong in ("price = 0", "price = 'much'", "life = 0", "part_cost = -1", "colour = 'red'"):
        with pytest.raises(Exception, match=r"\[tooling\]"):
            parse_submission(f"{head}[tooling]\n{wrong}\n")
