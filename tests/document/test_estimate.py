"""The quoter's table: every number of production, its interval, its date; nothing that opens as a formula."""

import csv
import io
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from reviewkit.document.estimate import COLUMNS, estimate_csv
from reviewkit.measure.costing import TERMS
from reviewkit.model import Fact, Measurement, Origin, Verdict, finding_key

ISSUED = date(2031, 3, 3)


def rows(review, issued=ISSUED):
    told = list(csv.reader(io.StringIO(estimate_csv(review, issued).decode())))
    assert tuple(told[0]) == COLUMNS and {len(row) for row in told} == {len(COLUMNS)}
    return told[1:]


def value(told, what):
    (row,) = [row for row in told if row[2] == what]
    return row[3:7]


@pytest.fixture
def priced(fake_review):
    """The invented review with a cost, a time and an open point of production on its first part."""
    part = fake_review.parts[0].id
    cost = replace(
        fake_review.findings[0], key=finding_key("PD-04", part, "part"), code="PD-04", domain="production", part=part,
        verdict=Verdict.MEETS, guess="a guess",
        measurements=(
            Measurement("cost of a good part at 1,000", 0.6730432, "u", 0.05, "=invented"),
            Measurement("half-width of the cost over the cost", 0.0743, "-"),
            Measurement("an estimate holds for", 60, "days"),
        ),
        evidence={
            "at": np.array([1000]), "quantities": np.array([1000, 10_000]), "prices": np.array(["u", "0"]),
            "terms": np.vstack([np.arange(len(TERMS)) / 10, np.ones(len(TERMS))]),
            "steps": np.array(["one gram less in a part"]), "saved": np.array([0.0165789]),
        },
    )  # fmt: skip
    open_point = replace(
        cost, key=finding_key("PD-05", part, "part"), code="PD-05", verdict=Verdict.NOT_CHECKED, guess="", evidence={},
        message="Not known.", change="State due.", measurements=(Measurement("an estimate holds for", 30, "days"),),
    )  # fmt: skip
    facts = (
        Fact("use.cycles", "+100", Origin.ASSUMED, "@note"),
        Fact("submission.due", "2031-06-30", Origin.CONFIRMED),
    )
    return replace(fake_review, findings=(*fake_review.findings, cost, open_point), facts=facts)


def test_numbers_have_their_interval(priced):
    told = rows(priced)
    assert value(told, "cost of a good part at 1,000") == ["0.673043", "0.623043", "0.723043", "u"]
    assert value(told, "half-width of the cost over the cost") == ["0.0743", "", "", ""]


def test_terms_and_steps_are_told_at_the_orders_number(priced):
    told = rows(priced)
    for number, term in enumerate(TERMS):
        assert float(value(told, f"{term} at 1,000")[0]) == pytest.approx(number / 10)
    assert value(told, "saved by one gram less in a part")[0] == "0.0165789"


def test_it_holds_for_the_shortest_time_from_the_day_that_is_given(priced):
    told = rows(priced)
    assert value(told, "issued")[0] == "2031-03-03"
    assert value(told, "valid until")[0] == "2031-04-02"
    assert value(rows(priced, date(2031, 3, 4)), "valid until")[0] == "2031-04-03"


def test_open_points_and_assumptions_are_told(priced):
    told = rows(priced)
    assert value(told, "not checked")[0] == "Not known."
    assert value(told, "assumption: use.cycles")[0] == "'+100"
    assert value(told, "assumption")[0] == "a guess"
    assert not any("submission.due" in row[2] for row in told)


def test_nothing_opens_as_a_formula(priced):
    hostile = replace(priced, submission={**priced.submission, "name": '=HYPERLINK("x")', "customer": "@SUM(1)"})
    told = rows(hostile)
    assert value(told, "name")[0].startswith("'=") and value(told, "customer")[0].startswith("'@")
    assert [row[7] for row in told if row[2] == "cost of a good part at 1,000"] == ["'=invented"]
    assert not any(cell.startswith(("=", "+", "@")) for row in told for cell in row)


def test_findings_of_other_domains_are_left_out(fake_review):
    told = rows(replace(fake_review, findings=tuple(replace(f, domain="safety") for f in fake_review.findings)))
    assert not [row for row in told if row[1]]
    assert value(told, "valid until")[0] == "not priced"


def test_the_same_review_gives_the_same_bytes(priced):
    assert estimate_csv(priced, ISSUED) == estimate_csv(priced, ISSUED)
