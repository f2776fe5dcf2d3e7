"""`edge`: the place where the middle of a rectangle crosses an edge."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values, members, together
from tiepoint.recipe.context import Context, EdgeLook, OfSeveral, StepResult
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.layout import box_of, over_box
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.seek import edge_points

Array = NDArray[np.float64]


class EdgeStepTable(SoughtTable):
    """`of_several`: which edge is meant of several, the `clearest`, or the `nearest` or `farthest` along the search."""

    region: RectangleRegion
    of_several: OfSeveral = "clearest"


@dataclass(frozen=True)
class FoundMark:
    """The edge of a single strip, `at` a place (2,) with its `side` (2,): too little of it to compare how it looks."""

    at: Array
    side: Array
    flags: tuple[str, ...]
    looks: tuple[EdgeLook, ...] = ()

    @property
    def outlines(self) -> tuple[Array, ...]:
        """A mark along the edge, for drawing."""
        return (self.at + np.outer([-0.7, 0.7], self.side),)


def run(context: Context) -> StepResult:
    """Measure where the axis of the rectangle crosses an edge."""
    table = context.table
    assert isinstance(table, EdgeStepTable)
    box = box_of(context, table.region.rectangle)
    strips = over_box(context, box, table.polarity, table.of_several, is_one=True)
    points = strips if isinstance(strips, Reason) else edge_points(context, strips, 1)
    if isinstance(points, Reason):
        return StepResult.without(points)
    across, normal, shift = box.across, points.normal[0], context.shift
    lean = float(normal @ across)
    light, spread = float(points.light[0]) / lean, abs(float(points.u[0]) / lean)
    # Without any noise there is no such source.
    noise = members(f"edges:{context.prefix}", f'edge noise of "{table.name}"', int(spread > 0), "pixel", math.inf)
    sources = together(noise, points.sources)
    # The axis stays, the edge moves: whatever shifts it along its normal moves the crossing along the axis.
    row = np.full((1, len(sources)), spread)
    row[0, len(noise) :] = normal @ points.d_sources[0] / lean
    crossing = points.xy[0] - shift.bias * light * across
    offset = Values(np.array([(crossing - box.centre) @ across]), row, sources)
    if shift.source is not None:
        offset = offset.with_source(shift.source, np.array([light]))
    # A search along an axis leaves the other coordinate where the rectangle has it: rounding is no uncertainty.
    along = np.array([[0.0 if abs(way) < 1e-12 else way] for way in across.tolist()])
    point = PointFeature(Values(crossing, along * offset.c, offset.sources))
    mark = FoundMark(crossing, box.half_along * box.along, points.flags)
    return StepResult({"offset": offset[0], **context.coordinates(point)}, point, None, (mark,))


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
