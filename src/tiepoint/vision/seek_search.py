"""The search over all places and turns in a reduced view: every second place gets the score of every turn.

For a stretch of places that fits the near cache, each pose adds up the responses of its features: a feature's offset
is one number, because maps are flat, and sums of bytes run in vector registers. Linearised memory after Hinterstoisser
et al. (TPAMI 34, 2012; from memory). Responses are spread over a cell to each side, so that every second row and
column is enough; but what answers to many directions, a net of strokes, answers to every shape a little. So many
more places are kept than are looked at later, and ranked anew by true directions, unspread.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.seek_maps import BINS, FULL, Bytes, Directions
from tiepoint.vision.seek_model import Array, Cells

FEATURES = 48
"""So many features times `FULL` stay below 256."""

STRETCH = 4096
"""Places whose sums are kept at once."""

SECTORS = 4
"""Turns are taken in so many lots, and each place keeps the best of each: what lies over the sought shape there and
answers to another turn does not hide it."""

RANKED = 160
"""So many places are ranked anew."""

FINER = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
"""The turns about the coarse one that are tried then, in steps of the coarse search."""

assert FEATURES * FULL < 256


@dataclass(frozen=True, slots=True)
class Turns:
    """The poses that are tried at each place: `angle`, `scale` and `sign` (n,); sign −1 exchanges bright and dark."""

    angle: Array
    scale: Array
    sign: Array


@dataclass(frozen=True, slots=True)
class Peaks:
    """Best poses of the coarse search, best first: `row`, `col` of the view, `angle`, the index of a turn, `score`."""

    row: Array
    col: Array
    angle: Array
    turn: NDArray[np.int64]
    score: Array


@njit(cache=True, nogil=True, error_model="numpy")
def scan(flat, offsets, first, count, best, which):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `best` and `which` (sectors, count) with the highest sum over each lot of turns, and its index.

    `flat` are all maps in one row; `offsets` (turns, FEATURES) lead from a place to each feature's response.
    """
    turns, features = offsets.shape
    sectors = len(best)
    sums = np.empty(STRETCH, np.uint8)
    for start in range(0, count, STRETCH):
        n = min(STRETCH, count - start)
        base = first + start
        for sector in range(sectors):
            top, arg = best[sector, start : start + n], which[sector, start : start + n]
            top[:] = 0
            arg[:] = 0
            for t in range(sector * turns // sectors, (sector + 1) * turns // sectors):
                line = offsets[t]
                for k in range(0, features, 8):
                    # Views of their own let the loop see that nothing overlaps; eight at once spare loads and stores.
                    a = flat[base + line[k] : base + line[k] + n]
                    b = flat[base + line[k + 1] : base + line[k + 1] + n]
                    c = flat[base + line[k + 2] : base + line[k + 2] + n]
                    d = flat[base + line[k + 3] : base + line[k + 3] + n]
                    e = flat[base + line[k + 4] : base + line[k + 4] + n]
                    f = flat[base + line[k + 5] : base + line[k + 5] + n]
                    g = flat[base + line[k + 6] : base + line[k + 6] + n]
                    h = flat[base + line[k + 7] : base + line[k + 7] + n]
                    if k == 0:
                        for i in range(n):
                            sums[i] = np.uint8(a[i] + b[i] + c[i] + d[i] + e[i] + f[i] + g[i] + h[i])
                    else:
                        for i in range(n):
                            sums[i] = np.uint8(sums[i] + a[i] + b[i] + c[i] + d[i] + e[i] + f[i] + g[i] + h[i])
                turn = np.uint16(t)
                for i in range(n):
                    more = sums[i] > top[i]
                    top[i] = sums[i] if more else top[i]
                    arg[i] = turn if more else arg[i]


@njit(cache=True, nogil=True, error_model="numpy")
def turn_offsets(coarse, cell, angle, scale, sign, plane, stride):  # type: ignore[no-untyped-def]  # numba infers
    """Return the offsets (turns, FEATURES) of features (m, 4) about the shape's centre, in maps of `plane` bytes."""
    offsets = np.empty((len(angle), len(coarse)), np.int64)
    bearings = np.arctan2(coarse[:, 3], coarse[:, 2])
    for t in range(len(angle)):
        c, s = scale[t] * math.cos(angle[t]) / cell, scale[t] * math.sin(angle[t]) / cell
        turn = angle[t] if sign[t] > 0 else angle[t] + math.pi
        for k in range(len(coarse)):
            dx = round(c * coarse[k, 0] - s * coarse[k, 1])
            dy = round(s * coarse[k, 0] + c * coarse[k, 1])
            b = round((bearings[k] + turn) * (BINS / math.tau)) % BINS
            offsets[t, k] = (4 * b + 2 * (dy & 1) + (dx & 1)) * plane + (dy >> 1) * stride + (dx >> 1)
    return offsets


def search(
    seen: Directions, coarse: Array, cell: float, turns: Turns, inside: tuple[int, int, int, int]
) -> tuple[Bytes, NDArray[np.uint16], tuple[int, int]]:
    """Return the best score and its turn (sectors, ·, ·) for every second place `inside` (row0, col0, row1, col1).

    Also the row and column of the first place.
    """
    stride, pad = seen.maps.shape[4], seen.pad
    plane = seen.maps.shape[3] * stride
    offsets = turn_offsets(coarse, cell, turns.angle, turns.scale, turns.sign, plane, stride)
    row0, col0, row1, col1 = inside
    row0, col0 = row0 - row0 % 2, col0 - col0 % 2
    rows = (row1 - row0 + 1) // 2
    sectors = min(SECTORS, len(turns.angle))
    # A stretch begins at the first column of the padded row.
    best = np.empty((sectors, rows * stride), np.uint8)
    which = np.empty(best.shape, np.uint16)
    scan(seen.maps.reshape(-1), offsets, (row0 + pad) // 2 * stride, rows * stride, best, which)
    columns = slice((col0 + pad) // 2, (col1 + pad + 1) // 2)
    shape = (sectors, rows, stride)
    return best.reshape(shape)[:, :, columns], which.reshape(shape)[:, :, columns], (row0, col0)


@njit(cache=True, nogil=True, error_model="numpy")
def _apart(rows, cols, angles, far, equal, most, kept):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `kept` with places, best first, that differ in place or in angle (modulo `equal`; 0: any angle is equal)."""
    n = 0
    for q in range(len(rows)):
        new = True
        for k in range(n):
            p = kept[k]
            if (rows[p] - rows[q]) ** 2 + (cols[p] - cols[q]) ** 2 > far * far:
                continue
            turn = 0.0
            if equal > 0:
                turn = abs(angles[p] - angles[q]) % equal
                turn = min(turn, equal - turn)
            if turn < 0.35:
                new = False
                break
        if new:
            kept[n] = q
            n += 1
            if n == most:
                break
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def rank(unit, coarse, cell, row, col, angle, scale, sign, finer, score):  # type: ignore[no-untyped-def]  # numba infers
    """Move poses (n,) to the best of the places and turns beside them; fill `score` with how well directions agree.

    `unit` (h, w, 2) are the view's directions, `coarse` (m, 4) the features, `finer` (rad) the turns. A feature adds
    2·cos − 1 where that is above 0: what is hidden, or lies before the wrong background, counts for nothing, and what
    agrees by chance for little.
    """
    rows, cols = unit.shape[:2]
    m = len(coarse)
    totals = np.empty((3, 3))
    for q in range(len(row)):
        best = -1.0
        r0, c0, a0 = row[q], col[q], angle[q]
        for turn in finer:
            c, s = math.cos(a0 + turn), math.sin(a0 + turn)
            totals[:] = 0.0
            for k in range(m):
                x, y = coarse[k, 0] * scale[q] / cell, coarse[k, 1] * scale[q] / cell
                j, i = round(c0 + c * x - s * y), round(r0 + s * x + c * y)
                nx = sign[q] * (c * coarse[k, 2] - s * coarse[k, 3])
                ny = sign[q] * (s * coarse[k, 2] + c * coarse[k, 3])
                if i < 1 or j < 1 or i >= rows - 1 or j >= cols - 1:
                    continue
                for di in range(3):
                    for dj in range(3):
                        u = unit[i + di - 1, j + dj - 1]
                        totals[di, dj] += max(2.0 * (nx * u[0] + ny * u[1]) - 1.0, 0.0)
            for di in range(3):
                for dj in range(3):
                    if totals[di, dj] > best:
                        best = totals[di, dj]
                        row[q], col[q], angle[q] = r0 + di - 1, c0 + dj - 1, a0 + turn
        score[q] = best / m


def peaks(
    best: Bytes, which: NDArray[np.uint16], first: tuple[int, int], turns: Turns, unit: Cells, coarse: Array,
    cell: float, *, step: float, far: float, symmetry: int, most: int,
) -> Peaks:  # fmt: skip
    """Return up to `most` best poses, each farther than `far` cells or 20° from every better one.

    `best`, `which` and `first` are what `search` returned, `step` (rad) is from one turn to the next.
    """
    flat = best.ravel()
    kept_first = RANKED + 4 * most
    # The limit that leaves enough places to choose from, in bytes, by counting.
    counts = np.cumsum(np.bincount(flat, minlength=256)[::-1])
    limit = max(255 - int(np.searchsorted(counts, 12 * kept_first)), int(0.25 * FULL * FEATURES))
    places = np.flatnonzero(flat >= limit)
    places = places[np.argsort(-flat[places].astype(np.int64), kind="stable")]
    _, i, j = np.unravel_index(places, best.shape)
    row, col = (np.asarray(first[k] + 2 * at, np.float64) for k, at in ((0, i), (1, j)))
    turn = which.ravel()[places].astype(np.int64)
    equal = math.tau / symmetry if symmetry else 0.0
    kept = np.empty(kept_first, np.int64)
    index = kept[: _apart(row, col, turns.angle[turn], far, equal, kept_first, kept)]
    row, col, turn = row[index], col[index], turn[index]
    angle, score = turns.angle[turn], np.empty(len(index))
    finer = FINER * step if symmetry else np.zeros(1)
    rank(unit, coarse, cell, row, col, angle, turns.scale[turn], turns.sign[turn], finer, score)
    order = np.argsort(-score, kind="stable")
    best_first = kept[: _apart(row[order], col[order], angle[order], far, equal, most, kept)]
    index = order[best_first]
    return Peaks(row[index], col[index], angle[index], turn[index], score[index])
