"""Studies of projectiles begun from a submission or from numbers; their words and pictures.

A solid nose and a bored tail: rigid-body mechanics, worked for the kit; the margin of a slender body is its base over
its reference area at L - V / base (Munk 1924, NACA Report 184, from memory).
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from lxml import etree

from reviewkit import dart_study
from reviewkit.errors import SetupError
from reviewkit.resources import resource

DARTS = resource("data", "parts") / "darts"


@pytest.fixture(scope="module")
def numbers():
    return dart_study.begun()


@pytest.fixture(scope="module")
def flared():
    return dart_study.begun(DARTS, "dart-flared")


def tried(study, **changed):
    return study.tried(replace(study.trial, **changed))


def test_a_solid_flat_rod_balances_in_its_middle():
    study = dart_study.begun(length_mm=60.0, nose_mm=0.0, solid_mm=60.0)
    rod = study.tried(study.trial)
    density = study.setup.material["density"].value * 1e-3
    assert rod.weighed.mass_g == pytest.approx(np.pi * 36 * 60 * density, rel=1e-6)
    assert rod.weighed.centre_mm == pytest.approx(30)
    assert rod.air.margin == pytest.approx(-2.5, abs=1e-3)
    assert not rod.stands


def test_each_change_does_what_it_is_for(numbers):
    plain = tried(numbers)
    assert tried(numbers, solid_mm=0.0).weighed.centre_mm > plain.weighed.centre_mm + 4
    assert tried(numbers, core_fill=0.5).weighed.mass_g > plain.weighed.mass_g
    assert tried(numbers, nose_mm=18.0).air.drag < plain.air.drag + 0.05
    assert tried(numbers, flare_mm=24.0).air.margin > 1
    assert tried(numbers, fins_mm=12.0).air.margin > 1
    assert tried(numbers, speed_m_s=10.0).flight.range_m > 2 * plain.flight.range_m


def test_words_say_what_is_not_proven(numbers):
    told = dart_study.summary(tried(numbers))
    assert "not proven stable" in told
    assert f"margin {tried(numbers).air.margin:.2f} calibres" in told
    steady = dart_study.summary(tried(numbers, flare_mm=24.0))
    assert "settles nose first" in steady and "not proven" not in steady
    assert "not proven" not in dart_study.summary(tried(numbers, solid_mm=0.0, core_fill=0.15))


def test_the_advice_serves(numbers):
    """The flare and the fins that it names give the margin with the grading that it names."""
    told = dart_study.advice(tried(numbers))
    assert told.startswith("No grading gives 1.2 calibres")
    size, solid = map(float, re.search(r"four fins of (\d+) mm .*? up to ([\d.]+) mm or", told).groups())
    assert tried(numbers, fins_mm=size + 0.5, solid_mm=solid).air.margin > 1.2
    assert tried(numbers, fins_mm=size - 1.0, solid_mm=solid).air.margin < 1.2
    told = dart_study.advice(tried(numbers, flare_mm=24.0))
    solid = float(re.search(r"For 1.2 calibres: solid up to ([\d.]+) mm", told)[1])
    assert tried(numbers, flare_mm=24.0, solid_mm=solid).air.margin == pytest.approx(1.2, abs=0.01)
    assert "Neither four fins nor a flare serve" in dart_study.advice(replace(numbers, margin=5.0).tried(numbers.trial))


def test_a_study_begins_with_a_projectile_of_a_submission(flared):
    trial = flared.trial
    assert (trial.solid_mm, trial.core_fill, trial.speed_m_s) == pytest.approx((24.0, 0.05, 5.0), abs=0.6)
    assert flared.within_m == 3.0
    assert "'flared' of dart-flared, launched by the measured speed of flared" in flared.words
    slabs, layers = map(float, re.search(r"slabs as ([\d.]+) g, from its layers as ([\d.]+) g", flared.words).groups())
    assert slabs == pytest.approx(layers, rel=0.03)
    assert tried(flared).stands
    assert tried(flared).air.margin == pytest.approx(1.31, abs=0.1)


def test_without_a_name_the_first_that_is_launched():
    assert dart_study.begun(DARTS).words.startswith("'plain' of dart-plain")


def test_what_is_drawn_hollow_holds_no_core():
    from reviewkit.flown import FlightCase
    from reviewkit.review import opened
    from reviewkit.workpiece import Workpiece

    case = opened(resource("data", "parts") / "launcher-b")
    # Without the launcher beside it, whose flexures take long.
    alone = Workpiece(case.workpieces[1].submission, case.workpieces[1].part, case.workpieces[1].setup)
    study = dart_study._of_flown(FlightCase(alone, case.limits).flown[0], 1.2)
    assert study.trial.core_fill == 0
    slabs, layers = map(float, re.search(r"slabs as ([\d.]+) g, from its layers as ([\d.]+) g", study.words).groups())
    assert slabs < layers


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (
            {"source": DARTS, "part": "lid"},
            "darts holds no projectile to study: nothing called 'lid' is launched; give",
        ),
        ({"source": DARTS.parent / "spacer"}, "spacer holds no projectile to study: nothing of it is launched"),
        ({"calibre_mm": 0.0}, "calibre 0 mm is out of range; give 3 to 100 mm"),
        ({"core_fill": 2.0}, "core fill 2 is out of range; give 0 to 1"),
        ({"speed_m_s": float("nan")}, "speed nan m/s is out of range"),
        ({"margin": 0.0}, "margin 0 calibres is out of range"),
        ({"material": "cheese"}, "material 'cheese' is not in data/materials"),
    ],
)
def test_what_cannot_be_studied_is_told_in_a_line(told, words):
    with pytest.raises(SetupError) as error:
        dart_study.begun(**told)
    assert words in str(error.value)
    assert "\n" not in str(error.value)


def test_pictures_are_drawn_and_told(numbers):
    made = dart_study.pictures(tried(numbers, fins_mm=12.0))
    assert set(made) == {"side", "moment", "path", "help"}
    for drawing in made.values():
        etree.fromstring(drawing.svg, etree.XMLParser(no_network=True, resolve_entities=False))
        assert len(drawing.alt) > 30
        assert "nan" not in f"{drawing.alt} {drawing.caption}".split()
    assert "comes back to 0 degrees" in made["moment"].alt
    assert set(dart_study.pictures(tried(numbers), "path")) == {"path"}
    assert "as tried" in made["help"].alt


def test_what_is_shown_is_said(numbers, capsys):
    assert dart_study.show_trial(numbers) == f"{dart_study.summary(tried(numbers))}."
    assert dart_study.show_help(numbers) == dart_study.advice(tried(numbers))
