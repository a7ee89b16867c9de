"""SA-05: the leading end under its gauge, energy over speed, contact area over depth."""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text
from reviewkit.model import Finding


def tip_profile(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Section of the leading end with the gauge's disc inside and what it cannot reach."""
    evidence = finding.evidence
    profile, bare, disc = evidence["profile"], evidence["bare"], evidence["disc"]
    gauge, zone = float(evidence["gauge_mm"][0]), float(evidence["zone_mm"][0])
    figure.set_size_inches(6.3, 3.2)
    axes = figure.add_subplot()
    fill_rings(axes, profile, facecolor=GREY, edgecolor=INK, linewidth=1.0)
    if len(bare):
        fill_rings(axes, bare, facecolor=WRONG, edgecolor=WRONG, linewidth=1.2)
    fits = not np.isnan(disc).any()
    at = disc if fits else np.array([0.0, -gauge])
    axes.add_patch(Circle((at[0], at[1]), gauge, fill=False, edgecolor=MEASURED, linewidth=1.4))
    axes.plot([at[0], at[0] + gauge / np.sqrt(2)], [at[1], at[1] - gauge / np.sqrt(2)], color=MEASURED, linewidth=0.9)
    text(axes, at[0], at[1] - gauge / 2, f"{gauge:g} mm", color=MEASURED, fontsize=7, ha="center", va="top")
    axes.axhline(-zone, color=LINE, linewidth=0.7, linestyle=(0, (4, 2)))
    low = float(np.nanmin(profile[:, 0])), float(np.nanmax(profile[:, 0]))
    # Close to the gauge: its diameter and about as much beside it.
    half = min(max(4.0 * gauge, 1.0), 0.6 * (low[1] - low[0]) + gauge)
    axes.set_xlim(at[0] - half, at[0] + half)
    axes.set_ylim(-2.4 * gauge - zone / 2, 0.6 * gauge)
    axes.set_aspect("equal")
    axes.set_xlabel("across the flight [mm]")
    axes.set_ylabel("behind the foremost [mm]")
    how = "does not go into it" if not fits else "leaves some of it bare" if len(bare) else "reaches all of it"
    return (
        "Leading end with the gauge's disc inside",
        f"Grey: section along the flight, up is ahead, filled behind. Blue: disc of {gauge:g} mm radius. Orange: what "
        f"the disc cannot reach. Dashed: {zone:g} mm behind the foremost point; what is above leads.",
        f"Section of the leading end from {low[0]:.1f} to {low[1]:.1f} mm across. A disc of {gauge:g} mm radius inside "
        f"it {how}.",
    )


def energy_at_speed(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Energy over speed for the lightest and the heaviest print, with the bound and the shot."""
    evidence = finding.evidence
    speed, energy, mass = evidence["speed_m_s"], evidence["energy_j"], evidence["mass_g"]
    bound, here = float(evidence["bound_j"][0]), evidence["here"]
    figure.set_size_inches(6.3, 2.9)
    axes = figure.add_subplot()
    axes.fill_between(speed, energy[0], energy[2], facecolor=GREY, edgecolor="none",
                      label=f"{mass[0]:.3g} to {mass[2]:.3g} g")  # fmt: skip
    axes.plot(speed, energy[1], color=INK, linewidth=1.0, label=f"{mass[1]:.3g} g")
    axes.axhline(bound, color=WRONG, linewidth=1.1, linestyle=(0, (4, 2)), label=f"{bound:g} J")
    if len(here):
        axes.plot(here[:, 0], here[:, 1], color=MEASURED, linewidth=3.0, solid_capstyle="butt", label="the shot")
        axes.plot(here[1, 0], here[1, 1], "o", color=MEASURED, markersize=5)
    axes.set_xlim(0, float(speed[-1]))
    axes.set_ylim(0, 2.0 * max(bound, float(here[:, 1].max()) if len(here) else 0.0) / 1.5)
    axes.set_xlabel("speed [m/s]")
    axes.set_ylabel("energy [J]")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    shot = "The shot is not known." if not len(here) else (
        f"Blue: the shot, {here[1, 1]:.3f} J ({here[0, 1]:.3f} to {here[2, 1]:.3f} J)."
    )  # fmt: skip
    return (
        "Energy over speed",
        f"Grey: from the lightest to the heaviest print. Dashed: {bound:g} J, beyond which rules on energy per area "
        f"and on soft tips apply. {shot}",
        f"Energy of the projectile against its speed up to {speed[-1]:.1f} m/s, with a line at {bound:g} J. {shot}",
    )


def contact_area(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """What touches first, seen along the flight, at the depths that were read."""
    evidence = finding.evidence
    depth, area, judged = evidence["depth_mm"], evidence["area_mm2"], float(evidence["judged_mm"][0])
    outlines = [evidence[f"outline_{row}"] for row in range(len(depth))]
    figure.set_size_inches(6.3, 2.9)
    axes = figure.add_subplot()
    # The deepest first, so that none hides another.
    for row in np.argsort(-depth):
        used = bool(np.isclose(depth[row], judged))
        look = {"facecolor": "white", "edgecolor": MEASURED, "linewidth": 1.4, "hatch": "////"} if used else (
            {"facecolor": "none", "edgecolor": INK, "linewidth": 0.9, "linestyle": "-" if depth[row] < judged else ":"}
        )  # fmt: skip
        fill_rings(axes, outlines[row], zorder=3 if used else 4, **look)
    every = np.vstack(outlines)
    low, high = np.nanmin(every, axis=0), np.nanmax(every, axis=0)
    middle, half = (low + high) / 2, 0.55 * float((high - low).max())
    axes.set_xlim(middle[0] - 2.2 * half, middle[0] + 2.2 * half)
    axes.set_ylim(middle[1] - half, middle[1] + half)
    axes.set_aspect("equal")
    axes.set_xlabel("across the flight [mm]")
    axes.set_ylabel("[mm]")
    listed = [f"{value:.4g} mm2 within {d:g} mm" for d, value in zip(depth, area, strict=True)]
    text(axes, 0.01, 0.97, "\n".join(listed), transform=axes.transAxes, fontsize=7, color=MEASURED, va="top")
    return (
        "Contact area, seen from ahead",
        f"Outlines of all that lies within each depth of the foremost point; full line the least, dotted the greatest. "
        f"Hatched: {judged:g} mm, by which energy per area is judged. A proxy for the mark on what is hit.",
        f"Contact area of the leading end: {', '.join(listed)}.",
    )
