"""Motion times against closed forms of trapezoidal speed (any text on motion control), worked again here.

L >= v**2/a from rest to rest: L/v + v/a, else 2 sqrt(L/a); with speed v_j at both ends L/v + (v - v_j)**2/(a v),
else 2 (sqrt(v_j**2 + a L) - v_j)/a.
"""

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import LinearRing, Point, Polygon, box

from reviewkit.measure.motion_time import Pace, line_s, outlines_s

PLAIN = Pace(50.0, 2000.0, 30.0, 0.0)


def around(region, pace=PLAIN):
    seconds, length, rings = outlines_s(np.array([region], dtype=object), pace)
    return float(seconds[0]), float(length[0]), int(rings[0])


@pytest.mark.parametrize(
    ("length", "speed", "corner", "expected"),
    [
        (100, 100, 0, 1.05),
        (5, 100, 0, 0.10),
        (4, 100, 0, 0.0894427),
        (1, 100, 0, 0.0447214),
        (39.6, 50, 0, 0.817),
        (100, 100, 20, 1.032),
        (1, 100, 20, 0.0289898),
        (0, 100, 0, 0.0),
        (100, 20, 50, 5.0),
    ],
)
def test_one_line(length, speed, corner, expected):
    assert line_s(np.array([length]), Pace(speed, 2000, 30, corner)) == pytest.approx([expected], abs=1e-7)


def test_both_forms_meet_where_full_speed_is_just_reached():
    pace = Pace(100, 2000, 30, 0)
    below, at, above = line_s(np.array([5 - 1e-9, 5, 5 + 1e-9]), pace)
    assert below <= at <= above
    assert above - below < 1e-9


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 90.0])
def test_a_box_stops_at_each_corner(turn_deg):
    """Two loops of the worked box: sides of 39.6 and 38.8 mm, 6.472 s together."""
    loops = [affinity.rotate(box(0, 0, side, side), turn_deg) for side in (39.6, 38.8)]
    assert sum(around(loop)[0] for loop in loops) == pytest.approx(6.472)
    assert around(loops[0])[1:] == (pytest.approx(4 * 39.6), 1)


@pytest.mark.parametrize("sides", [90, 360, 3000])
def test_a_disc_starts_and_stops_once_however_fine_its_mesh(sides):
    """Two loops of the worked disc, R 19.8 and 19.4: 4.976017 s together."""
    turns = 2 * np.pi * np.arange(sides) / sides
    discs = [Polygon(radius * np.column_stack([np.cos(turns), np.sin(turns)])) for radius in (19.8, 19.4)]
    assert sum(around(disc)[0] for disc in discs) == pytest.approx(4.976017, rel=4e-4)


@pytest.mark.parametrize("sides", [48, 400])
def test_a_small_circle_is_run_as_fast_as_the_acceleration_across_allows(sides):
    """R 0.5 at 2000 mm/s2: sqrt(a R) = 31.623 mm/s, from rest to rest; along a coarse polygon's sides a little more."""
    turns = 2 * np.pi * np.arange(sides) / sides
    circle = Polygon(0.5 * np.column_stack([np.cos(turns), np.sin(turns)]))
    speed = np.sqrt(2000 * 0.5)
    assert around(circle)[0] == pytest.approx(np.pi / speed + speed / 2000, rel=0.03)


def test_a_finer_outline_of_the_same_shape_takes_the_same_time():
    """A stadium of straights and half circles of R 3: full speed all the way, one start and stop."""
    for segments in (6, 40):
        shape = LinearRing([(0, 0), (30, 0), (30, 1e-9)])
        stadium = shapely.buffer(shapely.LineString(shape.coords[:2]), 3.0, quad_segs=segments)
        seconds, length, _ = around(stadium)
        assert seconds == pytest.approx(length / 50 + 50 / 2000, rel=1e-6)


def test_corners_up_to_the_least_sharp_angle_are_taken_at_full_speed():
    """A regular polygon of 13 sides turns by 27.7 degrees at each corner, one of 11 by 32.7."""
    for sides, stops in ((13, 1), (11, 11)):
        turns = 2 * np.pi * np.arange(sides) / sides
        seconds, length, _ = around(Polygon(30 * np.column_stack([np.cos(turns), np.sin(turns)])))
        assert seconds == pytest.approx(length / 50 + stops * 50 / 2000)


def test_speed_at_corners_is_kept_and_the_start_is_at_rest():
    """A square of 20 mm at 50 mm/s with 10 mm/s at its corners: two ends at rest, six at 10 mm/s."""
    seconds, _, _ = around(box(0, 0, 20, 20), Pace(50, 2000, 30, 10))
    assert seconds == pytest.approx(80 / 50 + (2 * 50**2 + 6 * 40**2) / (2 * 2000 * 50))


def test_it_does_not_matter_which_way_or_where_an_outline_begins():
    rng = np.random.default_rng(3)
    turns = np.sort(rng.uniform(0, 2 * np.pi, 60))
    points = rng.uniform(8, 10, 60)[:, None] * np.column_stack([np.cos(turns), np.sin(turns)])
    shape = Polygon(points)
    expected = around(shape)[0]
    assert around(shapely.reverse(shape))[0] == pytest.approx(expected)
    rolled = [around(Polygon(np.roll(points, shift, axis=0)))[0] for shift in range(1, 60, 7)]
    assert rolled == pytest.approx([expected] * len(rolled))


def test_speeds_found_at_once_are_those_of_a_plain_walk():
    """Forward and backward passes, corner by corner, as in any look-ahead planner."""
    rng = np.random.default_rng(8)
    turns = np.sort(rng.uniform(0, 2 * np.pi, 200))
    points = rng.uniform(5, 5.4, 200)[:, None] * np.column_stack([np.cos(turns), np.sin(turns)])
    pace = Pace(80.0, 1500.0, 30.0, 4.0)
    assert around(Polygon(points), pace)[0] == pytest.approx(walked(points, pace), rel=1e-9)


def walked(points, pace):
    """Time round a closed outline by loops, from its slowest corner."""
    count = len(points)
    steps = [points[(i + 1) % count] - points[i] for i in range(count)]
    lengths = [float(np.hypot(*step)) for step in steps]
    caps = []
    for i in range(count):
        one, two = steps[i - 1], steps[i]
        turn = abs(np.arctan2(one[0] * two[1] - one[1] * two[0], one @ two))
        radius = (lengths[i - 1] + lengths[i]) / 2 / max(turn, 1e-12)
        curve = min(pace.speed_mm_s**2, pace.acceleration_mm_s2 * radius)
        caps.append(pace.corner_mm_s**2 if turn > np.radians(pace.corner_deg) else curve)
    begin = int(np.argmin(caps))
    caps, lengths = caps[begin:] + caps[:begin], lengths[begin:] + lengths[:begin]
    squares = [0.0, *caps[1:], 0.0]
    for i in range(count):
        squares[i + 1] = min(squares[i + 1], squares[i] + 2 * pace.acceleration_mm_s2 * lengths[i])
    for i in reversed(range(count)):
        squares[i] = min(squares[i], squares[i + 1] + 2 * pace.acceleration_mm_s2 * lengths[i])
    seconds = 0.0
    for i, length in enumerate(lengths):
        one, two = squares[i], squares[i + 1]
        peak = min(pace.speed_mm_s**2, (one + two) / 2 + pace.acceleration_mm_s2 * length)
        ramps = (2 * np.sqrt(peak) - np.sqrt(one) - np.sqrt(two)) / pace.acceleration_mm_s2
        seconds += ramps + max(0, length - (2 * peak - one - two) / (2 * pace.acceleration_mm_s2)) / np.sqrt(peak)
    return seconds


def test_each_region_has_its_own_outlines():
    plate = box(0, 0, 30, 20) - Point(8, 8).buffer(3) - box(20, 5, 24, 9)
    pair = shapely.union_all([box(0, 0, 10, 10), box(20, 0, 26, 6)])
    seconds, length, rings = outlines_s(
        np.array([plate, shapely.Polygon(), pair, box(0, 0, 5, 5)], dtype=object), PLAIN
    )
    assert list(rings) == [3, 0, 2, 1]
    assert length == pytest.approx([plate.length, 0, pair.length, 20])
    assert seconds[0] == pytest.approx(sum(around(Polygon(ring))[0] for ring in (plate.exterior, *plate.interiors)))
    assert seconds[1:] == pytest.approx([0, around(box(0, 0, 10, 10))[0] + around(box(0, 0, 6, 6))[0], 0.5])


def test_nothing_takes_no_time():
    seconds, length, rings = outlines_s(np.array([shapely.Polygon()], dtype=object), PLAIN)
    assert (seconds[0], length[0], rings[0]) == (0, 0, 0)
    assert len(outlines_s(np.empty(0, dtype=object), PLAIN)[0]) == 0
