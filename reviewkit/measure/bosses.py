"""The matter around a hole that takes an insert or a screw."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reviewkit.measure.holes import Round
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

_DIRECTIONS, _HEIGHTS = 72, 8
# Rays start so far outside the corners of a hole's flats, and so far inside its ends.
_OFF_MM = 0.02


@dataclass(frozen=True, eq=False)
class Boss:
    """A hole with the matter around it.

    Parameters
    ----------
    hole : Round
    wall_mm : (72,) float
        Matter beside the hole in each direction; zero where the hole is open sideways [mm].
    directions : (72, 3) float
        Those directions [-].
    open_low, open_high : bool
        Whether the hole is open at its lower and at its upper end.
    """

    hole: Round
    wall_mm: Floats
    directions: Floats
    open_low: bool
    open_high: bool

    @property
    def thinnest_mm(self) -> float:
        """Thinnest wall beside the hole [mm]."""
        return float(self.wall_mm.min())

    @property
    def edge_mm(self) -> float:
        """From the hole's centre to the nearest free edge [mm]."""
        return self.hole.diameter_mm / 2 + self.thinnest_mm

    @property
    def to_edge(self) -> Floats:
        """Unit direction to the nearest free edge, (3,) [-]."""
        direction: Floats = self.directions[int(np.argmin(self.wall_mm))]
        return direction


def boss(hole: Round, rays: RayTree, normals: Floats) -> Boss:
    """Measure the matter around a hole.

    Parameters
    ----------
    hole : Round
    rays : RayTree
        Of the mesh.
    normals : (m, 3) float
        Outward normals of the facets; only their side counts [-].

    Returns
    -------
    Boss

    Notes
    -----
    Rays leave from just outside the hole at eight heights.  Of each direction the second
    thinnest counts, so that one cross hole does not speak for the whole depth.
    """
    axis = np.array(hole.axis)
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    u /= np.linalg.norm(u)
    turns = np.linspace(0, 2 * np.pi, _DIRECTIONS, endpoint=False)
    directions = np.outer(np.cos(turns), u) + np.outer(np.sin(turns), np.cross(axis, u))
    along = (np.arange(_HEIGHTS) + 0.5) / _HEIGHTS * hole.length_mm
    start_mm = hole.diameter_mm / 2 + hole.spread_mm + _OFF_MM
    centres = np.array(hole.low_mm) + np.outer(along, axis)
    origins = (centres[:, None] + start_mm * directions[None]).reshape(-1, 3)
    outward = np.tile(directions, (_HEIGHTS, 1))
    distance, face = rays.first_hit(origins, outward)
    leaves = (face >= 0) & (np.einsum("ij,ij->i", normals[face], outward) > 0)
    wall = np.where(leaves, distance + hole.spread_mm + _OFF_MM, 0.0).reshape(_HEIGHTS, -1)
    ends = np.array([np.add(hole.low_mm, _OFF_MM * axis), np.subtract(hole.high_mm, _OFF_MM * axis)])
    beyond, _ = rays.first_hit(ends, np.array([-axis, axis]))
    open_low, open_high = (bool(far > hole.diameter_mm) for far in beyond)
    return Boss(hole, np.sort(wall, axis=0)[1], directions, open_low, open_high)


def hole_near(
    rounds: Sequence[Round], point_mm: Floats, reach_mm: float, least_mm: float, most_mm: float
) -> Round | None:
    """The hole that a place on a part means.

    Parameters
    ----------
    rounds : sequence of Round
    point_mm : (3,) float
        The place [mm].
    reach_mm : float
        Farthest that it may be from the hole's axis, ends included [mm].
    least_mm, most_mm : float
        Diameters that come into question [mm].

    Returns
    -------
    Round or None
        The nearest, of those equally near the narrowest: what is wider there is its counterbore.
    """
    found = [
        (round(_distance_mm(each, point_mm), 2), each.diameter_mm, index)
        for index, each in enumerate(rounds)
        if each.hollow and least_mm <= each.diameter_mm <= most_mm
    ]
    near = [entry for entry in found if entry[0] <= reach_mm]
    return rounds[min(near)[2]] if near else None


def inside_matter(rays: RayTree, normals: Floats, point_mm: Floats) -> bool:
    """Whether a point lies in the part, by the facets that rays from it meet first.

    Parameters
    ----------
    rays : RayTree
        Of the mesh.
    normals : (m, 3) float
        Outward normals of the facets; only their side counts [-].
    point_mm : (3,) float
        The point [mm].
    """
    # Three directions that no drawing has.
    directions = np.array([[0.41, 0.53, 0.74], [-0.67, 0.31, 0.67], [0.29, -0.84, -0.46]])
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    _, face = rays.first_hit(np.tile(point_mm, (3, 1)), directions)
    return bool((face >= 0).all() and (np.einsum("ij,ij->i", normals[face], directions) > 0).sum() >= 2)


def _distance_mm(hole: Round, point_mm: Floats) -> float:
    low, axis = np.array(hole.low_mm), np.array(hole.axis)
    along = float(np.clip((point_mm - low) @ axis, 0.0, hole.length_mm))
    return float(np.linalg.norm(point_mm - low - along * axis))
