"""Reduced pictures, and the maps that say where edges of each direction lie.

Response maps after Hinterstoisser et al., Gradient Response Maps for Real-Time Detection of Texture-Less Objects
(TPAMI 34, 2012; from memory): directions in few bins, spread over neighbours, looked up instead of computed. We
depart: means over cells instead of every t-th pixel, directions with their sign, 16 bins of the whole turn.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.seek_model import Bools, Cells, Picture, Projection, identity

Bytes = NDArray[np.uint8]

Box = tuple[float, float, float, float]

BINS = 16
FULL, HALF = 3, 2
"""What a cell answers to a feature of a direction that it has, and of the direction beside it."""

FEWEST_SIGMAS = 5.0
LEAST_OF_STRONG = 0.04
"""A cell has a direction where its gradient exceeds so many noise sigmas, and this share of the strong gradients."""

NODES = 8
"""The projection is computed at every so manieth cell of a view, and interpolated between."""


@njit(cache=True, nogil=True, error_model="numpy")
def pool(picture, f, sums, out):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `out` (h, w) with means over f × f pixels; `sums` (w·f,) is scratch that holds f pixels' sum."""
    rows, cols = out.shape
    share = np.float32(1.0 / (f * f))
    for i in range(rows):
        top = picture[i * f]
        for x in range(cols * f):
            sums[x] = top[x]
        for k in range(1, f):
            line = picture[i * f + k]
            for x in range(cols * f):
                sums[x] += line[x]
        for j in range(cols):
            total = np.float32(0.0)
            for k in range(f):
                total += np.float32(sums[j * f + k])
            out[i, j] = total * share


@njit(cache=True, nogil=True, error_model="numpy")
def pool_fours(picture, sums, out):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `out` (h, w) with means over 4 × 4 pixels, as `pool` does; what is known beforehand runs in registers."""
    rows, cols = out.shape
    share = np.float32(1.0 / 16.0)
    for i in range(rows):
        a, b, c, d = picture[4 * i], picture[4 * i + 1], picture[4 * i + 2], picture[4 * i + 3]
        for x in range(4 * cols):
            sums[x] = a[x]
            sums[x] += b[x]
            sums[x] += c[x]
            sums[x] += d[x]
        for j in range(cols):
            k = 4 * j
            total = np.float32(sums[k]) + np.float32(sums[k + 1]) + np.float32(sums[k + 2]) + np.float32(sums[k + 3])
            out[i, j] = total * share


@njit(cache=True, nogil=True, error_model="numpy")
def halve(cells, out):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `out` with means over 2 × 2 cells."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total = (
                cells[2 * i, 2 * j] + cells[2 * i, 2 * j + 1] + cells[2 * i + 1, 2 * j] + cells[2 * i + 1, 2 * j + 1]
            )
            out[i, j] = total * np.float32(0.25)


@njit(cache=True, nogil=True, error_model="numpy")
def resample(cells, nodes, step, out):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `out` (h, w) from `cells` at places interpolated from `nodes` (·, ·, 2); NaN beyond the picture."""
    rows, cols = cells.shape
    for i in range(out.shape[0]):
        a, v = i // step, (i % step) / step
        for j in range(out.shape[1]):
            b, u = j // step, (j % step) / step
            x = (1 - v) * ((1 - u) * nodes[a, b, 0] + u * nodes[a, b + 1, 0])
            x += v * ((1 - u) * nodes[a + 1, b, 0] + u * nodes[a + 1, b + 1, 0])
            y = (1 - v) * ((1 - u) * nodes[a, b, 1] + u * nodes[a, b + 1, 1])
            y += v * ((1 - u) * nodes[a + 1, b, 1] + u * nodes[a + 1, b + 1, 1])
            out[i, j] = np.nan
            if 0 <= x <= cols - 1 and 0 <= y <= rows - 1:
                p, q = min(int(x), cols - 2), min(int(y), rows - 2)
                s, t = np.float32(x - p), np.float32(y - q)
                top = cells[q, p] + s * (cells[q, p + 1] - cells[q, p])
                low = cells[q + 1, p] + s * (cells[q + 1, p + 1] - cells[q + 1, p])
                out[i, j] = top + t * (low - top)


@njit(cache=True, nogil=True, error_model="numpy")
def gradients(cells, gx, gy):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `gx`, `gy` with Sobel's gradients per cell; 0 at the border and where the view shows nothing."""
    eighth = np.float32(0.125)
    two = np.float32(2.0)
    for i in range(1, cells.shape[0] - 1):
        up, at, down = cells[i - 1], cells[i], cells[i + 1]
        for j in range(1, cells.shape[1] - 1):
            x = up[j + 1] - up[j - 1] + two * (at[j + 1] - at[j - 1]) + down[j + 1] - down[j - 1]
            y = down[j - 1] - up[j - 1] + two * (down[j] - up[j]) + down[j + 1] - up[j + 1]
            nothing = not (x == x and y == y)
            gx[i, j] = np.float32(0.0) if nothing else x * eighth
            gy[i, j] = np.float32(0.0) if nothing else y * eighth


@njit(cache=True, nogil=True, error_model="numpy")
def direction_bits(gx, gy, least, bits):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `bits` (h, w) u16 with the bin of each direction, one bit, where the gradient exceeds `least`."""
    tan1, tan2 = np.float32(math.tan(math.pi / 16)), np.float32(math.tan(3 * math.pi / 16))
    squared = np.float32(least * least)
    for i in range(gx.shape[0]):
        for j in range(gx.shape[1]):
            x, y = gx[i, j], gy[i, j]
            bits[i, j] = 0
            if x * x + y * y <= squared:
                continue
            ax, ay = abs(x), abs(y)
            big, small = (ax, ay) if ax >= ay else (ay, ax)
            # Bins are centred on multiples of π/8: the boundaries lie at odd multiples of π/16.
            k = 0 if small < tan1 * big else (1 if small < tan2 * big else 2)
            k = k if ax >= ay else 4 - k
            k = k if x >= 0 else 8 - k
            k = k if y >= 0 else -k
            bits[i, j] = np.uint16(1) << np.uint16(k & 15)


@njit(cache=True, nogil=True, error_model="numpy")
def respond(bits, pad, maps):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `maps` (BINS, 2, 2, ·, ·) from bits (h, w) spread over 3 × 3 cells; see `Directions` for their order."""
    rows, cols = bits.shape
    line = np.empty(cols, np.uint16)
    half = (cols + 1) // 2
    # Of the even and the odd cells of a row: directions 0 to 7, directions 8 to 15, and those beside each.
    own, beside = np.zeros((2, 2, half), np.uint8), np.zeros((2, 2, half), np.uint8)
    for i in range(rows):
        above, at, below = bits[max(i - 1, 0)], bits[i], bits[min(i + 1, rows - 1)]
        for j in range(cols):
            line[j] = above[j] | at[j] | below[j]
        left = np.uint16(0)
        for j in range(cols):
            here = line[j]
            right = line[j + 1] if j + 1 < cols else np.uint16(0)
            m = left | here | right
            left = here
            sides = (m << np.uint16(1)) | (m >> np.uint16(15)) | (m >> np.uint16(1)) | (m << np.uint16(15))
            own[j & 1, 0, j >> 1], own[j & 1, 1, j >> 1] = np.uint8(m & 255), np.uint8((m >> 8) & 255)
            beside[j & 1, 0, j >> 1], beside[j & 1, 1, j >> 1] = np.uint8(sides & 255), np.uint8((sides >> 8) & 255)
        for b in range(BINS):
            bit = np.uint8(1 << (b & 7))
            for odd in range(2):
                n = (cols + 1 - odd) // 2
                same, near = own[odd, b >> 3], beside[odd, b >> 3]
                out = maps[b, i & 1, odd, (i + pad) // 2, pad // 2 : pad // 2 + n]
                for j in range(n):
                    value = np.uint8(HALF) if near[j] & bit else np.uint8(0)
                    out[j] = np.uint8(FULL) if same[j] & bit else value


@njit(cache=True, nogil=True, error_model="numpy")
def unit_gradients(gx, gy, least, unit):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `unit` (h, w, 2) with the direction of each gradient; 0 where it does not exceed `least`."""
    squared = np.float32(least * least)
    one, nothing = np.float32(1.0), np.float32(0.0)
    for i in range(gx.shape[0]):
        for j in range(gx.shape[1]):
            x, y = gx[i, j], gy[i, j]
            size = x * x + y * y
            share = one / np.sqrt(size) if size > squared else nothing
            unit[i, j, 0], unit[i, j, 1] = x * share, y * share


@dataclass(frozen=True, slots=True)
class View:
    """The picture as cells of the ground: cell (i, j) has its middle at `x0` + j·`cell`, `y0` + i·`cell`."""

    cells: Cells
    x0: float
    y0: float
    cell: float


def reduced(picture: Picture, f: int) -> Cells:
    """Return means over f × f pixels (f a power of 2); the incomplete cells at the far borders are left out."""
    first = min(f, 4)
    out = np.empty((picture.shape[0] // first, picture.shape[1] // first), np.float32)
    # Sums of few whole numbers stay whole and small: twice as many of them run at once.
    wide = {"uint8": np.uint16, "uint16": np.uint32}.get(picture.dtype.name, np.float32)
    sums = np.empty(out.shape[1] * first, wide)
    if first == 4:
        pool_fours(picture, sums, out)
    else:
        pool(picture, first, sums, out)
    while first < f:
        half = np.empty((out.shape[0] // 2, out.shape[1] // 2), np.float32)
        halve(out, half)
        out, first = half, 2 * first
    return out


def view(
    levels: dict[int, Cells], f: int, cell: float, box: tuple[float, float, float, float], to_px: Projection
) -> View:
    """Return a view of a box (x0, y0, x1, y1) of the ground, from the picture reduced by f."""
    cells = levels[f]
    if to_px is identity:
        return _cut(cells, f, box)
    cols, rows = (max(4, math.ceil((box[k + 2] - box[k]) / cell) + 1) for k in (0, 1))
    across, down = (math.ceil(n / NODES) + 1 for n in (cols, rows))
    x, y = np.meshgrid(box[0] + NODES * cell * np.arange(across), box[1] + NODES * cell * np.arange(down))
    px, _ = to_px(np.column_stack([x.ravel(), y.ravel()]))
    nodes = ((px - (f - 1) / 2) / f).reshape(down, across, 2)
    out = np.empty((rows, cols), np.float32)
    resample(cells, nodes, NODES, out)
    return View(out, box[0], box[1], cell)


def _cut(cells: Cells, f: int, box: Box) -> View:
    rows, cols = cells.shape
    j0, i0 = (max(0, int((box[k] - (f - 1) / 2) // f)) for k in (0, 1))
    j1, i1 = (min(n, int(-(-(box[k] - (f - 1) / 2) // f)) + 1) for k, n in ((2, cols), (3, rows)))
    part = cells[i0 : max(i1, i0), j0 : max(j1, j0)]
    return View(np.ascontiguousarray(part), j0 * f + (f - 1) / 2, i0 * f + (f - 1) / 2, float(f))


@njit(cache=True, nogil=True, error_model="numpy")
def _sampled(gx, gy, sample):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `sample` with squared gradients of every second row and third column; return how many there are."""
    n = 0
    for i in range(1, gx.shape[0] - 1, 2):
        for j in range(1, gx.shape[1] - 1, 3):
            sample[n] = gx[i, j] * gx[i, j] + gy[i, j] * gy[i, j]
            n += 1
    return n


def strength_limit(gx: Cells, gy: Cells) -> float:
    """Return the gradient that tells a direction from noise.

    The median of squared gradients tells the noise where most of the view is even: for two Gaussian components it is
    2·ln 2·σ². Where edges fill the view the limit rises with them, which is as well.
    """
    sample = np.empty((gx.shape[0] // 2 + 1) * (gx.shape[1] // 3 + 1), np.float32)
    n = _sampled(gx, gy, sample)
    if n < 8:
        return 0.0
    at = (n // 2, int(0.995 * n))
    middle, strong = np.partition(sample[:n], at)[list(at)].tolist()
    noise = math.sqrt(middle / (2 * math.log(2)))
    return float(max(min(FEWEST_SIGMAS * noise, 0.25 * math.sqrt(strong)), LEAST_OF_STRONG * math.sqrt(strong), 1e-6))


@dataclass(frozen=True, slots=True)
class Directions:
    """Where a view (h, w) has edges of which direction.

    `maps` (BINS, 2, 2, rows, columns): what each cell answers to each direction. Even and odd rows and columns lie
    apart, so that every second place of a row has its answers side by side; cell (i, j) of the view is at
    [:, i & 1, j & 1, (i + pad) // 2, (j + pad) // 2], `pad` even. Columns are padded on the left only: beyond the
    right end of a row the left padding of the next one follows. `unit` (h, w, 2): the gradients' directions.
    """

    maps: Bytes
    pad: int
    unit: Cells


def directions(cells: Cells, reach: int, hidden: Bools | None = None) -> Directions:
    """Return the directions of a view for shapes that reach so many cells; cells in `hidden` (h, w) have none."""
    gx, gy = np.zeros_like(cells), np.zeros_like(cells)
    gradients(cells, gx, gy)
    least = strength_limit(gx, gy)
    if hidden is not None:
        gx[hidden] = gy[hidden] = 0.0
    bits, unit = np.empty(cells.shape, np.uint16), np.empty((*cells.shape, 2), np.float32)
    direction_bits(gx, gy, least, bits)
    unit_gradients(gx, gy, least, unit)
    pad = reach + 2 + reach % 2
    # One row more than the padding: the last row's own overflow.
    maps = np.zeros((BINS, 2, 2, (cells.shape[0] + 1) // 2 + pad + 1, (cells.shape[1] + 1 + pad) // 2), np.uint8)
    respond(bits, pad, maps)
    return Directions(maps, pad, unit)
