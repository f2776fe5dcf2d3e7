"""Where a tie is valid: the hull of what it rests on, grown a little where that costs nothing."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_GROWTH = 1.5
"""U at the border of the grown region is at most this many times the largest U on the hull itself."""


def convex_hull(points: Array) -> Array:
    """Return the corners (k, 2) of the convex hull of points (n, 2), in order (Andrew's monotone chain, 1979)."""
    # Plain floats: an array's row costs more here than the arithmetic.
    ordered: list[tuple[float, float]] = sorted({(float(x), float(y)) for x, y in points.tolist()})
    hull: list[tuple[float, float]] = []
    for sequence in (ordered, ordered[::-1]):
        half: list[tuple[float, float]] = []
        for point in sequence:
            while len(half) >= 2 and _turn(half[-2], half[-1], point) <= 0:
                half.pop()
            half.append(point)
        hull.extend(half[:-1])
    return np.array(hull)


def grown(hull: Array, margin: float) -> Array:
    """Return the hull (k, 2) grown by `margin` on all sides (by an octagon, so that corners do not run away)."""
    if margin <= 0:
        return hull
    angles = np.arange(8) * (math.pi / 4)
    # An octagon of this radius reaches the margin at its flats.
    octagon = margin / math.cos(math.pi / 8) * np.column_stack([np.cos(angles), np.sin(angles)])
    return convex_hull((hull[:, None, :] + octagon[None, :, :]).reshape(-1, 2))


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
    hull = convex_hull(points)
    bound = _GROWTH * float(np.max(worst_u(hull)))
    for _ in range(4):
        region = within_picture(grown(hull, margin_px), size_px)
        u = worst_u(region)
        if bool(np.all(u <= bound)):
            return region
        margin_px /= 2
    return within_picture(hull, size_px)


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


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
