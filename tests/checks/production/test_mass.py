"""PD-02 against closed forms of a box: 40 x 40 x 10 in PLA weighs 6.784836 g (derived); 900 g a spool."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production import mass as subject
from reviewkit.checks.production.mass import material_used
from reviewkit.figures.printing import mass_by_kind
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Finding, Setup, Severity, Verdict
from reviewkit.submission import PartEntry, Submission
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED
LIMITS = load_limits()
BOX_G = 6.784836


def judged(mesh, quantity=None, count=1, **setup) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", quantity=quantity, parts=(PartEntry("p", "p.stl", count=count),))
    made = replace(Setup(machine("standard-240"), material("pla"), 0.2, 0.4, 0.2), **setup)
    findings = material_used(Workpiece(submission, part, made), LIMITS)
    assert findings[0].subject == "part"
    for found in findings:
        assert found.key == f"PD-02:p:{found.subject}"
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
    return {found.subject: found for found in findings}


def held(monkeypatch, copies):
    monkeypatch.setattr(subject, "copies_of", lambda *_: SimpleNamespace(count=copies))


def box(*size):
    return trimesh.creation.box(size)


def test_a_box_as_worked():
    (found,) = judged(box(40, 40, 10)).values()
    grams, plastic, filament = found.measurements
    assert (grams.value, grams.unit) == (pytest.approx(BOX_G, abs=1e-5), "g")
    assert plastic.value == pytest.approx(5471.6416)
    assert filament.value == pytest.approx(5471.6416 / 2.4052819 / 1000)
    assert "34 % of a solid part" in found.message and "1.24 g/cm3" in found.message
    assert found.severity is Severity.COST


def test_core_fill_asked_for_counts():
    full = judged(box(40, 40, 10), core_fill=1.0)["part"]
    assert full.measurements[0].value == pytest.approx(16 * 1.24, rel=1e-6)
    assert "Core fill is 100 %" in full.message


@pytest.mark.parametrize("count", [1, 3])
def test_what_the_order_takes(count):
    """1000 sets with 5 % of waste."""
    message = judged(box(40, 40, 10), 1000, count)["part"].message
    assert f"{1000 * count:,} parts take {1.05 * BOX_G * count:.3g} kg with 5 % of waste" in message


def test_a_plate_that_takes_more_than_a_spool(monkeypatch):
    one = judged(box(40, 40, 10))["part"].measurements[0]
    fits = int(900 / (1.05 * (one.value + one.uncertainty)))
    held(monkeypatch, fits)
    assert set(judged(box(40, 40, 10))) == {"part"}
    held(monkeypatch, fits + 1)
    found = judged(box(40, 40, 10))
    assert found["part"].verdict is MARGINAL
    plate = found["plate material"]
    assert plate.verdict is MARGINAL and plate.severity is Severity.YIELD
    assert plate.measurements[0].value == pytest.approx(1.05 * (fits + 1) * BOX_G, rel=1e-5)
    assert plate.change.startswith(f"Put {fits} copies on a plate")


def test_one_part_of_more_than_a_spool(monkeypatch):
    held(monkeypatch, 1)
    plate = judged(box(150, 150, 60), core_fill=1.0)["plate material"]
    assert plate.change.startswith("Use larger spools")


def test_too_open_and_empty_meshes_are_not_checked():
    mesh = box(20, 20, 10)
    torn = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    for broken in (torn, flat):
        (found,) = judged(broken).values()
        assert found.verdict is OPEN and found.message.startswith("Mass was not checked: ")


def test_the_figure_draws_the_evidence():
    found = judged(box(40, 40, 10))["part"]
    figure = Figure()
    title, caption, alt = mass_by_kind(found, figure)
    (axes,) = figure.axes
    widths = [bar.get_width() for bar in axes.patches]
    assert sum(widths[:3]) == pytest.approx(BOX_G, abs=1e-5)
    assert widths[3:] == pytest.approx([BOX_G, 16 * 1.24], abs=1e-5)
    assert title and "6.78 g" in caption and "solid" in alt
