"""`point`: a place made of two features."""

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.features import Feature, LineFeature, PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.relations import crossing, foot, middle
from tiepoint.recipe.schema import BetweenTable


def run(context: Context) -> StepResult:
    """Make the point that the two features determine."""
    point = point_between(*context.features)
    if isinstance(point, Reason):
        return StepResult.without(point)
    return StepResult(context.coordinates(point), point, at=point.at)


def point_between(first: Feature, second: Feature) -> PointFeature | Reason:
    """Return the crossing of two lines, the foot of a place on a line, or the middle of two places."""
    if isinstance(first, LineFeature):
        return crossing(first, second) if isinstance(second, LineFeature) else foot(second, first)
    return foot(first, second) if isinstance(second, LineFeature) else middle(first, second)


STEP = StepKind(
    kind="point",
    says="The crossing of two lines, the middle of two places, or the foot of a place on a line.",
    table=BetweenTable,
    quantities=(
        Quantity("x", "length", "of the point", always=True),
        Quantity("y", "length", "of the point", always=True),
    ),
    run=run,
    gives="point",
    takes=(("line", "line"), ("point", "point"), ("point", "line"), ("line", "point")),
)
