"""SA-02: gaps that catch a finger, between what moves and what it moves against, over the whole stroke."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, WORST_FIRST, Case, finding, mm_words, not_checked, too_open, vector, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.motion import Carried, carried
from reviewkit.measure.pinch import Clearances, Sides, clearances, covered, depths, either, followed, joined
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Verdict, place_name
from reviewkit.submission import Motion, MotionKind, RegionKind, RequirementKind, region_of
from reviewkit.workpiece import Workpiece

CODE = "SA-02"
DOMAIN = "safety"

_BY_BALL = "largest ball that touches both sides, over the stroke; the uncertainty is that of printed gaps"
_SCREEN = "This is a screen by geometry, not the rods or gauges of a laboratory."
_NO_AGE = "the age of the users is not stated; children under 96 months and adults were both judged"
_LAWS = {"US": "us", "EU": "eu", "GB": "eu"}
_TOLD = {"us": "US", "eu": "EU"}
# Samples of one gap that rods are tried at.
_TRIED = 200
# A gap that changes by less is told as steady.
_STEADY_MM = 0.1
_LEAST_MM = 1e-6
_CM3_PER_MM3 = 1e-3

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def pinch(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether gaps beside what moves can catch a finger.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``pinch.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a gap, or a group of gaps alike, that catches a
        finger.
    """
    case = _Case(workpiece, limits)
    if not case.carried:
        return [_nothing_moves(workpiece)]
    if reason := too_open(workpiece, limits, workpiece.layers.open_mm, workpiece.layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Gaps that catch a finger were", reason)]
    groups = _alike(case, [gap for motion in case.carried for gap in _gaps(case, motion)])
    shown = groups[: case.listed]
    findings = [_gap(case, group, name) for group, name in zip(shown, _names(case, shown), strict=True)]
    return [_whole(case, groups), *findings]


# --- the rules as they stand --------------------------------------------------------------


def caught(least_mm: Floats, most_mm: Floats, enters_mm: float, admits_mm: float, uncertainty_mm: float = 0.0) -> Bools:
    """Where a gap, on its way from its least to its most, admits the smaller rod and not the larger.

    Parameters
    ----------
    least_mm, most_mm : (...) float
        Largest ball that enters where the gap is narrowest and widest [mm].
    enters_mm, admits_mm : float
        Rods: what admits the first has to admit the second [mm].
    uncertainty_mm : float
        Half-width of what the gap may be; negative to ask where it may be so at all [mm].
    """
    return np.asarray((most_mm - uncertainty_mm >= enters_mm) & (least_mm + uncertainty_mm < admits_mm))


def crushed(
    least_mm: Floats, most_mm: Floats, finger_mm: float, wanted_mm: float, uncertainty_mm: float = 0.0
) -> Bools:
    """Where two parts that approach one another let a finger in and then leave it too little room.

    Parameters
    ----------
    least_mm, most_mm : (...) float
        Gap at the closest approach and where it is widest [mm].
    finger_mm : float
        Gap up to which no finger enters [mm].
    wanted_mm : float
        Least gap that crushes no finger [mm].
    uncertainty_mm : float
        Half-width of what the gap may be; negative to ask where it may be so at all [mm].
    """
    return np.asarray((most_mm - uncertainty_mm > finger_mm) & (least_mm + uncertainty_mm < wanted_mm))


def hinge_line(
    least_mm: float, most_mm: float, piece_g: float, from_g: float, rods_mm: tuple[float, float], spread_mm: float = 0.0
) -> Verdict | None:
    """Verdict by the clause on hinge lines, none where the piece that turns is too light for it.

    Parameters
    ----------
    least_mm, most_mm : float
        Gap along the hinge over the stroke [mm].
    piece_g, from_g : float
        Mass of the piece that turns, and from which the clause holds [g].
    rods_mm : (2,) float
        The rod that enters and the one that has to enter then [mm].
    spread_mm : float
        Half-width of what the gap may be [mm].
    """
    if piece_g < from_g:
        return None
    least, most = np.array(least_mm), np.array(most_mm)
    return by_range(caught(least, most, *rods_mm, spread_mm), caught(least, most, *rods_mm, -spread_mm))


def by_range(sure: Bools, may: Bools) -> Verdict:
    """Verdict on what is surely wrong, or may be so within the uncertainty, at any place."""
    return Verdict.FAILS if sure.any() else Verdict.MARGINAL if may.any() else Verdict.MEETS


# --- the part -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-02 judges it by."""

    rows = "pinch"

    @cached_property
    def carried(self) -> tuple[Carried, ...]:
        """Its motions; regions that move nobody knows how are taken as they were drawn."""
        if self.workpiece.motions:
            return self.workpiece.motions
        still = [
            Motion(region.name, MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 0.0))
            for region in self.workpiece.regions
            if region.kind is RegionKind.MOVING
        ]
        part = self.workpiece.part
        return tuple(carried(part.vertices, part.faces, self.workpiece.regions, motion) for motion in still)

    @property
    def unmoved(self) -> list[str]:
        """Regions that move, without a motion to say how."""
        told = {motion.motion.region for motion in self.workpiece.motions}
        return [r.name for r in self.workpiece.regions if r.kind is RegionKind.MOVING and r.name not in told]

    @property
    def age(self) -> int | None:
        return self.workpiece.submission.use.age_from_months

    @property
    def is_toy(self) -> bool:
        """Whether the rods are to be tried."""
        return self.age is None or self.age < self.value("toy_age")

    @property
    def crushes(self) -> bool:
        """Whether the gaps for crushing are to be kept."""
        return self.age is None or not self.is_toy

    @cached_property
    def laws(self) -> tuple[str, ...]:
        """Whose rods are tried; all of them where no market is stated or one is not known."""
        markets = self.workpiece.submission.markets
        known = {_LAWS.get(market, "") for market in markets}
        return tuple(law for law in _TOLD if law in known) if known and "" not in known else tuple(_TOLD)

    def rod_pair(self, law: str) -> tuple[float, float]:
        return self.value(f"{law}.enters"), self.value(f"{law}.admits")

    @property
    def finger_mm(self) -> float:
        """Gap up to which no finger enters, for those who are no toy's users."""
        return self.value("finger.adult" if self.is_grown else "finger.child")

    def force(self, motion: Motion) -> float | None:
        """With what a motion closes at most, as measured or as required [N]."""
        if motion.force_N is not None:
            return motion.force_N
        asked = [
            requirement.nominal + (requirement.upper or 0.0)
            for requirement in self.workpiece.submission.requirements
            if requirement.what is RequirementKind.FORCE
            and requirement.region == motion.region
            and requirement.nominal is not None
        ]
        return max(asked, default=None)

    def is_gentle(self, motion: Motion) -> bool:
        """Whether it is known to close too gently to crush an adult's finger."""
        force = self.force(motion)
        return force is not None and self.band("force").verdict(force) is Verdict.MEETS

    @property
    def is_grown(self) -> bool:
        """Whether all its users are known to have the fingers of adults."""
        return self.age is not None and self.age >= self.value("adult_age")

    def clear(self, moving: Carried) -> Clearances:
        widest = max(self.crush.value, *(self.rod_pair(law)[1] for law in _TOLD)) + 2 * self.value("tolerance")
        asked = (self.value("pitch"), self.value("step"), widest, self.value("slip"))
        return self.workpiece.measured(
            "clearances",
            lambda: clearances(
                moving,
                self.workpiece.faces,
                pitch_mm=asked[0],
                step_mm=asked[1],
                largest_mm=asked[2],
                slip_mm=asked[3],
            ),
            self.workpiece.regions,
            moving.motion,
            *asked,
        )

    @property
    def crush(self) -> Limit:
        band = self.band("crush")
        return band.limits[0]


@dataclass(frozen=True, eq=False)
class _Gap:
    """A gap that may catch a finger: samples on one side, joined, and what each rule says of it.

    ``curve`` is how the gap goes at its tightest place over the stroke; ``verdicts`` the verdict
    by each rule that it does not meet.
    """

    motion: Motion
    regions: tuple[str, str]
    opening: str
    verdicts: dict[str, Verdict]
    stroke: Floats
    curve: Floats
    least_mm: float
    most_mm: float
    opening_deg: float
    depth_mm: float
    middle: Floats
    box: Floats
    faces: Ints

    @property
    def verdict(self) -> Verdict:
        return worst_of(self.verdicts.values())


@dataclass(frozen=True, eq=False)
class _Rule:
    """A rule with where gaps break it surely, may break it, and where it is to be shown that a finger gets in."""

    name: str
    sure: Bools
    may: Bools
    shown: Bools
    rod_mm: float


def _gaps(case: _Case, moving: Carried) -> Iterator[_Gap]:
    """Gaps of one motion that do not meet a rule."""
    clear = case.clear(moving)
    by_ball = _told(case, clear.ball)
    # Where a floor stops the ball, the faces of a groove still stand apart as they do.
    groove = ~by_ball & _told(case, clear.wall) & (clear.ball.gap_mm < clear.wall.gap_mm)
    side, told = either(clear.ball, ~groove, clear.wall), by_ball | groove
    found: list[tuple[Ints, _Gap]] = []
    for rule in _rules(case, clear, side, told, moving.motion):
        chosen = np.flatnonzero(rule.may.any(axis=0))
        state = np.where(rule.shown, side.gap_mm, np.inf)[:, chosen].argmin(axis=0)
        for group in joined(clear, chosen, side, state):
            if len(group) * clear.area_mm2 < case.value("patch"):
                continue
            own = state[np.searchsorted(chosen, group)]
            deep_mm = _depth(case, clear, side, group, own, rule.rod_mm)
            shallow = deep_mm < case.value("depth")
            if not deep_mm >= case.value("flush") or (groove[own, group].all() and not shallow):
                continue
            sure = (rule.sure[:, group] & ~groove[:, group]).any(axis=0)
            firm = sure.sum() * clear.area_mm2 >= case.value("patch") and not shallow
            verdict = {rule.name: Verdict.FAILS if firm else Verdict.MARGINAL}
            known = next((n for n, (members, _) in enumerate(found) if np.isin(members, group).any()), None)
            if known is None:
                found.append((group, _gap_of(case, moving, clear, side, told, group, own, deep_mm, verdict)))
            else:
                members, gap = found[known]
                found[known] = (members, replace(gap, verdicts={**gap.verdicts, **verdict}))
    yield from (gap for _, gap in found)


def _told(case: _Case, side: Sides) -> Bools:
    """Where two faces near one another hold what lies between them and move against one another."""
    near = np.isfinite(side.gap_mm) & (side.slip_mm >= case.value("slip"))
    return np.asarray(near & (np.nan_to_num(side.opening_deg, nan=180.0) <= case.value("nip_angle")))


def _rules(case: _Case, clear: Clearances, side: Sides, told: Bools, motion: Motion) -> Iterator[_Rule]:
    """Each rule that holds for the users."""
    spread, gap = case.value("tolerance"), side.gap_mm
    if case.is_toy:
        for law in case.laws:
            rods = case.rod_pair(law)
            sure, may = (told & caught(gap, gap, *rods, width) for width in (spread, -spread))
            yield _Rule(law, sure, may, may, min(rods))
    if case.crushes:
        # Only what approaches crushes; the sides of a guide stay as far apart as they are.
        every = np.arange(gap.shape[1])
        curves = followed(clear, side, told, every, np.where(told, gap, np.inf).argmin(axis=0))
        ever = told.any(axis=0)
        near, far = (np.where(ever, ends, 0.0) for ends in (np.fmin.reduce(curves), np.fmax.reduce(curves)))
        closes = ever & ((far - near >= case.value("slip")) | (len(clear.stroke) == 1))
        bounds = case.finger_mm, case.crush.value
        sure, may = (closes & crushed(near, far, *bounds, width) for width in (spread, -spread))
        if case.is_gentle(motion):
            sure, may = np.zeros_like(sure), may & (not case.is_grown)
        widest = told & (gap >= np.where(told, gap, -np.inf).max(axis=0))
        yield _Rule("crush", told & sure, told & may, widest, case.finger_mm)


def _depth(case: _Case, clear: Clearances, side: Sides, group: Ints, state: Ints, rod_mm: float) -> float:
    """How deep a rod gets into a gap from outside, not a number where it does not get there at all [mm]."""
    few = np.linspace(0, len(group) - 1, min(len(group), _TRIED)).round().astype(int)
    deepest = np.nan
    for at in np.unique(state[few]):
        members = group[few[state[few] == at]]
        across = side.contact[at, members] - clear.point[at, members]
        apart = np.linalg.norm(across, axis=1)
        gap = side.gap_mm[at, members]
        deep = depths(
            clear.rays[at],
            clear.point[at, members] + across / 2,
            across / np.maximum(apart, _LEAST_MM)[:, None],
            gap,
            np.minimum(gap, rod_mm),
            2 * case.value("depth"),
        )
        deepest = float(np.fmax(deepest, np.fmax.reduce(deep)))
    return deepest


def _gap_of(
    case: _Case,
    moving: Carried,
    clear: Clearances,
    side: Sides,
    told: Bools,
    group: Ints,
    state: Ints,
    depth_mm: float,
    verdicts: dict[str, Verdict],
) -> _Gap:
    """What is told of joined samples."""
    workpiece = case.workpiece
    curves = followed(clear, side, told, group, state)
    own, other = clear.drawn[group], side.drawn[state, group]
    openings = [region for region in workpiece.regions if region.kind is RegionKind.OPENING]
    matter = [region for region in workpiece.regions if region.kind is not RegionKind.OPENING]
    pairs = np.column_stack([region_of(matter, own), region_of(matter, other)])
    kinds, kind, count = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    # Told for the pair of regions that most of it lies between: of the tightest places there, one that is seen
    # over most of the stroke, and of these the middle one.
    alike = np.flatnonzero(kind.ravel() == count.argmax())
    least = np.nanmin(curves[:, alike], axis=0)
    tight = alike[least <= least.min() + case.value("tolerance")]
    seen = (~np.isnan(curves[:, tight])).sum(axis=0)
    tight = tight[seen == seen.max()]
    spots = (own[tight] + other[tight]) / 2
    middle = np.linalg.norm(spots - spots.mean(axis=0), axis=1).argmin()
    chosen, curve = group[tight[middle]], curves[:, tight[middle]]
    ends = np.vstack([own, other])
    names = [region.name for region in matter] + [""]
    first, second = (names[number] for number in kinds[count.argmax()])
    held = region_of(openings, spots[middle])[0]
    return _Gap(
        motion=moving.motion,
        regions=(first or moving.motion.region, second),
        opening=openings[held].name if held >= 0 else "",
        verdicts=verdicts,
        stroke=clear.stroke,
        curve=curve,
        least_mm=float(np.nanmin(curve)),
        most_mm=float(np.nanmax(curve)),
        opening_deg=float(side.opening_deg[np.isfinite(curve), chosen].max()),
        depth_mm=depth_mm,
        middle=spots[middle],
        box=np.array([ends.min(axis=0), ends.max(axis=0)]),
        faces=covered(clear, workpiece.part.vertices, ends, np.append(clear.face[group], side.face[state, group])),
    )


def _alike(case: _Case, gaps: Sequence[_Gap]) -> list[list[_Gap]]:
    """Gaps of one kind together, the worst first: beside mirrored leaves, or side by side between the same parts."""
    kinds = {region.name: region.kind for region in case.workpiece.regions}

    def alike(one: _Gap, other: _Gap) -> bool:
        told = [(gap.opening, gap.verdict, [kinds.get(name) for name in gap.regions]) for gap in (one, other)]
        sizes = ((one.least_mm, other.least_mm), (one.most_mm, other.most_mm))
        equal = all(a == b or abs(a - b) <= case.value("alike") for a, b in sizes)
        apart_mm = float(np.maximum(one.box[0] - other.box[1], other.box[0] - one.box[1]).max())
        beside = one.regions == other.regions and apart_mm <= case.value("beside")
        return told[0] == told[1] and (equal or beside)

    groups: list[list[_Gap]] = []
    for gap in sorted(gaps, key=lambda gap: (WORST_FIRST.index(gap.verdict), gap.least_mm, *gap.middle)):
        group = next((group for group in groups if any(alike(known, gap) for known in group)), None)
        if group is None:
            groups.append([gap])
        else:
            group.append(gap)
    return groups


def _names(case: _Case, groups: Sequence[Sequence[_Gap]]) -> list[str]:
    """Subjects: the opening that a gap closes, else its regions; where it is too when they are taken.

    Of gaps alike the one whose region was declared first gives the name: which of them is the
    tightest by a hair changes with the mesh.
    """
    order = {region.name: number for number, region in enumerate(case.workpiece.regions)}
    names: list[str] = []
    for group in groups:
        first = min(group, key=lambda gap: order.get(gap.regions[0], len(order)))
        own, other = first.regions
        name = first.opening or (f"{own} to {other}" if other and other != own else own)
        name = f"{name} {place_name(first.middle)}" if name in (*names, WHOLE) else name
        names.append(f"{name} no. {len(names) + 1}" if name in names else name)
    return names


def _gap(case: _Case, group: Sequence[_Gap], name: str) -> Finding:
    """A gap that may catch a finger, or several alike."""
    first = group[0]
    faces = {f"faces_{number}" if number else "faces": gap.faces for number, gap in enumerate(group)}
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        first.verdict,
        _words(case, group),
        _change(case, first),
        severity=Severity.INJURY,
        measurements=_measured(case, first),
        limits=_limits(case, first.verdicts),
        where=tuple(
            Place(vector(gap.middle), None, (vector(gap.box[0]), vector(gap.box[1])), key)
            for gap, key in zip(group, faces, strict=True)
        ),
        figures=("gap_over_stroke",) if len(first.stroke) > 1 else (),
        evidence={**faces, **_drawn(case, first)},
        guess=_NO_AGE if case.age is None else "",
    )


def _whole(case: _Case, groups: Sequence[Sequence[_Gap]]) -> Finding:
    """The one finding that sums up all gaps of the part."""
    gaps = [gap for group in groups for gap in group]
    verdict = worst_of(gap.verdict for gap in gaps)
    moving = _and([motion.motion.region for motion in case.carried])
    if gaps:
        bad = sum(gap.verdict is Verdict.FAILS for gap in gaps)
        catch = "catch" if bad == len(gaps) else "may catch"
        certain = f", {bad} of them for certain" if 0 < bad < len(gaps) else ""
        catch = "catches" if bad == len(gaps) == 1 else catch
        told = [f"There {_counted(len(gaps), 'gap')} beside {moving} that {catch} a finger{certain}."]
        told += [f"The {case.listed} worst are listed."] if len(groups) > case.listed else []
    else:
        told = [_clear_words(case, moving)]
    told += _remarks(case, gaps)
    change = "Change the gaps listed." if gaps else ""
    if not case.workpiece.motions:
        change = f"{change} Declare how {moving} moves: direction and stroke.".strip()
        verdict = Verdict.MARGINAL if verdict is Verdict.MEETS else verdict
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        " ".join([*told, _SCREEN]),
        change,
        severity=Severity.INJURY,
        measurements=_measured(case, gaps[0]) if gaps else _nearest(case),
        limits=_limits(case, dict.fromkeys([*(case.laws if case.is_toy else ()), *(["crush"] * case.crushes)])),
        where=tuple(Place(vector(gap.middle)) for gap in gaps[: case.listed]),
        guess=_NO_AGE if case.age is None else "",
    )


def _nothing_moves(workpiece: Workpiece) -> Finding:
    """What stands in where no region is known to move."""
    shot = [region.name for region in workpiece.regions if region.kind is RegionKind.PROJECTILE]
    if shot:
        message = f"{_and(shot).capitalize()} is shot as one piece: nothing in it moves against anything else."
        return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.INJURY)
    if workpiece.said_to_be_rigid:
        message = "Nothing of this part is declared to move, so no gap of it closes on a finger."
        return finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.INJURY)
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        Verdict.NOT_CHECKED,
        "Gaps that catch a finger were not checked: no region of this part is declared as moving.",
        "Mark what moves as a region of kind moving with its motion and stroke; where nothing moves, put one "
        "fixed region round the whole part.",
        severity=Severity.INJURY,
    )


def _words(case: _Case, group: Sequence[_Gap]) -> str:
    first = group[0]
    own, other = first.regions
    where = f"between {own} and {other if other not in ('', own) else 'what rests beside it'}"
    where = f"in {first.opening}, {where}," if first.opening else where
    count = f" There are {len(group)} such places; this is the tightest." if len(group) > 1 else ""
    certain = first.verdict is Verdict.FAILS
    told = [f"The gap {where} is {_range_words(first)}.{count}"]
    pairs = [f"{_rod_words(case, law)} ({_TOLD[law]})" for law in first.verdicts if law in _TOLD]
    if pairs:
        what = "catches" if certain else "may catch"
        told.append(f"It {what} a finger of a child under {case.value('toy_age'):g} months: {' and '.join(pairs)}.")
    if "crush" in first.verdicts:
        what = "has" if certain else "may have"
        told.append(
            f"A finger gets in and {what} less than the {mm_words(case.crush.value)} that keep it from being crushed."
        )
    if first.depth_mm < case.value("depth"):
        told.append(f"It is only {mm_words(first.depth_mm)} deep, so that no more than a fingertip is caught.")
    elif not certain and not case.is_gentle(first.motion):
        told.append(
            f"It is nearer to the bound than the {mm_words(case.value('tolerance'))} that printed gaps vary by."
        )
    if case.value("wedge") < first.opening_deg:
        told.append(f"Its sides close like a V, up to {first.opening_deg:.0f}° open.")
    told.append(_force_words(case, first.motion))
    return " ".join(filter(None, told))


def _range_words(gap: _Gap) -> str:
    unit = "mm" if gap.motion.kind is MotionKind.TRANSLATION else "degrees"
    if len(gap.stroke) == 1:
        return f"{mm_words(gap.least_mm)} wide as drawn"
    stroke = f"the stroke of {abs(gap.stroke[-1] - gap.stroke[0]):.3g} {unit}"
    if np.isnan(gap.curve).any():
        return f"down to {mm_words(gap.least_mm)} wide on a part of {stroke}"
    if gap.most_mm - gap.least_mm < _STEADY_MM:
        return f"{mm_words(gap.least_mm)} wide all over {stroke}"
    most = f"{mm_words(gap.most_mm)} wide" if np.isfinite(gap.most_mm) else "wide open"
    return f"between {mm_words(gap.least_mm)} and {most} over {stroke}"


def _rod_words(case: _Case, law: str) -> str:
    enters, admits = case.rod_pair(law)
    return f"a rod of {enters:.3g} mm enters and one of {admits:.3g} mm does not"


def _force_words(case: _Case, motion: Motion) -> str:
    force = case.force(motion)
    if force is None:
        return "With what force it closes is not declared."
    said = f"{motion.region.capitalize()} moves with {force:.3g} N at most"
    return f"{said}; no rule for toys lets a gap off for a small force." if case.is_toy else f"{said}."


def _change(case: _Case, gap: _Gap) -> str:
    spread = case.value("tolerance")
    laws = [law for law in gap.verdicts if law in _TOLD]
    wide = max([*(case.rod_pair(law)[1] for law in laws), *([case.crush.value] * ("crush" in gap.verdicts))]) + spread
    narrow = min([*(case.rod_pair(law)[0] for law in laws), *([case.finger_mm] * ("crush" in gap.verdicts))]) - spread
    more = wide - gap.least_mm
    return (
        f"Keep it {mm_words(wide)} or wider over the whole stroke ({mm_words(more)} more where it is narrowest), keep "
        f"it {mm_words(narrow)} or narrower throughout, or cover it so that no finger gets there."
    )


def _measured(case: _Case, gap: _Gap) -> tuple[Measurement, ...]:
    spread = case.value("tolerance")
    found = [Measurement("gap at its narrowest", gap.least_mm, "mm", spread, _BY_BALL)]
    if np.isfinite(gap.most_mm):
        found.append(Measurement("gap at its widest", gap.most_mm, "mm", spread, _BY_BALL))
    if np.isfinite(gap.depth_mm):
        found.append(Measurement("depth of the gap", gap.depth_mm, "mm", spread, "a straight rod from outside"))
    found.append(Measurement("opening angle of its sides", gap.opening_deg, "deg", 0.0, "where the gap is narrowest"))
    force = case.force(gap.motion)
    if force is not None:
        found.append(Measurement("closing force, at most", force, "N", 0.0, "as declared or required"))
    return tuple(found)


def _limits(case: _Case, rules: Iterable[str]) -> tuple[Limit, ...]:
    rows: list[Limit] = []
    for rule in rules:
        if rule in _TOLD:
            rows += [case.row(f"{rule}.enters"), case.row(f"{rule}.admits")]
        else:
            rows += [case.crush, case.row("finger.adult" if case.is_grown else "finger.child")]
            rows += case.band("force").limits if any(case.force(m.motion) is not None for m in case.carried) else ()
    return tuple(rows)


def _sizes(case: _Case) -> Floats:
    """All gaps that are told of all motions, in no order [mm]."""
    clear = [case.clear(motion) for motion in case.carried]
    return np.concatenate([np.zeros(0), *(c.ball.gap_mm[_told(case, c.ball)] for c in clear)])


def _nearest(case: _Case) -> tuple[Measurement, ...]:
    """The gaps nearest to what catches a finger, on either side of it."""
    sizes, spread = _sizes(case), case.value("tolerance")
    middle = max(case.rod_pair(law)[0] for law in _TOLD)
    narrow, wide = sizes[sizes < middle], sizes[sizes >= middle]
    found = []
    if len(narrow):
        quantity = "widest of the narrow gaps beside what moves"
        found.append(Measurement(quantity, float(narrow.max()), "mm", spread, _BY_BALL))
    if len(wide):
        quantity = "narrowest of the wide gaps beside what moves"
        found.append(Measurement(quantity, float(wide.min()), "mm", spread, _BY_BALL))
    return tuple(found)


def _clear_words(case: _Case, moving: str) -> str:
    if not len(_sizes(case)):
        return f"Nothing comes near {moving} over its stroke."
    gentle = [motion.motion for motion in case.carried if case.is_gentle(motion.motion)]
    if not case.is_toy and case.is_grown and len(gentle) == len(case.carried):
        force = max(case.force(motion) or 0.0 for motion in gentle)
        return (
            f"{moving.capitalize()} closes with {force:.3g} N at most, too gently to crush the finger of an adult, "
            "whatever its gaps are."
        )
    return f"No gap beside {moving} that a finger can get at catches it, at any place of the stroke."


def _remarks(case: _Case, gaps: Sequence[_Gap]) -> list[str]:
    told = []
    if not case.workpiece.motions:
        told.append("How it moves is not declared, so that gaps were judged as drawn and not over a stroke.")
    elif case.unmoved:
        told.append(f"No motion is declared for {_and(case.unmoved)}: taken as resting.")
    if not case.is_toy:
        told.append(f"The rods for toys do not apply from {case.value('toy_age'):g} months on.")
    elif not case.workpiece.submission.markets:
        told.append("No market is stated, so that the rods of the US and of the EU were both tried.")
    if case.is_toy and any(motion.motion.kind is MotionKind.ROTATION for motion in case.carried):
        told.append(_hinge_words(case, gaps))
    return told


def _hinge_words(case: _Case, gaps: Sequence[_Gap]) -> str:
    """What the clause on hinge lines says of gaps beside what turns; the whole part bounds what its piece weighs."""
    mesh, material = case.workpiece.part.mesh, case.workpiece.setup.material
    whole_g = abs(float(mesh.volume)) * _CM3_PER_MM3 * material["density"].high
    from_g = min(case.value(f"{law}.hinge_mass") for law in case.laws)
    clause = f"The clause on hinge lines is for pieces of {from_g:.0f} g and over"
    if whole_g < from_g:
        return f"{clause}; this part has {whole_g:.0f} g at most."
    verdicts = [
        hinge_line(
            gap.least_mm,
            gap.most_mm,
            whole_g,
            case.value(f"{law}.hinge_mass"),
            case.rod_pair(law),
            case.value("tolerance"),
        )
        for law in case.laws
        for gap in gaps
        if gap.motion.kind is MotionKind.ROTATION
    ]
    met = Verdict.FAILS not in verdicts
    return f"{clause}; it is {'met' if met else 'not met by the gaps listed, if the piece that turns weighs so much'}."


def _drawn(case: _Case, gap: _Gap) -> dict[str, NDArray[Any]]:
    """Gap over the stroke, and the bands in which it must not be."""
    bands = [(*case.rod_pair(law),) for law in gap.verdicts if law in _TOLD]
    crush = "crush" in gap.verdicts
    bands += [(case.finger_mm, case.crush.value)] * crush
    return {
        "stroke": gap.stroke,
        "gap_mm": np.where(np.isfinite(gap.curve), gap.curve, np.nan),
        "spread_mm": np.array([case.value("tolerance")]),
        "bands_mm": np.array(bands),
        "rules": np.array([*(_TOLD[law] for law in gap.verdicts if law in _TOLD), *(["ISO 13854"] * crush)]),
        "turns": np.array([float(gap.motion.kind is MotionKind.ROTATION)]),
    }


def _counted(count: int, one: str) -> str:
    return f"is one {one}" if count == 1 else f"are {count} {one}s"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
