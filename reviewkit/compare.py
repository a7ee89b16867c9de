"""A revision against the one before it: how the surface moved, what became of each finding, what was promised."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from reviewkit.checks import titles
from reviewkit.checks.production.cost import CODE as COST
from reviewkit.checks.production.cost import cost_change
from reviewkit.decisions import Standing, named, standing
from reviewkit.document.files import make_folder, read_review, write_bytes
from reviewkit.document.outline import judged, quantity_text, subject_text, titles_of
from reviewkit.document.page import sections_html
from reviewkit.document.pdf import sections_pdf
from reviewkit.document.sections import (
    Block,
    Bullets,
    Cell,
    Figures,
    Section,
    Table,
    Text,
    cell,
    verdict,
    words,
)
from reviewkit.document.text import counted, limit_text, measured_text, size_text, tally
from reviewkit.errors import ReviewError
from reviewkit.figures.revision import surface_picture, surface_spread
from reviewkit.judging import WHOLE
from reviewkit.measure.rays import RayTree
from reviewkit.measure.revision import Moved, moved_surface
from reviewkit.model import Drawing, Finding, Measurement, PartFacts, Review, Sense, Verdict
from reviewkit.picture import informative_views, shaded
from reviewkit.printed import time_words
from reviewkit.record import find_record
from reviewkit.review import Progress, review

# Features named by their place keep it when the rest of the part moves a little.
_SAME_PLACE_MM = 8.0
# A surface that moved less is as good as unmoved: below what printing holds.
_UNMOVED_MM = 0.05
# Of the places that moved, so many are left out when the best views are sought.
_THINNED = 50
_SIZE = (900, 640)
# Measurements of what it takes to make a part, by code, and how a table calls them.
_MADE = (
    ("PD-01", "time of one part alone on a plate", "Print time, alone on a plate"),
    ("PD-01", "time of a part on a full plate", "Print time, on a full plate"),
    ("PD-02", "mass of a part", "Mass"),
    ("PD-03", "copies on a plate, at least", "Copies on a plate, at least"),
)
_WORSE = {Verdict.MEETS: 0, Verdict.MARGINAL: 1, Verdict.FAILS: 2}


class State(StrEnum):
    """What became of a finding."""

    NEW = "new"
    WORSE = "worse"
    BETTER = "better"
    SETTLED = "settled"
    UNCHANGED = "unchanged"
    GONE = "gone"


STATE_WORDS = {
    State.NEW: "not there before, and it does not meet",
    State.WORSE: "still there, and worse",
    State.BETTER: "still there, but better",
    State.SETTLED: "was open, and now meets or is no longer there",
    State.UNCHANGED: "still open, as before",
    State.GONE: "was open, and was not checked this time",
}


@dataclass(frozen=True)
class Change:
    """One finding in both revisions; either may be absent."""

    state: State
    before: Finding | None
    after: Finding | None

    @property
    def finding(self) -> Finding:
        """The later of the two."""
        found = self.after or self.before
        assert found is not None
        return found


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two revisions side by side; ``surfaces`` holds how each part of both moved, by its id."""

    old: Review
    new: Review
    changes: tuple[Change, ...]
    surfaces: Mapping[str, Moved]
    drawings: tuple[Drawing, ...]

    def of(self, state: State) -> list[Change]:
        """The changes of one kind."""
        return [change for change in self.changes if change.state is state]

    @property
    def words(self) -> str:
        """How many of each kind, in a line."""
        counts = {state: len(self.of(state)) for state in State}
        return (
            ", ".join(f"{number} {state.value}" for state, number in counts.items() if number) or "no finding in either"
        )


def review_of(source: str | Path, progress: Progress = lambda _: None) -> Review:
    """The review in a folder, or one made of a submission.

    Parameters
    ----------
    source : str or Path
        Folder of a review, of a submission, or a mesh file.
    progress : callable
        As for :func:`reviewkit.review.review`.
    """
    folder = Path(source)
    return read_review(folder) if (folder / "review.json").exists() else review(folder, progress=progress)


def compared(old: Review, new: Review) -> Comparison:
    """Compare two reviews of one submission.

    Parameters
    ----------
    old, new : Review

    Returns
    -------
    Comparison

    Raises
    ------
    ReviewError
        When they have no part in common, or an older review kept no shape of its parts.
    """
    before = {part.id: part for part in old.parts}
    common = [(before[part.id], part) for part in new.parts if part.id in before]
    if not common:
        # Parts that were renamed: one against one is still plain.
        if len(old.parts) == len(new.parts) == 1:
            common = [(old.parts[0], new.parts[0])]
        else:
            names = [", ".join(part.id for part in review.parts) for review in (old, new)]
            raise ReviewError(f"the revisions have no part in common: {names[0]} against {names[1]}; keep the ids")
    surfaces, drawings = {}, []
    for was, now in common:
        moved = _moved(was, now)
        surfaces[now.id] = moved
        drawings += _pictures(now, moved)
    return Comparison(old, new, changes(old, new), surfaces, tuple(drawings))


def changes(old: Review, new: Review) -> tuple[Change, ...]:
    """What became of every finding that was or is open, the most pressing first.

    Findings are matched by key; those named by their place also by code, part and a place
    near the old one.

    Parameters
    ----------
    old, new : Review
    """
    pairs = _matched(old.findings, new.findings)
    told = [Change(_state(before, after), before, after) for before, after in pairs if _concerns(before, after)]
    order = list(State)
    return tuple(
        sorted(told, key=lambda change: (order.index(change.state), change.finding.severity, change.finding.key))
    )


def written(comparison: Comparison, folder: str | Path, promises: Standing | None = None) -> Path:
    """Write a comparison as ``comparison.html``, ``comparison.pdf`` and, for machines, ``comparison.json``.

    Parameters
    ----------
    comparison : Comparison
    folder : Path
        Made when absent.
    promises : Standing, optional
        How the old revision stands in the record: what was promised.

    Returns
    -------
    Path
        The HTML page.
    """
    folder = Path(folder)
    make_folder(folder)
    title, identity = heading(comparison)
    told = sections(comparison, promises)
    plain = {
        "words": comparison.words,
        "changes": [
            {
                "state": change.state.value,
                "key": change.finding.key,
                "before": change.before.verdict.value if change.before else None,
                "after": change.after.verdict.value if change.after else None,
            }
            for change in comparison.changes
        ],
    }
    write_bytes(folder / "comparison.json", (json.dumps(plain, indent=1) + "\n").encode())
    write_bytes(folder / "comparison.pdf", sections_pdf("Revision comparison", title, identity, told).content)
    return write_bytes(folder / "comparison.html", sections_html("Revision comparison", title, identity, told).encode())


def promised(records: str | Path, old: Review) -> Standing | None:
    """How the old revision stands in a record, or None where there is no record of it.

    Parameters
    ----------
    records : str or Path
        Folder of the record; empty for none.
    old : Review
    """
    record = find_record(records)
    number, revision = named(old)
    return standing(record, number, revision) if record and record.events(number, revision) else None


def heading(comparison: Comparison) -> tuple[str, str]:
    """Title and identity of a comparison's document."""
    old, new = (review.submission for review in (comparison.old, comparison.new))
    name = str(new.get("name") or comparison.new.parts[0].name or comparison.new.parts[0].file)
    number = new.get("number") or old.get("number") or "no number"
    return name, f"Number {number}, revision {old.get('revision') or '-'} against {new.get('revision') or '-'}"


def sections(comparison: Comparison, promises: Standing | None = None) -> list[Section]:
    """What the document of a comparison says; arguments as for :func:`written`."""
    old, new = comparison.old, comparison.new
    lead = [
        words(f"{comparison.words}.".capitalize(), "bold"),
        words(f"Before: {tally(old.findings)}. Now: {tally(new.findings)}."),
        words(f"Suggested outcome before: {old.outcome_suggested.value}; now: {new.outcome_suggested.value}."),
    ]
    told = [Section("What changed", (Text(cell(*lead), "outcome"),)), *_promised(comparison, promises)]
    told += [_surface(comparison), _side_by_side(comparison), *_costs(comparison)]
    for state in State:
        rows = comparison.of(state)
        if rows:
            told.append(_listed(state, rows, comparison))
    other = [
        f"{name} was {_stated(getattr(old, attribute))}, now {_stated(getattr(new, attribute))}"
        for name, attribute in (("the kit", "kit_version"), ("the limits", "limits_sha256"))
        if getattr(old, attribute) != getattr(new, attribute)
    ]
    if other:
        note = "These differ between the two reviews, so a verdict may have changed without the part:"
        told.append(Section("What else differs", (Text(cell(note)), Bullets(tuple(cell(text) for text in other)))))
    return told


def _matched(old: Sequence[Finding], new: Sequence[Finding]) -> list[tuple[Finding | None, Finding | None]]:
    left = {finding.key: finding for finding in old}
    pairs: list[tuple[Finding | None, Finding | None]] = []
    later: list[Finding] = []
    for finding in new:
        if finding.key in left:
            pairs.append((left.pop(finding.key), finding))
        else:
            later.append(finding)
    for finding in later:
        near = [(away, f) for f in left.values() if (away := _apart_mm(f, finding)) <= _SAME_PLACE_MM]
        before = min(near, key=lambda found: found[0])[1] if near else None
        if before is not None:
            del left[before.key]
        pairs.append((before, finding))
    return pairs + [(finding, None) for finding in left.values()]


def _apart_mm(one: Finding, other: Finding) -> float:
    """Distance between the places of two findings of a kind, infinite for others [mm]."""
    if (one.code, one.part) != (other.code, other.part) or not one.where or not other.where:
        return np.inf
    # A name without a place is a region's or the whole part's: another name is another thing.
    if not ("at " in one.subject and "at " in other.subject):
        return np.inf
    return float(np.linalg.norm(np.subtract(one.where[0].point_mm, other.where[0].point_mm)))


def _concerns(before: Finding | None, after: Finding | None) -> bool:
    return any(finding is not None and finding.verdict is not Verdict.MEETS for finding in (before, after))


def _state(before: Finding | None, after: Finding | None) -> State:
    if before is None or before.verdict is Verdict.MEETS:
        return State.NEW
    if after is None or after.verdict is Verdict.MEETS:
        return State.SETTLED
    if after.verdict is Verdict.NOT_CHECKED:
        return State.UNCHANGED if before.verdict is Verdict.NOT_CHECKED else State.GONE
    if before.verdict is Verdict.NOT_CHECKED:
        return State.NEW
    step = _WORSE[after.verdict] - _WORSE[before.verdict]
    if step == 0:
        step = _moved_towards(before, after)
    return State.WORSE if step > 0 else State.BETTER if step < 0 else State.UNCHANGED


def _moved_towards(before: Finding, after: Finding) -> int:
    """1 when the judged value went to the wrong side by more than both uncertainties, -1 to the right side, 0 else."""
    was, now = (next(iter(judged(finding)), None) for finding in (before, after))
    limit = next((limit for limit in after.limits), None)
    if was is None or now is None or limit is None or was.unit != now.unit or was.quantity != now.quantity:
        return 0
    if abs(now.value - was.value) <= max(np.hypot(now.uncertainty, was.uncertainty), 1e-6 * abs(was.value), 1e-12):
        return 0
    rose = now.value > was.value
    return 1 if rose == (limit.sense is Sense.MAX) else -1


def _moved(was: PartFacts, now: PartFacts) -> Moved:
    if was.shape is None or now.shape is None:
        raise ReviewError(f"the review of {now.name or now.id} kept no shape of the part; review both revisions again")
    return moved_surface(was.shape.vertices_mm, was.shape.faces, now.shape.vertices_mm, now.shape.faces)


def _pictures(part: PartFacts, moved: Moved) -> list[Drawing]:
    """The new part, shaded by how far its surface moved, and how much of it moved how far."""
    assert part.shape is not None
    vertices, faces = part.shape.vertices_mm, part.shape.faces
    rays = RayTree(vertices, faces)
    changed = moved.points_mm[np.abs(moved.distance_mm) > _UNMOVED_MM][::_THINNED]
    views = informative_views(vertices, faces, rays, changed)
    name = part.name or part.id
    shown = []
    for number, view in enumerate(views, 1):
        shot = shaded(vertices, faces, rays, view, _SIZE)
        distance = np.where(shot.face >= 0, moved.facet_mm[shot.face], np.nan)
        title = f"{name} {view.name}"
        shown.append(surface_picture(f"moved-{part.id}-{number}", title, shot.rgb, distance, shot.mm_per_pixel))
    return [*shown, surface_spread(f"moved-{part.id}-spread", name, moved.distance_mm, -moved.removed_mm)]


def _promised(comparison: Comparison, promises: Standing | None) -> list[Section]:
    """What was decided on the old revision and what has become of it."""
    if promises is None or not promises.decisions:
        return []
    now = {change.finding.key: change for change in comparison.changes}
    now |= {change.before.key: change for change in comparison.changes if change.before}
    rows = tuple(
        (
            cell(words(key, "bold")),
            cell(words(decision.disposition.value, "bold"), words(decision.reason)),
            cell(words(decision.owner or decision.approver), words(decision.due or decision.expiry, "aside")),
            cell(words(now[key].state.value if key in now else "settled", "bold")),
        )
        for key, decision in promises.decisions.items()
    )
    heads = ("Finding", "Decided", "Owner and date", "Now")
    table = Table(f"Dispositions on revision {promises.revision}", heads, (2.0, 2.6, 1.2, 0.9), rows)
    return [Section("Promised and done", (table,))]


def _surface(comparison: Comparison) -> Section:
    rows = []
    for part in comparison.new.parts:
        moved = comparison.surfaces.get(part.id)
        if moved is None:
            rows.append((cell(words(part.name or part.id, "bold")), cell("not in the old revision"), cell("")))
            continue
        laid = "turned and shifted to fit" if moved.registered else "in the frame it was drawn in"
        added, taken = float(moved.distance_mm.max()), float(-moved.removed_mm.min())
        text = (
            f"{100 * moved.share(_UNMOVED_MM):.3g} % of the new surface moved by more than {_UNMOVED_MM:g} mm; "
            f"matter added up to {max(added, 0.0):.3g} mm, taken away up to {max(taken, 0.0):.3g} mm"
        )
        rows.append((cell(words(part.name or part.id, "bold")), cell(text), cell(laid)))
    gone = (
        {part.id for part in comparison.old.parts} - {part.id for part in comparison.new.parts} - {*comparison.surfaces}
    )
    rows += [(cell(words(name, "bold")), cell("no longer there"), cell("")) for name in sorted(gone)]
    table = Table("Distance between the surfaces", ("Part", "Moved", "Old part laid"), (1.2, 3.6, 1.3), tuple(rows))
    blocks: list[Block] = [table]
    if comparison.drawings:
        blocks.append(Figures(comparison.drawings))
    return Section("Where the surface moved", tuple(blocks))


def _side_by_side(comparison: Comparison) -> Section:
    before = {part.id: part for part in comparison.old.parts}
    tables: list[Block] = []
    units = str(comparison.new.submission.get("display_units") or "mm")
    for part in comparison.new.parts:
        old = before.get(part.id)
        if old is None:
            continue
        rows = [
            ("Size", size_text(old.size_mm, units), size_text(part.size_mm, units)),
            ("Volume", *(measured_text(Measurement("volume", p.volume_mm3, "mm3"), units) for p in (old, part))),
            ("Facets", f"{old.triangles:,}", f"{part.triangles:,}"),
            ("Bodies", str(old.bodies), str(part.bodies)),
            ("Material", old.setup.material.name, part.setup.material.name),
            ("Machine", old.setup.machine.name, part.setup.machine.name),
            ("Layer height", f"{old.setup.layer_height_mm:g} mm", f"{part.setup.layer_height_mm:g} mm"),
            *_production(comparison, old, part),
        ]
        cells = tuple((cell(words(name, "bold")), cell(was), cell(now)) for name, was, now in rows)
        tables.append(Table(part.name or part.id, ("", "Before", "Now"), (1.0, 2.0, 2.0), cells))
    return Section("Side by side", tuple(tables))


def _production(comparison: Comparison, old: PartFacts, new: PartFacts) -> list[tuple[str, str, str]]:
    """Print time, mass and copies of a part in both revisions, where both reviews hold them."""
    units = str(comparison.new.submission.get("display_units") or "mm")
    rows: list[tuple[str, str, str]] = []
    for code, quantity, name in _MADE:
        told = [
            next((m for f in r.findings if f.code == code and f.part == p.id and f.subject == WHOLE
                  for m in f.measurements if m.quantity == quantity), None)
            for r, p in ((comparison.old, old), (comparison.new, new))
        ]  # fmt: skip
        if told[0] and told[1]:
            rows.append((name, _made_text(told[0], units), _made_text(told[1], units)))
    return rows


def _made_text(measurement: Measurement, units: str) -> str:
    if measurement.unit != "s":
        return measured_text(measurement, units)
    return f"{time_words(measurement.value)} ± {time_words(measurement.uncertainty)}"


def _costs(comparison: Comparison) -> list[Section]:
    """What a good part costs in both revisions, and why, term by term."""
    before = {f.part: f for f in comparison.old.findings if f.code == COST and f.subject == WHOLE}
    tables: list[Block] = []
    for finding in comparison.new.findings:
        if finding.code != COST or finding.subject != WHOLE or finding.part not in before:
            continue
        change = cost_change(before[finding.part], finding)
        if change is None:
            tables.append(
                Text(cell(f"The cost of {finding.part} cannot be compared: one review has none, or in other money."))
            )
            continue
        told = change.after.unit - change.before.unit
        head = (
            f"{finding.part}, one good part at {change.parts:,}: {change.before.unit:.3g} {change.currency} before, "
            f"{change.after.unit:.3g} {change.currency} now, {abs(told):.2g} {'more' if told > 0 else 'less'}"
        )
        if not change.same_prices:
            head += "; the two rest on other prices"
        rows = tuple(
            (
                cell(words(one.term, "bold")),
                cell(f"{one.before:.3g}"),
                cell(f"{one.after:.3g}"),
                cell(f"{one.change:+.2g}"),
                cell(one.because),
            )
            for one in change.terms
            if one.before or one.after
        )
        tables.append(Table(head, ("Term", "Before", "Now", "Change", "Because"), (1.3, 0.7, 0.7, 0.7, 2.6), rows))
    return [Section("What a part costs", tuple(tables))] if tables else []


def _listed(state: State, rows: Sequence[Change], comparison: Comparison) -> Section:
    units = str(comparison.new.submission.get("display_units") or "mm")
    titled = titles_of([change.finding for change in rows], titles())
    told = tuple(
        (
            cell(
                words(f"{change.finding.code} {titled[change.finding.code]}: {change.finding.part}, "
                      f"{subject_text(change.finding.subject)}", "bold"),
                words(change.finding.message),
                words(f"Change: {change.after.change}" if change.after and change.after.change else "", "aside"),
                words(f"{len(alike)} more like it: {', '.join(subject_text(other.finding.subject) for other in alike)}"
                      if alike else "", "aside"),
            ),
            _told(change.before, units),
            _told(change.after, units),
            cell(*(words(limit_text(limit, units)) for limit in change.finding.limits[:2])),
        )
        for change, *alike in _alike(rows)
    )  # fmt: skip
    caption = f"{counted(len(rows), 'finding')}: {STATE_WORDS[state]}"
    table = Table(caption, ("Finding", "Before", "Now", "Limit"), (3.2, 1.3, 1.3, 1.2), told)
    return Section(state.value.capitalize(), (table,))


def _alike(rows: Sequence[Change]) -> list[list[Change]]:
    """Changes in the same way of findings that differ in place only, together."""
    kinds: dict[object, list[Change]] = {}
    for change in rows:
        found = change.finding
        verdicts = tuple(side.verdict if side else None for side in (change.before, change.after))
        whole = found.key if found.subject == WHOLE or not found.change else ""
        kinds.setdefault((found.code, found.part, verdicts, found.change, found.limits, whole), []).append(change)
    return list(kinds.values())


def _told(finding: Finding | None, units: str) -> Cell:
    if finding is None:
        return cell(words("not there", "aside"))
    numbers = [words(f"{quantity_text(m.quantity)} {measured_text(m, units)}") for m in judged(finding)[:2]]
    return cell(verdict(finding.verdict), *numbers)


def _stated(value: str) -> str:
    return value[:12]
