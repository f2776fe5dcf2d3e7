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
    LOST,
    POSITION,
    ROUNDS,
    Far,
    Near,
    accumulate,
    add_far,
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
    middle_of,
    quiet_variance,
    vote,
    weigh_by_lane,
)
from tiepoint.vision.strip_pixels import Floats

TUKEY = 4.685
"""Tuning constant of the biweight: 95 % efficient on Gaussian noise (Holland & Welsch 1977, from memory)."""
MAD = 1.4826
"""Standard deviation over median absolute deviation of a Gaussian."""
BAD_PIXEL = 3.0
"""Standard deviations from which a pixel of a lane set aside is taken as disturbed."""


@njit(cache=True, nogil=True, error_model="numpy")
def mask_disturbed(
    near: Near, n: int, lanes: Lanes, number: int, sigma: float, reach: float, map_: Floats, start: float
) -> None:
    """Weight zero, in lanes set aside and beside them, to pixels within `reach` px along s of one that is off.

    `map_` (lanes, bins) is work space: bins of one pixel from s = `start` on.
    """
    spread = math.ceil(reach)
    bins = map_.shape[1]
    for j in range(number):
        for k in range(bins):
            map_[j, k] = 0.0
    for i in range(n):
        j = lanes.of[i]
        off = abs(near.residual[i]) > (BAD_PIXEL if lanes.kept[j] == 0.0 else LONE_PIXEL) * sigma
        if off:
            k = min(max(int(near.along[i] - start), 0), bins - 1)
            for jj in range(max(j - 1, 0), min(j + 2, number)):
                if jj == j or lanes.kept[jj] == 0.0:
                    for kk in range(max(k - spread, 0), min(k + spread + 1, bins)):
                        map_[jj, kk] = 1.0
    for i in range(n):
        k = min(max(int(near.along[i] - start), 0), bins - 1)
        near.weight[i] = 1.0 - map_[lanes.of[i], k]


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
def plateau(values: Floats, n: int, least_sigma: float, some: Floats) -> tuple[float, float]:
    """Return the weight and the weighted sum of a plateau's pixels under the biweight.

    Start and scale come from every k-th pixel (64 to 128, copied to `some`); two rounds follow. `least_sigma`
    keeps the scale above zero where all values are alike.
    """
    if n < 4:
        return 0.0, 0.0
    every = max(n // 64, 1)
    m = 0
    for i in range(0, n, every):
        some[m] = values[i]
        m += 1
    middle = middle_of(some, m)
    for i in range(m):
        some[i] = abs(some[i] - middle)
    sigma = MAD * middle_of(some, m)
    scale = 1.0 / (TUKEY * max(sigma, least_sigma))
    weights = total = 0.0
    for _ in range(2):
        weights = total = 0.0
        for i in range(n):
            x = (values[i] - middle) * scale
            inside = max(1.0 - x * x, 0.0)
            inside *= inside
            weights += inside
            total += inside * values[i]
        middle = total / weights if weights > 0 else middle
    return weights, total


@njit(cache=True, nogil=True, error_model="numpy")
def settle_lanes(
    near: Near, n: int, far: Far, p: Floats, pixel_shape: float, free_tilt: bool, half_width: float,
    work: Floats, lanes: Lanes, number: int, quiet: float,
) -> float:  # fmt: skip
    """Find the lanes that agree, fit on them, set aside what does not suit; return the variance of the calm lanes."""
    evaluate(near, n, p, pixel_shape)
    ask_lanes(near, n, p, quiet, number, lanes)
    vote(lanes, number, free_tilt, p)
    calm = quiet
    for _ in range(2):
        weigh_by_lane(near, n, lanes)
        iterate(near, n, far, p, pixel_shape, free_tilt, half_width, 3, work)
        evaluate(near, n, p, pixel_shape)
        ask_lanes(near, n, p, quiet, number, lanes)
        calm = quiet_variance(lanes, number, quiet)
        keep_suitable(lanes, number, quiet, calm)
    return calm


@njit(cache=True, nogil=True, error_model="numpy")
def descend(
    near: Near, n: int, far: Far, p: Floats, pixel_shape: float, free_tilt: bool, half_width: float,
    work: Floats, mask: Floats, sizes: Floats, least_sigma: float,
) -> tuple[bool, float]:  # fmt: skip
    """Run rounds with biweights on the unmasked pixels; return whether they settled, and the last scale.

    The scale is taken twice only: each median costs as much as a round.
    """
    sigma, settled = 0.0, False
    for k in range(ROUNDS):
        evaluate(near, n, p, pixel_shape)
        if k < 2:
            sigma = max(typical_size(near, n, mask, sizes), least_sigma)
        weigh_by_pixel(near, n, mask, sigma)
        settled, _ = iterate(near, n, far, p, pixel_shape, free_tilt, half_width, 1, work)
        if not math.isfinite(p[POSITION]) or (settled and k >= 2):
            break
    return settled, sigma


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
