"""Bodies of one mesh that turn about a pin: a shaft of one in a hole of the other, and how far they turn freely."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import affinity

from reviewkit.measure.holes import Round
from reviewkit.measure.layers import sections
from reviewkit.model import Floats

# Axes of a pin and its hole lie as near as this, as share of the hole's diameter, and are parallel to so much [deg].
_OFF_AXIS, _PARALLEL_DEG = 0.1, 2.0
# A hole stands this far along its pin, as share of its own length.
_OVERLAP = 0.3
# Sections in which contact is looked for, and steps of turning [deg].
_LEVELS, _STEP_DEG, _MOST_DEG = 24, 5.0, 180.0
# Less matter in one place is a touch [mm2].
_TOUCH_MM2 = 1e-2


@dataclass(frozen=True, eq=False)
class Hinge:
    """A pin in a hole.

    Parameters
    ----------
    pin, hole : Round
    pin_body, hole_body : int
        Bodies that they belong to [-].
    axis : (3,) float
        Unit direction [-].
    point_mm : (3,) float
        On the axis, in the middle of the hole [mm].
    play_mm : float
        Diameter of the hole less that of the pin [mm].
    """

    pin: Round
    hole: Round
    pin_body: int
    hole_body: int
    axis: Floats
    point_mm: Floats
    play_mm: float


def hinges(rounds: tuple[Round, ...], bodies: NDArray[np.int64], play: float, sweep_deg: float) -> tuple[Hinge, ...]:
    """Pins in holes of another body, the longest shared length first.

    Parameters
    ----------
    rounds : tuple of Round
        Holes and shafts of the mesh.
    bodies : (m,) int
        Body of each facet [-].
    play : float
        Most play, as share of the hole's diameter [-].
    sweep_deg : float
        Least part of the turn that a hole and a pin have [deg].
    """
    found = []
    full = [one for one in rounds if one.arc_deg >= sweep_deg]
    for hole in (one for one in full if one.hollow):
        for pin in (one for one in full if not one.hollow):
            bodies_of = int(bodies[pin.faces[0]]), int(bodies[hole.faces[0]])
            if bodies_of[0] == bodies_of[1]:
                continue
            axis = np.array(hole.axis)
            off = np.array(pin.low_mm) - np.array(hole.low_mm)
            apart = float(np.linalg.norm(off - (off @ axis) * axis))
            parallel = abs(float(axis @ np.array(pin.axis))) > np.cos(np.radians(_PARALLEL_DEG))
            gap = hole.diameter_mm - pin.diameter_mm
            ends = sorted([float(np.array(end) @ axis) for end in (pin.low_mm, pin.high_mm)])
            mine = sorted([float(np.array(end) @ axis) for end in (hole.low_mm, hole.high_mm)])
            shared = min(ends[1], mine[1]) - max(ends[0], mine[0])
            near = apart <= _OFF_AXIS * hole.diameter_mm and 0 <= gap <= play * hole.diameter_mm
            if parallel and near and shared >= _OVERLAP * hole.length_mm:
                found.append((shared, Hinge(pin, hole, *bodies_of, axis, hole.middle_mm, gap)))
    return tuple(hinge for _, hinge in sorted(found, key=lambda one: -one[0]))


def free_turns(
    vertices: Floats, mover: NDArray[np.int64], rest: NDArray[np.int64], hinge: Hinge
) -> tuple[float, float]:
    """How far a body turns about a hinge clockwise and anticlockwise before it meets the rest, 180 where it does not.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    mover, rest : (m, 3) int
        Facets of the body that turns, and of the others [-].
    hinge : Hinge

    Notes
    -----
    Looked for in sections square to the axis, in steps of 5 degrees; anticlockwise is seen against the axis.
    """
    z = hinge.axis
    x = np.cross([0.0, 1.0, 0.0], z)
    x = np.array([1.0, 0.0, 0.0]) if np.linalg.norm(x) < 1e-6 else x / np.linalg.norm(x)
    frame = np.array([x, np.cross(z, x), z])
    turned = vertices @ frame.T
    heights = turned[np.unique(mover), 2]
    levels = np.linspace(heights.min(), heights.max(), _LEVELS + 2)[1:-1]
    moving, still = (sections(turned, faces, levels).regions for faces in (mover, rest))
    centre = tuple((frame @ hinge.point_mm)[:2].tolist())
    pairs = [(a, b) for a, b in zip(moving, still, strict=True) if not a.is_empty and not b.is_empty]
    start = sum(a.intersection(b).area for a, b in pairs)

    def free(sense: float) -> float:
        for step in np.arange(_STEP_DEG, _MOST_DEG + 0.1, _STEP_DEG):
            met = sum(affinity.rotate(a, sense * step, origin=centre).intersection(b).area for a, b in pairs)
            if met > start + _TOUCH_MM2:
                return float(step - _STEP_DEG)
        return _MOST_DEG

    return free(-1.0), free(1.0)
