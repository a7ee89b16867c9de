"""A panel to try a projectile: sliders for its filling, nose, flare and fins, and what becomes of its flight."""

import html
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import ipywidgets as widgets

from reviewkit.dart_study import RANGES, DartStudy, Trial, Tried, advice, pictures, summary
from reviewkit.document.text import display_text
from reviewkit.panels.sliders import image, look, stepped

CLASS = "reviewkit-darts"

_FIELD: dict[str, Any] = {
    "style": {"description_width": "11em"}, "layout": {"width": "auto"}, "continuous_update": False,
}  # fmt: skip


class ProjectileStudy(widgets.VBox):  # type: ignore[misc]
    """Slide the filling and the shape of a projectile and see balance, margin and flight at once.

    Parameters
    ----------
    study : DartStudy
        Where it begins.
    """

    def __init__(self, study: DartStudy) -> None:
        self.study = study
        self._still = False
        trial, outline = study.trial, study.body.outline
        length, calibre = outline.length_mm, outline.calibre_mm
        slowest, fastest, _ = RANGES["speed"]
        self.solid = stepped(trial.solid_mm, 0.0, length, 0.5, "Solid up to [mm]", **_FIELD)
        self.core = stepped(trial.core_fill, 0.0, 1.0, 0.01, "Core fill behind [-]", **_FIELD)
        self.nose = stepped(trial.nose_mm, 0.0, min(3 * calibre, length), 0.5, "Round nose [mm]", **_FIELD)
        self.flare = stepped(trial.flare_mm, 0.0, 4 * calibre, 0.5, "Flare width [mm]", **_FIELD)
        self.fins = stepped(trial.fins_mm, 0.0, min(3 * calibre, length), 0.5, "Four fins [mm]", **_FIELD)
        self.speed = stepped(trial.speed_m_s, slowest, fastest, 0.25, "Speed [m/s]", **_FIELD)
        self.again = widgets.Button(
            description="Begin again", tooltip="Back to the body that the study began from", layout={"width": "auto"}
        )
        self.said, self.advised, self.side, self.moment, self.path, self.help = (widgets.HTML() for _ in range(6))
        self.inputs = (self.solid, self.core, self.nose, self.flare, self.fins, self.speed)
        for field in self.inputs:
            field.observe(lambda _: self.redraw(), names="value")
        self.again.on_click(lambda _: self.begin_again())
        told = widgets.HTML(
            f'<p class="told">{html.escape(display_text(study.words, 600))} At 0 nose, flare and fins stay as they '
            "are.</p>"
        )
        left = widgets.VBox([*self.inputs, self.again], layout=widgets.Layout(flex="1 1 22em", min_width="20em"))
        right = widgets.VBox(
            [self.said, self.advised, self.side, self.path], layout=widgets.Layout(flex="2 1 36em", min_width="28em")
        )
        row = widgets.HBox([left, right], layout=widgets.Layout(flex_flow="row wrap", grid_gap="12px"))
        super().__init__([widgets.HTML(look(CLASS)), told, row, self.moment, self.help])
        self.add_class(CLASS)
        self.redraw()

    @property
    def tried(self) -> Tried:
        """What the sliders say, worked out."""
        return self.study.tried(
            Trial(
                solid_mm=self.solid.value,
                nose_mm=self.nose.value,
                flare_mm=self.flare.value,
                fins_mm=self.fins.value,
                core_fill=self.core.value,
                speed_m_s=self.speed.value,
            )
        )

    def redraw(self) -> None:
        """Everything anew."""
        if self._still:
            return
        tried = self.tried
        kind = "said" if tried.stands else "said against"
        self.said.value = f'<div class="{kind}" role="status">{html.escape(display_text(summary(tried), 900))}.</div>'
        self.advised.value = f'<p class="told">{html.escape(display_text(advice(tried), 600))}</p>'
        for name, made in pictures(tried).items():
            getattr(self, name).value = image(made)

    def begin_again(self) -> None:
        """Back to where the study began."""
        trial = self.study.trial
        values = (
            trial.solid_mm, trial.core_fill, trial.nose_mm, trial.flare_mm, trial.fins_mm, trial.speed_m_s
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


def shown(study: DartStudy, *, live: bool = True) -> ProjectileStudy | None:
    """The panel, or nothing where nobody is there to move it.

    Parameters
    ----------
    study : DartStudy
    live : bool
    """
    return ProjectileStudy(study) if live else None
