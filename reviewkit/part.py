"""Intake: a mesh file becomes a part, or is refused in one line.

The file is read in a child process with a time and a memory limit; units are settled, what
is safe is mended, and :class:`Health` says how the mesh stands.  A broken mesh that can be
partly reviewed is returned with ``health.sound`` false.
"""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from reviewkit.errors import MeshError
from reviewkit.intake.child import REFUSED
from reviewkit.intake.health import Health
from reviewkit.intake.raw import Faces, one_line
from reviewkit.limits import load_limits
from reviewkit.model import Floats, Origin, Vector
from reviewkit.submission import MM_PER_UNIT, normalised_units

__all__ = ["Health", "IntakeLimits", "Part", "read_part"]

_PACKAGE_ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class IntakeLimits:
    """Safety caps of the reader; they protect the computer and judge nothing.

    Parameters
    ----------
    time_s : float
        Longest that reading one file may take [s].
    memory_bytes : int
        Most memory of the reading process beyond its own start, where the system can limit it.
    file_bytes, unpacked_bytes : int
        Largest file, and largest content of a packed one.
    facets : int
        Most facets [-].
    largest_mm : float
        Longest part; beyond it numbers are damaged or in another unit [mm].
    """

    time_s: float = 120.0
    memory_bytes: int = 4 * 2**30
    file_bytes: int = 10**9
    unpacked_bytes: int = 2 * 10**9
    facets: int = 5_000_000
    largest_mm: float = 100_000.0


STANDARD_LIMITS = IntakeLimits()


@dataclass(frozen=True, eq=False)
class Part:
    """One submitted mesh with its units settled.

    Parameters
    ----------
    id, number, revision, name : str
        As the submission names it.
    file, sha256 : str
        Name of the file and hash of its bytes.
    units : str
        Unit applied: a key of :data:`reviewkit.submission.MM_PER_UNIT`.
    units_origin : Origin
        Confirmed when the file or the submission says so, assumed when inferred.
    units_note : str
        Where the unit comes from.
    units_in_file : str
        What the file itself says, empty where its format has no unit.
    units_alternatives : tuple
        Other likely units with the size they would give [mm].
    mesh : trimesh.Trimesh
        In the part's frame, arrays read-only, facets outward where closed [mm].
    bodies, declared_bodies : int
        Separate solids (and open pieces), and how many the submission announces [-].
    health : Health
    """

    id: str
    number: str
    revision: str
    name: str
    file: str
    sha256: str
    units: str
    units_origin: Origin
    units_note: str
    units_in_file: str
    units_alternatives: tuple[tuple[str, Vector], ...]
    mesh: trimesh.Trimesh
    bodies: int
    declared_bodies: int | None
    health: Health

    @cached_property
    def vertices(self) -> Floats:
        """Corner points, (n, 3) float, read-only [mm]."""
        return np.asarray(self.mesh.vertices).view(np.ndarray)

    @cached_property
    def faces(self) -> Faces:
        """Facets, (m, 3) int, read-only [-]."""
        return np.asarray(self.mesh.faces).view(np.ndarray)

    @cached_property
    def size_mm(self) -> Vector:
        """Sides of the box around the part in its own frame [mm]."""
        x_mm, y_mm, z_mm = np.ptp(self.vertices, axis=0).tolist()
        return x_mm, y_mm, z_mm

    @cached_property
    def volume_mm3(self) -> float:
        """Enclosed volume; of an open mesh, what its facets enclose with the middle of its box [mm3]."""
        middle = (self.vertices.min(axis=0) + self.vertices.max(axis=0)) / 2
        a, b, c = (self.vertices[self.faces[:, k]] - middle for k in range(3))
        return abs(float(np.einsum("ij,ij->", a, np.cross(b, c)))) / 6


def read_part(
    path: Path,
    *,
    id: str,
    number: str = "",
    revision: str = "",
    name: str = "",
    units: str = "",
    declared_bodies: int | None = None,
    limits: IntakeLimits = STANDARD_LIMITS,
) -> Part:
    """Read a mesh file: STL, OBJ, PLY, OFF, 3MF, AMF, GLB or glTF; STEP where its reader is installed.

    Parameters
    ----------
    path : Path
        The file.
    id, number, revision, name : str
        As the submission names the part.
    units : str
        Unit of the file, such as ``mm`` or ``inch``; wins over what the file says.
    declared_bodies : int, optional
        How many separate solids the submission announces [-].
    limits : IntakeLimits
        Safety caps of the reader.

    Returns
    -------
    Part

    Raises
    ------
    MeshError
        When the file is no mesh, is empty, has no finite size, or is beyond a cap.
    SubmissionError
        When `units` is no unit.
    """
    path = Path(path)
    vertices, faces, facts = _read_in_child(path, normalised_units(units), limits)
    settled = facts["units"]
    mesh = trimesh.Trimesh(vertices, faces, process=False, validate=False)
    for held in (mesh.vertices, mesh.faces):
        held.flags.writeable = False
    told: dict[str, Any] = {key: tuple(it) if isinstance(it, list) else it for key, it in facts["health"].items()}
    health = Health(**told)
    return Part(
        id=id,
        number=number,
        revision=revision,
        name=name,
        file=path.name,
        sha256=facts["sha256"],
        units=settled["unit"],
        units_origin=Origin(settled["origin"]),
        units_note=settled["note"],
        units_in_file=settled["in_file"],
        units_alternatives=tuple((unit, _size_mm(facts["extents"], unit)) for unit in settled["alternatives"]),
        mesh=mesh,
        bodies=health.bodies,
        declared_bodies=declared_bodies,
        health=health,
    )


def _read_in_child(path: Path, units: str, limits: IntakeLimits) -> tuple[Floats, Faces, dict[str, Any]]:
    """Points, facets and facts of a file, from a process that may die over it."""
    shown = one_line(path.name)
    try:
        length = path.stat().st_size
        readable = path.is_file() and os.access(path, os.R_OK)
    except (OSError, ValueError) as error:
        reason = error.strerror.lower() if isinstance(error, OSError) and error.strerror else "its path cannot be used"
        raise MeshError(f"{shown} cannot be opened ({reason}); check the path") from None
    if not readable:
        raise MeshError(f"{shown} is not a file that can be read; give the path of a mesh file")
    if not 0 < length <= limits.file_bytes:
        raise MeshError(f"{shown} has {length:,} bytes; 1 to {limits.file_bytes:,} are read; export it again")
    request = {
        "path": str(path.resolve()),
        "suffix": path.suffix,
        "units": units,
        "mm_per_unit": dict(MM_PER_UNIT),
        "facets": limits.facets,
        "unpacked_bytes": limits.unpacked_bytes,
        "memory_bytes": limits.memory_bytes,
        "largest_mm": limits.largest_mm,
        "numbers": {
            limit.quantity: limit.value for limit in load_limits().every() if limit.quantity.startswith("intake.")
        },
    }
    with tempfile.TemporaryDirectory(prefix="reviewkit-") as folder:
        try:
            done = subprocess.run(
                [sys.executable, "-P", "-m", "reviewkit.intake.child"],
                input=json.dumps(request),
                capture_output=True,
                encoding="utf-8",
                errors="replace",
                timeout=limits.time_s,
                cwd=folder,
                env=_child_environment(),
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise MeshError(f"{shown} took longer than {limits.time_s:g} s to read; export it coarser") from None
        if done.returncode == REFUSED:
            raise MeshError(f"{shown} {json.loads(done.stdout)['refusal']}")
        if done.returncode != 0:
            why = f"signal {-done.returncode}" if done.returncode < 0 else f"exit {done.returncode}"
            raise MeshError(f"{shown} stopped the process that reads it ({why}); the file is damaged or too large")
        with np.load(Path(folder, "mesh.npz"), allow_pickle=False) as held:
            facts: dict[str, Any] = json.loads(held["facts"].tobytes())
            return held["vertices"].astype(np.float64), held["faces"].astype(np.int64), facts


def _child_environment() -> dict[str, str]:
    """The environment with this package in reach and with few threads, whose stacks count as memory."""
    paths = [str(_PACKAGE_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    few = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    return {**os.environ, **few, "MALLOC_ARENA_MAX": "2", "PYTHONPATH": os.pathsep.join(paths)}


def _size_mm(extents: list[float], unit: str) -> Vector:
    x_mm, y_mm, z_mm = (extent * MM_PER_UNIT[unit] for extent in extents)
    return x_mm, y_mm, z_mm
