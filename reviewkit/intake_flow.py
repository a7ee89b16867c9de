"""Front door of intake: from bare meshes to a submission that a person can read, edit and have reviewed."""

import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from reviewkit.errors import SubmissionError
from reviewkit.fields import shown
from reviewkit.limits import Limits
from reviewkit.review import set_up
from reviewkit.submission import FILE_NAME, Submission, bare_submission, read_submission, write_submission
from reviewkit.suggestions import Suggestion, accepted, suggestions
from reviewkit.workpiece import Workpiece

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Intake:
    """Meshes read, what is stated of them, and what the kit suggests besides.

    Parameters
    ----------
    submission : Submission
        As found; of bare meshes everything is left open.
    workpieces : tuple of Workpiece
        One a part, in its pose.
    limits : Limits
    suggestions : tuple of Suggestion
        In the order in which to ask.
    """

    submission: Submission
    workpieces: tuple[Workpiece, ...]
    limits: Limits
    suggestions: tuple[Suggestion, ...]

    def workpiece(self, part: str) -> Workpiece:
        """The workpiece of a part, by its id."""
        return next(workpiece for workpiece in self.workpieces if workpiece.part.id == part)


def opened_intake(
    source: str | Path,
    *,
    units: str = "",
    machine: str = "",
    material: str = "",
    progress: Progress = lambda _: None,
) -> Intake:
    """Read meshes and ask them what they suggest.

    Parameters
    ----------
    source : str or Path
        A mesh, a folder of meshes, or a submission that is to be completed.
    units : str
        Unit of the mesh files where they do not say, such as ``mm`` or ``in``.
    machine, material : str
        Instead of the submission's own or the usual.
    progress : callable
        Called with a few words as each step begins.

    Returns
    -------
    Intake

    Raises
    ------
    ReviewError
        When the files cannot be read; one line.
    """
    case = set_up(_stated(Path(source), units, machine, material), progress)
    return Intake(case.submission, case.workpieces, case.limits, suggestions(case.workpieces, case.limits, progress))


def suggested_submission(
    source: str | Path,
    out: str | Path | None = None,
    *,
    units: str = "",
    machine: str = "",
    material: str = "",
    progress: Progress = lambda _: None,
) -> tuple[Path, Sequence[Suggestion]]:
    """Write a submission with every suggestion accepted and marked as suggested, confirmed by nobody.

    Parameters
    ----------
    source, units, machine, material, progress
        As for :func:`opened_intake`.
    out : str or Path, optional
        Folder for the submission; meshes are copied there.  Beside the meshes when not given.

    Returns
    -------
    path : Path
        The ``submission.toml``.
    taken : sequence of Suggestion
        What was suggested.
    """
    intake = opened_intake(source, units=units, machine=machine, material=material, progress=progress)
    folder = intake.submission.folder if out is None else Path(out)
    return save_intake(accepted(intake.submission, intake.suggestions), folder or Path()), intake.suggestions


def save_intake(submission: Submission, folder: str | Path) -> Path:
    """Write a submission into a folder with its meshes and documents, and read it again.

    Parameters
    ----------
    submission : Submission
    folder : str or Path
        Made when absent.  Files that are elsewhere are copied here; one of the same name and other content is
        refused.

    Returns
    -------
    Path
        The ``submission.toml``.

    Raises
    ------
    SubmissionError
        When a file cannot be copied, or the submission is not valid.
    """
    folder = Path(folder)
    for name in (*(part.file for part in submission.parts), *(document.file for document in submission.documents)):
        if submission.folder is not None:
            _copied(submission.folder / name, folder / name)
    path = write_submission(submission, folder)
    read_submission(path)
    return path


def _stated(source: Path, units: str, machine: str, material: str) -> Submission:
    """What is stated already: a submission, or nothing but the meshes."""
    if source.is_dir() and not (source / FILE_NAME).exists():
        return bare_submission(source, units=units, machine=machine, material=material)
    return read_submission(source, units=units, machine=machine, material=material)


def _copied(source: Path, target: Path) -> None:
    """A file put beside the submission, whole or not at all."""
    if not source.is_file() or target.resolve() == source.resolve():
        return
    temporary = target.with_name(f".{target.name}.tmp")
    try:
        if target.exists():
            if target.read_bytes() == source.read_bytes():
                return
            raise SubmissionError(
                f"{shown(target)} is there already and is another file than {shown(source)}; give an empty folder"
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, temporary)
        temporary.replace(target)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink()
        raise SubmissionError(
            f"{shown(target)} cannot be written ({error.strerror}); give a folder that you may write to"
        ) from None
