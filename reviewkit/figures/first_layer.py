"""PR-03: the first layer."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, LINE, MEASURED, WRONG, fill_rings, to_scale
from reviewkit.model import Finding


def first_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The first layer to scale over the disc of the same area."""
    evidence = finding.evidence
    outline, disc = evidence["outline"], evidence["disc"]
    axes = figure.add_subplot()
    fill_rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.5, hatch="////")
    axes.plot(*disc.T, color=MEASURED, linewidth=1.2, linestyle=(0, (5, 3)))
    marks = (
        ("corners", "^", "very sharp corner"),
        ("lost", "x", "too narrow to draw"),
        ("neck", "D", "narrowest neck"),
    )
    shown = []
    for name, marker, words in marks:
        if len(points := evidence[name]):
            axes.plot(*points.T, marker, color=WRONG, markersize=5, markerfacecolor="white", label=words)
            shown.append(words)
    if shown:
        axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.18), ncols=3)
    both = np.vstack([outline, disc])
    to_scale(figure, axes, np.nanmin(both, axis=0), np.nanmax(both, axis=0))
    own_mm, disc_mm = evidence["outline_mm"][0], evidence["disc_outline_mm"][0]
    return (
        "First layer",
        f"Grey: what lies on the plate, {own_mm:.0f} mm of outline. Dashed: the disc of that area, {disc_mm:.0f} mm.",
        f"Drawing to scale of the first layer, {own_mm:.0f} mm of outline, against a disc of the same area with "
        f"{disc_mm:.0f} mm; compactness {evidence['quotient'][0]:.2g}, a disc has 1."
        + (f" Marked: {', '.join(shown)}." if shown else ""),
    )
