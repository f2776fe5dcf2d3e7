"""How a picture is lit: grey curve, what is saturated or black, how even it is, and whether it flickers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from tiepoint.station.watch.look import BLACK

Array = NDArray[np.float64]
Picture = NDArray[Any]
Polygon = tuple[tuple[float, float], ...]

CURVE_BINS = 64
HATCHED_SIDE, MOST_HATCHED = 256, 30
CUT = 40
CELLS = (12, 16)
"""Rows and columns in which flicker is looked for."""
FEWEST_PICTURES = 8
USABLE = 0.7
"""Share of the pictures in which a cell is neither too dark nor too bright to tell."""
DARK, BRIGHT = 0.03, 0.97
MAINS_HZ = (100.0, 120.0)
EXPLAINS, EXPLAINS_NOT = 0.8, 0.4


@dataclass(frozen=True, slots=True)
class Exposure:
    """The grey values: `full` scale (1 for computed pictures), mean, and shares of `saturated` and `black` pixels.

    `curve` (64,): the shares of pixels from 0 to full scale. `saturated_at`, `black_at`: outlines in px of where
    pixels have no grey levels left, the largest first.
    """

    full: float
    mean: float
    saturated: float
    black: float
    curve: tuple[float, ...]
    saturated_at: tuple[Polygon, ...] = ()
    black_at: tuple[Polygon, ...] = ()


@dataclass(frozen=True, slots=True)
class Evenness:
    """The least light over the most, with U (95 %), and the light along two cuts through the middle, of their most.

    `by`: by the white of a *target*, or by the brightest tenth of the *picture*'s own parts, which is right only where
    those are of one surface; `u95` is None then.
    """

    value: float | None
    u95: float | None = None
    by: Literal["target", "picture"] = "picture"
    across: tuple[float, ...] = ()
    down: tuple[float, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Flicker:
    """How much brightness swings from picture to picture: amplitude over mean, as of a sine, with U (95 %).

    `trace`: the mean of each picture over that of all. `hz`: of 100 and 120 Hz, the one that explains it by the times
    of the pictures; None where neither, or both. No value without a reason.
    """

    value: float | None
    u95: float | None = None
    pictures: int = 0
    trace: tuple[float, ...] = ()
    hz: float | None = None
    reason: str = ""


def exposure_of(grey: Picture, full: float) -> Exposure:
    """Return the exposure of a grey picture (rows, cols) that saturates at `full`."""
    top = full if math.isfinite(full) else 1.0
    bright, dark = grey >= top, grey <= BLACK * top
    counts = _counts(grey, top)
    return Exposure(
        top, float(grey.mean(dtype=np.float64)), float(bright.mean()), float(dark.mean()),
        tuple(np.round(counts / grey.size, 6).tolist()), _outlines(bright), _outlines(dark),
    )  # fmt: skip


def _counts(grey: Picture, top: float) -> Array:
    """Return how many pixels lie in each of the bins from 0 to the top."""
    if not np.issubdtype(grey.dtype, np.integer):
        return np.histogram(grey, bins=CURVE_BINS, range=(0, top))[0].astype(float)
    each = (
        np.bincount(grey.ravel()) if grey.dtype != np.uint8 else cv2.calcHist([grey], [0], None, [256], [0, 256])[:, 0]
    )
    bins = np.minimum((np.arange(len(each)) * CURVE_BINS / (top + 1)).astype(int), CURVE_BINS - 1)
    return np.asarray(np.bincount(bins, each, CURVE_BINS), float)


def _outlines(mask: NDArray[np.bool_]) -> tuple[Polygon, ...]:
    """Return outlines of where half of the pixels and more are in a mask, coarsely enough to be drawn."""
    if not mask.any():
        return ()
    height, width = mask.shape
    factor = max(1.0, max(width, height) / HATCHED_SIDE)
    size = max(1, round(width / factor)), max(1, round(height / factor))
    small = cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) >= 128
    found, _ = cv2.findContours(small.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    found = sorted((one for one in found if len(one) >= 3), key=cv2.contourArea, reverse=True)[:MOST_HATCHED]
    fx, fy = width / size[0], height / size[1]
    return tuple(
        tuple((round((x + 0.5) * fx - 0.5, 1), round((y + 0.5) * fy - 0.5, 1)) for x, y in one[:, 0].tolist())
        for one in found
    )


# --- even ------------------------------------------------------------------------------------------------------------


def evenness_by_target(px: Array, light: Array) -> Evenness:
    """Return the evenness of the light on a target: its white at points (n, 2) px, a polynomial of second degree.

    The least and the most are of the smooth light at the points themselves, so that nothing is said of what no white
    was seen of. U is of the fit's own scatter.
    """
    if len(px) < 12:
        return Evenness(None, by="target", reason="too little of the target's white is seen")
    middle, reach = px.mean(axis=0), np.maximum(np.ptp(px, axis=0) / 2, 1.0)
    terms = _terms((px - middle) / reach)
    fit, *_ = np.linalg.lstsq(terms, light, rcond=None)
    smooth = terms @ fit
    least, most = int(np.argmin(smooth)), int(np.argmax(smooth))
    if not smooth[least] > 0:
        return Evenness(None, by="target", reason="the target's white is black")
    variance = float(np.sum((light - smooth) ** 2)) / max(len(px) - terms.shape[1], 1)
    inverse = np.linalg.pinv(terms.T @ terms) * variance
    relative = [float(terms[k] @ inverse @ terms[k]) / float(smooth[k]) ** 2 for k in (least, most)]
    value = float(smooth[least] / smooth[most])
    along = np.linspace(-1, 1, CUT)
    zero = np.zeros(CUT)
    cuts = [_terms(np.column_stack(pair)) @ fit / smooth[most] for pair in ((along, zero), (zero, along))]
    across, down = (tuple(np.round(cut, 4).tolist()) for cut in cuts)
    return Evenness(value, 1.96 * value * math.sqrt(sum(relative)), "target", across, down)


def _terms(xy: Array) -> Array:
    x, y = xy.T
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def evenness_by_picture(grey: Picture) -> Evenness:
    """Return the evenness of a picture by the brightest tenth of its parts, as of a white sheet that fills it."""
    height, width = grey.shape
    size = min(8 * CELLS[1], width), min(8 * CELLS[0], height)
    small = cv2.resize(grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    rows, columns = max(size[1] // 8, 1), max(size[0] // 8, 1)
    small = small[: rows * 8, : columns * 8] if min(size) >= 8 else small
    cells = small.reshape(rows, -1, columns, small.shape[1] // columns).swapaxes(1, 2).reshape(rows, columns, -1)
    white = np.quantile(cells, 0.9, axis=2).astype(float)
    most = float(white.max())
    if not most > 0:
        return Evenness(None, reason="the picture is black")
    across, down = white[rows // 3 : max(2 * rows // 3, 1)].mean(0), white[:, columns // 3 : 2 * columns // 3].mean(1)
    along_x, along_y = (tuple(np.round(cut / most, 4).tolist()) for cut in (across, down))
    return Evenness(float(white.min()) / most, None, "picture", along_x, along_y)


# --- steady ----------------------------------------------------------------------------------------------------------


def cells_of(grey: Picture, full: float) -> Array:
    """Return what flicker is told from: means (2, rows, cols) of even and of odd columns in each cell of a picture.

    NaN for cells that are too dark or too bright to tell. The two halves see the same light, and each its own noise.
    """
    rows, columns = CELLS
    height, width = grey.shape[0] // rows * rows, grey.shape[1] // (2 * columns) * 2 * columns
    if not (height and width):
        return np.full((2, rows, columns), np.nan)
    halves = []
    for first in (0, 1):
        half = grey[:height, first:width:2]
        halves.append(half.reshape(rows, height // rows, columns, -1).mean(axis=(1, 3), dtype=np.float64))
    told = np.stack(halves)
    top = full if math.isfinite(full) else 1.0
    return np.where((told > DARK * top).all(0) & (told < BRIGHT * top).all(0), told, np.nan)


def flicker_of(series: Sequence[Array], times_s: Sequence[float] = ()) -> Flicker:
    """Return the flicker of pictures one after another, by their `cells_of`; `times_s`: when each was exposed.

    Each band of rows by itself, since a rolling shutter lights it at another time: the median of its cells, so that
    a part that moves in some of them is no flicker; then the covariance of the two halves over time, without a steady
    drift, for noise is in one half only. Lamps that swing in step with the pictures cannot be seen to.
    """
    n = len(series)
    if n < FEWEST_PICTURES:
        few = "1 picture does" if n == 1 else f"{n} pictures do"
        return Flicker(None, pictures=n, reason=f"{few} not tell; {FEWEST_PICTURES} do")
    told = np.stack(list(series))
    usable = np.isfinite(told).mean(axis=(0, 1)) > USABLE
    bands = usable.any(axis=1)
    if not bands.any():
        return Flicker(None, pictures=n, reason="no part of the picture is neither black nor saturated in all of them")
    told = np.where(usable, told, np.nan)[:, :, bands]
    values = _median(told / _median(told, axis=0), axis=3)
    values = np.where(np.isfinite(values), values, 1.0)  # of a band none of whose cells is usable in one picture
    at = np.linspace(-1, 1, n)
    drift = np.column_stack([np.ones(n), at])
    left = values - np.einsum("ij,jkl->ikl", drift @ np.linalg.pinv(drift), values)
    freedom = n - 2
    variance = float(np.median(np.sum(left[:, 0] * left[:, 1], axis=0) / freedom))
    noise = float(np.median(np.sum((left[:, 0] - left[:, 1]) ** 2, axis=0) / freedom)) / 4
    value = math.sqrt(2 * max(variance, 0.0))
    # Of a normal law, whose variance scatters more than a sine's: the ± is rather too large.
    u_variance = (max(variance, 0.0) + noise) * math.sqrt(2 / freedom)
    t = float(scipy.special.stdtrit(freedom, 0.975))
    u95 = t * (u_variance / value if value**2 > 2 * u_variance else math.sqrt(2 * u_variance))
    trace = np.median(values.mean(axis=1), axis=1)
    swings = np.median(left.mean(axis=1), axis=1)
    return Flicker(value, u95, n, tuple(np.round(trace, 5).tolist()), _mains(swings, times_s, value > u95))


def _median(values: Array, axis: int) -> Array:
    """Return the median of what is there, NaN where nothing is: of that `np.nanmedian` warns, and filters are all
    threads'."""
    none = np.isnan(values).all(axis=axis, keepdims=True)
    return np.where(np.squeeze(none, axis=axis), np.nan, np.nanmedian(np.where(none, 0.0, values), axis=axis))


def _mains(swings: Array, times_s: Sequence[float], is_seen: bool) -> float | None:
    """Return which frequency of the mains explains the swings; None where none or both do."""
    if not is_seen or len(times_s) != len(swings):
        return None
    shares = []
    for hz in MAINS_HZ:
        phase = 2 * math.pi * hz * (np.asarray(times_s) - times_s[0])
        waves = np.column_stack([np.cos(phase), np.sin(phase), np.ones_like(phase)])
        left = swings - waves @ np.linalg.lstsq(waves, swings, rcond=None)[0]
        shares.append(1 - float(left @ left) / max(float(swings @ swings), 1e-300))
    best = int(np.argmax(shares))
    return MAINS_HZ[best] if shares[best] > EXPLAINS and shares[1 - best] < EXPLAINS_NOT else None


def in_step(times_s: Sequence[float], hz: float) -> bool:
    """Whether pictures come in step with a frequency, so that a swing of it cannot be seen in them."""
    gaps = np.diff(np.asarray(times_s)) * hz
    return bool(len(gaps) >= 2 and np.abs(gaps - np.round(gaps)).max() < 0.02)


def with_reason(flicker: Flicker, reason: str) -> Flicker:
    """Return a flicker that is not told, and why."""
    return replace(flicker, value=None, u95=None, reason=reason)
