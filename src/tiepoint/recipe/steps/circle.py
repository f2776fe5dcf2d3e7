"""`circle`: the edge of a hole, a disc or a boss, all round."""

import math

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.fits import form_of
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.regions import RingRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.shapes import FoundCircle, measure_circle
from tiepoint.recipe.sizes import OPERATORS, SizeOperator, diameter_of, local_extremes


class CircleTable(SoughtTable):
    """`operator`: how the size is taken from the edge (ISO 14405-1): by the least-squares circle, as the mean of local
    two-point sizes, by the largest circle inside the edge or by the smallest around it. The place is always that of
    the least-squares circle.
    """

    region: RingRegion
    operator: SizeOperator = "least-squares"


def run(context: Context) -> StepResult:
    """Measure a circle."""
    table = context.table
    assert isinstance(table, CircleTable)
    ring = table.region.ring
    radii = (ring.inner * context.unit, ring.outer * context.unit)
    found = measure_circle(context, context.place(ring.centre), radii, (0.0, math.tau), table.polarity)
    if isinstance(found, Reason):
        return StepResult.without(found)
    return StepResult(told_of(context, found, table.operator), found.feature, table.operator, (found,))


def told_of(context: Context, found: FoundCircle, operator: SizeOperator) -> dict[str, Told]:
    """Return the size of a found circle, and what else is asked for."""
    diameter = diameter_of(context, found, operator)
    radius = diameter if isinstance(diameter, Reason) else diameter.times(0.5)
    told: dict[str, Told] = {"diameter": diameter, "radius": radius, **local_extremes(context, found)}
    if context.asks("form"):
        told["form"] = form_of(found.scatter, context.prefix)
    if context.asks("x", "y"):
        told |= context.coordinates(found.feature)
    return told


STEP = StepKind(
    kind="circle",
    says="The edge of a hole, a disc or a boss, sought outwards in a ring.",
    table=CircleTable,
    quantities=(
        Quantity("diameter", "length", "by the operator", always=True),
        Quantity("radius", "length", "half the diameter"),
        Quantity("least", "length", "the least local two-point diameter"),
        Quantity("greatest", "length", "the greatest local two-point diameter"),
        Quantity("x", "length", "of the centre, by least squares"),
        Quantity("y", "length", "of the centre, by least squares"),
        Quantity("form", "length", "rms deviation from the circle that the edge noise does not explain"),
    ),
    run=run,
    gives="point",
    operators=OPERATORS,
)
