"""The cylinder of 16 CFR 1501.4 and the small-ball hole, against closed forms and the worked values of the reference.

Inch sizes govern: 1.25 in across, 2.25 in and 1.00 in deep (the last from memory).  Bodies of round section are drawn
with 96 sides, so that they are smaller than the circle by no more than 0.009 mm.
"""

import numpy as np
import pytest
import trimesh
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from reviewkit.measure.layers import layers
from reviewkit.measure.pieces import stacked
from reviewkit.measure.small_parts import (
    Cylinder,
    bodies,
    fit_in_cylinder,
    hull_of,
    islands_near,
    least_circle,
)

INCH = 25.4
CYLINDER = Cylinder(1.25 * INCH, 2.25 * INCH, 1.0 * INCH)
BALL = trimesh.creation.icosphere(3, 1.0).vertices
STARTS = 600


def rod(diameter: float, length: float) -> np.ndarray:
    return trimesh.creation.cylinder(diameter / 2, length, sections=96).vertices


def block(*sides: float) -> np.ndarray:
    return trimesh.creation.box(sides).vertices


def fit(points, pose: int = 1, starts: int = STARTS):
    turned = np.asarray(points) @ Rotation.random(random_state=pose).as_matrix().T + (12.0, -40.0, 7.0)
    hull = hull_of(turned)
    return hull, fit_in_cylinder(hull, CYLINDER, starts)


def overhang(placed: np.ndarray) -> float:
    """How far points reach beyond wall or floor, told from the drawing of the cylinder alone."""
    wall = np.hypot(placed[:, 0], placed[:, 1]).max() - 15.875
    # The floor is a plane through (-15.875, 0, -25.4) and (15.875, 0, -57.15).
    floor = (-(placed[:, 2] + 25.4 + (placed[:, 0] + 15.875)) / np.sqrt(2)).max()
    return max(wall, floor)


def test_sizes_of_the_cylinder():
    """pi 15.875^2 x 41.275 = 32 679 mm3; longest line sqrt(31.75^2 + 57.15^2) = 65.38 mm; floor at 45 degrees."""
    assert CYLINDER.volume_mm3 == pytest.approx(32_679, abs=1)
    assert CYLINDER.longest_mm == pytest.approx(65.38, abs=0.01)
    assert CYLINDER.slope == pytest.approx(1.0)


# The reference's table, made with 3000 to 4000 starts; several margins are closed forms.
WORKED = [
    ("sphere 31", BALL * 15.5, 0.375, 0.02),
    ("sphere 32.5", BALL * 16.25, -0.375, 0.02),
    ("cube 22", block(22, 22, 22), 15.875 - 11 * np.sqrt(2), 0.005),
    ("cube 23", block(23, 23, 23), 15.875 - 11.5 * np.sqrt(2), 0.005),
    ("rod 10 x 47", rod(10, 47), 0.76, 0.02),
    ("rod 10 x 50", rod(10, 50), -0.22, 0.03),
    ("rod 3 x 60", rod(3, 60), 0.20, 0.04),
    ("rod 20 x 37", rod(20, 37), 0.06, 0.03),
    ("rod 20 x 38", rod(20, 38), -0.35, 0.03),
    ("plate 30 x 5 x 40", block(30, 5, 40), 0.308, 0.01),
    ("plate 30 x 10 x 50", block(30, 10, 50), -3.99, 0.02),
    ("disc 31 x 5", rod(31, 5), 0.375, 0.015),
    ("disc 33 x 3", rod(33, 3), -0.625, 0.015),
]


@pytest.mark.parametrize(("name", "points", "margin", "within"), WORKED, ids=[row[0] for row in WORKED])
def test_worked_table(name, points, margin, within):
    """Table of 3.4 of the reference; the orientation told really has the margin told."""
    hull, found = fit(points)
    assert found.margin_mm == pytest.approx(margin, abs=within)
    placed = found.placed(hull.points)
    assert -overhang(placed) == pytest.approx(found.margin_mm, abs=1e-6)
    assert placed[:, 2].max() == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(found.turn @ found.turn.T, np.eye(3), atol=1e-9)


@pytest.mark.parametrize(("edge", "fits"), [(22.40, True), (22.50, False)])
def test_threshold_of_a_cube(edge, fits):
    """31.75 / sqrt 2 = 22.451."""
    _, found = fit(block(edge, edge, edge))
    assert (found.margin_mm > 0) is fits


@pytest.mark.parametrize(("length", "fits"), [(37.10, True), (37.25, False)])
def test_threshold_of_a_thick_rod(length, fits):
    """L <= 57.15 - D standing at the deep side."""
    _, found = fit(rod(20, length))
    assert (found.margin_mm > 0) is fits


def test_two_points_further_apart_than_the_longest_line_need_no_search():
    hull, found = fit([(0, 0, 0), (66, 0, 0), (30, 5, 0), (30, 0, 5)])
    assert (found.proof, found.starts) == ("length", 0)
    assert found.proof_value == pytest.approx(66.0)
    assert found.margin_mm == pytest.approx(65.377 - 66.0, abs=0.001)
    assert hull.longest_mm == pytest.approx(66.0)


def test_what_is_proved_wider_in_every_direction():
    """A cube's shadow holds a line of edge x sqrt 2 or more: proved for 23 mm, not for 22 mm."""
    assert fit(block(23, 23, 23))[1].proof == "width"
    assert fit(block(22, 22, 22))[1].proof == ""
    proved = fit(rod(33, 3))[1]
    assert proved.proof == "width"
    assert 31.75 < proved.proof_value <= 33.0


def test_a_hull_with_more_volume_than_the_cylinder():
    assert fit(block(34, 34, 34))[1].proof == "volume"


def test_margin_does_not_depend_on_how_the_body_lies():
    points = np.vstack([block(18, 9, 40), np.add(block(6, 30, 6), (3, 2, 12))])
    margins = [fit(points, pose, 200)[1].margin_mm for pose in range(12)]
    assert np.ptp(margins) < 1e-3


def test_the_search_finds_no_less_than_a_plain_one():
    """Nelder and Mead's simplex (SciPy) over turn and shift, from the orientation found and from others."""
    points = hull_of(block(26, 12, 36)).points

    def out(x):
        placed = points @ Rotation.from_rotvec(x[:3]).as_matrix().T + (x[3], x[4], 0.0)
        placed[:, 2] -= placed[:, 2].max()
        return overhang(placed)

    starts = np.random.default_rng(3).uniform(-2, 2, (6, 5))
    plain = min(minimize(out, start, method="Nelder-Mead", options={"maxiter": 600}).fun for start in starts)
    assert fit_in_cylinder(hull_of(points), CYLINDER, STARTS).margin_mm >= -plain - 1e-3


def test_same_body_same_number():
    first, second = (fit(block(20, 21, 30))[1] for _ in range(2))
    assert first.margin_mm == second.margin_mm
    np.testing.assert_array_equal(first.turn, second.turn)


# --- balls -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "hole", "ball"),
    [
        (BALL * 22.0, 44.0, True),
        (BALL * 23.0, 46.0, True),
        (BALL * (21.5, 21.5, 30.0), 43.0, True),
        (block(30, 30, 30), 30 * np.sqrt(2), False),
        (rod(40, 40), 40.0, False),
    ],
)
def test_worked_balls(points, hole, ball):
    """Table of 3.5 of the reference: extents up to 1.5 to 1 and a sphericity from 0.9 make a ball (common practice)."""
    hull = hull_of(np.asarray(points) @ Rotation.random(random_state=5).as_matrix().T)
    found, along = least_circle(hull)
    assert found == pytest.approx(hole, abs=0.12)
    assert np.linalg.norm(along) == pytest.approx(1.0)
    assert (hull.slimness <= 1.5 and hull.sphericity >= 0.9) is ball


def test_sphericity_of_known_bodies():
    """Wadell: cube (pi/6)^(1/3) = 0.806; cylinder as high as wide (2/3)^(1/3) = 0.874."""
    assert hull_of(block(10, 10, 10)).sphericity == pytest.approx((np.pi / 6) ** (1 / 3), abs=1e-6)
    assert hull_of(rod(10, 10)).sphericity == pytest.approx((2 / 3) ** (1 / 3), abs=1e-3)


def test_principal_extents_of_a_turned_block():
    hull = hull_of(block(30, 20, 10) @ Rotation.random(random_state=4).as_matrix().T)
    np.testing.assert_allclose(hull.extents_mm, (30, 20, 10), atol=1e-6)


def test_a_flat_body_has_a_hull():
    hull = hull_of(np.array([(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0.0)]))
    assert hull.volume_mm3 == pytest.approx(0, abs=1)


# --- bodies ----------------------------------------------------------------------------------


def bodies_of(*meshes):
    mesh = trimesh.util.concatenate(meshes)
    mesh.apply_translation((0, 0, -mesh.bounds[0, 2]))
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    stack = stacked(layers(vertices, faces, 0.2, 0.2))
    return vertices, bodies(vertices, faces, stack)


def box_at(x, side=10.0):
    return trimesh.creation.box((side, side, side)).apply_translation((x, 0, 0))


def test_bodies_that_stand_apart_are_bodies_of_their_own():
    vertices, found = bodies_of(box_at(0), box_at(10.08), box_at(40, 6.0))
    assert [len(own) for own in found] == [8, 8, 8]
    assert np.ptp(vertices[found[-1]], axis=0) == pytest.approx([6, 6, 6])


def test_shells_that_overlap_are_one_body():
    _, found = bodies_of(box_at(0), box_at(6), box_at(30))
    assert sorted(len(own) for own in found) == [8, 16]


def test_a_hollow_space_is_no_body():
    inside = box_at(0, 6.0)
    inside.invert()
    vertices, found = bodies_of(box_at(0), inside)
    assert len(found) == 1
    assert np.ptp(vertices[found[0]], axis=0) == pytest.approx([10, 10, 10])
    assert len(found[0]) == 8


def test_a_lid_a_hair_above_its_box_is_a_body_of_its_own():
    lid = trimesh.creation.box((10, 10, 2)).apply_translation((0, 0, 6.08))
    _, found = bodies_of(box_at(0), lid)
    assert len(found) == 2


def test_islands_near_points():
    mesh = trimesh.util.concatenate([box_at(0), box_at(30)]).apply_translation((0, 0, 5))
    stack = stacked(layers(np.array(mesh.vertices), np.array(mesh.faces), 0.2, 0.2))
    near = islands_near(stack, np.array([(4.0, 0.0, 5.0), (26.0, 0.0, 0.0), (36.0, 0.0, 10.0)]))
    assert stack.piece[near].tolist() == [stack.piece[near[0]], 1 - stack.piece[near[0]], 1 - stack.piece[near[0]]]
