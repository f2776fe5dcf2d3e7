"""How strips are laid over a region, and over what a first look found there.

A first look needs few strips over the whole region; the second lays narrow strips, side by side, square to the shape
that the first one found. So each pixel along the edge is used once, and a hole that is off its place costs nothing.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, OfSeveral, Strips
from tiepoint.recipe.look_kernels import FIRST, ONE, SECOND, lay_box, lay_round, lay_straight
from tiepoint.recipe.regions import Rectangle
from tiepoint.recipe.schema import Polarity
from tiepoint.ties.sight import scale_there

Array = NDArray[np.float64]

SHALLOW_PX = 40.0
"""A region that reaches no further along the search gets the second look's strips at once."""


@dataclass(frozen=True)
class Box:
    """A rectangle on the ground about `centre` (2,): `across` (2,) is the unit vector of its search."""

    centre: Array
    across: Array
    half_across: float
    half_along: float

    @property
    def along(self) -> Array:
        """Unit vector square to the search, to its left (2,)."""
        x, y = self.across.tolist()
        return np.array([-y, x])


def box_of(context: Context, rectangle: Rectangle) -> Box:
    """Return a rectangle of the recipe on the ground."""
    angle, (half_across, half_along) = math.radians(rectangle.angle_deg), rectangle.size
    across = np.array([math.cos(angle), math.sin(angle)])
    half = context.unit / 2
    return Box(context.place(rectangle.centre), across, half_across * half, half_along * half)


def over_box(
    context: Context,
    box: Box,
    polarity: Polarity,
    of_several: OfSeveral = "clearest",
    is_fine: bool = False,
    is_one: bool = False,
) -> Strips | Reason:
    """Return strips side by side over a box, along its search; `is_fine`: as many as a second look has.

    `is_one`: a single one, as wide as the box.
    """
    sizes, look = np.empty(2), ONE if is_one else SECOND if is_fine else FIRST
    (x, y), (dx, dy), sight = box.centre.tolist(), box.across.tolist(), context.ground.sight.numbers
    boxes = lay_box(sight, x, y, dx, dy, box.half_across, box.half_along, look, sizes)
    return _laid(boxes, sizes, polarity, of_several)


def along_line(
    context: Context, ends: Array, reach: float, blur_px: float, polarity: Polarity, across: Array
) -> Strips | Reason:
    """Return strips square to a line between two places (2, 2), with `reach` to each side, crossed along `across`."""
    sizes = np.empty(2)
    boxes = lay_straight(context.ground.sight.numbers, ends, across, reach, blur_px, SECOND, sizes)
    return _laid(boxes, sizes, polarity)


def is_shallow(context: Context, place: Array, half: float) -> bool:
    """Whether a region that reaches so far to both sides of a place, on the ground, is shallow in the picture."""
    x, y = place.tolist()
    return bool(2 * half <= SHALLOW_PX * scale_there(context.ground.sight.numbers, float(x), float(y)))


def around(
    context: Context,
    centre: Array,
    radii: tuple[float, float],
    span_rad: tuple[float, float],
    polarity: Polarity,
    is_fine: bool = False,
) -> Strips | Reason:
    """Return the first look's strips, outwards between two radii over a span of angles.

    `is_fine`: as many, and as wide, as a second look has.
    """
    inner, outer = radii
    look = SECOND if is_fine else FIRST
    return _round(context, centre, (inner + outer) / 2, (outer - inner) / 2, span_rad, math.inf, look, polarity)


def on_circle(
    context: Context,
    circle: tuple[Array, float],
    reach: float,
    span_rad: tuple[float, float],
    blur_px: float,
    polarity: Polarity,
) -> Strips | Reason:
    """Return the second look's strips, outwards across a circle, side by side."""
    centre, r = circle
    return _round(context, centre, r, min(reach, 0.9 * r), span_rad, blur_px, SECOND, polarity)


def _round(
    context: Context, centre: Array, radius: float, reach: float, span_rad: tuple[float, float], blur_px: float,
    look: int, polarity: Polarity,
) -> Strips | Reason:  # fmt: skip
    sizes, sight, (x, y) = np.empty(2), context.ground.sight.numbers, centre.tolist()
    boxes = lay_round(sight, float(x), float(y), float(radius), float(reach), *span_rad, blur_px, look, sizes)
    return _laid(boxes, sizes, polarity)


def _laid(boxes: Array, sizes: Array, polarity: Polarity, of_several: OfSeveral = "clearest") -> Strips | Reason:
    """Return the strips that were laid; a reason where the picture does not show them."""
    if not len(boxes):
        return Reason("outside_picture")
    length_px, width_px = sizes.tolist()
    return Strips(boxes, length_px, width_px, polarity, of_several)
