"""Flight in a plane: where a body goes, how it pitches, whether it tumbles, and how it arrives.

Three degrees of freedom in still air without spin, with coefficients that follow the angle of attack at once.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy.integrate import solve_ivp

from reviewkit.measure.aerodynamics import Coefficients
from reviewkit.model import Floats

# Tolerance of the integration, and pictures of the flight that are kept.
_RELATIVE = 1e-9
_KEPT = 240
# A flight that has not come down by then is cut off [s].
_LONGEST_S = 60.0
# Slower than this the air has no direction [m/s].
_STILL_M_S = 1e-6


class Air(Protocol):
    """What gives the air forces on a body, over its reference area and length."""

    @property
    def calibre_mm(self) -> float:
        """Reference length; the reference area is that of its circle [mm]."""

    def at(self, angle: float) -> Coefficients:
        """Coefficients at an angle of attack in radians [-]."""


@dataclass(frozen=True)
class World:
    """Air and gravity.

    Parameters
    ----------
    density_kg_m3 : float
        Of the air [kg/m3].
    gravity_m_s2 : float
        [m/s2]
    """

    density_kg_m3: float = 1.225
    gravity_m_s2: float = 9.80665


@dataclass(frozen=True)
class Start:
    """How a body leaves its launcher.

    Parameters
    ----------
    speed_m_s : float
        [m/s]
    elevation_deg : float
        Of its path over the horizon [deg].
    height_m : float
        Over the ground [m].
    error_deg : float
        Nose over the path [deg].
    turning_deg_s : float
        How fast the nose rises [deg/s].
    """

    speed_m_s: float
    elevation_deg: float = 0.0
    height_m: float = 0.0
    error_deg: float = 0.0
    turning_deg_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Flight:
    """A flight, in pictures evenly spread in time, the last on the ground.

    Parameters
    ----------
    time_s : (n,) float
        [s]
    x_m, y_m : (n,) float
        Of the mass centre, along and over the ground [m].
    speed_m_s : (n,) float
        [m/s]
    path_deg : (n,) float
        Direction of the path over the horizon [deg].
    pitch_deg : (n,) float
        Direction of the nose over the horizon, counted on through full turns [deg].
    angle_deg : (n,) float
        Nose against path, -180 to 180 [deg].
    energy_j : (n,) float
        Of its motion forwards [J].
    turning_j : (n,) float
        Of its turning [J].
    drag_j : (n,) float
        Taken by the air so far [J].
    mass_g : float
        [g]
    grounded : bool
        Whether it came down before the time ran out.
    """

    time_s: Floats
    x_m: Floats
    y_m: Floats
    speed_m_s: Floats
    path_deg: Floats
    pitch_deg: Floats
    angle_deg: Floats
    energy_j: Floats
    turning_j: Floats
    drag_j: Floats
    mass_g: float
    grounded: bool

    @property
    def range_m(self) -> float:
        """Along the ground [m]."""
        return float(self.x_m[-1])

    @property
    def duration_s(self) -> float:
        """From launch to ground [s]."""
        return float(self.time_s[-1])

    @property
    def arrival_m_s(self) -> float:
        """Speed on arrival [m/s]."""
        return float(self.speed_m_s[-1])

    @property
    def arrival_j(self) -> float:
        """Energy of its motion forwards on arrival [J]."""
        return float(self.energy_j[-1])

    @cached_property
    def way_m(self) -> Floats:
        """Length of the path flown so far (n,) [m]."""
        steps = np.hypot(np.diff(self.x_m), np.diff(self.y_m))
        way: Floats = np.concatenate([[0.0], np.cumsum(steps)])
        return way

    def greatest_deg(self, within_m: float = math.inf) -> float:
        """Greatest angle between nose and path over a length of path [deg]."""
        return float(np.abs(self.angle_deg[self.way_m <= within_m]).max())

    def first_beyond_m(self, limit_deg: float) -> float:
        """Length of path after which nose and path part by more than an angle [deg]; nan where they never do [m]."""
        angle = np.abs(self.angle_deg)
        beyond = np.flatnonzero(angle > limit_deg)
        if not len(beyond):
            return math.nan
        row = max(int(beyond[0]), 1)
        return float(np.interp(limit_deg, angle[row - 1 : row + 1], self.way_m[row - 1 : row + 1]))


def fly(air: Air, mass_g: float, inertia_g_mm2: float, start: Start, world: World) -> Flight:
    """Integrate a flight down to the ground.

    Parameters
    ----------
    air : Air
        Air forces.
    mass_g : float
        [g]
    inertia_g_mm2 : float
        About an axis across the body through its mass centre, g mm2 [-].
    start : Start
    world : World

    Returns
    -------
    Flight

    Notes
    -----
    m du/dt = -A cos(theta) - N sin(theta), m dv/dt = -A sin(theta) + N cos(theta) - m g, and
    I d(omega)/dt = q S d [Cm + Cm_q omega d / (2 V)] with q = rho V^2 / 2; theta is the pitch, alpha = theta - gamma.
    Runge-Kutta of eighth order with adaptive steps (Dormand and Prince, DOP853); the work of the air is integrated
    along, so that the sum of energies tells how good the integration is.
    """
    mass, inertia, length = mass_g * 1e-3, inertia_g_mm2 * 1e-9, air.calibre_mm * 1e-3
    area, gravity = math.pi * length**2 / 4, world.gravity_m_s2

    def rates(_: float, state: Floats) -> list[float]:
        _x, _y, u, v, theta, omega, _work = state.tolist()
        speed = math.hypot(u, v)
        if speed < _STILL_M_S:
            return [u, v, 0.0, -gravity, omega, 0.0, 0.0]
        pressure = world.density_kg_m3 * speed**2 / 2
        found = air.at(math.remainder(theta - math.atan2(v, u), 2 * math.pi))
        sine, cosine = math.sin(theta), math.cos(theta)
        force_x = pressure * area * (-found.axial * cosine - found.normal * sine)
        force_y = pressure * area * (-found.axial * sine + found.normal * cosine)
        moment = pressure * area * length * (found.moment + found.damping * omega * length / (2 * speed))
        work = -(force_x * u + force_y * v + moment * omega)
        return [u, v, force_x / mass, force_y / mass - gravity, omega, moment / inertia, work]

    def ground(_: float, state: Floats) -> float:
        return float(state[1])

    ground.terminal, ground.direction = True, -1.0  # type: ignore[attr-defined]
    path = math.radians(start.elevation_deg)
    u, v = start.speed_m_s * math.cos(path), start.speed_m_s * math.sin(path)
    pitch, turning = path + math.radians(start.error_deg), math.radians(start.turning_deg_s)
    size = np.array([1.0, 1.0, start.speed_m_s, start.speed_m_s, 1.0, 1.0, mass * start.speed_m_s**2]) + 1e-3
    solved = solve_ivp(
        rates, (0.0, _LONGEST_S), [0.0, start.height_m, u, v, pitch, turning, 0.0], method="DOP853", rtol=_RELATIVE,
        atol=_RELATIVE * size, dense_output=True, events=ground,
    )  # fmt: skip
    time = np.linspace(0.0, solved.t[-1], _KEPT)
    x, y, u, v, theta, omega, work = solved.sol(time)
    speed, gamma = np.hypot(u, v), np.arctan2(v, u)
    return Flight(
        time_s=time,
        x_m=x,
        y_m=y,
        speed_m_s=speed,
        path_deg=np.degrees(gamma),
        pitch_deg=np.degrees(theta),
        angle_deg=np.degrees(np.angle(np.exp(1j * (theta - gamma)))),
        energy_j=mass * speed**2 / 2,
        turning_j=inertia * omega**2 / 2,
        drag_j=work,
        mass_g=mass_g,
        grounded=solved.status == 1,
    )


def pitching(
    slope_per_rad: float, calibre_mm: float, inertia_g_mm2: float, speed_m_s: float, world: World
) -> tuple[float, float]:
    """How a body pitches at small angles and a speed.

    Parameters
    ----------
    slope_per_rad : float
        Moment coefficient over the angle in radians, negative for a stable body [-].
    calibre_mm : float
        [mm]
    inertia_g_mm2 : float
        About an axis across it, g mm2 [-].
    speed_m_s : float
        [m/s]
    world : World

    Returns
    -------
    rate : float
        In radians a second, of the swing where it is stable, of the growth where not [1/s].
    length_m : float
        Path flown in one swing, which does not depend on the speed; in which an error grows by e where not stable [m].
    """
    length = calibre_mm * 1e-3
    stiffness = world.density_kg_m3 * speed_m_s**2 / 2 * math.pi * length**3 / 4 * slope_per_rad
    rate = math.sqrt(abs(stiffness) / (inertia_g_mm2 * 1e-9))
    way = speed_m_s / rate if rate else math.inf
    return rate, way * (2 * math.pi if slope_per_rad < 0 else 1.0)


def vacuum_flight(start: Start, gravity_m_s2: float = 9.80665) -> tuple[float, float]:
    """Time [s] and range [m] without air, down to the ground."""
    elevation = math.radians(start.elevation_deg)
    rise = start.speed_m_s * math.sin(elevation)
    time = (rise + math.sqrt(rise**2 + 2 * gravity_m_s2 * start.height_m)) / gravity_m_s2
    return time, start.speed_m_s * math.cos(elevation) * time


def drag_by_two_speeds(
    first_m_s: float, second_m_s: float, apart_m: float, mass_g: float, calibre_mm: float, world: World
) -> float:
    """Drag coefficient from the speeds of a flat shot at two places, on the area of the calibre [-].

    Parameters
    ----------
    first_m_s, second_m_s : float
        Speeds [m/s].
    apart_m : float
        Path between both places [m].
    mass_g : float
        [g]
    calibre_mm : float
        [mm]
    world : World
    """
    decay = math.log(first_m_s / second_m_s) / apart_m
    return 8 * decay * mass_g * 1e-3 / (world.density_kg_m3 * math.pi * (calibre_mm * 1e-3) ** 2)
