"""Copies on a plate against packing tables, tilings in closed form and bounds.

Every layout is checked again here, pair by pair, by means that the search does not use.
"""

from itertools import combinations

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist
from shapely import affinity

from reviewkit.errors import SetupError
from reviewkit.measure import packing
from reviewkit.measure.packing import Layout, Packing, disc_packings, fewer_corners, most_copies, packed, shadow

PLATE = (216.0, 216.0)

# Side of the least square for n discs of radius 1.  n = 1 to 20: "Circle packing in a square",
# infogalactic.com (seen); 21 to 30: tables of E. Specht, Packomania (from memory).
ROOT = np.sqrt
SIDES = {
    1: 2.0, 2: 2 + ROOT(2), 3: 2 + ROOT(2) / 2 + ROOT(6) / 2, 4: 4.0, 5: 2 + 2 * ROOT(2), 6: 2 + 12 / ROOT(13),
    7: 4 + ROOT(3), 8: 2 + ROOT(2) + ROOT(6), 9: 6.0, 10: 6.747442, 11: 7.022496, 12: 2 + 15 * ROOT(2 / 17),
    13: 7.463048, 14: 6 + ROOT(3), 15: 4 + ROOT(2) + ROOT(6), 16: 8.0, 17: 8.532660, 18: 2 + 24 / ROOT(13),
    19: 8.907461, 20: 130 / 17 + 16 * ROOT(2) / 17, 21: 9.358018, 22: 9.463845, 23: 9.727321,
    24: 6 + ROOT(2) + ROOT(6), 25: 10.0, 26: 10.377498, 27: 10.479970, 28: 10.675454, 29: 10.815120, 30: 10.908568,
}  # fmt: skip

# Largest number of discs of area 1 in a square of area n, from n = 1: OEIS A337020 (seen).
A337020 = (
    0, 1, 1, 2, 3, 4, 4, 5, 5, 6, 8, 9, 9, 9, 10, 11, 12, 13, 13, 15, 16, 16, 16, 18, 18, 20, 20, 21, 22, 22, 24, 25,
    25, 25, 27, 27, 28, 30, 30,
)  # fmt: skip

ELL = shapely.Polygon([(0, 0), (60, 0), (60, 15), (15, 15), (15, 40), (0, 40)])
RIGHT_TRIANGLE = shapely.Polygon([(0, 0), (40, 0), (0, 40)])


def disc(diameter: float, segs: int = 32) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(diameter / 2, quad_segs=segs)


def laid(outline: shapely.Geometry, plate=PLATE, margin: float = 0.0, gap: float = 2.0, **more) -> Packing:
    """A packing whose layout was checked pair by pair."""
    found = packed(outline, plate, margin, gap, **more)
    verify(found.layout)
    assert found.count <= found.most
    assert all(count <= found.count for count in found.tried.values())
    return found


def verify(layout: Layout) -> None:
    """Every copy is the outline moved, inside the margins, and a gap away from every other."""
    free = shapely.box(*[layout.margin_mm - 1e-4] * 2, *(side - layout.margin_mm + 1e-4 for side in layout.plate_mm))
    assert layout.faults == ()
    assert len(layout.copies) == layout.count
    for copy in layout.copies:
        assert copy.area == pytest.approx(layout.outline.area, rel=1e-9)
        assert copy.length == pytest.approx(layout.outline.length, rel=1e-9)
        assert free.covers(copy)
    for one, other in combinations(layout.copies, 2):
        if shapely.box(*one.bounds).distance(shapely.box(*other.bounds)) < layout.gap_mm:
            assert one.distance(other) >= layout.gap_mm - 1e-4
            assert one.intersection(other).area < 1e-3


# --- discs -------------------------------------------------------------------------------


@pytest.mark.parametrize("count", SIDES)
def test_disc_packings_are_the_best_known(count):
    apart, points = disc_packings()[count]
    assert points.shape == (count, 2) and points.min() >= 0 and points.max() <= 1
    side = 2 + 2 / apart if count > 1 else 2.0
    if count > 1:
        assert pdist(points).min() == pytest.approx(apart)
    assert SIDES[count] * (1 - 2e-7) <= side <= SIDES[count] * (1 + 1e-5)


@pytest.mark.parametrize(
    ("diameter", "margin", "known", "bound"),
    [
        (40, 0, 26, 29), (38, 3, 27, 30), (50, 0, 16, 19), (60, 0, 11, 13), (70, 0, 9, 9), (80, 0, 5, 7),
    ],
)  # fmt: skip
def test_discs_on_a_plate(diameter, margin, known, bound):
    """Best known counts of the table above; bound of Oler and Groemer worked out by hand."""
    found = laid(disc(diameter), margin=margin)
    assert (found.count, found.most) == (known, bound)
    c = (216 - 2 * margin - diameter) / (diameter + 2)
    assert int(2 * c**2 / np.sqrt(3) + 2 * c + 1) == bound


@pytest.mark.parametrize(("diameter", "rows", "bound"), [(36, 30, 36), (25, 68, 72)])
def test_many_discs_stand_in_shifted_rows(diameter, rows, bound):
    found = laid(disc(diameter))
    assert found.count >= rows and found.most == bound


@pytest.mark.parametrize("area", [1, 2, 5, 11, 12, 15, 20, 21, 26, 30, 38, 39])
def test_discs_of_area_one_in_a_square(area):
    side = 100 * np.sqrt(area)
    found = packed(disc(200 / np.sqrt(np.pi), 64), (side, side), 0.0, 0.0)
    assert found.count == A337020[area - 1]


def test_middles_of_discs_keep_their_distance():
    found = laid(disc(40))
    assert found.layout.method == packing.DISCS
    assert pdist(found.layout.places[:, :2]).min() >= 42 - 1e-6


# --- rectangles and tilings --------------------------------------------------------------


@pytest.mark.parametrize(
    ("a", "b", "grid", "blocks", "bound"),
    [
        (60, 40, 15, 16, 18), (50, 30, 24, 26, 28), (70, 45, 12, 13, 14), (100, 20, 18, 20, 21), (80, 25, 16, 21, 21),
        (55, 35, 15, 20, 22),
    ],
)  # fmt: skip
def test_rectangles_in_blocks_of_two_directions(a, b, grid, blocks, bound):
    """Counts of the five-block heuristic (Bischoff and Dowsland 1982, from memory), worked out apart."""
    found = laid(shapely.box(0, 0, a, b))
    assert (
        found.tried[packing.GRID]
        == grid
        == max(int(218 / (a + 2)) * int(218 / (b + 2)), int(218 / (b + 2)) * int(218 / (a + 2)))
    )
    assert (found.count, found.most) == (blocks, bound)


@pytest.mark.parametrize("turn_deg", [33.0, 90.0, 151.0])
def test_a_turned_rectangle_is_squared_first(turn_deg):
    assert laid(affinity.rotate(shapely.box(0, 0, 80, 25), turn_deg)).count == 21


@pytest.mark.parametrize(
    ("outline", "plate", "count", "method"),
    [
        (shapely.box(0, 0, 10, 10), (100.0, 60.0), 60, packing.GRID),
        (RIGHT_TRIANGLE, (120.0, 120.0), 18, None),
        (RIGHT_TRIANGLE, (80.0, 120.0), 12, None),
        # An L of three squares: two of them tile 3 x 2.
        (shapely.Polygon([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)]), (60.0, 60.0), 12, None),
    ],
)
def test_tilings_fill_the_plate(outline, plate, count, method):
    found = laid(outline, plate, gap=0.0)
    assert (found.count, found.most) == (count, count)
    assert method in (None, found.layout.method)
    assert found.layout.use == pytest.approx(1.0)


def test_gap_and_margin_are_counted_once_each():
    """n squares of side a with gaps g need n a + (n - 1) g + 2 m: exactly so, and a hair less."""
    need = 4 * 20 + 3 * 3 + 2 * 5
    assert laid(shapely.box(0, 0, 20, 20), (need, need), 5.0, 3.0).count == 16
    assert laid(shapely.box(0, 0, 20, 20), (need - 0.01, need), 5.0, 3.0).count == 12


def test_level_pairs_keep_just_the_gap():
    """Right triangles of leg a in level pairs: slanted sides g apart shift the second by g sqrt(2) along x.

    A pair and its gaps then take a + g (1 + sqrt(2)) by a + g.
    """
    plate = 3 * (40 + 2 * (1 + float(np.sqrt(2)))) - 2 + 1e-3, 3 * 42.0 - 2 + 1e-3
    found = laid(RIGHT_TRIANGLE, plate)
    assert found.count == 18
    assert min(a.distance(b) for a, b in combinations(found.layout.copies, 2)) == pytest.approx(2.0, abs=1e-3)
    assert laid(RIGHT_TRIANGLE, (plate[0], plate[1] - 0.1)).count < 18


def test_half_turns_and_shifts_beat_the_grid():
    triangle = laid(shapely.Polygon([(0, 0), (60, 0), (20, 45)]))
    assert triangle.tried[packing.GRID] == 12 and triangle.count >= 24
    assert triangle.layout.method in (packing.TURNED_ROWS, packing.PAIRS)
    assert len({round(turn % 360) for turn in triangle.layout.places[:, 2]}) == 2
    ell = laid(ELL)
    assert ell.count >= 21 > ell.tried[packing.GRID] == 15


def test_a_bar_longer_than_the_plate_lies_on_the_diagonal():
    """254 x 38 lies on 216 x 216 turned by 45 degrees: (254 + 38) / sqrt(2) = 206.5."""
    found = laid(shapely.box(0, 0, 254, 38))
    assert found.count == 1 and found.layout.places[0, 2] % 90 == pytest.approx(45)
    assert laid(shapely.box(0, 0, 254, 60)).count == 0
    assert most_copies(shapely.box(0, 0, 254, 60), PLATE, 0.0, 2.0)[0] == 0
    # Three side by side: (254 + 3 x 12 + 2 x 2) / sqrt(2) = 207.9, and four: 217.8.
    assert laid(shapely.box(0, 0, 254, 12)).count == 3


def test_an_outline_of_two_pieces_moves_as_one():
    pieces = shapely.union_all([shapely.box(0, 0, 20, 20), shapely.box(40, 0, 60, 20)])
    found = laid(pieces)
    # A square of the next copy fits between the two: 10 rows of at least two copies each.
    assert found.count >= 20
    assert {copy.geom_type for copy in found.layout.copies} == {"MultiPolygon"}


def test_same_input_same_places():
    first, second = (packed(ELL, (150.0, 150.0), 5.0, 2.0) for _ in range(2))
    assert np.array_equal(first.layout.places, second.layout.places) and first.tried == second.tried


def test_what_cannot_be_laid_out_is_refused():
    with pytest.raises(ValueError, match="area"):
        packed(shapely.Polygon(), PLATE, 0.0, 2.0)
    with pytest.raises(SetupError, match="nothing of a 216 x 216 mm plate"):
        packed(ELL, PLATE, 108.0, 2.0)


# --- any outline -------------------------------------------------------------------------


@st.composite
def outlines(draw):
    """Star-shaped outlines, convex or not, of 3 to 9 corners."""
    corners = draw(st.integers(3, 9))
    reach = draw(st.lists(st.floats(8, 60), min_size=corners, max_size=corners))
    shift = draw(st.floats(0, 2 * np.pi))
    turns = shift + np.arange(corners) * 2 * np.pi / corners
    return shapely.Polygon(np.array(reach)[:, None] * np.column_stack([np.cos(turns), np.sin(turns)]))


@settings(max_examples=8, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(outlines(), st.sampled_from([0.0, 0.5, 2.0, 5.0]), st.sampled_from([(150.0, 150.0), (160.0, 120.0)]))
def test_no_layout_has_faults_or_beats_its_bound(outline, gap, plate):
    found = laid(outline, plate, 3.0, gap, turns=4)
    # Copies grown by half the gap lie apart in the usable plate grown alike.
    grown = outline.buffer(gap / 2 - 1e-4, quad_segs=32).area if gap > 0 else outline.area
    room = shapely.box(3, 3, plate[0] - 3, plate[1] - 3).buffer(gap / 2).area
    assert found.count * grown <= room * (1 + 1e-9)
    radius = shapely.maximum_inscribed_circle(outline).length
    a, b = (max(side - 6 - 2 * radius, 0) / (2 * radius + gap) for side in plate)
    assert found.count <= 2 / np.sqrt(3) * a * b + a + b + 1 + 1e-6


@settings(max_examples=25, deadline=None, derandomize=True)
@given(outlines(), st.floats(0.01, 1.0))
def test_fewer_corners_cover_the_outline(outline, by):
    rough = shapely.segmentize(outline.buffer(2), 3.0)
    few = fewer_corners(rough, by)
    assert few.covers(shapely.simplify(rough, 1e-6).buffer(-1e-5))
    assert shapely.get_num_coordinates(few) <= shapely.get_num_coordinates(rough)
    assert few.hausdorff_distance(rough) < 4 * by + 0.1


def test_simplifying_costs_few_copies_and_no_gap():
    fine = ELL.buffer(3, quad_segs=12)
    assert abs(laid(fine).count - laid(fine, simplify_mm=0.1).count) <= 1


# --- the check itself ----------------------------------------------------------------------


def test_faults_are_seen():
    good = laid(shapely.box(0, 0, 40, 40)).layout
    moved = good.places.copy()
    moved[0, 0] += 1e-3
    near = Layout(good.outline, good.plate_mm, good.margin_mm, good.gap_mm, moved, good.method)
    assert near.faults == ("1 pairs of copies are nearer than 2 mm",)
    moved[0, 0] = 10.0
    off = Layout(good.outline, good.plate_mm, good.margin_mm, good.gap_mm, moved, good.method)
    assert "1 of 25 copies reach over the edge margin" in off.faults
    touching = np.array([[20.0, 20.0, 0.0], [60.0, 20.0, 0.0]])
    for gap, faults in ((0.0, 0), (0.01, 1)):
        assert len(Layout(good.outline, PLATE, 0.0, gap, touching, "by hand").faults) == faults
    lapping = touching - np.array([[0, 0, 0], [1, 0, 0]])
    assert len(Layout(good.outline, PLATE, 0.0, 0.0, lapping, "by hand").faults) == 1


# --- shadows -----------------------------------------------------------------------------


def shadow_of(mesh: trimesh.Trimesh) -> shapely.Geometry:
    vertices = np.array(mesh.vertices) - [0, 0, mesh.vertices[:, 2].min()]
    return shadow(vertices, np.array(mesh.faces, dtype=np.int64), 0.2, 0.2)


def test_shadow_of_solids():
    ball = shadow_of(trimesh.creation.icosphere(4, 20))
    assert ball.area == pytest.approx(np.pi * 400, rel=5e-3)
    # A table: the top shades what lies under it.
    table = trimesh.boolean.union([trimesh.creation.box((10, 10, 40)), trimesh.creation.box((60, 40, 4))])
    assert shadow_of(table).area == pytest.approx(2400)
    ring = shadow_of(trimesh.creation.annulus(10, 20, 5, sections=256))
    assert ring.geom_type == "Polygon" and not ring.interiors
    assert ring.area == pytest.approx(np.pi * 400, rel=1e-3)


def test_shadow_of_an_open_mesh_is_that_of_its_layers():
    box = trimesh.creation.box((30, 20, 10))
    torn = trimesh.Trimesh(box.vertices, np.delete(box.faces, 0, axis=0), process=False)
    assert shadow_of(torn).area == pytest.approx(600, rel=1e-3)


def test_holes_of_an_open_mesh_are_filled_too():
    ring = trimesh.creation.annulus(10, 20, 5, sections=64)
    torn = trimesh.Trimesh(ring.vertices, np.delete(ring.faces, 0, axis=0), process=False)
    outline = shadow_of(torn)
    assert outline.geom_type == "Polygon" and not outline.interiors
    assert outline.area == pytest.approx(np.pi * 400, rel=0.02)


def test_shadow_of_two_bodies_has_two_pieces():
    two = trimesh.util.concatenate([trimesh.creation.box((10, 10, 10)), trimesh.creation.box((10, 10, 10))])
    two.vertices[8:] += (30, 0, 0)
    assert shapely.get_num_geometries(shadow_of(two)) == 2
