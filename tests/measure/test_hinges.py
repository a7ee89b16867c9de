"""Pins in holes and how far they turn: a pin, its arm and a stop drawn by numbers, angles by trigonometry."""

import numpy as np
import pytest
import trimesh

from reviewkit.measure.hinges import free_turns, hinges
from reviewkit.measure.holes import flats, rounds

PIN_MM, HOLE_MM = 8.0, 8.6


def drawn(shift_mm: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Corners, facets and body of each facet: 0 the arm with its pin, 1 the block with its hole and a stop."""
    pin = trimesh.creation.cylinder(PIN_MM / 2, 20, sections=96)
    pin.apply_translation([shift_mm, 0, 0])
    arm = trimesh.creation.box(bounds=[(0, -2, 6), (20, 2, 10)])
    mover = trimesh.boolean.union([pin, arm])
    block = trimesh.creation.box(bounds=[(-10, -10, -10), (10, 10, 5)])
    stop = trimesh.creation.box(bounds=[(12, 10, -10), (16, 14, 10)])
    foot = trimesh.creation.box(bounds=[(0, 5, -10), (16, 14, -6)])
    bore = trimesh.creation.cylinder(HOLE_MM / 2, 40, sections=96)
    rest = trimesh.boolean.difference([trimesh.boolean.union([block, foot, stop]), bore])
    both = trimesh.util.concatenate([mover, rest])
    return (
        both.vertices.view(np.ndarray),
        both.faces.view(np.ndarray),
        np.repeat([0, 1], [len(mover.faces), len(rest.faces)]),
    )


def found(shift_mm: float = 0.0, play: float = 0.2):
    vertices, faces, bodies = drawn(shift_mm)
    return hinges(tuple(rounds(flats(vertices, faces))), bodies, play, 300.0)


def test_a_pin_in_a_hole_of_another_body_is_a_hinge():
    (hinge,) = found()
    assert (hinge.pin_body, hinge.hole_body) == (0, 1)
    assert abs(hinge.axis[2]) == pytest.approx(1.0)
    assert hinge.play_mm == pytest.approx(HOLE_MM - PIN_MM, abs=0.01)
    assert hinge.point_mm[:2] == pytest.approx((0, 0), abs=1e-3)


def test_too_much_play_or_a_pin_beside_its_hole_is_none():
    assert found(play=0.05) == ()
    assert found(shift_mm=1.5) == ()


def test_a_pin_of_the_same_body_is_none():
    vertices, faces, bodies = drawn()
    assert hinges(tuple(rounds(flats(vertices, faces))), np.zeros_like(bodies), 0.2, 300.0) == ()


def test_it_turns_until_its_arm_meets_the_stop():
    vertices, faces, bodies = drawn()
    (hinge,) = hinges(tuple(rounds(flats(vertices, faces))), bodies, 0.2, 300.0)
    turns = free_turns(vertices, faces[bodies == 0], faces[bodies == 1], hinge)
    # The side of the arm, 2 mm off the axis, comes to the stop's corner at 16, 10; told in steps of 5 degrees.
    met = np.degrees(np.arctan2(10, 16) - np.arcsin(2 / np.hypot(16, 10)))
    towards = turns[1] if hinge.axis[2] > 0 else turns[0]
    assert towards == 5 * np.floor(met / 5) == 25
    assert max(turns) == 180
