"""PR-12: sizes that must fit, and holes for inserts and screws."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text
from reviewkit.model import Finding, Floats


def fit_interval(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The sizes that a drawn size comes out at, against the tolerance."""
    evidence = finding.evidence
    wanted, made, bulged, after = (evidence[n] for n in ("wanted_mm", "made_mm", "at_plate_mm", "after_mm"))
    drawn_mm, to_draw_mm = float(evidence["drawn_mm"][0]), float(evidence["to_draw_mm"][0])
    rows: list[tuple[str, Floats, float | None]] = [(f"drawn {drawn_mm:.2f} mm", made, drawn_mm)]
    if len(bulged):
        rows.append(("the same at the plate", bulged, None))
    if abs(to_draw_mm - drawn_mm) > 1e-6:
        rows.append((f"drawn {to_draw_mm:.2f} mm", after, to_draw_mm))
    figure.set_size_inches(6.3, 0.9 + 0.42 * len(rows))
    axes = figure.add_subplot()
    ends = np.concatenate([wanted[~np.isnan(wanted)], evidence["nominal_mm"], *(interval for _, interval, _ in rows)])
    low, high = ends.min(), ends.max()
    pad = 0.08 * (high - low)
    left = low - 2 * pad if np.isnan(wanted[0]) else wanted[0]
    right = high + 2 * pad if np.isnan(wanted[1]) else wanted[1]
    axes.axvspan(left, right, facecolor=GREY, edgecolor="none", zorder=0)
    for edge in wanted[~np.isnan(wanted)]:
        axes.axvline(edge, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    for row, (name, interval, mark) in enumerate(rows):
        _bar(axes, -row, interval, left, right)
        if mark is not None:
            axes.plot([mark], [-row], "|", color="white", markersize=25, markeredgewidth=3.6)
            axes.plot([mark], [-row], "|", color=INK, markersize=24, markeredgewidth=1.6)
        text(axes, low - 1.3 * pad, -row, name, ha="right", va="center", fontsize=7.5)
    axes.set_xlim(low - pad, high + pad)
    axes.set_ylim(-len(rows) + 0.4, 0.6)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("size [mm]")
    asked = _asked(wanted)
    then = (
        f"; drawn {to_draw_mm:.2f} mm it would come out at {_span(after)}" if abs(to_draw_mm - drawn_mm) > 1e-6 else ""
    )
    plate = f", near the plate {_span(bulged)}" if len(bulged) else ""
    return (
        "Size as it comes out of the process",
        f"Grey: what is asked, {asked}. Bars: sizes expected, hatched where outside. Upright strokes: sizes drawn.",
        f"Bars of the sizes expected against {asked}: drawn {drawn_mm:.2f} mm it comes out at "
        f"{_span(made)}{plate}{then}.",
    )


def boss_section(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """A hole for an insert or a screw, cut across and along, to scale."""
    evidence = finding.evidence
    half, hole, hardware, edge, wall, depth = (
        float(evidence[f"{name}_mm"][0]) for name in ("half", "hole", "hardware", "edge", "wall", "depth")
    )
    figure.set_size_inches(6.3, 3.4)
    for place, name in enumerate(("across", "along")):
        axes = figure.add_subplot(1, 2, place + 1)
        if len(evidence[name]):
            fill_rings(axes, evidence[name], facecolor=GREY, edgecolor=LINE, linewidth=0.5, hatch="////")
        axes.set_xlim(-half, half)
        axes.set_ylim(-half, half)
        axes.set_aspect("equal")
        axes.set_xlabel(f"{name} the hole [mm]")
        if name == "across":
            axes.add_patch(
                Circle((0, 0), hardware / 2, facecolor="none", edgecolor=MEASURED, linewidth=1.2, linestyle=(0, (5, 3)))
            )
            _arrow(axes, (0.0, 0.0), (edge, 0.0), f"centre to the nearest edge {edge:.2f} mm")
        else:
            axes.add_patch(
                Rectangle(
                    (-hardware / 2, -depth / 2), hardware, depth,
                    facecolor="none", edgecolor=MEASURED, linewidth=1.2, linestyle=(0, (5, 3)),
                )
            )  # fmt: skip
            _arrow(axes, (0.0, -depth / 2), (0.0, depth / 2), f"depth {depth:.2f} mm")
    return (
        "The hole with the matter around it",
        f"Cut across and along the hole, towards the nearest edge, to scale. Dashed: {hardware:g} mm, the width of "
        f"what goes in. The hole is drawn {hole:.2f} mm wide, the thinnest wall beside it is {wall:.2f} mm.",
        f"Two sections to scale of a hole {hole:.2f} mm wide and {depth:.2f} mm deep for a part {hardware:g} mm wide; "
        f"its centre is {edge:.2f} mm from the nearest edge, the thinnest wall is {wall:.2f} mm.",
    )


def _bar(axes: Axes, y: float, interval: Floats, left: float, right: float) -> None:
    """One expected interval: full inside the tolerance, hatched outside."""
    low, high = float(interval[0]), float(interval[1])
    inner = (max(low, left), min(high, right))
    outer = [(low, min(high, left)), (max(low, right), high)]
    if inner[1] > inner[0]:
        axes.barh(y, inner[1] - inner[0], 0.42, left=inner[0], color=MEASURED)
    for start, stop in outer:
        if stop > start:
            axes.barh(
                y, stop - start, 0.42, left=start, facecolor="white", edgecolor=WRONG, linewidth=0.9, hatch="////"
            )


def _arrow(axes: Axes, start: tuple[float, float], stop: tuple[float, float], words: str) -> None:
    """A measured length, its words above the drawing."""
    axes.annotate(
        "", stop, start, arrowprops={"arrowstyle": "<->", "color": INK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0}
    )
    text(axes, 0.5, 1.02, words, ha="center", va="bottom", fontsize=7.5, transform=axes.transAxes)


def _asked(wanted: Floats) -> str:
    if np.isnan(wanted).all():
        return "no tolerance"
    if np.isnan(wanted[0]):
        return f"{wanted[1]:.2f} mm or less"
    return f"{wanted[0]:.2f} mm or more" if np.isnan(wanted[1]) else _span(wanted)


def _span(interval: Floats) -> str:
    return f"{interval[0]:.2f} to {interval[1]:.2f} mm"
