"""Print time fitted to measured plates: what ``reviewkit calibrate`` does."""

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.stats import t as student

from reviewkit import review
from reviewkit.document.files import write_bytes
from reviewkit.errors import ReviewError, SetupError
from reviewkit.limits import (
    MACHINES_VARIABLE,
    Limits,
    calibration_path,
    calibration_text,
    load_limits,
    machine,
    material,
    own_machines,
)
from reviewkit.measure.printing import Printing
from reviewkit.model import Calibration, Floats, Machine, Setup
from reviewkit.printed import printing_of

COLUMNS = ("part", "copies", "minutes")
LEAST_PLATES = 3

# Sizes of input that no honest table reaches.
_MAX_ROWS = 200
_MAX_COPIES = 10_000
_MAX_MINUTES = 30 * 24 * 60.0
# Factors beyond these say that the profile, not its speeds, is wrong.
_FACTORS = (0.1, 10.0)
# A plate whose time hardly follows the factor tells nothing of it.
_LEAST_SENSITIVITY = 0.05
_STEP = 1e-4
_SECONDS = 60.0


@dataclass(frozen=True)
class PlateRow:
    """One measured plate as the table gives it.

    Parameters
    ----------
    line : int
        Line of the table [-].
    part : str
        Folder of a submission or mesh file, ``#`` and a part's id behind it where there are several.
    copies : int
        Parts on the plate [-].
    measured_s : float
        From heat-up to the end of the last layer [s].
    """

    line: int
    part: str
    copies: int
    measured_s: float


@dataclass(frozen=True, eq=False)
class Fit:
    """A calibration and how well it meets the plates that it was fitted to.

    Parameters
    ----------
    calibration : Calibration
    measured_s, fitted_s : (n,) float
        Time of each plate, measured and with the fit [s].
    left_out : (n,) float
        Measured over reckoned time of each plate when the fit is made from the others alone [-].
    """

    calibration: Calibration
    measured_s: Floats
    fitted_s: Floats
    left_out: Floats


def calibrate(
    table: Path,
    machine_name: str,
    today: str,
    folder: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[Fit, Path]:
    """Fit a machine's print time to measured plates and keep the fit beside its profile.

    Parameters
    ----------
    table : Path
        CSV with the columns ``part,copies,minutes``; parts are found from the table's own folder.
    machine_name : str
        Profile to calibrate.
    today : str
        ISO date that the fit bears.
    folder : Path, optional
        Where the fit goes; the factory's own folder of profiles when not given.
    progress : callable
        Called with a few words as each part is read.

    Returns
    -------
    fit : Fit
    path : Path
        The file that was written.

    Raises
    ------
    SetupError
        When rows are refused, one line each, when the plates cannot be fitted, or when nobody said
        where the fit goes.
    """
    known = machine(machine_name)
    folder = folder or own_machines()
    if folder is None:
        raise SetupError(
            f"nobody says where the calibration goes; give --out FOLDER, and name that folder in {MACHINES_VARIABLE} "
            "so that reviews use it"
        )
    rows = read_plates(table)
    limits = load_limits()
    setup = Setup(
        known,
        material(review.DEFAULT_MATERIAL),
        known.layer_height_mm,
        known.line_width_mm,
        known.first_layer_mm,
    )
    misfit, least = (
        limits.value(f"production.{name}", setup).value for name in ("calibration_misfit", "time_spread_least")
    )
    plates = _reckoned(rows, table, known, limits, progress)
    fit = fitted(rows, plates, today, misfit=misfit, least_spread=least)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SetupError(f"folder {folder} cannot be made ({error.strerror}); choose another --out") from None
    return fit, write_bytes(calibration_path(folder, known), calibration_text(known, fit.calibration).encode())


def read_plates(table: Path) -> list[PlateRow]:
    """The rows of a table of measured plates.

    Parameters
    ----------
    table : Path
        CSV with the columns ``part,copies,minutes``.

    Returns
    -------
    list of PlateRow

    Raises
    ------
    SetupError
        With one line for each row that is refused.
    """
    try:
        text = table.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SetupError(f"{table} cannot be read ({error.strerror}); give the table of measured plates") from None
    except UnicodeDecodeError:
        raise SetupError(f"{table.name} is not written in UTF-8; save it as a CSV file in UTF-8") from None
    reader = csv.reader(text.splitlines())
    if tuple(cell.strip() for cell in next(reader, [])) != COLUMNS:
        raise SetupError(f"{table.name}: the first line must read {','.join(COLUMNS)}")
    rows, problems = [], []
    for cells in reader:
        if any(cell.strip() for cell in cells):
            row = _row(reader.line_num, [cell.strip() for cell in cells])
            if isinstance(row, PlateRow):
                rows.append(row)
            else:
                problems.append(f"{table.name} line {reader.line_num}: {row}")
    if problems:
        raise SetupError("\n".join(problems[:_MAX_ROWS]))
    if not LEAST_PLATES <= len(rows) <= _MAX_ROWS:
        raise SetupError(f"{table.name} has {len(rows)} measured plates; {LEAST_PLATES} to {_MAX_ROWS} are needed")
    return rows


def fitted(
    rows: Sequence[PlateRow], plates: Sequence[Printing], date: str, *, misfit: float, least_spread: float
) -> Fit:
    """The factor on the layers' time that meets measured plates best.

    Parameters
    ----------
    rows : sequence of PlateRow
        Measured plates.
    plates : sequence of Printing
        The same plates as they are reckoned.
    date : str
        ISO date that the fit bears.
    misfit : float
        A plate farther off what the others say of it, as a share, is refused [-].
    least_spread : float
        Least half-width at 95 % of a plate's time, as a share of it [-].

    Returns
    -------
    Fit

    Raises
    ------
    SetupError
        When the plates mostly wait or heat, so that nothing can be fitted, when the factor would be out
        of reason, or when a plate is far off what the others say of it.

    Notes
    -----
    Least squares on the logarithm of measured over reckoned time; Student's t for the interval of the
    factor and for the next plate, whose half-width is no less than the largest misfit of a plate that
    was left out.
    """
    measured = np.array([row.measured_s for row in rows])
    factor = _best_factor(plates, measured)
    reckoned, slope = _times(plates, factor)
    if np.sqrt(np.mean(slope**2)) < _LEAST_SENSITIVITY:
        raise SetupError(
            "these plates mostly heat up or wait for layers to cool, which tells nothing of the speeds; "
            "measure fuller plates or larger parts"
        )
    freedom = len(rows) - 1
    residual = np.log(measured / reckoned)
    scatter = math.sqrt(float(residual @ residual) / freedom)
    quantile = float(student.ppf(0.975, freedom))
    half = quantile * scatter / math.sqrt(float(slope @ slope))
    left_out = np.array([_left_out(plates, measured, number) for number in range(len(rows))])
    _refuse_strangers(rows, left_out, misfit)
    following = math.expm1(quantile * scatter * math.sqrt(1 + 1 / len(rows)))
    spread = max(following, float(np.abs(left_out - 1).max()), least_spread)
    fit = Calibration(
        factor=factor,
        low=factor * math.exp(-half),
        high=factor * math.exp(half),
        spread=spread,
        plates=len(rows),
        date=date,
    )
    return Fit(fit, measured, reckoned, left_out)


def fit_words(fit: Fit, rows: Sequence[PlateRow] = ()) -> list[str]:
    """A fit in plain lines, the plates one by one when their rows are given."""
    found = fit.calibration
    lines = [
        f"layers take {found.factor:.3f} times what the profile's speeds give ({found.low:.3f} to {found.high:.3f} at "
        f"95 %), from {found.plates} plates, {found.date}",
        f"the next plate falls within {100 * found.spread:.0f} % of its reckoned time",
    ]
    for row, measured_s, fitted_s in zip(rows, fit.measured_s, fit.fitted_s, strict=False):
        lines.append(
            f"  line {row.line}: measured {measured_s / _SECONDS:.0f} min, calibrated {fitted_s / _SECONDS:.0f} min"
        )
    return lines


def _row(line: int, cells: Sequence[str]) -> PlateRow | str:
    """A row, or what is wrong with it."""
    if len(cells) != len(COLUMNS):
        return f"{len(cells)} cells; {len(COLUMNS)} are needed: {', '.join(COLUMNS)}"
    part, copies, minutes = cells
    if not part:
        return "no part; name the folder of a submission or a mesh file"
    if not copies.isascii() or not copies.isdigit() or not 1 <= int(copies[:9]) <= _MAX_COPIES:
        return f"copies {copies[:40]!r}; give a whole number from 1 to {_MAX_COPIES}"
    try:
        taken = float(minutes)
    except ValueError:
        taken = math.nan
    if not 0 < taken <= _MAX_MINUTES:
        return f"minutes {minutes[:40]!r}; give the minutes from heat-up to the last layer, up to {_MAX_MINUTES:.0f}"
    return PlateRow(line, part, int(copies), taken * _SECONDS)


def _reckoned(
    rows: Sequence[PlateRow], table: Path, machine: Machine, limits: Limits, progress: Callable[[str], None]
) -> list[Printing]:
    """The plates as they are reckoned; each part read once."""
    known: dict[str, Printing | str] = {}
    for row in rows:
        if row.part not in known:
            progress(f"reading {row.part}")
            known[row.part] = _alone(row.part, table, machine, limits)
    problems = [f"{table.name} line {row.line}: {known[row.part]}" for row in rows if isinstance(known[row.part], str)]
    if problems:
        raise SetupError("\n".join(problems))
    found = [(row, known[row.part]) for row in rows]
    return [plate.with_copies(row.copies) for row, plate in found if isinstance(plate, Printing)]


def _alone(part: str, table: Path, machine: Machine, limits: Limits) -> Printing | str:
    """One copy of a part on the machine, or why it cannot be reckoned."""
    path, _, wanted = part.partition("#")
    try:
        workpieces = review.opened(table.parent / path, machine=machine.id).workpieces
        chosen = [piece for piece in workpieces if wanted in ("", piece.part.id)]
        if len(chosen) != 1:
            ids = ", ".join(piece.part.id for piece in workpieces)
            return f"part {part!r} is not one part; write {path}# and one of {ids}"
        return printing_of(chosen[0], limits)
    except (ReviewError, ValueError) as error:
        return str(error)


def _times(plates: Sequence[Printing], factor: float) -> tuple[Floats, Floats]:
    """Time of plates with a factor [s], and how their logarithms follow the factor's [-]."""
    low, here, high = (
        np.array([plate.printed_s(factor * math.exp(step)) for plate in plates]) for step in (-_STEP, 0.0, _STEP)
    )
    return here, np.log(high / low) / (2 * _STEP)


def _best_factor(plates: Sequence[Printing], measured: Floats) -> float:
    """The factor of least squares: where the residuals are square to how the times follow it."""

    def lean(log_factor: float) -> float:
        reckoned, slope = _times(plates, math.exp(log_factor))
        return float(np.log(measured / reckoned) @ np.maximum(slope, _STEP))

    low, high = (math.log(end) for end in _FACTORS)
    if not lean(high) < 0 < lean(low):
        raise SetupError(
            f"no factor from {_FACTORS[0]:g} to {_FACTORS[1]:g} on the layers' time meets these plates; check the "
            "minutes, the copies and the profile's speeds"
        )
    return math.exp(float(brentq(lean, low, high, xtol=1e-9)))


def _left_out(plates: Sequence[Printing], measured: Floats, number: int) -> float:
    """Measured over reckoned time of one plate, fitted from the others [-]."""
    others = [plate for place, plate in enumerate(plates) if place != number]
    factor = _best_factor(others, np.delete(measured, number))
    return float(measured[number] / plates[number].printed_s(factor))


def _refuse_strangers(rows: Sequence[PlateRow], left_out: Floats, most: float) -> None:
    """Refuse the plate that is farthest off what the others say of it, when it is too far."""
    worst = int(np.argmax(np.abs(np.log(left_out))))
    if abs(left_out[worst] - 1) > most:
        row = rows[worst]
        raise SetupError(
            f"line {row.line}: {row.measured_s / _SECONDS:.0f} min is {left_out[worst]:.2f} times what the others say "
            f"of it, more than {100 * most:.0f} % off; check its minutes and copies, or leave it away"
        )
