"""Spots that stay where they are, whatever lies in the picture: dirt on a window, a lens, a sensor.

Pictures are reduced to some thousand blocks, and the median is taken of a ring of them, block by block: a part that
lies elsewhere each time drops out, what is always there stays. The median over the accepted one, less what light
does smoothly (a polynomial of second degree), is 1 where nothing has changed. A block counts where that differs by more
than `change`, by more than chance explains, and by more than a camera moved by a pixel would cause at the edges of
what stands in the picture. A part's border that comes and goes has a law of its own, which median and scatter do not
tell: a block counts only beyond what nearly all of the held pictures showed.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

MOST_SIDE = 128
"""Blocks along the longer side at most."""
SIGMAS = 5.0
MEDIAN = math.sqrt(math.pi / 2)
"""The median of many normal values scatters so many times as much as their mean (large samples)."""
NEARLY_ALL = (0.05, 0.95)
"""Quantiles beyond which the median of 25 pictures of the same law lies once in 10⁸ times, whatever that law is."""


@dataclass(frozen=True)
class Ground:
    """The accepted median (rows, cols) of `n` pictures in blocks of `block` px, and `sigma` of a single one.

    `slope`: by how much a block changes where the camera moves by a pixel. `spread`: how far from the median
    nearly all pictures lie.
    """

    median: Array
    sigma: Array
    slope: Array
    n: int
    block: int
    spread: Array | None = None


@dataclass(frozen=True, slots=True)
class Spot:
    """A spot: its middle and its diameter (of the circle of equal area) in px, and its brightness − 1."""

    x_px: float
    y_px: float
    diameter_px: float
    change: float


def block_for(width: int, height: int) -> int:
    """Return the side in px of blocks, for a picture of that size."""
    return max(1, math.ceil(max(width, height) / MOST_SIDE))


def reduced(grey: NDArray[np.generic], block: int) -> Floats:
    """Return block averages (rows, cols) of a picture; what is left of blocks at right and below is dropped."""
    rows, cols = grey.shape[0] // block, grey.shape[1] // block
    whole = grey[: rows * block, : cols * block].astype(np.float32)
    return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def slope_of(grey: NDArray[np.generic], block: int) -> Array:
    """Return by how much each block of a picture changes where the picture moves by a pixel, along x or y.

    Of the picture itself: what is finer than a block leaves no slope between blocks, and yet moves them.
    """
    there, whole = reduced(grey, block), np.pad(grey, 1, mode="edge")
    moved = [whole[1:-1, :-2], whole[1:-1, 2:], whole[:-2, 1:-1], whole[2:, 1:-1]]
    return np.asarray(np.max([np.abs(reduced(one, block) - there) for one in moved], axis=0), float)


def ground_of(ring: NDArray[np.float32], block: int, slope: Array) -> Ground:
    """Return the accepted state of reduced pictures (n, rows, cols); σ by their median absolute deviation."""
    median = np.median(ring, axis=0).astype(float)
    sigma = 1.4826 * np.median(np.abs(ring - median), axis=0)
    # Grey values are whole numbers, and blocks of few pixels may happen not to differ at all.
    sigma = np.maximum(sigma, 0.3 / block)
    low, high = np.quantile(ring, NEARLY_ALL, axis=0).astype(float)
    spread = np.maximum(high - median, median - low)
    return Ground(
        np.round(median, 3), np.round(sigma, 4), np.round(slope, 3), len(ring), block, np.round(spread, 2)
    )  # fmt: skip


def spots_of(ring: NDArray[np.float32], ground: Ground, change: float) -> tuple[Spot, ...]:
    """Return the spots that stand in a ring (n, rows, cols) and did not in the accepted state, largest first."""
    median = np.median(ring, axis=0)
    level = np.maximum(ground.median, 1.0)
    ratio = median / level
    slack = scipy.ndimage.maximum_filter(ground.slope, 3) / level
    chance = SIGMAS * MEDIAN * ground.sigma / level * math.sqrt(1 / len(ring) + 1 / ground.n)
    spread = 0.0 if ground.spread is None else ground.spread / level
    limit = np.maximum(np.maximum(change, chance), spread) + slack
    away = ratio / _smooth(ratio, limit) - 1
    labels, count = scipy.ndimage.label(np.abs(away) > limit, np.ones((3, 3)))
    spots = [_spot(labels == k, away, ground.block) for k in range(1, count + 1)]
    return tuple(sorted(spots, key=lambda one: -one.diameter_px))


def stayed(before: tuple[Spot, ...], now: tuple[Spot, ...], near_px: float) -> tuple[Spot, ...]:
    """Return those of `now` that were there before: their middles within a diameter, or within `near_px`."""

    def was_there(spot: Spot) -> bool:
        return any(
            math.hypot(spot.x_px - one.x_px, spot.y_px - one.y_px) <= max(near_px, one.diameter_px) for one in before
        )

    return tuple(spot for spot in now if was_there(spot))


def _smooth(ratio: Array, limit: Array) -> Array:
    """Return the polynomial of second degree through the blocks that do not stand out, the surest ones first."""
    rows, cols = ratio.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    fit, flat = np.full(ratio.size, float(np.median(ratio))), ratio.ravel()
    for _ in range(3):
        calm = np.abs(flat - fit) < np.maximum(limit.ravel(), 1e-6) * np.abs(fit)
        if calm.sum() < ratio.size // 4:
            break
        weight = 1 / np.maximum(limit.ravel()[calm], 1e-6)
        fit = terms @ np.linalg.lstsq(terms[calm] * weight[:, None], flat[calm] * weight, rcond=None)[0]
    return np.asarray(np.maximum(fit.reshape(ratio.shape), 1e-6), float)


def _spot(inside: NDArray[np.bool_], away: Array, block: int) -> Spot:
    y, x = np.nonzero(inside)
    change = away[inside]
    peak = float(change[np.argmax(np.abs(change))])
    middle = [(float(np.average(k, weights=np.abs(change))) + 0.5) * block - 0.5 for k in (x, y)]
    return Spot(middle[0], middle[1], 2 * math.sqrt(len(x) / math.pi) * block, peak)
