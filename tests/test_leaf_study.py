"""Studies of leaves begun from a submission or from numbers; their pictures and tables."""

import re
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from lxml import etree, html

from reviewkit import leaf_study, mechanics
from reviewkit.errors import SetupError, SubmissionError
from reviewkit.measure.flexures import FlexureKind
from reviewkit.measure.trade import Ripple, force_curve, studied, trades
from reviewkit.review import opened
from reviewkit.submission import MotionKind

SVG = "{http://www.w3.org/2000/svg}"


STAGE = """
[submission]
number = "N-1"
revision = "A"
[[part]]
id = "p"
file = "stage.stl"
units = "mm"
pose = "as sent"
[use]
cycles = 10000
[[region]]
name = "base"
part = "p"
kind = "fixed"
box = { min_mm = [-30.0, -11.0, -1.0], max_mm = [30.0, 0.0, 9.0] }
[[region]]
name = "block"
part = "p"
kind = "moving"
box = { min_mm = [-30.0, 30.0, -1.0], max_mm = [30.0, 41.0, 9.0] }
[[motion]]
region = "block"
kind = "translation"
direction = [1.0, 0.0, 0.0]
stroke_mm = [0.0, 3.0]
"""


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    """Two leaves 30 x 0.8 x 8 mm between a held block and one that moves 3 mm across them."""
    folder = tmp_path_factory.mktemp("sent") / "stage"
    folder.mkdir()
    boxes = [((-14, -10, 0), (14, 0, 8)), ((-14, 30, 0), (14, 40, 8))]
    boxes += [((x - 0.4, -1, 0), (x + 0.4, 31, 8)) for x in (-8, 8)]
    trimesh.boolean.union([trimesh.creation.box(bounds=box) for box in boxes]).export(folder / "stage.stl")
    (folder / "submission.toml").write_text(STAGE)
    return folder


@pytest.fixture(scope="module")
def begun(stage):
    return leaf_study.begun(stage)


def cells(table) -> list[list[str]]:
    return [[cell.text_content() for cell in row] for row in html.fromstring(table.data).iter("tr")]


def test_a_study_begins_with_the_leaves_of_a_submission(begun):
    design, task = begun.design, begun.task
    assert (design.count, task.stroke_mm, task.stages) == (2, 3.0, 1)
    assert (design.width_mm, design.depth_mm, design.length_mm) == pytest.approx((0.8, 8.0, 30.0), abs=0.02)
    assert "2 leaves that carry 'block', with 100 % of the energy" in begun.words


def test_a_study_of_a_submission_gives_what_its_plane_model_gives(begun, stage):
    (workpiece,) = opened(stage).workpieces
    (drive,) = mechanics.drives(workpiece, begun.limits)
    found = studied(begun.design, begun.task, begun.making())
    assert found.energy_N_mm == pytest.approx(drive.energy_N_mm[-1], rel=1e-6)
    assert found.force_N == pytest.approx(drive.force[-1], rel=0.02)
    assert found.strain == pytest.approx(max(bending.peak for bending in drive.bendings), rel=1e-6)
    # Side by side between blocks that do not turn, the formula needs little help.
    assert (begun.task.force_factor, begun.task.strain_factor) == pytest.approx((1.0, 1.0), abs=0.06)


def test_leaves_of_two_sizes_are_not_traded_together(begun):
    leaf = SimpleNamespace(length_mm=30.0, width_mm=0.8, depth_mm=8.0, kind=FlexureKind.LEAF, in_layers=True)
    tie = SimpleNamespace(**{**vars(leaf), "width_mm": 1.2})
    bendings = [SimpleNamespace(flexure=one, share=share) for one, share in ((tie, 0.3), (leaf, 0.35), (leaf, 0.35))]
    drive = SimpleNamespace(motion=SimpleNamespace(kind=MotionKind.TRANSLATION), is_arm=False, bendings=bendings)
    assert leaf_study._alike(drive) == bendings[1:]


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"region": "lid"}, "stage holds no leaves to study: nothing called 'lid' is declared to move; give numbers"),
        ({"width_mm": 0.0}, "width 0 mm is out of range; give 0.2 to 4 mm"),
        ({"count": 0}, "count 0 is out of range; give 1 to 60"),
        ({"stroke_mm": float("nan")}, "stroke nan mm is out of range"),
        ({"material": "cheese"}, "material 'cheese' is not in data/materials"),
        ({"machine": "cheese"}, "machine 'cheese' is not in data/machines"),
    ],
)
def test_what_cannot_be_studied_is_told_in_a_line(told, words, stage):
    with pytest.raises(SetupError) as error:
        leaf_study.begun(stage if "region" in told else "", **told)
    assert words in str(error.value)
    assert "\n" not in str(error.value)


def test_a_part_that_does_not_move_has_no_leaves_to_study(tmp_path):
    trimesh.creation.box(extents=(20, 20, 5)).export(tmp_path / "block.stl")
    with pytest.raises(SetupError, match=r"block\.stl holds no leaves to study: no motion is declared; give numbers"):
        leaf_study.begun(tmp_path / "block.stl")


def test_a_folder_without_a_submission_is_refused(tmp_path):
    with pytest.raises(SubmissionError):
        leaf_study.begun(tmp_path / "nothing")


def test_another_material_is_stiffer_by_its_modulus():
    study = leaf_study.begun()
    petg, pla = (studied(study.design, study.task, study.making(name)) for name in ("petg", "pla"))
    assert pla.stiffness_N_mm / petg.stiffness_N_mm == pytest.approx(3500 / 2000)


def test_the_curve_ends_where_the_numbers_do():
    study = leaf_study.begun()
    made = study.making()
    drawn = leaf_study.curves(study, study.design, study.task, made)
    found = studied(study.design, study.task, made)
    low, high = found.spread.range_95
    number = r"([\d.]+)"
    told = re.search(f"rises to {number} N at 3 mm, from {number} to {number} N .* to {number} mJ", drawn.alt)
    wanted = (found.force_N, low * found.force_N, high * found.force_N, found.energy_N_mm)
    assert [float(one) for one in told.groups()] == pytest.approx(wanted, rel=6e-3)


def test_the_curve_is_drawn_to_scale():
    study = leaf_study.begun()
    made = study.making()
    root = etree.fromstring(leaf_study.curves(study, study.design, study.task, made).svg)
    # The thick blue line of the force, in px, against the force of the design over the highest tick.
    line = next(e for e in root.iter(f"{SVG}polyline") if e.get("stroke-width") == "2.0")
    x, y = np.array([point.split(",") for point in line.get("points").split()], dtype=float).T
    ticks = [e for e in root.iter(f"{SVG}text") if e.get("text-anchor") == "end" and float(e.get("x")) < 60]
    top = max(ticks, key=lambda e: float(e.text))
    per_px = float(top.text) / (y[0] - (float(top.get("y")) - 4))
    stroke = (x - x[0]) / (x[-1] - x[0]) * 1.25 * 3.0
    force, _ = force_curve(study.design, study.task, made, stroke)
    assert (y[0] - y) * per_px == pytest.approx(force, abs=0.01 * force[-1])


def test_the_strain_that_the_material_bears_is_marked_where_it_is_reached():
    near, far = leaf_study.begun(stroke_mm=3.5), leaf_study.begun(stroke_mm=1.0)
    marked, plain = (leaf_study.curves(s, s.design, s.task, s.making()) for s in (near, far))
    assert b'fill="url(#beyond)"' in marked.svg
    assert "PETG reaches 1 % strain, its limit for many strokes, at 3.96 mm" in marked.alt
    assert b'fill="url(#beyond)"' not in plain.svg
    assert "beyond this stroke" in plain.alt


def test_the_table_and_the_plot_of_trades_show_the_same():
    study = leaf_study.begun()
    made = study.making()
    rows = trades(study.design, study.task, made)
    heads, *shown = cells(leaf_study.trade_table(rows, made))
    assert heads[0] == "design" and heads[-1] == "against it"
    assert [row[0] for row in shown] == [row.name for row in rows]
    assert [row[1] for row in shown] == [str(row.design.count) for row in rows]
    assert [row[-1] for row in shown] == ["; ".join(row.against) or "nothing known" for row in rows]
    drawn = leaf_study.trade_picture(rows)
    root = etree.fromstring(drawn.svg)
    words = [e.text for e in root.iter(f"{SVG}text")]
    assert [word for word in words if word in {row.name for row in rows}] == [row.name for row in rows]
    bars = [e for e in root.iter(f"{SVG}rect") if e.get("fill") in ("#1f4e8c", "#c8500a")]
    assert len(bars) == 8 * len(rows)
    depths = np.array([float(bar.get("width")) for bar in bars[2 * len(rows) : 3 * len(rows)]])
    wanted = np.array([row.design.depth_mm for row in rows])
    assert depths / depths.max() == pytest.approx(wanted / wanted.max(), abs=0.01)
    orange = [bar.get("fill") == "#c8500a" for bar in bars[: len(rows)]]
    assert orange == [bool(row.against) for row in rows] and any(orange) and not all(orange)
    assert f"{sum(orange)} of them have something against them" in drawn.alt


def test_only_one_wave_gains_stiffness_and_the_table_says_so():
    study = leaf_study.begun()
    _, *rows = cells(leaf_study.ripple_table(study.design, study.making()))
    assert [row[0] for row in rows] == [r.value for r in Ripple if r is not Ripple.NONE]
    gains = [float(row[1].removeprefix("x ")) for row in rows]
    assert gains[0] == pytest.approx(7.0) and max(gains[1:]) < 1
    assert [row[-1].startswith("Not stiffer") for row in rows] == [False, True, True]


def test_pictures_are_the_same_each_time():
    study = leaf_study.begun()
    first, second = (leaf_study.curves(study, study.design, study.task, study.making()) for _ in range(2))
    assert first.svg == second.svg
