"""Small least-squares systems inside kernels: products of Jacobian rows, their solution, and a fit's steps.

Corners and dots are fitted alike: Gauss-Newton over parameters that begin with the place (x, y) and end with the blur,
two of them levels, in which the model is linear. `levels`, `advance` and `conclude` are what both do; the models are
their own. In a fit's row of results come place (2), covariance (3), whatever else; last noise, pixels and status.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

FITTED, TOO_FEW_PIXELS, NOT_CONVERGED, WANDERED = range(4)
"""What became of a fit. Only `FITTED` ones carry numbers to rely on."""

STOP_PX = 0.008
"""Gauss-Newton stops after a step below this: the error left is of the order of its square."""

SMALLEST_BLUR_PX = 0.35
"""A pixel alone is 0.29 px wide. Pictures sharper than this were decimated, and their steps tell no blur."""

SUMS = {"reassoc", "contract", "nsz"}
"""Sums over pixels may be taken in any order: lets four or eight run at once, and costs some 1e-16."""


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def gram(rows: Array, count: int, normal: Array) -> None:
    """Fill the lower triangle of `normal` with rows·rowsᵀ over the first `count` columns.

    `rows` (p + 1, N) holds ∂model/∂parameter, and the residuals in its last row: the last row of `normal`
    then holds the right side, and its last entry the sum of squares.
    """
    n = rows.shape[0]
    for j in range(n):
        for k in range(j + 1):
            total = 0.0
            for i in range(count):
                total += rows[j, i] * rows[k, i]
            normal[j, k] = total


@njit(cache=True, nogil=True, error_model="numpy")
def cholesky(matrix: Array, n: int) -> bool:
    """Factorise the lower triangle of the leading n × n in place; False where it is not positive definite."""
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


@njit(cache=True, nogil=True, error_model="numpy")
def solve(factor: Array, x: Array, n: int) -> None:
    """Solve L·Lᵀ·x = b in place, b given in `x`."""
    for i in range(n):
        for k in range(i):
            x[i] -= factor[i, k] * x[k]
        x[i] /= factor[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            x[i] -= factor[k, i] * x[k]
        x[i] /= factor[i, i]


@njit(cache=True, nogil=True, error_model="numpy")
def leading_covariance(factor: Array, n: int, variance: float, unit: Array) -> tuple[float, float, float]:
    """Return the entries (0, 0), (0, 1), (1, 1) of variance·(L·Lᵀ)⁻¹; `unit` is scratch of length n."""
    unit[:n] = 0.0
    unit[0] = 1.0
    solve(factor, unit, n)
    first, mixed = variance * unit[0], variance * unit[1]
    unit[:n] = 0.0
    unit[1] = 1.0
    solve(factor, unit, n)
    return first, mixed, variance * unit[1]


@njit(cache=True, nogil=True, error_model="numpy")
def levels(normal: Array, p: Array, at: int) -> None:
    """Solve the two levels, parameters `at` and the next, alone and linearly: the start of a fit."""
    n, one = p.size, at + 1
    det = normal[at, at] * normal[one, one] - normal[one, at] ** 2
    if det > 1e-9 * normal[at, at] ** 2:
        p[at] += (normal[one, one] * normal[n, at] - normal[one, at] * normal[n, one]) / det
        p[one] += (normal[at, at] * normal[n, one] - normal[one, at] * normal[n, at]) / det


@njit(cache=True, nogil=True, error_model="numpy")
def advance(normal: Array, p: Array, step: Array, n: int, moving: int, blur: float) -> tuple[float, float]:
    """Take one Gauss-Newton step; return its size over the first `moving` parameters, and the squares that are left.

    The size is NaN where the equations have no solution. `normal` is left factorised. `blur` is the first guess. `n`
    parameters: as a constant at the call it lets the compiler unroll.
    """
    last = n - 1
    if p[last] <= SMALLEST_BLUR_PX and normal[n, last] < 0:  # would be sharper than a pixel: held
        normal[last, :last], normal[last, last], normal[n, last] = 0.0, 1.0, 0.0
    step[:] = normal[n, :n]
    total = normal[n, n]
    if not cholesky(normal, n):
        return math.nan, total
    solve(normal, step, n)
    size = 0.0
    for j in range(n):
        total -= step[j] * normal[n, j]  # what this step will take away
        size += step[j] ** 2 if j < moving else 0.0
    size = math.sqrt(size)
    # Far from the solution the model is flat: an unlimited step would leave the place.
    p += min(1.0, 1.5 * p[last] / max(size, 1e-12)) * step
    p[last] = min(max(p[last], SMALLEST_BLUR_PX), 3.0 * blur + 1.0)
    return size, total


@njit(cache=True, nogil=True, error_model="numpy")
def conclude(normal: Array, p: Array, step: Array, total: float, moved_px: float, blur: float, out: Array) -> None:
    """Fill place, covariance and noise of a fit that ran, and see whether it wandered off; `step` is scratch."""
    n = p.size
    variance = max(total, 0.0) / (out[-2] - n)
    out[0], out[1] = p[0], p[1]
    out[2], out[3], out[4] = leading_covariance(normal, n, variance, step)
    out[-3] = math.sqrt(variance)
    if out[-1] == FITTED and not moved_px < max(2.0, 2.0 * blur):
        out[-1] = WANDERED


def covariances(out: Array) -> Array:
    """Return the covariances (n, 2, 2) of places in rows of results."""
    return np.stack([out[:, [2, 3]], out[:, [3, 4]]], axis=1)
