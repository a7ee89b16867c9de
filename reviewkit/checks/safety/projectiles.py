"""SA-05: what a launched part may do to whoever it hits: energy, contact area, roundness of its nose, length.

A screen on the drawing and on what was declared.  The standards shoot the toy and measure.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.judging import WHOLE, Case, finding, mm_words, percent_words, too_open, vector
from reviewkit.launch import Known, Launch, Shot, entry_of, mass_words, shots, stored_by
from reviewkit.limits import Limits
from reviewkit.measure.impact import (
    Nose,
    energy_per_area_j_m2,
    greatest_range_m,
    kinetic_energy_j,
    nose,
    sizes_mm,
    speed_m_s,
)
from reviewkit.measure.layers import Ints
from reviewkit.measure.mass import PrintedMass
from reviewkit.model import Band, Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.submission import PartEntry, Region
from reviewkit.workpiece import Workpiece

CODE = "SA-05"
DOMAIN = "safety"

_RULES = {"US": ("us",), "EU": ("eu",)}
_EVERY_RULE = ("us", "eu", "iso")
_SCREEN = "This is a screen on the drawing; the standards shoot the toy and measure."
_TIP = "largest disc that reaches every leading corner in turned sections along the flight; sphere by least squares"
_AREA = "of all within that depth of the foremost point, seen along the flight; a proxy for the mark on what is hit"
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)
_CURVE_POINTS = 60


def projectiles(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge every launched part by energy, contact area, tip radius and length.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``projectiles.*`` and ``mass.*``.

    Returns
    -------
    list of Finding
        The whole part first; of a launched part then one each for nose, energy and length, where they do not meet.
    """
    case = _Case(workpiece, limits)
    flown = [_Shot(case, shot) for shot in shots(workpiece, limits)]
    if not flown:
        return [_launcher(case) if case.launches else _nothing_launched(case)]
    if reason := too_open(workpiece, limits, workpiece.layers.open_mm, workpiece.layers.outline_mm):
        return [_too_open(case, reason)]
    judged = {shot.name: [_tip(shot), _energy(shot), _length(shot)] for shot in flown}
    details = [found for found, _ in (pair for pairs in judged.values() for pair in pairs)]
    words = {name: " ".join(said for _, said in pairs) for name, pairs in judged.items()}
    return [_whole(case, flown, details, words), *(found for found in details if found.verdict is not Verdict.MEETS)]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-05 judges it by."""

    rows = "projectiles"

    @property
    def entry(self) -> PartEntry | None:
        """Entry of the part in the submission."""
        return entry_of(self.workpiece)

    @property
    def launches(self) -> list[PartEntry]:
        """Parts that this one shoots."""
        part = self.workpiece.part.id
        return [entry for entry in self.workpiece.submission.parts if entry.launched_by == part]

    @property
    def rules(self) -> tuple[str, ...]:
        """Sets of rules that the stated markets ask for; all of them for an unknown or unstated market."""
        markets = self.workpiece.submission.markets
        known = [rule for market in markets for rule in _RULES.get(market, _EVERY_RULE)]
        return tuple(dict.fromkeys(known)) or _EVERY_RULE

    @property
    def market_words(self) -> str:
        """What a reader must know of the choice of rules, nothing where every market is in the table."""
        markets = self.workpiece.submission.markets
        if not markets:
            return " No market was stated, so the rules of the US, the EU and ISO were all used."
        odd = [market for market in markets if market not in _RULES]
        return f" No rule of {', '.join(odd)} is in the table, so all rules were used." if odd else ""

    def bands(self, name: str) -> list[Band]:
        """The bounds on a quantity in every set of rules that has one."""
        found = []
        for rule in self.rules:
            quantity = f"{self.rows}.{rule}.{name}"
            if any(row["quantity"] == quantity for row in self.limits.rows.values()):
                found.append(self.limits.band(quantity, self.workpiece.setup))
        return found

    @property
    def is_toy(self) -> bool:
        """Whether the youngest user, where stated, is of the age that toys are for."""
        age = self.workpiece.submission.use.age_from_months
        return age is None or age < self.value("toy_age")

    @property
    def guess(self) -> str:
        """What was taken for granted about the user."""
        if self.workpiece.submission.use.age_from_months is None:
            return "The age of the user was not stated; a toy for children was assumed."
        return ""

    def eased(self, verdict: Verdict) -> Verdict:
        """The verdict, for an article that is no toy a warning at worst."""
        return verdict if self.is_toy or verdict is not Verdict.FAILS else Verdict.MARGINAL

    @property
    def grown_words(self) -> str:
        """What is said where the toy rules are only a yardstick."""
        return "" if self.is_toy else " It is meant for 14 years and over: the toy rules serve as a yardstick only."

    @property
    def soft(self) -> bool:
        """Whether the part is printed in a soft plastic."""
        return self.workpiece.setup.material["modulus"].value <= self.value("soft_modulus")


@dataclass(frozen=True, eq=False)
class _Shot:
    """One projectile: its matter, how it flies and what it weighs."""

    case: _Case
    shot: Shot

    @property
    def region(self) -> Region | None:
        """Its region, None where the whole part is launched and no region says so."""
        return self.shot.region

    @property
    def name(self) -> str:
        """Name of its region, or of the feature where it has none."""
        return self.shot.name or "nose"

    def subject(self, what: str) -> str:
        """Subject of a finding on the nose (empty), the energy or the length."""
        return f"{self.shot.name} {what}".strip() if self.region else what or self.name

    @property
    def faces(self) -> Ints:
        """Facets of it."""
        return self.shot.faces

    @property
    def mass(self) -> PrintedMass:
        """Mass of it as printed."""
        return self.shot.mass

    @property
    def launch(self) -> Launch | None:
        """How it starts."""
        return self.shot.launch

    @cached_property
    def nose(self) -> Nose:
        """Its leading end; the worse of both where nobody said which one leads."""
        axis, known = self.shot.flight
        return min((self._nose(axis * way) for way in ((1,) if known else (1, -1))), key=lambda end: end.radius_mm)

    def _nose(self, ahead: Floats) -> Nose:
        case = self.case
        depths = tuple(case.value(name) for name in ("contact_depth_least", "contact_depth", "contact_depth_most"))
        gauge_mm = max(bound.value for band in case.bands("tip_radius") for bound in band.limits)

        settings = {
            "zone_mm": case.value("tip_zone"),
            "gauge_mm": gauge_mm,
            "most_mm": case.value("tip_most"),
            "within_mm": case.value("tip_facets"),
        }

        def measured() -> Nose:
            return nose(case.workpiece.part.vertices, self.faces, ahead, depths_mm=np.array(depths), **settings)

        return case.workpiece.measured("nose", measured, self.name, depths, *settings.values(), *map(float, ahead))

    @property
    def flight_guess(self) -> str:
        """What was taken for granted about the flight."""
        if self.shot.flight[1]:
            return ""
        return f"Which end of {self.words} flies ahead was not declared; the sharper one was judged."

    @property
    def guess(self) -> str:
        """All that was taken for granted."""
        return " ".join(words for words in (self.case.guess, self.flight_guess) if words)

    @property
    def words(self) -> str:
        """What the projectile is called in a sentence."""
        return self.shot.words

    @cached_property
    def contact_mm2(self) -> float:
        """Area by which energy per area is judged [mm2]."""
        depth = self.case.value("contact_depth")
        return float(self.nose.area_mm2[np.flatnonzero(np.isclose(self.nose.depth_mm, depth))[0]])

    @property
    def top_speed_m_s(self) -> float | None:
        """The greatest speed that it may have, measured or that of the lightest print [m/s]."""
        return None if self.launch is None else self.launch.speed_m_s.high

    @property
    def place(self) -> Place:
        """The leading end."""
        zone = self.case.workpiece.part.vertices[np.unique(self.case.workpiece.part.faces[self.leading])]
        return Place(
            vector(self.nose.tip_mm), vector(self.nose.ahead), (vector(zone.min(axis=0)), vector(zone.max(axis=0))),
            faces="leading",
        )  # fmt: skip

    @cached_property
    def leading(self) -> Ints:
        """Leading facets among all of the part."""
        part = self.case.workpiece.part
        if len(self.faces) == len(part.faces):
            return self.nose.faces
        wanted = {tuple(face) for face in self.faces[self.nose.faces].tolist()}
        return np.array([row for row, face in enumerate(part.faces.tolist()) if tuple(face) in wanted], dtype=np.int64)

    def found(
        self,
        what: str,
        verdict: Verdict,
        message: str,
        change: str,
        *,
        limits: tuple[Limit, ...],
        measurements: tuple[Measurement, ...],
        figure: str = "",
    ) -> Finding:
        """A finding on one side of this projectile, eased for an article that is no toy."""
        return finding(
            self.case.workpiece, CODE, DOMAIN, self.subject(what), self.case.eased(verdict),
            message + (self.case.grown_words if verdict is not Verdict.MEETS else ""), change,
            severity=Severity.INJURY, measurements=measurements, limits=limits, where=(self.place,),
            figures=(figure,) if figure else (),
            evidence={"leading": self.leading, **(_tip_evidence(self) if figure == "tip_profile" else {})},
            guess=self.guess,
        )  # fmt: skip


def _tip(shot: _Shot) -> tuple[Finding, str]:
    """Roundness of the leading end, and what the whole part says of it."""
    case, end = shot.case, shot.nose
    bands = case.bands("tip_radius")
    limits = tuple(bound for band in bands for bound in band.limits)
    wanted = max(bound.value for bound in limits)
    better = wanted + case.value("tip_better")
    # Facets stand inside the curve that they stand for.
    radius = round(min(end.sphere_mm, end.most_mm, end.least_mm + end.within_mm), 2)
    beyond = radius == end.most_mm
    verdict = _worst([band.verdict(radius) for band in bands])
    sharp = end.turn_deg > case.value("edge_turn")
    least = "least radius of the leading end" + (", at least" if beyond else "")
    readings = ((least, radius), ("radius of the sphere fitted to it", end.sphere_mm))
    measured = tuple(
        Measurement(what, value, "mm", end.within_mm, _TIP) for what, value in readings if np.isfinite(value)
    )
    if case.soft:
        said = (
            f"{_named(shot)} is printed in soft {case.workpiece.setup.material.name}; the tip rule is for rigid ones."
        )
        return shot.found("", Verdict.MEETS, said, "", limits=limits, measurements=measured), said
    if verdict is Verdict.MEETS:
        more = " or more" if beyond else ""
        said = f"The leading end of {shot.words} has a radius of {mm_words(radius)}{more}, {wanted:g} mm is asked."
        return shot.found("", verdict, said, "", limits=limits, measurements=measured), said
    x, y, z = (round(float(value)) for value in end.least_at)
    spot = f"(such as at x {x}, y {y}, z {z} mm)"
    coarse = not sharp and end.turn_deg > case.value("facet_turn")
    if coarse:
        said = (
            f"The mesh of {shot.words} turns by {end.turn_deg:.0f} degrees at one corner of its leading end {spot}: "
            f"either an edge, or a curve drawn with too few facets to tell its radius."
        )
        change = f"Send the leading end with finer facets, or round it with at least {better:g} mm."
        verdict = Verdict.MARGINAL
    elif sharp:
        said = (
            f"The leading end of {shot.words} is rigid and has an edge without a radius {spot}; a leading part must be "
            f"rounded with at least {wanted:g} mm."
        )
        change = f"Round the edge of the leading end with at least {wanted:g} mm, better {better:g} mm, or dome it."
    else:
        said = (
            f"The leading end of {shot.words} is rigid and its least radius is {mm_words(radius)} {spot}; at least "
            f"{wanted:g} mm is asked."
        )
        change = f"Give the leading end a radius of at least {wanted:g} mm, better {better:g} mm."
    found = shot.found("", verdict, said, change, limits=limits, measurements=measured, figure="tip_profile")
    return found, said


def _tip_evidence(shot: _Shot) -> dict[str, Floats]:
    end = shot.nose
    bands = shot.case.bands("tip_radius")
    gauge_mm = max(bound.value for band in bands for bound in band.limits)
    return {
        "profile": end.profile,
        "bare": end.bare,
        "disc": end.disc,
        "gauge_mm": np.array([gauge_mm]),
        "zone_mm": np.array([shot.case.value("tip_zone")]),
    }


def _energy(shot: _Shot) -> tuple[Finding, str]:
    """Energy and, over the bound, energy per area; and what the whole part says of it."""
    case, launch = shot.case, shot.launch
    bands = case.bands("energy")
    limits = tuple(bound for band in bands for bound in band.limits)
    bound_j = min(bound.value for bound in limits)
    if launch is None:
        said = f"The energy of {shot.words} is not known: no speed, no force and no flexures of its launcher tell it."
        change = (
            "State in the launcher's [[motion]] the pull at full stroke (force_N, with stroke_mm) or the measured "
            "speed (speed_m_s)."
        )
        return shot.found("energy", Verdict.NOT_CHECKED, said, change, limits=limits, measurements=()), said
    energy = launch.energy_j
    middle, spread = (energy.low + energy.high) / 2, (energy.high - energy.low) / 2
    verdict = _worst([band.verdict(middle, spread) for band in bands])
    measured = _energy_measurements(shot, launch)
    if verdict is Verdict.MEETS:
        said = (
            f"{_named(shot)} gets at most {_joule_words(energy.high)} by {launch.words}{_shared_words(launch)}; up to "
            f"{bound_j:g} J no rule on energy per area applies."
        )
        return shot.found("energy", verdict, said, "", limits=limits, measurements=measured), said
    over = f"{_named(shot)} gets about {_joule_words(energy.value)} by {launch.words}{_shared_words(launch)}"
    weaker = f"Keep the energy to {bound_j:g} J at most"
    if launch.known is Known.SPEED:
        weaker += f": at {mass_words(shot.mass)} no faster than {_floor(speed_m_s(bound_j, shot.mass.mass_g)):g} m/s"
    else:
        weaker += f", {percent_words(bound_j / energy.high)} of the most that it may get now"
    if not case.soft:
        if verdict is Verdict.MARGINAL:
            span = f"{_joule_words(energy.low)} and {_joule_words(energy.high)}"
            said = f"{over}, between {span}; {bound_j:g} J may be exceeded, and then it needs a soft leading surface."
            change = f"Measure the speed of the shot. {weaker}, or give it a soft tip."
        else:
            said = f"{over}; a rigid projectile may have {bound_j:g} J, beyond that it needs a soft leading surface."
            change = f"{weaker}, or give it a soft tip and a measured contact area."
        return shot.found("energy", verdict, said, change, limits=limits, measurements=measured), said
    return _soft_energy(shot, launch, over, weaker, measured, limits)


def _soft_energy(
    shot: _Shot, launch: Launch, over: str, weaker: str, measured: tuple[Measurement, ...], limits: tuple[Limit, ...]
) -> tuple[Finding, str]:
    """Energy per area of a projectile with a soft leading end that may have more than the energy bound."""
    case = shot.case
    bands = case.bands("energy_per_area")
    limits = (*limits, *(bound for band in bands for bound in band.limits))
    bound = min(bound.value for band in bands for bound in band.limits)
    low, high = (
        energy_per_area_j_m2(energy, shot.contact_mm2) for energy in (launch.energy_j.low, launch.energy_j.high)
    )
    verdict = _worst([band.verdict((low + high) / 2, (high - low) / 2) for band in bands])
    here = energy_per_area_j_m2(launch.energy_j.value, shot.contact_mm2)
    said = (
        f"{over}, which is {here:.0f} J/m2 on {shot.contact_mm2:.3g} mm2 of contact; {bound:.0f} J/m2 are allowed on a "
        f"soft leading end."
    )
    if verdict is Verdict.MEETS:
        return shot.found("energy", verdict, said, "", limits=limits, measurements=measured), said
    wanted_mm2 = launch.energy_j.high / bound * 1e6
    change = f"{weaker}, or make the contact area at least {wanted_mm2:.0f} mm2 and have it measured."
    return shot.found("energy", verdict, said, change, limits=limits, measurements=measured), said


def _energy_measurements(shot: _Shot, launch: Launch) -> tuple[Measurement, ...]:
    energy = launch.energy_j
    spread = max(energy.high - energy.value, energy.value - energy.low)
    method = launch.words + _shared_words(launch)
    area = shot.contact_mm2
    found = [
        Measurement("energy", energy.value, "J", spread, method),
        Measurement("energy per area", energy_per_area_j_m2(energy.value, area), "J/m2",
                    energy_per_area_j_m2(spread, area), f"energy over the contact area of {area:.4g} mm2"),
    ]  # fmt: skip
    if (top := shot.top_speed_m_s) is not None:
        method = "measured" if launch.known is Known.SPEED else "the lightest print with the most energy"
        found.append(Measurement("greatest speed", top, "m/s", 0.0, method))
        found.append(Measurement("range, at most", greatest_range_m(top), "m", 0.0, "45 degrees, level, without air"))
    return tuple(found)


def _length(shot: _Shot) -> tuple[Finding, str]:
    """Longest dimension, and what the whole part says of it."""
    case = shot.case
    bands = case.bands("length")
    limits = tuple(bound for band in bands for bound in band.limits)
    bound = max((bound.value for bound in limits), default=0.0)
    _, longest = sizes_mm(shot.shot.corners, shot.nose.ahead)
    # Corners of a file in 32 bit.
    longest = round(longest, 3)
    measured = (Measurement("longest dimension", longest, "mm", 0.0, "longest side of the box about the flight axis"),)
    verdict = _worst([band.verdict(longest) for band in bands])
    said = f"It is {mm_words(longest)} long."
    if verdict is Verdict.MEETS:
        return shot.found("length", verdict, said, "", limits=limits, measurements=measured), said
    cup = "suction" in _declared_words(shot)
    said = f"{_named(shot)} is {longest:.4g} mm at its longest, {bound:g} mm is asked of suction cups and their tips"
    said += "." if cup else "; others are judged as small parts (SA-04)."
    change = f"Make it at least {bound:g} mm long" + (
        "." if cup else ", or let SA-04 show that it does not fit the cylinder."
    )
    verdict = verdict if cup else Verdict.MARGINAL
    return shot.found("length", verdict, said, change, limits=limits, measurements=measured), said


def _whole(case: _Case, flown: list[_Shot], details: list[Finding], words: dict[str, str]) -> Finding:
    """What all of it comes to for this part."""
    workpiece = case.workpiece
    verdict = min((found.verdict for found in details), key=_WORST_FIRST.index)
    bad = [found for found in details if found.verdict is not Verdict.MEETS]
    worst = max(flown, key=lambda shot: shot.launch.energy_j.high if shot.launch else 0.0)
    message = " ".join(words.values()) + _range_words(worst) + case.market_words + f" {_SCREEN}"
    changes = " ".join(found.change for found in sorted(bad, key=lambda found: _WORST_FIRST.index(found.verdict)))
    extra = tuple(
        Measurement(f"contact area within {depth:g} mm", float(area), "mm2", 0.0, _AREA)
        for depth, area in zip(worst.nose.depth_mm, worst.nose.area_mm2, strict=True)
    )
    mass = Measurement("mass", worst.mass.mass_g, "g", (worst.mass.high_g - worst.mass.low_g) / 2, "as printed")
    limits = tuple(dict.fromkeys(bound for found in details for bound in found.limits))
    return finding(
        workpiece, CODE, DOMAIN, WHOLE, verdict, message, changes, severity=Severity.INJURY,
        measurements=(*(m for found in details for m in found.measurements), mass, *extra),
        limits=limits, where=tuple(shot.place for shot in flown[:1]),
        figures=("energy_at_speed", "contact_area"),
        evidence={"leading": worst.leading, **_energy_evidence(worst), **_contact_evidence(worst)},
        guess=" ".join(dict.fromkeys(shot.guess for shot in flown if shot.guess)),
    )  # fmt: skip


def _range_words(shot: _Shot) -> str:
    """How far a shot goes at most, and whether the European clause leaves so short a range out."""
    if (top := shot.top_speed_m_s) is None:
        return ""
    far = greatest_range_m(top)
    words = f" Without air it flies {far:.2g} m at most over level ground at 45 degrees ({top:.3g} m/s)."
    if "eu" in shot.case.rules and far < (least := shot.case.value("eu.range")):
        words += f" The European clause leaves out a range under {1000 * least:.0f} mm; nothing was let off by that."
    return words


def _energy_evidence(shot: _Shot) -> dict[str, Floats]:
    """Energy over speed for the lightest and heaviest print, the bound, and where the shot is."""
    launch, mass = shot.launch, shot.mass
    bound_j = min(bound.value for band in shot.case.bands("energy") for bound in band.limits)
    top = max(speed_m_s(2 * bound_j, mass.mass_g), 1.15 * (shot.top_speed_m_s or 0.0))
    speeds = np.linspace(0.0, top, _CURVE_POINTS)
    here = np.empty((0, 2))
    if launch is not None:
        fast, energy = launch.speed_m_s, launch.energy_j
        here = np.array([(fast.low, energy.low), (fast.value, energy.value), (fast.high, energy.high)])
    return {
        "speed_m_s": speeds,
        "energy_j": np.array(
            [[kinetic_energy_j(m, v) for v in speeds] for m in (mass.low_g, mass.mass_g, mass.high_g)]
        ),
        "mass_g": np.array([mass.low_g, mass.mass_g, mass.high_g]),
        "bound_j": np.array([bound_j]),
        "here": here,
    }


def _contact_evidence(shot: _Shot) -> dict[str, Floats]:
    """Contact areas and their outlines by depth."""
    end = shot.nose
    outlines = {f"outline_{row}": rings for row, rings in enumerate(end.outlines)}
    judged = np.array([shot.case.value("contact_depth")])
    return {"depth_mm": end.depth_mm, "area_mm2": end.area_mm2, "judged_mm": judged, **outlines}


def _launcher(case: _Case) -> Finding:
    """What a launcher may shoot beside its own projectile, which a drawing cannot tell."""
    names = ", ".join(f"'{entry.id}'" for entry in case.launches)
    stored = stored_by(case.workpiece, case.limits)
    energy = "" if stored is None else f" It stores up to {_joule_words(stored.energy_j.high)} by {stored.words}."
    message = (
        f"Shoots {names}, judged there. Whether it also shoots a pencil, a nail or a stone was not checked: a drawing "
        f"cannot tell.{energy}{case.market_words}"
    )
    change = (
        "Try it with a pencil, a nail and a stone of the size of the projectile. If one flies, let only the projectile "
        "fit. Warn on the pack: not at eyes or face, nothing else in the launcher."
    )
    measured: tuple[Measurement, ...] = ()
    if stored is not None:
        held = stored.energy_j
        measured = (Measurement("energy stored", held.value, "J", held.high - held.value, stored.words),)
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, message, change,
        severity=Severity.INJURY, measurements=measured, guess=case.guess,
    )  # fmt: skip


def _nothing_launched(case: _Case) -> Finding:
    message = "Nothing of this part is launched: no part names it as its launcher and no region of it is a projectile."
    return finding(case.workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.INJURY)


def _too_open(case: _Case, reason: str) -> Finding:
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, Verdict.NOT_CHECKED, f"The projectile was not checked: {reason}.",
        "Send a closed mesh of the part in its true size.", severity=Severity.INJURY,
    )  # fmt: skip


def _worst(verdicts: list[Verdict]) -> Verdict:
    return min(verdicts, key=_WORST_FIRST.index, default=Verdict.MEETS)


def _named(shot: _Shot) -> str:
    return shot.words[0].upper() + shot.words[1:]


def _declared_words(shot: _Shot) -> str:
    """What the customer calls the projectile, in small letters."""
    entry = shot.case.entry
    said = (shot.region.name, shot.region.note) if shot.region else ()
    return " ".join((*said, *((entry.name, entry.id) if entry else ()))).lower()


def _joule_words(energy_j: float) -> str:
    return f"{energy_j:.2g} J" if energy_j >= 1 else f"{energy_j:.3f} J"


def _shared_words(launch: Launch) -> str:
    """With what mass the stored energy is shared."""
    if launch.stored is None:
        return ""
    if (along := launch.stored.moving_g) is None:
        return ", all of it taken to reach the projectile, since nothing is known of what moves with it"
    return f", shared with {along.value:.3g} g of the launcher ({along.low:.3g} to {along.high:.3g} g)"


def _floor(speed: float) -> float:
    """A speed [m/s] rounded down to a tenth."""
    return float(np.floor(10 * speed) / 10)
