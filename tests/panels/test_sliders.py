"""What the panels with sliders share."""

import pytest

from reviewkit.model import Drawing
from reviewkit.panels.sliders import image, look, stepped


@pytest.mark.parametrize(
    ("value", "low", "high", "step"),
    [(0.7, 0.2, 4.0, 0.02), (44.028, 3.0, 200.0, 0.5), (5.13, 0.5, 30.0, 0.25), (0, 0, 1, 0.1)],
)
def test_a_slider_steps_onto_where_it_begins(value, low, high, step):
    slider = stepped(value, low, high, step, "Width [mm]", continuous_update=False)
    assert slider.value == value
    assert low <= slider.min < low + step
    assert (slider.value - slider.min) / slider.step == pytest.approx(
        round((slider.value - slider.min) / step), abs=1e-6
    )
    assert not slider.continuous_update


def test_a_slider_reaches_a_value_beyond_its_range():
    assert stepped(9.0, 0.2, 4.0, 0.1, "Width [mm]").max == 9.0


def test_words_of_a_drawing_are_inert():
    told = image(Drawing("n", "", "<b>t</b>", "<i>c</i>", '"><script>', b"<svg/>", None, 1, 1))
    assert "<script" not in told and "<i>" not in told and "&lt;b&gt;t" in told
    assert told.startswith('<figure><img src="data:image/svg+xml;base64,')


def test_rules_hold_in_their_own_panel_only():
    rules = look("reviewkit-x").split("</style>")[0].splitlines()[1:]
    assert len([line for line in rules if line.startswith(".reviewkit-x ")]) >= 8
    assert not [line for line in rules if line.startswith((".said", "figure", ":"))]
