"""Front, side and top view of a part on one sheet to scale, and what is drawn over it.

The sheet is in millimetres, y down: the front view stands below the top view and left of the
view from the right, so that a place keeps its x below and its z beside (third angle).
"""

import base64
import html
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from matplotlib.image import imsave
from numpy.typing import NDArray
from trimesh.intersections import slice_faces_plane

from reviewkit.document.text import display_text
from reviewkit.hands import Hands
from reviewkit.measure.rays import RayTree
from reviewkit.model import Floats
from reviewkit.panels.intake.hand import hand_outline, hand_words
from reviewkit.part import Part
from reviewkit.picture import Shot, View, shaded
from reviewkit.submission import Box, Cylinder

BAR_MM = 100.0
BLUE = "#1f4e8c"

# How the sheet looks: pixels of its longest picture, gap between pictures as a share of the part, colours.
_PIXELS, _LEAST_PIXELS, _GHOST_SHARE = 900, 40, 0.5
_GAP = 0.09
_INK, _ORANGE, _GREY = "#222222", "#c8500a", "#7a7a76"
_GHOST_RGB = np.array([31, 78, 140])
_ROUND = 48


@dataclass(frozen=True)
class Look:
    """One of the three views: which axes of the part run right and up in it (0 is x)."""

    name: str
    right: int
    up: int
    view: View

    @property
    def ahead(self) -> int:
        """The axis along which one looks."""
        return 3 - self.right - self.up

    @property
    def towards(self) -> float:
        """Whether the viewer stands on the axis's positive side, 1 or -1 [-]."""
        return -self.view.direction[self.ahead]


LOOKS = (
    Look("front", 0, 2, View("from the front", (0.0, 1.0, 0.0))),
    Look("side", 1, 2, View("from the right", (-1.0, 0.0, 0.0))),
    Look("top", 0, 1, View("from the top", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))),
)
_CORNER = View("from above, front right", (-0.42, 0.73, -0.54))


class Sheet:
    """The three views of one part, pictured once.

    Parameters
    ----------
    part : Part
        In its own frame.
    """

    def __init__(self, part: Part) -> None:
        self.part = part
        self.low_mm, self.high_mm = part.vertices.min(axis=0), part.vertices.max(axis=0)
        span = np.maximum(self.high_mm - self.low_mm, 1e-6)
        self.gap_mm = _GAP * float(span.max())
        self._rays = RayTree(part.vertices, part.faces)
        side_x, front_y = span[0] + self.gap_mm, span[1] + self.gap_mm
        # Upper left corner of each view's picture of the part [mm].
        self.corners = {"front": (0.0, front_y), "side": (side_x, front_y), "top": (0.0, 0.0)}
        self.size = (side_x + span[1], front_y + span[2])
        self._fine_mm = float(max(self.size)) / _PIXELS

    @cached_property
    def _base(self) -> str:
        """The pictures and what they are called."""
        shots = {
            look.name: _shot(self.part.vertices, self.part.faces, self._rays, look, self._fine_mm) for look in LOOKS
        }
        drawn = [self._placed(look, shots[look.name]) for look in LOOKS]
        return "".join([*drawn, self._quarter()])

    def picture(self, over: str = "") -> str:
        """The sheet as a whole SVG image, with something drawn over it."""
        return self._svg(self._base + self._names(self._letter) + over, self._frame())

    def size_picture(self, hands: Hands) -> str:
        """The sheet beside a hand and a bar of 100 mm, all to one scale, as a whole SVG image."""
        outline = hand_outline(hands) * (1, -1)
        width, height = self.size
        low, high = outline.min(axis=0), outline.max(axis=0)
        bottom = max(height, high[1] - low[1])
        x = width + max(self.gap_mm, 12.0)
        hand = outline - low + (x, bottom - (high[1] - low[1]))
        right, letter = float(hand[:, 0].max()), self._letter_of(max(width, bottom))
        shown = self._base + (self._names(letter) if 1.5 * letter < self.gap_mm else "")
        shift = f'<g transform="translate(0 {bottom - height:.3f})">{shown}</g>'
        below = bottom + 2.6 * letter
        drawn = [
            shift,
            _path(hand, fill="#efefec", stroke=_GREY, stroke_width=0.3 * letter / 3),
            _text(right, below + 1.3 * letter, hand_words(hands), letter, end=True),
            _bar(0.0, below, letter),
        ]  # fmt: skip
        pad = 1.5 * letter
        frame = (-pad, -2 * letter, max(right, width) + 2 * pad, below + 4.5 * letter)
        return self._svg("".join(drawn), frame)

    def overlay(self, body: str) -> str:
        """An SVG of the sheet's very frame with nothing but `body`, to lie over the picture."""
        return self._svg(body, self._frame())

    # --- places

    def at(self, look: Look, points_mm: Floats) -> Floats:
        """Where points of the part are on the sheet in one view, (n, 2) float [mm]."""
        points = np.atleast_2d(points_mm)
        x, y = self.corners[look.name]
        return np.column_stack(
            (x + points[:, look.right] - self.low_mm[look.right], y + self.high_mm[look.up] - points[:, look.up])
        )

    def look_at(self, x_mm: float, y_mm: float) -> Look | None:
        """The view that holds a place of the sheet [mm], with a little room around each."""
        room = 0.45 * self.gap_mm
        for look in LOOKS:
            left, top = self.corners[look.name]
            width, height = (self.high_mm - self.low_mm)[[look.right, look.up]]
            if left - room <= x_mm <= left + width + room and top - room <= y_mm <= top + height + room:
                return look
        return None

    def place(self, look: Look, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Coordinates to the right and up in a view, in the part's frame, of a place of the sheet [mm]."""
        left, top = self.corners[look.name]
        return float(self.low_mm[look.right] + x_mm - left), float(self.high_mm[look.up] - y_mm + top)

    # --- what is drawn over the views

    def outlined(self, volume: Box | Cylinder, colour: str = BLUE, *, strong: bool = False) -> str:
        """A volume's outline in each view."""
        fill, width = (colour, 0.2) if strong else ("none", 0.08)
        outlines = (self._outline(volume, look) for look in LOOKS)
        return "".join(
            _path(outline, fill=fill, stroke=colour, stroke_width=width * self._letter, opacity=0.12)
            for outline in outlines
        )

    def named(self, named: Sequence[tuple[str, Box | Cylinder]], colour: str = _GREY) -> str:
        """Outlines of several volumes with their names in the view from the top, where these find room."""
        letter = 0.8 * self._letter
        drawn, taken = [], list[tuple[float, float, float]]()
        for name, volume in named:
            drawn.append(self.outlined(volume, colour))
            x, y = self._outline(volume, LOOKS[-1]).min(axis=0)
            right = x + 0.6 * letter * len(name)
            if all(right < left or x > end or abs(y - at) > letter for left, end, at in taken):
                drawn.append(_text(x, y - 0.25 * letter, name, letter, colour))
                taken.append((x, right, y))
        return "".join(drawn)

    def arrow(self, look: Look, point_mm: Floats, angle_deg: float) -> str:
        """An arrow in one view from a point of the part, counted from right counter-clockwise [deg]."""
        length = 0.22 * float((self.high_mm - self.low_mm).max())
        along = np.array([np.cos(np.radians(angle_deg)), -np.sin(np.radians(angle_deg))])
        across = np.array([-along[1], along[0]])
        start = self.at(look, point_mm)[0]
        end, head = start + length * along, 0.2 * length
        shaft = np.array([start, end - head * along])
        tip = np.array([end, end - head * along + 0.4 * head * across, end - head * along - 0.4 * head * across])
        width = 0.25 * self._letter
        return _path(shaft, fill="none", stroke=_ORANGE, stroke_width=width, closed=False) + _path(
            tip, fill=_ORANGE, stroke=_ORANGE, stroke_width=width / 4, opacity=1.0
        )

    def turning(self, look: Look, point_mm: Floats) -> str:
        """A round arrow about a point of one view, the way a rotation goes: counter-clockwise."""
        radius = 0.09 * float((self.high_mm - self.low_mm).max())
        centre = self.at(look, point_mm)[0]
        turn = np.radians(np.linspace(20, 320, 40))
        ring = centre + radius * np.column_stack((np.cos(turn), -np.sin(turn)))
        ahead = (ring[-1] - ring[-3]) / np.linalg.norm(ring[-1] - ring[-3])
        across, head = np.array([-ahead[1], ahead[0]]), 0.5 * radius
        tip = np.array([ring[-1] + head * ahead, ring[-1] + 0.4 * head * across, ring[-1] - 0.4 * head * across])
        width = 0.25 * self._letter
        cross = "".join(
            _path(np.array([centre - d, centre + d]), fill="none", stroke=_ORANGE, stroke_width=width / 2, closed=False)
            for d in (np.array([0.3 * radius, 0]), np.array([0, 0.3 * radius]))
        )
        return (
            cross
            + _path(ring, fill="none", stroke=_ORANGE, stroke_width=width, closed=False)
            + _path(tip, fill=_ORANGE, stroke=_ORANGE, stroke_width=width / 4, opacity=1.0)
        )

    def ghost(self, vertices: Floats, faces: NDArray[np.int64]) -> str:
        """A block of the part, wherever it has gone, tinted over each view [mm]."""
        if not len(faces):
            return ""
        rays = RayTree(vertices, faces)
        coarse_mm = self._fine_mm / _GHOST_SHARE
        shots = ((look, _shot(vertices, faces, rays, look, coarse_mm)) for look in LOOKS)
        return "".join(self._placed(look, shot, tinted=True) for look, shot in shots)

    # --- how

    def _outline(self, volume: Box | Cylinder, look: Look) -> Floats:
        """Outline of a volume in one view, on the sheet, (n, 2) float [mm]."""
        hull = shapely.MultiPoint(self.at(look, _corners(volume))).convex_hull
        return np.array(getattr(hull, "exterior", hull).coords)

    @property
    def _letter(self) -> float:
        return self._letter_of(max(self.size))

    @staticmethod
    def _letter_of(span_mm: float) -> float:
        """Height of letters on a sheet of such a size [mm]."""
        return 0.026 * span_mm

    def _frame(self) -> tuple[float, float, float, float]:
        pad = 2.2 * self._letter
        return -pad, -pad, self.size[0] + 2 * pad, self.size[1] + 2.4 * pad

    def _svg(self, body: str, frame: tuple[float, float, float, float]) -> str:
        box = " ".join(f"{side:.3f}" for side in frame)
        size = f'width="{_PIXELS}" height="{_PIXELS * frame[3] / frame[2]:.0f}"'
        return f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="{box}">{body}</svg>'

    def _placed(self, look: Look, shot: Shot, *, tinted: bool = False) -> str:
        height, width = shot.face.shape
        x, y = self.at(look, shot.corner_mm)[0] - shot.mm_per_pixel / 2
        alpha = np.where(shot.face >= 0, 255, 0).astype(np.uint8)
        rgb = shot.rgb
        if tinted:
            rgb = (0.45 * rgb + 0.55 * _GHOST_RGB).astype(np.uint8)
            alpha = (0.75 * alpha).astype(np.uint8)
        return _image(
            np.dstack((rgb, alpha)) if tinted else rgb, x, y, width * shot.mm_per_pixel, height * shot.mm_per_pixel
        )

    def _quarter(self) -> str:
        """The part seen from a corner, in the free quarter of the sheet; not to scale."""
        (left, _), (_, top) = self.corners["side"], self.corners["top"]
        side = float(self.high_mm[1] - self.low_mm[1])
        if side < 0.12 * max(self.size):
            return ""
        pixels = max(_LEAST_PIXELS, round(side / self._fine_mm))
        shot = shaded(self.part.vertices, self.part.faces, self._rays, _CORNER, (pixels, pixels))
        return _image(shot.rgb, left, top, side, side)

    def _names(self, letter: float) -> str:
        """Which view is which, as far as a view is wide enough for it."""
        drawn = []
        for look in LOOKS:
            x, y = self.corners[look.name]
            width, height = (self.high_mm - self.low_mm)[[look.right, look.up]]
            words = f"{look.view.name}, {'xyz'[look.right]} right, {'xyz'[look.up]} up"
            fits = width + self.gap_mm > 0.45 * letter * len(words)
            drawn.append(_text(x, y + height + 1.15 * letter, words if fits else look.name, 0.8 * letter))
        return "".join(drawn)


def inside(part: Part, volume: Box | Cylinder) -> tuple[Floats, NDArray[np.int64]]:
    """The facets of a part inside a volume, cut at its surface.

    Parameters
    ----------
    part : Part
    volume : Box or Cylinder

    Returns
    -------
    vertices : (n, 3) float
        [mm]
    faces : (m, 3) int
        [-]
    """
    vertices, faces = np.array(part.vertices), np.array(part.faces)
    for point, inward in _planes(volume):
        if not len(faces):
            break
        vertices, faces, *_ = slice_faces_plane(vertices, faces, plane_normal=inward, plane_origin=point)
    return vertices, np.asarray(faces, dtype=np.int64).reshape(-1, 3)


def image_of(svg: str, words: str) -> str:
    """An SVG as an image of a page, with its words for those who do not see it."""
    data = base64.b64encode(svg.encode()).decode()
    return f'<img src="data:image/svg+xml;base64,{data}" alt="{html.escape(display_text(words, 400))}">'


def _shot(vertices: Floats, faces: NDArray[np.int64], rays: RayTree, look: Look, mm_per_pixel: float) -> Shot:
    span = np.ptp(vertices, axis=0)[[look.right, look.up]]
    width, height = np.maximum(np.ceil(span / mm_per_pixel / 0.9).astype(int), _LEAST_PIXELS)
    return shaded(vertices, faces, rays, look.view, (int(width), int(height)))


def _planes(volume: Box | Cylinder) -> Iterator[tuple[Floats, Floats]]:
    """A point on each side of a volume and the direction into it."""
    if isinstance(volume, Box):
        corners, centre = _corners(volume), (np.array(volume.min_mm) + volume.max_mm) / 2
        for axis in (corners[4] - corners[0], corners[2] - corners[0], corners[1] - corners[0]):
            along = axis / max(float(np.linalg.norm(axis)), 1e-12)
            yield centre - axis / 2, along
            yield centre + axis / 2, -along
        return
    start, end = np.array(volume.from_mm), np.array(volume.to_mm)
    along = (end - start) / np.linalg.norm(end - start)
    yield start, along
    yield end, -along
    for outward in _around(along):
        yield start + volume.radius_mm * outward, -outward


def _corners(volume: Box | Cylinder) -> Floats:
    """Points whose hull is the volume, (n, 3) float [mm]."""
    if isinstance(volume, Box):
        low, high = np.array(volume.min_mm), np.array(volume.max_mm)
        corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
        centre, turn = (low + high) / 2, np.radians(volume.turn_deg)
        about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        return np.asarray((corners - centre) @ about.T + centre)
    start, end = np.array(volume.from_mm), np.array(volume.to_mm)
    ring = volume.radius_mm * _around((end - start) / np.linalg.norm(end - start))
    return np.vstack((start + ring, end + ring))


def _around(along: Floats) -> Floats:
    """Unit directions around an axis, (n, 3) float [-]."""
    side = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    side /= np.linalg.norm(side)
    turn = np.linspace(0, 2 * np.pi, _ROUND, endpoint=False)[:, None]
    return np.asarray(np.cos(turn) * side + np.sin(turn) * np.cross(along, side))


def _bar(x: float, y: float, letter: float) -> str:
    tick = 0.4 * letter
    line = np.array([(x, y - tick), (x, y), (x + BAR_MM, y), (x + BAR_MM, y - tick)])
    return _path(line, fill="none", stroke=_INK, stroke_width=0.2 * letter, closed=False) + _text(
        x, y + 1.3 * letter, f"{BAR_MM:g} mm", letter
    )


def _path(
    points: Floats, *, fill: str, stroke: str, stroke_width: float, closed: bool = True, opacity: float = 1.0
) -> str:
    way = " L".join(f"{x:.3f} {y:.3f}" for x, y in points)
    look = f'fill="{fill}" fill-opacity="{opacity:g}" stroke="{stroke}" stroke-width="{stroke_width:.3f}"'
    return f'<path d="M{way}{" Z" if closed else ""}" {look} stroke-linejoin="round"/>'


def _text(x: float, y: float, words: str, letter: float, colour: str = _INK, *, end: bool = False) -> str:
    """Words that begin, or end, at a place, with a white rim to be read on anything."""
    shown = html.escape(display_text(words, 80))
    look = f'font-family="sans-serif" font-size="{letter:.3f}" fill="{colour}" stroke="white" paint-order="stroke"'
    place = f'x="{x:.3f}" y="{y:.3f}" text-anchor="{"end" if end else "start"}" stroke-width="{0.25 * letter:.3f}"'
    return f"<text {place} {look}>{shown}</text>"


def _image(pixels: NDArray[np.uint8], x: float, y: float, width: float, height: float) -> str:
    file = io.BytesIO()
    imsave(file, pixels, format="png")
    data = base64.b64encode(file.getvalue()).decode()
    place = f'x="{x:.3f}" y="{y:.3f}" width="{width:.3f}" height="{height:.3f}"'
    return f'<image {place} preserveAspectRatio="none" href="data:image/png;base64,{data}"/>'
