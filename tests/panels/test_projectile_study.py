"""The panel of projectiles: what a slider changes; and the workbook without anybody to move it."""

import re

import nbformat
import pytest

from reviewkit import dart_study
from reviewkit.panels.projectile_study import ProjectileStudy, shown
from reviewkit.workbook import run_workbook


@pytest.fixture(scope="module")
def only():
    return ProjectileStudy(dart_study.begun())


@pytest.fixture
def panel(only):
    """One panel for all, drawn anew only where a test moved it."""
    if only.tried.trial != only.study.trial:
        only.begin_again()
    return only


def margin(panel) -> float:
    return float(re.search(r"margin (-?[\d.]+) calibres", panel.said.value)[1])


def everything(panel) -> list[str]:
    return [html.value for html in (panel.said, panel.side, panel.moment, panel.path, panel.help)]


def test_a_slider_changes_number_and_pictures_at_once(panel):
    for name, value, higher in (
        ("solid", 10.0, False), ("core", 0.4, False), ("nose", 20.0, True), ("flare", 24.0, True), ("fins", 12.0, True)
    ):  # fmt: skip
        before, rest = margin(panel), everything(panel)
        getattr(panel, name).value = value
        assert (margin(panel) > before) is higher, name
        assert all(now != then for now, then in zip(everything(panel), rest, strict=True)), name


def test_speed_changes_the_flight_and_not_the_balance(panel):
    before, path = margin(panel), panel.path.value
    panel.speed.value = 10.0
    assert margin(panel) == before
    assert panel.path.value != path
    assert "From 10 m/s" in panel.said.value


def test_a_margin_that_is_there_is_said_to_be(panel):
    assert 'class="said against"' in panel.said.value
    assert "No grading gives 1.2 calibres" in panel.advised.value
    panel.flare.value = 24.0
    assert 'class="said"' in panel.said.value
    assert "For 1.2 calibres: solid up to" in panel.advised.value


def test_beginning_again_is_drawn_once(panel):
    first, drawn = everything(panel), []
    panel.solid.value, panel.flare.value = 40.0, 20.0
    panel.help.observe(drawn.append, names="value")
    panel.again.click()
    assert everything(panel) == first
    assert len(drawn) == 1


def test_a_slider_steps_onto_the_size_that_it_was_given():
    panel = ProjectileStudy(dart_study.begun(solid_mm=24.13, core_fill=0.057, speed_m_s=5.13))
    for slider in panel.inputs:
        steps = (slider.value - slider.min) / slider.step
        assert steps == pytest.approx(round(steps), abs=1e-6)
    assert panel.tried.trial == panel.study.trial


def test_customer_words_are_inert():
    study = dart_study.begun()
    object.__setattr__(study, "words", "<script>alert(1)</script>")
    told = ProjectileStudy(study).children[1].value
    assert "&lt;script&gt;" in told and "<script" not in told


def test_nobody_there_means_no_panel():
    assert shown(dart_study.begun(), live=False) is None


def test_the_workbook_runs_without_widgets(tmp_path):
    steps, target = [], tmp_path / "study.ipynb"
    run_workbook(
        "projectile_study.ipynb", {"live": False, "solid_mm": 30.0, "speed_m_s": 8.0}, target,
        lambda *step: steps.append(step),
    )  # fmt: skip
    assert [title for *_, title in steps] == [
        "The projectile", "Sliders", "Balance, moment and flight", "What would help",
    ]  # fmt: skip
    done = nbformat.read(target, as_version=4)
    given = [output for cell in done.cells if cell.cell_type == "code" for output in cell.outputs]
    kinds = [kind for output in given for kind in output.get("data", {})]
    assert kinds.count("image/svg+xml") == 4
    assert not [kind for kind in kinds if "widget" in kind]
    told = " ".join(output["data"].get("text/plain", "") for output in given)
    assert "From 8 m/s" in told and "No grading gives 1.2 calibres" in told
