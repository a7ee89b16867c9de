"""What a launched part does in the air: where its mass sits, what turns it, where it goes; made once for all checks.

Joins the outline, the printed mass and the launch of a part to the theory of slow bodies without spin.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, too_open, vector, worst_of
from reviewkit.launch import Shot, Span, shots, speed_with
from reviewkit.measure.aerodynamics import Airframe, AirSettings, Fins, Outline, air_settings, airframe, outline_of
from reviewkit.measure.flight import Flight, Start, World, fly, pitching
from reviewkit.measure.grading import Dart, Grading, Weighed, graded_for_margin
from reviewkit.measure.mass import PrintedMass
from reviewkit.model import Finding, Floats, Place, Severity, Verdict
from reviewkit.submission import Requirement, RequirementKind, region_contains
from reviewkit.workpiece import Workpiece

DOMAIN = "flight"

_ANGLES = np.linspace(0.0, 180.0, 181)


@dataclass(frozen=True, eq=False)
class Variant:
    """One way to change a projectile, and what becomes of it.

    Parameters
    ----------
    name : str
        What is changed.
    mass_g : float
        [g]
    centre_mm : float
        Mass centre, from the foremost point [mm].
    air : Airframe
    flight : Flight or None
        None where its speed is not known.
    solid_to_mm : float
        Where its solid nose ends, nan where it has none [mm].
    """

    name: str
    mass_g: float
    centre_mm: float
    air: Airframe
    flight: Flight | None
    solid_to_mm: float = float("nan")


@dataclass(frozen=True, eq=False)
class FlightCase(Case):
    """A workpiece and the rows ``flight.*`` that its projectiles are judged by."""

    rows: ClassVar[str] = "flight"

    @cached_property
    def flown(self) -> tuple["Flown", ...]:
        """Its projectiles."""
        return tuple(Flown(self, shot) for shot in shots(self.workpiece, self.limits))

    def answers(self, requirement: Requirement) -> bool:
        """Whether a requirement is the distance that a projectile has to fly, and FL-03 flies it."""
        if requirement.what is not RequirementKind.OTHER or requirement.unit != "m":
            return False
        return any(flown.wanted is requirement and flown.shot.launch is not None for flown in self.flown)

    @cached_property
    def open_words(self) -> str:
        """Why its layers cannot be judged, nothing where they can."""
        layers = self.workpiece.layers
        return too_open(self.workpiece, self.limits, layers.open_mm, layers.outline_mm)

    def plain(self, code: str, verdict: Verdict, message: str, change: str = "") -> Finding:
        """A finding on the whole part that is words alone."""
        return finding(
            self.workpiece, code, DOMAIN, WHOLE, verdict, message, change, severity=Severity.FUNCTION
        )  # fmt: skip

    def early(self, code: str, what: str) -> Finding | None:
        """The one finding where nothing is launched or the mesh is open, None where there is more to judge."""
        if not self.flown:
            return self.plain(code, Verdict.MEETS, "Nothing of this part is launched, so nothing of it has to fly.")
        if self.open_words:
            change = "Send a closed mesh of the part in its true size."
            return self.plain(code, Verdict.NOT_CHECKED, f"{what} not checked: {self.open_words}.", change)
        return None

    def summed(self, code: str, details: Sequence[Finding]) -> list[Finding]:
        """The whole part first, with the figures of its worst projectile, then each projectile that does not meet."""
        worst = min(details, key=lambda found: WORST_FIRST.index(found.verdict))
        whole = finding(
            self.workpiece, code, DOMAIN, WHOLE, worst_of(found.verdict for found in details),
            " ".join(found.message for found in details),
            " ".join(dict.fromkeys(found.change for found in details if found.change)),
            severity=worst.severity, measurements=tuple(m for found in details for m in found.measurements),
            limits=tuple(dict.fromkeys(limit for found in details for limit in found.limits)),
            where=tuple(place for found in details for place in found.where), figures=worst.figures,
            evidence=worst.evidence, guess=" ".join(dict.fromkeys(found.guess for found in details if found.guess)),
        )  # fmt: skip
        plain = [replace(found, figures=(), evidence={}) for found in details if found.verdict is not Verdict.MEETS]
        return [whole, *plain]

    @cached_property
    def world(self) -> World:
        """Air and gravity."""
        return World(self.value("density"), self.value("gravity"))


@dataclass(frozen=True, eq=False)
class Flown:
    """One projectile in the air.

    Parameters
    ----------
    case : FlightCase
    shot : Shot
    """

    case: FlightCase
    shot: Shot

    @property
    def workpiece(self) -> Workpiece:
        """The part that it is, or is of."""
        return self.case.workpiece

    @property
    def words(self) -> str:
        """What it is called at the head of a sentence."""
        return self.shot.words[0].upper() + self.shot.words[1:]

    @property
    def subject(self) -> str:
        """Subject of a finding on it."""
        return self.shot.name or "projectile"

    # --- shape and mass ---

    @cached_property
    def ahead(self) -> Floats:
        """Direction of flight in the part's frame; where no end was declared to lead, the steadier one [-]."""
        axis, known = self.shot.flight
        if known:
            return axis
        return max((axis, -axis), key=lambda way: self._air_along(way).margin)

    @property
    def guess(self) -> str:
        """What was taken for granted about its flight."""
        if self.shot.flight[1]:
            if self.wanted is not None:
                return ""
            return f"That {self.shot.words} must fly nose first was taken for granted; no requirement says how far."
        return (
            f"Which end of {self.shot.words} flies ahead, and whether it must fly nose first, was not declared; the "
            "steadier end was taken."
        )

    def _outline(self, ahead: Floats) -> tuple[Outline, Fins | None]:
        thin, span = self.case.value("fin_thickness"), self.case.value("fin_span")

        def measured() -> tuple[Outline, Fins | None]:
            part = self.workpiece.part
            return outline_of(part.vertices, self.shot.faces, ahead, fin_thickness=thin, fin_span=span)

        return self.workpiece.measured("flight outline", measured, self.shot.name, *map(float, ahead), thin, span)

    @cached_property
    def outline(self) -> Outline:
        """What air meets of it, fins left out."""
        return self._outline(self.ahead)[0]

    @cached_property
    def fins(self) -> Fins | None:
        """Its fins, None for none."""
        return self._outline(self.ahead)[1]

    @property
    def calibre_mm(self) -> float:
        """Its diameter, the reference length [mm]."""
        return self.outline.calibre_mm

    def _behind_mm(self, centre: Floats, ahead: Floats) -> float:
        """How far a point of the plate frame lies behind the foremost point [mm]."""
        at = self.workpiece.to_part(np.reshape(centre, (1, 3)))[0]
        return float((self.shot.corners @ ahead).max() - at @ ahead)

    @cached_property
    def core_fill(self) -> Floats:
        """Filled share of the core on the axis of each section, later zones holding (n,) [-]."""
        tip = self.place.point_mm + self.centre_mm.value * self.ahead
        points = tip - self.outline.x_mm[:, None] * self.ahead
        fill = np.full(len(points), self.workpiece.setup.core_fill)
        for zone in self.shot.zones:
            if zone.core_fill is not None:
                fill[region_contains(zone, points)] = zone.core_fill
        return fill

    @cached_property
    def _fillings(self) -> tuple[PrintedMass, ...]:
        """As the setup says, and with less and more of the core filled."""
        core, off = self.workpiece.setup.core_fill, self.case.value("fill_spread")
        fills = (core, max(core - off, 0.0), min(core + off, 1.0))
        return tuple(self.shot.mass_with(self.shot.zones, fill) for fill in fills)

    @cached_property
    def mass_g(self) -> Span:
        """Mass, as the fill of the core and the density of the plastic may be off [g]."""
        density = self.workpiece.setup.material["density"]
        likely, light, heavy = (mass.mass_g for mass in self._fillings)
        return Span(light * density.low / density.value, likely, heavy * density.high / density.value)

    @cached_property
    def centre_mm(self) -> Span:
        """Mass centre from the foremost point, as the fill of the core may be off [mm]."""
        found = [self._behind_mm(mass.centre_mm, self.ahead) for mass in self._fillings]
        room = self.case.value("place_spread") * self.calibre_mm
        return Span(min(found) - room, found[0], max(found) + room)

    @cached_property
    def inertia_g_mm2(self) -> tuple[float, float]:
        """About axes across and along the flight through the mass centre, g mm2 [-]."""
        axis, tensor = self.workpiece.setup.rotation @ self.ahead, self.shot.mass.inertia_g_mm2
        along = float(axis @ tensor @ axis)
        return (float(np.trace(tensor)) - along) / 2, along

    @property
    def place(self) -> Place:
        """Its mass centre."""
        return Place(vector(self.workpiece.to_part(self.shot.mass.centre_mm[None])[0]), vector(self.ahead))

    # --- air ---

    @cached_property
    def settings(self) -> AirSettings:
        """What the theory needs beside the shape."""
        speed = self.case.value("reference_speed") if self.shot.launch is None else self.shot.launch.speed_m_s.value
        return air_settings(self.case.limits, self.workpiece.setup, speed)

    def _air_along(self, ahead: Floats) -> Airframe:
        outline, fins = self._outline(ahead)
        return airframe(outline, self._behind_mm(self.shot.mass.centre_mm, ahead), self.settings, fins)

    @cached_property
    def air(self) -> Airframe:
        """Air forces about its mass centre."""
        return self._air_along(self.ahead)

    @cached_property
    def margin(self) -> Span:
        """Static margin in calibres [-]."""
        room, calibre = self.case.value("centre_spread"), self.calibre_mm
        back, front = self.centre_mm.high - self.centre_mm.value, self.centre_mm.value - self.centre_mm.low
        here = self.air.margin
        return Span(here - room - back / calibre, here, here + room + front / calibre)

    @cached_property
    def lead(self) -> Span:
        """Mass centre ahead of the centre of the side, in calibres [-]."""
        here, calibre, centre = self.air.lead, self.calibre_mm, self.centre_mm
        back, front = centre.high - centre.value, centre.value - centre.low
        return Span(here - back / calibre, here, here + front / calibre)

    @cached_property
    def trims(self) -> bool:
        """Whether it has no margin and yet comes back to an angle short of flying broadside."""
        fails = self.case.band("trim").fails
        return self.air.margin <= 0 and fails is not None and fails.met_by(self.air.trim_deg)

    @cached_property
    def swing(self) -> tuple[float, float]:
        """Rate of pitching at the launch speed [1/s], and path flown in a swing or in which an error grows by e [m]."""
        slope = -self.air.slope * self.air.margin
        speed = self.settings.speed_m_s
        return pitching(slope, self.calibre_mm, self.inertia_g_mm2[0], speed, self.case.world)

    # --- flight ---

    @cached_property
    def wanted(self) -> Requirement | None:
        """The distance that it is asked to fly, in m or mm, the greatest of several."""
        regions = {region.name: region.part for region in self.workpiece.submission.regions}
        part = self.workpiece.part.id
        asked = [
            r
            for r in self.workpiece.submission.requirements
            if r.what is RequirementKind.OTHER
            and r.unit == "m"
            and r.nominal
            and part in (r.part, regions.get(r.region))
        ]
        return max(asked, key=lambda r: r.nominal or 0.0, default=None)

    @property
    def within_m(self) -> float:
        """The path over which it is judged: what is asked for, else all of it [m]."""
        return float("inf") if self.wanted is None or self.wanted.nominal is None else self.wanted.nominal

    def start(self, speed_m_s: float) -> Start:
        """How it leaves the launcher at a speed [m/s]."""
        case = self.case
        names = ("elevation", "height", "error", "turning")
        return Start(speed_m_s, *(case.value(name) for name in names))

    @cached_property
    def flights(self) -> tuple[Flight, Flight, Flight] | None:
        """At the least, the likely and the greatest speed, with most to least drag; None where no launch is known."""
        launch, mass = self.shot.launch, self.mass_g
        if launch is None:
            return None
        fast, spread, air = launch.speed_m_s, self.case.value("drag_spread"), self.air
        rows = (
            (fast.low, mass.high, 1 + spread), (fast.value, mass.value, 1.0), (fast.high, mass.low, 1 - spread)
        )  # fmt: skip
        across = self.inertia_g_mm2[0]
        low, value, high = (
            fly(
                replace(air, drag=air.drag * more, drag_astern=air.drag_astern * more), grams,
                across * grams / mass.value, self.start(speed), self.case.world,
            )
            for speed, grams, more in rows
        )  # fmt: skip
        return low, value, high

    # --- what would help ---

    @cached_property
    def dart(self) -> Dart:
        """Its outline as a body that may be graded, with the walls of the machine and the light core compared."""
        setup, printing = self.workpiece.setup, self.workpiece.setup.printing
        wall = setup.line_width_mm * printing.outline_passes
        floor = setup.layer_height_mm * max(printing.top_layers, printing.bottom_layers)
        density = setup.material["density"].value * 1e-3
        core = min(setup.core_fill, self.case.value("tail_fill"))
        return Dart(
            self.outline, self.outline.radius_mm, wall, floor, core, density, self.fins, self.case.value("fin_lines")
        )

    @cached_property
    def variants(self) -> tuple[Variant, ...]:
        """As drawn, and what grading, a round nose, a flare, fins and a tail would make of it."""
        mass = self.shot.mass
        first = Variant(
            "as drawn", mass.mass_g, self.centre_mm.value, self.air, None if self.flights is None else self.flights[1]
        )  # fmt: skip
        return (first, *compared(self.dart, self.settings, self.case.value, self._flown_with))

    def _flown_with(self, air: Airframe, weighed: Weighed) -> Flight | None:
        """Flight of another body from the same launcher."""
        launch = self.shot.launch
        if launch is None:
            return None
        start = self.start(speed_with(launch, weighed.mass_g))
        return fly(air, weighed.mass_g, weighed.inertia_g_mm2, start, self.case.world)

    def graded(self, dart: Dart) -> Grading:
        """Its grading for the margin that a change asks for."""
        return graded_for_margin(dart, self.settings, self.case.value("better"))

    def finding(self, code: str, verdict: Verdict, message: str, change: str = "", **more: Any) -> Finding:
        """A finding on it, a failure a warning where the end that leads was taken for granted."""
        more.setdefault("where", (self.place,))
        more.setdefault("severity", Severity.FUNCTION)
        return finding(
            self.workpiece, code, DOMAIN, self.subject, verdict, message, change, guess=self.guess, **more
        )  # fmt: skip


def compared(
    dart: Dart,
    settings: AirSettings,
    value: Callable[[str], float],
    flown_with: Callable[[Airframe, Weighed], Flight | None],
) -> tuple[Variant, ...]:
    """What a grading, a round nose, a flare, fins and a ribbon tail would make of a body, each with its best grading.

    Parameters
    ----------
    dart : Dart
    settings : AirSettings
    value : callable
        Gives a row ``flight.*`` by its name [unit of the row].
    flown_with : callable
        Gives the flight of a body by its air forces and what it weighs.
    """
    calibre, wanted = dart.outline.calibre_mm, value("better")
    nosed = dart.with_nose(value("round_nose") * calibre)
    size, thick = value("fin_size") * calibre, value("fin_lines")
    changes = (
        ("graded", dart),
        ("graded, round nose", nosed),
        ("graded, ribbon tail", dart.with_tail(value("tail"))),
        ("graded, flare", dart.with_flare(value("flare_width") * calibre, value("flare_angle"))),
        ("graded, four fins", dart.with_fins(4, size, size, thick)),
        ("graded, round nose, fins", nosed.with_fins(4, size, size, thick)),
    )
    found = []
    for name, changed in changes:
        grading = graded_for_margin(changed, settings, wanted)
        solid = grading.best_solid_to_mm if grading.solid_to_mm is None else grading.solid_to_mm
        air, weighed = changed.air(settings, solid), grading.weighed
        found.append(
            Variant(name, weighed.mass_g, weighed.centre_mm, air, flown_with(air, weighed), solid)
        )  # fmt: skip
    return tuple(found)


# --- what the figures draw --------------------------------------------------------------------


def side_evidence(
    outline: Outline, fins: Fins | None, air: Airframe, centre_mm: Span, core_mm: Floats, core_fill: Floats
) -> dict[str, np.ndarray]:
    """What the side view draws.

    Parameters
    ----------
    outline : Outline
    fins : Fins or None
    air : Airframe
    centre_mm : Span
        Mass centre from the foremost point [mm].
    core_mm : (2, n) float
        Inner and outer radius of the core at each section [mm].
    core_fill : (n,) float
        Its filled share [-].
    """
    corners = np.empty((0, 2))
    if fins is not None:
        start, base = fins.from_nose_mm, fins.radius_mm
        corners = np.array([
            (start, base), (start + fins.sweep_mm, base + fins.span_mm),
            (start + fins.sweep_mm + fins.tip_mm, base + fins.span_mm), (start + fins.root_mm, base),
        ])  # fmt: skip
    ends = np.maximum([_drawn_out(outline.area_mm2), _drawn_out(outline.area_mm2[::-1])], 0.0)
    return {
        "x_mm": outline.x_mm,
        "half_mm": outline.width_mm / 2,
        "void_mm": void_mm(outline),
        "core_mm": core_mm,
        "core_fill": core_fill,
        "ends_mm": np.array([0.0, outline.length_mm]),
        "end_half_mm": np.sqrt(ends / np.pi),
        "fin_mm": corners,
        "mass_mm": np.array([centre_mm.low, centre_mm.value, centre_mm.high]),
        "side_mm": np.array([centre_mm.value + air.lead * air.calibre_mm]),
        "pressure_mm": np.array([air.pressure_centre_mm]),
    }


def void_mm(outline: Outline) -> Floats:
    """Radius of what is hollow as drawn, at each section (n,) [mm]."""
    radius: Floats = np.sqrt(np.maximum(outline.area_mm2 - outline.matter_mm2, 0.0) / np.pi)
    return radius


def balance_evidence(air: Airframe, other: Airframe, other_words: str) -> dict[str, np.ndarray]:
    """Moment over the angle of a body, and of another beside it."""
    return {
        "angle_deg": _ANGLES,
        "moment": air.over(_ANGLES).moment,
        "better": other.over(_ANGLES).moment,
        "better_name": np.array([other_words]),
        "balance_deg": np.array([balance.angle_deg for balance in air.balances]),
        "stable": np.array([balance.stable for balance in air.balances]),
    }


def help_evidence(rows: Sequence[Variant], within_m: float, wanted: float) -> dict[str, np.ndarray]:
    """Margin, angle and range of a body and its changes.

    Parameters
    ----------
    rows : sequence of Variant
    within_m : float
        Path over which the angle is taken [m].
    wanted : float
        Margin that is asked for, in calibres [-].
    """
    nan = float("nan")
    table = [
        (row.mass_g, row.centre_mm, row.air.margin, row.air.trim_deg, nan if row.flight is None else row.flight.range_m,
         nan if row.flight is None else row.flight.greatest_deg(within_m), row.solid_to_mm)
        for row in rows
    ]  # fmt: skip
    return {
        "names": np.array([row.name for row in rows]),
        "table": np.array(table),
        "margin_wanted": np.array([wanted]),
    }


def path_evidence(
    flights: Sequence[Flight], outline: Outline, centre_mm: float, within_m: float, bounds_deg: Sequence[float]
) -> dict[str, np.ndarray]:
    """Flights with the attitude of the body.

    Parameters
    ----------
    flights : sequence of Flight
        At the least, the likely and the greatest speed.
    outline : Outline
    centre_mm : float
        Mass centre from the foremost point [mm].
    within_m : float
        Path over which it is judged, inf for all of it [m].
    bounds_deg : sequence of float
        Angles between nose and path that are good and bad [deg].
    """
    return {
        "x_m": np.array([f.x_m for f in flights]),
        "y_m": np.array([f.y_m for f in flights]),
        "way_m": np.array([f.way_m for f in flights]),
        "angle_deg": np.array([f.angle_deg for f in flights]),
        "pitch_deg": flights[1].pitch_deg,
        "bounds_deg": np.array(bounds_deg),
        "within_m": np.array([within_m]),
        "body_x_mm": outline.x_mm - centre_mm,
        "body_half_mm": outline.width_mm / 2,
    }


def _drawn_out(areas_mm2: Floats) -> float:
    """Area at the end of a body, half a section before its first section [mm2]."""
    return float(1.5 * areas_mm2[0] - 0.5 * areas_mm2[1])
