"""What a document says and in which order, apart from any page."""

from dataclasses import replace

from reviewkit.document.outline import (
    domains_of,
    grouped,
    limits_used,
    needs_of,
    stops_of,
    titles_of,
    unchecked,
)
from reviewkit.model import Origin, Verdict


def test_one_stop_a_kind_and_part_with_a_place_before_the_whole(fake_review, fake_drawings) -> None:
    stops = stops_of(fake_review, fake_drawings)
    kinds = [(stop.finding.code, stop.finding.part) for stop in stops]
    assert len(set(kinds)) == len(kinds)
    failing = {(f.code, f.part) for f in fake_review.findings if f.verdict is Verdict.FAILS}
    assert set(kinds) == failing


def test_every_finding_stands_once_in_its_group(fake_review, fake_drawings) -> None:
    told = [f.key for _, groups in domains_of(fake_review, fake_drawings) for g in groups
            for f in [*(x for first, alike in g.open for x in (first, *alike)), *g.met]]  # fmt: skip
    assert sorted(told) == sorted(f.key for f in fake_review.findings)


def test_findings_alike_in_all_but_place_share_a_row(fake_review) -> None:
    one = next(f for f in fake_review.findings if f.verdict is Verdict.FAILS and f.change)
    other = replace(one, key=one.key + " again", subject="elsewhere")
    different = replace(one, key=one.key + " otherwise", change="something else")
    rows = grouped("X", [one, other, different]).open
    assert [[first.key, *(x.key for x in alike)] for first, alike in rows] == [[one.key, other.key], [different.key]]


def test_needs_name_units_facts_and_open_checks(fake_review) -> None:
    needs = " ".join(needs_of(fake_review, titles_of(fake_review.findings, {"PR-01": "Plate fit"})))
    assert any(part.units_origin is not Origin.CONFIRMED for part in fake_review.parts) and "Confirm the units" in needs
    for finding in unchecked(fake_review):
        assert finding.code in needs


def test_limits_stand_once_by_id(fake_review) -> None:
    used = [limit.id for limit in limits_used(fake_review.findings)]
    assert used == sorted(set(used)) and used
