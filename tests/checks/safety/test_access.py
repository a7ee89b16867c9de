"""SA-01 on a box with a slider in it: closed it meets, with a window it fails for the fingers that fit in.

Bounds written out again: toy probes of 5.6 and 8.6 mm (16 CFR 1500.48/.49; B from memory), IEC 61032 test probe B of
12 mm with a tip of 4 mm, the rod of 1/2 in of ASTM F963 4.18.1, tables of ISO 13857 and table O-10 of 29 CFR 1910.217
as collected in the project's safety reference 1.1 and 1.2.
"""

from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.safety.access import _Case, access
from reviewkit.figures.access import probe_path, see_through
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.access import Opening, Probe, Reach
from reviewkit.model import Finding, Setup, Severity, Verdict
from reviewkit.submission import Box, Motion, MotionKind, Region, RegionKind, Submission, Use
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
SLIDER = Region("slider", "p", RegionKind.MOVING, Box((-20.1, -10.1, 5.9), (0.1, 10.1, 16.1)))
PUSH = Motion("slider", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 10.0))
ASIDE = Motion("slider", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 2.0))


def bar(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=np.array([low, high], float))


@lru_cache
def boxed(window_mm: float = 0.0, round_hole: bool = False) -> trimesh.Trimesh:
    """A closed box with a block floating in it; a window over the room that the block closes, if any."""
    tools = [bar((-26, -14, 3), (18, 14, 19))]
    if window_mm and round_hole:
        tools.append(trimesh.creation.cylinder(window_mm / 2, 10, sections=64).apply_translation((9, 0, 21)))
    elif window_mm:
        tools.append(bar((2, -window_mm / 2, 18), (16, window_mm / 2, 23)))
    shell = trimesh.boolean.difference([bar((-29, -17, 0), (21, 17, 22)), *tools])
    return trimesh.util.concatenate([shell, bar((-20, -10, 6), (0, 10, 16))])


def judged(mesh, *, age=72, markets=("US", "EU"), regions=(SLIDER,), motions=(PUSH,)) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", markets=markets, use=Use(age), regions=regions, motions=motions)
    findings = access(Workpiece(submission, part, SETUP), load_limits())
    assert findings[0].subject == "part"
    assert len({found.key for found in findings}) == len(findings)
    for found in findings:
        assert (found.code, found.domain, found.severity) == ("SA-01", "safety", Severity.INJURY)
        assert bool(found.change) == (found.verdict is not MEETS)
        assert "{" not in found.message + found.change
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
            assert not place.faces or found.evidence[place.faces].max() < len(mesh.faces)
        for name in found.figures:
            drawing = {"probe_path": probe_path, "see_through": see_through}[name]
            assert all(drawing(found, Figure()))
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


@pytest.mark.parametrize("age", [24, None])
def test_a_closed_box_with_the_same_mechanism_meets(age):
    found = judged(boxed(), age=age)
    assert found["part"].verdict is found["slider"].verdict is MEETS
    assert "nowhere" in found["part"].message and "screen" in found["slider"].message
    assert bool(found["slider"].guess) == (age is None)


@pytest.mark.parametrize(
    ("window", "age", "expected"),
    [
        (8.0, 72, MEETS), (8.45, 72, MARGINAL), (8.75, 72, MARGINAL), (9.1, 72, FAILS), (5.0, 24, MEETS),
        (6.1, 24, FAILS), (12.6, 200, MARGINAL), (3.4, 200, MEETS),
    ],
)  # fmt: skip
def test_windows_just_narrower_and_just_wider_than_the_finger(window, age, expected):
    found = judged(boxed(window), age=age)
    assert found["slider"].verdict is found["part"].verdict is expected
    if expected is not MEETS:
        assert value(found["slider"], "size of the opening") == pytest.approx(window, abs=0.05)
        assert found["slider"].where[0].point_mm[0] == pytest.approx(0.0, abs=17.0)
        touched = [place for place in found["slider"].where if place.faces]
        assert all(place.point_mm[0] == pytest.approx(0.0, abs=1e-6) for place in touched)
        # Where it gets in: the rim of the window, in the lid.
        assert any(place.point_mm[2] >= 18.0 for place in found["slider"].where if not place.faces)


def test_what_touches_only_as_a_ball_is_marginal(monkeypatch):
    """Where no posture is found the ball bound stands alone."""
    monkeypatch.setattr("reviewkit.measure.access._Search._posed", lambda *_: None)
    found = judged(boxed(9.4), motions=(Motion("slider", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 9.9)),))
    assert found["slider"].verdict is MARGINAL
    assert "by hand" in found["slider"].message


def test_a_face_that_stays_out_of_the_trap_band_is_no_hazard():
    """Under the window 2 mm of stroke leave 16 mm of gap, where 12.7 mm let the larger rod pass."""
    assert judged(boxed(12.0), motions=(ASIDE,))["slider"].verdict is MEETS


def test_a_block_that_comes_near_nothing_has_no_hazard():
    found = judged(bar((-20, -10, 6), (0, 10, 16)))
    assert found["slider"].verdict is MEETS
    assert "nothing to be caught in" in found["slider"].message


def test_an_unstated_age_is_a_guess_and_takes_the_worst():
    found = judged(boxed(6.2), age=None)
    assert found["slider"].verdict is MARGINAL and found["slider"].guess


def test_a_moving_region_without_a_motion_is_judged_at_rest():
    near = Region("slider", "p", RegionKind.MOVING, Box((-20.1, -10.1, 5.9), (0.1, 10.1, 16.1)))
    found = judged(boxed(9.2), regions=(near,), motions=())
    assert set(found) == {"part"}
    assert found["part"].verdict in (MARGINAL, MEETS)
    shut = judged(boxed(), regions=(near,), motions=())
    assert shut["part"].verdict is MEETS


def test_nothing_declared_to_move():
    (bare,) = judged(boxed(), regions=(), motions=()).values()
    assert bare.verdict is NOT_CHECKED and "moving region" in bare.change
    other = Region("gate", "q", RegionKind.MOVING, Box((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)))
    (found,) = judged(boxed(), regions=(other,), motions=()).values()
    assert found.verdict is MEETS


@pytest.mark.parametrize(
    ("age", "markets", "expected"),
    [
        (24, (), ("probe_a", "probe_b")), (36, ("US",), ("probe_a", "probe_b")), (72, ("US",), ("probe_b",)),
        (96, ("US",), ("finger",)), (96, ("EU",), ("probe_b",)), (100, (), ("probe_b",)), (168, ("EU",), ("finger",)),
        (None, (), ("probe_a", "probe_b", "finger")),
    ],
)  # fmt: skip
def test_probes_by_age_and_market(age, markets, expected):
    assert case(age, markets).ages == expected


def case(age=None, markets=()) -> _Case:
    part = SimpleNamespace(id="p", mesh=None, vertices=np.zeros((0, 3)), faces=np.zeros((0, 3), np.int64))
    return _Case(Workpiece(Submission("T-1", markets=markets, use=Use(age)), part, SETUP), load_limits())


def way(size: float, shape: str, depth: float, long_mm: float = 100.0) -> Reach:
    zero = np.zeros(3)
    opening = Opening(size, long_mm, shape, zero, zero, np.zeros((1, 3)))
    probe = Probe("any", 8.6, 38.4, 38.1, (19.3, 38.6), 57.9)
    return Reach(probe, 0.0, depth, zero, zero, np.zeros((1, 3)), np.zeros(0, np.int64), opening, None)


@pytest.mark.parametrize(
    ("table", "shape", "size", "depth", "meets"),
    [
        ("adult", "slot", 6.0, 10.0, True), ("adult", "slot", 8.0, 15.0, False), ("adult", "round", 8.0, 5.0, True),
        ("child", "slot", 8.0, 30.0, False),
    ],
)  # fmt: skip
def test_worked_cases_of_the_reach_tables(table, shape, size, depth, meets):
    asked = case().distance(table, way(size, shape, depth))
    assert (depth >= asked.value) == meets


@pytest.mark.parametrize(
    ("table", "row", "width", "slot", "square", "round_"),
    [
        ("adult", 1, 4, 2, 2, 2), ("adult", 2, 6, 10, 5, 5), ("adult", 3, 8, 20, 15, 5), ("adult", 4, 10, 80, 25, 20),
        ("adult", 5, 12, 100, 80, 80), ("adult", 6, 20, 120, 120, 120), ("adult", 7, 30, 850, 120, 120),
        ("adult", 8, 40, 850, 200, 120), ("adult", 9, 120, 850, 850, 850), ("child", 1, 4, 2, 2, 2),
        ("child", 2, 6, 20, 10, 10), ("child", 3, 8, 40, 30, 20), ("child", 4, 10, 80, 60, 60),
        ("child", 5, 12, 100, 80, 80), ("child", 6, 20, 900, 120, 120), ("child", 7, 30, 900, 550, 120),
        ("child", 8, 100, 900, 900, 900),
    ],
)  # fmt: skip
def test_rows_of_the_reach_tables(table, row, width, slot, square, round_):
    for shape, distance in (("slot", slot), ("square", square), ("round", round_)):
        limit = case().distance(table, way(width, shape, 0.0))
        assert (limit.id, limit.value) == (f"access-{table}-{row}-{shape}", distance)


def test_short_slots_stop_the_thumb():
    assert case().distance("adult", way(25.0, "slot", 0.0, 65.0)).value == 200
    assert case().distance("adult", way(25.0, "slot", 0.0, 66.0)).value == 850
    assert case().distance("child", way(18.0, "slot", 0.0, 40.0)).value == 120
    assert case().distance("adult", way(130.0, "round", 0.0)) is None


@pytest.mark.parametrize(
    ("depth", "opening", "meets"), [(50.0, 9.0, True), (50.0, 10.0, False), (88.9, 14.0, False), (150.0, 19.0, True)]
)
def test_worked_cases_of_the_press_table(depth, opening, meets):
    assert (opening <= case().at_work(way(opening, "slot", depth)).value) == meets
