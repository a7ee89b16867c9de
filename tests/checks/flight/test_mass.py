"""FL-01 against closed forms of solids, trimesh's own mass properties, and both sides of its bounds.

A quarter and a tenth of a calibre ahead of the middle of the side: common practice, written out again here.
"""

from dataclasses import replace

import numpy as np
import pytest

from reviewkit.checks.flight.mass import mass_centre
from reviewkit.model import Verdict
from reviewkit.submission import RegionKind

MEETS, MARGINAL, FAILS = Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS


def test_solid_dart_weighs_and_turns_as_its_mesh(darts, values):
    """Filled all over, with nothing left out: mass, mass centre and inertia are those of trimesh."""
    mesh = darts.mesh(12.0)
    workpiece = darts.workpiece(mesh)
    solid = replace(workpiece, setup=replace(workpiece.setup, core_fill=1.0))
    found = values(darts.judged(mass_centre, solid))
    density = solid.setup.material["density"].value * 1e-3
    assert found["mass"] == pytest.approx(mesh.volume * density, rel=2e-3)
    assert found["mass centre behind the nose"] == pytest.approx(66 - mesh.center_mass[2], abs=0.05)
    assert found["moment of inertia across the flight"] == pytest.approx(mesh.moment_inertia[0, 0] * density, rel=4e-3)
    assert found["moment of inertia along the flight"] == pytest.approx(mesh.moment_inertia[2, 2] * density, rel=4e-3)


def test_uniform_rod_has_its_mass_in_the_middle(darts, values):
    """Half a ball and a cylinder: centre of the solid (2/3 pi R3 * 5/8 R + pi R2 l (R + l/2)) / V, R 6, l 60."""
    whole = darts.judged(mass_centre, darts.workpiece(darts.mesh()))
    assert whole.verdict is FAILS
    ball, rod = 2 / 3 * np.pi * 6**3, np.pi * 36 * 60
    middle = (ball * 5 / 8 * 6 + rod * 36) / (ball + rod)
    assert values(whole)["mass centre behind the nose"] == pytest.approx(middle, abs=0.6)
    assert "24" not in whole.change and "behind the nose or less" in whole.change


def test_solid_nose_and_light_tail(darts, values):
    """Slabs of walls of 0.8 mm and cores of 1 and 0.05, floors left out."""
    whole = darts.judged(mass_centre, darts.workpiece(darts.mesh(), darts.graded()))
    z = (np.arange(6600) + 0.5) / 100
    radius = np.where(z < 60, 6.0, np.sqrt(np.maximum(36 - (z - 60) ** 2, 0)))
    fill = np.where(z > 42, 1.0, 0.05)
    weight = radius**2 - (1 - fill) * np.maximum(radius - 0.8, 0) ** 2
    assert whole.verdict is MEETS
    found = values(whole)
    assert found["mass"] == pytest.approx(np.pi * weight.sum() / 100 * 1.27e-3, rel=0.05)
    assert found["mass centre behind the nose"] == pytest.approx(66 - z @ weight / weight.sum(), abs=0.9)
    assert "'nose', 'tail'" in whole.message
    assert whole.evidence["core_fill"].min() == 0.05
    assert whole.evidence["core_fill"].max() == 1.0


def test_both_sides_of_the_bounds(darts, values):
    case = darts.workpiece(darts.mesh(), darts.graded())
    lead = values(darts.judged(mass_centre, case))["mass centre ahead of the middle of the side"]
    for meets, fails, verdict in (
        (lead - 0.1, 0.1, MEETS), (lead + 0.1, 0.1, MARGINAL), (lead + 0.3, lead + 0.1, FAILS),
    ):  # fmt: skip
        limits = {"flight_lead_meets": f"{meets}", "flight_lead_fails": f"{fails}"}
        assert darts.judged(mass_centre, case, **limits).verdict is verdict


def test_drawn_in_another_frame_it_is_the_same(darts, values):
    """Turned by a rotation of its own, zones left out, printed standing as before."""
    angle = np.radians(37)
    turn = np.array([[0, 0, 1.0], [1.0, 0, 0], [0, 1.0, 0]]) @ [
        [np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1],
    ]  # fmt: skip
    plain, turned = (values(darts.judged(mass_centre, darts.workpiece(darts.mesh(12.0), turn=way)))
                     for way in (None, turn))  # fmt: skip
    assert turned == pytest.approx(plain, rel=1e-3, abs=1e-3)


def test_nothing_is_launched(darts):
    whole = darts.judged(mass_centre, darts.workpiece(darts.mesh(), kind=RegionKind.KEEP))
    assert whole.verdict is MEETS
    assert "Nothing of this part is launched" in whole.message


def test_an_open_mesh_is_not_weighed(darts):
    mesh = darts.mesh()
    x, y, _ = mesh.triangles_center.T
    mesh.update_faces(np.arctan2(y, x) > -2.0)
    assert darts.judged(mass_centre, darts.workpiece(mesh)).verdict is Verdict.NOT_CHECKED
