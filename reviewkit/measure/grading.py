"""A projectile by the numbers: how it is filled, what a nose, a flare or fins change, and the filling for a margin.

A body is summed up by slabs along its flight axis: outer radius, wall, solid nose, filled or hollow tail.  Good for
comparing and for solving; what is printed is weighed from its layers.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from reviewkit.measure.aerodynamics import Airframe, AirSettings, Fins, Outline, airframe
from reviewkit.model import Floats

# Starts of the tail that are tried before the exact one is looked for, and halvings.
_TRIED = 41
_HALVINGS = 40
# Sizes of fins or flare, in calibres, between which the smallest that serves is looked for.
_LEAST_ADDED, _MOST_ADDED = 0.1, 3.0
_SECTIONS = 240


@dataclass(frozen=True)
class Weighed:
    """Mass properties of a body.

    Parameters
    ----------
    mass_g : float
        [g]
    centre_mm : float
        Mass centre from the foremost point [mm].
    inertia_g_mm2, axial_g_mm2 : float
        Across and along the axis through the mass centre, g mm2 [-].
    """

    mass_g: float
    centre_mm: float
    inertia_g_mm2: float
    axial_g_mm2: float


@dataclass(frozen=True, eq=False)
class Dart:
    """A body that may be graded: solid in front, a wall with a filled or hollow core behind.

    Parameters
    ----------
    outline : Outline
        What air meets, a flare included, fins left out.
    body_mm : (n,) float
        Outer radius of the body without a flare, at each of its sections [mm].
    wall_mm : float
        Outline passes round the core; also thickness of a flare's skirt [mm].
    floor_mm : float
        Solid layers at both ends, 0 for an open tail [mm].
    core_fill : float
        Share of the core that is filled behind the solid nose [-].
    density_g_mm3 : float
        Of the plastic, g/mm3 [-].
    fins : Fins, optional
    fin_mm : float
        Thickness of fins [mm].
    tail : float
        Drag coefficient of a tail that is tied on, on the area of the calibre; it weighs nothing [-].
    """

    outline: Outline
    body_mm: Floats
    wall_mm: float
    floor_mm: float
    core_fill: float
    density_g_mm3: float
    fins: Fins | None = None
    fin_mm: float = 0.0
    tail: float = 0.0

    def weighed(self, solid_to_mm: float = 0.0) -> Weighed:
        """Mass properties when it is solid from the foremost point up to a place [mm].

        Notes
        -----
        An empty core begins in a cone of 45 degrees, which prints without support with the tail down.
        """
        outline = self.outline
        x, step = outline.x_mm, outline.step_mm
        behind = x - step / 2 - solid_to_mm
        # The share of a slab that lies behind the solid, so that the sum has no steps.
        share = np.clip((behind + step) / step, 0.0, 1.0)
        if self.floor_mm:
            rear = outline.length_mm - self.floor_mm
            share = share * np.clip((rear - (x - step / 2)) / step, 0.0, 1.0)
            share = share * np.clip((x + step / 2 - self.floor_mm) / step, 0.0, 1.0)
        core = np.clip(self.body_mm - self.wall_mm, 0.0, None)
        if self.core_fill == 0 and solid_to_mm > 0:
            core = np.minimum(core, np.maximum(behind + step / 2, 0.0))
        empty = share * (1 - self.core_fill)
        inner = np.maximum(outline.radius_mm - self.wall_mm, self.body_mm)
        skirt = outline.radius_mm > self.body_mm * (1 + 1e-9)
        area = np.pi * (self.body_mm**2 - empty * core**2)
        area += np.where(skirt, np.pi * (outline.radius_mm**2 - inner**2), 0.0)
        square = np.pi / 4 * (self.body_mm**4 - empty * core**4)
        square += np.where(skirt, np.pi / 4 * (outline.radius_mm**4 - inner**4), 0.0)
        volume, place, own, axial = area * step, x, square * step + area * step**3 / 12, 2 * square * step
        if self.fins is not None:
            fin = self._fin_piece(self.fins)
            volume, place, own, axial = (
                np.append(*pair) for pair in zip((volume, place, own, axial), fin, strict=True)
            )
        centre = float(volume @ place / volume.sum())
        rho = self.density_g_mm3
        across = float(own.sum() + volume @ (place - centre) ** 2)
        return Weighed(float(volume.sum()) * rho, centre, across * rho, float(axial.sum()) * rho)

    def _fin_piece(self, fins: Fins) -> tuple[float, float, float, float]:
        """Volume of all fins, its place, and its second moments across and along the axis."""
        volume = fins.count * fins.area_mm2 * self.fin_mm
        chord, far = (fins.root_mm + fins.tip_mm) / 2, fins.radius_mm + fins.span_mm / 2
        radial = far**2 + fins.span_mm**2 / 12
        return volume, fins.centre_mm, volume * (chord**2 / 12 + radial / 2), volume * radial

    def air(self, settings: AirSettings, solid_to_mm: float = 0.0) -> Airframe:
        """Air forces about the mass centre when it is solid up to a place [mm]."""
        return airframe(self.outline, self.weighed(solid_to_mm).centre_mm, settings, self.fins, tail=self.tail)

    def with_nose(self, nose_mm: float) -> "Dart":
        """With a nose rounded to half an ellipsoid of a length [mm], cut out of what is there."""
        x = self.outline.x_mm
        rounded = self.outline.calibre_mm / 2 * np.sqrt(np.clip(1 - (1 - x / nose_mm) ** 2, 0.0, 1.0))
        body, outer = (
            np.where(x < nose_mm, np.minimum(radius, rounded), radius)
            for radius in (self.body_mm, self.outline.radius_mm)
        )
        return replace(self, outline=_shaped(self.outline, outer), body_mm=body)

    def with_flare(self, width_mm: float, half_angle_deg: float) -> "Dart":
        """With a hollow skirt that widens towards the tail up to a width [mm] at an angle from the axis [deg]."""
        behind = self.outline.length_mm - self.outline.x_mm
        radius = np.maximum(self.outline.radius_mm, width_mm / 2 - behind * np.tan(np.radians(half_angle_deg)))
        return replace(self, outline=_shaped(self.outline, radius))

    def with_fins(self, count: int, chord_mm: float, span_mm: float, thickness_mm: float) -> "Dart":
        """With fins that end with the tail, their tips half as long as their roots [mm]."""
        radius = float(np.interp(self.outline.length_mm - chord_mm / 2, self.outline.x_mm, self.body_mm))
        start = self.outline.length_mm - chord_mm
        fins = Fins(count, chord_mm, chord_mm / 2, span_mm, chord_mm / 2, start, radius)
        return replace(self, fins=fins, fin_mm=thickness_mm)

    def with_tail(self, drag: float) -> "Dart":
        """With a ribbon tied to its tail, by its drag coefficient on the area of the calibre [-]."""
        return replace(self, tail=drag)


@dataclass(frozen=True)
class Grading:
    """What the solver found for a wanted margin.

    Parameters
    ----------
    solid_to_mm : float or None
        Where the solid nose ends and the tail begins, from the foremost point; None where no place serves [mm].
    margin : float
        Static margin there, or the greatest that any place gives [-].
    best_solid_to_mm : float
        Where that greatest margin is [mm].
    weighed : Weighed
        Of the place found, else of the best.
    """

    solid_to_mm: float | None
    margin: float
    best_solid_to_mm: float
    weighed: Weighed


@dataclass(frozen=True)
class Added:
    """The smallest addition that gives a margin together with the best grading.

    Parameters
    ----------
    words : str
        What to add.
    dart : Dart
        With it.
    grading : Grading
        That goes with it.
    """

    words: str
    dart: Dart
    grading: Grading


def plain_dart(
    length_mm: float,
    calibre_mm: float,
    *,
    nose_mm: float,
    wall_mm: float,
    floor_mm: float,
    core_fill: float,
    density_g_mm3: float,
) -> Dart:
    """A round rod with a flat nose or one of half an ellipsoid.

    Parameters
    ----------
    length_mm, calibre_mm : float
        [mm]
    nose_mm : float
        Length of its round nose, 0 for a flat one [mm].
    wall_mm, floor_mm, core_fill, density_g_mm3
        As in :class:`Dart`.
    """
    step = np.full(_SECTIONS, length_mm / _SECTIONS)
    x = np.cumsum(step) - step / 2
    area = np.full(_SECTIONS, np.pi * calibre_mm**2 / 4)
    outline = Outline(x, step, area, np.full(_SECTIONS, calibre_mm), area)
    bare = Dart(outline, np.full(_SECTIONS, calibre_mm / 2), wall_mm, floor_mm, core_fill, density_g_mm3)
    return bare.with_nose(nose_mm) if nose_mm > 0 else bare


def graded_for_margin(dart: Dart, settings: AirSettings, margin: float) -> Grading:
    """Where the solid nose must end for a static margin, or the best that there is.

    Parameters
    ----------
    dart : Dart
    settings : AirSettings
    margin : float
        Wanted, in calibres [-].

    Returns
    -------
    Grading
        Of two places that serve, the one with the longer solid nose, which is the stronger part.

    Notes
    -----
    The mass centre moves ahead as the solid grows up to where its end meets the mass centre, and back behind that;
    only the branch behind is halved.
    """
    pressure = airframe(dart.outline, 0.0, settings, dart.fins, tail=dart.tail)
    wanted = pressure.pressure_centre_mm - margin * pressure.calibre_mm
    solid, centre = _most_forward(dart)
    margin_at = _margin_of(pressure)
    if centre > wanted:
        return Grading(None, margin_at(centre), solid, dart.weighed(solid))
    found = _graded_behind(dart, solid, wanted)
    weighed = dart.weighed(found)
    return Grading(found, margin_at(weighed.centre_mm), solid, weighed)


def graded_for_centre(dart: Dart, centre_mm: float) -> tuple[float | None, float]:
    """Where the solid nose must end for a mass centre, and the most forward mass centre that any place gives.

    Parameters
    ----------
    dart : Dart
    centre_mm : float
        Wanted mass centre, from the foremost point [mm].

    Returns
    -------
    solid_to_mm : float or None
        None where no place serves [mm].
    foremost_mm : float
        [mm]
    """
    solid, centre = _most_forward(dart)
    return (None if centre > centre_mm else _graded_behind(dart, solid, centre_mm)), centre


def smallest_addition(
    dart: Dart, settings: AirSettings, margin: float, *, half_angle_deg: float, thickness_mm: float
) -> tuple[Added, ...]:
    """The smallest fins and the smallest flare that give a margin with the best grading, each where it exists.

    Parameters
    ----------
    dart : Dart
    settings : AirSettings
    margin : float
        Wanted, in calibres [-].
    half_angle_deg : float
        Of the flare [deg].
    thickness_mm : float
        Of the fins [mm].
    """
    calibre = dart.outline.calibre_mm

    def fins(size: float) -> Dart:
        return dart.with_fins(4, size * calibre, size * calibre, thickness_mm)

    def flare(size: float) -> Dart:
        return dart.with_flare((1 + size) * calibre, half_angle_deg)

    found = []
    for shape, words in ((fins, "four fins of {0:.0f} mm chord and span"), (flare, "a flare {1:.0f} mm wide")):
        size = _smallest(lambda value, shape=shape: graded_for_margin(shape(value), settings, margin))  # type: ignore[misc]
        if size is not None:
            added = shape(size)
            told = words.format(size * calibre, (1 + size) * calibre)
            found.append(Added(told, added, graded_for_margin(added, settings, margin)))
    return tuple(found)


def _smallest(graded: Callable[[float], Grading]) -> float | None:
    """The smallest size, in calibres, with which a margin can be had."""
    sizes = np.linspace(_LEAST_ADDED, _MOST_ADDED, 13)
    low = 0.0
    for size in sizes:
        if graded(float(size)).solid_to_mm is not None:
            high = float(size)
            for _ in range(8):
                middle = (low + high) / 2
                low, high = (low, middle) if graded(middle).solid_to_mm is not None else (middle, high)
            return high
        low = float(size)
    return None


def _margin_of(pressure: Airframe) -> Callable[[float], float]:
    return lambda centre_mm: (pressure.pressure_centre_mm - centre_mm) / pressure.calibre_mm


def _most_forward(dart: Dart) -> tuple[float, float]:
    """Where the solid must end for the most forward mass centre, and that [mm]."""
    length = dart.outline.length_mm
    tried = np.linspace(0.0, length, _TRIED)
    best = int(np.argmin([dart.weighed(float(a)).centre_mm for a in tried]))
    low, high = float(tried[max(best - 1, 0)]), float(tried[min(best + 1, _TRIED - 1)])
    for _ in range(_HALVINGS):
        one, other = low + (high - low) / 3, high - (high - low) / 3
        if dart.weighed(one).centre_mm < dart.weighed(other).centre_mm:
            high = other
        else:
            low = one
    solid = (low + high) / 2
    return solid, dart.weighed(solid).centre_mm


def _graded_behind(dart: Dart, solid_mm: float, centre_mm: float) -> float:
    """The longest solid nose with the mass centre no further back than wanted [mm]."""
    low, high = solid_mm, dart.outline.length_mm
    if dart.weighed(high).centre_mm <= centre_mm:
        return high
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if dart.weighed(middle).centre_mm <= centre_mm else (low, middle)
    return low


def _shaped(outline: Outline, radius_mm: Floats) -> Outline:
    """The outline as a round body of other radii."""
    return Outline(outline.x_mm, outline.step_mm, np.pi * radius_mm**2, 2 * radius_mm, outline.matter_mm2)
