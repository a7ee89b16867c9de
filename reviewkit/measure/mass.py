"""Mass, mass centre and moments of inertia of a part as it is printed: shell, solid skins and filled core.

From the polygons of the layers, in the plate frame.  In each layer the outline passes and whatever
the layers above or below leave open are solid; the rest is core and filled in part.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from reviewkit.limits import Limits
from reviewkit.measure.filling import Filling, filling, filling_of
from reviewkit.measure.layers import Layers
from reviewkit.measure.pieces import area_moments
from reviewkit.model import Floats, Setup

_G_MM3_PER_G_CM3 = 1e-3


@dataclass(frozen=True, eq=False)
class PrintedMass:
    """Mass properties of a printed part; plate frame.

    Parameters
    ----------
    mass_g : float
        Best estimate [g].
    low_g, high_g : float
        Lightest: core left empty, least density, all of it printed thinner by the spread.
        Heaviest: solid at the greatest density [g].
    centre_mm : (3,) float
        Mass centre of the best estimate [mm].
    inertia_g_mm2 : (3, 3) float
        Inertia tensor about the mass centre, axes of the plate, products of inertia negative off
        the diagonal; best estimate, g mm2 [-].
    plastic_mm3 : float
        Volume of plastic, best estimate [mm3].
    solid_mm3 : float
        Volume inside the outlines [mm3].
    """

    mass_g: float
    low_g: float
    high_g: float
    centre_mm: Floats
    inertia_g_mm2: Floats
    plastic_mm3: float
    solid_mm3: float

    @property
    def fill(self) -> float:
        """Share of the volume inside the outlines that is plastic [-]."""
        return self.plastic_mm3 / self.solid_mm3


def mass_of(layers: Layers, setup: Setup, limits: Limits, filled: Filling | None = None) -> PrintedMass:
    """Printed mass in a setup, with the outline passes and solid layers of its machine.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    setup : Setup
        Gives line width, core fill, the machine and the material with its ``density`` in g/cm3.
    limits : Limits
        Tables with the row ``mass.spread``.
    filled : Filling, optional
        How the layers are filled in that setup, where it is known already.

    Returns
    -------
    PrintedMass

    Raises
    ------
    SetupError
        When the machine's profile does not say how it prints.
    ValueError
        When the layers hold no volume.
    """
    density = setup.material["density"]
    return _mass(
        layers,
        filling_of(layers, setup.printing, setup.line_width_mm) if filled is None else filled,
        core_fill=setup.core_fill,
        density_g_mm3=density.value * _G_MM3_PER_G_CM3,
        least_density_g_mm3=density.low * _G_MM3_PER_G_CM3,
        greatest_density_g_mm3=density.high * _G_MM3_PER_G_CM3,
        spread=limits.value("mass.spread", setup).value,
    )


def printed_mass(
    layers: Layers,
    *,
    line_width_mm: float,
    outline_passes: int,
    top_layers: int,
    bottom_layers: int,
    core_fill: float,
    density_g_mm3: float,
    least_density_g_mm3: float | None = None,
    greatest_density_g_mm3: float | None = None,
    spread: float = 0.0,
) -> PrintedMass:
    """Mass, mass centre and inertia of shell, skins and core.

    Parameters
    ----------
    layers : Layers
        All layers of the part, at least one of them not empty.
    line_width_mm : float
        [mm]
    outline_passes : int
        Lines along every outline [-].
    top_layers, bottom_layers : int
        Solid layers under what is open above, and over what is open below [-].
    core_fill : float
        Share of the core that is filled [-].
    density_g_mm3 : float
        Of the plastic, g/mm3 [-].
    least_density_g_mm3, greatest_density_g_mm3 : float, optional
        Span of the density, g/mm3; none when not given [-].
    spread : float
        Share by which a print may come out lighter than drawn [-].

    Returns
    -------
    PrintedMass

    Raises
    ------
    ValueError
        When the layers hold no volume.

    Notes
    -----
    Each layer is a slab of its polygon at full density less its core at ``1 - core_fill`` of it; what
    core is says :func:`reviewkit.measure.filling.filling`.  Second moments of polygons by Green's
    theorem, heights exactly, so that a solid part comes out as its layers are drawn: a slope is
    stepped, which errs by less than a layer's thickness squared.
    """
    return _mass(
        layers,
        filling(layers, line_width_mm, outline_passes, top_layers, bottom_layers),
        core_fill=core_fill,
        density_g_mm3=density_g_mm3,
        least_density_g_mm3=density_g_mm3 if least_density_g_mm3 is None else least_density_g_mm3,
        greatest_density_g_mm3=density_g_mm3 if greatest_density_g_mm3 is None else greatest_density_g_mm3,
        spread=spread,
    )


def _mass(
    layers: Layers,
    filled: Filling,
    *,
    core_fill: float,
    density_g_mm3: float,
    least_density_g_mm3: float,
    greatest_density_g_mm3: float,
    spread: float,
) -> PrintedMass:
    """Mass properties of layers filled in that way."""
    volume = _slabs(layers, _region_moments(layers))
    core = _slabs(layers, filled.core_moments)
    solid_mm3, core_mm3 = float(volume[0]), float(core[0])
    if solid_mm3 <= 0:
        raise ValueError("the layers hold no volume")
    plastic = volume - (1 - core_fill) * core
    centre = plastic[1:4] / plastic[0]
    xx, yy, zz, xy, xz, yz = plastic[4:] - plastic[0] * np.array(
        [*centre**2, centre[0] * centre[1], centre[0] * centre[2], centre[1] * centre[2]]
    )
    inertia = np.array([[yy + zz, -xy, -xz], [-xy, xx + zz, -yz], [-xz, -yz, xx + yy]])
    return PrintedMass(
        mass_g=float(plastic[0]) * density_g_mm3,
        low_g=(solid_mm3 - core_mm3) * least_density_g_mm3 * (1 - spread),
        high_g=solid_mm3 * greatest_density_g_mm3,
        centre_mm=centre,
        inertia_g_mm2=inertia * density_g_mm3,
        plastic_mm3=float(plastic[0]),
        solid_mm3=solid_mm3,
    )


def _slabs(layers: Layers, moments: Floats) -> Floats:
    """Volume and integrals of x, y, z, xx, yy, zz, xy, xz, yz over slabs of the layers' thickness (10,).

    `moments` are (n, 6) of each layer's region as :func:`reviewkit.measure.pieces.area_moments` gives them.
    """
    area, x, y, xx, yy, xy = moments.T
    thick, z = layers.thickness_mm, layers.z_mm
    columns = (area, x, y, area * z, xx, yy, area * (z**2 + thick**2 / 12), xy, x * z, y * z)
    return np.array([float(thick @ column) for column in columns])


def _region_moments(layers: Layers) -> Floats:
    """Moments of each layer's region (n, 6)."""
    distinct = layers.distinct
    pieces, owner = shapely.get_parts(layers.regions[distinct], return_index=True)
    sums = [np.bincount(owner, column, len(distinct)).astype(float) for column in area_moments(pieces).T]
    return np.asarray(np.column_stack(sums)[np.searchsorted(distinct, layers.same_as)], dtype=float)
