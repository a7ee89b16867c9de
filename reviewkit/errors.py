"""The exceptions of the kit.

::

    ReviewError
      SubmissionError     what the customer sent cannot be reviewed
        MeshError         the mesh file itself is refused
      SetupError          machine, material, pose or option cannot be used
      LimitError          a data row is missing, unsourced or without a unit
      DocumentError       a document could not be written
      WorkbookError       a workbook was refused or stopped
      RecordError         the record refuses an entry or cannot be trusted
        StaleError        somebody decided the same thing since it was looked at
      SigningError        a document cannot be signed as asked

A bad part is a finding, never an exception; an exception means that the review
itself cannot go on.  Every message says what was met, with value and unit, what
is allowed and what to do next, in one line.
"""


class ReviewError(Exception):
    """The review cannot go on; the message is one line for a person."""


class SubmissionError(ReviewError):
    """The submission cannot be read or contradicts itself."""


class MeshError(SubmissionError):
    """The mesh file is refused: unreadable, empty, too large or not a mesh."""


class SetupError(ReviewError):
    """The machine, material, pose or an option cannot be used."""


class LimitError(ReviewError):
    """A limit or material row is missing, has no source or no unit."""


class DocumentError(ReviewError):
    """A document could not be written."""


class WorkbookError(ReviewError):
    """A workbook refused its parameters or stopped in a cell."""


class RecordError(ReviewError):
    """The record refuses an entry, or cannot be read or trusted."""


class StaleError(RecordError):
    """An entry rests on a view that others have changed since; the message says what changed."""


class SigningError(ReviewError):
    """A document cannot be signed as asked."""
