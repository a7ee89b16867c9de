"""Shaded pictures of a part as arrays, cast with the part's own ray tree.

The part stands in the plate frame, z up.  Pixels are counted from the picture's upper left
corner; the middle of the pixel in row r and column c is at (c, r).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from reviewkit.measure.rays import RayTree
from reviewkit.model import Box, Floats, Vector, Verdict

Samples = NDArray[np.float32]

# How a picture looks; nothing here judges a part.
_SIZE = (800, 600)
_EDGE_SHARE = 0.04
_PART_RGB = (226, 221, 212)
_INSIDE_RGB = (176, 170, 164)
_LINE_RGB = (38, 36, 34)
# Okabe and Ito's colour-blind-safe palette (from memory): vermilion, orange, sky blue, yellow.
_VERDICT_RGB = {
    Verdict.FAILS: (213, 94, 0),
    Verdict.MARGINAL: (230, 159, 0),
    Verdict.MEETS: (86, 180, 233),
    Verdict.NOT_CHECKED: (240, 228, 66),
}
# Hatch of each verdict in grey: slope of its stripes, their period and width [samples].
_HATCH = {
    Verdict.FAILS: (1, 12, 4),
    Verdict.MARGINAL: (-1, 18, 3),
    Verdict.MEETS: (1, 24, 2),
    Verdict.NOT_CHECKED: (-1, 24, 2),
}
_HATCH_DARK = 0.6
_LIGHT = np.array([-0.45, 0.65, 0.62]) / np.linalg.norm([-0.45, 0.65, 0.62])
_CREASE_DEG = 28.0
_SHADE_RAYS = 8
_SHADE_REACH = 0.12

# A close-up shows this many times the place, and no less than so much around it.
_CONTEXT = 4.0
_CONTEXT_MM = 40.0

_FLAT = 0.25
_PREFERRED = 1.03


@dataclass(frozen=True)
class View:
    """An orthographic look at a part.

    Parameters
    ----------
    name : str
        Where the viewer stands, in words.
    direction : Vector
        Unit direction of looking, from the viewer to the part [-].
    up : Vector
        Direction that is up in the picture, not along `direction` [-].
    centre_mm : Vector, optional
        Point in the middle of the picture; without it the whole part is framed [mm].
    span_mm : tuple of float
        Least width and height to show around the centre [mm].
    """

    name: str
    direction: Vector
    up: Vector = (0.0, 0.0, 1.0)
    centre_mm: Vector | None = None
    span_mm: tuple[float, float] = (0.0, 0.0)

    @cached_property
    def axes(self) -> Floats:
        """Rows right, up and towards the viewer, (3, 3)."""
        ahead = np.array(self.direction) / np.linalg.norm(self.direction)
        right = np.cross(ahead, self.up)
        right /= np.linalg.norm(right)
        return np.array([right, np.cross(right, ahead), -ahead])


@dataclass(frozen=True, eq=False)
class Shot:
    """A picture and what is seen in each of its pixels.

    Parameters
    ----------
    view : View
        What was asked for.
    rgb : (h, w, 3) uint8
        The picture on white.
    face : (h, w) int
        Facet seen by each pixel's upper left sample, a quarter pixel off its middle; -1 for none.
    depth_mm : (h, w) float
        Its distance from the plane through `corner_mm` across the view, infinite for none [mm].
    mm_per_pixel : float
        Scale of the picture [mm].
    corner_mm : (3,) float
        Point in front of the part that is seen at pixel (0, 0), in the frame of the vertices [mm].
    """

    view: View
    rgb: NDArray[np.uint8]
    face: NDArray[np.int64]
    depth_mm: Floats
    mm_per_pixel: float
    corner_mm: Floats

    def pixels(self, points_mm: Floats) -> Floats:
        """Where points fall in the picture, hidden or not.

        Parameters
        ----------
        points_mm : (n, 3) float
            Points in the frame of the vertices [mm].

        Returns
        -------
        (n, 2) float
            Column and row, counted from the middle of the upper left pixel [px].
        """
        across = (np.atleast_2d(points_mm) - self.corner_mm) @ self.view.axes[:2].T
        return np.asarray(across * (1, -1) / self.mm_per_pixel)


def shaded(
    vertices: Floats,
    faces: NDArray[np.int64],
    rays: RayTree,
    view: View,
    size: tuple[int, int] = _SIZE,
    highlight: Mapping[Verdict, NDArray[np.int64]] | None = None,
    within: Callable[[Floats], NDArray[np.bool_]] | None = None,
) -> Shot:
    """A shaded picture of a part with its edges drawn.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].
    rays : RayTree
        The tree of just this mesh.
    view : View
        From where, and how much of the part.
    size : tuple of int
        Width and height of the picture [px].
    highlight : mapping of Verdict to (k,) int, optional
        Facets to colour and hatch as that verdict; of several, the worst wins [-].
    within : callable, optional
        Says of (n, 3) points in the frame of the vertices [mm] which may be highlighted: a large
        facet that is thin in one corner is not coloured all over.

    Returns
    -------
    Shot
    """
    frame = _Frame(vertices, view, size)
    face, depth_mm = frame.cast(rays)
    normals, backs = _seen_normals(vertices, faces, face, view)
    groups = _groups(len(faces), highlight or {})
    group = np.where(face >= 0, groups[face], -1)
    if within is not None:
        lit = np.nonzero(group > 0)
        group[lit] = np.where(within(frame.points(depth_mm, 1)[lit]), group[lit], 0)

    light = _light(normals, view)
    light *= 1 - _cavity_shade(frame, rays, face, depth_mm, normals)
    colour = _colour(group, backs, light)
    strength = _lines(face, depth_mm, normals, group, frame.pitch_mm)
    colour += strength[..., None] * (np.array(_LINE_RGB, dtype=np.float32) - colour)

    rgb = np.full((2 * size[1], 2 * size[0], 3), 255, dtype=np.float32)
    rgb[frame.window] = colour
    whole = rgb.reshape(size[1], 2, size[0], 2, 3).mean(axis=(1, 3))
    return Shot(
        view=view,
        rgb=np.rint(whole).astype(np.uint8),
        face=frame.per_pixel(face, -1).astype(np.int64),
        depth_mm=frame.per_pixel(depth_mm, np.inf).astype(float),
        mm_per_pixel=frame.mm_per_pixel,
        corner_mm=frame.corner_mm,
    )


def project(shot: Shot, points_mm: Floats, rays: RayTree) -> tuple[Floats, NDArray[np.bool_]]:
    """Where points are in a picture and which of them are seen there.

    Parameters
    ----------
    shot : Shot
        The picture.
    points_mm : (n, 3) float
        Points on or off the part, in the frame of the vertices [mm].
    rays : RayTree
        The tree of the pictured mesh.

    Returns
    -------
    pixels : (n, 2) float
        Column and row, counted from the middle of the upper left pixel [px].
    visible : (n,) bool
        Whether the point is within the picture and nothing stands between it and the viewer; a
        point inside the material is hidden.
    """
    points_mm = np.atleast_2d(np.asarray(points_mm, dtype=float))
    pixels = shot.pixels(points_mm)
    height, width = shot.face.shape
    within = (pixels > -0.5).all(axis=1) & (pixels < (width - 0.5, height - 0.5)).all(axis=1)
    return pixels, within & _open_to(shot.view, points_mm, rays, shot.mm_per_pixel)


def informative_views(
    vertices: Floats, faces: NDArray[np.int64], rays: RayTree, points_of_interest: Floats | None = None
) -> list[View]:
    """The views that show most of a part: from above, from below and, where it is flat, from the top.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].
    rays : RayTree
        The tree of just this mesh.
    points_of_interest : (k, 3) float, optional
        Points that should be seen in one of the views [mm].

    Returns
    -------
    list of View
        From above the one that shows most points, then most surface; from below the one that shows
        most of the points not seen yet; then the top view of a flat part.
    """
    points_mm = np.empty((0, 3)) if points_of_interest is None else np.atleast_2d(points_of_interest)
    extent = np.ptp(vertices, axis=0)
    flat = extent[2] < _FLAT * min(extent[:2])
    views: list[View] = []
    unseen = np.ones(len(points_mm), dtype=bool)
    for from_above in (True, False):
        views.append(_most_telling(vertices, faces, rays, _corner_views(from_above, flat), points_mm[unseen]))
        unseen &= ~_open_to(views[-1], points_mm, rays, _pixel_mm(vertices, views[-1]))
    return [*views, _TOP] if flat else views


def best_view(vertices: Floats, faces: NDArray[np.int64], rays: RayTree, points_mm: Floats) -> View:
    """The view that shows most of some points, for a close-up.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points in the plate frame [mm].
    faces : (m, 3) int
        Facets [-].
    rays : RayTree
        The tree of just this mesh.
    points_mm : (k, 3) float
        Points to be seen [mm].

    Returns
    -------
    View
        One from a corner above or below, straight from a side, or from the top or the underside.
    """
    points_mm = np.atleast_2d(points_mm)
    corners = [*_corner_views(True, True), *_corner_views(True, False), *_corner_views(False, False)]
    kinds = (corners, [_TOP, _UNDERSIDE, *_SIDES])
    oblique, straight = (_most_telling(vertices, faces, rays, views, points_mm) for views in kinds)
    seen = [_open_to(v, points_mm, rays, _pixel_mm(vertices, v)).sum() for v in (oblique, straight)]
    # Depth is lost in a view straight on: it is taken only where it shows far more of the place.
    return straight if seen[1] >= 2 * seen[0] and seen[1] else oblique


def closeup(view: View, box: Box) -> View:
    """The same look, framed on a place with enough of the part around it.

    Parameters
    ----------
    view : View
        From where.
    box : Box
        Lowest and highest corner of the place [mm].

    Returns
    -------
    View
        About four times the place, and never less than 40 mm.
    """
    corners = np.array(np.meshgrid(*np.transpose(box))).reshape(3, -1).T
    across = corners @ view.axes[:2].T
    width_mm, height_mm = np.maximum(_CONTEXT * np.ptp(across, axis=0), _CONTEXT_MM)
    x, y, z = np.mean(box, axis=0)
    return replace(
        view,
        name=f"{view.name}, close up",
        centre_mm=(float(x), float(y), float(z)),
        span_mm=(float(width_mm), float(height_mm)),
    )


_TOP = View("from the top", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
_UNDERSIDE = View("from the underside", (0.0, 0.0, 1.0), (0.0, 1.0, 0.0))
_SIDES = (
    View("from the front", (0.0, 1.0, 0.0)),
    View("from the right", (-1.0, 0.0, 0.0)),
    View("from the back", (0.0, -1.0, 0.0)),
    View("from the left", (1.0, 0.0, 0.0)),
)
# Where the viewer stands around the part, counted from the right (+x) towards the back (+y) [deg]:
# a little to one side of each corner, so that the two walls there do not look alike.
_AROUND = {
    -60: "front right", -120: "front left", -30: "right front", -150: "left front",
    60: "back right", 120: "back left", 30: "right back", 150: "left back",
}  # fmt: skip


def _corner_views(from_above: bool, flat: bool) -> list[View]:
    """Three-quarter views; steeper for a flat part, whose faces would else be foreshortened."""
    rise = np.radians((55 if flat else 33) * (1 if from_above else -1))
    where = "above" if from_above else "below"
    views = []
    for azimuth_deg, corner in _AROUND.items():
        turn = np.radians(azimuth_deg)
        to_viewer = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
        views.append(View(f"from {where}, {corner}", (-to_viewer[0], -to_viewer[1], -to_viewer[2])))
    return views


def _most_telling(
    vertices: Floats, faces: NDArray[np.int64], rays: RayTree, views: Sequence[View], points_mm: Floats
) -> View:
    """The first view that no other beats in points seen, nor clearly in surface seen."""
    sample = vertices[:: max(1, len(vertices) // 20_000)]
    best, most = views[0], (-1, 0.0)
    for view in views:
        frame = _Frame(sample, view, (64, 48))
        seen = int(_open_to(view, points_mm, rays, frame.mm_per_pixel / 10).sum())
        if seen < most[0]:
            continue
        face, _ = frame.cast(rays)
        normals, _ = _seen_normals(vertices, faces, face, view)
        facing = normals[..., 2][face >= 0]
        surface_mm2 = float((frame.pitch_mm**2 / np.maximum(facing, 0.15)).sum())
        if seen > most[0] or surface_mm2 > _PREFERRED * most[1]:
            best, most = view, (seen, surface_mm2)
    return best


def _pixel_mm(vertices: Floats, view: View) -> float:
    return _Frame(vertices, view, _SIZE).mm_per_pixel


def _open_to(view: View, points_mm: Floats, rays: RayTree, mm_per_pixel: float) -> NDArray[np.bool_]:
    """Whether nothing stands between each point and the viewer."""
    if len(points_mm) == 0:
        return np.zeros(0, dtype=bool)
    towards = np.broadcast_to(view.axes[2], points_mm.shape)
    # A point given to a hundredth of a millimetre may lie just under its surface.
    _, face = rays.first_hit(points_mm, towards, lift_mm=max(0.02, 0.1 * mm_per_pixel))
    return np.asarray(face < 0)


class _Frame:
    """The camera of one picture: 2 x 2 samples a pixel, cast only where the part can be."""

    def __init__(self, vertices: Floats, view: View, size: tuple[int, int]) -> None:
        self.axes = view.axes
        seen = vertices @ self.axes.T
        low, high = seen.min(axis=0), seen.max(axis=0)
        room = np.array(size) * (1 - 2 * _EDGE_SHARE)
        whole = float(((high - low)[:2] / room).max())
        wanted = float((np.array(view.span_mm) / room).max())
        close = view.centre_mm is not None and wanted < whole
        self.mm_per_pixel = wanted if close else whole
        self.pitch_mm = self.mm_per_pixel / 2
        centre = np.array(view.centre_mm) @ self.axes.T if close else (low + high) / 2
        # Just in front of the part, so that single precision is spent on the part.
        front = high[2] + 0.01 * float((high - low).max())
        half = (np.array(size) - 1) / 2 * self.mm_per_pixel
        self._corner = np.array([centre[0] - half[0], centre[1] + half[1], front])
        self.corner_mm: Floats = self._corner @ self.axes
        self.size = size

        left, right = (low[0] - self._corner[0]) / self.pitch_mm, (high[0] - self._corner[0]) / self.pitch_mm
        top, bottom = (self._corner[1] - high[1]) / self.pitch_mm, (self._corner[1] - low[1]) / self.pitch_mm
        self.window = (_sample_range(top, bottom, 2 * size[1]), _sample_range(left, right, 2 * size[0]))

    def cast(self, rays: RayTree) -> tuple[NDArray[np.int64], Samples]:
        """Facet and depth of each sample in the window."""
        rows, columns = (np.arange(span.start, span.stop) - 0.5 for span in self.window)
        x = self._corner[0] + self.pitch_mm * columns
        y = self._corner[1] - self.pitch_mm * rows
        across = x[:, None] * self.axes[0] + self._corner[2] * self.axes[2]
        face = np.empty((len(y), len(x)), dtype=np.int64)
        depth_mm = np.empty((len(y), len(x)), dtype=np.float32)
        ahead = -self.axes[2]
        step = max(1, 400_000 // len(x))
        for start in range(0, len(y), step):
            part = slice(start, start + step)
            origins = (across[None] + (y[part, None] * self.axes[1])[:, None]).reshape(-1, 3)
            distance, hit = rays.first_hit(origins, np.broadcast_to(ahead, origins.shape))
            face[part], depth_mm[part] = hit.reshape(-1, len(x)), distance.reshape(-1, len(x))
        return face, depth_mm

    def points(self, depth_mm: Samples, step: int) -> Floats:
        """Every so many samples in each direction the point seen there [mm]."""
        rows, columns = (np.arange(span.start, span.stop)[::step] - 0.5 for span in self.window)
        seen = np.empty((len(rows), len(columns), 3))
        seen[..., 0] = self._corner[0] + self.pitch_mm * columns
        seen[..., 1] = self._corner[1] - self.pitch_mm * rows[:, None]
        seen[..., 2] = self._corner[2] - np.where(np.isfinite(depth_mm), depth_mm, 0)[::step, ::step]
        return seen @ self.axes

    def per_pixel(self, samples: NDArray[np.generic], outside: float) -> NDArray[np.generic]:
        """The upper left sample of every pixel of the whole picture."""
        whole = np.full((2 * self.size[1], 2 * self.size[0]), outside, dtype=samples.dtype)
        whole[self.window] = samples
        return whole[::2, ::2].copy()


def _sample_range(first: float, last: float, count: int) -> slice:
    """Samples between two places with two to spare, none beyond the picture."""
    start = int(np.clip(np.floor(first) - 2, 0, count - 2))
    return slice(start, int(np.clip(np.ceil(last) + 3, start + 2, count)))


def _seen_normals(
    vertices: Floats, faces: NDArray[np.int64], face: NDArray[np.int64], view: View
) -> tuple[Samples, NDArray[np.bool_]]:
    """Normal of each sample in the view's axes, turned to the viewer, and whether it is a back side."""
    used = np.zeros(len(faces), dtype=bool)
    used[face[face >= 0]] = True
    # Facet -1, for none, takes the place of the last facet; nothing asks for its normal.
    used[-1] = True
    place = (np.cumsum(used) - 1)[face]
    corners = vertices[faces[used]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ view.axes.T
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    back = normals[:, 2] < 0
    normals[back] *= -1
    backs = back[place] & (face >= 0)
    if backs.any():
        # Where doubled facets face both ways, the rays hit one and the other by chance: the majority shows.
        backs = ndimage.uniform_filter(backs.astype(np.float32), 9) > 0.5
    return normals.astype(np.float32)[place], backs


def _groups(count: int, highlight: Mapping[Verdict, NDArray[np.int64]]) -> NDArray[np.int8]:
    """Which highlight each facet has: 0 for none, else one more than its place in `_VERDICT_RGB`."""
    groups = np.zeros(count, dtype=np.int8)
    for place, verdict in reversed(list(enumerate(_VERDICT_RGB, start=1))):
        groups[highlight.get(verdict, [])] = place
    return groups


def _light(normals: Samples, view: View) -> Samples:
    """Soft light from the left and above, or below where the viewer is; wrapped, so that no side is black."""
    light = _LIGHT * (1, -1 if view.axes[2, 2] < -0.1 else 1, 1)
    wrapped = 0.5 + 0.5 * (normals @ light.astype(np.float32))
    return np.asarray(0.42 + 0.62 * wrapped**1.4, dtype=np.float32)


def _cavity_shade(
    frame: _Frame, rays: RayTree, face: NDArray[np.int64], depth_mm: Samples, normals: Samples
) -> Samples:
    """Share of the sky that near walls take from each sample: darkens pockets and gaps.

    Cast from every fourth sample in each direction, smoothed within each surface, and spread.
    """
    coarse = face[::4, ::4]
    hit = coarse >= 0
    normal = normals[::4, ::4].astype(float)
    points = frame.points(depth_mm, 4)[hit]
    outward = normal[hit] @ frame.axes
    side = np.cross(outward, np.where(np.abs(outward[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]]))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(outward, side)

    row, column = np.nonzero(hit)
    turn = 2 * np.pi * ((row % 4) * 4 + (column % 4) * 7 % 16) / 16
    reach_mm = _SHADE_REACH * frame.mm_per_pixel * max(frame.size)
    taken = np.zeros(len(points))
    for place in range(_SHADE_RAYS):
        # Cosine-weighted directions on a sunflower spiral.
        radius = np.sqrt((place + 0.5) / _SHADE_RAYS)
        angle = turn + place * np.pi * (3 - np.sqrt(5))
        directions = (
            (radius * np.cos(angle))[:, None] * side
            + (radius * np.sin(angle))[:, None] * other
            + np.sqrt(1 - radius**2) * outward
        )
        distance, _ = rays.first_hit(points, directions, lift_mm=frame.pitch_mm / 2)
        taken += np.clip(1 - distance / reach_mm, 0, 1)
    shade = np.zeros(coarse.shape, dtype=np.float32)
    shade[hit] = taken / _SHADE_RAYS

    rows, columns = hit.shape
    around = [np.pad(array, [(2, 2), (2, 2)] + [(0, 0)] * (array.ndim - 2)) for array in (shade, hit, normal)]
    total, weight = np.zeros_like(shade), np.full_like(shade, 1e-6)
    for down in range(5):
        for right in range(5):
            near_shade, near_hit, near_normal = (a[down : down + rows, right : right + columns] for a in around)
            alike = near_hit & hit & (np.einsum("ijk,ijk->ij", near_normal, normal) > 0.9)
            total += np.where(alike, near_shade, 0)
            weight += alike
    smooth = np.repeat(np.repeat(total / weight, 4, axis=0), 4, axis=1)[: face.shape[0], : face.shape[1]]
    spread = ndimage.uniform_filter(np.where(face >= 0, smooth, 0), 5) / np.maximum(
        ndimage.uniform_filter((face >= 0).astype(np.float32), 5), 1e-3
    )
    return np.asarray(0.8 * np.clip(spread, 0, 1), dtype=np.float32)


def _colour(group: NDArray[np.int8], backs: NDArray[np.bool_], light: Samples) -> Samples:
    """Lit colour of each sample, hatched where highlighted, white beside the part."""
    palette = np.array([_PART_RGB, *_VERDICT_RGB.values(), _INSIDE_RGB, (255, 255, 255)], dtype=np.float32)
    inside, white = len(palette) - 2, len(palette) - 1
    kind = np.where(group < 0, white, np.where((group == 0) & backs, inside, group))
    # A highlight keeps its colour in the shade, too.
    lit = np.where(group > 0, 0.4 + 0.6 * light, light)
    lit = np.where(group < 0, np.float32(1), lit)
    for place, (slope, period, width) in enumerate(_HATCH.values(), start=1):
        row, column = np.nonzero(group == place)
        striped = (row + slope * column) % period < width
        lit[row[striped], column[striped]] *= _HATCH_DARK
    return np.asarray(np.clip(palette[kind] * lit[..., None].astype(np.float32), 0, 255))


def _lines(
    face: NDArray[np.int64], depth_mm: Samples, normals: Samples, group: NDArray[np.int8], pitch_mm: float
) -> Samples:
    """How dark the line is on each sample: outline, hidden edge, border of a highlight, crease."""
    outside = face < 0
    strong = ndimage.binary_dilation(outside, np.ones((3, 3)), iterations=2) if outside.any() else outside.copy()
    weak = np.zeros(face.shape, dtype=bool)
    depth = np.where(face >= 0, depth_mm, np.float32(1e6))
    slope = normals[..., :2] / np.maximum(normals[..., 2:], np.float32(0.02))
    cos_crease = np.float32(np.cos(np.radians(_CREASE_DEG)))
    for axis, sign in ((1, 1), (0, -1)):
        here = (slice(None), slice(None, -1)) if axis else (slice(None, -1), slice(None))
        there = (slice(None), slice(1, None)) if axis else (slice(1, None), slice(None))
        rise = depth[there] - depth[here]
        expected = sign * np.float32(pitch_mm) * slope[..., 1 - axis]
        jump = np.minimum(np.abs(rise - expected[here]), np.abs(rise - expected[there])) > 4 * pitch_mm
        edge = jump | (group[here] != group[there])
        crease = np.einsum("ijk,ijk->ij", normals[here], normals[there]) < cos_crease
        for side in (here, there):
            strong[side] |= edge
            weak[side] |= crease
    # Where creases crowd, as in a knurl, full lines would only blacken it.
    crowded = ndimage.uniform_filter(weak.astype(np.float32), 13)
    soft = np.where(weak, np.float32(0.75) * np.clip((1 - crowded) / 0.65, 0.15, 1), 0)
    strength = np.where(strong, np.float32(0.92), soft)
    return np.where(face >= 0, strength, np.float32(0.0)).astype(np.float32)
