"""PR-06: what is printed over nothing."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, to_scale
from reviewkit.model import Finding


def overhang_map(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Down-facing surface by angle, the bands drawn."""
    edges, area = finding.evidence["bin_edges_deg"], finding.evidence["bin_area_mm2"]
    mild, steep = (float(angle) for angle in finding.evidence["bands_deg"])
    share = 100 * area / float(finding.evidence["surface_mm2"][0])
    middles, width = (edges[:-1] + edges[1:]) / 2, np.diff(edges)
    looks: tuple[tuple[NDArray[np.bool_], dict[str, Any], str], ...] = (
        (middles < mild, {"facecolor": GREY, "edgecolor": LINE}, f"up to {mild:g}°: prints"),
        ((middles > mild) & (middles < steep), {"facecolor": "white", "edgecolor": LINE, "hatch": "///"},
         f"{mild:g}° to {steep:g}°: rough"),
        (middles > steep, {"facecolor": "white", "edgecolor": WRONG, "hatch": "xxx"},
         f"over {steep:g}°: only as a bridge or a short ledge"),
    )  # fmt: skip
    figure.set_size_inches(6.3, 2.5)
    axes = figure.add_subplot()
    for chosen, look, words in looks:
        axes.bar(edges[:-1][chosen], share[chosen], width[chosen], align="edge", linewidth=0.7, label=words, **look)
    top = float(share.max(initial=0.1)) * 1.15
    for angle in (mild, steep):
        axes.axvline(angle, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.set_xlim(0, 90)
    axes.set_ylim(0, top)
    axes.set_xticks(np.arange(0, 91, 15))
    axes.set_xlabel("angle of the underside from the vertical [°]: wall 0, ceiling 90")
    axes.set_ylabel("share of the surface [%]")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, 1.16), ncols=3, borderaxespad=0.0)
    parts = [f"{share[chosen].sum():.2g} % {words}" for chosen, _, words in looks]
    return (
        "Undersides by angle",
        f"How much of the part's surface faces down, by its angle; what lies on the plate is left out. Dashed: "
        f"{mild:g}° and {steep:g}°.",
        "Bar chart of the share of the surface that faces down, by angle from the vertical: " + "; ".join(parts) + ".",
    )


def midair_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The worst layer to scale over the layer below it."""
    evidence = finding.evidence
    z_mm, area_mm2 = float(evidence["layer_z_mm"][0]), float(evidence["in_air_mm2"][0])
    below, here, air, longest = (evidence[name] for name in ("below", "here", "in_air", "longest"))
    axes = figure.add_subplot()
    if len(below):
        fill_rings(axes, below, facecolor=GREY, edgecolor=LINE, linewidth=0.5)
    fill_rings(axes, here, facecolor="none", edgecolor=INK, linewidth=0.7)
    fill_rings(axes, air, facecolor="none", edgecolor=WRONG, linewidth=0.9, hatch="////")
    line = ""
    if np.isfinite(longest).all():
        span_mm = float(evidence["longest_mm"][0])
        axes.plot(*longest.T, color=MEASURED, linewidth=1.4, marker="|", markersize=7)
        line = f" Blue: the longest line in the air held at both ends, {span_mm:.3g} mm."
    every = np.vstack([outline for outline in (below, here) if len(outline)])
    to_scale(figure, axes, np.nanmin(every, axis=0), np.nanmax(every, axis=0))
    return (
        f"Layer at {z_mm:.2f} mm above the plate",
        f"Grey: the layer below. Black: this layer. Hatched: what of it lies over nothing, {area_mm2:.3g} mm².{line}",
        f"Section to scale {z_mm:.2f} mm above the plate over the layer below it; {area_mm2:.3g} mm² of it lie over "
        f"nothing.{line}",
    )
