"""Copies of a workpiece, made once for all checks; poses compared on solids whose counts are known."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit import copies as module
from reviewkit.copies import copies_by_pose, copies_of, nested_copies, smaller_copies
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import IDENTITY, Matrix, Setup
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

# Plate 240 x 240, 5 mm kept free at its edges, 2 mm between copies: rows of the tables.
SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
LYING: Matrix = ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0))
LIMITS = load_limits()


def workpiece(mesh: trimesh.Trimesh, pose: Matrix = IDENTITY, setup: Setup = SETUP) -> Workpiece:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    return Workpiece(Submission("T-1"), part, replace(setup, pose=pose))


def rod(radius: float, height: float) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, height, sections=48)


def test_a_box_by_hand():
    """52 mm and 2 between: 4 x 54 - 2 = 214 of 230; five are 268."""
    found = copies_of(workpiece(trimesh.creation.box((52, 52, 20))), LIMITS)
    assert (found.count, found.margin_mm, found.gap_mm, found.plate_mm) == (16, 5.0, 2.0, (240.0, 240.0))
    assert found.use == pytest.approx(16 * 52**2 / 230**2)
    assert found.most == int(232**2 / 54**2) == 18
    assert found.layout.faults == ()


def test_asked_twice_it_is_made_once(monkeypatch):
    part = workpiece(trimesh.creation.box((53, 41, 20)))
    first = copies_of(part, LIMITS)
    monkeypatch.setattr(module, "packed", None)
    assert copies_of(workpiece(trimesh.creation.box((53, 41, 20))), LIMITS) is first


def test_the_machine_may_ask_for_more_margin():
    wide = replace(SETUP, machine=replace(SETUP.machine, edge_margin_mm=20.0))
    found = copies_of(workpiece(trimesh.creation.box((52, 52, 20)), setup=wide), LIMITS)
    assert found.margin_mm == 20.0 and found.count == 9


def test_a_tall_cylinder_takes_little_plate():
    """Standing, a disc of 20 mm on 230 mm; lying, a rectangle of 20 x 100: 10 x 2 copies."""
    standing, *others = copies_by_pose(workpiece(rod(10, 100)), LIMITS)
    assert standing.height_mm == pytest.approx(100) and standing.count >= 110 and standing.possible
    lying = [pose for pose in others if pose.height_mm == pytest.approx(20, abs=0.2)]
    assert len(lying) == 1 and lying[0].count >= 20
    assert lying[0].most <= int(232**2 / (22 * 102)) + 1
    laid_first = copies_by_pose(workpiece(rod(10, 100), LYING), LIMITS)
    assert laid_first[0].height_mm == pytest.approx(20, abs=0.2)
    assert max(pose.count for pose in laid_first[1:]) == standing.count


def test_poses_alike_count_once():
    """A cube lies in one way only, a bar with a square section in two."""
    assert len(copies_by_pose(workpiece(trimesh.creation.box((30, 30, 30))), LIMITS)) == 1
    bar = copies_by_pose(workpiece(trimesh.creation.box((20, 20, 60))), LIMITS)
    assert sorted(round(pose.height_mm) for pose in bar) == [20, 60]
    # (230 + 2) / 22 = 10 in a row, 100 standing; 10 x 3 lying, and what blocks of two ways add.
    assert {round(pose.height_mm): pose.count for pose in bar}[60] == 100
    assert {round(pose.height_mm): pose.count for pose in bar}[20] >= 30


def test_how_much_smaller_for_one_more():
    """Two of 120 need 242 of 230: at 94 % 227.6, and four fit.

    Five squares need a side of 2 + 1/sqrt(2) (F. Goebel 1979, from memory): 83.7 mm or 76 % of 110.
    """
    assert smaller_copies(workpiece(trimesh.creation.box((120, 120, 20))), LIMITS) == (pytest.approx(0.94), 4)
    assert smaller_copies(workpiece(trimesh.creation.box((110, 110, 20))), LIMITS) is None
    assert smaller_copies(workpiece(trimesh.creation.box((220, 220, 20))), LIMITS) is None


def test_a_part_that_does_not_fit_has_none():
    found = copies_of(workpiece(trimesh.creation.box((300, 235, 20))), LIMITS)
    assert (found.count, found.most, found.use) == (0, 0, 0.0)
    assert smaller_copies(workpiece(trimesh.creation.box((250, 235, 20))), LIMITS) == (pytest.approx(0.92), 1)


def test_nesting_is_asked_for_what_the_layout_does_not_hold(tmp_path, monkeypatch):
    seen = {}

    def nested(layout, most, **told):
        seen.update(told, count=layout.count, most=most)

    monkeypatch.setattr(module, "nested", nested)
    nested_copies(workpiece(trimesh.creation.box((52, 52, 20))), LIMITS, str(tmp_path))
    assert seen == {
        "count": 16, "most": 18, "simplify_mm": 0.1, "time_s": 30.0, "step_s": 5.0, "store": str(tmp_path)
    }  # fmt: skip
