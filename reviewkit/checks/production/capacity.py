"""PD-05: printers and days that the order takes, all parts of the set together, and what is in process meanwhile.

Printers, uptime and hours are the house's; those that ship with the kit are invented for the demonstration.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, Case, finding, not_checked
from reviewkit.limits import Limits
from reviewkit.measure.costing import effectiveness, good_a_day, in_process, people_for
from reviewkit.model import Band, Finding, Measurement, Severity, Verdict
from reviewkit.printed import time_words
from reviewkit.production import Order, ProductionCase, production_of
from reviewkit.workpiece import Workpiece

CODE = "PD-05"
DOMAIN = "production"

_HOURS_A_DAY, _S_PER_H = 24.0, 3600.0
_METHOD = "good parts over plates a day, copies and yield"
# Printers that the curve is drawn over, from a share of the house's to all of it.
_CURVE, _CURVE_FROM = 200, 0.02


def capacity(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge whether the house makes the order by its due date.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``capacity.*`` and those of :func:`reviewkit.production.production_of`.

    Returns
    -------
    list of Finding
        One on the whole part; not checked where quantity, receipt or due date is not stated, with what a printer
        makes in a day all the same.
    """
    production = production_of(workpiece, limits)
    if production.unready:
        return [not_checked(workpiece, CODE, DOMAIN, "Capacity was", production.unready)]
    told = _Telling(workpiece, limits, production)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            told.verdict,
            " ".join(one for one in told.sentences if one),
            told.change,
            severity=Severity.COST,
            measurements=told.measurements,
            limits=() if told.missing else told.limit.limits,
            figures=("days_by_printers",) if told.order else (),
            evidence=told.drawn,
            guess=told.guess,
        )
    ]


@dataclass(frozen=True, eq=False)
class _Telling(Case):
    """What an order takes, with the words for it."""

    rows = "capacity"

    production: ProductionCase

    @property
    def order(self) -> Order | None:
        return self.production.order

    @property
    def limit(self) -> Band:
        return self.band("share")

    @cached_property
    def missing(self) -> str:
        """Which facts of the order are not stated."""
        submission = self.workpiece.submission
        names = {"quantity": submission.quantity, "received": submission.received, "due": submission.due}
        absent = [name for name, value in names.items() if value is None]
        return " and ".join(filter(None, (", ".join(absent[:-1]), *absent[-1:])))

    @property
    def printing_days(self) -> int:
        """Between the first plate and the last [days]."""
        assert self.order is not None and self.order.printing_days is not None
        return self.order.printing_days

    @property
    def verdict(self) -> Verdict:
        if self.missing or self.order is None:
            return Verdict.NOT_CHECKED
        share = self.order.share
        return self.limit.verdict(share, 0.0 if np.isinf(share) else share * self.order.spread)

    @property
    def guess(self) -> str:
        """What a failure would rest on that is no factory's own."""
        invented = self.production.prices.invented and self.verdict is Verdict.FAILS
        return "the number of printers is invented for the demonstration" if invented else ""

    @property
    def a_day(self) -> float:
        """Good parts that a printer makes in a day."""
        made = self.production
        return good_a_day(1.0, made.plates_a_day, made.held, made.good.value)

    @property
    def all_busy_days(self) -> float:
        """From the first plate to the last with every printer of the house at it [days]."""
        assert self.order is not None
        return self.order.printer_days / self.order.printers + self.longest_h / _HOURS_A_DAY

    @property
    def longest_h(self) -> float:
        """The longest time that a plate of the set takes to the next [h]."""
        return max(one.making.cycle_h for one in self.production.of_set if not one.unready)

    @property
    def lead_days(self) -> float:
        """From receipt to the customer with every printer of the house at it [days]."""
        house = self.production.prices.house
        return house.start_days + self.all_busy_days + house.ship_days

    @property
    def busy(self) -> float:
        """Printers at this part at a time, fractions of one counted: those needed, or all where they are too few."""
        order = self.order
        if order is None:
            return 1.0
        days = self.printing_days if not self.missing and self.printing_days > 0 else 0
        return order.own / max(days, order.printer_days / order.printers)

    @property
    def plates_h(self) -> float:
        """Plates of this part that are done in an hour."""
        return self.busy * self.production.plates_a_day / _HOURS_A_DAY

    @property
    def parts_in_process(self) -> float:
        """Parts of this kind on plates at a time."""
        return in_process(self.plates_h, self.production.making.cycle_h) * self.production.held

    @property
    def people(self) -> float:
        """People that the work of hands on this part takes, fractions of one counted."""
        making = self.production.making
        work_h = making.hands_h * making.copies * making.good
        return people_for(self.plates_h, work_h, self.production.prices.house.utilisation)

    @property
    def effectiveness(self) -> float:
        """Overall equipment effectiveness of a printer."""
        made, uptime = self.production, self.production.prices.house.uptime
        day_h = _HOURS_A_DAY
        return effectiveness(day_h, day_h * uptime, made.making.plate_h, made.plates_a_day, made.good.value)

    @property
    def sentences(self) -> list[str]:
        """The message."""
        return [self._rate, self._order, self._meanwhile, self._basis]

    @property
    def _rate(self) -> str:
        made = self.production
        many = "one copy" if made.held == 1 else f"{made.held} copies"
        return (
            f"A printer makes {made.plates_a_day:.3g} plates of {many} a day and {self.a_day:.3g} good parts, give or "
            f"take {self.a_day * made.rate_spread:.2g}."
        )

    @property
    def _order(self) -> str:
        order, made = self.order, self.production
        if order is None:
            return "What an order takes was not checked: quantity, date of receipt and due date are needed."
        parts = f"The order's {made.wanted:,} parts"
        if len(made.of_set) > 1:
            parts += ", with the other parts of the set,"
        words = f"{parts} take {order.printer_days:,.0f} days of one printer"
        if left_out := sum(bool(one.unready) for one in made.of_set):
            words += f" ({left_out} of the other parts could not be reckoned and left out)"
        all_busy = (
            f"With all {order.printers:,} printers of the house ({made.prices.source}) they are made in "
            f"{self.all_busy_days:.3g} days and with the customer {self.lead_days:.0f} days after receipt."
        )
        if self.missing:
            return f"{words}. {all_busy} Whether that is in time was not checked: {self.missing} not stated."
        house = made.prices.house
        if self.printing_days <= 0:
            return (
                f"{words}. From receipt to due date are {made.days} days, of which {house.start_days} pass before the "
                f"first plate and {house.ship_days} after the last: none is left to print. {all_busy}"
            )
        needed = order.printer_days / self.printing_days
        return (
            f"{words}; in the {self.printing_days} days for printing that keeps {_printers(needed)} busy, give or take "
            f"{needed * order.spread:.2g}. {all_busy}"
        )

    @property
    def _meanwhile(self) -> str:
        if self.order is None:
            return ""
        return (
            f"Meanwhile {self.parts_in_process:,.0f} of these parts are on plates at a time, and the work of hands on "
            f"them keeps {self.people:.2g} people busy."
        )

    @property
    def _basis(self) -> str:
        made, house = self.production, self.production.prices.house
        waits = (
            "plates are taken off at any hour"
            if house.attended_h >= _HOURS_A_DAY
            else f"plates are taken off in {house.attended_h:g} hours of the day and wait in the others"
        )
        return (
            f"A plate takes {time_words(made.making.cycle_h * _S_PER_H)} to the next, printers work "
            f"{100 * house.uptime:.0f} % of the calendar, {waits} ({made.prices.name})."
        )

    @property
    def change(self) -> str:
        """What would bring the order in time."""
        if self.missing:
            return f"State {self.missing} of the order."
        if self.verdict is Verdict.MEETS:
            return ""
        order, house, bound = self.order, self.production.prices.house, self.limit.limits[0].value
        assert order is not None
        sure = order.printer_days * (1 + order.spread)
        days = int(np.ceil(sure / (order.printers * bound))) + house.start_days + house.ship_days
        words = f"Agree on {days:,} days or more from receipt"
        if self.printing_days > 0:
            printers = int(np.ceil(sure / (self.printing_days * bound)))
            words += f", give the order {printers:,} printers instead of {order.printers:,}"
            words += f", or bring the time of a part down to {_percent_under(order, bound)} of what it is"
        return f"{words}."

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        made, order = self.production, self.order
        spread = made.rate_spread
        told = []
        if order is not None and not self.missing and self.printing_days <= 0:
            told = [Measurement("share of the printers", order.share, "-", 0.0, "no day is left to print")]
        elif order is not None and not self.missing:
            needed = order.printer_days / self.printing_days
            told = [
                Measurement("share of the printers", order.share, "-", order.share * order.spread, _METHOD),
                Measurement("printers for the order", needed, "count", needed * order.spread, _METHOD),
                Measurement("days for printing", self.printing_days, "days", 0.0, "less start and shipping"),
            ]  # fmt: skip
        if order is not None:
            made_in = self.all_busy_days
            half = order.printer_days / order.printers * order.spread
            told += [
                Measurement("printers of the house", order.printers, "count", 0.0, made.prices.words),
                Measurement("days with all printers", made_in, "days", half, _METHOD),
                Measurement("lead time with all printers", self.lead_days, "days", half, "start, printing, shipping"),
                Measurement("parts in process", self.parts_in_process, "count", 0.0, "Little's law"),
                Measurement("people at work", self.people, "count", 0.0, "work of hands over their share of time"),
            ]
        return (
            *told,
            Measurement("good parts of a printer a day", self.a_day, "count", self.a_day * spread, _METHOD),
            Measurement("plates of a printer a day", made.plates_a_day, "count", 0.0, "cycle, uptime, hours attended"),
            Measurement("overall equipment effectiveness", self.effectiveness, "-",
                        self.effectiveness * made.yield_spread, "availability times performance times quality"),
        )  # fmt: skip

    @property
    def drawn(self) -> dict[str, NDArray[Any]]:
        """Days until the order is made by printers given to it."""
        order = self.order
        if order is None:
            return {}
        least = max(1.0, _CURVE_FROM * order.printers)
        printers = np.geomspace(least, max(order.printers, least + 1), _CURVE)
        days = order.printer_days / printers
        drawn = {
            "printers": printers,
            "days": days,
            "low": days * (1 - min(order.spread, 1.0)),
            "high": days * (1 + order.spread),
            "house": np.array([order.printers]),
        }
        if not self.missing and self.printing_days > 0:
            drawn |= {
                "due_days": np.array([self.printing_days]),
                "needed": np.array([order.printer_days / self.printing_days]),
            }
        return drawn


def _percent_under(order: Order, bound: float) -> str:
    """The share of a part's present time at which the order just meets a bound."""
    return f"{100 * bound / (order.share * (1 + order.spread)):.0f} %"


def _printers(number: float) -> str:
    whole = int(np.ceil(number))
    return "one printer" if whole == 1 else f"{whole:,} printers"
