"""The kernels of one look: strips laid across the picture of a ground, and their edges carried to it."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.ties.sight import scale_there, to_pixel
from tiepoint.ties.way import follow, work_space
from tiepoint.vision.strip_report import (
    CODE,
    FLAGS,
    FLAGS_AT,
    HAS_EDGE,
    LEAN,
    NORMAL_X,
    NORMAL_Y,
    POINT_X,
    POINT_Y,
    SENSE,
    WHOLE_BLUR,
    U,
)

Array = NDArray[np.float64]

SHORTEST_PX, LONGEST_PX = 8.0, 20_000.0
"""No strip is shorter along the crossing, since an edge needs a plateau on each side, and none is longer."""
NARROW_PX, MOST_STRIPS = 3.0, 720
"""Width of strips round a circle, unless that makes more of them than this."""
BROAD_PX, FEWEST_BROAD, MOST_BROAD = 8.0, 15, 400
"""The same along a straight line, where wider strips lose nothing."""
MOST_FIRST, MOST_FIRST_ROUND = 24, 72
"""The most strips of a first look, along a box and in a ring."""
PLATEAU = 28.0
"""Length of the second look's strips, in whole blurs: with 12, free levels cost a twentieth more in precision."""
SECOND_LOOK_PX = 16.0

FLAG_SHARE = 0.1
"""A flag of single strips is told of the whole where it concerns more than this share of them."""

# What stands in a row of what is `seen` of an edge point on the ground: the unit normal of the edge, on the side of the
# crossing direction; ground units along it per pixel; +1 where that side is the brighter one, -1 where the darker; the
# whole blur in px; the radius in px, in the picture, of a circle of radius 1 on the ground; which strip showed it.
ACROSS_X, ACROSS_Y, SCALE, LIGHT, BLUR, BEND, STRIP = range(7)
SEEN_COLUMNS = 7

ONE, FIRST, SECOND = range(3)
"""How many strips there are: a single one, as many as a first look needs, as many as a second one."""


@njit(cache=True, nogil=True, error_model="numpy")
def along_count(long_px: float, look: int) -> int:
    """Return how many strips there are along a straight edge.

    Short edges get narrower strips instead of few: a scratch then costs a few points and not the fit.
    """
    if look == ONE:
        return 1
    if look == FIRST:
        return int(min(max(long_px / BROAD_PX, 3), MOST_FIRST))
    return max(int(min(max(long_px / BROAD_PX, FEWEST_BROAD), MOST_BROAD, long_px / NARROW_PX)), 4)


@njit(cache=True, nogil=True, error_model="numpy")
def half_length(sight: Array, x: float, y: float, reach: float, blur_px: float) -> float:
    """Return half of the strips' length on the ground: some blurs of what a first look saw, within the `reach`."""
    if math.isinf(blur_px):
        return reach
    return float(min(max(PLATEAU * blur_px, SECOND_LOOK_PX) * scale_there(sight, x, y) / 2.0, reach))


@njit(cache=True, nogil=True, error_model="numpy")
def put(sight: Array, ax: float, ay: float, bx: float, by: float, box: Array) -> float:
    """Fill the box (4,) of a strip from place a to place b; return its length in px, NaN where that is not seen."""
    ax, ay = to_pixel(sight, ax, ay)
    bx, by = to_pixel(sight, bx, by)
    box[0], box[1], box[2], box[3] = (ax + bx) / 2.0, (ay + by) / 2.0, bx - ax, by - ay
    return math.sqrt(box[2] * box[2] + box[3] * box[3])


@njit(cache=True, nogil=True, error_model="numpy")
def lay_straight(
    sight: Array, ends: Array, across: Array, reach: float, blur_px: float, look: int, sizes: Array
) -> Array:
    """Return strips (n, 4) side by side between two places (2, 2), square to the way, crossed along `across` (2,).

    They have `reach` to both sides; `blur_px` is that of what a first look found, infinite where there was none.
    `sizes` (2,) receives their length and width in px. No strips where the picture does not show them all.
    """
    ax, ay = to_pixel(sight, ends[0, 0], ends[0, 1])
    bx, by = to_pixel(sight, ends[1, 0], ends[1, 1])
    long_px = math.hypot(bx - ax, by - ay)
    if math.isnan(long_px):
        return np.empty((0, 4))
    count = along_count(long_px, look)
    dx, dy = ends[1, 0] - ends[0, 0], ends[1, 1] - ends[0, 1]
    size = math.copysign(math.hypot(dx, dy), dx * across[1] - dy * across[0])
    at = (count // 2 + 0.5) / count
    half = half_length(sight, ends[0, 0] + at * dx, ends[0, 1] + at * dy, reach, blur_px)
    nx, ny = -dy / size * half, dx / size * half
    boxes, longest = np.empty((count, 4)), SHORTEST_PX
    for i in range(count):
        at = (i + 0.5) / count
        x, y = ends[0, 0] + at * dx, ends[0, 1] + at * dy
        length = put(sight, x - nx, y - ny, x + nx, y + ny, boxes[i])
        # What is not finite anywhere is not here either.
        if not length <= LONGEST_PX:
            return np.empty((0, 4))
        longest = max(longest, length)
    least = 1.0 if math.isinf(blur_px) else NARROW_PX
    sizes[0], sizes[1] = longest, min(max(long_px / count, least), LONGEST_PX)
    return boxes


@njit(cache=True, nogil=True, error_model="numpy")
def lay_box(
    sight: Array, x: float, y: float, dx: float, dy: float, half_across: float, half_along: float, look: int,
    sizes: Array,
) -> Array:  # fmt: skip
    """Return strips (n, 4) side by side over a box about (x, y) that is crossed along the unit vector (dx, dy)."""
    ends, across = np.empty((2, 2)), np.empty(2)
    across[0], across[1] = dx, dy
    ends[0, 0], ends[0, 1] = x + half_along * dy, y - half_along * dx
    ends[1, 0], ends[1, 1] = x - half_along * dy, y + half_along * dx
    return lay_straight(sight, ends, across, half_across, math.inf, look, sizes)


@njit(cache=True, nogil=True, error_model="numpy")
def lay_round(
    sight: Array, cx: float, cy: float, radius: float, reach: float, start: float, end: float, blur_px: float,
    look: int, sizes: Array,
) -> Array:  # fmt: skip
    """Return strips (n, 4) side by side across a circle, crossed outwards, over angles from `start` to `end`.

    Their number is even: each of a full circle has one opposite to it. `reach`, `blur_px` and `sizes`: as above.
    """
    full, scale = end - start, scale_there(sight, cx, cy)
    long_px = full * radius / scale
    if math.isnan(long_px):
        return np.empty((0, 4))
    count = int(min(max(long_px / NARROW_PX, 8), MOST_FIRST_ROUND if look == FIRST else MOST_STRIPS)) // 2 * 2
    angle = start + (count // 2 + 0.5) / count * full
    half = half_length(sight, cx + radius * math.cos(angle), cy + radius * math.sin(angle), reach, blur_px)
    boxes, longest = np.empty((count, 4)), SHORTEST_PX
    for i in range(count):
        angle = start + (i + 0.5) / count * full
        c, s = math.cos(angle), math.sin(angle)
        low, high = radius - half, radius + half
        length = put(sight, cx + low * c, cy + low * s, cx + high * c, cy + high * s, boxes[i])
        if not length <= LONGEST_PX:
            return np.empty((0, 4))
        longest = max(longest, length)
    # As wide as fits side by side at the inner radius, between what a fit needs and what a coarse look gains from.
    width = min(max(full * (radius - reach) / scale / count, NARROW_PX), 2.0 * NARROW_PX)
    width = width if look == FIRST else max(long_px / count, NARROW_PX)
    sizes[0], sizes[1] = longest, min(width, LONGEST_PX)
    return boxes


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def carried(d_px: Array, nx: float, ny: float, normal: Array) -> tuple[float, float]:
    """Carry an edge with a unit normal in a picture to the ground by ∂ground/∂px (2, 2).

    A line n·x = c in pixels is (D⁻ᵀn)·X = c' on the ground: shifted by δ px it moves by δ/|D⁻ᵀn| there. Fills the unit
    normal on the ground `normal` (2,); returns ground units along it per pixel, and the radius in px of a circle of
    radius 1 on the ground. An affine map A bends it, with tangent t, to the radius |A·t|³/|det A|.
    """
    a, b, c, d = d_px[0, 0], d_px[0, 1], d_px[1, 0], d_px[1, 1]
    det = a * d - b * c
    a, b, c, d = d / det, -b / det, -c / det, a / det
    x, y = a * nx + c * ny, b * nx + d * ny
    size = math.hypot(x, y)
    x, y = x / size, y / size
    normal[0], normal[1] = x, y
    return 1.0 / size, math.hypot(b * x - a * y, d * x - c * y) ** 3 * abs(det)


@njit(cache=True, nogil=True, error_model="numpy")
def carry_edges(
    numbers: Array, sides: Array, factor: Array, fields: Array, poses: Array, by_pose: Array, told: Array, needed: int,
    xy: Array, u: Array, moves: Array, seen: Array,
) -> tuple[int, int]:  # fmt: skip
    """Carry the edges in what is told of n strips to the ground, and fill the first rows of what `EdgePoints` has.

    The first arguments are a way's `arrays`. Returns how many edges there are, and the flags that are told of the
    whole, a bit each in the order of `FLAGS`; −1 where an edge lies outside the region in which the tie is valid. Where
    fewer than `needed` strips have an edge, it fills nothing.
    """
    n, k, flagged = 0, 0, np.zeros(len(FLAGS))
    for i in range(told.shape[0]):
        n += told[i, CODE] == HAS_EDGE
    if n < needed:
        return n, 0
    work, d_px, normal = work_space(), np.empty((2, 2)), np.empty(2)
    for i in range(told.shape[0]):
        edge = told[i]
        if edge[CODE] != HAS_EDGE:
            continue
        px, py, row = edge[POINT_X], edge[POINT_Y], seen[k]
        if not follow(numbers, sides, factor, fields, poses, by_pose, px, py, work, xy[k], d_px, moves[k]):
            return n, -1
        row[SCALE], row[BEND] = carried(d_px, edge[NORMAL_X], edge[NORMAL_Y], normal)
        u[k] = edge[U] * math.cos(edge[LEAN]) * row[SCALE]
        row[ACROSS_X], row[ACROSS_Y], row[LIGHT], row[BLUR], row[STRIP] = (
            normal[0], normal[1], edge[SENSE], edge[WHOLE_BLUR], i,
        )  # fmt: skip
        for j in range(flagged.size):
            flagged[j] += edge[FLAGS_AT + j]
        k += 1
    flags = 0
    for j in range(flagged.size):
        flags += (flagged[j] > FLAG_SHARE * k) << j
    return n, flags
