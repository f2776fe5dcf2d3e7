"""Where every pixel lies, and its ±, as a grid so fine that what is read between its nodes is as good as asked for.

A pointer that moves over a picture asks faster than a server should be asked. Between the nodes the page takes the
cubic convolution of Keys (IEEE Trans. ASSP 29, 1981, a = −1/2); `between` is its twin, by which the grid is made as
fine as it has to be: the error of x and y stays below a hundredth of their U.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.ties.kernel import locate
from tiepoint.ties.probe import probe
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

SHARE = 0.01
"""Of U: by how much what is read between the nodes may be wrong."""
_ACROSS = (13, 19, 27, 39, 55)
"""Nodes over the picture's width that are tried."""
_U95 = 1.96
_FIELDS = ("x", "y", "U_x", "U_y")


@dataclass(frozen=True, slots=True)
class Grid:
    """Nodes at `first_px` + k·`step_px` in x and y. Each of the fields (m, n) is row by row, in mm.

    One node stands beyond the picture on every side, as the cubic needs it. `error_share`: of U, at places between
    the nodes.
    """

    first_px: tuple[float, float]
    step_px: tuple[float, float]
    x: Array
    y: Array
    U_x: Array
    U_y: Array
    error_share: float


def pointer_grid(tie: Tie, size_px: tuple[int, int]) -> Grid:
    """Return a grid over a picture of `size_px` from which the place of every pixel is read to a hundredth of its U.

    U is each axis's own half-width at 95 %. Where no grid of a sensible size is so good, the finest comes, and says it.
    """
    tie = replace(tie, sensor=None)  # nodes stand just beyond the picture too
    across, share = _ACROSS[0], math.inf
    for across in _ACROSS:
        share = _error_share(tie, size_px, across)
        if share <= SHARE:
            break
    first, step, shape = _laid(size_px, across)
    x, y, U_x, U_y = _asked(tie, _nodes(first, step, *shape)).T.reshape(4, shape[1], shape[0])
    return Grid(first, step, x, y, U_x, U_y, share)


def between(grid: Grid, points: Array) -> Array:
    """Return x, y, U_x, U_y (n, 4) at pixels (n, 2) within the picture, as a page reads them."""
    place = (np.asarray(points, float) - grid.first_px) / grid.step_px
    rows, columns = grid.x.shape
    base = np.clip(np.floor(place).astype(int), 1, [columns - 3, rows - 3])
    wx, wy = (_weights(place[:, k] - base[:, k]) for k in (0, 1))
    steps = np.arange(-1, 3)
    at_y, at_x = base[:, 1, None, None] + steps[None, :, None], base[:, 0, None, None] + steps[None, None, :]
    weight = wy[:, :, None] * wx[:, None, :]
    return np.stack([(getattr(grid, name)[at_y, at_x] * weight).sum(axis=(1, 2)) for name in _FIELDS], axis=1)


def _weights(t: Array) -> Array:
    """Return the weights (n, 4) of the nodes before and after a place t in a cell (Keys 1981, equation 4)."""
    s = np.abs(t[:, None] - np.arange(-1, 3)[None, :])
    near = (1.5 * s - 2.5) * s * s + 1.0
    far = ((-0.5 * s + 2.5) * s - 4.0) * s + 2.0
    return np.where(s <= 1, near, np.where(s < 2, far, 0.0))


def _laid(size_px: tuple[int, int], across: int) -> tuple[tuple[float, float], tuple[float, float], tuple[int, int]]:
    """Return the first node, the step, and how many columns and rows of nodes there are."""
    width, height = size_px
    step_x = (width - 1) / (across - 1)
    down = max(4, round((height - 1) / step_x) + 1)
    step = step_x, (height - 1) / (down - 1)
    return (-step[0], -step[1]), step, (across + 2, down + 2)


def _error_share(tie: Tie, size_px: tuple[int, int], across: int) -> float:
    """Return the largest error of x or y that is read between the nodes of such a grid, as a share of its U."""
    first, step, shape = _laid(size_px, across)
    nodes = tie.map(_nodes(first, step, *shape)).xy_mm.T.reshape(2, shape[1], shape[0])
    # In the middle of a cell the cubic's error vanishes by symmetry; it is largest at about a third of the way.
    places = _nodes((0.29 * step[0], 0.29 * step[1]), step, shape[0] - 3, shape[1] - 3)
    nothing = np.zeros_like(nodes[0])
    read = between(Grid(first, step, nodes[0], nodes[1], nothing, nothing, 0.0), places)
    located = locate(tie, places)
    U = _U95 * np.sqrt(np.diagonal(located.covariance, axis1=1, axis2=2))
    with np.errstate(invalid="ignore", divide="ignore"):
        return float(np.nanmax(np.abs(read[:, :2] - located.xy_mm) / U, initial=0.0))


def _nodes(first: tuple[float, float], step: tuple[float, float], across: int, down: int) -> Array:
    x, y = first[0] + step[0] * np.arange(across), first[1] + step[1] * np.arange(down)
    return np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)


def _asked(tie: Tie, points: Array) -> Array:
    """Return x, y, U_x, U_y (n, 4), also beyond the picture and the tie's region."""
    told = np.full((len(points), 4), np.nan)
    try:
        answers = probe(tie, points, extrapolate=True).points
    except UnusableInput:
        return told
    for k, answer in enumerate(answers):
        if answer.x is not None and answer.y is not None:
            told[k] = answer.x.value, answer.y.value, answer.x.U95, answer.y.U95
    return told
