"""Many strips in one call: the plain fit, the search for what disturbs it, the robust fit."""

import math

import numpy as np
from numba import njit

from tiepoint.vision.strip_find import FOUND, HIGH, LOW, PLACE
from tiepoint.vision.strip_fit import (
    BLUR,
    BRIGHT,
    HALF,
    LEVEL,
    NOISE,
    ROUNDS,
    SETTLED,
    Far,
    Near,
    evaluate,
    inverse_of,
    iterate,
    near_of,
    near_parameters,
    start_from,
    write_report,
)
from tiepoint.vision.strip_lanes import (
    LANE_ROWS,
    MOST_LANES,
    Lanes,
    ask_lanes,
    assign_lanes,
    is_disturbed,
    keep_suitable,
    lanes_over,
)
from tiepoint.vision.strip_pixels import FAST, Floats, Ints
from tiepoint.vision.strip_plateaus import (
    LEAST_NOISE,
    N_AFTER,
    N_BEFORE,
    SLOPE_AFTER,
    SLOPE_BEFORE,
    SUM_AFTER,
    SUM_BEFORE,
    WORTH_AFTER,
    WORTH_BEFORE,
)
from tiepoint.vision.strip_robust import (
    BLUR_REACH,
    descend,
    far_of_lanes,
    mask_disturbed,
    report_robust,
    settle_lanes,
    take_slope_off,
    typical_size,
    weigh_plateau,
)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def bright_share(near: Near, n: int, saturation: float) -> float:
    """Return the share of the pixels at or above the saturation level."""
    value, bright = near.value, 0.0
    for i in range(n):
        bright += 1.0 if value[i] >= saturation else 0.0
    return bright / max(n, 1)


@njit(cache=True, nogil=True, error_model="numpy")
def fit_all(
    pixels: Floats, starts: Ints, counts: Ints, rough: Floats, far: Floats, shapes: Floats, half_length: float,
    half_width: float, free_tilt: bool, saturation: float, results: Floats, work: Floats,
) -> None:  # fmt: skip
    """Fit n strips plainly; `results` (n, RESULT_COLUMNS). A row whose SETTLED is zero has no fit.

    `shapes` (n,) is the fourth-order term of the pixel's outline: (cos⁴φ + sin⁴φ)/1440. Work space: `work` (7, most
    pixels), its first row ones.
    """
    space = np.zeros((5, 5, 5))
    inverse = space[4]
    for i in range(counts.size):
        out, n = results[i], counts[i]
        p = out[:5]
        start_from(rough[i], half_length, p)
        if rough[i, FOUND] == 0.0 or n < 8:
            continue
        near = near_of(pixels, starts[i], n, work)
        out[BRIGHT] = bright_share(near, n, saturation)
        plateaus = Far(far[i, N_BEFORE], far[i, SUM_BEFORE], far[i, N_AFTER], far[i, SUM_AFTER])
        settled, squares = iterate(near, n, plateaus, p, shapes[i], free_tilt, half_width, ROUNDS, space)
        if settled:
            inverse_of(space[2], inverse)
            # The last step was too small to change the sum of squares before it.
            dof = n - near_parameters(space[0], inverse, free_tilt)
            write_report(p, squares / max(dof, 1.0), inverse, dof, out)


@njit(cache=True, nogil=True, error_model="numpy")
def find_disturbed(
    pixels: Floats, starts: Ints, counts: Ints, rough: Floats, shapes: Floats, half_width: float, results: Floats,
    quiet: Floats, work: Floats,
) -> Ints:  # fmt: skip
    """Return the strips in which the plain fit left more than noise, `quiet` (n, 2) being the plateaus' variances.

    Work space: `work` (7, most pixels).
    """
    lanes = lanes_over(np.zeros(work.shape[1], np.int64), np.zeros((LANE_ROWS, MOST_LANES)))
    disturbed, many = np.empty(counts.size, np.int64), 0
    for i in range(counts.size):
        n = counts[i]
        if n < 8 or rough[i, FOUND] == 0.0:
            continue
        near = near_of(pixels, starts[i], n, work)
        number = assign_lanes(near, n, half_width, lanes)
        if results[i, SETTLED] == 0.0:
            disturbed[many] = i
            many += 1
            continue
        evaluate(near, n, results[i], shapes[i])
        least = (2.0 * LEAST_NOISE * results[i, HALF]) ** 2
        # About the edge lie as many pixels of either side.
        calm, loud = 0.5 * (quiet[i, 0] + quiet[i, 1]), max(quiet[i, 0], quiet[i, 1])
        variance, calm = max(results[i, NOISE] ** 2, least), max(calm, least) if calm > 0.0 else 0.0
        if is_disturbed(near, n, variance, calm, loud, number, lanes):
            disturbed[many] = i
            many += 1
    return disturbed[:many]


@njit(cache=True, nogil=True, error_model="numpy")
def mask_by_lane(
    near: Near, n: int, p: Floats, shape: float, free_tilt: bool, half_width: float, noise: float, start: float,
    bins: int, lanes: Lanes, number: int, space: Floats, map_: Floats, mask: Floats,
) -> Far:  # fmt: skip
    """Let the lanes settle what disturbs: fill `mask` (n,), move p, return the undisturbed plateaus.

    Twice: what the first mask leaves tells the edge better, and so which lanes do not suit it.
    """
    evaluate(near, n, p, shape)
    calm, far = settle_lanes(near, n, p, shape, free_tilt, half_width, space, lanes, number, noise)
    lane_width, reach = 2.0 * half_width / number, BLUR_REACH * p[BLUR] + 0.5
    mask_disturbed(near, n, lanes, number, lane_width, math.sqrt(calm), reach, map_, start, bins)
    iterate(near, n, far, p, shape, free_tilt, half_width, 2, space)
    evaluate(near, n, p, shape)
    ask_lanes(near, n, p, noise, number, lanes)
    keep_suitable(lanes, number, noise, calm)
    far = far_of_lanes(lanes, number, int(reach / lane_width))
    mask_disturbed(near, n, lanes, number, lane_width, math.sqrt(calm), reach, map_, start, bins)
    for k in range(n):
        mask[k] = near.weight[k]
    return far


@njit(cache=True, nogil=True, error_model="numpy")
def refit_all(
    pixels: Floats, starts: Ints, counts: Ints, before: Floats, before_at: Ints, before_counts: Ints,
    after: Floats, after_at: Ints, after_counts: Ints, rough: Floats, far: Floats, shapes: Floats, quiet: Floats,
    half_length: float, half_width: float, free_tilt: bool, results: Floats, work: Floats,
) -> None:  # fmt: skip
    """Fit n disturbed strips robustly from where their plain fit ended (from the rough find, where it did not).

    `before` and `after` (3, ·) hold the plateaus' pixels as `pixels` holds the near ones, `far` their slopes. Work
    space: as for `find_disturbed`.
    """
    mask, some, space = work[5], work[6], np.zeros((5, 5, 5))
    inverse, map_ = space[4], np.zeros((MOST_LANES, 4 * math.ceil(half_length) + 8))
    lanes = lanes_over(np.zeros(work.shape[1], np.int64), np.zeros((LANE_ROWS, MOST_LANES)))
    for i in range(counts.size):
        out, n, shape = results[i], counts[i], shapes[i]
        p = out[:5]
        if out[SETTLED] == 0.0:
            start_from(rough[i], half_length, p)
        out[SETTLED] = 0.0
        near = near_of(pixels, starts[i], n, work)
        for k in range(n):
            mask[k] = 1.0
        number, least_sigma = assign_lanes(near, n, half_width, lanes), 2.0 * LEAST_NOISE * abs(p[HALF])
        one, two = before_at[i], after_at[i]
        place = rough[i, PLACE] - half_length
        take_slope_off(before[0, one:], before[1, one:], before_counts[i], far[i, SLOPE_BEFORE], place)
        take_slope_off(after[0, two:], after[1, two:], after_counts[i], far[i, SLOPE_AFTER], place)
        low, sigma_before = weigh_plateau(
            before[0, one:], before[2, one:], before_counts[i], far[i, WORTH_BEFORE], least_sigma, half_width, number,
            lanes.before_weight, lanes.before_sum, some,
        )  # fmt: skip
        high, sigma_after = weigh_plateau(
            after[0, two:], after[2, two:], after_counts[i], far[i, WORTH_AFTER], least_sigma, half_width, number,
            lanes.after_weight, lanes.after_sum, some,
        )  # fmt: skip
        if sigma_before < math.inf and sigma_after < math.inf:
            p[LEVEL], p[HALF] = 0.5 * (high + low), 0.5 * (high - low)
        plateaus = Far(lanes.before_weight[0], lanes.before_sum[0], lanes.after_weight[0], lanes.after_sum[0])
        if number > 0:
            evaluate(near, n, p, shape)
            # The least of what the plateaus and the edge show: what disturbs only ever adds to one of them.
            sigma = min(sigma_before, sigma_after, typical_size(near, n, mask, some))
            calm = 0.5 * (quiet[i, 0] + quiet[i, 1])
            sigma = min(sigma, math.sqrt(calm)) if calm > 0.0 else sigma
            noise, start = max(sigma, least_sigma) ** 2, rough[i, LOW] - half_length - 1.0
            span = 2 * int(rough[i, HIGH] - rough[i, LOW]) + 6
            plateaus = mask_by_lane(
                near, n, p, shape, free_tilt, half_width, noise, start, span, lanes, number, space, map_, mask
            )
        settled, sigma = descend(near, n, plateaus, p, shape, free_tilt, half_width, space, mask, some, least_sigma)
        if settled:
            report_robust(near, n, plateaus, p, shape, free_tilt, mask, sigma, space, inverse, out)
