"""Dark spots that look like ellipses: candidates for dots of any size."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

_FEWEST_PX = 12
_ROUND = 0.06
"""How far area / 4π√det(second moments) may be above 1, its value for every sharp ellipse (a square: 0.955)."""

_MOST_BLUR_PX = 3.5


@dataclass(frozen=True)
class Blobs:
    """n candidates in px of the level: `xy` (n, 2), `axes` (n, 2, 2) symmetric, its eigenvalues the semi-axes."""

    xy: Array
    axes: Array

    @property
    def radius(self) -> Array:
        """Radius (n,) of the circle of the same area."""
        return np.asarray(np.sqrt(np.linalg.det(self.axes)))


def find_blobs(grey: Grey) -> Blobs:
    """Return dark elliptical spots of a level (h, w), from a few pixels to a third of its height."""
    grey = np.asarray(cv2.GaussianBlur(grey, (3, 3), 0.7), np.float32)  # noise makes rims ragged
    dark = _dark(grey)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    height, width = grey.shape
    left, top, wide, high, area = stats.T
    candidates = (area >= _FEWEST_PX) & (area > 0.4 * wide * high)
    candidates &= (left > 0) & (top > 0) & (left + wide < width) & (top + high < height)
    candidates &= (wide < width / 3) & (high < height / 2)
    candidates[0] = False  # the background
    numbers = np.flatnonzero(candidates)
    moments = _moments(grey, np.asarray(labels, np.int32), numbers, stats[numbers].astype(np.int64))
    return _ellipses(moments)


def _dark(grey: Grey) -> NDArray[np.uint8]:
    """Return 1 where a pixel is well below the mean of its surroundings, judged by their spread.

    Dots that cover a fifth of the page have their middle level 0.75 spreads below the mean; few dots more.
    """
    side = max(31, min(grey.shape) // 5 | 1)
    mean = cv2.boxFilter(grey, -1, (side, side), borderType=cv2.BORDER_REFLECT)
    square = cv2.sqrBoxFilter(grey, -1, (side, side), borderType=cv2.BORDER_REFLECT)
    least = 0.03 * float(np.ptp(np.percentile(grey[::8, ::8], (1, 99))))
    return np.asarray(_below(grey, np.asarray(mean, np.float32), np.asarray(square, np.float32), least))


@njit(cache=True, nogil=True, error_model="numpy")
def _below(grey: Grey, mean: Grey, square: Grey, least: float) -> NDArray[np.uint8]:
    """Return 1 where grey < mean − max(0.8·spread, least)."""
    height, width = grey.shape
    out = np.empty((height, width), np.uint8)
    for y in range(height):
        for x in range(width):
            gap = mean[y, x] - grey[y, x]
            variance = max(square[y, x] - mean[y, x] * mean[y, x], np.float32(0.0))
            out[y, x] = gap > least and gap * gap > np.float32(0.64) * variance
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _moments(grey: Grey, labels: NDArray[np.int32], numbers: NDArray[np.int64], stats: NDArray[np.int64]) -> Array:
    """Return (n, 6): x, y, second moments xx, xy, yy and area, each pixel weighted by its darkness.

    Weights run from 0 at the level of the surroundings to 1 at the dot's own: area and centre hold to a few
    hundredths of a pixel, where counting pixels above a threshold would be off by the blur.
    """
    height, width = grey.shape
    out = np.zeros((stats.shape[0], 6))
    for k in range(stats.shape[0]):
        margin = 2 + min(stats[k, 2], stats[k, 3]) // 8
        x0, y0 = max(stats[k, 0] - margin, 0), max(stats[k, 1] - margin, 0)
        x1 = min(stats[k, 0] + stats[k, 2] + margin, width)
        y1 = min(stats[k, 1] + stats[k, 3] + margin, height)
        corners = np.array([grey[y0, x0], grey[y0, x1 - 1], grey[y1 - 1, x0], grey[y1 - 1, x1 - 1]])
        white = 0.5 * (np.sort(corners)[2] + np.sort(corners)[3])  # a neighbour may cover one or two
        dark, n = 0.0, 0
        cx, cy = (x0 + x1) // 2, (y0 + y1) // 2
        for y in range(cy - 1, cy + 2):
            for x in range(cx - 1, cx + 2):
                dark += grey[y, x]
                n += 1
        dark /= n
        if white - dark < 1e-6:
            continue
        s = sx = sy = sxx = sxy = syy = 0.0
        for y in range(y0, y1):
            for x in range(x0, x1):
                if not _near(labels, y, x, numbers[k]):
                    continue
                # Not clipped: noise of the page must cancel.
                w = (white - grey[y, x]) / (white - dark)
                u, v = x - cx, y - cy
                s += w
                sx += w * u
                sy += w * v
                sxx += w * u * u
                sxy += w * u * v
                syy += w * v * v
        if s < 1.0:
            continue
        mx, my = sx / s, sy / s
        out[k, 0], out[k, 1] = cx + mx, cy + my
        out[k, 2], out[k, 3], out[k, 4] = sxx / s - mx * mx, sxy / s - mx * my, syy / s - my * my
        out[k, 5] = s
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _near(labels: NDArray[np.int32], y: int, x: int, number: int) -> bool:
    """Return whether a pixel belongs to a spot or is at most two pixels off it, and is of no other spot."""
    if labels[y, x] != 0:
        return bool(labels[y, x] == number)
    height, width = labels.shape
    for j in range(max(y - 2, 0), min(y + 3, height)):
        for i in range(max(x - 2, 0), min(x + 3, width)):
            if labels[j, i] == number:
                return True
    return False


def _ellipses(moments: Array) -> Blobs:
    """Return the spots that can be ellipses behind some blur.

    Blur w leaves the area and adds w² to each second moment; a uniform ellipse has a²/4 along a semi-axis a and
    the area 4π√det of these. So area and moments together tell w: det(Σ − w²·1) = (area/4π)².
    """
    xx, xy, yy, area = moments[:, 2:].T
    total, product = xx + yy, xx * yy - xy * xy
    sharp = (area / (4 * math.pi)) ** 2
    variance = (total - np.sqrt(np.maximum(total**2 - 4 * (product - sharp), 0))) / 2
    good = (area > 0) & (product > 0) & (sharp < (1 + _ROUND + 4 * math.pi / np.maximum(area, 1)) ** 2 * product)
    good &= variance < _MOST_BLUR_PX**2
    m, variance = moments[good], np.maximum(variance[good], 0)
    if not len(m):
        return Blobs(np.empty((0, 2)), np.empty((0, 2, 2)))
    values, vectors = np.linalg.eigh(np.stack([m[:, [2, 3]], m[:, [3, 4]]], axis=1))
    semi = 2 * np.sqrt(np.maximum(values - variance[:, None], np.maximum(0.01 * values, 1e-6)))
    kept = semi[:, 0] > 0.25 * semi[:, 1]
    axes = (vectors * semi[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    return Blobs(m[kept, :2], axes[kept])
