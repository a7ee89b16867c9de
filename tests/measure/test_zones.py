"""Zones against closed forms of a cylinder with a solid nose and a bored tail, and against the plain print.

Bored cylinders: rigid-body mechanics, worked for the kit (R 6, r 4.8, L 60, a 20 mm: 4.82428 g, 22.558140 mm).
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.filling import filling_of
from reviewkit.measure.layers import layers
from reviewkit.measure.mass import mass_of
from reviewkit.measure.zones import section_moments, zoned
from reviewkit.model import Setup
from reviewkit.submission import Box, Cylinder, PartEntry, Submission, Zone, parse_submission, submission_toml

PRINTING = replace(machine("standard-240").printing, outline_passes=3, top_layers=0, bottom_layers=0)
SETUP = Setup(replace(machine("standard-240"), printing=PRINTING), material("petg"), 0.2, 0.4, 0.2, core_fill=0.0)
NOSE = Zone("nose", "p", Cylinder((0, 0, 40.0), (0, 0, 60.0), 20.0), core_fill=1.0)


def printed(zones, setup=SETUP):
    mesh = trimesh.creation.cylinder(6.0, 60.0, sections=256).apply_translation((0, 0, 30))
    cut = layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), 0.2, 0.2)
    filled = filling_of(cut, setup.printing, setup.line_width_mm)
    found = zoned(cut, filled, zones, setup.core_fill, setup.printing, lambda points: points)
    return mass_of(cut, setup, load_limits(), found)


def test_solid_nose_and_hollow_tail():
    """x_cg = [a2 + beta (L2 - a2)] / 2 [a + beta (L - a)], beta = 0.36; inertia in closed form."""
    found = printed((NOSE,))
    rho = SETUP.material["density"].value / 1.24
    assert found.mass_g == pytest.approx(4.82428 * rho, rel=1e-3)
    assert 60 - found.centre_mm[2] == pytest.approx(22.558140, abs=0.01)
    assert found.inertia_g_mm2[0, 0] == pytest.approx(1474.5039 * rho, rel=2e-3)
    assert found.inertia_g_mm2[2, 2] == pytest.approx(110.1013 * rho, rel=2e-3)


def test_later_zone_holds_and_an_empty_one_changes_nothing():
    plain = printed(())
    assert printed((Zone("away", "p", Box((50, 50, 0), (60, 60, 60)), core_fill=1.0),)).mass_g == plain.mass_g
    undone = printed((NOSE, replace(NOSE, name="again", core_fill=0.0)))
    assert undone.mass_g == pytest.approx(plain.mass_g)
    assert printed((NOSE,)).mass_g > plain.mass_g


def test_more_passes_in_a_zone():
    """Fifteen passes of 0.4 mm fill a radius of 6 mm."""
    thick = Zone("thick", "p", NOSE.volume, outline_passes=15)
    assert printed((thick,)).mass_g == pytest.approx(printed((NOSE,)).mass_g)


def test_solid_core_takes_no_zone():
    with pytest.raises(ValueError, match="filled all over"):
        printed((NOSE,), replace(SETUP, core_fill=1.0))


def test_moments_of_a_rectangle():
    from manifold3d import CrossSection

    found = section_moments(CrossSection.square((4.0, 2.0)))
    assert found == pytest.approx([8, 16, 8, 4**3 * 2 / 3, 4 * 2**3 / 3, 16])


def test_zones_are_written_and_read():
    written = Submission(
        "T-1",
        parts=(PartEntry("p", "p.stl"),),
        zones=(NOSE, Zone("b", "p", Box((0, 0, 0), (1, 1, 1)), outline_passes=4)),
    )
    assert parse_submission(submission_toml(written)) == written


@pytest.mark.parametrize("fill", [0.0, 0.05, 0.6, 1.0])
def test_a_zone_over_all_is_a_print_of_that_fill(fill):
    """Of two ways to say the same fill, mass, mass centre and inertia are equal."""
    everywhere = Zone("all", "p", Box((-10, -10, -1), (10, 10, 61)), core_fill=fill)
    zoned_print = printed((everywhere,), replace(SETUP, core_fill=0.3))
    plain = printed((), replace(SETUP, core_fill=fill))
    assert zoned_print.mass_g == pytest.approx(plain.mass_g, rel=1e-6)
    assert zoned_print.centre_mm == pytest.approx(plain.centre_mm, abs=1e-6)
    assert zoned_print.inertia_g_mm2 == pytest.approx(plain.inertia_g_mm2, rel=1e-6, abs=1e-6)
