"""Scenes with a part for finding: optics before pixels, exact in x to the sub-sample, any light and clutter.

Read by tests, benchmarks and proofs with `runpy.run_path`.
"""

import math

import cv2
import numpy as np
from numba import njit

FINE = 4


def rounded(points, radius=0.0, steps=8):
    """A polygon (k, 2) with its corners rounded."""
    points = np.asarray(points, float)
    if radius <= 0:
        return points
    out = []
    for a, b, c in zip(np.roll(points, 1, axis=0), points, np.roll(points, -1, axis=0), strict=True):
        u, v = (a - b) / np.hypot(*(a - b)), (c - b) / np.hypot(*(c - b))
        half = math.acos(np.clip(u @ v, -1, 1)) / 2
        cut = radius / math.tan(half)
        middle = b + (u + v) / np.hypot(*(u + v)) * radius / math.sin(half)
        start, end = (math.atan2(*(b + w * cut - middle)[::-1]) for w in (u, v))
        turn = (end - start + math.pi) % math.tau - math.pi
        angles = start + turn * np.linspace(0, 1, steps + 1)
        out.append(middle + radius * np.column_stack([np.cos(angles), np.sin(angles)]))
    return np.vstack(out)


def circle(x, y, radius, n=96):
    """A circle as a polygon of the same area."""
    t = np.arange(n) * math.tau / n
    r = radius * math.sqrt(math.tau / n / math.sin(math.tau / n))
    return np.column_stack([x + r * np.cos(t), y + r * np.sin(t)])


def bracket():
    """A part about 300 px across with nothing symmetric: outline and holes, even-odd."""
    outline = rounded([(-140, -100), (60, -100), (60, -40), (140, -40), (140, 100), (-60, 100), (-140, 40)], 12)
    return [outline, circle(-80, -40, 28), circle(85, 45, 18), rounded([(-40, 20), (30, 20), (30, 60), (-40, 60)], 6)]


@njit(nogil=True)
def _edges(p, area):
    """Add the signed area right of each edge of a polygon, cell by cell; a running sum along x gives its coverage."""
    h, w = area.shape[0], area.shape[1] - 2
    for k in range(len(p)):
        x0, y0 = p[k]
        x1, y1 = p[(k + 1) % len(p)]
        if y0 == y1:
            continue
        way = 1.0
        if y0 > y1:
            x0, y0, x1, y1, way = x1, y1, x0, y0, -1.0
        slope = (x1 - x0) / (y1 - y0)
        for i in range(max(0, math.floor(y0)), min(h, math.ceil(y1))):
            top, low = max(y0, i), min(y1, i + 1.0)
            a, b = x0 + (top - y0) * slope, x0 + (low - y0) * slope
            left, right = min(max(min(a, b), 0.0), w), min(max(max(a, b), 0.0), w)
            first, last = min(int(left), w - 1), min(int(right), w - 1)
            before = 0.0
            for j in range(first, last + 2):
                # Mean over the edge's heights in this row of how much of cell j lies right of it.
                if right - left < 1e-12:
                    share = min(max(j + 1.0 - left, 0.0), 1.0)
                else:
                    share = _ramp(j + 1.0 - left, right - left) - _ramp(j - left, right - left)
                area[i, j] += way * (low - top) * (share - before)
                before = share


@njit(nogil=True)
def _ramp(z, width):
    """Integral up to z of the share of heights at which an edge that spans `width` lies left of there."""
    if z <= 0.0:
        return 0.0
    if z >= width:
        return z - 0.5 * width
    return 0.5 * z * z / width


def coverage(loops, rows, cols, fine=FINE):
    """Exact share (rows·fine, cols·fine) of each fine cell in the first loop and in none of the others, its holes."""
    area = np.zeros((rows * fine, cols * fine + 2))
    for k, loop in enumerate(loops):
        p = (np.asarray(loop, float) + 0.5) * fine
        x, y = p.T
        positive = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0
        _edges(np.ascontiguousarray(p if positive == (k > 0) else p[::-1]), area)
    return np.cumsum(area, axis=1)[:, :-2]


def placed(loops, x, y, angle, scale=1.0):
    """Loops turned, sized and shifted."""
    c, s = scale * math.cos(angle), scale * math.sin(angle)
    return [loop @ np.array([[c, s], [-s, c]]) + (x, y) for loop in loops]


def seen_share(loops, rows, cols, blur, fine=FINE):
    """Share (rows, cols) of light that a camera with Gaussian blur (px) sees of loops; optics before pixels."""
    share = coverage(loops, rows, cols, fine).astype(np.float32)
    if blur > 0:
        share = cv2.GaussianBlur(share, (0, 0), blur * fine, borderType=cv2.BORDER_REPLICATE)
    return share.reshape(rows, fine, cols, fine).mean(axis=(1, 3)).astype(np.float64)


def put(picture, loops, level, blur, fine=FINE):
    """Lay a shape of a grey level into a picture (float64), only where it is."""
    every = np.vstack(loops)
    pad = math.ceil(4 * blur) + 2
    x0, y0 = np.maximum(np.floor(every.min(axis=0)).astype(int) - pad, 0)
    x1, y1 = np.minimum(np.ceil(every.max(axis=0)).astype(int) + pad + 1, picture.shape[::-1])
    if x1 <= x0 or y1 <= y0:
        return
    share = seen_share([loop - (x0, y0) for loop in loops], y1 - y0, x1 - x0, blur, fine)
    part = picture[y0:y1, x0:x1]
    part += share * (level - part)


def taken(picture, noise, rng, dtype=np.uint8, gain=1.0):
    """The picture through a sensor: gain, noise in grey levels, clipping, whole numbers."""
    values = gain * picture + rng.normal(0, noise, picture.shape)
    if dtype == np.float32:
        return values.astype(dtype)
    return np.clip(np.rint(values), 0, np.iinfo(dtype).max).astype(dtype)
