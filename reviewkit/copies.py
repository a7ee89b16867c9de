"""Copies of a workpiece on a plate, in its own pose and in others, made once for all checks of production."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity

from reviewkit.limits import Limits
from reviewkit.measure.nesting import Nesting, nested
from reviewkit.measure.packing import Layout, Packing, packed, shadow
from reviewkit.measure.pose import drop
from reviewkit.measure.poses import RankedPoses, ranked_poses
from reviewkit.model import Floats, Setup
from reviewkit.workpiece import Workpiece


@dataclass(frozen=True, eq=False)
class PlateCopies:
    """Copies of a part on one plate.

    Parameters
    ----------
    outline : shapely polygon or multi-polygon
        The part seen from above, holes filled [mm].
    packing : Packing
        The best repeatable layout and the bound on any layout.
    plate_mm : tuple of float
        Size of the plate [mm].
    margin_mm, gap_mm : float
        Room kept free at every edge, and between two copies [mm].
    """

    outline: shapely.Geometry
    packing: Packing
    plate_mm: tuple[float, float]
    margin_mm: float
    gap_mm: float

    @property
    def count(self) -> int:
        """At least so many fit, in a layout that repeats and was checked; 0 where none fits [-]."""
        return self.packing.count

    @property
    def most(self) -> int:
        """No layout of any kind holds more [-]."""
        return self.packing.most

    @property
    def use(self) -> float:
        """Share of the plate inside its margins that the copies cover [-]."""
        return self.layout.use

    @property
    def layout(self) -> Layout:
        """Where the copies stand."""
        return self.packing.layout


@dataclass(frozen=True, eq=False)
class PoseCopies:
    """Copies of a part laid down in one way.

    Parameters
    ----------
    up : (3,) float
        The part's own direction that points up [-].
    height_mm : float
        Height above the plate [mm].
    possible : bool
        Whether the part can be printed so.
    time_s : float
        Rough print time of one copy alone, for comparing poses [s].
    count, most : int
        At least so many fit, and no more than so many [-].
    use : float
        Share of the plate inside its margins that they cover [-].
    """

    up: Floats
    height_mm: float
    possible: bool
    time_s: float
    count: int
    most: int
    use: float


def copies_of(workpiece: Workpiece, limits: Limits) -> PlateCopies:
    """Copies of a part on one plate in the pose under review, for verdict, time and cost alike.

    Parameters
    ----------
    workpiece : Workpiece
        With an extent seen from above.
    limits : Limits
        Tables with the rows ``packing.*`` and ``plate.margin``.

    Returns
    -------
    PlateCopies

    Raises
    ------
    SetupError
        When the edge margin leaves nothing of the plate.
    ValueError
        When the part has no area seen from above.
    """
    turns = round(_value(limits, workpiece.setup, "turns"))
    return workpiece.measured(
        "copies",
        lambda: _on_plate(_shadow(workpiece, workpiece.vertices), workpiece.setup, limits, turns),
        limits.sha256,
    )


def smaller_copies(workpiece: Workpiece, limits: Limits) -> tuple[float, int] | None:
    """The largest scale of the part at which more copies are found than at its own size.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``packing.*`` and ``plate.margin``.

    Returns
    -------
    tuple of (float, int) or None
        Scale and copies; none where even the smallest scale looked at holds no more [-].
    """
    return workpiece.measured("copies made smaller", lambda: _smaller(workpiece, limits), limits.sha256)


def copies_by_pose(workpiece: Workpiece, limits: Limits) -> tuple[PoseCopies, ...]:
    """Copies for each way to lie that the part rests in by itself, the pose under review first.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``packing.*``, ``pose.*`` and ``plate.*``.

    Returns
    -------
    tuple of PoseCopies
        After the first, possible poses before others, best ranked first; poses that no measure tells
        apart count once.
    """
    return workpiece.measured(
        "copies by pose", lambda: tuple(_by_pose(workpiece, limits)), tuple(workpiece.regions), limits.sha256
    )


def nested_copies(workpiece: Workpiece, limits: Limits, store: str = "") -> Nesting:
    """An irregular layout of the part, stored and found again by outline, plate and gap.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``packing.*`` and ``plate.margin``.
    store : str
        Folder of stored layouts; the user's cache when empty.

    Returns
    -------
    Nesting
    """
    found, setup = copies_of(workpiece, limits), workpiece.setup
    return nested(
        found.layout,
        found.most,
        simplify_mm=_value(limits, setup, "simplify"),
        time_s=_value(limits, setup, "nesting_time"),
        step_s=_value(limits, setup, "nesting_step"),
        store=store,
    )


def _value(limits: Limits, setup: Setup, name: str) -> float:
    return limits.value(f"packing.{name}", setup).value


def _margin_mm(limits: Limits, setup: Setup) -> float:
    """Room at the plate edge: the machine's own where that is wider."""
    return max(setup.machine.edge_margin_mm, limits.band("plate.margin", setup).limits[0].value)


def _shadow(workpiece: Workpiece, vertices: Floats) -> shapely.Geometry:
    return shadow(vertices, workpiece.faces, workpiece.setup.first_layer_mm, workpiece.setup.layer_height_mm)


def _on_plate(outline: shapely.Geometry, setup: Setup, limits: Limits, turns: int) -> PlateCopies:
    margin_mm, gap_mm = _margin_mm(limits, setup), _value(limits, setup, "gap")
    packing = packed(outline, setup.plate_mm, margin_mm, gap_mm, _value(limits, setup, "simplify"), turns)
    return PlateCopies(outline, packing, setup.plate_mm, margin_mm, gap_mm)


def _smaller(workpiece: Workpiece, limits: Limits) -> tuple[float, int] | None:
    """By halving: what fits at a scale fits at every smaller one."""
    setup, found = workpiece.setup, copies_of(workpiece, limits)
    step, turns = _value(limits, setup, "scale_step"), round(_value(limits, setup, "few_turns"))
    scales = 1 - step * np.arange(1, round((1 - _value(limits, setup, "smallest")) / step) + 1)

    def at(scale: float) -> int:
        return _on_plate(affinity.scale(found.outline, scale, scale), setup, limits, turns).count

    enough, short = len(scales) - 1, -1
    count = at(float(scales[enough]))
    if count <= found.count:
        return None
    while enough - short > 1:
        middle = (enough + short) // 2
        if (there := at(float(scales[middle]))) > found.count:
            enough, count = middle, there
        else:
            short = middle
    return float(scales[enough]), count


def _by_pose(workpiece: Workpiece, limits: Limits) -> Iterator[PoseCopies]:
    part, setup, regions = workpiece.part, workpiece.setup, list(workpiece.regions)
    ranked: RankedPoses = workpiece.measured(
        "ranked poses",
        lambda: ranked_poses(part.vertices, part.faces, setup, limits, regions, setup.pose),
        tuple(regions),
        limits.sha256,
    )
    resting = ranked.order[ranked.resting[ranked.order] & (ranked.order != 0)]
    kinds = [
        group[0] for group in ranked.alike(resting) if not (ranked.alike(np.array([0, group[0]]))[0] == group[0]).any()
    ]
    turns = round(_value(limits, setup, "few_turns"))
    for pose in [0, *kinds[: round(_value(limits, setup, "poses"))]]:
        if pose == 0:
            found = copies_of(workpiece, limits)
        else:
            vertices, _ = drop(part.vertices, ranked.rotations[pose])
            found = _on_plate(_shadow(workpiece, vertices), setup, limits, turns)
        yield PoseCopies(
            up=ranked.rotations[pose][2],
            height_mm=float(ranked.height_mm[pose]),
            possible=bool(ranked.possible[pose]),
            time_s=float(ranked.time_s[pose]),
            count=found.count,
            most=found.most,
            use=found.use,
        )
