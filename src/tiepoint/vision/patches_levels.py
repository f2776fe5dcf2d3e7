"""Grey levels that tell patches from their surroundings, and how sure a level between two plateaus is."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Single = NDArray[np.float32]

BINS = 1024
"""Bins of the histogram of a float picture; whole numbers get one each as far as they go."""
TO_SD = 1.4826
"""Standard deviation of a normal distribution over the median of its magnitude."""
WITHIN_SD = 4.0
"""What lies farther out than this is drawn in before it counts for a variance."""

FITS = 3
"""So often a plane is fitted, with what is far out drawn in again."""
BY_CHANCE = 2.0
"""By so many of its standard deviations a variance of normal noise, √(2/n) of it, may be more than it is."""


@dataclass(frozen=True)
class TwoLevels:
    """A `level` between a dark and a bright class of pixels, whose means are `dark` and `bright`.

    `separation`: the share of the variance that lies between the classes (Otsu's η, 0 to 1).
    """

    level: float
    dark: float
    bright: float
    separation: float


def automatic_level(values: NDArray[np.generic]) -> TwoLevels | None:
    """Return the level that parts grey values (n,) into the two most distinct classes; None where all are equal.

    Otsu, IEEE Trans. Syst. Man Cybern. 9, 1979: the greatest variance between the classes, over the histogram. Departs
    in this: where several levels part the values alike (none lies between them), the middle of those is taken.
    """
    low, high = float(values.min()), float(values.max())
    if not high > low:
        return None
    is_whole = np.issubdtype(values.dtype, np.integer) and high - low < 65536
    bins = int(high - low) + 1 if is_whole else BINS
    span = (low - 0.5, high + 0.5) if is_whole else (low, high)
    count, edges = np.histogram(values, bins=bins, range=span)
    middle = (edges[:-1] + edges[1:]) / 2
    share = np.cumsum(count)[:-1] / values.size
    first = np.cumsum(count * (middle - low))[:-1] / values.size
    whole = float(np.sum(count * (middle - low)) / values.size)
    # Eq. 18 of the paper, σ_B² = (μ_T·ω − μ)²/(ω·(1 − ω)); a class without members has none.
    product = share * (1.0 - share)
    between = np.where(product > 0, (whole * share - first) ** 2 / np.where(product > 0, product, 1.0), 0.0)
    best = np.flatnonzero(between >= between.max() * (1.0 - 1e-12))
    k, total = int(best[0]), float(np.sum(count * (middle - low - whole) ** 2) / values.size)
    dark, bright = first[k] / share[k], (whole - first[k]) / (1.0 - share[k])
    level = float(edges[best[0] + 1] + edges[best[-1] + 1]) / 2
    return TwoLevels(level, low + float(dark), low + float(bright), float(between[k]) / total)


def local_mean(grey: Single, inside: Bools, side_px: int) -> Single:
    """Return the mean of the pixels that lie `inside` (rows, columns) in a square about each, of an odd side."""
    weight = inside.astype(np.float32)
    size, border = (side_px, side_px), cv2.BORDER_CONSTANT
    total = cv2.boxFilter(np.where(inside, grey, np.float32(0)), cv2.CV_64F, size, normalize=False, borderType=border)
    count = cv2.boxFilter(weight, cv2.CV_64F, size, normalize=False, borderType=border)
    return np.asarray(total / np.maximum(count, 1.0), np.float32)


def noise_in(grey: Array, inside: Bools, is_whole: bool) -> tuple[float, int]:
    """Return the variance of a pixel's noise from neighbours that both lie `inside` (rows, columns), and of how many.

    Differences of neighbours leave slow shading out. Whole numbers have at least the variance of their rounding.
    """
    parts = [(grey[:, 1:] - grey[:, :-1])[inside[:, 1:] & inside[:, :-1]]]
    parts.append((grey[1:] - grey[:-1])[inside[1:] & inside[:-1]])
    steps = np.concatenate(parts)
    return max(drawn_in_square(steps, is_whole) / 2.0, is_whole / 12.0), int(steps.size)


def drawn_in_square(off: Array, is_whole: bool) -> float:
    """Return the mean square of deviations (n,), those that are far out drawn in; 0 for none."""
    return float(np.mean(drawn_in(off, is_whole) ** 2)) if off.size else 0.0


def drawn_in(off: Array, is_whole: bool) -> Array:
    """Return deviations (n,), those that are farther out than noise ever lies drawn in to there."""
    reach = WITHIN_SD * TO_SD * (float(np.median(np.abs(off))) + (0.5 if is_whole else 0.0))
    return np.clip(off, -reach, reach) if reach > 0 else off


@dataclass(frozen=True)
class Plateau:
    """The level of a set of pixels: a plane, the variance of a pixel's noise, what they vary besides, how many.

    `level` at a stated place, `slope` (2,) per px in x and y, 0 for an even one; `spread` (2, 2): the sums of squares
    of the pixels' places about their mean, which tell how well a slope is known. Too few pixels do not tell their
    noise: NaN.
    """

    level: float
    slope: Array
    spread: Array
    noise: float
    structure: float
    count: int

    def variance(self, noise: float) -> float:
        """Return that of the level: the `noise` (variance) of pixels averages out, structure does not."""
        return noise / self.count + self.structure

    def precision(self, noise: float) -> Array:
        """Return the inverse covariance (2, 2) of the slope; structure that is more than noise may run along it."""
        beyond = max(self.structure - BY_CHANCE * noise * math.sqrt(2.0 / self.count), 0.0)
        return np.asarray(self.spread / max(noise + self.count * beyond, 1e-300))


def plateau_of(grey: Array, inside: Bools, is_whole: bool, at: Array | None = None) -> Plateau | None:
    """Return the plateau of the pixels that lie `inside` (rows, columns); None for none.

    Even without `at`; else a plane with its level at that place (x, y), px.
    """
    values = grey[inside]
    if not values.size:
        return None
    places = np.argwhere(inside)[:, ::-1].astype(float)
    away = places - places.mean(axis=0)
    spread = away.T @ away
    plane, slope = np.full(values.size, float(np.median(values))), np.zeros(2)
    # Pixels in one row do not tell a slope across it.
    if at is not None and float(np.linalg.eigvalsh(spread)[0]) > 0.5:
        for _ in range(FITS):
            drawn = plane + drawn_in(values - plane, is_whole)
            slope = np.linalg.solve(spread, away.T @ drawn)
            plane = away @ slope + float(np.median(values - away @ slope))
    off = drawn_in(values - plane, is_whole)
    whole = float(np.var(off))
    noise, pairs = noise_in(grey, inside, is_whole)
    if pairs < 3:
        noise = math.nan if values.size < 3 else whole
    level = float(np.mean(plane + off))
    return Plateau(
        level if at is None else level + float(slope @ (at - places.mean(axis=0))),
        slope,
        spread,
        noise,
        max(whole - noise, 0.0) if noise == noise else 0.0,
        int(values.size),
    )
