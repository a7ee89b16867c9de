"""FL-03 and FL-04: whether a launched part tumbles on its way, how far it goes, and how it arrives.

Flown in a plane by the theory of FL-02 from the launch that SA-05 judges too, so that both speak of one energy.
"""

import numpy as np

from reviewkit.flown import FlightCase, Flown, path_evidence
from reviewkit.limits import Limits
from reviewkit.measure.flight import Flight
from reviewkit.model import Finding, Measurement, Severity, Verdict
from reviewkit.workpiece import Workpiece

PATH, ARRIVAL = "FL-03", "FL-04"

_METHOD = "flown in a plane from the launch, 3 degrees of freedom, still air"
_SILENT = "no speed, no force and no flexures of its launcher tell how it starts"
_UNKNOWN = (
    "State in the launcher's [[motion]] the measured speed (speed_m_s), or the pull at full stroke (force_N, with "
    "stroke_mm)."
)


def flight_path(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether every launched part keeps its nose ahead on its way, and how far it goes.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``flight.*``, ``launch.*`` and ``mass.*``.

    Returns
    -------
    list of Finding
        The whole part first, then each projectile that does not meet.
    """
    case = FlightCase(workpiece, limits)
    if (early := case.early(PATH, "The flight of the projectile was")) is not None:
        return [early]
    return case.summed(PATH, [_path(flown) for flown in case.flown])


def arrival(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Tell with what speed and energy every launched part arrives, and judge whether its nose does.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``flight.*``, ``launch.*`` and ``mass.*``.

    Returns
    -------
    list of Finding
        The whole part first, then each projectile that does not meet.

    Notes
    -----
    The rules on projectiles hold at the muzzle and are judged there, by the same launch; this check says what is left
    on arrival, and warns where another end than the judged one arrives.
    """
    case = FlightCase(workpiece, limits)
    if (early := case.early(ARRIVAL, "The arrival of the projectile was")) is not None:
        return [early]
    return case.summed(ARRIVAL, [_arrival(flown) for flown in case.flown])


# --- FL-03 ----------------------------------------------------------------------------------


def _path(flown: Flown) -> Finding:
    flights = flown.flights
    if flights is None:
        said = f"How {flown.shot.words} flies was not checked: {_SILENT}."
        return flown.finding(PATH, Verdict.NOT_CHECKED, said, _UNKNOWN)
    case, likely = flown.case, flights[1]
    band = case.band("nose")
    angles = [flight.greatest_deg(flown.within_m) for flight in flights]
    verdict = band.verdict((max(angles) + min(angles)) / 2, (max(angles) - min(angles)) / 2)
    if verdict is Verdict.FAILS and flown.trims:
        verdict = Verdict.MARGINAL
    ranges = sorted(flight.range_m for flight in flights)
    said = f"{_launch_words(flown)} it flies {_spanned(ranges[0], likely.range_m, ranges[2], 'm')}"
    said += f" in {likely.duration_s:.2g} s. {_turn_words(flown, angles, likely)}"
    change = "" if verdict is Verdict.MEETS else _steadier(flown)
    if flown.wanted is not None and ranges[0] < flown.within_m:
        short = ranges[2] < flown.within_m
        verdict = Verdict.FAILS if short else max(verdict, Verdict.MARGINAL, key=_badness)
        said += f" Requirement {flown.wanted.id} asks for {flown.within_m:g} m, which it "
        said += f"{'does' if short else 'may'} not reach."
        change = f"{change} Launch it faster or steeper for {flown.within_m:g} m.".strip()
    spread = max(ranges[2] - likely.range_m, likely.range_m - ranges[0])
    measured = [
        Measurement("greatest angle between nose and path", angles[1], "deg", max(angles) - min(angles), _METHOD),
        Measurement("range", likely.range_m, "m", spread, _METHOD),
        Measurement("time of flight", likely.duration_s, "s", 0.0, _METHOD),
    ]
    tumbles = _tumbles_m(flown, flights)
    if np.isfinite(tumbles):
        measured.append(Measurement("path flown before it is broadside", tumbles, "m", 0.0, _METHOD))
    return flown.finding(
        PATH, verdict, said, change, measurements=tuple(measured), limits=band.limits,
        figures=("flight_path", "pitch_over_path"), evidence=_evidence(flown, flights),
    )  # fmt: skip


def _spanned(low: float, value: float, high: float, unit: str) -> str:
    """A number with its span, where both ends do not read alike."""
    ends = f"{low:.2g}", f"{high:.2g}"
    return f"{value:.2g} {unit}" + (f" ({ends[0]} to {ends[1]} {unit})" if ends[0] != ends[1] else "")


def _badness(verdict: Verdict) -> int:
    return (Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS).index(verdict)


def _launch_words(flown: Flown) -> str:
    """How it starts, to be followed by what it does."""
    launch, start = flown.shot.launch, flown.start(0.0)
    assert launch is not None
    speed = launch.speed_m_s
    fast = _spanned(speed.low, speed.value, speed.high, "m/s")
    return (
        f"{flown.words} leaves at {fast} by {launch.speed_words}; at {start.elevation_deg:g} degrees from "
        f"{start.height_m:g} m and with its nose {start.error_deg:g} degrees off,"
    )


def _turn_words(flown: Flown, angles: list[float], likely: Flight) -> str:
    """What its nose does on the way."""
    within = f" over {flown.within_m:g} m" if np.isfinite(flown.within_m) else ""
    assert flown.flights is not None
    tumbles = _tumbles_m(flown, flown.flights)
    if not np.isfinite(tumbles):
        return f"Its nose stays within {max(angles):.0f} degrees of its path{within}."
    if flown.trims:
        return (
            f"By this theory its nose leaves its path by up to {max(angles):.0f} degrees{within}, broadside after "
            f"{tumbles:.2g} m; for a body without a tail that is not proven."
        )
    turns = abs(float(likely.pitch_deg[-1] - likely.pitch_deg[0])) / 360
    words = f" It turns {turns:.1f} times over before it lands." if turns >= 1 else ""
    return f"It tumbles: broadside after {tumbles:.2g} m.{words}"


def _tumbles_m(flown: Flown, flights: tuple[Flight, ...]) -> float:
    """Path after which it is broadside, the shortest of all that do so within what is judged; nan for none [m]."""
    fails = flown.case.band("nose").fails
    if fails is None:
        return float("nan")
    found = [flight.first_beyond_m(fails.value) for flight in flights]
    return min((way for way in found if way <= flown.within_m), default=float("nan"))


def _steadier(flown: Flown) -> str:
    """What a change would bring, by the best of what was compared."""
    best = max(flown.variants[1:], key=lambda variant: variant.air.margin)
    assert best.flight is not None
    angle, meets = best.flight.greatest_deg(flown.within_m), flown.case.band("nose").meets
    said = f"with '{best.name}' (solid to {best.solid_to_mm:.0f} mm) the nose"
    if meets is None or meets.met_by(angle):
        said += f" stays within {angle:.0f} degrees and it flies {best.flight.range_m:.2g} m"
    else:
        said += f" still leaves its path by up to {angle:.0f} degrees, so launch it faster too: a slow path bends"
        said += " away from any nose"
    return f"Give it a tail: {said}; the comparison is with its stability (FL-02)."


# --- FL-04 ----------------------------------------------------------------------------------


def _arrival(flown: Flown) -> Finding:
    flights, launch = flown.flights, flown.shot.launch
    if flights is None or launch is None:
        said = f"How {flown.shot.words} arrives was not checked: {_SILENT}."
        return flown.finding(ARRIVAL, Verdict.NOT_CHECKED, said, _UNKNOWN, severity=Severity.INJURY)
    meets = flown.case.band("nose").meets
    likely, angles = flights[1], [abs(float(flight.angle_deg[-1])) for flight in flights]
    ahead = meets is None or all(meets.met_by(angle) for angle in angles)
    energies, speeds = [f.arrival_j for f in flights], [f.arrival_m_s for f in flights]
    said = (
        f"{flown.words} leaves with {launch.energy_j.value:.2g} J (SA-05 judges up to {launch.energy_j.high:.2g} J, "
        f"that of the heaviest print) and reaches the ground with {likely.arrival_j:.2g} J (up to "
        f"{max(energies):.2g} J) at {likely.arrival_m_s:.2g} m/s, after a fall of {flown.start(0.0).height_m:g} m."
    )
    change = ""
    if ahead:
        said += f" Its nose is within {max(angles):.0f} degrees of its path then."
    else:
        said += (
            f" Its nose is up to {max(angles):.0f} degrees off its path then, so its side or tail may hit first, which "
            f"SA-05 did not judge."
        )
        change = (
            "Make it fly nose first (FL-02), or round its tail and every edge as the nose must be rounded for SA-05."
        )
    measured = (
        Measurement("energy on arrival", likely.arrival_j, "J", max(energies) - min(energies), _METHOD),
        Measurement("speed on arrival", likely.arrival_m_s, "m/s", max(speeds) - min(speeds), _METHOD),
        Measurement("energy at launch", launch.energy_j.value, "J",
                    max(launch.energy_j.high - launch.energy_j.value, launch.energy_j.value - launch.energy_j.low),
                    launch.words),
        Measurement("angle between nose and path on arrival", angles[1], "deg", max(angles) - min(angles), _METHOD),
    )  # fmt: skip
    return flown.finding(
        ARRIVAL, Verdict.MEETS if ahead else Verdict.MARGINAL, said, change, severity=Severity.INJURY,
        measurements=measured, limits=(meets,) if meets else (), figures=("energy_over_path",),
        evidence=_evidence(flown, flights),
    )  # fmt: skip


def _evidence(flown: Flown, flights: tuple[Flight, Flight, Flight]) -> dict[str, np.ndarray]:
    """What the figures of the flight draw; rows: least, likely and greatest speed."""
    launch, nose = flown.shot.launch, flown.case.band("nose")
    assert launch is not None
    bounds = [bound.value if bound else float("nan") for bound in (nose.meets, nose.fails)]
    return {
        **path_evidence(flights, flown.outline, flown.centre_mm.value, flown.within_m, bounds),
        "energy_j": np.array([f.energy_j for f in flights]),
        "turning_j": flights[1].turning_j,
        "launch_j": np.array([launch.energy_j.low, launch.energy_j.value, launch.energy_j.high]),
    }
