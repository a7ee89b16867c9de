"""The form that marks one region of a part: two rectangles make its volume, an arrow its motion."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import ipywidgets as widgets
import numpy as np

from reviewkit.document.text import display_text
from reviewkit.errors import SubmissionError
from reviewkit.model import Floats, Vector
from reviewkit.panels.intake.sheet import LOOKS, Look
from reviewkit.submission import Box, Cylinder, Motion, MotionKind, Region, RegionKind

AXES = "xyz"
REGION, ARROW = "the region", "the arrow"

_STAYS, _SLIDES, _TURNS = "nothing marked", "slides along the arrow", "turns about the point"
_MOVES = {_SLIDES: MotionKind.TRANSLATION, _TURNS: MotionKind.ROTATION}
_BOX = "box"
_ROUND = {f"cylinder along {axis}": place for place, axis in enumerate(AXES)}
_BY_NAME = {look.name: look for look in LOOKS}
_LABEL: dict[str, Any] = {"style": {"description_width": "8em"}}
FIELD: dict[str, Any] = _LABEL | {"layout": {"width": "auto"}}
# A millimetre in a hundred parts is finer than anybody drags.
_DIGITS = 2
_ALONG = 1e-6


class MarkForm(widgets.VBox):  # type: ignore[misc]
    """Name, kind, volume and motion of one region.

    What was loaded comes back exactly as it was until the fields that state it are changed: a
    turned box or a slanted arrow is not squared up by being looked at.

    Parameters
    ----------
    changed : callable
        Called after a person changed a field.
    """

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._still = False
        self._volume: tuple[tuple[object, ...], Box | Cylinder] | None = None
        self._axis: tuple[tuple[object, ...], Vector, Vector] | None = None
        self._rest: Motion | None = None
        self._note = ""
        self._whole: tuple[object, ...] = ()
        self.name = widgets.Text(description="Name", placeholder="such as slider", continuous_update=False, **FIELD)
        self.kind = widgets.Dropdown(
            options=[(str(k), str(k)) for k in RegionKind], value="moving", description="Kind", **FIELD
        )
        self.drag = widgets.RadioButtons(
            options=[REGION, ARROW], description="Drag marks", orientation="horizontal", **_LABEL
        )
        self.shape = widgets.Dropdown(options=[_BOX, *_ROUND], description="Shape", **FIELD)
        self.low = [_number(f"{axis} from [mm]") for axis in AXES]
        self.high = [_number(f"{axis} to [mm]") for axis in AXES]
        self.moves = widgets.Dropdown(options=[_STAYS, *_MOVES], description="Motion", **FIELD)
        self.view = widgets.Dropdown(
            options=[(look.view.name, look.name) for look in LOOKS], value="top", description="Arrow seen", **FIELD
        )
        self.angle = _number("Angle [deg]", "Counted from right, counter-clockwise")
        self.right, self.up = _number("Point right [mm]"), _number("Point up [mm]")
        self.start, self.end = _number("Stroke from"), _number("Stroke to")
        self.held = widgets.Checkbox(description="rests at the end of its stroke", indent=False)
        self.force = widgets.Text(description="Force [N]", placeholder="if measured", continuous_update=False, **FIELD)
        self.at = widgets.FloatSlider(description="Moved", min=0.0, max=1.0, step=0.05, **FIELD)
        self._motion_fields = (
            self.view,
            self.angle,
            self.right,
            self.up,
            self.start,
            self.end,
            self.held,
            self.force,
            self.at,
        )
        fields = [self.name, self.kind, self.shape, *self.low, *self.high, self.moves, *self._motion_fields]
        for field in fields:
            field.observe(lambda _: self._on_change(), names="value")
        super().__init__(
            [
                self.name, self.kind, self.drag, self.shape,
                *(_row(low, high) for low, high in zip(self.low, self.high, strict=True)),
                self.moves, self.view, _row(self.angle), _row(self.right, self.up), _row(self.start, self.end),
                self.force, self.held, self.at,
            ]
        )  # fmt: skip
        self._show_fields()

    # --- what is marked

    def volume(self) -> Box | Cylinder:
        """The volume that the numbers state, in the part's frame."""
        if self._volume and self._volume[0] == self._bounds():
            return self._volume[1]
        ends = np.sort([[f.value for f in self.low], [f.value for f in self.high]], axis=0)
        if self.shape.value == _BOX:
            return Box(_vector(ends[0]), _vector(ends[1]))
        along = _ROUND[self.shape.value]
        start, end = (ends.mean(axis=0) for _ in range(2))
        start[along], end[along] = ends[:, along]
        across = np.delete(ends[1] - ends[0], along)
        # The longer side: nothing that was marked is left out.
        return Cylinder(_vector(start), _vector(end), float(across.max() / 2))

    def region(self, part: str) -> Region:
        """The region as it is marked."""
        return Region(self.name.value.strip(), part, RegionKind(self.kind.value), self.volume(), self._note)

    def motion(self, *, measured: bool = True) -> Motion | None:
        """The motion as it is marked, None where none is; with its measured force where one is wanted.

        Raises
        ------
        SubmissionError
            When the force is no number.
        """
        if self.moves.value == _STAYS:
            return None
        direction, point = self._pointed()
        name = self.name.value.strip()
        return Motion(
            region=name,
            kind=_MOVES[self.moves.value],
            direction=direction,
            stroke=(self.start.value, self.end.value),
            point_mm=point,
            held=self.held.value,
            force_N=_force(self.force.value) if measured else None,
            speed_m_s=self._rest.speed_m_s if self._rest else None,
        )

    @property
    def look(self) -> Look:
        """The view in which the arrow is drawn."""
        return _BY_NAME[self.view.value]

    def point(self) -> Floats:
        """Where the arrow starts or the region turns about, in the part's frame, (3,) float [mm]."""
        look = self.look
        ends = np.sort([[f.value for f in self.low], [f.value for f in self.high]], axis=0)
        point = ends.mean(axis=0)
        point[look.right], point[look.up] = self.right.value, self.up.value
        return np.asarray(point, dtype=float)

    @property
    def narrowed(self) -> bool:
        """Whether anything was marked of a new region, which begins as the whole part."""
        return self._whole != self._bounds()

    # --- what changes it

    def load(self, region: Region, motion: Motion | None) -> None:
        """Show a region and its motion."""
        self._whole = ()
        with self._unwatched():
            self.name.value, self.kind.value = region.name, str(region.kind)
            self._load_volume(region.volume)
            self._rest, self._note = motion, region.note
            self.moves.value = _STAYS
            middle = np.mean([[f.value for f in self.low], [f.value for f in self.high]], axis=0)
            self._load_point(_BY_NAME["top"], middle)
            self.angle.value, self.start.value, self.end.value = 0.0, 0.0, 0.0
            self.held.value, self.force.value = False, ""
            if motion is not None:
                self._load_motion(motion, middle)
        self._show_fields()

    def blank(self, low_mm: Floats, high_mm: Floats) -> None:
        """Begin a new region, the whole part at first."""
        whole = Box(_vector(np.round(low_mm, _DIGITS)), _vector(np.round(high_mm, _DIGITS)))
        self.load(Region("", "", RegionKind.MOVING, whole), None)
        self._whole = self._bounds()

    def dragged(self, look: Look, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Take what was dragged in a view: a rectangle of the region, or the arrow.

        Parameters
        ----------
        look : Look
            The view.
        start, end : tuple of float
            To the right and up in it, in the part's frame [mm].
        """
        with self._unwatched():
            if self.drag.value == REGION:
                for axis, one, other in ((look.right, start[0], end[0]), (look.up, start[1], end[1])):
                    self.low[axis].value = round(min(one, other), _DIGITS)
                    self.high[axis].value = round(max(one, other), _DIGITS)
            else:
                self.view.value = look.name
                self.right.value, self.up.value = round(start[0], _DIGITS), round(start[1], _DIGITS)
                across, upward = end[0] - start[0], end[1] - start[1]
                if self.moves.value != _TURNS and np.hypot(across, upward) > 0:
                    self.moves.value = _SLIDES
                    self.angle.value = round(float(np.degrees(np.arctan2(upward, across))) % 360, 0)
        self._on_change()

    # --- how

    def _bounds(self) -> tuple[object, ...]:
        return (self.shape.value, *(f.value for f in (*self.low, *self.high)))

    def _arrow(self) -> tuple[object, ...]:
        return self.moves.value, self.view.value, self.angle.value, self.right.value, self.up.value

    def _pointed(self) -> tuple[Vector, Vector]:
        """Direction and point of the motion."""
        if self._axis and self._axis[0] == self._arrow():
            return self._axis[1], self._axis[2]
        look = self.look
        direction = np.zeros(3)
        if self.moves.value == _TURNS:
            direction[look.ahead] = look.towards
        else:
            turn = np.radians(self.angle.value)
            direction[look.right], direction[look.up] = np.round((np.cos(turn), np.sin(turn)), 9)
        return _vector(direction), _vector(np.round(self.point(), 6))

    def _load_volume(self, volume: Box | Cylinder) -> None:
        if isinstance(volume, Box):
            low, high, shape = np.array(volume.min_mm), np.array(volume.max_mm), _BOX
        else:
            start, end = np.array(volume.from_mm), np.array(volume.to_mm)
            along = int(np.argmax(np.abs(end - start)))
            reach = np.full(3, volume.radius_mm)
            reach[along] = 0.0
            low, high = np.minimum(start, end) - reach, np.maximum(start, end) + reach
            shape = list(_ROUND)[along]
        self.shape.value = shape
        for axis in range(3):
            self.low[axis].value, self.high[axis].value = (round(float(v[axis]), _DIGITS) for v in (low, high))
        self._volume = (self._bounds(), volume)

    def _load_motion(self, motion: Motion, middle: Floats) -> None:
        direction = np.array(motion.direction)
        turns = motion.kind is MotionKind.ROTATION
        across = [abs(float(direction[look.ahead])) for look in LOOKS]
        # Of the views that show it best, the one from the top before the others.
        best = max(reversed(range(3)), key=lambda k: across[k] if turns else _ALONG * round(-across[k] / _ALONG))
        look = LOOKS[best]
        self.moves.value = _TURNS if turns else _SLIDES
        self._load_point(look, np.array(motion.point_mm) if turns else middle)
        if not turns:
            self.angle.value = round(float(np.degrees(np.arctan2(direction[look.up], direction[look.right]))) % 360, 1)
        self.start.value, self.end.value = motion.stroke
        self.held.value = motion.held
        self.force.value = "" if motion.force_N is None else f"{motion.force_N:g}"
        self._axis = (self._arrow(), motion.direction, motion.point_mm)

    def _load_point(self, look: Look, point_mm: Floats) -> None:
        self.view.value = look.name
        self.right.value = round(float(point_mm[look.right]), _DIGITS)
        self.up.value = round(float(point_mm[look.up]), _DIGITS)

    def _on_change(self) -> None:
        if self._still:
            return
        self._show_fields()
        self._changed()

    def _show_fields(self) -> None:
        """Only what a motion has can be filled in; the slider runs over its stroke."""
        moving, turning = self.moves.value != _STAYS, self.moves.value == _TURNS
        for field in self._motion_fields:
            field.layout.display = None if moving else "none"
        self.angle.layout.display = None if moving and not turning else "none"
        unit = "deg" if turning else "mm"
        low, high = sorted((self.start.value, self.end.value))
        with self._unwatched():
            self.start.description, self.end.description = f"Stroke from [{unit}]", f"Stroke to [{unit}]"
            self.at.description = f"Moved [{unit}]"
            if high > low:
                self.at.min, self.at.max = min(low, self.at.max), high
                self.at.min, self.at.step = low, (high - low) / 40
            self.at.disabled = high <= low

    @contextmanager
    def _unwatched(self) -> Iterator[None]:
        """Change widgets without taking it for a person's choice."""
        before, self._still = self._still, True
        try:
            yield
        finally:
            self._still = before


def _force(text: str) -> float | None:
    """A measured force, None where nobody measured [N]."""
    if not text.strip():
        return None
    try:
        return float(text)
    except ValueError:
        raise SubmissionError(
            f"the force {display_text(text, 40)!r} is no number; write it in N, or leave it blank"
        ) from None


def _number(label: str, tooltip: str = "") -> widgets.FloatText:
    return widgets.FloatText(
        description=label, tooltip=tooltip or label, continuous_update=False, style={"description_width": "9.5em"},
        layout={"width": "15.5em"},
    )  # fmt: skip


def _row(*fields: widgets.Widget) -> widgets.HBox:
    return widgets.HBox(list(fields), layout=widgets.Layout(flex_flow="row wrap"))


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) + 0.0 for value in values)
    return x, y, z
