"""`true_position`: how far a place lies from where the drawing wants it, as ISO 1101 counts it."""

from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.features import Derived, LineFeature, PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.relations import from_points, in_datums
from tiepoint.recipe.schema import StepTable
from tiepoint.recipe.tables import Name, VaryingPoint

Array = NDArray[np.float64]


class TruePositionTable(StepTable):
    """`of`: the place that is judged. `nominal`: where the drawing wants it, in the frame of the datums.

    `datums`: a line and a second line or a place; or two places. The frame of a line is that of the step, turned until
    the line is parallel to the axis that it lies nearer to, with its origin where the second line crosses it, or at the
    foot of the place on it. The frame of two places has its origin at the first and +x towards the second. Without
    datums the frame is that of the step itself.
    """

    of: Name
    nominal: VaryingPoint
    datums: Annotated[tuple[Name, ...], Field(strict=False, min_length=2, max_length=2)] | None = None

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The place, then its datums."""
        return (self.of, *(self.datums or ()))


def run(context: Context) -> StepResult:
    """Measure the diameter of the zone about the nominal place that just holds the actual one."""
    table = context.table
    assert isinstance(table, TruePositionTable)
    seen = _seen(context)
    if isinstance(seen, Reason):
        return StepResult.without(seen)
    nominal = context.place(table.nominal) if table.datums is None else np.array(table.nominal) * context.unit
    dx, dy = (seen.xy[k].at(seen.xy[k].value - float(nominal[k])) for k in (0, 1))
    down = -1.0 if context.ground.frame == "image" and table.datums is None else 1.0
    told: dict[str, Told] = {"position": Derived(zone_diameter, (dx, dy), 0.0), "dx": dx, "dy": dy.times(down)}
    return StepResult(told, at=context.points()[0].at)


def zone_diameter(deviation: Array) -> Array:
    """Return 2·√(dx² + dy²) (ISO 1101: the tolerance zone is a circle of that diameter) for (2, draws)."""
    return np.asarray(2.0 * np.hypot(deviation[0], deviation[1]))


def _seen(context: Context) -> PointFeature | Reason:
    """Return the judged place in the frame of its datums."""
    place, *datums = context.features
    assert isinstance(place, PointFeature)
    if not datums:
        return place
    first, second = datums
    if isinstance(first, LineFeature):
        return in_datums(place, first, second)
    assert isinstance(second, PointFeature)
    return from_points(place, first, second)


STEP = StepKind(
    kind="true_position",
    says="Position after ISO 1101: twice the distance between a place and its nominal place, seen from datums.",
    table=TruePositionTable,
    quantities=(
        Quantity("position", "length", "diameter of the zone that just holds the place", always=True),
        Quantity("dx", "length", "deviation along x, seen from the datums"),
        Quantity("dy", "length", "deviation along y, seen from the datums"),
    ),
    run=run,
    takes=(("point",), ("point", "line", "line"), ("point", "line", "point"), ("point", "point", "point")),
)
