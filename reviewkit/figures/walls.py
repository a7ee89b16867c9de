"""PR-04: walls, floors and roofs."""

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, WRONG, fill_rings, to_scale
from reviewkit.model import Finding


def wall_widths(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Wall surface by thickness with the limits drawn."""
    return _widths(finding, figure, "Wall thickness", "wall surface")


def skin_thickness(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Floor and roof surface by thickness with the limits drawn."""
    return _widths(finding, figure, "Thickness of floors and roofs", "surface")


def _widths(finding: Finding, figure: Figure, title: str, noun: str) -> tuple[str, str, str]:
    edges, area = finding.evidence["bin_edges_mm"], finding.evidence["bin_area_mm2"]
    thicker = float(finding.evidence["thicker_area_mm2"][0])
    figure.set_size_inches(6.3, 2.4)
    axes = figure.add_subplot()
    strictest = max((limit.value for limit in finding.limits), default=0.0)
    below = edges[1:] <= strictest + 1e-9
    width = np.diff(edges)
    axes.bar(edges[:-1][~below], area[~below], width[~below], align="edge", color=GREY, edgecolor=LINE, linewidth=0.5)
    axes.bar(
        edges[:-1][below],
        area[below],
        width[below],
        align="edge",
        color="white",
        edgecolor=WRONG,
        linewidth=0.8,
        hatch="////",
    )
    top = float(area.max(initial=1.0)) * 1.1
    for limit in finding.limits:
        axes.axvline(limit.value, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        axes.annotate(
            f"{limit.value:.3g}", (limit.value, top), (0, 2), textcoords="offset points", ha="center", fontsize=7
        )
    axes.set_ylim(0, top)
    axes.set_xlim(0, edges[-1])
    axes.set_xlabel("thickness [mm]")
    axes.set_ylabel(f"{noun} [mm²]")
    bounds = " and ".join(limit.words for limit in finding.limits)
    return (
        title,
        f"Dashed: {bounds}. Hatched: thinner than wanted. Not drawn: {thicker:.0f} mm² thicker than {edges[-1]:g} mm.",
        f"Bar chart of {noun} by thickness from 0 to {edges[-1]:g} mm; limits {bounds}; "
        f"{area[below].sum():.0f} mm² lie below {strictest:.3g} mm, {area[~below].sum() + thicker:.0f} mm² above.",
    )


def worst_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """One layer to scale with its thin places."""
    evidence = finding.evidence
    outline, z_mm = evidence["outline"], float(evidence["layer_z_mm"][0])
    thin, opposite, widths = evidence["thin_points"], evidence["thin_opposite"], evidence["thin_width_mm"]
    axes = figure.add_subplot()
    fill_rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.4)
    across = np.stack([thin, opposite], axis=1)
    axes.add_collection(LineCollection(list(across), colors=WRONG, linewidths=1.0, rasterized=len(across) > 2000))
    low, high = np.nanmin(outline, axis=0), np.nanmax(outline, axis=0)
    to_scale(figure, axes, low, high)
    narrowest = float(widths.min())
    widest = float(widths.max())
    span = f"{narrowest:.2f} mm" if widest - narrowest < 0.005 else f"{narrowest:.2f} to {widest:.2f} mm"
    return (
        f"Layer at {z_mm:.2f} mm above the plate",
        f"Grey: the layer to scale. Strokes across the walls: places found, {span} wide here.",
        f"Section of the part {z_mm:.2f} mm above the plate with the thin places marked by strokes; widths {span}.",
    )
