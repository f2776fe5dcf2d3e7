"""Points and lines related to each other: where they cross, what lies between them.

Places are propagated here to first order with exact derivatives. Scalars that can be near zero (a distance, a
deviation) are left as formulas, for which the linear law may not be good enough.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value, stack
from tiepoint.recipe.features import ABOUT_DEG, Derived, LineFeature, PointFeature, wrapped

Array = NDArray[np.float64]

PARALLEL_DEG = 10.0
"""Lines that differ by less have a distance; the mean of a wedge is not one."""
CERTAIN = 5.0
"""A crossing is certain where the angle between two lines is at least so many of its standard uncertainties."""


def middle(p: PointFeature, q: PointFeature) -> PointFeature:
    """Return the place half way between two."""
    halves = np.array([[0.5, 0.0, 0.5, 0.0], [0.0, 0.5, 0.0, 0.5]])
    return PointFeature(p.xy.beside(q.xy).through((p.at + q.at) / 2, halves))


def crossing(m: LineFeature, n: LineFeature) -> PointFeature | Reason:
    """Return where two lines cross; a reason where they are parallel within their uncertainty."""
    both = m.values.beside(n.values)
    between = both.known_by(m.angle_rad - n.angle_rad, both.c[1] - both.c[3])
    sine = math.sin(between.value)
    if abs(sine) < 1e-9 or abs(sine) < CERTAIN * between.u:
        return Reason("no_intersection")
    (mx, my), (nx, ny), (x, y) = m.direction.tolist(), n.direction.tolist(), (n.anchor - m.anchor).tolist()
    way_m, way_n = (nx * y - ny * x) / sine, (mx * y - my * x) / sine
    # A line moves past a point by its offset, and by its turn times the way along it from the anchor; that takes the
    # crossing along the other line.
    jacobian = np.array([[-nx, -nx * way_m, mx, mx * way_n], [-ny, -ny * way_m, my, my * way_n]]) / sine
    return PointFeature(both.through(m.anchor + way_m * m.direction, jacobian))


def foot(p: PointFeature, line: LineFeature) -> PointFeature:
    """Return the place on a line that is nearest to a point."""
    d = line.direction
    normal = np.array([-d[1], d[0]])
    away = p.at - line.anchor
    along, across = float(d @ away), float(normal @ away)
    # foot = anchor + offset·n + (d·away)·d; turning the line by δ moves it by δ·(along·n + across·d).
    jacobian = np.column_stack([np.outer(d, d), normal, along * normal + across * d])
    return PointFeature(p.xy.beside(line.values).through(line.anchor + along * d, jacobian))


def between_points(p: PointFeature, q: PointFeature) -> Derived:
    """Return the distance of two points."""
    return Derived(lambda v: np.hypot(v[2] - v[0], v[3] - v[1]), p.xy.beside(q.xy), at_least=0.0)


def point_to_line(p: PointFeature, line: LineFeature) -> Derived:
    """Return the distance of a point from a line, without sign."""
    ax, ay = (float(v) for v in line.anchor)

    def formula(v: Array) -> Array:
        return np.asarray(np.abs((v[1] - ay) * np.cos(v[3]) - (v[0] - ax) * np.sin(v[3]) - v[2]))

    return Derived(formula, p.xy.beside(line.values), at_least=0.0)


def between_lines(m: LineFeature, n: LineFeature) -> Derived | Reason:
    """Return the distance of two nearly parallel lines, at the middle of the stretch where both were seen.

    It is measured across the direction half way between theirs.
    """
    turn = wrapped(n.angle_rad - m.angle_rad, 0.0)
    if abs(turn) > math.radians(PARALLEL_DEG):
        return Reason("not_parallel", {"angle_deg": round(abs(math.degrees(turn)), 1)})
    half = m.angle_rad + turn / 2
    spans = [_span(line, half) for line in (m, n)]
    at = (max(span.low for span in spans) + min(span.high for span in spans)) / 2
    place = np.array([[span.across] for span in spans])
    along = np.array([[at - span.along] for span in spans])

    def formula(v: Array) -> Array:
        # A line that runs against the direction has its left on the other side: the cosine brings the sign.
        turned = v[1::2] - half
        across = place + (v[::2] + along * np.sin(turned)) / np.cos(turned)
        return np.asarray(np.abs(across[1] - across[0]))

    return Derived(formula, m.values.beside(n.values), at_least=0.0)


class _Span(NamedTuple):
    """A line seen from a direction: its anchor `along` and `across` it, and the ends of what was seen of it."""

    along: float
    across: float
    low: float
    high: float


def _span(line: LineFeature, direction_rad: float) -> _Span:
    c, s = math.cos(direction_rad), math.sin(direction_rad)
    (x, y), (dx, dy) = line.anchor.tolist(), line.direction.tolist()
    along, slope = x * c + y * s, dx * c + dy * s
    return _Span(along, y * c - x * s, *sorted((along + line.start * slope, along + line.end * slope)))


def turn_between(m: LineFeature, n: LineFeature, about_rad: float) -> Value:
    """Return the angle from one line to another, counter-clockwise, within a quarter turn of `about_rad`."""
    both = m.values.beside(n.values)
    return both.known_by(wrapped(n.angle_rad - m.angle_rad, about_rad), both.c[3] - both.c[1])


def in_datums(p: PointFeature, primary: LineFeature, second: LineFeature | PointFeature) -> PointFeature | Reason:
    """Return a point in the frame of its datums, which is the ground's own, turned and shifted onto them.

    The primary line is its x axis, or its y axis where it runs nearer to y. A second line gives the origin at its
    crossing with the primary, a second point at its foot on it.
    """
    origin = crossing(primary, second) if isinstance(second, LineFeature) else foot(second, primary)
    if isinstance(origin, Reason):
        return origin
    axis = primary.running(math.radians(ABOUT_DEG)).values[1]
    turn = axis.value if axis.value <= math.pi / 4 else axis.value - math.pi / 2
    return _seen_from(p, origin, axis.at(turn))


def from_points(p: PointFeature, origin: PointFeature, towards: PointFeature) -> PointFeature:
    """Return a point in the frame with its origin at one point and +x towards another."""
    return _seen_from(p, origin, direction_of(origin, towards))


def direction_of(origin: PointFeature, towards: PointFeature) -> Value:
    """Return the angle of the way from one point to another, counter-clockwise from +x."""
    dx, dy = (float(v) for v in towards.at - origin.at)
    r2 = dx * dx + dy * dy
    jacobian = np.array([[dy, -dx, -dy, dx]]) / r2
    return origin.xy.beside(towards.xy).through(np.array([math.atan2(dy, dx)]), jacobian)[0]


def _seen_from(p: PointFeature, origin: PointFeature, angle: Value) -> PointFeature:
    c, s = math.cos(angle.value), math.sin(angle.value)
    dx, dy = (float(v) for v in p.at - origin.at)
    x, y = c * dx + s * dy, -s * dx + c * dy
    jacobian = np.array([[c, s, -c, -s, y], [-s, c, s, -c, -x]])
    joint = stack([p.xy[0], p.xy[1], origin.xy[0], origin.xy[1], angle])
    return PointFeature(joint.through(np.array([x, y]), jacobian))
