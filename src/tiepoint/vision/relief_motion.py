"""How far a part moved between the pictures of a shot, though each shows it under another lamp.

Two things tell. What no matte surface could show (c·v, c being orthogonal to all that three components of a normal
make of the lamps' pulls) must vanish when the pictures lie upon one another, whatever relief and albedo are: its
gradient by the shifts is exact, and by it the shifts are fitted. Where pictures are too alike for that, as on a flat
print, their gradients' sizes are compared in pairs: a lamp on the other side turns a gradient's sign, not its size.
Slopes, as those of a surface, have no curl, which tells how pictures under lamps across from one another lie.
They are sought in pictures reduced four times first: broad detail tells its shift only there, above less noise, and
what shines is told from what moves. A shift is believed only where it explains what the lamps disagree by.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.relief_lights import LightField
from tiepoint.vision.relief_noise import no_surface
from tiepoint.vision.relief_shifts import (
    Corners,
    Level,
    Seen,
    Told,
    alike,
    equations,
    reduced_level,
    step,
    tiles,
    whole_level,
)

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

ROUNDS = 8
STILL_TIMES, STILL_SHARE = 1.3, 0.003
"""Of the noise, and of the light, that lamps may disagree by in pictures that are taken to lie upon one another."""
SETTLED_PX, SETTLED_SHARE = 0.002, 0.2
"""A round that changes shifts by less than the one and that share of their uncertainty is the last."""
MOST_STEP = 1.0
"""Pixels of a level that shifts change by in a round: farther the equations do not hold."""
PAIRS_ALONE = 2
"""Rounds by pairs alone: what is sharper is told apart from gross misfits only near the truth."""
COARSE_PX, COARSE_MATTERS_PX = 512, 1.5
MOST_SHIFT_PX = 40.0
"""A part that moved farther shows other places in the same tiles; it is refused and not registered."""
MOVED_PX = 0.05
MOVED_SIGMAS = 4.0
SLIGHT_PX = 0.01
MOST_U_PX = 0.1
EXPLAINED = 0.8
"""Share of what lamps disagree by, beyond noise, that shifts must explain at each level to be believed.

On still faces with highlights of the bench they explain 0.1 to 0.6 of it, on moved ones 0.8 to 1."""
SHINES = 4.0
"""From so many times what is allowed for, unexplained in small pictures, gloss is not looked at any closer."""


@dataclass(frozen=True, slots=True)
class Motion:
    """Shifts (n, 2) in px, x right and y down, of the part in each picture against the first.

    `covariance` (2n − 2, 2n − 2) of all but the first, x and y in turn. `leans` (n, 2): the lamps' directions.
    `explained`: the share of what lamps disagree by, beyond noise, that the shifts do away with; 1 where all of it is.
    """

    shifts_px: Array
    covariance: Array
    leans: Array
    explained: float = 1.0

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
        """Whether the part moved: by more than the covariance lets suppose, and so that lamps agree better for it."""
        off, way = self.shifts_px[1:].ravel(), _towards(self.leans)
        weight = np.linalg.inv(self.covariance + SLIGHT_PX**2 * np.eye(len(off)))
        # No part moves along each lamp's direction in turn: that is how highlights lie.
        off = off - way * _along(way, off, weight)
        seen = off @ weight @ off
        return bool(self.explained >= EXPLAINED and self.most_px > MOVED_PX and seen > MOVED_SIGMAS**2 * len(off) / 2)

    @property
    def shines(self) -> bool:
        """Whether lamps disagree by what no shift explains, so that it cannot be told whether anything moved."""
        return self.explained < EXPLAINED

    @property
    def told(self) -> bool:
        """Whether the shifts are known well enough to lay the pictures upon one another, and short enough."""
        return bool(np.all(self.u_px < MOST_U_PX)) and self.most_px <= MOST_SHIFT_PX


def find_motion(
    planes: Sequence[NDArray[Any]], there: LightField, noise: float, top: float = np.inf, black: float = 0.0
) -> Motion | None:
    """Return how far the part moved in pictures (rows, cols) of lamps that pull as `there`; None where nothing tells.

    `noise`: the grey values' sd, by which gloss is told. Pixels from `top` up are saturated and left out; `black` is
    what they show without light. Rigid shifts only: a turn between the pictures shows as blur.
    """
    whole = whole_level(planes, black, top)
    starts = [np.zeros((len(planes), 2))]
    near = np.rint(_coarse(planes))
    if COARSE_MATTERS_PX < np.abs(near).max() <= 2 * MOST_SHIFT_PX:
        starts.append(near)
    told: list[Motion] = []
    for level in (reduced_level(whole), whole):
        look = _Look.of(level, there, noise)
        found = [one for start in starts if (one := look.settled(start)) is not None] if len(look.corners) else []
        if not found:
            continue
        best = min(found, key=lambda one: one.unlike)
        told.append(best.motion)
        if best.hopeless:
            break
        starts = [best.motion.shifts_px]
    if not told:
        return None
    explained = min(one.explained for one in told)
    return replace(min(told, key=lambda one: float(one.u_px.max())), explained=explained)


@dataclass(frozen=True, eq=False)
class _Found:
    """A motion, how unlike the pictures remain, and whether they shine so that no closer look would tell more."""

    motion: Motion
    unlike: float
    hopeless: bool


@dataclass(frozen=True, eq=False)
class _Look:
    """A level with its tiles, the lamps' pulls at each and their horizontal directions `leans` (n, 2).

    `noisy`: the mean square of what no surface could show that noise makes; `allowed`: with a trace of gloss.
    """

    level: Level
    corners: Corners
    pulls: Sequence[Array]
    leans: Array
    noisy: float
    allowed: float

    @staticmethod
    def of(level: Level, there: LightField, noise: float) -> "_Look":
        middle, corners = there.middle, tiles(level)
        leans = middle[:, :2] / np.linalg.norm(middle, axis=1, keepdims=True) * (1.0, -1.0)
        pulls = [_pulls_near(there, (corner + level.tile_px // 2) * level.by) for corner in corners]
        light = float(np.mean([np.mean(p[::8, ::8]) for p in level.planes])) - level.black
        blurred = noise**2 / (level.correlated * level.by**2)
        return _Look(level, corners, pulls, leans, blurred, blurred + (STILL_SHARE * light) ** 2)

    def settled(self, start_px: Array) -> _Found | None:
        """Return the motion found from a start, or None where nothing is told."""
        first, told = Seen.at(self.level, self.corners, np.zeros_like(start_px)), None
        shifts, covariance = start_px / self.level.by, np.empty((0, 0))
        for k in range(ROUNDS):
            seen = Seen.at(self.level, self.corners, shifts)
            if seen is None:
                return None
            told = None if k < PAIRS_ALONE else equations(seen, self.pulls, self.leans)
            off, covariance = step(seen, told, self.leans)
            shifts = shifts + off * min(1.0, MOST_STEP / max(float(np.abs(off).max()), 1e-9))
            if np.abs(shifts).max() > 3 * MOST_SHIFT_PX / self.level.by:
                return None
            settled = SETTLED_PX / self.level.by + SETTLED_SHARE * np.sqrt(np.diag(covariance))
            if told is not None and np.all(np.abs(off[1:].ravel()) < settled):
                break
        if first is None or seen is None or told is None:
            return None
        return self._judged(shifts, covariance, first, seen, told[0])

    def _judged(self, shifts: Array, covariance: Array, first: Seen, last: Seen, after: Told) -> _Found:
        """Return what was found, with what is left unexplained as doubt: gloss pulls a picture towards its lamp."""
        before = equations(first, self.pulls, self.leans)[0]
        was, rest = (told.rest / max(told.count, 1) for told in (before, after))
        left = max(rest - self.allowed, 0.0)
        by_noise = rest <= STILL_TIMES**2 * self.noisy
        explained = 1.0 if by_noise else max(0.0, (was - rest) / max(was - self.noisy, 1e-12))
        pulled = left * after.count / max(after.moving, 1e-12)
        if not by_noise:
            # It shines, so that what lies towards the lamps in turn may as well be gloss.
            off, way = shifts[1:].ravel(), _towards(self.leans)
            pulled += _along(way, off, np.linalg.inv(covariance)) ** 2
        covariance = (covariance + pulled * _leaning(self.leans)) * self.level.by**2
        hopeless = explained < EXPLAINED and left > SHINES * self.allowed
        motion = Motion(shifts * self.level.by, covariance, self.leans, explained)
        return _Found(motion, rest / max(was, 1e-12) + 1 - alike(last), hopeless)


def _towards(leans: Array) -> Array:
    """Return what shifts of all pictures but the first are, flattened, where each moves by 1 px towards its lamp."""
    return np.asarray((leans[1:] - leans[0]).ravel())


def _along(way: Array, off: Array, weight: NDArray[Any]) -> float:
    """Return how many times a way lies in what is off, weighed."""
    return float(way @ weight @ off) / float(way @ weight @ way)


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


def looks_still(planes: Sequence[NDArray[Any]], there: LightField, black: float, noise: float) -> bool:
    """Return whether four lamps or more agree, where most detail is, to within noise and what a surface may depart by.

    Then nothing moved that would show: a cheap look, to be spared the search. Of three lamps it is never sure.
    """
    level = whole_level(planes, black, np.inf)
    corners, size = tiles(level), level.tile_px
    if len(planes) < 4 or len(corners) == 0:
        return len(corners) == 0
    off, light = [], []
    for corner in corners:
        x, y = corner
        v = np.stack([p[y : y + size, x : x + size].astype(np.float32) - black for p in planes])
        rest = np.tensordot(no_surface(_pulls_near(there, corner + size // 2)).T, v, 1)
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


def _pulls_near(there: LightField, at_px: NDArray[np.int_]) -> Array:
    ny, nx = there.pulls.shape[:2]
    x, y = at_px // there.step_px
    return np.asarray(there.pulls[min(int(y), ny - 1), min(int(x), nx - 1)], np.float64)


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
