"""A print that is filled in another way in some places: solid noses, hollow tails, more outline passes.

From the polygons of the layers, in the plate frame.  A zone changes how much of the core inside it is
filled; outline passes and solid top and bottom layers stay.  Where zones overlap the later one holds.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from manifold3d import CrossSection, Manifold

from reviewkit.measure.filling import Filling, filling
from reviewkit.measure.layers import Layers
from reviewkit.measure.sections import volume_corners
from reviewkit.model import Floats, PrintSettings
from reviewkit.submission import Box, Cylinder, Zone

# Zones count by how empty they are against the rest, which must not be quite solid.
_NEARLY_SOLID = 1 - 1e-9


def rest_fill(core_fill: float, zones: Sequence[Zone]) -> float:
    """Share of the core that is taken as filled outside the zones, for :func:`zoned` [-].

    Parameters
    ----------
    core_fill : float
        As the setup has it [-].
    zones : sequence of Zone
    """
    return min(core_fill, _NEARLY_SOLID) if zones else core_fill


def zoned(
    layers: Layers,
    filled: Filling,
    zones: Sequence[Zone],
    core_fill: float,
    settings: PrintSettings,
    to_plate: Callable[[Floats], Floats],
) -> Filling:
    """The filling of a part with zones, for :func:`reviewkit.measure.mass.mass_of`.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    filled : Filling
        How they are filled without zones.
    zones : sequence of Zone
        Zones of this part, in the order of the submission.
    core_fill : float
        Share of the core that is filled outside the zones, less than 1 [-].
    settings : PrintSettings
        Gives the solid layers.
    to_plate : callable
        Takes points of the part's frame (n, 3) to the plate frame [mm].

    Returns
    -------
    Filling
        Its core moments count the core of a zone by how empty it is against the core outside.

    Raises
    ------
    ValueError
        For a core that is solid all over with zones in it.

    Notes
    -----
    Plastic is the volume less ``1 - core_fill`` of the core.  A core in a zone with fill f leaves out
    ``1 - f`` of it, which is the same as ``(1 - f) / (1 - core_fill)`` of the common core.  A zone ends
    at the middle of a layer or not in it.
    """
    if not zones:
        return filled
    if core_fill >= 1:
        raise ValueError("a core that is filled all over has no zones; fill a little less")
    own = [_passes(layers, filled, zone, settings) for zone in zones]
    solids = [_solid(zone.volume, to_plate) for zone in zones]
    known: dict[tuple[object, ...], Floats] = {}
    moments = filled.core_moments.copy()
    for row, z_mm in enumerate(layers.z_mm):
        cuts = [solid.slice(float(z_mm)) for solid in solids]
        cores = [filled.core_of[row], *(core.core_of[row] for core in own)]
        if max(cores) < 0 or all(cut.is_empty() for cut in cuts):
            continue
        key = (*cores, *(ring.tobytes() for cut in cuts for ring in cut.to_polygons()))
        if key not in known:
            rest = _core(filled, row)
            total = np.zeros(6)
            for place, (zone, core, cut) in enumerate(zip(zones, own, cuts, strict=True)):
                rest = rest - cut
                mine = _core(core, row) ^ cut
                for later in cuts[place + 1 :]:
                    mine = mine - later
                fill = core_fill if zone.core_fill is None else zone.core_fill
                total += (1 - fill) / (1 - core_fill) * section_moments(mine)
            known[key] = total + section_moments(rest)
        moments[row] = known[key]
    return replace(filled, core_moments=moments)


def section_moments(section: CrossSection) -> Floats:
    """Area, first and second moments of a section about the origin (6,): 1, x, y, xx, yy, xy over it.

    By Green's theorem over its rings, holes running the other way [mm2, mm3, mm4].
    """
    total = np.zeros(6)
    for ring in section.to_polygons():
        (x, y), (u, v) = np.asarray(ring, dtype=float).T, np.roll(np.asarray(ring, dtype=float), -1, axis=0).T
        cross = x * v - u * y
        terms = (1 / 2, (x + u) / 6, (y + v) / 6, (x * x + x * u + u * u) / 12, (y * y + y * v + v * v) / 12,
                 (2 * x * y + x * v + u * y + 2 * u * v) / 24)  # fmt: skip
        total += [float((cross * term).sum()) for term in terms]
    return total


def _passes(layers: Layers, filled: Filling, zone: Zone, settings: PrintSettings) -> Filling:
    """The filling of the part with the outline passes of a zone."""
    if zone.outline_passes in (None, filled.outline_passes):
        return filled
    passes = filled.outline_passes if zone.outline_passes is None else zone.outline_passes
    return filling(layers, filled.line_width_mm, passes, settings.top_layers, settings.bottom_layers)


def _core(filled: Filling, row: int) -> CrossSection:
    name = filled.core_of[row]
    return CrossSection() if name < 0 else filled.cores[name]


def _solid(volume: Box | Cylinder, to_plate: Callable[[Floats], Floats]) -> Manifold:
    """A volume as a solid in the plate frame."""
    if isinstance(volume, Box):
        corners = volume_corners(np.array(volume.min_mm), np.array(volume.max_mm), volume.turn_deg)
    else:
        corners = volume_corners(np.array(volume.from_mm), np.array(volume.to_mm), radius_mm=volume.radius_mm)
    return Manifold.hull_points(to_plate(corners))
