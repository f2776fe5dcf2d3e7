"""The arithmetic of a plan against textbooks, published formulas, the trade's numbers, and integrals done otherwise."""

import math

import numpy as np
import pytest
from scipy import constants, optimize, special

from tiepoint.plan import lighting, optics
from tiepoint.plan.asked import Asked
from tiepoint.plan.choose import FOCALS_MM, choose
from tiepoint.plan.numbers import Camera, as_stated, length_budget
from tiepoint.plan.sheet import arithmetic
from tiepoint.plan.target import field_at_target, target_of

SENSOR_MM = 2448 * 3.45e-3
"""A rig that is common in the trade: 2448 px of 3.45 µm."""


def plan(part=(), lens=(), sensor=(), light=(), target=()):
    asked = {
        "part": {"size_mm": [100, 80], "tolerance_mm": 0.2, **dict(part)},
        "lens": {"stand_off_mm": 400, **dict(lens)},
        "sensor": {"pixels": [2448, 2048], **dict(sensor)},
        "light": dict(light),
        "target": dict(target),
    }
    return Asked.read(asked, "the plan: ")


def test_focal_length_of_the_trades_rig():
    # Worked by hand: field 110 mm, stand-off 400 mm: m 0.07678, f 28.52 mm.
    m = SENSOR_MM / 110
    assert m == pytest.approx(0.07678, abs=5e-6)
    assert optics.focal_for(400, m) == pytest.approx(28.52, abs=0.005)


@pytest.mark.parametrize(("focal", "field"), [(25, 126.7), (35, 88.08)])
def test_field_of_common_lenses(focal, field):
    # Worked by hand: with f 25 the field is 126.7 mm, with f 35 it is 88.08 mm.
    assert SENSOR_MM / optics.magnification_of(focal, 400) == pytest.approx(field, abs=0.05)


def test_magnification_is_that_of_the_lens_equation():
    # 1/f = 1/s + 1/s' and m = s'/s (Hecht, Optics, 5.2), solved here by itself.
    f, s = 35.0, 300.0
    image = optimize.brentq(lambda v: 1 / s + 1 / v - 1 / f, 36, 100, xtol=1e-12)
    m = optics.magnification_of(f, s)
    assert m == pytest.approx(image / s, rel=1e-10)
    assert optics.extension_of(f, m) == pytest.approx(image - f, rel=1e-9)


@pytest.mark.parametrize(("number", "depth"), [(8, 10.08), (4, 5.04)])
def test_depth_of_field_of_the_trades_rig(number, depth):
    # Worked by hand: c 3.45 µm, m 0.07678.
    assert optics.depth_of_field(number, 3.45e-3, SENSOR_MM / 110) == pytest.approx(depth, abs=0.005)


def test_depth_of_field_at_a_tenth():
    assert optics.depth_of_field(8, 3.45e-3, 0.1) == pytest.approx(6.07, abs=0.005)  # worked by hand


def test_sharp_limits_are_those_of_the_published_circle():
    # D. Jacobson, Photographic Lenses Tutorial: C = f²·(s/s_a − 1)/(N·(s − f)) for an object at s_a.
    f, s, number, c = 50.0, 2000.0, 8.0, 0.03
    near, far = optics.sharp_from_to(f, s, number, c)
    for at in (near, far):
        assert abs(f**2 * (s / at - 1) / (number * (s - f))) == pytest.approx(c, rel=1e-12)


def test_focused_at_the_hyperfocal_distance_all_from_half_of_it_is_sharp():
    # H = f²/(N·c) + f (Ray, Applied Photographic Optics, from memory): 10 467 mm for 50 mm, f/8, 0.03 mm.
    H = 50**2 / (8 * 0.03) + 50
    assert round(H) == 10467
    near, far = optics.sharp_from_to(50, H * (1 + 1e-12), 8, 0.03)
    assert near == pytest.approx(H / 2, rel=1e-9)
    assert math.isinf(far)


def test_the_short_formula_of_depth_is_the_long_one_for_little_depth():
    near, far = optics.sharp_from_to(25, 400, 5.6, 3.45e-3)
    assert far - near == pytest.approx(optics.depth_of_field(5.6, 3.45e-3, 25 / 375), rel=1e-3)


def test_circle_of_confusion_by_tracing_the_cone():
    # Two rays through the rim of a thin lens, by the lens equation alone.
    f, s, number, off = 25.0, 400.0, 5.6, 3.0
    sensor, image = 1 / (1 / f - 1 / s), 1 / (1 / f - 1 / (s - off))
    circle = f / number * abs(sensor - image) / image
    assert optics.circle_at(off, number, 25 / 375) == pytest.approx(circle, rel=0.01)


def test_airy_disc_of_the_trades_rig():
    # Worked by hand: λ 0.53 µm, N 8, m 0.07678 → 11.14 µm = 3.23 px.
    airy = optics.airy_um(530, optics.working_number(8, SENSOR_MM / 110))
    assert airy == pytest.approx(11.14, abs=0.005)
    assert airy / 3.45 == pytest.approx(3.23, abs=0.005)


def test_airy_and_rayleigh_are_the_first_zero_of_bessels_function():
    # 1.21966989… = j₁,₁/π (OEIS A245461); the disc's diameter is twice that times λN.
    zero = special.jn_zeros(1, 1)[0] / math.pi
    assert optics.airy_um(1000, 1.0) == pytest.approx(2 * zero, rel=5e-4)
    assert optics.rayleigh_um(1000, 1.0, 0.5) == pytest.approx(2 * zero, rel=5e-4)


def test_gaussian_nearest_to_the_airy_disc():
    # Least squares in the plane (weight r), as Zhang, Zerubia and Olivo-Marin 2007 do; r in λN.
    r = np.linspace(1e-6, 6, 60_001)
    v = np.pi * r
    airy = (2 * special.j1(v) / v) ** 2

    def left(theta):
        a, sd = theta
        return float(np.sum(r * (a * np.exp(-(r**2) / (2 * sd**2)) - airy) ** 2))

    _, sd = optimize.minimize(left, [1.0, 0.4], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9}).x
    assert sd == pytest.approx(optics.AIRY_SD, abs=0.01)


def test_spreads_of_smears_by_integration():
    x = np.linspace(-0.5, 0.5, 200_001)
    assert optics.box_sd(3.0) == pytest.approx(3 * math.sqrt(float(np.mean(x**2))), rel=1e-4)
    chord = np.sqrt(0.25 - x**2)
    assert optics.disc_sd(3.0) == pytest.approx(3 * math.sqrt(float((x**2 * chord).sum() / chord.sum())), rel=1e-4)


def test_parallax_of_the_trades_work_plane():
    # Worked by hand: Z 400, h 12, L 50 → +1.546 mm.
    assert optics.parallax_mm(50, 12, 400) == pytest.approx(1.546, abs=5e-4)


@pytest.mark.parametrize(("blur", "factor"), [(0.5, 1.431), (1.0, 1.921), (2.0, 2.676)])
def test_bound_of_an_edge(blur, factor):
    # Worked by hand (Gatherer, CSL-TR-93-560): one profile, σ/A = 1.
    assert optics.edge_noise_px(1.0, blur, 1.0) == pytest.approx(factor, abs=0.005)


def test_motion_blur_of_the_trade():
    # Worked by hand: 0.045 mm/px, 300 mm/s → 75 µs for 0.5 px.
    assert lighting.longest_us(300, 0.045, 0.5) == pytest.approx(75)
    assert lighting.blur_px(300, 75, 0.045) == pytest.approx(0.5)


def test_flicker_of_the_mains():
    assert lighting.flicker_us(50) == 10_000
    assert lighting.flicker_us(60) == pytest.approx(8333, abs=0.5)


def test_photons_of_emva_1288_are_those_of_planck():
    # E·A·t over h·c/λ, with the constants of the SI: 20 µm² for 1 ms at 0.55 µm under 1 µW/cm² = 0.01 W/m².
    area, exposure, wavelength, irradiance = 20.0, 1000.0, 550.0, 0.01
    energy = irradiance * area * 1e-12 * exposure * 1e-6
    exact = energy / (constants.h * constants.c / (wavelength * 1e-9))
    assert lighting.photons(area, exposure, wavelength, irradiance) == pytest.approx(exact, rel=2e-4)
    assert lighting.photons(1, 1000, 1000, 0.01) == pytest.approx(50.34)  # EMVA 1288's own number


def test_noise_of_emva_1288():
    # Worked by hand: K 0.1, σ_d 5, signal 100 DN → variance 10.333, SNR 31.11.
    noise = lighting.noise_dn(100, 0.1, 5)
    assert noise**2 == pytest.approx(10.333, abs=5e-4)
    assert 100 / noise == pytest.approx(31.11, abs=0.005)


def test_camera_equation_by_summing_the_pupils_cone():
    # A matt surface sends ρE/π into every direction; the sensor takes what comes through the cone of half-angle
    # sin θ = 1/(2·N_w): E' = π·L·sin²θ, summed here over rings. Small angles, as the equation takes them.
    working, reflectance, on_part = 8.0, 0.5, 100.0
    theta = np.linspace(0, math.asin(1 / (2 * working)), 100_001)
    middle = (theta[1:] + theta[:-1]) / 2
    taken = np.sum(2 * np.pi * np.sin(middle) * np.cos(middle) * np.diff(theta)) * reflectance * on_part / np.pi
    assert lighting.on_sensor(on_part, reflectance, working) == pytest.approx(float(taken), rel=1e-6)
    assert lighting.on_part(float(taken), reflectance, working) == pytest.approx(on_part, rel=1e-6)


@pytest.mark.parametrize(("wavelength", "weight"), [(510, 0.503), (555, 1.0), (590, 0.757), (610, 0.503), (650, 0.107)])
def test_how_an_eye_weighs_light(wavelength, weight):
    # CIE 1924 V(λ), from memory; the fit is said to hold within 0.03.
    assert lighting.eye(wavelength) == pytest.approx(weight, abs=0.04)


@pytest.mark.parametrize("slope", [12.0, 20.0, 35.0])
def test_a_shiny_slope_is_lit_along_the_mirrored_ray(slope):
    # Reflect the ray to the camera at the facet: r = 2(n·v)n − v.
    n = np.array([math.sin(math.radians(slope)), 0, math.cos(math.radians(slope))])
    v = np.array([0.0, 0.0, 1.0])
    r = 2 * (n @ v) * n - v
    told = lighting.lamp_for(slope, "shiny", 2.0)
    assert told.elevation_deg == pytest.approx(math.degrees(math.asin(r[2])), abs=1e-9)
    assert told.field == "dark"


def test_a_slight_shiny_slope_is_shown_by_bright_field_and_a_steep_one_by_none():
    assert lighting.lamp_for(4, "shiny", 2.0).field == "bright"
    assert "no lamp stands so" in lighting.lamp_for(44, "shiny", 2.0).says


def test_contrast_of_a_matt_slope_by_lamberts_law():
    told = lighting.lamp_for(15, "matt", 2.0)
    e, a = math.radians(told.elevation_deg), math.radians(15)
    lamp = np.array([math.cos(e), 0, math.sin(e)])
    lit = [float(np.array([s * math.sin(a), 0, math.cos(a)]) @ lamp) for s in (1, -1)]
    # Over the mean of both, which is the flat surface's light times cos a.
    assert told.contrast == pytest.approx((lit[0] - lit[1]) / (lit[0] + lit[1]), rel=1e-9)


def test_budget_of_a_length_of_the_trade():
    # Worked by hand: L 50, u_k 2e-4, u_px 0.1 at 0.045 mm/px, u_h 0.3, Z 400 → 0.0100, 0.0064, 0.0375.
    asked = plan(part={"size_mm": [50, 40], "u_height_mm": 0.3, "u_edge_mm": 0.0}, lens={"focal_mm": 25})
    rows = length_budget(as_stated(asked, choose(asked)), 0.1 * 0.045)
    assert rows["height"] == pytest.approx(0.0375, abs=5e-5)
    assert rows["reading"] == pytest.approx(0.0064, abs=5e-5)


def test_the_target_fills_the_field_where_it_lies():
    # Worked by hand: 2448 px of 3.45 µm at m = 25/375 are 126.684 mm; a target 12 mm below the part's face, 412 mm
    # from the lens, is seen over 126.684 · 412/400 = 130.5 mm by 109.2 mm. 1.1 · 130.5/16 = 8.97 mm: squares of 10 mm,
    # 15 and 13 of them, and a bar of 150 mm.
    asked = plan(part={"height_mm": 12}, lens={"focal_mm": 25})
    chosen = choose(asked)
    found = target_of(asked, chosen)
    assert field_at_target(asked, chosen) == (130.5, 109.2)
    assert (found.pitch_mm, found.columns, found.rows, found.bar_x_mm) == (10, 15, 13, 150)
    assert arithmetic(asked).line("target").text == "15 × 13 of 10"
    # The scale's u is one reading over that bar.
    glass = plan(part={"height_mm": 12}, lens={"focal_mm": 25}, target={"material": "glass", "u_bars_mm": 0.015})
    rows = length_budget(as_stated(glass, chosen), 0.0)
    assert rows["scale"] == pytest.approx(100 * 0.015 / 150, rel=0.05)


def test_behind_a_telecentric_lens_the_field_is_as_large_at_the_target():
    asked = plan(part={"height_mm": 12}, lens={"kind": "telecentric"})
    chosen = choose(asked)
    assert field_at_target(asked, chosen)[0] == pytest.approx(SENSOR_MM / chosen.magnification, rel=1e-3)


def test_a_field_that_no_target_suits_is_a_fault_and_all_else_is_worked_out():
    sheet = arithmetic(plan(part={"size_mm": [1e5, 8e4], "tolerance_mm": 50}, lens={"stand_off_mm": 1e5}))
    line = sheet.line("target")
    assert (line.state, line.text) == ("fault", "none")
    assert "is too large for a picture of 2448 × 2048 px" in line.says
    assert sheet.line("U_length").value > 0


def test_what_is_left_out_is_chosen_and_fits():
    asked = plan()
    chosen = choose(asked)
    assert chosen.focal_mm in FOCALS_MM
    sheet = arithmetic(asked)
    # The trade's rig: the field asks for 28.5 mm or so, and 25 is the next that is made.
    assert sheet.line("focal").value == 25
    assert sheet.line("field_long").value == pytest.approx(126.7, abs=0.05)
    assert sheet.line("focal").chosen


def test_bounds_of_the_inputs_are_in_every_number_that_they_move():
    # 1st-order law by hand: m = f/(s − f), u(s) = 5/√3 mm, u(f) = 1.25/√3 mm.
    sheet = arithmetic(plan(lens={"focal_mm": 25, "stand_off_within_mm": 5, "focal_within_percent": 5}))
    f, s = 25.0, 400.0
    u = math.hypot(f / (s - f) ** 2 * 5, s / (s - f) ** 2 * 1.25) / math.sqrt(3)
    assert pytest.approx(1.96 * u, rel=2e-3) == sheet.line("magnification").U
    assert sheet.line("field_wanted_long").U is None


def test_numbers_agree_with_a_camera_that_is_really_so():
    # The field of drawn cameras, stand-off and focal length uniform in their bounds.
    asked = plan(lens={"focal_mm": 25})
    sheet, chosen = arithmetic(asked), choose(asked)
    rng = np.random.default_rng(4)
    drawn = []
    for _ in range(4000):
        s, f = 400 + rng.uniform(-5, 5), 25 * (1 + 0.05 * rng.uniform(-1, 1))
        drawn.append(Camera(asked, chosen, s, optics.magnification_of(f, s)).field_mm[0])
    line = sheet.line("field_long")
    assert float(np.std(drawn)) * 1.96 == pytest.approx(line.U, rel=0.03)
