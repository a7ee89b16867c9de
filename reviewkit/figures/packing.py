"""PD-03: copies on a plate."""

import numpy as np
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, fill_rings, text, to_scale
from reviewkit.model import Finding, Floats

_AXIS = 0.996


def plate_layout(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The plate from above with its copies; those turned otherwise than the first are hatched."""
    evidence = finding.evidence
    count, most = (int(number) for number in evidence["count"])
    use = float(evidence["use"][0])
    axes = figure.add_subplot()
    axes.plot(*evidence["plate"].T, color=INK, linewidth=1.2)
    axes.plot(*evidence["margin"].T, color=LINE, linewidth=0.8, linestyle=(0, (1, 2)))
    fill_rings(axes, evidence["copies"], facecolor=GREY, edgecolor=INK, linewidth=0.5)
    turned = "turned" in evidence
    if turned:
        fill_rings(axes, evidence["turned"], facecolor="white", edgecolor=INK, linewidth=0.5, hatch="////")
    plate = evidence["plate"]
    to_scale(figure, axes, plate.min(axis=0), plate.max(axis=0), width_in=4.2)
    size = " by ".join(f"{side:.0f}" for side in np.ptp(plate, axis=0))
    copies = "One copy" if count == 1 else f"{count} copies"
    how = " Hatched: turned otherwise than the grey ones." if turned else ""
    bound = "no layout holds more" if most == count else f"no layout holds more than {most}"
    return (
        "Copies on a plate",
        f"{copies} on the plate of {size} mm, inside its margin (dotted); {100 * use:.0f} % of what is inside is "
        f"covered, and {bound}.{how}",
        f"Plan of the plate, {size} mm, with {copies.lower()} of the part's outline laid out without overlap.",
    )


def copies_per_pose(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Bars of the copies that a plate holds by the way the part lies, with the bound of each as a tick."""
    evidence = finding.evidence
    counts, most, possible = evidence["pose_count"], evidence["pose_most"], evidence["pose_possible"]
    high_mm, ups = evidence["pose_height_mm"], evidence["pose_up"]
    names = [f"{_side_words(up)}, {height:.0f} mm high" for up, height in zip(ups, high_mm, strict=True)]
    names[0] = f"as reviewed, {high_mm[0]:.0f} mm high"
    rows = np.arange(len(counts))
    figure.set_size_inches(6.3, 0.9 + 0.32 * len(rows))
    axes = figure.add_subplot()
    for row, count, able in zip(rows, counts, possible, strict=True):
        face, hatch = (MEASURED, "") if row == 0 and able else (GREY, "") if able else ("white", "////")
        axes.barh(row, count, height=0.62, facecolor=face, edgecolor=INK, linewidth=0.6, hatch=hatch)
    axes.plot(most, rows, "|", color=INK, markersize=9, markeredgewidth=1.0)
    widest = max(float(most.max()), 1.0)
    for place, (count, bound) in enumerate(zip(counts, most, strict=True)):
        words = f"{count}" if bound == count else f"{count}, at most {bound}"
        text(axes, float(bound) + 0.015 * widest, place, words, ha="left", va="center", fontsize=7.0)
    axes.set_yticks(rows, names, parse_math=False)
    axes.set_xlim(0, 1.25 * widest)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("copies on a plate, at least")
    hatched = "" if possible.all() else " Hatched: the part cannot be printed so."
    told = "; ".join(f"{name}: {count}" for name, count in zip(names, counts, strict=True))
    return (
        "Copies by the way the part lies",
        f"Copies that a plate holds in a repeatable layout; the tick is the number that no layout exceeds.{hatched} "
        "A higher part takes more layers.",
        f"Bars of the copies on a plate by pose. {told}.",
    )


def _side_words(up: Floats) -> str:
    """Which side of the part as drawn is down."""
    down = -up
    axis = int(np.abs(down).argmax())
    if abs(down[axis]) >= _AXIS:
        return f"on its {'-+'[int(down[axis] > 0)]}{'xyz'[axis]} side"
    return "(" + ", ".join(f"{value + 0.0:.2f}" for value in np.round(down, 2)) + ") down"
