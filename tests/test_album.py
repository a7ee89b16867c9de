"""Which pictures a review shows: numbers on the part, close-ups of places, nothing of what meets."""

from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit import album
from reviewkit.album import pictures
from reviewkit.limits import machine, material
from reviewkit.model import IDENTITY, Finding, Matrix, Picture, Place, Setup, Severity, Verdict, finding_key
from reviewkit.submission import Submission
from reviewkit.workpiece import Workpiece

UPSIDE_DOWN: Matrix = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
SIDES = (60.0, 40.0, 20.0)
UP = (0.0, 0.0, 1.0)


@pytest.fixture(autouse=True)
def small_pictures(monkeypatch):
    """What is shown does not hang on the size, and time does."""
    monkeypatch.setattr(album, "_SIZE", (300, 213))
    monkeypatch.setattr(album, "_CLOSE_SIZE", (213, 147))


def piece(pose: Matrix = IDENTITY, id: str = "p", name: str = "Block", sides=SIDES) -> Workpiece:
    mesh = trimesh.creation.box(bounds=[(0, 0, 0), sides])
    part = SimpleNamespace(
        id=id, name=name, mesh=mesh, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces, dtype=np.int64)
    )
    return Workpiece(Submission("T-1"), part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2, pose))


def told(
    subject: str,
    *where: Place,
    code: str = "PR-04",
    part: str = "p",
    verdict: Verdict = Verdict.FAILS,
    severity: Severity = Severity.YIELD,
    faces: np.ndarray | None = None,
) -> Finding:
    return Finding(
        key=finding_key(code, part, subject),
        code=code,
        domain="printability",
        part=part,
        subject=subject,
        verdict=verdict,
        severity=severity,
        message=f"Something is wrong with {subject}.",
        where=where,
        evidence={} if faces is None else {"faces": faces},
    )


def on_top(x: float, y: float) -> Place:
    return Place((x, y, 20.0), UP)


def whole(taken: list[Picture]) -> list[Picture]:
    return [picture for picture in taken if not picture.finding]


def close(taken: list[Picture]) -> list[Picture]:
    return [picture for picture in taken if picture.finding]


def labels(picture: Picture) -> Counter[str]:
    return Counter(label for label, _, _ in picture.marks)


# --- marks -----------------------------------------------------------------------------------


def test_marks_carry_the_number_of_the_finding_in_the_whole_review():
    findings = [
        told("a", on_top(5, 5), part="q"),
        told("b", on_top(5, 5), verdict=Verdict.MEETS),
        told("c", on_top(10, 10)),
        told("d", on_top(20, 20), verdict=Verdict.NOT_CHECKED),
        told("e", on_top(30, 30), on_top(40, 30), verdict=Verdict.MARGINAL),
        told("f"),
    ]
    taken = pictures(piece(), findings)
    above = whole(taken)[0]
    assert labels(above) == {"3": 1, "5": 2}
    assert {picture.finding: set(labels(picture)) for picture in close(taken)} == {
        "PR-04:p:c": {"3"},
        "PR-04:p:e": {"5"},
    }
    assert "findings 3, 5 marked" in above.alt


def test_marks_lie_where_the_places_are():
    """A parallel look keeps a parallelogram one, and makes no length longer."""
    corners = [(8, 6), (50, 6), (50, 33), (8, 33)]
    findings = [told(f"corner {n}", on_top(*corner), code=f"PR-{n}") for n, corner in enumerate(corners)]
    above = whole(pictures(piece(), findings))[0]
    a, b, c, d = (np.array([x, y]) for _, x, y in sorted(above.marks))
    np.testing.assert_allclose(a + c, b + d, atol=1e-6)
    for one, other, length_mm in ((a, b, 42), (b, c, 27), (a, c, np.hypot(42, 27))):
        seen_mm = np.linalg.norm(one - other) * above.mm_per_pixel
        assert 0.2 * length_mm < seen_mm <= length_mm * (1 + 1e-9)
    height, width = above.rgb.shape[:2]
    for _, x, y in above.marks:
        assert 0 <= x < width and 0 <= y < height
        # On the part, not on the white around it.
        assert above.rgb[round(y), round(x)].min() < 250


def test_every_place_is_seen_from_above_or_below():
    taken = whole(pictures(piece(), [told("top", on_top(30, 20)), told("bottom", Place((30, 20, 0), (0, 0, -1)))]))
    assert [set(labels(picture)) for picture in taken[:2]] == [{"1"}, {"2"}]
    turned = whole(
        pictures(piece(UPSIDE_DOWN), [told("top", on_top(30, 20)), told("bottom", Place((30, 20, 0), (0, 0, -1)))])
    )
    assert [set(labels(picture)) for picture in turned[:2]] == [{"2"}, {"1"}]


def test_a_place_inside_the_matter_is_not_marked():
    taken = pictures(piece(), [told("core", Place((30.0, 20.0, 10.0)))])
    assert all(picture.marks == () for picture in taken)
    assert all("marked" not in picture.alt for picture in whole(taken))


def test_a_place_with_a_box_is_marked_on_its_surface():
    wall = Place((30.0, 20.0, 10.0), (1.0, 0.0, 0.0), ((29.0, 10.0, 2.0), (31.0, 30.0, 20.0)))
    above = whole(pictures(piece(), [told("wall", wall)]))[0]
    assert labels(above) == {"1": 1}


def test_no_more_than_a_few_places_a_finding_are_marked():
    places = [on_top(5 + 5 * n, 20) for n in range(10)]
    (shown,) = {count for picture in whole(pictures(piece(), [told("many", *places)]))[:1] for count in
                labels(picture).values()}  # fmt: skip
    assert shown == 6


def test_failing_facets_are_coloured():
    block = piece()
    top = np.flatnonzero(block.part.mesh.face_normals[:, 2] > 0.9)
    box = ((0.0, 0.0, 20.0), SIDES)
    place = Place((30.0, 20.0, 20.0), UP, box, "faces")
    plain = whole(pictures(block, [told("a", on_top(30, 20))]))[0].rgb.astype(int)
    lit = whole(pictures(block, [told("a", place, faces=top)]))[0].rgb.astype(int)
    red_over_blue = [(rgb[..., 0] - rgb[..., 2] > 60).mean() for rgb in (plain, lit)]
    assert red_over_blue[0] < 0.01
    assert red_over_blue[1] > 0.05


# --- close-ups -------------------------------------------------------------------------------


def test_only_places_have_close_ups():
    findings = [told("part", on_top(5, 5)), told("nowhere"), told("leaf", on_top(30, 20), code="PR-03")]
    taken = close(pictures(piece(), findings))
    assert [picture.finding for picture in taken] == ["PR-03:p:leaf"]


def test_the_whole_part_is_marked_only_where_no_place_of_its_code_is():
    only = whole(pictures(piece(), [told("part", on_top(5, 5))]))[0]
    assert labels(only) == {"1": 1}
    both = whole(pictures(piece(), [told("part", on_top(5, 5)), told("leaf", on_top(30, 20))]))[0]
    assert labels(both) == {"2": 1}


def test_the_worst_of_each_code_are_shown_first():
    findings = [
        told("mild", on_top(5, 5), verdict=Verdict.MARGINAL, severity=Severity.INJURY),
        *(told(f"leaf-{n}", on_top(5 + 5 * n, 20)) for n in range(1, 6)),
        told("bad", on_top(50, 30), severity=Severity.FUNCTION),
        told("neck", on_top(10, 30), code="PR-03", verdict=Verdict.MARGINAL),
    ]
    taken = [picture.finding.split(":")[2] for picture in close(pictures(piece(), findings))]
    assert taken == ["bad", "leaf-1", "leaf-2", "leaf-3", "neck"]


def test_a_close_up_is_close_and_told_in_words():
    finding = told("leaf", on_top(150, 60))
    taken = pictures(piece(sides=(240.0, 160.0, 20.0)), [finding])
    (near,) = close(taken)
    far = whole(taken)[0]
    near_mm, far_mm = (picture.rgb.shape[1] * picture.mm_per_pixel for picture in (near, far))
    assert 15 < near_mm < far_mm / 2
    (_, x, y), *_ = near.marks
    assert abs(x - near.rgb.shape[1] / 2) < 2 and abs(y - near.rgb.shape[0] / 2) < 2
    assert finding.message in near.alt
    assert near.title.startswith("Finding 1: leaf")


# --- all of them -----------------------------------------------------------------------------


@pytest.mark.parametrize("findings", [[], [told("a", on_top(5, 5), verdict=Verdict.MEETS)]])
def test_a_part_without_fault_is_shown_plain(findings):
    taken = pictures(piece(), findings)
    assert len(taken) >= 2
    assert all(not picture.finding and picture.marks == () for picture in taken)
    assert all(picture.title.startswith("Block from") for picture in taken)
    assert all(picture.alt.endswith(".") for picture in taken)


def test_pictures_have_names_of_their_own_fit_for_files():
    hostile = [told("../../etc", on_top(5, 5)), told("..\\etc", on_top(9, 9)), told("", on_top(15, 5))]
    taken = pictures(piece(id="p"), hostile)
    names = [picture.name for picture in taken]
    assert len(set(names)) == len(names)
    assert not any(set(name) & set("./\\ :") for name in names)


def test_the_same_pictures_again():
    findings = [told("leaf", on_top(30, 20))]
    for one, other in zip(pictures(piece(), findings), pictures(piece(), findings), strict=True):
        np.testing.assert_array_equal(one.rgb, other.rgb)
        assert (one.name, one.alt, one.marks, one.mm_per_pixel) == (
            other.name,
            other.alt,
            other.marks,
            other.mm_per_pixel,
        )
