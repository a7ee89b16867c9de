"""The unit of a mesh: declared, else the file's own, else the likeliest."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from reviewkit.intake.raw import UNIT_WORDS, RawMesh
from reviewkit.model import Origin


@dataclass(frozen=True)
class Units:
    """The unit applied to a mesh, who says so, and what else it could be."""

    unit: str
    origin: Origin
    note: str
    in_file: str
    alternatives: tuple[str, ...] = ()


def settle_units(raw: RawMesh, declared: str, numbers: Mapping[str, float]) -> Units:
    """The unit to read a mesh in: declared, else the file's own, else the likeliest.

    Parameters
    ----------
    raw : RawMesh
        As read.
    declared : str
        Unit that the submission or the user gives, a key of `UNIT_WORDS`, or empty.
    numbers : mapping of str to float
        Edges of the table of likely units, ``intake.unit_...``, in units of the file.
    """
    if declared:
        note = "declared with the submission"
        if raw.unit and raw.unit != declared:
            note += f", although the file says {UNIT_WORDS[raw.unit]}"
        return Units(declared, Origin.CONFIRMED, note, raw.unit)
    if raw.unit:
        return Units(raw.unit, Origin.CONFIRMED, raw.unit_note, raw.unit)
    extent = float(np.ptp(raw.vertices, axis=0).max())
    # Upper edge of the largest extent in the file: likeliest unit, others, and why.
    table = (
        ("intake.unit_metre_from", "m", ("in", "mm"), "no unit is likely at this size"),
        ("intake.unit_inch_or_metre_from", "m", ("in", "mm"), "a part of this size in metres is usual, in others tiny"),
        ("intake.unit_inch_from", "in", ("m", "mm"), "a part of this size is inches or metres"),
        ("intake.unit_inch_to", "in", ("mm", "cm"), "a part of this size in inches is usual, in millimetres tiny"),
        ("intake.unit_mm_from", "mm", ("in", "cm"), "a part of this size is millimetres or inches"),
        ("intake.unit_mm_to", "mm", ("in",), "a part of this size in millimetres is usual"),
        ("intake.unit_large_mm_to", "mm", ("in",), "in millimetres it is a large part, in others larger still"),
        ("intake.unit_micron_from", "mm", ("um",), "in millimetres it is a very large part, in microns small"),
    )
    for edge, unit, others, why in table:
        if extent <= numbers[edge]:
            return Units(unit, Origin.ASSUMED, f"inferred from the size: {why}", "", others)
    return Units("um", Origin.ASSUMED, "inferred from the size: too large for any other unit", "", ("mm",))
