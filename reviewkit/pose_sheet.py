"""Small shaded pictures of the poses that a finding compares, each standing on the plate."""

import numpy as np
from numpy.typing import NDArray

from reviewkit.measure.pose import drop
from reviewkit.measure.rays import RayTree
from reviewkit.model import Finding, Floats
from reviewkit.picture import Shot, View, shaded
from reviewkit.workpiece import Workpiece

# How the pictures look; nothing here judges.
_SIZE = (328, 248)
_RISE_DEG, _AROUND_DEG = 32.0, -60.0
_ROOM = 0.03
_PLATE_RGB = np.array([233, 233, 230])
_GRID_RGB = np.array([206, 206, 202])
_GRID_MM = 10.0
_PLATE_ROUND = 0.4


def pose_shots(workpiece: Workpiece, finding: Finding) -> dict[str, NDArray[np.uint8]]:
    """Pictures of the poses in the evidence of a finding, all to one scale and seen from one side.

    Parameters
    ----------
    workpiece : Workpiece
    finding : Finding
        With ``rotations`` in its evidence, (n, 3, 3) from the part's frame to the plate's.

    Returns
    -------
    dict of str to (h, w, 3) uint8
        ``shot_0`` and so on in the order of the rotations; empty without them.  The plate's grid is 10 mm.
    """
    rotations = finding.evidence.get("rotations")
    if rotations is None or len(rotations) == 0:
        return {}
    rise, turn = np.radians(_RISE_DEG), np.radians(_AROUND_DEG)
    view = View(
        "from above, front right",
        (-float(np.cos(rise) * np.cos(turn)), -float(np.cos(rise) * np.sin(turn)), -float(np.sin(rise))),
    )
    posed = [_centred(workpiece.part.vertices, rotation) for rotation in rotations]
    seen = [np.vstack([vertices, _plate_corners(vertices)]) @ view.axes[:2].T for vertices in posed]
    # One scale for all: each picture has the extent of the widest and of the highest.
    extent_mm = np.max([np.ptp(points, axis=0) for points in seen], axis=0) * (1 + _ROOM)
    shots = {}
    for number, (vertices, points) in enumerate(zip(posed, seen, strict=True)):
        middle = (points.min(axis=0) + points.max(axis=0)) / 2
        frame = np.array([middle - extent_mm / 2, middle + extent_mm / 2]) @ view.axes[:2]
        # Points that belong to no facet widen the frame and draw nothing.
        framed = np.vstack([vertices, frame + (vertices.mean(axis=0) @ view.axes[2]) * view.axes[2]])
        shot = shaded(framed, workpiece.faces, RayTree(vertices, workpiece.faces), view, _SIZE)
        shots[f"shot_{number}"] = _on_plate(shot, vertices)
    return shots


def _centred(vertices: Floats, rotation: Floats) -> Floats:
    """The part in a pose, standing at z = 0 with its footprint around the origin."""
    placed, _ = drop(vertices, rotation)
    middle = (placed.min(axis=0) + placed.max(axis=0)) / 2
    return np.asarray(placed - (middle[0], middle[1], 0.0))


def _plate_corners(vertices: Floats) -> Floats:
    """Corners of the patch of plate that is drawn: whole squares of the grid with some room around the part."""
    x, y = np.ceil(np.abs(vertices[:, :2]).max(axis=0) / _GRID_MM + _PLATE_ROUND) * _GRID_MM
    return np.array([[-x, -y, 0.0], [x, -y, 0.0], [x, y, 0.0], [-x, y, 0.0]])


def _on_plate(shot: Shot, vertices: Floats) -> NDArray[np.uint8]:
    """The picture with a patch of the plate and its grid wherever the part leaves it free."""
    height, width = shot.face.shape
    right, up, towards = shot.view.axes
    columns, rows = np.meshgrid(np.arange(width), np.arange(height))
    start = (
        shot.corner_mm + (columns * shot.mm_per_pixel)[..., None] * right - (rows * shot.mm_per_pixel)[..., None] * up
    )
    # Along the look to z = 0.
    plate = (start - (start[..., 2] / towards[2])[..., None] * towards)[..., :2]
    reach = _plate_corners(vertices).max(axis=0)[:2]
    on_plate = (np.abs(plate) <= reach + 0.5 * shot.mm_per_pixel).all(axis=2) & (shot.face < 0)
    off_line = np.abs(plate / _GRID_MM - np.round(plate / _GRID_MM)) * _GRID_MM
    line = (off_line < 0.7 * shot.mm_per_pixel).any(axis=2)
    tint = np.where(line[..., None], _GRID_RGB, _PLATE_RGB) / 255
    rgb = np.where(on_plate[..., None], np.rint(shot.rgb * tint), shot.rgb)
    return np.asarray(rgb, dtype=np.uint8)
