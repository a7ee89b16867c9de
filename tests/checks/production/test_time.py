"""PD-01 on parts just inside and just outside each bound; bounds of common practice are written out again here.

Waiting 30 % of the layers' time, 24 h a plate, 300 printers at 85 % of the calendar.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production import time as subject
from reviewkit.checks.production.time import print_time
from reviewkit.figures.printing import minutes_by_kind
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.printing import TIME_KINDS
from reviewkit.model import Calibration, Finding, Setup, Severity, Verdict
from reviewkit.printed import printing_of
from reviewkit.submission import PartEntry, Submission
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED
BASE = machine("standard-240")
LIMITS = load_limits()


def piece(mesh, calibration=None, **settings):
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", parts=(PartEntry("p", "p.stl"),))
    printing = replace(BASE.printing, calibration=calibration, **settings)
    return Workpiece(submission, part, Setup(replace(BASE, printing=printing), material("petg"), 0.2, 0.4, 0.2))


def judged(workpiece) -> dict[str, Finding]:
    findings = print_time(workpiece, LIMITS)
    assert findings[0].subject == "part"
    for found in findings:
        assert found.key == f"PD-01:p:{found.subject}"
        assert (found.code, found.domain) == ("PD-01", "production")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
    return {found.subject: found for found in findings}


def held(monkeypatch, copies):
    monkeypatch.setattr(subject, "copies_of", lambda *_: SimpleNamespace(count=copies))


def box(*size):
    return trimesh.creation.box(size)


def test_numbers_of_the_whole_are_those_of_the_measure(monkeypatch):
    held(monkeypatch, 12)
    workpiece = piece(box(40, 30, 20))
    (found,) = judged(workpiece).values()
    one, many = printing_of(workpiece, LIMITS), printing_of(workpiece, LIMITS, 12)
    assert found.verdict is MEETS and found.severity is Severity.COST
    assert [m.value for m in found.measurements] == pytest.approx([one.plate_s, 12, many.plate_s, many.part_s])
    assert [m.uncertainty for m in found.measurements] == pytest.approx(
        [0.25 * one.plate_s, 0, 0.25 * many.plate_s, 0.25 * many.part_s]
    )
    assert "A plate of 12 takes" in found.message
    assert "not calibrated by measured plates" in found.message


def test_a_calibrated_machine_says_so(monkeypatch):
    held(monkeypatch, 12)
    fit = Calibration(1.2, 1.1, 1.3, 0.08, 6, "2026-05-01")
    found = judged(piece(box(40, 30, 20), calibration=fit))["part"]
    assert "6 plates measured by 2026-05-01: layers take 1.2 times what the speeds give" in found.message
    assert found.measurements[0].uncertainty == pytest.approx(0.08 * found.measurements[0].value)


def test_waiting_for_layers_to_cool(monkeypatch):
    """A thin pin alone: just over and just under 30 % of waiting."""
    held(monkeypatch, 1)
    pin = box(6, 6, 40)
    layer_s = float(printing_of(piece(pin, least_layer_s=0.0), LIMITS).work.layers_s(1)[100])
    at_bound = layer_s / 0.7
    over, under = (judged(piece(pin, least_layer_s=at_bound * factor)) for factor in (1.05, 0.93))
    assert over["cooling"].verdict is MARGINAL and over["part"].verdict is MARGINAL
    assert "cooling" not in under and under["part"].verdict is MEETS
    assert "With 2 copies on a plate instead of 1" in over["cooling"].change


def test_the_copies_named_are_the_fewest_that_bring_the_wait_down(monkeypatch):
    held(monkeypatch, 2)
    workpiece = piece(box(5, 5, 40), least_layer_s=20.0)
    change = judged(workpiece)["cooling"].change
    named = int(change.split("With ")[1].split()[0])
    one = printing_of(workpiece, LIMITS)
    assert one.with_copies(named).waiting_share <= 0.3 < one.with_copies(named - 1).waiting_share


def test_a_plate_longer_than_a_day(monkeypatch):
    workpiece = piece(box(60, 60, 60))
    one = printing_of(workpiece, LIMITS)
    fits = next(n for n in range(1, 99) if one.with_copies(n + 1).plate_s * 1.25 > 86400)
    held(monkeypatch, fits)
    assert judged(workpiece)["part"].verdict is MEETS
    held(monkeypatch, fits + 1)
    found = judged(workpiece)
    assert found["plate time"].verdict is MARGINAL
    assert f"Put {fits} copies on a plate instead of {fits + 1}" in found["plate time"].change


def test_a_single_part_longer_than_a_day(monkeypatch):
    held(monkeypatch, 1)
    found = judged(piece(box(200, 200, 150)))["plate time"]
    assert found.change.startswith("Even one copy may take longer than 24 h")


def test_a_part_that_does_not_fit_is_timed_alone():
    found = judged(piece(box(360, 20, 10)))["part"]
    assert "does not fit the plate" in found.message
    assert found.measurements[1].value == 1


def test_copies_come_from_the_layout_of_the_plate():
    """30 x 30 on 240 with 5 mm at the edges and 2 mm between: 7 x 7 at least."""
    assert judged(piece(box(30, 30, 10)))["part"].measurements[1].value == 49


def test_too_open_and_empty_meshes_are_not_checked():
    mesh = box(20, 20, 10)
    torn = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [10, 0, 10]], [[0, 1, 2]], process=False)
    for broken in (torn, flat):
        (found,) = judged(piece(broken)).values()
        assert found.verdict is OPEN and found.message.startswith("Print time was not checked: ")


@pytest.mark.parametrize("copies", [1, 12])
def test_the_figure_draws_the_evidence(monkeypatch, copies):
    held(monkeypatch, copies)
    found = judged(piece(box(40, 30, 20)))["part"]
    figure = Figure()
    title, caption, alt = minutes_by_kind(found, figure)
    (axes,) = figure.axes
    assert [label.get_text() for label in axes.get_yticklabels()] == list(TIME_KINDS)
    widths = np.array([bar.get_width() for bars in axes.containers for bar in bars])
    expected = [found.evidence["alone_s"], found.evidence["full_s"]] if copies > 1 else [found.evidence["alone_s"]]
    assert widths == pytest.approx(np.concatenate(expected) / 60)
    assert widths[: len(TIME_KINDS)].sum() == pytest.approx(found.measurements[0].value / 60)
    assert title and alt and (f"plate of {copies}" in caption) == (copies > 1)
