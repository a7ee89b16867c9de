"""What the agenda of a week shows: a small picture of each part, and which kinds of findings fail over the weeks."""

import io
from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.image import imsave
from matplotlib.ticker import MaxNLocator

from reviewkit.figures.style import DPI, INK, LINE, MEASURED, STYLE, drawing_of
from reviewkit.model import Drawing, Picture
from reviewkit.submission import slug

_COLUMNS = 3
_WEEKS_NAMED = 6
_BARE: Any = {"Software": None}
_PANEL_IN = (2.15, 1.35)


def thumbnail(picture: Picture, width_px: int = 220) -> Drawing:
    """A picture of a part, small and without marks.

    Parameters
    ----------
    picture : Picture
    width_px : int
        At most so wide [px].
    """
    step = max(1, -(-picture.rgb.shape[1] // width_px))
    height, width = (side // step * step for side in picture.rgb.shape[:2])
    blocks = picture.rgb[:height, :width].reshape(height // step, step, width // step, step, 3)
    small = np.rint(blocks.mean(axis=(1, 3))).astype(np.uint8)
    file = io.BytesIO()
    imsave(file, small, format="png", metadata=_BARE)
    name = slug(f"small {picture.name}")
    return Drawing(name, "", picture.title, "", picture.alt, None, file.getvalue(), small.shape[1], small.shape[0])


def trend(weeks: Sequence[str], failing: Mapping[str, Sequence[int]], reviewed: Sequence[int]) -> Drawing:
    """How many findings of each kind failed in the reviews of each week, a small chart a kind.

    Parameters
    ----------
    weeks : sequence of str
        Such as ``2026-W09``, in order.
    failing : mapping of str to sequence of int
        For each kind, in the order to be shown, the count in each week [-].
    reviewed : sequence of int
        How many revisions were reviewed in each week [-].
    """
    charts = {"Revisions reviewed": reviewed, **failing}
    most = max((count for counts in failing.values() for count in counts), default=0)
    step = -(-len(weeks) // _WEEKS_NAMED)
    named = range((len(weeks) - 1) % step, len(weeks), step)
    rows = -(-len(charts) // _COLUMNS)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(_COLUMNS * _PANEL_IN[0], rows * _PANEL_IN[1]), dpi=DPI, layout="constrained")
        grid = figure.subplots(rows, _COLUMNS, squeeze=False)
        for axes, (kind, counts) in zip(grid.flat, charts.items(), strict=False):
            colour = LINE if counts is reviewed else MEASURED
            axes.bar(range(len(weeks)), counts, color=colour, width=0.7)
            axes.set_title(kind, fontsize=7.5, loc="left", color=INK, parse_math=False)
            axes.set_xticks(named, [weeks[at].partition("-")[2] for at in named], fontsize=6.5)
            axes.yaxis.set_major_locator(MaxNLocator(3, integer=True))
            # One scale for all kinds, so that their sizes can be compared.
            axes.set_ylim(0, max(1, *(reviewed if counts is reviewed else (most,))))
            axes.set_xlim(-0.6, len(weeks) - 0.4)
        for axes in grid.flat[len(charts) :]:
            axes.set_axis_off()
        told = [f"{kind} {', '.join(map(str, counts))}" for kind, counts in charts.items()]
        alt = f"Failing findings by kind in the weeks {', '.join(weeks)}: {'; '.join(told)}."
        caption = "Counted once for each revision reviewed in a week, as its last review of that week told."
        return drawing_of(figure, "trend", "", "Failing findings by kind over the weeks", caption, alt, vector=True)
