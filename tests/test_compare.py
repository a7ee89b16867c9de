"""Revisions side by side: what became of each finding, with the numbers; documents from tiny parts."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import trimesh

from reviewkit import compare, review
from reviewkit.compare import State, changes, compared
from reviewkit.decisions import decide, reviewed, standing
from reviewkit.errors import ReviewError
from reviewkit.model import (
    Finding,
    Limit,
    Measurement,
    Place,
    Sense,
    Severity,
    Source,
    Status,
    Verdict,
    finding_key,
)
from reviewkit.record import Record

WALL = Limit("wall", "wall", 0.8, "mm", Sense.MIN, Source("", Status.PRACTICE))
HOLES = Limit("holes", "holes", 2, "count", Sense.MAX, Source("", Status.PRACTICE))


def found(
    code: str,
    subject: str,
    verdict: Verdict,
    value: float | None = None,
    limit: Limit = WALL,
    spread: float = 0.0,
    at: tuple[float, float, float] | None = None,
) -> Finding:
    numbers = () if value is None else (Measurement(limit.quantity, value, limit.unit, spread),)
    where = () if at is None else (Place(at),)
    return Finding(finding_key(code, "p", subject), code, "printability", "p", subject, verdict, Severity.YIELD,
                   f"{subject} {verdict.value}", measurements=numbers, limits=(limit,), where=where)  # fmt: skip


@pytest.fixture(scope="module")
def boxes(tmp_path_factory) -> dict[str, Path]:
    """A box, and the same with a boss and a second part."""
    folders = {}
    for revision, top in (("A", 0.0), ("B", 4.0)):
        folder = tmp_path_factory.mktemp(f"rev{revision}")
        box = trimesh.creation.box(bounds=[[0, 0, 0], [30, 20, 6]])
        if top:
            boss = trimesh.creation.box(bounds=[[5, 5, 6], [15, 15, 6 + top]])
            box = trimesh.boolean.union([box, boss], engine="manifold")
        box.export(folder / "p.stl")
        (folder / "submission.toml").write_text(
            f'[submission]\nnumber = "N-1"\nrevision = "{revision}"\nname = "Block"\n'
            f"received = 2026-03-0{1 + bool(top)}\n"
            '[[part]]\nid = "p"\nfile = "p.stl"\nunits = "mm"\nmaterial = "PETG"\n'
        )
        folders[revision] = folder
    return folders


@pytest.fixture(scope="module")
def reviews(boxes):
    return {revision: review.review(folder) for revision, folder in boxes.items()}


def states(before: list[Finding], after: list[Finding], reviews) -> dict[str, State]:
    old, new = (replace(reviews["A"], findings=tuple(f)) for f in (before, after))
    return {change.finding.subject: change.state for change in changes(old, new)}


M, F, W, N = Verdict.MEETS, Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED


@pytest.mark.parametrize(
    ("before", "after", "state"),
    [
        ((F, 0.5), (M, 1.0), State.SETTLED),
        ((F, 0.5), None, State.SETTLED),
        (None, (F, 0.5), State.NEW),
        ((M, 1.0), (W, 0.7), State.NEW),
        ((F, 0.3), (W, 0.6), State.BETTER),
        ((W, 0.6), (F, 0.3), State.WORSE),
        ((F, 0.3), (F, 0.35), State.BETTER),
        ((F, 0.35), (F, 0.3), State.WORSE),
        ((F, 0.3), (F, 0.3), State.UNCHANGED),
        ((F, 0.3), (N, None), State.GONE),
        ((N, None), (N, None), State.UNCHANGED),
        ((N, None), (F, 0.3), State.NEW),
        ((N, None), (M, 1.0), State.SETTLED),
    ],
)
def test_what_became_of_a_finding(before, after, state, reviews) -> None:
    sides = [[found("PR-04", "leaf", *side)] if side else [] for side in (before, after)]
    assert states(*sides, reviews) == {"leaf": state}


def test_what_met_and_meets_is_not_told(reviews) -> None:
    assert states([found("PR-04", "leaf", M, 1.0)], [found("PR-04", "leaf", M, 1.2)], reviews) == {}


def test_better_is_beyond_the_uncertainty_and_towards_the_limit(reviews) -> None:
    near = [found("PR-04", "leaf", F, value, spread=0.04) for value in (0.3, 0.35)]
    assert states(near[:1], near[1:], reviews) == {"leaf": State.UNCHANGED}
    fewer = [found("PR-03", "holes", F, value, HOLES) for value in (23, 9)]
    assert states(fewer[:1], fewer[1:], reviews) == {"holes": State.BETTER}


def test_a_feature_named_by_its_place_keeps_its_story_when_it_moves_a_little(reviews) -> None:
    before = found("PR-05", "at 10 0 0", F, 0.1, at=(10.0, 0.0, 0.0))
    near, far = (found("PR-05", f"at {x} 0 0", F, 0.2, at=(float(x), 0.0, 0.0)) for x in (14, 40))
    assert states([before], [near], reviews) == {"at 14 0 0": State.BETTER}
    assert states([before], [far], reviews) == {"at 10 0 0": State.SETTLED, "at 40 0 0": State.NEW}
    # A region is a thing of its own, wherever it lies.
    region = found("PR-05", "hinge", F, 0.2, at=(11.0, 0.0, 0.0))
    assert states([before], [region], reviews) == {"at 10 0 0": State.SETTLED, "hinge": State.NEW}


def test_the_surface_moved_where_the_boss_is(reviews) -> None:
    done = compared(reviews["A"], reviews["B"])
    moved = done.surfaces["p"]
    assert moved.distance_mm.max() == pytest.approx(4.0, abs=1e-6) and abs(moved.removed_mm).max() < 4.0 + 1e-6
    assert not moved.registered
    assert [d.name for d in done.drawings][-1] == "moved-p-spread" and all(d.alt for d in done.drawings)


def test_documents_say_what_was_promised_and_what_came_of_it(reviews, tmp_path) -> None:
    record = Record(tmp_path / "records")
    old = replace(reviews["A"], findings=(found("PR-04", "leaf", F, 0.3), found("PR-05", "slot", F, 0.1)))
    new = replace(reviews["B"], findings=(found("PR-04", "leaf", M, 1.0), found("PR-05", "slot", F, 0.1)))
    reviewed(record, old, "a1", "Ada Review")
    seen = standing(record, "N-1", "A")
    for finding in old.findings:
        decide(record, seen, finding.key, "rework", "Ada Review", "thicker <b>", owner="Ben Draw", due="2099-01-01")
    page = compare.written(compared(old, new), tmp_path / "out", compare.promised(tmp_path / "records", old))
    text = page.read_text()
    assert "Promised and done" in text and "Ben Draw" in text and "thicker &lt;b&gt;" in text
    told = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert {c["key"]: c["state"] for c in told["changes"]} == {"PR-04:p:leaf": "settled", "PR-05:p:slot": "unchanged"}
    assert (tmp_path / "out" / "comparison.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert compare.promised("", old) is None and compare.promised(tmp_path / "nowhere", old) is None


def test_a_review_on_disk_keeps_what_a_comparison_needs(reviews, tmp_path) -> None:
    review.written(reviews["A"], tmp_path / "a")
    again = compare.review_of(tmp_path / "a")
    assert compared(again, reviews["A"]).surfaces["p"].farthest_mm < 1e-9


def test_parts_that_do_not_match_are_refused_in_a_line(reviews) -> None:
    other = replace(reviews["A"].parts[0], id="q")
    two = replace(reviews["A"], parts=(other, replace(other, id="r")))
    with pytest.raises(ReviewError, match="no part in common: p against q, r; keep the ids"):
        compared(reviews["A"], two)
    assert compared(reviews["A"], replace(reviews["A"], parts=(other,))).surfaces["q"].farthest_mm < 1e-9
    with pytest.raises(ReviewError, match="kept no shape of the part"):
        compared(replace(reviews["A"], parts=(replace(reviews["A"].parts[0], shape=None),)), reviews["A"])
