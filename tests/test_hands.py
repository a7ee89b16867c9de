"""Hand data against the shares counted on the survey's own records, its percentiles and other surveys."""

import csv

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from reviewkit import hands
from reviewkit.errors import LimitError, SubmissionError
from reviewkit.hands import declared, group
from reviewkit.model import Status
from reviewkit.resources import resource

MEN, WOMEN, ADULTS = (group(name) for name in ("men", "women", "adults"))


def recorded(low: float, high: float) -> tuple[float, float]:
    """Bounds [mm] as they count on records in whole mm: each stands for half a mm to both sides."""
    return np.ceil(low) - 0.5, np.floor(high) + 0.5


def near_target(diameter: float, band: float) -> tuple[float, float]:
    """Hand lengths [mm] whose 19.7 % lies within a share of the diameter."""
    return recorded(diameter / 0.197 / (1 + band), diameter / 0.197 / (1 - band))


# Counted on the individual records of ANSUR II (4 082 men, 1 986 women): diameter, men and women within 10 %,
# men and women within 15 %.
COUNTED = [
    (25, 0.000, 0.000, 0.000, 0.001),
    (28, 0.000, 0.006, 0.003, 0.082),
    (30, 0.005, 0.108, 0.079, 0.456),
    (32, 0.098, 0.502, 0.436, 0.850),
    (35, 0.686, 0.920, 0.944, 0.994),
    (38, 0.944, 0.703, 0.995, 0.918),
    (40, 0.813, 0.340, 0.958, 0.664),
    (45, 0.077, 0.009, 0.281, 0.051),
    (50, 0.001, 0.000, 0.007, 0.000),
]


@pytest.mark.parametrize(("diameter", "men10", "women10", "men15", "women15"), COUNTED)
def test_shares_near_the_target_diameter_as_counted(diameter, men10, women10, men15, women15):
    for who, band, counted in ((MEN, 0.1, men10), (WOMEN, 0.1, women10), (MEN, 0.15, men15), (WOMEN, 0.15, women15)):
        assert who.share_within("hand_length", *near_target(diameter, band)) == pytest.approx(counted, abs=0.03)


@pytest.mark.parametrize(("who", "diameter", "closed"), [(MEN, 35, 0.660), (MEN, 40, 0.808), (WOMEN, 35, 0.922)])
def test_closed_form_of_the_share(who, diameter, closed):
    """Phi((D/(0.197 (1-b)) - mu)/s) - Phi((D/(0.197 (1+b)) - mu)/s) at b = 0.10, worked by hand."""
    bounds = (diameter / 0.197 / 1.1, diameter / 0.197 / 0.9)
    assert who.share_within("hand_length", *bounds) == pytest.approx(closed, abs=0.001)


@pytest.mark.parametrize(
    ("length", "men", "women"),
    [(80, 0.000, 0.020), (90, 0.036, 0.751), (100, 0.713, 0.998), (110, 0.995, 1.000), (120, 1.000, 1.000)],
)
def test_shares_held_by_a_length_as_counted(length, men, women):
    """Breadth at most length less 10 mm, counted on the records of ANSUR II."""
    for who, counted in ((MEN, men), (WOMEN, women)):
        assert who.share_within("hand_breadth", 0.0, length - 9.5) == pytest.approx(counted, abs=0.03)


@pytest.mark.parametrize(
    ("diameter", "length", "men", "women", "mean"),
    [
        (35, 110, 0.943, 0.994, 0.969),
        (38, 110, 0.991, 0.918, 0.955),
        (36, 100, 0.709, 0.988, 0.849),
        (36, 105, 0.935, 0.990, 0.962),
        (40, 120, 0.958, 0.664, 0.811),
        (30, 100, 0.078, 0.456, 0.267),
    ],
)
def test_joint_shares_as_counted(diameter, length, men, women, mean):
    """Girth within 15 % and breadth at most length less 10 mm for the same person, counted on the records."""
    bounds = {"hand_length": near_target(diameter, 0.15), "hand_breadth": (0.0, length - 9.5)}
    for who, counted in ((MEN, men), (WOMEN, women), (ADULTS, mean)):
        assert who.share(bounds).value == pytest.approx(counted, abs=0.03)


def test_joint_share_agrees_with_a_reference_library():
    """scipy's bivariate normal distribution over a rectangle."""
    bounds = {"hand_length": (185.0, 199.0), "hand_breadth": (84.0, 91.0)}
    covariance = 0.582 * 9.95 * 4.39
    spread = multivariate_normal([193.28, 88.26], [[9.95**2, covariance], [covariance, 4.39**2]])
    (a, b), (c, d) = bounds.values()
    expected = spread.cdf([b, d]) - spread.cdf([a, d]) - spread.cdf([b, c]) + spread.cdf([a, c])
    assert MEN.share(bounds).value == pytest.approx(expected, abs=1e-5)
    turned = dict(reversed(bounds.items()))
    assert MEN.share(turned).value == pytest.approx(expected, abs=1e-5)
    assert MEN.share({"hand_length": (199.0, 185.0), "hand_breadth": (84.0, 91.0)}).value == 0


@pytest.mark.parametrize(
    ("diameter", "men", "women"),
    [(40, 0.999, 0.996), (45, 0.960, 0.841), (48, 0.841, 0.500), (50, 0.691, 0.252), (55, 0.227, 0.010)],
)
def test_who_can_close_round_a_bar(diameter, men, women):
    """1 - Phi((D - mean)/SD) at 52 (4) and 48 (3) mm: Pheasant's hand table, from memory."""
    for who, expected in ((MEN, men), (WOMEN, women)):
        assert who.share_within("grip_diameter", diameter) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize("who", [MEN, WOMEN])
@pytest.mark.parametrize("name", ["hand_length", "hand_breadth", "palm_length", "hand_circumference"])
def test_percentiles_recomputed_from_mean_and_deviation(who, name):
    """The normal formula agrees with the survey's 5th and 95th to about 1 % of the mean, as recorded in whole mm."""
    (known,) = who.of(name)
    for percent in (5.0, 25.0, 50.0, 75.0, 95.0):
        formula = known.mean_mm + norm.ppf(percent / 100) * known.sd_mm
        assert known.percentiles_mm[percent] == pytest.approx(formula, abs=0.011 * known.mean_mm + 0.5)
        assert who.percentile(name, percent) == known.percentiles_mm[percent]
    assert known.least_mm < known.percentiles_mm[1] < known.percentiles_mm[99] < known.most_mm
    assert known.source.status is Status.SEEN and not known.estimate


def test_target_diameters_from_the_percentiles():
    """0.197 of the hand length: men 34.9, 38.0, 41.4, women 32.5, 35.5, 39.2 mm."""
    for who, expected in ((MEN, (34.9, 38.0, 41.4)), (WOMEN, (32.5, 35.5, 39.2))):
        found = [0.197 * who.percentile("hand_length", percent) for percent in (5.0, 50.0, 95.0)]
        assert found == pytest.approx(expected, abs=0.05)


def test_best_single_diameters():
    """Counted on the records: 37.0 mm suits 0.893 within 10 %, 36.5 mm suits 0.985 within 15 %."""
    grid = np.arange(30, 45, 0.5)
    for band, best, share in ((0.1, 37.0, 0.893), (0.15, 36.5, 0.985)):
        shares = [ADULTS.share_within("hand_length", *near_target(diameter, band)) for diameter in grid]
        assert grid[np.argmax(shares)] == pytest.approx(best, abs=0.5)
        assert max(shares) == pytest.approx(share, abs=0.03)


def test_another_survey_in_steps_of_5_mm():
    """British adults of 19 to 65 years, hand breadth 5/50/95: men 80/85/95, women 70/75/85 (CityU Hong Kong page)."""
    for who, expected in ((MEN, (80, 85, 95)), (WOMEN, (70, 75, 85))):
        for percent, size in zip((5.0, 50.0, 95.0), expected, strict=True):
            assert who.percentile("hand_breadth", percent) == pytest.approx(size, abs=3.5)


def test_adults_are_men_and_women_of_equal_weight():
    assert ADULTS.mean_mm("hand_length") == pytest.approx((193.28 + 181.08) / 2)
    for low, high in ((0, 185), (180, 200)):
        apart = [who.share_within("hand_length", low, high) for who in (MEN, WOMEN)]
        assert ADULTS.share_within("hand_length", low, high) == pytest.approx(np.mean(apart))
    middle = ADULTS.percentile("hand_length", 30.0)
    assert ADULTS.share_within("hand_length", high_mm=middle) == pytest.approx(0.3, abs=1e-9)
    sizes = np.linspace(120, 260, 2001)
    assert np.trapezoid(ADULTS.density("hand_length", sizes), sizes) == pytest.approx(1, abs=1e-6)
    assert [kind.name for kind in ADULTS.kinds] == ["men", "women"]
    assert [kind.name for kind in group("adults in mittens").kinds] == ["men in mittens", "women in mittens"]


# --- children ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age", "stature", "length", "breadth", "low", "high"),
    [
        (3, 955, 105, 47, 97, 113),
        (4, 1025, 113, 51, 104, 122),
        (6, 1155, 127, 57, 117, 137),
        (8, 1280, 141, 63, 130, 152),
        (10, 1385, 152, 69, 140, 165),
        (12, 1490, 164, 74, 151, 177),
    ],
)
def test_children_are_reckoned_from_stature(age, stature, length, breadth, low, high):
    """0.110 of the median stature (CDC 2000, from memory), 0.45 of that, 8 % to both sides."""
    child = group(f"child-{age}")
    assert child.mean_mm("hand_length") == length == pytest.approx(0.110 * stature, abs=0.75)
    assert child.mean_mm("hand_breadth") == breadth == pytest.approx(0.45 * length, abs=0.75)
    assert child.percentile("hand_length", 5.0) == low and child.percentile("hand_length", 95.0) == high
    assert norm.ppf(0.95) * child.of("hand_length")[0].sd_mm == pytest.approx((high - low) / 2, abs=1.2)
    assert child.mean_mm("grip_diameter") == pytest.approx(48 * length / 174, abs=0.01)
    assert child.estimate and "estimate" in child.caution
    assert child.of("hand_length")[0].source.status is Status.PRACTICE


def test_between_two_ages_in_proportion():
    seven = group("child-7")
    assert seven.mean_mm("hand_length") == pytest.approx((127 + 141) / 2)
    assert seven.percentile("hand_length", 5.0) == pytest.approx((117 + 130) / 2)
    assert seven.of("hand_breadth")[0].uncertainty_mm == pytest.approx((2.85 + 3.15) / 2)
    assert seven.words == "children of 7 years" and seven.age_years == 7
    assert group("child-7.5").mean_mm("hand_length") == pytest.approx(127 + 0.75 * 14)


def test_an_uncertain_mean_leaves_a_share_open():
    """5 % of 141 mm is one deviation: half of the children become 16 % or 84 %."""
    share = group("child-8").share({"hand_length": (141.0, np.inf)})
    assert (share.value, share.low, share.high) == pytest.approx((0.5, 0.1587, 0.8413), abs=0.001)
    assert share.uncertainty == pytest.approx(0.3413, abs=0.001)
    certain = MEN.share({"hand_length": (193.28, np.inf)})
    assert certain.uncertainty < 0.02


def test_childrens_fingers_have_a_range_and_no_spread():
    """Ann. Anat. 192 (2010): 160 children of 3 to 10 years, index 15 (9 to 22) mm across."""
    (index,) = group("child-4").of("index_diameter")
    assert (index.mean_mm, index.least_mm, index.most_mm, index.n) == (15, 9, 22, 160)
    with pytest.raises(LimitError, match="the spread of index_diameter"):
        group("child-4").share_within("index_diameter", 10, 12)


# --- names ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["elves", "child-2", "child-13", "child-", "men in boots", "", "adults and men"])
def test_an_unknown_group_is_told_what_there_is(name):
    with pytest.raises(SubmissionError) as told:
        group(name)
    message = str(told.value)
    assert "\n" not in message and repr(name) in message
    assert "adults, men, women, children, child-3, ..., child-12" in message


def test_names_in_any_case_and_with_what_is_worn():
    gloved = group(" Women  in GLOVES ")
    assert (gloved.name, gloved.words, gloved.wear) == ("women in gloves", "adult women in gloves", "gloves")
    assert gloved.mean_mm("hand_length") == WOMEN.mean_mm("hand_length")


@pytest.mark.parametrize(
    ("names", "months", "expected", "guess"),
    [
        (("adults",), 192, ("adults",), ""),
        (("children",), 72, ("child-6", "child-12"), ""),
        (("children",), 144, ("child-12",), ""),
        (("children in gloves",), 72, ("child-6 in gloves", "child-12 in gloves"), ""),
        (("child-8", "women"), None, ("child-8", "women"), ""),
        (("children",), 24, ("child-3", "child-12"), "from 3 to 12 years"),
        (("children",), 200, ("child-12",), "from 3 to 12 years"),
        (("children",), None, ("child-3", "child-12"), "age is not stated"),
        ((), 192, ("adults",), "does not say whose hands"),
        ((), 60, ("child-5", "child-12", "adults"), "does not say whose hands"),
        ((), None, ("child-3", "child-12", "adults"), "age is not stated"),
    ],
)
def test_groups_that_a_submission_is_judged_for(names, months, expected, guess):
    found = declared(names, months)
    assert tuple(hand.name for hand in found.groups) == expected
    assert guess in found.guess and bool(guess) == bool(found.guess)


def test_an_unknown_size_is_told_what_there_is():
    with pytest.raises(LimitError, match="'ear' of adult men is not in data/hands; known are hand_length"):
        MEN.of("ear")
    assert "ear" not in MEN and "hand_length" in MEN
    with pytest.raises(LimitError, match="correlation of hand_length and wrist_circumference"):
        MEN.share({"hand_length": (0, 200), "wrist_circumference": (0, 200)})


# --- the tables -------------------------------------------------------------------------------


def test_every_row_has_its_source():
    for file in ("hands.csv", "correlations.csv"):
        with resource("data", "hands", file).open(encoding="utf-8", newline="") as content:
            rows = list(csv.DictReader(content))
        assert rows and all(row["source_title"] and row["status"] in tuple(Status) for row in rows)


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("unit", "cm", "unit 'cm' is not mm"),
        ("mean", "", "no mean"),
        ("sd", "wide", "sd 'wide' is not a number"),
        ("status", "heard", "status 'heard' is not one of"),
        ("source_title", "", "no source"),
    ],
)
def test_a_bad_row_is_refused(tmp_path, monkeypatch, column, value, told):
    good = resource("data", "hands", "hands.csv")
    with good.open(encoding="utf-8", newline="") as content:
        rows = list(csv.DictReader(content))
    rows[0][column] = value
    with (tmp_path / "hands.csv").open("w", encoding="utf-8", newline="") as content:
        writer = csv.DictWriter(content, hands.HAND_COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    monkeypatch.setattr(hands, "resource", lambda *_: tmp_path / "hands.csv")
    hands._tables.cache_clear()
    try:
        with pytest.raises(LimitError, match=f"hands.csv line 2: {told}"):
            group("men")
    finally:
        monkeypatch.undo()
        hands._tables.cache_clear()
