"""The inspection plan: what critical requirements and marginal findings ask to be measured.

Outside truth: 59 and 299 parts without a bad one show 95 and 99 % with 95 % confidence (binomial).
"""

import csv
import io

from reviewkit.inspection import inspection_plan, plan_lines
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Finding, Limit, Measurement, Sense, Setup, Severity, Source, Status, Verdict
from reviewkit.submission import PartEntry, Requirement, RequirementKind, Submission

LIMITS = load_limits()
SETUPS = {"p": Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)}
WALL = Limit("w", "wall", 0.8, "mm", Sense.MIN, Source("", Status.PRACTICE))


def submission(*requirements: Requirement) -> Submission:
    return Submission("T-1", parts=(PartEntry("p", "p.stl"),), requirements=requirements)


def found(code="PR-04", subject="rib", verdict=Verdict.MARGINAL, severity=Severity.YIELD, **more) -> Finding:
    domain = {"PR": "printability", "SA": "safety", "PD": "production"}[code[:2]]
    more = {"measurements": (Measurement("width", 0.7123456, "mm"),), "limits": (WALL,), **more}
    return Finding(f"{code}:p:{subject}", code, domain, "p", subject, verdict, severity, "Thin.", **more)


def plan(findings=(), *requirements):
    return plan_lines(submission(*requirements), findings, LIMITS, SETUPS)


def test_every_stage_counts_its_plates():
    first, pilot, release = plan()
    assert [line.sample for line in (first, pilot, release)] == ["1 plate", "10 plates", "60 plates"]
    assert [line.machines for line in (first, pilot, release)] == ["1", "at least 3", "at least 3"]
    assert [line.stage for line in (first, pilot, release)] == ["first article", "pilot", "release run"]


def test_a_critical_requirement_is_measured_at_each_stage():
    fit = Requirement("R1", RequirementKind.FIT, 123.456, -0.05, 0.05, "mm", critical=True)
    lines = [line for line in plan((), fit) if line.what == "R1"]
    assert [line.sample.split(",")[0] for line in lines] == ["5 parts", "30 parts", "59 parts"]
    assert {(line.nominal, line.lower, line.upper, line.unit) for line in lines} == {
        ("123.456", "123.406", "123.506", "mm")
    }
    assert {line.gauge for line in lines} == {"micrometer or pin gauges to 0.001 mm"}
    wide = Requirement("R1", RequirementKind.FIT, 12.0, -0.2, 0.2, "mm")
    lines = [line for line in plan((), wide) if line.what == "R1"]
    assert lines[0].gauge == "calliper to 0.01 mm"
    assert lines[2].sample.startswith("30 parts")
    told = Requirement("R1", RequirementKind.FORCE, 4.0, None, None, "N", verified="spring balance", critical=True)
    assert plan((), told)[1].gauge == "spring balance"
    loose = Requirement("R9", RequirementKind.SURFACE, note="smooth")
    assert not [line for line in plan((), loose) if line.what == "R9"]


def test_marginal_findings_are_measured_and_others_not():
    findings = [
        found(),
        found(subject="part"),
        found(subject="well", verdict=Verdict.MEETS),
        found(code="PD-04", subject="dear"),
        found(code="SA-02", subject="gap", severity=Severity.INJURY, measurements=(), limits=()),
    ]
    lines = [line for line in plan(findings) if line.what != "plates"]
    assert [line.what for line in lines] == ["PR-04 rib", "SA-02 gap"] * 3
    thin, gap = lines[-2:]
    assert (thin.nominal, thin.lower, thin.upper, thin.unit) == ("0.7123", "0.8", "", "mm")
    assert gap.gauge == "by eye against a kept sample"
    assert gap.sample.startswith("299 parts, none may fail; every part")
    alone = [line.what for line in plan([found(subject="part")]) if line.what != "plates"]
    assert alone == ["PR-04 part"] * 3


def test_the_table_is_safe_to_open():
    hostile = Requirement("=1+1", RequirementKind.FIT, 1.0, -1.0, 1.0, "mm", verified='@cmd\u202e,\n"x"', critical=True)
    content = inspection_plan(submission(hostile), [], LIMITS, SETUPS)
    rows = list(csv.reader(io.StringIO(content.decode())))
    assert {len(row) for row in rows} == {12}
    cells = [cell for row in rows for cell in row]
    assert "'=1+1" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "@")) or "\u202e" in cell or "\n" in cell]
    assert content == inspection_plan(submission(hostile), [], LIMITS, SETUPS)
