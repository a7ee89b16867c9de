"""SA-05 on worked cases of energy, tip and length, beside each bound, and on what is left out of a submission.

Bounds, written out again so that a slip in data/limits shows: 0.08 J and 2500 J/m2 (ASTM F963-17 4.21 as told by a news
note of 2017; EN 71-1:2014+A1:2018 4.17 from memory), tip radius 2 mm (from memory), 57 mm (pages on both standards).
Worked cases: computed for the kit; exactly 0.08 J counts as not over.
"""

from dataclasses import replace
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit import figures, review
from reviewkit.checks.safety.projectiles import projectiles
from reviewkit.figures import projectiles as drawings
from reviewkit.limits import Limits, load_limits, machine, material
from reviewkit.model import Finding, Setup, Severity, Status, Verdict
from reviewkit.resources import resource
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
    Use,
)
from reviewkit.workpiece import Workpiece

MEETS, MARGINAL, FAILS, NOT_CHECKED = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED
PETG, TPU = material("petg"), material("tpu")
SETUP = Setup(machine("standard-240"), PETG, 0.2, 0.4, 0.2)
ARM = Region("arm", "launcher", RegionKind.MOVING, Box((0, 0, 0), (1, 1, 1)))
PULL = Motion("arm", MotionKind.TRANSLATION, (1.0, 0.0, 0.0), (0.0, 9.0))
EXACT = {"mass_spread": "0", "launch_energy_spread": "1e-6"}


def rod(radius, rim, length=60.0, facets=24):
    """A round rod whose front rim is rounded; a hemisphere where the rim's radius is the rod's."""
    angles = np.linspace(0, np.pi / 2, facets + 1) if rim else [0.0]
    rounded = [(radius - rim + rim * np.cos(a), length - rim + rim * np.sin(a)) for a in angles]
    rounded[-1:] = [(0.0, length)] if rim == radius else [rounded[-1], (0.0, length)]
    return trimesh.creation.revolve(np.array([(0.0, 0.0), (radius, 0.0), *rounded]), sections=96)


def shot(length=60.0, radius=12.0, note="", low=0.0):
    return Region("dart", "p", RegionKind.PROJECTILE, Cylinder((0, 0, low), (0, 0, low + length), radius), note)


def judged(
    mesh, *, regions=(), motions=(PULL,), requirements=(), launched=True, markets=("US", "EU"), age=72, setup=SETUP,
    mass_g=None, part="p", **changed: str,
) -> dict[str, Finding]:  # fmt: skip
    entries = (PartEntry("launcher", "l.stl"), PartEntry("p", "p.stl", launched_by="launcher" if launched else ""))
    regions = (ARM, *(regions or (shot(),)))
    submission = Submission(
        "T-1", parts=entries, regions=regions, motions=motions, requirements=requirements, markets=markets,
        use=Use(age_from_months=age),
    )  # fmt: skip
    built = SimpleNamespace(
        id=part, mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    limits = load_limits()
    rows = {key: {**row, "value": changed.get(key.replace("-", "_"), row["value"])} for key, row in limits.rows.items()}
    limits = Limits(rows, limits.sha256)
    if mass_g is not None:
        # Solid, of the density that gives the mass, with no span.
        solid = Workpiece(submission, built, setup).layers
        density = mass_g * 1000 / float(solid.area_mm2 @ solid.thickness_mm)
        row = replace(setup.material["density"], value=density, low=density, high=density)
        made_of = replace(setup.material, properties={**setup.material.properties, "density": row})
        solid_machine = replace(setup.machine, printing=replace(setup.printing, outline_passes=100))
        setup = replace(setup, machine=solid_machine, material=replace(made_of, id=f"{made_of.id}-{density}"))
    findings = projectiles(Workpiece(submission, built, setup), limits)
    assert len({found.key for found in findings}) == len(findings)
    assert findings[0].subject == "part"
    for found in findings:
        assert found.key == f"SA-05:{part}:{found.subject}"
        assert (found.code, found.domain, found.part) == ("SA-05", "safety", part)
        assert found.severity is Severity.INJURY
        assert found.message.endswith(".")
        assert "{" not in found.message + found.change
        assert bool(found.change) == (found.verdict is not MEETS)
        for place in found.where:
            low, high = np.array(place.box_mm)
            assert (low - 0.01 <= place.point_mm).all()
            assert (place.point_mm <= high + 0.01).all()
            faces = found.evidence[place.faces]
            assert len(faces)
            assert faces.max() < len(mesh.faces)
        _drawn(found)
    order = [FAILS, MARGINAL, NOT_CHECKED, MEETS]
    assert order.index(findings[0].verdict) == min(
        (order.index(f.verdict) for f in findings[1:]), default=order.index(findings[0].verdict)
    )
    return {found.subject: found for found in findings}


def _drawn(found: Finding) -> None:
    for name in found.figures:
        with mpl.rc_context(figures.STYLE):
            title, caption, alt = getattr(drawings, name)(found, Figure())
        assert title and caption.endswith(".") and alt.endswith(".")


def value(found: Finding, quantity: str) -> float:
    return next(m.value for m in found.measurements if m.quantity.startswith(quantity))


def at_speed(speed: float) -> tuple[Motion, ...]:
    return (replace(PULL, speed_m_s=speed),)


# --- worked cases: energy and energy per area -------------------------------------------------


@pytest.mark.parametrize(
    ("mass", "speed", "mesh", "kind", "energy", "tip"),
    [
        (1.0, 10.0, rod(5, 2.5), PETG, MEETS, MEETS),
        (1.0, 10.0, rod(5, 1.0), PETG, MEETS, FAILS),
        (2.0, 10.0, rod(2, 2.0), PETG, FAILS, MEETS),
        (3.0, 10.0, rod(6.35, 0), TPU, MEETS, MEETS),
        (3.0, 16.0, rod(6.35, 0), TPU, FAILS, MEETS),
        (1.0, 12.6, rod(2, 2.0), PETG, MARGINAL, MEETS),
    ],
)
def test_worked_energies(mass, speed, mesh, kind, energy, tip):
    found = judged(
        mesh, motions=at_speed(speed), mass_g=mass, setup=replace(SETUP, material=kind),
        mass_spread="0",
    )  # fmt: skip
    assert value(found["part"], "energy") == pytest.approx(mass * speed**2 / 2000, rel=1e-6)
    assert found.get("dart energy", found["part"]).verdict is (energy if energy is not MEETS else found["part"].verdict)
    assert ("dart energy" in found) == (energy is not MEETS)
    assert ("dart" in found) == (tip is not MEETS)
    assert found["part"].verdict is (FAILS if FAILS in (energy, tip) else energy)


def test_worked_energies_per_area():
    """2 g at 10 m/s on R 2: 9.42 mm2 within 1 mm, 10 616 J/m2.  3 g on 12.7 mm: 1184 and 3031 J/m2."""
    for mass, speed, mesh, expected in [
        (2, 10, rod(2, 2), 10616),
        (3, 10, rod(6.35, 0), 1184),
        (3, 16, rod(6.35, 0), 3031),
    ]:
        found = judged(mesh, motions=at_speed(speed), mass_g=mass, **EXACT)
        assert value(found["part"], "energy per area") == pytest.approx(expected, rel=3e-3)


def test_exactly_the_bound_is_not_over():
    """10 g at 4 m/s is 0.08 J; with no span of mass it is not over, a thousandth more is."""
    same = {"mass_g": 10.0, "mass_spread": "0", "launch_energy_spread": "0"}
    assert judged(rod(12, 3), motions=at_speed(4.0), **same)["part"].verdict is MEETS
    assert judged(rod(12, 3), motions=at_speed(4.002), **same)["dart energy"].verdict is FAILS


def test_soft_area_bound_beside_its_limit():
    """2500 J/m2 on 126.7 mm2 is 0.317 J: 3 g at 14.53 m/s."""
    soft = replace(SETUP, material=TPU)
    for speed, expected in [(14.45, MEETS), (14.65, FAILS)]:
        found = judged(rod(6.35, 0), motions=at_speed(speed), mass_g=3.0, setup=soft, **EXACT)
        assert found.get("dart energy", found["part"]).verdict is expected
    assert "J/m2" in found["dart energy"].message
    assert {"projectiles-us-energy-per-area", "projectiles-eu-energy-per-area"} <= {x.id for x in found["part"].limits}


# --- where the energy comes from ---------------------------------------------------------------


def test_spring_by_its_measured_force():
    """F x / 2: 12 N over 9 mm is 54 mJ, give or take 5 %, of which losses leave 0.5 to 1, likely 0.7."""
    found = judged(rod(12, 3), motions=(replace(PULL, force_N=12.0),))["part"]
    assert found.verdict is MEETS
    assert value(found, "energy") == pytest.approx(0.7 * 0.054)
    assert found.evidence["here"][[0, 2], 1] == pytest.approx([0.5 * 0.95 * 0.054, 1.05 * 0.054])
    assert "12 N at 9 mm" in found.message
    assert value(found, "greatest speed") == pytest.approx(
        np.sqrt(2 * 0.054 * 1.05 / (1e-3 * _lightest_g(found))), rel=1e-3
    )


def _lightest_g(found: Finding) -> float:
    return float(found.evidence["mass_g"][0])


@pytest.mark.parametrize(
    ("force", "tolerance", "expected"), [(12, 3, MEETS), (16, 3, MARGINAL), (37, 3, MARGINAL), (40, 3, FAILS)]
)
def test_spring_by_a_requirement(force, tolerance, expected):
    """0.08 J over 9 mm are 17.8 N: all of it, and half of it that losses may leave, must be on one side."""
    wanted = Requirement("R1", RequirementKind.FORCE, force, -tolerance, tolerance, "N", part="launcher", region="arm")
    found = judged(rod(12, 3), requirements=(wanted,))
    assert found["part"].verdict is expected
    assert "by requirement R1" in found["part"].message
    assert ("dart energy" in found) == (expected is not MEETS)


def test_spring_that_rests_before_its_end():
    """Drawn to 40 mm, at rest at 10 mm, 20 N: 0.375 J, of which 0.7 is likely."""
    found = judged(rod(12, 3), motions=(replace(PULL, stroke=(10.0, 40.0), force_N=20.0),))
    assert value(found["part"], "energy") == pytest.approx(0.7 * 0.375)
    assert found["dart energy"].verdict is FAILS


def test_measured_speed_goes_before_force_and_takes_the_heaviest():
    found = judged(rod(12, 3), motions=(replace(PULL, force_N=1.0, speed_m_s=3.0),))
    part = found["part"]
    light, middle, heavy = part.evidence["mass_g"]
    assert value(part, "energy") == pytest.approx(middle * 9 / 2000)
    assert part.evidence["here"][2, 1] >= heavy * 9 / 2000 * (1 - 1e-9)
    assert value(part, "range, at most") == pytest.approx(9 / 9.80665)
    assert light < middle < heavy


def test_neither_force_nor_speed():
    found = judged(rod(5, 1))
    assert found["dart energy"].verdict is NOT_CHECKED
    assert "force_N" in found["dart energy"].change
    assert found["dart"].verdict is FAILS
    found = judged(rod(5, 2.5))
    assert set(found) == {"part", "dart energy"}
    assert found["part"].verdict is NOT_CHECKED


def test_turning_arm_has_no_stroke_in_mm():
    """A force on something that turns through 9 degrees is no energy."""
    turning = replace(PULL, kind=MotionKind.ROTATION, force_N=12.0)
    assert judged(rod(12, 3), motions=(turning,))["dart energy"].verdict is NOT_CHECKED


# --- worked cases: tip -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mesh", "expected"),
    [(rod(4, 4), MEETS), (rod(1, 1), FAILS), (rod(5, 0), FAILS), (rod(5, 2), MEETS), (rod(5, 2.05), MEETS),
     (rod(5, 1.9), FAILS), (rod(4, 4, facets=12), MEETS), (rod(4, 4, facets=3), MARGINAL)],
)  # fmt: skip
@pytest.mark.parametrize("turn_deg", [0.0, 53.0])
def test_worked_tips(mesh, expected, turn_deg):
    matrix = trimesh.transformations.rotation_matrix(np.radians(turn_deg), (1, 0, 0))
    end = tuple(matrix[:3, :3] @ (0, 0, 60))
    region = Region("dart", "p", RegionKind.PROJECTILE, Cylinder((0.0, 0.0, 0.0), end, 12.0))
    found = judged(mesh.copy().apply_transform(matrix), regions=(region,), motions=(replace(PULL, force_N=5.0),))
    assert found["part"].verdict is expected
    assert ("dart" in found) == (expected is not MEETS)
    if expected is not MEETS:
        assert found["dart"].where[0].point_mm == pytest.approx(end, abs=0.1)
        assert found["dart"].where[0].normal == pytest.approx(np.array(end) / 60, abs=1e-6)
        assert found["dart"].figures == ("tip_profile",)


def test_tip_of_a_soft_projectile_is_not_judged():
    found = judged(rod(5, 0), setup=replace(SETUP, material=TPU), motions=(replace(PULL, force_N=5.0),))
    assert found["part"].verdict is MEETS
    assert "soft TPU" in found["part"].message


# --- worked cases: length ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "note", "expected"),
    [(60, "suction cup", MEETS), (55, "suction cup", FAILS), (40, "foam dart", MARGINAL), (57, "", MEETS),
     (56.9, "", MARGINAL)],
)  # fmt: skip
def test_worked_lengths(length, note, expected):
    found = judged(rod(8, 4, length=length), regions=(shot(length, note=note),), motions=(replace(PULL, force_N=5.0),))
    assert found["part"].verdict is expected
    assert ("dart length" in found) == (expected is not MEETS)
    assert value(found["part"], "longest") == pytest.approx(length)
    if expected is MARGINAL:
        assert "SA-04" in found["dart length"].change


# --- what is declared --------------------------------------------------------------------------


def test_nothing_launched():
    found = judged(rod(5, 0), launched=False, regions=(replace(shot(), kind=RegionKind.KEEP),))
    assert list(found) == ["part"]
    assert found["part"].verdict is MEETS
    assert "Nothing of this part is launched" in found["part"].message


def test_launcher_says_what_it_did_not_check():
    found = judged(rod(5, 0), part="launcher", motions=(replace(PULL, force_N=12.0),))
    assert list(found) == ["part"]
    assert found["part"].verdict is NOT_CHECKED
    assert "pencil" in found["part"].message
    assert value(found["part"], "energy stored") == pytest.approx(0.054)


def test_launched_without_a_region_flies_along_its_axis_either_end_ahead():
    """One end a hemisphere, the other flat: the flat one is judged, and it is said."""
    region = replace(shot(), part="launcher", name="elsewhere")
    found = judged(rod(6, 6), regions=(region,), motions=(replace(PULL, force_N=5.0),))
    assert found["nose"].verdict is MARGINAL
    assert found["nose"].where[0].point_mm == pytest.approx((0, 0, 0), abs=0.05)
    assert "sharper one was judged" in found["nose"].guess
    assert "declared" in found["part"].guess


def test_box_region_flies_along_its_longest_side():
    region = Region("dart", "p", RegionKind.PROJECTILE, Box((-12, -12, 0), (12, 12, 60)))
    found = judged(rod(6, 6), regions=(region,), motions=(replace(PULL, force_N=5.0),))
    assert found["dart"].where[0].normal == pytest.approx((0, 0, -1))
    assert "not declared" in found["dart"].guess


def test_only_the_bodies_in_the_region_are_the_projectile():
    """A blunt dart beside a sharp-edged block in one mesh."""
    block = trimesh.creation.box((30, 30, 80)).apply_translation((60, 0, 40))
    mesh = trimesh.util.concatenate([rod(6, 3), block])
    found = judged(mesh, launched=False, motions=(replace(PULL, region="arm", force_N=5.0),))
    part = found["part"]
    assert value(part, "longest") == pytest.approx(60)
    assert value(part, "contact area within 2 mm") < np.pi * 36
    assert value(part, "mass") < 10
    assert np.unique(mesh.faces[part.evidence["leading"]]).max() < len(rod(6, 3).vertices)


@pytest.mark.parametrize(
    ("markets", "rules", "said"),
    [(("US",), {"us"}, ""), (("EU",), {"eu"}, ""), ((), {"us", "eu", "iso"}, "No market"),
     (("JP",), {"us", "eu", "iso"}, "JP")],
)  # fmt: skip
def test_markets_choose_the_rules(markets, rules, said):
    found = judged(rod(5, 1), markets=markets, motions=(replace(PULL, force_N=5.0),))["part"]
    assert {row.id.split("-")[1] for row in found.limits} == rules
    assert said in found.message
    assert all(row.source.status in (Status.SEEN, Status.MEMORY) for row in found.limits)


def test_age():
    spring = {"motions": (replace(PULL, force_N=5.0),)}
    assert "age" in judged(rod(5, 1), age=None, **spring)["part"].guess
    assert judged(rod(5, 1), age=167, **spring)["part"].verdict is FAILS
    grown = judged(rod(5, 1), age=168, **spring)
    assert grown["dart"].verdict is MARGINAL
    assert "yardstick" in grown["dart"].message


def test_short_range_is_told():
    """1.5 m/s flies 0.23 m: the clause of 2018 leaves it out, and nothing was let off."""
    found = judged(rod(12, 3), motions=at_speed(1.5))["part"]
    assert "under 300 mm" in found.message
    assert "under 300 mm" not in judged(rod(12, 3), motions=at_speed(2.5))["part"].message
    assert "under 300 mm" not in judged(rod(12, 3), motions=at_speed(1.5), markets=("US",))["part"].message


def test_open_mesh_is_not_judged():
    mesh = rod(12, 3)
    mesh.update_faces(mesh.triangles_center[:, 0] < 4)
    found = judged(mesh)
    assert found["part"].verdict is NOT_CHECKED
    assert "open" in found["part"].message


def test_demonstration_float():
    """Flat rigid nose without a radius; 12 N give or take 3 N over 9 mm, at most 67.5 mJ, likely 0.7 of 54 mJ."""
    case = review.opened(resource("data", "parts") / "launcher-a")
    # Without the launcher beside it, whose flexures take long and are tested with the launch.
    workpiece = case.workpieces[1]
    found = projectiles(Workpiece(workpiece.submission, workpiece.part, workpiece.setup), case.limits)
    assert [(f.key, f.verdict) for f in found] == [("SA-05:float:part", FAILS), ("SA-05:float:float", FAILS)]
    assert found[1].where[0].point_mm == pytest.approx((0, 0, 60), abs=0.01)
    assert value(found[0], "energy") == pytest.approx(0.7 * 0.054)
    assert found[0].evidence["here"][2, 1] == pytest.approx(0.0675)
