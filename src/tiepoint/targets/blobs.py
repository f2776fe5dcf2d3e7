"""Dark spots that look like ellipses: candidates for dots of any size."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.normal_equations import SUMS

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Ints = NDArray[np.int64]
Labels = NDArray[np.int32]

_FEWEST_PX = 12
_ROUND = 0.06
"""How far area / 4π√det(second moments) may be above 1, its value for every sharp ellipse (a square: 0.955)."""

_MOST_BLUR_PX = 3.5
_SKIRT = 2
"""So many pixels around a spot count with it: the blurred rim that is not dark enough to be found dark."""


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
    count, labels = cv2.connectedComponents(dark, connectivity=4)
    boxes = _boxes(np.asarray(labels, np.int32), count)
    height, width = grey.shape
    left, top, wide, high, area = boxes.T
    candidates = (area >= _FEWEST_PX) & (area > 0.4 * wide * high)
    candidates &= (left > 0) & (top > 0) & (left + wide < width) & (top + high < height)
    candidates &= (wide < width / 3) & (high < height / 2)
    candidates[0] = False  # the background
    numbers = np.flatnonzero(candidates)
    return _ellipses(_moments(grey, np.asarray(labels, np.int32), numbers, boxes[numbers]))


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
    limit = np.float32(least)
    for y in range(height):
        for x in range(width):
            gap = mean[y, x] - grey[y, x]
            variance = max(square[y, x] - mean[y, x] * mean[y, x], np.float32(0.0))
            out[y, x] = np.uint8(gap > limit) & np.uint8(gap * gap > np.float32(0.64) * variance)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _boxes(labels: Labels, count: int) -> Ints:
    """Return left, top, width, height and area (count, 5) of every label's pixels; nothing of label 0."""
    height, width = labels.shape
    out = np.zeros((count, 5), np.int64)  # first the borders: left, top, right, bottom
    out[:, 0], out[:, 1] = width, height
    for y in range(height):
        x = 0
        while x < width:
            label = labels[y, x]
            begin = x
            while x < width and labels[y, x] == label:
                x += 1
            if label == 0:
                continue
            box = out[label]
            box[0], box[2] = min(box[0], begin), max(box[2], x)
            box[1], box[3] = min(box[1], y), y + 1
            box[4] += x - begin
    out[:, 2] -= out[:, 0]
    out[:, 3] -= out[:, 1]
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS, forceinline=True)
def _moments(grey: Grey, labels: Labels, numbers: Ints, boxes: Ints) -> Array:
    """Return (n, 6): x, y, second moments xx, xy, yy and area, each pixel weighted by its darkness.

    Weights run from 0 at the level of the surroundings to 1 at the dot's own: area and centre hold to a few
    hundredths of a pixel, where counting pixels above a threshold would be off by the blur.
    """
    height, width = grey.shape
    out = np.zeros((boxes.shape[0], 6))
    for k in range(boxes.shape[0]):
        margin = _SKIRT + min(boxes[k, 2], boxes[k, 3]) // 8
        x0, y0 = max(boxes[k, 0] - margin, 0), max(boxes[k, 1] - margin, 0)
        x1 = min(boxes[k, 0] + boxes[k, 2] + margin, width)
        y1 = min(boxes[k, 1] + boxes[k, 3] + margin, height)
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
        near, unit = _near(labels[y0:y1, x0:x1], numbers[k]), 1.0 / (white - dark)
        s = sx = sy = sxx = sxy = syy = 0.0
        for y in range(y0, y1):
            for x in range(x0, x1):
                # Not clipped: noise of the page must cancel.
                w = near[y - y0, x - x0] * ((white - grey[y, x]) * unit)
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
def _near(labels: Labels, number: int) -> NDArray[np.uint8]:
    """Return 1 (h, w) where a pixel belongs to a spot or is at most `_SKIRT` pixels off it, and is of no other spot."""
    height, width = labels.shape
    out = np.empty((height, width), np.uint8)
    across, down = np.zeros(width, np.int64), np.zeros(width, np.int64)
    # Counters of how many pixels more are near what was passed, along the row and then along the columns.
    for y in range(height + _SKIRT):
        here = 0
        for x in range(width + _SKIRT):
            belongs = y < height and x < width and labels[y, x] == number
            here = 2 * _SKIRT + 1 if belongs else here - 1
            if x >= _SKIRT:
                across[x - _SKIRT] = here
        for x in range(width):
            down[x] = 2 * _SKIRT + 1 if across[x] > 0 else down[x] - 1
        if y >= _SKIRT:
            for x in range(width):
                label = labels[y - _SKIRT, x]
                out[y - _SKIRT, x] = np.uint8(down[x] > 0) & (np.uint8(label == 0) | np.uint8(label == number))
    return out


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
