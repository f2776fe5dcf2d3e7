"""Shadows, highlights, colour lamps and the stated uncertainty of slopes, on surfaces of closed form."""

import numpy as np
import pytest

from tiepoint.foundation.reasons import Reason
from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_lights import Light, Lights, from_angles

SIZE = (60, 80)
INNER = (slice(10, 30), slice(10, 30))


def ring(count=4, elevation=45.0):
    return Lights(tuple(Light(f"{k}", from_angles(360 / count * k, elevation)) for k in range(count)))


def matte(lights, p, q, albedo=180.0, sigma=0.0, seed=0):
    rng = np.random.default_rng(seed)
    n = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
    return [
        (albedo * np.dot(light.direction, n) + rng.normal(0, sigma, SIZE)).astype(np.float32) for light in lights.lights
    ]


@pytest.mark.parametrize("count", [4, 6])
@pytest.mark.parametrize("which", [0, 1, 3])
@pytest.mark.parametrize(("what", "value"), [("shadow", 3.0), ("highlight", 235.0), ("saturation", 255.0)])
def test_one_lamp_in_shadow_or_highlight_is_left_out_and_the_slope_stays(count, which, what, value):
    # The surface is a plane of slopes 0.15 and −0.1; by hand, its other lamps tell it exactly.
    pictures = [np.rint(p).astype(np.uint8) for p in matte(ring(count), 0.15, -0.1)]
    pictures[which][INNER] = value
    found = relief_of(pictures, ring(count), noise=0.5, register=False)
    assert (found.used[INNER] == (2**count - 1) & ~(1 << which)).all()
    assert found.slope_x[INNER] == pytest.approx(0.15, abs=0.012)  # rounding to whole grey levels
    assert found.slope_y[INNER] == pytest.approx(-0.1, abs=0.012)
    wrong = relief_of(pictures, ring(count), noise=0.5, leave_out=False, register=False)
    assert np.hypot(wrong.slope_x[20, 20] - 0.15, wrong.slope_y[20, 20] + 0.1) > 0.08


def test_where_fewer_than_three_lamps_hold_nothing_is_told():
    pictures = [np.rint(p).astype(np.uint8) for p in matte(ring(), 0.0, 0.0)]
    pictures[0][INNER] = pictures[1][INNER] = 0
    found = relief_of(pictures, ring(), noise=0.5, register=False)
    assert not found.used[INNER].any()
    assert not found.confidence[INNER].any()
    assert not found.slope_x[INNER].any()
    assert np.isinf(found.u_slope()[20, 20])


def test_a_glossy_surface_is_said_to_be_so():
    # Phong's lobe about the mirrored lamp, on a ball's slopes: no matte surface makes it.
    y, x = np.mgrid[:200, :200] / 100 - 1.0
    p, q = 0.9 * x, -0.9 * y
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)
    lights, pictures = ring(), []
    for light in lights.lights:
        lit = np.tensordot(light.direction, n, 1)
        mirrored = 2 * n[2] * lit - light.direction[2]
        pictures.append(
            np.clip(110 * np.clip(lit, 0, None) + 140 * np.clip(mirrored, 0, None) ** 40, 0, 255).astype(np.uint8)
        )
    found = relief_of(pictures, lights, noise=1.0, register=False)
    off = relief_of(pictures, lights, noise=1.0, leave_out=False, register=False)
    assert "glossy" in found.flags

    def wrong(relief):
        return float(np.mean(np.hypot(relief.slope_x - p, relief.slope_y - q)))

    assert wrong(found) < 0.6 * wrong(off)
    lit = found.confidence > 0
    assert found.confidence[lit & (found.used == 15)].mean() > found.confidence[lit & (found.used != 15)].mean()


@pytest.mark.parametrize(("p", "q"), [(0.0, 0.0), (0.3, -0.2), (0.6, 0.5)])
def test_slopes_err_as_their_stated_uncertainty_says(p, q):
    # Noise of 1.8 grey levels of 180. The residual of four lamps has one degree of freedom a pixel, so u is compared
    # as the root of its mean square; it counts noise and residual, which on matte parts is up to √2 too careful.
    lights = ring()
    found = relief_of(matte(lights, p, q, sigma=1.8, seed=5), lights, noise=1.8, register=False)
    errors = np.concatenate([(found.slope_x - p).ravel(), (found.slope_y - q).ravel()])
    stated = float(np.sqrt(np.median(found.u_slope() ** 2)))
    assert 0.6 < float(np.std(errors)) / stated < 1.03


def test_three_lamps_of_three_colours_tell_slopes_in_one_exposure():
    # Each channel sees its lamp and a tenth of the next one's light: by hand, pictures = crosstalk · light.
    crosstalk = np.array([[1, 0.1, 0], [0, 1, 0.1], [0.05, 0, 1]])
    lamps = tuple(Light(c, from_angles(120 * k, 45), channel=c) for k, c in enumerate("rgb"))
    light = np.stack(matte(Lights(lamps), 0.1, 0.2), -1)
    picture = np.rint(light @ crosstalk.T).astype(np.uint8)
    found = relief_of([picture], Lights(lamps, crosstalk))
    assert (found.slope_x[5, 5], found.slope_y[5, 5]) == pytest.approx((0.1, 0.2), abs=0.008)
    without = relief_of([picture], Lights(lamps))
    assert np.hypot(without.slope_x[5, 5] - 0.1, without.slope_y[5, 5] - 0.2) > 0.02
    assert isinstance(relief_of([picture[:, :, 0]], Lights(lamps)), Reason)
    assert relief_of([picture, picture], Lights(lamps)).params["detail"].startswith("the shot has 2 pictures where")


def test_what_all_pictures_show_without_light_is_taken_off():
    pictures = [p + 20 for p in matte(ring(), 0.2, 0.1)]
    found = relief_of(pictures, Lights(ring().lights, black_level=20.0))
    assert (found.slope_x[5, 5], found.slope_y[5, 5]) == pytest.approx((0.2, 0.1), abs=1e-5)


def test_a_composite_shows_raised_detail_bright_and_sunken_detail_dark():
    y, x = np.mgrid[:150, :200].astype(float)
    bumps = [(50, 75, 1.0), (150, 75, -1.0)]
    z = [h * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 18) for cx, cy, h in bumps]
    p = sum(-(x - cx) / 9 * one for (cx, _, _), one in zip(bumps, z, strict=True))
    q = sum((y - cy) / 9 * one for (_, cy, _), one in zip(bumps, z, strict=True))
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)
    pictures = [(180 * np.tensordot(light.direction, n, 1)).astype(np.float32) for light in ring().lights]
    found = relief_of(pictures, ring(), feature_px=7.0, noise=0.1, register=False)
    ground = 0.25 * 65535
    assert found.raised[75, 50] > 60000 > found.sunken[75, 50]
    assert found.sunken[75, 150] > 60000 > found.raised[75, 150]
    assert np.median(found.raised) == pytest.approx(ground, rel=0.01)
    assert np.median(found.sunken) == pytest.approx(ground, rel=0.01)


def test_pictures_that_hold_no_numbers_are_refused():
    pictures = matte(ring(), 0.2, 0.1)
    pictures[2][5, 5] = np.nan
    assert relief_of(pictures, ring()).params["detail"] == "the shot holds values that are not numbers"
