"""What a factory pays and works with: read from one file, checked, replaced as a whole by the factory's own.

Of a submission the file ``prices.toml`` in its folder holds, else the one that ``REVIEWKIT_PRICES`` names,
else the figures that ship with the kit, which are invented for the demonstration.
"""

import hashlib
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

from reviewkit.errors import SetupError, SubmissionError
from reviewkit.fields import Fields, shown
from reviewkit.measure.costing import PrinterHour, printer_hour
from reviewkit.model import Vector
from reviewkit.resources import resource
from reviewkit.submission import Submission

PRICES_FILE = "prices.toml"
PRICES_VARIABLE = "REVIEWKIT_PRICES"

# What only guards input.
_MAX_BYTES = 200_000
_MOST = 1e7
_LONGEST_CURRENCY = 8


@dataclass(frozen=True)
class Printer:
    """One kind of printer of the house: how many an order may have, and what one costs [unit of money].

    ``power_kw`` is what it draws, the mean while it prints [unit kW].
    """

    machine: str
    count: int
    price: float
    residual: float
    life_years: float
    maintenance_a_year: float
    space_a_year: float
    power_kw: float


@dataclass(frozen=True)
class House:
    """How the house works; the file that ships with the kit says what each means.

    Energy, wages and the order are paid in the [unit of money]; uptime, utilisation and overhead are shares [-].
    """

    uptime: float
    attended_h: float
    automatic_removal: bool
    between_plates_min: float
    energy_kwh: float
    wage_h: float
    utilisation: float
    overhead: float
    order: float
    start_days: int
    ship_days: int


@dataclass(frozen=True)
class Hands:
    """Seconds of hands that each operation takes [s]."""

    plate_s: float
    detach_s: float
    support_s: float
    support_cm3_s: float
    fit_s: float
    set_s: float
    pack_s: float


@dataclass(frozen=True)
class PackingPrices:
    """Packing material [unit of money], and the inside and load of a carton [mm], [kg]."""

    pack: float
    carton: float
    carton_mm: Vector
    carton_kg: float


@dataclass(frozen=True)
class Prices:
    """What a factory pays and works with.

    Parameters
    ----------
    name, source, currency : str
    date : date
        Of the prices.
    valid_days : int
        How long an estimate holds [days].
    invented : bool
        Whether they are no factory's own.
    house : House
    hands : Hands
    packing : PackingPrices
    printers : mapping of str to Printer
        By machine id.
    materials : mapping of str to tuple of (float, float)
        By material id: from how many kg on, and the price of one; the least amount first [kg], [unit of money/kg].
    sha256 : str
        Of the file.
    """

    name: str
    source: str
    currency: str
    date: date
    valid_days: int
    invented: bool
    house: House
    hands: Hands
    packing: PackingPrices
    printers: Mapping[str, Printer]
    materials: Mapping[str, tuple[tuple[float, float], ...]]
    sha256: str

    def __hash__(self) -> int:
        return hash(self.sha256)

    @property
    def words(self) -> str:
        """Which prices these are."""
        return f"{self.name} of {self.date.isoformat()}, {self.source}"

    def money(self, amount: float) -> str:
        """An amount in words, three digits or whole units [unit of money]."""
        number = f"{amount:,.0f}" if abs(amount) >= 999.5 else f"{amount:#.3g}".rstrip(".")
        return f"{number} {self.currency}"

    def price_kg(self, material: str, mass_kg: float) -> float:
        """Price of a kg of a material where so much of it is bought [unit of money/kg]."""
        return [price for from_kg, price in self.materials[material] if from_kg <= mass_kg][-1]

    def hour(self, machine: str) -> PrinterHour:
        """What an hour of a printer at work costs."""
        printer, house = self.printers[machine], self.house
        return printer_hour(
            price=printer.price,
            residual=printer.residual,
            life_years=printer.life_years,
            share_at_work=house.uptime,
            maintenance_a_year=printer.maintenance_a_year,
            space_a_year=printer.space_a_year,
            power_kw=printer.power_kw,
            energy_kwh=house.energy_kwh,
        )


def prices_path(submission: Submission) -> Path:
    """The file of prices that holds for a submission.

    Raises
    ------
    SetupError
        When ``REVIEWKIT_PRICES`` names no file.
    """
    if submission.folder is not None and (own := submission.folder / PRICES_FILE).is_file():
        return own
    named = os.environ.get(PRICES_VARIABLE, "").strip()
    if not named:
        return resource("data", "prices", "demonstration.toml")
    if not Path(named).is_file():
        raise SetupError(
            f"{PRICES_VARIABLE} names {shown(named)}, which is no file; make it, or take the variable away"
        )
    return Path(named)


def prices_of(submission: Submission) -> Prices:
    """The prices that hold for a submission.

    Raises
    ------
    SetupError
        When they cannot be read or used.
    """
    path = prices_path(submission)
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise SetupError(f"prices {path.name} hold more than {_MAX_BYTES:,} bytes; give a file of prices")
        content = path.read_bytes()
    except OSError as error:
        raise SetupError(f"prices {path.name} cannot be read ({error.strerror}); mend the file") from None
    return parse_prices(content, path.name)


@lru_cache(maxsize=8)
def parse_prices(content: bytes, file: str = PRICES_FILE) -> Prices:
    """The prices that a file states.

    Parameters
    ----------
    content : bytes
    file : str
        Its name, for messages.

    Raises
    ------
    SetupError
        When they are not valid; names the first problem and says how many more there are.
    """
    try:
        root = Fields(tomllib.loads(content.decode("utf-8-sig")), file, [])
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SetupError(f"prices {file} cannot be read: {error}; mend the file") from None
    day = root.day("date")
    if "date" not in root:
        root.blame("'date' is missing; it is needed")
    currency = root.label("currency", required=True)
    if len(currency) > _LONGEST_CURRENCY:
        root.blame(f"'currency' has {len(currency)} characters; at most {_LONGEST_CURRENCY} are taken")
    prices = Prices(
        name=root.label("name", required=True),
        source=root.label("source", required=True),
        currency=currency,
        date=day or date.min,
        valid_days=_days(root, "valid_days"),
        invented=root.flag("invented"),
        house=_house(root.section("house", required=True)),
        hands=_hands(root.section("hands", required=True)),
        packing=_packing(root.section("packing", required=True)),
        printers=_printers(root),
        materials=_materials(root.section("material", required=True)),
        sha256=hashlib.sha256(content).hexdigest(),
    )
    root.close("field")
    try:
        root.raise_problems()
    except SubmissionError as error:
        raise SetupError(f"prices cannot be used: {error}") from None
    return prices


def _number(table: Fields, name: str, high: float = _MOST, above: float = -1.0) -> float:
    """A needed number from 0, or above a bound; 1 where it is wrong, which then is no more looked at."""
    value = table.number(name, low=0.0, high=high, above=above, required=True)
    return 1.0 if value is None else value


def _days(table: Fields, name: str) -> int:
    days = table.count(name, 0)
    if name not in table:
        table.blame(f"{name!r} is missing; it is needed")
    return days or 0


def _house(table: Fields) -> House:
    house = House(
        uptime=_number(table, "uptime", high=1.0, above=0.0),
        attended_h=_number(table, "attended_h", high=24.0, above=0.0),
        automatic_removal=table.flag("automatic_removal"),
        between_plates_min=_number(table, "between_plates_min"),
        energy_kwh=_number(table, "energy_kWh"),
        wage_h=_number(table, "wage_h"),
        utilisation=_number(table, "utilisation", high=1.0, above=0.0),
        overhead=_number(table, "overhead", high=10.0),
        order=_number(table, "order"),
        start_days=_days(table, "start_days"),
        ship_days=_days(table, "ship_days"),
    )
    table.close()
    return house


def _hands(table: Fields) -> Hands:
    names = ("plate_s", "detach_s", "support_s", "support_cm3_s", "fit_s", "set_s", "pack_s")
    hands = Hands(**{name: _number(table, name) for name in names})
    table.close()
    return hands


def _packing(table: Fields) -> PackingPrices:
    sides = table.vector("carton_mm", required=True)
    if sides is not None and min(sides) <= 0:
        table.blame(f"'carton_mm' must be three lengths above 0 mm, got {shown(sides)}")
    packing = PackingPrices(
        pack=_number(table, "pack"),
        carton=_number(table, "carton"),
        carton_mm=sides or (1.0, 1.0, 1.0),
        carton_kg=_number(table, "carton_kg", above=0.0),
    )
    table.close()
    return packing


def _printers(root: Fields) -> Mapping[str, Printer]:
    printers: dict[str, Printer] = {}
    for table in root.entries("printer", "machine"):
        printer = Printer(
            machine=table.label("machine", required=True),
            count=table.count("count") or 1,
            price=_number(table, "price"),
            residual=table.number("residual", low=0.0, high=_MOST) or 0.0,
            life_years=_number(table, "life_years", above=0.0),
            maintenance_a_year=_number(table, "maintenance_a_year"),
            space_a_year=table.number("space_a_year", low=0.0, high=_MOST) or 0.0,
            power_kw=_number(table, "power_kW"),
        )
        if "count" not in table:
            table.blame("'count' is missing; it is needed")
        if printer.residual > printer.price:
            table.blame(f"'residual' is {printer.residual:g}, more than the price of {printer.price:g}")
        if printers.setdefault(printer.machine, printer) is not printer:
            table.blame(f"machine {shown(printer.machine)} stands twice; give each its own")
        table.close()
    return printers


def _materials(table: Fields) -> Mapping[str, tuple[tuple[float, float], ...]]:
    """Prices by material, each one number or a list of steps."""
    materials: dict[str, tuple[tuple[float, float], ...]] = {}
    for name in table:
        # A list of steps is read as one; all else as a number.
        if not isinstance(table.take(name), list):
            materials[name.lower()] = ((0.0, _number(table, name)),)
            continue
        steps = [
            (step.number("from_kg", low=0.0, high=_MOST) or 0.0, _number(step, "price"))
            for step in table.entries(name, "from_kg")
        ]
        if not steps or steps[0][0] > 0 or any(a[0] >= b[0] for a, b in pairwise(steps)):
            table.blame(f"{name!r}: the first price holds from 0 kg on, each further one from more")
            steps = [(0.0, 1.0)]
        materials[name.lower()] = tuple(steps)
    return materials
