"""ER-04 to ER-07: room behind a handle, openings for fingers, force against strength, balance."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text, to_scale
from reviewkit.model import Finding, Floats

_SOLID = {"facecolor": GREY, "edgecolor": LINE, "linewidth": 0.7}
_HAND = {"facecolor": "none", "edgecolor": INK, "linewidth": 0.8, "hatch": "...."}


def handle_clearance(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Section along the handle with the fingers of the hands and the way to what is behind it."""
    evidence = finding.evidence
    at, face, gap = evidence["arrow"]
    low, high = evidence["zone"]
    wanted, along = evidence["wanted"]
    fingers = evidence["fingers"]
    outline = evidence["section"]
    axes = figure.add_subplot()
    if len(outline):
        fill_rings(axes, outline, **_SOLID)
    middle = (low + high) / 2
    places = middle + np.cumsum(fingers) - fingers / 2 - fingers.sum() / 2
    for place, size in zip(places, fingers, strict=True):
        axes.add_patch(Circle((place, face + size / 2), size / 2, **_HAND))
    short = gap < wanted
    colour = WRONG if short else MEASURED
    axes.plot([low, high], [face + wanted] * 2, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    arrow = {"arrowstyle": "<->", "color": colour, "linewidth": 1.3, "shrinkA": 0, "shrinkB": 0}
    shown = high - 0.1 * (high - low) if abs(at - middle) < fingers.sum() / 2 else at
    axes.annotate("", (shown, face), (shown, face + gap), arrowprops=arrow)
    text(axes, shown + 1.5, face + 0.75 * gap, f"{gap:.3g} mm", color=colour, va="center")
    rings = outline[~np.isnan(outline[:, 0])] if len(outline) else np.array([[low, face], [high, face + gap]])
    box_low = np.maximum(rings.min(axis=0), [low - 40.0, face - 45.0])
    box_high = np.minimum(rings.max(axis=0), [high + 40.0, face + max(gap, wanted) + 25.0])
    to_scale(figure, axes, box_low, np.maximum(box_high, [high, face + max(gap, wanted)]))
    axes.set_xlabel("along the handle [mm]")
    axes.set_ylabel("to what is behind [mm]")
    opening = float(evidence["opening"][0])
    told = f"{opening:.3g} mm long ({along:.3g} mm wanted)" if np.isfinite(opening) else "open at an end"
    return (
        "Room for the fingers behind the handle",
        f"Section along the handle. Dotted circles: the widest index finger of the hands, {fingers[0]:.3g} mm, four "
        f"side by side. {'Orange' if short else 'Blue'}: the way to what is behind. Dashed: {wanted:.3g} mm, as wanted "
        f"over the finger zone. The opening along the handle is {told}.",
        f"Section of the part along its handle. The way from the handle to the next surface behind it is {gap:.3g} mm "
        f"where {wanted:.3g} mm are wanted; the opening is {told}; four fingers of {fingers[0]:.3g} mm are in it.",
    )


def finger_opening(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Outline of an opening with the widest finger in it, and its width over the stroke."""
    evidence = finding.evidence
    widths, strokes = evidence["widths"], evidence["strokes"]
    finger, wanted, width = (float(evidence[name][0]) for name in ("fingers", "wanted", "width"))
    low, high = evidence["trap"]
    outline = evidence["outline"]
    several = len(widths) > 1
    figure.set_size_inches(6.3, 2.9)
    axes = figure.add_subplot(121 if several else 111)
    points = outline[~np.isnan(outline[:, 0])]
    corner, far = points.min(axis=0), points.max(axis=0)
    size = max(float((far - corner).max()), finger, wanted)
    middle = (corner + far) / 2
    axes.set_facecolor(GREY)
    fill_rings(axes, outline, facecolor="white", edgecolor=LINE, linewidth=0.8)
    fits = finger <= width
    axes.add_patch(Circle((0.0, 0.0), finger / 2, **{**_HAND, "edgecolor": INK if fits else WRONG}))
    axes.add_patch(Circle((0.0, 0.0), width / 2, facecolor="none", edgecolor=MEASURED, linewidth=1.4))
    axes.set_xlim(middle[0] - 0.62 * size, middle[0] + 0.62 * size)
    axes.set_ylim(middle[1] - 0.62 * size, middle[1] + 0.62 * size)
    axes.set_aspect("equal")
    axes.set_xlabel("mm")
    least = float(widths.min())
    if several:
        _over_stroke(figure.add_subplot(122), evidence["turns"][0], strokes, widths, wanted, (low, high))
    narrow = f" Right: that width over the stroke, {least:.3g} mm at the least." if several else ""
    change = f", and falls to {least:.3g} mm over the stroke" if several else ""
    return (
        "Opening for a finger",
        f"{'Left: across' if several else 'Across'} the way of the finger; grey is outside the opening. Blue: the "
        f"largest circle in it, {width:.3g} mm. Dotted: the widest finger of the hands, {finger:.3g} mm; an opening "
        f"for it is {wanted:.3g} mm wide.{narrow}",
        f"Outline of the opening with its largest circle, {width:.3g} mm as drawn{change}. The widest finger is "
        f"{finger:.3g} mm, and {wanted:.3g} mm are wanted.",
    )


def _over_stroke(
    axes: Axes, turns: bool, strokes: Floats, widths: Floats, wanted: float, trap: tuple[float, float]
) -> None:
    axes.axhspan(*trap, facecolor="white", edgecolor=WRONG, linewidth=0.0, hatch="////")
    axes.axhline(wanted, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.plot(strokes, widths, color=MEASURED, linewidth=1.4, marker="o", markersize=3)
    text(axes, strokes.min(), trap[0] + 0.3, "fingers stick", color=WRONG, va="bottom",
         bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})  # fmt: skip
    text(axes, strokes.max(), wanted + 0.4, "wanted", color=INK, ha="right", va="bottom")
    axes.set_ylim(0, 1.15 * max(float(widths.max()), wanted))
    axes.set_xlabel(f"stroke [{'degrees' if turns else 'mm'}]")
    axes.set_ylabel("width [mm]")


def pull_force(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The force as a band over what each group of people can do."""
    evidence = finding.evidence
    force, off = evidence["force"]
    own, again = evidence["own"], bool(evidence["again"][0])
    names = evidence["groups"]
    figure.set_size_inches(6.3, 2.5)
    axes = figure.add_subplot()
    rows = np.arange(len(names))
    weak = np.nan_to_num(evidence["weak"])
    axes.barh(rows, weak, height=0.62, facecolor=GREY, edgecolor=LINE, linewidth=0.6)
    design = evidence["repeated"] if again else evidence["occasional"]
    for row, limit in zip(rows, design, strict=True):
        axes.plot([limit, limit], [row - 0.36, row + 0.36], color=INK, linewidth=1.6 if own[row] else 0.8)
    short = own & (force + off > design)
    colour = WRONG if short.any() else MEASURED
    axes.axvspan(force - off, force + off, facecolor=colour, alpha=0.18, linewidth=0.0)
    axes.axvline(force, color=colour, linewidth=1.4)
    text(axes, force, len(names) - 0.45, f"{force:.3g} N", color=colour, ha="center", va="bottom")
    for row in rows[weak == 0]:
        text(axes, float(design[row]) + 2.5, row, "grip not known", color=INK, va="center", fontsize=7)
    axes.set_yticks(rows, [f"{name}  *" if mine else name for name, mine in zip(names, own, strict=True)])
    axes.set_ylim(-0.6, len(names) - 0.4)
    axes.set_xlim(0, 1.12 * max(float(weak.max()), force + off))
    axes.set_xlabel("force [N]")
    often = "again and again" if again else "now and then"
    mine = ", ".join(f"{name} {limit:.3g} N" for name, limit, is_own in zip(names, design, own, strict=True) if is_own)
    return (
        "Force against the strength of the hands",
        f"{'Orange' if short.any() else 'Blue'}: the stated force with what it may be off. Grey: grip of a weak hand. "
        f"Black mark: what a hand is asked for {often}, heavy where the group (*) is one that uses the part.",
        f"Bars of the grip of weak hands by group. The stated force is {force:.3g} N, up to {force + off:.3g} N; the "
        f"hands that use the part are asked for no more than: {mine}.",
    )


def balance(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Outline of the part with the grip, the mass centre and the arm between them."""
    evidence = finding.evidence
    outline, grip, (hand, mass) = evidence["outline"], evidence["grip"], evidence["centres"]
    allowed = float(evidence["allowed"][0])
    mass_g, arm, moment, most = evidence["numbers"]
    over = moment > most
    colour = WRONG if over else MEASURED
    axes = figure.add_subplot()
    fill_rings(axes, outline, **_SOLID)
    axes.plot(*grip.T, color=INK, linewidth=2.4, solid_capstyle="butt", linestyle=(0, (1.2, 0.6)))
    axes.plot(*np.array([hand, mass]).T, color=colour, linewidth=1.5)
    axes.plot(*hand, marker="o", markersize=5, color="white", markeredgecolor=INK)
    axes.plot(*mass, marker="o", markersize=6, color=colour)
    axes.plot(*mass, marker="+", markersize=12, color=colour)
    points = outline[~np.isnan(outline[:, 0])]
    low, high = points.min(axis=0), points.max(axis=0)
    seen = allowed < np.linalg.norm(np.maximum(high - hand, hand - low))
    if seen:
        axes.add_patch(Circle(hand, allowed, facecolor="none", edgecolor=INK, linewidth=0.8, linestyle=(0, (4, 2))))
    above = float(mass[1] + 0.05 * (high - low).max())
    text(axes, float(mass[0]), above, f"{mass_g:.3g} g", color=colour, ha="center", va="bottom",
         bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8})  # fmt: skip
    to_scale(figure, axes, low, high)
    axes.set_xlabel("along the grip [mm]")
    axes.set_ylabel("across [mm]")
    where = "Dashed circle: as" if seen else "Outside the drawing: how"
    return (
        "Balance about the grip",
        f"Outline of the part. Dotted bar: the grip, its middle a white dot. {'Orange' if over else 'Blue'}: the mass "
        f"centre and its arm of {arm:.3g} mm. {where} far out a part of this mass may have it, "
        f"{allowed:.3g} mm ({most:.2g} N m).",
        f"Outline of the part with its grip and mass centre: {mass_g:.3g} g, {arm:.3g} mm from the middle of the grip, "
        f"a moment of {moment:.2g} N m where {most:.2g} N m are the most.",
    )
