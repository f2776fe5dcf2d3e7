"""The one way in which a shape is fitted to edge points: geometric, weighted, robust, with its sensitivities.

A shape tells, for its parameters p, each point's distance e outside it along the shape's own normal, that normal,
and the Jacobian J of the shape's place along the normal by p. Gauss-Newton then moves p by M·e with
M = (JᵀWJ)⁻¹JᵀW (Chernov, Circular and Linear Regression, 2010, ch. 4, from memory). M is kept: it is the
sensitivity of every parameter to every point's displacement along its normal, through which a caller can push what
all points share (a tie, an edge definition).

Outliers: biweights from a least-squares start; where that start is not to be trusted, from a consensus over drawn
samples (least median of squares, Rousseeuw 1984). The biweights only tell who belongs: the result is the
least-squares fit to the points that do, so its covariance and degrees of freedom are those of least squares.
"""

import math
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.vision import shape_kernels as kernels
from tiepoint.vision.shape_kernels import (
    CLOSE,
    DOUBT_SCALE,
    LEAST_SCALE,
    MAD,
    OUTSIDE,
    extent_of,
    median,
    round_of,
    settle,
    spread_of,
    sums_of,
)

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

TUKEY = 4.685
DRAWS = 100
"""Samples of a consensus: with 40 % outliers, one of three points is free of them but once in 3e10 fits."""
DOUBT_SHARE = 0.15
"""Outlying share from which a least-squares start is not trusted."""
BETTER = 0.8
"""Ratio of the residual scales from which a consensus replaces the biweights from a least-squares start."""
ROUNDS = 30
FAILED = ("", "", ": they are too alike", ": the fit runs away")
"""What is said of a round's outcome."""


@dataclass(frozen=True, slots=True)
class Look:
    """A shape beside n points: distance outside `e` (n,), unit normals (n, 2), Jacobian (n, p)."""

    e: Array
    normals: Array
    jacobian: Array


class Shape(Protocol):
    """What can be fitted: parameters are a plain array whose meaning only the shape knows."""

    @property
    def unknowns(self) -> int:
        """Number of parameters p that a step has."""

    @property
    def kind(self) -> int | None:
        """Which of the shapes that `shape_kernels` settles by itself; None where it does not know this one."""

    @property
    def sample(self) -> int:
        """Number of points that determine one."""

    def start(self, points: Array) -> Array:
        """Return rough parameters; raises `PoorGeometry` where the points determine none."""

    def look(self, points: Array, parameters: Array) -> Look:
        """Return the shape beside the points."""

    def moved(self, parameters: Array, step: Array) -> Array:
        """Return the parameters after a step (p,)."""

    def through(self, samples: Array) -> Array:
        """Return the parameters (draws, k) through samples (draws, sample, 2); NaN where no shape is."""

    def apart(self, points: Array, shapes: Array) -> Array:
        """Return how far (draws, n) points (n, 2) lie from shapes (draws, k)."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """What every shape's fit to n points says, whatever its p parameters mean.

    `covariance` (p, p) is scaled by the fit's own residuals. `sensitivity` (p, n): parameter by displacement along
    `normals` (n, 2); zero for points left out. `residuals` (n,) along the normals; `weights` (n,), 0 for points left
    out. `sigma` is the residual standard deviation, `noise` what the stated u explain of it (NaN where none were
    stated), `form` the rest where it is significant. Without redundancy and stated noise the covariance is NaN and
    `dof` 0.
    """

    covariance: Array
    sensitivity: Array
    normals: Array
    residuals: Array
    weights: Array
    sigma: float
    noise: float
    form: float
    dof: float

    @property
    def inlier_share(self) -> float:
        """Share of the points that belong."""
        return float(np.count_nonzero(self.weights > 0)) / self.weights.size

    @property
    def common(self) -> dict[str, Any]:
        """What this fit hands on to the result that names its parameters, by field."""
        return {field.name: getattr(self, field.name) for field in fields(Fitted)}


@dataclass(frozen=True, slots=True)
class ShapeFit(Fitted):
    """A settled fit whose `parameters` only the shape can read."""

    parameters: Array


def checked(points: Array, u: Array | None, least: int, what: str) -> tuple[Array, Array | None]:
    """Return points (n, 2) and their stated u (n,), or raise a sentence about what cannot be used."""
    xy = np.ascontiguousarray(points, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise UnusableInput(f"edge points have the shape {xy.shape}; (n, 2) is needed")
    if len(xy) < least:
        raise PoorGeometry(f"{len(xy)} points do not determine {what}; at least {least} are needed")
    if not np.isfinite(xy).all():
        raise UnusableInput("an edge point is not finite; leave out strips without an edge")
    if u is None:
        return xy, None
    deviations = np.asarray(u, dtype=np.float64)
    if deviations.shape != (len(xy),):
        deviations = np.broadcast_to(deviations, (len(xy),))
    if not (deviations > 0).all():
        raise UnusableInput("a standard uncertainty of an edge point is not above zero")
    return xy, deviations


def biweight(e: Array, scale: float) -> Array:
    """Return Tukey's biweight of residuals e (n,) for a robust standard deviation `scale`."""
    x = e / (TUKEY * max(scale, 1e-300))
    return np.asarray(np.maximum(1.0 - x * x, 0.0) ** 2)


def robust_scale(e: Array, unknowns: int) -> float:
    """Return 1.4826·median|e|, enlarged for few points (Rousseeuw & Leroy 1987, ch. 5, from memory)."""
    return _enlarged(median(np.abs(e)), e.size, unknowns)


def _enlarged(middle: float, n: int, unknowns: int) -> float:
    return MAD * (1.0 + 5.0 / max(n - unknowns, 1)) * middle


@dataclass(frozen=True, slots=True)
class _Round:
    """One Gauss-Newton round: where it looked from, (JᵀWJ)⁻¹, M = (JᵀWJ)⁻¹JᵀW and the step M·e.

    `shift` (n,) is how far the step moves the shape along its normal at each point.
    """

    look: Look
    inverse: Array
    sensitivity: Array
    step: Array
    shift: Array


def _round(look: Look, weights: Array, what: str) -> _Round:
    """Return the round from a look; raises `PoorGeometry` where the points leave a parameter open."""
    n, p = look.jacobian.shape
    inverse, sensitivity, step, shift = np.empty((p, p)), np.empty((p, n)), np.empty(p), np.empty(n)
    failed = round_of(look.jacobian, look.e, weights, inverse, sensitivity, step, shift)
    if failed:
        raise PoorGeometry(f"the points do not determine {what}{FAILED[failed]}")
    return _Round(look, inverse, sensitivity, step, shift)


def _settle(shape: Shape, points: Array, weights: Array, parameters: Array, what: str) -> tuple[Array, _Round]:
    """Return the weighted least-squares parameters from a start, and the last round, from just beside them."""
    if shape.kind is not None:
        return _settle_by_kernel(shape, shape.kind, points, weights, parameters, what)
    size = extent_of(points)
    last = _round(shape.look(points, parameters), weights, what)
    for _ in range(ROUNDS):
        parameters = shape.moved(parameters, last.step)
        if not np.all(np.isfinite(parameters)):
            raise PoorGeometry(f"the points do not determine {what}{FAILED[3]}")
        small = float(np.abs(last.shift).max()) < CLOSE * size
        last = _round(shape.look(points, parameters), weights, what)
        if small:
            break
    return shape.moved(parameters, last.step), last


def _settle_by_kernel(
    shape: Shape, kind: int, points: Array, weights: Array, parameters: Array, what: str
) -> tuple[Array, _Round]:
    """Return the same, all rounds in one call."""
    n, p = len(points), shape.unknowns
    found, look = parameters.copy(), Look(np.empty(n), np.empty((n, 2)), np.empty((n, p)))
    last = _Round(look, np.empty((p, p)), np.empty((p, n)), np.empty(p), np.empty(n))
    failed = settle(
        kind, points, weights, ROUNDS, found, look.e, look.normals, look.jacobian, last.inverse, last.sensitivity,
        last.step, last.shift,
    )  # fmt: skip
    if failed:
        raise PoorGeometry(f"the points do not determine {what}{FAILED[failed]}")
    return found, last


def _reweighted(
    shape: Shape, points: Array, base: Array, parameters: Array, floor: float, what: str
) -> tuple[Array, float]:
    """Return the parameters under biweights from a start, and the robust scale of the residuals over √(1/base)."""
    root = np.sqrt(base)
    scale = floor
    for _ in range(ROUNDS):
        look = shape.look(points, parameters)
        scale = max(robust_scale(look.e * root, shape.unknowns), floor)
        round_ = _round(look, base * biweight(look.e * root, scale), what)
        parameters = shape.moved(parameters, round_.step)
        # Who belongs is all that is asked of this: a hundredth of the scatter decides nothing.
        if float(np.abs(round_.shift * root).max()) < 0.01 * scale:
            break
    return parameters, scale


def _consensus(shape: Shape, points: Array, base: Array, seed: int, what: str) -> Array:
    """Return the drawn shape with the least median residual; raises `PoorGeometry` where no sample has one."""
    rng = np.random.default_rng(seed)
    drawn = np.argsort(rng.random((DRAWS, len(points))), axis=1)[:, : shape.sample]
    shapes = shape.through(points[drawn])
    shapes = shapes[np.all(np.isfinite(shapes), axis=1)]
    if len(shapes) == 0:
        raise PoorGeometry(f"the points do not determine {what}: no few of them do")
    middle = np.median(shape.apart(points, shapes) * np.sqrt(base), axis=1)
    return np.asarray(shapes[int(np.argmin(middle))])


def _robustly(
    shape: Shape, points: Array, base: Array, parameters: Array, e: Array, known: bool, seed: int, what: str
) -> tuple[Array, Bools]:
    """Return parameters near which the inliers' fit lies, and who belongs (n,).

    `parameters` are those of least squares, `e` (n,) the distances from it; `known`: the noise is stated, and `base`
    its 1/u². Where nothing stands out of the least-squares fit and its residuals are not larger than stated, all
    belong.
    """
    floor = LEAST_SCALE if known else 1e-12 * extent_of(points)
    middle, most = spread_of(e, base)
    scale = max(_enlarged(middle, len(points), shape.unknowns), floor)
    if known and scale < DOUBT_SCALE and most <= OUTSIDE * scale:
        return parameters, np.ones(len(points), bool)
    root = np.sqrt(base)
    found, scale = _reweighted(shape, points, base, parameters, floor, what)
    outlying = float(np.mean(np.abs(shape.look(points, found).e * root) > OUTSIDE * scale))
    # Without a stated noise a cluster of outliers that swells the scale would hide behind it.
    if not known or outlying > DOUBT_SHARE or scale > DOUBT_SCALE:
        start = _consensus(shape, points, base, seed, what)
        other, other_scale = _reweighted(shape, points, base, start, floor, what)
        if other_scale < BETTER * scale:
            found, scale = other, other_scale
    return found, np.abs(shape.look(points, found).e * root) <= OUTSIDE * scale


def _form(e: Array, variances: Array, belongs: Bools, unknowns: int) -> float:
    """Return the standard deviation of the form error: what the residuals show beyond the stated noise, if sure.

    Sure means that noise alone would leave as much in 1 % of the cases (chi-squared test).
    """
    count, _, chi2, squares, variance = sums_of(e, belongs.astype(np.float64), variances)
    dof = count - unknowns
    # χ² below its mean is never rare enough.
    if dof < 1 or chi2 <= dof or special.chdtrc(dof, chi2) > 0.01:
        return 0.0
    return math.sqrt(max(squares / dof - variance, 0.0))


def fit_shape(shape: Shape, points: Array, u: Array | None, *, robust: bool, seed: int, what: str) -> ShapeFit:
    """Fit a shape to points (n, 2) with their u (n,) along the normals; `PoorGeometry` where they determine none."""
    n = len(points)
    parameters = shape.start(points)
    noise2 = None if u is None else u**2
    base = np.ones(n) if noise2 is None else 1.0 / noise2
    parameters, last = _settle(shape, points, base, parameters, what)
    belongs = np.ones(n, bool)
    if robust and n > shape.unknowns + 1:
        e = last.look.e - last.shift
        near, belongs = _robustly(shape, points, base, parameters, e, noise2 is not None, seed, what)
        if not belongs.all():
            parameters, last = _settle(shape, points, base * belongs, near, what)
    variances, form = 1.0 / base, 0.0
    if noise2 is not None:
        form = _form(last.look.e, noise2, belongs, shape.unknowns)
    if form > 0.0:
        variances = variances + form * form
        parameters, last = _settle(shape, points, belongs / variances, parameters, what)
    return _finished(parameters, last, belongs / variances, variances, noise2, form)


def fit_plainly(
    kind: int, unknowns: int, points: Array, u: Array | None
) -> tuple[tuple[Array, Array, Array, Array, Array, float, float, float, float], Array] | None:
    """Return the robust fit where all points belong and their noise explains the rest: mostly. None where that is not
    sure, or where something is wrong.

    That is what a `Fitted` holds, and the parameters (5,) of `shape_kernels.fit_plainly`.
    """
    if u is None:
        return None
    xy, stated = np.ascontiguousarray(points, dtype=np.float64), np.ascontiguousarray(u, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2 or stated.shape != (len(xy),):
        return None
    n = len(xy)
    parameters, weights, residuals, normals = np.empty(5), np.empty(n), np.empty(n), np.empty((n, 2))
    covariance, sensitivity = np.empty((unknowns, unknowns)), np.empty((unknowns, n))
    is_plain, sigma, noise = kernels.fit_plainly(
        kind, xy, stated, ROUNDS, parameters, weights, residuals, normals, covariance, sensitivity
    )
    if not is_plain:
        return None
    told = (covariance, sensitivity, normals, residuals, weights, sigma, noise, 0.0, float(n - unknowns))
    return told, parameters


def _finished(
    parameters: Array, last: _Round, weights: Array, variances: Array, noise2: Array | None, form: float
) -> ShapeFit:
    """Return the fit with its covariance from its own residuals.

    Without redundancy the stated noise stands for them (as if known exactly); without either there is no covariance.
    """
    e = last.look.e - last.shift
    unknowns = last.step.size
    count, weighted, _, _, variance = sums_of(e, weights, variances)
    spare = float(count - unknowns)
    unit = weighted / spare if spare > 0 else (math.nan if noise2 is None else 1.0)
    dof = max(spare, 0.0)
    if spare <= 0 and noise2 is not None:
        dof = math.inf
    return ShapeFit(
        parameters=parameters,
        covariance=unit * last.inverse,
        sensitivity=last.sensitivity,
        normals=last.look.normals,
        residuals=e,
        weights=weights,
        sigma=math.sqrt(unit * variance),
        noise=math.sqrt(float(noise2[weights > 0].mean())) if noise2 is not None else math.nan,
        form=form,
        dof=float(dof),
    )
