"""Limits, materials and machines from ``data/``: loads, verifies, and is their only giver.

A row without a source is refused unless its status is ``common practice``; a row without
a unit is refused always.
"""

import csv
import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from reviewkit.errors import LimitError, SetupError
from reviewkit.model import Band, Limit, Machine, Material, Property, Sense, Setup, Source, Status, counted_unit
from reviewkit.resources import resource

LIMIT_COLUMNS = (
    "id", "quantity", "role", "value", "unit", "sense", "process", "material", "condition",
    "source_title", "source_edition", "source_clause", "source_year", "status", "address", "note",
)  # fmt: skip
MATERIAL_COLUMNS = (
    "material", "name", "property", "value", "low", "high", "unit",
    "source_title", "source_edition", "source_clause", "source_year", "status", "address", "note",
)  # fmt: skip
ROLES = ("meets", "fails", "value")

# Limits may be given in these units of the setup; judged in mm.
_SETUP_UNITS = {"line widths": "line_width_mm", "layers": "layer_height_mm"}


@dataclass(frozen=True)
class Limits:
    """All limit rows, asked by quantity.

    Parameters
    ----------
    rows : mapping of str to str
        Every row by its id, as read, in file order.
    sha256 : str
        Hash over the files, printed in each review.
    """

    rows: Mapping[str, Mapping[str, str]]
    sha256: str

    def band(self, quantity: str, setup: Setup) -> Band:
        """The bounds on a quantity for a setup, in mm where they were given in lines or layers.

        Raises
        ------
        LimitError
            When the tables hold no row for the quantity and the setup's material.
        """
        meets, fails = (self._chosen(quantity, role, setup) for role in ("meets", "fails"))
        if meets is None and fails is None:
            raise LimitError(
                f"no limit for {quantity!r} and material {setup.material.id!r}; "
                "add a row with its source to a table in data/limits"
            )
        return Band(quantity, meets, fails)

    def value(self, quantity: str, setup: Setup) -> Limit:
        """A single sourced number that is no bound of its own, such as a patch size or a weight.

        Raises
        ------
        LimitError
            When the tables hold no such row.
        """
        limit = self._chosen(quantity, "value", setup)
        if limit is None:
            raise LimitError(f"no value row for {quantity!r}; add one with its source to a table in data/limits")
        return limit

    def every(self) -> list[Limit]:
        """All rows as limits in the unit they are written in."""
        return [_limit(row) for row in self.rows.values()]

    def _chosen(self, quantity: str, role: str, setup: Setup) -> Limit | None:
        """The row for the setup's own material before the row for any."""
        rows = [r for r in self.rows.values() if r["quantity"] == quantity and r["role"] == role]
        for material in (setup.material.id, ""):
            for row in rows:
                if row["material"] == material:
                    return _in_mm(_limit(row), setup)
        return None


@lru_cache(maxsize=1)
def load_limits() -> Limits:
    """Read and verify every table of ``data/limits``.

    Returns
    -------
    Limits

    Raises
    ------
    LimitError
        For a row without source, unit, number or with a repeated id; the message names
        file and row.
    """
    rows: dict[str, Mapping[str, str]] = {}
    # Hands and law judge too.
    digest = hashlib.sha256()
    for path in _tables("hands") + _tables("law"):
        digest.update(path.read_bytes())
    for path in _tables("limits"):
        digest.update(path.read_bytes())
        for where, row in _table(path, LIMIT_COLUMNS):
            if row["id"] in rows:
                raise LimitError(f"{where}: id {row['id']!r} stands twice; give each row its own")
            if row["role"] not in ROLES:
                raise LimitError(f"{where}: role {row['role']!r} is not one of {', '.join(ROLES)}")
            if row["role"] != "value" and row["sense"] not in tuple(Sense):
                raise LimitError(f"{where}: sense {row['sense']!r} is not min or max")
            _number(where, row, "value")
            rows[row["id"]] = row
    return Limits(rows, digest.hexdigest())


@lru_cache(maxsize=1)
def materials() -> Mapping[str, Material]:
    """All materials of ``data/materials`` by id.

    Raises
    ------
    LimitError
        For an unsourced or unreadable row.
    """
    properties: dict[str, dict[str, Property]] = {}
    names: dict[str, str] = {}
    for path in _tables("materials"):
        for where, row in _table(path, MATERIAL_COLUMNS):
            value, low, high = (_number(where, row, column) for column in ("value", "low", "high"))
            if not low <= value <= high:
                raise LimitError(f"{where}: {value:g} {row['unit']} lies outside its own range {low:g} to {high:g}")
            names[row["material"]] = row["name"]
            properties.setdefault(row["material"], {})[row["property"]] = Property(
                row["property"], value, low, high, row["unit"], _source(row)
            )
    return {key: Material(key, names[key], values) for key, values in properties.items()}


def material(name: str) -> Material:
    """The material of that id or trade name, whatever its case.

    Raises
    ------
    SetupError
        When the tables have no such material.
    """
    for known in materials().values():
        if name.strip().lower() in (known.id.lower(), known.name.lower()):
            return known
    raise SetupError(f"material {name!r} is not in data/materials; known are {', '.join(sorted(materials()))}")


@lru_cache(maxsize=1)
def machines() -> Mapping[str, Machine]:
    """All machine profiles of ``data/machines`` by id.

    Raises
    ------
    SetupError
        For a profile that lacks a field or has one too many.
    """
    profiles = {}
    for path in sorted(resource("data", "machines").glob("*.toml")):
        profile = tomllib.loads(path.read_text(encoding="utf-8"))
        try:
            width_mm, depth_mm = profile.pop("plate_mm")
            profiles[profile["id"]] = Machine(plate_mm=(width_mm, depth_mm), **profile)
        except (KeyError, TypeError, ValueError) as error:
            raise SetupError(f"machine profile {path.name} cannot be used: {error}") from None
    return profiles


def machine(name: str) -> Machine:
    """The machine of that id or name, whatever its case.

    Raises
    ------
    SetupError
        When no profile has that name.
    """
    for known in machines().values():
        if name.strip().lower() in (known.id.lower(), known.name.lower()):
            return known
    raise SetupError(f"machine {name!r} is not in data/machines; known are {', '.join(sorted(machines()))}")


def _table(path: Path, columns: tuple[str, ...]) -> Iterable[tuple[str, dict[str, str]]]:
    """Rows of a sourced table, each with its place for messages."""
    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        if tuple(reader.fieldnames or ()) != columns:
            raise LimitError(f"{path.name}: columns must be {', '.join(columns)}")
        for row in reader:
            where = f"{path.name} line {reader.line_num}"
            if None in row or None in row.values():
                raise LimitError(f"{where}: {len(columns)} cells are needed; quote cells that hold commas")
            if not row["unit"]:
                raise LimitError(f"{where}: no unit; write - for a plain number")
            if row["status"] not in tuple(Status):
                raise LimitError(f"{where}: status {row['status']!r} is not one of {', '.join(Status)}")
            if not row["source_title"] and row["status"] != Status.PRACTICE:
                raise LimitError(f"{where}: no source; only common practice may go without one")
            yield where, row


def _number(where: str, row: Mapping[str, str], column: str) -> float:
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
        law=tuple(market for start, market in _law() if row["source_title"].startswith(start)),
    )


@lru_cache(maxsize=1)
def _law() -> tuple[tuple[str, str], ...]:
    """How the titles of sources begin that are law, and the market of each."""
    rows = [row for path in _tables("law") for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines())]
    return tuple((row["source"], row["market"]) for row in rows)


def _tables(folder: str) -> list[Path]:
    return sorted(resource("data", folder).glob("*.csv"))


def _limit(row: Mapping[str, str]) -> Limit:
    return Limit(
        id=row["id"],
        quantity=row["quantity"],
        value=float(row["value"]),
        unit=row["unit"],
        sense=Sense(row["sense"] or "min"),
        source=_source(row),
        condition=row["condition"],
        note=row["note"],
    )


def _in_mm(limit: Limit, setup: Setup) -> Limit:
    """The limit with line widths or layers turned into mm of the setup."""
    if limit.unit not in _SETUP_UNITS:
        return limit
    size_mm = getattr(setup, _SETUP_UNITS[limit.unit])
    return replace(limit, value=limit.value * size_mm, unit="mm", stated=counted_unit(limit.value, limit.unit))
