"""Masks: what is painted over in a region, kept with the region wherever that goes.

A mask is a picture that covers its region's box, in the region's own axes: its right is the region's +x, its top the
region's +y. So a region that is moved, turned or resized keeps its mask. What is painted (not black) is not looked at.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.recipe.regions import Arc, Path, Rectangle, Ring, Shape

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Mask:
    """`painted` (rows, columns): what is not looked at, over the region's box."""

    painted: Bools

    def hides(self, places: Array) -> Bools:
        """Return which places (n, 2) in the region's own coordinates, -1 to 1 across its box, are painted over."""
        rows, cols = self.painted.shape
        column = np.floor((places[:, 0] + 1) / 2 * cols).astype(int)
        row = np.floor((1 - places[:, 1]) / 2 * rows).astype(int)
        within = (column >= 0) & (column < cols) & (row >= 0) & (row < rows)
        hidden = np.zeros(len(places), bool)
        hidden[within] = self.painted[row[within], column[within]]
        return hidden


def own_places(shape: Shape, points: Array, is_down: bool = False) -> Array:
    """Return points (n, 2), y up, in a region's own coordinates: -1 to 1 across its box, y up.

    `is_down`: the region's numbers count y down, as those of the image do; its angles are as seen all the same.
    """
    middle, angle, half = _box(shape, np.array([1.0, -1.0 if is_down else 1.0]))
    c, s = math.cos(angle), math.sin(angle)
    return np.asarray((points - middle) @ np.array([[c, -s], [s, c]]) / half)


def points_of(shape: Shape, own: Array, is_down: bool = False) -> Array:
    """Return the points (n, 2), y up, that have these coordinates in a region's own box: the way back."""
    middle, angle, half = _box(shape, np.array([1.0, -1.0 if is_down else 1.0]))
    c, s = math.cos(angle), math.sin(angle)
    return np.asarray(own * half @ np.array([[c, s], [-s, c]]) + middle)


def box_size(shape: Shape) -> tuple[float, float]:
    """Return width and height of a region's box, in the recipe's unit."""
    width, height = (2 * _box(shape, np.ones(2))[2]).tolist()
    return width, height


def _box(shape: Shape, up: Array) -> tuple[Array, float, Array]:
    """Return the middle (2,), the angle (rad) and the half sizes (2,) of a region's box, in the recipe's unit, y up."""
    if isinstance(shape, Rectangle):
        return up * shape.centre, math.radians(shape.angle_deg), np.array(shape.size) / 2
    if isinstance(shape, Ring):
        return up * shape.centre, 0.0, np.full(2, shape.outer)
    if isinstance(shape, Arc):
        return up * shape.centre, math.radians(shape.from_deg), np.full(2, shape.radius + shape.width / 2)
    # Lines turn with their first stretch.
    points = up * np.array(shape.points)
    dx, dy = points[1] - points[0]
    angle = math.atan2(dy, dx)
    c, s = math.cos(angle), math.sin(angle)
    turned = points @ np.array([[c, -s], [s, c]])
    low, high = turned.min(axis=0), turned.max(axis=0)
    if isinstance(shape, Path):
        low, high = low - shape.width / 2, high + shape.width / 2
    middle = (low + high) / 2 @ np.array([[c, s], [-s, c]])
    return np.asarray(middle), angle, np.maximum((high - low) / 2, 1e-12)
