"""One size from many edge points: the operators of ISO 14405-1, as values over noise, tie and edge definition.

Least squares goes through the fit's own parameters, so that it stays correlated with place and direction. The others
are `vision.operators`; those that few points carry are corrected for what noise adds to them on average, and the
correction is named, with its amount, among the sources.
"""

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value
from tiepoint.recipe.context import Context, Told
from tiepoint.recipe.fits import CURVATURE, Scatter
from tiepoint.recipe.seek import EdgePoints
from tiepoint.recipe.shapes import FoundCircle, FoundLine, curvature_moves
from tiepoint.vision.definition import shift_coefficients
from tiepoint.vision.operators import Size, circle_size, local_diameters, local_widths, width_size

Array = NDArray[np.float64]
SizeOperator = Literal["least-squares", "two-point", "max-inscribed", "min-circumscribed"]
OPERATORS: tuple[SizeOperator, ...] = ("least-squares", "two-point", "max-inscribed", "min-circumscribed")


def diameter_of(context: Context, found: FoundCircle, operator: SizeOperator) -> Value | Reason:
    """Return the diameter of a found circle by an operator."""
    if operator == "least-squares":
        return found.values[2].times(2.0)
    try:
        size = circle_size(found.points.xy, found.fit, operator, u=_noise(found))
    except PoorGeometry:
        return Reason("not_a_number")
    return _on_curve(value_of_size(context, size, found.points, found.scatter), size, found)


def width_of(context: Context, sides: tuple[FoundLine, FoundLine], operator: SizeOperator) -> Value | Reason:
    """Return the width between two found edges by an operator other than least squares."""
    one, two = (side.points for side in sides)
    both = one.and_(two)
    try:
        size = width_size(one.xy, two.xy, operator, u=_noise(*sides))
    except PoorGeometry:
        return Reason("not_a_number")
    return value_of_size(context, size, both, _joint(sides))


def local_extremes(context: Context, found: FoundCircle | tuple[FoundLine, FoundLine]) -> dict[str, Told]:
    """Return the least and the greatest local two-point size, as far as they are asked for."""
    if not context.asks("least", "greatest"):
        return {}
    if isinstance(found, FoundCircle):
        points, scatter = found.points, found.scatter
    else:
        points, scatter = found[0].points.and_(found[1].points), _joint(found)
    try:
        if isinstance(found, FoundCircle):
            local = local_diameters(points.xy, found.fit, u=_noise(found))
        else:
            local = local_widths(found[0].points.xy, found[1].points.xy, u=_noise(*found))
    except PoorGeometry:
        return {"least": Reason("not_a_number"), "greatest": Reason("not_a_number")}
    told: dict[str, Told] = {}
    for name, size in (("least", local.least), ("greatest", local.greatest)):
        value = value_of_size(context, size, points, scatter, name)
        told[name] = _on_curve(value, size, found) if isinstance(found, FoundCircle) else value
    return told


def value_of_size(context: Context, size: Size, points: EdgePoints, scatter: Scatter, name: str = "") -> Value:
    """Return a size as a value; `points` are those that its sensitivities run over."""
    label = name or size.operator
    u_noise = size.u_noise
    if size.u_bias == 0:
        # Linear in the points: their own scatter says how much, and not only what the pixels' noise would do.
        u_noise = math.sqrt(scatter.tau * float(np.sum(size.sensitivity**2 * scatter.variance)))
    prefix = f"edges:{context.prefix}/{label}"
    noise = Source(prefix, f'Edge noise of "{context.table.name}"', "A", u_noise, "pixel", "normal", scatter.dof)
    terms = {noise: 1.0}
    moves = np.einsum("ni,nim->nm", size.normals, points.d_sources)
    terms.update(zip(points.sources, (float(k) for k in size.sensitivity @ moves), strict=True))
    if context.shift.source is not None:
        (shift,) = shift_coefficients(size.sensitivity[None], points.towards_light(size.normals)).tolist()
        # The part's frame may have moved with the same cause.
        terms[context.shift.source] = terms.get(context.shift.source, 0.0) + shift
    if size.u_bias > 0:
        said = f"Correction of {-size.bias:+.2g} for the pull of noise on the {label} size"
        terms[Source(f"{prefix}-bias", said, "B", size.u_bias, "pixel")] = 1.0
    return Value(size.corrected, {s: c for s, c in terms.items() if c})


def _on_curve(value: Value, size: Size, found: FoundCircle) -> Value:
    """Return a circle's size with what the correction for curvature does not know."""
    return value.with_source(CURVATURE, float(size.sensitivity @ curvature_moves(found.points, found.fit.radius)))


def _noise(*found: FoundCircle | FoundLine) -> Array:
    """Return the noise of the points (n,) of each found shape, enlarged to their scatter where no form is sure.

    Chance alone leaves half of all fits more scatter than their noise explains. Taken for form, it would hide a part
    of what noise does to the extremal sizes.
    """
    return np.concatenate(
        [f.points.u * (1.0 if f.fit.form > 0 else max(1.0, f.fit.sigma / f.fit.noise)) for f in found]
    )


def _joint(sides: tuple[FoundLine, FoundLine]) -> Scatter:
    """Return the scatter of the points of both edges together."""
    one, two = (side.scatter for side in sides)
    return Scatter(
        np.concatenate([np.broadcast_to(side.scatter.variance, len(side.points)) for side in sides]),
        one.dof + two.dof,
        max(one.tau, two.tau),
        (one.mean_square + two.mean_square) / 2,
        (one.noise_ms + two.noise_ms) / 2,
        one.count + two.count,
    )
