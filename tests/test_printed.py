"""Print time of a workpiece is made once, and its words."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from reviewkit.limits import load_limits, machine, material
from reviewkit.model import Setup
from reviewkit.printed import grams_words, printing_of, time_words
from reviewkit.submission import Box, Submission, Zone
from reviewkit.workpiece import Workpiece


def piece(mesh):
    part = SimpleNamespace(
        id="p", mesh=mesh, vertices=np.array(mesh.vertices, dtype=float), faces=np.array(mesh.faces, dtype=np.int64)
    )
    return Workpiece(Submission("T-1"), part, Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2))


def test_one_measure_serves_every_number_of_copies():
    one, alike = piece(trimesh.creation.box((20, 20, 10))), piece(trimesh.creation.box((20, 20, 10)))
    limits = load_limits()
    found = printing_of(one, limits)
    assert printing_of(alike, limits, 7).work is found.work
    assert printing_of(one, limits, 7).copies == 7
    assert one.filling is alike.filling
    assert found.mass_g == pytest.approx(one.mass(limits).mass_g)
    assert found.spread == limits.value("production.time_spread", one.setup).value


@pytest.mark.parametrize("core_fill", [0.15, 1.0])
def test_zones_change_mass_and_time(core_fill):
    """One half of a box solid, the other hollow: the core's area times the fills, in grams and in seconds of lines."""
    mesh = trimesh.creation.box((40, 40, 10))
    plain = piece(mesh)
    setup = replace(plain.setup, core_fill=core_fill)
    halves = [
        Zone(name, "p", Box((low, -30, -30), (low + 30, 30, 30)), core_fill=fill)
        for name, low, fill in (("nose", 0, 1.0), ("tail", -30, 0.0))
    ]
    limits = load_limits()
    zoned = printing_of(Workpiece(Submission("T-1", zones=tuple(halves)), plain.part, setup), limits)
    half = printing_of(Workpiece(Submission("T-1"), plain.part, replace(setup, core_fill=0.5)), limits)
    assert zoned.mass_g == pytest.approx(half.mass_g, rel=1e-6)
    assert zoned.seconds["core fill"] == pytest.approx(half.seconds["core fill"], rel=1e-6)
    assert zoned.volume_mm3 == pytest.approx(half.volume_mm3, rel=1e-6)
    without = printing_of(Workpiece(Submission("T-1"), plain.part, setup), limits)
    assert without.mass_g != pytest.approx(zoned.mass_g, rel=1e-3)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (48.3, "48 s"), (99.4, "99 s"), (99.6, "2 min"), (720, "12 min"), (5970, "1 h 40 min"), (7200, "2 h"),
     (11100, "3 h 5 min"), (172800, "2 d"), (187200, "2 d 4 h")],
)  # fmt: skip
def test_times_in_words(seconds, words):
    assert time_words(seconds) == words


@pytest.mark.parametrize(
    ("grams", "words"), [(6.543, "6.54 g"), (999.4, "999 g"), (1500, "1.5 kg"), (1_234_567, "1,235 kg")]
)
def test_masses_in_words(grams, words):
    assert grams_words(grams) == words
