"""Cost and throughput against worked cases and closed forms.

Worked cases: the kit's production note, sections 3.1 to 3.3, reckoned by hand from invented inputs; effectiveness by
ISO 22400-2:2014 (from memory).  Sensitivities are held against derivatives written out by hand.
"""

from dataclasses import replace

import pytest

from reviewkit.measure.costing import (
    ENERGY,
    FINISHING,
    MACHINE,
    MATERIAL,
    ORDER,
    OVERHEAD,
    PACKING,
    PLATE_WORK,
    SCRAP,
    TERMS,
    Making,
    Rates,
    cost,
    effectiveness,
    explained,
    good_a_day,
    in_process,
    people_for,
    plates_a_day,
    printer_hour,
    printers_for,
    with_interval,
    worth,
)

HOUR = printer_hour(
    price=1500, residual=0, life_years=3, share_at_work=0.8, maintenance_a_year=150, power_kw=0.12, energy_kwh=0.15
)
MAKING = Making(
    plate_h=4.0, idle_h=0.25, copies=12, mass_g=20, waste=0.05, good=0.95,
    plate_work_h=2 / 60, good_work_h=0.5 / 60, packing=0.03,
)  # fmt: skip
RATES = Rates(HOUR, price_kg=15, wage_h=24)
COST = cost(MAKING, RATES, 1000)
BEFORE_YIELD = 0.4208910


def test_the_hour_of_a_printer():
    assert HOUR.depreciation == pytest.approx(0.0713470, abs=5e-8)
    assert HOUR.maintenance == pytest.approx(0.0214041, abs=5e-8)
    assert HOUR.energy == pytest.approx(0.018)
    assert HOUR.total == pytest.approx(0.1107511, abs=5e-8)
    assert HOUR.standing == pytest.approx(HOUR.total - 0.018)


def test_a_residual_and_space_change_the_hour():
    other = printer_hour(
        price=1500, residual=300, life_years=3, share_at_work=0.8, maintenance_a_year=150, power_kw=0.12,
        energy_kwh=0.15, space_a_year=70.08,
    )  # fmt: skip
    assert other.depreciation == pytest.approx(1200 / (3 * 7008))
    assert other.space == pytest.approx(0.01)


def test_the_worked_cost_of_a_good_part():
    terms = COST.terms
    assert terms[MACHINE] + terms[ENERGY] == pytest.approx(0.0392244, abs=5e-8)
    assert terms[MATERIAL] == pytest.approx(0.315)
    assert terms[PLATE_WORK] == pytest.approx(0.0666667, abs=5e-8)
    assert sum(terms[name] for name in (MACHINE, ENERGY, MATERIAL, PLATE_WORK)) == pytest.approx(BEFORE_YIELD, abs=1e-7)
    assert terms[SCRAP] == pytest.approx(0.0221522, abs=5e-8)
    assert terms[FINISHING] == pytest.approx(0.2) and terms[PACKING] == 0.03
    assert terms[ORDER] == terms[OVERHEAD] == 0
    assert COST.unit == pytest.approx(0.6730432, abs=5e-8)
    assert COST.by_size[0] == (MATERIAL, pytest.approx(0.315 / 0.6730432, rel=1e-6))
    assert [term for term, _ in COST.by_size][:3] == [MATERIAL, FINISHING, PLATE_WORK]


def test_order_and_overhead():
    """The order is shared by its good parts; overhead lies on all of it."""
    dearer = cost(MAKING, replace(RATES, order=600, overhead=0.1), 2000)
    assert dearer.terms[ORDER] == pytest.approx(0.3)
    assert dearer.unit == pytest.approx(1.1 * (COST.unit + 0.3))


def test_work_before_inspection_is_lost_with_scrap_and_work_after_it_is_not():
    before, after = (
        cost(replace(MAKING, **{name: getattr(MAKING, name) + 36 / 3600}), RATES, 1).unit - COST.unit
        for name in ("printed_work_h", "good_work_h")
    )
    assert (before, after) == (pytest.approx(0.24 / 0.95), pytest.approx(0.24))


@pytest.mark.parametrize(("parts", "changed"), [(0, {}), (1, {"good": 0.0}), (1, {"good": 1.1}), (1, {"copies": 0})])
def test_what_has_no_cost_is_refused(parts, changed):
    with pytest.raises(ValueError, match="have no cost"):
        cost(replace(MAKING, **changed), RATES, parts)


def test_what_steps_are_worth():
    """Derivatives by hand; the production note gives 0.0165789 a gram."""
    minute, gram, point, copy, second = worth(MAKING, RATES, 0.9, fuller_plate_h=4.1)
    assert gram.saved == pytest.approx(0.0165789, abs=5e-8) and gram.parts_a_day == pytest.approx(0)
    assert minute.saved == pytest.approx(HOUR.total / 60 / 12 / 0.95)
    assert minute.parts_a_day == pytest.approx(24 * 0.9 * 12 * 0.95 * (1 / (4.25 - 1 / 60) - 1 / 4.25))
    assert point.saved == pytest.approx(BEFORE_YIELD * (1 / 0.95 - 1 / 0.96), rel=1e-6)
    assert point.parts_a_day == pytest.approx(24 / 4.25 * 0.9 * 12 * 0.01)
    assert second.saved == pytest.approx(24 / 3600 / 0.95)
    plate = HOUR.total * 4.25 + 24 * 2 / 60
    fuller = HOUR.total * 4.35 + 24 * 2 / 60
    assert copy.saved == pytest.approx((plate / 12 - fuller / 13) / 0.95)


def test_with_every_part_good_a_point_is_what_losing_one_costs():
    point = worth(replace(MAKING, good=1.0), RATES, 0.9, 4.1)[2]
    assert point.saved == pytest.approx(BEFORE_YIELD * (1 / 0.99 - 1), rel=1e-6)
    assert point.parts_a_day == pytest.approx(24 / 4.25 * 0.9 * 12 * 0.01)


def test_the_interval_adds_by_squares_on_each_side():
    made = with_interval(COST, RATES, plate_half_h=1.0, mass_half_g=2.0, low=0.9, high=0.98)
    time, mass = HOUR.total / 12 / 0.95, 2 * 0.0165789474
    up, down = BEFORE_YIELD * (1 / 0.9 - 1 / 0.95), BEFORE_YIELD * (1 / 0.95 - 1 / 0.98)
    assert made.high - made.unit == pytest.approx((time**2 + mass**2 + up**2) ** 0.5, rel=1e-5)
    assert made.unit - made.low == pytest.approx((time**2 + mass**2 + down**2) ** 0.5, rel=1e-5)
    assert made.half_width == pytest.approx(made.high - made.unit)
    sure = with_interval(COST, RATES, plate_half_h=0, mass_half_g=0, low=0.95, high=0.95)
    assert sure.low == sure.high == pytest.approx(COST.unit)


def test_a_difference_is_explained_term_by_term():
    heavier = replace(MAKING, mass_g=26, plate_h=3.5, good_work_h=0.75 / 60)
    new = cost(heavier, RATES, 1000)
    told = explained(COST, new)
    assert sum(one.change for one in told) == pytest.approx(new.unit - COST.unit)
    assert {one.term for one in told} == set(TERMS)
    assert told[0].term == FINISHING and told[0].because == "45 s of hands a good part instead of 30"
    assert told[1].term == MATERIAL and told[1].because == "26 g a part instead of 20"
    assert told[1].change == pytest.approx(6 * 1.05 * 0.015)
    machine = next(one for one in told if one.term == MACHINE)
    assert machine.change < 0 and machine.because == "18.8 min of a printer a part instead of 21.2"
    assert next(one for one in told if one.term == PACKING).because == ""
    assert all(one.change == 0 and not one.because for one in explained(COST, COST))


def test_the_worked_farm():
    plates = plates_a_day(4.25, 0.25, 0.9)
    assert plates == pytest.approx(5.0823529, abs=5e-8)
    assert good_a_day(1, plates, 12, 0.95) == pytest.approx(57.938824, abs=5e-7)
    assert good_a_day(300, plates, 12, 0.95) == pytest.approx(17381.647, abs=5e-4)
    assert printers_for(1_000_000, 60, plates, 12, 0.95) == pytest.approx(287.66, abs=5e-3)
    rate = 300 * plates / 24
    assert rate == pytest.approx(63.529412, abs=5e-7)
    assert in_process(rate, 4.25) == pytest.approx(270) == pytest.approx(300 * 0.9)
    assert people_for(rate, 2 / 60, 1.0) == pytest.approx(2.1176, abs=5e-5)
    assert people_for(rate, 2 / 60, 0.85) == pytest.approx(2.4913, abs=5e-5)
    assert good_a_day(100, plates_a_day(2.0, 0.0, 0.85), 10, 0.96) == pytest.approx(9792)


@pytest.mark.parametrize(
    ("plate_h", "attended_h", "plates"),
    [(10, 8, 1), (4, 8, 3), (16, 8, 1), (30, 8, 2 / 3), (2, 24, 12), (1, 12, 13)],
)
def test_a_plate_that_ends_with_nobody_there_waits(plate_h, attended_h, plates):
    """By hand: of 4 h plates in a shift of 8 h one begins at 0, one at 4, one at 8, and that one waits until 24;
    of 30 h ones one begins at 0, one at 30 and the next at 72."""
    assert plates_a_day(plate_h, 0.0, 1.0, attended_h) == pytest.approx(plates)


def test_being_attended_all_day_is_no_other_rule():
    assert plates_a_day(4.25, 0.25, 0.9, 23.999) == pytest.approx(plates_a_day(4.25, 0.25, 0.9), rel=2e-2)
    assert plates_a_day(4.25, 0.25, 0.9, 10) < plates_a_day(4.25, 0.25, 0.9)


def test_effectiveness():
    assert effectiveness(24, 21.6, 4.25, 5, 0.95) == pytest.approx(0.8411458, abs=5e-8)
    assert effectiveness(100, 90, 1, 85.5, 0.97) == pytest.approx(0.90 * 0.95 * 0.97)
