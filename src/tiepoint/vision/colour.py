"""Colour of pictures after CIE: light, CIELAB, and how far two colours are apart.

Pictures of cameras are taken as sRGB (IEC 61966-2-1:1999: its curve, primaries and white D65), or as linear in light
where a camera is set so. White has all three channels at their end: a grey has a* = b* = 0 exactly, because the white
is the row sums of the standard's matrix and not a white of more digits. A camera is no colorimeter: its filters are not
the standard observer's, so these are colours of that camera under that lamp, good for comparing like with like.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]
Encoding = Literal["sRGB", "linear"]

XYZ_FROM_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""IEC 61966-2-1:1999, eq. 7; luminance is its second row."""
KNEE = (6 / 29) ** 3
"""CIE 15:2018, 8.2.1: below this share of the white the cube root gives way to a straight line."""
LEAST_BLOCK_PX = 4
"""Noise of cameras with a colour mosaic is alike over two or three pixels: smaller blocks would not be independent."""
BLOCKS = 8
"""Blocks along the longer side of a region: enough for fifty degrees of freedom, coarse enough for most textures."""
LEAST_BLOCKS = 6
"""A plane through their means takes three."""
STEPS = 16384
"""Steps of the table of lightness: between two of them it bends by less than 3e-5."""


def light_table(levels: int, encoding: Encoding = "sRGB", white: float | None = None) -> Array:
    """Return the share of the white's light (levels,) for each grey level (IEC 61966-2-1:1999, eq. 5, 6).

    `white`: the level of the white, the last one by default; its share is 1.
    """
    encoded = np.arange(levels) / (levels - 1 if white is None else white)
    if encoding == "linear":
        return encoded
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def lightness(rgb: NDArray[Any], white: float | None = None) -> Floats:
    """Return CIE 1976 lightness L*, 0 to 100, (rows, cols) of an sRGB picture (rows, cols, 3), uint8 or uint16.

    `white`: the upper end of its scale, that of its type by default.
    Raises `UnusableInput` for other pictures.
    """
    checked = _checked(rgb)
    light = light_table(np.iinfo(checked.dtype).max + 1, white=white)[:, None] * XYZ_FROM_RGB[1] * STEPS
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


def delta_e00(first: Array, second: Array) -> Array:
    """Return the CIEDE2000 difference (...) of colours L*, a*, b* (..., 3), with all parametric factors 1.

    After Sharma, Wu and Dalal, Color Research & Application 30 (2005), eq. 2 to 22, who say how the hues of greys and
    of hues half a turn apart are to be taken.
    """
    (L1, a1, b1), (L2, a2, b2) = np.moveaxis(first, -1, 0), np.moveaxis(second, -1, 0)
    G = 0.5 * (1 - _seventh((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2))
    a1, a2 = (1 + G) * a1, (1 + G) * a2
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.arctan2(b1, a1) % math.tau, np.arctan2(b2, a2) % math.tau
    is_grey = C1 * C2 == 0
    dh = np.where(is_grey, 0.0, _halfway(h2 - h1))
    dL, dC, dH = L2 - L1, C2 - C1, 2 * np.sqrt(C1 * C2) * np.sin(dh / 2)
    L, C = (L1 + L2) / 2, (C1 + C2) / 2
    far = np.abs(h1 - h2) > math.pi
    h = np.where(is_grey, h1 + h2, (h1 + h2) / 2 + np.where(far, np.where(h1 + h2 < math.tau, math.pi, -math.pi), 0.0))
    cosines = zip((-0.17, 0.24, 0.32, -0.20), (1, 2, 3, 4), (-30, 0, 6, -63), strict=True)
    T = 1 + sum(share * np.cos(k * h + math.radians(by)) for share, k, by in cosines)
    turn = math.radians(60) * np.exp(-(((np.degrees(h) - 275) / 25) ** 2))
    S_L = 1 + 0.015 * (L - 50) ** 2 / np.sqrt(20 + (L - 50) ** 2)
    l, c, d = dL / S_L, dC / (1 + 0.045 * C), dH / (1 + 0.015 * C * T)
    square = l**2 + c**2 + d**2 - 2 * _seventh(C) * np.sin(turn) * c * d
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _seventh(chroma: Array) -> Array:
    """Return √(C⁷/(C⁷ + 25⁷))."""
    return np.asarray(np.sqrt(chroma**7 / (chroma**7 + 25.0**7)))


def _halfway(turn: Array) -> Array:
    """Return the difference of two hues within half a turn, which itself keeps its sign."""
    return np.where(np.abs(turn) <= math.pi, turn, turn - math.tau * np.sign(turn))


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


@dataclass(frozen=True)
class Patch:
    """The light of a region, in shares of the white, by red, green and blue.

    `light` (3,): its mean, of `covariance` (3, 3) with `dof`, from the scatter of block means about a plane: so noise
    averages out as far as it does, a texture counts as noise, and light that falls off evenly does not. `u_rounding`
    (3,): standard uncertainty by whole grey levels. `cut_off` and `dark`: the share of pixels at the upper and at the
    lower end of some channel; those at the upper end are left out of all the rest. `count`: pixels that are left.
    """

    light: Array
    covariance: Array
    dof: float
    u_rounding: Array
    cut_off: float
    dark: float
    count: int


@dataclass(frozen=True)
class Scale:
    """How grey levels follow the light: by an `encoding`, up to `white`, saturated from `full` on; by default both are
    the largest level that the type can hold.
    """

    encoding: Encoding = "sRGB"
    white: float | None = None
    full: float | None = None

    def read(self, rgb: NDArray[Any]) -> tuple[Array, int]:
        """Return the table of light, and the level from which on a channel is cut off."""
        most = int(np.iinfo(rgb.dtype).max)
        return light_table(most + 1, self.encoding, self.white), most if self.full is None else int(self.full)


SRGB = Scale()


def patch_of(rgb: NDArray[Any], looked: Bools, scale: Scale = SRGB) -> Patch:
    """Return the light of the pixels (rows, cols, 3), uint8 or uint16, that are `looked` at (rows, cols).

    Where too few blocks hold any that are not cut off, there is no `dof` and no covariance (NaN). Raises
    `UnusableInput` for other pictures.
    """
    checked = _checked(rgb)
    table, top = scale.read(checked)
    blocks, levels = np.zeros((_count(looked.shape), 6)), np.zeros(9)
    _gather(checked, looked, table, top, _side(looked.shape), blocks, levels)
    blocks = blocks[blocks[:, 0] > 0]
    n, whole, count = blocks[:, 0], max(float(levels[0]), 1.0), float(blocks[:, 0].sum())
    cut_off, dark = 1 - count / whole, float(levels[1]) / whole
    if len(blocks) < LEAST_BLOCKS:
        return Patch(np.full(3, np.nan), np.full((3, 3), np.nan), 0.0, np.zeros(3), cut_off, dark, int(count))
    mean, dof = blocks[:, 1:].sum(axis=0) / count, float(len(blocks) - 3)
    about = blocks[:, 1:] / n[:, None] - mean
    scatter = _about_plane(about[:, :2], about[:, 2:], n)
    middle = levels[3:6] / count
    deviation = np.sqrt(np.maximum(levels[6:] / count - middle**2, 0.0))
    return Patch(
        light=mean[2:],
        covariance=scatter / dof / count,
        dof=dof,
        u_rounding=_rounding(middle, deviation, table),
        cut_off=cut_off,
        dark=dark,
        count=int(count),
    )


def spread_of(rgb: NDArray[Any], looked: Bools, gain: Array, about: Array, scale: Scale = SRGB) -> tuple[float, float]:
    """Return the rms distance ΔE*ab of single pixels from a colour L*, a*, b* (3,), and its standard uncertainty.

    Of the same pixels as in `patch_of`; `gain` (3,) stands before their light. The uncertainty is from the scatter of
    block means, as there.
    """
    checked = _checked(rgb)
    table, top = scale.read(checked)
    matrix = XYZ_FROM_RGB / XYZ_FROM_RGB.sum(axis=1, keepdims=True) * gain
    blocks = np.zeros((_count(looked.shape), 2))
    _square_distances(checked, looked, table, top, matrix, about, _side(looked.shape), blocks)
    n, total = blocks[blocks[:, 0] > 0].T
    square = float(total.sum() / n.sum())
    u_square = math.sqrt(float(n @ (total / n - square) ** 2) / max(len(n) - 1, 1) / float(n.sum()))
    spread = math.sqrt(square)
    return spread, u_square / (2 * spread) if spread > 0 else 0.0


def _side(shape: tuple[int, ...]) -> int:
    return max(LEAST_BLOCK_PX, -(-max(shape) // BLOCKS))


def _count(shape: tuple[int, ...]) -> int:
    side = _side(shape)
    return -(-shape[0] // side) * -(-shape[1] // side)


def _about_plane(places: Array, means: Array, n: Array) -> Array:
    """Return Σ n·r·rᵀ (3, 3) of the residuals of block means (b, 3) of n pixels each about planes over their places."""
    root = np.sqrt(n)[:, None]
    design = np.column_stack([np.ones(len(places)), places]) * root
    residual = means * root - design @ np.linalg.lstsq(design, means * root, rcond=None)[0]
    return np.asarray(residual.T @ residual)


def _rounding(middle: Array, deviation: Array, table: Array) -> Array:
    """Return the standard uncertainty (3,) in light by which rounding to whole levels shifts a mean.

    1/√12 of a level where all pixels are alike, and less by exp(−2π²s²) where they scatter by s levels, the size of the
    first harmonic of the shift (Widrow and Kollár, Quantization Noise, 2008; from memory).
    """
    near = np.rint(middle).astype(int)
    level = (table[np.minimum(near + 1, len(table) - 1)] - table[np.maximum(near - 1, 0)]) / 2
    return np.asarray(level / math.sqrt(12) * np.exp(-2 * (math.pi * deviation) ** 2))


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(rgb: NDArray[Any], looked: Bools, table: Array, top: int, side: int, blocks: Array, levels: Array) -> None:
    """Sum up, by block, pixels that are not cut off: their number, x, y and light; and of all of them, in `levels`: how
    many are looked at, how many are dark, none, then the sums of grey levels and of their squares by channel."""
    across = -(-rgb.shape[1] // side)
    for row in range(rgb.shape[0]):
        for col in range(rgb.shape[1]):
            if not looked[row, col]:
                continue
            r, g, b = rgb[row, col, 0], rgb[row, col, 1], rgb[row, col, 2]
            levels[0] += 1
            if min(r, g, b) == 0:
                levels[1] += 1
            if max(r, g, b) >= top:
                continue
            block = blocks[row // side * across + col // side]
            block[0] += 1
            block[1] += col
            block[2] += row
            for k in range(3):
                level = float(rgb[row, col, k])
                block[3 + k] += table[rgb[row, col, k]]
                levels[3 + k] += level
                levels[6 + k] += level * level


@njit(cache=True, nogil=True, error_model="numpy")
def _square_distances(
    rgb: NDArray[Any], looked: Bools, table: Array, top: int, matrix: Array, about: Array, side: int, blocks: Array
) -> None:
    """Sum up, by block, pixels that are not cut off and their square distances from a colour `about` (3,)."""
    across = -(-rgb.shape[1] // side)
    f = np.empty(3)
    for row in range(rgb.shape[0]):
        for col in range(rgb.shape[1]):
            r, g, b = rgb[row, col, 0], rgb[row, col, 1], rgb[row, col, 2]
            if not looked[row, col] or max(r, g, b) >= top:
                continue
            for k in range(3):
                share = matrix[k, 0] * table[r] + matrix[k, 1] * table[g] + matrix[k, 2] * table[b]
                f[k] = np.cbrt(share) if share > KNEE else share * (841 / 108) + 4 / 29
            dL, da, db = 116 * f[1] - 16 - about[0], 500 * (f[0] - f[1]) - about[1], 200 * (f[1] - f[2]) - about[2]
            block = blocks[row // side * across + col // side]
            block[0] += 1
            block[1] += dL * dL + da * da + db * db


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up(rgb: NDArray[Any], light: Floats, table: Floats, out: Floats) -> None:
    """Fill L* (rows, cols): `light` (levels, 3) is each channel's part of the luminance, in steps of `table`."""
    last = table.size - 2
    for row in range(rgb.shape[0]):
        for col in range(rgb.shape[1]):
            at = light[rgb[row, col, 0], 0] + light[rgb[row, col, 1], 1] + light[rgb[row, col, 2], 2]
            k = min(int(at), last)
            out[row, col] = table[k] + (at - np.float32(k)) * (table[k + 1] - table[k])
