"""`angle`: from one line to another."""

import math

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.features import ABOUT_DEG
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.relations import crossing, turn_between
from tiepoint.recipe.schema import BetweenTable
from tiepoint.recipe.tables import Number


class AngleTable(BetweenTable):
    """`about_deg`: the angle is told within 90° of this. 45 suits parallel lines and square ones."""

    about_deg: Number = ABOUT_DEG


def run(context: Context) -> StepResult:
    """Measure the angle from the first line to the second, counter-clockwise."""
    table = context.table
    assert isinstance(table, AngleTable)
    first, second = context.lines()
    corner = crossing(first, second)
    at = second.ends.mean(axis=0) if isinstance(corner, Reason) else corner.at
    return StepResult({"angle": turn_between(first, second, math.radians(table.about_deg))}, at=at)


STEP = StepKind(
    kind="angle",
    says="The angle from one line to another, counter-clockwise as seen, within 90° of `about_deg`.",
    table=AngleTable,
    quantities=(Quantity("angle", "angle", "from the first line to the second", always=True),),
    run=run,
    takes=(("line", "line"),),
)
