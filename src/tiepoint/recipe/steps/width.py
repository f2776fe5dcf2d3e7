"""`width`: of a bar or a slot, between two opposite edges."""

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.layout import box_of
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.sizes import OPERATORS, SizeOperator, local_extremes, width_of
from tiepoint.recipe.widths import measure_width


class WidthTable(SoughtTable):
    """`polarity` is that of the first edge along the search: `rising` for a bright bar; the last is opposite.

    `operator` (ISO 14405-1): between the two least-squares lines at the middle of what was seen, the mean of local
    two-point sizes, or that of the widest parallel pair of lines between the edges or the narrowest around them.
    """

    region: RectangleRegion
    operator: SizeOperator = "least-squares"


def run(context: Context) -> StepResult:
    """Measure the width between the first and the last edge of a rectangle."""
    table = context.table
    assert isinstance(table, WidthTable)
    found = measure_width(context, box_of(context, table.region.rectangle), table.polarity)
    if isinstance(found, Reason):
        return StepResult.without(found)
    width = found.width if table.operator == "least-squares" else width_of(context, found.sides, table.operator)
    told: dict[str, Told] = {"width": width, "taper": found.taper, **local_extremes(context, found.sides)}
    return StepResult(told, None, table.operator, (found,), found.ends)


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
