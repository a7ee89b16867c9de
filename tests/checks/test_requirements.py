"""RQ-01: every requirement of a part is listed, and so is the lack of any."""

from types import SimpleNamespace

import pytest

from reviewkit.checks.requirements import requirements
from reviewkit.limits import load_limits
from reviewkit.mechanics import MechanicsCase
from reviewkit.model import Finding, Severity, Verdict
from reviewkit.submission import parse_submission

HEAD = """
[submission]
number = "T-1"

[[part]]
id = "clip"
file = "clip.stl"

[[part]]
id = "disc"
file = "disc.stl"

[[region]]
name = "rim"
part = "disc"
kind = "keep"
box = { min_mm = [0, 0, 0], max_mm = [1, 1, 1] }
"""
FORCE = """
[[requirement]]
id = "R1"
what = "force"
nominal = 18.0
tolerance = 0.3
unit = "N"
verified = "spring balance"
critical = true
part = "clip"
"""
OF_REGION = """
[[requirement]]
id = "R2"
what = "surface"
region = "rim"
"""
OF_NONE = """
[[requirement]]
id = "R3"
what = "life"
"""


def judged(text: str, part: str = "clip") -> list[Finding]:
    submission = parse_submission(HEAD + text)
    regions = tuple(region for region in submission.regions if region.part == part)
    moved = {region.name for region in regions}
    motions = tuple(SimpleNamespace(motion=motion) for motion in submission.motions if motion.region in moved)
    workpiece = SimpleNamespace(
        submission=submission, part=SimpleNamespace(id=part), regions=regions, motions=motions, said_to_be_rigid=True
    )
    findings = requirements(workpiece, load_limits())
    for found in findings:
        assert found.key == f"RQ-01:{part}:{found.subject}"
        assert (found.code, found.domain, found.part) == ("RQ-01", "intake", part)
        assert found.verdict is Verdict.NOT_CHECKED or "answered by a check" in found.message
        assert found.message.endswith(".")
    return findings


def test_a_requirement_is_told_with_its_numbers():
    (found,) = judged(FORCE)
    assert found.subject == "R1"
    assert found.severity is Severity.FUNCTION
    for words in ("R1", "force 18 N", "tolerance -0.3 / +0.3", "critical", "spring balance"):
        assert words in found.message
    assert "R1" in found.change


def test_what_is_not_critical_weighs_less():
    (found,) = judged(FORCE.replace("true", "false"))
    assert found.severity is Severity.YIELD
    assert "critical" not in found.message


def test_a_requirement_goes_to_its_own_part_its_regions_part_or_the_first():
    text = FORCE + OF_REGION + OF_NONE
    assert [found.subject for found in judged(text)] == ["R1", "R3"]
    assert [found.subject for found in judged(text, "disc")] == ["R2"]


def test_the_lack_of_any_is_told_once_with_what_to_do():
    (found,) = judged("")
    assert found.subject == "part"
    assert "states no requirement" in found.message
    assert found.change
    (other,) = judged("", "disc")
    assert other.verdict is Verdict.NOT_CHECKED


def test_a_part_without_its_own_asks_for_nothing_more():
    (found,) = judged(FORCE, "disc")
    assert found.message == "No requirement is stated for this part."
    assert found.change == ""


def test_a_fit_is_answered_by_its_check_and_not_listed_here():
    fit = FORCE.replace('"force"', '"fit"').replace('"N"', '"mm"')
    (found,) = judged(fit)
    assert found.verdict is Verdict.MEETS
    assert [f.subject for f in judged(fit + OF_NONE)] == ["R3"]


def test_a_force_on_what_moves_is_answered_by_its_check_and_not_listed_here():
    drawn = """
[[region]]
name = "arm"
part = "clip"
kind = "{kind}"
box = {{ min_mm = [0, 0, 0], max_mm = [1, 1, 1] }}
"""
    force = FORCE.replace('part = "clip"', 'region = "arm"')
    (found,) = judged(force + drawn.format(kind="moving"))
    assert found.verdict is Verdict.MEETS
    (found,) = judged(force + drawn.format(kind="grip"))
    assert found.subject == "R1"


def test_a_life_is_answered_where_something_bends(monkeypatch):
    assert [f.subject for f in judged(OF_NONE)] == ["R3"]
    monkeypatch.setattr(MechanicsCase, "idle_words", "")
    (found,) = judged(OF_NONE)
    assert found.verdict is Verdict.MEETS


@pytest.mark.parametrize("count", [2, 30])
def test_none_is_left_out(count):
    text = "".join(OF_NONE.replace("R3", f"N{number}") for number in range(count))
    assert [found.subject for found in judged(text)] == [f"N{number}" for number in range(count)]
