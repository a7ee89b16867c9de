"""FL-03 and FL-04 against flights without air in closed form, both sides of their bounds, and the launch of SA-05.

Range in a vacuum: any text on classical mechanics.  Within 20 degrees and broadside at 90: common practice.
"""

import math

import numpy as np
import pytest

from reviewkit.checks.flight.path import arrival, flight_path
from reviewkit.checks.requirements import requirements
from reviewkit.checks.safety.projectiles import projectiles
from reviewkit.limits import load_limits
from reviewkit.model import Verdict

MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED


@pytest.mark.parametrize(
    ("flare", "zones", "expected"),
    [(0.0, False, (FAILS, MARGINAL)), (0.0, True, (MARGINAL, MARGINAL)), (12.0, True, (MEETS, MEETS))],
)  # fmt: skip
def test_three_darts(darts, flare, zones, expected):
    case = darts.workpiece(darts.mesh(flare), darts.graded() if zones else ())
    path, end = darts.judged(flight_path, case), darts.judged(arrival, case)
    assert (path.verdict, end.verdict) == expected
    assert ("tumbles" in path.message) == (path.verdict is FAILS)
    if path.verdict is not MEETS:
        assert "Give it a tail" in path.change


def test_heavy_in_thin_air_it_flies_as_in_a_vacuum(darts, values):
    """v cos e T with T = [v sin e + sqrt((v sin e)2 + 2 g h)] / g: 20 degrees from 1.2 m at 5 m/s."""
    case = darts.workpiece(darts.mesh(12.0), darts.graded())
    found = values(darts.judged(flight_path, case, flight_density="1e-6"))
    rise = 5 * math.sin(math.radians(20))
    time = (rise + math.sqrt(rise**2 + 2 * 9.80665 * 1.2)) / 9.80665
    assert found["time of flight"] == pytest.approx(time, rel=1e-5)
    assert found["range"] == pytest.approx(5 * math.cos(math.radians(20)) * time, rel=1e-5)
    end = values(darts.judged(arrival, case, flight_density="1e-6"))
    assert end["speed on arrival"] == pytest.approx(math.sqrt(25 + 2 * 9.80665 * 1.2), rel=1e-5)
    aired = values(darts.judged(flight_path, case))
    assert 0.8 * found["range"] < aired["range"] < found["range"]


def test_energy_is_that_of_the_safety_check(darts, values):
    case = darts.workpiece(darts.mesh(12.0), darts.graded())
    end, safety = darts.judged(arrival, case), projectiles(case, load_limits())[0]
    assert values(end)["energy at launch"] == values(safety)["energy"]
    low, likely, high = end.evidence["launch_j"]
    assert low < likely < high
    assert likely == pytest.approx(values(safety)["mass"] * 1e-3 * 25 / 2)
    assert end.evidence["energy_j"][1, 0] == pytest.approx(likely)


def test_both_sides_of_the_greatest_angle(darts, values):
    case = darts.workpiece(darts.mesh(12.0), darts.graded())
    angle = values(darts.judged(flight_path, case))["greatest angle between nose and path"]
    assert darts.judged(flight_path, case, flight_nose_meets=f"{angle + 2}").verdict is MEETS
    assert darts.judged(flight_path, case, flight_nose_meets=f"{angle - 2}").verdict is MARGINAL
    assert darts.judged(
        flight_path, case, flight_nose_meets=f"{angle - 6}", flight_nose_fails=f"{angle - 3}"
    ).verdict is FAILS  # fmt: skip


def test_only_the_stated_range_is_judged(darts, values):
    """The flared dart's nose is furthest off at some 0.8 m, a quarter of its swing: less is seen over less."""
    angles = [
        values(darts.judged(flight_path, darts.workpiece(darts.mesh(12.0), darts.graded(), wanted=wanted)))[
            "greatest angle between nose and path"
        ]
        for wanted in (0.3, 3.0)
    ]
    assert angles[0] < angles[1]


def test_an_error_at_the_launch_grows(darts, values):
    case = darts.workpiece(darts.mesh(12.0), darts.graded())
    limits = [{"flight_error": error} for error in ("2", "10", "20")]
    whole = [darts.judged(flight_path, case, **changed) for changed in limits]
    assert [found.evidence["angle_deg"][1, 0] for found in whole] == pytest.approx([2, 10, 20])
    angles = [values(found)["greatest angle between nose and path"] for found in whole]
    assert angles[0] + 2 < angles[1] < angles[2] - 2


def test_range_that_is_asked_for(darts):
    far, near = (
        darts.judged(flight_path, darts.workpiece(darts.mesh(12.0), darts.graded(), wanted=wanted))
        for wanted in (9.0, 3.0)
    )
    assert far.verdict is FAILS
    assert "R1 asks for 9 m, which it does not reach" in far.message
    assert near.verdict is MEETS


def test_a_requirement_of_a_distance_is_answered(darts):
    told = requirements(darts.workpiece(darts.mesh(12.0), darts.graded()), load_limits())
    assert [found.verdict for found in told] == [MEETS]
    told = requirements(darts.workpiece(darts.mesh(12.0), darts.graded(), speed=None), load_limits())
    assert [(found.subject, found.verdict) for found in told] == [("R1", NOT_CHECKED)]


def test_too_slow_for_any_tail_is_told(darts):
    whole = darts.judged(flight_path, darts.workpiece(darts.mesh(), speed=1.5, wanted=None))
    # No distance is asked for, so that it must fly nose first is taken for granted.
    assert whole.verdict is MARGINAL and "taken for granted" in whole.guess
    assert "launch it faster too" in whole.change


def test_unknown_launch_is_not_checked(darts):
    case = darts.workpiece(darts.mesh(12.0), darts.graded(), speed=None)
    for check in (flight_path, arrival):
        whole = darts.judged(check, case)
        assert whole.verdict is NOT_CHECKED
        assert "speed_m_s" in whole.change


def test_rows_of_the_evidence_are_least_likely_and_greatest(darts):
    evidence = darts.judged(flight_path, darts.workpiece(darts.mesh(12.0), darts.graded())).evidence
    assert np.all(evidence["y_m"][:, -1] == pytest.approx(0, abs=1e-6))
    assert evidence["x_m"][0, -1] < evidence["x_m"][1, -1] < evidence["x_m"][2, -1]
