"""Colour against CIE's own formulae, published values of sRGB, and scikit-image as a witness."""

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from tiepoint.foundation.errors import UnusableInput
from tiepoint.vision.colour import XYZ_FROM_RGB, delta_e00, lab_of, light_table, lightness, patch_of, spread_of

EVERY_GREY = np.repeat(np.arange(256, dtype=np.uint8), 3).reshape(1, 256, 3)


def noise(shape: tuple[int, ...], dtype: type = np.uint8, seed: int = 4) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def test_curve_is_that_of_the_standard() -> None:
    # IEC 61966-2-1:1999, worked by hand: level 10 lies on the straight part (10/255/12.92), 128 on the power.
    table = light_table(256)
    assert table[[0, 10, 255]] == pytest.approx([0, 10 / 255 / 12.92, 1], abs=1e-15)
    assert table[128] == pytest.approx(((128 / 255 + 0.055) / 1.055) ** 2.4, rel=1e-12)
    assert np.all(np.diff(table) > 0)


@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        # The primaries and secondaries of sRGB in CIELAB under D65, as widely published (from memory, two decimals).
        ((255, 0, 0), (53.24, 80.09, 67.20)),
        ((0, 255, 0), (87.73, -86.18, 83.18)),
        ((0, 0, 255), (32.30, 79.19, -107.86)),
        ((255, 255, 0), (97.14, -21.55, 94.48)),
        ((0, 255, 255), (91.11, -48.09, -14.13)),
        ((255, 0, 255), (60.32, 98.23, -60.82)),
        ((255, 255, 255), (100.0, 0.0, 0.0)),
    ],
)
def test_primaries(rgb: tuple[int, ...], lab: tuple[float, ...]) -> None:
    # 0.03 is what the published values differ by for their whites of five digits.
    assert lab_of(light_table(256)[list(rgb)]) == pytest.approx(lab, abs=0.03)


def test_scikit_image_says_the_same() -> None:
    rgb = noise((40, 50, 3))
    # Its matrix has more digits, and its white is not quite its matrix's: 0.03 at the most.
    assert lab_of(light_table(256)[rgb]) == pytest.approx(rgb2lab(rgb), abs=0.03)


def test_greys_are_grey() -> None:
    lab = lab_of(light_table(256)[EVERY_GREY])
    assert np.abs(lab[..., 1:]).max() < 1e-12


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_lightness_is_that_of_lab(dtype: type) -> None:
    rgb = noise((60, 80, 3), dtype)
    rgb[0] = np.linspace(0, np.iinfo(dtype).max // 20, 80)[:, None]  # dark ones too, where the cube root gives way
    told = lightness(rgb)
    assert told.dtype == np.float32
    assert told.shape == (60, 80)
    luminance = light_table(np.iinfo(dtype).max + 1)[rgb] @ XYZ_FROM_RGB[1]
    # CIE 15:2018, eq. 8.3 to 8.5, in its older form 903.3·Y below the knee (29³/3³ = 903.2963).
    exact = np.where(luminance > 216 / 24389, 116 * np.cbrt(luminance) - 16, 24389 / 27 * luminance)
    assert told == pytest.approx(exact, abs=5e-5)


def test_lightness_ends_at_black_and_white() -> None:
    ends = lightness(np.array([[[0, 0, 0], [255, 255, 255]]], np.uint8))
    assert ends[0] == pytest.approx([0, 100], abs=1e-4)


@pytest.mark.parametrize("picture", [np.zeros((4, 5), np.uint8), np.zeros((4, 5, 3), np.float32), np.zeros((4, 5, 4))])
def test_what_has_no_colour_is_refused(picture: np.ndarray) -> None:
    with pytest.raises(UnusableInput, match="has no colour that is known; give 8 or 16 bit"):
        lightness(picture)


# Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and
# mathematical observations", Color Research & Application 30 (2005), table 1: L1 a1 b1 L2 a2 b2 ΔE00 (typed from
# memory; scikit-image's own formula below vouches for each line).
PAIRS = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
TABLE = np.array([line.split() for line in PAIRS.strip().splitlines()], float)


def test_the_published_pairs() -> None:
    assert len(TABLE) == 34
    first, second, published = TABLE[:, :3], TABLE[:, 3:6], TABLE[:, 6]
    assert delta_e00(first, second) == pytest.approx(published, abs=5.1e-5)
    assert delta_e00(second, first) == pytest.approx(published, abs=5.1e-5)
    assert deltaE_ciede2000(first, second) == pytest.approx(published, abs=5.1e-5)


def test_scikit_image_tells_the_same_difference() -> None:
    rng = np.random.default_rng(8)
    first, far = rng.uniform([0, -100, -100], [100, 100, 100], (2, 5000, 3))
    near = first + rng.normal(0, 2, first.shape)
    for second in (near, far):
        assert delta_e00(first, second) == pytest.approx(deltaE_ciede2000(first, second), abs=1e-10)


def test_a_colour_does_not_differ_from_itself() -> None:
    assert delta_e00(TABLE[:, :3], TABLE[:, :3]).max() == 0.0


# --- the light of a region ------------------------------------------------------------------------------------------

SURFACE = np.array([150.0, 110.0, 60.0])
"""Grey levels of a surface; not whole, in what follows."""


def pictured(
    rng: np.random.Generator, noise: float, shape: tuple[int, int] = (60, 72), fall: float = 0.0
) -> np.ndarray:
    """Return a surface under light that falls off along x by `fall` levels, with noise, in whole levels."""
    x = np.linspace(-0.5, 0.5, shape[1])[None, :, None] * fall
    return np.clip(np.rint(SURFACE + 0.37 + x + rng.normal(0, noise, (*shape, 3))), 0, 255).astype(np.uint8)


def expected_light(noise: float) -> np.ndarray:
    """Return the mean light of the surface: its curve, averaged over Gaussian noise by quadrature."""
    z = np.linspace(-6, 6, 4001)
    weight = np.exp(-(z**2) / 2) / np.exp(-(z**2) / 2).sum()
    encoded = (SURFACE + 0.37 + noise * z[:, None]) / 255
    return weight @ ((encoded + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1, far above its straight part


@pytest.mark.parametrize("fall", [0.0, 12.0])
def test_the_mean_light_keeps_its_interval(fall: float) -> None:
    # 400 pictures, three channels: errors over u have unit spread (its own sampling deviation is 1/√2400 = 0.02, and
    # Student's t of 50 degrees of freedom is 1.02 wide); light that falls off evenly adds nothing to u.
    rng, looked, over = np.random.default_rng(3), np.ones((60, 72), bool), []
    true = expected_light(3.0)
    for _ in range(400):
        patch = patch_of(pictured(rng, 3.0, fall=fall), looked)
        over.append((patch.light - true) / np.sqrt(np.diag(patch.covariance)))
    if fall:
        # The curve bends over the region: what the quadrature above did not count is taken off.
        over -= np.mean(over, axis=0)
    assert np.sqrt(np.mean(np.square(over))) == pytest.approx(1.0, abs=0.08)


def test_u_is_that_of_independent_pixels() -> None:
    # Closed form: σ·(dlight/dlevel)/√n.
    rng, looked, n = np.random.default_rng(5), np.ones((60, 72), bool), 60 * 72
    slope = 2.4 / 1.055 / 255 * ((SURFACE / 255 + 0.055) / 1.055) ** 1.4
    told = np.mean([np.diag(patch_of(pictured(rng, 3.0), looked).covariance) for _ in range(60)], axis=0)
    assert np.sqrt(told) == pytest.approx(3.0 * slope / np.sqrt(n), rel=0.06)


def test_without_noise_rounding_is_what_is_left() -> None:
    flat = pictured(np.random.default_rng(0), 0.0)
    patch = patch_of(flat, np.ones(flat.shape[:2], bool))
    level = 2.4 / 1.055 / 255 * ((SURFACE / 255 + 0.055) / 1.055) ** 1.4
    assert patch.u_rounding == pytest.approx(level / np.sqrt(12), rel=1e-2)
    assert np.abs(patch.light - expected_light(0.0)).max() < (np.sqrt(3) * patch.u_rounding).max()
    noisy = patch_of(pictured(np.random.default_rng(0), 1.0), np.ones(flat.shape[:2], bool))
    assert noisy.u_rounding.max() < 1e-8 * patch.u_rounding.max()


def test_texture_counts_as_noise() -> None:
    # Stripes 6 px wide: averages over 4-pixel blocks see them, so u is far above that of single pixels.
    rng, looked = np.random.default_rng(2), np.ones((60, 72), bool)
    plain = pictured(rng, 1.0)
    striped = plain.astype(int)
    striped[:, (np.arange(72) // 6) % 2 == 0] += 10
    u = [np.sqrt(patch_of(p.astype(np.uint8), looked).covariance[0, 0]) for p in (plain, striped)]
    assert u[1] > 5 * u[0]


def test_pixels_at_the_ends_are_counted() -> None:
    rng, looked = np.random.default_rng(2), np.ones((60, 72), bool)
    picture = pictured(rng, 2.0)
    before = patch_of(picture, looked)
    picture[:3] = 255
    picture[3:5, :, 2] = 0
    patch = patch_of(picture, looked)
    assert (patch.cut_off, patch.dark) == pytest.approx((3 / 60, 2 / 60))
    assert patch.count == 57 * 72
    assert patch.light[:2] == pytest.approx(before.light[:2], abs=4e-4)
    assert patch_of(np.full((60, 72, 3), 255, np.uint8), looked).dof == 0


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_spread_is_the_rms_distance(dtype: type) -> None:
    rng, gain = np.random.default_rng(2), np.array([1.1, 0.9, 1.3])
    rgb = (pictured(rng, 8.0).astype(np.uint16) * (257 if dtype is np.uint16 else 1)).astype(dtype)
    looked = rng.random(rgb.shape[:2]) < 0.7
    patch = patch_of(rgb, looked)
    about = lab_of(gain * patch.light)
    pixels = lab_of(gain * light_table(np.iinfo(dtype).max + 1)[rgb[looked]])
    spread, u = spread_of(rgb, looked, gain, about)
    assert spread == pytest.approx(np.sqrt(((pixels - about) ** 2).sum(axis=1).mean()), rel=1e-12)
    # Of independent pixels: half the deviation of the squares over the root of their number, over the spread.
    squares = ((pixels - about) ** 2).sum(axis=1)
    assert u == pytest.approx(squares.std() / np.sqrt(len(squares)) / 2 / spread, rel=0.35)
