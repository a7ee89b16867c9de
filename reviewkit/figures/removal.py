"""PR-08: how the part is pushed off."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, to_scale
from reviewkit.model import Finding


def push_plan(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """First layer and outline from above with the best sweep direction, pockets and thin pieces."""
    evidence = finding.evidence
    first, outline = evidence["first_layer"], evidence["outline"]
    front, angle_deg = evidence["front"][0], float(evidence["angle_deg"][0])
    face_low, face_high = evidence["face_mm"]
    axes = figure.add_subplot()
    fill_rings(axes, outline, facecolor="white", edgecolor=LINE, linewidth=0.5)
    fill_rings(axes, first, facecolor=GREY, edgecolor=LINE, linewidth=0.4, hatch="////")
    low, high = np.nanmin(outline, axis=0), np.nanmax(outline, axis=0)
    low, high = np.minimum(low, np.nanmin(first, axis=0)), np.maximum(high, np.nanmax(first, axis=0))
    length = 0.16 * float((high - low).max())
    ahead = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    across = np.array([-ahead[1], ahead[0]])
    blade = front - 0.06 * length * ahead
    edge = np.array([blade - 0.7 * length * across, blade + 0.7 * length * across])
    axes.plot(*edge.T, color=MEASURED, linewidth=2.2, solid_capstyle="butt")
    axes.annotate(
        "",
        xy=blade,
        xytext=blade - length * ahead,
        arrowprops={"arrowstyle": "-|>", "color": MEASURED, "linewidth": 1.6, "shrinkA": 0.0, "shrinkB": 0.0},
    )
    axes.plot(*evidence["mass_centre"][0], "+", color=INK, markersize=8, label="mass centre")
    shown = []
    for name, marker, words in (
        ("pockets", "v", "hollow that faces the blade"),
        ("tabs", "D", "thin piece in its way"),
    ):
        if len(points := evidence[name]):
            axes.plot(*points.T, marker, color=WRONG, markersize=5, markerfacecolor="white", label=words)
            shown.append(f"{words} ({len(points)})")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    around = np.vstack([edge, [blade - length * ahead]])
    to_scale(figure, axes, np.minimum(low, around.min(axis=0)), np.maximum(high, around.max(axis=0)))
    return (
        "How it is pushed off the plate",
        f"Grey: what lies on the plate; white: the part at its widest. Blue: the blade and the way it moves, at "
        f"{angle_deg:.0f}° from x; it meets the part between {face_low:.3g} and {face_high:.3g} mm high.",
        f"Plan of the first layer and of the part's outline with an arrow for the sweep at {angle_deg:.0f} degrees "
        f"from x, which meets the part between {face_low:.3g} and {face_high:.3g} mm high."
        + (f" Marked: {', '.join(shown)}." if shown else " Nothing hooks or breaks from that side."),
    )
