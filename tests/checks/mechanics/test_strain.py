"""ME-03 to ME-06 on a drawn parallel-leaf stage, lying and standing, and on an arm.

Outside truth: 3 t d / L2 of a fixed-guided leaf with the give of its roots, 1.5 t d / L2 of a cantilever (Roark's
Formulas for Stress and Strain, 7th ed., table 8.1, from memory); first limits for 10 000 strokes of the reference notes
(PLA 0.6 %, PETG 1 %, ABS 0.8 %, PP 2.5 %); shares of the yield strain for other duties; Euler's load.
"""

from itertools import product

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.mechanics.strain import layer_bending, leaf_buckling, peak_strain, snap_strain
from reviewkit.figures.mechanics import strain_bars
from reviewkit.figures.style import STYLE
from reviewkit.model import Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind

MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
LENGTH, WIDTH, DEPTH = 30.0, 0.8, 8.0
# Of the stage at a stroke of 1 mm [%]; its roots give way as 0.79 widths of leaf.
STRAIN = 100 * 3 * WIDTH * LENGTH / (LENGTH + 0.79 * WIDTH) ** 3
SHARP = {"mechanics_root_radius_meets": "0"}


def nominal(stage, values, stroke_mm: float, **more) -> float:
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=stroke_mm, **more), **SHARP)["part"]
    return values(found)["nominal strain as drawn"]


def test_strain_is_that_of_the_formula(stage, values):
    assert nominal(stage, values, 1.0) == pytest.approx(STRAIN, rel=0.03)


@pytest.mark.parametrize(("of", "limit"), [("pla", 0.6), ("petg", 1.0), ("abs", 0.8)])
def test_limits_for_many_strokes(stage, of, limit):
    """Just inside and just outside what the notes allow; the mesh is good to less."""
    for factor, verdict in ((0.95, MEETS), (1.06, MARGINAL)):
        work = stage.workpiece(stroke_mm=factor * limit / STRAIN, of=of)
        found = stage.judged(peak_strain, work, **SHARP)
        assert found["part"].verdict is verdict
        assert len(found) == (1 if verdict is MEETS else 3)
        assert found["part"].limits[0].value == pytest.approx(limit)


def test_one_finding_a_flexure_and_one_change_for_flexures_alike(stage):
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.2 / STRAIN), **SHARP)
    leaves = [one for name, one in found.items() if name != "part"]
    assert len(leaves) == 2 and len({one.key for one in leaves}) == 2
    assert all(
        one.where and one.severity is Severity.FUNCTION and "mm long instead of 30" in one.change for one in leaves
    )


@pytest.mark.parametrize(
    ("duty", "meets", "fails"),
    [
        ({"cycles": 5}, 0.5, 0.8),
        ({"cycles": 10000}, 1.0 / 3.5, 0.4),
        ({"cycles": 100000}, 0.15, 0.25),
        ({"cycles": 100, "life": 200000.0}, 0.15, 0.25),
        ({"cycles": 5, "held": True}, 0.1, 0.2),
    ],
)
def test_what_governs(stage, duty, meets, fails):
    """Shares of the yield strain of PETG, 3.5 %."""
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.0, **duty), **SHARP)["part"]
    assert [limit.value for limit in found.limits] == pytest.approx([3.5 * meets, 3.5 * fails], rel=1e-3)


def test_strain_beyond_both_bounds_fails(stage):
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.0, held=True), **SHARP)
    assert found["part"].verdict is MEETS
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=0.74 / STRAIN, held=True), **SHARP)
    assert found["part"].verdict is FAILS and "held bent" in found["part"].message


def test_without_cycles_many_are_taken_and_nothing_fails_for_that(stage):
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.6 / STRAIN, cycles=None), **SHARP)["part"]
    assert found.verdict is MARGINAL and "not stated" in found.guess
    known = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.6 / STRAIN), **SHARP)["part"]
    assert known.verdict is FAILS and not known.guess


def test_a_sharp_root_is_a_finding_without_a_number(stage):
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.0))
    roots = [one for name, one in found.items() if name.endswith("root")]
    assert len(roots) == 2 and {one.verdict for one in roots} == {MARGINAL}
    assert all(not one.measurements and "radius of 0.4 mm" in one.change for one in roots)
    assert found["part"].verdict is MARGINAL


def test_rounded_roots_are_strained_by_their_notch_factor(stage, values):
    found = stage.judged(peak_strain, stage.workpiece(filleted(stage, 0.4), stroke_mm=1.0))
    assert not [name for name in found if name.endswith("root")]
    told = values(found["part"])
    # Half a width: 1.27 in bending, by the model of the notes.
    assert told["strain in its fillets"] / told["nominal strain"] == pytest.approx(1.27, rel=0.06)


def filleted(stage, radius_mm: float) -> trimesh.Trimesh:
    """The stage with round roots."""
    pieces = [stage.mesh()]
    for x, side, (y, way) in product((-12.0, 12.0), (-1, 1), ((0.0, 1), (LENGTH, -1))):
        face, turn = np.array((x + side * WIDTH / 2, y)), np.array((side, way))
        # It reaches a little into leaf and block, so that they do not only touch.
        ends = np.array((face - 0.05 * turn, face + radius_mm * turn))
        corner = trimesh.creation.box(bounds=((*ends.min(axis=0), 0.0), (*ends.max(axis=0), DEPTH)))
        bore = trimesh.creation.cylinder(radius_mm, 3 * DEPTH, sections=96)
        bore.apply_translation((*ends[1], DEPTH / 2))
        pieces.append(trimesh.boolean.difference([corner, bore]))
    return trimesh.boolean.union(pieces)


def test_bars_draw_every_flexure(stage):
    found = stage.judged(peak_strain, stage.workpiece(stroke_mm=1.2 / STRAIN))["part"]
    assert found.figures == ("strain_bars",)
    with mpl.rc_context(STYLE):
        figure = Figure(layout="constrained")
        title, caption, alt = strain_bars(found, figure)
        figure.canvas.draw()
    assert title and caption.endswith(".") and "2 flexures" in alt


def test_leaves_across_the_layers_bear_a_quarter(stage):
    work = stage.workpiece(stroke_mm=1.0, upright=True)
    found = stage.judged(layer_bending, work)
    assert {one.verdict for one in found.values()} == {MARGINAL} and len(found) == 3
    assert "4.0 times" in next(one for name, one in found.items() if name != "part").change
    strained = stage.judged(peak_strain, work, **SHARP)["part"]
    # Ratio of 0.5 by the class, and half of that again.
    assert [limit.value for limit in strained.limits] == pytest.approx([0.25, 0.35])
    lying = stage.judged(layer_bending, stage.workpiece(stroke_mm=1.0))
    assert list(lying) == ["part"] and lying["part"].verdict is MEETS


def test_nothing_is_pressed_where_ends_may_come_together(stage):
    found = stage.judged(leaf_buckling, stage.workpiece())["part"]
    assert found.verdict is MEETS


@pytest.mark.parametrize(("safety", "verdict"), [(2.3, MEETS), (1.75, MARGINAL), (1.3, FAILS)])
def test_leaves_that_are_pressed_may_buckle(stage, values, safety, verdict):
    """Pushed along its leaves the stage shortens by the load over E A / L, until Euler's load is near."""
    length = LENGTH + 0.79 * WIDTH
    euler = np.pi**2 * 2000.0 * DEPTH * WIDTH**3 / 12 / length**2
    stroke = euler / safety * LENGTH / (2000.0 * WIDTH * DEPTH)
    found = stage.judged(leaf_buckling, stage.workpiece(direction=(0.0, -1.0, 0.0), stroke_mm=stroke))
    assert found["part"].verdict is verdict
    told = values(found["part"])
    assert told["load that buckles it"] == pytest.approx(euler, rel=0.03)
    assert told["load along the flexure"] == pytest.approx(euler / safety, rel=0.12)
    assert len(found) == (1 if verdict is MEETS else 3)


def arm(stage, stroke_mm: float, upright: bool = False):
    """A base with one leaf and a nose on it, which is free to turn."""
    boxes = [((-8, -8, 0), (8, 0, DEPTH)), ((-0.8, -1, 0), (0.8, 30, DEPTH)), ((-2.5, 29, 0), (0.8, 34, DEPTH))]
    mesh = trimesh.boolean.union([trimesh.creation.box(bounds=np.array(box, dtype=float)) for box in boxes])
    regions = (
        Region("base", "p", RegionKind.FIXED, Box((-9.0, -9.0, -1.0), (9.0, 0.0, DEPTH + 1))),
        Region("block", "p", RegionKind.MOVING, Box((-3.0, 29.0, -1.0), (2.0, 35.0, DEPTH + 1))),
    )
    return stage.workpiece(mesh, regions=regions, stroke_mm=stroke_mm, cycles=5, upright=upright)


@pytest.mark.parametrize(("strain", "verdict"), [(1.6, MEETS), (2.2, MARGINAL), (3.1, FAILS)])
def test_an_arm_whitens_by_the_share_of_the_yield_strain(stage, values, strain, verdict):
    """PETG: half of 3.5 % is 1.75 %, eight tenths are 2.8 %; 1.5 t d / L2 of a cantilever 1.6 mm thick."""
    stroke = strain / 100 * 29.0**2 / (1.5 * 1.6)
    found = stage.judged(snap_strain, arm(stage, stroke))
    assert values(found["part"])["nominal strain"] == pytest.approx(strain, rel=0.08)
    assert found["part"].verdict is verdict
    assert "insertion" in found["part"].message


def test_no_arm_no_snap(stage):
    found = stage.judged(snap_strain, stage.workpiece())
    assert list(found) == ["part"] and found["part"].verdict is MEETS


def test_a_solid_block_and_a_thin_walled_box_meet_in_a_sentence(stage):
    block = trimesh.creation.box(bounds=((0, 0, 0), (30, 20, 8)))
    shell = trimesh.boolean.difference([block, trimesh.creation.box(bounds=((1, 1, 1), (29, 19, 9)))])
    for mesh in (block, shell):
        for check in (peak_strain, layer_bending, leaf_buckling, snap_strain):
            found = stage.judged(check, stage.workpiece(mesh, regions=(), moves=False))
            assert list(found) == ["part"] and found["part"].verdict is MEETS


def test_flexures_without_a_motion_are_not_checked(stage):
    for check in (peak_strain, leaf_buckling):
        found = stage.judged(check, stage.workpiece(moves=False))
        assert [one.verdict for one in found.values()] == [NOT_CHECKED]
    assert stage.judged(layer_bending, stage.workpiece(moves=False))["part"].verdict is MEETS
