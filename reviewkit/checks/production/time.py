"""PD-01: how long a part takes to print, alone and on a full plate, and where the minutes go.

Every bound here is common practice of the trade, and the speeds are the machine profile's: a factory
replaces them by its own and calibrates them by measured plates.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reviewkit.copies import copies_of
from reviewkit.judging import WHOLE, Case, finding, no_matter, not_checked, percent_words, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.printing import COOLING, TIME_KINDS, Printing
from reviewkit.model import Band, Finding, Measurement, Severity, Verdict
from reviewkit.printed import printing_of, time_words
from reviewkit.workpiece import Workpiece

CODE = "PD-01"
DOMAIN = "production"

_HOUR_S = 3600.0
_NAMED = 3
# More copies than any plate holds.
_MOST_COPIES = 10_000
_METHOD = "lines of every layer at the machine's speeds and acceleration, never less than the layer cooling time"


def print_time(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the print time of the part.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``production.*``.

    Returns
    -------
    list of Finding
        The whole part first; then what does not meet: waiting for layers to cool, the length of a
        plate.
    """
    if reason := no_matter(workpiece, limits):
        return [not_checked(workpiece, CODE, DOMAIN, "Print time was", reason)]
    case = _Case(workpiece, limits)
    others = [_cooling(case), _plate(case)]
    whole = _whole(case, others)
    return [whole, *(one for one in others if one.verdict is not Verdict.MEETS)]


@dataclass(frozen=True, eq=False)
class _Case(Case):
    """A workpiece and the rows that PD-01 judges it by."""

    rows = "production"

    @cached_property
    def held(self) -> int:
        """Copies that a plate holds, 0 when the part does not fit."""
        return copies_of(self.workpiece, self.limits).count

    @cached_property
    def alone(self) -> Printing:
        return printing_of(self.workpiece, self.limits)

    @cached_property
    def full(self) -> Printing:
        return self.alone.with_copies(max(1, self.held))

    def judged(
        self, subject: str, band: Band, verdict: Verdict, message: str, change: str, measurement: Measurement
    ) -> Finding:
        return finding(
            self.workpiece,
            CODE,
            DOMAIN,
            subject,
            verdict,
            message,
            change,
            severity=Severity.COST,
            measurements=(measurement,),
            limits=band.limits,
        )


def _whole(case: _Case, others: Sequence[Finding]) -> Finding:
    verdict = worst_of(one.verdict for one in others)
    alone, full = case.alone, case.full
    message = (
        f"One part alone on a plate takes {time_words(alone.plate_s)} from heat-up until the plate is free again, "
        f"give or take {time_words(alone.plate_uncertainty_s)}."
    )
    if case.held > 1:
        message += (
            f" A plate of {case.held} takes {time_words(full.plate_s)}, {time_words(full.part_s)} a part, give or take "
            f"{time_words(full.part_uncertainty_s)}."
        )
    if not case.held:
        message += " The part as it lies does not fit the plate, so no more copies were reckoned."
    most = sorted(full.seconds.items(), key=lambda item: -item[1])[:_NAMED]
    told = [f"{kind} ({percent_words(seconds / full.plate_s)})" for kind, seconds in most]
    message += f" Most of it goes into {', '.join(told[:-1])} and {told[-1]}. It rests on the {alone.basis}."
    per_part = [full.seconds[kind] / full.copies for kind in TIME_KINDS]
    return finding(
        case.workpiece,
        CODE,
        DOMAIN,
        WHOLE,
        verdict,
        message,
        "" if verdict is Verdict.MEETS else "See the findings on print time below.",
        severity=Severity.COST,
        measurements=(
            Measurement("time of one part alone on a plate", alone.plate_s, "s", alone.plate_uncertainty_s, _METHOD),
            Measurement("copies on a plate", max(1, case.held), "count", 0.0, "best repeatable layout, at least"),
            Measurement("time of a full plate", full.plate_s, "s", full.plate_uncertainty_s, _METHOD),
            Measurement("time of a part on a full plate", full.part_s, "s", full.part_uncertainty_s, _METHOD),
        ),
        limits=tuple(limit for one in others for limit in one.limits),
        figures=("minutes_by_kind",),
        evidence={
            "alone_s": np.array([alone.seconds[kind] for kind in TIME_KINDS]),
            "full_s": np.array(per_part),
            "copies": np.array([full.copies]),
            "half_width_s": np.array([alone.plate_uncertainty_s, full.part_uncertainty_s]),
        },
    )


def _cooling(case: _Case) -> Finding:
    full, band = case.full, case.band("cooling")
    share = full.waiting_share
    message = (
        f"{percent_words(share).capitalize()} of the layers' time on a plate of {full.copies} is waiting until a layer "
        f"has cooled; no layer is left before {full.settings.least_layer_s:.3g} s."
    )
    enough = _fewest(lambda copies: full.with_copies(copies).waiting_share <= band.limits[0].value)
    change = "Lay the part so that it is lower and its layers larger."
    if full.copies < enough <= _MOST_COPIES:
        change += f" With {enough} copies on a plate instead of {full.copies} the wait would be within bounds."
    return case.judged(
        "cooling", band, band.verdict(share), message, change,
        Measurement("share of waiting", share, "-", 0.0, f"{COOLING} over the time of all layers"),
    )  # fmt: skip


def _plate(case: _Case) -> Finding:
    full, band = case.full, case.band("plate_time")
    bound_s = band.limits[0].value * _HOUR_S
    hours, half = full.plate_s / _HOUR_S, full.plate_uncertainty_s / _HOUR_S
    message = (
        f"A plate of {full.copies} takes {time_words(full.plate_s)}, give or take "
        f"{time_words(full.plate_uncertainty_s)}; one that fails near the end loses all of it."
    )
    fitting = _fewest(lambda copies: full.with_copies(copies).plate_s * (1 + full.spread) > bound_s) - 1
    change = (
        f"Put {fitting} copies on a plate instead of {full.copies}, which keeps it under {time_words(bound_s)}."
        if fitting >= 1
        else f"Even one copy may take longer than {time_words(bound_s)}: less height, a thicker layer or a wider line."
    )
    return case.judged(
        "plate time", band, band.verdict(hours, half), message, change,
        Measurement("time of a full plate", hours, "h", half, _METHOD),
    )  # fmt: skip


def _fewest(enough: Callable[[int], bool]) -> int:
    """Least number of copies with which it is so; what is so with some stays so with more."""
    low, high = 1, 1
    while not enough(high) and high < _MOST_COPIES:
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return high
