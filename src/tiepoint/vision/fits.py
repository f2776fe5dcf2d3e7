"""Lines, circles and arcs through many edge points, in any unit, with covariance and sensitivities."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.foundation.reasons import flag
from tiepoint.vision.shape_fit import Fitted, Look, ShapeFit, checked, fit_plainly, fit_shape
from tiepoint.vision.shape_kernels import (
    CIRCLE,
    LINE,
    beside_circle,
    beside_line,
    direction_through,
    span_over,
    taubin_of,
    turn_line,
)

Array = NDArray[np.float64]

FEW_DOF = 10.0
OUTLIER_SHARE = 0.15
SHORT_ARC_RAD = math.pi / 2
ALIKE = ("", "are all at one place", "lie on a line")
DOUBTFUL = 0.1
"""Relative u of a radius from which its distribution is too lopsided for an even interval."""


@dataclass(frozen=True, slots=True)
class LineFit(Fitted):
    """A straight line: `anchor` (2,) on it, direction `angle_rad` (from +x towards +y).

    Parameters are (offset, angle): the offset at the anchor along `normal`, a quarter turn from the direction in the
    sense +x → +y, and the angle; the anchor is the points' weighted centre, where the two are uncorrelated.
    The points' `normals` all equal `normal`. `start` and `end` are how far the points that belong reach along the
    direction from the anchor.
    """

    anchor: Array
    angle_rad: float
    start: float
    end: float
    flags: tuple[str, ...]

    @property
    def direction(self) -> Array:
        """Unit vector along the line (2,)."""
        return np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])

    @property
    def normal(self) -> Array:
        """Unit vector across the line (2,)."""
        return np.array([-math.sin(self.angle_rad), math.cos(self.angle_rad)])

    @property
    def ends(self) -> Array:
        """Both ends of what was seen (2, 2)."""
        ends: Array = self.anchor + np.outer([self.start, self.end], self.direction)
        return ends


@dataclass(frozen=True, slots=True)
class CircleFit(Fitted):
    """A circle: `centre` (2,), `radius`; parameters are (x, y, radius).

    The `normals` point outwards, and `residuals` are positive outside. `span_rad` is the angle that the points that
    belong cover: a full turn less the widest gap between neighbours.
    """

    centre: Array
    radius: float
    span_rad: float
    flags: tuple[str, ...]

    @property
    def radius_bias(self) -> float:
        """Expected excess of the radius, u²/R: the second-order term of R = 1/curvature under Gaussian noise.

        Negligible on full circles, and to be told (or taken off) on short arcs.
        """
        return float(self.covariance[2, 2]) / self.radius


class _Line:
    """Parameters (x, y, angle) with the step (offset, angle)."""

    kind = LINE
    unknowns = 2
    sample = 2

    def start(self, points: Array) -> Array:
        x, y, angle, is_one = direction_through(points)
        if not is_one:
            raise PoorGeometry("the points do not determine a line: they are all at one place")
        return np.array([x, y, angle])

    def look(self, points: Array, parameters: Array) -> Look:
        e, normals, jacobian = np.empty(len(points)), np.empty((len(points), 2)), np.empty((len(points), 2))
        beside_line(points, parameters[0], parameters[1], parameters[2], e, normals, jacobian)
        return Look(e, normals, jacobian)

    def moved(self, parameters: Array, step: Array) -> Array:
        c, s = math.cos(parameters[2]), math.sin(parameters[2])
        return np.asarray(parameters + np.array([-s * step[0], c * step[0], step[1]]))

    def through(self, samples: Array) -> Array:
        d = samples[:, 1] - samples[:, 0]
        angle = np.where(np.any(d != 0, axis=1), np.arctan2(d[:, 1], d[:, 0]), np.nan)
        return np.column_stack([samples[:, 0], angle])

    def apart(self, points: Array, shapes: Array) -> Array:
        c, s = np.cos(shapes[:, 2, None]), np.sin(shapes[:, 2, None])
        return np.abs(c * (points[:, 1] - shapes[:, 1, None]) - s * (points[:, 0] - shapes[:, 0, None]))


class _Circle:
    """Parameters (x, y, radius)."""

    kind = CIRCLE
    unknowns = 3
    sample = 3

    def start(self, points: Array) -> Array:
        return taubin(points)

    def look(self, points: Array, parameters: Array) -> Look:
        e, normals, jacobian = np.empty(len(points)), np.empty((len(points), 2)), np.empty((len(points), 3))
        beside_circle(points, parameters[0], parameters[1], parameters[2], e, normals, jacobian)
        return Look(e, normals, jacobian)

    def moved(self, parameters: Array, step: Array) -> Array:
        return parameters + step

    def through(self, samples: Array) -> Array:
        a, b = samples[:, 1] - samples[:, 0], samples[:, 2] - samples[:, 0]
        area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        aa, bb = np.sum(a * a, axis=1), np.sum(b * b, axis=1)
        # Three points on a line have no circle.
        half = np.where(np.abs(area) > 1e-9 * (aa + bb), 0.5 / np.where(area == 0, 1.0, area), np.nan)
        offset = np.column_stack([b[:, 1] * aa - a[:, 1] * bb, a[:, 0] * bb - b[:, 0] * aa]) * half[:, None]
        return np.column_stack([samples[:, 0] + offset, np.hypot(offset[:, 0], offset[:, 1])])

    def apart(self, points: Array, shapes: Array) -> Array:
        d = points[None] - shapes[:, None, :2]
        return np.abs(np.hypot(d[..., 0], d[..., 1]) - shapes[:, 2, None])


def taubin(points: Array) -> Array:
    """Return (x, y, radius) of Taubin's algebraic fit (PAMI 13, 1991; as in Chernov 2010, ch. 5, from memory).

    Nearly free of the shrinkage that plain algebraic fits show on short arcs, so a start from which Gauss-Newton
    settles in few rounds.
    """
    x, y, radius, failed = taubin_of(points)
    if failed:
        raise PoorGeometry(f"the points do not determine a circle: they {ALIKE[failed]}")
    return np.array([x, y, radius])


def common_flags(fit: ShapeFit) -> tuple[str, ...]:
    """Return the flags that every shape's fit can carry."""
    outliers = (flag("outliers"),) if fit.inlier_share < 1.0 - OUTLIER_SHARE else ()
    return (*_few(fit.dof), *outliers, *((flag("form_error"),) if fit.form > 0.0 else ()))


def _few(dof: float) -> tuple[str, ...]:
    """Return the flag of few points: the only one that a plain fit can carry."""
    return (flag("few_points"),) if dof < FEW_DOF else ()


def _with_span(flags: tuple[str, ...], span_rad: float) -> tuple[str, ...]:
    """Return a circle's flags, with that of an arc too short to tell it well."""
    return tuple(sorted((*flags, flag("arc_short")))) if span_rad < SHORT_ARC_RAD else tuple(sorted(flags))


def fit_line(
    points: Array,
    normal_u: Array | None = None,
    *,
    robust: bool = True,
    seed: int = 0,
) -> LineFit:
    """Fit a straight line by least squares across it to points (n, 2), n ≥ 2.

    `normal_u` (n,) are standard uncertainties across the line; without them all points weigh the same. The direction
    runs from the first point towards the last. Raises `PoorGeometry` where the points do not determine a line.
    """
    plain = fit_plainly(LINE, 2, points, normal_u) if robust else None
    if plain is not None:
        told, parameters = plain
        angle, start, end = parameters[2:].tolist()
        return LineFit(*told, parameters[:2], angle, start, end, _few(told[-1]))
    xy, stated = checked(points, normal_u, 2, "a line")
    fit = fit_shape(_Line(), xy, stated, robust=robust, seed=seed, what="a line")
    parameters = np.array([*fit.parameters, 0.0, 0.0])
    turn_line(xy, parameters, fit.weights, fit.covariance, fit.sensitivity, fit.normals, fit.residuals)
    angle, start, end = parameters[2:].tolist()
    return LineFit(**fit.common, anchor=parameters[:2], angle_rad=angle, start=start, end=end, flags=common_flags(fit))


def fit_circle(
    points: Array,
    normal_u: Array | None = None,
    *,
    robust: bool = True,
    seed: int = 0,
) -> CircleFit:
    """Fit a circle by least squares along its normals (geometric fit) to points (n, 2), n ≥ 3.

    `normal_u` (n,) are standard uncertainties along the normals; without them all points weigh the same. Raises
    `PoorGeometry` where the points do not determine a circle.
    """
    plain = fit_plainly(CIRCLE, 3, points, normal_u) if robust else None
    if plain is not None:
        told, parameters = plain
        _, _, radius, span, _ = parameters.tolist()
        return CircleFit(*told, parameters[:2], radius, span, _with_span(_few(told[-1]), span))
    xy, stated = checked(points, normal_u, 3, "a circle")
    fit = fit_shape(_Circle(), xy, stated, robust=robust, seed=seed, what="a circle")
    (x, y, radius), span = fit.parameters.tolist(), span_over(fit.normals, fit.weights)
    flags = _with_span(common_flags(fit), span)
    return CircleFit(**fit.common, centre=np.array([x, y]), radius=radius, span_rad=span, flags=flags)


def fit_arc(
    points: Array,
    normal_u: Array | None = None,
    *,
    robust: bool = True,
    seed: int = 0,
) -> CircleFit:
    """Fit the circle of an arc, as `fit_circle` does, and take the radius' second-order bias off.

    On a short arc the curvature is what noise moves symmetrically; the radius found is too large by about u²/R on
    average (`radius_bias`). It is taken off along the direction in which noise moves centre and radius together. Above
    u = R/10 an even interval about the radius no longer holds (state one about the curvature, or use Monte Carlo), and
    `linear_law_doubtful` says so; above R/2 the second order is no correction either, and the fit is left as it is.
    """
    fit = fit_circle(points, normal_u, robust=robust, seed=seed)
    relative = math.sqrt(float(fit.covariance[2, 2])) / fit.radius
    flags = (flag("linear_law_doubtful"),) if relative > DOUBTFUL else ()
    fit = replace(fit, flags=tuple(sorted({*fit.flags, *flags})))
    if not 0 < relative < 0.5:
        return fit
    move = fit.covariance[:, 2] / fit.covariance[2, 2] * fit.radius_bias
    return replace(fit, centre=fit.centre - move[:2], radius=fit.radius - float(move[2]))
