"""The lanes of a strip (one pixel wide, along s): what each says, and what most of them agree on.

A scratch beside an edge looks like noise pixel by pixel where it is faint, and yet its pixels pull together. Lane by
lane it stands out. So lanes vote first, as the trimmed fits of Rousseeuw (LMS and LTS, JASA 79, 1984) do with
single observations.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from tiepoint.vision.strip_fit import BLUR, HALF, POSITION, TILT, Near
from tiepoint.vision.strip_pixels import Floats, Ints
from tiepoint.vision.strip_plateaus import SUSPICIOUS, energy_limit, middle_of, score

MOST_LANES, LANE_ROWS = 16, 11
FEWEST_LANES = 6
ENOUGH = 1.0 / 3.0
"""Share of the lanes that must agree."""
LONE_PIXEL = 4.6
"""Standard deviations from which a single pixel is not chance."""


class Lanes(NamedTuple):
    """Per pixel its lane; per lane its pixels, mean r²/σ², edge seen at (px from s0), 1/variance, mean ac, kept.

    Then work space for sorting, and weight and weighted sum of each lane's plateaus before and after the edge.
    """

    of: Ints
    pixels: Floats
    energy: Floats
    offset: Floats
    precision: Floats
    place: Floats
    kept: Floats
    sorted: Floats
    before_weight: Floats
    before_sum: Floats
    after_weight: Floats
    after_sum: Floats


@njit(cache=True, nogil=True, error_model="numpy")
def lanes_over(of: Ints, rows: Floats) -> Lanes:
    """Return the lanes' work space: `of` (most pixels,), `rows` (LANE_ROWS, MOST_LANES), both zero.

    `of` is written only where there are enough lanes to vote; it is read in any case.
    """
    return Lanes(of, rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6], rows[7], rows[8], rows[9], rows[10])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def assign_lanes(near: Near, n: int, half_width: float, lanes: Lanes) -> int:
    """Fill `lanes.of`; return the number of lanes (0: too few to vote)."""
    number = min(math.ceil(2.0 * half_width), MOST_LANES)
    if number < FEWEST_LANES:
        return 0
    scale = number / (2.0 * half_width)
    across, of, last = near.across, lanes.of, float(number - 1)
    for i in range(n):
        # Short whole numbers are made of many floats at once.
        of[i] = np.int32(min(max((across[i] + half_width) * scale, 0.0), last))
    return number


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def sum_energies(near: Near, n: int, number: int, lanes: Lanes) -> None:
    """Fill the lanes' numbers of pixels and sums of squared residuals."""
    of, residual, pixels, energies = lanes.of, near.residual, lanes.pixels, lanes.energy
    for j in range(number):
        pixels[j] = energies[j] = 0.0
    # Pixels come in lines, and mostly some of one lane after the other: sums stay in registers so long.
    lane, count, energy = of[0], 0.0, 0.0
    for i in range(n):
        if of[i] != lane:
            pixels[lane], energies[lane] = count, energy
            lane = of[i]
            count, energy = pixels[lane], energies[lane]
        count += 1.0
        energy += residual[i] * residual[i]
    pixels[lane], energies[lane] = count, energy


@njit(cache=True, nogil=True, error_model="numpy")
def ask_lanes(near: Near, n: int, p: Floats, variance: float, number: int, lanes: Lanes) -> None:
    """Let every lane say where it sees the edge and how well it suits the model evaluated last.

    Offset by least squares for s0 alone: −w/half·Σ g·r/Σ g².
    """
    sum_energies(near, n, number, lanes)
    for j in range(number):
        lanes.offset[j] = lanes.precision[j] = lanes.place[j] = 0.0
    for i in range(n):
        j = lanes.of[i]
        g, r = near.slope[i], near.residual[i]
        lanes.offset[j] += g * r
        lanes.precision[j] += g * g
        lanes.place[j] += near.across[i]
    to_px = -p[BLUR] / p[HALF]
    for j in range(number):
        count = max(lanes.pixels[j], 1.0)
        lanes.offset[j] = to_px * lanes.offset[j] / lanes.precision[j] if lanes.precision[j] > 0 else 1e6
        lanes.precision[j] /= to_px * to_px * variance
        lanes.energy[j] /= count * variance
        lanes.place[j] /= count


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def is_disturbed(
    near: Near, n: int, variance: float, quiet: float, loud: float, number: int, lanes: Lanes
) -> bool:  # fmt: skip
    """Tell whether anything but noise is left over: in all, in a lane, or in a pixel.

    `variance` is that of the fit's residuals, `quiet` that of the plateaus within their bins (0: not known), and
    `loud` that of the noisier one.
    """
    if 0.0 < quiet < variance and score(variance / quiet, 0.5 * n) > SUSPICIOUS + 1.0:
        return True
    residual, limit, lone = near.residual, LONE_PIXEL * LONE_PIXEL * max(variance, loud), 0
    for i in range(n):
        lone += residual[i] * residual[i] > limit
    if lone > 0:
        return True
    sum_energies(near, n, number, lanes)
    suspicious = 0
    for j in range(number):
        # The limit lies above the number of pixels.
        some = lanes.energy[j] > lanes.pixels[j] * variance
        suspicious += some and lanes.energy[j] > energy_limit(lanes.pixels[j]) * variance
    return suspicious > 0


@njit(cache=True, nogil=True, error_model="numpy")
def agreement(lanes: Lanes, number: int, at: float, slope: float, tolerance: float) -> tuple[float, int]:
    """Return the bounded loss of the line at + slope·place over the lanes, and how many lanes agree with it."""
    loss, agreeing = 0.0, 0
    for j in range(number):
        d = lanes.offset[j] - at - slope * lanes.place[j]
        relative = d * d * lanes.precision[j] / (tolerance * tolerance)
        loss += min(relative, 1.0)
        agreeing += relative < 1.0
    return loss, agreeing


@njit(cache=True, nogil=True, error_model="numpy")
def best_line(lanes: Lanes, number: int, free_tilt: bool, tolerance: float) -> tuple[float, float, int]:
    """Return the line (at, slope) through one or two lanes with the least bounded loss, and its agreeing lanes."""
    best, best_at, best_slope, best_agreeing = 1e18, 0.0, 0.0, 0
    apart = max(number // 3, 1)
    for i in range(number):
        for j in range(i + apart, number) if free_tilt else range(i, i + 1):
            slope = 0.0
            if free_tilt:
                slope = (lanes.offset[j] - lanes.offset[i]) / (lanes.place[j] - lanes.place[i])
            at = lanes.offset[i] - slope * lanes.place[i]
            loss, agreeing = agreement(lanes, number, at, slope, tolerance)
            if loss < best:
                best, best_at, best_slope, best_agreeing = loss, at, slope, agreeing
    return best_at, best_slope, best_agreeing


@njit(cache=True, nogil=True, error_model="numpy")
def vote(lanes: Lanes, number: int, free_tilt: bool, p: Floats) -> None:
    """Move s0 and t to the lanes' consensus and keep the lanes that agree with it.

    The tolerance starts at three standard deviations and doubles until enough lanes agree: a rough edge wanders more
    than noise alone explains. Enough is a third, since blur spreads a scratch on two fifths of the rows over half.
    """
    tolerance = 3.0
    at, slope, agreeing = best_line(lanes, number, free_tilt, tolerance)
    while agreeing < max(4, ENOUGH * number) and tolerance < 1e4:
        tolerance *= 2.0
        at, slope, agreeing = best_line(lanes, number, free_tilt, tolerance)
    for j in range(number):
        d = lanes.offset[j] - at - slope * lanes.place[j]
        lanes.kept[j] = 1.0 if d * d * lanes.precision[j] < tolerance * tolerance else 0.0
    p[POSITION] += at
    p[TILT] += slope


@njit(cache=True, nogil=True, error_model="numpy")
def weigh_by_lane(near: Near, n: int, lanes: Lanes) -> None:
    """Give a pixel weight one where its lane is kept, else zero."""
    for i in range(n):
        near.weight[i] = lanes.kept[lanes.of[i]]


@njit(cache=True, nogil=True, error_model="numpy")
def quiet_variance(lanes: Lanes, number: int, variance: float) -> float:
    """Return the variance that the calmer half of the kept lanes shows: the median of their energies."""
    m = 0
    for j in range(number):
        if lanes.kept[j] > 0.0:
            lanes.sorted[m] = lanes.energy[j]
            m += 1
    return variance * max(middle_of(lanes.sorted, m), 1e-12) if m > 0 else variance


@njit(cache=True, nogil=True, error_model="numpy")
def keep_suitable(lanes: Lanes, number: int, variance: float, calm: float) -> None:
    """Keep the lanes whose energy and position suit the fit, given the noise of the calm lanes."""
    ratio = variance / calm
    for j in range(number):
        suits = score(lanes.energy[j] * ratio, lanes.pixels[j]) < SUSPICIOUS
        near_enough = lanes.offset[j] * lanes.offset[j] * lanes.precision[j] * ratio < 16.0
        lanes.kept[j] = 1.0 if suits and near_enough else 0.0
