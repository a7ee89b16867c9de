"""PD-06: what the yield is guessed from, what a pilot lost, and the values that it measured."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, text
from reviewkit.model import Finding

_MOST_MACHINES = 12
_LETTERS = 24


def guessed_losses(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Spans of the parts that each thing of the shape is guessed to cost, and of all together."""
    evidence = finding.evidence
    names = [*map(str, evidence["names"]), "together"]
    spans = 100 * np.vstack([np.column_stack([evidence["low"], evidence["high"]]), evidence["together"]])
    figure.set_size_inches(6.3, 0.9 + 0.32 * len(names))
    axes = figure.add_subplot()
    least = 0.01 * float(spans.max())
    for place, (low, high) in enumerate(spans):
        face = "white" if place < len(names) - 1 else GREY
        axes.barh(place, max(high - low, least), 0.55, low, facecolor=face, edgecolor=LINE, hatch="////", linewidth=0.7)
        text(axes, max(high, low + least) + least, place, _span(low, high), va="center", fontsize=7)
    axes.set_yticks(range(len(names)), names)
    axes.invert_yaxis()
    axes.set_xlim(0, 1.2 * float(spans.max()))
    axes.set_xlabel("parts lost [%], guessed")
    axes.tick_params(axis="y", length=0)
    told = "; ".join(f"{name} {_span(low, high)}" for name, (low, high) in zip(names, spans, strict=True))
    return (
        "What may cost good parts",
        "Every bar is a guess from common practice with the part's own measures; a pilot replaces them all.",
        f"Bars of the share of parts lost, guessed: {told}.",
    )


def pilot_shares(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Shares lost with their intervals, and plates lost by machine."""
    evidence = finding.evidence
    names, shares = list(map(str, evidence["names"])), 100 * evidence["shares"]
    machines, counts = list(map(str, evidence["machines"])), evidence["machine_lost"]
    figure.set_size_inches(6.3, 2.4)
    left, right = figure.subplots(1, 2, width_ratios=(3, 2))
    for place, (value, low, high) in enumerate(shares):
        left.plot([low, high], [place, place], color=MEASURED, linewidth=1.4, marker="|", markersize=9)
        left.plot(value, place, "o", color=MEASURED, markersize=4.5)
    left.set_yticks(range(len(names)), names)
    left.set_ylim(len(names) - 0.4, -0.6)
    left.set_xlim(0, max(5.0, 1.1 * float(shares.max())))
    left.set_xlabel("lost [%], interval at 95 %")
    shown = machines[:_MOST_MACHINES]
    right.barh(range(len(shown)), counts[: len(shown), 1], 0.6, facecolor=GREY, edgecolor=LINE, linewidth=0.6)
    right.barh(
        range(len(shown)), counts[: len(shown), 0], 0.6, facecolor="white", edgecolor=WRONG, hatch="////", linewidth=0.8
    )
    right.set_yticks(range(len(shown)), [_short(name) for name in shown], parse_math=False)
    right.invert_yaxis()
    right.set_xlabel("plates; hatched: lost")
    right.tick_params(axis="y", length=0)
    told = "; ".join(f"{name} {v:.2g} % ({a:.2g} to {b:.2g} %)" for name, (v, a, b) in zip(names, shares, strict=True))
    more = f" The first {_MOST_MACHINES} of {len(machines)} machines are drawn." if len(machines) > len(shown) else ""
    return (
        "What the pilot lost",
        f"Left: {told}. Right: plates by machine.{more}",
        f"Shares lost with intervals: {told}. Plates by machine: "
        + ", ".join(f"{bad} of {total} on {_short(name)}" for name, (bad, total) in zip(shown, counts, strict=False))
        + ".",
    )


def pilot_values(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Measured values by machine, with the tolerance."""
    evidence = finding.evidence
    values, machine, (low, high) = evidence["values"], evidence["machine"], evidence["bounds"]
    unit, what = str(evidence["unit"][0]), _short(str(evidence["what"][0]))
    used = np.unique(machine)
    shown = used[:_MOST_MACHINES]
    figure.set_size_inches(6.3, 2.6)
    axes = figure.add_subplot()
    for end in (low, high):
        if np.isfinite(end):
            axes.axhline(end, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    outside = (values < np.nan_to_num(low, nan=-np.inf)) | (values > np.nan_to_num(high, nan=np.inf))
    for place, one in enumerate(shown):
        own = np.flatnonzero(machine == one)
        # Side by side in the order they were written, so that equal values stay apart.
        at = place + np.linspace(-0.3, 0.3, len(own)) if len(own) > 1 else np.array([float(place)])
        axes.plot(at, values[own], "o", color=MEASURED, markersize=3.2)
        axes.plot(at[outside[own]], values[own][outside[own]], "x", color=WRONG, markersize=7, markeredgewidth=1.3)
        axes.plot([place - 0.36, place + 0.36], [values[own].mean()] * 2, color=MEASURED, linewidth=1.2)
    names = [_short(str(evidence["machines"][one])) for one in shown]
    axes.set_xticks(range(len(shown)), names, parse_math=False)
    axes.set_xlim(-0.6, len(shown) - 0.4)
    axes.set_ylabel("value" if unit == "-" else f"value [{unit}]", parse_math=False)
    bounds = " and ".join(f"{end:g}" for end in (low, high) if np.isfinite(end))
    tolerance = f" Dashed: the tolerance, {bounds} {unit}." if bounds else ""
    more = f" The first {_MOST_MACHINES} of {len(used)} machines are drawn." if len(used) > len(shown) else ""
    return (
        f"Values of {what} by machine",
        f"Dots are parts in the order they were written, lines the mean of each machine.{tolerance} Crossed: "
        f"outside.{more}",
        f"{len(values)} values of {what} by machine, from {values.min():.4g} to {values.max():.4g} {unit}, "
        f"{int(outside.sum())} outside the tolerance.{tolerance}",
    )


def _span(low: float, high: float) -> str:
    """Two shares in words [%]."""
    return "below 0.01 %" if high < 0.01 else f"{max(0.0, round(low, 2)):.2g} to {high:.2g} %"


def _short(words: str) -> str:
    return words if len(words) <= _LETTERS else f"{words[: _LETTERS - 1]}…"
