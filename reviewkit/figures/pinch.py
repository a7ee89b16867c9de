"""SA-02: a gap over the stroke of what closes it."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG
from reviewkit.model import Finding

_DASHES = ((0, (4, 2)), (0, (1, 1.5)), (0, (4, 1.5, 1, 1.5)))


def gap_over_stroke(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Size of the gap over the stroke, with the bands in which a finger is caught."""
    evidence = finding.evidence
    stroke, gap, bands = evidence["stroke"], evidence["gap_mm"], evidence["bands_mm"]
    rules = [str(rule) for rule in evidence["rules"]]
    spread = float(evidence["spread_mm"][0])
    unit = "degrees" if evidence["turns"][0] else "mm"
    figure.set_size_inches(6.3, 2.8)
    axes = figure.add_subplot()
    axes.axhspan(bands.min(), bands.max(), facecolor=GREY, edgecolor=LINE, linewidth=0.0, alpha=0.5, hatch="////")
    for rule, (low, high), dashes in zip(rules, bands, _DASHES, strict=False):
        for bound in (low, high):
            axes.axhline(bound, color=INK, linewidth=0.8, linestyle=dashes)
        # The label stands on the upper bound, those of narrower bands below it.
        axes.annotate(
            f"{rule}: {low:.3g} to {high:.3g} mm",
            (1.0, high),
            xycoords=("axes fraction", "data"),
            xytext=(4, -6 if high < bands.max() else 2),
            textcoords="offset points",
            fontsize=7,
            color=INK,
        )
    within = ((gap[:, None] >= bands[:, 0]) & (gap[:, None] < bands[:, 1])).any(axis=1)
    axes.fill_between(stroke, gap - spread, gap + spread, color=MEASURED, alpha=0.18, linewidth=0.0)
    axes.plot(stroke, gap, color=MEASURED, linewidth=1.4, label="gap")
    axes.plot(stroke[within], gap[within], "o", color=WRONG, markersize=3.5, label="in a band")
    top = max(float(bands.max()), float(np.nanmax(gap)))
    axes.set_ylim(0, 1.12 * top)
    axes.set_xlim(float(stroke.min()), float(stroke.max()))
    axes.set_xlabel(f"stroke from the part as drawn [{unit}]")
    axes.set_ylabel("gap [mm]")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    told = " and ".join(f"{low:.3g} to {high:.3g} mm ({rule})" for rule, (low, high) in zip(rules, bands, strict=True))
    least, most = float(np.nanmin(gap)), float(np.nanmax(gap))
    return (
        "Gap over the stroke",
        f"Blue: the largest ball that enters, with what printed gaps vary by. Hatched: {told}, where a finger gets in "
        "and is caught.",
        f"Curve of the gap from {stroke[0]:.3g} to {stroke[-1]:.3g} {unit} of stroke, between {least:.3g} and "
        f"{most:.3g} mm; the hatched {'bands are' if len(bands) > 1 else 'band is'} {told}.",
    )
