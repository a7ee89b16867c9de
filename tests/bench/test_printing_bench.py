"""Print time and mass of 200k facets against a loop over the layers with shapely: equal answers always.

Both start from the same layers, whose cutting has a bench of its own.  The peer offsets each layer, intersects it with
its neighbours one after another, cuts lines with it and walks every line and outline by itself.
"""

import math

import numpy as np
import pytest
import shapely
import trimesh
from manifold3d import CrossSection, OpType

from reviewkit.limits import machine, material
from reviewkit.measure.filling import filling_of
from reviewkit.measure.layers import layers
from reviewkit.measure.printing import OUTLINES, SOLID, VOLUME_KINDS, printing
from reviewkit.model import Setup

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
WIDTH = 0.4


def windowed_plate(arc_segments):
    """A plate 160 x 100 x 12 with 98 rounded windows, turned by 17 degrees."""
    window = CrossSection.square((8.6, 11.2)).offset(-1.0).offset(1.0, circular_segments=arc_segments)
    windows = [window.translate((4 + 11 * i, 3 + 14 * j)) for i in range(14) for j in range(7)]
    plate = CrossSection.square((160.0, 100.0)) - CrossSection.batch_boolean(windows, OpType.Add)
    mesh = plate.extrude(12.0).rotate((0.0, 0.0, 17.0)).to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int64)


def pebble(around):
    """A bumpy ball about 60 mm high, standing on its lowest point."""
    ball = trimesh.creation.uv_sphere(30.0, count=(around, around))
    x, y, z = (ball.vertices / 30).T
    vertices = ball.vertices * (1 + 0.08 * np.sin(3 * x + 1) * np.cos(4 * y) + 0.04 * np.sin(9 * z))[:, None]
    return vertices - [0, 0, vertices[:, 2].min()], np.array(ball.faces, dtype=np.int64)


def cut(mesh):
    return layers(*mesh, 0.2, 0.2)


def by_kit(sections):
    return printing(sections, filling_of(sections, SETUP.printing, WIDTH), SETUP, time_spread=0.25, mass_spread=0.05)


def by_loop(sections, chosen):
    """Seconds of outlines and solid lines, and areas by kind, of chosen layers (k, 5)."""
    settings, count = SETUP.printing, len(sections)
    rows = []
    for layer in chosen:
        region = sections.regions[layer]
        inner = region.buffer(-settings.outline_passes * WIDTH, join_style="mitre")
        window = range(layer - settings.bottom_layers, layer + settings.top_layers + 1)
        core = inner if window[0] >= 0 and window[-1] < count else shapely.Polygon()
        for other in window:
            if not core.is_empty:
                core = core.intersection(sections.regions[other])
        speed = [settings.first_layer_mm_s] * 2 if layer == 0 else [settings.outline_mm_s, settings.solid_mm_s]
        outline_s = sum(
            ring_s(ring, speed[0])
            for number in range(settings.outline_passes)
            for ring in rings(region.buffer(-(number + 0.5) * WIDTH, join_style="mitre"))
        )
        solid = inner.difference(core)
        chords = solid.intersection(hatching(solid, math.radians(settings.line_angle_deg) + layer % 2 * math.pi / 2))
        lengths = [line.length for line in shapely.get_parts(chords) if line.length > 1e-3]
        solid_s = sum(length / speed[1] if length < WIDTH else walk_s(length, speed[1], 0, 0) for length in lengths)
        rows.append((outline_s, solid_s, region.area - inner.area, solid.area, core.area))
    return np.array(rows)


def rings(region):
    return [ring for part in shapely.get_parts(region) if part.area for ring in (part.exterior, *part.interiors)]


def hatching(region, angle):
    if region.is_empty:
        return shapely.MultiLineString()
    reach = float(np.hypot(*np.abs(np.reshape(region.bounds, (2, 2))).max(axis=0)))
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    places = WIDTH * (np.arange(-int(reach / WIDTH), int(reach / WIDTH)) + 0.5)
    return shapely.MultiLineString([np.array([(-reach, place), (reach, place)]) @ turn for place in places])


def walk_s(length, speed, start, end):
    rate = SETUP.printing.acceleration_mm_s2
    peak = min(speed**2, (start + end) / 2 + rate * length)
    ramps = (2 * math.sqrt(peak) - math.sqrt(start) - math.sqrt(end)) / rate
    return ramps + max(0.0, length - (2 * peak - start - end) / (2 * rate)) / math.sqrt(peak)


def ring_s(ring, speed):
    settings = SETUP.printing
    points = shapely.get_coordinates(ring.simplify(0.005))[:-1]
    steps = np.roll(points, -1, axis=0) - points
    lengths = np.hypot(*steps.T)
    turns = np.abs(np.angle(np.exp(1j * (np.arctan2(*steps.T[::-1]) - np.roll(np.arctan2(*steps.T[::-1]), 1)))))
    caps = [
        settings.corner_mm_s**2
        if turn > math.radians(settings.corner_deg)
        else min(speed**2, settings.acceleration_mm_s2 * (before + after) / 2 / max(turn, 1e-12))
        for turn, before, after in zip(turns, np.roll(lengths, 1), lengths, strict=True)
    ]
    first = int(np.argmin(caps))
    caps, lengths = caps[first:] + caps[:first], [*lengths[first:], *lengths[:first]]
    squares = [0.0, *caps[1:], 0.0]
    for i, length in enumerate(lengths):
        squares[i + 1] = min(squares[i + 1], squares[i] + 2 * settings.acceleration_mm_s2 * length)
    for i in reversed(range(len(lengths))):
        squares[i] = min(squares[i], squares[i + 1] + 2 * settings.acceleration_mm_s2 * lengths[i])
    return sum(walk_s(length, speed, squares[i], squares[i + 1]) for i, length in enumerate(lengths))


@pytest.mark.parametrize("mesh", [windowed_plate(16), pebble(60)], ids=["plate", "pebble"])
def test_answers_are_equal(mesh):
    sections = cut(mesh)
    chosen = np.unique(np.linspace(0, len(sections) - 1, 7).astype(int))
    found, filled = by_kit(sections), filling_of(sections, SETUP.printing, WIDTH)
    peer = by_loop(sections, chosen)
    kit = np.column_stack(
        [
            found.work.outlines_s,
            found.work.solid_s,
            sections.area_mm2 - filled.inner_mm2,
            filled.inner_mm2 - filled.cored_mm2,
            filled.cored_mm2,
        ]
    )[chosen]
    assert kit.sum(axis=0) == pytest.approx(peer.sum(axis=0), rel=0.02)
    assert kit[:, 2:] == pytest.approx(peer[:, 2:], rel=0.01, abs=1.0)
    assert found.seconds[OUTLINES] > 0 and found.seconds[SOLID] > 0 and set(found.volume_mm3) == set(VOLUME_KINDS)


@pytest.fixture(scope="module", params=["plate 200k", "pebble 200k"])
def sections(request):
    return cut(windowed_plate(500) if request.param == "plate 200k" else pebble(317))


@pytest.mark.benchmark(group="printing")
def test_kit(benchmark, sections):
    assert benchmark.pedantic(by_kit, (sections,), rounds=3, warmup_rounds=1).plate_s > 0


@pytest.mark.benchmark(group="printing")
def test_shapely_loop_a_tenth_of_the_layers(benchmark, sections):
    assert len(benchmark.pedantic(by_loop, (sections, range(0, len(sections), 10)), rounds=1))
