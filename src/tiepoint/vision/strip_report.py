"""From rows of results to what is told of each strip: its numbers, why it has no edge, its flags."""

import math

from numba import njit
from numpy import bool_
from numpy.typing import NDArray

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
"""The columns of the flag table."""

# Rows of what is told. Lengths in px: place S along the strip, its u and degrees of freedom; the point; the edge's unit
# normal; its lean against the strip in rad, with u; blur of the lens, and whole; contrast and noise in grey levels; the
# share of weight that was left out.
S, U, FREEDOM, POINT_X, POINT_Y, NORMAL_X, NORMAL_Y, LEAN, U_LEAN, OPTICAL, WHOLE, CONTRAST, SIGMA, LEFT_OUT = range(14)
TOLD_ROWS = 14


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
def tell_numbers(strip: Floats, result: Floats, told: Floats, i: int) -> None:
    """Fill column i of `told`. s = s0 + t·ac with ac along (−dy, dx), so the normal leans by −t towards across."""
    dx, dy, t = strip[2], strip[3], result[TILT]
    lean = 1.0 / math.sqrt(1.0 + t * t)
    told[S, i], told[U, i], told[FREEDOM, i] = result[POSITION], result[U_POSITION], result[DOF]
    told[POINT_X, i] = strip[0] + result[POSITION] * dx
    told[POINT_Y, i] = strip[1] + result[POSITION] * dy
    told[NORMAL_X, i], told[NORMAL_Y, i] = (dx + t * dy) * lean, (dy - t * dx) * lean
    told[LEAN, i], told[U_LEAN, i] = -math.atan(t), result[U_TILT] * lean * lean
    told[WHOLE, i] = result[BLUR]
    told[OPTICAL, i] = math.sqrt(max(result[BLUR] * result[BLUR] - 1.0 / 12.0, 0.0))
    told[CONTRAST, i], told[SIGMA, i], told[LEFT_OUT, i] = abs(2.0 * result[HALF]), result[NOISE], result[LOST]


@njit(cache=True, nogil=True, error_model="numpy")
def tell_all(
    strips: Floats, seen: Ints, rough: Floats, results: Floats, noise: Floats, half_length: float, polarity: int,
    least_contrast: float, told: Floats, codes: Ints, flags: NDArray[bool_],
) -> None:  # fmt: skip
    """Fill `told` (TOLD_ROWS, n), NaN where there is no edge, `codes` (n,) and `flags` (n, 5)."""
    for i in range(codes.size):
        result = results[i]
        inside, whole = seen[i, 0], seen[i, 1]
        if inside == 0 or 2 * inside < whole:
            codes[i] = OUTSIDE
        else:
            codes[i] = code_of(rough[i], result, noise[i], half_length, polarity, least_contrast)
        flags[i, 0] = inside < whole
        flags[i, 1] = abs(2.0 * result[HALF]) < LOW_CONTRAST_RATIO * result[NOISE]
        flags[i, 2] = rough[i, RIVALS] > 0.0
        flags[i, 3] = result[LOST] > OUTLIER_SHARE
        flags[i, 4] = result[BRIGHT] > SATURATED_FLAG
        if codes[i] == HAS_EDGE:
            tell_numbers(strips[i], result, told, i)
        else:
            for k in range(told.shape[0]):
                told[k, i] = math.nan
