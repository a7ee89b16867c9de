"""PR-01: the plate."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import INK, LINE, MEASURED, WRONG, to_scale
from reviewkit.model import Finding


def plate_fit(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The plate from above: the part as it fits best, as sent, and as large as it could be."""
    evidence = finding.evidence
    turn_deg, scale, scale_deg = (float(evidence[n][0]) for n in ("best_deg", "largest_scale", "largest_deg"))
    axes = figure.add_subplot()
    axes.plot(*evidence["plate"].T, color=INK, linewidth=1.2)
    axes.plot(*evidence["margin"].T, color=LINE, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.fill(*evidence["best"].T, facecolor="#f0f0ee", edgecolor="none")
    axes.plot(*evidence["best_lines"].T, color=INK, linewidth=0.5)
    axes.plot(*evidence["best"].T, color=INK, linewidth=0.6)
    axes.plot(*evidence["largest"].T, color=MEASURED, linewidth=1.0, linestyle=(0, (5, 3)))
    as_sent = abs(turn_deg) < 1e-9
    if not as_sent:
        axes.plot(*evidence["unturned"].T, color=WRONG, linewidth=0.9, linestyle=(0, (3, 2)))
    every = np.vstack([evidence[name] for name in ("plate", "best", "largest", "unturned")])
    to_scale(figure, axes, every.min(axis=0), every.max(axis=0), width_in=4.6)
    plate_mm = np.ptp(evidence["plate"], axis=0)
    sent = "" if as_sent else " Dashed orange: its outline as sent."
    grown = f"{scale:.2f} times its size at {scale_deg:.0f}°"
    return (
        "The plate from above",
        f"Part in its outline, turned {turn_deg:.0f}°, inside the plate of {plate_mm[0]:.0f} by {plate_mm[1]:.0f} mm "
        f"and its margin (dotted).{sent} Dashed blue: the largest that would fit, {grown}.",
        f"Plan of the plate, {plate_mm[0]:.0f} by {plate_mm[1]:.0f} mm, with the part turned {turn_deg:.0f} degrees; "
        f"the largest part of this shape that fits is {grown}.",
    )
