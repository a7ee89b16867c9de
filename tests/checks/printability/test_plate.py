"""PR-01 just inside and just outside each bound, and what its sentence tells.

Check values: a 254 x 38.1 mm bar on the diagonal of a square plate, L + W <= s sqrt 2 (W. B. Carver, American
Mathematical Monthly 64, 1957, from memory).  The bounds themselves are common practice.
"""

import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
import trimesh

from reviewkit.checks.printability.plate import plate_fit
from reviewkit.limits import load_limits
from reviewkit.measure.pose import drop
from reviewkit.model import IDENTITY, Machine, Material, Origin, Setup, Severity, Status, Verdict

MACHINE = Machine("m", "Test machine", (240.0, 240.0), 220.0, 5.0, 0.4, 0.2, 0.2, "invented for this test")
LIE = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))


@dataclass(frozen=True)
class Part:
    id: str
    units_origin: Origin


class Workpiece:
    """The little of a workpiece that the check asks for."""

    def __init__(self, mesh, machine=MACHINE, pose=IDENTITY, units_origin=Origin.CONFIRMED):
        self.part = Part("piece", units_origin)
        self.setup = Setup(machine, Material("any", "Any", {}), 0.2, 0.4, 0.2, pose=pose)
        self.vertices, self._offset = drop(np.asarray(mesh.vertices, dtype=float), self.setup.rotation)
        self.faces = np.asarray(mesh.faces)
        self.height_mm = float(self.vertices[:, 2].max())

    def to_part(self, points):
        return (points - self._offset) @ self.setup.rotation


def box(*size, at=(0.0, 0.0, 0.0), about_z_deg=0.0):
    mesh = trimesh.creation.box(size)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(about_z_deg), (0, 0, 1)))
    return mesh.apply_translation(at)


def judged(mesh, **workpiece):
    (finding,) = plate_fit(Workpiece(mesh, **workpiece), load_limits())
    return finding


def value(finding, quantity):
    return next(m.value for m in finding.measurements if m.quantity == quantity)


def test_a_part_with_room_meets():
    finding = judged(box(100, 50, 10))
    assert finding.verdict is Verdict.MEETS
    assert finding.key == "PR-01:piece:part"
    assert finding.domain == "printability"
    assert finding.change == ""
    assert finding.where == ()
    assert finding.figures == ("plate_fit",)
    assert value(finding, "margin to the plate edge") == pytest.approx(70)
    assert value(finding, "largest scale that fits") == pytest.approx(2.3)
    assert "fits the 240 x 240 mm plate as it lies" in finding.message
    assert "2.30 times as large" in finding.message


@pytest.mark.parametrize(
    ("length_mm", "verdict"),
    [(230.0, Verdict.MEETS), (230.01, Verdict.MARGINAL), (240.0, Verdict.MARGINAL), (240.01, Verdict.FAILS)],
)
def test_edge_margin_bounds(length_mm, verdict):
    # A square gains nothing by turning, so length alone decides.
    assert judged(box(length_mm, length_mm, 10)).verdict is verdict


def test_too_close_to_the_edge_names_the_margin():
    finding = judged(box(234, 234, 10))
    assert value(finding, "margin to the plate edge") == pytest.approx(3)
    assert "3 mm left" in finding.message
    assert "5 mm are wanted" in finding.message
    assert "98 %" in finding.change


@pytest.mark.parametrize(
    ("width_mm", "verdict"),
    [
        (230 * 2**0.5 - 254 - 0.01, Verdict.MARGINAL),
        (230 * 2**0.5 - 254 + 0.01, Verdict.MARGINAL),
        (240 * 2**0.5 - 254 - 0.01, Verdict.MARGINAL),
        (240 * 2**0.5 - 254 + 0.01, Verdict.FAILS),
    ],
)
def test_a_ten_inch_bar_on_the_diagonal(width_mm, verdict):
    assert judged(box(254, width_mm, 10)).verdict is verdict


def test_diagonal_says_what_would_make_it_square():
    finding = judged(box(254, 38.1, 10))
    assert finding.severity is Severity.YIELD
    assert "only out of square, turned 45 degrees" in finding.message
    assert "254 mm long; 230 mm are free" in finding.message
    # 230 sqrt 2 / (254 + 38.1) = 1.1136, and 230 / 254 = 0.9055, both rounded down.
    assert "1.11 times as large, turned 45 degrees" in finding.message
    assert "as it lies, 0.90 times" in finding.message
    assert "Shorten it by 24 mm" in finding.change
    assert "90 %" in finding.change
    assert value(finding, "margin to the plate edge") == pytest.approx((240 - 292.1 / 2**0.5) / 2)


def test_a_bar_drawn_on_the_diagonal_is_no_better():
    finding = judged(box(254, 38.1, 10, about_z_deg=45))
    assert finding.verdict is Verdict.MARGINAL
    assert "only out of square, as it lies" in finding.message


def test_a_part_drawn_askew_is_turned_square():
    finding = judged(box(200, 180, 10, about_z_deg=30))
    assert finding.verdict is Verdict.MEETS
    assert "turned 30 degrees clockwise" in finding.message


def test_too_large_fails_with_scale_and_overhang():
    finding = judged(box(300, 200, 100))
    assert finding.verdict is Verdict.FAILS
    assert finding.severity is Severity.FUNCTION
    assert "too long by 60 mm along x" in finding.message
    # 230 / 300 rounded down.
    assert "would fit at 76 % of its size" in finding.message
    assert value(finding, "largest scale that fits") == pytest.approx(230 / 300)
    assert "no other" not in finding.message
    assert {place.point_mm[0] for place in finding.where} == {150.0, -150.0}


def test_a_scale_is_never_rounded_up():
    # The largest scale 230 / 231 is 0.9957: 99 %, which fits, not 100 %.
    finding = judged(box(231, 231, 10))
    assert "99 %" in finding.message
    # Made at that scale it meets.
    assert judged(box(231 * 0.99, 231 * 0.99, 10)).verdict is Verdict.MEETS


def test_another_pose_that_fits_is_named():
    finding = judged(box(200, 300, 100), machine=replace(MACHINE, height_mm=320.0))
    assert finding.verdict is Verdict.FAILS
    # Standing on its 200 x 100 face it is 300 mm high and fits square.
    assert re.search(r"Laid on its [+-]y side it fits, 20 mm from the plate edge and 300 mm high", finding.message)
    assert re.match(r"Lay it on its [+-]y side, or ", finding.change)


def test_the_other_pose_is_named_in_the_customers_frame():
    # Laid over already; to stand it on an end is to lay it on a z side of its own.
    finding = judged(box(100, 100, 230.5), pose=LIE)
    assert finding.verdict is Verdict.MARGINAL
    assert "Laid" not in finding.message
    tall = judged(box(100, 100, 230.5), pose=LIE, machine=replace(MACHINE, height_mm=240.0))
    assert re.search(r"Laid on its [+-]z side it fits, 70 mm from the plate edge", tall.message)


@pytest.mark.parametrize(("height_mm", "verdict"), [(220.0, Verdict.MEETS), (220.1, Verdict.FAILS)])
def test_height_of_the_machine(height_mm, verdict):
    finding = judged(box(50, 50, height_mm))
    assert finding.verdict is verdict
    assert value(finding, "height left above the part") == pytest.approx(220 - height_mm)
    if verdict is Verdict.FAILS:
        assert "0.1 mm higher than the machine can build" in finding.message
        (place,) = finding.where
        assert place.normal == pytest.approx((0, 0, 1))
        assert place.point_mm[2] == pytest.approx(height_mm / 2)


def test_height_bounds_the_scale_too():
    finding = judged(box(24, 24, 60))
    assert value(finding, "largest scale that fits") == pytest.approx(220 / 60)
    assert "the height of 220 mm ends it" in finding.message


def test_a_wider_edge_margin_of_the_machine_counts():
    finding = judged(box(226, 226, 10), machine=replace(MACHINE, edge_margin_mm=8.0))
    assert finding.verdict is Verdict.MARGINAL
    assert "8 mm are wanted" in finding.message
    bound = finding.limits[0]
    assert bound.value == 8
    assert "Test machine" in bound.source.title


def test_places_are_in_the_parts_own_frame():
    finding = judged(box(10, 20, 300, at=(1000.0, 0.0, 50.0)), pose=LIE)
    ends = sorted(place.point_mm for place in finding.where)
    assert [round(abs(point[2] - 50)) for point in ends] == [150, 150]
    for place in finding.where:
        assert np.linalg.norm(place.normal) == pytest.approx(1)
        # Outward: from the middle of the part to its end.
        assert np.dot(place.normal, np.array(place.point_mm) - (1000, 0, 50)) > 0


def test_inferred_units_are_said():
    assert "confirm it first" in judged(box(5, 2.5, 1.4), units_origin=Origin.ASSUMED).message
    assert "confirm it first" not in judged(box(5, 2.5, 1.4)).message


def test_nothing_to_fit_is_not_checked():
    finding = judged(trimesh.Trimesh(np.zeros((3, 3)), [[0, 1, 2]], process=False))
    assert finding.verdict is Verdict.NOT_CHECKED
    assert finding.message
    assert finding.change


def test_evidence_is_drawn_on_the_plate():
    finding = judged(box(254, 38.1, 10))
    evidence = finding.evidence
    for ring in ("plate", "margin", "unturned", "best", "largest"):
        assert evidence[ring].shape[1] == 2
        assert (evidence[ring][0] == evidence[ring][-1]).all()
    assert evidence["plate"].max() == 240
    assert evidence["margin"].min() == 5
    assert evidence["unturned"][:, 0].min() == pytest.approx(-7)
    assert evidence["best"].min() == pytest.approx((240 - 292.1 / 2**0.5) / 2)
    assert evidence["largest"].min() == pytest.approx(5)
    assert evidence["best_deg"][0] == pytest.approx(45)
    # Four edges of the top face, each two points and a gap.
    assert evidence["best_lines"].shape == (12, 2)
    drawn = evidence["best_lines"][~np.isnan(evidence["best_lines"][:, 0])]
    assert drawn.min(axis=0) == pytest.approx(evidence["best"].min(axis=0))


def test_every_bound_says_where_it_comes_from():
    finding = judged(box(100, 50, 10))
    assert {limit.quantity for limit in finding.limits} == {"plate.margin", "plate.turned", "plate.headroom"}
    assert all(limit.source.status is Status.PRACTICE for limit in finding.limits)


def test_real_plates_are_too_large(shared_parts):
    # 203.2 x 304.8 mm: the longer side is 64.8 mm too long, and 230 / 304.8 = 0.7546.
    plate = trimesh.load(shared_parts / "plate_holes.STL", force="mesh")
    finding = judged(plate)
    assert finding.verdict is Verdict.FAILS
    assert "64.8 mm along y" in finding.message
    assert "75 %" in finding.message
