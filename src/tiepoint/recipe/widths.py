"""Measure the width between two opposite straight edges."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value
from tiepoint.recipe.context import Context, EdgeLook, Strips
from tiepoint.recipe.features import LineFeature
from tiepoint.recipe.fit_kernels import middle_along
from tiepoint.recipe.layout import Box, over_box
from tiepoint.recipe.relations import PARALLEL_DEG
from tiepoint.recipe.schema import Polarity
from tiepoint.recipe.seek import edge_points
from tiepoint.recipe.shapes import FoundLine, polarity_of, refine_line

Array = NDArray[np.float64]

OPPOSITE: dict[Polarity, Polarity] = {
    "either": "either",
    "rising": "falling",
    "falling": "rising",
}


@dataclass(frozen=True)
class FoundWidth:
    """A measured width: between the two least-squares lines, at the middle of both.

    `taper` is the angle from the first line to the last; `ends` (2, 2) are those of the dimension.
    """

    width: Value
    taper: Value
    sides: tuple[FoundLine, FoundLine]
    ends: Array

    @property
    def outlines(self) -> tuple[Array, ...]:
        """Both edges, for drawing."""
        return tuple(line for side in self.sides for line in side.outlines)

    @property
    def flags(self) -> tuple[str, ...]:
        """The flags of both edges."""
        return tuple(sorted({flag for side in self.sides for flag in side.flags}))

    @property
    def looks(self) -> tuple[EdgeLook, ...]:
        """How both edges look."""
        return tuple(look for side in self.sides for look in side.looks)


def measure_width(context: Context, box: Box, polarity: Polarity) -> FoundWidth | Reason:
    """Measure between the first and the last edge of a box; `polarity` is that of the first, the last is opposite."""
    sides = _both_sides(context, box, polarity)
    if isinstance(sides, Reason):
        return sides
    # An edge along -x is found at +180° or at -180°: the mean of both would run the other way, its left on the right.
    first = sides[0].feature
    last = sides[1].feature.running(first.angle_rad)
    turn_rad = last.angle_rad - first.angle_rad
    if abs(math.degrees(turn_rad)) > PARALLEL_DEG:
        return Reason("not_parallel", {"angle_deg": round(abs(math.degrees(turn_rad)), 1)})
    width, taper, ends = _across(first, last, turn_rad)
    return FoundWidth(width, taper, sides, ends)


def _both_sides(context: Context, box: Box, polarity: Polarity) -> tuple[FoundLine, FoundLine] | Reason:
    strips = over_box(context, box, polarity, "nearest")
    if isinstance(strips, Reason):
        return strips
    first = edge_points(context, strips, 3, with_sources=False)
    if isinstance(first, Reason):
        return first
    sense = polarity_of(first, polarity)
    strips = Strips(strips.boxes, strips.length_px, strips.width_px, OPPOSITE[sense], "farthest")
    last = edge_points(context, strips, 3, with_sources=False)
    if isinstance(last, Reason):
        return last
    # Each side is looked at again only as far as the middle between both, so that neither takes the other's edge.
    half = abs(middle_along(last.xy, box.across) - middle_along(first.xy, box.across)) / 2
    near = Box(box.centre, box.across, min(half, box.half_across), box.half_along)
    # The noise of one edge is not that of the other: each has sources of its own.
    one = refine_line(context.within("first"), near, first, sense)
    if isinstance(one, Reason):
        return one
    other = refine_line(context.within("last"), near, last, OPPOSITE[sense])
    return other if isinstance(other, Reason) else (one, other)


def _across(first: LineFeature, last: LineFeature, turn_rad: float) -> tuple[Value, Value, Array]:
    """Return the distance of two lines that run the same way, at the middle of both, and the turn between them.

    The third are the ends (2, 2) of the dimension.
    """
    half = (first.angle_rad + last.angle_rad) / 2
    dx, dy = math.cos(half), math.sin(half)
    (px, py), (qx, qy), (ux, uy), (vx, vy) = [
        x.tolist() for x in (first.anchor, last.anchor, first.direction, last.direction)
    ]
    p, q, along_p, along_q = px * dx + py * dy, qx * dx + qy * dy, ux * dx + uy * dy, vx * dx + vy * dy
    at = (p + along_p * (first.start + first.end) / 2 + q + along_q * (last.start + last.end) / 2) / 2
    way_p, way_q = (at - p) / along_p, (at - q) / along_q
    ends = np.array([[px + way_p * ux, py + way_p * uy], [qx + way_q * vx, qy + way_q * vy]])
    jacobian = np.array([[-1.0, -way_p, 1.0, way_q], [0.0, -1.0, 0.0, 1.0]])
    distance = float((ends[1] - ends[0]) @ (-dy, dx))
    width, taper = first.values.beside(last.values).through(np.array([distance, turn_rad]), jacobian)
    return (width if width.value >= 0 else width.times(-1.0)), taper, ends
