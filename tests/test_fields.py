"""Values out of a table that a person wrote: taken as meant, or one plain line."""

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path

import pytest

from reviewkit.errors import SubmissionError
from reviewkit.fields import MAX_ENTRIES, MAX_LINE, Fields, finite, shown


class Kind(StrEnum):
    BOUGHT_PART = "bought part"
    SCREW = "screw"


def table(**content: object) -> tuple[Fields, list[str]]:
    problems: list[str] = []
    return Fields(content, "s.toml", problems), problems


def asked(value: object, method: str, *arguments: object, **options: object) -> tuple[object, list[str]]:
    """What a method makes of a value, and the problems that it notes."""
    fields, problems = table(x=value)
    return getattr(fields, method)("x", *arguments, **options), problems


GOOD = [
    ("text", (), "as it was  written", "as it was  written"),
    ("label", (), "one line", "one line"),
    ("texts", (), ["US", "EU", "US"], ("US", "EU")),
    ("choice", (Kind,), "Bought_Part", Kind.BOUGHT_PART),
    ("chosen", (Kind,), "  screw ", Kind.SCREW),
    ("file", (), "meshes/clip.stl", "meshes/clip.stl"),
    ("file", ((".stl",),), "clip.STL", "clip.STL"),
    ("flag", (), True, True),
    ("flag", (), False, False),
    ("day", (), date(2031, 3, 25), date(2031, 3, 25)),
    ("day", (), "2031-03-25", date(2031, 3, 25)),
    ("count", (), 12, 12),
    ("count", (0,), 0, 0),
    ("number", (), 2, 2.0),
    ("number", (0.0, 1.0), 1.0, 1.0),
    ("numbers", (2,), [1, 2.5], (1.0, 2.5)),
    ("vector", (), [1, 2, 3], (1.0, 2.0, 3.0)),
    ("axis", (), "y", (0.0, 1.0, 0.0)),
    ("axis", (), [0, 0, -5], (0.0, 0.0, -1.0)),
]
BAD = [
    ("text", (), 5, "must be text in quotes, got 5"),
    ("text", (10,), "x" * 11, "has 11 characters; at most 10"),
    ("label", (), " x", "one line without blanks around it"),
    ("label", (), "a\nb", "one line"),
    ("label", (), "a\u202eb", "hidden characters"),
    ("texts", (), "US", "must be a list of texts"),
    ("texts", (), ["US", 3], "must be a list of texts"),
    ("texts", (2,), ["a", "b", "c"], "at most 2 texts"),
    ("choice", (Kind,), "magnet", "must be one of bought part, screw, got 'magnet'"),
    ("choice", (Kind,), 7, "must be one of"),
    ("file", (), "../clip.stl", "inside the folder"),
    ("file", (), "/etc/clip.stl", "inside the folder"),
    ("file", (), "C:\\clip.stl", "inside the folder"),
    ("file", (), "a\\b.stl", "inside the folder"),
    ("file", (), "c:/clip.stl", "inside the folder"),
    ("file", ((".stl",),), "clip.step", "must be a mesh (.stl)"),
    ("flag", (), "yes", "must be true or false"),
    ("flag", (), 1, "must be true or false"),
    ("day", (), "25.3.2031", "must be a date such as"),
    ("day", (), "2031-02-30", "must be a date such as"),
    ("day", (), datetime(2031, 3, 25, 12), "must be a date such as"),
    ("count", (), 0, "a whole number from 1"),
    ("count", (), 2.0, "a whole number"),
    ("count", (), True, "a whole number"),
    ("count", (), 10**10, "to 1,000,000,000"),
    ("number", (), True, "must be a number"),
    ("number", (), "1", "must be a number"),
    ("number", (), float("nan"), "must be a number"),
    ("number", (), float("inf"), "must be a number"),
    ("number", (0.0, 1.0), 1.5, "from 0 to 1, got 1.5"),
    ("numbers", (2,), [1], "must be 2 numbers"),
    ("numbers", (2,), [1, "2"], "must be 2 numbers"),
    ("numbers", (2,), [1, 1e10], "must be 2 numbers"),
    ("vector", (), [1, 2], "must be 3 numbers"),
    ("axis", (), "w", 'must be "x", "y", "z"'),
    ("axis", (), [0, 0, 0], "must point somewhere"),
]


@pytest.mark.parametrize(("method", "arguments", "value", "taken"), GOOD)
def test_what_is_meant_is_taken(method, arguments, value, taken):
    found, problems = asked(value, method, *arguments)
    assert found == taken
    assert type(found) is type(taken)
    assert problems == []


@pytest.mark.parametrize(("method", "arguments", "value", "told"), BAD)
def test_what_is_wrong_is_told_in_one_line(method, arguments, value, told):
    _, problems = asked(value, method, *arguments)
    assert len(problems) == 1
    assert problems[0].startswith("s.toml: 'x' ")
    assert told in problems[0]
    assert "\n" not in problems[0]


@pytest.mark.parametrize(
    ("method", "arguments", "blank"),
    [
        ("text", (), ""),
        ("label", (), ""),
        ("texts", (), ()),
        ("choice", (Kind,), None),
        ("flag", (), False),
        ("day", (), None),
        ("count", (), None),
        ("number", (), None),
        ("numbers", (2,), None),
        ("vector", (), None),
    ],
)
def test_what_is_not_there_is_blank_and_no_problem(method, arguments, blank):
    fields, problems = table()
    assert getattr(fields, method)("x", *arguments) == blank
    assert problems == []


@pytest.mark.parametrize(
    ("method", "arguments"),
    [("file", ()), ("chosen", (Kind,)), ("axis", ())],
)
def test_what_must_be_there_is_asked_for(method, arguments):
    fields, problems = table()
    getattr(fields, method)("x", *arguments)
    assert len(problems) == 1
    assert "'x' is missing" in problems[0]


def test_required_options():
    fields, problems = table(empty="")
    fields.text("empty", required=True)
    fields.number("none", required=True)
    fields.vector("nor", required=True)
    assert [line.split(": ")[1] for line in problems] == [
        "'empty' is empty; it is needed",
        "'none' is missing; it is needed",
        "'nor' is missing; it is needed",
    ]


def test_numbers_above_a_bound_and_units_by_name():
    fields, problems = table(radius_mm=0, turn_deg=1000, force_N=-1, speed_m_s=-1)
    fields.number("radius_mm", above=0)
    fields.number("turn_deg", -360, 360)
    fields.number("force_N", 0)
    fields.number("speed_m_s", 0)
    assert "above 0 and up to 1e+09 mm, got 0" in problems[0]
    assert "from -360 to 360 degrees, got 1000" in problems[1]
    assert " N, got -1" in problems[2]
    assert " m/s, got -1" in problems[3]


def test_a_unit_vector_keeps_its_last_digit():
    direction = (1 / 3, 2 / 3, 2 / 3)
    assert asked(list(direction), "axis")[0] == direction


# --- tables ----------------------------------------------------------------------------------


def test_sections_and_entries_are_named_in_messages():
    fields, problems = table(use={"cycles": "many"}, region=[{"name": "arm", "kind": 3}, {"kind": 4}])
    fields.section("use").count("cycles")
    for entry in fields.entries("region", "name"):
        entry.choice("kind", Kind)
    assert problems[0].startswith("s.toml, [use]: 'cycles'")
    assert problems[1].startswith("s.toml, [[region]] 'arm': 'kind'")
    assert problems[2].startswith("s.toml, [[region]] 2: 'kind'")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ({"use": [1]}, "section [use] is written once"),
        ({"region": {"name": "arm"}}, "[[region]] is written with double brackets"),
        ({"region": [1]}, "[[region]] is written with double brackets"),
        ({"region": [{}] * (MAX_ENTRIES + 1)}, f"at most {MAX_ENTRIES} are taken"),
    ],
)
def test_tables_of_the_wrong_kind(content, told):
    fields, problems = table(**content)
    fields.section("use")
    fields.entries("region", "name")
    assert len(problems) == 1
    assert told in problems[0]


def test_a_section_that_must_be_there():
    fields, problems = table()
    fields.section("submission", required=True)
    assert problems == ["s.toml: section [submission] is missing; begin with it"]


def test_unknown_fields_are_told_with_the_nearest_known():
    fields, problems = table(materiel="PETG", number="T-1")
    fields.text("number")
    fields.text("material")
    fields.close()
    assert problems == ["s.toml: no field 'materiel' here; did you mean 'material'?"]


def test_known_names_are_listed_where_none_is_near():
    fields, problems = table(qqqqqq=1)
    fields.text("number")
    fields.close("section")
    assert problems == ["s.toml: no section 'qqqqqq' here; known are number"]


def test_names_have_to_refer_to_something():
    fields, problems = table()
    fields.refer("region", "amr", ("arm", "grip"), "region")
    fields.refer("region", "arm", ("arm", "grip"), "region")
    fields.refer("region", "", ("arm",), "region")
    assert problems == ["s.toml: 'region' names region 'amr', which is not there; did you mean 'arm'?"]


def test_the_first_problem_is_raised_and_the_others_counted():
    fields, problems = table(a=1, b=2, c=3)
    fields.raise_problems()
    fields.text("a")
    with pytest.raises(SubmissionError) as error:
        fields.raise_problems()
    assert str(error.value) == problems[0]
    fields.text("b")
    with pytest.raises(SubmissionError, match=r" \(and 1 more problem\)$"):
        fields.raise_problems()
    fields.text("c")
    with pytest.raises(SubmissionError, match=r" \(and 2 more problems\)$"):
        fields.raise_problems()


def test_tables_know_what_they_hold():
    fields, _ = table(a=1, b=2)
    assert "a" in fields
    assert "c" not in fields
    assert list(fields) == ["a", "b"]
    assert fields.inner("box", {"x": 1}).count("x") == 1


# --- single values ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "number"),
    [(1, 1.0), (2.5, 2.5), (True, None), ("1", None), (None, None), (float("nan"), None), (10**400, None)],
)
def test_finite_numbers(value, number):
    assert finite(value) == number


@pytest.mark.parametrize("value", ["x" * 500, "a\nb\x1b[2J", Path("a\nb"), date(2031, 1, 2), ["x"] * 99, {}])
def test_any_value_is_shown_in_one_short_line(value):
    text = shown(value)
    assert 0 < len(text) <= 80
    assert text.isprintable()


def test_a_number_of_thousands_of_digits_is_shown():
    assert shown(10**5000) == "a number of thousands of digits"


def test_long_text_is_taken_up_to_its_cap():
    assert asked("x" * MAX_LINE, "text")[1] == []
    assert len(asked("x" * (MAX_LINE + 1), "text")[1]) == 1
