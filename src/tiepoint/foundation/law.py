"""Kernels of the law of propagation: variance and effective degrees of freedom, and a square root of a covariance."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

U, INVERSE_DOF, BACK, EXCESS = range(4)
"""Rows of what sources state in numbers (4, m): standard uncertainty; 1/dof of the ensemble, at its first member; how
many places before it that one stands; excess kurtosis of the distribution."""


@njit(cache=True, nogil=True, error_model="numpy")
def law(c: Array, stated: Array) -> tuple[float, float]:
    """Return variance and effective dof of what follows sources by `c` (m,); `stated` (4, m) as above.

    Welch-Satterthwaite, ν = u⁴/Σ(u_i⁴/ν_i) (JCGM 100, G.2b), over ensembles: their members are scaled by one residual
    variance, and count as one.
    """
    by_ensemble, total = np.zeros(c.size), 0.0
    for k in range(c.size):
        part = (c[k] * stated[U, k]) ** 2
        total += part
        by_ensemble[k - int(stated[BACK, k])] += part
    lost = 0.0
    if 0.0 < total < math.inf:
        for k in range(c.size):
            # Relative shares: u⁴ of a micrometre in metres would underflow long before the law fails.
            lost += (by_ensemble[k] / total) ** 2 * stated[INVERSE_DOF, k]
    return total, 1.0 / lost if lost > 0.0 else math.inf


@njit(cache=True, nogil=True, error_model="numpy")
def root_of(spread: Array) -> Array:
    """Return F (k, r) with F·Fᵀ = spread·spreadᵀ, r at most k: spread (k, m) without columns of zeros, or Rᵀ of its QR.

    Householder's reflections, with the signs of LAPACK's.
    """
    k, r = spread.shape[0], 0
    rows = np.empty((spread.shape[1], k))
    for column in range(spread.shape[1]):
        if (spread[:, column] != 0.0).any():
            rows[r] = spread[:, column]
            r += 1
    if r <= k:
        return np.ascontiguousarray(rows[:r].T)
    root = np.zeros((k, k))
    for j in range(k):
        first, rest = rows[j, j], 0.0
        for i in range(j + 1, r):
            rest += rows[i, j] ** 2
        root[j, j] = first if rest == 0.0 else -math.copysign(math.sqrt(first**2 + rest), first)
        pivot = first - root[j, j]
        for q in range(j + 1, k):
            along = pivot * rows[j, q]
            for i in range(j + 1, r):
                along += rows[i, j] * rows[i, q]
            if pivot != 0.0:
                along /= root[j, j] * pivot
                rows[j, q] += along * pivot
                for i in range(j + 1, r):
                    rows[i, q] += along * rows[i, j]
            root[q, j] = rows[j, q]
    return root
