"""A bead along a path: where its edges are at every station, where it is missing, and where nobody can tell.

The band of a picture about a path is laid straight, with samples about a pixel apart. The bead stands out of the ground
beside it: as one bright or dark ridge, or as two flanks of opposite sign, as a slope or slanting light shows it. Where
it stands out by more than half of what it does nearby, it is there; its edges are where the grey has some share of it.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.bead_kernels import (
    CONTRAST,
    FIRST,
    FLANKS,
    HIGH,
    LAST,
    LOW,
    PLATEAU_SHARE,
    RIDGE,
    SLOPE,
    along_end,
    crossings,
    heights_of,
    middles_of,
    smoothed,
    stations,
    unroll,
)
from tiepoint.vision.bead_narrow import Narrow, Seen, is_wide, narrow_widths

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Singles = NDArray[np.float32]
Look = Literal["bright", "dark", "flanks"]

TO_SD = 1.4826
"""Standard deviation of a normal distribution over the median of its magnitude."""
GROUND_SHARE, GROUND_LEAST = 0.12, 3
"""The outer share of the band, on each side, that is ground, and of how many samples at least."""
BLOCK = 16
"""Stations that levels are taken over at a time."""
SOME = 4
"""Every fourth station tells the noise of the ground."""
NEARBY = 4
"""Blocks to each side whose heights tell how far the bead stands out."""
STANDS_OUT = 6.0
"""In deviations of the noise of the calmed band: from here on something is there."""
THERE = 0.5
"""A bead is there where it stands out by more than this share of what it does nearby."""
UNSURE, UNSURE_SHARE = 3.0, 0.15
"""A station is unsure within so many deviations, or such a share of the height, of what parts bead from none."""
UNSURE_RUN = 7
"""So many unsure stations on end are no edge that blur has drawn out."""
END_SHARE = 0.25
"""Nor the end of a dome, which rises over some share of its width."""
MOST_BLUR = 2.0
"""What rises more slowly than behind such a blur, px, is not an edge that blur has drawn out, but a dome."""
MOST_PROFILES = 256
"""So many stations tell the profile of a narrow bead."""
END_REACH = 10
"""How far from the first station without a bead its end is sought, stations."""


@dataclass(frozen=True)
class Band:
    """A band laid straight: `grey` (n, m), `looked` (n,) which stations may be looked at, `full`: saturated share."""

    grey: Singles
    looked: Bools
    full: float


@dataclass(frozen=True)
class End:
    """Where the bead ends along the band: `at` in stations, with u from noise; `slope`: how steeply, grey a station.

    `curve`: how much farther it reaches than it seems to, by its round end.
    """

    at: float
    u: float
    slope: float
    curve: float


@dataclass(frozen=True)
class Missing:
    """Stations `first` to `last` without a bead; its ends `start` and `stop` are None where the band or a mask ends."""

    start: End | None
    stop: End | None
    first: int
    last: int


@dataclass(frozen=True)
class Bead:
    """What a band shows, at n stations: `edges` (n, 2) in samples across, NaN where there are none; `there` (n,).

    `unsure` (n,): nobody can tell. `slope` (n,): grey per sample at the edges; `noise` of one sample of the calmed
    band, `contrast` of the bead, `spread` of that besides noise; `missing` stretches in their order. `ripple`: standard
    deviation of a width of one station, samples, from its neighbours. `narrow`: u of what widths were corrected by
    since the bead never shows its full height, samples, 0 where it does; `vague`: that height is not certain at all.
    """

    edges: Array
    there: Bools
    unsure: Bools
    slope: Array
    noise: float
    contrast: float
    spread: float
    missing: tuple[Missing, ...]
    ripple: float
    narrow: float = 0.0
    vague: bool = False


def band_of(
    picture: NDArray[np.generic], middle: Array, low: Array, high: Array, samples: int, looked: Bools, full: float
) -> Band:
    """Return the band of a picture between two lines (n, 2) px, `middle` (n, 2) between them, `samples` across.

    `looked` (n,): which stations may be looked at. `full`: the grey from which on a sample is saturated.
    """
    grey = np.empty((len(middle), samples), np.float32)
    share = unroll(picture, middle, low, high, full, grey)
    return Band(grey, looked, share)


def bead_in(band: Band, look: Look, share: float = 0.5, is_of_one_grey: bool = True) -> Bead | None:
    """Return the bead of a band; None where none stands out of the noise anywhere.

    `share`: of its height over the ground, at which its edges are. `is_of_one_grey`: a ridge is, but for blur, and no
    dome; so where it is narrow its full height is told by its profile.
    """
    blank = np.asarray(~np.isfinite(band.grey).all(axis=1))
    grey = np.where(blank[:, None], np.float32(0.0), band.grey) if blank.any() else band.grey
    blank[1:-1] |= blank[2:] | blank[:-2]
    looked = band.looked & ~blank
    calm = smoothed(grey)
    base, noise = _ground(calm, looked)
    kind, sign, told = _look(calm, base, look, noise, looked)
    contrast = told[CONTRAST]
    seen = looked & (contrast > STANDS_OUT * noise)
    if not seen.any():
        return None
    height = _nearby(contrast, seen)
    there = looked & (contrast > THERE * height)
    margin = np.maximum(UNSURE * noise, UNSURE_SHARE * height)
    edges = np.empty((3, len(contrast)))
    crossings(calm, base, sign, kind, told, height, share, edges)
    width = edges[HIGH] - edges[LOW]
    known = there & np.isfinite(width)
    view = _View(grey, base, sign, kind, told, edges, height, share, noise)
    narrow = _narrow(view, known) if is_of_one_grey and kind == RIDGE else None
    if narrow is not None:
        middle, width = edges[LOW : HIGH + 1].mean(axis=0), narrow.widths
        edges[LOW], edges[HIGH] = middle - width / 2.0, middle + width / 2.0
    typical_width = float(np.median(width[known])) if known.any() else 0.0
    least_run = max(UNSURE_RUN, math.ceil(END_SHARE * typical_width))
    unsure = _long(looked & (np.abs(contrast - THERE * height) < margin), least_run)
    # What goes on beyond the band has no edges, and what has no numbers no grey.
    unsure |= band.looked & blank
    unsure |= there & ~np.isfinite(edges[SLOPE])
    typical = float(np.median(contrast[seen]))
    return Bead(
        edges=edges[: HIGH + 1].T,
        there=there,
        unsure=unsure,
        slope=edges[SLOPE],
        noise=noise,
        contrast=typical,
        spread=math.sqrt(max((TO_SD * float(np.median(np.abs(contrast[seen] - height[seen])))) ** 2 - noise**2, 0.0)),
        missing=_missing(view, there, looked, known),
        ripple=_ripple(width, known),
        narrow=0.0 if narrow is None else narrow.u,
        vague=narrow is not None and narrow.vague,
    )


def _narrow(view: "_View", known: Bools) -> Narrow | None:
    """Return the widths of a ridge (n,) that may never show its full height; None where it is wide."""
    edges = view.edges
    at = np.flatnonzero(known & np.isfinite(edges[SLOPE]))
    if not at.size:
        return None
    width = np.where(known, edges[HIGH] - edges[LOW], np.nan)
    typical = float(np.median(width[at]))
    if is_wide(typical, float(np.median(edges[SLOPE, at] / view.height[at]))):
        return None
    m = view.grey.shape[1]
    at = at[:: max(at.size // MOST_PROFILES, 1)]
    x = np.arange(m) - edges[LOW : HIGH + 1, at].mean(axis=0)[:, None]
    left, right = view.base[at].T[:, :, None]
    y = view.sign * (view.grey[at] - left - (right - left) * (np.arange(m) / (m - 1.0))) / view.height[at, None]
    # The height is a mean over so many samples, whose middle is the nearest one to that of the bead.
    seen = Seen(width, _nearby(np.nan_to_num(width), known), view.share, m // PLATEAU_SHARE + 0.5)
    return narrow_widths(seen, at, x, y)


def _ground(calm: Singles, looked: Bools) -> tuple[Array, float]:
    """Return the grey of the ground (n, 2) on both sides, and the noise of a sample of the calmed band about it."""
    n, m = calm.shape
    outer = max(round(GROUND_SHARE * m), GROUND_LEAST)
    at = np.minimum(np.arange(0, n, BLOCK) + BLOCK / 2.0, n - 1)
    base, off = np.empty((n, 2)), []
    for side, part in enumerate((calm[:, :outer], calm[:, m - outer :])):
        middles = middles_of(part, looked, BLOCK)
        known = np.isfinite(middles)
        base[:, side] = np.interp(np.arange(n), at[known], middles[known]) if known.any() else 0.0
        some = looked[::SOME]
        off.append((part[::SOME] - base[::SOME, side, None])[some].ravel())
    every = np.concatenate(off)
    return base, TO_SD * float(np.median(np.abs(every))) if every.size else 0.0


def _look(calm: Singles, base: Array, look: Look, noise: float, looked: Bools) -> tuple[int, float, Array]:
    """Return the kind and sign of a bead's lobes, and what is told of its stations (4, n); that of flanks is sought."""
    told = np.empty((4, len(calm)))
    if look != "flanks":
        sign = 1.0 if look == "bright" else -1.0
        stations(calm, base, sign, RIDGE, told)
        return RIDGE, sign, told
    other = np.empty_like(told)
    stations(calm, base, 1.0, FLANKS, told)
    stations(calm, base, -1.0, FLANKS, other)
    # By how many stations stand out, and by how far where that decides nothing.
    up, down = (
        (int(np.count_nonzero(looked & (t[CONTRAST] > STANDS_OUT * noise))), float(t[CONTRAST].sum()))
        for t in (told, other)
    )
    return (FLANKS, 1.0, told) if up >= down else (FLANKS, -1.0, other)


def _nearby(values: Array, seen: Bools) -> Array:
    """Return about each station (n,) the median nearby of values (n,), such as how far the bead stands out."""
    n = len(values)
    middles = heights_of(values, seen, BLOCK, NEARBY, float(np.median(values[seen])))
    return np.asarray(np.interp(np.arange(n), np.minimum(np.arange(0, n, BLOCK) + BLOCK / 2.0, n - 1), middles))


def _long(held: Bools, least: int) -> Bools:
    """Return which of those that hold (n,) stand in a run of at least so many."""
    out = np.zeros(len(held), bool)
    for first, last in runs(held):
        if last - first + 1 >= least:
            out[first : last + 1] = True
    return out


def runs(held: Bools) -> list[tuple[int, int]]:
    """Return the first and the last index of each run of True (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


@dataclass(frozen=True)
class _View:
    """What the end of a bead is sought in."""

    grey: Singles
    base: Array
    sign: float
    kind: int
    told: Array
    edges: Array
    height: Array
    share: float
    noise: float


def _missing(view: _View, there: Bools, looked: Bools, known: Bools) -> tuple[Missing, ...]:
    """Return the stretches without a bead, with their ends where those were seen."""
    n = len(there)
    found = []
    for first, last in runs(looked & ~there):
        before = first - 1 if first > 0 and there[first - 1] else None
        after = last + 1 if last < n - 1 and there[last + 1] else None
        start = None if before is None else _end(view, before, 1, known)
        stop = None if after is None else _end(view, after, -1, known)
        found.append(Missing(start, stop, first, last))
    return tuple(found)


def _end(view: _View, at: int, way: int, known: Bools) -> End:
    """Return where the bead ends beyond a station where it still is."""
    near = np.arange(at, at - way * (END_REACH + 1), -way)
    near = near[(near >= 0) & (near < len(known))]
    near = near[known[near]]
    if not near.size:
        return End(float(at) + way / 2.0, 1.0 / math.sqrt(3.0), math.inf, 0.0)
    low, high = (float(np.median(view.edges[row, near[:6]])) for row in (LOW, HIGH))
    wide = float(np.max(view.edges[HIGH, near] - view.edges[LOW, near]))
    lobes, fading = np.array([(low + high) / 2.0] * 2), 0.0
    if view.kind == FLANKS:
        lobes = np.array([float(np.median(view.told[row, near[:6]])) for row in (FIRST, LAST)])
        # Flanks end beside the tip of a round end, by as much as a circle falls off there.
        off = min(float(lobes[1] - lobes[0]), wide)
        fading = (wide - math.sqrt(wide * wide - off * off)) / 2.0
    height = float(view.height[at])
    place, slope, count = along_end(
        view.grey, view.base, view.sign, view.kind, at, way, lobes, height, view.share, END_REACH
    )
    if not math.isfinite(place):
        return End(float(at) + way / 2.0, 1.0 / math.sqrt(3.0), math.inf, 0.0)
    # One sample has three times the noise of the mean of nine, and as many of them as the mean is over calm it again.
    noise = 3.0 * view.noise / math.sqrt(count)
    blur = min(height / (slope * math.sqrt(2.0 * math.pi)), MOST_BLUR)
    return End(place, noise / slope, slope, (blur**2 + 2.0 / 3.0) / max(wide, 2.0) + fading)


def _ripple(width: Array, known: Bools) -> float:
    """Return the standard deviation of one station's width, from those three stations apart, which share no samples.

    Second differences leave a width out that slowly grows.
    """
    three = known[6:] & known[3:-3] & known[:-6]
    bends = (width[6:] - 2.0 * width[3:-3] + width[:-6])[three]
    return TO_SD * float(np.median(np.abs(bends))) / math.sqrt(6.0) if bends.size else 0.0
