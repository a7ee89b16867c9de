"""Mass, mass centre and moments of inertia of a part as it is printed: shell, solid skins and filled core.

From the polygons of the layers, in the plate frame.  In each layer the outline passes and whatever
the layers above or below leave open are solid; the rest is core and filled in part.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from manifold3d import CrossSection, FillRule

from reviewkit.limits import Limits
from reviewkit.measure.layers import Ints, Layers
from reviewkit.measure.pieces import area_moments
from reviewkit.model import Floats, Setup

# The core alone is found on outlines straightened to this: its edge moves by less than a hundredth of a line.
_CORE_OUTLINE_MM = 0.005
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


def mass_of(layers: Layers, setup: Setup, limits: Limits) -> PrintedMass:
    """Printed mass in a setup, with the outline passes and solid layers of the tables.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    setup : Setup
        Gives line width, core fill and the material with its ``density`` in g/cm3.
    limits : Limits
        Tables with the rows ``mass.*``.

    Returns
    -------
    PrintedMass
    """
    row = {
        name: limits.value(f"mass.{name}", setup).value
        for name in ("outline_passes", "top_layers", "bottom_layers", "spread")
    }
    density = setup.material["density"]
    return printed_mass(
        layers,
        line_width_mm=setup.line_width_mm,
        outline_passes=round(row["outline_passes"]),
        top_layers=round(row["top_layers"]),
        bottom_layers=round(row["bottom_layers"]),
        core_fill=setup.core_fill,
        density_g_mm3=density.value * _G_MM3_PER_G_CM3,
        least_density_g_mm3=density.low * _G_MM3_PER_G_CM3,
        greatest_density_g_mm3=density.high * _G_MM3_PER_G_CM3,
        spread=row["spread"],
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
    Each layer is a slab of its polygon at full density less its core at ``1 - core_fill`` of it.  The
    core is what lies inside the outline by more than the outline passes and is covered by every one
    of the solid layers' number of layers above and below.  Second moments of polygons by Green's
    theorem, heights exactly, so that a solid part comes out as its layers are drawn: a slope is
    stepped, which errs by less than a layer's thickness squared.
    """
    volume = _slabs(layers, _region_moments(layers))
    core = _slabs(layers, _core_moments(layers, outline_passes * line_width_mm, top_layers, bottom_layers))
    solid_mm3, core_mm3 = float(volume[0]), float(core[0])
    if solid_mm3 <= 0:
        raise ValueError("the layers hold no volume")
    plastic = volume - (1 - core_fill) * core
    centre = plastic[1:4] / plastic[0]
    xx, yy, zz, xy, xz, yz = plastic[4:] - plastic[0] * np.array(
        [*centre**2, centre[0] * centre[1], centre[0] * centre[2], centre[1] * centre[2]]
    )
    inertia = np.array([[yy + zz, -xy, -xz], [-xy, xx + zz, -yz], [-xz, -yz, xx + yy]])
    least = density_g_mm3 if least_density_g_mm3 is None else least_density_g_mm3
    greatest = density_g_mm3 if greatest_density_g_mm3 is None else greatest_density_g_mm3
    return PrintedMass(
        mass_g=float(plastic[0]) * density_g_mm3,
        low_g=(solid_mm3 - core_mm3) * least * (1 - spread),
        high_g=solid_mm3 * greatest,
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


def _core_moments(layers: Layers, shell_mm: float, above: int, below: int) -> Floats:
    """Moments of each layer's core, zero where all of it is solid (n, 6)."""
    count, window = len(layers), below + 1 + above
    moments = np.zeros((count, 6))
    if count < window:
        return moments
    drawn = shapely.simplify(layers.regions[layers.distinct], _CORE_OUTLINE_MM)
    inner = shapely.buffer(drawn, -shell_mm) if shell_mm > 0 else drawn
    pool = [_section(region) for region in (*drawn, *inner)]
    name = np.searchsorted(layers.distinct, layers.same_as)
    # What all layers of a window share, windows doubled until two of them overlap in the wanted one.
    shared, width = name, 1
    while 2 * width <= window:
        shared, width = _intersected(pool, shared[:-width], shared[width:]), 2 * width
    if width < window:
        shared = _intersected(pool, shared[: width - window], shared[window - width :])
    core = _intersected(pool, shared, len(drawn) + name[below : count - above])
    distinct, repeat = np.unique(core, return_inverse=True)
    moments[below : count - above] = np.array([_section_moments(pool[name]) for name in distinct])[repeat]
    return moments


def _section(region: shapely.Geometry) -> CrossSection:
    """A region for the library that intersects several times faster."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(region)))
    return CrossSection([shapely.get_coordinates(ring)[:-1] for ring in rings], FillRule.Positive)


def _section_moments(section: CrossSection) -> Floats:
    """Area moments of a section, its holes taken off (6,)."""
    contours = [contour for contour in section.to_polygons() if len(contour) >= 3]
    if not contours:
        return np.zeros(6)
    rings = shapely.linearrings(np.vstack(contours), indices=np.repeat(np.arange(len(contours)), [*map(len, contours)]))
    sign = np.where(shapely.is_ccw(rings), 1.0, -1.0)
    moments: Floats = sign @ area_moments(shapely.polygons(rings))
    return moments


def _intersected(pool: list[CrossSection], left: Ints, right: Ints) -> Ints:
    """Names of what pairs of sections share, added to the pool; each distinct pair once."""
    pairs, repeat = np.unique(np.sort(np.column_stack([left, right]), axis=1), axis=0, return_inverse=True)
    names = pairs[:, 0].copy()
    unlike = np.flatnonzero(pairs[:, 0] != pairs[:, 1])
    names[unlike] = len(pool) + np.arange(len(unlike))
    pool.extend(pool[one] ^ pool[other] for one, other in pairs[unlike].tolist())
    return np.asarray(names[repeat.ravel()], dtype=np.int64)
