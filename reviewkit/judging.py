"""What every check needs to say its judgement: a finding in the part's own frame, in plain words."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.limits import Limits
from reviewkit.model import (
    Band,
    Finding,
    Floats,
    Limit,
    Measurement,
    Place,
    Sense,
    Severity,
    Source,
    Status,
    Vector,
    Verdict,
    finding_key,
    place_name,
)
from reviewkit.submission import Requirement
from reviewkit.workpiece import Workpiece

WHOLE = "part"

# What was not checked stands before what is marginal: nobody knows how bad it is.
WORST_FIRST = (Verdict.FAILS, Verdict.NOT_CHECKED, Verdict.MARGINAL, Verdict.MEETS)


@dataclass(frozen=True, eq=False)
class Case:
    """A workpiece and the limit rows that one check judges it by; a check names their prefix in ``rows``."""

    rows: ClassVar[str] = ""

    workpiece: Workpiece
    limits: Limits

    def band(self, name: str) -> Band:
        """The bounds ``<rows>.<name>``."""
        return self.limits.band(f"{self.rows}.{name}", self.workpiece.setup)

    def row(self, name: str) -> Limit:
        """The row ``<rows>.<name>`` that holds a number."""
        return self.limits.value(f"{self.rows}.{name}", self.workpiece.setup)

    def value(self, name: str) -> float:
        """The number ``<rows>.<name>`` [unit of its row]."""
        return self.row(name).value

    @property
    def listed(self) -> int:
        """How many places get a finding of their own [-]."""
        return round(self.value("listed"))


def requirement_limits(requirement: Requirement, what: str, unit: str, low: float, high: float) -> tuple[Limit, ...]:
    """The customer's own bounds on something, those that are finite.

    Parameters
    ----------
    requirement : Requirement
    what : str
        What is bounded, such as ``size``.
    unit : str
    low, high : float
        [unit]
    """
    source = Source(f"Requirement {requirement.id} of the submission", Status.SEEN)
    ends = (("lower", low, Sense.MIN), ("upper", high, Sense.MAX))
    return tuple(
        Limit(f"requirement-{requirement.id}-{name}", f"{what} of {requirement.id}", value, unit, sense, source)
        for name, value, sense in ends
        if np.isfinite(value)
    )


def worst_of(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of several verdicts, ``meets`` of none."""
    return min(verdicts, key=WORST_FIRST.index, default=Verdict.MEETS)


def finding(
    workpiece: Workpiece,
    code: str,
    domain: str,
    subject: str,
    verdict: Verdict,
    message: str,
    change: str = "",
    *,
    severity: Severity = Severity.YIELD,
    measurements: tuple[Measurement, ...] = (),
    limits: tuple[Limit, ...] = (),
    where: tuple[Place, ...] = (),
    figures: tuple[str, ...] = (),
    evidence: Mapping[str, NDArray[Any]] | None = None,
    guess: str = "",
) -> Finding:
    """A finding on this part, its key made from code, part and subject.

    Parameters
    ----------
    workpiece : Workpiece
    code, domain : str
        Of the check.
    subject : str
        The region's name, :func:`reviewkit.model.place_name` of the feature, or ``part``.
    verdict : Verdict
        One that fails on a guess is told as marginal: nobody has confirmed what it rests on.
    message, change : str
        What was found and what would settle it, with a number.
    severity, measurements, limits, where, figures, evidence, guess
        As in :class:`reviewkit.model.Finding`.

    Returns
    -------
    Finding
    """
    part = workpiece.part.id
    return Finding(
        key=finding_key(code, part, subject),
        code=code,
        domain=domain,
        part=part,
        subject=subject,
        verdict=Verdict.MARGINAL if guess and verdict is Verdict.FAILS else verdict,
        severity=severity,
        message=message,
        change=change,
        measurements=measurements,
        limits=limits,
        where=where,
        figures=figures,
        evidence=dict(evidence or {}),
        guess=guess,
    )


def not_checked(workpiece: Workpiece, code: str, domain: str, what: str, reason: str) -> Finding:
    """What stands in for the findings of a check that could not be made.

    Parameters
    ----------
    workpiece : Workpiece
    code, domain : str
        Of the check.
    what : str
        What was to be judged, to begin a sentence with.
    reason : str
        Why it could not be.
    """
    message = f"{what} not checked: {reason}."
    return finding(
        workpiece, code, domain, WHOLE, Verdict.NOT_CHECKED, message, "Send a closed mesh of the part in its true size."
    )


def subject_names(workpiece: Workpiece, centres: Sequence[Floats], reserved: Sequence[str] = ()) -> list[str]:
    """Subjects of places: the region's name where it holds one place, else the place too; none twice.

    Parameters
    ----------
    workpiece : Workpiece
    centres : sequence of (3,) float
        Middle of each place in the part's frame [mm].
    reserved : sequence of str
        Subjects that other findings of the same check bear; a region of that name gets its place too.
    """
    regions = [workpiece.region_at(centre) for centre in centres]
    taken = Counter([*regions, WHOLE, *reserved])
    names: list[str] = []
    for region, centre in zip(regions, centres, strict=True):
        spot = place_name(centre)
        name = spot if not region else region if taken[region] == 1 else f"{region} {spot}"
        alike = sum(known == name or known.startswith(f"{name} no. ") for known in names)
        names.append(f"{name} no. {alike + 1}" if alike else name)
    return names


def at_words(workpiece: Workpiece, point: Floats) -> str:
    """Where a point of the part's frame [mm] is, in words: its region, else its coordinates."""
    region = workpiece.region_at(point)
    x, y, z = (round(float(value)) for value in point)
    return f"in {region}" if region else f"at x {x}, y {y}, z {z} mm"


def mm_words(value_mm: float) -> str:
    """A length in words [mm]."""
    return f"{value_mm:.3g} mm" if value_mm < 100 else f"{value_mm:.0f} mm"


def bound_words(limit: Limit) -> str:
    """The value of a limit in mm, with the line widths or layers it was given in."""
    return mm_words(limit.value) + (f" ({limit.stated})" if limit.stated else "")


def unsound_words(what: str, by_mm: float) -> str:
    """What a message adds when the mesh is not sound, nothing when `by_mm` is zero [mm]."""
    return f" The mesh is not sound, so a {what} may be off by about {mm_words(by_mm)}." if by_mm else ""


def percent_words(share: float) -> str:
    """A share in words [-]."""
    if 0 < share < 0.001:
        return "less than 0.1 %"
    return f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.2g} %"


def vector(values: Floats) -> Vector:
    """Three numbers [any unit] as a plain vector."""
    x, y, z = (float(value) for value in values)
    return x, y, z


def plate_places(workpiece: Workpiece, points: Floats, around: Floats | None = None) -> tuple[Place, ...]:
    """Places on the plate, seen from below.

    Parameters
    ----------
    workpiece : Workpiece
    points : (n, 2) float
        On the plate [mm].
    around : (n, 4) float, optional
        Extent of what each stands for: least x and y, greatest x and y [mm].
    """
    flat = np.zeros(len(points))
    down = vector(workpiece.to_part_direction(np.array([[0.0, 0.0, -1.0]]))[0])
    found = workpiece.to_part(np.column_stack([points, flat]))
    if around is None:
        return tuple(Place(vector(point), down) for point in found)
    low, high = (workpiece.to_part(np.column_stack([around[:, side], flat])) for side in ((0, 1), (2, 3)))
    boxes = ((vector(np.minimum(a, b)), vector(np.maximum(a, b))) for a, b in zip(low, high, strict=True))
    return tuple(Place(vector(point), down, box) for point, box in zip(found, boxes, strict=True))


def too_open(workpiece: Workpiece, limits: Limits, open_mm: Floats, outline_mm: Floats) -> str:
    """Why some layers cannot be judged: too much of their outline is missing in the mesh; or nothing.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the row ``layers.open_share``.
    open_mm, outline_mm : (n,) float
        Of each layer, outline that was bridged and all outline [mm].
    """
    share = float(open_mm.sum() / max(float(outline_mm.sum()), 1e-9))
    if share <= limits.value("layers.open_share", workpiece.setup).value:
        return ""
    return f"the mesh is open, {percent_words(min(share, 1.0))} of the outline is missing there and would be our guess"


def no_matter(workpiece: Workpiece, limits: Limits) -> str:
    """Why nothing can be worked out from all layers of a part: there is none in them or they are too open; or nothing.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the row ``layers.open_share``.
    """
    layers = workpiece.layers
    if not len(layers) or not layers.area_mm2.any():
        return "the mesh encloses no volume"
    return too_open(workpiece, limits, layers.open_mm, layers.outline_mm)


def ring_points(region: shapely.Geometry) -> Floats:
    """Outlines for drawing, (n, 2) float: closed rings, outer ones anticlockwise, rows of nan between them [mm]."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(region)))
    between = np.full((1, 2), np.nan)
    return np.vstack([block for ring in rings for block in (shapely.get_coordinates(ring), between)][:-1])
