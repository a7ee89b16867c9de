"""A week on real processes: what goes wrong stays by itself, what did not change is not done again."""

import json
import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import trimesh

from reviewkit import limits, weekly
from reviewkit.decisions import standing
from reviewkit.document.files import file_sha256, read_review
from reviewkit.errors import RecordError, SetupError, SubmissionError
from reviewkit.pilot import PLATE_COLUMNS
from reviewkit.record import Kind, Record
from reviewkit.resources import resource
from reviewkit.signing import check_folder
from reviewkit.submission import slug
from reviewkit.weekly import Done, Week, read_week, run_week, submissions_in

HOSTILE = "<script>alert(1)</script>"


def sent(folder: Path, number: str, revision: str = "A", height: float = 6.0, day: int = 2) -> Path:
    """A submission of one box."""
    folder.mkdir(parents=True)
    trimesh.creation.box((30.0, 20.0, height)).export(folder / "p.stl")
    (folder / "submission.toml").write_text(
        f'[submission]\nnumber = "{number}"\nrevision = "{revision}"\nname = "Block {HOSTILE}"\n'
        f"received = 2026-03-{day:02d}\nquantity = 500\n"
        '[[part]]\nid = "p"\nfile = "p.stl"\nunits = "mm"\nmaterial = "PETG"\n'
    )
    return folder


def kill_one(slug_of_job: str, out: Path, killed: list[int]) -> None:
    """End a process of the batch the hard way as soon as a job has begun."""
    while not (out / slug_of_job).exists():
        time.sleep(0.02)
    process = multiprocessing.active_children()[0]
    assert process.pid is not None
    killed.append(process.pid)
    os.kill(process.pid, signal.SIGKILL)


@pytest.fixture(scope="module")
def ran(tmp_path_factory) -> tuple[Path, Week, list[tuple[int, int, str]], list[int]]:
    """A folder of submissions, some of them bad, reviewed by two processes, one of which is killed at work."""
    root = tmp_path_factory.mktemp("week")
    folder = root / "in"
    sent(folder / "block", "N-1")
    sent(folder / "deep" / "block b", "N-1", "B", 8.0, day=9)
    sent(folder / "broken", "N-2")
    (folder / "broken" / "p.stl").write_bytes(b"solid nothing\nfacet normal oops\n")
    (folder / "wordless").mkdir()
    (folder / "wordless" / "submission.toml").write_text("[submission\n")
    (folder / "loose").mkdir()
    shutil.copy(folder / "block" / "p.stl", folder / "loose" / "p.stl")
    steps: list[tuple[int, int, str]] = []
    killed: list[int] = []
    killer = threading.Thread(target=kill_one, args=("block", root / "out", killed))
    killer.start()
    week = run_week(folder, root / "out", workers=2, progress=lambda *step: steps.append(step))
    killer.join()
    return root, week, steps, killed


@pytest.fixture
def copy(ran, tmp_path) -> Path:
    """The folder of submissions and its reviews, to change."""
    shutil.copytree(ran[0], tmp_path / "copy")
    return tmp_path / "copy"


def entry(week: Week, name: str) -> weekly.Entry:
    return next(entry for entry in week.entries if entry.name == name)


def again(root: Path, monkeypatch: pytest.MonkeyPatch, **options) -> tuple[Week, set[str]]:
    """Run once more with reviews that are only noted down; what would have been reviewed."""
    asked: set[str] = set()

    def results(work, jobs, **_):
        for job in jobs:
            asked.add(job.entry.name)
            yield job, job.entry

    monkeypatch.setattr(weekly.crew, "results", results)
    return run_week(root / "in", root / "out", **options), asked


def test_bad_ones_and_a_killed_process_stop_no_other(ran):
    _, week, steps, killed = ran
    assert {e.name: e.done for e in week.entries} == {
        "block": Done.REVIEWED, "broken": Done.REFUSED, "deep/block b": Done.REVIEWED, "loose": Done.REFUSED,
        "wordless": Done.REFUSED,
    }  # fmt: skip
    assert killed
    reasons = {e.name: e.reason for e in week.entries}
    assert "p.stl" in reasons["broken"]
    assert "holds no submission.toml, but one mesh" in reasons["loose"]
    assert reasons["wordless"].startswith("submission.toml")
    assert not any("\n" in reason for reason in reasons.values())
    assert [(number, total) for number, total, _ in steps] == [(number, 5) for number in range(1, 6)]
    assert sorted(words.split(":")[0] for _, _, words in steps) == sorted(reasons)
    assert week.words == "2 reviewed, 3 refused"


def test_each_review_is_whole(ran):
    _, week, _, _ = ran
    for name in ("block", "deep/block b"):
        folder = week.folder(entry(week, name))
        assert {path.name for path in folder.iterdir()} == {
            "actions.csv", "estimate.csv", "evidence.npz", "figures", "inspection_plan.csv",
            "manifest.json", "review.html", "review.ipynb", "review.json",
            "review.pdf",
        }  # fmt: skip
        assert all(line.holds for line in check_folder(folder))
    assert read_review(week.folder(entry(week, "deep/block b"))).parts[0].size_mm[2] == pytest.approx(8.0)
    assert multiprocessing.active_children() == []


def test_the_week_is_read_back_as_it_was(ran):
    root, week, _, _ = ran
    assert read_week(root / "out") == week
    assert week.label == weekly.week_label(weekly.date.today())


def test_without_a_run_the_reviews_on_disk_are_the_week(copy):
    (copy / "out" / "week.json").unlink()
    told = read_week(copy / "out")
    assert [e.name for e in told.entries] == sorted(["block", slug("deep/block b")])
    assert all((told.folder(e) / "review.json").exists() for e in told.entries)
    assert read_week(copy / "nowhere").entries == ()


def test_what_is_unchanged_is_not_done_again(copy, monkeypatch):
    week, asked = again(copy, monkeypatch)
    assert asked == set()
    assert week.words == "2 unchanged, 3 refused"
    assert entry(week, "broken").reason == entry(read_week(copy / "out"), "broken").reason


def change_mesh(root: Path, _: pytest.MonkeyPatch) -> None:
    trimesh.creation.box((30.0, 20.0, 7.0)).export(root / "in" / "block" / "p.stl")


def change_words(root: Path, _: pytest.MonkeyPatch) -> None:
    path = root / "in" / "block" / "submission.toml"
    path.write_text(path.read_text() + 'colour = "grey"\n')


def make_a_pilot(root: Path, _: pytest.MonkeyPatch) -> None:
    (root / "in" / "block" / "pilot.csv").write_text(",".join(PLATE_COLUMNS) + "\n")


def price_it(root: Path, _: pytest.MonkeyPatch) -> None:
    own = (resource("data", "prices") / "demonstration.toml").read_text() + "\n# ours\n"
    (root / "in" / "block" / "prices.toml").write_text(own)


def lose_a_picture(root: Path, _: pytest.MonkeyPatch) -> None:
    next((root / "out" / "block" / "figures").glob("*.png")).unlink()


def lose_the_document(root: Path, _: pytest.MonkeyPatch) -> None:
    (root / "out" / "block" / "review.pdf").unlink()


def change_limits(_: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weekly, "load_limits", lambda: limits.Limits({}, "another"))


def change_kit(_: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weekly, "version", lambda _: "99")


def change_machine(_: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bigger = replace(limits.machine(weekly.DEFAULT_MACHINE), height_mm=999.0)
    monkeypatch.setattr(weekly.tables, "machine", lambda _: bigger)


def change_material(_: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    petg = limits.material("PETG")
    changed = replace(petg, properties=dict(list(petg.properties.items())[1:]))
    monkeypatch.setattr(weekly.tables, "material", lambda _: changed)


@pytest.mark.parametrize(
    ("change", "redone"),
    [
        (change_mesh, {"block"}),
        (change_words, {"block"}),
        (make_a_pilot, {"block"}),
        (price_it, {"block"}),
        (lose_a_picture, {"block"}),
        (lose_the_document, {"block"}),
        # What was refused by the numbers of intake may pass by others.
        (change_limits, {"block", "deep/block b", "broken"}),
        (change_kit, {"block", "deep/block b", "broken"}),
        (change_machine, {"block", "deep/block b", "broken"}),
        (change_material, {"block", "deep/block b", "broken"}),
    ],
)
def test_what_is_changed_or_missing_is_done_again(copy, monkeypatch, change, redone):
    change(copy, monkeypatch)
    assert again(copy, monkeypatch)[1] == redone


def test_what_stopped_is_tried_again_and_what_was_refused_only_when_it_changes(copy, monkeypatch):
    path = copy / "out" / "week.json"
    path.write_text(path.read_text().replace('"done": "refused"', '"done": "stopped"'))
    assert again(copy, monkeypatch)[1] == {"broken"}
    (copy / "in" / "broken" / "p.stl").write_bytes(b"solid other\n")
    assert again(copy, monkeypatch)[1] == {"broken"}


def test_a_run_that_is_stopped_keeps_what_it_has_and_counts_the_rest_as_not_done(copy, monkeypatch):
    change_kit(copy, monkeypatch)

    def results(work, jobs, **_):
        yield jobs[0], jobs[0].entry
        raise KeyboardInterrupt

    monkeypatch.setattr(weekly.crew, "results", results)
    with pytest.raises(KeyboardInterrupt):
        run_week(copy / "in", copy / "out")
    kept = {e.name for e in read_week(copy / "out").entries if e.done is Done.REVIEWED}
    assert len(kept) == 1
    assert again(copy, monkeypatch)[1] == {"block", "deep/block b", "broken"} - kept


def test_a_review_whose_files_do_not_arrive_is_told(copy, monkeypatch):
    shutil.rmtree(copy / "out" / "block")
    week, _ = again(copy, monkeypatch)
    assert entry(week, "block").done is Done.STOPPED
    assert "did not arrive" in entry(week, "block").reason


def sign(root: Path, name: str = "block") -> Record:
    """A record that says that a review is signed; the rest of it does not matter here."""
    record = Record(root / "records")
    digest = file_sha256(root / "out" / name / "review.json")
    data = {"role": "reviewer", "certificate": "c", "pdf_sha256": "p", "review_sha256": digest}
    record.append(Kind.SIGNED, "N-1", "A", "Ada Review", data)
    return record


def test_what_is_signed_is_kept_while_the_customer_sends_nothing_else(copy, monkeypatch):
    sign(copy)
    change_kit(copy, monkeypatch)
    (copy / "out" / "block" / "actions.csv").unlink()
    week, asked = again(copy, monkeypatch, records=copy / "records")
    assert asked == {"deep/block b", "broken"}
    assert entry(week, "block").reason.startswith("missing: actions.csv; the kit, its limits")


def test_a_signed_document_is_put_aside_when_something_else_is_sent(copy, monkeypatch):
    sign(copy)
    signed = (copy / "out" / "block" / "review.pdf").read_bytes()
    change_mesh(copy, monkeypatch)
    _, asked = again(copy, monkeypatch, records=copy / "records")
    assert asked == {"block"}
    (aside,) = (copy / "out").glob("block-signed-*.pdf")
    assert aside.read_bytes() == signed


def test_reviews_go_on_record_older_revisions_first(copy, monkeypatch):
    for _ in range(2):
        again(copy, monkeypatch, records=copy / "records", who="Ada Review")
    record = Record(copy / "records")
    assert [(e.kind, e.revision) for e in record.events()] == [
        (Kind.RECEIVED, "A"), (Kind.REVIEWED, "A"), (Kind.RECEIVED, "B"), (Kind.SUPERSEDED, "A"), (Kind.REVIEWED, "B"),
    ]  # fmt: skip
    assert standing(record, "N-1", "B").reviewer == "Ada Review"


def test_a_reviewer_without_a_record_is_refused(copy):
    with pytest.raises(RecordError, match="name the folder of the record"):
        run_week(copy / "in", copy / "out", who="Ada Review")
    assert not (copy / "records").exists()


def test_two_of_one_number_and_revision_are_told_apart(copy, monkeypatch):
    shutil.copytree(copy / "in" / "block", copy / "in" / "block again")
    week, asked = again(copy, monkeypatch)
    assert asked == set()
    assert entry(week, "block again").reason.startswith("block is number N-1 revision A too")
    assert entry(week, "block").done is Done.UNCHANGED


@pytest.fixture
def tree(tmp_path) -> Callable[..., Path]:
    def made(*files: str) -> Path:
        for name in files:
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).touch()
        return tmp_path

    return made


def names(found: list[Path], root: Path) -> list[str]:
    return [path.relative_to(root).as_posix() for path in found]


def test_submissions_are_found_however_deep_and_nothing_else(tree):
    root = tree(
        "a/submission.toml", "a/p.stl", "a/old/submission.toml", "b/c/d/submission.toml", "clip.STL", "notes.txt",
        "meshes/p.obj", "words/readme.txt", ".hidden/submission.toml", "out/a/submission.toml",
    )  # fmt: skip
    found = submissions_in(root, root / "out")
    assert names(found, root) == ["a", "b/c/d", "clip.STL", "meshes"]
    assert names(submissions_in(root / "a"), root) == ["a"]


def test_a_folder_without_submissions_is_told(tree):
    root = tree("words/readme.txt")
    with pytest.raises(SubmissionError, match="holds no submission"):
        submissions_in(root)
    with pytest.raises(SubmissionError, match="is not a folder"):
        submissions_in(root / "words" / "readme.txt")


def test_a_cluster_makes_the_same_reviews(ran, tmp_path):
    distributed = pytest.importorskip("distributed")
    sent(tmp_path / "in" / "other", "N-7", height=4.0)
    shutil.copytree(ran[0] / "in" / "block", tmp_path / "in" / "block")
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0", "silence_logs": 50}
    with distributed.LocalCluster(**options) as cluster:
        week = run_week(tmp_path / "in", tmp_path / "out", scheduler=cluster.scheduler_address)
    assert week.words == "2 reviewed"
    one, other = (folder / "block" / "review.json" for folder in (tmp_path / "out", ran[0] / "out"))
    told = [json.loads(path.read_bytes()) for path in (one, other)]
    assert told[0]["findings"] == told[1]["findings"]


def test_a_scheduler_that_is_not_there_costs_nothing(copy, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(weekly.crew, "_CONNECT_S", 0.3)
    change_kit(copy, monkeypatch)
    with pytest.raises(SetupError, match="cannot be reached"):
        run_week(copy / "in", copy / "out", scheduler="tcp://127.0.0.1:1")
