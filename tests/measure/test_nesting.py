"""Irregular layouts: checked, stored and found again; nothing that the library or the folder does stops a review."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import affinity

from reviewkit.measure import nesting
from reviewkit.measure.nesting import METHOD, Nesting, layout_key, nested
from reviewkit.measure.packing import Layout, packed

ELL = shapely.Polygon([(0, 0), (60, 0), (60, 15), (15, 15), (15, 40), (0, 40)])
PLATE = (130.0, 110.0)
EMPTY = Layout(ELL, PLATE, 5.0, 2.0, np.empty((0, 3)), "nothing")
# Two copies by hand: one above the other.
TWO = np.array([[40.0, 30.0, 0.0], [40.0, 75.0, 0.0]])


def asked(store, repeatable: Layout = EMPTY, most: int = 8, time_s: float = 3.0, step_s: float = 1.0) -> Nesting:
    return nested(repeatable, most, simplify_mm=0.1, time_s=time_s, step_s=step_s, store=store)


def stored(folder, places, layout: Layout = EMPTY, **more) -> None:
    folder.mkdir(exist_ok=True)
    held = {"schema": nesting.SCHEMA, "time_s": 3.0, "count": len(places), "places": np.asarray(places).tolist()}
    (folder / f"{layout_key(layout)}.json").write_text(json.dumps(held | more), encoding="utf-8")


@pytest.fixture
def no_search(monkeypatch):
    """Whoever searches fails the test."""

    def searched(*_):
        raise AssertionError("searched although a layout was stored")

    monkeypatch.setattr(nesting, "_searched", searched)


def test_a_search_is_stored_and_found_again(tmp_path, monkeypatch):
    pytest.importorskip(nesting.LIBRARY)
    first = asked(tmp_path / "store")
    assert first.layout is not None and first.layout.method == METHOD
    # Four lie in a grid of their boxes; each copy is the outline moved, checked here pair by pair.
    assert 2 <= first.count <= 6
    copies = first.layout.copies
    assert all(shapely.box(5, 5, 125, 105).buffer(1e-3).covers(copy) for copy in copies)
    assert min(a.distance(b) for n, a in enumerate(copies) for b in copies[:n]) >= 2.0 - 1e-3
    assert [path.suffix for path in (tmp_path / "store").iterdir()] == [".json"]
    monkeypatch.setattr(nesting, "_searched", lambda *_: None)
    again = asked(tmp_path / "store")
    assert np.array_equal(again.layout.places, first.layout.places) and again.note == first.note


def test_what_is_stored_is_used_and_checked(tmp_path, no_search):
    stored(tmp_path, TWO)
    assert asked(tmp_path).count == 2
    # The same outline drawn elsewhere is the same.
    elsewhere = replace(EMPTY, outline=affinity.translate(ELL, 300, -20))
    assert asked(tmp_path, elsewhere).count == 2
    one = replace(EMPTY, places=TWO[:1])
    assert asked(tmp_path, one).count == 2
    # No better than the repeatable one: it does not count.
    two = asked(tmp_path, replace(EMPTY, places=TWO))
    assert two.layout is None and "no layout with more copies" in two.note
    assert "no layout can hold more" in asked(tmp_path, replace(EMPTY, places=TWO), most=2).note


@pytest.mark.parametrize(
    "places",
    [
        TWO + np.array([0, 11, 0]),
        [[40.0, 30.0, 0.0], [40.0, 70.0, 0.0]],
        [[np.nan, 30.0, 0.0]],
        [[40.0, 30.0]],
    ],
)
def test_stored_layouts_that_do_not_hold_are_searched_anew(tmp_path, monkeypatch, places):
    stored(tmp_path, places)
    monkeypatch.setattr(nesting, "_searched", lambda *_: TWO)
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: SimpleNamespace())
    assert asked(tmp_path).count == 2
    held = json.loads((tmp_path / f"{layout_key(EMPTY)}.json").read_text(encoding="utf-8"))
    assert held["places"] == TWO.tolist()


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"schema": "reviewkit-nesting/1"}', '{"schema": "other"}'])
def test_broken_files_are_searched_anew(tmp_path, monkeypatch, text):
    (tmp_path / f"{layout_key(EMPTY)}.json").write_text(text, encoding="utf-8")
    monkeypatch.setattr(nesting, "_searched", lambda *_: TWO)
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: SimpleNamespace())
    assert asked(tmp_path).count == 2


def test_what_differs_has_a_key_of_its_own():
    turned = affinity.rotate(ELL, 90)
    others = [
        replace(EMPTY, outline=turned), replace(EMPTY, plate_mm=(131.0, 110.0)), replace(EMPTY, margin_mm=6.0),
        replace(EMPTY, gap_mm=2.5),
    ]  # fmt: skip
    assert len({layout_key(layout) for layout in (EMPTY, *others)}) == 5
    assert layout_key(replace(EMPTY, places=TWO, method="else")) == layout_key(EMPTY)


def test_without_the_library_it_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: None)
    found = asked(tmp_path)
    assert found.layout is None and "not installed" in found.note
    assert list(tmp_path.iterdir()) == []


def test_a_layout_that_cannot_be_stored_does_not_count(tmp_path, monkeypatch):
    monkeypatch.setattr(nesting, "_searched", lambda *_: TWO)
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: SimpleNamespace())
    blocked = tmp_path / "file"
    blocked.write_text("no folder", encoding="utf-8")
    found = asked(blocked / "below")
    assert found.layout is None and "could not be stored" in found.note
    monkeypatch.setattr(nesting, "_searched", lambda *_: TWO + np.array([0, 11, 0]))
    assert asked(tmp_path / "wrong").layout is None and not (tmp_path / "wrong").exists()


def test_a_child_that_dies_or_hangs_costs_only_the_nesting(tmp_path, monkeypatch):
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: SimpleNamespace())
    monkeypatch.setattr(nesting, "LIBRARY", "no_such_library")
    found = asked(tmp_path)
    assert found.layout is None and "without an answer" in found.note
    monkeypatch.setattr(nesting, "_START_S", -0.95)
    monkeypatch.setattr(nesting, "LIBRARY", "json")
    hung = asked(tmp_path, time_s=0.5, step_s=0.5)
    assert hung.layout is None and "without an answer" in hung.note


def test_the_child_asks_for_one_more_until_it_does_not_fit():
    """A library that puts squares of 10 side by side: five in a strip of 52."""
    asked_for = []

    class Strip:
        def __init__(self, _, height, items):
            self.count = items[0][2]
            assert height == 12

        def solve(self, config):
            asked_for.append(self.count)
            assert config == {
                "total_computation_time": 2, "seed": 1, "num_workers": 1, "min_items_separation": None
            }  # fmt: skip
            placed = [SimpleNamespace(translation=(10.0 * n, 0.0), rotation=0.0) for n in range(self.count)]
            return SimpleNamespace(width=10.0 * self.count, placed_items=placed)

    library = SimpleNamespace(Item=lambda *told: told, StripPackingInstance=Strip, StripPackingConfig=dict)
    request = {
        "points": [[0, 0], [10, 0], [10, 10], [0, 10]], "width_mm": 52.0, "depth_mm": 12, "gap_mm": 0.0, "first": 3,
        "most": 9, "time_s": 60.0, "step_s": 2.0,
    }  # fmt: skip
    told = []
    nesting._work(request, library, lambda: 0.0, told.append)
    assert asked_for == [3, 4, 5, 6] and [len(each["places"]) for each in told] == [3, 4, 5]
    ticks = iter([0.0, 0.0, 30.0, 59.0])
    told.clear()
    nesting._work(request, library, lambda: next(ticks), told.append)
    assert [len(each["places"]) for each in told] == [3, 4]


def test_it_never_tells_fewer_than_the_repeatable_layout(tmp_path, monkeypatch):
    monkeypatch.setattr(nesting, "_searched", lambda *_: np.empty((0, 3)))
    monkeypatch.setattr(nesting.importlib.util, "find_spec", lambda _: SimpleNamespace())
    repeatable = packed(ELL, PLATE, 5.0, 2.0)
    found = asked(tmp_path, repeatable.layout, repeatable.most + 1)
    assert found.layout is None and "found no layout with more copies" in found.note
    assert len(list(tmp_path.iterdir())) == 1
