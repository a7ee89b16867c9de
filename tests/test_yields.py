"""The yield of a part: from a pilot by its two shares, else a guess from the shape's own measures."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit import yields as subject
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure.yields import clustered_share, counted_share
from reviewkit.model import Setup
from reviewkit.pilot import PLATE_COLUMNS, Pilot, Plate
from reviewkit.submission import PartEntry, Stage, Submission
from reviewkit.workpiece import Workpiece
from reviewkit.yields import Loss, combined, from_pilot, good_words, yield_of

LIMITS = load_limits()


def workpiece(mesh, folder=None, stuff="petg"):
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    submission = Submission("T-1", parts=(PartEntry("p", "p.stl"),), folder=folder)
    return Workpiece(submission, part, Setup(machine("standard-240"), material(stuff), 0.2, 0.4, 0.2))


def block(low, high):
    return trimesh.creation.box(bounds=(low, high))


def losses(mesh, **more) -> dict[str, Loss]:
    found = yield_of(workpiece(mesh, **more), LIMITS)
    assert found.basis == "findings"
    assert "guess" in found.words
    assert 0 < found.low <= found.value <= found.high < 1
    return {loss.what: loss for loss in found.losses}


def test_a_plain_part_has_the_plain_loss_only():
    (plain,) = losses(block((0, 0, 0), (20, 20, 10))).values()
    assert (plain.low, plain.high) == (0.005, 0.03)


def test_losses_strike_one_after_another():
    found = combined((Loss("a", "", 0.1, 0.2), Loss("b", "", 0.0, 0.5)))
    assert (found.low, found.value, found.high) == pytest.approx((0.4, 0.65, 0.9))


def test_islands_cost_by_their_mean_number():
    feet = [block((20 * x, 0, 0), (20 * x + 5, 5, 5)) for x in range(4)]
    table = trimesh.boolean.union([block((0, 0, 4.9), (65, 5, 10)), *feet])
    found = losses(table)["many islands"]
    assert (found.low, found.high) == pytest.approx((3 * 0.0005, 3 * 0.005))
    assert "4 on the plate" in found.measured
    posts = trimesh.boolean.union([block((0, 0, 0), (65, 5, 4)), *(foot.apply_translation((0, 0, 4)) for foot in feet)])
    found = losses(posts)["many islands"]
    # One island for 4 mm of 9, four above.
    assert found.high == pytest.approx(0.005 * 3 * 5 / 9, rel=0.05)


def test_corner_lift_costs_by_the_shrinkage_beyond_what_is_borne():
    long = block((0, 0, 0), (200, 60, 4))
    found = losses(long)["corner lift"]
    shrinkage = material("petg")["shrinkage"]
    reach = math.hypot(100, 30)
    assert found.high == pytest.approx((reach * shrinkage.high / 100 - 0.3) * 0.1, rel=1e-3)
    assert found.low == pytest.approx(max(0, reach * shrinkage.low / 100 - 0.3) * 0.01, rel=1e-3)
    assert losses(long, stuff="abs")["corner lift"].high > found.high
    assert "corner lift" not in losses(block((0, 0, 0), (60, 60, 4)))


def test_thin_leaves_scatter_together_or_each_for_itself(monkeypatch):
    mesh = block((0, 0, 0), (20, 20, 10))
    widths = [0.4, 0.8, 0.8]

    def flexures(*_):
        return SimpleNamespace(every=[SimpleNamespace(width_mm=width) for width in widths])

    monkeypatch.setattr(subject, "flexures_of", flexures)
    limits = load_limits()
    case = subject.YieldCase(workpiece(mesh), limits)
    (leaves,) = [loss for loss in case.losses if loss.what == "thin leaves"]
    deviation = math.sqrt(0.01**2 + 0.01**2 + 0.02**2)
    outside = [math.erfc(0.1 * width / deviation / math.sqrt(2)) for width in widths]
    assert leaves.low == pytest.approx(outside[0])
    assert leaves.high == pytest.approx(1 - np.prod([1 - one for one in outside]))
    assert "3 of them, the thinnest 0.4 mm" in leaves.measured
    assert "0.98 mm" in leaves.change
    widths[:] = [2.0]
    (leaves,) = [loss for loss in subject.YieldCase(workpiece(mesh), limits).losses if loss.what == "thin leaves"]
    assert leaves.change == ""


def plate(number, lost=False, rejected=0, machine="m"):
    return Plate(str(number), machine, Stage.PILOT, 4, lost, rejected)


def test_a_pilot_counts_plates_and_parts_apart():
    pilot = Pilot(tuple(plate(n, lost=n == 0, rejected=n == 1) for n in range(20)))
    found = from_pilot(pilot, 0.3)
    assert found.basis == "pilot"
    assert found.value == pytest.approx(19 / 20 * 75 / 76)
    assert (found.plates.lost, found.plates.total) == (1, 20)
    assert (found.parts.lost, found.parts.total) == (1, 76)
    # Each of the two intervals at 97.5 %, so that both hold in 95 %.
    plates = counted_share(1, 20, 0.975)
    parts = clustered_share(np.eye(1, 19, dtype=int)[0], np.full(19, 4), 0.3, 0.975)
    assert found.low == pytest.approx((1 - plates.high) * (1 - parts.high))
    assert found.high == pytest.approx((1 - plates.low) * (1 - parts.low))


def test_a_pilot_that_lost_every_plate():
    found = from_pilot(Pilot((plate(1, lost=True), plate(2, lost=True))), 0.3)
    assert (found.low, found.value) == (0, 0)
    assert 0.8 < found.high < 1
    assert found.parts is None


def test_a_pilot_beside_the_submission_goes_before_the_guess(tmp_path):
    mesh = block((0, 0, 0), (20, 20, 10))
    made = workpiece(mesh, tmp_path)
    assert yield_of(made, LIMITS).basis == "findings"
    (tmp_path / "pilot.csv").write_text(",".join(PLATE_COLUMNS) + "\np,,pilot,1,m,4,no,1,")
    found = yield_of(made, LIMITS)
    assert (found.basis, found.value) == ("pilot", 0.75)
    (tmp_path / "pilot.csv").write_text(",".join(PLATE_COLUMNS) + "\np,old,pilot,1,m,4,no,1,")
    assert yield_of(made, LIMITS).basis == "findings"


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.5, "50 %"), (0.953, "95.3 %"), (0.9997, "more than 99.9 %"), (1, "100 %"), (0.9993, "99.9 %")],
)
def test_shares_of_good_parts_in_words(share, words):
    assert good_words(share) == words
