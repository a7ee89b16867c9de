"""A panel to try the leaves of a mechanism: sliders, force and energy over the stroke, and what to trade them for."""

import html
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import ipywidgets as widgets

from reviewkit.document.text import display_text
from reviewkit.leaf_study import RANGES, LeafStudy, curves, ripple_table, summary, trade_picture, trade_table
from reviewkit.limits import materials
from reviewkit.measure.trade import Design, Making, Ripple, Task, trades
from reviewkit.panels.sliders import image, look, stepped

CLASS = "reviewkit-leaves"

_FIELD: dict[str, Any] = {"style": {"description_width": "9em"}, "layout": {"width": "auto"}}
_STEPS = {"width": 0.02, "depth": 0.5, "length": 0.5, "stroke": 0.25, "amplitude": 0.05}


class FlexureStudy(widgets.VBox):  # type: ignore[misc]
    """Slide the sizes of the leaves and see force, energy, strain, scatter and the trades at once.

    Parameters
    ----------
    study : LeafStudy
        Where it begins.
    """

    def __init__(self, study: LeafStudy) -> None:
        self.study = study
        self._still = False
        design, task = study.design, study.task
        self.count = widgets.IntSlider(
            design.count, *(int(v) for v in RANGES["count"][:2]), description="Leaves", **_FIELD
        )
        self.width = _slider("width", design.width_mm, "Width [mm]")
        self.depth = _slider("depth", design.depth_mm, "Depth [mm]")
        self.length = _slider("length", design.length_mm, "Length [mm]")
        self.stroke = _slider("stroke", task.stroke_mm, "Stroke [mm]")
        self.ripple = widgets.Dropdown(
            options=[(ripple.value, ripple) for ripple in Ripple], value=design.ripple, description="Wave", **_FIELD
        )
        self.amplitude = _slider("amplitude", design.amplitude_mm, "Amplitude [mm]")
        self.material = widgets.Dropdown(
            options=sorted((known.name, known.id) for known in materials().values()),
            value=study.setup.material.id,
            description="Material",
            **_FIELD,
        )
        self.again = widgets.Button(
            description="Begin again", tooltip="Back to the leaves that the study began from", layout={"width": "auto"}
        )
        self.said, self.curve, self.plot, self.rows, self.waves = (widgets.HTML() for _ in range(5))
        self.inputs = (
            self.count, self.width, self.depth, self.length, self.stroke, self.ripple, self.amplitude, self.material,
        )  # fmt: skip
        for field in self.inputs:
            field.observe(lambda _: self.redraw(), names="value")
        self.again.on_click(lambda _: self.begin_again())
        told = widgets.HTML(f'<p class="told">{html.escape(display_text(study.words, 600))}</p>')
        left = widgets.VBox([*self.inputs, self.again], layout=widgets.Layout(flex="1 1 22em", min_width="20em"))
        right = widgets.VBox([self.said, self.curve], layout=widgets.Layout(flex="2 1 36em", min_width="28em"))
        side = widgets.HBox([left, right], layout=widgets.Layout(flex_flow="row wrap", grid_gap="12px"))
        super().__init__([widgets.HTML(look(CLASS)), told, side, self.plot, self.rows, self.waves])
        self.add_class(CLASS)
        self.redraw()

    @property
    def design(self) -> Design:
        """What the sliders say."""
        return replace(
            self.study.design,
            count=self.count.value,
            width_mm=self.width.value,
            depth_mm=self.depth.value,
            length_mm=self.length.value,
            ripple=self.ripple.value,
            amplitude_mm=self.amplitude.value if self.ripple.value is not Ripple.NONE else 0.0,
        )

    @property
    def task(self) -> Task:
        """The stroke that its slider says."""
        return replace(self.study.task, stroke_mm=self.stroke.value)

    @property
    def made(self) -> Making:
        """The chosen material on the machine of the study."""
        return self.study.making(self.material.value)

    def redraw(self) -> None:
        """Everything anew."""
        if self._still:
            return
        design, task, made = self.design, self.task, self.made
        self.amplitude.disabled = self.ripple.value is Ripple.NONE
        rows = trades(design, task, made)
        against = "; ".join(rows[0].against)
        kind = "said against" if against else "said"
        told = summary(rows[0], task, made) + (f". Against it: {against}" if against else "")
        self.said.value = f'<div class="{kind}" role="status">{html.escape(display_text(told, 900))}.</div>'
        self.curve.value = image(curves(self.study, design, task, made))
        self.plot.value = image(trade_picture(rows))
        self.rows.value = trade_table(rows, made).data
        self.waves.value = ripple_table(design, made).data

    def begin_again(self) -> None:
        """Back to where the study began."""
        design, task = self.study.design, self.study.task
        values = (
            design.count, design.width_mm, design.depth_mm, design.length_mm, task.stroke_mm, design.ripple,
            design.amplitude_mm, self.study.setup.material.id,
        )  # fmt: skip
        with self._unwatched():
            for field, value in zip(self.inputs, values, strict=True):
                field.value = value
        self.redraw()

    @contextmanager
    def _unwatched(self) -> Iterator[None]:
        """Change widgets without drawing at each."""
        self._still = True
        try:
            yield
        finally:
            self._still = False


def shown(study: LeafStudy, *, live: bool = True) -> FlexureStudy | None:
    """The panel, or nothing where nobody is there to move it.

    Parameters
    ----------
    study : LeafStudy
    live : bool
    """
    return FlexureStudy(study) if live else None


def _slider(name: str, value: float, label: str) -> widgets.FloatSlider:
    low, high, _ = RANGES[name]
    return stepped(value, low, high, _STEPS[name], label, **_FIELD)
