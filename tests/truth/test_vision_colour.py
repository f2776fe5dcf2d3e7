"""Colour against CIE's own formulae, published values of sRGB, and scikit-image as a witness."""

import numpy as np
import pytest
from skimage.color import rgb2lab

from tiepoint.foundation.errors import UnusableInput
from tiepoint.vision.colour import XYZ_FROM_RGB, lab_of, light_table, lightness

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
