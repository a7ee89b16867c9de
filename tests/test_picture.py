"""Pictures against closed forms: silhouettes of a sphere and of a box, places, what is hidden.

An orthographic silhouette (derived): sphere pi R^2; box of edges a, b, c seen along the unit vector d,
|d_x| b c + |d_y| a c + |d_z| a b.
"""

import time

import numpy as np
import pytest
import trimesh
from scipy import ndimage

from reviewkit.measure.rays import RayTree
from reviewkit.model import Verdict
from reviewkit.picture import View, best_view, closeup, informative_views, project, shaded

TOP = View("from the top", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
OBLIQUE = View("oblique", (-0.48, 0.64, -0.6))


class Scene:
    """A mesh standing on the plate, with its ray tree."""

    def __init__(self, mesh):
        self.vertices = np.asarray(mesh.vertices, dtype=float).view(np.ndarray)
        self.faces = np.asarray(mesh.faces).view(np.ndarray)
        self.normals = np.asarray(mesh.face_normals)
        self.rays = RayTree(self.vertices, self.faces)

    def shot(self, view, size=(320, 240), highlight=None):
        return shaded(self.vertices, self.faces, self.rays, view, size, highlight)

    def facing(self, direction):
        return np.flatnonzero(self.normals @ np.array(direction) > 0.99)


@pytest.fixture(scope="module")
def box():
    return Scene(trimesh.creation.box((60, 40, 20)).apply_translation((5, -3, 10)))


@pytest.fixture(scope="module")
def sphere():
    return Scene(trimesh.creation.icosphere(subdivisions=5, radius=10))


@pytest.fixture(scope="module")
def pocketed():
    # A block with a pocket open to the top: 30 x 20 and 15 deep in 60 x 40 x 20.
    block = trimesh.creation.box((60, 40, 20)).apply_translation((0, 0, 10))
    pocket = trimesh.creation.box((30, 20, 20)).apply_translation((0, 0, 15))
    return Scene(trimesh.boolean.difference([block, pocket]))


def silhouette_mm2(shot):
    return (shot.face >= 0).sum() * shot.mm_per_pixel**2


@pytest.mark.parametrize("view", [TOP, OBLIQUE, View("below", (0.6, 0.0, 0.8))])
def test_silhouette_of_a_sphere(sphere, view):
    shot = sphere.shot(view)
    # Half a pixel all along the outline.
    assert silhouette_mm2(shot) == pytest.approx(np.pi * 100, abs=0.5 * shot.mm_per_pixel * 2 * np.pi * 10)
    assert silhouette_mm2(shot) == pytest.approx(np.pi * 100, rel=5e-3)


@pytest.mark.parametrize("view", [TOP, OBLIQUE, View("below", (0.48, -0.64, 0.6))])
def test_silhouette_of_a_box(box, view):
    x, y, z = np.abs(view.direction)
    shot = box.shot(view)
    expected = x * 40 * 20 + y * 60 * 20 + z * 60 * 40
    assert silhouette_mm2(shot) == pytest.approx(expected, abs=0.5 * shot.mm_per_pixel * 200)


def test_the_whole_part_is_framed(box):
    for view in (TOP, OBLIQUE):
        shot = box.shot(view)
        rows, columns = np.nonzero(shot.face >= 0)
        assert rows.min() > 5
        assert rows.max() < 240 - 6
        assert columns.min() > 5
        assert columns.max() < 320 - 6
        # Along one direction it fills the picture.
        assert np.ptp(rows) > 0.85 * 240 or np.ptp(columns) > 0.85 * 320
        assert (shot.rgb[0] == 255).all()
        assert (shot.rgb[:, 0] == 255).all()


def test_axes_are_right_handed_and_up_is_up():
    right, up, towards = OBLIQUE.axes
    assert np.cross(right, up) == pytest.approx(towards)
    assert towards == pytest.approx(-np.array(OBLIQUE.direction))
    assert up[2] > 0
    assert right[2] == pytest.approx(0)


def test_points_land_on_their_pixels(box):
    for view in (TOP, OBLIQUE, View("from below", (0.48, 0.36, 0.8))):
        shot = box.shot(view)
        seen = np.unique(shot.face[shot.face >= 0])
        centres = box.vertices[box.faces[seen]].mean(axis=1)
        pixels, visible = project(shot, centres, box.rays)
        assert visible.all()
        column, row = np.rint(pixels).astype(int).T
        assert (shot.face[row, column] == seen).all()
        # The depth there is the point's own distance from the plane in front.
        depth = (centres - shot.corner_mm) @ np.array(view.direction)
        slack = 2 * shot.mm_per_pixel
        assert shot.depth_mm[row, column] == pytest.approx(depth, abs=slack)


def test_one_step_is_one_pixel(box):
    shot = box.shot(TOP)
    steps = np.array([[0.0, 0, 20], [shot.mm_per_pixel, 0, 20], [0, shot.mm_per_pixel, 20]])
    pixels = shot.pixels(steps)
    assert pixels[1] - pixels[0] == pytest.approx((1, 0))
    assert pixels[2] - pixels[0] == pytest.approx((0, -1))


def test_hidden_points_are_reported_hidden(box):
    points = np.array([[5, -3, 20], [5, -3, 0], [5, -3, 10], [5, -3, 30], [500, 0, 20]], dtype=float)
    _, from_top = project(box.shot(TOP), points, box.rays)
    # Top face, underside, inside the material, in the air above, beside the picture.
    assert from_top.tolist() == [True, False, False, True, False]
    _, from_below = project(box.shot(View("below", (0.0, 0.0, 1.0), (0.0, 1.0, 0.0))), points[:3], box.rays)
    assert from_below.tolist() == [False, True, False]


def test_a_point_just_under_its_surface_counts_as_seen(box):
    _, visible = project(box.shot(TOP), np.array([[5.0, -3, 20 - 0.01], [5.0, -3, 19.0]]), box.rays)
    assert visible.tolist() == [True, False]


def test_highlight_shows_in_colour_and_hatch(box):
    top = box.facing((0, 0, 1))
    plain, marked = box.shot(OBLIQUE), box.shot(OBLIQUE, highlight={Verdict.FAILS: top})
    on_top = np.isin(plain.face, top)
    red, green, blue = np.moveaxis(marked.rgb.astype(int), -1, 0)
    coloured = (red - blue > 60) & (red > green)
    assert coloured[on_top].mean() > 0.95
    assert coloured[~on_top].mean() < 0.02
    # In grey the stripes remain: two tones on one flat face, one tone before.
    inner = ndimage.binary_erosion(on_top, iterations=5)
    spread = [np.std(picture.rgb.astype(float).mean(axis=-1)[inner]) for picture in (plain, marked)]
    assert spread[1] > 3 * spread[0]


def test_worst_highlight_wins(box):
    top = box.facing((0, 0, 1))
    fails = box.shot(TOP, highlight={Verdict.FAILS: top})
    both = box.shot(TOP, highlight={Verdict.MARGINAL: top, Verdict.MEETS: top, Verdict.FAILS: top})
    marginal = box.shot(TOP, highlight={Verdict.MARGINAL: top})
    assert (fails.rgb == both.rgb).all()
    assert (fails.rgb != marginal.rgb).any()


def test_outline_and_creases_are_drawn(box):
    shot = box.shot(OBLIQUE)
    inside = shot.face >= 0
    rim = inside & ~(np.roll(inside, 1, 0) & np.roll(inside, -1, 0) & np.roll(inside, 1, 1) & np.roll(inside, -1, 1))
    tone = shot.rgb.astype(float).mean(axis=-1)
    assert np.median(tone[rim]) < 90
    assert np.quantile(tone[ndimage.binary_erosion(inside, iterations=5)], 0.05) > 110
    # Two of the edges that meet at the near corner, each darker than both faces beside it.
    corner = np.array([35.0, -23.0, 20.0])
    for other in ((-25.0, -23.0, 20.0), (35.0, 17.0, 20.0)):
        ((column, row),) = np.rint(shot.pixels((corner + other)[None] / 2)).astype(int)
        across = tone[row - 6 : row + 7, column]
        assert across[4:9].min() < min(across[0], across[-1]) - 10


def test_a_flat_face_has_no_lines(box):
    tones = box.shot(TOP).rgb[60:180, 80:240].astype(int).reshape(-1, 3)
    assert np.ptp(tones, axis=0).max() <= 4


def test_pocket_is_darker_than_the_top(pocketed):
    shot = pocketed.shot(TOP)
    tone = shot.rgb.astype(float).mean(axis=-1)
    points = np.array([[0.0, 0, 5], [13.5, 8.5, 5], [25, 15, 20]])
    middle, corner, top = (tone[int(row), int(column)] for column, row in np.rint(shot.pixels(points)))
    assert corner < middle < top + 1
    assert corner < top - 15


def test_same_bytes_twice(pocketed):
    pictures = [pocketed.shot(OBLIQUE, highlight={Verdict.MARGINAL: np.arange(6)}) for _ in range(2)]
    assert pictures[0].rgb.tobytes() == pictures[1].rgb.tobytes()
    assert pictures[0].face.tobytes() == pictures[1].face.tobytes()


def test_closeup_frames_the_place(box):
    low, high = np.array([30.0, 10.0, 18.0]), np.array([34.0, 16.0, 20.0])
    near = closeup(OBLIQUE, (tuple(low), tuple(high)))
    shot = box.shot(near)
    pixels = shot.pixels(np.array([(low + high) / 2, low, high]))
    assert pixels[0] == pytest.approx((159.5, 119.5))
    # Four times the place would be 24 mm: the least context of 40 mm rules.
    corners = np.array([[x, y, z] for x in (30, 34) for y in (10, 16) for z in (18, 20)], dtype=float)
    across = np.ptp(shot.pixels(corners), axis=0) / (320, 240)
    assert 0.1 < across.max() < 6 * 1.5 / 40
    assert min(320, 240) * shot.mm_per_pixel >= 40
    assert shot.mm_per_pixel < box.shot(OBLIQUE).mm_per_pixel


def test_closeup_of_a_point_and_of_the_whole(box):
    point = box.shot(closeup(TOP, ((5.0, -3.0, 20.0), (5.0, -3.0, 20.0))))
    assert 240 * point.mm_per_pixel == pytest.approx(40 / 0.92, rel=1e-6)
    whole = box.shot(closeup(TOP, ((-25.0, -23.0, 0.0), (35.0, 17.0, 20.0))))
    assert whole.mm_per_pixel == box.shot(TOP).mm_per_pixel


def test_informative_views_of_block_and_plate(box):
    above, below = informative_views(box.vertices, box.faces, box.rays)
    assert above.direction[2] < 0 < below.direction[2]
    plate = Scene(trimesh.creation.box((100, 80, 3)))
    assert [view.name for view in informative_views(plate.vertices, plate.faces, plate.rays)][2] == "from the top"


def test_informative_views_show_what_matters(box):
    # One point on each wall, seen from no single corner; two opposite corners would show all.
    walls = np.array([[35.0, -3, 10], [-25, -3, 10], [5, 17, 10], [5, -23, 10], [5, -3, 0]])
    views = informative_views(box.vertices, box.faces, box.rays, walls)
    seen = np.array([project(box.shot(view), walls, box.rays)[1] for view in views])
    assert seen[0].sum() == 2
    assert seen.any(axis=0).all()


def test_best_view_looks_into_a_pocket(pocketed):
    floor = np.array([[0.0, 0.0, 5.0], [-14.0, -9.0, 5.0], [14.0, 9.0, 5.0], [-14.0, 9.0, 5.0], [14.0, -9.0, 5.0]])
    view = best_view(pocketed.vertices, pocketed.faces, pocketed.rays, floor)
    _, visible = project(pocketed.shot(view), floor, pocketed.rays)
    assert visible.all()
    under = np.array([[10.0, 5.0, 0.0]])
    assert best_view(pocketed.vertices, pocketed.faces, pocketed.rays, under).direction[2] > 0


def test_inside_of_an_open_mesh_is_another_grey():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=10)
    bowl = Scene(ball.slice_plane((0, 0, 0), (0, 0, -1)))
    full = Scene(ball)
    inside, outside = bowl.shot(TOP).rgb[120, 160].astype(int), full.shot(TOP).rgb[120, 160].astype(int)
    assert (inside < outside - 20).all()


def test_two_hundred_thousand_facets_in_time():
    mesh = trimesh.creation.uv_sphere(radius=40, count=(320, 320))
    mesh.vertices *= 1 + 0.05 * np.sin(0.5 * mesh.vertices[:, :1]) * np.sin(0.6 * mesh.vertices[:, 1:2])
    scene = Scene(mesh)
    start = time.process_time()
    shot = scene.shot(OBLIQUE, (800, 600))
    # Under 1 s of one core when the machine is free.
    assert time.process_time() - start < 3
    assert shot.rgb.shape == (600, 800, 3)


def test_real_parts_are_pictured(shared_parts):
    for name in ("just_leg_test.stl", "soup.stl", "wallhole.obj"):
        scene = Scene(trimesh.load(shared_parts / name, force="mesh"))
        for view in informative_views(scene.vertices, scene.faces, scene.rays):
            shot = scene.shot(view)
            assert 0.03 < (shot.face >= 0).mean() < 0.9
            assert np.isfinite(shot.depth_mm[shot.face >= 0]).all()
