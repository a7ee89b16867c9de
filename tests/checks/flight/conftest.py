"""Darts drawn as meshes, and what holds of every finding on them."""

from collections.abc import Callable
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure
from shapely import Polygon

from reviewkit.figures import flight as drawings
from reviewkit.figures.style import STYLE
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import Finding, Floats, Setup, Verdict
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    PartEntry,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
    Zone,
)
from reviewkit.workpiece import Workpiece

LENGTH, RADIUS, SOLID = 66.0, 6.0, 24.0


class Darts:
    """Rods of 12 mm and 66 mm with half a ball for a nose, standing on their tails or on a flare."""

    def mesh(self, flare: float = 0.0) -> trimesh.Trimesh:
        """A dart on a flare of a radius [mm]."""
        turns = np.radians(np.linspace(0, 90, 25))
        nose = np.column_stack([RADIUS * np.cos(turns), LENGTH - RADIUS + RADIUS * np.sin(turns)])
        nose[-1, 0] = 0
        skirt = [(flare, 0.0), (flare, 1.0), (RADIUS, 1.0 + (flare - RADIUS) * np.sqrt(3))]
        tail = skirt if flare else [(RADIUS, 0.0)]
        return trimesh.creation.revolve(np.vstack([[(0, 0)], tail, nose]), sections=96)

    def finned(self, size: float, thickness: float, count: int = 4) -> trimesh.Trimesh:
        """A dart with fins whose tips are half as long as their roots, swept, flush with its tail [mm]."""
        corners = [(5.0, 0.0), (RADIUS + size, 0.0), (RADIUS + size, size / 2), (RADIUS, size), (5.0, size)]
        parts = [self.mesh()]
        for number in range(count):
            fin = trimesh.creation.extrude_polygon(Polygon(corners), thickness).apply_translation(
                (0, 0, -thickness / 2)
            )
            fin.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
            turn = 0.2 + 2 * np.pi * number / count
            parts.append(fin.apply_transform(trimesh.transformations.rotation_matrix(turn, (0, 0, 1))))
        return trimesh.boolean.union(parts)

    def graded(self, solid: float = SOLID, core_fill: float = 0.05) -> tuple[Zone, ...]:
        """A solid nose of a length [mm], and a light tail."""
        return (
            Zone("nose", "p", Box((-15, -15, LENGTH - solid), (15, 15, LENGTH + 1)), core_fill=1.0),
            Zone("tail", "p", Box((-15, -15, -1), (15, 15, LENGTH - solid)), core_fill=core_fill),
        )

    def workpiece(
        self,
        mesh: trimesh.Trimesh,
        zones: tuple[Zone, ...] = (),
        *,
        speed: float | None = 5.0,
        wanted: float | None = 3.0,
        kind: RegionKind = RegionKind.PROJECTILE,
        known: bool = True,
        turn: Floats | None = None,
    ) -> Workpiece:
        """A dart as submitted; drawn in another frame where it is turned, and printed standing all the same."""
        turn = np.eye(3) if turn is None else turn
        end = turn @ (0.0, 0.0, LENGTH)
        volume = Cylinder((0, 0, 0), tuple(end), 14.0) if known else Box((-14, -14, 0), (14, 14, LENGTH))
        region = Region("dart", "p", kind, volume)
        pull = Motion("dart", MotionKind.TRANSLATION, (0, 0, 1.0), (0.0, 9.0), speed_m_s=speed)
        asked = (Requirement("R1", RequirementKind.OTHER, wanted, unit="m", part="p"),) if wanted else ()
        submission = Submission(
            "T-1", parts=(PartEntry("p", "p.stl"),), regions=(region,), zones=zones, requirements=asked,
            motions=(pull,) if speed else (),
        )  # fmt: skip
        vertices = np.array(mesh.vertices) @ turn.T
        part = SimpleNamespace(
            id="p", mesh=trimesh.Trimesh(vertices, mesh.faces, process=False), vertices=vertices,
            faces=np.array(mesh.faces, dtype=np.int64),
        )  # fmt: skip
        pose = tuple(map(tuple, turn.T))
        return Workpiece(submission, part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2, pose=pose))

    def judged(
        self, check: Callable[[Workpiece, Limits], list[Finding]], workpiece: Workpiece, **changed: str
    ) -> Finding:
        """What a check says of the whole part, with other values of limits by id; what holds of each is held here."""
        findings = check(workpiece, changed_limits(**changed))
        assert findings[0].subject == "part"
        assert len({found.key for found in findings}) == len(findings)
        for found in findings:
            assert found.domain == "flight"
            assert found.message.endswith(".") and "{" not in found.message + found.change
            assert bool(found.change) == (found.verdict is not Verdict.MEETS)
            for place in found.where:
                assert (workpiece.part.vertices.min(axis=0) <= place.point_mm).all()
                assert (workpiece.part.vertices.max(axis=0) >= place.point_mm).all()
        whole = findings[0]
        for name in whole.figures:
            with mpl.rc_context(STYLE):
                title, caption, alt = getattr(drawings, name)(whole, Figure())
            assert title and caption.endswith(".") and alt.endswith(".")
            assert "nan" not in f"{caption} {alt}".split()
        return whole


def changed_limits(**changed: str) -> Limits:
    """The tables with other values by id."""
    limits = load_limits()
    if not changed:
        return limits
    by_id = {name.replace("_", "-"): value for name, value in changed.items()}
    assert set(by_id) <= set(limits.rows)
    rows = {key: {**row, "value": by_id.get(key, row["value"])} for key, row in limits.rows.items()}
    return Limits(rows, f"{limits.sha256} {sorted(changed.items())}")


@pytest.fixture(scope="session")
def darts() -> Darts:
    """Darts, and how they are judged."""
    return Darts()


@pytest.fixture(scope="session")
def values() -> Callable[[Finding], dict[str, float]]:
    """Measured values by quantity."""
    return lambda found: {measurement.quantity: measurement.value for measurement in found.measurements}
