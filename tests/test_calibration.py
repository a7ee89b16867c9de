"""Calibration against scipy's own t-interval of a mean, plates of a known factor, and rows that are refused.

With nothing beside the layers' time, least squares on log ratios is their mean, so that factor and interval are those
of :func:`scipy.stats.ttest_1samp`.
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy import stats

from reviewkit import calibration
from reviewkit.calibration import PlateRow, calibrate, fit_words, fitted, read_plates
from reviewkit.errors import SetupError
from reviewkit.limits import MACHINES_VARIABLE, machine, machines, material
from reviewkit.measure.filling import filling_of
from reviewkit.measure.layers import layers
from reviewkit.measure.printing import printing
from reviewkit.model import Setup

BASE = machine("standard-240")
DAY = "2026-05-04"
BARE = {"heat_s": 0.0, "least_layer_s": 0.0}


def plate(size, copies, **settings):
    setup = Setup(replace(BASE, printing=replace(BASE.printing, **settings)), material("pla"), 0.2, 0.4, 0.2)
    mesh = trimesh.creation.box(size).apply_translation((0, 0, size[2] / 2))
    cut = layers(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), 0.2, 0.2)
    found = printing(cut, filling_of(cut, setup.printing, 0.4), setup, time_spread=0.25, mass_spread=0.05)
    return found.with_copies(copies)


def measured(plates, factor, scatter=(), **settings):
    scatter = scatter or [1.0] * len(plates)
    return [
        PlateRow(line, "p", one.copies, one.printed_s(factor) * noise)
        for line, (one, noise) in enumerate(zip(plates, scatter, strict=True), 2)
    ]


def fit_of(rows, plates, misfit=0.25, least_spread=0.03):
    return fitted(rows, plates, DAY, misfit=misfit, least_spread=least_spread)


PLATES = [((30, 20, 10), 4), ((60, 40, 8), 2), ((15, 15, 30), 9), ((90, 20, 6), 3), ((40, 40, 40), 1)]


@pytest.mark.parametrize("scatter", [[1.04, 0.97, 1.01, 0.95, 1.02], [1.0, 1.1, 0.92, 1.05, 0.98]])
def test_factor_and_interval_are_those_of_a_mean_of_logarithms(scatter):
    plates = [plate(size, copies, **BARE) for size, copies in PLATES]
    rows = measured(plates, 1.3, scatter)
    fit = fit_of(rows, plates)
    ratio = np.log([row.measured_s / one.printed_s(1.0) for row, one in zip(rows, plates, strict=True)])
    expected = stats.ttest_1samp(ratio, 0).confidence_interval(0.95)
    found = fit.calibration
    assert found.factor == pytest.approx(np.exp(ratio.mean()), rel=1e-6)
    assert (found.low, found.high) == pytest.approx((np.exp(expected.low), np.exp(expected.high)), rel=1e-5)
    half = stats.t.ppf(0.975, 4) * ratio.std(ddof=1) * np.sqrt(1 + 1 / 5)
    assert found.spread == pytest.approx(np.expm1(half), rel=1e-5)
    left_out = [np.exp(ratio[i] - np.delete(ratio, i).mean()) for i in range(5)]
    assert fit.left_out == pytest.approx(left_out, rel=1e-6)
    assert (found.plates, found.date) == (5, DAY)


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.7])
def test_a_known_factor_comes_back_with_heating_and_waiting(factor):
    """Some layers of the small part wait, whose time does not follow the factor."""
    plates = [plate(size, copies) for size, copies in [*PLATES, ((8, 8, 20), 3)]]
    fit = fit_of(measured(plates, factor), plates)
    assert fit.calibration.factor == pytest.approx(factor, rel=1e-5)
    assert fit.fitted_s == pytest.approx(fit.measured_s, rel=1e-6)
    # Even perfect plates say no more than that printers of one kind differ.
    assert fit.calibration.spread == 0.03


def test_no_factor_meets_the_plates_better():
    """Plates that heat for long follow the factor less, and weigh less in it."""
    plates = [plate(size, copies, heat_s=1500.0) for size, copies in [*PLATES, ((8, 8, 20), 3)]]
    rows = measured(plates, 1.2, [1.06, 0.95, 1.03, 0.99, 0.92, 1.08])

    def squares(factor):
        return sum(np.log(row.measured_s / one.printed_s(factor)) ** 2 for row, one in zip(rows, plates, strict=True))

    best = fit_of(rows, plates).calibration.factor
    assert squares(best) <= min(squares(best * step) for step in (0.99, 0.999, 1.001, 1.01))


def test_the_interval_holds_the_truth_as_often_as_it_says():
    plates = [plate(size, copies) for size, copies in PLATES]
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(120):
        rows = measured(plates, 1.2, list(np.exp(rng.normal(0, 0.04, len(plates)))))
        found = fit_of(rows, plates).calibration
        held += found.low <= 1.2 <= found.high
    # 95 % of 120, give or take three standard deviations.
    assert 107 <= held <= 120


def test_fewer_plates_say_less():
    plates = [plate(size, copies) for size, copies in PLATES]
    scatter = [1.03, 0.98, 1.0, 0.97, 1.02]
    five = fit_of(measured(plates, 1.1, scatter), plates).calibration
    three = fit_of(measured(plates[:3], 1.1, scatter[:3]), plates[:3]).calibration
    assert three.high - three.low > five.high - five.low
    assert three.spread > five.spread


def test_a_stranger_is_named():
    plates = [plate(size, copies) for size, copies in PLATES]
    rows = measured(plates, 1.1, [1.0, 1.01, 1.4, 0.99, 1.0])
    with pytest.raises(SetupError, match=r"line 4: \d+ min is 1\.\d\d times what the others say.*more than 25 % off"):
        fit_of(rows, plates)
    assert fit_of(rows, plates, misfit=0.6).calibration.spread > 0.39


def test_plates_that_only_wait_tell_nothing():
    plates = [plate((4, 4, 10 + n), 1, least_layer_s=60.0) for n in range(3)]
    with pytest.raises(SetupError, match=r"mostly heat up or wait|no factor"):
        fit_of(measured(plates, 1.0), plates)


@pytest.mark.parametrize("factor", [30.0, 0.02])
def test_times_out_of_all_reason_are_refused(factor):
    plates = [plate(size, copies, **BARE) for size, copies in PLATES]
    with pytest.raises(SetupError, match=r"no factor from 0\.1 to 10"):
        fit_of(measured(plates, factor), plates)


# --- the table -----------------------------------------------------------------------------

GOOD = "part,copies,minutes\nbox.stl,1,60\nbox.stl,4,200\nbar.stl,2,90\n"


def test_rows_as_people_save_them(tmp_path):
    table = tmp_path / "plates.csv"
    table.write_bytes(
        b"\xef\xbb\xbfpart, copies ,minutes\r\n box.stl ,1,60\r\n\r\na/b#one,12,90.5\r\nbar.stl,2,9e1\r\n"
    )
    rows = read_plates(table)
    assert [(row.line, row.part, row.copies, row.measured_s) for row in rows] == [
        (2, "box.stl", 1, 3600), (4, "a/b#one", 12, 5430), (5, "bar.stl", 2, 5400),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (",1,60", "no part; name the folder"),
        ("box.stl,0,60", "copies '0'; give a whole number from 1 to 10000"),
        ("box.stl,1.5,60", "copies '1.5'; give a whole number"),
        ("box.stl,99999999999999,60", "give a whole number"),
        ("box.stl,1,-3", "minutes '-3'; give the minutes from heat-up to the last layer"),
        ("box.stl,1,nan", "minutes 'nan'"),
        ("box.stl,1,1 h", "minutes '1 h'"),
        ("box.stl,1,1e9", "up to 43200"),
        ("box.stl,1", "2 cells; 3 are needed: part, copies, minutes"),
        ("box.stl,1,2,3", "4 cells"),
    ],
)
def test_bad_rows_are_refused_by_their_line(tmp_path, row, message):
    table = tmp_path / "plates.csv"
    table.write_text(GOOD + row + "\n", encoding="utf-8")
    with pytest.raises(SetupError) as refused:
        read_plates(table)
    assert str(refused.value).startswith("plates.csv line 5: ")
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_every_bad_row_has_its_line(tmp_path):
    table = tmp_path / "plates.csv"
    table.write_text("part,copies,minutes\na,0,1\nb,1,2\nc,1,x\n", encoding="utf-8")
    with pytest.raises(SetupError) as refused:
        read_plates(table)
    assert [line.split(":")[0] for line in str(refused.value).split("\n")] == ["plates.csv line 2", "plates.csv line 4"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the first line must read part,copies,minutes"),
        (b"part,copies\na,1\n", "the first line must read"),
        (b"part,copies,minutes\na,1,2\nb,1,2\n", "has 2 measured plates; 3 to 200 are needed"),
        (b"part,copies,minutes\n\xff,1,2\n", "is not written in UTF-8"),
    ],
)
def test_bad_tables_are_refused(tmp_path, content, message):
    table = tmp_path / "plates.csv"
    table.write_bytes(content)
    with pytest.raises(SetupError, match=message):
        read_plates(table)
    with pytest.raises(SetupError, match="cannot be read"):
        read_plates(tmp_path / "none.csv")


# --- end to end ----------------------------------------------------------------------------


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """Three meshes, and a folder of the factory's own profiles in use."""
    for name, size in (("box", (30, 30, 12)), ("bar", (80, 16, 8))):
        trimesh.creation.box(size).export(tmp_path / f"{name}.stl")
    folder = tmp_path / "own"
    folder.mkdir()
    monkeypatch.setenv(MACHINES_VARIABLE, str(folder))
    machines.cache_clear()
    yield tmp_path
    machines.cache_clear()


def test_a_calibration_is_kept_and_used(bench, monkeypatch):
    table = bench / "plates.csv"
    reckoned = {
        name: calibration._alone(f"{name}.stl", table, BASE, calibration.load_limits()) for name in ("box", "bar")
    }
    rows = [("box", 1, 1.25), ("box", 6, 1.27), ("bar", 3, 1.23)]
    lines = [f"{n}.stl,{k},{reckoned[n].with_copies(k).printed_s(f) / 60}" for n, k, f in rows]
    table.write_text("part,copies,minutes\n" + "\n".join(lines) + "\n", encoding="utf-8")
    with monkeypatch.context() as quick:
        quick.setattr(calibration, "_alone", lambda part, *_: reckoned[part.removesuffix(".stl")])
        fit, path = calibrate(table, "standard-240", DAY)
    assert path == bench / "own" / "standard-240.calibration.toml"
    assert fit.calibration.factor == pytest.approx(1.25, rel=0.01)
    assert len(fit_words(fit, read_plates(table))) == 5
    assert "from 3 plates, 2026-05-04" in fit_words(fit)[0]

    machines.cache_clear()
    known = machine("Standard 240")
    assert known.printing.calibration == fit.calibration
    assert machine("small-160").printing.calibration is None
    # Calibrated again from the same plates, it says the same: the old fit has no part in the new one.
    again, _ = calibrate(table, "standard-240", DAY)
    assert again.calibration == fit.calibration


def test_a_part_that_cannot_be_read_is_told_by_its_line(bench):
    table = bench / "plates.csv"
    table.write_text("part,copies,minutes\nbox.stl#lid,1,60\nno.stl,1,60\nbox.stl#lid,2,60\n", encoding="utf-8")
    with pytest.raises(SetupError) as refused:
        calibrate(table, "standard-240", DAY)
    lines = str(refused.value).split("\n")
    assert len(lines) == 3
    assert lines[0].startswith("plates.csv line 2: part 'box.stl#lid' is not one part; write box.stl# and one of ")
    assert lines[1].startswith("plates.csv line 3: ")


def test_somebody_must_say_where_it_goes(tmp_path, monkeypatch):
    monkeypatch.delenv(MACHINES_VARIABLE, raising=False)
    with pytest.raises(SetupError, match="give --out FOLDER, and name that folder in REVIEWKIT_MACHINES"):
        calibrate(tmp_path / "plates.csv", "standard-240", DAY)
    with pytest.raises(SetupError, match="machine 'lathe' is not in data/machines"):
        calibrate(tmp_path / "plates.csv", "lathe", DAY, tmp_path)
