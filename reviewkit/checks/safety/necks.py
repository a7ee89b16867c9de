"""SA-07: thin necks that hold a piece, against the loads of the use-and-abuse tests."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import (
    WHOLE,
    Case,
    at_words,
    finding,
    mm_words,
    not_checked,
    ring_points,
    subject_names,
    too_open,
    vector,
)
from reviewkit.limits import Limits
from reviewkit.measure.necks import Abuse, Demand, Held, Search, abuse, demands, held_pieces, holding_mm
from reviewkit.measure.plate import hull_2d
from reviewkit.model import Finding, Measurement, Place, Severity, Verdict
from reviewkit.workpiece import Workpiece

CODE = "SA-07"
DOMAIN = "safety"

_NO_AGE = "The age of the users was not stated: the loads of every age group were tried and the worst is told."
_SCREEN = "A screen by geometry and strengths of the material's class, not the tests of 16 CFR 1500.51 to 1500.53."
_SIDE = "side pull"
_ORDER = ("pull", "push", "twist", _SIDE)
_LOADS = {"pull": "pulled with", "push": "pressed with", "twist": "twisted with", _SIDE: "pulled from the side with"}
_STRESSES = {"pull": "pull", "push": "pressure", "twist": "shear", _SIDE: "bending"}
_AROUND_MM = 0.6
_METHOD = "least section near by; solid bar without notch, loads at rest"


def necks(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge every thin neck that holds a piece by the loads of the age group.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``necks.*``, ``abuse.*`` and ``load.shear_share``.

    Returns
    -------
    list of Finding
        The whole part first; then one a piece whose necks break or may break.
    """
    case = _Case(workpiece, limits)
    if case.abuse is None:
        until = limits.value("abuse.child.until", workpiece.setup)
        message = (
            f"The part is meant for {(case.age or 0) // 12} years and older: use-and-abuse tests end at "
            f"{until.value:.0f} months, so no load is asked of its necks."
        )
        return [
            finding(workpiece, CODE, DOMAIN, WHOLE, Verdict.MEETS, message, severity=Severity.INJURY, limits=(until,))
        ]
    layers = workpiece.layers
    if not len(layers) or (reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm)):
        reason = reason if len(layers) else "there is no matter in it"
        return [not_checked(workpiece, CODE, DOMAIN, "Necks that hold a piece were", reason)]
    wrong = [one for one in case.pieces if one.verdict is not Verdict.MEETS]
    wrong.sort(key=lambda one: (one.verdict is not Verdict.FAILS, -one.worst.share))
    centres = [workpiece.to_part(one.held.centre_mm[None])[0] for one in wrong]
    listed = [
        _neck(case, case.abuse, one, name)
        for one, name in zip(wrong[: case.listed], subject_names(workpiece, centres), strict=False)
    ]
    return [_whole(case, case.abuse, wrong, listed), *listed]


@dataclass(frozen=True, eq=False)
class _Loaded:
    """A piece with what the loads do to its necks."""

    held: Held
    demands: tuple[Demand, ...]

    @property
    def worst(self) -> Demand:
        """The load that decides: of those that it does not hold the one that strains it most."""
        return max(self.demands, key=lambda one: (one.load != _SIDE and one.breaks, not one.holds, one.share))

    @property
    def verdict(self) -> Verdict:
        """A pull from the side alone fails nothing: where it takes hold is an assumption, and thin pieces give way."""
        if any(one.breaks for one in self.demands if one.load != _SIDE):
            return Verdict.FAILS
        return Verdict.MEETS if all(one.holds for one in self.demands) else Verdict.MARGINAL


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-07 judges it by."""

    rows = "necks"

    @property
    def age(self) -> int | None:
        return self.workpiece.submission.use.age_from_months

    @cached_property
    def abuse(self) -> Abuse | None:
        return abuse(self.limits, self.workpiece.setup, self.age)

    @cached_property
    def pieces(self) -> list[_Loaded]:
        workpiece, search = self.workpiece, Search.of(self.limits, self.workpiece.setup)
        found = workpiece.measured(
            "held pieces",
            lambda: held_pieces(workpiece.vertices, workpiece.faces, workpiece.layers, workpiece.stack, search),
            search,
        )
        assert self.abuse is not None
        return [_Loaded(held, demands(held, self.abuse)) for held in found]


def _neck(case: _Case, load: Abuse, one: _Loaded, name: str) -> Finding:
    """A piece whose necks break or may break."""
    workpiece, held, worst = case.workpiece, one.held, one.worst
    centre = workpiece.to_part(held.centre_mm[None])[0]
    neck = held.necks[-1]
    sizes = " x ".join(f"{side:.2g}" for side in neck.sides_mm)
    if len(held.necks) == 1:
        what = f"A neck of {sizes} mm"
    else:
        what = f"{len(held.necks)} necks with {held.area_mm2:.3g} mm² in all, the thinnest {sizes} mm,"
    lies = "across the layers" if neck.from_z_deg < 45 else "within the layers"
    parts = "breaks" if one.verdict is Verdict.FAILS else "may break"
    low, high = worst.strength_mpa
    wide_mm, thick_mm = (float(np.ceil(10 * side - 1e-6)) / 10 for side in holding_mm(held, load))
    message = (
        f"{what} {at_words(workpiece, centre)} {'hold' if len(held.necks) > 1 else 'holds'} a piece that reaches "
        f"{mm_words(held.reach_mm)} from it, pulled {lies}. {_LOADS[worst.load].capitalize()} "
        f"{_load_words(load, worst.load)} as use-and-abuse tests do, it {parts}: it bears {_borne_words(load, worst)} "
        f"({_STRESSES[worst.load]} strength {low:.3g} to {high:.3g} MPa)."
    )
    if one.verdict is Verdict.FAILS:
        message += " The stub left behind can be sharp, and the piece is loose; SA-04 says whether it is a small part."
    return finding(
        workpiece,
        CODE,
        DOMAIN,
        name,
        one.verdict,
        message,
        f"Make the neck {mm_words(thick_mm)} thick or more at a width of {mm_words(wide_mm)}, or leave the piece away "
        "or print it by itself. A neck that is meant to break counts too: what it leaves must be neither sharp nor a "
        "small part.",
        severity=Severity.INJURY,
        measurements=(
            *(
                Measurement(f"stress under {demand.load}", demand.stress_mpa, "MPa",
                            demand.uncertainty_mpa, _METHOD)
                for demand in one.demands
            ),
            Measurement("area of the necks", held.area_mm2, "mm2", 0.0, _METHOD),
            Measurement("least second moment of the thinnest neck", neck.least_second_moment_mm4, "mm4", 0.0, _METHOD),
            Measurement("thickness that holds", thick_mm, "mm", load.scatter_mm,
                        f"{mm_words(wide_mm)} wide, least strength, every load"),
        ),
        limits=load.limits,
        where=tuple(_place(case, held, number) for number in range(len(held.necks))),
        figures=("held_piece",),
        evidence=_drawn(one) | {"faces": _faces(case, held)},
        guess=_NO_AGE if case.age is None else "",
    )  # fmt: skip


def _load_words(load: Abuse, name: str) -> str:
    match name:
        case "push":
            return f"{load.push_n:.3g} N"
        case "twist":
            return f"{load.twist_nmm / 1000:.2g} N m"
        case _:
            return f"{load.pull_n:.3g} N"


def _borne_words(load: Abuse, demand: Demand) -> str:
    """What the necks bear of a load, from the least to the greatest strength."""
    size, unit = {"push": (load.push_n, "N"), "twist": (load.twist_nmm / 1000, "N m")}.get(
        demand.load, (load.pull_n, "N")
    )
    low, high = (size * strength / demand.stress_mpa for strength in demand.strength_mpa)
    words = [f"{value:.2g}" if value < 100 else f"{value:.0f}" for value in (low, high)]
    return f"{words[0]} to {words[1]} {unit}"


def _whole(case: _Case, load: Abuse, wrong: Sequence[_Loaded], listed: Sequence[Finding]) -> Finding:
    """Everything in one finding."""
    held = case.pieces
    if wrong:
        surely = sum(one.verdict is Verdict.FAILS for one in wrong)
        verdict = wrong[0].verdict
        if len(held) == 1:
            message = f"The one piece on a thin neck {'breaks' if surely else 'may break'} off"
        else:
            told = [f"{surely} break{'s' * (surely == 1)} off"] * (surely > 0)
            told += [f"{len(wrong) - surely} may break off"] * (len(wrong) > surely)
            message = f"Of {len(held)} pieces on thin necks {' and '.join(told)}"
        message += f" under the loads of use-and-abuse tests ({_all_loads(load)})."
        if len(wrong) > len(listed):
            message += f" The {len(listed)} worst are listed."
        change = listed[0].change
        share = wrong[0].worst
    elif held:
        verdict, change = Verdict.MEETS, ""
        weakest = max(held, key=lambda one: one.worst.share)
        share = weakest.worst
        message = (
            f"All {len(held)} pieces on thin necks hold" if len(held) > 1 else "The one piece on a thin neck holds"
        ) + (
            f" under the loads of use-and-abuse tests ({_all_loads(load)}); the weakest neck bears "
            f"{share.stress_mpa:.3g} of {share.strength_mpa[0]:.3g} MPa."
        )
    else:
        verdict, change, share = Verdict.MEETS, "", None
        message = f"No piece hangs on a neck thinner than {case.value('widest'):.0f} mm² that could break off."
    measurements: tuple[Measurement, ...] = (
        Measurement(
            "pieces on thin necks", len(held), "count", 0.0, "slices in many directions, least cut between lumps"
        ),
    )
    if share is not None:
        measurements += (
            Measurement("greatest stress over the middle of the strength", share.share, "-", 0.0, _METHOD),
        )
    return finding(
        case.workpiece, CODE, DOMAIN, WHOLE, verdict, f"{message} {_SCREEN}", change, severity=Severity.INJURY,
        measurements=measurements, limits=load.limits, guess=_NO_AGE if case.age is None else "",
    )  # fmt: skip


def _all_loads(load: Abuse) -> str:
    return f"{load.pull_n:.3g} N pull, {load.push_n:.3g} N pressure, {load.twist_nmm / 1000:.2g} N m twist"


def _place(case: _Case, held: Held, number: int) -> Place:
    neck = held.necks[number]
    corners = case.workpiece.to_part(neck.outline)
    centre = case.workpiece.to_part(neck.centre_mm[None])[0]
    low, high = corners.min(axis=0) - _AROUND_MM, corners.max(axis=0) + _AROUND_MM
    return Place(vector(centre), None, (vector(low), vector(high)), "faces")


def _faces(case: _Case, held: Held) -> NDArray[np.int64]:
    """Facets near a neck."""
    corners = case.workpiece.vertices[case.workpiece.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    near = np.zeros(len(corners), dtype=bool)
    for neck in held.necks:
        least, most = neck.outline.min(axis=0) - _AROUND_MM, neck.outline.max(axis=0) + _AROUND_MM
        near |= ((low <= most) & (high >= least)).all(axis=1)
    return np.flatnonzero(near)


def _drawn(one: _Loaded) -> dict[str, NDArray[Any]]:
    """The thinnest neck's section, the piece seen along the neck's wide side, and the stresses."""
    held = one.held
    neck = held.necks[-1]
    flat = neck.outline[:-1] - neck.centre_mm
    # Seen square to the neck, so that its thin side shows.
    spread = np.linalg.eigh(np.cov((flat @ neck.frame[:2].T).T))[1]
    thin = spread[:, 0] @ neck.frame[:2]
    view = np.vstack([neck.frame[2], thin])
    rings = ring_points(neck.section)
    return {
        "section": rings @ spread[:, ::-1],
        "piece": hull_2d((held.points - neck.centre_mm) @ view.T),
        "neck": (neck.outline - neck.centre_mm) @ view.T,
        "stress_mpa": np.array([demand.stress_mpa for demand in one.demands]),
        "uncertainty_mpa": np.array([demand.uncertainty_mpa for demand in one.demands]),
        "strength_mpa": np.array([demand.strength_mpa for demand in one.demands]),
        "loads": np.array([_ORDER.index(demand.load) for demand in one.demands]),
    }
