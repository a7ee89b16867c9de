"""Which pictures a review shows: each part from telling sides with its findings marked, and close-ups."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from reviewkit.judging import WHOLE, vector
from reviewkit.model import Finding, Floats, Picture, Place, Verdict
from reviewkit.picture import best_view, closeup, informative_views, project, shaded
from reviewkit.submission import slug
from reviewkit.workpiece import Workpiece

# What a page holds and a reader takes in; nothing here judges.
_SIZE = (900, 640)
_CLOSE_SIZE = (640, 440)
_SHOWN = (Verdict.FAILS, Verdict.MARGINAL)
_CLOSEUPS_A_CODE = 4
_PLACES_SHOWN = 6
_OFF_SURFACE_MM = 0.05
_ROOM_MM = 0.3


def pictures(workpiece: Workpiece, findings: Sequence[Finding]) -> list[Picture]:
    """Pictures of one part.

    Parameters
    ----------
    workpiece : Workpiece
    findings : sequence of Finding
        Of the whole review, in its order: marks carry their numbers, counted from 1.

    Returns
    -------
    list of Picture
        The part as it stands on the plate, from the sides that show most of what is wrong;
        then close-ups of the places of failing and marginal findings, the worst of each code.
    """
    numbers = {f.key: number for number, f in enumerate(findings, 1)}
    own = [f for f in findings if f.part == workpiece.part.id and f.where and f.verdict in _SHOWN]
    # What a finding on the whole part says is shown by those on its places, where there are any.
    placed = {f.code for f in own if f.subject != WHOLE}
    own = [f for f in own if f.subject != WHOLE or f.code not in placed]
    own.sort(key=lambda f: (_SHOWN.index(f.verdict), f.severity))
    codes: dict[str, list[Finding]] = {}
    for finding in own:
        codes.setdefault(finding.code, []).append(finding)
    close = [f for alike in codes.values() for f in alike[:_CLOSEUPS_A_CODE] if f.subject != WHOLE]
    return [*_whole(workpiece, own, numbers), *(_close(workpiece, finding, numbers) for finding in close)]


def _whole(workpiece: Workpiece, findings: Sequence[Finding], numbers: Mapping[str, int]) -> list[Picture]:
    vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
    places = [(f, place) for f in findings for place in f.where[:_PLACES_SHOWN]]
    points = np.vstack([_surface_points(workpiece, place)[:1] for _, place in places]) if places else None
    highlight = {
        verdict: np.unique(np.concatenate([_faces(f) for f in findings if f.verdict is verdict] or [_NO_FACES]))
        for verdict in _SHOWN
    }
    taken = []
    for view in informative_views(vertices, faces, rays, points):
        shot = shaded(vertices, faces, rays, view, _SIZE, highlight, _within(workpiece, findings))
        marks = []
        for finding, place in places:
            pixels, seen = project(shot, _surface_points(workpiece, place), rays)
            if seen.any():
                column, row = pixels[np.argmax(seen)]
                marks.append((str(numbers[finding.key]), float(column), float(row)))
        part = workpiece.part
        title = f"{part.name or part.id} {view.name}"
        marked = sorted({int(label) for label, _, _ in marks})
        taken.append(
            Picture(
                name=slug(f"part {part.id} {view.name}"),
                part=part.id,
                title=title,
                alt=f"Shaded picture of {title}, standing on the plate as reviewed"
                + (f"; findings {', '.join(map(str, marked))} marked." if marked else "."),
                rgb=shot.rgb,
                mm_per_pixel=shot.mm_per_pixel,
                marks=tuple(marks),
            )
        )
    return taken


def _close(workpiece: Workpiece, finding: Finding, numbers: Mapping[str, int]) -> Picture:
    """Close-up of the first place of a finding."""
    vertices, faces, rays = workpiece.vertices, workpiece.faces, workpiece.rays
    place = finding.where[0]
    points = _surface_points(workpiece, place)
    box = workpiece.to_plate(np.array(place.box_mm or (place.point_mm, place.point_mm)))
    view = best_view(vertices, faces, rays, points)
    near = closeup(view, (vector(box.min(axis=0)), vector(box.max(axis=0))))
    lit = {finding.verdict: _faces(finding)}
    shot = shaded(vertices, faces, rays, near, _CLOSE_SIZE, lit, _within(workpiece, [finding]))
    marks = []
    for place in finding.where[:_PLACES_SHOWN]:
        pixels, seen = project(shot, _surface_points(workpiece, place), rays)
        if seen.any():
            column, row = pixels[np.argmax(seen)]
            marks.append((str(numbers[finding.key]), float(column), float(row)))
    return Picture(
        name=slug(f"close {finding.key}"),
        part=finding.part,
        title=f"Finding {numbers[finding.key]}: {finding.subject}, {near.name}",
        alt=f"Close-up of {finding.subject} on {finding.part}, {view.name}: {finding.message}",
        rgb=shot.rgb,
        mm_per_pixel=shot.mm_per_pixel,
        marks=tuple(marks),
        finding=finding.key,
    )


_NO_FACES = np.empty(0, dtype=np.int64)


def _faces(finding: Finding) -> NDArray[np.int64]:
    """Facets that a finding names as its places."""
    names = {place.faces for place in finding.where if place.faces}
    found = [finding.evidence[name] for name in sorted(names) if name in finding.evidence]
    return np.unique(np.concatenate(found)).astype(np.int64) if found else _NO_FACES


def _within(workpiece: Workpiece, findings: Sequence[Finding]) -> Callable[[Floats], NDArray[np.bool_]]:
    """Which points of the plate frame lie in one of the places, with a little room around."""
    boxes = [place.box_mm for finding in findings for place in finding.where if place.faces and place.box_mm]

    def inside(points: Floats) -> NDArray[np.bool_]:
        own = workpiece.to_part(points)
        found = np.zeros(len(own), dtype=bool)
        for low, high in boxes:
            found |= ((own >= np.subtract(low, _ROOM_MM)) & (own <= np.add(high, _ROOM_MM))).all(axis=1)
        return found

    return inside


def _surface_points(workpiece: Workpiece, place: Place) -> Floats:
    """Points just off the surface of a place, most telling first, in the plate frame (n, 3) [mm]."""
    normal = np.array(place.normal or (0.0, 0.0, 0.0))
    points = workpiece.to_plate(np.array([place.point_mm]) + _OFF_SURFACE_MM * normal)
    if place.box_mm is None:
        return points
    low, high = np.sort(workpiece.to_plate(np.array(place.box_mm)), axis=0)
    sides = np.tile((low + high) / 2, (6, 1))
    for axis in range(3):
        sides[2 * axis, axis] = high[axis] + _OFF_SURFACE_MM
        sides[2 * axis + 1, axis] = low[axis] - _OFF_SURFACE_MM
    # Top and underside first: walls are seen best along their height.
    return np.vstack([points, sides[[4, 5, 0, 1, 2, 3]]])
