"""Plane-stress elements against closed forms, handbook values and the elastica."""

from collections.abc import Callable

import numpy as np
import pytest
from shapely import Polygon, box

from reviewkit.errors import SetupError
from reviewkit.measure.plane_solid import PlaneSolid
from reviewkit.measure.triangles import SizeField, Triangles, triangulated


def mapped(shape: Callable, across: int, up: int) -> Triangles:
    """A grid of the unit square, each cell cut in two, carried by a map."""
    s, t = np.meshgrid(np.linspace(0, 1, across + 1), np.linspace(0, 1, up + 1), indexing="ij")
    index = np.arange(s.size).reshape(s.shape)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    return Triangles(shape(s.ravel(), t.ravel()), np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])]))


def strip(length: float, width: float, across: int, up: int) -> Triangles:
    return mapped(lambda s, t: np.column_stack([s * length, (t - 0.5) * width]), across, up)


def edge_load(solid: PlaneSolid, on: Callable, traction: Callable, depth: float = 1.0) -> np.ndarray:
    """Nodal forces of a traction on the outline edges whose ends lie `on` it, by three Gauss points."""
    load = np.zeros_like(solid.nodes_mm)
    for first, last, middle in solid.outline_edges:
        a, b = solid.nodes_mm[first], solid.nodes_mm[last]
        if not (on(a) and on(b)):
            continue
        for place, weight in zip((-(0.6**0.5), 0.0, 0.6**0.5), (5 / 18, 8 / 18, 5 / 18), strict=True):
            s = (1 + place) / 2
            pull = np.asarray(traction(a * (1 - s) + b * s)) * weight * np.linalg.norm(b - a) * depth
            for node, share in ((first, (1 - s) * (1 - 2 * s)), (last, s * (2 * s - 1)), (middle, 4 * s * (1 - s))):
                load[node] += share * pull
    return load


def freedoms(nodes: np.ndarray) -> np.ndarray:
    return np.concatenate([2 * nodes, 2 * nodes + 1])


def at(solid: PlaneSolid, x: float, y: float) -> int:
    return int(np.linalg.norm(solid.nodes_mm - [x, y], axis=1).argmin())


def clamped_left(solid: PlaneSolid) -> np.ndarray:
    return freedoms(np.flatnonzero(solid.nodes_mm[:, 0] < 1e-9))


# V1: Timoshenko and Goodier, Theory of Elasticity, 3rd ed. 1970, art. 21; field as in Augarde and Deeks,
# Finite Elem. Anal. Des. 44 (2008) 595-601 (from memory).


def end_loaded_strip(across: int, up: int) -> float:
    modulus, poisson, length, height, load = 1000.0, 0.3, 48.0, 12.0, 1.0
    inertia = height**3 / 12
    solid = PlaneSolid(strip(length, height, across, up), 1.0, modulus, poisson)
    x, y = solid.nodes_mm.T
    factor = load / (6 * modulus * inertia)
    u = factor * y * ((6 * length - 3 * x) * x + (2 + poisson) * (y**2 - height**2 / 4))
    v = -factor * (3 * poisson * y**2 * (length - x) + (4 + 5 * poisson) * height**2 * x / 4 + (3 * length - x) * x**2)
    left = np.flatnonzero(x < 1e-9)
    pull = edge_load(
        solid, lambda p: p[0] > length - 1e-9, lambda p: (0, -load * (height**2 / 4 - p[1] ** 2) / (2 * inertia))
    )
    moved, force = solid.linear(freedoms(left), np.concatenate([u[left], v[left]]), pull)
    assert force[left].sum(axis=0) == pytest.approx([0, load], abs=1e-9)
    return moved[at(solid, length, 0.0), 1]


def test_end_loaded_strip_converges_to_the_exact_field():
    errors = [abs(end_loaded_strip(*mesh) / -0.267 - 1) for mesh in ((8, 2), (16, 4), (32, 8))]
    assert errors[0] < 1e-3
    assert errors[1] < 1e-4
    assert errors[0] / errors[1] > 10
    assert errors[1] / errors[2] > 10


# V2: Cook, J. Struct. Div. ASCE 100(9) (1974) 1851-1863; 23.96 at the middle of the right edge (from memory).


def test_cooks_membrane():
    def shape(s, t):
        low, high = 44 * s, 44 + 16 * s
        return np.column_stack([48 * s, low + (high - low) * t])

    solid = PlaneSolid(mapped(shape, 32, 32), 1.0, 1.0, 1 / 3)
    pull = edge_load(solid, lambda p: p[0] > 48 - 1e-9, lambda _: (0, 1 / 16))
    assert pull.sum() == pytest.approx(1.0)
    moved, _ = solid.linear(clamped_left(solid), np.zeros(2 * 65), pull)
    assert moved[at(solid, 48, 52), 1] == pytest.approx(23.96, abs=0.03)
    assert moved[at(solid, 48, 60), 1] == pytest.approx(25.11, abs=0.03)


# V3: Pilkey, Peterson's Stress Concentration Factors, chart 4.1 (from memory); Kirsch 1898 for the small hole.


@pytest.mark.parametrize("share", [0.02, 0.2, 0.5])
def test_plate_with_a_hole(share):
    radius, half = 1.0, 1.0 / share
    angle = np.linspace(0, np.pi / 2, 41)
    arc = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    plate = Polygon([*arc, (0, half), (2 * half, half), (2 * half, 0)])
    size = SizeField(arc, np.full(41, 0.1), 0.2, 0.02, half / 4)
    solid = PlaneSolid(triangulated(plate, size), 1.0, 1000.0, 0.3)
    x, y = solid.nodes_mm.T
    held = np.concatenate([2 * np.flatnonzero(x < 1e-9), 2 * np.flatnonzero(y < 1e-9) + 1])
    pull = edge_load(solid, lambda p: p[0] > 2 * half - 1e-9, lambda _: (1.0, 0))
    moved, _ = solid.linear(held, np.zeros(len(held)), pull)
    # Free edge: stress along it is the modulus times its strain, of small displacements.
    strain = solid.on_nodes(solid.strain(moved * 1e-6)[..., 0])[at(solid, 0, radius)] / 1e-6
    peterson = 0.284 + 2 / (1 - share) - 0.6 * (1 - share) + 1.32 * (1 - share) ** 2
    assert 1000 * strain == pytest.approx(peterson, rel=0.012)
    if share == 0.02:
        assert 1000 * strain == pytest.approx(3.0, abs=0.03)


# V4: elastica of a cantilever with a dead end load, Bisshopp and Drucker 1945 (recomputed by elliptic integrals).


@pytest.mark.parametrize(
    ("slender", "load", "stroke", "shortening"),
    [(100, 1.0, 0.3017208, 0.0564332), (100, 10.0, 0.8106090, 0.5549956), (50, 5.0, 0.7137915, 0.3876284)],
)
def test_large_deflection_of_a_cantilever(slender, load, stroke, shortening):
    length, depth, modulus = 100.0, 5.0, 2000.0
    width = length / slender
    solid = PlaneSolid(strip(length, width, 100, 2), depth, modulus, 0.35)
    force = load * modulus * depth * width**3 / 12 / length**2
    pull = edge_load(solid, lambda p: p[0] > length - 1e-9, lambda _: (0, force / depth / width), depth)
    steps = np.array([0.25, 0.5, 0.75, 1.0])
    held = clamped_left(solid)
    states = solid.path(held, np.zeros((4, len(held))), steps[:, None, None] * pull)
    tip = states.moved_mm[-1, at(solid, length, 0.0)] / length
    assert tip == pytest.approx([-shortening, stroke], rel=1.2e-3)
    assert states.force_N[-1].sum(axis=0) == pytest.approx([0, 0], abs=1e-6 * force)


# V5: fixed-guided leaf; its end is kept plane by a far deeper block, which moves along and does not turn.


def guided(slender: int, stroke: float, *, sideways_free: bool) -> tuple[float, float]:
    """Load number P L2/EI at the end of a stroke, and the energy over the integral of the force."""
    length, depth, modulus = 100.0, 5.0, 2000.0
    width = length / slender
    mesh = strip(length + 2 * width, width, 2 * slender + 4, 2)
    in_block = mesh.points_mm[mesh.corners].mean(axis=1)[:, 0] > length
    solid = PlaneSolid(mesh, np.where(in_block, 300 * depth, depth), modulus, 0.35)
    block = np.flatnonzero(solid.nodes_mm[:, 0] > length + 1e-9)
    left = clamped_left(solid)
    held = np.concatenate([left, 2 * block + 1] if sideways_free else [left, 2 * block + 1, 2 * block])
    shares = np.linspace(0, 1, 9)[1:]
    to = np.zeros((8, len(held)))
    to[:, len(left) : len(left) + len(block)] = shares[:, None] * stroke * length
    states = solid.path(held, to)
    force = states.force_N[:, block, 1].sum(axis=1)
    curve = np.polynomial.Polynomial.fit(np.append(0, shares), np.append(0, force), 6).integ()
    work = (curve(1.0) - curve(0.0)) * stroke * length
    return force[-1] * length**2 / (modulus * depth * width**3 / 12), states.energy_N_mm[-1] / work


@pytest.mark.parametrize(
    ("slender", "stroke", "load"), [(100, 0.05, 0.6015474), (100, 0.30, 3.9723912), (50, 0.10, 1.2124882)]
)
def test_large_stroke_of_a_guided_leaf(slender, stroke, load):
    number, energy_over_work = guided(slender, stroke, sideways_free=True)
    assert number == pytest.approx(load, rel=3e-3)
    assert energy_over_work == pytest.approx(1.0, rel=1e-3)


def test_guided_leaf_that_cannot_shorten():
    # Ratio to the linear force at a stroke of one width: 1.7056 by an independent total-Lagrangian model.
    number, _ = guided(50, 0.02, sideways_free=False)
    assert number / (12 * 0.02) == pytest.approx(1.7056, abs=0.01)


# Invariants.


def test_rigid_turn_makes_no_force():
    solid = PlaneSolid(strip(10, 3, 6, 2), 2.0, 2000.0, 0.35)
    turn = np.array([[np.cos(np.pi / 6), -0.5], [0.5, np.cos(np.pi / 6)]])
    moved = solid.nodes_mm @ turn.T - solid.nodes_mm
    assert np.abs(solid.nodal_force(moved)).max() < 1e-9
    assert np.abs(solid.nodal_force(0.01 * solid.nodes_mm)).max() > 1


def test_tangent_is_the_slope_of_the_force():
    solid = PlaneSolid(strip(10, 3, 4, 2), 2.0, 2000.0, 0.35)
    random = np.random.default_rng(5)
    moved, way = (0.3 * random.standard_normal(solid.nodes_mm.shape) for _ in range(2))
    step = 1e-6
    slope = (solid.nodal_force(moved + step * way) - solid.nodal_force(moved - step * way)) / (2 * step)
    assert solid.tangent(moved) @ way.ravel() == pytest.approx(slope.ravel(), rel=1e-6, abs=1e-4)
    energy = (solid.energy(moved + step * way).sum() - solid.energy(moved - step * way).sum()) / (2 * step)
    assert (solid.nodal_force(moved) * way).sum() == pytest.approx(energy, rel=1e-6)


def test_linear_fields_are_carried_to_nodes_exactly():
    solid = PlaneSolid(
        triangulated(box(0, 0, 4, 2), SizeField(np.zeros((1, 2)), np.array([0.7]), 0.0, 0.1, 0.7)), 1, 1, 0
    )
    field = 3 + 2 * solid.places_mm[..., 0] - solid.places_mm[..., 1]
    assert solid.on_nodes(field) == pytest.approx(3 + 2 * solid.nodes_mm[:, 0] - solid.nodes_mm[:, 1])


def test_a_body_that_is_not_held_is_refused():
    solid = PlaneSolid(strip(10, 3, 4, 2), 2.0, 2000.0, 0.35)
    with pytest.raises(SetupError, match="moves freely"):
        solid.linear(np.array([0]), np.array([0.0]), np.ones_like(solid.nodes_mm))
