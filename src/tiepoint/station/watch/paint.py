"""Paint a defect of known size into a copy of a real picture: through the tie, with the picture's own blur and noise.

How much of each pixel a defect covers is worked out on a finer grid in mm, averaged over the pixel and blurred as the
picture is; a spot smaller than the blur is as faint as a real one would be. What stands in its place is darker or
brighter than what was there (spot, scratch), or the ground beside it (gap, hole), with noise that is taken from
pixels beside it, scaled as that of light is: by the square root of the grey value.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
PaintedKind = Literal["spot", "scratch", "gap", "hole"]

FINER = 8
"""Grid points in a pixel's width, where the defect is no narrower than three pixels."""
ACROSS = 24
"""Grid points across the narrower side of a defect; fewer only where `MOST_FINE` would be passed."""
MOST_FINE = 2400
NOISE_PX = 2.0
"""What a picture does over more than this is not its noise."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """What is painted: `length_mm` along `angle_rad` (in mm, x towards y) and `width_mm` across; round ones have both
    alike. `factor`: brightness over that of the surroundings; None: the ground beside it takes its place.
    """

    kind: PaintedKind
    length_mm: float
    width_mm: float
    angle_rad: float = 0.0
    factor: float | None = None


@dataclass(frozen=True)
class Painted:
    """A copy with a defect, where in it (x, y) px that is, and its `cover` (rows, cols) from `corner` (x, y) on."""

    pixels: NDArray[Any]
    at_px: tuple[float, float]
    corner: tuple[int, int]
    cover: Array


def painted(
    pixels: NDArray[Any], at_px: tuple[float, float], mm_from_px: Array, stroke: Stroke, blur_px: float,
    rng: np.random.Generator, full: float,
) -> Painted:  # fmt: skip
    """Return a picture (rows, cols) or (rows, cols, 3) with a stroke at a place.

    `mm_from_px` (2, 2): ∂mm/∂px of the tie there. `blur_px`: standard deviation of the picture's optical blur. `full`:
    the grey at which the picture saturates. Raises `UnusableInput` where the defect does not lie in the picture, with
    what is beside it.
    """
    px_from_mm = np.asarray(np.linalg.inv(mm_from_px), float)
    half_mm = math.hypot(stroke.length_mm, stroke.width_mm) / 2
    half = math.ceil(half_mm * float(np.linalg.norm(px_from_mm, 2)) + 4 * blur_px + 2)
    x0, y0 = math.floor(at_px[0]) - half, math.floor(at_px[1]) - half
    side = 2 * half + 2
    aside = _aside(stroke, px_from_mm, blur_px, rng)
    boxes = [(x0, y0), (x0 + aside[0], y0 + aside[1])]
    if any(x < 0 or y < 0 or x + side > pixels.shape[1] or y + side > pixels.shape[0] for x, y in boxes):
        raise UnusableInput(
            f"a {stroke.kind} at {at_px[0]:.0f}, {at_px[1]:.0f} px does not lie in the picture with what is beside it; "
            "choose its places farther inside"
        )
    places = np.array([at_px[0] - x0, at_px[1] - y0])
    cover = _cover(stroke, places, mm_from_px, side, blur_px)
    copy = pixels.copy()
    planes = copy[:, :, None] if copy.ndim == 2 else copy
    for k in range(planes.shape[2]):
        here = planes[y0 : y0 + side, x0 : x0 + side, k]
        beside = planes[boxes[1][1] : boxes[1][1] + side, boxes[1][0] : boxes[1][0] + side, k]
        new = _filled(here.astype(float), beside.astype(float), cover, stroke, places, mm_from_px)
        here[:] = np.clip(np.rint(new), 0, full).astype(here.dtype)
    return Painted(copy, at_px, (x0, y0), cover)


def _own(stroke: Stroke, places: Array, mm_from_px: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Return where points (px from the box's corner) lie along and across the stroke, in mm."""
    away = np.stack([x - places[0], y - places[1]], axis=-1) @ mm_from_px.T
    c, s = math.cos(stroke.angle_rad), math.sin(stroke.angle_rad)
    return away[..., 0] * c + away[..., 1] * s, -away[..., 0] * s + away[..., 1] * c


def _cover(stroke: Stroke, places: Array, mm_from_px: Array, side: int, blur_px: float) -> Array:
    """Return which share of each pixel of the box the stroke covers, blurred as the picture is."""
    narrow_px = min(stroke.length_mm, stroke.width_mm) / math.sqrt(abs(float(np.linalg.det(mm_from_px))))
    finer = max(4, min(max(FINER, math.ceil(ACROSS / narrow_px)), MOST_FINE // side))
    fine = (np.arange(side * finer) + 0.5) / finer - 0.5
    x, y = np.meshgrid(fine, fine)
    along, across = _own(stroke, places, mm_from_px, x, y)
    if stroke.kind in ("spot", "hole"):
        inside = np.hypot(along, across) <= stroke.length_mm / 2
    else:
        inside = (np.abs(along) <= stroke.length_mm / 2) & (np.abs(across) <= stroke.width_mm / 2)
    # On the fine grid: a kernel of so few pixels is none of that blur any more.
    blurred = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), max(blur_px * finer, 0.1))
    return np.asarray(blurred.reshape(side, finer, side, finer).mean(axis=(1, 3), dtype=float), float)


def _aside(stroke: Stroke, px_from_mm: Array, blur_px: float, rng: np.random.Generator) -> tuple[int, int]:
    """Return how far beside the defect its noise is taken from, in whole px."""
    turn = stroke.angle_rad + math.pi / 2 * float(rng.choice([-1, 1]))
    way = px_from_mm @ np.array([math.cos(turn), math.sin(turn)])
    size = stroke.width_mm if stroke.kind in ("gap", "scratch") else stroke.length_mm
    step = way * size + way / np.hypot(*way) * (4 * blur_px + 4)
    return round(float(step[0])), round(float(step[1]))


def _filled(here: Array, beside: Array, cover: Array, stroke: Stroke, places: Array, mm_from_px: Array) -> Array:
    around = np.maximum(cv2.GaussianBlur(beside, (0, 0), NOISE_PX), 1.0)
    noise = beside - around
    # What stands beside it may have edges, and these are no noise: six median deviations hold nearly all that is.
    most = 6 * 1.4826 * float(np.median(np.abs(noise)))
    noise = np.clip(noise, -most, most)
    # The smoothed picture has taken a little of the noise away: what is left of its variance, by the kernel's middle.
    noise /= math.sqrt(1 - 1 / (4 * math.pi * NOISE_PX**2))
    if stroke.factor is None:
        level = _ground(here, cover, stroke, places, mm_from_px)
    else:
        level = np.asarray(stroke.factor * cv2.GaussianBlur(here, (0, 0), NOISE_PX), float)
    noise *= np.sqrt(np.maximum(level, 1.0) / around)
    return here + cover * (level + noise - here)


def _ground(here: Array, cover: Array, stroke: Stroke, places: Array, mm_from_px: Array) -> Array:
    """Return the plane through what lies beside a gap, on both sides of it, or around a hole."""
    rows, cols = here.shape
    y, x = np.mgrid[:rows, :cols].astype(float)
    along, across = _own(stroke, places, mm_from_px, x, y)
    px = math.sqrt(abs(float(np.linalg.det(mm_from_px))))
    if stroke.kind == "gap":
        outside = np.abs(across) - stroke.width_mm / 2
        near = (np.abs(along) <= max(stroke.length_mm / 2, 1.5 * px)) & (outside > 0)
    else:
        outside = np.hypot(along, across) - stroke.length_mm / 2
        near = outside > 0
    ring = near & (cover < 0.02) & (outside <= max(4 * px, 0.2 * stroke.width_mm))
    if ring.sum() < 6:
        ring = cover < 0.02
    terms = np.column_stack([np.ones(int(ring.sum())), x[ring], y[ring]])
    a, b, c = np.linalg.lstsq(terms, here[ring], rcond=None)[0]
    return np.asarray(a + b * x + c * y)
