"""Where the picture's own edges lie across an outline: along normals first, then by a fit to the pixels themselves.

Both work on n places of an outline with unit normals in the picture, positive towards the side that should be bright.
"""

import math

import numpy as np
from numba import njit

from tiepoint.vision.erf import erf_and_slope
from tiepoint.vision.normal_equations import SUMS

HALF_WIDTH_PX = 2.0
"""Pixels within so much along the outline belong to a place: places 4 px apart share none."""

SLOPE_LIMIT = 0.4
"""An edge that runs more than about 22° off the outline is another one's."""


AFRESH_PX = 0.5
"""A place's pixels are chosen anew where it moved farther than this."""


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
def _profile_inside(picture, x, y, nx, ny, reach, n, profile):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `profile` (n,) along a normal: nothing of it lies beyond the picture."""
    for k in range(n):
        s = k - reach - 2.0
        u0, v0 = x + s * nx + 2.0 * ny, y + s * ny - 2.0 * nx
        total = 0.0
        for t in range(5):
            u, v = u0 - t * ny, v0 + t * nx
            j, i = np.int64(u), np.int64(v)
            u, v = u - j, v - i
            a, c = float(picture[i, j]), float(picture[i + 1, j])
            top = a + u * (float(picture[i, j + 1]) - a)
            total += top + v * (c + u * (float(picture[i + 1, j + 1]) - c) - top)
        profile[k] = total * 0.2


@njit(cache=True, nogil=True, error_model="numpy")
def profile_step(picture, x, y, nx, ny, reach, profile):  # type: ignore[no-untyped-def]  # numba infers
    """Return the place of the steepest rise along a normal within `reach` px, and its height; 0 high where none.

    The profile is a mean over five samples along the outline; the rise a difference over two pixels of it.
    """
    n = 2 * reach + 5
    wide, high = abs(nx) * (reach + 2.0) + abs(ny) * 2.0, abs(ny) * (reach + 2.0) + abs(nx) * 2.0
    rows, cols = picture.shape
    if x - wide >= 0.0 and y - high >= 0.0 and x + wide < cols - 1.0 and y + high < rows - 1.0:
        _profile_inside(picture, x, y, nx, ny, reach, n, profile)
    else:
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
def _gather(picture, x, y, nx, ny, d, reach, across, along, value):  # type: ignore[no-untyped-def]  # numba infers
    """Fill a place's pixels, across from (x, y) and along the outline; return how many, 0 beyond the picture."""
    rows, cols = picture.shape
    reach_x = abs(nx) * reach + abs(ny) * HALF_WIDTH_PX
    reach_y = abs(ny) * reach + abs(nx) * HALF_WIDTH_PX
    cx, cy = x + d * nx, y + d * ny
    if not (cx - reach_x >= 0 and cy - reach_y >= 0 and cx + reach_x <= cols - 1 and cy + reach_y <= rows - 1):
        return 0
    n = 0
    for i in range(math.ceil(cy - reach_y), math.floor(cy + reach_y) + 1):
        for j in range(math.ceil(cx - reach_x), math.floor(cx + reach_x) + 1):
            s = (j - cx) * nx + (i - cy) * ny
            t = (i - cy) * nx - (j - cx) * ny
            if abs(s) <= reach and abs(t) <= HALF_WIDTH_PX:
                across[n], along[n], value[n] = s + d, t, float(picture[i, j])
                n += 1
    return n


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _step_sums(across, value, n, d, w, sums):  # type: ignore[no-untyped-def]  # numba infers
    """Sum the normal equations of I = a + b·erf((s − d)/√2w) in (a, b, −b·d) into the first of `sums`."""
    root = 1.0 / (math.sqrt(2.0) * w)
    e1, ee, s1, se, ss, ve, vs = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        e, slope = erf_and_slope((across[k] - d) * root)
        e1 += e
        ee += e * e
        s1 += slope
        se += slope * e
        ss += slope * slope
        ve += value[k] * e
        vs += value[k] * slope
    sums[1], sums[2], sums[3], sums[4], sums[5] = e1, ee, s1 * root, se * root, ss * root * root
    sums[11], sums[12] = ve, vs * root


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _shape_sums(across, along, value, n, d, w, sums):  # type: ignore[no-untyped-def]  # numba infers
    """Sum what the tilt and the blur add to the normal equations."""
    root = 1.0 / (math.sqrt(2.0) * w)
    b1, be, bs, bb, vb, tv, t1, te, tt = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        e, slope = erf_and_slope((across[k] - d) * root)
        slope *= root
        spread = -slope * (across[k] - d) / w
        turned = along[k] * slope
        b1 += spread
        be += spread * e
        bs += spread * slope
        bb += spread * spread
        vb += value[k] * spread
        tv += turned * value[k]
        t1 += turned
        te += turned * e
        tt += turned * turned
    sums[6], sums[7], sums[8], sums[9], sums[13] = b1, be, bs, bb, vb
    sums[15], sums[16], sums[17], sums[18] = tv, t1, te, tt


@njit(cache=True, nogil=True, error_model="numpy")
def fit_places(picture, xy, normals, start, w, reach, noise, result):  # type: ignore[no-untyped-def]  # numba infers
    """Fit a blurred step of blur `w` to each place's pixels; return the blur that all of them ask for.

    `start` (n,) are first offsets along the normals, NaN to leave a place out. `result` (n, 6): offset; its variance
    for a noise of 1; half step; tilt; rms of what is left, in half steps; pixels (0 where nothing was fitted).
    """
    sums = np.empty(19)
    # No convex area holds more lattice points than itself, half its border and one.
    most = int(2 * (2 * HALF_WIDTH_PX + 1) * reach) + 16
    across, along, value = np.empty(most), np.empty(most), np.empty(most)
    asked, known = 0.0, 0.0
    for k in range(len(xy)):
        result[k] = 0.0
        d = start[k]
        if not math.isfinite(d) or not math.isfinite(xy[k, 0] + xy[k, 1]):
            continue
        x, y, nx, ny = xy[k, 0], xy[k, 1], normals[k, 0], normals[k, 1]
        done, middle, n = False, np.inf, 0
        for _ in range(5):
            if not abs(d - middle) <= AFRESH_PX:
                n, middle = _gather(picture, x, y, nx, ny, d, reach, across, along, value), d
                v1, v2 = 0.0, 0.0
                for i in range(n):
                    v1 += value[i]
                    v2 += value[i] * value[i]
            if n < 12:
                break
            _step_sums(across, value, n, d, w, sums)
            # Without their means, then a and the constant are gone from the equations.
            ee, se, ss = sums[2] - sums[1] ** 2 / n, sums[4] - sums[3] * sums[1] / n, sums[5] - sums[3] ** 2 / n
            ve, vs = sums[11] - v1 * sums[1] / n, sums[12] - v1 * sums[3] / n
            vv = v2 - v1**2 / n
            det = ee * ss - se * se
            if not det > 1e-12:
                break
            b = (ss * ve - se * vs) / det
            p = (ee * vs - se * ve) / det
            if not b > 0.0:
                break
            # The sums belong to the place before this move.
            fitted = d
            move = min(max(-p / b, -1.0), 1.0)
            d += move
            if abs(d - start[k]) > reach:
                break
            done = abs(move) < 0.02
            if done:
                break
        if not done:
            continue
        _shape_sums(across, along, value, n, fitted, w, sums)
        left = max(vv - b * ve - p * vs, 0.0) / max(n - 4.0, 1.0)
        # What b and p leave over of the tilt's and of the blur's column.
        a = (v1 - b * sums[1] - p * sums[3]) / n
        tilt_pull = sums[15] - a * sums[16] - b * sums[17]
        result[k, 0] = d
        result[k, 1] = ee / (det * b * b)
        result[k, 2] = b
        result[k, 3] = tilt_pull / (b * max(sums[18], 1e-9))
        result[k, 4] = math.sqrt(left) / b
        result[k, 5] = n
        we, ws = sums[7] - sums[6] * sums[1] / n, sums[8] - sums[6] * sums[3] / n
        ww, wv = sums[9] - sums[6] ** 2 / n, sums[13] - v1 * sums[6] / n
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
