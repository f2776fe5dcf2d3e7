"""Which candidates form a grid: integer places by growing from a seed, neighbour by neighbour.

A neighbour is looked for where the last step leads, so perspective and lens distortion, which change steps
slowly, do no harm; a gap of one missing point is jumped over.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.targets.blobs import Blobs
from tiepoint.targets.saddles import Saddles

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_TOLERANCE = 0.28
"""How far from the expected place a neighbour may lie, in steps."""

_ALONG_DEG = 18.0
"""How far two neighbours' ideas of their common line may differ."""

ALIKE = 2.2
"""How many times stronger, or larger, than its neighbour a corner or dot may be."""

_MOST_SEEDS = 80


@dataclass(frozen=True)
class Lattice:
    """A grid among the candidates: `members` (n,) their numbers, `places` (n, 2) integers; right-handed on the
    page, that is with +x, +y turning counter-clockwise as seen.
    """

    members: Ints
    places: Ints


def grow_checker(saddles: Saddles, full: int) -> Lattice | None:
    """Return the largest grid of corners; neighbours share a line of opposite kind. `full` ends the search."""
    # A target's corners are among those of the strongest contrast; rounded, so that the middle goes first.
    strength = np.round(4 * saddles.swing / saddles.swing.max(initial=1e-9))
    order = np.lexsort([_off_middle(saddles.xy), -strength])
    return _largest(_Seen(saddles.xy, saddles.rising, saddles.falling, saddles.swing, ALIKE), order, full)


def grow_dots(blobs: Blobs, full: int, alike: float = ALIKE) -> Lattice | None:
    """Return the largest grid of dots. `full` is the number of dots that ends the search; `alike` how many times
    larger than its neighbour a dot may be.
    """
    nothing = np.full(len(blobs.xy), np.nan)
    seen = _Seen(blobs.xy, nothing, nothing, blobs.radius, alike)
    return _largest(seen, np.argsort(_off_middle(blobs.xy)), full)


class _Seen(NamedTuple):
    """Candidates: places (n, 2), directions of their lines (n,), strength or size (n,), and its largest ratio."""

    xy: Array
    rising: Array
    falling: Array
    size: Array
    alike: float


def _off_middle(xy: Array) -> Array:
    """Distance from the middle: what stands there is seldom the edge of something else."""
    return np.hypot(*(xy - np.median(xy, axis=0)).T) if len(xy) else np.empty(0)


def _largest(seen: _Seen, order: Ints, full: int) -> Lattice | None:
    best: Lattice | None = None
    for seed in order[:_MOST_SEEDS]:
        if best is not None and seed in best.members:
            continue
        basis = _seed_basis(seen.xy, seen.rising, seen.falling, seed)
        if np.isnan(basis).any():
            continue
        places, members = _grow(seen, seed, basis)
        kept = _held(places)
        if best is None or kept.sum() > len(best.members):
            best = Lattice(members[kept], places[kept])
        if len(best.members) >= full:
            break
    if best is None or len(best.members) < 4:
        return None
    return Lattice(best.members, _right_handed(seen.xy[best.members], best.places))


def _held(places: Ints) -> NDArray[np.bool_]:
    """Return which members have two neighbours in the grid at least: a stray point next to it has one."""
    low = places.min(axis=0) - 1
    held = np.zeros(np.ptp(places, axis=0) + 3, np.bool_)
    held[tuple((places - low).T)] = True
    _drop_loose(held)
    return np.asarray(held[tuple((places - low).T)])


@njit(cache=True, nogil=True, error_model="numpy")
def _drop_loose(held: NDArray[np.bool_]) -> None:
    """Clear every place (inside an empty margin) with fewer than two neighbours, until none is left."""
    dropped = True
    while dropped:
        dropped = False
        for j in range(1, held.shape[0] - 1):
            for i in range(1, held.shape[1] - 1):
                near = int(held[j - 1, i]) + int(held[j + 1, i]) + int(held[j, i - 1]) + int(held[j, i + 1])
                if held[j, i] and near < 2:
                    held[j, i] = False
                    dropped = True


def _right_handed(xy: Array, places: Ints) -> Ints:
    """Turn the second axis round where needed: y runs up on the page and down in the picture."""
    design = np.column_stack([places, np.ones(len(places))])
    steps = np.linalg.lstsq(design, xy, rcond=None)[0][:2]
    return places if np.linalg.det(steps) < 0 else places * np.array([1, -1])


@njit(cache=True, nogil=True, error_model="numpy")
def _off_line(a: float, b: float) -> float:
    """Return the angle between two directions modulo π, in degrees."""
    return abs(math.degrees((a - b + 0.5 * math.pi) % math.pi - 0.5 * math.pi))


@njit(cache=True, nogil=True, error_model="numpy")
def _seed_basis(xy: Array, rising: Array, falling: Array, seed: int) -> Array:
    """Return the steps (2, 2) to the seed's neighbours; NaN where it has none."""
    basis = np.full((2, 2), np.nan)
    if not np.isnan(rising[seed]):
        _nearest_along(xy, rising[seed], falling, seed, basis[0])
        _nearest_along(xy, falling[seed], rising, seed, basis[1])
        return basis
    first = _nearest(xy, seed, 0.0, 0.0)
    if first >= 0:
        basis[0] = xy[first] - xy[seed]
        size = math.hypot(basis[0, 0], basis[0, 1])
        second = _nearest(xy, seed, basis[0, 0] / size, basis[0, 1] / size)
        if second >= 0:
            basis[1] = xy[second] - xy[seed]
    return basis


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest_along(xy: Array, direction: float, theirs: Array, seed: int, step: Array) -> None:
    best = 1e18
    for k in range(xy.shape[0]):
        if k == seed:
            continue
        dx, dy = xy[k, 0] - xy[seed, 0], xy[k, 1] - xy[seed, 1]
        far = dx * dx + dy * dy
        if far >= best or _off_line(math.atan2(dy, dx), direction) > 12.0:
            continue
        if _off_line(theirs[k], direction) < _ALONG_DEG:
            best = far
            step[0], step[1] = dx, dy


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest(xy: Array, seed: int, tx: float, ty: float) -> int:
    """Return the nearest other candidate; with a direction given, the nearest across it (40° to 140°)."""
    best, at = 1e18, -1
    for k in range(xy.shape[0]):
        if k == seed:
            continue
        dx, dy = xy[k, 0] - xy[seed, 0], xy[k, 1] - xy[seed, 1]
        far = dx * dx + dy * dy
        if far < best and (dx * tx + dy * ty) ** 2 < 0.587 * far:
            best, at = far, k
    return at


@njit(cache=True, nogil=True, error_model="numpy")
def _grow(seen: _Seen, seed: int, basis: Array) -> tuple[Ints, Ints]:
    """Return places (n, 2) and members (n,) of the grid around the seed."""
    xy, size = seen.xy, seen.size
    n = xy.shape[0]
    half = 256
    at = np.full((2 * half, 2 * half), -1, np.int32)
    place = np.zeros((n, 2), np.int64)
    placed = np.zeros(n, np.bool_)
    steps = np.zeros((n, 2, 2))
    queue = np.empty(n, np.int64)
    queue[0], count, head, reach = seed, 1, 0, 1
    placed[seed] = True
    steps[seed] = basis
    at[half, half] = seed
    while reach <= 2:
        if head == count:  # all asked for their neighbours: ask once more for those beyond a gap
            head, reach = 0, reach + 1
            continue
        k = queue[head]
        head += 1
        for side in range(4):
            axis, sign = side // 2, reach * (1 - 2 * (side % 2))
            i, j = place[k, 0] + (sign if axis == 0 else 0), place[k, 1] + (sign if axis == 1 else 0)
            if max(abs(i), abs(j)) >= half or at[j + half, i + half] >= 0:
                continue
            step = steps[k, axis]
            x, y = xy[k, 0] + sign * step[0], xy[k, 1] + sign * step[1]
            limit = _TOLERANCE * math.sqrt(min(_length2(steps[k, 0]), _length2(steps[k, 1])))
            best, found = limit * limit, -1
            for m in range(n):
                far = (xy[m, 0] - x) ** 2 + (xy[m, 1] - y) ** 2
                if far < best and not placed[m]:
                    best, found = far, m
            if found < 0 or max(size[found], size[k]) > seen.alike * min(size[found], size[k]):
                continue
            if not _agree(seen.rising, seen.falling, k, found, step, reach):
                continue
            placed[found] = True
            place[found, 0], place[found, 1] = i, j
            at[j + half, i + half] = found
            steps[found] = steps[k]
            for c in range(2):
                steps[found, axis, c] = (xy[found, c] - xy[k, c]) / sign
            queue[count] = found
            count += 1
            if reach == 2:  # beyond the gap, go on step by step
                head, reach = count - 1, 1
    members = queue[:count].copy()
    return place[members], members


@njit(cache=True, nogil=True, error_model="numpy")
def _length2(step: Array) -> float:
    x, y = step[0], step[1]
    return float(x * x + y * y)


@njit(cache=True, nogil=True, error_model="numpy")
def _agree(rising: Array, falling: Array, k: int, m: int, step: Array, reach: int) -> bool:
    """Return whether two corners lie on one line: what rises at one falls at the next, and rises again.

    Their other lines must be of one direction too, to the same degree.
    """
    if np.isnan(rising[k]):
        return True
    direction = math.atan2(step[1], step[0])
    rises_here = _off_line(rising[k], direction) < _off_line(falling[k], direction)
    along = rising[k] if rises_here else falling[k]
    across = falling[k] if rises_here else rising[k]
    falls_there = rises_here == (reach == 1)
    along_there = falling[m] if falls_there else rising[m]
    across_there = rising[m] if falls_there else falling[m]
    return (
        _off_line(along_there, along) < _ALONG_DEG
        and _off_line(along_there, direction) < _ALONG_DEG
        and _off_line(across_there, across) < _ALONG_DEG
    )
