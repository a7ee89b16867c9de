"""Whole mechanisms as plane models against beam formulas, the elastica and one another."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import Point, affinity, box

from reviewkit.errors import SetupError
from reviewkit.limits import load_limits, machine, material
from reviewkit.measure import beams, plane_model
from reviewkit.measure.beams import BeamBounds, Leaf
from reviewkit.measure.plane_model import FlatMechanism, Rotation, Strip, Translation
from reviewkit.model import Setup

E, NU, DEPTH, PITCH, BLOCK = 2000.0, 0.35, 8.0, 8.0, 10.0
SETTINGS = plane_model.plane_settings(load_limits(), Setup(machine("standard-240"), material("PETG"), 0.2, 0.4, 0.2))
QUICK = replace(SETTINGS, steps=2)
WHOLE = BeamBounds(10, 0.8, 0.5, 5)


def stage(length: float, width: float, stroke: float, count: int = 4, radius: float = 0.0, **changes) -> FlatMechanism:
    """Upright leaves between two blocks, of which the upper moves to the right."""
    span = PITCH * count + 8
    at = 4 + PITCH * (np.arange(count) + 0.5)
    matter = [box(0, -BLOCK, span, 0), box(0, length, span, length + BLOCK)]
    matter += [box(x - width / 2, -0.1, x + width / 2, length + 0.1) for x in at]
    if radius:
        for x in at:
            for side in (-1, 1):
                for face, up in ((0.0, 1), (length, -1)):
                    corner = np.array([x + side * width / 2, face])
                    middle = corner + radius * np.array([side, up])
                    square = box(*np.minimum(corner, middle), *np.maximum(corner, middle))
                    matter.append(square.difference(Point(middle).buffer(radius, 16)).buffer(1e-7, join_style="mitre"))
    radii = (radius, radius)
    strips = [Strip(f"leaf {n}", np.array([[x, 0.0], [x, length]]), np.full(2, width), radii) for n, x in enumerate(at)]
    mechanism = FlatMechanism(
        outline=shapely.union_all(matter),
        depth_mm=DEPTH,
        modulus_MPa=E,
        poisson=NU,
        fixed=box(-1, -BLOCK - 1, span + 1, -5),
        moving=box(-1, length + 5, span + 1, length + BLOCK + 1),
        motion=Translation((1.0, 0.0), stroke),
        strips=strips,
    )
    return replace(mechanism, **changes)


def turned(mechanism: FlatMechanism, angle_deg: float) -> FlatMechanism:
    def turn(shape):
        return affinity.rotate(shape, angle_deg, origin=(0, 0))

    angle = np.radians(angle_deg)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return replace(
        mechanism,
        outline=turn(mechanism.outline),
        fixed=turn(mechanism.fixed),
        moving=turn(mechanism.moving),
        motion=Translation(tuple(matrix @ mechanism.motion.direction), mechanism.motion.stroke_mm),
        strips=[replace(strip, line_mm=strip.line_mm @ matrix.T) for strip in mechanism.strips],
    )


# Beam formulas with root compliance and the elastica of a guided leaf (Bisshopp and Drucker 1945).


@pytest.mark.parametrize(
    ("length", "width", "count", "radius", "stroke"),
    [
        (40, 0.8, 2, 0.0, 8.0),
        (40, 1.2, 2, 0.0, 3.0),
        (20, 0.8, 2, 0.0, 2.0),
        (40, 0.8, 2, 0.4, 6.0),
        (44, 0.8, 1, 0.8, 9.0),
    ],
)
def test_parallel_leaves(length, width, count, radius, stroke):
    found = plane_model.plane_analysis(stage(length, width, stroke, count, radius), SETTINGS)
    leaf = beams.bent(Leaf(length, width, DEPTH, (radius, radius)), stroke, E, NU, WHOLE)
    result = found.drawn
    assert result.stiffness == pytest.approx(count * leaf.stiffness_N_mm, rel=0.01)
    assert result.force[-1] == pytest.approx(count * leaf.force_N, rel=0.01)
    assert result.energy_N_mm[-1] == pytest.approx(count * leaf.energy_N_mm, rel=0.01)
    assert [strip.nominal[-1] for strip in result.strips] == pytest.approx([leaf.strain] * count, rel=0.03)
    assert max(found.force_error, found.energy_error, found.strain_error) < 0.03
    factor = beams.notch_factors(radius, width).bending
    for strip in result.strips:
        assert strip.root_strain[-1] == pytest.approx([leaf.strain * factor] * 2, rel=0.03, nan_ok=True)
        assert np.isfinite(strip.root_strain).all() == (radius > 0)
        # Ends bend to opposite sides, the middle not at all.
        assert strip.root_bending[-1].prod() < 0
        assert abs(strip.bending[-1, len(strip.along_mm) // 2]) < 0.01 * strip.nominal[-1]


@pytest.mark.parametrize("ratio", [0.0, 0.2, 1.5, 2.0])
def test_length_that_roots_add(ratio):
    sizes = {"size_strip": 0.5, "size_root": 0.1, "outline_step_mm": 0.003, "outline_kept_mm": 0.2, "look_ahead": 0.0}
    found = plane_model.plane_analysis(stage(40, 1.0, 0.1, 1, ratio), replace(SETTINGS, steps=2, **sizes)).drawn
    assert found.stiffness == pytest.approx(beams.stiffness_N_mm(Leaf(40, 1.0, DEPTH, (ratio, ratio)), E, NU), rel=3e-3)


@pytest.mark.parametrize("share", [0.05, 0.20])
def test_root_compliance_of_a_whole_part_stays_over_the_stroke(share):
    # Independent models of the same stage: 0.9549 at a stroke of 0.05 lengths, 0.9536 at 0.20, of the elastica.
    result = plane_model.plane_analysis(stage(40, 0.8, 40 * share), replace(SETTINGS, look_ahead=0.0)).drawn
    rigid = beams.bent(Leaf(40, 0.8, DEPTH, rigid_roots=True), 40 * share, E, 0.0, WHOLE)
    shear = rigid.shear
    assert result.force[-1] / (4 * rigid.force_N / shear) == pytest.approx(0.9545, abs=0.006)


def test_direction_makes_no_difference():
    straight = plane_model.plane_analysis(stage(40, 0.8, 6.0, 2, 0.4), QUICK)
    skew = plane_model.plane_analysis(turned(stage(40, 0.8, 6.0, 2, 0.4), 33.0), QUICK)
    assert skew.drawn.force == pytest.approx(straight.drawn.force, rel=3e-3)
    assert [strip.nominal[-1] for strip in skew.drawn.strips] == pytest.approx(
        [strip.nominal[-1] for strip in straight.drawn.strips], rel=0.01
    )
    top = skew.drawn.nodes_mm @ [-np.sin(np.radians(33)), np.cos(np.radians(33))] > 46
    along = skew.drawn.moved_mm[-1, top] @ [np.cos(np.radians(33)), np.sin(np.radians(33))]
    assert along == pytest.approx(np.full(top.sum(), 6.0), abs=1e-6)


def test_leaf_whose_ends_are_held_apart():
    mechanism = stage(100, 2.0, 2.0, 1, motion=Translation((1.0, 0.0), 2.0, sideways_free=False))
    result = plane_model.plane_analysis(mechanism, SETTINGS).drawn
    leaf = beams.bent(Leaf(100, 2.0, DEPTH), 2.0, E, NU, WHOLE, axially_held=True)
    assert result.force[-1] / (result.stiffness * 2.0) == pytest.approx(1.70, rel=0.02)
    assert result.force[-1] == pytest.approx(leaf.force_N, rel=0.02)
    strip = result.strips[0]
    width_over_length = 2.0 / Leaf(100, 2.0, DEPTH).effective_length_mm
    assert strip.membrane[-1].mean() == pytest.approx(0.5909 * width_over_length**2, rel=0.05)


def test_turning_about_the_middle_of_a_leaf_is_pure_bending():
    # M = E I theta/L, strain t theta/(2 L): beam theory; the elastic roots count as length.  At larger angles
    # the arc wants another centre and the leaf is stretched as well.
    mechanism = stage(40, 1.0, 1.0, 1, motion=Rotation((8.0, 20.0), -0.3))
    result = plane_model.plane_analysis(mechanism, SETTINGS).drawn
    leaf = Leaf(40, 1.0, DEPTH)
    moment = E * leaf.second_moment_mm4 / leaf.effective_length_mm
    assert result.stiffness == pytest.approx(moment * np.radians(1.0), rel=0.01)
    assert result.force[-1] == pytest.approx(-moment * np.radians(0.3), rel=0.015)
    strain = 0.5 * np.radians(0.3) / leaf.effective_length_mm
    assert np.abs(result.strips[0].bending[-1]) == pytest.approx(
        np.full(len(result.strips[0].along_mm), strain), rel=0.03
    )


def test_curved_leaf_turned_about_its_elastic_centre():
    # A constant moment along a quarter circle turns its end about the centroid of the arc, Castigliano's theorem;
    # the roots count as length of the arc.
    radius, width = 30.0, 1.0
    angle = np.linspace(0, np.pi / 2, 61)
    arc = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    length = radius * np.pi / 2 + 0.79 * width
    centre = (radius**2 + 0.395 * width * radius) / length
    band = shapely.LineString(arc).buffer(width / 2, cap_style="flat")
    strip = Strip("arc", arc, np.full(len(arc), width))
    mechanism = FlatMechanism(
        outline=shapely.union_all([band, box(20, -10, 40, 0.01), box(-10, 20, 0.01, 40)]),
        depth_mm=DEPTH,
        modulus_MPa=E,
        poisson=NU,
        fixed=box(19, -11, 41, -4),
        moving=box(-11, 19, -4, 41),
        motion=Rotation((centre, centre), 0.5),
        strips=[strip],
    )
    result = plane_model.plane_analysis(mechanism, QUICK).drawn
    assert result.stiffness == pytest.approx(E * DEPTH * width**3 / 12 / length * np.radians(1), rel=0.01)
    strain = width / 2 * np.radians(0.5) / length
    assert np.abs(result.strips[0].bending[-1]) == pytest.approx(np.full(61, strain), rel=0.025)


def test_flared_widths_along_a_fine_line_change_nothing():
    mechanism = stage(40, 0.8, 6.0, 2, 0.8)
    along = np.linspace(0, 40, 161)
    deep = np.clip(0.8 - np.minimum(along, 40 - along), 0, 0.8)
    widths = 0.8 + 2 * (0.8 - np.sqrt(np.maximum(0.64 - deep**2, 0.0)))
    fine = [
        replace(strip, line_mm=np.column_stack([np.full(161, strip.line_mm[0, 0]), along]), widths_mm=widths)
        for strip in mechanism.strips
    ]
    plain, flared = (
        plane_model.plane_analysis(replace(mechanism, strips=strips), QUICK) for strips in (mechanism.strips, fine)
    )
    assert flared.laid.force[-1] == pytest.approx(plain.laid.force[-1], rel=3e-3)
    assert flared.laid.strips[0].width_mm == pytest.approx(0.8)
    assert flared.laid.strips[0].nominal[-1] == pytest.approx(plain.laid.strips[0].nominal[-1], rel=0.02)


def test_a_generous_moving_region_does_not_seize_its_neighbours():
    mechanism = stage(40, 0.8, 4.0, 2)
    post = shapely.union_all([mechanism.outline, box(20, -BLOCK, 39, -2), box(35, -BLOCK, 39, 50)])
    mechanism = replace(mechanism, outline=post)
    tight, wide = (
        plane_model.plane_analysis(replace(mechanism, moving=box(-1, 45, reach, 51)), QUICK).drawn.stiffness
        for reach in (25, 60)
    )
    assert wide == pytest.approx(tight, rel=1e-6)


# Invariants.


def test_energy_is_the_work_of_the_force_and_shares_add_up():
    result = plane_model.plane_analysis(stage(40, 0.8, 8.0, 2), replace(SETTINGS, steps=8, look_ahead=0.0)).drawn
    curve = np.polynomial.Polynomial.fit(result.stroke, result.force, 6).integ()
    assert curve(8.0) - curve(0.0) == pytest.approx(result.energy_N_mm[-1], rel=1e-4)
    assert sum(strip.energy_share for strip in result.strips) == pytest.approx(0.96, abs=0.03)


def test_stated_error_covers_a_finer_mesh():
    mechanism = stage(20, 1.2, 1.0, 2)
    found = plane_model.plane_analysis(mechanism, QUICK)
    half = {name: getattr(SETTINGS, name) / 2.5 for name in ("size", "size_strip", "size_root", "size_least_mm")}
    fine = plane_model.plane_analysis(mechanism, replace(QUICK, **half))
    assert fine.force_error < found.force_error
    assert abs(found.laid.force[-1] / fine.laid.force[-1] - 1) < found.force_error + fine.force_error


# As laid.


def test_laid_widths():
    assert plane_model.laid_width(0.7, SETTINGS) == pytest.approx(0.72)
    assert plane_model.laid_width(0.52, SETTINGS) == pytest.approx(0.48)
    assert plane_model.laid_width(0.8, SETTINGS) == pytest.approx(0.8)
    assert plane_model.laid_width(0.2, SETTINGS) == pytest.approx(0.36)
    assert plane_model.laid_width(5.05, SETTINGS) == pytest.approx(5.05)
    whole = replace(SETTINGS, line_least_mm=0.4, line_most_mm=0.4)
    assert plane_model.laid_width(np.array([0.7, 0.5, 1.05]), whole) == pytest.approx([0.8, 0.4, 1.2])


def test_laid_leaves_are_stiffer_to_the_third_power():
    found = plane_model.plane_analysis(stage(40, 0.7, 5.0, 2, 0.8), QUICK)
    assert found.laid.strips[0].width_mm == pytest.approx(0.72)
    assert found.laid.stiffness / found.drawn.stiffness == pytest.approx((0.72 / 0.7) ** 3, rel=0.004)
    assert found.laid.strips[0].nominal[-1] / found.drawn.strips[0].nominal[-1] == pytest.approx(0.72 / 0.7, rel=0.01)


def test_squashed_first_layer_stiffens():
    found = plane_model.plane_analysis(stage(40, 0.8, 5.0, 2, first_layer_mm=0.2), QUICK)
    wide = 1 + 2 * SETTINGS.squash_mm / 0.8
    assert found.laid.stiffness / found.drawn.stiffness == pytest.approx(1 + 0.2 / DEPTH * (wide**3 - 1), rel=2e-3)
    assert found.laid.strips[0].bulge == pytest.approx(wide)
    assert found.drawn.strips[0].bulge == 1


def test_depths_by_region():
    mechanism = stage(40, 0.8, 2.0, 2)
    half = replace(mechanism, depths=((box(-1, -0.2, 60, 40.2), DEPTH / 2),))
    ratio = plane_model.plane_analysis(half, QUICK).drawn.stiffness
    ratio /= plane_model.plane_analysis(mechanism, QUICK).drawn.stiffness
    assert 0.5 < ratio < 0.53


# Contact.


@pytest.mark.parametrize(("stroke", "beyond"), [(6.0, False), (4.0, True)])
def test_first_contact(stroke, beyond):
    mechanism = stage(40, 0.8, stroke, 2)
    # A post of the fixed block stands 5 mm to the right of the moving one.
    post = shapely.union_all([box(20, -BLOCK, 33, -2), box(29, -BLOCK, 33, 50)])
    found = plane_model.plane_analysis(replace(mechanism, outline=mechanism.outline.union(post)), SETTINGS)
    contact = found.laid.contact
    assert contact.stroke == pytest.approx(5.0, abs=0.05)
    assert contact.beyond is beyond
    assert sorted(contact.points_mm[:, 0]) == pytest.approx([24.0, 29.0], abs=0.05)
    assert (contact.points_mm[:, 1] > 39).all()
    assert any("touch" in note for note in found.notes) is not beyond


def test_no_contact_where_nothing_is_in_the_way():
    found = plane_model.plane_analysis(stage(40, 0.8, 4.0, 2), QUICK)
    assert found.laid.contact is None
    assert found.notes == ()


# What breaks first, and what cannot be done.


def test_thickest_leaf_breaks_first():
    mechanism = stage(40, 0.8, 4.0, 3, 0.4)
    thick = mechanism.outline.union(box(4 + 2.5 * PITCH - 0.6, 0, 4 + 2.5 * PITCH + 0.6, 40))
    strips = [*mechanism.strips[:2], replace(mechanism.strips[2], widths_mm=np.full(2, 1.2))]
    result = plane_model.plane_analysis(replace(mechanism, outline=thick, strips=strips), QUICK).drawn
    assert result.first == 2
    assert result.strips[2].nominal[-1] / result.strips[0].nominal[-1] == pytest.approx(1.5, rel=0.08)
    assert result.strips[2].peak_point_mm[0] == pytest.approx(4 + 2.5 * PITCH)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"fixed": box(100, 100, 101, 101)}, "fixed region"),
        ({"moving": box(100, 100, 101, 101)}, "moving region"),
        ({"outline": shapely.union_all([box(0, -10, 40, 0), box(0, 20, 40, 30)])}, "nothing joins"),
        ({"motion": Translation((0.0, 0.0), 1.0)}, "no direction"),
        ({"strips": [Strip("far", np.array([[90.0, 0.0], [90.0, 9.0]]), np.ones(2))]}, "'far' holds no matter"),
    ],
)
def test_refusals_say_what_to_do(change, words):
    with pytest.raises(SetupError, match=words):
        plane_model.plane_analysis(stage(20, 1.0, 1.0, 2, **change), QUICK)


def test_large_strain_is_noted():
    found = plane_model.plane_analysis(stage(20, 2.4, 6.0, 1), QUICK)
    assert any("strain reaches" in note for note in found.notes)
    # Bent sides bulge out of their straight triangles; that is no contact.
    assert found.laid.contact is None


def test_regions_up_to_the_roots_leave_their_give():
    narrow = stage(40, 1.2, 1.0, 1)
    wide = replace(narrow, fixed=box(-1, -11, 20, 0), moving=box(-1, 40, 20, 51))
    one, other = (plane_model.plane_analysis(mechanism, QUICK).drawn for mechanism in (narrow, wide))
    assert other.stiffness == pytest.approx(one.stiffness, rel=0.01)
    assert other.strips[0].nominal[-1] == pytest.approx(one.strips[0].nominal[-1], rel=0.01)
