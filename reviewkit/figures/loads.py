"""PR-11: load against the layers."""

from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, WRONG
from reviewkit.model import Finding


def layer_strength(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Strength left by the angle of a section from the build direction, with the limits drawn."""
    evidence = finding.evidence
    angle, share = evidence["angle_deg"], evidence["share"]
    leaf_deg, leaf_share = float(evidence["leaf_deg"][0]), float(evidence["leaf_share"][0])
    figure.set_size_inches(6.3, 2.6)
    axes = figure.add_subplot()
    axes.fill_between(angle, evidence["least_share"], evidence["most_share"], color=GREY)
    axes.plot(angle, share, color=INK, linewidth=1.2)
    bounds = [limit for limit in finding.limits if limit.quantity == "load.share"]
    for limit in bounds:
        axes.axhline(limit.value, color=INK, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.annotate(
            f"{100 * limit.value:.0f} %", (angle[-1], limit.value), (3, 0), textcoords="offset points", va="center",
            fontsize=7,
        )  # fmt: skip
    axes.plot(
        [leaf_deg], [leaf_share], "D", color=WRONG, markersize=7, markerfacecolor="white", clip_on=False, zorder=3
    )
    axes.set_xlim(angle[0], angle[-1])
    axes.set_ylim(0, 1.05)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "100 %"])
    axes.set_xticks([0, 15, 30, 45, 60, 75, 90])
    axes.set_xlabel("angle from the build direction [°]: 0 stands on the layers, 90 lies in them")
    axes.set_ylabel("strength left")
    wanted = " and ".join(f"{100 * limit.value:.0f} %" for limit in bounds)
    return (
        "Strength by direction",
        f"Line: the material's usual value; grey: its range. Dashed: {wanted}. Diamond: this section, {leaf_deg:.0f}° "
        f"from the build direction with {100 * leaf_share:.0f} % left.",
        f"Curve of strength left against the angle from the build direction, from {100 * share[0]:.0f} % at 0 degrees "
        f"to {100 * share[-1]:.0f} % at 90; this section stands at {leaf_deg:.0f} degrees with "
        f"{100 * leaf_share:.0f} %.",
    )
