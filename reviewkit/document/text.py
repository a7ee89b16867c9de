"""Text and numbers as a person reads them: customer text made harmless, lengths in two units.

Raw text stays unchanged in the review; whatever shows it cleans it here and then escapes
it in its own way.
"""

import math
import re
import unicodedata
from collections.abc import Sequence

from reviewkit.model import Finding, Limit, Measurement, Sense, Verdict

# Format characters that draw a sign of their own; every other one is invisible and can hide
# or reorder text: joiners, marks and overrides of writing direction, tags.
_VISIBLE_FORMATS = frozenset("\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u0890\u0891\u08e2\U000110bd\U000110cd")
_DROPPED_CATEGORIES = frozenset({"Cc", "Cs"})

# Full-width forms included: some spreadsheets read them like their narrow ones.
_FORMULA_STARTS = tuple("=+-@|%\uff1d\uff0b\uff0d\uff20")

_CUSTOMER_UNITS_MM = {
    "cm": ("cm", 10.0),
    "m": ("m", 1000.0),
    "in": ("in", 25.4),
    "inch": ("in", 25.4),
    "inches": ("in", 25.4),
    "ft": ("ft", 304.8),
}
_UNIT_WORDS = {
    "mm": "millimetres",
    "cm": "centimetres",
    "m": "metres",
    "in": "inches",
    "inch": "inches",
    "ft": "feet",
    "um": "micrometres",
}
_LENGTH_POWERS = {"mm": 1, "mm2": 2, "mm3": 3}
_POWER_SIGNS = {1: "", 2: "²", 3: "³"}
_UNIT_SIGNS = {
    "-": "",
    "1": "",
    "count": "",
    "deg": "°",
    "degrees": "°",
    "mm2": "mm²",
    "mm3": "mm³",
    "cm2": "cm²",
    "cm3": "cm³",
}

# Less than half a micrometre is rounding, nothing that a printed part has.
_FINEST_MM = 0.0005

_TIMES = " \u00d7 "

_VERDICT_ORDER = (Verdict.FAILS, Verdict.MARGINAL, Verdict.NOT_CHECKED, Verdict.MEETS)


def display_text(text: object, limit: int = 120) -> str:
    """Text of any origin made fit to show: one line, no hidden characters, capped.

    Normalised to NFC; control characters, direction overrides and zero-width characters are
    dropped, white space of any kind becomes single spaces.  Escaping is left to the sink.

    Parameters
    ----------
    text : object
        Whatever was written; turned into text first.
    limit : int
        Longest result [characters]; longer text ends with an ellipsis.

    Returns
    -------
    str

    References
    ----------
    Unicode Standard Annex 15 (NFC) and Annex 9 (direction overrides) (from memory).
    """
    spaced = re.sub(r"\s+", " ", unicodedata.normalize("NFC", str(text)))
    shown = "".join(character for character in spaced if _is_shown(character)).strip()
    shown = re.sub(" {2,}", " ", shown)
    return shown if len(shown) <= limit else shown[: limit - 1].rstrip() + "…"


def spreadsheet_text(text: object, limit: int = 1000) -> str:
    """Text for a CSV cell: cleaned, and kept from being taken for a formula.

    Parameters
    ----------
    text : object
        Whatever was written.
    limit : int
        Longest result before the guarding apostrophe [characters].

    Returns
    -------
    str
        With a leading apostrophe when it began like a formula (common practice).
    """
    shown = display_text(text, limit)
    return f"'{shown}" if shown.startswith(_FORMULA_STARTS) else shown


def length_text(mm: float, display_units: str = "mm") -> str:
    """A length in mm and, when the customer works in another unit, in that unit too.

    Parameters
    ----------
    mm : float
        The length [mm].
    display_units : str
        The customer's unit: ``mm``, ``cm``, ``m``, ``in`` or ``ft``; anything else is taken as mm.

    Returns
    -------
    str
        Such as ``12.7 mm (0.5 in)``.
    """
    return measured_text(Measurement("length", mm, "mm"), display_units)


def size_text(size_mm: Sequence[float], display_units: str = "mm") -> str:
    """Several lengths joined by a multiplication sign, in one or two units.

    Parameters
    ----------
    size_mm : sequence of float
        The lengths [mm].
    display_units : str
        The customer's unit.

    Returns
    -------
    str
        Such as ``254 x 50.8 mm (10 x 2 in)``, with the true multiplication sign.
    """
    in_mm = _TIMES.join(_digits(length_mm) for length_mm in size_mm) + " mm"
    known = _customer_unit(display_units)
    if known is None:
        return in_mm
    name, unit_mm = known
    return f"{in_mm} ({_TIMES.join(_short(length_mm / unit_mm) for length_mm in size_mm)} {name})"


def measured_text(measurement: Measurement, display_units: str = "mm") -> str:
    """A measured value with its uncertainty and unit, to the digits that the uncertainty bears.

    Parameters
    ----------
    measurement : Measurement
    display_units : str
        The customer's unit; lengths, areas and volumes are repeated in it in brackets.

    Returns
    -------
    str
        Such as ``0.62 ± 0.03 mm (0.024 in)``; without uncertainty four significant digits.

    References
    ----------
    JCGM 100:2008 (GUM) 7.2.6: at most two significant digits of an uncertainty, and the
    value rounded to match (from memory).
    """
    value, unit = measurement.value, measurement.unit
    spread = measurement.uncertainty
    if unit in _LENGTH_POWERS:
        value, spread = (0.0 if abs(number) < _FINEST_MM else number for number in (value, spread))
    return f"{_with_uncertainty(value, spread)}{_unit_suffix(unit)}{_in_customer_units(value, unit, display_units)}"


def limit_text(limit: Limit, display_units: str = "mm") -> str:
    """A bound in words, also in line widths or layers and in the customer's unit.

    Parameters
    ----------
    limit : Limit
    display_units : str
        The customer's unit.

    Returns
    -------
    str
        Such as ``at least 0.8 mm (0.0315 in), that is 2 line widths``.
    """
    bound = "at least" if limit.sense is Sense.MIN else "at most"
    value = f"{_digits(limit.value)}{_unit_suffix(limit.unit)}"
    stated = f", that is {limit.stated}" if limit.stated else ""
    return f"{bound} {value}{_in_customer_units(limit.value, limit.unit, display_units)}{stated}"


def unit_word(unit: str) -> str:
    """A unit of length in words, such as ``inches``; an unknown one as it stands."""
    return _UNIT_WORDS.get(unit.strip().lower(), unit)


def counted(number: int, singular: str, plural: str = "") -> str:
    """A number with its noun, such as ``1 finding`` or ``3 findings``."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Findings by verdict, then by severity, else as they came."""
    return sorted(findings, key=lambda finding: (_VERDICT_ORDER.index(finding.verdict), finding.severity))


def tally(findings: Sequence[Finding]) -> str:
    """How many findings have each verdict, worst first, such as ``1 fails, 2 marginal``."""
    counts = {verdict: sum(f.verdict is verdict for f in findings) for verdict in _VERDICT_ORDER}
    words = {Verdict.FAILS: ("fails", "fail"), Verdict.MEETS: ("meets", "meet")}
    return ", ".join(
        counted(count, *words.get(verdict, (verdict.value, verdict.value)))
        for verdict, count in counts.items()
        if count
    )


def _is_shown(character: str) -> bool:
    category = unicodedata.category(character)
    return character in _VISIBLE_FORMATS or (category != "Cf" and category not in _DROPPED_CATEGORIES)


def _customer_unit(display_units: str) -> tuple[str, float] | None:
    """Name and size [mm] of the customer's unit, nothing when that is the millimetre."""
    return _CUSTOMER_UNITS_MM.get(display_units.strip().lower())


def _in_customer_units(value: float, unit: str, display_units: str) -> str:
    known = _customer_unit(display_units)
    if known is None or unit not in _LENGTH_POWERS or not math.isfinite(value):
        return ""
    name, unit_mm = known
    power = _LENGTH_POWERS[unit]
    return f" ({_short(value / unit_mm**power)} {name}{_POWER_SIGNS[power]})"


def _unit_suffix(unit: str) -> str:
    sign = _UNIT_SIGNS.get(unit, unit)
    return sign if sign == "°" else f" {sign}" if sign else ""


def _with_uncertainty(value: float, uncertainty: float) -> str:
    """Value and uncertainty to the same decimal place, the value alone when there is no uncertainty."""
    # Less than a millionth of the value is rounding, nothing that was measured.
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty > 1e-6 * abs(value)):
        return _digits(value)
    uncertainty = float(f"{uncertainty:.1e}")
    decimals = 1 - math.floor(math.log10(uncertainty))
    value = round(value, decimals)
    shown = max(decimals, 0)
    number, spread = f"{value:,.{shown}f}", f"{uncertainty:,.{shown}f}"
    if shown and number.endswith("0") and spread.endswith("0"):
        number, spread = number[:-1].rstrip("."), spread[:-1].rstrip(".")
    return f"{number} ± {spread}"


def _short(value: float) -> str:
    """A converted value: as fine as a thousandth, or three significant digits below a tenth."""
    return f"{value:,.3f}".rstrip("0").rstrip(".") if abs(value) >= 0.1 or value == 0 else f"{value:.3g}"


def _digits(value: float) -> str:
    """Four significant digits, no exponent in the range of workshop numbers, thousands set apart."""
    if not math.isfinite(value):
        return "unlimited" if value > 0 else "not known"
    if value and not 1e-4 <= abs(value) < 1e12:
        return f"{value:.3e}"
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.4g}"
