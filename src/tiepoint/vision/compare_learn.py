"""Learn from good pictures what they have in common, how far they differ, and how much is beyond all of that.

Each place has the mean of the good pictures and a spread, pooled over its neighbours; a deviation counts in spreads.
The tolerance, so many spreads everywhere, is made such that a further good picture goes beyond it anywhere with a
stated probability: each good picture in turn is compared with what all others teach, and from these greatest deviations
that of a further one is foretold.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.vision.compare import EDGE_PX, Aligned, Grid, Pattern, align, resample
from tiepoint.vision.seek_teach import noise_of

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

ENOUGH = 6
"""With fewer good pictures nothing is said of how they vary: the tolerance is a stated floor."""
POOL_PX = 1.0
"""Variances are pooled over so many px to each side (Gaussian): by a dozen places, which few pictures need."""
ALONE_EDGE_PX = 0.15
"""What edges are granted where too few pictures show how far they wander."""
LEAST_GAIN = 0.5
"""A picture half as bright or twice is of another light, which levelling shall not hide; and one with less of the
pattern in it shows something else."""
ALONE_NOISES = 2.0
"""The floor in deviations of the picture's noise: two pictures differ by 1.4 of it, and the rest is for the light."""
LEAST_LEVELS = 0.5
"""The least spread in whole grey levels: rounding alone makes 0.3 of each picture."""
LEAST_SHARE = 1e-3
"""The least spread in a picture that is not of whole numbers, as a share of what its levels range over."""
DRAWS = 40_000
SEED = 20050201


@dataclass(frozen=True)
class Learnt:
    """What good pictures have in common, on a grid (rows, cols): `mean` and `spread`, the standard deviation of one
    more picture from the mean where edges stand still; `count` pictures; `maxima` (count,), the greatest deviation of
    each in spreads of all others, empty of too few. `edge_px`: what edges are granted.
    """

    mean: Floats
    spread: Floats
    count: int
    maxima: tuple[float, ...]
    edge_px: float

    def granted(self, pattern: Pattern, edge_px: float) -> Floats:
        """Return the spread (rows, cols) with edges that may lie off by so many px (standard uncertainty)."""
        return np.asarray(np.hypot(self.spread, np.float32(edge_px) * pattern.slope), np.float32)


def learn(
    pictures: Sequence[NDArray[Any]],
    grids: Sequence[Grid],
    looked: Bools,
    reach_px: float,
    is_levelled: bool = False,
    floor: float | None = None,
) -> tuple[Learnt, tuple[Aligned, ...]]:
    """Return what pictures of good parts teach, each with its grid, and how each was aligned.

    `floor`: the least spread, in levels; by default rounding, and with few pictures their noise. Raises `UnusableInput`
    for a picture that does not fit the others within `reach_px`, or shows nothing.
    """
    first = resample(pictures[0], grids[0]).astype(np.float32)
    _check_shows(first, looked)
    views = _aligned(pictures, grids, Pattern(first, looked), reach_px, is_levelled)
    mean = _mean_of(views.about_their_middle())
    views = _aligned(pictures, grids, Pattern(mean, looked), reach_px, is_levelled)
    least = _least(pictures[0], first, looked, len(pictures)) if floor is None else floor
    return _learnt(views, looked, least), views.found


def threshold(learnt: Learnt, places: int, p: float) -> float:
    """Return how many spreads one more good picture exceeds anywhere with probability `p`.

    Where its deviations were normal, those of so many places would do so; and the greatest deviations of the good
    pictures foretell it too, as of a Gumbel distribution, whose extremes they are (Gumbel 1958): the larger of the two.
    """
    normal = -float(special.ndtri(p / (2 * max(places, 1))))
    if not learnt.maxima:
        return normal
    maxima = np.array(learnt.maxima)
    return max(normal, float(maxima.mean()) + further(len(maxima), p) * float(maxima.std(ddof=1)))


def odd_ones(learnt: Learnt) -> tuple[int, ...]:
    """Return which pictures (0, 1, …) deviate by more than all others foretell of one in a thousand."""
    odd = []
    for k, greatest in enumerate(learnt.maxima):
        others = np.delete(np.array(learnt.maxima), k)
        if greatest > others.mean() + further(len(others), 0.001) * others.std(ddof=1):
            odd.append(k)
    return tuple(odd)


@lru_cache(maxsize=64)
def further(n: int, p: float) -> float:
    """Return how many standard deviations of n values of a Gumbel distribution one more is above their mean with
    probability `p`: a pivot, the same for all of them, by simulation."""
    rng = np.random.default_rng(SEED)
    drawn = rng.gumbel(size=(DRAWS, n + 1))
    others = drawn[:, :n]
    share = (drawn[:, n] - others.mean(axis=1)) / others.std(axis=1, ddof=1)
    return float(np.quantile(share, 1 - p))


def _check_shows(first: Floats, looked: Bools) -> None:
    inside = first[looked]
    if not inside.size or not np.isfinite(inside).all() or float(np.ptp(inside)) <= 0:
        raise UnusableInput("the region shows nothing in the first picture; draw it where the part is seen and lit")


@dataclass(frozen=True)
class _Views:
    """Good pictures as they are seen once aligned: made anew each time, as all of them at once would fill the memory.

    `found`: how each was aligned.
    """

    pictures: Sequence[NDArray[Any]]
    grids: Sequence[Grid]
    found: tuple[Aligned, ...]
    is_levelled: bool

    def __len__(self) -> int:
        return len(self.pictures)

    def __iter__(self) -> Iterator[Floats]:
        for picture, grid, found in zip(self.pictures, self.grids, self.found, strict=True):
            gain, offset = (found.gain, found.offset) if self.is_levelled else (1.0, 0.0)
            shown = resample(picture, grid.moved(*found.move)).astype(np.float32)
            yield np.asarray((shown - np.float32(offset)) / np.float32(gain), np.float32)

    def about_their_middle(self) -> "_Views":
        """Return the same moved all together, so that none of them says alone where the region lies."""
        middle = np.mean([found.move for found in self.found], axis=0)
        moves = [tuple((np.array(found.move) - middle).tolist()) for found in self.found]
        moved = [replace(found, move=move) for found, move in zip(self.found, moves, strict=True)]
        return replace(self, found=tuple(moved))


def _aligned(
    pictures: Sequence[NDArray[Any]], grids: Sequence[Grid], pattern: Pattern, reach_px: float, is_levelled: bool
) -> _Views:
    found = []
    for k, (picture, grid) in enumerate(zip(pictures, grids, strict=True), 1):
        one = align(picture, grid, pattern, reach_px)
        is_alike = LEAST_GAIN < one.gain < 1 / LEAST_GAIN
        if not one.is_sure or one.reach_px(grid) > reach_px or not is_alike:
            raise UnusableInput(
                f"good picture {k} does not fit the others: it lies more than {reach_px:.3g} px off, shows something "
                "else, or is lit in another way; leave it out, or let the step live in the frame of a find"
            )
        found.append(one)
    return _Views(pictures, grids, tuple(found), is_levelled)


def _mean_of(views: Iterable[Floats]) -> Floats:
    total, count = None, 0
    for seen in views:
        total, count = seen.astype(np.float64) if total is None else total + seen, count + 1
    assert total is not None
    return np.asarray(total / count, np.float32)


def _least(picture: NDArray[Any], first: Floats, looked: Bools, count: int) -> float:
    """Return the least spread where none is stated, in levels."""
    low, high = np.percentile(first[looked], [1, 99]).tolist()
    is_whole = np.issubdtype(picture.dtype, np.integer)
    least = LEAST_LEVELS if is_whole else LEAST_SHARE * (high - low)
    return max(least, ALONE_NOISES * noise_of(picture)) if count < ENOUGH else least


def _learnt(views: _Views, looked: Bools, least: float) -> Learnt:
    n, mean = len(views), _mean_of(views)
    pattern = Pattern(mean, looked)
    edge_px = EDGE_PX if n >= ENOUGH else ALONE_EDGE_PX
    squares = np.zeros_like(mean)
    for seen in views:
        squares += (seen - mean) ** 2
    spread = _spread_of(squares / max(n - 1, 1), n, least)
    if n < ENOUGH:
        return Learnt(mean, spread, n, (), edge_px)
    edges = (np.float32(edge_px) * pattern.slope) ** 2
    maxima = []
    for seen in views:
        # What all others teach: without this picture, the mean is as far from it as n/(n − 1) times.
        away = (seen - mean) * np.float32(n / (n - 1))
        others = (squares - np.float32((n - 1) / n) * away**2) / (n - 2)
        share = np.abs(away) / np.sqrt(_spread_of(others, n - 1, least) ** 2 + edges)
        maxima.append(float(share[looked].max()))
    return Learnt(mean, spread, n, tuple(maxima), edge_px)


def _spread_of(variance: NDArray[Any], n: int, least: float) -> Floats:
    """Return the deviation of one more picture from the mean of n, by the variance at each place."""
    pooled = cv2.GaussianBlur(np.maximum(variance, 0).astype(np.float32), (0, 0), POOL_PX)
    return np.asarray(np.sqrt(pooled * np.float32(1 + 1 / n) + np.float32(least) ** 2), np.float32)
