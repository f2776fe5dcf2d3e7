"""Small least-squares systems inside kernels: products of Jacobian rows, and their solution."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

SUMS = {"reassoc", "contract", "nsz"}
"""Sums over pixels may be taken in any order: lets four or eight run at once, and costs some 1e-16."""


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
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
