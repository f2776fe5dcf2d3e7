"""Kernels of the law of propagation: variance and effective dof, a square root of a covariance, slopes of a formula.

Apart from `sources`, which imports them when a value is first asked for its uncertainty: Numba takes half a second to
import, and most commands measure nothing.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.sources import BACK, EXCESS, INVERSE_DOF, U

Array = NDArray[np.float64]


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


@njit(cache=True, nogil=True, error_model="numpy")
def steps_of(c: Array, stated: Array, at: Array) -> tuple[Array, Array, bool]:
    """Return where a formula is asked for its slopes (k, 1 + 2·(m + r)), and `root_of` its inputs (k, r).

    Inputs `at` (k,) follow m sources by `c` (k, m). First comes `at` itself, then it with one u of each source and one
    column of the root added, then the same taken off. The third says whether the inputs and their u are finite.
    """
    k, m = c.shape
    spread, is_finite = np.empty((k, m)), True
    for i in range(k):
        is_finite = is_finite and math.isfinite(at[i])
        for j in range(m):
            spread[i, j] = c[i, j] * stated[U, j]
            is_finite = is_finite and math.isfinite(spread[i, j])
    root = root_of(spread)
    count = m + root.shape[1]
    asked = np.empty((k, 1 + 2 * count))
    for i in range(k):
        asked[i, 0] = at[i]
        for j in range(count):
            step = spread[i, j] if j < m else root[i, j - m]
            asked[i, 1 + j], asked[i, 1 + count + j] = at[i] + step, at[i] - step
    return asked, root, is_finite


@njit(cache=True, nogil=True, error_model="numpy")
def slopes_of(y: Array, stated: Array) -> tuple[Array, Array]:
    """Return ∂f/∂source (m,) and the slope along each column of the root (r,), of y at the places of `steps_of`.

    No answer a step away gives no slope: the linear law has nothing to say there, and its check fails by itself.
    """
    m, count = stated.shape[1], (y.size - 1) // 2
    by_source, by_column = np.zeros(m), np.empty(count - m)
    for j in range(count):
        half = (y[1 + j] - y[1 + count + j]) / 2
        if j >= m:
            by_column[j - m] = half
        elif stated[U, j] > 0 and math.isfinite(half / stated[U, j]):
            by_source[j] = half / stated[U, j]
    return by_source, by_column


@njit(cache=True, nogil=True, error_model="numpy")
def fourth_cumulant(c: Array, stated: Array, u: float) -> float:
    """Return the excess kurtosis of what follows sources by `c` (m,) and has the standard uncertainty `u`."""
    total = 0.0
    for k in range(c.size):
        if stated[EXCESS, k] != 0.0:
            total += stated[EXCESS, k] * (c[k] * stated[U, k] / u) ** 4
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def places_along(at: Array, root: Array, ways: Array, gradient: Array, k: float) -> tuple[Array, Array]:
    """Return places (k, 4·w) along ways (r, w) and the gradient (r,), and how far a tangent has risen there (4·w,).

    They lie `k` units from `at` (k,) either way in the coordinates that `root` (k, r) spreads, then half as far again.
    """
    r, known = ways.shape
    w, size = known + 1, 0.0
    for i in range(r):
        size += gradient[i] * gradient[i]
    size = math.sqrt(size)
    places, rises = np.empty((at.size, 4 * w)), np.empty(4 * w)
    for j in range(w):
        rise = 0.0
        for i in range(r):
            rise += gradient[i] * (ways[i, j] if j < known else gradient[i] / size)
        for part in range(4):
            reach = (k if part < 2 else 1.5 * k) * (1.0 if part % 2 == 0 else -1.0)
            rises[part * w + j] = reach * rise
        for i in range(at.size):
            move = 0.0
            for q in range(r):
                move += root[i, q] * (ways[q, j] if j < known else gradient[q] / size)
            for part in range(4):
                reach = (k if part < 2 else 1.5 * k) * (1.0 if part % 2 == 0 else -1.0)
                places[i, part * w + j] = at[i] + reach * move
    return places, rises


@njit(cache=True, nogil=True, error_model="numpy")
def worst_of(y: Array, estimate: float, rises: Array) -> float:
    """Return the largest departure from a tangent, at the places of `places_along`.

    What is half as far again counts by its square, so that a curve counts the same and a kink more. Infinite where a
    place has no answer.
    """
    worst = 0.0
    for k in range(y.size):
        departs = abs(y[k] - estimate - rises[k])
        if 2 * k >= y.size:
            departs /= 1.5**2
        if not math.isfinite(departs):
            return math.inf
        worst = max(worst, departs)
    return worst
