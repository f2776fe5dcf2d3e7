"""A grid of fine points over a surface."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Lowest x, lowest y, highest x, highest y, mm."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Fine points: column j and row i lie at x = left + j·step and y = top − i·step."""

    left_mm: float
    top_mm: float
    step_mm: float
    columns: int
    rows: int

    @property
    def x_mm(self) -> Array:
        """Every column's x (columns,)."""
        return np.asarray(self.left_mm + self.step_mm * np.arange(self.columns), np.float64)

    @property
    def y_mm(self) -> Array:
        """Every row's y (rows,), falling."""
        return np.asarray(self.top_mm - self.step_mm * np.arange(self.rows), np.float64)

    def window(self, box: Box) -> tuple[slice, slice]:
        """Return the rows and columns whose points lie within a box."""
        columns = (box[0] - self.left_mm) / self.step_mm, (box[2] - self.left_mm) / self.step_mm
        rows = (self.top_mm - box[3]) / self.step_mm, (self.top_mm - box[1]) / self.step_mm
        return _inside(rows, self.rows), _inside(columns, self.columns)

    def part(self, window: tuple[slice, slice]) -> "Grid":
        """Return the grid of a window."""
        rows, columns = window
        left = self.left_mm + columns.start * self.step_mm
        top = self.top_mm - rows.start * self.step_mm
        return Grid(left, top, self.step_mm, columns.stop - columns.start, rows.stop - rows.start)


def grid_over(box: Box, step_mm: float) -> Grid:
    """Return the grid that covers a box, its first point in the upper left corner."""
    columns, rows = (math.ceil(round((box[k + 2] - box[k]) / step_mm, 6)) + 1 for k in (0, 1))
    return Grid(box[0], box[3], step_mm, columns, rows)


def _inside(ends: tuple[float, float], count: int) -> slice:
    first = min(max(math.ceil(ends[0]), 0), count)
    return slice(first, max(min(math.floor(ends[1]) + 1, count), first))
