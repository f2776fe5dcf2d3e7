"""Painting over a region: strokes of a hand in the picture, kept as the picture of the region's box, where it goes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.masks import Mask, box_size, points_of
from tiepoint.recipe.regions import Shape
from tiepoint.station.recipes.places import Frame

Bools = NDArray[np.bool_]
LEAST, MOST = 64, 1024
"""Places of a new mask along the sides of its box, px."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line (n, 2) in the picture that is painted over, `radius_px` to both sides; or, `erase`, laid open again."""

    points_px: Sequence[Sequence[float]]
    radius_px: float
    erase: bool = False


def painted(mask: Mask | None, shape: Shape, frame: Frame, strokes: Sequence[Stroke], size: tuple[int, int]) -> Bools:
    """Return what a mask hides (rows, cols) of a region's box once strokes were laid over the picture of that size.

    Raises `UnusableInput` where nothing of the region would be left to look at.
    """
    import cv2

    before = np.zeros(_grid(shape, frame), bool) if mask is None else mask.painted.copy()
    rows, cols = before.shape
    own = np.stack(np.meshgrid((np.arange(cols) + 0.5) / cols * 2 - 1, 1 - (np.arange(rows) + 0.5) / rows * 2), axis=-1)
    px = frame.to_px(points_of(shape, own.reshape(-1, 2), frame.is_down))
    width, height = size
    at = np.rint(np.nan_to_num(px, nan=-1.0)).astype(np.int64)
    seen = (at >= 0).all(axis=1) & (at[:, 0] < width) & (at[:, 1] < height)
    for stroke in strokes:
        canvas = np.zeros((height, width), np.uint8)
        line = np.rint(np.clip(np.array(stroke.points_px, float), -1e4, 1e5)).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(canvas, [line], False, 255, max(1, round(2 * stroke.radius_px)), cv2.LINE_8)
        cv2.circle(canvas, tuple(int(v) for v in line[0, 0]), max(1, round(stroke.radius_px)), 255, -1)
        under = np.zeros(len(at), bool)
        under[seen] = canvas[at[seen, 1], at[seen, 0]] > 0
        before[under.reshape(rows, cols)] = not stroke.erase
    if before.all():
        raise UnusableInput("the mask would hide the whole region; leave some of it to look at")
    return before


def mask_png(hidden: Bools) -> bytes:
    """Return a mask as a picture: white is not looked at."""
    import cv2

    _, data = cv2.imencode(".png", np.where(hidden, 255, 0).astype(np.uint8))
    return bytes(data.tobytes())


def _grid(shape: Shape, frame: Frame) -> tuple[int, int]:
    """Return rows and columns of a new mask: about a place for each pixel of the picture."""
    corners = frame.to_px(points_of(shape, np.array([[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0]]), frame.is_down))
    if not np.isfinite(corners).all():
        wide, tall = box_size(shape)
        scale = MOST / max(wide, tall)
        wide, tall = wide * scale, tall * scale
    else:
        wide, tall = (float(np.hypot(*(corners[k] - corners[0]))) for k in (1, 2))
    cols, rows = (int(np.clip(round(v), LEAST, MOST)) for v in (wide, tall))
    return rows, cols
