"""What is made of slopes and relief for eyes and readers: curvature, and detail of one width on even ground."""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.relief_kernels import FAST

Picture = NDArray[np.float32]
Composite = NDArray[np.uint16]

GROUND = 0.25
"""Where even ground lies between black and white in a composite: detail has three quarters above it, its shadow one."""
WIDER = 3.0
"""The ground under detail of a width is the mean over so many widths."""
STRONG_PERCENT = 99.5
QUIET = 5.0
"""Detail weaker than so many robust deviations of the whole is not stretched to white: it may be noise."""


def curvature(slope_x: Picture, slope_y: Picture, matrix: NDArray[Any] | None = None) -> Picture:
    """Return the sum of the principal curvatures (rows, cols), positive on a ridge, per unit of the plane.

    It is the divergence of the normal's part in the plane: 1/R on a cylinder of radius R and 2/R on a sphere, however
    steep. Central differences, averaged 1-2-1 across; the outermost pixels repeat their neighbours.
    """
    step = np.array([[1.0, 0.0], [0.0, -1.0]]) if matrix is None else np.asarray(matrix, float)
    # Pixels along columns and rows for one unit along the plane's x and y, and what three rows' differences add up to.
    (xc, xr), (yc, yr) = (np.linalg.inv(step).T / 8).astype(np.float32)
    out = np.empty_like(slope_x)
    _curvature(slope_x, slope_y, xc, xr, yc, yr, out)
    out[0], out[-1] = out[1], out[-2]
    out[:, 0], out[:, -1] = out[:, 1], out[:, -2]
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _curvature(slope_x, slope_y, xc, xr, yc, yr, out):  # type: ignore[no-untyped-def]  # numba infers
    rows, cols = slope_x.shape
    nx = np.empty((3, cols), np.float32)
    ny = np.empty((3, cols), np.float32)
    across = np.empty((2, cols), np.float32)
    along = np.empty((2, cols), np.float32)
    one, two = np.float32(1.0), np.float32(2.0)
    for y in range(rows):
        now = y % 3
        p, q, mx, my = slope_x[y], slope_y[y], nx[now], ny[now]
        for x in range(cols):
            inv = -one / np.sqrt(one + p[x] * p[x] + q[x] * q[x])
            mx[x] = p[x] * inv
            my[x] = q[x] * inv
        if y < 2:
            continue
        ax, bx, ay, by = nx[(y - 2) % 3], nx[(y - 1) % 3], ny[(y - 2) % 3], ny[(y - 1) % 3]
        sx, sy, dx, dy = along[0], along[1], across[0], across[1]
        for x in range(cols):
            sx[x] = ax[x] + two * bx[x] + mx[x]
            sy[x] = ay[x] + two * by[x] + my[x]
            dx[x] = mx[x] - ax[x]
            dy[x] = my[x] - ay[x]
        _slopes_of_three(sx, sy, dx, dy, xc, xr, yc, yr, out[y - 1])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _slopes_of_three(sx, sy, dx, dy, xc, xr, yc, yr, line):  # type: ignore[no-untyped-def]  # numba infers
    two, inner = np.float32(2.0), line[1:-1]
    left_x, right_x, left_y, right_y = sx[:-2], sx[2:], sy[:-2], sy[2:]
    for k in range(inner.shape[0]):
        inner[k] = xc * (right_x[k] - left_x[k]) + yc * (right_y[k] - left_y[k])
    if xr != 0.0:
        for k in range(inner.shape[0]):
            inner[k] += xr * (dx[k] + two * dx[k + 1] + dx[k + 2])
    if yr != 0.0:
        for k in range(inner.shape[0]):
            inner[k] += yr * (dy[k] + two * dy[k + 1] + dy[k + 2])


def composites(relief: Picture, feature_px: float) -> tuple[Composite, Composite]:
    """Return detail of about `feature_px` width on even ground, bright where it is raised, and bright where sunken.

    The relief less its mean over three widths; even ground lies at a quarter of the range. Each picture is stretched to
    its own strongest detail, so grey levels of two pictures are not to be compared.
    """
    import cv2

    pool = max(round(feature_px / 3), 1)
    rows, cols = relief.shape
    small = _pooled(relief, pool)
    # A box of WIDER·f has the variance (WIDER·f)²/12; pooling has given pool²/12 of it.
    sigma = math.sqrt(max((WIDER * feature_px) ** 2 - pool**2, 1.0) / 12) / pool
    ground = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
    step = max(1, math.isqrt(small.size // 100_000))
    strong = _strong(small[::step, ::step] - ground[::step, ::step])
    strength = np.float32((1 - GROUND) * 65535 / strong)
    raised, sunken = np.empty((rows, cols), np.uint16), np.empty((rows, cols), np.uint16)
    _compose(relief, np.asarray(ground, np.float32), pool, strength, np.float32(GROUND * 65535), raised, sunken)
    return raised, sunken


def _strong(detail: Picture) -> float:
    """Return the size of strong detail: a high percentile, or more where all is noise."""
    size = np.abs(detail).ravel()
    middle, high = np.percentile(size, [50.0, STRONG_PERCENT])
    return max(float(high), QUIET * 1.4826 * float(middle), 1e-12)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _pooled(picture, pool):  # type: ignore[no-untyped-def]  # numba infers
    """Return means of pool × pool pixels; those at the far borders are of what there is."""
    rows, cols = picture.shape
    high, wide = (rows + pool - 1) // pool, (cols + pool - 1) // pool
    out = np.empty((high, wide), np.float32)
    line = np.empty(wide * pool, np.float32)
    for i in range(high):
        begin, end = i * pool, min((i + 1) * pool, rows)
        line[:] = np.float32(0.0)
        for y in range(begin, end):
            row = picture[y]
            for x in range(cols):
                line[x] += row[x]
        for k in range(wide):
            total = np.float32(0.0)
            for x in range(k * pool, (k + 1) * pool):
                total += line[x]
            out[i, k] = total / np.float32((end - begin) * (min((k + 1) * pool, cols) - k * pool))
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _compose(relief, ground, pool, strength, level, raised, sunken):  # type: ignore[no-untyped-def]  # numba infers
    """Write level ± strength·(relief − ground), the pooled ground bilinear between its places."""
    rows, cols = relief.shape
    high = ground.shape[0]
    whole = np.empty((2, cols), np.float32)  # the rows of the ground above and below, stretched to pixels
    there = -1
    for y in range(rows):
        at = (y + 0.5) / pool - 0.5
        i = min(max(int(np.floor(at)), 0), max(high - 2, 0))
        if i != there:
            _stretched(ground[i], pool, whole[0])
            _stretched(ground[min(i + 1, high - 1)], pool, whole[1])
            there = i
        t = np.float32(min(max(at - i, 0.0), 1.0))
        _stretch_detail(relief[y], whole[0], whole[1], t, strength, level, raised[y], sunken[y])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _stretch_detail(row, upper, lower, t, strength, level, up, down):  # type: ignore[no-untyped-def]  # numba infers
    zero, top, half = np.float32(0.0), np.float32(65535.0), np.float32(0.5)
    for x in range(row.shape[0]):
        detail = strength * (row[x] - upper[x] - t * (lower[x] - upper[x]))
        up[x] = np.uint16(np.int32(min(max(level + detail, zero), top) + half))
        down[x] = np.uint16(np.int32(min(max(level - detail, zero), top) + half))


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _stretched(values, pool, out):  # type: ignore[no-untyped-def]  # numba infers
    """Write values, given at the middles of stretches of `pool` px, to every pixel, linear between and level beyond."""
    cols, wide = out.shape[0], values.shape[0]
    first = pool // 2
    per_px = np.float32(1.0 / pool)
    lead = np.float32(first - (pool - 1) * 0.5) * per_px
    for x in range(min(first, cols)):
        out[x] = values[0]
    for k in range(wide - 1):
        begin = first + k * pool
        a, rise = values[k], values[k + 1] - values[k]
        here = out[begin : min(begin + pool, cols)]
        for j in range(here.shape[0]):
            here[j] = a + rise * (lead + np.float32(np.int32(j)) * per_px)
    for x in range(first + (wide - 1) * pool, cols):
        out[x] = values[wide - 1]
