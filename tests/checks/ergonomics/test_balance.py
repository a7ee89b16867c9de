"""ER-07 on parts of known mass and mass centre; the bounds of the notes are written out again here.

2.3 kg in one hand (from memory); 25 mm from the middle of the grip, or 0.5 N m, 0.2 N m for a child (common practice);
least handle diameters by load (MIL-STD-1472, from memory): 6 mm to 6.8 kg, 13 to 9, 19 to 18, 25 above.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.ergonomics.balance import balance
from reviewkit.figures import handhold as drawings
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import Finding, Setup, Verdict
from reviewkit.submission import (
    Box,
    Cylinder,
    Hardware,
    HardwareKind,
    Mounting,
    PartEntry,
    Region,
    RegionKind,
    Submission,
    Use,
)
from reviewkit.workpiece import Workpiece

PETG = material("petg")
# Printed solid at a density of 1 g/cm3: a cubic centimetre is a gram.
WATER = replace(PETG, properties={**PETG.properties, "density": replace(PETG["density"], value=1.0, low=1.0, high=1.0)})
SETUP = Setup(machine("large-330"), WATER, 0.2, 0.4, 0.2, core_fill=1.0)
MEETS, MARGINAL, FAILS, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
ADULTS, CHILDREN = Use(192, ("adults",), Mounting.HELD), Use(72, ("children",), Mounting.HELD)
EXACT = {"balance_spread": "0", "balance_place": "0"}
POSES = [trimesh.transformations.random_rotation_matrix(r)[:3, :3] for r in np.random.default_rng(5).random((12, 3))]


def block(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=np.array([low, high], dtype=float))


def club(mass_g: float, arm_mm: float):
    """A bar of 20 x 20 mm along x whose own mass centre is that far from the middle of its grip at x = 0."""
    length = 1000 * mass_g / 400
    mesh = block((arm_mm - length / 2, -10, -10), (arm_mm + length / 2, 10, 10))
    return mesh, Region("grip", "p", RegionKind.GRIP, Box((-30, -11, -11), (30, 11, 11)))


def judged(mesh, *regions, use=ADULTS, setup=SETUP, hardware=(), launched_by="", **changed: str) -> dict[str, Finding]:
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    limits = load_limits()
    rows = {key: {**row, "value": changed.get(key.replace("-", "_"), row["value"])} for key, row in limits.rows.items()}
    entry = PartEntry("p", "p.stl", launched_by=launched_by)
    submission = Submission("T-1", regions=regions, use=use, hardware=hardware, parts=(entry,))
    findings = balance(Workpiece(submission, part, setup), Limits(rows, limits.sha256))
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    for found in findings:
        assert (found.code, found.domain, found.part) == ("ER-07", "ergonomics", "p")
        assert found.message.endswith(".") and "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        for kind in found.figures:
            words = getattr(drawings, kind)(found, Figure(layout="constrained"))
            assert all("nan" not in text and text for text in words)
        for place in found.where:
            assert len(found.evidence[place.faces])
    assert len({found.verdict for found in findings}) == 1
    return {found.subject: found for found in findings}


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


@pytest.mark.parametrize(
    ("mass_g", "arm_mm", "moment", "adult", "child"),
    [(200, 100, 0.196, MEETS, MEETS), (400, 150, 0.589, FAILS, FAILS), (150, 50, 0.074, MEETS, MEETS)],
)
def test_worked_moments_of_the_notes(mass_g, arm_mm, moment, adult, child):
    for use, expected in ((ADULTS, adult), (CHILDREN, child)):
        found = judged(*club(mass_g, arm_mm), use=use, **EXACT)
        assert found["part"].verdict is expected
        assert value(found["part"], "mass as printed") == pytest.approx(mass_g, rel=1e-3)
        assert value(found["part"], "mass centre from") == pytest.approx(arm_mm, abs=0.1)
        assert value(found["part"], "tilting moment") == pytest.approx(moment, abs=0.001)
        assert set(found) == ({"part"} if expected is MEETS else {"part", "grip"})


@pytest.mark.parametrize(
    ("use", "arm_mm", "expected"),
    [
        (ADULTS, 125, MEETS), (ADULTS, 130, FAILS),  # 0.5 N m of 400 g: 127.5 mm
        (CHILDREN, 50.2, MEETS), (CHILDREN, 52, FAILS),  # 0.2 N m of 400 g: 51.0 mm
    ],
)  # fmt: skip
def test_moment_beside_its_bound(use, arm_mm, expected):
    found = judged(*club(400, arm_mm), use=use, **EXACT)
    assert found["part"].verdict is expected
    if expected is FAILS:
        allowed = (0.5 if use is ADULTS else 0.2) / (0.4 * 9.80665) * 1000
        assert f"within {allowed:.3g} mm" in found["grip"].change


def test_what_the_mass_may_be_off_counts():
    """0.196 N m of a child's 0.2 is too near to tell with 15 % of the mass."""
    assert judged(*club(200, 100), use=CHILDREN)["part"].verdict is MARGINAL
    assert judged(*club(200, 80), use=CHILDREN)["part"].verdict is MEETS


@pytest.mark.parametrize(("arm_mm", "expected"), [(24, MEETS), (26, FAILS)])
def test_near_the_middle_of_the_grip_the_moment_does_not_count(arm_mm, expected):
    """2.2 kg 26 mm out are 0.56 N m; 24 mm out they lie in the hand."""
    mesh = block((arm_mm - 110, -50, -50), (arm_mm + 110, 50, 50))
    grip = Region("grip", "p", RegionKind.GRIP, Box((-70, -51, -51), (70, 51, 51)))
    found = judged(mesh, grip, **EXACT)["part"]
    assert found.verdict is expected
    assert value(found, "tilting moment") == pytest.approx(2.2 * 9.80665 * arm_mm / 1000, rel=0.03)


@pytest.mark.parametrize(("length", "expected"), [(228, MEETS), (232, FAILS)])
def test_mass_in_one_hand(length, expected):
    mesh = block((-length / 2, -50, -50), (length / 2, 50, 50))
    grip = Region("grip", "p", RegionKind.GRIP, Box((-70, -51, -51), (70, 51, 51)))
    found = judged(mesh, grip, **EXACT)
    assert found["part"].verdict is expected
    assert ("One hand holds 2300 g" in found["part"].message) == (expected is FAILS)


@pytest.mark.parametrize(
    ("height", "diameter", "least"), [(100, 7, 6), (152, 10, 13), (220, 16, 19), (370, 22, 25), (152, 14, None)]
)
def test_handle_diameter_by_load(height, diameter, least):
    """8 kg on a handle of 10 mm is the worked case of the notes: 13 mm are wanted.  230 x 230 mm and so high."""
    load = block((-115, -115, -height), (115, 115, 0))
    z = 60 + diameter / 2
    bar = trimesh.creation.cylinder(diameter / 2, segment=[(-80, 0, z), (80, 0, z)], sections=96)
    posts = [block((x - 10, -10, -5), (x + 10, 10, z + 5)) for x in (-70, 70)]
    mesh = trimesh.boolean.union([load, bar, *posts])
    grip = Region("grip", "p", RegionKind.GRIP, Cylinder((-60, 0, z), (60, 0, z), diameter / 2 + 0.1))
    setup = replace(SETUP, layer_height_mm=1.0, first_layer_mm=1.0)
    found = judged(mesh, grip, setup=setup, balance_mass="100000", **EXACT)["part"]
    assert value(found, "mass as printed") / 1000 == pytest.approx(0.23 * 0.23 * height, rel=0.03)
    assert value(found, "diameter of the grip") == pytest.approx(diameter, rel=0.01)
    told = least is not None and least > diameter
    assert found.verdict is (FAILS if told else MEETS)
    if told:
        assert f"Make the grip {least} mm thick" in found.change


def test_what_hangs_under_its_handle_does_not_tilt():
    load = block((-60, -40, -200), (60, 40, 0))
    bar = trimesh.creation.cylinder(10, segment=[(-55, 0, 60), (55, 0, 60)], sections=64)
    mesh = trimesh.boolean.union([load, bar, *(block((x - 8, -10, -5), (x + 8, 10, 65)) for x in (-52, 52))])
    grip = Region("grip", "p", RegionKind.GRIP, Cylinder((-44, 0, 60), (44, 0, 60), 10.1))
    setup = replace(SETUP, core_fill=0.2)
    found = judged(mesh, grip, setup=setup)["part"]
    assert found.verdict is MEETS
    assert value(found, "mass centre from") < 1


def test_what_does_not_apply_and_what_is_not_known():
    mesh, grip = club(200, 60)
    assert judged(mesh, grip, use=replace(ADULTS, mounting=Mounting.FIXED))["part"].verdict is MEETS
    other = Region("second", "p", RegionKind.GRIP, Box((40, -11, -11), (80, 11, 11)))
    assert "two hands" in judged(mesh, grip, other)["part"].message
    assert judged(mesh, launched_by="launcher")["part"].verdict is MEETS
    assert judged(mesh)["part"].verdict is OPEN
    assert judged(mesh, grip, use=Use(hands=("giants",)))["part"].verdict is OPEN
    empty = Region("grip", "p", RegionKind.GRIP, Box((900, 0, 0), (910, 9, 9)))
    assert judged(mesh, empty)["part"].verdict is OPEN
    insert = Hardware("nut", HardwareKind.INSERT, "p")
    assert "Without nut" in judged(mesh, grip, hardware=(insert,))["part"].message


def test_an_open_mesh_is_not_checked():
    mesh, grip = club(200, 60)
    part = mesh.submesh([np.flatnonzero(mesh.face_normals[:, 1] < 0.5)], append=True)
    assert judged(part, grip)["part"].verdict is OPEN


def test_nobody_said_who_holds_it():
    found = judged(*club(400, 80), use=Use(mounting=Mounting.HELD))["grip"]
    assert found.verdict is MARGINAL and found.guess


def test_verdict_and_numbers_at_twelve_poses():
    """A solid print weighs the same in any pose, but for steps of the layers; so does where its mass is."""
    mesh, grip = club(200, 150)
    coarse = replace(SETUP, layer_height_mm=1.0, first_layer_mm=1.0)
    for pose in POSES:
        found = judged(mesh, grip, use=CHILDREN, setup=replace(coarse, pose=tuple(map(tuple, pose))))["grip"]
        assert found.verdict is FAILS
        assert value(found, "mass as printed") == pytest.approx(200, rel=2e-3)
        assert value(found, "mass centre from") == pytest.approx(150, abs=0.3)
        assert value(found, "diameter") == pytest.approx(80 / np.pi, rel=1e-3)
