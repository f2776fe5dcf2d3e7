"""Pictures of surfaces with relief against closed forms: Lambert, shadows, near lamps, gloss, and the shapes.

Numbers of the four-lamp example and of the near lamps are computed by hand from the formulas beside them.
"""

import math

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import UnrenderableScene, perspective, project, with_brown_corner
from tiepoint.render.relief import Brushed, Coat, Finish, Item, Lobe, Mottle, surface, texture
from tiepoint.render.relief_grid import Grid, grid_over
from tiepoint.render.relief_lamps import FAR_MM, Lamp, Shadows, lamp, lit, ring
from tiepoint.render.relief_photo import ReliefExposure, Sight, finer, overhead, take, take_at_once
from tiepoint.render.relief_shapes import Bead, Blob, Cap, Dent, Dot, Gap, Groove, Ripple, Strokes
from tiepoint.render.scene import Lay
from tiepoint.render.sensor import PlainSensor

NOISELESS = ReliefExposure(blur_px=0.0, level=1.0, sensor=PlainSensor(noise_share=0.0, bits=16))
RNG = np.random.default_rng


def bare(sight, items=(), finish=None, **more):
    return surface(sight.grid(), [Item(shape) for shape in items], finish or Finish(0.5), **more)


def shares(shot):
    return [picture / 65535 for picture in shot.pictures]


def unit(azimuth_deg, elevation_deg):
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    return np.array([math.cos(a) * math.cos(e), math.sin(a) * math.cos(e), math.sin(e)])


@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.3, 0.0), (0.0, -0.4), (-0.2, 0.35)])
@pytest.mark.parametrize("azimuth", [0.0, 90.0, 217.0])
def test_a_leaning_matte_plane_returns_albedo_times_the_cosine(lean, azimuth):
    # Lambert: I = ρ·(L·n), n ∝ (−∂z/∂x, −∂z/∂y, 1).
    sight = overhead(24, 20, 0.05)
    face = bare(sight, finish=Finish(0.6), lean=lean)
    shot = take(face, sight, [lamp("a", azimuth, 40.0)], NOISELESS, RNG(0))
    normal = np.array([-lean[0], -lean[1], 1.0]) / math.sqrt(1 + lean[0] ** 2 + lean[1] ** 2)
    assert shares(shot)[0] == pytest.approx(0.6 * float(unit(azimuth, 40.0) @ normal), abs=2e-5)
    assert shot.truth.slopes[0] == pytest.approx(lean[0], abs=1e-6)
    assert shot.truth.slopes[1] == pytest.approx(lean[1], abs=1e-6)
    assert np.abs(shot.truth.normals - normal).max() < 1e-6


def test_four_lamps_over_a_leaning_plane_give_the_worked_example():
    # Four lamps at 45°, albedo 180, n ∝ (−0.1, 0.05, 1): 113.84, 132.82, 139.14, 120.17 (computed from I = ρ·L·n).
    sight = overhead(8, 8, 0.1)
    face = bare(sight, finish=Finish(180 / 255), lean=(0.1, -0.05))
    exact = ReliefExposure(0.0, 1.0, sensor=PlainSensor(noise_share=0.0))
    lamps = [lamp(f"{a}", a, 45.0) for a in (0.0, 90.0, 180.0, 270.0)]
    shot = take(face, sight, lamps, exact, RNG(0))
    assert [int(picture[4, 4]) for picture in shot.pictures] == [114, 133, 139, 120]
    fine = [255 * share[4, 4] for share in shares(take(face, sight, lamps, NOISELESS, RNG(0)))]
    assert fine == pytest.approx([113.84, 132.82, 139.14, 120.17], abs=0.01)


def test_a_bump_is_bright_towards_its_lamp():
    # The convention of docs/explanations/frames-and-signs.md: azimuth 0 is plane +x, 90° the picture's upper side.
    sight = overhead(61, 61, 0.05)
    east, north = (
        take(bare(sight, [Cap(0, 0, 1.0, 0.2)]), sight, [lamp("a", a, 45.0)], NOISELESS, RNG(0)) for a in (0, 90)
    )
    right, left = shares(east)[0][30, 42], shares(east)[0][30, 18]
    upper, lower = shares(north)[0][18, 30], shares(north)[0][42, 30]
    assert right > left + 0.1
    assert upper > lower + 0.1


def test_a_spherical_cap_has_the_normals_of_its_sphere():
    # z = √(R² − r²) − (R − h): slopes −x/√(R² − r²), −y/√(R² − r²).
    cap = Cap(0.0, 0.0, 1.0, 0.25)
    assert cap.sphere_mm == pytest.approx((1.0 + 0.0625) / 0.5)
    sight = overhead(81, 81, 0.02, fine=4)
    shot = take(bare(sight, [cap]), sight, [lamp("a", 30.0, 50.0)], NOISELESS, RNG(0))
    at = 0.02 * (np.arange(81) - 40)
    x, y = np.meshgrid(at, -at)
    root = np.sqrt(cap.sphere_mm**2 - x**2 - y**2)
    inside = np.hypot(x, y) < 0.95
    slope_x, slope_y = shot.truth.slopes
    # The pixel's mean and its middle differ by step²/24·z''' (below 1e-5 here).
    assert np.abs(slope_x + x / root)[inside].max() < 2e-5
    assert np.abs(slope_y + y / root)[inside].max() < 2e-5
    normal = np.dstack([x, y, root]) / cap.sphere_mm
    assert np.abs(shares(shot)[0] - 0.5 * normal @ unit(30.0, 50.0))[inside].max() < 5e-5
    assert np.abs(shot.truth.height_mm - (root - cap.sphere_mm + cap.height_mm))[inside].max() < 1e-4


@pytest.mark.parametrize("azimuth", [0.0, 25.0, 118.0, 270.0])
def test_a_sphere_casts_the_shadow_of_its_tangent_rays(azimuth):
    # A ray from (x, y, 0) to a far lamp meets the sphere where its distance from the centre is below R.
    cap = Cap(0.0, 0.0, 0.6, 0.5)
    grid = grid_over((-3.0, -3.0, 3.0, 3.0), 0.01)
    face = surface(grid, [Item(cap)], Finish())
    way = unit(azimuth, 30.0)
    clear = Shadows(face).clear_of(FAR_MM * way)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    ground = np.hypot(x, y) > 0.61
    from_centre = np.dstack([x, y, np.full_like(x, cap.sphere_mm - cap.height_mm)])
    ahead = from_centre @ way
    distance = np.sqrt((from_centre**2).sum(axis=2) - ahead**2)
    hit = (ahead < 0) & (distance < cap.sphere_mm)
    # Along limb and foot the march cannot tell less than the grid's step; and there were shadows to tell of.
    sure = ground & (np.abs(distance - cap.sphere_mm) > 0.01)
    assert (clear[sure] == ~hit[sure]).all()
    assert (hit & sure).sum() > 2000


def test_a_wall_casts_a_shadow_of_its_height_over_the_tangent():
    # A step of height h under elevation e: the shadow ends at the farthest x + z(x)/tan e of its flank.
    wall = Strokes((np.array([[-0.4, -5.0], [-0.4, 5.0]]),), 0.4, 0.02, 0.2)
    sight = overhead(160, 16, 0.01, fine=4)
    shot = take(bare(sight, [wall]), sight, [lamp("a", 180.0, 35.0)], NOISELESS, RNG(0))
    t = np.linspace(0, 1, 20001)
    ends = -0.2 + 0.02 * (1 - t) + 0.2 * (3 * t**2 - 2 * t**3) / math.tan(math.radians(35.0))
    row = shares(shot)[0][8] / (0.5 * math.sin(math.radians(35.0)))
    # Dark pixels from the wall's foot on: their number, partly dark ones by their share, is the shadow's length.
    foot = round((-0.18 / 0.01) + 79.5 + 0.5)
    length = 0.01 * (1 - row[foot:]).sum()
    assert length == pytest.approx(ends.max() - (-0.18), abs=0.0025)
    assert ends.max() - (-0.2) == pytest.approx(0.2 / math.tan(math.radians(35.0)), abs=0.01)


@pytest.mark.parametrize("flat", [False, True])
def test_a_near_lamp_falls_off_by_distance_and_angle(flat):
    # strength·(r₀/r)²·(h/r), and at a flat LED the cosine of the angle from its axis (inverse square and cosine laws).
    led, aim = np.array([40.0, -10.0, 60.0]), np.array([0.0, 0.0, 0.0])
    by = Lamp("a", (tuple(led),), strength=0.8, gain=1.1, flat=flat)
    sight = overhead(60, 40, 1.0)
    got = shares(take(bare(sight), sight, [by], NOISELESS, RNG(0)))[0]
    x, y = np.meshgrid(np.arange(60) - 29.5, 19.5 - np.arange(40))
    way = led - np.dstack([x, y, np.zeros_like(x)])
    r, r0 = np.linalg.norm(way, axis=2), np.linalg.norm(led - aim)
    emitted = way @ led / (r * r0) if flat else 1.0
    expected = 0.5 * 0.8 * 1.1 * (r0 / r) ** 2 * led[2] / r * emitted
    # A pixel's mean and its middle differ by the curvature of the falloff, some 1e-4 of it with pixels of 1 mm.
    assert got == pytest.approx(expected, rel=3e-4, abs=2e-5)
    assert by.azimuth_deg == pytest.approx(math.degrees(math.atan2(-10, 40)) % 360)
    assert by.elevation_deg == pytest.approx(math.degrees(math.atan2(60, math.hypot(40, 10))))
    assert not by.far


def test_near_lamps_solved_as_far_ones_bow_a_flat_plate():
    # LEDs at r 200, h 200 mm: at x = +50 mm a false slope of −0.375, and ±50 mm seem 9.38 mm too low (computed).
    lamps = [lamp(f"{a}", a, 45.0, away_mm=200 * math.sqrt(2)) for a in (0.0, 90.0, 180.0, 270.0)]
    sight = overhead(121, 9, 1.0)
    east, north, west, south = shares(take(bare(sight), sight, lamps, NOISELESS, RNG(0)))
    g_x = (east - west) / (2 * math.cos(math.radians(45)))
    g_z = (east + north + west + south) / (4 * math.sin(math.radians(45)))
    slope = (-g_x / g_z)[4]
    assert slope[60 + 50] == pytest.approx(-0.375, abs=0.0005)
    middle = slope[60:111]
    assert (middle[1:] + middle[:-1]).sum() / 2 == pytest.approx(-9.38, abs=0.01)


def test_a_glossy_sphere_shines_where_its_normal_halves_the_angle():
    # Lamp at elevation 50°, eye straight above: the half vector leans by 20°, so the highlight lies at R·sin 20°.
    cap = Cap(0.0, 0.0, 1.0, 0.4)
    sight = overhead(121, 121, 0.02, fine=3)
    face = bare(sight, [cap], Finish(0.02, 0.05, Lobe(0.08, 0.08)))
    bright = shares(take(face, sight, [lamp("a", 120.0, 50.0)], NOISELESS, RNG(0)))[0]
    bright = np.where(bright > 0.7 * bright.max(), bright, 0)
    x, y = np.meshgrid(0.02 * (np.arange(121) - 60), 0.02 * (60 - np.arange(121)))
    at = np.array([(bright * x).sum(), (bright * y).sum()]) / bright.sum()
    expected = cap.sphere_mm * math.sin(math.radians(20)) * np.array([math.cos(2 * np.pi / 3), math.sin(2 * np.pi / 3)])
    # Foreshortening pulls the mean of the spot a little outwards.
    assert np.hypot(*(at - expected)) < 0.015


@pytest.mark.parametrize("lobe", [Lobe(0.2, 0.2), Lobe(0.12, 0.3, 35.0)])
def test_gloss_loses_only_what_goes_below_the_horizon(lobe):
    # White furnace, seen straight from above: what micro-facets of slope above 1 mirror goes below the horizon. GGX
    # has the share a²/(a² + tan²θ) of them beyond θ (integral of D·cos θ), so that the mean of
    # (1 + α²cos²φ + β²sin²φ)⁻¹ is left, of which masking takes 1 to 2 % (Heitz 2014).
    face = surface(Grid(0.0, 0.0, 0.1, 2, 2), [], Finish(0.0, 1.0, lobe))
    cosines, weights = np.polynomial.legendre.leggauss(40)
    total = 0.0
    for z, weight in zip((cosines + 1) / 2, weights / 2, strict=True):
        for azimuth in np.arange(4.5, 360.0, 9.0):
            by = lamp("a", float(azimuth), math.degrees(math.asin(z)))
            # π·f·cos θ, so the integral of f·cos θ over the hemisphere is this over π.
            total += float(lit(face, by)[0, 0]) * weight * 2 * math.pi / 40 / math.pi
    phi = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    left = float(np.mean(1 / (1 + (lobe.along * np.cos(phi)) ** 2 + (lobe.across * np.sin(phi)) ** 2)))
    assert 0.98 * left < total < left


def test_light_and_eye_may_change_places():
    # Helmholtz: f(l, v) = f(v, l).
    face = surface(Grid(0.0, 0.0, 0.1, 2, 2), [], Finish(0.2, 0.5, Lobe(0.15, 0.4, 70.0)), lean=(0.1, -0.2))
    normal = np.array([-0.1, 0.2, 1.0]) / math.sqrt(1.05)
    here, there = unit(10.0, 70.0), unit(140.0, 40.0)

    def brdf(light, eye):
        return float(lit(face, Lamp("a", (tuple(FAR_MM * light),)), tuple(FAR_MM * eye))[0, 0]) / float(light @ normal)

    assert brdf(here, there) == pytest.approx(brdf(there, here), rel=1e-4)


def test_pixels_converge_as_points_grow_finer():
    # A pixel's mean is an integral: on smooth ground its midpoint sum errs by the square of the points' distance.
    shapes = [Dot(-0.2, 0.1, 0.15, 0.04, 0.006, 0.08), Dent(0.3, -0.15, 0.05, 0.01), Cap(0.2, 0.2, 0.2, 0.03)]

    def picture(fine):
        sight = overhead(60, 50, 0.02, fine)
        face = bare(sight, shapes, Finish(0.5, 0.2))
        return sight.seen(sight.grid(), lit(face, lamp("a", 200.0, 50.0)), 0.7)

    best = picture(16)
    errors = [float(np.sqrt(((picture(fine) - best) ** 2).mean())) for fine in (1, 2, 4)]
    assert errors[0] > 2.5 * errors[1] > 5 * errors[2]
    assert errors[1] < 2e-3
    # Blurring spends no light: 5 px from the rim everything is flat.
    sharp = overhead(60, 50, 0.02, 2)
    face = bare(sharp, shapes)
    light = lit(face, lamp("a", 200.0, 50.0))
    assert sharp.seen(sharp.grid(), light, 0.7).mean() == pytest.approx(
        sharp.seen(sharp.grid(), light).mean(), rel=1e-5
    )


def every_shape():
    path = np.array([[-0.8, -0.3], [0.1, 0.2], [0.9, -0.2]])
    return {
        "cap": Cap(0.1, -0.1, 0.5, 0.1),
        "pit": Cap(0.1, -0.1, 0.5, -0.1),
        "dot": Dot(-0.1, 0.2, 0.3, 0.05, 0.01, 0.15),
        "dent": Dent(0.0, 0.0, 0.15, 0.03),
        "groove": Groove(path, 0.2, 0.02),
        "strokes": Strokes((path, path + np.array([0.0, 0.4])), 0.1, 0.1, 0.05),
        "bead": Bead(path, 0.4, 0.25, (Ripple(0.1, 0.9),), (Gap(0.9, 0.2),), (Blob(0.45, 0.6),)),
    }


@pytest.mark.parametrize("name", list(every_shape()))
def test_slopes_are_those_of_the_heights(name):
    # Central differences of the heights; apart from creases, where a slope has no value.
    shape = every_shape()[name]
    grid = grid_over((-1.5, -1.2, 1.5, 1.2), 0.004)
    rise = shape.on(grid)
    down, right = np.gradient(rise.z_mm, grid.step_mm)
    away = np.abs(np.stack([rise.slope_x - right, rise.slope_y + down])).max(axis=0)
    on_it = np.hypot(rise.slope_x, rise.slope_y) > 0
    assert on_it.sum() > 1000
    assert np.median(away[on_it]) < 2e-3
    assert (away[on_it] < 0.02).mean() > 0.9
    # And it raises nothing outside its box.
    rows, columns = grid.window(shape.box_mm)
    outside = np.ones(rise.z_mm.shape, bool)
    outside[rows, columns] = False
    assert not rise.z_mm[outside].any()


def test_shapes_have_the_heights_that_they_state():
    grid = Grid(-2.0, 0.0, 0.001, 4001, 1)
    x = grid.x_mm

    def height(shape):
        return shape.on(grid).z_mm[0]

    assert height(Cap(0, 0, 0.5, 0.1))[2000] == pytest.approx(0.1)
    dot = height(Dot(0, 0, 0.3, 0.05, 0.01, 0.1))
    assert dot[2000] == pytest.approx(-0.05)
    assert dot.max() == pytest.approx(0.01, rel=1e-4)
    assert x[np.argmax(dot)] == pytest.approx(-0.35, abs=0.002)
    assert height(Dent(0, 0, 0.2, 0.03))[2200] == pytest.approx(-0.03 * math.exp(-0.5))
    across = np.array([[0.0, -1.0], [0.0, 1.0]])
    groove = height(Groove(across, 0.1, 0.01))
    assert groove[2000] == pytest.approx(-0.01)
    assert groove[2025] == pytest.approx(-0.005)
    assert groove[2051] == 0
    stroke = height(Strokes((across,), 0.2, 0.1, 0.08))
    assert stroke[2100] == pytest.approx(0.08)
    assert stroke[2150] == pytest.approx(0.04)
    assert stroke[2201] == 0


def test_a_bead_has_its_width_and_its_gaps_from_tip_to_tip():
    # Chord and sagitta of a circle: z = √(R² − d²) − (R − h), R = (w²/4 + h²)/2h.
    bead = Bead(
        np.array([[-6.0, 0.0], [6.0, 0.0]]), 1.0, 0.3, (Ripple(0.08, 5.0, 0.4),), (Gap(4.0, 0.5), Gap(8.0, 2.0))
    )
    grid = Grid(-6.2, 0.0, 0.001, 12401, 1)
    along = bead.on(grid).z_mm[0]
    missing = along == 0
    edges = np.flatnonzero(np.diff(missing.astype(int)))
    assert grid.x_mm[edges] + 6 == pytest.approx([0.0, 4.0, 4.5, 8.0, 10.0, 12.0], abs=0.0021)
    assert along[2200] == pytest.approx(0.3 * bead.width_at(np.array([2.0]))[0])
    assert bead.width_at(np.array([2.0]))[0] == pytest.approx(1 + 0.08 * math.sin(2 * math.pi * 2 / 5 + 0.4))
    column = bead.on(Grid(-4.0, 1.0, 0.001, 1, 2001)).z_mm[:, 0]
    half = bead.width_at(np.array([2.0]))[0] / 2
    assert (column > 0).sum() * 0.001 == pytest.approx(2 * half, abs=0.002)
    high = 0.6 * half
    radius = (half**2 + high**2) / (2 * high)
    assert column[1200] == pytest.approx(math.sqrt(radius**2 - 0.04) - radius + high, abs=1e-7)


def test_a_gap_that_leaves_no_bead_is_refused():
    with pytest.raises(UnusableInput, match="a gap leaves less of the bead than it is wide"):
        Bead(np.array([[0.0, 0.0], [5.0, 0.0]]), 1.0, gaps=(Gap(0.4, 1.0),))


@pytest.mark.parametrize("angle", [0.0, 30.0, 115.0])
def test_texture_has_the_spread_and_the_lengths_asked_for(angle):
    # White noise under a Gaussian of sd L correlates as exp(−d²/4L²).
    grid = Grid(0.0, 0.0, 0.01, 900, 700)
    field = texture(grid, 0.3, 0.05, angle, RNG(5))
    assert field.std() == pytest.approx(1.0, abs=1e-4)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    for way, length in (((c, s), 0.3), ((-s, c), 0.05)):
        step = (round(way[0] * length / 0.01), round(-way[1] * length / 0.01))
        d = 0.01 * math.hypot(*step)
        x, y = abs(step[0]), abs(step[1])
        a = field[max(-step[1], 0) : 700 - max(step[1], 0), max(-step[0], 0) : 900 - max(step[0], 0)]
        b = field[max(step[1], 0) : 700 - max(-step[1], 0), max(step[0], 0) : 900 - max(-step[0], 0)]
        assert a.shape == b.shape == (700 - y, 900 - x)
        assert (a * b).mean() == pytest.approx(math.exp(-((d / length) ** 2) / 4), abs=0.06)


def test_brushed_metal_slopes_across_the_brush():
    grid = Grid(0.0, 0.0, 0.01, 500, 400)
    face = surface(grid, [], Finish(lobe=Lobe(brush_deg=20.0), brushed=Brushed(0.06, 0.8, 0.04)), RNG(2))
    c, s = math.cos(math.radians(20.0)), math.sin(math.radians(20.0))
    assert (c * face.slope_y - s * face.slope_x).std() == pytest.approx(0.06, rel=1e-3)
    # Along it the heights change by the ratio of the two lengths as fast.
    assert (c * face.slope_x + s * face.slope_y).std() < 0.1 * 0.06
    down, right = np.gradient(face.z_mm, 0.01)
    assert np.abs(face.slope_x - right).max() < 1e-6
    assert np.abs(face.slope_y + down).max() < 1e-6


def test_mottles_and_coats_change_the_albedo_only_where_they_are():
    grid = grid_over((-1.0, -1.0, 1.0, 1.0), 0.01)
    plain = surface(grid, [Item(Cap(0, 0, 0.5, 0.1), Coat(0.5, 0.0))], Finish(0.4, 0.3))
    inside = np.hypot(grid.x_mm[None, :], grid.y_mm[:, None]) < 0.49
    assert plain.albedo[inside] == pytest.approx(0.2)
    assert not plain.gloss[inside].any()
    assert plain.albedo[~(np.hypot(grid.x_mm[None, :], grid.y_mm[:, None]) < 0.51)] == pytest.approx(0.4)
    spotted = surface(grid, [], Finish(0.4, mottles=(Mottle(0.1, 0.1, 0.1),)), RNG(1))
    assert spotted.albedo.std() == pytest.approx(0.04, rel=1e-3)
    assert not spotted.slope_x.any()


def test_what_is_seen_moves_by_the_shift():
    sight = overhead(80, 60, 0.02)
    face = bare(sight, [], lean=(0.0, 0.0))
    spot = np.exp(-((face.grid.x_mm[None, :] / 0.1) ** 2 + (face.grid.y_mm[:, None] / 0.1) ** 2) / 2).astype(np.float32)
    x, y = np.meshgrid(np.arange(80), np.arange(60))
    places = []
    for shift in ((0.0, 0.0), (0.2, -0.35)):
        got = sight.seen(face.grid, spot, 0.7, shift)
        places.append([(got * x).sum() / got.sum(), (got * y).sum() / got.sum()])
    assert places[0] == pytest.approx([39.5, 29.5], abs=1e-3)
    assert np.subtract(places[1], places[0]) == pytest.approx([0.2, -0.35], abs=1e-3)


def test_three_colours_at_once_mix_as_stated():
    sight = overhead(16, 12, 0.05)
    face = bare(sight, lean=(0.1, 0.2))
    lamps = [lamp(c, a, 45.0) for c, a in (("r", 0.0), ("g", 120.0), ("b", 240.0))]
    single = shares(take(face, sight, lamps, NOISELESS, RNG(0)))
    mix = np.array([[1.0, 0.1, 0.0], [0.05, 0.9, 0.1], [0.0, 0.2, 0.8]])
    (colour,) = shares(take_at_once(face, sight, lamps, NOISELESS, RNG(0), mix))
    assert colour.shape == (12, 16, 3)
    assert colour[6, 8] == pytest.approx(mix @ [s[6, 8] for s in single], abs=3e-5)
    with pytest.raises(UnrenderableScene, match="one exposure takes a red, a green and a blue lamp; 2 were given"):
        take_at_once(face, sight, lamps[:2], NOISELESS, RNG(0))


def test_stray_light_lies_over_all():
    sight = overhead(30, 30, 0.02)
    face = bare(sight, [Cap(0, 0, 0.2, 0.1)])
    veiled = ReliefExposure(0.0, 1.0, 0.2, NOISELESS.sensor)
    plain, misty = (shares(take(face, sight, [lamp("a", 0.0, 40.0)], e, RNG(0)))[0] for e in (NOISELESS, veiled))
    assert misty == pytest.approx(plain + 0.2 * plain.mean(), abs=3e-5)


def test_a_leaning_camera_with_a_lens_shows_everything_in_its_place():
    camera = with_brown_corner(perspective(160, 120, 1500.0), -2.0).aimed(
        (3.0, 2.0), distance_mm=60.0, tilt_deg=12.0, azimuth_deg=40.0, roll_deg=25.0, height_mm=1.5
    )
    lay = Lay(2.0, 1.0, 33.0, 1.5)
    sight = Sight(camera, lay, fine=4)
    places = np.array([[1.0, 0.3], [0.2, 1.4], [2.2, 0.5]])
    grid = sight.grid()
    face = surface(grid, [Item(Dent(*place, 0.12, -1.0)) for place in places.tolist()], Finish())
    seen = sight.seen(grid, face.z_mm, 0.0)
    x, y = np.meshgrid(np.arange(160), np.arange(120))
    for place in places:
        at = project(camera, lay.place(place[None, :]))[0]
        near = np.hypot(x - at[0], y - at[1]) < 14
        weight = np.where(near, seen, 0)
        # A spot of 3 px sd under 12° of tilt: perspective moves its mean by about 0.005 px.
        assert (weight * x).sum() / weight.sum() == pytest.approx(at[0], abs=0.03)
        assert (weight * y).sum() / weight.sum() == pytest.approx(at[1], abs=0.03)
    # Slopes are told along the plane's axes, whichever way the part lies.
    leaning = surface(grid, [], Finish(), lean=(0.2, 0.0))
    slope_x, slope_y = take(leaning, sight, [lamp("a", 0, 45)], NOISELESS, RNG(0)).truth.slopes
    assert slope_x == pytest.approx(0.2 * math.cos(math.radians(33.0)), abs=1e-6)
    assert slope_y == pytest.approx(0.2 * math.sin(math.radians(33.0)), abs=1e-6)


def test_lamps_stay_where_they_are_when_a_part_is_turned():
    # A plane that leans to the part's own +x, turned by 50°: the light depends on the plane frame alone.
    camera = overhead(20, 20, 0.1).camera
    sight = Sight(camera, Lay(0.3, -0.2, 50.0, 0.0))
    face = surface(sight.grid(), [], Finish(0.5), lean=(0.25, 0.0))
    share = shares(take(face, sight, [lamp("a", 80.0, 45.0)], NOISELESS, RNG(0)))[0]
    c, s = math.cos(math.radians(50.0)), math.sin(math.radians(50.0))
    normal = np.array([-0.25 * c, -0.25 * s, 1.0]) / math.sqrt(1.0625)
    assert share == pytest.approx(0.5 * float(unit(80.0, 45.0) @ normal), abs=2e-5)


def test_a_ring_has_its_segments_around():
    segments = ring(40.0, segments=6, away_mm=120.0, aim_mm=(1.0, 2.0, 3.0), span_deg=40.0, leds=3)
    assert [s.azimuth_deg for s in segments] == pytest.approx([0, 60, 120, 180, 240, 300], abs=1e-9)
    for segment in segments:
        ways = np.array(segment.leds_mm) - (1.0, 2.0, 3.0)
        assert np.linalg.norm(ways, axis=1) == pytest.approx([120.0] * 3)
        assert np.rad2deg(np.arcsin(ways[:, 2] / 120)) == pytest.approx([40.0] * 3)
    assert ring(40.0)[0].far
    with pytest.raises(UnusableInput, match="lamp a: it needs at least one LED"):
        lamp("a", 0.0, 45.0, leds=0)


def test_finer_views_see_the_same():
    sight = overhead(20, 16, 0.05)
    assert finer(sight, 5).grid().step_mm == pytest.approx(0.01)
    assert finer(sight, 5).mm_per_px == pytest.approx(0.05)
