"""The fit of a disturbed strip: a scratch, a speck, a burr over part of its width.

1. Each lane says by one Gauss-Newton step where it sees the edge; the line through two lanes that most lanes agree
   with wins (consensus, Fischler & Bolles 1981; all pairs that lie apart, so nothing is drawn by chance).
2. The fit is repeated on the agreeing lanes; lanes whose energy or position does not suit it are set aside.
3. In a lane set aside only what is disturbed is left out: pixels off the model, and what lies within the blur's
   reach of them. The clean side of its edge still counts, which keeps the tilt determined.
4. Biweights (Beaton & Tukey 1974) on what remains.
"""

import math

from numba import njit

from tiepoint.vision.strip_fit import (
    BLUR,
    LOST,
    ROUNDS,
    SMALL_STEP_PX,
    Far,
    Near,
    accumulate,
    add_far,
    advance,
    copy_matrix,
    evaluate,
    factorise,
    inverse_of,
    iterate,
    near_parameters,
    write_report,
)
from tiepoint.vision.strip_lanes import (
    LONE_PIXEL,
    Lanes,
    ask_lanes,
    keep_suitable,
    quiet_variance,
    vote,
    weigh_by_lane,
)
from tiepoint.vision.strip_pixels import Floats
from tiepoint.vision.strip_plateaus import middle_of

TUKEY = 4.685
"""Tuning constant of the biweight: 95 % efficient on Gaussian noise (Holland & Welsch 1977, from memory)."""
MAD = 1.4826
"""Standard deviation over median absolute deviation of a Gaussian."""
BLUR_REACH = 1.2
"""How many blurs around a disturbed pixel are left out with it."""
BAD_PIXEL = 3.0
"""Standard deviations from which a pixel of a lane set aside is taken as disturbed."""


@njit(cache=True, nogil=True, error_model="numpy")
def has_company(map_: Floats, j: int, k: int, number: int, bins: int) -> bool:
    """Tell whether another pixel that is off lies beside (j, k), within one lane and a pixel and a half."""
    found = 0
    for jj in range(max(j - 1, 0), min(j + 2, number)):
        for kk in range(max(k - 3, 0), min(k + 4, bins)):
            found += map_[jj, kk] == 2.0
    return found > 1


@njit(cache=True, nogil=True, error_model="numpy")
def mask_disturbed(
    near: Near, n: int, lanes: Lanes, number: int, lane_width: float, sigma: float, reach: float, map_: Floats,
    start: float, bins: int,
) -> None:  # fmt: skip
    """Weight zero to pixels that are off, and to those within `reach` px of one, unless that one is off all alone.

    Blur spreads what disturbs over its neighbours in all directions, fainter than noise and yet pulling together; a
    pixel that is off alone is the sensor's. `map_` (lanes, ·) is work space: `bins` of half a pixel from s =
    `start` on; 2: off, 1: near one that is.
    """
    lane_reach = int(reach / lane_width)
    for j in range(number):
        for k in range(bins):
            map_[j, k] = 0.0
    for i in range(n):
        j = lanes.of[i]
        if abs(near.residual[i]) > (BAD_PIXEL if lanes.kept[j] == 0.0 else LONE_PIXEL) * sigma:
            map_[j, min(max(int(2.0 * (near.along[i] - start)), 0), bins - 1)] = 2.0
    for j in range(number):
        for k in range(bins):
            if map_[j, k] == 2.0 and has_company(map_, j, k, number, bins):
                for jj in range(max(j - lane_reach, 0), min(j + lane_reach + 1, number)):
                    spread = int(2.0 * math.sqrt(reach * reach - ((jj - j) * lane_width) ** 2))
                    for kk in range(max(k - spread, 0), min(k + spread + 1, bins)):
                        map_[jj, kk] = max(map_[jj, kk], 1.0)
    for i in range(n):
        k = min(max(int(2.0 * (near.along[i] - start)), 0), bins - 1)
        near.weight[i] = 1.0 if map_[lanes.of[i], k] == 0.0 else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def typical_size(near: Near, n: int, mask: Floats, sizes: Floats) -> float:
    """Return 1.4826 times the median |residual| of the pixels in use; `sizes` (pixels,) is work space."""
    m = 0
    for i in range(n):
        if mask[i] > 0.0:
            sizes[m] = abs(near.residual[i])
            m += 1
    return MAD * middle_of(sizes, m) if m > 0 else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def weigh_by_pixel(near: Near, n: int, mask: Floats, sigma: float) -> None:
    """Give each pixel in use its biweight (1 − (r/cσ)²)²."""
    scale = 1.0 / (TUKEY * max(sigma, 1e-9))
    for i in range(n):
        x = near.residual[i] * scale
        inside = max(1.0 - x * x, 0.0)
        near.weight[i] = mask[i] * inside * inside


@njit(cache=True, nogil=True, error_model="numpy")
def middle_and_scale(values: Floats, n: int, least_sigma: float, some: Floats) -> tuple[float, float]:
    """Return median and robust standard deviation of every k-th of n values (64 to 128, copied to `some`).

    `least_sigma` keeps the scale above zero where all values are alike.
    """
    every = max(n // 64, 1)
    m = 0
    for i in range(0, n, every):
        some[m] = values[i]
        m += 1
    middle = middle_of(some, m)
    for i in range(m):
        some[i] = abs(some[i] - middle)
    return middle, max(MAD * middle_of(some, m), least_sigma)


@njit(cache=True, nogil=True, error_model="numpy")
def take_slope_off(values: Floats, along: Floats, n: int, slope: float, place: float) -> None:
    """Bring a plateau's pixels along its slope to the edge at s = `place`."""
    if slope != 0.0:
        for i in range(n):
            values[i] -= slope * (along[i] - place)


@njit(cache=True, nogil=True, error_model="numpy")
def weigh_plateau(
    values: Floats, across: Floats, n: int, worth: float, least_sigma: float, half_width: float, number: int,
    weights: Floats, sums: Floats, some: Floats,
) -> tuple[float, float]:  # fmt: skip
    """Fill, lane by lane, weight and weighted sum of a plateau's n pixels under the biweight; return level and scale.

    A pixel counts as `worth` of one. With fewer than four pixels there is no plateau: no weight, an infinite scale.
    """
    lane_count = max(number, 1)
    for j in range(lane_count):
        weights[j] = sums[j] = 0.0
    if n < 4:
        return 0.0, math.inf
    middle, sigma = middle_and_scale(values, n, least_sigma, some)
    scale, per_px = 1.0 / (TUKEY * sigma), lane_count / (2.0 * half_width)
    for i in range(n):
        x = (values[i] - middle) * scale
        inside = max(1.0 - x * x, 0.0)
        inside *= worth * inside
        j = min(max(int((across[i] + half_width) * per_px), 0), lane_count - 1)
        weights[j] += inside
        sums[j] += inside * values[i]
    return middle, sigma


@njit(cache=True, nogil=True, error_model="numpy")
def far_of_lanes(lanes: Lanes, number: int, lane_reach: int) -> Far:
    """Return the plateaus of the lanes that are kept, away from those set aside if enough of them are.

    What runs along a lane set aside spoils its plateaus as well, and by blur, fainter, those of its neighbours.
    """
    for reach in (lane_reach, 0):
        n_before = sum_before = n_after = sum_after = 0.0
        used = 0
        for j in range(number):
            good = True
            for jj in range(max(j - reach, 0), min(j + reach + 1, number)):
                good = good and lanes.kept[jj] > 0.0
            if good:
                used += 1
                n_before += lanes.before_weight[j]
                sum_before += lanes.before_sum[j]
                n_after += lanes.after_weight[j]
                sum_after += lanes.after_sum[j]
        if 4 * used >= number:
            break
    return Far(n_before, sum_before, n_after, sum_after)


@njit(cache=True, nogil=True, error_model="numpy")
def settle_lanes(
    near: Near, n: int, p: Floats, pixel_shape: float, free_tilt: bool, half_width: float, work: Floats, lanes: Lanes,
    number: int, quiet: float,
) -> tuple[float, Far]:  # fmt: skip
    """Find the lanes that agree, fit on them, set aside what does not suit.

    Returns the variance of the calm lanes and the plateaus that go with them.
    """
    evaluate(near, n, p, pixel_shape)
    ask_lanes(near, n, p, quiet, number, lanes)
    vote(lanes, number, free_tilt, p)
    calm, reach = quiet, int((BLUR_REACH * p[BLUR] + 0.5) * number / (2.0 * half_width))
    far = far_of_lanes(lanes, number, reach)
    for _ in range(2):
        weigh_by_lane(near, n, lanes)
        iterate(near, n, far, p, pixel_shape, free_tilt, half_width, 2, work)
        evaluate(near, n, p, pixel_shape)
        ask_lanes(near, n, p, quiet, number, lanes)
        calm = quiet_variance(lanes, number, quiet)
        keep_suitable(lanes, number, quiet, calm)
        far = far_of_lanes(lanes, number, reach)
    return calm, far


@njit(cache=True, nogil=True, error_model="numpy")
def descend(
    near: Near, n: int, far: Far, p: Floats, pixel_shape: float, free_tilt: bool, half_width: float,
    work: Floats, mask: Floats, sizes: Floats, least_sigma: float,
) -> tuple[bool, float]:  # fmt: skip
    """Run rounds with biweights on the unmasked pixels; return whether they settled, and the last scale.

    The scale is taken twice only: each median costs as much as a round.
    """
    sigma, moved = 0.0, 0.0
    for k in range(ROUNDS):
        evaluate(near, n, p, pixel_shape)
        if k < 2:
            sigma = max(typical_size(near, n, mask, sizes), least_sigma)
        weigh_by_pixel(near, n, mask, sigma)
        moved, _ = advance(near, n, far, p, free_tilt, half_width, work)
        if moved < 0.0 or not math.isfinite(moved) or (moved < SMALL_STEP_PX and k >= 1):
            break
    return 0.0 <= moved < SMALL_STEP_PX, sigma


@njit(cache=True, nogil=True, error_model="numpy")
def biweight_variance(near: Near, n: int, mask: Floats, sigma: float, parameters: float) -> float:
    """Return the variance that plain least squares would need for the biweight's covariance.

    Σψ²/(n − p)/(mean ψ′)², the asymptotic variance of an M-estimator (Huber 1981, eq. 6.5 of ch. 7, from memory).
    """
    scale = 1.0 / (TUKEY * max(sigma, 1e-9))
    count = squares = slopes = 0.0
    for i in range(n):
        x = near.residual[i] * scale
        if mask[i] > 0.0:
            count += 1.0
            if x * x < 1.0:
                inside = 1.0 - x * x
                squares += (near.residual[i] * inside * inside) ** 2
                slopes += inside * (1.0 - 5.0 * x * x)
    if slopes <= 0.0 or count <= parameters:
        return math.inf
    return squares / (count - parameters) / (slopes / count) ** 2


@njit(cache=True, nogil=True, error_model="numpy")
def lost_share(near: Near, n: int, mask: Floats) -> float:
    """Return the share of the near pixels that are masked or weigh less than a quarter (beyond 3.3 sigma)."""
    lost = 0
    for i in range(n):
        lost += mask[i] == 0.0 or near.weight[i] < 0.25
    return lost / n


@njit(cache=True, nogil=True, error_model="numpy")
def report_robust(
    near: Near, n: int, far: Far, p: Floats, pixel_shape: float, free_tilt: bool, mask: Floats, sigma: float,
    work: Floats, inverse: Floats, out: Floats,
) -> None:  # fmt: skip
    """Fill the row of results of a robust fit that has settled."""
    matrix, right = work[1], work[3, 0]
    evaluate(near, n, p, pixel_shape)
    out[LOST] = lost_share(near, n, mask)
    for i in range(n):
        near.weight[i] = mask[i]
    accumulate(near, n, matrix, right)
    copy_matrix(matrix, work[0])
    add_far(far, p, matrix, right)
    if factorise(matrix, free_tilt, work[2]):
        inverse_of(work[2], inverse)
        parameters = near_parameters(work[0], inverse, free_tilt)
        variance = biweight_variance(near, n, mask, sigma, parameters)
        write_report(p, variance, inverse, work[0][0, 0] - parameters, out)
