"""PD-08: what hands do off the machine for one good part, and how the parts are packed.

Seconds, pack and carton are the house's; every bound is common practice of the trade.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.judging import WHOLE, Case, finding, not_checked, worst_of
from reviewkit.limits import Limits
from reviewkit.model import Finding, Measurement, Severity, Verdict
from reviewkit.printed import grams_words
from reviewkit.production import Carton, Per, ProductionCase, production_of
from reviewkit.workpiece import Workpiece

CODE = "PD-08"
DOMAIN = "production"

_MM3_PER_L = 1e6
_S_PER_H = 3600.0
_BOXES = "boxes round the parts as they lie, over the share of it that boxes fill"


def handling(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the work of hands that a good part takes, and how many go into a carton.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``handling.*`` and those of :func:`reviewkit.production.production_of`.

    Returns
    -------
    list of Finding
        One on the whole part.
    """
    production = production_of(workpiece, limits)
    if production.unready:
        return [not_checked(workpiece, CODE, DOMAIN, "Work off the machine was", production.unready)]
    told = _Telling(workpiece, limits, production)
    return [
        finding(
            workpiece,
            CODE,
            DOMAIN,
            WHOLE,
            told.verdict,
            " ".join(one for one in (told.work, told.carton_words, told.unsure) if one),
            told.change,
            severity=Severity.COST,
            measurements=told.measurements,
            limits=(*told.band("hands").limits, *(told.band("carton").limits if told.carton else ())),
            figures=("hands_by_operation",) if told.total_s > 0 else (),
            evidence={
                "operations": np.array([one.name for one in production.operations]),
                "per": np.array([str(one.per) for one in production.operations]),
                "seconds": np.array([production.hands_s(one) for one in production.operations]),
                "half_width_s": np.array([told.total_s * told.value("spread")]),
            },
        )
    ]


@dataclass(frozen=True, eq=False)
class _Telling(Case):
    """The work on a part, with the words for it."""

    rows = "handling"

    production: ProductionCase

    @cached_property
    def total_s(self) -> float:
        """Work of hands for one good part [s]."""
        return sum(self.production.hands_s(one) for one in self.production.operations)

    @cached_property
    def carton(self) -> Carton | None:
        return self.production.carton

    @property
    def verdict(self) -> Verdict:
        """By the work of hands, and by whether a carton holds a set."""
        hands = self.band("hands").verdict(self.total_s, self.total_s * self.value("spread"))
        holds = self.band("carton").verdict(self.carton.sets) if self.carton else Verdict.MEETS
        return worst_of((hands, holds))

    @property
    def work(self) -> str:
        """What hands do."""
        done = [one for one in self.production.operations if one.seconds]
        told = [f"{one.name} {self.production.hands_s(one):.2g} s ({one.words})" for one in done]
        half_s = self.total_s * self.value("spread")
        words = (
            f"Hands are at one good part for {self.total_s:.2g} s, give or take {half_s:.2g} s "
            f"({self.production.prices.source}): {', '.join(told) or 'nothing'}."
        )
        nothing = [one.name for one in self.production.operations if not one.seconds]
        if nothing:
            words += f" Nothing is to be done to {', nor to '.join(nothing)}."
        if self.production.supported.shut_in:
            words += f" But {self.production.supported.words}."
        wanted = self.production.wanted
        if wanted:
            words += f" For {wanted:,} good parts that is {wanted * self.total_s / _S_PER_H:,.0f} hours of work."
        return words

    @property
    def carton_words(self) -> str:
        """How sets are packed."""
        carton, packing = self.carton, self.production.prices.packing
        if carton is None:
            return "Cartons were not reckoned, as another part of the set could not be measured."
        inside = " x ".join(f"{side:g}" for side in packing.carton_mm)
        sets = _sets(self.production)
        if not carton.sets:
            return f"A carton of {inside} mm holds no {sets[1]}: {_BOUND[carton.bound_by]}."
        own = carton.sets * self.production.count
        alike = f", {own:,} of these parts" if own != carton.sets else ""
        words = (
            f"A {sets[1]} fills {carton.set_mm3 / _MM3_PER_L:.2g} litres as packed and weighs "
            f"{grams_words(carton.set_g)}; a carton of {inside} mm holds {carton.sets:,} {sets[0]}s{alike}, give or "
            f"take {max(1.0, carton.sets * self.value('density_spread')):.0f}, bound by its {carton.bound_by}."
        )
        quantity = self.workpiece.submission.quantity
        if quantity:
            words += f" The order fills {int(np.ceil(quantity / carton.sets)):,} of them."
        return words

    @property
    def unsure(self) -> str:
        """What is taken for granted, and what is left out."""
        submission = self.workpiece.submission
        told = []
        if submission.packing.sets_per_pack is None:
            told.append("The submission does not say how sets are packed; one a pack was taken.")
        if submission.finish.treatment:
            told.append("Treatment after the print is asked for and was not counted.")
        if any(one.part == self.workpiece.part.id and one.fitted is None for one in submission.hardware):
            told.append("Hardware without a word of when it is fitted was taken as fitted after the print.")
        if self.production.parts_in_set > 1:
            told.append("That parts of a set are joined, and not only laid together, is not stated and not counted.")
        return " ".join(told)

    @property
    def change(self) -> str:
        """What would bring the work down."""
        if self.verdict is Verdict.MEETS:
            return ""
        words = []
        bound = self.band("hands").limits[0].value
        longest = max(self.production.operations, key=self.production.hands_s)
        if self.total_s * (1 + self.value("spread")) > bound:
            over = self.total_s * (1 + self.value("spread")) - bound
            words.append(
                f"Take {over:.2g} s or more out of the work, first of all out of what it takes to {longest.name} "
                f"({self.production.hands_s(longest):.2g} s)."
            )
            if longest.per is Per.PLATE and over < self.production.hands_s(longest):
                share = 1 - over / (1 + self.value("spread")) / self.production.hands_s(longest)
                words.append(f"{int(np.ceil(self.production.held / share))} copies on a plate would share it so.")
        if self.carton is not None and not self.carton.sets:
            longest_mm = max(float(one.box_mm[0]) for one in self.production.of_set)
            words.append(
                f"Use a carton that holds a length of {longest_mm:.0f} mm and a whole pack, or fewer in a pack."
            )
        return " ".join(words)

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        spread, made, carton = self.value("spread"), self.production, self.carton
        seconds = f"seconds of the house ({made.prices.words})"
        told = [Measurement("work of hands for a good part", self.total_s, "s", self.total_s * spread, seconds)]
        if carton is not None:
            half = self.value("density_spread")
            method = f"{_BOXES}, {self.value('density'):g}"
            told += [
                Measurement("sets in a carton", carton.sets, "count", carton.sets * half, method),
                Measurement("parts of this kind in a carton", carton.sets * made.count, "count",
                            carton.sets * made.count * half, method),
                Measurement("packed volume of a set", carton.set_mm3, "mm3", carton.set_mm3 * half, method),
                Measurement("mass of a set", carton.set_g, "g", 0.0, "as printed, without packing"),
            ]  # fmt: skip
        for one in made.operations:
            each_s = made.hands_s(one)
            basis = f"once a {one.per}: {one.words}"
            told.append(Measurement(f"hands for a good part: {one.name}", each_s, "s", each_s * spread, basis))
        if made.wanted:
            hours = made.wanted * self.total_s / _S_PER_H
            told.append(Measurement("work of hands for the order", hours, "h", hours * spread, seconds))
        return tuple(told)


_BOUND = {
    "length": "a part of it is too long",
    "volume": "a whole pack needs more room",
    "weight": "a whole pack weighs more than a person lifts",
}


def _sets(production: ProductionCase) -> tuple[str, str]:
    """What a carton is counted in: sets of several parts, or parts; and one of it."""
    return ("set", "set") if production.parts_in_set > 1 else ("part", "part")
