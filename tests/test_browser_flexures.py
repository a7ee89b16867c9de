"""The study of leaves in a real JupyterLab and a real browser: a slider moved by keyboard moves picture and numbers."""

import re

import pytest

from reviewkit.panels.flexure_study import CLASS
from tests.browser import CELLS, Panel, jupyterlab, run_all, tab

SAID = f"document.querySelector('.{CLASS} .said').textContent"
PICTURES = f"[...document.querySelectorAll('.{CLASS} figure img')].map(i => i.src).join()"
SIZES = f"[...document.querySelectorAll('.{CLASS} .widget-readout')].map(e => e.textContent).join()"
LOADED = f"[...document.querySelectorAll('.{CLASS} figure img')].every(i => i.complete && i.naturalWidth > 300)"


@pytest.fixture
def page(tmp_path):
    with tab(tmp_path) as empty:
        yield empty


def pressed(panel: Panel, label: str, *keys: str) -> tuple[float, float]:
    """Stiffness and force said, after keys on a slider changed them."""
    page = panel.page
    before, pictures = page.js(SAID), page.js(PICTURES)
    page.js(f"{panel.slider(label)}.focus()")
    assert page.js("document.activeElement.getAttribute('aria-label')") == label
    for key in keys:
        page.key(key)
    page.wait(f"{SAID} !== {before!r}", f"numbers after {label}")
    page.wait(f"{PICTURES} !== {pictures!r} && {LOADED}", f"pictures after {label}")
    # The last of several steps is the one to be read.
    while page.js(SAID) != (told := page.js(f"new Promise(r => setTimeout(() => r({SAID}), 400))")):
        continue
    return numbers(told)


def numbers(told: str) -> tuple[float, float]:
    stiffness, force = re.match(r"Stiffness ([\d.]+) N/mm; at [\d.]+ mm ([\d.]+) N and", told).groups()
    return float(stiffness), float(force)


def test_sliders_move_picture_and_numbers_by_keyboard(page, tmp_path):
    with jupyterlab(tmp_path, "flexure_study.ipynb") as address:
        panel = run_all(page, address, CLASS)
        stiffness, force = numbers(page.wait(SAID, "numbers"))
        page.wait(LOADED, "pictures")
        cells = page.js(CELLS)

        more, stronger = pressed(panel, "Leaves", "ArrowRight")
        assert more == pytest.approx(stiffness * 5 / 4, rel=0.01)
        assert stronger == pytest.approx(force * 5 / 4, rel=0.01)

        # An arrow down is for the slider too; the notebook would go to the next cell.
        back, _ = pressed(panel, "Leaves", "ArrowDown")
        assert back == pytest.approx(stiffness, rel=0.01)
        deeper, _ = pressed(panel, "Depth [mm]", "ArrowRight", "ArrowRight")
        assert deeper == pytest.approx(stiffness * 9 / 8, rel=0.003)

        _, farther = pressed(panel, "Stroke [mm]", "ArrowRight")
        assert farther == pytest.approx(force * 9 / 8 * 3.25 / 3, rel=0.01)

        page.click(panel.button("Begin again"))
        page.wait(f"{SAID}.startsWith('Stiffness {stiffness:g} N/mm; at 3 mm')", "the numbers from before")
        # Sliders go by steps; none of them may move a size that it was given.
        assert page.js(f"new Promise(r => setTimeout(() => r({SIZES}), 500))") == "4,0.80,8.00,30.00,3.00,0.00"
        assert numbers(page.js(SAID)) == (stiffness, force)
        assert page.js(f"document.querySelectorAll('.{CLASS} table.trades').length") == 2
        assert page.js(CELLS) == cells
