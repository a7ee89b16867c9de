"""Data and workbooks are found in a checkout and in a wheel, or their lack is told."""

from pathlib import Path

import pytest

from reviewkit import resources
from reviewkit.resources import resource


@pytest.mark.parametrize(
    ("parts", "pattern"),
    [
        (("data", "limits"), "*.csv"),
        (("data", "materials"), "*.csv"),
        (("data", "machines"), "*.toml"),
        (("data", "parts"), "*/submission.toml"),
        (("workbooks",), "*.ipynb"),
    ],
)
def test_what_ships_is_there(parts, pattern):
    assert list(resource(*parts).glob(pattern))


def test_a_file_and_a_folder_of_the_checkout():
    assert resource("data").is_dir()
    assert resource("workbooks", "part_review.ipynb").is_file()
    assert resource("data", "limits").is_absolute()


def test_what_a_wheel_brings_along_goes_first(tmp_path, monkeypatch):
    shipped, checkout = tmp_path / "_shipped", tmp_path / "checkout"
    for root in (shipped, checkout):
        (root / "data").mkdir(parents=True)
        (root / "data" / "both.csv").write_text(root.name)
    (checkout / "data" / "one.csv").write_text("")
    monkeypatch.setattr(resources, "_ROOTS", (shipped, checkout))
    assert resource("data", "both.csv") == shipped / "data" / "both.csv"
    assert resource("data", "one.csv") == checkout / "data" / "one.csv"


def test_roots_are_the_wheels_before_the_checkouts():
    package = Path(resources.__file__).resolve().parent
    assert (package / "_shipped", package.parent) == resources._ROOTS


def test_what_is_missing_is_told_with_what_to_do():
    with pytest.raises(FileNotFoundError) as error:
        resource("data", "nowhere.csv")
    assert str(error.value) == "data/nowhere.csv is not part of this installation of reviewkit; install it again"
