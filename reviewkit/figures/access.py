"""SA-01: a probe in its way in, and the windows that one sees through."""

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, to_scale
from reviewkit.model import Finding

_LISTED = 12


def probe_path(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Section along the probe: matter, finger with joints and collar, and the closing faces it touches."""
    evidence = finding.evidence
    shown = bool(evidence["shown"][0])
    low, high = evidence["view"][:2], evidence["view"][2:]
    axes = figure.add_subplot()
    if len(evidence["matter"]):
        fill_rings(axes, evidence["matter"], facecolor=GREY, edgecolor=LINE, linewidth=0.6)
    fill_rings(
        axes, evidence["finger"], facecolor="none", edgecolor=MEASURED, linewidth=1.2,
        linestyle="solid" if shown else (0, (4, 2)),
    )  # fmt: skip
    line = evidence["line"]
    axes.plot(line[:, 0], line[:, 1], color=MEASURED, linewidth=0.8, marker="o" if shown else "", markersize=2.5)
    if "collar" in evidence:
        axes.fill(
            evidence["collar"][:, 0], evidence["collar"][:, 1], facecolor="none", edgecolor=MEASURED, linewidth=0.8,
            hatch="....",
        )  # fmt: skip
    hazards = evidence["hazards"]
    axes.plot(hazards[:, 0], hazards[:, 1], linestyle="", marker=".", markersize=2.5, color=WRONG)
    touch = evidence["touch"][0]
    axes.plot(*touch, linestyle="", marker="x", markersize=7, markeredgewidth=1.6, color=WRONG)
    to_scale(figure, axes, low, high, 4.6)
    axes.set_xlabel("across the probe [mm]")
    axes.set_ylabel("along the probe [mm]")
    depth = next(m.value for m in finding.measurements if m.quantity.startswith("depth"))
    how = "posture of the jointed probe" if shown else "way of a ball as thick as the finger"
    return (
        "How a finger gets to the closing faces",
        f"Grey: the part cut along the probe. Blue: {how}{', dotted its collar outside' if shown else ''}. Orange: "
        "faces that close on what stays, near this plane; the cross is where one is touched.",
        f"Section of the part with the {how}; it touches {finding.subject} {max(depth, 0):.1f} mm deep.",
    )


def see_through(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Shadow of the part with the windows one sees through and the largest circle in each."""
    evidence = finding.evidence
    shadow, pitch, corner = evidence["shadow"], float(evidence["pitch_mm"][0]), evidence["corner_mm"]
    first, second = (name for k, name in enumerate("xyz") if k != int(evidence["axis"][0]))
    along = "xyz"[int(evidence["axis"][0])]
    axes = figure.add_subplot()
    low, high = corner - pitch / 2, corner + pitch * (np.array(shadow.shape) - 0.5)
    axes.imshow(
        shadow.T, origin="lower", extent=(low[0], high[0], low[1], high[1]), interpolation="nearest", vmin=0, vmax=2,
        cmap=ListedColormap(["white", GREY, "#f4f4f2"]),
    )  # fmt: skip
    sizes, middles = evidence["size_mm"], evidence["middle_mm"]
    for number, (middle, size) in enumerate(zip(middles, sizes, strict=True), 1):
        axes.add_patch(Circle(tuple(middle), size / 2, facecolor="none", edgecolor=MEASURED, linewidth=0.6))
        if number <= _LISTED:
            axes.annotate(f"{size:.0f}", tuple(middle), ha="center", va="center", fontsize=6, color=INK)
    to_scale(figure, axes, low, high)
    axes.set_xlabel(f"{first} [mm]")
    axes.set_ylabel(f"{second} [mm]")
    return (
        f"Windows one sees through along {along}",
        f"Grey: shadow of the part along {along}. Blue: largest circle in each window; figures: its diameter in mm, "
        f"the widest {min(len(sizes), _LISTED)}.",
        f"Shadow of the part along {along} with {len(sizes)} windows; the widest takes a circle of {sizes[0]:.1f} mm.",
    )
