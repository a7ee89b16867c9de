"""The nouns of a review: frozen records that every module speaks.

Lengths are mm, forces N, stress MPa, mass g, time s and angles degrees.  Points are in
the part's own frame, as the customer drew it (after units were settled), unless a name
says ``plate``: then the part stands on the plate in its pose, lowest point at z = 0.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SetupError

SCHEMA = "reviewkit-review/1"

Floats = NDArray[np.float64]
Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]

Box = tuple[Vector, Vector]

IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class Verdict(StrEnum):
    """Judgement of one finding."""

    MEETS = "meets"
    MARGINAL = "marginal"
    FAILS = "fails"
    NOT_CHECKED = "not checked"


class Severity(IntEnum):
    """What a failing finding would cost; 1 is worst."""

    INJURY = 1
    FUNCTION = 2
    YIELD = 3
    COST = 4
    LOOKS = 5


class Status(StrEnum):
    """How a data row came to us."""

    SEEN = "seen"
    MEMORY = "memory"
    PRACTICE = "common practice"


class Origin(StrEnum):
    """Who stands for a fact of the submission."""

    CONFIRMED = "confirmed"
    SUGGESTED = "suggested"
    ASSUMED = "assumed"


class Sense(StrEnum):
    """Whether a limit bounds from below or from above."""

    MIN = "min"
    MAX = "max"


class Outcome(StrEnum):
    """What the reviewer decides about a submission."""

    RELEASE = "release"
    CONCESSIONS = "release with concessions"
    CHANGES = "changes needed"
    INFORMATION = "information needed"
    DECLINED = "declined"


@dataclass(frozen=True)
class Source:
    """Where a value comes from; ``law`` names the markets in which it binds by law."""

    title: str
    status: Status
    edition: str = ""
    clause: str = ""
    year: str = ""
    address: str = ""
    law: tuple[str, ...] = ()

    @property
    def cited(self) -> str:
        """One line for a document, with the status in words."""
        words = ", ".join(part for part in (self.title, self.edition, self.clause, self.year) if part)
        match self.status:
            case Status.SEEN:
                return words
            case Status.MEMORY:
                return f"{words} (from memory)"
            case Status.PRACTICE:
                return f"{words} (common practice)" if words else "common practice"


@dataclass(frozen=True)
class Limit:
    """One sourced bound.

    ``value`` and ``unit`` are in the unit of judgement; ``stated`` is the row as written
    when it was given in line widths or layers.
    """

    id: str
    quantity: str
    value: float
    unit: str
    sense: Sense
    source: Source
    condition: str = ""
    stated: str = ""
    note: str = ""

    def met_by(self, value: float) -> bool:
        """Whether `value` [in this limit's unit] is on the right side; equality counts as met."""
        slack = 1e-9 * max(1.0, abs(self.value))
        return value >= self.value - slack if self.sense is Sense.MIN else value <= self.value + slack

    @property
    def words(self) -> str:
        """The bound in words, such as ``at least 0.8 mm (2 line widths)``."""
        bound = "at least" if self.sense is Sense.MIN else "at most"
        return f"{bound} {counted_unit(self.value, self.unit)}" + (f" ({self.stated})" if self.stated else "")


def counted_unit(value: float, unit: str) -> str:
    """A number [in the unit given] with that unit in words, one of a kind in the singular."""
    if unit in ("", "-", "count"):
        return f"{value:.4g}"
    return f"{value:.4g} {unit.removesuffix('s') if value == 1 and len(unit) > 3 else unit}"


@dataclass(frozen=True)
class Band:
    """Two bounds on one quantity: beyond ``meets`` all is well, beyond ``fails`` it is not.

    Either may be absent; a band without a ``fails`` row never fails.
    """

    quantity: str
    meets: Limit | None = None
    fails: Limit | None = None

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The bounds that exist, the stricter first."""
        return tuple(limit for limit in (self.meets, self.fails) if limit is not None)

    def verdict(self, value: float, uncertainty: float = 0.0) -> Verdict:
        """Judge a value with its uncertainty.

        Conformity is stated only when the whole interval conforms, failure only when the
        whole interval fails; between them the finding is marginal.

        Parameters
        ----------
        value : float
            Measured value [unit of the limits].
        uncertainty : float
            Half-width at 95 % [unit of the limits].

        Returns
        -------
        Verdict
            Never ``not checked``.

        References
        ----------
        ISO 14253-1:2017, decision rules for verifying conformity (from memory).
        """
        ends = (value - uncertainty, value + uncertainty)
        if self.fails is not None and not any(self.fails.met_by(end) for end in ends):
            return Verdict.FAILS
        if all(limit.met_by(end) for limit in self.limits for end in ends):
            return Verdict.MEETS
        return Verdict.MARGINAL


@dataclass(frozen=True)
class Property:
    """One sourced material value; ``low`` and ``high`` span its class."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    source: Source


@dataclass(frozen=True)
class Material:
    """A filament material and its sourced properties by name."""

    id: str
    name: str
    properties: Mapping[str, Property] = field(hash=False)

    def __getitem__(self, name: str) -> Property:
        return self.properties[name]


@dataclass(frozen=True)
class Calibration:
    """What measured plates say of a machine's print time.

    ``factor`` multiplies the time that its layers are reckoned to take, ``low`` to ``high`` is its
    interval at 95 %, ``spread`` the half-width at 95 % within which the next plate falls, as a share
    of its time [-].
    """

    factor: float
    low: float
    high: float
    spread: float
    plates: int
    date: str


@dataclass(frozen=True)
class PrintSettings:
    """How a machine prints: what it lays down, how fast, and what a plate takes beside.

    A line is as wide as the setup's line width and as high as its layer.  Speeds are reached and left
    with the one acceleration; at a corner that turns by more than ``corner_deg`` the nozzle slows down
    to ``corner_mm_s``.  ``melt_mm3_s`` is the most plastic that the nozzle melts, ``core_fill`` the share
    of the core that is filled when nobody asks for another [-].  ``start_s`` is lost
    at each start of a line after a travel, ``layer_change_s`` at each layer.
    """

    outline_passes: int
    top_layers: int
    bottom_layers: int
    core_fill: float
    line_angle_deg: float
    filament_mm: float
    outline_mm_s: float
    solid_mm_s: float
    core_mm_s: float
    first_layer_mm_s: float
    travel_mm_s: float
    acceleration_mm_s2: float
    corner_deg: float
    corner_mm_s: float
    melt_mm3_s: float
    start_s: float
    layer_change_s: float
    least_layer_s: float
    heat_s: float
    cool_s: float
    removal_s: float
    source: str
    calibration: Calibration | None = None


@dataclass(frozen=True)
class Machine:
    """One kind of production printer, all of them alike."""

    id: str
    name: str
    plate_mm: tuple[float, float]
    height_mm: float
    edge_margin_mm: float
    line_width_mm: float
    layer_height_mm: float
    first_layer_mm: float
    source: str
    note: str = ""
    printing: PrintSettings | None = None


# Core fill of a machine that was put together without its way of printing.
_CORE_FILL = 0.15


@dataclass(frozen=True)
class Setup:
    """A part's way of being made: machine, material, layers and pose.

    ``pose`` turns the part's frame into the plate's: ``plate = pose @ part``, then the part
    is dropped so that its lowest point is at z = 0.  ``core_fill`` is the share of the core
    that is filled, the machine's own when it is not given [-].
    """

    machine: Machine
    material: Material
    layer_height_mm: float
    line_width_mm: float
    first_layer_mm: float
    pose: Matrix = IDENTITY
    pose_origin: Origin = Origin.ASSUMED
    pose_note: str = ""
    core_fill: float = math.nan
    plate_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not any(self.plate_mm):
            object.__setattr__(self, "plate_mm", self.machine.plate_mm)
        if math.isnan(self.core_fill):
            printing = self.machine.printing
            object.__setattr__(self, "core_fill", _CORE_FILL if printing is None else printing.core_fill)

    @property
    def printing(self) -> PrintSettings:
        """How the machine prints.

        Raises
        ------
        SetupError
            When its profile does not say.
        """
        if self.machine.printing is None:
            raise SetupError(
                f"machine {self.machine.id!r} does not say how it prints; add a [printing] table to its profile"
            )
        return self.machine.printing

    @cached_property
    def rotation(self) -> Floats:
        """The pose as a (3, 3) array."""
        return np.array(self.pose)


@dataclass(frozen=True)
class Fact:
    """One thing known of the submission and who stands for it."""

    name: str
    value: str
    origin: Origin
    note: str = ""


@dataclass(frozen=True)
class Measurement:
    """A number with its unit, its uncertainty (half-width at 95 %) and how it was got."""

    quantity: str
    value: float
    unit: str
    uncertainty: float = 0.0
    method: str = ""


@dataclass(frozen=True)
class Place:
    """Where on the part a finding is; ``normal`` is a unit direction [-].

    ``faces`` names an (n,) integer array in the finding's evidence: indices of facets of
    the reviewed mesh.
    """

    point_mm: Vector
    normal: Vector | None = None
    box_mm: Box | None = None
    faces: str = ""


@dataclass(frozen=True, eq=False)
class Finding:
    """One judgement.

    ``evidence`` holds the curves and fields that its figures draw, by short name; in
    ``evidence.npz`` they stand as ``<key>/<name>``.  ``figures`` names the drawings of
    :mod:`reviewkit.figures` that show it.
    """

    key: str
    code: str
    domain: str
    part: str
    subject: str
    verdict: Verdict
    severity: Severity
    message: str
    change: str = ""
    measurements: tuple[Measurement, ...] = ()
    limits: tuple[Limit, ...] = ()
    where: tuple[Place, ...] = ()
    figures: tuple[str, ...] = ()
    evidence: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    guess: str = ""

    @property
    def stops(self) -> bool:
        """Whether this finding alone stands against release."""
        return self.verdict is Verdict.FAILS


def finding_key(code: str, part: str, subject: str) -> str:
    """Key of a finding, stable across re-meshing and revisions.

    Parameters
    ----------
    code : str
        Check code, such as ``PR-04``.
    part : str
        Id of the part in its submission.
    subject : str
        The region's name, a feature named by :func:`place_name`, or ``part`` for the whole.

    Returns
    -------
    str
        Such as ``PR-04:launcher:at 12 -40 8``.
    """
    return f"{code}:{part}:{subject}"


def place_name(point_mm: Floats | Vector) -> str:
    """Name of a feature by its place in the part's frame, on a 2 mm grid [mm]."""
    return "at " + " ".join(f"{2 * round(float(x) / 2):d}" for x in point_mm)


@dataclass(frozen=True)
class Action:
    """One line of the action list."""

    priority: int
    finding: str
    action: str
    owner: str = ""
    due: str = ""
    expected_gain: str = ""


@dataclass(frozen=True, eq=False)
class Shape:
    """The mesh as it was reviewed, in the part's frame: corners (n, 3) [mm] and facets (m, 3) [-]."""

    vertices_mm: Floats
    faces: NDArray[np.int64]


@dataclass(frozen=True)
class PartFacts:
    """What a review says of one part; its shape is kept so that revisions can be compared."""

    id: str
    number: str
    revision: str
    name: str
    file: str
    sha256: str
    count: int
    units: str
    units_origin: Origin
    units_note: str
    triangles: int
    bodies: int
    size_mm: Vector
    volume_mm3: float
    setup: Setup
    shape: Shape | None = field(default=None, compare=False)


@dataclass(frozen=True, eq=False)
class Picture:
    """A shaded picture of a part with finding marks.

    ``rgb`` is (h, w, 3) uint8; ``marks`` gives pixel places (x right, y down) by label.
    ``finding`` is the key of the one finding that a close-up shows.
    """

    name: str
    part: str
    title: str
    alt: str
    rgb: NDArray[np.uint8]
    mm_per_pixel: float
    marks: tuple[tuple[str, float, float], ...] = ()
    finding: str = ""


@dataclass(frozen=True)
class Drawing:
    """A figure ready for a document, as SVG or PNG.

    ``finding`` is the key of the finding it shows, empty for a picture of the part.
    """

    name: str
    finding: str
    title: str
    caption: str
    alt: str
    svg: bytes | None
    png: bytes | None
    width_px: int
    height_px: int

    @property
    def file(self) -> str:
        """File name in the ``figures`` folder."""
        return f"{self.name}.{'svg' if self.svg is not None else 'png'}"


@dataclass(frozen=True, eq=False)
class Review:
    """Everything a document says; decisions live in the record, never here.

    ``tables`` are files for people to work with, by name; they follow from the rest.
    """

    submission: Mapping[str, object]
    parts: tuple[PartFacts, ...]
    setup: Setup
    facts: tuple[Fact, ...]
    findings: tuple[Finding, ...]
    actions: tuple[Action, ...]
    pictures: tuple[Picture, ...]
    outcome_suggested: Outcome
    outcome_reason: str
    kit_version: str
    limits_sha256: str
    schema: str = SCHEMA
    tables: Mapping[str, bytes] = field(default_factory=dict, repr=False)
