"""PD-04: the whole chain from mesh and prices to a cost, held against the cost written out by hand.

The worked cases of cost itself stand in the test of the measure.  Prices here are those that ship, as if they were a
factory's own: 24 an hour of work, 18 a kg of PETG below 500 kg, 600 an order, 10 % overhead.
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production.cost import QUANTITIES, cost_change, cost_of_part
from reviewkit.figures.cost import cost_terms, cost_worth
from reviewkit.limits import load_limits
from reviewkit.measure.costing import TERMS
from reviewkit.model import Severity, Verdict
from reviewkit.printed import printing_of

LIMITS = load_limits()
MEETS, MARGINAL, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED


def block(*size):
    return trimesh.creation.box(size or (40, 30, 20))


def judged(workpiece):
    (found,) = cost_of_part(workpiece, LIMITS)
    assert found.key == f"PD-04:{workpiece.part.id}:part" and found.message.endswith(".")
    assert found.severity is Severity.COST or found.verdict is OPEN
    assert bool(found.change) == (found.verdict is not MEETS)
    return found


def measured(found):
    return {m.quantity: m for m in found.measurements}


def test_the_cost_by_hand(cases):
    cases.held(12)
    cases.good(0.9, 0.95, 0.99)
    workpiece = cases.piece(block())
    made = printing_of(workpiece, LIMITS, 12)
    hour = 1500 / 22338 + 150 / 7446 + 40 / 7446 + 0.12 * 0.15
    # 50 g each and 1000 of them are less than 500 kg.
    before = hour * (made.plate_s / 3600 + 3 / 60) / 12 + made.mass_g * 1.05 * 0.018 + 24 / 3600 * 45 / 12
    # A pack a part, and cartons of 580 x 380 x 380 with boxes of 40 x 30 x 20 filling 0.6 of them.
    carton = int(580 * 380 * 380 * 0.6 / 24000)
    carton = min(carton, int(15000 / made.mass_g))
    after = 24 / 3600 * 20 + 0.06 + 1.5 / carton
    expected = 1.1 * (before / 0.95 + after + 600 / 1000)
    found = judged(workpiece)
    assert measured(found)["cost of a good part at 1,000"].value == pytest.approx(expected, rel=1e-9)
    assert found.verdict is MEETS


def test_all_quantities_and_the_orders_own_are_told(cases):
    found = judged(cases.piece(block(), quantity=2500))
    for number in (*QUANTITIES, 2500):
        assert f"{number:,}" in found.message
        assert f"cost of a good part at {number:,}" in measured(found)
    assert found.evidence["quantities"].tolist() == [1000, 2500, 10_000, 100_000, 1_000_000]
    assert found.evidence["terms"].shape == (5, len(TERMS))
    units = found.evidence["terms"].sum(axis=1)
    assert (np.diff(units) < 0).all()
    assert "the house" in found.message and "freight, tax and profit are not in them" in found.message


def test_terms_add_up_and_the_largest_is_named(cases):
    found = judged(cases.piece(block()))
    here = found.evidence["terms"][found.evidence["quantities"].tolist().index(10_000)]
    assert measured(found)["cost of a good part at 10,000"].value == pytest.approx(here.sum())
    assert f"most of it {TERMS[int(here.argmax())]} ({100 * here.max() / here.sum():.0f} %)" in found.message


@pytest.mark.parametrize(("low", "expected"), [(0.80, MEETS), (0.5, MARGINAL)])
def test_a_cost_that_nobody_knows_is_not_to_be_quoted(cases, low, expected):
    cases.good(low, 0.95, 0.97)
    found = judged(cases.piece(block(40, 40, 40)))
    assert found.verdict is expected
    if expected is MARGINAL:
        assert "three measured plates or more" in found.change and "known to 25 %" in found.change


def test_the_half_width_is_judged_just_inside_and_just_outside(cases):
    workpiece = cases.piece(block(40, 40, 40))

    def share(low):
        cases.good(low, 0.95, 0.95)
        return judged(workpiece).measurements[0].value

    low, high = 0.3, 0.95
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if share(middle) > 0.25 else (low, middle)
    cases.good(high + 1e-3, 0.95, 0.95)
    assert judged(workpiece).verdict is MEETS
    cases.good(low - 1e-3, 0.95, 0.95)
    assert judged(workpiece).verdict is MARGINAL


def test_a_set_costs_its_parts(cases):
    both = cases.pieces({"p": (block(), 1), "q": (block(20, 20, 10), 3)}, quantity=1000)
    found = judged(both["p"])
    units = [measured(judged(one))["cost of a good part at 1,000"].value if name == "p" else
             measured(judged(one))["cost of a good part at 3,000"].value for name, one in both.items()]  # fmt: skip
    told = f"The 4 parts of a set together cost {cases.own.money(units[0] + 3 * units[1])}"
    assert told in found.message
    assert "shared by its 2 kinds of parts" in found.message
    # 600 for the order, half of it for each kind, over 1000 parts.
    assert found.evidence["terms"][0][TERMS.index("cost of the order")] == pytest.approx(0.3)


def test_what_has_no_cost_says_why(cases):
    long = judged(cases.piece(block(360, 20, 10)))
    assert long.verdict is OPEN and "does not fit on the plate" in long.message
    cases.good(0.0, 0.0, 0.1)
    assert "no part of the pilot was good" in judged(cases.piece(block())).message
    cases.good(0.9, 0.95, 0.99)
    cases.house(replace(cases.own, materials={}))
    assert "have none for PETG" in judged(cases.piece(block())).message
    cases.house(replace(cases.own, printers={}))
    assert "no printer for the machine standard-240" in judged(cases.piece(block())).message


def test_a_torn_mesh_has_no_cost(cases):
    mesh = block()
    torn = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 0] < 0.5)], append=True)
    found = judged(cases.piece(torn))
    assert found.verdict is OPEN and found.message.startswith("The cost of a good part was not checked: ")


def test_the_same_input_gives_the_same_numbers(cases):
    one, two = (judged(cases.piece(block(), quantity=2500)) for _ in range(2))
    assert one.message == two.message and one.measurements == two.measurements


def test_a_revision_is_explained(cases):
    old, new = (judged(cases.piece(block(40, 30, height), quantity=2500)) for height in (20, 24))
    change = cost_change(old, new)
    assert change.parts == 2500 and change.same_prices and change.currency == "u"
    difference = (new.evidence["terms"] - old.evidence["terms"])[1].sum()
    assert sum(one.change for one in change.terms) == pytest.approx(difference)
    assert change.after.unit - change.before.unit == pytest.approx(difference)
    assert change.terms[0].term == "material" and "g a part instead of" in change.terms[0].because


def test_a_revision_of_another_order_is_compared_at_a_usual_number(cases):
    old, new = judged(cases.piece(block(), quantity=2500)), judged(cases.piece(block(), quantity=7000))
    assert cost_change(old, new).parts == 10_000


def test_costs_in_other_money_are_not_compared(cases):
    old = judged(cases.piece(block()))
    cases.house(replace(cases.own, currency="v"))
    assert cost_change(old, judged(cases.piece(block()))) is None
    cases.house(replace(cases.own, sha256="0" * 64))
    assert not cost_change(old, judged(cases.piece(block()))).same_prices
    cases.house(replace(cases.own, materials={}))
    assert cost_change(old, judged(cases.piece(block()))) is None


@pytest.mark.parametrize("quantity", [None, 2500])
def test_the_figures_draw_the_evidence(cases, quantity):
    found = judged(cases.piece(block(), quantity=quantity))
    figure = Figure()
    _, caption, alt = cost_terms(found, figure)
    assert len(figure.axes) == (4 if quantity is None else 5)
    for axes, row in zip(figure.axes, found.evidence["terms"], strict=True):
        widths = [bar.get_width() for bar in axes.containers[0]]
        assert sorted(widths) == pytest.approx(sorted(row))
        # The hatched bar is the largest.
        assert [bar.get_width() for bar in axes.containers[1]] == pytest.approx([row.max()])
    assert caption and "material" in alt
    figure = Figure()
    cost_worth(found, figure)
    (axes,) = figure.axes
    assert [bar.get_width() for bar in axes.containers[0]] == pytest.approx((1000 * found.evidence["saved"]).tolist())
