"""What bare meshes suggest, against the submissions that people marked by hand, and what accepting it writes."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from reviewkit.errors import MeshError, SubmissionError
from reviewkit.intake_flow import Intake, opened_intake
from reviewkit.measure.handhold import surface_samples
from reviewkit.model import Finding, Floats, Origin, Severity, Verdict
from reviewkit.resources import resource
from reviewkit.submission import (
    Box,
    Cylinder,
    Motion,
    MotionKind,
    Region,
    RegionKind,
    Submission,
    bare_submission,
    parse_submission,
    read_submission,
    region_contains,
    region_of,
    submission_toml,
)
from reviewkit.suggestions import Suggestion, SuggestionKind, Sureness, accepted, unless_confirmed

DEMOS = ("launcher-a", "launcher-b", "snap-clip", "hinged-box", "spacer", "bracket", "tool-grip")
# What a shape can tell; what must be kept or looks matter is the customer's to say.
TOLD_BY_SHAPE = {RegionKind.FIXED, RegionKind.MOVING, RegionKind.GRIP, RegionKind.FLEXURE, RegionKind.OPENING,
                 RegionKind.PROJECTILE}  # fmt: skip
STAYS = {RegionKind.FIXED, RegionKind.KEEP}
WITHIN_DEG, ON_AXIS_MM, OVERLAP = 15.0, 2.0, 0.5
FOUND, INVENTED = 0.9, 1


@dataclass(frozen=True)
class Compared:
    """How suggestions of one part compare with what was marked by hand."""

    found: tuple[str, ...]
    missed: tuple[str, ...]
    invented: tuple[str, ...]


@cache
def bare(name: str) -> Intake:
    """A demo submission stripped to its meshes, with what they suggest."""
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="bare-")) / name
    folder.mkdir()
    for mesh in resource("data", "parts", name).glob("*.stl"):
        (folder / mesh.name).symlink_to(mesh)
    return opened_intake(folder)


def compared(name: str) -> dict[str, Compared]:
    """Marked regions, motions and other facts of each part, found or missed, and what was invented."""
    marked, intake = read_submission(resource("data", "parts", name)), bare(name)
    told = {}
    for workpiece in intake.workpieces:
        part = workpiece.part
        around = Box(tuple(part.vertices.min(axis=0) - 1), tuple(part.vertices.max(axis=0) + 1))
        points = surface_samples(part.vertices, part.faces, Region("all", part.id, RegionKind.KEEP, around))[0]
        own = [one for one in intake.suggestions if one.part == part.id]
        told[part.id] = compared_part(marked, part.id, own, points)
    return told


def compared_part(marked: Submission, part: str, own: list[Suggestion], points: Floats) -> Compared:
    """One part, by samples of its surface; openings by the room in them."""
    by_hand = [region for region in marked.regions if region.part == part]
    proposed = [one.region for one in own if one.region is not None]
    hand_owner, owner = region_of(by_hand, points), region_of(proposed, points)
    kinds_of = lambda regions, owners: np.array([*(region.kind for region in regions), None], dtype=object)[owners]  # noqa: E731
    hand_kind, kind = kinds_of(by_hand, hand_owner), kinds_of(proposed, owner)
    found, missed, invented = [], [], []
    for number, region in enumerate(by_hand):
        if region.kind not in TOLD_BY_SHAPE:
            continue
        if region.kind is RegionKind.OPENING:
            share = max((overlap(region, one) for one in proposed if one.kind is region.kind), default=0.0)
        else:
            mine = hand_owner == number
            share = float(np.mean(kind[mine] == region.kind)) if mine.any() else 0.0
        (found if share >= OVERLAP else missed).append(f"{region.kind} {region.name}")
    for motion in marked.motions:
        if motion.region in {region.name for region in by_hand}:
            alike = any(one.motion is not None and same_motion(one.motion, motion) for one in own)
            (found if alike else missed).append(f"motion of {motion.region}")
    entry = next(entry for entry in marked.parts if entry.id == part)
    stated = {f"part.{part}.pose": entry.pose, f"part.{part}.launched_by": entry.launched_by}
    proposals = dict(pair for one in own for pair in one.fields)
    for fact, value in stated.items():
        if value:
            (found if proposals.get(fact) == value else missed).append(fact)
    invented += [fact for fact, value in proposals.items() if value != stated.get(fact)]
    for number, region in enumerate(proposed):
        mine = owner == number
        if region.kind is RegionKind.OPENING:
            agrees = any(overlap(one, region) >= OVERLAP for one in by_hand if one.kind is region.kind)
        elif region.kind is RegionKind.FIXED:
            agrees = any(f"fixed {one.name}" in found for one in by_hand)
        elif region.kind is RegionKind.KEEP:
            agrees = not mine.any() or np.mean([one in STAYS for one in hand_kind[mine]]) >= OVERLAP
        else:
            # What must be kept or looks matter lies over what moves or is held, and says nothing against it.
            alike = [one for one in by_hand if one.kind is region.kind]
            inside = np.any([region_contains(one, points[mine]) for one in alike], axis=0) if alike else np.zeros(1)
            agrees = mine.any() and float(np.mean(inside)) >= OVERLAP
        invented += [] if agrees else [f"{region.kind} {region.name}"]
    moved = {motion.region for motion in marked.motions} & {region.name for region in by_hand}
    invented += [f"motion of {one.motion.region}" for one in own if one.motion is not None and not moved]
    return Compared(tuple(found), tuple(missed), tuple(invented))


def overlap(one: Region, other: Region) -> float:
    """Shared volume of two regions over their union."""
    boxes = [(np.array(r.volume.min_mm), np.array(r.volume.max_mm)) for r in (one, other) if isinstance(r.volume, Box)]
    low, high = np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)
    axes = [np.linspace(a, b, 40) for a, b in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = [region_contains(region, points) for region in (one, other)]
    return float((inside[0] & inside[1]).sum() / (inside[0] | inside[1]).sum())


def same_motion(one: Motion, other: Motion) -> bool:
    """Whether two motions go the same way, and turn about the same axis."""
    ways = [np.array(motion.direction) * np.sign(motion.stroke[1] - motion.stroke[0]) for motion in (one, other)]
    ways = [way / np.linalg.norm(way) for way in ways]
    if one.kind is not other.kind or ways[0] @ ways[1] < np.cos(np.radians(WITHIN_DEG)):
        return False
    apart = np.array(one.point_mm) - np.array(other.point_mm)
    off = apart - (apart @ ways[1]) * ways[1]
    return one.kind is MotionKind.TRANSLATION or float(np.linalg.norm(off)) < ON_AXIS_MM


@pytest.mark.parametrize("name", DEMOS)
def test_what_was_marked_by_hand_is_found_and_nothing_else(name: str) -> None:
    for part, told in compared(name).items():
        print(f"{name} {part}: found {len(told.found)}, missed {told.missed}, invented {told.invented}")
        assert len(told.found) >= FOUND * (len(told.found) + len(told.missed)), told.missed
        assert len(told.invented) <= INVENTED, told.invented


@pytest.mark.parametrize(("name", "motion_of"), [("snap-clip", "mover"), ("hinged-box", "turning")])
def test_every_suggestion_can_be_shown_and_says_why(name: str, motion_of: str) -> None:
    intake = bare(name)
    keys = [one.key for one in intake.suggestions]
    assert len(set(keys)) == len(keys)
    for one in intake.suggestions:
        assert len(one.faces)
        assert one.reason.endswith(".")
        assert one.sure_from
        assert set(one.needs) <= set(keys)
    moves = [one for one in intake.suggestions if one.motion is not None]
    assert [one.motion.region for one in moves if one.motion is not None] == [motion_of]
    assert all(one.stops for one in moves)


def test_an_arm_that_snaps_goes_as_far_as_its_material_bears() -> None:
    """A cantilever with a load at its end is strained by 3 w d / (2 L2) at its root (Roark's Formulas for Stress and
    Strain, 7th ed., table 8.1 case 1a, from memory); half the yield strain of 3.5 % is the row mechanics.snap."""
    arm = read_submission(resource("data", "parts", "snap-clip")).regions[1].volume
    assert isinstance(arm, Box)
    mover = next(one for one in bare("snap-clip").suggestions if one.motion is not None)
    assert mover.motion is not None
    flexure = next(one for one in bare("snap-clip").suggestions if one.kind is SuggestionKind.FLEXURE)
    assert isinstance(flexure.region.volume, Box) if flexure.region else False
    # The nose is stiff, so its middle, 4 mm beyond the arm of 28 mm, goes farther than its end by the slope there.
    length, width, beyond = 28.0, 1.6, 4.0
    end = 0.5 * 0.035 * length**2 / (1.5 * width) * (1 + beyond / length * 1.5)
    assert mover.motion.stroke[1] == pytest.approx(end, rel=0.2)


def test_leaves_between_rails_go_as_far_as_their_strain_lets_them() -> None:
    """A leaf clamped at both ends is strained by 3 w d / L2 (the same table, case 1b): 9.2 mm at 1 %."""
    launcher = next(one for one in bare("launcher-b").suggestions if one.motion is not None)
    assert launcher.motion is not None
    assert launcher.motion.stroke[1] == pytest.approx(0.01 * 47.2**2 / (3 * 0.8), rel=0.05)
    assert "strain" in launcher.stops


def test_what_is_accepted_is_marked_as_suggested_with_its_reason_and_reads_back() -> None:
    intake = bare("hinged-box")
    taken = accepted(intake.submission, intake.suggestions)
    assert parse_submission(submission_toml(taken)) == taken
    for one in intake.suggestions:
        names = [name for name, _ in one.fields]
        names += [f"region.{one.region.name}"] if one.region else []
        names += [f"motion.{one.motion.name}"] if one.motion else []
        for name in names:
            assert taken.origins[name] is Origin.SUGGESTED
            assert taken.notes[name] == one.reason
    confirmed = accepted(intake.submission, intake.suggestions, confirmed=True)
    assert Origin.SUGGESTED not in confirmed.origins.values()
    assert confirmed.regions == taken.regions
    assert accepted(taken, intake.suggestions) == taken


def test_what_is_stated_already_is_not_suggested_again_nor_overwritten(tmp_path: Path) -> None:
    mesh = resource("data", "parts", "spacer") / "spacer.stl"
    (tmp_path / "spacer.stl").symlink_to(mesh)
    stated = replace(read_submission(resource("data", "parts", "spacer")), folder=mesh.parent)
    again = opened_intake(mesh.parent)
    assert again.submission == stated
    assert [one for one in again.suggestions if one.kind in (SuggestionKind.RIGID, SuggestionKind.POSE)] == []
    bare_ones = bare("spacer").suggestions
    assert accepted(stated, [one for one in bare_ones if one.fields]).parts == stated.parts


def test_two_fixed_regions_are_refused_in_one_line() -> None:
    intake = bare("snap-clip")
    held = next(one for one in intake.suggestions if one.kind is SuggestionKind.HELD)
    assert held.region is not None
    second = replace(held, region=replace(held.region, name="another"))
    with pytest.raises(SubmissionError, match="has a fixed region already"):
        accepted(intake.submission, [held, second])


def test_what_fails_on_a_suggestion_is_marginal_until_it_is_confirmed() -> None:
    intake = bare("snap-clip")
    taken = accepted(intake.submission, intake.suggestions)
    fails = Finding("ME-03:snap-clip:leaf-1", "ME-03", "mechanics", "snap-clip", "leaf-1", Verdict.FAILS,
                    Severity.FUNCTION, "Too much strain.", "Make it longer.")  # fmt: skip
    told = unless_confirmed(taken, fails)
    assert told.verdict is Verdict.MARGINAL
    assert "mover" in told.guess
    confirmed = accepted(intake.submission, intake.suggestions, confirmed=True)
    assert unless_confirmed(confirmed, fails) is fails
    on_shape = replace(fails, code="PR-04")
    assert unless_confirmed(taken, on_shape) is on_shape


def test_a_torn_file_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "cup.stl").symlink_to(resource("data", "parts", "torn-cup") / "cup.stl")
    with pytest.raises(MeshError):
        opened_intake(tmp_path)


def test_a_folder_of_meshes_is_a_submission_of_as_many_parts(tmp_path: Path) -> None:
    for name in ("b.stl", "a.stl", "a.ply", "notes.txt"):
        (tmp_path / name).touch()
    found = bare_submission(tmp_path)
    assert [part.file for part in found.parts] == ["a.ply", "a.stl", "b.stl"]
    assert len({part.id for part in found.parts}) == 3
    (tmp_path / "none").mkdir()
    with pytest.raises(SubmissionError, match="holds 0 meshes"):
        bare_submission(tmp_path / "none")


@pytest.fixture
def real(shared_parts: Path, request: pytest.FixtureRequest) -> Iterator[Intake]:
    """A mesh that somebody else made, with what it suggests."""
    yield opened_intake(shared_parts / request.param)


@pytest.mark.parametrize("real", ["just_leg_test.stl"], indirect=True)
def test_the_real_leg_moves_on_its_necks_and_leaves(real: Intake) -> None:
    kinds = [one.kind for one in real.suggestions]
    assert kinds.count(SuggestionKind.FLEXURE) == 6
    mover = next(one for one in real.suggestions if one.motion is not None)
    assert mover.motion is not None
    assert abs(mover.motion.direction[2]) > np.cos(np.radians(WITHIN_DEG))
    assert mover.sure is Sureness.GUESS
    assert SuggestionKind.GRIP not in kinds
    assert SuggestionKind.RIGID not in kinds


@pytest.mark.parametrize(
    "real", ["octagonal_pocket.stl", "angle_block.STL", "tube.obj", "1002_tray_bottom.STL"], indirect=True
)
def test_real_parts_without_a_mechanism_suggest_no_motion_grip_or_projectile(real: Intake) -> None:
    assert {one.kind for one in real.suggestions} <= {SuggestionKind.POSE, SuggestionKind.RIGID}


def test_a_projectile_is_round_about_its_own_length() -> None:
    launched = next(one for one in bare("launcher-b").suggestions if one.kind is SuggestionKind.PROJECTILE)
    assert launched.region is not None
    assert isinstance(launched.region.volume, Cylinder)
    assert launched.region.volume.radius_mm == pytest.approx(12.0, abs=0.1)
    assert launched.fields == (("part.float.launched_by", "launcher"),)
