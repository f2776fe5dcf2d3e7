"""Lines of equal value over a grid of samples (marching squares, with the crossing found by linear interpolation).

The graticule of a tie is the set of contours of its x and y, its quality is the set of contours of U: one
function draws both. A cell with a value that is not finite has no line.
"""

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_PAIRS: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((3, 0),), 2: ((0, 1),), 3: ((3, 1),), 4: ((1, 2),), 6: ((0, 2),), 7: ((3, 2),),
    8: ((2, 3),), 9: ((2, 0),), 11: ((2, 1),), 12: ((1, 3),), 13: ((1, 0),), 14: ((0, 3),),
}  # fmt: skip
"""Which sides of a cell a line joins, by which corners lie above: bits 1, 2, 4, 8 for the corners (0,0), (1,0),
(1,1), (0,1) as (column, row); sides 0 to 3 run from each corner to the next. Saddles (5, 10) are settled apart."""


def contour(x: Array, y: Array, z: Array, level: float) -> list[Array]:
    """Return the lines (k, 2) where `z` (m, n) over columns `x` (n,) and rows `y` (m,) equals `level`.

    A closed line repeats its first point. Lines are found by linear interpolation along the grid's edges.
    """
    segments = _segments(z, level)
    return [_places(chain, x, y, z, level) for chain in _chains(segments)]


def above(x: Array, y: Array, z: Array, level: float) -> list[Array]:
    """Return closed lines whose interior (even-odd) is where `z` exceeds `level` or is not finite."""
    # A rim of low values at the very border closes every line there: its cells have no width.
    high = level + 1e3 * (np.nanmax(np.abs(z - level), initial=0.0) + 1.0)
    rimmed = np.pad(np.where(np.isfinite(z), z, high), 1, constant_values=2 * level - high)
    return contour(np.pad(x, 1, mode="edge"), np.pad(y, 1, mode="edge"), rimmed, level)


def _segments(z: Array, level: float) -> list[tuple[int, int]]:
    """Return pairs of grid edges that a line joins inside one cell."""
    up = z > level
    corners = (up[:-1, :-1], up[:-1, 1:], up[1:, 1:], up[1:, :-1])
    case = np.sum([c.astype(int) << k for k, c in enumerate(corners)], axis=0)
    known = np.isfinite(z)
    whole = known[:-1, :-1] & known[:-1, 1:] & known[1:, 1:] & known[1:, :-1]
    found = []
    for row, column in np.argwhere(whole & (case != 0) & (case != 15)).tolist():
        for start, end in _joined(int(case[row, column]), z[row : row + 2, column : column + 2], level):
            sides = _sides(row, column, z.shape[1])
            found.append((sides[start], sides[end]))
    return found


def _joined(case: int, cell: Array, level: float) -> tuple[tuple[int, int], ...]:
    if case not in (5, 10):
        return _PAIRS[case]
    # A saddle: the middle says whether the two high corners belong together.
    together = float(cell.mean()) > level
    return ((0, 1), (2, 3)) if together == (case == 5) else ((3, 0), (1, 2))


def _sides(row: int, column: int, columns: int) -> tuple[int, int, int, int]:
    """Return the numbers of a cell's sides: even along x from a node, odd along y."""
    node = row * columns + column
    return 2 * node, 2 * (node + 1) + 1, 2 * (node + columns), 2 * node + 1


def _chains(segments: list[tuple[int, int]]) -> list[list[int]]:
    """Return runs of edges; a closed run repeats its first edge."""
    meets: dict[int, list[int]] = defaultdict(list)
    for number, pair in enumerate(segments):
        for edge in pair:
            meets[edge].append(number)
    unused = set(range(len(segments)))
    ends = [edge for edge, at in meets.items() if len(at) == 1]
    chains = [_follow(edge, segments, meets, unused) for edge in ends if meets[edge][0] in unused]
    while unused:
        chains.append(_follow(segments[min(unused)][0], segments, meets, unused))
    return chains


def _follow(start: int, segments: list[tuple[int, int]], meets: dict[int, list[int]], unused: set[int]) -> list[int]:
    chain = [start]
    while True:
        following = [number for number in meets[chain[-1]] if number in unused]
        if not following:
            return chain
        unused.discard(following[0])
        a, b = segments[following[0]]
        chain.append(b if a == chain[-1] else a)


def _places(chain: list[int], x: Array, y: Array, z: Array, level: float) -> Array:
    edges = np.array(chain)
    row, column = np.divmod(edges // 2, z.shape[1])
    down = edges % 2
    row2, column2 = row + down, column + (1 - down)
    z1, z2 = z[row, column], z[row2, column2]
    t = (level - z1) / (z2 - z1)
    return np.column_stack([x[column] + t * (x[column2] - x[column]), y[row] + t * (y[row2] - y[row])])
