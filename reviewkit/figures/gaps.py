"""PR-05 and PR-10: the layer with the narrowest gap, or the smallest detail, whole and close up."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from reviewkit.figures.style import GREY, INK, LINE, WRONG, fill_rings
from reviewkit.model import Finding, Floats

_WIDTH_IN, _LEAST_HIGH_IN, _MOST_HIGH_IN = 6.3, 2.5, 4.4
_CLOSE_SHARE = 0.42
_PALE = "#efefec"


def gap_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The layer with the narrowest gap, the gaps marked, and the worst close up."""
    evidence = finding.evidence
    gaps = evidence["gaps"]
    whole, close = _two_views(figure, evidence["outline"], evidence["zoom"])
    whole.add_collection(LineCollection(list(gaps), colors=WRONG, linewidths=1.4, rasterized=len(gaps) > 2000))
    close.add_collection(LineCollection(list(gaps), colors=WRONG, linewidths=1.0, rasterized=len(gaps) > 2000))
    z_mm, count, worst_mm = (float(evidence[name][0]) for name in ("layer_z_mm", "gap_count", "worst_mm"))
    places = "one place" if count == 1 else f"{count:.0f} places"
    return (
        f"Gaps in the layer at {z_mm:.2f} mm above the plate",
        f"Grey: the layer to scale. Strokes across the air: {places} too narrow in this layer. Right: the worst, "
        f"{worst_mm:.2f} mm wide, in the frame drawn on the left.",
        f"Section of the part {z_mm:.2f} mm above the plate with {places} marked by strokes across the gap, and a "
        f"close-up of the worst, {worst_mm:.2f} mm wide.",
    )


def detail_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The layer with the smallest detail, all such detail hatched, and the worst close up."""
    evidence = finding.evidence
    whole, close = _two_views(figure, evidence["outline"], evidence["zoom"], evidence["below"])
    for axes in (whole, close):
        fill_rings(axes, evidence["details"], facecolor="white", edgecolor=WRONG, linewidth=0.8, hatch="//////")
    z_mm, count, worst_mm = (float(evidence[name][0]) for name in ("layer_z_mm", "detail_count", "worst_mm"))
    places = "one place" if count == 1 else f"{count:.0f} places"
    return (
        f"Small detail in the layer at {z_mm:.2f} mm above the plate",
        f"Grey: the layer to scale, pale: the one below. Hatched: {places} with detail too small. "
        f"Right: the worst, {worst_mm:.2f} mm "
        "wide, in the frame drawn on the left.",
        f"Section of the part {z_mm:.2f} mm above the plate with {places} hatched, and a close-up of the worst, "
        f"{worst_mm:.2f} mm wide.",
    )


def _two_views(figure: Figure, outline: Floats, zoom: Floats, below: Floats | None = None) -> tuple[Axes, Axes]:
    """The whole layer to scale on the left, what lies in a frame on the right, and the layer below in pale grey."""
    every = outline if below is None else np.vstack([outline, below])
    low, high = np.nanmin(every, axis=0), np.nanmax(every, axis=0)
    # A frame may reach beyond a small part.
    low, high = np.minimum(low, zoom[0]), np.maximum(high, zoom[1])
    pad = 0.04 * float((high - low).max())
    shape = float((high[1] - low[1] + 2 * pad) / (high[0] - low[0] + 2 * pad))
    high_in = float(np.clip(_WIDTH_IN * (1 - _CLOSE_SHARE) * shape + 0.6, _LEAST_HIGH_IN, _MOST_HIGH_IN))
    figure.set_size_inches(_WIDTH_IN, high_in)
    whole, close = figure.subplots(1, 2, width_ratios=[1 - _CLOSE_SHARE, _CLOSE_SHARE])
    for axes in (whole, close):
        if below is not None and len(below):
            fill_rings(axes, below, facecolor=_PALE, edgecolor=LINE, linewidth=0.3)
        fill_rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.5)
        axes.set_aspect("equal")
    whole.set_xlim(low[0] - pad, high[0] + pad)
    whole.set_ylim(low[1] - pad, high[1] + pad)
    whole.set_xlabel("x on the plate [mm]")
    whole.set_ylabel("y [mm]")
    close.set_xlim(*zoom[:, 0])
    close.set_ylim(*zoom[:, 1])
    close.set_xlabel("x on the plate [mm]")
    for side in ("top", "right"):
        close.spines[side].set_visible(True)
    whole.add_patch(Rectangle(zoom[0], *(zoom[1] - zoom[0]), fill=False, edgecolor=INK, linewidth=0.8))
    return whole, close
