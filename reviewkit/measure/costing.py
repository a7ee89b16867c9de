"""Cost of a good part, what each saving is worth, and how many a farm of printers makes.

Formulas only: what things cost, and how long a plate takes, is the caller's.  Money is in the one currency
of the caller's prices.  Steps up to inspection are made for every printed part and are divided by the share
of good ones; steps after it are made for good parts only.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

MACHINE, ENERGY, MATERIAL, PLATE_WORK, SCRAP = "machine", "energy", "material", "work at the plate", "scrap"
FINISHING, PACKING, ORDER, OVERHEAD = "work after the print", "packing material", "cost of the order", "overhead"
TERMS = (MACHINE, ENERGY, MATERIAL, PLATE_WORK, SCRAP, FINISHING, PACKING, ORDER, OVERHEAD)

HOURS_A_YEAR = 8760.0
_HOURS_A_DAY = 24.0
_MIN_PER_H, _S_PER_H, _G_PER_KG = 60.0, 3600.0, 1000.0
_POINT = 0.01
# Plates that one printer is followed through, so that waiting for people evens out.
_FOLLOWED = 400


@dataclass(frozen=True)
class PrinterHour:
    """What an hour of a printer at work costs, in its parts [unit of money/h]."""

    depreciation: float
    maintenance: float
    space: float
    energy: float

    @property
    def standing(self) -> float:
        """Without energy [unit of money/h]."""
        return self.depreciation + self.maintenance + self.space

    @property
    def total(self) -> float:
        """All of it [unit of money/h]."""
        return self.standing + self.energy


@dataclass(frozen=True)
class Making:
    """What a part takes to make.

    Parameters
    ----------
    plate_h, idle_h : float
        A plate from heat-up until it is free again, and until the next begins [h].
    copies : int
        Parts on a plate [-].
    mass_g : float
        Plastic of one part, without waste [g].
    waste : float
        Plastic beside the part, as a share of it [-].
    good : float
        Share of the printed parts that are good [-].
    plate_work_h, printed_work_h, good_work_h : float
        Work of hands for a plate, for each printed part, and for each good one after inspection [h].
    packing : float
        Packing material of one good part [unit of money].
    """

    plate_h: float
    idle_h: float
    copies: int
    mass_g: float
    waste: float
    good: float
    plate_work_h: float
    printed_work_h: float = 0.0
    good_work_h: float = 0.0
    packing: float = 0.0

    @property
    def cycle_h(self) -> float:
        """From the beginning of a plate to the beginning of the next [h]."""
        return self.plate_h + self.idle_h

    @property
    def part_h(self) -> float:
        """Share of a cycle that one part takes [h]."""
        return self.cycle_h / self.copies

    @property
    def hands_h(self) -> float:
        """Work of hands for one good part, that on scrapped parts included [h]."""
        return (self.plate_work_h / self.copies + self.printed_work_h) / self.good + self.good_work_h


@dataclass(frozen=True)
class Rates:
    """What is paid: a printer's hour, a kilogram, an hour of work, the order [unit of money], overhead as a share."""

    hour: PrinterHour
    price_kg: float
    wage_h: float
    order: float = 0.0
    overhead: float = 0.0


@dataclass(frozen=True)
class Cost:
    """Cost of one good part.

    Parameters
    ----------
    parts : int
        Good parts of the order [-].
    terms : mapping of str to float
        By ``TERMS`` [unit of money].
    making : Making
        What it was reckoned from.
    low, high : float
        Interval at 95 %, the cost itself where nothing is uncertain [unit of money].
    """

    parts: int
    terms: Mapping[str, float]
    making: Making
    low: float = field(default=float("nan"))
    high: float = field(default=float("nan"))

    @property
    def unit(self) -> float:
        """All terms together [unit of money]."""
        return sum(self.terms.values())

    @property
    def by_size(self) -> tuple[tuple[str, float], ...]:
        """Terms with their share of the cost, the largest first [-]."""
        ordered = sorted(self.terms.items(), key=lambda item: (-item[1], TERMS.index(item[0])))
        return tuple((term, value / self.unit) for term, value in ordered)

    @property
    def half_width(self) -> float:
        """The larger of the distances to the ends of the interval [unit of money]."""
        return max(self.unit - self.low, self.high - self.unit)


@dataclass(frozen=True)
class Worth:
    """What one step is worth: saved on a good part [unit of money], and good parts more a day from a printer."""

    step: str
    saved: float
    parts_a_day: float


@dataclass(frozen=True)
class TermChange:
    """One term of the cost in two revisions [unit of money], and what it follows from, in words."""

    term: str
    before: float
    after: float
    because: str = ""

    @property
    def change(self) -> float:
        """What it adds to the cost [unit of money]."""
        return self.after - self.before


def printer_hour(
    *,
    price: float,
    residual: float,
    life_years: float,
    share_at_work: float,
    maintenance_a_year: float,
    power_kw: float,
    energy_kwh: float,
    space_a_year: float = 0.0,
) -> PrinterHour:
    """What an hour of a printer at work costs.

    Parameters
    ----------
    price, residual : float
        When it is bought, and when it is given away [unit of money].
    life_years : float
        Between the two [years].
    share_at_work : float
        Of the calendar [-].
    maintenance_a_year, space_a_year : float
        [unit of money/year].
    power_kw : float
        Mean while it prints [unit kW].
    energy_kwh : float
        [unit of money/kWh].
    """
    hours = HOURS_A_YEAR * share_at_work
    return PrinterHour(
        depreciation=(price - residual) / (life_years * hours),
        maintenance=maintenance_a_year / hours,
        space=space_a_year / hours,
        energy=power_kw * energy_kwh,
    )


def cost(making: Making, rates: Rates, parts: int) -> Cost:
    """Cost of one good part of an order.

    Parameters
    ----------
    making : Making
    rates : Rates
    parts : int
        Good parts of the order, which its fixed cost is shared by [-].

    Returns
    -------
    Cost
        Its interval has no width.

    Raises
    ------
    ValueError
        When there are no parts, no copies or none is good.
    """
    if parts < 1 or making.copies < 1 or not 0 < making.good <= 1:
        raise ValueError(
            f"{parts} parts of {making.copies} a plate, {making.good:g} of them good, have no cost; "
            "give 1 or more, and a share above 0 and up to 1"
        )
    printed = {
        MACHINE: making.part_h * rates.hour.standing,
        ENERGY: making.part_h * rates.hour.energy,
        MATERIAL: making.mass_g * (1 + making.waste) * rates.price_kg / _G_PER_KG,
        PLATE_WORK: (making.plate_work_h / making.copies + making.printed_work_h) * rates.wage_h,
    }
    terms = printed | {
        SCRAP: sum(printed.values()) * (1 - making.good) / making.good,
        FINISHING: making.good_work_h * rates.wage_h,
        PACKING: making.packing,
        ORDER: rates.order / parts,
    }
    terms[OVERHEAD] = rates.overhead * sum(terms.values())
    unit = sum(terms.values())
    return Cost(parts, terms, making, unit, unit)


def with_interval(
    made: Cost, rates: Rates, *, plate_half_h: float, mass_half_g: float, low: float, high: float
) -> Cost:
    """The cost with the interval that uncertain time, mass and yield give it.

    Parameters
    ----------
    made : Cost
    rates : Rates
    plate_half_h, mass_half_g : float
        Half-widths at 95 % of the plate's time and of the part's mass [h], [g].
    low, high : float
        Ends of the interval of the good share [-].

    Returns
    -------
    Cost

    Notes
    -----
    The three are independent: the deviations that each causes alone add by their squares, on each side by
    itself, since cost is no straight line of the good share.
    """
    making = made.making

    def off(changed: Making) -> float:
        return cost(changed, rates, made.parts).unit - made.unit

    # A good share of nought has no cost; one in a thousand stands for it.
    least = max(low, 1e-3)
    up = (
        off(replace(making, plate_h=making.plate_h + plate_half_h)),
        off(replace(making, mass_g=making.mass_g + mass_half_g)),
        off(replace(making, good=min(least, making.good))),
    )
    down = (
        off(replace(making, plate_h=max(making.plate_h - plate_half_h, 0.0))),
        off(replace(making, mass_g=max(making.mass_g - mass_half_g, 0.0))),
        off(replace(making, good=max(high, making.good))),
    )
    below, above = (sum(value**2 for value in side) ** 0.5 for side in (down, up))
    return replace(made, low=made.unit - below, high=made.unit + above)


def worth(making: Making, rates: Rates, uptime: float, fuller_plate_h: float) -> tuple[Worth, ...]:
    """What one minute, one gram, one point of yield, one copy and a second of work are worth.

    Parameters
    ----------
    making : Making
    rates : Rates
    uptime : float
        Share of the calendar that a printer prints or is being served [-].
    fuller_plate_h : float
        Time of a plate with one copy more [h].

    Returns
    -------
    tuple of Worth
        Exact differences; those of minute, gram and second are the derivatives too, as cost is a straight
        line of each.
    """
    # Where there is no point left to gain, what losing one costs.
    more = making.good + _POINT <= 1
    steps = (
        ("one minute less for a plate", 1, replace(making, plate_h=making.plate_h - 1 / _MIN_PER_H)),
        ("one gram less in a part", 1, replace(making, mass_g=making.mass_g - 1)),
        ("one percent more good parts", 1 if more else -1,
         replace(making, good=making.good + (_POINT if more else -_POINT))),
        ("one copy more on a plate", 1, replace(making, copies=making.copies + 1, plate_h=fuller_plate_h)),
        ("one second less of hands on a part", 1,
         replace(making, printed_work_h=making.printed_work_h - 1 / _S_PER_H)),
    )  # fmt: skip
    before, made_before = cost(making, rates, 1).unit, _made_a_day(making, uptime)
    return tuple(
        Worth(
            step,
            sign * (before - cost(changed, rates, 1).unit),
            sign * (_made_a_day(changed, uptime) - made_before),
        )
        for step, sign, changed in steps
    )


def explained(old: Cost, new: Cost) -> tuple[TermChange, ...]:
    """The difference of two costs, term by term.

    Parameters
    ----------
    old, new : Cost

    Returns
    -------
    tuple of TermChange
        The largest change first; together they are the whole difference.
    """
    because = dict(_because(old.making, new.making))
    changes = [
        TermChange(term, old.terms.get(term, 0.0), new.terms.get(term, 0.0), because.get(term, "")) for term in TERMS
    ]
    return tuple(sorted(changes, key=lambda one: -abs(one.change)))


def plates_a_day(cycle_h: float, idle_h: float, uptime: float, attended_h: float = _HOURS_A_DAY) -> float:
    """Plates that one printer makes in a day.

    Parameters
    ----------
    cycle_h, idle_h : float
        From the beginning of a plate to that of the next, of which the printer stands so long [h].
    uptime : float
        Share of the calendar that it prints or is being served [-].
    attended_h : float
        Hours of the day in which a finished plate can be taken off and the next begun, 24 where that needs
        nobody; a plate that ends outside them waits [h].

    Returns
    -------
    float
    """
    if attended_h >= _HOURS_A_DAY:
        return _HOURS_A_DAY / cycle_h * uptime
    begun_h, mornings = 0.0, []
    for plate in range(_FOLLOWED):
        late_h = (begun_h + cycle_h - idle_h) % _HOURS_A_DAY
        waits = late_h > attended_h + 1e-9
        begun_h += cycle_h + (_HOURS_A_DAY - late_h if waits else 0.0)
        if waits:
            mornings.append((begun_h, plate))
    # Between two mornings after a wait the days repeat; the beginning and the end do not count.
    since, plates = np.subtract(mornings[-1], mornings[0]) if len(mornings) > 1 else (begun_h, _FOLLOWED)
    return float(plates / since * _HOURS_A_DAY * uptime)


def good_a_day(printers: float, plates: float, copies: int, good: float) -> float:
    """Good parts that printers make in a day [-], at so many `plates` a day each."""
    return printers * plates * copies * good


def printers_for(parts: float, days: float, plates: float, copies: int, good: float) -> float:
    """Printers that make so many good parts in so many days, fractions of one counted [-]."""
    return parts / (days * good_a_day(1.0, plates, copies, good))


def in_process(rate_h: float, cycle_h: float) -> float:
    """Work in process by Little's law: what is begun in an hour times the hours that it takes [-].

    References
    ----------
    J. D. C. Little, Operations Research 9 (1961) 383 (from memory).
    """
    return rate_h * cycle_h


def people_for(rate_h: float, work_h: float, utilisation: float) -> float:
    """People that so much work for each of so many an hour takes, at a share of their time [-]."""
    return rate_h * work_h / utilisation


def effectiveness(planned_h: float, actual_h: float, run_h: float, made: float, good: float) -> float:
    """Overall equipment effectiveness: availability times performance times quality [-].

    Parameters
    ----------
    planned_h, actual_h : float
        Planned busy time and actual production time [h].
    run_h : float
        Planned run time of one item [h].
    made : float
        Items made in that time [-].
    good : float
        Share of them that is good [-].

    References
    ----------
    ISO 22400-2:2014, availability, effectiveness, quality ratio (from memory).
    """
    return (actual_h / planned_h) * (run_h * made / actual_h) * good


def _made_a_day(making: Making, uptime: float) -> float:
    plates = plates_a_day(making.cycle_h, making.idle_h, uptime)
    return good_a_day(1.0, plates, making.copies, making.good)


def _because(old: Making, new: Making) -> Iterator[tuple[str, str]]:
    """What of the making each term follows from, before and after, where it differs."""
    minutes = _differs(_MIN_PER_H * old.part_h, _MIN_PER_H * new.part_h, "min of a printer a part")
    copies = _differs(old.copies, new.copies, "copies on a plate")
    before, after = (_S_PER_H * (one.plate_work_h / one.copies + one.printed_work_h) for one in (old, new))
    yield MACHINE, "; ".join(filter(None, (minutes, copies)))
    yield ENERGY, minutes
    yield MATERIAL, _differs(old.mass_g, new.mass_g, "g a part")
    yield PLATE_WORK, "; ".join(filter(None, (_differs(before, after, "s of hands a printed part"), copies)))
    yield SCRAP, _differs(100 * old.good, 100 * new.good, "% good parts")
    yield FINISHING, _differs(_S_PER_H * old.good_work_h, _S_PER_H * new.good_work_h, "s of hands a good part")


def _differs(before: float, after: float, unit: str) -> str:
    """Both numbers in words, nothing where they read the same."""
    told = [f"{value:.3g}" for value in (before, after)]
    return "" if told[0] == told[1] else f"{told[1]} {unit} instead of {told[0]}"
