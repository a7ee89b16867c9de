"""Workbooks in this process: the same documents as a kernel makes, the same errors, nothing left behind."""

import sys
from pathlib import Path

import nbformat
import pytest
import trimesh
from IPython.core.interactiveshell import InteractiveShell

from reviewkit import warm, workbook
from reviewkit.document.files import read_review
from reviewkit.errors import MeshError, SubmissionError, WorkbookError
from reviewkit.signing import check_folder

PIXEL = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
EVERYTHING = [
    "import base64, sys, warnings\nimport pandas as pd\nfrom IPython.display import HTML, Image, display",
    "print('one')\nprint('two')",
    "print('to err', file=sys.stderr)",
    "display(HTML('<b>b</b>'), metadata={'text/html': {'k': 1}})\nprint('x')\ndisplay({'text/plain': 'p'}, raw=True)",
    f"Image(base64.b64decode({PIXEL!r}))",
    "pd.DataFrame({'a': [1, 2]})",
    "number + 1",
    "number + 1;",
    "None",
    "",
    "display(display_id=True)\n'é \\N{SNOWMAN}'",
]


def notebook(sources: list[str]) -> nbformat.NotebookNode:
    new = nbformat.v4
    head = new.new_code_cell('folder: str = "."\nnumber: int = 0', metadata={"tags": ["parameters"]})
    cells = [head, *map(new.new_code_cell, sources), new.new_markdown_cell("words")]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return new.new_notebook(cells=cells, metadata={"kernelspec": kernel})


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Runs cells as a workbook of the kit, here or in a kernel; gives the executed copy."""
    for module in (warm, workbook):
        monkeypatch.setattr(module, "resource", lambda *parts: tmp_path / parts[-1])

    def run(*sources, how=warm.run_here, **parameters):
        nbformat.write(notebook(list(sources)), tmp_path / "tiny.ipynb")
        target = tmp_path / "done" / "tiny.ipynb"
        target.parent.mkdir(exist_ok=True)
        how("tiny.ipynb", parameters, target)
        return nbformat.read(target, as_version=4)

    return run


def told(executed: nbformat.NotebookNode) -> list[tuple[object, ...]]:
    return [
        (cell.cell_type, cell.source, cell.get("execution_count"), cell.get("outputs"), cell.metadata.papermill.status)
        for cell in executed.cells
    ]


def test_cells_give_what_they_give_in_a_kernel(run):
    here = run(*EVERYTHING, number=6)
    there = run(*EVERYTHING, how=workbook.run_workbook, number=6)
    nbformat.validate(here)
    assert told(here) == told(there)
    assert here.metadata.language_info == there.metadata.language_info
    # Not by both being empty.
    assert {output.output_type for cell in here.cells for output in cell.get("outputs", ())} == {
        "stream", "display_data", "execute_result",
    }  # fmt: skip


def test_no_name_slips_from_one_workbook_to_the_next_and_the_process_is_as_it_was(run):
    before = (sys.modules["__main__"], sys.displayhook, sys.stdout, InteractiveShell.initialized())
    run("slipped = 1\n%xmode Plain", "import builtins")
    with pytest.raises(WorkbookError, match="NameError: name 'slipped' is not defined"):
        run("slipped")
    assert (sys.modules["__main__"], sys.displayhook, sys.stdout, InteractiveShell.initialized()) == before


def test_what_a_workbook_made_is_let_go(run, monkeypatch):
    monkeypatch.setattr(sys, "held", None, raising=False)
    run("import sys, weakref", "class Mesh:\n    pass", "mesh = Mesh()\nsys.held = weakref.ref(mesh)", "mesh")
    assert sys.held is not None
    assert sys.held() is None


def test_a_shell_that_was_there_comes_back(run):
    InteractiveShell.clear_instance()
    shell = InteractiveShell.instance()
    try:
        run("1 + 1")
        assert InteractiveShell.instance() is shell
    finally:
        InteractiveShell.clear_instance()


def test_an_error_of_the_kit_comes_back_as_it_is(run, tmp_path):
    with pytest.raises(MeshError) as error:
        run("from reviewkit.errors import MeshError\nraise MeshError(\"no {mesh} 'here'\")")
    assert str(error.value) == "no {mesh} 'here'"
    assert list((tmp_path / "done").iterdir()) == []


def test_a_crash_leaves_what_was_done_and_is_told_in_one_line(run, tmp_path):
    with pytest.raises(WorkbookError) as error:
        run("print('so far')", "raise ValueError('a thing\\nof two lines')", "print('never')")
    stopped = tmp_path / "done" / "tiny.stopped.ipynb"
    assert "ValueError: a thing of two lines" in str(error.value)
    assert "\n" not in str(error.value)
    outputs = {cell.source: cell.get("outputs") for cell in nbformat.read(stopped, as_version=4).cells}
    assert outputs["print('so far')"][0].text == "so far\n"
    assert outputs["print('never')"] == []
    # The next run that goes through takes it away.
    run("1")
    assert [path.name for path in (tmp_path / "done").iterdir()] == ["tiny.ipynb"]


@pytest.mark.filterwarnings("ignore:To exit")
def test_even_an_exit_stops_the_workbook_only(run):
    with pytest.raises(WorkbookError, match="SystemExit: 3"):
        run("raise SystemExit(3)")


def test_a_review_has_all_its_files_sealed(tmp_path):
    trimesh.creation.box((30.0, 20.0, 6.0)).export(tmp_path / "clip.stl")
    out = tmp_path / "out"
    (out / "figures").mkdir(parents=True)
    (out / "figures" / ".poses.svg.123.part").write_text("half of it")
    page = warm.documented_here(tmp_path / "clip.stl", out)
    names = {path.name for path in out.iterdir()}
    assert {page.name, "review.ipynb", "review.pdf", "review.json", "manifest.json", "actions.csv"} <= names
    assert [line.text for line in check_folder(out) if line.holds is False] == []
    assert len(read_review(out).findings) > 20
    with pytest.raises(SubmissionError, match="not a file or folder"):
        warm.documented_here(Path(tmp_path / "nothing"), out)
