"""`width`: of a bar or a slot, between two opposite edges."""

from typing import Literal

import numpy as np

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value, combine
from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.features import LineFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.layout import Box, box_of, over_box
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.relations import PARALLEL_DEG, turn_between
from tiepoint.recipe.schema import Polarity, SoughtTable
from tiepoint.recipe.seek import EdgePoints, edge_points
from tiepoint.recipe.shapes import FoundLine, polarity_of, refine_line
from tiepoint.recipe.sizes import OPERATORS, SizeOperator, local_extremes, width_of

OPPOSITE: dict[Polarity, Polarity] = {
    "any": "any",
    "dark-to-light": "light-to-dark",
    "light-to-dark": "dark-to-light",
}


class WidthTable(SoughtTable):
    """`polarity` is that of the first edge along the search: `dark-to-light` for a bright bar; the last is opposite.

    `operator` (ISO 14405-1): between the two least-squares lines at the middle of what was seen, the mean of local
    two-point sizes, or that of the widest parallel pair of lines between the edges or the narrowest around them.
    """

    region: RectangleRegion
    operator: SizeOperator = "least-squares"


def run(context: Context) -> StepResult:
    """Measure the width between the first and the last edge of a rectangle."""
    table = context.table
    assert isinstance(table, WidthTable)
    sides = _both_sides(context, box_of(context, table.region.rectangle), table.polarity)
    if isinstance(sides, Reason):
        return StepResult.without(sides)
    first, last = (side.feature for side in sides)
    turn = turn_between(first, last, 0.0)
    flags = tuple(sorted({*sides[0].flags, *sides[1].flags}))
    if abs(np.degrees(turn.value)) > PARALLEL_DEG:
        return StepResult.without(Reason("not_parallel", {"angle_deg": round(abs(float(np.degrees(turn.value))), 1)}))
    width: Value | Reason
    width, ends = _width_of(first, last)
    if table.operator != "least-squares":
        width = width_of(context, sides, table.operator)
    told: dict[str, Told] = {"width": width, "taper": turn, **local_extremes(context, sides)}
    return StepResult(told, None, flags, table.operator, (first.ends, last.ends), ends)


def _both_sides(context: Context, box: Box, polarity: Polarity) -> tuple[FoundLine, FoundLine] | Reason:
    """Return the first and the last edge of a box, of opposite polarity."""
    first = _look(context, box, polarity, "first")
    if isinstance(first, Reason):
        return first
    sense = polarity_of(first, polarity)
    last = _look(context, box, OPPOSITE[sense], "last")
    if isinstance(last, Reason):
        return last
    # Each side is looked at again only as far as the middle between both, so that neither takes the other's edge.
    half = abs(float(np.median(last.xy @ box.across) - np.median(first.xy @ box.across))) / 2
    near = Box(box.centre, box.across, min(half, box.half_across), box.half_along)
    # The noise of one edge is not that of the other: each has sources of its own.
    one = refine_line(context.within("first"), near, first, sense)
    other = one if isinstance(one, Reason) else refine_line(context.within("last"), near, last, OPPOSITE[sense])
    return (one, other) if isinstance(one, FoundLine) and isinstance(other, FoundLine) else _reason(one, other)


def _look(context: Context, box: Box, polarity: Polarity, which: Literal["first", "last"]) -> EdgePoints | Reason:
    strips = over_box(context, box, polarity, which)
    return strips if isinstance(strips, Reason) else edge_points(context, strips, 3)


def _reason(one: FoundLine | Reason, other: FoundLine | Reason) -> Reason:
    return one if isinstance(one, Reason) else other if isinstance(other, Reason) else Reason("not_a_number")


def _width_of(first: LineFeature, last: LineFeature) -> tuple[Value, np.ndarray[tuple[int, int], np.dtype[np.float64]]]:
    """Return the distance of the two least-squares lines at the middle of both, and the ends of its dimension."""
    half = (first.angle_rad + last.angle_rad) / 2
    d, normal = np.array([np.cos(half), np.sin(half)]), np.array([-np.sin(half), np.cos(half)])
    at = sum(float(line.ends.mean(axis=0) @ d) for line in (first, last)) / 2
    places, parts = [], []
    for line, sign in ((first, -1.0), (last, 1.0)):
        along = (at - float(line.anchor @ d)) / float(line.direction @ d)
        places.append(line.anchor + along * line.direction)
        parts += [(line.values[0], sign), (line.values[1], sign * along)]
    width = float((places[1] - places[0]) @ normal)
    told = combine(width, parts)
    return (told if width >= 0 else told.times(-1.0)), np.array(places)


STEP = StepKind(
    kind="width",
    says="The width of a bar or a slot: between the first and the last edge along the search of a rectangle, which "
    "must be of opposite polarity.",
    table=WidthTable,
    quantities=(
        Quantity("width", "length", "between both edges, by the operator", always=True),
        Quantity("least", "length", "the least local two-point width"),
        Quantity("greatest", "length", "the greatest local two-point width"),
        Quantity("taper", "angle", "from the first edge to the last"),
    ),
    run=run,
    operators=OPERATORS,
)
