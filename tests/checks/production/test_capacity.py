"""PD-05 on orders just inside and just outside what the house makes; bounds of common practice are written out again.

An order meets with 80 % of the printers, its interval counted, and fails beyond all of them.  The worked farm stands in
the test of the measure; here plates, copies and yield come from the part.
"""

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production.capacity import capacity
from reviewkit.figures.cost import days_by_printers
from reviewkit.limits import load_limits
from reviewkit.model import Severity, Verdict
from reviewkit.printed import printing_of

LIMITS = load_limits()
MEETS, MARGINAL, FAILS, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
# From receipt to the first plate, and from the last to the customer [days].
START, SHIP = 10, 3


def block(*size):
    return trimesh.creation.box(size or (40, 30, 20))


def judged(workpiece):
    (found,) = capacity(workpiece, LIMITS)
    assert found.key == f"PD-05:{workpiece.part.id}:part" and found.message.endswith(".")
    assert bool(found.change) == (found.verdict is not MEETS)
    return found


def measured(found):
    return {m.quantity: m.value for m in found.measurements}


def a_day(workpiece, copies, good, uptime=0.85):
    """Good parts of a printer, by hand: 3 min between two plates."""
    plate_h = printing_of(workpiece, LIMITS, copies).plate_s / 3600
    return 24 / (plate_h + 3 / 60) * uptime * copies * good


@pytest.fixture
def sure(cases):
    """A yield without a span, so that only time is uncertain: 25 % of a plate's time."""
    cases.held(10)
    cases.good(0.95, 0.95, 0.95)
    return cases


def spread(workpiece):
    plate_h = printing_of(workpiece, LIMITS, 10).plate_s / 3600
    return 0.25 * plate_h / (plate_h + 3 / 60)


@pytest.mark.parametrize(
    ("bound", "factor", "expected"),
    [(0.8, 0.99, MEETS), (0.8, 1.01, MARGINAL), (1.0, 0.99, MARGINAL), (1.0, 1.01, FAILS)],
)
def test_an_order_just_inside_and_just_outside(sure, bound, factor, expected):
    """All of the interval within 80 % meets; all of it beyond 100 % fails."""
    one = sure.piece(block())
    side = 1 + spread(one) if bound < 1 else 1 - spread(one)
    quantity = round(factor * bound / side * 300 * 100 * a_day(one, 10, 0.95))
    found = judged(sure.piece(block(), quantity, 100 + START + SHIP))
    assert found.verdict is expected and found.severity is Severity.COST
    assert found.measurements[0].value == pytest.approx(factor * bound / side, rel=1e-3)
    assert measured(found)["printers for the order"] == pytest.approx(300 * factor * bound / side, rel=1e-3)
    assert measured(found)["days for printing"] == 100


def test_what_is_named_brings_the_order_in_time(sure):
    one = sure.piece(block())
    quantity = round(1.5 * 300 * 100 * a_day(one, 10, 0.95))
    found = judged(sure.piece(block(), quantity, 100 + START + SHIP))
    days = int(found.change.split("Agree on ")[1].split()[0].replace(",", ""))
    printers = int(found.change.split("give the order ")[1].split()[0].replace(",", ""))
    assert judged(sure.piece(block(), quantity, days)).verdict is MEETS
    assert judged(sure.piece(block(), quantity, days - 2)).verdict is MARGINAL
    sure.house(printers=printers)
    assert judged(sure.piece(block(), quantity, 100 + START + SHIP)).verdict is MEETS


def test_a_failure_on_invented_printers_is_only_marginal(sure):
    quantity = round(3 * 300 * 100 * a_day(sure.piece(block()), 10, 0.95))
    assert judged(sure.piece(block(), quantity, 113)).verdict is FAILS
    sure.house(sure.shipped)
    found = judged(sure.piece(block(), quantity, 113))
    assert found.verdict is MARGINAL and "invented" in found.guess


def test_a_set_is_counted_whole(sure):
    """Two parts that each take 60 % of the printers are together too many."""
    quantity = round(0.6 * 300 * 100 * a_day(sure.piece(block()), 10, 0.95))
    alone = judged(sure.piece(block(), quantity, 113))
    both = sure.pieces({"p": (block(), 1), "q": (block(), 1)}, quantity, 113)
    found = judged(both["p"])
    assert (alone.verdict, found.verdict) == (MEETS, MARGINAL)
    assert found.measurements[0].value == pytest.approx(2 * alone.measurements[0].value)
    assert "with the other parts of the set" in found.message
    torn = trimesh.creation.box((40, 30, 20)).submesh([[0, 1, 2, 3, 4]], append=True)
    found = judged(sure.pieces({"p": (block(), 1), "q": (torn, 1)}, quantity, 113)["p"])
    assert "(1 of the other parts could not be reckoned and left out)" in found.message


def test_counts_in_a_set_multiply_the_parts(sure):
    one = sure.pieces({"p": (block(), 4)}, 1000, 113)["p"]
    assert "The order's 4,000 parts take" in judged(one).message


@pytest.mark.parametrize(
    ("quantity", "days", "missing"),
    [(None, None, "quantity, received and due"), (1000, None, "received and due"), (None, 113, "quantity")],
)
def test_facts_that_are_missing_are_named(sure, quantity, days, missing):
    found = judged(sure.piece(block(), quantity, days))
    assert found.verdict is OPEN and found.change == f"State {missing} of the order."
    assert not found.limits
    # What needs no order is told all the same.
    assert measured(found)["good parts of a printer a day"] == pytest.approx(a_day(sure.piece(block()), 10, 0.95))
    assert ("days with all printers" in measured(found)) == (quantity is not None)


def test_an_order_without_a_day_to_print(sure):
    found = judged(sure.piece(block(), 1000, START + SHIP))
    assert found.verdict is FAILS and "none is left to print" in found.message
    assert found.measurements[0].value == np.inf
    assert found.change.startswith("Agree on 14 days")


def test_lead_time_and_work_in_process(sure):
    """Little's law by hand: printers at work, at 85 % of the calendar, each with a plate of ten."""
    quantity = 200_000
    one = sure.piece(block(), quantity, 113)
    found, told = judged(one), measured(judged(one))
    days = quantity / a_day(one, 10, 0.95)
    cycle_h = printing_of(one, LIMITS, 10).plate_s / 3600 + 3 / 60
    assert told["days with all printers"] == pytest.approx(days / 300 + cycle_h / 24)
    assert told["lead time with all printers"] == pytest.approx(START + days / 300 + cycle_h / 24 + SHIP)
    assert told["parts in process"] == pytest.approx(days / 100 * 0.85 * 10)
    # 45 s a plate, and 20 s of packing for each good part of it.
    plates_h = days / 100 * 24 / cycle_h * 0.85 / 24
    assert told["people at work"] == pytest.approx(plates_h * (45 + 20 * 10 * 0.95) / 3600 / 0.85)
    assert f"give or take {days / 100 * spread(one):.2g}" in found.message


def test_effectiveness_is_that_of_time_and_yield(sure):
    """Availability 0.85, performance plate over cycle, quality 0.95."""
    one = sure.piece(block())
    plate_h = printing_of(one, LIMITS, 10).plate_s / 3600
    expected = 0.85 * plate_h / (plate_h + 3 / 60) * 0.95
    assert measured(judged(one))["overall equipment effectiveness"] == pytest.approx(expected)


def test_nights_without_hands_slow_the_house_down(sure):
    by_night = measured(judged(sure.piece(block())))["good parts of a printer a day"]
    sure.house(attended_h=8.0)
    found = judged(sure.piece(block()))
    assert measured(found)["good parts of a printer a day"] < by_night
    assert "taken off in 8 hours of the day" in found.message


def test_what_does_not_fit_is_not_checked(cases):
    found = judged(cases.piece(block(360, 20, 10), 1000, 113))
    assert found.verdict is OPEN and "does not fit on the plate" in found.message


@pytest.mark.parametrize("printers", [1, 300])
def test_the_figure_draws_the_evidence(sure, printers):
    sure.house(printers=printers)
    found = judged(sure.piece(block(), 200_000, 113))
    figure = Figure()
    _, caption, _ = days_by_printers(found, figure)
    (axes,) = figure.axes
    x, y = axes.lines[0].get_data()
    assert x[-1] == max(printers, 2) and np.allclose(x * y, x[0] * y[0])
    assert "for the 100 days until it is due" in caption
    assert judged(sure.piece(block())).figures == ()
