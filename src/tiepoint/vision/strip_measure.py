"""All that is done to the strips of one call, in few compiled calls: a shot asks some dozen times, for few each."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.strip_batch import fit_all, refit_all
from tiepoint.vision.strip_find import FAR_HIGH, FAR_LOW, FOUND, HIGH, LOW, find_roughly
from tiepoint.vision.strip_pixels import Floats, Ints, box_over, gather, profile
from tiepoint.vision.strip_plateaus import level_plateaus
from tiepoint.vision.strip_report import tell_all
from tiepoint.vision.strip_rows import (
    COUNT,
    DX,
    DY,
    FAR_AT,
    FIRST,
    INSIDE,
    RESULT_AT,
    ROUGH_AT,
    ROW_COLUMNS,
    WHOLE,
    X,
    Y,
)


@njit(cache=True, nogil=True, error_model="numpy")
def lay(box: Floats, row: Floats) -> bool:
    """Fill the strip's middle and unit direction into its row; False where it has none, or is not near any picture."""
    size = math.hypot(box[2], box[3])
    row[X], row[Y], row[DX], row[DY] = box[0], box[1], box[2] / size, box[3] / size
    return size > 0.0 and abs(row[X]) <= 1e7 and abs(row[Y]) <= 1e7 and abs(row[DX]) <= 1e7 and abs(row[DY]) <= 1e7


@njit(cache=True, nogil=True, error_model="numpy")
def look_at_all(
    picture: NDArray[np.generic], boxes: Floats, length: float, width: float, polarity: int, of_several: int,
    robust: bool, rows: Floats, spans: Ints, bins: Floats,
) -> Floats:  # fmt: skip
    """Find each of n strips' edge roughly, level its plateaus and take the pixels near it.

    `boxes` (n, 4) x, y, dx, dy. Fills `rows` (n, ROW_COLUMNS), `spans` (n, 4) and the profiles `bins` (n, 3, bins), all
    zero before. Returns the pixels (3, ·) near the edges; nothing, (0, 0), where one of the boxes cannot be used.
    """
    flat, size, count = picture.reshape(-1), picture.shape, bins.shape[2]
    mean, response, calm, some = np.empty(count), np.empty(count + 1), np.empty(count), np.empty(32)
    for i in range(boxes.shape[0]):
        row = rows[i]
        if not lay(boxes[i], row):
            return np.empty((0, 0))
        box = box_over(size[0], size[1], row[X], row[Y], row[DX], row[DY], length, width)
        spans[i, INSIDE], spans[i, WHOLE] = profile(flat, box, bins[i, 0], bins[i, 1], bins[i, 2])
        rough = row[ROUGH_AT:FAR_AT]
        find_roughly(bins[i, 0], bins[i, 1], mean, response, polarity, of_several, rough)
        if rough[FOUND] != 0.0:
            level_plateaus(bins[i], rough, robust, row[FAR_AT:RESULT_AT], some, calm)
    return gathered(picture, length, width, rows, LOW, HIGH, spans)


@njit(cache=True, nogil=True, error_model="numpy")
def gathered(
    picture: NDArray[np.generic], length: float, width: float, rows: Floats, low: int, high: int, spans: Ints
) -> Floats:
    """Return the pixels (3, ·) between two columns of bins of n strips; `spans` receives where, and how many.

    The squares of the pixels whose centres are there lie within √2/2 px of it: so much room each strip is left.
    """
    flat, size, total = picture.reshape(-1), picture.shape, 0
    for i in range(spans.shape[0]):
        spans[i, FIRST] = total
        bins = rows[i, ROUGH_AT + high] - rows[i, ROUGH_AT + low]
        total += math.ceil((bins + 1.5) * (width + 1.5))
    pixels = np.empty((3, max(total, 1)))
    for i in range(spans.shape[0]):
        row = rows[i]
        box = box_over(size[0], size[1], row[X], row[Y], row[DX], row[DY], length, width)
        start, end = row[ROUGH_AT + low] - 0.5 * length, row[ROUGH_AT + high] - 0.5 * length
        room = slice(spans[i, FIRST], spans[i + 1, FIRST] if i + 1 < spans.shape[0] else total)
        spans[i, COUNT] = gather(flat, box, start, end, pixels[0, room], pixels[1, room], pixels[2, room])
    return pixels


def measure(
    picture: NDArray[np.generic], boxes: Floats, length: float, width: float, polarity: int, of_several: int,
    robust: bool, free_tilt: bool, saturation: float, least_contrast: float, told: Floats,
) -> bool:  # fmt: skip
    """Measure n strips (n, 4) of a picture: fill what is told of them, (n, TOLD_COLUMNS).

    Returns False where a box cannot be used. A handful of compiled calls, not one: whole in one they take half a minute
    longer to compile, for a hundredth of a millisecond.
    """
    n, half, half_width = len(boxes), 0.5 * length, 0.5 * width
    rows, spans, bins = np.zeros((n, ROW_COLUMNS)), np.zeros((n, 4), np.int64), np.zeros((n, 3, math.ceil(length)))
    near = look_at_all(picture, boxes, length, width, polarity, of_several, robust, rows, spans, bins)
    if not near.size:
        return False
    k = fit_all(near, rows, spans, half, half_width, robust, free_tilt, saturation)
    if k.size:
        some, at, at_before, at_after = rows[k], spans[k], spans[k], spans[k]
        before = gathered(picture, length, width, some, FAR_LOW, LOW, at_before)
        after = gathered(picture, length, width, some, HIGH, FAR_HIGH, at_after)
        refit_all(near, some, at, before, at_before, after, at_after, half, half_width, free_tilt)
        rows[k] = some
    tell_all(rows, spans, bins, half, width, polarity, least_contrast, told)
    return True
