"""Build the demonstration submissions: meshes and tables of the faults planted in them.

``python data/parts/build.py [--out DIR]`` writes beside each ``submission.toml`` its meshes
(binary STL, mm) and ``truth.csv``.  Each place and number of a table comes from the dimensions
and outlines below; each verdict is what the fault was drawn to earn.  No check is asked.

The launcher is a flat mechanism drawn in the plane of the plate.  A shuttle hangs between two
rails on straight leaves.  A leaf that is bent sideways wants to shorten, so the rails may come in:
each hangs on two ties that run along the frame.  A finger in the loop pulls the shuttle back; let
go, it pushes the float out of the trough.  Revision A has twelve leaves and is open below;
revision B has six that are deeper, over a closed floor.

The hinged box is printed closed: its lid turns about an upright pin whose head keeps it, and a hook
hangs it on a bucket.  The snap clip is a strip with an upright arm that snaps over a pole, and a
peg.  The tool grip lies on its flat side.
"""

import argparse
import csv
import io
import math
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from manifold3d import CrossSection, FillRule, Manifold, Mesh, Mesh64, OpType, triangulate
from shapely import LineString, MultiPoint, MultiPolygon, Point, Polygon, affinity, box, unary_union

# So that it runs from a checkout that is not installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from reviewkit.model import Floats, Vector, Verdict, finding_key, place_name

HERE = Path(__file__).resolve().parent
COLUMNS = ("key", "part", "code", "subject", "verdict", "x_mm", "y_mm", "z_mm", "tolerance_mm", "fault")
PLACE_TOLERANCE_MM = 3.0
SAGITTA_MM = 0.01  # of the chords that stand for an arc

# Launcher, both revisions, x along the shot, y across, z off the plate [mm].
STROKE, LEAF_ROOT_RADIUS = 9.0, 0.8
MODULUS_MPA = 2000.0  # of PETG in the layers, as data/materials has it
TROUGH_RADIUS, TIE_GAP, RAIL_END = 12.5, 2.0, 4.0
FLOW_RADIUS = 14.0
LANYARD_RADIUS, LANYARD_FROM_REAR = 2.5, 8.0

# Revision A only.
DEPTH = 16.0
WINDOW_HALF, WINDOW_LENGTH, WINDOW_STARTS = 5.0, 14.0, (-152.0, -134.0, -116.0)
WEB_X, WEB_THIN, WEB_SOUND = -52.0, 0.3, 1.2
TOKEN_X, TOKEN_Y, TOKEN_RADIUS, TOKEN_HEIGHT = 72.0, 29.0, 6.0, 5.0
NECK_WIDTH, NECK_HEIGHT = 1.2, 1.0

# Revision B only.  Heights are whole layers: a floor of six, two empty ones under all that moves over it.
FLOOR_TOP, MOVING_BOTTOM = 1.2, 1.6
LOOP_TOP, BARREL_TOP, SURROUND_TOP = 16.0, 20.0, 23.0
CHANNEL_HALF, FOOT_GAP = 7.0, 0.6
FRAME_ROUND, FRAME_BEVEL, LOOP_BEVEL, FLOOR_BEVEL = 1.2, 1.0, 1.0, 0.6
GRIP_ROUND, GRIP_BEVEL, GRIP_BEVEL_HIGH, GRIP_SINK = 9.0, 3.4, 3.6, 4.0
SLOTS, SLOT_HALF, SLOT_LENGTH = ((-49.0, 26.0), (-62.0, 25.0)), 2.0, 9.0


@dataclass(frozen=True)
class Launcher:
    """Dimensions in which the revisions of the launcher differ, x along the shot, y across [mm].

    Parameters
    ----------
    leaf_x : tuple of float
        Where the leaves of one side stand.
    leaf_width, leaf_length, leaf_depth : float
        In the direction of the stroke, across it, and off the plate.
    nose : tuple of (float, float, float)
        Rear end, half width and front end of each step of the pusher.
    wings, wing_front : tuple of (float, float), float
        Corners of the outline round the mechanism, the half with y > 0 from front to rear, and
        where it meets the barrel.
    loop_corner : float
        Radius of the outer corners of the loop.
    horn_deg, horn_radius : float
        Inside angle of the two corners beside the muzzle [deg], and their radius.
    """

    rear: float
    front: float
    barrel_half: float
    trough_start: float
    horn_deg: float
    horn_radius: float
    leaf_x: tuple[float, ...]
    leaf_width: float
    leaf_length: float
    leaf_depth: float
    spine_half: float
    spine_front: float
    nose: tuple[tuple[float, float, float], ...]
    shuttle_round: float
    rail_width: float
    rail_half_length: float
    tie_width: float
    boss_half: float
    wings: tuple[tuple[float, float], ...]
    wing_front: float
    wing_half: float
    wing_radius: float
    rim: float
    chamber_rear: float
    chamber_front: float
    tail_half: float
    tail_front: float
    guide_rear: float
    guide_front: float
    gap_left: float
    gap_right: float
    loop_x: float
    loop_inner: float
    loop_corner: float
    finger_opening: float
    opening_half: float
    opening_radius: float
    surround: float
    grip_half: float

    @property
    def rail_inner(self) -> float:
        """Where the leaves end [mm]."""
        return self.spine_half + self.leaf_length

    @property
    def rail_outer(self) -> float:
        """Where the rails end [mm]."""
        return self.rail_inner + self.rail_width

    @property
    def tie_inner(self) -> float:
        """Where the ties begin [mm]."""
        return self.rail_outer + TIE_GAP

    @property
    def opening_rear(self) -> float:
        """Rear end of the opening behind the loop [mm]."""
        return self.loop_x - self.tail_half - self.finger_opening

    @property
    def stiffness_mm(self) -> float:
        """Stiffness of all leaves over Young's modulus, n b t3 / L3 [mm].

        References
        ----------
        Fixed-guided leaf, Roark's Formulas for Stress and Strain, 7th ed., table 8.1 case 1b (from memory).
        """
        count = 2 * len(self.leaf_x)
        return count * self.leaf_depth * self.leaf_width**3 / self.leaf_length**3

    @property
    def strain(self) -> float:
        """Bending strain at the roots of the leaves at the end of the stroke, 3 t d / L2 [-]."""
        return 3 * self.leaf_width * STROKE / self.leaf_length**2


LAUNCHER_A = Launcher(
    rear=-170.0, front=92.0, barrel_half=20.0, trough_start=39.0, horn_deg=45.0, horn_radius=0.0,
    leaf_x=(-23.0, -16.0, -9.0, 9.0, 16.0, 23.0), leaf_width=0.7, leaf_length=44.0, leaf_depth=DEPTH,
    spine_half=8.0, spine_front=28.0, nose=((20.0, 6.0, 36.0), (31.0, 11.0, 36.0)), shuttle_round=1.5,
    rail_width=4.5, rail_half_length=28.0, tie_width=1.2, boss_half=4.0,
    wings=((42.0, 68.0), (-38.0, 68.0), (-73.0, 24.0)), wing_front=62.0, wing_half=68.0, wing_radius=18.0, rim=6.0,
    chamber_rear=-38.0, chamber_front=56.0, tail_half=16.0, tail_front=-30.0, guide_rear=-46.0, guide_front=-38.0,
    gap_left=0.15, gap_right=0.5, loop_x=-62.0, loop_inner=12.0, loop_corner=16.0, finger_opening=12.0,
    opening_half=20.0, opening_radius=10.0, surround=7.0, grip_half=15.0,
)  # fmt: skip
# Half the leaves; their length keeps the strain, their depth the stiffness.
LAUNCHER_B = Launcher(
    rear=-202.0, front=82.0, barrel_half=18.0, trough_start=38.0, horn_deg=75.0, horn_radius=6.0,
    leaf_x=(-14.0, 0.0, 14.0), leaf_width=0.8, leaf_length=47.2, leaf_depth=26.4,
    spine_half=6.0, spine_front=38.0, nose=(), shuttle_round=2.5,
    rail_width=4.0, rail_half_length=21.0, tie_width=0.8, boss_half=2.5,
    wings=((32.1, 66.0), (-32.0, 66.0), (-32.0, 53.0), (-40.5, 53.0), (-40.5, 44.0), (-78.0, 24.0)),
    wing_front=32.1, wing_half=66.0, wing_radius=8.0, rim=4.5,
    chamber_rear=-36.0, chamber_front=27.6, tail_half=17.5, tail_front=-28.0, guide_rear=-44.0, guide_front=-36.0,
    gap_left=0.7, gap_right=0.7, loop_x=-59.0, loop_inner=13.0, loop_corner=6.0, finger_opening=22.5, opening_half=19.5,
    opening_radius=4.0, surround=7.0, grip_half=13.5,
)  # fmt: skip
STIFFNESS_RATIO = LAUNCHER_B.stiffness_mm / LAUNCHER_A.stiffness_mm  # of revision B to A by formula

# Float, standing on the plate, x = y = 0 its axis [mm].
FLOAT_RADIUS, FLOAT_LENGTH, FLOAT_WALL, FLOAT_SIDES = 12.0, 60.0, 1.2, 96
# Roof of the hollow under the nose of revision B, its slope from the vertical [deg].
ROOF_SLOPE, ROOF_FLAT, ROOF_TOP = 44.0, 2.0, 58.6

# Bracket, lying on its back as it is printed [mm].
PLATE_LENGTH, PLATE_WIDTH, PLATE_THICK, PLATE_CORNER = 300.0, 110.0, 8.0, 10.0
SHELF_HEIGHT, SHELF_THICK, GUSSET_LENGTH, GUSSET_THICK = 70.0, 8.0, 55.0, 8.0
SCREW_X, SCREW_Y, SCREW_RADIUS = 120.0, 25.0, 3.0

# Hinged box, closed as it is printed, x = y = 0 the middle of its inside [mm].
BOX_INNER, BOX_WALL, BOX_CORNER, BOX_FLOOR = (56.0, 26.0), 2.4, 6.4, 2.0
RIM_Z, SEAT_GAP, LID_TOP = 24.0, 0.08, 26.4
PIVOT_X, PIVOT_BOSS, COLLAR_RADIUS, COLLAR_TOP, PIN_RADIUS, PIN_GAP_FUSED = 36.0, 8.0, 7.2, 30.0, 4.0, 0.15
HEAD_GAP, HEAD_RADIUS, HEAD_CONE, HEAD_FLAT = 0.4, 6.4, 3.0, 1.0
LATCH_X, LATCH_BOSS, PEG_RADIUS, PEG_GAP, PEG_TOP = -34.0, 6.0, 2.4, 0.4, 29.0
HOOK_Y, HOOK_THICK, HOOK_WIDTH, HOOK_BOTTOM, HOOK_TOP, HOOK_ARM = -22.0, 2.4, 14.0, 6.0, 22.0, 4.0
DRAIN_X, DRAIN_SOUND, DRAIN_SMALL = 16.0, 1.5, 0.4

# Snap clip, x along the strip, z off the plate [mm].
STRIP_LENGTH, STRIP_WIDTH, STRIP_THICK = 152.0, 16.0, 4.0
JAW_X, JAW_THICK, JAW_TOP, CLIP_WIDTH = -50.0, 8.0, 32.0, 12.0
ARM_X, ARM_THICK, ARM_TOP, NOSE, NOSE_TOP = -29.2, 1.6, 32.0, 3.0, 41.0
NOSE_SLOPE = 40.0  # of the underside of the nose, from the vertical [deg]
ARM_STROKE, FILLET = 6.0, 2.0
POST_X, POST_RADIUS, POST_HEIGHT = 44.0, 2.5, 80.0
MOUNT_X, MOUNT_RADIUS = 66.0, 2.5
PAD_X, PAD_Y, PAD_RADIUS, PAD_HEIGHT, WEB_BOTTOM, WEB_WIDE, WEB_HIGH = 52.0, 16.0, 2.5, 3.0, 2.0, 0.4, 1.0
LABEL, LABEL_CAP, LABEL_STROKE, LABEL_HIGH = "LIFT", 3.0, 0.3, 0.4

# Tool grip, lying on its flat side, x along it [mm].
GRIP_STRAIGHT, GRIP_END, GRIP_SWELL, GRIP_PERIOD, GRIP_RISE = 49.0, 14.0, 2.0, 84.0, 1.25
GRIP_POWER = 2.6  # of the superellipse that is half the section; 2 would be an ellipse
BADGE_X, BADGE_Z, BADGE_SLOPE = -60.0, 6.0, 20.0  # slope from the horizontal [deg]
BORE_X, BORE_RADIUS, BORE_TOLERANCE, BORE_PAD, BORE_TOP = 42.0, 5.0, 0.03, 10.0, 20.0
SPIGOT_X, SPIGOT_RADIUS, SPIGOT_TOLERANCE, SPIGOT_TOP = -14.0, 8.0, 0.5, 30.0
INSERT_X, INSERT_DIAMETER, INSERT_HOLE, INSERT_DEPTH, INSERT_WALL, INSERT_TOP = 14.0, 6.0, 5.4, 9.0, 1.2, 26.0

# Spacer, a ring standing on the plate [mm].
SPACER_OUTER, SPACER_INNER, SPACER_HIGH, SPACER_BEVEL = 24.0, 14.0, 12.0, 1.2

# Darts, standing on their tails, x = y = 0 their axis [mm].  Walls of two lines round a core that is filled as stated.
DART_RADIUS, DART_LENGTH, DART_FLARE, DART_RIM, DART_SOLID = 6.0, 66.0, 12.0, 1.6, 24.0
DART_FLARE_SLOPE, DART_SIDES, DART_WALL = 30.0, 96, 0.8  # slope of the flare from the axis [deg]
DART_CORE, DART_TAIL_CORE = 0.15, 0.05  # of the machine, and of the zone behind the solid nose [-]
DART_SPEED_M_S, PETG_G_MM3 = 5.0, 1.27e-3


@dataclass(frozen=True)
class Fault:
    """One row of a truth table: a planted fault, or a thing drawn to be sound."""

    part: str
    code: str
    subject: str
    verdict: Verdict
    fault: str
    place_mm: Vector | None = None

    @property
    def row(self) -> tuple[str, ...]:
        """The cells of the table, in the order of :data:`COLUMNS`."""
        place = ("", "", "", "") if self.place_mm is None else (*self.place_mm, PLACE_TOLERANCE_MM)
        numbers = tuple(value if value == "" else f"{value:.3f}" for value in place)
        key = finding_key(self.code, self.part, self.subject)
        return (key, self.part, self.code, self.subject, str(self.verdict), *numbers, self.fault)


# --- launcher ------------------------------------------------------------------------------


def launcher_profile() -> Polygon:
    """The mechanism of revision A from above: the same at every height, but for trough and token."""
    design = LAUNCHER_A
    outline = _launcher_outline(design)
    chamber = _rounded(_chamber(design, outline).difference(_barrel(design)), convex=3.0)
    opening = _opening(design)
    # A void is rounded by itself, so that the fillets at the roots of the leaves do not close the
    # narrow gaps at the guides; their mouths are cut square.
    moving = unary_union([_shuttle(design), *_both_sides(_bank(design, _boss(design)))])
    voids = _rounded(unary_union([chamber, opening]).difference(moving), convex=LEAF_ROOT_RADIUS)
    x, y = (design.guide_rear, design.guide_front), design.tail_half
    guide = box(x[0] - 2.0, -y - 2.0, x[1] + 2.0, y + 2.0).intersection(
        unary_union([chamber, opening, box(x[0], -y - design.gap_right, x[1], y + design.gap_left)])
    )
    windows = [*_flank_windows(outline), *_grip_windows()]
    profile = outline.difference(unary_union([voids, guide.difference(moving), _loop_hole(design), *windows]))
    return profile.simplify(SAGITTA_MM / 5)


def launcher_first_layer() -> Polygon:
    """Outlines of revision A on the plate: the mechanism, and the token on its neck."""
    return unary_union([launcher_profile(), _neck(), _token()])


def launcher() -> Manifold:
    """Revision A of the launcher as it is printed."""
    body = _extrude(launcher_profile(), DEPTH) - _trough(LAUNCHER_A, DEPTH)
    return body + _extrude(_neck(), NECK_HEIGHT) + _extrude(_token(), TOKEN_HEIGHT)


def launcher_faults() -> list[Fault]:
    """What is wrong with revision A of the launcher and what is right."""
    part, middle, design = "launcher", DEPTH / 2, LAUNCHER_A
    first = launcher_first_layer()
    horn = (design.front, design.barrel_half, middle)
    web = (WEB_X, _web_middle(), middle)
    gap = ((design.guide_rear + design.guide_front) / 2, design.tail_half + design.gap_left / 2, middle)
    neck = (TOKEN_X, (design.barrel_half + TOKEN_Y - TOKEN_RADIUS) / 2, NECK_HEIGHT / 2)
    opening = ((design.opening_rear + design.loop_x - design.tail_half) / 2, 0.0, middle)
    pusher_gap_mm = design.trough_start - design.nose[0][2]
    wall_gap_mm = min(design.leaf_x) - design.leaf_width / 2 - design.guide_front
    leaves = [
        Fault(
            part, "PR-04", f"leaf-{number}", Verdict.MARGINAL,
            f"leaf {design.leaf_width:g} mm wide: less than two lines of 0.4 mm and no whole number of them",
            (x, side * (design.spine_half + design.leaf_length / 2), middle),
        )
        for number, (side, x) in enumerate(((s, x) for s in (1, -1) for x in design.leaf_x), start=1)
    ]  # fmt: skip
    return [
        Fault(part, "PR-01", "part", Verdict.MARGINAL, "fits the 240 mm plate only turned: " + _extent_words(first)),
        *_first_layer_faults(
            part, first,
            holes=Verdict.FAILS, outline=Verdict.FAILS, compactness=Verdict.FAILS, neck=Verdict.FAILS,
            neck_mm=design.leaf_width, sharp_corners=Verdict.MARGINAL, sharp_count=2, sharp_place=(*horn[:2], 0.0),
        ),
        Fault(part, "PR-04", "part", Verdict.FAILS, "one web thinner than one line, twelve leaves thinner than two"),
        *leaves,
        Fault(part, "PR-04", place_name(web), Verdict.FAILS,
              f"web {WEB_THIN:g} mm thick between two windows of the left flank: thinner than one line", web),
        *(Fault(part, "PR-05", subject, Verdict.FAILS,
                f"gap {design.gap_left:g} mm between the shuttle's tail and its guide: it fuses", gap)
          for subject in ("part", place_name(gap))),
        *_mechanism_faults(part, design),
        *(Fault(part, "SA-01", subject, Verdict.FAILS,
                "open above and below, with voids between the leaves far wider than a finger")
          for subject in ("part", "shuttle")),
        Fault(part, "SA-02", "part", Verdict.FAILS, "gaps that a finger enters close on it, or open to let it in"),
        Fault(part, "SA-02", "finger-opening", Verdict.FAILS,
              f"{design.finger_opening:g} mm open behind the loop, {design.finger_opening - STROKE:g} mm when drawn: "
              "traps a finger", opening),
        Fault(part, "SA-02", "shuttle to barrel", Verdict.FAILS,
              f"{pusher_gap_mm:g} mm between pusher and barrel, {pusher_gap_mm + STROKE:g} mm when drawn"),
        Fault(part, "SA-02", "leaf-1", Verdict.FAILS,
              f"{wall_gap_mm:.1f} mm between the rearmost leaf and the chamber's wall, near its root "
              "as much as the stroke less when drawn"),
        Fault(part, "SA-03", "grip", Verdict.MARGINAL,
              f"windows {2 * WINDOW_HALF:g} mm wide: between 7 and 12 mm a finger goes in and may stick"),
        Fault(part, "SA-04", place_name(neck), Verdict.MARGINAL,
              f"token {2 * TOKEN_RADIUS:g} mm across is a small part once it is off; no ban at six years", neck),
        Fault(part, "SA-06", place_name(horn), Verdict.MARGINAL,
              f"pointed corners of {design.horn_deg:g} deg beside the muzzle", horn),
        Fault(part, "SA-07", "part", Verdict.FAILS, "one piece breaks off"),
        Fault(part, "SA-07", place_name(neck), Verdict.FAILS,
              f"token breaks off at a neck of {NECK_WIDTH:g} x {NECK_HEIGHT:g} mm", neck),
        Fault(part, "ER-02", "grip", Verdict.FAILS,
              f"square edges without radius along the grip, {2 * design.grip_half:g} x {DEPTH:g} mm in section",
              ((design.rear + design.opening_rear) / 2, design.grip_half, DEPTH)),
        Fault(part, "ER-03", "grip", Verdict.FAILS,
              f"{design.opening_rear - design.surround - design.rear:g} mm long: too short for the older children"),
        *(Fault(part, "ER-05", subject, Verdict.FAILS,
                f"opening behind the loop narrows to {design.finger_opening - STROKE:g} mm when drawn")
          for subject in ("part", "finger-opening")),
        Fault(part, "ER-05", "shuttle", Verdict.MARGINAL,
              f"loop {2 * design.loop_inner:g} mm across: no more than the widest finger needs"),
    ]  # fmt: skip


def _mechanism_faults(part: str, design: Launcher) -> list[Fault]:
    """The rows of the mechanism: its leaves were sized as if they were free to shorten."""
    count = 2 * len(design.leaf_x)
    force_N = MODULUS_MPA * design.stiffness_mm * STROKE  # noqa: N806
    too_stiff = f"{force_N:.1f} N as the sum of {count} free leaves, to which the ties that hold the rails add"
    strained = f"{100 * design.strain:.2f} % as a free leaf, to which the pull along it and its fillets add"
    return [
        Fault(part, "ME-01", "part", Verdict.MEETS, f"{count} leaves, and two ties on each side"),
        *(Fault(part, "ME-02", subject, Verdict.MARGINAL, too_stiff) for subject in ("part", "shuttle")),
        *(Fault(part, "ME-03", subject, Verdict.MARGINAL, strained)
          for subject in ("part", *(f"leaf-{number}" for number in range(1, count + 1)))),
        Fault(part, "ME-04", "part", Verdict.MEETS, "leaves and ties bend within the layers"),
        Fault(part, "ME-05", "part", Verdict.MEETS, "leaves are pulled more than pressed"),
        Fault(part, "ME-06", "part", Verdict.MEETS, "nothing snaps in"),
        Fault(part, "ME-07", "part", Verdict.MEETS, "scatters by less than what is asked of it allows"),
    ]  # fmt: skip


def launcher_b_first_layer() -> MultiPolygon:
    """Revision B in the middle of the first layer: floor and grip, and the loop that stands in its opening."""
    up_mm = 0.1
    floor, _, moving = _launcher_b_plans()
    grip = _grip_b_at(up_mm).difference(_lanyard_hole(LAUNCHER_B))
    stood = [_inset(piece, FLOOR_BEVEL - up_mm) for piece in (floor, _foot(moving))]
    return unary_union([*stood, grip])


def launcher_b() -> Manifold:
    """Revision B of the launcher as it is printed."""
    design = LAUNCHER_B
    floor, frame, moving = _launcher_b_plans()
    top = MOVING_BOTTOM + design.leaf_depth
    wall_front, wall_rear = design.chamber_front + design.rim, design.chamber_rear - design.rim - 1.0
    wall = _bevelled_frame(_along_x(frame, wall_rear, wall_front), top)
    # What is lower ends inside the wall, so that no groove stays between their bevels.
    barrel = _bevelled_frame(frame, BARREL_TOP).trim_by_plane((1.0, 0.0, 0.0), wall_front - 2.0)
    barrel -= _trough(design, BARREL_TOP)
    surround = _bevelled_frame(frame, SURROUND_TOP).trim_by_plane((-1.0, 0.0, 0.0), -wall_rear - 2.0)
    pieces = [_stacked(floor, [(0.0, FLOOR_BEVEL), (FLOOR_BEVEL, 0.0), (FLOOR_TOP, 0.0)]), wall, barrel, surround]
    # The tail reaches into the spine, which is higher.
    tail = moving.intersection(box(design.rear, -design.opening_half, design.tail_front + 10.0, design.opening_half))
    pieces += [
        _stacked(_foot(moving), [(0.0, FLOOR_BEVEL), (FLOOR_BEVEL, 0.0), (LOOP_TOP / 2, 0.0)]),
        _stacked(tail, [(MOVING_BOTTOM, 0.0), (LOOP_TOP - LOOP_BEVEL, 0.0), (LOOP_TOP, LOOP_BEVEL)]),
        _stacked(_along_x(moving, design.tail_front + 2.5, math.inf), [(MOVING_BOTTOM, 0.0), (top, 0.0)]),
        _lofted([_grip_section_b(x) for x in _grip_stations_b()]),
    ]
    lanyard = _at(_extrude(_lanyard_hole(design), 2 * SURROUND_TOP), z_mm=-1.0)
    return Manifold.batch_boolean(pieces, OpType.Add) - lanyard


def launcher_b_faults() -> list[Fault]:
    """What revision B set right, and what it still leaves."""
    part, design, first = "launcher", LAUNCHER_B, launcher_b_first_layer()
    floor, _, moving = _launcher_b_plans()
    shadow = unary_union([floor, moving, _grip_b_at(GRIP_BEVEL_HIGH).difference(_lanyard_hole(design))])
    count = 2 * len(design.leaf_x)
    return [
        *_sound_mesh_faults(part, bodies=1),
        Fault(part, "PR-01", "part", Verdict.MARGINAL, "fits the 240 mm plate only turned: " + _extent_words(shadow)),
        *_first_layer_faults(
            part, first, neck_mm=narrowest_mm(first), joined_mm=MOVING_BOTTOM, shadow=shadow,
            islands=Verdict.MARGINAL, holes=Verdict.MARGINAL, outline=Verdict.MARGINAL, compactness=Verdict.FAILS,
        ),
        Fault(part, "PR-04", "part", Verdict.MEETS,
              f"leaves and ties {design.leaf_width:g} mm wide, two lines; floor {FLOOR_TOP:g} mm, six layers"),
        Fault(part, "PR-05", "part", Verdict.MEETS,
              f"guides free by {design.gap_left:g} mm; two empty layers between floor and all that moves"),
        Fault(part, "PR-06", "part", Verdict.MEETS,
              "what moves is laid onto the floor over two empty layers; bevels no flatter than 45 deg"),
        Fault(part, "PR-07", "part", Verdict.MEETS, "flat; each leaf is held at both ends"),
        Fault(part, "PR-08", "pieces", Verdict.MEETS, "the loop's foot hangs on six leaves of full height"),
        Fault(part, "PR-08", "contact area", Verdict.MARGINAL, f"{first.area:.1f} mm2"),
        Fault(part, "PR-09", "part", Verdict.MARGINAL, f"{first.bounds[2] - first.bounds[0]:.1f} mm long on the plate"),
        Fault(part, "PR-10", "part", Verdict.MEETS, "nothing finer than leaves and ties"),
        Fault(part, "PR-11", "part", Verdict.MEETS, f"{count} leaves and the ties lie in the layers"),
        *_mechanism_faults(part, design),
        *(Fault(part, "ME-03", f"tie-{side} {number} root", Verdict.MARGINAL, "no fillet where it meets boss and rail")
          for side in ("left", "right") for number in (1, 2)),
        *(Fault(part, "SA-01", subject, Verdict.FAILS, "closed below, but the mechanism is open from above")
          for subject in ("part", "shuttle")),
        Fault(part, "SA-02", "part", Verdict.MEETS,
              f"{design.finger_opening - STROKE:g} mm or more behind the loop over the whole stroke; nothing else "
              "between 4.7 and 12.7 mm opens or closes"),
        Fault(part, "SA-03", "part", Verdict.MEETS,
              f"slots {2 * SLOT_HALF:g} mm wide, lanyard {2 * LANYARD_RADIUS:g} mm, loop {2 * design.loop_inner:g} mm"),
        Fault(part, "SA-04", "part", Verdict.MEETS, "far longer than the small-parts cylinder, and nothing breaks off"),
        Fault(part, "SA-07", "part", Verdict.MEETS, "the token is gone"),
        Fault(part, "ER-01", "grip", Verdict.MARGINAL,
              f"{2 * design.grip_half:g} x {SURROUND_TOP:g} mm: thick for the youngest, thin for the oldest"),
        Fault(part, "ER-02", "grip", Verdict.MARGINAL,
              f"rounded by {GRIP_ROUND:g} mm above; below, a bevel of {GRIP_BEVEL:g} mm, as it prints, has no radius"),
        Fault(part, "ER-05", "part", Verdict.MEETS, f"loop {2 * design.loop_inner:g} mm across"),
    ]  # fmt: skip


def _bevelled_frame(plan: MultiPolygon | Polygon, top_mm: float) -> Manifold:
    return _stacked(plan, [(FLOOR_BEVEL, 0.0), (top_mm - FRAME_BEVEL, 0.0), (top_mm, FRAME_BEVEL)])


def _launcher_outline(design: Launcher) -> Polygon:
    """Finger opening, wings and barrel in one flowing line, with the grip in revision A; shaped at the muzzle."""
    half, rim = design.barrel_half, design.rim
    mirrored = ((x, -y) for x, y in reversed(design.wings))
    wings = Polygon([*design.wings, *mirrored, (design.wing_front, -half), (design.wing_front, half)])
    surround = box(design.opening_rear - design.surround, -design.opening_half - rim, design.guide_rear,
                   design.opening_half + rim)  # fmt: skip
    grip = _grown(LineString([(design.rear + design.grip_half, 0.0), (design.guide_rear, 0.0)]), design.grip_half)
    barrel = box(design.guide_front, -half, design.front + 40.0, half)
    flowing = [_rounded(wings, convex=design.wing_radius), _rounded(surround, convex=14.0), grip, barrel]
    # Rounding moves the ends of arcs by a hundredth; the length stays exact with the grip itself.
    outline = _rounded(unary_union(flowing), concave=FLOW_RADIUS).union(grip)
    # The muzzle is cut by an arc that meets the barrel's sides at the angle of the horns.
    half_arc = math.radians(90.0 - design.horn_deg)
    radius = half / math.sin(half_arc)
    angles = np.linspace(half_arc, -half_arc, 2 * _chords(radius) + 1)
    centre_x = design.front + radius * math.cos(half_arc)
    arc = np.column_stack([centre_x - radius * np.cos(angles), radius * np.sin(angles)])
    arc[[0, -1]] = [[design.front, half], [design.front, -half]]
    ahead = [(design.front, -2 * half), (design.front + 60.0, -2 * half), (design.front + 60.0, 2 * half),
             (design.front, 2 * half)]  # fmt: skip
    return outline.difference(Polygon([*arc, *ahead]))


def _chamber(design: Launcher, outline: Polygon) -> Polygon:
    """The void in which shuttle, leaves and rails hang, before it is rounded."""
    within = box(design.chamber_rear, -design.wing_half, design.chamber_front, design.wing_half)
    return _grown(outline, -design.rim).intersection(within)


def _opening(design: Launcher) -> Polygon:
    """The void in which the loop moves."""
    half = design.opening_half
    opening = _rounded(box(design.opening_rear, -half, design.loop_x + 2.0, half), convex=design.opening_radius)
    return opening.union(box(design.loop_x - 14.0, -half, design.guide_rear, half))


def _barrel(design: Launcher) -> Polygon:
    """The solid block that carries the trough."""
    return _rounded(box(design.trough_start, -design.barrel_half, design.front + 40.0, design.barrel_half), convex=3.0)


def _trough(design: Launcher, axis_z_mm: float) -> Manifold:
    trough = Manifold.cylinder(design.front, TROUGH_RADIUS, TROUGH_RADIUS, 4 * _chords(TROUGH_RADIUS))
    return trough.rotate((0.0, 90.0, 0.0)).translate((design.trough_start, 0.0, axis_z_mm))


def _shuttle(design: Launcher) -> Polygon:
    """Spine, pusher and tail; the hole in the loop is cut later."""
    x, half = design.loop_x, design.tail_half
    spine = box(design.tail_front - 2.0, -design.spine_half, design.spine_front, design.spine_half)
    core = half - design.loop_corner
    end = _grown(box(x - core, -core, x + core, core) if core else Point(x, 0.0), design.loop_corner)
    tail = unary_union([box(x, -half, design.tail_front, half), end])
    nose = unary_union([box(rear, -wide, front, wide) for rear, wide, front in design.nose])
    return _rounded(unary_union([spine, nose, tail]), convex=design.shuttle_round, concave=2.0)


def _loop_hole(design: Launcher) -> Polygon:
    return _disc(design.loop_x, 0.0, design.loop_inner)


def _bank(design: Launcher, boss: Polygon) -> Polygon:
    """Leaves, rail and ties of one side, and the boss that carries them."""
    inner, outside = design.rail_inner, design.tie_inner + design.tie_width
    leaves = [box(x - design.leaf_width / 2, 0.0, x + design.leaf_width / 2, inner + 1.0) for x in design.leaf_x]
    half, end = design.rail_half_length, design.rail_half_length + RAIL_END
    rail = unary_union([
        box(-end, inner, end, design.rail_outer), box(-end, inner, -half, outside), box(half, inner, end, outside),
    ])  # fmt: skip
    ties = box(-half, design.tie_inner, half, outside)
    return unary_union([*leaves, _rounded(rail, convex=0.55), ties, boss])


def _boss(design: Launcher) -> Polygon:
    return box(-design.boss_half, design.tie_inner, design.boss_half, design.wing_half)


def _both_sides(shape: Polygon) -> tuple[Polygon, Polygon]:
    return shape, affinity.scale(shape, 1.0, -1.0, origin=(0.0, 0.0))


def _launcher_b_plans() -> tuple[Polygon, Polygon, MultiPolygon]:
    """Floor, frame without grip, and moving parts of revision B from above."""
    design = LAUNCHER_B
    outline = _rounded(_launcher_outline(design), convex=design.horn_radius)
    outline = _along_x(outline, design.opening_rear - design.surround, math.inf).simplify(SAGITTA_MM / 5)
    bosses = unary_union(_both_sides(_boss(design)))
    y, ahead = design.tail_half + design.gap_left, 2 * design.front
    channel = box(design.chamber_front - 1.0, -CHANNEL_HALF, ahead, CHANNEL_HALF)
    guide = box(design.guide_rear - 1.0, -y, design.guide_front + 1.0, y)
    chamber = _rounded(_chamber(design, outline), convex=3.0)
    voids = unary_union([chamber, _opening(design), guide, channel]).difference(bosses)
    voids = _rounded(voids, concave=FRAME_ROUND).simplify(SAGITTA_MM / 5)
    slots = unary_union([
        _grown(LineString([(x - SLOT_LENGTH / 2 + SLOT_HALF, y), (x + SLOT_LENGTH / 2 - SLOT_HALF, y)]), SLOT_HALF)
        for x, off in SLOTS for y in (off, -off)
    ])  # fmt: skip
    below = _along_x(voids, -math.inf, design.guide_rear)
    spine = box(design.tail_front, -design.spine_half, design.spine_front - design.shuttle_round, design.spine_half)
    hanging = _rounded(unary_union([spine, *_both_sides(_bank(design, _boss(design)))]), concave=LEAF_ROOT_RADIUS)
    moving = hanging.union(_shuttle(design)).difference(_loop_hole(design))
    # The bosses belong to the frame; ties run into them.
    held = box(-2 * design.boss_half, design.tie_inner + design.tie_width, 2 * design.boss_half, design.wing_half)
    moving = moving.difference(unary_union(_both_sides(held))).simplify(SAGITTA_MM / 5)
    floor = outline.difference(unary_union([below, slots]))
    return floor, outline.difference(unary_union([voids, slots])), moving


def _foot(moving: Polygon) -> Polygon:
    """The part of the loop that stands on the plate."""
    return _along_x(moving, -math.inf, LAUNCHER_B.guide_rear - FOOT_GAP)


def _lanyard_hole(design: Launcher) -> Polygon:
    return _hole(design.rear + LANYARD_FROM_REAR, 0.0, LANYARD_RADIUS)


def _grip_stations_b() -> Floats:
    """Where sections stand along the grip of revision B, from its round end into the surround [mm]."""
    design = LAUNCHER_B
    turns = np.radians(np.linspace(86.0, 0.0, 20))
    end = design.rear + design.grip_half * (1.0 - np.sin(turns))
    return np.append(end, design.opening_rear - design.surround + GRIP_SINK)


def _grip_section_b(x_mm: float) -> Floats:
    """Outline across the grip of revision B: bevelled below, round above, (n, 3) [mm]."""
    design = LAUNCHER_B
    beyond = max(design.rear + design.grip_half - x_mm, 0.0) / design.grip_half
    share = math.sqrt(1.0 - beyond**2)
    inset = design.grip_half * (1.0 - share)
    half, high = design.grip_half - inset, SURROUND_TOP - inset
    radius, bevel, rise = (share * size for size in (GRIP_ROUND, GRIP_BEVEL, GRIP_BEVEL_HIGH))
    turns = np.radians(np.linspace(0.0, 90.0, 13))
    y = np.concatenate([[half - bevel, half], half - radius * (1.0 - np.cos(turns))])
    z = np.concatenate([[0.0, rise], high - radius * (1.0 - np.sin(turns))])
    return np.column_stack([np.full(2 * len(y), x_mm), np.append(y, -y[::-1]), np.append(z, z[::-1])])


def _grip_b_at(z_mm: float) -> Polygon:
    """The grip of revision B from above at a height up to that of its bevel."""
    outline = []
    for x in _grip_stations_b():
        (y_low, z_low), (y_high, z_high) = _grip_section_b(x)[:2, 1:]
        y = float(np.interp(z_mm, (z_low, z_high), (y_low, y_high)))
        outline += [(x, y), (x, -y)]
    return MultiPoint(outline).convex_hull


def _flank_windows(outline: Polygon) -> list[Polygon]:
    """Two windows in each flank, the web between them drawn far too thin on the left."""
    rim, low, high = LAUNCHER_A.rim, LAUNCHER_A.opening_half + LAUNCHER_A.rim, LAUNCHER_A.wing_half
    reach = _grown(outline, -rim).intersection(box(-66.0, low, LAUNCHER_A.guide_front - rim, high))
    windows = []
    for side, web in ((1.0, WEB_THIN), (-1.0, WEB_SOUND)):
        halves = reach.difference(box(WEB_X - web / 2, 0.0, WEB_X + web / 2, high))
        windows += [affinity.scale(_rounded(half, convex=1.5), 1.0, side, origin=(0.0, 0.0)) for half in halves.geoms]
    return windows


def _web_middle() -> float:
    """Middle of the height over which both left windows adjoin their web [mm]."""
    edges = [shapely.get_coordinates(window) for window in _flank_windows(_launcher_outline(LAUNCHER_A))[:2]]
    straight = [edge[np.abs(edge[:, 0] - WEB_X) < WEB_THIN, 1] for edge in edges]
    return float(max(y.min() for y in straight) + min(y.max() for y in straight)) / 2


def _grip_windows() -> list[Polygon]:
    """Three windows and the hole for a lanyard."""
    windows = [_rounded(box(x, -WINDOW_HALF, x + WINDOW_LENGTH, WINDOW_HALF), convex=3.0) for x in WINDOW_STARTS]
    return [*windows, _disc(LAUNCHER_A.rear + LANYARD_FROM_REAR, 0.0, LANYARD_RADIUS)]


def _neck() -> Polygon:
    # Runs into barrel and token, so that the union has no seam.
    return box(TOKEN_X - NECK_WIDTH / 2, LAUNCHER_A.barrel_half - 2.0, TOKEN_X + NECK_WIDTH / 2, TOKEN_Y)


def _token() -> Polygon:
    return _disc(TOKEN_X, TOKEN_Y, TOKEN_RADIUS)


# --- float ---------------------------------------------------------------------------------


def float_first_layer() -> Polygon:
    """The float's outline on the plate: a disc."""
    turns = 2 * math.pi * np.arange(FLOAT_SIDES) / FLOAT_SIDES
    return Polygon(FLOAT_RADIUS * np.column_stack([np.cos(turns), np.sin(turns)]))


def float_body() -> Manifold:
    """A closed hollow cylinder with flat ends."""
    hollow = Manifold.cylinder(
        FLOAT_LENGTH - 2 * FLOAT_WALL, FLOAT_RADIUS - FLOAT_WALL, FLOAT_RADIUS - FLOAT_WALL, FLOAT_SIDES
    )
    return Manifold.cylinder(FLOAT_LENGTH, FLOAT_RADIUS, FLOAT_RADIUS, FLOAT_SIDES) - hollow.translate(
        (0.0, 0.0, FLOAT_WALL)
    )


def float_b_body() -> Manifold:
    """Revision B: the same tail and a hemisphere for a nose; the hollow ends in a roof that needs no support."""
    nose_z, roof = FLOAT_LENGTH - FLOAT_RADIUS, math.radians(ROOF_SLOPE)
    turns = np.radians(np.linspace(0.0, 90.0, 25))
    outside = np.column_stack([FLOAT_RADIUS * np.cos(turns), nose_z + FLOAT_RADIUS * np.sin(turns)])
    # A sphere up to where it slopes as the roof does, then a cone up to a flat that is short enough to span.
    inner = FLOAT_RADIUS - FLOAT_WALL
    ball_z = ROOF_TOP - inner / math.sin(roof) + ROOF_FLAT / math.tan(roof)
    turns = np.linspace(0.0, roof, 13)
    hollow = np.column_stack([inner * np.cos(turns), ball_z + inner * np.sin(turns)])
    hollow = np.vstack([hollow, [(ROOF_FLAT, ROOF_TOP)]])
    solids = [
        CrossSection([np.vstack([[(0.0, low), (radius, low)], curve, [(0.0, tip)]])]).revolve(FLOAT_SIDES)
        for low, radius, curve, tip in (
            (0.0, FLOAT_RADIUS, outside[:-1], FLOAT_LENGTH), (FLOAT_WALL, inner, hollow, ROOF_TOP),
        )
    ]  # fmt: skip
    return solids[0] - solids[1]


def float_faults() -> list[Fault]:
    """The float of revision A prints well and shoots badly."""
    part, nose = "float", (0.0, 0.0, FLOAT_LENGTH)
    return [
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, float_first_layer(), neck_mm=2 * FLOAT_RADIUS),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"wall and ends {FLOAT_WALL:g} mm: three lines, six layers"),
        *(Fault(part, "SA-05", subject, Verdict.FAILS, "rigid flat nose whose rim has no radius", nose)
          for subject in ("part", "float")),
        *(Fault(part, "FL-01", subject, Verdict.MARGINAL,
                "uniform blunt cylinder: its mass centre is in the middle, so it tumbles",
                (0.0, 0.0, FLOAT_LENGTH / 2))
          for subject in ("part", "float")),
        *_float_flight_faults(part),
        *(Fault(part, "PR-06", subject, Verdict.FAILS,
                f"closed hollow under a flat roof of {2 * (FLOAT_RADIUS - FLOAT_WALL):g} mm span",
                (0.0, 0.0, FLOAT_LENGTH - FLOAT_WALL))
          for subject in ("part", "float")),
    ]  # fmt: skip


def float_b_faults() -> list[Fault]:
    """The float of revision B has a round nose and a roof that prints."""
    part = "float"
    return [
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, float_first_layer(), neck_mm=2 * FLOAT_RADIUS),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"wall and tail {FLOAT_WALL:g} mm: three lines, six layers"),
        Fault(part, "PR-05", "part", Verdict.MEETS, "no gap, no hole"),
        Fault(part, "PR-06", "part", Verdict.MEETS,
              f"roof {ROOF_SLOPE:g} deg from the vertical up to a flat of {2 * ROOF_FLAT:g} mm"),
        Fault(part, "PR-07", "part", Verdict.MEETS, f"{FLOAT_LENGTH:g} mm high on {2 * FLOAT_RADIUS:g} mm"),
        Fault(part, "PR-10", "part", Verdict.MEETS, "no fine detail"),
        Fault(part, "SA-04", "part", Verdict.MEETS,
              f"{FLOAT_LENGTH:g} mm long and {2 * FLOAT_RADIUS:g} mm thick: stands out of the small-parts cylinder"),
        Fault(part, "SA-05", "part", Verdict.MEETS, f"round nose of radius {FLOAT_RADIUS:g} mm"),
        *(Fault(part, "FL-01", subject, Verdict.MARGINAL,
                "alike all along: its mass centre is near the middle of its side")
          for subject in ("part", "float")),
        *_float_flight_faults(part),
    ]  # fmt: skip


def _float_flight_faults(part: str) -> list[Fault]:
    """How a float without a tail flies, its mass in its middle."""
    rows = [
        ("FL-02", Verdict.MARGINAL, "nothing behind its middle turns its nose ahead: it flies broadside"),
        ("FL-03", Verdict.MARGINAL, "tumbles"),
        ("FL-04", Verdict.MARGINAL, "arrives on its side"),
    ]
    return [Fault(part, code, subject, verdict, text) for code, verdict, text in rows for subject in ("part", "float")]


# --- bracket -------------------------------------------------------------------------------


def bracket_first_layer() -> Polygon:
    """The bracket's back plate with its two screw holes."""
    plate = _rounded(box(-PLATE_LENGTH / 2, 0.0, PLATE_LENGTH / 2, PLATE_WIDTH), convex=PLATE_CORNER)
    holes = [_disc(side * SCREW_X, PLATE_WIDTH - SCREW_Y, SCREW_RADIUS) for side in (-1, 1)]
    return plate.difference(unary_union(holes))


def bracket() -> Manifold:
    """Back plate, shelf along its lower edge and two gussets."""
    half = PLATE_LENGTH / 2 - PLATE_CORNER
    shelf = _extrude(_rounded(box(-half, 0.0, half, SHELF_THICK), convex=2.0), SHELF_HEIGHT)
    triangle = Polygon([(0.0, 0.0), (GUSSET_LENGTH, 0.0), (0.0, GUSSET_LENGTH)])
    gusset = _extrude(triangle, GUSSET_THICK).rotate((90.0, 0.0, 90.0))
    gussets = [
        gusset.translate((x - GUSSET_THICK / 2, SHELF_THICK - 1.0, PLATE_THICK - 1.0)) for x in (-half / 2, half / 2)
    ]
    return _extrude(bracket_first_layer(), PLATE_THICK) + shelf + gussets[0] + gussets[1]


def bracket_faults() -> list[Fault]:
    """The bracket is too large for the plate and otherwise sound."""
    part, first = "bracket", bracket_first_layer()
    return [
        Fault(
            part, "PR-01", "part", Verdict.FAILS, "larger than the 240 mm plate at any angle: " + _extent_words(first)
        ),
        Fault(part, "PD-03", "part", Verdict.FAILS, "no copy fits the plate"),
        *_first_layer_faults(part, first, outline=Verdict.MARGINAL, neck_mm=PLATE_WIDTH),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"no wall thinner than {PLATE_THICK:g} mm"),
        Fault(part, "ME-01", "part", Verdict.MEETS, "one solid body: nothing bends"),
    ]


# --- hinged box ----------------------------------------------------------------------------


def box_first_layer() -> Polygon:
    """The box's floor with its two drains; hinge and latch stand on the plate too."""
    return _box_outline().difference(_drains())


def hinged_box() -> Manifold:
    """Box and closed lid, two bodies."""
    return _box_body() + _lid()


def box_faults() -> list[Fault]:
    """The lid cannot come free, it sags over the inside, and the hook begins in the air."""
    part, first = "hinged-box", box_first_layer()
    hook = box(-HOOK_WIDTH / 2, HOOK_Y - HOOK_THICK / 2, HOOK_WIDTH / 2, 0.0)
    island = (0.0, HOOK_Y, HOOK_BOTTOM)
    side_mm = BOX_INNER[0] + 2 * (BOX_WALL - BOX_CORNER)
    return [
        *_sound_mesh_faults(part, bodies=2),
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, first, neck_mm=narrowest_mm(first), shadow=_box_outline().union(hook)),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"walls {BOX_WALL:g} mm, six lines; floor {BOX_FLOOR:g} mm"),
        Fault(part, "PR-05", "part", Verdict.FAILS,
              f"hinge and lid fuse, one drain closes; {PEG_GAP:g} mm round the latch and under the head are free"),
        Fault(part, "PR-05", "hinge", Verdict.FAILS, f"pin {PIN_GAP_FUSED:g} mm clear of the lid's collar: it fuses"),
        Fault(part, "PR-05", "lid-seat", Verdict.FAILS,
              f"break-away gap {SEAT_GAP:g} mm between rim and lid: no layer of 0.2 mm lies in it, so it fuses"),
        Fault(part, "PR-05", "drain", Verdict.FAILS, f"upright hole {2 * DRAIN_SMALL:g} mm across in the floor",
              (-DRAIN_X, 0.0, BOX_FLOOR / 2)),
        Fault(part, "PR-06", "part", Verdict.FAILS, "the lid spans the inside and the hook begins in the air"),
        Fault(part, "PR-06", "lid-seat", Verdict.FAILS,
              f"the lid bridges {BOX_INNER[1]:g} mm from rim to rim", (0.0, 0.0, RIM_Z + SEAT_GAP)),
        Fault(part, "PR-06", place_name(island), Verdict.FAILS,
              f"tongue of the hook begins {HOOK_BOTTOM:g} mm above the plate with {HOOK_THICK * HOOK_WIDTH:g} mm2",
              island),
        Fault(part, "PR-07", "part", Verdict.MEETS, "lower than its foot is long, its middle over its foot"),
        Fault(part, "PR-08", "pieces", Verdict.MEETS, "one piece stands on the plate"),
        Fault(part, "PR-08", "contact area", Verdict.MEETS, f"{first.area:.1f} mm2"),
        Fault(part, "PR-08", "leading edge", Verdict.MEETS, f"no straight edge longer than {side_mm:g} mm"),
        Fault(part, "PR-09", "part", Verdict.MEETS, f"corners rounded by {BOX_CORNER:g} mm, no narrow strip"),
        Fault(part, "ME-01", "part", Verdict.MEETS, "the lid turns on a pin: nothing bends"),
        *(Fault(part, "ME-02", subject, Verdict.NOT_CHECKED, "the lid's force is friction and the latch's")
          for subject in ("part", "lid")),
    ]  # fmt: skip


def _box_outline() -> Polygon:
    """The outside of box and lid, with the bosses that carry hinge and latch."""
    half_x, half_y = (side / 2 + BOX_WALL for side in BOX_INNER)
    shell = _rounded(box(-half_x, -half_y, half_x, half_y), convex=BOX_CORNER)
    bosses = [_disc(PIVOT_X, 0.0, PIVOT_BOSS), _disc(LATCH_X, 0.0, LATCH_BOSS)]
    return _rounded(unary_union([shell, *bosses]), concave=5.0).simplify(SAGITTA_MM / 5)


def _drains() -> MultiPolygon:
    """Two holes through the floor, one of them far too small."""
    return MultiPolygon([_hole(DRAIN_X, 0.0, DRAIN_SOUND), _hole(-DRAIN_X, 0.0, DRAIN_SMALL)])


def _box_body() -> Manifold:
    """The box with hinge pin, latch peg and hook."""
    half_x, half_y = BOX_INNER[0] / 2, BOX_INNER[1] / 2
    inside = _rounded(box(-half_x, -half_y, half_x, half_y), convex=BOX_CORNER - BOX_WALL)
    shell = _extrude(_box_outline(), RIM_Z) - _at(_extrude(inside, RIM_Z), z_mm=BOX_FLOOR)
    head_z = COLLAR_TOP + HEAD_GAP
    chords = 4 * _chords(HEAD_RADIUS)
    pin = _at(_post(PIN_RADIUS, head_z - RIM_Z + 2.0), PIVOT_X, z_mm=RIM_Z - 1.0)
    # The pin is kept by a head that widens slowly enough to need no support.
    cone = _at(Manifold.cylinder(HEAD_CONE, PIN_RADIUS, HEAD_RADIUS, chords), PIVOT_X, z_mm=head_z)
    flat = _at(_post(HEAD_RADIUS, HEAD_FLAT), PIVOT_X, z_mm=head_z + HEAD_CONE)
    peg = _at(_post(PEG_RADIUS, PEG_TOP - RIM_Z + 1.0, bevel_mm=0.6), LATCH_X, z_mm=RIM_Z - 1.0)
    drains = _at(_extrude(_drains(), BOX_FLOOR + 1.0), z_mm=-0.5)
    return shell + pin + cone + flat + peg + _hook() - drains


def _lid() -> Manifold:
    """The lid as it lies on the rim, its collar round the pin and its notch open to one side."""
    bottom_z = RIM_Z + SEAT_GAP
    plate = _at(_extrude(_box_outline(), LID_TOP - bottom_z), z_mm=bottom_z)
    collar = _at(_post(COLLAR_RADIUS, COLLAR_TOP - LID_TOP + 1.0, bevel_mm=0.8), PIVOT_X, z_mm=LID_TOP - 1.0)
    bore = _at(_post(PIN_RADIUS + PIN_GAP_FUSED, COLLAR_TOP), PIVOT_X, z_mm=bottom_z - 1.0)
    notch = _grown(LineString([(LATCH_X, 0.0), (LATCH_X, -2 * LATCH_BOSS)]), PEG_RADIUS + PEG_GAP)
    return plate + collar - bore - _at(_extrude(notch, COLLAR_TOP), z_mm=bottom_z - 1.0)


def _hook() -> Manifold:
    """An arm from the wall with a tongue that hangs from it."""
    wall_y, outside_y, inside_y = -BOX_INNER[1] / 2 - BOX_WALL, HOOK_Y - HOOK_THICK / 2, HOOK_Y + HOOK_THICK / 2
    arm = box(outside_y, HOOK_TOP - HOOK_ARM, wall_y + 1.0, HOOK_TOP)
    tongue = box(outside_y, HOOK_BOTTOM, inside_y, HOOK_TOP)
    wall = box(wall_y, HOOK_BOTTOM, wall_y + 1.0, HOOK_TOP)
    profile = _rounded(unary_union([arm, tongue, wall]), concave=1.2)
    corner = box(outside_y, HOOK_TOP - 3.0, outside_y + 3.0, HOOK_TOP)
    profile = profile.difference(corner.difference(_disc(outside_y + 3.0, HOOK_TOP - 3.0, 3.0)))
    return _upright(profile, HOOK_WIDTH, along="x")


# --- snap clip -----------------------------------------------------------------------------


def clip_first_layer() -> MultiPolygon:
    """The strip with its two mounting holes, and two pads that nothing joins to it on the plate."""
    return unary_union([_strip(), *(_disc(PAD_X, side * PAD_Y, PAD_RADIUS) for side in (1, -1))])


def snap_clip() -> Manifold:
    """The clip as it is printed."""
    pads, half_strip = [], STRIP_WIDTH / 2
    for side in (1, -1):
        web = box(PAD_X - WEB_WIDE / 2, half_strip - 1.0, PAD_X + WEB_WIDE / 2, PAD_Y)
        web = affinity.scale(web, 1.0, side, origin=(0.0, 0.0))
        pads += [_at(_post(PAD_RADIUS, PAD_HEIGHT), PAD_X, side * PAD_Y), _at(_extrude(web, WEB_HIGH), z_mm=WEB_BOTTOM)]
    post = _at(_post(POST_RADIUS, POST_HEIGHT + 1.0, bevel_mm=0.6), POST_X, z_mm=STRIP_THICK - 1.0)
    label = _at(_extrude(_label(), LABEL_HIGH + 1.0), z_mm=STRIP_THICK - 1.0)
    clip = _extrude(_strip(), STRIP_THICK) + _upright(_clip_profile(), CLIP_WIDTH, along="y") + post + label
    return clip + pads[0] + pads[1] + pads[2] + pads[3]


def clip_faults() -> list[Fault]:
    """An upright arm that is to bend, a post too slender, a strip that lifts, pads left behind."""
    part, first = "snap-clip", clip_first_layer()
    reach_mm = math.hypot(STRIP_LENGTH, STRIP_WIDTH) / 2
    # Free shrinkage of PETG, 0.2 to 0.6 %, from the middle to a corner.
    pull = f"{0.002 * reach_mm:.2f} to {0.006 * reach_mm:.2f} mm"
    arm_mm = ARM_TOP - STRIP_THICK
    # Cantilevers.
    strain = 1.5 * ARM_THICK * ARM_STROKE / arm_mm**2
    force_N = MODULUS_MPA * CLIP_WIDTH * ARM_THICK**3 * ARM_STROKE / (4 * arm_mm**3)  # noqa: N806
    sway_mm = 0.1 * POST_HEIGHT**3 / (3 * MODULUS_MPA * math.pi * POST_RADIUS**4 / 4)
    label = f"text {LABEL_CAP:g} mm high, raised in strokes {LABEL_STROKE:g} mm wide: narrower than one line"
    return [
        *_sound_mesh_faults(part, bodies=1),
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate as it lies"),
        Fault(part, "PR-02", "part", Verdict.FAILS, "in the pose that is asked for the arm bends across its layers"),
        *_first_layer_faults(
            part, first, neck_mm=narrowest_mm(first), joined_mm=WEB_BOTTOM, islands=Verdict.MARGINAL,
            compactness=Verdict.MARGINAL, smallest=Verdict.FAILS, shadow=_clip_shadow(),
        ),
        Fault(part, "PR-04", "part", Verdict.FAILS, label),
        Fault(part, "PR-04", "label", Verdict.FAILS, label),
        *(Fault(part, "PR-04", pad, Verdict.MARGINAL, f"web {WEB_WIDE:g} mm wide: one line",
                (PAD_X, side * (STRIP_WIDTH + _web_mm()) / 2, WEB_BOTTOM + WEB_HIGH / 2))
          for side, pad in ((1, "pad-left"), (-1, "pad-right"))),
        Fault(part, "PR-05", "part", Verdict.MEETS, "no gap narrower than the letters stand apart, no small hole"),
        Fault(part, "PR-06", "part", Verdict.MEETS,
              f"nose {NOSE_SLOPE:g} deg from the vertical; webs bridge {_web_mm():g} mm"),
        Fault(part, "PR-07", "part", Verdict.FAILS, "one post too slender"),
        Fault(part, "PR-07", "post", Verdict.FAILS,
              f"{POST_HEIGHT:g} mm high, {2 * POST_RADIUS:g} mm across: slenderness "
              f"{POST_HEIGHT / (2 * POST_RADIUS):g}, gives {sway_mm:.2f} mm to 0.1 N at its top"),
        Fault(part, "PR-08", "pieces", Verdict.FAILS,
              f"two pads {2 * PAD_RADIUS:g} mm across on webs of {WEB_WIDE:g} x {WEB_HIGH:g} mm stay on the plate"),
        Fault(part, "PR-08", "contact area", Verdict.MEETS, f"{first.area:.1f} mm2"),
        Fault(part, "PR-09", "part", Verdict.MARGINAL,
              f"strip {STRIP_LENGTH:g} x {STRIP_WIDTH:g} mm with square corners without radius"),
        *(Fault(part, "PR-09", end, Verdict.MARGINAL,
                f"two square corners without radius, {reach_mm:.1f} mm from the middle: PETG draws in by {pull}")
          for end in ("left-end", "right-end")),
        Fault(part, "PR-10", "part", Verdict.FAILS, label),
        Fault(part, "PR-10", "label", Verdict.FAILS, label),
        Fault(part, "PR-11", "part", Verdict.FAILS, "the arm bends across its layers"),
        Fault(part, "PR-11", "arm", Verdict.FAILS,
              f"stands upright, so bending by {ARM_STROKE:g} mm pulls its layers apart: strain {strain:.4f}"),
        Fault(part, "ME-01", "part", Verdict.MEETS, "one arm"),
        *(Fault(part, "ME-02", subject, Verdict.MARGINAL,
                f"an arm that gives {force_N:.2f} N at {ARM_STROKE:g} mm: too soft")
          for subject in ("part", "nose")),
        *(Fault(part, code, subject, Verdict.FAILS, f"bends across its layers, strained {strain:.4f}")
          for code in ("ME-03", "ME-06") for subject in ("part", "arm")),
        *(Fault(part, "ME-04", subject, Verdict.MARGINAL, "the arm stands across the layers")
          for subject in ("part", "arm")),
    ]  # fmt: skip


def _strip() -> Polygon:
    half_x, half_y = STRIP_LENGTH / 2, STRIP_WIDTH / 2
    holes = [_hole(side * MOUNT_X, 0.0, MOUNT_RADIUS) for side in (1, -1)]
    return box(-half_x, -half_y, half_x, half_y).difference(unary_union(holes))


def _clip_profile() -> Polygon:
    """Stiff jaw and arm with its nose, seen along the strip's width, on a slice of the strip."""
    inner, outer = ARM_X - ARM_THICK / 2, ARM_X + ARM_THICK / 2
    under_z = ARM_TOP + NOSE / math.tan(math.radians(NOSE_SLOPE))
    nose = Polygon([(inner, ARM_TOP), (inner - NOSE, under_z), (inner - NOSE, under_z + 1.0), (inner, NOSE_TOP),
                    (outer, NOSE_TOP), (outer, ARM_TOP)])  # fmt: skip
    arm = box(inner, 1.0, outer, NOSE_TOP - 1.0)
    jaw = _rounded(box(JAW_X - JAW_THICK / 2, -5.0, JAW_X + JAW_THICK / 2, JAW_TOP), convex=2.0)
    # Just inside the strip, so that fillets run into its face and not along it.
    foot = box(JAW_X - JAW_THICK / 2 - 2 * FILLET, 1.0, outer + 2 * FILLET, STRIP_THICK - 0.02)
    standing = unary_union([arm, _rounded(nose, convex=0.4), jaw.intersection(box(-100.0, 1.0, 0.0, 100.0)), foot])
    return _rounded(standing, concave=FILLET)


def _web_mm() -> float:
    return PAD_Y - PAD_RADIUS - STRIP_WIDTH / 2


def _clip_shadow() -> Polygon:
    webs = [box(PAD_X - WEB_WIDE / 2, -PAD_Y, PAD_X + WEB_WIDE / 2, PAD_Y)]
    return unary_union([clip_first_layer(), *webs])


def _label() -> MultiPolygon:
    """Raised letters of straight strokes, from x = 0 on."""
    half, wide, step = LABEL_STROKE / 2, 0.6 * LABEL_CAP, np.array([LABEL_CAP, 0.0])
    low, high = half - LABEL_CAP / 2, LABEL_CAP / 2 - half
    strokes = {
        "L": [np.array([(0.0, high), (0.0, low), (wide, low)])],
        "I": [np.array([(wide / 2, low), (wide / 2, high)])],
        "F": [np.array([(0.0, low), (0.0, high), (wide, high)]), np.array([(0.0, 0.0), (0.8 * wide, 0.0)])],
        "T": [np.array([(0.0, high), (wide, high)]), np.array([(wide / 2, low), (wide / 2, high)])],
    }
    lines = [LineString(line + step * number) for number, letter in enumerate(LABEL) for line in strokes[letter]]
    return unary_union([line.buffer(half, cap_style="square", join_style="mitre") for line in lines])


# --- tool grip -----------------------------------------------------------------------------


def grip_first_layer() -> Polygon:
    """The grip's flat side with the end of the bore."""
    stations = _grip_stations()
    half = _grip_half_width(stations)
    outline = Polygon(np.vstack([np.column_stack([stations, -half]), np.column_stack([stations, half])[::-1]]))
    return outline.difference(_hole(BORE_X, 0.0, BORE_RADIUS))


def tool_grip() -> Manifold:
    """The grip as it is printed."""
    body = _lofted([_grip_section(x) for x in _grip_stations()])
    slope = math.radians(BADGE_SLOPE)
    normal = (-math.sin(slope), 0.0, math.cos(slope))
    # What lies under the sloping plane stays.
    body = body.trim_by_plane(tuple(-n for n in normal), -(BADGE_X * normal[0] + BADGE_Z * normal[2]))
    pad = _at(_post(BORE_PAD, BORE_TOP, bevel_mm=0.8), BORE_X)
    spigot = _at(_post(SPIGOT_RADIUS, SPIGOT_TOP, bevel_mm=1.0), SPIGOT_X)
    boss = _at(_post(INSERT_HOLE / 2 + INSERT_WALL, INSERT_TOP), INSERT_X)
    bore = _at(_extrude(_hole(BORE_X, 0.0, BORE_RADIUS), BORE_TOP + 2.0), z_mm=-1.0)
    pilot = _at(_extrude(_hole(INSERT_X, 0.0, INSERT_HOLE / 2), INSERT_DEPTH + 1.0), z_mm=INSERT_TOP - INSERT_DEPTH)
    return body + pad + spigot + boss - bore - pilot


def grip_faults() -> list[Fault]:
    """A bore asked for too tightly, a boss too thin for its insert, a face that shows its layers."""
    part, first = "tool-grip", grip_first_layer()
    cusp_mm = 0.2 * math.cos(math.radians(BADGE_SLOPE))
    boss_mm = INSERT_HOLE + 2 * INSERT_WALL
    girth_mm = Polygon(_grip_section(GRIP_PERIOD / 4)[:, 1:]).length
    return [
        *_sound_mesh_faults(part, bodies=1),
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, first, neck_mm=narrowest_mm(first), compactness=Verdict.MARGINAL),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"thinnest wall {INSERT_WALL:g} mm, three lines"),
        Fault(part, "PR-05", "part", Verdict.MEETS,
              f"no gap; upright holes {2 * BORE_RADIUS:g} and {INSERT_HOLE:g} mm across"),
        Fault(part, "PR-06", "part", Verdict.MEETS, "no surface faces down but the one on the plate"),
        Fault(part, "PR-07", "part", Verdict.MEETS, "flat and long"),
        Fault(part, "PR-08", "pieces", Verdict.MEETS, "one piece stands on the plate"),
        Fault(part, "PR-08", "contact area", Verdict.MEETS, f"{first.area:.1f} mm2"),
        Fault(part, "PR-09", "part", Verdict.MEETS, f"round ends of {GRIP_END:g} mm"),
        Fault(part, "PR-10", "part", Verdict.MEETS, "nothing finer than a wall of three lines"),
        Fault(part, "PR-12", "part", Verdict.FAILS, "one bore too exact, one boss too thin"),
        Fault(part, "PR-12", "R1", Verdict.FAILS,
              f"bore {2 * BORE_RADIUS:g} mm within {BORE_TOLERANCE:g} mm: tighter than printing holds"),
        Fault(part, "PR-12", "R2", Verdict.MEETS, f"spigot {2 * SPIGOT_RADIUS:g} mm within {SPIGOT_TOLERANCE:g} mm"),
        Fault(part, "PR-12", "insert-1", Verdict.FAILS,
              f"wall {INSERT_WALL:g} mm beside an insert of {INSERT_DIAMETER:g} mm in a boss {boss_mm:g} mm across"),
        Fault(part, "PR-13", "part", Verdict.FAILS, "one visible face shows its layers"),
        Fault(part, "PR-13", "badge steps", Verdict.FAILS,
              f"visible face {BADGE_SLOPE:g} deg from the horizontal: steps of {cusp_mm:.3f} mm at layers of 0.2 mm"),
        Fault(part, "PR-13", "flat-side plate side", Verdict.MARGINAL, "visible face on the plate: takes its texture"),
        Fault(part, "ER-01", "grip", Verdict.FAILS, f"as thick as a bar of {girth_mm / math.pi:.1f} mm: too thin"),
        Fault(part, "ER-02", "grip", Verdict.FAILS, "stands upright on the plate: its lower edges have no radius"),
        Fault(part, "ER-03", "grip", Verdict.FAILS, f"swells by {2 * GRIP_SWELL:g} mm, and is short for an adult hand"),
        Fault(part, "ME-01", "part", Verdict.MEETS, "one solid body: nothing bends"),
    ]  # fmt: skip


def _grip_stations() -> Floats:
    """Where sections stand along the grip [mm]."""
    turns = np.radians(np.linspace(0.0, 86.0, 20))
    middle = np.linspace(-GRIP_STRAIGHT, GRIP_STRAIGHT, 50)
    end = GRIP_STRAIGHT + GRIP_END * np.sin(turns[1:])
    return np.concatenate([-end[::-1], middle, end])


def _grip_half_width(x_mm: Floats) -> Floats:
    """Half the width of the grip: swelling for the palm, round at its ends [mm]."""
    beyond = np.maximum(np.abs(x_mm) - GRIP_STRAIGHT, 0.0) / GRIP_END
    return (GRIP_END + GRIP_SWELL * np.cos(2 * math.pi * x_mm / GRIP_PERIOD)) * np.sqrt(1.0 - beyond**2)


def _grip_section(x_mm: float) -> Floats:
    """Outline across the grip, open along the plate: upright where it leaves the plate, then round, (n, 3) [mm]."""
    half = float(_grip_half_width(np.array(x_mm)))
    turns = np.radians(np.linspace(0.0, 180.0, 49))
    across = np.sign(np.cos(turns)) * np.abs(np.cos(turns)) ** (2 / GRIP_POWER)
    up = np.abs(np.sin(turns)) ** (2 / GRIP_POWER)
    up[[0, -1]] = 0.0
    return np.column_stack([np.full(len(turns), x_mm), half * across, GRIP_RISE * half * up])


# --- spacer and cup ------------------------------------------------------------------------


def spacer() -> Manifold:
    """A ring, its rims bevelled: nothing is wrong with it."""
    chords = 4 * _chords(SPACER_OUTER)
    return CrossSection([_spacer_section()], FillRule.EvenOdd).revolve(chords)


def spacer_faults() -> list[Fault]:
    """What is right with the spacer."""
    # Layers are read at half their height, where the bevel has opened the ring by as much.
    part, first = "spacer", _ring(SPACER_BEVEL - 0.1)
    return [
        *_sound_mesh_faults(part, bodies=1),
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, first, neck_mm=narrowest_mm(first), compactness=Verdict.MARGINAL, shadow=_ring(0.0)),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"wall {SPACER_OUTER - SPACER_INNER:g} mm"),
        Fault(part, "PR-06", "part", Verdict.MEETS, "bevels at 45 deg"),
        Fault(part, "PR-07", "part", Verdict.MEETS, "flat"),
        Fault(part, "SA-01", "part", Verdict.MEETS, "declared as one rigid piece"),
        Fault(part, "SA-02", "part", Verdict.MEETS, "declared as one rigid piece"),
        Fault(part, "SA-07", "part", Verdict.MEETS, "no neck"),
        Fault(part, "ME-01", "part", Verdict.MEETS, "one solid body: nothing bends"),
    ]


def _ring(bevel_mm: float) -> Polygon:
    """The ring from below, as far in from both rims as the bevel goes."""
    chords = _chords(SPACER_OUTER)
    return (
        Point(0.0, 0.0)
        .buffer(SPACER_OUTER - bevel_mm, chords)
        .difference(Point(0.0, 0.0).buffer(SPACER_INNER + bevel_mm, chords))
    )


def torn_cup() -> bytes:
    """A cup of whose file no more than the beginning of its header came through: it cannot be read."""
    cup = Manifold.cylinder(40.0, 20.0, 24.0, 96) - Manifold.cylinder(40.0, 18.0, 22.0, 96).translate((0, 0, 2.0))
    return stl_bytes(cup)[:70]


def _spacer_section() -> list[tuple[float, float]]:
    """Half section through the axis, anticlockwise."""
    low, high, bevel = SPACER_INNER, SPACER_OUTER, SPACER_BEVEL
    return [
        (low + bevel, 0.0), (high - bevel, 0.0), (high, bevel), (high, SPACER_HIGH - bevel),
        (high - bevel, SPACER_HIGH), (low + bevel, SPACER_HIGH), (low, SPACER_HIGH - bevel), (low, bevel),
    ]  # fmt: skip


# --- darts ---------------------------------------------------------------------------------


def dart(flare_mm: float = 0.0) -> Manifold:
    """A rod with half a ball for a nose, on a flare of a radius where it has one."""
    section = np.vstack([[(0.0, 0.0)], _dart_side(flare_mm), [(0.0, DART_LENGTH)]])
    return CrossSection([section], FillRule.EvenOdd).revolve(DART_SIDES)


def plain_dart_faults() -> list[Fault]:
    """A rod printed alike all over: its mass lies in its middle, and it tumbles."""
    margin, lead = _dart_margin(0.0, graded=False)
    told = f"mass {lead:+.2f} calibres ahead of the middle of the side, margin {margin:+.2f}"
    rows = [
        ("FL-01", Verdict.FAILS, f"alike all over: {told}"),
        (
            "FL-02",
            Verdict.FAILS,
            f"margin {margin:+.2f} calibres, and nothing ahead to turn it back: it flies broadside",
        ),
        ("FL-03", Verdict.FAILS, "tumbles"),
        ("FL-04", Verdict.MARGINAL, "arrives on its side or its tail"),
    ]
    return _dart_faults("dart-plain", 0.0, rows)


def graded_dart_faults() -> list[Fault]:
    """The same rod with a solid nose and a light tail: no theory of slender bodies proves it stable."""
    margin, lead = _dart_margin(0.0, graded=True)
    rows = [
        ("FL-01", Verdict.MEETS, f"mass {lead:+.2f} calibres ahead of the middle of the side"),
        ("FL-02", Verdict.MARGINAL, f"margin {margin:+.2f} calibres, trims at an angle: not proven stable"),
        ("FL-03", Verdict.MARGINAL, "leaves its path, which is not proven for a body without a tail"),
        ("FL-04", Verdict.MARGINAL, "may arrive on its side"),
    ]
    return _dart_faults("dart-graded", 0.0, rows)


def flared_dart_faults() -> list[Fault]:
    """A solid nose, a light tail and a flare: more than a calibre of margin."""
    margin, lead = _dart_margin(DART_FLARE, graded=True)
    rows = [
        ("FL-01", Verdict.MEETS, f"mass {lead:+.2f} calibres ahead of the middle of the side"),
        ("FL-02", Verdict.MEETS, f"margin {margin:+.2f} calibres by slender-body theory"),
        ("FL-03", Verdict.MEETS, "keeps its nose within 20 degrees of its path over 3 m"),
        ("FL-04", Verdict.MEETS, "arrives nose first"),
    ]
    return _dart_faults("dart-flared", DART_FLARE, rows)


def _dart_faults(part: str, flare_mm: float, flight: list[tuple[str, Verdict, str]]) -> list[Fault]:
    """The rows of a dart: of its flight, on the whole and on itself, and what all of them share."""
    first = Point(0.0, 0.0).buffer(flare_mm or DART_RADIUS, DART_SIDES // 4)
    own = part.removeprefix("dart-")
    radius = _dart_slabs(flare_mm)[1]
    heaviest_g = float((math.pi * radius**2).mean()) * DART_LENGTH * PETG_G_MM3
    heavy = f"a solid print of {heaviest_g:.1f} g has {heaviest_g * 1e-3 * DART_SPEED_M_S**2 / 2:.3f} J, over 0.08 J"
    stand = [
        Fault(part, "PR-08", "push height", Verdict.MARGINAL, f"rim of the flare {DART_RIM:g} mm high, under 3 mm")
    ] if flare_mm else [
        Fault(part, "PR-07", "part", Verdict.MARGINAL, f"{DART_LENGTH:g} mm high on {2 * DART_RADIUS:g} mm"),
        Fault(part, "PR-08", "contact area", Verdict.MARGINAL, f"{math.pi * DART_RADIUS**2:.0f} mm2 on the plate"),
    ]  # fmt: skip
    return [
        *_sound_mesh_faults(part, bodies=1),
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, first, neck_mm=2 * (flare_mm or DART_RADIUS)),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"no wall under {2 * DART_RADIUS:g} mm but the rim of a flare"),
        Fault(part, "PR-06", "part", Verdict.MEETS, "nothing hangs over but the end of half a ball"),
        Fault(part, "SA-04", "part", Verdict.MEETS, f"{DART_LENGTH:g} mm long: stands out of the small-parts cylinder"),
        *stand,
        *(Fault(part, "SA-05", subject, Verdict.MARGINAL, heavy) for subject in ("part", f"{own} energy")),
        *(Fault(part, code, subject, verdict, text)
          for code, verdict, text in flight
          for subject in ("part", own)
          if subject == "part" or verdict is not Verdict.MEETS),
    ]  # fmt: skip


def _dart_side(flare_mm: float) -> Floats:
    """The side of a dart from its tail to its tip: radius and height (n, 2) [mm]."""
    turns = np.radians(np.linspace(0.0, 90.0, 25))[:-1]
    nose = np.column_stack([DART_RADIUS * np.cos(turns), DART_LENGTH + DART_RADIUS * (np.sin(turns) - 1.0)])
    rise = (flare_mm - DART_RADIUS) / math.tan(math.radians(DART_FLARE_SLOPE))
    tail = [(flare_mm, 0.0), (flare_mm, DART_RIM), (DART_RADIUS, DART_RIM + rise)] if flare_mm else [(DART_RADIUS, 0.0)]
    return np.vstack([tail, nose])


def _dart_slabs(flare_mm: float) -> tuple[Floats, Floats]:
    """Distance of thin slabs from the tip, and their radius, both (n,) [mm]."""
    side = _dart_side(flare_mm)
    z = (np.arange(6600) + 0.5) * DART_LENGTH / 6600
    return DART_LENGTH - z, np.interp(z, side[:, 1], side[:, 0])


def _dart_margin(flare_mm: float, *, graded: bool) -> tuple[float, float]:
    """Static margin, and mass centre ahead of the middle of the side, both in calibres.

    References
    ----------
    A slender body bears twice its base over its reference area, with the centre at L - V / base (Munk 1924, NACA Report
    184, from memory).
    """
    behind, radius = _dart_slabs(flare_mm)
    fill = np.where(behind < DART_SOLID, 1.0, DART_TAIL_CORE) if graded else DART_CORE
    core = np.maximum(radius - DART_WALL, 0.0)
    weight = radius**2 - (1.0 - fill) * core**2
    mass = float(weight @ behind / weight.sum())
    pressure = DART_LENGTH - float((radius**2).mean()) * DART_LENGTH / (flare_mm or DART_RADIUS) ** 2
    middle = float(radius @ behind / radius.sum())
    return (pressure - mass) / (2 * DART_RADIUS), (middle - mass) / (2 * DART_RADIUS)


# --- what all share ------------------------------------------------------------------------


def diagonal_extent_mm(first_layer: Polygon) -> float:
    """Larger side of the box round an outline that is turned by 45 degrees [mm]."""
    x, y = shapely.get_coordinates(first_layer).T
    return float(max(np.ptp(x + y), np.ptp(x - y))) / math.sqrt(2.0)


def narrowest_mm(first_layer: Polygon | MultiPolygon) -> float:
    """How much of the width may be taken off all islands before one of them parts or vanishes, to 0.1 mm [mm]."""
    islands = shapely.get_parts(first_layer)
    # Counted up: a lobe that has parted vanishes again when still more is taken off.
    for tenths in range(1, 1000):
        left = shapely.buffer(islands, -tenths / 20, quad_segs=16)
        if shapely.is_empty(left).any() or (shapely.get_num_geometries(left) > 1).any():
            return (tenths - 1) / 10
    return 100.0


def _extent_words(first_layer: Polygon) -> str:
    x_min, _, x_max, _ = first_layer.bounds
    return f"{x_max - x_min:.1f} mm long as drawn, {diagonal_extent_mm(first_layer):.2f} mm square at 45 deg"


def _first_layer_faults(
    part: str,
    first: Polygon | MultiPolygon,
    *,
    neck_mm: float,
    islands: Verdict = Verdict.MEETS,
    holes: Verdict = Verdict.MEETS,
    outline: Verdict = Verdict.MEETS,
    compactness: Verdict = Verdict.MEETS,
    smallest: Verdict = Verdict.MEETS,
    neck: Verdict = Verdict.MEETS,
    sharp_corners: Verdict = Verdict.MEETS,
    sharp_count: int = 0,
    sharp_place: Vector | None = None,
    joined_mm: float | None = None,
    shadow: Polygon | None = None,
) -> list[Fault]:
    """The rows of the first layer with the numbers of the drawn outline; several islands are joined higher up."""
    pieces = shapely.get_parts(first)
    quotient = 4 * math.pi * first.area / first.length**2
    hole_count = int(shapely.get_num_interior_rings(pieces).sum())
    share = "all" if shadow is None else f"{100 * first.area / shadow.area:.1f} %"
    rows: list[tuple[str, Verdict, str, Vector | None]] = [
        ("islands", islands, f"{len(pieces)} island{'s' * (len(pieces) > 1)}", None),
        ("holes", holes, f"{hole_count} holes", None),
        ("outline", outline, f"{first.length:.1f} mm of outline", None),
        ("compactness", compactness, f"4 pi A / P2 = {quotient:.4f}", None),
        ("smallest island", smallest, f"{shapely.area(pieces).min():.1f} mm2", None),
        ("neck", neck, f"narrowest neck {neck_mm:g} mm", None),
        ("contact share", Verdict.MEETS, f"{share} of the part's shadow stands on the plate", None),
        ("sharp corners", sharp_corners, f"{sharp_count} very sharp corners far from the middle", sharp_place),
    ]
    if joined_mm is not None:
        rows.append(("joining height", Verdict.MEETS, f"all islands joined {joined_mm:g} mm above the plate", None))
    return [Fault(part, "PR-03", subject, verdict, text, place) for subject, verdict, text, place in rows]


def _sound_mesh_faults(part: str, *, bodies: int) -> list[Fault]:
    """What a closed mesh in stated units with the declared bodies earns."""
    rows = [
        ("IN-01", "part", "one closed surface for each body"),
        ("IN-02", "part", "nothing to mend"),
        ("IN-03", "part", f"{bodies} bod{'ies' if bodies > 1 else 'y'}, as declared"),
        ("IN-04", "part", "unit stated"),
        ("IN-05", "part", "no facet without area, round holes of 48 chords and more"),
    ]
    if bodies > 1:
        rows.append(("IN-03", "overlap", "the bodies share nothing"))
    return [Fault(part, code, subject, Verdict.MEETS, text) for code, subject, text in rows]


def _chords(radius_mm: float) -> int:
    """Chords in a quarter of a circle, even, so that an octant ends on a corner."""
    return 2 * math.ceil(math.pi / 8 / math.acos(1.0 - SAGITTA_MM / radius_mm))


def _disc(x_mm: float, y_mm: float, radius_mm: float) -> Polygon:
    return _grown(Point(x_mm, y_mm), radius_mm)


def _hole(x_mm: float, y_mm: float, radius_mm: float) -> Polygon:
    """A disc with chords enough for the smallest hole."""
    return Point(x_mm, y_mm).buffer(radius_mm, max(_chords(radius_mm), 12))


def _grown(shape: Point | LineString | Polygon, by_mm: float) -> Polygon:
    """All within a distance of a shape, or what is left of it where the distance is negative."""
    return shape.buffer(by_mm, _chords(abs(by_mm)))


def _rounded(shape: Polygon, convex: float = 0.0, concave: float = 0.0) -> Polygon:
    """A shape whose outer and inner corners have at least these radii [mm]."""
    if concave:
        shape = _grown(_grown(shape, concave), -concave)
    return _grown(shape.buffer(-convex, join_style="mitre"), convex) if convex else shape


def _extrude(outline: Polygon | MultiPolygon, height_mm: float) -> Manifold:
    rings = [shapely.get_coordinates(ring)[:-1] for ring in shapely.get_rings(shapely.get_parts(outline))]
    return CrossSection(rings, FillRule.EvenOdd).extrude(height_mm)


def _inset(outline: Polygon | MultiPolygon, by_mm: float) -> MultiPolygon:
    """An outline whose every edge is moved into the matter, corner by corner: nothing may close or part."""
    pieces = shapely.get_parts(shapely.orient_polygons(outline))
    return MultiPolygon([Polygon(rings[0], rings[1:]) for rings in (_inset_rings(piece, by_mm) for piece in pieces)])


def _inset_rings(piece: Polygon, by_mm: float) -> list[Floats]:
    """Rings of a piece with its matter on their left, each edge moved to the left, the outer one first."""
    rings = []
    for ring in (piece.exterior, *piece.interiors):
        corners = np.array(ring.coords)[:-1]
        along = np.roll(corners, -1, axis=0) - corners
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        normal = np.column_stack([-along[:, 1], along[:, 0]])
        before = np.roll(normal, 1, axis=0)
        rings.append(corners + by_mm * (before + normal) / (1.0 + (before * normal).sum(axis=1, keepdims=True)))
    return rings


def _stacked(outline: Polygon | MultiPolygon, levels: list[tuple[float, float]]) -> Manifold:
    """A solid over an outline through levels, each a height and how far the outline is inset there [mm]."""
    solids = []
    for piece in shapely.get_parts(shapely.orient_polygons(outline)):
        stack = [_inset_rings(piece, inset) for _, inset in levels]
        corners = [np.column_stack([np.vstack(rings), np.full(sum(map(len, rings)), z)])
                   for rings, (z, _) in zip(stack, levels, strict=True)]  # fmt: skip
        size = len(corners[0])
        after = np.concatenate([start + np.roll(np.arange(len(ring)), -1) for start, ring in zip(
            np.cumsum([0, *map(len, stack[0])]), stack[0], strict=False)])  # fmt: skip
        here = np.arange(size)
        sides = [
            np.array(
                [[low + here, low + after, low + after + size], [low + here, low + after + size, low + here + size]]
            )
            for low in size * np.arange(len(levels) - 1)
        ]
        facets = [np.moveaxis(side, 1, 2).reshape(-1, 3) for side in sides]
        caps = [
            np.asarray(triangulate(stack[0]))[:, ::-1],
            np.asarray(triangulate(stack[-1])) + size * (len(levels) - 1),
        ]
        solids.append(Manifold(Mesh64(np.vstack(corners), np.vstack([*facets, *caps]).astype(np.uint64))))
    return Manifold.batch_boolean(solids, OpType.Add)


def _along_x(shape: Polygon | MultiPolygon, start_mm: float, stop_mm: float) -> MultiPolygon:
    """What of a shape lies between two places along x; edges that only touch are left out."""
    x_min, y_min, x_max, y_max = shape.bounds
    part = shape.intersection(box(max(start_mm, x_min - 1.0), y_min - 1.0, min(stop_mm, x_max + 1.0), y_max + 1.0))
    return MultiPolygon([piece for piece in shapely.get_parts(part) if piece.area])


def _post(radius_mm: float, height_mm: float, bevel_mm: float = 0.0) -> Manifold:
    """A round post, its upper rim bevelled at 45 degrees."""
    chords = 4 * _chords(radius_mm)
    post = Manifold.cylinder(height_mm, radius_mm, radius_mm, chords)
    if not bevel_mm:
        return post
    rim = Manifold.cylinder(bevel_mm, radius_mm, radius_mm - bevel_mm, chords).translate((0, 0, height_mm - bevel_mm))
    return post.trim_by_plane((0.0, 0.0, -1.0), bevel_mm - height_mm) + rim


def _at(solid: Manifold, x_mm: float = 0.0, y_mm: float = 0.0, z_mm: float = 0.0) -> Manifold:
    return solid.translate((x_mm, y_mm, z_mm))


def _upright(profile: Polygon, width_mm: float, *, along: str) -> Manifold:
    """A profile drawn in (y, z) or (x, z), as thick as `width_mm` along the other axis and in its middle."""
    flat = _at(_extrude(profile, width_mm), z_mm=-width_mm / 2)
    # The three axes go round once for a profile in (y, z); one turn about x sets up one in (x, z).
    return flat.rotate((90.0, 0.0, 90.0)) if along == "x" else flat.rotate((90.0, 0.0, 0.0))


def _lofted(sections: list[Floats]) -> Manifold:
    """The solid through convex sections of equally many points, anticlockwise seen from where x is larger."""
    count, size = len(sections), len(sections[0])
    first = np.arange(count * size).reshape(count, size)
    here, after = first[:-1].ravel(), first[1:].ravel()
    here_next, after_next = np.roll(first, -1, 1)[:-1].ravel(), np.roll(first, -1, 1)[1:].ravel()
    sides = np.vstack([np.column_stack([here, here_next, after]), np.column_stack([here_next, after_next, after])])
    fan = np.column_stack([np.zeros(size - 2, int), np.arange(1, size - 1), np.arange(2, size)])
    facets = np.vstack([sides, fan[:, ::-1], fan + (count - 1) * size])
    return Manifold(Mesh(np.vstack(sections).astype(np.float32), facets.astype(np.uint32)))


def stl_bytes(solid: Manifold) -> bytes:
    """Binary STL, its facets in an order that depends on the shape alone."""
    mesh = solid.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype="<f4")[:, :3][np.asarray(mesh.tri_verts)]
    first = np.array([np.lexsort(facet.T[::-1])[0] for facet in corners])
    corners = np.take_along_axis(corners, ((first[:, None] + np.arange(3)) % 3)[:, :, None], axis=1)
    corners = corners[np.lexsort(corners.reshape(-1, 9).T[::-1])]
    edges = corners[:, 1:].astype(float) - corners[:, :1]
    normals = np.cross(edges[:, 0], edges[:, 1])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    facets = np.zeros(len(corners), dtype=[("corners", "<f4", (4, 3)), ("spare", "<u2")])
    facets["corners"] = np.concatenate([normals[:, None], corners], axis=1)
    return b"reviewkit demonstration part, mm".ljust(80) + np.array(len(facets), "<u4").tobytes() + facets.tobytes()


def truth_bytes(faults: Iterable[Fault]) -> bytes:
    """Truth table as CSV."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(COLUMNS)
    table.writerows(fault.row for fault in faults)
    return text.getvalue().encode()


def build(out: Path) -> list[Path]:
    """Write all meshes and truth tables below a folder.

    Parameters
    ----------
    out : Path
        Gets one folder a submission.

    Returns
    -------
    list of Path
        The files written.
    """
    contents = {
        "launcher-a/launcher.stl": stl_bytes(launcher()),
        "launcher-a/float.stl": stl_bytes(float_body()),
        "launcher-a/truth.csv": truth_bytes([*launcher_faults(), *float_faults()]),
        "launcher-b/launcher.stl": stl_bytes(launcher_b()),
        "launcher-b/float.stl": stl_bytes(float_b_body()),
        "launcher-b/truth.csv": truth_bytes([*launcher_b_faults(), *float_b_faults()]),
        "bracket/bracket.stl": stl_bytes(bracket()),
        "bracket/truth.csv": truth_bytes(bracket_faults()),
        "hinged-box/hinged-box.stl": stl_bytes(hinged_box()),
        "hinged-box/truth.csv": truth_bytes(box_faults()),
        "snap-clip/snap-clip.stl": stl_bytes(snap_clip()),
        "snap-clip/truth.csv": truth_bytes(clip_faults()),
        "tool-grip/tool-grip.stl": stl_bytes(tool_grip()),
        "tool-grip/truth.csv": truth_bytes(grip_faults()),
        "spacer/spacer.stl": stl_bytes(spacer()),
        "spacer/truth.csv": truth_bytes(spacer_faults()),
        "darts/dart-plain.stl": stl_bytes(dart()),
        "darts/dart-graded.stl": stl_bytes(dart()),
        "darts/dart-flared.stl": stl_bytes(dart(DART_FLARE)),
        "darts/truth.csv": truth_bytes([*plain_dart_faults(), *graded_dart_faults(), *flared_dart_faults()]),
        "torn-cup/cup.stl": torn_cup(),
    }
    for name, content in contents.items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_suffix(".part")
        temporary.write_bytes(content)
        temporary.replace(path)
    return [out / name for name in contents]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the submissions (default: beside this file)")
    for path in build(parser.parse_args().out):
        print(path)


if __name__ == "__main__":
    main()
