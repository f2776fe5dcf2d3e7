"""Kernels of a tie: from a picture to the plane and back, with derivatives, for the few points of one step."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

EDGE_PX = 1e-6
"""A point this close to the border of the valid region counts as inside: rounding must not decide."""


@njit(cache=True, nogil=True, error_model="numpy")
def to_plane(H: Array, ideal: Array, d_straight: Array, scale: Array, xy: Array, d_px: Array) -> None:
    """Fill places `xy` (n, 2) and ∂place/∂px `d_px` (n, 2, 2) of ideal points (n, 2).

    `d_straight` (n, 2, 2) is ∂ideal/∂picture; `scale` (2,) the picture's pixels in one of the shot's.
    """
    for n in range(ideal.shape[0]):
        X, Y = ideal[n, 0], ideal[n, 1]
        w = 1.0 / (H[2, 0] * X + H[2, 1] * Y + H[2, 2])
        for i in range(2):
            at = (H[i, 0] * X + H[i, 1] * Y + H[i, 2]) * w
            xy[n, i] = at
            ax, ay = (H[i, 0] - at * H[2, 0]) * w, (H[i, 1] - at * H[2, 1]) * w
            for j in range(2):
                d_px[n, i, j] = (ax * d_straight[n, 0, j] + ay * d_straight[n, 1, j]) * scale[j]


@njit(cache=True, nogil=True, error_model="numpy")
def by_sources(H: Array, ideal: Array, xy: Array, d_lens: Array, factor: Array, moves: Array) -> None:
    """Fill ∂place/∂source into the first columns of `moves` (n, 2, m): by matrix and lens, through the factor (16, m).

    `d_lens` (n, 2, 7) is ∂ideal/∂lens, `xy` (n, 2) the places of ideal points (n, 2).
    """
    theta = np.zeros(16)
    for n in range(ideal.shape[0]):
        X, Y = ideal[n, 0], ideal[n, 1]
        w = 1.0 / (H[2, 0] * X + H[2, 1] * Y + H[2, 2])
        for i in range(2):
            at = xy[n, i]
            theta[:6] = 0.0
            theta[3 * i], theta[3 * i + 1], theta[3 * i + 2] = X * w, Y * w, w
            theta[6], theta[7], theta[8] = -at * X * w, -at * Y * w, -at * w
            ax, ay = (H[i, 0] - at * H[2, 0]) * w, (H[i, 1] - at * H[2, 1]) * w
            for j in range(7):
                theta[9 + j] = ax * d_lens[n, 0, j] + ay * d_lens[n, 1, j]
            for m in range(factor.shape[1]):
                moves[n, i, m] = 0.0
            for j in range(16):
                if theta[j] != 0.0:
                    for m in range(factor.shape[1]):
                        moves[n, i, m] += theta[j] * factor[j, m]


@njit(cache=True, nogil=True, error_model="numpy")
def lies_inside(polygon: Array, points: Array, edge: float, inside: Bools) -> None:
    """Fill which points (n, 2) lie in a convex polygon (k, 2), of either sense, or within `edge` of it."""
    k = polygon.shape[0]
    area = 0.0
    for a in range(k):
        b = (a + 1) % k
        area += polygon[a, 0] * polygon[b, 1] - polygon[b, 0] * polygon[a, 1]
    turn = 1.0 if area > 0.0 else -1.0 if area < 0.0 else 0.0
    inside[:] = True
    for a in range(k):
        b = (a + 1) % k
        dx, dy = polygon[b, 0] - polygon[a, 0], polygon[b, 1] - polygon[a, 1]
        length = math.hypot(dx, dy)
        if length > 0.0:
            dx, dy = dx / length * turn, dy / length * turn
            for n in range(points.shape[0]):
                across = dx * (points[n, 1] - polygon[a, 1]) - dy * (points[n, 0] - polygon[a, 0])
                inside[n] &= across >= -edge


@njit(cache=True, nogil=True, error_model="numpy")
def carried(d_px: Array, normal_px: Array, normal: Array, scale: Array, bend: Array) -> None:
    """Carry edges with unit normals (n, 2) in a picture to the ground by ∂ground/∂px (n, 2, 2).

    A line n·x = c in pixels is (D⁻ᵀn)·X = c' on the ground: shifted by δ px it moves by δ/|D⁻ᵀn| there. Fills the unit
    normals on the ground `normal` (n, 2), ground units along them per pixel `scale` (n,), and `bend` (n,): the radius
    in px of a circle of radius 1 on the ground. An affine map A bends it, with tangent t, to the radius |A·t|³/|det A|.
    """
    for n in range(d_px.shape[0]):
        a, b, c, d = d_px[n, 0, 0], d_px[n, 0, 1], d_px[n, 1, 0], d_px[n, 1, 1]
        det = a * d - b * c
        a, b, c, d = d / det, -b / det, -c / det, a / det
        x, y = a * normal_px[n, 0] + c * normal_px[n, 1], b * normal_px[n, 0] + d * normal_px[n, 1]
        size = math.hypot(x, y)
        x, y = x / size, y / size
        normal[n, 0], normal[n, 1], scale[n] = x, y, 1.0 / size
        bend[n] = math.hypot(b * x - a * y, d * x - c * y) ** 3 * abs(det)


@njit(cache=True, nogil=True, error_model="numpy")
def into_part(
    pose: Array, by_pose: Array, xy: Array, d_there: Array, d_base: Array, at: Ints, own: Array, d_px: Array,
    moves: Array,
) -> None:  # fmt: skip
    """Fill where places `xy` (n, 2) lie in the frame of a part, `own` (n, 2); x, y, cosine and sine: its `pose` (4,).

    `d_px` (n, 2, 2): ∂place/∂px `d_there`, turned. `moves` (n, 2, m): what the places owe to each source: `d_base`
    (n, 2, k) in the first k columns, turned, and through the pose's own coefficients (3, p), p columns of which stand
    `at` (p,).
    """
    c, s = pose[2], pose[3]
    k = d_base.shape[2]
    for n in range(xy.shape[0]):
        x, y = xy[n, 0] - pose[0], xy[n, 1] - pose[1]
        own[n, 0], own[n, 1] = c * x + s * y, c * y - s * x
        for j in range(2):
            u, v = d_there[n, 0, j], d_there[n, 1, j]
            d_px[n, 0, j], d_px[n, 1, j] = c * u + s * v, c * v - s * u
        moves[n] = 0.0
        for j in range(k):
            u, v = d_base[n, 0, j], d_base[n, 1, j]
            moves[n, 0, j], moves[n, 1, j] = c * u + s * v, c * v - s * u
        # ∂(Rᵀ·(p − t))/∂θ: what is seen turns backwards where the part turns forwards.
        for j in range(at.size):
            moves[n, 0, at[j]] += own[n, 1] * by_pose[2, j] - c * by_pose[0, j] - s * by_pose[1, j]
            moves[n, 1, at[j]] += -own[n, 0] * by_pose[2, j] + s * by_pose[0, j] - c * by_pose[1, j]
