"""Where labels go: beside what they belong to, over no other label and over as little of the drawing as can be."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """The part of a picture that is shown: its upper left pixel and its size, px."""

    x: int
    y: int
    width: int
    height: int

    @property
    def unit(self) -> float:
        """A thousandth of its width, in px: what sizes of the drawing are told in."""
        return self.width / 1000

    @classmethod
    def around(cls, lines: list[Array], size: tuple[int, int], margin: float) -> "View":
        """Return the view of lines (n, 2) with a margin, as a share of their larger extent; the picture for none."""
        solid = [line for line in lines if len(line) and np.isfinite(line).all()]
        if not solid:
            return cls(0, 0, *size)
        every = np.vstack(solid)
        low, high = every.min(axis=0), every.max(axis=0)
        # Never closer than a sixth of the picture: a single hole would fill the sheet, and nobody would know where.
        extent = high - low
        reach = np.maximum(extent / 2 + margin * extent.max(), np.array(size) / 12)
        middle = (low + high) / 2
        x0, y0 = (max(0, math.floor(float(v))) for v in middle - reach)
        x1, y1 = (min(s, math.ceil(float(v)) + 1) for v, s in zip(middle + reach, size, strict=True))
        return cls(x0, y0, x1 - x0, y1 - y0) if x1 - x0 > 8 and y1 - y0 > 8 else cls(0, 0, *size)


class Places:
    """Remembers what a view already holds: labels as boxes, drawn lines as points."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.boxes: list[tuple[float, float, float, float]] = []
        self.points = np.zeros((0, 2))

    def keep_clear(self, line: Array) -> None:
        """Remember a drawn line (n, 2), for labels to keep clear of."""
        if len(line) < 2 or not np.isfinite(line).all():
            return
        step = 4 * self.view.unit
        for a, b in pairwise(line):
            count = min(int(np.hypot(*(b - a)) / step) + 1, 2000)
            along = np.linspace(a, b, count, endpoint=False)
            self.points = np.vstack([self.points, along])

    def free(self, at: Array, wide: float, tall: float, beside_first: bool) -> tuple[float, float]:
        """Return the upper left corner for a label of a size about a place (2,), and remember it."""
        inside = [self._clamped(*corner, wide, tall) for corner in self._corners(at, wide, tall, beside_first)]
        costs = [self._cost(x, y, wide, tall) + 0.02 * k * wide * tall for k, (x, y) in enumerate(inside)]
        best = inside[int(np.argmin(costs))]
        self.boxes.append((*best, wide, tall))
        return best

    def _corners(self, at: Array, wide: float, tall: float, beside_first: bool) -> list[tuple[float, float]]:
        """Return corners in the order of preference: near before far, above right before below left."""
        x, y = (float(v) for v in at)
        corners = []
        for distance in (6.0, 18.0, 34.0, 55.0):
            gap = distance * self.view.unit
            beside = [(x + gap, y - tall / 2), (x - wide - gap, y - tall / 2)]
            middle = [(x - wide / 2, y + gap), (x - wide / 2, y - tall - gap)]
            above, below = y - tall - gap, y + gap
            slanted = [(x + gap, above), (x + gap, below), (x - wide - gap, above), (x - wide - gap, below)]
            corners += [*beside, *slanted, *middle] if beside_first else [*slanted, *middle, *beside]
        return corners

    def _clamped(self, x: float, y: float, wide: float, tall: float) -> tuple[float, float]:
        view = self.view
        right, bottom = max(view.x + view.width - wide, view.x), max(view.y + view.height - tall, view.y)
        return min(max(x, view.x), right), min(max(y, view.y), bottom)

    def _cost(self, x: float, y: float, wide: float, tall: float) -> float:
        """Return how much of a label would cover others, or lines: a crossed line counts for a third of the label."""
        area = 0.0
        for ox, oy, ow, oh in self.boxes:
            area += max(0.0, min(x + wide, ox + ow) - max(x, ox)) * max(0.0, min(y + tall, oy + oh) - max(y, oy))
        px, py = self.points.T
        crossed = int(((px > x) & (px < x + wide) & (py > y) & (py < y + tall)).sum())
        return 2.0 * area + crossed * 4 * self.view.unit * tall / 3
