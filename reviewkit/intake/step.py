"""STEP: curved surfaces turned into facets by a reader that is installed apart.

Notes
-----
The package ``cascadio`` hands out a GLB in metres, in the axes of the drawing.  Its binary
carries a geometry kernel under LGPL, so that it is an extra (``step``), no dependency.
"""

import importlib
import math
import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.edges import Edges
from reviewkit.intake.gltf import mesh_of_glb
from reviewkit.intake.raw import Caps, RawMesh
from reviewkit.submission import MM_PER_UNIT

_ENTITY = rb"#\s*%d\s*=\s*([^;]*);"
_UNITS_OF_MODEL = re.compile(rb"GLOBAL_UNIT_ASSIGNED_CONTEXT\s*\(\s*\(([^)]*)\)")
_PREFIXES = {b"$": "m", b".MILLI.": "mm", b".CENTI.": "cm", b".MICRO.": "um"}
_CONVERTED = {b"INCH": "in", b"FOOT": "ft"}
_SOLID = re.compile(rb"=\s*(?:MANIFOLD_SOLID_BREP|BREP_WITH_VOIDS|FACETED_BREP)\s*\(")


def read_step(data: bytes, caps: Caps, numbers: Mapping[str, float]) -> RawMesh:
    """Read a STEP file.

    Parameters
    ----------
    data : bytes
        The whole file.
    caps : Caps
        What is taken at most.
    numbers : mapping of str to float
        ``intake.step_deviation_mm`` and ``intake.step_turn_deg``: how far facets may leave a
        surface, and the largest turn from one facet to the next.

    Raises
    ------
    MeshError
        When the reader is not installed, or finds no solid.
    """
    try:
        reader = importlib.import_module("cascadio")
    except ImportError:
        raise MeshError(
            "is a STEP file, whose reader is not installed; run pip install 'reviewkit[step]', "
            "or export the part as STL or 3MF"
        ) from None
    deviation_mm, turn_deg = numbers["intake.step_deviation_mm"], numbers["intake.step_turn_deg"]
    # One thread, so that the same file always gives the same facets.
    packed: bytes = reader.load(
        data, "step", tol_linear=deviation_mm, tol_angular=math.radians(turn_deg), use_parallel=False
    )
    if not packed:
        raise MeshError("is no STEP file that can be read to its end; export it again, or as STL or 3MF")
    raw = mesh_of_glb(packed, caps)
    unit = _stated_unit(data)
    note = f"curves replaced by facets within {deviation_mm:g} mm and {turn_deg:g} degrees"
    return replace(
        raw,
        format="STEP",
        vertices=raw.vertices * (MM_PER_UNIT["m"] / MM_PER_UNIT[unit or "mm"]),
        unit=unit or "mm",
        unit_note="stated in the file" if unit else "the file states its own unit; it was converted to millimetres",
        notes=(note,),
        unread=(*raw.unread, *_lost(raw, len(_SOLID.findall(data)))),
        ignored=(),
    )


def _lost(raw: RawMesh, solids: int) -> list[str]:
    """Solids of the file that no facets stand for; the reader leaves out without a word what it cannot build."""
    if not len(raw.faces):
        return []
    _, point = np.unique(raw.vertices, axis=0, return_inverse=True)
    faces = point.ravel()[raw.faces]
    pieces = int(Edges(faces).pieces().max()) + 1
    return [f"solids that could not be turned into facets ({solids - pieces})"] if solids > pieces else []


def _stated_unit(data: bytes) -> str:
    """Unit of length that all contexts of the file agree on, as a key of the unit words, or empty."""
    found = set()
    for context in _UNITS_OF_MODEL.findall(data):
        for number in re.findall(rb"#\s*(\d+)", context):
            entity = re.search(_ENTITY % int(number), data)
            if entity is None or b"LENGTH_UNIT" not in entity.group(1):
                continue
            words = entity.group(1).upper()
            converted = re.search(rb"CONVERSION_BASED_UNIT\s*\(\s*'(\w+)'", words)
            prefix = re.search(rb"SI_UNIT\s*\(\s*(\$|\.\w+\.)\s*,\s*\.METRE\.", words)
            if converted:
                found.add(_CONVERTED.get(converted.group(1), ""))
            else:
                found.add(_PREFIXES.get(prefix.group(1), "") if prefix else "")
    return found.pop() if len(found) == 1 else ""
