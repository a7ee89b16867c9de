"""What the panels with sliders share: their look, sliders that step onto where they begin, drawings in the page."""

import base64
import html
from typing import Any

import ipywidgets as widgets

from reviewkit.document.text import display_text
from reviewkit.model import Drawing
from reviewkit.panels.keys import kept_keys

FIELD: dict[str, Any] = {"layout": {"width": "auto"}}


def look(panel: str) -> str:
    """A style element for a panel with sliders.

    Parameters
    ----------
    panel : str
        Class of the panel, of the kit's own naming.

    Notes
    -----
    The handle of a slider is what the keyboard reaches; it has no name of its own until the page gives it one.
    """
    return f"""{kept_keys(panel)}
.{panel} figure {{ margin: 4px 0; }}
.{panel} figure img {{ width: 100%; max-width: 52em; height: auto; }}
.{panel} figcaption {{ font-size: 12px; line-height: 1.4; color: #505963; }}
.{panel} .said {{ line-height: 1.5; margin: 2px 0; padding: 6px 10px; border-left: 4px solid #1b5a8a;
  background: #f3f5f7; color: #1d2630; }}
.{panel} .said.against {{ border-left-color: #8a2b12; background: #fbf1ee; }}
.{panel} .told {{ line-height: 1.45; margin: 0; max-width: 62em; }}
.{panel} :disabled {{ opacity: .45; }}
.{panel} :focus-visible {{ outline: 2px solid #1b5a8a; outline-offset: 1px; }}
</style><style onload="this.closest('.{panel}')?.addEventListener('focusin', event => {{
  const row = event.target.closest('.widget-inline-hbox');
  const label = row && row.querySelector('label');
  if (label && event.target.classList.contains('noUi-handle'))
    event.target.setAttribute('aria-label', label.textContent); }})"></style>"""


def stepped(value: float, low: float, high: float, step: float, label: str, **options: Any) -> widgets.FloatSlider:
    """A slider that can be where it begins, in the unit of its label.

    Parameters
    ----------
    value, low, high, step : float
        Where it begins, its range and its steps [unit of the label].
    label : str
    **options
        More for the slider.
    """
    # A slider goes by whole steps from its least value, so that is set for where it begins to be one of them.
    steps = int((value - low) / step + 1e-9)
    return widgets.FloatSlider(
        value,
        min=round(value - steps * step, 6),
        max=max(high, value),
        step=step,
        description=label,
        readout_format=".2f",
        **(FIELD | options),
    )


def image(drawing: Drawing) -> str:
    """A drawing with its alternative text; SVG goes into an image, never into the page."""
    data = base64.b64encode(drawing.svg or b"").decode()
    return (
        f'<figure><img src="data:image/svg+xml;base64,{data}" alt="{html.escape(display_text(drawing.alt, 500))}">'
        f"<figcaption><b>{html.escape(drawing.title)}</b> {html.escape(display_text(drawing.caption, 400))}"
        "</figcaption></figure>"
    )
