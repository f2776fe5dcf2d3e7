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
from tiepoint.recipe.regions import Rectangle
from tiepoint.recipe.schema import Polarity
from tiepoint.recipe.seek import SHORTEST_PX

Array = NDArray[np.float64]

LONGEST_PX = 20_000.0
NARROW_PX, MOST_STRIPS = 3.0, 720
"""Width of strips round a circle, unless that makes more of them than this."""
BROAD_PX, FEWEST_BROAD, MOST_BROAD = 8.0, 15, 400
"""The same along a straight line, where wider strips lose nothing."""
MOST_FIRST, MOST_FIRST_ROUND = 24, 72
"""The most strips of a first look, along a box and in a ring."""
PLATEAU = 28.0
"""Length of the second look's strips, in whole blurs: with 12, free levels cost a twentieth more in precision."""
SECOND_LOOK_PX = 16.0
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
        return np.array([-self.across[1], self.across[0]])

    @property
    def ends(self) -> Array:
        """The middles of both sides along the search (2, 2)."""
        return np.array([self.centre - self.half_along * self.along, self.centre + self.half_along * self.along])


def box_of(context: Context, rectangle: Rectangle) -> Box:
    """Return a rectangle of the recipe on the ground."""
    angle = math.radians(rectangle.angle_deg)
    half_across, half_along = (s * context.unit / 2 for s in rectangle.size)
    across = np.array([math.cos(angle), math.sin(angle)])
    return Box(context.place(rectangle.centre), across, half_across, half_along)


def strips_between(
    context: Context,
    starts: Array,
    ends: Array,
    width_px: float,
    polarity: Polarity,
    of_several: OfSeveral = "clearest",
) -> Strips | Reason:
    """Return strips from places to places on the ground (n, 2); a reason where the picture shows no such place."""
    sight = context.ground.sight
    a, b = sight.to_px(starts), sight.to_px(ends)
    away = b - a
    length = math.sqrt(float((away * away).sum(axis=1).max()))
    # What is not finite anywhere is not here either.
    if not length <= LONGEST_PX:
        return Reason("outside_picture")
    length = max(length, SHORTEST_PX)
    return Strips((a + b) / 2, away, length, min(max(width_px, 1.0), LONGEST_PX), polarity, of_several)


def over_box(
    context: Context,
    box: Box,
    polarity: Polarity,
    of_several: OfSeveral = "clearest",
    is_fine: bool = False,
) -> Strips | Reason:
    """Return strips side by side over a box, along its search; `is_fine`: as many as a second look has."""
    long_px = length_px(context, box.ends)
    count = _along_count(long_px) if is_fine else int(min(max(long_px / BROAD_PX, 3), MOST_FIRST))
    at = (np.arange(count) + 0.5) / count * 2 - 1
    middles = box.centre + at[:, None] * box.half_along * box.along
    reach = box.half_across * box.across
    return strips_between(context, middles - reach, middles + reach, long_px / count, polarity, of_several)


def along_line(
    context: Context, ends: Array, reach: float, blur_px: float, polarity: Polarity, across: Array
) -> Strips | Reason:
    """Return strips square to a line between two places (2, 2), with `reach` to each side, crossed along `across`."""
    dx, dy = (ends[1] - ends[0]).tolist()
    size = math.copysign(math.hypot(dx, dy), dx * across[1] - dy * across[0])
    normal = np.array([-dy / size, dx / size])
    long_px = length_px(context, ends)
    count = _along_count(long_px)
    at = (np.arange(count) + 0.5) / count
    middles = ends[0] + at[:, None] * (ends[1] - ends[0])
    half = _half_length(context, middles, reach, blur_px)
    width = max(long_px / count, NARROW_PX)
    return strips_between(context, middles - half * normal, middles + half * normal, width, polarity)


def _along_count(long_px: float) -> int:
    """Return how many strips a second look has along a straight edge.

    Short edges get narrower strips instead of few: a scratch then costs a few points and not the fit.
    """
    return max(int(min(max(long_px / BROAD_PX, FEWEST_BROAD), MOST_BROAD, long_px / NARROW_PX)), 4)


def _round_count(long_px: float, most: int) -> int:
    """Return how many strips there are round a circle, always even: each of a full circle has one opposite to it."""
    return int(min(max(long_px / NARROW_PX, 8), most)) // 2 * 2


def is_shallow(context: Context, place: Array, half: float) -> bool:
    """Whether a region that reaches so far to both sides of a place, on the ground, is shallow in the picture."""
    return 2 * half <= SHALLOW_PX * scale_at(context, place)


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
    full = span_rad[1] - span_rad[0]
    middle = (radii[0] + radii[1]) / 2
    scale = scale_at(context, centre)
    long_px = full * middle / scale
    count = _round_count(long_px, MOST_STRIPS if is_fine else MOST_FIRST_ROUND)
    angles = span_rad[0] + (np.arange(count) + 0.5) / count * full
    unit = np.column_stack([np.cos(angles), np.sin(angles)])
    # As wide as fits side by side at the inner radius, between what a fit needs and what a coarse look gains from.
    width = min(max(full * radii[0] / scale / count, NARROW_PX), 2 * NARROW_PX)
    width = max(long_px / count, NARROW_PX) if is_fine else width
    return strips_between(context, centre + radii[0] * unit, centre + radii[1] * unit, width, polarity)


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
    full = span_rad[1] - span_rad[0]
    long_px = full * r / scale_at(context, centre)
    count = _round_count(long_px, MOST_STRIPS)
    angles = span_rad[0] + (np.arange(count) + 0.5) / count * full
    unit = np.column_stack([np.cos(angles), np.sin(angles)])
    points = centre + r * unit
    half = min(_half_length(context, points, reach, blur_px), 0.9 * r)
    width = max(long_px / count, NARROW_PX)
    return strips_between(context, points - half * unit, points + half * unit, width, polarity)


def scale_at(context: Context, place: Array) -> float:
    """Return ground units in one pixel at a place (2,): the root of the area that one pixel covers."""
    (a, b), (c, d) = context.ground.sight.project(place[None])[1][0].tolist()
    return 1.0 / math.sqrt(abs(a * d - b * c))


def length_px(context: Context, ends: Array) -> float:
    """Return how long the way between two places (2, 2) is in the picture."""
    (ax, ay), (bx, by) = context.ground.sight.to_px(ends).tolist()
    return math.hypot(bx - ax, by - ay)


def _half_length(context: Context, middles: Array, reach: float, blur_px: float) -> float:
    """Return half of the second look's strip length on the ground: some blurs, within the region's own reach."""
    scale = scale_at(context, middles[len(middles) // 2])
    return float(min(max(PLATEAU * blur_px, SECOND_LOOK_PX) * scale / 2, reach))
