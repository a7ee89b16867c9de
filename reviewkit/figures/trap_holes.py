"""SA-03: holes that may trap a finger."""

from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from reviewkit.figures.style import INK, LINE, MEASURED, WRONG
from reviewkit.model import Finding

_MEETS = 2
_TOP_MM = 44.0


def trap_holes(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Each hole by width and depth, with the bands in which a finger may be trapped."""
    evidence = finding.evidence
    width, depth, through = evidence["width_mm"], evidence["depth_mm"], evidence["through"]
    caught = evidence["verdict"] < _MEETS
    narrow, wide, deep = (float(value) for value in evidence["band_mm"])
    sheet = evidence["sheet_mm"]
    figure.set_size_inches(6.3, 2.8)
    axes = figure.add_subplot()
    axes.add_patch(
        Rectangle(
            (narrow, deep), wide - narrow, _TOP_MM, facecolor="white", edgecolor=LINE, linewidth=0.8, hatch="////",
            label="a finger may stay in",
        )
    )  # fmt: skip
    if len(sheet):
        enters, passes, least = (float(value) for value in sheet)
        axes.add_patch(
            Rectangle(
                (enters, least), passes - enters, _TOP_MM, fill=False, edgecolor=INK, linewidth=0.9,
                linestyle=(0, (4, 2)), label="in thin sheet, toys",
            )
        )  # fmt: skip
    for own, colour, words in ((~caught, MEASURED, "hole"), (caught, WRONG, "hole that may trap")):
        for open_, marker in ((False, "o"), (True, "^")):
            chosen = own & (through == open_)
            if chosen.any():
                label = f"{words}, through" if open_ else words
                axes.plot(
                    width[chosen], depth[chosen], marker, color=colour, markersize=6, markerfacecolor="white",
                    markeredgewidth=1.5, linestyle="none", label=label, zorder=4,
                )  # fmt: skip
    axes.set_xlim(0, max(16.0, float(width.max()) + 2))
    axes.set_ylim(0, _TOP_MM)
    axes.set_xlabel("width of the hole [mm]")
    axes.set_ylabel("depth for a fingertip [mm]")
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
    return (
        "Holes about as wide as a finger",
        "Each mark is a hole or several alike; triangles go right through. Hatched: wide enough for a fingertip, too "
        "narrow for it to come out easily.",
        f"Chart of {len(width)} holes by width and depth; {int(caught.sum())} may trap a finger. The band goes from "
        f"{narrow:g} to {wide:g} mm wide, from {deep:g} mm deep.",
    )
