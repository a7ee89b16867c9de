"""Small shaded pictures of a part with what a form of two halves does not reach."""

import numpy as np
from numpy.typing import NDArray

from reviewkit.model import Finding, Verdict
from reviewkit.picture import best_view, informative_views, shaded
from reviewkit.workpiece import Workpiece

# How the pictures look; nothing here judges.
_SIZE = (420, 320)
_SHOTS = 2
_POINTS = 200
_OFF_SURFACE_MM = 0.05


def undercut_shots(workpiece: Workpiece, finding: Finding) -> dict[str, NDArray[np.uint8]]:
    """Pictures of the part from the sides that show most of its undercuts.

    Parameters
    ----------
    workpiece : Workpiece
    finding : Finding
        With ``hidden facets`` in its evidence, (f,) int.

    Returns
    -------
    dict of str to (h, w, 3) uint8
        ``shot_0`` and ``shot_1``, and ``seen``, the share of the facets that either shows [-]; empty
        without undercuts.
    """
    facets = finding.evidence.get("hidden facets")
    if facets is None or not len(facets):
        return {}
    vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
    some = facets[:: max(1, len(facets) // _POINTS)]
    corners = vertices[faces[some]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = across / np.maximum(np.linalg.norm(across, axis=1), 1e-300)[:, None]
    points = corners.mean(axis=1) + _OFF_SURFACE_MM * normals
    best = best_view(vertices, faces, rays, points)
    views = [best, *(view for view in informative_views(vertices, faces, rays, points) if view.name != best.name)]
    shots = [shaded(vertices, faces, rays, view, _SIZE, {Verdict.FAILS: facets}) for view in views[:_SHOTS]]
    seen = np.isin(facets, np.concatenate([np.unique(shot.face) for shot in shots])).mean()
    return {f"shot_{number}": shot.rgb for number, shot in enumerate(shots)} | {"seen": np.array([seen])}
