"""What a face will look like: steps, marks of supports, sagging undersides, plate texture, seams.

Surface is taken as samples spread evenly over the facets, each with its area; what is asked of a
face is asked of the samples that lie in it and can be seen.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit.measure.layers import Layers
from reviewkit.measure.overhangs import DownFacing, Overhangs, surface_samples
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# True flats have no steps; this tells them from shallow slopes (supplement note 6.1).
_FLAT_DEG = 1.0
# Rays at 45 degrees around the normal, and the normal itself.
_RAYS_AROUND = 7
# How finely an outline is walked, in parts of the reach within which it must turn.
_STEPS = 4
# Layers looked at for seams, evenly spread; neighbours look alike.
_MOST_LAYERS = 160
_INSIDE_MM = 0.01
# On a steep face a foot does not spread without end.
_GRAZING = 0.1


@dataclass(frozen=True, eq=False)
class Surface:
    """Samples of a part's surface.

    Parameters
    ----------
    facet : (n,) int
        Facet of each [-].
    point, normal : (n, 3) float
        On the plate's frame; normals point outwards [mm], [-].
    area_mm2 : (n,) float
        Area that each stands for [mm2].
    on_plate : (n,) bool
        Whether it lies on the plate.
    """

    facet: Ints
    point: Floats
    normal: Floats
    area_mm2: Floats
    on_plate: Bools

    def chosen(self, which: Bools) -> "Surface":
        """Some of the samples."""
        return Surface(
            self.facet[which], self.point[which], self.normal[which], self.area_mm2[which], self.on_plate[which]
        )

    def share(self, which: Bools) -> float:
        """Share of the area that some samples have [-]."""
        whole = float(self.area_mm2.sum())
        return float(self.area_mm2[which].sum()) / whole if whole else 0.0

    def mean(self, values: Floats) -> float:
        """Mean over the area of a value a sample, in the unit of that value [-]."""
        whole = float(self.area_mm2.sum())
        return float(self.area_mm2 @ values) / whole if whole else 0.0

    @property
    def flat(self) -> Bools:
        """Samples on true flats: level tops and undersides (n,)."""
        flat: Bools = np.abs(self.normal[:, 2]) > np.cos(np.radians(_FLAT_DEG))
        return flat

    @property
    def inside(self) -> Floats:
        """The samples moved a little into the matter, so that the region that holds it holds them (n, 3) [mm]."""
        return self.point - _INSIDE_MM * self.normal


@dataclass(frozen=True, eq=False)
class Seams:
    """Where the layers of a face can start and stop.

    Parameters
    ----------
    height_mm : float
        Height of outer outline that runs through the face, layer by layer [mm].
    exposed_mm : float
        How much of that has neither a corner nor a part outside the face to hide the seam [mm].
    point : (3,) float
        On the lowest such outline, on the plate's frame; nan where there is none [mm].
    """

    height_mm: float
    exposed_mm: float
    point: Floats

    @property
    def exposed_share(self) -> float:
        """Share of the height whose seam cannot be hidden [-]."""
        return self.exposed_mm / self.height_mm if self.height_mm else 0.0


def surface(vertices: Floats, faces: Ints, down: DownFacing, spacing_mm: float) -> Surface:
    """Samples of the whole surface.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points on the plate's frame [mm].
    faces : (m, 3) int
        Facets [-].
    down : DownFacing
        The facets by angle.
    spacing_mm : float
        Longest edge of the triangle that a sample stands for, where facets are not smaller [mm].

    Returns
    -------
    Surface
    """
    sound = np.flatnonzero(down.area_mm2 > 0)
    facet, point, share = surface_samples(vertices, faces, sound, spacing_mm)
    return Surface(facet, point, _normals(vertices, faces[facet]), down.area_mm2[facet] * share, down.on_plate[facet])


def support_feet(vertices: Floats, faces: Ints, found: Overhangs, supported: Bools) -> Surface:
    """Where the supports under some facets stand on the part itself.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points on the plate's frame [mm].
    faces : (m, 3) int
        Facets [-].
    found : Overhangs
        Its overhangs, with the columns under them.
    supported : (m,) bool
        Facets that are held up.

    Returns
    -------
    Surface
        The feet, each with the area that it covers of the face it stands on.
    """
    columns = found.supports
    standing = (columns.foot >= 0) & (columns.height_mm > 0) & supported[columns.facet]
    foot = columns.foot[standing]
    normal = _normals(vertices, faces[foot])
    point = columns.top[standing] - columns.height_mm[standing, None] * [0.0, 0.0, 1.0]
    area_mm2 = columns.area_mm2[standing] / np.maximum(normal[:, 2], _GRAZING)
    return Surface(foot, point, normal, area_mm2, np.zeros(len(foot), dtype=bool))


def seen(surface: Surface, rays: RayTree) -> Floats:
    """Share of the view from each sample that the part itself leaves open.

    Parameters
    ----------
    surface : Surface
    rays : RayTree
        Of the same mesh.

    Returns
    -------
    (n,) float
        From 0 in a closed hollow to 1 on a face that nothing stands before [-].
    """
    across = np.cross(surface.normal, np.where(np.abs(surface.normal[:, :1]) < 0.7, [[1.0, 0, 0]], [[0, 1.0, 0]]))
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    other = np.cross(surface.normal, across)
    free = np.zeros(len(surface.facet))
    turns = 2 * np.pi * np.arange(_RAYS_AROUND) / _RAYS_AROUND
    ways = [surface.normal] + [
        (surface.normal + np.cos(turn) * across + np.sin(turn) * other) / np.sqrt(2.0) for turn in turns
    ]
    for way in ways if len(free) else []:
        free += rays.first_hit(surface.point, way)[1] < 0
    return free / len(ways)


def cusp_mm(surface: Surface, layer_height_mm: float) -> Floats:
    """Height of the steps that the layers leave, square to the surface.

    Parameters
    ----------
    surface : Surface
    layer_height_mm : float
        Thickness of the layers [mm].

    Returns
    -------
    (n,) float
        ``h |n_z|``; zero on walls and on true flats [mm].

    References
    ----------
    Closed form: the mean over a ball is h/2, over a lying cylinder 2 h / pi (derived).
    """
    return np.where(surface.flat, 0.0, layer_height_mm * np.abs(surface.normal[:, 2]))


def seams(
    layers: Layers, within: Callable[[Floats], Bools], *, turn_deg: float, reach_mm: float, room_mm: float
) -> Seams:
    """Where the outer outlines that run through a face can hide their start.

    Parameters
    ----------
    layers : Layers
        Layers of the part.
    within : callable
        Which points (n, 3) of the plate's frame belong to the face [mm].
    turn_deg, reach_mm : float
        An outline that turns by more than this angle within this length has a corner [deg], [mm].
    room_mm : float
        Length of outline outside the face that is enough for a seam [mm].

    Returns
    -------
    Seams
    """
    looked_at = np.unique(np.linspace(0, len(layers) - 1, min(len(layers), _MOST_LAYERS)).astype(int))
    weight = layers.thickness_mm.sum() / max(len(looked_at), 1)
    known: dict[int, list[tuple[Floats, bool]]] = {}
    height_mm = exposed_mm = 0.0
    first = np.full(3, np.nan)
    for layer in looked_at:
        same = int(layers.same_as[layer])
        if same not in known:
            outer = [shapely.get_coordinates(part.exterior) for part in shapely.get_parts(layers.regions[same])
                     if not part.is_empty]  # fmt: skip
            known[same] = [_walked(ring, turn_deg, reach_mm) for ring in outer]
        for points, cornered in known[same]:
            inside = within(np.column_stack([points, np.full(len(points), layers.z_mm[layer])]))
            if not inside.any():
                continue
            height_mm += weight
            hidden_mm = (~inside).sum() * reach_mm / _STEPS
            if not cornered and hidden_mm < room_mm:
                exposed_mm += weight
                if np.isnan(first[0]):
                    first = np.append(points[np.argmax(inside)], layers.z_mm[layer])
    return Seams(float(height_mm), float(exposed_mm), first)


def _normals(vertices: Floats, triangles: Ints) -> Floats:
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(cross / np.linalg.norm(cross, axis=1, keepdims=True))


def _walked(ring: Floats, turn_deg: float, reach_mm: float) -> tuple[Floats, bool]:
    """Points along a closed outline, evenly spread, and whether it has a corner."""
    step = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(int(np.ceil(along[-1] * _STEPS / reach_mm)), 3)
    places = along[-1] * np.arange(count) / count
    points = np.column_stack([np.interp(places, along, ring[:, axis]) for axis in range(2)])
    # Directions are those of the drawn edges; a chord across a corner would halve its turn.
    edge = np.clip(np.searchsorted(along, places, side="right") - 1, 0, len(step) - 1)
    heading = np.arctan2(*np.diff(ring, axis=0)[edge].T[::-1])
    turn = np.angle(np.exp(1j * (np.roll(heading, -_STEPS) - heading)))
    return points, bool((np.abs(turn) > np.radians(turn_deg)).any())
