"""Print time and material of a workpiece, made once for all checks of its production, and their words."""

from dataclasses import replace

from reviewkit.limits import Limits
from reviewkit.measure.filling import Filling, filling_of
from reviewkit.measure.printing import Printing, printing
from reviewkit.measure.zones import zoned
from reviewkit.model import Setup
from reviewkit.submission import Zone
from reviewkit.workpiece import Workpiece

# Zones count by how empty they are against the rest, which must not be quite solid.
_NEARLY_SOLID = 1 - 1e-9


def filling_in(workpiece: Workpiece) -> Filling:
    """How the layers of a workpiece are filled, with the zones of the submission.

    Raises
    ------
    SetupError
        When the machine's profile does not say how it prints.
    """
    setup, zones = _setup(workpiece), _zones(workpiece)

    def filled() -> Filling:
        plain = filling_of(workpiece.layers, setup.printing, setup.line_width_mm)
        return zoned(workpiece.layers, plain, zones, setup.core_fill, setup.printing, workpiece.to_plate)

    return workpiece.measured("filling", filled, zones)


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
            workpiece.layers, filling_in(workpiece), _setup(workpiece), time_spread=spreads[0], mass_spread=spreads[1]
        ),
        _zones(workpiece),
        *spreads,
    )
    return alone.with_copies(copies)


def _zones(workpiece: Workpiece) -> tuple[Zone, ...]:
    return tuple(zone for zone in workpiece.submission.zones if zone.part == workpiece.part.id)


def _setup(workpiece: Workpiece) -> Setup:
    setup = workpiece.setup
    return replace(setup, core_fill=min(setup.core_fill, _NEARLY_SOLID)) if _zones(workpiece) else setup


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
