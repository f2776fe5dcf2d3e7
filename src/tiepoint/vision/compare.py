"""Compare a picture with what good ones look like: resample, align, and tell what lies beyond its tolerance.

All of it happens on a grid of a region's own axes, to which a function carries places of the picture. Good pictures
give each place of the grid its mean level and its spread; a picture deviates there by so many spreads. Where edges run
a displacement looks like a deviation: so the picture is first shifted and turned to where it fits best, and edges are
granted the rest.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.once import cached_property

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

TILE = 16
"""Places are carried to the picture at every 16th node and linearly between: a lens bends less than 0.002 px there."""
BAND = 64
"""Rows that are resampled at once, so that all of them stay in the nearest memory."""
AROUND = np.int32(64)
FRACTIONS = 32
"""Parts of a pixel that resampling tells apart: its table of weights has five bits."""
POINTS = 3000
"""Places by which a picture is aligned: those with the steepest edges, and as many anywhere for the levels."""
STAGES = ((4, 2), (2, 6))
"""A picture is aligned made so many times smaller, in so many rounds: first where that reaches further, then where it
is sharp, yet soft enough for what lies between its pixels to be known."""
RESTLESS = 3.0
"""Levels and slopes that the pattern's noise alone would make hold a step back, so many times their squares."""
CONVERGED_PX, NEAR_PX = 0.01, 0.1
"""A step that ends the search, and one after whose last round it counts as found all the same."""
FEWEST = 32
"""With fewer places nothing is aligned."""
LOST = 3.0
"""Beyond so many times the reach nothing is sought any more."""
ONE = int(np.float32(1.0).view(np.int32))
LEAST_GAIN = 0.1
"""With less of the pattern in a picture than this, its shift is not told by it."""
TUKEY = 4.685
"""Residuals beyond so many deviations count for nothing (Beaton and Tukey 1974): a blemish shall not pull."""
EDGE_PX = 0.05
"""What edges are granted at least: what resampling between pixels makes of an edge differs by as much from phase to
phase."""


@dataclass(frozen=True)
class Grid:
    """A grid (`rows`, `cols`, these a multiple of 16) over a region: `to_px` carries its places (n, 2), column and row,
    to the picture; `move` is its shift and turn from there.
    """

    rows: int
    cols: int
    to_px: Callable[[Array], Array]
    move: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def middle(self) -> Array:
        """The place about which it turns (2,)."""
        return np.array([(self.cols - 1) / 2, (self.rows - 1) / 2])

    def moved(self, x: float, y: float, turn: float) -> "Grid":
        """Return the grid moved and turned from where it was put first, in px of its own."""
        return replace(self, move=(x, y, turn))

    def px(self, places: Array) -> Array:
        """Return the pixels (n, 2) of places (n, 2) of the moved grid."""
        x, y, turn = self.move
        c, s = math.cos(turn), math.sin(turn)
        return self.to_px((places - self.middle) @ np.array([[c, s], [-s, c]]) + self.middle + [x, y])

    @cached_property
    def nodes(self) -> Floats:
        """The pixels of every 16th place (n, m, 2), beyond its last row and column too."""
        rows, cols = (-(-n // TILE) + 1 for n in (self.rows, self.cols))
        at = np.stack(np.meshgrid(np.arange(cols) * TILE, np.arange(rows) * TILE), axis=-1).reshape(-1, 2)
        return self.px(at.astype(float)).reshape(rows, cols, 2).astype(np.float32)

    def is_within(self, size: tuple[int, ...]) -> bool:
        """Whether a picture of a size (rows, columns) shows all of it."""
        x, y = self.cols - 1.0, self.rows - 1.0
        side = np.linspace(0, 1, 17)
        around = [np.column_stack([side * x, 0 * side + k * y]) for k in (0, 1)]
        around += [np.column_stack([0 * side + k * x, side * y]) for k in (0, 1)]
        px = self.px(np.vstack(around))
        return bool(((px >= -0.5) & (px <= [size[1] - 0.5, size[0] - 0.5])).all())


@dataclass(frozen=True)
class Aligned:
    """Where a picture fits best: `move` of the grid (x, y, turn) and its covariance (3, 3); `gain` and `offset` of its
    levels against the mean's; `noise` (robust deviation) of what is left; `is_sure` where the steps came to an end.
    """

    move: tuple[float, float, float]
    covariance: Array
    gain: float
    offset: float
    noise: float
    is_sure: bool

    def reach_px(self, grid: Grid) -> float:
        """Return how far the farthest corner of the grid is moved."""
        x, y, turn = self.move
        return math.hypot(x, y) + abs(turn) * float(np.hypot(*grid.middle))

    def u_px(self, grid: Grid) -> float:
        """Return the standard uncertainty of where the farthest corner lies."""
        x, y, turn = np.diag(self.covariance)
        return math.sqrt(max(float(x + y) / 2 + float(turn) * float(grid.middle @ grid.middle) / 2, 0.0))


@dataclass(frozen=True)
class Pattern:
    """What a picture is aligned to and compared with: the mean (rows, cols) of good ones, and what is looked at."""

    mean: Floats
    looked: Bools

    @cached_property
    def slope(self) -> Floats:
        """How steep the mean is (rows, cols), in levels per px; noise is smoothed away over some pixels."""
        x, y = _slopes(self.mean, 1.0)
        return np.hypot(x, y)

    @cached_property
    def stages(self) -> tuple["Points", ...]:
        """The places by which a picture is aligned, in each stage."""
        return tuple(_points(self, smaller) for smaller, _ in STAGES)


@dataclass(frozen=True)
class Points:
    """Places `at` (n, 2) of a grid, and there the `design` (n, 5): level, one, and what x, y and a turn do.

    `restless`: the squares (5,) that a noise of one level would add up to in each column, but that of ones.
    """

    at: Array
    design: Array
    restless: Array


def resample(picture: NDArray[Any], grid: Grid) -> NDArray[Any]:
    """Return what a picture (uint8, uint16 or float32) shows on a grid (rows, cols), linearly between pixels."""
    out = np.empty((grid.rows, grid.cols), picture.dtype)
    for top, band in _bands(picture, grid):
        out[top : top + len(band)] = band
    return out


def align(picture: NDArray[Any], grid: Grid, pattern: Pattern, reach_px: float) -> Aligned:
    """Return where on the grid a picture fits a pattern best, sought about `reach_px`.

    Weighted least squares over a linear model of level, shift and turn, steps of Gauss and Newton with Tukey's weights.
    Along directions in which the pattern has no edges but those of its noise, hardly anything is moved; and nothing is
    where moving does not make it fit better: what shows something else altogether is compared where it is.
    """
    move, told = np.zeros(3), (1.0, 0.0, math.inf, np.eye(3))
    step = math.inf
    radius = max(float(np.hypot(*grid.middle)), 1.0)
    part, corner = _part(picture, grid, LOST * reach_px)
    half = cv2.resize(part, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    smaller_ones = {2: half, 4: cv2.resize(half, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)}
    for (smaller, rounds), points in zip(STAGES, pattern.stages, strict=True):
        for _ in range(rounds):
            px = grid.moved(*move.tolist()).px(points.at) - corner
            seen = sampled(smaller_ones[smaller], (px + 0.5) / smaller - 0.5)
            by, told = _step(points, seen)
            move = move + by
            step = math.hypot(by[0], by[1]) + abs(by[2]) * radius
            if not np.isfinite(move).all() or math.hypot(move[0], move[1]) > LOST * reach_px or step < CONVERGED_PX:
                break
    still = sampled(half, (grid.moved(0.0, 0.0, 0.0).px(points.at) - corner + 0.5) / 2 - 0.5)
    gain, offset, noise, covariance = told
    if not _fits_better(points, seen, still, noise):
        _, (gain, offset, noise, covariance) = _step(points, still)
        move, step = np.zeros(3), 0.0
    x, y, turn = move.tolist()
    return Aligned((x, y, turn), covariance, gain, offset, noise, step < NEAR_PX)


def _fits_better(points: Points, seen: Array, still: Array, noise: float) -> bool:
    """Whether levels (n,) fit the pattern better than those that are seen where nothing is moved."""
    costs = []
    both = np.isfinite(seen) & np.isfinite(still)
    for levels in (seen[both], still[both]):
        design = points.design[both, :2]
        left = levels - design @ np.linalg.lstsq(design, levels, rcond=None)[0]
        costs.append(float(np.minimum((left / (TUKEY * noise)) ** 2, 1).mean()))
    return math.isfinite(costs[0]) and costs[0] < costs[1]


def beyond(
    picture: NDArray[Any], grid: Grid, mean: Floats, granted: Floats, levels: tuple[float, float],
    sides: tuple[bool, bool] = (True, True),
) -> tuple[NDArray[np.uint8], float, int]:  # fmt: skip
    """Return which places deviate by more than their tolerance (rows, cols), and the greatest deviation in tolerances
    with its row.

    `granted`: one over the tolerance, 0 where nothing is looked at. `levels`: gain and offset of the picture, taken out
    first. `sides`: whether darker ones and brighter ones count. A level that is no number lies beyond every tolerance.
    """
    out = np.empty((grid.rows, grid.cols), np.uint8)
    gain, offset = levels
    by, plus = np.float32(1 / gain), np.float32(-offset / gain)
    low, high = (np.float32(side) for side in sides)
    share = np.empty(grid.cols, np.float32)
    most, at = 0.0, 0
    for top, band in _bands(picture, grid):
        part = slice(top, top + len(band))
        found, row = _compare(band, mean[part], granted[part], by, plus, low, high, share, out[part])
        # What is no number stays the most.
        if found > most or math.isnan(found):
            most, at = float(found), top + int(row)
    return out, most, at


def sampled(picture: NDArray[Any], px: Array) -> Array:
    """Return what a picture shows at pixels (n, 2), linearly between them; beyond its border what is nearest."""
    out = np.empty(len(px))
    _sample(picture, np.ascontiguousarray(px, np.float64), out)
    return out


def _part(picture: NDArray[Any], grid: Grid, margin_px: float) -> tuple[NDArray[Any], Array]:
    """Return the part of a picture that shows a grid, with a margin, and the pixel (x, y) that it starts at."""
    low, high = grid.nodes.min(axis=(0, 1)) - margin_px, grid.nodes.max(axis=(0, 1)) + margin_px
    left, top = np.maximum(np.floor(low).astype(int) - 1, 0).tolist()
    right, bottom = np.ceil(high).astype(int) + 2
    return picture[top : max(bottom, top + 1), left : max(right, left + 1)], np.array([left, top], float)


def _bands(picture: NDArray[Any], grid: Grid) -> Iterator[tuple[int, NDArray[Any]]]:
    """Yield what a picture shows on a grid, a band of rows after another, with the row each begins at."""
    part, corner = _part(picture, grid, 0.0)
    whole = np.empty((BAND, grid.cols), np.int32)
    weights = np.empty((BAND, grid.cols), np.uint16)
    own = grid.nodes - corner.astype(np.float32)
    for first in range(0, grid.rows, BAND):
        rows = min(BAND, grid.rows - first)
        _fill(own, first, whole[:rows], weights[:rows])
        pairs = whole[:rows].view(np.int16).reshape(rows, grid.cols, 2)
        yield first, cv2.remap(part, pairs, weights[:rows], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _slopes(mean: Floats, soft_px: float) -> tuple[Floats, Floats]:
    soft = cv2.GaussianBlur(mean, (0, 0), soft_px)
    x = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    y = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    return np.asarray(x, np.float32), np.asarray(y, np.float32)


def _points(pattern: Pattern, smaller: int) -> Points:
    """Return the places that tell most of a shift, and some anywhere.

    A picture made smaller by means, and seen linearly between its pixels, is softened by √(1/12 + 1/6)·smaller px.
    """
    soft_px = smaller / 2
    level = cv2.GaussianBlur(pattern.mean, (0, 0), soft_px)
    x, y = _slopes(pattern.mean, soft_px)
    steep = np.where(pattern.looked, np.hypot(x, y), -1.0)
    steep[:2], steep[-2:], steep[:, :2], steep[:, -2:] = -1, -1, -1, -1
    inside = np.flatnonzero(steep.ravel() >= 0)
    anywhere = inside[:: max(1, len(inside) // POINTS)]
    some = inside[:: max(1, len(inside) // (16 * POINTS))]
    steepest = some[np.argsort(-steep.ravel()[some], kind="stable")[:POINTS]]
    at = np.unique(np.concatenate([anywhere, steepest]))
    row, col = np.divmod(at, pattern.mean.shape[1])
    mx, my = x.ravel()[at].astype(float), y.ravel()[at].astype(float)
    away = np.column_stack([col, row]) - (np.array(pattern.mean.shape[::-1]) - 1) / 2
    turn = my * away[:, 0] - mx * away[:, 1]
    design = np.column_stack([level.ravel()[at], np.ones(len(at)), -mx, -my, -turn])
    # White noise that is softened by s px has slopes whose variance is 1/(2·s²) of its own.
    slope = len(at) / (2 * soft_px**2)
    restless = np.array([len(at) / 3, 0.0, slope, slope, slope * float((away**2).sum(axis=1).mean())])
    return Points(np.column_stack([col, row]).astype(float), design, restless)


def _step(points: Points, levels: Array) -> tuple[Array, tuple[float, float, float, Array]]:
    """Return by how much to move (3,), and gain, offset, noise and the covariance of the move."""
    scale = np.maximum(np.abs(points.design).max(axis=0), 1e-12)
    # What is no number tells nothing of where it lies.
    known = np.isfinite(levels)
    if known.sum() < FEWEST:
        return np.zeros(3), (1.0, 0.0, 1.0, np.eye(3))
    design, levels = points.design[known] / scale, levels[known]
    weights, noise, still = np.ones(len(levels)), 0.0, np.array([scale[0], 0.0, 0.0, 0.0, 0.0])
    for _ in range(3):
        weighted = design * weights[:, None]
        normal = weighted.T @ design
        ridge = RESTLESS * noise**2 * points.restless / scale**2 + 1e-9 * np.diag(normal) + 1e-12
        normal += np.diag(ridge)
        # What noise cannot tell stays as it was: the gain at one, the place where it is.
        solved = still + np.linalg.solve(normal, weighted.T @ (levels - design @ still))
        left = levels - design @ solved
        noise = max(1.4826 * float(np.median(np.abs(left))), 1e-6 * (1 + float(np.abs(levels).max())))
        weights = np.maximum(1 - (left / (TUKEY * noise)) ** 2, 0.0) ** 2
    covariance = noise**2 * np.linalg.inv(normal) / np.outer(scale, scale)
    gain, offset, *moves = (solved / scale).tolist()
    safe = gain if abs(gain) > LEAST_GAIN else LEAST_GAIN
    return np.array(moves) / safe, (gain, offset, noise, covariance[2:, 2:] / safe**2)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(nodes: Floats, first: int, whole: NDArray[np.int32], weights: NDArray[np.uint16]) -> None:
    """Fill the pixels of a band of rows: whole ones (rows, cols), y in the upper half of each number, x in the lower,
    and which of 32 × 32 weights lie between."""
    half, tile_px, around = np.float32(0.5), np.float32(TILE), np.float32(AROUND)
    for r in range(whole.shape[0]):
        tile, share = divmod(first + r, TILE)
        down = np.float32(share) / tile_px
        for t in range(nodes.shape[1] - 1):
            x = nodes[tile, t, 0] + down * (nodes[tile + 1, t, 0] - nodes[tile, t, 0])
            y = nodes[tile, t, 1] + down * (nodes[tile + 1, t, 1] - nodes[tile, t, 1])
            dx = (nodes[tile, t + 1, 0] + down * (nodes[tile + 1, t + 1, 0] - nodes[tile, t + 1, 0]) - x) / tile_px
            dy = (nodes[tile, t + 1, 1] + down * (nodes[tile + 1, t + 1, 1] - nodes[tile, t + 1, 1]) - y) / tile_px
            # Added here and taken off again: a cast cuts towards zero, and places may lie a little left of it.
            x, y = (x + around) * FRACTIONS + half, (y + around) * FRACTIONS + half
            dx, dy = dx * FRACTIONS, dy * FRACTIONS
            at = t * TILE
            for k in range(TILE):
                i, j = np.int32(x + dx * np.float32(k)), np.int32(y + dy * np.float32(k))
                whole[r, at + k] = (((i >> 5) - AROUND) & 0xFFFF) | (((j >> 5) - AROUND) << 16)
                weights[r, at + k] = ((j & 31) << 5) + (i & 31)


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(
    band: NDArray[Any], mean: Floats, granted: Floats, gain: np.float32, offset: np.float32, low: np.float32,
    high: np.float32, share: Floats, out: NDArray[np.uint8],
) -> tuple[float, int]:  # fmt: skip
    """Mark what deviates by more than its tolerance; return the greatest deviation in tolerances, and its row.

    `granted`: one over the tolerance, 0 where nothing is looked at. Floats that are not negative are in the order of
    their bits, with what is no number beyond all: whole numbers are compared several at once, and nothing is lost.
    """
    most, at, one = 0, 0, ONE
    bits = share.view(np.int32)
    for r in range(band.shape[0]):
        for c in range(band.shape[1]):
            off = np.float32(band[r, c]) * gain + offset - mean[r, c]
            side = high if off > 0 else low
            share[c] = abs(off) * granted[r, c] * side if granted[r, c] > 0 else np.float32(0.0)
        peak = 0
        for c in range(band.shape[1]):
            out[r, c] = bits[c] > one
            peak = max(peak, bits[c])
        if peak > most:
            most, at = peak, r
    share.view(np.int32)[0] = most
    return share[0], at


@njit(cache=True, nogil=True, error_model="numpy")
def _sample(picture: NDArray[Any], px: Array, out: Array) -> None:
    """Fill what a picture shows at pixels (n, 2), linearly between them."""
    rows, cols = picture.shape
    for n in range(px.shape[0]):
        x, y = min(max(px[n, 0], 0.0), cols - 1.001), min(max(px[n, 1], 0.0), rows - 1.001)
        i, j = int(x), int(y)
        p, q = x - i, y - j
        i1, j1 = min(i + 1, cols - 1), min(j + 1, rows - 1)
        upper = (1 - p) * float(picture[j, i]) + p * float(picture[j, i1])
        lower = (1 - p) * float(picture[j1, i]) + p * float(picture[j1, i1])
        out[n] = (1 - q) * upper + q * lower
