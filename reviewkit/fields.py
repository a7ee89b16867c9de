"""Checked values out of a table that a person wrote; every problem becomes one plain line."""

import difflib
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TypeVar

from reviewkit.errors import SubmissionError
from reviewkit.model import Vector

# Sizes of input that no honest table reaches; they keep a hostile one from costing time.
MAX_ENTRIES = 500
MAX_LINE = 200
MAX_TEXT = 20_000
_MAX_COUNT = 1_000_000_000
_MAX_NUMBER = 1e9
_MAX_SHOWN = 80
_MAX_LISTED = 20

_AXES: Mapping[str, Vector] = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
_SHORTEST = 1e-9
_UNIT_ENDINGS = {"_mm": "mm", "_deg": "degrees", "_N": "N", "_m_s": "m/s"}

Kind = TypeVar("Kind", bound=StrEnum)


class Fields:
    """The fields of one table: gives checked values by name and notes every problem.

    A value with a problem is noted and comes back blank, so that reading goes on and all
    problems are counted; :meth:`raise_problems` ends it.  Every field asked for is known;
    :meth:`close` notes the others.

    Parameters
    ----------
    content : mapping of str to object
        The table as read.
    where : str
        File and section, for messages.
    problems : list of str
        Where problems are noted; shared by all tables of a file.
    """

    def __init__(self, content: Mapping[str, object], where: str, problems: list[str]) -> None:
        self._content = content
        self._where = where
        self._problems = problems
        self._known: dict[str, None] = {}

    def __contains__(self, name: str) -> bool:
        return name in self._content

    def __iter__(self) -> Iterator[str]:
        return iter(self._content)

    def blame(self, problem: str, wrong: str = "", known: Collection[str] = ()) -> None:
        """Note a problem; of the known names, the one nearest to a wrong one is offered."""
        # Only the first problem is printed; to look for near names of thousands would take long.
        if not self._problems and known:
            near = difflib.get_close_matches(wrong, known, 1)
            problem += f"; did you mean {shown(near[0])}?" if near else f"; known are {_listed(known)}"
        self._problems.append(f"{self._where}: {problem}")

    def raise_problems(self) -> None:
        """Raise the first problem, with how many more there are.

        Raises
        ------
        SubmissionError
            When any table of the file has a problem.
        """
        if self._problems:
            more = len(self._problems) - 1
            count = f" (and {more} more problem{'s' if more > 1 else ''})" if more else ""
            raise SubmissionError(self._problems[0] + count)

    def close(self, noun: str = "field") -> None:
        """Note every field that nobody asked for."""
        for name in self._content:
            if name not in self._known:
                self.blame(f"no {noun} {shown(name)} here", name, self._known)

    def take(self, name: str, required: bool = False) -> object:
        """The value as it was read, None when the field is not there."""
        self._known[name] = None
        value = self._content.get(name)
        if value is None and required:
            self.blame(f"{name!r} is missing; it is needed")
        return value

    def section(self, name: str, required: bool = False) -> "Fields":
        """The table ``[name]``, empty when it is not there."""
        value = self.take(name)
        if value is None and required:
            self.blame(f"section [{name}] is missing; begin with it")
        if value is not None and not isinstance(value, dict):
            self.blame(f"section [{name}] is written once, with single brackets")
        return Fields(value if isinstance(value, dict) else {}, f"{self._where}, [{name}]", self._problems)

    def entries(self, name: str, key: str) -> "list[Fields]":
        """The tables ``[[name]]``, each called by its field `key` in messages, or else by number."""
        value = self.take(name)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            self.blame(f"[[{name}]] is written with double brackets, once for each")
            return []
        if len(value) > MAX_ENTRIES:
            self.blame(f"[[{name}]] stands {len(value):,} times; at most {MAX_ENTRIES} are taken")
            return []
        return [
            Fields(entry, f"{self._where}, [[{name}]] {shown(entry.get(key, number))}", self._problems)
            for number, entry in enumerate(value, 1)
        ]

    def inner(self, name: str, content: Mapping[str, object]) -> "Fields":
        """A table that is a value of this one."""
        return Fields(content, f"{self._where}, {name}", self._problems)

    def text(self, name: str, most: int = MAX_LINE, required: bool = False) -> str:
        """Text as it was written, of at most so many characters; ``""`` when it is not there."""
        value = self.take(name, required)
        if value is None:
            return ""
        if not isinstance(value, str):
            self.blame(f"{name!r} must be text in quotes, got {shown(value)}")
            return ""
        if len(value) > most:
            self.blame(f"{name!r} has {len(value):,} characters; at most {most:,} are taken")
            return ""
        if required and not value:
            self.blame(f"{name!r} is empty; it is needed")
        return value

    def label(self, name: str, required: bool = False) -> str:
        """Text that names something: one visible line without blanks around it."""
        value = self.text(name, required=required)
        if value != value.strip() or not value.isprintable():
            self.blame(f"{name!r} must be one line without blanks around it or hidden characters, got {shown(value)}")
        return value

    def texts(self, name: str, most: int = 20, longest: int = MAX_LINE) -> tuple[str, ...]:
        """A list of short texts, none twice."""
        value = self.take(name)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(text, str) and text for text in value):
            self.blame(f"{name!r} must be a list of texts in quotes, got {shown(value)}")
            return ()
        if len(value) > most or any(len(text) > longest for text in value):
            self.blame(f"{name!r} takes at most {most} texts of at most {longest} characters")
            return ()
        return tuple(dict.fromkeys(value))

    def refer(self, name: str, value: str, known: Collection[str], noun: str) -> None:
        """Note that a field names something that is not there."""
        if value and value not in known:
            self.blame(f"{name!r} names {noun} {shown(value)}, which is not there", value, known)

    def choice(self, name: str, kinds: type[Kind]) -> Kind | None:
        """One of a few words, None when the field is not there."""
        value = self.take(name)
        if value is None:
            return None
        word = re.sub(r"[\s_-]+", " ", value).strip().casefold() if isinstance(value, str) else ""
        if word not in tuple(kinds):
            self.blame(f"{name!r} must be one of {', '.join(kinds)}, got {shown(value)}")
            return None
        return kinds(word)

    def chosen(self, name: str, kinds: type[Kind]) -> Kind:
        """One of a few words, which must be there."""
        value = self.choice(name, kinds)
        if name not in self._content:
            self.blame(f"{name!r} is missing; write one of {', '.join(kinds)}")
        return value or next(iter(kinds))

    def file(self, name: str, suffixes: Sequence[str] = ()) -> str:
        """Path of a file inside the folder of the table, with ``/`` between folders.

        `suffixes` are the endings of a mesh file where it must be one.
        """
        value = self.text(name, required=True)
        path = PurePosixPath(value)
        leads_out = path.is_absolute() or ".." in path.parts or PureWindowsPath(value).drive
        if value and (leads_out or not path.name or "\\" in value or not value.isprintable()):
            self.blame(
                f"{name!r} must be a path inside the folder, with / between folders and without .., got {shown(value)}"
            )
        elif value and suffixes and path.suffix.lower() not in suffixes:
            self.blame(f"{name!r} must be a mesh ({', '.join(suffixes)}), got {shown(value)}; export it as one")
        return value

    def flag(self, name: str) -> bool:
        """True or false; false when it is not there."""
        value = self.take(name)
        if value is not None and not isinstance(value, bool):
            self.blame(f"{name!r} must be true or false, got {shown(value)}")
        return value is True

    def day(self, name: str) -> date | None:
        """A date, as TOML has it or as text."""
        value = self.take(name)
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value, re.ASCII):
            try:
                return date.fromisoformat(value)
            except ValueError:
                pass
        if value is not None:
            self.blame(f"{name!r} must be a date such as 2031-03-25, got {shown(value)}")
        return None

    def count(self, name: str, low: int = 1) -> int | None:
        """A whole number of at least `low`."""
        value = self.take(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= _MAX_COUNT:
            self.blame(f"{name!r} must be a whole number from {low} to {_MAX_COUNT:,}, got {shown(value)}")
            return None
        return value

    def number(
        self,
        name: str,
        low: float = -_MAX_NUMBER,
        high: float = _MAX_NUMBER,
        above: float = -math.inf,
        required: bool = False,
    ) -> float | None:
        """A finite number from `low` to `high` and more than `above` [the unit that the field's name ends in]."""
        value = self.take(name, required)
        if value is None:
            return None
        number = finite(value)
        if number is None or not low <= number <= high or number <= above:
            start = f"above {above:g} and up to" if above >= low else f"from {low:g} to"
            self.blame(f"{name!r} must be a number {start} {high:g}{_unit(name)}, got {shown(value)}")
            return None
        return number

    def numbers(self, name: str, length: int, required: bool = False) -> tuple[float, ...] | None:
        """A list of so many finite numbers."""
        value = self.take(name, required)
        if value is None:
            return None
        found = [finite(item) for item in value] if isinstance(value, list) and len(value) == length else []
        numbers = tuple(item for item in found if item is not None and abs(item) <= _MAX_NUMBER)
        if len(numbers) != length:
            self.blame(
                f"{name!r} must be {length} numbers from {-_MAX_NUMBER:g} to {_MAX_NUMBER:g}{_unit(name)}, "
                f"got {shown(value)}"
            )
            return None
        return numbers

    def vector(self, name: str, required: bool = False) -> Vector | None:
        """Three finite numbers."""
        values = self.numbers(name, 3, required)
        return (values[0], values[1], values[2]) if values else None

    def axis(self, name: str) -> Vector | None:
        """A direction of length 1, given as ``x``, ``y`` or ``z`` or as three numbers; it must be there."""
        if isinstance(value := self._content.get(name), str):
            self.take(name)
            if value not in _AXES:
                self.blame(f'{name!r} must be "x", "y", "z" or three numbers, got {shown(value)}')
            return _AXES.get(value)
        vector = self.vector(name, required=True)
        if vector is None:
            return None
        length = math.hypot(*vector)
        if length < _SHORTEST:
            self.blame(f"{name!r} must point somewhere, got {shown(value)}")
            return None
        # Six digits are a unit vector as people write it; to divide it again would change what they wrote.
        if math.isclose(length, 1.0, rel_tol=2e-6):
            return vector
        return vector[0] / length, vector[1] / length, vector[2] / length


def finite(value: object) -> float | None:
    """The value as a number, None when it is none or not finite."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def shown(value: object) -> str:
    """A value for a message: one short line without hidden characters."""
    try:
        text = repr(str(value) if isinstance(value, Path | date) else value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= _MAX_SHOWN else f"{text[: _MAX_SHOWN - 3]}..."


def _unit(name: str) -> str:
    """The unit that a field's name ends in, such as `` mm``."""
    return next((f" {unit}" for ending, unit in _UNIT_ENDINGS.items() if name.endswith(ending)), "")


def _listed(names: Collection[str]) -> str:
    """The first of many names."""
    more = ", ..." if len(names) > _MAX_LISTED else ""
    return ", ".join(list(names)[:_MAX_LISTED]) + more
