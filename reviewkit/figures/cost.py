"""PD-04, PD-05 and PD-08: what drives the cost, what a saving is worth, days by printers, work of hands."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter, NullLocator

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, text
from reviewkit.measure.costing import TERMS
from reviewkit.model import Finding

# The driver is dark and hatched, the others plain: paper and every eye tell them apart.
_DRIVER: Any = {"facecolor": "#9a9a96", "edgecolor": LINE, "hatch": "////", "linewidth": 0.6}
_PLAIN: Any = {"facecolor": GREY, "edgecolor": LINE, "linewidth": 0.6}
_THICK = 0.66
_THOUSAND = 1000


def cost_terms(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Terms of the cost of a good part, a panel a quantity, all to one scale."""
    evidence = finding.evidence
    terms, numbers, currency = evidence["terms"], evidence["quantities"], str(evidence["prices"][0])
    units, own = terms.sum(axis=1), int(evidence["at"][0])
    order = np.argsort(-terms[int(np.flatnonzero(numbers == own)[0])], kind="stable")
    figure.set_size_inches(6.3, 2.9)
    panels = figure.subplots(1, len(numbers), sharey=True)
    widest = 1.42 * float(terms.max())
    for axes, number, row, unit in zip(np.atleast_1d(panels), numbers, terms, units, strict=True):
        axes.barh(range(len(order)), row[order], _THICK, **_PLAIN)
        driver = int(np.argmax(row[order]))
        axes.barh([driver], [row[order][driver]], _THICK, **_DRIVER)
        for place, value in enumerate(row[order]):
            if value > 0:
                _behind(axes, value, place, f"{value:.2g}" if value >= 1e-3 * unit else f"< {1e-3 * unit:.1g}")
        axes.set_xlim(0, widest)
        axes.xaxis.set_major_locator(MaxNLocator(2, min_n_ticks=2))
        _named(axes, [TERMS[term] for term in order])
        bold = "bold" if number == own else "normal"
        axes.set_title(f"{number:,}\n{unit:.3g} {currency}", fontsize=8, fontweight=bold, parse_math=False)
    figure.supxlabel(f"{currency} for one good part", fontsize=8, color=INK, parse_math=False)
    told = "; ".join(
        f"{unit:.3g} {currency} at {n:,}, most of it {TERMS[int(np.argmax(row))]}"
        for n, row, unit in zip(numbers, terms, units, strict=True)
    )
    return (
        "What drives the cost",
        f"Cost of one good part by the number made; bold the number reckoned with, hatched the largest term. {told}.",
        f"Bars of the terms of the cost, a panel a quantity: {told}.",
    )


def cost_worth(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """What a minute, a gram, a point of yield, a copy and a second of hands save on a thousand good parts."""
    evidence = finding.evidence
    saved, steps, currency = evidence["saved"] * _THOUSAND, evidence["steps"], str(evidence["prices"][0])
    figure.set_size_inches(6.3, 2.0)
    axes = figure.add_subplot()
    axes.barh(range(len(saved)), saved, _THICK, **_PLAIN)
    best = int(np.argmax(saved))
    axes.barh([best], [saved[best]], _THICK, **_DRIVER)
    for place, value in enumerate(saved):
        _behind(axes, value, place, f"{value:.3g}")
    axes.axvline(0, color=LINE, linewidth=0.6)
    axes.margins(x=0.12)
    _named(axes, [str(step) for step in steps])
    axes.set_xlabel(f"{currency} saved on a thousand good parts", parse_math=False)
    told = "; ".join(f"{step} {value:.3g} {currency}" for step, value in zip(steps, saved, strict=True))
    number = int(evidence["at"][0])
    return (
        "What a saving is worth",
        f"Money saved on a thousand good parts at {number:,}, each step by itself: {told}.",
        f"Bars of money saved on a thousand good parts: {told}.",
    )


def days_by_printers(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Days from the first plate to the last by the printers that the order is given."""
    evidence = finding.evidence
    printers, days, house = evidence["printers"], evidence["days"], int(evidence["house"][0])
    figure.set_size_inches(6.3, 2.9)
    axes = figure.add_subplot()
    axes.fill_between(printers, evidence["low"], evidence["high"], facecolor=GREY, edgecolor=LINE, hatch="///", lw=0.4)
    axes.plot(printers, days, color=MEASURED, linewidth=1.4)
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.3g}" if value < 1000 else f"{value:,.0f}"))
        axis.set_minor_formatter(NullFormatter())
    axes.axvline(house, color=INK, linewidth=0.9, linestyle="--")
    axes.annotate(
        f"{house:,} printers of the house", (house, 1), (-4, -2), xycoords=("data", "axes fraction"),
        textcoords="offset points", rotation=90, va="top", ha="right", fontsize=7, color=INK,
    )  # fmt: skip
    told = f"{days[-1]:.3g} days with all {house:,} printers of the house"
    if "due_days" in evidence:
        due, needed = int(evidence["due_days"][0]), float(evidence["needed"][0])
        late = needed > house
        axes.axhline(due, color=WRONG if late else INK, linewidth=0.9, linestyle=":")
        text(axes, 0.9, due, f"{due:,} days for printing until it is due", transform=axes.get_yaxis_transform(),
             va="bottom", ha="right", fontsize=7, color=INK)  # fmt: skip
        axes.plot([needed], [due], "o", markersize=4, color=WRONG if late else MEASURED)
        whole = int(np.ceil(needed))
        told += f"; {whole:,} {'printer' if whole == 1 else 'printers'} for the {due:,} days until it is due"
    axes.set_xlabel("printers given to the order")
    axes.set_ylabel("days of printing")
    return (
        "Days by printers",
        f"Days from the first plate to the last for the whole order, all parts of the set: {told}. The hatched band is "
        "the interval at 95 %.",
        f"Curve of days of printing that falls with the printers given to the order: {told}.",
    )


def hands_by_operation(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Seconds of hands for one good part by operation."""
    evidence = finding.evidence
    seconds, names = evidence["seconds"], [str(name) for name in evidence["operations"]]
    labels = [f"{name}, each {per}" for name, per in zip(names, evidence["per"], strict=True)]
    total, half = float(seconds.sum()), float(evidence["half_width_s"][0])
    figure.set_size_inches(6.3, 0.75 + 0.24 * (len(names) + 1))
    axes = figure.add_subplot()
    axes.barh(range(len(names)), seconds, _THICK, **_PLAIN)
    axes.barh([len(names)], [total], _THICK, **_DRIVER)
    axes.errorbar(total, len(names), xerr=half, color=MEASURED, capsize=3, linewidth=1.2)
    for place, value in enumerate(seconds):
        _behind(axes, value, place, f"{value:.2g}")
    _behind(axes, total + half, len(names), f"{total:.2g}")
    axes.margins(x=0.1)
    _named(axes, [*labels, "together"])
    axes.set_xlabel("seconds of hands for one good part")
    told = ", ".join(f"{name} {value:.2g} s" for name, value in zip(names, seconds, strict=True))
    return (
        "Work of hands",
        f"Work of hands for one good part: {total:.2g} s, give or take {half:.2g} s (the blue line).",
        f"Bars of seconds for one good part: {told}; together {total:.2g} s.",
    )


def _behind(axes: Axes, value: float, place: float, words: str) -> None:
    """A number behind the end of its bar."""
    left = value < 0
    axes.annotate(
        words, (value, place), (-3 if left else 3, 0), textcoords="offset points", va="center",
        ha="right" if left else "left", fontsize=6.5,
    )  # fmt: skip


def _named(axes: Axes, names: list[str]) -> None:
    """Names from the top down."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)
    axes.yaxis.set_minor_locator(NullLocator())
