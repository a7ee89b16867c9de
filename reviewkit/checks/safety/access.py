"""SA-01: whether a finger of the declared age comes from outside to where moving faces close.

What counts as a hazard: a moving face (of a region with a declared motion, its flexures included)
that comes nearer than the trap band to resting matter before it during the stroke, and whose
distance to it changes.  A face that slides along, or one that never comes near anything, such as
the inside of a loop meant for a finger, is none.  A moving region without a declared motion has
its hazards at rest: faces with other matter before them nearer than the band.

A probe reaches a hazard when it touches such a face from the front.  Children: reached with a
jointed probe shown is `fails` (a driving part that a child's finger comes to), reached by the ball
bound alone, or through an opening that is wider than the probe by less than the print's tolerance, is
`marginal`, not reached by the ball is `meets`.  Grown-ups: no rule forbids touching
what the hand drives, so a reached hazard is `marginal` and is told with the distance that
ISO 13857 asks for behind such an opening.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.judging import (
    WHOLE,
    WORST_FIRST,
    Case,
    at_words,
    finding,
    mm_words,
    ring_points,
    too_open,
    vector,
    worst_of,
)
from reviewkit.limits import Limits
from reviewkit.measure.access import (
    Probe,
    Reach,
    Scene,
    Spots,
    Windows,
    close_faces,
    grouped,
    nips,
    pitch_for,
    reaches,
    scene,
    windows,
)
from reviewkit.measure.motion import Carried
from reviewkit.measure.sections import plane_section
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import RegionKind, region_of
from reviewkit.workpiece import Workpiece

CODE = "SA-01"
DOMAIN = "safety"

_FIELDS = ("diameter", "collar", "collar_length", "reach")
_CHILD, _GROWN = ("probe_a", "probe_b"), "finger"
_NAMES = {
    "probe_a": "finger probe A (children of 36 months and under)",
    "probe_b": "finger probe B (children over 36 months)",
    "finger": "jointed test finger (grown-ups)",
}
_SCREEN = "This is a screen by geometry, not a test with the real probe."
_AXES = "xyz"
_DRAWN_POINTS = 200


def access(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether probes of the declared age reach moving faces where they close.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``access.*``.

    Returns
    -------
    list of Finding
        The whole part first, with the windows that one sees through; then one finding for each
        region with a declared motion.
    """
    moving = [region for region in workpiece.regions if region.kind is RegionKind.MOVING]
    if not moving and not workpiece.motions:
        others = workpiece.submission.regions
        if workpiece.said_to_be_rigid or any(region.kind is RegionKind.MOVING for region in others):
            message = "Nothing of this part is declared to move, so there is nothing for a finger to be caught in."
            return [finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.INJURY)]
        return [
            _unchecked(
                workpiece,
                "no moving region is declared",
                "Declare each part that moves as a moving region, with its motion; where nothing moves, put one fixed "
                "region round the whole part.",
            )
        ]
    layers = workpiece.layers
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [_unchecked(workpiece, reason, "Send a closed mesh of the part in its true size.")]
    case = _Case(workpiece, limits)
    findings = [_region(case, number) for number in range(len(workpiece.motions))]
    return [_whole(case, findings), *findings]


def _unchecked(workpiece: Workpiece, reason: str, change: str) -> Finding:
    return finding(
        workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, f"Finger access was not checked: {reason}.", change,
        severity=Severity.INJURY,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Reached:
    """What the probes come to in one region: the way in of each probe to each group, the worst place of the stroke."""

    hazards: Spots
    found: Mapping[tuple[str, int], Reach]
    scenes: Mapping[float, Scene]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-01 judges it by."""

    rows = "access"

    @cached_property
    def ages(self) -> tuple[str, ...]:
        """Keys of the probes for the declared age and markets."""
        months, markets = self.workpiece.submission.use.age_from_months, self.workpiece.submission.markets
        if months is None:
            return (*_CHILD, _GROWN)
        if months <= self.value("probe_a.age"):
            return _CHILD
        ends = [self.value(f"probe_b.age_{market.lower()}") for market in ("US", "EU") if market in markets]
        if not ends:
            ends = [self.value("probe_b.age_us"), self.value("probe_b.age_eu")]
        return _CHILD[1:] if months < max(ends) else (_GROWN,)

    def probe(self, key: str) -> Probe:
        """The probe of that key, from its rows."""
        diameter, collar, collar_length, reach = (self.value(f"{key}.{field}") for field in _FIELDS)
        if key == _GROWN:
            return Probe(
                _NAMES[key], diameter, collar, collar_length,
                (self.value("finger.joint_1"), self.value("finger.joint_2")), reach,
                tip_mm=self.value("finger.tip"), tip_length_mm=self.value("finger.tip_length"),
            )  # fmt: skip
        joint = self.value(f"{key}.joint")
        return Probe(
            _NAMES[key], diameter, collar, collar_length, (joint, 2 * joint), reach,
            self.value(f"{key}.arm"), self.value(f"{key}.unlimited"),
        )  # fmt: skip

    @cached_property
    def probes(self) -> dict[str, Probe]:
        return {key: self.probe(key) for key in self.ages}

    @cached_property
    def margin_mm(self) -> float:
        """Free room around the cells, for the thickest probe [mm]."""
        return max(probe.radius_mm for probe in self.probes.values()) + 4 * self.value("pitch")

    @cached_property
    def pitch_mm(self) -> float:
        thinnest = min(probe.diameter_mm for probe in self.probes.values())
        return pitch_for(
            self.workpiece.part.vertices,
            self.value("pitch"),
            self.value("coarsest") * thinnest,
            self.margin_mm,
            round(self.value("cells")),
        )

    def scene(self, vertices: Floats, stroke: float) -> Scene:
        return scene(vertices, self.workpiece.faces, self.pitch_mm, self.margin_mm, stroke)

    @cached_property
    def rest(self) -> Scene:
        """The part as drawn."""
        return self.workpiece.measured(
            "access at rest", lambda: self.scene(self.workpiece.part.vertices, 0.0), self.pitch_mm, self.margin_mm
        )

    @cached_property
    def windows(self) -> tuple[Windows, ...]:
        return windows(self.rest.grid, self.value("window_least"))

    @cached_property
    def reached(self) -> tuple[_Reached, ...]:
        """For each declared motion."""
        return self.workpiece.measured(
            "finger access",
            lambda: tuple(self._moving(carried) for carried in self.workpiece.motions),
            self.limits.sha256, self.ages, self.workpiece.regions, tuple(c.motion for c in self.workpiece.motions),
        )  # fmt: skip

    @cached_property
    def still(self) -> dict[str, _Reached]:
        """For each moving region without a motion, by name."""
        workpiece = self.workpiece
        declared = {carried.motion.region for carried in workpiece.motions}
        owner = region_of(workpiece.regions, workpiece.part.vertices)
        found = {}
        for number, region in enumerate(workpiece.regions):
            if region.kind is not RegionKind.MOVING or region.name in declared:
                continue
            hazards = close_faces(
                workpiece.part.vertices,
                workpiece.faces,
                (owner[workpiece.faces] == number).all(axis=1),
                band_mm=self.value("band"),
                spacing_mm=self.value("spacing"),
            )
            found[region.name] = self._probed(hazards, workpiece.part.vertices, {0.0: lambda: self.rest}, 1)
        return found

    def _moving(self, carried: Carried) -> _Reached:
        hazards = nips(
            carried,
            self.workpiece.faces,
            carried.strokes(round(self.value("nip_places"))),
            band_mm=self.value("band"),
            change_mm=self.value("change"),
            spacing_mm=self.value("spacing"),
        )
        places = {
            stroke: (lambda at=stroke: self.rest if at == 0.0 else self.scene(carried.at(at), at))
            for stroke in carried.strokes(round(self.value("places")))
        }
        return self._probed(hazards, carried.vertices, places, round(self.value("groups")))

    def _probed(
        self, hazards: Spots, vertices: Floats, places: Mapping[float, Callable[[], Scene]], groups: int
    ) -> _Reached:
        """Every probe at every place of the stroke; of several ways to one group the one shown, then the shallowest."""
        found: dict[tuple[str, int], Reach] = {}
        scenes: dict[float, Scene] = {}
        if not len(hazards):
            return _Reached(hazards, found, scenes)
        together = grouped(hazards.at(vertices, self.workpiece.faces), min(p.diameter_mm for p in self.probes.values()))
        for stroke, make in places.items():
            place = make()
            for key, probe in self.probes.items():
                done = [group for (known, group), reach in found.items() if known == key and reach.chain_mm is not None]
                for reach in reaches(
                    place, hazards, together, probe,
                    tolerance_mm=self.value("tolerance"), most_groups=groups, facing=self.value("facing"), skip=done,
                ):  # fmt: skip
                    known = found.get((key, reach.group))
                    if known is None or _rank(reach) < _rank(known):
                        found[key, reach.group] = reach
                        scenes[stroke] = place
        used = {reach.stroke for reach in found.values()}
        return _Reached(hazards, found, {stroke: place for stroke, place in scenes.items() if stroke in used})

    def verdict(self, key: str, reach: Reach) -> Verdict:
        """Shown to a child's finger fails, unless the opening is so tight that a print may differ by as much."""
        if key == _GROWN or reach.chain_mm is None or self.tight(reach):
            return Verdict.MARGINAL
        return Verdict.FAILS

    def tight(self, reach: Reach) -> bool:
        """Whether the opening is wider than the probe by less than what printed gaps differ."""
        opening = reach.opening
        if opening is None or opening.shape == "open":
            return False
        return opening.size_mm < reach.probe.diameter_mm + self.value("tolerance")

    @cached_property
    def by_quantity(self) -> dict[str, Limit]:
        return {limit.quantity: limit for limit in self.limits.every() if limit.quantity.startswith("access.")}

    def distance(self, table: str, reach: Reach) -> Limit | None:
        """The least distance that ISO 13857 asks for behind the opening of a way in."""
        opening = reach.opening
        if opening is None or opening.shape == "open":
            return None
        rows = self.by_quantity
        number = 1
        while f"access.{table}.{number}.width" in rows:
            if opening.size_mm <= rows[f"access.{table}.{number}.width"].value:
                short = rows.get(f"access.{table}.{number}.short_length")
                if opening.shape == "slot" and short is not None and opening.long_mm <= short.value:
                    return rows[f"access.{table}.{number}.short"]
                return rows[f"access.{table}.{number}.{opening.shape}"]
            number += 1
        return None

    def at_work(self, reach: Reach) -> Limit | None:
        """The widest opening that the table for presses allows at that distance."""
        rows = self.by_quantity
        chosen, number = None, 1
        while f"access.o10.{number}.from" in rows and reach.depth_mm > rows[f"access.o10.{number}.from"].value:
            chosen = rows[f"access.o10.{number}.width"]
            number += 1
        return chosen

    def guess(self) -> str:
        if self.workpiece.submission.use.age_from_months is None:
            return "Nobody stated the age of the users: all children and grown-ups were tried, and the worst is told."
        return ""

    def rows_used(self, *keys: str) -> tuple[Limit, ...]:
        """The probe rows behind a judgement and the band."""
        names = [f"access.{key}.{field}" for key in keys for field in ("diameter", "reach", "collar")]
        return tuple(self.by_quantity[name] for name in (*names, "access.band"))


def _rank(reach: Reach) -> tuple[bool, bool, float]:
    return reach.chain_mm is None, reach.tip_only, reach.depth_mm


def _region(case: _Case, number: int) -> Finding:
    """The finding on one region with a declared motion."""
    carried, reached = case.workpiece.motions[number], case.reached[number]
    name = carried.motion.name
    keys = case.ages
    if not reached.found:
        message = _out_of_reach(case, name, reached)
        return finding(
            case.workpiece, CODE, DOMAIN, name, Verdict.MEETS, f"{message} {_SCREEN}", severity=Severity.INJURY,
            measurements=(_resolution(case),), limits=case.rows_used(*keys), guess=case.guess(),
        )  # fmt: skip
    told = sorted(
        reached.found.items(), key=lambda item: (WORST_FIRST.index(case.verdict(item[0][0], item[1])), _rank(item[1]))
    )
    (key, _), worst = told[0]
    verdict = case.verdict(key, worst)
    places, evidence = _places(case, [reach for (known, _), reach in told if known == key], reached)
    evidence |= _drawn(case, worst, reached)
    table = "adult" if key == _GROWN else "child"
    asked, work = case.distance(table, worst), case.at_work(worst)
    measurements = [
        Measurement(
            "depth of the touched face", worst.depth_mm, "mm", 2 * case.pitch_mm, "shortest way from the collar"
        ),
        Measurement("place of the stroke", worst.stroke, carried.motion.unit),
        Measurement("places reached", len(places), "count"),
        _resolution(case),
    ]
    if worst.opening is not None and worst.opening.shape != "open":
        size = worst.opening.size_mm
        measurements.insert(1, Measurement("size of the opening", size, "mm", 0.1, "largest circle in its section"))
    used = [*case.rows_used(key), *(limit for limit in (asked, work) if limit is not None)]
    return finding(
        case.workpiece, CODE, DOMAIN, name, verdict,
        _message(case, key, worst, name, carried.motion.unit, len(places), asked),
        _change(case, key, worst, name),
        severity=Severity.INJURY, measurements=tuple(measurements), limits=tuple(used), where=places,
        figures=("probe_path",), evidence=evidence, guess=case.guess(),
    )  # fmt: skip


def _out_of_reach(case: _Case, name: str, reached: _Reached) -> str:
    if not len(reached.hazards):
        band = mm_words(case.value("band"))
        return f"No face of {name} closes on resting matter nearer than {band}, so there is nothing to be caught in."
    probes = " and ".join(f"{mm_words(probe.diameter_mm)} thick" for probe in case.probes.values())
    return (
        f"No finger probe ({probes}) reaches from outside where {name} closes on what stays, at any place of the "
        "stroke tried."
    )


def _message(case: _Case, key: str, reach: Reach, name: str, unit: str, places: int, asked: Limit | None) -> str:
    probe = reach.probe
    where = at_words(case.workpiece, reach.touch_mm)
    spot = f"x {reach.touch_mm[0]:.0f}, y {reach.touch_mm[1]:.0f}, z {reach.touch_mm[2]:.0f} mm"
    told = (
        f"The {probe.name}, {mm_words(probe.diameter_mm)} thick, touches {name} where it closes on what stays, "
        f"{_through(reach)}, {mm_words(max(reach.depth_mm, 0.0))} deep at {spot}"
        f"{'' if name in where else f' ({where})'}, with the stroke at {reach.stroke:.3g} {unit}."
    )
    if places > 1:
        told += f" It gets in at {places} places."
    if reach.tip_only:
        told += " Only the thin edge of its bevelled tip comes that far."
    elif reach.chain_mm is None:
        told += " A ball of that size gets there, but no posture of the jointed probe was found: judge it by hand."
    else:
        told += " A posture of the jointed probe that can be drawn out again is shown."
    if case.tight(reach) and not reach.tip_only:
        told += " The opening is so near the finger's size that a print may keep it out or let it in."
    if asked is not None:
        enough = "is" if reach.depth_mm >= asked.value else "would have to be"
        told += f" Behind such an opening the hazard {enough} {mm_words(asked.value)} or more away by ISO 13857."
    if key == _GROWN:
        told += " No rule forbids grown-ups to touch what their own hand drives; whether it can trap is told by SA-02."
    return told


def _through(reach: Reach) -> str:
    opening = reach.opening
    if opening is None:
        return "which lies open"
    if opening.shape == "open":
        return "from a side that is open"
    size = mm_words(opening.size_mm)
    words = {"slot": f"a slot {size} wide", "square": f"a hole {size} across", "round": f"a round hole of {size}"}
    return f"through {words[opening.shape]}"


def _change(case: _Case, key: str, reach: Reach, name: str) -> str:
    probe = reach.probe
    spare = "" if key != _GROWN else f"Leave it where the hand alone drives {name}; where a spring or a motor does, c"
    narrow = np.floor(2 * (probe.diameter_mm - case.value("tolerance"))) / 2
    if probe.tip_mm:
        narrow = probe.tip_mm - case.value("tolerance")
    return (
        f"{spare or 'C'}over the closing faces of {name}, or close the way in to openings of {mm_words(narrow)} or "
        f"less; or set them deeper than {mm_words(probe.reach_mm)} behind it; or keep every gap there above "
        f"{mm_words(case.value('band'))} over the whole stroke."
    )


def _resolution(case: _Case) -> Measurement:
    return Measurement(
        "resolution", case.pitch_mm, "mm", 0.0, "side of the cells; what is not reached is sure to one cell"
    )


def _places(case: _Case, shown: list[Reach], reached: _Reached) -> tuple[tuple[Place, ...], dict[str, NDArray[Any]]]:
    """Touched places as drawn at rest with their facets, and the narrowest section of the way to the first."""
    places: list[Place] = []
    evidence: dict[str, NDArray[Any]] = {}
    vertices, faces = case.workpiece.part.vertices, case.workpiece.faces
    for number, reach in enumerate(shown):
        points = reached.hazards.at(vertices, faces)
        own = points[np.isin(reached.hazards.facet, reach.facets)]
        at = own[np.argmin(np.linalg.norm(own - reach.touch_mm, axis=1))]
        # The mesh is shown at rest: the touched face, wherever the stroke had taken it.
        near = own[np.linalg.norm(own - at, axis=1) <= reach.probe.radius_mm]
        out = reach.mouth_mm - reach.touch_mm
        if len(reach.path_mm) > 1:
            out = reach.path_mm[0] - reach.path_mm[1]
        length = float(np.linalg.norm(out))
        normal = vector(out / length) if length > 0 else None
        name = f"touched_{number}"
        places.append(Place(vector(at), normal, (vector(near.min(axis=0)), vector(near.max(axis=0))), name))
        evidence[name] = reach.facets
    opening = shown[0].opening
    if opening is not None and opening.shape != "open":
        rim = opening.outline_mm
        edge = rim[np.argmin(np.linalg.norm(rim - opening.point_mm, axis=1))]
        mouth = Place(vector(edge), vector(-opening.axis), (vector(rim.min(axis=0)), vector(rim.max(axis=0))))
        # A face deep inside is not seen from outside: then the mouth is what a picture can show.
        places.insert(0 if shown[0].depth_mm > shown[0].probe.diameter_mm else 1, mouth)
    return tuple(places), evidence


def _drawn(case: _Case, reach: Reach, reached: _Reached) -> dict[str, NDArray[Any]]:
    """The section along the probe that the figure shows: matter, probe, collar and touched face."""
    place, probe = reached.scenes[reach.stroke], reach.probe
    line = reach.path_mm[::-1] if reach.chain_mm is None else reach.chain_mm
    tip = line[0]
    up = line[-1] - tip if len(line) > 1 else tip - reach.touch_mm
    up = up / max(float(np.linalg.norm(up)), 1e-9)
    bend = line - tip
    beside = bend - np.outer(bend @ up, up)
    widest = beside[np.argmax(np.linalg.norm(beside, axis=1))]
    contact = reach.touch_mm - tip
    side = widest if np.linalg.norm(widest) > 1.0 else contact - (contact @ up) * up
    if np.linalg.norm(side) < 1e-3:
        side = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    side = side / np.linalg.norm(side)
    normal = np.cross(side, up)
    matter = plane_section(place.vertices, place.faces, tip, normal, up)
    right = np.cross(up, normal)

    def flat(points: Floats) -> Floats:
        return np.column_stack([(points - tip) @ right, (points - tip) @ up])

    finger = (
        shapely.LineString(flat(line)).buffer(probe.radius_mm)
        if len(line) > 1
        else shapely.Point(0, 0).buffer(probe.radius_mm)
    )
    collar = np.empty((0, 2))
    if reach.chain_mm is not None:
        end = flat(reach.chain_mm)
        out = (end[3] - end[2]) / max(float(np.linalg.norm(end[3] - end[2])), 1e-9)
        across = np.array([-out[1], out[0]]) * probe.collar_mm / 2
        far = end[3] + out * probe.collar_length_mm
        collar = np.array([end[3] - across, end[3] + across, far + across, far - across, end[3] - across])
        finger = finger.difference(shapely.Polygon(collar))
    around = shapely.box(*(np.array(finger.bounds) + probe.radius_mm * np.array([-4, -3, 4, 1.5])))
    hazards = reached.hazards.at(place.vertices, place.faces)
    near = np.abs((hazards - tip) @ normal) <= case.value("spacing")
    points = flat(hazards[near])
    points = points[shapely.contains_xy(around, points)]
    step = max(1, -(-len(points) // _DRAWN_POINTS))
    drawn: dict[str, NDArray[Any]] = {
        "matter": ring_points(shapely.intersection(matter, around)) if not matter.is_empty else np.empty((0, 2)),
        "finger": ring_points(finger),
        "line": flat(line),
        "hazards": points[::step],
        "touch": flat(reach.touch_mm[None]),
        "shown": np.array([reach.chain_mm is not None]),
        "view": np.array(around.bounds),
    }
    if len(collar):
        drawn["collar"] = collar
    return drawn


def _whole(case: _Case, findings: list[Finding]) -> Finding:
    """The one finding that speaks for the whole part, with its see-through windows."""
    verdict = worst_of([found.verdict for found in findings])
    still = {name: reached for name, reached in case.still.items() if reached.found}
    told = []
    if findings:
        bad = [found for found in findings if found.verdict is not Verdict.MEETS]
        if bad:
            names = ", ".join(found.subject for found in bad)
            told.append(f"Fingers come from outside to where {names} {'closes' if len(bad) == 1 else 'close'}.")
        else:
            told.append("No finger comes from outside to where a moving region closes on what stays.")
    change = ""
    if still:
        names = ", ".join(still)
        told.append(
            f"{names} {'is' if len(still) == 1 else 'are'} said to move, but nobody declared how: as drawn, a finger "
            f"comes to {'its' if len(still) == 1 else 'their'} gaps."
        )
        verdict = worst_of([verdict, Verdict.MARGINAL])
        change = f"Declare how {names} {'moves' if len(still) == 1 else 'move'}."
    elif case.still:
        told.append(f"{', '.join(case.still)}, said to move without a motion, cannot be reached as drawn.")
    worse = [found for found in findings if found.verdict is not Verdict.MEETS]
    change = " ".join([*(found.change for found in worse[:1]), change]).strip()
    told.append(_window_words(case))
    told.append(_SCREEN)
    measurements = [_resolution(case)]
    for seen in case.windows:
        if len(seen.size_mm):
            measurements.append(
                Measurement(f"windows seen through along {_AXES[seen.axis]}", len(seen.size_mm), "count")
            )
            listed = seen.size_mm[: round(case.value("listed"))]
            measurements += [
                Measurement(
                    f"window {number} along {_AXES[seen.axis]}", float(size), "mm", case.pitch_mm, "largest circle"
                )
                for number, size in enumerate(listed, 1)
            ]
    most = max(case.windows, key=lambda seen: len(seen.size_mm))
    evidence: dict[str, NDArray[Any]] = {}
    if len(most.size_mm):
        evidence = {
            "shadow": most.shadow,
            "corner_mm": most.corner_mm,
            "pitch_mm": np.array([most.pitch_mm]),
            "middle_mm": most.middle_mm,
            "size_mm": most.size_mm,
            "axis": np.array([most.axis]),
        }
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, verdict, " ".join(told), change,
        severity=Severity.INJURY, measurements=tuple(measurements), limits=case.rows_used(*case.ages),
        where=tuple(place for found in worse for place in found.where[:1] if not place.faces),
        figures=("see_through",) if evidence else (), evidence=evidence, guess=case.guess(),
    )  # fmt: skip


def _window_words(case: _Case) -> str:
    told = []
    for seen in case.windows:
        if len(seen.size_mm):
            count = len(seen.size_mm)
            told.append(
                f"{count} along {_AXES[seen.axis]}, the widest {mm_words(float(seen.size_mm[0]))}"
                if count > 1
                else f"one along {_AXES[seen.axis]}, {mm_words(float(seen.size_mm[0]))} wide"
            )
    if not told:
        return "One sees through it nowhere."
    return f"Windows one sees through: {'; '.join(told)}."
