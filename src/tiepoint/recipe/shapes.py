"""Measure one circle, arc or straight edge: look, fit, look again where it was found, fit, and say how sure it is."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.foundation.once import cached_property
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values
from tiepoint.recipe.context import Context, EdgeLook
from tiepoint.recipe.features import LineFeature, PointFeature
from tiepoint.recipe.fit_kernels import light_of, meant, middle_of
from tiepoint.recipe.fits import Scatter, flags_of, look_of, told_by
from tiepoint.recipe.layout import Box, along_line, around, is_shallow, on_circle, over_box
from tiepoint.recipe.schema import Polarity
from tiepoint.recipe.seek import EdgePoints, edge_points, few
from tiepoint.vision.fits import CircleFit, LineFit, fit_arc, fit_circle, fit_line

Array = NDArray[np.float64]

CIRCLE_NEEDS, LINE_NEEDS = 5, 4
SHARE_NEEDED = 0.3
"""Share of the strips that must show an edge: less is an accident of the surface."""
SQUARE = math.cos(math.radians(2.0))
"""A first look that crossed the edge as squarely as this needs no second one: strips find their own tilt."""
FULL = math.tau - 1e-9


@dataclass(frozen=True)
class FoundCircle:
    """A measured circle or arc: its `points`, their `fit`, and the parameters (x, y, r) as values."""

    values: Values
    points: EdgePoints
    fit: CircleFit
    scatter: Scatter
    flags: tuple[str, ...]
    span_rad: tuple[float, float]

    @cached_property
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
    rough = _circle_through(first.xy, first.u, is_full=True)
    if rough is None or not _is_within(rough, centre, radii):
        return Reason("no_edge")
    span = _span_from(rough, centre, span_rad)
    if at_once and _is_round_about(rough, centre, radii) and is_plain(first, polarity, CIRCLE_NEEDS):
        return _fitted_circle(context, first, rough, span)
    sense, blur = polarity_of(first, polarity, rough.weights), middle_of(first.seen)
    strips = on_circle(context, (rough.centre, rough.radius), reach, span, blur, sense)
    if isinstance(strips, Reason):
        return strips
    points = edge_points(context, strips, needed_of(len(strips.boxes), CIRCLE_NEEDS))
    if isinstance(points, Reason):
        return points
    bent = _circle_through(points.xy, points.u, is_full=True)
    return Reason("not_a_number") if bent is None else _fitted_circle(context, points, bent, span)


def measure_line(context: Context, box: Box, polarity: Polarity) -> FoundLine | Reason:
    """Measure the straight edge that crosses a box square to its search."""
    at_once = is_shallow(context, box.centre, box.half_across)
    strips = over_box(context, box, polarity, is_fine=at_once)
    first = strips if isinstance(strips, Reason) else edge_points(context, strips, 3, with_sources=at_once)
    if isinstance(first, Reason):
        return first
    if at_once and is_plain(first, polarity, LINE_NEEDS):
        found = _line_through(first.xy, first.u)
        if found is not None and abs(_along(box, found)) >= SQUARE:
            return _fitted_line(context, first, found, 2 * box.half_along)
    return refine_line(context, box, first, polarity)


def refine_line(context: Context, box: Box, first: EdgePoints, polarity: Polarity) -> FoundLine | Reason:
    """Measure a straight edge again, square to what a first look found."""
    rough = _line_through(first.xy, first.u)
    if rough is None:
        return Reason("not_a_number")
    slope = _along(box, rough)
    if slope < 0.5:
        return Reason("no_edge")
    long, ends = 2 * box.half_along / slope, _from_side_to_side(box, rough, slope)
    sense, blur = polarity_of(first, polarity, rough.weights), middle_of(first.seen)
    strips = along_line(context, ends, box.half_across, blur, sense, box.across)
    if isinstance(strips, Reason):
        return strips
    points = edge_points(context, strips, needed_of(len(strips.boxes), LINE_NEEDS))
    if isinstance(points, Reason):
        return points
    found = _line_through(points.xy, points.u)
    return Reason("not_a_number") if found is None else _fitted_line(context, points, found, long)


def _along(box: Box, line: LineFit) -> float:
    """Return the cosine of the angle from the way along a box to a line."""
    x, y = box.across.tolist()
    return float(x * math.sin(line.angle_rad) - y * math.cos(line.angle_rad))


def _from_side_to_side(box: Box, line: LineFit, slope: float) -> Array:
    """Return where a line enters and leaves a box (2, 2), `slope` being `_along`."""
    (x, y), (ax, ay), (dx, dy) = box.centre.tolist(), line.anchor.tolist(), box.across.tolist()
    middle, half = ((y - ay) * dx - (x - ax) * dy) / slope, box.half_along / slope
    c, s = math.cos(line.angle_rad), math.sin(line.angle_rad)
    return np.array([[ax + at * c, ay + at * s] for at in (middle - half, middle + half)])


def is_plain(points: EdgePoints, asked: Polarity, least: int) -> bool:
    """Whether a first look found enough edges for a result, and all of one polarity."""
    n = len(points)
    # All of them have some u, so that all of them count.
    return n >= needed_of(points.sought, least) and (asked != "either" or abs(light_of(points.seen, points.u)) == n)


def polarity_of(points: EdgePoints, asked: Polarity, weights: Array | None = None) -> Polarity:
    """Return the polarity that was asked for, or the one that most points have, of those with weight (n,)."""
    if asked != "either":
        return asked
    return "rising" if light_of(points.seen, points.u if weights is None else weights) >= 0 else "falling"


def needed_of(sought: int, least: int) -> int:
    """Return how many of the sought edges there must be."""
    return max(least, math.ceil(SHARE_NEEDED * sought))


def _circle_through(xy: Array, u: Array, is_full: bool) -> CircleFit | None:
    try:
        return (fit_circle if is_full else fit_arc)(xy, u)
    except PoorGeometry:
        return None


def _line_through(xy: Array, u: Array) -> LineFit | None:
    try:
        return fit_line(xy, u)
    except PoorGeometry:
        return None


def _fitted_circle(
    context: Context, points: EdgePoints, bent: CircleFit, span_rad: tuple[float, float]
) -> FoundCircle | Reason:
    """Return the circle of edge points; `bent` goes through them as they were seen."""
    is_full = span_rad[1] - span_rad[0] > FULL
    straight = points.at(meant(points.xy, points.seen, bent.normals, bent.radius, points.width_px, context.shift.bias))
    fit = _circle_through(straight.xy, straight.u, is_full)
    if fit is None:
        return Reason("not_a_number")
    x, y = fit.centre.tolist()
    values, scatter = told_by(context, np.array([x, y, fit.radius]), fit, straight, is_full, fit.radius)
    if scatter.count < (needed := needed_of(points.sought, CIRCLE_NEEDS)):
        return few(scatter.count, points.sought, needed)
    return FoundCircle(values, straight, fit, scatter, flags_of(fit, straight), span_rad)


def curvature_moves(points: EdgePoints, radius: float) -> Array:
    """Return how far each point (n,) moves outwards with `CURVATURE`, the one cause of this kind for all circles."""
    return np.asarray(points.scale / (points.bend * radius))


def _fitted_line(context: Context, points: EdgePoints, seen: LineFit, long: float) -> FoundLine | Reason:
    """Return the straight edge of points that were sought over a length; `seen` goes through them as they were seen."""
    fit: LineFit | None = seen
    if context.shift.bias:
        points = points.at(meant(points.xy, points.seen, seen.normals, math.inf, points.width_px, context.shift.bias))
        fit = _line_through(points.xy, points.u)
    if fit is None:
        return Reason("not_a_number")
    values, scatter = told_by(context, np.array([0.0, fit.angle_rad]), fit, points, closed=False)
    if scatter.count < (needed := needed_of(points.sought, LINE_NEEDS)):
        return few(scatter.count, points.sought, needed)
    # A point stands for its strip, which reaches half its width further.
    half = long / points.sought / 2
    feature = LineFeature(fit.anchor, values, fit.start - half, fit.end + half)
    return FoundLine(feature, points, fit, scatter, flags_of(fit, points))


def _is_within(fit: CircleFit, centre: Array, radii: tuple[float, float]) -> bool:
    """Whether a rough circle is what was sought: of a radius between the two, and overlapping the ring."""
    away = math.dist(fit.centre.tolist(), centre.tolist())
    return 0.5 * radii[0] <= fit.radius <= 1.5 * radii[1] and away <= radii[1]


def _is_round_about(fit: CircleFit, centre: Array, radii: tuple[float, float]) -> bool:
    """Whether a circle lies where its ring was laid, so that the strips crossed it squarely and near their middle."""
    away = math.dist(fit.centre.tolist(), centre.tolist())
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
