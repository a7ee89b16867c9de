"""PR-07: the growing print."""

from matplotlib.figure import Figure

from reviewkit.figures.style import INK, LINE, MEASURED, WRONG
from reviewkit.model import Finding


def growing_print(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Distance of the mass centre from the edge of the contact against height, with what the limits ask for."""
    evidence = finding.evidence
    height, inside = evidence["height_mm"], evidence["inside_mm"]
    wanted, least = evidence["wanted_mm"], evidence["least_mm"]
    figure.set_size_inches(6.3, 2.8)
    axes = figure.add_subplot()
    axes.axhline(0.0, color=LINE, linewidth=0.8)
    axes.plot(height, wanted, color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label="wanted")
    axes.plot(height, least, color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)), label="least")
    axes.fill_between(
        height, inside, least, where=inside < least, facecolor="white", edgecolor=WRONG, linewidth=0.0, hatch="////"
    )
    axes.plot(height, inside, color=MEASURED, linewidth=1.4, label="mass centre")
    axes.set_xlabel("height printed [mm]")
    axes.set_ylabel("inside the contact's edge [mm]")
    axes.set_xlim(0, float(height[-1]))
    low, high = min(0.0, float(inside.min())), max(float(inside.max()), float(wanted.max()))
    axes.set_ylim(low - 0.06 * (high - low), high + 0.06 * (high - low))
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    closest = (inside - wanted).argmin()
    state = "outside the contact" if inside.min() < 0 else "inside the contact"
    short = " Hatched: less than the least." if (inside < least).any() else ""
    return (
        "Mass centre over the contact while the print grows",
        "Blue: how far the mass centre is inside the edge of the contact, below zero outside. Dashed and dotted: what "
        f"the two limits on the tip angle ask for at that height.{short}",
        f"Curve of the mass centre's distance from the edge of the contact over the height printed, up to "
        f"{height[-1]:.0f} mm. It stays {state} at the least, {inside.min():.1f} mm, and comes nearest to its limit at "
        f"{height[closest]:.0f} mm: {inside[closest]:.1f} mm where {wanted[closest]:.1f} mm are wanted.",
    )
