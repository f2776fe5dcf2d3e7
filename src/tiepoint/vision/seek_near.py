"""The step between the reduced view and the picture itself: true cosines of directions, few cells around a pose."""

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def settle_near(cells, f, px, jac, ground, normals, pose, angles, scales, least):  # type: ignore[no-untyped-def]  # numba infers
    """Move `pose` (4,: x, y, angle, ln scale) to the best of a small grid; return its mean cosine, −1…1.

    `cells` are the picture reduced by `f`; `px` (n, 2), `jac` (n, 2, 2) and `ground`, `normals` (n, 2) belong to the
    features at the start. Places go ±2 cells in the picture, turns and scales by `angles` (rad) and `scales` (ln).
    """
    rows, cols = cells.shape
    n = len(px)
    x, y, ux, uy = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    best = -2.0
    found = np.zeros(4)
    for turn in angles:
        for grow in scales:
            c, s = math.exp(grow) * math.cos(turn), math.exp(grow) * math.sin(turn)
            for k in range(n):
                gx, gy = ground[k, 0] - pose[0], ground[k, 1] - pose[1]
                dx, dy = (c - 1.0) * gx - s * gy, s * gx + (c - 1.0) * gy
                x[k] = (px[k, 0] + jac[k, 0, 0] * dx + jac[k, 0, 1] * dy - (f - 1) / 2) / f
                y[k] = (px[k, 1] + jac[k, 1, 0] * dx + jac[k, 1, 1] * dy - (f - 1) / 2) / f
                nx, ny = c * normals[k, 0] - s * normals[k, 1], s * normals[k, 0] + c * normals[k, 1]
                tx, ty = -jac[k, 0, 0] * ny + jac[k, 0, 1] * nx, -jac[k, 1, 0] * ny + jac[k, 1, 1] * nx
                length = math.hypot(tx, ty)
                side = 1.0 if jac[k, 0, 0] * jac[k, 1, 1] - jac[k, 0, 1] * jac[k, 1, 0] >= 0.0 else -1.0
                ux[k], uy[k] = side * ty / length, -side * tx / length
            for di in range(-2, 3):
                for dj in range(-2, 3):
                    total = 0.0
                    for k in range(n):
                        j, i = x[k] + dj + 0.5, y[k] + di + 0.5
                        # Comparisons that NaN fails come first: a place that is not seen adds nothing.
                        if not (j >= 1.0 and i >= 1.0 and j < cols - 1.0 and i < rows - 1.0):
                            continue
                        b, a = int(j), int(i)
                        p, q = cells[a, b + 1] - cells[a, b - 1], cells[a + 1, b] - cells[a - 1, b]
                        size = p * p + q * q
                        if size > least:
                            total += (p * ux[k] + q * uy[k]) / math.sqrt(size)
                    # Of equal scores the nearer one.
                    total -= 1e-3 * (di * di + dj * dj)
                    if total > best:
                        best = total
                        found[0], found[1], found[2], found[3] = dj, di, turn, grow
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
