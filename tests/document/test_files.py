"""The files of a review: read back equal, described by their schema, whole or not there."""

import csv
import hashlib
import json
import math
import zipfile
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh

from reviewkit import review as front
from reviewkit.document import files
from reviewkit.document.files import (
    evidence,
    read_drawings,
    read_review,
    review_json,
    schema,
    sealed,
    write_bytes,
    write_review,
)
from reviewkit.errors import DocumentError
from reviewkit.figures import drawings
from reviewkit.model import Action, Drawing, Measurement, Review


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory) -> Review:
    """A real review: a wall thinner than two lines on a small plate."""
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.6, 12)])
    path = tmp_path_factory.mktemp("sent") / "fence.stl"
    trimesh.boolean.union([plate, wall]).export(path)
    return front.review(path, units="mm")


@pytest.fixture(scope="module")
def drawn(reviewed) -> tuple[Drawing, ...]:
    return drawings(reviewed)


@pytest.fixture
def folder(reviewed, drawn, tmp_path) -> Path:
    write_review(reviewed, drawn, tmp_path)
    return tmp_path


def one_line(error: pytest.ExceptionInfo[DocumentError]) -> str:
    text = str(error.value)
    assert text
    assert "\n" not in text
    return text


# --- there and back --------------------------------------------------------------------------


def test_what_is_written_reads_back_equal(reviewed, folder):
    back = read_review(folder)
    assert review_json(back) == review_json(reviewed)
    assert back.parts == reviewed.parts
    assert back.setup == reviewed.setup
    assert back.facts == reviewed.facts
    assert back.actions == reviewed.actions
    assert [f.limits for f in back.findings] == [f.limits for f in reviewed.findings]
    assert type(back.findings[0].verdict) is type(reviewed.findings[0].verdict)


def test_an_invented_review_with_everything_reads_back_equal(fake_review, fake_drawings, tmp_path):
    write_review(fake_review, fake_drawings, tmp_path)
    back = read_review(tmp_path)
    assert review_json(back) == review_json(fake_review)
    assert back.submission == fake_review.submission


def test_hostile_text_reads_back_letter_by_letter(hostile_review, tmp_path):
    write_review(hostile_review, (), tmp_path)
    assert [f.message for f in read_review(tmp_path).findings] == [f.message for f in hostile_review.findings]


def test_arrays_come_back_as_they_were(reviewed, tmp_path):
    odd = {
        "empty": np.empty((0, 2)),
        "rings": np.array([[0.1, 1e300], [np.nan, np.nan], [-0.0, np.inf]]),
        "faces": np.arange(12, dtype=np.int64)[::3],
        "small": np.array([1, 255], dtype=np.uint8),
        "turned": np.arange(6.0).reshape(2, 3).T,
    }
    first = replace(reviewed.findings[0], evidence=odd)
    sent = replace(reviewed, findings=(first, *reviewed.findings[1:]))
    write_review(sent, (), tmp_path)
    before, after = evidence(sent), evidence(read_review(tmp_path))
    assert len(before) > len(odd) + len(sent.pictures)
    assert sorted(after) == sorted(before)
    for name, array in before.items():
        assert after[name].dtype == array.dtype
        np.testing.assert_array_equal(after[name], array, strict=True)


def test_numbers_that_are_none_never_reach_the_json(reviewed, tmp_path):
    strange = tuple(Measurement("m", value, "mm", value) for value in (math.nan, math.inf, -math.inf))
    small = Measurement("32 bit", np.float32(0.5), "mm", np.float64(0.25))
    first = replace(reviewed.findings[0], measurements=(*strange, small))
    sent = replace(reviewed, findings=(first, *reviewed.findings[1:]))

    def refuse(constant):
        raise AssertionError(f"{constant} stands in the JSON")

    stored = json.loads(review_json(sent), parse_constant=refuse)
    assert [m["value"] for m in stored["findings"][0]["measurements"]] == [None, None, None, 0.5]
    write_review(sent, (), tmp_path)
    back = read_review(tmp_path).findings[0].measurements
    assert all(math.isnan(m.value) and math.isnan(m.uncertainty) for m in back[:3])
    assert back[3] == Measurement("32 bit", 0.5, "mm", 0.25)


def test_same_review_same_bytes(reviewed, drawn, tmp_path, monkeypatch):
    write_review(reviewed, drawn, tmp_path / "a")
    monkeypatch.setattr("time.time", lambda: 2e9)
    backwards = tuple(replace(f, evidence=dict(reversed(f.evidence.items()))) for f in reviewed.findings)
    write_review(replace(reviewed, findings=backwards), drawn, tmp_path / "b")
    for name in ("evidence.npz", "actions.csv", *(f"figures/{d.file}" for d in drawn)):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
    write_review(reviewed, drawn, tmp_path / "b")
    assert (tmp_path / "a" / "review.json").read_bytes() == (tmp_path / "b" / "review.json").read_bytes()


# --- schema ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    jsonschema.Draft202012Validator.check_schema(schema())
    return jsonschema.Draft202012Validator(schema())


def test_schema_takes_what_is_written(validator, folder, fake_review):
    assert list(validator.iter_errors(json.loads((folder / "review.json").read_text()))) == []
    assert list(validator.iter_errors(json.loads(review_json(fake_review)))) == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda stored: stored["findings"][0].update(verdict="splendid"),
        lambda stored: stored["findings"][0].update(severity="3"),
        lambda stored: stored["findings"][0].pop("key"),
        lambda stored: stored["findings"][0]["measurements"][0].update(value="1 mm"),
        lambda stored: stored["parts"][0]["size_mm"].append(4.0),
        lambda stored: stored["setup"].pop("plate_mm"),
        lambda stored: stored.update(outcome_suggested="perhaps"),
        lambda stored: stored.pop("limits_sha256"),
    ],
)
def test_schema_refuses_what_is_no_review(validator, reviewed, spoil):
    stored = json.loads(review_json(reviewed))
    spoil(stored)
    assert list(validator.iter_errors(stored))


# --- action list and manifest ----------------------------------------------------------------


def test_actions_are_no_formulas(reviewed, tmp_path):
    words = ("=2+5", "+1", "-1", "@SUM(A1)", "\t=1", '=HYPERLINK("x")', "plain, with comma", "two\nlines")
    actions = tuple(Action(n, word, word, word, word, word) for n, word in enumerate(words, 1))
    write_review(replace(reviewed, actions=actions), (), tmp_path)
    with (tmp_path / "actions.csv").open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    assert head == ["priority", "finding", "action", "owner", "due", "expected gain"]
    assert [row[0] for row in rows] == [str(n) for n in range(1, len(words) + 1)]
    cells = [cell for row in rows for cell in row[1:]]
    assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in cells)
    assert rows[0][2] == "'=2+5"
    assert rows[6][2] == "plain, with comma"
    assert rows[7][2] == "two lines"


def test_manifest_names_every_file_with_its_hash(reviewed, folder):
    (folder / "review.html").write_text("<p>document</p>")
    sealed(reviewed, folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    there = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}
    assert set(manifest["files"]) == set(there) - {"manifest.json"}
    assert len(manifest["files"]) > 5
    for name, told in manifest["files"].items():
        content = there[name].read_bytes()
        assert told == {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
    assert manifest["inputs"] == {"fence": {"file": "fence.stl", "sha256": reviewed.parts[0].sha256}}
    assert manifest["kit_version"] == reviewed.kit_version
    assert manifest["limits_sha256"] == reviewed.limits_sha256
    assert set(files.LIBRARIES) == set(manifest["libraries"])


# --- whole or not at all ---------------------------------------------------------------------


def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "review.json"
    path.write_bytes(b"old")

    def full(self, content):
        with self.open("wb") as file:
            file.write(content[:2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(DocumentError) as error:
        write_bytes(path, b"new content")
    assert "No space left on device" in one_line(error)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_comes_to_its_place_by_renaming(tmp_path, monkeypatch):
    """Only so does a reader never meet half of it."""
    path = tmp_path / "review.json"
    path.write_bytes(b"old")

    def refused(self, target):
        assert path.read_bytes() == b"old"
        assert self.parent == target.parent
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(DocumentError):
        write_bytes(path, b"new content")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_an_interrupt_leaves_nothing_half_written(tmp_path, monkeypatch):
    def stopped(self, content):
        with self.open("wb") as file:
            file.write(content[:2])
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "write_bytes", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_bytes(tmp_path / "review.json", b"new content")
    assert list(tmp_path.iterdir()) == []


def test_a_stop_between_two_files_leaves_no_mixed_review(reviewed, folder, monkeypatch):
    other = tuple(
        replace(
            f, evidence={n: a + 1 if a.dtype.kind in "iuf" else a for n, a in f.evidence.items()}, message="changed"
        )
        for f in reviewed.findings
    )
    kept = files.write_bytes

    def full(path, content):
        if path.name == "actions.csv":
            raise DocumentError("no space left")
        return kept(path, content)

    monkeypatch.setattr(files, "write_bytes", full)
    with pytest.raises(DocumentError):
        write_review(replace(reviewed, findings=other), (), folder)
    with pytest.raises(DocumentError):
        read_review(folder)


@pytest.mark.parametrize("kind", ["below a file", "a file"])
def test_a_folder_that_cannot_be_made_is_told_in_one_line(reviewed, tmp_path, kind):
    taken = tmp_path / "taken"
    taken.write_text("")
    with pytest.raises(DocumentError) as error:
        write_review(reviewed, (), taken / "out" if kind == "below a file" else taken)
    assert "--out" in one_line(error)
    assert list(tmp_path.iterdir()) == [taken]


def test_a_folder_that_must_not_be_written_is_told_in_one_line(tmp_path):
    tmp_path.chmod(0o500)
    try:
        try:
            (tmp_path / "probe").write_text("")
            pytest.skip("this user may write everywhere")
        except PermissionError:
            pass
        with pytest.raises(DocumentError) as error:
            write_bytes(tmp_path / "review.json", b"")
        assert "Permission denied" in one_line(error)
    finally:
        tmp_path.chmod(0o700)


def test_figures_of_an_earlier_review_go_and_folders_of_others_stay(reviewed, drawn, folder):
    sealed(reviewed, folder)
    checkpoints = folder / "figures" / ".ipynb_checkpoints"
    checkpoints.mkdir()
    foreign = folder / "figures" / "holiday.png"
    foreign.write_bytes(b"somebody's own")
    write_review(reviewed, drawn[:1], folder)
    kept = {path.name for path in (folder / "figures").iterdir()}
    assert kept == {drawn[0].file, "index.json", checkpoints.name, foreign.name}
    assert [drawing.name for drawing in read_drawings(folder)] == [drawn[0].name]


def test_figures_come_back_as_they_went_in(reviewed, drawn, folder):
    write_review(reviewed, drawn, folder)
    assert list(read_drawings(folder)) == list(drawn)
    (folder / "figures" / drawn[-1].file).unlink()
    with pytest.raises(DocumentError, match="no readable figures"):
        read_drawings(folder)


# --- damaged reviews -------------------------------------------------------------------------


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def without(folder: Path, key: str) -> None:
    stored = json.loads((folder / "review.json").read_text())
    del stored["findings"][0][key]
    (folder / "review.json").write_text(json.dumps(stored))


def with_schema(folder: Path, name: str) -> None:
    stored = json.loads((folder / "review.json").read_text())
    (folder / "review.json").write_text(json.dumps(stored | {"schema": name}))


def without_arrays(folder: Path) -> None:
    with zipfile.ZipFile(folder / "evidence.npz", "w"):
        pass


DAMAGE = {
    "no json": lambda folder: (folder / "review.json").unlink(),
    "no evidence": lambda folder: (folder / "evidence.npz").unlink(),
    "json cut short": lambda folder: cut(folder / "review.json"),
    "evidence cut short": lambda folder: cut(folder / "evidence.npz"),
    "empty json": lambda folder: (folder / "review.json").write_bytes(b""),
    "empty evidence": lambda folder: (folder / "evidence.npz").write_bytes(b""),
    "json is a list": lambda folder: (folder / "review.json").write_text("[]"),
    "json is a number": lambda folder: (folder / "review.json").write_text("7"),
    "json is no text": lambda folder: (folder / "review.json").write_bytes(b"\xff\xfe\x00"),
    "evidence is text": lambda folder: (folder / "evidence.npz").write_text("not an archive\n"),
    "evidence without arrays": without_arrays,
    "finding without a key": lambda folder: without(folder, "key"),
    "finding without a verdict": lambda folder: without(folder, "verdict"),
    "another schema": lambda folder: with_schema(folder, "reviewkit-review/99"),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_review_is_refused_in_one_line(folder, damage):
    DAMAGE[damage](folder)
    with pytest.raises(DocumentError) as error:
        read_review(folder)
    assert str(folder) in one_line(error)


def test_damage_inside_the_evidence_is_refused_in_one_line(folder):
    path = folder / "evidence.npz"
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 64] = bytes(64)
    path.write_bytes(content)
    with pytest.raises(DocumentError) as error:
        read_review(folder)
    assert "make the review again" in one_line(error)
