"""SA-06: edges and points."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from numpy.typing import NDArray

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings
from reviewkit.model import Finding, Floats

_SQUARE, _POINTED, _HIDDEN = range(3)
# Seen from the front, a little from the left and from above.
_TURN, _TILT = np.radians(30.0), np.radians(35.0)


def edge_map(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """All convex edges of too little radius, seen from above at a slant."""
    evidence = finding.evidence
    start, end = _seen(evidence["edge_start"]), _seen(evidence["edge_end"])
    kind, points = evidence["edge_kind"], _seen(evidence["point_at"])
    radius_mm = float(evidence["radius_mm"][0])
    axes = figure.add_subplot()
    words = {
        _HIDDEN: (f"radius under {radius_mm:g} mm, out of reach", LINE, 0.5, (0, (1, 1.5))),
        _SQUARE: (f"radius under {radius_mm:g} mm, in reach", MEASURED, 0.8, "-"),
        _POINTED: ("pointed", WRONG, 2.4, "-"),
    }
    for name, (label, colour, width, style) in words.items():
        own = kind == name
        if own.any():
            _lines(axes, start[own], end[own], label, colour, width, style)
    if len(points):
        axes.plot(*points.T, "D", color=WRONG, markersize=4.5, markerfacecolor="white", label="point", zorder=4)
    low, high = _frame(np.vstack([start, end, points]))
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.set_axis_off()
    span = high - low
    figure.set_size_inches(6.3, float(np.clip(6.3 * span[1] / span[0] + 0.4, 2.2, 4.8)))
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    counted = {name: int((kind == name).sum()) for name in words}
    return (
        "Edges that want a radius",
        f"The part at a slant, as lines: convex edges of 90° or less with a radius under {radius_mm:g} mm. Blue: a "
        "fingertip reaches them from outside. Orange: pointed edges and points, listed by themselves.",
        f"Line picture of the part's sharp edges: {'most' if counted[_SQUARE] > counted[_HIDDEN] else 'some'} of them "
        f"are in reach of a fingertip. {'Pointed edges are marked.' if counted[_POINTED] else 'None is pointed.'}"
        + (f" {len(points)} points are marked." if len(points) else ""),
    )


def edge_section(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """A pointed edge or a point cut across, with the radius that is asked for or the slot of the tester."""
    evidence = finding.evidence
    outline, slot = evidence["outline"], evidence["slot_mm"]
    radius_mm, wedge_deg = float(evidence["radius_mm"][0]), float(evidence["wedge_deg"][0])
    axes = figure.add_subplot()
    if len(outline):
        fill_rings(axes, outline, facecolor=GREY, edgecolor=INK, linewidth=0.9, hatch="////")
    if len(slot):
        axes.add_patch(
            Rectangle((-slot[0] / 2, -slot[1]), slot[0], slot[1], fill=False, edgecolor=WRONG, linewidth=1.4, zorder=3)
        )
        what = f"Orange: {slot[0]:g} mm of slot and the depth of {slot[1]:g} mm that a point must reach in the tester."
    else:
        deep_mm = radius_mm / np.sin(np.radians(wedge_deg) / 2)
        axes.add_patch(Circle((0.0, -deep_mm), radius_mm, fill=False, edgecolor=MEASURED, linewidth=1.4, zorder=3))
        axes.plot([0.0], [0.0], "o", color=WRONG, markersize=4, zorder=4)
        what = f"Blue: a round edge of {radius_mm:g} mm in the same corner. Orange: the edge as drawn."
    axes.set_xlim(-3.2, 3.2)
    axes.set_ylim(-4.4, 0.8)
    axes.set_aspect("equal")
    axes.set_xlabel("across [mm]")
    axes.set_ylabel("below the tip [mm]")
    figure.set_size_inches(3.6, 3.1)
    told = "point" if len(slot) else f"edge of {wedge_deg:.0f}°"
    return (
        "Point cut through its tip" if len(slot) else "Edge cut across",
        f"Grey: the part. {what}",
        f"Section through the {told}, its tip at the top, with "
        + ("the slot of the tester around it." if len(slot) else f"a circle of {radius_mm:g} mm in the corner."),
    )


def _seen(points: NDArray[np.float32]) -> Floats:
    """Points of the plate frame as they are seen at a slant, (n, 2)."""
    x, y, z = np.asarray(points, dtype=float).reshape(-1, 3).T
    across = x * np.cos(_TURN) - y * np.sin(_TURN)
    back = x * np.sin(_TURN) + y * np.cos(_TURN)
    return np.column_stack([across, back * np.sin(_TILT) + z * np.cos(_TILT)])


def _frame(points: Floats) -> tuple[Floats, Floats]:
    low, high = points.min(axis=0), points.max(axis=0)
    room = 0.04 * float((high - low).max()) + 0.1
    return low - room, high + room


def _lines(axes: Axes, start: Floats, end: Floats, label: str, colour: str, width: float, style: object) -> None:
    collection = LineCollection(
        list(np.stack([start, end], axis=1)), colors=colour, linewidths=width, linestyles=style, label=label
    )
    axes.add_collection(collection)
