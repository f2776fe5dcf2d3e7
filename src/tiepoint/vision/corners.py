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
Picture = NDArray[Any]

FEWEST_PIXELS = 40


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
    """n fitted corners. `status` (n,), of `normal_equations`, says which can be used.

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
    counts = out[:, -2:].astype(np.int64)
    level, swing, blur, noise = out[:, 5:9].T
    return CornerFits(out[:, :2], covariances(out), level, swing, blur, noise, counts[:, 0], counts[:, 1])


_COLUMNS = 11


@njit(cache=True, nogil=True, error_model="numpy")
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
    pixels = np.empty((3, 4, side * side))
    rows = np.empty((8, side * side))
    known = np.empty(10)
    for k in range(xy.shape[0]):
        known[0:2] = tangents[k, 0]
        known[2:4] = tangents[k, 1]
        known[4:6] = curvature[k]
        known[6:8] = slopes[k, 0]
        known[8:10] = slopes[k, 1]
        x0, y0 = np.round(xy[k, 0]), np.round(xy[k, 1])
        cx, cy = xy[k, 0] - x0, xy[k, 1] - y0
        counts = _collect(picture, x0, y0, cx, cy, known, reach[k], band[k], blur, pixels)
        _fit_one(pixels, counts, cx, cy, known, blur, rounds, rows, out[k])
        out[k, 0] += x0
        out[k, 1] += y0


@njit(cache=True, nogil=True, error_model="numpy")
def _span(offset: float, along: float, band: float) -> tuple[float, float]:
    """Solve |along·x + offset| ≤ band for x; an empty span where there is none."""
    if abs(along) < 1e-9:
        return (-1e9, 1e9) if abs(offset) <= band else (1.0, -1.0)
    a, b = (-band - offset) / along, (band - offset) / along
    return min(a, b), max(a, b)


@njit(cache=True, nogil=True, error_model="numpy")
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

    The rows of `pixels[kind]` are x, y (from the start's pixel), grey level, and the sign of the other line.
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
                        pixels[1, 0, n1], pixels[1, 1, n1], pixels[1, 2, n1] = x, y, grey
                        pixels[1, 3, n1] = 1.0 if d2 > 0 else -1.0
                        n1 += 1
                elif abs(d1) > far:
                    if abs(d2) <= band:
                        pixels[2, 0, n2], pixels[2, 1, n2], pixels[2, 2, n2] = x, y, grey
                        pixels[2, 3, n2] = 1.0 if d1 > 0 else -1.0
                        n2 += 1
                else:
                    pixels[0, 0, n0], pixels[0, 1, n0], pixels[0, 2, n0] = x, y, grey
                    n0 += 1
    return n0, n1, n2


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _cross(pixels: Array, count: int, p: Array, known: Array, rows: Array) -> None:
    """Fill Jacobian rows and residuals of the pixels that see both lines.

    Parameters: c_x, c_y, θ1, θ2, m, a, w.
    """
    t1x, t1y, t2x, t2y = math.cos(p[2]), math.sin(p[2]), math.cos(p[3]), math.sin(p[3])
    cx, cy, m, a, w = p[0], p[1], p[4], p[5], p[6]
    k1, k2 = 0.5 * known[4], 0.5 * known[5]
    mx, my, ax, ay = known[6], known[7], known[8], known[9]
    scale = 1.0 / (math.sqrt(2.0) * w)
    for i in range(count):
        x, y = pixels[0, i], pixels[1, i]
        u, v = x - cx, y - cy
        q1, q2 = t1x * u + t1y * v, t2x * u + t2y * v
        d1 = t1x * v - t1y * u - k1 * q1 * q1
        d2 = t2x * v - t2y * u - k2 * q2 * q2
        e1, s1 = erf_and_slope(d1 * scale)
        e2, s2 = erf_and_slope(d2 * scale)
        step = a + ax * x + ay * y
        s1 *= step * scale * e2
        s2 *= step * scale * e1
        rows[0, i] = s1 * t1y + s2 * t2y
        rows[1, i] = -s1 * t1x - s2 * t2x
        rows[2, i] = -s1 * q1
        rows[3, i] = -s2 * q2
        rows[4, i] = 1.0
        rows[5, i] = e1 * e2
        rows[6, i] = -(s1 * d1 + s2 * d2) / w
        rows[7, i] = pixels[2, i] - (m + mx * x + my * y + step * e1 * e2)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _arm(pixels: Array, count: int, p: Array, line: int, known: Array, rows: Array) -> None:
    """Fill Jacobian rows and residuals of the pixels that see only `line` (0 or 1).

    In the line's own frame there are five parameters: shift across, θ, m, a, w.
    """
    tx, ty = math.cos(p[2 + line]), math.sin(p[2 + line])
    cx, cy, m, a, w = p[0], p[1], p[4], p[5], p[6]
    curve = 0.5 * known[4 + line]
    mx, my, ax, ay = known[6], known[7], known[8], known[9]
    scale = 1.0 / (math.sqrt(2.0) * w)
    for i in range(count):
        x, y, sign = pixels[0, i], pixels[1, i], pixels[3, i]
        u, v = x - cx, y - cy
        q = tx * u + ty * v
        d = tx * v - ty * u - curve * q * q
        e, s = erf_and_slope(d * scale)
        step = sign * (a + ax * x + ay * y)
        s *= -step * scale
        rows[0, i] = s
        rows[1, i] = s * q
        rows[2, i] = 1.0
        rows[3, i] = sign * e
        rows[4, i] = s * d / w
        rows[5, i] = pixels[2, i] - (m + mx * x + my * y + step * e)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_arm(arm: Array, p: Array, line: int, normal: Array) -> None:
    """Add an arm's normal equations (6, 6) to the corner's (8, 8): a shift across is n·c."""
    nx, ny = -math.sin(p[2 + line]), math.cos(p[2 + line])
    normal[0, 0] += nx * nx * arm[0, 0]
    normal[1, 0] += nx * ny * arm[0, 0]
    normal[1, 1] += ny * ny * arm[0, 0]
    for j in range(1, 6):
        to = 2 + line if j == 1 else j + 2
        normal[to, 0] += nx * arm[j, 0]
        normal[to, 1] += ny * arm[j, 0]
        for k in range(1, j + 1):
            normal[to, 2 + line if k == 1 else k + 2] += arm[j, k]


@njit(cache=True, nogil=True, error_model="numpy")
def _normal_equations(
    pixels: Array, counts: tuple[int, int, int], p: Array, known: Array, rows: Array, normal: Array, arm: Array
) -> None:
    _cross(pixels[0], counts[0], p, known, rows)
    gram(rows, counts[0], normal)
    for line in range(2):
        count = counts[1] if line == 0 else counts[2]
        _arm(pixels[1 + line], count, p, line, known, rows)
        gram(rows[:6], count, arm)
        _add_arm(arm, p, line, normal)


@njit(cache=True, nogil=True, error_model="numpy")
def _fit_one(
    pixels: Array,
    counts: tuple[int, int, int],
    cx: float,
    cy: float,
    known: Array,
    blur: float,
    rounds: int,
    rows: Array,
    out: Array,
) -> None:
    p, step = np.zeros(7), np.zeros(7)
    p[0], p[1], p[6] = cx, cy, blur
    p[2], p[3] = math.atan2(known[1], known[0]), math.atan2(known[3], known[2])
    used = counts[0] + counts[1] + counts[2]
    out[0], out[1], out[-2], out[-1] = cx, cy, used, TOO_FEW_PIXELS
    if used < FEWEST_PIXELS:
        return
    normal, arm = np.zeros((8, 8)), np.zeros((6, 6))
    _normal_equations(pixels, counts, p, known, rows, normal, arm)
    levels(normal, p, 4)
    out[-1] = NOT_CONVERGED
    total = 0.0
    for _ in range(rounds):
        _normal_equations(pixels, counts, p, known, rows, normal, arm)
        size, total = advance(normal, p, step, 7, 2, blur)
        if math.isnan(size):
            return
        if size < STOP_PX:
            out[-1] = FITTED
            break
    out[5:8] = p[4:]
    conclude(normal, p, step, total, math.hypot(p[0] - cx, p[1] - cy), blur, out)
