"""Where two edges cross: the maximum-likelihood fit of a saddle corner to the picture's own pixels.

Parametric corner models go back to Rohr (Recognizing corners by fitting parametric models, IJCV 9, 1992;
from memory). Ours is the product of two blurred edges,

    I(x) = m + a·erf(d1/√2w)·erf(d2/√2w),   d_i = n_i·(x−c) − ½k_i·(t_i·(x−c))²,

with unknown crossing c, directions of both lines, m, a and w. For right-angled lines it is exact; for sheared
ones picture and model are both point-symmetric about c, which keeps c unbiased. We depart from the paper in
what is *not* fitted here: the curvature k of the lines comes from a first tie (fitted locally it would cost
more than half of the precision), and the slope of the light from the levels of all corners together.

Only pixels near a line are read, so that the cost grows with the reach and not with its square, and so that
what is printed inside the squares stays outside.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.erf import erf_and_slope

Array = NDArray[np.float64]
Picture = NDArray[Any]

FITTED, TOO_FEW_PIXELS, NOT_CONVERGED, WANDERED = range(4)
"""What became of a corner. Only `FITTED` ones carry numbers to rely on."""

_STOP_PX = 0.008
"""Gauss-Newton stops after a step below this: the error left is of the order of its square."""


@dataclass(frozen=True)
class Crossings:
    """What is known of n corners before the fit, in pixels.

    `xy_px` (n, 2) start; `tangents` (n, 2, 2) unit directions of the two lines, [:, i] of line i;
    `curvature` (n, 2) of each line in 1/px, positive where it bends towards its normal (−t_y, t_x);
    `reach_px` (n,) along the lines; `band_px` (n,) across them; `slopes` (n, 2, 2) of the levels m and a.
    """

    xy_px: Array
    tangents: Array
    curvature: Array
    reach_px: Array
    band_px: Array
    slopes: Array


@dataclass(frozen=True)
class CornerFits:
    """n fitted corners. `status` (n,) says which can be used.

    `xy_px` (n, 2); `cov_px2` (n, 2, 2) = s²(JᵀJ)⁻¹ with s from the corner's own residuals; `level` and `swing`
    (n,) are m and a in grey levels (|a| is half the contrast; its sign tells which quadrants are dark);
    `blur_px` (n,) includes the pixel's own width; `noise` (n,) = s; `pixels` (n,) that were used.
    """

    xy_px: Array
    cov_px2: Array
    level: Array
    swing: Array
    blur_px: Array
    noise: Array
    pixels: NDArray[np.int64]
    status: NDArray[np.int64]


def crossings(xy_px: Array, tangents: Array, reach_px: Array, band_px: Array) -> Crossings:
    """Return straight-lined crossings under even light."""
    n = len(xy_px)
    return Crossings(xy_px, tangents, np.zeros((n, 2)), reach_px, band_px, np.zeros((n, 2, 2)))


def fit_corners(picture: Picture, start: Crossings, blur_px: float, *, rounds: int = 6) -> CornerFits:
    """Fit every corner of `start` in `picture` (h, w; u8, u16 or f32).

    `blur_px` is a first guess of the edge blur with the pixel's own width in it. Where a corner cannot be
    fitted (outside, hidden, another thing) its `status` says so; nothing is raised.
    """
    n = len(start.xy_px)
    out = np.zeros((n, _COLUMNS))
    _fit_all(
        picture,
        np.ascontiguousarray(start.xy_px, np.float64),
        np.ascontiguousarray(start.tangents, np.float64),
        np.ascontiguousarray(start.curvature, np.float64),
        np.ascontiguousarray(start.reach_px, np.float64),
        np.ascontiguousarray(start.band_px, np.float64),
        np.ascontiguousarray(start.slopes, np.float64),
        float(blur_px),
        rounds,
        out,
    )
    cov = np.stack([out[:, [2, 3]], out[:, [3, 4]]], axis=1)
    counts = out[:, 9:11].astype(np.int64)
    return CornerFits(out[:, :2], cov, out[:, 5], out[:, 6], out[:, 7], out[:, 8], counts[:, 0], counts[:, 1])


_COLUMNS = 11


@njit(cache=True, nogil=True)
def _fit_all(
    picture: Picture,
    xy: Array,
    tangents: Array,
    curvature: Array,
    reach: Array,
    band: Array,
    slopes: Array,
    blur: float,
    rounds: int,
    out: Array,
) -> None:
    side = 2 * math.ceil(reach.max()) + 3 if reach.size else 0
    pixels = np.empty((3, side * side, 4))
    for k in range(xy.shape[0]):
        known = np.empty(10)
        known[0:2] = tangents[k, 0]
        known[2:4] = tangents[k, 1]
        known[4:6] = curvature[k]
        known[6:8] = slopes[k, 0]
        known[8:10] = slopes[k, 1]
        x0, y0 = np.round(xy[k, 0]), np.round(xy[k, 1])
        counts = _collect(picture, x0, y0, xy[k, 0] - x0, xy[k, 1] - y0, known, reach[k], band[k], blur, pixels)
        _fit_one(pixels, counts, xy[k, 0] - x0, xy[k, 1] - y0, known, blur, rounds, out[k])
        out[k, 0] += x0
        out[k, 1] += y0


@njit(cache=True, nogil=True)
def _span(offset: float, along: float, band: float) -> tuple[float, float]:
    """Solve |along·x + offset| ≤ band for x; an empty span where there is none."""
    if abs(along) < 1e-9:
        return (-1e9, 1e9) if abs(offset) <= band else (1.0, -1.0)
    a, b = (-band - offset) / along, (band - offset) / along
    return min(a, b), max(a, b)


@njit(cache=True, nogil=True)
def _collect(
    picture: Picture,
    x0: float,
    y0: float,
    cx: float,
    cy: float,
    known: Array,
    reach: float,
    band: float,
    blur: float,
    pixels: Array,
) -> tuple[int, int, int]:
    """Gather the pixels near the lines: kind 0 sees both lines, kind 1 and 2 only line 1 or 2.

    A row of `pixels[kind]` is x, y (from the start's pixel), grey level, and the sign of the other line.
    """
    # Where the other line is at least this far, its factor is ±1 to 1e-5 and need not be computed.
    far = max(band, 4.3 * blur) + 0.7
    n0 = n1 = n2 = 0
    n1x, n1y, n2x, n2y = -known[1], known[0], -known[3], known[2]
    height, width = picture.shape
    low, high = max(-math.ceil(reach), -y0), min(math.ceil(reach), height - 1 - y0)
    for y in range(int(low), int(high) + 1):
        v = y - cy
        half2 = reach * reach - v * v
        if half2 < 0:
            continue
        half = math.sqrt(half2)
        a0, a1 = _span(n1y * v, n1x, band)
        b0, b1 = _span(n2y * v, n2x, band)
        if a0 > b0:
            a0, a1, b0, b1 = b0, b1, a0, a1
        b0 = max(b0, a1)  # the second stretch starts where the first one ends
        done = -(10**9)
        for stretch in range(2):
            lo, hi = (a0, a1) if stretch == 0 else (b0, b1)
            first = max(math.ceil(max(lo, -half) + cx), int(-x0), done + 1)
            last = min(math.floor(min(hi, half) + cx), int(width - 1 - x0))
            for x in range(first, last + 1):
                done = x
                u = x - cx
                d1, d2 = n1x * u + n1y * v, n2x * u + n2y * v
                grey = float(picture[int(y0) + y, int(x0) + x])
                if abs(d2) > far:
                    if abs(d1) <= band:
                        pixels[1, n1, 0], pixels[1, n1, 1], pixels[1, n1, 2] = x, y, grey
                        pixels[1, n1, 3] = 1.0 if d2 > 0 else -1.0
                        n1 += 1
                elif abs(d1) > far:
                    if abs(d2) <= band:
                        pixels[2, n2, 0], pixels[2, n2, 1], pixels[2, n2, 2] = x, y, grey
                        pixels[2, n2, 3] = 1.0 if d1 > 0 else -1.0
                        n2 += 1
                else:
                    pixels[0, n0, 0], pixels[0, n0, 1], pixels[0, n0, 2] = x, y, grey
                    n0 += 1
    return n0, n1, n2


@njit(cache=True, nogil=True)
def _cross(pixels: Array, count: int, p: Array, known: Array, normal: Array, gradient: Array) -> float:
    """Add the pixels that see both lines to the normal equations; return their sum of squares.

    Parameters: c_x, c_y, θ1, θ2, m, a, w.
    """
    t1x, t1y, t2x, t2y = math.cos(p[2]), math.sin(p[2]), math.cos(p[3]), math.sin(p[3])
    scale = 1.0 / (math.sqrt(2.0) * p[6])
    row = np.empty(7)
    total = 0.0
    for i in range(count):
        x, y = pixels[i, 0], pixels[i, 1]
        u, v = x - p[0], y - p[1]
        q1, q2 = t1x * u + t1y * v, t2x * u + t2y * v
        d1 = -t1y * u + t1x * v - 0.5 * known[4] * q1 * q1
        d2 = -t2y * u + t2x * v - 0.5 * known[5] * q2 * q2
        e1, s1 = erf_and_slope(d1 * scale)
        e2, s2 = erf_and_slope(d2 * scale)
        a = p[5] + known[8] * x + known[9] * y
        rest = pixels[i, 2] - (p[4] + known[6] * x + known[7] * y + a * e1 * e2)
        s1 *= a * scale * e2
        s2 *= a * scale * e1
        row[0] = s1 * t1y + s2 * t2y
        row[1] = -s1 * t1x - s2 * t2x
        row[2] = -s1 * q1
        row[3] = -s2 * q2
        row[4] = 1.0
        row[5] = e1 * e2
        row[6] = -(s1 * d1 + s2 * d2) / p[6]
        for j in range(7):
            gradient[j] += row[j] * rest
            for k in range(j + 1):
                normal[j, k] += row[j] * row[k]
        total += rest * rest
    return total


@njit(cache=True, nogil=True)
def _arm(pixels: Array, count: int, p: Array, line: int, known: Array, normal: Array, gradient: Array) -> float:
    """Add the pixels that see only `line` (0 or 1); return their sum of squares.

    In the line's own frame there are five parameters (shift across, θ, m, a, w): half of the products.
    """
    tx, ty = math.cos(p[2 + line]), math.sin(p[2 + line])
    curve = 0.5 * known[4 + line]
    scale = 1.0 / (math.sqrt(2.0) * p[6])
    total = 0.0
    h00 = h01 = h02 = h03 = h04 = h11 = h12 = h13 = h14 = h22 = h23 = h24 = h33 = h34 = h44 = 0.0
    g0 = g1 = g2 = g3 = g4 = 0.0
    for i in range(count):
        x, y, sign = pixels[i, 0], pixels[i, 1], pixels[i, 3]
        u, v = x - p[0], y - p[1]
        q = tx * u + ty * v
        d = tx * v - ty * u - curve * q * q
        e, s = erf_and_slope(d * scale)
        a = sign * (p[5] + known[8] * x + known[9] * y)
        e *= sign
        rest = pixels[i, 2] - (p[4] + known[6] * x + known[7] * y + sign * a * e)
        s *= -a * scale
        turn = s * q
        wide = s * d
        h00 += s * s
        h01 += s * turn
        h02 += s
        h03 += s * e
        h04 += s * wide
        h11 += turn * turn
        h12 += turn
        h13 += turn * e
        h14 += turn * wide
        h22 += 1.0
        h23 += e
        h24 += wide
        h33 += e * e
        h34 += e * wide
        h44 += wide * wide
        g0 += s * rest
        g1 += turn * rest
        g2 += rest
        g3 += e * rest
        g4 += wide * rest
        total += rest * rest
    iw = 1.0 / p[6]
    at = 2 + line
    nx, ny = -ty, tx
    normal[0, 0] += nx * nx * h00
    normal[1, 0] += nx * ny * h00
    normal[1, 1] += ny * ny * h00
    normal[at, 0] += nx * h01
    normal[at, 1] += ny * h01
    normal[at, at] += h11
    normal[4, 0] += nx * h02
    normal[4, 1] += ny * h02
    normal[4, at] += h12
    normal[4, 4] += h22
    normal[5, 0] += nx * h03
    normal[5, 1] += ny * h03
    normal[5, at] += h13
    normal[5, 4] += h23
    normal[5, 5] += h33
    normal[6, 0] += iw * nx * h04
    normal[6, 1] += iw * ny * h04
    normal[6, at] += iw * h14
    normal[6, 4] += iw * h24
    normal[6, 5] += iw * h34
    normal[6, 6] += iw * iw * h44
    gradient[0] += nx * g0
    gradient[1] += ny * g0
    gradient[at] += g1
    gradient[4] += g2
    gradient[5] += g3
    gradient[6] += iw * g4
    return total


@njit(cache=True, nogil=True)
def _normal_equations(
    pixels: Array, counts: tuple[int, int, int], p: Array, known: Array, normal: Array, gradient: Array
) -> float:
    normal[:] = 0.0
    gradient[:] = 0.0
    total = _cross(pixels[0], counts[0], p, known, normal, gradient)
    total += _arm(pixels[1], counts[1], p, 0, known, normal, gradient)
    return total + _arm(pixels[2], counts[2], p, 1, known, normal, gradient)


@njit(cache=True, nogil=True)
def cholesky(matrix: Array, n: int) -> bool:
    """Factorise the lower triangle in place; False where it is not positive definite."""
    for j in range(n):
        for k in range(j):
            for i in range(j, n):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
        if not matrix[j, j] > 1e-12:
            return False
        root = math.sqrt(matrix[j, j])
        for i in range(j, n):
            matrix[i, j] /= root
    return True


@njit(cache=True, nogil=True)
def solve_in_place(factor: Array, x: Array, n: int) -> None:
    """Solve L·Lᵀ·x = b, b given in `x`."""
    for i in range(n):
        for k in range(i):
            x[i] -= factor[i, k] * x[k]
        x[i] /= factor[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            x[i] -= factor[k, i] * x[k]
        x[i] /= factor[i, i]


@njit(cache=True, nogil=True)
def _levels(normal: Array, gradient: Array, p: Array) -> None:
    """Solve m and a alone, linearly: the start of the fit."""
    det = normal[4, 4] * normal[5, 5] - normal[5, 4] ** 2
    if det > 1e-9 * normal[4, 4] ** 2:
        p[4] += (normal[5, 5] * gradient[4] - normal[5, 4] * gradient[5]) / det
        p[5] += (normal[4, 4] * gradient[5] - normal[5, 4] * gradient[4]) / det


@njit(cache=True, nogil=True)
def _fit_one(
    pixels: Array,
    counts: tuple[int, int, int],
    cx: float,
    cy: float,
    known: Array,
    blur: float,
    rounds: int,
    out: Array,
) -> None:
    p = np.zeros(7)
    p[0], p[1] = cx, cy
    p[2], p[3] = math.atan2(known[1], known[0]), math.atan2(known[3], known[2])
    p[6] = blur
    used = counts[0] + counts[1] + counts[2]
    out[9], out[10] = used, 1  # TOO_FEW_PIXELS
    out[0], out[1] = cx, cy
    if used < 40:
        return
    normal, gradient, step = np.zeros((7, 7)), np.zeros(7), np.zeros(7)
    _normal_equations(pixels, counts, p, known, normal, gradient)
    _levels(normal, gradient, p)
    out[10] = 2  # NOT_CONVERGED
    total = 0.0
    for _ in range(rounds):
        total = _normal_equations(pixels, counts, p, known, normal, gradient)
        step[:] = gradient
        if not cholesky(normal, 7):
            return
        solve_in_place(normal, step, 7)
        # Far from the solution the model is flat: an unlimited step would leave the corner.
        size = math.hypot(step[0], step[1])
        part = min(1.0, 1.5 * p[6] / size) if size > 0 else 1.0
        for j in range(7):
            p[j] += part * step[j]
            if part == 1.0:
                total -= gradient[j] * step[j]
        p[6] = min(max(p[6], 0.2), 3.0 * blur + 1.0)
        if size < 0.008:  # _STOP_PX
            out[10] = 0  # FITTED
            break
    _report(normal, total, used, p, out)
    if not math.hypot(p[0] - cx, p[1] - cy) < max(2.0, 2.0 * blur):
        out[10] = 3  # WANDERED


@njit(cache=True, nogil=True)
def _report(factor: Array, total: float, used: int, p: Array, out: Array) -> None:
    variance = max(total, 0.0) / (used - 7)
    unit = np.zeros(7)
    for j in range(2):
        unit[:] = 0.0
        unit[j] = 1.0
        solve_in_place(factor, unit, 7)
        out[2 + j] = variance * unit[0]
        out[3 + j] = variance * unit[1]
    out[0], out[1] = p[0], p[1]
    out[5], out[6], out[7], out[8] = p[4], p[5], p[6], math.sqrt(variance)
