"""A factory's prices: found, read, refused in one line."""

import pytest

from reviewkit.errors import SetupError
from reviewkit.limits import machines, materials
from reviewkit.prices import PRICES_FILE, PRICES_VARIABLE, parse_prices, prices_of
from reviewkit.resources import resource
from reviewkit.submission import Submission

SHIPPED = resource("data", "prices", "demonstration.toml").read_text()


def changed(old: str, new: str) -> bytes:
    assert SHIPPED.count(old) == 1, old
    return SHIPPED.replace(old, new).encode()


def test_the_prices_that_ship_say_that_they_are_invented():
    prices = prices_of(Submission("T-1"))
    assert prices.invented and "invented for the demonstration" in prices.words
    assert set(prices.printers) == set(machines())
    assert set(prices.materials) == set(materials())


def test_the_price_of_a_material_falls_with_what_is_bought():
    prices = parse_prices(SHIPPED.encode())
    assert [prices.price_kg("petg", kg) for kg in (0, 499.9, 500, 4999, 5000, 1e6)] == [18, 18, 15, 15, 12.5, 12.5]
    assert prices.price_kg("pla", 1e6) == 16


def test_the_hour_of_a_printer_by_hand():
    """8760 h x 0.85 = 7446 h a year: 1500 / (3 x 7446), 150 / 7446, 40 / 7446, 0.12 kW x 0.15."""
    hour = parse_prices(SHIPPED.encode()).hour("standard-240")
    assert hour.total == pytest.approx(1500 / 22338 + 150 / 7446 + 40 / 7446 + 0.018)


@pytest.mark.parametrize(
    ("amount", "words"),
    [(0.6730432, "0.673 u"), (12.3, "12.3 u"), (0.05, "0.0500 u"), (123.4, "123 u"), (1234.5, "1,234 u")],
)
def test_money_in_words(amount, words):
    assert parse_prices(SHIPPED.encode()).money(amount) == words


def test_the_submissions_own_go_before_the_house_and_that_before_the_shipped(tmp_path, monkeypatch):
    (tmp_path / PRICES_FILE).write_bytes(changed('name = "Demonstration prices"', 'name = "Own"'))
    house = tmp_path / "house.toml"
    house.write_bytes(changed('name = "Demonstration prices"', 'name = "House"').replace(b"invented = true", b""))
    here, bare = Submission("T-1", folder=tmp_path), Submission("T-1")
    monkeypatch.setenv(PRICES_VARIABLE, str(house))
    assert (prices_of(here).name, prices_of(bare).name) == ("Own", "House")
    assert prices_of(here).invented and not prices_of(bare).invented
    monkeypatch.setenv(PRICES_VARIABLE, str(tmp_path / "nowhere.toml"))
    with pytest.raises(SetupError, match="which is no file"):
        prices_of(bare)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("uptime = 0.85", "uptime = 1.2", r"\[house\]: 'uptime' must be a number above 0 and up to 1, got 1.2"),
        ("wage_h = 24.0 ", "# ", r"\[house\]: 'wage_h' is missing"),
        ("wage_h = 24.0 ", "wages_h = 24.0 ", "'wage_h' is missing"),
        ("date = 2026-01-15", "date = 15", "'date' must be a date"),
        ('currency = "u"', 'currency = "so many words"', "'currency' has 13 characters"),
        ("carton_mm = [580.0, 380.0, 380.0]", "carton_mm = [580.0, 0.0, 380.0]", "'carton_mm' must be three lengths"),
        ("pla = 16.0", 'pla = "dear"', r"\[material\]: 'pla' must be a number"),
        ("{ from_kg = 500, price = 15.0 }", "{ from_kg = 9000, price = 15.0 }", "each further one from more"),
        ('machine = "large-330"', 'machine = "standard-240"', "'standard-240' stands twice"),
        ("residual = 0.0", "residual = 2000.0", "'residual' is 2000, more than the price of 1500"),
        (
            "life_years = 3.0\nmaintenance_a_year = 150.0",
            "life_years = 0\nmaintenance_a_year = 150.0",
            "'life_years' must",
        ),
        ("[hands] ", "[hand] ", r"section \[hands\] is missing"),
        ('source = "', "source = ", "cannot be read"),
    ],
)
def test_wrong_prices_are_told_in_one_line(old, new, said):
    with pytest.raises(SetupError, match=said) as told:
        parse_prices(changed(old, new), "house.toml")
    assert "house.toml" in str(told.value) and "\n" not in str(told.value)


def test_text_that_is_none_is_told():
    with pytest.raises(SetupError, match="cannot be read"):
        parse_prices(b"\xff\xfe\x00")
