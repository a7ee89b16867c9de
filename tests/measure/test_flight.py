"""Flights against closed forms, energy, frames, and the worked cases of the kit's reference on flight.

Vacuum and quadratic drag in closed form: any text on classical mechanics.  Cases with drag and gravity, the pitching
case T and the growth of a launch error (case U): integrated apart for the kit at relative tolerance 1e-11 to 1e-12.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from reviewkit.measure.aerodynamics import Airframe, Coefficients, Growth
from reviewkit.measure.flight import Start, World, drag_by_two_speeds, fly, pitching, vacuum_flight

WORLD = World()


@dataclass(frozen=True)
class Straight:
    """Coefficients in proportion to the angle."""

    calibre_mm: float = 12.0
    slope: float = 0.0
    turn: float = 0.0
    drag: float = 0.0
    slow: float = 0.0

    def at(self, angle):
        return Coefficients(self.slope * angle, self.turn * angle, self.drag, self.slow)


@dataclass(frozen=True)
class Ball:
    """Drag against the path alone, whatever the attitude."""

    calibre_mm: float
    drag: float

    def at(self, angle):
        return Coefficients(self.drag * math.sin(angle), 0.0, self.drag * math.cos(angle), 0.0)


CASE_P = Straight(12.0, 10.886773, -18.486392, 0.5, -101.233658)
D1 = (4.824280, 1474.503915)


@pytest.mark.parametrize(
    ("speed", "elevation", "height", "time", "far"),
    [(10, 45, 0, 1.442096498, 10.197162130), (20, 30, 0, 2.039432426, 35.324005804),
     (20, 45, 1.5, 2.986621400, 42.237204903), (15, 10, 1.2, 0.827105247, 12.218094901)],
)  # fmt: skip
def test_vacuum(speed, elevation, height, time, far):
    start = Start(speed, elevation, height)
    assert vacuum_flight(start) == pytest.approx((time, far), rel=1e-9)
    found = fly(Straight(), 5.0, 1000.0, start, WORLD)
    assert (found.duration_s, found.range_m) == pytest.approx((time, far), rel=1e-8)
    assert found.grounded


@pytest.mark.parametrize(
    ("mass", "wide", "drag", "speed", "elevation", "height", "time", "far", "arrives", "steep"),
    [(5, 12, 0.8, 20, 45, 1.5, 2.77386223, 31.7162227, 16.0221170, -54.6599432),
     (1.2, 12.7, 0.67, 20, 10, 1.2, 0.939633366, 13.5590245, 11.9993924, -25.6896034),
     (2.7, 40, 0.47, 10, 45, 0, 1.17689288, 5.29203005, 5.82716641, -59.6561455),
     (1, 12, 0.47, 30, 0, 1.5, 0.59527397, 14.0667568, 19.4938162, -14.1118722)],
)  # fmt: skip
def test_gravity_and_drag(mass, wide, drag, speed, elevation, height, time, far, arrives, steep):
    found = fly(Ball(wide, drag), mass, 1000.0, Start(speed, elevation, height), WORLD)
    assert (found.duration_s, found.range_m, found.arrival_m_s, found.path_deg[-1]) == pytest.approx(
        (time, far, arrives, steep), rel=1e-7
    )


def test_drop_and_throw_in_closed_form():
    """Ball of 2.7 g and 40 mm, C_d 0.47: terminal speed 8.5553 m/s; 2 m down, and up at 10 m/s."""
    terminal = math.sqrt(8 * 2.7e-3 * 9.80665 / (1.225 * math.pi * 0.04**2 * 0.47))
    assert terminal == pytest.approx(8.555301364)
    down = fly(Ball(40, 0.47), 2.7, 1000.0, Start(1e-4, -90, 2.0), WORLD)
    assert (down.arrival_m_s, down.duration_s) == pytest.approx((5.510547605, 0.667528278), rel=1e-4)
    up = fly(Ball(40, 0.47), 2.7, 1000.0, Start(10, 90, 0.0), WORLD)
    assert up.y_m.max() == pytest.approx(3.214231135, rel=1e-4)


def test_drag_from_two_speeds():
    assert drag_by_two_speeds(20, 18.921797779, 5, 5, 12, WORLD) == pytest.approx(0.8, rel=1e-8)


def test_pitching_in_closed_form():
    """Case P: 48.424398 rad/s, a swing of 1.946287 m; case U: growth 18.965060 /s, e-fold in 0.790928 m."""
    assert pitching(-18.486392, 12, D1[1], 15, WORLD) == pytest.approx((48.424398, 1.946287), rel=1e-6)
    assert pitching(5.0, 12, 2600.0625, 15, WORLD) == pytest.approx((18.965060, 0.790928), rel=1e-6)
    assert pitching(-18.486392, 12, D1[1], 3, WORLD)[1] == pytest.approx(1.946287, rel=1e-6)


@pytest.mark.parametrize(
    ("height", "expected"),
    [(1.2, (1.238036149, 16.391500750, 14.211201147, -28.706760, -28.750597)),
     (1.0, (1.208183326, 16.018992378, 14.115715627, -27.721709, -27.707486))],
)  # fmt: skip
def test_case_t(height, expected):
    found = fly(CASE_P, *D1, Start(15, 20, height, 5), WORLD)
    here = (found.duration_s, found.range_m, found.arrival_m_s, found.pitch_deg[-1], found.path_deg[-1])
    assert here == pytest.approx(expected, rel=1e-7)


def test_case_t_on_its_way():
    found = fly(CASE_P, *D1, Start(15, 20, 1.2, 5), WORLD)
    table = [(0.05, 0.701867, 1.445858, 15.96947, -2.47339), (0.1, 1.400367, 1.664163, 15.96375, -0.33697),
             (0.2, 2.785921, 2.025292, 10.35418, -2.36199), (1.0, 13.390408, 1.367425, -19.74521, 0.26749)]  # fmt: skip
    for time, x, y, pitch, angle in table:
        at = [np.interp(time, found.time_s, values) for values in (found.x_m, found.y_m)]
        assert at == pytest.approx([x, y], abs=2e-4)
        turned = [np.interp(time, found.time_s, values) for values in (found.pitch_deg, found.angle_deg)]
        assert turned == pytest.approx([pitch, angle], abs=0.03)


def test_case_u():
    """A uniform stick 2 degrees off: 30 degrees after 2.711953 m, broadside after 3.783241 m; V all but held."""
    body = Airframe(
        12.0, 30.0, Growth(2.0, 0.0), Growth(2.0, 60.0), cross=0.65 * 1.2 * 720 / (np.pi * 36), cross_centre_mm=30.0
    )

    class Undamped:
        calibre_mm = 12.0

        def at(self, angle):
            return body.at(angle)._replace(damping=0.0, axial=0.0)

    # So heavy that air does not move it, so weak a gravity that it comes down after 0.27 s all but level.
    start = Start(15, 0, 0.27**2 * 1e-3 / 2, 2)
    found = fly(Undamped(), 1e9, 2600.0625, start, World(gravity_m_s2=1e-3))
    assert found.first_beyond_m(30) == pytest.approx(2.711953, rel=2e-4)
    assert found.first_beyond_m(90) == pytest.approx(3.783241, rel=2e-4)
    assert math.isnan(found.first_beyond_m(179))
    assert found.greatest_deg(2.7) < 30 < found.greatest_deg(2.75)
    slow = fly(
        Undamped(), 1e9, 2600.0625, replace(start, speed_m_s=5, height_m=0.81**2 * 1e-3 / 2), World(gravity_m_s2=1e-3)
    )
    assert slow.first_beyond_m(90) == pytest.approx(3.783241, rel=1e-3)


def test_energy_is_kept():
    """Motion, turning, height and what the air took add up to what was there at the start."""
    body = Airframe(
        12.0, 26.0, Growth(2.0, 4.0), Growth(2.0, 56.0), cross=4.7, cross_centre_mm=31.0, cross_square_mm2=320.0,
        drag=0.5, drag_astern=0.9, fins=6.0, fins_centre_mm=50.0, fins_cross=1.5, fins_cross_centre_mm=52.0,
    )  # fmt: skip
    for air in (CASE_P, body, replace(body, fins=0.0, fins_cross=0.0)):
        found = fly(air, *D1, Start(14, 30, 1.0, 4, 200), WORLD)
        total = found.energy_j + found.turning_j + found.drag_j + found.mass_g * 1e-3 * 9.80665 * found.y_m
        assert total == pytest.approx(total[0], rel=1e-8)
        assert (np.diff(found.drag_j) > -1e-9).all() or air is CASE_P


def test_frame_of_the_flight_does_not_matter():
    """Without gravity a flight is the same in every direction, and an error the other way mirrors it."""
    still = World(gravity_m_s2=1e-9)
    # Enough drag that a flight which never comes down is soon slow.
    air = replace(CASE_P, drag=60.0)

    def flown(elevation, error):
        found = fly(air, *D1, Start(15, elevation, 1e-9, error), still)
        rows = np.linspace(0.0, 0.4, 9)
        back = np.exp(-1j * np.radians(elevation)) * (found.x_m + 1j * found.y_m)
        return np.array([np.interp(rows, found.time_s, values) for values in (back.real, back.imag, found.angle_deg)])

    one, other, mirrored = flown(20, 5), flown(70, 5), flown(20, -5)
    assert other == pytest.approx(one, abs=1e-6)
    assert mirrored == pytest.approx(one * [[1], [-1], [-1]], abs=1e-6)
