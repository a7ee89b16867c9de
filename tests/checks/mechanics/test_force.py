"""ME-02 and ME-07 on a drawn parallel-leaf stage.

Outside truth: fixed-guided leaves side by side, n E b t3 / L3 (Roark's Formulas for Stress and Strain, 7th ed., table
8.1, from memory) with the give of sharp roots, L + 0.79 t (computed, see the reference notes), and the elastica of a
guided leaf at a tenth of its length (1.0104); energy as the area under the force; the cube law of widths.
"""

import matplotlib as mpl
import numpy as np
import pytest
import shapely
import trimesh
from matplotlib.figure import Figure
from scipy.stats import norm

from reviewkit import review
from reviewkit.checks.mechanics.force import stroke_force, width_scatter
from reviewkit.figures.mechanics import deformed_shape, force_histogram, force_over_stroke
from reviewkit.figures.style import STYLE
from reviewkit.mechanics import drives
from reviewkit.model import Severity, Verdict
from reviewkit.submission import Box, Region, RegionKind

MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
E, LENGTH, WIDTH, DEPTH, STROKE = 2000.0, 30.0, 0.8, 8.0, 3.0
STIFFNESS = 2 * E * DEPTH * WIDTH**3 / (LENGTH + 0.79 * WIDTH) ** 3
# The first of 40 layers bulges by 0.15 mm to both sides and stiffens the whole.
BULGE = 1 + 0.2 / DEPTH * (((WIDTH + 0.3) / WIDTH) ** 3 - 1)
DRAWN = 1.0104 * STIFFNESS * STROKE
FORCE = BULGE * DRAWN


def test_stiffness_force_and_energy_are_those_of_the_formula(stage, values):
    found = stage.judged(stroke_force, stage.workpiece())["part"]
    assert found.verdict is MEETS and "No force is asked" in found.message
    told = values(found)
    assert told["force at the end of the stroke as drawn"] == pytest.approx(DRAWN, rel=0.02)
    assert told["stiffness at rest"] == pytest.approx(BULGE * STIFFNESS, rel=0.03)
    assert told["force at the end of the stroke"] == pytest.approx(FORCE, rel=0.03)
    assert told["energy stored at the end of the stroke"] == pytest.approx(FORCE * STROKE / 2, rel=0.03)
    force = next(m for m in found.measurements if m.quantity == "force at the end of the stroke")
    # PETG from 1500 to 2200 MPa about 2000.
    assert force.uncertainty == pytest.approx(0.175 * force.value, rel=0.1)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.70, 1.15, MEETS),
        (0.80, 1.15, MARGINAL),
        (0.70, 1.05, MARGINAL),
        (1.05, 1.20, MARGINAL),
        (1.16, 1.50, FAILS),
        (0.30, 0.68, FAILS),
    ],
)
def test_the_whole_range_of_the_material_is_held_to_the_tolerance(stage, low, high, verdict):
    """From 0.75 to 1.1 of the force at the modulus that is most usual."""
    nominal = FORCE * (low + high) / 2
    work = stage.workpiece(asked=(nominal, FORCE * low - nominal, FORCE * high - nominal))
    found = stage.judged(stroke_force, work)
    assert (found["block"].verdict, found["part"].verdict) == (verdict, verdict)
    assert found["block"].severity is Severity.FUNCTION
    assert "R1 asks for" in found["block"].message
    if verdict is not MEETS:
        assert ("wider" if nominal > FORCE else "thinner") in found["block"].change


def test_a_width_between_whole_lines_is_laid_wider_or_thinner(stage, values):
    """0.7 mm is laid as two lines of 0.36, which is 8.8 % stiffer; its bulge comes on top."""
    told = values(stage.judged(stroke_force, stage.workpiece(stage.mesh(0.7)))["part"])
    ratio = told["force at the end of the stroke"] / told["force at the end of the stroke as drawn"]
    assert ratio == pytest.approx((0.72 / 0.7) ** 3 * (1 + 0.2 / DEPTH * ((1.02 / 0.72) ** 3 - 1)), rel=0.015)


def test_what_stops_the_motion_is_told(stage, values):
    stop = trimesh.creation.box(bounds=((20.0, -5.0, 0.0), (24.0, LENGTH + 20, DEPTH)))
    foot = trimesh.creation.box(bounds=((10.0, -10.0, 0.0), (24.0, -4.0, DEPTH)))
    mesh = trimesh.boolean.union([stage.mesh(), foot, stop])
    found = stage.judged(stroke_force, stage.workpiece(mesh, cycles=9999))["block"]
    assert found.verdict is MARGINAL and "touch" in found.message and "shorten the stroke" in found.change
    # The moving block ends at x = 18, the stop begins at 20; it is the model's overlap that counts as touching.
    assert values(found)["stroke at first contact"] == pytest.approx(2.0, abs=0.15)


def test_figures_draw_what_was_found(stage):
    work = stage.workpiece(asked=(FORCE, -0.3 * FORCE, 0.3 * FORCE))
    found = [
        stage.judged(check, work)["block" if check is stroke_force else "part"]
        for check in (stroke_force, width_scatter)
    ]
    draws = {draw.__name__: draw for draw in (force_over_stroke, deformed_shape, force_histogram)}
    shown = [(one, name) for one in found for name in one.figures]
    assert [name for _, name in shown] == ["force_over_stroke", "deformed_shape", "force_histogram"]
    for one, name in shown:
        with mpl.rc_context(STYLE):
            figure = Figure(layout="constrained")
            title, caption, alt = draws[name](one, figure)
            figure.canvas.draw()
        assert title and caption.endswith(".") and alt.endswith(".")


def test_a_solid_block_and_a_thin_walled_box_meet_in_a_sentence(stage):
    block = trimesh.creation.box(bounds=((0, 0, 0), (30, 20, 8)))
    shell = trimesh.boolean.difference([block, trimesh.creation.box(bounds=((1, 1, 1), (29, 19, 9)))])
    for mesh in (block, shell):
        for check in (stroke_force, width_scatter):
            found = stage.judged(check, stage.workpiece(mesh, regions=(), moves=False))
            assert list(found) == ["part"] and found["part"].verdict is MEETS


def test_flexures_without_a_motion_are_not_checked(stage):
    for check in (stroke_force, width_scatter):
        found = stage.judged(check, stage.workpiece(moves=False))
        assert [one.verdict for one in found.values()] == [NOT_CHECKED]
        assert "Declare what moves" in found["part"].change


def test_a_force_on_what_bends_nothing_is_not_checked(stage):
    block = trimesh.creation.box(bounds=((0, 0, 0), (30, 20, 8)))
    lid = trimesh.creation.box(bounds=((0, 0, 10), (30, 20, 12)))
    regions = (Region("block", "p", RegionKind.MOVING, Box((-1, -1, 9), (31, 21, 13))),)
    work = stage.workpiece(trimesh.util.concatenate([block, lid]), regions=regions, asked=(4.0, -1.0, 1.0))
    found = stage.judged(stroke_force, work)
    assert found["block"].verdict is NOT_CHECKED and "R1" in found["block"].change
    assert stage.judged(width_scatter, work)["part"].verdict is MEETS


def test_scatter_is_the_cube_of_widths(stage, values):
    told = values(stage.judged(width_scatter, stage.workpiece())["part"])
    machine, part, leaf = 0.02 / WIDTH, 0.01 / WIDTH, 0.01 / WIDTH
    assert told["standard deviation between machines"] == pytest.approx(300 * machine, rel=0.06)
    assert told["standard deviation within a machine"] == pytest.approx(
        300 * np.hypot(part, leaf / np.sqrt(2)), rel=0.06
    )


@pytest.mark.parametrize(("tolerance", "verdict"), [(0.30, MEETS), (0.155, MARGINAL), (0.10, FAILS)])
def test_yield_with_a_force_in_the_middle(stage, values, tolerance, verdict):
    """By the normal law, with both deviations together about 8.4 % of the force."""
    force = values(stage.judged(stroke_force, stage.workpiece())["part"])["force at the end of the stroke"]
    found = stage.judged(width_scatter, stage.workpiece(asked=(force, -tolerance * force, tolerance * force)))
    assert found["part"].verdict is verdict
    told = values(found["block"] if "block" in found else found["part"])
    deviation = np.hypot(told["standard deviation within a machine"], told["standard deviation between machines"])
    assert deviation == pytest.approx(300 * np.linalg.norm((0.02, 0.01, 0.01 / np.sqrt(2))) / WIDTH, rel=0.06)
    expected = 100 * (2 * norm.cdf(100 * tolerance / deviation) - 1)
    assert told["parts within the tolerance"] == pytest.approx(expected, abs=1.0)


def test_a_force_off_the_middle_is_told_and_left_to_the_other_check(stage, values):
    force = values(stage.judged(stroke_force, stage.workpiece())["part"])["force at the end of the stroke"]
    nominal = 1.3 * force
    work = stage.workpiece(asked=(nominal, -0.3 * nominal, 0.3 * nominal))
    found, told = stage.judged(width_scatter, work)["part"], stage.judged(stroke_force, work)["part"]
    assert (found.verdict, told.verdict) == (MEETS, MARGINAL)
    told = values(found)
    assert told["parts within the tolerance"] < 90 < 99 < told["parts within it with the force centred"]
    assert told["machines whose mean part is out"] > 5


def test_scatter_without_a_tolerance_is_held_to_its_own_bound(stage, values):
    found = stage.judged(width_scatter, stage.workpiece())["part"]
    assert found.verdict is MEETS
    thin = stage.judged(width_scatter, stage.workpiece(stage.mesh(0.4)))["block"]
    assert thin.verdict is MARGINAL and "2 lines" in thin.change
    assert values(thin)["force spread, half-width at 95 %"] > 25 > values(found)["force spread, half-width at 95 %"]


def shuttle_force(name):
    case = review.opened(review.demonstration(name))
    return stroke_force(case.workpieces[0], case.limits)


def test_revisions_of_the_demonstration_are_as_stiff_as_the_formula_says():
    """Half the leaves, longer, thicker and deeper; both as drawn, since lines lay 0.7 mm as 0.72 mm."""
    as_drawn = [
        measurement.value
        for name in ("launcher-b", "launcher-a")
        for found in shuttle_force(name)
        if found.key == "ME-02:launcher:shuttle"
        for measurement in found.measurements
        if measurement.quantity == "stiffness at rest as drawn"
    ]
    leaves = ((6, 26.4, 0.8, 47.2), (12, 16.0, 0.7, 44.0))
    formula = [count * depth * width**3 / length**3 for count, depth, width, length in leaves]
    assert formula[0] / formula[1] == pytest.approx(0.99761, abs=5e-6)
    assert as_drawn[0] / as_drawn[1] == pytest.approx(formula[0] / formula[1], rel=0.03)


def test_a_stage_from_its_mesh_alone_is_as_stiff_as_the_beams_say(tmp_path):
    """Four sharp leaves at the settings of a review; nothing is said to be fixed, so the frame is found."""
    length, width, depth, stroke = 30.0, 0.8, 8.0, 2.0
    leaves = [shapely.box(x - width / 2, -0.5, x + width / 2, length + 0.5) for x in (0, 10, 20, 30)]
    frame, table = shapely.box(-12, -8, 42, 0), shapely.box(-12, length, 42, length + 8)
    trimesh.creation.extrude_polygon(shapely.union_all([frame, table, *leaves]), depth).export(tmp_path / "stage.stl")
    (tmp_path / "submission.toml").write_text(f"""
[submission]
number = "S-1"
[[part]]
id = "stage"
file = "stage.stl"
units = "mm"
material = "PETG"
[[region]]
name = "table"
part = "stage"
kind = "moving"
box = {{ min_mm = [-12, {length}, 0], max_mm = [42, {length + 8}, {depth}] }}
[[motion]]
region = "table"
kind = "translation"
direction = [1, 0, 0]
stroke_mm = [0, {stroke}]
""")
    case = review.opened(tmp_path)
    (drive,) = drives(case.workpieces[0], case.limits)
    longer = length + 0.79 * width
    formula = 4 * E * depth * width**3 / longer**3
    assert drive.drawn_stiffness == pytest.approx(formula, rel=0.03)
    assert len(drive.bendings) == 4
    for bending in drive.bendings:
        assert bending.drawn_strain == pytest.approx(3 * width * stroke / longer**2, rel=0.05)
