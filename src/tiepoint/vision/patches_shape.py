"""Sizes of a region inside closed lines: area, centroid, main axis, and how they move with the points of the lines.

Polygons as they stand on the ground, y up: outer lines counter-clockwise, holes the other way round.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

AREA, X, Y, ELONGATION, ANGLE = range(5)
"""The rows of what is told of a region."""
ROUNDING = 1e-12
"""A determinant of second moments below this share of their product is rounding: the lines enclose a line."""


@dataclass(frozen=True)
class Region:
    """What closed lines enclose: `told` (5,) area, centroid x and y, elongation and angle (rad).

    `outwards` (n, 2): normals of the points, as long as what each stands for of the line. `by_shift` (5, n): how each
    of the five moves with a shift of the points along those, per length of line. Elongation is the ratio of the
    principal axes of the region's second moments (1 for a disc; b/a of a rectangle or an ellipse).
    """

    told: Array
    outwards: Array
    by_shift: Array

    def moves(self, displacement: Array) -> Array:
        """Return how the five move (5, k) with displacements (n, 2, k) of the points."""
        return np.asarray(self.by_shift @ np.einsum("ni,nik->nk", self.outwards, displacement))


def region_of(points: Array, before: Ints, after: Ints) -> Region | None:
    """Return what lines through points (n, 2) enclose; `before` and `after` (n,) are the neighbours in each line.

    None where that is nothing. Areas and moments of polygons by Green's theorem; they move as ∮ f·δn ds does, with f
    taken at the points.
    """
    middle = points.mean(axis=0)
    p, q = points - middle, points[after] - middle
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    area = 0.5 * float(cross.sum())
    if not abs(area) > 0:
        return None
    sign = math.copysign(1.0, area)
    centroid = ((p + q) * cross[:, None]).sum(axis=0) / (6.0 * area)
    p, q = p - centroid, q - centroid
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    xx, yy = ((p * p + p * q + q * q) * cross[:, None]).sum(axis=0) / (12.0 * area)
    xy = float(np.sum((2 * p[:, 0] * p[:, 1] + p[:, 0] * q[:, 1] + q[:, 0] * p[:, 1] + 2 * q[:, 0] * q[:, 1]) * cross))
    xy /= 24.0 * area
    # Lines that cross one another may enclose some of it backwards, and then no ellipse has these moments.
    if not (float(xx + yy) > 0 and float(xx * yy) - xy * xy > ROUNDING * float(xx * yy)):
        return None
    along = points[after] - points[before]
    outwards = 0.5 * sign * np.column_stack([along[:, 1], -along[:, 0]])
    x, y = p.T
    size = abs(area)
    d = np.array([x * x - xx, x * y - xy, y * y - yy]) / size
    elongation, angle, by_moments = _main_axis(float(xx), xy, float(yy))
    told = np.array([size, *(middle + centroid), elongation, angle])
    return Region(told, outwards, np.vstack([np.ones_like(x), x / size, y / size, by_moments @ d]))


def _main_axis(xx: float, xy: float, yy: float) -> tuple[float, float, Array]:
    """Return elongation and angle of second moments, and how both move with those (2, 3)."""
    half, mean = math.hypot((xx - yy) / 2.0, xy), (xx + yy) / 2.0
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    long, short = mean + half, mean - half
    elongation = math.sqrt(long / short)
    if half < 1e-12 * mean:
        return elongation, angle, np.zeros((2, 3))
    d_half = np.array([(xx - yy) / 4.0, xy, (yy - xx) / 4.0]) / half
    d_mean = np.array([0.5, 0.0, 0.5])
    d_long, d_short = d_mean + d_half, d_mean - d_half
    by_angle = np.array([-xy, xx - yy, xy]) / (4.0 * half * half)
    return elongation, angle, np.array([elongation / 2 * (d_long / long - d_short / short), by_angle])
