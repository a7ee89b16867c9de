"""Finding or picture -> figure.  Draws evidence as it stands and computes nothing.

Greys and hatch carry the part, one blue carries what is measured, one orange what is
wrong; both differ in lightness too, and every meaning is also said in words.
"""

import io
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from reviewkit.errors import ReviewError
from reviewkit.model import Drawing, Finding, Floats, Picture, Review
from reviewkit.submission import slug

INK = "#222222"
GREY = "#d5d5d2"
LINE = "#7a7a76"
MEASURED = "#1f4e8c"
WRONG = "#c8500a"

_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.edgecolor": LINE,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "svg.hashsalt": "reviewkit",
    "legend.frameon": False,
    "legend.fontsize": 7.0,
}
_DPI = 100
_MARK_PX = 14.5

# A drawing takes a finding and empty axes; it returns title, caption and alternative text.
Draw = Callable[[Finding, Figure], tuple[str, str, str]]
_KINDS: dict[str, Draw] = {}


def drawings(review: Review) -> tuple[Drawing, ...]:
    """Every figure of a review, ready for a document: pictures first, then by finding."""
    return tuple(_all(review))


def drawn(finding: Finding, kind: str) -> Drawing:
    """One figure of a finding.

    Parameters
    ----------
    finding : Finding
    kind : str
        One of its ``figures``.

    Raises
    ------
    ReviewError
        When no drawing of that kind exists.
    """
    if kind not in _KINDS:
        raise ReviewError(f"no drawing is called {kind!r}; there are {', '.join(sorted(_KINDS))}")
    with mpl.rc_context(_STYLE):
        figure = Figure(layout="constrained", dpi=_DPI)
        title, caption, alt = _KINDS[kind](finding, figure)
        return _drawing(figure, slug(f"{finding.key} {kind}"), finding.key, title, caption, alt, vector=True)


def pictured(picture: Picture) -> Drawing:
    """A shaded picture with its marks and a scale bar."""
    height, width = picture.rgb.shape[:2]
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width / 2 / _DPI, height / 2 / _DPI), dpi=2 * _DPI)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.imshow(picture.rgb, interpolation="nearest")
        axes.set_axis_off()
        _marks(axes, picture.marks, width, height)
        _scale_bar(axes, picture.mm_per_pixel, width, height)
        return _drawing(figure, picture.name, picture.finding, picture.title, "", picture.alt, vector=False)


def _all(review: Review) -> Iterator[Drawing]:
    for picture in review.pictures:
        yield pictured(picture)
    for finding in review.findings:
        for kind in finding.figures:
            yield drawn(finding, kind)


def _kind(draw: Draw) -> Draw:
    """Registers a drawing under its function's name."""
    _KINDS[draw.__name__] = draw
    return draw


def _drawing(figure: Figure, name: str, finding: str, title: str, caption: str, alt: str, *, vector: bool) -> Drawing:
    file = io.BytesIO()
    if vector:
        figure.savefig(file, format="svg", metadata={"Date": None})
    else:
        figure.savefig(file, format="png", dpi=figure.dpi, metadata={"Software": None})
    width_px, height_px = (round(float(side) * figure.dpi) for side in figure.get_size_inches())
    content = file.getvalue()
    return Drawing(
        name=name,
        finding=finding,
        title=title,
        caption=caption,
        alt=alt,
        svg=content if vector else None,
        png=None if vector else content,
        width_px=width_px,
        height_px=height_px,
    )


def _text(axes: Axes, x: float, y: float, words: str, **style: Any) -> None:
    """Text that is never read as mathematics, whatever a customer wrote."""
    axes.text(x, y, words, parse_math=False, **style)


def _marks(axes: Axes, marks: Sequence[tuple[str, float, float]], width: int, height: int) -> None:
    """Numbered marks, each label beside its place where it hides no other, one label a number and spot."""
    radius = _MARK_PX
    taken = [(x, y) for _, x, y in marks]
    reach = [(r, turn) for r in (2.2, 3.4, 4.8, 6.4) for turn in np.radians((-45, -135, 45, 135, -90, 90, 0, 180))]
    for label, x, y in marks:
        places = [(x + r * radius * np.cos(turn), y + r * radius * np.sin(turn)) for r, turn in reach]
        inside = [(u, v) for u, v in places if radius < u < width - radius and radius < v < height - radius]
        free = [(u, v) for u, v in inside if all(np.hypot(u - p, v - q) > 1.9 * radius for p, q in taken)]
        u, v = (free or inside or places)[0]
        taken.append((u, v))
        axes.plot([x, u], [y, v], color=INK, linewidth=0.7)
        axes.plot([x], [y], "o", markersize=2.6, color=WRONG, markeredgecolor="white", markeredgewidth=0.4)
        axes.add_patch(Circle((u, v), radius, facecolor=INK, edgecolor="white", linewidth=0.6, zorder=3))
        _text(axes, u, v, label, ha="center", va="center_baseline", fontsize=5.6, color="white", zorder=4)


def _scale_bar(axes: Axes, mm_per_pixel: float, width: int, height: int) -> None:
    """A bar of a round length near a fifth of the picture's width."""
    length_mm = _round_length(0.2 * width * mm_per_pixel)
    length = length_mm / mm_per_pixel
    x, y = 0.03 * width, 0.965 * height
    axes.plot([x, x + length], [y, y], color=INK, linewidth=1.5, solid_capstyle="butt")
    _text(axes, x + length / 2, y - 0.012 * height, f"{length_mm:g} mm", ha="center", va="bottom", fontsize=6.5)


def _round_length(length: float) -> float:
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(step * power for step in (1, 2, 5) if step * power <= length))


def _rings(axes: Axes, outline: Floats, **style: Any) -> None:
    """Fill closed rings; a row of nan parts one ring from the next, holes run the other way."""
    rings = [ring for ring in np.split(outline, np.flatnonzero(np.isnan(outline[:, 0]))) if len(ring)]
    rings = [ring[~np.isnan(ring[:, 0])] for ring in rings]
    codes: list[NDArray[np.uint8]] = []
    for ring in rings:
        code = np.full(len(ring), Outline.LINETO, dtype=np.uint8)
        code[0], code[-1] = Outline.MOVETO, Outline.CLOSEPOLY
        codes.append(code)
    axes.add_patch(PathPatch(Outline(np.concatenate(rings), np.concatenate(codes)), **style))


def _to_scale(figure: Figure, axes: Axes, low: Floats, high: Floats, width_in: float = 6.3) -> None:
    """Size the figure so that a drawing to scale fills it, at most 4.2 in high."""
    span = np.maximum(high - low, 1e-6)
    pad = 0.04 * span.max()
    axes.set_xlim(low[0] - pad, high[0] + pad)
    axes.set_ylim(low[1] - pad, high[1] + pad)
    axes.set_aspect("equal")
    figure.set_size_inches(
        width_in, float(np.clip(width_in * (span[1] + 2 * pad) / (span[0] + 2 * pad) + 0.5, 2.2, 4.6))
    )
    axes.set_xlabel("x on the plate [mm]")
    axes.set_ylabel("y [mm]")


@_kind
def first_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The first layer to scale over the disc of the same area."""
    evidence = finding.evidence
    outline, disc = evidence["outline"], evidence["disc"]
    axes = figure.add_subplot()
    _rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.5, hatch="////")
    axes.plot(*disc.T, color=MEASURED, linewidth=1.2, linestyle=(0, (5, 3)))
    marks = (
        ("corners", "^", "very sharp corner"),
        ("lost", "x", "too narrow to draw"),
        ("neck", "D", "narrowest neck"),
    )
    shown = []
    for name, marker, words in marks:
        if len(points := evidence[name]):
            axes.plot(*points.T, marker, color=WRONG, markersize=5, markerfacecolor="white", label=words)
            shown.append(words)
    if shown:
        axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.18), ncols=3)
    both = np.vstack([outline, disc])
    _to_scale(figure, axes, np.nanmin(both, axis=0), np.nanmax(both, axis=0))
    own_mm, disc_mm = evidence["outline_mm"][0], evidence["disc_outline_mm"][0]
    return (
        "First layer",
        f"Grey: what lies on the plate, {own_mm:.0f} mm of outline. Dashed: the disc of that area, {disc_mm:.0f} mm.",
        f"Drawing to scale of the first layer, {own_mm:.0f} mm of outline, against a disc of the same area with "
        f"{disc_mm:.0f} mm; compactness {evidence['quotient'][0]:.2g}, a disc has 1."
        + (f" Marked: {', '.join(shown)}." if shown else ""),
    )


@_kind
def wall_widths(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Wall surface by thickness with the limits drawn."""
    return _widths(finding, figure, "Wall thickness", "wall surface")


@_kind
def skin_thickness(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Floor and roof surface by thickness with the limits drawn."""
    return _widths(finding, figure, "Thickness of floors and roofs", "surface")


def _widths(finding: Finding, figure: Figure, title: str, noun: str) -> tuple[str, str, str]:
    edges, area = finding.evidence["bin_edges_mm"], finding.evidence["bin_area_mm2"]
    thicker = float(finding.evidence["thicker_area_mm2"][0])
    figure.set_size_inches(6.3, 2.4)
    axes = figure.add_subplot()
    strictest = max((limit.value for limit in finding.limits), default=0.0)
    below = edges[1:] <= strictest + 1e-9
    width = np.diff(edges)
    axes.bar(edges[:-1][~below], area[~below], width[~below], align="edge", color=GREY, edgecolor=LINE, linewidth=0.5)
    axes.bar(
        edges[:-1][below],
        area[below],
        width[below],
        align="edge",
        color="white",
        edgecolor=WRONG,
        linewidth=0.8,
        hatch="////",
    )
    top = float(area.max(initial=1.0)) * 1.1
    for limit in finding.limits:
        axes.axvline(limit.value, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        axes.annotate(
            f"{limit.value:.3g}", (limit.value, top), (0, 2), textcoords="offset points", ha="center", fontsize=7
        )
    axes.set_ylim(0, top)
    axes.set_xlim(0, edges[-1])
    axes.set_xlabel("thickness [mm]")
    axes.set_ylabel(f"{noun} [mm²]")
    bounds = " and ".join(limit.words for limit in finding.limits)
    return (
        title,
        f"Dashed: {bounds}. Hatched: thinner than wanted. Not drawn: {thicker:.0f} mm² thicker than {edges[-1]:g} mm.",
        f"Bar chart of {noun} by thickness from 0 to {edges[-1]:g} mm; limits {bounds}; "
        f"{area[below].sum():.0f} mm² lie below {strictest:.3g} mm, {area[~below].sum() + thicker:.0f} mm² above.",
    )


@_kind
def worst_layer(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """One layer to scale with its thin places."""
    evidence = finding.evidence
    outline, z_mm = evidence["outline"], float(evidence["layer_z_mm"][0])
    thin, opposite, widths = evidence["thin_points"], evidence["thin_opposite"], evidence["thin_width_mm"]
    axes = figure.add_subplot()
    _rings(axes, outline, facecolor=GREY, edgecolor=LINE, linewidth=0.4)
    across = np.stack([thin, opposite], axis=1)
    axes.add_collection(LineCollection(list(across), colors=WRONG, linewidths=1.0, rasterized=len(across) > 2000))
    low, high = np.nanmin(outline, axis=0), np.nanmax(outline, axis=0)
    _to_scale(figure, axes, low, high)
    narrowest = float(widths.min())
    widest = float(widths.max())
    span = f"{narrowest:.2f} mm" if widest - narrowest < 0.005 else f"{narrowest:.2f} to {widest:.2f} mm"
    return (
        f"Layer at {z_mm:.2f} mm above the plate",
        f"Grey: the layer to scale. Strokes across the walls: places found, {span} wide here.",
        f"Section of the part {z_mm:.2f} mm above the plate with the thin places marked by strokes; widths {span}.",
    )


@_kind
def plate_fit(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The plate from above: the part as it fits best, as sent, and as large as it could be."""
    evidence = finding.evidence
    turn_deg, scale, scale_deg = (float(evidence[n][0]) for n in ("best_deg", "largest_scale", "largest_deg"))
    axes = figure.add_subplot()
    axes.plot(*evidence["plate"].T, color=INK, linewidth=1.2)
    axes.plot(*evidence["margin"].T, color=LINE, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.fill(*evidence["best"].T, facecolor="#f0f0ee", edgecolor="none")
    axes.plot(*evidence["best_lines"].T, color=INK, linewidth=0.5)
    axes.plot(*evidence["best"].T, color=INK, linewidth=0.6)
    axes.plot(*evidence["largest"].T, color=MEASURED, linewidth=1.0, linestyle=(0, (5, 3)))
    as_sent = abs(turn_deg) < 1e-9
    if not as_sent:
        axes.plot(*evidence["unturned"].T, color=WRONG, linewidth=0.9, linestyle=(0, (3, 2)))
    every = np.vstack([evidence[name] for name in ("plate", "best", "largest", "unturned")])
    _to_scale(figure, axes, every.min(axis=0), every.max(axis=0), width_in=4.6)
    plate_mm = np.ptp(evidence["plate"], axis=0)
    sent = "" if as_sent else " Dashed orange: its outline as sent."
    grown = f"{scale:.2f} times its size at {scale_deg:.0f}°"
    return (
        "The plate from above",
        f"Part in its outline, turned {turn_deg:.0f}°, inside the plate of {plate_mm[0]:.0f} by {plate_mm[1]:.0f} mm "
        f"and its margin (dotted).{sent} Dashed blue: the largest that would fit, {grown}.",
        f"Plan of the plate, {plate_mm[0]:.0f} by {plate_mm[1]:.0f} mm, with the part turned {turn_deg:.0f} degrees; "
        f"the largest part of this shape that fits is {grown}.",
    )
