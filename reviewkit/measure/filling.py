"""How each layer is filled: outline passes along its edge, solid where it shows, core in the rest.

The one rule that mass and print time share.  Worked once a distinct layer, in the plate frame.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from manifold3d import CrossSection, FillRule

from reviewkit.measure.layers import Geometries, Ints, Layers
from reviewkit.measure.pieces import area_moments
from reviewkit.model import Floats, PrintSettings

# Passes and core are found on outlines straightened to this: their edges move by less than a hundredth of a line.
_OUTLINE_MM = 0.005
# Corners of an offset run to a point up to this many times the offset.
_MITRE = 5.0


@dataclass(frozen=True, eq=False)
class Filling:
    """What each layer is filled with; plate frame.

    Parameters
    ----------
    line_width_mm : float
        Width of a line [mm].
    outline_passes : int
        Lines along every outline [-].
    drawn : (d,) object
        Regions of the distinct layers, straightened a little.
    inner : (d,) object
        What lies inside their outline passes.
    inner_of : (n,) int
        Which of them each layer has [-].
    cores : tuple of CrossSection
        Distinct cores: inside the outline passes and covered by all solid layers above and below.
    core_of : (n,) int
        Which of them each layer has, -1 for one that is solid all over [-].
    core_moments : (n, 6) float
        Area moments of each layer's core as :func:`reviewkit.measure.pieces.area_moments` gives them [-].
    """

    line_width_mm: float
    outline_passes: int
    drawn: Geometries
    inner: Geometries
    inner_of: Ints
    cores: tuple[CrossSection, ...]
    core_of: Ints
    core_moments: Floats

    @property
    def drawn_mm2(self) -> Floats:
        """Area of each layer (n,) [mm2]."""
        area: Floats = shapely.area(self.drawn)[self.inner_of]
        return area

    @property
    def inner_mm2(self) -> Floats:
        """Area inside each layer's outline passes (n,) [mm2]."""
        area: Floats = shapely.area(self.inner)[self.inner_of]
        return area

    @property
    def cored_mm2(self) -> Floats:
        """Area of each layer's core (n,) [mm2]."""
        area = np.array([*(core.area() for core in self.cores), 0.0])
        return area[self.core_of]

    def filled_share(self, core_fill: float) -> Floats:
        """Share of each layer's core that is filled, where zones of another filling count (n,) [-].

        Parameters
        ----------
        core_fill : float
            Share of the core that is filled outside any zone [-].
        """
        cored_mm2 = self.cored_mm2
        empty = np.divide(self.core_moments[:, 0], cored_mm2, out=np.ones(len(cored_mm2)), where=cored_mm2 > 0)
        return np.clip(1 - (1 - core_fill) * empty, 0.0, 1.0)

    def outline_pass(self, number: int, chosen: Ints) -> Geometries:
        """Middle lines of one outline pass, counted from 0 at the edge, of chosen distinct layers (k,)."""
        return _inside(self.drawn[chosen], (number + 0.5) * self.line_width_mm)


def filling_of(layers: Layers, settings: PrintSettings, line_width_mm: float) -> Filling:
    """How a machine fills the layers of a part.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    settings : PrintSettings
        Gives outline passes and solid layers.
    line_width_mm : float
        Width of a line [mm].

    Returns
    -------
    Filling
    """
    return filling(layers, line_width_mm, settings.outline_passes, settings.top_layers, settings.bottom_layers)


def filling(layers: Layers, line_width_mm: float, outline_passes: int, top_layers: int, bottom_layers: int) -> Filling:
    """Outline passes, solid and core of all layers.

    Parameters
    ----------
    layers : Layers
        All layers of the part.
    line_width_mm : float
        Width of a line [mm].
    outline_passes : int
        Lines along every outline [-].
    top_layers, bottom_layers : int
        Solid layers under what is open above, and over what is open below [-].

    Returns
    -------
    Filling

    Notes
    -----
    The core is what lies inside the outline by more than the outline passes and is covered by every
    one of the solid layers' number of layers above and below.  Offsets run to a point at corners, so
    that the strip of a pass has the area of its middle line times its width, exactly.
    """
    drawn = _straightened(layers.regions[layers.distinct])
    inner = _inside(drawn, outline_passes * line_width_mm)
    inner_of = np.searchsorted(layers.distinct, layers.same_as)
    cores, core_of = _cores(drawn, inner, inner_of, top_layers, bottom_layers)
    # The last row stands for no core.
    moments = np.array([*map(_section_moments, cores), np.zeros(6)])
    return Filling(line_width_mm, outline_passes, drawn, inner, inner_of, cores, core_of, moments[core_of])


def _straightened(regions: Geometries) -> Geometries:
    """Regions without corners that carry no shape."""
    # The quick way: rings that come to cross are parted by the library, and no more than the straightening is lost.
    drawn: Geometries = shapely.simplify(regions, _OUTLINE_MM, preserve_topology=False)
    return drawn


def _inside(regions: Geometries, by_mm: float) -> Geometries:
    """Regions less a margin along their edge."""
    if by_mm <= 0:
        return regions
    inside: Geometries = shapely.buffer(regions, -by_mm, join_style="mitre", mitre_limit=_MITRE)
    return inside


def _cores(
    drawn: Geometries, inner: Geometries, name: Ints, above: int, below: int
) -> tuple[tuple[CrossSection, ...], Ints]:
    """Distinct cores, and which of them each layer has, -1 for none."""
    count, window = len(name), below + 1 + above
    core_of = np.full(count, -1)
    if count < window:
        return (), core_of
    pool = [_section(region) for region in (*drawn, *inner)]
    # What all layers of a window share, windows doubled until two of them overlap in the wanted one.
    shared, width = name, 1
    while 2 * width <= window:
        shared, width = _intersected(pool, shared[:-width], shared[width:]), 2 * width
    if width < window:
        shared = _intersected(pool, shared[: width - window], shared[window - width :])
    core = _intersected(pool, shared, len(drawn) + name[below : count - above])
    distinct, core_of[below : count - above] = np.unique(core, return_inverse=True)
    return tuple(pool[name] for name in distinct), core_of


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
