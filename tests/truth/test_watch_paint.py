"""Painted defects against closed forms: their size in mm, their blur, their noise, and that nothing else changes."""

import math

import numpy as np
import pytest
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.watch.paint import Stroke, painted

MM_PER_PX = 0.05
SQUARE = MM_PER_PX * np.array([[1.0, 0.0], [0.0, -1.0]])
SLANTED = np.array([[0.05, 0.01], [0.005, -0.04]])
"""Of a camera that looks from the side: pixels that are no squares."""
BLUR_PX = 0.9


def even(level=150.0, noise=0.0, seed=0, size=200):
    grey = level + np.random.default_rng(seed).normal(0, 1, (size, size)) * noise
    return np.rint(grey * 100).astype(np.uint16)  # a hundredth of a level, so that rounding does not matter


def paint(stroke, pixels, at=(100.3, 99.6), jacobian=SQUARE, blur=BLUR_PX, seed=1):
    return painted(pixels, at, jacobian, stroke, blur, np.random.default_rng(seed), 65535.0)


@pytest.mark.parametrize("jacobian", [SQUARE, SLANTED])
@pytest.mark.parametrize(
    ("stroke", "area_mm2"),
    [
        (Stroke("spot", 0.4, 0.4, factor=0.5), math.pi * 0.2**2),
        (Stroke("spot", 0.1, 0.1, factor=0.5), math.pi * 0.05**2),
        (Stroke("scratch", 2.0, 0.06, 0.7, factor=0.5), 2.0 * 0.06),
    ],
)
def test_what_light_is_missing_is_the_area_in_mm(stroke, area_mm2, jacobian):
    was = even()
    now = paint(stroke, was, jacobian=jacobian).pixels
    missing = (was.astype(float) - now).sum() / (0.5 * 15000)
    assert missing * abs(np.linalg.det(jacobian)) == pytest.approx(area_mm2, rel=0.01)


def test_it_lies_where_it_should_and_is_turned_as_it_should():
    at, stroke = (100.3, 99.6), Stroke("scratch", 2.0, 0.1, math.radians(30), factor=0.5)
    was = even()
    weights = was.astype(float) - paint(stroke, was, at).pixels
    y, x = np.mgrid[:200, :200]
    middle = np.average(x, weights=weights), np.average(y, weights=weights)
    assert middle == pytest.approx(at, abs=0.01)
    dx, dy = x - middle[0], y - middle[1]
    spread = [np.average(q, weights=weights) for q in (dx * dx, dx * dy, dy * dy)]
    # Second moments of a bar, 30° counter-clockwise as seen (image y runs down), and L²/12 along + blur + pixel.
    assert 0.5 * math.degrees(math.atan2(-2 * spread[1], spread[0] - spread[2])) == pytest.approx(30, abs=0.2)
    along = (spread[0] + spread[2]) / 2 + math.hypot((spread[0] - spread[2]) / 2, spread[1])
    assert along == pytest.approx((2.0 / 0.05) ** 2 / 12 + BLUR_PX**2 + 1 / 12, rel=0.01)


def test_its_edge_is_blurred_as_the_picture_is():
    was = even()
    now = paint(Stroke("scratch", 4.0, 1.0, factor=0.4), was, at=(100.0, 100.0)).pixels
    profile = now[60:141, 100] / 15000
    y = np.arange(60, 141) - 100.0

    def step(away):  # a pixel wide average of a blurred step
        b = math.sqrt(BLUR_PX**2)
        fine = away[:, None] + (np.arange(32) + 0.5) / 32 - 0.5
        return np.mean(0.5 * (1 + special.erf(fine / (math.sqrt(2) * b))), axis=1)

    inside = step(y + 10) * step(10 - y)
    assert profile == pytest.approx(1 - 0.6 * inside, abs=0.004)


def test_a_spot_far_below_the_blur_is_as_faint_as_a_real_one():
    was = even()
    now = paint(Stroke("spot", 0.03, 0.03, factor=0.0), was, at=(100.0, 100.0), blur=1.5).pixels
    deepest = 1 - now.min() / 15000
    area = math.pi * 0.3**2  # px²
    assert deepest == pytest.approx(area / (2 * math.pi * (1.5**2 + 1 / 12)), rel=0.03)


@pytest.mark.parametrize("factor", [0.4, 1.6])
def test_its_noise_is_that_of_its_surroundings_scaled_by_the_root_of_the_light(factor):
    stds = []
    for seed in range(12):
        now = paint(Stroke("spot", 2.0, 2.0, factor=factor), even(150, 1.5, seed), seed=seed).pixels / 100
        stds.append(now[88:112, 88:112].std())
    assert np.mean(stds) == pytest.approx(1.5 * math.sqrt(factor), rel=0.06)


def test_a_gap_shows_the_ground_beside_the_bead_and_a_hole_that_is_missing_the_plate():
    y, x = np.mgrid[:200, :200].astype(float)
    ground = 90 + 0.1 * x + 0.05 * y
    bead = 0.5 * (special.erf((y - 90) / 1.2) - special.erf((y - 110) / 1.2))
    was = np.rint(100 * (ground + 80 * bead)).astype(np.uint16)
    now = paint(Stroke("gap", 0.4, 1.3), was, at=(100.0, 100.0)).pixels / 100
    assert now[80:121, 100] == pytest.approx(ground[80:121, 100], abs=0.5)
    assert now[100, 120] == was[100, 120] / 100
    # 0.4 mm are 8 px: the profile along the bead is half filled at both ends.
    share = 1 - (now[100] - ground[100]) / 80
    assert share.sum() == pytest.approx(8.0, rel=0.01)
    hole = np.rint(100 * (ground - 60 * 0.5 * (1 + special.erf((12 - np.hypot(x - 100, y - 100)) / 1.2))))
    filled = paint(Stroke("hole", 1.5, 1.5), hole.astype(np.uint16), at=(100.0, 100.0)).pixels / 100
    assert np.abs(filled - ground).max() < 0.6


def test_nothing_else_changes_and_the_picture_it_was_made_of_stays():
    was = even(150, 2.0)
    kept = was.copy()
    told = paint(Stroke("spot", 0.4, 0.4, factor=0.5), was)
    far = np.hypot(*(np.indices(was.shape) - np.array([99.6, 100.3])[:, None, None])) > 4 + 6 * BLUR_PX + 2
    assert np.array_equal(told.pixels[far], was[far])
    assert np.array_equal(was, kept)
    assert not np.array_equal(told.pixels, was)


def test_colour_is_painted_alike_in_all_its_planes():
    was = np.repeat(np.full((120, 120, 1), 150, np.uint8), 3, axis=2)
    now = painted(was, (60, 60), SQUARE, Stroke("spot", 0.6, 0.6, factor=0.5), 0.8, np.random.default_rng(0), 255.0)
    assert now.pixels.dtype == np.uint8
    assert now.pixels[60, 60].tolist() == [75, 75, 75]


def test_a_place_at_the_border_is_refused():
    with pytest.raises(UnusableInput, match=r"a spot at 3, 50 px does not lie in the picture"):
        paint(Stroke("spot", 0.4, 0.4, factor=0.5), even(), at=(3.0, 50.0))
