"""Hand sizes of groups of people from ``data/hands``: loads, verifies, and is their only giver.

A group is named as a submission names it in ``use.hands``: ``adults`` (men and women, of equal
weight), ``men``, ``women``, ``children``, ``child-8`` (of any age of the table in years), each
of them also ``in gloves`` or ``in mittens``.  Sizes are of the bare hand always.

The spread of a size is taken as normal, of two sizes as normal in both with their correlation.
Against the shares counted on the records of the survey this is within 0.03 (the test tells).
"""

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from reviewkit.errors import LimitError, SubmissionError
from reviewkit.model import Floats, Source, Status
from reviewkit.resources import resource

_PERCENTS = (1, 5, 25, 50, 75, 95, 99)
_SOURCE = ("source_title", "source_edition", "source_clause", "source_year", "status", "address", "note")
HAND_COLUMNS = (
    "group", "dimension", "unit", "n", "mean", "sd", *(f"p{percent}" for percent in _PERCENTS), "min", "max",
    "uncertainty", "estimate", *_SOURCE,
)  # fmt: skip
CORRELATION_COLUMNS = ("group", "first", "second", "value", *_SOURCE)

_NAME = re.compile(r"(?P<group>adults|men|women|children|child-(?P<age>\d+(\.\d+)?))(?: in (?P<wear>gloves|mittens))?")
_WORDS = {"men": "adult men", "women": "adult women", "adults": "adults", "children": "children"}
# Where the normal curve is followed no further, and points of the integral over it.
_TAIL = 8.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
# A mean may lie anywhere within its uncertainty: so many steps to each side are tried.
_STEPS = 8


@dataclass(frozen=True)
class Dimension:
    """One size of the hands of one group of people.

    Parameters
    ----------
    group, name : str
        Such as ``men`` and ``hand_length``.
    mean_mm : float
        [mm]
    sd_mm : float or None
        Standard deviation, None where no source gives it [mm].
    percentiles_mm : mapping of float to float
        Size by percentile [%, mm].
    least_mm, most_mm : float or None
        Range among those measured [mm].
    n : int or None
        How many were measured [-].
    uncertainty_mm : float
        Of the mean, half-width at 95 % [mm].
    estimate : bool
        Whether it is reckoned from other sizes, measured on nobody.
    source : Source
    note : str
        Whom the size stands for and what to mind.
    """

    group: str
    name: str
    mean_mm: float
    sd_mm: float | None
    percentiles_mm: Mapping[float, float]
    least_mm: float | None
    most_mm: float | None
    n: int | None
    uncertainty_mm: float
    estimate: bool
    source: Source
    note: str = ""

    def cumulative(self, size_mm: Floats | float, shift: float = 0.0) -> Floats:
        """Share of people with at most a size [mm], the mean shifted by a part of its uncertainty [-]."""
        found: Floats = ndtr((np.asarray(size_mm) - self.mean_mm - shift * self.uncertainty_mm) / self.spread_mm)
        return found

    @property
    def spread_mm(self) -> float:
        """The standard deviation [mm].

        Raises
        ------
        LimitError
            When no source gives it.
        """
        if self.sd_mm is None:
            raise LimitError(
                f"the spread of {self.name} among {self.group} is not in data/hands; add it with its source"
            )
        return self.sd_mm


@dataclass(frozen=True)
class Share:
    """A share of people [-]; ``low`` and ``high`` span what the uncertain means leave open."""

    value: float
    low: float
    high: float

    @property
    def uncertainty(self) -> float:
        """Half-width [-]."""
        return max(self.high - self.value, self.value - self.low)


@dataclass(frozen=True, eq=False)
class Hands:
    """The hands of a group of people.

    Parameters
    ----------
    name : str
        As a submission names it.
    words : str
        For a sentence, such as ``adult women`` or ``children of 6 years``.
    people : tuple of mapping of str to Dimension
        Sizes of each kind of people by name; each kind weighs the same.
    correlations : tuple of mapping
        Correlation of two sizes of each kind by their names [-].
    age_years : float or None
        Of children [years].
    wear : str
        ``gloves``, ``mittens`` or nothing.
    """

    name: str
    words: str
    people: tuple[Mapping[str, Dimension], ...]
    correlations: tuple[Mapping[tuple[str, str], float], ...]
    age_years: float | None = None
    wear: str = ""

    def __contains__(self, dimension: str) -> bool:
        return all(dimension in kind for kind in self.people)

    def of(self, dimension: str) -> tuple[Dimension, ...]:
        """One size, of each kind of people.

        Raises
        ------
        LimitError
            When the table has no such size of this group.
        """
        if dimension not in self:
            raise LimitError(
                f"{dimension!r} of {self.words} is not in data/hands; known are {', '.join(self.dimensions)}"
            )
        return tuple(kind[dimension] for kind in self.people)

    @property
    def dimensions(self) -> tuple[str, ...]:
        """Names of the sizes known of all of them."""
        return tuple(name for name in self.people[0] if name in self)

    @property
    def kinds(self) -> tuple["Hands", ...]:
        """Men and women apart where these are both, else these hands alone."""
        return tuple(group(name) for name in self.kind_names) if len(self.people) == 2 else (self,)

    @property
    def kind_names(self) -> tuple[str, ...]:
        """Names of the groups of each kind of people, wearing what these wear."""
        worn = f" in {self.wear}" if self.wear else ""
        return tuple(f"{kind['hand_length'].group}{worn}" for kind in self.people)

    @property
    def estimate(self) -> bool:
        """Whether the length of these hands is an estimate."""
        return any(dimension.estimate for dimension in self.of("hand_length"))

    @cached_property
    def caution(self) -> str:
        """Whom the length of these hands stands for and what to mind."""
        return "; ".join(dict.fromkeys(dimension.note for dimension in self.of("hand_length")))

    def source(self, dimension: str) -> str:
        """Where a size comes from, in one line."""
        return "; ".join(dict.fromkeys(known.source.cited for known in self.of(dimension)))

    def mean_mm(self, dimension: str) -> float:
        """Mean over all kinds [mm]."""
        return float(np.mean([known.mean_mm for known in self.of(dimension)]))

    def percentile(self, dimension: str, percent: float) -> float:
        """The size that a percentage of these people do not exceed [mm].

        Parameters
        ----------
        dimension : str
        percent : float
            Above 0 and below 100, of a hundred people [-].

        Returns
        -------
        float
            The table's own value where it has one, else by the normal spread [mm].
        """
        known = self.of(dimension)
        if len(known) == 1 and percent in known[0].percentiles_mm:
            return known[0].percentiles_mm[percent]
        own = np.array([one.mean_mm + ndtri(percent / 100) * one.spread_mm for one in known])
        low, high = float(own.min()), float(own.max())
        # Halved until a double tells no more.
        for _ in range(60):
            middle = (low + high) / 2
            below = np.mean([one.cumulative(middle) for one in known]) < percent / 100
            low, high = (middle, high) if below else (low, middle)
        return float((low + high) / 2)

    def share_within(self, dimension: str, low_mm: float = -np.inf, high_mm: float = np.inf) -> float:
        """Share of these people with a size from low to high, both included [-]."""
        return self.share({dimension: (low_mm, high_mm)}).value

    def density(self, dimension: str, size_mm: Floats) -> Floats:
        """How densely these people lie at sizes (n,) [1/mm]."""
        curves = [
            np.exp(-0.5 * ((size_mm - one.mean_mm) / one.spread_mm) ** 2) / (one.spread_mm * np.sqrt(2 * np.pi))
            for one in self.of(dimension)
        ]
        found: Floats = np.mean(curves, axis=0)
        return found

    def share(self, bounds_mm: Mapping[str, tuple[float, float]]) -> Share:
        """Share of these people for whom one size, or two sizes at once, lie within bounds.

        Parameters
        ----------
        bounds_mm : mapping
            Least and greatest by name of the size, both included; one or two [mm].

        Returns
        -------
        Share
            Its range is that over all means within their uncertainty, the sizes of a person
            being off the same way.
        """
        shifts = np.linspace(-1, 1, 2 * _STEPS + 1)
        kinds = range(len(self.people))
        shares = [sum(self._within(kind, bounds_mm, shift) for kind in kinds) / len(kinds) for shift in shifts]
        return Share(shares[_STEPS], min(shares), max(shares))

    def _within(self, kind: int, bounds_mm: Mapping[str, tuple[float, float]], shift: float) -> float:
        """Share of one kind of people within the bounds [-]."""
        (first, (low, high)), *others = bounds_mm.items()
        one = self.of(first)[kind]
        if not others:
            return max(float(one.cumulative(high, shift) - one.cumulative(low, shift)), 0.0)
        ((second, (least, most)),) = others
        other, correlation = self.of(second)[kind], self._correlation(kind, first, second)
        mean = one.mean_mm + shift * one.uncertainty_mm
        start, end = np.clip((np.array([low, high]) - mean) / one.spread_mm, -_TAIL, _TAIL)
        if end <= start:
            return 0.0
        x = (start + end) / 2 + (end - start) / 2 * _NODES
        # Given the first size, the second is normal about a mean that goes with it.
        rest = replace(other, mean_mm=0.0, sd_mm=other.spread_mm * np.sqrt(1 - correlation**2), uncertainty_mm=0.0)
        about = other.mean_mm + shift * other.uncertainty_mm + correlation * other.spread_mm * x
        given = rest.cumulative(most - about) - rest.cumulative(least - about)
        density = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
        return float((end - start) / 2 * np.sum(_WEIGHTS * density * np.maximum(given, 0.0)))

    def _correlation(self, kind: int, first: str, second: str) -> float:
        known = self.correlations[kind]
        for pair in ((first, second), (second, first)):
            if pair in known:
                return known[pair]
        raise LimitError(f"the correlation of {first} and {second} of {self.words} is not in data/hands; add it")


@dataclass(frozen=True)
class Declared:
    """The groups that a submission is judged for; ``guess`` says what nobody stated."""

    groups: tuple[Hands, ...]
    guess: str = ""


def names() -> tuple[str, ...]:
    """Names that ``use.hands`` may hold, without what is worn."""
    ages = _ages()
    return ("adults", "men", "women", "children", f"child-{ages[0]:g}", "...", f"child-{ages[-1]:g}")


def group(name: str) -> Hands:
    """The hands of the group of that name, whatever its case.

    Parameters
    ----------
    name : str
        Such as ``adults``, ``women``, ``child-8``, ``men in gloves``.  ``children`` alone are all
        ages of the table, from the youngest to the oldest, each of the same weight.

    Raises
    ------
    SubmissionError
        When the table has no such group; the message names those that it has.
    """
    match = _NAME.fullmatch(" ".join(name.split()).lower())
    ages = _ages()
    age = float(match["age"]) if match and match["age"] else None
    if match is None or (age is not None and not ages[0] <= age <= ages[-1]):
        raise SubmissionError(
            f"hands {name[:60]!r} are not in data/hands; write one of {', '.join(names())}, "
            'with " in gloves" or " in mittens" where they are worn'
        )
    bare, wear = match["group"], match["wear"] or ""
    kinds = {"adults": ("men", "women"), "children": tuple(f"child-{year:g}" for year in ages)}.get(bare, (bare,))
    table, correlations = _tables()
    people = tuple(table[kind] if kind in _WORDS else _child(float(kind.removeprefix("child-"))) for kind in kinds)
    words = _WORDS.get(bare, f"children of {match['age']} years") + (f" in {wear}" if wear else "")
    pairs = tuple(correlations[kind if kind in correlations else "children"] for kind in kinds)
    return Hands(match[0], words, people, pairs, age, wear)


def declared(hands: Sequence[str], age_from_months: int | None) -> Declared:
    """The groups that a submission is judged for.

    Parameters
    ----------
    hands : sequence of str
        Its ``use.hands``.
    age_from_months : int or None
        Its ``use.age_from_months`` [months].

    Returns
    -------
    Declared
        Of ``children`` the youngest and the oldest.  Where no hands are named, those that the
        age leaves possible.

    Raises
    ------
    SubmissionError
        For a name that the table does not have.
    """
    ages = _ages()
    youngest = ages[0] if age_from_months is None else age_from_months / 12
    asked = tuple(" ".join(name.split()).lower() for name in hands)
    guesses = []
    if not asked:
        asked = ("children", "adults") if youngest < ages[-1] else ("adults",)
        guesses.append("The submission does not say whose hands; judged for those that the age leaves possible.")
    found: dict[str, Hands] = {}
    for name in asked:
        bare, _, wear = name.partition(" in ")
        if bare != "children":
            found[name] = group(name)
            continue
        worn = f" in {wear}" if wear else ""
        for age in np.round(np.clip([youngest, ages[-1]], ages[0], ages[-1]), 1):
            child = group(f"child-{age:g}{worn}")
            found[child.name] = child
        if age_from_months is None:
            guesses.append(f"The age is not stated; judged for children of {ages[0]:g} to {ages[-1]:g} years.")
        elif not ages[0] <= youngest <= ages[-1]:
            guesses.append(
                f"The table of children's hands goes from {ages[0]:g} to {ages[-1]:g} years; "
                f"the nearest to the stated {youngest:.3g} years is taken."
            )
    return Declared(tuple(found.values()), " ".join(guesses))


@lru_cache(maxsize=1)
def _tables() -> tuple[Mapping[str, Mapping[str, Dimension]], Mapping[str, Mapping[tuple[str, str], float]]]:
    """Sizes and correlations by group."""
    sizes: dict[str, dict[str, Dimension]] = {}
    for where, row in _rows("hands.csv", HAND_COLUMNS):
        if row["unit"] != "mm":
            raise LimitError(f"{where}: unit {row['unit']!r} is not mm")
        mean_mm = _number(where, row, "mean")
        if mean_mm is None:
            raise LimitError(f"{where}: no mean; write it in mm")
        percentiles = {percent: _number(where, row, f"p{percent}") for percent in _PERCENTS}
        count = _number(where, row, "n")
        known = sizes.setdefault(row["group"], {})
        if row["dimension"] in known:
            raise LimitError(f"{where}: {row['dimension']} of {row['group']} stands twice")
        known[row["dimension"]] = Dimension(
            row["group"],
            row["dimension"],
            mean_mm,
            _number(where, row, "sd"),
            {percent: size for percent, size in percentiles.items() if size is not None},
            _number(where, row, "min"),
            _number(where, row, "max"),
            None if count is None else int(count),
            _number(where, row, "uncertainty") or 0.0,
            row["estimate"] == "yes",
            _source(row),
            row["note"],
        )
    correlations: dict[str, dict[tuple[str, str], float]] = {}
    for where, row in _rows("correlations.csv", CORRELATION_COLUMNS):
        value = _number(where, row, "value")
        if value is None or not -1 < value < 1:
            raise LimitError(f"{where}: correlation {row['value']!r} is not between -1 and 1")
        correlations.setdefault(row["group"], {})[row["first"], row["second"]] = value
    return sizes, correlations


def _ages() -> list[float]:
    """Ages of children that the table has, rising [years]."""
    return sorted(float(name.removeprefix("child-")) for name in _tables()[0] if name.startswith("child-"))


def _child(age_years: float) -> dict[str, Dimension]:
    """Sizes of children of an age within the table, between its ages in proportion; fingers are of all ages."""
    table, ages = _tables()[0], _ages()
    fingers = dict(table["children"])
    above = next(age for age in ages if age >= age_years)
    upper = table[f"child-{above:g}"]
    if above == age_years:
        return fingers | dict(upper)
    below = max(age for age in ages if age < age_years)
    part = (age_years - below) / (above - below)
    lower = table[f"child-{below:g}"]

    def between(name: str) -> Dimension:
        low, high = lower[name], upper[name]
        percents = [percent for percent in low.percentiles_mm if percent in high.percentiles_mm]
        mix = {percent: _mixed(low.percentiles_mm[percent], high.percentiles_mm[percent], part) for percent in percents}
        return replace(
            low,
            group=f"child-{age_years:g}",
            mean_mm=_mixed(low.mean_mm, high.mean_mm, part),
            sd_mm=_mixed(low.spread_mm, high.spread_mm, part),
            percentiles_mm=mix,
            uncertainty_mm=_mixed(low.uncertainty_mm, high.uncertainty_mm, part),
        )

    return fingers | {name: between(name) for name in lower if name in upper}


def _mixed(low: float, high: float, part: float) -> float:
    return low + part * (high - low)


def _rows(file: str, columns: tuple[str, ...]) -> list[tuple[str, dict[str, str]]]:
    """Rows of a sourced table, each with its place for messages."""
    found = []
    with resource("data", "hands", file).open(newline="", encoding="utf-8") as content:
        reader = csv.DictReader(content)
        if tuple(reader.fieldnames or ()) != columns:
            raise LimitError(f"{file}: columns must be {', '.join(columns)}")
        for row in reader:
            where = f"{file} line {reader.line_num}"
            if None in row or None in row.values():
                raise LimitError(f"{where}: {len(columns)} cells are needed; quote cells that hold commas")
            if row["status"] not in tuple(Status):
                raise LimitError(f"{where}: status {row['status']!r} is not one of {', '.join(Status)}")
            if not row["source_title"]:
                raise LimitError(f"{where}: no source; every size needs one")
            found.append((where, row))
    return found


def _number(where: str, row: Mapping[str, str], column: str) -> float | None:
    if not row[column]:
        return None
    try:
        return float(row[column])
    except ValueError:
        raise LimitError(f"{where}: {column} {row[column]!r} is not a number") from None


def _source(row: Mapping[str, str]) -> Source:
    return Source(
        title=row["source_title"],
        status=Status(row["status"]),
        edition=row["source_edition"],
        clause=row["source_clause"],
        year=row["source_year"],
        address=row["address"],
    )
