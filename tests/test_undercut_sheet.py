"""Pictures of what a form of two halves does not reach: made where there are undercuts, telling how much they show."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import machine, material
from reviewkit.model import Setup
from reviewkit.submission import PartEntry, Submission
from reviewkit.undercut_sheet import undercut_shots
from reviewkit.workpiece import Workpiece

# The orange of what is wrong stands out by its red over its blue.
ORANGE = 100


def workpiece(mesh):
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", parts=(PartEntry("p", "p.stl"),))
    return Workpiece(submission, part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2))


def shots(mesh, facets):
    return undercut_shots(workpiece(mesh), SimpleNamespace(evidence={"hidden facets": np.array(facets)}))


def orange(rgb):
    return int((rgb[..., 0].astype(int) - rgb[..., 2] > ORANGE).sum())


def test_facets_outside_are_seen_and_coloured():
    found = shots(trimesh.creation.box((20, 20, 20)), range(12))
    assert sorted(found) == ["seen", "shot_0", "shot_1"]
    assert orange(found["shot_0"]) > 1000
    # Two views of a box show three of its six faces or more.
    assert 0.5 <= found["seen"][0] <= 1
    few = shots(trimesh.creation.box((20, 20, 20)), [0])
    assert 0 < orange(few["shot_0"]) < orange(found["shot_0"])


def test_a_hollow_inside_is_told_as_not_seen():
    outer, inner = trimesh.creation.box((20, 20, 20)), trimesh.creation.box((10, 10, 10))
    hollow = trimesh.boolean.difference([outer, inner])
    inside = np.flatnonzero(np.abs(hollow.triangles_center).max(axis=1) < 6)
    found = shots(hollow, inside)
    assert found["seen"] == pytest.approx(0)
    assert orange(found["shot_0"]) == 0


def test_without_undercuts_there_is_no_picture():
    made = workpiece(trimesh.creation.box((20, 20, 20)))
    assert undercut_shots(made, SimpleNamespace(evidence={})) == {}
    assert shots(trimesh.creation.box((20, 20, 20)), []) == {}
