"""All that is done to the strips of one call, in few compiled calls: a shot asks some dozen times, for few each."""

import math

import numpy as np
from numba import njit
from numpy import bool_
from numpy.typing import NDArray

from tiepoint.vision.strip_batch import find_disturbed, fit_all, refit_all
from tiepoint.vision.strip_find import FAR_HIGH, FAR_LOW, HIGH, LOW, ROUGH_COLUMNS, find_all
from tiepoint.vision.strip_fit import DOF, NOISE, SETTLED
from tiepoint.vision.strip_pixels import Floats, Ints, gather_all, profiles
from tiepoint.vision.strip_plateaus import PLATEAU_COLUMNS, level_all
from tiepoint.vision.strip_report import tell_all

SURE_DOF = 60.0
"""Degrees of freedom from which the noise of a fit is believed on its own."""
FEWEST_TO_SHARE = 8
FEWEST_ROOM = 130
"""Least pixels of work space for the fits: medians of a plateau take some too."""


@njit(cache=True, nogil=True, error_model="numpy")
def lay(centres: Floats, directions: Floats, strips: Floats) -> int:
    """Fill strips (n, 4) x, y, dx, dy with unit directions; return the first direction without a length, or −1.

    −2 where a place or a direction is not finite, or too far off.
    """
    for i in range(centres.shape[0]):
        dx, dy = directions[i, 0], directions[i, 1]
        size = math.hypot(dx, dy)
        if not size > 0.0 and not math.isnan(size):
            return i
        strips[i, 0], strips[i, 1], strips[i, 2], strips[i, 3] = centres[i, 0], centres[i, 1], dx / size, dy / size
        for k in range(4):
            if not abs(strips[i, k]) <= 1e7:
                return -2
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def room_for(rough: Floats, low: int, high: int, half_length: float, width: float, ranges: Floats, starts: Ints) -> int:
    """Fill where along each strip its bins from `low` to `high` lie, and where room for their pixels starts.

    The squares of the pixels whose centres are there lie within √2/2 px of it. Returns how much room there is.
    """
    total = 0
    for i in range(rough.shape[0]):
        starts[i] = total
        ranges[i, 0], ranges[i, 1] = rough[i, low] - half_length, rough[i, high] - half_length
        total += math.ceil((rough[i, high] - rough[i, low] + 1.5) * (width + 1.5))
    starts[rough.shape[0]] = total
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def noise_of_profile(bins: Floats, width: float) -> float:
    """Return the noise of a strip's pixels from its whole profile `bins` (3, bins): the median within bins.

    Strips of a single pixel a bin have none within: then the median step from bin to bin tells it.
    """
    count = bins.shape[1]
    inside, most = np.empty(count), 1.0
    if width < 2.0:
        for k in range(count - 1):
            here, there = bins[0, k] / max(bins[1, k], 1.0), bins[0, k + 1] / max(bins[1, k + 1], 1.0)
            inside[k] = abs(there - here)
        return float(np.median(inside[: count - 1])) * (1.4826 / math.sqrt(2.0))
    for k in range(count):
        n = bins[1, k]
        inside[k] = max(bins[2, k] - bins[0, k] * bins[0, k] / max(n, 1.0), 0.0) / max(n - 1.0, 1.0)
        most = max(most, n)
    # The median of χ²/ν lies below one (Wilson & Hilferty 1931).
    low = (1.0 - 2.0 / (9.0 * max(most - 1.0, 1.0))) ** 3
    return math.sqrt(float(np.median(inside)) / low)


@njit(cache=True, nogil=True, error_model="numpy")
def noise_for_detection(bins: Floats, results: Floats, quiet: Floats, width: float, noise: Floats) -> None:
    """Fill the noise (n,) that a step must stand out from: the fit's own, and the plateaus' where that rests on little.

    A fit of few pixels to a step that noise made leaves less than the noise.
    """
    for i in range(noise.size):
        calm = 0.5 * (quiet[i, 0] + quiet[i, 1])
        noise[i] = max(results[i, NOISE], math.sqrt(calm))
        if results[i, DOF] < SURE_DOF and (calm == 0.0 or results[i, SETTLED] == 0.0):
            noise[i] = max(noise[i], noise_of_profile(bins[i], width))


@njit(cache=True, nogil=True, error_model="numpy")
def look_at_all(
    flat: NDArray[np.generic], rows: int, cols: int, strips: Floats, length: float, width: float, polarity: int,
    of_several: int, robust: bool,
) -> tuple[Floats, Ints, Floats, Floats, Floats, Floats, Ints, Ints, Floats, Floats]:  # fmt: skip
    """Find each of n strips' edge roughly, level its plateaus and take the pixels near it.

    Returns profiles (n, 3, bins), how many pixels were seen (n, 2), rough finds, plateaus, their variances (n, 2), the
    terms of the pixel's outline (n,), where each strip's pixels start and how many there are, (n + 1,) and (n,), the
    pixels (3, ·), and work space for the fits (7, most pixels), ones.
    """
    n, count = strips.shape[0], math.ceil(length)
    bins, seen, quiet = np.zeros((n, 3, count)), np.empty((n, 2), np.int64), np.zeros((n, 2))
    rough, far, shapes = np.zeros((n, ROUGH_COLUMNS)), np.zeros((n, PLATEAU_COLUMNS)), np.empty(n)
    starts, counts = np.empty(n + 1, np.int64), np.empty(n, np.int64)
    profiles(flat, rows, cols, strips, length, width, bins, seen)
    find_all(bins, polarity, of_several, rough, np.zeros(count), np.zeros(count + 1))
    level_all(bins, rough, robust, far, quiet, np.zeros(32), np.zeros(count))
    near = gathered(flat, rows, cols, strips, length, width, rough, LOW, HIGH, starts, counts)
    most = FEWEST_ROOM
    for i in range(n):
        shapes[i] = (strips[i, 2] ** 4 + strips[i, 3] ** 4) / 1440.0
        most = max(most, counts[i] + 1)
    return bins, seen, rough, far, quiet, shapes, starts, counts, near, np.ones((7, most))


@njit(cache=True, nogil=True, error_model="numpy")
def gathered(
    flat: NDArray[np.generic], rows: int, cols: int, strips: Floats, length: float, width: float, rough: Floats,
    low: int, high: int, starts: Ints, counts: Ints,
) -> Floats:  # fmt: skip
    """Return the pixels (3, ·) between two columns of bins of n strips, with where each strip's start and how many."""
    ranges = np.empty((strips.shape[0], 2))
    room = room_for(rough, low, high, 0.5 * length, width, ranges, starts)
    pixels = np.empty((3, max(room, 1)))
    gather_all(flat, rows, cols, strips, length, width, ranges, starts, counts, pixels)
    return pixels


def measure(
    picture: NDArray[np.generic], strips: Floats, length: float, width: float, polarity: int, of_several: int,
    robust: bool, free_tilt: bool, saturation: float, least_contrast: float, results: Floats, told: Floats,
    codes: Ints, flags: NDArray[bool_],
) -> None:  # fmt: skip
    """Measure n strips (n, 4) of a picture: fill `results` (n, RESULT_COLUMNS), zero before, and what is told of them.

    `told` (TOLD_ROWS, n), `codes` (n,), zero before, and `flags` (n, 5). A handful of compiled calls, not one: whole in
    one they take half a minute longer to compile, for a hundredth of a millisecond.
    """
    half, half_width, flat, (rows, cols) = 0.5 * length, 0.5 * width, picture.reshape(-1), picture.shape
    bins, seen, rough, far, quiet, shapes, starts, counts, near, work = look_at_all(
        flat, rows, cols, strips, length, width, polarity, of_several, robust
    )
    fit_all(near, starts, counts, rough, far, shapes, half, half_width, free_tilt, saturation, results, work)
    if robust:
        k = find_disturbed(near, starts, counts, rough, shapes, half_width, results, quiet, work)
        if k.size:
            some, sub, again = strips[k], rough[k], results[k]
            at, many = np.empty((2, k.size + 1), np.int64), np.zeros((2, k.size), np.int64)
            before = gathered(flat, rows, cols, some, length, width, sub, FAR_LOW, LOW, at[0], many[0])
            after = gathered(flat, rows, cols, some, length, width, sub, HIGH, FAR_HIGH, at[1], many[1])
            refit_all(
                near, starts[k], counts[k], before, at[0], many[0], after, at[1], many[1], sub, far[k],
                shapes[k], quiet[k], half, half_width, free_tilt, again, work,
            )  # fmt: skip
            results[k] = again
    tell_of_all(strips, seen, bins, rough, results, quiet, half, width, polarity, least_contrast, told, codes, flags)


@njit(cache=True, nogil=True, error_model="numpy")
def tell_of_all(
    strips: Floats, seen: Ints, bins: Floats, rough: Floats, results: Floats, quiet: Floats, half_length: float,
    width: float, polarity: int, least_contrast: float, told: Floats, codes: Ints, flags: NDArray[bool_],
) -> None:  # fmt: skip
    """Fill what is told of n strips, which edges stand out from the noise among it."""
    noise = np.empty(codes.size)
    noise_for_detection(bins, results, quiet, width, noise)
    tell_all(strips, seen, rough, results, noise, half_length, polarity, least_contrast, told, codes, flags)


@njit(cache=True, nogil=True, error_model="numpy")
def share_noise(codes: Ints, u: Floats, u_tilt: Floats, noise: Floats, dof: Floats, shared: Floats) -> bool:
    """Fill what `with_shared_noise` makes of u, u of the tilt, noise and dof (n,) into `shared` (4, n).

    Returns False, and fills nothing, where there are too few edges.
    """
    n, count = codes.size, 0
    logs, freedom = np.empty(n), np.empty(n)
    for i in range(n):
        if codes[i] == 0:
            logs[count], freedom[count] = 2.0 * math.log(max(noise[i], 1e-300)), dof[i]
            count += 1
    if count < FEWEST_TO_SHARE:
        return False
    middle, typical = float(np.median(logs[:count])), float(np.median(freedom[:count]))
    scatter = (1.4826 * float(np.median(np.abs(logs[:count] - middle)))) ** 2
    weight = 2.0 / max(scatter - 2.0 / typical, 0.1 / typical)
    # The median of ln s² lies some 2/(3ν) below ln σ² (the median of χ²/ν; Wilson & Hilferty 1931).
    common = math.exp(middle) * (1.0 + 2.0 / (3.0 * typical))
    for i in range(n):
        variance = (dof[i] * noise[i] * noise[i] + weight * common) / (dof[i] + weight)
        ratio = math.sqrt(variance) / max(noise[i], 1e-300)
        shared[0, i], shared[1, i] = u[i] * ratio, u_tilt[i] * ratio
        shared[2, i], shared[3, i] = math.sqrt(variance), dof[i] + weight
    return True
