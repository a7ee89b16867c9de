"""Which way a marked flexure is loaded, from the matter in its region."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats, Vector
from reviewkit.submission import Box, Region, RegionKind, region_contains

# Points along each side of a region's box: a leaf that fills half of it is still a dozen points thick.
_STEPS = 24
_LEAST_POINTS = 50

# The last tenth of the matter is its end; just beyond it the part goes on, or it does not.
_END_SHARE = 0.1
_BEYOND_MM = 0.5

# A direction no box or wall lies along, so that no ray runs within a facet.
_ASLANT = np.array([0.3511, 0.2237, 0.9092]) / np.linalg.norm([0.3511, 0.2237, 0.9092])


@dataclass(frozen=True)
class LoadDirections:
    """How the matter of one flexure lies in the part's frame.

    Parameters
    ----------
    region : str
        Its name.
    load : Vector
        Unit direction in which it is pulled and pressed when it bends: from end to end [-].
    thin : Vector
        Unit direction across its thickness, in which it gives way [-].
    length_mm, thickness_mm : float
        Of a bar as spread out along these directions as the matter is [mm].
    centre_mm : Vector
        Middle of the matter [mm].
    """

    region: str
    load: Vector
    thin: Vector
    length_mm: float
    thickness_mm: float
    centre_mm: Vector


def load_directions(
    regions: Sequence[Region], rays: RayTree, frame_mm: Floats, faces_out: Floats
) -> tuple[tuple[LoadDirections, ...], tuple[str, ...]]:
    """Directions of every region of kind flexure that holds matter.

    Parameters
    ----------
    regions : sequence of Region
        Of one part; those of other kinds are passed over.
    rays : RayTree
        The tree of that part's mesh, moved by `frame_mm`.
    frame_mm : (3,) float
        What is subtracted from points of the part's frame to be in the tree's [mm].
    faces_out : (m, 3) float
        Outward normals of the tree's facets, of any length [-].

    Returns
    -------
    found : tuple of LoadDirections
        In the order of the regions.
    without : tuple of str
        Names of the flexure regions in which no matter was found.

    Notes
    -----
    The thickness lies along the least axis of the matter's inertia.  Of the two others, the load
    runs along the one at both ends of which the part goes on, which tells the short way across a
    hinge from its long axis; where that tells nothing, along the longer.
    """

    def inside(points: Floats) -> NDArray[np.bool_]:
        """A ray that first leaves the mesh began in its matter."""
        along = np.broadcast_to(_ASLANT, points.shape)
        _, hit = rays.first_hit(points - frame_mm, along)
        return np.asarray((hit >= 0) & (faces_out[hit] @ _ASLANT > 0))

    found: list[LoadDirections] = []
    without: list[str] = []
    for region in regions:
        if region.kind is not RegionKind.FLEXURE:
            continue
        grid = _grid(region)
        matter = grid[inside(grid)]
        if len(matter) < _LEAST_POINTS:
            without.append(region.name)
            continue
        centre = matter.mean(axis=0)
        spread, axes = np.linalg.eigh(np.cov((matter - centre).T))
        # A bar of side s spreads by s squared over twelve.
        sides_mm = np.sqrt(12 * np.maximum(spread, 0))
        thin, wide, long = axes.T
        goes_on = [min(_goes_on(matter, axis * way, inside) for way in (1, -1)) for axis in (long, wide)]
        load, length_mm = (wide, sides_mm[1]) if goes_on[1] > 2 * goes_on[0] else (long, sides_mm[2])
        found.append(
            LoadDirections(
                region.name, _vector(load), _vector(thin), float(length_mm), float(sides_mm[0]), _vector(centre)
            )
        )
    return tuple(found), tuple(without)


def _grid(region: Region) -> Floats:
    """Points spread evenly through a region's volume."""
    steps = (np.arange(_STEPS) + 0.5) / _STEPS
    unit = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    volume = region.volume
    if isinstance(volume, Box):
        low, high = np.array(volume.min_mm), np.array(volume.max_mm)
        middle, turn = (low + high) / 2, np.radians(volume.turn_deg)
        cos, sin = np.cos(turn), np.sin(turn)
        turned = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
        return np.asarray(middle + ((unit - 0.5) * (high - low)) @ turned.T)
    start, end = np.array(volume.from_mm), np.array(volume.to_mm)
    low, high = np.minimum(start, end) - volume.radius_mm, np.maximum(start, end) + volume.radius_mm
    points = low + unit * (high - low)
    return np.asarray(points[region_contains(region, points)])


def _goes_on(matter: Floats, outward: Floats, inside: Callable[[Floats], NDArray[np.bool_]]) -> float:
    """Share of the matter's end beyond which there is matter still [-]."""
    along = matter @ outward
    last = along.max()
    reach = last - along.min()
    end = along > last - _END_SHARE * reach
    step = reach / _STEPS + _BEYOND_MM
    beyond = matter[end] + (last - along[end] + step)[:, None] * outward
    return float(inside(beyond).mean())


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) + 0.0 for value in values)
    return x, y, z
