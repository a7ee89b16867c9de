"""Where data and workbooks are: beside the package in a checkout, inside it in a wheel."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_ROOTS = (_PACKAGE / "_shipped", _PACKAGE.parent)


def resource(*parts: str) -> Path:
    """Path of a shipped file or folder.

    Parameters
    ----------
    *parts : str
        Path below the root, such as ``"data", "limits"``.

    Returns
    -------
    Path
        The existing file or folder.

    Raises
    ------
    FileNotFoundError
        When neither the wheel nor the checkout holds it.
    """
    for root in _ROOTS:
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise FileNotFoundError(f"{'/'.join(parts)} is not part of this installation of reviewkit; install it again")
