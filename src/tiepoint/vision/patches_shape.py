"""Sizes of a region inside closed lines: area, centroid, main axis, and how they move with the points of the lines.

Polygons as they stand on the ground, y up: outer lines counter-clockwise, holes the other way round.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CALMING = 12
"""So often points are averaged with their neighbours, which leaves a third of their noise."""

AREA, X, Y, ELONGATION, ANGLE = range(5)
"""The rows of what is told of a region."""


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
    # Lines that cross one another may enclose some of it backwards.
    if not float(xx + yy) > 0:
        return None
    xy = float(np.sum((2 * p[:, 0] * p[:, 1] + p[:, 0] * q[:, 1] + q[:, 0] * p[:, 1] + 2 * q[:, 0] * q[:, 1]) * cross))
    xy /= 24.0 * area
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
    long, short = mean + half, max(mean - half, 1e-300)
    elongation = math.sqrt(long / short)
    if half < 1e-12 * mean:
        return elongation, angle, np.zeros((2, 3))
    d_half = np.array([(xx - yy) / 4.0, xy, (yy - xx) / 4.0]) / half
    d_mean = np.array([0.5, 0.0, 0.5])
    d_long, d_short = d_mean + d_half, d_mean - d_half
    by_angle = np.array([-xy, xx - yy, xy]) / (4.0 * half * half)
    return elongation, angle, np.array([elongation / 2 * (d_long / long - d_short / short), by_angle])


@dataclass(frozen=True)
class Box:
    """A rectangle about points: `angle_rad` of its longer side; the points that touch it, by their numbers, as (low,
    high) along each: `along` and `across`."""

    length: float
    width: float
    angle_rad: float
    along: tuple[int, int]
    across: tuple[int, int]

    def directions(self) -> tuple[Array, Array]:
        """Return the unit vectors along the longer and the shorter side (2,) each."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.array([c, s]), np.array([-s, c])


def hull_of(points: Array) -> Ints:
    """Return the numbers of those points (n, 2) that make the convex hull, in their order around it."""
    near = (points - points.mean(axis=0)) / max(float(np.ptp(points)), 1e-300)
    return np.asarray(cv2.convexHull(near.astype(np.float32), returnPoints=False), np.int64).ravel()


def least_box(points: Array) -> Box:
    """Return the rectangle of least area about points (n, 2).

    One of its sides lies along a side of the convex hull (Freeman & Shapira, Comm. ACM 18, 1975): each is tried.
    """
    hull = hull_of(points)
    around = np.ascontiguousarray(points[hull])
    return box_along(points, _least_turn(around))


def box_along(points: Array, angle_rad: float) -> Box:
    """Return the rectangle about points (n, 2) with a side at an angle."""
    ends = []
    for turn in (angle_rad, angle_rad + math.pi / 2):
        at = points @ np.array([math.cos(turn), math.sin(turn)])
        low, high = int(np.argmin(at)), int(np.argmax(at))
        ends.append((float(at[high] - at[low]), turn, (low, high)))
    (length, angle, along), (width, _, across) = sorted(ends, key=lambda e: -e[0])
    if angle != angle_rad:
        across = (across[1], across[0])
    return Box(length, width, angle, along, across)


@dataclass(frozen=True)
class Pull:
    """What noise does to the `length` and `width` of a box: how much it adds on average, and its scatter, (2,) each."""

    bias: Array
    u: Array


def pull_on_box(points: Array, neighbours: tuple[Ints, Ints], box: Box, moves: Array, turns: bool) -> Pull:
    """Return what noise does to a box about points (n, 2), from draws of how noise moves them (k, n, 2).

    A box touches the farthest points, and noise makes them farther. The points that were seen have that noise already,
    so the draws are added to points that are averaged along the line; what noise those keep is allowed for, as if the
    pull grew with it. `turns`: the box is sought anew for each draw.
    """
    calm, kept = points, moves[0]
    before, after = neighbours
    for _ in range(CALMING):
        calm, kept = (0.25 * v[before] + 0.5 * v + 0.25 * v[after] for v in (calm, kept))
    left = min(float(np.sqrt(np.sum(kept**2) / max(float(np.sum(moves[0] ** 2)), 1e-300))), 0.9)
    near = _near_sides(calm, box, float(np.abs(moves).max(initial=0.0)))
    sizes = np.array([_sizes(draw, box, turns) for draw in calm[near] + moves[:, near]])
    pull = sizes.mean(axis=0) - _sizes(calm[near], box, turns)
    return Pull(pull / (math.hypot(1.0, left) - left), sizes.std(axis=0, ddof=1))


def _sizes(points: Array, box: Box, turns: bool) -> Array:
    drawn = least_box(points) if turns else box_along(points, box.angle_rad)
    return np.array([drawn.length, drawn.width])


def _near_sides(points: Array, box: Box, reach: float) -> NDArray[np.bool_]:
    """Return which points (n,) can touch a box once they have moved: those near their hull."""
    hull = hull_of(points)
    middle = points[hull].mean(axis=0)
    # A point within the hull shrunk by the reach can never be outermost.
    inner = middle + (points[hull] - middle) * max(1.0 - 4.0 * reach / max(box.width, 1e-300), 0.0)
    side = np.roll(inner, -1, axis=0) - inner
    off = points[:, None] - inner
    cross = side[:, 0] * off[:, :, 1] - side[:, 1] * off[:, :, 0]
    return np.asarray(~((cross > 0).all(axis=1) | (cross < 0).all(axis=1)))


@njit(cache=True, nogil=True, error_model="numpy")
def _least_turn(hull: Array) -> float:
    """Return the angle of the side of a convex hull (n, 2) along which the rectangle about it is least."""
    n, least, best = hull.shape[0], np.inf, 0.0
    for k in range(n):
        m = k + 1 if k + 1 < n else 0
        dx, dy = hull[m, 0] - hull[k, 0], hull[m, 1] - hull[k, 1]
        size = math.hypot(dx, dy)
        if size == 0.0:
            continue
        dx, dy = dx / size, dy / size
        low_u = low_v = np.inf
        high_u = high_v = -np.inf
        for i in range(n):
            u, v = hull[i, 0] * dx + hull[i, 1] * dy, hull[i, 1] * dx - hull[i, 0] * dy
            low_u, high_u, low_v, high_v = min(low_u, u), max(high_u, u), min(low_v, v), max(high_v, v)
        area = (high_u - low_u) * (high_v - low_v)
        if area < least:
            least, best = area, math.atan2(dy, dx)
    return best
