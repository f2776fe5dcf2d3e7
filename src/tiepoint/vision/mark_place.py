"""Where a mark of cells lies: its lattice fitted to what was seen of it, with the covariance that the fit leaves.

Of print, every border between a dark and a bright cell tells one coordinate of the lattice there; of dots, every dot
tells both. Hundreds of them stand against the eight numbers of a plane seen in perspective, so the lattice is known far
better than any corner, and what its parts scatter by tells how well. Cells printed larger or smaller than they should
be move the borders to bright and those to dark apart: that is fitted too, and moves nothing.

The place of a mark is told by two points on the middle line of its reading direction, each 1/√12 of its width from its
middle: there the slant of the view, which a small symbol hardly shows, does not spoil what is known of middle and turn.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

BEST = 1 / math.sqrt(12)
"""Half the distance of the two points, in sides: the standard deviation of places spread evenly over a side."""
PROFILE = np.linspace(-0.5, 0.5, 13)
LINES = np.array([-0.25, 0.0, 0.25])
APERTURE = np.array([-0.2, 0.0, 0.2])
LEAST_SEEN = 24
NEAR_CELLS = 0.35
"""A dot farther than this from the middle of its cell is none of the mark."""
MOST_SPREAD = 0.25
"""A lattice whose parts scatter more, in cells, is not seen."""
FAR = 4.0
"""What lies farther off than so many standard deviations is no part of the lattice: damage, dirt."""
BLOCK_CELLS = 3
"""Side of the blocks within which parts of a lattice err alike."""
UNIT = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])


@dataclass(frozen=True)
class MarkPlace:
    """`ends` (2, 2) px: the two points, the left one of the reading direction first. `covariance` (4, 4) px², of their
    x, y, x, y, with `dof`. `corners` (4, 2): the outline of the fitted lattice.
    """

    ends: Array
    covariance: Array
    dof: float
    corners: Array

    def moved(self, scale: Array, shift: Array) -> "MarkPlace":
        """Return the place scaled (2,) about the corner of the first pixel, then shifted (2,)."""
        both = np.tile(scale, 2)
        return MarkPlace(
            (self.ends + 0.5) * scale - 0.5 + shift,
            self.covariance * np.outer(both, both),
            self.dof,
            (self.corners + 0.5) * scale - 0.5 + shift,
        )


@dataclass(frozen=True)
class _Seen:
    """Parts of a lattice: `at` (n, 2) sides from its middle, `way` (n,) 0 along x, 1 along y, `off` (n,) how far each
    lies off, in sides along that way; `beside` (n, k): what else moves it along its way, by numbers to be fitted.
    """

    at: Array
    way: NDArray[np.int64]
    off: Array
    beside: Array


def place_of_print(picture: NDArray[Any], corners: Array, cells: tuple[int, int]) -> MarkPlace | None:
    """Return where a printed mark lies in a picture (rows, columns); None where its lattice is not seen well enough.

    `corners` (4, 2): of its outline, px, from its own upper left clockwise, within a third of a cell. `cells`: rows and
    columns.
    """
    work = np.asarray(picture, np.float32)
    return _settled(_matrix(corners), lambda matrix: _borders(work, matrix, cells), cells, 2)


def place_of_dots(dots: Array, corners: Array, dark: NDArray[np.bool_]) -> MarkPlace | None:
    """Return where a mark of dots lies: `dots` (n, 2) px, of which some are its own; `dark` (rows, columns) its cells.

    `corners` as for print. None where too few dots are seen.
    """
    # They lie near enough already, within a tenth of a cell.
    return _settled(_matrix(corners), lambda matrix: _own_dots(dots, matrix, dark), dark.shape, 1)


def _own_dots(dots: Array, matrix: Array, dark: NDArray[np.bool_]) -> _Seen:
    """Return those dots that lie in the dark cells of a mark, near their middles."""
    size = np.array(dark.shape[::-1])
    own = mapped(np.linalg.inv(matrix), dots)
    cell = np.floor((own + 0.5) * size).astype(int)
    inside = ((cell >= 0) & (cell < size)).all(axis=1)
    inside[inside] = dark[cell[inside, 1], cell[inside, 0]]
    at = (cell[inside] + 0.5) / size - 0.5
    off = own[inside] - at
    near = np.hypot(*(off * size).T) < NEAR_CELLS
    at, off = at[near], off[near]
    return _Seen(np.vstack([at, at]), np.repeat([0, 1], len(at)), off.T.ravel(), np.zeros((2 * len(at), 0)))


# --- the fit -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """`numbers` (8,) of the small projective move of the lattice, in sides, their `covariance` (8, 8) and its `dof`."""

    numbers: Array
    covariance: Array
    dof: float


def _settled(
    matrix: Array, see: Callable[[Array], _Seen | None], cells: tuple[int, ...], rounds: int
) -> MarkPlace | None:
    """Return the place of a lattice, from where it nearly lies; `see` gives its parts as they lie off a lattice."""
    for rounds_left in reversed(range(rounds)):
        seen = see(matrix)
        fit = None if seen is None else _fitted(seen, cells)
        if fit is None:
            return None
        if not rounds_left:
            return _told(matrix, fit)
        matrix = _adjusted(matrix, fit.numbers)
    return None


def _moves(at: Array) -> Array:
    """Return how places (n, 2) move along x and y by each of the eight numbers: (n, 2, 8).

    The first order of x + a + b·x + c·y + x·(g·x + h·y), and of y likewise: the plane seen a little otherwise.
    """
    x, y = at.T
    one, none = np.ones_like(x), np.zeros_like(x)
    along_x = np.stack([one, x, y, none, none, none, x * x, x * y], axis=1)
    along_y = np.stack([none, none, none, one, x, y, x * y, y * y], axis=1)
    return np.stack([along_x, along_y], axis=1)


def _fitted(seen: _Seen, cells: tuple[int, ...]) -> _Fit | None:
    """Return the fit in least squares without what lies far off; None where parts are few or scatter too much."""
    rows = np.column_stack(
        [
            _moves(seen.at)[np.arange(len(seen.at)), seen.way],
            seen.beside * (seen.way == 0)[:, None],
            seen.beside * (seen.way == 1)[:, None],
        ]
    )
    # In cells, so that the two ways of a symbol that is not square weigh alike.
    size = np.array(cells[::-1], float)[seen.way]
    rows, off = rows * size[:, None], seen.off * size
    if len(off) < rows.shape[1] + LEAST_SEEN:
        return None
    numbers, inverse, left, kept = _robust(rows, off)
    if kept.sum() < rows.shape[1] + LEAST_SEEN / 2 or np.std(left[kept]) > MOST_SPREAD:
        return None
    variance, dof = _scatter(seen, left, kept, cells, rows.shape[1])
    return _Fit(numbers[:8], np.asarray(variance * inverse[:8, :8], float), dof)


@njit(cache=True, nogil=True)
def _robust(rows: Array, off: Array) -> tuple[Array, NDArray[np.floating[Any]], Array, NDArray[np.bool_]]:
    """Return the numbers (k,) in least squares without what lies far off, the inverse (k, k) of the matrix of their
    equations, what is left over (n,), and which parts were kept (n,).

    A symbol may show none of what some numbers stand for (a narrow cell, say): a trace on the diagonal leaves these 0.
    """
    n, k = rows.shape
    kept: NDArray[np.bool_] = np.ones(n, np.bool_)
    for last in (False, False, True):
        normal, right = np.zeros((k, k)), np.zeros(k)
        for i in range(n):
            if kept[i]:
                for a in range(k):
                    right[a] += rows[i, a] * off[i]
                    for b in range(a + 1):
                        normal[a, b] += rows[i, a] * rows[i, b]
        for a in range(k):
            normal[a, a] += 1e-9 * n
            for b in range(a):
                normal[b, a] = normal[a, b]
        inverse = np.linalg.inv(normal)
        numbers = inverse @ right
        left = off - rows @ numbers
        if not last:
            spread = max(1.4826 * np.median(np.abs(left[kept])), 1e-6)
            kept = np.abs(left) < FAR * spread
    return numbers, inverse, left, kept


@njit(cache=True, nogil=True)
def _plane(at: Array, levels: Array, chosen: NDArray[np.bool_]) -> NDArray[np.floating[Any]]:
    """Return the plane (3,) over 1, x, y in least squares through the levels that are chosen."""
    normal, right = np.zeros((3, 3)), np.zeros(3)
    one = np.ones(3)
    for i in range(len(at)):
        if chosen[i]:
            one[1], one[2] = at[i]
            for a in range(3):
                right[a] += one[a] * levels[i]
                for b in range(3):
                    normal[a, b] += one[a] * one[b]
    return np.linalg.solve(normal + 1e-9 * len(at) * np.eye(3), right)


def _scatter(
    seen: _Seen, left: Array, kept: NDArray[np.bool_], cells: tuple[int, ...], count: int
) -> tuple[float, float]:
    """Return the variance of one part and its dof: by parts, or by blocks of cells where these scatter more.

    Neighbours may err alike, as where the grain of a brushed surface moves a whole row of dots: the sums of what is
    left over within blocks hold what each part alone does not tell.
    """
    rows, cols = cells
    block = np.floor((seen.at + 0.5) * (cols, rows) / BLOCK_CELLS).astype(int)
    number = (block[:, 1] * (cols + 1) + block[:, 0]) * 2 + seen.way
    _, number = np.unique(number[kept], return_inverse=True)
    sums, parts = np.bincount(number, left[kept]), np.bincount(number)
    # All that is fitted is smooth over the symbol, so that it is taken out of the sums too.
    by_blocks = max(len(sums) - 8.0, 1.0)
    by_parts = float(kept.sum() - count)
    alone = float(left[kept] @ left[kept]) / by_parts, by_parts
    return max(alone, (float((sums * sums / parts).sum()) / by_blocks, by_blocks))


def _matrix(corners: Array) -> Array:
    """Return the matrix that takes places in sides from the middle to px."""
    return np.asarray(cv2.getPerspectiveTransform(UNIT.astype(np.float32), corners.astype(np.float32)), float)


def mapped(matrix: NDArray[np.floating[Any]], points: Array) -> Array:
    """Return where a plane's matrix (3, 3) takes points (n, 2)."""
    told = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(told[:, :2] / told[:, 2:])


def _adjusted(matrix: Array, numbers: Array) -> Array:
    a, b, c, d, e, f, g, h = numbers
    return np.asarray(matrix @ np.array([[1 + b, c, a], [e, 1 + f, d], [-g, -h, 1]]))


def _told(matrix: Array, fit: _Fit) -> MarkPlace:
    matrix = _adjusted(matrix, fit.numbers)
    at = np.array([[-BEST, 0.0], [BEST, 0.0]])
    by_number = np.einsum("nij,njk->nik", _slopes(matrix, at), _moves(at)).reshape(4, 8)
    return MarkPlace(mapped(matrix, at), by_number @ fit.covariance @ by_number.T, fit.dof, mapped(matrix, UNIT))


def _slopes(matrix: Array, at: Array) -> Array:
    """Return the derivatives (n, 2, 2) of px by sides at places (n, 2)."""
    told = np.column_stack([at, np.ones(len(at))]) @ matrix.T
    px = told[:, :2] / told[:, 2:]
    return np.asarray((matrix[None, :2, :2] - px[:, :, None] * matrix[None, 2:, :2]) / told[:, 2:, None])


# --- the borders of print ------------------------------------------------------------------------------------------


def _borders(picture: Floats, matrix: Array, cells: tuple[int, int]) -> _Seen | None:
    """Return where borders between dark and bright cells are seen, those to the ground around too; None where the
    cells show no two levels.
    """
    rows, cols = cells
    row, col = np.indices((rows + 2, cols + 2)).reshape(2, -1) - 1
    middles = np.column_stack([(col + 0.5) / cols, (row + 0.5) / rows]) - 0.5
    dy, dx = np.meshgrid(APERTURE / rows, APERTURE / cols, indexing="ij")
    aperture = np.column_stack([dx.ravel(), dy.ravel()])
    levels = _look(picture, matrix, (middles[:, None] + aperture).reshape(-1, 2)).reshape(len(middles), -1).mean(axis=1)
    planes = _levels(middles, levels)
    if planes is None:
        return None
    bright = levels > np.column_stack([np.ones(len(middles)), middles]) @ planes.mean(axis=1)
    both = [_crossings(picture, matrix, bright.reshape(rows + 2, cols + 2), planes, way) for way in (0, 1)]
    at, off, beside = (np.concatenate([one, other]) for one, other in zip(*both, strict=True))
    return _Seen(at, np.repeat([0, 1], [len(one[1]) for one in both]), off, beside)


def _levels(at: Array, levels: Array) -> Array | None:
    """Return the planes (3, 2), over 1, x, y, of the levels of dark and of bright cells; None where there are none."""
    plain = np.column_stack([np.ones(len(at)), at])
    low, high = np.percentile(levels, (5, 95)).tolist()
    middle = np.full(len(levels), (low + high) / 2)
    planes = np.zeros((3, 2))
    for _ in range(2):
        for k, chosen in enumerate((levels <= middle, levels > middle)):
            if chosen.sum() < 6:
                return None
            planes[:, k] = _plane(at, levels, chosen)
        middle = plain @ planes.mean(axis=1)
    return planes if ((plain @ (planes[:, 1] - planes[:, 0])) > 0).all() else None


def _crossings(
    picture: Floats, matrix: Array, bright: NDArray[np.bool_], planes: Array, way: int
) -> tuple[Array, Array, Array]:
    """Return the borders along a way: where they should be (n, 2), how far they lie off (n,), in sides, and what stands
    beside them (n, 4).

    `bright` (rows + 2, cols + 2): the cells with one of the ground on each side. A border lies where the share of its
    profile that is dark says, the whole from dark to bright being one.
    """
    told = bright if way == 0 else bright.T
    line, first = np.nonzero(told[1:-1, :-1] != told[1:-1, 1:])
    lines, count = told.shape[0] - 2, told.shape[1] - 2
    at = np.column_stack([first / count, (line + 0.5) / lines]) - 0.5
    steps = np.stack(np.broadcast_arrays(PROFILE[:, None] / count, LINES / lines), axis=-1).reshape(-1, 2)
    places = (at[:, None] + steps).reshape(-1, 2)
    if way == 1:
        at, places = at[:, ::-1], places[:, ::-1]
    profile = _look(picture, matrix, places).reshape(len(at), -1)
    low, high = (np.column_stack([np.ones(len(at)), at]) @ planes).T
    dark = ((high - profile.mean(axis=1)) / (high - low)) - 0.5
    rising = np.where(told[line + 1, first + 1], 1.0, -1.0)
    return at, rising * dark / count, rising[:, None] * _beside(told, line + 1, first)


def _beside(told: NDArray[np.bool_], line: NDArray[np.int64], first: NDArray[np.int64]) -> Array:
    """Return what moves a border to bright against one to dark, besides noise (n, 4).

    That all dark (or bright) cells are larger than they should be; a dark cell or a bright one that is narrow, whose
    other border blurs into this one; ground on both sides of the border, which blurs over its ends.
    """
    level = told.astype(float)
    before, after = level[line, first], level[line, first + 1]
    last = told.shape[1] - 1
    beyond_before = level[line, np.maximum(first - 1, 0)] != before
    beyond_after = level[line, np.minimum(first + 2, last)] != after
    narrow_dark = np.where(before == 0, beyond_before, beyond_after)
    narrow_bright = np.where(before == 1, beyond_before, beyond_after)
    over, under = (level[line + k, first] + level[line + k, first + 1] - 1 for k in (-1, 1))
    return np.column_stack([np.ones(len(line)), narrow_dark, narrow_bright, over + under])


def _look(picture: Floats, matrix: Array, at: Array) -> Array:
    """Return the levels at places (n, 2), between pixels in proportion; beyond the picture those of its border."""
    return np.asarray(_levels_at(picture, mapped(matrix, at)))


@njit(cache=True, nogil=True)
def _levels_at(picture: Floats, px: Array) -> Array:
    # OpenCV's remap counts in 1/32 px, and rows of a symbol that lie as those of the picture all round alike.
    rows, cols = picture.shape
    told = np.empty(len(px))
    for k in range(len(px)):
        x, y = min(max(px[k, 0], 0.0), cols - 1.0), min(max(px[k, 1], 0.0), rows - 1.0)
        left, top = min(int(x), cols - 2), min(int(y), rows - 2)
        u, v = x - left, y - top
        above = (1 - u) * picture[top, left] + u * picture[top, left + 1]
        below = (1 - u) * picture[top + 1, left] + u * picture[top + 1, left + 1]
        told[k] = (1 - v) * above + v * below
    return told
