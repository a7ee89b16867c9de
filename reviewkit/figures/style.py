"""How every figure looks, and what all of them need."""

import io
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from reviewkit.model import Drawing, Floats

INK = "#222222"
GREY = "#d5d5d2"
LINE = "#7a7a76"
MEASURED = "#1f4e8c"
WRONG = "#c8500a"

STYLE: Any = {
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
DPI = 100


def text(axes: Axes, x: float, y: float, words: str, **style: Any) -> None:
    """Text at a place [unit of the axes] that is never read as mathematics, whatever a customer wrote."""
    axes.text(x, y, words, parse_math=False, **style)


def fill_rings(axes: Axes, outline: Floats, **style: Any) -> None:
    """Fill closed rings [mm]; a row of nan parts one ring from the next, holes run the other way."""
    rings = [ring for ring in np.split(outline, np.flatnonzero(np.isnan(outline[:, 0]))) if len(ring)]
    rings = [ring[~np.isnan(ring[:, 0])] for ring in rings]
    codes: list[NDArray[np.uint8]] = []
    for ring in rings:
        code = np.full(len(ring), Outline.LINETO, dtype=np.uint8)
        code[0], code[-1] = Outline.MOVETO, Outline.CLOSEPOLY
        codes.append(code)
    axes.add_patch(PathPatch(Outline(np.concatenate(rings), np.concatenate(codes)), **style))


def to_scale(figure: Figure, axes: Axes, low: Floats, high: Floats, width_in: float = 6.3) -> None:
    """Size the figure [in] so that a drawing to scale [mm] fills it."""
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


def drawing_of(figure: Figure, name: str, finding: str, title: str, caption: str, alt: str, *, vector: bool) -> Drawing:
    """A finished figure as a drawing; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
    name, finding, title, caption, alt
        As in :class:`reviewkit.model.Drawing`.
    vector : bool
        SVG for lines and letters, PNG for pictures.
    """
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
