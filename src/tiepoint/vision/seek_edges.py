"""Where the picture's own edges lie across an outline: along normals first, then by a fit to the pixels themselves.

Both work on n places of an outline with unit normals in the picture, positive towards the side that should be bright.
"""

import math

import numpy as np
from numba import njit

from tiepoint.vision.erf import erf_and_slope

HALF_WIDTH_PX = 2.0
"""Pixels within so much along the outline belong to a place: places 4 px apart share none."""

SLOPE_LIMIT = 0.4
"""An edge that runs more than about 22° off the outline is another one's."""


@njit(cache=True, nogil=True, error_model="numpy")
def sample(picture, x, y):  # type: ignore[no-untyped-def]  # numba infers
    """Return the picture at (x, y) between its pixels; NaN beyond them."""
    rows, cols = picture.shape
    if not (x >= 0.0 and y >= 0.0 and x <= cols - 1.0 and y <= rows - 1.0):
        return np.nan
    i, j = min(int(y), rows - 2), min(int(x), cols - 2)
    u, v = x - j, y - i
    a, b = float(picture[i, j]), float(picture[i, j + 1])
    c, d = float(picture[i + 1, j]), float(picture[i + 1, j + 1])
    top = a + u * (b - a)
    return top + v * (c + u * (d - c) - top)


@njit(cache=True, nogil=True, error_model="numpy")
def profile_step(picture, x, y, nx, ny, reach, profile):  # type: ignore[no-untyped-def]  # numba infers
    """Return the place of the steepest rise along a normal within `reach` px, and its height; 0 high where none.

    The profile is a mean over five samples along the outline; the rise a difference over two pixels of it.
    """
    n = 2 * reach + 5
    for k in range(n):
        s = k - reach - 2.0
        total = 0.0
        for t in range(-2, 3):
            total += sample(picture, x + s * nx - t * ny, y + s * ny + t * nx)
        profile[k] = total * 0.2
    best, at = 0.0, -1
    for k in range(2, n - 2):
        # Near the outline counts for more: of two equal steps the nearer one is meant.
        rise = (profile[k + 1] - profile[k - 1]) * (1.0 - 0.3 * abs(k - reach - 2.0) / (reach + 1.0))
        if rise > best:
            best, at = rise, k
    if at < 0:
        return 0.0, 0.0
    a = profile[at] - profile[at - 2]
    b = profile[at + 1] - profile[at - 1]
    c = profile[at + 2] - profile[at]
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
    shift = min(max(shift, -1.0), 1.0)
    return at - reach - 2.0 + shift, b


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(picture, x, y, nx, ny, d, w, reach, sums):  # type: ignore[no-untyped-def]  # numba infers
    """Sum normal equations of I = a + b·erf((s − d)/√2w) in (a, b, −b·d, w), and of the tilt, over a place's pixels."""
    rows, cols = picture.shape
    reach_x = abs(nx) * reach + abs(ny) * HALF_WIDTH_PX
    reach_y = abs(ny) * reach + abs(nx) * HALF_WIDTH_PX
    cx, cy = x + d * nx, y + d * ny
    sums[:] = 0.0
    if not (cx - reach_x >= 0 and cy - reach_y >= 0 and cx + reach_x <= cols - 1 and cy + reach_y <= rows - 1):
        return
    root = 1.0 / (math.sqrt(2.0) * w)
    for i in range(math.ceil(cy - reach_y), math.floor(cy + reach_y) + 1):
        for j in range(math.ceil(cx - reach_x), math.floor(cx + reach_x) + 1):
            s = (j - cx) * nx + (i - cy) * ny
            t = (i - cy) * nx - (j - cx) * ny
            if abs(s) > reach or abs(t) > HALF_WIDTH_PX:
                continue
            value = float(picture[i, j])
            e, slope = erf_and_slope(s * root)
            slope *= root
            spread = -slope * s / w
            sums[0] += 1.0
            sums[1] += e
            sums[2] += e * e
            sums[3] += slope
            sums[4] += slope * e
            sums[5] += slope * slope
            sums[6] += spread
            sums[7] += spread * e
            sums[8] += spread * slope
            sums[9] += spread * spread
            sums[10] += value
            sums[11] += value * e
            sums[12] += value * slope
            sums[13] += value * spread
            sums[14] += value * value
            sums[15] += t * slope * value
            sums[16] += t * slope
            sums[17] += t * slope * e
            sums[18] += t * t * slope * slope


@njit(cache=True, nogil=True, error_model="numpy")
def fit_places(picture, xy, normals, start, w, reach, noise, result):  # type: ignore[no-untyped-def]  # numba infers
    """Fit a blurred step of blur `w` to each place's pixels; return the blur that all of them ask for.

    `start` (n,) are first offsets along the normals, NaN to leave a place out. `result` (n, 6): offset; its variance
    for a noise of 1; half step; tilt; rms of what is left, in half steps; pixels (0 where nothing was fitted).
    """
    sums = np.empty(19)
    asked, known = 0.0, 0.0
    for k in range(len(xy)):
        result[k] = 0.0
        d = start[k]
        if not math.isfinite(d) or not math.isfinite(xy[k, 0] + xy[k, 1]):
            continue
        x, y, nx, ny = xy[k, 0], xy[k, 1], normals[k, 0], normals[k, 1]
        done = False
        for _ in range(5):
            _gather(picture, x, y, nx, ny, d, w, reach, sums)
            n = sums[0]
            if n < 12.0:
                break
            # Without their means, then a and the constant are gone from the equations.
            ee, se, ss = sums[2] - sums[1] ** 2 / n, sums[4] - sums[3] * sums[1] / n, sums[5] - sums[3] ** 2 / n
            ve, vs = sums[11] - sums[10] * sums[1] / n, sums[12] - sums[10] * sums[3] / n
            vv = sums[14] - sums[10] ** 2 / n
            det = ee * ss - se * se
            if not det > 1e-12:
                break
            b = (ss * ve - se * vs) / det
            p = (ee * vs - se * ve) / det
            if not b > 0.0:
                break
            move = min(max(-p / b, -1.0), 1.0)
            d += move
            if abs(d - start[k]) > reach:
                break
            done = abs(move) < 0.02
            if done:
                break
        if not done:
            continue
        left = max(vv - b * ve - p * vs, 0.0) / max(n - 4.0, 1.0)
        # What b and p leave over of the tilt's and of the blur's column.
        a = (sums[10] - b * sums[1] - p * sums[3]) / n
        tilt_pull = sums[15] - a * sums[16] - b * sums[17]
        result[k, 0] = d
        result[k, 1] = ee / (det * b * b)
        result[k, 2] = b
        result[k, 3] = tilt_pull / (b * max(sums[18], 1e-9))
        result[k, 4] = math.sqrt(left) / b
        result[k, 5] = n
        we, ws = sums[7] - sums[6] * sums[1] / n, sums[8] - sums[6] * sums[3] / n
        ww, wv = sums[9] - sums[6] ** 2 / n, sums[13] - sums[10] * sums[6] / n
        if left < (3.0 * noise) ** 2 + 0.02 * b * b:
            along_e, along_s = (ss * we - se * ws) / det, (ee * ws - se * we) / det
            asked += b * (wv - b * we - p * ws)
            known += b * b * (ww - along_e * we - along_s * ws)
    if known > 0.0:
        w = min(max(w + min(max(asked / known, -0.5 * w), 0.7 * w), 0.4), 4.0)
    return w


@njit(cache=True, nogil=True, error_model="numpy")
def look(picture, xy, normals, reach, least_rise, profile, off):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `off` (n,) with the steepest rise within `reach` px along each normal; NaN below `least_rise`."""
    for k in range(len(xy)):
        off[k], rise = profile_step(picture, xy[k, 0], xy[k, 1], normals[k, 0], normals[k, 1], reach, profile)
        if not rise > least_rise:
            off[k] = np.nan
