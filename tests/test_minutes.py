"""The minutes of a week: what they say of the record, the lists they leave, and who signs them."""

import csv
import io
import json
import re
import shutil
import sqlite3
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

import openpyxl
import pypdf
import pytest

from reviewkit import minutes as module
from reviewkit.agenda import BY_CONSENT
from reviewkit.decisions import Role, conclude, decide, standing
from reviewkit.document.files import sha256_of
from reviewkit.errors import DocumentError, RecordError, SigningError
from reviewkit.minutes import minutes_of, sign_minutes, verify_minutes, written
from reviewkit.record import Kind, Record
from reviewkit.signing import Line, new_identity

NOW = datetime(2026, 11, 27, 15, 0, tzinfo=UTC)
WEEK = "2026-W48"
HOSTILE = "<script>alert(1)</script>"
FORMULA = '=HYPERLINK("http://x","y")'
FAILING = {"verdict": "fails", "severity": 2, "domain": "printability", "message": "too thin"}
SIGNED = datetime(2026, 12, 2, 9, 0, tzinfo=UTC)
LATER = date(2026, 11, 1)


def at(monkeypatch: pytest.MonkeyPatch, moment: str) -> None:
    """Let the record take its next events at a moment."""

    class Clock(datetime):
        @classmethod
        def now(cls, zone=None):
            return datetime.fromisoformat(moment).astimezone(zone)

    monkeypatch.setattr("reviewkit.record.datetime", Clock)


def put(record: Record, number: str, revision: str, findings: Sequence[str], sha: str, who: str = "Ada Review") -> None:
    """A revision received and reviewed, its findings all failing."""
    if not record.events(number, revision):
        data = {"name": f"Part {HOSTILE}", "customer": "Tavermoor", "received": ""}
        record.append(Kind.RECEIVED, number, revision, who, data)
    data = {"review_sha256": sha, "suggested": "changes needed", "kit_version": "1", "limits_sha256": "",
            "parts": {"body": sha}, "findings": dict.fromkeys(findings, FAILING)}  # fmt: skip
    record.append(Kind.REVIEWED, number, revision, who, data)


def rework(record: Record, what: tuple[str, str], key: str, who: str, reason: str, owner: str, due: str) -> None:
    decide(record, standing(record, *what), key, "rework", who, reason, owner=owner, due=due, today=LATER)


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """Three weeks of one record, and the minutes of the middle one."""
    folder = tmp_path_factory.mktemp("built")
    with pytest.MonkeyPatch.context() as patch:
        three_weeks(Record(folder / "records"), patch)
    written(minutes_of(Record(folder / "records"), WEEK, now=datetime(2026, 12, 1, tzinfo=UTC)), folder / "minutes")
    return folder


def three_weeks(made: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, "2026-11-18T09:00:00+00:00")
    put(made, "N-1", "A", ["PR-04:body:part", "PR-04:body:at 2 4 6"], "a" * 64)
    rework(made, ("N-1", "A"), "PR-04:body:part", "Ada Review", "web to 1.2 mm", "Ben Draw", "2026-11-20")
    # The first and the last second of the week, in UTC and told in another zone.
    at(monkeypatch, "2026-11-23T01:00:00+01:00")
    rework(made, ("N-1", "A"), "PR-04:body:at 2 4 6", "Cy Check", FORMULA, f"Ann {HOSTILE}", "2026-12-04")
    at(monkeypatch, "2026-11-25T10:00:00+00:00")
    put(made, "N-2", "A", ["PR-04:lid:part", "PR-07:lid:part", "SA-01:lid:part"], "b" * 64)
    what = ("N-2", "A")
    rework(made, what, "PR-04:lid:part", "Ada Review", "first thought", "Ben Draw", "2026-12-01")
    rework(made, what, "PR-04:lid:part", "Ada Review", "ribs", "Ben Draw", "2026-12-01")
    rework(made, what, "PR-07:lid:part", "Ada Review", "ribs", "Ben Draw", "2026-12-01")
    decide(made, standing(made, *what), "SA-01:lid:part", "concession", "Ada Review", "adults only",
           approver="Cy Check", expiry="2027-03-01", today=LATER)  # fmt: skip
    conclude(made, standing(made, *what), "changes needed", "Ada Review", "two walls", quantity="500", stage="pilot")
    put(made, "N-3", "A", [], "c" * 64)
    conclude(made, standing(made, "N-3", "A"), "release", "Dee Chair", BY_CONSENT)
    passed = {"item": "consent list", "outcome": "release", "week": WEEK, "passed": [["N-3", "A"]]}
    made.append(Kind.MEETING, "", "", "Dee Chair", passed)
    put(made, "N-4", "C", ["PR-04:pin:part"], "d" * 64)
    at(monkeypatch, "2026-11-29T23:59:59+00:00")
    rework(made, ("N-4", "C"), "PR-04:pin:part", "Cy Check", "last second", "Ben Draw", "2026-12-24")
    at(monkeypatch, "2026-11-30T00:00:00+00:00")
    put(made, "N-5", "A", ["PR-04:arm:part"], "e" * 64)
    rework(made, ("N-5", "A"), "PR-04:arm:part", "Eve Next", "next week", "Ben Draw", "2026-12-24")


@pytest.fixture
def record(built, tmp_path) -> Record:
    shutil.copytree(built / "records", tmp_path / "records")
    return Record(tmp_path / "records")


@pytest.fixture
def folder(built, tmp_path) -> Path:
    return Path(shutil.copytree(built / "minutes", tmp_path / "minutes"))


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    names = ("Ada Review", "Cy Check")
    return {name: new_identity(name, folder / f"{name[:3]}.p12", "correct horse") for name in names}


def text_of(folder: Path) -> str:
    page = re.sub(r"<style>.*?</style>", "", (folder / "minutes.html").read_text(), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def false(lines: Sequence[Line]) -> list[str]:
    return [line.text for line in lines if line.holds is False]


def test_only_what_happened_in_the_week_is_in_its_minutes(record):
    made = minutes_of(record, WEEK, now=datetime(2026, 12, 1, tzinfo=UTC))
    assert [(d.number, d.revision) for d in made.dealt] == [("N-1", "A"), ("N-2", "A"), ("N-4", "C")]
    assert [len(taken.findings) for dealt in made.dealt for taken in dealt.taken] == [1, 2, 1, 1]
    assert made.dealt[0].taken[0].decision.reason == FORMULA
    assert made.dealt[2].taken[0].decision.reason == "last second"
    assert "Eve Next" not in dict(made.people)
    # The record as it stood then: the later events neither count nor change the head.
    events = record.events()
    assert made.seq == next(e.seq for e in events if e.number == "N-5") - 1 and made.head == events[made.seq - 1].hash
    assert [d.number for d in minutes_of(record, "2026-W49", now=datetime(2026, 12, 1, tzinfo=UTC)).dealt] == ["N-5"]


def test_who_took_part_is_told_by_what_they_did(record):
    assert dict(minutes_of(record, WEEK, now=datetime(2026, 12, 1, tzinfo=UTC)).people) == {
        "Cy Check": "2 decisions",
        "Ada Review": "3 reviews put on record, 4 decisions, 1 outcome",
        "Dee Chair": "1 outcome, passed a list by consent",
    }


def test_decisions_stand_with_finding_reason_terms_and_who_decided(folder):
    told = text_of(folder)
    for expected in (
        "Outcome: changes needed two walls Chosen by Ada Review for quantity 500, stage pilot",
        "PR-04 Walls: lid, whole part, fails PR-07 Tall and thin: lid, whole part, fails "
        "PR-04 Walls: lid, whole part, fails: decided before in another way rework ribs Ben Draw due 2026-12-01",
        "concession adults only allowed by Cy Check until 2027-03-01 Ada Review 2026-11-25",
        "N-4 C Part &lt;script&gt;alert(1)&lt;/script&gt;, Tavermoor No outcome was chosen. 1 finding decided",
        "released in one decision by Dee Chair: N-3 A Part",
    ):
        assert expected in told, expected
    assert "first thought" not in told and "next week" not in told


def test_a_revision_that_was_only_reviewed_is_listed(tmp_path):
    record = Record(tmp_path / "own")
    put(record, "N-9", "B", ["PR-04:body:part"], "f" * 64)
    day = datetime.now(UTC)
    year, week, _ = day.isocalendar()
    made = minutes_of(record, f"{year}-W{week:02d}")
    assert made.dealt == () and [d.what for d in made.waiting] == [f"N-9 B Part {HOSTILE}"]
    assert "Reviewed, nothing decided yet" in text_of(written(made, tmp_path / "m").parent)


def test_findings_go_by_the_numbers_of_their_document_where_it_is_found(record, tmp_path):
    keys = ("PR-01:lid:part", "PR-07:lid:part", "PR-04:lid:part")
    content = json.dumps({"findings": [{"key": key} for key in keys]}).encode()
    (tmp_path / "out" / "lid").mkdir(parents=True)
    (tmp_path / "out" / "lid" / "review.json").write_bytes(content)
    (tmp_path / "out" / "torn").mkdir()
    (tmp_path / "out" / "torn" / "review.json").write_bytes(b"{")
    assert module._numbers(tmp_path / "out", {sha256_of(content)}) == {
        sha256_of(content): {"PR-01:lid:part": 1, "PR-07:lid:part": 2, "PR-04:lid:part": 3}
    }
    assert (
        module._finding_words("PR-07:lid:part", {"PR-07:lid:part": 2}) == "No. 2 PR-07 Tall and thin: lid, whole part"
    )


def test_open_actions_stand_by_owner_and_date_and_late_ones_are_marked(record, folder):
    made = minutes_of(record, WEEK, now=datetime(2026, 12, 1, tzinfo=UTC))
    told = [(t.decision.owner[:3], t.decision.due, t.number, t.late) for t in made.tasks]
    assert told == [
        ("Ann", "2026-12-04", "N-1", False), ("Ben", "2026-11-20", "N-1", True), ("Ben", "2026-12-01", "N-2", False),
        ("Ben", "2026-12-01", "N-2", False), ("Ben", "2026-12-24", "N-4", False),
    ]  # fmt: skip
    assert "Ben Draw: 4 open actions, 1 late" in text_of(folder)
    assert "2026-11-20 late N-1 A rework web to 1.2 mm" in text_of(folder)


def test_what_a_later_revision_settles_is_no_open_action(record):
    put(record, "N-1", "B", ["PR-04:body:at 2 4 6"], "1" * 64)
    events = record.events()
    body = {"PR-04:body:part": FAILING | {"verdict": "meets"}, "PR-04:body:at 2 4 6": FAILING}
    record.append(Kind.SUPERSEDED, "N-1", "A", "Ada Review", {"by": "B"})
    record.append(Kind.REVIEWED, "N-1", "B", "Ada Review", dict(events[-1].data) | {"findings": body})
    made = minutes_of(record, "2026-W49", now=datetime(2026, 12, 1, tzinfo=UTC))
    assert [t.decision.finding for t in made.tasks if t.number == "N-1"] == ["PR-04:body:at 2 4 6"]
    assert [t.decision.revision for t in made.tasks if t.number == "N-1"] == ["A"]


def test_what_a_new_review_of_the_same_revision_settles_is_no_open_action(record):
    before = minutes_of(record, "2026-W49", now=datetime(2026, 12, 1, tzinfo=UTC))
    assert [t.decision.finding for t in before.tasks if t.number == "N-2"] == ["PR-04:lid:part", "PR-07:lid:part"]
    told = next(e.data for e in record.events("N-2", "A") if e.kind is Kind.REVIEWED)
    body = dict(told["findings"]) | {"PR-07:lid:part": FAILING | {"verdict": "meets"}}
    record.append(Kind.REVIEWED, "N-2", "A", "Ada Review", dict(told) | {"review_sha256": "2" * 64, "findings": body})
    after = minutes_of(record, "2026-W49", now=datetime(2026, 12, 1, tzinfo=UTC))
    assert [t.decision.finding for t in after.tasks if t.number == "N-2"] == ["PR-04:lid:part"]


# Weeks at turns of the year, as ISO 8601 counts them; the worked examples of its usual explanations (from memory).
@pytest.mark.parametrize(
    ("week", "first"),
    [("2009-W01", "2008-12-29"), ("2009-W53", "2009-12-28"), ("2020-W53", "2020-12-28"), ("2026-W48", "2026-11-23")],
)
def test_weeks_are_those_of_iso_8601(week, first):
    assert module._monday(week) == date.fromisoformat(first)


@pytest.mark.parametrize("week", ["2026-48", "2026-W54", "2025-W53", "last", "2026-W00", "2026-w48", " 2026-W48"])
def test_what_is_no_week_is_refused_in_one_line(record, week):
    with pytest.raises(RecordError, match=r"is no week; write it as 2026-W48") as error:
        minutes_of(record, week)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(("week", "why"), [("2026-W40", "holds nothing up to its end"), ("2999-W01", "has not begun")])
def test_a_week_without_a_record_is_refused(record, week, why):
    with pytest.raises(RecordError, match=why):
        minutes_of(record, week, now=NOW)


def test_the_lists_hold_the_same_rows_and_no_formula(record, folder):
    rows = list(csv.reader(io.StringIO((folder / "actions.csv").read_text())))
    assert rows[0][:4] == ["owner", "due", "late", "number"] and len(rows) == 6
    assert rows[1][7] == f"'{FORMULA}" and rows[2][2] == "late"
    sheet = openpyxl.load_workbook(folder / "actions.xlsx")["Actions"]
    cells = list(sheet.iter_rows())
    assert len(cells) == 6 and not [c for row in cells for c in row if c.data_type == "f"]
    assert cells[1][7].value == FORMULA and cells[1][7].data_type == "s"
    assert cells[1][1].value == datetime(2026, 12, 4) and cells[1][1].is_date
    same = [[str(c.value.date() if isinstance(c.value, datetime) else c.value or "") for c in row] for row in cells[1:]]
    assert same == [[value.removeprefix("'") for value in row] for row in rows[1:]]


def test_what_people_wrote_is_inert_and_the_page_is_whole_in_itself(folder):
    page = (folder / "minutes.html").read_text()
    assert "&lt;script&gt;" in page and "<script" not in page
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", page)
    text = "".join(p.extract_text() for p in pypdf.PdfReader(folder / "minutes.pdf").pages)
    assert "changes needed" in text and "Approver, who is not the reviewer" in text


def test_the_same_record_gives_the_same_minutes(record, tmp_path):
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        written(minutes_of(record, WEEK, now=datetime(2026, 12, 1, tzinfo=UTC)), folder)
    for name in ("minutes.html", "minutes.pdf", "actions.csv"):
        assert folders[0].joinpath(name).read_bytes() == folders[1].joinpath(name).read_bytes(), name


def test_minutes_are_signed_twice_and_hold(record, folder, keys, monkeypatch):
    at(monkeypatch, SIGNED.isoformat())
    assert false(verify_minutes(folder, record)) == ["minutes.pdf is not signed"]
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"], SIGNED)
    assert false(verify_minutes(folder, record)) == []
    event = sign_minutes(folder, record, Role.APPROVER, keys["Cy Check"], SIGNED)
    assert (event.kind, event.who, event.data["week"]) == (Kind.MEETING, "Cy Check", WEEK)
    assert false(verify_minutes(folder, record)) == [] and record.verify() == ()
    assert sorted(path.name for path in folder.iterdir()) == [
        "actions.csv", "actions.xlsx", "minutes.html", "minutes.json", "minutes.pdf"
    ]  # fmt: skip
    # Given after the week, signatures change nothing of what it brought.
    assert (
        minutes_of(record, WEEK, now=datetime(2026, 12, 1, tzinfo=UTC)).head
        == json.loads((folder / "minutes.json").read_text())["head"]
    )


def test_signed_minutes_are_not_written_over(record, folder, keys):
    written(minutes_of(record, WEEK), folder)
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    before = (folder / "minutes.pdf").read_bytes()
    with pytest.raises(DocumentError, match="holds signed minutes of 2026-W48, which stay; choose another --out"):
        written(minutes_of(record, WEEK), folder)
    assert (folder / "minutes.pdf").read_bytes() == before
    written(minutes_of(record, WEEK), folder.parent / "again")


def test_the_approver_comes_second_and_is_somebody_else(record, folder, keys, tmp_path):
    with pytest.raises(SigningError, match="not signed by the reviewer yet"):
        sign_minutes(folder, record, Role.APPROVER, keys["Cy Check"])
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    for identity in (keys["Ada Review"], new_identity("ada review", tmp_path / "second.p12", "correct horse")):
        with pytest.raises(SigningError, match="the approver is another"):
            sign_minutes(folder, record, Role.APPROVER, identity)
    with pytest.raises(SigningError, match="signed by Ada Review as reviewer already"):
        sign_minutes(folder, record, Role.REVIEWER, keys["Cy Check"])
    sign_minutes(folder, record, Role.APPROVER, keys["Cy Check"])


def test_a_name_keeps_its_key(record, folder, keys, tmp_path):
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    other = written(minutes_of(record, "2026-W47"), tmp_path / "other").parent
    with pytest.raises(SigningError, match="the record knows another key of Ada Review"):
        sign_minutes(other, record, Role.REVIEWER, new_identity("Ada Review", tmp_path / "new.p12", "correct horse"))
    assert sorted(path.name for path in other.iterdir())[-1] == "minutes.pdf"
    assert false(verify_minutes(other, record)) == ["minutes.pdf is not signed"]


def test_a_week_that_went_on_is_written_again_before_it_is_signed(record, folder, keys, monkeypatch):
    at(monkeypatch, "2026-11-29T23:59:59+00:00")
    rework(record, ("N-4", "C"), "PR-04:pin:part", "Cy Check", "otherwise", "Ben Draw", "2026-12-24")
    with pytest.raises(SigningError, match=r"the week has gone on since the minutes were written: .*otherwise"):
        sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    assert [line.holds for line in verify_minutes(folder, record) if "has gone on" in line.text] == [None]


def test_minutes_of_another_record_are_not_signed(record, folder, keys, tmp_path):
    with pytest.raises(SigningError, match="were not written from this record"):
        sign_minutes(folder, Record(tmp_path / "empty"), Role.REVIEWER, keys["Ada Review"])


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (lambda d: (d / "actions.csv").write_text("owner\n"), "actions.csv was changed"),
        (lambda d: (d / "actions.xlsx").unlink(), "actions.xlsx is missing"),
        (lambda d: (d / "minutes.html").write_text("x"), "minutes.html was changed"),
        (lambda d: (d / "minutes.pdf").write_bytes((d / "minutes.pdf").read_bytes() + b"%"), "added after it"),
        (lambda d: (d / "minutes.pdf").write_bytes((d / "minutes.pdf").read_bytes()[:-400]), "pdf cannot be read"),
    ],
)  # fmt: skip
def test_tampering_with_signed_minutes_is_named(record, folder, keys, tamper, told):
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    tamper(folder)
    assert any(told in line for line in false(verify_minutes(folder, record)))
    with pytest.raises(SigningError):
        sign_minutes(folder, record, Role.APPROVER, keys["Cy Check"])


def test_unsigned_minutes_that_were_changed_are_not_signed(record, folder, keys):
    other = written(minutes_of(record, "2026-W47"), folder.parent / "other").parent
    shutil.copy(other / "minutes.pdf", folder)
    with pytest.raises(SigningError, match="is not the file that was written or signed"):
        sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])


def test_a_record_that_was_rewritten_is_caught_by_the_minutes(record, folder, keys):
    sign_minutes(folder, record, Role.REVIEWER, keys["Ada Review"])
    base = sqlite3.connect(record.path)
    base.executescript("drop trigger event_stays; update event set body = replace(body, 'ribs', 'nothing');")
    base.close()
    assert any(line.startswith("the record: event") for line in false(verify_minutes(folder, record)))


def test_a_folder_without_minutes_is_refused_in_one_line(record, tmp_path):
    with pytest.raises(DocumentError, match="cannot be read"):
        verify_minutes(tmp_path, record)
    (tmp_path / "minutes.json").write_text('{"schema": "reviewkit-minutes/1"}')
    with pytest.raises(DocumentError, match="holds no readable minutes"):
        verify_minutes(tmp_path, record)
