"""How declared motions become models: arms by formula, regions in a section, what is shared.

Outside truth: a cantilever with an end force, 3 E I / L3 and 1.5 t d / L2 (Roark's Formulas for Stress and Strain, 7th
ed., table 8.1 case 1a, from memory); with a stiff piece of length e at its end ((L + e)3 - e3) / (3 E I) by virtual
work; a taper by numerical integration of its own.
"""

import numpy as np
import pytest
from scipy.integrate import quad

from reviewkit.mechanics import arm_force

E, L, T, B = 2000.0, 30.0, 0.8, 8.0
GIVE = 0.395 * T


def straight(width_mm: float = T, count: int = 7):
    return np.column_stack([np.zeros(count), np.linspace(0.0, L, count)]), np.full(count, width_mm)


def test_an_arm_of_one_width_is_a_cantilever():
    line, widths = straight()
    stiffness, along, strain = arm_force(line, widths, B, 0.0, E)
    inertia = B * T**3 / 12
    # The clamp gives way by the moment there, over its own length.
    assert 1 / stiffness == pytest.approx(L**3 / (3 * E * inertia) + GIVE * L**2 / (E * inertia), rel=0.003)
    assert along[[0, -1]] == pytest.approx((0.0, L))
    assert strain[0] == pytest.approx(stiffness * L * T / 2 / (E * inertia), rel=1e-9)
    assert strain[0] == pytest.approx(1.5 * T / L**2, rel=0.035)
    assert strain[-1] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("beyond_mm", [2.0, 10.0])
def test_a_stiff_nose_makes_the_lever_longer(beyond_mm):
    line, widths = straight()
    stiffness, _, _ = arm_force(line, widths, B, beyond_mm, E)
    inertia, reach = B * T**3 / 12, L + beyond_mm
    expected = (reach**3 - beyond_mm**3) / (3 * E * inertia) + GIVE * reach**2 / (E * inertia)
    assert 1 / stiffness == pytest.approx(expected, rel=0.003)


def test_a_taper_strains_evenly():
    line, _ = straight(count=61)
    widths = np.linspace(1.2, 0.6, 61)
    stiffness, along, strain = arm_force(line, widths, B, 0.0, E)
    width = lambda x: 1.2 - 0.6 * x / L  # noqa: E731
    own = quad(lambda x: 12 * (L - x) ** 2 / (E * B * width(x) ** 3), 0, L)[0]
    root = 0.395 * 0.9 * L**2 / (E * B * 0.9**3 / 12)
    assert 1 / stiffness == pytest.approx(own + root, rel=0.003)
    place = L / 3
    assert np.interp(place, along, strain) == pytest.approx(
        stiffness * (L - place) * width(place) / 2 / (E * B * width(place) ** 3 / 12), rel=1e-3
    )
