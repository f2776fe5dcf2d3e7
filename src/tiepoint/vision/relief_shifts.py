"""What tiles of pictures under several lamps tell of the shifts between them: equations, their weights, their doubt.

Two fields must vanish when the pictures lie upon one another, whatever relief and albedo are: what no matte surface
could show, and the curl of the slopes. Both are linear in small shifts, by the pictures' gradients; shifts follow by
M-estimation with Cauchy's weights, and their covariance by the sandwich (Huber and Ronchetti, Robust Statistics, 2009,
ch. 6). Noise has gradients too, which tell nothing: what it adds to the information is known and taken off, and it
counts in the doubt. Where gradients' sizes are alike they are compared in pairs besides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.relief_noise import no_surface

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Corners = NDArray[np.int_]

MARGIN_PX = 6
BLUR_PX = 1.0
"""Of the Gaussian through which pictures are seen at fractions of a pixel: sampled, it aliases by 1e-4 at most."""
CAUCHY = 3.0
"""Robust deviations at which a misfit's weight is one half."""
FEWEST_PX = 200
"""A tile with fewer good pixels tells nothing."""
UNTOLD_PX = 20.0
"""Standard uncertainty of a shift before anything was seen."""
UNLIKE = 0.5
"""Error of a pair's shift where it is not alike at all, over the length in which its detail changes.

Where the two correlate by ρ it is (1 − ρ) of that."""


@dataclass(frozen=True, eq=False)
class Level:
    """The pictures of a shot, whole or reduced, and how tiles are laid on them.

    `by`: px of the shot to one here. `noise_blur_px`: sd of the Gaussian, this level's own reduction included, whose
    noise the blurred pictures have. `lit`: uint8, 0 where saturated; None where nothing is.
    """

    planes: tuple[NDArray[Any], ...]
    lit: tuple[NDArray[np.uint8] | None, ...]
    black: float
    by: int
    tile_px: int
    most_tiles: int
    noise_blur_px: float

    @property
    def correlated(self) -> float:
        """Pixels that share one pixel's noise after the blur."""
        return 4 * math.pi * self.noise_blur_px**2

    @property
    def noise_slope(self) -> float:
        """Variance of the gradient of blurred noise, over that of the blurred noise."""
        return 0.5 / self.noise_blur_px**2


def whole_level(planes: Sequence[NDArray[Any]], black: float, top: float) -> Level:
    """Return the pictures as they are, saturated from `top` up."""
    lit = tuple((p < top).astype(np.uint8) if top < np.inf and p.max() >= top else None for p in planes)
    return Level(tuple(planes), lit, black, 1, 96, 12, BLUR_PX)


def reduced_level(level: Level) -> Level:
    """Return a level reduced twice, by a binomial of variance 1 px²: broad detail stands above less noise there."""
    import cv2

    planes = tuple(np.asarray(cv2.pyrDown(p.astype(np.float32))) for p in level.planes)
    near = np.ones((5, 5), np.uint8)
    lit = tuple(None if m is None else np.asarray(cv2.erode(m, near)[::2, ::2], np.uint8) for m in level.lit)
    return Level(planes, lit, level.black, 2 * level.by, 48, 12, math.sqrt(BLUR_PX**2 + 1 / 4))


def tiles(level: Level) -> Corners:
    """Return the upper left corners (t, 2), x and y, of the tiles with most detail, none over another."""
    planes, size = level.planes, level.tile_px
    rows, cols = planes[0].shape
    high, wide = (rows - 2 * MARGIN_PX) // size, (cols - 2 * MARGIN_PX) // size
    if high < 1 or wide < 1:
        return np.empty((0, 2), int)
    energy = np.zeros((high, wide))
    for plane in planes[:: max(1, len(planes) // 2)]:
        part = plane[MARGIN_PX : MARGIN_PX + high * size, MARGIN_PX : MARGIN_PX + wide * size]
        # Every sixth row and each pixel's next but two: enough to tell where detail is.
        some = part[::6].astype(np.float32)
        steps = np.abs(some[:, 3::3] - some[:, :-3:3])
        steps = np.pad(steps, ((0, 0), (0, 1)))
        energy += _means(steps, high, wide)
        down = np.abs(part[3::12, ::6].astype(np.float32) - part[:-3:12, ::6])
        energy += _means(down, high, wide)
    best = np.argsort(energy.ravel())[::-1][: level.most_tiles]
    return np.column_stack([best % wide, best // wide]) * size + MARGIN_PX


def _means(values: Floats, high: int, wide: int) -> Floats:
    """Return the means (high, wide) of as many equal parts of values; first along columns, where memory is."""
    rows = values.reshape(high, -1, values.shape[1]).mean(axis=1)
    return np.asarray(rows.reshape(high, wide, -1).mean(axis=2))


@dataclass(frozen=True, slots=True)
class Seen:
    """Tiles (t, n, h, w) of the pictures at their shifts, blurred, their gradients, and the `good` pixels (t, h, w)."""

    level: Level
    values: Floats
    along_x: Floats
    along_y: Floats
    good: NDArray[np.bool_]

    @staticmethod
    def at(level: Level, corners: Corners, shifts: Array) -> "Seen | None":
        """Return what is seen at shifts (n, 2) in the level's px; None where no tile lies in all pictures."""
        size = level.tile_px
        out = np.zeros((3, len(corners), len(level.planes), size, size), np.float32)
        good = np.ones((len(corners), size, size), bool)
        for k, shift in enumerate(shifts):
            _look(level, k, corners, shift, out[:, :, k], good)
        # Where a tile lies beyond a picture the others go on; where all do, nothing is told.
        return Seen(level, out[0], out[1], out[2], good) if good.any() else None


def _look(level: Level, k: int, corners: Corners, shift: Array, out: Floats, good: NDArray[np.bool_]) -> None:
    """Write picture k's tiles at a shift, blurred and differentiated, to `out` (3, t, h, w); strike what is bad."""
    import cv2

    plane, lit, size, edge = level.planes[k], level.lit[k], level.tile_px, MARGIN_PX
    rows, cols = plane.shape
    whole = np.floor(shift + 0.5).astype(int)
    (bell_x, rise_x), (bell_y, rise_y) = (_bells(float(f)) for f in shift - whole)
    for t, (x, y) in enumerate(corners + whole - edge):
        if x < 0 or y < 0 or x + size + 2 * edge > cols or y + size + 2 * edge > rows:
            good[t] = False
            continue
        there = np.s_[y : y + size + 2 * edge, x : x + size + 2 * edge]
        patch = plane[there].astype(np.float32) - np.float32(level.black)
        for j, (kx, ky) in enumerate([(bell_x, bell_y), (rise_x, bell_y), (bell_x, rise_y)]):
            out[j, t] = cv2.sepFilter2D(patch, cv2.CV_32F, kx, ky)[edge:-edge, edge:-edge]
        if lit is not None:
            good[t] &= cv2.erode(lit[there], np.ones((5, 5), np.uint8))[edge:-edge, edge:-edge] > 0


def _bells(fraction: float) -> tuple[Array, Array]:
    """Return taps that blur, and that differentiate blurring, seen `fraction` px farther on."""
    x = np.arange(-MARGIN_PX, MARGIN_PX + 1) - fraction
    bell = np.exp(-0.5 * (x / BLUR_PX) ** 2)
    bell /= bell.sum()
    rise = x / BLUR_PX**2 * bell
    return bell, np.asarray(rise - bell * rise.sum())


@dataclass(slots=True)
class Told:
    """What each tile tells of all shifts but the first (m of them): `information` (t, m, m), `pull` (t, m), and the
    covariance of the pull, `spread` (t, m, m). `rest`, `moving`: weighed sums over `count` of squares of what no
    surface could show, and of what that changes by where each picture moves by 1 px towards its lamp.
    """

    information: Array
    pull: Array
    spread: Array
    rest: float = 0.0
    moving: float = 0.0
    count: float = 0.0

    @staticmethod
    def nothing(t: int, m: int) -> "Told":
        """Return what is known before anything is looked at."""
        return Told(np.zeros((t, m, m)), np.zeros((t, m)), np.zeros((t, m, m)))

    def add(self, t: int, columns: Floats, off: Floats, weight: Floats, noisy: Array, correlated: float) -> None:
        """Add a tile's equations off = columns·shifts, both times the root of Cauchy's `weight` w of each.

        The information is that of the estimate: its ψ′ is w·(2w − 1), which is taken as alike for all columns, lest
        steps overshoot where large misfits go with large columns. `noisy` is what noise of the misfit's variance adds
        to each square of a column.
        """
        variance = max(float(1.4826 * np.median(np.abs(off / np.sqrt(weight)))) ** 2, 1e-12)
        total = float(weight.sum())
        steep = max(float((weight * (2 * weight - 1)).sum()) / total, 0.5)
        self.information[t] += steep * ((columns.T @ columns) / variance - np.diag(noisy) * total)
        self.pull[t] += (columns.T @ off) / variance
        self.spread[t] += (columns.T @ (columns * (off * off)[:, None])) * (correlated / variance**2)


def equations(seen: Seen, pulls: Sequence[Array], leans: Array) -> tuple[Told, Told]:
    """Return what the tiles tell by what no surface could show and by slopes. `pulls`: a lamp's (n, 3) at each tile."""
    surface, slopes = (Told.nothing(len(pulls), 2 * len(leans) - 2) for _ in range(2))
    towards = (leans[1:] - leans[0]).astype(np.float32).ravel()
    for t, here in enumerate(pulls):
        if seen.good[t].sum() >= FEWEST_PX:
            _by_surface(surface, seen, t, no_surface(here).astype(np.float32), towards)
            _by_slopes(slopes, seen, t, here)
    return surface, slopes


def _by_surface(told: Told, seen: Seen, t: int, basis: Floats, towards: Floats) -> None:
    """Add what no surface could show: c·v = Σ c_i·v_i·ε_i − Σ c_i·∇v_i·δ_i to first order, δ being still to be made.

    The ε_i, lamps' gains in a tile beside the first one's, are not asked for; they are projected out.
    """
    good = seen.good[t]
    v, gx, gy = (a[t][:, good] for a in (seen.values, seen.along_x, seen.along_y))
    slope = seen.level.noise_slope
    for c in basis.T:
        off, gains = c @ v, (c[1:, None] * v[1:]).T
        columns = -(np.stack([gx, gy], 1)[1:] * c[1:, None, None]).reshape(len(towards), -1).T
        weight = _weights(off - np.median(off))
        root = np.sqrt(weight)
        base, _ = np.linalg.qr(gains * root[:, None])
        columns, off = columns * root[:, None], off * root
        columns, off = columns - base @ (base.T @ columns), off - base @ (base.T @ off)
        told.add(t, columns, off, weight, slope * np.repeat(c[1:].astype(float) ** 2, 2), seen.level.correlated)
        told.rest += float(off @ off)
        told.moving += float(((columns @ towards) ** 2).sum())
        told.count += float(weight.sum())


def _by_slopes(told: Told, seen: Seen, t: int, pulls: Array) -> None:
    """Add the same by slopes: as those of a surface they have no curl.

    Of p = −gx/gz and q = −gy/gz the curl ∂p/∂y − ∂q/∂x vanishes whatever the albedo; with y down, q counts as −q.
    """
    good = seen.good[t][2:-2, 2:-2]
    if good.sum() < FEWEST_PX:
        return
    inverse = (np.linalg.pinv(pulls) * np.array([[1.0], [-1.0], [1.0]])).astype(np.float32)
    gx, gy, gz = np.tensordot(inverse, seen.values[t], 1)
    gz = np.maximum(gz, 1e-3 * np.abs(gz).max() + 1e-9)
    by_p, by_q = (
        (inverse[k][:, None, None] * gz - g * inverse[2][:, None, None]) / gz**2 for k, g in ((0, gx), (1, gy))
    )
    ways = [
        -_curl(by_p[k] * slope, by_q[k] * slope)[good]
        for k in range(1, len(pulls))
        for slope in (seen.along_x[t, k], seen.along_y[t, k])
    ]
    off = _curl(gx / gz, gy / gz)[good]
    weight = _weights(off)
    root = np.sqrt(weight)
    along, across = _curls_of_noise(seen.level.noise_blur_px)
    squares = inverse[:2].astype(float) ** 2
    a2, b2 = squares[:, 1:]
    noisy = np.stack([a2 * across + b2 * along, a2 * along + b2 * across], 1).ravel() / squares.sum()
    told.add(t, np.stack(ways, 1) * root[:, None], off * root, weight, noisy, seen.level.correlated)


def _curls_of_noise(blur_px: float) -> tuple[float, float]:
    """Return what differences of blurred noise's gradient vary by, along it and across, over those of the noise."""
    x = np.arange(-8, 9)
    bell = np.exp(-0.5 * (x / blur_px) ** 2)
    rise = x / blur_px**2 * bell
    once, twice = (np.convolve(taps, [0.5, 0, -0.5]) for taps in (bell, rise))
    first = float(once @ once) * float(bell @ bell)
    return float(twice @ twice) * float(bell @ bell) / first, float(once @ once) * float(rise @ rise) / first


def _curl(p: Floats, q: Floats) -> Floats:
    """Return ∂p/∂y − ∂q/∂x of fields (h, w) without their two outermost pixels."""
    return np.asarray((p[3:-1, 2:-2] - p[1:-3, 2:-2] - q[2:-2, 3:-1] + q[2:-2, 1:-3]) / 2)


def _weights(off: Floats) -> Floats:
    """Return Cauchy's weights: a half at three robust deviations."""
    sd = 1.4826 * float(np.median(np.abs(off))) + 1e-9
    return np.asarray(1 / (1 + (off / np.float32(CAUCHY * sd)) ** 2))


def step(seen: Seen, told: tuple[Told, Told] | None, leans: Array) -> tuple[Array, Array]:
    """Return how far the shifts (n, 2) are still off, in the level's px, and the covariance of all but the first.

    By pairs alone where nothing is `told`. To second order a slope's gradient is steeper on the side of its lamp, and
    highlights lie there too: pairs are off along `leans` (n, 2), their lamps' horizontal directions, by a length that
    is fitted along with the shifts.
    """
    whole, pull = _by_pairs(seen, leans)
    for one in () if told is None else told:
        information, tug = _summed(one)
        whole[:-1, :-1] += information
        pull[:-1] += tug
    covariance = np.linalg.inv(whole)
    off = np.concatenate([np.zeros(2), (covariance @ pull)[:-1]]).reshape(-1, 2)
    return off, np.asarray(covariance[:-1, :-1], np.float64)


def _summed(told: Told) -> tuple[Array, Array]:
    """Return what the tiles together tell: information J·V⁻¹·J and pull J·V⁻¹·g.

    V is the covariance of their pull g, widened where tiles pull against each other by more than it lets expect. J is
    kept where it is positive.
    """
    sizes, ways = np.linalg.eigh(told.information.sum(axis=0))
    known = ways[:, sizes > 0]
    pull, spread = known.T @ told.pull.sum(axis=0), known.T @ told.spread.sum(axis=0) @ known
    if len(pull) == 0:
        return np.zeros((len(ways), len(ways))), np.zeros(len(ways))
    seen = told.pull[np.any(told.pull != 0, axis=1)] @ known
    if len(seen) > 2:
        apart = seen - seen.mean(axis=0)
        ratio = np.trace(np.linalg.solve(spread, apart.T @ apart)) / len(pull) * len(seen) / (len(seen) - 1)
        spread = spread * max(1.0, float(ratio))
    # J·V⁻¹ where something is known.
    by_pull = (known * sizes[sizes > 0]) @ np.linalg.inv(spread)
    return np.asarray(by_pull @ (known * sizes[sizes > 0]).T, np.float64), np.asarray(by_pull @ pull, np.float64)


def _by_pairs(seen: Seen, leans: Array) -> tuple[Array, Array]:
    """Return information (2n − 1, 2n − 1) and pull of shifts and the length along `leans`, by gradients' sizes."""
    n = len(leans)
    whole, pull = np.zeros((2 * n - 1, 2 * n - 1)), np.zeros(2 * n - 1)
    unlike = []
    for k in range(1, n):
        pair = _by_pair(seen, k)
        if pair is None:
            continue
        shift, u, length = pair
        unlike.append(UNLIKE * length)
        for axis in range(2):
            row = np.zeros(2 * n - 1)
            row[2 * (k - 1) + axis], row[-1] = 1.0, leans[k, axis] - leans[0, axis]
            weight = 1 / (u[axis] ** 2 + unlike[-1] ** 2)
            whole += weight * np.outer(row, row)
            pull += weight * shift[axis] * row
    untold = (UNTOLD_PX / seen.level.by) ** -2
    whole += np.diag([*([untold] * (2 * n - 2)), 1 / (max(unlike, default=0.0) ** 2 + 1e-6)])
    return whole, pull


def _by_pair(seen: Seen, k: int) -> tuple[Array, Array, float] | None:
    """Return the shift (2,) of picture k still to be made, its u, and how many px unlike it is, by gradients' sizes."""
    sizes = np.hypot(seen.along_x[:, [0, k]], seen.along_y[:, [0, k]])
    shifts, weights, unlike = [], [], []
    for t in range(len(sizes)):
        if not seen.good[t].all():
            continue
        # What is less than twice the middle of all may be noise, which lies nowhere.
        first, other = (np.maximum(size - 2 * np.median(size), np.float32(0.0)) for size in sizes[t])
        first, other = first - first.mean(), other - other.mean()
        norm = math.sqrt(float((first * first).sum()) * float((other * other).sum()))
        if norm <= 0:
            continue
        gy, gx = np.gradient(other)
        columns = np.stack([gx.ravel(), gy.ravel(), first.ravel()], 1)
        normal = (columns.T @ columns).astype(float)
        if np.linalg.cond(normal) > 1e8:
            continue
        # other(x) ≈ k·first(x − δ): other − k·first = −∇other·δ
        found = np.linalg.solve(normal, columns.T @ other.ravel())
        shifts.append(-found[:2])
        weights.append(np.diag(normal)[:2])
        length = math.sqrt(float((other * other).sum()) / max(float((gx * gx + gy * gy).sum()), 1e-12))
        unlike.append(length * (1 - max(float((first * other).sum()) / norm, 0.0)))
    if not shifts:
        return None
    told, weight = np.array(shifts), np.array(weights)
    mean = (told * weight).sum(axis=0) / weight.sum(axis=0)
    spread = 1.4826 * np.median(np.abs(told - np.median(told, axis=0)), axis=0) / math.sqrt(len(told))
    return mean, np.sqrt(spread**2 + 0.01**2), float(np.median(unlike))


def alike(seen: Seen) -> float:
    """Return how well the sizes of gradients correlate between the first picture and the others, at most 1."""
    sizes = np.hypot(seen.along_x, seen.along_y)
    likes = [
        np.corrcoef(s[0].ravel(), s[k].ravel())[0, 1]
        for s in sizes
        for k in range(1, len(s))
        if s[0].any() and s[k].any()
    ]
    return float(np.nanmean(likes)) if likes else 0.0
