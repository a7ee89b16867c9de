"""PD-06: without a pilot it is not known and says so; with one its plates, parts, machines and dimensions are judged.

Outside truth: 0 of 10 plates lost keeps 0.259, 1 of 60 keeps 0.0766 (Clopper and Pearson, one-sided 95 %); Cpk 1.25.
"""

from dataclasses import replace
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production import yields as subject
from reviewkit.checks.production.yields import good_parts
from reviewkit.figures import yields as drawings
from reviewkit.figures.style import STYLE
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup, Severity, Verdict
from reviewkit.pilot import PLATE_COLUMNS
from reviewkit.submission import PartEntry, Requirement, RequirementKind, Stage, Submission
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, FAILS, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
LIMITS = load_limits()
FIT = Requirement("R1", RequirementKind.FIT, 10.0, -0.2, 0.2, "mm", critical=True)


def workpiece(size=(20, 20, 10), **more):
    mesh = trimesh.creation.box(size)
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", parts=(PartEntry("p", "p.stl"),), **more)
    return Workpiece(submission, part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2))


def judged(made):
    found = good_parts(made, LIMITS)
    assert found[0].subject == "part"
    assert len({one.key for one in found}) == len(found)
    for one in found:
        assert (one.code, one.domain, one.severity) == ("PD-06", "production", Severity.YIELD)
        assert one.message.endswith(".")
        assert bool(one.change) == (one.verdict is not MEETS)
        for name in one.figures:
            with mpl.rc_context(STYLE):
                figure = Figure(layout="constrained")
                told = getattr(drawings, name)(one, figure)
                figure.canvas.draw()
            assert all(told)
    return {one.subject: one for one in found}


def piloted(folder, rows, values=(), **more):
    (folder / "pilot.csv").write_text("\n".join((",".join(PLATE_COLUMNS), *rows)))
    if values:
        (folder / "pilot_values.csv").write_text("\n".join(("part,revision,plate,what,value", *values)))
    return judged(workpiece(folder=folder, **more))


def rows(count, lost=0, rejected=0, machines=3, copies=4):
    return [
        f"p,,pilot,{n},m{n % machines},{copies},{'yes' if n < lost else 'no'},{rejected if n == count - 1 else ''},"
        for n in range(count)
    ]


def test_without_a_pilot_the_yield_is_not_known():
    (whole,) = judged(workpiece()).values()
    assert whole.verdict is MARGINAL
    assert "No pilot of this part was recorded" in whole.message
    assert "97.0 % to 99.5 % good parts" in whole.message
    assert "none was measured" in whole.message
    assert "10 plates over at least 3 machines" in whole.change
    assert "at most 26 %" in whole.change
    assert whole.measurements[0].uncertainty == pytest.approx(0.0125)


def test_without_a_pilot_what_may_cost_much_is_told_by_itself():
    found = judged(workpiece((220, 60, 4)))
    assert list(found) == ["part", "corner lift"]
    assert found["corner lift"].verdict is MARGINAL
    assert "Guessed, not measured" in found["corner lift"].message
    assert "Round the corners" in found["corner lift"].change


def test_ten_plates_without_a_loss_keep_the_pilot_and_not_the_release(tmp_path):
    found = piloted(tmp_path, rows(10))
    assert found["plates lost"].verdict is MEETS
    assert "at most 26 %" in found["plates lost"].message
    assert piloted(tmp_path, rows(9))["plates lost"].verdict is MARGINAL
    assert piloted(tmp_path, rows(10), stage=Stage.RELEASE)["plates lost"].verdict is MARGINAL
    assert piloted(tmp_path, rows(60, lost=1), stage=Stage.RELEASE)["plates lost"].verdict is MEETS
    assert piloted(tmp_path, rows(60, lost=2), stage=Stage.RELEASE)["plates lost"].verdict is MARGINAL


def test_plates_to_print_for_the_bound(tmp_path):
    lost = piloted(tmp_path, rows(9))["plates lost"]
    assert "Print 1 more plate without a loss" in lost.change
    assert piloted(tmp_path, rows(10, lost=5))["plates lost"].verdict is FAILS


def test_parts_of_plates_that_came_through(tmp_path):
    assert piloted(tmp_path, rows(60, copies=10))["parts rejected"].verdict is MEETS
    bad = [f"p,,pilot,{n},m{n % 3},10,no,4,cracked" for n in range(12)]
    found = piloted(tmp_path, bad)
    assert found["parts rejected"].verdict is FAILS
    assert "cracked (12)" in found["parts rejected"].message
    assert found["part"].verdict is FAILS


def test_all_plates_lost_have_no_parts(tmp_path):
    found = piloted(tmp_path, rows(6, lost=6))
    assert "parts rejected" not in found
    assert found["part"].verdict is FAILS


def test_three_machines_are_asked(tmp_path):
    assert piloted(tmp_path, rows(12))["machines"].verdict is MEETS
    found = piloted(tmp_path, rows(12, machines=2))["machines"]
    assert found.verdict is MARGINAL
    assert "at least 3 machines, 1 more" in found.change


def values(numbers, machines=3):
    """Of a pilot of so many plates, each machine in turn."""
    return [f"p,,{n % machines},R1,{value:.5f}" for n, value in enumerate(numbers)]


def normal(mean, deviation, count=30):
    """Even quantiles, shuffled, of exactly that mean and deviation."""
    base = np.random.default_rng(4).normal(size=count)
    return mean + deviation * (base - base.mean()) / base.std(ddof=1)


def test_a_dimension_by_its_capability(tmp_path):
    found = piloted(tmp_path, rows(12), values(normal(10.05, 0.04)), requirements=(FIT,))["dimension R1"]
    assert "Cpk 1.25" in found.message
    assert found.verdict is MARGINAL
    assert "Shift the mean by -0.05 mm" in found.change
    good = piloted(tmp_path, rows(12), values(normal(10.0, 0.02)), requirements=(FIT,))["dimension R1"]
    assert good.verdict is MEETS
    bad = piloted(tmp_path, rows(12), values(normal(10.15, 0.06)), requirements=(FIT,))["dimension R1"]
    assert bad.verdict is FAILS
    few = piloted(tmp_path, rows(12), values(normal(10.0, 0.02, 29)), requirements=(FIT,))["dimension R1"]
    assert few.verdict is MARGINAL
    assert "at least 30 over all machines" in few.change


def test_machines_that_differ_are_told(tmp_path):
    apart = normal(10.0, 0.01) + 0.05 * (np.arange(30) % 3 - 1)
    found = piloted(tmp_path, rows(12), values(apart), requirements=(FIT,))["dimension R1"]
    assert "Machines differ" in found.message
    assert "Bring the machines' means together" in found.change
    assert found.verdict is MARGINAL
    alike = piloted(tmp_path, rows(12), values(normal(10.0, 0.02)), requirements=(FIT,))["dimension R1"]
    assert "not told apart" in alike.message


def test_a_dimension_without_tolerance_or_without_spread(tmp_path):
    found = piloted(tmp_path, rows(12), values(normal(10.0, 0.02)))
    assert found["dimension R1"].verdict is OPEN
    assert "has no tolerance in the submission" in found["dimension R1"].message
    flat = piloted(tmp_path, rows(12), values([10.0] * 5), requirements=(FIT,))["dimension R1"]
    assert flat.verdict is OPEN
    assert "without spread" in flat.message


def test_what_is_critical_and_not_measured_is_told(tmp_path):
    found = piloted(tmp_path, rows(12), requirements=(FIT,))["not measured"]
    assert found.verdict is OPEN
    assert "R1" in found.message
    assert "not measured" not in piloted(tmp_path, rows(12), requirements=(replace(FIT, critical=False),))


def test_names_of_a_table_are_no_other_subjects(tmp_path):
    hostile = ["p,,0,part,1", "p,,0,part,2", "p,,1,$x^2_{$,1", "p,,1,$x^2_{$,3", "p,,1,machines,1"]
    found = piloted(tmp_path, [row.replace(",m", ",$\\frac{m") for row in rows(12)], hostile)
    assert {"dimension part", "dimension machines"} <= set(found)


def test_plates_of_another_revision_are_not_counted(tmp_path):
    found = piloted(tmp_path, [*rows(10), "p,A,pilot,99,m,4,yes,,"])
    assert "Of another revision, which is another part, 1 plate not counted" in found["part"].message
    assert found["plates lost"].measurements[0].value < 0.2


def test_the_check_names_itself():
    assert subject.CODE == "PD-06"
