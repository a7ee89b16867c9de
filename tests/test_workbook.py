"""Running a workbook: parameters checked, errors handed back as they are, the own Python used."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from reviewkit import workbook
from reviewkit.errors import ReviewError, SubmissionError, WorkbookError
from reviewkit.resources import resource

ROOT = Path(__file__).resolve().parents[1]
HOSTILE_FOLDER = "{folder} {0} {{x}} 'one' \"two\" $(three) `four` %s \\n é"


def notebook(*cells: tuple[str, str]) -> nbformat.NotebookNode:
    """A workbook of titled cells after one of parameters."""
    new = nbformat.v4
    head = new.new_code_cell('folder: str = "."\nnumber: int = 0', metadata={"tags": ["parameters"]})
    rest = [new.new_code_cell(source, metadata={"title": title} if title else {}) for title, source in cells]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return new.new_notebook(cells=[head, *rest], metadata={"kernelspec": kernel})


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Runs cells as a workbook of the kit; gives where the executed copy goes."""
    monkeypatch.setattr(workbook, "resource", lambda *parts: tmp_path / parts[-1])

    def run(*cells, progress=lambda *_: None, **parameters):
        nbformat.write(notebook(*cells), tmp_path / "tiny.ipynb")
        target = tmp_path / "done" / "tiny.ipynb"
        target.parent.mkdir(exist_ok=True)
        workbook.run_workbook("tiny.ipynb", parameters, target, progress)
        return target

    return run


def done(tmp_path: Path) -> set[str]:
    return {path.name for path in (tmp_path / "done").iterdir()}


def test_a_run_tells_its_steps_uses_the_own_python_and_takes_any_folder_name(run, tmp_path, monkeypatch):
    # A kernel of the usual name that cannot work, where kernels are looked for first.
    kernels = tmp_path / "jupyter" / "kernels" / "python3"
    kernels.mkdir(parents=True)
    spec = {"argv": ["/bin/false", "{connection_file}"], "display_name": "Wrong", "language": "python"}
    (kernels / "kernel.json").write_text(json.dumps(spec))
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "jupyter"))
    folder = tmp_path / HOSTILE_FOLDER
    folder.mkdir()
    steps = []

    target = run(
        ("First step", "import pathlib, sys"),
        ("", "told = [sys.executable, folder, number, type(number).__name__]"),
        ("Second step", "pathlib.Path(folder, 'told.txt').write_text('|'.join(map(str, told)), encoding='utf-8')"),
        progress=lambda *step: steps.append(step),
        folder=str(folder),
        number=7,
    )

    assert (folder / "told.txt").read_text(encoding="utf-8") == f"{sys.executable}|{folder}|7|int"
    assert steps == [(1, 2, "First step"), (2, 2, "Second step")]
    executed = nbformat.read(target, as_version=4)
    nbformat.validate(executed)
    assert [cell.execution_count for cell in executed.cells] == [1, 2, 3, 4, 5]
    assert [cell.metadata.tags for cell in executed.cells[:2]] == [["parameters"], ["injected-parameters"]]
    assert done(tmp_path) == {"tiny.ipynb"}


def test_an_unknown_parameter_is_refused_before_anything_runs(run, tmp_path):
    with pytest.raises(WorkbookError) as error:
        run(("Step", "open('ran', 'w')"), foldr="x", number=1)
    assert str(error.value) == "the workbook has no parameter foldr; it takes folder, number"
    assert done(tmp_path) == set()


@pytest.mark.parametrize("name", ["SubmissionError", "ReviewError"])
def test_an_error_of_the_kit_comes_back_as_it_is(run, tmp_path, name):
    told = "clip.stl has 0 bytes; give 'another' {file}"
    with pytest.raises(ReviewError) as error:
        run(("Step", f"from reviewkit.errors import {name}\nraise {name}({told!r})"))
    assert type(error.value).__name__ == name
    assert str(error.value) == told
    assert done(tmp_path) == set()


def test_errors_of_the_kit_keep_their_place_in_its_tree(run):
    with pytest.raises(SubmissionError, match=r"^no mesh$"):
        run(("Step", "from reviewkit.errors import MeshError\nraise MeshError('no mesh')"))


def test_a_crash_leaves_what_was_done_and_is_told_in_one_line(run, tmp_path):
    with pytest.raises(WorkbookError) as error:
        run(("First", "print('so far')"), ("Second", "raise ValueError('a thing\\nof two lines')"), ("Third", "0"))
    told = str(error.value)
    stopped = tmp_path / "done" / "tiny.stopped.ipynb"
    assert "tiny.ipynb stopped in" in told
    assert "ValueError: a thing" in told
    assert str(stopped) in told
    assert "\n" not in told
    assert done(tmp_path) == {stopped.name}
    kept = nbformat.read(stopped, as_version=4)
    outputs = {cell.source: cell.outputs for cell in kept.cells if cell.cell_type == "code"}
    assert outputs["print('so far')"][0].text == "so far\n"
    assert outputs["0"] == []


def test_a_killed_kernel_is_told_in_one_line(run, tmp_path):
    with pytest.raises(WorkbookError) as error:
        run(("Step", "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"))
    assert "\n" not in str(error.value)
    assert "tiny.ipynb" in str(error.value)
    assert "tiny.ipynb" not in done(tmp_path)


def test_shipped_workbooks_run_by_themselves_with_the_parameters_they_ship_with(tmp_path):
    """Each as it ships, alone in a folder, through nbval; what a review holds is tested elsewhere."""
    for path in resource("workbooks").glob("*.ipynb"):
        shutil.copy(path, tmp_path)
    search = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--nbval-lax", "--nbval-current-env", "-p", "no:cacheprovider", "."],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": search},
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert " passed" in done.stdout
    assert [path.name for path in tmp_path.rglob("review.html")] == ["review.html"]
