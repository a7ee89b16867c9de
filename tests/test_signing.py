"""Signatures: two hands on a document, every kind of tampering caught, also by another reader's tool."""

import hashlib
import io
import json
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
import typst
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12
from cryptography.x509.oid import NameOID
from pyhanko.pdf_utils.generic import pdf_name
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from reviewkit.decisions import Role
from reviewkit.errors import SigningError
from reviewkit.signing import Box, Expected, attached, check_document, check_folder, load_identity, new_identity, signed

PASS = "correct horse"
WHEN = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)
BOXES = (Box(Role.REVIEWER, 0, (60.0, 100.0, 260.0, 150.0)), Box(Role.APPROVER, 0, (300.0, 100.0, 500.0, 150.0)))
SOURCE = """
#set document(title: "Review")
= Review
Wall 0.7 mm.
#pdf.attach("manifest.json", relationship: "data", mime-type: "application/json", description: "manifest")
"""


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    return {
        name: new_identity(name, folder / f"{name[:3]}.p12", PASS) for name in ("Ada Review", "Cy Check", "Eve Else")
    }


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> bytes:
    folder = tmp_path_factory.mktemp("plain")
    (folder / "review.typ").write_text(SOURCE)
    (folder / "manifest.json").write_text('{"files": {}}')
    return typst.compile(folder / "review.typ", root=folder, pdf_standards=["a-3a", "ua-1"], timestamp=0)


@pytest.fixture(scope="module")
def once(plain, keys) -> bytes:
    return signed(plain, Role.REVIEWER, keys["Ada Review"], BOXES, WHEN, "release")


@pytest.fixture(scope="module")
def twice(once, keys) -> bytes:
    return signed(once, Role.APPROVER, keys["Cy Check"], (), WHEN, "release")


def expected(content: bytes, keys, *who: str) -> Expected:
    roles = (Role.REVIEWER, Role.APPROVER)
    rows = tuple((role, name, keys[name].fingerprint) for role, name in zip(roles, who, strict=False))
    return Expected(rows, hashlib.sha256(content).hexdigest())


def broken(content: bytes, known: Expected | None) -> list[str]:
    return [line.text for line in check_document(content, known) if line.holds is False]


def test_two_signatures_hold(once, twice, keys) -> None:
    assert broken(once, expected(once, keys, "Ada Review")) == []
    assert broken(twice, expected(twice, keys, "Ada Review", "Cy Check")) == []
    lines = [line.text for line in check_document(twice, expected(twice, keys, "Ada Review", "Cy Check"))]
    assert any("signature of Ada Review in the field Reviewer holds" in line for line in lines)
    assert any("signature of Cy Check in the field Approver holds" in line for line in lines)


def test_the_signed_file_stays_a_file_of_its_archival_form(plain, twice) -> None:
    assert plain[:8] == twice[:8] == b"%PDF-1.7"
    assert "/Version" not in pypdf.PdfReader(io.BytesIO(twice)).trailer["/Root"]
    assert attached(twice, "manifest.json") == b'{"files": {}}'


def test_the_boxes_show_who_signed_what(twice) -> None:
    notes = pypdf.PdfReader(io.BytesIO(twice)).pages[0]["/Annots"]
    shown = [note.get_object()["/AP"]["/N"].get_object() for note in notes]
    assert len(shown) == 2 and all("/Resources" in form for form in shown)
    assert [note.get_object()["/T"] for note in notes] == ["Reviewer", "Approver"]


def painted(content: bytes) -> bytes:
    """A red square over the first page, added the way an editor does."""
    writer = IncrementalPdfFileWriter(io.BytesIO(content))
    page = writer.find_page_for_modification(0)[0].get_object()
    from pyhanko.pdf_utils import generic

    square = writer.add_object(generic.StreamObject(stream_data=b"1 0 0 rg 0 0 300 300 re f"))
    old = page["/Contents"]
    page[pdf_name("/Contents")] = generic.ArrayObject(
        [*(old if isinstance(old, list) else [page.raw_get("/Contents")]), square]
    )
    writer.update_container(page)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def flipped(content: bytes) -> bytes:
    at = content.index(b"stream\n") + 20
    return content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :]


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (flipped, "broken|cannot be read"),
        (lambda c: c + b"\n% one more line\n", "something was added after it"),
        (painted, "the document was changed after it"),
    ],
)
def test_tampering_is_caught_with_and_without_the_record(twice, keys, tamper, told) -> None:
    changed = tamper(twice)
    for known in (None, expected(twice, keys, "Ada Review", "Cy Check")):
        assert any(re.search(told, line) for line in broken(changed, known)), broken(changed, known)
    assert any("not the file that the record keeps" in line for line in broken(changed, known))


def test_a_file_cut_back_to_its_first_signature_needs_the_record(once, twice, keys) -> None:
    assert twice.startswith(once)
    # The one signature left is sound by itself, so only the record shows that one is gone.
    assert broken(once, None) == []
    lines = broken(once, expected(twice, keys, "Ada Review", "Cy Check"))
    assert any("signed by Ada Review as reviewer" in line for line in lines)
    assert any("not the file" in line for line in lines)


def test_another_key_of_the_same_name_is_caught(plain, keys, tmp_path) -> None:
    forged = new_identity("Ada Review", tmp_path / "forged.p12", PASS)
    content = signed(plain, Role.REVIEWER, forged, BOXES, WHEN, "release")
    known = expected(content, keys, "Ada Review")
    assert broken(content, None) == []
    assert any("with keys of its own" in line for line in broken(content, known))


def test_an_unsigned_file_says_so(plain) -> None:
    assert broken(plain, None) == ["review.pdf is not signed"]
    assert broken(b"%PDF-1.7 nothing", None)


@pytest.mark.parametrize(
    ("state", "role", "told"),
    [
        ("plain", Role.APPROVER, "signed by nobody; the approver signs one that is signed by the reviewer only"),
        ("once", Role.REVIEWER, "signed by Reviewer; the reviewer signs one that is signed by nobody yet"),
        ("twice", Role.APPROVER, "signed by Reviewer and Approver"),
    ],
)
def test_signatures_come_in_their_order(state, role, told, keys, request) -> None:
    with pytest.raises(SigningError, match=told):
        signed(request.getfixturevalue(state), role, keys["Eve Else"], BOXES, WHEN, "release")


def test_poppler_agrees(twice, tmp_path) -> None:
    tool = shutil.which("pdfsig")
    if tool is None:
        pytest.skip("poppler's pdfsig is not installed here")
    good, bad = tmp_path / "good.pdf", tmp_path / "bad.pdf"
    good.write_bytes(twice)
    bad.write_bytes(painted(twice))
    told = [subprocess.run([tool, "-nocert", str(f)], capture_output=True, text=True).stdout for f in (good, bad)]
    assert told[0].count("Signature is Valid") == 2 and told[0].count("Total document signed") >= 1
    assert "Ada Review" in told[0] and "Cy Check" in told[0]
    # It calls the painted file's signatures valid; only that they do not cover the file gives it away.
    assert "Total document signed" not in told[1].split("Signature #2")[-1]


def test_keys_are_kept_well(tmp_path) -> None:
    path = tmp_path / "ada.p12"
    made = new_identity("Ada  Review", path, PASS)
    assert made.name == "Ada Review"
    assert path.stat().st_mode & 0o077 == 0
    assert load_identity(path, PASS).fingerprint == made.fingerprint
    with pytest.raises(SigningError, match="exists; a key is never replaced"):
        new_identity("Ada Review", path, PASS)
    with pytest.raises(SigningError, match="pass phrase is wrong"):
        load_identity(path, "wrong horse")
    with pytest.raises(SigningError, match="give at least 8"):
        new_identity("Ada Review", tmp_path / "b.p12", "short")
    with pytest.raises(SigningError, match="cannot be read"):
        load_identity(tmp_path / "none.p12", PASS)


def packed(key, path: Path, years: int = 1) -> None:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Own Key")])
    start = datetime(2020, 1, 1, tzinfo=UTC)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(start).not_valid_after(start.replace(year=2020 + years))
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    path.write_bytes(
        pkcs12.serialize_key_and_certificates(b"k", key, certificate, None, BestAvailableEncryption(PASS.encode()))
    )


@pytest.mark.parametrize(
    ("key", "years", "told"),
    [
        (lambda: ec.generate_private_key(ec.SECP256R1()), 90, "not RSA"),
        (lambda: rsa.generate_private_key(65537, 1024), 90, "1024 bits"),
        (lambda: rsa.generate_private_key(65537, 2048), 1, "not valid today"),
    ],
)
def test_keys_that_will_not_do_are_refused(tmp_path, key, years, told) -> None:
    packed(key(), tmp_path / "own.p12", years)
    with pytest.raises(SigningError, match=told):
        load_identity(tmp_path / "own.p12", PASS)


def test_a_key_not_meant_for_signing_documents_does_not_hold(plain, tmp_path) -> None:
    # Without a statement of its use a key is for anything; with another use it is not for this.
    key = rsa.generate_private_key(65537, 2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Own Key")])
    usage = x509.KeyUsage(True, False, False, False, False, False, False, False, False)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key()).serial_number(1)
        .not_valid_before(datetime(2020, 1, 1, tzinfo=UTC)).not_valid_after(datetime(2090, 1, 1, tzinfo=UTC))
        .add_extension(usage, critical=True).sign(key, hashes.SHA256())
    )  # fmt: skip
    path = tmp_path / "own.p12"
    path.write_bytes(
        pkcs12.serialize_key_and_certificates(b"k", key, certificate, None, BestAvailableEncryption(PASS.encode()))
    )
    content = signed(plain, Role.REVIEWER, load_identity(path, PASS), BOXES, WHEN, "release")
    assert any("not for signing documents" in line for line in broken(content, None))


def sealed_folder(folder: Path) -> Path:
    (folder / "figures").mkdir()
    (folder / "review.json").write_text("{}")
    (folder / "figures" / "a.svg").write_text("<svg/>")
    files = {
        name: {"sha256": hashlib.sha256((folder / name).read_bytes()).hexdigest()}
        for name in ("review.json", "figures/a.svg")
    }
    (folder / "manifest.json").write_text(json.dumps({"files": files}))
    return folder


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (lambda _: None, []),
        (lambda d: (d / "review.json").write_text("{ }"), ["review.json was changed"]),
        (lambda d: (d / "figures" / "a.svg").unlink(), ["figures/a.svg is missing"]),
        (lambda d: (d / "figures" / "b.svg").write_text(""), ["figures/b.svg is not of this review"]),
        (lambda d: (d / ".hidden").write_text(""), [".hidden is not of this review"]),
        (lambda d: (d / "manifest.json").unlink(), ["manifest.json is missing or cannot be read"]),
        (lambda d: (d / "manifest.json").write_text("[]"), ["manifest.json is missing or cannot be read"]),
    ],
)
def test_changed_missing_and_extra_files_are_named(tmp_path, tamper, told) -> None:
    tamper(sealed_folder(tmp_path))
    lines = [line.text for line in check_folder(tmp_path) if not line.holds]
    assert len(lines) == len(told) and all(end in line for end, line in zip(told, lines, strict=True)), lines


def test_a_document_with_another_manifest_is_told(tmp_path, twice) -> None:
    sealed_folder(tmp_path)
    (tmp_path / "review.pdf").write_bytes(twice)
    assert [line.text for line in check_folder(tmp_path) if not line.holds] == [
        "review.pdf does not carry this manifest"
    ]
