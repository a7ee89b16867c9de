"""Plate fit against closed forms.

Sources of the checks: a bar in a square fits when p + q <= s sqrt 2 (W. B. Carver, American Mathematical Monthly
64, 1957, from memory, with a = b); the largest equilateral triangle in a square has the side s (sqrt 6 - sqrt 2)
at 15 degrees (classical, from memory); the optimum of a rectangle on a rectangle is where both axes bind,
tan t = (b L - a W) / (a L - b W) (derived); everything else is derived beside the check.
"""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from reviewkit.errors import SetupError
from reviewkit.measure.plate import hull_2d, plate_fit, tightest_turn_deg, top_view_lines

INCH_PLATE_MM = 215.9  # 8.5 in, a usual square plate (common practice)


def rectangle(length, width):
    return np.array([[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]])


def stadium(length, width, corners=4000):
    turn = np.linspace(-np.pi / 2, np.pi / 2, corners)
    cap = width / 2 * np.column_stack([np.cos(turn), np.sin(turn)])
    shift = np.array([(length - width) / 2, 0.0])
    return np.vstack([cap + shift, -cap - shift])


def turned(points, degrees):
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return points @ np.array([[cos, sin], [-sin, cos]])


def swept(points, plate_mm, steps=7201):
    """Largest scale, largest margin and fit by trying many angles."""
    angle = np.linspace(0, np.pi, steps)
    widths = np.ptp(np.outer(points[:, 0], np.cos(angle)) - np.outer(points[:, 1], np.sin(angle)), axis=0)
    depths = np.ptp(np.outer(points[:, 0], np.sin(angle)) + np.outer(points[:, 1], np.cos(angle)), axis=0)
    a, b = plate_mm
    scale = np.minimum(a / widths, b / depths).max()
    margin = np.minimum(a - widths, b - depths).max() / 2
    return scale, margin, np.degrees(angle), (widths <= a) & (depths <= b)


@pytest.mark.parametrize(
    ("width_mm", "longest_mm"),
    [(10, 295.329), (20, 285.329), (25.4, 279.929), (38.1, 267.229), (50, 255.329), (50.8, 254.529), (100, 215.9)],
)
def test_longest_bar_on_a_square_plate(width_mm, longest_mm):
    # L_max = max(s, s sqrt 2 - W).
    plate = (INCH_PLATE_MM, INCH_PLATE_MM)
    assert plate_fit(rectangle(longest_mm - 0.001, width_mm), plate, 0).fits
    assert not plate_fit(rectangle(longest_mm + 0.001, width_mm), plate, 0).fits


@pytest.mark.parametrize(
    ("margin_mm", "widest_mm"), [(0, 51.33), (2, 45.67), (3, 42.84), (5, 37.19), (8, 28.70), (10, 23.04)]
)
def test_widest_ten_inch_bar_with_a_margin(margin_mm, widest_mm):
    plate = (INCH_PLATE_MM, INCH_PLATE_MM)
    narrow = plate_fit(rectangle(254, widest_mm - 0.01), plate, margin_mm)
    assert narrow.ranges_deg
    assert narrow.largest.scale >= 1
    assert narrow.roomiest.margin_mm >= margin_mm
    wide = plate_fit(rectangle(254, widest_mm + 0.01), plate, margin_mm)
    assert not wide.ranges_deg
    assert wide.largest.scale < 1
    assert wide.roomiest.margin_mm < margin_mm
    assert wide.turn_deg == np.inf


@pytest.mark.parametrize(
    ("length", "width", "scale", "angle_deg", "digits"),
    [
        (100, 100, 2.159, 0, 1e-9),
        (100, 50, 2.159, 0, 1e-9),
        (100, 30, 2.34868, 45, 5e-6),
        (100, 20, 2.54441, 45, 5e-6),
        (100, 10, 2.77572, 45, 5e-6),
        (254, 38.1, 1.04529, 45, 5e-6),
    ],
)
def test_largest_scale_on_a_square_plate(length, width, scale, angle_deg, digits):
    # k = s max(1 / L, sqrt 2 / (L + W)); the diagonal wins below W / L = sqrt 2 - 1.
    fit = plate_fit(rectangle(length, width), (INCH_PLATE_MM, INCH_PLATE_MM), 0)
    assert fit.largest.scale == pytest.approx(scale, abs=digits)
    assert fit.largest.scale == pytest.approx(INCH_PLATE_MM * max(1 / length, 2**0.5 / (length + width)), rel=1e-12)
    assert fit.largest.angle_deg == pytest.approx(angle_deg, abs=1e-9)
    assert fit.unturned.scale == pytest.approx(INCH_PLATE_MM / length, rel=1e-12)


@pytest.mark.parametrize(
    ("width", "angle_deg", "scale"), [(10, 38.933, 2.97364), (30, 35.826, 2.53449), (50, 0.0, 2.5)]
)
def test_largest_scale_on_an_oblong_plate(width, angle_deg, scale):
    fit = plate_fit(rectangle(100, width), (250, 210), 0)
    assert fit.largest.angle_deg == pytest.approx(angle_deg, abs=5e-4)
    assert fit.largest.scale == pytest.approx(scale, abs=1e-5)
    if angle_deg:
        crossing = np.degrees(np.arctan2(210 * 100 - 250 * width, 250 * 100 - 210 * width))
        assert fit.largest.angle_deg == pytest.approx(crossing, abs=1e-9)


def test_a_bar_with_round_ends_gains_on_the_diagonal():
    # L_max = (s - W) sqrt 2 + W.
    plate = (INCH_PLATE_MM, INCH_PLATE_MM)
    assert plate_fit(stadium(254, 123.92 - 0.02), plate, 0).fits
    assert not plate_fit(stadium(254, 123.92 + 0.02), plate, 0).fits
    for width_mm, longest_mm in ((20, 297.044), (40, 288.760)):
        assert plate_fit(stadium(longest_mm - 0.002, width_mm), plate, 0).fits
        assert not plate_fit(stadium(longest_mm + 0.002, width_mm), plate, 0).fits


def test_largest_equilateral_triangle():
    triangle = np.array([[0, 0], [1, 0], [0.5, 3**0.5 / 2]])
    fit = plate_fit(triangle, (INCH_PLATE_MM, INCH_PLATE_MM), 0)
    assert fit.largest.scale == pytest.approx(223.516, abs=5e-4)
    assert fit.largest.scale == pytest.approx(INCH_PLATE_MM * (6**0.5 - 2**0.5), rel=1e-12)
    assert fit.largest.angle_deg % 30 == pytest.approx(15, abs=1e-9)


def test_a_disc_gains_nothing_by_turning():
    turn = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    disc = 50 * np.column_stack([np.cos(turn), np.sin(turn)])
    fit = plate_fit(disc, (240, 240), 5)
    assert fit.largest.scale == pytest.approx(2.3, rel=1e-6)
    assert abs(fit.largest.angle_deg) < 0.1
    assert fit.ranges_deg == ((0.0, 180.0),)
    assert fit.turn_deg == 0


def test_edge_margin_shrinks_the_plate():
    # Usable side 205.9 mm and its diagonal 291.187 mm at a margin of 5 mm.
    fit = plate_fit(rectangle(100, 1e-3), (INCH_PLATE_MM, INCH_PLATE_MM), 5)
    assert fit.unturned.scale == pytest.approx(2.059)
    assert fit.largest.scale == pytest.approx(2.91187, abs=5e-5)


def test_margins_at_each_turn():
    fit = plate_fit(rectangle(254, 38.1), (240, 240), 5)
    assert fit.unturned.margins_mm == pytest.approx((-7.0, 100.95))
    assert fit.unturned.axis == 0
    assert not fit.fits_unturned
    diagonal_mm = (254 + 38.1) / 2**0.5
    assert fit.roomiest.margins_mm == pytest.approx(((240 - diagonal_mm) / 2,) * 2)
    # 254 cos t + 38.1 sin t = 230 from the smaller turn on.
    least_deg = np.degrees(np.arctan2(38.1, 254) + np.arccos(230 / np.hypot(254, 38.1)))
    assert fit.turn_deg == pytest.approx(least_deg, abs=1e-9)
    assert fit.ranges_deg[0] == pytest.approx((least_deg, 90 - least_deg), abs=1e-9)
    assert fit.ranges_deg[1] == pytest.approx((90 + least_deg, 180 - least_deg), abs=1e-9)


def test_a_part_drawn_askew_is_squared():
    fit = plate_fit(turned(rectangle(200, 100), 30), (240, 150), 5)
    assert fit.squared.angle_deg == pytest.approx(-30)
    assert fit.squared.size_mm == pytest.approx((200, 100))
    assert fit.turn_deg == pytest.approx(0, abs=1e-9)
    assert fit.unturned.margin_mm < 5


def test_a_part_drawn_on_the_diagonal_is_out_of_square():
    fit = plate_fit(turned(rectangle(254, 38.1), 45), (240, 240), 5)
    assert fit.fits_unturned
    assert fit.roomiest.angle_deg == 0
    assert fit.squared.margin_mm == pytest.approx(-7)
    assert fit.turn_deg > 30


def test_a_quarter_turn_is_no_turn_out_of_square():
    fit = plate_fit(rectangle(140, 150), (160, 150), 0)
    assert not plate_fit(rectangle(140, 155), (160, 150), 0).fits_unturned
    assert fit.turn_deg == 0
    assert plate_fit(rectangle(140, 155), (160, 150), 0).squared.angle_deg == 90


def test_a_range_across_the_unturned_position():
    # Too long to stand across, free to turn a little to both sides.
    fit = plate_fit(rectangle(235, 50), (240, 60), 0)
    (low, high), *rest = fit.ranges_deg
    assert not rest
    assert low == pytest.approx(-high)
    assert 0 < high < 10


def test_placed_points_lie_within_the_plate():
    points = np.random.default_rng(4).normal(size=(40, 2)) * (70, 20) + 500
    fit = plate_fit(points, (300, 200), 5)
    for placement in (fit.unturned, fit.squared, fit.roomiest, fit.largest):
        on_plate = placement.place(points)
        assert np.ptp(on_plate, axis=0) == pytest.approx(placement.size_mm)
        assert on_plate.min(axis=0) == pytest.approx(placement.margins_mm)
        assert (on_plate.min(axis=0) + on_plate.max(axis=0)) / 2 == pytest.approx((150, 100))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**31), a=st.floats(60, 400), b=st.floats(60, 400))
def test_no_angle_of_a_sweep_does_better(seed, a, b):
    points = np.random.default_rng(seed).normal(size=(12, 2)) * (60, 30)
    fit = plate_fit(points, (a, b), 0)
    scale, margin, angles, fits = swept(points, (a, b))
    assert scale * (1 - 1e-12) <= fit.largest.scale <= scale * 1.001
    assert margin - 1e-9 <= fit.roomiest.margin_mm <= margin + 0.2
    inside = np.zeros(len(angles), dtype=bool)
    for low, high in fit.ranges_deg:
        inside |= ((angles >= low) & (angles <= high)) | ((angles - 180 >= low) & (angles - 180 <= high))
    assert (inside == fits).mean() > 0.999


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), degrees=st.floats(-180, 180))
def test_turning_and_scaling_the_drawing_change_nothing_else(seed, degrees):
    points = np.random.default_rng(seed).normal(size=(20, 2)) * (60, 30)
    plain, askew = (plate_fit(p, (250, 210), 5) for p in (points, turned(points, degrees)))
    assert askew.largest.scale == pytest.approx(plain.largest.scale, rel=1e-9)
    assert askew.roomiest.margin_mm == pytest.approx(plain.roomiest.margin_mm, abs=1e-7)
    assert plate_fit(2 * points, (250, 210), 5).largest.scale == pytest.approx(plain.largest.scale / 2, rel=1e-9)


def test_hull_of_points_on_a_line():
    ends = hull_2d(np.array([[0.0, 0.0], [3.0, 4.0], [6.0, 8.0]]))
    assert sorted(map(tuple, ends)) == [(0, 0), (6, 8)]
    # A line of 10 mm: the diagonal of the plate is what it can grow to.
    fit = plate_fit(ends, (100, 100), 0)
    assert fit.largest.scale == pytest.approx(10 * 2**0.5)


def test_tightest_turn():
    for degrees in (-80, -30, 0, 20, 60, 89):
        askew = turned(rectangle(100, 40), degrees)
        along = turned(askew, tightest_turn_deg(askew))
        assert np.ptp(along, axis=0) == pytest.approx((100, 40))
    assert tightest_turn_deg(rectangle(30, 20)) == 0
    assert tightest_turn_deg(rectangle(20, 30)) == 90


def test_refusals():
    with pytest.raises(SetupError, match="leaves nothing"):
        plate_fit(rectangle(10, 10), (100, 80), 40)
    with pytest.raises(ValueError, match="extent"):
        plate_fit(np.zeros((4, 2)), (100, 80), 5)


def test_top_view_shows_the_rims():
    box = trimesh.creation.box((30, 20, 10))
    lines = top_view_lines(np.asarray(box.vertices), np.asarray(box.faces))
    assert len(lines) == 4
    assert np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1).sum() == pytest.approx(100)
    ring = trimesh.creation.annulus(5, 10, 4, sections=64)
    lines = top_view_lines(np.asarray(ring.vertices), np.asarray(ring.faces))
    radii = np.linalg.norm(lines.reshape(-1, 2), axis=1)
    assert np.allclose(np.minimum(abs(radii - 5), abs(radii - 10)), 0, atol=1e-6)
    assert len(lines) == 128
