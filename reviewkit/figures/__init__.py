"""Finding or picture -> figure.  Draws evidence as it stands and computes nothing.

Greys and hatch carry the part, one blue carries what is measured, one orange what is
wrong; both differ in lightness too, and every meaning is also said in words.
"""

from collections.abc import Callable, Iterator, Sequence
from weakref import WeakKeyDictionary

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from reviewkit.errors import ReviewError
from reviewkit.figures import (
    access,
    cost,
    edges,
    first_layer,
    fits,
    flight,
    gaps,
    grip,
    handhold,
    lift,
    loads,
    mechanics,
    overhangs,
    packing,
    pinch,
    plate,
    poses,
    printing,
    process,
    projectiles,
    removal,
    small_parts,
    stability,
    trap_holes,
    walls,
    yields,
)
from reviewkit.figures.style import DPI, INK, STYLE, WRONG, drawing_of, text
from reviewkit.model import Drawing, Finding, Picture, Review
from reviewkit.submission import slug

_MARK_PX = 14.5

# A drawing fills an empty figure from a finding's evidence and returns title, caption and
# alternative text.  A finding names it by its function's name.
Draw = Callable[[Finding, Figure], tuple[str, str, str]]
_DRAWINGS: tuple[Draw, ...] = (
    plate.plate_fit,
    first_layer.first_layer,
    walls.wall_widths,
    walls.skin_thickness,
    walls.worst_layer,
    poses.pose_sheet,
    gaps.gap_layer,
    gaps.detail_layer,
    overhangs.overhang_map,
    overhangs.midair_layer,
    stability.growing_print,
    removal.push_plan,
    lift.corner_lift,
    loads.layer_strength,
    fits.fit_interval,
    fits.boss_section,
    mechanics.numbered_flexures,
    mechanics.force_over_stroke,
    mechanics.deformed_shape,
    mechanics.strain_bars,
    mechanics.force_histogram,
    access.probe_path,
    access.see_through,
    pinch.gap_over_stroke,
    trap_holes.trap_holes,
    small_parts.cylinder_fit,
    small_parts.held_piece,
    projectiles.tip_profile,
    projectiles.energy_at_speed,
    projectiles.contact_area,
    edges.edge_map,
    edges.edge_section,
    grip.grip_sections,
    grip.grip_corners,
    grip.grip_length,
    grip.grip_fit,
    handhold.handle_clearance,
    handhold.finger_opening,
    handhold.pull_force,
    handhold.balance,
    flight.side_view,
    flight.moment_over_angle,
    flight.what_would_help,
    flight.flight_path,
    flight.pitch_over_path,
    flight.energy_over_path,
    printing.minutes_by_kind,
    printing.mass_by_kind,
    packing.plate_layout,
    packing.copies_per_pose,
    cost.cost_terms,
    cost.cost_worth,
    cost.days_by_printers,
    yields.guessed_losses,
    yields.pilot_shares,
    yields.pilot_values,
    process.undercuts,
    process.break_even,
    cost.hands_by_operation,
)
_KINDS = {draw.__name__: draw for draw in _DRAWINGS}
# A workbook shows a figure and the document holds it; it is drawn once, as long as its finding lives.
_kept: WeakKeyDictionary[Finding, dict[str, Drawing]] = WeakKeyDictionary()


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
    kept = _kept.setdefault(finding, {})
    if kind not in kept:
        with mpl.rc_context(STYLE):
            figure = Figure(layout="constrained", dpi=DPI)
            title, caption, alt = _KINDS[kind](finding, figure)
            name = slug(f"{finding.key} {kind}")
            kept[kind] = drawing_of(figure, name, finding.key, title, caption, alt, vector=True)
    return kept[kind]


def pictured(picture: Picture) -> Drawing:
    """A shaded picture with its marks and a scale bar."""
    height, width = picture.rgb.shape[:2]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width / 2 / DPI, height / 2 / DPI), dpi=2 * DPI)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.imshow(picture.rgb, interpolation="nearest")
        axes.set_axis_off()
        _marks(axes, picture.marks, width, height)
        _scale_bar(axes, picture.mm_per_pixel, width, height)
        return drawing_of(figure, picture.name, picture.finding, picture.title, "", picture.alt, vector=False)


def _all(review: Review) -> Iterator[Drawing]:
    for picture in review.pictures:
        yield pictured(picture)
    for finding in review.findings:
        for kind in finding.figures:
            yield drawn(finding, kind)


def _marks(axes: Axes, marks: Sequence[tuple[str, float, float]], width: int, height: int) -> None:
    """Numbered marks, each label beside its place where it hides no other, one label a number and spot."""
    radius = _MARK_PX
    taken = [(x, y) for _, x, y in marks]
    # Near and upright places first; the finer ones serve crowded corners.
    plain, fine = (-45, -135, 45, 135, -90, 90, 0, 180), np.arange(11.25, 360, 11.25)
    reach = [
        (r, turn) for turns in (plain, fine) for r in (2.2, 3.4, 4.8, 6.4, 8.4, 10.4) for turn in np.radians(turns)
    ]
    for label, x, y in marks:
        places = [(x + r * radius * np.cos(turn), y + r * radius * np.sin(turn)) for r, turn in reach]
        inside = [(u, v) for u, v in places if radius < u < width - radius and radius < v < height - radius]
        free = [(u, v) for u, v in inside if all(np.hypot(u - p, v - q) > 1.9 * radius for p, q in taken)]
        u, v = (free or inside or places)[0]
        taken.append((u, v))
        axes.plot([x, u], [y, v], color=INK, linewidth=0.7)
        axes.plot([x], [y], "o", markersize=2.6, color=WRONG, markeredgecolor="white", markeredgewidth=0.4)
        axes.add_patch(Circle((u, v), radius, facecolor=INK, edgecolor="white", linewidth=0.6, zorder=3))
        text(axes, u, v, label, ha="center", va="center_baseline", fontsize=5.6, color="white", zorder=4)


def _scale_bar(axes: Axes, mm_per_pixel: float, width: int, height: int) -> None:
    """A bar of a round length near a fifth of the picture's width."""
    length_mm = _round_length(0.2 * width * mm_per_pixel)
    length = length_mm / mm_per_pixel
    x, y = 0.03 * width, 0.965 * height
    axes.plot([x, x + length], [y, y], color=INK, linewidth=1.5, solid_capstyle="butt")
    text(axes, x + length / 2, y - 0.012 * height, f"{length_mm:g} mm", ha="center", va="bottom", fontsize=6.5)


def _round_length(length: float) -> float:
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(step * power for step in (1, 2, 5) if step * power <= length))
