"""What checks share: findings with their keys, words for numbers, places on the plate."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from shapely import MultiPolygon, Polygon, box

from reviewkit.judging import (
    WHOLE,
    at_words,
    bound_words,
    finding,
    mm_words,
    not_checked,
    percent_words,
    plate_places,
    ring_points,
    too_open,
    vector,
)
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Limit, Matrix, Sense, Setup, Severity, Source, Status, Verdict
from reviewkit.submission import Box, Region, RegionKind, Submission
from reviewkit.workpiece import Workpiece

ON_ITS_SIDE: Matrix = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))


def piece(pose: Matrix = IDENTITY) -> Workpiece:
    mesh = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 10)])
    part = SimpleNamespace(id="clip", mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces))
    arm = Region("arm", "clip", RegionKind.MOVING, Box((0, 0, 0), (5, 5, 5)))
    setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2, pose)
    return Workpiece(Submission("T-1", regions=(arm,)), part, setup)


def test_a_finding_is_keyed_by_code_part_and_subject():
    evidence = {"a": np.zeros(1)}
    made = finding(piece(), "PR-04", "printability", "leaf-1", Verdict.FAILS, "Thin.", "Thicken.", evidence=evidence)
    assert made.key == "PR-04:clip:leaf-1"
    assert (made.part, made.severity) == ("clip", Severity.YIELD)
    assert made.evidence == evidence
    evidence["b"] = np.zeros(1)
    assert "b" not in made.evidence


def test_what_was_not_checked_says_why_and_what_to_do():
    made = not_checked(piece(), "PR-03", "printability", "The first layer was", "the part has no layers")
    assert made.key == f"PR-03:clip:{WHOLE}"
    assert made.verdict is Verdict.NOT_CHECKED
    assert made.message == "The first layer was not checked: the part has no layers."
    assert made.change


# --- words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value_mm", "words"), [(0.4, "0.4 mm"), (0.6666, "0.667 mm"), (12.34, "12.3 mm"), (1234.5, "1234 mm")]
)
def test_lengths(value_mm, words):
    assert mm_words(value_mm) == words


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (1e-6, "less than 0.1 %"),
        (0.001, "0.1 %"),
        (0.0456, "4.6 %"),
        (0.1, "10 %"),
        (0.567, "57 %"),
        (1.0, "100 %"),
    ],
)
def test_shares(share, words):
    assert percent_words(share) == words


def test_bounds_with_what_they_were_given_in():
    source = Source("", Status.PRACTICE)
    assert (
        bound_words(Limit("i", "q", 0.8, "mm", Sense.MIN, source, stated="2 line widths")) == "0.8 mm (2 line widths)"
    )
    assert bound_words(Limit("i", "q", 5, "mm", Sense.MIN, source)) == "5 mm"


@pytest.mark.parametrize("pose", [IDENTITY, ON_ITS_SIDE])
def test_where_a_point_of_the_part_is(pose):
    assert at_words(piece(pose), np.array([1.0, 2.0, 3.0])) == "in arm"
    assert at_words(piece(pose), np.array([12.4, 6.0, 9.6])) == "at x 12, y 6, z 10 mm"


def test_vectors_are_plain_numbers():
    made = vector(np.array([1, 2.5, -3], dtype=np.float32))
    assert made == (1.0, 2.5, -3.0)
    assert {type(value) for value in made} == {float}


# --- places ----------------------------------------------------------------------------------


@pytest.mark.parametrize("pose", [IDENTITY, ON_ITS_SIDE])
def test_places_lie_on_the_plate_and_look_down(pose):
    workpiece = piece(pose)
    points = np.array([[3.0, 4.0], [20.0, -5.0]])
    around = np.array([[1.0, 2.0, 5.0, 6.0], [19.0, -7.0, 21.0, -3.0]])
    for places in (plate_places(workpiece, points), plate_places(workpiece, points, around)):
        on_plate = workpiece.to_plate(np.array([place.point_mm for place in places]))
        np.testing.assert_allclose(on_plate, np.column_stack([points, [0, 0]]), atol=1e-9)
        down = np.array([place.normal for place in places]) @ np.array(pose).T
        np.testing.assert_allclose(down, [[0, 0, -1]] * 2, atol=1e-12)
    for place, (x0, y0, x1, y1) in zip(places, around, strict=True):
        low, high = np.array(place.box_mm)
        assert (low <= high).all()
        corners = np.sort(workpiece.to_plate(np.array([low, high])), axis=0)
        np.testing.assert_allclose(corners, [[x0, y0, 0], [x1, y1, 0]], atol=1e-9)


def test_no_points_are_no_places():
    assert plate_places(piece(), np.empty((0, 2))) == ()


# --- layers that are too open ----------------------------------------------------------------


@pytest.mark.parametrize(("open_mm", "told"), [(0.0, False), (1.99, False), (2.01, True), (150.0, True)])
def test_two_per_cent_of_an_outline_may_be_missing(open_mm, told):
    """Common practice, written out again; the share is of all layers together."""
    words = too_open(piece(), load_limits(), np.array([open_mm, 0.0]), np.array([60.0, 40.0]))
    assert bool(words) is told
    assert "101" not in words and "150" not in words


def test_no_outline_at_all_is_not_open():
    assert too_open(piece(), load_limits(), np.zeros(0), np.zeros(0)) == ""


# --- outlines for drawing --------------------------------------------------------------------


def test_rings_are_closed_parted_and_turn_by_their_kind():
    plate = box(0, 0, 10, 10) - box(2, 2, 4, 4)
    points = ring_points(MultiPolygon([plate, box(20, 0, 25, 5)]))
    parted = np.flatnonzero(np.isnan(points).all(axis=1))
    rings = [ring[~np.isnan(ring[:, 0])] for ring in np.split(points, parted)]
    assert len(rings) == 3
    assert all((ring[0] == ring[-1]).all() for ring in rings)
    turns = [shapely.is_ccw(shapely.LinearRing(ring)) for ring in rings]
    assert turns == [True, False, True]
    assert sum(Polygon(ring).area * (1 if turn else -1) for ring, turn in zip(rings, turns, strict=True)) == 121
