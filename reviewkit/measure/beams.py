"""Closed forms for leaf flexures: stiffness, strain, stored energy, large strokes, roots, buckling, ripples.

A straight leaf is a cantilever with a force at its end, or guided so that its end cannot turn.
Lengths mm, forces N, stress MPa, energy N mm.  Every result says whether the formulas hold there.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from scipy.integrate import quad
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import ellipeinc, ellipk, ellipkinc

from reviewkit.limits import Limits
from reviewkit.model import Floats, Setup

# Length that an elastic root adds to a leaf, over the width of the leaf, by fillet radius over width;
# negative where the fillet stiffens more than the block gives way.  Computed with plane-stress elements,
# beyond one width with those of this kit.
_ROOT_RADII = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 1.5, 2.0])
_ROOT_LENGTHS = np.array([0.395, 0.39, 0.36, 0.30, 0.24, 0.10, -0.27, -0.66, -1.06])
_SHEAR_SHARE = 5 / 6  # of the section of a rectangle that carries shear [-]


class Ends(StrEnum):
    """What the far end of a leaf may do."""

    FREE = "free"
    GUIDED = "guided"


class Column(StrEnum):
    """How both ends of a leaf under an axial load are held."""

    FIXED_FREE = "fixed and free"
    PINNED = "pinned at both ends"
    FIXED_GUIDED = "fixed and guided sideways"
    FIXED_PINNED = "fixed and pinned"
    FIXED_FIXED = "fixed at both ends"


# Length of the pinned column that buckles at the same load, over the length; fixed and pinned: tan u = u.
_BUCKLING_LENGTHS = {
    Column.FIXED_FREE: 2.0,
    Column.PINNED: 1.0,
    Column.FIXED_GUIDED: 1.0,
    Column.FIXED_PINNED: np.pi / 4.493409457909064,
    Column.FIXED_FIXED: 0.5,
}


@dataclass(frozen=True)
class Leaf:
    """A straight leaf of one width.

    Parameters
    ----------
    length_mm : float
        From face to face of what it joins, fillets included [mm].
    width_mm : float
        In the direction in which it bends [mm].
    depth_mm : float
        Along the axis about which it bends [mm].
    root_radii_mm : (float, float)
        Fillets at its ends, 0 sharp; an unknown one, nan, counts as sharp [mm].
    ends : Ends
    rigid_roots : bool
        Whether what it joins does not give at all.
    """

    length_mm: float
    width_mm: float
    depth_mm: float
    root_radii_mm: tuple[float, float] = (0.0, 0.0)
    ends: Ends = Ends.GUIDED
    rigid_roots: bool = False

    @property
    def second_moment_mm4(self) -> float:
        """Second moment of its section [mm4]."""
        return self.depth_mm * self.width_mm**3 / 12

    @property
    def effective_length_mm(self) -> float:
        """Length of the leaf between rigid blocks that is as soft [mm].

        Notes
        -----
        A free end has no root.  Fillets beyond two widths count as two widths.
        """
        if self.rigid_roots:
            return self.length_mm
        roots = self.root_radii_mm if self.ends is Ends.GUIDED else self.root_radii_mm[:1]
        return self.length_mm + sum(root_length(radius, self.width_mm) for radius in roots)

    @property
    def root_share(self) -> float:
        """Moment where the fillet begins, or at a sharp face, over that at the end of the effective length [-].

        Notes
        -----
        The moment falls in a straight line from a root to the middle of a guided leaf or to a free end.
        """
        arm, whole = self.length_mm, self.effective_length_mm
        if self.ends is Ends.GUIDED:
            arm, whole = arm / 2, whole / 2
        fillet = min((0.0 if np.isnan(radius) else radius for radius in self.root_radii_mm), default=0.0)
        return max(arm - fillet, 0.0) / whole


@dataclass(frozen=True)
class BeamBounds:
    """Where the formulas hold.

    Parameters
    ----------
    slenderness : float
        Least length over width [-].
    stroke_share : float
        Largest stroke over length [-].
    strain_most : float
        Largest strain [-].
    deep : float
        Depth over length from which a leaf bends as a plate [-].
    """

    slenderness: float
    stroke_share: float
    strain_most: float
    deep: float


@dataclass(frozen=True)
class Bent:
    """A leaf at its stroke.

    Parameters
    ----------
    stiffness_N_mm : float
        At rest, with roots and shear [N/mm].
    force_N : float
        At the stroke [N].
    energy_N_mm : float
        Stored [N mm].
    strain : float
        Nominal, bending and stretch together where the fillet begins, no notch factor [-].
    shortening_mm : float
        By how much its ends approach, 0 where they are held [mm].
    large_stroke, shear : float
        Force over that of small strokes, and stiffness over that without shear [-].
    beyond : tuple of str
        In words, each bound that is passed; empty where the formulas hold.
    """

    stiffness_N_mm: float  # noqa: N815
    force_N: float  # noqa: N815
    energy_N_mm: float  # noqa: N815
    strain: float
    shortening_mm: float
    large_stroke: float
    shear: float
    beyond: tuple[str, ...]

    @property
    def valid(self) -> bool:
        """Whether no bound is passed."""
        return not self.beyond


@dataclass(frozen=True)
class Notch:
    """Peak strain over nominal strain at a fillet.

    Parameters
    ----------
    bending, tension : float
        By load, nan at a sharp or unknown root [-].
    valid : bool
        Whether the radius lies in the range of the handbook's fit.
    """

    bending: float
    tension: float
    valid: bool


@dataclass(frozen=True, eq=False)
class Elastica:
    """A leaf at large strokes against the same leaf at small ones; ends free to approach.

    Parameters
    ----------
    force, end_moment, energy : float or array
        Each over its linear value at the same stroke [-].
    shortening : float or array
        Of the chord, over the length [-].
    """

    force: Floats | float
    end_moment: Floats | float
    energy: Floats | float
    shortening: Floats | float


def beam_bounds(limits: Limits, setup: Setup) -> BeamBounds:
    """The rows ``beam.*`` of the tables for a setup."""

    def value(name: str) -> float:
        return limits.value(f"beam.{name}", setup).value

    return BeamBounds(value("slenderness"), value("stroke_share"), value("strain_most"), value("deep"))


# Leaves.


def stiffness_N_mm(leaf: Leaf, modulus_MPa: float, poisson: float, *, as_plate: bool = False) -> float:  # noqa: N802, N803
    """Stiffness of a leaf for small strokes, with the give of its roots and with shear.

    Parameters
    ----------
    leaf : Leaf
    modulus_MPa : float
        Young's modulus [MPa].
    poisson : float
        Poisson's ratio [-].
    as_plate : bool
        Whether its depth keeps it from curling along the depth, which takes E/(1 - nu2).

    Returns
    -------
    float
        Force at the end over its way across the leaf [N/mm].

    References
    ----------
    Roark's Formulas for Stress and Strain, 7th ed. 2002, table 8.1 cases 1a and 1b (from memory).
    Przemieniecki, Theory of Matrix Structural Analysis, 1968, ch. 5: shear (from memory).
    Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959, ch. 1 (from memory).
    """
    modulus = modulus_MPa / (1 - poisson**2) if as_plate else modulus_MPa
    factor = 12 if leaf.ends is Ends.GUIDED else 3
    straight = factor * modulus * leaf.second_moment_mm4 / leaf.effective_length_mm**3
    return straight * shear_factor(leaf, poisson)


def bent(
    leaf: Leaf,
    stroke_mm: float,
    modulus_MPa: float,  # noqa: N803
    poisson: float,
    bounds: BeamBounds,
    *,
    axially_held: bool = False,
    as_plate: bool = False,
) -> Bent:
    """A leaf at a stroke across it.

    Parameters
    ----------
    leaf : Leaf
    stroke_mm : float
        Of its far end [mm].
    modulus_MPa : float
        Young's modulus [MPa].
    poisson : float
        Poisson's ratio [-].
    bounds : BeamBounds
    axially_held : bool
        Whether what it joins cannot come together, so that it stretches; only for guided leaves.
    as_plate : bool
        As for :func:`stiffness_N_mm`.

    Returns
    -------
    Bent

    Notes
    -----
    Ends free to approach: the exact elastica.  Held ends: the beam in tension, for moderate turns.
    """
    length, width = leaf.effective_length_mm, leaf.width_mm
    stiffness = stiffness_N_mm(leaf, modulus_MPa, poisson, as_plate=as_plate)
    share = abs(stroke_mm) / length
    linear_strain = (3.0 if leaf.ends is Ends.GUIDED else 1.5) * width * share / length * leaf.root_share
    if axially_held and leaf.ends is Ends.GUIDED:
        held = stretched(share * length / width)
        large, energy, shortening_mm = float(held.force), float(held.energy), 0.0
        strain = linear_strain * float(held.end_moment) + float(held.stretch) * (width / length) ** 2
    else:
        free = elastica(min(share, _most(leaf.ends)), leaf.ends)
        large, energy, shortening_mm = float(free.force), float(free.energy), float(free.shortening) * length
        strain = linear_strain * float(free.end_moment)
    return Bent(
        stiffness_N_mm=stiffness,
        force_N=stiffness * abs(stroke_mm) * large,
        energy_N_mm=stiffness * stroke_mm**2 / 2 * energy,
        strain=strain,
        shortening_mm=shortening_mm,
        large_stroke=large,
        shear=shear_factor(leaf, poisson),
        beyond=_beyond(leaf, share, strain, bounds),
    )


def parallel(stiffnesses: Iterable[float]) -> float:
    """Stiffness of leaves side by side.

    Parameters
    ----------
    stiffnesses : iterable of float
        Of each leaf, all in one unit [N/mm].
    """
    return float(sum(stiffnesses))


def series(stiffnesses: Iterable[float]) -> float:
    """Stiffness of leaves one behind the other.

    Parameters
    ----------
    stiffnesses : iterable of float
        Of each leaf, all in one unit [N/mm].
    """
    return 1.0 / float(sum(1.0 / one for one in stiffnesses))


def stroke_for_strain_mm(leaf: Leaf, strain: float) -> float:
    """Stroke that a nominal strain allows, ends free to approach.

    Parameters
    ----------
    leaf : Leaf
    strain : float
        Nominal strain allowed where the fillet begins [-].

    Returns
    -------
    float
        At most what the tables of the elastica reach [mm].
    """
    length, width = leaf.effective_length_mm, leaf.width_mm
    factor = (3.0 if leaf.ends is Ends.GUIDED else 1.5) * width / length * leaf.root_share
    most = _most(leaf.ends)

    def excess(share: float) -> float:
        return factor * share * float(elastica(share, leaf.ends).end_moment) - strain

    return length * (most if excess(most) <= 0 else float(brentq(excess, 0.0, most, xtol=1e-12)))


def shear_factor(leaf: Leaf, poisson: float) -> float:
    """Stiffness with shear over that without, by Timoshenko's beam.

    Parameters
    ----------
    leaf : Leaf
    poisson : float
        Poisson's ratio [-].
    """
    shear = 2 / _SHEAR_SHARE * (1 + poisson) * (leaf.width_mm / leaf.effective_length_mm) ** 2
    return 1 / (1 + (shear if leaf.ends is Ends.GUIDED else shear / 4))


def root_length(radius_mm: float, width_mm: float) -> float:
    """Length that an elastic root adds to a leaf [mm].

    Parameters
    ----------
    radius_mm : float
        Of its fillet; 0 or nan is sharp, more than two widths count as two [mm].
    width_mm : float
        Of the leaf [mm].
    """
    ratio = 0.0 if np.isnan(radius_mm) else radius_mm / width_mm
    return float(np.interp(ratio, _ROOT_RADII, _ROOT_LENGTHS)) * width_mm


# Large strokes.


def elastica(stroke_share: Floats | float, ends: Ends) -> Elastica:
    """A leaf that may shorten, against the linear formulas at the same stroke.

    Parameters
    ----------
    stroke_share : float or array
        Stroke over length, up to 0.85 for a free end and 0.8 for a guided one [-].
    ends : Ends

    Returns
    -------
    Elastica

    Raises
    ------
    ValueError
        Beyond that range.

    References
    ----------
    Bisshopp and Drucker, Large deflection of cantilever beams, Quarterly of Applied Mathematics 3
    (1945) 272-275: elliptic integrals (from memory).  A guided leaf is two cantilevers of half its length.
    """
    share = np.abs(np.asarray(stroke_share, dtype=float))
    if np.any(share > _most(ends) + 1e-12):
        raise ValueError(f"stroke over length {share.max():g} is beyond {_most(ends):g}")
    force, moment, energy, shortening = (spline(share**2) for spline in _elastica_splines())
    return Elastica(force, moment, energy, shortening * share**2)


def _most(ends: Ends) -> float:
    return 0.85 if ends is Ends.FREE else 0.8


@lru_cache(maxsize=1)
def _elastica_splines() -> tuple[CubicSpline, ...]:
    """Ratios to linear theory, and shortening over stroke squared, each by the square of stroke over length."""
    tip = np.concatenate([np.linspace(0.01, 1.3, 260), np.linspace(1.305, 1.53, 90)])
    modulus = (1 + np.sin(tip)) / 2
    amplitude = np.arcsin(1 / np.sqrt(2 * modulus))
    root = ellipk(modulus) - ellipkinc(amplitude, modulus)
    load = root**2
    complete = ellipeinc(np.pi / 2, modulus) - ellipeinc(amplitude, modulus)
    stroke = 1 - 2 * complete / root
    shortening = 1 - np.sqrt(2 * np.sin(tip) / load)
    moment = load * (1 - shortening)
    energy = load * (np.sin(tip) - stroke)
    square = np.concatenate([[0.0], stroke**2])
    columns = (
        (1.0, load / (3 * stroke)),
        (1.0, moment / (3 * stroke)),
        (1.0, energy / (1.5 * stroke**2)),
        (0.6, shortening / stroke**2),
    )
    return tuple(CubicSpline(square, np.concatenate([[start], values])) for start, values in columns)


@dataclass(frozen=True, eq=False)
class Stretched:
    """A guided leaf whose ends cannot approach, against the linear formulas at the same stroke.

    Parameters
    ----------
    force, end_moment, energy : float
        Each over its linear value [-].
    stretch : float
        Strain of its middle line over the square of width over length [-].
    """

    force: float
    end_moment: float
    energy: float
    stretch: float


def stretched(stroke_over_width: float) -> Stretched:
    """A guided leaf that cannot shorten, as a beam in tension.

    Parameters
    ----------
    stroke_over_width : float
        Stroke over the width of the leaf [-].

    Returns
    -------
    Stretched

    Notes
    -----
    Derived: the beam's equation with the tension N, where N/(EA) is the mean of half the squared
    slope; for moderate turns.  For small strokes the force ratio is 1 + 0.72 (d/t)2.

    References
    ----------
    Roark's Formulas for Stress and Strain, 7th ed. 2002, beams under axial tension (from memory).
    """
    ratio = abs(stroke_over_width)
    root = _tension_root(ratio)
    force = _tension_force(root)
    moment = force * (2 * np.tanh(root / 2) / root if root else 1.0)
    work = quad(lambda share: share * _tension_force(_tension_root(share * ratio)), 0.0, 1.0, epsabs=1e-9)[0]
    return Stretched(force, float(moment), 2 * float(work), root**2 / 12)


def _tension_root(ratio: float) -> float:
    """Root of N L2/(E I) in a leaf whose ends are held, by stroke over width."""
    if ratio < 1e-6:
        return 0.0
    upper = 1.0
    while upper**2 / 12 < ratio**2 * _mean_slope(upper):
        upper *= 2
    return float(brentq(lambda root: root**2 / 12 - ratio**2 * _mean_slope(root), 0.0, upper, xtol=1e-13))


def _tension_force(root: float) -> float:
    """Force over the linear force of a guided leaf in tension."""
    if root < 0.05:
        return 1 + root**2 / 10
    return float(root**3 / (root - 2 * np.tanh(root / 2)) / 12)


def _mean_slope(root: float) -> float:
    """Half the mean of the squared slope, over the square of stroke over length."""
    if root < 0.05:
        return 0.6
    tanh = np.tanh(root / 2)
    square = 1 - 3 * tanh / root + (1 - tanh**2) / 2
    return float(root**2 * square / (root - 2 * tanh) ** 2 / 2)


def _beyond(leaf: Leaf, share: float, strain: float, bounds: BeamBounds) -> tuple[str, ...]:
    slender = leaf.length_mm / leaf.width_mm
    deep = leaf.depth_mm / leaf.length_mm
    found = []
    if slender < bounds.slenderness:
        found.append(f"leaf only {slender:.3g} times as long as wide; the formulas want {bounds.slenderness:g}")
    if share > bounds.stroke_share:
        found.append(f"stroke {share:.2g} of the length; the formulas were checked up to {bounds.stroke_share:g}")
    if strain > bounds.strain_most:
        found.append(f"strain {100 * strain:.2g} %; the modulus holds up to {100 * bounds.strain_most:g} %")
    if deep > bounds.deep:
        found.append(f"leaf {deep:.2g} times as deep as long; from {bounds.deep:g} on it bends as a plate")
    if max(leaf.root_radii_mm) > leaf.width_mm * _ROOT_RADII[-1] * (1 + 1e-9):
        found.append("fillet larger than the leaf's root was computed for; its root is taken as that of the largest")
    return tuple(found)


# Axial loads.


def buckling_load_N(  # noqa: N802
    leaf: Leaf,
    modulus_MPa: float,  # noqa: N803
    poisson: float,
    column: Column,
    *,
    as_plate: bool = False,
) -> float:
    """Axial load at which a leaf buckles, after Euler, roots included.

    Parameters
    ----------
    leaf : Leaf
    modulus_MPa : float
        Young's modulus; that of creep for loads that stay [MPa].
    poisson : float
        Poisson's ratio [-].
    column : Column
    as_plate : bool
        As for :func:`stiffness_N_mm`.

    Returns
    -------
    float
        Compression [N].

    References
    ----------
    Timoshenko and Gere, Theory of Elastic Stability, 2nd ed. 1961, ch. 2 (from memory).
    """
    modulus = modulus_MPa / (1 - poisson**2) if as_plate else modulus_MPa
    length = _BUCKLING_LENGTHS[column] * leaf.effective_length_mm
    return float(np.pi**2 * modulus * leaf.second_moment_mm4 / length**2)


def euler_slenderness(modulus_MPa: float, yield_MPa: float) -> float:  # noqa: N803
    """Buckling length over radius of gyration from which Euler's load holds; below, Johnson's parabola is lower.

    Parameters
    ----------
    modulus_MPa, yield_MPa : float
        Young's modulus and yield stress [MPa].

    References
    ----------
    Column Buckling Formulas and Effective Length Factors, amesweb.info (excerpt seen).
    """
    return float(np.pi * np.sqrt(2 * modulus_MPa / yield_MPa))


def load_factor(axial_over_buckling: float, ends: Ends) -> float:
    """Stiffness across a leaf under an axial load over that without.

    Parameters
    ----------
    axial_over_buckling : float
        Compression over the buckling load of these ends, fixed and free or fixed and guided; tension is
        negative [-].
    ends : Ends

    Returns
    -------
    float
        0 at the buckling load [-].

    Notes
    -----
    Derived: k = P q/(2 tan(q L/2) - q L) for a guided end, P q/(tan(q L) - q L) for a free one, q2 = P/(E I).
    """
    if axial_over_buckling >= 1:
        return 0.0
    if abs(axial_over_buckling) < 1e-6:
        return 1.0
    guided = ends is Ends.GUIDED
    root = np.pi * np.sqrt(abs(axial_over_buckling)) / (1 if guided else 2)
    half, factor = (root / 2, 2) if guided else (root, 1)
    if axial_over_buckling > 0:
        ratio = root**3 / (factor * np.tan(half) - root)
    else:
        ratio = root**3 / (root - factor * np.tanh(half))
    return float(ratio / (12 if guided else 3))


# Notches.

# C1 to C4 of a shoulder fillet in a flat bar, each a + b sqrt(h/r) + c h/r; for h/r up to 2 and from 2 on.
_TENSION = (
    np.array([[1.006, 1.008, -0.044], [-0.115, -0.584, 0.315], [0.245, -1.006, -0.257], [-0.135, 0.582, -0.017]]),
    np.array([[1.020, 1.009, -0.048], [-0.065, -0.165, -0.007], [-3.459, 1.266, -0.016], [3.505, -2.109, 0.069]]),
)
# The last c for h/r up to 2 is printed with a minus, which breaks the sum of 1 that the four C must have.
_BENDING = (
    np.array([[1.006, 0.967, 0.013], [-0.270, -2.372, 0.708], [0.662, 1.157, -0.908], [-0.405, 0.249, 0.200]]),
    np.array([[1.058, 1.002, -0.038], [-3.652, 1.639, -0.436], [6.170, -5.687, 1.175], [-2.558, 3.046, -0.701]]),
)
# A block wider than this many leaf widths changes the peak no more in bending; the fit is for h/r in this range.
_SHOULDER = 3.0
_FIT = (0.1, 20.0)


def notch_factors(radius_mm: float, width_mm: float, block_mm: float = np.inf) -> Notch:
    """Peak over nominal strain at the fillet of a leaf that grows out of a block.

    Parameters
    ----------
    radius_mm : float
        Of the fillet; 0 or nan gives nan [mm].
    width_mm : float
        Of the leaf [mm].
    block_mm : float, optional
        Width of the block, from three leaf widths on without effect [mm].

    Returns
    -------
    Notch

    Notes
    -----
    In tension a block wider than three leaf widths gives up to 4 % more than this.

    References
    ----------
    Stepped flat tension bar with shoulder fillets, and Filleted bars in bending, after Peterson's Stress
    Concentration Factors, eng-calculations.com (seen; one sign corrected so that the four C add to 1).
    """
    if not radius_mm > 0:
        return Notch(np.nan, np.nan, False)
    block = min(block_mm / width_mm, _SHOULDER)
    step = (block - 1) / 2 * width_mm / radius_mm
    if step <= 0:
        return Notch(1.0, 1.0, True)
    held = float(np.clip(step, *_FIT))
    bending, tension = (_shoulder(fit, held, 1 - 1 / block) for fit in (_BENDING, _TENSION))
    return Notch(bending, tension, held == step)


def _shoulder(fit: tuple[Floats, Floats], step: float, share: float) -> float:
    terms = fit[0 if step <= 2 else 1] @ np.array([1.0, np.sqrt(step), step])
    return float(terms @ share ** np.arange(4))


# Ripples.


def wavy_second_moment_mm3(amplitude_mm: float, wavelength_mm: float, thickness_mm: float) -> float:
    """Second moment of a wall whose section is a sine wave, over the length of the wave's chord.

    Parameters
    ----------
    amplitude_mm : float
        Half the height of the wave of its middle line [mm].
    wavelength_mm : float
        Of one wave [mm].
    thickness_mm : float
        Square to the wall [mm].

    Returns
    -------
    float
        Second moment over chord; crests run along the leaf, which makes it stiffer [mm3].

    Notes
    -----
    Derived, exact for a wall of constant thickness; for flat waves it is (t3/12)(1 + 6 (a/t)2).
    """

    def part(share: float) -> float:
        height = amplitude_mm * np.sin(2 * np.pi * share)
        slope = amplitude_mm * 2 * np.pi / wavelength_mm * np.cos(2 * np.pi * share)
        stretch = np.sqrt(1 + slope**2)
        curvature = -((2 * np.pi / wavelength_mm) ** 2) * height / stretch**3
        cubed = thickness_mm**3 / 12
        middle = height**2 * thickness_mm + cubed / stretch**2
        return float((middle - 2 * height / stretch * curvature * cubed) * stretch)

    return 4 * float(quad(part, 0.0, 0.25, epsabs=1e-12, epsrel=1e-12)[0])


def trapezoid_second_moment_mm3(flat_mm: float, run_mm: float, height_mm: float, thickness_mm: float) -> float:
    """Second moment of a thin wall folded into trapezoids, over its pitch.

    Parameters
    ----------
    flat_mm : float
        Length of each crest and trough [mm].
    run_mm : float
        Run of each web along the pitch [mm].
    height_mm : float
        Half the depth of the fold, between middle lines [mm].
    thickness_mm : float
        Of the wall [mm].

    Returns
    -------
    float
        Second moment over pitch [mm3].

    Notes
    -----
    Derived; thin walls, corners counted once.
    """
    pitch, web = 2 * (flat_mm + run_mm), float(np.hypot(run_mm, 2 * height_mm))
    cubed = thickness_mm**3 / 12
    flats = 2 * flat_mm * (height_mm**2 * thickness_mm + cubed)
    webs = 2 * (thickness_mm * web * (2 * height_mm) ** 2 / 12 + cubed * web * (run_mm / web) ** 2)
    return float((flats + webs) / pitch)


def wave_length_ratio(amplitude_mm: float, wavelength_mm: float) -> float:
    """Length of a sine wave over its chord; its inverse is what a wavy middle line leaves of bending stiffness.

    Parameters
    ----------
    amplitude_mm, wavelength_mm : float
        Of the wave [mm].

    References
    ----------
    Seydel's factor in Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959 (from memory).
    """
    return _wave_mean(amplitude_mm, wavelength_mm, lambda *_: 1.0)


def wavy_axial_ratio(amplitude_mm: float, wavelength_mm: float, thickness_mm: float, poisson: float) -> float:
    """Axial stiffness of a leaf that waves in its bending plane over that of the straight leaf.

    Parameters
    ----------
    amplitude_mm, wavelength_mm, thickness_mm : float
        Of the middle line, and of the leaf square to it [mm].
    poisson : float
        Poisson's ratio [-].

    Notes
    -----
    Derived by energy, thin beam; for flat waves 1/(1 + 6 (a/t)2).
    """

    def give(height_mm: float, cosine: float) -> float:
        shear = 2 * (1 + poisson) / _SHEAR_SHARE
        return 12 * height_mm**2 / thickness_mm**2 + cosine**2 + (1 - cosine**2) * shear

    return 1 / _wave_mean(amplitude_mm, wavelength_mm, give)


def out_of_plane_ratio(amplitude_mm: float, wavelength_mm: float, poisson: float) -> float:
    """Bending stiffness of a narrow thin strip that snakes along its bending axis over that of the straight one.

    Parameters
    ----------
    amplitude_mm, wavelength_mm : float
        Of the wave [mm].
    poisson : float
        Poisson's ratio [-].

    Notes
    -----
    Derived: bending turns into twist, with the torsion of a thin strip.
    """

    def give(_: float, cosine: float) -> float:
        return cosine**2 + (1 + poisson) / 2 * (1 - cosine**2)

    return 1 / _wave_mean(amplitude_mm, wavelength_mm, give)


def _wave_mean(amplitude_mm: float, wavelength_mm: float, part: Callable[[float, float], float]) -> float:
    """Integral of `part` of height and cosine along a wave, over its chord."""

    def along(share: float) -> float:
        slope = amplitude_mm * 2 * np.pi / wavelength_mm * np.cos(2 * np.pi * share)
        stretch = float(np.sqrt(1 + slope**2))
        return part(float(amplitude_mm * np.sin(2 * np.pi * share)), 1 / stretch) * stretch

    return 4 * float(quad(along, 0.0, 0.25, epsabs=1e-12, epsrel=1e-12)[0])
