"""Edges in strips against exact pictures, their own Fisher information, SciPy's curve_fit, and published figures.

The pictures come from closed forms (`tests/helpers/exact_edges.py`): blur first, then the integral over each pixel.
Noise is Gaussian, 1 % of 255; contrast 180 of 255; strips 100 × 15 unless said.
"""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage, stats

from tiepoint.vision.strips import EdgeSearch, edges_in_strips

exact = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "exact_edges.py")))

SIGMA, CONTRAST = 2.55, 180.0
GREY_SIGMA = math.hypot(SIGMA, math.sqrt(1 / 12))
"""Noise of a rounded grey value: rounding to whole levels adds 1/12 (EMVA 1288)."""


# The helper itself, so that it cannot lie


def test_the_exact_pictures_agree_with_a_fine_grid():
    m, w, x, y, angle = 8, 1.0, 16.2, 15.7, 0.37
    v, u = (np.mgrid[0 : 32 * m, 0 : 32 * m] + 0.5) / m - 0.5
    # Fine pixels on the border count with the share of them that lies inside.
    half_plane = np.clip(((u - x) * math.cos(angle) + (v - y) * math.sin(angle)) * m + 0.5, 0, 1)
    circle = np.clip((7 - np.hypot(u - x, v - y)) * m + 0.5, 0, 1)
    for fine, fair in (
        (half_plane, exact.straight_edge(32, 32, x, y, angle, w, 0, 1)),
        (circle, exact.disc(32, 32, x, y, 7, w, 1, 0)),
    ):
        coarse = ndimage.gaussian_filter(fine, w * m, truncate=7).reshape(32, m, 32, m).mean((1, 3))
        assert np.abs(coarse - fair)[8:-8, 8:-8].max() < 0.001


@pytest.mark.parametrize(
    ("count", "w", "factor"),
    # Free levels and blur against the place alone: ratios of two Fisher matrices, worked out apart from this code.
    [(15, 1, 1.15), (15, 2, 1.38), (43, 2, 1.10)],
)
def test_the_bound_reproduces_published_factors(count, w, factor):
    s = np.arange(count) - (count - 1) / 2
    free, known = (exact.strip_bound(s, 0 * s, 0.0, w, 1, 1, 0.0, False, k) for k in (False, True))
    assert free / known == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize(("w", "factor"), [(1.0, 1.921), (2.0, 2.676)])
def test_the_bound_reproduces_the_closed_form(w, factor):
    s = np.arange(43) - 21.0
    # sd = (σ/A)·√(2·w_e·√π) (Gatherer, Stanford CSL-TR-93-560, from memory).
    assert exact.strip_bound(s, 0 * s, 0.0, w, 1, 1, known_levels=True) == pytest.approx(factor, abs=0.001)


# Bias


@pytest.mark.parametrize("robust", [False, True])
@pytest.mark.parametrize("w", [0.5, 0.7, 1.0, 2.0])
def test_no_bias_at_any_phase_and_angle(w, robust):
    phases = np.linspace(0, 1, 9)
    for angle in (*np.linspace(0, math.pi, 13), 0.01, 0.05, 1.55, -2.0):
        picture = exact.straight_edge(151, 151, 75, 75, angle, w).astype(np.float32)
        d = np.array([math.cos(angle), math.sin(angle)])
        centres = 75 + np.linspace(-18, 18, 9)[:, None] * np.array([-d[1], d[0]]) - phases[:, None] * d
        edges = edges_in_strips(picture, centres, np.full(9, angle), 100, 15, EdgeSearch(robust=robust))
        # Issue: 0.002 px; the fourth-order term of the pixel's shape brings it to a third of that at blur 0.5.
        assert np.abs(edges.position - phases).max() < (7e-4 if w < 0.7 else 2e-4)
        assert np.abs(edges.blur - w).max() < 0.006


def test_a_strip_that_leans_against_the_edge_finds_it_and_its_lean():
    angle, lean = 0.3, 0.1
    picture = exact.straight_edge(151, 151, 75, 75, angle, 1.0).astype(np.float32)
    edges = edges_in_strips(picture, np.array([[75.2, 74.9]]), np.array([angle + lean]), 100, 15)
    normal = np.array([math.cos(angle), math.sin(angle)])
    np.testing.assert_allclose(edges.normal[0], normal, atol=2e-4)
    assert edges.tilt_rad[0] == pytest.approx(-lean, abs=2e-4)
    assert float((edges.point[0] - 75) @ normal) == pytest.approx(0, abs=2e-4)


# Precision


def strips_on_one_edge(angle, count=30):
    """Centres (count, 2) of strips side by side along an edge through (300, 300), each off it by part of a pixel."""
    d = np.array([math.cos(angle), math.sin(angle)])
    at = (np.arange(count) - (count - 1) / 2)[:, None] * 15.5
    off = np.linspace(-0.5, 0.5, count)[:, None]
    return 300 + at * np.array([-d[1], d[0]]) - off * d, off[:, 0]


def errors_of(angle, w, robust, pictures, seed):
    """Errors and u (pictures·30,) of an edge's strips, and the root mean square of their own bounds."""
    clean = exact.straight_edge(600, 600, 300, 300, angle, w)
    centres, off = strips_on_one_edge(angle)
    rng = np.random.default_rng(seed)
    errors, stated = [], []
    for _ in range(pictures):
        seen = exact.seen_by_camera(clean, SIGMA, rng)
        edges = edges_in_strips(seen, centres, np.full(len(off), angle), 100, 15, EdgeSearch(robust=robust))
        errors.append(edges.position - off)
        stated.append(edges.u)
    bounds = []
    for centre, at in zip(centres, off, strict=True):
        s, ac, _ = exact.box_pixels(600, 600, centre, angle, 100, 15)
        bounds.append(exact.strip_bound(s, ac, angle, w, CONTRAST, GREY_SIGMA, at))
    return np.concatenate(errors), np.concatenate(stated), math.sqrt(np.mean(np.square(bounds)))


@pytest.mark.parametrize(("robust", "most"), [(False, 1.06), (True, 1.08)])
@pytest.mark.parametrize(("angle", "w"), [(0.0, 0.5), (0.35, 1.0), (1.2, 2.0)])
def test_precision_is_that_of_the_fisher_bound(robust, most, angle, w):
    errors, stated, bound = errors_of(angle, w, robust, 70, seed=int(10 * w))
    # 2,100 strips: the ratio itself is uncertain by 1.5 %.
    assert 0.95 < np.sqrt(np.mean(errors**2)) / bound < most
    assert 0.95 < np.std(errors / stated) < 1.06
    assert np.mean(np.abs(errors / stated) < 1.97) == pytest.approx(0.95, abs=0.02)


def test_one_row_reaches_the_published_least_squares_figure():
    # A 1, σ 0.02, w 1, simulated apart from this code: erf least squares 0.0402 px, parabola 0.0633 px.
    rng = np.random.default_rng(3)
    row = exact.straight_edge(1, 43, 21.0, 0, 0.0, 1.0, 0, 1)
    picture = (np.repeat(row, 3000, axis=0) + rng.normal(0, 0.02, (3000, 43))).astype(np.float32)
    centres = np.column_stack([np.full(3000, 21.0), np.arange(3000.0)])
    edges = edges_in_strips(picture, centres, np.zeros(3000), 43, 1, EdgeSearch(robust=False))
    assert edges.ok.all()
    assert np.std(edges.position) == pytest.approx(0.0402, rel=0.04)


def test_where_photons_are_counted_clean_strips_are_left_alone_and_u_holds():
    # EMVA 1288: a variance of 0.0255 per grey level, so 13 times more on the bright side (180) than on the dark (13).
    # Judged by the quieter side, clean strips looked disturbed: every fifth lost pixels, and error²/u² was 1.2.
    rng, radius = np.random.default_rng(5), 42.6
    angles = math.tau * np.arange(88) / 88
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    pulls, lost = [], []
    for _ in range(40):
        x, y = 60 + rng.uniform(-0.5, 0.5, 2)
        grey = exact.disc(121, 121, x, y, radius, 0.8, 13, 180)
        picture = np.clip(np.round(grey + np.sqrt(0.0255 * grey) * rng.standard_normal(grey.shape)), 0, 255)
        strips = (x, y) + radius * out, out, 20, 3.04
        edges = edges_in_strips(picture.astype(np.uint8), *strips, EdgeSearch(polarity="rising", is_one_shape=True))
        r = np.einsum("ni,ni->n", edges.point - (x, y), out)
        pulls.append((r - r.mean()) / edges.u_normal)
        lost.append(edges.weight_lost > 0)
    # 3,520 strips: the mean square of as many unit normals has a spread of 0.024.
    assert np.mean(np.concatenate(pulls) ** 2) == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.concatenate(lost)) < 0.1


def test_noise_and_contrast_are_told():
    rng = np.random.default_rng(4)
    seen = exact.seen_by_camera(exact.straight_edge(600, 600, 300, 300, 0.35, 1.0), SIGMA, rng)
    edges = edges_in_strips(seen, strips_on_one_edge(0.35)[0], np.full(30, 0.35), 100, 15)
    assert edges.noise.mean() == pytest.approx(GREY_SIGMA, rel=0.02)
    assert edges.contrast.mean() == pytest.approx(CONTRAST, rel=0.002)
    assert edges.blur.mean() == pytest.approx(1.0, abs=0.01)
    # Some five parameters less the window's pixels; the levels come from the plateaus.
    assert (edges.dof > 120).all()


def test_the_slow_twin_agrees():
    rng = np.random.default_rng(5)
    for angle in (0.0, 0.6, 2.0, -1.4):
        seen = exact.seen_by_camera(exact.straight_edge(131, 131, 65.3, 65.1, angle, 1.2), SIGMA, rng)
        centre = np.array([[65.0, 65.0]])
        edge = edges_in_strips(seen, centre, np.array([angle]), 60, 15, EdgeSearch(robust=False))
        found, u = exact.slow_fit(seen, centre[0], angle, 60, 15)
        # The twin fits every pixel with erf, ours the plateaus as constants and the pixel's own shape besides.
        assert edge.position[0] == pytest.approx(found[2], abs=0.1 * u[2])
        assert edge.u[0] == pytest.approx(u[2], rel=0.12)
        assert edge.blur_whole[0] == pytest.approx(found[4], abs=0.2 * u[4])
        assert -math.tan(edge.tilt_rad[0]) == pytest.approx(found[3], abs=0.1 * u[3])


def test_sixteen_bit_and_float_pictures_agree_with_eight_bit():
    clean = exact.straight_edge(60, 131, 65.3, 30, 0.1, 1.0)
    eight = clean.round().astype(np.uint8)
    told = [
        edges_in_strips(p, np.array([[65.0, 30.0]]), np.array([0.0]), 100, 15)
        for p in (eight, eight.astype(np.uint16) * 256, eight.astype(np.float32) / 255)
    ]
    assert told[1].position[0] == pytest.approx(told[0].position[0], abs=1e-9)
    assert told[2].position[0] == pytest.approx(told[0].position[0], abs=1e-5)


# What disturbs


def scratched_tiles(seed, off_px=None, across=None, ends=False, count=200):
    """Upright strips below each other, each with its own phase, and a scratch of 2 px beside its edge (−100 grey) on
    40 % of the rows, or one that crosses it on 3 of 15 rows; returns the picture, centres and true places."""
    rng = np.random.default_rng(seed)
    m, rows, cols, w = 4, 31, 121, 1.0
    fine_y, fine_x = (np.arange(rows * m) + 0.5) / m - 0.5, (np.arange(cols * m) + 0.5) / m - 0.5
    true = rng.uniform(-0.5, 0.5, count)
    tiles = []
    for place in true:
        tile = exact.straight_edge(rows, cols, 60 + place, 15, 0.0, w)
        first = 8 + rng.integers(0, 10 if off_px is not None else 13)
        first = 7.5 if ends else first
        last = first + (6 if off_px is not None else 3)
        on_rows = (fine_y >= first - 0.5) & (fine_y < last - 0.5)
        on_cols = np.abs(fine_x - 60 - place - (off_px or 0)) < 1 if off_px is not None else np.ones(cols * m, bool)
        share = ndimage.gaussian_filter(np.outer(on_rows, on_cols).astype(float), w * m, truncate=6)
        share = share.reshape(rows, m, cols, m).mean((1, 3))
        tiles.append(tile - 100 * share if off_px is not None else tile * (1 - share) + across * share)
    seen = exact.seen_by_camera(np.vstack(tiles), SIGMA, rng)
    return seen, np.column_stack([np.full(count, 60.0), np.arange(count) * rows + 15.0]), true


CLEAN_RMS = 0.0071
"""The bound of a clean strip, free of any scratch (blur 1); checked below."""


def test_the_clean_figure_that_scratches_are_compared_with():
    s, ac, _ = exact.box_pixels(31, 121, (60, 15), 0.0, 100, 15)
    assert exact.strip_bound(s, ac, 0.0, 1.0, CONTRAST, GREY_SIGMA) == pytest.approx(CLEAN_RMS, rel=0.02)


@pytest.mark.parametrize("off_px", [-6.0, -4.0, 4.0, 6.0, 20.0])
@pytest.mark.parametrize("ends", [False, True])
def test_a_scratch_beside_the_edge_costs_less_than_twice_the_clean_scatter(off_px, ends):
    picture, centres, true = scratched_tiles(6, off_px, ends=ends)
    edges = edges_in_strips(picture, centres, np.zeros(200), 100, 15)
    errors = edges.position - true
    assert edges.ok.all()
    assert np.sqrt(np.mean(errors**2)) < 2 * CLEAN_RMS
    # And the stated u holds there too.
    assert np.sqrt(np.mean((errors / edges.u) ** 2)) < 1.2


def test_the_plain_fit_is_pulled_by_such_a_scratch_so_the_robust_one_has_a_use():
    picture, centres, true = scratched_tiles(6, 3.0, ends=True)
    plain = edges_in_strips(picture, centres, np.zeros(200), 100, 15, EdgeSearch(robust=False))
    robust = edges_in_strips(picture, centres, np.zeros(200), 100, 15)
    rms = [np.sqrt(np.mean((e.position - true) ** 2)) for e in (plain, robust)]
    assert rms[0] > 5 * rms[1]
    assert (robust.weight_lost > 0.15).mean() > 0.9
    assert robust.flagged("outliers").mean() > 0.9


@pytest.mark.parametrize("grey", [20.0, 40.0, 130.0, 220.0, 255.0])
def test_a_scratch_across_three_of_fifteen_rows(grey):
    picture, centres, true = scratched_tiles(7, across=grey)
    edges = edges_in_strips(picture, centres, np.zeros(200), 100, 15)
    errors = edges.position - true
    # A prototype of the fit reached 0.026 px, with a bias of 0.012.
    assert np.sqrt(np.mean(errors**2)) < 0.024
    assert abs(errors.mean()) < 0.005
    assert np.sqrt(np.mean((errors / edges.u) ** 2)) < 1.2


def test_a_speck_is_left_out():
    rng = np.random.default_rng(8)
    clean = exact.straight_edge(31, 121, 60.2, 15, 0.0, 1.0)
    clean[14, 61] = 255
    seen = exact.seen_by_camera(np.tile(clean, (3000, 1)), SIGMA, rng)
    centres = np.column_stack([np.full(3000, 60.0), np.arange(3000) * 31 + 15.0])
    errors = edges_in_strips(seen, centres, np.zeros(3000), 100, 15).position - 0.2
    assert abs(np.mean(errors)) < 0.001
    # The pixel itself is worth 1 % of the precision, the biweights 3 %, a wider mask now and then the rest.
    assert np.std(errors) < 1.12 * CLEAN_RMS


def test_a_contour_of_another_library_runs_through_the_points():
    measure = pytest.importorskip("skimage.measure")
    angle = 0.35
    picture = exact.straight_edge(151, 151, 75, 75, angle, 1.0)
    contour = max(measure.find_contours(picture, 130.0), key=len)[:, ::-1]
    edges = edges_in_strips(picture.astype(np.float32), np.array([[75.0, 75.0]]), np.array([angle]), 100, 15)
    normal = np.array([math.cos(angle), math.sin(angle)])
    # Linear interpolation between pixels is good to some hundredths of a pixel.
    assert abs(float(np.mean((contour - edges.point[0]) @ normal))) < 0.01


@pytest.mark.parametrize("kind", ["added", "lit"])
@pytest.mark.parametrize("slope", [0.05, 0.2])
@pytest.mark.parametrize("off_px", [0, 8])
def test_light_that_changes_along_the_strip_does_not_move_the_edge(kind, slope, off_px):
    rng = np.random.default_rng(11)
    clean = exact.straight_edge(31, 141, 70.3, 15, 0.0, 1.0)
    x = np.arange(141) - 70
    # Grey levels per px on both sides alike, or percent of the light per px: five times as much on the bright side.
    sloping = clean + slope * x if kind == "added" else 0.85 * clean * (1 + slope / 100 * x)
    seen = exact.seen_by_camera(np.tile(sloping, (300, 1)), SIGMA, rng)
    centres = np.column_stack([np.full(300, 70.0 - off_px), np.arange(300) * 31 + 15.0])
    edges = edges_in_strips(seen, centres, np.zeros(300), 100, 15)
    errors = edges.point[:, 0] - 70.3
    # Uncorrected: up to 0.02 px.
    assert abs(errors.mean()) < 0.007
    assert np.std(errors / edges.u) == pytest.approx(1.0, abs=0.12)


def test_noise_alone_shows_no_edge():
    rng = np.random.default_rng(9)
    picture = np.clip(np.rint(rng.normal(128, 10, (800, 1200))), 0, 255).astype(np.uint8)
    centres = np.column_stack([rng.uniform(100, 1100, 2000), rng.uniform(100, 700, 2000)])
    for width in (3, 15):
        edges = edges_in_strips(picture, centres, rng.uniform(0, 6.3, 2000), 60, width)
        assert edges.ok.sum() == 0
        assert set(edges.reason) == {"no_edge"}


def test_a_faint_edge_has_a_fair_uncertainty():
    rng = np.random.default_rng(10)
    clean = exact.straight_edge(600, 600, 300, 300, 0.35, 1.0, 100, 112)
    centres, off = strips_on_one_edge(0.35)
    pulls, found = [], []
    for _ in range(30):
        seen = exact.seen_by_camera(clean, 4.0, rng)
        edges = edges_in_strips(seen, centres, np.full(30, 0.35), 100, 15)
        found.append(edges.ok.mean())
        pulls.append(((edges.position - off) / edges.u)[edges.ok])
        assert edges.flagged("low_contrast")[edges.ok].all()
    assert np.mean(found) > 0.95
    # Contrast of three times the noise: the law is no longer quite linear.
    assert np.std(np.concatenate(pulls)) == pytest.approx(1.0, abs=0.12)
    assert stats.trim_mean(np.concatenate(pulls), 0.01) == pytest.approx(0.0, abs=0.12)
