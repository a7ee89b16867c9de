"""What opening and closing leave over, and letters: closed forms."""

import numpy as np
import pytest
import shapely
import trimesh
from shapely import affinity

from reviewkit.measure.features import detail_width, marks, small_details
from reviewkit.measure.layers import layers
from reviewkit.measure.rays import RayTree
from reviewkit.measure.walls import wall_samples


def extruded(region, height=4.0, bottom=0.0) -> trimesh.Trimesh:
    pieces = [trimesh.creation.extrude_polygon(piece, height) for piece in shapely.get_parts(region)]
    mesh = trimesh.util.concatenate(pieces)
    mesh.apply_translation([0, 0, bottom])
    return mesh


def cut(mesh):
    vertices, faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)
    found = layers(vertices, faces, 0.2, 0.2)
    return found, wall_samples(found, vertices, faces, RayTree(vertices, faces))


def details(mesh, opening=0.8, closing=0.6):
    return small_details(*cut(mesh), opening, closing, 5.0, 0.02)


def width(mesh, one, most):
    return detail_width(one, cut(mesh)[0], most, 5.0)


BLOCK = shapely.box(0, 0, 30, 20)


@pytest.mark.parametrize("turn", [0.0, 17.0])
@pytest.mark.parametrize(("wide", "lost"), [(0.3, True), (0.79, True), (0.8, False), (0.9, False)])
def test_opening_takes_away_what_is_narrower(turn, wide, lost):
    nub = shapely.union_all([BLOCK, shapely.box(10, 19.9, 10 + wide, 21.2)])
    mesh = extruded(affinity.rotate(nub, turn, origin=(0, 0)))
    found = details(mesh)
    assert bool(found) is lost
    if lost:
        (one,) = found
        assert one.raised and one.hangs
        assert width(mesh, one, 0.8) == pytest.approx(wide, abs=1e-3)
        assert one.length_mm == pytest.approx(1.2, abs=0.01)
        assert one.height_mm == pytest.approx(4.0)
        assert one.fullness == pytest.approx(1, abs=0.02)
        assert one.steadiness == pytest.approx(1)


@pytest.mark.parametrize("turn", [0.0, 17.0])
@pytest.mark.parametrize(("wide", "filled"), [(0.3, True), (0.59, True), (0.6, False), (0.7, False)])
def test_closing_fills_what_is_narrower(turn, wide, filled):
    nick = BLOCK.difference(shapely.box(10, 18.5, 10 + wide, 21))
    mesh = extruded(affinity.rotate(nick, turn, origin=(0, 0)))
    found = details(mesh)
    assert bool(found) is filled
    if filled:
        (one,) = found
        assert not one.raised and one.hangs
        assert width(mesh, one, 0.6) == pytest.approx(wide, abs=1e-3)
        assert one.length_mm == pytest.approx(1.5, abs=0.01)


def test_a_disc_is_as_wide_as_it_is():
    dot = trimesh.boolean.union([extruded(BLOCK), extruded(shapely.Point(10, 10).buffer(0.3, 32), 1.0, 3.6)])
    (one,) = details(dot)
    assert not one.hangs
    # Across its sides, of which there are 128.
    assert width(dot, one, 0.8) == pytest.approx(0.6 * np.cos(np.pi / 128), abs=1e-3)
    # A disc fills pi / 4 of its square.
    assert one.fullness == pytest.approx(np.pi / 4, abs=0.01)
    assert (one.box_mm[0][2], one.box_mm[1][2]) == pytest.approx((4.0, 4.6), abs=1e-6)


def test_round_and_blunt_corners_are_kept_whole():
    # Mitred to 5: corners of more than 2 asin(1 / 5) = 23.07 degrees.
    def wedge(degrees):
        return shapely.Polygon([(0, 0), (30, 0), (30, 30 * np.tan(np.radians(degrees)))])

    assert not details(extruded(shapely.Point(0, 0).buffer(8, 32).difference(shapely.Point(0, 0).buffer(4, 32))))
    assert not details(extruded(wedge(25)))
    (tip,) = details(extruded(wedge(15)))
    assert tip.hangs and tip.fullness < 0.62


def test_slopes_taper_and_ribs_do_not():
    ridge = trimesh.Trimesh(
        [[0, 0, 0], [20, 0, 0], [20, 2, 0], [0, 2, 0], [0, 1, 6], [20, 1, 6]],
        [[0, 2, 1], [0, 3, 2], [0, 1, 5], [0, 5, 4], [2, 3, 4], [2, 4, 5], [1, 2, 5], [3, 0, 4]],
        process=False,
    )
    assert ridge.is_watertight
    (tip,) = details(ridge)
    # Widths fall evenly from 0.8 to 0, so half of the greatest in the middle.
    assert tip.steadiness == pytest.approx(0.5, abs=0.1)


def test_readings_known_as_walls_leave_their_layers_out():
    leaf = extruded(shapely.union_all([shapely.box(0, 0, 5, 5), shapely.box(4.9, 2, 20, 2.5)]))
    found, walls = cut(leaf)
    assert len(small_details(found, walls, 0.8, 0.6, 5.0, 0.02)) == 1
    large = (walls.width_mm < 0.8, np.zeros(len(walls), dtype=bool))
    assert small_details(found, walls, 0.8, 0.6, 5.0, 0.02, large) == []


def letter(x, y, high=5.0, stroke=1.0):
    """A capital L."""
    return shapely.union_all([shapely.box(x, y, x + stroke, y + high), shapely.box(x, y, x + 0.6 * high, y + stroke)])


@pytest.mark.parametrize("turn", [0.0, 17.0])
def test_raised_and_engraved_letters(turn):
    word = shapely.union_all([letter(3 + 5 * k, 5) for k in range(4)])
    word, block = (affinity.rotate(shape, turn, origin=(0, 0)) for shape in (word, BLOCK))
    raised = trimesh.boolean.union([extruded(block), extruded(word, 1.0, 3.6)])
    engraved = trimesh.boolean.difference([extruded(block), extruded(word, 2.0, 3.4)])
    for mesh, proud, ends in ((raised, True, (4.0, 4.6)), (engraved, False, (3.4, 4.0))):
        (group,) = marks(cut(mesh)[0], 20.0, 2.0, 1.5)
        assert group.raised is proud and len(group) == 4
        assert group.relief_mm == pytest.approx(0.6)
        assert (group.box_mm[0][2], group.box_mm[1][2]) == pytest.approx(ends)
        assert group.tallest_mm == pytest.approx(5.0, abs=1e-3)
        # The inner corner lets a little more than the stroke through; corners are mitred here: exactly the stroke.
        assert group.stroke_mm == pytest.approx(1.0, abs=1e-3)
        assert (group.roundness < 0.6).all()


def test_holes_pockets_and_posts_are_no_marks():
    through = BLOCK.difference(shapely.union_all([letter(3 + 5 * k, 5) for k in range(4)]))
    assert marks(cut(extruded(through))[0], 20.0, 2.0, 1.5) == []
    posts = trimesh.boolean.union([extruded(BLOCK), *(extruded(letter(3 + 5 * k, 5), 4.0, 3.6) for k in range(4))])
    assert marks(cut(posts)[0], 20.0, 2.0, 1.5) == []
    sealed = trimesh.boolean.difference([extruded(BLOCK), extruded(letter(5, 5), 1.0, 2.4)])
    assert marks(cut(sealed)[0], 20.0, 2.0, 1.5) == []
    wide = trimesh.boolean.union([extruded(BLOCK), extruded(shapely.box(2, 2, 28, 5), 1.0, 3.6)])
    assert marks(cut(wide)[0], 20.0, 2.0, 1.5) == []
    assert len(marks(cut(wide)[0], 30.0, 2.0, 1.5)) == 1


def test_marks_far_apart_or_of_other_height_are_other_groups():
    near = [extruded(letter(2, 5), 1.0, 3.6), extruded(letter(7, 5), 1.0, 3.6)]
    # 8.5 mm apart, 1.5 times 5 mm are one group.
    far = extruded(letter(18.5, 5), 1.0, 3.6)
    higher = extruded(letter(12, 12), 1.4, 3.6)
    found = marks(cut(trimesh.boolean.union([extruded(BLOCK), *near, far, higher]))[0], 20.0, 2.0, 1.5)
    assert sorted((len(group), round(group.relief_mm, 3)) for group in found) == [(1, 0.6), (1, 1.0), (2, 0.6)]


def test_nothing_at_all():
    assert details(trimesh.creation.box([10, 10, 10]).apply_translation([0, 0, 5])) == []
    empty = layers(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), 0.2, 0.2)
    assert marks(empty, 20.0, 2.0, 1.5) == []
