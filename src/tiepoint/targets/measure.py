"""From a grid of rough places to sub-pixel feature points with covariances: the quick pass and the full one."""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.targets.draw import Target, dark_squares, discs
from tiepoint.vision.corners import CornerFits, Crossings, fit_corners
from tiepoint.vision.dots import DotFits, Rims, affine_template, fit_dots, rim_shift_px
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.light import step_slopes
from tiepoint.vision.normal_equations import FITTED

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Picture = NDArray[Any]

BAND = 4.1
"""Half width of what is read along an edge, in blur widths: beyond it the step is over to 5e-5."""

_NARROWEST_PX = 2.0
_QUICK_REACH_PX = 10.0
FULL_REACH_PX = 40.0
_MOST_SHAPES = 3
_FIRST_BLUR_PX = 1.0
_BLUR_SAMPLE = 9
_LIGHT_REACH_PX = 7.0
"""Levels need little of a corner: a short reach tells them for a fraction of the time."""
_TELLING_DOTS = 100
"""So many dots at least tell the light, where there are as many."""


@dataclass(frozen=True)
class Points:
    """Sub-pixel feature points: numbers in the target `ids` (n,), `px` (n, 2), `cov_px2` (n, 2, 2); medians of
    the noise (grey levels), of the edge blur (px, with the pixel's own width) and of the contrast; `light` and `dark`
    (n,) grey levels of both sides.
    """

    ids: Ints
    px: Array
    cov_px2: Array
    noise: float
    blur_px: float
    contrast: float
    light: Array
    dark: Array


@dataclass(frozen=True)
class Local:
    """A grid's local shape at n nodes: `ids` (n,), `px` (n, 2), first derivatives `jacobian` (n, 2, 2) with
    columns ∂px/∂column and ∂px/∂row, `second` (n, 3, 2): ∂² by column², column·row, row²; all per pitch.
    """

    ids: Ints
    px: Array
    jacobian: Array
    second: Array

    @property
    def spacing_px(self) -> Array:
        """Distance (n,) to the nearer of the neighbours, by the shorter of both steps."""
        return np.asarray(np.linalg.norm(self.jacobian, axis=1).min(axis=1))

    @property
    def tangents(self) -> Array:
        """Unit directions (n, 2, 2) of the two lines, [:, i] of line i."""
        steps = np.swapaxes(self.jacobian, 1, 2)
        return np.asarray(steps / np.linalg.norm(steps, axis=2, keepdims=True))

    @property
    def curvature(self) -> Array:
        """Curvature (n, 2) of the two lines in 1/px, positive towards the normal (−t_y, t_x)."""
        steps = np.swapaxes(self.jacobian, 1, 2)
        bends = self.second[:, [0, 2]]
        cross = steps[..., 0] * bends[..., 1] - steps[..., 1] * bends[..., 0]
        return np.asarray(cross / np.linalg.norm(steps, axis=2) ** 3)


def local_shape(nodes: Array) -> Local:
    """Return the local shape at the nodes (rows, columns, 2) that are there and have neighbours on both axes."""
    along_x, bend_x = _differences(nodes)
    along_y, bend_y = (np.swapaxes(d, 0, 1) for d in _differences(np.swapaxes(nodes, 0, 1)))
    mixed, _ = _differences(np.swapaxes(along_x, 0, 1))
    mixed = np.swapaxes(mixed, 0, 1)
    good = np.isfinite(nodes).all(axis=2) & np.isfinite(along_x).all(axis=2) & np.isfinite(along_y).all(axis=2)
    jacobian = np.stack([along_x[good], along_y[good]], axis=2)
    second = np.stack([bend_x[good], np.nan_to_num(mixed[good]), bend_y[good]], axis=1)
    return Local(np.flatnonzero(good), nodes[good], jacobian, second)


def _differences(nodes: Array) -> tuple[Array, Array]:
    """Return first and second differences along the columns.

    At a border the second one is carried on linearly from its two neighbours (or is the one neighbour's, or none),
    and the first is one-sided, corrected by it: exact for a cubic.
    """
    h, w = nodes.shape[:2]
    padded = np.full((h, w + 6, 2), np.nan)
    padded[:, 3:-3] = nodes
    step = np.diff(padded, axis=1)  # step[:, k]: from column k − 3 to k − 2
    bend = np.diff(step, axis=1)  # bend[:, k]: at column k − 2
    behind, ahead = step[:, 2:-3], step[:, 3:-2]
    first, second = np.full(nodes.shape, np.nan), np.zeros(nodes.shape)
    for side, near, next_ in ((1.0, bend[:, 3:-1], bend[:, 4:]), (-1.0, bend[:, 1:-3], bend[:, :-4])):
        known, far = np.isfinite(near), np.isfinite(near) & np.isfinite(next_)
        third = np.where(far, next_ - near, 0.0)
        here = np.where(known, near - third, 0.0)
        one_sided = (ahead if side > 0 else -behind) - here / 2 - third / 6
        usable = np.isfinite(one_sided) & ~np.isfinite(first)
        first = np.where(usable, side * one_sided, first)
        second = np.where(usable, here, second)
    middle = bend[:, 2:-2]
    inner = np.isfinite(middle)
    return np.where(inner, (ahead + behind) / 2, first), np.where(inner, middle, second)


def quick_corners(picture: Picture, nodes: Array, target: Target) -> Points:
    """Fit corners at rough places (rows, columns, 2) px, NaN where not seen; no tie is needed.

    Directions and curvature of the lines come from the neighbours, the light from all corners together. Where
    the rough places were too rough for the curvature (blur, small squares), the measured ones give a better one.
    """
    shape = local_shape(_sharpened(picture, nodes))
    blur, full = _common_blur(picture, shape), full_scale([picture])
    for _ in range(_MOST_SHAPES):
        spacing = shape.spacing_px
        reach = np.minimum(max(_QUICK_REACH_PX, 8 * blur), 0.48 * spacing)
        found = _corners(picture, _start(shape, reach, _band(spacing, blur, target)), shape.ids, blur, target, full)
        fresh = nodes.copy()
        fresh.reshape(-1, 2)[shape.ids] = shape.px
        fresh.reshape(-1, 2)[found.ids] = found.px
        better = local_shape(fresh)
        if _bend_px(better, shape, reach) < 0.3 * np.sqrt(np.median(found.cov_px2[:, 0, 0])):
            break
        shape = better
    return found


def _bend_px(better: Local, shape: Local, reach: Array) -> float:
    """Return by how much (rms) the lines' curvature changed between two shapes, in px of a corner's place."""
    common, new, old = np.intersect1d(better.ids, shape.ids, return_indices=True)
    change = (better.curvature[new] - shape.curvature[old]) * reach[old, None] ** 2 / 6
    return float(np.sqrt(np.mean(change**2))) if len(common) else 0.0


def _start(shape: Local, reach: Array, band: Array) -> Crossings:
    even = np.zeros((len(shape.ids), 2, 2))
    return Crossings(shape.px, shape.tangents, shape.curvature, reach, band, even)


def full_corners(picture: Picture, shape: Local, blur_px: float, target: Target) -> Points:
    """Fit corners with all that their lines offer up to half way to the neighbours (40 px at most).

    `shape` comes from a tie: its curvature keeps the long reach unbiased.
    """
    spacing = shape.spacing_px
    reach = np.minimum(max(FULL_REACH_PX, 16 * blur_px), 0.48 * spacing)
    start = _start(shape, reach, _band(spacing, blur_px, target))
    return _corners(picture, start, shape.ids, blur_px, target, full_scale([picture]))


def _band(spacing: Array, blur: float, target: Target) -> Array:
    # What is printed inside a square (a marker, a disc) must stay outside with its own blur.
    gap = (1 - target.layout.share) / 2 if target.pattern == "charuco" else 0.3
    return np.maximum(np.minimum(max(BAND * blur, _NARROWEST_PX), gap * spacing - 1.5 * blur), 1.5 * blur)


def _sharpened(picture: Picture, nodes: Array) -> Array:
    """Return the nodes moved to the corner in the picture by the gradient's own equation (Förstner 1987)."""
    known = np.isfinite(nodes).all(axis=2)
    steps = [np.nanmedian(np.linalg.norm(np.diff(nodes, axis=axis), axis=2)) for axis in (0, 1)]
    window = int(np.clip(0.12 * min(steps), 2, 5))
    eight = picture if picture.dtype == np.uint8 else picture.astype(np.float32)
    start = np.ascontiguousarray(nodes[known], np.float32)[:, None]
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 20, 0.01)
    moved = cv2.cornerSubPix(eight, start.copy(), (window, window), (-1, -1), criteria)[:, 0]
    out = nodes.copy()
    out[known] = moved
    far = np.linalg.norm(out - nodes, axis=2) > 0.25 * min(steps)
    out[far] = np.nan
    return out


def _common_blur(picture: Picture, shape: Local) -> float:
    """Return the median edge blur of a few corners, fitted with room for much more blur than is usual."""
    some = slice(None, None, max(1, len(shape.ids) // _BLUR_SAMPLE))
    few = Local(shape.ids[some], shape.px[some], shape.jacobian[some], shape.second[some])
    spacing = few.spacing_px
    start = _start(few, np.minimum(0.4 * spacing, 14.0), np.clip(0.12 * spacing, 2.5, 9.0))
    fits = fit_corners(picture, start, _FIRST_BLUR_PX, rounds=12)
    good = fits.status == FITTED
    return float(np.median(fits.blur_px[good])) if good.any() else _FIRST_BLUR_PX


def _corners(picture: Picture, start: Crossings, ids: Ints, blur: float, target: Target, full: float) -> Points:
    # Positive swing: the square towards +x, +y (and its opposite) is dark.
    sign = np.where(dark_squares(target)[1:, 1:].ravel()[ids], 1.0, -1.0)
    short = np.minimum(start.reach_px, max(_LIGHT_REACH_PX, 5 * blur))
    first = fit_corners(picture, replace(start, reach_px=short), blur, rounds=1)
    slopes = step_slopes(start.xy_px, first.level, sign * first.swing, full)
    slopes[:, 1] *= sign[:, None]
    fits = fit_corners(picture, replace(start, slopes=slopes), blur)
    return _kept(fits, ids, sign * fits.swing, np.abs(fits.xy_px - start.xy_px).max(axis=1))


def _kept(fits: CornerFits | DotFits, ids: Ints, swing: Array, moved: Array) -> Points:
    """Return the fits that are what they should be: right colours, and noise and blur like the others'."""
    good = (fits.status == FITTED) & (swing > 0)
    if good.any():
        usual, width = np.median(fits.noise[good]), np.median(fits.blur_px[good])
        good &= (fits.noise < 3 * usual + 0.02 * np.median(swing[good])) & (swing > 2 * fits.noise)
        good &= (fits.blur_px < 2.5 * width) & (fits.blur_px > 0.4 * width) & (moved < 1 + 2 * width)
    noise, blur, contrast = (
        float(np.median(values[good])) if good.any() else 0.0 for values in (fits.noise, fits.blur_px, 2 * swing)
    )
    light, dark = (fits.level + np.abs(swing))[good], (fits.level - np.abs(swing))[good]
    return Points(ids[good], fits.xy_px[good], fits.cov_px2[good], noise, blur, contrast, light, dark)


def quick_dots(picture: Picture, nodes: Array, axes_px: Array, target: Target) -> Points:
    """Fit dots at rough places (rows, columns, 2) with rough shapes (rows, columns, 2, 2); no tie is needed.

    The rims are fitted as ellipses, with a part of their pixels; each centre is then moved by what the grid's
    own second derivatives say about the picture of a circle's centre.
    """
    shape = local_shape(nodes)
    size, template = affine_template(axes_px.reshape(-1, 2, 2)[shape.ids])
    every = int(np.clip(2 * np.pi * np.median(size) * 7 / 250, 1, 5))
    blur = _dot_blur(picture, shape, size, template)
    rims = Rims(shape.px, size, template, rim_band(blur, size, shape.spacing_px), np.zeros((len(shape.ids), 2, 2)))
    fits = fit_dots(picture, _lit(picture, rims, blur, every), blur, every=every)
    return _centred(_kept(fits, shape.ids, fits.swing, np.zeros(len(size))), nodes.shape, target)


def _centred(found: Points, grid_shape: tuple[int, ...], target: Target) -> Points:
    """Return the points moved from the middle of each ellipse to the picture of the dot's centre.

    Twice: large dots are off by more than their neighbours, which bends the grid of the middles.
    """
    middles = np.full(grid_shape, np.nan)
    middles.reshape(-1, 2)[found.ids] = found.px
    nodes = middles.copy()
    for _ in range(2):
        shape = local_shape(nodes)
        share = discs(target)[shape.ids, 2] / target.pitch_mm
        px = middles.reshape(-1, 2)[shape.ids] + rim_shift_px(shape.jacobian, shape.second, share)
        nodes.reshape(-1, 2)[shape.ids] = px
    at = np.searchsorted(found.ids, shape.ids)
    light, dark = found.light[at], found.dark[at]
    return replace(found, ids=shape.ids, px=px, cov_px2=found.cov_px2[at], light=light, dark=dark)


def full_dots(picture: Picture, rims: Rims, ids: Ints, blur_px: float) -> Points:
    """Fit rims against templates from a tie: nothing is left to correct."""
    fits = fit_dots(picture, rims, blur_px)
    return _kept(fits, ids, fits.swing, np.abs(fits.xy_px - rims.xy_px).max(axis=1))


def _lit(picture: Picture, rims: Rims, blur: float, every: int) -> Rims:
    """Return the rims with the slopes of the light, from the levels that some of them tell: it is smooth."""
    some = slice(None, None, max(1, len(rims.size_px) // _TELLING_DOTS))
    fits = fit_dots(picture, rims.part(some), blur, every=every)
    level, swing = np.full((2, len(rims.size_px)), np.nan)
    level[some], swing[some] = np.where(fits.status == FITTED, [fits.level, fits.swing], np.nan)
    return replace(rims, slopes=step_slopes(rims.xy_px, level, swing, full_scale([picture])))


def rim_band(blur: float, size: Array, spacing: Array) -> Array:
    """Return how far (n,) px around a rim to read: not up to the rim opposite, nor to the next dot's."""
    return np.minimum(max(BAND * blur, _NARROWEST_PX), np.minimum(0.7 * size, 0.3 * spacing))


def _dot_blur(picture: Picture, shape: Local, size: Array, template: Array) -> float:
    some = slice(None, None, max(1, len(size) // _BLUR_SAMPLE))
    band = np.minimum(np.minimum(0.5 * size, 0.25 * shape.spacing_px), 9.0)
    rims = Rims(shape.px, size, template, band, np.zeros((len(size), 2, 2)))
    fits = fit_dots(picture, rims.part(some), _FIRST_BLUR_PX, rounds=12)
    good = fits.status == FITTED
    return float(np.median(fits.blur_px[good])) if good.any() else _FIRST_BLUR_PX
