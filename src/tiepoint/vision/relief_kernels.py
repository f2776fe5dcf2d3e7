"""Pictures under several lamps to albedo and slopes, pixel by pixel, in one pass.

A pixel's values are v = A·g with g = ρ·n and A its lamps' pulls (n, 3), so g = A⁺·v (Woodham 1980), slopes are −gx/gz
and −gy/gz, albedo is |g|. Whole rows are solved in vector registers; pixels that saturate, lie in shadow or do not fit
Lambert's law (a highlight) are then solved again one by one with the lamps that hold there.
"""

import numpy as np
from numba import njit

STEEPEST = 20.0
"""Slopes are told up to this rise per run; beyond it a surface lies in its own shadow and its slope is noise."""
DARK_SHARE = 0.04
"""A lamp that gives less than this share of the brightest one's light is taken to be in shadow there."""
PENUMBRA = 0.4
"""With four lamps: the share of its expected light below which the one that does not fit is in shadow."""


FAST = {"nnan", "nsz", "contract"}
"""No value is NaN (pictures that hold one are refused), and a rounding less does no harm: loops become vectors."""


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def solve_four(  # type: ignore[no-untyped-def]  # numba infers
    p0, p1, p2, p3, black, inverse, check, pulls, limits, albedo, slope_x, slope_y, used
):
    """Solve four pictures (rows, cols) under lamps that pull alike everywhere.

    `inverse` (3, 4) and `check` (4,) are tuples of f32: A⁺, and the unit vector that no surface makes (check·A = 0).
    `pulls` (4, 3). `limits`, f32: saturated from, dark up to, noise allowed in check·v, and the share of ρ allowed
    beside it. Writes f32 results and the lamps used, a bit each; no bit where fewer than three hold. With None for
    `used` all lamps are used everywhere.
    """
    rows, cols = p0.shape
    (a0, a1, a2, a3), (b0, b1, b2, b3), (c0, c1, c2, c3) = inverse
    k0, k1, k2, k3 = check
    top, dark, noise, share = limits
    dark_share, flattest = np.float32(DARK_SHARE), np.float32(1.0 / STEEPEST)
    values = np.empty(4, np.float32)
    for y in range(rows):
        for x in range(cols):
            v0 = np.float32(p0[y, x]) - black
            v1 = np.float32(p1[y, x]) - black
            v2 = np.float32(p2[y, x]) - black
            v3 = np.float32(p3[y, x]) - black
            gx = a0 * v0 + a1 * v1 + a2 * v2 + a3 * v3
            gy = b0 * v0 + b1 * v1 + b2 * v2 + b3 * v3
            gz = c0 * v0 + c1 * v1 + c2 * v2 + c3 * v3
            rho = np.sqrt(gx * gx + gy * gy + gz * gz)
            inv = -np.float32(1.0) / max(gz, flattest * rho + np.float32(1e-20))
            albedo[y, x] = rho
            slope_x[y, x] = gx * inv
            slope_y[y, x] = gy * inv
            if used is not None:
                off = abs(k0 * v0 + k1 * v1 + k2 * v2 + k3 * v3)
                most = max(max(v0, v1), max(v2, v3))
                least = min(min(v0, v1), min(v2, v3))
                bad = (off > noise + share * rho) | (most >= top) | (least <= dark + dark_share * most)
                used[y, x] = np.uint16(0) if bad else np.uint16(15)
        if used is not None and not _all_nonzero(used[y]):
            for x in range(cols):
                if used[y, x] == 0:
                    values[0] = np.float32(p0[y, x]) - black
                    values[1] = np.float32(p1[y, x]) - black
                    values[2] = np.float32(p2[y, x]) - black
                    values[3] = np.float32(p3[y, x]) - black
                    albedo[y, x], slope_x[y, x], slope_y[y, x], used[y, x] = solve_pixel(values, pulls, limits)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def solve_any(  # type: ignore[no-untyped-def]  # numba infers
    stack, black, inverse, pulls, step, limits, albedo, slope_x, slope_y, used
):
    """Solve a stack (n, rows, cols) under lamps whose pulls are given at nodes, linear between them.

    Nodes stand every `step` px: `inverse` (ny, nx, 3, n) and `pulls` (ny, nx, n, 3) f32. `limits` and results are as in
    `solve_four`; what the lamps leave unexplained, which of three is nothing, is compared with noise·√(n − 3).
    """
    n, rows, cols = stack.shape
    top, dark, noise, share = limits
    nx = inverse.shape[1]
    gx, gy, gz = np.empty(cols, np.float32), np.empty(cols, np.float32), np.empty(cols, np.float32)
    rest, most, least = np.empty(cols, np.float32), np.empty(cols, np.float32), np.empty(cols, np.float32)
    row_inverse, row_pulls = np.empty((nx, 3, n), np.float32), np.empty((nx, n, 3), np.float32)
    here, values = np.empty((n, 3), np.float32), np.empty(n, np.float32)
    whole, noise = np.uint16((1 << n) - 1), noise * np.float32(np.sqrt(max(n - 3, 0)))
    for y in range(rows):
        at = y // step
        t = np.float32((y - at * step) / step)
        _between_rows(inverse[at], inverse[at + 1], t, row_inverse)
        _between_rows(pulls[at], pulls[at + 1], t, row_pulls)
        for x in range(cols):
            gx[x] = gy[x] = gz[x] = rest[x] = most[x] = np.float32(0.0)
            least[x] = np.float32(1e9)
        for i in range(n):
            _add_lamp(stack[i, y], black, row_inverse, i, step, gx, gy, gz)
            _extremes(stack[i, y], black, most, least)
        if n > 3:
            for i in range(n):
                _add_rest(stack[i, y], black, row_pulls, i, step, gx, gy, gz, rest)
        _to_slopes(gx, gy, gz, albedo[y], slope_x[y], slope_y[y])
        _judge(albedo[y], rest, most, least, top, dark, noise, share, whole, used[y])
        if not _all_nonzero(used[y]):
            for x in range(cols):
                if used[y, x] == 0:
                    k = x // step
                    s = np.float32((x - k * step) / step)
                    for i in range(n):
                        values[i] = np.float32(stack[i, y, x]) - black
                        for c in range(3):
                            here[i, c] = (np.float32(1.0) - s) * row_pulls[k, i, c] + s * row_pulls[k + 1, i, c]
                    albedo[y, x], slope_x[y, x], slope_y[y, x], used[y, x] = solve_pixel(values, here, limits)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _all_nonzero(bits):  # type: ignore[no-untyped-def]  # numba infers
    least = np.uint16(65535)
    for x in range(bits.shape[0]):
        least = min(least, bits[x])
    return least > 0


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _between_rows(upper, lower, t, out):  # type: ignore[no-untyped-def]  # numba infers
    for k in range(out.shape[0]):
        for i in range(out.shape[1]):
            for j in range(out.shape[2]):
                out[k, i, j] = upper[k, i, j] + t * (lower[k, i, j] - upper[k, i, j])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _add_lamp(row, black, inverse, i, step, gx, gy, gz):  # type: ignore[no-untyped-def]  # numba infers
    """Add one lamp's share to g along a row, the inverse (nx, 3, n) running linearly from node to node."""
    cols = row.shape[0]
    per_px = np.float32(1.0 / step)
    for k in range((cols + step - 1) // step):
        begin = k * step
        a, b, c = inverse[k, 0, i], inverse[k, 1, i], inverse[k, 2, i]
        da = (inverse[k + 1, 0, i] - a) * per_px
        db = (inverse[k + 1, 1, i] - b) * per_px
        dc = (inverse[k + 1, 2, i] - c) * per_px
        end = min(begin + step, cols)
        v, x, y, z = row[begin:end], gx[begin:end], gy[begin:end], gz[begin:end]
        for j in range(end - begin):
            t, value = np.float32(np.int32(j)), np.float32(v[j]) - black
            x[j] += (a + t * da) * value
            y[j] += (b + t * db) * value
            z[j] += (c + t * dc) * value


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _add_rest(row, black, pulls, i, step, gx, gy, gz, rest):  # type: ignore[no-untyped-def]  # numba infers
    """Add the square of what one lamp's value differs from its fit to rest (cols,)."""
    cols = row.shape[0]
    per_px = np.float32(1.0 / step)
    for k in range((cols + step - 1) // step):
        begin = k * step
        a, b, c = pulls[k, i, 0], pulls[k, i, 1], pulls[k, i, 2]
        da = (pulls[k + 1, i, 0] - a) * per_px
        db = (pulls[k + 1, i, 1] - b) * per_px
        dc = (pulls[k + 1, i, 2] - c) * per_px
        end = min(begin + step, cols)
        v, x, y, z, r = row[begin:end], gx[begin:end], gy[begin:end], gz[begin:end], rest[begin:end]
        for j in range(end - begin):
            t = np.float32(np.int32(j))
            off = np.float32(v[j]) - black - (a + t * da) * x[j] - (b + t * db) * y[j] - (c + t * dc) * z[j]
            r[j] += off * off


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _extremes(row, black, most, least):  # type: ignore[no-untyped-def]  # numba infers
    for x in range(row.shape[0]):
        v = np.float32(row[x]) - black
        most[x] = max(most[x], v)
        least[x] = min(least[x], v)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _to_slopes(gx, gy, gz, albedo, slope_x, slope_y):  # type: ignore[no-untyped-def]  # numba infers
    flattest = np.float32(1.0 / STEEPEST)
    for x in range(gx.shape[0]):
        rho = np.sqrt(gx[x] * gx[x] + gy[x] * gy[x] + gz[x] * gz[x])
        albedo[x] = rho
        gz[x] = -np.float32(1.0) / max(gz[x], flattest * rho + np.float32(1e-20))
    for x in range(gx.shape[0]):
        slope_x[x] = gx[x] * gz[x]
        slope_y[x] = gy[x] * gz[x]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _judge(  # type: ignore[no-untyped-def]  # numba infers
    albedo, rest, most, least, top, dark, noise, share, whole, used
):
    dark_share = np.float32(DARK_SHARE)
    for x in range(albedo.shape[0]):
        bad = np.sqrt(rest[x]) > noise + share * albedo[x]
        bad = bad | (most[x] >= top) | (least[x] <= dark + dark_share * most[x])
        used[x] = np.uint16(0) if bad else whole


@njit(cache=True, nogil=True, error_model="numpy")
def solve_pixel(values, pulls, limits):  # type: ignore[no-untyped-def]  # numba infers
    """Solve one pixel with the lamps that hold there; return ρ, slope x, slope y and their bits (0: fewer than three).

    First those that are saturated or dark are left out, then, while more than three are left and they do not agree,
    the worst of them.
    """
    top, dark, noise, share = limits
    n = values.shape[0]
    most = np.float32(0.0)
    for i in range(n):
        most = max(most, values[i])
    mask, count = 0, 0
    for i in range(n):
        if values[i] < top and values[i] > dark + np.float32(DARK_SHARE) * most:
            mask |= 1 << i
            count += 1
    g = np.zeros(3)
    spread = np.zeros(6)
    while count >= 3:
        if not fit_lamps(values, pulls, mask, g, spread):
            break
        worst = _worst(values, pulls, mask, count, g, spread, noise, share) if count > 3 else -1
        if worst < 0:
            rho = np.sqrt(g[0] * g[0] + g[1] * g[1] + g[2] * g[2])
            inv = -1.0 / max(g[2], rho / STEEPEST + 1e-20)
            return np.float32(rho), np.float32(g[0] * inv), np.float32(g[1] * inv), np.uint16(mask)
        mask &= ~(1 << worst)
        count -= 1
    return np.float32(most), np.float32(0.0), np.float32(0.0), np.uint16(0)


@njit(cache=True, nogil=True, error_model="numpy")
def fit_lamps(values, pulls, mask, g, spread):  # type: ignore[no-untyped-def]  # numba infers
    """Fit g (3,) to the lamps of a mask and write (AᵀA)⁻¹ as xx, xy, xz, yy, yz, zz; False where they do not fix it."""
    xx = xy = xz = yy = yz = zz = 0.0
    tx = ty = tz = 0.0
    for i in range(values.shape[0]):
        if mask >> i & 1:
            a, b, c, v = float(pulls[i, 0]), float(pulls[i, 1]), float(pulls[i, 2]), float(values[i])
            xx += a * a
            xy += a * b
            xz += a * c
            yy += b * b
            yz += b * c
            zz += c * c
            tx += a * v
            ty += b * v
            tz += c * v
    c0 = yy * zz - yz * yz
    c1 = xz * yz - xy * zz
    c2 = xy * yz - xz * yy
    whole = xx * c0 + xy * c1 + xz * c2
    if not whole > 1e-6 * xx * yy * zz:
        return False
    spread[0] = c0 / whole
    spread[1] = c1 / whole
    spread[2] = c2 / whole
    spread[3] = (xx * zz - xz * xz) / whole
    spread[4] = (xy * xz - xx * yz) / whole
    spread[5] = (xx * yy - xy * xy) / whole
    g[0] = spread[0] * tx + spread[1] * ty + spread[2] * tz
    g[1] = spread[1] * tx + spread[3] * ty + spread[4] * tz
    g[2] = spread[2] * tx + spread[4] * ty + spread[5] * tz
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _worst(values, pulls, mask, count, g, spread, noise, share):  # type: ignore[no-untyped-def]  # numba infers
    """Return the lamp that fits worst, −1 where all agree within noise·√dof + share·ρ.

    With one lamp more than needed all disagree alike: then one that gives far less than the others let expect is in
    shadow; else the brightest of those that give more shows a highlight.
    """
    rest, worst, most = 0.0, -1, 0.0
    shadow, least, bright, brightest = -1, PENUMBRA, -1, 0.0
    for i in range(values.shape[0]):
        if mask >> i & 1:
            a, b, c = float(pulls[i, 0]), float(pulls[i, 1]), float(pulls[i, 2])
            off = values[i] - (a * g[0] + b * g[1] + c * g[2])
            lever = (
                a * a * spread[0] + b * b * spread[3] + c * c * spread[5]
                + 2.0 * (a * b * spread[1] + a * c * spread[2] + b * c * spread[4])
            )  # fmt: skip
            free = max(1.0 - lever, 1e-9)
            rest += off * off
            if off * off / free > most:
                worst, most = i, off * off / free
            expected = values[i] - off / free
            if off < 0.0 and expected > 0.0 and values[i] < least * expected:
                shadow, least = i, values[i] / expected
            if off > 0.0 and values[i] > brightest:
                bright, brightest = i, values[i]
    rho = np.sqrt(g[0] * g[0] + g[1] * g[1] + g[2] * g[2])
    if np.sqrt(rest) <= noise * np.sqrt(count - 3.0) + share * rho:
        return -1
    if count > 4:
        return worst
    return shadow if shadow >= 0 else bright


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def confidence_of(  # type: ignore[no-untyped-def]  # numba infers
    planes, black, pulls, step, noise, share, albedo, slope_x, slope_y, used, scale, out
):
    """Write 1/(1 + (u/scale)²) per pixel, u being the standard uncertainty of its slopes, 0 where there is none.

    The grey values' variance is noise² and what the lamps in use leave unexplained over its degrees of freedom (where
    nothing checks them, the share of ρ that a check would tolerate); u follows by (AᵀA)⁻¹ and the slopes' derivatives.
    The lamps' pulls are those of the nearest node. `planes`: a tuple of the pictures, which are not copied together.
    """
    n, (rows, cols) = len(planes), out.shape
    whole = np.uint16((1 << n) - 1)
    rest = np.empty(cols, np.float32)
    flat = np.empty(cols, np.float32)
    g = np.zeros(3)
    spread = np.zeros(6)
    values = np.zeros(n, np.float32)
    spreads = np.empty((pulls.shape[1], 6), np.float32)
    per_scale, one = np.float32(0.5 / (scale * scale)), np.float32(1.0)
    noise2, share2, free = np.float32(noise * noise), np.float32(share * share), np.float32(1.0 / max(n - 3, 1))
    unchecked = np.float32(0.0) if n > 3 else share2
    for y in range(rows):
        at = min((y + step // 2) // step, pulls.shape[0] - 1)
        p, q, rho, mask, line = slope_x[y], slope_y[y], albedo[y], used[y], out[y]
        for k in range(pulls.shape[1]):
            fit_lamps(values, pulls[at, k], whole, g, spread)
            for j in range(6):
                spreads[k, j] = np.float32(spread[j])
        for x in range(cols):
            flat[x] = rho[x] / np.sqrt(one + p[x] * p[x] + q[x] * q[x])
            rest[x] = unchecked * rho[x] * rho[x]
        if n > 3:
            for i in range(n):
                _add_off(planes[i][y], black, pulls[at], i, step, p, q, flat, rest)
        for k in range(pulls.shape[1]):
            begin, end = max(k * step - step // 2, 0), min(k * step - step // 2 + step, cols)
            _confidences(
                spreads[k], noise2, free, per_scale, rest[begin:end], flat[begin:end], p[begin:end], q[begin:end],
                line[begin:end],
            )  # fmt: skip
        if not _all_are(mask, whole):
            for x in range(cols):
                if mask[x] != whole:
                    k = min((x + step // 2) // step, pulls.shape[1] - 1)
                    for i in range(n):
                        values[i] = np.float32(planes[i][y, x]) - black
                    line[x] = _confidence_left(
                        values, pulls[at, k], mask[x], p[x], q[x], flat[x], noise2, share2 * rho[x] * rho[x], per_scale,
                        g, spread,
                    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _all_are(bits, whole):  # type: ignore[no-untyped-def]  # numba infers
    least = whole
    for x in range(bits.shape[0]):
        least = min(least, bits[x])
    return least == whole


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _confidences(  # type: ignore[no-untyped-def]  # numba infers
    spread, noise2, free, per_scale, rest, flat, p, q, out
):
    two = np.float32(2.0)
    both, xz, yz, zz = spread[0] + spread[3], two * spread[2], two * spread[4], spread[5]
    for x in range(out.shape[0]):
        bent = both + p[x] * xz + q[x] * yz + (p[x] * p[x] + q[x] * q[x]) * zz
        z2 = flat[x] * flat[x]
        out[x] = z2 / (z2 + per_scale * (noise2 + free * rest[x]) * bent + np.float32(1e-20))


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _add_off(row, black, pulls, i, step, p, q, flat, rest):  # type: ignore[no-untyped-def]  # numba infers
    """Add the square of what one lamp's values differ from those of the solved surface to rest (cols,)."""
    cols = row.shape[0]
    for k in range(pulls.shape[0]):
        a, b, c = pulls[k, i, 0], pulls[k, i, 1], pulls[k, i, 2]
        begin, end = max(k * step - step // 2, 0), min(k * step - step // 2 + step, cols)
        v, x, y, z, r = row[begin:end], p[begin:end], q[begin:end], flat[begin:end], rest[begin:end]
        for j in range(end - begin):
            off = np.float32(v[j]) - black - z[j] * (c - x[j] * a - y[j] * b)
            r[j] += off * off


@njit(cache=True, nogil=True, error_model="numpy")
def _confidence_left(  # type: ignore[no-untyped-def]  # numba infers
    values, pulls, mask, p, q, flat, noise2, unchecked, per_scale, g, spread
):
    """Return the confidence of a pixel at which some lamps were left out."""
    if mask == 0 or not fit_lamps(values, pulls, mask, g, spread):
        return np.float32(0.0)
    rest, count = 0.0, 0
    for i in range(values.shape[0]):
        if mask >> i & 1:
            off = values[i] - flat * (pulls[i, 2] - p * pulls[i, 0] - q * pulls[i, 1])
            rest += off * off
            count += 1
    rest = rest / (count - 3) if count > 3 else unchecked
    bent = spread[0] + spread[3] + 2.0 * (p * spread[2] + q * spread[4]) + (p * p + q * q) * spread[5]
    z2 = flat * flat
    return np.float32(z2 / (z2 + per_scale * (noise2 + rest) * bent + 1e-20))
