"""Steps, seams and views of faces against closed forms."""

import numpy as np
import pytest
import trimesh
from trimesh.transformations import rotation_matrix

from reviewkit.measure.layers import layers
from reviewkit.measure.looks import Surface, cusp_mm, seams, seen, surface
from reviewkit.measure.overhangs import down_facing
from reviewkit.measure.rays import RayTree

H = 0.2
ON_ITS_SIDE = rotation_matrix(np.pi / 2, [1, 0, 0])


def placed(mesh) -> tuple[np.ndarray, np.ndarray]:
    vertices = np.array(mesh.vertices, dtype=float)
    vertices[:, 2] -= vertices[:, 2].min()
    return vertices, np.array(mesh.faces, dtype=np.int64)


def sampled(mesh, spacing=2.0) -> Surface:
    vertices, faces = placed(mesh)
    return surface(vertices, faces, down_facing(vertices, faces, beyond_deg=45, plate_mm=H / 2), spacing)


def box(x0, y0, z0, x1, y1, z1) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[[x0, y0, z0], [x1, y1, z1]])


@pytest.mark.parametrize(("slope_deg", "cusp"), [(30, 0.1732), (45, 0.1414), (60, 0.1000), (80, 0.0347), (90, 0.0)])
def test_cusp_by_slope(slope_deg, cusp):
    # h cos(slope from the level), h = 0.2 (supplement note 6.1 and printability note 5, derived).
    tilt = np.radians(slope_deg)
    one = Surface(
        np.zeros(1, int), np.zeros((1, 3)), np.array([[np.sin(tilt), 0, np.cos(tilt)]]), np.ones(1), np.zeros(1, bool)
    )
    assert cusp_mm(one, H)[0] == pytest.approx(cusp, abs=5e-5)


def test_mean_cusp_of_a_ball_is_half_a_layer():
    # h / 2 = 0.1 (supplement note 6.1: mesh 0.099998); share beyond q h is 1 - q (mesh 0.5005 for q = 0.5).
    ball = sampled(trimesh.creation.icosphere(subdivisions=5, radius=10))
    steps = cusp_mm(ball, H)
    assert ball.mean(steps) == pytest.approx(H / 2, rel=2e-3)
    assert ball.share(steps > 0.5 * H) == pytest.approx(0.5, abs=0.005)


def test_mean_cusp_of_a_lying_cylinder():
    # 2 h / pi = 0.127324 on the round face; share beyond h / 2 is 1 - (2 / pi) asin 0.5 = 0.6667 (supplement 6.1).
    rod = sampled(trimesh.creation.cylinder(radius=10, height=30, sections=720).apply_transform(ON_ITS_SIDE))
    round_face = rod.chosen(np.abs(rod.normal[:, 1]) < 0.5)
    steps = cusp_mm(round_face, H)
    # Flats at the very top and bottom, one degree to both sides, have no steps.
    assert round_face.mean(steps) == pytest.approx(2 * H / np.pi, rel=0.02)
    assert round_face.share(steps > 0.5 * H) == pytest.approx(2 / 3, abs=0.02)


def test_shares_of_a_box():
    # Box 40 x 40 x 30: plate side 1600 / 8000, level top the same (supplement note 6.1).
    plain = sampled(box(0, 0, 0, 40, 40, 30))
    assert plain.area_mm2.sum() == pytest.approx(8000)
    assert plain.share(plain.on_plate) == pytest.approx(0.2)
    assert plain.share(plain.flat & ~plain.on_plate) == pytest.approx(0.2)
    assert cusp_mm(plain, H).max() == 0


def test_a_convex_part_is_seen_all_over_and_a_hollow_is_not():
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10)
    vertices, faces = placed(ball)
    assert (seen(sampled(ball), RayTree(vertices, faces)) == 1).all()
    hollow = trimesh.boolean.difference([box(0, 0, 0, 20, 20, 20), box(3, 3, 3, 17, 17, 17)])
    vertices, faces = placed(hollow)
    shown = seen(own := sampled(hollow), RayTree(vertices, faces))
    inside = ((own.point > 1) & (own.point < 19)).all(axis=1)
    assert (shown[inside] == 0).all() and (shown[~inside] == 1).all()


def everywhere(points):
    return np.ones(len(points), dtype=bool)


def walked(mesh, within=everywhere):
    vertices, faces = placed(mesh)
    return seams(layers(vertices, faces, H, H), within, turn_deg=30, reach_mm=1, room_mm=2)


def test_seams_of_prisms():
    # Cylinder: no corner in any layer; box: one in each; tube: of both outlines only the outer counts (supplement
    # note 6.1).
    round_bar = walked(trimesh.creation.cylinder(radius=8, height=30, sections=90))
    assert (round_bar.height_mm, round_bar.exposed_share) == (pytest.approx(30), 1.0)
    assert round_bar.point[2] == pytest.approx(0.1)
    plain = walked(box(0, 0, 0, 20, 10, 12))
    assert (plain.height_mm, plain.exposed_share) == (pytest.approx(12), 0.0)
    tube = walked(trimesh.creation.annulus(r_min=6, r_max=8, height=20, sections=90))
    assert (tube.height_mm, tube.exposed_share) == (pytest.approx(20), 1.0)


def test_a_seam_goes_to_the_side_that_is_not_seen():
    bar = trimesh.creation.cylinder(radius=8, height=30, sections=90)
    front = walked(bar, lambda points: points[:, 1] < 0)
    assert (front.height_mm, front.exposed_share) == (pytest.approx(30), 0.0)
    # Seen but for a sliver of the outline, 1 mm of 2 mm.
    nearly = walked(bar, lambda points: points[:, 1] < 8 - 0.02)
    assert nearly.exposed_share == 1.0
    upper = walked(bar, lambda points: points[:, 2] > 20)
    assert upper.height_mm == pytest.approx(10, abs=0.3)


@pytest.mark.parametrize(("sections", "exposed"), [(8, 0.0), (11, 0.0), (13, 1.0), (48, 1.0)])
def test_a_corner_turns_by_more_than_thirty_degrees(sections, exposed):
    # A prism of n sides turns by 360 / n at each: 12 sides are the limit.
    assert walked(trimesh.creation.cylinder(radius=12, height=5, sections=sections)).exposed_share == exposed
