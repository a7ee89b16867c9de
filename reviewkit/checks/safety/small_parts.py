"""SA-04: whether a body, or a piece that use and abuse break off, is a small part or a small ball."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, Case, at_words, finding, mm_words, not_checked, subject_names, too_open, vector
from reviewkit.limits import Limits
from reviewkit.measure.necks import Abuse, Held, Search, abuse, demands, held_pieces
from reviewkit.measure.plate import hull_2d
from reviewkit.measure.small_parts import Cylinder, CylinderFit, Hull, bodies, fit_in_cylinder, hull_of, least_circle
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.workpiece import Workpiece

CODE = "SA-04"
DOMAIN = "safety"

_NO_AGE = "The age of the users was not stated: every age group was tried and the worst is told."
_SCREEN = "A screen by geometry, not the test with the cylinder of 16 CFR 1501.4."
_WORST_FIRST = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)
_RULES = ("US", "EU")
# Edges that fold by more than this are drawn; no more of them than so many.
_FOLD_DEG, _MOST_EDGES = 30.0, 400


def small_parts(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge every body of the part, and every piece that a neck would let go, by the small-parts cylinder.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``small_parts.*``, ``abuse.*`` and ``necks.*``.

    Returns
    -------
    list of Finding
        The whole part first; then one a body, where there are several, and one a piece that is a small part.
    """
    case = _Case(workpiece, limits)
    if case.age is not None and case.age >= case.value("warning_until"):
        message = (
            f"The part is meant for {case.age // 12} years and older: the small-part rules are for toys and other "
            "articles of children and do not apply."
        )
        rows = (case.row("warning_until"),)
        return [_finding(case, WHOLE, Verdict.MEETS, message, limits=rows, guess=False)]
    layers = workpiece.layers
    if not len(layers) or (reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm)):
        reason = reason if len(layers) else "there is no matter in it"
        return [not_checked(workpiece, CODE, DOMAIN, "Small parts were", reason)]
    alone = [_body(case, shape) for shape in case.shapes]
    pieces = [] if all(one.fits for one in case.shapes) else [one for one in case.pieces if one.fits or one.undecided]
    listed = [_piece(case, piece, name) for piece, name in zip(pieces[: case.listed], case.names(pieces), strict=False)]
    several = [one for one in alone if one.subject != WHOLE and one.verdict is not Verdict.MEETS]
    return [_whole(case, alone, listed, len(pieces)), *several[: case.listed], *listed]


@dataclass(frozen=True, eq=False)
class _Shape:
    """Bodies of one shape, or one piece, with how it lies in the cylinder."""

    corners: NDArray[np.int64]
    count: int
    hull: Hull
    fit: CylinderFit
    boundary_mm: float
    is_ball: bool = False
    hole_mm: float = np.inf

    @property
    def fits(self) -> bool:
        return self.fit.margin_mm > self.boundary_mm

    @property
    def undecided(self) -> bool:
        return abs(self.fit.margin_mm) <= self.boundary_mm


@dataclass(frozen=True, eq=False)
class _Piece(_Shape):
    """A piece that a neck lets go."""

    held: Held | None = None
    surely: bool = True


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that SA-04 judges it by."""

    rows = "small_parts"

    @property
    def age(self) -> int | None:
        return self.workpiece.submission.use.age_from_months

    @cached_property
    def markets(self) -> tuple[str, ...]:
        """Markets whose rules apply; all where none of them was stated."""
        stated = tuple(market for market in _RULES if market in self.workpiece.submission.markets)
        return stated or _RULES

    @cached_property
    def cylinder(self) -> Cylinder:
        return Cylinder(self.value("diameter"), self.value("deep"), self.value("shallow"))

    @property
    def size_rows(self) -> tuple[Limit, ...]:
        return self.row("diameter"), self.row("deep"), self.row("shallow")

    @property
    def alone(self) -> bool:
        """Whether the submission is one body and no more."""
        return len(self.workpiece.submission.parts) <= 1 and len(self.shapes) == 1 and self.shapes[0].count == 1

    def tried(self, points: Floats) -> tuple[Hull, CylinderFit]:
        hull = hull_of(points)
        return hull, fit_in_cylinder(hull, self.cylinder, round(self.value("starts")))

    @cached_property
    def groups(self) -> list[list[NDArray[np.int64]]]:
        """Bodies alike in size and volume together."""
        workpiece = self.workpiece
        own = workpiece.measured("bodies", lambda: bodies(workpiece.vertices, workpiece.faces, workpiece.stack))
        alike: dict[tuple[float, ...], list[NDArray[np.int64]]] = {}
        for corners in own:
            hull = hull_of(workpiece.vertices[corners])
            mark = tuple(np.round([hull.volume_mm3, hull.area_mm2, *hull.extents_mm], 2))
            alike.setdefault(mark, []).append(corners)
        return list(alike.values())

    @cached_property
    def shapes(self) -> list[_Shape]:
        """Every shape of body, the largest first; no more than are tried."""
        groups = self.groups[-round(self.value("shapes")) :]
        arguments = (self.cylinder, self.value("starts"), len(groups))

        def made() -> list[tuple[Hull, CylinderFit, float]]:
            found = []
            for group in groups:
                hull, fit = self.tried(self.workpiece.vertices[group[0]])
                found.append((hull, fit, least_circle(hull)[0] if self._ball_like(hull) else np.inf))
            return found

        tried = self.workpiece.measured("bodies in the cylinder", made, *arguments)
        return [
            _Shape(group[0], len(group), hull, fit, self.value("boundary"), self._ball_like(hull), hole)
            for group, (hull, fit, hole) in zip(groups, tried, strict=True)
        ]

    def _ball_like(self, hull: Hull) -> bool:
        return hull.slimness <= self.value("ball_slimness") and hull.sphericity >= self.value("ball_sphericity")

    @cached_property
    def abuse(self) -> Abuse | None:
        return abuse(self.limits, self.workpiece.setup, self.age)

    @cached_property
    def pieces(self) -> list[_Piece]:
        """Pieces that break off, or may, under the loads of the age group."""
        if self.abuse is None:
            return []
        found = []
        workpiece, search = self.workpiece, Search.of(self.limits, self.workpiece.setup)
        all_held = workpiece.measured(
            "held pieces",
            lambda: held_pieces(workpiece.vertices, workpiece.faces, workpiece.layers, workpiece.stack, search),
            search,
        )
        for held in all_held:
            loads = [demand for demand in demands(held, self.abuse) if demand.load != "side pull"]
            if not all(demand.holds for demand in loads):
                name = held.corners.tobytes()
                hull, fit = workpiece.measured(
                    "piece in the cylinder", partial(self.tried, held.points), self.cylinder, self.value("starts"), name
                )
                surely = any(demand.breaks for demand in loads)
                found.append(_Piece(held.corners, 1, hull, fit, self.value("boundary"), held=held, surely=surely))
        return found

    def names(self, pieces: Sequence[_Piece]) -> list[str]:
        workpiece = self.workpiece
        centres = [workpiece.to_part(piece.held.centre_mm[None])[0] for piece in pieces if piece.held is not None]
        return subject_names(workpiece, centres)

    def consequence(self, *, received: bool) -> tuple[Verdict, str, str, tuple[Limit, ...]]:
        """Verdict, words, change and rows for a small part at this age."""
        age = -1 if self.age is None else self.age
        if age < self.value("banned_until"):
            bans = {"US": "16 CFR 1501 bans it", "EU": "EN 71-1 does not allow it"}
            words = (
                f"In a toy for children under 3 years {' and '.join(bans[m] for m in self.markets)}; no label cures it."
            )
            return Verdict.FAILS, words, "", (self.row("banned_until"),)
        said, asked, rows = [], [], []
        if "US" in self.markets:
            if received and age < self.value("label_until"):
                said.append("a US toy for 3 to under 6 years needs the choking-hazard label for children under 3")
                asked.append("the US choking-hazard label")
            elif received:
                said.append("from 6 years on US law asks for no label")
            else:
                said.append("US law does not ban it from 3 years on and asks for no label for what breaks off")
            rows.append(self.row("label_until"))
        if "EU" in self.markets:
            said.append(
                "an EU toy needs the warning that it is not for children under 36 months, with the reason, unless it "
                "is plainly unsuitable for them"
            )
            asked.append("the EU warning for children under 36 months")
            rows.append(self.row("warning_until"))
        words = f"{'; '.join(said)}."
        words = words[0].upper() + words[1:]
        if not asked:
            return Verdict.MEETS, words, "", tuple(rows)
        return Verdict.MARGINAL, words, f"print {' and '.join(asked)} on product and pack", tuple(rows)


def _finding(
    case: _Case,
    subject: str,
    verdict: Verdict,
    message: str,
    change: str = "",
    *,
    limits: tuple[Limit, ...],
    shape: _Shape | None = None,
    where: tuple[Place, ...] = (),
    measurements: tuple[Measurement, ...] = (),
    guess: bool = True,
) -> Finding:
    """A finding of this check; a shape that was turned in the cylinder is drawn."""
    drawn = shape is not None and shape.fit.proof != "length"
    evidence: dict[str, NDArray[np.generic]] = {}
    if shape is not None and drawn:
        evidence = dict(_drawn(case, shape))
    if shape is not None and where:
        evidence["faces"] = _faces(case, shape.corners)
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        subject,
        verdict,
        message,
        "" if verdict is Verdict.MEETS else change,
        severity=Severity.INJURY,
        measurements=measurements,
        limits=limits,
        where=where,
        figures=("cylinder_fit",) if drawn else (),
        evidence=evidence,
        guess=_NO_AGE if guess and case.age is None else "",
    )


def _body(case: _Case, shape: _Shape) -> Finding:
    """What one shape of body is."""
    single = len(case.shapes) == 1 and shape.count == 1
    vertices = case.workpiece.to_part(case.workpiece.vertices[shape.corners])
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
    subject = WHOLE if single else f"body {subject_names(case.workpiece, [middle])[0]}"
    place = f" {at_words(case.workpiece, middle)}"
    named = "The part" if single else f"The body{place}" if shape.count == 1 else f"Each of {shape.count} bodies{place}"
    fit = shape.fit
    message, rows = f"{named} {_fit_words(case, shape)}", case.size_rows
    verdict, change = Verdict.MEETS, ""
    if shape.fits or shape.undecided:
        verdict, words, change, more = case.consequence(received=True)
        message, rows = f"{message} {words}", (*rows, *more)
        change = change or (
            f"make it larger by {mm_words(max(fit.margin_mm, 0.0) + case.value('boundary'))} or more on every side, or "
            f"longer than {mm_words(case.cylinder.longest_mm)}, or join it for good to a larger part"
        )
        if shape.undecided and verdict is Verdict.FAILS:
            verdict = Verdict.MARGINAL
    ball_verdict, ball_words, ball_change, ball_rows = _ball(case, shape)
    if ball_words:
        message, rows = f"{message} {ball_words}", (*rows, *ball_rows)
    if _WORST_FIRST.index(ball_verdict) < _WORST_FIRST.index(verdict):
        verdict, change = ball_verdict, ball_change
    where = () if verdict is Verdict.MEETS else (_place(vertices),)
    measurements: tuple[Measurement, ...] = (_margin(shape),)
    if shape.is_ball:
        measurements += (
            Measurement("smallest round hole it passes", shape.hole_mm, "mm", 0.1, "least circle around its shadow"),
        )
    return _finding(
        case, subject, verdict, message, _sentence(change), limits=rows, shape=shape, where=where,
        measurements=measurements,
    )  # fmt: skip


def _ball(case: _Case, shape: _Shape) -> tuple[Verdict, str, str, tuple[Limit, ...]]:
    """Verdict, words, change and rows of the small-ball rule."""
    row = case.row("ball")
    if not shape.is_ball:
        return Verdict.MEETS, "", "", ()
    if shape.hole_mm > row.value:
        words = f"As a ball it does not pass a hole of {mm_words(row.value)}: it is no small ball."
        return Verdict.MEETS, words, "", (row,)
    words = f"It is round enough to count as a ball and passes a hole of {mm_words(row.value)}: a small ball."
    age = -1 if case.age is None else case.age
    change = f"make it larger than {mm_words(row.value)} in every direction"
    if age < case.value("banned_until"):
        return (
            Verdict.FAILS,
            f"{words} It is banned for children under 3 years.",
            change,
            (row, case.row("banned_until")),
        )
    if case.alone or age < case.value("ball_label_until"):
        words += " From 3 years on it needs the small-ball label."
        return Verdict.MARGINAL, words, f"print the small-ball label, or {change}", (row, case.row("ball_label_until"))
    return Verdict.MEETS, f"{words} At this age a toy with it needs no label.", "", (row, case.row("ball_label_until"))


def _piece(case: _Case, piece: _Piece, name: str) -> Finding:
    """A small part that breaks off."""
    held = piece.held
    assert held is not None
    workpiece = case.workpiece
    verdict, words, change, rows = case.consequence(received=False)
    if verdict is Verdict.FAILS and not (piece.surely and piece.fits):
        verdict = Verdict.MARGINAL
    centre = workpiece.to_part(held.centre_mm[None])[0]
    necks = "a neck" if len(held.necks) == 1 else f"{len(held.necks)} necks"
    parts = "break" if piece.surely else "may break"
    small = f"The piece, {' x '.join(f'{size:.3g}' for size in piece.hull.extents_mm)} mm,"
    message = (
        f"Use and abuse {parts} {necks} of {held.area_mm2:.3g} mm² {at_words(workpiece, centre)}, and what is behind "
        f"comes off (SA-07). {small} {_fit_words(case, piece)} {words}"
    )
    if verdict is Verdict.MEETS and not case.workpiece.submission.markets:
        message += " No market was stated."
    hold = "hold the piece by a neck that does not break (SA-07 says how thick), or leave it away"
    points = workpiece.to_part(held.points)
    return _finding(
        case,
        name,
        verdict,
        message,
        _sentence(f"{hold}; otherwise {change}" if change else hold),
        limits=(*case.size_rows, *rows),
        shape=piece,
        where=(_place(points, centre),),
        measurements=(_margin(piece), Measurement("area of the necks", held.area_mm2, "mm2", 0.0, "least section")),
    )


def _whole(case: _Case, alone: Sequence[Finding], listed: Sequence[Finding], count: int) -> Finding:
    """Everything in one finding."""
    single = len(alone) == 1 and alone[0].subject == WHOLE
    nearest = max(case.shapes, key=lambda shape: shape.fit.margin_mm)
    verdict = min((f.verdict for f in (*alone, *listed)), key=_WORST_FIRST.index)
    if single:
        message, change = alone[0].message, alone[0].change
    else:
        bodies_n = sum(len(group) for group in case.groups)
        small = sum(shape.count for shape in case.shapes if shape.fits)
        fit = "fits" if small == 1 else "fit"
        message = f"Of the part's {bodies_n} bodies {small or 'none'} {fit} the small-parts cylinder."
        message += f" The one that comes nearest {_fit_words(case, nearest)}" if not small else ""
        change = next((f.change for f in alone if f.verdict is verdict), "")
    left = len(case.groups) - len(case.shapes)
    if left:
        message += f" {left} larger shapes of body were not tried."
        verdict = Verdict.NOT_CHECKED if verdict is Verdict.MEETS else verdict
        change = change or "Send the bodies as parts of their own."
    if count:
        more = f"; {len(listed)} of them are listed" if count > len(listed) else ""
        message += f" {_pieces_words(count)} off under use and abuse{more}."
        change = change or (listed[0].change if listed else "")
    elif case.abuse is None:
        message += " Use-and-abuse tests end at 96 months, so pieces that break off were not looked for."
    elif all(shape.fits for shape in case.shapes):
        message += " What breaks off it was not looked for: it is smaller still."
    else:
        message += " No small piece breaks off at a neck under the use-and-abuse loads."
    if not set(_RULES) & set(case.workpiece.submission.markets):
        message += " No market with a rule known here was stated: those of the US and the EU were taken."
    rows = tuple(dict.fromkeys(limit for f in (*alone, *listed) for limit in f.limits))
    return _finding(
        case, WHOLE, verdict, f"{message} {_SCREEN}", change, limits=rows, shape=nearest,
        where=alone[0].where if single else (), measurements=(_margin(nearest),),
    )  # fmt: skip


def _pieces_words(count: int) -> str:
    return "One small piece breaks or may break" if count == 1 else f"{count} small pieces break or may break"


def _fit_words(case: _Case, shape: _Shape) -> str:
    """How a shape lies in the cylinder, to follow its name."""
    fit, cylinder = shape.fit, case.cylinder
    if shape.undecided:
        return f"is on the boundary of fitting the small-parts cylinder: {abs(fit.margin_mm):.2g} mm or less decide."
    if shape.fits:
        return (
            f"fits the small-parts cylinder with {mm_words(fit.margin_mm)} to spare all round, in the orientation "
            "shown: it is a small part."
        )
    match fit.proof:
        case "length":
            why = (
                f"two of its points are {mm_words(fit.proof_value)} apart, and the longest straight line inside is "
                f"{mm_words(cylinder.longest_mm)}. This is exact"
            )
        case "volume":
            why = (
                f"its hull has {fit.proof_value:.0f} mm³, and the inside has {cylinder.volume_mm3:.0f} mm³. This is "
                "exact"
            )
        case "width":
            why = (
                f"in every direction its shadow holds a straight line of {mm_words(fit.proof_value)} or more, and the "
                f"cylinder is {mm_words(cylinder.diameter_mm)} wide. This is exact"
            )
        case _:
            why = f"it stands out by {mm_words(-fit.margin_mm)} at best, as far as {fit.starts} orientations tried show"
    return f"does not fit the small-parts cylinder: {why}."


def _margin(shape: _Shape) -> Measurement:
    fit = shape.fit
    if fit.proof == "length":
        method = "longest line in the cylinder less the distance of the two points furthest apart"
    else:
        method = f"all round in the cylinder, best of {fit.starts} orientations and what they lead to"
    return Measurement("margin in the small-parts cylinder", fit.margin_mm, "mm", shape.boundary_mm, method)


def _place(points: Floats, centre: Floats | None = None) -> Place:
    low, high = points.min(axis=0), points.max(axis=0)
    return Place(vector((low + high) / 2 if centre is None else centre), None, (vector(low), vector(high)), "faces")


def _faces(case: _Case, corners: NDArray[np.int64]) -> NDArray[np.int64]:
    """Facets with all corners in a body or piece, or any of them for a piece cut through its facets."""
    own = np.zeros(len(case.workpiece.vertices), dtype=bool)
    own[corners] = True
    return np.flatnonzero(own[case.workpiece.faces].any(axis=1))


def _drawn(case: _Case, shape: _Shape) -> dict[str, Floats]:
    """Outlines of the hull as it lies in the cylinder, from the side, the front and above, and its edges."""
    placed = shape.fit.placed(shape.hull.points)
    turn = shape.fit.turn @ case.workpiece.setup.rotation
    cylinder = case.cylinder
    return {
        "side": hull_2d(placed[:, [0, 2]]),
        "front": hull_2d(placed[:, [1, 2]]),
        "above": hull_2d(placed[:, [0, 1]]),
        "edges": shape.fit.placed(_edges(case, shape.corners).reshape(-1, 3)).reshape(-1, 2, 3),
        "axes": np.asarray(turn.T),
        "cylinder_mm": np.array([cylinder.diameter_mm, cylinder.deep_mm, cylinder.shallow_mm]),
        "margin_mm": np.array([shape.fit.margin_mm]),
    }


def _edges(case: _Case, corners: NDArray[np.int64]) -> Floats:
    """The longest edges of a body or piece that fold (n, 2, 3) [mm]."""
    vertices, faces = case.workpiece.vertices, case.workpiece.faces[_faces(case, corners)]
    inside = np.isin(faces, corners).all(axis=1)
    faces = faces[inside]
    normal = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    sides = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort(sides.T)
    sides, owner = sides[order], owner[order]
    pair = np.flatnonzero((sides[1:] == sides[:-1]).all(axis=1))
    fold = np.einsum("ij,ij->i", normal[owner[pair]], normal[owner[pair + 1]]) < np.cos(np.radians(_FOLD_DEG))
    lines = vertices[sides[pair[fold]]]
    longest = np.argsort(-np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1), kind="stable")[:_MOST_EDGES]
    return np.asarray(lines[longest])


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}." if words else ""
