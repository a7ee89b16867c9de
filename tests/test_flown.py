"""What checks of flight share, against closed forms of rods and flights.

A rod as it is printed: rigid-body mechanics; centres of its flat faces and of its side by symmetry.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.flown import FlightCase
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    PartEntry,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    Submission,
    Zone,
)
from reviewkit.workpiece import Workpiece

ROD = trimesh.creation.cylinder(6.0, 60.0, sections=96).apply_translation((0, 0, 30))
UP = Cylinder((0, 0, 0), (0, 0, 60), 7.0)
HEAVY_TOP = Zone("top", "p", Box((-7, -7, 40), (7, 7, 61)), core_fill=1.0)


def flown(volume=UP, zones=(), speed=8.0, requirements=(), core_fill=0.15, mesh=ROD):
    submission = Submission(
        "T-1", parts=(PartEntry("p", "p.stl"),), regions=(Region("dart", "p", RegionKind.PROJECTILE, volume),),
        zones=zones, requirements=requirements,
        motions=(Motion("dart", MotionKind.TRANSLATION, (0, 0, 1.0), (0.0, 9.0), speed_m_s=speed),) if speed else (),
    )  # fmt: skip
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces, dtype=np.int64)
    )
    setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2, core_fill=core_fill)
    (found,) = FlightCase(Workpiece(submission, part, setup), load_limits()).flown
    return found


def test_a_rod_balances_in_its_middle_and_bears_at_its_face():
    rod = flown(core_fill=1.0)
    assert (rod.calibre_mm, rod.outline.length_mm) == pytest.approx((12, 60), rel=2e-3)
    assert rod.centre_mm.value == pytest.approx(30, abs=0.02)
    assert rod.margin.value == pytest.approx(-30 / 12, abs=0.02)
    assert rod.lead.value == pytest.approx(0, abs=0.01)
    mass = 1.27e-3 * np.pi * 36 * 60
    assert rod.mass_g.value == pytest.approx(mass, rel=3e-3)
    across, along = rod.inertia_g_mm2
    assert across == pytest.approx(mass * (36 / 4 + 3600 / 12), rel=5e-3)
    assert along == pytest.approx(mass * 36 / 2, rel=5e-3)
    assert not rod.trims


def test_spans_hold_their_values():
    rod = flown(zones=(HEAVY_TOP,))
    for span in (rod.mass_g, rod.centre_mm, rod.margin, rod.lead):
        assert span.low < span.value < span.high
    # A quarter of a calibre for the centre of pressure and what the mass centre adds.
    assert rod.margin.high - rod.margin.value > 0.25
    assert rod.centre_mm.value < 28
    assert rod.trims


def test_declared_end_leads_and_else_the_steadier_one():
    up, down = flown(zones=(HEAVY_TOP,)), flown(Cylinder((0, 0, 60), (0, 0, 0), 7.0), zones=(HEAVY_TOP,))
    assert up.centre_mm.value + down.centre_mm.value == pytest.approx(60, abs=0.01)
    # Nobody asks for a distance here, so that it must fly nose first is a guess.
    for one in (up, down):
        assert "taken for granted" in one.guess and "steadier" not in one.guess
    guessed = flown(Box((-7, -7, 0), (7, 7, 60)), zones=(HEAVY_TOP,))
    assert guessed.ahead @ (0, 0, 1) == pytest.approx(1)
    assert "steadier end was taken" in guessed.guess
    assert up.place.point_mm == pytest.approx((0, 0, 60 - up.centre_mm.value), abs=1e-6)


def test_swing_is_that_of_the_slope_and_inertia():
    """sqrt(rho V2 / 2 S d slope / I), growing where the slope is positive."""
    rod = flown(core_fill=1.0)
    rate, way = rod.swing
    stiffness = 1.225 * 8**2 / 2 * np.pi * 0.012**3 / 4 * 5.0
    assert rate == pytest.approx(np.sqrt(stiffness / (rod.inertia_g_mm2[0] * 1e-9)), rel=0.01)
    assert way == pytest.approx(8 / rate)


def test_flights_go_from_slow_and_draggy_to_fast():
    flights = flown(zones=(HEAVY_TOP,)).flights
    assert [flight.speed_m_s[0] for flight in flights] == pytest.approx([8, 8, 8])
    assert flights[0].mass_g > flights[1].mass_g > flights[2].mass_g
    assert flown(speed=None).flights is None
    assert flown(speed=None).settings.speed_m_s == 10


def test_distance_that_is_asked_for():
    def asked(number, unit="m", what=RequirementKind.OTHER, part="p"):
        return Requirement(f"R{number}", what, float(number), unit=unit, part=part)

    rod = flown(
        requirements=(asked(2), asked(4), asked(9, "mm"), asked(8, what=RequirementKind.LOAD), asked(7, part="q"))
    )
    assert (rod.wanted.id, rod.within_m) == ("R4", 4.0)
    assert rod.case.answers(rod.wanted)
    assert not rod.case.answers(replace(rod.wanted, id="R5"))
    assert flown().within_m == np.inf


def test_variants_begin_with_what_is_drawn():
    rod = flown()
    first, *others = rod.variants
    assert (first.name, first.mass_g) == ("as drawn", rod.shot.mass.mass_g)
    assert len({variant.name for variant in others}) == len(others) == 6
    for variant in others:
        assert variant.air.margin > first.air.margin
        assert variant.mass_g > 0
    by_name = {variant.name: variant for variant in others}
    assert by_name["graded, four fins"].air.fins > 0
    assert by_name["graded, ribbon tail"].air.tail == 1
    assert by_name["graded"].air.margin < 0 < by_name["graded, flare"].air.margin
    # Weighed by its slabs, the drawn body is what its layers weigh.
    assert rod.dart.weighed(60.0).mass_g == pytest.approx(1.27e-3 * np.pi * 36 * 60, rel=5e-3)
