"""The command line: what it prints, what it leaves, and how it refuses."""

import contextlib
import hashlib
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import jsonschema
import nbformat
import pytest
import trimesh

from reviewkit import cli
from reviewkit.document.files import read_review
from reviewkit.limits import load_limits
from reviewkit.model import Verdict
from reviewkit.resources import resource
from reviewkit.signing import attached
from reviewkit.submission import read_submission

ROOT = Path(__file__).resolve().parents[1]
STEP = re.compile(r"\[(\d+)/(\d+)\] \S")
FILES = (
    "review.ipynb", "review.json", "evidence.npz", "review.html", "review.pdf", "actions.csv", "manifest.json",
)  # fmt: skip


def shell(*arguments: str, **options) -> subprocess.Popen[str]:
    """The command in a process of its own, with this checkout in reach."""
    search = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": search},
        **options,
    )


@dataclass
class Run:
    code: int
    out: str
    err: str
    folder: Path


@pytest.fixture(scope="module")
def fence(tmp_path_factory) -> Path:
    """A plate with a wall thinner than one line: it fails."""
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    path = tmp_path_factory.mktemp("sent") / "Fence {1} 'a'.stl"
    trimesh.boolean.union([plate, wall]).export(path)
    return path


@pytest.fixture(scope="module")
def run(fence, tmp_path_factory) -> Run:
    """One review through the command line, kernel and all."""
    folder = tmp_path_factory.mktemp("out") / "new" / "fence"
    out, err = io.StringIO(), io.StringIO()
    words = ["--units", "mm", "--material", "PLA", "--machine", "large-330", "--quantity", "2500", "--gate"]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.main(["review", str(fence), "--out", str(folder), *words])
    return Run(code, out.getvalue(), err.getvalue(), folder)


# --- review ----------------------------------------------------------------------------------


def test_a_review_leaves_all_its_files(run):
    assert run.code == 1
    for name in FILES:
        assert (run.folder / name).stat().st_size > 100, name
    assert {path.suffix for path in (run.folder / "figures").iterdir()} == {".svg", ".png", ".json"}
    assert not [path for path in run.folder.rglob("*") if "stopped" in path.name or path.name.endswith(".part")]


def test_the_options_reach_the_review(run):
    made = read_review(run.folder)
    (part,) = made.parts
    assert made.submission["quantity"] == 2500
    assert part.units == "mm"
    assert part.setup.material.id == "pla"
    assert part.setup.machine.id == "large-330"
    assert any(f.code == "PR-04" and f.verdict is Verdict.FAILS for f in made.findings)


def test_the_summary_is_that_of_the_review(run):
    made = read_review(run.folder)
    first, second, *actions, last = run.out.splitlines()
    assert first == f"{made.outcome_suggested.value} (suggested): {made.outcome_reason}"
    numbers = [int(number) for number in re.findall(r"\d+", second)]
    assert sum(numbers) == len(made.findings)
    assert actions == [f"  {action.priority}. {action.action}" for action in made.actions[:3]]
    assert last == f"document: {run.folder / 'review.html'}"


def test_progress_goes_to_the_other_stream_step_by_step(run):
    *steps, last = run.err.splitlines()
    counted = [STEP.match(line) for line in steps]
    assert all(counted)
    count = len(counted)
    assert [match.groups() for match in counted] == [(str(n), str(count)) for n in range(1, count + 1)]
    assert re.fullmatch(r"reviewed in \d+\.\d s", last)


def test_the_notebook_is_the_executed_one(run, fence):
    notebook = nbformat.read(run.folder / "review.ipynb", as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.execution_count for cell in code)
    assert not [output for cell in code for output in cell.outputs if output.output_type == "error"]
    (injected,) = [cell.source for cell in code if "injected-parameters" in cell.metadata.get("tags", [])]
    values: dict[str, object] = {}
    exec(injected, values)
    assert values["source"] == str(fence)
    assert values["quantity"] == 2500


def test_the_manifest_covers_all_but_the_document_that_carries_it(run):
    manifest = json.loads((run.folder / "manifest.json").read_text())
    there = {path.relative_to(run.folder).as_posix() for path in run.folder.rglob("*") if path.is_file()}
    assert set(manifest["files"]) == there - {"manifest.json", "review.pdf"}
    assert (
        attached((run.folder / "review.pdf").read_bytes(), "manifest.json")
        == (run.folder / "manifest.json").read_bytes()
    )
    for name, told in manifest["files"].items():
        assert told["sha256"] == hashlib.sha256((run.folder / name).read_bytes()).hexdigest(), name


@pytest.mark.parametrize(("gate", "fails", "code"), [(True, True, 1), (False, True, 0), (True, False, 0)])
def test_the_gate_closes_on_a_failing_finding_only(run, fence, monkeypatch, gate, fails, code):
    made = read_review(run.folder)
    monkeypatch.setattr("reviewkit.workbook.documented", lambda *_, **__: None)
    if not fails:
        made = replace(made, findings=tuple(replace(f, verdict=Verdict.MARGINAL) for f in made.findings))
    monkeypatch.setattr("reviewkit.document.files.read_review", lambda _: made)
    assert cli.main(["review", str(fence), "--out", str(run.folder), *["--gate"] * gate]) == code


def test_without_a_folder_it_goes_below_out(monkeypatch, tmp_path):
    folders = []
    monkeypatch.setattr("reviewkit.workbook.documented", lambda _, folder, **__: folders.append(folder))
    monkeypatch.setattr("reviewkit.document.files.read_review", lambda _: 1 / 0)
    clip = tmp_path / "clip-7"
    clip.mkdir()
    (clip / "submission.toml").write_text("")
    (clip / "clip.stl").write_text("")
    for source in (clip, clip / "submission.toml", clip / "clip.stl"):
        with pytest.raises(ZeroDivisionError):
            cli.main(["review", str(source)])
    assert folders == [Path("out/clip-7"), Path("out/clip-7"), Path("out/clip")]


# --- refusals --------------------------------------------------------------------------------


REFUSALS = {
    "no such file": (["no-such.stl"], "no-such.stl"),
    "no submission": (["bare"], "submission.toml"),
    "no mesh": (["notes.txt"], "notes.txt"),
    "empty mesh": (["empty.stl"], "empty.stl"),
    "unknown unit": (["box.stl", "--units", "furlong"], "furlong"),
    "unknown machine": (["box.stl", "--machine", "loom"], "loom"),
    "unknown material": (["box.stl", "--material", "oak"], "oak"),
    "nothing wanted": (["box.stl", "--quantity", "0"], "quantity"),
    "less than nothing": (["box.stl", "--quantity", "-5"], "quantity"),
    "out is a file": (["box.stl", "--out", "notes.txt"], "notes.txt"),
    "out below a file": (["box.stl", "--out", "notes.txt/below"], "notes.txt"),
}


@pytest.fixture
def desk(tmp_path, monkeypatch) -> Path:
    """A folder to stand in, with good and bad input."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bare").mkdir()
    (tmp_path / "notes.txt").write_text("a note\n")
    (tmp_path / "empty.stl").write_bytes(b"")
    trimesh.creation.box((20, 20, 5)).export(tmp_path / "box.stl")
    return tmp_path


@pytest.mark.parametrize("case", REFUSALS)
def test_refused_input_is_told_in_one_line(case, desk, capsys):
    words, named = REFUSALS[case]
    assert cli.main(["review", *words]) == cli.REFUSED == 2
    told = capsys.readouterr()
    assert told.out == ""
    lines = [line for line in told.err.splitlines() if not STEP.match(line)]
    assert len(lines) == 1
    assert lines[0].startswith("reviewkit: ")
    assert named in lines[0]
    assert "Traceback" not in told.err
    assert not list(desk.rglob("*.ipynb"))


def test_a_line_of_progress_is_cleared_before_a_refusal(desk, monkeypatch):
    screen = io.StringIO()
    monkeypatch.setattr(screen, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stderr", screen)

    def refuse(*_, progress, **__):
        from reviewkit.errors import SetupError

        progress(1, 5, "Reading the submission")
        raise SetupError("no such loom")

    monkeypatch.setattr("reviewkit.workbook.documented", refuse)
    assert cli.main(["review", "box.stl"]) == 2
    seen = screen.getvalue().split("\n")[0].split("\x1b[2K")[-1]
    assert seen == "reviewkit: no such loom"


def test_a_process_of_its_own_says_so_too(desk):
    done = shell("-m", "reviewkit", "review", "no-such.stl", cwd=desk)
    out, err = done.communicate(timeout=300)
    assert (done.returncode, out) == (2, "")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("words", [[], ["slice"], ["review"], ["review", "a.stl", "--quantity", "many"]])
def test_wrong_words_show_the_usage(words, capsys):
    with pytest.raises(SystemExit) as stop:
        cli.main(words)
    assert stop.value.code == 2
    assert capsys.readouterr().err.startswith("usage: reviewkit")


# --- the other commands ----------------------------------------------------------------------


def test_help_lists_the_commands(capsys):
    with pytest.raises(SystemExit) as stop:
        cli.main(["--help"])
    assert stop.value.code == 0
    told = capsys.readouterr().out
    for command in ("review", "limits", "schema", "open"):
        assert re.search(rf"^ +{command} +\w", told, re.MULTILINE), command


def test_help_needs_no_library():
    """Neither numbers nor meshes are loaded to print a page of help."""
    code = (
        "import runpy, sys\n"
        "sys.argv = ['reviewkit', '--help']\n"
        "try:\n    runpy.run_module('reviewkit', run_name='__main__')\n"
        "except SystemExit as stop:\n    assert not stop.code\n"
        "heavy = {'numpy', 'scipy', 'shapely', 'trimesh', 'matplotlib', 'papermill', 'IPython', 'jinja2', 'pandas'}\n"
        "print('loaded:', sorted(heavy & set(sys.modules)))\n"
    )
    done = shell("-c", code)
    out, err = done.communicate(timeout=300)
    assert done.returncode == 0, err
    assert out.startswith("usage: reviewkit")
    assert out.endswith("loaded: []\n")


def test_limits_prints_every_row_with_its_source(capsys):
    assert cli.main(["limits"]) == 0
    told = capsys.readouterr()
    blocks = re.findall(r"^(\S+)\n    (.+)\n    (.+)\n", told.out, re.MULTILINE)
    rows = load_limits().every()
    assert [block[0] for block in blocks] == [row.id for row in rows]
    assert len(told.out.splitlines()) == 3 * len(rows)
    for (_, bound, source), row in zip(blocks, rows, strict=True):
        assert f"{row.value:.4g}" in bound
        assert source.startswith(row.source.cited)
        assert row.source.address in source
    assert told.err == f"{len(rows)} limits\n"


def test_limits_of_one_subject(capsys):
    assert cli.main(["limits", "--only", "PLATE."]) == 0
    told = capsys.readouterr()
    wanted = [row.id for row in load_limits().every() if "plate." in row.quantity]
    assert re.findall(r"^\S+$", told.out, re.MULTILINE) == wanted
    assert wanted
    assert cli.main(["limits", "--only", "no such thing"]) == 0
    assert capsys.readouterr().err == "0 limits\n"


def test_a_reader_that_leaves_early_is_no_error():
    for command in ("limits", "schema"):
        process = shell("-m", "reviewkit", command)
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        told = process.stderr.read()
        assert process.wait(300) == 0, command
        assert "Traceback" not in told
        assert "BrokenPipeError" not in told


def test_schema_prints_the_schema_of_a_review(capsys, run):
    assert cli.main(["schema"]) == 0
    printed = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(printed)
    validator = jsonschema.Draft202012Validator(printed)
    assert list(validator.iter_errors(json.loads((run.folder / "review.json").read_text()))) == []
    assert list(validator.iter_errors({}))


# --- production ------------------------------------------------------------------------------


def test_measured_plates_calibrate_a_machine(fence, tmp_path, capsys):
    table = tmp_path / "plates.csv"
    table.write_text(
        "".join(["part,copies,minutes\n", *(f"{fence},{n},{m}\n" for n, m in ((1, 40), (2, 62), (4, 101)))])
    )
    assert cli.main(["calibrate", str(table), "--machine", "standard-240", "--out", str(tmp_path / "mine")]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[-1].startswith("kept in ") and Path(told[-1].removeprefix("kept in ")).is_file()
    table.write_text("part,copies,minutes\nbox.stl,0,1\n")
    assert cli.main(["calibrate", str(table), "--machine", "standard-240", "--out", str(tmp_path / "mine")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_nesting_says_what_it_found_or_that_the_library_is_absent(fence, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("reviewkit.measure.nesting.LIBRARY", "no_such_library")
    assert cli.main(["nest", str(fence), "--store", str(tmp_path)]) == 0
    assert "copies of the repeatable layout" in capsys.readouterr().out


# --- intake ----------------------------------------------------------------------------------


def test_intake_writes_a_submission_that_can_be_reviewed(fence, tmp_path, capsys):
    assert cli.main(["intake", str(fence), "--out", str(tmp_path / "in"), "--units", "mm"]) == 0
    told = capsys.readouterr()
    path = tmp_path / "in" / "submission.toml"
    assert told.out.splitlines()[-1].endswith(f"read {path}, then reviewkit review {path.parent}")
    assert "asked in" in told.err
    assert read_submission(path.parent).parts[0].units == "mm"
    assert cli.main(["intake", str(tmp_path / "none.stl")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


# --- open ------------------------------------------------------------------------------------


@pytest.fixture
def started(monkeypatch) -> list[list[str]]:
    """Commands that would have been started, each with an end of its own."""
    commands: list[list[str]] = []

    def call(command):
        commands.append(command)
        return 3

    monkeypatch.setattr(subprocess, "call", call)
    return commands


def test_open_copies_the_workbooks_and_starts_the_laboratory(started, tmp_path):
    folder = tmp_path / "new" / "books"
    assert cli.main(["open", str(folder)]) == 3
    shipped = {path.name: path.read_bytes() for path in resource("workbooks").glob("*.ipynb")}
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == shipped
    assert shipped
    lab = [sys.executable, "-m", "jupyterlab", "--ServerApp.root_dir", str(folder)]
    assert started == [[*lab, "--MappingKernelManager.root_dir", str(Path.cwd())]]
    cli.main(["open", str(folder), "--no-browser"])
    assert started[1] == [*started[0], "--no-browser"]


def test_workbooks_run_where_the_commands_run(started, tmp_path, monkeypatch):
    """A kernel of an opened workbook and a command mean the same folder by `out`."""
    from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
    from traitlets.config import Config

    monkeypatch.chdir(tmp_path)
    cli.main(["open"])
    given = dict(zip(started[0][3::2], started[0][4::2], strict=True))
    manager = AsyncMappingKernelManager(
        config=Config(MappingKernelManager={"root_dir": given["--MappingKernelManager.root_dir"]})
    )
    assert manager.cwd_for_path("meeting.ipynb") == str(tmp_path)


def test_open_leaves_an_edited_workbook_alone(started, tmp_path):
    edited = tmp_path / "part_review.ipynb"
    edited.write_text("my own notes")
    cli.main(["open", str(tmp_path)])
    assert edited.read_text() == "my own notes"


def test_open_where_nothing_can_be_written(started, tmp_path, capsys):
    (tmp_path / "taken").write_text("")
    assert cli.main(["open", str(tmp_path / "taken")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert started == []
