"""How far a part moved between the pictures of a shot, though each shows it under another lamp.

Two things tell. What no matte surface could show (c·v, c being orthogonal to all that three components of a normal
make of the lamps' pulls) must vanish when the pictures lie upon one another, whatever relief and albedo are: its
gradient by the shifts is exact, and by it the shifts are fitted. Where pictures are too alike for that, as on a flat
print, their gradients' sizes are compared in pairs: a lamp on the other side turns a gradient's sign, not its size.
Slopes, as those of a surface, have no curl, which tells how pictures under lamps across from one another lie.
Both are weighed by what they are worth.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.relief_lights import LightField
from tiepoint.vision.relief_noise import no_surface

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

TILE_PX, MOST_TILES, MARGIN_PX = 96, 12, 6
BLUR_PX = 1.0
"""Of the Gaussian through which pictures are seen at fractions of a pixel: sampled, it aliases by 1e-4 at most."""
CORRELATED = 4 * math.pi * BLUR_PX**2
"""Pixels that share one pixel's noise after that blur."""
NOISE_SLOPE = 0.5 / BLUR_PX**2
"""Variance of the gradient of blurred noise, over that of the blurred noise."""
ROUNDS = 10
STILL_TIMES, STILL_SHARE = 1.3, 0.003
"""Of the noise, and of the light, that lamps may disagree by in pictures that are taken to lie upon one another."""
SETTLED_PX = 0.005
UNTOLD_PX = 20.0
"""Standard uncertainty of a shift before anything was seen."""
UNLIKE = 0.5
"""Error of a pair's shift along its lamps where it is not alike at all, over the length in which its detail changes.

Where the two correlate by ρ it is (1 − ρ) of that."""
UNLIKE_ACROSS = 0.3
"""Share of that across the lamps."""
PAIRS_ALONE = 3
"""Rounds by pairs alone: what is sharper is told apart from gross misfits only near the truth."""
COARSE_PX, COARSE_MATTERS_PX = 512, 1.5
MOST_SHIFT_PX = 40.0
"""A part that moved farther shows other places in the same tiles; it is refused and not registered."""
MOVED_PX = 0.05
MOVED_SIGMAS = 4.0
SLIGHT_PX = 0.01
MOST_U_PX = 0.1
GLOSS_PX, GLOSS_FROM = 0.5, 2.0
"""How far highlights may pull pictures towards their lamps, and from which excess over noise they are seen."""


@dataclass(frozen=True, slots=True)
class Motion:
    """Shifts (n, 2) in px, x right and y down, of the part in each picture against the first.

    `covariance` (2n − 2, 2n − 2) of all but the first, x and y in turn. `leans` (n, 2): the lamps' directions.
    """

    shifts_px: Array
    covariance: Array
    leans: Array

    @property
    def u_px(self) -> Array:
        """The shifts' standard uncertainties (n, 2)."""
        return np.concatenate([np.zeros(2), np.sqrt(np.diag(self.covariance))]).reshape(-1, 2)

    @property
    def most_px(self) -> float:
        """The longest shift between any two of the pictures."""
        away = self.shifts_px[:, None] - self.shifts_px[None]
        return float(np.linalg.norm(away, axis=2).max())

    @property
    def moved(self) -> bool:
        """Whether the part moved, by more than the shifts' covariance, which gloss widens, lets suppose."""
        off = self.shifts_px[1:].ravel()
        weight = np.linalg.inv(self.covariance + SLIGHT_PX**2 * np.eye(len(off)))
        # No part moves along each lamp's direction in turn: that is how highlights lie.
        way = (self.leans[1:] - self.leans[0]).ravel()
        off = off - way * float(way @ weight @ off) / float(way @ weight @ way)
        told = off @ weight @ off
        return bool(self.most_px > MOVED_PX and told > MOVED_SIGMAS**2 * len(off) / 2)

    @property
    def told(self) -> bool:
        """Whether the shifts are known well enough to lay the pictures upon one another, and short enough."""
        return bool(np.all(self.u_px < MOST_U_PX)) and self.most_px <= MOST_SHIFT_PX


def find_motion(planes: Sequence[NDArray[Any]], there: LightField, noise: float, top: float = np.inf) -> Motion | None:
    """Return how far the part moved in pictures (rows, cols) of lamps that pull as `there`; None where nothing tells.

    `noise`: the grey values' sd, by which gloss is told. Pixels from `top` up are saturated and left out. Rigid shifts
    only: a turn between the pictures shows as blur.
    """
    corners = _tiles(planes)
    if len(corners) == 0:
        return None
    pulls = [_pulls_near(there, corner) for corner in corners]
    starts = [np.zeros((len(planes), 2))]
    near = np.rint(_coarse(planes))
    if np.abs(near).max() > COARSE_MATTERS_PX and np.abs(near).max() <= 2 * MOST_SHIFT_PX:
        starts.append(near)
    found = [
        told for start in starts if (told := _settled(planes, there, corners, pulls, start, top, noise)) is not None
    ]
    return min(found, key=lambda told: told[0])[1] if found else None


def _settled(
    planes: Sequence[NDArray[Any]],
    there: LightField,
    corners: NDArray[np.int_],
    pulls: Sequence[Array],
    start: Array,
    top: float,
    noise: float,
) -> tuple[float, Motion] | None:
    """Return how unlike the pictures remain, and the motion, found from a start."""
    middle = there.middle
    leans = middle[:, :2] / np.linalg.norm(middle, axis=1, keepdims=True) * (1.0, -1.0)
    shifts = start
    for k in range(ROUNDS):
        seen = _Seen.at(planes, corners, shifts, top)
        if seen is None:
            return None
        step, covariance = _step(seen, pulls, leans, by_pairs=k < PAIRS_ALONE)
        shifts = shifts + step
        if np.abs(shifts).max() > 3 * MOST_SHIFT_PX or (k > PAIRS_ALONE and np.abs(step).max() < SETTLED_PX):
            break
    last = _Seen.at(planes, corners, shifts, top)
    if last is None:
        return None
    covariance = covariance + _by_halves(last, pulls, leans) + _gloss(last, pulls, noise) ** 2 * _leaning(leans)
    return _unlike(last, pulls), Motion(shifts, covariance, leans)


def _by_halves(seen: "_Seen", pulls: Sequence[Array], leans: Array) -> Array:
    """Return the covariance that half of the tiles' disagreement with the others shows, on the diagonal."""
    if len(pulls) < 2:
        return np.zeros((2 * len(leans) - 2,) * 2)
    steps = [
        _step(seen.part(half), pulls[half], leans, by_pairs=False)[0] for half in (slice(0, None, 2), slice(1, None, 2))
    ]
    return np.diag(((steps[0] - steps[1]) / 2)[1:].ravel() ** 2)


def _gloss(seen: "_Seen", pulls: Sequence[Array], noise: float) -> float:
    """Return by how many px highlights may pull a picture towards its lamp: none where lamps agree to noise."""
    off, count = 0.0, 0
    for t, here in enumerate(pulls):
        if not seen.good[t].any():
            continue
        rest = no_surface(here).T @ seen.values[t][:, seen.good[t]]
        off += float(((rest - rest.mean(axis=1, keepdims=True)) ** 2).sum())
        count += rest.size
    if count == 0:
        return 0.0
    blurred = noise**2 / CORRELATED
    return GLOSS_PX * min(1.0, math.sqrt(max(off / count / blurred - GLOSS_FROM, 0.0)))


def _leaning(leans: Array) -> Array:
    """Return the covariance of shifts (all but the first) that are an unknown length along each lamp's direction.

    A length of each lamp's own: brushed metal pulls otherwise along its brush than across it.
    """
    n = len(leans)
    ways = np.zeros((n, n - 1, 2))
    ways[0] = -leans[0]
    ways[np.arange(1, n), np.arange(n - 1)] = leans[1:]
    flat = ways.reshape(n, -1)
    return np.asarray(flat.T @ flat)


def _unlike(seen: "_Seen", pulls: Sequence[Array]) -> float:
    """Return what no surface could show, over the pictures' own changes, and how little gradients' sizes correlate."""
    told = []
    for t, here in enumerate(pulls):
        if seen.good[t].any():
            v = seen.values[t][:, seen.good[t]]
            own = float(np.sum(np.var(v, axis=1))) + 1e-9
            told.append(float(np.var(no_surface(here).T @ v, axis=1).sum()) / own if len(v) > 3 else 0.0)
    sizes = np.hypot(seen.along_x, seen.along_y)
    likes = [
        np.corrcoef(s[0].ravel(), s[k].ravel())[0, 1]
        for s in sizes
        for k in range(1, len(s))
        if s[0].any() and s[k].any()
    ]
    return float(np.mean(told)) + (1 - float(np.nanmean(likes)) if likes else 1.0)


def looks_still(planes: Sequence[NDArray[Any]], there: LightField, black: float, noise: float) -> bool:
    """Return whether four lamps or more agree, where most detail is, to within noise and what a surface may depart by.

    Then nothing moved that would show: a cheap look, to be spared the search. Of three lamps it is never sure.
    """
    corners = _tiles(planes)
    if len(planes) < 4 or len(corners) == 0:
        return len(corners) == 0
    off, light = [], []
    for corner in corners:
        x, y = corner
        v = np.stack([p[y : y + TILE_PX, x : x + TILE_PX].astype(np.float32) - black for p in planes])
        rest = np.tensordot(no_surface(_pulls_near(there, corner)).T, v, 1)
        off.append(np.mean((rest - rest.mean(axis=(1, 2), keepdims=True)) ** 2))
        light.append(np.mean(v) ** 2)
    allowed = noise**2 * STILL_TIMES**2 + STILL_SHARE**2 * float(np.mean(light))
    return float(np.mean(off)) <= allowed


def registered(planes: Sequence[NDArray[Any]], motion: Motion) -> tuple[tuple[Floats, ...], int]:
    """Return the pictures (f32) laid upon the first, and the width in px of the border that not all of them show.

    Lanczos' kernel of three lobes, made to keep what is even.
    """
    import cv2

    laid = []
    for plane, shift in zip(planes, motion.shifts_px, strict=True):
        whole = np.floor(shift + 0.5).astype(int)
        kernels = [_lanczos(float(f)) for f in shift - whole]
        moved = _rolled(plane, whole)
        laid.append(cv2.sepFilter2D(moved, cv2.CV_32F, kernels[0], kernels[1], borderType=cv2.BORDER_REPLICATE))
    return tuple(np.asarray(one, np.float32) for one in laid), math.ceil(float(np.abs(motion.shifts_px).max())) + 3


def _lanczos(fraction: float) -> Array:
    x = np.arange(-3, 4) - fraction
    taps = np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0.0)
    return np.asarray(taps / taps.sum())


def _rolled(plane: NDArray[Any], whole: NDArray[np.int_]) -> Floats:
    """Return the picture moved by whole pixels, so that what lay at (x, y) + whole lies at (x, y); edges repeat."""
    rows, cols = plane.shape
    y = np.clip(np.arange(rows) + whole[1], 0, rows - 1)
    x = np.clip(np.arange(cols) + whole[0], 0, cols - 1)
    return np.ascontiguousarray(plane[y][:, x], np.float32)


@dataclass(frozen=True, slots=True)
class _Seen:
    """Tiles (t, n, h, w) of the pictures at their shifts, blurred, their gradients, and the `good` pixels (t, h, w)."""

    values: Floats
    along_x: Floats
    along_y: Floats
    good: NDArray[np.bool_]

    def part(self, of: slice) -> "_Seen":
        """Return some of the tiles."""
        return _Seen(self.values[of], self.along_x[of], self.along_y[of], self.good[of])

    @staticmethod
    def at(planes: Sequence[NDArray[Any]], corners: NDArray[np.int_], shifts: Array, top: float) -> "_Seen | None":
        import cv2

        size, edge, reach = TILE_PX, MARGIN_PX, MARGIN_PX
        rows, cols = planes[0].shape
        out = np.zeros((3, len(corners), len(planes), size, size), np.float32)
        good = np.ones((len(corners), size, size), bool)
        for k, (plane, shift) in enumerate(zip(planes, shifts, strict=True)):
            whole = np.floor(shift + 0.5).astype(int)
            (bell_x, rise_x), (bell_y, rise_y) = (_bells(float(f), reach) for f in shift - whole)
            for t, (x, y) in enumerate(corners):
                x0, y0 = x + whole[0] - edge, y + whole[1] - edge
                if x0 < 0 or y0 < 0 or x0 + size + 2 * edge > cols or y0 + size + 2 * edge > rows:
                    good[t] = False
                    continue
                patch = plane[y0 : y0 + size + 2 * edge, x0 : x0 + size + 2 * edge].astype(np.float32)
                for j, (kx, ky) in enumerate([(bell_x, bell_y), (rise_x, bell_y), (bell_x, rise_y)]):
                    out[j, t, k] = cv2.sepFilter2D(patch, cv2.CV_32F, kx, ky)[edge:-edge, edge:-edge]
                if patch.max() >= top:
                    lit = (patch < top).astype(np.uint8)
                    good[t] &= cv2.erode(lit, np.ones((5, 5), np.uint8))[edge:-edge, edge:-edge] > 0
        keep = good.any(axis=(1, 2))
        # Where a tile lies beyond a picture the others go on; where all do, nothing is told.
        return _Seen(out[0], out[1], out[2], good) if keep.any() else None


def _bells(fraction: float, reach: int) -> tuple[Array, Array]:
    """Return taps that blur, and that differentiate blurring, seen `fraction` px farther on."""
    x = np.arange(-reach, reach + 1) - fraction
    bell = np.exp(-0.5 * (x / BLUR_PX) ** 2)
    bell /= bell.sum()
    rise = x / BLUR_PX**2 * bell
    return bell, np.asarray(rise - bell * rise.sum())


def _tiles(planes: Sequence[NDArray[Any]]) -> NDArray[np.int_]:
    """Return the upper left corners (t, 2), x and y, of the tiles with most detail, none over another."""
    rows, cols = planes[0].shape
    inner = TILE_PX + 2 * MARGIN_PX
    high, wide = (rows - 2 * MARGIN_PX) // TILE_PX, (cols - 2 * MARGIN_PX) // TILE_PX
    if min(rows, cols) < inner or high * wide == 0:
        return np.empty((0, 2), int)
    energy = np.zeros((high, wide))
    for plane in planes[:: max(1, len(planes) // 2)]:
        part = plane[MARGIN_PX : MARGIN_PX + high * TILE_PX, MARGIN_PX : MARGIN_PX + wide * TILE_PX]
        # Every sixth row and each pixel's next but two: enough to tell where detail is.
        some = part[::6].astype(np.float32)
        steps = np.abs(some[:, 3::3] - some[:, :-3:3])
        steps = np.pad(steps, ((0, 0), (0, 1)))
        energy += steps.reshape(high, TILE_PX // 6, wide, TILE_PX // 3).mean(axis=(1, 3))
        down = np.abs(part[3::12, ::6].astype(np.float32) - part[:-3:12, ::6])
        energy += down.reshape(high, TILE_PX // 12, wide, TILE_PX // 6).mean(axis=(1, 3))
    best = np.argsort(energy.ravel())[::-1][:MOST_TILES]
    return np.column_stack([best % wide, best // wide]) * TILE_PX + MARGIN_PX


def _pulls_near(there: LightField, corner: NDArray[np.int_]) -> Array:
    ny, nx = there.pulls.shape[:2]
    x, y = (corner + TILE_PX // 2) // there.step_px
    return np.asarray(there.pulls[min(int(y), ny - 1), min(int(x), nx - 1)], np.float64)


def _step(seen: _Seen, pulls: Sequence[Array], leans: Array, by_pairs: bool) -> tuple[Array, Array]:
    """Return how far the shifts (n, 2) are still off, and the covariance of all but the first, flattened.

    To second order a slope's gradient is steeper on the side of its lamp, and highlights lie there too: pairs are off
    along `leans` (n, 2), their lamps' horizontal directions, by a length that is fitted along with the shifts.
    """
    n = seen.values.shape[1]
    whole, pull = np.zeros((2 * n - 1, 2 * n - 1)), np.zeros(2 * n - 1)
    exact = () if by_pairs else (_by_surface(seen, [no_surface(p) for p in pulls]), _by_slopes(seen, pulls))
    for information, told in exact:
        whole[:-1, :-1] += information
        pull[:-1] += told
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
            weight = 1 / (u[axis] ** 2 + (UNLIKE_ACROSS * unlike[-1]) ** 2)
            whole += weight * np.outer(row, row)
            pull += weight * shift[axis] * row
    whole += np.diag([*([UNTOLD_PX**-2] * (2 * n - 2)), 1 / (max(unlike, default=0.0) ** 2 + 1e-6)])
    covariance = np.linalg.inv(whole)
    return np.concatenate([np.zeros(2), (covariance @ pull)[:-1]]).reshape(-1, 2), covariance[:-1, :-1]


def _by_surface(seen: _Seen, bases: Sequence[Array]) -> tuple[Array, Array]:
    """Return information and pull on the shifts of all pictures but the first, by what no surface could show.

    c·v = Σ c_i·v_i·ε_i − Σ c_i·∇v_i·δ_i to first order, δ being what the shifts are still off. The ε_i, lamps' gains
    in a tile beside the first one's, are not asked for; they are projected out.
    """
    n = seen.values.shape[1]
    information, pull = np.zeros((2 * n - 2, 2 * n - 2)), np.zeros(2 * n - 2)
    rest, count, squares = 0.0, 0, np.mean([(basis**2).mean(axis=1) for basis in bases], axis=0)
    for t, basis in enumerate(bases):
        good = seen.good[t]
        if good.sum() < 200:
            continue
        v, gx, gy = (a[t][:, good].astype(float) for a in (seen.values, seen.along_x, seen.along_y))
        for c in basis.T:
            off, gains = c @ v, (c[1:, None] * v[1:]).T
            columns = -(np.stack([gx, gy], 1)[1:] * c[1:, None, None]).reshape(2 * n - 2, -1).T
            weight = _weights(off - np.median(off))
            root, _ = np.linalg.qr(gains * weight[:, None])
            columns, off = columns * weight[:, None], off * weight
            columns, off = columns - root @ (root.T @ columns), off - root @ (root.T @ off)
            information += columns.T @ columns
            pull += columns.T @ off
            rest += float(off @ off)
            count += len(off)
    return _weighed(information, pull, rest, count, NOISE_SLOPE * np.repeat(squares[1:], 2))


def _by_slopes(seen: _Seen, pulls: Sequence[Array]) -> tuple[Array, Array]:
    """Return information and pull on the same, by slopes: as those of a surface they have no curl.

    Of p = −gx/gz and q = −gy/gz the curl ∂p/∂y − ∂q/∂x vanishes whatever the albedo; with y down, q counts as −q.
    """
    n = seen.values.shape[1]
    information, pull, noisy = np.zeros((2 * n - 2, 2 * n - 2)), np.zeros(2 * n - 2), np.zeros(2 * n - 2)
    rest, count, (along, across) = 0.0, 0, _curls_of_noise()
    for t, here in enumerate(pulls):
        good = seen.good[t][2:-2, 2:-2]
        if good.sum() < 200:
            continue
        inverse = np.linalg.pinv(here) * np.array([[1.0], [-1.0], [1.0]])
        v = seen.values[t].astype(float)
        gx, gy, gz = np.tensordot(inverse, v, 1)
        gz = np.maximum(gz, 1e-3 * np.abs(gz).max() + 1e-9)
        columns = []
        by_p, by_q = (
            (inverse[k][:, None, None] * gz - g * inverse[2][:, None, None]) / gz**2 for k, g in ((0, gx), (1, gy))
        )
        for k in range(1, n):
            for slope in (seen.along_x[t, k], seen.along_y[t, k]):
                columns.append(-_curl(by_p[k] * slope, by_q[k] * slope)[good])
        off = _curl(gx / gz, gy / gz)[good]
        weight = _weights(off)
        design, off = np.stack(columns, 1) * weight[:, None], off * weight
        information += design.T @ design
        pull += design.T @ off
        rest += float(off @ off)
        count += len(off)
        a2, b2 = (np.linalg.pinv(here)[:2] ** 2)[:, 1:]
        whole = float((np.linalg.pinv(here)[:2] ** 2).sum())
        noisy += np.stack([a2 * across + b2 * along, a2 * along + b2 * across], 1).ravel() * len(off) / whole
    return _weighed(information, pull, rest, count, noisy / max(count, 1))


def _curls_of_noise() -> tuple[float, float]:
    """Return what differences of blurred noise's gradient vary by, along it and across, over those of the noise."""
    bell, rise = _bells(0.0, MARGIN_PX)
    once, twice = (np.convolve(taps, [0.5, 0, -0.5]) for taps in (bell, rise))
    first = float(once @ once) * float(bell @ bell)
    return float(twice @ twice) * float(bell @ bell) / first, float(once @ once) * float(rise @ rise) / first


def _curl(p: Array, q: Array) -> Array:
    """Return ∂p/∂y − ∂q/∂x of fields (h, w) without their two outermost pixels."""
    return np.asarray((p[3:-1, 2:-2] - p[1:-3, 2:-2] - q[2:-2, 3:-1] + q[2:-2, 1:-3]) / 2)


def _weighed(information: Array, pull: Array, rest: float, count: int, noisy: Array) -> tuple[Array, Array]:
    """Return information and pull over the variance of what is left, less what noise alone gives the information.

    `noisy`: what noise of the rest's size adds to the diagonal. Noise has gradients too, which tell nothing of shifts.
    """
    if count == 0:
        return information, pull
    explained = float(pull @ np.linalg.pinv(information, rcond=1e-6) @ pull)
    noise = max(rest - explained, 1e-6 * rest + 1e-12)
    sizes, ways = np.linalg.eigh(information - noise * np.diag(noisy))
    known = ways[:, sizes > 0]
    variance = CORRELATED * noise / count
    # A pull along what nothing is known of would be noise.
    return (known * sizes[sizes > 0]) @ known.T / variance, known @ (known.T @ pull) / variance


def _weights(off: Array) -> Array:
    """Return roots of weights that fall off beyond three robust deviations (Cauchy)."""
    sd = 1.4826 * float(np.median(np.abs(off))) + 1e-9
    return np.asarray(1 / np.sqrt(1 + (off / (3 * sd)) ** 2))


def _by_pair(seen: _Seen, k: int) -> tuple[Array, Array, float] | None:
    """Return the shift (2,) of picture k still to be made, its u, and how many px unlike it is, by gradients' sizes."""
    sizes = np.hypot(seen.along_x[:, [0, k]], seen.along_y[:, [0, k]])
    shifts, weights, unlike = [], [], []
    for t in range(len(sizes)):
        if not seen.good[t].all():
            continue
        # What is less than twice the middle of all may be noise, which lies nowhere.
        first, other = (np.maximum(size - 2 * np.median(size), 0.0) for size in sizes[t].astype(float))
        first, other = first - first.mean(), other - other.mean()
        norm = math.sqrt(float((first * first).sum() * (other * other).sum()))
        if norm <= 0:
            continue
        gy, gx = np.gradient(other)
        columns = np.stack([gx.ravel(), gy.ravel(), first.ravel()], 1)
        normal = columns.T @ columns
        if np.linalg.cond(normal) > 1e8:
            continue
        # other(x) ≈ k·first(x − δ): other − k·first = −∇other·δ
        found = np.linalg.solve(normal, columns.T @ other.ravel())
        shifts.append(-found[:2])
        weights.append(np.diag(normal)[:2])
        length = math.sqrt(float((other * other).sum() / max(float((gx * gx + gy * gy).sum()), 1e-12)))
        unlike.append(length * (1 - max(float((first * other).sum()) / norm, 0.0)))
    if not shifts:
        return None
    told, weight = np.array(shifts), np.array(weights)
    mean = (told * weight).sum(axis=0) / weight.sum(axis=0)
    spread = 1.4826 * np.median(np.abs(told - np.median(told, axis=0)), axis=0) / math.sqrt(len(told))
    return mean, np.sqrt(spread**2 + 0.01**2), float(np.median(unlike))


def _coarse(planes: Sequence[NDArray[Any]]) -> Array:
    """Return shifts (n, 2) to some pixels, by phase correlation of the sizes of gradients of small pictures."""
    import cv2

    rows, cols = planes[0].shape
    by = max(1, min(rows, cols) // COARSE_PX)
    size = (cols // by, rows // by)
    sizes = [_gradient_sizes(plane[: size[1] * by, : size[0] * by], size) for plane in planes]
    window = cv2.createHanningWindow(size, cv2.CV_32F)
    found = [cv2.phaseCorrelate(sizes[0], other, window)[0] for other in sizes[1:]]
    return np.asarray(np.array([(0.0, 0.0), *found]) * by, np.float64)


def _gradient_sizes(plane: NDArray[Any], size: tuple[int, int]) -> NDArray[Any]:
    """Return the sizes of gradients of a picture that was reduced to `size`."""
    import cv2

    small = cv2.resize(np.ascontiguousarray(plane), size, interpolation=cv2.INTER_AREA).astype(np.float32)
    small = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0))
    return np.hypot(cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1))
