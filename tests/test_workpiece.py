"""A part in its setup: frames, regions, and measures made once."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from reviewkit import workpiece
from reviewkit.limits import machine, material
from reviewkit.model import IDENTITY, Matrix, Setup
from reviewkit.submission import Box, Cylinder, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
SIDES = (30.0, 20.0, 10.0)


def made(
    mesh: trimesh.Trimesh | None = None,
    pose: Matrix = IDENTITY,
    id: str = "p",
    regions: tuple[Region, ...] = (),
    **setup,
) -> Workpiece:
    mesh = trimesh.creation.box(SIDES) if mesh is None else mesh
    part = SimpleNamespace(
        id=id, mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    return Workpiece(Submission("T-1", regions=regions), part, replace(SETUP, pose=pose, **setup))


@pytest.fixture(autouse=True)
def forgotten(monkeypatch):
    """Nothing is kept from other tests."""
    monkeypatch.setattr(workpiece, "_kept", type(workpiece._kept)())


# --- frames ----------------------------------------------------------------------------------


def pose_of(turns: tuple[float, ...]) -> Matrix:
    a, b, c = Rotation.from_euler("zxz", turns, degrees=True).as_matrix().tolist()
    return tuple(a), tuple(b), tuple(c)


POSES = st.tuples(*[st.floats(-180, 180)] * 3).map(pose_of)
POINTS = st.lists(st.tuples(*[st.floats(-500, 500)] * 3), min_size=1, max_size=5).map(np.array)


@given(POSES, POINTS)
def test_to_the_plate_and_back(pose, points):
    piece = made(trimesh.creation.box(SIDES).apply_translation((7, -90, 41)), pose)
    np.testing.assert_allclose(piece.to_part(piece.to_plate(points)), points, atol=1e-9)
    np.testing.assert_allclose(piece.to_plate(piece.to_part(points)), points, atol=1e-9)


@given(POSES, POINTS)
def test_directions_turn_as_points_do(pose, points):
    piece = made(pose=pose)
    ends = piece.to_plate(np.vstack([points, np.zeros((1, 3))]))
    np.testing.assert_allclose(piece.to_part_direction(ends[:-1] - ends[-1]), points, atol=1e-9)


@given(POSES)
def test_the_part_stands_on_the_plate_as_tall_as_it_is(pose):
    mesh = trimesh.creation.box(SIDES).apply_translation((7, -90, 41))
    piece = made(mesh, pose)
    assert piece.vertices[:, 2].min() == pytest.approx(0, abs=1e-9)
    # A box turned by R is as high as the sum of its sides, each by how far it rises.
    assert piece.height_mm == pytest.approx(np.abs(np.array(pose)[2]) @ SIDES, abs=1e-9)
    # It is dropped, never moved sideways.
    np.testing.assert_allclose(piece.vertices[:, :2], (mesh.vertices @ np.array(pose).T)[:, :2], atol=1e-9)


def test_a_part_on_its_side():
    piece = made(pose=ON_ITS_SIDE)
    assert piece.height_mm == pytest.approx(20)
    np.testing.assert_allclose(piece.to_plate(np.array([[15.0, -10.0, 5.0]])), [[15, -5, 0]], atol=1e-12)
    np.testing.assert_allclose(piece.to_part_direction(np.array([[0.0, 0.0, -1.0]])), [[0, -1, 0]], atol=1e-12)


# --- regions ---------------------------------------------------------------------------------


def region(name: str, volume: Box | Cylinder, part: str = "p") -> Region:
    return Region(name, part, RegionKind.KEEP, volume)


REGIONS = (
    region("all", Box((-15, -10, -5), (15, 10, 5))),
    region("rod", Cylinder((0, 0, -5), (0, 0, 5), 3)),
    region("others", Box((-99, -99, -99), (99, 99, 99)), part="q"),
)


@pytest.mark.parametrize(
    ("point", "name"), [((0, 0, 0), "rod"), ((2.9, 0, 4), "rod"), ((3.1, 0, 4), "all"), ((15.1, 0, 0), "")]
)
def test_the_later_region_of_the_own_part_holds_a_point(point, name):
    assert made(regions=REGIONS).region_at(np.array(point, dtype=float)) == name
    # Regions are in the part's frame, whatever the pose.
    assert made(regions=REGIONS, pose=ON_ITS_SIDE).region_at(point) == name


def test_regions_of_another_part_are_not_its_own():
    assert made(regions=REGIONS, id="q").region_at((0.0, 0.0, 0.0)) == "others"
    assert made(regions=REGIONS, id="r").region_at((0.0, 0.0, 0.0)) == ""


# --- measures --------------------------------------------------------------------------------


class Counted:
    """A measure that knows how often it was made."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> object:
        self.times += 1
        return object()


def test_a_measure_is_made_once_for_equal_shapes_in_equal_setups():
    measure = Counted()
    first = made().measured("m", measure, 1.5, "x")
    assert made().measured("m", measure, 1.5, "x") is first
    assert made(id="other name", regions=REGIONS).measured("m", measure, 1.5, "x") is first
    assert measure.times == 1


@pytest.mark.parametrize(
    "other",
    [
        lambda: made(pose=ON_ITS_SIDE),
        lambda: made(layer_height_mm=0.3),
        lambda: made(material=material("pla")),
        lambda: made(machine=machine("large-330")),
        lambda: made(trimesh.creation.box((30.0, 20.0, 10.000001))),
        lambda: made(trimesh.Trimesh(trimesh.creation.box(SIDES).vertices, trimesh.creation.box(SIDES).faces[::-1])),
    ],
)
def test_another_shape_or_setup_is_measured_anew(other):
    measure = Counted()
    first = made().measured("m", measure)
    assert other().measured("m", measure) is not first
    assert measure.times == 2


def test_names_and_arguments_tell_measures_apart():
    measure, piece = Counted(), made()
    kept = {
        piece.measured("m", measure),
        piece.measured("n", measure),
        piece.measured("m", measure, 1),
        piece.measured("m", measure, 2),
    }
    assert len(kept) == measure.times == 4


def test_a_measure_of_nothing_is_kept_too():
    calls = []
    for _ in range(2):
        assert made().measured("none", lambda: calls.append(1)) is None
    assert calls == [1]


def test_a_measure_that_stops_is_not_kept():
    def stops() -> object:
        raise ZeroDivisionError

    piece = made()
    with pytest.raises(ZeroDivisionError):
        piece.measured("m", stops)
    assert piece.measured("m", lambda: 7) == 7


def test_what_was_asked_long_ago_is_forgotten_first():
    measure, piece = Counted(), made()
    for number in range(workpiece._KEPT_MEASURES):
        piece.measured("m", measure, number)
    piece.measured("m", measure, 0)
    piece.measured("m", measure, "one more")
    assert len(workpiece._kept) == workpiece._KEPT_MEASURES
    before = measure.times
    piece.measured("m", measure, 0)
    assert measure.times == before
    piece.measured("m", measure, 1)
    assert measure.times == before + 1


def test_shared_measures_are_the_same_object_and_in_the_plates_frame():
    one, two = made(pose=ON_ITS_SIDE), made(pose=ON_ITS_SIDE)
    assert one.rays is two.rays
    assert one.layers is two.layers
    assert one.walls is two.walls
    assert one.skins is two.skins
    assert one.layers.thickness_mm.sum() == pytest.approx(20)
    assert one.layers.area_mm2 == pytest.approx(300)
    distance, _ = one.rays.first_hit(np.array([[0.0, 0.0, 50.0]]), np.array([[0.0, 0.0, -1.0]]))
    assert distance[0] == pytest.approx(30, abs=1e-4)


def test_projected_area_in_closed_form():
    assert made().projected_area_mm2 == pytest.approx(600)
    assert made(pose=ON_ITS_SIDE).projected_area_mm2 == pytest.approx(300)
    # Turned by 30 degrees about x, the shadow of b x c is b cos + c sin wide; layers see it to half a layer.
    tilted = made(pose=pose_of((0.0, 30.0, 0.0)))
    width_mm = 20 * np.cos(np.pi / 6) + 10 * np.sin(np.pi / 6)
    assert tilted.projected_area_mm2 == pytest.approx(30 * width_mm, rel=0.02)
    assert tilted.projected_area_mm2 <= 30 * width_mm + 1e-6


@pytest.mark.parametrize(
    ("regions", "rigid"),
    [
        ((("all", RegionKind.FIXED, 20.0),), True),
        ((("all", RegionKind.FIXED, 20.0), ("seen", RegionKind.VISIBLE, 3.0)), True),
        ((("some", RegionKind.FIXED, 3.0),), False),
        ((("all", RegionKind.KEEP, 20.0),), False),
        ((("all", RegionKind.FIXED, 20.0), ("arm", RegionKind.MOVING, 3.0)), False),
        ((("all", RegionKind.FIXED, 20.0), ("leaf", RegionKind.FLEXURE, 3.0)), False),
        ((), False),
    ],
)
def test_one_fixed_region_round_the_part_says_that_nothing_moves(regions, rigid):
    part = SimpleNamespace(id="p", vertices=np.array(trimesh.creation.box((10.0, 10.0, 10.0)).vertices))
    made = tuple(Region(name, "p", kind, Box((-half,) * 3, (half,) * 3)) for name, kind, half in regions)
    assert Workpiece(Submission("T-1", regions=made), part, SETUP).said_to_be_rigid is rigid
