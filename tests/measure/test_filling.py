"""How layers are filled, against closed forms: strips of passes have the area of their middle lines times the width.

Worked cases (40 x 40 box, R 20 disc, R 20 / r 15 ring, 0.4 mm lines, two passes): sums of passes 313.6, 246.300864 and
439.822972 mm, areas inside 1474.56, 1158.116716 and 373.849526 mm2; derived, computed twice.
"""

import numpy as np
import pytest
import shapely
import trimesh
from shapely.geometry import Point, box

from reviewkit.limits import machine
from reviewkit.measure.filling import filling, filling_of
from reviewkit.measure.layers import layers

WIDTH = 0.4


def cut(mesh, layer_mm=0.2):
    vertices = np.array(mesh.vertices)
    vertices[:, 2] -= vertices[:, 2].min()
    return layers(vertices, np.array(mesh.faces, dtype=np.int64), layer_mm, layer_mm)


def prism(region, height=10.0):
    return trimesh.creation.extrude_polygon(region, height)


BOX = box(-20, -20, 20, 20)
DISC = Point(0, 0).buffer(20, quad_segs=500)
RING = DISC - Point(0, 0).buffer(15, quad_segs=500)
ELL = box(0, 0, 40, 40) - box(15, 15, 41, 41)


@pytest.mark.parametrize(
    ("region", "passes_mm", "inner_mm2"),
    [(BOX, 313.6, 1474.56), (DISC, 246.300864, 1158.116716), (RING, 439.822972, 373.849526)],
)
def test_worked_passes_and_what_they_leave(region, passes_mm, inner_mm2):
    layers_cut = cut(prism(region))
    found = filling(layers_cut, WIDTH, 2, 4, 4)
    every = np.arange(len(found.drawn))
    lengths = sum(shapely.length(found.outline_pass(number, every)) for number in range(2))
    # The outline is straightened by up to 0.005 mm.
    assert lengths == pytest.approx([passes_mm], rel=3e-4)
    assert found.inner_mm2 == pytest.approx(np.full(50, inner_mm2), rel=2e-3)
    assert WIDTH * lengths[0] + found.inner_mm2[0] == pytest.approx(found.drawn_mm2[0], rel=1e-9)


@pytest.mark.parametrize("passes", [0, 1, 3])
def test_passes_and_inside_are_the_whole_also_at_inner_corners(passes):
    found = filling(cut(prism(ELL)), WIDTH, passes, 4, 4)
    lengths = sum(shapely.length(found.outline_pass(number, np.array([0])))[0] for number in range(passes))
    assert WIDTH * lengths + found.inner_mm2[0] == pytest.approx(ELL.area)


def test_core_begins_and_ends_with_the_solid_layers():
    found = filling(cut(prism(BOX)), WIDTH, 2, 5, 3)
    expected = np.zeros(50)
    expected[3:45] = (40 - 1.6) ** 2
    assert found.cored_mm2 == pytest.approx(expected, rel=1e-6)
    assert list(found.core_of[:3]) == [-1] * 3 and list(found.core_of[45:]) == [-1] * 5
    assert len(found.cores) == 1


def test_a_step_is_solid_below_what_is_open_above():
    """A block on one half of a slab: near the slab's top only what the block covers is core."""
    mesh = trimesh.boolean.union(
        [trimesh.creation.box(bounds=[(0, 0, 0), (40, 20, 10)]), trimesh.creation.box(bounds=[(0, 0, 0), (20, 20, 20)])]
    )
    found = filling(cut(mesh), WIDTH, 2, 4, 4)
    assert found.cored_mm2[30] == pytest.approx((40 - 1.6) * (20 - 1.6), rel=1e-6)
    assert found.cored_mm2[48] == pytest.approx((20 - 0.8) * (20 - 1.6), rel=1e-6)
    assert found.cored_mm2[52] == pytest.approx((20 - 1.6) * (20 - 1.6), rel=1e-6)


def test_a_part_too_low_or_too_thin_has_no_core():
    assert not filling(cut(prism(BOX, 1.6)), WIDTH, 2, 4, 4).cored_mm2.any()
    thin = filling(cut(prism(box(0, 0, 40, 1.5))), WIDTH, 2, 4, 4)
    assert not thin.cored_mm2.any() and not thin.inner_mm2.any()


def test_equal_layers_are_worked_once():
    found = filling(cut(prism(RING, 40.0)), WIDTH, 2, 4, 4)
    assert (len(found.drawn), len(found.inner), len(found.cores), len(found.inner_of)) == (1, 1, 1, 200)


def test_the_machine_gives_passes_and_solid_layers():
    layers_cut = cut(prism(BOX))
    settings = machine("standard-240").printing
    found = filling_of(layers_cut, settings, 0.5)
    other = filling(layers_cut, 0.5, settings.outline_passes, settings.top_layers, settings.bottom_layers)
    assert found.outline_passes == settings.outline_passes
    assert found.cored_mm2 == pytest.approx(other.cored_mm2)


def test_a_hole_that_reaches_into_a_shallow_bump_stays_inside():
    """The bump of 4 um is less than the straightening, the hole's tip lies within it."""
    shape = shapely.Polygon([(0, 0), (20, 0), (20, 10), (10, 10.004), (0, 10)], [[(8, 4), (10, 10.002), (12, 4)]])
    found = filling(cut(prism(shape, 4.0)), WIDTH, 2, 4, 4)
    assert shapely.is_valid(found.drawn).all()
    assert found.drawn_mm2[0] == pytest.approx(shape.area, rel=1e-3)


def test_no_layers_have_no_filling():
    found = filling(layers(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), 0.2, 0.2), WIDTH, 2, 4, 4)
    assert (len(found.drawn), len(found.core_of)) == (0, 0)
