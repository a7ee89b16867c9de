"""The record: what was received, reviewed, decided and signed, appended and never changed.

One table of events in SQLite.  Each event carries the hash of the one before it, so that a
change anywhere breaks the chain from there on; no two events can follow the same one.  The
present state of a revision is read out of its events (:mod:`reviewkit.decisions`).
"""

import hashlib
import json
import sqlite3
import sys
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from reviewkit.document.files import make_folder, write_bytes
from reviewkit.errors import RecordError, StaleError

FILE_NAME = "record.sqlite"
SCHEMA = "reviewkit-record/1"
GENESIS = "0" * 64

_WAIT_S = 60.0
_LONGEST_TEXT = 4000
_FOR_MACHINES = ("certificate", "fingerprint")
_SHARES = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs")

# user_version counts these steps; bodies of old events are hashed and so never rewritten.
_STEPS = (
    """
    create table event (
        seq integer primary key,
        prev text not null unique,
        hash text not null unique,
        number text not null,
        revision text not null,
        body text not null
    ) strict;
    create index event_of_revision on event (number, revision, seq);
    create trigger event_stays before update on event begin select raise(abort, 'an event is never changed'); end;
    create trigger event_remains before delete on event begin select raise(abort, 'an event is never removed'); end;
    """,
)


class Kind(StrEnum):
    """What happened."""

    RECEIVED = "submission received"
    REVIEWED = "review made"
    DISPOSITION = "disposition"
    OUTCOME = "outcome"
    SIGNED = "signed"
    SUPERSEDED = "superseded"
    IDENTITY = "identity"
    MEETING = "meeting"


@dataclass(frozen=True)
class Event:
    """One entry: what happened to a revision of a submission, when, by whom.

    ``seq`` counts from 1; ``hash`` covers the event and ``prev``, the hash before it.
    """

    seq: int
    prev: str
    hash: str
    kind: Kind
    number: str
    revision: str
    when: str
    who: str
    data: Mapping[str, Any]

    @property
    def words(self) -> str:
        """The event in one line for a person."""
        subject = " ".join(part for part in (self.number, self.revision) if part)
        return f"{self.when} {self.who}: {self.kind.value}" + (f" of {subject}" if subject else "") + _told(self.data)


class Record:
    """The record in a folder; opened per call, so that it may be shared by processes.

    Parameters
    ----------
    folder : Path
        Gets ``record.sqlite``; made when absent.

    Raises
    ------
    RecordError
        When the folder or the file cannot be used.
    """

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        self.path = self.folder / FILE_NAME
        make_folder(self.folder)
        self._journal = "delete" if _on_a_share(self.folder) else "wal"
        with self._open() as base:
            self._prepare(base)

    def append(
        self,
        kind: Kind,
        number: str,
        revision: str,
        who: str,
        data: Mapping[str, Any],
        *,
        seen: int | None = None,
        when: datetime | None = None,
    ) -> Event:
        """Append an event; it is on the disk when this returns.

        Parameters
        ----------
        kind : Kind
        number, revision : str
            Of the submission; empty for what belongs to none.
        who : str
            Who stands for it.
        data : mapping
            JSON values only.
        seen : int, optional
            The last event of this revision that the person saw, 0 for none [-].
        when : datetime, optional
            Now by default.

        Returns
        -------
        Event

        Raises
        ------
        StaleError
            When an event after `seen` touches what this one decides; the message says which.
        RecordError
            When the entry is not fit to be kept.
        """
        who = _named(who)
        moment = (when or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
        body = _canonical(
            {"schema": SCHEMA, "kind": kind.value, "number": number, "revision": revision, "when": moment,
             "who": who, "data": _fit(data)}
        )  # fmt: skip
        with self._open() as base:
            # A read that turns into a write does not wait for others, so the lock is taken first.
            base.execute("begin immediate")
            try:
                if seen is not None:
                    self._refuse_stale(base, kind, number, revision, data, seen)
                last = base.execute("select seq, hash from event order by seq desc limit 1").fetchone()
                seq, prev = (last[0] + 1, last[1]) if last else (1, GENESIS)
                digest = _digest(prev, body)
                base.execute("insert into event values (?, ?, ?, ?, ?, ?)", (seq, prev, digest, number, revision, body))
                base.execute("commit")
            except BaseException:
                base.execute("rollback")
                raise
        return _event(seq, prev, digest, body)

    def events(self, number: str = "", revision: str = "", *, after: int = 0) -> tuple[Event, ...]:
        """Events in order, all of them or those of a submission or revision, after a place in the list [-]."""
        wanted = [("seq > ?", after), ("number = ?", number), ("revision = ?", revision)]
        asked = [(text, value) for text, value in wanted if value or text == "seq > ?"]
        where = " and ".join(text for text, _ in asked)
        with self._open() as base:
            rows = base.execute(
                f"select seq, prev, hash, body from event where {where} order by seq", [value for _, value in asked]
            ).fetchall()
        return tuple(_event(*row) for row in rows)

    @property
    def head(self) -> str:
        """Hash of the last event; whoever holds it can tell whether anything before it was changed."""
        with self._open() as base:
            row = base.execute("select hash from event order by seq desc limit 1").fetchone()
        return str(row[0]) if row else GENESIS

    def verify(self, anchors: Iterable[str] = ()) -> tuple[str, ...]:
        """What is wrong with the chain, a line each; nothing when it is whole.

        Parameters
        ----------
        anchors : iterable of str
            Hashes noted elsewhere, as in signed documents, that the chain must hold.
        """
        with self._open() as base:
            rows = base.execute("select seq, prev, hash, number, revision, body from event order by seq").fetchall()
        problems = list(_broken((seq, prev, digest, body) for seq, prev, digest, _, _, body in rows))
        for seq, _, _, number, revision, body in rows:
            told = json.loads(body)
            if (told.get("number"), told.get("revision")) != (number, revision):
                problems.append(f"event {seq}: the index says {number} {revision}, the event itself does not")
        known = {GENESIS, *(row[2] for row in rows)}
        return (*problems, *(f"no event has the hash {anchor}" for anchor in anchors if anchor not in known))

    def export(self, path: Path) -> str:
        """Write the events as JSON Lines, which version control can hold.

        Returns
        -------
        str
            The head hash.
        """
        with self._open() as base:
            rows = base.execute("select seq, prev, hash, body from event order by seq").fetchall()
        lines = [
            _canonical({"seq": seq, "prev": prev, "hash": h, "event": json.loads(body)}) for seq, prev, h, body in rows
        ]
        write_bytes(path, "".join(line + "\n" for line in lines).encode())
        return rows[-1][2] if rows else GENESIS

    def _refuse_stale(
        self, base: sqlite3.Connection, kind: Kind, number: str, revision: str, data: Mapping[str, Any], seen: int
    ) -> None:
        rows = base.execute(
            "select seq, prev, hash, body from event where number = ? and revision = ? and seq > ? order by seq",
            (number, revision, seen),
        )
        since = [event for event in (_event(*row) for row in rows) if _touches(event, kind, data)]
        if since:
            told = "; ".join(event.words for event in since[:3]) + ("; and more" if len(since) > 3 else "")
            raise StaleError(f"{number} {revision} was changed since you looked: {told}. Look again, then decide")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)) as base:
                base.execute("pragma synchronous = full")
                yield base
        except sqlite3.DatabaseError as error:
            raise RecordError(f"the record {self.path} cannot be used: {error}; restore it from its export") from None

    def _prepare(self, base: sqlite3.Connection) -> None:
        base.execute(f"pragma journal_mode = {self._journal}")
        base.execute("begin immediate")
        version = int(base.execute("pragma user_version").fetchone()[0])
        if version > len(_STEPS):
            base.execute("rollback")
            raise RecordError(f"the record {self.path} was written by a newer kit (version {version}); update the kit")
        for step in _STEPS[version:]:
            for statement in _statements(step):
                base.execute(statement)
        base.execute(f"pragma user_version = {len(_STEPS)}")
        base.execute("commit")


def find_record(folder: Path | str | None) -> Record | None:
    """The record in a folder, None where it holds none or no folder is named; never makes one."""
    return Record(folder) if folder and (Path(folder) / FILE_NAME).exists() else None


def require_record(folder: Path | str) -> Record:
    """The record in a folder that must hold one: a mistyped name is not to become a new record.

    Raises
    ------
    RecordError
        When it holds none.
    """
    record = find_record(folder)
    if record is None:
        raise RecordError(
            f"{folder} holds no record; give the folder that the first decision, review or signature was written to"
        )
    return record


def verify_lines(text: str, anchors: Iterable[str] = ()) -> tuple[str, ...]:
    """What is wrong with an exported record, a line each; nothing when its chain is whole.

    Parameters
    ----------
    text : str
        JSON Lines as :meth:`Record.export` writes them.
    anchors : iterable of str
        Hashes that the chain must hold.
    """
    rows, problems = [], []
    for number, line in enumerate(text.splitlines(), 1):
        try:
            told = json.loads(line)
            rows.append((int(told["seq"]), str(told["prev"]), str(told["hash"]), _canonical(told["event"])))
        except (ValueError, LookupError, TypeError):
            problems.append(f"line {number} is no event")
    known = {GENESIS, *(row[2] for row in rows)}
    missing = [f"no event has the hash {anchor}" for anchor in anchors if anchor not in known]
    return (*problems, *_broken(rows), *missing)


def _broken(rows: Iterable[tuple[int, str, str, str]]) -> Iterator[str]:
    before, place = GENESIS, 0
    for seq, prev, digest, body in rows:
        place += 1
        if seq != place:
            yield f"event {place} is missing"
            place = seq
        elif prev != before:
            yield f"event {seq} does not follow the one before it"
        if _digest(prev, body) != digest:
            yield f"event {seq} was changed: its hash is not that of its content"
        before = digest


def _touches(event: Event, kind: Kind, data: Mapping[str, Any]) -> bool:
    """Whether an event changes what a new one of this kind rests on."""
    if event.kind is Kind.DISPOSITION and kind is Kind.DISPOSITION:
        return bool(event.data.get("finding") == data.get("finding"))
    # A release or a signature rests on every disposition; a disposition on the review and what closed it.
    return event.kind in (Kind.REVIEWED, Kind.OUTCOME, Kind.SIGNED, Kind.SUPERSEDED, Kind.DISPOSITION)


def _event(seq: int, prev: str, digest: str, body: str) -> Event:
    told = json.loads(body)
    return Event(seq, prev, digest, Kind(told["kind"]), told["number"], told["revision"], told["when"], told["who"],
                 told["data"])  # fmt: skip


def _canonical(value: Mapping[str, Any]) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _digest(prev: str, body: str) -> str:
    return hashlib.sha256(f"{prev}\n{body}".encode()).hexdigest()


def _named(who: str) -> str:
    name = unicodedata.normalize("NFC", who).strip()
    if not name or len(name) > 200 or any(unicodedata.category(c) in ("Cc", "Cf") for c in name):
        raise RecordError(f"{who!r} is no name; say who decides, in up to 200 printable characters")
    return name


def _fit(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The data, refused when a text is too long or a value has no JSON form."""
    for name, value in data.items():
        if isinstance(value, str) and len(value) > _LONGEST_TEXT:
            raise RecordError(f"{name} has {len(value)} characters; up to {_LONGEST_TEXT} are kept, shorten it")
    try:
        _canonical(data).encode()
    except (TypeError, ValueError) as error:
        raise RecordError(f"the entry cannot be kept: {error}; use plain text, numbers and lists") from None
    return data


def _told(data: Mapping[str, Any]) -> str:
    """The short texts of an event's data; hashes and certificates are for machines."""
    told = [
        f"{name.replace('_', ' ')} {value}"
        for name, value in data.items()
        if isinstance(value, str | int) and value != "" and "sha256" not in name and name not in _FOR_MACHINES
    ]
    return f" ({', '.join(told)})" if told else ""


def _statements(script: str) -> Iterator[str]:
    """The single statements of a script; a trigger holds semicolons of its own."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _on_a_share(folder: Path) -> bool:
    """Whether a folder lies on a network share, where the write-ahead log is not safe."""
    if not sys.platform.startswith("linux"):
        return str(folder.resolve()).startswith("\\\\")
    try:
        mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    except OSError:
        return False
    here = folder.resolve()
    holding = [(Path(mount[1]), mount[2]) for mount in mounts if here.is_relative_to(mount[1])]
    return bool(holding) and max(holding, key=lambda mount: len(mount[0].parts))[1] in _SHARES
