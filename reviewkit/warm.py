"""A workbook's cells run in this very process, so that the seconds of starting are paid once for many workbooks.

papermill makes the document as ever; only its kernel is left out.  Each workbook gets a shell
of its own, so that no name slips from one to the next; what is kept is what Python has imported.
"""

import atexit
import base64
import contextlib
import gc
import io
import logging
import types
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from threading import Lock
from typing import Any

import nbformat
import papermill
from ipykernel.ipkernel import IPythonKernel
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from nbformat.notebooknode import NotebookNode
from papermill.engines import Engine, papermill_engines
from papermill.exceptions import PapermillExecutionError
from traitlets import Type
from traitlets.config import Config

from reviewkit import errors
from reviewkit.document.files import make_folder, write_bytes
from reviewkit.errors import ReviewError, WorkbookError
from reviewkit.resources import resource
from reviewkit.signoff import completed
from reviewkit.submission import read_submission

_REVIEW = "part_review.ipynb"

# A process has one standard output and one shell that displays.
_ONE_AT_A_TIME = Lock()


def documented_here(source: str | Path, folder: str | Path) -> Path:
    """Review through the workbook in this process: the same files as :func:`reviewkit.workbook.documented` makes.

    Parameters
    ----------
    source : str or Path
        A folder with ``submission.toml``, that file, or a bare mesh file.
    folder : str or Path
        Made when absent.

    Returns
    -------
    Path
        The HTML document.

    Raises
    ------
    ReviewError
        As :func:`reviewkit.review.review` raises it.
    WorkbookError
        When a cell stopped for another reason.
    """
    read_submission(Path(source))
    folder = Path(folder).resolve()
    make_folder(folder)
    # What a killed process was about to write is no file of this review.
    for unfinished in folder.rglob(".*.part"):
        unfinished.unlink(missing_ok=True)
    parameters = {"source": str(Path(source).resolve()), "folder": str(folder)}
    run_here(_REVIEW, parameters, folder / "review.ipynb")
    return completed(folder)


def run_here(name: str, parameters: Mapping[str, object], target: Path) -> None:
    """Execute a shipped workbook in this process and keep the executed copy.

    Parameters
    ----------
    name : str
        File name below ``workbooks``.
    parameters : mapping of str to object
        Values for the cell tagged ``parameters``.
    target : Path
        Where the executed notebook goes; a run that stops leaves what it did beside it as
        ``<name>.stopped.ipynb``.

    Raises
    ------
    WorkbookError
        For a cell that stopped.
    ReviewError
        When the workbook stopped on one of the kit's own errors: the same class, one line.
    """
    logging.getLogger("papermill").setLevel(logging.ERROR)
    notebook = nbformat.read(resource("workbooks", name), as_version=4)
    stopped = target.with_suffix(".stopped.ipynb")
    # A note on an earlier stop would be sealed as a file of this review.
    stopped.unlink(missing_ok=True)
    with _ONE_AT_A_TIME:
        papermill_engines.register("reviewkit-here", _HereEngine)
        try:
            executed = papermill.execute_notebook(
                notebook,
                None,
                parameters=dict(parameters),
                engine_name="reviewkit-here",
                kernel_name="python3",
                language="python",
                progress_bar=False,
                log_output=False,
            )
        except PapermillExecutionError as error:
            raise stopped_by(error, name, stopped, _HereEngine.notebook) from None
    write_bytes(target, nbformat.writes(executed).encode())


def stopped_by(error: PapermillExecutionError, name: str, kept: Path, notebook: NotebookNode) -> ReviewError:
    """What a run that stopped in a cell hands back; unless it is an error of the kit, the notebook is kept.

    Parameters
    ----------
    error : PapermillExecutionError
    name : str
        File name of the workbook.
    kept : Path
        Where the notebook goes as far as it came.
    notebook : NotebookNode
    """
    kind = getattr(errors, error.ename, None)
    if isinstance(kind, type) and issubclass(kind, ReviewError):
        return kind(error.evalue)
    write_bytes(kept, nbformat.writes(notebook).encode())
    return WorkbookError(
        f"{name} stopped in cell {error.cell_index}: {error.ename}: {' '.join(error.evalue.split())}; see {kept}"
    )


class _HereEngine(Engine):  # type: ignore[misc]
    """Runs the cells of a notebook one after the other in a new shell of this process."""

    notebook: NotebookNode

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **_: Any) -> None:  # noqa: ARG003
        cls.notebook = nb_man.nb
        with _new_shell() as shell:
            for index, cell in enumerate(nb_man.nb.cells):
                nb_man.cell_start(cell, index)
                sound = cell.cell_type != "code" or not cell.source.strip() or shell.run(cell)
                if not sound:
                    nb_man.cell_exception(cell, index)
                nb_man.cell_complete(cell, index)
                if not sound:
                    break
        nb_man.nb.metadata["language_info"] = NotebookNode(IPythonKernel.language_info)


class _Publisher(DisplayPublisher):  # type: ignore[misc]
    """Keeps what ``display`` is given as outputs of the cell."""

    def publish(self, data: Any, metadata: Any = None, **_: Any) -> None:
        self.shell.keep(nbformat.v4.new_output("display_data", data=_as_text(data), metadata=metadata or {}))


class _Hook(DisplayHook):  # type: ignore[misc]
    """Keeps the value of a cell's last expression as its result."""

    def __call__(self, result: object = None) -> None:
        if result is None or self.quiet():
            return
        data, metadata = self.shell.display_formatter.format(result)
        count = self.prompt_count
        self.shell.keep(
            nbformat.v4.new_output("execute_result", data=_as_text(data), metadata=metadata, execution_count=count)
        )


class _Shell(InteractiveShell):  # type: ignore[misc]
    """A shell whose outputs go into the cell that it runs."""

    display_pub_class = Type(_Publisher)
    displayhook_class = Type(_Hook)

    def run(self, cell: NotebookNode) -> bool:
        """Run one cell and say whether it went through."""
        self.outputs = cell.outputs = []
        cell.execution_count = self.execution_count
        out, err = (_Stream(self.keep, name) for name in ("stdout", "stderr"))
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            done = self.run_cell(cell.source, store_history=True)
        return bool(done.success)

    def keep(self, output: NotebookNode) -> None:
        """Add an output; words of one stream go together."""
        last = self.outputs[-1] if self.outputs else None
        if output.output_type == "stream" and last and last.get("name") == output.name:
            last["text"] += output.text
        else:
            self.outputs.append(output)

    def _showtraceback(self, etype: type[BaseException], evalue: BaseException, stb: list[str]) -> None:
        self.keep(nbformat.v4.new_output("error", ename=etype.__name__, evalue=str(evalue), traceback=list(stb)))


class _Stream(io.TextIOBase):
    """What cells print, as outputs."""

    def __init__(self, keep: Callable[[NotebookNode], None], name: str) -> None:
        self._keep = keep
        self._name = name

    def write(self, text: str) -> int:
        if text:
            self._keep(nbformat.v4.new_output("stream", name=self._name, text=text))
        return len(text)

    def writable(self) -> bool:
        return True


@contextlib.contextmanager
def _new_shell() -> Iterator[_Shell]:
    """A shell with no names in it, which leaves nothing behind; the one that was there before comes back."""
    before = InteractiveShell._instance
    if before is not None:
        type(before).clear_instance()
    config = Config()
    config.HistoryManager.enabled = False
    config.InteractiveShell.cache_size = 0
    shell = _Shell.instance(config=config, user_module=types.ModuleType("__workbook__"))
    try:
        yield shell
    finally:
        shell.atexit_operations()
        atexit.unregister(shell.atexit_operations)
        shell.user_ns.clear()
        _Shell.clear_instance()
        # Meshes and their measures hold one another; left to themselves they pile up by the hundred megabytes.
        gc.collect()
        if before is not None:
            for kind in type(before)._walk_mro():
                kind._instance = before


def _as_text(data: dict[str, Any]) -> dict[str, Any]:
    """A bundle of representations as a notebook stores it: pictures in base 64."""
    return {
        kind: base64.b64encode(content).decode("ascii") if isinstance(content, bytes) else content
        for kind, content in data.items()
    }
