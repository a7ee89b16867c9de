"""From a review on disk to a signed document: noted in the record, decided, signed twice, verified."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from reviewkit.checks import NOT_COVERED, titles
from reviewkit.decisions import Decision, Role, Standing, named, refusals, reviewed, standing
from reviewkit.document.files import MANIFEST, read_bytes, read_review, sealed, sha256_of, write_bytes
from reviewkit.document.pdf import HEAD, Decided, Edition, review_pdf
from reviewkit.document.typeset import Typeset
from reviewkit.errors import DocumentError, RecordError, SigningError
from reviewkit.record import GENESIS, Event, Kind, Record, verify_lines
from reviewkit.signing import (
    DOCUMENT,
    Box,
    Expected,
    Identity,
    Line,
    attached,
    check_document,
    check_folder,
    signed,
)

# A4, as the template sets it.
_PAGE_HEIGHT_PT = 841.8898


def printed(folder: Path, edition: Edition = Edition.INTERNAL, target: Path | None = None) -> Path:
    """Set a review for print as a draft, or as decided when the record is given by :func:`sign`.

    Parameters
    ----------
    folder : Path
        Of the review, its files complete.
    edition : Edition
    target : Path, optional
        The file to write; ``review.pdf`` of the folder by default.

    Returns
    -------
    Path
    """
    made = review_pdf(folder, NOT_COVERED, titles(), edition=edition)
    return write_bytes(target or folder / DOCUMENT, made.content)


def completed(folder: Path) -> Path:
    """Close the folder of a review whose other files are in place: its manifest, then the document that carries it.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Path
        The HTML document.
    """
    sealed(read_review(folder), folder)
    printed(folder)
    return folder / "review.html"


def noted(folder: Path, record: Record, who: str) -> Standing:
    """Put a review on record when it is not there yet, and say how its revision stands.

    Parameters
    ----------
    folder : Path
        Of the review.
    record : Record
    who : str
        The reviewer.
    """
    review = read_review(folder)
    reviewed(record, review, review_hash(folder), who)
    return standing(record, *named(review))


def findings_named(folder: Path, seen: Standing, name: str) -> tuple[str, ...]:
    """Keys of the findings that a person means.

    Parameters
    ----------
    folder : Path
        Of the review.
    seen : Standing
    name : str
        A key, a number as the document prints it, or ``undecided`` for all that need a disposition.

    Raises
    ------
    RecordError
        For a number that the review does not have.
    """
    if name == "undecided":
        return seen.undecided
    if not name.isdecimal():
        return (name,)
    findings = read_review(folder).findings
    if not 1 <= int(name) <= len(findings):
        raise RecordError(f"the review has no finding {name}; its numbers go from 1 to {len(findings)}")
    return (findings[int(name) - 1].key,)


def sign(folder: Path, record: Record, role: Role, identity: Identity, when: datetime | None = None) -> Event:
    """Sign the document of a review.

    The reviewer's signature closes what was decided: the document is set again with outcome,
    dispositions and the record's head hash, then certified.  The approver adds to it.

    Parameters
    ----------
    folder : Path
        Of the review.
    record : Record
        Holds the review, a disposition of every finding that needs one, and the outcome.
    role : Role
    identity : Identity
        Its name must be the signer's as the record knows it.
    when : datetime, optional
        Now by default.

    Returns
    -------
    Event
        What the record keeps of the signature.

    Raises
    ------
    SigningError
        When files were changed, something is undecided, the wrong person signs, or the key
        is not the one the record knows.
    """
    moment = when or datetime.now(UTC)
    review = read_review(folder)
    seen = standing(record, *named(review))
    _refuse_signing(folder, seen, role, identity)
    document = folder / DOCUMENT
    if role is Role.REVIEWER:
        made = review_pdf(folder, NOT_COVERED, titles(), decided=_decided(seen, record.head))
        content, boxes = made.content, boxes_of(made)
    else:
        content, boxes = read_bytes(document), ()
        if sha256_of(content) != seen.signatures[-1].pdf_sha256:
            raise SigningError(f"{document} is not the file that the reviewer signed; run reviewkit verify {folder}")
    assert seen.outcome is not None
    done = signed(content, role, identity, boxes, moment, seen.outcome.value)
    introduced(record, identity)
    data = {
        "role": role.value, "certificate": identity.fingerprint, "pdf_sha256": sha256_of(done),
        "review_sha256": seen.review_sha256, "manifest_sha256": sha256_of(read_bytes(folder / MANIFEST)),
    }  # fmt: skip
    event = record.append(Kind.SIGNED, seen.number, seen.revision, identity.name, data, seen=seen.version, when=moment)
    write_bytes(document, done)
    return event


def verify(path: Path, record: Record | None = None) -> tuple[Line, ...]:
    """Check a review's folder or its document alone, a line for each thing that holds or does not.

    Parameters
    ----------
    path : Path
        A folder of a review, a PDF, or an exported record (``.jsonl``).
    record : Record, optional
        What signers and hashes are held against.
    """
    if path.suffix == ".jsonl":
        problems = verify_lines(read_bytes(path).decode("utf-8", "replace"))
        return tuple(Line(False, text) for text in problems) or (Line(True, "the exported chain is whole"),)
    folder = path if path.is_dir() else None
    document = path / DOCUMENT if folder else path
    if not document.exists():
        raise DocumentError(f"{document} does not exist; review first, or name the PDF itself")
    content = read_bytes(document)
    lines = list(check_folder(folder)) if folder else []
    seen, chain = _held(content, record)
    lines += check_document(content, _expected(seen, content))
    return (*lines, *chain, *_state(seen, folder))


def _refuse_signing(folder: Path, seen: Standing, role: Role, identity: Identity) -> None:
    what = f"{seen.number} {seen.revision}"
    changed = [line.text for line in check_folder(folder) if line.holds is False]
    if changed:
        raise SigningError(f"{folder} is not as it was reviewed: {'; '.join(changed[:4])}; review again")
    if review_hash(folder) != seen.review_sha256:
        raise SigningError(f"the record's last review of {what} is another one; run reviewkit record add {folder}")
    if seen.outcome is None:
        raise SigningError(f"{what} has no outcome on record; choose one with reviewkit record add {folder} --outcome")
    against = refusals(seen, seen.outcome)
    if against:
        raise SigningError(f"{what} cannot be signed as {seen.outcome.value}: {'; '.join(against)}")
    for signature in seen.signatures:
        if signature.role is role:
            raise SigningError(f"{what} is signed by {signature.who} as {role.value} already")
    if role is Role.REVIEWER:
        return
    reviewer = next((s for s in seen.signatures if s.role is Role.REVIEWER), None)
    if reviewer is None:
        raise SigningError(f"{what} is not signed by its reviewer yet; the approver signs second")
    if identity.fingerprint == reviewer.certificate or identity.name.casefold() == reviewer.who.casefold():
        raise SigningError(f"{identity.name} signed {what} as reviewer; the approver is somebody else")


def introduced(record: Record, identity: Identity) -> None:
    """Keep a signer's certificate at the first signature; later ones must be made with the same key.

    Parameters
    ----------
    record : Record
    identity : Identity

    Raises
    ------
    SigningError
        When the record knows another key of that name.
    """
    known = [event for event in record.events() if event.kind is Kind.IDENTITY and event.who == identity.name]
    if not known:
        data = {"fingerprint": identity.fingerprint, "certificate": identity.certificate_pem}
        record.append(Kind.IDENTITY, "", "", identity.name, data)
    elif known[-1].data["fingerprint"] != identity.fingerprint:
        raise SigningError(
            f"the record knows another key of {identity.name}, first used {known[-1].when[:10]}; sign with that key, "
            f"or under a name that tells the new one apart"
        )


def _decided(seen: Standing, head: str) -> Decided:
    assert seen.outcome is not None
    terms = [(name.capitalize(), value) for name, value in seen.terms.items() if name != "reason" and value]
    return Decided(
        outcome=seen.outcome.value,
        reason=seen.terms.get("reason", ""),
        terms=tuple(terms),
        dispositions=tuple(
            (key, decision.disposition.value, _stated(decision), decision.who, decision.when[:10])
            for key, decision in seen.decisions.items()
        ),
        open_points=tuple(
            (point.decision.finding, f"revision {point.decision.revision}: {_stated(point.decision)}", point.now)
            for point in seen.open_points
        ),
        decided_by=seen.reviewer,
        head=head,
    )


def _stated(decision: Decision) -> str:
    terms = [
        ("owner", decision.owner),
        ("due", decision.due),
        ("allowed by", decision.approver),
        ("until", decision.expiry),
    ]
    return "; ".join([decision.reason, *(f"{name} {value}" for name, value in terms if value)])


def boxes_of(made: Typeset) -> tuple[Box, ...]:
    """The signature boxes that the template marked; it counts from the top left, the file from the lower left.

    Parameters
    ----------
    made : Typeset
        A document with boxes to sign in.
    """
    boxes = []
    for mark in made.marks:
        x, top = float(mark["x_pt"]), _PAGE_HEIGHT_PT - float(mark["y_pt"])
        corners = (x, top - float(mark["height_pt"]), x + float(mark["width_pt"]), top)
        boxes.append(Box(Role(mark["role"]), int(mark["page"]) - 1, corners))
    return tuple(boxes)


def _held(content: bytes, record: Record | None) -> tuple[Standing | None, list[Line]]:
    """How the record stands to a document, and whether the record itself is whole."""
    if record is None:
        return None, []
    head = attached(content, HEAD)
    anchors = [json.loads(head)["head"]] if head else []
    chain = [Line(False, f"the record: {problem}") for problem in record.verify(anchors)]
    sound = "the record's chain is whole" + (" and holds the head that the document names" if head else "")
    lines = chain or [Line(True, sound)]
    manifest = attached(content, MANIFEST)
    try:
        submission = json.loads(manifest or b"")["submission"]
        number, revision = str(submission["number"] or ""), str(submission["revision"] or "-")
        mesh = next(iter(json.loads(manifest or b"")["inputs"].values()))["sha256"]
        seen = standing(record, number or f"mesh-{mesh[:12]}", revision)
    except (ValueError, LookupError, TypeError, StopIteration):
        return None, [*lines, Line(False, f"{DOCUMENT} carries no manifest of a review")]
    except RecordError as error:
        return None, [*lines, Line(False, str(error))]
    return seen, lines


def _expected(seen: Standing | None, content: bytes) -> Expected | None:
    if seen is None:
        return None
    rows = [*seen.signatures, *(signature for signature, _ in seen.void)]
    # A voided document is still held against what was signed: the review that its hash belongs to.
    digest = sha256_of(content)
    of_this = [s for s in rows if s.pdf_sha256 == digest]
    review = of_this[-1].review_sha256 if of_this else seen.review_sha256
    mine = [s for s in rows if s.review_sha256 == review]
    return Expected(tuple((s.role, s.who, s.certificate) for s in mine), mine[-1].pdf_sha256 if mine else GENESIS)


def _state(seen: Standing | None, folder: Path | None) -> Sequence[Line]:
    if seen is None:
        return ()
    lines = [Line(False, f"void: signed by {s.who} as {s.role.value}, but {why}") for s, why in seen.void]
    if seen.superseded_by:
        lines.append(Line(None, f"revision {seen.superseded_by} has superseded this one"))
    if folder is not None:
        same = review_hash(folder) == seen.review_sha256
        told = "is the one on record" if same else "is not the last one on record"
        lines.append(Line(same, f"review.json {told}"))
    return lines


def review_hash(folder: Path) -> str:
    """Hash of a review, by which the record knows it."""
    return sha256_of(read_bytes(folder / "review.json"))
