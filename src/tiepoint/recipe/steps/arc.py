"""`arc`: a piece of a circle."""

import math

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.regions import ArcRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.shapes import measure_circle
from tiepoint.recipe.steps.circle import told_of


class ArcTable(SoughtTable):
    """An arc has no opposite points: its radius is always by least squares."""

    region: ArcRegion


def run(context: Context) -> StepResult:
    """Measure an arc."""
    table = context.table
    assert isinstance(table, ArcTable)
    arc = table.region.arc
    radii = ((arc.radius - arc.width / 2) * context.unit, (arc.radius + arc.width / 2) * context.unit)
    span = (math.radians(arc.from_deg), math.radians(arc.to_deg))
    found = measure_circle(context, context.place(arc.centre), radii, span, table.polarity)
    if isinstance(found, Reason):
        return StepResult.without(found)
    return StepResult(told_of(context, found, "least-squares"), found.feature, "least-squares", (found,))


STEP = StepKind(
    kind="arc",
    says="A piece of a circle, sought outwards. Below 90° the radius and the centre lean on each other, which is "
    "flagged and shows in their uncertainty.",
    table=ArcTable,
    quantities=(
        Quantity("radius", "length", "by least squares", always=True),
        Quantity("diameter", "length", "twice the radius"),
        Quantity("x", "length", "of the centre"),
        Quantity("y", "length", "of the centre"),
        Quantity("form", "length", "rms deviation from the arc that the edge noise does not explain"),
    ),
    run=run,
    gives="point",
)
