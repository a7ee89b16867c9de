"""Results of a pilot, written beside a submission as tables: read, checked line by line, kept by part.

``pilot.csv`` holds one line a plate, ``pilot_values.csv`` one line a measured value.  Text in them is
kept as it came; whoever prints it cleans it.
"""

import csv
import io
import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reviewkit.errors import SubmissionError
from reviewkit.fields import MAX_LINE, shown
from reviewkit.model import Floats, Origin
from reviewkit.submission import Stage, Submission

PLATES_FILE = "pilot.csv"
VALUES_FILE = "pilot_values.csv"
PLATE_COLUMNS = ("part", "revision", "stage", "plate", "machine", "copies", "plate_lost", "rejected", "reason")
VALUE_COLUMNS = ("part", "revision", "plate", "what", "value")

# What only guards input.
_MAX_BYTES = 5_000_000
_MAX_LINES = 50_000
_MAX_COPIES = 10_000
_MAX_VALUE = 1e9
_STAGES = tuple(stage for stage in Stage if stage is not Stage.IDEA)


@dataclass(frozen=True)
class Plate:
    """One plate that was started.

    Parameters
    ----------
    name, machine : str
    stage : Stage
    copies : int
        Parts of this kind on it [-].
    is_lost : bool
        Whether the plate as a whole was given up.
    rejected : int
        Parts of a plate that came through that were not good [-].
    reason : str
        Why the plate or the parts were lost.
    """

    name: str
    machine: str
    stage: Stage
    copies: int
    is_lost: bool
    rejected: int
    reason: str = ""


@dataclass(frozen=True)
class Value:
    """One value measured on a part of a plate.

    Parameters
    ----------
    what, plate, machine : str
        What was measured, and where the part comes from.
    value : float
        In the unit of the inspection plan [unit of what was measured].
    """

    what: str
    plate: str
    machine: str
    value: float


@dataclass(frozen=True)
class Pilot:
    """What was recorded of one part in its present revision.

    Parameters
    ----------
    plates : tuple of Plate
    values : tuple of Value
    others : int
        Lines that belong to another revision and were not counted [-].
    """

    plates: tuple[Plate, ...]
    values: tuple[Value, ...] = ()
    others: int = 0

    @cached_property
    def machines(self) -> tuple[str, ...]:
        """Machines that plates were printed on, in order of their names."""
        return tuple(sorted({plate.machine for plate in self.plates}))

    @cached_property
    def through(self) -> tuple[Plate, ...]:
        """Plates that came through."""
        return tuple(plate for plate in self.plates if not plate.is_lost)

    @cached_property
    def whats(self) -> tuple[str, ...]:
        """What was measured, as it first appears."""
        return tuple(dict.fromkeys(value.what for value in self.values))

    def measured(self, what: str) -> tuple[Floats, NDArray[np.int64]]:
        """Values of one kind and the machine of each by its place in :attr:`machines`, both (n,) [-]."""
        own = [value for value in self.values if value.what == what]
        numbers = np.array([value.value for value in own])
        return numbers, np.array([self.machines.index(value.machine) for value in own], dtype=np.int64)


def read_pilot(submission: Submission, part: str) -> Pilot | None:
    """Results of the pilot of a part, from the folder of its submission.

    Parameters
    ----------
    submission : Submission
    part : str
        Id of the part.

    Returns
    -------
    Pilot or None
        None where no plate of this part is recorded, of whatever revision, or a bare mesh was given.

    Raises
    ------
    SubmissionError
        When a table cannot be read or a line of it cannot be; names the first problem and says how many
        more there are.
    """
    if submission.folder is None or submission.origins.get("submission.number") is Origin.ASSUMED:
        return None
    plates_text = _content(submission.folder, PLATES_FILE)
    values_text = _content(submission.folder, VALUES_FILE)
    if plates_text is None:
        if values_text is not None:
            raise SubmissionError(
                f"{VALUES_FILE} is there without {PLATES_FILE}; write that table too, one line for each plate"
            )
        return None
    return parsed_pilot(plates_text, values_text or "", submission, part)


def parsed_pilot(plates_text: str, values_text: str, submission: Submission, part: str) -> Pilot | None:
    """Results of the pilot of a part, from the text of its two tables.

    Parameters
    ----------
    plates_text, values_text : str
        Content of ``pilot.csv``, and of ``pilot_values.csv`` or nothing.
    submission : Submission
        Whose parts and revision the lines name.
    part : str
        Id of the part.

    Returns
    -------
    Pilot or None

    Raises
    ------
    SubmissionError
        As for :func:`read_pilot`.
    """
    problems: list[str] = []
    known = [entry.id for entry in submission.parts]
    plates: dict[tuple[str, str, str], Plate] = {}
    for line in _lines(plates_text, PLATES_FILE, PLATE_COLUMNS, problems):
        plate = _plate(line, known)
        key = (line.cells["part"], line.cells["revision"], plate.name)
        if key in plates:
            line.blame(f"plate {shown(plate.name)} of this part stands twice; give each plate its own name")
        plates[key] = plate
    values: list[tuple[tuple[str, str, str], Value]] = []
    for line in _lines(values_text, VALUES_FILE, VALUE_COLUMNS, problems) if values_text else ():
        key = (line.named("part", known), line.cells["revision"], line.text("plate"))
        if key[0] and key[2] and key not in plates:
            line.blame(f"plate {shown(key[2])} of this part and revision is not in {PLATES_FILE}; add it there")
        machine = plates[key].machine if key in plates else ""
        values.append((key, Value(line.text("what"), key[2], machine, line.number("value", -_MAX_VALUE, _MAX_VALUE))))
    if problems:
        more = len(problems) - 1
        raise SubmissionError(
            problems[0] + (f" (and {more} more problem{'s' if more > 1 else ''} in the pilot tables)" if more else "")
        )
    own = [(key, plate) for key, plate in plates.items() if key[0] == part]
    if not own:
        return None
    now = submission.revision
    return Pilot(
        plates=tuple(plate for key, plate in own if key[1] == now),
        values=tuple(value for key, value in values if key[0] == part and key[1] == now),
        others=sum(key[1] != now for key, _ in own),
    )


@dataclass(frozen=True)
class _Line:
    """One line of a table; every problem is noted with its place."""

    where: str
    cells: dict[str, str]
    comma: bool
    problems: list[str]

    def blame(self, problem: str) -> None:
        self.problems.append(f"{self.where}: {problem}")

    def text(self, name: str, required: bool = True) -> str:
        value = self.cells[name]
        if required and not value:
            self.blame(f"{name!r} is empty; it is needed")
        if len(value) > MAX_LINE or not value.isprintable():
            self.blame(f"{name!r} must be one line of at most {MAX_LINE} visible characters, got {shown(value)}")
            return ""
        return value

    def named(self, name: str, known: list[str]) -> str:
        value = self.text(name)
        if value and value not in known:
            self.blame(f"{name!r} {shown(value)} is not a part of the submission; known are {', '.join(known[:20])}")
            return ""
        return value

    def one_of(self, name: str, words: tuple[str, ...]) -> str:
        value = " ".join(self.cells[name].lower().replace("-", " ").replace("_", " ").split())
        if value not in words:
            self.blame(f"{name!r} must be {' or '.join(words)}, got {shown(self.cells[name])}")
            return words[0]
        return value

    def count(self, name: str, low: int, high: int) -> int:
        value = self.cells[name]
        if not (value.isascii() and value.isdigit()) or len(value) > 9 or not low <= int(value) <= high:
            self.blame(f"{name!r} must be a whole number from {low} to {high:,}, got {shown(value)}")
            return low
        return int(value)

    def number(self, name: str, low: float, high: float) -> float:
        value = self.cells[name]
        try:
            number = float(value.replace(",", ".") if self.comma else value)
        except ValueError:
            number = math.nan
        # Underscores and foreign digits are numbers to Python and to nobody else.
        if not low <= number <= high or "_" in value or not value.isascii():
            self.blame(f"{name!r} must be a number from {low:g} to {high:g}, got {shown(value)}")
            return 0.0
        return number


def _plate(line: _Line, known: list[str]) -> Plate:
    line.named("part", known)
    line.text("revision", required=False)
    copies = line.count("copies", 1, _MAX_COPIES)
    is_lost = line.one_of("plate_lost", ("no", "yes")) == "yes"
    rejected = line.count("rejected", 0, _MAX_COPIES) if line.cells["rejected"] else 0
    if rejected > copies:
        line.blame(f"'rejected' {rejected} is more than 'copies' {copies}; correct one of them")
    if is_lost and rejected:
        line.blame("a lost plate has no parts to reject; leave 'rejected' empty, or write no for 'plate_lost'")
    return Plate(
        name=line.text("plate"),
        machine=line.text("machine"),
        stage=Stage(line.one_of("stage", _STAGES)),
        copies=copies,
        is_lost=is_lost,
        rejected=rejected,
        reason=line.text("reason", required=False),
    )


def _content(folder: Path, name: str) -> str | None:
    """Text of a table of the folder, None where there is none."""
    path = folder / name
    try:
        if not path.is_file():
            return None
        if not path.resolve().is_relative_to(folder.resolve()):
            raise SubmissionError(f"{name} leads out of the folder; put the table there, not a link to it")
        size_bytes = path.stat().st_size
        if size_bytes > _MAX_BYTES:
            raise SubmissionError(f"{name} has {size_bytes:,} bytes, at most {_MAX_BYTES:,} are read; split the pilot")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SubmissionError(f"{name} is not text in UTF-8; save it again as CSV with that encoding") from None
    except OSError as error:
        raise SubmissionError(f"{name} cannot be read ({error.strerror}); mend it or take it away") from None


def _lines(text: str, file: str, columns: tuple[str, ...], problems: list[str]) -> Iterator[_Line]:
    """Lines of a table under its heading; cells may be parted by commas or, as some spreadsheets do, semicolons."""
    heading = text.lstrip().split("\n", 1)[0]
    parted = ";" if heading.count(";") > heading.count(",") else ","
    read = _read(text, parted, file)
    names: Sequence[str] = next((row for row, _ in read if any(row)), [])
    doubled = [name for name, times in Counter(names).items() if times > 1 and name]
    missing = [name for name in columns if name not in names]
    unknown = [name for name in names if name and name not in columns]
    if doubled or missing or unknown:
        raise SubmissionError(
            f"{file}: its first line must name the columns {', '.join(columns)}; "
            + _wrong_heading(missing, unknown, doubled)
        )
    for row, line in read:
        if not any(row):
            continue
        if line > _MAX_LINES:
            raise SubmissionError(f"{file} has more than {_MAX_LINES:,} lines; split the pilot")
        where = f"{file} line {line}"
        if len(row) > len(names) and any(row[len(names) :]):
            problems.append(f"{where}: {len(row)} cells under {len(names)} columns; quote cells that hold commas")
            continue
        cells = dict.fromkeys(columns, "") | dict(zip(names, row, strict=False))
        yield _Line(where, cells, parted == ";", problems)


def _read(text: str, parted: str, file: str) -> Iterator[tuple[Sequence[str], int]]:
    """Rows with blanks around their cells taken away, and the line of the file that each ends on."""
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=parted)
    try:
        for row in rows:
            yield [cell.strip() for cell in row], rows.line_num
    except csv.Error as error:
        raise SubmissionError(f"{file} line {rows.line_num} cannot be read: {error}; save it again as CSV") from None


def _wrong_heading(missing: list[str], unknown: list[str], doubled: list[str]) -> str:
    told: list[tuple[str, list[str], Callable[[str], str]]] = [
        ("missing", missing, str),
        ("not known", unknown, shown),
        ("there twice", doubled, shown),
    ]
    return "; ".join(f"{words}: {', '.join(show(name) for name in names[:10])}" for words, names, show in told if names)
