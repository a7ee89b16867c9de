"""How far the surface of a part moved between two revisions."""

import matplotlib as mpl
import numpy as np
from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm
from matplotlib.figure import Figure
from numpy.typing import NDArray

from reviewkit.figures.style import DPI, INK, MEASURED, STYLE, WRONG, drawing_of
from reviewkit.model import Drawing, Floats

# Blue where matter was taken, orange where it was added; both dark at their ends, so that amounts read in grey too.
_MAP = LinearSegmentedColormap.from_list("moved", [MEASURED, "#f4f2ee", WRONG])
_LEAST_MM = 0.1


def surface_picture(name: str, title: str, rgb: NDArray[np.uint8], distance_mm: Floats, mm_per_pixel: float) -> Drawing:
    """A shaded picture of the new part, coloured by how far its surface moved.

    Parameters
    ----------
    name, title : str
        Of the figure.
    rgb : (h, w, 3) uint8
        The shaded picture.
    distance_mm : (h, w) float
        Distance from the old surface at each pixel, positive where matter was added, nan off the part [mm].
    mm_per_pixel : float
        Scale of the picture [mm].
    """
    height, width = distance_mm.shape
    most = max(_LEAST_MM, float(np.nanmax(np.abs(distance_mm), initial=0.0)))
    norm = TwoSlopeNorm(0.0, -most, most)
    # The colour lies over the shading, so that the shape stays legible.
    shade = rgb.astype(float) / 255
    colour = _MAP(norm(np.nan_to_num(distance_mm)))[..., :3]
    mixed = np.where(np.isnan(distance_mm)[..., None], shade, shade * colour)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width / 1.6 / DPI, height / 1.6 / DPI + 0.5), dpi=1.6 * DPI, layout="constrained")
        axes = figure.add_subplot()
        axes.imshow(np.clip(mixed, 0, 1), interpolation="nearest")
        axes.set_axis_off()
        shades = mpl.cm.ScalarMappable(norm, _MAP)
        bar = figure.colorbar(shades, ax=axes, orientation="horizontal", shrink=0.6, aspect=40, pad=0.02)
        bar.set_label("taken away  \u2190  surface moved [mm]  \u2192  added")
        span = f"{width * mm_per_pixel:.0f} mm wide"
        caption = f"Orange: matter added; blue: taken away; the picture is {span}."
        alt = f"{title}, coloured by how far its surface moved; the most is {most:.2g} mm."
        return drawing_of(figure, name, "", title, caption, alt, vector=False)


def surface_spread(name: str, part: str, added_mm: Floats, taken_mm: Floats) -> Drawing:
    """How much of the surface moved how far.

    Parameters
    ----------
    name, part : str
        Of the figure and of the part.
    added_mm : (n,) float
        Distance of places spread over the new surface from the old one, positive where matter was added [mm].
    taken_mm : (k,) float
        Of places spread over the old surface from the new one, positive where matter was taken [mm].
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.0, 2.4), dpi=DPI, layout="constrained")
        axes = figure.add_subplot()
        most = max(_LEAST_MM, float(np.abs(added_mm).max()), float(np.abs(taken_mm).max()))
        bins = np.linspace(-most, most, 61)
        for values, colour, label in (
            (added_mm, WRONG, "new surface, from the old"),
            (-taken_mm, MEASURED, "old surface, from the new"),
        ):
            share = 100 * np.histogram(values, bins)[0] / len(values)
            axes.stairs(share, bins, color=colour, label=label, linewidth=1.2)
        axes.axvline(0.0, color=INK, linewidth=0.5)
        axes.set_yscale("log")
        axes.set_xlabel("distance, positive where matter was added [mm]")
        axes.set_ylabel("share of the surface [%]")
        axes.legend()
        alt = f"Share of the surface of {part} by how far it moved, at most {most:.2g} mm either way."
        caption = "Most of a part that was changed in one place stands in the middle; the scale is logarithmic."
        return drawing_of(figure, name, "", f"How far the surface of {part} moved", caption, alt, vector=True)
