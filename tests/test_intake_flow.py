"""From bare meshes to a submission on the disk: written whole, read again, marked as what nobody confirmed."""

import pytest
import trimesh
from shapely import box, union_all

from reviewkit.errors import SubmissionError
from reviewkit.intake_flow import opened_intake, save_intake, suggested_submission
from reviewkit.model import Origin
from reviewkit.submission import FILE_NAME, read_submission
from reviewkit.suggestions import SuggestionKind, accepted


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    """A table on four leaves over a frame."""
    leaves = [box(x - 0.4, -0.5, x + 0.4, 30.5) for x in (0, 10, 20, 30)]
    outline = union_all([box(-12, -8, 42, 0), box(-12, 30, 42, 38), *leaves])
    path = tmp_path_factory.mktemp("sent") / "stage.stl"
    trimesh.creation.extrude_polygon(outline, 8.0).export(path)
    return path


@pytest.fixture(scope="module")
def written(stage, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out") / "new" / "stage"
    steps: list[str] = []
    path, suggested = suggested_submission(stage, folder, units="mm", material="PLA", progress=steps.append)
    return path, suggested, steps


def test_a_mesh_becomes_a_submission_beside_a_copy_of_it(stage, written):
    path, suggested, steps = written
    assert path.name == FILE_NAME
    assert (path.parent / "stage.stl").read_bytes() == stage.read_bytes()
    assert {p.name for p in path.parent.iterdir()} == {FILE_NAME, "stage.stl"}
    assert not (stage.parent / FILE_NAME).exists()
    assert steps
    kinds = {one.kind for one in suggested}
    assert {SuggestionKind.HELD, SuggestionKind.MOVING, SuggestionKind.FLEXURE} <= kinds
    stated = read_submission(path)
    assert (stated.parts[0].units, stated.parts[0].material) == ("mm", "PLA")
    (motion,) = stated.motions
    assert abs(motion.direction[0]) == pytest.approx(1.0)


def test_all_of_it_is_marked_as_suggested(written):
    path, *_ = written
    stated = read_submission(path)
    for region in stated.regions:
        assert stated.origins[f"region.{region.name}"] is Origin.SUGGESTED
        assert stated.notes[f"region.{region.name}"]
    assert "suggested by the kit" in path.read_text()


def test_what_a_person_confirms_is_theirs(stage, tmp_path):
    intake = opened_intake(stage)
    assert intake.workpiece("stage").part.id == "stage"
    held = [one for one in intake.suggestions if one.kind is SuggestionKind.HELD]
    path = save_intake(accepted(intake.submission, held, confirmed=True), tmp_path)
    stated = read_submission(path)
    assert [stated.origins[f"region.{region.name}"] for region in stated.regions] == [Origin.CONFIRMED]
    assert "suggested by the kit" not in path.read_text()


def test_another_mesh_of_that_name_is_not_overwritten(stage, tmp_path):
    (tmp_path / "stage.stl").write_bytes(b"another")
    with pytest.raises(SubmissionError, match="is another file"):
        suggested_submission(stage, tmp_path)
    assert (tmp_path / "stage.stl").read_bytes() == b"another"
    assert not (tmp_path / FILE_NAME).exists()


def test_a_folder_that_cannot_be_written_is_one_line(stage, tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(SubmissionError) as error:
        suggested_submission(stage, tmp_path / "taken")
    assert "\n" not in str(error.value)
