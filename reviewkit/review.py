"""Front door: the whole flow from a submitted mesh to a review."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from importlib.metadata import version
from pathlib import Path

from reviewkit import limits as tables
from reviewkit.album import pictures
from reviewkit.checks import CHECKS, NOT_COVERED, Check, title_of, titles
from reviewkit.document.estimate import ESTIMATE_FILE, estimate_csv
from reviewkit.document.files import sealed, write_bytes, write_review
from reviewkit.document.page import TitleBlock, review_html
from reviewkit.document.text import counted, worst_first
from reviewkit.errors import ReviewError
from reviewkit.figures import drawings
from reviewkit.inspection import FILE_NAME as PLAN_FILE
from reviewkit.inspection import inspection_plan
from reviewkit.judging import WHOLE, not_checked
from reviewkit.limits import Limits, load_limits
from reviewkit.measure.poses import chosen_pose
from reviewkit.model import (
    Action,
    Finding,
    Origin,
    Outcome,
    PartFacts,
    Review,
    Setup,
    Shape,
    Verdict,
)
from reviewkit.part import Part, read_part
from reviewkit.pose_sheet import pose_shots
from reviewkit.resources import resource
from reviewkit.signoff import printed
from reviewkit.submission import FILE_NAME as SUBMISSION_FILE
from reviewkit.submission import PartEntry, Submission, facts, read_submission, slug
from reviewkit.suggestions import unless_confirmed
from reviewkit.undercut_sheet import undercut_shots
from reviewkit.workpiece import Workpiece

DEFAULT_MACHINE = "standard-240"
DEFAULT_MATERIAL = "petg"

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Case:
    """A submission read and set up, ready to be judged."""

    submission: Submission
    workpieces: tuple[Workpiece, ...]
    limits: Limits


def review(
    source: str | Path,
    *,
    units: str = "",
    machine: str = "",
    material: str = "",
    quantity: int | None = None,
    progress: Progress = lambda _: None,
) -> Review:
    """Review a submission: read it, judge every part, conclude.

    Parameters
    ----------
    source : str or Path
        A folder with ``submission.toml``, that file, or a bare mesh file.
    units : str
        Unit of the mesh files where they do not say, such as ``mm`` or ``in``.
    machine, material : str
        Instead of the submission's own.
    quantity : int, optional
        How many sets are wanted [-].
    progress : callable
        Called with a few words as each step begins.

    Returns
    -------
    Review

    Raises
    ------
    ReviewError
        When the review cannot go on; the message is one line.
    """
    case = opened(source, units=units, machine=machine, material=material, quantity=quantity, progress=progress)
    return concluded(case, judged(case, CHECKS, progress), progress)


def opened(
    source: str | Path,
    *,
    units: str = "",
    machine: str = "",
    material: str = "",
    quantity: int | None = None,
    progress: Progress = lambda _: None,
) -> Case:
    """Read a submission and its meshes and settle each part's setup; parameters as for :func:`review`."""
    return set_up(
        read_submission(Path(source), units=units, machine=machine, material=material, quantity=quantity), progress
    )


def set_up(submission: Submission, progress: Progress = lambda _: None) -> Case:
    """The meshes of a submission read, and each part's setup settled."""
    limits = load_limits()
    beside: dict[str, Workpiece] = {}
    for entry in submission.parts:
        progress(f"reading {entry.file}")
        part = read_part(
            entry.path(submission),
            id=entry.id,
            number=entry.number or submission.number,
            revision=submission.revision,
            name=entry.name or submission.name or Path(entry.file).stem,
            units=entry.units,
            declared_bodies=entry.bodies,
        )
        beside[entry.id] = Workpiece(submission, part, _setup(submission, entry, part, limits), beside)
    return Case(submission, tuple(beside.values()), limits)


def judged(case: Case, checks: Sequence[Check] = CHECKS, progress: Progress = lambda _: None) -> tuple[Finding, ...]:
    """Findings of the checks on every part, in document order.

    A check that stops on a broken mesh becomes a finding ``not checked`` with the reason.
    """
    findings: list[Finding] = []
    for check in checks:
        for workpiece in case.workpieces:
            progress(f"{check.title}: {workpiece.part.id}")
            try:
                found = [_illustrated(workpiece, f) for f in check.judge(workpiece, case.limits)]
                findings += [unless_confirmed(case.submission, f) for f in found]
            except ReviewError:
                raise
            except Exception as error:
                reason = f"the check stopped ({type(error).__name__}: {error})"
                findings.append(not_checked(workpiece, check.code, check.domain, f"{check.title}:", reason))
    return tuple(findings)


def concluded(case: Case, findings: Sequence[Finding], progress: Progress = lambda _: None) -> Review:
    """The review that follows from the findings: pictures, actions and the suggested outcome."""
    progress("pictures")
    names = {w.part.id: w.part.name or w.part.id for w in case.workpieces}
    outcome, reason = _suggested(findings, names)
    setups = {workpiece.part.id: workpiece.setup for workpiece in case.workpieces}
    return Review(
        submission=case.submission.summary(),
        parts=tuple(_part_facts(workpiece) for workpiece in case.workpieces),
        setup=case.workpieces[0].setup,
        facts=facts(case.submission),
        findings=tuple(findings),
        actions=_actions(findings, names),
        pictures=tuple(shot for workpiece in case.workpieces for shot in pictures(workpiece, findings)),
        outcome_suggested=outcome,
        outcome_reason=reason,
        kit_version=version("reviewkit"),
        limits_sha256=case.limits.sha256,
        tables={PLAN_FILE: inspection_plan(case.submission, findings, case.limits, setups)},
    )


def _illustrated(workpiece: Workpiece, finding: Finding) -> Finding:
    """The finding with the small pictures that its figures show."""
    shots = pose_shots(workpiece, finding) if "pose_sheet" in finding.figures else {}
    shots |= undercut_shots(workpiece, finding) if "undercuts" in finding.figures else {}
    return replace(finding, evidence={**finding.evidence, **shots}) if shots else finding


def written(concluded: Review, folder: str | Path) -> Path:
    """Write every file of a review: data, figures, HTML and PDF document, manifest.

    Parameters
    ----------
    concluded : Review
    folder : str or Path
        Made when absent.

    Returns
    -------
    Path
        The HTML document.
    """
    folder = Path(folder)
    figures = drawings(concluded)
    write_review(concluded, figures, folder)
    block = TitleBlock(issued=date.today().isoformat())
    page = review_html(concluded, figures, NOT_COVERED, titles(), block)
    document = write_bytes(folder / "review.html", page.encode())
    for name, content in {**concluded.tables, ESTIMATE_FILE: estimate_csv(concluded, date.today())}.items():
        write_bytes(folder / name, content)
    sealed(concluded, folder)
    printed(folder)
    return document


def demonstration(name: str = "launcher-a") -> Path:
    """A submission that ships with the kit.

    Parameters
    ----------
    name : str
        By default a launcher and its float, with planted faults; ``launcher-b`` is their next revision.
    """
    return resource("data", "parts", name)


def default_folder(source: str | Path) -> Path:
    """Where the documents go when nobody says: ``out/<name of the input>``."""
    path = Path(source).resolve()
    named = path.parent if path.name == SUBMISSION_FILE else path
    return Path("out") / (slug(named.stem if named.is_file() else named.name))


def _setup(submission: Submission, entry: PartEntry, part: Part, limits: Limits) -> Setup:
    """The submission's own setup where it says, else the machine's and the best pose."""
    asked = submission.setup
    machine = tables.machine(asked.machine or DEFAULT_MACHINE)
    setup = Setup(
        machine=machine,
        material=tables.material(entry.material or DEFAULT_MATERIAL),
        layer_height_mm=asked.layer_height_mm or machine.layer_height_mm,
        line_width_mm=asked.line_width_mm or machine.line_width_mm,
        first_layer_mm=machine.first_layer_mm,
    )
    if asked.core_fill is not None:
        setup = replace(setup, core_fill=asked.core_fill)
    if entry.pose is not None:
        return replace(
            setup,
            pose=entry.pose,
            pose_origin=submission.origins[f"part.{entry.id}.pose"],
            pose_note="as the submission says",
        )
    regions = [region for region in submission.regions if region.part == part.id]
    pose, note = chosen_pose(part.vertices, part.faces, setup, limits, regions)
    return replace(setup, pose=pose, pose_origin=Origin.ASSUMED, pose_note=note)


def _part_facts(workpiece: Workpiece) -> PartFacts:
    part = workpiece.part
    entry = next(entry for entry in workpiece.submission.parts if entry.id == part.id)
    return PartFacts(
        id=part.id,
        number=part.number,
        revision=part.revision,
        name=part.name,
        file=part.file,
        sha256=part.sha256,
        count=entry.count,
        units=part.units,
        units_origin=part.units_origin,
        units_note=part.units_note,
        triangles=len(part.faces),
        bodies=part.bodies,
        size_mm=part.size_mm,
        volume_mm3=part.volume_mm3,
        setup=workpiece.setup,
        shape=Shape(part.vertices, part.faces),
    )


def _suggested(findings: Sequence[Finding], names: Mapping[str, str]) -> tuple[Outcome, str]:
    """The outcome that the findings lead to; the reviewer decides."""
    failing = worst_first([f for f in findings if f.verdict is Verdict.FAILS])
    if failing:
        kinds = dict.fromkeys(f"{title_of(f.code).lower()} of {names[f.part]}" for f in failing)
        fail = "finding fails" if len(failing) == 1 else "findings fail"
        return Outcome.CHANGES, f"{len(failing)} {fail}: {'; '.join(kinds)}"
    marginal = counted(sum(f.verdict is Verdict.MARGINAL for f in findings), "marginal finding")
    unchecked = sum(f.verdict is Verdict.NOT_CHECKED for f in findings)
    if NOT_COVERED or unchecked:
        there = f"there {'is' if unchecked == 1 else 'are'} {counted(unchecked, 'open point')}"
        left = f", and {counted(len(NOT_COVERED), 'subject')} must be judged by a person" if NOT_COVERED else ""
        return Outcome.INFORMATION, f"nothing that was checked fails ({marginal}), but {there}{left}"
    return Outcome.RELEASE, f"nothing fails, {marginal}"


def _actions(findings: Sequence[Finding], names: Mapping[str, str]) -> tuple[Action, ...]:
    """One action for all findings that the same change settles, the most pressing first."""
    wanting = worst_first([f for f in findings if f.change and f.verdict is not Verdict.MEETS])
    # A finding on the whole part sums up those on its places; their actions say it better.
    placed = {(f.part, f.code) for f in wanting if f.subject != WHOLE and f.verdict is not Verdict.NOT_CHECKED}
    wanting = [f for f in wanting if f.subject != WHOLE or (f.part, f.code) not in placed]
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in wanting:
        groups.setdefault((finding.part, finding.code, finding.change, finding.verdict), []).append(finding)
    return tuple(
        Action(
            priority=number,
            finding=group[0].key,
            action=f"{names[part]}{_subjects(group)}: {change}",
            owner="customer",
            expected_gain=_gain(group),
        )
        for number, ((part, _, change, _), group) in enumerate(groups.items(), 1)
    )


def _subjects(group: Sequence[Finding]) -> str:
    names = [f.subject for f in group if f.subject != WHOLE]
    listed = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return f", {listed}" if listed else ""


def _gain(group: Sequence[Finding]) -> str:
    """What settling a group brings; time and cost are priced where production is checked."""
    number = counted(len(group), "finding")
    if group[0].verdict is Verdict.NOT_CHECKED:
        return f"lets {number} be checked"
    return f"should turn {number} from {group[0].verdict.value} to meets"
