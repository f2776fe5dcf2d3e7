"""Process indicators of a symbol of cells, in the manner of ISO/IEC 15415 (print) and ISO/IEC 29158 (marks on parts).

Indicators and never grades: a grade is what a conforming verifier gives, with its own light, aperture and calibration.
These follow the standards' definitions as far as a station's own picture carries them, and depart where it cannot:
reflectance is the grey level as a share of that of white; a cell is sampled over a square of 0.6 of its side;
modulation is told of the weakest cell, without the standard's allowance for what error correction repairs; the grid is
fitted to where bright and dark cells meet, and how far cells stand off it is averaged over three by three of them.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

APERTURE = 0.6
POINTS = 5
REACH = 0.5
LEAST_BORDERS = 12
PROFILE = np.linspace(-REACH, REACH, 13)


@dataclass(frozen=True)
class Indicators:
    """Shares from 0 to 1, `axial_nonuniformity` too; `grid_nonuniformity` in cells.

    `corners` (4, 2): the outline as fitted to the cells. `reflectance` (rows, cols): of each cell.
    """

    symbol_contrast: float
    modulation: float
    cell_contrast: float
    axial_nonuniformity: float
    grid_nonuniformity: float
    corners: Array
    reflectance: Array


def indicators(
    picture: NDArray[Any],
    corners: Array,
    cells: tuple[int, int],
    white: float,
    aspect: float = 1.0,
) -> Indicators | None:
    """Return the indicators of a symbol; None where it shows no two levels or leaves the picture.

    `corners` (4, 2): of its outline, px, from its own upper left clockwise. `cells`: rows and columns. `white`: the
    grey level of white. `aspect`: how much taller than wide a square of the ground looks there.
    """
    work = np.asarray(picture, np.float32)
    if not _is_within(corners, work.shape):
        return None
    fitted = _fitted(work, corners, cells)
    off_grid = 0.0
    for _ in range(2):
        fitted, off_grid = _on_borders(work, fitted, cells)
    levels = _cells(work, fitted, cells, POINTS) / white
    low, high = float(levels.min()), float(levels.max())
    middle = (low + high) / 2
    bright = levels > middle
    if not high > low or bright.all() or not bright.any():
        return None
    light, dark = float(levels[bright].mean()), float(levels[~bright].mean())
    modulation = 2 * np.abs(levels - middle) / (high - low)
    wide, tall = _sides(fitted)
    x, y = wide / cells[1], tall / cells[0] / aspect
    return Indicators(
        symbol_contrast=high - low,
        modulation=float(modulation.min()),
        cell_contrast=(light - dark) / light,
        axial_nonuniformity=abs(x - y) / ((x + y) / 2),
        grid_nonuniformity=off_grid,
        corners=fitted,
        reflectance=levels,
    )


def _is_within(corners: Array, shape: tuple[int, ...]) -> bool:
    return bool(((corners >= -0.5) & (corners <= np.array(shape[::-1]) - 0.5)).all())


def _sides(corners: Array) -> tuple[float, float]:
    """Return the mean width and height of an outline."""
    a, b, c, d = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).tolist()
    return (a + c) / 2, (b + d) / 2


def _places(corners: Array, cells: tuple[int, int], at: Array) -> NDArray[np.float32]:
    """Return where places (n, 2) in cells (column, row from the upper left corner) lie in px."""
    rows, cols = cells
    unit = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], np.float32)
    matrix = cv2.getPerspectiveTransform(unit, corners.astype(np.float32))
    told = np.column_stack([at, np.ones(len(at))]) @ matrix.T
    return np.asarray(told[:, :2] / told[:, 2:], np.float32)


def _look(picture: NDArray[np.float32], places: NDArray[np.float32]) -> Array:
    told = cv2.remap(picture, places[:, :1], places[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(told, float).ravel()


def _cells(picture: NDArray[np.float32], corners: Array, cells: tuple[int, int], points: int) -> Array:
    """Return the mean of each cell (rows, cols) over its aperture, `points` a side."""
    rows, cols = cells
    row, col = np.indices((rows, cols)).reshape(2, -1) + 0.5
    offsets = APERTURE * (np.arange(points) - (points - 1) / 2) / points
    dy, dx = np.meshgrid(offsets, offsets)
    at = np.column_stack([(col[:, None] + dx.ravel()).ravel(), (row[:, None] + dy.ravel()).ravel()])
    return np.asarray(_look(picture, _places(corners, cells, at)).reshape(rows, cols, -1).mean(axis=2))


def _fitted(picture: NDArray[np.float32], corners: Array, cells: tuple[int, int]) -> Array:
    """Return the corners moved until the cells differ most from each other: a grid off its cells mixes neighbours."""
    best = corners.astype(float)
    cell = sum(_sides(best)) / sum(cells)
    spread = float(_cells(picture, best, cells, 3).std())
    for step in (0.2, 0.1, 0.05, 0.025):
        for _ in range(2):
            for corner in range(4):
                for axis in (0, 1):
                    for sign in (-1, 1):
                        tried = best.copy()
                        tried[corner, axis] += sign * step * cell
                        told = float(_cells(picture, tried, cells, 3).std())
                        if told > spread:
                            best, spread = tried, told
    return best


def _on_borders(picture: NDArray[np.float32], corners: Array, cells: tuple[int, int]) -> tuple[Array, float]:
    """Return the corners fitted to where bright and dark cells meet, and the greatest distance of cells from it.

    Cells that are printed or struck larger or smaller than their grid move the borders to bright and to dark apart:
    that is fitted too, and is no fault of the grid.
    """
    levels = _cells(picture, corners, cells, POINTS)
    middle = (float(levels.min()) + float(levels.max())) / 2
    bright = levels > middle
    x, across = _moved(picture, corners, cells, bright, middle, (1, 0))
    y, along = _moved(picture, corners, cells, bright, middle, (0, 1))
    rows, cols = cells
    moved = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]]) + np.column_stack([x, y])
    return _places(corners, cells, moved).astype(float), float(np.hypot(across, along).max())


def _moved(
    picture: NDArray[np.float32],
    corners: Array,
    cells: tuple[int, int],
    bright: NDArray[np.bool_],
    level: float,
    way: tuple[int, int],
) -> tuple[Array, Array]:
    """Return by how much each corner (4,) is to move along a way, and what is left over around each cell (rows, cols).

    Both in cells; what is left over is averaged over three by three.
    """
    dx, dy = way
    first, second = bright[: len(bright) - dy, : bright.shape[1] - dx], bright[dy:, dx:]
    row, col = np.nonzero(first != second)
    total, count = np.zeros(bright.shape), np.zeros(bright.shape)
    if len(row) < LEAST_BORDERS:
        return np.zeros(4), total
    border = np.column_stack([col + 0.5 + 0.5 * dx, row + 0.5 + 0.5 * dy])
    at = (border[:, None] + PROFILE[:, None] * np.array(way)).reshape(-1, 2)
    levels = _look(picture, _places(corners, cells, at)).reshape(len(row), -1)
    rising = second[row, col]
    moved = _crossed(np.where(rising[:, None], levels, 2 * level - levels), level)
    u, v = border[:, 0] / cells[1], border[:, 1] / cells[0]
    shares = np.column_stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v, np.where(rising, 1.0, -1.0)])
    fitted, *_ = np.linalg.lstsq(shares, moved, rcond=None)
    np.add.at(total, (row, col), moved - shares @ fitted)
    np.add.at(count, (row, col), 1.0)
    near, of = (np.asarray(cv2.blur(a, (3, 3), borderType=cv2.BORDER_CONSTANT)) for a in (total, count))
    return fitted[:4], np.where(of > 0.15, near / np.maximum(of, 1e-9), 0.0)


def _crossed(profiles: Array, level: float) -> Array:
    """Return where rising profiles (n, k) cross a level, on the scale of `PROFILE`: the share that is below it."""
    low = np.minimum(profiles[:, :1], level)
    high = np.maximum(profiles[:, -1:], level)
    share = np.clip((high - profiles) / np.maximum(high - low, 1e-9), 0, 1).mean(axis=1)
    return np.asarray(2 * REACH * (share - 0.5))
