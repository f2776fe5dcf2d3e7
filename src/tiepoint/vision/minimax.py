"""The smallest h with h ≥ e_i − g_i·δ for all i: what an enclosing circle or pair of lines comes down to.

A linear programme in three unknowns (h and the two of δ). Its dual picks weights λ ≥ 0 on the points with Σλ = 1 and
Σλ·g = 0 and makes Σλ·e as large as it can; three points carry weight. The simplex method walks over such triples.
The weights are the sensitivity of h to each point.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PIVOTS = 500


@njit(cache=True, nogil=True, error_model="numpy")
def _g(g: Array, size: float, i: int) -> tuple[float, float]:
    """Return g_i; indices below zero are three artificial points, far out, that hold the first triple."""
    if i >= 0:
        return g[i, 0], g[i, 1]
    if i == -1:
        return size, size
    return (-2.0 * size, size) if i == -2 else (size, -2.0 * size)


@njit(cache=True, nogil=True, error_model="numpy")
def _weights(g: Array, size: float, triple: Ints, u: float, v: float, out: Array) -> bool:
    """Solve Σ out_b·(1, g_b) = (1, u, v) over the triple; False where its points are on one line."""
    ax, ay = _g(g, size, triple[0])
    bx, by = _g(g, size, triple[1])
    cx, cy = _g(g, size, triple[2])
    area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
    if area == 0.0:
        return False
    out[1] = ((u - ax) * (cy - ay) - (cx - ax) * (v - ay)) / area
    out[2] = ((bx - ax) * (v - ay) - (u - ax) * (by - ay)) / area
    out[0] = 1.0 - out[1] - out[2]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _plane(e: Array, g: Array, size: float, far: float, triple: Ints, out: Array) -> None:
    """Fill (h, δx, δy) of the plane through the triple's points (g, e)."""
    ax, ay = _g(g, size, triple[0])
    bx, by = _g(g, size, triple[1])
    cx, cy = _g(g, size, triple[2])
    ea = e[triple[0]] if triple[0] >= 0 else far
    eb = e[triple[1]] if triple[1] >= 0 else far
    ec = e[triple[2]] if triple[2] >= 0 else far
    area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
    out[1] = ((eb - ea) * (cy - ay) - (ec - ea) * (by - ay)) / area
    out[2] = ((bx - ax) * (ec - ea) - (cx - ax) * (eb - ea)) / area
    out[0] = ea - out[1] * ax - out[2] * ay


@njit(cache=True, nogil=True, error_model="numpy")
def least_bound(e: Array, g: Array, triple: Ints, weights: Array, plane: Array) -> bool:
    """Fill the carrying `triple` (3,), its `weights` λ (3,) and `plane` = (h, δx, δy) for e (n,) and g (n, 2).

    False where no bound exists: the g lie on one side, as the normals of less than half a circle do.
    """
    size, low, high = 0.0, math.inf, -math.inf
    for i in range(e.size):
        size = max(size, abs(g[i, 0]), abs(g[i, 1]))
        low, high = min(low, e[i]), max(high, e[i])
    size *= 1e3
    spread = high - low
    # The artificial points must lie below every plane that real points can carry.
    far = low - 1e9 * max(spread, 1e-300)
    tolerance = 1e-12 * max(spread, abs(high), abs(low))
    triple[0], triple[1], triple[2] = -1, -2, -3
    column = np.empty(3)
    if not _weights(g, size, triple, 0.0, 0.0, weights):
        return False
    for _ in range(PIVOTS):
        _plane(e, g, size, far, triple, plane)
        worst, entering = tolerance, -1
        for i in range(e.size):
            over = e[i] - plane[0] - plane[1] * g[i, 0] - plane[2] * g[i, 1]
            if over > worst:
                worst, entering = over, i
        if entering < 0:
            break
        if not _weights(g, size, triple, g[entering, 0], g[entering, 1], column):
            return False
        leaving, ratio = -1, math.inf
        for b in range(3):
            if column[b] > 1e-14 and weights[b] / column[b] < ratio:
                leaving, ratio = b, weights[b] / column[b]
        if leaving < 0:
            return False
        triple[leaving] = entering
        if not _weights(g, size, triple, 0.0, 0.0, weights):
            return False
    carried = True
    for b in range(3):
        carried = carried and (triple[b] >= 0 or abs(weights[b]) < 1e-9)
    return carried


@njit(cache=True, nogil=True, error_model="numpy")
def least_bounds(e: Array, g: Array, bounds: Array) -> bool:
    """Fill `bounds` (draws,) with h for each row of e (draws, n); False where there is none."""
    triple, weights, plane = np.empty(3, np.int64), np.empty(3), np.empty(3)
    for k in range(e.shape[0]):
        if not least_bound(e[k], g, triple, weights, plane):
            return False
        bounds[k] = plane[0]
    return True
