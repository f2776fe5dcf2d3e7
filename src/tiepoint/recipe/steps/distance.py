"""`distance`: between two places, a place and a line, or two nearly parallel lines."""

import numpy as np
from numpy.typing import NDArray

from tiepoint.recipe.context import Context, StepResult, Told
from tiepoint.recipe.features import Feature, LineFeature, PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.relations import between_lines, between_points, point_to_line
from tiepoint.recipe.schema import BetweenTable

Array = NDArray[np.float64]


def run(context: Context) -> StepResult:
    """Measure the distance of the two features; between two places also its parts along x and y."""
    first, second = context.features
    told: dict[str, Told] = {"distance": distance_of(first, second)}
    if isinstance(first, PointFeature) and isinstance(second, PointFeature) and context.asks("dx", "dy"):
        down = -1.0 if context.ground.frame == "image" else 1.0
        told["dx"] = second.xy[0].plus(first.xy[0], -1.0)
        told["dy"] = second.xy[1].plus(first.xy[1], -1.0).times(down)
    return StepResult(told, dimension=ends_of(first, second))


def ends_of(first: Feature, second: Feature) -> Array:
    """Return the two places (2, 2) between which the dimension is drawn."""
    if isinstance(first, PointFeature) and isinstance(second, PointFeature):
        return np.array([first.at, second.at])
    if isinstance(first, PointFeature):
        return ends_of(second, first)[::-1]
    x, y = (second.at if isinstance(second, PointFeature) else second.anchor).tolist()
    (ax, ay), (dx, dy) = first.anchor.tolist(), first.direction.tolist()
    along = dx * (x - ax) + dy * (y - ay)
    return np.array([[ax + along * dx, ay + along * dy], [x, y]])


def distance_of(first: Feature, second: Feature) -> Told:
    """Return the distance of two features."""
    if isinstance(first, LineFeature):
        return between_lines(first, second) if isinstance(second, LineFeature) else point_to_line(second, first)
    return point_to_line(first, second) if isinstance(second, LineFeature) else between_points(first, second)


STEP = StepKind(
    kind="distance",
    says="The distance between two places, a place and a line, or two lines that are parallel within 10°. "
    "Between lines it is taken at the middle of the stretch where both were seen.",
    table=BetweenTable,
    quantities=(
        Quantity("distance", "length", "shortest distance", always=True),
        Quantity("dx", "length", "along x, from the first place to the second"),
        Quantity("dy", "length", "along y, from the first place to the second"),
    ),
    run=run,
    takes=(("point", "point"), ("point", "line"), ("line", "point"), ("line", "line")),
)
