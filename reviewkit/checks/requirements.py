"""RQ-01: what the customer requires and no check of this kit answers.

A check that comes to answer a kind of requirement takes that kind out of this list.
"""

from reviewkit.judging import WHOLE, finding
from reviewkit.limits import Limits
from reviewkit.model import Finding, Severity, Verdict
from reviewkit.submission import Requirement, requirement_words
from reviewkit.workpiece import Workpiece

CODE = "RQ-01"
DOMAIN = "intake"


def requirements(workpiece: Workpiece, limits: Limits) -> list[Finding]:  # noqa: ARG001
    """List every stated requirement of this part, and say so when none is stated.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits

    Returns
    -------
    list of Finding
        One a requirement, or one for the lack of any.
    """
    submission = workpiece.submission
    own = [r for r in submission.requirements if _part_of(workpiece, r) == workpiece.part.id]
    if own:
        return [_open(workpiece, requirement) for requirement in own]
    if submission.requirements and workpiece.part.id != submission.parts[0].id:
        message, change = "No requirement is stated for this part.", ""
    else:
        message = (
            "The submission states no requirement: no fit, force, life, load, surface or contact to hold the part to."
        )
        change = "State what the part must do, with a number and how it is verified, or that nothing is required."
    return [finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION)]


def _part_of(workpiece: Workpiece, requirement: Requirement) -> str:
    """The part that a requirement is about: its own, its region's, else the first."""
    regions = {region.name: region.part for region in workpiece.submission.regions}
    return requirement.part or regions.get(requirement.region, "") or workpiece.submission.parts[0].id


def _open(workpiece: Workpiece, requirement: Requirement) -> Finding:
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        requirement.id,
        Verdict.NOT_CHECKED,
        f"Requirement {requirement.id}, {requirement_words(requirement)}, is not answered by any check of this kit.",
        f"Agree how {requirement.id} is measured on first articles, and by whom.",
        severity=Severity.FUNCTION if requirement.critical else Severity.YIELD,
    )
