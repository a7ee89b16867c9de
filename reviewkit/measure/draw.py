"""Whether a form of two halves could let a body go, and whether it is a prism that could be cut or extruded.

Rays along the direction of opening tell what one half cannot reach; lines along it, cut by the body
into one piece or several, tell the same in a second way.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull

from reviewkit.measure.rays import RayTree
from reviewkit.measure.stability import least_width
from reviewkit.model import Floats

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# A facet nearer to the direction of opening than this is a wall [deg].
_WALL_DEG = 0.06
# Rays start off the surface by this share of the body's size.
_OFF = 1e-5
# Points on the surface while directions are compared, and for the one that is kept.
_COARSE_POINTS = 700
_MIDDLE_POINTS = 4_000
_FINE_POINTS = 40_000
# Directions spread over the half sphere, and how many of all go on to the next round.
_SPREAD = 160
_KEPT = 24
_MANY_FACETS = 60_000
_REFINED = 5
_FINAL = 8
_STEPS_DEG = (2.0, 0.5, 0.1)
# Normals and edges that stand for most of the body, taken as directions.
_OWN = 10
# Directions nearer than this are one [deg].
_SAME_DEG = 0.05
# Shares of surface that differ by less are alike: about the shadow of one row of points.
_ALIKE = 0.002
_ALIKE_AT_LAST = 1e-4
# Lines along the direction of opening, each way across.
_LINES = 140
# Draft below which a wall is told to lack it, and slope that still counts as wall or cap of a prism [deg].
_DRAFT_DEG = 1.0
_PRISM_DEG = 1.0
_GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, eq=False)
class Undercut:
    """Facets that neither half reaches and that hang together.

    Parameters
    ----------
    facets : (f,) int
        Of the mesh that was given [-].
    area_mm2 : float
        Hidden area [mm2].
    centre : (3,) float
        Their middle [mm].
    """

    facets: Ints
    area_mm2: float
    centre: Floats


@dataclass(frozen=True, eq=False)
class Draw:
    """A body between two halves of a form that leave along a line.

    Parameters
    ----------
    direction : (3,) float
        Unit direction in which one half leaves, the other leaves against it [-].
    hidden : (m,) float
        Share of each facet that its half does not reach [-].
    area_mm2 : (m,) float
        Of each facet [mm2].
    facing : (m,) float
        Cosine between the outward normal and the direction [-].
    column_share : float
        Of the lines along the direction that meet the body, those that meet it more than once [-].
    depth_mm : float
        Extent along the direction [mm].
    undercuts : tuple of Undercut
        The largest first.
    """

    direction: Floats
    hidden: Floats
    area_mm2: Floats
    facing: Floats
    column_share: float
    depth_mm: float
    undercuts: tuple[Undercut, ...] = field(repr=False)

    @cached_property
    def hidden_mm2(self) -> float:
        """Area that neither half reaches [mm2]."""
        return float(self.hidden @ self.area_mm2)

    @property
    def hidden_share(self) -> float:
        """Share of the surface that neither half reaches [-]."""
        return self.hidden_mm2 / float(self.area_mm2.sum())

    @property
    def wall_share(self) -> float:
        """Share of the surface with less than a degree of draft [-]."""
        steep = np.abs(self.facing) < np.sin(np.radians(_DRAFT_DEG))
        return float(self.area_mm2[steep].sum() / self.area_mm2.sum())


@dataclass(frozen=True)
class Prism:
    """How nearly a body is a prism along a direction.

    Parameters
    ----------
    direction : tuple of float
        Unit direction [-].
    fill : float
        Volume over that of the prism of the same outline and depth; 1 for a prism [-].
    plain_share : float
        Share of the surface that lies along the direction or square to it, to a degree [-].
    depth_mm, width_mm : float
        Extent along the direction, and the least one across it [mm].
    """

    direction: tuple[float, float, float]
    fill: float
    plain_share: float
    depth_mm: float
    width_mm: float

    @property
    def flatness(self) -> float:
        """Depth over the least extent across it; small for a sheet [-]."""
        return self.depth_mm / self.width_mm


@dataclass(frozen=True, eq=False)
class BodyDraw:
    """One body of a part, its best draw and the direction in which it is most nearly a prism.

    Parameters
    ----------
    facets : (m,) int
        Of the part's mesh, in the order of the draws' arrays [-].
    best : Draw
    prism : Prism
    tried : int
        Directions compared [-].
    """

    facets: Ints
    best: Draw
    prism: Prism
    tried: int


def draw_along(vertices: Floats, faces: Ints, direction: Floats, rays: RayTree | None = None) -> Draw:
    """How a form that opens along a direction lets a closed body go.

    Parameters
    ----------
    vertices : (n, 3) float
        Corners [mm].
    faces : (m, 3) int
        Facets of one closed body, outward [-].
    direction : (3,) float
        Not zero [-].
    rays : RayTree, optional
        Of that mesh.

    Returns
    -------
    Draw

    Notes
    -----
    A facet that faces the direction belongs to the half that leaves along it, one that faces away to
    the other; one within 0.06 degrees of it is a wall and belongs to both.  A point is hidden where the
    ray along its half meets the body again, on a wall where both do.  A body can be freed exactly when
    no line along the direction meets it more than once.

    References
    ----------
    Ahn, de Berg, Bose, Cheng, Halperin, Matousek and Schwarzkopf, Separating an object from its cast,
    Computer-Aided Design 34 (2002) 547-559 (abstract seen).
    """
    return _Body(vertices, faces, rays).draw(np.asarray(direction, dtype=float))


def prism_along(vertices: Floats, faces: Ints, direction: Floats) -> Prism:
    """How nearly a closed body is a prism along a direction; parameters as for :func:`draw_along`."""
    return _Body(vertices, faces, None).prism(np.asarray(direction, dtype=float))


def body_draw(vertices: Floats, faces: Ints, rays: RayTree | None = None) -> BodyDraw:
    """The best direction in which a form of two halves opens for a closed body.

    Parameters
    ----------
    vertices, faces, rays
        As for :func:`draw_along`.

    Returns
    -------
    BodyDraw
        Best is the least hidden share, then a direction of the body's own faces and edges, then the least
        wall without draft, then the least depth.

    Notes
    -----
    Directions that stand for much of the body are tried, normals and edges by their area and length,
    because a direction a degree off turns walls without draft into undercuts; then directions spread
    over the half sphere, and steps around the best of them.
    """
    body = _Body(vertices, faces, rays)
    normals, others = body.own_directions
    own = _apart(np.vstack([normals, others]))
    every = _apart(np.vstack([own, _half_sphere(_SPREAD)]))
    # Normals of faces first, edges next, spread ones last.
    rank = np.where(np.arange(len(every)) < len(_apart(normals)), 0, np.where(np.arange(len(every)) < len(own), 1, 2))
    coarse = body.hidden_shares(every, _COARSE_POINTS)
    order = np.argsort(np.round(coarse / _ALIKE), kind="stable")[:_KEPT]
    kept, rank = every[order], rank[order]
    shares = body.hidden_shares(kept, _MIDDLE_POINTS)
    tried = len(every)
    if shares.min() > _ALIKE:
        near = [body.refined(kept[one]) for one in np.argsort(shares, kind="stable")[:_REFINED]]
        tried += sum(count for _, count in near)
        better = np.vstack([direction for direction, _ in near])
        kept, rank = np.vstack([kept, better]), np.append(rank, np.full(len(better), rank.max() + 1))
        shares = np.append(shares, body.hidden_shares(better, _MIDDLE_POINTS))
    near_best = np.lexsort((rank, np.round(shares / _ALIKE)))[:_FINAL]
    kept, rank = kept[near_best], rank[near_best]
    shares = body.hidden_shares(kept, _FINE_POINTS)
    # A screw hole is less than what the coarser rounds tell apart.
    alike = shares <= shares.min() + _ALIKE_AT_LAST
    # Nobody opens a form askew where a face or an edge of the body gives a direction as good.
    alike &= rank == rank[alike].min()
    best = body.draw(kept[alike][body.least_wall(kept[alike])])
    return BodyDraw(np.arange(len(faces)), best, body.prism(body.plainest(own)), tried)


def draws_of(vertices: Floats, faces: Ints, rays: RayTree, least_share: float) -> tuple[BodyDraw, ...]:
    """The best draw of every body of a part by itself.

    Parameters
    ----------
    vertices : (n, 3) float
        Corners [mm].
    faces : (m, 3) int
        Facets of closed bodies, outward [-].
    rays : RayTree
        Of that mesh.
    least_share : float
        Bodies with less of the volume are left out [-].

    Returns
    -------
    tuple of BodyDraw
        The largest volume first.
    """
    bodies = _bodies(vertices, faces)
    volumes = np.array([_volume(vertices, faces[facets]) for facets in bodies])
    found = []
    for one in np.argsort(-volumes, kind="stable"):
        if volumes[one] < least_share * volumes.sum() or volumes[one] <= 0:
            continue
        facets = bodies[one]
        corners, own = np.unique(faces[facets], return_inverse=True)
        whole = len(facets) == len(faces)
        result = body_draw(vertices[corners], own.reshape(-1, 3), rays if whole else None)
        found.append(BodyDraw(facets, _renamed(result.best, facets), result.prism, result.tried))
    return tuple(found)


class _Body:
    """A closed body with what every direction needs of it."""

    def __init__(self, vertices: Floats, faces: Ints, rays: RayTree | None) -> None:
        self.vertices, self.faces = np.asarray(vertices, dtype=float), faces
        self.rays = RayTree(self.vertices, faces) if rays is None else rays
        self.corners = self.vertices[faces]
        across = np.cross(self.corners[:, 1] - self.corners[:, 0], self.corners[:, 2] - self.corners[:, 0])
        double = np.linalg.norm(across, axis=1)
        self.area = double / 2
        self.normals = across / np.maximum(double, 1e-300)[:, None]
        self.size_mm = float(np.linalg.norm(np.ptp(self.vertices, axis=0)))
        self.volume_mm3 = _volume(self.vertices, faces)
        self._points: dict[int, tuple[Ints, Floats, Floats]] = {}

    def points(self, count: int) -> tuple[Ints, Floats, Floats]:
        """Points spread evenly over the area: facet and place of each, and where its ray starts."""
        if count not in self._points:
            facet, places = _spread_points(self.corners, self.area, count)
            self._points[count] = facet, places, places + _OFF * self.size_mm * self.normals[facet]
        return self._points[count]

    def hidden_shares(self, directions: Floats, count: int) -> Floats:
        """Hidden share of the surface for each direction (k,), judged at so many points."""
        facet, _, starts = self.points(count)
        facing = directions @ self.normals[facet].T
        wall = np.abs(facing) < np.sin(np.radians(_WALL_DEG))
        side = np.where(facing >= 0, 1.0, -1.0)
        way, point = np.divmod(np.arange(facing.size), facing.shape[1])
        hits = self._meets(starts[point], side.ravel()[:, None] * directions[way])
        # A wall is free when either way is: the other way is looked at only where the first is not.
        again = np.flatnonzero(hits & wall.ravel())
        hits[again] = self._meets(starts[point[again]], -side.ravel()[again, None] * directions[way[again]])
        return np.asarray(hits.reshape(facing.shape).mean(axis=1))

    def refined(self, direction: Floats) -> tuple[Floats, int]:
        """A direction improved in ever smaller steps, and how many were tried."""
        tried = 0
        share = float(self.hidden_shares(direction[None], _COARSE_POINTS)[0])
        for step_deg in _STEPS_DEG:
            around = _around(direction, step_deg)
            shares = self.hidden_shares(around, _COARSE_POINTS)
            tried += len(around)
            if shares.min() < share:
                share, direction = float(shares.min()), around[int(shares.argmin())]
        return direction, tried

    def least_wall(self, directions: Floats) -> int:
        """The direction with the least wall without draft, then the least depth."""
        facet, _, _ = self.points(_MIDDLE_POINTS)
        wall = (np.abs(directions @ self.normals[facet].T) < np.sin(np.radians(_DRAFT_DEG))).mean(axis=1)
        depth = np.ptp(self.vertices @ directions.T, axis=0) / self.size_mm
        return int(np.lexsort((np.round(depth, 6), np.round(wall / _ALIKE)))[0])

    def plainest(self, directions: Floats) -> Floats:
        """The direction with the most surface along or square to it, then the fullest outline, then the least depth."""
        facet, _, _ = self.points(_MIDDLE_POINTS)
        facing = np.abs(directions @ self.normals[facet].T)
        depth = np.ptp(self.vertices @ directions.T, axis=0)
        # Half the area as seen facet by facet: never less than that of the outline, and that itself where no
        # line meets the body twice.
        seen = facing.mean(axis=1) * self.area.sum() / 2
        fill = np.round(self.volume_mm3 / (seen * depth), 2)
        found: Floats = directions[np.lexsort((depth, -fill, -np.round(_plain(facing).mean(axis=1), 2)))[0]]
        return found

    @cached_property
    def own_directions(self) -> tuple[Floats, Floats]:
        """Normals that stand for most of the body; then edges likewise, and the axes of inertia and of the frame."""
        faces = self.faces
        if len(faces) > _MANY_FACETS:
            # Of very many facets every few speak for all.
            faces = faces[:: len(faces) // _MANY_FACETS]
        edges = (self.vertices[faces[:, [1, 2, 0]]] - self.vertices[faces]).reshape(-1, 3)
        lengths = np.linalg.norm(edges, axis=1)
        along = edges / np.maximum(lengths, 1e-300)[:, None]
        normals = _heaviest(self.normals, self.area)
        return normals, np.vstack([_heaviest(along, lengths), _inertia_axes(self.corners), np.eye(3)])

    def draw(self, direction: Floats) -> Draw:
        direction = direction / np.linalg.norm(direction)
        facing = self.normals @ direction
        facet, starts = self._fine
        wall = np.abs(facing[facet]) < np.sin(np.radians(_WALL_DEG))
        side = np.where(facing[facet] >= 0, 1.0, -1.0)[:, None]
        hits = self._meets(starts, side * direction)
        again = np.flatnonzero(hits & wall)
        hits[again] = self._meets(starts[again], -side[again] * direction)
        of_facet = np.bincount(facet, minlength=len(self.faces))
        hidden = np.bincount(facet, hits, minlength=len(self.faces)) / np.maximum(of_facet, 1)
        return Draw(
            direction=direction,
            hidden=hidden,
            area_mm2=self.area,
            facing=facing,
            column_share=self._columns(direction)[0],
            depth_mm=float(np.ptp(self.vertices @ direction)),
            undercuts=self._undercuts(hidden),
        )

    def prism(self, direction: Floats) -> Prism:
        direction = direction / np.linalg.norm(direction)
        facing = np.abs(self.normals @ direction)
        column_share, seen_mm2 = self._columns(direction)
        if column_share < _ALIKE:
            # Where no line meets the body twice the facets show the area exactly.
            seen_mm2 = float(facing @ self.area) / 2
        depth_mm = float(np.ptp(self.vertices @ direction))
        flat = self.vertices @ np.column_stack(_frame(direction))
        x, y, z = (float(value) for value in direction)
        return Prism(
            direction=(x, y, z),
            fill=self.volume_mm3 / (seen_mm2 * depth_mm),
            plain_share=float(self.area[_plain(facing)].sum() / self.area.sum()),
            depth_mm=depth_mm,
            width_mm=least_width(flat[ConvexHull(flat).vertices])[0],
        )

    @cached_property
    def _fine(self) -> tuple[Ints, Floats]:
        """At least one point on every facet, more on large ones: facets and where rays start."""
        count = np.maximum(1, np.round(self.area / self.area.sum() * _FINE_POINTS)).astype(np.int64)
        facet = np.repeat(np.arange(len(count)), count)
        number = np.arange(len(facet)) - np.repeat(np.cumsum(count) - count, count)
        first, second = _in_triangle(number, count[facet])
        places = _at(self.corners, facet, first, second)
        return facet, places + _OFF * self.size_mm * self.normals[facet]

    def _columns(self, direction: Floats) -> tuple[float, float]:
        """Share of lines that meet the body more than once, and the area seen along them."""
        right, up = _frame(direction)
        flat = np.column_stack([self.vertices @ right, self.vertices @ up])
        low, high = flat.min(axis=0), flat.max(axis=0)
        # Off the middle of the grid by irrational parts, so that no line runs along an edge of a regular mesh.
        grid = (np.arange(_LINES) + _GOLDEN) / _LINES
        x, y = np.meshgrid(low[0] + (high[0] - low[0]) * grid, low[1] + (high[1] - low[1]) * ((grid + _GOLDEN) % 1.0))
        heights = self.vertices @ direction
        lift = _OFF * self.size_mm
        top, bottom = float(heights.max()) + self.size_mm * 0.01, float(heights.min()) - self.size_mm * 0.01
        starts = x.ravel()[:, None] * right + y.ravel()[:, None] * up
        down = -np.broadcast_to(direction, starts.shape)
        from_top, face = self.rays.first_hit(starts + top * direction, down)
        met = np.flatnonzero(face >= 0)
        if not len(met):
            return 0.0, 0.0
        cell_mm2 = float(np.prod(high - low)) / _LINES**2
        from_bottom, _ = self.rays.first_hit(starts[met] + bottom * direction, -down[met])
        entry = top - from_top[met]
        out, _ = self.rays.first_hit(starts[met] + entry[:, None] * direction, down[met], lift_mm=lift)
        leaves, last = entry - out, bottom + from_bottom
        # A line that leaves before the last matter below meets the body again.
        twice = (leaves - last > 20 * lift) & np.isfinite(leaves) & np.isfinite(last)
        return float(twice.mean()), len(met) * cell_mm2

    def _undercuts(self, hidden: Floats) -> tuple[Undercut, ...]:
        """Facets hidden by more than half, gathered over shared edges."""
        chosen = np.flatnonzero(hidden > 0.5)
        if not len(chosen):
            return ()
        sides = np.sort(self.faces[chosen][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
        code = sides[:, 0] * len(self.vertices) + sides[:, 1]
        order = np.argsort(code, kind="stable")
        same = np.flatnonzero(code[order][1:] == code[order][:-1])
        first, second = order[same] // 3, order[same + 1] // 3
        linked = sparse.coo_matrix((np.ones(len(first)), (first, second)), (len(chosen), len(chosen)))
        count, of = connected_components(linked, directed=False)
        weight = hidden[chosen] * self.area[chosen]
        areas = np.bincount(of, weight, minlength=count)
        middles = self.corners[chosen].mean(axis=1)
        sums = [np.bincount(of, weight * middles[:, axis], minlength=count) for axis in range(3)]
        centres = np.column_stack(sums) / np.maximum(areas, 1e-300)[:, None]
        parted = np.split(chosen[np.argsort(of, kind="stable")], np.cumsum(np.bincount(of, minlength=count))[:-1])
        found = [Undercut(parted[one], float(areas[one]), centres[one]) for one in range(count)]
        return tuple(sorted(found, key=lambda undercut: -undercut.area_mm2))

    def _meets(self, starts: Floats, directions: Floats) -> Flags:
        """Whether rays meet the body again (n,)."""
        if not len(starts):
            return np.zeros(0, dtype=bool)
        _, face = self.rays.first_hit(starts, directions, lift_mm=_OFF * self.size_mm)
        return np.asarray(face >= 0)


def _renamed(draw: Draw, facets: Ints) -> Draw:
    """A draw of a body with its undercuts told in facets of the part."""
    undercuts = tuple(Undercut(facets[one.facets], one.area_mm2, one.centre) for one in draw.undercuts)
    return Draw(**{**{name: getattr(draw, name) for name in draw.__dataclass_fields__}, "undercuts": undercuts})


def _bodies(vertices: Floats, faces: Ints) -> list[Ints]:
    """Facets of each body; the skin of a hollow inside belongs to the body around it."""
    edges = sparse.coo_matrix(
        (np.ones(2 * len(faces)), (np.repeat(faces[:, 0], 2), faces[:, 1:].ravel())), (len(vertices),) * 2
    )
    _, of = connected_components(edges, directed=False)
    shell = of[faces[:, 0]]
    used, shell = np.unique(shell, return_inverse=True)
    order = np.argsort(shell, kind="stable")
    shells = np.split(order, np.cumsum(np.bincount(shell, minlength=len(used)))[:-1])
    if len(shells) == 1:
        return [np.arange(len(faces))]
    volumes = [_volume(vertices, faces[facets]) for facets in shells]
    solid = [facets for facets, volume in zip(shells, volumes, strict=True) if volume > 0]
    for facets, volume in zip(shells, volumes, strict=True):
        if volume < 0 and solid:
            inner = vertices[faces[facets]].reshape(-1, 3)
            around = [one for one in range(len(solid)) if _holds(vertices[faces[solid[one]]].reshape(-1, 3), inner)]
            # The smallest body whose box holds the hollow is the one around it.
            home = min(around or range(len(solid)), key=lambda one: _volume(vertices, faces[solid[one]]))
            solid[home] = np.concatenate([solid[home], facets])
    return solid


def _holds(outer: Floats, inner: Floats) -> bool:
    return bool((outer.min(axis=0) <= inner.min(axis=0)).all() and (outer.max(axis=0) >= inner.max(axis=0)).all())


def _plain(facing: Floats) -> Flags:
    """Whether facets of a cosine to a direction lie along it or square to it."""
    slope = np.radians(_PRISM_DEG)
    return np.asarray((facing < np.sin(slope)) | (facing > np.cos(slope)))


def _volume(vertices: Floats, faces: Ints) -> float:
    a, b, c = (vertices[faces[:, corner]] - vertices[faces[0, 0]] for corner in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6


def _spread_points(corners: Floats, area: Floats, count: int) -> tuple[Ints, Floats]:
    """Points at even steps of the running area, so that each stands for as much; the same every time."""
    running = np.cumsum(area)
    steps = (np.arange(count) + 0.5) / count * running[-1]
    facet = np.minimum(np.searchsorted(running, steps), len(area) - 1)
    first, second = _in_triangle(np.arange(count), np.full(count, count))
    return facet, _at(corners, facet, first, second)


def _in_triangle(number: Ints, of: Ints) -> tuple[Floats, Floats]:
    """Places in a triangle (u, v) of the number-th of so many points: near the middle of one, else spread evenly.

    Never at the middle or on an edge itself: a ray from there may run exactly along an edge of a regular
    mesh, and rays miss edges.  The two irrational steps are those of the plastic number (Roberts 2018,
    from memory).
    """
    u, v = (0.3719 + number * 0.7548776662466927) % 1.0, (0.1873 + number * 0.5698402909980532) % 1.0
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    return np.where(of == 1, 0.3189, u), np.where(of == 1, 0.3527, v)


def _at(corners: Floats, facet: Ints, u: Floats, v: Floats) -> Floats:
    chosen = corners[facet]
    found: Floats = chosen[:, 0] * (1 - u - v)[:, None] + chosen[:, 1] * u[:, None] + chosen[:, 2] * v[:, None]
    return found


def _heaviest(directions: Floats, weights: Floats) -> Floats:
    """Directions, either way the same, that bear the most weight."""
    grid = np.round(directions * 2000).astype(np.int64)
    code = ((grid[:, 0] + 4096) * 8192 + grid[:, 1] + 4096) * 8192 + grid[:, 2] + 4096
    # Zero is in the middle, so that the code of the opposite direction lies as far on its other side.
    middle = (4096 * 8192 + 4096) * 8192 + 4096
    cell, of = np.unique(np.abs(code - middle), return_inverse=True)
    heavy = np.argsort(-np.bincount(of, weights, minlength=len(cell)), kind="stable")[:_OWN]
    members = (np.flatnonzero(of == one) for one in heavy)
    # The heaviest of a cell speaks for it, to its full digits.
    return np.array([directions[some[np.argmax(weights[some])]] for some in members])


def _inertia_axes(corners: Floats) -> Floats:
    """Axes of the corners' spread, which for even meshes are near those of the inertia, (3, 3)."""
    middles = corners.mean(axis=1)
    _, axes = np.linalg.eigh(np.cov(middles.T) if len(middles) > 3 else np.eye(3))
    return np.asarray(axes.T)


def _half_sphere(count: int) -> Floats:
    """Directions spread evenly over half a sphere, (count, 3)."""
    height = (np.arange(count) + 0.5) / count
    turn = 2 * np.pi * _GOLDEN * np.arange(count)
    across = np.sqrt(1 - height**2)
    return np.column_stack([across * np.cos(turn), across * np.sin(turn), height])


def _apart(directions: Floats) -> Floats:
    """Unit directions without those that repeat an earlier one, either way."""
    units = directions / np.linalg.norm(directions, axis=1)[:, None]
    same = np.abs(units @ units.T) > np.cos(np.radians(_SAME_DEG))
    kept = [row for row in range(len(units)) if not same[row, :row].any()]
    found: Floats = units[kept]
    return found


def _around(direction: Floats, step_deg: float) -> Floats:
    """Eight directions at a step from one, (8, 3)."""
    right, up = _frame(direction)
    turn = np.radians(np.arange(0, 360, 45))[:, None]
    leaned = direction + np.tan(np.radians(step_deg)) * (np.cos(turn) * right + np.sin(turn) * up)
    found: Floats = leaned / np.linalg.norm(leaned, axis=1)[:, None]
    return found


def _frame(direction: Floats) -> Sequence[Floats]:
    """Two unit directions square to one and to each other."""
    other = np.eye(3)[int(np.argmin(np.abs(direction)))]
    right = np.cross(other, direction)
    right /= np.linalg.norm(right)
    return right, np.cross(direction, right)
