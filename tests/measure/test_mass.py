"""Printed mass against closed forms of solids, hand-worked shells, and the mass properties of trimesh.

Closed forms of box, cylinder, tube and sphere: any table of rigid-body mechanics.  Shell with filled core: outer body
at full density less the core at ``1 - fill`` of it (exact); the worked box 40 x 20 x 10 mm with a wall of 1.2 mm and
15 % of core was computed for the kit from that, and so were the bored cylinders, solid nose and bored tail.
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.layers import layers
from reviewkit.measure.mass import mass_of, printed_mass
from reviewkit.model import Setup

RHO = 1.24e-3
PLAIN = {"line_width_mm": 0.4, "outline_passes": 2, "top_layers": 4, "bottom_layers": 4, "density_g_mm3": RHO}


def printed(mesh, layer_mm=0.2, **settings):
    vertices = np.array(mesh.vertices)
    vertices[:, 2] -= vertices[:, 2].min()
    cut = layers(vertices, np.array(mesh.faces, dtype=np.int64), layer_mm, layer_mm)
    return printed_mass(cut, **{**PLAIN, "core_fill": 1.0, **settings})


def bored(outer, bore, length, solid, sections=96):
    """A cylinder bored from one end, solid nose up; radii of circles of the same area as the polygons."""
    body = trimesh.creation.cylinder(outer, length, sections=sections)
    if solid >= length:
        return body
    hole = trimesh.creation.cylinder(bore, length - solid + 1, sections=sections)
    hole.apply_translation((0, 0, -length / 2 - 1 + (length - solid + 1) / 2))
    return trimesh.boolean.difference([body, hole])


def test_solid_box():
    found = printed(trimesh.creation.box((40, 20, 10)).apply_translation((7, -3, 5)))
    mass = 8000 * RHO
    assert found.mass_g == pytest.approx(mass)
    assert found.centre_mm == pytest.approx((7, -3, 5))
    expected = mass / 12 * np.diag([20**2 + 10**2, 40**2 + 10**2, 40**2 + 20**2])
    assert found.inertia_g_mm2 == pytest.approx(expected, abs=1e-6)
    assert (found.solid_mm3, found.plastic_mm3, found.fill) == pytest.approx((8000, 8000, 1))


@pytest.mark.parametrize(
    ("shape", "mass", "centre", "across", "along"),
    [
        ((6, 4.8, 60, 0), 3.02920, 30.0, 953.4707, 89.4220),
        ((6, 4.8, 60, 20), 4.82428, 22.558140, 1474.5039, 110.1013),
        ((6, 4.8, 60, 60), 8.41444, 30.0, 2600.0625, 151.4600),
        ((7.5, 6.3, 72, 24), 8.35554, 25.341390, 3521.0468, 296.4499),
    ],
)
def test_cylinder_solid_and_bored(shape, mass, centre, across, along):
    """Closed forms; 96 sides come short of a circle by 0.07 % of area and 0.14 % of inertia."""
    found = printed(bored(*shape))
    assert found.mass_g == pytest.approx(mass, rel=1e-3)
    assert found.centre_mm == pytest.approx((0, 0, shape[2] - centre), abs=2e-3)
    assert found.inertia_g_mm2 == pytest.approx(np.diag([across, across, along]), rel=2e-3, abs=0.01)


def test_solid_sphere():
    """4/3 pi R^3 and 2/5 m R^2, the layers' steps and the facets below 0.1 %."""
    found = printed(trimesh.creation.icosphere(subdivisions=5, radius=10), layer_mm=0.1)
    mass = 4 / 3 * np.pi * 1000 * RHO
    assert found.mass_g == pytest.approx(mass, rel=1e-3)
    assert found.centre_mm == pytest.approx((0, 0, 10), abs=1e-3)
    assert found.inertia_g_mm2 == pytest.approx(np.eye(3) * 0.4 * mass * 100, rel=2e-3, abs=0.05)


@pytest.mark.parametrize("turn_deg", [0.0, 31.0, 200.0])
def test_lopsided_part_agrees_with_trimesh(turn_deg):
    """Several islands, a hole and no symmetry: products of inertia too, with their sign."""
    blocks = [((30, 8, 4), (0, 0, 2)), ((5, 6, 20), (12, 1, 14)), ((4, 4, 8), (-11, -2, 8))]
    solids = [trimesh.creation.box(size).apply_translation(at) for size, at in blocks]
    hole = trimesh.creation.box((6, 3, 30)).apply_translation((-1, 1, 5))
    mesh = trimesh.boolean.difference([trimesh.boolean.union(solids), hole])
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn_deg), (0, 0, 1)))
    mesh.density = RHO
    found = printed(mesh)
    assert found.mass_g == pytest.approx(mesh.mass)
    assert found.centre_mm == pytest.approx(mesh.center_mass - (0, 0, mesh.bounds[0, 2]))
    assert found.inertia_g_mm2 == pytest.approx(mesh.moment_inertia, rel=1e-6, abs=1e-4)
    assert np.abs(found.inertia_g_mm2[0, 1:]).min() > 1


def test_box_with_shell_and_core():
    """Worked: shell 2970.624 mm3, core 5029.376 mm3 at 15 %: 4.619038 g, 250.982528 g mm2 about the long axis."""
    found = printed(trimesh.creation.box((40, 20, 10)), outline_passes=3, top_layers=6, bottom_layers=6, core_fill=0.15)
    assert found.mass_g == pytest.approx(4.619038, abs=1e-6)
    assert found.fill == pytest.approx(0.4656288)
    assert found.inertia_g_mm2[0, 0] == pytest.approx(250.982528, abs=1e-5)
    assert found.centre_mm == pytest.approx((0, 0, 5), abs=1e-9)


def test_span_from_an_empty_core_to_solid():
    found = printed(
        trimesh.creation.box((40, 20, 10)),
        outline_passes=3,
        top_layers=6,
        bottom_layers=6,
        core_fill=0.15,
        least_density_g_mm3=1.2e-3,
        greatest_density_g_mm3=1.3e-3,
        spread=0.05,
    )
    assert found.low_g == pytest.approx(0.95 * 1.2e-3 * 2970.624)
    assert found.high_g == pytest.approx(1.3e-3 * 8000)


def test_step_gets_solid_skin_only_where_it_is_open():
    """A 20 mm cube on one half of a 40 x 20 x 10 mm slab: the slab's core runs through under the cube."""
    mesh = trimesh.boolean.union(
        [trimesh.creation.box((40, 20, 10)).apply_translation((0, 0, 5)),
         trimesh.creation.box((20, 20, 15)).apply_translation((-10, 0, 12.5))]
    )  # fmt: skip
    found = printed(mesh, core_fill=0.0)
    # Shell 0.8 mm, skins 0.8 mm.  Under the step's open half the core ends 0.8 mm below z = 10; beside the cube's foot
    # it ends at the cube's side, and its own outline passes begin above z = 10.
    full = (40 - 1.6) * (20 - 1.6) * (10 - 2 * 0.8)
    under_cube = (20 - 0.8) * (20 - 1.6) * 0.8
    cube = (20 - 1.6) * (20 - 1.6) * (10 - 0.8)
    assert found.solid_mm3 == pytest.approx(8000 + 4000)
    assert found.plastic_mm3 == pytest.approx(12000 - full - under_cube - cube, rel=1e-3)


def test_core_with_a_hole_in_it():
    """A tube of R 12 and r 4 whose core is a tube of R 11.2 and r 4.8, off the origin."""
    tube = trimesh.creation.annulus(4, 12, 20, sections=192).apply_translation((30, 0, 10))
    found = printed(tube, core_fill=0.0)
    core = np.pi * (11.2**2 - 4.8**2) * (20 - 1.6)
    assert found.solid_mm3 - found.plastic_mm3 == pytest.approx(core, rel=1e-3)
    assert found.centre_mm == pytest.approx((30, 0, 10), abs=1e-2)


def test_core_of_a_sphere():
    """The core is where the outline lies 1.2 mm off sideways and 1.2 mm of plastic is above and below."""
    radius, wall = 10.0, 1.2
    z = np.linspace(0, radius - wall, 20001)
    inner = np.minimum(np.sqrt(radius**2 - z**2) - wall, np.sqrt(np.maximum(radius**2 - (z + wall) ** 2, 0)))
    core = 2 * np.trapezoid(np.pi * np.maximum(inner, 0) ** 2, z)
    found = printed(
        trimesh.creation.icosphere(subdivisions=5, radius=radius), layer_mm=0.1,
        outline_passes=3, top_layers=12, bottom_layers=12, core_fill=0.2,
    )  # fmt: skip
    assert found.solid_mm3 - found.plastic_mm3 == pytest.approx(0.8 * core, rel=2e-3)


def test_part_thinner_than_its_skins_is_solid():
    assert printed(trimesh.creation.box((40, 20, 1.6)), core_fill=0.0).fill == pytest.approx(1)
    assert printed(trimesh.creation.box((40, 1.6, 20)), core_fill=0.0).fill == pytest.approx(1, abs=1e-3)


def test_setup_and_tables_give_the_settings():
    """2 passes, 4 + 4 solid layers of the machine; PETG 1.27 (1.25 to 1.29) g/cm3 from memory, 5 % spread."""
    mesh = trimesh.creation.box((40, 20, 10)).apply_translation((0, 0, 5))
    cut = layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), 0.2, 0.2)
    setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2, core_fill=0.3)
    core = (40 - 1.6) * (20 - 1.6) * (10 - 1.6)
    found = mass_of(cut, setup, load_limits())
    assert found.mass_g == pytest.approx(1.27e-3 * (8000 - 0.7 * core))
    assert found.low_g == pytest.approx(0.95 * 1.25e-3 * (8000 - core))
    assert found.high_g == pytest.approx(1.29e-3 * 8000)
    wider = mass_of(cut, replace(setup, line_width_mm=0.6), load_limits())
    assert wider.mass_g > found.mass_g


def test_nothing_has_no_mass():
    cut = layers(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), 0.2, 0.2)
    with pytest.raises(ValueError, match="no volume"):
        printed_mass(cut, **PLAIN, core_fill=0.2)
