"""Limits, materials and machines: what is shipped loads, and what is wrong is refused by its line."""

import csv
import hashlib
import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from reviewkit import limits as tables
from reviewkit.errors import LimitError, SetupError
from reviewkit.limits import (
    LIMIT_COLUMNS,
    MACHINES_VARIABLE,
    MATERIAL_COLUMNS,
    calibration_path,
    calibration_text,
    load_limits,
    machine,
    machines,
    material,
    materials,
)
from reviewkit.model import Band, Calibration, Limit, Sense, Setup, Source, Status, Verdict

ROW = {
    "id": "wall", "quantity": "wall.width", "role": "meets", "value": "2", "unit": "line widths", "sense": "min",
    "status": "common practice",
}  # fmt: skip
GRADE = {
    "material": "plum", "name": "Plum", "property": "density", "value": "1.2", "low": "1.1", "high": "1.3",
    "unit": "g/cm3", "source_title": "Table of plums", "status": "memory",
}  # fmt: skip
PROFILE = """
id = "bench"
name = "Bench"
plate_mm = [100.0, 90.0]
height_mm = 80.0
edge_margin_mm = 4.0
line_width_mm = 0.5
layer_height_mm = 0.25
first_layer_mm = 0.3
source = "invented"

[printing]
outline_passes = 2
top_layers = 5
bottom_layers = 3
core_fill = 0.2
line_angle_deg = 45
filament_mm = 1.75
outline_mm_s = 80.0
solid_mm_s = 120.0
core_mm_s = 150.0
first_layer_mm_s = 30.0
travel_mm_s = 200.0
acceleration_mm_s2 = 2000
corner_deg = 30.0
corner_mm_s = 0.0
melt_mm3_s = 12.0
start_s = 0.1
layer_change_s = 0.5
least_layer_s = 8.0
heat_s = 200.0
cool_s = 300.0
removal_s = 60.0
source = "invented"
"""

Shelf = Callable[..., Path]


def cells(columns: tuple[str, ...], *rows: dict[str, str]) -> str:
    text = io.StringIO()
    table = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    return text.getvalue()


def forget() -> None:
    for loader in (load_limits, materials, machines):
        loader.cache_clear()


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    """Puts tables of a test in place of those shipped."""

    def put(folder: str, name: str, text: str) -> Path:
        path = tmp_path / "data" / folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    for folder in ("hands", "law", "limits"):
        (tmp_path / "data" / folder).mkdir(parents=True)
    monkeypatch.setattr(tables, "resource", tmp_path.joinpath)
    forget()
    yield put
    forget()


@pytest.fixture
def setup(shelf: Shelf) -> Setup:
    """Lines 0.5 mm wide, layers 0.25 mm high."""
    shelf("machines", "bench.toml", PROFILE)
    shelf("materials", "plums.csv", cells(MATERIAL_COLUMNS, GRADE))
    bench = machine("bench")
    return Setup(bench, material("plum"), bench.layer_height_mm, bench.line_width_mm, bench.first_layer_mm)


# --- what is shipped -----------------------------------------------------------------------


def test_every_shipped_row_says_where_it_is_from() -> None:
    rows = load_limits()
    assert len(rows.rows) > 0
    for limit in rows.every():
        assert limit.unit
        assert limit.source.cited
        assert limit.source.title or limit.source.status is Status.PRACTICE
    for known in materials().values():
        for value in known.properties.values():
            assert value.unit
            assert value.source.title or value.source.status is Status.PRACTICE
    for profile in machines().values():
        assert profile.source


def test_each_quantity_is_one_band() -> None:
    """Two rows of a quantity for one material bound from the same side in the same unit, in the right order."""
    seen: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in load_limits().rows.values():
        key = (row["quantity"], row["role"], row["material"])
        assert key not in seen, f"{row['id']} repeats {seen[key]['id']}"
        seen[key] = dict(row)
    for (quantity, role, grade), meets in seen.items():
        fails = seen.get((quantity, "fails", grade))
        if role == "meets" and fails:
            assert (meets["sense"], meets["unit"]) == (fails["sense"], fails["unit"]), quantity
            stricter = float(meets["value"]) - float(fails["value"])
            assert stricter >= 0 if meets["sense"] == "min" else stricter <= 0, quantity


def test_first_layer_bands_are_the_usual_ones() -> None:
    """Bands of common practice, written out again."""
    petg, standard = material("petg"), machine("standard-240")
    setup = Setup(standard, petg, standard.layer_height_mm, standard.line_width_mm, standard.first_layer_mm)
    for quantity, sense, meets, fails in (
        ("islands", Sense.MAX, 1, 4),
        ("holes", Sense.MAX, 2, 8),
        ("outline", Sense.MAX, 500, 1500),
        ("sharp_corners", Sense.MAX, 0, 2),
        ("compactness", Sense.MIN, 0.5, 0.15),
        ("smallest_island", Sense.MIN, 100, 25),
        ("contact_share", Sense.MIN, 0.5, 0.2),
        ("neck", Sense.MIN, 1.6, 0.8),
    ):
        band = load_limits().band(f"first_layer.{quantity}", setup)
        assert band.meets is not None
        assert band.fails is not None
        assert (band.meets.sense, band.fails.sense) == (sense, sense)
        assert (band.meets.value, band.fails.value) == pytest.approx((meets, fails))
    assert load_limits().value("first_layer.sharp_angle", setup).value == 60
    assert load_limits().value("first_layer.sharp_reach", setup).value == 40


def test_materials_hold_what_the_review_needs() -> None:
    assert set(materials()) == {"pla", "petg", "abs", "asa", "pp", "pa12", "tpu"}
    units = {"density": "g/cm3", "modulus": "MPa", "yield_strain": "-", "strain_many_cycles": "-",
             "layer_strength_ratio": "-", "shrinkage": "%"}  # fmt: skip
    for known in materials().values():
        assert known.name == known.id.upper()
        assert {name: known[name].unit for name in units} == units
        assert known["strain_many_cycles"].value < known["yield_strain"].low
    # Ten cubic centimetres, solid: 12.4, 10.4 and 9.0 g at the densities of Kruse Training's table (seen for
    # ABS and PP) and from memory (PLA).
    assert [10 * materials()[name]["density"].value for name in ("pla", "abs", "pp")] == pytest.approx(
        [12.4, 10.4, 9.0]
    )
    # Supplier values quoted in Processes 13(9):2733, 2025, section 2.1 (seen).
    for name, modulus_mpa in (("pla", 3500), ("abs", 2100), ("petg", 2000)):
        assert materials()[name]["modulus"].value == modulus_mpa
        assert materials()[name]["modulus"].source.status is Status.SEEN
        assert "2733" in materials()[name]["modulus"].source.cited


def test_machines_are_one_default_a_larger_and_a_smaller() -> None:
    default, large, small = machine("standard-240"), machine("large-330"), machine("small-160")
    assert default.plate_mm == (240.0, 240.0)
    assert (default.line_width_mm, default.layer_height_mm, default.edge_margin_mm) == (0.4, 0.2, 5.0)
    assert max(small.plate_mm) < min(default.plate_mm) < min(large.plate_mm)


@pytest.mark.parametrize("name", ["PETG", "petg", " Petg "])
def test_material_by_name_in_any_case(name: str) -> None:
    assert material(name).id == "petg"


def test_unknown_names_list_the_known() -> None:
    with pytest.raises(SetupError, match="'wood' is not in data/materials; known are abs, asa, pa12, petg"):
        material("wood")
    with pytest.raises(
        SetupError, match="'lathe' is not in data/machines; known are large-330, small-160, standard-240"
    ):
        machine("lathe")


# --- refused rows --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"status": "memory"}, "no source; only common practice"),
        ({"status": "seen"}, "no source; only common practice"),
        ({"unit": ""}, "no unit; write - for a plain number"),
        ({"value": "two"}, "value 'two' is not a number"),
        ({"value": ""}, "value '' is not a number"),
        ({"status": "heard"}, "status 'heard' is not one of seen, memory, common practice"),
        ({"status": ""}, "status '' is not one of"),
        ({"role": "warns"}, "role 'warns' is not one of meets, fails, value"),
        ({"sense": "about"}, "sense 'about' is not min or max"),
        ({"sense": ""}, "sense '' is not min or max"),
    ],
)
def test_wrong_limit_row_is_refused(shelf: Shelf, change: dict[str, str], message: str) -> None:
    sound = {**ROW, "id": "sound"}
    shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, sound, {**ROW, **change}))
    with pytest.raises(LimitError) as refused:
        load_limits()
    assert str(refused.value).startswith("walls.csv line 3: ")
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_sound_row_is_taken(shelf: Shelf) -> None:
    path = shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, ROW))
    (limit,) = load_limits().every()
    assert (limit.id, limit.value, limit.unit, limit.sense) == ("wall", 2.0, "line widths", Sense.MIN)
    assert limit.source.cited == "common practice"
    assert load_limits().sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_id_may_not_stand_twice_in_any_two_tables(shelf: Shelf) -> None:
    shelf("limits", "a.csv", cells(LIMIT_COLUMNS, ROW))
    shelf("limits", "b.csv", cells(LIMIT_COLUMNS, ROW))
    with pytest.raises(LimitError, match=r"b.csv line 2: id 'wall' stands twice"):
        load_limits()


def test_table_with_other_columns_or_too_many_cells_is_refused(shelf: Shelf) -> None:
    path = shelf("limits", "walls.csv", cells(LIMIT_COLUMNS[1:], {k: v for k, v in ROW.items() if k != "id"}))
    with pytest.raises(LimitError, match=r"walls.csv: columns must be id, quantity"):
        load_limits()
    sound = cells(LIMIT_COLUMNS, ROW)
    for spoilt in (sound.rstrip("\n") + ",more\n", sound + "wall-2,wall.width\n"):
        path.write_text(spoilt, encoding="utf-8")
        with pytest.raises(LimitError, match="16 cells are needed; quote cells that hold commas"):
            load_limits()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"value": "1.4"}, "1.4 g/cm3 lies outside its own range 1.1 to 1.3"),
        ({"value": "1.0"}, "1 g/cm3 lies outside its own range"),
        ({"low": "thin"}, "low 'thin' is not a number"),
        ({"source_title": ""}, "no source"),
        ({"unit": ""}, "no unit"),
    ],
)
def test_wrong_material_row_is_refused(shelf: Shelf, change: dict[str, str], message: str) -> None:
    shelf("materials", "plums.csv", cells(MATERIAL_COLUMNS, {**GRADE, **change}))
    with pytest.raises(LimitError) as refused:
        materials()
    assert str(refused.value).startswith("plums.csv line 2: ")
    assert message in str(refused.value)


@pytest.mark.parametrize("lost", ["id", "name", "plate_mm", "height_mm", "line_width_mm", "source"])
def test_machine_with_a_missing_field_is_refused(shelf: Shelf, lost: str) -> None:
    shelf("machines", "bench.toml", "\n".join(line for line in PROFILE.splitlines() if not line.startswith(f"{lost} ")))
    with pytest.raises(SetupError, match=f"machine profile bench.toml cannot be used: .*{lost}"):
        machines()


@pytest.mark.parametrize(
    "more",
    ["colour = 3", "plate_mm = [1.0, 2.0, 3.0]", "plate_mm = 240", 'plate_mm = ["a", 3]', "height_mm = -1", "id = 3",
     'line_width_mm = "0.4"', 'name = " "', "height_mm = nan"],
)  # fmt: skip
def test_machine_with_a_field_too_many_or_a_wrong_plate_is_refused(shelf: Shelf, more: str) -> None:
    kept = [line for line in PROFILE.splitlines() if line.split(" ")[0] != more.split(" ")[0]]
    shelf("machines", "bench.toml", "\n".join([more, *kept]))
    with pytest.raises(SetupError, match=r"machine profile bench.toml cannot be used"):
        machines()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("", r"[printing] lacks solid_mm_s"),
        ("solid_speed = 3", r"[printing] lacks solid_mm_s and has no use for solid_speed"),
        ("solid_mm_s = 0", r"[printing] solid_mm_s = 0 mm/s is out of range; give 0.1 to 10000 mm/s"),
        ("solid_mm_s = -5.0", r"[printing] solid_mm_s = -5 mm/s is out of range"),
        ("solid_mm_s = nan", r"[printing] solid_mm_s = nan mm/s is out of range"),
        ("solid_mm_s = true", r"[printing] solid_mm_s = True is not a number"),
        ('solid_mm_s = "fast"', r"[printing] solid_mm_s = 'fast' is not a number"),
    ],
)
def test_machine_that_prints_in_no_sensible_way_is_refused(shelf: Shelf, line: str, message: str) -> None:
    shelf("machines", "bench.toml", PROFILE.replace("solid_mm_s = 120.0", line))
    with pytest.raises(SetupError) as refused:
        machines()
    assert str(refused.value).startswith("machine profile bench.toml cannot be used: ")
    assert message in str(refused.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("outline_passes = 2", "outline_passes = 2.5", "outline_passes = 2.5 is not a whole number"),
        ("core_fill = 0.2", "core_fill = 20", "core_fill = 20 is out of range; give 0 to 1"),
        ("heat_s = 200.0", "heat_s = -1", "heat_s = -1 s is out of range; give 0 to 100000 s"),
        ("acceleration_mm_s2 = 2000", "acceleration_mm_s2 = 0", "give 1 to 1e+06 mm/s2"),
        ("[printing]", "[printed]", "it has no [printing] table; add one"),
        ('removal_s = 60.0\nsource = "invented"', 'removal_s = 60.0\nsource = " "', "source is empty"),
    ],
)
def test_machine_with_a_wrong_setting_is_refused(shelf: Shelf, old: str, new: str, message: str) -> None:
    assert old in PROFILE
    shelf("machines", "bench.toml", PROFILE.replace(old, new))
    with pytest.raises(SetupError) as refused:
        machines()
    assert message in str(refused.value)


def test_settings_of_printing_are_read(setup: Setup) -> None:
    printing = setup.machine.printing
    assert printing is not None and setup.printing is printing
    assert (printing.outline_passes, printing.top_layers, printing.bottom_layers) == (2, 5, 3)
    # Whole numbers in fields of fractions are fractions, so that a review reads back as it was written.
    assert isinstance(printing.acceleration_mm_s2, float) and isinstance(printing.outline_passes, int)
    assert setup.core_fill == 0.2


# --- the factory's own profiles ------------------------------------------------------------

FIT = Calibration(1.25, 1.2, 1.3, 0.08, 5, "2026-05-04")


@pytest.fixture
def own(shelf: Shelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An own folder in use, beside one shipped profile."""
    shelf("machines", "bench.toml", PROFILE)
    folder = tmp_path / "own"
    folder.mkdir()
    monkeypatch.setenv(MACHINES_VARIABLE, str(folder))
    return folder


def test_own_profiles_go_before_those_shipped(own: Path) -> None:
    (own / "a.toml").write_text(PROFILE.replace("height_mm = 80.0", "height_mm = 95.0", 1), encoding="utf-8")
    (own / "b.toml").write_text(PROFILE.replace('"bench"', '"press"').replace('"Bench"', '"Press"'), encoding="utf-8")
    assert sorted(machines()) == ["bench", "press"]
    assert machine("bench").height_mm == 95.0


def test_a_calibration_goes_with_its_machine(own: Path) -> None:
    bench = machine("bench")
    calibration_path(own, bench).write_text(calibration_text(bench, FIT), encoding="utf-8")
    forget()
    known = machine("bench")
    assert known.printing is not None and known.printing.calibration == FIT
    # The text of a calibration does not depend on one that is in use.
    assert calibration_text(known, FIT) == calibration_text(bench, FIT)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('machine = "bench"', 'machine = "lathe"', "no profile has the machine that it names"),
        ("factor = 1.25", "factor = -1", "factor = -1 is not a number above 0; calibrate again"),
        ("factor = 1.25", "factor = nan", "factor = nan is not a number above 0"),
        ("factor = 1.25\n", "", "it lacks factor"),
        ("factor = 1.25", "factor = 1.25\nmore = 1", "it has no use for more"),
        ("2026-05-04", "yesterday", "Invalid isoformat string"),
        ("factor = 1.25", "factor 1.25", "line 4"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused(own: Path, old: str, new: str, message: str) -> None:
    text = calibration_text(machine("bench"), FIT)
    assert old in text
    (own / "bench.calibration.toml").write_text(text.replace(old, new), encoding="utf-8")
    forget()
    with pytest.raises(SetupError) as refused:
        machines()
    assert str(refused.value).startswith("calibration bench.calibration.toml cannot be used: ")
    assert message in str(refused.value)


def test_a_calibration_of_a_profile_that_changed_is_refused(own: Path, shelf: Shelf) -> None:
    bench = machine("bench")
    calibration_path(own, bench).write_text(calibration_text(bench, FIT), encoding="utf-8")
    shelf("machines", "bench.toml", PROFILE.replace("outline_mm_s = 80.0", "outline_mm_s = 90.0"))
    forget()
    with pytest.raises(SetupError, match="the profile of 'bench' was changed since; calibrate again"):
        machines()


def test_the_variable_must_name_a_folder(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(MACHINES_VARIABLE, str(own / "none"))
    with pytest.raises(SetupError, match=r"REVIEWKIT_MACHINES names .*none', which is no folder"):
        machines()
    monkeypatch.setenv(MACHINES_VARIABLE, "")
    assert sorted(machines()) == ["bench"]


# --- limits of a setup ---------------------------------------------------------------------


def test_line_widths_and_layers_become_mm_of_the_setup(shelf: Shelf, setup: Setup) -> None:
    skin = {**ROW, "id": "skin", "quantity": "skin", "value": "5", "unit": "layers"}
    neck = {**ROW, "id": "neck", "quantity": "neck", "value": "3", "unit": "mm"}
    shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, ROW, skin, neck))
    limits = load_limits()
    wall, skin_limit, neck_limit = (limits.band(name, setup).limits[0] for name in ("wall.width", "skin", "neck"))
    assert (wall.value, wall.unit, wall.stated) == (pytest.approx(1.0), "mm", "2 line widths")
    assert wall.words == "at least 1 mm (2 line widths)"
    assert (skin_limit.value, skin_limit.unit, skin_limit.stated) == (pytest.approx(1.25), "mm", "5 layers")
    assert (neck_limit.value, neck_limit.unit, neck_limit.stated) == (3.0, "mm", "")
    # As written, without a setup, they stay as they are.
    assert [limit.unit for limit in limits.every()] == ["line widths", "layers", "mm"]


def test_row_of_the_own_material_goes_before_the_row_for_any(shelf: Shelf, setup: Setup) -> None:
    own = {**ROW, "id": "plum-wall", "value": "3", "material": "plum"}
    other = {**ROW, "id": "fig-wall", "value": "9", "material": "fig"}
    shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, ROW, other, own))
    (limit,) = load_limits().band("wall.width", setup).limits
    assert limit.id == "plum-wall"
    shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, ROW, other))
    load_limits.cache_clear()
    (limit,) = load_limits().band("wall.width", setup).limits
    assert limit.id == "wall"


def test_asking_for_what_is_not_there(shelf: Shelf, setup: Setup) -> None:
    only_fig = {**ROW, "id": "fig-wall", "material": "fig"}
    number = {**ROW, "id": "reach", "quantity": "reach", "role": "value", "sense": "", "value": "40", "unit": "mm"}
    shelf("limits", "walls.csv", cells(LIMIT_COLUMNS, only_fig, number))
    limits = load_limits()
    assert limits.value("reach", setup).value == 40
    with pytest.raises(LimitError, match=r"no limit for 'wall\.width' and material 'plum'"):
        limits.band("wall.width", setup)
    with pytest.raises(LimitError, match="no limit for 'reach'"):
        limits.band("reach", setup)
    with pytest.raises(LimitError, match=r"no value row for 'wall\.width'"):
        limits.value("wall.width", setup)


# --- verdicts ------------------------------------------------------------------------------


def bound(value: float, sense: Sense) -> Limit:
    return Limit("x", "x", value, "mm", sense, Source("", Status.PRACTICE))


@pytest.mark.parametrize(
    ("value", "uncertainty", "verdict"),
    [
        (0.9, 0.0, Verdict.MEETS),
        (0.8, 0.0, Verdict.MEETS),
        (0.1 + 0.7, 0.0, Verdict.MEETS),
        (3 * 0.1 + 0.5 - 1e-12, 0.0, Verdict.MEETS),
        (0.79, 0.0, Verdict.MARGINAL),
        (0.4, 0.0, Verdict.MARGINAL),
        (0.39, 0.0, Verdict.FAILS),
        # ISO 14253-1:2017 (from memory): conformity is proven only when value -+ uncertainty lies inside,
        # failure only when it lies outside; in between neither is.
        (0.9, 0.1, Verdict.MEETS),
        (0.9, 0.11, Verdict.MARGINAL),
        (0.35, 0.04, Verdict.FAILS),
        (0.35, 0.05, Verdict.MARGINAL),
        (0.35, 0.06, Verdict.MARGINAL),
        (0.35, 9.0, Verdict.MARGINAL),
    ],
)
def test_band_from_below(value: float, uncertainty: float, verdict: Verdict) -> None:
    band = Band("wall", bound(0.8, Sense.MIN), bound(0.4, Sense.MIN))
    assert band.verdict(value, uncertainty) is verdict
    # The same judgement mirrored: a bound from above.
    mirrored = Band("wall", bound(-0.8, Sense.MAX), bound(-0.4, Sense.MAX))
    assert mirrored.verdict(-value, uncertainty) is verdict


@pytest.mark.parametrize(
    ("count", "verdict"), [(0, "meets"), (2, "meets"), (3, "marginal"), (8, "marginal"), (9, "fails")]
)
def test_band_of_a_count(count: int, verdict: str) -> None:
    assert Band("holes", bound(2, Sense.MAX), bound(8, Sense.MAX)).verdict(count) == verdict


def test_band_with_one_bound() -> None:
    only_meets, only_fails = Band("x", meets=bound(2, Sense.MAX)), Band("x", fails=bound(5, Sense.MAX))
    assert [only_meets.verdict(x) for x in (2, 3, 1e9)] == ["meets", "marginal", "marginal"]
    assert [only_fails.verdict(x) for x in (5, 6)] == ["meets", "fails"]
    assert only_fails.verdict(5, 1) == "marginal"
