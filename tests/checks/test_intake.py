"""IN: what the reviewer says of meshes whose faults are known."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.checks.intake import intake
from reviewkit.intake.files import read_mesh
from reviewkit.intake.health import examine
from reviewkit.intake.mending import mend
from reviewkit.intake.raw import Caps
from reviewkit.intake.units import settle_units
from reviewkit.limits import load_limits, machines, materials
from reviewkit.model import Finding, Setup, Severity, Status, Verdict
from reviewkit.part import Part
from reviewkit.submission import MM_PER_UNIT

LIMITS = load_limits()
NUMBERS = {limit.quantity: limit.value for limit in LIMITS.every() if limit.quantity.startswith("intake.")}
SIDES = (20.0, 30.0, 40.0)
CODES = [f"IN-0{k}" for k in range(1, 7)]


def setup():
    machine, material = next(iter(machines().values())), next(iter(materials().values()))
    return Setup(machine, material, machine.layer_height_mm, machine.line_width_mm, machine.first_layer_mm)


def part_of(data, suffix=".obj", units="mm", declared=None):
    raw = read_mesh(data, suffix, Caps(100_000, 10**7), NUMBERS)
    settled = settle_units(raw, units, NUMBERS)
    mesh = mend(raw, MM_PER_UNIT[settled.unit], NUMBERS)
    health = examine(raw, mesh)
    extents = np.ptp(raw.vertices, axis=0)
    others = tuple((unit, tuple((extents * MM_PER_UNIT[unit]).tolist())) for unit in settled.alternatives)
    return Part(
        id="p",
        number="",
        revision="",
        name="",
        file="p.obj",
        sha256="",
        units=settled.unit,
        units_origin=settled.origin,
        units_note=settled.note,
        units_in_file=settled.in_file,
        units_alternatives=others,
        mesh=trimesh.Trimesh(mesh.vertices, mesh.faces, process=False),
        bodies=health.bodies,
        declared_bodies=declared,
        health=health,
    )


def judged(part) -> dict[str, Finding]:
    """Findings by code and subject; what holds for every one is checked here."""
    found = intake(SimpleNamespace(part=part, setup=setup()), LIMITS)
    assert [code for code in CODES if any(each.code == code and each.subject == "part" for each in found)] == CODES
    assert len({each.key for each in found}) == len(found)
    for each in found:
        assert each.key == f"{each.code}:p:{each.subject}" and each.domain == "intake"
        assert each.message.endswith((".", ")")) and "\n" not in each.message
        assert bool(each.change) == (each.verdict is not Verdict.MEETS)
        assert all(limit.source.title or limit.source.status is Status.PRACTICE for limit in each.limits)
        assert all(measured.method for measured in each.measurements)
        for place in each.where:
            if place.faces:
                corners = part.vertices[part.faces[each.evidence[place.faces]]].reshape(-1, 3)
                low, high = np.array(place.box_mm)
                assert np.allclose((low + high) / 2, place.point_mm)
                assert (corners.max(axis=0) >= low - 1e-9).all() and (corners.min(axis=0) <= high + 1e-9).all()
    return {f"{each.code} {each.subject}": each for each in found}


def verdicts(part) -> dict[str, Verdict]:
    return {key: each.verdict for key, each in judged(part).items()}


def obj(*triangles):
    corners = np.concatenate(triangles).reshape(-1, 3)
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in corners.tolist()]
    return "\n".join([*lines, *(f"f {k} {k + 1} {k + 2}" for k in range(1, len(corners), 3))]).encode()


def box(sides=SIDES, at=(0.0, 0.0, 0.0)):
    mesh = trimesh.creation.box(sides, transform=trimesh.transformations.translation_matrix(at))
    return mesh.vertices[mesh.faces]


def value(found: Finding, quantity: str) -> float:
    return next(each.value for each in found.measurements if each.quantity == quantity)


def test_a_clean_part_meets_everything():
    found = judged(part_of(obj(box()), declared=1))
    assert {each.verdict for each in found.values()} == {Verdict.MEETS}
    assert "24 cm3" in found["IN-01 part"].message
    assert value(found["IN-01 part"], "enclosed volume") == pytest.approx(24_000)
    assert found["IN-04 part"].message == "Read in millimetres: 20 x 30 x 40 mm (declared with the submission)."
    assert found["IN-06 part"].message == "The file (OBJ) was read to its end."


def test_an_open_mesh_fails_and_shows_its_holes_largest_first():
    # Two openings: the top (two facets, 20 x 30) and one facet of the bottom.
    triangles = box()
    top = (triangles[:, :, 2] > 0).all(axis=1)
    bottom = np.flatnonzero((triangles[:, :, 2] < 0).all(axis=1))[0]
    kept = np.delete(triangles, [*np.flatnonzero(top), bottom], axis=0)
    found = judged(part_of(obj(kept)))
    whole = found["IN-01 part"]
    assert (whole.verdict, whole.severity) == (Verdict.FAILS, Severity.FUNCTION)
    assert "7 edges have a facet on one side only" in whole.message
    assert whole.evidence["open_edges"].shape == (7, 2, 3)
    assert [place.point_mm[2] for place in whole.where] == [20.0, -20.0]
    assert whole.where[0].point_mm == (0.0, 0.0, 20.0)
    assert whole.where[0].box_mm == ((-10.0, -15.0, 20.0), (10.0, 15.0, 20.0))
    assert whole.limits[0].source.title == "3MF Core Specification"
    assert found["IN-03 part"].verdict is Verdict.NOT_CHECKED
    assert "IN-01 crossing surfaces" not in found


def test_a_flat_closed_mesh_is_no_solid():
    sheet = np.array([[[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 0, 0], [0, 9, 0], [9, 0, 0]]], dtype=float)
    whole = judged(part_of(obj(sheet)))["IN-01 part"]
    assert whole.verdict is Verdict.FAILS and "enclose no volume" in whole.message


def test_what_was_mended_is_said():
    turned = box()
    turned[2] = turned[2][::-1]
    found = judged(part_of(obj(turned)))
    assert found["IN-01 part"].verdict is Verdict.MEETS
    assert found["IN-02 part"].verdict is Verdict.MARGINAL
    assert "1 facet facing the wrong way turned" in found["IN-02 part"].message
    assert value(found["IN-02 part"], "facets turned") == 1
    inside_out = judged(part_of(obj(box()[:, ::-1])))["IN-02 part"]
    assert "1 body sent inside out turned" in inside_out.message
    hair = box()
    hair[0, 0] += 4e-6
    joined = judged(part_of(obj(hair)))
    assert joined["IN-02 part"].verdict is Verdict.MEETS and "1 points" in joined["IN-02 part"].message
    assert "a hair apart" in joined["IN-01 part"].message
    touching = judged(part_of(obj(box(), box(at=(20, 30, 0))), declared=2))
    assert touching["IN-01 part"].verdict is Verdict.MEETS and "rebuilding" in touching["IN-01 part"].message


@pytest.mark.parametrize(
    ("count", "declared", "verdict"),
    [(1, None, Verdict.MEETS), (2, None, Verdict.MARGINAL), (2, 2, Verdict.MEETS), (2, 1, Verdict.FAILS)],
)
def test_bodies_against_the_declared_number(count, declared, verdict):
    part = part_of(obj(*(box(at=(100 * k, 0, 0)) for k in range(count))), declared=declared)
    found = judged(part)["IN-03 part"]
    assert found.verdict is verdict and value(found, "separate bodies") == count
    assert [limit.value for limit in found.limits] == ([] if declared is None else [declared] * 2)


def test_bodies_that_stand_twice_overlap_or_are_tiny():
    doubled = judged(part_of(obj(box(), box()), declared=1))
    assert doubled["IN-03 doubled bodies"].verdict is Verdict.MARGINAL
    assert doubled["IN-03 part"].verdict is Verdict.MEETS
    # 5 x 10 x 40 = 2000 mm3 shared by two of 24000, together 46000.
    crossed = judged(part_of(obj(box(), box(at=(15, 20, 0))), declared=2))
    overlap = crossed["IN-03 overlap"]
    assert overlap.verdict is Verdict.FAILS
    assert crossed["IN-01 crossing surfaces"].verdict is Verdict.MEETS
    assert value(overlap, "shared share of the volume") == pytest.approx(2000 / 46_000)
    slight = judged(part_of(obj(box(), box(at=(19.8, 20, 0))), declared=2))["IN-03 overlap"]
    assert slight.verdict is Verdict.MARGINAL and "80 mm3" in slight.message
    tiny = judged(part_of(obj(box(), box((0.9, 1, 1), at=(50, 7, 3))), declared=2))["IN-03 tiny bodies"]
    assert tiny.verdict is Verdict.MARGINAL and len(tiny.evidence["body_1"]) == 12
    assert tiny.where[0].point_mm == pytest.approx((50, 7, 3))
    assert "IN-03 tiny bodies" not in judged(part_of(obj(box(), box((1.1, 1, 1), at=(50, 7, 3)))))


def test_units_that_nobody_states_are_never_settled():
    slab = part_of(obj(box((5, 2.5, 1.375))), units="")
    found = judged(slab)["IN-04 part"]
    assert (found.verdict, found.severity) == (Verdict.MARGINAL, Severity.FUNCTION)
    assert "inches: 127 x 63.5 x 34.9 mm" in found.message
    assert "in millimetres it would be 5 x 2.5 x 1.38 mm" in found.message
    assert 'units = "in"' in found.change
    # The size alone settles nothing, however plausible.
    assert verdicts(part_of(obj(box((100, 50, 20))), units=""))["IN-04 part"] is Verdict.MARGINAL
    assert verdicts(part_of(obj(box((100, 50, 20))), units="mm"))["IN-04 part"] is Verdict.MEETS


@pytest.mark.parametrize(
    ("longest", "units", "verdict"),
    [
        (0.9, "mm", "marginal"),
        (1.0, "mm", "meets"),
        (1000.0, "mm", "meets"),
        (1001.0, "mm", "marginal"),
        (41, "in", "marginal"),
    ],
)
def test_a_stated_unit_that_gives_an_odd_size_is_questioned(longest, units, verdict):
    assert verdicts(part_of(obj(box((longest, longest / 2, longest / 3))), units=units))["IN-04 part"] == verdict


def test_a_stated_unit_against_that_of_the_file():
    data = trimesh.creation.box(SIDES).export(file_type="3mf")
    assert verdicts(part_of(data, ".3mf", units="mm"))["IN-04 part"] is Verdict.MEETS
    found = judged(part_of(data, ".3mf", units="cm"))["IN-04 part"]
    assert found.verdict is Verdict.MARGINAL and "although the file says millimetres" in found.message


@pytest.mark.parametrize(("sections", "verdict"), [(23, Verdict.MARGINAL), (24, Verdict.MEETS)])
def test_round_holes_need_enough_flats(sections, verdict):
    ring = trimesh.creation.annulus(r_min=3, r_max=10, height=5, sections=sections)
    found = judged(part_of(obj(ring.vertices[ring.faces])))
    hole = found.get("IN-05 hole at 0 0 0")
    if verdict is Verdict.MEETS:
        assert hole is None and "24 flats" in found["IN-05 part"].message
    else:
        assert hole.verdict is verdict and value(hole, "flats around the hole") == sections
        # Sagitta of a chord: r (1 - cos(pi / n)).
        sagitta = 3 * (1 - np.cos(np.pi / sections))
        assert value(hole, "flats inside the circle by") == pytest.approx(sagitta)


@pytest.mark.parametrize(("radius", "verdict"), [(11.6, Verdict.MEETS), (11.8, Verdict.MARGINAL)])
def test_outer_curves_need_facets_close_to_them(radius, verdict):
    # Sagitta of a chord of 15 degrees, r (1 - cos 7.5): 0.1 mm at r = 11.69.
    pin = trimesh.creation.cylinder(radius, 30, sections=24)
    for turn in (np.eye(4), trimesh.transformations.rotation_matrix(0.6, (1, 2, 3))):
        turned = pin.copy().apply_transform(turn)
        found = judged(part_of(obj(turned.vertices[turned.faces])))
        coarse = found.get("IN-05 coarse curves")
        assert (coarse is None) == (verdict is Verdict.MEETS)
    if coarse:
        assert (coarse.verdict, coarse.severity) == (verdict, Severity.LOOKS)
        assert value(coarse, "curve to facet") == pytest.approx(radius * (1 - np.cos(np.pi / 24)), rel=1e-6)
        assert "24 flats that turn by 15 degrees" in coarse.message and "0.1 mm or finer" in coarse.change
        assert len(coarse.evidence["curve_1"]) == 48 and len(coarse.where) == 1


def test_facets_that_are_meant_are_no_coarse_curves():
    for sections in (6, 8):
        prism = trimesh.creation.cylinder(20, 30, sections=sections)
        assert "IN-05 coarse curves" not in judged(part_of(obj(prism.vertices[prism.faces])))
    # A hole that is told already is not told twice; the rim around it is a curve of its own.
    ring = trimesh.creation.annulus(r_min=6, r_max=20, height=5, sections=16)
    found = judged(part_of(obj(ring.vertices[ring.faces])))
    assert "IN-05 hole at 0 0 0" in found
    assert value(found["IN-05 coarse curves"], "curves too coarse") == 1
    assert "A rounded surface" in found["IN-05 coarse curves"].message


def test_coordinates_far_from_the_origin_are_too_coarse():
    for at, verdict in ((0.0, Verdict.MEETS), (80_000.0, Verdict.MARGINAL)):
        mesh = trimesh.creation.box(SIDES, transform=trimesh.transformations.translation_matrix((at, 0, 0)))
        data = mesh.export(file_type="stl")
        found = judged(part_of(data, ".stl"))["IN-05 part"]
        assert found.verdict is verdict
    # 2^16 <= 80000 < 2^17: 32-bit numbers (24 bits of mantissa) are 2^-7 apart there.
    assert value(found, "step of the coordinates") == 2**-7


def test_a_file_that_is_not_whole_or_not_wholly_applied():
    data = trimesh.creation.box(SIDES).export(file_type="stl")
    short = judged(part_of(data[:-60], ".stl"))["IN-06 part"]
    assert short.verdict is Verdict.FAILS and short.severity is Severity.FUNCTION
    assert "Of 12 facets in the file (STL, binary), 2 are missing" in short.message
    assert verdicts(part_of(data + b"tail", ".stl"))["IN-06 part"] is Verdict.MARGINAL
    text = trimesh.creation.box(SIDES).export(file_type="stl_ascii").encode()
    assert verdicts(part_of(text[: text.rindex(b"endsolid")], ".stl"))["IN-06 part"] is Verdict.MARGINAL
    unread = judged(part_of(obj(box()) + b"\nl 1 2\n"))["IN-06 part"]
    assert unread.verdict is Verdict.MARGINAL and "Not applied: loose lines and points (1)." in unread.message
    turned = judged(part_of(trimesh.creation.box((0.02, 0.03, 0.04)).export(file_type="glb"), ".glb", units=""))
    assert turned["IN-06 part"].verdict is Verdict.MEETS
    assert "How it was read: turned so that z is up, because y is up in the format." in turned["IN-06 part"].message
    assert turned["IN-04 part"].verdict is Verdict.MEETS and "metres" in turned["IN-04 part"].message
    looks = judged(part_of(b"usemtl red\n" + obj(box())))["IN-06 part"]
    assert looks.verdict is Verdict.MEETS and "colours and surface looks" in looks.message


def test_surfaces_that_run_through_one_another_within_a_body():
    """A band bent round 450 degrees: a quarter of the ring, a fifth of the volume, is enclosed twice."""
    n = 321
    angles = np.radians(np.linspace(0, 450, n) + 0.3)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    sunk = np.linspace(0, 1e-3, n)
    points = np.concatenate([np.column_stack([r * ring, z - sunk]) for r, z in ((10, 0), (15, 0), (15, 5), (10, 5))])
    quads = [
        (k * n + i, k * n + i + 1, (k + 1) % 4 * n + i + 1, (k + 1) % 4 * n + i) for k in range(4) for i in range(n - 1)
    ]
    quads += [(0, n, 2 * n, 3 * n), (4 * n - 1, 3 * n - 1, 2 * n - 1, n - 1)]
    text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in points.tolist())
    text += "".join("f {} {} {} {}\n".format(*(k + 1 for k in quad)) for quad in quads)
    found = judged(part_of(text.encode()))["IN-01 crossing surfaces"]
    assert found.verdict is Verdict.FAILS
    measured = found.measurements[0]
    assert measured.value == pytest.approx(0.2, rel=0.03) and abs(measured.value - 0.2) < measured.uncertainty


def test_places_and_keys_are_the_same_every_time():
    open_box = obj(np.delete(box(), 4, axis=0))
    first, second = (judged(part_of(open_box)) for _ in range(2))
    assert first.keys() == second.keys()
    for key, found in first.items():
        assert found.where == second[key].where and found.measurements == second[key].measurements
