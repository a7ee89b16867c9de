"""The launch of a part against the worked launches of the kit's reference on flight and against Rayleigh's masses.

Springs: U = k (x1 2 - x0 2) / 2, v = sqrt(2 eta U / (m + m_c)), E = eta U m / (m + m_c) (energy conservation, worked
for the kit: k 500 N/m from 40 to 10 mm holds 0.375 J).  A leaf between a fixed and a guided end moves as 13/35 of
its own mass (Rayleigh with the static shape, derived).
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit import launch
from reviewkit.launch import Known, Span, Stored, launch_of, launcher_of, moving_mass_g, shots, speed_with, stored_by
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.mechanics import drives
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

SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
DRAWN = Motion("arm", MotionKind.TRANSLATION, (1.0, 0, 0), (10.0, 40.0))
COARSE = {"plane-size": "1.5", "plane-steps": "2", "plane-look-ahead": "1"}


def limits(**changed):
    known = load_limits()
    by_id = {name.replace("_", "-"): str(value) for name, value in changed.items()}
    assert set(by_id) <= set(known.rows)
    rows = {key: {**row, "value": by_id.get(key, row["value"])} for key, row in known.rows.items()}
    return Limits(rows, f"{known.sha256} {sorted(by_id.items())}")


def of_efficiency(eta):
    return limits(launch_efficiency_least=eta, launch_efficiency=eta, launch_efficiency_most=eta)


def part(mesh, name="p"):
    return SimpleNamespace(
        id=name, mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces, dtype=np.int64)
    )


ROD = trimesh.creation.cylinder(6.0, 60.0, sections=64).apply_translation((0, 0, 30))


def workpiece(motions=(DRAWN,), requirements=(), zones=(), regions=(), mesh=ROD, launched=True):
    entries = (PartEntry("launcher", "l.stl"), PartEntry("p", "p.stl", launched_by="launcher" if launched else ""))
    arm = Region("arm", "launcher", RegionKind.MOVING, Box((0, 0, 0), (1, 1, 1)))
    submission = Submission(
        "T-1", parts=entries, regions=(arm, *regions), motions=motions, requirements=requirements, zones=zones
    )
    return Workpiece(submission, part(mesh), SETUP)


def weighing(grams):
    """A mass without a span."""
    return SimpleNamespace(mass_g=grams, low_g=grams, high_g=grams)


# --- energy and speed ------------------------------------------------------------------------


def test_a_measured_force_stores_what_the_spring_holds():
    """500 N/m drawn 40 mm is 20 N; from 10 mm it gives up 0.375 J."""
    stored = stored_by(workpiece((replace(DRAWN, force_N=20.0),)), load_limits())
    assert (stored.known, stored.energy_j.value) == (Known.FORCE, pytest.approx(0.375))
    assert (stored.energy_j.low, stored.energy_j.high) == pytest.approx((0.95 * 0.375, 1.05 * 0.375))
    assert stored.moving_g is None


@pytest.mark.parametrize(
    ("grams", "along", "eta", "speed", "energy"),
    [(1.2, 4 + 0.5, 0.8, 10.259784, 0.0631579), (5, 0.5, 1.0, 11.677484, 0.3409091), (5, 2, 0.6, 8.017837, 0.1607143)],
)  # fmt: skip
def test_worked_launches(monkeypatch, grams, along, eta, speed, energy):
    """A third of the spring moves along with the plunger."""
    stored = Stored(DRAWN, Known.FORCE, "a spring", Span(0.375, 0.375, 0.375), Span(along, along, along))
    monkeypatch.setattr(launch, "stored_by", lambda *_: stored)
    found = launch_of(workpiece(), of_efficiency(eta), weighing(grams))
    assert found.speed_m_s.value == pytest.approx(speed, rel=1e-6)
    assert found.energy_j.value == pytest.approx(energy, rel=1e-6)
    assert speed_with(found, grams) == pytest.approx(speed, rel=1e-6)
    assert speed_with(found, 2 * grams) == pytest.approx(np.sqrt(2 * eta * 0.375 / (2 * grams + along) * 1e3), rel=1e-6)


def test_the_heaviest_gets_the_energy_and_the_lightest_the_speed(monkeypatch):
    stored = Stored(DRAWN, Known.FORCE, "a spring", Span(0.3, 0.375, 0.4), Span(1.0, 2.0, 4.0))
    monkeypatch.setattr(launch, "stored_by", lambda *_: stored)
    mass = SimpleNamespace(low_g=3.0, mass_g=4.0, high_g=6.0)
    found = launch_of(workpiece(), load_limits(), mass)
    assert found.energy_j.high == pytest.approx(1.0 * 0.4 * 6 / 7)
    assert found.speed_m_s.high == pytest.approx(np.sqrt(2 * 0.4 / 4e-3))
    assert found.energy_j.low == pytest.approx(0.5 * 0.3 * 3 / 7)
    assert found.speed_m_s.low == pytest.approx(np.sqrt(2 * 0.5 * 0.3 / 10e-3))
    assert found.energy_j.value == pytest.approx(found.speed_m_s.value**2 * 4e-3 / 2)


def test_a_measured_speed_goes_before_all():
    fast = replace(DRAWN, force_N=20.0, speed_m_s=10.0)
    found = launch_of(workpiece((fast,)), load_limits(), SimpleNamespace(low_g=4.0, mass_g=5.0, high_g=7.0))
    assert found.known is Known.SPEED
    assert (found.energy_j.value, found.energy_j.high) == pytest.approx((0.25, 0.35))
    assert found.speed_m_s == Span(10.0, 10.0, 10.0)
    assert speed_with(found, 50.0) == 10.0


def test_a_force_that_is_asked_for_comes_last():
    asked = Requirement("R1", RequirementKind.FORCE, 20.0, -2.0, 4.0, unit="N", part="launcher", region="arm")
    stored = stored_by(workpiece(requirements=(asked,)), load_limits())
    assert stored.known is Known.REQUIREMENT
    ends = (stored.energy_j.low, stored.energy_j.value, stored.energy_j.high)
    assert ends == pytest.approx((0.9 * 0.375, 0.375, 1.2 * 0.375))


def test_nothing_tells():
    assert stored_by(workpiece(), load_limits()) is None
    assert launch_of(workpiece(), load_limits(), weighing(5.0)) is None
    turned = Motion("arm", MotionKind.ROTATION, (1.0, 0, 0), (0.0, 40.0), force_N=20.0)
    assert stored_by(workpiece((turned,)), load_limits()) is None


# --- what is launched ------------------------------------------------------------------------


def test_a_launched_part_is_one_shot_and_its_regions_go_before():
    assert [shot.name for shot in shots(workpiece(), load_limits())] == [""]
    assert shots(workpiece(launched=False), load_limits()) == ()
    dart = Region("dart", "p", RegionKind.PROJECTILE, Cylinder((0, 0, 60), (0, 0, 0), 7.0))
    (shot,) = shots(workpiece(regions=(dart,)), load_limits())
    axis, known = shot.flight
    assert (shot.words, known, *axis) == ("'dart'", True, 0, 0, -1)
    box = replace(dart, volume=Box((-7, -7, 0), (7, 7, 60)))
    axis, known = next(iter(shots(workpiece(regions=(box,)), load_limits()))).flight
    assert (known, *axis) == (False, 0, 0, 1)
    axis, known = next(iter(shots(workpiece(), load_limits()))).flight
    assert not known
    assert np.abs(axis) == pytest.approx([0, 0, 1], abs=1e-6)


def test_only_the_body_in_the_region_is_weighed():
    pair = trimesh.util.concatenate([ROD, ROD.copy().apply_translation((40, 0, 0)).apply_scale((1, 1, 0.5))])
    region = Region("short", "p", RegionKind.PROJECTILE, Cylinder((40, 0, 0), (40, 0, 30), 7.0))
    (shot,) = shots(workpiece(regions=(region,), mesh=pair), load_limits())
    alone = next(iter(shots(workpiece(mesh=ROD.copy().apply_scale((1, 1, 0.5))), load_limits())))
    assert shot.mass.mass_g == pytest.approx(alone.mass.mass_g, rel=1e-6)
    assert shot.mass.centre_mm == pytest.approx([40, 0, 15], abs=0.05)


def test_zones_weigh_with_it():
    nose = Zone("nose", "p", Box((-7, -7, 40), (7, 7, 61)), core_fill=1.0)
    plain, graded = (next(iter(shots(workpiece(zones=zones), load_limits()))) for zones in ((), (nose,)))
    assert graded.mass.mass_g > plain.mass.mass_g
    assert graded.mass.centre_mm[2] > plain.mass.centre_mm[2] + 2
    assert graded.mass_with(()).mass_g == pytest.approx(plain.mass.mass_g)
    assert plain.mass_with((), 1.0).mass_g == pytest.approx(ROD.volume * 1.27e-3, rel=2e-3)


def test_the_launcher_is_found_beside_it():
    assert launcher_of(workpiece()) is None
    own = workpiece(launched=False)
    assert launcher_of(own) is own
    launcher = SimpleNamespace(name="launcher")
    assert launcher_of(replace(workpiece(), beside={"launcher": launcher})) is launcher


# --- a launcher whose leaves are bent --------------------------------------------------------


LENGTH, WIDTH, DEPTH, BLOCK = 30.0, 0.8, 8.0, 10.0


@pytest.fixture(scope="module")
def stage():
    """Two leaves between a base and a block that pushes a dart."""
    boxes = [((-18, -10, 0), (18, 0, DEPTH)), ((-18, LENGTH, 0), (18, LENGTH + BLOCK, DEPTH))]
    boxes += [((x - WIDTH / 2, -1, 0), (x + WIDTH / 2, LENGTH + 1, DEPTH)) for x in (-12.0, 12.0)]
    mesh = trimesh.boolean.union([trimesh.creation.box(bounds=np.array(box, dtype=float)) for box in boxes])
    regions = (
        Region("base", "launcher", RegionKind.FIXED, Box((-30, -11, -1), (30, 0, DEPTH + 1))),
        Region("block", "launcher", RegionKind.MOVING, Box((-30, LENGTH, -1), (30, LENGTH + 11, DEPTH + 1))),
    )
    entries = (PartEntry("launcher", "l.stl"), PartEntry("p", "p.stl", launched_by="launcher"))
    submission = Submission(
        "T-1", parts=entries, regions=regions,
        motions=(Motion("block", MotionKind.TRANSLATION, (1.0, 0, 0), (0.0, 3.0)),),
    )  # fmt: skip
    launcher = Workpiece(submission, part(mesh, "launcher"), SETUP)
    return launcher, Workpiece(submission, part(ROD), SETUP, {"launcher": launcher})


def test_leaves_store_what_beams_do_and_move_by_their_share(stage):
    """Two leaves: 2 * 12 E I d2 / L3 / 2 (Roark's Formulas for Stress and Strain, 7th ed., table 8.1 case 1b, from
    memory), within the give of their roots; the block whole and 13/35 of both leaves."""
    launcher, dart = stage
    tables = limits(**{name.replace("-", "_"): value for name, value in COARSE.items()})
    stored = stored_by(dart, tables)
    modulus = SETUP.material["modulus"].value
    inertia = DEPTH * WIDTH**3 / 12
    beam_j = 2 * 12 * modulus * inertia / LENGTH**3 * 3.0**2 / 2 * 1e-3
    assert stored.known is Known.FLEXURES
    assert beam_j * 0.85 < stored.energy_j.value < beam_j * 1.05
    assert stored.energy_j.low < stored.energy_j.value < stored.energy_j.high
    (drive,) = drives(launcher, tables)
    moving = moving_mass_g(launcher, tables, drive)
    mass = launcher.mass(tables)
    volume = 36 * BLOCK * DEPTH + 13 / 35 * 2 * LENGTH * WIDTH * DEPTH
    assert moving.value == pytest.approx(volume * mass.mass_g / mass.solid_mm3, rel=0.02)
    assert moving.low < moving.value < moving.high
    (shot,) = shots(dart, tables)
    share = shot.mass.mass_g / (shot.mass.mass_g + moving.value)
    assert shot.launch.energy_j.value == pytest.approx(0.7 * stored.energy_j.value * share)
