"""Irregular layouts of one outline, by a nesting library in a process of its own; counted only when stored.

The library stops on the clock, so two searches may differ.  What a search found is therefore
stored with its coordinates under a hash of outline, plate and gap, checked like any layout, and
from then on is the answer.  ``python -m reviewkit.measure.nesting`` is the child process.
"""

import contextlib
import hashlib
import importlib.util
import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from reviewkit.measure.packing import Layout, box_middle, fewer_corners, usable_mm
from reviewkit.model import Floats

LIBRARY = "spyrrow"
METHOD = "irregular nesting"
SCHEMA = "reviewkit-nesting/1"
_PACKAGE_ROOT = Path(__file__).resolve().parents[2]
_SEED = 1
_TURNS = 24
# The child needs a little to start and to end beside its own time [s].
_START_S = 10.0
_DIGITS = 6


@dataclass(frozen=True, eq=False)
class Nesting:
    """What is known of irregular layouts.

    Parameters
    ----------
    layout : Layout or None
        A stored layout that holds more copies than the repeatable one, without faults; none where no
        such is known.
    note : str
        How it came about, or why there is none, in words.
    """

    layout: Layout | None
    note: str

    @property
    def count(self) -> int:
        """Copies of the stored layout, 0 where there is none [-]."""
        return self.layout.count if self.layout is not None else 0


def nested(
    repeatable: Layout, most: int, *, simplify_mm: float, time_s: float, step_s: float, store: str | Path = ""
) -> Nesting:
    """A stored irregular layout with more copies than a repeatable one; searched for when none is stored.

    Parameters
    ----------
    repeatable : Layout
        Gives outline, plate, margin, gap and the number of copies to beat.
    most : int
        Number of copies that no layout exceeds [-].
    simplify_mm : float
        How far the outline may be grown to have fewer corners [mm].
    time_s, step_s : float
        Time allowed to the whole search, and to one number of copies [s].
    store : str or Path
        Folder of stored layouts, made when absent; the user's cache when empty.

    Returns
    -------
    Nesting
        Never raises for what the library, the child process or the folder does.
    """
    if repeatable.count >= most:
        return Nesting(None, "no layout can hold more than the repeatable one")
    file = _file(repeatable, store)
    known = _stored(file, repeatable)
    if known is not None:
        return known
    if importlib.util.find_spec(LIBRARY) is None:
        return Nesting(None, f"irregular nesting was not tried: the optional library {LIBRARY} is not installed")
    places = _searched(repeatable, most, simplify_mm, time_s, step_s)
    if places is None:
        return Nesting(None, "irregular nesting was tried and stopped without an answer")
    if not _keep(file, repeatable, places, time_s):
        return Nesting(None, "irregular nesting was tried, but its layout could not be stored and does not count")
    return _stored(file, repeatable) or Nesting(None, "the stored layout could not be read back and does not count")


def layout_key(layout: Layout) -> str:
    """Hash of what an irregular layout is asked for: outline, plate, margin and gap, to a ten-thousandth of a mm.

    Parameters
    ----------
    layout : Layout
        Its own places do not count.
    """
    at_origin = shapely.normalize(affinity.translate(layout.outline, *-box_middle(layout.outline)))
    rings = [
        np.round(shapely.get_coordinates(ring), 4).tolist() for ring in shapely.get_rings(shapely.get_parts(at_origin))
    ]
    numbers = [round(float(x), 4) + 0.0 for x in (*layout.plate_mm, layout.margin_mm, layout.gap_mm)]
    asked = json.dumps([SCHEMA, rings, numbers]).replace("-0.0,", "0.0,").replace("-0.0]", "0.0]")
    return hashlib.sha256(asked.encode()).hexdigest()


def _file(layout: Layout, store: str | Path) -> Path | None:
    """Where the layout is stored, none where there is no such place."""
    if str(store):
        return Path(store) / f"{layout_key(layout)}.json"
    home = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME")
    try:
        folder = Path(home) if home else Path.home() / ".cache"
    except RuntimeError:
        return None
    return folder / "reviewkit" / "nesting" / f"{layout_key(layout)}.json"


def _stored(file: Path | None, repeatable: Layout) -> Nesting | None:
    """What a file says, checked anew; nothing where it cannot be read or does not hold."""
    try:
        held = json.loads(file.read_text(encoding="utf-8")) if file is not None else {}
        if held.get("schema") != SCHEMA:
            return None
        places = np.array(held["places"], dtype=float).reshape(-1, 3)
        searched_s = float(held["time_s"])
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None
    layout = replace(repeatable, places=places, method=METHOD)
    if not np.isfinite(places).all() or layout.faults:
        return None
    if layout.count <= repeatable.count:
        return Nesting(None, f"irregular nesting found no layout with more copies in {searched_s:g} s")
    return Nesting(layout, f"found by irregular nesting in {searched_s:g} s, stored and checked")


def _keep(file: Path | None, repeatable: Layout, places: Floats, time_s: float) -> bool:
    """Store places whole or not at all."""
    if file is None or replace(repeatable, places=places, method=METHOD).faults:
        return False
    held = {"schema": SCHEMA, "time_s": time_s, "count": len(places), "places": places.tolist()}
    passing = file.with_name(f"{file.name}.{os.getpid()}.tmp")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        passing.write_text(json.dumps(held), encoding="utf-8")
        passing.replace(file)
    except OSError:
        with contextlib.suppress(OSError):
            passing.unlink(missing_ok=True)
        return False
    return True


def _searched(repeatable: Layout, most: int, simplify_mm: float, time_s: float, step_s: float) -> Floats | None:
    """Places of the fullest layout that the child found, empty where it found none better, none where it failed."""
    pieces = shapely.get_parts(repeatable.outline)
    single = repeatable.outline if len(pieces) == 1 else repeatable.outline.convex_hull
    middle = box_middle(repeatable.outline)
    outline = fewer_corners(affinity.translate(single, *-middle), simplify_mm)
    outline = outline if outline.geom_type == "Polygon" else outline.convex_hull
    width_mm, depth_mm = usable_mm(repeatable.plate_mm, repeatable.margin_mm)
    request = {
        "library": LIBRARY,
        "points": shapely.get_coordinates(outline.exterior)[:-1].tolist(),
        "width_mm": width_mm + 2 * repeatable.gap_mm,
        "depth_mm": depth_mm + 2 * repeatable.gap_mm,
        "gap_mm": repeatable.gap_mm,
        "first": repeatable.count + 1,
        "most": most,
        "time_s": time_s,
        "step_s": step_s,
    }
    paths = [str(_PACKAGE_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "reviewkit.measure.nesting"],
            input=json.dumps(request).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=time_s + step_s + _START_S,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            check=False,
        )
        said, failed = done.stdout, done.returncode != 0
    except subprocess.TimeoutExpired as late:
        said, failed = late.stdout or b"", True
    except OSError:
        return None
    found = _read_places(said)
    if found is None:
        return None if failed else np.empty((0, 3))
    # The library keeps the gap from the edges of its strip too.
    inwards_mm = repeatable.margin_mm - repeatable.gap_mm
    return np.asarray(np.round(found + np.array([inwards_mm, inwards_mm, 0.0]), _DIGITS))


def _read_places(said: bytes) -> Floats | None:
    """The last whole line of places that a child wrote."""
    found = None
    for line in said.split(b"\n")[:-1]:
        try:
            places = np.array(json.loads(line)["places"], dtype=float).reshape(-1, 3)
        except (ValueError, TypeError, KeyError):
            continue
        found = places if np.isfinite(places).all() else found
    return found


def _work(request: Mapping[str, Any], library: Any, clock: Any, tell: Any) -> None:
    """Ask for one copy more as long as that fits and time is left; tell each layout at once."""
    end = clock() + request["time_s"]
    for count in range(request["first"], request["most"] + 1):
        if clock() + request["step_s"] > end:
            return
        turns = [360 * turn / _TURNS for turn in range(_TURNS)]
        item = library.Item("copy", [tuple(point) for point in request["points"]], count, turns)
        strip = library.StripPackingInstance("plate", request["depth_mm"], [item])
        config = library.StripPackingConfig(
            total_computation_time=max(1, round(request["step_s"])),
            seed=_SEED,
            num_workers=1,
            min_items_separation=request["gap_mm"] or None,
        )
        solved = strip.solve(config)
        if solved.width > request["width_mm"]:
            return
        tell({"places": [[*placed.translation, placed.rotation] for placed in solved.placed_items]})


def main() -> int:
    """Serve one request from standard input; each layout found goes to standard output as one line.

    Returns
    -------
    int
        0 when the search came to its end, 1 when it could not.
    """
    request = json.load(sys.stdin)
    # What the library prints goes to standard error, so that only layouts are said here.
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)

    def tell(found: Mapping[str, Any]) -> None:
        answer.write(json.dumps(found) + "\n")
        answer.flush()

    with answer:
        _work(request, importlib.import_module(request["library"]), time.monotonic, tell)
    return 0


if __name__ == "__main__":
    sys.exit(main())
