"""From the picture to numbers in one turned box: which pixels lie in it, and their profile along it.

A strip is a box turned to the direction in which an edge is crossed: `s` runs along that direction, `ac`
across it, both in pixels from the box's centre. Pixels are taken as they are: nothing is resampled, so
there is no interpolation error and the noise of neighbouring numbers stays independent.

The picture comes flattened, with two strides, so that the inner loop can always run along the picture axis
that is closer to the strip (`u`; the other one is `v`) and its limits are solved once a line.

Only these two kernels see the picture's own type; all that follows works on float64 and is compiled once.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Sums may be reordered (vector registers), nothing else is loosened: NaN and infinity keep their meaning.
FAST = {"reassoc", "contract", "arcp", "nsz"}

# The bin of a pixel is counted in fixed point along a line: a shift is quicker than rounding a float.
FIXED_BITS, FIXED_ONE = 32, 4294967296.0

NUDGE = 1e-6
"""Every border lies so many px before its place along s, and so far out across: pixels that stand on one, as they do
about a box's own centre and at angles such as that of 3 : 4, fall on the same side whichever way the rounding goes, and
so whichever way the picture is turned."""


class Box(NamedTuple):
    """One strip over a flattened picture: s = su·du + sv·dv, ac = au·du + av·dv from the centre (cu, cv).

    `per_s` is 1/su, `per_ac` 1/au, zero where lines run along the strip: a strip has many lines, and division is slow.
    """

    stride_u: int
    stride_v: int
    size_u: int
    size_v: int
    cu: float
    cv: float
    su: float
    sv: float
    au: float
    av: float
    half_length: float
    half_width: float
    per_s: float
    per_ac: float


@njit(cache=True, nogil=True, error_model="numpy")
def box_over(rows: int, cols: int, x: float, y: float, dx: float, dy: float, length: float, width: float) -> Box:
    """Return the box at (x, y) crossed along the unit vector (dx, dy) over a picture of rows × cols."""
    half_length, half_width = 0.5 * length, 0.5 * width + NUDGE
    if abs(dx) >= abs(dy):
        per_ac = -1.0 / dy if abs(dy) > 1e-9 else 0.0
        return Box(1, cols, cols, rows, x, y, dx, dy, -dy, dx, half_length, half_width, 1.0 / dx, per_ac)
    per_ac = 1.0 / dx if abs(dx) > 1e-9 else 0.0
    return Box(cols, 1, rows, cols, y, x, dy, dx, dx, -dy, half_length, half_width, 1.0 / dy, per_ac)


@njit(cache=True, nogil=True, error_model="numpy")
def lines_of(box: Box, low: float, high: float) -> tuple[int, int]:
    """Return the first and last picture line `v` that low ≤ s < high, |ac| ≤ half width can touch."""
    reach = box.half_width * abs(box.av)
    a, b = (low - NUDGE) * box.sv, (high - NUDGE) * box.sv
    return math.ceil(box.cv + min(a, b) - reach), math.floor(box.cv + max(a, b) + reach)


@njit(cache=True, nogil=True, error_model="numpy")
def span_of(box: Box, v: int, low: float, high: float) -> tuple[int, int]:
    """Return the first and last `u` on line `v` with low ≤ s < high and |ac| ≤ half width."""
    dv = v - box.cv
    low, high = low - NUDGE, high - NUDGE
    a, b = (low - box.sv * dv) * box.per_s, (high - box.sv * dv) * box.per_s
    first, last = min(a, b), max(a, b)
    across = box.av * dv
    if box.per_ac != 0.0:
        a, b = (-box.half_width - across) * box.per_ac, (box.half_width - across) * box.per_ac
        first, last = max(first, min(a, b)), min(last, max(a, b))
    elif abs(across) > box.half_width:
        return 1, 0
    start, end = math.ceil(box.cu + first), math.floor(box.cu + last)
    # The limit at `high` is open, so that neighbouring ranges share no pixel.
    if end >= start and box.su > 0 and box.su * (end - box.cu) + box.sv * dv >= high:
        end -= 1
    if end >= start and box.su < 0 and box.su * (start - box.cu) + box.sv * dv >= high:
        start += 1
    return start, end


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def profile(flat: NDArray[np.generic], box: Box, total: Floats, count: Floats, square: Floats) -> tuple[int, int]:
    """Sum the box's pixels in bins of one pixel along s: `total`, `count` and `square`, (bins,).

    Returns how many pixels of the box lie inside the picture, and how many it has.
    """
    inside, whole, top, step = 0, 0, total.size - 1, math.floor(box.su * FIXED_ONE + 0.5)
    first, last = lines_of(box, -box.half_length, box.half_length)
    for v in range(first, last + 1):
        start, end = span_of(box, v, -box.half_length, box.half_length)
        whole += max(0, end - start + 1)
        if v < 0 or v >= box.size_v:
            continue
        start, end = max(start, 0), min(end, box.size_u - 1)
        inside += max(0, end - start + 1)
        at = int((box.half_length + NUDGE + box.sv * (v - box.cv) + box.su * (start - box.cu)) * FIXED_ONE)
        i = v * box.stride_v + start * box.stride_u
        for _ in range(end - start + 1):
            k = min(max(at >> FIXED_BITS, 0), top)
            value = float(flat[i])
            total[k] += value
            count[k] += 1.0
            square[k] += value * value
            at += step
            i += box.stride_u
    return inside, whole


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def gather(
    flat: NDArray[np.generic], box: Box, low: float, high: float, value: Floats, along: Floats, across: Floats
) -> int:
    """Copy the pixels with low ≤ s < high into `value`, `along` (s) and `across` (ac); return how many."""
    n, room = 0, value.size
    first, last = lines_of(box, low, high)
    for v in range(max(first, 0), min(last, box.size_v - 1) + 1):
        start, end = span_of(box, v, low, high)
        start, end = max(start, 0), min(end, box.size_u - 1, start + room - n - 1)
        dv = v - box.cv
        base = v * box.stride_v
        for u in range(start, end + 1):
            du = u - box.cu
            value[n] = float(flat[base + u * box.stride_u])
            along[n] = box.su * du + box.sv * dv
            across[n] = box.au * du + box.av * dv
            n += 1
    return n
