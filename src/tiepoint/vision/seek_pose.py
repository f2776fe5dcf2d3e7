"""From edges across an outline to a pose: point-to-line least squares (Chen & Medioni 1992; from memory), robust.

Tukey's biweight (Beaton & Tukey 1974; from memory) with 4.685 times the spread of the residuals.
"""

import math

import numpy as np
from numba import njit

from tiepoint.vision.normal_equations import cholesky, solve
from tiepoint.vision.seek_edges import profile_step

TUKEY = 4.685
FEWEST_PLACES = 8
SPARED = 64
"""Of fewer places than this all are looked at in every round."""
LEAST_OF_MIDDLE = 0.25
"""Steps below this share of the middle step are not the outline's."""


@njit(cache=True, nogil=True, error_model="numpy")
def carry(px, jac, ground, normals, start, pose, places, across):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `places` and unit normals `across` (n, 2) in the picture for a pose near `start`, by the Jacobians there."""
    turn, grow = pose[2] - start[2], math.exp(pose[3] - start[3])
    c, s = math.cos(turn), math.sin(turn)
    for k in range(len(px)):
        gx, gy = ground[k, 0] - start[0], ground[k, 1] - start[1]
        dx = grow * (c * gx - s * gy) + pose[0] - ground[k, 0]
        dy = grow * (s * gx + c * gy) + pose[1] - ground[k, 1]
        a, b, d, e = jac[k, 0, 0], jac[k, 0, 1], jac[k, 1, 0], jac[k, 1, 1]
        places[k, 0] = px[k, 0] + a * dx + b * dy
        places[k, 1] = px[k, 1] + d * dx + e * dy
        ux, uy = c * normals[k, 0] - s * normals[k, 1], s * normals[k, 0] + c * normals[k, 1]
        # The outline's direction in the picture, then what is upright on it, towards where the normal points.
        tx, ty = -a * uy + b * ux, -d * uy + e * ux
        length = math.hypot(tx, ty)
        mx, my = ty / length, -tx / length
        side = 1.0 if mx * (a * ux + b * uy) + my * (d * ux + e * uy) >= 0.0 else -1.0
        across[k, 0], across[k, 1] = side * mx, side * my


@njit(cache=True, nogil=True, error_model="numpy")
def pose_rows(jac, ground, across, start, pose, free, rows):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `rows` (n, p): px along each normal by each free one of x, y, angle and ln scale."""
    turn, grow = pose[2] - start[2], math.exp(pose[3] - start[3])
    c, s = grow * math.cos(turn), grow * math.sin(turn)
    for k in range(len(jac)):
        u = across[k, 0] * jac[k, 0, 0] + across[k, 1] * jac[k, 1, 0]
        v = across[k, 0] * jac[k, 0, 1] + across[k, 1] * jac[k, 1, 1]
        gx, gy = ground[k, 0] - start[0], ground[k, 1] - start[1]
        rx, ry = c * gx - s * gy, s * gx + c * gy
        p = 0
        for q in range(4):
            if free[q]:
                rows[k, p] = u if q == 0 else (v if q == 1 else (v * rx - u * ry if q == 2 else u * rx + v * ry))
                p += 1


@njit(cache=True, nogil=True, error_model="numpy")
def robust_move(rows, off, prior, least_spread, move, weights):  # type: ignore[no-untyped-def]  # numba infers
    """Solve rows·move = off in the least squares of `prior` weights and Tukey's; return the spread, 0 where it fails.

    Places with NaN offsets get weight 0. The spread is that of the residuals times the root of the prior weight.
    """
    n, p = rows.shape
    factor, pull = np.empty((p, p)), np.empty(p)
    left = np.empty(n)
    size = np.zeros(p)
    for a in range(p):
        total = 0.0
        for k in range(n):
            total += rows[k, a] ** 2
        size[a] = math.sqrt(total / n) + 1e-300
    move[:] = 0.0
    spread = 0.0
    for step in range(8):
        count = 0
        for k in range(n):
            weights[k] = 0.0
            if math.isfinite(off[k]):
                e = off[k]
                for a in range(p):
                    e -= rows[k, a] * move[a]
                left[k] = e * math.sqrt(prior[k])
                weights[count] = abs(left[k])
                count += 1
        if count < FEWEST_PLACES:
            return 0.0
        spread = max(1.4826 * np.median(weights[:count]), least_spread)
        factor[:], pull[:] = 0.0, 0.0
        for k in range(n):
            weights[k] = 0.0
            if not math.isfinite(off[k]):
                continue
            w = 1.0 - (left[k] / (TUKEY * spread)) ** 2
            if w <= 0.0:
                continue
            weights[k] = w * w * prior[k]
            for a in range(p):
                pull[a] += weights[k] * rows[k, a] / size[a] * off[k]
                for b in range(a + 1):
                    factor[a, b] += weights[k] * rows[k, a] / size[a] * rows[k, b] / size[b]
        trace = 0.0
        for a in range(p):
            trace += factor[a, a]
        for a in range(p):
            factor[a, a] += 1e-9 * trace
        if not cholesky(factor, p):
            return 0.0
        solve(factor, pull, p)
        change = 0.0
        for a in range(p):
            change = max(change, abs(pull[a] / size[a] - move[a]) * size[a])
            move[a] = pull[a] / size[a]
        if step > 0 and change < 1e-5:
            break
    return spread


@njit(cache=True, nogil=True, error_model="numpy")
def settle(picture, px, jac, ground, normals, pose, free, reaches, hopeless, least_rise, off):  # type: ignore[no-untyped-def]  # numba infers
    """Move `pose` (4,: x, y, angle, ln scale) onto the picture's edges; return the share of places with an edge.

    `px` (n, 2) and `jac` (n, 2, 2) belong to `ground` (n, 2) at the start; `normals` (n, 2) on the ground, towards
    bright. One round for each of `reaches` (px), all but the last on every second place; a share below `hopeless` after
    one is told as it is. Fills `off` (n,) with what was left along the normals, NaN where no edge stood out by
    `least_rise` (a difference over 2 px) or by `LEAST_OF_MIDDLE` of the middle one.
    """
    n = len(px)
    start = pose.copy()
    p = 0
    for q in range(4):
        p += 1 if free[q] else 0
    rows, move = np.empty((n, p)), np.empty(p)
    places, across, weights = np.empty((n, 2)), np.empty((n, 2)), np.empty(n)
    rise, prior = np.empty(n), np.ones(n)
    profile = np.empty(64)
    share = 0.0
    for round_, reach in enumerate(reaches):
        carry(px, jac, ground, normals, start, pose, places, across)
        step = 1 if round_ == len(reaches) - 1 or n < SPARED else 2
        count = 0
        for k in range(n):
            rise[k], off[k] = 0.0, np.nan
        for k in range(0, n, step):
            off[k], rise[k] = profile_step(
                picture, places[k, 0], places[k, 1], across[k, 0], across[k, 1], reach, profile
            )
            if rise[k] > least_rise:
                weights[count] = rise[k]
                count += 1
            else:
                off[k] = np.nan
        if count < FEWEST_PLACES:
            return 0.0
        least = LEAST_OF_MIDDLE * np.median(weights[:count])
        for k in range(n):
            if not rise[k] > least:
                off[k] = np.nan
        pose_rows(jac, ground, across, start, pose, free, rows)
        if robust_move(rows, off, prior, 0.2, move, weights) == 0.0:
            return 0.0
        a = 0
        for q in range(4):
            if free[q]:
                pose[q] += move[a]
                a += 1
        count = 0
        for k in range(n):
            if math.isfinite(off[k]):
                for b in range(p):
                    off[k] -= rows[k, b] * move[b]
                count += 1 if abs(off[k]) <= 1.5 else 0
        share = count * step / n
        if share < hopeless:
            break
    return min(share, 1.0)
