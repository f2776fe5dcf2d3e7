"""Kernels of a bead along a path: its band laid straight, and edges, height and presence at every station."""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Singles = NDArray[np.float32]

RIDGE, FLANKS = range(2)
"""What a bead looks like: one lobe over the ground, or two of opposite sign side by side."""

CONTRAST, FIRST, LAST, SECOND = range(4)
"""Rows that are told of a station: how far its lobes stand out, where the first and the last of them is, and how far
the last one stands out (of a ridge they are one)."""
LOW, HIGH, SLOPE = range(3)
"""Rows that are told of its edges: where they are across the band, and how steeply the grey rises there, per sample."""
PLATEAU_SHARE = 20
"""The height of a bead is a mean over this part of the band to either side."""


@njit(cache=True, nogil=True, error_model="numpy")
def unroll(picture: NDArray[Any], middle: Array, low: Array, high: Array, full: float, out: Singles) -> float:
    """Fill a band (n, m) from a picture: n stations along it, m samples across from `low` to `high` (n, 2), px.

    Through `middle` (n, 2) the way across is a parabola: a lens bends it by no more. Bilinear between pixels; NaN
    beyond them. Returns the share of samples at `full` or above.
    """
    n, m = out.shape
    rows, cols = picture.shape
    bright = 0.0
    for i in range(n):
        ax, ay = (high[i, 0] - low[i, 0]) / 2.0, (high[i, 1] - low[i, 1]) / 2.0
        bx, by = (high[i, 0] + low[i, 0]) / 2.0 - middle[i, 0], (high[i, 1] + low[i, 1]) / 2.0 - middle[i, 1]
        for j in range(m):
            t = 2.0 * j / (m - 1) - 1.0
            x, y = middle[i, 0] + t * (ax + t * bx), middle[i, 1] + t * (ay + t * by)
            if not (x >= 0.0 and y >= 0.0 and x <= cols - 1.0 and y <= rows - 1.0):
                out[i, j] = np.nan
                continue
            c, r = min(int(x), cols - 2), min(int(y), rows - 2)
            u, v = x - c, y - r
            above = picture[r, c] * (1.0 - u) + picture[r, c + 1] * u
            below = picture[r + 1, c] * (1.0 - u) + picture[r + 1, c + 1] * u
            grey = above * (1.0 - v) + below * v
            bright += 1.0 if grey >= full else 0.0
            out[i, j] = grey
    return float(bright / (n * m))


@njit(cache=True, nogil=True, error_model="numpy")
def smoothed(band: Singles) -> Singles:
    """Return the mean of three by three samples about each of a band (n, m); fewer at its border."""
    n, m = band.shape
    along, out = np.empty((n, m), np.float32), np.empty((n, m), np.float32)
    for i in range(n):
        a, b = max(i - 1, 0), min(i + 1, n - 1)
        share = np.float32(1.0 / (b - a + 1.0))
        for j in range(m):
            total = band[i, j]
            if a < i:
                total += band[a, j]
            if b > i:
                total += band[b, j]
            along[i, j] = total * share
    third = np.float32(1.0 / 3.0)
    for i in range(n):
        out[i, 0], out[i, m - 1] = 0.5 * (along[i, 0] + along[i, 1]), 0.5 * (along[i, m - 2] + along[i, m - 1])
        for j in range(1, m - 1):
            out[i, j] = (along[i, j - 1] + along[i, j] + along[i, j + 1]) * third
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def middles_of(part: Singles, looked: Bools, block: int) -> Array:
    """Return the median of every block of stations of a part of a band (n, k); NaN where none may be looked at."""
    n, k = part.shape
    out = np.full((n + block - 1) // block, np.nan)
    held = np.empty(block * k, np.float32)
    for b in range(out.size):
        count = 0
        for i in range(b * block, min((b + 1) * block, n)):
            if looked[i]:
                held[count : count + k] = part[i]
                count += k
        if count > 0:
            out[b] = np.median(held[:count])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def heights_of(contrast: Array, seen: Bools, block: int, nearby: int, whole: float) -> Array:
    """Return for every block of stations the median of the contrast (n,) of those that are seen so many blocks about.

    The `whole` band's where fewer than a quarter of them is seen: a few that stand out in a long gap are dirt and do
    not say how high the bead is. Never less than half of that.
    """
    n = contrast.size
    out = np.empty((n + block - 1) // block)
    held = np.empty((2 * nearby + 1) * block)
    for b in range(out.size):
        low, high = max((b - nearby) * block, 0), min((b + nearby + 1) * block, n)
        count = 0
        for i in range(low, high):
            if seen[i]:
                held[count] = contrast[i]
                count += 1
        out[b] = max(np.median(held[:count]), 0.5 * whole) if 4 * count >= high - low else whole
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def stations(calm: Singles, base: Array, sign: float, look: int, told: Array) -> None:
    """Fill what is told of every station (4, n) of a band (n, m); `base` (n, 2): the ground's grey on both
    sides.

    A ridge stands out by its highest place, the mean of about a tenth of the band, so that no glint stands for it;
    flanks by the lower of two lobes, the first one with the `sign`.
    """
    n, m = calm.shape
    rising, over = np.empty(m), np.empty(m)
    where = np.empty(m, np.int64)
    reach = m // PLATEAU_SHARE
    for i in range(n):
        step = (base[i, 1] - base[i, 0]) / (m - 1)
        total, first, last = 0.0, 0, -1
        for j in range(m):
            while last < min(j + reach, m - 1):
                last += 1
                total += calm[i, last] - base[i, 0] - step * last
            while first < j - reach:
                total -= calm[i, first] - base[i, 0] - step * first
                first += 1
            over[j] = total / (last - first + 1)
        if look == RIDGE:
            best, at = -np.inf, 0
            for j in range(m):
                d = sign * over[j]
                if d > best:
                    best, at = d, j
            told[CONTRAST, i], told[FIRST, i], told[LAST, i], told[SECOND, i] = best, at, at, best
            continue
        top, at = -np.inf, 0
        for j in range(m):
            d = sign * over[j]
            if d > top:
                top, at = d, j
            rising[j], where[j] = top, at
        best, first, last, second = -np.inf, 0, m - 1, 0.0
        top, at = -np.inf, m - 1
        for j in range(m - 1, 0, -1):
            d = -sign * over[j]
            if d > top:
                top, at = d, j
            lower = min(top, rising[j - 1])
            if lower > best:
                best, first, last, second = lower, where[j - 1], at, top
        told[CONTRAST, i], told[FIRST, i], told[LAST, i], told[SECOND, i] = best, first, last, second


@njit(cache=True, nogil=True, error_model="numpy")
def crossings(
    calm: Singles, base: Array, sign: float, look: int, told: Array, height: Array, share: float, edges: Array
) -> None:
    """Fill the edges (3, n) of every station: outwards from its lobes, the first samples below a share of the height.

    `height` (n,): how far a ridge stands out there; a flank counts by itself. What is below on fewer samples than a
    twelfth of the band is noise or a glint, and bridged. NaN where the bead does not end within the band.
    """
    n, m = calm.shape
    bridge = max(m // 12, 3)
    other = -sign if look == FLANKS else sign
    for i in range(n):
        edges[LOW, i] = edges[HIGH, i] = edges[SLOPE, i] = np.nan
        step = (base[i, 1] - base[i, 0]) / (m - 1)
        first, last = int(told[FIRST, i]), int(told[LAST, i])
        # Each edge counts from the ground on its own side, up to the bead's own level.
        top = height[i] + sign * step * first
        before = sign * (calm[i, first] - base[i, 0])
        level = share * (before if look == FLANKS else top)
        low_slope = np.nan
        below = 0
        for j in range(first - 1, -1, -1):
            d = sign * (calm[i, j] - base[i, 0])
            if d >= level:
                below = 0
            elif before >= level:
                edges[LOW, i] = j + (level - d) / (before - d)
                low_slope = before - d
            below += d < level
            if below >= bridge:
                break
            before = d
        if below == 0:
            edges[LOW, i] = np.nan
        top = height[i] - other * step * (m - 1 - last)
        before = other * (calm[i, last] - base[i, 1])
        level = share * (before if look == FLANKS else top)
        below = 0
        for j in range(last + 1, m):
            d = other * (calm[i, j] - base[i, 1])
            if d >= level:
                below = 0
            elif before >= level:
                edges[HIGH, i] = j - (level - d) / (before - d)
                edges[SLOPE, i] = 0.5 * (low_slope + before - d)
            below += d < level
            if below >= bridge:
                break
            before = d
        if below == 0:
            edges[HIGH, i] = edges[SLOPE, i] = np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def along_end(
    band: Singles, base: Array, sign: float, look: int, at: int, way: int, lobes: Array, height: float, share: float,
    reach: int,
) -> tuple[float, float, float]:  # fmt: skip
    """Return where a bead ends along the band, how steeply it does, per station, and over how many samples that is.

    From the station `at`, where it is, along the `way` (+1 or −1) to where it is not, at the same samples across: about
    `lobes` (2,), the mean of three samples at each. NaN where it does not end within `reach` stations.
    """
    n, m = band.shape
    sides = 2 if look == FLANKS else 1
    before, place, slope = np.nan, np.nan, np.nan
    for k in range(-reach, reach + 1):
        i = at + way * k
        if i < 0 or i >= n:
            continue
        total = 0.0
        for s in range(sides):
            middle = int(np.rint(lobes[s]))
            signed = sign if s == 0 else -sign
            step = (base[i, 1] - base[i, 0]) / (m - 1)
            for j in range(middle - 1, middle + 2):
                c = min(max(j, 0), m - 1)
                total += signed * (band[i, c] - base[i, 0] - step * c)
        here = total / (3.0 * sides)
        if before >= share * height > here:
            place = i - way * (share * height - here) / (before - here)
            slope = before - here
            # The last crossing before the gap counts: what follows is ground.
        before = here
    return place, slope, 3.0 * sides
