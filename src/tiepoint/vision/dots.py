"""Where a dot's centre is: a maximum-likelihood fit of its rim to the picture's own pixels.

A tilted circle looks like an ellipse whose centre is *not* the picture of the circle's centre, but off by
f·r²·sin α·cos α/Z², a quarter of a pixel in ordinary set-ups (Heikkilä, PAMI 22, 2000, from memory). So the
rim is fitted against a template: a smooth map from picture to page in which the dot is the unit circle. Where
the map is the true one (a first tie), its centre is the picture of the dot's centre and nothing is left to
correct; where it is only affine (no tie yet), the fit gives the ellipse and `rim_shift_px` tells how far the
picture of the centre is from its middle.

Fitted: shift (2), growth of the rim (ink that spreads) and its two-fold change round the rim (a template of
slightly wrong shape), both levels and the blur. What a rim says about these others does not touch its
centre: they are even round the rim, a shift is odd.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.erf import erf_and_slope
from tiepoint.vision.normal_equations import (
    FITTED,
    NOT_CONVERGED,
    STOP_PX,
    SUMS,
    TOO_FEW_PIXELS,
    advance,
    conclude,
    covariances,
    gram,
    levels,
)

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Picture = NDArray[Any]

TERMS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
"""Powers (i, j) of the template's polynomial in u, v: pixel offsets from the centre over the dot's size."""


@dataclass(frozen=True)
class Rims:
    """What is known of n dots before the fit.

    `xy_px` (n, 2): the template's centre; `size_px` (n,): a radius that scales pixel offsets; `template`
    (n, 2, 10): page coordinates in dot radii as polynomials (`TERMS`) of those scaled offsets; `band_px` (n,)
    on both sides of the rim; `slopes` (n, 2, 2): of the middle level and of the half step, in grey per px.
    """

    xy_px: Array
    size_px: Array
    template: Array
    band_px: Array
    slopes: Array

    def part(self, some: slice) -> "Rims":
        """Return some of the dots."""
        return Rims(self.xy_px[some], self.size_px[some], self.template[some], self.band_px[some], self.slopes[some])


@dataclass(frozen=True)
class DotFits:
    """n fitted dots; `status` (n,), of `normal_equations`, says which can be used.

    `xy_px` (n, 2): the template's centre where the rim puts it; `cov_px2` (n, 2, 2); `growth_px` (n, 3): the
    rim outside of the template, and its cos 2φ and sin 2φ parts (φ: direction of the rim's normal); `level`
    and `swing` (n,): middle of both levels and half of the step (positive: a dark dot); `blur_px` (n,) with
    the pixel's own width; `noise` (n,), `pixels` (n,).
    """

    xy_px: Array
    cov_px2: Array
    growth_px: Array
    level: Array
    swing: Array
    blur_px: Array
    noise: Array
    pixels: NDArray[np.int64]
    status: NDArray[np.int64]


def affine_template(axes_px: Array) -> tuple[Array, Array]:
    """Return size (n,) and template (n, 2, 10) of ellipses given by (n, 2, 2) symmetric `axes_px`.

    `axes_px` is the matrix whose eigenvalues are the semi-axes: the ellipse is its picture of the unit circle.
    """
    size = np.sqrt(np.linalg.det(axes_px))
    template = np.zeros((len(size), 2, len(TERMS)))
    template[:, :, 1:3] = np.linalg.inv(axes_px) * size[:, None, None]
    return size, template


def map_template(page_radii: Array, offsets_px: Array, size_px: Array) -> Array:
    """Return templates (n, 2, 10) from samples of a map: page (n, k, 2) in dot radii ↔ picture (n, k, 2) px.

    Both are offsets from the dot's centre. Least squares per dot over the k samples, which should surround
    the rim on both sides; a cubic leaves some 1e-4 px of a strong lens over a rim of 30 px.
    """
    u, v = np.moveaxis(offsets_px / size_px[:, None, None], 2, 0)
    design = np.stack([u**i * v**j for i, j in TERMS], axis=-1)
    transposed = np.swapaxes(design, 1, 2)
    return np.swapaxes(np.linalg.solve(transposed @ design, transposed @ page_radii), 1, 2)


def rim_shift_px(jacobian: Array, second: Array, radius: Array) -> Array:
    """Return how far (n, 2) the picture of each circle's centre lies from the middle of the ellipse it shows.

    A smooth map takes the rim to p0 + J·e·r + ½r²·(f_uu·cos² + 2f_uv·cos·sin + f_vv·sin²), e = (cos, sin).
    The least-squares ellipse through it, in the terms that `fit_dots` leaves free, is off by its shift.
    `jacobian` (n, 2, 2) has the columns f_u, f_v; `second` (n, 3, 2) is f_uu, f_uv, f_vv; `radius` (n,).
    """
    angle = np.arange(_RIM_SAMPLES) * (2 * np.pi / _RIM_SAMPLES)
    c, s = np.cos(angle), np.sin(angle)
    tangent = np.stack([-s, c]).T @ np.swapaxes(jacobian, 1, 2)
    length = np.linalg.norm(tangent, axis=2, keepdims=True)
    n = np.stack([tangent[..., 1], -tangent[..., 0]], axis=2) / length
    bend = np.stack([c * c / 2, c * s, s * s / 2]).T @ second * radius[:, None, None] ** 2
    across = (n * bend).sum(axis=2)
    terms = [n[..., 0], n[..., 1], np.ones_like(across), n[..., 0] ** 2 - n[..., 1] ** 2, n[..., 0] * n[..., 1]]
    design = np.stack(terms, axis=2) * np.sqrt(length)  # equal weight to equal lengths of rim
    right = across[..., None] * np.sqrt(length)
    transposed = np.swapaxes(design, 1, 2)
    return np.asarray(-np.linalg.solve(transposed @ design, transposed @ right)[:, :2, 0])


def fit_dots(
    picture: Picture,
    start: Rims,
    blur_px: float,
    *,
    rounds: int = 8,
    every: int = 1,
) -> DotFits:
    """Fit the rim of every dot of `start` in `picture` (h, w; u8, u16 or f32).

    `blur_px` is a first guess of the edge blur with the pixel's own width in it; `every` n-th pixel is used
    (a first pass over large dots needs no more). Nothing is raised: `status` says what became of a dot.
    """
    out = np.zeros((len(start.xy_px), _COLUMNS))
    _fit_all(
        picture,
        np.ascontiguousarray(start.xy_px, np.float64),
        np.ascontiguousarray(start.size_px, np.float64),
        np.ascontiguousarray(start.template, np.float64),
        np.ascontiguousarray(start.band_px, np.float64),
        np.ascontiguousarray(start.slopes, np.float64),
        float(blur_px),
        rounds,
        every,
        out,
    )
    counts = out[:, -2:].astype(np.int64)
    level, swing, blur, noise = out[:, 8:12].T
    return DotFits(out[:, :2], covariances(out), out[:, 5:8], level, swing, blur, noise, counts[:, 0], counts[:, 1])


_COLUMNS = 14
FEWEST_PIXELS = 30
_MANY_PIXELS, _COARSE = 500, 5
"""Of so many pixels every fifth is fitted first."""
_RIM_SAMPLES = 16


@njit(cache=True, nogil=True, error_model="numpy")
def _fit_all(
    picture: Picture,
    xy: Array,
    size: Array,
    template: Array,
    band: Array,
    slopes: Array,
    blur: float,
    rounds: int,
    every: int,
    out: Array,
) -> None:
    reach = 0.0
    for k in range(xy.shape[0]):
        reach = max(reach, _radii(template[k], size[k], band[k])[1])
    across = 2 * int(reach) + 3
    pixels = np.empty((6, across * across))
    part, rows = np.empty((6, across * across // _COARSE + 1)), np.empty((9, across * across))
    steps, near = every * np.arange(float(across)), np.empty(across, np.uint8)
    for k in range(xy.shape[0]):
        used = _collect(picture, xy[k], size[k], template[k], band[k], every, steps, near, pixels)
        _measure(template[k], size[k], used, pixels)
        _fit_one(pixels, used, slopes[k], blur, rounds, part, rows, out[k])
        out[k, 0] += xy[k, 0]
        out[k, 1] += xy[k, 1]


@njit(cache=True, nogil=True, error_model="numpy")
def _radii(template: Array, size: float, band: float) -> tuple[float, float]:
    """Return the radii between which every pixel lies that `_collect` counts as near.

    Semi-axes a ≥ b of the template's affine part; with ρ = 1 on the rim, |∇ρ²| is at most 2ρ/b. So |ρ² − 1| ≤
    2·band·ρ/b: ρ lies between √(1 + q²) − q and its inverse, q = band/b.
    """
    a, b, c, d = template[0, 1], template[0, 2], template[1, 1], template[1, 2]
    half = 0.5 * (a * a + b * b + c * c + d * d)
    rest = math.sqrt(max(half * half - (a * d - b * c) ** 2, 0.0))
    short, long = size / math.sqrt(half + rest), size / math.sqrt(max(half - rest, 1e-6))
    least = math.sqrt(1.0 + (band / short) ** 2) - band / short
    return short * least, long / least


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _measure(template: Array, size: float, used: int, pixels: Array) -> None:
    """Fill each pixel's signed distance to the rim (px, positive outside) and the rim's normal, to first order."""
    ax, ay = template[0], template[1]
    x0, xu, xv, xuu, xuv, xvv = ax[0], ax[1], ax[2], ax[3], ax[4], ax[5]
    y0, yu, yv, yuu, yuv, yvv = ay[0], ay[1], ay[2], ay[3], ay[4], ay[5]
    xuuu, xuuv, xuvv, xvvv = ax[6], ax[7], ax[8], ax[9]
    yuuu, yuuv, yuvv, yvvv = ay[6], ay[7], ay[8], ay[9]
    for i in range(used):
        u, v = pixels[0, i] / size, pixels[1, i] / size
        x = x0 + u * (xu + u * (xuu + u * xuuu) + v * (xuv + u * xuuv)) + v * (xv + v * (xvv + u * xuvv + v * xvvv))
        y = y0 + u * (yu + u * (yuu + u * yuuu) + v * (yuv + u * yuuv)) + v * (yv + v * (yvv + u * yuvv + v * yvvv))
        x_u = xu + u * (2 * xuu + 3 * u * xuuu) + v * (xuv + 2 * u * xuuv + v * xuvv)
        x_v = xv + u * (xuv + u * xuuv) + v * (2 * xvv + 2 * u * xuvv + 3 * v * xvvv)
        y_u = yu + u * (2 * yuu + 3 * u * yuuu) + v * (yuv + 2 * u * yuuv + v * yuvv)
        y_v = yv + u * (yuv + u * yuuv) + v * (2 * yvv + 2 * u * yuvv + 3 * v * yvvv)
        rho = math.sqrt(x * x + y * y)
        gu, gv = x * x_u + y * y_u, x * x_v + y * y_v
        steep = math.sqrt(gu * gu + gv * gv)
        pixels[3, i] = (rho - 1.0) * rho / steep * size
        pixels[4, i], pixels[5, i] = gu / steep, gv / steep


@njit(cache=True, nogil=True, error_model="numpy")
def _collect(
    picture: Picture, xy: Array, size: float, template: Array, band: float, every: int, steps: Array, near: Bytes,
    pixels: Array,
) -> int:  # fmt: skip
    """Gather the pixels near the rim: x, y (from the centre) and grey.

    `steps` are the multiples of `every`, `near` is scratch for a row.

    Near by the template's affine part and Sampson's distance |ρ² − 1|/|∇ρ²|: no root and no division, and
    which pixels are read may be decided roughly. The middle of a small dot, which has no direction, is left out.
    """
    inner, outer = _radii(template, size, band)
    cx, cy = xy[0], xy[1]
    count = 0
    height, width = picture.shape
    for y in range(max(math.ceil(cy - outer), 0), min(math.floor(cy + outer), height - 1) + 1):
        v = y - cy
        half = math.sqrt(max(outer * outer - v * v, 0.0))
        begin, end = max(math.ceil(cx - half), 0), min(math.floor(cx + half), width - 1) + 1
        if inner <= abs(v):
            count = _collect_run(picture, y, begin, end, cx, v, template, size, band, every, steps, near, pixels, count)
            continue
        hole = math.sqrt(inner * inner - v * v)
        left, right = min(math.floor(cx - hole) + 1, end), max(math.ceil(cx + hole), begin)
        count = _collect_run(picture, y, begin, left, cx, v, template, size, band, every, steps, near, pixels, count)
        count = _collect_run(picture, y, right, end, cx, v, template, size, band, every, steps, near, pixels, count)
    return count


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _collect_run(
    picture: Picture, y: int, begin: int, end: int, cx: float, v: float, template: Array, size: float, band: float,
    every: int, steps: Array, near: Bytes, pixels: Array, count: int,
) -> int:  # fmt: skip
    """Gather what is near the rim of a row's pixels from `begin` to before `end`; return how many there are now.

    Which are near is decided for all of them first, and then they are kept without a branch: the processor cannot
    foretell where a rim begins.
    """
    a, b, c, d = template[0, 1] / size, template[0, 2] / size, template[1, 1] / size, template[1, 2] / size
    # |∇ρ²| = 2·|AᵀA·(u, v)|
    uu, uv, vv = a * a + c * c, a * b + c * d, b * b + d * d
    limit = 4.0 * band * band
    begin += (every - (begin + 2 * y) % every) % every  # an oblique grid: no row or column is left out
    many = max((end - begin + every - 1) // every, 0)
    first = begin - cx
    for i in range(many):
        u = first + steps[i]
        gu, gv = uu * u + uv * v, uv * u + vv * v
        square = u * gu + v * gv
        off = square - 1.0
        near[i] = np.uint8(off * off <= limit * (gu * gu + gv * gv)) & np.uint8(square > 0.04)
    for i in range(many):
        pixels[0, count], pixels[1, count], pixels[2, count] = first + steps[i], v, picture[y, begin + every * i]
        count += near[i]
    return count


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _jacobian(pixels: Array, used: int, p: Array, slopes: Array, rows: Array) -> None:
    """Fill Jacobian rows and residuals.

    Parameters: shift x, y; growth, its cos 2φ and sin 2φ; middle level; half step; blur.
    """
    sx, sy, g0, g1, g2, m, a, w = p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7]
    mx, my, ax, ay = slopes[0, 0], slopes[0, 1], slopes[1, 0], slopes[1, 1]
    scale = 1.0 / (math.sqrt(2.0) * w)
    for i in range(used):
        x, y, nx, ny = pixels[0, i], pixels[1, i], pixels[4, i], pixels[5, i]
        c2, s2 = nx * nx - ny * ny, 2.0 * nx * ny
        d = pixels[3, i] - nx * sx - ny * sy - g0 - c2 * g1 - s2 * g2
        e, s = erf_and_slope(d * scale)
        step = a + ax * x + ay * y
        s *= -step * scale
        rows[0, i], rows[1, i], rows[2, i], rows[3, i], rows[4, i] = s * nx, s * ny, s, s * c2, s * s2
        rows[5, i], rows[6, i], rows[7, i] = 1.0, e, s * d / w
        rows[8, i] = pixels[2, i] - (m + mx * x + my * y + step * e)


@njit(cache=True, nogil=True, error_model="numpy")
def _fit_one(
    pixels: Array, used: int, slopes: Array, blur: float, rounds: int, part: Array, rows: Array, out: Array
) -> None:
    """Fit one rim; of many pixels a part is fitted first, which brings the fit next to where all of them take it."""
    p, step, normal = np.zeros(8), np.zeros(8), np.zeros((9, 9))
    out[-2], out[-1] = used, TOO_FEW_PIXELS
    if used < FEWEST_PIXELS:
        return
    out[-1] = NOT_CONVERGED
    if used >= _MANY_PIXELS:
        some = (used + _COARSE - 1) // _COARSE
        part[:, :some] = pixels[:, :used:_COARSE]
        _begin(part, some, slopes, blur, p, normal, rows)
        out[-1], _ = _settle(part, some, slopes, blur, rounds, p, step, normal, rows)
    if out[-1] != FITTED:
        _begin(pixels, used, slopes, blur, p, normal, rows)
    out[-1], total = _settle(pixels, used, slopes, blur, rounds, p, step, normal, rows)
    if math.isnan(total):
        return
    out[5:11] = p[2:]
    conclude(normal, p, step, total, math.hypot(p[0], p[1]), blur, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _begin(pixels: Array, used: int, slopes: Array, blur: float, p: Array, normal: Array, rows: Array) -> None:
    """Set the parameters to where nothing is known of the dot: the template's place and size, the guess of the blur."""
    p[:] = 0.0
    p[7] = blur
    _jacobian(pixels, used, p, slopes, rows)
    gram(rows, used, normal)
    levels(normal, p, 5)


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(
    pixels: Array, used: int, slopes: Array, blur: float, rounds: int, p: Array, step: Array, normal: Array, rows: Array
) -> tuple[int, float]:
    """Take Gauss-Newton steps until they are small; return what became of it, and the squares left (NaN: no step)."""
    total = 0.0
    for _ in range(rounds):
        _jacobian(pixels, used, p, slopes, rows)
        gram(rows, used, normal)
        size, total = advance(normal, p, step, 8, 3, blur)
        if math.isnan(size):
            return NOT_CONVERGED, math.nan
        if size < STOP_PX:
            return FITTED, total
    return NOT_CONVERGED, total
