"""Break-even with a tool: tooling 12 000, tooled part 0.18 (worked example, derived)."""

import pytest

from reviewkit.measure.break_even import break_even


@pytest.mark.parametrize(("printed", "parts"), [(0.55, 32433), (0.6730432, 24339)])
def test_as_worked(printed, parts):
    assert break_even(12_000, printed, 0.18) == parts
    assert 12_000 + 0.18 * parts <= printed * parts
    assert 12_000 + 0.18 * (parts - 1) > printed * (parts - 1)


def test_whole_quotients_are_not_rounded_up():
    assert 0.3 / (0.7 - 0.4) > 1
    assert break_even(0.3, 0.7, 0.4) == 1
    assert break_even(1000, 0.3, 0.1) == 5000
    assert break_even(0.001, 0.3, 0.1) == 1


@pytest.mark.parametrize("printed", [0.18, 0.1])
def test_printing_may_always_be_cheaper(printed):
    assert break_even(12_000, printed, 0.18) is None


def test_a_tool_that_wears_out_too_soon_never_pays():
    assert break_even(12_000, 0.55, 0.18, life=32_433) == 32_433
    assert break_even(12_000, 0.55, 0.18, life=32_432) is None
