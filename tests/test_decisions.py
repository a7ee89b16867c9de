"""Decisions: each thing that refuses a release, what a disposition needs, what a new revision inherits."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from reviewkit.decisions import Disposition, conclude, decide, received, refusals, reviewed, standing
from reviewkit.errors import RecordError, StaleError
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import (
    Finding,
    Limit,
    Origin,
    Outcome,
    PartFacts,
    Review,
    Sense,
    Setup,
    Severity,
    Source,
    Status,
    Verdict,
    finding_key,
)
from reviewkit.record import Kind, Record

TODAY = date(2026, 3, 9)
LATER = "2099-12-31"
SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
PRACTICE = Limit("wall", "wall.thickness", 0.8, "mm", Sense.MIN, Source("", Status.PRACTICE))
LAW = Limit("rod", "rod", 5.0, "mm", Sense.MAX, Source("ASTM F963", Status.SEEN, law=("US",)))


def finding(code: str, verdict: Verdict, domain: str = "printability", *limits: Limit) -> Finding:
    key = finding_key(code, "p", "part")
    return Finding(key, code, domain, "p", "part", verdict, Severity.YIELD, f"{code} {verdict.value}", limits=limits)


def review(
    *findings: Finding,
    revision: str = "A",
    mesh: str = "aa",
    markets: tuple[str, ...] = ("US",),
    day: str = "2026-03-02",
) -> Review:
    part = PartFacts("p", "N-1", revision, "Part", "p.stl", mesh * 32, 1, "mm", Origin.CONFIRMED, "", 12, 1,
                     (10.0, 10.0, 10.0), 1000.0, SETUP)  # fmt: skip
    return Review(
        submission={"number": "N-1", "revision": revision, "name": "Part", "markets": list(markets), "received": day},
        parts=(part,), setup=SETUP, facts=(), findings=findings, actions=(), pictures=(),
        outcome_suggested=Outcome.CHANGES, outcome_reason="", kit_version="0", limits_sha256="",
    )  # fmt: skip


GOOD = finding("PR-01", Verdict.MEETS)
THIN = finding("PR-04", Verdict.FAILS, "printability", PRACTICE)
PINCH = finding("SA-02", Verdict.FAILS, "safety", LAW)
UNSAFE = finding("SA-01", Verdict.NOT_CHECKED, "safety")
UNSURE = finding("PR-11", Verdict.NOT_CHECKED)


@pytest.fixture
def record(tmp_path: Path) -> Record:
    return Record(tmp_path)


def noted(record: Record, *findings: Finding, sha: str = "r1", **more: object):
    reviewed(record, review(*findings, **more), sha, "Ada Review")
    return standing(record, "N-1", str(more.get("revision", "A")))


def concede(record: Record, seen, found: Finding, expiry: str = LATER) -> None:
    decide(record, seen, found.key, "concession", "Ada Review", "a fixture copes", approver="Cy Check", expiry=expiry)


def test_a_clean_review_may_be_released(record: Record) -> None:
    seen = noted(record, GOOD, finding("PR-03", Verdict.MARGINAL))
    assert refusals(seen, Outcome.RELEASE) == ()
    conclude(record, seen, "release", "Ada Review", quantity="500", stage="pilot")
    after = standing(record, "N-1", "A")
    assert after.outcome is Outcome.RELEASE
    assert after.terms == {"reason": "", "quantity": "500", "stage": "pilot"}


@pytest.mark.parametrize("found", [THIN, UNSURE])
def test_nothing_is_concluded_over_an_undecided_finding(record: Record, found: Finding) -> None:
    seen = noted(record, GOOD, found)
    for outcome in Outcome:
        assert any(f"without a disposition: {found.key}" in line for line in refusals(seen, outcome)), outcome
    with pytest.raises(RecordError, match=r"cannot get the outcome declined: 1 finding failing or not checked without"):
        conclude(record, seen, Outcome.DECLINED, "Ada Review")


def test_a_failing_finding_needs_a_concession_for_release(record: Record) -> None:
    seen = noted(record, THIN)
    decide(record, seen, THIN.key, "rework", "Ada Review", "thicken", owner="Ben Draw", due=LATER)
    seen = standing(record, "N-1", "A")
    assert refusals(seen, Outcome.CHANGES) == ()
    assert any("without a concession in force" in line for line in refusals(seen, Outcome.CONCESSIONS))
    concede(record, seen, THIN)
    seen = standing(record, "N-1", "A")
    assert refusals(seen, Outcome.CONCESSIONS) == ()
    assert refusals(seen, Outcome.RELEASE) == ("there are concessions, so it can only be a release with concessions",)


def test_a_concession_runs_out(record: Record) -> None:
    concede(record, noted(record, THIN), THIN, expiry=LATER)
    seen = standing(record, "N-1", "A")
    assert refusals(seen, Outcome.CONCESSIONS, date(2099, 12, 31)) == ()
    assert any(
        "without a concession in force" in line for line in refusals(seen, Outcome.CONCESSIONS, date(2100, 1, 1))
    )


def test_law_gets_no_concession(record: Record) -> None:
    seen = noted(record, PINCH)
    with pytest.raises(RecordError, match=r"SA-02:p:part fails a limit that is law in US; there is no concession"):
        concede(record, seen, PINCH)
    decide(record, seen, PINCH.key, "rework", "Ada Review", "widen", owner="Ben Draw", due=LATER)
    seen = standing(record, "N-1", "A")
    assert any("law, for which there is no concession: SA-02" in line for line in refusals(seen, Outcome.CONCESSIONS))


def test_law_of_another_market_is_a_bound_like_others(record: Record) -> None:
    seen = noted(record, PINCH, markets=("EU",))
    concede(record, seen, PINCH)
    assert refusals(standing(record, "N-1", "A"), Outcome.CONCESSIONS) == ()
    # Nobody said where it is sold: then it may be there.
    assert noted(record, PINCH, markets=(), sha="r2").findings[PINCH.key].law == ("US",)


def test_safety_that_was_not_checked_stands_against_a_release(record: Record) -> None:
    seen = noted(record, UNSAFE)
    decide(record, seen, UNSAFE.key, "defer", "Ada Review", "probe is on order", owner="Ben Draw", due=LATER)
    seen = standing(record, "N-1", "A")
    assert any("on safety not checked: SA-01" in line for line in refusals(seen, Outcome.RELEASE))
    assert refusals(seen, Outcome.INFORMATION) == ()
    decide(record, seen, UNSAFE.key, "not applicable", "Ada Review", "nothing moves")
    assert refusals(standing(record, "N-1", "A"), Outcome.RELEASE) == ()


@pytest.mark.parametrize(
    ("disposition", "given", "message"),
    [
        ("waive", {}, "'waive' is no disposition; choose one of rework, concession, not applicable, defer"),
        ("rework", {}, "rework of PR-04:p:part needs owner and due"),
        ("rework", {"owner": "Ben", "due": "soon"}, "due 'soon' is no date; write it as 2026-12-31"),
        ("rework", {"owner": "Ben", "due": "2026-03-08"}, "due 2026-03-08 is past; today is 2026-03-09"),
        ("defer", {"owner": "Ben"}, "defer of PR-04:p:part needs due"),
        ("concession", {"expiry": LATER}, "needs approver"),
        ("concession", {"approver": "Cy Check"}, "needs expiry"),
        ("concession", {"approver": " ada review", "expiry": LATER}, "approver of a concession .* is not the reviewer"),
    ],
)
def test_a_disposition_says_all_it_must(record: Record, disposition: str, given: dict[str, str], message: str) -> None:
    seen = noted(record, THIN)
    with pytest.raises(RecordError, match=message):
        decide(record, seen, THIN.key, disposition, "Ada Review", "because", today=TODAY, **given)
    assert standing(record, "N-1", "A").decisions == {}


def test_a_reason_and_a_known_finding_are_wanted(record: Record) -> None:
    seen = noted(record, THIN)
    with pytest.raises(RecordError, match="needs a reason"):
        decide(record, seen, THIN.key, Disposition.NOT_APPLICABLE, "Ada Review", "  ")
    with pytest.raises(RecordError, match="N-1 A has no finding 'PR-99:p:part'"):
        decide(record, seen, "PR-99:p:part", Disposition.NOT_APPLICABLE, "Ada Review", "because")


def test_two_who_decide_the_same_finding_meet(record: Record) -> None:
    seen = noted(record, THIN, UNSURE)
    concede(record, seen, THIN)
    decide(record, seen, UNSURE.key, "not applicable", "Cy Check", "no load")
    with pytest.raises(StaleError, match="disposition concession"):
        decide(record, seen, THIN.key, "not applicable", "Cy Check", "no")


def test_a_new_review_reopens_the_outcome(record: Record) -> None:
    conclude(record, noted(record, GOOD), Outcome.RELEASE, "Ada Review")
    assert noted(record, GOOD).outcome is Outcome.RELEASE  # the same review, noted again
    assert noted(record, GOOD, sha="r2").outcome is None


def sign(record: Record, who: str = "Ada Review", sha: str = "r1") -> None:
    record.append(
        Kind.SIGNED, "N-1", "A", who, {"role": "reviewer", "certificate": "c", "pdf_sha256": "p", "review_sha256": sha}
    )


def test_a_changed_mesh_voids_the_signature(record: Record) -> None:
    noted(record, GOOD)
    sign(record)
    assert [s.who for s in noted(record, GOOD).signatures] == ["Ada Review"]
    after = noted(record, GOOD, sha="r2", mesh="bb")
    assert after.signatures == ()
    assert [(s.who, why) for s, why in after.void] == [("Ada Review", "the mesh of p has changed since")]
    again = noted(record, GOOD, sha="r3", mesh="bb")
    sign(record, sha="r3")
    assert [why for _, why in again.void] == ["the mesh of p has changed since"]


def test_decisions_carry_over_until_a_measurement_settles_them(record: Record) -> None:
    seen = noted(record, THIN, UNSURE, finding("PR-05", Verdict.FAILS))
    decide(record, seen, THIN.key, "rework", "Ada Review", "thicken", owner="Ben Draw", due="2099-01-01")
    decide(record, seen, UNSURE.key, "defer", "Ada Review", "load to come", owner="Ben Draw", due="2099-01-01")
    decide(record, seen, "PR-05:p:part", "rework", "Ada Review", "widen", owner="Ben Draw", due="2099-01-01")
    after = noted(record, finding("PR-04", Verdict.MEETS), finding("PR-05", Verdict.FAILS), sha="b1", revision="B")
    points = {point.decision.finding: point for point in after.open_points}
    assert {key: point.now for key, point in points.items()} == {
        UNSURE.key: "not measured in this revision",
        "PR-05:p:part": "now fails",
    }
    assert points[UNSURE.key].decision.revision == "A"
    assert points[UNSURE.key].decision.late(date(2099, 1, 2)) and not points[UNSURE.key].decision.late(date(2099, 1, 1))
    # An open point that the new revision does not measure can still be closed by a decision.
    decide(record, after, UNSURE.key, "not applicable", "Ada Review", "the load is gone")
    assert [p.decision.finding for p in standing(record, "N-1", "B").open_points] == ["PR-05:p:part"]


def test_a_newer_revision_supersedes_and_an_older_one_entered_late_does_not(record: Record) -> None:
    noted(record, GOOD, revision="B", day="2026-04-01")
    old = noted(record, GOOD, revision="A", sha="a1", day="2026-03-02")
    assert old.superseded_by == "B"
    assert standing(record, "N-1", "B").superseded_by == ""
    assert any("revision B has superseded it" in line for line in refusals(old, Outcome.RELEASE))
    assert received(record, review(GOOD), "Ada Review") is None


def test_what_is_not_on_record_is_told_with_what_is(record: Record) -> None:
    with pytest.raises(RecordError, match="holds no N-1 revision A; it holds nothing of that number"):
        standing(record, "N-1", "A")
    noted(record, GOOD)
    with pytest.raises(RecordError, match="holds no N-1 revision C; it holds N-1 A"):
        standing(record, "N-1", "C")


def test_a_bare_mesh_goes_by_its_hash(record: Record) -> None:
    bare = replace(review(GOOD), submission={"number": "", "revision": None})
    event = reviewed(record, bare, "r", "Ada Review")
    assert (event.number, event.revision) == ("mesh-" + "aa" * 6, "-")


def test_sources_that_are_law_are_marked_in_the_tables() -> None:
    binding = {limit.source.title: limit.source.law for limit in load_limits().every() if limit.source.law}
    for title, markets in binding.items():
        assert title.startswith(("16 CFR", "ASTM F963", "EN 71-1")), title
        assert markets == (("EU",) if title.startswith("EN") else ("US",))
