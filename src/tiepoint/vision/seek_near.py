"""The step between the reduced view and the picture itself: true cosines of directions, few cells around a pose."""

import math

import numpy as np
from numba import njit

BESIDE = 2
"""Places go so many cells to each side."""


@njit(cache=True, nogil=True, error_model="numpy")
def _unit_box(cells, i0, j0, least, ux, uy):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `ux`, `uy` with unit gradients of cells from (i0, j0) on; 0 where the squared gradient is below `least`."""
    rows, cols = cells.shape
    floor, one, nothing = np.float32(least), np.float32(1.0), np.float32(0.0)
    ux[:], uy[:] = nothing, nothing
    first, last = max(1 - j0, 0), min(ux.shape[1], cols - 1 - j0)
    for i in range(max(1 - i0, 0), min(ux.shape[0], rows - 1 - i0)):
        up, at, down = cells[i0 + i - 1], cells[i0 + i], cells[i0 + i + 1]
        for j in range(first, last):
            p, q = at[j0 + j + 1] - at[j0 + j - 1], down[j0 + j] - up[j0 + j]
            size = p * p + q * q
            share = one / np.sqrt(size) if size > floor else nothing
            ux[i, j], uy[i, j] = p * share, q * share


@njit(cache=True, nogil=True, error_model="numpy")
def _box(x, y, cells):  # type: ignore[no-untyped-def]  # numba infers
    """Return the first row and column, and the rows and columns, that places and those beside them reach."""
    low_x, high_x, low_y, high_y = np.inf, -np.inf, np.inf, -np.inf
    for t in range(x.shape[0]):
        for k in range(x.shape[1]):
            # Beyond the picture there is nothing to look at; NaN fails the comparisons.
            if -1e6 < x[t, k] < 1e6 and -1e6 < y[t, k] < 1e6:
                low_x, high_x = min(low_x, x[t, k]), max(high_x, x[t, k])
                low_y, high_y = min(low_y, y[t, k]), max(high_y, y[t, k])
    if not low_x <= high_x:
        return 0, 0, 0, 0
    i0, i1 = (math.floor(low_y + 0.5) - BESIDE, math.floor(high_y + 0.5) + BESIDE + 1)
    j0, j1 = (math.floor(low_x + 0.5) - BESIDE, math.floor(high_x + 0.5) + BESIDE + 1)
    i0, j0 = max(i0, 0), max(j0, 0)
    i1, j1 = min(i1, cells.shape[0]), min(j1, cells.shape[1])
    return i0, j0, max(i1 - i0, 0), max(j1 - j0, 0)


@njit(cache=True, nogil=True, error_model="numpy")
def settle_near(cells, f, px, jac, ground, normals, pose, angles, scales, least):  # type: ignore[no-untyped-def]  # numba infers
    """Move `pose` (4,: x, y, angle, ln scale) to the best of a small grid; return how well directions agree, 0…1.

    `cells` are the picture reduced by `f`; `px` (n, 2), `jac` (n, 2, 2) and `ground`, `normals` (n, 2) belong to the
    features at the start. Places go ±2 cells in the picture, turns and scales by `angles` (rad) and `scales` (ln).
    Each feature adds 2·cos − 1 where that is above 0.
    """
    n = len(px)
    tries = len(angles) * len(scales)
    x, y = np.empty((tries, n)), np.empty((tries, n))
    nx, ny = np.empty((tries, n), np.float32), np.empty((tries, n), np.float32)
    for t in range(tries):
        turn, grow = angles[t // len(scales)], scales[t % len(scales)]
        c, s = math.exp(grow) * math.cos(turn), math.exp(grow) * math.sin(turn)
        for k in range(n):
            gx, gy = ground[k, 0] - pose[0], ground[k, 1] - pose[1]
            dx, dy = (c - 1.0) * gx - s * gy, s * gx + (c - 1.0) * gy
            x[t, k] = (px[k, 0] + jac[k, 0, 0] * dx + jac[k, 0, 1] * dy - (f - 1) / 2) / f
            y[t, k] = (px[k, 1] + jac[k, 1, 0] * dx + jac[k, 1, 1] * dy - (f - 1) / 2) / f
            ax, ay = c * normals[k, 0] - s * normals[k, 1], s * normals[k, 0] + c * normals[k, 1]
            tx, ty = -jac[k, 0, 0] * ay + jac[k, 0, 1] * ax, -jac[k, 1, 0] * ay + jac[k, 1, 1] * ax
            side = 1.0 if jac[k, 0, 0] * jac[k, 1, 1] - jac[k, 0, 1] * jac[k, 1, 0] >= 0.0 else -1.0
            length = side * math.sqrt(tx * tx + ty * ty)
            nx[t, k], ny[t, k] = ty / length, -tx / length
    i0, j0, rows, cols = _box(x, y, cells)
    ux, uy = np.empty((rows, cols), np.float32), np.empty((rows, cols), np.float32)
    _unit_box(cells, i0, j0, least, ux, uy)
    best = -2.0
    found = np.zeros(4)
    wide = 2 * BESIDE + 1
    totals = np.empty((wide, wide), np.float32)
    two, one, nothing = np.float32(2.0), np.float32(1.0), np.float32(0.0)
    for t in range(tries):
        totals[:] = nothing
        for k in range(n):
            j, i = x[t, k] + 0.5 - j0 - BESIDE, y[t, k] + 0.5 - i0 - BESIDE
            # Comparisons that NaN fails come first: a place that is not seen adds nothing.
            if not (j >= 0.0 and i >= 0.0 and j < cols - 2 * BESIDE and i < rows - 2 * BESIDE):
                continue
            b, a, p, q = int(j), int(i), nx[t, k], ny[t, k]
            for di in range(wide):
                for dj in range(wide):
                    cosine = p * ux[a + di, b + dj] + q * uy[a + di, b + dj]
                    totals[di, dj] += max(two * cosine - one, nothing)
        for di in range(wide):
            for dj in range(wide):
                # Of equal scores the nearer one.
                total = totals[di, dj] - 1e-3 * ((di - BESIDE) ** 2 + (dj - BESIDE) ** 2)
                if total > best:
                    best = total
                    found[0], found[1] = dj - BESIDE, di - BESIDE
                    found[2], found[3] = angles[t // len(scales)], scales[t % len(scales)]
    # The mean Jacobian brings the move in cells back to the ground.
    count = 0
    m00, m01, m10, m11 = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        if math.isfinite(px[k, 0] + jac[k, 0, 0]):
            m00, m01 = m00 + jac[k, 0, 0], m01 + jac[k, 0, 1]
            m10, m11 = m10 + jac[k, 1, 0], m11 + jac[k, 1, 1]
            count += 1
    det = m00 * m11 - m01 * m10
    if count == 0 or abs(det) < 1e-300:
        return -1.0
    mx, my = found[0] * f * count, found[1] * f * count
    pose[0] += (m11 * mx - m01 * my) / det
    pose[1] += (-m10 * mx + m00 * my) / det
    pose[2] += found[2]
    pose[3] += found[3]
    return best / n
