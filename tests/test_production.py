"""The case that all checks of production share: sets, orders and material by the kilogram."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup
from reviewkit.production import production_of
from reviewkit.submission import PartEntry, Submission
from reviewkit.workpiece import Workpiece

LIMITS = load_limits()


def block(*size):
    mesh = trimesh.creation.box(size or (40, 30, 20))
    return SimpleNamespace(mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces, dtype=np.int64))


def pieces(counts, **submission):
    parts = tuple(PartEntry(name, f"{name}.stl", count=count) for name, count in counts.items())
    order = Submission("T-1", parts=parts, **submission)
    setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
    beside: dict[str, Workpiece] = {}
    for name in counts:
        part = block()
        part.id = name
        beside[name] = Workpiece(order, part, setup, beside)
    return beside


def case(counts, **submission):
    return production_of(pieces(counts, **submission)["p"], LIMITS)


def test_facts_of_the_order():
    plain = case({"p": 3})
    assert (plain.count, plain.wanted, plain.days, plain.order, plain.sets_in_pack) == (3, None, None, None, 1)
    told = case({"p": 3, "q": 2}, quantity=1000, received=date(2031, 3, 3), due=date(2031, 4, 2))
    assert (told.wanted, told.days, told.parts_in_set) == (3000, 30, 5)
    assert told.order.printing_days == 30 - 10 - 3


def test_an_order_is_the_sum_of_its_parts():
    both = pieces({"p": 3, "q": 2}, quantity=1000)
    p, q = (production_of(both[name], LIMITS) for name in "pq")
    assert p.order.own == pytest.approx(1.5 * q.order.own)
    assert p.order.others == pytest.approx(q.order.own)
    assert p.order.printer_days == pytest.approx(q.order.printer_days)
    # Nobody said by when: all of the printers for ever would not do.
    assert p.order.share == np.inf


def test_a_workpiece_alone_is_its_own_set():
    alone = pieces({"p": 1})["p"]
    bare = production_of(Workpiece(alone.submission, alone.part, alone.setup), LIMITS)
    assert [one.workpiece.part.id for one in bare.of_set] == ["p"] and bare.of_set[0] is bare


def test_material_is_bought_for_what_is_scrapped_and_wasted_too():
    """500 kg are enough for the second price at 500 000 / (1.05 m) good parts, were all good."""
    one = case({"p": 1})
    mass_g, good = one.printing.mass_g, one.good.value
    parts = int(500_000 * good / (1.05 * mass_g))
    assert (one.rates(parts - 1).price_kg, one.rates(parts + 1).price_kg) == (18, 15)


def test_the_costs_of_a_set_add():
    both = pieces({"p": 3, "q": 2}, quantity=1000)
    p, q = (production_of(both[name], LIMITS) for name in "pq")
    unit, half = p.set_cost(1000)
    assert unit == pytest.approx(3 * p.cost(3000).unit + 2 * q.cost(2000).unit)
    assert half == pytest.approx(3 * p.cost(3000).half_width + 2 * q.cost(2000).half_width)


def test_work_of_hands_is_that_of_the_making():
    one = case({"p": 1})
    assert sum(one.hands_s(each) for each in one.operations) == pytest.approx(3600 * one.making.hands_h)


def test_a_plate_of_one_more_copy_is_worth_what_costs_say():
    one = case({"p": 1})
    copy = one.worth(1000)[3]
    assert copy.step == "one copy more on a plate"
    fuller = one.printing.with_copies(one.held + 1)
    assert fuller.plate_s > one.printing.plate_s
    assert copy.saved > 0 and copy.parts_a_day > 0


def test_the_intervals_hold_the_cost():
    made = case({"p": 1}).cost(1000)
    assert made.low < made.unit < made.high
