"""Many strips in one call: the plain fit and the search for what disturbs it, the robust fit."""

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
    leave_residuals,
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
    QUIET_AFTER,
    QUIET_BEFORE,
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
from tiepoint.vision.strip_rows import COUNT, DX, DY, FAR_AT, FIRST, RESULT_AT, ROUGH_AT

FEWEST_ROOM = 130
"""Least pixels of work space for the fits: medians of a plateau take some too."""


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def bright_share(near: Near, n: int, saturation: float) -> float:
    """Return the share of the pixels at or above the saturation level."""
    value, bright = near.value, 0.0
    for i in range(n):
        bright += 1.0 if value[i] >= saturation else 0.0
    return bright / max(n, 1)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def room_for_fits(spans: Ints) -> int:
    """Return how many pixels the work space of the fits must hold."""
    most = FEWEST_ROOM
    for i in range(spans.shape[0]):
        most = max(most, spans[i, COUNT] + 1)
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def outline_of(row: Floats) -> float:
    """Return the fourth-order term of the pixel's outline along a strip: (cos⁴φ + sin⁴φ)/1440."""
    return float((row[DX] ** 4 + row[DY] ** 4) / 1440.0)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def fit_plainly(
    near: Near, n: int, row: Floats, free_tilt: bool, half_width: float, saturation: float, space: Floats
) -> None:
    """Fill the results of a plain fit, whose start stands among them. Where SETTLED is zero, there is no fit."""
    out, far, inverse = row[RESULT_AT:], row[FAR_AT:RESULT_AT], space[4]
    p = out[:5]
    out[BRIGHT] = bright_share(near, n, saturation)
    plateaus = Far(far[N_BEFORE], far[SUM_BEFORE], far[N_AFTER], far[SUM_AFTER])
    settled, squares = iterate(near, n, plateaus, p, outline_of(row), free_tilt, half_width, ROUNDS, space)
    if settled:
        inverse_of(space[2], inverse)
        # The last step was too small to change the sum of squares before it.
        dof = n - near_parameters(space[0], inverse, free_tilt)
        write_report(p, squares / max(dof, 1.0), inverse, dof, out)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def is_left_disturbed(near: Near, n: int, row: Floats, half_width: float, lanes: Lanes, step: Floats) -> bool:
    """Tell whether the plain fit of a strip left more than noise, or did not settle; `step` (5,) was its last."""
    number, result = assign_lanes(near, n, half_width, lanes), row[RESULT_AT:]
    if result[SETTLED] == 0.0:
        return True
    leave_residuals(near, n, step)
    least = (2.0 * LEAST_NOISE * result[HALF]) ** 2
    # About the edge lie as many pixels of either side.
    before, after = row[FAR_AT + QUIET_BEFORE], row[FAR_AT + QUIET_AFTER]
    calm, loud = 0.5 * (before + after), max(before, after)
    variance, calm = max(result[NOISE] ** 2, least), max(calm, least) if calm > 0.0 else 0.0
    return bool(is_disturbed(near, n, variance, calm, loud, number, lanes))


@njit(cache=True, nogil=True, error_model="numpy")
def fit_all(
    pixels: Floats, rows: Floats, spans: Ints, half_length: float, half_width: float, robust: bool, free_tilt: bool,
    saturation: float,
) -> Ints:  # fmt: skip
    """Fit n strips plainly; fill the results in `rows`, zero before.

    Returns the strips that are to be fitted again, robustly, if `robust` says so.
    """
    n, most = spans.shape[0], room_for_fits(spans)
    work, space = np.ones((6, most)), np.zeros((5, 5, 5))
    lanes = lanes_over(np.zeros(most, np.int64), np.zeros((LANE_ROWS, MOST_LANES)))
    disturbed, many = np.empty(n, np.int64), 0
    for i in range(n):
        row, count = rows[i], spans[i, COUNT]
        rough = row[ROUGH_AT:FAR_AT]
        start_from(rough, half_length, row[RESULT_AT:])
        if rough[FOUND] == 0.0 or count < 8:
            continue
        near = near_of(pixels, spans[i, FIRST], count, work)
        fit_plainly(near, count, row, free_tilt, half_width, saturation, space)
        if robust and is_left_disturbed(near, count, row, half_width, lanes, space[3, 1]):
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
    pixels: Floats, rows: Floats, spans: Ints, before: Floats, before_spans: Ints, after: Floats, after_spans: Ints,
    half_length: float, half_width: float, free_tilt: bool,
) -> None:  # fmt: skip
    """Fit n disturbed strips robustly from where their plain fit ended (from the rough find, where it did not).

    `before` and `after` (3, ·) hold the plateaus' pixels as `pixels` holds the near ones.
    """
    most = room_for_fits(spans)
    work, mask, some, space = np.ones((5, most)), np.empty(most), np.empty(most), np.zeros((5, 5, 5))
    inverse, map_ = space[4], np.zeros((MOST_LANES, 4 * math.ceil(half_length) + 8))
    lanes = lanes_over(np.zeros(most, np.int64), np.zeros((LANE_ROWS, MOST_LANES)))
    for i in range(spans.shape[0]):
        n, shape = spans[i, COUNT], outline_of(rows[i])
        rough, levels, out = rows[i, ROUGH_AT:FAR_AT], rows[i, FAR_AT:RESULT_AT], rows[i, RESULT_AT:]
        p = out[:5]
        if out[SETTLED] == 0.0:
            start_from(rough, half_length, p)
        out[SETTLED] = 0.0
        near = near_of(pixels, spans[i, FIRST], n, work)
        for k in range(n):
            mask[k] = 1.0
        number, least_sigma = assign_lanes(near, n, half_width, lanes), 2.0 * LEAST_NOISE * abs(p[HALF])
        one, two = before_spans[i, FIRST], after_spans[i, FIRST]
        n_before, n_after = before_spans[i, COUNT], after_spans[i, COUNT]
        place = rough[PLACE] - half_length
        take_slope_off(before[0, one:], before[1, one:], n_before, levels[SLOPE_BEFORE], place)
        take_slope_off(after[0, two:], after[1, two:], n_after, levels[SLOPE_AFTER], place)
        low, sigma_before = weigh_plateau(
            before[0, one:], before[2, one:], n_before, levels[WORTH_BEFORE], least_sigma, half_width, number,
            lanes.before_weight, lanes.before_sum, some,
        )  # fmt: skip
        high, sigma_after = weigh_plateau(
            after[0, two:], after[2, two:], n_after, levels[WORTH_AFTER], least_sigma, half_width, number,
            lanes.after_weight, lanes.after_sum, some,
        )  # fmt: skip
        if sigma_before < math.inf and sigma_after < math.inf:
            p[LEVEL], p[HALF] = 0.5 * (high + low), 0.5 * (high - low)
        plateaus = Far(lanes.before_weight[0], lanes.before_sum[0], lanes.after_weight[0], lanes.after_sum[0])
        if number > 0:
            evaluate(near, n, p, shape)
            # The least of what the plateaus and the edge show: what disturbs only ever adds to one of them.
            sigma = min(sigma_before, sigma_after, typical_size(near, n, mask, some))
            calm = 0.5 * (levels[QUIET_BEFORE] + levels[QUIET_AFTER])
            sigma = min(sigma, math.sqrt(calm)) if calm > 0.0 else sigma
            noise, start = max(sigma, least_sigma) ** 2, rough[LOW] - half_length - 1.0
            span = 2 * int(rough[HIGH] - rough[LOW]) + 6
            plateaus = mask_by_lane(
                near, n, p, shape, free_tilt, half_width, noise, start, span, lanes, number, space, map_, mask
            )
        settled, sigma = descend(near, n, plateaus, p, shape, free_tilt, half_width, space, mask, some, least_sigma)
        if settled:
            report_robust(near, n, plateaus, p, shape, free_tilt, mask, sigma, space, inverse, out)
