"""The review in print: the internal edition that is signed, and the report that the customer gets.

Both are made from the files of a review alone.  The customer's has plain words, what to
change first, and nothing that is ours: no rates, no remarks, no reasons of dispositions.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import Any

from reviewkit.document.files import MANIFEST, read_drawings, read_review
from reviewkit.document.outline import (
    CAUTIONS,
    NOT_ESTABLISHED,
    ORIGIN_WORDS,
    OUTCOME_MEANING,
    STATUS_WORDS,
    also_measured,
    domains_of,
    figures_of,
    gain_of,
    joined,
    judged,
    limits_used,
    needs_of,
    places_text,
    pose_text,
    quantity_text,
    scope,
    sentence,
    short_source,
    shown_limits,
    source_text,
    still_needed,
    stops_of,
    subject_text,
    titles_of,
    unchecked,
    unstated,
    volume_text,
)
from reviewkit.document.sections import (
    Block,
    Bullets,
    Cell,
    Figures,
    Line,
    Run,
    Section,
    Signatures,
    Table,
    Text,
    as_data,
    cell,
    is_wide,
    labelled,
    pairs,
    verdict,
    words,
)
from reviewkit.document.text import counted, display_text, limit_text, measured_text, size_text, tally, worst_first
from reviewkit.document.typeset import Typeset, typeset
from reviewkit.errors import DocumentError
from reviewkit.model import Drawing, Finding, Limit, Origin, Review, Verdict

HEAD = "record-head.json"
_NUMBERS_FOR_CUSTOMERS = 3
SIGNERS = (("reviewer", "Reviewer"), ("approver", "Approver, who is not the reviewer"))


class Edition(StrEnum):
    """Whom a printed review is for."""

    INTERNAL = "internal"
    CUSTOMER = "customer"


@dataclass(frozen=True)
class Decided:
    """What the record says when a document is signed, in words.

    ``dispositions`` are (finding, disposition, what was stated, who, when); ``head`` is the
    hash of the record's last event before signing.
    """

    outcome: str
    reason: str
    terms: tuple[tuple[str, str], ...]
    dispositions: tuple[tuple[str, str, str, str, str], ...]
    open_points: tuple[tuple[str, str, str], ...]
    decided_by: str
    head: str


@dataclass(frozen=True)
class _Sheet:
    """Everything that the sections of a review are written from."""

    folder: Path
    review: Review
    drawings: tuple[Drawing, ...]
    numbers: Mapping[str, int]
    titles: Mapping[str, str]
    not_covered: Sequence[tuple[str, str]]
    decided: Decided | None

    @property
    def units(self) -> str:
        return str(self.review.submission.get("display_units") or "mm")

    @property
    def name(self) -> str:
        names = joined(part.name or part.file for part in self.review.parts)
        return str(self.review.submission.get("name") or names or "unnamed part")

    @property
    def number(self) -> str:
        return str(self.review.submission.get("number") or joined(part.number for part in self.review.parts))

    @property
    def revision(self) -> str:
        return str(self.review.submission.get("revision") or joined(part.revision for part in self.review.parts))

    def part_words(self, finding: Finding) -> str:
        """The finding's subject, with its part where there are several."""
        subject = subject_text(finding.subject)
        names = {part.id: part.name or part.file for part in self.review.parts}
        return f"{names.get(finding.part, finding.part)}: {subject}" if len(names) > 1 else subject

    def check_words(self, code: str) -> str:
        """A code with what it judges."""
        return f"{code} {self.titles.get(code, '')}".strip()


def review_pdf(
    folder: Path,
    not_covered: Sequence[tuple[str, str]] = (),
    titles: Mapping[str, str] | None = None,
    *,
    edition: Edition = Edition.INTERNAL,
    decided: Decided | None = None,
    more: Sequence[Section] = (),
) -> Typeset:
    """Set a review for print.

    Parameters
    ----------
    folder : Path
        Of the review, its files complete.
    not_covered : sequence of (str, str)
        Code or domain that no check covers, and why.
    titles : mapping of str to str, optional
        What each check judges, by code or group of codes.
    edition : Edition
    decided : Decided, optional
        What the record says; without it the document is a draft.
    more : sequence of Section
        Sections of other subjects, such as proposals; they stand before the findings.

    Returns
    -------
    Typeset
        Its marks are the boxes for the signatures of the internal edition.

    Raises
    ------
    DocumentError
        When a file of the review is missing or damaged.
    """
    review = read_review(folder)
    manifest = _manifest(folder)
    sheet = _Sheet(
        folder=folder,
        review=review,
        drawings=read_drawings(folder),
        numbers={finding.key: number for number, finding in enumerate(review.findings, 1)},
        titles=titles_of(review.findings, titles or {}),
        not_covered=not_covered,
        decided=decided,
    )
    made = datetime.fromisoformat(manifest["made"])
    internal = edition is Edition.INTERNAL
    sections = _internal(sheet, manifest, made, more) if internal else _customer(sheet, more)
    told, files = as_data(sections)
    kind = "Design-for-print review" if internal else "Manufacturability report"
    status = "draft, not signed" if decided is None else "for signature" if internal else f"outcome: {decided.outcome}"
    identity = f"Number {sheet.number or 'not stated'}, revision {sheet.revision or 'not stated'}"
    data: dict[str, Any] = {
        "title": display_text(f"{kind}: {sheet.name}, {identity}", 200),
        "title_shown": display_text(sheet.name, 80),
        "author": f"reviewkit {review.kit_version}",
        "kind": kind,
        "status": status,
        "identity": display_text(f"{identity}, {made:%Y-%m-%d}", 160),
        "running_left": display_text(f"{kind}: {sheet.name}, {identity}", 110),
        "running_right": status,
        "foot": display_text(f"reviewkit {review.kit_version}, limits {review.limits_sha256[:12]}", 90),
        "sections": told,
        "attachments": [],
    }
    if internal:
        files[MANIFEST] = (folder / MANIFEST).read_bytes()
        data["attachments"] = [{"file": MANIFEST, "type": "application/json", "words": "hashes of the files reviewed"}]
        if decided:
            files[HEAD] = json.dumps({"head": decided.head}).encode()
            head = {"file": HEAD, "type": "application/json", "words": "the record before these signatures"}
            data["attachments"].append(head)
    return typeset("document.typ", data, files, made)


def sections_pdf(
    kind: str, title: str, identity: str, sections: Sequence[Section], made: datetime | None = None, status: str = ""
) -> Typeset:
    """Set a document of sections for print.

    Parameters
    ----------
    kind, title, identity, status : str
        What it is, of what, the line under its title, and its state.
    sections : sequence of Section
    made : datetime, optional
        Now by default.
    """
    told, files = as_data(sections)
    moment = made or datetime.now(UTC)
    data = {
        "title": display_text(f"{kind}: {title}, {identity}", 200),
        "title_shown": display_text(title, 80),
        "author": f"reviewkit {version('reviewkit')}",
        "kind": kind,
        "status": status,
        "identity": display_text(f"{identity}, {moment:%Y-%m-%d}", 160),
        "running_left": display_text(f"{kind}: {title}, {identity}", 110),
        "running_right": status,
        "foot": f"reviewkit {version('reviewkit')}",
        "sections": told,
        "attachments": [],
    }
    return typeset("document.typ", data, files, moment)


def _internal(sheet: _Sheet, manifest: Mapping[str, Any], made: datetime, more: Sequence[Section]) -> list[Section]:
    return [
        _outcome(sheet),
        *_stops(sheet),
        _needs(sheet),
        _title_block(sheet, manifest, made),
        _pictures(sheet),
        _parts(sheet),
        *more,
        *_findings(sheet),
        _actions(sheet),
        *_decisions(sheet),
        _not_checked(sheet),
        _facts(sheet),
        _limits(sheet),
        _cautions(),
        _signatures(sheet),
    ]


def _customer(sheet: _Sheet, more: Sequence[Section]) -> list[Section]:
    return [
        _outcome(sheet),
        *more,
        _changes(sheet),
        _needs(sheet),
        _pictures(sheet),
        _in_order(sheet),
        _not_checked(sheet),
        _sources(sheet),
        _cautions(),
    ]


def _outcome(sheet: _Sheet) -> Section:
    review, decided = sheet.review, sheet.decided
    counts = words(f"{counted(len(review.findings), 'finding')}: {tally(review.findings)}.")
    terms = [(name, str(value or "")) for name, value in scope(review)]
    if decided is None:
        lines = [
            words(f"Suggested outcome: {review.outcome_suggested.value}", "bold"),
            words(f"{OUTCOME_MEANING[review.outcome_suggested]} {sentence(review.outcome_reason, 400)}"),
            counts,
            words("Worked out by computation and only a suggestion until a reviewer has decided and signed.", "aside"),
        ]
    else:
        terms = list(decided.terms) or terms
        lines = [words(f"Outcome: {decided.outcome}", "bold"), words(decided.reason, limit=400), counts]
    return Section("Outcome", (Text(cell(*lines), "outcome"), pairs("What it holds for", terms)))


def _stops(sheet: _Sheet) -> list[Section]:
    stops = stops_of(sheet.review, sheet.drawings)
    if not stops:
        needed = tuple(cell(need) for need in still_needed(sheet.review, sheet.not_covered))
        return [Section("Nothing that was measured stands against it", (Bullets(needed),))]
    rows = tuple(
        (
            cell(words(f"{sheet.numbers[stop.finding.key]}", "bold")),
            cell(
                words(f"{sheet.check_words(stop.finding.code)}: {sheet.part_words(stop.finding)}"
                      + (f" and {stop.alike} more like it" if stop.alike else ""), "bold"),
                words(stop.finding.message, limit=400),
            ),
            cell(words(stop.finding.change or "no change is proposed yet", limit=400)),
        )
        for stop in stops
    )  # fmt: skip
    heads = ("No.", "What fails", "What would settle it")
    shots = [drawing for drawing in sheet.drawings if not drawing.finding and not is_wide(drawing)]
    shown = {d.name: d for d in (*shots[:1], *(s.figure for s in stops if s.figure and not is_wide(s.figure)))}
    figures = Figures(tuple(shown.values())[:2])
    return [Section("What stops it", (Table("The worst of each kind first", heads, (0.35, 3.0, 2.2), rows), figures))]


def _needs(sheet: _Sheet) -> Section:
    needs = needs_of(sheet.review, sheet.titles)
    block: Block = (
        Bullets(tuple(cell(need) for need in needs)) if needs else Text(cell("Nothing: units and facts are confirmed."))
    )
    return Section("Needed from the customer", (block,))


def _title_block(sheet: _Sheet, manifest: Mapping[str, Any], made: datetime) -> Section:
    review, decided = sheet.review, sheet.decided
    rows: list[tuple[str, object]] = [
        ("Identification number", sheet.number),
        ("Revision", sheet.revision),
        ("Date of issue", f"{made:%Y-%m-%d}"),
        ("Title", sheet.name),
        ("Customer", review.submission.get("customer")),
        ("Creator", decided.decided_by if decided else f"computed by reviewkit {review.kit_version}"),
        ("Document type", "Design-for-print review"),
        ("Document status", "for signature" if decided else "draft, not signed"),
    ]
    rows += [
        (f"File of {part.name or part.id}", cell(words(part.file), words(f"SHA-256 {part.sha256}", "code")))
        for part in review.parts
    ]
    rows += [
        ("Limits in force", cell(words(f"SHA-256 {review.limits_sha256}", "code"))),
        (
            "Files of this review",
            f"{counted(len(manifest['files']), 'file')}, hashes in the manifest embedded in this document",
        ),
    ]
    if decided:
        rows.append(
            ("Head of the record", cell(words(decided.head, "code"), words("before these signatures", "aside")))
        )
    return Section("Title block", (pairs("Fields in the manner of ISO 7200:2004", rows),), new_page=True)


def _pictures(sheet: _Sheet) -> Section:
    shots = tuple(drawing for drawing in sheet.drawings if not drawing.finding)
    lead = Text(cell(words("Numbers in a picture are the numbers of the findings.")), "lead")
    return Section("Pictures", (lead, Figures(shots)) if shots else (Text(cell("There is no picture.")),))


def _parts(sheet: _Sheet) -> Section:
    tables = []
    for part in sheet.review.parts:
        setup = part.setup
        layers = f"layers {setup.layer_height_mm:g} mm, first {setup.first_layer_mm:g} mm"
        rows = [
            ("Size", size_text(part.size_mm, sheet.units)),
            ("Volume", volume_text(part.volume_mm3, sheet.units)),
            ("Units", _noted(f"{part.units}, {ORIGIN_WORDS[part.units_origin]}", part.units_note)),
            ("Mesh", f"{counted(part.triangles, 'facet')}, {counted(part.bodies, 'body', 'bodies')}"),
            ("Wanted in a set", str(part.count)),
            ("Machine", setup.machine.name),
            ("Material", setup.material.name),
            ("Layers and lines", f"{layers}, lines {setup.line_width_mm:g} mm"),
            ("Pose", _noted(f"{pose_text(setup)}, {ORIGIN_WORDS[setup.pose_origin]}", setup.pose_note)),
        ]
        tables.append(pairs(part.name or part.file, rows))
    return Section("Parts and setup", tuple(tables))


def _noted(text: str, note: str) -> str:
    return f"{text}; {note}" if note else text


def _findings(sheet: _Sheet) -> list[Section]:
    found = sheet.review.findings
    lead = Text(cell(f"{counted(len(found), 'finding')}: {tally(found)}."))
    sections = [Section("Findings", (lead,), new_page=True)]
    for _, groups in domains_of(sheet.review, sheet.drawings):
        for group in groups:
            blocks: list[Block] = []
            if group.open:
                rows = tuple(_open_row(sheet, finding, alike) for finding, alike in group.open)
                caption = f"{counted(len(group.findings), 'finding')}: {tally(group.findings)}"
                blocks.append(
                    Table(
                        caption,
                        ("No.", "Finding", "Verdict", "Measured, and its limit"),
                        (0.36, 4.3, 0.95, 2.5),
                        rows,
                    )
                )
            if group.met:
                rows = tuple(_met_row(sheet, finding) for finding in group.met)
                caption = f"{counted(len(group.met), 'finding')} within every limit"
                blocks.append(Table(caption, ("No.", "Finding", "Measured, and its limit"), (0.36, 4.7, 3.05), rows))
            if group.figures:
                labels = tuple(f"Finding {sheet.numbers[drawing.finding]}:" for drawing in group.figures)
                shown = tuple(
                    "" if d.title.startswith("Finding ") else label
                    for d, label in zip(group.figures, labels, strict=True)
                )
                blocks.append(Figures(tuple(group.figures), shown))
            sections.append(Section(sheet.check_words(group.code), tuple(blocks), level=2))
    return sections


def _open_row(sheet: _Sheet, finding: Finding, alike: Sequence[Finding]) -> tuple[Cell, ...]:
    others = "; ".join(
        f"No. {sheet.numbers[other.key]} {subject_text(other.subject)}"
        + "".join(f", {measured_text(m, sheet.units)}" for m in judged(other)[:1])
        for other in alike
    )
    also = also_measured(finding, sheet.units)
    return (
        cell(words(sheet.numbers[finding.key], "bold")),
        cell(
            words(sheet.part_words(finding), "bold"),
            words(finding.message),
            labelled("Change:", finding.change),
            labelled("Expected gain:", gain_of(finding, sheet.review), 300),
            labelled("Rests on a guess:", finding.guess, 300),
            words(f"Also measured: {also}" if also else "", "aside"),
            words(f"Place: {places_text(finding.where)}" if finding.where else "", "aside"),
            labelled(f"{len(alike)} more like it:", others),
        ),
        cell(verdict(finding.verdict), words(f"concerns {finding.severity.name.lower()}", "aside")),
        (*_measured(finding, sheet.units), *_bounds(finding, sheet.units)),
    )


def _met_row(sheet: _Sheet, finding: Finding) -> tuple[Cell, ...]:
    return (
        cell(words(sheet.numbers[finding.key], "bold")),
        cell(
            words(sheet.part_words(finding), "bold"),
            words(finding.message),
            labelled("Rests on a guess:", finding.guess, 300),
        ),
        (*_measured(finding, sheet.units, methods=False), *_bounds(finding, sheet.units)),
    )


def _measured(finding: Finding, units: str, *, methods: bool = True) -> Cell:
    lines: list[Line] = []
    for measurement in judged(finding):
        lines.append(
            (
                Run(f"{display_text(quantity_text(measurement.quantity))} ", "aside"),
                Run(measured_text(measurement, units), "bold"),
            )
        )
        if measurement.method and methods:
            lines.append(words(measurement.method, "aside", 120))
    return tuple(lines) or cell(words("no number", "aside"))


def _bounds(finding: Finding, units: str) -> Cell:
    """The first bounded quantities with their bounds in a line and a short source; the chapter on limits has all."""
    lines: list[Line] = []
    shown = shown_limits(finding)
    for quantity in dict.fromkeys(limit.quantity for limit in shown):
        bounds = [limit for limit in shown if limit.quantity == quantity]
        told = [limit_text(limit, units) for limit in bounds]
        meant = f"{told[0]} to meet; {told[1]}, or it fails" if len(told) == 2 else "; ".join(told)
        stands = "; ".join(dict.fromkeys(short_source(limit) for limit in bounds))
        lines.append(
            (Run(f"limit: {display_text(quantity_text(quantity))} ", "aside"), Run(meant), Run(f" ({stands})", "aside"))
        )
    left = len(finding.limits) - len(shown)
    if left > 0:
        lines.append(words(f"and {counted(left, 'more limit')}, under Limits and their sources", "aside"))
    return tuple(lines) or cell(words("no limit applies", "aside"))


def _stands(limit: Limit) -> str:
    """Where a limit comes from, how it came to us, and whether it is law."""
    law = f"law in {' and '.join(limit.source.law)}" if limit.source.law else ""
    return ", ".join(part for part in (source_text(limit), law, STATUS_WORDS[limit.source.status]) if part)


def _changes(sheet: _Sheet) -> Section:
    """For the customer: what to change, in the order of the action list, each with a picture where there is one."""
    by_key = {finding.key: finding for finding in sheet.review.findings}
    wanted = [action for action in sorted(sheet.review.actions, key=lambda a: a.priority)
              if action.finding in by_key and by_key[action.finding].verdict is not Verdict.NOT_CHECKED]  # fmt: skip
    if not wanted:
        return Section("What to change", (Text(cell("Nothing that was measured calls for a change.")),))
    rows = []
    for action in wanted:
        finding = by_key[action.finding]
        rows.append((
            cell(words(action.priority, "bold")),
            cell(words(action.action, "bold"), words(finding.message)),
            cell(verdict(finding.verdict)),
            _measured(finding, sheet.units, methods=False)[:_NUMBERS_FOR_CUSTOMERS],
            cell(
                    *(
                        (
                            Run(f"{display_text(quantity_text(limit.quantity))} ", "aside"),
                            Run(limit_text(limit, sheet.units)),
                        )
                        for limit in shown_limits(finding)[:_NUMBERS_FOR_CUSTOMERS]
                    )
                ),
        ))  # fmt: skip
    failing = [by_key[action.finding] for action in wanted if by_key[action.finding].verdict is Verdict.FAILS]
    figures = tuple({drawing.name: drawing for drawing in figures_of(worst_first(failing), sheet.drawings)}.values())
    labels = tuple(f"{subject_text(by_key[drawing.finding].subject)}:" for drawing in figures)
    heads = ("", "Change, and why", "Now", "Measured", "Wanted")
    blocks: list[Block] = [Table("The most pressing first", heads, (0.3, 3.7, 0.9, 1.5, 1.5), tuple(rows))]
    return Section("What to change", (*blocks, *([Figures(figures, labels)] if figures else [])))


def _in_order(sheet: _Sheet) -> Section:
    """For the customer: what was measured and is in order, a line a check."""
    rows = []
    for _, groups in domains_of(sheet.review, sheet.drawings):
        for group in groups:
            if group.findings and not group.open:
                names = {part.id: part.name or part.file for part in sheet.review.parts}
                told = [f"{names[f.part]}: {f.message}" if len(names) > 1 else f.message for f in group.met[:3]]
                rows.append((cell(words(sheet.titles.get(group.code) or group.code, "bold")), cell(*told)))
    if not rows:
        return Section("What is in order", (Text(cell("No check is without a remark.")),))
    return Section("What is in order", (Table("Checks without a remark", ("Check", "Found"), (1.0, 4.0), tuple(rows)),))


def _actions(sheet: _Sheet) -> Section:
    rows = tuple(
        (
            cell(words(action.priority, "bold")),
            cell(words(f"No. {sheet.numbers.get(action.finding, '')} {action.finding.split(':')[0]}")),
            cell(words(action.action)),
            cell(words(action.owner or "to be named")),
            cell(words(action.due or "to be set")),
            cell(words(action.expected_gain or "not priced yet", limit=300)),
        )
        for action in sorted(sheet.review.actions, key=lambda action: action.priority)
    )  # fmt: skip
    if not rows:
        return Section("Action list", (Text(cell("No action follows from this review.")),))
    heads = ("Rank", "Finding", "Action", "Owner", "Due", "Expected gain")
    return Section(
        "Action list", (Table("Actions, the most pressing first", heads, (0.5, 0.95, 3.4, 0.9, 0.8, 1.5), rows),)
    )


def _decisions(sheet: _Sheet) -> list[Section]:
    if sheet.decided is None:
        return []
    by_key = {finding.key: finding for finding in sheet.review.findings}
    rows = tuple(
        (
            cell(words(f"No. {sheet.numbers[key]}" if key in sheet.numbers else key, "bold"),
                 words(f"{by_key[key].code} {sheet.part_words(by_key[key])}" if key in by_key else "")),
            cell(words(disposition, "bold")),
            cell(words(stated)),
            cell(words(who), words(when, "aside")),
        )
        for key, disposition, stated, who, when in sheet.decided.dispositions
    )  # fmt: skip
    heads = ("Finding", "Disposition", "Reason and terms", "Decided by")
    blocks: list[Block] = (
        [Table("Each failing or unchecked finding has one", heads, (1.6, 1.0, 3.0, 1.2), rows)]
        if rows
        else [Text(cell("No finding needed one."))]
    )
    if sheet.decided.open_points:
        left = tuple(tuple(cell(words(value)) for value in point) for point in sheet.decided.open_points)
        blocks.append(
            Table(
                "Decided on an earlier revision and not settled since",
                ("Finding", "Decision", "Now"),
                (1.6, 3.0, 1.2),
                left,
            )
        )
    return [Section("Dispositions", tuple(blocks))]


def _not_checked(sheet: _Sheet) -> Section:
    rows = [
        (
            cell(words(f"{sheet.check_words(f.code)}: {sheet.part_words(f)}", "bold")),
            cell(f.message),
            cell(f.change or "a decision of the reviewer"),
        )
        for f in unchecked(sheet.review)
    ]
    rows += [
        (cell(words(matter, "bold")), cell(why), cell("a person's judgement")) for matter, why in sheet.not_covered
    ]
    lead = Text(cell("Silence about these matters is no approval of them."), "lead")
    if not rows:
        return Section("What was not checked", (lead, Text(cell("Every check gave a verdict."))))
    return Section(
        "What was not checked",
        (
            lead,
            Table(
                "Matters without a verdict", ("Matter", "Why not", "What would settle it"), (1.4, 2.2, 2.2), tuple(rows)
            ),
        ),
    )


def _facts(sheet: _Sheet) -> Section:
    facts = sorted(sheet.review.facts, key=lambda fact: fact.origin is Origin.CONFIRMED)
    rows = tuple(
        (
            cell(words(fact.name)),
            cell(words(fact.value or "not stated", limit=400)),
            cell(
                words("stated by nobody" if unstated(fact) else ORIGIN_WORDS[fact.origin]),
                words(fact.note, "aside", 200),
            ),
        )
        for fact in facts
    )
    if not rows:
        return Section("Facts and who stands for them", (Text(cell("No fact was submitted.")),))
    return Section(
        "Facts and who stands for them",
        (Table("What is known of the submission", ("Fact", "Value", "Who stands for it"), (1.2, 3.0, 1.4), rows),),
    )


def _limits(sheet: _Sheet) -> Section:
    """Limits by where they come from, so that a source is named once."""
    groups: dict[tuple[str, str], list[Limit]] = {}
    for limit in limits_used(sheet.review.findings):
        groups.setdefault((_stands(limit), limit.source.address), []).append(limit)
    rows = tuple(
        (
            cell(words(stands, "bold", 300), words(address, "code", 200)),
            tuple(_limit_line(limit, sheet.units) for limit in limits),
        )
        for (stands, address), limits in sorted(groups.items(), key=lambda group: (len(group[1]), group[0]))
    )
    lead = cell(
        "Seen: read in the source named. From memory: known, but not read again for this kit. Common practice: usage "
        "of the trade. Check a limit in its source before a decision rests on it alone."
    )
    heads = ("Source and status", "Limits")
    table = Table("Every limit that a finding was held against", heads, (1.3, 3.2), rows, split_rows=True)
    return Section("Limits and their sources", (Text(lead, "lead"), *([table] if rows else [])))


def _limit_line(limit: Limit, units: str) -> Line:
    told = f"{quantity_text(limit.quantity)}: {limit_text(limit, units)}"
    more = "; ".join(part for part in (limit.condition, limit.note) if part)
    return (Run(display_text(told)), Run(f" {display_text(more, 300)}" if more else "", "aside"))


def _sources(sheet: _Sheet) -> Section:
    """For the customer: where the limits come from, once each."""
    published = sorted(
        {
            f"{source_text(limit)} ({STATUS_WORDS[limit.source.status]})"
            for limit in limits_used(sheet.review.findings)
            if limit.source.title
        }
    )
    told = [cell(text) for text in published] + [
        cell("All other limits are common practice of printing; they are working values.")
    ]
    return Section("Where the limits come from", (Bullets(tuple(told)),))


def _cautions() -> Section:
    matters = (*CAUTIONS, *(f"Not established: {matter[0].lower()}{matter[1:]}" for matter in NOT_ESTABLISHED))
    return Section("Cautions", (Bullets(tuple(cell(words(matter)) for matter in matters)),))


def _signatures(sheet: _Sheet) -> Section:
    lead = (
        "The reviewer signs for having run and read the checks, not for the safety of the product. Whoever sells it "
        "keeps the duty of a safe product, its file and its warnings."
    )
    state = () if sheet.decided else (words("This is a draft: nothing has been decided on record.", "bold"),)
    return Section("Signatures", (Text(cell(lead, *state)), Signatures(SIGNERS)))


def _manifest(folder: Path) -> Mapping[str, Any]:
    try:
        manifest: Mapping[str, Any] = json.loads((folder / MANIFEST).read_bytes())
        datetime.fromisoformat(manifest["made"]).astimezone(UTC)
        len(manifest["files"])
    except (OSError, ValueError, LookupError, TypeError) as error:
        raise DocumentError(f"{folder} holds no readable manifest: {error}; make the review again") from None
    return manifest
