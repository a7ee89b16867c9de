"""ME-01 on a drawn parallel-leaf stage.

Outside truth: the stage's own drawing (count, length, width, depth), and n 12 E I / L3 of fixed-guided leaves with the
give of sharp roots (Roark's Formulas for Stress and Strain, 7th ed., table 8.1, from memory).
"""

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.mechanics.flexures import flexures_found
from reviewkit.figures.mechanics import numbered_flexures
from reviewkit.figures.style import STYLE
from reviewkit.model import Verdict
from reviewkit.submission import Box, Region, RegionKind

MEETS, MARGINAL, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED
LENGTH, WIDTH, DEPTH = 30.0, 0.8, 8.0


def test_leaves_are_listed_and_the_declared_motion_agrees(stage, values):
    found = stage.judged(flexures_found, stage.workpiece())
    assert list(found) == ["part"] and found["part"].verdict is MEETS
    assert values(found["part"])["flexures"] == 2
    assert "2 leaves 30 mm long, 0.8 mm thin, 8 mm deep (2 found and not declared)" in found["part"].message
    assert "let 'block' move as declared" in found["part"].message
    assert len(found["part"].where) == 2
    with mpl.rc_context(STYLE):
        figure = Figure(layout="constrained")
        title, caption, alt = numbered_flexures(found["part"], figure)
        figure.canvas.draw()
    assert title and "1 flexure 1, 2 flexure 2" in caption and alt.endswith(".")
    middles = sorted(place.point_mm[0] for place in found["part"].where)
    assert middles == pytest.approx([-12.0, 12.0], abs=0.05)


@pytest.mark.parametrize(("off_deg", "verdict"), [(15.0, MEETS), (25.0, MARGINAL), (90.0, MARGINAL)])
def test_a_motion_off_the_softest_is_told(stage, values, off_deg, verdict):
    turn = np.radians(off_deg)
    found = stage.judged(flexures_found, stage.workpiece(direction=(float(np.cos(turn)), float(np.sin(turn)), 0.0)))
    assert found["part"].verdict is verdict
    if verdict is MARGINAL:
        assert values(found["block"])["declared motion off the softest"] == pytest.approx(off_deg, abs=1.0)


def test_without_a_motion_the_softest_is_offered(stage, values):
    found = stage.judged(flexures_found, stage.workpiece(moves=False))["part"]
    assert found.verdict is MEETS and "No motion is declared" in found.message and "along (1, 0, 0)" in found.message
    stiffness = 2 * 2000.0 * DEPTH * WIDTH**3 / (LENGTH + 0.79 * WIDTH) ** 3
    assert values(found)["stiffness of the softest motion"] == pytest.approx(stiffness, rel=0.05)


def test_declared_leaves_are_confirmed_and_empty_regions_told(stage):
    regions = (
        Region("base", "p", RegionKind.FIXED, Box((-30.0, -11.0, -1.0), (30.0, 0.0, DEPTH + 1))),
        Region("block", "p", RegionKind.MOVING, Box((-30.0, LENGTH, -1.0), (30.0, LENGTH + 11.0, DEPTH + 1))),
        Region("left", "p", RegionKind.FLEXURE, Box((-14.0, 0.0, -1.0), (-10.0, LENGTH, DEPTH + 1))),
    )
    found = stage.judged(flexures_found, stage.workpiece(regions=regions))["part"]
    assert "1 found and declared, 1 found and not declared" in found.message and found.verdict is MEETS
    nowhere = Region("nowhere", "p", RegionKind.FLEXURE, Box((100.0, 0.0, 0.0), (110.0, 10.0, 5.0)))
    found = stage.judged(flexures_found, stage.workpiece(regions=(*regions, nowhere)))["part"]
    assert found.verdict is MARGINAL and "nowhere" in found.message and "Move the regions" in found.change


def test_a_solid_block_and_a_thin_walled_box_have_none(stage):
    block = trimesh.creation.box(bounds=((0, 0, 0), (30, 20, 8)))
    shell = trimesh.boolean.difference([block, trimesh.creation.box(bounds=((1, 1, 1), (29, 19, 9)))])
    for mesh in (block, shell):
        found = stage.judged(flexures_found, stage.workpiece(mesh, regions=(), moves=False))
        assert list(found) == ["part"] and found["part"].verdict is MEETS
        assert "nothing is declared to move" in found["part"].message and not found["part"].figures


def test_an_open_mesh_is_not_searched(stage):
    mesh = stage.mesh()
    mesh.update_faces(np.arange(len(mesh.faces)) % 3 > 0)
    found = stage.judged(flexures_found, stage.workpiece(mesh))["part"]
    assert found.verdict is NOT_CHECKED and "open" in found.message
