"""The panel of leaves: what a slider changes; and the workbook without anybody to move it."""

import re

import nbformat
import pytest

from reviewkit import leaf_study
from reviewkit.errors import SetupError
from reviewkit.measure.trade import Ripple
from reviewkit.panels.flexure_study import FlexureStudy, shown
from reviewkit.workbook import run_workbook


@pytest.fixture
def panel():
    return FlexureStudy(leaf_study.begun())


def stiffness(panel) -> float:
    return float(re.search(r"Stiffness ([\d.]+) N/mm", panel.said.value)[1])


def everything(panel) -> list[str]:
    return [html.value for html in (panel.said, panel.curve, panel.plot, panel.rows)]


@pytest.mark.parametrize(
    ("name", "value", "ratio"),
    [("count", 8, 2.0), ("depth", 16.0, 2.0), ("width", 1.2, 3.25), ("material", "pla", 1.75)],
)
def test_a_slider_changes_number_and_pictures_at_once(panel, name, value, ratio):
    before, rest = stiffness(panel), everything(panel)
    getattr(panel, name).value = value
    assert stiffness(panel) / before == pytest.approx(ratio, rel=0.02)
    assert all(now != then for now, then in zip(everything(panel), rest, strict=True))


def test_length_and_stroke_change_the_curve(panel):
    before = stiffness(panel)
    panel.length.value = 60.0
    assert stiffness(panel) < before / 7
    curve = panel.curve.value
    panel.stroke.value = 6.0
    assert panel.curve.value != curve
    assert "at 6 mm" in panel.said.value


def test_a_wave_has_a_height_only_when_there_is_one(panel):
    assert panel.amplitude.disabled
    before = stiffness(panel)
    panel.amplitude.value = 0.4
    assert stiffness(panel) == before
    panel.ripple.value = Ripple.SECTION
    assert not panel.amplitude.disabled
    assert stiffness(panel) == pytest.approx(2.5 * before, rel=0.01)
    panel.ripple.value = Ripple.IN_PLANE
    assert stiffness(panel) < before


def test_what_is_against_a_design_is_said(panel):
    assert "Against it" not in panel.said.value
    panel.length.value = 15.0
    assert 'class="said against"' in panel.said.value
    assert "PETG bears 1 % for many strokes" in panel.said.value


def test_beginning_again_is_drawn_once(panel):
    first, drawn = everything(panel), []
    panel.count.value, panel.width.value, panel.material.value = 9, 1.0, "abs"
    panel.rows.observe(drawn.append, names="value")
    panel.again.click()
    assert everything(panel) == first
    assert len(drawn) == 1


def test_a_slider_steps_onto_the_size_that_it_was_given():
    study = leaf_study.begun(width_mm=0.7, depth_mm=8.13, length_mm=44.028, stroke_mm=9.0)
    panel = FlexureStudy(study)
    for slider in (panel.width, panel.depth, panel.length, panel.stroke, panel.amplitude):
        steps = (slider.value - slider.min) / slider.step
        assert steps == pytest.approx(round(steps), abs=1e-6)
    assert panel.design == study.design and panel.task == study.task


def test_customer_words_are_inert():
    study = leaf_study.begun()
    object.__setattr__(study, "words", "<script>alert(1)</script>")
    told = FlexureStudy(study).children[1].value
    assert "&lt;script&gt;" in told and "<script" not in told


def test_nobody_there_means_no_panel():
    assert shown(leaf_study.begun(), live=False) is None


def test_the_workbook_runs_without_widgets(tmp_path):
    steps, target = [], tmp_path / "study.ipynb"
    run_workbook(
        "flexure_study.ipynb", {"live": False, "count": 6, "width_mm": 1.2, "length_mm": 36.0}, target,
        lambda *step: steps.append(step),
    )  # fmt: skip
    assert [title for *_, title in steps] == [
        "The leaves", "Sliders", "Force and energy over the stroke", "What to trade them for", "Waves",
    ]  # fmt: skip
    done = nbformat.read(target, as_version=4)
    given = [output for cell in done.cells if cell.cell_type == "code" for output in cell.outputs]
    kinds = [kind for output in given for kind in output.get("data", {})]
    assert kinds.count("image/svg+xml") == 2
    assert not [kind for kind in kinds if "widget" in kind]
    tables = "".join(output["data"]["text/html"] for output in given if "text/html" in output.get("data", {}))
    assert "fewer, deeper" in tables and "down the depth" in tables


def test_the_workbook_hands_back_a_number_out_of_range(tmp_path):
    with pytest.raises(SetupError, match="width 9 mm is out of range"):
        run_workbook("flexure_study.ipynb", {"live": False, "width_mm": 9.0}, tmp_path / "study.ipynb")
