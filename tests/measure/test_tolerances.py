"""Tolerance grades against their published table, and what a drawn size comes out at."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.tolerances import Interval, Process, tolerance_unit_mm
from reviewkit.model import Setup, Status

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)

# Values in micrometres of IT11 to IT14 by range of sizes, as printed at
# engineersvault.blogspot.com/2007/02/index-of-iso-hole-and-shaft.html.
GRADES = {
    (3, 6): (75, 120, 180, 300),
    (6, 10): (90, 150, 220, 360),
    (10, 18): (110, 180, 270, 430),
    (18, 30): (130, 210, 330, 520),
    (30, 50): (160, 250, 390, 620),
    (50, 80): (190, 300, 460, 740),
    (80, 120): (220, 350, 540, 870),
    (120, 180): (250, 400, 630, 1000),
    (180, 250): (290, 460, 720, 1150),
}


@pytest.mark.parametrize(("low", "high"), GRADES)
def test_grades_of_the_published_table(low, high):
    for grade, table_um in zip((11, 12, 13, 14), GRADES[low, high], strict=True):
        multiplier = load_limits().value(f"fit.it_multiplier.{grade}", SETUP).value
        for size_mm in (low + 0.01, high):
            # The standard rounds its table, most at 6 to 10: 143.7 to 150.
            assert 1000 * multiplier * tolerance_unit_mm(size_mm) == pytest.approx(table_um, rel=0.045)


def test_the_factor_of_30_to_50():
    # ISO 286-1: i = 1.5612 um, IT10 100, IT14 624 (620 in the table).
    assert 1000 * tolerance_unit_mm(40) == pytest.approx(1.5612, abs=1e-4)
    assert tolerance_unit_mm(30.001) == tolerance_unit_mm(50) != tolerance_unit_mm(30)


def test_general_tolerances_of_the_published_table():
    # ISO 2768-1 by class and upper end of range, plus and minus, in mm.  Columns f, m and v as printed at
    # scribd.com/document/585640440; column c from memory.
    table = {
        "f": {3: 0.05, 6: 0.05, 30: 0.1, 120: 0.15, 400: 0.2},
        "m": {3: 0.1, 6: 0.1, 30: 0.2, 120: 0.3, 400: 0.5},
        "c": {3: 0.2, 6: 0.3, 30: 0.5, 120: 0.8, 400: 1.2},
        "v": {6: 0.5, 30: 1.0, 120: 1.5, 400: 2.5},
    }
    rows = {limit.id: limit for limit in load_limits().every() if limit.id.startswith("fit-iso2768")}
    assert {f"fit-iso2768-{c}-{high}": v for c, column in table.items() for high, v in column.items()} == {
        name: row.value for name, row in rows.items()
    }
    assert {name.split("-")[2]: row.source.status for name, row in rows.items()} == {
        "f": Status.SEEN, "m": Status.SEEN, "c": Status.MEMORY, "v": Status.SEEN,
    }  # fmt: skip


def test_a_size_without_shifts_comes_out_as_drawn():
    made = Process(spread_mm=0.2).made(24.0)
    assert (made.low_mm, made.high_mm) == pytest.approx((23.8, 24.2))


def test_each_shift_by_hand():
    assert Process(shrinkage=(0.002, 0.006)).made(100.0).middle_mm == pytest.approx(99.6)
    assert Process(shrinkage=(0.002, 0.006)).made(100.0).width_mm == pytest.approx(0.4)
    # A hole of 6 with 8 flats: 6 cos 22.5 deg = 5.543, less 0.1 to 0.3.
    made = Process(share=np.cos(np.pi / 8), loss_mm=(0.1, 0.3)).made(6.0)
    assert (made.low_mm, made.high_mm) == pytest.approx((5.2433, 5.4433), abs=1e-4)
    assert Process(step_mm=0.2).made(3.0).width_mm == pytest.approx(0.2)
    # Known shifts add as squares, and the spread is the least.
    both = Process(loss_mm=(0.0, 0.6), step_mm=0.8)
    assert both.made(10.0).width_mm == pytest.approx(1.0)
    assert Process(loss_mm=(0.0, 0.6), step_mm=0.8, spread_mm=0.7).made(10.0).width_mm == pytest.approx(1.4)


SHARES = st.floats(0.9, 1.0)


@given(st.floats(0.5, 400), SHARES, st.floats(0, 0.02), st.floats(0, 0.4))
def test_what_is_drawn_instead_comes_out_right(wanted, share, shrinkage, loss):
    process = Process(share, (0.0, shrinkage), (0.0, loss), 0.2, 0.2)
    assert process.made(process.to_draw(wanted)).middle_mm == pytest.approx(wanted)


def test_intervals():
    one, other = Interval(1.0, 2.0), Interval(1.5, np.inf)
    assert one.middle_mm == 1.5
    assert not one.inside(other) and one.inside(other, 0.5) and Interval(3, 4).inside(other)
    assert not one.apart(other) and one.apart(Interval(2.1, 3)) and one.apart(Interval(0, 0.9))
    assert one.moved(-1, 2) == Interval(0.0, 4.0)
