"""The command line ``reviewkit``.  Imports what a command needs when it runs, so that help is instant."""

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from reviewkit.errors import ReviewError

REFUSED = 2


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

    limits = commands.add_parser("limits", help="list every limit with its source")
    limits.add_argument("--only", default="", metavar="TEXT", help="rows whose quantity holds this text")
    limits.set_defaults(run=_limits)

    commands.add_parser("schema", help="print the JSON schema of review.json").set_defaults(run=_schema)

    lab = commands.add_parser("open", help="open JupyterLab on a copy of the workbooks")
    lab.add_argument("folder", type=Path, nargs="?", default=Path("reviewkit-workbooks"), help="where the copies go")
    lab.add_argument("--no-browser", action="store_true", help="only start the server and print its address")
    lab.set_defaults(run=_open)
    return parser


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
    command = [sys.executable, "-m", "jupyterlab", "--ServerApp.root_dir", str(options.folder.resolve())]
    return subprocess.call(command + ["--no-browser"] * options.no_browser)


class _Progress:
    """Tells of steps on a terminal in one changing line, elsewhere in a line each."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._live = sys.stderr.isatty()

    def __call__(self, number: int, total: int, title: str) -> None:
        line = f"[{number}/{total}] {title}"
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
            print(f"reviewed in {time.monotonic() - self._began:.1f} s", file=sys.stderr)
