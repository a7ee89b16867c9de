"""PR-07: tall and thin parts, which tip or sway while they are printed."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import (
    WHOLE,
    WORST_FIRST,
    Case,
    at_words,
    finding,
    mm_words,
    not_checked,
    subject_names,
    too_open,
    vector,
    worst_of,
)
from reviewkit.limits import Limits
from reviewkit.measure.stability import Growth, Upright, growing, least_width, peel_stress, uprights
from reviewkit.model import Finding, Floats, Limit, Measurement, Place, Severity, Verdict
from reviewkit.workpiece import Workpiece

CODE = "PR-07"
DOMAIN = "printability"

_BY_LAYERS = "areas and centroids of the layers, summed from the plate up"
_CALIPERS = "rotating calipers on the hull of the contact"
_CANTILEVER = "cantilever of the layers' sections, solid, at room temperature: a lower estimate"
_DRAWN_POINTS = 300


def stability(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether the part tips or sways while it grows.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``stability.*``.

    Returns
    -------
    list of Finding
        The whole part first, then one finding a body that stands badly before it is joined, and
        one a post or wall that sways, rings or is too small in section.
    """
    layers = workpiece.layers
    if not len(layers) or not layers.area_mm2[0]:
        return [not_checked(workpiece, CODE, DOMAIN, "Tipping and sway were", "nothing of the part lies on the plate")]
    if reason := too_open(workpiece, limits, layers.open_mm, layers.outline_mm):
        return [not_checked(workpiece, CODE, DOMAIN, "Tipping and sway were", reason)]
    case = _Case(workpiece, limits)
    main, *others = case.bodies
    # What is joined to the rest at once stands alone too shortly to fall.
    lasting = [body for body in others if not body.joined or body.height_mm[-1] >= case.value("least_height")]
    # A piece of a part that stands no better when it is whole is the same fault once more.
    own = WORST_FIRST.index(case.standing(main))
    standing = [body for body in lasting if WORST_FIRST.index(case.standing(body)) < own or not body.joined]
    standing = [body for body in standing if case.standing(body) is not Verdict.MEETS]
    swaying = [upright for upright in case.features if case.swaying(upright) is not Verdict.MEETS]
    listed: list[Growth | Upright] = sorted(
        [*standing, *swaying], key=lambda item: WORST_FIRST.index(case.judged(item))
    )
    shown = listed[: case.listed]
    findings = [
        _standing(case, item, name) if isinstance(item, Growth) else _swaying(case, item, name)
        for item, name in zip(shown, subject_names(workpiece, [case.middle(item) for item in shown]), strict=True)
    ]
    return [_whole(case, main, listed), *findings]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that PR-07 judges it by."""

    rows = "stability"

    @cached_property
    def bodies(self) -> list[Growth]:
        return self.workpiece.measured("growing", lambda: growing(self.workpiece.layers, self.workpiece.stack))

    @cached_property
    def uprights(self) -> list[Upright]:
        asked = (self.value("side_force"), self.value("least_height"), self.value("column_area"))
        return self.workpiece.measured(
            "uprights",
            lambda: uprights(
                self.workpiece.stack,
                self.workpiece.setup.material,
                side_force=asked[0],
                least_height_mm=asked[1],
                small_area_mm2=asked[2],
            ),
            *asked,
        )

    @property
    def features(self) -> list[Upright]:
        """Posts and walls that are not the whole part."""
        return [upright for upright in self.uprights if not self.is_whole(upright)]

    def is_whole(self, upright: Upright) -> bool:
        return upright.on_plate and len(self.workpiece.stack.grounded) == 1

    def sway(self, upright: Upright) -> Measurement:
        """Sway under the assumed force with what that force may be; never more than its formula can tell."""
        most_mm = self.value("large_sway") * upright.height_mm
        spread = self.value("side_force_spread") / self.value("side_force")
        if upright.sway_mm > most_mm:
            return Measurement("sway at the top, at least", most_mm, "mm", 0.0, _CANTILEVER)
        return Measurement("sway at the top", upright.sway_mm, "mm", spread * upright.sway_mm, _CANTILEVER)

    def sway_verdict(self, upright: Upright) -> Verdict:
        sway = self.sway(upright)
        return self.band("sway").verdict(sway.value, sway.uncertainty)

    def swaying(self, upright: Upright) -> Verdict:
        return worst_of(
            (
                self.sway_verdict(upright),
                self.band("frequency").verdict(upright.frequency_hz),
                self.band("column_height").verdict(upright.small_mm),
            )
        )

    def standing(self, body: Growth) -> Verdict:
        return worst_of(
            (
                self.band("tip").verdict(float(body.tip_deg.min())),
                self.band("slenderness").verdict(float(body.slenderness.max())),
            )
        )

    def judged(self, item: Growth | Upright) -> Verdict:
        return self.standing(item) if isinstance(item, Growth) else self.swaying(item)

    def middle(self, item: Growth | Upright) -> Floats:
        """Middle of a body or of an upright's slender stretch in the part's frame [mm]."""
        point = item.centre[-1] if isinstance(item, Growth) else np.mean(item.box_mm, axis=0)
        found: Floats = self.workpiece.to_part(np.array([point]))[0]
        return found


def _whole(case: _Case, main: Growth, listed: list[Growth | Upright]) -> Finding:
    """The one finding that speaks for the whole part."""
    own = [upright for upright in case.uprights if case.is_whole(upright)]
    verdicts = [case.standing(main), *(case.swaying(upright) for upright in own), *map(case.judged, listed)]
    verdict = worst_of(verdicts)
    told = [_standing_words(main, "The part")]
    measurements = list(_standing_measured(main))
    changes = [_standing_change(case, main)] if case.standing(main) is not Verdict.MEETS else []
    limits = [*case.band("tip").limits, *case.band("slenderness").limits]
    if own:
        told.append(_sway_words(case, own[0]))
        measurements += _sway_measured(case, own[0])
        limits += _sway_limits(case)
        if case.swaying(own[0]) is not Verdict.MEETS:
            changes.append(_sway_change(case, own[0]))
    if listed:
        bodies = sum(isinstance(item, Growth) for item in listed)
        things = [_counted(bodies, "body", "bodies"), _counted(len(listed) - bodies, "post or wall", "posts or walls")]
        told.append(f"{' and '.join(filter(None, things)).capitalize()} of it may tip or sway before the print ends.")
        if len(listed) > case.listed:
            told.append(f"The {case.listed} worst are listed.")
        changes.append("Change the places listed.")
    elif case.features:
        slackest = case.features[0]
        told.append(
            f"Of its free-standing posts and walls the one {at_words(case.workpiece, case.middle(slackest))} sways "
            f"most, by {_small_words(case.sway(slackest).value)} under {case.value('side_force'):g} N."
        )
        measurements += _sway_measured(case, slackest)
        limits += _sway_limits(case)
    measurements.append(_peel(case, main))
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        " ".join(told),
        " ".join(changes),
        severity=Severity.YIELD,
        measurements=tuple(measurements),
        limits=tuple(dict.fromkeys(limits)),
        where=(_body_place(case, main, "faces"),) if case.standing(main) is not Verdict.MEETS else (),
        figures=("growing_print",),
        evidence=_drawn(case, main),
    )


def _standing(case: _Case, body: Growth, name: str) -> Finding:
    """A body that stands badly, alone until it joins another or to the end."""
    until = "before it is joined to the rest" if body.joined else "and is never joined to the rest"
    where = f"The piece {at_words(case.workpiece, case.middle(body))}, which stands alone {until},"
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        case.standing(body),
        _standing_words(body, where),
        _standing_change(case, body),
        severity=Severity.YIELD,
        measurements=tuple(_standing_measured(body)),
        limits=(*case.band("tip").limits, *case.band("slenderness").limits),
        where=(_body_place(case, body, "faces"),),
        figures=("growing_print",),
        evidence=_drawn(case, body),
    )


def _swaying(case: _Case, upright: Upright, name: str) -> Finding:
    """A post or wall that gives way to the nozzle, rings with the machine or gets too hot."""
    place = Place(
        vector(case.workpiece.to_part(np.array([upright.top_at]))[0]),
        vector(case.workpiece.to_part_direction(np.array([[0.0, 0.0, 1.0]]))[0]),
        _part_box(case, np.array(upright.box_mm)),
        "faces",
    )
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        name,
        case.swaying(upright),
        f"The post or wall {at_words(case.workpiece, case.middle(upright))} stands {mm_words(upright.height_mm)} free "
        f"on a foot {mm_words(upright.width_mm)} wide. {_sway_words(case, upright)}",
        _sway_change(case, upright),
        severity=Severity.YIELD,
        measurements=tuple(_sway_measured(case, upright)),
        limits=tuple(_sway_limits(case)),
        where=(place,),
        evidence={"faces": _faces_in(case.workpiece, np.array(upright.box_mm))},
    )


def _standing_words(body: Growth, subject: str) -> str:
    height_mm, width_mm = float(body.height_mm[-1]), float(body.width_mm[-1])
    tip = body.tip_deg
    worst = int(np.argmin(tip))
    words = (
        f"{subject} is {mm_words(height_mm)} high on a contact {mm_words(width_mm)} wide at its narrowest, "
        f"{height_mm / width_mm:.2g} times its width."
    )
    if tip[worst] < 0:
        out = int(np.argmax(tip < 0))
        return (
            f"{words} From {mm_words(float(body.height_mm[out]))} on its mass centre is no longer over the contact: "
            "only its hold to the plate keeps it from falling over."
        )
    return (
        f"{words} While it grows its mass centre stays over the contact; it is nearest to tipping at "
        f"{mm_words(float(body.height_mm[worst]))}, where a tilt of {tip[worst]:.0f}° would do."
    )


def _standing_change(case: _Case, body: Growth) -> str:
    tip, slender = case.band("tip").limits[0], case.band("slenderness").limits[0]
    wide_mm = float(body.slenderness.max()) / slender.value * float(body.width_mm[-1])
    worst = int(np.argmin(body.tip_deg))
    out_mm = float(np.tan(np.radians(tip.value)) * body.centre[worst, 2] - body.inside_mm[worst])
    wanted = []
    if case.band("slenderness").verdict(float(body.slenderness.max())) is not Verdict.MEETS:
        wanted.append(f"make what stands on the plate {mm_words(wide_mm)} wide or more at its narrowest")
    if out_mm > 0:
        wanted.append(f"bring the edge of the contact {mm_words(out_mm)} farther out on the side to which it leans")
    wanted = wanted or ["widen what stands on the plate"]
    words = " and ".join(wanted)
    return f"{words[0].upper()}{words[1:]}, or lay the part down."


def _standing_measured(body: Growth) -> Iterable[Measurement]:
    worst = int(np.argmin(body.tip_deg))
    return (
        Measurement("tip angle, least while it grows", float(body.tip_deg[worst]), "deg", 0.0, _BY_LAYERS),
        Measurement("height at which it is least", float(body.height_mm[worst]), "mm", 0.0, _BY_LAYERS),
        Measurement("slenderness", float(body.slenderness.max()), "-", 0.0, _CALIPERS),
        Measurement("mass centre from the edge of the contact", float(body.inside_mm[worst]), "mm", 0.0, _BY_LAYERS),
    )


def _peel(case: _Case, main: Growth) -> Measurement:
    """Pull on the plate under the assumed force; there is no sourced strength to judge it by."""
    force, height_mm = case.value("side_force"), float(main.height_mm[-1])
    stress = peel_stress(main.contact_moments, main.contact, least_width(main.contact)[1], height_mm, force)
    return Measurement(
        f"pull on the plate when {force:g} N push sideways at the top", stress, "MPa", 0.0, "beam bending; not judged"
    )


def _sway_words(case: _Case, upright: Upright) -> str:
    sway, force = case.sway(upright), case.value("side_force")
    if case.swaying(upright) is Verdict.MEETS:
        return f"Its top gives way by {_small_words(sway.value)} under an assumed {force:g} N from the nozzle."
    how_much = "about " if sway.uncertainty else "more than "
    words = (
        f"Its top gives way by {how_much}{mm_words(sway.value)} under an assumed {force:g} N from the nozzle, and it "
        f"vibrates at {upright.frequency_hz:.0f} Hz; a printed line is {mm_words(case.workpiece.setup.line_width_mm)}."
    )
    if case.band("column_height").verdict(upright.small_mm) is not Verdict.MEETS:
        words += (
            f" Over {mm_words(upright.small_mm)} it has {case.value('column_area'):g} mm² a layer or less, so that "
            "each layer is laid on one that is still warm."
        )
    return words


def _sway_change(case: _Case, upright: Upright) -> str:
    limit = case.band("sway").limits[0]
    sway = case.sway(upright)
    most_mm = sway.value + sway.uncertainty if sway.uncertainty else upright.sway_mm
    if case.sway_verdict(upright) is not Verdict.MEETS:
        times = (most_mm / limit.value) ** (1 / 3)
        return (
            f"Make it {times:.2g} times as thick, or {1 / times:.2g} times as high, or join it to a neighbour by a "
            "rib that is cut off later."
        )
    if case.band("frequency").verdict(upright.frequency_hz) is not Verdict.MEETS:
        times = case.band("frequency").limits[0].value / upright.frequency_hz
        return f"Make it {times:.2g} times as thick, or {times**-0.5:.2g} times as high."
    height_mm = case.band("column_height").limits[0].value
    return (
        f"Give it more than {case.value('column_area'):g} mm² in section, keep it under {mm_words(height_mm)}, or "
        "print so many copies together that each layer has time to cool."
    )


def _sway_measured(case: _Case, upright: Upright) -> list[Measurement]:
    return [
        case.sway(upright),
        Measurement("first bending vibration", upright.frequency_hz, "Hz", 0.0, "Rayleigh's quotient, solid material"),
        Measurement("free height over width", upright.slenderness, "-", 0.0, _BY_LAYERS),
        Measurement("height of small section", upright.small_mm, "mm", 0.0, _BY_LAYERS),
    ]


def _sway_limits(case: _Case) -> list[Limit]:
    return [limit for name in ("sway", "frequency", "column_height") for limit in case.band(name).limits]


def _drawn(case: _Case, body: Growth) -> dict[str, NDArray[np.float64] | NDArray[np.int64]]:
    """Curve of the mass centre with what each limit asks for, and the facets of the body's foot."""
    kept = np.unique(np.linspace(0, len(body.height_mm) - 1, _DRAWN_POINTS).round().astype(int))
    tips = case.band("tip").limits
    wanted, least = (np.tan(np.radians(limit.value)) * body.centre[kept, 2] for limit in (tips[0], tips[-1]))
    return {
        "height_mm": body.height_mm[kept],
        "inside_mm": body.inside_mm[kept],
        "wanted_mm": wanted,
        "least_mm": least,
        "faces": _faces_in(case.workpiece, _body_box(body)),
    }


def _body_place(case: _Case, body: Growth, faces: str) -> Place:
    box = _body_box(body)
    point = case.workpiece.to_part(np.array([[*body.contact.mean(axis=0), 0.0]]))[0]
    down = case.workpiece.to_part_direction(np.array([[0.0, 0.0, -1.0]]))[0]
    return Place(vector(point), vector(down), _part_box(case, box), faces)


def _body_box(body: Growth) -> Floats:
    """Over the contact, as high as the body got [mm]."""
    return np.array([[*body.contact.min(axis=0), 0.0], [*body.contact.max(axis=0), body.height_mm[-1]]])


def _part_box(case: _Case, box: Floats) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """A box of the plate frame as one of the part's frame that holds it [mm]."""
    corners = np.array([[box[i, 0], box[j, 1], box[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    own = case.workpiece.to_part(corners)
    return vector(own.min(axis=0)), vector(own.max(axis=0))


def _faces_in(workpiece: Workpiece, box: Floats) -> NDArray[np.int64]:
    """Facets with their middle in a box of the plate frame."""
    middle = workpiece.vertices[workpiece.faces].mean(axis=1)
    room_mm = workpiece.setup.layer_height_mm
    return np.flatnonzero(((middle >= box[0] - room_mm) & (middle <= box[1] + room_mm)).all(axis=1))


def _small_words(sway_mm: float) -> str:
    return f"about {mm_words(sway_mm)}" if sway_mm >= 0.01 else "less than 0.01 mm"


def _counted(count: int, one: str, many: str) -> str:
    return "" if not count else f"one {one}" if count == 1 else f"{count} {many}"
