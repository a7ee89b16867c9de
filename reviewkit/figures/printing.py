"""PD-01 and PD-02: where the minutes and the grams go."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, LINE, MEASURED
from reviewkit.measure.printing import TIME_KINDS, VOLUME_KINDS
from reviewkit.model import Finding, Floats

_MINUTE_S = 60.0
# Smaller numbers are not written out.
_SHOWN = 0.1
# Bars that differ in lightness and in hatch, so that paper and every eye tell them apart.
_ALONE = {"facecolor": "white", "edgecolor": LINE, "hatch": "////", "linewidth": 0.6}
_FULL = {"facecolor": "#9a9a96", "edgecolor": LINE, "linewidth": 0.6}
_PLAIN = {"facecolor": GREY, "edgecolor": LINE, "hatch": "////", "linewidth": 0.6}


def minutes_by_kind(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Minutes of one part by what they go into, alone on a plate and on a full one."""
    evidence = finding.evidence
    alone, full = evidence["alone_s"] / _MINUTE_S, evidence["full_s"] / _MINUTE_S
    copies, half = int(evidence["copies"][0]), evidence["half_width_s"] / _MINUTE_S
    figure.set_size_inches(6.3, 4.0 if copies > 1 else 3.2)
    axes = figure.add_subplot()
    if copies > 1:
        thick = 0.38
        _bars(axes, alone, -thick / 2, thick, "alone on a plate", _ALONE)
        _bars(axes, full, thick / 2, thick, f"share of one part on a plate of {copies}", _FULL)
        axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    else:
        _bars(axes, alone, 0.0, 0.6, "", _PLAIN)
    _finish(axes, TIME_KINDS, "minutes for one part")
    largest = TIME_KINDS[int(np.argmax(full))]
    told = f"{alone.sum():.0f} min alone on a plate, give or take {half[0]:.0f} min"
    if copies > 1:
        told += f"; {full.sum():.0f} min on a plate of {copies}, give or take {half[1]:.0f} min"
    return (
        "Where the minutes go",
        f"Print time of one part: {told}. What happens once a plate, and waiting for layers to cool, is shared by all "
        "copies on it.",
        f"Bars of the minutes that go into {', '.join(TIME_KINDS)}; {told}. The longest is {largest}.",
    )


def mass_by_kind(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Grams of one part in outline passes, solid layers and core fill, beside what it would weigh solid."""
    evidence = finding.evidence
    grams, half = evidence["mass_g"], float(evidence["half_width_g"][0])
    total, solid = float(grams.sum()), float(evidence["solid_g"][0])
    figure.set_size_inches(6.3, 2.4)
    axes = figure.add_subplot()
    kinds = (*VOLUME_KINDS, "together", "if solid")
    values = np.array([*grams, total, solid])
    _bars(axes, values, 0.0, 0.6, "", _PLAIN, beyond=half)
    axes.errorbar(total, len(grams), xerr=half, color=MEASURED, capsize=3, linewidth=1.2)
    _finish(axes, kinds, "grams of one part")
    told = f"{total:.3g} g, give or take {half:.2g} g, against {solid:.3g} g if it were solid"
    return (
        "Where the plastic goes",
        f"Mass of one part: {told}. The blue line is the half-width of the estimate.",
        f"Bars of the grams in {', '.join(VOLUME_KINDS)}: {', '.join(f'{value:.3g}' for value in grams)}; {told}.",
    )


def _bars(
    axes: Axes, values: Floats, shift: float, thick: float, label: str, style: Mapping[str, Any], beyond: float = 0.0
) -> None:
    """Lying bars, one a kind, each with its number behind it, farther out by the half-width of the sum."""
    axes.barh(np.arange(len(values)) + shift, values, thick, label=label or None, **style)
    for place, value in enumerate(values):
        if value > 0:
            words = f"{value:.0f}" if value >= 99.5 else f"{value:.1f}" if value >= _SHOWN else f"< {_SHOWN:g}"
            end = value + (beyond if place == len(VOLUME_KINDS) else 0.0)
            axes.annotate(words, (end, place + shift), (4, 0), textcoords="offset points", va="center", fontsize=7)


def _finish(axes: Axes, kinds: tuple[str, ...], label: str) -> None:
    """Names of the kinds from the top down, and the axis."""
    axes.set_yticks(range(len(kinds)), kinds)
    axes.invert_yaxis()
    axes.margins(x=0.1)
    axes.set_xlabel(label)
    axes.tick_params(axis="y", length=0)
