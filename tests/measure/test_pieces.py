"""Islands, joints and section properties against closed forms of the handbooks."""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Point, affinity, box

from reviewkit.measure.layers import layers
from reviewkit.measure.pieces import area_moments, principal_moments, stacked


def of(*blocks, layer_mm=0.2):
    """Stack of upright blocks, each an outline from one height to another [mm]."""
    solids = [
        trimesh.creation.extrude_polygon(part, high - low).apply_translation((0, 0, low))
        for region, low, high in blocks
        for part in shapely.get_parts(region)
    ]
    mesh = trimesh.boolean.union(solids) if len(solids) > 1 else solids[0]
    return stacked(layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), layer_mm, layer_mm))


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
@pytest.mark.parametrize("far_mm", [0.0, 500.0])
def test_moments_of_a_rectangle_with_a_round_hole(turn_deg, far_mm):
    """b h^3 / 12 less pi d^4 / 64, wherever it lies and however it is turned."""
    shape = box(-10, -3, 10, 3) - Point(0, 0).buffer(2, quad_segs=200)
    shape = affinity.translate(affinity.rotate(shape, turn_deg, origin=(0, 0)), far_mm, -far_mm)
    moments = area_moments(np.array([shape]))
    weak, strong = principal_moments(moments)
    assert moments[0, 0] == pytest.approx(120 - np.pi * 4, rel=1e-5)
    assert moments[0, 1:3] / moments[0, 0] == pytest.approx([far_mm, -far_mm], abs=1e-9)
    assert weak[0] == pytest.approx(20 * 6**3 / 12 - np.pi * 4**4 / 64, rel=1e-4)
    assert strong[0] == pytest.approx(6 * 20**3 / 12 - np.pi * 4**4 / 64, rel=1e-4)


def test_no_polygon_has_no_moments():
    assert area_moments(np.empty(0, dtype=object)).shape == (0, 6)


def test_equal_layers_are_one_island():
    stack = of((box(0, 0, 10, 10), 0, 20))
    assert len(stack) == 1
    assert (stack.bottom_mm[0], stack.top_mm[0]) == (0, pytest.approx(20))
    assert list(stack.grounded) == [0]


def test_a_table_has_legs_and_a_top_that_joins_them():
    legs = shapely.union_all([box(0, 0, 4, 4), box(20, 0, 24, 4)])
    stack = of((legs, 0, 10), (box(0, 0, 24, 4), 10, 12))
    assert len(stack) == 3
    assert sorted(zip(stack.upper.tolist(), stack.lower.tolist(), strict=True)) == [(2, 0), (2, 1)]
    assert list(stack.piece) == [0, 0, 0]


def test_what_only_touches_at_an_edge_is_not_joined():
    stack = of((box(0, 0, 4, 4), 0, 2), (box(4, 0, 8, 4), 2, 4))
    assert list(stack.piece) == [0, 1]


def test_a_gap_of_an_empty_layer_parts_two_pieces():
    stack = of((box(0, 0, 10, 10), 0, 1), (box(0, 0, 10, 10), 1.4, 3))
    assert list(stack.piece) == [0, 1]
    assert len(stack.upper) == 0


def test_pieces_are_counted_from_the_plate():
    stack = of((shapely.union_all([box(0, 0, 4, 4), box(20, 0, 24, 4)]), 0, 10), (box(40, 0, 44, 4), 0, 6))
    assert sorted(set(stack.piece)) == [0, 1, 2]
    assert [int(stack.piece[island]) for island in stack.grounded] == [0, 1, 2]
