"""How every figure looks, and what all of them need."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from reviewkit.model import Floats

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
