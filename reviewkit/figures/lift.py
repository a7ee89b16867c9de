"""PR-09: corners that lift."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text, to_scale
from reviewkit.model import Finding

# More labels than this hide the part.
_LABELLED = 4


def corner_lift(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The first layer with its corners, larger the farther they are from the middle, those that may lift told apart."""
    evidence = finding.evidence
    outline, corners = evidence["outline"], evidence["corners"]
    reach, lifting, middle = evidence["reach_mm"], evidence["lifting"] > 0, evidence["middle"][0]
    axes = figure.add_subplot()
    fill_rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.5, hatch="////")
    axes.plot(*middle, "+", color=INK, markersize=8, label="middle of the contact")
    size = 4 + 5 * reach / max(float(reach.max(initial=0.0)), 1e-9)
    kinds = ((lifting, "^", WRONG, "corner that may lift"), (~lifting, "o", MEASURED, "other corner"))
    for chosen, marker, colour, words in kinds:
        for n, place in enumerate(np.flatnonzero(chosen)):
            axes.plot(
                *corners[place],
                marker,
                color=colour,
                markersize=size[place],
                markerfacecolor="white",
                label="" if n else words,
            )
    for place in np.flatnonzero(lifting)[:_LABELLED]:
        axes.plot(*np.array([middle, corners[place]]).T, color=WRONG, linewidth=0.7, linestyle=(0, (3, 2)))
        at = middle + 0.6 * (corners[place] - middle)
        style = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
        text(axes, at[0], at[1], f"{reach[place]:.0f} mm", fontsize=7, ha="center", va="center", bbox=style)
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    to_scale(figure, axes, np.nanmin(outline, axis=0), np.nanmax(outline, axis=0))
    count = int(lifting.sum())
    told = f"{count} of {len(corners)} corners may lift" if len(corners) else "the outer outline has no corner"
    return (
        "Corners on the plate and how far they reach",
        "Grey: what lies on the plate. Triangles: corners that may lift, with their distance from the middle of the "
        "contact; circles: corners that are round or near enough. Larger marks are farther out.",
        f"Plan of the first layer with its corners marked; {told}"
        + (f", the farthest {reach[lifting].max():.0f} mm from the middle of the contact." if count else "."),
    )
