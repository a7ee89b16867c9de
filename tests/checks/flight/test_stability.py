"""FL-02 against slender-body theory and Barrowman's fins worked out here, and both sides of its bounds.

A body bears 2 base / S with the centre at L - V / base (Munk 1924, NACA Report 184); fins by Barrowman 1967 (both from
memory).  A margin of a calibre: at least one diameter (page on Barrowman's equations, seen).
"""

import re

import numpy as np
import pytest

from reviewkit.checks.flight.stability import stays_ahead
from reviewkit.model import Verdict

MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS


def test_three_darts(darts, values):
    """Uniform: turns broadside; graded: trims, not proven; on a flare: a calibre and more."""
    uniform = darts.judged(stays_ahead, darts.workpiece(darts.mesh()))
    assert uniform.verdict is FAILS
    assert values(uniform)["angle that it comes back to"] == pytest.approx(90, abs=8)
    graded = darts.judged(stays_ahead, darts.workpiece(darts.mesh(), darts.graded()))
    assert graded.verdict is MARGINAL
    assert "not proven stable" in graded.message
    angle = values(graded)["angle that it comes back to"]
    assert f"settles at {angle:.0f} degrees" in graded.message
    assert 20 < angle < 75 < values(uniform)["angle that it comes back to"]
    flared = darts.judged(stays_ahead, darts.workpiece(darts.mesh(12.0), darts.graded()))
    assert flared.verdict is MEETS
    assert values(flared)["angle that it comes back to"] == 0
    assert "not proven" not in flared.message


def test_centre_of_pressure_of_a_flared_dart(darts, values):
    mesh = darts.mesh(12.0)
    found = values(darts.judged(stays_ahead, darts.workpiece(mesh, darts.graded())))
    at = 66 - mesh.volume / (np.pi * 144)
    assert found["centre of pressure behind the nose"] == pytest.approx(at, abs=0.5)
    # Moment slope of a slender body: -2 base / S times the margin; wavelength of its swing at any speed.
    assert found["pitch frequency"] * found["path of one swing"] == pytest.approx(5.0)


def test_fins_by_barrowman(darts, values):
    """Four swept fins of 12 mm on a body of 12 mm: worked out here from the drawn sizes."""
    size, calibre = 12.0, 12.0
    middle = np.hypot(size, size / 2 - size / 4)
    slope = (1 + 6 / (size + 6)) * 16 * (size / calibre) ** 2 / (1 + np.sqrt(1 + (2 * middle / (1.5 * size)) ** 2))
    place = 66 - size + size / 6 * (2 * size) / (1.5 * size) + (1.5 * size - size / 3) / 6
    found = values(darts.judged(stays_ahead, darts.workpiece(darts.finned(size, 1.2), darts.graded())))
    at = (2 * 2.0 + slope * place) / (2 + slope)
    assert found["centre of pressure behind the nose"] == pytest.approx(at, abs=0.6)
    assert found["static margin"] > 1


@pytest.mark.parametrize(("room", "verdict"), [(0.3, MEETS), (0.0, MARGINAL), (-0.3, MARGINAL)])
def test_both_sides_of_a_calibre(darts, values, room, verdict):
    case = darts.workpiece(darts.mesh(12.0), darts.graded())
    margin = values(darts.judged(stays_ahead, case))["static margin"]
    assert darts.judged(stays_ahead, case, flight_margin_meets=f"{margin - room}").verdict is verdict


def test_no_margin_fails_where_it_would_fly_broadside(darts, values):
    case = darts.workpiece(darts.mesh(), darts.graded())
    angle = values(darts.judged(stays_ahead, case))["angle that it comes back to"]
    assert darts.judged(stays_ahead, case, flight_trim_fails=f"{angle + 1}").verdict is MARGINAL
    assert darts.judged(stays_ahead, case, flight_trim_fails=f"{angle - 1}").verdict is FAILS


def test_the_change_that_is_asked_for_serves(darts, values):
    """The fins that the finding names, printed with the grading that it names, have the margin that it promises."""
    told = darts.judged(stays_ahead, darts.workpiece(darts.mesh())).change
    assert "no grading gives 1.2 calibres" in told
    size, solid = map(float, re.search(r"four fins of (\d+) mm chord and span and solid to ([\d.]+) mm", told).groups())
    # The finding rounds to whole millimetres.
    made = darts.workpiece(darts.finned(size + 0.5, 1.2), darts.graded(solid))
    assert values(darts.judged(stays_ahead, made))["static margin"] == pytest.approx(1.2, abs=0.35)


def test_a_grading_is_asked_for_where_it_is_enough(darts, values):
    """Uniform on a large flare: the tail is there, the light core is missing."""
    whole = darts.judged(stays_ahead, darts.workpiece(darts.mesh(12.0)))
    assert whole.verdict is not MEETS
    solid = float(re.search(r"solid from its nose to ([\d.]+) mm", whole.change).group(1))
    made = darts.workpiece(darts.mesh(12.0), darts.graded(solid))
    assert values(darts.judged(stays_ahead, made))["static margin"] == pytest.approx(1.2, abs=0.15)


def test_what_would_help_is_compared(darts):
    evidence = darts.judged(stays_ahead, darts.workpiece(darts.mesh())).evidence
    names, table = list(evidence["names"]), evidence["table"]
    assert names[0] == "as drawn"
    assert {"graded", "graded, round nose", "graded, flare", "graded, four fins", "graded, ribbon tail"} <= set(names)
    margin = dict(zip(names, table[:, 2], strict=True))
    assert margin["as drawn"] < margin["graded"] < 0 < margin["graded, flare"]
    assert margin["graded, four fins"] >= 1.2 - 1e-6
    assert np.isfinite(table[:, :6]).all()
    unknown = darts.judged(stays_ahead, darts.workpiece(darts.mesh(), speed=None)).evidence["table"]
    assert np.isnan(unknown[:, 4]).all()


def test_end_that_leads_taken_for_granted_is_no_failure(darts):
    assert darts.judged(stays_ahead, darts.workpiece(darts.mesh(), known=False)).verdict is MARGINAL
