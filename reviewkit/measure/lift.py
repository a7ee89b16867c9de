"""What makes corners of the first layer lift: their angle, radius and reach, and a published estimate of the bow."""

from dataclasses import dataclass

import numpy as np
import shapely

from reviewkit.measure.pieces import Ints, Stack
from reviewkit.model import Floats


@dataclass(frozen=True, eq=False)
class Corners:
    """Outward corners of the outer outlines on the plate, farthest first; plate frame.

    Parameters
    ----------
    at : (n, 2) float
        Where each corner has made half of its turn [mm].
    angle_deg : (n,) float
        Inside angle between the sides that it joins; negative where it turns back on itself [deg].
    radius_mm : (n,) float
        Radius of its rounding, zero where it is sharp [mm].
    reach_mm : (n,) float
        Distance from the middle of the contact that it shrinks towards [mm].
    """

    at: Floats
    angle_deg: Floats
    radius_mm: Floats
    reach_mm: Floats

    def __len__(self) -> int:
        return len(self.at)


@dataclass(frozen=True)
class Extent:
    """How long and how narrow the contact of a part is.

    Parameters
    ----------
    length_mm, width_mm : float
        Sides of the tightest rectangle around the largest contact that shrinks as one [mm].
    reach_mm : float
        From its middle to its farthest point [mm].
    """

    length_mm: float
    width_mm: float
    reach_mm: float

    @property
    def narrowness(self) -> float:
        """Length over width [-]."""
        return self.length_mm / self.width_mm


def plate_corners(stack: Stack, *, turn_deg: float, rounded_mm: float, simplify_mm: float) -> Corners:
    """Outward corners of what lies on the plate.

    Parameters
    ----------
    stack : Stack
        Islands of all layers; what ends up in one piece shrinks towards the middle of its contact.
    turn_deg : float
        An outline that turns by less is no corner [deg].
    rounded_mm : float
        Roundings up to about twice this radius are gathered to one corner [mm].
    simplify_mm : float
        Outlines are smoothed by this much first [mm].

    Returns
    -------
    Corners

    Notes
    -----
    Neighbouring vertices that turn outward belong to one corner while the side between them is shorter
    than an arc of twice the radius with their turn.  Its radius is the length of its sides over its
    turn, which is that of an arc drawn in chords.  Holes have no corners here: what points into a
    hole is held all round.
    """
    ground = stack.grounded
    owner = stack.piece[ground]
    at, angle, radius, reach = [], [], [], []
    for piece in np.unique(owner):
        islands = ground[owner == piece]
        area, x, y = stack.moments[islands, :3].sum(axis=0)
        middle = np.array([x, y]) / area
        for island in islands:
            outline = shapely.simplify(stack.polygon[island], simplify_mm)
            ring = shapely.get_coordinates(shapely.get_exterior_ring(shapely.orient_polygons(outline)))[:-1]
            for members, turns, length in _gathered(ring, 2 * rounded_mm):
                turn = float(turns.sum())
                if np.degrees(turn) < turn_deg - 1e-6:
                    continue
                spot = ring[members[np.searchsorted(np.cumsum(turns), turn / 2)]]
                at.append(spot)
                angle.append(180 - np.degrees(turn))
                radius.append(length / turn)
                reach.append(np.hypot(*(spot - middle)))
    order = np.argsort(-np.array(reach), kind="stable")
    return Corners(
        np.reshape(at, (-1, 2))[order],
        np.array(angle)[order],
        np.array(radius)[order],
        np.array(reach)[order],
    )


def clusters(at: Floats, within_mm: float) -> list[Ints]:
    """Corners gathered to places.

    Parameters
    ----------
    at : (n, 2) float
        Corners, the most telling first [mm].
    within_mm : float
        Corners as near as this to the first of a place belong to it [mm].

    Returns
    -------
    list of (m,) int
        Corners of each place, its first corner first [-].
    """
    left = np.arange(len(at))
    places = []
    while len(left):
        near = np.hypot(*(at[left] - at[left[0]]).T) <= within_mm
        places.append(left[near])
        left = left[~near]
    return places


def contact_extent(stack: Stack) -> Extent:
    """Length and width of the longest contact that shrinks as one.

    Parameters
    ----------
    stack : Stack
        Islands of all layers.

    Returns
    -------
    Extent
    """
    ground = stack.grounded
    owner = stack.piece[ground]
    found = []
    for piece in np.unique(owner):
        islands = ground[owner == piece]
        points = shapely.get_coordinates(stack.polygon[islands])
        area, x, y = stack.moments[islands, :3].sum(axis=0)
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.multipoints(points)))
        sides = sorted(np.hypot(*np.diff(corners, axis=0).T)[:2])
        reach_mm = np.hypot(*(points - np.array([x, y]) / area).T).max()
        found.append(Extent(float(sides[1]), float(sides[0]), float(reach_mm)))
    return max(found, key=lambda extent: extent.length_mm)


def bow_estimate(length_mm: float, layers: int, layer_height_mm: float, strain: Floats | float) -> Floats:
    """Lift of the ends of a strip by the published curvature formula; good for ranking alone.

    Parameters
    ----------
    length_mm : float
        Length of the contact [mm].
    layers : int
        Layers of the part, two or more [-].
    layer_height_mm : float
        [mm]
    strain : float or (n,) float
        Shrinkage of a layer that is held back, alpha (T_g - T_e) in the formula [-].

    Returns
    -------
    (n,) float
        ``R [1 - cos(L / 2 R)]`` with ``R = n^3 h / [6 alpha (T_g - T_e) (n - 1)]`` [mm].

    Notes
    -----
    The lift falls steadily with the number of layers.  Tests on printed blocks found it greatest at
    middling heights instead, so the formula overrates thin parts.

    References
    ----------
    Wang, Xi and Jin, International Journal of Advanced Manufacturing Technology 33 (2007) 1087: the
    formula (from memory).  Armillotta, Bellotti and Cavallaro, Robotics and Computer-Integrated
    Manufacturing, 2017, doi 10.1016/j.rcim.2017.09.007: greatest at middling height (abstract seen).
    """
    radius_mm = layers**3 * layer_height_mm / (6 * np.asarray(strain, dtype=float) * (layers - 1))
    # 1 - cos x = 2 sin^2(x / 2) keeps its digits where the bow is slight.
    lift: Floats = np.atleast_1d(2 * radius_mm * np.sin(np.minimum(length_mm / (4 * radius_mm), np.pi / 2)) ** 2)
    return lift


def _gathered(ring: Floats, radius_mm: float) -> list[tuple[Ints, Floats, float]]:
    """Corners of an anticlockwise ring: their vertices, turns in radians and length of the sides between [mm]."""
    ahead = np.roll(ring, -1, axis=0) - ring
    back = np.roll(ahead, 1, axis=0)
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1))
    side = np.hypot(*ahead.T)
    following = np.roll(turn, -1)
    goes_on = (turn > 0) & (following > 0) & (side <= radius_mm * (turn + following) / 2)
    if goes_on.all():
        return [(np.arange(len(ring)), turn, float(side.sum()))]
    # Begin behind a side that ends a corner, so that no corner is cut in two.
    first = int(np.flatnonzero(~goes_on)[-1]) + 1
    order = (np.arange(len(ring)) + first) % len(ring)
    groups = np.split(order, np.flatnonzero(~goes_on[order])[:-1] + 1)
    return [(group, turn[group], float(side[group[:-1]].sum())) for group in groups if turn[group[0]] > 0]
