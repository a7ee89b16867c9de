"""PD-04: what a good part costs at several quantities, what drives it, and what a saving is worth.

Prices are the house's; those that ship with the kit are invented for the demonstration and say so.
"""

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, Case, finding, not_checked, percent_words
from reviewkit.limits import Limits
from reviewkit.measure.costing import TERMS, Cost, Making, TermChange, Worth, explained
from reviewkit.model import Band, Finding, Measurement, Severity, Verdict
from reviewkit.production import ProductionCase, production_of
from reviewkit.workpiece import Workpiece

CODE = "PD-04"
DOMAIN = "production"
#: Good parts that a cost is told for, beside the order's own number.
QUANTITIES = (1_000, 10_000, 100_000, 1_000_000)

_USUAL = 10_000
_THOUSAND = 1000
_NAMED = 3
_MAKING = tuple(one.name for one in fields(Making))


@dataclass(frozen=True)
class CostChange:
    """How the cost of a part differs between two findings of PD-04.

    Parameters
    ----------
    parts : int
        Good parts that both are told for [-].
    before, after : Cost
    currency : str
    terms : tuple of TermChange
        The largest first; together they are the whole difference.
    same_prices : bool
        Whether both rest on the same prices.
    """

    parts: int
    before: Cost
    after: Cost
    currency: str
    terms: tuple[TermChange, ...]
    same_prices: bool


def cost_of_part(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Tell the cost of a good part, and judge whether it is sure enough to be quoted.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``cost.*`` and those of :func:`reviewkit.production.production_of`.

    Returns
    -------
    list of Finding
        One on the whole part.
    """
    production = production_of(workpiece, limits)
    if production.unready:
        return [not_checked(workpiece, CODE, DOMAIN, "The cost of a good part was", production.unready)]
    told = _Telling(workpiece, limits, production)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            told.verdict,
            " ".join(told.sentences),
            told.change,
            severity=Severity.COST,
            measurements=told.measurements,
            limits=told.limit.limits,
            figures=("cost_terms", "cost_worth"),
            evidence=told.drawn,
        )
    ]


def cost_change(old: Finding, new: Finding) -> CostChange | None:
    """The difference between what two reviews say that a part costs.

    Parameters
    ----------
    old, new : Finding
        Of PD-04 on the whole part.

    Returns
    -------
    CostChange or None
        At the new order's number where the old review knows it too; none where one has no cost, they share no
        quantity or their money differs.
    """
    if not ("terms" in old.evidence and "terms" in new.evidence):
        return None
    (was, _), (currency, _) = (_prices(one) for one in (old, new))
    known = set(old.evidence["quantities"].tolist())
    at = int(new.evidence["at"][0])
    parts = at if at in known else _USUAL
    if was != currency or parts not in known or old.evidence["terms"].shape[1] != len(TERMS):
        return None
    before, after = (_cost_in(one, parts) for one in (old, new))
    return CostChange(parts, before, after, currency, explained(before, after), _prices(old) == _prices(new))


@dataclass(frozen=True, eq=False)
class _Telling(Case):
    """The costs of a part, with the words for them."""

    rows = "cost"

    production: ProductionCase

    @cached_property
    def at(self) -> int:
        """The order's own number of parts, or a usual one."""
        return self.production.wanted or _USUAL

    @cached_property
    def costs(self) -> tuple[Cost, ...]:
        """By quantity, the order's own among them."""
        return tuple(self.production.cost(parts) for parts in sorted({*QUANTITIES, self.at}))

    @cached_property
    def here(self) -> Cost:
        """At the order's own number."""
        return next(one for one in self.costs if one.parts == self.at)

    @cached_property
    def worth(self) -> tuple[Worth, ...]:
        return self.production.worth(self.at)

    @property
    def limit(self) -> Band:
        return self.band("half_width")

    @property
    def unsure(self) -> float:
        """Half-width over the cost [-]."""
        return self.here.half_width / self.here.unit

    @property
    def verdict(self) -> Verdict:
        return self.limit.verdict(self.unsure)

    def money(self, amount: float) -> str:
        return self.production.prices.money(amount)

    @property
    def sentences(self) -> list[str]:
        """The message."""
        return [one for one in (self._costs, self._basis, self._set, self._steps, self._left) if one]

    @property
    def _costs(self) -> str:
        plain = [one for one in self.costs if one.parts in QUANTITIES]
        told = [f"{self.money(one.unit)} at {one.parts:,}" for one in plain]
        words = f"A good part costs {', '.join(told[:-1])} and {told[-1]}."
        ordered = "The order is for" if self.production.wanted else "No quantity is stated; for"
        largest = [f"{term} ({percent_words(share)})" for term, share in self.here.by_size[:_NAMED]]
        return (
            f"{words} {ordered} {self.at:,}: {self.money(self.here.unit)}, with 95 % confidence "
            f"{self.money(self.here.low)} to {self.money(self.here.high)}, most of it {', '.join(largest[:-1])} and "
            f"{largest[-1]}."
        )

    @property
    def _steps(self) -> str:
        told = [f"{one.step} {self.money(_THOUSAND * one.saved)}" for one in self.worth if one.saved > 0]
        return f"Saved on a thousand parts: {', '.join(told)}."

    @property
    def _set(self) -> str:
        sets = self.production.workpiece.submission.quantity or _USUAL
        if self.production.parts_in_set == 1:
            return ""
        together = self.production.set_cost(sets)
        if together is None:
            return "A whole set was not priced, as another part of it has no cost."
        unit, half = (self.money(amount) for amount in together)
        return f"The {self.production.parts_in_set} parts of a set together cost {unit}, give or take {half}."

    @property
    def _basis(self) -> str:
        prices = self.production.prices
        return f"Prices: {prices.words}; freight, tax and profit are not in them."

    @property
    def _left(self) -> str:
        """What else it rests on."""
        kinds = len(self.production.workpiece.submission.parts)
        shared = f"The cost of the order is shared by its {kinds} kinds of parts; print" if kinds > 1 else "Print"
        return f"{shared} time rests on the {self.production.printing.basis}."

    @property
    def change(self) -> str:
        """What would make the cost sure enough."""
        if self.verdict is Verdict.MEETS:
            return ""
        bound = self.limit.limits[0].value
        return (
            "Calibrate the machine by three measured plates or more and count good parts in a pilot, until the cost "
            f"is known to {percent_words(bound)}; it is now known to {percent_words(self.unsure)}."
        )

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        prices = self.production.prices
        method = f"{prices.words}; deviations of time, mass and yield added by squares"
        return (
            Measurement("half-width of the cost over the cost", self.unsure, "-", 0.0, method),
            *(
                Measurement(f"cost of a good part at {one.parts:,}", one.unit, prices.currency, one.half_width, method)
                for one in self.costs
            ),
            Measurement("an estimate holds for", prices.valid_days, "days", 0.0, "as the prices say"),
        )

    @property
    def drawn(self) -> dict[str, NDArray[Any]]:
        """What the figures show, and what a later revision is compared with."""
        making, prices = self.here.making, self.production.prices
        return {
            "quantities": np.array([one.parts for one in self.costs]),
            "terms": np.array([[one.terms[term] for term in TERMS] for one in self.costs]),
            "low": np.array([one.low for one in self.costs]),
            "high": np.array([one.high for one in self.costs]),
            "at": np.array([self.at]),
            "saved": np.array([one.saved for one in self.worth]),
            "more_a_day": np.array([one.parts_a_day for one in self.worth]),
            "steps": np.array([one.step for one in self.worth]),
            "making": np.array([float(getattr(making, name)) for name in _MAKING]),
            "prices": np.array([prices.currency, prices.sha256]),
        }


def _prices(told: Finding) -> tuple[str, str]:
    """Currency and hash of the prices that a finding rests on."""
    currency, sha256 = (str(one) for one in told.evidence["prices"])
    return currency, sha256


def _cost_in(told: Finding, parts: int) -> Cost:
    """The cost that a finding tells at a quantity."""
    row = told.evidence["quantities"].tolist().index(parts)
    kept = dict(zip(_MAKING, told.evidence["making"].tolist(), strict=True))
    making = Making(**kept | {"copies": round(kept["copies"])})
    terms = dict(zip(TERMS, told.evidence["terms"][row].tolist(), strict=True))
    return Cost(parts, terms, making, float(told.evidence["low"][row]), float(told.evidence["high"][row]))
