"""Air forces on drawn bodies against closed forms and the worked cases of the kit's reference on flight.

Slender-body theory (Munk 1924, NACA Report 184), cross-flow (Allen and Perkins 1951, NACA Report 1048) and Barrowman's
fins (1967), from memory; nose coefficients 0.666 and 0.466 of a page on Barrowman's equations (seen); drag of cylinders
from the Aeronautical Engineer's Data Book, p. 95 (seen).
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from reviewkit.measure.aerodynamics import (
    AirSettings,
    Fins,
    airframe,
    fin_force,
    outline_of,
    sphere_drag,
    tumbling_area_mm2,
)

SETTINGS = AirSettings(
    cross_flow=1.2, fin_cross=1.2, separation_deg=15, flat_deg=15, drag_round=0.2, drag_flare=0.5, drag_fins=0.02,
    viscosity_m2_s=1.46e-5, speed_m_s=15,
)  # fmt: skip
FA = Fins(4, 15.0, 10.0, 12.0, 5.0, 45.0, 6.0)
FB = Fins(3, 30.0, 15.0, 20.0, 15.0, 90.0, 10.0)


def turned(profile, sections=192):
    """Body of revolution from radii by distance behind the nose; nose up at z = 0, of the circle's own area."""
    grown = np.sqrt(2 * np.pi / sections / np.sin(2 * np.pi / sections))
    points = np.array([(grown * r, -x) for x, r in profile])
    closed = points[::-1] if points[0, 0] == 0 else np.vstack([points[::-1], [(0.0, points[0, 1])]])
    return trimesh.creation.revolve(np.vstack([[(0.0, points[-1, 1])], closed]), sections=sections)


def outlined(mesh, ahead=(0.0, 0.0, 1.0)):
    return outline_of(
        np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64), np.array(ahead), fin_thickness=0.25, fin_span=0.2
    )


def nosed(kind, length, radius=6.0, whole=60.0):
    x = np.linspace(0, length, 200)
    share = x / length
    rho = (radius**2 + length**2) / (2 * radius)
    radii = {
        "cone": radius * share,
        "ellipsoid": radius * np.sqrt(np.maximum(1 - (1 - share) ** 2, 0)),
        "parabola": radius * (2 * share - share**2),
        "ogive": np.sqrt(rho**2 - (length - x) ** 2) + radius - rho,
    }[kind]
    return turned([*zip(x, np.append(0.0, radii[1:]), strict=True), (whole, radius)])


ROD = turned([(0.0, 6.0), (60.0, 6.0)])


def finned(fins, body, thickness=0.8, turn=0.3):
    """A body with flat fins round it."""
    parts = [body]
    for number in range(fins.count):
        inner, tip = fins.radius_mm - 1, fins.radius_mm + fins.span_mm
        x = fins.from_nose_mm
        plan = shapely.Polygon([
            (inner, -x), (fins.radius_mm, -x), (tip, -x - fins.sweep_mm), (tip, -x - fins.sweep_mm - fins.tip_mm),
            (fins.radius_mm, -x - fins.root_mm), (inner, -x - fins.root_mm),
        ])  # fmt: skip
        fin = trimesh.creation.extrude_polygon(plan, thickness).apply_translation((0, 0, -thickness / 2))
        fin.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
        angle = turn + 2 * np.pi * number / fins.count
        parts.append(fin.apply_transform(trimesh.transformations.rotation_matrix(angle, (0, 0, 1))))
    return trimesh.boolean.union(parts)


# --- outline ---------------------------------------------------------------------------------


def test_outline_of_a_rod():
    outline, fins = outlined(ROD)
    assert fins is None
    assert (outline.length_mm, outline.calibre_mm) == pytest.approx((60, 12), rel=1e-4)
    assert outline.volume_mm3 == pytest.approx(np.pi * 36 * 60, rel=1e-4)
    assert (outline.side_mm2, outline.side_centre_mm) == pytest.approx((720, 30), rel=1e-3)


def test_hollow_counts_as_full_to_the_air():
    hollow = trimesh.boolean.difference(
        [ROD, trimesh.creation.cylinder(4.8, 41, sections=192).apply_translation((0, 0, -40.4))]
    )
    outline, _ = outlined(hollow)
    assert outline.volume_mm3 == pytest.approx(np.pi * 36 * 60, rel=1e-4)
    assert float(outline.matter_mm2 @ outline.step_mm) == pytest.approx(float(hollow.volume), rel=3e-3)


@pytest.mark.parametrize(("fins", "body"), [(FA, nosed("ogive", 20)), (FB, nosed("cone", 30, 10.0, 120.0))])
@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_fins_are_recognised(fins, body, turn):
    outline, found = outlined(finned(fins, body, turn=turn))
    assert found is not None
    assert found.count == fins.count
    for name in ("root_mm", "tip_mm", "sweep_mm", "span_mm", "from_nose_mm", "radius_mm"):
        assert getattr(found, name) == pytest.approx(getattr(fins, name), abs=0.8), name
    assert outline.calibre_mm == pytest.approx(2 * fins.radius_mm, rel=0.01)


def test_square_rod_has_no_fins():
    square = trimesh.creation.box((12, 12, 60))
    assert outlined(square)[1] is None


# --- normal force and centre of pressure -----------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "length", "share"),
    [("cone", 20, 2 / 3), ("parabola", 20, 0.466667), ("ellipsoid", 20, 1 / 3), ("ellipsoid", 6, 1 / 3),
     ("ogive", 60, 0.465145), ("ogive", 36, 0.462453), ("ogive", 24, 0.457240), ("ogive", 12, 0.430030)],
)  # fmt: skip
def test_noses(kind, length, share):
    """Slope 2 whatever the nose; centre of pressure L_n - V_n / S."""
    air = airframe(outlined(nosed(kind, length, whole=90.0))[0], 30.0, SETTINGS)
    assert air.slope == pytest.approx(2, rel=2e-3)
    assert air.pressure_centre_mm == pytest.approx(share * length, abs=0.25)


def test_flat_face_bears_at_the_face():
    air = airframe(outlined(ROD)[0], 30.0, SETTINGS)
    assert (air.slope, air.pressure_centre_mm) == pytest.approx((2, 0), abs=1e-3)


def test_flare_adds_by_its_areas():
    """From d1 to d2: 2 [(d2 / d)^2 - (d1 / d)^2]."""
    flared = turned([(0, 6), (50, 6), (60, 9)])
    air = airframe(outlined(flared)[0], 30.0, SETTINGS)
    assert air.slope == pytest.approx(2 + 2 * (1.5**2 - 1), rel=0.02)
    cone_mm = 50 + 10 - (np.pi * 10 / 3 * (81 + 54 + 36) - np.pi * 36 * 10) / (np.pi * (81 - 36))
    assert air.pressure_centre_mm == pytest.approx(2.5 * cone_mm / 4.5, abs=0.5)


def test_flow_leaves_a_steep_tail():
    """A ball bears nothing of a tail that closes: only what grows; one that narrows gently loses normal force."""
    ball = trimesh.creation.icosphere(4, 10.0)
    air = airframe(outlined(ball)[0], 10.0, SETTINGS)
    assert air.slope == pytest.approx(2, rel=0.08)
    boat = airframe(outlined(turned([(0, 6), (40, 6), (60, 4)]))[0], 30.0, SETTINGS)
    assert boat.slope == pytest.approx(2 * 16 / 36, rel=0.03)


@pytest.mark.parametrize(
    ("centre", "moments", "settles"),
    [(30.0, (0.08725, 0.43371, 0.85180, 1.58256, 2.30970, 0), 90),
     (22.558140, (0.06467, 0.30273, 0.54764, 0.82975, 0.19702, -3.07946), 48.1089),
     (15.0, (0.04173, 0.16970, 0.23873, 0.06519, -1.94867, -6.20704), 21.5859)],
)  # fmt: skip
def test_flat_faced_cylinder_at_all_angles(centre, moments, settles):
    """Worked table for d = 12, L = 60, eta 0.65; and the other way round tail first."""
    air = airframe(outlined(ROD)[0], centre, SETTINGS)
    air = replace(air, cross=0.65 * 1.2 * 720 / (np.pi * 36))
    angles = np.array([1, 5, 10, 20, 45, 90])
    found = air.over(angles)
    assert found.normal == pytest.approx([0.03641, 0.21120, 0.49045, 1.21389, 3.40670, 4.96563], rel=1e-3)
    assert found.moment == pytest.approx(moments, rel=1e-3, abs=2e-4)
    assert air.trim_deg == pytest.approx(settles, abs=0.02)
    back = airframe(outlined(ROD, (0.0, 0.0, -1.0))[0], 60 - centre, SETTINGS)
    back = replace(back, cross=air.cross)
    assert back.over(180.0 - angles).moment == pytest.approx(-found.moment, rel=1e-3, abs=2e-4)
    assert air.at(np.radians(20)).moment == pytest.approx(found.moment[3])
    assert air.at(np.radians(-20)).moment == pytest.approx(-found.moment[3])


def test_uniform_rod_has_no_lead():
    air = airframe(outlined(ROD)[0], 30.0, SETTINGS)
    assert air.lead == pytest.approx(0, abs=1e-3)
    assert [(round(b.angle_deg), b.stable) for b in air.balances] == [(0, False), (90, True), (180, False)]


# --- fins ------------------------------------------------------------------------------------


def test_barrowman_worked_cases():
    assert fin_force(FA, 12.0) == pytest.approx((8.886773, 50.5), rel=1e-6)
    assert fin_force(FB, 20.0) == pytest.approx((6.725932, 102.5), rel=1e-6)
    assert pytest.approx(42.934857, rel=1e-6) == (2 * 9.32 + 8.886773 * 50.5) / 10.886773


def test_margin_of_case_fa():
    """1.698060 calibres with the printed coefficient 0.466 of the ogive, 1.6919 with its own centre by volume."""
    air = airframe(outlined(nosed("ogive", 20))[0], 22.558140, SETTINGS, FA)
    assert air.slope == pytest.approx(10.886773, rel=1e-3)
    assert air.margin == pytest.approx(1.698060, abs=0.01)
    assert -air.slope * air.margin == pytest.approx(-18.486, rel=0.01)
    assert air.trim_deg == 0
    assert airframe(outlined(nosed("ogive", 20))[0], 22.558140, SETTINGS).margin == pytest.approx(-1.103, abs=0.03)


def test_damping_of_case_p():
    """Cm_q = -2 SUM CN ((x - x_cg) / d)^2 = -101.233658 with the ogive's centre at 9.32 mm."""
    air = airframe(outlined(nosed("ogive", 20))[0], 22.558140, SETTINGS, FA)
    assert air.at(0.0).damping == pytest.approx(-101.233658, rel=0.01)


def test_ribbon_pulls_the_centre_back():
    bare = airframe(outlined(ROD)[0], 22.5, SETTINGS)
    tailed = airframe(outlined(ROD)[0], 22.5, SETTINGS, tail=2.0)
    assert tailed.pressure_centre_mm == pytest.approx(2.0 * 60 / 4.0, abs=0.01)
    assert tailed.at(0.0).axial == pytest.approx(bare.at(0.0).axial + 2)


# --- drag ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("slender", "drag"), [(1, 0.91), (2, 0.85), (4, 0.87), (7, 0.99)])
def test_drag_of_flat_cylinders(slender, drag):
    rod = turned([(0.0, 6.0), (12.0 * slender, 6.0)])
    air = airframe(outlined(rod)[0], 6.0 * slender, SETTINGS)
    assert (air.at(0.0).axial, -air.at(np.pi).axial) == pytest.approx((drag, drag), abs=1e-3)


@pytest.mark.parametrize(("slender", "drag"), [(1, 0.63), (2, 0.68), (5, 0.74), (10, 0.82)])
def test_drag_of_cylinders_across(slender, drag):
    rod = turned([(0.0, 6.0), (12.0 * slender, 6.0)])
    found = airframe(outlined(rod)[0], 6.0 * slender, SETTINGS).at(np.pi / 2).normal
    assert found * np.pi * 36 == pytest.approx(drag * 144 * slender, rel=2e-3)


def test_round_nose_cuts_the_drag():
    """About 0.2 to 0.3 with friction for a long body with a hemispherical front (Hoerner 1965, from memory)."""
    flat, rounded = (airframe(outlined(mesh)[0], 30.0, SETTINGS).drag for mesh in (ROD, nosed("ellipsoid", 6)))
    assert 0.2 < rounded < 0.6 * flat


def test_spheres():
    """Brown and Lawler 2003 as recalled; the flat value is 0.45 give or take 0.05 for 1e3 < Re < 2e5."""
    for reynolds, drag in [
        (0.1, 247.5042),
        (1, 27.6),
        (10, 4.1275),
        (100, 1.0731),
        (1e3, 0.4634),
        (1e4, 0.4106),
        (1e5, 0.4661),
    ]:
        assert sphere_drag(reynolds) == pytest.approx(drag, rel=1e-4)


def test_shadows_of_a_tumbling_cylinder():
    assert tumbling_area_mm2(60, 12) == pytest.approx((622.0353, 530.3662), rel=1e-6)
    directions = np.random.default_rng(3).normal(size=(400, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    shadows = [np.abs(ROD.area_faces * (ROD.face_normals @ way)).sum() / 2 for way in directions]
    assert np.mean(shadows) == pytest.approx(622, rel=0.03)
