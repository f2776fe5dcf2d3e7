"""From rows of results to what is told of each strip: its numbers, why it has no edge, its flags."""

import math

import numpy as np
from numba import njit

from tiepoint.vision.strip_find import FOUND, HIGH, LOW, PER_BIN, RESPONSE, RIVALS
from tiepoint.vision.strip_fit import (
    BLUR,
    BRIGHT,
    DOF,
    HALF,
    LOST,
    NOISE,
    POSITION,
    SETTLED,
    TILT,
    U_POSITION,
    U_TILT,
)
from tiepoint.vision.strip_pixels import Floats, Ints
from tiepoint.vision.strip_plateaus import QUIET_AFTER, QUIET_BEFORE
from tiepoint.vision.strip_rows import DX, DY, FAR_AT, INSIDE, RESULT_AT, ROUGH_AT, WHOLE, X, Y

DETECTION = 6.0
"""Standard scores of the step filter from which an edge is one: noise alone reaches 3.5 over 100 places."""
LOW_CONTRAST_RATIO = 10.0
SATURATED_LIMIT, SATURATED_FLAG = 0.25, 0.01
"""Share of saturated pixels in the window from which there is no value, and from which it is flagged."""
OUTLIER_SHARE = 0.15

HAS_EDGE, NO_EDGE, OUTSIDE, SATURATED, NOT_A_NUMBER = range(5)
CODES = ("", "no_edge", "outside_picture", "saturated", "not_a_number")
"""Why a strip has no edge; "" where it has one."""
FLAGS = ("clipped", "low_contrast", "more_than_one_edge", "outliers", "saturated")

# What stands in the row that is told of a strip. Lengths in px: place S along it, its u and degrees of freedom; the
# point; the edge's unit normal; its lean against the strip in rad, with u; blur of the lens, and whole; contrast and
# noise in grey levels; the share of weight that was left out. So far NaN where there is no edge. Then +1 where it gets
# brighter along the strip and -1 where darker, the share of saturated pixels, the code, and 1 for each flag that holds.
S, U, FREEDOM, POINT_X, POINT_Y, NORMAL_X, NORMAL_Y, LEAN, U_LEAN = range(9)
OPTICAL, WHOLE_BLUR, CONTRAST, SIGMA, LEFT_OUT, SENSE, BRIGHT_SHARE, CODE, FLAGS_AT = range(9, 18)
TOLD_COLUMNS = FLAGS_AT + len(FLAGS)
SURE_DOF = 60.0
"""Degrees of freedom from which the noise of a fit is believed on its own."""
FEWEST_TO_SHARE = 8


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
def noise_for_detection(bins: Floats, row: Floats, width: float) -> float:
    """Return the noise that a step must stand out from: the fit's own, and the plateaus' where that rests on little.

    A fit of few pixels to a step that noise made leaves less than the noise.
    """
    calm, result = 0.5 * (row[FAR_AT + QUIET_BEFORE] + row[FAR_AT + QUIET_AFTER]), row[RESULT_AT:]
    noise = max(result[NOISE], math.sqrt(calm))
    if result[DOF] < SURE_DOF and (calm == 0.0 or result[SETTLED] == 0.0):
        noise = max(noise, noise_of_profile(bins, width))
    return float(noise)


@njit(cache=True, nogil=True, error_model="numpy")
def code_of(
    rough: Floats, result: Floats, noise: float, half_length: float, polarity: int, least_contrast: float
) -> int:
    """Return why a strip in the picture has no edge. A faint step that no edge fits is noise; a clear one is not."""
    standing = rough[RESPONSE] / max(noise * math.sqrt(2.0 / (3.0 * max(rough[PER_BIN], 1.0))), 1e-300)
    if rough[FOUND] == 0.0 or not standing > DETECTION:
        return NO_EDGE
    if result[SETTLED] == 0.0:
        return NOT_A_NUMBER if standing > 2.0 * DETECTION else NO_EDGE
    place, height = result[POSITION] + half_length, 2.0 * result[HALF]
    inside = rough[LOW] <= place <= rough[HIGH]
    strong = abs(height) >= least_contrast and abs(height) > 2.0 * noise
    if not (inside and strong and polarity * height >= 0.0 and result[U_POSITION] < result[BLUR]):
        return NO_EDGE
    return SATURATED if result[BRIGHT] > SATURATED_LIMIT else HAS_EDGE


@njit(cache=True, nogil=True, error_model="numpy")
def tell_numbers(row: Floats, told: Floats) -> None:
    """Fill what is told of an edge. s = s0 + t·ac with ac along (−dy, dx), so the normal leans by −t towards across."""
    result = row[RESULT_AT:]
    dx, dy, t = row[DX], row[DY], result[TILT]
    lean = 1.0 / math.sqrt(1.0 + t * t)
    told[S], told[U], told[FREEDOM] = result[POSITION], result[U_POSITION], result[DOF]
    told[POINT_X], told[POINT_Y] = row[X] + result[POSITION] * dx, row[Y] + result[POSITION] * dy
    told[NORMAL_X], told[NORMAL_Y] = (dx + t * dy) * lean, (dy - t * dx) * lean
    told[LEAN], told[U_LEAN] = -math.atan(t), result[U_TILT] * lean * lean
    told[WHOLE_BLUR] = result[BLUR]
    told[OPTICAL] = math.sqrt(max(result[BLUR] * result[BLUR] - 1.0 / 12.0, 0.0))
    told[CONTRAST], told[SIGMA], told[LEFT_OUT] = abs(2.0 * result[HALF]), result[NOISE], result[LOST]


@njit(cache=True, nogil=True, error_model="numpy")
def tell_all(
    rows: Floats, spans: Ints, bins: Floats, half_length: float, width: float, polarity: int, least_contrast: float,
    told: Floats,
) -> None:  # fmt: skip
    """Fill what is told of n strips, (n, TOLD_COLUMNS)."""
    for i in range(told.shape[0]):
        row, out, inside, whole = rows[i], told[i], spans[i, INSIDE], spans[i, WHOLE]
        rough, result = row[ROUGH_AT:FAR_AT], row[RESULT_AT:]
        code = OUTSIDE
        if inside > 0 and 2 * inside >= whole:
            noise = noise_for_detection(bins[i], row, width)
            code = code_of(rough, result, noise, half_length, polarity, least_contrast)
        out[SENSE] = 1.0 if result[HALF] > 0.0 else -1.0
        out[BRIGHT_SHARE], out[CODE] = result[BRIGHT], code
        out[FLAGS_AT] = inside < whole
        out[FLAGS_AT + 1] = abs(2.0 * result[HALF]) < LOW_CONTRAST_RATIO * result[NOISE]
        out[FLAGS_AT + 2] = rough[RIVALS] > 0.0
        out[FLAGS_AT + 3] = result[LOST] > OUTLIER_SHARE
        out[FLAGS_AT + 4] = result[BRIGHT] > SATURATED_FLAG
        if code == HAS_EDGE:
            tell_numbers(row, out)
        else:
            for k in range(SENSE):
                out[k] = math.nan


@njit(cache=True, nogil=True, error_model="numpy")
def share_noise(told: Floats) -> None:
    """Let n strips of one shape tell each other's noise, in what is told of them (n, TOLD_COLUMNS); see `strips`."""
    n, count = told.shape[0], 0
    logs, freedom = np.empty(n), np.empty(n)
    for i in range(n):
        if told[i, CODE] == HAS_EDGE:
            logs[count], freedom[count] = 2.0 * math.log(max(told[i, SIGMA], 1e-300)), told[i, FREEDOM]
            count += 1
    if count < FEWEST_TO_SHARE:
        return
    middle, typical = float(np.median(logs[:count])), float(np.median(freedom[:count]))
    scatter = (1.4826 * float(np.median(np.abs(logs[:count] - middle)))) ** 2
    weight = 2.0 / max(scatter - 2.0 / typical, 0.1 / typical)
    # The median of ln s² lies some 2/(3ν) below ln σ² (the median of χ²/ν; Wilson & Hilferty 1931).
    common = math.exp(middle) * (1.0 + 2.0 / (3.0 * typical))
    for i in range(n):
        noise, dof = told[i, SIGMA], told[i, FREEDOM]
        variance = (dof * noise * noise + weight * common) / (dof + weight)
        ratio = math.sqrt(variance) / max(noise, 1e-300)
        told[i, U] *= ratio
        told[i, U_LEAN] *= ratio
        told[i, SIGMA], told[i, FREEDOM] = math.sqrt(variance), dof + weight
