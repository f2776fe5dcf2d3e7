"""Where in a strip the edge roughly is, from the strip's profile alone.

A step filter (mean of three bins after minus mean of three before) gives one response a bin border. The
chosen peak, its plateaus, and how far these reach without meeting another edge, are what the fit starts from.
"""

import math

from numba import njit

from tiepoint.vision.strip_pixels import Floats

HALF_STEP = 3
"""Bins on each side of the step filter: wide against noise, narrow against a neighbouring edge."""
RIVAL = 0.5
"""Share of the strongest response from which another edge counts as one."""
PLATEAU_TOLERANCE = 0.25
"""Share of the contrast by which a plateau may drift before it is taken to end."""
REACH = 4.2
"""Half the fitted window in blur widths: erf differs from ±1 by less than 3e-5 beyond it."""

EITHER, RISING, FALLING = 0, 1, -1
CLEAREST, NEAREST, FARTHEST = 0, 1, 2


# What stands in a row of rough finds. Places are in bins from the strip's start; [LOW, HIGH) is the window to
# fit, [FAR_LOW, FAR_HIGH) reaches over the plateaus around it.
FOUND, PLACE, MEAN, HALF_HEIGHT, SPREAD, RESPONSE, LOW, HIGH, FAR_LOW, FAR_HIGH, RIVALS, PER_BIN = range(12)
ROUGH_COLUMNS = 12


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def means_of(total: Floats, count: Floats, mean: Floats) -> tuple[int, int, float]:
    """Fill `mean` (bins,); return the range [first, last) of bins with enough pixels to use, and the most in one."""
    most = 0.0
    for k in range(count.size):
        most = max(most, count[k])
    enough = 0.5 * most
    first, last = -1, 0
    for k in range(total.size):
        mean[k] = total[k] / count[k] if count[k] > 0 else 0.0
        if count[k] > 0 and count[k] >= enough:
            if first < 0:
                first = k
            last = k + 1
    for k in range(first, last):
        # A hole can only come from a strip less than a pixel wide: bridge it.
        if count[k] == 0 and k > 0:
            mean[k] = mean[k - 1]
    return max(first, 0), last, most


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def respond(mean: Floats, first: int, last: int, polarity: int, response: Floats) -> float:
    """Fill `response` (bins + 1,) at bin borders with the step in the asked direction; return the largest."""
    best = 0.0
    for j in range(response.size):
        response[j] = 0.0
    for j in range(first + HALF_STEP, last - HALF_STEP + 1):
        step = 0.0
        for k in range(HALF_STEP):
            step += mean[j + k] - mean[j - 1 - k]
        step /= HALF_STEP
        response[j] = abs(step) if polarity == EITHER else polarity * step
        best = max(best, response[j])
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def pick(response: Floats, best: float, of_several: int) -> int:
    """Return the border of the clearest, nearest or farthest peak among those of at least `RIVAL` times the best."""
    size = response.size
    if of_several == CLEAREST:
        for j in range(size):
            if response[j] == best:
                return j
    step = 1 if of_several == NEAREST else -1
    j = 0 if of_several == NEAREST else size - 1
    while response[j] < RIVAL * best:
        j += step
    while 0 <= j + step < size and response[j + step] > response[j]:
        j += step
    return j


@njit(cache=True, nogil=True, error_model="numpy")
def has_rival(response: Floats, peak: int) -> bool:
    """Tell whether another peak stands apart: the response falls off and rises again."""
    for step in (-1, 1):
        fallen = False
        j = peak + step
        while 0 <= j < response.size:
            fallen = fallen or response[j] < 0.3 * response[peak]
            if fallen and response[j] >= RIVAL * response[peak]:
                return True
            j += step
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def level_beside(mean: Floats, first: int, last: int, start: int, step: int) -> float:
    """Return the mean of up to three bins from `start` on, kept inside the strip."""
    total, n = 0.0, 0
    for k in range(3):
        j = start + step * k
        if first <= j < last:
            total += mean[j]
            n += 1
    return total / n if n > 0 else mean[first if step < 0 else last - 1]


@njit(cache=True, nogil=True, error_model="numpy")
def plateau_end(mean: Floats, first: int, last: int, start: int, step: int, tolerance: float, back: int) -> int:
    """Walk outwards from `start` while the profile keeps its level; return the last bin that may be used.

    Where it leaves the level another edge begins, so `back` bins are given up again; a result on the near
    side of `start` means that there is no plateau at all.
    """
    level = level_beside(mean, first, last, start, step)
    j = start
    while first <= j < last:
        if abs(mean[j] - level) > tolerance:
            return j - step * (back + 1)
        j += step
    return j - step


@njit(cache=True, nogil=True, error_model="numpy")
def turning_point(mean: Floats, first: int, last: int, peak: int, step: int, sign: float, reach: int) -> int:
    """Return the bin within `reach` of the edge at which the profile stops rising (falling) away from it."""
    best = peak if step > 0 else peak - 1
    for k in range(reach):
        j = (peak + k) if step > 0 else (peak - 1 - k)
        if j < first or j >= last:
            break
        if step * sign * (mean[j] - mean[best]) > 0:
            best = j
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def crossing(mean: Floats, first: int, last: int, peak: int, level: float, sign: float) -> float:
    """Return where the profile crosses `level` nearest to the border `peak`, in bins from the start."""
    best, distance = float(peak), 1e9
    for k in range(max(first, peak - 4), min(last - 1, peak + 4)):
        low, high = sign * (mean[k] - level), sign * (mean[k + 1] - level)
        if low <= 0.0 < high:
            at = k + 0.5 - low / (high - low)
            if abs(at - peak) < distance:
                best, distance = at, abs(at - peak)
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def window(
    mean: Floats, first: int, last: int, peak: int, at: float, blur: float, step: float
) -> tuple[int, int, int, int]:
    """Return the bins [low, high) to fit and the plateaus [far_low, far_high) that surround them."""
    reach = REACH * blur + 1.0
    back = math.ceil(0.7 * reach)
    sign = 1.0 if step > 0 else -1.0
    low, high = max(first, math.floor(at - reach)), min(last, math.ceil(at + reach))
    tolerance = PLATEAU_TOLERANCE * abs(step)
    far_high = plateau_end(mean, first, last, high, 1, tolerance, back) + 1 if high < last else last
    far_low = plateau_end(mean, first, last, low - 1, -1, tolerance, back) if low > first else first
    if far_high <= high:
        high = far_high = 1 + turning_point(mean, first, last, peak, 1, sign, math.ceil(reach))
    if far_low >= low:
        low = far_low = turning_point(mean, first, last, peak, -1, sign, math.ceil(reach))
    return low, high, far_low, far_high


@njit(cache=True, nogil=True, error_model="numpy")
def steepest(mean: Floats, first: int, last: int, peak: int) -> float:
    """Return the largest difference of neighbouring bins within two bins of the border `peak`."""
    best = 0.0
    for k in range(max(first + 1, peak - 2), min(last, peak + 3)):
        best = max(best, abs(mean[k] - mean[k - 1]))
    return best


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def find_roughly(
    total: Floats, count: Floats, mean: Floats, response: Floats, polarity: int, of_several: int, rough: Floats
) -> None:
    """Fill the row `rough` for one profile; `mean` (bins,) and `response` (bins + 1,) are work space."""
    first, last, rough[PER_BIN] = means_of(total, count, mean)
    best = respond(mean, first, last, polarity, response) if last - first >= 2 * HALF_STEP else 0.0
    if best <= 0.0:
        return
    peak = pick(response, best, of_several)
    before = level_beside(mean, first, last, peak - 4, -1)
    after = level_beside(mean, first, last, peak + 3, 1)
    step = after - before
    if step == 0.0:
        step = mean[min(peak, last - 1)] - mean[peak - 1]
    steep = steepest(mean, first, last, peak)
    blur = min(max(0.4 * abs(step) / steep, 0.5), 0.125 * (last - first) + 0.5) if steep > 0 else 1.0
    at = crossing(mean, first, last, peak, 0.5 * (before + after), 1.0 if step > 0 else -1.0)
    rough[FOUND], rough[PLACE], rough[SPREAD] = 1.0, at, blur
    rough[MEAN], rough[HALF_HEIGHT], rough[RESPONSE] = 0.5 * (before + after), 0.5 * step, response[peak]
    rough[LOW], rough[HIGH], rough[FAR_LOW], rough[FAR_HIGH] = window(mean, first, last, peak, at, blur, step)
    rough[RIVALS] = 1.0 if has_rival(response, peak) else 0.0
