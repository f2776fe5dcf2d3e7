"""Where among sampled cells a Data Matrix lies, and how large it is: by its border of two solid and two broken sides.

ISO/IEC 16022 (from memory): the left column and the lowest row are dark; the uppermost row and the right column
alternate, dark at the upper left and at the lower right; a light margin of one cell surrounds it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

SQUARES = (10, 12, 14, 16, 18, 20, 22, 24, 26, 32, 36, 40, 44, 48, 52)
SIZES = (*((n, n) for n in SQUARES), (8, 18), (8, 32), (12, 26), (12, 36), (16, 36), (16, 48))
"""Rows and columns of the symbols that marks on parts have; above 52 cells a side there are none of dots."""

REGIONS = {**{n: 1 for n in SQUARES if n <= 26}, **dict.fromkeys((32, 36, 40, 44, 48, 52), 2)}
"""Into how many blocks, each with a border of its own, a side of a square symbol is divided."""

LEAST_SCORE = 0.6
"""A border that fits less is none: of marks that were read it fitted to 0.8 or better."""


@dataclass(frozen=True)
class Place:
    """`cells` (rows, columns): dark ones, the border as it must be. `corners` (4, 2): of the outline, in sampled cells
    counted from the corner of the first, from the symbol's own upper left clockwise.
    """

    score: float
    cells: Bools
    corners: Array


def places_of(values: Floats) -> Iterator[Place]:
    """Give where symbols may lie among sampled cells (n, n; high where a dot is), the likeliest first."""
    level, spread = _levels(values)
    even = np.clip((values - level) / spread, -1.5, 1.5).astype(np.float64)
    found: list[tuple[float, int, int, int, tuple[int, int]]] = []
    for turns in range(4):
        told = _best(np.ascontiguousarray(np.rot90(even, turns)), np.array(SIZES, np.int64))
        for size, (score, y, x) in zip(SIZES, told.tolist(), strict=True):
            found.append((score, turns, int(y), int(x), size))
    found.sort(key=lambda f: -f[0])
    for candidate in found:
        if candidate[0] <= LEAST_SCORE:
            return
        yield _place(values, *candidate)


def _levels(values: Floats) -> tuple[float, float]:
    """Return the level between dots and none, and half of their distance, from the busiest middle of the samples."""
    n = values.shape[0]
    inner = values[n // 2 - 6 : n // 2 + 7, n // 2 - 6 : n // 2 + 7]
    low, high = np.percentile(inner, (20, 85)).tolist()
    return (low + high) / 2, max((high - low) / 2, 0.1)


@njit(cache=True, nogil=True)
def _best(even: Array, sizes: NDArray[np.int64]) -> Array:
    """Return the best score (1 where the border fits perfectly) and its place y, x for each size: (sizes, 3).

    Sums along each row and column, plain and with alternating signs, make every side of a border one subtraction.
    """
    n = even.shape[0]
    along, along_signed = np.zeros((n, n + 1)), np.zeros((n, n + 1))
    down, down_signed = np.zeros((n + 1, n)), np.zeros((n + 1, n))
    for y in range(n):
        for x in range(n):
            along[y, x + 1] = along[y, x] + even[y, x]
            along_signed[y, x + 1] = along_signed[y, x] + (even[y, x] if x % 2 == 0 else -even[y, x])
            down[y + 1, x] = down[y, x] + even[y, x]
            down_signed[y + 1, x] = down_signed[y, x] + (even[y, x] if y % 2 == 0 else -even[y, x])
    told = np.zeros((len(sizes), 3))
    for k in range(len(sizes)):
        rows, cols = sizes[k]
        told[k, 0] = -9.0
        for y in range(n - rows + 1):
            for x in range(n - cols + 1):
                low, right = y + rows - 1, x + cols - 1
                fits = down[y + rows, x] - down[y, x] + along[low, x + cols] - along[low, x]
                # The uppermost row is dark at its first cell, the right column at its second.
                above = along_signed[y, x + cols] - along_signed[y, x]
                beside = down_signed[y + rows, right] - down_signed[y, right]
                fits += (above if x % 2 == 0 else -above) - (beside if y % 2 == 0 else -beside)
                left = (down[y + rows, x - 1] - down[y, x - 1]) / rows if x > 0 else -1.0
                below = (along[low + 1, x + cols] - along[low + 1, x]) / cols if low + 1 < n else -1.0
                margin = min(max(left, -1.0), 1.0) + min(max(below, -1.0), 1.0)
                score = fits / (2.0 * (rows + cols)) - 0.125 * margin
                if score > told[k, 0]:
                    told[k, 0], told[k, 1], told[k, 2] = score, y, x
    return told


def _place(values: Floats, score: float, turns: int, y: int, x: int, size: tuple[int, int]) -> Place:
    rows, cols = size
    turned = np.rot90(values, turns)[y : y + rows, x : x + cols]
    border = border_of(rows, cols)
    known = border >= 0
    level = (turned[known & (border == 1)].mean() + turned[known & (border == 0)].mean()) / 2
    cells = np.where(known, border == 1, turned > level)
    corners = np.array([[x, y], [x + cols, y], [x + cols, y + rows], [x, y + rows]], float)
    return Place(score, cells, _turned_back(corners, turns, values.shape[0]))


def border_of(rows: int, cols: int) -> NDArray[np.int8]:
    """Return the border of a symbol (rows, columns): 1 dark, 0 light, -1 where its data are."""
    told = np.full((rows, cols), -1, np.int8)
    blocks_down = REGIONS[rows] if rows == cols else 1
    blocks_along = (
        REGIONS[cols] if rows == cols else 2 if (rows, cols) in ((8, 32), (12, 36), (16, 36), (16, 48)) else 1
    )
    high, wide = rows // blocks_down, cols // blocks_along
    for y in range(0, rows, high):
        for x in range(0, cols, wide):
            block = told[y : y + high, x : x + wide]
            block[0, 0::2], block[0, 1::2] = 1, 0
            block[0::2, -1], block[1::2, -1] = 0, 1
            block[:, 0] = block[-1, :] = 1
    return told


def _turned_back(corners: Array, turns: int, n: int) -> Array:
    """Return places (x, y) in an array that was turned by `np.rot90` as places in the array before."""
    for _ in range(turns):
        corners = np.column_stack([n - corners[:, 1], corners[:, 0]])
    return corners
