"""One ray tree a mesh, shared by every measure and picture that shoots rays."""

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from reviewkit.model import Floats

# Embree works in 32 bit: at 300 mm one step is 3e-5 mm, so a ray that starts on a facet is
# lifted by this much to be sure of its side.
LIFT_MM = 1e-3


class RayTree:
    """Nearest hits of rays on a triangle mesh.

    Parameters
    ----------
    vertices : (n, 3) float
        Corner points [mm].
    faces : (m, 3) int
        Facets, counter-clockwise seen from outside [-].
    """

    def __init__(self, vertices: Floats, faces: NDArray[np.int64]) -> None:
        self._scene = EmbreeScene(robust=True)
        # The scene keeps no reference of its own to the mesh.
        self._mesh = TriangleMesh(self._scene, np.ascontiguousarray(vertices[faces], dtype=np.float32))

    def first_hit(
        self, origins: Floats, directions: Floats, lift_mm: float = LIFT_MM
    ) -> tuple[Floats, NDArray[np.int64]]:
        """Distance and facet of the first hit of each ray.

        Parameters
        ----------
        origins : (n, 3) float
            Start points [mm].
        directions : (n, 3) float
            Unit directions [-].
        lift_mm : float
            How far along its direction each ray really starts; added back to the distance [mm].

        Returns
        -------
        distance : (n,) float
            From origin to hit, infinite where nothing was hit [mm].
        face : (n,) int
            Facet hit, -1 where nothing was [-].
        """
        start = np.ascontiguousarray(origins + lift_mm * directions, dtype=np.float32)
        hits = self._scene.run(start, np.ascontiguousarray(directions, dtype=np.float32), output=1)
        face = hits["primID"].astype(np.int64)
        distance = np.where(face >= 0, hits["tfar"].astype(float) + lift_mm, np.inf)
        return distance, face
