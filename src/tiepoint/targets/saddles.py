"""Places where dark and light squares meet crosswise: candidates for the corners of a checker."""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

_RING_PX = 4.0
"""Radius of the ring on which the four quadrants must alternate; squares must be twice as wide at least."""

_SAMPLES = 24


@dataclass(frozen=True)
class Saddles:
    """n candidates. `xy` (n, 2) in px of the level; `rising`, `falling` (n,): directions, modulo π, of the two
    lines, by whether dark turns to light or light to dark when one crosses them counter-clockwise on screen
    axes (x right, y down: from +x towards +y); `level`, `swing` (n,): middle grey, half of the contrast.
    """

    xy: Array
    rising: Array
    falling: Array
    level: Array
    swing: Array


def find_saddles(grey: Grey) -> Saddles:
    """Return candidates in a level (h, w): extremes of the saddle response that pass the ring test."""
    smooth: Grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.1), np.float32)
    low, high = np.percentile(smooth[::8, ::8], (2, 98))
    # A corner of half contrast a, blurred by about 1.5 px in all, responds with 0.08·a²; a fifth of the
    # picture's contrast is enough, for light may be uneven.
    least = 0.08 * (0.1 * float(high - low)) ** 2
    found = _candidates(smooth, max(least, 0.02))
    ring = _ring_test(smooth, found, 0.1 * 0.5 * float(high - low))
    good = ring[:, 3] > 0
    return Saddles(found[good], *ring[good].T)


@njit(cache=True, nogil=True, error_model="numpy")
def _response(grey: Grey, out: Grey) -> None:
    """Fill Ixy² − Ixx·Iyy: positive where the surface is a saddle."""
    height, width = grey.shape
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            c = 2.0 * grey[y, x]
            xx = grey[y, x - 1] + grey[y, x + 1] - c
            yy = grey[y - 1, x] + grey[y + 1, x] - c
            xy = 0.25 * (grey[y + 1, x + 1] + grey[y - 1, x - 1] - grey[y + 1, x - 1] - grey[y - 1, x + 1])
            out[y, x] = xy * xy - xx * yy


@njit(cache=True, nogil=True, error_model="numpy")
def _candidates(grey: Grey, least: float) -> Array:
    """Return the sub-pixel stationary points (n, 2) of the surface at the response's local maxima."""
    height, width = grey.shape
    response = np.zeros((height, width), np.float32)
    _response(grey, response)
    found = np.empty((height * width // 16 + 16, 2))
    n = 0
    for y in range(3, height - 3):
        for x in range(3, width - 3):
            r = response[y, x]
            if r < least or n >= found.shape[0] or not _is_peak(response, y, x):
                continue
            gx = 0.5 * (grey[y, x + 1] - grey[y, x - 1])
            gy = 0.5 * (grey[y + 1, x] - grey[y - 1, x])
            xx = grey[y, x - 1] + grey[y, x + 1] - 2.0 * grey[y, x]
            yy = grey[y - 1, x] + grey[y + 1, x] - 2.0 * grey[y, x]
            xy = 0.25 * (grey[y + 1, x + 1] + grey[y - 1, x - 1] - grey[y + 1, x - 1] - grey[y - 1, x + 1])
            dx, dy = (yy * gx - xy * gy) / r, (xx * gy - xy * gx) / r
            if abs(dx) < 1.5 and abs(dy) < 1.5:
                found[n, 0], found[n, 1] = x + dx, y + dy
                n += 1
    return found[:n].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def _is_peak(response: Grey, y: int, x: int) -> bool:
    r = response[y, x]
    for j in range(-2, 3):
        for i in range(-2, 3):
            other = response[y + j, x + i]
            # Of two equal neighbours the first one counts.
            if other > r or (other == r and (j < 0 or (j == 0 and i < 0))):
                return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def bilinear(grey: Grey, x: float, y: float) -> Any:
    """Return the grey level between pixels; the caller keeps inside the picture."""
    i, j = int(math.floor(x)), int(math.floor(y))  # noqa: RUF046 - numba's floor is a float
    u, v = x - i, y - j
    top = grey[j, i] * (1.0 - u) + grey[j, i + 1] * u
    return top * (1.0 - v) + (grey[j + 1, i] * (1.0 - u) + grey[j + 1, i + 1] * u) * v


@njit(cache=True, nogil=True, error_model="numpy")
def _ring_test(grey: Grey, xy: Array, least_swing: float) -> Array:
    """Return (n, 4): rising, falling direction, middle, half contrast; no contrast where the test fails."""
    height, width = grey.shape
    out = np.zeros((xy.shape[0], 4))
    ring = np.empty(_SAMPLES)
    turns = np.empty(4)
    for k in range(xy.shape[0]):
        x, y = xy[k, 0], xy[k, 1]
        if min(x, y) < _RING_PX + 1 or x > width - _RING_PX - 3 or y > height - _RING_PX - 3:
            continue
        for i in range(_SAMPLES):
            angle = 2.0 * math.pi * i / _SAMPLES
            ring[i] = bilinear(grey, x + _RING_PX * math.cos(angle), y + _RING_PX * math.sin(angle))
        low, high = ring.min(), ring.max()
        middle = 0.5 * (low + high)
        count, first_rises = 0, False
        for i in range(_SAMPLES):
            a, b = ring[i] - middle, ring[(i + 1) % _SAMPLES] - middle
            if (a < 0) != (b < 0):
                if count == 4:
                    count = 5
                    break
                if count == 0:
                    first_rises = b > a
                turns[count] = (i + a / (a - b)) * 2.0 * math.pi / _SAMPLES
                count += 1
        if count != 4 or high - low < 2.0 * least_swing:
            continue
        one, two = _line(turns[0], turns[2]), _line(turns[1], turns[3])
        if one < 0 or two < 0:
            continue
        out[k, 0], out[k, 1] = (one, two) if first_rises else (two, one)
        out[k, 2], out[k, 3] = middle, 0.5 * (high - low)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _line(a: float, b: float) -> float:
    """Return the direction modulo π of a line that leaves the ring at a and b; −1 where they do not oppose."""
    bend = b - a - math.pi
    if abs(bend) > math.radians(35.0):
        return -1.0
    return (a + 0.5 * bend) % math.pi
