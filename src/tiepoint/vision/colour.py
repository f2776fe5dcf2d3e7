"""Colour of pictures after CIE: light, CIELAB, and how far two colours are apart.

Pictures of cameras are taken as sRGB (IEC 61966-2-1:1999: its curve, primaries and white D65), or as linear in light
where a camera is set so. White has all three channels at their end: a grey has a* = b* = 0 exactly, because the white
is the row sums of the standard's matrix and not a white of more digits. A camera is no colorimeter: its filters are not
the standard observer's, so these are colours of that camera under that lamp, good for comparing like with like.
"""

from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Encoding = Literal["sRGB", "linear"]

XYZ_FROM_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""IEC 61966-2-1:1999, eq. 7; luminance is its second row."""
KNEE = (6 / 29) ** 3
"""CIE 15:2018, 8.2.1: below this share of the white the cube root gives way to a straight line."""
STEPS = 16384
"""Steps of the table of lightness: between two of them it bends by less than 3e-5."""


def light_table(levels: int, encoding: Encoding = "sRGB") -> Array:
    """Return the share of the white's light (levels,), 0 to 1, for each grey level (IEC 61966-2-1:1999, eq. 5, 6)."""
    encoded = np.arange(levels) / (levels - 1)
    if encoding == "linear":
        return encoded
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def lightness(rgb: NDArray[Any]) -> Floats:
    """Return CIE 1976 lightness L*, 0 to 100, (rows, cols) of an sRGB picture (rows, cols, 3), uint8 or uint16.

    Raises `UnusableInput` for other pictures.
    """
    checked = _checked(rgb)
    light = light_table(np.iinfo(checked.dtype).max + 1)[:, None] * XYZ_FROM_RGB[1] * STEPS
    table = (116 * _compressed(np.arange(STEPS + 2) / STEPS) - 16).astype(np.float32)
    out = np.empty(checked.shape[:2], np.float32)
    _look_up(checked, light.astype(np.float32), table, out)
    return out


def lab_of(light: Array) -> Array:
    """Return L*, a*, b* (..., 3) of light (..., 3) in shares of the white, by red, green and blue (CIE 15:2018, 8.2.1).

    Shares above 1 and, as noise makes them, below 0 are carried on by the same formulae.
    """
    relative = light @ (XYZ_FROM_RGB / XYZ_FROM_RGB.sum(axis=1, keepdims=True)).T
    x, y, z = np.moveaxis(_compressed(relative), -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def _compressed(share: Array) -> Array:
    straight = share / (3 * (6 / 29) ** 2) + 4 / 29
    return np.where(share > KNEE, np.cbrt(share), straight)


def _checked(rgb: NDArray[Any]) -> NDArray[Any]:
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype not in (np.uint8, np.uint16):
        raise UnusableInput(
            f"a picture of {rgb.dtype} and shape {rgb.shape} has no colour that is known; give 8 or 16 bit red, green "
            "and blue"
        )
    return rgb


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up(rgb: NDArray[Any], light: Floats, table: Floats, out: Floats) -> None:
    """Fill L* (rows, cols): `light` (levels, 3) is each channel's part of the luminance, in steps of `table`."""
    last = table.size - 2
    for row in range(rgb.shape[0]):
        for col in range(rgb.shape[1]):
            at = light[rgb[row, col, 0], 0] + light[rgb[row, col, 1], 1] + light[rgb[row, col, 2], 2]
            k = min(int(at), last)
            out[row, col] = table[k] + (at - np.float32(k)) * (table[k + 1] - table[k])
