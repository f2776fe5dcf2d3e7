"""Beads so narrow that blur never lets them show their full height: what their widths are all the same.

Half of a height that is seen too low is found too far out. So the profile of the bead is explained by a band of one
grey behind a blur (the difference of two error functions), by least squares; by its height, widths are told.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]

WIDE = 9.0
"""From so many blurs on both edges are free of one another: half a height is found to 1e-5 of a blur."""
TELLS = 2.0
"""Below so many blurs a band looks like a lower one that is wider: width and height cannot be told apart."""
MOST_BLUR = 2.5
"""What rises more slowly than behind such a blur, px, may as well be a dome, which shows its full height."""
FORM, MOST_MISFIT = 0.1, 0.01
"""Standard uncertainty of a correction as a share of it: a blur need not be a Gaussian one, nor a bead of one grey. And
what may be left over of its profile, as a share of the height: discs of 3 px radius and domes leave more (tests)."""
ALIKE, MOST_GROUPS = 0.4, 8
"""Widths that differ by less, samples, count as alike; and of how many kinds there are at most."""
BIN = 0.125
"""Samples of the profile that lie so close are averaged, px."""
HALVINGS, ROUNDS = 32, 2
LEAST_BAND = 0.02
"""The narrowest band that is tried, in blurs."""
CALMED = 2.0 / 3.0
"""Variance, samples², that the mean of three adds to the blur."""


@dataclass(frozen=True)
class Narrow:
    """What is done about narrow widths: `widths` (n,) in samples, and `u` of what they were corrected by.

    `vague`: width and height cannot be told apart, or blur and dome.
    """

    widths: Array
    u: float
    vague: bool


@dataclass(frozen=True)
class Seen:
    """Widths of a bead as they seem, in samples: `widths` (n,), and what is `usual` about each (n,), as the height is.

    They are taken at a `share` of the height, a mean over `plateau` samples to either side; NaN where there are none.
    """

    widths: Array
    usual: Array
    share: float
    plateau: float


@dataclass(frozen=True)
class _Band:
    """A band behind a blur, samples: `height` over the one that is seen, on a ground that is `ground` too high.

    `misfit`: what it leaves over besides noise, rms, as a share of the height.
    """

    height: float
    ground: float
    width: float
    blur: float
    u_width: float
    misfit: float


def is_wide(width: float, steepness: float) -> bool:
    """Return whether edges are free of one another: by a width and their slope over the height, per sample."""
    return width * steepness * math.sqrt(2.0 * math.pi) > WIDE


def narrow_widths(seen: Seen, station: NDArray[np.int64], x: Array, y: Array) -> Narrow:
    """Return the widths of a bead from what they seem to be.

    `y` (k, m): grey over the ground as a share of the height nearby, at each `station` (k,) of some; `x` (k, m) samples
    from the bead's middle. Stations with a bead that is about as wide are explained together.
    """
    usual = seen.usual[station]
    groups = min(max(round(float(np.ptp(usual)) / ALIKE), 1), MOST_GROUPS)
    bounds = np.quantile(usual, np.linspace(0.0, 1.0, groups + 1)[1:-1])
    group, of_all = np.searchsorted(bounds, usual), np.searchsorted(bounds, seen.usual)
    told, u, vague = seen.widths.copy(), 0.0, False
    for k in range(groups):
        mine, held = group == k, of_all == k
        widths = seen.widths[station[mine]]
        if not widths.size:
            continue
        # As if all seemed as wide as the middle one of them.
        off = np.abs(x[mine]) - (widths - np.median(widths))[:, None] / 2.0
        part = Seen(seen.widths[held], seen.usual[held], seen.share, seen.plateau)
        narrow = _alike(part, off.ravel(), y[mine].ravel(), float(np.median(widths)))
        told[held] = narrow.widths
        u, vague = max(u, narrow.u), vague or narrow.vague
    return Narrow(told, u, vague)


def _alike(seen: Seen, x: Array, y: Array, width: float) -> Narrow:
    """Return the widths of stations that seem about as wide, by their common profile."""
    band = _fit(x, y, width)
    if band is None:
        return Narrow(seen.widths, width / 2.0, True)
    told = _told(seen, band, width)
    shift = float(np.nanmedian(told)) - width
    if band.blur > MOST_BLUR:
        return Narrow(seen.widths, abs(shift), band.width < 2.0 * TELLS * band.blur)
    is_vague = band.width < TELLS * band.blur or band.misfit > MOST_MISFIT
    return Narrow(told, math.hypot(FORM * shift, band.u_width), is_vague)


def _lobe(x: Array | float, width: Array | float, blur: float) -> Array:
    """Return the grey of a band of height 1, `x` from its middle."""
    return np.asarray(ndtr((x + width / 2.0) / blur) - ndtr((x - width / 2.0) / blur))


def _plateau(width: Array, blur: float, reach: float) -> Array:
    """Return the mean of the middle of bands (n,) of height 1 over a reach to either side."""

    def whole(t: Array) -> Array:
        return np.asarray(t * ndtr(t) + np.exp(-0.5 * t * t) / math.sqrt(2.0 * math.pi))

    half = width / 2.0
    return np.asarray((blur * (whole((reach + half) / blur) - whole((reach - half) / blur)) - half) / reach)


def _fit(x: Array, y: Array, width: float) -> _Band | None:
    """Return the band that explains a profile; None where none does better than others."""
    x = np.abs(x)
    cell = np.rint(x / BIN).astype(np.int64)
    count = np.bincount(cell)
    held = count > 0
    count = count[held]
    at, grey, square = (np.bincount(cell, v)[held] / count for v in (x, y, y * y))
    weight = np.sqrt(count / x.size)
    noise = math.sqrt(float(np.sum(count * (square - grey * grey))) / max(x.size - len(at), 1))

    def off(p: Array) -> Array:
        return np.asarray(weight * (p[0] * _lobe(at, p[2], math.exp(p[3])) + p[1] - grey))

    if len(at) < 6:
        return None
    found = scipy.optimize.least_squares(
        off, [1.0, 0.0, width, math.log(max(width / 6.0, 1.0))], method="lm", max_nfev=400
    )
    normal = found.jac.T @ found.jac
    height, ground, told, logged = found.x.tolist()
    if not (found.success and told > 0 and height > 0 and np.linalg.cond(normal) < 1e9):
        return None
    scale, left = math.sqrt(float(np.linalg.inv(normal)[2, 2])), float(found.fun @ found.fun)
    # Noise is free from sample to sample; what the form leaves over besides is not, and may all act one way.
    misfit = math.sqrt(max(left - noise**2 * (len(at) - 4) / x.size, 0.0))
    u = scale * math.hypot(noise / math.sqrt(x.size), misfit)
    return _Band(height, ground, told, math.exp(logged), u, misfit)


def _told(seen: Seen, band: _Band, width: float) -> Array:
    """Return the widths (n,) of stations at the share of the height that a wide bead of this grey would show."""
    blur = math.sqrt(band.blur**2 + CALMED)
    plateau = _plateau(np.array([band.width]), blur, seen.plateau)
    usual, level = np.full(seen.usual.shape, band.width), np.full(seen.usual.shape, (seen.share - band.ground))
    for _ in range(ROUNDS):
        # Where the bead is narrower along a stretch, a lesser part of its height is seen there.
        height = band.height * plateau / _plateau(usual, blur, seen.plateau)
        usual = _widths(seen.usual, level / height, blur)
    widths = _widths(seen.widths, level / height, blur)
    # Between two samples the grey does not rise evenly: so the widths follow the band, and it says how wide it is.
    middle = _widths(np.array([width]), level[:1] / band.height, blur)[0]
    away = 2.0 * band.blur * ndtri(seen.share)
    return np.asarray(np.where(np.isfinite(seen.widths), widths - middle + band.width - away, np.nan))


def _widths(seen: Array, level: Array, blur: float) -> Array:
    """Return how wide bands of height 1 are (n,) that have a level (n,) at a width that is seen (n,)."""
    return _root(lambda width: _lobe(seen / 2.0, width, blur) - level, seen, blur)


def _root(misses: Callable[[Array], Array], seen: Array, blur: float) -> Array:
    """Return where what rises with the width of a band crosses 0 (n,), by halving."""
    low, high = np.full(seen.shape, LEAST_BAND * blur), np.nan_to_num(seen) + 4.0 * blur
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        below = misses(middle) < 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2.0)
