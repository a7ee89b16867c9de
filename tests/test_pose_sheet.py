"""Pictures of poses: to one scale, standing on a plate with a grid of 10 mm."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.checks.printability.poses import poses
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup
from reviewkit.pose_sheet import pose_shots
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
SIDES = (60.0, 40.0, 15.0)


@pytest.fixture(scope="module")
def sheet():
    mesh = trimesh.creation.box(SIDES).apply_translation((300, -100, 7))
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    workpiece = Workpiece(Submission("T-1"), part, SETUP)
    (finding,) = poses(workpiece, load_limits())
    return finding, pose_shots(workpiece, finding)


def part_of(shot):
    """Pixels darker than paper and plate: the part with its edges."""
    return shot.astype(int).max(axis=2) < 200


def test_one_picture_a_pose_in_order(sheet):
    finding, shots = sheet
    assert list(shots) == [f"shot_{n}" for n in range(len(finding.evidence["rotations"]))]
    assert len({shot.shape for shot in shots.values()}) == 1
    assert all(shot.dtype == np.uint8 for shot in shots.values())


def test_all_are_to_one_scale(sheet):
    finding, shots = sheet
    # Seen from 32 degrees above, an upright edge of length h is h cos 32 long in every picture.
    highs = []
    for shot in shots.values():
        rows = np.flatnonzero(part_of(shot).any(axis=1))
        highs.append(np.ptp(rows))
    sides = [sorted({round(side) for side in SIDES} - {round(h)}) for h in finding.evidence["height_mm"]]
    spans = [
        h * np.cos(np.radians(32)) + np.sin(np.radians(32)) * (max(s) * a + min(s) * b)
        for h, s in zip(finding.evidence["height_mm"], sides, strict=True)
        for a, b in [(np.sin(np.radians(30)), np.cos(np.radians(30)))]
    ]
    scales = np.array(highs) / spans
    assert scales.max() / scales.min() == pytest.approx(1, abs=0.12)


def test_plate_lies_below_and_around_the_part(sheet):
    _, shots = sheet
    for shot in shots.values():
        grey = (np.abs(shot.astype(int) - (233, 233, 230)) <= 2).all(axis=2)
        assert grey.mean() > 0.005
        # The paper shows above the part, and the plate is below its highest row.
        assert (shot[0] == 255).all()
        assert np.flatnonzero(grey.any(axis=1)).min() > np.flatnonzero(part_of(shot).any(axis=1)).min()


def test_findings_without_poses_have_no_pictures():
    assert pose_shots(None, SimpleNamespace(evidence={})) == {}
    assert pose_shots(None, SimpleNamespace(evidence={"rotations": np.empty((0, 3, 3))})) == {}
