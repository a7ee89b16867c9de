"""From a review to two signatures: what is refused on the way, and what verification tells afterwards."""

import json
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
import trimesh

from reviewkit import review as front
from reviewkit.cli import main
from reviewkit.decisions import Role, conclude, decide, standing
from reviewkit.document.files import read_review, sealed
from reviewkit.document.pdf import Edition
from reviewkit.errors import RecordError, ReviewError, SigningError
from reviewkit.model import Outcome
from reviewkit.record import Kind, Record
from reviewkit.signing import new_identity
from reviewkit.signoff import findings_named, noted, printed, sign, verify

PASS = "correct horse"
SUBMISSION = """
[submission]
number = "N-1"
revision = "A"
name = "Spacer"
customer = "Tavermoor 株式会社"
received = 2026-03-02
quantity = 500
stage = "pilot"
markets = ["US"]

[[part]]
id = "spacer"
file = "spacer.stl"
units = "mm"
material = "PETG"

[use]
age_from_months = 216
"""


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    return {name: new_identity(name, folder / f"{name[:3]}.p12", PASS) for name in ("Ada Review", "Cy Check")}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("spacer")
    trimesh.creation.box((30.0, 20.0, 6.0)).export(folder / "spacer.stl")
    (folder / "submission.toml").write_text(SUBMISSION)
    front.written(front.review(folder), folder / "out")
    return folder / "out"


@pytest.fixture
def out(made, tmp_path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "out"))


@pytest.fixture
def record(tmp_path) -> Record:
    return Record(tmp_path / "records")


def decided(out: Path, record: Record, outcome: Outcome = Outcome.CHANGES) -> None:
    seen = noted(out, record, "Ada Review")
    for key in seen.undecided:
        decide(record, seen, key, "rework", "Ada Review", "to be done", owner="Ben Draw", due="2099-01-01")
    conclude(record, standing(record, "N-1", "A"), outcome, "Ada Review", "see the list", quantity="500", stage="pilot")


def false(lines) -> list[str]:
    return [line.text for line in lines if line.holds is False]


def test_review_decide_sign_twice_verify(out, record, keys) -> None:
    decided(out, record)
    head = record.head
    sign(out, record, Role.REVIEWER, keys["Ada Review"], datetime(2026, 3, 9, tzinfo=UTC))
    assert false(verify(out, record)) == []
    sign(out, record, Role.APPROVER, keys["Cy Check"])
    assert false(verify(out, record)) == []
    assert [s.who for s in standing(record, "N-1", "A").signatures] == ["Ada Review", "Cy Check"]
    text = "".join(page.extract_text() for page in pypdf.PdfReader(out / "review.pdf").pages)
    flat = "".join(text.split())
    assert "Outcome:changesneeded" in flat and "Headoftherecord" in flat and head in flat
    assert "[U+682A]" in flat


def test_what_is_undecided_is_not_signed(out, record, keys) -> None:
    noted(out, record, "Ada Review")
    with pytest.raises(SigningError, match="has no outcome on record; choose one"):
        sign(out, record, Role.REVIEWER, keys["Ada Review"])
    with pytest.raises(RecordError, match="holds no N-1 revision A"):
        sign(out, Record(out.parent / "other"), Role.REVIEWER, keys["Ada Review"])


def test_the_approver_comes_second_and_is_somebody_else(out, record, keys, tmp_path) -> None:
    decided(out, record)
    with pytest.raises(SigningError, match="not signed by its reviewer yet"):
        sign(out, record, Role.APPROVER, keys["Cy Check"])
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    for identity in (keys["Ada Review"], new_identity("ada review", tmp_path / "second.p12", PASS)):
        with pytest.raises(SigningError, match="the approver is somebody else"):
            sign(out, record, Role.APPROVER, identity)
    with pytest.raises(SigningError, match="signed by Ada Review as reviewer already"):
        sign(out, record, Role.REVIEWER, keys["Cy Check"])


def test_a_name_keeps_its_key(out, record, keys, tmp_path) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    sign(out, record, Role.APPROVER, keys["Cy Check"])
    front.written(front.review(_other(tmp_path)), out)
    decided(out, record)
    with pytest.raises(SigningError, match="the record knows another key of Ada Review"):
        sign(out, record, Role.REVIEWER, new_identity("Ada Review", tmp_path / "new.p12", PASS))


def _other(folder: Path) -> Path:
    """The same submission with a changed mesh."""
    (folder / "changed").mkdir()
    trimesh.creation.box((30.0, 20.0, 7.0)).export(folder / "changed" / "spacer.stl")
    (folder / "changed" / "submission.toml").write_text(SUBMISSION)
    return folder / "changed"


def test_a_changed_mesh_voids_what_was_signed(out, record, keys, tmp_path) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    sign(out, record, Role.APPROVER, keys["Cy Check"])
    new = tmp_path / "new"
    front.written(front.review(_other(tmp_path)), new)
    noted(new, record, "Ada Review")
    told = false(verify(out, record))
    assert "void: signed by Ada Review as reviewer, but the mesh of spacer has changed since" in told
    assert any("review.json is not the last one on record" in line for line in told)
    with pytest.raises(SigningError, match="the record's last review of N-1 A is another one"):
        sign(out, record, Role.REVIEWER, keys["Ada Review"])


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (lambda d: (d / "review.json").write_text((d / "review.json").read_text().replace("meets", "MEETS", 1)),
         "review.json was changed"),
        (lambda d: (d / "review.html").unlink(), "review.html is missing"),
        (lambda d: (d / "notes.txt").write_text("x"), "notes.txt is not of this review"),
        (lambda d: (d / "review.pdf").write_bytes((d / "review.pdf").read_bytes() + b"%"), "added after it"),
    ],
)  # fmt: skip
def test_tampering_with_a_signed_folder_is_named(out, record, keys, tamper, told) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    tamper(out)
    assert any(told in line for line in false(verify(out, record)))
    with pytest.raises(ReviewError):
        sign(out, record, Role.APPROVER, keys["Cy Check"])


def test_a_manifest_made_to_fit_is_caught_by_the_document(out, record, keys) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    (out / "actions.csv").write_text("priority\n")
    sealed(read_review(out), out)
    told = false(verify(out, record))
    assert "review.pdf does not carry this manifest" in told


def test_a_record_that_was_rewritten_is_caught_by_the_head_in_the_document(out, record, keys, tmp_path) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    base = sqlite3.connect(record.path)
    base.executescript("drop trigger event_stays; update event set body = replace(body, 'to be done', 'all fine');")
    base.close()
    assert any(line.startswith("the record: event") for line in false(verify(out, record)))
    # A record written anew from the start is whole, but it is not the one that the document names.
    forged = Record(tmp_path / "forged")
    forged.append(Kind.MEETING, "", "", "Eve Else", {})
    decided(out, forged)
    assert any("no event has the hash" in line for line in false(verify(out, forged)))


def test_a_document_by_itself_and_an_exported_record_can_be_checked(out, record, keys, tmp_path) -> None:
    decided(out, record)
    sign(out, record, Role.REVIEWER, keys["Ada Review"])
    lines = verify(out / "review.pdf")
    assert false(lines) == [] and any(line.holds is None for line in lines)
    record.export(tmp_path / "record.jsonl")
    assert [line.text for line in verify(tmp_path / "record.jsonl")] == ["the exported chain is whole"]
    text = (tmp_path / "record.jsonl").read_text()
    (tmp_path / "record.jsonl").write_text(text.replace("to be done", "all fine"))
    assert false(verify(tmp_path / "record.jsonl"))


def test_findings_are_named_by_key_number_or_all_that_need_one(out, record) -> None:
    seen = noted(out, record, "Ada Review")
    keys = [finding["key"] for finding in json.loads((out / "review.json").read_text())["findings"]]
    assert findings_named(out, seen, "1") == (keys[0],)
    assert findings_named(out, seen, keys[2]) == (keys[2],)
    assert findings_named(out, seen, "undecided") == seen.undecided
    with pytest.raises(RecordError, match=f"has no finding {len(keys) + 1}; its numbers go from 1 to {len(keys)}"):
        findings_named(out, seen, str(len(keys) + 1))


def test_the_customers_edition_has_nothing_of_ours(out, tmp_path) -> None:
    target = printed(out, Edition.CUSTOMER, tmp_path / "customer.pdf")
    text = " ".join("".join(page.extract_text() for page in pypdf.PdfReader(target).pages).split())
    assert "Manufacturability report" in text and "Cautions" in text
    for ours in ("Rests on a guess", "Dispositions", "Reviewer", "SHA-256", "Head of the record"):
        assert ours not in text


def test_the_commands_of_a_sign_off(out, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    Path("pp").write_text("correct horse\n")
    steps = [
        ["identity", "Ada Review", "ada.p12", "--passphrase-file", "pp"],
        ["identity", "Cy Check", "cy.p12", "--passphrase-file", "pp"],
        ["record", "add", "out", "--as", "Ada Review", "--finding", "undecided", "--disposition", "rework", "--owner",
         "Ben Draw", "--due", "2099-01-01", "--reason", "as reported", "--outcome", "changes needed"],
        ["sign", "out", "--as", "Ada Review", "--role", "reviewer", "--key", "ada.p12", "--passphrase-file", "pp"],
        ["sign", "out", "--as", "Cy Check", "--role", "approver", "--key", "cy.p12", "--passphrase-file", "pp"],
        ["verify", "out"],
        ["record", "show"], ["record", "show", "N-1", "A"], ["record", "verify"], ["record", "export", "r.jsonl"],
        ["verify", "r.jsonl"],
        ["report", "out", "--for", "customer"],
    ]  # fmt: skip
    for step in steps:
        assert main(step) == 0, (step, capsys.readouterr())
    told = capsys.readouterr().out
    assert "FALSE" not in told and "BEGIN CERTIFICATE" not in told
    assert "signed by Cy Check as approver" in told
    assert Path("out-customer.pdf").exists()
    (Path("out") / "actions.csv").write_text("x")
    assert main(["verify", "out"]) == 1
    assert main(["sign", "out", "--as", "Eve", "--role", "approver", "--key", "cy.p12", "--passphrase-file", "pp"]) == 2
    assert "cy.p12 is the key of Cy Check, not of Eve" in capsys.readouterr().err
    assert main(["verify", "out", "--records", "nowhere"]) == 2 and not Path("nowhere").exists()
