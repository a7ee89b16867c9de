"""PD-08: work of hands by hand from the seconds that ship, and cartons of boxes whose number is counted by hand.

A minute of hands a part is common practice and written out again.
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from matplotlib.figure import Figure

from reviewkit.checks.production.handling import handling
from reviewkit.figures.cost import hands_by_operation
from reviewkit.limits import load_limits
from reviewkit.model import Verdict
from reviewkit.production import production_of
from reviewkit.submission import Finish, Fitted, Hardware, HardwareKind, Packing

LIMITS = load_limits()
MEETS, MARGINAL, OPEN = Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED


def block(*size, at=(0.0, 0.0, 0.0)):
    mesh = trimesh.creation.box(size or (40, 30, 20))
    mesh.apply_translation(at)
    return mesh


def judged(workpiece):
    (found,) = handling(workpiece, LIMITS)
    assert found.key == f"PD-08:{workpiece.part.id}:part" and found.message.endswith(".")
    assert bool(found.change) == (found.verdict is not MEETS)
    return found


def measured(found):
    return {m.quantity: m.value for m in found.measurements}


@pytest.fixture
def plain(cases):
    """Ten on a plate, 95 % good."""
    cases.held(10)
    cases.good(0.9, 0.95, 0.99)
    return cases


def total(found):
    return found.measurements[0].value


def test_a_plain_part(plain):
    """45 s for a plate of ten, 20 s for a pack; the blade takes it off, nothing else is to be done."""
    found = judged(plain.piece(block(), quantity=5000))
    assert total(found) == pytest.approx(45 / 10 / 0.95 + 20)
    assert found.measurements[0].uncertainty == pytest.approx(0.3 * total(found))
    assert found.verdict is MEETS
    assert "Nothing is to be done to detach, nor to clear support, nor to fit hardware" in found.message
    assert measured(found)["work of hands for the order"] == pytest.approx(5000 * total(found) / 3600)
    assert "one a pack was taken" in found.message


def test_by_hand_where_there_is_no_blade(plain):
    plain.house(automatic_removal=False)
    found = judged(plain.piece(block()))
    assert total(found) == pytest.approx((4.5 + 6) / 0.95 + 20) and "lifted off by hand" in found.message


def test_pieces_that_nothing_joins_are_lifted_off(plain):
    three = trimesh.util.concatenate([block(10, 10, 10, at=(20.0 * k, 0, 0)) for k in range(3)])
    found = judged(plain.piece(three))
    assert total(found) == pytest.approx((4.5 + 2 * 6) / 0.95 + 20)
    assert "3 pieces, all but one by hand" in found.message


def test_support_is_cleared_where_a_tool_reaches(plain):
    """A table of 60 x 30 on one leg reaches out 40 mm, 20 mm up: 24 cm3 of support under one place."""
    table = trimesh.boolean.union([block(20, 30, 20, at=(10, 0, 10)), block(60, 30, 10, at=(30, 0, 25))])
    case = production_of(plain.piece(table), LIMITS)
    assert (case.supported.places, case.supported.shut_in) == (1, 0)
    assert case.supported.volume_mm3 == pytest.approx(24_000, rel=0.01)
    found = judged(case.workpiece)
    assert total(found) == pytest.approx((4.5 + 10 + 24 * 30) / 0.95 + 20, rel=0.01)
    assert found.verdict is MARGINAL and "clear support" in found.change


def test_support_that_nobody_gets_out_is_no_work(plain):
    shell = trimesh.boolean.difference([block(50, 50, 40), block(44, 44, 34)])
    case = production_of(plain.piece(shell), LIMITS)
    assert (case.supported.places, case.supported.shut_in) == (0, 1)
    assert "could not be taken out" in judged(case.workpiece).message
    assert total(judged(case.workpiece)) == pytest.approx(4.5 / 0.95 + 20)


def test_hardware_by_when_it_is_fitted(plain):
    """Three after the print on good parts only, two during it on all."""
    after = Hardware("screw", HardwareKind.SCREW, "p", fitted=Fitted.AFTER, count=3)
    during = Hardware("magnet", HardwareKind.MAGNET, "p", fitted=Fitted.DURING, count=2)
    elsewhere = Hardware("nut", HardwareKind.INSERT, "q", count=9)
    found = judged(plain.piece(block(), hardware=(after, during, elsewhere)))
    assert total(found) == pytest.approx((4.5 + 2 * 12) / 0.95 + 20 + 3 * 12)
    said = judged(plain.piece(block(), hardware=(replace(after, fitted=None),)))
    assert "taken as fitted after the print" in said.message
    assert total(said) == pytest.approx(4.5 / 0.95 + 20 + 36)


def test_sets_and_packs(plain):
    """Four parts of two kinds a set, seven sets a pack: 4 s to lay each to its set, 20 s for 28 parts."""
    both = plain.pieces({"p": (block(), 1), "q": (block(), 3)}, packing=Packing(sets_per_pack=7))
    found = judged(both["q"])
    assert total(found) == pytest.approx(4.5 / 0.95 + 4 + 20 / 28)
    assert measured(found)["parts of this kind in a carton"] == 3 * measured(found)["sets in a carton"]
    # Four boxes of 40 x 30 x 20 a set at 0.6; whole packs of seven sets, and 15 kg are reached before the volume.
    each_g = production_of(both["q"], LIMITS).printing.mass_g
    assert measured(found)["packed volume of a set"] == pytest.approx(4 * 24_000 / 0.6, rel=0.01)
    assert measured(found)["mass of a set"] == pytest.approx(4 * each_g)
    sets = min(580 * 380 * 380 * 0.6 / 96_000, 15_000 / (4 * each_g))
    assert measured(found)["sets in a carton"] == int(sets / 7) * 7 != int(sets)


def test_a_carton_by_volume(plain):
    """580 x 380 x 380 mm over 60 x 50 x 30 mm at 0.6: 558 of them, or fewer where 15 kg bound it."""
    found = judged(plain.piece(block(60, 50, 30), quantity=5000))
    weight = production_of(plain.piece(block(60, 50, 30)), LIMITS).printing.mass_g
    by_volume = int(580 * 380 * 380 * 0.6 / (60 * 50 * 30))
    expected = min(by_volume, int(15_000 / weight))
    assert measured(found)["sets in a carton"] == expected
    assert f"The order fills {int(np.ceil(5000 / expected))} of them" in found.message


def test_what_bounds_a_carton(plain):
    plain.house(replace(plain.own, packing=replace(plain.own.packing, carton_kg=100.0)))
    light = production_of(plain.piece(block(150, 100, 50)), LIMITS).carton
    plain.house(replace(plain.own, packing=replace(plain.own.packing, carton_kg=1.0)))
    heavy = production_of(plain.piece(block(30, 30, 30)), LIMITS).carton
    assert (heavy.bound_by, heavy.sets) == ("weight", int(1000 / heavy.set_g))
    assert (light.bound_by, light.sets) == ("volume", int(580 * 380 * 380 * 0.6 / 750_000))


@pytest.mark.parametrize(("length_mm", "expected"), [(199.0, MEETS), (201.0, MARGINAL)])
def test_a_part_too_long_for_the_carton(plain, length_mm, expected):
    plain.house(replace(plain.own, packing=replace(plain.own.packing, carton_mm=(100.0, 200.0, 100.0))))
    found = judged(plain.piece(block(20, length_mm, 10)))
    assert found.verdict is expected
    if expected is MARGINAL:
        assert "a part of it is too long" in found.message
        assert f"holds a length of {length_mm:.0f} mm" in found.change


def test_a_turned_part_fills_the_same_box(plain):
    mesh = block(60, 20, 10)
    turned = mesh.copy()
    turned.apply_transform(trimesh.transformations.rotation_matrix(np.radians(33), [0, 0, 1]))
    boxes = [production_of(plain.piece(one), LIMITS).box_mm for one in (mesh, turned)]
    assert boxes[0] == pytest.approx([60, 20, 10], abs=0.3)
    assert boxes[1] == pytest.approx(boxes[0], abs=0.3)


@pytest.mark.parametrize(("plate_s", "expected"), [(240.0, MEETS), (300.0, MARGINAL), (1000.0, MARGINAL)])
def test_a_minute_of_hands_a_part(plain, plate_s, expected):
    """(plate / 10 / 0.95 + 20) x 1.3 is 58.8 s, 67.1 s and 163 s."""
    plain.house(replace(plain.own, hands=replace(plain.own.hands, plate_s=plate_s)))
    found = judged(plain.piece(block()))
    assert total(found) == pytest.approx(plate_s / 9.5 + 20)
    assert found.verdict is expected
    if expected is MARGINAL:
        copies = int(found.change.split(" copies on a plate would")[0].split()[-1])
        plain.held(copies)
        assert judged(plain.piece(block())).verdict is MEETS
        plain.held(copies - 1)
        assert judged(plain.piece(block())).verdict is MARGINAL


def test_treatment_is_said_to_be_left_out(plain):
    found = judged(plain.piece(block(), finish=Finish(treatment="sanded")))
    assert "Treatment after the print is asked for and was not counted" in found.message


def test_what_does_not_fit_is_not_checked(cases):
    found = judged(cases.piece(block(360, 20, 10)))
    assert found.verdict is OPEN and "does not fit on the plate" in found.message


def test_the_figure_draws_the_evidence(plain):
    found = judged(plain.piece(block()))
    figure = Figure()
    hands_by_operation(found, figure)
    (axes,) = figure.axes
    assert [bar.get_width() for bar in axes.containers[0]] == pytest.approx(found.evidence["seconds"].tolist())
    assert axes.containers[1][0].get_width() == pytest.approx(total(found))
