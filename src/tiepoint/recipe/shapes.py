"""Measure one circle, arc or straight edge: look, fit, look again where it was found, fit, and say how sure it is."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values, half_width
from tiepoint.recipe.context import Context, EdgeLook
from tiepoint.recipe.features import LineFeature, PointFeature
from tiepoint.recipe.fits import Scatter, belongs, flags_of, look_of, scatter_of, values_of
from tiepoint.recipe.layout import Box, along_line, around, is_shallow, on_circle, over_box
from tiepoint.recipe.schema import Polarity
from tiepoint.recipe.seek import EdgePoints, edge_points, few
from tiepoint.vision.fits import CircleFit, LineFit, fit_arc, fit_circle, fit_line
from tiepoint.vision.shape_kernels import median

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

CIRCLE_NEEDS, LINE_NEEDS = 5, 4
SHARE_NEEDED = 0.3
"""Share of the strips that must show an edge: less is an accident of the surface."""
SQUARE = math.cos(math.radians(2.0))
"""A first look that crossed the edge as squarely as this needs no second one: strips find their own tilt."""
FULL = math.tau - 1e-9
CURVATURE = half_width("model:edge-curvature", "Edge seen on a curve", 0.04, "instrument")
"""In px·px over the radius in px: what noise-free circles of 10 to 80 px and blurs of 0.5 to 1.5 px are off by."""


@dataclass(frozen=True)
class FoundCircle:
    """A measured circle or arc: its `points`, their `fit`, and the parameters (x, y, r) as values."""

    values: Values
    points: EdgePoints
    fit: CircleFit
    scatter: Scatter
    flags: tuple[str, ...]
    span_rad: tuple[float, float]

    @property
    def feature(self) -> PointFeature:
        """The centre as a place, with the radius."""
        return PointFeature(Values(self.values.value[:2], self.values.c[:2], self.values.sources), self.values[2])

    @property
    def outlines(self) -> tuple[Array, ...]:
        """The circle itself, for drawing."""
        angles = np.linspace(*self.span_rad, 97)
        return (self.fit.centre + self.fit.radius * np.column_stack([np.cos(angles), np.sin(angles)]),)

    @property
    def looks(self) -> tuple[EdgeLook, ...]:
        """How its edge looks."""
        return (look_of(self.fit, self.points),)


@dataclass(frozen=True)
class FoundLine:
    """A measured straight edge."""

    feature: LineFeature
    points: EdgePoints
    fit: LineFit
    scatter: Scatter
    flags: tuple[str, ...]

    @property
    def outlines(self) -> tuple[Array, ...]:
        """What was seen of it, for drawing."""
        return (self.feature.ends,)

    @property
    def looks(self) -> tuple[EdgeLook, ...]:
        """How it looks."""
        return (look_of(self.fit, self.points),)


def measure_circle(
    context: Context, centre: Array, radii: tuple[float, float], span_rad: tuple[float, float], polarity: Polarity
) -> FoundCircle | Reason:
    """Measure the circle whose edge lies between two radii about a centre, over a span of angles."""
    reach = (radii[1] - radii[0]) / 2
    at_once = is_shallow(context, centre, reach)
    strips = around(context, centre, radii, span_rad, polarity, at_once)
    first = strips if isinstance(strips, Reason) else edge_points(context, strips, CIRCLE_NEEDS, with_sources=at_once)
    if isinstance(first, Reason):
        return first
    rough = _circle_through(first, is_full=True)
    if rough is None or not _is_within(rough, centre, radii):
        return Reason("no_edge")
    span = _span_from(rough, centre, span_rad)
    if at_once and _is_round_about(rough, centre, radii) and is_plain(first, polarity, CIRCLE_NEEDS):
        return _fitted_circle(context, first, rough, span)
    sense, blur = polarity_of(first, polarity, belongs(rough)), median(first.blur_whole_px)
    strips = on_circle(context, (rough.centre, rough.radius), reach, span, blur, sense)
    if isinstance(strips, Reason):
        return strips
    points = edge_points(context, strips, needed_of(len(strips.centres), CIRCLE_NEEDS))
    if isinstance(points, Reason):
        return points
    bent = _circle_through(points, is_full=True)
    return Reason("not_a_number") if bent is None else _fitted_circle(context, points, bent, span)


def measure_line(context: Context, box: Box, polarity: Polarity) -> FoundLine | Reason:
    """Measure the straight edge that crosses a box square to its search."""
    at_once = is_shallow(context, box.centre, box.half_across)
    strips = over_box(context, box, polarity, is_fine=at_once)
    first = strips if isinstance(strips, Reason) else edge_points(context, strips, 3, with_sources=at_once)
    if isinstance(first, Reason):
        return first
    if at_once and is_plain(first, polarity, LINE_NEEDS):
        found = _line_through(first)
        if found is not None and abs(float(found.direction @ box.along)) >= SQUARE:
            return _fitted_line(context, first, found, box.ends)
    return refine_line(context, box, first, polarity)


def refine_line(context: Context, box: Box, first: EdgePoints, polarity: Polarity) -> FoundLine | Reason:
    """Measure a straight edge again, square to what a first look found."""
    rough = _line_through(first)
    if rough is None:
        return Reason("not_a_number")
    d = rough.direction
    slope = float(d @ box.along)
    if slope < 0.5:
        return Reason("no_edge")
    # From side to side of the box, along the line.
    middle = float((box.centre - rough.anchor) @ box.along) / slope
    ends = np.array([rough.anchor + (middle + s * box.half_along / slope) * d for s in (-1.0, 1.0)])
    sense, blur = polarity_of(first, polarity, belongs(rough)), median(first.blur_whole_px)
    strips = along_line(context, ends, box.half_across, blur, sense, box.across)
    if isinstance(strips, Reason):
        return strips
    points = edge_points(context, strips, needed_of(len(strips.centres), LINE_NEEDS))
    if isinstance(points, Reason):
        return points
    found = _line_through(points)
    return Reason("not_a_number") if found is None else _fitted_line(context, points, found, ends)


def is_plain(points: EdgePoints, asked: Polarity, least: int) -> bool:
    """Whether a first look found enough edges for a result, and all of one polarity."""
    n = len(points)
    return n >= needed_of(points.sought, least) and (asked != "either" or abs(float(points.light.sum())) == n)


def polarity_of(points: EdgePoints, asked: Polarity, kept: Bools | None = None) -> Polarity:
    """Return the polarity that was asked for, or the one that most points have, of those that are kept (n,)."""
    if asked != "either":
        return asked
    light = points.light if kept is None else points.light[kept]
    return "rising" if float(light.sum()) >= 0 else "falling"


def needed_of(sought: int, least: int) -> int:
    """Return how many of the sought edges there must be."""
    return max(least, math.ceil(SHARE_NEEDED * sought))


def _circle_through(points: EdgePoints, is_full: bool) -> CircleFit | None:
    try:
        return (fit_circle if is_full else fit_arc)(points.xy, points.u)
    except PoorGeometry:
        return None


def _line_through(points: EdgePoints) -> LineFit | None:
    try:
        return fit_line(points.xy, points.u)
    except PoorGeometry:
        return None


def _fitted_circle(
    context: Context, points: EdgePoints, bent: CircleFit, span_rad: tuple[float, float]
) -> FoundCircle | Reason:
    """Return the circle of edge points; `bent` goes through them as they were seen."""
    is_full = span_rad[1] - span_rad[0] > FULL
    outwards = curvature_shift(points, bent) - context.shift.bias * points.towards_light(bent.normals)
    straight = points.moved(outwards[:, None] * bent.normals)
    fit = _circle_through(straight, is_full)
    if fit is None:
        return Reason("not_a_number")
    scatter = scatter_of(fit, straight, context.is_foreseen, is_full)
    if scatter.count < (needed := needed_of(points.sought, CIRCLE_NEEDS)):
        return few(scatter.count, points.sought, needed)
    values = values_of(context, np.array([*fit.centre, fit.radius]), fit, straight, scatter)
    by_curvature = fit.sensitivity @ curvature_moves(straight, fit.radius)
    return FoundCircle(
        values.with_source(CURVATURE, by_curvature), straight, fit, scatter, flags_of(fit, straight), span_rad
    )


def curvature_shift(points: EdgePoints, circle: CircleFit) -> Array:
    """Return how far edge points must move outwards (n,), since a curved edge is seen too far inwards.

    Blur pulls an edge of radius R inwards by w_e²/(2R), a straight strip of width b by (b² − 1)/(24R), all in pixels:
    the second-order terms of the blurred disc, and of the mean sagitta over b rows of pixels, whose places have the
    variance (b² − 1)/12. Few rows carry the edge where blur is small, so the second term depends a little on how they
    lie.
    """
    R = points.bend * circle.radius
    pulled_px = points.blur_whole_px**2 / (2 * R) + (points.width_px**2 - 1) / (24 * R)
    return np.asarray(pulled_px * points.scale)


def curvature_moves(points: EdgePoints, radius: float) -> Array:
    """Return how far each point (n,) moves outwards with `CURVATURE`, the one cause of this kind for all circles."""
    return np.asarray(points.scale / (points.bend * radius))


def _fitted_line(context: Context, points: EdgePoints, seen: LineFit, ends: Array) -> FoundLine | Reason:
    """Return the straight edge of points between two places (2, 2); `seen` goes through them as they were seen."""
    fit: LineFit | None = seen
    if context.shift.bias:
        bias = context.shift.bias * points.towards_light(seen.normals)
        points = points.moved(-bias[:, None] * seen.normals)
        fit = _line_through(points)
    if fit is None:
        return Reason("not_a_number")
    scatter = scatter_of(fit, points, context.is_foreseen, closed=False)
    if scatter.count < (needed := needed_of(points.sought, LINE_NEEDS)):
        return few(scatter.count, points.sought, needed)
    values = values_of(context, np.array([0.0, fit.angle_rad]), fit, points, scatter)
    # A point stands for its strip, which reaches half its width further.
    half = math.dist(*ends.tolist()) / points.sought / 2
    feature = LineFeature(fit.anchor, values, fit.start - half, fit.end + half)
    return FoundLine(feature, points, fit, scatter, flags_of(fit, points))


def _is_within(fit: CircleFit, centre: Array, radii: tuple[float, float]) -> bool:
    """Whether a rough circle is what was sought: of a radius between the two, and overlapping the ring."""
    away = float(np.hypot(*(fit.centre - centre)))
    return bool(0.5 * radii[0] <= fit.radius <= 1.5 * radii[1] and away <= radii[1])


def _is_round_about(fit: CircleFit, centre: Array, radii: tuple[float, float]) -> bool:
    """Whether a circle lies where its ring was laid, so that the strips crossed it squarely and near their middle."""
    away = float(np.hypot(*(fit.centre - centre)))
    off_middle = abs(fit.radius - (radii[0] + radii[1]) / 2)
    return away <= math.sqrt(1.0 - SQUARE**2) * fit.radius and off_middle <= (radii[1] - radii[0]) / 4


def _span_from(found: CircleFit, centre: Array, span_rad: tuple[float, float]) -> tuple[float, float]:
    """Return the span of angles as seen from the found centre: an arc keeps its ends where the region has them."""
    if span_rad[1] - span_rad[0] > FULL:
        return span_rad
    turned = []
    for angle in span_rad:
        end = centre + found.radius * np.array([math.cos(angle), math.sin(angle)]) - found.centre
        seen = math.atan2(end[1], end[0])
        turned.append(seen + math.tau * round((angle - seen) / math.tau))
    return turned[0], turned[1]
