"""What bends: numbered flexures, force and energy over the stroke, the bent shape, strains, forces of many parts."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation
from numpy.typing import NDArray

from reviewkit.figures.style import GREY, INK, LINE, MEASURED, WRONG, fill_rings, text, to_scale
from reviewkit.model import Finding, Floats

_STRAIN = LinearSegmentedColormap.from_list("strain", [MEASURED, "#9db4d3", "#e4e4e1", "#e8b48c", WRONG])
_LEVELS = 12
_SQUARE = np.array([[-1, 1, 1, -1, -1], [-1, -1, 1, 1, -1]])


def numbered_flexures(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The section with its flexures marked and numbered."""
    evidence = finding.evidence
    section, middles, numbers = evidence["section"], evidence["middles"], evidence["numbers"]
    names, height = evidence["names"], float(evidence["height_mm"][0])
    axes = figure.add_subplot()
    fill_rings(axes, section, facecolor=GREY, edgecolor=LINE, linewidth=0.5)
    fill_rings(axes, evidence["flexures"], facecolor=MEASURED, edgecolor=MEASURED, linewidth=0.9)
    low, high = np.nanmin(section, axis=0), np.nanmax(section, axis=0)
    for number, (x, y) in zip(numbers, middles, strict=True):
        text(axes, x, y, str(number), fontsize=6.5, color=INK, ha="center", va="center",
             bbox={"boxstyle": "circle,pad=0.15", "fc": "white", "ec": INK, "lw": 0.5})  # fmt: skip
    to_scale(figure, axes, low, high)
    if not evidence["in_layers"][0]:
        axes.set_xlabel("in the section [mm]")
        axes.set_ylabel("[mm]")
    listed = ", ".join(f"{number} {name}" for number, name in zip(numbers, names, strict=True))
    return (
        "Flexures",
        f"Section at {height:.1f} mm. Blue: flexures, {listed}.",
        f"Section with {len(numbers)} flexures marked and numbered: {listed}.",
    )


def force_over_stroke(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Force over the stroke with its scatter and what is asked, and the energy stored."""
    evidence = finding.evidence
    stroke, force, energy = evidence["stroke"], evidence["force"], evidence["energy_mj"]
    low, high = evidence["scatter"]
    soft, stiff = evidence["material"]
    lower, _, upper = evidence["asked"]
    force_unit, stroke_unit = ("N mm", "deg") if evidence["is_turn"][0] else ("N", "mm")
    figure.set_size_inches(6.3, 2.9)
    axes, beside = figure.subplots(1, 2, width_ratios=(1.6, 1.0))
    axes.fill_between(stroke, soft * force, stiff * force, facecolor=GREY, label="material's range")
    axes.fill_between(stroke, low * force, high * force, facecolor="none", edgecolor=MEASURED, hatch="////",
                      linewidth=0.0, label="95 % of parts")  # fmt: skip
    axes.plot(stroke, force, color=MEASURED, linewidth=1.4, label="as laid")
    axes.plot(stroke, evidence["drawn_force"], color=INK, linewidth=0.9, linestyle=":", label="as drawn")
    _bounds(axes, stroke[-1], evidence["asked"])
    axes.set_xlim(0, 1.06 * stroke[-1])
    axes.set_ylim(0, 1.12 * float(np.nanmax([stiff * force[-1], high * force[-1], upper])))
    axes.set_xlabel(f"stroke [{stroke_unit}]")
    axes.set_ylabel(f"force [{force_unit}]")
    axes.legend(loc="upper left")
    beside.plot(stroke, energy, color=MEASURED, linewidth=1.4)
    beside.set_xlim(0, stroke[-1])
    beside.set_ylim(0, 1.12 * float(energy[-1]))
    beside.set_xlabel(f"stroke [{stroke_unit}]")
    beside.set_ylabel("energy [mJ]")
    asked = ""
    if np.isfinite([lower, upper]).all():
        asked = f" Bar at its end: {lower:.3g} to {upper:.3g} {force_unit} asked for."
    end = f"{force[-1]:.3g} {force_unit} at {stroke[-1]:.3g} {stroke_unit}"
    return (
        "Force and energy over the stroke",
        f"Line: widths as the lines are laid; dotted: as drawn. Grey: the range of the material. Hatched: 95 of 100 "
        f"parts, widths scattering.{asked} Right: energy stored.",
        f"Force rises to {end}, from {low * force[-1]:.3g} to {high * force[-1]:.3g} {force_unit} for 95 of 100 parts; "
        f"energy to {energy[-1]:.3g} mJ.{asked}",
    )


def deformed_shape(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """The section bent at the end of the stroke over the section at rest, and the most strained flexure by strain."""
    evidence = finding.evidence
    nodes, triangles = np.asarray(evidence["nodes_mm"], dtype=float), evidence["triangles"]
    rings, at = evidence["rings"], nodes + evidence["moved_mm"]
    most = float(evidence["scale"][0])
    figure.set_size_inches(6.3, 3.3)
    whole, near = figure.subplots(1, 2, width_ratios=(1.35, 1.0))
    x, y, half = evidence["near"]
    for axes in (whole, near):
        fill_rings(axes, _along(nodes, rings), facecolor=GREY, edgecolor="none")
        axes.set_aspect("equal")
        axes.set_xlabel("in the section [mm]")
    whole.plot(*_along(at, rings).T, color=INK, linewidth=0.5)
    whole.plot(x + half * _SQUARE[0], y + half * _SQUARE[1], color=MEASURED, linewidth=0.8)
    whole.set_ylabel("[mm]")
    inside = (np.abs(at - (x, y)) < 1.1 * half).all(axis=1)[triangles].any(axis=1)
    shown = near.tricontourf(
        Triangulation(at[:, 0], at[:, 1], triangles, ~inside), np.clip(100 * evidence["strain"], -most, most),
        levels=np.linspace(-most, most, _LEVELS), cmap=_STRAIN,
    )  # fmt: skip
    near.plot(*_along(at, rings).T, color=INK, linewidth=0.5)
    near.set_xlim(x - half, x + half)
    near.set_ylim(y - half, y + half)
    bar = figure.colorbar(shown, ax=near, shrink=0.6, pad=0.03, ticks=[-most, -most / 2, 0, most / 2, most])
    bar.ax.set_yticklabels([f"{value:+.2g}" if value else "0" for value in (-most, -most / 2, 0, most / 2, most)])
    bar.set_label("strain [%]")
    way = float(np.hypot(*evidence["moved_mm"].T).max())
    return (
        "Bent at the end of the stroke",
        f"Grey: at rest; line: at the end of the stroke, true to scale. Right: the most strained flexure, which the "
        f"square shows; orange is stretched, blue pressed together, up to {most:.2g} %; what is beyond shows as that.",
        f"Section at the end of the stroke over the section at rest; it moves {way:.3g} mm at most, and the flexures "
        f"are strained up to {most:.2g} % on both sides.",
    )


def strain_bars(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """Strain of each flexure as a bar, with what its duty allows."""
    evidence = finding.evidence
    names, nominal, root = evidence["names"], evidence["nominal"], evidence["root"]
    meets, fails = evidence["meets"], evidence["fails"]
    rows = np.arange(len(names))
    figure.set_size_inches(6.3, float(np.clip(0.9 + 0.19 * len(names), 1.8, 5.5)))
    axes = figure.add_subplot()
    over = np.fmax(nominal, root) > meets * (1 + 1e-9)
    axes.barh(rows, np.fmax(nominal, root), height=0.66, facecolor="white", edgecolor=INK, hatch="////", linewidth=0.6,
              label="in its fillets")  # fmt: skip
    axes.barh(rows, nominal, height=0.66, color=[WRONG if bad else MEASURED for bad in over])
    for limit, look, name in ((meets, "-", "allowed"), (fails, (0, (4, 2)), "fails")):
        segments = [[(value, row - 0.45), (value, row + 0.45)] for row, value in zip(rows, limit, strict=True)]
        axes.add_collection(LineCollection(segments, colors=INK, linewidths=1.1, linestyles=[look], label=name))
    axes.set_yticks(rows, [str(name) for name in names], fontsize=6.5, parse_math=False)
    axes.invert_yaxis()
    axes.set_xlim(0, 1.1 * float(np.nanmax([np.nanmax(np.fmax(nominal, root)), np.nanmax(np.fmax(meets, fails))])))
    axes.set_xlabel("strain at the end of the stroke [%]")
    worst = int(np.argmax(np.fmax(nominal, root) / meets))
    told = f"{over.sum()} of {len(names)} are strained beyond it" if over.any() else "none is strained beyond it"
    return (
        "Strain of each flexure",
        "Bars: nominal strain, orange beyond what is allowed; hatched: in the fillets of the roots. Full line: "
        "allowed; dashed: from there it fails.",
        f"Bars of strain for {len(names)} flexures; the most strained for its duty is {names[worst]} "
        f"with {np.fmax(nominal, root)[worst]:.2g} % of {meets[worst]:.2g} % allowed; {told}.",
    )


def force_histogram(finding: Finding, figure: Figure) -> tuple[str, str, str]:
    """How the forces of many parts, and the means of machines, spread against the tolerance."""
    evidence = finding.evidence
    edges, parts, machines = evidence["edges"], evidence["parts"], evidence["machines"]
    lower, nominal, upper = evidence["asked"]
    unit = "N mm" if evidence["is_turn"][0] else "N"
    centres = (edges[:-1] + edges[1:]) / 2
    outside = (centres < (lower if np.isfinite(lower) else -np.inf)) | (
        centres > (upper if np.isfinite(upper) else np.inf)
    )
    figure.set_size_inches(6.3, 2.6)
    axes = figure.add_subplot()
    width = edges[1] - edges[0]
    axes.bar(centres, 100 * parts, width=width, color=[WRONG if out else MEASURED for out in outside], label="parts")
    axes.step(edges, 100 * np.append(machines, machines[-1]), where="post", color=INK, linewidth=0.9,
              label="means of machines")  # fmt: skip
    for value, look in ((lower, (0, (4, 2))), (nominal, "-"), (upper, (0, (4, 2)))):
        if np.isfinite(value):
            axes.axvline(value, color=INK, linewidth=0.9, linestyle=look)
    axes.set_xlabel(f"force at the end of the stroke [{unit}]")
    axes.set_ylabel("share [%]")
    axes.legend(loc="upper left")
    out = 100 * float(parts[outside].sum())
    return (
        "Force of many parts",
        "Bars: share of parts by force, orange out of tolerance. Line: means of machines. Dashed: the tolerance; full: "
        "the force asked for.",
        f"Histogram of the forces of many parts from {edges[0]:.3g} to {edges[-1]:.3g} {unit}; about {out:.1f} % of "
        "them are out of tolerance.",
    )


def _bounds(axes: Axes, at: float, asked: Floats) -> None:
    """What is asked for at the end of the stroke, as a bar."""
    lower, nominal, upper = (float(value) for value in asked)
    if not np.isfinite(nominal):
        return
    place = 1.02 * at
    if np.isfinite([lower, upper]).all():
        axes.plot([place, place], [lower, upper], color=INK, linewidth=2.4, solid_capstyle="butt", label="asked for")
    axes.plot([place], [nominal], "_", color=INK, markersize=9, markeredgewidth=1.2)


def _along(points: Floats, rings: NDArray[np.int32]) -> Floats:
    """Points along outlines, a row of nan between them."""
    return np.where(rings[:, None] >= 0, points[rings], np.nan)
