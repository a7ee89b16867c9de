"""Every check of the kit, in document order.

A check is a pure function ``(workpiece, limits) -> list[Finding]``.  To add one, write the
function in the module of its domain and add one line to :data:`CHECKS`; what
:data:`NOT_COVERED` says of it then goes.
"""

from collections.abc import Callable
from dataclasses import dataclass

from reviewkit.checks.intake import intake
from reviewkit.checks.printability.first_layer import first_layer_shape
from reviewkit.checks.printability.plate import plate_fit
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


CHECKS = (
    Check("IN", "Mesh and units", "intake", intake),
    Check("RQ", "Requirements", "intake", requirements),
    Check("PR-01", "Plate fit", "printability", plate_fit),
    Check("PR-03", "First layer", "printability", first_layer_shape),
    Check("PR-04", "Walls", "printability", walls),
)

_LATER = "this version of the kit has no check for it; a reviewer has to judge it"
NOT_COVERED = (
    ("PR-02 poses compared", _LATER),
    ("PR-05 gaps that fuse, small slots and holes", _LATER),
    ("PR-06 overhangs, bridges and supports", _LATER),
    ("PR-07 tall and thin parts", _LATER),
    ("PR-08 removal from the plate", _LATER),
    ("PR-09 corner lift", _LATER),
    ("PR-10 features too small to draw", _LATER),
    ("PR-11 load against the layers", _LATER),
    ("PR-12 fits and toleranced sizes", _LATER),
    ("PR-13 visible faces", _LATER),
    ("ME flexure stiffness, strain and life", _LATER),
    ("SA finger access, pinching, small parts, projectiles, edges", f"{_LATER} and accredited tests decide"),
    ("ER grip and reach", _LATER),
    ("FL projectile flight", _LATER),
    ("PD print time, cost, yield and packing", _LATER),
)


def of_domain(domain: str) -> tuple[Check, ...]:
    """The checks of a domain, in document order."""
    return tuple(check for check in CHECKS if check.domain == domain)


def title_of(code: str) -> str:
    """What a finding's code judges, in a few words."""
    return next((check.title for check in CHECKS if code.startswith(check.code)), code)
