"""The kernels behind one fit: edge points moved to where the edge is meant, and what a fit owes to every cause."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.recipe.look_kernels import ACROSS_X, ACROSS_Y, BEND, BLUR, LIGHT, SCALE
from tiepoint.vision.shape_kernels import carry, scattered

Array = NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy")
def light_of(seen: Array, weights: Array) -> float:
    """Return Σ light over the points with weight (n,): their number where all are rising, its negative where none."""
    total = 0.0
    for i in range(weights.size):
        if weights[i] > 0.0:
            total += seen[i, LIGHT]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def middle_of(seen: Array) -> float:
    """Return the median blur of points, px."""
    return float(np.median(seen[:, BLUR]))


@njit(cache=True, nogil=True, error_model="numpy")
def middle_along(xy: Array, way: Array) -> float:
    """Return the median place of points (n, 2) along a direction (2,)."""
    along = np.empty(xy.shape[0])
    for i in range(along.size):
        along[i] = xy[i, 0] * way[0] + xy[i, 1] * way[1]
    return float(np.median(along))


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def pull_of(row: Array, radius: float, width_px: float) -> float:
    """Return by how much an edge of a radius on the ground is seen too far inwards, in ground units.

    Blur pulls an edge of radius R inwards by w_e²/(2R), a straight strip of width b by (b² − 1)/(24R), all in pixels:
    the second-order terms of the blurred disc, and of the mean sagitta over b rows of pixels, whose places have the
    variance (b² − 1)/12. Few rows carry the edge where blur is small, so the second term depends a little on how they
    lie.
    """
    R = row[BEND] * radius
    return float((row[BLUR] * row[BLUR] / (2.0 * R) + (width_px * width_px - 1.0) / (24.0 * R)) * row[SCALE])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def towards_light(row: Array, nx: float, ny: float) -> float:
    """Return +1 where a shape's normal points to the bright side of an edge point, -1 where to the dark one."""
    return float(row[LIGHT] * np.sign(row[ACROSS_X] * nx + row[ACROSS_Y] * ny))


@njit(cache=True, nogil=True, error_model="numpy")
def meant(xy: Array, seen: Array, normals: Array, radius: float, width_px: float, bias: float) -> Array:
    """Return where the edge is that is meant (n, 2): moved along a shape's normals outwards, against the pull of its
    curvature (none with an infinite radius), and by `bias` away from the light."""
    places = np.empty((xy.shape[0], 2))
    for i in range(places.shape[0]):
        row, nx, ny = seen[i], normals[i, 0], normals[i, 1]
        out = pull_of(row, radius, width_px) - bias * towards_light(row, nx, ny)
        places[i, 0], places[i, 1] = xy[i, 0] + out * nx, xy[i, 1] + out * ny
    return places


@njit(cache=True, nogil=True, error_model="numpy")
def tell_fit(
    M: Array, residuals: Array, weights: Array, normals: Array, u: Array, moves: Array, seen: Array, closed: bool,
    is_foreseen: bool, light_at: int, curve_at: int, radius: float, c: Array,
) -> tuple[bool, int, float, float, float, float]:  # fmt: skip
    """Fill how the parameters of a fit follow each cause, `c` (p, ·): noise, the points' `moves`, edge and curvature.

    `M` to `normals` are a fit's own; `light_at` is the column of the edge definition, `curve_at` that of a circle's
    curvature, −1 where there is none. Returns whether the noise has a factor (see `carry`), then of the fit's `Scatter`
    count, degrees of freedom, τ, mean square and what the edges' own noise explains of it.
    """
    p, n = M.shape
    count, tau, squares, noise_ms = scattered(residuals, u, weights, closed)
    # Points that say the same are not new ones: the degrees of freedom shrink with their number.
    dof, mean_square, variance = max(count / tau - p, 1.0), squares / max(count - p, 1.0), np.empty(n)
    if is_foreseen:
        dof, tau, mean_square = math.inf, 1.0, noise_ms
    for i in range(n):
        variance[i] = u[i] * u[i] if is_foreseen else mean_square
    is_known = carry(M, variance, tau, normals, moves, c)
    for i in range(n):
        light = towards_light(seen[i], normals[i, 0], normals[i, 1])
        for a in range(p):
            if light_at >= 0:
                c[a, light_at] += M[a, i] * light
            if curve_at >= 0:
                c[a, curve_at] += M[a, i] * seen[i, SCALE] / (seen[i, BEND] * radius)
    return is_known, count, dof, tau, mean_square, noise_ms


@njit(cache=True, nogil=True, error_model="numpy")
def facing(seen: Array, weights: Array, normals: Array) -> tuple[Array, Array]:
    """Return the blur (k,) of the points with weight, and their unit vectors along the shape's normals to the light."""
    blur, towards, k = np.empty(weights.size), np.empty((weights.size, 2)), 0
    for i in range(weights.size):
        if weights[i] > 0.0:
            sense = towards_light(seen[i], normals[i, 0], normals[i, 1])
            towards[k, 0], towards[k, 1], blur[k] = sense * normals[i, 0], sense * normals[i, 1], seen[i, BLUR]
            k += 1
    return blur[:k], towards[:k]
