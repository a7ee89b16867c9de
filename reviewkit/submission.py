"""What the customer sends: ``submission.toml`` beside the meshes, or a bare mesh file.

Read, validated, written back, and its regions in space.  Meshes are not read here.  Text
of the customer is kept as it came; whoever prints it cleans it.  Points and volumes are
in the frame of their part, in mm, after its units were settled.
"""

import hashlib
import math
import os
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import date
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.fields import MAX_ENTRIES, MAX_LINE, MAX_TEXT, Fields, finite, shown
from reviewkit.model import IDENTITY, Fact, Floats, Matrix, Origin, Vector
from reviewkit.rewriting import OWN, rewritten

FILE_NAME = "submission.toml"
MESH_SUFFIXES = (".stl", ".obj", ".ply", ".off", ".3mf", ".amf", ".glb", ".gltf", ".step", ".stp")

#: Length of each unit that a mesh or a customer may use [mm]; inch and foot are exact by the
#: international yard of 1959 (NIST SP 811, B.6, from memory).
MM_PER_UNIT: Mapping[str, float] = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}

NOT_STATED = "not stated"
ON_COMMAND_LINE = "given on the command line"

_UNIT_WORDS = {
    "um": ("um", "\u00b5m", "\u03bcm", "micron", "microns", "micrometre", "micrometres", "micrometer", "micrometers"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "in": ("in", "inch", "inches", '"'),
    "ft": ("ft", "foot", "feet"),
}
_UNIT_OF_WORD = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}

# No honest submission is larger; a hostile one costs no time.
_MAX_FILE_BYTES = 1_000_000
_MAX_MARKS = 10 * MAX_ENTRIES
_SHORTEST_MM = 1e-6

# A rotation written by hand has rounded cosines (0.707): it is squared up.  One that is good
# to a third of a micrometre on a 300 mm part is left alone, so that writing changes nothing.
_ROUNDED_ROTATION = 5e-3
_GOOD_ROTATION = 1e-6

_SLUG_LENGTH = 40
_SLUG = re.compile(rf"(?=.{{1,{_SLUG_LENGTH}}}(-[0-9a-f]{{8}})?\Z)[a-z0-9]+(-[a-z0-9]+)*")
# Names that are devices on one system or another, whatever stands after the dot.
_DEVICE_NAMES = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(10)}

# What a suggested entry bears in the file, and by which field an entry of each list is named.
_SUGGESTED = f"{OWN}; to confirm it, take its name out of [origin]"
_ENTRY_NAMES: Mapping[str, tuple[str, ...]] = {
    "region": ("name",), "zone": ("name",), "motion": ("name", "region"), "requirement": ("id",),
    "hardware": ("name",), "document": ("file",),
}  # fmt: skip

_BLANKS: tuple[object, ...] = (None, "", ())
# Defaults that are values, not blanks: stated only when the file says so.
_VALUED_DEFAULTS: Mapping[str, object] = {"display_units": "mm", "count": 1}


class Stage(StrEnum):
    """How far the part is on its way to production."""

    IDEA = "idea"
    FIRST_ARTICLE = "first article"
    PILOT = "pilot"
    RELEASE = "release"


class RegionKind(StrEnum):
    """What a region of a part is for."""

    FIXED = "fixed"
    MOVING = "moving"
    GRIP = "grip"
    FLEXURE = "flexure"
    OPENING = "opening"
    PROJECTILE = "projectile"
    KEEP = "keep"
    VISIBLE = "visible"


class MotionKind(StrEnum):
    """How a region moves."""

    TRANSLATION = "translation"
    ROTATION = "rotation"


class RequirementKind(StrEnum):
    """What a requirement is about."""

    FIT = "fit"
    FORCE = "force"
    LIFE = "life"
    LOAD = "load"
    SURFACE = "surface"
    TEMPERATURE = "temperature"
    FOOD_CONTACT = "food contact"
    SKIN_CONTACT = "skin contact"
    OTHER = "other"


class HardwareKind(StrEnum):
    """What is built into a printed part."""

    INSERT = "insert"
    SCREW = "screw"
    MAGNET = "magnet"
    BOUGHT = "bought part"


class Fitted(StrEnum):
    """When hardware is built in."""

    DURING = "during the print"
    AFTER = "after the print"


class DocumentKind(StrEnum):
    """What a document beside the meshes is."""

    DRAWING = "drawing"
    SPECIFICATION = "specification"
    MAIL = "mail"
    OTHER = "other"


class Mounting(StrEnum):
    """Whether the part is used in the hand or fastened to something."""

    HELD = "held"
    FIXED = "fixed"


class Surroundings(StrEnum):
    """Where the part is used."""

    INDOOR = "indoor"
    OUTDOOR = "outdoor"


@dataclass(frozen=True)
class PartEntry:
    """One mesh of a submission.

    ``count`` is how many go into one set; ``bodies`` how many separate bodies the customer
    says the mesh has; ``launched_by`` the id of the part that shoots this one.  ``pose``
    turns the part's frame into the plate's (``plate = pose @ part``), None when the
    customer leaves it open.  ``number`` and ``name`` are its own where they differ from
    the submission's.
    """

    id: str
    file: str
    units: str = ""
    count: int = 1
    material: str = ""
    colour: str = ""
    launched_by: str = ""
    number: str = ""
    name: str = ""
    bodies: int | None = None
    pose: Matrix | None = None

    def path(self, submission: "Submission") -> Path:
        """Path of the mesh file.

        Raises
        ------
        SubmissionError
            When the submission was not read from a folder.
        """
        return _in_folder(submission, self.file)


@dataclass(frozen=True)
class Use:
    """Who uses the part, where and how often; ``hands`` are groups of the hands table."""

    age_from_months: int | None = None
    hands: tuple[str, ...] = ()
    mounting: Mounting | None = None
    surroundings: Surroundings | None = None
    cycles: int | None = None


@dataclass(frozen=True)
class Box:
    """A box along the axes, then turned counter-clockwise about z through its own centre."""

    min_mm: Vector
    max_mm: Vector
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Cylinder:
    """A round bar between the centres of its two end faces."""

    from_mm: Vector
    to_mm: Vector
    radius_mm: float


@dataclass(frozen=True)
class Region:
    """A named volume of a part's frame; it selects the matter inside it."""

    name: str
    part: str
    kind: RegionKind
    volume: Box | Cylinder
    note: str = ""


@dataclass(frozen=True)
class Zone:
    """A named volume of a part's frame that is filled in another way than the rest of its part.

    ``core_fill`` is the share of the core that is filled there [-], ``outline_passes`` how many lines run
    along every outline there [-]; each is None where the setup's own holds.
    """

    name: str
    part: str
    volume: Box | Cylinder
    core_fill: float | None = None
    outline_passes: int | None = None
    note: str = ""


@dataclass(frozen=True)
class Motion:
    """How a region moves: along ``direction``, or about the axis through ``point_mm``.

    ``stroke`` is where the motion starts and ends, 0 being the part as drawn, in
    :attr:`unit`; a rotation turns counter-clockwise seen against ``direction``.  ``held``
    says whether the region rests at the end of its stroke.  Force and speed are measured
    values, None when nobody measured.  ``name`` is the region's unless a region has
    several motions.
    """

    region: str
    kind: MotionKind
    direction: Vector
    stroke: tuple[float, float]
    point_mm: Vector = (0.0, 0.0, 0.0)
    held: bool = False
    force_N: float | None = None  # noqa: N815 (newton)
    speed_m_s: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", self.name or self.region)

    @property
    def unit(self) -> str:
        """Unit of the stroke, ``mm`` or ``deg``."""
        return "mm" if self.kind is MotionKind.TRANSLATION else "deg"


@dataclass(frozen=True)
class Requirement:
    """Something the customer needs of the part.

    ``lower`` and ``upper`` are the permitted deviations from ``nominal``, all in ``unit``;
    each is None where the customer gave none.
    """

    id: str
    what: RequirementKind
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    unit: str = ""
    verified: str = ""
    critical: bool = False
    part: str = ""
    region: str = ""
    note: str = ""


@dataclass(frozen=True)
class Hardware:
    """An insert, screw, magnet or bought part built into a printed part."""

    name: str
    kind: HardwareKind
    part: str
    point_mm: Vector | None = None
    diameter_mm: float | None = None
    length_mm: float | None = None
    fitted: Fitted | None = None
    count: int = 1
    note: str = ""


@dataclass(frozen=True)
class DocumentEntry:
    """A drawing, specification or mail beside the meshes: hashed and listed, not read."""

    file: str
    kind: DocumentKind = DocumentKind.OTHER
    title: str = ""
    revision: str = ""

    def sha256(self, submission: "Submission") -> str:
        """Hash of the file, ``""`` when it is not in the folder.

        Raises
        ------
        SubmissionError
            When the file is there and cannot be read.
        """
        if submission.folder is None or not _is_file(path := _in_folder(submission, self.file)):
            return ""
        try:
            with path.open("rb") as content:
                return hashlib.file_digest(content, "sha256").hexdigest()
        except OSError as error:
            raise SubmissionError(
                f"document {shown(self.file)} cannot be read ({error.strerror}); mend it or take it out"
            ) from None


@dataclass(frozen=True)
class Finish:
    """What is done to the printed surface."""

    surface: str = ""
    treatment: str = ""
    note: str = ""


@dataclass(frozen=True)
class Packing:
    """How sets are packed."""

    sets_per_pack: int | None = None
    how: str = ""
    note: str = ""


@dataclass(frozen=True)
class Tooling:
    """What making the part with a tool would take, in the currency of the house's prices [unit of money].

    ``price`` is that of one tool, which makes ``life`` parts where that is known; ``part_cost`` what a
    part from it costs.  ``redesign`` says how the part would be changed so that a tool can make it.
    """

    price: float | None = None
    part_cost: float | None = None
    life: int | None = None
    redesign: str = ""


@dataclass(frozen=True)
class SetupRequest:
    """Settings the customer or the reviewer asks for, core fill as a share [-]; None or ``""`` is the profile's own."""

    machine: str = ""
    layer_height_mm: float | None = None
    line_width_mm: float | None = None
    core_fill: float | None = None


@dataclass(frozen=True)
class Submission:
    """Everything the customer stated, and who stands for each fact.

    ``marked`` gives the origin of the facts whose origin does not follow from the rule
    that a stated fact is confirmed and one left open is assumed; marks that say no more
    than the rule, or that name nothing here, are dropped.  ``notes`` holds a remark on a
    fact.  Both are keyed as :attr:`origins` is.
    """

    number: str
    revision: str = ""
    name: str = ""
    customer: str = ""
    received: date | None = None
    quantity: int | None = None
    due: date | None = None
    stage: Stage | None = None
    markets: tuple[str, ...] = ()
    display_units: str = "mm"
    statement: str = ""
    rights: str = ""
    parts: tuple[PartEntry, ...] = ()
    use: Use = Use()
    regions: tuple[Region, ...] = ()
    zones: tuple[Zone, ...] = ()
    motions: tuple[Motion, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    hardware: tuple[Hardware, ...] = ()
    documents: tuple[DocumentEntry, ...] = ()
    finish: Finish = Finish()
    packing: Packing = Packing()
    tooling: Tooling = Tooling()
    setup: SetupRequest = SetupRequest()
    marked: Mapping[str, Origin] = field(default_factory=dict, hash=False)
    notes: Mapping[str, str] = field(default_factory=dict, hash=False)
    folder: Path | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        values = _values(self)
        marked = {
            name: self.marked[name]
            for name, value in values.items()
            if name in self.marked and value not in _BLANKS and self.marked[name] is not _implied(name, value)
        }
        object.__setattr__(self, "marked", marked)
        object.__setattr__(self, "notes", {name: self.notes[name] for name in values if self.notes.get(name)})

    @cached_property
    def origins(self) -> Mapping[str, Origin]:
        """Who stands for each fact, by dotted name.

        Names are ``submission.quantity``, ``part.<id>.units``, ``use.cycles``,
        ``finish.surface``, ``packing.how``, ``tooling.price``, ``setup.machine`` and for whole entries
        ``region.<name>``, ``zone.<name>``, ``motion.<name>``, ``requirement.<id>``,
        ``hardware.<name>`` and ``document.<file>``.
        """
        return {name: self.marked.get(name, _implied(name, value)) for name, value in _values(self).items()}

    def summary(self) -> dict[str, object]:
        """The head of the submission as plain values for ``review.json``; blanks are kept."""
        head = {name: getattr(self, name) for name in _HEAD}
        return {name: _plain(value.isoformat() if isinstance(value, date) else value) for name, value in head.items()}


_HEAD = (
    "number", "revision", "name", "customer", "received", "quantity", "due", "stage", "markets", "display_units",
    "statement", "rights",
)  # fmt: skip


def read_submission(
    path: Path, *, units: str = "", machine: str = "", material: str = "", quantity: int | None = None
) -> Submission:
    """Read a submission from its folder, its toml file or a bare mesh file.

    Of a bare mesh only the name is known: number and part id come from the file's name.

    Parameters
    ----------
    path : Path
        Folder that holds ``submission.toml``, that file, or one mesh.
    units : str
        Unit of every mesh of the submission, instead of the submission's own.
    machine, material : str
        Machine profile, and material of every part, instead of the submission's own.
    quantity : int, optional
        How many sets are wanted, instead of the submission's own [-].

    Returns
    -------
    Submission

    Raises
    ------
    SubmissionError
        When there is nothing to read or it is not valid; names the first problem and says
        how many more there are.
    """
    path = Path(path)
    if _is_folder(path):
        submission = _read_toml(_toml_in(path))
    elif not _is_file(path):
        raise SubmissionError(
            f"{shown(path)} is not a file or folder that can be read; give the folder that holds {FILE_NAME}, "
            f"that file, or a mesh ({', '.join(MESH_SUFFIXES)})"
        )
    elif path.suffix.lower() == ".toml":
        submission = _read_toml(path)
    elif path.suffix.lower() in MESH_SUFFIXES:
        submission = _bare(path)
    else:
        raise SubmissionError(
            f"{shown(path.name)} is not read; export the part as a mesh ({', '.join(MESH_SUFFIXES)}) "
            f"or give the folder that holds {FILE_NAME}"
        )
    return _overridden(submission, units=units, machine=machine, material=material, quantity=quantity)


def bare_submission(path: Path, *, units: str = "", machine: str = "", material: str = "") -> Submission:
    """The submission of a mesh, or of a folder of meshes without a ``submission.toml``, with everything left open.

    Parameters
    ----------
    path : Path
        One mesh, or a folder; every mesh in it becomes a part.
    units, machine, material : str
        As for :func:`read_submission`.

    Returns
    -------
    Submission

    Raises
    ------
    SubmissionError
        When there is no mesh, or more than are read.
    """
    path = Path(path)
    if not _is_folder(path):
        return read_submission(path, units=units, machine=machine, material=material)
    try:
        meshes = sorted(p for p in path.iterdir() if p.suffix.lower() in MESH_SUFFIXES and p.is_file())
    except OSError as error:
        raise SubmissionError(f"{shown(path)} cannot be read ({error.strerror}); give another folder") from None
    if not 1 <= len(meshes) <= MAX_ENTRIES:
        raise SubmissionError(
            f"{shown(path)} holds {len(meshes)} meshes; 1 to {MAX_ENTRIES} are read ({', '.join(MESH_SUFFIXES)})"
        )
    names = [slug(mesh.stem) for mesh in meshes]
    ids = [name if names.count(name) == 1 else slug(mesh.name) for name, mesh in zip(names, meshes, strict=True)]
    submission = Submission(
        number=slug(path.resolve().name),
        parts=tuple(PartEntry(name, mesh.name) for name, mesh in zip(ids, meshes, strict=True)),
        marked={"submission.number": Origin.ASSUMED},
        notes={"submission.number": "from the name of the folder"},
        folder=path,
    )
    return _overridden(submission, units=units, machine=machine, material=material, quantity=None)


def parse_submission(text: str, *, file: str = FILE_NAME, folder: Path | None = None) -> Submission:
    """The submission that a text in our format states; looks at no other file.

    Parameters
    ----------
    text : str
        Content of a ``submission.toml``.
    file : str
        Name of the file, for messages.
    folder : Path, optional
        Folder of the meshes.

    Returns
    -------
    Submission

    Raises
    ------
    SubmissionError
        When the text is not valid; names the first problem and says how many more there are.
    """
    root = Fields(_toml(text, file), file, [])
    head = _head(root.section("submission", required=True))
    parts = _parts(root)
    regions = _regions(root, parts)
    submission = Submission(
        **head,
        parts=parts,
        use=_use(root.section("use")),
        regions=regions,
        zones=_zones(root, parts),
        motions=_motions(root, regions),
        requirements=_requirements(root, parts, regions),
        hardware=_hardware(root, parts),
        documents=_documents(root),
        finish=_finish(root.section("finish")),
        packing=_packing(root.section("packing")),
        tooling=_tooling(root.section("tooling")),
        setup=_setup(root.section("setup")),
        folder=folder,
    )
    marked, notes = _origin(root.section("origin"), submission)
    root.close("section")
    root.raise_problems()
    return replace(submission, marked=_stated_defaults(root) | marked, notes=notes)


def submission_toml(submission: Submission, before: str = "") -> str:
    """The submission in our format; reading it again gives an equal submission.

    Parameters
    ----------
    submission : Submission
        What to write; facts left open are left out, suggested ones bear a comment.
    before : str
        Valid text that it takes the place of: its comments, order and spelling are kept where they can be.

    Returns
    -------
    str

    Raises
    ------
    SubmissionError
        When the submission is not valid, so that it could not be read again.
    """
    document = _document_of(submission)
    text = _checked(tomlkit.dumps(document), submission)
    if not before:
        return text
    stated = _document_of(parse_submission(before)).unwrap()
    for fresh in (False, True):
        kept = rewritten(before, stated, document, fresh=fresh)
        with suppress(SubmissionError):
            return _checked(kept, submission)
        document = _document_of(submission)
    return text


def _document_of(submission: Submission) -> Any:
    """All sections of a submission as a tomlkit document."""
    document = tomlkit.document()
    _add_section(document, "submission", _head_fields(submission))
    _add_entries(document, "part", [_part_fields(submission, part) for part in submission.parts])
    _add_section(document, "use", _stated_fields(submission.use))
    _add_entries(document, "region", [_volume_fields(region) for region in submission.regions])
    _add_entries(document, "zone", [_volume_fields(zone) for zone in submission.zones])
    _add_entries(document, "motion", [_motion_fields(motion) for motion in submission.motions])
    _add_entries(document, "requirement", [_requirement_fields(needed) for needed in submission.requirements])
    _add_entries(document, "hardware", [_stated_fields(item) for item in submission.hardware])
    _add_entries(document, "document", [_stated_fields(item) for item in submission.documents])
    _add_section(document, "finish", _stated_fields(submission.finish))
    _add_section(document, "packing", _stated_fields(submission.packing))
    _add_section(document, "tooling", _stated_fields(submission.tooling))
    _add_section(document, "setup", _stated_fields(submission.setup))
    _add_section(document, "origin", _origin_fields(submission))
    _mark_suggested(document, submission)
    return document


def _checked(text: str, submission: Submission) -> str:
    """The text, refused where reading it would not give the submission."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise SubmissionError(
            f"submission {shown(submission.number)} holds text that is not valid Unicode; rename files and retype it"
        ) from None
    if parse_submission(text) != submission:
        raise SubmissionError(
            f"submission {shown(submission.number)} cannot be written without loss; "
            "write its values as the fields of the format allow"
        )
    return text


def write_submission(submission: Submission, folder: Path) -> Path:
    """Write ``submission.toml`` into a folder, whole or not at all; comments of a valid one that is there are kept.

    Parameters
    ----------
    submission : Submission
        What to write.
    folder : Path
        Folder of the meshes; made when it is not there.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    SubmissionError
        When the submission is not valid or the folder cannot be written to.
    """
    target = Path(folder) / FILE_NAME
    text = submission_toml(submission, _valid_text(target))
    temporary = target.with_name(f".{FILE_NAME}.{os.getpid()}.tmp")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_text(text, encoding="utf-8", newline="\n")
        temporary.replace(target)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink()
        raise SubmissionError(
            f"{shown(target)} cannot be written ({error.strerror}); give a folder that you may write to"
        ) from None
    return target


def facts(submission: Submission) -> tuple[Fact, ...]:
    """What a reviewer must know of a submission, open questions included.

    Parameters
    ----------
    submission : Submission
        Its documents are hashed where they are in its folder.

    Returns
    -------
    tuple of Fact
        Facts that decide a judgement are listed even when nobody stated them, with the
        value ``not stated``; the others only when stated.
    """
    return tuple(
        Fact(label, words, submission.origins.get(name, Origin.ASSUMED), submission.notes.get(name, ""))
        for name, label, words in _lines(submission)
    )


def requirement_words(requirement: Requirement) -> str:
    """A requirement in words.

    Parameters
    ----------
    requirement : Requirement
        Its text comes out as the customer wrote it.

    Returns
    -------
    str
        Such as ``fit 24 mm, tolerance -0.2 / +0.2, critical``.
    """
    told: list[str] = [requirement.what]
    if requirement.nominal is not None:
        told[0] += f" {requirement.nominal:g} {requirement.unit}".rstrip(" -")
    bounds = [f"{deviation:+g}" for deviation in (requirement.lower, requirement.upper) if deviation is not None]
    if bounds:
        told.append(f"tolerance {' / '.join(bounds)}")
    told += ["critical"] if requirement.critical else []
    told += [f"verified by {requirement.verified}"] if requirement.verified else []
    told += [requirement.note] if requirement.note else []
    return ", ".join(told)


def requirements_of(submission: Submission, part: str) -> list[Requirement]:
    """Requirements of one part: its own, its regions', and of the first part those of none.

    Parameters
    ----------
    submission : Submission
    part : str
        Id of the part.
    """
    regions = {region.name: region.part for region in submission.regions}
    first = submission.parts[0].id if submission.parts else part
    return [r for r in submission.requirements if (r.part or regions.get(r.region, "") or first) == part]


def region_contains(region: Region | Zone, points_mm: Floats) -> NDArray[np.bool_]:
    """Whether points lie in a region's volume; its surface belongs to it.

    Parameters
    ----------
    region : Region
        A box or a cylinder.
    points_mm : (n, 3) float
        Points in the frame of the region's part [mm].

    Returns
    -------
    inside : (n,) bool
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    if isinstance(region.volume, Box):
        return _in_box(region.volume, points)
    return _in_cylinder(region.volume, points)


def region_of(regions: Sequence[Region], points_mm: Floats) -> NDArray[np.int64]:
    """Which of several regions of one part each point belongs to; the later one wins.

    Parameters
    ----------
    regions : sequence of Region
        Regions of the same part, in the order of the submission.
    points_mm : (n, 3) float
        Points in the frame of that part [mm].

    Returns
    -------
    index : (n,) int
        Index into `regions`, -1 where no region holds the point [-].
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    index = np.full(len(points), -1, dtype=np.int64)
    for number, region in enumerate(regions):
        index[region_contains(region, points)] = number
    return index


def normalised_units(text: str) -> str:
    """The unit that a word names.

    Parameters
    ----------
    text : str
        Sign or name of a unit of length, in any case; ``""`` means unknown.

    Returns
    -------
    str
        A key of :data:`MM_PER_UNIT`, or ``""``.

    Raises
    ------
    SubmissionError
        For any other word.
    """
    word = text.strip().casefold()
    if not word:
        return ""
    if word not in _UNIT_OF_WORD:
        raise SubmissionError(f"unit {shown(text)} is not known; write one of {', '.join(MM_PER_UNIT)}")
    return _UNIT_OF_WORD[word]


def slug(text: str) -> str:
    """A short name that is safe as a file or folder name on every system.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Letters a-z, digits and single hyphens.  Text that is such a name already comes
        back as it is; any other loses what does not fit, is cut to 40 characters and gets
        eight hexadecimal digits of its SHA-256, so that different texts stay different.
    """
    if _SLUG.fullmatch(text) and text not in _DEVICE_NAMES:
        return text
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    words = re.sub(r"[^a-z0-9]+", "-", ascii_text).strip("-")[:_SLUG_LENGTH].rstrip("-")
    return f"{words or 'unnamed'}-{hashlib.sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def _read_toml(path: Path) -> Submission:
    """The submission of a toml file whose meshes are all there."""
    file = shown(path.name)[1:-1]
    try:
        size_bytes = path.stat().st_size
        if size_bytes > _MAX_FILE_BYTES:
            raise SubmissionError(
                f"{file} has {size_bytes:,} bytes, at most {_MAX_FILE_BYTES:,} are read; list long texts as documents"
            )
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SubmissionError(f"{file} is not text in UTF-8; save it again with that encoding") from None
    except OSError as error:
        raise SubmissionError(f"{shown(path)} cannot be read ({error.strerror}); mend it or give another") from None
    submission = parse_submission(text, file=file, folder=path.parent)
    for part in submission.parts:
        if not _is_file(part.path(submission)):
            raise SubmissionError(
                f"{file}, [[part]] {shown(part.id)}: file {shown(part.file)} is not in the folder; "
                "put it there or correct the name"
            )
    for name in (*(part.file for part in submission.parts), *(document.file for document in submission.documents)):
        target = _in_folder(submission, name)
        if _is_file(target) and not target.resolve().is_relative_to(path.parent.resolve()):
            raise SubmissionError(f"{file}: file {shown(name)} leads out of the folder; put it there, not a link to it")
    return submission


def _toml_in(folder: Path) -> Path:
    """The toml file of a folder, or the way on when it has none."""
    path = folder / FILE_NAME
    try:
        if path.exists():
            return path
        meshes = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in MESH_SUFFIXES and p.is_file())
    except OSError as error:
        raise SubmissionError(f"{shown(folder)} cannot be read ({error.strerror}); give another folder") from None
    start = f"{shown(folder)} holds no {FILE_NAME}"
    match meshes:
        case []:
            raise SubmissionError(f"{start} and no mesh; give the folder of a submission or a mesh file")
        case [mesh]:
            raise SubmissionError(
                f"{start}, but one mesh, {shown(mesh)}; give that file itself, or write a {FILE_NAME} beside it"
            )
        case _:
            raise SubmissionError(
                f"{start}, but {len(meshes)} meshes; write a {FILE_NAME} that lists them, or give one mesh file"
            )


def _bare(path: Path) -> Submission:
    name = slug(path.stem)
    return Submission(
        number=name,
        parts=(PartEntry(name, path.name),),
        marked={"submission.number": Origin.ASSUMED},
        notes={"submission.number": "from the file name"},
        folder=path.parent,
    )


def _overridden(submission: Submission, *, units: str, machine: str, material: str, quantity: int | None) -> Submission:
    """The submission with what was given on the command line, which wins and is confirmed."""
    units = normalised_units(units)
    options = Fields({"machine": machine, "material": material, "quantity": quantity}, "command line", [])
    machine, material, quantity = options.text("machine"), options.text("material"), options.count("quantity")
    options.raise_problems()
    given: dict[str, object] = {"setup.machine": machine, "submission.quantity": quantity}
    for part in submission.parts:
        given |= {f"part.{part.id}.units": units, f"part.{part.id}.material": material}
    given = {name: value for name, value in given.items() if value not in _BLANKS}
    before = _values(submission)
    notes = {
        name: ON_COMMAND_LINE
        if before[name] in (*_BLANKS, value)
        else f"{ON_COMMAND_LINE}; the submission says {_words(before[name])}"
        for name, value in given.items()
    }
    return replace(
        submission,
        quantity=quantity or submission.quantity,
        setup=replace(submission.setup, machine=machine or submission.setup.machine),
        parts=tuple(
            replace(part, units=units or part.units, material=material or part.material) for part in submission.parts
        ),
        marked={name: origin for name, origin in submission.marked.items() if name not in given},
        notes={**submission.notes, **notes},
    )


def _in_folder(submission: Submission, file: str) -> Path:
    if submission.folder is None:
        raise SubmissionError(
            f"submission {shown(submission.number)} has no folder, so {shown(file)} cannot be found; "
            "read it with read_submission"
        )
    return submission.folder / file


def _is_file(path: Path) -> bool:
    """Whether an ordinary file is there; a name that the system cannot hold is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        return False


def _toml(text: str, file: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason = str(error)
        # A message may quote a key of any length; the place stands at its end.
        reason = reason if len(reason) <= MAX_LINE else f"{reason[:100]} ... {reason[-60:]}"
        raise SubmissionError(f"{file} cannot be read: {reason}; correct that place") from None
    except (ValueError, RecursionError):
        raise SubmissionError(
            f"{file} cannot be read: a number is thousands of digits long or brackets nest too deep; correct it"
        ) from None


# One function a section: each asks its table for the fields it knows, and closes it.


def _head(table: Fields) -> dict[str, Any]:
    head: dict[str, Any] = {
        "number": table.label("number", required=True),
        "revision": table.label("revision"),
        "name": table.text("name"),
        "customer": table.text("customer"),
        "received": table.day("received"),
        "quantity": table.count("quantity"),
        "due": table.day("due"),
        "stage": table.choice("stage", Stage),
        "markets": _markets(table),
        "display_units": _units(table, "display_units") or "mm",
        "statement": table.text("statement", MAX_TEXT),
        "rights": table.text("rights", MAX_TEXT),
    }
    if head["received"] and head["due"] and head["due"] < head["received"]:
        table.blame(f"'due' {head['due']} lies before 'received' {head['received']}; correct one of them")
    table.close()
    return head


def _markets(table: Fields) -> tuple[str, ...]:
    markets = table.texts("markets")
    for market in markets:
        if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{1,3})?", market):
            table.blame(f'\'markets\' must be codes such as "US", "EU", "GB", got {shown(market)}')
    return tuple(dict.fromkeys(market.upper() for market in markets))


def _units(table: Fields, name: str) -> str:
    try:
        return normalised_units(table.text(name))
    except SubmissionError as error:
        table.blame(f"{name!r}: {error}")
        return ""


def _stated_defaults(root: Fields) -> dict[str, Origin]:
    """Marks for defaults that the file states, which are otherwise taken as assumed."""
    marked = {
        f"part.{table.text('id')}.count": Origin.CONFIRMED for table in root.entries("part", "id") if "count" in table
    }
    if "display_units" in root.section("submission"):
        marked["submission.display_units"] = Origin.CONFIRMED
    return marked


def _parts(root: Fields) -> tuple[PartEntry, ...]:
    tables = root.entries("part", "id")
    parts = [_part(table) for table in tables]
    if not parts:
        root.blame("no [[part]] is listed; write one for each mesh, with id and file")
    _refuse_doubles(tables, [part.id for part in parts], "id")
    launcher_of = {part.id: part.launched_by for part in parts}
    for table, part in zip(tables, parts, strict=True):
        table.refer("launched_by", part.launched_by, launcher_of, "part")
        met = {part.id}
        launcher = part.launched_by
        while launcher and launcher not in met:
            met.add(launcher)
            launcher = launcher_of.get(launcher, "")
        if launcher and launcher == part.id:
            table.blame("'launched_by' runs in a circle back to this part; leave it out of the one that launches")
        table.close()
    return tuple(parts)


def _part(table: Fields) -> PartEntry:
    return PartEntry(
        id=_part_id(table),
        file=table.file("file", MESH_SUFFIXES),
        units=_units(table, "units"),
        count=table.count("count") or 1,
        material=table.text("material"),
        colour=table.text("colour"),
        launched_by=table.text("launched_by"),
        number=table.label("number"),
        name=table.text("name"),
        bodies=table.count("bodies"),
        pose=_pose(table),
    )


def _part_id(table: Fields) -> str:
    name = table.text("id", required=True)
    if name and slug(name) != name:
        table.blame(f"'id' may hold a-z, 0-9 and single hyphens, got {shown(name)}; write for example {slug(name)!r}")
    return name


def _part_named(table: Fields, parts: Sequence[PartEntry]) -> str:
    """Id of the part that an entry belongs to; may be left out where there is only one."""
    name = table.text("part")
    if not name and len(parts) == 1:
        return parts[0].id
    if not name:
        table.blame("'part' is missing; with several parts it is needed")
    table.refer("part", name, [part.id for part in parts], "part")
    return name


def _pose(table: Fields) -> Matrix | None:
    """A pose given as ``as sent``, as rows of a rotation matrix, or as turns one after the other."""
    value = table.take("pose")
    match value:
        case None:
            return None
        case "as sent":
            return IDENTITY
        case dict():
            return _turned(table, [value])
        case [dict(), *_]:
            return _turned(table, value)
        case [[_, _, _], [_, _, _], [_, _, _]] if all(finite(x) is not None for row in value for x in row):
            return _rotation(table, np.array(value, dtype=float))
    table.blame(
        "'pose' must be \"as sent\", three rows of three numbers, or turns such as "
        f'[{{axis = "x", angle_deg = 90}}], got {shown(value)}'
    )
    return None


def _rotation(table: Fields, rows: Floats) -> Matrix | None:
    """The rows, squared up when they are a rotation with rounded digits."""
    small = np.abs(rows).max() <= 1 + _ROUNDED_ROTATION
    error = float(np.abs(rows @ rows.T - np.eye(3)).max()) if small else math.inf
    if error > _ROUNDED_ROTATION or np.linalg.det(rows) < 0:
        table.blame(
            "'pose' must turn and no more: rows of length 1 at right angles to each other, right-handed; "
            'write turns such as [{axis = "x", angle_deg = 90}] instead'
        )
        return None
    if error > _GOOD_ROTATION:
        left, _, right = np.linalg.svd(rows)
        rows = left @ right
    return _matrix(rows)


def _turned(table: Fields, turns: Sequence[object]) -> Matrix | None:
    """Turns about the fixed axes of the plate, the first one first."""
    rotation = np.eye(3)
    for number, content in enumerate(turns, 1):
        if not isinstance(content, dict):
            table.blame(f"'pose' turn {number} must be such as {{axis = \"x\", angle_deg = 90}}, got {shown(content)}")
            return None
        turn = table.inner(f"pose turn {number}", content)
        axis, angle_deg = turn.axis("axis"), turn.number("angle_deg", required=True)
        turn.close()
        if axis is None or angle_deg is None:
            return None
        rotation = _about(np.array(axis), angle_deg) @ rotation
    # Quarter turns come out whole: 6e-17 is zero.
    return _matrix(np.round(rotation, 15))


def _about(axis: Floats, angle_deg: float) -> Floats:
    """Rotation matrix about a unit axis, counter-clockwise seen against it (Rodrigues)."""
    angle = math.radians(angle_deg)
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: Floats = np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * (cross @ cross)
    return turned


def _matrix(rows: Floats) -> Matrix:
    a, b, c = ((float(x), float(y), float(z)) for x, y, z in rows)
    return a, b, c


def _use(table: Fields) -> Use:
    use = Use(
        age_from_months=table.count("age_from_months", low=0),
        hands=table.texts("hands"),
        mounting=table.choice("mounting", Mounting),
        surroundings=table.choice("surroundings", Surroundings),
        cycles=table.count("cycles"),
    )
    table.close()
    return use


def _regions(root: Fields, parts: Sequence[PartEntry]) -> tuple[Region, ...]:
    tables = root.entries("region", "name")
    regions = []
    fixed: dict[str, str] = {}
    for table in tables:
        region = Region(
            name=table.label("name", required=True),
            part=_part_named(table, parts),
            kind=table.chosen("kind", RegionKind),
            volume=_volume(table),
            note=table.text("note", MAX_TEXT),
        )
        if region.kind is RegionKind.FIXED and fixed.setdefault(region.part, region.name) != region.name:
            table.blame(
                f"part {shown(region.part)} has a fixed region already, {shown(fixed[region.part])}; "
                "one is the frame of reference, give this one another kind"
            )
        table.close()
        regions.append(region)
    _refuse_doubles(tables, [region.name for region in regions], "name")
    return tuple(regions)


def _zones(root: Fields, parts: Sequence[PartEntry]) -> tuple[Zone, ...]:
    tables = root.entries("zone", "name")
    zones = []
    for table in tables:
        zone = Zone(
            name=table.label("name", required=True),
            part=_part_named(table, parts),
            volume=_volume(table),
            core_fill=table.number("core_fill", low=0.0, high=1.0),
            outline_passes=table.count("outline_passes"),
            note=table.text("note", MAX_TEXT),
        )
        if zone.core_fill is None and zone.outline_passes is None:
            table.blame("says neither 'core_fill' (0 to 1) nor 'outline_passes'; state one, or take the zone out")
        table.close()
        zones.append(zone)
    _refuse_doubles(tables, [zone.name for zone in zones], "name")
    return tuple(zones)


def _volume(table: Fields) -> Box | Cylinder:
    box, cylinder = table.take("box"), table.take("cylinder")
    nothing = Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 0.0)
    if (box is None) == (cylinder is None):
        table.blame(
            "needs one volume: box = {min_mm = [x, y, z], max_mm = [x, y, z]} or "
            "cylinder = {from_mm = [x, y, z], to_mm = [x, y, z], radius_mm = r}"
        )
        return nothing
    name, content = ("box", box) if box is not None else ("cylinder", cylinder)
    if not isinstance(content, dict):
        table.blame(f"{name!r} must be written with braces, {name} = {{...}}, got {shown(content)}")
        return nothing
    volume = table.inner(name, content)
    solid = _box(volume) if name == "box" else _cylinder(volume)
    volume.close()
    return solid or nothing


def _box(table: Fields) -> Box | None:
    low, high = table.vector("min_mm", required=True), table.vector("max_mm", required=True)
    turn_deg = table.number("turn_deg") or 0.0
    if low is None or high is None:
        return None
    if not all(a < b for a, b in zip(low, high, strict=True)):
        table.blame(f"'max_mm' must exceed 'min_mm' in x, y and z [mm], got {shown(list(low))} to {shown(list(high))}")
        return None
    return Box(low, high, turn_deg)


def _cylinder(table: Fields) -> Cylinder | None:
    start, end = table.vector("from_mm", required=True), table.vector("to_mm", required=True)
    radius_mm = table.number("radius_mm", above=0.0, required=True)
    if start is None or end is None or radius_mm is None:
        return None
    if math.dist(start, end) < _SHORTEST_MM:
        table.blame(f"'from_mm' and 'to_mm' must differ, both are {shown(list(start))} mm")
        return None
    return Cylinder(start, end, radius_mm)


def _motions(root: Fields, regions: Sequence[Region]) -> tuple[Motion, ...]:
    tables = root.entries("motion", "region")
    motions = [_motion(table, regions) for table in tables]
    _refuse_doubles(tables, [motion.name for motion in motions], "name")
    return tuple(motions)


def _motion(table: Fields, regions: Sequence[Region]) -> Motion:
    region = table.label("region", required=True)
    table.refer("region", region, [known.name for known in regions], "region")
    if any(known.name == region and known.kind is RegionKind.FIXED for known in regions):
        table.blame(f"region {shown(region)} is fixed and cannot move; move another region or change its kind")
    kind = table.chosen("kind", MotionKind)
    turning = kind is MotionKind.ROTATION
    given, other = ("stroke_deg", "stroke_mm") if turning else ("stroke_mm", "stroke_deg")
    if table.take(other) is not None:
        table.blame(f"a {kind} has its stroke in {given!r}, not {other!r}")
    stroke = table.numbers(given, 2, required=True) or (0.0, 1.0)
    if stroke[0] == stroke[1]:
        table.blame(f"{given!r} starts and ends at {stroke[0]:g}; write where the motion starts and ends")
    motion = Motion(
        region=region,
        kind=kind,
        direction=table.axis("direction") or (0.0, 0.0, 1.0),
        stroke=(stroke[0], stroke[1]),
        point_mm=table.vector("point_mm", required=turning) or (0.0, 0.0, 0.0),
        held=table.flag("held"),
        force_N=table.number("force_N", above=0.0),
        speed_m_s=table.number("speed_m_s", above=0.0),
        name=table.label("name"),
    )
    table.close()
    return motion


def _requirements(root: Fields, parts: Sequence[PartEntry], regions: Sequence[Region]) -> tuple[Requirement, ...]:
    tables = root.entries("requirement", "id")
    requirements = [_requirement(table, parts, regions) for table in tables]
    _refuse_doubles(tables, [requirement.id for requirement in requirements], "id")
    return tuple(requirements)


def _requirement(table: Fields, parts: Sequence[PartEntry], regions: Sequence[Region]) -> Requirement:
    symmetric = table.number("tolerance", low=0.0)
    requirement = Requirement(
        id=table.label("id", required=True),
        what=table.chosen("what", RequirementKind),
        nominal=table.number("nominal"),
        lower=table.number("lower"),
        upper=table.number("upper"),
        unit=table.text("unit"),
        verified=table.text("verified", MAX_TEXT),
        critical=table.flag("critical"),
        part=table.text("part"),
        region=table.text("region"),
        note=table.text("note", MAX_TEXT),
    )
    table.refer("part", requirement.part, [part.id for part in parts], "part")
    table.refer("region", requirement.region, [region.name for region in regions], "region")
    if symmetric is not None:
        if requirement.lower is not None or requirement.upper is not None:
            table.blame("'tolerance' stands for plus and minus; leave it out where 'lower' or 'upper' is given")
        requirement = replace(requirement, lower=-symmetric, upper=symmetric)
    lower, upper = requirement.lower, requirement.upper
    if requirement.nominal is None and (lower is not None or upper is not None):
        table.blame("a tolerance needs 'nominal', the value that it is counted from")
    if requirement.nominal is not None and not requirement.unit:
        table.blame("'nominal' needs 'unit'; write unit = \"-\" for a plain number")
    if lower is not None and upper is not None and lower > upper:
        table.blame(f"'lower' {lower:g} lies above 'upper' {upper:g}; swap them")
    table.close()
    return requirement


def _hardware(root: Fields, parts: Sequence[PartEntry]) -> tuple[Hardware, ...]:
    tables = root.entries("hardware", "name")
    items = [_hardware_item(table, parts) for table in tables]
    _refuse_doubles(tables, [item.name for item in items], "name")
    return tuple(items)


def _hardware_item(table: Fields, parts: Sequence[PartEntry]) -> Hardware:
    item = Hardware(
        name=table.label("name", required=True),
        kind=table.chosen("kind", HardwareKind),
        part=_part_named(table, parts),
        point_mm=table.vector("point_mm"),
        diameter_mm=table.number("diameter_mm", above=0.0),
        length_mm=table.number("length_mm", above=0.0),
        fitted=table.choice("fitted", Fitted),
        count=table.count("count") or 1,
        note=table.text("note", MAX_TEXT),
    )
    table.close()
    return item


def _documents(root: Fields) -> tuple[DocumentEntry, ...]:
    tables = root.entries("document", "file")
    documents = [_document(table) for table in tables]
    _refuse_doubles(tables, [document.file for document in documents], "file")
    return tuple(documents)


def _document(table: Fields) -> DocumentEntry:
    document = DocumentEntry(
        file=table.file("file"),
        kind=table.choice("kind", DocumentKind) or DocumentKind.OTHER,
        title=table.text("title"),
        revision=table.text("revision"),
    )
    table.close()
    return document


def _finish(table: Fields) -> Finish:
    finish = Finish(table.text("surface"), table.text("treatment"), table.text("note", MAX_TEXT))
    table.close()
    return finish


def _packing(table: Fields) -> Packing:
    packing = Packing(table.count("sets_per_pack"), table.text("how"), table.text("note", MAX_TEXT))
    table.close()
    return packing


def _tooling(table: Fields) -> Tooling:
    tooling = Tooling(
        price=table.number("price", above=0.0),
        part_cost=table.number("part_cost", low=0.0),
        life=table.count("life"),
        redesign=table.text("redesign", MAX_TEXT),
    )
    table.close()
    return tooling


def _setup(table: Fields) -> SetupRequest:
    setup = SetupRequest(
        machine=table.text("machine"),
        layer_height_mm=table.number("layer_height_mm", above=0.0),
        line_width_mm=table.number("line_width_mm", above=0.0),
        core_fill=table.number("core_fill", low=0.0, high=1.0),
    )
    table.close()
    return setup


def _origin(table: Fields, submission: Submission) -> tuple[dict[str, Origin], dict[str, str]]:
    """Marks and notes of the section ``[origin]``, each of which must name a fact."""
    values = _values(submission)
    marked: dict[str, Origin] = {}
    for origin in (Origin.SUGGESTED, Origin.ASSUMED):
        for name in table.texts(str(origin), most=_MAX_MARKS, longest=2 * MAX_LINE):
            table.refer(str(origin), name, values, "fact")
            if values.get(name, name) in _BLANKS:
                table.blame(f"{origin!s} names {shown(name)}, which is not stated; state it or take it out")
            if marked.setdefault(name, origin) is not origin:
                table.blame(f"{shown(name)} is marked both suggested and assumed; keep one")
    notes: dict[str, str] = {}
    content = table.take("notes")
    if content is not None and not isinstance(content, dict):
        table.blame(f"'notes' must be a table of notes by fact, got {shown(content)}")
    elif content is not None:
        inner = table.inner("notes", content)
        for name in content:
            inner.refer("notes", name, values, "fact")
            notes[name] = inner.text(name, MAX_TEXT)
    table.close()
    return marked, notes


def _refuse_doubles(tables: Sequence[Fields], names: Sequence[str], field_name: str) -> None:
    """Names that a person would take for the same may not stand twice."""
    seen: set[str] = set()
    for table, name in zip(tables, names, strict=True):
        alike = unicodedata.normalize("NFKC", name).casefold()
        if name and alike in seen:
            table.blame(f"{field_name} {shown(name)} stands twice; give each its own")
        seen.add(alike)


# Facts by dotted name, and how they are told.


def _values(submission: Submission) -> dict[str, object]:
    """The value of every fact by dotted name; blank where it is left open."""
    values: dict[str, object] = {f"submission.{name}": getattr(submission, name) for name in _HEAD}
    for part in submission.parts:
        values |= {
            f"part.{part.id}.{f.name}": getattr(part, f.name) for f in fields(part) if f.name not in ("id", "file")
        }
    for section in ("use", "finish", "packing", "tooling", "setup"):
        record = getattr(submission, section)
        values |= {f"{section}.{f.name}": getattr(record, f.name) for f in fields(record)}
    values |= {f"region.{region.name}": region for region in submission.regions}
    values |= {f"zone.{zone.name}": zone for zone in submission.zones}
    values |= {f"motion.{motion.name}": motion for motion in submission.motions}
    values |= {f"requirement.{requirement.id}": requirement for requirement in submission.requirements}
    values |= {f"hardware.{item.name}": item for item in submission.hardware}
    values |= {f"document.{document.file}": document for document in submission.documents}
    return values


def _implied(name: str, value: object) -> Origin:
    """Who stands for a fact that nobody marked."""
    default = _VALUED_DEFAULTS.get(name.rpartition(".")[2])
    return Origin.ASSUMED if value in _BLANKS or value == default else Origin.CONFIRMED


def _lines(submission: Submission) -> Iterator[tuple[str, str, str]]:
    """Each fact as dotted name, label and words."""
    values = _values(submission)
    for name, label, always in _TOLD:
        if always or values[name] not in _BLANKS:
            yield name, label, _words(values[name], " months" if name == "use.age_from_months" else _suffix(name))
    for part in submission.parts:
        for name, label, always in _TOLD_OF_PARTS:
            value = values[f"part.{part.id}.{name}"]
            if always or value not in _BLANKS:
                yield (
                    f"part.{part.id}.{name}",
                    f"{part.id}: {label}",
                    _pose_words(part) if name == "pose" else _words(value),
                )
    yield from _entry_lines(submission)


_TOLD = (
    ("submission.number", "part number", True),
    ("submission.revision", "revision", True),
    ("submission.name", "name", False),
    ("submission.customer", "customer", True),
    ("submission.received", "received", False),
    ("submission.quantity", "quantity of sets", True),
    ("submission.due", "due", True),
    ("submission.stage", "stage", True),
    ("submission.markets", "markets", True),
    ("submission.display_units", "customer's unit of length", True),
    ("submission.statement", "what the part is for", False),
    ("submission.rights", "rights to the design", True),
    ("use.age_from_months", "youngest user", True),
    ("use.hands", "hands", True),
    ("use.mounting", "held or fixed", True),
    ("use.surroundings", "indoor or outdoor", True),
    ("use.cycles", "cycles in its life", True),
    ("finish.surface", "surface", False),
    ("finish.treatment", "treatment after the print", False),
    ("finish.note", "finish", False),
    ("packing.sets_per_pack", "sets in a pack", False),
    ("packing.how", "packing", False),
    ("packing.note", "note on packing", False),
    ("tooling.price", "price of a tool", False),
    ("tooling.part_cost", "cost of a part from the tool", False),
    ("tooling.life", "parts that a tool makes", False),
    ("tooling.redesign", "redesign for a tool", False),
    ("setup.machine", "machine asked for", False),
    ("setup.layer_height_mm", "layer height asked for", False),
    ("setup.line_width_mm", "line width asked for", False),
    ("setup.core_fill", "core fill asked for", False),
)
_TOLD_OF_PARTS = (
    ("number", "own part number", False),
    ("name", "own name", False),
    ("units", "unit of the mesh", True),
    ("count", "count in a set", True),
    ("material", "material", True),
    ("colour", "colour", False),
    ("bodies", "separate bodies", False),
    ("launched_by", "launched by", False),
    ("pose", "pose asked for", False),
)


def _entry_lines(submission: Submission) -> Iterator[tuple[str, str, str]]:
    """Facts of regions, zones, motions, requirements, hardware and documents; absent ones said once."""
    for region in submission.regions:
        shape = "box" if isinstance(region.volume, Box) else "cylinder"
        yield f"region.{region.name}", f"region {region.name}", f"{region.kind}, {shape} in {region.part}"
    if not submission.regions:
        yield "region", "regions", NOT_STATED
    for zone in submission.zones:
        yield f"zone.{zone.name}", f"zone {zone.name}", _zone_words(zone)
    for motion in submission.motions:
        yield f"motion.{motion.name}", f"motion {motion.name}", _motion_words(motion)
    if not submission.motions:
        yield "motion", "motions", NOT_STATED
    for requirement in submission.requirements:
        yield f"requirement.{requirement.id}", f"requirement {requirement.id}", requirement_words(requirement)
    if not submission.requirements:
        yield "requirement", "requirements", NOT_STATED
    for item in submission.hardware:
        when = f", fitted {item.fitted}" if item.fitted else ""
        yield f"hardware.{item.name}", f"hardware {item.name}", f"{item.count} x {item.kind} in {item.part}{when}"
    for document in submission.documents:
        sha256 = document.sha256(submission)
        found = f"SHA-256 {sha256}" if sha256 else "not in the folder"
        issue = f"revision {document.revision}" if document.revision else ""
        told = ", ".join(filter(None, (document.kind, document.title, issue, found)))
        yield f"document.{document.file}", f"document {document.file}", told


def _words(value: object, unit: str = "") -> str:
    match value:
        case None | "" | ():
            return NOT_STATED
        case tuple():
            return ", ".join(str(item) for item in value)
        case date():
            return value.isoformat()
        case int():
            return f"{value:,}{unit}"
        case float():
            return f"{value:g}{unit}"
    return str(value)


def _suffix(name: str) -> str:
    return " mm" if name.endswith("_mm") else ""


def _pose_words(part: PartEntry) -> str:
    if part.pose is None:
        return NOT_STATED
    return "as sent" if part.pose == IDENTITY else "turned"


def _zone_words(zone: Zone) -> str:
    shape = "box" if isinstance(zone.volume, Box) else "cylinder"
    told = [f"{shape} in {zone.part}"]
    if zone.core_fill is not None:
        told.append(f"core {100 * zone.core_fill:g} % filled")
    if zone.outline_passes is not None:
        told.append(f"{zone.outline_passes} outline passes")
    return ", ".join(told)


def _motion_words(motion: Motion) -> str:
    unit = "mm" if motion.unit == "mm" else "degrees"
    told = [f"{motion.kind} from {motion.stroke[0]:g} to {motion.stroke[1]:g} {unit}"]
    if motion.held:
        told.append("held at the end")
    if motion.force_N is not None:
        told.append(f"{motion.force_N:g} N measured")
    if motion.speed_m_s is not None:
        told.append(f"{motion.speed_m_s:g} m/s measured")
    return ", ".join(told)


# Volumes.


def _in_box(box: Box, points: Floats) -> NDArray[np.bool_]:
    low, high = np.array(box.min_mm), np.array(box.max_mm)
    if box.turn_deg:
        centre = (low + high) / 2
        points = (points - centre) @ _about(np.array([0.0, 0.0, 1.0]), box.turn_deg) + centre
    return np.asarray(((points >= low) & (points <= high)).all(axis=1))


def _in_cylinder(cylinder: Cylinder, points: Floats) -> NDArray[np.bool_]:
    start = np.array(cylinder.from_mm)
    axis = np.array(cylinder.to_mm) - start
    length_mm = np.linalg.norm(axis)
    along_mm = (points - start) @ (axis / length_mm)
    off_axis_mm = np.linalg.norm(points - start - along_mm[:, None] * (axis / length_mm), axis=1)
    return np.asarray((along_mm >= 0) & (along_mm <= length_mm) & (off_axis_mm <= cylinder.radius_mm))


# Writing: a record becomes the fields that differ from their defaults.


def _stated_fields(record: object) -> dict[str, object]:
    return {
        f.name: value
        for f in fields(record)  # type: ignore[arg-type]
        if (value := getattr(record, f.name)) != f.default or f.default is MISSING
    }


def _head_fields(submission: Submission) -> dict[str, object]:
    return {
        name: getattr(submission, name)
        for name in _HEAD
        if name != "display_units" or _says_default(submission, "submission.display_units")
    }


def _part_fields(submission: Submission, part: PartEntry) -> dict[str, object]:
    stated = _stated_fields(part)
    if _says_default(submission, f"part.{part.id}.count"):
        stated["count"] = part.count
    if part.pose == IDENTITY:
        stated["pose"] = "as sent"
    return stated


def _says_default(submission: Submission, name: str) -> bool:
    """Whether a fact with a valued default must be written because somebody stated it."""
    return name in submission.marked or submission.origins[name] is not Origin.ASSUMED


def _volume_fields(entry: Region | Zone) -> dict[str, object]:
    shape = "box" if isinstance(entry.volume, Box) else "cylinder"
    stated = _stated_fields(entry) | {"volume": _stated_fields(entry.volume)}
    return {shape if name == "volume" else name: value for name, value in stated.items()}


def _motion_fields(motion: Motion) -> dict[str, object]:
    stated = _stated_fields(motion) | {"point_mm": motion.point_mm}
    if motion.name == motion.region:
        del stated["name"]
    return {f"stroke_{motion.unit}" if name == "stroke" else name: value for name, value in stated.items()}


def _requirement_fields(requirement: Requirement) -> dict[str, object]:
    stated = _stated_fields(requirement)
    if requirement.upper is not None and requirement.lower == -requirement.upper:
        del stated["lower"]
        return {"tolerance" if name == "upper" else name: value for name, value in stated.items()}
    return stated


def _origin_fields(submission: Submission) -> dict[str, object]:
    """Marks and notes; a confirmed fact needs no mark, since it is written out."""
    stated: dict[str, object] = {
        str(origin): tuple(name for name, mark in submission.marked.items() if mark is origin)
        for origin in (Origin.SUGGESTED, Origin.ASSUMED)
    }
    return stated | {"notes": dict(submission.notes)}


def _add_section(document: Any, name: str, values: Mapping[str, object]) -> None:
    table = _toml_table(values)
    if len(table):
        document.add(name, table)


def _add_entries(document: Any, name: str, entries: Sequence[Mapping[str, object]]) -> None:
    if entries:
        tables = tomlkit.aot()
        for values in entries:
            tables.append(_toml_table(values))
        document.add(name, tables)


def _mark_suggested(document: Any, submission: Submission) -> None:
    """A comment beside each entry and field that the kit suggested."""
    for name, origin in submission.marked.items():
        if origin is not Origin.SUGGESTED:
            continue
        section, _, entry = name.partition(".")
        held = document.get(section)
        if isinstance(held, list) and section != "part":
            keys = _ENTRY_NAMES[section]
            for table in held:
                if next((table[key] for key in keys if key in table), None) == entry:
                    table.comment(_SUGGESTED)
        elif section == "part":
            part, _, field_name = entry.rpartition(".")
            for table in held or ():
                if table["id"] == part and field_name in table:
                    table[field_name].comment(_SUGGESTED)
        elif held is not None and entry in held:
            held[entry].comment(_SUGGESTED)


def _valid_text(path: Path) -> str:
    """The text of a submission that is there, nothing where there is none or it is not valid."""
    with suppress(OSError, UnicodeDecodeError, SubmissionError):
        if path.stat().st_size <= _MAX_FILE_BYTES:
            text = path.read_bytes().decode("utf-8-sig")
            parse_submission(text)
            return text
    return ""


def _toml_table(values: Mapping[str, object]) -> Any:
    table = tomlkit.table()
    for name, value in values.items():
        if isinstance(value, Mapping):
            inner = tomlkit.table() if name == "notes" else tomlkit.inline_table()
            inner.update({key: _plain(item) for key, item in value.items()})
            value = inner
        if value not in _BLANKS and value != {}:
            table.add(name, _plain(value))
    return table


def _plain(value: object) -> object:
    """The value in the plain types of TOML and JSON."""
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, StrEnum):
        return str(value)
    if isinstance(value, float):
        return float(value)
    return value
