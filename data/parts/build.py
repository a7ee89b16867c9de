"""Build the demonstration submissions: meshes and tables of the faults planted in them.

``python data/parts/build.py [--out DIR]`` writes beside each ``submission.toml`` its meshes
(binary STL, mm) and ``truth.csv``.  Each place and number of a table comes from the dimensions
and outlines below; each verdict is what the fault was drawn to earn.  No check is asked.

The launcher is a flat mechanism drawn in the plane of the plate.  A shuttle hangs between two
rails on twelve straight leaves.  A leaf that is bent sideways wants to shorten, so the rails may
come in: each hangs on two ties that run along the frame.  A finger in the loop pulls the shuttle
back; let go, it pushes the float out of the trough.

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
from manifold3d import CrossSection, FillRule, Manifold, Mesh
from shapely import LineString, MultiPolygon, Point, Polygon, affinity, box, unary_union

# So that it runs from a checkout that is not installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from reviewkit.model import Floats, Vector, Verdict, finding_key, place_name

HERE = Path(__file__).resolve().parent
COLUMNS = ("key", "part", "code", "subject", "verdict", "x_mm", "y_mm", "z_mm", "tolerance_mm", "fault")
PLACE_TOLERANCE_MM = 3.0
SAGITTA_MM = 0.01  # of the chords that stand for an arc

# Launcher, x along the shot, y across, z off the plate [mm].
DEPTH = 16.0
REAR, FRONT = -170.0, 92.0
BARREL_HALF = 20.0
TROUGH_START, TROUGH_RADIUS = 39.0, 12.5
HORN_ANGLE = 45.0  # interior angle of the two points left and right of the muzzle [deg]
LEAF_X = (-23.0, -16.0, -9.0, 9.0, 16.0, 23.0)
LEAF_WIDTH, LEAF_LENGTH = 0.7, 44.0
SPINE_HALF = 8.0
RAIL_WIDTH, RAIL_HALF_LENGTH, RAIL_END = 4.5, 28.0, 4.0
RAIL_INNER = SPINE_HALF + LEAF_LENGTH
RAIL_OUTER = RAIL_INNER + RAIL_WIDTH
TIE_GAP, TIE_WIDTH, BOSS_HALF = 2.0, 1.2, 4.0
TIE_INNER = RAIL_OUTER + TIE_GAP
WING_HALF, RIM = 68.0, 6.0
LEAF_ROOT_RADIUS = 0.8
STROKE = 9.0
TAIL_HALF, TAIL_FRONT, GUIDE_REAR, GUIDE_FRONT = 16.0, -30.0, -46.0, -38.0
GAP_FUSED, GAP_FREE = 0.15, 0.5
LOOP_X, LOOP_INNER = -62.0, 12.0
FINGER_OPENING = 12.0
OPENING_HALF = 20.0
OPENING_REAR = LOOP_X - TAIL_HALF - FINGER_OPENING
GRIP_HALF = 15.0
WINDOW_HALF, WINDOW_LENGTH, WINDOW_STARTS = 5.0, 14.0, (-152.0, -134.0, -116.0)
WEB_X, WEB_THIN, WEB_SOUND = -52.0, 0.3, 1.2
LANYARD_X, LANYARD_RADIUS = -162.0, 2.5
TOKEN_X, TOKEN_Y, TOKEN_RADIUS, TOKEN_HEIGHT = 72.0, 29.0, 6.0, 5.0
NECK_WIDTH, NECK_HEIGHT = 1.2, 1.0

# Float, standing on the plate, x = y = 0 its axis [mm].
FLOAT_RADIUS, FLOAT_LENGTH, FLOAT_WALL, FLOAT_SIDES = 12.0, 60.0, 1.2, 96

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
    """The mechanism from above: the same at every height, but for trough and token."""
    outline = _launcher_outline()
    chamber = _grown(outline, -RIM).intersection(box(GUIDE_FRONT, -WING_HALF, 56.0, WING_HALF))
    chamber = _rounded(chamber.difference(_barrel()), convex=3.0)
    opening = _rounded(box(OPENING_REAR, -OPENING_HALF, LOOP_X + 2.0, OPENING_HALF), convex=10.0)
    opening = opening.union(box(LOOP_X - 14.0, -OPENING_HALF, GUIDE_REAR, OPENING_HALF))
    # A void is rounded by itself, so that the fillets at the roots of the leaves do not close the
    # narrow gaps at the guides; their mouths are cut square.
    moving = _moving()
    voids = _rounded(unary_union([chamber, opening]).difference(moving), convex=LEAF_ROOT_RADIUS)
    guide = box(GUIDE_REAR - 2.0, -TAIL_HALF - 2.0, GUIDE_FRONT + 2.0, TAIL_HALF + 2.0).intersection(
        unary_union([chamber, opening, box(GUIDE_REAR, -TAIL_HALF - GAP_FREE, GUIDE_FRONT, TAIL_HALF + GAP_FUSED)])
    )
    windows = [*_flank_windows(outline), *_grip_windows()]
    loop_hole = _disc(LOOP_X, 0.0, LOOP_INNER)
    profile = outline.difference(unary_union([voids, guide.difference(moving), loop_hole, *windows]))
    return profile.simplify(SAGITTA_MM / 5)


def launcher_first_layer() -> Polygon:
    """The launcher's outlines on the plate: the mechanism, and the token on its neck."""
    return unary_union([launcher_profile(), _neck(), _token()])


def launcher() -> Manifold:
    """The launcher as it is printed."""
    trough = Manifold.cylinder(FRONT, TROUGH_RADIUS, TROUGH_RADIUS, 4 * _chords(TROUGH_RADIUS)).rotate((0.0, 90.0, 0.0))
    body = _extrude(launcher_profile(), DEPTH) - trough.translate((TROUGH_START, 0.0, DEPTH))
    return body + _extrude(_neck(), NECK_HEIGHT) + _extrude(_token(), TOKEN_HEIGHT)


def launcher_faults() -> list[Fault]:
    """What is wrong with revision A of the launcher and what is right."""
    part, middle = "launcher", DEPTH / 2
    first = launcher_first_layer()
    horn = (FRONT, BARREL_HALF, middle)
    web = (WEB_X, _web_middle(), middle)
    gap = ((GUIDE_REAR + GUIDE_FRONT) / 2, TAIL_HALF + GAP_FUSED / 2, middle)
    neck = (TOKEN_X, (BARREL_HALF + TOKEN_Y - TOKEN_RADIUS) / 2, NECK_HEIGHT / 2)
    leaves = [
        Fault(
            part, "PR-04", f"leaf-{number}", Verdict.MARGINAL,
            f"leaf {LEAF_WIDTH:g} mm wide: less than two lines of 0.4 mm and no whole number of them",
            (x, side * (SPINE_HALF + LEAF_LENGTH / 2), middle),
        )
        for number, (side, x) in enumerate(((s, x) for s in (1, -1) for x in LEAF_X), start=1)
    ]  # fmt: skip
    return [
        Fault(part, "PR-01", "part", Verdict.MARGINAL, "fits the 240 mm plate only turned: " + _extent_words(first)),
        *_first_layer_faults(
            part, first,
            holes=Verdict.FAILS, outline=Verdict.FAILS, compactness=Verdict.FAILS, neck=Verdict.FAILS,
            neck_mm=LEAF_WIDTH, sharp_corners=Verdict.MARGINAL, sharp_count=2, sharp_place=(*horn[:2], 0.0),
        ),
        Fault(part, "PR-04", "part", Verdict.FAILS, "one web thinner than one line, twelve leaves thinner than two"),
        *leaves,
        Fault(part, "PR-04", place_name(web), Verdict.FAILS,
              f"web {WEB_THIN:g} mm thick between two windows of the left flank: thinner than one line", web),
        *(Fault(part, "PR-05", subject, Verdict.FAILS,
                f"gap {GAP_FUSED:g} mm between the shuttle's tail and its guide: it fuses", gap)
          for subject in ("part", place_name(gap))),
        Fault(part, "SA-01", "finger-opening", Verdict.FAILS,
              f"{FINGER_OPENING:g} mm open behind the loop, {FINGER_OPENING - STROKE:g} mm when drawn: traps a finger",
              ((OPENING_REAR + LOOP_X - TAIL_HALF) / 2, 0.0, middle)),
        Fault(part, "SA-04", place_name(neck), Verdict.FAILS,
              f"token breaks off at a neck of {NECK_WIDTH:g} x {NECK_HEIGHT:g} mm and is a small part", neck),
        Fault(part, "SA-06", place_name(horn), Verdict.MARGINAL,
              f"pointed corners of {HORN_ANGLE:g} deg beside the muzzle", horn),
        Fault(part, "ER-01", "grip", Verdict.FAILS,
              f"square edges without radius along the grip, {2 * GRIP_HALF:g} x {DEPTH:g} mm in section",
              ((REAR + OPENING_REAR) / 2, GRIP_HALF, DEPTH)),
    ]  # fmt: skip


def _launcher_outline() -> Polygon:
    """Grip, finger opening, wings and barrel in one flowing line, pointed only at the muzzle."""
    wings = Polygon([(42, WING_HALF), (-38, WING_HALF), (-73, 24), (-73, -24), (-38, -WING_HALF),
                     (42, -WING_HALF), (62, -BARREL_HALF), (62, BARREL_HALF)])  # fmt: skip
    surround = box(OPENING_REAR - 7.0, -OPENING_HALF - RIM, GUIDE_REAR, OPENING_HALF + RIM)
    grip = _grown(LineString([(REAR + GRIP_HALF, 0.0), (GUIDE_REAR, 0.0)]), GRIP_HALF)
    barrel = box(GUIDE_FRONT, -BARREL_HALF, FRONT + 40.0, BARREL_HALF)
    rounded = [_rounded(wings, convex=18.0), _rounded(surround, convex=14.0), grip, barrel]
    # Rounding moves the ends of arcs by a hundredth; the length stays exact with the grip itself.
    outline = _rounded(unary_union(rounded), concave=14.0).union(grip)
    # The muzzle is cut by an arc that meets the barrel's sides at the angle of the horns.
    half_arc = math.radians(90.0 - HORN_ANGLE)
    radius = BARREL_HALF / math.sin(half_arc)
    angles = np.linspace(half_arc, -half_arc, 2 * _chords(radius) + 1)
    centre_x = FRONT + radius * math.cos(half_arc)
    arc = np.column_stack([centre_x - radius * np.cos(angles), radius * np.sin(angles)])
    arc[[0, -1]] = [[FRONT, BARREL_HALF], [FRONT, -BARREL_HALF]]
    ahead = [(FRONT, -2 * BARREL_HALF), (FRONT + 60.0, -2 * BARREL_HALF), (FRONT + 60.0, 2 * BARREL_HALF),
             (FRONT, 2 * BARREL_HALF)]  # fmt: skip
    return outline.difference(Polygon([*arc, *ahead]))


def _barrel() -> Polygon:
    """The solid block that carries the trough."""
    return _rounded(box(TROUGH_START, -BARREL_HALF, FRONT + 40.0, BARREL_HALF), convex=3.0)


def _moving() -> MultiPolygon | Polygon:
    """Shuttle, leaves, rails and ties with the bosses that carry them."""
    spine = box(TAIL_FRONT - 2.0, -SPINE_HALF, 28.0, SPINE_HALF)
    nose = unary_union([box(20.0, -6.0, 36.0, 6.0), box(31.0, -11.0, 36.0, 11.0)])
    tail = unary_union([box(LOOP_X, -TAIL_HALF, TAIL_FRONT, TAIL_HALF), _disc(LOOP_X, 0.0, TAIL_HALF)])
    shuttle = _rounded(unary_union([spine, nose, tail]), convex=1.5, concave=2.0)
    leaves = [box(x - LEAF_WIDTH / 2, 0.0, x + LEAF_WIDTH / 2, RAIL_INNER + 1.0) for x in LEAF_X]
    end = RAIL_HALF_LENGTH + RAIL_END
    rail = unary_union([
        box(-end, RAIL_INNER, end, RAIL_OUTER),
        box(-end, RAIL_INNER, -RAIL_HALF_LENGTH, TIE_INNER + TIE_WIDTH),
        box(RAIL_HALF_LENGTH, RAIL_INNER, end, TIE_INNER + TIE_WIDTH),
    ])  # fmt: skip
    ties = box(-RAIL_HALF_LENGTH, TIE_INNER, RAIL_HALF_LENGTH, TIE_INNER + TIE_WIDTH)
    boss = box(-BOSS_HALF, TIE_INNER, BOSS_HALF, WING_HALF)
    bank = unary_union([*leaves, _rounded(rail, convex=0.55), ties, boss])
    return unary_union([shuttle, bank, affinity.scale(bank, 1.0, -1.0, origin=(0.0, 0.0))])


def _flank_windows(outline: Polygon) -> list[Polygon]:
    """Two windows in each flank, the web between them drawn far too thin on the left."""
    reach = _grown(outline, -RIM).intersection(box(-66.0, OPENING_HALF + RIM, GUIDE_FRONT - RIM, WING_HALF))
    windows = []
    for side, web in ((1.0, WEB_THIN), (-1.0, WEB_SOUND)):
        halves = reach.difference(box(WEB_X - web / 2, 0.0, WEB_X + web / 2, WING_HALF))
        windows += [affinity.scale(_rounded(half, convex=1.5), 1.0, side, origin=(0.0, 0.0)) for half in halves.geoms]
    return windows


def _web_middle() -> float:
    """Middle of the height over which both left windows adjoin their web [mm]."""
    edges = [shapely.get_coordinates(window) for window in _flank_windows(_launcher_outline())[:2]]
    straight = [edge[np.abs(edge[:, 0] - WEB_X) < WEB_THIN, 1] for edge in edges]
    return float(max(y.min() for y in straight) + min(y.max() for y in straight)) / 2


def _grip_windows() -> list[Polygon]:
    """Three windows and the hole for a lanyard."""
    windows = [_rounded(box(x, -WINDOW_HALF, x + WINDOW_LENGTH, WINDOW_HALF), convex=3.0) for x in WINDOW_STARTS]
    return [*windows, _disc(LANYARD_X, 0.0, LANYARD_RADIUS)]


def _neck() -> Polygon:
    # Runs into barrel and token, so that the union has no seam.
    return box(TOKEN_X - NECK_WIDTH / 2, BARREL_HALF - 2.0, TOKEN_X + NECK_WIDTH / 2, TOKEN_Y)


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


def float_faults() -> list[Fault]:
    """The float prints well and shoots badly."""
    part, nose = "float", (0.0, 0.0, FLOAT_LENGTH)
    return [
        Fault(part, "PR-01", "part", Verdict.MEETS, "fits the plate at any angle"),
        *_first_layer_faults(part, float_first_layer(), neck_mm=2 * FLOAT_RADIUS),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"wall and ends {FLOAT_WALL:g} mm: three lines, six layers"),
        Fault(part, "SA-05", "float", Verdict.FAILS, "rigid flat nose whose rim has no radius", nose),
        Fault(part, "FL-01", "float", Verdict.FAILS,
              "uniform blunt cylinder: its mass centre is in the middle, so it tumbles", (0.0, 0.0, FLOAT_LENGTH / 2)),
        *(Fault(part, "PR-06", subject, Verdict.FAILS,
                f"closed hollow under a flat roof of {2 * (FLOAT_RADIUS - FLOAT_WALL):g} mm span",
                (0.0, 0.0, FLOAT_LENGTH - FLOAT_WALL))
          for subject in ("part", "float")),
    ]  # fmt: skip


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
        *_first_layer_faults(part, first, outline=Verdict.MARGINAL, neck_mm=PLATE_WIDTH),
        Fault(part, "PR-04", "part", Verdict.MEETS, f"no wall thinner than {PLATE_THICK:g} mm"),
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
    # Cantilevers, E = 2000 MPa.
    strain = 1.5 * ARM_THICK * ARM_STROKE / arm_mm**2
    sway_mm = 0.1 * POST_HEIGHT**3 / (3 * 2000.0 * math.pi * POST_RADIUS**4 / 4)
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
        "bracket/bracket.stl": stl_bytes(bracket()),
        "bracket/truth.csv": truth_bytes(bracket_faults()),
        "hinged-box/hinged-box.stl": stl_bytes(hinged_box()),
        "hinged-box/truth.csv": truth_bytes(box_faults()),
        "snap-clip/snap-clip.stl": stl_bytes(snap_clip()),
        "snap-clip/truth.csv": truth_bytes(clip_faults()),
        "tool-grip/tool-grip.stl": stl_bytes(tool_grip()),
        "tool-grip/truth.csv": truth_bytes(grip_faults()),
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
