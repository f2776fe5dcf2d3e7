"""A picture made smaller by halves: finding needs the large shape only, and a quarter costs a sixteenth."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.full_scale import full_scale

Array = NDArray[np.float64]
Picture = NDArray[Any]

_LONG_SIDES_PX = (700, 1400, 2800)
"""Longest side of the levels that are tried, coarse first; the whole picture comes last."""


@dataclass(frozen=True)
class Level:
    """A smaller picture: grey (h, w) as f32, and how many pixels of the whole one a pixel of it covers."""

    grey: NDArray[np.float32]
    factor: int

    def to_picture(self, xy: Array) -> Array:
        """Return places (…, 2) in pixels of the whole picture."""
        return (xy + 0.5) * self.factor - 0.5

    def from_picture(self, xy: Array) -> Array:
        """Return places (…, 2) in pixels of this level."""
        return (xy + 0.5) / self.factor - 0.5


class Levels:
    """The levels of one picture (h, w; u8, u16 or f32), made when they are first asked for."""

    def __init__(self, picture: Picture) -> None:
        self.full_scale = full_scale([picture]) if picture.dtype.kind == "u" else float(picture.max())
        self._halves: list[Picture] = [picture]
        self._made: dict[int, Level] = {}
        long_side = max(picture.shape)
        sides = [side for side in _LONG_SIDES_PX if side < long_side]
        self.steps: list[int] = sorted({_halvings(long_side, side) for side in sides} | {0}, reverse=True)

    def at(self, step: int) -> Level:
        """Return the picture halved `step` times."""
        if step not in self._made:
            while len(self._halves) <= step:
                self._halves.append(_half(self._halves[-1]))
            self._made[step] = Level(self._halves[step].astype(np.float32), 2**step)
        return self._made[step]

    def at_most(self, factor: float) -> Level:
        """Return the coarsest level whose pixels cover at most `factor` pixels of the whole picture."""
        return self.at(next((step for step in self.steps if 2**step <= factor), 0))


def _halvings(long_side: int, side: int) -> int:
    step = 0
    while long_side / 2**step > side:
        step += 1
    return step


def _half(picture: Picture) -> Picture:
    height, width = picture.shape[0] // 2, picture.shape[1] // 2
    # Exact halves take OpenCV's fast path: twenty times faster than one step to a quarter.
    return cv2.resize(picture[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
