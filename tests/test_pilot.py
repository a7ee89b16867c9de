"""Tables of a pilot: what is read, and one clear line for everything that cannot be."""

import pytest

from reviewkit.errors import SubmissionError
from reviewkit.pilot import PLATE_COLUMNS, PLATES_FILE, VALUES_FILE, parsed_pilot, read_pilot
from reviewkit.submission import Origin, PartEntry, Stage, Submission

HEADING = ",".join(PLATE_COLUMNS)
VALUES = "part,revision,plate,what,value"
SUBMISSION = Submission("T-1", revision="B", parts=(PartEntry("clip", "clip.stl"), PartEntry("disc", "disc.stl")))


def plates(*rows: str) -> str:
    return "\n".join((HEADING, *rows))


GOOD = plates(
    "clip,B,first article,1,north,4,no,1,torn leaf",
    "clip,B,pilot,2,south,4,yes,,came loose",
    "disc,B,pilot,2,south,8,no,,",
)


def read(text: str, values: str = "", part: str = "clip"):
    return parsed_pilot(text, values, SUBMISSION, part)


def test_plates_and_values_are_read_by_part():
    found = read(GOOD, f"{VALUES}\nclip,B,1,R1,4.02\nclip,B,1,R2,-3e-1\nclip,B,1,R1,4.05")
    first, second = found.plates
    assert (first.stage, first.copies, first.rejected, first.reason) == (Stage.FIRST_ARTICLE, 4, 1, "torn leaf")
    assert (second.is_lost, second.machine) == (True, "south")
    assert found.machines == ("north", "south")
    assert found.through == (first,)
    assert found.whats == ("R1", "R2")
    numbers, machine = found.measured("R1")
    assert numbers.tolist() == [4.02, 4.05]
    assert machine.tolist() == [0, 0]
    assert len(read(GOOD, part="disc").plates) == 1


def test_another_revision_is_another_part():
    found = read(GOOD + "\nclip,A,pilot,1,north,4,no,,")
    assert (len(found.plates), found.others) == (2, 1)
    assert read(plates("disc,B,pilot,1,north,4,no,,")) is None


def test_what_spreadsheets_write_is_understood():
    text = "\ufeff".join(["", GOOD]).lstrip("\ufeff").replace(",", ";").replace("\n", "\r\n")
    values = f"{VALUES}\nclip,B,1,R1,0.5".replace(",", ";").replace("0.5", "4,02")
    found = read(text + "\r\n\r\n", values)
    assert len(found.plates) == 2
    assert found.values[0].value == 4.02
    quoted = read(plates('clip, B ,Pilot,"P, 1",north,4,NO,0,"loose, then ""torn"""'))
    assert (quoted.plates[0].name, quoted.plates[0].reason) == ("P, 1", 'loose, then "torn"')


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (
            "clap,B,pilot,1,m,4,no,,",
            "pilot.csv line 2: 'part' 'clap' is not a part of the submission; known are clip, disc",
        ),
        ("clip,B,trial,1,m,4,no,,", "'stage' must be first article or pilot or release, got 'trial'"),
        ("clip,B,pilot,,m,4,no,,", "'plate' is empty; it is needed"),
        ("clip,B,pilot,1,,4,no,,", "'machine' is empty; it is needed"),
        ("clip,B,pilot,1,m,0,no,,", "'copies' must be a whole number from 1 to 10,000, got '0'"),
        ("clip,B,pilot,1,m,4.0,no,,", "'copies' must be a whole number"),
        ("clip,B,pilot,1,m,²,no,,", "'copies' must be a whole number"),
        ("clip,B,pilot,1,m,4,perhaps,,", "'plate_lost' must be no or yes, got 'perhaps'"),
        ("clip,B,pilot,1,m,4,no,5,", "'rejected' 5 is more than 'copies' 4"),
        ("clip,B,pilot,1,m,4,no,-1,", "'rejected' must be a whole number from 0"),
        ("clip,B,pilot,1,m,4,yes,2,", "a lost plate has no parts to reject"),
        ("clip,B,pilot,1,m,4,no,,a,b", "10 cells under 9 columns; quote cells that hold commas"),
        ("clip,B,pilot,1,m\u202e,4,no,,", "'machine' must be one line of at most 200 visible characters"),
        (f"clip,B,pilot,1,m,4,no,,{'x' * 201}", "'reason' must be one line of at most 200 visible characters"),
    ],
)
def test_a_wrong_line_is_told_with_its_number(row, told):
    with pytest.raises(SubmissionError) as caught:
        read(plates(row))
    words = str(caught.value)
    assert told in words
    assert words.startswith(f"{PLATES_FILE} line 2: ")
    assert words.isprintable()
    assert len(words) < 400


def test_only_the_first_problem_is_told_and_the_others_counted():
    with pytest.raises(SubmissionError, match=r"line 2: .*\(and 2 more problems in the pilot tables\)"):
        read(plates("clip,B,pilot,1,,4,no,,", "clip,B,pilot,2,,4,no,,", "clip,B,pilot,3,,4,no,,"))


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("clip,B,1,R1,wide", "'value' must be a number"),
        ("clip,B,1,R1,nan", "'value' must be a number"),
        ("clip,B,1,R1,1e300", "'value' must be a number"),
        ("clip,B,1,R1,1_0", "'value' must be a number"),
        ("clip,B,9,R1,1", "plate '9' of this part and revision is not in pilot.csv; add it there"),
        ("clip,A,1,R1,1", "plate '1' of this part and revision is not in pilot.csv; add it there"),
        ("clip,B,1,,1", "'what' is empty"),
    ],
)
def test_a_wrong_value_is_told_with_its_number(value, told):
    with pytest.raises(SubmissionError) as caught:
        read(GOOD, f"{VALUES}\n{value}")
    assert str(caught.value).startswith(f"{VALUES_FILE} line 2: ")
    assert told in str(caught.value)


def test_plates_have_names_of_their_own():
    with pytest.raises(SubmissionError, match="plate '1' of this part stands twice"):
        read(plates("clip,B,pilot,1,m,4,no,,", "clip,B,pilot,1,n,4,no,,"))


@pytest.mark.parametrize(
    ("heading", "told"),
    [
        (HEADING.replace("machine", "printer"), "missing: machine; not known: 'printer'"),
        (HEADING + ",part", "there twice: 'part'"),
        ("", "missing: part, revision"),
    ],
)
def test_a_heading_names_all_columns(heading, told):
    with pytest.raises(SubmissionError, match=told):
        read(f"{heading}\nclip,B,pilot,1,m,4,no,,")


def test_bytes_that_are_no_table(tmp_path):
    submission = Submission("T-1", parts=SUBMISSION.parts, folder=tmp_path)
    assert read_pilot(submission, "clip") is None
    (tmp_path / VALUES_FILE).write_text(VALUES)
    with pytest.raises(SubmissionError, match=r"pilot_values\.csv is there without pilot\.csv"):
        read_pilot(submission, "clip")
    (tmp_path / PLATES_FILE).write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SubmissionError, match=r"pilot.csv is not text in UTF-8"):
        read_pilot(submission, "clip")
    (tmp_path / PLATES_FILE).write_bytes(b"x" * 5_000_001)
    with pytest.raises(SubmissionError, match="5,000,001 bytes"):
        read_pilot(submission, "clip")
    (tmp_path / PLATES_FILE).write_text('"' + "x" * 140_000)
    with pytest.raises(SubmissionError, match=r"pilot.csv line \d+ cannot be read"):
        read_pilot(submission, "clip")


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    (tmp_path / PLATES_FILE).write_text(GOOD)
    (folder / PLATES_FILE).symlink_to(tmp_path / PLATES_FILE)
    with pytest.raises(SubmissionError, match="leads out of the folder"):
        read_pilot(Submission("T-1", revision="B", parts=SUBMISSION.parts, folder=folder), "clip")


def test_a_bare_mesh_takes_no_table_that_lies_beside_it(tmp_path):
    (tmp_path / PLATES_FILE).write_text("whatever")
    bare = Submission("T-1", parts=SUBMISSION.parts, folder=tmp_path, marked={"submission.number": Origin.ASSUMED})
    assert read_pilot(bare, "clip") is None
