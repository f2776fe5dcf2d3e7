"""Fits of paired points: rigid, similarity, affine, projective; covariance and errors at unseen points.

All points here are right-handed: pairs that start in a picture are handed over as (x, −y).

Rigid and similarity are the closed form of Umeyama (IEEE TPAMI 13, 1991, eq. 40 to 42), written with complex
numbers: c = Σ conj(f)·t / Σ|f|² over centred points is his c·R with det R = +1 in two dimensions. Affine is
linear least squares. Projective starts from the normalised linear solution (Hartley, IEEE TPAMI 19, 1997) and
minimises the geometric error by Gauss-Newton. Errors of both sides count: a residual's covariance is
u_to²·I + u_from²·J·Jᵀ, J = ∂to/∂from, taken at the fit (Sampson's first-order form; Hartley & Zisserman,
Multiple View Geometry, 4.2.6). For the first three models it is the same at every point, so that it moves no
estimate and only scales the covariance.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.ties.tie import project

Array = NDArray[np.float64]
PairModel = Literal["rigid", "similarity", "affine", "projective"]

UNKNOWNS: Final[dict[PairModel, int]] = {"rigid": 3, "similarity": 4, "affine": 6, "projective": 8}
FEWEST: Final[dict[PairModel, int]] = {"rigid": 2, "similarity": 2, "affine": 3, "projective": 4}
"""Points that determine the model, with nothing left over."""

_ROUNDS = 20
_STOP = 1e-12
_SETTLED = 1e-3
_HORIZON = 0.02
"""Least depth of a pair over that of their middle: nearer to the horizon no camera looks."""
_REFITS = 30
"""Up to so many points every one is left out in turn by a new fit; beyond, by its leverage."""
_SINGULAR = 1e-7
"""Smallest over largest singular value of the normalised equations below which points do not determine a model."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard uncertainty of one coordinate of a from point and of a to point (a ratio, where unknown)."""

    u_from: float
    u_to: float


ONLY_TO: Final = Noise(0.0, 1.0)


@dataclass(frozen=True)
class PairFit:
    """A fit: `matrix` (3, 3); `basis` (9, p) = ∂matrix/∂θ; `cofactor` (p, p), the covariance of θ per unit of χ²/dof.

    `residuals` (n, 2) = to − matrix(from); `weights` (n, 2, 2) is the inverse covariance of each residual;
    `jacobian` (n, 2, p) = ∂matrix(from)/∂θ.
    """

    model: PairModel
    matrix: Array
    basis: Array
    cofactor: Array
    residuals: Array
    weights: Array
    jacobian: Array

    @property
    def dof(self) -> int:
        """Equations less unknowns."""
        return self.residuals.size - UNKNOWNS[self.model]

    @cached_property
    def chi2(self) -> float:
        """Weighted sum of squares of the residuals."""
        return float(np.einsum("ni,nij,nj->", self.residuals, self.weights, self.residuals))

    @cached_property
    def rms(self) -> float:
        """Root mean square length of the residuals."""
        return float(np.sqrt(np.mean(np.sum(self.residuals**2, axis=1))))

    @property
    def scale(self) -> float:
        """To-lengths per from-length, at the middle of the points where it varies."""
        return float(np.sqrt(abs(np.linalg.det(self.linear_part))))

    @property
    def angle_rad(self) -> float:
        """Turn from the from-axes to the to-axes, counter-clockwise."""
        a = self.linear_part
        return float(np.arctan2(a[1, 0] - a[0, 1], a[0, 0] + a[1, 1]))

    @property
    def linear_part(self) -> Array:
        """∂to/∂from (2, 2), at the origin of the from-frame for a projective model."""
        h = self.matrix
        shift = h[:2, 2] / h[2, 2]
        return np.asarray((h[:2, :2] - np.outer(shift, h[2, :2])) / h[2, 2])

    @property
    def unseen_by_leverage(self) -> Array:
        """Errors (n, 2) that a fit without each point makes there: (I − J·C·Jᵀ·W)⁻¹·r, one step, no refit."""
        hat = self.jacobian @ self.cofactor @ self.jacobian.transpose(0, 2, 1) @ self.weights
        return np.asarray(np.linalg.solve(np.eye(2) - hat, self.residuals[:, :, None])[:, :, 0])


def fit_pairs(model: PairModel, f: Array, t: Array, noise: Noise = ONLY_TO) -> PairFit:
    """Return the fit of t (n, 2) by f (n, 2); `PoorGeometry` where the points do not determine the model."""
    if len(f) < FEWEST[model]:
        raise PoorGeometry(f"a {model} model needs at least {FEWEST[model]} pairs, and there are {len(f)}")
    to_f, to_t = _normalising(f), _normalising(t)
    g, s = apply(to_f, f), apply(to_t, t)
    # In normalised coordinates a rigid motion scales by the ratio of the two norms.
    rigid_scale = to_t[0, 0] / to_f[0, 0]
    inner = _solve(model, g, s, rigid_scale, noise, to_f[0, 0] / to_t[0, 0])
    spread = np.kron(np.linalg.inv(to_t), to_f.T)
    matrix = (spread @ inner.ravel()).reshape(3, 3)
    basis = spread @ _tangent(model, inner)
    # A homography's scale is free: its last entry is 1 where that is no accident of the origin.
    scale = matrix[2, 2] if abs(matrix[2, 2]) > 1e-9 * np.abs(matrix[2]).max() else np.abs(matrix[2]).max()
    return _finish(model, matrix / scale, basis / scale, f, t, noise)


def unseen_errors(fit: PairFit, f: Array, t: Array, noise: Noise = ONLY_TO) -> Array | None:
    """Return the error (n, 2) at each point of the fit that never saw it; None where none can be left out."""
    n = len(f)
    if n - 1 < FEWEST[fit.model]:
        return None
    if n > _REFITS:
        return fit.unseen_by_leverage
    errors = np.empty((n, 2))
    for i in range(n):
        others = np.arange(n) != i
        try:
            matrix = fit_pairs(fit.model, f[others], t[others], noise).matrix
        except PoorGeometry:
            return None
        errors[i] = t[i] - apply(matrix, f[i : i + 1])[0]
    return errors if np.isfinite(errors).all() else None


def apply(matrix: Array, points: Array) -> Array:
    """Return matrix·points (n, 2)."""
    return project(matrix, points)[0]


def thinness(points: Array) -> float:
    """Return the smaller over the larger principal spread of points (n, 2): 0 where they lie on one line."""
    values = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(values[1] / values[0]) if len(values) > 1 and values[0] > 0 else 0.0


def _normalising(points: Array) -> Array:
    """Return the similarity (3, 3) that moves the mean to 0 and makes the mean square coordinate 1."""
    mean = points.mean(axis=0)
    size = float(np.sqrt(np.mean((points - mean) ** 2)))
    if not size > 0:
        raise PoorGeometry("all points of one side are the same place")
    return np.array([[1 / size, 0, -mean[0] / size], [0, 1 / size, -mean[1] / size], [0, 0, 1]])


def _solve(model: PairModel, g: Array, s: Array, rigid_scale: float, noise: Noise, unit: float) -> Array:
    """Return the matrix in normalised coordinates, where both sides have mean 0 (so the shift is 0)."""
    match model:
        case "rigid" | "similarity":
            return _similar(g, s, rigid_scale if model == "rigid" else None)
        case "affine":
            _demand_determined(g)
            inner = np.eye(3)
            inner[:2, :2] = np.linalg.lstsq(g, s, rcond=None)[0].T
            return inner
        case "projective":
            return _projective(g, s, Noise(noise.u_from * unit, noise.u_to) if noise.u_from else noise)


def _similar(g: Array, s: Array, fixed_scale: float | None) -> Array:
    a, b = g[:, 0] + 1j * g[:, 1], s[:, 0] + 1j * s[:, 1]
    c = complex(np.vdot(a, b) / np.vdot(a, a))
    if abs(c) < _SINGULAR:
        raise PoorGeometry("the two sides of the pairs have no turn in common")
    if fixed_scale is not None:
        c *= fixed_scale / abs(c)
    return np.array([[c.real, -c.imag, 0.0], [c.imag, c.real, 0.0], [0.0, 0.0, 1.0]])


def _projective(g: Array, s: Array, noise: Noise) -> Array:
    h = _linear_homography(g, s)
    for _ in range(_ROUNDS):
        if _shallowest(h, g) <= _HORIZON:
            raise PoorGeometry(
                "the horizon of the fitted perspective runs through the pairs: they have no such relation"
            )
        at, d_points, d_h = project(h, g)
        weights = _weights(d_points, noise)
        jacobian = d_h @ _tangent("projective", h)
        step = _gauss_newton(jacobian, weights, s - at)
        h = _stepped(h, np.append(step, 0.0).reshape(3, 3), g)
        if float(np.abs(step).max()) < _STOP:
            return h
    if not float(np.abs(step).max()) < _SETTLED:
        raise PoorGeometry("the pairs do not determine a projective model: the fit does not settle")
    return h


def _shallowest(h: Array, g: Array) -> float:
    """Return the least depth of the points over that of their mean, which is 1."""
    return float((g @ h[2, :2]).min()) + 1.0


def _stepped(h: Array, step: Array, g: Array) -> Array:
    """Return h + step, halved as often as it takes to keep the horizon off the points."""
    for _ in range(10):
        if _shallowest(h + step, g) > _HORIZON:
            return h + step
        step = step / 2
    return h


def _linear_homography(g: Array, s: Array) -> Array:
    """Return the homography with last entry 1 that the linear equations give (mean of g not at infinity)."""
    one, zero = np.ones(len(g)), np.zeros(len(g))
    x, y = g.T
    rows_x = np.stack([x, y, one, zero, zero, zero, -s[:, 0] * x, -s[:, 0] * y, -s[:, 0]], axis=1)
    rows_y = np.stack([zero, zero, zero, x, y, one, -s[:, 1] * x, -s[:, 1] * y, -s[:, 1]], axis=1)
    _, values, vt = np.linalg.svd(np.concatenate([rows_x, rows_y]), full_matrices=True)
    h = vt[-1]
    # With four points there are eight singular values; the ninth direction is the solution either way.
    if values[7] < _SINGULAR * values[0] or abs(h[8]) < 1e-6 * np.abs(h).max():
        raise PoorGeometry(
            "the pairs do not determine a projective model: three of four points, or nearly all, lie on one line"
        )
    return np.asarray((h / h[8]).reshape(3, 3))


def _demand_determined(g: Array) -> None:
    if thinness(g) < 1e-6:
        raise PoorGeometry("the from points lie on one line and determine no affine model")


def _tangent(model: PairModel, inner: Array) -> Array:
    """Return ∂matrix/∂θ (9, p) in normalised coordinates."""
    basis = np.zeros((9, UNKNOWNS[model]))
    a, b = inner[0, 0], inner[1, 0]
    match model:
        case "rigid":
            basis[[0, 1, 3, 4], 0] = -b, -a, a, -b
            basis[2, 1] = basis[5, 2] = 1.0
        case "similarity":
            basis[[0, 4], 0] = 1.0
            basis[[1, 3], 1] = -1.0, 1.0
            basis[2, 2] = basis[5, 3] = 1.0
        case "affine" | "projective":
            basis[: UNKNOWNS[model]] = np.eye(UNKNOWNS[model])
    return basis


def _weights(d_points: Array, noise: Noise) -> Array:
    covariance = noise.u_to**2 * np.eye(2) + noise.u_from**2 * (d_points @ d_points.transpose(0, 2, 1))
    try:
        return np.asarray(np.linalg.inv(covariance))
    except np.linalg.LinAlgError as error:
        raise PoorGeometry("the fitted model squeezes a pair onto a line: the pairs have no such relation") from error


def _gauss_newton(jacobian: Array, weights: Array, residuals: Array) -> Array:
    weighted = jacobian.transpose(0, 2, 1) @ weights
    normal = (weighted @ jacobian).sum(axis=0)
    try:
        return np.asarray(np.linalg.solve(normal, (weighted @ residuals[:, :, None]).sum(axis=0)[:, 0]))
    except np.linalg.LinAlgError as error:
        raise PoorGeometry("the pairs do not determine the model") from error


def _finish(model: PairModel, matrix: Array, basis: Array, f: Array, t: Array, noise: Noise) -> PairFit:
    at, d_points, d_h = project(matrix, f)
    if not np.isfinite(at).all():
        raise PoorGeometry("a from point lies on the horizon of the fitted model")
    weights = _weights(d_points, noise)
    jacobian = d_h @ basis
    normal = (jacobian.transpose(0, 2, 1) @ weights @ jacobian).sum(axis=0)
    size = np.sqrt(np.diag(normal))
    try:
        cofactor = np.linalg.inv(normal / np.outer(size, size)) / np.outer(size, size)
    except np.linalg.LinAlgError as error:
        raise PoorGeometry("the pairs do not determine the model") from error
    return PairFit(model, matrix, basis, np.asarray(cofactor), t - at, weights, jacobian)
