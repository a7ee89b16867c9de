"""ER-01 to ER-03: a grip by its sections, its corners, its straight length, and the hands that it suits."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text
from reviewkit.model import Finding

_DASHES = ("-", (0, (4, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)))


def grip_sections(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The section in the middle of the grip with the circle of its girth, and the diameter along the grip."""
    evidence = finding.evidence
    figure.set_size_inches(6.3, 2.6)
    left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.7))
    left.plot(*evidence["end_hulls"].T, color=LINE, linewidth=0.7, linestyle=(0, (3, 2)))
    centre, radius = _section(left, finding)
    turns = np.linspace(0, 2 * np.pi, 181)
    left.plot(*(centre[:, None] + radius * np.array([np.cos(turns), np.sin(turns)])), color=MEASURED, linewidth=1.2)
    _along(right, finding)
    start, end = evidence["run_mm"]
    return (
        "The grip across and along",
        "Left: the section in the middle of the grip, dashed those near its ends; the blue circle has the same girth "
        "as the hull, which the hand bridges. Right: the diameter of that circle along the grip; between the dashed "
        f"lines the girth stays nearly the same, from {start:.0f} to {end:.0f} mm.",
        f"Section of the grip beside a circle of {2 * radius:.1f} mm that has the same girth, and the diameter of that "
        f"circle along the grip, from {evidence['diameter_mm'].min():.1f} to {evidence['diameter_mm'].max():.1f} mm.",
    )


def grip_corners(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The section in the middle of the grip with its corners marked, and the least corner radius along the grip."""
    evidence = finding.evidence
    radius, wanted = evidence["radius_mm"], evidence["wanted_mm"]
    figure.set_size_inches(6.3, 2.6)
    left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.7))
    _section(left, finding)
    at, corner_mm = evidence["corner_at"], evidence["corner_mm"]
    sharp = np.round(corner_mm, 1) < wanted[0]
    left.plot(*at[sharp].T, "o", color=WRONG, markersize=5, markerfacecolor="white")
    for point, value in zip(at[sharp], corner_mm[sharp], strict=True):
        out = np.sign(point - evidence["hull"].mean(axis=0))
        x, y = point + 0.04 * np.ptp(evidence["hull"], axis=0).max() * out
        across, up = "left" if out[0] > 0 else "right", "bottom" if out[1] > 0 else "top"
        text(left, float(x), float(y), f"{abs(value):.1f}", fontsize=7.0, color=WRONG, ha=across, va=up)
    left.margins(0.3)
    right.axhline(wanted[0], color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label="wanted")
    if len(wanted) > 1:
        right.axhline(wanted[1], color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)), label="least")
    bad = np.round(radius, 1) < wanted[0]
    right.plot(evidence["slice_mm"], radius, color=MEASURED, linewidth=1.2, marker="o", markersize=3, label="measured")
    right.plot(evidence["slice_mm"][bad], radius[bad], "o", color=WRONG, markersize=5, markerfacecolor="white")
    right.set_xlabel("along the grip [mm]")
    right.set_ylabel("least corner radius [mm]")
    right.set_xlim(0, float(evidence["along_mm"][-1]))
    right.set_ylim(-0.08 * wanted[0], 1.15 * float(max(evidence["rolled_mm"].max(), wanted.max())))
    right.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    most = float(evidence["rolled_mm"].max())
    return (
        "Corner radius along the grip",
        f"Left: the section in the middle of the grip, corners with too little radius marked in orange, mm. Right: the "
        f"least corner radius of each section; {most:.3g} mm stands for that and more.",
        f"Section of the grip with {int(sharp.sum())} sharp corners marked, and the least corner radius of "
        f"{len(radius)} sections along it, from {radius.min():.1f} to {radius.max():.1f} mm, where "
        f"{wanted[0]:.3g} mm is wanted.",
    )


def grip_length(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The diameter along the grip with its straight part."""
    start, end = finding.evidence["run_mm"]
    figure.set_size_inches(6.3, 2.2)
    _along(figure.add_subplot(), finding)
    return (
        "The straight part of the grip",
        f"Diameter by girth along the grip. Between the dashed lines it stays nearly the same: {end - start:.0f} mm.",
        f"Diameter of the grip along its length; the straight part goes from {start:.0f} to {end:.0f} mm of "
        f"{finding.evidence['along_mm'][-1]:.0f} mm.",
    )


def grip_fit(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """How the declared hands are spread, with those that the grip suits shaded."""
    evidence = finding.evidence
    sizes, groups, dimension = evidence["size_mm"], evidence["groups"], str(evidence["dimension"][0])
    low, high = evidence["suited_mm"]
    figure.set_size_inches(6.3, 2.4)
    axes = figure.add_subplot()
    within = (sizes >= low) & (sizes <= high)
    for curve, group, share, dash in zip(
        evidence["density"], groups, evidence["share"], _DASHES * len(groups), strict=False
    ):
        axes.fill_between(sizes, curve, where=within, facecolor=GREY, alpha=0.6, linewidth=0.0)
        axes.plot(sizes, curve, color=INK, linewidth=1.1, linestyle=dash, label=f"{group}: {100 * share:.0f} %")
    for end in (low, high):
        if sizes[0] < end < sizes[-1]:
            axes.axvline(end, color=MEASURED, linewidth=1.4)
    axes.set_xlabel(f"{dimension} [mm]")
    axes.set_yticks([])
    axes.set_ylabel("people")
    axes.set_xlim(float(sizes[0]), float(sizes[-1]))
    axes.set_ylim(0, 1.1 * float(evidence["density"].max()))
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    bounds = f"of {low:.0f} to {high:.0f} mm" if low > 0 else f"of {high:.0f} mm and less" if high > 0 else "of none"
    shares = ", ".join(
        f"{100 * share:.0f} % of {group}" for share, group in zip(evidence["share"], groups, strict=True)
    )
    return (
        f"Whom the grip suits, by {dimension}",
        f"Spread of {dimension} among the declared hands. Shaded, between the blue lines: hands {bounds}, which the "
        f"grip suits: {shares}.",
        f"Curves of how {dimension} is spread among {len(groups)} groups; the grip suits hands {bounds}: {shares}.",
    )


def _section(axes: Axes, finding: Finding) -> tuple[np.ndarray, float]:
    """The middle section to scale; its centre and the radius of the circle of its girth [mm]."""
    hull = finding.evidence["hull"]
    fill_rings(axes, finding.evidence["middle"], facecolor=GREY, edgecolor=LINE, linewidth=0.6, hatch="////")
    axes.plot(*np.vstack([hull, hull[:1]]).T, color=INK, linewidth=0.8)
    axes.set_aspect("equal")
    axes.set_xlabel("across the grip [mm]")
    axes.margins(0.08)
    axes.autoscale_view()
    girth_mm = next((m.value for m in finding.measurements if m.quantity == "girth"), 0.0)
    return (hull.min(axis=0) + hull.max(axis=0)) / 2, girth_mm / (2 * np.pi)


def _along(axes: Axes, finding: Finding) -> None:
    """The diameter by girth along the grip with its straight part."""
    evidence = finding.evidence
    along, diameter = evidence["along_mm"], evidence["diameter_mm"]
    start, end = evidence["run_mm"]
    axes.axvspan(start, end, facecolor=GREY, alpha=0.4, linewidth=0.0)
    for place in (start, end):
        axes.axvline(place, color=LINE, linewidth=0.8, linestyle=(0, (4, 2)))
    axes.plot(along, diameter, color=MEASURED, linewidth=1.4)
    axes.set_xlabel("along the grip [mm]")
    axes.set_ylabel("diameter by girth [mm]")
    axes.set_xlim(0, float(along[-1]))
    axes.set_ylim(0, 1.15 * float(diameter.max()))
