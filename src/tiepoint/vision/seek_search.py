"""The search over all places and turns in a reduced view: nothing is skipped, every pose gets its score.

For a stretch of places that fits the first cache, each pose adds up the responses of its features: a feature's offset
is one number, because maps are flat, and sums of bytes run in vector registers. Linearised memory after Hinterstoisser
et al. (TPAMI 34, 2012; from memory), without their subsampled grid.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.seek_maps import BINS, FULL, Bytes
from tiepoint.vision.seek_model import Array

FEATURES = 48
"""So many features times `FULL` stay below 256."""

STRETCH = 4096
"""Places whose sums are kept at once."""

assert FEATURES * FULL < 256


@dataclass(frozen=True, slots=True)
class Turns:
    """The poses that are tried at each place: `angle`, `scale` and `sign` (n,); sign −1 exchanges bright and dark."""

    angle: Array
    scale: Array
    sign: Array


@dataclass(frozen=True, slots=True)
class Peaks:
    """Best poses of the coarse search: indices into the rows and columns of the view, and into `Turns`; score 0…1."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    turn: NDArray[np.int64]
    score: Array


@njit(cache=True, nogil=True, error_model="numpy")
def scan(flat, offsets, first, count, best, which):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `best` and `which` (count,) with the highest sum over the turns, and its index, at each flat place.

    `flat` are all maps in one row; `offsets` (turns, FEATURES) lead from a place to each feature's response.
    """
    turns, features = offsets.shape
    sums = np.empty(STRETCH, np.uint8)
    for start in range(0, count, STRETCH):
        n = min(STRETCH, count - start)
        top, arg = best[start : start + n], which[start : start + n]
        top[:] = 0
        arg[:] = 0
        base = first + start
        for t in range(turns):
            line = offsets[t]
            for k in range(0, features, 8):
                # Views of their own let the loop see that nothing overlaps, and eight at once spare loads and stores.
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


def turn_offsets(coarse: Array, cell: float, turns: Turns, plane: int, stride: int) -> NDArray[np.int64]:
    """Return the offsets (turns, FEATURES) of features (m, 4) about the shape's centre, in maps of `plane` bytes."""
    c, s = (turns.scale * f(turns.angle) / cell for f in (np.cos, np.sin))
    x, y = coarse[:, 0], coarse[:, 1]
    dx = np.rint(np.outer(c, x) - np.outer(s, y)).astype(np.int64)
    dy = np.rint(np.outer(s, x) + np.outer(c, y)).astype(np.int64)
    direction = np.arctan2(coarse[:, 3], coarse[:, 2])[None, :] + (turns.angle + math.pi * (turns.sign < 0))[:, None]
    bins = np.rint(direction * (BINS / math.tau)).astype(np.int64) % BINS
    return bins * plane + dy * stride + dx


def search(
    maps: Bytes, pad: int, coarse: Array, cell: float, turns: Turns, inside: tuple[int, int, int, int]
) -> tuple[Bytes, NDArray[np.uint16]]:
    """Return the best score and its turn for the places `inside` (row0, col0, row1, col1) of the view."""
    stride, plane = maps.shape[2], maps.shape[1] * maps.shape[2]
    offsets = turn_offsets(coarse, cell, turns, plane, stride)
    row0, col0, row1, col1 = inside
    count = (row1 - row0) * stride
    # A stretch begins at the first column of the padded row; its last features may reach `pad` rows below.
    best, which = np.empty(count, np.uint8), np.empty(count, np.uint16)
    first = (row0 + pad) * stride
    flat = maps.reshape(-1)
    scan(flat, offsets, first, count, best, which)
    columns = slice(col0 + pad, col1 + pad)
    shape = (row1 - row0, stride)
    return best.reshape(shape)[:, columns], which.reshape(shape)[:, columns]


@njit(cache=True, nogil=True, error_model="numpy")
def _apart(rows, cols, turns, angles, far, equal, most, kept):  # type: ignore[no-untyped-def]  # numba infers
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
                turn = abs(angles[turns[p]] - angles[turns[q]]) % equal
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


def peaks(
    best: Bytes, which: NDArray[np.uint16], turns: Turns, features: int, *, far: float, symmetry: int, most: int
) -> Peaks:
    """Return up to `most` best poses, each farther than `far` cells or 20° from every better one."""
    flat = best.ravel()
    # The limit that leaves enough places to choose from, in bytes, by counting.
    counts = np.cumsum(np.bincount(flat, minlength=256)[::-1])
    limit = max(255 - int(np.searchsorted(counts, 60 * most)), int(0.25 * FULL * features))
    places = np.flatnonzero(flat >= limit)
    places = places[np.argsort(-flat[places].astype(np.int64), kind="stable")]
    rows, cols = np.divmod(places, best.shape[1])
    chosen = which.ravel()[places].astype(np.int64)
    equal = math.tau / symmetry if symmetry else 0.0
    kept = np.empty(most, np.int64)
    n = _apart(rows, cols, chosen, turns.angle, far, equal, most, kept)
    index = kept[:n]
    return Peaks(rows[index], cols[index], chosen[index], flat[places[index]] / (FULL * features))
