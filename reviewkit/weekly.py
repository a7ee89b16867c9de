"""Many submissions: all that are new or changed are reviewed, each by itself, and none stops the others."""

import dataclasses
import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import Any

from reviewkit import crew
from reviewkit import limits as tables
from reviewkit.document.files import MANIFEST, file_sha256, make_folder, write_bytes
from reviewkit.document.text import display_text
from reviewkit.errors import RecordError, ReviewError, SetupError, SubmissionError
from reviewkit.limits import load_limits
from reviewkit.pilot import PLATES_FILE, VALUES_FILE
from reviewkit.prices import prices_of
from reviewkit.record import Kind, Record, find_record
from reviewkit.review import DEFAULT_MACHINE, DEFAULT_MATERIAL
from reviewkit.signing import DOCUMENT
from reviewkit.signoff import noted
from reviewkit.submission import FILE_NAME as SUBMISSION_FILE
from reviewkit.submission import MESH_SUFFIXES, Submission, read_submission, slug
from reviewkit.warm import documented_here

FILE_NAME = "week.json"
SCHEMA = "reviewkit-week/1"
LONGEST_S = 1800.0

_REVIEW = "review.json"
_LONGEST_REASON = 600

Progress = Callable[[int, int, str], None]


class Done(StrEnum):
    """What a run made of a submission."""

    REVIEWED = "reviewed"
    UNCHANGED = "unchanged"
    REFUSED = "refused"
    STOPPED = "stopped"


@dataclass(frozen=True)
class Entry:
    """One submission of the week.

    ``name`` is its path below the folder of submissions, ``slug`` the name of its review's
    folder.  ``sent`` is the hash of what the customer sent, ``judged_by`` of what it is judged
    by: machine, material, limits and kit.
    """

    name: str
    slug: str
    done: Done
    reason: str = ""
    number: str = ""
    revision: str = ""
    sent: str = ""
    judged_by: str = ""
    took_s: float = 0.0

    @property
    def has_review(self) -> bool:
        """Whether there is a review of what was sent."""
        return self.done in (Done.REVIEWED, Done.UNCHANGED)


@dataclass(frozen=True)
class Week:
    """The submissions of a week, by name; their reviews lie below ``out``."""

    out: Path
    label: str
    entries: tuple[Entry, ...]

    def folder(self, entry: Entry) -> Path:
        """The folder of a submission's review."""
        return self.out / entry.slug

    @property
    def words(self) -> str:
        """How many came to what, in a line."""
        counts = {done: sum(entry.done is done for entry in self.entries) for done in Done}
        return ", ".join(f"{count} {done.value}" for done, count in counts.items() if count) or "no submission"


def week_of(folder: str | Path, out: str | Path, **options: Any) -> Week:
    """Run a week when a folder of submissions is named, else read the one that was run last.

    Parameters
    ----------
    folder : str or Path
        Empty to read.
    out : str or Path
    **options
        As for :func:`run_week`.
    """
    return run_week(folder, out, **options) if folder else read_week(out)


def run_week(
    folder: str | Path,
    out: str | Path,
    *,
    workers: int = 0,
    scheduler: str = "",
    records: str | Path | None = None,
    who: str = "",
    progress: Progress = lambda *_: None,
    longest_s: float = LONGEST_S,
) -> Week:
    """Review every submission below a folder that is new or changed.

    Parameters
    ----------
    folder : str or Path
        Holds folders with ``submission.toml``, however deep, and bare mesh files.
    out : str or Path
        Gets a folder with the documents of each, and ``week.json``; made when absent.
    workers : int
        How many are reviewed at once; 0 for one a processor [-].
    scheduler : str
        Address of a Dask scheduler whose workers see both folders under the same paths.
    records : str or Path, optional
        Folder of the record.  What is signed there is kept as long as the customer sends
        nothing else.
    who : str
        The reviewer, for whom each review is put on record; nobody by default.
    progress : callable
        Called with number, count and words as each submission is finished.
    longest_s : float
        A submission that takes longer is given up [s].

    Returns
    -------
    Week

    Raises
    ------
    SubmissionError
        When the folder cannot be read or holds no submission.
    SetupError
        When the scheduler cannot be used.
    """
    folder, out = Path(folder).resolve(), Path(out).resolve()
    sources = submissions_in(folder, out)
    make_folder(out)
    if who and not records:
        raise RecordError(f"reviews for {who} cannot be put on record; name the folder of the record too")
    record = Record(records) if records and who else find_record(records)
    signed = {str(e.data["review_sha256"]) for e in record.events() if e.kind is Kind.SIGNED} if record else set()
    before = {entry.slug: entry for entry in _kept(out)}
    places = {_entry(source, folder).slug: source for source in sources}
    entries = _apart(_looked_at(_entry(source, folder), source, out, before, signed) for source in sources)
    settled = {entry.slug: entry for entry in entries if entry.done is not Done.REVIEWED}
    for number, entry in enumerate(settled.values(), 1):
        progress(number, len(entries), _words(entry))
    # What is about to be done counts as not done until it is, so that a run that is stopped leaves nothing half true.
    _write(out, settled.values())
    jobs = [_Job(e, str(places[e.slug]), str(out / e.slug)) for e in entries if e.slug not in settled]
    # The largest first: then no worker is left with a long one at the end.
    jobs.sort(key=lambda job: -_bytes_below(places[job.entry.slug]))
    for job in jobs:
        _keep_signed(out / job.entry.slug, signed)
    done = crew.results(
        _reviewed, jobs, workers=workers or os.cpu_count() or 1, longest_s=longest_s, scheduler=scheduler,
        warm=load_limits,
    )  # fmt: skip
    for job, result in done:
        entry = _concluded(job, result)
        settled[entry.slug] = entry
        _write(out, settled.values())
        progress(len(settled), len(entries), _words(entry))
    if record and who:
        settled = {entry.slug: entry for entry in _noted(out, settled.values(), record, who)}
    return _write(out, settled.values())


def read_week(out: str | Path) -> Week:
    """The week that was run last into a folder, else the reviews that lie there.

    Parameters
    ----------
    out : str or Path
    """
    out = Path(out).resolve()
    kept = _state(out)
    entries = _kept(out)
    if not kept:
        names = sorted(path.parent.relative_to(out).as_posix() for path in out.rglob(_REVIEW))
        entries = [Entry(name, name, Done.REVIEWED) for name in names]
    return Week(out, str(kept.get("week") or week_label(date.today())), tuple(entries))


def submissions_in(folder: Path, out: Path | None = None) -> list[Path]:
    """Every submission below a folder, in the order of their names.

    A folder that holds meshes but no ``submission.toml`` counts too, so that its refusal tells of it.

    Parameters
    ----------
    folder : Path
        Its own bare mesh files are submissions; if it holds a ``submission.toml`` it is the only one.
    out : Path, optional
        Folder of reviews, which is not looked into.

    Raises
    ------
    SubmissionError
        When there is none.
    """
    if not folder.is_dir():
        raise SubmissionError(f"{folder} is not a folder; give the one that holds the submissions")
    found: list[Path] = []
    unreadable: list[Path] = []
    for place, below, files in os.walk(folder, onerror=lambda error: unreadable.append(Path(error.filename))):
        here = Path(place)
        below[:] = sorted(name for name in below if not name.startswith(".") and here / name != out)
        meshes = [here / name for name in files if Path(name).suffix.lower() in MESH_SUFFIXES]
        if SUBMISSION_FILE in files:
            found.append(here)
            below.clear()
        elif here == folder:
            found += meshes
        elif meshes:
            found.append(here)
    if not found and not unreadable:
        raise SubmissionError(f"{folder} holds no submission: no folder with {SUBMISSION_FILE} and no mesh file")
    return sorted([*found, *unreadable])


def tell(number: int, total: int, words: str) -> None:
    """Print the progress of a run, a line a submission."""
    print(f"[{number}/{total}] {words}", flush=True)


def week_label(day: date) -> str:
    """The ISO week of a day, such as ``2026-W09``."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


@dataclass(frozen=True)
class _Job:
    """A review to be made by a process: its entry as it will be, and both paths."""

    entry: Entry
    source: str
    folder: str


def _reviewed(job: _Job) -> Entry:
    """Make one review, in whatever process this is; what goes wrong is told, not raised."""
    began = time.monotonic()
    try:
        documented_here(job.source, job.folder)
    except (SubmissionError, SetupError) as error:
        return replace(job.entry, done=Done.REFUSED, reason=str(error))
    except ReviewError as error:
        return replace(job.entry, done=Done.STOPPED, reason=str(error))
    return replace(job.entry, took_s=round(time.monotonic() - began, 1))


def _concluded(job: _Job, result: Entry | crew.Lost) -> Entry:
    if isinstance(result, crew.Lost):
        return replace(job.entry, done=Done.STOPPED, reason=result.reason[:_LONGEST_REASON])
    absent = _absent(Path(job.folder)) if result.done is Done.REVIEWED else []
    if absent:
        reason = (
            f"its files did not arrive ({absent[0]}); workers must see the folder of the reviews under the same path"
        )
        return replace(result, done=Done.STOPPED, reason=reason)
    return replace(result, reason=result.reason[:_LONGEST_REASON])


def _entry(source: Path, folder: Path) -> Entry:
    name = source.relative_to(folder).as_posix() if source != folder else folder.name
    return Entry(name, slug(name), Done.REVIEWED)


def _looked_at(entry: Entry, source: Path, out: Path, before: Mapping[str, Entry], signed: set[str]) -> Entry:
    """What is to become of a submission; one that is to be reviewed is entered as if it were."""
    try:
        submission = read_submission(source)
        entry = replace(entry, number=submission.number, revision=submission.revision)
        entry = replace(entry, sent=_sent(source, submission), judged_by=_judged_by(submission))
    except ReviewError as error:
        return replace(entry, done=Done.REFUSED, reason=str(error)[:_LONGEST_REASON])
    was = before.get(entry.slug)
    if was is None or was.sent != entry.sent or was.done is Done.STOPPED:
        return entry
    same = was.judged_by == entry.judged_by
    if was.done is Done.REFUSED:
        return was if same else entry
    absent = _absent(out / entry.slug)
    if _is_signed(out / entry.slug, signed):
        # A second review would take the place of the document that was signed.
        notes = [f"missing: {', '.join(absent)}"] if absent else []
        notes += [] if same else ["the kit, its limits or the machine's profile have changed since it was signed"]
        return replace(was, done=Done.UNCHANGED, reason="; ".join(notes))
    return replace(was, done=Done.UNCHANGED, reason="") if same and not absent else entry


def _apart(entries: Iterable[Entry]) -> list[Entry]:
    """The entries; of those that bear one number and revision only the first is reviewed."""
    first: dict[tuple[str, str], str] = {}
    told = []
    for entry in entries:
        holder = first.setdefault((entry.number, entry.revision), entry.name) if entry.number else entry.name
        if holder != entry.name:
            what = f"number {entry.number}" + (f" revision {entry.revision}" if entry.revision else "")
            reason = f"{holder} is {what} too; give one of them its own number or revision"
            entry = replace(entry, done=Done.REFUSED, reason=reason[:_LONGEST_REASON], sent="")
        told.append(entry)
    return told


def _sent(source: Path, submission: Submission) -> str:
    """Hash of all files that the customer sent, with their names."""
    digest = hashlib.sha256()
    names = [part.file for part in submission.parts] + [document.file for document in submission.documents]
    root = submission.folder or source.parent
    for name in ([SUBMISSION_FILE] if source.is_dir() else []) + names:
        held = file_sha256(root / name) if (root / name).is_file() else ""
        digest.update(f"{name}\0{held}\0".encode("utf-8", "surrogatepass"))
    return digest.hexdigest()


def _judged_by(submission: Submission) -> str:
    """Hash of what a submission is judged by."""
    machine = tables.machine(submission.setup.machine or DEFAULT_MACHINE)
    materials = [tables.material(part.material or DEFAULT_MATERIAL) for part in submission.parts]
    prices = prices_of(submission).sha256
    root = submission.folder or Path()
    pilot = [file_sha256(root / name) for name in (PLATES_FILE, VALUES_FILE) if (root / name).is_file()]
    told = [repr(machine), *map(repr, materials), load_limits().sha256, prices, *pilot, version("reviewkit")]
    return hashlib.sha256("\0".join(told).encode()).hexdigest()


def _absent(folder: Path) -> list[str]:
    """Files of a review that are not there."""
    try:
        wanted = json.loads((folder / MANIFEST).read_bytes())["files"]
    except (OSError, ValueError, LookupError, TypeError):
        return [MANIFEST]
    return [name for name in (*wanted, DOCUMENT) if not (folder / name).is_file()]


def _is_signed(folder: Path, signed: set[str]) -> bool:
    review = folder / _REVIEW
    return review.is_file() and (folder / DOCUMENT).is_file() and file_sha256(review) in signed


def _keep_signed(folder: Path, signed: set[str]) -> None:
    """Put a signed document aside before another review takes its place; it is still evidence."""
    if _is_signed(folder, signed):
        document = folder / DOCUMENT
        document.replace(folder.with_name(f"{folder.name}-signed-{file_sha256(document)[:8]}.pdf"))


def _noted(out: Path, entries: Iterable[Entry], record: Record, who: str) -> list[Entry]:
    """Put every review on record, older revisions first."""
    told = []
    for entry in sorted(entries, key=lambda entry: _age(out / entry.slug) if entry.has_review else ("", "", "")):
        try:
            if entry.has_review:
                noted(out / entry.slug, record, who)
        except RecordError:
            raise
        except ReviewError as error:
            entry = replace(entry, done=Done.STOPPED, reason=str(error)[:_LONGEST_REASON])
        told.append(entry)
    return told


def _age(folder: Path) -> tuple[str, str, str]:
    try:
        head = json.loads((folder / _REVIEW).read_bytes())["submission"]
    except (OSError, ValueError, LookupError, TypeError):
        return "", "", ""
    number, received, revision = (str(head.get(name) or "") for name in ("number", "received", "revision"))
    return number, received, revision


def _words(entry: Entry) -> str:
    took = f" in {entry.took_s:.1f} s" if entry.done is Done.REVIEWED else ""
    name, reason = display_text(entry.name), display_text(entry.reason, _LONGEST_REASON)
    return f"{name}: {entry.done.value}{took}" + (f", {reason}" if reason else "")


def _bytes_below(source: Path) -> int:
    files = [source] if source.is_file() else [path for path in source.iterdir() if path.is_file()]
    return sum(path.stat().st_size for path in files)


def _write(out: Path, entries: Iterable[Entry]) -> Week:
    week = Week(out, week_label(date.today()), tuple(sorted(entries, key=lambda entry: entry.name)))
    told = {"schema": SCHEMA, "week": week.label, "entries": [dataclasses.asdict(entry) for entry in week.entries]}
    write_bytes(out / FILE_NAME, (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "replace"))
    return week


def _state(out: Path) -> Mapping[str, Any]:
    """What the last run kept; nothing where there was none or it cannot be read."""
    try:
        told = json.loads((out / FILE_NAME).read_bytes())
        return told if told["schema"] == SCHEMA else {}
    except (OSError, ValueError, LookupError, TypeError):
        return {}


def _kept(out: Path) -> Sequence[Entry]:
    try:
        return [Entry(**{**told, "done": Done(told["done"])}) for told in _state(out).get("entries", ())]
    except (ValueError, LookupError, TypeError):
        return []
