"""`edge`: the place where the middle of a rectangle crosses an edge."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values, members, together
from tiepoint.recipe.context import Context, EdgeLook, OfSeveral, StepResult, Told
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.layout import Box, box_of, over_box
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.seek import EdgePoints, edge_points

Array = NDArray[np.float64]


class EdgeStepTable(SoughtTable):
    """`of_several`: which edge is meant of several, the `clearest`, or the `nearest` or `farthest` along the search."""

    region: RectangleRegion
    of_several: OfSeveral = "clearest"


@dataclass(frozen=True)
class FoundMark:
    """The edge of a single strip, `at` a place (2,) within its `box`: too little of it to compare how it looks."""

    at: Array
    box: Box
    flags: tuple[str, ...]
    looks: tuple[EdgeLook, ...] = ()

    @property
    def outlines(self) -> tuple[Array, ...]:
        """A mark along the edge, for drawing."""
        return (self.at + np.outer([-0.7, 0.7], self.box.half_along * self.box.along),)


def run(context: Context) -> StepResult:
    """Measure where the axis of the rectangle crosses an edge."""
    table = context.table
    assert isinstance(table, EdgeStepTable)
    box = box_of(context, table.region.rectangle)
    strips = over_box(context, box, table.polarity, table.of_several, is_one=True)
    points = strips if isinstance(strips, Reason) else edge_points(context, strips, 1)
    if isinstance(points, Reason):
        return StepResult.without(points)
    crossing = crossing_of(context, box, points)
    point = PointFeature(Values(crossing.value[1:], crossing.c[1:], crossing.sources))
    told: dict[str, Told] = {"offset": crossing[0]}
    if context.asks("x", "y"):
        told |= context.coordinates(point)
    return StepResult(told, point, None, (FoundMark(point.at, box, points.flags),))


def crossing_of(context: Context, box: Box, points: EdgePoints) -> Values:
    """Return where the axis of a box crosses the edge through a point (3): along the axis from its middle, x and y.

    The axis stays, the edge moves: whatever shifts it along its normal moves the crossing along the axis.
    """
    (cx, cy), (dx, dy), shift = box.centre.tolist(), box.across.tolist(), context.shift
    (px, py), (nx, ny, *_) = points.xy[0].tolist(), points.seen[0].tolist()
    lean = nx * dx + ny * dy
    light, spread = float(points.light[0]) / lean, abs(float(points.u[0]) / lean)
    # Without any noise there is no such source.
    label = f'edge noise of "{context.table.name}"'
    noise = members(f"edges:{context.prefix}", label, int(spread > 0), "pixel", math.inf)
    sources = together(noise, points.sources)
    row = np.full(len(sources), spread)
    row[len(noise) :] = np.array([nx / lean, ny / lean]) @ points.d_sources[0]
    x, y = px - shift.bias * light * dx, py - shift.bias * light * dy
    # A search along an axis leaves the other coordinate where the rectangle has it: rounding is no uncertainty.
    ways = np.array([1.0, *(0.0 if abs(way) < 1e-12 else way for way in (dx, dy))])
    crossing = Values(np.array([(x - cx) * dx + (y - cy) * dy, x, y]), np.outer(ways, row), sources)
    return crossing if shift.source is None else crossing.with_source(shift.source, light * ways)


STEP = StepKind(
    kind="edge",
    says="The place where the axis of a rectangle crosses an edge, averaged over the rectangle's width.",
    table=EdgeStepTable,
    quantities=(
        Quantity("offset", "length", "from the rectangle's centre, along its search", always=True),
        Quantity("x", "length", "of the place"),
        Quantity("y", "length", "of the place"),
    ),
    run=run,
    gives="point",
)
