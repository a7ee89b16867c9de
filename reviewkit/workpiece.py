"""A part in its setup: immutable, every shared measure made once and asked through it."""

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from reviewkit.limits import Limits
from reviewkit.measure.filling import Filling, filling_of
from reviewkit.measure.layers import Layers, layers, projected_area
from reviewkit.measure.mass import PrintedMass, mass_of
from reviewkit.measure.motion import Carried, carried
from reviewkit.measure.pieces import Stack, stacked
from reviewkit.measure.rays import RayTree
from reviewkit.measure.walls import Skins, Walls, skin_samples, wall_samples
from reviewkit.measure.zones import rest_fill, zoned
from reviewkit.model import Floats, Setup
from reviewkit.part import Part
from reviewkit.submission import Region, RegionKind, Submission, Zone, region_contains, region_of

T = TypeVar("T")

# Enough for the measures of a few parts in a few setups; a batch moves on and forgets.
_KEPT_MEASURES = 96
_kept: OrderedDict[tuple[Any, ...], Any] = OrderedDict()


@dataclass(frozen=True, eq=False)
class Workpiece:
    """A part, its setup and the submission that it belongs to.

    Measures are kept in the process by shape, setup, name and arguments, so that asking
    twice, from two checks or from two workpieces alike, costs once.  ``beside`` holds the
    parts of the same submission by id, itself among them, where they were read.
    """

    submission: Submission
    part: Part
    setup: Setup
    beside: Mapping[str, "Workpiece"] = field(default_factory=dict, repr=False)

    @cached_property
    def _shape(self) -> str:
        mesh = self.part.mesh
        return hashlib.sha256(np.ascontiguousarray(mesh.vertices).tobytes() + mesh.faces.tobytes()).hexdigest()

    def measured(self, name: str, compute: Callable[[], T], *arguments: object) -> T:
        """The kept result of a measure, computed when it is asked for the first time.

        Parameters
        ----------
        name : str
            Name of the measure.
        compute : callable
            Makes the result; may depend on this workpiece and on `arguments` only.
        *arguments : hashable
            What the result depends on beside shape and setup.
        """
        key = (self._shape, self.setup, name, *arguments)
        if key not in _kept:
            _kept[key] = compute()
        _kept.move_to_end(key)
        while len(_kept) > _KEPT_MEASURES:
            _kept.popitem(last=False)
        result: T = _kept[key]
        return result

    @cached_property
    def offset_mm(self) -> Floats:
        """What is added after turning so that the part stands on the plate, (3,) float [mm]."""
        turned = self.part.vertices @ self.setup.rotation.T
        return np.array([0.0, 0.0, -turned[:, 2].min()])

    @cached_property
    def vertices(self) -> Floats:
        """Corner points in the plate frame, (n, 3) float [mm]."""
        return self.to_plate(self.part.vertices)

    @property
    def faces(self) -> NDArray[np.int64]:
        """Facets, (m, 3) int [-]."""
        return self.part.faces

    @cached_property
    def height_mm(self) -> float:
        """Height above the plate [mm]."""
        return float(self.vertices[:, 2].max())

    def to_plate(self, points: Floats) -> Floats:
        """Points of the part's frame in the plate frame, (n, 3) float [mm]."""
        return points @ self.setup.rotation.T + self.offset_mm

    def to_part(self, points: Floats) -> Floats:
        """Points of the plate frame in the part's frame, (n, 3) float [mm]."""
        return (points - self.offset_mm) @ self.setup.rotation

    def to_part_direction(self, directions: Floats) -> Floats:
        """Directions of the plate frame in the part's frame, (n, 3) float [-]."""
        return directions @ self.setup.rotation

    @cached_property
    def regions(self) -> tuple[Region, ...]:
        """The declared regions of this part, in the order of the submission."""
        return tuple(region for region in self.submission.regions if region.part == self.part.id)

    @cached_property
    def said_to_be_rigid(self) -> bool:
        """Whether the submission says that nothing of the part moves: one fixed region holds all of it, alone."""
        kinds = {region.kind for region in self.regions}
        if self.motions or kinds & {RegionKind.MOVING, RegionKind.FLEXURE}:
            return False
        fixed = [region for region in self.regions if region.kind is RegionKind.FIXED]
        return any(region_contains(region, self.part.vertices).all() for region in fixed)

    @cached_property
    def motions(self) -> tuple[Carried, ...]:
        """How each declared motion of this part carries its mesh, in the part's frame."""
        names = {region.name for region in self.regions}
        return tuple(
            carried(self.part.vertices, self.part.faces, self.regions, motion)
            for motion in self.submission.motions
            if motion.region in names
        )

    def region_at(self, point: Floats) -> str:
        """Name of the declared region of this part that holds a point of the part's frame [mm], or ``""``."""
        index = int(region_of(self.regions, np.reshape(point, (1, 3)))[0])
        return self.regions[index].name if index >= 0 else ""

    @property
    def rays(self) -> RayTree:
        """The shared ray tree of the mesh in the plate frame."""
        return self.measured("rays", lambda: RayTree(self.vertices, self.faces))

    @property
    def layers(self) -> Layers:
        """All layers as polygons."""
        setup = self.setup
        return self.measured(
            "layers", lambda: layers(self.vertices, self.faces, setup.first_layer_mm, setup.layer_height_mm)
        )

    @property
    def walls(self) -> Walls:
        """Wall widths and clearances in the plane of each layer."""
        return self.measured("walls", lambda: wall_samples(self.layers, self.vertices, self.faces, self.rays))

    @property
    def skins(self) -> Skins:
        """Thickness of floors and roofs."""
        return self.measured("skins", lambda: skin_samples(self.vertices, self.faces, self.rays))

    @property
    def stack(self) -> Stack:
        """Islands of all layers and how they join."""
        return self.measured("stack", lambda: stacked(self.layers))

    @cached_property
    def zones(self) -> tuple[Zone, ...]:
        """Volumes of this part that are filled in another way than the rest."""
        return tuple(zone for zone in self.submission.zones if zone.part == self.part.id)

    @property
    def filled_setup(self) -> Setup:
        """The setup with the core fill against which the zones count."""
        return replace(self.setup, core_fill=rest_fill(self.setup.core_fill, self.zones))

    @property
    def filling(self) -> Filling:
        """How its layers are filled, zones included; SetupError where the machine does not say how it prints."""
        setup = self.filled_setup

        def filled() -> Filling:
            plain = filling_of(self.layers, setup.printing, setup.line_width_mm)
            return zoned(self.layers, plain, self.zones, setup.core_fill, setup.printing, self.to_plate)

        return self.measured("filling", filled, self.zones)

    def mass(self, limits: Limits) -> PrintedMass:
        """Mass, mass centre and inertia as printed, in the plate frame, with the values of `limits` for filling."""
        return self.measured(
            "mass", lambda: mass_of(self.layers, self.filled_setup, limits, self.filling), limits.sha256, self.zones
        )

    @property
    def projected_area_mm2(self) -> float:
        """Area of the part seen from above [mm2]."""
        return self.measured("projected area", lambda: projected_area(self.layers))
