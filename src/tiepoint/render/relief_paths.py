"""Distances from a path on a grid of fine points: what strokes, grooves and beads are made of."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.render.relief_grid import Grid

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Near:
    """The nearest place of the paths, for the n points of a grid within reach: `within` (rows, cols) says which.

    `distance_mm` (n,), `along_mm` of that place, the unit vector `away` from it to the point, and the path's direction
    `on` there (0 beside a path's end, where going on does not move the nearest place).
    """

    within: NDArray[np.bool_]
    distance_mm: Array
    along_mm: Array
    away_x: Array
    away_y: Array
    on_x: Array
    on_y: Array

    def spread(self, values: Array) -> Floats:
        """Return values (n,) on their points of the grid, 0 elsewhere."""
        field = np.zeros(self.within.shape, np.float32)
        field[self.within] = values
        return field


def nearest(paths_mm: Sequence[Array], grid: Grid, reach_mm: float, starts_mm: Sequence[float] | None = None) -> Near:
    """Return what of the paths (n, 2) is nearest to each point, as far as `reach_mm`.

    `starts_mm`: where along the whole each path begins, 0 unless said.
    """
    field = np.zeros((6, grid.rows, grid.columns), np.float32)
    field[0] = np.inf
    for number, path in enumerate(paths_mm):
        start = starts_mm[number] if starts_mm else 0.0
        points = np.ascontiguousarray(path, np.float64)
        _nearest(points, start, reach_mm, grid.left_mm, grid.top_mm, grid.step_mm, field)
    within = np.isfinite(field[0])
    return Near(within, *(values[within].astype(np.float64) for values in field))


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest(
    points: Array, start: float, reach: float, left: float, top: float, step: float, field: Floats
) -> None:  # pragma: no cover - compiled
    """Look at each piece of a path from the points round it."""
    _, rows, columns = field.shape
    passed = start
    for k in range(len(points) - 1):
        x0, y0, x1, y1 = points[k, 0], points[k, 1], points[k + 1, 0], points[k + 1, 1]
        length = np.hypot(x1 - x0, y1 - y0)
        if length == 0.0:
            continue
        tx, ty = (x1 - x0) / length, (y1 - y0) / length
        first_row = max(int(np.ceil((top - max(y0, y1) - reach) / step)), 0)
        last_row = min(int(np.floor((top - min(y0, y1) + reach) / step)), rows - 1)
        first = max(int(np.ceil((min(x0, x1) - reach - left) / step)), 0)
        last = min(int(np.floor((max(x0, x1) + reach - left) / step)), columns - 1)
        for i in range(first_row, last_row + 1):
            dy = top - i * step - y0
            for j in range(first, last + 1):
                dx = left + j * step - x0
                free = tx * dx + ty * dy
                s = min(max(free, 0.0), length)
                ax, ay = dx - s * tx, dy - s * ty
                d = np.sqrt(ax * ax + ay * ay)
                if d > reach or d >= field[0, i, j]:
                    continue
                field[0, i, j] = d
                field[1, i, j] = passed + s
                field[2, i, j] = ax / d if d > 0.0 else 0.0
                field[3, i, j] = ay / d if d > 0.0 else 0.0
                field[4, i, j] = tx if free == s else 0.0
                field[5, i, j] = ty if free == s else 0.0
        passed += length


def lengths_along(path: Array) -> Array:
    """Return the way (n,) from a path's start to each of its points."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])


def along(path: Array, s_mm: Array) -> Array:
    """Return the points (m, 2) at so many mm along a path."""
    passed = lengths_along(path)
    return np.column_stack([np.interp(s_mm, passed, path[:, k]) for k in (0, 1)])


def piece_of(path: Array, start_mm: float, end_mm: float) -> Array:
    """Return the piece (m, 2) of a path from one length along it to another."""
    passed = lengths_along(path)
    between = path[(passed > start_mm) & (passed < end_mm)]
    ends = along(path, np.array([start_mm, end_mm]))
    return np.vstack([ends[:1], between, ends[1:]])
