"""An ellipse through edge points, by least squares along its normals."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.vision.fits import common_flags
from tiepoint.vision.shape_fit import Fitted, Look, checked, fit_shape
from tiepoint.vision.shape_kernels import span_over

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class EllipseFit(Fitted):
    """An ellipse: `centre` (2,), half axes `major` ≥ `minor`, `angle_rad` of the major one in (−π/2, π/2].

    Parameters are (x, y, major, minor, angle); the `normals` point outwards. Of a circle the angle is not determined:
    its variance is then large.
    """

    centre: Array
    major: float
    minor: float
    angle_rad: float
    span_rad: float
    flags: tuple[str, ...]


def direct_ellipse(points: Array) -> Array:
    """Return (x, y, a, b, angle) of the direct algebraic fit with the ellipse constraint 4ac − b² = 1.

    Fitzgibbon, Pilu & Fisher, PAMI 21, 1999, in the stable split form of Halíř & Flusser, WSCG 1998 (both from
    memory). Shrinks under noise: a start, not a result.
    """
    centre, size = points.mean(axis=0), float(points.std())
    if not size > 0:
        raise PoorGeometry("the points do not determine an ellipse: they are all at one place")
    x, y = ((points - centre) / size).T
    quadratic, linear = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = quadratic.T @ quadratic, quadratic.T @ linear, linear.T @ linear
    if np.linalg.cond(s3) > 1e12:
        raise PoorGeometry("the points do not determine an ellipse: they lie on a line")
    back = -np.linalg.solve(s3, s2.T)
    reduced = s1 + s2 @ back
    values, vectors = np.linalg.eig(np.array([reduced[2] / 2, -reduced[1], reduced[0] / 2]))
    real = np.real(vectors)
    condition = 4 * real[0] * real[2] - real[1] ** 2
    k = int(np.argmax(np.where(np.abs(np.imag(values)) < 1e-9, condition, -np.inf)))
    if not condition[k] > 0:
        raise PoorGeometry("the points do not determine an ellipse")
    conic = np.concatenate([real[:, k], back @ real[:, k]])
    return _from_conic(conic, centre, size)


def _from_conic(conic: Array, centre: Array, size: float) -> Array:
    """Return (x, y, a, b, angle) of a·x² + b·xy + c·y² + d·x + e·y + f = 0 in points (p − centre)/size."""
    a, b, c, d, e, f = conic
    matrix = np.array([[a, b / 2], [b / 2, c]])
    middle = np.linalg.solve(-2 * matrix, np.array([d, e]))
    level = -(f + 0.5 * (d * middle[0] + e * middle[1]))
    values, vectors = np.linalg.eigh(matrix / level)
    if not values[0] > 0:
        raise PoorGeometry("the points do not determine an ellipse")
    half_axes = size / np.sqrt(values)
    angle = math.atan2(vectors[1, 0], vectors[0, 0])
    return np.array([*(centre + size * middle), half_axes[0], half_axes[1], angle])


def foot_angles(u: Array, v: Array, a: float, b: float) -> Array:
    """Return the eccentric angles (n,) of the ellipse's points nearest to (u, v), in its own axes.

    Newton with bisection on Eberly's equation for the nearest point in the first quadrant (Distance from a point to an
    ellipse, 2013, from memory); it has one root there, so nothing can be missed.
    """
    x, y = np.abs(u), np.abs(v)
    if a < b:
        return np.pi / 2 - foot_angles(v, u, b, a)
    # t > −b² with (a·x/(t + a²))² + (b·y/(t + b²))² = 1; convex and falling, so Newton from the left stays left.
    t = np.maximum(-b * b + b * y, -a * a + a * x)
    for _ in range(60):
        p, q = a * x / (t + a * a), b * y / np.maximum(t + b * b, 1e-300)
        g = p * p + q * q - 1.0
        slope = -2.0 * (p * p / (t + a * a) + q * q / np.maximum(t + b * b, 1e-300))
        step = np.where(slope < 0, -g / np.where(slope < 0, slope, -1.0), 0.0)
        t = t + np.maximum(step, 0.0)
        if float(np.max(np.abs(step) / (np.abs(t) + b * b))) < 1e-13:
            break
    cosine = np.clip(a * x / (t + a * a), 0.0, 1.0)
    sine = np.where(y > 0, np.clip(b * y / np.maximum(t + b * b, 1e-300), 0.0, 1.0), np.sqrt(1.0 - cosine**2))
    return np.arctan2(np.copysign(sine, v), np.copysign(cosine, u))


class _Ellipse:
    """Parameters (x, y, a, b, angle)."""

    kind = None
    unknowns = 5
    sample = 5

    def start(self, points: Array) -> Array:
        return direct_ellipse(points)

    def look(self, points: Array, parameters: Array) -> Look:
        x0, y0, a, b, angle = parameters
        c, s = math.cos(angle), math.sin(angle)
        turn = np.array([[c, -s], [s, c]])
        local = (points - np.array([x0, y0])) @ turn
        phi = foot_angles(local[:, 0], local[:, 1], a, b)
        cosine, sine = np.cos(phi), np.sin(phi)
        foot = np.column_stack([a * cosine, b * sine])
        normal = np.column_stack([b * cosine, a * sine])
        normal /= np.hypot(normal[:, 0], normal[:, 1])[:, None]
        e = np.sum((local - foot) * normal, axis=1)
        # How the outline moves along its normal: by the half axes, and by a turn, which moves the foot along (−y, x).
        by_axes = normal * np.column_stack([cosine, sine])
        by_turn = normal[:, 1] * foot[:, 0] - normal[:, 0] * foot[:, 1]
        outward = normal @ turn.T
        return Look(e, outward, np.column_stack([outward, by_axes, by_turn]))

    def moved(self, parameters: Array, step: Array) -> Array:
        new = parameters + step
        # A half axis may shrink to a third in one step, not through zero.
        new[2:4] = np.maximum(new[2:4], parameters[2:4] / 3.0)
        return new

    def through(self, samples: Array) -> Array:
        return np.array([_through_five(points) for points in samples])

    def apart(self, points: Array, shapes: Array) -> Array:
        return np.array([np.abs(self.look(points, shape).e) for shape in shapes])


def _through_five(points: Array) -> Array:
    """Return the ellipse through five points, NaN where their conic is none."""
    try:
        return direct_ellipse(points)
    except PoorGeometry:
        return np.full(5, np.nan)


def fit_ellipse(
    points: Array,
    normal_u: Array | None = None,
    *,
    robust: bool = True,
    seed: int = 0,
) -> EllipseFit:
    """Fit an ellipse by least squares along its normals to points (n, 2), n ≥ 5.

    Arguments as for `fit_circle`. Raises `PoorGeometry` where the points do not determine an ellipse; so a perfect
    circle is refused, whose angle nothing determines.
    """
    xy, stated = checked(points, normal_u, 5, "an ellipse")
    fit = fit_shape(_Ellipse(), xy, stated, robust=robust, seed=seed, what="an ellipse")
    swap = fit.parameters[2] < fit.parameters[3]
    order = [0, 1, 3, 2, 4] if swap else [0, 1, 2, 3, 4]
    angle = float(fit.parameters[4]) + (math.pi / 2 if swap else 0.0)
    angle = math.remainder(angle, math.pi)
    span = span_over(fit.normals, fit.weights)
    ordered = replace(fit, covariance=fit.covariance[np.ix_(order, order)], sensitivity=fit.sensitivity[order])
    return EllipseFit(
        **ordered.common,
        centre=fit.parameters[:2],
        major=float(fit.parameters[order[2]]),
        minor=float(fit.parameters[order[3]]),
        angle_rad=math.pi / 2 if angle == -math.pi / 2 else angle,
        span_rad=span,
        flags=common_flags(fit),
    )
