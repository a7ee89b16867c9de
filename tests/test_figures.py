"""Figures of real findings: valid, described, the same each time, and proof against what customers write."""

import hashlib
import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import manifold3d
import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from hypothesis import example, given
from hypothesis import strategies as st
from lxml import etree
from matplotlib.image import imread
from matplotlib.patches import Circle

from reviewkit import figures, review
from reviewkit.checks import CHECKS
from reviewkit.document.files import read_review, write_review
from reviewkit.errors import ReviewError
from reviewkit.figures import drawings, drawn, pictured
from reviewkit.model import Drawing, Finding, Picture, Review

ROOT = Path(__file__).resolve().parents[1]
SVG = "{http://www.w3.org/2000/svg}svg"
TROUBLE = "$\\frac{$ & <b>\"'</b> %s {0} ]]>"
WIDTH, HEIGHT = 900, 640


def block(low, high) -> manifold3d.Manifold:
    return manifold3d.Manifold.cube(np.subtract(high, low)).translate(low)


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Review:
    """A tray with a thin floor, a thin web, a neck, a pointed corner and an island too narrow to draw."""
    tray = block((0, 0, 0), (60, 40, 8)) - block((2, 2, 0.5), (58, 38, 9))
    web = block((20, 10, 0.25), (20.6, 30, 8))
    ear = block((60, 19.5, 0), (64, 20.5, 4)) + block((64, 15, 0), (72, 25, 4))
    point = manifold3d.CrossSection([[(72, 17), (95, 20), (72, 23)]]).extrude(4)
    sliver = block((80, 25, 0), (90, 25.2, 4))
    made = (tray + web + ear + point + sliver).to_mesh()
    path = tmp_path_factory.mktemp("sent") / "tray.stl"
    trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts).export(path)
    return review.review(path, units="mm")


@pytest.fixture(scope="module")
def every(small) -> tuple[Drawing, ...]:
    return drawings(small)


@pytest.fixture(scope="module")
def handle(tmp_path_factory) -> tuple[Finding, ...]:
    """What is judged of the room behind a bar on two posts."""
    folder = tmp_path_factory.mktemp("handle")
    made = block((0, 0, 0), (90, 20, 6)) + block((0, 0, 0), (8, 20, 40)) + block((82, 0, 0), (90, 20, 40))
    made = (made + block((0, 0, 28), (90, 20, 40))).to_mesh()
    trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts).export(folder / "handle.stl")
    (folder / "submission.toml").write_text(
        '[submission]\nnumber = "H-1"\n[[part]]\nid = "handle"\nfile = "handle.stl"\nunits = "mm"\n'
        '[use]\nage_from_months = 216\nhands = ["adults"]\n[[region]]\nname = "bar"\npart = "handle"\nkind = "grip"\n'
        "box = { min_mm = [8.0, 0.0, 28.0], max_mm = [82.0, 20.0, 40.0] }\n"
    )
    return review.judged(review.opened(folder), [check for check in CHECKS if check.code == "ER-04"])


@pytest.fixture(scope="module")
def shown(small, handle, judged) -> dict[str, Finding]:
    """A finding with each kind of drawing, of a small part where it has one, else of a demonstration."""
    others = [finding for _, findings in judged.values() for finding in findings]
    return {kind: finding for finding in [*others, *handle, *small.findings] for kind in finding.figures}


def parsed(drawing: Drawing) -> etree._Element:
    return etree.fromstring(drawing.svg, etree.XMLParser(no_network=True, resolve_entities=False))


# --- what a drawing is -----------------------------------------------------------------------


def test_every_kind_of_drawing_is_shown_somewhere(shown):
    assert set(shown) == set(figures._KINDS)


def test_drawings_are_valid_and_as_large_as_they_say(every):
    assert {bool(drawing.svg) for drawing in every} == {True, False}
    for drawing in every:
        assert (drawing.svg is None) != (drawing.png is None)
        if drawing.svg is not None:
            root = parsed(drawing)
            assert root.tag == SVG
            _, _, width, height = map(float, root.get("viewBox").split())
            assert width / height == pytest.approx(drawing.width_px / drawing.height_px, rel=0.01)
            links = [value for node in root.iter() for name, value in node.attrib.items() if name.endswith("href")]
            assert all(link.startswith(("#", "data:")) for link in links)
        else:
            pixels = imread(io.BytesIO(drawing.png))
            assert pixels.shape[:2] == (drawing.height_px, drawing.width_px)
            assert np.ptp(pixels[..., :3]) > 0.5


def test_every_drawing_is_told_in_words(small, every):
    assert len(every) == len(small.pictures) + sum(len(finding.figures) for finding in small.findings)
    keys = {finding.key for finding in small.findings}
    for drawing in every:
        assert len(drawing.alt) > 30
        assert drawing.title
        assert "nan" not in f"{drawing.alt} {drawing.caption} {drawing.title}".split()
        assert drawing.finding in keys | {""}
    assert len({drawing.file for drawing in every}) == len(every)
    assert all(re.fullmatch(r"[a-z0-9-]+\.(svg|png)", drawing.file) for drawing in every)


def test_first_layer_tells_the_numbers_of_its_evidence(shown):
    finding = shown["first_layer"]
    told = drawn(finding, "first_layer").alt
    assert f"{finding.evidence['outline_mm'][0]:.0f} mm of outline" in told
    for words in ("very sharp corner", "too narrow to draw", "narrowest neck"):
        assert words in told


def test_no_drawing_has_that_name(small):
    with pytest.raises(ReviewError, match="no drawing is called 'pie_chart'"):
        drawn(small.findings[0], "pie_chart")


# --- the same each time ----------------------------------------------------------------------


def test_same_bytes_again(small, every):
    before = dict(mpl.rcParams)
    assert drawings(small) == every
    assert dict(mpl.rcParams) == before


def test_same_bytes_in_another_process(small, every, tmp_path):
    write_review(small, (), tmp_path)
    code = (
        "import hashlib, sys\n"
        "from pathlib import Path\n"
        "from reviewkit.document.files import read_review\n"
        "from reviewkit.figures import drawings\n"
        "for d in drawings(read_review(Path(sys.argv[1]))):\n"
        "    print(d.file, hashlib.sha256(d.svg or d.png).hexdigest())\n"
    )
    search = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)],
        env=os.environ | {"PYTHONPATH": search, "PYTHONHASHSEED": "7", "MPLBACKEND": "svg"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines() == [f"{d.file} {hashlib.sha256(d.svg or d.png).hexdigest()}" for d in every]
    assert len(read_review(tmp_path).findings) == len(small.findings)


# --- what customers write --------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(figures._KINDS))
def test_no_text_is_taken_for_mathematics_or_markup(shown, kind):
    finding = shown[kind]
    limits = tuple(replace(limit, stated=TROUBLE, note=TROUBLE, condition=TROUBLE) for limit in finding.limits)
    hostile = replace(
        finding, key=f"PR-04:{TROUBLE}", part=TROUBLE, subject=TROUBLE, message=TROUBLE, change=TROUBLE, limits=limits
    )
    drawing = drawn(hostile, kind)
    assert parsed(drawing).tag == SVG
    assert re.fullmatch(r"[a-z0-9-]+\.svg", drawing.file)


def test_marks_and_pictures_take_any_text(small):
    picture = replace(small.pictures[0], title=TROUBLE, alt=TROUBLE, part=TROUBLE, marks=((TROUBLE, 300.0, 200.0),))
    drawing = pictured(picture)
    assert imread(io.BytesIO(drawing.png)).shape[0] == drawing.height_px
    assert drawing.alt == TROUBLE


# --- marks -----------------------------------------------------------------------------------


def picture_with(marks) -> Picture:
    rgb = np.full((HEIGHT, WIDTH, 3), 200, dtype=np.uint8)
    return Picture("p", "part", "Part", "A part.", rgb, 0.1, tuple(marks))


@pytest.fixture(scope="module")
def axes_of():
    """The axes of a picture, caught before they become bytes."""

    def axes_of(picture):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(figures, "drawing_of", lambda figure, *_, **__: figure)
            (axes,) = pictured(picture).axes
        return axes

    return axes_of


def labels(axes) -> list[tuple[str, np.ndarray, float]]:
    """Text, middle and radius of each label."""
    circles = [patch for patch in axes.patches if isinstance(patch, Circle)]
    words = {text.get_position(): text.get_text() for text in axes.texts}
    return [(words[circle.center], np.array(circle.center), circle.radius) for circle in circles]


PLACES = st.lists(
    st.tuples(st.integers(0, WIDTH - 1).map(float), st.integers(0, HEIGHT - 1).map(float)), min_size=1, max_size=6
)


@given(PLACES)
@example([(0.0, 0.0)] * 6)
@example([(0.0, 0.0), (0.0, 0.0), (0.0, 1.0)])
@example([(WIDTH - 1.0, HEIGHT - 1.0)] * 6)
def test_labels_stay_inside_and_apart(axes_of, places):
    """Six places always leave room, wherever they are and even when all are one."""
    marks = [(str(n), x, y) for n, (x, y) in enumerate(places, 1)]
    found = labels(axes_of(picture_with(marks)))
    assert [label for label, _, _ in found] == [label for label, _, _ in marks]
    for _, (x, y), radius in found:
        assert radius <= x <= WIDTH - radius
        assert radius <= y <= HEIGHT - radius
    for (_, one, radius), (_, other, _) in combinations(found, 2):
        assert np.hypot(*(one - other)) > 1.85 * radius
    for _, middle, radius in found:
        for _, x, y in marks:
            assert np.hypot(middle[0] - x, middle[1] - y) > radius


def test_many_labels_at_one_spot_are_all_drawn_inside(axes_of):
    found = labels(axes_of(picture_with([(str(n), 2.0, 638.0) for n in range(60)])))
    assert len(found) == 60
    assert all(r <= x <= WIDTH - r and r <= y <= HEIGHT - r for _, (x, y), r in found)


@pytest.mark.parametrize("mm_per_pixel", [0.01, 0.123, 0.5, 3.7])
def test_the_scale_bar_is_as_long_as_it_says(axes_of, mm_per_pixel):
    axes = axes_of(replace(picture_with([]), mm_per_pixel=mm_per_pixel))
    (bar,), (text,) = axes.lines, axes.texts
    length_mm = float(text.get_text().removesuffix(" mm"))
    left, right = bar.get_xdata()
    assert (right - left) * mm_per_pixel == pytest.approx(length_mm)
    assert f"{length_mm:e}"[0] in "125"
    assert 0.07 * WIDTH < right - left <= 0.2 * WIDTH
