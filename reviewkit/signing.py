"""Signing documents and checking them: two signatures a document, held against the record.

The reviewer certifies the document, the approver adds to it; both offline (PAdES, ETSI EN
319 142-1, baseline B-B, from memory).  A signature says that a key signed these bytes; whose
key it is, only the record says, which keeps the certificate of each name.
"""

import hashlib
import io
import json
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, Encoding, pkcs12
from cryptography.x509.oid import NameOID
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.misc import PdfReadError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers
from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature
from pyhanko.sign.validation.errors import SignatureValidationError
from pyhanko.stamp import StaticStampStyle
from pyhanko_certvalidator import ValidationContext

from reviewkit.decisions import Role
from reviewkit.document.files import MANIFEST, write_bytes
from reviewkit.document.typeset import typeset
from reviewkit.errors import SigningError

DOCUMENT = "review.pdf"
_FIELDS = {Role.REVIEWER: "Reviewer", Role.APPROVER: "Approver"}
_KEY_BITS = 3072
_YEARS = 3


@dataclass(frozen=True)
class Identity:
    """A key and the certificate that names its owner."""

    name: str
    fingerprint: str
    certificate_pem: str
    signer: signers.SimpleSigner


@dataclass(frozen=True)
class Box:
    """Where a signature is shown: page from 0 [-]; two corners, counted from the page's lower left [pt]."""

    role: Role
    page: int
    corners_pt: tuple[float, float, float, float]


@dataclass(frozen=True)
class Line:
    """One thing that was checked; ``holds`` is None where it could not be."""

    holds: bool | None
    text: str


@dataclass(frozen=True)
class Expected:
    """What the record says of a document: role, name and key of its signers, and its hash after the last signature."""

    signers: tuple[tuple[Role, str, str], ...]
    pdf_sha256: str


def new_identity(name: str, path: Path, passphrase: str) -> Identity:
    """Make a key and a certificate of its own for a person, and keep both in a PKCS#12 file.

    Parameters
    ----------
    name : str
        As it is to stand beside the signature.
    path : Path
        Of the new file; an existing one is never replaced.
    passphrase : str
        At least 8 characters.

    Returns
    -------
    Identity

    Raises
    ------
    SigningError
        When the file exists, cannot be written, or the words are not fit.

    Notes
    -----
    RSA, since a document signed with an elliptic curve must be PDF 2.0 and would leave its
    archival form (ISO/TS 32002, from memory).
    """
    name = " ".join(name.split())
    if not 1 <= len(name) <= 64:
        raise SigningError(f"{name!r} is no name for a certificate; give 1 to 64 characters")
    if len(passphrase) < 8:
        raise SigningError(f"the pass phrase has {len(passphrase)} characters; give at least 8")
    if path.exists():
        raise SigningError(f"{path} exists; a key is never replaced, choose another file")
    key = rsa.generate_private_key(65537, _KEY_BITS)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(days=365 * _YEARS))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    packed = pkcs12.serialize_key_and_certificates(
        name.encode(), key, certificate, None, BestAvailableEncryption(passphrase.encode())
    )
    write_bytes(path, packed)
    path.chmod(0o600)
    return load_identity(path, passphrase)


def load_identity(path: Path, passphrase: str) -> Identity:
    """The key and certificate of a PKCS#12 file, the person's own or one of :func:`new_identity`.

    Raises
    ------
    SigningError
        When the file cannot be opened, holds no key, or holds one of a kind we do not use.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise SigningError(f"the key file {path} cannot be read: {error.strerror}") from None
    try:
        opened = pkcs12.load_pkcs12(content, passphrase.encode())
    except ValueError:
        raise SigningError(f"{path} is no PKCS#12 file, or the pass phrase is wrong") from None
    key, held = opened.key, opened.cert
    if key is None or held is None:
        raise SigningError(f"{path} holds no key with a certificate; export both into one PKCS#12 file")
    if isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key, rsa.RSAPrivateKey):
        raise SigningError(f"{path} holds a key that is not RSA; an archival document needs RSA, at least 2048 bits")
    if key.key_size < 2048:
        raise SigningError(f"{path} holds an RSA key of {key.key_size} bits; at least 2048 are needed")
    certificate = held.certificate
    if not certificate.not_valid_before_utc <= datetime.now(UTC) <= certificate.not_valid_after_utc:
        raise SigningError(f"the certificate in {path} is not valid today; make a new identity")
    signer = signers.SimpleSigner.load_pkcs12(path, passphrase=passphrase.encode())
    if signer is None:
        raise SigningError(f"{path} cannot be used for signing")
    names = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    der = certificate.public_bytes(Encoding.DER)
    name = str(names[0].value) if names else certificate.subject.rfc4514_string()
    return Identity(name, hashlib.sha256(der).hexdigest(), certificate.public_bytes(Encoding.PEM).decode(), signer)


def signed(content: bytes, role: Role, identity: Identity, boxes: Sequence[Box], when: datetime, words: str) -> bytes:
    """A document with one more signature; the reviewer's comes first and certifies it.

    Parameters
    ----------
    content : bytes
        The PDF.
    role : Role
    identity : Identity
    boxes : sequence of Box
        Where both signatures go; needed for the first one only.
    when : datetime
        Shown in the box; the signature carries its own time.
    words : str
        Shown in the box, such as the outcome.

    Raises
    ------
    SigningError
        When the document is not in the state that this signature needs.
    """
    try:
        present = [name for name, value, _ in fields.enumerate_sig_fields(PdfFileReader(io.BytesIO(content))) if value]
    except PdfReadError as error:
        raise SigningError(f"the document cannot be read: {error}; review again") from None
    wanted = [] if role is Role.REVIEWER else [_FIELDS[Role.REVIEWER]]
    if present != wanted:
        have = " and ".join(present) or "nobody"
        need = "by nobody yet" if role is Role.REVIEWER else "by the reviewer only"
        raise SigningError(f"the document is signed by {have}; the {role.value} signs one that is signed {need}")
    with tempfile.TemporaryDirectory(prefix="reviewkit-") as folder:
        base = io.BytesIO(content)
        if role is Role.REVIEWER:
            base = _with_fields(base, boxes)
        size = _box_size(base, role)
        stamp = Path(folder) / "stamp.pdf"
        shown = {
            "name": identity.name, "words": f"{words}, as {role.value}", "when": f"{when:%Y-%m-%d %H:%M} UTC",
            "fingerprint": identity.fingerprint[:16], "width_pt": size[0], "height_pt": size[1],
        }  # fmt: skip
        stamp.write_bytes(typeset("stamp.typ", shown, {}, when).content)
        meta = signers.PdfSignatureMetadata(
            field_name=_FIELDS[role],
            md_algorithm="sha256",
            name=identity.name,
            reason=words,
            subfilter=fields.SigSeedSubFilter.PADES,
            certify=role is Role.REVIEWER,
            docmdp_permissions=fields.MDPPerm.FILL_FORMS,
        )
        style = StaticStampStyle.from_pdf_file(str(stamp), border_width=0)
        writer = IncrementalPdfFileWriter(base)
        out = signers.PdfSigner(meta, signer=identity.signer, stamp_style=style).sign_pdf(writer, output=io.BytesIO())
    return bytes(out.getbuffer())


def check_document(content: bytes, expected: Expected | None) -> tuple[Line, ...]:
    """What holds of a signed document and what does not, a line each.

    Parameters
    ----------
    content : bytes
        The PDF.
    expected : Expected, optional
        What the record says; without it, who signed cannot be told, nor whether a signature was cut off.

    Notes
    -----
    A valid signature alone proves little: a file that was painted over or cut back still has
    one.  So the last signature must cover the whole file, the first must certify it, and
    signers and hash must be those of the record.
    """
    try:
        reader = PdfFileReader(io.BytesIO(content))
        embedded = list(reader.embedded_signatures)
    except (PdfReadError, ValueError, KeyError, IndexError) as error:
        return (Line(False, f"{DOCUMENT} cannot be read: {error}"),)
    if not embedded:
        return (Line(False, f"{DOCUMENT} is not signed"), *_held_against(content, [], expected))
    lines, found = [], []
    for place, signature in enumerate(embedded):
        who = str(signature.signer_cert.subject.native.get("common_name", "unnamed"))
        fingerprint = hashlib.sha256(signature.signer_cert.dump()).hexdigest()
        found.append((signature.field_name, who, fingerprint))
        last = place == len(embedded) - 1
        lines.append(_signature_line(signature, who, first=place == 0, last=last))
    return (*lines, *_held_against(content, found, expected))


def check_folder(folder: Path) -> tuple[Line, ...]:
    """Whether every file of a review is as its manifest says, and the document carries that manifest.

    Parameters
    ----------
    folder : Path
        Of the review.
    """
    try:
        written = (folder / MANIFEST).read_bytes()
        files = json.loads(written)["files"]
        wanted = {str(name): str(entry["sha256"]) for name, entry in files.items()}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return (Line(False, f"{folder / MANIFEST} is missing or cannot be read"),)
    present = {
        path.relative_to(folder).as_posix(): path
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in (MANIFEST, DOCUMENT)
    }
    lines = [Line(False, f"{name} is missing") for name in wanted if name not in present]
    lines += [Line(False, f"{name} is not of this review") for name in present if name not in wanted]
    for name, digest in wanted.items():
        if name in present and hashlib.sha256(present[name].read_bytes()).hexdigest() != digest:
            lines.append(Line(False, f"{name} was changed"))
    if not lines:
        lines.append(Line(True, f"all {len(wanted)} files are as the manifest says"))
    document = folder / DOCUMENT
    if document.exists():
        same = attached(document.read_bytes(), MANIFEST) == written
        lines.append(Line(same, f"{DOCUMENT} {'carries' if same else 'does not carry'} this manifest"))
    return tuple(lines)


def attached(content: bytes, name: str) -> bytes | None:
    """A file that is embedded in a PDF, or None.

    Parameters
    ----------
    content : bytes
        The PDF.
    name : str
        Of the embedded file.
    """
    try:
        root = PdfFileReader(io.BytesIO(content)).root
        found = dict(_names(root["/Names"]["/EmbeddedFiles"]))
        return bytes(found[name].get_object()["/EF"]["/F"].data)
    except (PdfReadError, LookupError, ValueError):
        return None


def _signature_line(signature: Any, who: str, *, first: bool, last: bool) -> Line:
    what = f"signature of {who} in the field {signature.field_name}"
    own = asn1_x509.Certificate.load(signature.signer_cert.dump())
    at = signature.self_reported_timestamp or datetime.now(UTC)
    # Without a clock of a third party the signing time is the signer's own; the record dates it again.
    context = ValidationContext(trust_roots=[own], allow_fetching=False, moment=at)
    # Asked here, since a certificate that is its own root of trust is not asked by the library.
    stated = own.key_usage_value
    if stated is not None and not {"digital_signature", "non_repudiation"} <= stated.native:
        return Line(False, f"{what} was made with a key that is not for signing documents")
    try:
        status = validate_pdf_signature(signature, signer_validation_context=context)
    except (SignatureValidationError, PdfReadError, ValueError) as error:
        return Line(False, f"{what} cannot be checked: {error}")
    if not status.intact or not status.valid:
        return Line(False, f"{what} is broken: what it covers was changed")
    if not status.bottom_line:
        return Line(False, f"{what} does not hold: the document was changed after it, or its certificate is not fit")
    if first and not (status.docmdp_ok and signature.docmdp_level is fields.MDPPerm.FILL_FORMS):
        return Line(False, f"{what} does not certify the document")
    if last and status.coverage is not SignatureCoverageLevel.ENTIRE_FILE:
        return Line(False, f"{what} does not cover the whole file: something was added after it")
    return Line(True, f"{what} holds, signed {at:%Y-%m-%d %H:%M} UTC")


def _held_against(content: bytes, found: Sequence[tuple[str, str, str]], expected: Expected | None) -> list[Line]:
    if expected is None:
        return [Line(None, "who signed and how often is not held against a record; give its folder with --records")]
    lines = []
    wanted = [(_FIELDS[role], who, fingerprint) for role, who, fingerprint in expected.signers]
    if [row[::2] for row in found] == [row[::2] for row in wanted]:
        names = " and ".join(who for _, who, _ in wanted) or "nobody"
        lines.append(Line(True, f"the record knows these signatures and keys: {names}"))
    else:
        have = ", ".join(f"{who} as {field.lower()}" for field, who, _ in found) or "nobody"
        need = ", ".join(f"{who} as {field.lower()}" for field, who, _ in wanted) or "nobody"
        lines.append(Line(False, f"signed by {have} with keys as found; the record says {need} with keys of its own"))
    same = hashlib.sha256(content).hexdigest() == expected.pdf_sha256
    lines.append(Line(same, f"{DOCUMENT} is {'the' if same else 'not the'} file that the record keeps the hash of"))
    return lines


def _with_fields(base: io.BytesIO, boxes: Sequence[Box]) -> io.BytesIO:
    if {box.role for box in boxes} != set(_FIELDS):
        raise SigningError("the document has no boxes for both signatures; review again")
    writer = IncrementalPdfFileWriter(base)
    for box in boxes:
        x0, y0, x1, y1 = (round(value) for value in box.corners_pt)
        spec = fields.SigFieldSpec(
            _FIELDS[box.role], box.page, (x0, y0, x1, y1), readable_field_name=f"Signature of the {box.role.value}"
        )
        fields.append_signature_field(writer, spec)
    out = io.BytesIO()
    writer.write(out)
    return io.BytesIO(out.getvalue())


def _box_size(base: io.BytesIO, role: Role) -> tuple[float, float]:
    for name, _, reference in fields.enumerate_sig_fields(PdfFileReader(base)):
        if name == _FIELDS[role]:
            x0, y0, x1, y1 = (float(value) for value in reference.get_object()["/Rect"])
            return x1 - x0, y1 - y0
    raise SigningError(f"the document has no box for the {role.value}; review again")


def _names(node: Any) -> Iterator[tuple[str, Any]]:
    """Names and values of a PDF name tree."""
    held = list(node.get("/Names", []))
    yield from zip(map(str, held[::2]), held[1::2], strict=True)
    for kid in node.get("/Kids", []):
        yield from _names(kid.get_object())
