"""Making a part in numbers: print time, copies, prices, yield and handling joined, for all checks of production."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
import shapely

from reviewkit.copies import PlateCopies, copies_of
from reviewkit.judging import Case, no_matter
from reviewkit.limits import Limits
from reviewkit.measure.costing import (
    Cost,
    Making,
    Rates,
    Worth,
    cost,
    plates_a_day,
    printers_for,
    with_interval,
    worth,
)
from reviewkit.measure.overhangs import Overhang, Overhangs, Rules, Supports, access, overhangs
from reviewkit.measure.printing import Printing
from reviewkit.measure.removal import Loose, loose_pieces
from reviewkit.model import Floats, Verdict
from reviewkit.prices import Prices, Printer, prices_of
from reviewkit.printed import printing_of
from reviewkit.submission import Fitted, PartEntry
from reviewkit.workpiece import Workpiece
from reviewkit.yields import Yield, yield_of

_S_PER_H, _MIN_PER_H, _HOURS_A_DAY = 3600.0, 60.0, 24.0
_G_PER_KG, _MM3_PER_CM3 = 1000.0, 1000.0
# A share of good parts so low has no cost that is worth telling.
_LEAST_GOOD = 1e-3


class Per(StrEnum):
    """What an operation is done once for."""

    PLATE = "plate"
    PRINTED = "printed part"
    GOOD = "good part"


@dataclass(frozen=True)
class Operation:
    """Something that hands do off the machine.

    Parameters
    ----------
    name : str
    per : Per
        What it is done once for.
    seconds : float
        For one of those; 0 where nothing is to be done [s].
    words : str
        What it was reckoned from.
    """

    name: str
    per: Per
    seconds: float
    words: str


@dataclass(frozen=True)
class SupportWork:
    """Support that hands have to clear off every copy.

    Parameters
    ----------
    places : int
        That do not print without and that a tool reaches [-].
    volume_mm3 : float
        Of the support under them [mm3].
    shut_in : int
        Places whose support nobody gets out; they are to be redrawn and cost no time here [-].
    """

    places: int
    volume_mm3: float
    shut_in: int

    @property
    def words(self) -> str:
        """What has to be cleared."""
        told = []
        if self.places:
            where = "one place that does" if self.places == 1 else f"{self.places} places that do"
            told.append(f"{self.volume_mm3 / _MM3_PER_CM3:.2g} cm³ under {where} not print without")
        if self.shut_in:
            where = "one place" if self.shut_in == 1 else f"{self.shut_in} places"
            told.append(f"support under {where} could not be taken out, so it is to be redrawn and was not counted")
        return "; ".join(told) or "none is needed"


@dataclass(frozen=True)
class Carton:
    """How many sets a carton of the house holds.

    Parameters
    ----------
    sets : int
        Whole packs of them; 0 where a part does not fit in [-].
    set_mm3 : float
        Of one set as packed [mm3].
    set_g : float
        Of the parts of one set [g].
    bound_by : str
        ``volume``, ``weight`` or ``length``.
    """

    sets: int
    set_mm3: float
    set_g: float
    bound_by: str


@dataclass(frozen=True)
class Order:
    """What an order takes of the house's printers, all parts of the set together.

    Parameters
    ----------
    own, others : float
        Days of one printer, for this part and for the other parts of the set [unit days].
    spread : float
        Half-width at 95 % as a share of them [-].
    printers : int
        Of the house.
    printing_days : int or None
        Between the first plate and the last, None where receipt or due date is not said [days].
    """

    own: float
    others: float
    spread: float
    printers: int
    printing_days: int | None

    @property
    def printer_days(self) -> float:
        """Of the whole order."""
        return self.own + self.others

    @property
    def share(self) -> float:
        """Printers that it takes until it is due over those of the house, infinite without a day [-]."""
        if not self.printing_days or self.printing_days <= 0:
            return np.inf
        return self.printer_days / self.printing_days / self.printers


@dataclass(frozen=True, eq=False)
class ProductionCase(Case):
    """A workpiece, and everything that its production is judged by."""

    rows = "production"

    @cached_property
    def unready(self) -> str:
        """Why nothing can be said of its production, to follow a colon; empty where it can."""
        setup = self.workpiece.setup
        if reason := no_matter(self.workpiece, self.limits):
            return reason
        if not self.held:
            return "the part as it lies does not fit on the plate"
        if self.good.value < _LEAST_GOOD:
            return "no part of the pilot was good"
        if setup.machine.id not in self.prices.printers:
            return f"the prices ({self.prices.name}) have no printer for the machine {setup.machine.id}"
        if setup.material.id not in self.prices.materials:
            return f"the prices ({self.prices.name}) have none for {setup.material.name}"
        return ""

    @cached_property
    def copies(self) -> PlateCopies:
        """Copies on a plate."""
        return copies_of(self.workpiece, self.limits)

    @property
    def held(self) -> int:
        """How many a plate holds, 0 where the part does not fit [-]."""
        return self.copies.count

    @cached_property
    def printing(self) -> Printing:
        """Print time and material with the plate full."""
        return printing_of(self.workpiece, self.limits, max(1, self.held))

    @cached_property
    def good(self) -> Yield:
        """Share of the printed parts that are good."""
        return yield_of(self.workpiece, self.limits)

    @cached_property
    def prices(self) -> Prices:
        """What the house pays and works with."""
        return prices_of(self.workpiece.submission)

    @property
    def printer(self) -> Printer:
        """The house's printers of the machine under review."""
        return self.prices.printers[self.workpiece.setup.machine.id]

    @cached_property
    def entry(self) -> PartEntry:
        """What the submission says of the part."""
        known = {entry.id: entry for entry in self.workpiece.submission.parts}
        return known.get(self.workpiece.part.id) or PartEntry(self.workpiece.part.id, "")

    @property
    def count(self) -> int:
        """Parts of this kind in a set [-]."""
        return self.entry.count

    @cached_property
    def parts_in_set(self) -> int:
        """Parts of all kinds in a set [-]."""
        return sum(entry.count for entry in self.workpiece.submission.parts) or 1

    @property
    def sets_in_pack(self) -> int:
        """Sets in a pack, 1 where the submission does not say [-]."""
        return self.workpiece.submission.packing.sets_per_pack or 1

    @property
    def wanted(self) -> int | None:
        """Parts of this kind in the order, None where its quantity is not said [-]."""
        quantity = self.workpiece.submission.quantity
        return None if quantity is None else quantity * self.count

    @property
    def days(self) -> int | None:
        """From receipt until the order is due, None where either is not said [days]."""
        submission = self.workpiece.submission
        if submission.received is None or submission.due is None:
            return None
        return (submission.due - submission.received).days

    @cached_property
    def of_set(self) -> tuple["ProductionCase", ...]:
        """Every part of the set, itself among them."""
        beside = self.workpiece.beside or {self.workpiece.part.id: self.workpiece}
        return tuple(
            self if one.part.id == self.workpiece.part.id else replace(self, workpiece=one) for one in beside.values()
        )

    @cached_property
    def operations(self) -> tuple[Operation, ...]:
        """What hands do, in the order of the work."""
        return tuple(self._operations())

    def hands_s(self, operation: Operation) -> float:
        """What an operation takes for one good part, that on scrapped parts included [s]."""
        shared = {Per.PLATE: self.held * self.good.value, Per.PRINTED: self.good.value, Per.GOOD: 1.0}
        return operation.seconds / shared[operation.per]

    @cached_property
    def making(self) -> Making:
        """What a good part takes."""
        printing, house = self.printing, self.prices.house
        hands_h = {per: sum(one.seconds for one in self.operations if one.per is per) / _S_PER_H for per in Per}
        return Making(
            plate_h=printing.plate_s / _S_PER_H,
            idle_h=house.between_plates_min / _MIN_PER_H,
            copies=self.held,
            mass_g=printing.mass_g,
            waste=self.value("waste"),
            good=self.good.value,
            plate_work_h=hands_h[Per.PLATE],
            printed_work_h=hands_h[Per.PRINTED],
            good_work_h=hands_h[Per.GOOD],
            packing=self._packing,
        )

    def rates(self, parts: int) -> Rates:
        """What is paid where so many good parts of this kind are made; the order's own cost is shared by its kinds."""
        making, house = self.making, self.prices.house
        mass_kg = parts / making.good * making.mass_g * (1 + making.waste) / _G_PER_KG
        return Rates(
            hour=self.prices.hour(self.workpiece.setup.machine.id),
            price_kg=self.prices.price_kg(self.workpiece.setup.material.id, mass_kg),
            wage_h=house.wage_h,
            order=house.order / max(1, len(self.workpiece.submission.parts)),
            overhead=house.overhead,
        )

    def cost(self, parts: int) -> Cost:
        """Cost of a good part where so many of this kind are made, with its interval."""
        rates = self.rates(parts)
        return with_interval(
            cost(self.making, rates, parts),
            rates,
            plate_half_h=self.printing.plate_uncertainty_s / _S_PER_H,
            mass_half_g=self.printing.mass_uncertainty_g,
            low=self.good.low,
            high=self.good.high,
        )

    def set_cost(self, sets: int) -> tuple[float, float] | None:
        """Cost of a set's parts where so many are made and its half-width, or none [unit of money].

        What makes one part uncertain makes the others so too, so half-widths add.
        """
        if any(one.unready for one in self.of_set):
            return None
        costs = [(one.count, one.cost(sets * one.count)) for one in self.of_set]
        return sum(n * made.unit for n, made in costs), sum(n * made.half_width for n, made in costs)

    def worth(self, parts: int) -> tuple[Worth, ...]:
        """What a minute, a gram, a point of yield, a copy and a second of hands are worth at so many parts."""
        fuller_h = self.printing.with_copies(self.held + 1).plate_s / _S_PER_H
        return worth(self.making, self.rates(parts), self.prices.house.uptime, fuller_h)

    @cached_property
    def plates_a_day(self) -> float:
        """Plates that one printer makes in a day [1/day]."""
        house = self.prices.house
        return plates_a_day(self.making.cycle_h, self.making.idle_h, house.uptime, house.attended_h)

    @property
    def yield_spread(self) -> float:
        """Half-width at 95 % of the share of good parts, as a share of it [-]."""
        return max(self.good.high - self.good.value, self.good.value - self.good.low) / self.good.value

    @property
    def rate_spread(self) -> float:
        """Half-width at 95 % of what a printer makes in a day, as a share of it [-]."""
        by_time = self.printing.plate_uncertainty_s / _S_PER_H / self.making.cycle_h
        return float(np.hypot(by_time, self.yield_spread))

    @cached_property
    def printer_days(self) -> float:
        """Days of one printer that the order takes for this part; its quantity must be known [days]."""
        assert self.wanted is not None
        return printers_for(self.wanted, 1.0, self.plates_a_day, self.held, self.good.value)

    @cached_property
    def order(self) -> Order | None:
        """What the order takes of the house's printers; none where its quantity is not said."""
        if self.wanted is None:
            return None
        house = self.prices.house
        others = [one for one in self.of_set if one is not self and not one.unready]
        loads = [(one.printer_days, one.rate_spread) for one in (self, *others)]
        total = sum(days for days, _ in loads)
        return Order(
            own=self.printer_days,
            others=total - self.printer_days,
            spread=sum(days * spread for days, spread in loads) / total,
            printers=self.printer.count,
            printing_days=None if self.days is None else self.days - house.start_days - house.ship_days,
        )

    @cached_property
    def box_mm(self) -> Floats:
        """Sides of the smallest upright box round the part as it lies, the longest first, (3,) float [mm]."""
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(self.copies.outline))
        sides = np.linalg.norm(np.diff(corners[:3], axis=0), axis=1)
        return np.sort([*sides, self.workpiece.height_mm])[::-1]

    @cached_property
    def carton(self) -> Carton | None:
        """What a carton of the house holds; none where a part of the set cannot be measured."""
        if any(one.unready for one in self.of_set):
            return None
        density = self._row("handling.density")
        inside_mm, most_g = np.array(self.prices.packing.carton_mm), self.prices.packing.carton_kg * _G_PER_KG
        set_mm3 = sum(float(np.prod(one.box_mm)) * one.count for one in self.of_set) / density
        set_g = sum(one.printing.mass_g * one.count for one in self.of_set)
        if any((one.box_mm > np.sort(inside_mm)[::-1]).any() for one in self.of_set):
            return Carton(0, set_mm3, set_g, "length")
        packs = {"volume": np.prod(inside_mm) / set_mm3, "weight": most_g / set_g}
        bound_by = min(packs, key=lambda name: packs[name])
        whole = int(packs[bound_by] / self.sets_in_pack)
        return Carton(whole * self.sets_in_pack, set_mm3, set_g, bound_by)

    @cached_property
    def loose(self) -> Loose:
        """Pieces that come off the plate one by one."""
        return self.workpiece.measured("loose pieces", lambda: loose_pieces(self.workpiece.stack))

    @cached_property
    def supported(self) -> SupportWork:
        """Support that has to be cleared off every copy."""
        workpiece, rules = self.workpiece, Rules.of(self.limits, self.workpiece.setup)
        vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
        found: Overhangs = workpiece.measured(
            "overhangs", lambda: overhangs(workpiece.layers, vertices, faces, rays, rules), rules
        )
        volumes = [self._support_mm3(found.supports, place) for place in found.places if self._falls(place)]
        reached = [free for free, shut in volumes if shut <= self._row("overhang.shut_in") * (free + shut)]
        return SupportWork(len(reached), sum(reached), len(volumes) - len(reached))

    @property
    def _packing(self) -> float:
        """Packing material of one part [unit of money]."""
        packing, carton = self.prices.packing, self.carton
        a_set = packing.pack / self.sets_in_pack
        if carton is not None and carton.sets:
            a_set += packing.carton / carton.sets
        return a_set / self.parts_in_set

    def _row(self, name: str) -> float:
        """A number of another subject's rows [unit of its row]."""
        return self.limits.value(name, self.workpiece.setup).value

    def _support_mm3(self, columns: Supports, place: Overhang) -> tuple[float, float]:
        """Volume of the support under a place that a tool reaches, and that none does [mm3]."""
        under = np.flatnonzero(np.isin(columns.facet, place.faces))
        height_mm, opening_mm = columns.height_mm[under], self._row("overhang.support_opening")
        reach = self.workpiece.measured("access", lambda: access(self.workpiece.layers, opening_mm), opening_mm)
        free = reach.at(columns.top[under] - [0.0, 0.0, 0.5] * height_mm[:, None])
        volume_mm3 = columns.area_mm2[under] * height_mm
        return float(volume_mm3[free].sum()), float(volume_mm3[~free].sum())

    def _falls(self, place: Overhang) -> bool:
        """Whether an overhang does not print without support, by the bounds of PR-06."""
        measured = {
            "islands": float(place.island_mm2 > 0),
            "bridge": round(place.span_mm, 3),
            "ledge": round(place.reach_mm, 3),
        }
        setup = self.workpiece.setup
        return any(
            self.limits.band(f"overhang.{name}", setup).verdict(value) is Verdict.FAILS
            for name, value in measured.items()
        )

    def _operations(self) -> Iterator[Operation]:
        hands = self.prices.hands
        yield Operation(
            "look after the plate",
            Per.PLATE,
            hands.plate_s,
            "the one copy on it" if self.held == 1 else f"shared by {self.held} copies",
        )
        pieces = len(self.loose.at)
        by_blade = self.prices.house.automatic_removal
        by_hand = pieces - 1 if by_blade else pieces
        taken = "the blade pushes it off as one piece" if by_blade else "lifted off by hand"
        if pieces > 1:
            taken = f"{pieces} pieces, {'all but one' if by_blade else 'all'} by hand"
        yield Operation("detach", Per.PRINTED, by_hand * hands.detach_s, taken)
        support = self.supported
        yield Operation(
            "clear support",
            Per.PRINTED,
            support.places * hands.support_s + support.volume_mm3 / _MM3_PER_CM3 * hands.support_cm3_s,
            support.words,
        )
        for fitted, per in ((Fitted.DURING, Per.PRINTED), (Fitted.AFTER, Per.GOOD)):
            of_part = [one for one in self.workpiece.submission.hardware if one.part == self.workpiece.part.id]
            # Hardware without a word of when is fitted after the print.
            items = sum(one.count for one in of_part if (one.fitted or Fitted.AFTER) is fitted)
            if items or fitted is Fitted.AFTER:
                words = f"{items} a part, {fitted}" if items else "none is stated"
                yield Operation("fit hardware", per, items * hands.fit_s, words)
        together = self.parts_in_set > 1
        yield Operation(
            "make up the set",
            Per.GOOD,
            hands.set_s if together else 0.0,
            f"{self.parts_in_set} parts a set, laid together" if together else "the part is the set",
        )
        parts_in_pack = self.sets_in_pack * self.parts_in_set
        yield Operation("pack", Per.GOOD, hands.pack_s / parts_in_pack, f"a pack of {parts_in_pack} parts")


def production_of(workpiece: Workpiece, limits: Limits) -> ProductionCase:
    """The production of a workpiece.

    Parameters
    ----------
    workpiece : Workpiece
        Its submission says what is ordered, and its folder may hold prices and a pilot.
    limits : Limits
        Tables with the rows ``production.*``, ``packing.*``, ``overhang.*``, ``handling.*`` and those of the yield.

    Returns
    -------
    ProductionCase
        Ask its ``unready`` first.
    """
    return ProductionCase(workpiece, limits)
