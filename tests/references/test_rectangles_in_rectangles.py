"""When a rectangle fits a rectangle at some angle: the published condition against the angle search.

W. B. Carver, American Mathematical Monthly 64 (1957), and J. E. Wetzel, Rectangles in Rectangles, Mathematics
Magazine 73(3), 2000, pp. 204-211 (both from memory; the bibliographic page of the second seen, and the left-hand
side of its second form in a public answer).  A rectangle p x q with p >= q fits one a x b with a >= b exactly if

- p <= a and q <= b, or
- p > a, q <= b and b >= (2 p q a + (p^2 - q^2) sqrt(p^2 + q^2 - a^2)) / (p^2 + q^2),

the second equivalent to ((a + b) / (p + q))^2 + ((a - b) / (p - q))^2 >= 2.
"""

import numpy as np
import pytest

from reviewkit.measure.plate import plate_fit


def fits_by_carver(p, q, a, b):
    if p <= a:
        return q <= b
    return q <= b and b >= (2 * p * q * a + (p**2 - q**2) * np.sqrt(p**2 + q**2 - a**2)) / (p**2 + q**2)


def fits_by_second_form(p, q, a, b):
    return (p <= a and q <= b) or (p > a and q <= b and ((a + b) / (p + q)) ** 2 + ((a - b) / (p - q)) ** 2 >= 2)


def rectangle(p, q):
    return np.array([[0.0, 0.0], [p, 0.0], [p, q], [0.0, q]])


def cases(count, seed):
    random = np.random.default_rng(seed)
    for _ in range(count):
        b, a = np.sort(random.uniform(100, 300, 2))
        p = random.uniform(0.9, 1.4) * a
        yield p, random.uniform(0.01, 0.6) * min(b, p), a, b


@pytest.mark.parametrize("condition", [fits_by_carver, fits_by_second_form])
def test_search_agrees_with_the_condition(condition):
    answers = []
    for p, q, a, b in cases(600, seed=2000):
        fit = plate_fit(rectangle(p, q), (a, b), 0)
        assert fit.fits == condition(p, q, a, b), (p, q, a, b)
        assert bool(fit.ranges_deg) == fit.fits
        answers.append((fit.fits, fit.fits_unturned))
    # The cases must hold all three kinds: unturned, only turned, and not at all.
    assert {(True, True), (True, False), (False, False)} == set(answers)


def test_search_finds_the_boundary_itself():
    for p, q, a, _ in cases(200, seed=1957):
        if p <= a:
            continue
        b = (2 * p * q * a + (p**2 - q**2) * np.sqrt(p**2 + q**2 - a**2)) / (p**2 + q**2)
        if b > a:
            continue
        fit = plate_fit(rectangle(p, q), (a, b), 0)
        assert fit.largest.scale == pytest.approx(1, abs=1e-9)
        assert fit.roomiest.margin_mm == pytest.approx(0, abs=1e-7)


def test_square_plate_is_the_special_case():
    # With a = b = s the condition is p + q <= s sqrt 2.
    s = 215.9
    for p in np.linspace(1.01 * s, 1.4 * s, 25):
        q = s * 2**0.5 - p
        assert fits_by_carver(p, q * (1 - 1e-9), s, s)
        assert plate_fit(rectangle(p, q * (1 - 1e-6)), (s, s), 0).fits
        assert not plate_fit(rectangle(p, q * (1 + 1e-6) + 1e-4), (s, s), 0).fits
