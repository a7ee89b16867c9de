"""The whole flow: planted faults are found, and what must not matter does not.

The truth tables are written by ``data/parts/build.py`` from the geometry that it draws, before any
check looks at it.
"""

import csv
import inspect
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pytest

from reviewkit import review, workpiece
from reviewkit.checks import CHECKS, NOT_COVERED, Check
from reviewkit.document.files import evidence, review_json
from reviewkit.errors import MeshError, SetupError
from reviewkit.model import (
    IDENTITY,
    Finding,
    Origin,
    Outcome,
    Place,
    Review,
    Setup,
    Severity,
    Verdict,
    finding_key,
)
from reviewkit.resources import resource
from reviewkit.review import Case
from reviewkit.submission import facts

README = Path(__file__).resolve().parents[1] / "README.md"
PARTS = resource("data", "parts")
DEMOS = sorted(path.parent.name for path in PARTS.glob("*/truth.csv"))
MOST_BEYOND = 2


# --- planted faults --------------------------------------------------------------------------


def table(name: str) -> list[dict[str, str]]:
    with (PARTS / name / "truth.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = [(name, row) for name in DEMOS for row in table(name)]


def is_checked(code: str) -> bool:
    """Whether the kit has a check of that code; a code that it neither has nor announces is an error."""
    if any(code == check.code or code.startswith(f"{check.code}-") for check in CHECKS):
        return True
    announced = [words.split()[0] for words, _ in NOT_COVERED]
    assert any(code == other or code.startswith(f"{other}-") for other in announced), f"nobody speaks of {code}"
    return False


def miss(row: dict[str, str], findings: tuple[Finding, ...]) -> str:
    """How the findings miss a row of a truth table, or nothing."""
    found = next((finding for finding in findings if finding.key == row["key"]), None)
    if found is None:
        return "not found"
    if found.verdict != row["verdict"]:
        return f"found to be {found.verdict}: {found.message}"
    if not row["x_mm"]:
        return ""
    if not found.where:
        return "found nowhere"
    point = np.array([float(row[axis]) for axis in ("x_mm", "y_mm", "z_mm")])
    off_mm = min(float(np.linalg.norm(place.point_mm - point)) for place in found.where)
    return "" if off_mm <= float(row["tolerance_mm"]) else f"found {off_mm:.2f} mm away"


@pytest.mark.parametrize(("name", "row"), ROWS, ids=[row["key"].replace(" ", "_") for _, row in ROWS])
def test_what_was_planted_is_found(judged, name, row):
    if not is_checked(row["code"]):
        pytest.skip(f"the kit has no check {row['code']} yet")
    assert miss(row, judged[name][1]) == ""


def test_a_row_that_is_missed_is_told(judged):
    name, row = next((name, row) for name, row in ROWS if row["x_mm"] and is_checked(row["code"]))
    _, findings = judged[name]
    assert miss(row, findings) == ""
    assert miss(row | {"key": "PR-04:launcher:nowhere"}, findings) == "not found"
    assert "found to be" in miss(row | {"verdict": "meets"}, findings)
    assert "mm away" in miss(row | {"x_mm": "1000"}, findings)
    assert miss(row, tuple(replace(finding, where=()) for finding in findings)) == "found nowhere"
    with pytest.raises(AssertionError, match="nobody speaks of"):
        is_checked("XX-01")


@pytest.mark.parametrize("name", DEMOS)
def test_hardly_anything_fails_that_was_not_planted(judged, name):
    planted = {row["key"] for row in table(name)}
    beyond = Counter(f.part for f in judged[name][1] if f.verdict is Verdict.FAILS and f.key not in planted)
    assert all(count <= MOST_BEYOND for count in beyond.values()), beyond


@pytest.mark.parametrize("name", DEMOS)
def test_findings_are_fit_for_a_document(judged, name):
    case, findings = judged[name]
    assert len({f.key for f in findings}) == len(findings)
    for f in findings:
        assert f.key == finding_key(f.code, f.part, f.subject)
        assert f.part in {w.part.id for w in case.workpieces}
        assert f.message.endswith(".") and "\n" not in f.message
        assert f.change or f.verdict in (Verdict.MEETS, Verdict.NOT_CHECKED)
        assert all(name in f.evidence for name in {place.faces for place in f.where} - {""})
        assert f.limits or f.verdict in (Verdict.NOT_CHECKED, Verdict.MEETS), f.key
    for check in CHECKS:
        for part in {w.part.id for w in case.workpieces}:
            assert any(f.code.startswith(check.code) and f.part == part for f in findings)


# --- what must not matter --------------------------------------------------------------------


def bracket(scale: float = 1.0, turn_deg: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A plate with two windows, a wall of 0.5 mm on it and a foot of its own: faults without symmetry [mm]."""
    plate = manifold3d.Manifold.cube((60, 34, 4))
    for x, y in ((8, 6), (40, 20)):
        plate -= manifold3d.Manifold.cube((11, 8, 20)).translate((x, y, -5))
    wall = manifold3d.Manifold.cube((22, 0.5, 13)).translate((20, 15, 3))
    foot = manifold3d.Manifold.cube((6, 3, 5)).translate((4, 37, 0))
    arm = manifold3d.Manifold.cube((4, 12, 3)).translate((5, 28, 3))
    mesh = (plate + wall + foot + arm).scale((scale,) * 3).rotate((0, 0, turn_deg)).to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts)


def sent(folder: Path, name: str, vertices: np.ndarray, faces: np.ndarray) -> Path:
    """The mesh as a file of text with every digit."""
    path = folder / f"{name}.off"
    lines = [f"{x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()]
    lines += [f"3 {a} {b} {c}" for a, b, c in faces.tolist()]
    path.write_text(f"OFF\n{len(vertices)} {len(faces)} 0\n" + "\n".join(lines) + "\n")
    return path


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory) -> dict[str, Review]:
    """The same part as drawn, turned, twice as large, in inches, and once more."""
    folder = tmp_path_factory.mktemp("sent")
    vertices, faces = bracket()
    files = {
        "drawn": (sent(folder, "part", vertices, faces), "mm"),
        "turned": (sent(folder, "turned", *bracket(turn_deg=37)), "mm"),
        "doubled": (sent(folder, "doubled", *bracket(scale=2)), "mm"),
        "inches": (sent(folder, "inches", vertices / 25.4, faces), "in"),
        "again": (folder / "part.off", "mm"),
    }
    made = {}
    for name, (path, units) in files.items():
        with pytest.MonkeyPatch.context() as patch:
            # Nothing may come from an earlier measurement of an equal shape.
            patch.setattr(workpiece, "_kept", type(workpiece._kept)())
            if name not in ("drawn", "again"):
                patch.setattr(review, "pictures", lambda *_: [])
            made[name] = review.review(path, units=units, machine="standard-240", material="PETG")
    return made


def numbers(made: Review, code: str = "") -> dict[tuple[str, str], float]:
    """Every measured value by finding and quantity, keys without the name of the part."""
    return {
        (f"{f.code} {f.subject}", m.quantity): m.value
        for f in made.findings
        if f.code.startswith(code)
        for m in f.measurements
    }


def verdicts(made: Review) -> Counter[tuple[str, str]]:
    return Counter((f.code, f.verdict) for f in made.findings)


def test_the_part_has_something_of_every_verdict(reviewed):
    found = {f.verdict for f in reviewed["drawn"].findings}
    assert found >= {Verdict.MEETS, Verdict.MARGINAL, Verdict.NOT_CHECKED}
    assert any(f.code == "PR-04" and f.where for f in reviewed["drawn"].findings)


def test_the_same_file_gives_the_same_review(reviewed):
    first, second = reviewed["drawn"], reviewed["again"]
    assert review_json(first) == review_json(second)
    one, other = evidence(first), evidence(second)
    assert sorted(one) == sorted(other)
    for name, array in one.items():
        np.testing.assert_array_equal(array, other[name], strict=True)


def test_turning_on_the_plate_changes_only_places(reviewed):
    drawn, turned = reviewed["drawn"], reviewed["turned"]
    assert verdicts(turned) == verdicts(drawn)
    (part,), (other,) = drawn.parts, turned.parts
    assert (part.setup.pose, other.setup.pose) == (IDENTITY, IDENTITY)
    assert other.volume_mm3 == pytest.approx(part.volume_mm3, rel=1e-9)
    first_layer = numbers(drawn, "PR-03")
    assert first_layer
    assert numbers(turned, "PR-03") == pytest.approx(first_layer, rel=1e-4, abs=1e-6)


def test_places_turn_with_the_part(reviewed):
    angle = np.radians(37)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    for subject in ("neck", "smallest island"):
        drawn, turned = (
            next(f for f in reviewed[name].findings if f.code == "PR-03" and f.subject == subject)
            for name in ("drawn", "turned")
        )
        assert len(drawn.where) == len(turned.where)
        for place, other in zip(drawn.where, turned.where, strict=True):
            # A point inside an island is any point inside it.
            slack_mm = 0.05 if subject == "neck" else 6
            assert np.linalg.norm(turn @ place.point_mm - other.point_mm) < slack_mm


def test_twice_the_size_is_eight_times_the_volume(reviewed):
    (part,), (double,) = reviewed["drawn"].parts, reviewed["doubled"].parts
    assert double.volume_mm3 == pytest.approx(8 * part.volume_mm3, rel=1e-9)
    assert double.size_mm == pytest.approx([2 * side for side in part.size_mm], rel=1e-9)
    one, two = numbers(reviewed["drawn"], "PR-03"), numbers(reviewed["doubled"], "PR-03")
    powers = {"compactness": 0, "contact area": 2, "islands": 0, "smallest island": 2, "holes": 0, "outline": 1}
    for (subject, quantity), value in one.items():
        if quantity in powers:
            assert two[subject, quantity] == pytest.approx(2 ** powers[quantity] * value, rel=1e-6), quantity
    assert {quantity for _, quantity in one} >= set(powers)


def test_the_unit_of_the_file_does_not_matter_when_it_is_stated(reviewed):
    drawn, inches = reviewed["drawn"], reviewed["inches"]
    assert (drawn.parts[0].units, inches.parts[0].units) == ("mm", "in")
    assert [(f.code, f.subject, f.verdict) for f in drawn.findings] == [
        (f.code, f.subject, f.verdict) for f in inches.findings
    ]
    assert numbers(inches) == pytest.approx(numbers(drawn), rel=1e-6, abs=1e-9)
    for f, g in zip(drawn.findings, inches.findings, strict=True):
        assert len(f.where) == len(g.where)
        for place, other in zip(f.where, g.where, strict=True):
            assert other.point_mm == pytest.approx(place.point_mm, rel=1e-6, abs=1e-6)


# --- setting up ------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path) -> Path:
    sent(tmp_path, "clip", *bracket())
    return tmp_path


def opened(folder: Path, text: str, **options: str) -> Setup:
    part = '[[part]]\nid = "clip"\nfile = "clip.off"\nunits = "mm"\n'
    (folder / "submission.toml").write_text(f'[submission]\nnumber = "T-1"\n{part}{text}')
    (found,) = review.opened(folder, **options).workpieces
    return found.setup


def test_what_the_submission_asks_for_is_used(folder):
    setup = opened(
        folder,
        'material = "ASA"\npose = [{ axis = "x", angle_deg = 90 }]\n'
        '[setup]\nmachine = "small-160"\nlayer_height_mm = 0.3\nline_width_mm = 0.6\ncore_fill = 0.4\n',
    )
    assert (setup.machine.id, setup.material.id) == ("small-160", "asa")
    assert (setup.layer_height_mm, setup.line_width_mm, setup.core_fill) == (0.3, 0.6, 0.4)
    assert setup.plate_mm == setup.machine.plate_mm
    np.testing.assert_allclose(setup.rotation, [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-12)
    assert (setup.pose_origin, setup.pose_note) == (Origin.CONFIRMED, "as the submission says")


def test_what_nobody_asks_for_is_the_usual_and_said_to_be_assumed(folder):
    setup = opened(folder, "")
    assert (setup.machine.id, setup.material.id) == (review.DEFAULT_MACHINE, review.DEFAULT_MATERIAL)
    assert setup.layer_height_mm == setup.machine.layer_height_mm
    assert setup.line_width_mm == setup.machine.line_width_mm
    assert setup.pose_origin is Origin.ASSUMED
    assert "chosen by us" in setup.pose_note


def test_options_win_over_the_submission(folder):
    setup = opened(folder, 'material = "ASA"\n[setup]\nmachine = "small-160"\n', machine="large-330", material="TPU")
    assert (setup.machine.id, setup.material.id) == ("large-330", "tpu")


@pytest.mark.parametrize(("option", "value"), [("machine", "loom"), ("material", "oak")])
def test_a_machine_or_material_that_is_not_there_ends_it(folder, option, value):
    with pytest.raises(SetupError, match=value):
        opened(folder, "", **{option: value})


# --- checks that stop ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def case(tmp_path_factory) -> Case:
    return review.opened(sent(tmp_path_factory.mktemp("sent"), "part", *bracket()), units="mm")


def test_a_check_that_stops_is_not_checked_and_the_others_go_on(case):
    def stops(workpiece, limits):
        raise ZeroDivisionError("no area")

    odd = Check("PR-99", "Odd things", "printability", stops)
    steps: list[str] = []
    first, *others = review.judged(case, (odd, *CHECKS[:2]), steps.append)
    assert first.verdict is Verdict.NOT_CHECKED
    assert first.key == "PR-99:part:part"
    assert first.message.startswith("Odd things")
    assert "not checked" in first.message
    assert "ZeroDivisionError: no area" in first.message
    assert others
    assert len(steps) == 3


def test_an_error_of_the_kit_in_a_check_ends_the_review(case):
    def refuses(workpiece, limits):
        raise MeshError("no mesh")

    with pytest.raises(MeshError, match="no mesh"):
        review.judged(case, (Check("PR-99", "Odd things", "printability", refuses),))


# --- conclusions -----------------------------------------------------------------------------


def told(verdict: Verdict, code: str = "PR-04", subject: str = "part", change: str = "", **more: object) -> Finding:
    return replace(
        Finding(
            key=finding_key(code, "part", subject),
            code=code,
            domain="printability",
            part="part",
            subject=subject,
            verdict=verdict,
            severity=Severity.YIELD,
            message="So.",
            change=change,
        ),
        **more,
    )


@pytest.fixture
def concluded(case, monkeypatch):
    """Concludes from findings, without pictures."""
    monkeypatch.setattr(review, "pictures", lambda *_: [])
    return lambda *findings: review.concluded(case, findings)


MEETS, MARGINAL, FAILS, OPEN = (
    told(verdict) for verdict in (Verdict.MEETS, Verdict.MARGINAL, Verdict.FAILS, Verdict.NOT_CHECKED)
)


@pytest.mark.parametrize(
    ("findings", "covered", "outcome", "reason"),
    [
        ((MEETS,), True, Outcome.RELEASE, "nothing fails"),
        ((MEETS, MARGINAL), True, Outcome.RELEASE, "1 marginal"),
        ((MEETS, OPEN), True, Outcome.INFORMATION, "1 open point"),
        ((MEETS,), False, Outcome.INFORMATION, "must be judged by a person"),
        ((FAILS, OPEN), True, Outcome.CHANGES, "1 finding fails: walls of part"),
        ((FAILS, MEETS), False, Outcome.CHANGES, "1 finding fails"),
        ((FAILS, told(Verdict.FAILS, "PR-03", "holes")), False, Outcome.CHANGES, "2 findings fail"),
    ],
)
def test_the_suggested_outcome(concluded, monkeypatch, findings, covered, outcome, reason):
    if covered:
        monkeypatch.setattr(review, "NOT_COVERED", ())
    made = concluded(*findings)
    assert made.outcome_suggested is outcome
    assert reason in made.outcome_reason


def test_several_open_points_are_told_in_good_english(concluded):
    made = concluded(OPEN, told(Verdict.NOT_CHECKED, "PR-01"))
    assert "there are 2 open points" in made.outcome_reason


def test_one_action_settles_all_that_one_change_settles(concluded):
    leaves = [told(Verdict.MARGINAL, subject=f"leaf-{n}", change="Draw it 0.8 mm thick.") for n in range(1, 6)]
    made = concluded(*leaves, told(Verdict.FAILS, "PR-03", "holes", "Close them."), MEETS)
    first, second = made.actions
    assert (first.priority, second.priority) == (1, 2)
    assert first.finding == "PR-03:part:holes"
    assert first.action == "part, holes: Close them."
    assert first.expected_gain == "should turn 1 finding from fails to meets"
    assert second.finding == "PR-04:part:leaf-1"
    assert second.action == "part, leaf-1, leaf-2, leaf-3 and 2 more: Draw it 0.8 mm thick."
    assert second.expected_gain == "should turn 5 findings from marginal to meets"


def test_the_gain_of_a_mixed_group_is_no_lie(concluded):
    made = concluded(
        told(Verdict.FAILS, subject="web", change="Draw it thicker."),
        told(Verdict.MARGINAL, subject="leaf", change="Draw it thicker."),
    )
    assert [action.expected_gain for action in made.actions] == [
        "should turn 1 finding from fails to meets",
        "should turn 1 finding from marginal to meets",
    ]


def test_places_speak_for_the_whole_part(concluded):
    whole = told(Verdict.FAILS, change="Thicken the walls.")
    place = told(Verdict.MARGINAL, subject="leaf-1", change="Draw it 0.8 mm thick.")
    open_place = told(Verdict.NOT_CHECKED, subject="leaf-1", change="Send it closed.")
    assert [a.finding for a in concluded(whole, place).actions] == [place.key]
    assert [a.finding for a in concluded(whole, open_place).actions] == [whole.key, open_place.key]
    assert [a.action for a in concluded(whole).actions] == ["part: Thicken the walls."]


def test_nothing_to_change_is_no_action(concluded):
    met = told(Verdict.MEETS, change="Leave it.")
    assert concluded(met, told(Verdict.FAILS, change="")).actions == ()
    (action,) = concluded(told(Verdict.NOT_CHECKED, "RQ-01", "R1", "Agree how.")).actions
    assert action.expected_gain == "lets 1 finding be checked"


def test_injury_comes_before_looks(concluded):
    looks, injury = (
        told(Verdict.FAILS, subject=name, change=f"Mend {name}.", severity=severity)
        for name, severity in (("seam", Severity.LOOKS), ("edge", Severity.INJURY))
    )
    assert [action.finding for action in concluded(looks, injury).actions] == [injury.key, looks.key]


def test_what_is_concluded_from_is_in_the_review(case, concluded):
    finding = told(Verdict.FAILS, where=(Place((1.0, 2.0, 3.0)),))
    made = concluded(finding)
    assert made.findings == (finding,)
    assert made.limits_sha256 == case.limits.sha256
    (part,) = made.parts
    assert part.triangles == len(case.workpieces[0].faces)
    assert part.sha256 == case.workpieces[0].part.sha256
    assert made.facts == facts(case.submission)
    assert made.facts


# --- the use that the README shows -----------------------------------------------------------


def test_the_python_of_the_readme_works(judged, monkeypatch, tmp_path, capsys):
    """Its calls are bound to the real signatures; the demonstration was judged already."""
    (code,) = re.findall(r"^```python\n(.*?)^```", README.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    case, findings = judged["launcher-a"]
    calls = []

    def answers(name, answer):
        real = inspect.signature(getattr(review, name))

        def stand_in(*arguments, **options):
            real.bind(*arguments, **options)
            calls.append(name)
            return answer

        monkeypatch.setattr(review, name, stand_in)

    monkeypatch.setattr(review, "pictures", lambda *_: [])
    made = review.concluded(case, findings)
    for name, answer in (
        ("opened", case),
        ("judged", findings),
        ("concluded", made),
        ("review", made),
        ("written", None),
    ):
        answers(name, answer)
    monkeypatch.chdir(tmp_path)
    exec(code, {})
    assert "written" in calls
    printed = capsys.readouterr().out
    assert made.outcome_suggested.value in printed
    assert all(f.message in printed for f in findings if f.stops)
