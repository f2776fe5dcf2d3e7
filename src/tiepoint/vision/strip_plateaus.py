"""The plateaus of a strip, beyond the window that is fitted: their pixels' number and sum, their noise and slope."""

import math

from numba import njit

from tiepoint.vision.strip_find import FAR_HIGH, FAR_LOW, HALF_HEIGHT, HIGH, LOW, PLACE
from tiepoint.vision.strip_pixels import Floats

# What stands in a row of plateaus, for the one before the window and the one after it: number and sum of its pixels at
# the edge's place, its slope, and what share of its pixels that leaves worth (one without a slope); then the variances
# of both within their bins (0: not known).
N_BEFORE, SUM_BEFORE, SLOPE_BEFORE, WORTH_BEFORE, N_AFTER, SUM_AFTER, SLOPE_AFTER, WORTH_AFTER = range(8)
QUIET_BEFORE, QUIET_AFTER = 8, 9
PLATEAU_COLUMNS = 10

SUSPICIOUS = 3.3
"""Standard scores from which scatter is not chance: one clean strip of 15 lanes in 140 is looked at in vain."""
LEAST_NOISE = 0.004
"""Share of the contrast below which leftovers are the model's (a bend, the pixel's shape), not a disturbance."""
LONG_BINS, LONG_SCORE = 24, 2.5
SHORT_BINS, SHORT_SCORE = 8, 4.0
BESIDE_SCORE = 1.5
"""Bins from which a plateau can show a slope, and the standard scores from which it does. Over few bins the slope's
own noise costs more than a gentle slope does; then plateaus are made even in length instead."""


@njit(cache=True, nogil=True, error_model="numpy")
def middle_of(values: Floats, n: int) -> float:
    """Return the upper median of the first n values, which are reordered (Hoare's selection)."""
    low, high, k = 0, n - 1, n // 2
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return float(values[k])


@njit(cache=True, nogil=True, error_model="numpy")
def calm_variance(bins: Floats, near: int, far: int, some: Floats) -> float:
    """Return the variance within the bins of one plateau, as the median over up to 8 groups (0: fewer than three bins).

    From the bin `near` the edge to before the bin `far`, in that order: turned, a picture gives the same.

    Within a bin neither the edge nor uneven light along the strip adds to it; a scratch spoils few groups.
    """
    total, count, square = bins[0], bins[1], bins[2]
    per_group = max((abs(far - near) + 7) // 8, 1)
    groups = members = 0
    inside = dof = 0.0
    for k in range(near, far, 1 if far > near else -1):
        if count[k] < 2.0:
            continue
        inside += max(square[k] - total[k] * total[k] / count[k], 0.0)
        dof += count[k] - 1.0
        members += 1
        if members == per_group:
            some[groups] = inside / dof
            groups += 1
            members, inside, dof = 0, 0.0, 0.0
    return middle_of(some, groups) if groups * per_group >= 3 else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def score(energy: float, pixels: float) -> float:
    """Return the standard score of a mean of `pixels` squared unit normals (Wilson & Hilferty 1931)."""
    spread = 2.0 / (9.0 * max(pixels, 1.0))
    return float((energy ** (1.0 / 3.0) - (1.0 - spread)) / math.sqrt(spread))


@njit(cache=True, nogil=True, error_model="numpy")
def energy_limit(pixels: float) -> float:
    """Return the sum of squared unit normals that `SUSPICIOUS` stands for (`score` solved for it)."""
    spread = 2.0 / (9.0 * max(pixels, 1.0))
    root = 1.0 - spread + SUSPICIOUS * math.sqrt(spread)
    return pixels * root * root * root


@njit(cache=True, nogil=True, error_model="numpy")
def calm_bins(bins: Floats, first: int, last: int, quiet: float, calm: Floats) -> None:
    """Fill `calm` (bins,): zero for bins that vary more than the noise `quiet` explains and two beside them, else one.

    A scratch over part of the width shows within a bin; so does dirt. With `quiet` zero nothing is known of the noise.
    """
    total, count, square = bins[0], bins[1], bins[2]
    for k in range(first, last):
        calm[k] = 1.0
    if quiet <= 0.0:
        return
    # Neighbouring bins mostly have as many pixels.
    pixels, limit = 0.0, 0.0
    for k in range(first, last):
        n = count[k]
        if n != pixels and n >= 2.0:
            pixels, limit = n, energy_limit(n - 1.0) * quiet
        if n >= 2.0 and square[k] - total[k] * total[k] / n > limit:
            for j in range(max(k - 2, first), min(k + 3, last)):
                calm[j] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def slope_of(bins: Floats, first: int, last: int, place: float, calm: Floats) -> tuple[float, float, float]:
    """Return the slope of a plateau's calm bins in grey levels per px, its standard score, and what worth it leaves.

    Least squares over the bins' means, weighted by their pixels; the score comes from the means' own scatter. A level
    brought to the edge along the slope has the variance σ²/n·(1 + n·d²/S), with the distance d of the plateau's middle
    from the edge and S = Σ(k − k̄)² over its pixels.
    """
    total, count = bins[0], bins[1]
    n = sk = sm = 0.0
    used = 0
    for k in range(first, last):
        w = calm[k] * count[k]
        n += w
        sk += w * k
        sm += calm[k] * total[k]
        used += w > 0.0
    if used < SHORT_BINS:
        return 0.0, 0.0, 1.0
    middle, level = sk / n, sm / n
    skk = skm = smm = 0.0
    for k in range(first, last):
        if calm[k] * count[k] > 0.0:
            dk, dm = k - middle, total[k] / count[k] - level
            skk += count[k] * dk * dk
            skm += count[k] * dk * dm
            smm += count[k] * dm * dm
    slope = skm / skk
    scatter = max(smm - slope * skm, 0.0) / (used - 2.0)
    away = middle + 0.5 - place
    score = math.sqrt(slope * slope * skk / max(scatter, 1e-300))
    return slope, score, 1.0 / (1.0 + n * away * away / skk)


@njit(cache=True, nogil=True, error_model="numpy")
def sum_plateau(
    bins: Floats, first: int, last: int, place: float, slope: float, worth: float, calm: Floats, out: Floats
) -> None:
    """Fill number, sum, slope and worth of a plateau's calm pixels, brought along the slope to the edge at `place`."""
    pixels = values = 0.0
    for k in range(first, last):
        n = calm[k] * bins[1, k]
        pixels += n
        values += calm[k] * bins[0, k] - slope * n * (k + 0.5 - place)
    out[0], out[1], out[2], out[3] = worth * pixels, worth * values, slope, worth


@njit(cache=True, nogil=True, error_model="numpy")
def even_out(rough: Floats) -> None:
    """Make the plateaus alike in length, so that what a slope of the light does to both levels cancels."""
    before, after = rough[LOW] - rough[FAR_LOW], rough[FAR_HIGH] - rough[HIGH]
    most = max(min(before, after), SHORT_BINS)
    rough[FAR_LOW], rough[FAR_HIGH] = rough[LOW] - min(before, most), rough[HIGH] + min(after, most)


@njit(cache=True, nogil=True, error_model="numpy")
def level_calm(bins: Floats, rough: Floats, before: float, after: float, calm: Floats, far: Floats) -> None:
    """Fill a row of plateaus for one strip, the noise of its bins `before` and `after` the window being known, or 0."""
    place, low, high = rough[PLACE], int(rough[LOW]), int(rough[HIGH])
    first, last = int(rough[FAR_LOW]), int(rough[FAR_HIGH])
    calm_bins(bins, first, low, before, calm)
    calm_bins(bins, high, last, after, calm)
    slope_before, score_before, worth_before = slope_of(bins, first, low, place, calm)
    slope_after, score_after, worth_after = slope_of(bins, high, last, place, calm)
    shorter = min(low - first, last - high)
    sure = LONG_SCORE if shorter >= LONG_BINS else SHORT_SCORE
    found = shorter >= SHORT_BINS and max(score_before, score_after) > sure
    # Where one side slopes for sure, the other's is believed sooner: light seldom changes on one side alone.
    if not found or score_before < BESIDE_SCORE:
        slope_before, worth_before = 0.0, 1.0
    if not found or score_after < BESIDE_SCORE:
        slope_after, worth_after = 0.0, 1.0
    if not found and shorter < LONG_BINS:
        even_out(rough)
        first, last = int(rough[FAR_LOW]), int(rough[FAR_HIGH])
    sum_plateau(bins, first, low, place, slope_before, worth_before, calm, far[N_BEFORE : WORTH_BEFORE + 1])
    sum_plateau(bins, high, last, place, slope_after, worth_after, calm, far[N_AFTER : WORTH_AFTER + 1])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def level_plateaus(bins: Floats, rough: Floats, robust: bool, far: Floats, some: Floats, calm: Floats) -> None:
    """Fill the row `far` of plateaus for one strip; if `robust`, from calm bins, and with their variances.

    Light that changes along the strip would put the levels far from what they are at the edge, and the edge with them.
    The bright side is noisier than the dark one wherever photons are counted, ten times and more: each is judged by its
    own noise. Work space: `some` (32,) and `calm` (bins,).
    """
    if not robust:
        level_calm(bins, rough, 0.0, 0.0, calm, far)
        return
    one = calm_variance(bins, int(rough[LOW]) - 1, int(rough[FAR_LOW]) - 1, some)
    two = calm_variance(bins, int(rough[HIGH]), int(rough[FAR_HIGH]), some)
    before, after = one if one > 0.0 else two, two if two > 0.0 else one
    least = (2.0 * LEAST_NOISE * rough[HALF_HEIGHT]) ** 2
    level_calm(
        bins, rough, max(before, least) if before > 0.0 else 0.0, max(after, least) if after > 0.0 else 0.0, calm, far
    )
    far[QUIET_BEFORE], far[QUIET_AFTER] = before, after
