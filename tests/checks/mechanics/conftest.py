"""A parallel-leaf stage drawn as a mesh, small and with coarse settings, so that it is worked out in seconds."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import Finding, Setup, Verdict
from reviewkit.submission import (
    Box,
    Motion,
    MotionKind,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
    Use,
)
from reviewkit.workpiece import Workpiece

LENGTH, WIDTH, DEPTH = 30.0, 0.8, 8.0
COARSE = {"plane-size": "1.5", "plane-steps": "2", "plane-look-ahead": "1"}


def coarse(**more: str) -> Limits:
    """The tables with a coarse plane model and with other values by id."""
    limits = load_limits()
    changed = COARSE | {name.replace("_", "-"): value for name, value in more.items()}
    rows = {key: {**row, "value": changed.get(key, row["value"])} for key, row in limits.rows.items()}
    return Limits(rows, f"{limits.sha256} {sorted(changed.items())}")


class Stage:
    """Two blocks and the leaves between them, lying on the plate or standing on it."""

    def __init__(self) -> None:
        self.limits = coarse()

    def mesh(self, width_mm: float = WIDTH, places: tuple[float, ...] = (-12.0, 12.0)) -> trimesh.Trimesh:
        """Base below, moving block above, leaves along y."""
        half = max(places) + 6.0
        boxes = [((-half, -10.0, 0.0), (half, 0.0, DEPTH)), ((-half, LENGTH, 0.0), (half, LENGTH + 10.0, DEPTH))]
        boxes += [((x - width_mm / 2, -1.0, 0.0), (x + width_mm / 2, LENGTH + 1.0, DEPTH)) for x in places]
        return trimesh.boolean.union([trimesh.creation.box(bounds=np.array(box)) for box in boxes])

    def workpiece(
        self,
        mesh: trimesh.Trimesh | None = None,
        *,
        stroke_mm: float = 3.0,
        direction: tuple[float, float, float] = (1.0, 0.0, 0.0),
        held: bool = False,
        cycles: int | None = 10000,
        asked: tuple[float, float, float] | None = None,
        life: float | None = None,
        regions: tuple[Region, ...] | None = None,
        moves: bool = True,
        upright: bool = False,
        of: str = "petg",
    ) -> Workpiece:
        """The stage as submitted; `asked` is nominal and both deviations of the force [N]."""
        drawn = self.mesh() if mesh is None else mesh
        part = SimpleNamespace(
            id="p", mesh=drawn, vertices=np.array(drawn.vertices), faces=np.array(drawn.faces, dtype=np.int64)
        )
        if regions is None:
            regions = (
                Region("base", "p", RegionKind.FIXED, Box((-30.0, -11.0, -1.0), (30.0, 0.0, DEPTH + 1))),
                Region("block", "p", RegionKind.MOVING, Box((-30.0, LENGTH, -1.0), (30.0, LENGTH + 11.0, DEPTH + 1))),
            )
        motions = (Motion("block", MotionKind.TRANSLATION, direction, (0.0, stroke_mm), held=held),) if moves else ()
        requirements: tuple[Requirement, ...] = ()
        if asked is not None:
            requirements += (Requirement("R1", RequirementKind.FORCE, *asked, unit="N", part="p", region="block"),)
        if life is not None:
            requirements += (Requirement("R2", RequirementKind.LIFE, life, unit="strokes", part="p"),)
        submission = Submission(
            "T-1", regions=regions, motions=motions, requirements=requirements, use=Use(cycles=cycles)
        )
        setup = Setup(machine("standard-240"), material(of), 0.2, 0.4, 0.2)
        if upright:
            # Leaves stand on the layers, and bend them apart.
            setup = replace(setup, pose=((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0)))
        return Workpiece(submission, part, setup)

    def judged(self, check: Callable[..., list[Finding]], workpiece: Workpiece, **more: str) -> dict[str, Finding]:
        """Findings by subject; what holds of each is held here."""
        findings = check(workpiece, coarse(**more) if more else self.limits)
        assert findings[0].subject == "part"
        assert len({found.key for found in findings}) == len(findings)
        for found in findings:
            assert found.domain == "mechanics"
            assert found.message.endswith(".") and "{" not in found.message + found.change
            assert bool(found.change) == (found.verdict is not Verdict.MEETS)
            for place in found.where:
                if place.faces:
                    assert found.evidence[place.faces].max() < len(workpiece.faces)
                low, high = np.array(place.box_mm)
                assert (low - 0.01 <= place.point_mm).all() and (place.point_mm <= high + 0.01).all()
        return {found.subject: found for found in findings}


def measured(found: Finding) -> Mapping[str, float]:
    """Values by quantity."""
    return {measurement.quantity: measurement.value for measurement in found.measurements}


@pytest.fixture(scope="session")
def stage() -> Stage:
    """The stage; its analyses are kept for the whole run."""
    return Stage()


@pytest.fixture(scope="session")
def values() -> Callable[[Finding], Mapping[str, float]]:
    """Measurements of a finding by quantity."""
    return measured
