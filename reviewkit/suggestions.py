"""What a bare mesh suggests of itself: what moves, what is held, what is launched, each with its reason.

A suggestion is a fact that the kit proposes and nobody confirmed.  Accepted ones become facts of
the submission, marked as suggested until a person confirms them.  What nothing speaks for is not
suggested.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from reviewkit import hands
from reviewkit.errors import SubmissionError
from reviewkit.judging import too_open
from reviewkit.limits import Limits
from reviewkit.measure.blocks import (
    block_box,
    corridor,
    flexure_box,
    free_way,
    mover_boxes,
    oriented_box,
    shifted,
    turned,
)
from reviewkit.measure.flexures import FlexureKind, Flexures, SectionPlane
from reviewkit.measure.gaps import facet_bodies
from reviewkit.measure.handhold import widest_finger_mm
from reviewkit.measure.hinges import Hinge, free_turns, hinges
from reviewkit.measure.holes import flats, rounds
from reviewkit.measure.mechanism import Mechanism, SoftMotion, mechanism
from reviewkit.measure.stretches import Stretch, stretches
from reviewkit.mechanics import flexures_of
from reviewkit.model import IDENTITY, Finding, Floats, Origin, Vector, Verdict
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    Region,
    RegionKind,
    Submission,
    parse_submission,
    region_contains,
    submission_toml,
)
from reviewkit.workpiece import Workpiece

# Which kinds of region the findings of a check stand on, by how its code begins; those of the others stand on the
# shape alone.
_MOVES = (RegionKind.FIXED, RegionKind.MOVING)
_RESTS_ON: Mapping[str, tuple[RegionKind, ...]] = {
    "SA-01": _MOVES,
    "SA-02": _MOVES,
    "SA-05": (RegionKind.PROJECTILE, *_MOVES),
    "ER-05": (RegionKind.OPENING, *_MOVES),
    "ER-06": (RegionKind.GRIP, *_MOVES),
    "ER": (RegionKind.GRIP,),
    "ME": (*_MOVES, RegionKind.GRIP, RegionKind.FLEXURE),
    "FL": (RegionKind.PROJECTILE, *_MOVES),
}
# What is launched is judged by what launches it, a part of its own.
_OF_ALL_PARTS = ("SA-05", "FL")
_LISTED = 3
# Percentiles of the smallest hands that a handle is looked for.
_SMALL, _MIDDLE = 5.0, 50.0
# A handle with so much room around it is free on all sides.
_ALL_ROUND = 0.95
# The hand lies ahead or behind when its cosine is larger.
_TOWARDS = 0.7
# Facets so near the plate touch it; boxes are so much larger than what they hold [mm].
_FLAT_MM, _SKIN_MM = 0.01, 0.05
_LEAST_BODY_MM3 = 1.0
# Steps in which contact is looked for.
_STEPS = 120
# A rim belongs to what lies this near [mm]; an opening is widened in such steps [mm].
_RIM_MM, _OPEN_STEP_MM = 1.0, 0.25
# A side of an opening is where so much of it is matter.
_BOUNDED = 0.25
_ALL_WAYS_DEG = 180.0
# A body is round when its corners lie within so much of its half width; its two sides are then alike.
_ROUND_WITHIN, _SQUARE = 1.02, 0.02
# A direction is an axis of the frame when one of its cosines is larger.
_SAME_WAY = 0.996
# Rotations written so are good to a third of a micrometre on the largest plate.
_COSINE_DIGITS = 9


class SuggestionKind(StrEnum):
    """What a suggestion is about."""

    POSE = "stands on the plate"
    RIGID = "nothing moves"
    HELD = "held"
    MOVING = "moves"
    FLEXURE = "bends"
    OPENING = "opening"
    GRIP = "grip"
    PROJECTILE = "launched"


class Sureness(StrEnum):
    """How sure a suggestion is."""

    SURE = "sure"
    LIKELY = "likely"
    GUESS = "a guess"


@dataclass(frozen=True, eq=False)
class Suggestion:
    """One proposed fact of a part, or facts that stand or fall together.

    Parameters
    ----------
    key : str
        Unique and stable for the same mesh, such as ``launcher:moves:mover-1``.
    kind : SuggestionKind
    part : str
        Id of the part that it is about.
    title : str
        A few words for a list, such as ``mover-1 moves``.
    reason : str
        Why, in whole sentences for a customer.
    sure : Sureness
    sure_from : str
        What it rests on, to follow "from": ``the shape alone``.
    region : Region or None
        Proposed region, in the part's frame.
    motion : Motion or None
        Proposed motion of that region.
    fields : tuple of (str, object)
        Other facts by dotted name as in :attr:`Submission.origins`, such as
        ``("part.float.launched_by", "launcher")`` or ``("part.clip.pose", matrix)``.
    needs : tuple of str
        Keys of suggestions without which this one makes no sense; accepted with it.
    faces : (n,) int
        Facets of the part that a picture shades [-].
    stops : str
        What ends the stroke of a motion: strain, contact or nothing that was found; empty for no motion.
    """

    key: str
    kind: SuggestionKind
    part: str
    title: str
    reason: str
    sure: Sureness
    sure_from: str
    region: Region | None = None
    motion: Motion | None = None
    fields: tuple[tuple[str, object], ...] = ()
    needs: tuple[str, ...] = ()
    faces: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    stops: str = ""


def suggestions(
    workpieces: Sequence[Workpiece], limits: Limits, progress: Callable[[str], None] = lambda _: None
) -> tuple[Suggestion, ...]:
    """What the meshes of a submission suggest, part by part, in the order in which to ask.

    Parameters
    ----------
    workpieces : sequence of Workpiece
        All parts of one submission; regions and motions that it declares are not suggested again.
    limits : Limits
        Tables with the rows ``suggest.*``, ``flexure.*``, ``plane.*``, ``mechanics.*`` and ``grip.*``.
    progress : callable
        Called with a few words as each step begins.

    Returns
    -------
    tuple of Suggestion
        Empty where nothing can be said.
    """
    several = len(workpieces) > 1
    looks = [_Look(workpiece, limits, f"{workpiece.part.id}-" if several else "") for workpiece in workpieces]
    for look in looks:
        progress(f"what moves in {look.part}")
        _ = look.moves
    launched = _launchers(looks)
    found: list[Suggestion] = []
    for look in looks:
        progress(f"suggestions for {look.part}")
        found += _suggested(look, launched.get(look.part, ""))
    return tuple(found)


def unless_confirmed(submission: Submission, finding: Finding) -> Finding:
    """The finding, told as a guess where it rests on what the kit suggested and nobody confirmed.

    Parameters
    ----------
    submission : Submission
    finding : Finding
        Of any check; one that fails on a suggestion becomes marginal.
    """
    words = _suggested_of(submission, finding.code, finding.part)
    if not words or finding.verdict is Verdict.NOT_CHECKED:
        return finding
    listed = ", ".join(words[:_LISTED]) + (f" and {len(words) - _LISTED} more" if len(words) > _LISTED else "")
    told = f"Nobody confirmed what the kit suggested: {listed}."
    verdict = Verdict.MARGINAL if finding.verdict is Verdict.FAILS else finding.verdict
    return replace(finding, verdict=verdict, guess=f"{finding.guess} {told}".strip())


def accepted(submission: Submission, chosen: Sequence[Suggestion], *, confirmed: bool = False) -> Submission:
    """The submission with suggestions taken into it as facts.

    Parameters
    ----------
    submission : Submission
    chosen : sequence of Suggestion
        Those that were accepted; changed ones by ``dataclasses.replace`` of their region or motion.
    confirmed : bool
        Whether a person confirmed them; else each fact is marked as suggested, with the reason as its note.

    Returns
    -------
    Submission
        Regions and motions it has already are kept, new ones of the same name are left out; fields that are
        stated already are left as they are.

    Raises
    ------
    SubmissionError
        When the facts contradict one another, such as two fixed regions in one part.
    """
    taken = submission
    marks: dict[str, Origin] = {}
    notes: dict[str, str] = {}
    for one in chosen:
        before = taken
        if one.region is not None and one.region.name not in {region.name for region in taken.regions}:
            taken = replace(taken, regions=(*taken.regions, one.region))
        if one.motion is not None and one.motion.name not in {motion.name for motion in taken.motions}:
            taken = replace(taken, motions=(*taken.motions, one.motion))
        for name, value in one.fields:
            taken = _with_field(taken, name, value)
        new = [name for name, origin in taken.origins.items() if origin is not before.origins.get(name, Origin.ASSUMED)]
        marks |= dict.fromkeys(new, Origin.CONFIRMED if confirmed else Origin.SUGGESTED)
        notes |= {} if confirmed else dict.fromkeys(new, one.reason)
    taken = replace(taken, marked={**taken.marked, **marks}, notes={**taken.notes, **notes})
    parse_submission(submission_toml(taken))
    return taken


@dataclass(frozen=True, eq=False)
class _Look:
    """One part with what was measured of it, as far as anything is suggested of it."""

    workpiece: Workpiece
    limits: Limits
    prefix: str

    def value(self, name: str) -> float:
        """The number ``suggest.<name>`` [unit of its row]."""
        return self.limits.value(f"suggest.{name}", self.workpiece.setup).value

    def key(self, kind: SuggestionKind, name: str) -> str:
        """Of a suggestion."""
        return f"{self.part}:{kind.name.lower()}:{name}"

    def named(self, name: str) -> str:
        """A name for a region that no other part's region bears."""
        return f"{self.prefix}{name}"

    def region(self, name: str, kind: RegionKind, volume: Box | Cylinder) -> Region:
        """A region of this part."""
        return Region(self.named(name), self.part, kind, volume)

    def faces_in(self, volume: Box | Cylinder) -> NDArray[np.int64]:
        """Facets that lie wholly in a volume."""
        inside = region_contains(Region("", self.part, RegionKind.KEEP, volume), self.workpiece.part.vertices)
        return np.flatnonzero(inside[self.workpiece.part.faces].all(axis=1))

    @property
    def part(self) -> str:
        return self.workpiece.part.id

    @cached_property
    def declared(self) -> set[RegionKind]:
        """Kinds of region that the submission declares already."""
        return {region.kind for region in self.workpiece.regions}

    @cached_property
    def sound(self) -> bool:
        """Whether the mesh is closed enough to say what moves."""
        layers = self.workpiece.layers
        return not too_open(self.workpiece, self.limits, layers.open_mm, layers.outline_mm)

    @cached_property
    def found(self) -> Flexures:
        return flexures_of(self.workpiece, self.limits)

    @cached_property
    def plane(self) -> SectionPlane | None:
        """The plane in which blocks move against one another."""
        return self.found.main if self.sound else None

    @cached_property
    def shells(self) -> tuple[NDArray[np.int64], tuple[int, ...]]:
        """Body of each facet, and the bodies that are solids, the largest first."""
        vertices, faces = self.workpiece.part.vertices, self.workpiece.part.faces
        of_face = facet_bodies(faces, len(vertices))
        a, b, c = (vertices[faces[:, k]] for k in range(3))
        volume = np.bincount(of_face, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
        return of_face, tuple(int(k) for k in np.argsort(-volume, kind="stable") if volume[k] > _LEAST_BODY_MM3)

    @cached_property
    def handle(self) -> Stretch | None:
        """The stretch that suits a hand best."""
        if not self.sound:
            return None
        smallest = hands.group("children")
        setup = self.workpiece.setup
        grip = {name: self.limits.value(f"grip.{name}", setup).value for name in ("target", "bridged", "facet_turn")}
        most = self.limits.band("grip.power_most", setup).fails
        least_mm = self.value("grip_girth_least") * grip["target"] * smallest.percentile("hand_length", _SMALL)
        found = stretches(
            self.workpiece.vertices,
            self.workpiece.faces,
            self.workpiece.rays,
            _directions(self.workpiece),
            step_mm=self.value("grip_step"),
            bridged_mm=grip["bridged"],
            diameters_mm=(least_mm, most.value if most is not None else np.inf),
            even=self.value("grip_even"),
            solid=self.value("grip_solid"),
            length_mm=smallest.percentile("hand_breadth", _MIDDLE),
            room_mm=widest_finger_mm(hands.group("adults")),
            facet_turn_deg=grip["facet_turn"],
        )
        share, room = self.value("grip_share"), self.value("grip_room")
        return next((one for one in found if one.share <= share and one.room >= room), None)

    @cached_property
    def handle_box(self) -> Box | None:
        """Round the handle, in the part's frame."""
        if self.handle is None:
            return None
        middle = self.workpiece.to_part(self.handle.middle_mm[None])[0]
        return oriented_box(middle, self.workpiece.to_part_direction(self.handle.frame), self.handle.half_mm + _SKIN_MM)

    @cached_property
    def held(self) -> int:
        """The block that is held: that of the handle, else the largest."""
        if self.plane is None or self.handle is None:
            return 0
        at = shapely.Point((self.handle.middle_mm @ self.plane.axes.T)[:2])
        return int(np.argmin([block.outline.distance(at) for block in self.plane.blocks]))

    @cached_property
    def mechanism(self) -> Mechanism | None:
        """How the blocks want to move against the held one."""
        if self.plane is None:
            return None
        modulus = self.workpiece.setup.material["modulus"].value
        poisson = self.limits.value("mechanics.poisson", self.workpiece.setup).value
        return mechanism(self.plane, (), modulus, poisson, self.held)

    @cached_property
    def moves(self) -> "_Moves | None":
        """What the softest motion is and how far it goes."""
        if self.plane is None or self.mechanism is None:
            return None
        return _moves(self, self.plane, self.mechanism)


@dataclass(frozen=True, eq=False)
class _Moves:
    """The softest motion of a part.

    ``to`` is its direction in the section, ``stroke`` how far it goes in its unit, ``carried`` the other blocks that
    hang on flexures.
    """

    soft: SoftMotion
    kind: MotionKind
    direction: Vector
    to: tuple[float, float]
    towards: str
    stroke: float
    stops: str
    strain: str
    carried: tuple[int, ...]

    @property
    def unit(self) -> str:
        return "mm" if self.kind is MotionKind.TRANSLATION else "degrees"


def _suggested(look: _Look, launched_by: str) -> Iterator[Suggestion]:
    """All that is suggested of one part."""
    yield from _pose(look)
    if launched_by:
        yield from _projectile(look, launched_by)
        return
    yield from _held(look)
    yield from _grip(look)
    yield from _opening(look)
    yield from _movers(look)
    yield from _turning(look)
    yield from _flexures(look)
    yield from _loose(look)


# --- pose, held, grip -----------------------------------------------------------------------


def _pose(look: _Look) -> Iterator[Suggestion]:
    """The pose in which the part was measured, where it lies flat."""
    workpiece = look.workpiece
    entry = next(entry for entry in workpiece.submission.parts if entry.id == look.part)
    if entry.pose is not None:
        return
    corners = workpiece.vertices[workpiece.faces]
    on_plate = np.flatnonzero((corners[:, :, 2] <= _FLAT_MM).all(axis=1))
    cross = np.cross(corners[on_plate, 1] - corners[on_plate, 0], corners[on_plate, 2] - corners[on_plate, 0])
    area_mm2 = float(np.linalg.norm(cross, axis=1).sum() / 2)
    if area_mm2 < look.value("flat") * workpiece.projected_area_mm2:
        return
    as_sent = bool(np.allclose(workpiece.setup.rotation, np.eye(3), atol=1e-9))
    x, y, z = (_rounded(row, _COSINE_DIGITS) for row in workpiece.setup.rotation)
    pose = IDENTITY if as_sent else (x, y, z)
    yield Suggestion(
        key=look.key(SuggestionKind.POSE, "flat"),
        kind=SuggestionKind.POSE,
        part=look.part,
        title=f"stands on the plate {'as sent' if as_sent else 'turned'}",
        reason=f"{area_mm2:.0f} mm2 of its surface lie flat on the plate. Pose {workpiece.setup.pose_note}.",
        sure=Sureness.LIKELY if as_sent else Sureness.GUESS,
        sure_from="a comparison of the ways in which it can lie",
        fields=((f"part.{look.part}.pose", pose),),
        faces=on_plate,
    )


def _held(look: _Look) -> Iterator[Suggestion]:
    """What is held: the block of the handle or the largest, a body, or all of a part in which nothing moves."""
    if RegionKind.FIXED in look.declared:
        return
    vertices = look.workpiece.part.vertices
    around = _bounds(vertices)
    if look.moves is not None and look.plane is not None:
        by_handle = look.handle is not None
        # What moves comes after it in the list and takes its own out of it.
        block = block_box(look.plane, look.held, look.workpiece.vertices, look.workpiece.faces, clear=False)
        why = "It holds the stretch that suits a hand" if by_handle else "It is the largest block of the part"
        yield Suggestion(
            key=look.key(SuggestionKind.HELD, "frame"),
            kind=SuggestionKind.HELD,
            part=look.part,
            title="frame is held",
            reason=f"{why}; everything else hangs on it by flexures. Motions are counted from it.",
            sure=Sureness.LIKELY if by_handle else Sureness.GUESS,
            sure_from="its girth" if by_handle else "its size alone",
            region=look.region("frame", RegionKind.FIXED, block),
            faces=_own_faces(look, block),
        )
    elif (hinge := _hinge(look)) is not None:
        of_face, solids = look.shells
        rest = np.flatnonzero(of_face != hinge.mover)
        yield Suggestion(
            key=look.key(SuggestionKind.HELD, "base"),
            kind=SuggestionKind.HELD,
            part=look.part,
            title="base is held",
            reason=f"It is the largest of {len(solids)} separate bodies. Motions are counted from it.",
            sure=Sureness.GUESS,
            sure_from="its size alone",
            region=look.region("base", RegionKind.FIXED, _bounds(vertices[np.unique(look.workpiece.part.faces[rest])])),
            faces=rest,
        )
    elif _is_rigid(look):
        yield Suggestion(
            key=look.key(SuggestionKind.RIGID, "whole"),
            kind=SuggestionKind.RIGID,
            part=look.part,
            title="nothing of it moves",
            reason="It is one body, and no thin strip was found in it whose removal would set a piece free or that "
            "stands free at one end.",
            sure=Sureness.LIKELY,
            sure_from="sections along the layers and upright ones; strips inclined to all of them are not seen",
            region=look.region("whole", RegionKind.FIXED, around),
            faces=np.arange(len(look.workpiece.faces)),
        )


def _is_rigid(look: _Look) -> bool:
    """Whether nothing in the part looks as if it were to bend or to move."""
    free = any("free" in one.reason and one.length_mm > look.value("arm") * one.width_mm for one in look.found.rejected)
    idle = not {RegionKind.MOVING, RegionKind.FLEXURE} & look.declared and not look.workpiece.motions
    return look.sound and idle and not look.found.every and not free and len(look.shells[1]) == 1


def _grip(look: _Look) -> Iterator[Suggestion]:
    """The stretch that a hand may hold."""
    handle, box = look.handle, look.handle_box
    if handle is None or box is None or RegionKind.GRIP in look.declared:
        return
    yield Suggestion(
        key=look.key(SuggestionKind.GRIP, "grip"),
        kind=SuggestionKind.GRIP,
        part=look.part,
        title="grip for a hand",
        reason=f"Over {handle.length_mm:.0f} mm it is as thick as a round bar of {handle.diameter_mm:.0f} mm, which a "
        f"hand closes around, and there is room for fingers around {100 * handle.room:.0f} % of it.",
        sure=Sureness.LIKELY if handle.room > _ALL_ROUND else Sureness.GUESS,
        sure_from="its girth, its length and the room around it",
        region=look.region("grip", RegionKind.GRIP, box),
        faces=look.faces_in(box),
    )


# --- what moves -----------------------------------------------------------------------------


def _movers(look: _Look) -> Iterator[Suggestion]:
    """The block that moves most easily with its motion, and those that come along."""
    plane, moves = look.plane, look.moves
    if plane is None or moves is None or RegionKind.MOVING in look.declared:
        return
    box, rests = mover_boxes(plane, moves.soft.block, moves.carried, look.workpiece.vertices, look.workpiece.faces)
    region = look.region("mover", RegionKind.MOVING, box)
    joined = sum(moves.soft.block in flexure.blocks for flexure in plane.flexures)
    ratio = moves.soft.ratio
    softer = f", {_times(ratio)} times softer than the next way it could go" if np.isfinite(ratio) else ""
    hangs = f"{joined} flexures, which let" if joined > 1 else "one flexure, which lets"
    way = "goes straight on" if moves.kind is MotionKind.TRANSLATION else "turns"
    clear = ratio >= look.value("softer") and bool(moves.towards)
    point = moves.soft.centre_mm if moves.kind is MotionKind.ROTATION else None
    middle = plane.to_part(plane.blocks[moves.soft.block].centre_mm[None], plane.height_mm)[0]
    motion = Motion(
        region=region.name,
        kind=moves.kind,
        direction=moves.direction,
        stroke=(0.0, moves.stroke),
        point_mm=_rounded(middle if point is None else np.array(point)),
    )
    mover = Suggestion(
        key=look.key(SuggestionKind.MOVING, "mover"),
        kind=SuggestionKind.MOVING,
        part=look.part,
        title=f"mover {way} {moves.stroke:g} {moves.unit}",
        reason=f"It hangs on {hangs} it go this way easily{softer}. "
        f"{moves.towards or 'Which way along it is meant cannot be told; the freer way was taken'}. {moves.stops}",
        sure=Sureness.LIKELY if clear else Sureness.GUESS,
        sure_from=f"the stiffness of its flexures as beams; {moves.strain}",
        region=region,
        motion=motion,
        faces=_own_faces(look, box),
        stops=moves.stops,
    )
    yield mover
    for count, rest in enumerate(rests, 1):
        name = f"rests-{count}"
        yield Suggestion(
            key=look.key(SuggestionKind.HELD, name),
            kind=SuggestionKind.HELD,
            part=look.part,
            title=f"{name} beside the mover stays",
            reason="It lies in the box round the mover and belongs to what is held.",
            sure=mover.sure,
            sure_from="sections along the mover",
            region=look.region(name, RegionKind.KEEP, rest),
            needs=(mover.key,),
            faces=look.faces_in(rest),
        )
    for count, number in enumerate(moves.carried, 1):
        own = block_box(plane, number, look.workpiece.vertices, look.workpiece.faces)
        name = f"carried-{count}" if len(moves.carried) > 1 else "carried"
        yield Suggestion(
            key=look.key(SuggestionKind.MOVING, name),
            kind=SuggestionKind.MOVING,
            part=look.part,
            title=f"{name} hangs on flexures",
            reason="It is a stiff piece between flexures and gives way when the mover moves; no motion is its own.",
            sure=mover.sure,
            sure_from="the flexures that set it free",
            region=look.region(name, RegionKind.MOVING, own),
            needs=(mover.key,),
            faces=look.faces_in(own),
        )


def _moves(look: _Look, plane: SectionPlane, found: Mechanism) -> _Moves:
    """The softest motion: which way, how far, and what ends it."""
    soft = found.motions[0]
    carried = tuple(number for number in found.free if number != soft.block)
    move = soft.moves[soft.block]
    travel, turn = float(np.hypot(move[0], move[1])), float(move[2])
    still = [number for number in range(len(plane.blocks)) if number not in (soft.block, *carried)]
    many = sum(soft.block in flexure.blocks for flexure in plane.flexures) > 1
    material = look.workpiece.setup.material
    snap = look.limits.band("mechanics.snap", look.workpiece.setup).meets
    if many or snap is None:
        allowed, words = material["strain_many_cycles"].value, "that the material bears many times"
    else:
        allowed, words = snap.value * material["yield_strain"].value, "that the material bears when it snaps in"
    told = f"strain within a fifth where flexures are slender, {100 * allowed:.2g} % {words}"
    if soft.turns and soft.centre_mm is not None:
        strain = _strain(plane, soft) / max(abs(turn), 1e-9)
        bears = float(np.degrees(allowed / strain)) if strain > 0 else np.inf
        at = np.array(soft.centre_mm) - plane.origin_part_mm
        centre = (float(at @ plane.axes_part[0]), float(at @ plane.axes_part[1]))
        most = look.value("most_turn")
        ways = [
            free_way(plane, soft.block, still, turned(centre, sense), min(bears, most), _STEPS) for sense in (1, -1)
        ]
        sense = 1.0 if ways[0] >= ways[1] else -1.0
        free, unit, kind, to = max(ways), "degrees", MotionKind.ROTATION, (0.0, 0.0)
        direction, towards = plane.axes_part[2] * sense, ""
    else:
        strain = _strain(plane, soft) / max(travel, 1e-9)
        bears, most = (allowed / strain if strain > 0 else np.inf), look.value("most_stroke")
        flat = plane.axes_part[:2] @ np.array(soft.direction)
        flat = flat / np.linalg.norm(flat)
        sides = [(float(sign * flat[0]), float(sign * flat[1])) for sign in (1, -1)]
        ways = [free_way(plane, soft.block, still, shifted(side), most, _STEPS) for side in sides]
        pulled = _pulled_towards(look, plane, soft, flat)
        chosen = (0 if pulled > 0 else 1) if pulled else int(ways[1] > ways[0])
        free, unit, kind, to = ways[chosen], "mm", MotionKind.TRANSLATION, sides[chosen]
        direction = np.array(soft.direction) * (1 if chosen == 0 else -1)
        towards = "It is pulled towards the hand" if pulled else ""
    stroke = float(min(bears, free, most))
    if free <= bears and free < most:
        stops = f"It meets the part that stands still after {free:.1f} {unit}."
    elif bears < most:
        stops = f"After {bears:.1f} {unit} the strain of a flexure reaches the {100 * allowed:.2g} % {words}."
    else:
        stops = f"Nothing was found that stops it within {most:g} {unit}."
    step = 0.1 if kind is MotionKind.TRANSLATION else 1.0
    whole = max(round(float(np.floor(stroke / step)) * step, 3), step)
    return _Moves(soft, kind, _rounded(direction, 6), to, towards, whole, stops, told, carried)


def _pulled_towards(look: _Look, plane: SectionPlane, soft: SoftMotion, flat: Floats) -> float:
    """1 or -1 as the handle lies one way or the other along a direction, 0 where it lies beside."""
    if look.handle is None:
        return 0.0
    hand = (look.handle.middle_mm @ plane.axes.T)[:2] - plane.blocks[soft.block].centre_mm
    cosine = float(hand @ flat) / max(float(np.linalg.norm(hand)), 1e-9)
    return float(np.sign(cosine)) if abs(cosine) > _TOWARDS else 0.0


def _strain(plane: SectionPlane, soft: SoftMotion) -> float:
    """Greatest bending strain of a flexure at the moves of a motion, by slope and deflection of a beam."""
    worst = 0.0
    for flexure in plane.flexures:
        if min(flexure.blocks) < 0 or any(plane.blocks[block].is_joint for block in flexure.blocks):
            continue
        ends = flexure.line_mm[[0, -1]]
        along = ends[1] - ends[0]
        across = np.array([-along[1], along[0]]) / np.linalg.norm(along)
        goes = []
        for block, end in zip(flexure.blocks, ends, strict=True):
            x, y, turn = soft.moves[block]
            arm = end - plane.blocks[block].centre_mm
            goes.append((float(np.array([x - turn * arm[1], y + turn * arm[0]]) @ across), float(turn)))
        (first, one), (second, other) = goes
        leans = 3 * (second - first) / flexure.length_mm
        bent = max(abs(2 * one + other - leans), abs(one + 2 * other - leans))
        worst = max(worst, bent * flexure.width_mm / flexure.length_mm)
    return worst


def _flexures(look: _Look) -> Iterator[Suggestion]:
    """Every flexure that was found."""
    if not look.sound or RegionKind.FLEXURE in look.declared:
        return
    for plane in look.found.planes:
        for flexure in plane.flexures:
            number = flexure.name.rpartition(" ")[2]
            box = flexure_box(plane, flexure)
            size = f"{flexure.length_mm:.1f} mm long, {flexure.width_mm:.2f} mm wide and {flexure.depth_mm:.1f} mm deep"
            joins = "is free at one end" if min(flexure.blocks) < 0 else "joins two pieces that it alone holds together"
            name = f"{flexure.kind}-{number}"
            yield Suggestion(
                key=look.key(SuggestionKind.FLEXURE, name),
                kind=SuggestionKind.FLEXURE,
                part=look.part,
                title=f"{name} bends",
                reason=f"It is {size}, far thinner than what it ends in, and {joins}.",
                sure=Sureness.LIKELY if flexure.kind is FlexureKind.LEAF else Sureness.GUESS,
                sure_from="the shape alone",
                region=look.region(name, RegionKind.FLEXURE, _grown(box)),
                faces=look.faces_in(_grown(box)),
            )


# --- openings, hinges, projectiles ----------------------------------------------------------


def _opening(look: _Look) -> Iterator[Suggestion]:
    """Holes in what moves that a finger enters, with the void around them."""
    plane, moves = look.plane, look.moves
    if plane is None or moves is None or RegionKind.OPENING in look.declared:
        return
    finger_mm = widest_finger_mm(hands.group("children"))
    mover = plane.blocks[moves.soft.block].outline
    low_x, low_y, high_x, high_y = plane.section.bounds
    void = shapely.box(low_x, low_y, high_x, high_y).difference(plane.section)
    rooms = shapely.get_parts(void.buffer(-finger_mm / 2).buffer(finger_mm / 2))
    found = []
    for room in rooms[shapely.area(rooms) > finger_mm]:
        rim = shapely.get_exterior_ring(room)
        share = rim.intersection(mover.buffer(_RIM_MM)).length / rim.length
        if share >= look.value("opening_rim"):
            found.append((share, room))
    still = [block.outline for k, block in enumerate(plane.blocks) if k not in (moves.soft.block, *moves.carried)]
    for count, (share, room) in enumerate(sorted(found, key=lambda one: -one[1].area), 1):
        bounds = _opened(room.bounds, shapely.union_all(still), look.value("opening_reach"))
        corners = shapely.get_coordinates(shapely.box(*bounds))[:4]
        at = look.workpiece.vertices @ plane.axes.T
        beside = (at[:, :2] >= np.array(bounds[:2]) - _RIM_MM).all(axis=1)
        beside &= (at[:, :2] <= np.array(bounds[2:]) + _RIM_MM).all(axis=1)
        ends = (float(at[beside, 2].min()), float(at[beside, 2].max())) if beside.any() else (0.0, 1.0)
        middle = plane.to_part(corners.mean(axis=0)[None], sum(ends) / 2)[0]
        half = np.array([bounds[2] - bounds[0], bounds[3] - bounds[1], ends[1] - ends[0]]) / 2
        box = oriented_box(middle, plane.axes_part, half)
        through = _sees_through(look, plane, room)
        name = "finger-opening" if len(found) == 1 else f"finger-opening-{count}"
        seen = "and is seen through from side to side" if through else "and is closed on one side"
        yield Suggestion(
            key=look.key(SuggestionKind.OPENING, name),
            kind=SuggestionKind.OPENING,
            part=look.part,
            title="opening for a finger",
            reason=f"A child's finger of {finger_mm:.0f} mm enters it {seen}; {100 * share:.0f} % of its rim belongs "
            "to what moves, so a finger in it reaches that. The void around the rim is counted to it.",
            sure=Sureness.LIKELY if through else Sureness.GUESS,
            sure_from="the void in the section",
            region=look.region(name, RegionKind.OPENING, box),
            needs=(look.key(SuggestionKind.MOVING, "mover"),),
            faces=look.faces_in(_grown(box)),
        )


def _opened(
    bounds: tuple[float, float, float, float], still: shapely.Geometry, reach_mm: float
) -> tuple[float, float, float, float]:
    """Bounds moved out, sideways first, until they meet what stands still or have gone as far as they may."""
    opened = list(bounds)
    width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
    for side in (1, 3, 0, 2) if width >= height else (0, 2, 1, 3):
        sign = -1.0 if side < 2 else 1.0
        for way in np.arange(_OPEN_STEP_MM, reach_mm, _OPEN_STEP_MM):
            wider = list(opened)
            wider[side] = bounds[side] + sign * way
            strip = shapely.box(*wider).difference(shapely.box(*opened))
            if strip.intersection(still).area > _BOUNDED * strip.area:
                break
            opened = wider
        else:
            # Nothing bounds it on this side: the loop's own rim does.
            opened[side] = bounds[side]
    return opened[0], opened[1], opened[2], opened[3]


def _sees_through(look: _Look, plane: SectionPlane, room: shapely.Geometry) -> bool:
    """Whether a line square to the section runs through a room without meeting matter."""
    x, y = shapely.get_coordinates(shapely.point_on_surface(room))[0]
    start = np.array([[x, y, plane.height_mm]]) @ plane.axes
    ways = np.array([plane.axes[2], -plane.axes[2]])
    distance, _ = look.workpiece.rays.first_hit(np.repeat(start, 2, axis=0), ways)
    return bool(np.isinf(distance).all())


@dataclass(frozen=True, eq=False)
class _Hinged:
    """The body that turns about a pin of the others, and how far each way [deg]."""

    hinge: Hinge
    mover: int
    free_deg: tuple[float, float]


def _hinge(look: _Look) -> _Hinged | None:
    """A hinge between two bodies of one mesh."""
    of_face, solids = look.shells
    if len(solids) < 2 or not look.sound:
        return None
    part = look.workpiece.part
    found = hinges(rounds(flats(part.vertices, part.faces)), of_face, look.value("pin_play"), look.value("pin_arc"))
    own = [one for one in found if one.pin_body in solids and one.hole_body in solids]
    if not own:
        return None
    hinge = own[0]
    mover = max((hinge.pin_body, hinge.hole_body), key=solids.index)
    turns = free_turns(part.vertices, part.faces[of_face == mover], part.faces[of_face != mover], hinge)
    return _Hinged(hinge, mover, turns)


def _turning(look: _Look) -> Iterator[Suggestion]:
    """A body that turns about a pin."""
    if RegionKind.MOVING in look.declared or look.moves is not None or (found := _hinge(look)) is None:
        return
    hinge, (clockwise, anticlockwise) = found.hinge, found.free_deg
    of_face, _ = look.shells
    faces = np.flatnonzero(of_face == found.mover)
    region = look.region(
        "turning", RegionKind.MOVING, _bounds(look.workpiece.part.vertices[np.unique(look.workpiece.part.faces[faces])])
    )
    far = max(clockwise, anticlockwise)
    if far <= 0:
        return
    all_round = min(clockwise, anticlockwise) >= _ALL_WAYS_DEG
    stops = (
        "Nothing was found that stops it." if far >= _ALL_WAYS_DEG else f"It meets the rest after {far:.0f} degrees."
    )
    yield Suggestion(
        key=look.key(SuggestionKind.MOVING, "turning"),
        kind=SuggestionKind.MOVING,
        part=look.part,
        title=f"turns by {far:.0f} degrees about a pin",
        reason=f"A pin of {hinge.pin.diameter_mm:.2f} mm stands in a hole of {hinge.hole.diameter_mm:.2f} mm of "
        f"another body. It turns freely {clockwise:.0f} degrees one way and {anticlockwise:.0f} degrees the other. "
        f"{stops}",
        sure=Sureness.GUESS if all_round else Sureness.LIKELY,
        sure_from="a round pin in a round hole, and sections turned in steps of 5 degrees",
        region=region,
        motion=Motion(
            region=region.name,
            kind=MotionKind.ROTATION,
            direction=_rounded(hinge.axis, 6),
            stroke=(0.0, -clockwise if clockwise > anticlockwise else anticlockwise),
            point_mm=_rounded(hinge.point_mm),
        ),
        faces=faces,
        stops=stops,
    )
    if hinge.hole_body == found.mover:
        middle, axis = hinge.point_mm, hinge.axis
        ends = [float((np.array(end) - middle) @ axis) for end in (hinge.pin.low_mm, hinge.pin.high_mm)]
        yield Suggestion(
            key=look.key(SuggestionKind.HELD, "pin"),
            kind=SuggestionKind.HELD,
            part=look.part,
            title="pin stays",
            reason="The pin in the hole of what turns belongs to the base.",
            sure=Sureness.LIKELY,
            sure_from="a round pin in a round hole",
            region=look.region(
                "pin",
                RegionKind.KEEP,
                Cylinder(
                    _rounded(middle + min(ends) * axis),
                    _rounded(middle + max(ends) * axis),
                    round((hinge.pin.diameter_mm + hinge.hole.diameter_mm) / 4, 3),
                ),
            ),
            needs=(look.key(SuggestionKind.MOVING, "turning"),),
            faces=hinge.pin.faces,
        )


def _launchers(looks: Sequence[_Look]) -> dict[str, str]:
    """Which part launches which: a loose small body that fits into the void in front of another part's mover."""
    launched: dict[str, str] = {}
    for look in looks:
        entry = next(entry for entry in look.workpiece.submission.parts if entry.id == look.part)
        if entry.launched_by:
            launched[look.part] = entry.launched_by
            continue
        if len(looks) < 2 or not look.sound or look.found.every or len(look.shells[1]) != 1:
            continue
        sides = np.sort(np.array(look.workpiece.part.size_mm))
        for other in looks:
            if other is look or other.moves is None or other.moves.kind is MotionKind.ROTATION or other.plane is None:
                continue
            small = look.workpiece.part.volume_mm3 <= other.value("launched_volume") * other.workpiece.part.volume_mm3
            short = sides[2] <= other.value("launched_long") * sides[1]
            if small and short and _fits(other, sides):
                launched[look.part] = other.part
    return launched


def _fits(look: _Look, sides_mm: Floats) -> bool:
    """Whether a body of these sides (3,), rising [mm], goes into the guide in front of what moves."""
    play = (_guide_mm(look, float(sides_mm[2])) - sides_mm[1]) / sides_mm[1]
    return bool(0 <= play <= look.value("fit"))


def _loose(look: _Look) -> Iterator[Suggestion]:
    """Bodies of the same mesh that lie loose and fit into the guide in front of what moves."""
    if look.moves is None or look.moves.kind is MotionKind.ROTATION or RegionKind.PROJECTILE in look.declared:
        return
    of_face, solids = look.shells
    part = look.workpiece.part
    for count, body in enumerate(solids[1:], 1):
        own = np.flatnonzero(of_face == body)
        corners = part.vertices[np.unique(part.faces[own])]
        sides = np.sort(np.ptp(corners, axis=0))
        if sides[2] > look.value("launched_long") * sides[1] or not _fits(look, sides):
            continue
        yield Suggestion(
            key=look.key(SuggestionKind.PROJECTILE, f"loose-{count}"),
            kind=SuggestionKind.PROJECTILE,
            part=look.part,
            title="loose body that may be launched",
            reason=f"It is a body of its own, {sides[2]:.0f} x {sides[1]:.0f} x {sides[0]:.0f} mm, and fits into the "
            "guide in front of what moves. Send it as a part of its own if it is shot.",
            sure=Sureness.GUESS,
            sure_from="its width against the width of the guide",
            region=look.region(f"loose-{count}", RegionKind.PROJECTILE, _bounds(corners)),
            faces=own,
        )


def _guide_mm(look: _Look, ahead_mm: float) -> float:
    """Clear width in front of the mover when it is let go, infinite where nothing guides."""
    if look.plane is None or look.moves is None:
        return np.inf
    x, y = look.moves.to
    return corridor(
        look.plane, look.moves.soft.block, (-x, -y), ahead_mm, look.workpiece.vertices, look.workpiece.faces
    )


def _projectile(look: _Look, launched_by: str) -> Iterator[Suggestion]:
    """A part that another one shoots."""
    workpiece = look.workpiece
    entry = next(entry for entry in workpiece.submission.parts if entry.id == look.part)
    if RegionKind.PROJECTILE in look.declared:
        return
    x_mm, y_mm, z_mm = workpiece.part.size_mm
    volume = _round_or_box(workpiece)
    yield Suggestion(
        key=look.key(SuggestionKind.PROJECTILE, "projectile"),
        kind=SuggestionKind.PROJECTILE,
        part=look.part,
        title=f"launched by {launched_by}",
        reason=f"It is loose, {x_mm:.0f} x {y_mm:.0f} x {z_mm:.0f} mm, has no flexure, and fits into the guide in "
        f"front of what moves in {launched_by}.",
        sure=Sureness.LIKELY,
        sure_from="its width against the width of the guide",
        region=look.region("projectile", RegionKind.PROJECTILE, volume),
        fields=() if entry.launched_by else ((f"part.{look.part}.launched_by", launched_by),),
        faces=np.arange(len(workpiece.faces)),
    )


def _round_or_box(workpiece: Workpiece) -> Box | Cylinder:
    """A cylinder round a part that fills one, else the box round it."""
    vertices = workpiece.part.vertices
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    size, middle = high - low, (low + high) / 2
    for axis in np.argsort(-size):
        others = [k for k in range(3) if k != axis]
        off = np.linalg.norm((vertices - middle)[:, others], axis=1).max()
        if off <= size[others].max() / 2 * _ROUND_WITHIN and np.ptp(size[others]) <= size[others].max() * _SQUARE:
            start, end = middle.copy(), middle.copy()
            start[axis], end[axis] = low[axis] - _SKIN_MM, high[axis] + _SKIN_MM
            return Cylinder(_rounded(start), _rounded(end), round(float(off) + _SKIN_MM, 3))
    return _bounds(vertices)


# --- small helpers --------------------------------------------------------------------------


def _directions(workpiece: Workpiece) -> list[Floats]:
    """Directions along which a handle may run: the axes of the plate frame, and the long side of its shadow."""
    found = list(np.eye(3))
    around = shapely.minimum_rotated_rectangle(shapely.MultiPoint(workpiece.vertices[:, :2]))
    if isinstance(around, shapely.Polygon):
        corners = shapely.get_coordinates(shapely.get_exterior_ring(around))
        for side in np.diff(corners[:3], axis=0):
            way = np.array([*(side / np.linalg.norm(side)), 0.0])
            if np.abs(way[:2]).max() < _SAME_WAY:
                found.append(way)
    return found


def _own_faces(look: _Look, box: Box) -> NDArray[np.int64]:
    """Facets in a box, those of flexures left out."""
    faces = look.faces_in(box)
    bends = [look.faces_in(_grown(flexure_box(plane, one))) for plane in look.found.planes for one in plane.flexures]
    return np.setdiff1d(faces, np.concatenate(bends)) if bends else faces


def _times(ratio: float) -> str:
    return f"{ratio:.1f}" if ratio < 10 else f"{ratio:.0f}"


def _bounds(vertices: Floats) -> Box:
    low, high = vertices.min(axis=0) - _SKIN_MM, vertices.max(axis=0) + _SKIN_MM
    return Box(_rounded(low), _rounded(high))


def _grown(box: Box) -> Box:
    return replace(
        box, min_mm=_rounded(np.array(box.min_mm) - _SKIN_MM), max_mm=_rounded(np.array(box.max_mm) + _SKIN_MM)
    )


def _rounded(values: Floats, digits: int = 3) -> Vector:
    """Rounded so that a person can read it."""
    x, y, z = (round(float(value), digits) + 0.0 for value in values)
    return x, y, z


# --- into the submission and its judgement --------------------------------------------------


def _suggested_of(submission: Submission, code: str, part: str) -> list[str]:
    """Suggested facts that the findings of a check rest on, in words."""
    kinds = next((kinds for begins, kinds in _RESTS_ON.items() if code.startswith(begins)), ())
    of_all = code.startswith(_OF_ALL_PARTS)
    regions = [region for region in submission.regions if region.kind in kinds and (of_all or region.part == part)]
    names = {region.name for region in regions}
    facts = [(f"region.{region.name}", f"the region {region.name}") for region in regions]
    facts += [
        (f"motion.{motion.name}", f"the motion of {motion.region}")
        for motion in submission.motions
        if motion.region in names
    ]
    if of_all:
        facts += [(f"part.{entry.id}.launched_by", f"that {entry.id} is launched") for entry in submission.parts]
    return [words for name, words in facts if submission.origins.get(name) is Origin.SUGGESTED]


def _with_field(submission: Submission, name: str, value: object) -> Submission:
    """The submission with one more fact of a part, unless it is stated already."""
    section, part, field_name = name.split(".")
    if section != "part":
        raise SubmissionError(f"suggested fact {name!r} is none of a part; take it out of what is accepted")
    if submission.origins[name] is not Origin.ASSUMED:
        return submission
    changes: dict[str, Any] = {field_name: value}
    parts = tuple(replace(entry, **changes) if entry.id == part else entry for entry in submission.parts)
    return replace(submission, parts=parts)
