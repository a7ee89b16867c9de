"""Limits, materials and machines from ``data/``: loads, verifies, and is their only giver.

A row without a source is refused unless its status is ``common practice``; a row without
a unit is refused always.
"""

import csv
import hashlib
import os
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from reviewkit.errors import LimitError, SetupError
from reviewkit.model import (
    Band,
    Calibration,
    Limit,
    Machine,
    Material,
    PrintSettings,
    Property,
    Sense,
    Setup,
    Source,
    Status,
    counted_unit,
)
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

MACHINES_VARIABLE = "REVIEWKIT_MACHINES"
CALIBRATION_ENDING = ".calibration.toml"

# To be raised when print time is reckoned otherwise: what was fitted before then holds no longer.
_PRINT_TIME_RULES = 1

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


def own_machines() -> Path | None:
    """The factory's own folder of machine profiles and calibrations, named by ``REVIEWKIT_MACHINES``.

    Raises
    ------
    SetupError
        When the variable names no folder.
    """
    named = os.environ.get(MACHINES_VARIABLE, "").strip()
    if not named:
        return None
    folder = Path(named)
    if not folder.is_dir():
        raise SetupError(f"{MACHINES_VARIABLE} names {named!r}, which is no folder; make it, or take the variable away")
    return folder


@lru_cache(maxsize=1)
def machines() -> Mapping[str, Machine]:
    """All machine profiles by id: those of ``data/machines``, then the factory's own, which go before.

    A calibration beside the factory's own profiles goes with the machine that it names.

    Raises
    ------
    SetupError
        For a profile that lacks a field, has one too many or a value that cannot be, and for a
        calibration of a profile that was changed since.
    """
    shipped, own = resource("data", "machines"), own_machines()
    profiles = {}
    for folder in (shipped,) if own is None else (shipped, own):
        for path in sorted(folder.glob("*.toml")):
            if not path.name.endswith(CALIBRATION_ENDING):
                known = read_machine(path)
                profiles[known.id] = known
    for path in sorted(own.glob(f"*{CALIBRATION_ENDING}")) if own is not None else ():
        known = _calibrated(path, profiles)
        profiles[known.id] = known
    return profiles


def read_machine(path: Path) -> Machine:
    """The machine of a profile file.

    Parameters
    ----------
    path : Path
        A ``.toml`` file with the fields of :class:`reviewkit.model.Machine`, its ``[printing]`` table
        with those of :class:`reviewkit.model.PrintSettings`.

    Raises
    ------
    SetupError
        For a file that cannot be read, lacks a field, has one too many or a value that cannot be.
    """
    try:
        profile = {"note": "", **_toml(path)}
        if "printing" not in profile:
            raise ValueError("it has no [printing] table; add one, as in the profiles that are shipped")
        _check_names(profile, Machine)
        for name in ("id", "name", "source", "note"):
            if not isinstance(profile[name], str) or not (profile[name].strip() or name == "note"):
                raise ValueError(f"{name} = {profile[name]!r} is no text")
        plate_mm = profile.pop("plate_mm")
        if not isinstance(plate_mm, list) or len(plate_mm) != 2:
            raise ValueError(f"plate_mm = {plate_mm!r}; give two lengths, such as [240.0, 240.0]")
        lengths_mm = {name: value for name, value in profile.items() if name.endswith("_mm")}
        for name, value in (*lengths_mm.items(), *(("plate_mm", side) for side in plate_mm)):
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= _MOST_MM:
                raise ValueError(f"{name} = {value!r}; give a length from 0 to {_MOST_MM:g} mm")
        printing = _print_settings(profile.pop("printing"))
        return Machine(plate_mm=(plate_mm[0], plate_mm[1]), printing=printing, **profile)
    except ValueError as error:
        raise SetupError(f"machine profile {path.name} cannot be used: {error}") from None


def calibration_path(folder: Path, machine: Machine) -> Path:
    """Where the calibration of a machine is kept in a folder of profiles."""
    return folder / f"{machine.id}{CALIBRATION_ENDING}"


def calibration_text(machine: Machine, fit: Calibration) -> str:
    """A calibration as it is kept beside the profile, bound to the settings that it was fitted to."""
    numbers = "".join(f"{name} = {getattr(fit, name)!r}\n" for name in _CALIBRATION_NUMBERS)
    return (
        "# Written by reviewkit calibrate; holds for the profile as it was then.\n"
        f'machine = "{machine.id}"\nsettings_sha256 = "{_settings_sha256(machine)}"\n{numbers}date = "{fit.date}"\n'
    )


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


def _toml(path: Path) -> dict[str, Any]:
    """A small file of ours or the factory's, read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(f"it cannot be read ({error.strerror})") from None


def _print_settings(table: Any) -> PrintSettings:
    """The checked ``[printing]`` table of a profile."""
    if not isinstance(table, dict):
        raise ValueError("[printing] is a table of settings, as in the profiles that are shipped")
    _check_names(table, PrintSettings, "[printing] ", without="calibration")
    for name, value in table.items():
        if name != "source":
            _check_setting(name, value)
    if not isinstance(table["source"], str) or not table["source"].strip():
        raise ValueError("[printing] source is empty; say where the figures come from")
    return PrintSettings(**{name: value if name in _WHOLE else _fraction(value) for name, value in table.items()})


def _check_names(
    table: Mapping[str, Any], record: type[Machine | PrintSettings | Calibration], where: str = "", without: str = ""
) -> None:
    """Refuse a table that lacks a field of a record or has one too many."""
    wanted = {field.name for field in fields(record)} - {without}
    told = {"lacks": wanted - set(table), "has no use for": set(table) - wanted}
    if problems := [f"{problem} {', '.join(sorted(names))}" for problem, names in told.items() if names]:
        raise ValueError(f"{where or 'it '}{' and '.join(problems)}")


def _fraction(value: Any) -> Any:
    return float(value) if isinstance(value, int) else value


def _check_setting(name: str, value: Any) -> None:
    """Refuse a value that no machine has."""
    kind = name if name in _SETTING_RANGES else next(ending for ending in _SETTING_RANGES if name.endswith(ending))
    low, high, unit = _SETTING_RANGES[kind]
    whole = name in _WHOLE
    if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
        raise ValueError(f"[printing] {name} = {value!r} is not a {'whole ' if whole else ''}number")
    if not low <= value <= high:
        told = f" {unit}" if unit else ""
        raise ValueError(f"[printing] {name} = {value:g}{told} is out of range; give {low:g} to {high:g}{told}")


# What only guards input: name or ending, least, greatest, unit.
_MOST_MM = 1e5
_WHOLE = ("outline_passes", "top_layers", "bottom_layers")
_SETTING_RANGES: Mapping[str, tuple[float, float, str]] = {
    "outline_passes": (0, 100, ""),
    "top_layers": (0, 1000, ""),
    "bottom_layers": (0, 1000, ""),
    "core_fill": (0, 1, ""),
    "filament_mm": (0.5, 10, "mm"),
    "corner_deg": (1, 180, "deg"),
    "line_angle_deg": (-360, 360, "deg"),
    "corner_mm_s": (0, 10_000, "mm/s"),
    "melt_mm3_s": (0.01, 10_000, "mm3/s"),
    "_mm_s2": (1, 1e6, "mm/s2"),
    "_mm_s": (0.1, 10_000, "mm/s"),
    "_s": (0, 1e5, "s"),
}
_CALIBRATION_NUMBERS = ("factor", "low", "high", "spread", "plates")


def _calibrated(path: Path, profiles: Mapping[str, Machine]) -> Machine:
    """The machine that a calibration names, with it."""
    try:
        kept = _toml(path)
        known, settings = profiles.get(str(kept.pop("machine", ""))), kept.pop("settings_sha256", "")
        if known is None:
            raise ValueError("no profile has the machine that it names; take the file away")
        if settings != _settings_sha256(known):
            raise ValueError(f"the profile of {known.id!r} was changed since; calibrate again")
        _check_names(kept, Calibration)
        fit = Calibration(**kept)
        for name in _CALIBRATION_NUMBERS:
            value = getattr(fit, name)
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < 1e6:
                raise ValueError(f"{name} = {value!r} is not a number above 0; calibrate again")
        date.fromisoformat(str(fit.date))
    except ValueError as error:
        raise SetupError(f"calibration {path.name} cannot be used: {error}") from None
    assert known.printing is not None
    return replace(known, printing=replace(known.printing, calibration=fit))


def _settings_sha256(machine: Machine) -> str:
    """Hash of all that print time is reckoned from, but for a calibration and for words."""
    settings: list[tuple[str, object]] = [("rules", _PRINT_TIME_RULES)]
    settings += [
        (field.name, getattr(machine.printing, field.name))
        for field in fields(PrintSettings)
        if field.name not in ("calibration", "source")
    ]
    return hashlib.sha256(repr(settings).encode()).hexdigest()


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
