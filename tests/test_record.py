"""The record: whole chains, two writers, kill -9, tampering, against a chain rebuilt here."""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from reviewkit.errors import RecordError, StaleError
from reviewkit.record import GENESIS, Kind, Record, verify_lines

WRITER = """
import sys
from reviewkit.record import Kind, Record
folder, who, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
record = Record(folder)
print("ready", flush=True)
for number in range(count):
    data = {"finding": f"{who}-{number}", "disposition": "rework"}
    event = record.append(Kind.DISPOSITION, "N-1", "A", who, data)
    print(event.hash, flush=True)
"""


def writer(folder: Path, who: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(folder), who, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def rebuilt(lines: str) -> str:
    """Head of an exported chain by the rule in its description, written apart from the module."""
    head = "0" * 64
    for number, line in enumerate(lines.splitlines(), 1):
        told = json.loads(line)
        assert told["seq"] == number
        assert told["prev"] == head
        body = json.dumps(told["event"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        head = hashlib.sha256(head.encode() + b"\n" + body.encode()).hexdigest()
        assert told["hash"] == head
    return head


def filled(folder: Path, count: int = 4) -> Record:
    record = Record(folder)
    for number in range(count):
        record.append(Kind.MEETING, "", "", "Ada Review", {"week": number, "note": "größer 株 🙂"})
    return record


def test_events_come_back_as_they_went_in(tmp_path: Path) -> None:
    record = Record(tmp_path)
    assert record.head == GENESIS and record.events() == ()
    when = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    event = record.append(
        Kind.OUTCOME, "N-1", "A", "  Ada Review ", {"outcome": "declined", "quantity": 500}, when=when
    )
    assert Record(tmp_path).events() == (event,)
    assert (event.seq, event.prev, event.who, event.when) == (1, GENESIS, "Ada Review", "2026-03-02T09:30:00+00:00")
    assert record.head == event.hash
    assert event.words == "2026-03-02T09:30:00+00:00 Ada Review: outcome of N-1 A (outcome declined, quantity 500)"


def test_events_are_asked_by_submission_and_revision(tmp_path: Path) -> None:
    record = Record(tmp_path)
    for number, revision in (("N-1", "A"), ("N-1", "B"), ("N-2", "A")):
        record.append(Kind.RECEIVED, number, revision, "Ada Review", {})
    assert [e.revision for e in record.events("N-1")] == ["A", "B"]
    assert [e.number for e in record.events(revision="A")] == ["N-1", "N-2"]
    assert [e.seq for e in record.events(after=1)] == [2, 3]


def test_the_export_is_a_chain_that_anybody_can_rebuild(tmp_path: Path) -> None:
    record = filled(tmp_path)
    head = record.export(tmp_path / "record.jsonl")
    text = (tmp_path / "record.jsonl").read_text()
    assert rebuilt(text) == head == record.head
    assert verify_lines(text, [head]) == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda rows: rows[:1] + rows[2:], "event 2 is missing"),
        (lambda rows: [rows[0].replace("größer", "kleiner"), *rows[1:]], "event 1 was changed"),
        (lambda rows: rows[:3], "no event has the hash"),
        (lambda rows: [rows[1], rows[0], *rows[2:]], "event 1 is missing"),
        (lambda rows: [*rows, "{torn"], "line 5 is no event"),
    ],
)
def test_what_was_done_to_an_export_is_named(tmp_path: Path, change, told: str) -> None:
    record = filled(tmp_path)
    head = record.export(tmp_path / "record.jsonl")
    rows = (tmp_path / "record.jsonl").read_text().splitlines()
    problems = verify_lines("\n".join(change(rows)), [head])
    assert any(problem.startswith(told) for problem in problems), problems


def test_a_rewritten_tail_needs_the_anchor(tmp_path: Path) -> None:
    # A chain that was rewritten whole is whole: only a hash kept elsewhere shows it.
    anchor = filled(tmp_path / "one").head
    forged = Record(tmp_path / "two")
    forged.append(Kind.MEETING, "", "", "Ada Review", {"week": 9})
    assert forged.verify() == ()
    assert forged.verify([anchor]) == (f"no event has the hash {anchor}",)


def test_the_table_refuses_changes_and_finds_those_made_behind_its_back(tmp_path: Path) -> None:
    record = filled(tmp_path)
    base = sqlite3.connect(record.path)
    for statement in ("update event set body = '{}' where seq = 2", "delete from event where seq = 2"):
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            base.execute(statement)
    base.execute("drop trigger event_stays")
    base.execute("update event set body = replace(body, 'Ada', 'Eve') where seq = 2")
    base.commit()
    assert record.verify() == ("event 2 was changed: its hash is not that of its content",)


def test_nothing_can_follow_the_same_event_twice(tmp_path: Path) -> None:
    record = filled(tmp_path)
    first = record.events()[0]
    base = sqlite3.connect(record.path)
    with pytest.raises(sqlite3.IntegrityError, match=r"event\.prev"):
        base.execute("insert into event values (9, ?, 'x', '', '', '{}')", (first.prev,))


def test_a_decision_on_a_stale_view_is_told_what_changed(tmp_path: Path) -> None:
    record = Record(tmp_path)
    seen = record.append(Kind.REVIEWED, "N-1", "A", "Ada Review", {}).seq
    rework = {"finding": "PR-04:p:part", "disposition": "rework", "owner": "Ben Draw"}
    record.append(Kind.DISPOSITION, "N-1", "A", "Ada Review", rework, seen=seen)
    # Another finding of the same revision and the same finding of another revision are free.
    record.append(Kind.DISPOSITION, "N-1", "A", "Cy Check", {"finding": "PR-05:p:part"}, seen=seen)
    record.append(Kind.DISPOSITION, "N-1", "B", "Cy Check", rework, seen=0)
    with pytest.raises(
        StaleError, match=r"N-1 A was changed since.*Ada Review: disposition.*owner Ben Draw.*Look again"
    ):
        record.append(Kind.DISPOSITION, "N-1", "A", "Cy Check", rework, seen=seen)
    # An outcome rests on every disposition.
    with pytest.raises(StaleError):
        record.append(Kind.OUTCOME, "N-1", "A", "Cy Check", {"outcome": "release"}, seen=seen)
    last = record.events("N-1", "A")[-1].seq
    record.append(Kind.OUTCOME, "N-1", "A", "Cy Check", {"outcome": "release"}, seen=last)
    with pytest.raises(StaleError):
        record.append(Kind.DISPOSITION, "N-1", "A", "Cy Check", {"finding": "PR-06:p:part"}, seen=last)


@pytest.mark.parametrize(
    ("who", "data", "message"),
    [
        ("", {}, "is no name"),
        ("x\u202egnp", {}, "is no name"),
        ("Ada", {"reason": "x" * 4001}, "reason has 4001 characters; up to 4000"),
        ("Ada", {"value": float("nan")}, "cannot be kept"),
        ("Ada", {"value": object()}, "cannot be kept"),
        ("Ada", {"reason": "\ud800"}, "cannot be kept"),
    ],
)
def test_unfit_entries_are_refused_and_leave_nothing(tmp_path: Path, who: str, data: dict, message: str) -> None:
    record = Record(tmp_path)
    with pytest.raises(RecordError, match=message):
        record.append(Kind.MEETING, "", "", who, data)
    assert record.events() == ()


def test_a_file_that_is_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / "record.sqlite").write_bytes(b"not a database at all" * 100)
    with pytest.raises(RecordError, match="cannot be used"):
        Record(tmp_path)


def test_a_record_of_a_newer_kit_is_refused(tmp_path: Path) -> None:
    base = sqlite3.connect(Record(tmp_path).path)
    base.execute("pragma user_version = 99")
    base.commit()
    base.close()
    with pytest.raises(RecordError, match="newer kit"):
        Record(tmp_path)


def test_two_writers_lose_nothing(tmp_path: Path) -> None:
    writers = [writer(tmp_path, who, 500) for who in ("Ada", "Ben")]
    told = [process.communicate(timeout=120)[0].split()[1:] for process in writers]
    record = Record(tmp_path)
    assert [len(hashes) for hashes in told] == [500, 500]
    assert {event.hash for event in record.events()} == {*told[0], *told[1]}
    assert {event.data["finding"] for event in record.events()} == {
        f"{w}-{n}" for w in ("Ada", "Ben") for n in range(500)
    }
    assert record.verify() == ()
    record.export(tmp_path / "record.jsonl")
    assert rebuilt((tmp_path / "record.jsonl").read_text()) == record.head


@pytest.mark.skipif(os.name == "nt", reason="no kill -9 on this system")
def test_kill_in_the_middle_of_writing_loses_nothing_that_was_told(tmp_path: Path) -> None:
    told: list[str] = []
    for round_number in range(5):
        process = writer(tmp_path, f"w{round_number}", 100_000)
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(0.05 + 0.03 * round_number)
        process.send_signal(signal.SIGKILL)
        told += [line for line in process.communicate()[0].split("\n") if len(line) == 64]
    record = Record(tmp_path)
    kept = [event.hash for event in record.events()]
    assert len(told) > 10
    assert set(told) <= set(kept)
    # At most the one event that each writer had in hand when it was killed.
    assert len(kept) <= len(told) + 5
    assert record.verify() == ()
    record.append(Kind.MEETING, "", "", "Ada", {})
