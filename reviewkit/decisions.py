"""What is decided about a revision: dispositions of findings, the outcome, and what refuses a release.

The record only keeps events; here they become the present state of a revision, and here is
the one place of the rules by which a decision is taken or refused.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any

from reviewkit.errors import RecordError
from reviewkit.model import Finding, Outcome, Review, Severity, Verdict
from reviewkit.record import Event, Kind, Record

RELEASES = (Outcome.RELEASE, Outcome.CONCESSIONS)


class Disposition(StrEnum):
    """What becomes of a finding; ``concession`` as in ISO 9000:2015, 3.12.5 (from memory)."""

    REWORK = "rework"
    CONCESSION = "concession"
    NOT_APPLICABLE = "not applicable"
    DEFER = "defer"


# What each disposition must state beside its reason.
REQUIRED = {
    Disposition.REWORK: ("owner", "due"),
    Disposition.CONCESSION: ("approver", "expiry"),
    Disposition.NOT_APPLICABLE: (),
    Disposition.DEFER: ("owner", "due"),
}
_DATES = ("due", "expiry")


class Role(StrEnum):
    """Who signs."""

    REVIEWER = "reviewer"
    APPROVER = "approver"


@dataclass(frozen=True)
class Told:
    """What the record keeps of one finding, so that it can be judged without its review."""

    verdict: Verdict
    severity: Severity
    domain: str
    message: str
    law: tuple[str, ...] = ()

    @property
    def open(self) -> bool:
        """Whether it needs a disposition."""
        return self.verdict in (Verdict.FAILS, Verdict.NOT_CHECKED)


@dataclass(frozen=True)
class Decision:
    """A disposition of a finding: who, when, why, until when; ``revision`` is the one it was taken on."""

    finding: str
    disposition: Disposition
    reason: str
    who: str
    when: str
    revision: str
    owner: str = ""
    due: str = ""
    approver: str = ""
    expiry: str = ""

    def late(self, today: date) -> bool:
        """Whether what was promised is overdue, or what was conceded has run out."""
        return any(value and date.fromisoformat(value) < today for value in (self.due, self.expiry))


@dataclass(frozen=True)
class Signature:
    """One sign-off of a document."""

    role: Role
    who: str
    when: str
    certificate: str
    pdf_sha256: str
    review_sha256: str


@dataclass(frozen=True)
class OpenPoint:
    """A decision on an earlier revision that no measurement has settled since."""

    decision: Decision
    now: str


@dataclass(frozen=True)
class Standing:
    """How a revision stands in the record.

    ``version`` is the last event that touches it, which a new decision must name;
    ``signatures`` are those that hold, ``void`` those that a later review or a changed part
    has voided, with the reason.
    """

    number: str
    revision: str
    version: int = 0
    review_sha256: str = ""
    reviewer: str = ""
    parts: Mapping[str, str] = field(default_factory=dict)
    findings: Mapping[str, Told] = field(default_factory=dict)
    decisions: Mapping[str, Decision] = field(default_factory=dict)
    open_points: tuple[OpenPoint, ...] = ()
    outcome: Outcome | None = None
    terms: Mapping[str, str] = field(default_factory=dict)
    signatures: tuple[Signature, ...] = ()
    void: tuple[tuple[Signature, str], ...] = ()
    superseded_by: str = ""

    @property
    def undecided(self) -> tuple[str, ...]:
        """Keys of failing and unchecked findings without a disposition."""
        return tuple(key for key, told in self.findings.items() if told.open and key not in self.decisions)


def received(record: Record, review: Review, who: str) -> Event | None:
    """Note the submission of a review, once a revision; the revision before it is superseded.

    Parameters
    ----------
    record : Record
    review : Review
    who : str
        Who runs the review.
    """
    number, revision = named(review)
    if any(event.kind is Kind.RECEIVED for event in record.events(number, revision)):
        return None
    others = {e.revision: e for e in record.events(number) if e.kind is Kind.RECEIVED}
    data = {name: _text(review.submission.get(name)) for name in ("name", "customer", "received", "quantity", "stage")}
    event = record.append(Kind.RECEIVED, number, revision, who, data)
    for other, received_event in others.items():
        # Revisions may be entered late; then their dates tell which is the newer.
        dates = received_event.data["received"], data["received"]
        older, newer = (revision, other) if all(dates) and dates[0] > dates[1] else (other, revision)
        if not any(e.kind is Kind.SUPERSEDED for e in record.events(number, older)):
            record.append(Kind.SUPERSEDED, number, older, who, {"by": newer})
    return event


def reviewed(record: Record, review: Review, review_sha256: str, who: str) -> Event:
    """Note a review: its hash, its parts' hashes, and what every finding says; a review noted before stays one entry.

    Parameters
    ----------
    record : Record
    review : Review
    review_sha256 : str
        Hash of its ``review.json``.
    who : str
        The reviewer.
    """
    received(record, review, who)
    number, revision = named(review)
    made = [event for event in record.events(number, revision) if event.kind is Kind.REVIEWED]
    if made and made[-1].data["review_sha256"] == review_sha256:
        return made[-1]
    data = {
        "review_sha256": review_sha256,
        "suggested": review.outcome_suggested.value,
        "kit_version": review.kit_version,
        "limits_sha256": review.limits_sha256,
        "parts": {part.id: part.sha256 for part in review.parts},
        "findings": {finding.key: _told(finding, _markets(review)) for finding in review.findings},
    }
    return record.append(Kind.REVIEWED, number, revision, who, data)


def standing(record: Record, number: str, revision: str) -> Standing:
    """How a revision stands now.

    Parameters
    ----------
    record : Record
    number, revision : str

    Raises
    ------
    RecordError
        When the record holds nothing of that revision.
    """
    everything = record.events(number)
    own = [event for event in everything if event.revision == revision]
    if not own:
        known = ", ".join(dict.fromkeys(f"{e.number} {e.revision}" for e in everything)) or "nothing of that number"
        raise RecordError(f"the record holds no {number} revision {revision}; it holds {known}")
    made = [event for event in own if event.kind is Kind.REVIEWED]
    review = made[-1] if made else None
    findings = {key: _read(told) for key, told in review.data["findings"].items()} if review else {}
    decisions = _decisions(own)
    last = {kind: event for event in own for kind in (event.kind,)}
    outcome = last.get(Kind.OUTCOME)
    if outcome and review and outcome.seq < review.seq:
        outcome = None
    holds, void = _signatures(own, review)
    return Standing(
        number=number,
        revision=revision,
        version=own[-1].seq,
        review_sha256=review.data["review_sha256"] if review else "",
        reviewer=review.who if review else "",
        parts=review.data["parts"] if review else {},
        findings=findings,
        decisions=decisions,
        open_points=_open_points(everything, own[0].seq, revision, findings, decisions),
        outcome=Outcome(outcome.data["outcome"]) if outcome else None,
        terms={k: str(v) for k, v in outcome.data.items() if k != "outcome"} if outcome else {},
        signatures=holds,
        void=void,
        superseded_by=last[Kind.SUPERSEDED].data["by"] if Kind.SUPERSEDED in last else "",
    )


def decide(
    record: Record,
    seen: Standing,
    finding: str,
    disposition: Disposition | str,
    who: str,
    reason: str,
    *,
    owner: str = "",
    due: str = "",
    approver: str = "",
    expiry: str = "",
    today: date | None = None,
) -> Event:
    """Take a disposition of a finding.

    Parameters
    ----------
    record : Record
    seen : Standing
        What the person saw.
    finding : str
        Key of a finding of the review, or of an open point.
    disposition : Disposition
    who, reason : str
    owner, due : str
        Who does it until when (ISO date); wanted for rework and defer.
    approver, expiry : str
        Who allows it, not the one who decides, and until when; wanted for a concession.
    today : date, optional
        The present day by default.

    Returns
    -------
    Event

    Raises
    ------
    RecordError
        When something is missing or not allowed; the message says what.
    StaleError
        When the finding was decided or measured again since.
    """
    chosen = _disposition(disposition)
    given = {"owner": owner.strip(), "due": due.strip(), "approver": approver.strip(), "expiry": expiry.strip()}
    known = {*seen.findings, *(point.decision.finding for point in seen.open_points)}
    if finding not in known:
        raise RecordError(
            f"{seen.number} {seen.revision} has no finding {finding!r}; give the key as the review prints it"
        )
    if not reason.strip():
        raise RecordError(f"{chosen.value} of {finding} needs a reason")
    missing = [name for name in REQUIRED[chosen] if not given[name]]
    if missing:
        raise RecordError(f"{chosen.value} of {finding} needs {' and '.join(missing)}")
    for name in _DATES:
        _refuse_date(name, given[name], today or datetime.now(UTC).date())
    told = seen.findings.get(finding)
    if chosen is Disposition.CONCESSION:
        _refuse_concession(finding, told, who, given["approver"], seen.reviewer)
    data = {"finding": finding, "disposition": chosen.value, "reason": reason.strip()}
    data |= {name: value for name, value in given.items() if value}
    return record.append(Kind.DISPOSITION, seen.number, seen.revision, who, data, seen=seen.version)


def conclude(record: Record, seen: Standing, outcome: Outcome | str, who: str, reason: str = "", **terms: str) -> Event:
    """Choose the outcome of a review.

    Parameters
    ----------
    record : Record
    seen : Standing
        What the person saw.
    outcome : Outcome
    who, reason : str
    **terms : str
        What it holds for: quantity, material, machine and stage.

    Raises
    ------
    RecordError
        When findings stand against it; the message names each reason.
    """
    try:
        chosen = Outcome(outcome)
    except ValueError:
        raise RecordError(f"{outcome!r} is no outcome; choose one of {', '.join(o.value for o in Outcome)}") from None
    against = refusals(seen, chosen)
    if against:
        raise RecordError(f"{seen.number} {seen.revision} cannot get the outcome {chosen.value}: {'; '.join(against)}")
    data = {"outcome": chosen.value, "reason": reason.strip(), **{k: v for k, v in terms.items() if v}}
    return record.append(Kind.OUTCOME, seen.number, seen.revision, who, data, seen=seen.version)


def refusals(seen: Standing, outcome: Outcome, today: date | None = None) -> tuple[str, ...]:
    """What stands against an outcome, a line each; nothing when it may be chosen and signed.

    Parameters
    ----------
    seen : Standing
    outcome : Outcome
    today : date, optional
        The present day by default, for concessions that ran out.
    """
    if not seen.review_sha256:
        return ("there is no review on record",)
    day = today or datetime.now(UTC).date()
    against = []
    if seen.superseded_by:
        against.append(f"revision {seen.superseded_by} has superseded it")
    if seen.undecided:
        against.append(
            f"{_counted(seen.undecided)} failing or not checked without a disposition: {_some(seen.undecided)}"
        )
    if outcome not in RELEASES:
        return tuple(against)
    failing = {key: told for key, told in seen.findings.items() if told.verdict is Verdict.FAILS}
    legal = [key for key, told in failing.items() if told.law and not _ruled_out(seen, key)]
    if legal:
        against.append(
            f"{_counted(legal)} failing on a limit that is law, for which there is no concession: {_some(legal)}"
        )
    unconceded = [key for key in failing if key not in legal and not _settled(seen, key, day)]
    if unconceded:
        against.append(f"{_counted(unconceded)} failing without a concession in force: {_some(unconceded)}")
    unsafe = [
        key for key, told in seen.findings.items()
        if told.verdict is Verdict.NOT_CHECKED and told.domain == "safety" and not _ruled_out(seen, key)
    ]  # fmt: skip
    if unsafe:
        against.append(f"{_counted(unsafe)} on safety not checked: {_some(unsafe)}")
    if outcome is Outcome.RELEASE and any(_is(seen, key, Disposition.CONCESSION) for key in failing):
        against.append("there are concessions, so it can only be a release with concessions")
    return tuple(against)


def named(review: Review) -> tuple[str, str]:
    """Number and revision under which a review is kept; a bare mesh goes by its hash.

    Parameters
    ----------
    review : Review
    """
    number = _text(review.submission.get("number")) or f"mesh-{review.parts[0].sha256[:12]}"
    return number, _text(review.submission.get("revision")) or "-"


def _told(finding: Finding, markets: Sequence[str]) -> dict[str, Any]:
    binding = {market for limit in finding.limits for market in limit.source.law}
    law = sorted(binding & {*markets} if markets else binding)
    told: dict[str, Any] = {
        "verdict": finding.verdict.value, "severity": int(finding.severity), "domain": finding.domain,
        "message": finding.message[:300],
    }  # fmt: skip
    return told | ({"law": law} if law else {})


def _read(told: Mapping[str, Any]) -> Told:
    return Told(
        Verdict(told["verdict"]),
        Severity(told["severity"]),
        told["domain"],
        told["message"],
        tuple(told.get("law", ())),
    )


def _decisions(own: Sequence[Event]) -> dict[str, Decision]:
    taken = {}
    for event in own:
        if event.kind is Kind.DISPOSITION:
            data = dict(event.data)
            data["disposition"] = Disposition(data["disposition"])
            taken[data["finding"]] = Decision(who=event.who, when=event.when, revision=event.revision, **data)
    return taken


def _open_points(
    everything: Sequence[Event],
    since: int,
    revision: str,
    findings: Mapping[str, Told],
    decided: Mapping[str, Decision],
) -> tuple[OpenPoint, ...]:
    """Decisions of revisions received before this one that nothing has settled or taken again."""
    points = []
    for key, decision in _decisions([e for e in everything if e.revision != revision and e.seq < since]).items():
        told = findings.get(key)
        if key in decided or (told and told.verdict is Verdict.MEETS):
            continue
        now = f"now {told.verdict.value}" if told else "not measured in this revision"
        points.append(OpenPoint(decision, now))
    return tuple(points)


def _signatures(
    own: Sequence[Event], review: Event | None
) -> tuple[tuple[Signature, ...], tuple[tuple[Signature, str], ...]]:
    holds: list[Signature] = []
    void: list[tuple[Signature, str]] = []
    parts: Mapping[str, str] = {}
    for event in own:
        if event.kind is Kind.REVIEWED:
            parts = event.data["parts"]
        if event.kind is not Kind.SIGNED:
            continue
        names = ("certificate", "pdf_sha256", "review_sha256")
        signature = Signature(Role(event.data["role"]), event.who, event.when, *(event.data[name] for name in names))
        if review is None or signature.review_sha256 == review.data["review_sha256"]:
            holds.append(signature)
        elif parts != review.data["parts"]:
            changed = ", ".join(
                sorted(k for k in {*parts, *review.data["parts"]} if parts.get(k) != review.data["parts"].get(k))
            )
            void.append((signature, f"the mesh of {changed} has changed since"))
        else:
            void.append((signature, "it was reviewed again since"))
    return tuple(holds), tuple(void)


def _refuse_date(name: str, value: str, today: date) -> None:
    if not value:
        return
    try:
        day = date.fromisoformat(value)
    except ValueError:
        raise RecordError(f"{name} {value!r} is no date; write it as 2026-12-31") from None
    if day < today:
        raise RecordError(f"{name} {value} is past; today is {today.isoformat()}")


def _refuse_concession(finding: str, told: Told | None, who: str, approver: str, reviewer: str) -> None:
    if told and told.law:
        raise RecordError(
            f"{finding} fails a limit that is law in {' and '.join(told.law)}; there is no concession from law"
        )
    if _same(approver, who) or _same(approver, reviewer):
        raise RecordError(
            f"the approver of a concession on {finding} is not the reviewer; name somebody else than {approver}"
        )


def _disposition(value: Disposition | str) -> Disposition:
    try:
        return Disposition(value)
    except ValueError:
        allowed = ", ".join(d.value for d in Disposition)
        raise RecordError(f"{value!r} is no disposition; choose one of {allowed}") from None


def _settled(seen: Standing, key: str, day: date) -> bool:
    """Whether a failing finding stands no longer against a release."""
    decision = seen.decisions.get(key)
    if decision is None:
        return False
    if decision.disposition is Disposition.CONCESSION:
        return not decision.late(day)
    return decision.disposition is Disposition.NOT_APPLICABLE


def _is(seen: Standing, key: str, disposition: Disposition) -> bool:
    return key in seen.decisions and seen.decisions[key].disposition is disposition


def _ruled_out(seen: Standing, key: str) -> bool:
    return _is(seen, key, Disposition.NOT_APPLICABLE)


def _same(one: str, other: str) -> bool:
    return bool(one.strip()) and one.strip().casefold() == other.strip().casefold()


def _markets(review: Review) -> tuple[str, ...]:
    markets = review.submission.get("markets")
    return tuple(str(m) for m in markets) if isinstance(markets, list | tuple) else ()


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _counted(keys: Sequence[str]) -> str:
    return "1 finding" if len(keys) == 1 else f"{len(keys)} findings"


def _some(keys: Sequence[str]) -> str:
    return ", ".join(keys[:4]) + (f" and {len(keys) - 4} more" if len(keys) > 4 else "")
