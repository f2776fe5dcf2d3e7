"""`edge`: the place where the middle of a rectangle crosses an edge."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values, ensemble, together
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
    """The edge of a single strip: too little of it to compare how it looks."""

    outlines: tuple[Array, ...]
    flags: tuple[str, ...]
    looks: tuple[EdgeLook, ...] = ()


def run(context: Context) -> StepResult:
    """Measure where the axis of the rectangle crosses an edge."""
    table = context.table
    assert isinstance(table, EdgeStepTable)
    box = box_of(context, table.region.rectangle)
    strips = over_box(context, box, table.polarity, table.of_several, is_one=True)
    points = strips if isinstance(strips, Reason) else edge_points(context, strips, 1)
    if isinstance(points, Reason):
        return StepResult.without(points)
    lean = float(points.normal[0] @ box.across)
    noise, spread = ensemble(
        f"edges:{context.prefix}",
        f'edge noise of "{table.name}"',
        np.array([[(points.u[0] / lean) ** 2]]),
        "pixel",
        math.inf,
    )
    # The axis stays, the edge moves: whatever shifts it along its normal moves the crossing along the axis.
    shift = context.shift
    row = np.concatenate([spread[0], points.normal[0] @ points.d_sources[0] / lean])
    light = float(points.light[0]) / lean
    crossing = points.xy[0] - shift.bias * light * box.across
    offset = Values((crossing - box.centre)[None] @ box.across, row[None], together(noise, points.sources))
    if shift.source is not None:
        offset = offset.with_source(shift.source, np.array([light]))
    # A search along an axis leaves the other coordinate where the rectangle has it: rounding is no uncertainty.
    along = np.where(np.abs(box.across) < 1e-12, 0.0, box.across)
    xy = Values(crossing, np.outer(along, offset.c[0]), offset.sources)
    point = PointFeature(xy)
    mark = FoundMark((crossing + np.outer([-0.7, 0.7], box.half_along * box.along),), points.flags)
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
