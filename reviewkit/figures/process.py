"""PD-07: what a form of two halves does not reach, and from how many parts on a tool pays."""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

from reviewkit.figures.style import INK, LINE, MEASURED, WRONG, text
from reviewkit.model import Finding


def undercuts(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The part shaded, with the surface that is hidden from the best two-sided draw hatched."""
    evidence = finding.evidence
    shots = [evidence[name] for name in ("shot_0", "shot_1") if name in evidence]
    share, count = 100 * float(evidence["share"][0]), int(evidence["count"][0])
    x, y, z = (float(value) + 0.0 for value in np.round(evidence["draw"], 2))
    figure.set_size_inches(6.3, 2.6 if shots else 1.0)
    for place, shot in enumerate(shots, 1):
        axes = figure.add_subplot(1, len(shots), place)
        axes.imshow(shot, interpolation="antialiased")
        axes.set_axis_off()
    if not shots:
        axes = figure.add_subplot()
        axes.set_axis_off()
        text(axes, 0.0, 0.5, "No picture was made of this part.", color=INK)
    told = f"{share:.2g} % of the surface in {count} undercut{'s' if count != 1 else ''}"
    unseen = ""
    if "seen" in evidence and float(evidence["seen"][0]) < 1:
        unseen = f" {100 * (1 - float(evidence['seen'][0])):.0f} % of those facets are seen from neither side."
    return (
        "What a form of two halves does not reach",
        f"Hatched: hidden from two halves that leave along ({x:g}, {y:g}, {z:g}) of the part's frame, {told}.{unseen}",
        f"Shaded pictures of the part with {told} hatched.{unseen}",
    )


def break_even(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Cost of a part over the number made, printed and from a tool."""
    evidence = finding.evidence
    parts, printed, tooled = evidence["parts"], evidence["printed"], evidence["tooled"]
    crossing, wanted = int(evidence["crossing"][0]), int(evidence["wanted"][0])
    currency = str(evidence["currency"][0])
    figure.set_size_inches(6.3, 2.8)
    axes = figure.add_subplot()
    axes.fill_between(parts, evidence["low"], evidence["high"], color=MEASURED, alpha=0.18, linewidth=0.0)
    axes.plot(parts, printed, color=MEASURED, linewidth=1.4, label="printed, with its span")
    axes.plot(parts, tooled, color=INK, linewidth=1.2, linestyle=(0, (4, 2)), label="tool shared by all parts")
    axes.axvline(crossing, color=LINE, linewidth=0.8)
    top = 2.2 * float(max(evidence["high"].max(), printed.max()))
    text(axes, crossing, 0.97 * top, f" {crossing:,}", va="top", fontsize=7, color=INK)
    if parts[0] <= wanted <= parts[-1]:
        axes.axvline(wanted, color=WRONG, linewidth=1.0, linestyle=(0, (1, 1.5)), label=f"wanted: {wanted:,}")
    axes.set_xscale("log")
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlim(float(parts[0]), float(parts[-1]))
    axes.set_ylim(0, top)
    axes.set_xlabel("good parts made")
    axes.set_ylabel(f"cost of a part [{currency}]", parse_math=False)
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    order = f" {wanted:,} are wanted." if wanted else ""
    return (
        "Printed or from a tool",
        f"From {crossing:,} parts on a part from the tool costs less than a printed one.{order}",
        f"Curves of the cost of a part over the number made, from {parts[0]:,} to {parts[-1]:,}: printed from "
        f"{printed[0]:.3g} to {printed[-1]:.3g} {currency}, from a tool {tooled[0]:.3g} to {tooled[-1]:.3g} "
        f"{currency}; they cross at {crossing:,}.{order}",
    )
