import math
import re
import string
from dataclasses import replace
from datetime import date
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import shapely
import tomlkit
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely.affinity import rotate

from reviewkit.errors import SubmissionError
from reviewkit.model import IDENTITY, Origin
from reviewkit.submission import (
    MESH_SUFFIXES,
    MM_PER_UNIT,
    Box,
    Cylinder,
    DocumentEntry,
    DocumentKind,
    Finish,
    Fitted,
    Hardware,
    HardwareKind,
    Motion,
    MotionKind,
    Mounting,
    Packing,
    PartEntry,
    Region,
    RegionKind,
    Requirement,
    RequirementKind,
    SetupRequest,
    Stage,
    Submission,
    Surroundings,
    Use,
    facts,
    normalised_units,
    parse_submission,
    read_submission,
    region_contains,
    region_of,
    slug,
    submission_toml,
    write_submission,
)

README = Path(__file__).resolve().parents[1] / "README.md"

SMALL = '[submission]\nnumber = "RK-1"\n[[part]]\nid = "clip"\nfile = "clip.stl"\n'
BASE = '[[region]]\nname = "base"\nkind = "fixed"\nbox = {min_mm = [0, 0, 0], max_mm = [1, 1, 1]}\n'
ARM = '[[region]]\nname = "arm"\nkind = "moving"\ncylinder = {from_mm = [0, 0, 0], to_mm = [0, 0, 9], radius_mm = 2}\n'
SWING = '[[motion]]\nregion = "arm"\nkind = "rotation"\ndirection = "y"\npoint_mm = [0, 0, 1]\nstroke_deg = [0, 25]\n'


def in_part(text: str) -> str:
    return SMALL + text


def in_head(text: str) -> str:
    return SMALL.replace('number = "RK-1"\n', f'number = "RK-1"\n{text}\n')


def refusal(text: str) -> str:
    with pytest.raises(SubmissionError) as caught:
        parse_submission(text)
    message = str(caught.value)
    assert "\n" not in message
    return message


def folder_with(folder: Path, text: str, *files: str) -> Path:
    (folder / "submission.toml").write_text(text, encoding="utf-8")
    for name in files:
        (folder / name).write_bytes(b"solid")
    return folder


# What is read.


def test_the_readme_example_is_read():
    heading = "## How to submit a part"
    if not README.is_file() or heading not in README.read_text(encoding="utf-8"):
        pytest.fail(f"README.md has no section {heading!r}")
    section = README.read_text(encoding="utf-8").split(heading)[1].split("\n## ")[0]
    example = re.search(r"```toml\n(.*?)```", section, re.DOTALL)
    assert example is not None
    submission = parse_submission(example[1])
    assert [part.id for part in submission.parts] == ["clip", "disc"]
    assert submission.parts[1].launched_by == "clip"
    assert submission.use != Use()
    assert submission.finish != Finish()
    assert submission.packing != Packing()
    assert submission.setup != SetupRequest()
    assert all((submission.regions, submission.motions, submission.requirements))
    assert all((submission.hardware, submission.documents, submission.rights))
    assert submission.origins["region.arm"] is Origin.SUGGESTED
    assert submission.origins["part.disc.units"] is Origin.ASSUMED


def test_a_smallest_submission_leaves_everything_else_open():
    submission = parse_submission(SMALL)
    assert submission == Submission("RK-1", parts=(PartEntry("clip", "clip.stl"),))
    confirmed = {name for name, origin in submission.origins.items() if origin is Origin.CONFIRMED}
    assert confirmed == {"submission.number"}


def test_every_field_lands_where_it_belongs():
    submission = parse_submission(
        in_head('stage = "First_article"\nmarkets = ["us", "EU", "US"]\ndisplay_units = "Inches"\ndue = "2031-02-28"')
        + 'units = "Millimeter"\ncount = 2\n'
        + BASE
        + ARM
        + SWING
        + '[[requirement]]\nid = "R1"\nwhat = "fit"\nnominal = 5\nlower = -0.1\nupper = 0.3\nunit = "mm"\n'
    )
    assert submission.stage is Stage.FIRST_ARTICLE
    assert submission.markets == ("US", "EU")
    assert submission.display_units == "in"
    assert submission.due == date(2031, 2, 28)
    assert submission.parts[0].units == "mm"
    assert submission.parts[0].count == 2
    assert submission.regions[0] == Region("base", "clip", RegionKind.FIXED, Box((0, 0, 0), (1, 1, 1)))
    assert submission.regions[1].volume == Cylinder((0, 0, 0), (0, 0, 9), 2)
    motion = submission.motions[0]
    assert motion == Motion("arm", MotionKind.ROTATION, (0, 1, 0), (0, 25), (0, 0, 1))
    assert (motion.name, motion.unit) == ("arm", "deg")
    assert (submission.requirements[0].lower, submission.requirements[0].upper) == (-0.1, 0.3)


def test_a_tolerance_is_plus_and_minus():
    text = SMALL + '[[requirement]]\nid = "R1"\nwhat = "fit"\nnominal = 5\ntolerance = 0.2\nunit = "mm"\n'
    requirement = parse_submission(text).requirements[0]
    assert (requirement.lower, requirement.upper) == (-0.2, 0.2)


def test_directions_get_length_one():
    text = SMALL + BASE + ARM + SWING.replace('"y"', "[3, 0, 4]")
    assert parse_submission(text).motions[0].direction == pytest.approx((0.6, 0, 0.8))


@pytest.mark.parametrize(
    ("word", "unit"),
    [
        ("mm", "mm"),
        (" Inch ", "in"),
        ("INCHES", "in"),
        ('"', "in"),
        ("feet", "ft"),
        ("metre", "m"),
        ("centimeter", "cm"),
        ("micron", "um"),
        ("\u00b5m", "um"),
        ("\u03bcm", "um"),
        ("", ""),
    ],
)
def test_words_of_units(word, unit):
    assert normalised_units(word) == unit


def test_lengths_of_units():
    # NIST SP 811 (2008), appendix B.8 (from memory): inch 2.54 E-02 m, foot 3.048 E-01 m, micron 1.0 E-06 m, exact.
    in_metres = {"in": 2.54e-2, "ft": 3.048e-1, "um": 1e-6, "mm": 1e-3, "cm": 1e-2, "m": 1.0}
    assert {unit: mm / 1000 for unit, mm in MM_PER_UNIT.items()} == pytest.approx(in_metres, rel=1e-15)


# Poses, against scipy's rotations.


@pytest.mark.parametrize(
    ("pose", "expected"),
    [
        ('[{axis = "x", angle_deg = 90}]', Rotation.from_euler("x", 90, degrees=True)),
        ('{axis = "z", angle_deg = -30}', Rotation.from_euler("z", -30, degrees=True)),
        (
            '[{axis = "x", angle_deg = 90}, {axis = "z", angle_deg = 40}]',
            # Lower case: about fixed axes, the first turn first.
            Rotation.from_euler("xz", [90, 40], degrees=True),
        ),
        (
            "[{axis = [1, 2, 2], angle_deg = 77}]",
            Rotation.from_rotvec(np.radians(77) * np.array([1, 2, 2]) / 3),
        ),
        ("[[0, -1, 0], [1, 0, 0], [0, 0, 1]]", Rotation.from_euler("z", 90, degrees=True)),
        ('"as sent"', Rotation.identity()),
    ],
)
def test_poses_are_the_rotations_they_say(pose, expected):
    found = parse_submission(in_part(f"pose = {pose}\n")).parts[0].pose
    assert np.array(found) == pytest.approx(expected.as_matrix(), abs=1e-14)


def test_quarter_turns_are_whole():
    pose = parse_submission(in_part('pose = [{axis = "y", angle_deg = 270}]\n')).parts[0].pose
    assert pose == ((0, 0, -1), (0, 1, 0), (1, 0, 0))


def test_a_rotation_with_rounded_digits_is_squared_up():
    pose = parse_submission(in_part("pose = [[0.707, -0.707, 0], [0.707, 0.707, 0], [0, 0, 1]]\n")).parts[0].pose
    assert np.array(pose) == pytest.approx(Rotation.from_euler("z", 45, degrees=True).as_matrix(), abs=1e-12)


@pytest.mark.parametrize(
    "pose",
    [
        "[[-1, 0, 0], [0, 1, 0], [0, 0, 1]]",  # a mirror
        "[[2, 0, 0], [0, 2, 0], [0, 0, 2]]",  # a scale
        "[[1, 0.1, 0], [0, 1, 0], [0, 0, 1]]",  # a shear
        "[[1e200, 1, 1], [0, 1, 0], [0, 0, 1]]",
        "[[inf, 0, 0], [0, 1, 0], [0, 0, 1]]",
        "[[1, 0], [0, 1]]",
        '"lying"',
        "90",
        '[{axis = "w", angle_deg = 90}]',
        "[{axis = [0, 0, 0], angle_deg = 90}]",
        '[{axis = "x", angle = 90}]',
        '[{axis = "x", angle_deg = 90}, 3]',
    ],
)
def test_other_poses_are_refused(pose):
    assert "pose" in refusal(in_part(f"pose = {pose}\n"))


# Regions, against closed forms and shapely.


def points_around(size_mm: float, count: int = 4000) -> np.ndarray:
    return np.random.default_rng(7).uniform(-size_mm, size_mm, (count, 3))


def test_a_box_holds_its_surface():
    region = Region("r", "p", RegionKind.KEEP, Box((0, 0, 0), (2, 3, 4)))
    points = np.array([[0, 0, 0], [2, 3, 4], [1, 1, 1], [2.001, 1, 1], [1, -0.001, 1], [1, 1, 4.001]])
    assert region_contains(region, points).tolist() == [True, True, True, False, False, False]


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, -75.0, 200.0])
def test_a_turned_box_agrees_with_shapely(turn_deg):
    region = Region("r", "p", RegionKind.KEEP, Box((-1, 2, -3), (7, 4, 5), turn_deg))
    outline = rotate(shapely.box(-1, 2, 7, 4), turn_deg, origin="center")
    points = points_around(9)
    inside = shapely.contains_xy(outline, points[:, 0], points[:, 1]) & (np.abs(points[:, 2] - 1) < 4)
    assert inside.sum() > 50
    assert (region_contains(region, points) == inside).all()


def test_a_cylinder_agrees_with_its_cross_product():
    start, end, radius_mm = np.array([1.0, -2, 0]), np.array([4.0, 3, 6]), 2.5
    region = Region("r", "p", RegionKind.GRIP, Cylinder(tuple(start), tuple(end), radius_mm))
    points = points_around(8)
    axis = end - start
    # Distance of a point from a line: |axis x (p - start)| / |axis|.
    away_mm = np.linalg.norm(np.cross(axis, points - start), axis=1) / np.linalg.norm(axis)
    share = (points - start) @ axis / (axis @ axis)
    inside = (away_mm < radius_mm) & (share > 0) & (share < 1)
    assert inside.sum() > 50
    assert (region_contains(region, points) == inside).all()


def test_the_later_region_wins():
    base = Region("base", "p", RegionKind.FIXED, Box((0, 0, 0), (10, 10, 10)))
    grip = Region("grip", "p", RegionKind.GRIP, Box((5, 0, 0), (15, 10, 10)))
    points = np.array([[1.0, 1, 1], [7, 1, 1], [12, 1, 1], [20, 1, 1]])
    assert region_of([base, grip], points).tolist() == [0, 1, 1, -1]
    assert region_of([grip, base], points).tolist() == [1, 1, 0, -1]
    assert region_of([], points).tolist() == [-1, -1, -1, -1]


# What is refused, and how it is said.


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[part]]\nid = 'a'\nfile = 'a.stl'\n", "section [submission] is missing"),
        ("[submission]\nnumber = 'x'\n", "no [[part]] is listed"),
        ("[submission]\n[[part]]\nid = 'a'\nfile = 'a.stl'\n", "[submission]: 'number' is missing"),
        (in_head("revision = 1"), "'revision' must be text in quotes, got 1"),
        (in_head("quantty = 5"), "no field 'quantty' here; did you mean 'quantity'?"),
        (SMALL + "[finnish]\n", "no section 'finnish' here; did you mean 'finish'?"),
        (SMALL + "[[use]]\ncycles = 1\n", "section [use] is written once, with single brackets"),
        ('[submission]\nnumber = "x"\n[part]\nid = "a"\n', "[[part]] is written with double brackets"),
        (in_head("quantity = 0"), "'quantity' must be a whole number from 1 to 1,000,000,000, got 0"),
        (in_head("quantity = 2.5"), "got 2.5"),
        (in_head("quantity = true"), "got True"),
        (in_head("quantity = 10000000000000000000000"), "'quantity' must be a whole number"),
        (in_head('stage = "piolt"'), "'stage' must be one of idea, first article, pilot, release, got 'piolt'"),
        (in_head('due = "31.3.2031"'), "'due' must be a date such as 2031-03-25, got '31.3.2031'"),
        (in_head('due = "2031-02-30"'), "'due' must be a date"),
        (in_head("due = 2031-03-25T10:00:00"), "'due' must be a date"),
        (in_head("received = 2031-03-25\ndue = 2031-03-24"), "'due' 2031-03-24 lies before 'received' 2031-03-25"),
        (in_head('markets = ["the world"]'), "'markets' must be codes"),
        (in_head('markets = "US"'), "'markets' must be a list of texts"),
        (in_head('display_units = "parsec"'), "unit 'parsec' is not known; write one of um, mm, cm, m, in, ft"),
        (in_head(f'name = "{"x" * 201}"'), "'name' has 201 characters; at most 200 are taken"),
        (in_head(f'statement = "{"x" * 20_001}"'), "'statement' has 20,001 characters; at most 20,000 are taken"),
        (in_head('revision = "A\\u202eB"'), "'revision' must be one line without blanks around it or hidden"),
        (SMALL.replace('id = "clip"', 'id = "My Clip"'), "'id' may hold a-z, 0-9 and single hyphens, got 'My Clip'"),
        (SMALL.replace('id = "clip"', 'id = "con"'), "'id' may hold"),
        (SMALL + '[[part]]\nid = "clip"\nfile = "b.stl"\n', "[[part]] 'clip': id 'clip' stands twice"),
        (SMALL.replace("clip.stl", "/clip.stl"), "'file' must be a path inside the folder"),
        (SMALL.replace("clip.stl", "a/../../clip.stl"), "'file' must be a path inside the folder"),
        (SMALL.replace('"clip.stl"', "'a\\clip.stl'"), "'file' must be a path inside the folder"),
        (SMALL.replace("clip.stl", "C:clip.stl"), "'file' must be a path inside the folder"),
        (SMALL.replace("clip.stl", "clip\\u0000.stl"), "'file' must be a path inside the folder"),
        (SMALL.replace("clip.stl", "clip.dxf"), "'file' must be a mesh (.stl, .obj, .ply, .off, .3mf, .amf, .glb, "),
        (SMALL.replace("clip.stl", ""), "'file' is empty"),
        (in_part("count = -1\n"), "'count' must be a whole number from 1"),
        (in_part('launched_by = "launcher"\n'), "'launched_by' names part 'launcher', which is not there"),
        (in_part('launched_by = "clip"\n'), "'launched_by' runs in a circle"),
        (
            in_part('launched_by = "b"\n[[part]]\nid = "b"\nfile = "b.stl"\nlaunched_by = "clip"\n'),
            "[[part]] 'clip': 'launched_by' runs in a circle",
        ),
        (SMALL + "[use]\nage_from_months = -1\n", "'age_from_months' must be a whole number from 0"),
        (SMALL + '[use]\nmounting = "glued"\n', "'mounting' must be one of held, fixed, got 'glued'"),
        (SMALL + '[[region]]\nname = "grip"\nkind = "grip"\n', "[[region]] 'grip': needs one volume: box = {min_mm"),
        (SMALL + BASE.replace("[1, 1, 1]", "[1, 1]"), "[[region]] 'base', box: 'max_mm' must be 3 numbers from"),
        (SMALL + BASE.replace("[1, 1, 1]", "[1, 1, inf]"), "'max_mm' must be 3 numbers"),
        (SMALL + BASE.replace("[1, 1, 1]", "[1, 1, -1]"), "'max_mm' must exceed 'min_mm' in x, y and z [mm]"),
        (SMALL + BASE.replace("box", "sphere"), "needs one volume"),
        (
            SMALL + ARM.replace("radius_mm = 2", "radius_mm = 0"),
            "'radius_mm' must be a number above 0 and up to 1e+09 mm",
        ),
        (SMALL + ARM.replace("radius_mm = 2", "radius_mm = nan"), "got nan"),
        (SMALL + ARM.replace("[0, 0, 9]", "[0, 0, 0]"), "'from_mm' and 'to_mm' must differ"),
        (SMALL + BASE + BASE.replace('"base"', '"Base"').replace("fixed", "keep"), "name 'Base' stands twice"),
        (SMALL + BASE + BASE.replace('"base"', '"rim"'), "part 'clip' has a fixed region already, 'base'"),
        (SMALL + BASE.replace('kind = "fixed"', 'kind = "fixed"\npart = "cilp"'), "did you mean 'clip'?"),
        (SMALL + '[[part]]\nid = "b"\nfile = "b.stl"\n' + BASE, "'part' is missing; with several parts it is needed"),
        (SMALL + BASE + SWING, "'region' names region 'arm', which is not there"),
        (SMALL + BASE + SWING.replace('"arm"', '"base"'), "region 'base' is fixed and cannot move"),
        (SMALL + ARM + SWING.replace("[0, 25]", "[5, 5]"), "'stroke_deg' starts and ends at 5"),
        (SMALL + ARM + SWING.replace("stroke_deg", "stroke_mm"), "a rotation has its stroke in 'stroke_deg'"),
        (SMALL + ARM + SWING.replace('"y"', "[0, 0, 0]"), "'direction' must point somewhere"),
        (SMALL + ARM + SWING.replace("point_mm = [0, 0, 1]\n", ""), "'point_mm' is missing"),
        (SMALL + ARM + SWING + "force_N = -2\n", "'force_N' must be a number above 0 and up to 1e+09 N, got -2"),
        (SMALL + ARM + SWING + "held = 1\n", "'held' must be true or false, got 1"),
        (SMALL + ARM + SWING + SWING, "name 'arm' stands twice"),
        (SMALL + '[[requirement]]\nid = "R"\nwhat = "fit"\nnominal = 1\n', "'nominal' needs 'unit'"),
        (SMALL + '[[requirement]]\nid = "R"\nwhat = "fit"\ntolerance = 1\n', "a tolerance needs 'nominal'"),
        (
            SMALL + '[[requirement]]\nid = "R"\nwhat = "fit"\nnominal = 1\nunit = "mm"\ntolerance = 1\nupper = 2\n',
            "'tolerance' stands for plus and minus",
        ),
        (
            SMALL + '[[requirement]]\nid = "R"\nwhat = "fit"\nnominal = 1\nunit = "mm"\nlower = 1\nupper = 0\n',
            "'lower' 1 lies above 'upper' 0",
        ),
        (SMALL + '[[requirement]]\nid = "R"\n', "'what' is missing; write one of fit, force, life"),
        (
            SMALL + '[[hardware]]\nname = "h"\nkind = "glue"\n',
            "'kind' must be one of insert, screw, magnet, bought part",
        ),
        (SMALL + '[[document]]\nfile = "../secret"\n', "[[document]] '../secret': 'file' must be a path inside"),
        (SMALL + "[setup]\ncore_fill = 15\n", "'core_fill' must be a number from 0 to 1, got 15"),
        (SMALL + f"[setup]\ncore_fill = {'9' * 400}\n", "'core_fill' must be a number from 0 to 1, got 999"),
        (SMALL + "[setup]\nlayer_height_mm = 0\n", "'layer_height_mm' must be a number above 0"),
        (SMALL + '[origin]\nsuggested = ["region.grip"]\n', "'suggested' names fact 'region.grip', which is not there"),
        (SMALL + '[origin]\nsuggested = ["use.cycles"]\n', "names 'use.cycles', which is not stated"),
        (
            SMALL + '[origin]\nsuggested = ["submission.number"]\nassumed = ["submission.number"]\n',
            "is marked both suggested and assumed",
        ),
        (SMALL + '[origin.notes]\n"use.cyles" = "?"\n', "did you mean 'use.cycles'?"),
        (SMALL + '[submission]\nname = "again"\n', "(at line 6"),
        ("a = [\n\n]]", "submission.toml cannot be read: "),
        ("a = " + "[" * 50_000, "brackets nest too deep"),
        ("a = " + "9" * 5000, "thousands of digits"),
        (SMALL + BASE.replace('"base"', '"b"') * 501, "[[region]] stands 501 times; at most 500 are taken"),
    ],
)
def test_a_mistake_is_named_in_one_line(text, words):
    message = refusal(text)
    assert message.startswith("submission.toml")
    assert words in message
    assert len(message) < 700


def test_further_problems_are_counted():
    assert refusal(in_head("quantity = 0")).endswith("got 0")
    assert refusal(in_head('quantity = 0\nstage = "x"')).endswith("got 0 (and 1 more problem)")
    assert refusal(in_head('quantity = 0\nstage = "x"\ndue = 1')).endswith("got 0 (and 2 more problems)")


def test_a_hidden_character_of_the_customer_is_not_printed():
    message = refusal(in_head('stage = "pi\\u202elot\\n\\u0007"'))
    assert message.isprintable()


JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**25), 10**25)
    | st.floats()
    | st.text(max_size=12)
    | st.dates()
    | st.sampled_from(["clip", "base", "grip", "rotation", "x", "as sent", "mm", "region.base"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(string.ascii_lowercase, max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
NAMES = st.sampled_from([
    "number", "revision", "quantity", "due", "stage", "markets", "id", "file", "units", "count", "launched_by",
    "bodies", "pose", "name", "part", "kind", "box", "cylinder", "region", "direction", "stroke_mm", "stroke_deg",
    "point_mm", "held", "force_N", "what", "nominal", "tolerance", "lower", "unit", "hands", "cycles", "core_fill",
    "suggested", "notes", "other",
])  # fmt: skip
SECTIONS = st.sampled_from([
    "submission", "part", "use", "region", "motion", "requirement", "hardware", "document", "finish", "packing",
    "setup", "origin", "other",
])  # fmt: skip
TABLE = st.dictionaries(NAMES, JUNK, max_size=6)


def without_none(value):
    if isinstance(value, dict):
        return {key: without_none(item) for key, item in value.items() if item is not None}
    return [without_none(item) for item in value if item is not None] if isinstance(value, list) else value


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(SECTIONS, JUNK | TABLE | st.lists(TABLE, max_size=3), max_size=6))
def test_no_table_leads_to_another_exception(content):
    text = SMALL if not content else tomlkit.dumps(without_none(content))
    try:
        parse_submission(text)
    except SubmissionError as error:
        assert "\n" not in str(error)


# Files and folders.


def test_a_folder_and_its_toml_file_read_alike(tmp_path):
    folder_with(tmp_path, SMALL, "clip.stl")
    by_folder, by_file = read_submission(tmp_path), read_submission(tmp_path / "submission.toml")
    assert by_folder == by_file
    assert by_folder.folder == by_file.folder == tmp_path
    assert by_folder.parts[0].path(by_folder) == tmp_path / "clip.stl"


def test_a_toml_file_of_another_system_is_read(tmp_path):
    folder_with(tmp_path, SMALL, "clip.stl")
    text = ("\ufeff" + SMALL).replace("\n", "\r\n")
    (tmp_path / "submission.toml").write_bytes(text.encode("utf-8"))
    assert read_submission(tmp_path) == parse_submission(SMALL)


@pytest.mark.parametrize("suffix", [*MESH_SUFFIXES, ".STL", ".3MF"])
def test_a_bare_mesh_is_a_submission_with_everything_unknown(tmp_path, suffix):
    path = tmp_path / f"bath-clip{suffix}"
    path.write_bytes(b"anything")
    submission = read_submission(path)
    part = submission.parts[0]
    assert (submission.number, part.id, part.file) == ("bath-clip", "bath-clip", path.name)
    assert part.path(submission) == path
    assert set(submission.origins.values()) == {Origin.ASSUMED}
    assert facts(submission)[0].note == "from the file name"


def test_options_win_and_are_confirmed(tmp_path):
    text = in_head("quantity = 10") + 'units = "mm"\n[origin]\nsuggested = ["submission.quantity"]\n'
    folder_with(tmp_path, text, "clip.stl")
    assert read_submission(tmp_path).origins["submission.quantity"] is Origin.SUGGESTED
    submission = read_submission(tmp_path, units="inch", machine="press-240", material="PETG", quantity=500)
    assert (submission.quantity, submission.setup.machine) == (500, "press-240")
    assert (submission.parts[0].units, submission.parts[0].material) == ("in", "PETG")
    for name, note in {
        "submission.quantity": "given on the command line; the submission says 10",
        "part.clip.units": "given on the command line; the submission says mm",
        "part.clip.material": "given on the command line",
        "setup.machine": "given on the command line",
    }.items():
        assert submission.origins[name] is Origin.CONFIRMED
        assert submission.notes[name] == note
    assert parse_submission(submission_toml(submission)) == submission


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"units": "parsec"}, "unit 'parsec' is not known"),
        ({"quantity": 0}, "command line: 'quantity' must be a whole number from 1"),
        ({"material": "x" * 201}, "command line: 'material' has 201 characters"),
    ],
)
def test_options_are_checked(tmp_path, options, words):
    with pytest.raises(SubmissionError, match=re.escape(words)):
        read_submission(folder_with(tmp_path, SMALL, "clip.stl"), **options)


@pytest.mark.parametrize(
    ("files", "given_name", "words"),
    [
        ([], "gone", "gone' is not a file or folder that can be read; give the folder that holds submission.toml"),
        ([], "x" * 300 + ".stl", "is not a file or folder that can be read"),
        (["part.dxf"], "part.dxf", "'part.dxf' is not read; export the part as a mesh (.stl, .obj"),
        ([], ".", "holds no submission.toml and no mesh"),
        (["tube.obj", "notes.txt"], ".", "but one mesh, 'tube.obj'; give that file itself, or write a submission.toml"),
        (["a.stl", "b.STL"], ".", "but 2 meshes; write a submission.toml that lists them"),
        (["submission.toml/"], ".", "cannot be read"),
    ],
)
def test_what_cannot_be_read_says_how_to_go_on(tmp_path, files, given_name, words):
    for name in files:
        (tmp_path / name).mkdir() if name.endswith("/") else (tmp_path / name).write_bytes(b"")
    with pytest.raises(SubmissionError) as caught:
        read_submission(tmp_path / given_name)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"#" * 1_000_001, "submission.toml has 1,000,001 bytes, at most 1,000,000 are read"),
        (SMALL.encode("utf-16"), "submission.toml is not text in UTF-8"),
        (SMALL.encode(), "[[part]] 'clip': file 'clip.stl' is not in the folder"),
        (SMALL.replace("clip.stl", "é" * 190 + ".stl").encode(), "is not in the folder"),
    ],
)
def test_what_is_wrong_with_the_file_is_said(tmp_path, content, words):
    (tmp_path / "submission.toml").write_bytes(content)
    with pytest.raises(SubmissionError, match=re.escape(words)):
        read_submission(tmp_path)


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    (tmp_path / "secret.stl").write_bytes(b"solid")
    inside = tmp_path / "inside"
    inside.mkdir()
    folder_with(inside, SMALL)
    (inside / "clip.stl").symlink_to(tmp_path / "secret.stl")
    with pytest.raises(SubmissionError, match=r"'clip\.stl' leads out of the folder"):
        read_submission(inside)


def test_a_mesh_has_no_path_without_a_folder():
    submission = parse_submission(SMALL)
    with pytest.raises(SubmissionError, match="has no folder"):
        submission.parts[0].path(submission)


def test_documents_are_hashed(tmp_path):
    # FIPS 180-4 example: SHA-256 of "abc" (from memory).
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    text = SMALL + '[[document]]\nfile = "drawing.pdf"\nkind = "drawing"\n[[document]]\nfile = "mail.txt"\n'
    folder_with(tmp_path, text, "clip.stl")
    (tmp_path / "drawing.pdf").write_bytes(b"abc")
    submission = read_submission(tmp_path)
    assert [document.sha256(submission) for document in submission.documents] == [expected, ""]
    values = {fact.name: fact.value for fact in facts(submission)}
    assert values["document drawing.pdf"] == f"drawing, SHA-256 {expected}"
    assert values["document mail.txt"] == "other, not in the folder"


# Facts and their origins.


def test_open_questions_are_facts():
    told = {fact.name: fact for fact in facts(parse_submission(SMALL))}
    open_names = (
        "revision", "customer", "quantity of sets", "due", "stage", "markets", "rights to the design", "youngest user",
        "hands", "held or fixed", "indoor or outdoor", "cycles in its life", "clip: unit of the mesh", "clip: material",
        "regions", "motions", "requirements",
    )  # fmt: skip
    for name in open_names:
        assert (told[name].value, told[name].origin) == ("not stated", Origin.ASSUMED)
    assert (told["part number"].value, told["part number"].origin) == ("RK-1", Origin.CONFIRMED)
    assert (told["clip: count in a set"].value, told["clip: count in a set"].origin) == ("1", Origin.ASSUMED)


def test_stated_facts_are_told_in_words():
    text = (
        in_head("quantity = 12000\nreceived = 2031-03-03")
        + 'count = 1\npose = [{axis = "x", angle_deg = 90}]\n'
        + "[use]\nage_from_months = 0\n[setup]\nlayer_height_mm = 0.2\n"
        + ARM
        + SWING
        + "force_N = 6.5\nheld = true\n"
        + '[[requirement]]\nid = "R1"\nwhat = "fit"\nnominal = 5\ntolerance = 0.2\nunit = "mm"\ncritical = true\n'
        + '[[hardware]]\nname = "nut"\nkind = "insert"\ncount = 2\nfitted = "during the print"\n'
        + '[origin]\nsuggested = ["region.arm"]\n[origin.notes]\n"motion.arm" = "from a film"\n'
    )
    told = {fact.name: fact for fact in facts(parse_submission(text))}
    assert told["quantity of sets"].value == "12,000"
    assert told["received"].value == "2031-03-03"
    assert told["youngest user"].value == "0 months"
    assert told["layer height asked for"].value == "0.2 mm"
    assert told["clip: pose asked for"].value == "turned"
    assert told["clip: count in a set"].origin is Origin.CONFIRMED
    assert told["region arm"].value == "moving, cylinder in clip"
    assert told["region arm"].origin is Origin.SUGGESTED
    assert told["motion arm"].value == "rotation from 0 to 25 degrees, held at the end, 6.5 N measured"
    assert told["motion arm"].note == "from a film"
    assert told["requirement R1"].value == "fit 5 mm, tolerance -0.2 / +0.2, critical"
    assert told["hardware nut"].value == "2 x insert in clip, fitted during the print"


def test_origins_follow_the_facts():
    submission = Submission(
        "RK-1",
        parts=(PartEntry("clip", "clip.stl"),),
        regions=(Region("base", "clip", RegionKind.FIXED, Box((0, 0, 0), (1, 1, 1))),),
        marked={"region.base": Origin.SUGGESTED, "region.gone": Origin.SUGGESTED, "submission.due": Origin.SUGGESTED},
        notes={"region.gone": "x"},
    )
    assert dict(submission.marked) == {"region.base": Origin.SUGGESTED}
    assert dict(submission.notes) == {}
    assert submission.origins["submission.quantity"] is Origin.ASSUMED
    assert replace(submission, quantity=5).origins["submission.quantity"] is Origin.CONFIRMED
    assert "region.base" not in replace(submission, regions=()).origins


def test_the_summary_is_plain_values():
    submission = parse_submission(in_head('due = 2031-03-25\nmarkets = ["US"]\nstage = "pilot"'))
    summary = submission.summary()
    assert (summary["due"], summary["markets"], summary["stage"]) == ("2031-03-25", ["US"], "pilot")
    assert (summary["quantity"], summary["revision"]) == (None, "")
    assert type(summary["stage"]) is str


# Round trip.


def words(most: int = 12) -> st.SearchStrategy[str]:
    """Any text that TOML can hold, hidden characters and quotes included."""
    characters = st.characters(exclude_categories=["Cs"]) | st.sampled_from("\"'\\#\n\r\t\0\x7f\u0085\u2028\u202e[]={}")
    return st.text(characters, max_size=most)


def labels(required: bool = True) -> st.SearchStrategy[str]:
    visible = st.text(st.characters(exclude_categories=["C", "Z"]) | st.sampled_from("\"'\\#.[]= "), max_size=10)
    stripped = visible.map(str.strip)
    return stripped.filter(bool) if required else stripped


def numbers(low: float = -1e6, high: float = 1e6) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


COUNTS = st.integers(1, 10**9)
POSITIVE = st.floats(1e-3, 1e3)
VECTORS = st.tuples(numbers(), numbers(), numbers())
SLUGS = st.text(string.ascii_lowercase + string.digits, min_size=1, max_size=8).filter(lambda text: slug(text) == text)


def unique(names: st.SearchStrategy[str], most: int) -> st.SearchStrategy[list[str]]:
    return st.lists(names, max_size=most, unique_by=lambda name: name.casefold()).filter(
        # Stricter than the reader, so that no two names are alike to it.
        lambda found: all(name.isascii() for name in found) or len(found) <= 1
    )


@st.composite
def poses(draw):
    if draw(st.booleans()):
        return draw(st.sampled_from([None, IDENTITY]))
    matrix = Rotation.from_quat([*draw(VECTORS), 1.0]).as_matrix()
    return tuple(tuple(float(x) for x in row) for row in matrix)


@st.composite
def directions(draw):
    x, y, z = draw(VECTORS.filter(lambda vector: math.hypot(*vector) > 1e-3))
    length = math.hypot(x, y, z)
    return x / length, y / length, z / length


@st.composite
def volumes(draw):
    low = draw(VECTORS)
    if draw(st.booleans()):
        sizes = [draw(POSITIVE) for _ in range(3)]
        return Box(low, tuple(a + size for a, size in zip(low, sizes, strict=True)), draw(numbers(-360, 360)))
    return Cylinder(low, (low[0], low[1], low[2] + draw(POSITIVE)), draw(POSITIVE))


@st.composite
def motions(draw, region):
    start = draw(numbers())
    return Motion(
        region=region,
        kind=draw(st.sampled_from(MotionKind)),
        direction=draw(directions()),
        stroke=(start, start + draw(POSITIVE)),
        point_mm=draw(VECTORS),
        held=draw(st.booleans()),
        force_N=draw(st.none() | POSITIVE),
        speed_m_s=draw(st.none() | POSITIVE),
    )


@st.composite
def requirements(draw, id_, part_ids, region_names):
    nominal = draw(st.none() | numbers())
    upper = None if nominal is None else draw(st.none() | numbers(0, 10))
    lower = None if nominal is None else draw(st.sampled_from([None, 0.0, -1.5, upper and -upper]))
    return Requirement(
        id=id_,
        what=draw(st.sampled_from(RequirementKind)),
        nominal=nominal,
        lower=lower,
        upper=upper,
        unit=draw(words()) or ("" if nominal is None else "mm"),
        verified=draw(words(40)),
        critical=draw(st.booleans()),
        part=draw(st.sampled_from(["", *part_ids])),
        region=draw(st.sampled_from(["", *region_names])),
        note=draw(words(40)),
    )


@st.composite
def submissions(draw):
    ids = draw(st.lists(SLUGS, min_size=1, max_size=3, unique=True))
    parts = tuple(
        PartEntry(
            id=id_,
            file=f"{id_}{draw(st.sampled_from(MESH_SUFFIXES))}",
            units=draw(st.sampled_from(["", *MM_PER_UNIT])),
            count=draw(st.sampled_from([1, 2, 10**9])),
            material=draw(words()),
            colour=draw(words()),
            # Only by an earlier part, so that nothing runs in a circle.
            launched_by=draw(st.sampled_from(["", *ids[:number]])),
            number=draw(labels(required=False)),
            name=draw(words()),
            bodies=draw(st.none() | COUNTS),
            pose=draw(poses()),
        )
        for number, id_ in enumerate(ids)
    )
    kinds = st.sampled_from([kind for kind in RegionKind if kind is not RegionKind.FIXED])
    regions = tuple(
        Region(name, draw(st.sampled_from(ids)), draw(kinds), draw(volumes()), draw(words(30)))
        for name in draw(unique(labels(), 3))
    )
    region_names = [region.name for region in regions]
    received = draw(st.none() | st.dates(date(2000, 1, 1), date(2030, 1, 1)))
    submission = Submission(
        number=draw(labels()),
        revision=draw(labels(required=False)),
        name=draw(words(200)),
        customer=draw(words()),
        received=received,
        quantity=draw(st.none() | COUNTS),
        due=draw(st.none() | st.dates(date(2030, 1, 2), date(9999, 1, 1))),
        stage=draw(st.none() | st.sampled_from(Stage)),
        markets=tuple(draw(st.lists(st.sampled_from(["US", "EU", "GB", "US-CA"]), unique=True))),
        display_units=draw(st.sampled_from([*MM_PER_UNIT])),
        statement=draw(words(300)),
        rights=draw(words(30)),
        parts=parts,
        use=Use(
            draw(st.none() | st.integers(0, 1200)),
            tuple(draw(st.lists(words().filter(bool), max_size=3, unique=True))),
            draw(st.none() | st.sampled_from(Mounting)),
            draw(st.none() | st.sampled_from(Surroundings)),
            draw(st.none() | COUNTS),
        ),
        regions=regions,
        motions=tuple(draw(motions(name)) for name in region_names),
        requirements=tuple(draw(requirements(id_, ids, region_names)) for id_ in draw(unique(labels(), 2))),
        hardware=tuple(
            Hardware(
                name,
                draw(st.sampled_from(HardwareKind)),
                draw(st.sampled_from(ids)),
                draw(st.none() | VECTORS),
                draw(st.none() | POSITIVE),
                draw(st.none() | POSITIVE),
                draw(st.none() | st.sampled_from(Fitted)),
                draw(COUNTS),
                draw(words()),
            )
            for name in draw(unique(labels(), 2))
        ),
        documents=tuple(
            DocumentEntry(f"{name}.pdf", draw(st.sampled_from(DocumentKind)), draw(words()), draw(words()))
            for name in draw(st.lists(SLUGS, max_size=2, unique=True))
        ),
        finish=Finish(draw(words()), draw(words()), draw(words())),
        packing=Packing(draw(st.none() | COUNTS), draw(words()), draw(words())),
        setup=SetupRequest(
            draw(words()), draw(st.none() | POSITIVE), draw(st.none() | POSITIVE), draw(st.none() | numbers(0, 1))
        ),
    )
    names = st.sampled_from(sorted(submission.origins))
    return replace(
        submission,
        marked=draw(st.dictionaries(names, st.sampled_from(Origin), max_size=5)),
        notes=draw(st.dictionaries(names, words().filter(bool), max_size=3)),
    )


# Without shrinking, which takes minutes for a value of this size.
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck), phases=(Phase.generate,))
@given(submissions())
def test_what_is_written_reads_back_equal(submission):
    text = submission_toml(submission)
    again = parse_submission(text)
    assert again == submission
    assert again.origins == submission.origins
    assert submission_toml(again) == text


def test_a_written_submission_is_found_by_its_folder(tmp_path):
    submission = parse_submission(in_head('name = "Clip \\"A\\" \\\\ #1"') + BASE)
    folder = tmp_path / "new" / "folder"
    path = write_submission(submission, folder)
    (folder / "clip.stl").write_bytes(b"solid")
    assert path == folder / "submission.toml"
    assert read_submission(folder) == submission
    assert sorted(p.name for p in folder.iterdir()) == ["clip.stl", "submission.toml"]


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda s: replace(s, quantity=0),
        lambda s: replace(s, number=""),
        lambda s: replace(s, name="x" * 201),
        lambda s: replace(s, name="\ud800"),
        lambda s: replace(s, markets=("us",)),
        lambda s: replace(s, parts=()),
        lambda s: replace(s, parts=(replace(s.parts[0], file="../clip.stl"),)),
        lambda s: replace(s, setup=SetupRequest(core_fill=math.nan)),
    ],
)
def test_a_submission_that_could_not_be_read_is_not_written(tmp_path, spoilt):
    good = parse_submission(SMALL)
    before = write_submission(good, tmp_path).read_bytes()
    with pytest.raises(SubmissionError):
        write_submission(spoilt(good), tmp_path)
    assert (tmp_path / "submission.toml").read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(SubmissionError, match="cannot be written"):
        write_submission(parse_submission(SMALL), tmp_path / "file")


# Slugs.


@pytest.mark.parametrize("text", ["clip", "bath-clip-2", "a" * 40, "0"])
def test_a_name_that_is_safe_already_is_kept(text):
    assert slug(text) == text


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("CON", "con-"),
        ("nul", "nul-"),
        ("lpt1", "lpt1-"),
        ("..", "unnamed-"),
        ("", "unnamed-"),
        ("水鉄砲", "unnamed-"),
        ("Größe 3/4\\x", "groe-3-4-x-"),
        ("a" * 41, "a" * 40 + "-"),
        ("a--b", "a-b-"),
        ("../../etc/passwd", "etc-passwd-"),
        ("\ud800", "unnamed-"),
    ],
)
def test_other_names_get_digits_of_their_hash(text, start):
    digest = sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    assert slug(text) == start + digest


@given(st.text(max_size=80), st.text(max_size=80))
def test_slugs_are_safe_stable_and_distinct(one, other):
    name = slug(one)
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name)
    assert len(name) <= 49
    assert slug(name) == name
    assert (slug(other) == name) == (one == other)
