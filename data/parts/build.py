"""Build the demonstration submissions: meshes and tables of the faults planted in them.

``python data/parts/build.py [--out DIR]`` writes beside each ``submission.toml`` its meshes
(binary STL, mm) and ``truth.csv``.  Each place and number of a table comes from the dimensions
and outlines below; each verdict is what the fault was drawn to earn.  No check is asked.

The launcher is a flat mechanism drawn in the plane of the plate.  A shuttle hangs between two
rails on twelve straight leaves.  A leaf that is bent sideways wants to shorten, so the rails may
come in: each hangs on two ties that run along the frame.  A finger in the loop pulls the shuttle
back; let go, it pushes the float out of the trough.
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
from manifold3d import CrossSection, FillRule, Manifold
from shapely import LineString, MultiPolygon, Point, Polygon, affinity, box, unary_union

# So that it runs from a checkout that is not installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from reviewkit.model import Vector, Verdict, finding_key, place_name

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
        Fault(part, "PR-05", place_name(gap), Verdict.FAILS,
              f"gap {GAP_FUSED:g} mm between the shuttle's tail and its guide: it fuses", gap),
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
        Fault(part, "PR-06", "part", Verdict.FAILS,
              f"closed hollow under a flat roof of {2 * (FLOAT_RADIUS - FLOAT_WALL):g} mm span",
              (0.0, 0.0, FLOAT_LENGTH - FLOAT_WALL)),
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


# --- what all share ------------------------------------------------------------------------


def diagonal_extent_mm(first_layer: Polygon) -> float:
    """Larger side of the box round an outline that is turned by 45 degrees [mm]."""
    x, y = shapely.get_coordinates(first_layer).T
    return float(max(np.ptp(x + y), np.ptp(x - y))) / math.sqrt(2.0)


def _extent_words(first_layer: Polygon) -> str:
    x_min, _, x_max, _ = first_layer.bounds
    return f"{x_max - x_min:.1f} mm long as drawn, {diagonal_extent_mm(first_layer):.2f} mm square at 45 deg"


def _first_layer_faults(
    part: str,
    first: Polygon,
    *,
    neck_mm: float,
    holes: Verdict = Verdict.MEETS,
    outline: Verdict = Verdict.MEETS,
    compactness: Verdict = Verdict.MEETS,
    neck: Verdict = Verdict.MEETS,
    sharp_corners: Verdict = Verdict.MEETS,
    sharp_count: int = 0,
    sharp_place: Vector | None = None,
) -> list[Fault]:
    """The eight rows of the first layer, one island in all parts, with the numbers of the drawn outline."""
    quotient = 4 * math.pi * first.area / first.length**2
    count = len(first.interiors)
    rows: list[tuple[str, Verdict, str, Vector | None]] = [
        ("islands", Verdict.MEETS, "1 island", None),
        ("holes", holes, f"{count} holes", None),
        ("outline", outline, f"{first.length:.1f} mm of outline", None),
        ("compactness", compactness, f"4 pi A / P2 = {quotient:.4f}", None),
        ("smallest island", Verdict.MEETS, f"{first.area:.1f} mm2", None),
        ("neck", neck, f"narrowest neck {neck_mm:g} mm", None),
        ("contact share", Verdict.MEETS, "all of the part's shadow stands on the plate", None),
        ("sharp corners", sharp_corners, f"{sharp_count} very sharp corners far from the middle", sharp_place),
    ]
    return [Fault(part, "PR-03", subject, verdict, text, place) for subject, verdict, text, place in rows]


def _chords(radius_mm: float) -> int:
    """Chords in a quarter of a circle, even, so that an octant ends on a corner."""
    return 2 * math.ceil(math.pi / 8 / math.acos(1.0 - SAGITTA_MM / radius_mm))


def _disc(x_mm: float, y_mm: float, radius_mm: float) -> Polygon:
    return _grown(Point(x_mm, y_mm), radius_mm)


def _grown(shape: Point | LineString | Polygon, by_mm: float) -> Polygon:
    """All within a distance of a shape, or what is left of it where the distance is negative."""
    return shape.buffer(by_mm, _chords(abs(by_mm)))


def _rounded(shape: Polygon, convex: float = 0.0, concave: float = 0.0) -> Polygon:
    """A shape whose outer and inner corners have at least these radii [mm]."""
    if concave:
        shape = _grown(_grown(shape, concave), -concave)
    return _grown(shape.buffer(-convex, join_style="mitre"), convex) if convex else shape


def _extrude(outline: Polygon, height_mm: float) -> Manifold:
    rings = [shapely.get_coordinates(ring)[:-1] for ring in (outline.exterior, *outline.interiors)]
    return CrossSection(rings, FillRule.EvenOdd).extrude(height_mm)


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
