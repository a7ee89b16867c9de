"""How firmly a part stands while it is printed: mass centre over the contact at every height, and sway.

Both follow the print as it grows.  A body is followed until it joins another that stands on the
plate, and then the two as one; a post or wall is followed from its free top down to the plate,
through all that holds it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from reviewkit.measure.layers import Layers
from reviewkit.measure.pieces import Ints, Stack, principal_moments
from reviewkit.measure.plate import hull_2d
from reviewkit.model import Box, Floats, Material, Vector

# A load at the top edge of a long wall spreads downwards: at a depth s below it a length of c s carries it.
# c = 1 / (0.336 (1 - nu^2)) makes this rule give the published plate formula for an endless wall.
_PLATE_FACTOR = 0.168
_POISSON = 0.35
_SPREAD = 1 / (2 * _PLATE_FACTOR * (1 - _POISSON**2))
# Points along a post at which its bent shape is taken for the frequency.
_STATIONS = 400


@dataclass(frozen=True, eq=False)
class Growth:
    """One body as it grows, layer by layer, until it joins another or is finished; plate frame.

    Parameters
    ----------
    contact : (m, 2) float
        Convex hull of what it stands on, at its last layer [mm].
    contact_moments : (6,) float
        Area moments of what it stands on, unit of each as in :func:`reviewkit.measure.pieces.area_moments`
        [unit of each there].
    height_mm : (k,) float
        Height after each layer [mm].
    centre : (k, 3) float
        Mass centre then [mm].
    inside_mm : (k,) float
        Distance of the mass centre from the edge of the contact's hull, seen from above; negative outside [mm].
    width_mm : (k,) float
        Smallest width of the contact's hull then [mm].
    volume_mm3 : (k,) float
        Volume then [mm3].
    joined : bool
        Whether it ends by joining another body that stands on the plate.
    """

    contact: Floats
    contact_moments: Floats
    height_mm: Floats
    centre: Floats
    inside_mm: Floats
    width_mm: Floats
    volume_mm3: Floats
    joined: bool

    @property
    def tip_deg(self) -> Floats:
        """Tilt at which it tips over after each layer, negative where it falls by itself (k,) [deg]."""
        return np.degrees(np.arctan2(self.inside_mm, self.centre[:, 2]))

    @property
    def slenderness(self) -> Floats:
        """Height over smallest width of the contact after each layer (k,) [-]."""
        return self.height_mm / self.width_mm


@dataclass(frozen=True, eq=False)
class Upright:
    """A post or wall with a free top, as a cantilever from the plate; plate frame.

    Parameters
    ----------
    top_at : tuple of float
        Middle of its top [mm].
    box_mm : tuple
        Least and greatest corner of its slender stretch [mm].
    root_mm, top_mm : float
        Heights where the slender stretch begins and ends [mm].
    width_mm : float
        Smallest width at the root [mm].
    area_mm2 : float
        Section at the root [mm2].
    small_mm : float
        Height of its uppermost stretch in which no section exceeds the area asked for [mm].
    sway_mm : float
        Deflection of the top under the side force [mm].
    period_s : float
        Period of the first bending vibration [s].
    on_plate : bool
        Whether the slender stretch stands on the plate itself.
    root : tuple of int
        Islands of the stack in which it is rooted.
    """

    top_at: Vector
    box_mm: Box
    root_mm: float
    top_mm: float
    width_mm: float
    area_mm2: float
    small_mm: float
    sway_mm: float
    period_s: float
    on_plate: bool
    root: tuple[int, ...]

    @property
    def height_mm(self) -> float:
        """Height of the slender stretch [mm]."""
        return self.top_mm - self.root_mm

    @property
    def slenderness(self) -> float:
        """Height over smallest width [-]."""
        return self.height_mm / self.width_mm

    @property
    def frequency_hz(self) -> float:
        """Frequency of the first bending vibration [1/s]."""
        return 1 / self.period_s


def growing(layers: Layers, stack: Stack) -> list[Growth]:
    """Every body that stands on the plate, followed as it grows.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    stack : Stack
        Their islands.

    Returns
    -------
    list of Growth
        The bodies that last first, the largest of them first, then those that join another.

    Notes
    -----
    What starts in mid-air counts from where it joins a body that stands: supports are not counted,
    nor is the hold of the plate.
    """
    return sorted(_Growing(layers, stack).run(), key=lambda body: (body.joined, -float(body.volume_mm3[-1])))


def uprights(
    stack: Stack, material: Material, *, side_force: float, least_height_mm: float, small_area_mm2: float
) -> list[Upright]:
    """Posts and walls whose top stands free at some moment of the print.

    Parameters
    ----------
    stack : Stack
        Islands of all layers.
    material : Material
        With ``modulus`` and ``density``.
    side_force : float
        Force of the nozzle on the top [N].
    least_height_mm : float
        Those that stand out by less are not followed [mm].
    small_area_mm2 : float
        Sections up to this area count as small [mm2].

    Returns
    -------
    list of Upright
        Those that sway most first.

    Notes
    -----
    A top is free where nothing is above it, and just before it is joined to a neighbour.  Below it
    the section is all that it hangs together with at that height, so that a base, which is stiff,
    adds almost nothing and no root has to be guessed.  The sway is the integral of F s^2 / (E I)
    over the depth s below the top, I the least second moment of the section, in a long wall only of
    the length that the load has spread to.  This gives F H^3 / (3 E I) for a post, and for an
    endless wall 0.168 F H^2 12 (1 - nu^2) / (E t^3).  Solid material at room temperature is taken,
    so the sway is a lower estimate.  Walls that are part of a larger outline count with all of it.

    References
    ----------
    Roark's Formulas, table 8.1 (from memory): cantilever.  Timoshenko and Woinowsky-Krieger (from
    memory): cantilever plate, point load at the edge.  Rayleigh's quotient with the shape under a
    load at the top: 33/140 of the mass of a uniform post, within 1.5 % of its exact frequency.
    """
    found = [
        _upright(stack, path, material, side_force, small_area_mm2) for path in _free_paths(stack, least_height_mm)
    ]
    standing = [upright for upright in found if upright.height_mm >= least_height_mm]
    # Of several tops on one root the one that sways most speaks for it.
    slackest: dict[tuple[int, ...], Upright] = {}
    for upright in sorted(standing, key=lambda upright: -upright.sway_mm):
        slackest.setdefault(upright.root, upright)
    return list(slackest.values())


def tip_sway(
    top_mm: Floats, bottom_mm: Floats, weak: Floats, length_mm: Floats, side_force: float, modulus: float
) -> float:
    """Deflection of the top of an upright of several sections.

    Parameters
    ----------
    top_mm, bottom_mm : (n,) float
        Heights where each section ends and begins, the highest first [mm].
    weak : (n,) float
        Least second moment of each section, mm4 [-].
    length_mm : (n,) float
        Length of each section along its stiff axis [mm].
    side_force : float
        At the top [N].
    modulus : float
        Young's modulus [MPa].

    Returns
    -------
    float
        [mm]

    Notes
    -----
    As in :func:`uprights`, for a Poisson's ratio of 0.35.
    """
    depth_from, depth_to = top_mm[0] - top_mm, top_mm[0] - bottom_mm
    spread = length_mm / _SPREAD
    above = np.clip(depth_to, None, spread) ** 2 - np.clip(depth_from, None, spread) ** 2
    below = np.clip(depth_to, spread, None) ** 3 - np.clip(depth_from, spread, None) ** 3
    return float(side_force / modulus * ((spread * above / 2 + below / 3) / weak).sum())


def first_period(
    top_mm: Floats, bottom_mm: Floats, weak: Floats, area_mm2: Floats, modulus: float, density: float,
    tip_mass: float = 0.0,
) -> float:  # fmt: skip
    """Period of the first bending vibration of an upright of several sections, by Rayleigh's quotient.

    Parameters
    ----------
    top_mm, bottom_mm : (n,) float
        Heights where each section ends and begins, the highest first [mm].
    weak : (n,) float
        Least second moment of each section, mm4 [-].
    area_mm2 : (n,) float
        Area of each section [mm2].
    modulus : float
        Young's modulus [MPa].
    density : float
        In g/cm3 [-].
    tip_mass : float
        At the top [g].

    Returns
    -------
    float
        [s]
    """
    z = np.unique(np.concatenate([np.linspace(bottom_mm[-1], top_mm[0], _STATIONS), top_mm, bottom_mm]))
    middle, step = (z[1:] + z[:-1]) / 2, np.diff(z)
    section = len(top_mm) - 1 - np.clip(np.searchsorted(top_mm[::-1], middle), 0, len(top_mm) - 1)
    # Curvature under 1 N at the top, exactly integrated to slope and then to deflection in each step.
    bend = 1 / (modulus * weak[section])
    s0, s1 = z[-1] - z[:-1], z[-1] - z[1:]
    slope = np.concatenate([[0.0], np.cumsum(bend * (s0**2 - s1**2) / 2)])
    rise = slope[:-1] * step + bend * (s0 * step**2 / 2 - step**3 / 6)
    shape = np.concatenate([[0.0], np.cumsum(rise)])
    mass = 1e-9 * density * area_mm2[section] * step  # tonne, so that N, mm and s go together
    square = (shape[:-1] ** 2 + shape[:-1] * shape[1:] + shape[1:] ** 2) / 3
    moving = float((mass * square).sum()) / shape[-1] ** 2 + 1e-6 * tip_mass
    return float(2 * np.pi * np.sqrt(moving * shape[-1]))


def peel_stress(moments: Floats, hull: Floats, across: Floats, height_mm: float, side_force: float) -> float:
    """Greatest pull on the plate at the edge of the contact when a part is pushed sideways at its top.

    Parameters
    ----------
    moments : (6,) float
        Of the contact area, as given by :func:`reviewkit.measure.pieces.area_moments` [unit of each column there].
    hull : (n, 2) float
        Hull of the contact [mm].
    across : (2,) float
        Direction of the force [-].
    height_mm : float
        Height at which it acts [mm].
    side_force : float
        [N]

    Returns
    -------
    float
        [MPa]

    Notes
    -----
    Beam bending, plate and part rigid: 6 F H / (l b^2) for a rectangle pushed across b,
    32 F H / (pi D^3) for a disc.
    """
    area, x, y, xx, yy, xy = moments
    u, v = across / np.hypot(*across)
    second = (xx - x * x / area) * u * u + (yy - y * y / area) * v * v + 2 * (xy - x * y / area) * u * v
    edge_mm = float(np.abs((hull - (x / area, y / area)) @ (u, v)).max())
    return float(side_force * height_mm * edge_mm / second)


def least_width(hull: Floats) -> tuple[float, Floats]:
    """Smallest width of a convex outline and the direction across it, by rotating calipers.

    Parameters
    ----------
    hull : (n, 2) float
        Corners, counter-clockwise [mm].

    Returns
    -------
    width_mm : float
        [mm]
    across : (2,) float
        Unit vector [-].
    """
    edges = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(*edges.T)
    inward = np.column_stack([-edges[:, 1], edges[:, 0]])[lengths > 0] / lengths[lengths > 0, None]
    reach = inward @ hull.T
    widths = reach.max(axis=1) - reach.min(axis=1)
    least = int(np.argmin(widths))
    return float(widths[least]), inward[least]


def inside_by(hull: Floats, points: Floats) -> Floats:
    """Distance of points from the edge of a convex outline, negative outside.

    Parameters
    ----------
    hull : (n, 2) float
        Corners, counter-clockwise [mm].
    points : (k, 2) float
        [mm]

    Returns
    -------
    (k,) float
        Outside, the distance from the line of the nearest side [mm].
    """
    edges = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(*edges.T)
    to_points = points[:, None, :] - hull[None, :, :]
    cross = edges[:, 0] * to_points[:, :, 1] - edges[:, 1] * to_points[:, :, 0]
    distance: Floats = (cross[:, lengths > 0] / lengths[lengths > 0]).min(axis=1)
    return distance


class _Body:
    """What has been printed of one body, and its story so far."""

    def __init__(self) -> None:
        self.volume_mm3 = 0.0
        self.moment = np.zeros(3)
        self.hull = np.empty((0, 2))
        self.contact = np.zeros(6)
        self.width_mm = np.inf
        self.rows: list[Floats] = []

    def stands_on(self, points: Floats, moments: Floats) -> None:
        """Add to what the body stands on."""
        self.contact = self.contact + moments
        self.hull = hull_2d(np.vstack([self.hull, points]))
        self.width_mm = least_width(self.hull)[0]

    def grow(self, section: Floats, bottom_mm: float, tops_mm: Floats) -> None:
        """Add layers of one section, given as area and first moments."""
        rise = tops_mm - bottom_mm
        volume = self.volume_mm3 + section[0] * rise
        centre = self.moment + np.column_stack([section[1] * rise, section[2] * rise,
                                                section[0] * rise * (bottom_mm + rise / 2)])  # fmt: skip
        self.volume_mm3, self.moment = float(volume[-1]), centre[-1]
        if len(self.hull):
            centre = centre / volume[:, None]
            inside = inside_by(self.hull, centre[:, :2])
            width = np.full(len(rise), self.width_mm)
            self.rows.append(np.column_stack([tops_mm, centre, inside, width, volume]))

    def told(self, joined: bool) -> Growth:
        rows = np.vstack(self.rows)
        return Growth(self.hull, self.contact, rows[:, 0], rows[:, 1:4], rows[:, 4], rows[:, 5], rows[:, 6], joined)


class _Growing:
    """Bodies of a print, run by run."""

    def __init__(self, layers: Layers, stack: Stack) -> None:
        self.stack = stack
        self.tops_mm = layers.bottom_mm + layers.thickness_mm
        self.under = _neighbours(stack.upper, stack.lower, len(stack))
        self.body_of: dict[int, int] = {}
        self.bodies: dict[int, _Body] = {}
        self.into: dict[int, int] = {}
        self.ended: list[Growth] = []

    def run(self) -> list[Growth]:
        stack = self.stack
        order = np.split(np.arange(len(stack)), np.searchsorted(stack.run, np.arange(1, len(stack.top_mm))))
        for run, islands in enumerate(order):
            groups: dict[int, list[int]] = {}
            for island in islands.tolist():
                self.body_of[island] = self._placed(island)
            for island in islands.tolist():
                groups.setdefault(self._now(self.body_of[island]), []).append(island)
            bottom, top = stack.bottom_mm[run], stack.top_mm[run]
            tops = self.tops_mm[(self.tops_mm > bottom + 1e-9) & (self.tops_mm <= top + 1e-9)]
            for name, members in groups.items():
                self.bodies[name].grow(stack.moments[members, :3].sum(axis=0), float(bottom), tops)
        return [*self.ended, *(body.told(False) for body in self.bodies.values() if body.rows)]

    def _placed(self, island: int) -> int:
        """The body that an island belongs to, those that it joins made one."""
        below = {self._now(self.body_of[lower]) for lower in self.under[island]}
        if not below:
            self.bodies[island] = _Body()
            if self.stack.run[island] == 0:
                points = shapely.get_coordinates(self.stack.polygon[island])
                self.bodies[island].stands_on(points, self.stack.moments[island])
            return island
        if len(below) == 1:
            return below.pop()
        standing = [name for name in below if len(self.bodies[name].hull)]
        # Two that stand on the plate are a new body, with a wider foot; what hung free just adds its weight.
        whole = _Body() if len(standing) != 1 else self.bodies[standing[0]]
        for name in sorted(below):
            part = self.bodies.pop(name)
            self.into[name] = island
            if part is whole:
                continue
            if part.rows:
                self.ended.append(part.told(True))
            if len(part.hull):
                whole.stands_on(part.hull, part.contact)
            whole.volume_mm3 += part.volume_mm3
            whole.moment = whole.moment + part.moment
        self.bodies[island] = whole
        return island

    def _now(self, name: int) -> int:
        while name in self.into:
            name = self.into[name]
        return name


def _free_paths(stack: Stack, least_height_mm: float) -> list[list[list[int]]]:
    """For each free top the islands that hold it, run by run down to the plate."""
    count = len(stack)
    under, over = (_neighbours(*pair, count) for pair in ((stack.upper, stack.lower), (stack.lower, stack.upper)))
    foot_mm = np.empty(count)
    for island in range(count):
        below = under[island]
        alone = len(below) == 1 and len(over[below[0]]) == 1
        foot_mm[island] = foot_mm[below[0]] if alone else stack.bottom_mm[stack.run[island]]
    paths = []
    for island in range(count):
        free = not over[island] or any(len(under[upper]) > 1 for upper in over[island])
        if not free or stack.top_mm[stack.run[island]] - foot_mm[island] < least_height_mm:
            continue
        path = [[island]]
        while below := sorted({lower for upper in path[-1] for lower in under[upper]}):
            path.append(below)
        # What starts in mid-air has nothing to bend from.
        if stack.run[path[-1][0]] == 0:
            paths.append(path)
    return paths


def _upright(
    stack: Stack, path: Sequence[Sequence[int]], material: Material, side_force: float, small_area_mm2: float
) -> Upright:
    runs = np.array([stack.run[members[0]] for members in path])
    top, bottom = stack.top_mm[runs], stack.bottom_mm[runs]
    moments = np.array([stack.moments[members].sum(axis=0) for members in path])
    area = moments[:, 0]
    weak, strong = principal_moments(moments)
    weak = np.maximum(weak, 1e-9)
    modulus, density = material["modulus"].value, material["density"].value
    root = int(np.argmax((top[0] - bottom) / np.sqrt(12 * weak / area)))
    outlines = [shapely.bounds(stack.polygon[members]) for members in path[: root + 1]]
    boxes = np.vstack(outlines)
    hull = hull_2d(np.vstack([shapely.get_coordinates(stack.polygon[island]) for island in path[root]]))
    large = np.flatnonzero(area > small_area_mm2)
    x, y = moments[0, 1:3] / area[0]
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return Upright(
        top_at=(float(x), float(y), float(top[0])),
        box_mm=((float(low[0]), float(low[1]), float(bottom[root])), (float(high[0]), float(high[1]), float(top[0]))),
        root_mm=float(bottom[root]),
        top_mm=float(top[0]),
        width_mm=least_width(hull)[0],
        area_mm2=float(area[root]),
        small_mm=float(top[0] - (top[large[0]] if len(large) else bottom[-1])),
        sway_mm=tip_sway(top, bottom, weak, np.sqrt(12 * strong / area), side_force, modulus),
        period_s=first_period(top, bottom, weak, area, modulus, density),
        on_plate=bool(runs[root] == 0),
        root=tuple(path[root]),
    )


def _neighbours(of: Ints, others: Ints, count: int) -> list[list[int]]:
    """For each island those that it is joined to on one side."""
    sizes = Counter(of.tolist())
    order = np.argsort(of, kind="stable")
    bounds = np.cumsum([0, *(sizes[island] for island in range(count))])
    sorted_others = others[order].tolist()
    return [sorted_others[bounds[island] : bounds[island + 1]] for island in range(count)]
