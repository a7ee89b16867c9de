"""Sections by any plane, thin sections inside declared volumes, and strength by direction."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from reviewkit.measure.layers import Layers, sections
from reviewkit.model import Floats

Ints = NDArray[np.int64]

# A volume is looked at in no more layers than this.
_MOST_LAYERS = 40
# A cylinder's faces are drawn with so many corners when a volume is cut.
_CORNERS = 96
# Outline shorter than this is rounding; matter that goes on outside is looked for this far beyond.
_ON_SIDE_MM, _BEYOND_MM = 1e-3, 0.02


@dataclass(frozen=True, eq=False)
class Member:
    """The matter of a part inside a volume, as the bar or leaf that it is most like.

    Parameters
    ----------
    volume_mm3 : float
        Of the matter [mm3].
    centre_mm : (3,) float
        Its mass centre [mm].
    axes : (3, 3) float
        Unit directions: the thin one, the one across, and the one along which it bends [-].
    size_mm : (3,) float
        Size in each direction, of the block with the same second moments [mm].
    held_mm2 : (3,) float
        Area through which the matter goes on outside the volume, seen along each direction [mm2].
    """

    volume_mm3: float
    centre_mm: Floats
    axes: Floats
    size_mm: Floats
    held_mm2: Floats

    @property
    def slenderness(self) -> float:
        """Length over the thin size [-]."""
        return float(self.size_mm[2] / max(self.size_mm[0], 1e-12))

    @property
    def from_z_deg(self) -> float:
        """Angle of the direction along which it bends from the build direction, 0 to 90 [deg]."""
        return float(np.degrees(np.arccos(np.clip(abs(self.axes[2, 2]), 0.0, 1.0))))


def plane_section(vertices: Floats, faces: Ints, point_mm: Floats, normal: Floats, up: Floats) -> shapely.Geometry:
    """Section of a mesh by any plane.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points, equal points merged [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    point_mm : (3,) float
        A point of the plane, which becomes the origin [mm].
    normal : (3,) float
        Unit direction that looks at the viewer [-].
    up : (3,) float
        Direction that becomes y, square to the normal [-].

    Returns
    -------
    Geometry
        Polygons in the plane, x to the right [mm].
    """
    turn = np.vstack([np.cross(up, normal), up, normal])
    cut: shapely.Geometry = sections((vertices - point_mm) @ turn.T, faces, np.zeros(1)).regions[0]
    return cut


def volume_corners(low_mm: Floats, high_mm: Floats, turn_deg: float = 0.0, radius_mm: float | None = None) -> Floats:
    """Corner points of a box or of a round bar, for :func:`member`.

    Parameters
    ----------
    low_mm, high_mm : (3,) float
        Least and greatest coordinates of the box, or the centres of the bar's ends [mm].
    turn_deg : float
        Turn of the box about z through its own centre, counter-clockwise [deg].
    radius_mm : float, optional
        Of a bar; without it the volume is a box [mm].

    Returns
    -------
    (n, 3) float
        Points whose convex hull is the volume, for a bar with corners on its circle [mm].
    """
    if radius_mm is None:
        box = np.array(
            [[(low_mm, high_mm)[pick][k] for k, pick in enumerate(choice)] for choice in np.ndindex(2, 2, 2)]
        )
        middle, angle = (np.asarray(low_mm) + high_mm) / 2, np.radians(turn_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
        corners: Floats = (box - middle) @ turn.T + middle
        return corners
    axis = np.subtract(high_mm, low_mm)
    axis = axis / np.linalg.norm(axis)
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    u /= np.linalg.norm(u)
    turns = np.linspace(0, 2 * np.pi, _CORNERS, endpoint=False)
    ring = radius_mm * (np.outer(np.cos(turns), u) + np.outer(np.sin(turns), np.cross(axis, u)))
    return np.vstack([ring + low_mm, ring + high_mm])


def member(layers: Layers, corners: Floats) -> Member | None:
    """The matter of a part inside a convex volume.

    Parameters
    ----------
    layers : Layers
        Of the part.
    corners : (n, 3) float
        Corners of the volume in the frame of the layers [mm].

    Returns
    -------
    Member or None
        None where the volume holds no matter.

    Notes
    -----
    The thin direction is that of the least second moment.  Of the other two it bends along the
    one in which more of the matter goes on outside the volume, for that is where it is held;
    where nothing tells them apart, along the longer.
    """
    inside = np.flatnonzero((layers.z_mm >= corners[:, 2].min()) & (layers.z_mm <= corners[:, 2].max()))
    if not len(inside):
        return None
    # Of many layers each group is stood for by its middle one.
    groups = np.array_split(inside, min(len(inside), _MOST_LAYERS))
    chosen = np.array([group[len(group) // 2] for group in groups])
    thick_mm = np.array([layers.thickness_mm[group].sum() for group in groups])
    hull = ConvexHull(corners)
    cuts = _cuts(layers, corners, hull, chosen)
    some = np.array([not cut.is_empty for cut in cuts])
    if not some.any():
        return None
    # What goes on under the volume and on top of it.
    ends = ((cuts[0], inside[0] - 1), (cuts[-1], inside[-1] + 1))
    ends_mm2 = [shapely.intersection(cut, layers.regions[k]).area for cut, k in ends if 0 <= k < len(layers)]
    cuts, chosen, thick_mm = [cut for cut in cuts if not cut.is_empty], chosen[some], thick_mm[some]
    volume, centre, second = _moments(layers.z_mm[chosen], thick_mm, cuts)
    value, axes = np.linalg.eigh(second)
    size = np.sqrt(np.maximum(12 * value, 0.0))
    patches = [*_held(layers, cuts, chosen, thick_mm, hull.equations), *([0.0, 0.0, area] for area in ends_mm2)]
    held = np.abs(np.array(patches).reshape(-1, 3) @ axes).sum(axis=0)
    order = np.array([0, 1, 2])
    if held[1] > held[2] and not np.isclose(held[1], held[2], rtol=0.2):
        order = np.array([0, 2, 1])
    return Member(volume, centre, axes.T[order], size[order], held[order])


def strength_share(from_z_deg: float, across_share: float, shear_share: float) -> float:
    """Strength under pull at an angle to the layers over that along them.

    Parameters
    ----------
    from_z_deg : float
        Angle of the pull from the build direction, 0 to 90 [deg].
    across_share : float
        Strength across the layers over that along them [-].
    shear_share : float
        Shear strength between the layers over the strength along them [-].

    Returns
    -------
    float
        1 along the layers, `across_share` across them [-].

    References
    ----------
    Tsai-Hill criterion for pull at an angle to the fibres (from memory).
    """
    c2 = float(np.cos(np.radians(from_z_deg)) ** 2)
    s2 = 1 - c2
    inverse = c2 * c2 / across_share**2 + s2 * s2 + (1 / shear_share**2 - 1) * s2 * c2
    return float(1 / np.sqrt(inverse))


def _cuts(layers: Layers, corners: Floats, hull: ConvexHull, inside: Ints) -> list[shapely.Geometry]:
    """What each of these layers has within the volume; equal layers are cut once."""
    start, end = (corners[ends] for ends in _edges(hull).T)
    known: dict[tuple[int, bytes], shapely.Geometry] = {}
    cuts = []
    for layer in inside:
        z_mm = layers.z_mm[layer]
        through = (start[:, 2] - z_mm) * (end[:, 2] - z_mm) <= 0
        rise = end[through, 2] - start[through, 2]
        share = np.where(rise == 0, 0.0, (z_mm - start[through, 2]) / np.where(rise == 0, 1.0, rise))
        flat = np.round((start[through] + share[:, None] * (end[through] - start[through]))[:, :2], 9)
        key = (int(layers.same_as[layer]), np.unique(flat, axis=0).tobytes())
        if key not in known:
            window = shapely.convex_hull(shapely.multipoints(flat))
            cut = shapely.intersection(layers.regions[layer], window)
            # A side of the volume that lies in a face of the part, but for rounding, leaves slivers.
            thinner = shapely.buffer(cut, -_ON_SIDE_MM, join_style="mitre")
            known[key] = shapely.buffer(thinner, _ON_SIDE_MM, join_style="mitre")
        cuts.append(known[key])
    return cuts


def _edges(hull: ConvexHull) -> Ints:
    """Edges of a hull as pairs of its points (n, 2), without the diagonals of its faces."""
    bends = np.abs(hull.equations[:, None] - hull.equations[hull.neighbors]).max(axis=2) > 1e-9
    # Neighbour k of a triangle lies across from its corner k.
    sides = hull.simplices[:, [[1, 2], [2, 0], [0, 1]]][bends]
    edges: Ints = np.unique(np.sort(sides, axis=1), axis=0)
    return edges


def _moments(z_mm: Floats, thick: Floats, cuts: list[shapely.Geometry]) -> tuple[float, Floats, Floats]:
    """Volume, mass centre and central second moments over the volume [mm3, mm, mm2]."""
    known: dict[int, Floats] = {}
    flat = np.array([known.setdefault(id(cut), _area_moments(cut)) for cut in cuts])
    area, sx, sy, sxx, syy, sxy = (flat * thick[:, None]).T
    volume = float(area.sum())
    centre = np.array([sx.sum(), sy.sum(), (area * z_mm).sum()]) / volume
    xz, yz = (sx * z_mm).sum(), (sy * z_mm).sum()
    zz = (area * (z_mm**2 + thick**2 / 12)).sum()
    second = np.array([[sxx.sum(), sxy.sum(), xz], [sxy.sum(), syy.sum(), yz], [xz, yz, zz]]) / volume
    return volume, centre, second - np.outer(centre, centre)


def _area_moments(region: shapely.Geometry) -> Floats:
    """Area, first and second moments of a plane region about the origin (6,)."""
    total = np.zeros(6)
    for ring in shapely.get_rings(shapely.orient_polygons(shapely.get_parts(region))):
        x0, y0 = shapely.get_coordinates(ring)[:-1].T
        x1, y1 = shapely.get_coordinates(ring)[1:].T
        cross = x0 * y1 - x1 * y0
        total += (
            cross.sum() / 2,
            (cross * (x0 + x1)).sum() / 6,
            (cross * (y0 + y1)).sum() / 6,
            (cross * (x0 * x0 + x0 * x1 + x1 * x1)).sum() / 12,
            (cross * (y0 * y0 + y0 * y1 + y1 * y1)).sum() / 12,
            (cross * (2 * x0 * y0 + x0 * y1 + x1 * y0 + 2 * x1 * y1)).sum() / 24,
        )
    return total


def _held(layers: Layers, cuts: list[shapely.Geometry], inside: Ints, thick_mm: Floats, sides: Floats) -> Floats:
    """Patches through which the matter goes on beside the volume: area times outward direction (n, 3) [mm2]."""
    patches = []
    known: dict[tuple[int, int], Floats] = {}
    for cut, layer, thick in zip(cuts, inside, thick_mm, strict=True):
        key = (id(cut), int(layers.same_as[layer]))
        if key not in known:
            known[key] = _held_in_plane(cut, layers.regions[layer], layers.z_mm[layer], sides)
        patches.append(known[key] * thick)
    return np.vstack(patches)


def _held_in_plane(cut: shapely.Geometry, region: shapely.Geometry, z_mm: float, sides: Floats) -> Floats:
    """Sides of a cut beyond which its layer goes on: outward area a unit of height (n, 3) [mm]."""
    found = [np.empty((0, 3))]
    for ring in shapely.get_rings(shapely.orient_polygons(shapely.get_parts(cut))):
        corner = shapely.get_coordinates(ring)
        side = np.diff(corner, axis=0)
        long = np.linalg.norm(side, axis=1) > _ON_SIDE_MM
        side, middle = side[long], (corner[:-1] + corner[1:])[long] / 2
        outward = np.column_stack([side[:, 1], -side[:, 0], np.zeros(len(side))])
        beyond = middle + _BEYOND_MM * outward[:, :2] / np.linalg.norm(side, axis=1)[:, None]
        goes_on = shapely.contains_xy(region, beyond[:, 0], beyond[:, 1])
        # The side of the volume that made the cut may lean.
        at = np.column_stack([middle[goes_on], np.full(goes_on.sum(), z_mm)])
        normal = sides[np.argmin(np.abs(at @ sides[:, :3].T + sides[:, 3]), axis=1), :3]
        lean = normal[:, 2] / np.maximum(np.linalg.norm(normal[:, :2], axis=1), 1e-3)
        outward = outward[goes_on]
        outward[:, 2] = np.linalg.norm(outward[:, :2], axis=1) * lean
        found.append(outward)
    return np.vstack(found)
