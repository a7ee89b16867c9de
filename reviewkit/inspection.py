"""What to measure on first articles, in the pilot and at release: a table for the people who do it."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, fields

from reviewkit.document.text import spreadsheet_text
from reviewkit.judging import WHOLE
from reviewkit.limits import Limits
from reviewkit.measure.yields import pieces_without_loss
from reviewkit.model import Finding, Sense, Setup, Severity, Verdict
from reviewkit.submission import Requirement, RequirementKind, Stage, Submission, requirement_words, requirements_of

FILE_NAME = "inspection_plan.csv"

_STAGES = (Stage.FIRST_ARTICLE, Stage.PILOT, Stage.RELEASE)
# What a printed part is measured for; what a design only states is not found by measuring parts.
_DOMAINS = ("printability", "mechanics", "safety", "ergonomics")
_GAUGES = {
    "N": "force gauge",
    "N mm": "force gauge at a known arm",
    "deg": "protractor or picture with a scale",
    "g": "scales to 0.01 g",
    "s": "stopwatch",
    "mJ": "force gauge over the stroke, area under the curve",
    "MPa": "force gauge and section",
}
_BY_EYE = "by eye against a kept sample"
_COARSE = "calliper to 0.01 mm"
_FINE = "micrometer or pin gauges to 0.001 mm"
_KIND_GAUGES = {
    RequirementKind.SURFACE: _BY_EYE,
    RequirementKind.LIFE: "cycle rig, counter",
    RequirementKind.LOAD: "weights or force gauge, held for the stated time",
    RequirementKind.TEMPERATURE: "oven with its own thermometer",
    RequirementKind.FOOD_CONTACT: "accredited laboratory",
    RequirementKind.SKIN_CONTACT: "accredited laboratory",
}


@dataclass(frozen=True)
class PlanLine:
    """One thing to measure at one stage; ``what`` is the name that its values get in ``pilot_values.csv``."""

    stage: str
    part: str
    what: str
    looked_for: str
    nominal: str
    lower: str
    upper: str
    unit: str
    gauge: str
    sample: str
    machines: str
    because: str


def inspection_plan(
    submission: Submission, findings: Sequence[Finding], limits: Limits, setups: dict[str, Setup]
) -> bytes:
    """The inspection plan of a review, as CSV in UTF-8.

    Parameters
    ----------
    submission : Submission
    findings : sequence of Finding
        Of the review.
    limits : Limits
        Tables with the rows ``yield.*``.
    setups : dict of str to Setup
        Of each part by its id.

    Returns
    -------
    bytes
        A heading and one line for each thing at each stage; the plates of a stage first.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([field.name.replace("_", " ") for field in fields(PlanLine)])
    for line in plan_lines(submission, findings, limits, setups):
        writer.writerow([spreadsheet_text(cell) for cell in astuple(line)])
    return text.getvalue().encode()


def plan_lines(
    submission: Submission, findings: Sequence[Finding], limits: Limits, setups: dict[str, Setup]
) -> list[PlanLine]:
    """The lines of the inspection plan; parameters as for :func:`inspection_plan`."""
    lines = []
    for part, setup in setups.items():
        own = [found for found in findings if found.part == part]
        critical = [one for one in requirements_of(submission, part) if one.critical or one.nominal is not None]
        asked = _Samples(limits, setup)
        for stage in _STAGES:
            lines.append(_plates(part, stage, asked))
            lines += [_of_requirement(part, one, stage, asked) for one in critical]
            lines += _of_findings(part, own, stage, asked)
    return lines


@dataclass(frozen=True)
class _Samples:
    """How many plates, parts and machines each stage takes, by the rows ``yield.*``."""

    limits: Limits
    setup: Setup

    def value(self, name: str) -> float:
        return self.limits.value(f"yield.{name}", self.setup).value

    def bound(self, name: str) -> int:
        return round(self.limits.band(f"yield.{name}", self.setup).limits[0].value)

    def plates(self, stage: Stage) -> int:
        names = {Stage.FIRST_ARTICLE: "first_plates", Stage.PILOT: "pilot_plates", Stage.RELEASE: "release_plates"}
        return round(self.value(names[stage]))

    def machines(self, stage: Stage) -> str:
        return "1" if stage is Stage.FIRST_ARTICLE else f"at least {self.bound('machines')}"

    def parts(self, stage: Stage, is_critical: bool, may_injure: bool) -> str:
        if stage is Stage.FIRST_ARTICLE:
            return f"{round(self.value('first_sample'))} parts, or all of the plate"
        if stage is Stage.PILOT or not (is_critical or may_injure):
            each = -(-self.bound("values") // self.bound("machines"))
            return (
                f"{self.bound('values')} parts, {each} from each of {self.bound('machines')} machines, from all plates"
            )
        good = self.value("safety_reliability" if may_injure else "reliability")
        count = pieces_without_loss(self.value("confidence"), good)
        return f"{count} parts, none may fail" + ("; every part where it can be looked at" if may_injure else "")

    def gauge(self, unit: str, width: float | None) -> str:
        if unit != "mm":
            return _GAUGES.get(unit, _BY_EYE if unit in ("", "-", "count") else f"a gauge for {unit}")
        return _FINE if width is not None and width < self.value("calliper") else _COARSE


def _plates(part: str, stage: Stage, asked: _Samples) -> PlanLine:
    count = asked.plates(stage)
    return PlanLine(
        stage=_stage_words(stage),
        part=part,
        what="plates",
        looked_for="plates lost, and parts rejected on each plate that came through",
        nominal="0",
        lower="",
        upper="",
        unit="count",
        gauge="count; written into pilot.csv",
        sample=f"{count} plate{'s' if count > 1 else ''}",
        machines=asked.machines(stage),
        because="yield",
    )


def _of_requirement(part: str, one: Requirement, stage: Stage, asked: _Samples) -> PlanLine:
    width = one.upper - one.lower if one.lower is not None and one.upper is not None else None
    # A tolerance is written as its two ends, as a gauge shows them.
    low, high = (None if one.nominal is None or end is None else one.nominal + end for end in (one.lower, one.upper))
    return PlanLine(
        stage=_stage_words(stage),
        part=part,
        what=one.id,
        looked_for=requirement_words(one),
        nominal=_number(one.nominal),
        lower=_number(low),
        upper=_number(high),
        unit=one.unit,
        gauge=one.verified or _KIND_GAUGES.get(one.what) or asked.gauge(one.unit, width),
        sample=asked.parts(stage, one.critical, may_injure=False),
        machines=asked.machines(stage),
        because="critical requirement" if one.critical else "requirement with a number",
    )


def _of_findings(part: str, findings: Sequence[Finding], stage: Stage, asked: _Samples) -> Iterator[PlanLine]:
    """Marginal findings of places, and those on the whole part whose code has none."""
    marginal = [f for f in findings if f.verdict is Verdict.MARGINAL and f.domain in _DOMAINS]
    placed = {f.code for f in marginal if f.subject != WHOLE}
    for found in marginal:
        if found.subject == WHOLE and found.code in placed:
            continue
        measured = found.measurements[0] if found.measurements else None
        own = [limit for limit in found.limits if measured is not None and limit.unit == measured.unit]
        low = next((limit.value for limit in own if limit.sense is Sense.MIN), None)
        high = next((limit.value for limit in own if limit.sense is Sense.MAX), None)
        may_injure = found.severity is Severity.INJURY
        yield PlanLine(
            stage=_stage_words(stage),
            part=part,
            what=f"{found.code} {found.subject}",
            looked_for=found.message if measured is None else f"{measured.quantity}: {found.message}",
            nominal="" if measured is None else _number(float(f"{measured.value:.4g}")),
            lower=_number(low),
            upper=_number(high),
            unit="" if measured is None else measured.unit,
            gauge=_BY_EYE if measured is None else asked.gauge(measured.unit, None),
            sample=asked.parts(stage, is_critical=False, may_injure=may_injure),
            machines=asked.machines(stage),
            because=f"marginal finding, {found.severity.name.lower()}",
        )


def _stage_words(stage: Stage) -> str:
    return "release run" if stage is Stage.RELEASE else str(stage)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"
