"""RQ-01: what the customer requires and no check of this kit answers.

A check that comes to answer a kind of requirement takes it out here.
"""

from reviewkit.flown import FlightCase
from reviewkit.judging import WHOLE, finding
from reviewkit.limits import Limits
from reviewkit.mechanics import MechanicsCase
from reviewkit.model import Finding, Severity, Verdict
from reviewkit.submission import Requirement, RequirementKind, requirement_words, requirements_of
from reviewkit.workpiece import Workpiece

CODE = "RQ-01"
DOMAIN = "intake"

# PR-12 answers each of these, with "not checked" and the reason where it must.
_ANSWERED = (RequirementKind.FIT,)


def requirements(workpiece: Workpiece, limits: Limits) -> list[Finding]:
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
    own = requirements_of(submission, workpiece.part.id)
    mechanics, flight = MechanicsCase(workpiece, limits), FlightCase(workpiece, limits)
    unanswered = [
        one for one in own if one.what not in _ANSWERED and not mechanics.answers(one) and not flight.answers(one)
    ]
    if unanswered:
        return [_open(workpiece, requirement) for requirement in unanswered]
    if own or (submission.requirements and workpiece.part.id != submission.parts[0].id):
        told = (
            "Every requirement of this part is answered by a check."
            if own
            else "No requirement is stated for this part."
        )
        verdict = Verdict.MEETS if own else Verdict.NOT_CHECKED
        return [finding(workpiece, CODE, DOMAIN, WHOLE, verdict, told, severity=Severity.FUNCTION)]
    message = "The submission states no requirement: no fit, force, life, load, surface or contact to hold the part to."
    change = "State what the part must do, with a number and how it is verified, or that nothing is required."
    return [finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change, severity=Severity.FUNCTION)]


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
