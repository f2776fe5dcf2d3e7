"""`line`: a straight edge."""

import math

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.features import ABOUT_DEG
from tiepoint.recipe.fits import form_of
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.layout import box_of
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.shapes import measure_line
from tiepoint.recipe.tables import Number


class LineTable(SoughtTable):
    """`about_deg`: the line's angle is told, and the line runs, within 90° of this."""

    region: RectangleRegion
    about_deg: Number = ABOUT_DEG


def run(context: Context) -> StepResult:
    """Measure a straight edge."""
    table = context.table
    assert isinstance(table, LineTable)
    found = measure_line(context, box_of(context, table.region.rectangle), table.polarity)
    if isinstance(found, Reason):
        return StepResult.without(found)
    line = found.feature.running(math.radians(table.about_deg))
    told: dict[str, Told] = {"angle": line.values[1]}
    if context.asks("form"):
        told["form"] = form_of(found.scatter, context.prefix)
    return StepResult(told, line, "least-squares", (found,))


STEP = StepKind(
    kind="line",
    says="A straight edge that runs across the search of a rectangle.",
    table=LineTable,
    quantities=(
        Quantity("angle", "angle", "of the line against +x, counter-clockwise", always=True),
        Quantity("form", "length", "rms deviation from the line that the edge noise does not explain"),
    ),
    run=run,
    gives="line",
)
