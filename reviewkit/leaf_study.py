"""The leaves of a mechanism on trial: from a submission or from numbers, with what other leaves would give.

What the workbook of flexures and its panel show; the sums are those of :mod:`reviewkit.measure.trade`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from IPython.display import HTML
from markupsafe import Markup

from reviewkit import limits as tables
from reviewkit.document.page import environment
from reviewkit.document.show import show_drawing
from reviewkit.errors import SetupError
from reviewkit.figures import trade as pictures
from reviewkit.limits import Limits
from reviewkit.measure.flexures import FlexureKind
from reviewkit.measure.trade import (
    Design,
    Making,
    Ripple,
    Studied,
    Task,
    even_wall_gain,
    force_curve,
    making,
    rippled,
    stroke_at_strain_mm,
    studied,
    trades,
)
from reviewkit.mechanics import Bending, Drive, drives
from reviewkit.model import Drawing, Setup
from reviewkit.review import DEFAULT_MACHINE, DEFAULT_MATERIAL, opened
from reviewkit.submission import MotionKind

# What only guards input: least and greatest of each number, and its unit.
RANGES: Mapping[str, tuple[float, float, str]] = {
    "count": (1, 60, ""),
    "width": (0.2, 4.0, "mm"),
    "depth": (0.4, 120.0, "mm"),
    "length": (3.0, 200.0, "mm"),
    "stroke": (0.1, 60.0, "mm"),
    "amplitude": (0.0, 4.0, "mm"),
    "root radius": (0.0, 8.0, "mm"),
}
# Leaves whose sizes differ by less, as a share, are alike; places of a curve, and how far it goes beyond the end.
_ALIKE = 0.15
_POINTS, _FARTHER = 41, 1.25

_ROWS = """<style>{% include "notebook.css" %}</style><div class="reviewkit"><table class="trades">
<caption>{{ caption }}</caption><thead><tr>{% for head in heads %}<th scope="col">{{ head }}</th>{% endfor %}</tr>
</thead><tbody>{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</tbody>
</table>{% for note in notes %}<p>{{ note }}</p>{% endfor %}</div>"""
_COLUMNS = ("leaves", "width", "depth", "length", "time", "scatter", "plate", "strain")
_UNITS = ("", "mm", "mm", "mm", "min", "%", "cm2", "%")


@dataclass(frozen=True, eq=False)
class LeafStudy:
    """Where a study begins.

    Parameters
    ----------
    design : Design
    task : Task
    setup : Setup
    limits : Limits
    words : str
        Where the leaves come from, and what is not of them.
    """

    design: Design
    task: Task
    setup: Setup
    limits: Limits
    words: str

    def making(self, material: str = "") -> Making:
        """How the leaves are made, in another material when one is named."""
        setup = replace(self.setup, material=tables.material(material)) if material else self.setup
        return making(self.limits, setup)


def begun(
    source: str | Path = "",
    region: str = "",
    *,
    count: int = 4,
    width_mm: float = 0.8,
    depth_mm: float = 8.0,
    length_mm: float = 30.0,
    stroke_mm: float = 3.0,
    root_radius_mm: float = 0.0,
    material: str = "",
    machine: str = "",
) -> LeafStudy:
    """Begin with the leaves of a submission, or without one with numbers.

    Parameters
    ----------
    source : str or Path
        Folder of a submission with a declared motion that bends leaves; empty for numbers.
    region : str
        Which moving region, where several are declared to move.
    count : int
        Leaves side by side; this and what follows are for numbers only [-].
    width_mm, depth_mm, length_mm, stroke_mm, root_radius_mm : float
        Of each leaf, its stroke and the fillets at its ends [mm].
    material, machine : str
        Names; the usual ones when empty.

    Returns
    -------
    LeafStudy

    Raises
    ------
    ReviewError
        In one line, for a submission without such leaves or a number out of range.
    """
    if source:
        return _of_submission(Path(source), region, machine, material)
    for name, value in (
        ("count", count), ("width", width_mm), ("depth", depth_mm), ("length", length_mm), ("stroke", stroke_mm),
        ("root radius", root_radius_mm),
    ):  # fmt: skip
        low, high, unit = RANGES[name]
        if not low <= value <= high:
            raise SetupError(f"{name} {value:g} {unit}".rstrip() + f" is out of range; give {low:g} to {high:g} {unit}")
    known = tables.machine(machine or DEFAULT_MACHINE)
    setup = Setup(
        machine=known,
        material=tables.material(material or DEFAULT_MATERIAL),
        layer_height_mm=known.layer_height_mm,
        line_width_mm=known.line_width_mm,
        first_layer_mm=known.first_layer_mm,
    )
    words = "Leaves side by side between bodies that do not turn, by formula; strain is nominal, without notch factor."
    design = Design(count, width_mm, depth_mm, length_mm, root_radius_mm=root_radius_mm)
    return LeafStudy(design, Task(stroke_mm), setup, tables.load_limits(), words)


def curves(study: LeafStudy, design: Design, task: Task, made: Making) -> Drawing:
    """Force and energy over the stroke of a design, against those of the design that the study began from."""
    stroke = np.linspace(0.0, _FARTHER * task.stroke_mm, _POINTS)
    force, energy = force_curve(design, task, made, stroke)
    before, before_energy = force_curve(study.design, study.task, study.making(), stroke)
    modulus = made.setup.material["modulus"]
    evidence = {
        "stroke": stroke,
        "force": force,
        "energy_mj": energy,
        "before_force": before,
        "before_energy_mj": before_energy,
        "scatter": studied(design, task, made).spread.range_95,
        "material": (modulus.low / modulus.value, modulus.high / modulus.value),
        "end": task.stroke_mm,
        "strain_stroke": stroke_at_strain_mm(design, task, made, made.strain_allowed),
        "strain_allowed": made.strain_allowed,
        "material_name": made.setup.material.name,
    }
    return pictures.leaf_study(evidence)


def trade_picture(rows: Sequence[Studied]) -> Drawing:
    """Designs side by side as a plot."""
    values = np.array([_numbers(row) for row in rows])
    errors = np.full(values.shape, np.nan)
    errors[:, _COLUMNS.index("time")] = [row.time_uncertainty_s / 60 for row in rows]
    evidence = {
        "names": [row.name for row in rows],
        "columns": _COLUMNS,
        "units": _UNITS,
        "values": values,
        "errors": errors,
        "against": [bool(row.against) for row in rows],
    }
    return pictures.trade_table(evidence)


def trade_table(rows: Sequence[Studied], made: Making) -> HTML:
    """Designs side by side as a table, with what is against each."""
    heads = ["design", *(f"{name} [{unit}]" if unit else name for name, unit in zip(_COLUMNS, _UNITS, strict=True))]
    cells = [[row.name, *_shown(row), "; ".join(row.against) or "nothing known"] for row in rows]
    scatter = made.scatter
    notes = (
        "Straight leaves of the same stiffness, stroke and strain hold the same material, however many and however "
        "wide they are; fewer and deeper ones leave the scatter as it is, wider ones lessen it.",
        f"Time is a proxy: length of the lines of the leaves over their speed, give or take "
        f"{100 * made.time_share:.0f} % (95 %); travel, cooling and what the leaves join, which grows with their "
        "depth, are not in it.",
        f"Scatter is half the range of the force of 95 of 100 parts. Widths scatter by {scatter.leaf_mm:g} mm from "
        f"leaf to leaf, {scatter.part_mm:g} mm from part to part and {scatter.machine_mm:g} mm from machine to machine "
        "(standard deviations).",
        f"Plate is what the leaves cover with {made.gap_mm:g} mm between them, without what they join.",
    )
    return _table("Leaves for the same stiffness, stroke and strain", [*heads, "against it"], cells, notes)


def ripple_table(design: Design, made: Making) -> HTML:
    """What a wave does in each of the three directions, for a design or for the wave that is tried without one."""
    height_mm = design.amplitude_mm or made.ripple * design.width_mm
    cells = []
    for ripple in (Ripple.SECTION, Ripple.IN_PLANE, Ripple.OUT_OF_PLANE):
        wavy = replace(design, ripple=ripple, amplitude_mm=height_mm)
        ratio = rippled(wavy, made.poisson)
        cells.append(
            [ripple.value, *(f"x {value:.3g}" for value in (ratio.bending, ratio.axial, ratio.strain, ratio.road)),
             _ripple_words(ripple, wavy)]
        )  # fmt: skip
    caption = f"A wave of {height_mm:.2f} mm to each side, {design.waves} waves, against the straight leaf"
    heads = [
        "wave",
        "stiffness",
        "stiffness along the leaf",
        "strain at the same stroke",
        "length of lines",
        "in words",
    ]
    return _table(caption, heads, cells, ())


def show_curves(study: LeafStudy) -> None:
    """Display force and energy of the design that a study begins from."""
    show_drawing(curves(study, study.design, study.task, study.making()))


def show_trades(study: LeafStudy) -> HTML:
    """Display the plot of the trades, and give the table."""
    made = study.making()
    rows = trades(study.design, study.task, made)
    show_drawing(trade_picture(rows))
    return trade_table(rows, made)


def show_ripples(study: LeafStudy) -> HTML:
    """The table of what a wave does in each direction."""
    return ripple_table(study.design, study.making())


def summary(row: Studied, task: Task, made: Making) -> str:
    """A design in a line."""
    low, high = row.spread.range_95
    laid = f"{row.laid_mm:.2f} mm as laid"
    return (
        f"Stiffness {row.stiffness_N_mm:.3g} N/mm; at {task.stroke_mm:g} mm {row.force_N:.3g} N and "
        f"{row.energy_N_mm:.3g} mJ, "
        f"{low * row.force_N:.3g} to {high * row.force_N:.3g} N for 95 of 100 parts; strain {100 * row.strain:.3g} % "
        f"of {100 * made.strain_allowed:.2g} % that {made.setup.material.name} bears for many strokes; {laid}"
    )


# --- from a submission ----------------------------------------------------------------------


def _of_submission(source: Path, region: str, machine: str, material: str) -> LeafStudy:
    case = opened(source, machine=machine, material=material)
    reasons = []
    for workpiece in case.workpieces:
        for drive in drives(workpiece, case.limits):
            if region and drive.motion.region != region:
                continue
            leaves = _alike(drive)
            if drive.reason or not leaves:
                reasons.append(f"{drive.motion.name}: {drive.reason or _NO_LEAVES}")
                continue
            return _scaled(drive, leaves, workpiece.setup, case.limits)
    told = "; ".join(reasons) or (
        f"nothing called {region!r} is declared to move" if region else "no motion is declared"
    )
    raise SetupError(f"{source.name} holds no leaves to study: {told}; give numbers instead")


_NO_LEAVES = "no leaves that are guided at both ends and bend within the layers carry it in a straight line"


def _alike(drive: Drive) -> list[Bending]:
    """The leaves of like size that store most of the energy of a motion."""
    if drive.motion.kind is not MotionKind.TRANSLATION or drive.is_arm:
        return []
    usable = [b for b in drive.bendings if b.flexure.kind is FlexureKind.LEAF and b.flexure.in_layers]
    groups = [[other for other in usable if _like(one, other)] for one in usable]
    return max(groups, key=lambda group: sum(bending.share for bending in group), default=[])


def _like(one: Bending, other: Bending) -> bool:
    sizes = [(b.flexure.length_mm, b.flexure.width_mm, b.flexure.depth_mm) for b in (one, other)]
    return all(abs(b / a - 1) < _ALIKE for a, b in zip(*sizes, strict=True))


def _scaled(drive: Drive, leaves: Sequence[Bending], setup: Setup, limits: Limits) -> LeafStudy:
    """The leaves by formula, scaled to what the plane model of their part gives for them."""
    made = making(limits, setup)

    def mean(name: str) -> float:
        return round(float(np.mean([getattr(bending.flexure, name) for bending in leaves])), 3)

    radii = np.nan_to_num([bending.flexure.root_radii_mm for bending in leaves])
    design = Design(
        count=len(leaves),
        width_mm=mean("width_mm"),
        depth_mm=mean("depth_mm"),
        length_mm=mean("length_mm"),
        root_radius_mm=round(float(np.mean(radii)), 3),
    )
    # What the blocks store at the roots of the leaves is the leaves' too.
    share = 1.0 - float(sum(bending.share for bending in drive.bendings if bending not in leaves))
    nominal = float(np.median([bending.strain for bending in leaves]))
    stroke_mm = float(drive.stroke[-1])
    plain = studied(design, Task(stroke_mm), made)
    # Leaves that each go a part of the stroke only are strained by that part.
    stages = max(round(plain.strain / nominal), 1)
    formula = studied(design, Task(stroke_mm, stages), made)
    energy = share * float(drive.energy_N_mm[-1])
    peak = max(bending.peak for bending in leaves)
    task = Task(stroke_mm, stages, energy / formula.energy_N_mm, peak / formula.strain, share)
    rows = f"in {stages} stages, " if stages > 1 else ""
    words = (
        f"{len(leaves)} leaves that carry '{drive.motion.name}', {rows}with {100 * share:.0f} % of the energy of the "
        f"mechanism; other flexures are not traded. Scaled to the plane model of the part: {task.force_factor:.2f} of "
        f"the force by formula, {task.strain_factor:.2f} of its strain, fillets and uneven bending included."
    )
    return LeafStudy(design, task, setup, limits, words)


# --- in words -------------------------------------------------------------------------------


def _ripple_words(ripple: Ripple, wavy: Design) -> str:
    match ripple:
        case Ripple.SECTION:
            even = even_wall_gain(wavy.amplitude_mm, wavy.wavelength_mm, wavy.width_mm)
            return (
                f"Stiffer, and strained more at the same stroke: right for a blade that must not bend, mostly wrong "
                f"for a flexure. Leans {wavy.lean_deg:.0f} deg. With the wall as thick all along, x {even:.3g}."
            )
        case Ripple.IN_PLANE:
            return "Not stiffer. Gives along its length, which helps leaves that are held at both ends."
        case _:
            return "Not stiffer: bending turns into twist. For leaves whose depth is small against the wave."


def _numbers(row: Studied) -> tuple[float, ...]:
    """What the columns show, in their units."""
    design = row.design
    return (
        design.count, row.laid_mm, design.depth_mm, design.length_mm, row.time_s / 60, 100 * row.scatter,
        row.area_mm2 / 100, 100 * row.strain,
    )  # fmt: skip


def _shown(row: Studied) -> list[str]:
    shown = [f"{value:.3g}" for value in _numbers(row)]
    time = _COLUMNS.index("time")
    shown[time] += f"\u00a0\u00b1\u00a0{row.time_uncertainty_s / 60:.2g}"
    return shown


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]], notes: Sequence[str]) -> HTML:
    template = environment().from_string(_ROWS)
    return HTML(Markup(template.render(caption=caption, heads=heads, rows=rows, notes=notes)))
