"""Where a tie is valid: the hull of what it rests on, grown a little where that costs nothing."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ANGLES = np.arange(32) * (math.pi / 16)
_DIRECTIONS = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_GROWTH = 1.5
"""U at the border of the grown region is at most this many times the largest U on the hull itself."""


def hull(points: Array, margin: float = 0.0) -> Array:
    """Return a convex polygon (k, 2) about points (n, 2), k at most 32, grown by `margin` on all sides.

    Its corners are the farthest points in 32 directions, moved on by the margin. Between them it runs inside the
    true hull by a small part of a side's own bulge, which is on the safe side.
    """
    farthest = points[np.argmax(points @ _DIRECTIONS.T, axis=0)] + margin * _DIRECTIONS
    apart = np.any(farthest != np.roll(farthest, 1, axis=0), axis=1)
    return np.asarray(farthest[apart])


def within_picture(polygon: Array, size_px: tuple[int, int]) -> Array:
    """Return the part of a convex polygon (k, 2) that the picture shows, pixel areas included."""
    low, high = np.array([-0.5, -0.5]), np.array(size_px) - 0.5
    for axis in (0, 1):
        polygon = _cut(polygon, axis, low[axis], 1.0)
        polygon = _cut(polygon, axis, high[axis], -1.0)
    return polygon


def area(polygon: Array) -> float:
    """Return the area of a polygon (k, 2)."""
    x, y = polygon[:, 0], polygon[:, 1]
    return abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2.0


def valid_region(points: Array, margin_px: float, size_px: tuple[int, int], worst_u: Callable[[Array], Array]) -> Array:
    """Return the hull of points (n, 2) grown by at most `margin_px`, within the picture.

    `worst_u` returns the u (n,) at points (n, 2). The margin is halved until U at the border stays bounded, and
    given up where it does not: a lens model is a guess beyond the corners that it was fitted to.
    """
    inner = hull(points)
    bound = _GROWTH * float(np.max(worst_u(inner)))
    for _ in range(4):
        region = within_picture(hull(points, margin_px), size_px)
        u = worst_u(region)
        if bool(np.all(u <= bound)):
            return region
        margin_px /= 2
    return within_picture(inner, size_px)


def _cut(polygon: Array, axis: int, at: float, side: float) -> Array:
    """Return the part of a convex polygon where side·(coordinate − at) ≥ 0 (Sutherland & Hodgman 1974)."""
    depth = side * (polygon[:, axis] - at)
    kept: list[Array] = []
    for k in range(len(polygon)):
        here, there = depth[k], depth[(k + 1) % len(polygon)]
        if here >= 0:
            kept.append(polygon[k])
        if (here < 0) != (there < 0):
            kept.append(polygon[k] + (polygon[(k + 1) % len(polygon)] - polygon[k]) * (here / (here - there)))
    return np.array(kept).reshape(-1, 2)
