"""Runs a parameterised workbook through papermill, with progress and checked parameters."""

import json
import logging
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import nbformat
import papermill
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import DeadKernelError
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from reviewkit.document.files import make_folder, write_bytes
from reviewkit.errors import WorkbookError
from reviewkit.resources import resource
from reviewkit.signoff import completed
from reviewkit.submission import read_submission
from reviewkit.warm import stopped_by

_CELL_SECONDS = 1800
_START_SECONDS = 120

Progress = Callable[[int, int, str], None]


def documented(
    source: str | Path,
    folder: str | Path,
    *,
    units: str = "",
    machine: str = "",
    material: str = "",
    quantity: int | None = None,
    progress: Progress = lambda *_: None,
) -> Path:
    """Review through the workbook: the same files, and the executed notebook beside them.

    Parameters
    ----------
    source, units, machine, material, quantity
        As for :func:`reviewkit.review.review`.
    folder : str or Path
        Made when absent.
    progress : callable
        Called with number, count and title as each step begins.

    Returns
    -------
    Path
        The HTML document.
    """
    # What can be refused at once is refused before a kernel is started.
    read_submission(Path(source), units=units, machine=machine, material=material, quantity=quantity)
    folder = Path(folder).resolve()
    make_folder(folder)
    parameters = {
        "source": str(Path(source).resolve()),
        "folder": str(folder),
        "units": units,
        "machine": machine,
        "material": material,
        "quantity": quantity or 0,
    }
    run_workbook("part_review.ipynb", parameters, folder / "review.ipynb", progress)
    return completed(folder)


def comparison_documented(
    old: Path, new: Path, folder: Path, records: Path | None = None, progress: Progress = lambda *_: None
) -> tuple[str, Path]:
    """Compare two revisions through the workbook.

    Parameters
    ----------
    old, new : Path
        Folders of reviews, or of submissions, which are reviewed first.
    folder : Path
        Gets the documents and the executed notebook; made when absent.
    records : Path, optional
        Folder of the record.
    progress : callable
        As for :func:`documented`.

    Returns
    -------
    str
        What changed, in a line.
    Path
        The HTML page.
    """
    folder = folder.resolve()
    make_folder(folder)
    parameters = {
        "old": str(Path(old).resolve()),
        "new": str(Path(new).resolve()),
        "folder": str(folder),
        "records": str(records.resolve()) if records else "",
    }
    run_workbook("revision_compare.ipynb", parameters, folder / "comparison.ipynb", progress)
    told = json.loads((folder / "comparison.json").read_bytes())
    return str(told["words"]), folder / "comparison.html"


def run_workbook(
    name: str, parameters: Mapping[str, object], target: Path, progress: Progress = lambda *_: None
) -> None:
    """Execute a shipped workbook and keep the executed copy.

    Parameters
    ----------
    name : str
        File name below ``workbooks``, such as ``part_review.ipynb``.
    parameters : mapping of str to object
        Values for the cell tagged ``parameters``; a name that is not there is refused.
    target : Path
        Where the executed notebook goes; written only when the whole run succeeds.  A run
        that stops leaves what it did beside it as ``<name>.stopped.ipynb``.
    progress : callable
        Called as each titled cell starts: its number, how many there are, its title.

    Raises
    ------
    WorkbookError
        For an unknown parameter or a cell that stopped.
    ReviewError
        When the workbook stopped on one of the kit's own errors: the same class, one line.
    """
    notebook = nbformat.read(resource("workbooks", name), as_version=4)
    _refuse_unknown(notebook, parameters)
    # The kernel's note on unencrypted local traffic comes at every start and helps nobody.
    logging.getLogger("papermill").setLevel(logging.ERROR)
    engine = _engine(progress)
    papermill_engines.register("reviewkit", engine)
    try:
        executed = papermill.execute_notebook(
            notebook,
            None,
            parameters=dict(parameters),
            engine_name="reviewkit",
            kernel_name="python3",
            language="python",
            kernel_manager_class="reviewkit.workbook.OwnKernelManager",
            progress_bar=False,
            log_output=False,
            execution_timeout=_CELL_SECONDS,
            start_timeout=_START_SECONDS,
        )
    except DeadKernelError:
        raise WorkbookError(
            f"the process that ran {name} was killed, most likely for want of memory; free some or send a smaller mesh"
        ) from None
    except PapermillExecutionError as error:
        raise stopped_by(error, name, target.with_suffix(".stopped.ipynb"), engine.notebook) from None
    write_bytes(target, nbformat.writes(executed).encode())


class OwnKernelManager(AsyncKernelManager):  # type: ignore[misc]
    """Starts the very Python that runs the kit, whatever kernels the machine has under the same name."""

    def __init__(self, **arguments: Any) -> None:
        super().__init__(**arguments)
        self.kernel_spec_manager = _OwnSpecs()

    async def start_kernel(self, **arguments: Any) -> None:
        """Start it with nowhere to write: what cells print travels by messages."""
        await super().start_kernel(**arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


class _OwnSpecs(KernelSpecManager):  # type: ignore[misc]
    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:  # noqa: ARG002
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}", "--log-level=ERROR"]
        return KernelSpec(argv=argv, display_name="Python 3", language="python")


def _refuse_unknown(notebook: nbformat.NotebookNode, parameters: Mapping[str, object]) -> None:
    known = set(papermill.inspect_notebook(notebook))
    unknown = sorted(set(parameters) - known)
    if unknown:
        raise WorkbookError(f"the workbook has no parameter {', '.join(unknown)}; it takes {', '.join(sorted(known))}")


def _engine(progress: Progress) -> type[NBClientEngine]:
    """An engine that tells of each titled cell as it starts and keeps hold of the notebook."""

    class TellingEngine(NBClientEngine):  # type: ignore[misc]
        notebook: nbformat.NotebookNode

        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **options: Any) -> Any:
            cls.notebook = nb_man.nb
            titles = {i: c.metadata["title"] for i, c in enumerate(nb_man.nb.cells) if "title" in c.metadata}
            numbers = {index: number for number, index in enumerate(titles, 1)}
            started = nb_man.cell_start

            def cell_start(cell: Any, cell_index: int | None = None, **more: Any) -> None:
                if cell_index in titles:
                    progress(numbers[cell_index], len(titles), titles[cell_index])
                started(cell, cell_index=cell_index, **more)

            nb_man.cell_start = cell_start
            return super().execute_managed_notebook(nb_man, kernel_name, **options)

    return TellingEngine
