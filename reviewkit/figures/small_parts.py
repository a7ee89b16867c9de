"""SA-04 and SA-07: a body in the small-parts cylinder, and a neck with the piece that it holds."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text
from reviewkit.model import Finding, Floats

_LOADS = ("pull", "push", "twist", "side pull")


def cylinder_fit(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The hull as it lies in the cylinder, from the side, from the front and from above."""
    evidence = finding.evidence
    diameter, deep, shallow = (float(size) for size in evidence["cylinder_mm"])
    margin = float(evidence["margin_mm"][0])
    radius, middle = diameter / 2, (deep + shallow) / 2
    fits = margin > 0
    colour = WRONG if fits else MEASURED
    views = (
        ("from the side", "side", (0, 2), np.array([(-radius, 0), (-radius, -shallow), (radius, -deep), (radius, 0)])),
        (
            "from the front",
            "front",
            (1, 2),
            np.array([(-radius, 0), (-radius, -middle), (np.nan, np.nan), (radius, -middle), (radius, 0)]),
        ),
    )
    points = np.vstack([evidence["side"], evidence["front"], [(-radius, -deep), (radius, 0)]])
    low, high = points.min(axis=0) - 3.0, points.max(axis=0) + 3.0
    figure.set_size_inches(6.3, 3.3)
    grid = figure.add_gridspec(1, 3)
    for column, (title, name, plane, wall) in enumerate(views):
        axes = figure.add_subplot(grid[0, column])
        _body(axes, evidence[name], evidence["edges"][:, :, plane], colour)
        axes.plot(*wall.T, color=INK, linewidth=1.4, zorder=3)
        if name == "front":
            # The floor's rim: its deep half in front, its shallow half behind.
            for begin, style in ((0.0, "-"), (np.pi, (0, (3, 2)))):
                turn = np.linspace(begin, begin + np.pi, 61)
                rim = -middle - (deep - shallow) / 2 * np.sin(turn)
                axes.plot(radius * np.cos(turn), rim, color=INK, linewidth=1.4 if begin == 0 else 0.7, linestyle=style)
        _plain(axes, low, high, title)
        if name == "side":
            _triad(axes, evidence["axes"][:, plane], low)
    axes = figure.add_subplot(grid[0, 2])
    turn = np.linspace(0, 2 * np.pi, 121)
    _body(axes, evidence["above"], evidence["edges"][:, :, (0, 1)], colour)
    axes.plot(radius * np.cos(turn), radius * np.sin(turn), color=INK, linewidth=1.4)
    around = np.vstack([evidence["above"], [(-radius, -radius), (radius, radius)]])
    half = (high - low)[1] / 2
    centre = (around.min(axis=0) + around.max(axis=0)) / 2
    left, right = around[:, 0].min() - 3.0, around[:, 0].max() + 3.0
    _plain(axes, np.array([left, centre[1] - half]), np.array([right, centre[1] + half]), "from above")
    said = f"fits with {margin:.2g} mm to spare" if fits else f"stands out by {-margin:.3g} mm at best"
    return (
        "In the small-parts cylinder",
        f"Cylinder {diameter:.4g} mm across, {shallow:.4g} mm deep on one side and {deep:.4g} mm on the other. Grey "
        f"with hatch: the hull of the body in the orientation that suits it best, its edges within; it {said}. x, y "
        "and z are the part's own directions.",
        f"Three views of the hull in the small-parts cylinder, from the side, the front and above: it {said}.",
    )


def held_piece(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Section of the thinnest neck, the piece beyond it, and stress against strength for each load."""
    evidence = finding.evidence
    figure.set_size_inches(6.3, 2.6)
    grid = figure.add_gridspec(1, 3, width_ratios=(0.8, 1.1, 1.3))
    section = evidence["section"]
    axes = figure.add_subplot(grid[0, 0])
    fill_rings(axes, section, facecolor=GREY, edgecolor=INK, linewidth=0.8, hatch="////")
    low, high = np.nanmin(section, axis=0), np.nanmax(section, axis=0)
    wide, thick = high - low
    axes.annotate("", xy=(low[0], low[1] - 0.12 * wide), xytext=(high[0], low[1] - 0.12 * wide), arrowprops=_ARROW)
    text(axes, (low[0] + high[0]) / 2, low[1] - 0.17 * wide, f"{wide:.2g} mm", ha="center", va="top", color=MEASURED)
    axes.annotate("", xy=(low[0] - 0.12 * wide, low[1]), xytext=(low[0] - 0.12 * wide, high[1]), arrowprops=_ARROW)
    text(axes, low[0] - 0.17 * wide, (low[1] + high[1]) / 2, f"{thick:.2g} mm", ha="right", va="center", color=MEASURED)
    room = 0.45 * wide
    _plain(axes, low - room, high + 0.15 * wide, "section of the neck")
    axes = figure.add_subplot(grid[0, 1])
    piece, neck = evidence["piece"], evidence["neck"]
    axes.fill(*piece.T, facecolor=GREY, edgecolor=LINE, linewidth=0.8, hatch="////")
    axes.plot(*neck.T, color=WRONG, linewidth=2.6, solid_capstyle="round")
    reach = np.ptp(piece, axis=0).max()
    _plain(axes, piece.min(axis=0) - 0.1 * reach, piece.max(axis=0) + 0.1 * reach, "piece and where it parts")
    axes = figure.add_subplot(grid[0, 2])
    _stresses(axes, evidence)
    broken = [
        _LOADS[int(load)]
        for load, stress, strength in zip(
            evidence["loads"], evidence["stress_mpa"], evidence["strength_mpa"], strict=True
        )
        if stress > strength[1]
    ]
    said = f"more than the strength under {' and '.join(broken)}" if broken else "near the strength"
    return (
        "The neck and what it holds",
        "Left: the thinnest section. Middle: hull of the piece beyond it, seen across the neck; the line in orange is "
        "where it parts. Right: stress with the scatter of the neck's width (blue) against the range of the strength "
        "(grey bars); the scale is logarithmic.",
        f"Section of a neck {wide:.2g} x {thick:.2g} mm, the piece behind it, and the stress of each load, which is "
        f"{said}.",
    )


_ARROW = {"arrowstyle": "<->", "color": MEASURED, "linewidth": 0.8, "shrinkA": 0.0, "shrinkB": 0.0}


def _body(axes: Axes, outline: Floats, edges: Floats, colour: str) -> None:
    axes.fill(*outline.T, facecolor=GREY, edgecolor="none", zorder=1)
    axes.fill(*outline.T, facecolor="none", edgecolor=colour, linewidth=1.2, hatch="///", zorder=2)
    for start, end in edges:
        axes.plot(*np.array([start, end]).T, color=LINE, linewidth=0.5, zorder=2)


def _triad(axes: Axes, directions: Floats, low: Floats) -> None:
    """The part's own directions, at the lower left of a view."""
    length, at = 7.0, low + 9.0
    style = {"arrowstyle": "->", "color": INK, "linewidth": 0.7, "shrinkA": 0.0, "shrinkB": 0.0}
    for letter, (x, z) in zip("xyz", directions.tolist(), strict=True):
        if np.hypot(x, z) > 0.2:
            start = float(at[0]), float(at[1])
            axes.annotate("", xy=(start[0] + length * x, start[1] + length * z), xytext=start, arrowprops=style)
            far_x, far_z = start[0] + 1.3 * length * x, start[1] + 1.3 * length * z
            text(axes, far_x, far_z, letter, ha="center", va="center", fontsize=6.5)


def _stresses(axes: Axes, evidence: Mapping[str, NDArray[Any]]) -> None:
    stress, spread, strength = evidence["stress_mpa"], evidence["uncertainty_mpa"], evidence["strength_mpa"]
    for row, (value, half, (least, greatest)) in enumerate(zip(stress, spread, strength, strict=True)):
        axes.barh(row, greatest - least, left=least, height=0.5, facecolor=GREY, edgecolor=LINE, linewidth=0.6)
        axes.plot([max(value - half, 0.02 * value), value + half], [row, row], color=MEASURED, linewidth=1.2)
        axes.plot([value], [row], "o", color=MEASURED, markersize=4.0)
    axes.set_yticks(range(len(stress)), [_LOADS[int(load)] for load in evidence["loads"]])
    axes.invert_yaxis()
    axes.set_xscale("log")
    axes.set_xlim(
        0.6 * max(min(float(stress.min()), float(strength.min())), 1e-3),
        1.8 * max(float(stress.max()), float(strength.max())),
    )
    axes.set_xlabel("stress and strength [MPa]")


def _plain(axes: Axes, low: Floats, high: Floats, title: str) -> None:
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_title(title, fontsize=8.0, color=INK)
