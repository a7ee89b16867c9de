"""Graded bodies against closed forms of bored cylinders and a graded projectile worked out on meshes.

Bored cylinders: rigid-body mechanics, worked for the kit.  Half-ellipsoid nose of 10 mm with a cone of 45 degrees
before the cavity: worked apart on meshes of 128 sides, targets met to 1e-6 there.
"""

import numpy as np
import pytest

from reviewkit.measure.aerodynamics import AirSettings
from reviewkit.measure.grading import graded_for_centre, graded_for_margin, plain_dart, smallest_addition

RHO = 1.24e-3
AIR = AirSettings(1.2, 1.2, 15, 15, 0.2, 0.5, 0.02, 1.46e-5, 15)


def bored(radius=6.0, bore=4.8, length=60.0):
    return plain_dart(
        length, 2 * radius, nose_mm=0, wall_mm=radius - bore, floor_mm=0, core_fill=1e-12, density_g_mm3=RHO
    )


def pointed(lines, fill=0.0):
    return plain_dart(60, 12, nose_mm=10, wall_mm=0.45 * lines, floor_mm=0, core_fill=fill, density_g_mm3=RHO)


@pytest.mark.parametrize(
    ("shape", "solid", "expected"),
    [((6, 4.8, 60), 0, (3.02920, 30.0, 953.4707, 89.4220)),
     ((6, 4.8, 60), 20, (4.82428, 22.558140, 1474.5039, 110.1013)),
     ((6, 4.8, 60), 22.5, (5.04867, 22.5, 1476.2801, 112.6862)),
     ((6, 4.8, 60), 60, (8.41444, 30.0, 2600.0625, 151.4600)),
     ((10, 8, 80), 15, (14.95901, 31.875, 9536.1336, 1039.6510)),
     ((7.5, 6.3, 72), 24, (8.35554, 25.341390, 3521.0468, 296.4499))],
)  # fmt: skip
def test_bored_cylinders(shape, solid, expected):
    found = bored(*shape).weighed(solid)
    assert (found.mass_g, found.centre_mm, found.inertia_g_mm2, found.axial_g_mm2) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("shape", "best"), [((6, 4.8, 60), 22.5), ((10, 8, 80), 30.0), ((7.5, 6.3, 72), 25.325143)])
def test_most_forward_centre(shape, best):
    """L sqrt(beta) / (1 + sqrt(beta)), where the end of the solid meets the mass centre."""
    refused, centre = graded_for_centre(bored(*shape), best - 0.1)
    assert refused is None
    assert centre == pytest.approx(best, rel=1e-4)


@pytest.mark.parametrize(
    ("lines", "target", "solid"), [(2, 28, 45.92), (2, 25, 35.21), (2, 23, 23.53), (3, 28, 43.33), (4, 28, 38.82)]
)
def test_graded_projectile(lines, target, solid):
    dart = pointed(lines)
    found, _ = graded_for_centre(dart, target)
    assert found == pytest.approx(solid, abs=0.06)
    assert dart.weighed(found).centre_mm == pytest.approx(target, abs=1e-6)


@pytest.mark.parametrize(("lines", "target", "best"), [(2, 21, 22.816), (3, 25, 25.218), (4, 25, 26.883)])
def test_target_beyond_reach_is_refused(lines, target, best):
    solid, foremost = graded_for_centre(pointed(lines), target)
    assert solid is None
    assert foremost == pytest.approx(best, abs=0.02)


def test_solid_projectile():
    found = pointed(2).weighed(60)
    assert (found.mass_g, found.centre_mm) == pytest.approx((7.943, 31.621), rel=1e-3)


def test_no_grading_serves_without_a_tail_and_the_smallest_tail_does():
    dart = pointed(2, 0.05)
    without = graded_for_margin(dart, AIR, 1.2)
    assert without.solid_to_mm is None
    assert without.margin < -1
    found = smallest_addition(dart, AIR, 1.2, half_angle_deg=30, thickness_mm=1.2)
    assert [added.words.split()[1] for added in found] == ["fins", "flare"] or len(found) == 2
    for added in found:
        assert added.grading.solid_to_mm is not None
        air = added.dart.air(AIR, added.grading.solid_to_mm)
        assert air.margin == pytest.approx(added.grading.margin)
        assert air.margin >= 1.2 - 1e-6
        assert air.trim_deg == 0
    size = found[0].dart.fins.span_mm
    smaller = dart.with_fins(4, 0.97 * size, 0.97 * size, 1.2)
    assert graded_for_margin(smaller, AIR, 1.2).solid_to_mm is None


def test_grading_takes_the_longest_nose_that_serves():
    dart = pointed(2, 0.05).with_flare(24, 30)
    found = graded_for_margin(dart, AIR, 1.2)
    assert found.solid_to_mm is not None
    assert found.margin == pytest.approx(1.2, abs=1e-6)
    assert dart.air(AIR, found.solid_to_mm + 0.5).margin < 1.2
    assert dart.air(AIR, found.best_solid_to_mm).margin > 1.2


def test_changes_of_shape():
    """A flare of 24 mm at 30 degrees over a rod of 12 mm is 10.39 mm long; a nose of half an ellipsoid keeps 2/3 of its
    cylinder; fins weigh by their area."""
    rod = bored()
    flared = rod.with_flare(24, 30)
    wide = flared.outline.radius_mm > 6 + 1e-9
    assert flared.outline.step_mm[wide].sum() == pytest.approx(10.392, abs=0.3)
    assert flared.outline.calibre_mm == pytest.approx(12)
    nosed = rod.with_nose(12)
    gone = rod.outline.volume_mm3 - nosed.outline.volume_mm3
    assert gone == pytest.approx(np.pi * 36 * 12 / 3, rel=1e-3)
    assert flared.with_nose(12).outline.radius_mm.max() == pytest.approx(12, rel=0.02)
    finned = rod.with_fins(4, 12, 12, 1.0)
    assert finned.weighed(20).mass_g - rod.weighed(20).mass_g == pytest.approx(4 * 12 * 9 * RHO)
    assert finned.weighed(20).centre_mm > rod.weighed(20).centre_mm
    assert rod.with_tail(1.0).air(AIR, 20).slope == pytest.approx(3)
