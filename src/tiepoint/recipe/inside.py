"""The pixels of a region: all whose middles lie in it and that no mask covers."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, corners, placed, towards
from tiepoint.recipe.ground import Ground
from tiepoint.recipe.masks import Mask, own_places
from tiepoint.recipe.regions import Arc, Path, Polygon, Rectangle, Ring, Shape
from tiepoint.vision.seek_teach import inside_polygon

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

SIDE = np.linspace(0, 1, 16, endpoint=False)[:, None]
"""Places along a side of a region, which the lens bends."""
ROUND = 96
"""Points around a full circle: their chords leave it by half a thousandth of its radius."""
EDGE_PX = 0.5
"""How far a region may reach beyond the outermost pixels' middles: to the border of the picture."""


@dataclass(frozen=True)
class Inside:
    """The box of a region in the picture, from pixel (`left`, `top`), and which of it is `looked` at (rows, cols)."""

    left: int
    top: int
    looked: Bools

    def cut(self, picture: NDArray[Any]) -> NDArray[Any]:
        """Return the box out of a picture (rows, columns, …)."""
        rows, cols = self.looked.shape
        return picture[self.top : self.top + rows, self.left : self.left + cols]


def inside(context: Context, shape: Shape, size: tuple[int, ...], mask: Mask | None = None) -> Inside | Reason:
    """Return the pixels of a region in a picture of a size (rows, columns); a reason where it leaves that."""
    return inside_on(context.ground, shape, context.unit, size, mask)


def inside_on(ground: Ground, shape: Shape, unit: float, size: tuple[int, ...], mask: Mask | None) -> Inside | Reason:
    """Do the same for a region on a ground; `unit`: ground units in one of the recipe."""
    lines = [ground.sight.to_px(_bent(line)) for line in outlines(shape, ground.frame, unit)]
    every = np.vstack(lines)
    rows, cols = size[:2]
    # NaN, where the picture shows no such place, is within no bounds.
    if not ((every >= -EDGE_PX) & (every <= [cols - 1 + EDGE_PX, rows - 1 + EDGE_PX])).all():
        return Reason("outside_picture")
    low, high = np.ceil(every.min(axis=0)).astype(int), np.floor(every.max(axis=0)).astype(int)
    left, top = (int(v) for v in low)
    looked = np.zeros((max(int(high[1]) - top + 1, 0), max(int(high[0]) - left + 1, 0)), bool)
    for line in lines:
        looked ^= inside_polygon(line - low, looked.shape)
    if mask is not None and looked.any():
        _cover(looked, mask, ground, shape, unit, (left, top))
    return Inside(left, top, looked)


def outlines(shape: Shape, frame: str, unit: float) -> list[Array]:
    """Return the outlines (n, 2) of a region on the ground, without the first point once more; two of a ring."""
    if isinstance(shape, (Rectangle, Polygon)):
        return [corners(shape, frame, unit)]
    if isinstance(shape, Path):
        raise TypeError("a path has no outline: what lies along it depends on the step")
    centre = placed(shape.centre, frame, unit)
    if isinstance(shape, Ring):
        around = towards(np.linspace(0.0, math.tau, ROUND, endpoint=False))
        return [centre + unit * r * around for r in (shape.outer, shape.inner)]
    return [centre + unit * _sector(shape)]


def _sector(arc: Arc) -> Array:
    angles = np.radians(np.linspace(arc.from_deg, arc.to_deg, ROUND + 1))
    outer, inner = (arc.radius + s * arc.width / 2 for s in (1, -1))
    return np.vstack([outer * towards(angles), inner * towards(angles[::-1])])


def _bent(line: Array) -> Array:
    """Return an outline with places between its corners, where it has few."""
    if len(line) >= ROUND:
        return line
    return np.concatenate([a + SIDE * (b - a) for a, b in zip(line, np.roll(line, -1, axis=0), strict=True)])


def _cover(looked: Bools, mask: Mask, ground: Ground, shape: Shape, unit: float, corner: tuple[int, int]) -> None:
    rows, cols = np.nonzero(looked)
    px = np.column_stack([cols + corner[0], rows + corner[1]]).astype(float)
    places = ground.way.map(px, with_sources=False).xy_mm
    looked[rows, cols] = ~mask.hides(own_places(shape, places / unit, is_down=ground.frame == "image"))
