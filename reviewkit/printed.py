"""Print time and material of a workpiece, made once for all checks of its production, and their words."""

from reviewkit.limits import Limits
from reviewkit.measure.printing import Printing, printing
from reviewkit.workpiece import Workpiece


def printing_of(workpiece: Workpiece, limits: Limits, copies: int = 1) -> Printing:
    """Print time of a plate of copies, and material of one.

    Parameters
    ----------
    workpiece : Workpiece
        Its layers are taken as they are; ask :func:`reviewkit.judging.too_open` first.
    limits : Limits
        Tables with the rows ``production.time_spread`` and ``mass.spread``.
    copies : int
        Parts on the plate [-].

    Returns
    -------
    Printing

    Raises
    ------
    SetupError
        When the machine's profile does not say how it prints.
    ValueError
        When the layers hold no volume, or there is no copy.
    """
    spreads = [limits.value(name, workpiece.setup).value for name in ("production.time_spread", "mass.spread")]
    alone = workpiece.measured(
        "printing",
        lambda: printing(
            workpiece.layers, workpiece.filling, workpiece.filled_setup, time_spread=spreads[0], mass_spread=spreads[1]
        ),
        workpiece.zones,
        *spreads,
    )
    return alone.with_copies(copies)


def time_words(seconds: float) -> str:
    """A time in words, such as ``48 s``, ``12 min``, ``3 h 5 min`` or ``2 d 4 h`` [s]."""
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 100:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(round(seconds / 3600), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def grams_words(grams: float) -> str:
    """A mass in words, in g, or kg from a kilogram on [g]."""
    return f"{grams:.3g} g" if grams < 1000 else f"{grams / 1000:.3g} kg" if grams < 1e6 else f"{grams / 1000:,.0f} kg"
