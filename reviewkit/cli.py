"""The command line ``reviewkit``.  Imports what a command needs when it runs, so that help is instant."""

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from reviewkit.errors import ReviewError

REFUSED = 2
_RECORDS = Path("records")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Command line words, the process's own by default.

    Returns
    -------
    int
        0 when the command did its work, whatever the verdicts; 1 when ``--gate`` was asked
        for and a finding fails; 2 for refused input, told in one line.
    """
    options = _parser().parse_args(arguments)
    try:
        run: Callable[[argparse.Namespace], int] = options.run
        return run(options)
    except ReviewError as error:
        print(f"reviewkit: {error}", file=sys.stderr)
        return REFUSED
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("reviewkit: stopped; nothing half-written was left", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="reviewkit",
        description="Design review of parts that are to be made by the thousand on filament printers.",
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    review = commands.add_parser("review", help="review a submission or a bare mesh and write the documents")
    review.add_argument("input", type=Path, help="folder with submission.toml, that file, or a mesh file")
    review.add_argument("--out", type=Path, help="folder for the documents [out/<name of the input>]")
    review.add_argument(
        "--units", default="", help="unit of the mesh where the file does not say: mm, cm, m, in, ft, um"
    )
    review.add_argument("--machine", default="", help="machine profile, see data/machines")
    review.add_argument("--material", default="", help="material, see data/materials")
    review.add_argument("--quantity", type=int, help="how many sets are wanted")
    review.add_argument("--gate", action="store_true", help="exit 1 when a finding fails")
    review.set_defaults(run=_review)

    intake = commands.add_parser(
        "intake", help="write the submission of a bare mesh: what moves, is held, gripped or launched, as suggestions"
    )
    intake.add_argument("input", type=Path, help="a mesh file, a folder of meshes, or a submission to complete")
    intake.add_argument("--out", type=Path, help="folder for submission.toml and copies of the meshes [beside them]")
    intake.add_argument(
        "--units", default="", help="unit of the mesh where the file does not say: mm, cm, m, in, ft, um"
    )
    intake.add_argument("--machine", default="", help="machine profile, see data/machines")
    intake.add_argument("--material", default="", help="material, see data/materials")
    intake.set_defaults(run=_intake)

    report = commands.add_parser("report", help="print a review as PDF, for the house or for the customer")
    report.add_argument("folder", type=Path, help="folder of the review")
    report.add_argument(
        "--for", dest="edition", choices=("internal", "customer"), default="customer", help="[customer]"
    )
    report.add_argument("--out", type=Path, help="the PDF to write [beside the folder, <folder>-customer.pdf]")
    report.set_defaults(run=_report)

    compare = commands.add_parser("compare", help="a revision against the one before it")
    compare.add_argument("old", type=Path, help="folder of the old review, or of the old submission")
    compare.add_argument("new", type=Path, help="folder of the new review, or of the new submission")
    compare.add_argument("--out", type=Path, help="folder for the documents [out/<old>-<new>]")
    compare.add_argument("--records", type=Path, help="folder of the record: what was promised [records, if any]")
    compare.set_defaults(run=_compare)

    weekly = commands.add_parser(
        "weekly", help="review what is new or changed in a folder of submissions, and say in which order to discuss it"
    )
    weekly.add_argument("folder", type=Path, help="holds the submissions, however deep")
    weekly.add_argument("--out", type=Path, default=Path("out") / "week", help="folder for the reviews [out/week]")
    weekly.add_argument("--workers", type=int, default=0, help="how many are reviewed at once [one a processor]")
    weekly.add_argument("--scheduler", default="", metavar="ADDRESS", help="of a Dask cluster, such as tcp://host:8786")
    weekly.add_argument("--records", type=Path, default=_RECORDS, help="folder of the record [records]")
    weekly.add_argument(
        "--as", dest="who", default="", metavar="NAME", help="put each review on record for this reviewer"
    )
    weekly.set_defaults(run=_weekly)

    consent = commands.add_parser(
        "consent", help="release by one decision all that has nothing failing, unchecked or late"
    )
    consent.add_argument("--out", type=Path, default=Path("out") / "week", help="folder of the week [out/week]")
    consent.add_argument("--as", dest="who", required=True, metavar="NAME", help="who decides")
    consent.add_argument("--records", type=Path, default=_RECORDS, help="folder of the record [records]")
    consent.set_defaults(run=_consent)

    minutes = commands.add_parser("minutes", help="what was decided in a week, and who owes what until when")
    minutes.add_argument("week", help="ISO week, such as 2026-W48")
    minutes.add_argument("--out", type=Path, help="folder for the minutes [out/minutes-<week>]")
    minutes.add_argument(
        "--reviews", type=Path, default=Path("out") / "week", help="folder of the week's reviews [out/week]"
    )
    minutes.add_argument("--records", type=Path, default=_RECORDS, help="folder of the record [records]")
    minutes.set_defaults(run=_minutes)

    _record_commands(commands)

    identity = commands.add_parser("identity", help="make a key to sign with")
    identity.add_argument("name", help="as it is to stand beside the signature")
    identity.add_argument("key", type=Path, help="PKCS#12 file to write")
    identity.add_argument("--passphrase-file", type=Path, help="file whose first line is the pass phrase [asked for]")
    identity.set_defaults(run=_identity)

    sign = commands.add_parser(
        "sign", help="sign a review's document or minutes: the reviewer first, then the approver"
    )
    sign.add_argument("folder", type=Path, help="folder of the review, or of the minutes")
    sign.add_argument("--as", dest="who", required=True, metavar="NAME", help="the name in the key's certificate")
    sign.add_argument("--role", required=True, choices=("reviewer", "approver"))
    sign.add_argument("--key", type=Path, required=True, help="PKCS#12 file")
    sign.add_argument("--passphrase-file", type=Path, help="file whose first line is the pass phrase [asked for]")
    sign.add_argument("--records", type=Path, default=_RECORDS, help="folder of the record [records]")
    sign.set_defaults(run=_sign)

    verify = commands.add_parser("verify", help="say what holds of a signed document and what does not")
    verify.add_argument("path", type=Path, help="folder of a review, a PDF, or an exported record")
    verify.add_argument("--records", type=Path, help="folder of the record [records, where there is one]")
    verify.set_defaults(run=_verify)

    nest = commands.add_parser(
        "nest", help="search for irregular layouts that hold more copies than the repeatable one"
    )
    nest.add_argument("input", type=Path, help="folder with submission.toml, that file, or a mesh file")
    nest.add_argument("--store", default="", help="folder of the layouts that were found [the user's cache]")
    nest.add_argument("--out", type=Path, help="folder for a drawing of each layout [none]")
    nest.set_defaults(run=_nest)

    calibrate = commands.add_parser("calibrate", help="fit a machine's print time to measured plates")
    calibrate.add_argument("table", type=Path, help="CSV: part, copies, minutes from heat-up to the last layer")
    calibrate.add_argument("--machine", required=True, metavar="NAME", help="machine profile")
    calibrate.add_argument("--out", type=Path, help="folder for the calibration [the one REVIEWKIT_MACHINES names]")
    calibrate.set_defaults(run=_calibrate)

    limits = commands.add_parser("limits", help="list every limit with its source")
    limits.add_argument("--only", default="", metavar="TEXT", help="rows whose quantity holds this text")
    limits.set_defaults(run=_limits)

    commands.add_parser("schema", help="print the JSON schema of review.json").set_defaults(run=_schema)

    lab = commands.add_parser("open", help="open JupyterLab on a copy of the workbooks")
    lab.add_argument("folder", type=Path, nargs="?", default=Path("reviewkit-workbooks"), help="where the copies go")
    lab.add_argument("--no-browser", action="store_true", help="only start the server and print its address")
    lab.set_defaults(run=_open)
    return parser


def _record_commands(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    record = commands.add_parser("record", help="what was received, reviewed, decided and signed")
    steps = record.add_subparsers(title="steps", required=True, metavar="STEP")

    show = steps.add_parser("show", help="events, or how one revision stands")
    show.add_argument("number", nargs="?", default="", help="number of the submission")
    show.add_argument("revision", nargs="?", default="", help="its revision")
    show.set_defaults(run=_record_show)

    add = steps.add_parser("add", help="note a review, decide a finding, choose the outcome")
    add.add_argument("folder", type=Path, help="folder of the review")
    add.add_argument("--as", dest="who", required=True, metavar="NAME", help="who decides")
    add.add_argument("--finding", default="", help="key, number in the document, or 'undecided' for all that need one")
    add.add_argument("--disposition", default="", help="rework, concession, 'not applicable' or defer")
    add.add_argument("--outcome", default="", help="release, 'release with concessions', 'changes needed', ...")
    add.add_argument("--reason", default="")
    for name, words in (("owner", "who does it"), ("due", "until when, as 2026-12-31"),
                        ("approver", "who allows a concession"), ("expiry", "until when it holds")):  # fmt: skip
        add.add_argument(f"--{name}", default="", help=words)
    add.set_defaults(run=_record_add)

    export = steps.add_parser("export", help="write the events as JSON Lines for version control")
    export.add_argument("file", type=Path)
    export.set_defaults(run=_record_export)

    steps.add_parser("verify", help="check the chain of events").set_defaults(run=_record_verify)
    for step in steps.choices.values():
        step.add_argument("--records", type=Path, default=_RECORDS, help="folder of the record [records]")


def _review(options: argparse.Namespace) -> int:
    from reviewkit.document.files import read_review
    from reviewkit.model import Verdict
    from reviewkit.review import default_folder
    from reviewkit.workbook import documented

    folder = options.out or default_folder(options.input)
    with _Progress() as tell:
        documented(
            options.input,
            folder,
            units=options.units,
            machine=options.machine,
            material=options.material,
            quantity=options.quantity,
            progress=tell,
        )
    review = read_review(folder)
    counts = {verdict: sum(f.verdict is verdict for f in review.findings) for verdict in Verdict}
    print(f"{review.outcome_suggested.value} (suggested): {review.outcome_reason}")
    print("findings: " + ", ".join(f"{number} {verdict.value}" for verdict, number in counts.items() if number))
    for action in review.actions[:3]:
        print(f"  {action.priority}. {action.action}")
    print(f"document: {folder / 'review.html'}")
    return 1 if options.gate and counts[Verdict.FAILS] else 0


def _intake(options: argparse.Namespace) -> int:
    from itertools import groupby

    from reviewkit.intake_flow import suggested_submission

    with _Progress("asked") as tell:
        path, suggested = suggested_submission(
            options.input,
            options.out,
            units=options.units,
            machine=options.machine,
            material=options.material,
            progress=tell.says,
        )
    for (part, kind), group in groupby(suggested, key=lambda one: (one.part, one.kind)):
        first, *alike = group
        more = f", and {len(alike)} more: {', '.join(one.title for one in alike)}" if alike else ""
        print(f"{part}: {kind.value}: {first.title} ({first.sure.value}){more}")
        print(f"    {first.reason}")
    print(f"{len(suggested)} suggested, confirmed by nobody: read {path}, then reviewkit review {path.parent}")
    return 0


def _report(options: argparse.Namespace) -> int:
    from reviewkit.document.pdf import Edition
    from reviewkit.signoff import printed

    folder = options.folder.resolve()
    target = options.out or folder.with_name(f"{folder.name}-{options.edition}.pdf")
    print(f"document: {printed(folder, Edition(options.edition), target)}")
    return 0


def _compare(options: argparse.Namespace) -> int:
    from reviewkit.record import find_record
    from reviewkit.workbook import comparison_documented

    out = options.out or Path("out") / f"{options.old.resolve().name}-{options.new.resolve().name}"
    kept = options.records or (_RECORDS if find_record(_RECORDS) else None)
    with _Progress() as tell:
        words, page = comparison_documented(options.old, options.new, out, kept, progress=tell)
    print(words)
    print(f"document: {page}")
    return 0


def _weekly(options: argparse.Namespace) -> int:
    from reviewkit.agenda import agenda, lines, written
    from reviewkit.weekly import run_week

    with _Progress() as tell:
        week = run_week(
            options.folder, options.out, workers=options.workers, scheduler=options.scheduler,
            records=options.records, who=options.who, progress=tell,
        )  # fmt: skip
    told = agenda(week, options.records)
    for line in lines(told):
        print(line)
    print(f"agenda: {written(told)}")
    return 0


def _consent(options: argparse.Namespace) -> int:
    from reviewkit.agenda import agenda, pass_consent
    from reviewkit.record import require_record
    from reviewkit.weekly import read_week

    event = pass_consent(require_record(options.records), agenda(read_week(options.out), options.records), options.who)
    print(event.words)
    return 0


def _minutes(options: argparse.Namespace) -> int:
    from reviewkit.minutes import minutes_of, written
    from reviewkit.record import require_record

    told = minutes_of(require_record(options.records), options.week, options.reviews)
    page = written(told, options.out or Path("out") / f"minutes-{options.week}")
    print(told.words)
    print(f"minutes: {page}")
    return 0


def _record_show(options: argparse.Namespace) -> int:
    from reviewkit.decisions import standing
    from reviewkit.record import require_record

    record = require_record(options.records)
    if not (options.number and options.revision):
        for event in record.events(options.number):
            print(f"{event.seq} {event.words}")
        return 0
    seen = standing(record, options.number, options.revision)
    print(f"{seen.number} {seen.revision}: {seen.outcome.value if seen.outcome else 'no outcome yet'}")
    for signature in seen.signatures:
        print(f"  signed by {signature.who} as {signature.role.value}, {signature.when[:10]}")
    for signature, why in seen.void:
        print(f"  void: signature of {signature.who}, {why}")
    for decision in seen.decisions.values():
        print(f"  {decision.finding}: {decision.disposition.value}, {decision.reason} ({decision.who})")
    for point in seen.open_points:
        print(f"  open since revision {point.decision.revision}: {point.decision.finding}, {point.now}")
    for key in seen.undecided:
        print(f"  undecided: {key}, {seen.findings[key].verdict.value}")
    return 0


def _record_add(options: argparse.Namespace) -> int:
    from reviewkit.decisions import conclude, decide, standing
    from reviewkit.record import Record
    from reviewkit.signoff import findings_named, noted

    record = Record(options.records)
    seen = noted(options.folder, record, options.who)
    keys = findings_named(options.folder, seen, options.finding) if options.finding else ()
    for key in keys:
        decide(
            record, seen, key, options.disposition, options.who, options.reason, owner=options.owner,
            due=options.due, approver=options.approver, expiry=options.expiry,
        )  # fmt: skip
    if keys:
        print(f"{options.disposition}: {', '.join(keys[:4])}" + (f" and {len(keys) - 4} more" if len(keys) > 4 else ""))
    if options.outcome:
        conclude(record, standing(record, seen.number, seen.revision), options.outcome, options.who, options.reason)
        print(f"outcome of {seen.number} {seen.revision}: {options.outcome}")
    left = standing(record, seen.number, seen.revision).undecided
    print(f"{seen.number} {seen.revision} on record; {len(left)} without a disposition")
    return 0


def _record_export(options: argparse.Namespace) -> int:
    from reviewkit.record import require_record

    print(f"head {require_record(options.records).export(options.file)}")
    return 0


def _record_verify(options: argparse.Namespace) -> int:
    from reviewkit.record import require_record

    record = require_record(options.records)
    problems = record.verify()
    for problem in problems:
        print(f"FALSE  {problem}")
    if not problems:
        print(f"holds  {len(record.events())} events, head {record.head}")
    return 1 if problems else 0


def _identity(options: argparse.Namespace) -> int:
    from reviewkit.signing import new_identity

    made = new_identity(options.name, options.key, _passphrase(options, twice=True))
    print(f"{options.key}: key of {made.name}, certificate {made.fingerprint}")
    print("It proves that this key signed, not who holds it: keep the file and its pass phrase to yourself.")
    return 0


def _sign(options: argparse.Namespace) -> int:
    from reviewkit.decisions import Role
    from reviewkit.errors import SigningError
    from reviewkit.minutes import FILE_NAME as MINUTES
    from reviewkit.minutes import sign_minutes
    from reviewkit.record import Record
    from reviewkit.signing import load_identity
    from reviewkit.signoff import sign

    identity = load_identity(options.key, _passphrase(options))
    if identity.name.casefold() != options.who.strip().casefold():
        raise SigningError(f"{options.key} is the key of {identity.name}, not of {options.who}")
    of_minutes = (options.folder / MINUTES).exists()
    signing = sign_minutes if of_minutes else sign
    event = signing(options.folder, Record(options.records), Role(options.role), identity)
    document = options.folder / ("minutes.pdf" if of_minutes else "review.pdf")
    print(f"{document}: signed by {identity.name} as {options.role}, event {event.seq} of the record")
    return 0


def _verify(options: argparse.Namespace) -> int:
    from reviewkit.minutes import FILE_NAME as MINUTES
    from reviewkit.minutes import verify_minutes
    from reviewkit.record import find_record, require_record
    from reviewkit.signoff import verify

    record = require_record(options.records) if options.records else find_record(_RECORDS)
    check = verify_minutes if (options.path / MINUTES).exists() else verify
    lines = check(options.path, record)
    for line in lines:
        print(f"{'holds' if line.holds else 'FALSE' if line.holds is False else 'note '}  {line.text}")
    return 1 if any(line.holds is False for line in lines) else 0


def _passphrase(options: argparse.Namespace, *, twice: bool = False) -> str:
    """The pass phrase from its file, else asked for; never from the command line, where others see it."""
    import getpass

    from reviewkit.errors import SigningError

    if options.passphrase_file:
        try:
            return str(options.passphrase_file.read_text().splitlines()[0])
        except (OSError, IndexError, UnicodeDecodeError):
            raise SigningError(f"{options.passphrase_file} holds no pass phrase in its first line") from None
    given = getpass.getpass("pass phrase: ")
    if twice and getpass.getpass("again: ") != given:
        raise SigningError("the two pass phrases differ; try again")
    return given


def _nest(options: argparse.Namespace) -> int:
    from reviewkit.checks.production.copies import nesting
    from reviewkit.document.files import make_folder, write_bytes
    from reviewkit.figures import drawn
    from reviewkit.review import opened

    case = opened(options.input)
    for workpiece in case.workpieces:
        found = nesting(workpiece, case.limits, options.store)
        print(f"{workpiece.part.id}: {found.message}")
        for kind in found.figures if options.out else ():
            make_folder(options.out)
            drawing = drawn(found, kind)
            print(f"drawing: {write_bytes(options.out / f'{drawing.name}.svg', drawing.svg or b'')}")
    return 0


def _calibrate(options: argparse.Namespace) -> int:
    from datetime import date

    from reviewkit.calibration import calibrate, fit_words, read_plates

    fit, path = calibrate(options.table, options.machine, date.today().isoformat(), options.out)
    for line in fit_words(fit, read_plates(options.table)):
        print(line)
    print(f"kept in {path}")
    return 0


def _limits(options: argparse.Namespace) -> int:
    from reviewkit.limits import load_limits

    rows = [limit for limit in load_limits().every() if options.only.lower() in limit.quantity.lower()]
    for limit in rows:
        print(f"{limit.id}\n    {limit.words}" + (f"; {limit.condition}" if limit.condition else ""))
        print(f"    {limit.source.cited}" + (f"; {limit.source.address}" if limit.source.address else ""))
    print(f"{len(rows)} limits", file=sys.stderr)
    return 0


def _schema(_: argparse.Namespace) -> int:
    from reviewkit.document.files import schema

    print(json.dumps(schema(), indent=1, sort_keys=True))
    return 0


def _open(options: argparse.Namespace) -> int:
    import shutil
    import subprocess

    from reviewkit.errors import DocumentError
    from reviewkit.resources import resource

    try:
        options.folder.mkdir(parents=True, exist_ok=True)
        for workbook in sorted(resource("workbooks").glob("*.ipynb")):
            # A workbook that somebody worked in stays as it is.
            if not (options.folder / workbook.name).exists():
                shutil.copy(workbook, options.folder / workbook.name)
    except OSError as error:
        raise DocumentError(f"cannot copy the workbooks to {options.folder}: {error.strerror}") from None
    # Workbooks run where the commands run, so that `out` and `records` are the same folders for both.
    command = [
        sys.executable, "-m", "jupyterlab", "--ServerApp.root_dir", str(options.folder.resolve()),
        "--MappingKernelManager.root_dir", str(Path.cwd()),
    ]  # fmt: skip
    return subprocess.call(command + ["--no-browser"] * options.no_browser)


class _Progress:
    """Tells of steps on a terminal in one changing line, elsewhere in a line each, and at the end what was done."""

    def __init__(self, done: str = "reviewed") -> None:
        self._done = done
        self._began = time.monotonic()
        self._live = sys.stderr.isatty()

    def __call__(self, number: int, total: int, title: str) -> None:
        self.says(f"[{number}/{total}] {title}")

    def says(self, line: str) -> None:
        """Tell of a step whose number nobody knows beforehand."""
        if self._live:
            sys.stderr.write(f"\r\x1b[2K{line} ...")
            sys.stderr.flush()
        else:
            print(line, file=sys.stderr, flush=True)

    def __enter__(self) -> "_Progress":
        return self

    def __exit__(self, failed: type[BaseException] | None, *_: object) -> None:
        if self._live:
            sys.stderr.write("\r\x1b[2K")
        if failed is None:
            print(f"{self._done} in {time.monotonic() - self._began:.1f} s", file=sys.stderr)
