"""Every check of the kit, in document order.

A check is a pure function ``(workpiece, limits) -> list[Finding]``.  To add one, write the
function in the module of its domain and add one line to :data:`CHECKS`; what
:data:`NOT_COVERED` says of it then goes.
"""

from collections.abc import Callable
from dataclasses import dataclass

from reviewkit.checks.intake import intake
from reviewkit.checks.printability.features import features
from reviewkit.checks.printability.first_layer import first_layer_shape
from reviewkit.checks.printability.fits import fits
from reviewkit.checks.printability.gaps import gaps
from reviewkit.checks.printability.lift import corner_lift
from reviewkit.checks.printability.loads import loads
from reviewkit.checks.printability.looks import looks
from reviewkit.checks.printability.overhangs import overhanging
from reviewkit.checks.printability.plate import plate_fit
from reviewkit.checks.printability.poses import poses
from reviewkit.checks.printability.removal import removal
from reviewkit.checks.printability.stability import stability
from reviewkit.checks.printability.walls import walls
from reviewkit.checks.requirements import requirements
from reviewkit.limits import Limits
from reviewkit.model import Finding
from reviewkit.workpiece import Workpiece


@dataclass(frozen=True)
class Check:
    """One check: its code or group of codes, what it judges, its domain and its function."""

    code: str
    title: str
    domain: str
    judge: Callable[[Workpiece, Limits], list[Finding]]


_PRINT = "printability"
CHECKS = (
    Check("IN", "Mesh and units", "intake", intake),
    Check("RQ", "Requirements", "intake", requirements),
    Check("PR-01", "Plate fit", _PRINT, plate_fit),
    Check("PR-02", "Poses", _PRINT, poses),
    Check("PR-03", "First layer", _PRINT, first_layer_shape),
    Check("PR-04", "Walls", _PRINT, walls),
    Check("PR-05", "Gaps", _PRINT, gaps),
    Check("PR-06", "Overhangs", _PRINT, overhanging),
    Check("PR-07", "Tall and thin", _PRINT, stability),
    Check("PR-08", "Removal without a hand", _PRINT, removal),
    Check("PR-09", "Corner lift", _PRINT, corner_lift),
    Check("PR-10", "Small features", _PRINT, features),
    Check("PR-11", "Load against the layers", _PRINT, loads),
    Check("PR-12", "Fits", _PRINT, fits),
    Check("PR-13", "Looks", _PRINT, looks),
)

_LATER = "this version of the kit has no check for it; a reviewer has to judge it"
NOT_COVERED = (
    ("ME flexure stiffness, strain and life", _LATER),
    ("SA finger access, pinching, small parts, projectiles, edges", f"{_LATER} and accredited tests decide"),
    ("ER grip and reach", _LATER),
    ("FL projectile flight", _LATER),
    ("PD print time, cost, yield and packing", _LATER),
)


def of_domain(domain: str) -> tuple[Check, ...]:
    """The checks of a domain, in document order."""
    return tuple(check for check in CHECKS if check.domain == domain)


def titles() -> dict[str, str]:
    """What each code or group of codes judges, in a few words."""
    return {check.code: check.title for check in CHECKS}


def title_of(code: str) -> str:
    """What a finding's code judges, in a few words."""
    return next((check.title for check in CHECKS if code.startswith(check.code)), code)
