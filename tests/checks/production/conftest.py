"""Workpieces and prices for the checks of cost, capacity and handling."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from reviewkit import production
from reviewkit.limits import machine, material
from reviewkit.model import Setup
from reviewkit.prices import Prices, parse_prices
from reviewkit.resources import resource
from reviewkit.submission import PartEntry, Submission
from reviewkit.workpiece import Workpiece
from reviewkit.yields import Yield

RECEIVED = date(2026, 3, 2)
SHIPPED = parse_prices(resource("data", "prices", "demonstration.toml").read_bytes())
#: The same figures, as if they were a factory's own.
OWN = replace(SHIPPED, invented=False, name="House prices", source="the house")


@dataclass(frozen=True)
class _Held:
    count: int
    outline: object


class Cases:
    """Makes workpieces, and sets the house's prices for the length of a test."""

    received, shipped, own = RECEIVED, SHIPPED, OWN

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._monkeypatch = monkeypatch
        self.house()

    def house(self, prices: Prices = OWN, printers: int | None = None, **changed: object) -> Prices:
        """Prices that hold for every submission, with fields of the house and its number of printers changed."""
        prices = replace(prices, house=replace(prices.house, **changed))
        if printers is not None:
            prices = replace(prices, printers={k: replace(p, count=printers) for k, p in prices.printers.items()})
        self._monkeypatch.setattr("reviewkit.production.prices_of", lambda _: prices)
        return prices

    def held(self, copies: int) -> None:
        """So many copies on a plate, whatever the part."""
        found = production.copies_of
        self._monkeypatch.setattr(production, "copies_of", lambda *a: _Held(copies, found(*a).outline))

    def good(self, low: float, value: float, high: float) -> None:
        """So many good parts, whatever the part."""
        self._monkeypatch.setattr(production, "yield_of", lambda *_: Yield(low, value, high, "stated", "pilot"))

    def piece(self, mesh, quantity=None, days=None, **submission) -> Workpiece:
        """One part of a submission of its own."""
        return self.pieces({"p": (mesh, 1)}, quantity, days, **submission)["p"]

    def pieces(self, meshes, quantity=None, days=None, **submission) -> dict[str, Workpiece]:
        """The parts of a set by id, each mesh with its count in the set."""
        order = Submission(
            "T-1",
            received=None if days is None else RECEIVED,
            due=None if days is None else RECEIVED + timedelta(days=days),
            quantity=quantity,
            parts=tuple(PartEntry(name, f"{name}.stl", count=count) for name, (_, count) in meshes.items()),
            **submission,
        )
        setup = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
        beside: dict[str, Workpiece] = {}
        for name, (mesh, _) in meshes.items():
            part = SimpleNamespace(
                id=name,
                mesh=mesh,
                vertices=np.array(mesh.vertices, dtype=float),
                faces=np.array(mesh.faces, dtype=np.int64),
            )
            beside[name] = Workpiece(order, part, setup, beside)
        return beside


@pytest.fixture
def cases(monkeypatch: pytest.MonkeyPatch) -> Cases:
    """A factory's own prices, and workpieces to judge by them."""
    return Cases(monkeypatch)
