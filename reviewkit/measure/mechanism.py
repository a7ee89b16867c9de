"""How blocks joined by flexures want to move: the softest motions of a frame of elastic beams.

Each flexure is a beam along its own centre line with its own widths; blocks are rigid.  The frame
tells direction and rank of motions and a stiffness to within a few percent where blocks are much
stouter than flexures; where they bend too it is too stiff.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.cluster.hierarchy import DisjointSet
from scipy.linalg import eigh

from reviewkit.measure.flexures import ROOT_WIDTHS, Flexure, FlexureKind, SectionPlane, flexibility
from reviewkit.model import Floats, Vector
from reviewkit.submission import Motion, MotionKind, Region, RegionKind

# A centre of rotation farther away than so many sizes of the part is nowhere.
_FAR_SIZES = 20.0


@dataclass(frozen=True, eq=False)
class SoftMotion:
    """One way in which the blocks move against the held one.

    Parameters
    ----------
    block : int
        The one that moves most, in the order of the plane's blocks [-].
    direction : Vector
        Unit direction in which its mass centre moves, in the part's frame [-].
    centre_mm : Vector or None
        About which it turns, in the part's frame at the height of the plane's section; None where it
        moves straight on [mm].
    turns : bool
        Whether its centre moves less by itself than the block turns about it: a hinge rather than a guide.
    stiffness_n_mm : float
        Force at its mass centre for a millimetre in that direction, all other blocks free [N/mm].
    turning_n_mm : float
        Moment on it for a radian, all other blocks free [N mm].
    ratio : float
        How many times stiffer the next motion is; infinite for the last [-].
    moves : (n, 3) float
        Of every block, its centre in x and y, and its turn [rad], the mover's travel and its turn on its
        radius of gyration together being 1 mm: of the softest motion when the mover alone is loaded that
        way, of the others as modes [mm, mm, -].
    """

    block: int
    direction: Vector
    centre_mm: Vector | None
    turns: bool
    stiffness_n_mm: float
    turning_n_mm: float
    ratio: float
    moves: Floats


@dataclass(frozen=True, eq=False)
class Mechanism:
    """The blocks of one plane held at one of them.

    Parameters
    ----------
    held : int
        Number of the block that is held [-].
    held_by : str
        Why that one.
    free : tuple of int
        Blocks that can move against it, joints left out [-].
    stiffness : (3 k, 3 k) float
        Forces and moments at the centres of the free blocks for their movements in x, y and turn
        [N/mm, N, N mm].
    motions : tuple of SoftMotion
        Softest first.
    """

    held: int
    held_by: str
    free: tuple[int, ...]
    stiffness: Floats
    motions: tuple[SoftMotion, ...]


def held_block(plane: SectionPlane, regions: Sequence[Region]) -> tuple[int, str]:
    """The block to hold: that of the grip, else of a fixed region, else the largest; and why.

    Parameters
    ----------
    plane : SectionPlane
    regions : sequence of Region
        Declared regions of the part.

    Returns
    -------
    held : int
        Its number [-].
    why : str
    """
    for kind in (RegionKind.GRIP, RegionKind.FIXED):
        for region in regions:
            for number, block in enumerate(plane.blocks):
                if region.kind is kind and region.name in block.regions:
                    return number, f"it holds the region {region.name}"
    return 0, "it is the largest, which is only a guess"


def mechanism(
    plane: SectionPlane,
    regions: Sequence[Region],
    modulus_mpa: float,
    poisson: float,
    held: int | None = None,
    root_widths: float = ROOT_WIDTHS,
) -> Mechanism | None:
    """Softest motions of the blocks of a plane.

    Parameters
    ----------
    plane : SectionPlane
    regions : sequence of Region
        Declared regions of the part.
    modulus_mpa : float
        Young's modulus [MPa].
    poisson : float
        Ratio of the material [-].
    held : int, optional
        Block to hold instead of :func:`held_block`'s [-].
    root_widths : float
        Length added to each flexure where it ends in a block, over its width there [-].

    Returns
    -------
    Mechanism or None
        None when flexures join nothing to the held block.

    Notes
    -----
    Motions are those of the generalised eigenproblem of stiffness and mass, so that a turn is weighed
    by the block's own radius of gyration whatever the origin; joints between flexures are condensed out.

    References
    ----------
    Guyan, AIAA Journal 3, 1965 (condensation), from memory.
    """
    chosen, why = held_block(plane, regions) if held is None else (held, "it was chosen")
    beams = [f for f in plane.flexures if f.kind is not FlexureKind.ARM and min(f.blocks) >= 0]
    linked = DisjointSet(range(len(plane.blocks)))
    for beam in beams:
        linked.merge(*beam.blocks)
    group = sorted(linked.subset(chosen)) if plane.blocks else []
    free = [k for k in group if k != chosen and not plane.blocks[k].is_joint]
    joints = [k for k in group if k != chosen and plane.blocks[k].is_joint]
    if not free:
        return None
    order = free + joints
    stiffness = _assembled(plane, beams, order, modulus_mpa, poisson, root_widths)
    kept = 3 * len(free)
    if joints:
        inner = np.linalg.pinv(stiffness[kept:, kept:])
        stiffness = stiffness[:kept, :kept] - stiffness[:kept, kept:] @ inner @ stiffness[kept:, :kept]
    return Mechanism(chosen, why, tuple(free), stiffness, _motions(plane, free, stiffness))


def angle_to_declared_deg(motion: SoftMotion, plane: SectionPlane, declared: Motion) -> float:
    """Angle between a motion found and a declared one, whichever way along it, 0 to 90 [deg].

    Parameters
    ----------
    motion : SoftMotion
    plane : SectionPlane
        Whose blocks move.
    declared : Motion
        A translation is compared in direction, a rotation by its axis.
    """
    own = motion.direction if declared.kind is MotionKind.TRANSLATION else plane.axes_part[2]
    other = np.array(declared.direction) / np.linalg.norm(declared.direction)
    return float(np.degrees(np.arccos(np.clip(abs(np.dot(own, other)), 0.0, 1.0))))


def mover_of(plane: SectionPlane, declared: Motion) -> int | None:
    """The block that holds the region of a declared motion, None where no block does.

    Parameters
    ----------
    plane : SectionPlane
    declared : Motion
    """
    return next((k for k, block in enumerate(plane.blocks) if declared.region in block.regions), None)


def _assembled(
    plane: SectionPlane, beams: Sequence[Flexure], order: Sequence[int], modulus: float, poisson: float, root: float
) -> Floats:
    """Stiffness of the blocks in some order at their own centres; others are held."""
    place = {block: 3 * k for k, block in enumerate(order)}
    total = np.zeros((3 * len(order), 3 * len(order)))
    for beam in beams:
        if not set(beam.blocks) & set(place):
            continue
        at = beam.line_mm[-1]
        ends = zip(beam.blocks, beam.widths_mm[[0, -1]], strict=True)
        added = [0.0 if plane.blocks[block].is_joint else root * float(width) for block, width in ends]
        give = flexibility(beam.line_mm, beam.widths_mm, poisson, at, (added[0], added[1]))
        resists = modulus * beam.depth_mm * np.linalg.inv(give)
        moves = np.zeros((3, len(total)))
        for block, sign in zip(beam.blocks, (-1.0, 1.0), strict=True):
            if block in place:
                moves[:, place[block] : place[block] + 3] += sign * _carried(plane.blocks[block].centre_mm, at)
        total += moves.T @ resists @ moves
    return total


def _carried(centre: Floats, point: Floats) -> Floats:
    """How a point of a rigid block moves with its centre and turn."""
    x, y = point - centre
    return np.array([[1.0, 0.0, -y], [0.0, 1.0, x], [0.0, 0.0, 1.0]])


def _motions(plane: SectionPlane, free: Sequence[int], stiffness: Floats) -> tuple[SoftMotion, ...]:
    """Modes of the free blocks, softest first."""
    blocks = [plane.blocks[k] for k in free]
    mass = np.array([[b.volume_mm3, b.volume_mm3, b.turning_mm5] for b in blocks])
    gyration = np.sqrt(mass[:, 2] / mass[:, 0])
    value, shape = eigh((stiffness + stiffness.T) / 2, np.diag(mass.ravel()))
    give = np.linalg.inv(stiffness)
    low, high = np.reshape(plane.section.bounds, (2, 2))
    found = []
    for k in range(len(value)):
        moves = shape[:, k].reshape(-1, 3)
        size = np.hypot(np.hypot(moves[:, 0], moves[:, 1]), gyration * moves[:, 2])
        # Of blocks that move alike the larger one; rounding must not choose.
        mover = int(np.argmax(np.round(size / size.max(), 6)))
        moves = moves / size[mover]
        x, y, turn = moves[mover]
        travel = float(np.hypot(x, y))
        way = np.array([x, y]) / max(travel, 1e-12)
        lead = way[np.argmax(np.abs(way))]
        sign = -1.0 if lead < 0 else 1.0
        own = slice(3 * mover, 3 * mover + 3)
        yields = give[own, own]
        centre = None
        if abs(turn) * _FAR_SIZES * float(np.linalg.norm(high - low)) > travel:
            about = blocks[mover].centre_mm + np.array([-y, x]) / turn
            centre = _vector(plane.to_part(about[None], plane.height_mm)[0])
        every = np.zeros((len(plane.blocks), 3))
        # Loaded by itself the mover takes the others along as they give way, whatever they weigh; loaded along a
        # stiffer motion it would give way along the softest.
        if k == 0:
            moves = (give[:, own] @ (mass[mover] * moves[mover])).reshape(-1, 3)
            moves = moves / np.hypot(np.hypot(*moves[mover, :2]), gyration[mover] * moves[mover, 2])
        every[list(free)] = sign * moves
        found.append(
            SoftMotion(
                block=free[mover],
                direction=_vector(sign * way @ plane.axes_part[:2]),
                centre_mm=centre,
                turns=bool(travel < gyration[mover] * abs(turn)),
                stiffness_n_mm=float(1 / (way @ yields[:2, :2] @ way)) if travel > 1e-9 else float("inf"),
                turning_n_mm=float(1 / yields[2, 2]),
                ratio=float(value[k + 1] / value[k]) if k + 1 < len(value) else float("inf"),
                moves=every,
            )
        )
    return tuple(found)


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) + 0.0 for value in values)
    return x, y, z
