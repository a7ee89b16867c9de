"""Every check of the kit, in document order.

A check is a pure function ``(workpiece, limits) -> list[Finding]``.  To add one, write the
function in a module of its domain and add one line to :data:`CHECKS`.
"""

from collections.abc import Callable
from dataclasses import dataclass

from reviewkit.checks.ergonomics.balance import balance
from reviewkit.checks.ergonomics.clearance import handle_clearance
from reviewkit.checks.ergonomics.force import pull_force
from reviewkit.checks.ergonomics.grip import grip_edges, grip_length, grip_section
from reviewkit.checks.ergonomics.loops import finger_loops
from reviewkit.checks.flight.mass import mass_centre
from reviewkit.checks.flight.path import arrival, flight_path
from reviewkit.checks.flight.stability import stays_ahead
from reviewkit.checks.intake import intake
from reviewkit.checks.mechanics.flexures import flexures_found
from reviewkit.checks.mechanics.force import stroke_force, width_scatter
from reviewkit.checks.mechanics.strain import layer_bending, leaf_buckling, peak_strain, snap_strain
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
from reviewkit.checks.production.capacity import capacity
from reviewkit.checks.production.copies import copies
from reviewkit.checks.production.cost import cost_of_part
from reviewkit.checks.production.handling import handling
from reviewkit.checks.production.mass import material_used
from reviewkit.checks.production.process import process
from reviewkit.checks.production.time import print_time
from reviewkit.checks.production.yields import good_parts
from reviewkit.checks.requirements import requirements
from reviewkit.checks.safety.access import access
from reviewkit.checks.safety.edges import edges_and_points
from reviewkit.checks.safety.necks import necks
from reviewkit.checks.safety.pinch import pinch
from reviewkit.checks.safety.projectiles import projectiles
from reviewkit.checks.safety.small_parts import small_parts
from reviewkit.checks.safety.trap_holes import trap_holes
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


_PRINT, _MECHANICS, _SAFETY, _GRIP, _FLIGHT = "printability", "mechanics", "safety", "ergonomics", "flight"
_PRODUCTION = "production"
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
    Check("ME-01", "Flexures and mechanism", _MECHANICS, flexures_found),
    Check("ME-02", "Force over the stroke", _MECHANICS, stroke_force),
    Check("ME-03", "Strain of the flexures", _MECHANICS, peak_strain),
    Check("ME-04", "Bending across the layers", _MECHANICS, layer_bending),
    Check("ME-05", "Buckling of leaves", _MECHANICS, leaf_buckling),
    Check("ME-06", "Snaps", _MECHANICS, snap_strain),
    Check("ME-07", "Scatter of the force", _MECHANICS, width_scatter),
    Check("SA-01", "Finger access", _SAFETY, access),
    Check("SA-02", "Pinch and trap", _SAFETY, pinch),
    Check("SA-03", "Finger-trap holes", _SAFETY, trap_holes),
    Check("SA-04", "Small parts", _SAFETY, small_parts),
    Check("SA-05", "Projectiles", _SAFETY, projectiles),
    Check("SA-06", "Edges and points", _SAFETY, edges_and_points),
    Check("SA-07", "Break-off necks", _SAFETY, necks),
    Check("ER-01", "Grip section", _GRIP, grip_section),
    Check("ER-02", "Grip edges", _GRIP, grip_edges),
    Check("ER-03", "Grip length", _GRIP, grip_length),
    Check("ER-04", "Room behind a handle", _GRIP, handle_clearance),
    Check("ER-05", "Loops and triggers", _GRIP, finger_loops),
    Check("ER-06", "Pull force and span", _GRIP, pull_force),
    Check("ER-07", "Balance and weight", _GRIP, balance),
    Check("FL-01", "Mass centre", _FLIGHT, mass_centre),
    Check("FL-02", "Nose ahead", _FLIGHT, stays_ahead),
    Check("FL-03", "Flight", _FLIGHT, flight_path),
    Check("FL-04", "Arrival", _FLIGHT, arrival),
    Check("PD-01", "Print time", _PRODUCTION, print_time),
    Check("PD-02", "Mass and material", _PRODUCTION, material_used),
    Check("PD-03", "Copies on a plate", _PRODUCTION, copies),
    Check("PD-04", "Cost of a good part", _PRODUCTION, cost_of_part),
    Check("PD-05", "Capacity", _PRODUCTION, capacity),
    Check("PD-06", "Yield", _PRODUCTION, good_parts),
    Check("PD-07", "Why print it", _PRODUCTION, process),
    Check("PD-08", "Off the machine", _PRODUCTION, handling),
)

# What no check of a shape can say.
NOT_COVERED = (
    ("Chemical limits, flammability, hygiene", "they lie in the material, not in the shape; accredited tests decide"),
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
