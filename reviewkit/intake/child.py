"""The child process: one mesh file in, ``mesh.npz`` out (``python -m reviewkit.intake.child``)."""

import hashlib
import json
import os
import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from reviewkit.errors import MeshError
from reviewkit.intake.files import read_mesh
from reviewkit.intake.health import examine
from reviewkit.intake.mending import mend
from reviewkit.intake.raw import UNIT_WORDS, Caps, one_line
from reviewkit.intake.units import settle_units

REFUSED = 3


def _work(request: Mapping[str, Any]) -> None:
    """Read and mend the file of a request; leave ``mesh.npz`` in the folder at hand."""
    data = Path(request["path"]).read_bytes()
    numbers = request["numbers"]
    raw = read_mesh(data, request["suffix"], Caps(request["facets"], request["unpacked_bytes"]), numbers)
    units = settle_units(raw, request["units"], numbers)
    extents = np.ptp(raw.vertices, axis=0)
    if not extents.max() > 0:
        raise MeshError("has no size: all its points lie in one place; export the body itself and send it again")
    factor_mm = request["mm_per_unit"][units.unit]
    longest_mm = float(extents.max()) * factor_mm
    if longest_mm > request["largest_mm"]:
        raise MeshError(
            f"is {longest_mm:.3g} mm long when read in {UNIT_WORDS[units.unit]}; at most {request['largest_mm']:g} mm "
            "is reviewed; check the file and its units"
        )
    mended = mend(raw, factor_mm, numbers)
    facts = {
        "sha256": hashlib.sha256(data).hexdigest(),
        "units": asdict(units),
        "extents": extents.tolist(),
        "health": asdict(examine(raw, mended)),
    }
    words = np.frombuffer(json.dumps(facts).encode(), np.uint8)
    np.savez("mesh.npz", vertices=mended.vertices, faces=mended.faces, facts=words)


def _bound_memory(headroom_bytes: int) -> None:
    """Limit the address space to what is in use and some headroom, where the system can."""
    try:
        import resource
    except ImportError:
        return
    try:
        in_use = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError):
        in_use = 0
    try:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (in_use + headroom_bytes, resource.RLIM_INFINITY))
    except (OSError, ValueError):
        return


def main() -> int:
    """Serve one request from standard input; a refusal goes to standard output as one line.

    Returns
    -------
    int
        0 when ``mesh.npz`` was written, 3 when the file is refused.
    """
    request = json.load(sys.stdin)
    # What libraries print goes to standard error, so that only the refusal is said here.
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    _bound_memory(request["memory_bytes"])
    try:
        _work(request)
    except MeshError as error:
        refusal = str(error)
    except MemoryError:
        refusal = f"needs more than {request['memory_bytes'] / 2**30:.3g} GiB to read; export it coarser"
    except Exception as error:
        refusal = f"cannot be worked through ({type(error).__name__}: {one_line(error)}); export it again"
    else:
        return 0
    with answer:
        json.dump({"refusal": one_line(refusal, 400)}, answer)
    return REFUSED


if __name__ == "__main__":
    sys.exit(main())
