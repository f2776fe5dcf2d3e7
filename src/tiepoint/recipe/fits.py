"""How a fitted shape depends on every cause of uncertainty: noise, tie and edge definition.

The fits themselves are `vision.fits`, on the ground. A fit moves with its points as p = M·e, e the displacements
along the shape's normals, so that one matrix carries everything: noise as M·diag(σ²)·Mᵀ, the tie's sources as
K = M·(nᵀ·G), since all points share the same tie error, and the edge definition likewise.

σ comes from the fit's own residuals. Where neighbouring residuals are alike (form, texture), points are not
independent: σ² is multiplied by the correlation length τ in points (N_eff = N/τ), and the part of σ that the edges'
own noise does not explain is told apart, as form.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.sources import Source, Value, Values, ensemble, listed, members, together
from tiepoint.recipe.context import Context, EdgeLook
from tiepoint.recipe.seek import EdgePoints
from tiepoint.vision.definition import shift_coefficients
from tiepoint.vision.fits import CircleFit, LineFit
from tiepoint.vision.shape_kernels import carry, facing, scattered

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Fit = LineFit | CircleFit

FORM_BY_CHANCE = 0.01
"""How often noise and tie alone may pass for form, in one fit."""


@dataclass(frozen=True)
class Scatter:
    """How the points of a fit scatter about it: variance (n,) of each, `dof`, correlation length `tau` in points.

    `mean_square` of the residuals, and `noise_ms`, what the edges' own noise explains of it. `count` of the points that
    belong.
    """

    variance: Array
    dof: float
    tau: float
    mean_square: float
    noise_ms: float
    count: int


def belongs(fit: Fit) -> Bools:
    """Return which points a fit rests on (n,)."""
    return np.asarray(fit.weights > 0)


def scatter_of(fit: Fit, points: EdgePoints, is_foreseen: bool, closed: bool) -> Scatter:
    """Return how the points scatter about their shape; `closed`: the last point is beside the first."""
    n, tau, squares, noise_ms = scattered(fit.residuals, points.u, fit.weights, closed)
    if is_foreseen:
        return Scatter(points.u**2, math.inf, 1.0, noise_ms, noise_ms, n)
    # Points that say the same are not new ones: the degrees of freedom shrink with their number.
    unknowns = len(fit.sensitivity)
    dof = max(n / tau - unknowns, 1.0)
    mean_square = squares / max(n - unknowns, 1.0)
    return Scatter(np.full(len(fit.weights), mean_square), dof, tau, mean_square, noise_ms, n)


def values_of(context: Context, parameters: Array, fit: Fit, points: EdgePoints, scatter: Scatter) -> Values:
    """Return the parameters of a fit as values over noise, tie and edge definition."""
    M = fit.sensitivity
    label, sources = f'Edge noise of "{context.table.name}"', listed(points.sources)
    c = np.empty((len(M), len(M) + len(sources)))
    if carry(M, scatter.variance, scatter.tau, fit.normals, points.d_sources, c):
        noise = members(f"edges:{context.prefix}", label, len(M), "pixel", scatter.dof)
    else:
        covariance = scatter.tau * (M * scatter.variance) @ M.T
        noise, spread = ensemble(f"edges:{context.prefix}", label, covariance, "pixel", scatter.dof)
        c = np.hstack([spread, c[:, len(M) :]])
    values = Values(parameters, c, together(noise, sources))
    if context.shift.source is not None:
        # The part's frame may have moved with the same cause: then its column is there already.
        values = values.with_source(context.shift.source, shift_coefficients(M, points.towards_light(fit.normals)))
    return values


def look_of(fit: Fit, points: EdgePoints) -> EdgeLook:
    """Return how those points look on which a fit rests."""
    blur, towards_light = np.empty(len(points)), np.empty((len(points), 2))
    n = facing(fit.weights, fit.normals, points.normal, points.light, points.blur_whole_px, blur, towards_light)
    return EdgeLook(blur[:n], towards_light[:n], isinstance(fit, LineFit))


def form_of(scatter: Scatter, prefix: str) -> Value:
    """Return the rms deviation from the shape that the edges' noise does not explain, form² = σ² − noise².

    u(σ²) = σ²·√(2/ν). The root is not differentiable at 0; below √u(form²)/2 its slope there is used instead, which
    states more than the truth and never less.
    """
    form = math.sqrt(max(scatter.mean_square - scatter.noise_ms, 0.0))
    u_square = scatter.mean_square * math.sqrt(2.0 / scatter.dof) if math.isfinite(scatter.dof) else 0.0
    if u_square == 0:
        return Value(form, {})
    u = u_square / (2.0 * max(form, math.sqrt(u_square) / 2.0))
    return Value(form, {Source(f"form:{prefix}", "Scatter of the edge points", "A", u, "pixel"): 1.0})


def flags_of(fit: Fit, points: EdgePoints) -> tuple[str, ...]:
    """Return the flags of a fit and of its edges.

    The fit takes what noise does not explain for form. On the ground it may be the tie: a scale that differs between x
    and y by what the print leaves open makes an ellipse of every circle.
    """
    flags = {*fit.flags, *points.flags}
    if "form_error" in flags and not is_form(fit, points):
        flags.remove("form_error")
    return tuple(sorted(flags))


def is_form(fit: Fit, points: EdgePoints) -> bool:
    """Whether neither the edges' noise nor the tie explains what a fit leaves over (χ² test, one in a hundred).

    The residuals r have the covariance diag(u²) + R·Rᵀ, R (n, m) being what one u of each of the tie's sources leaves
    over of the points' displacements once the shape has followed them; rᵀV⁻¹r by Woodbury's identity.
    """
    kept = belongs(fit)
    J, r, weight = _jacobian(fit, points.xy)[kept], fit.residuals[kept], 1.0 / points.u[kept] ** 2
    moves = np.einsum("ni,nim->nm", fit.normals, points.d_sources)[kept] * np.array([s.u for s in points.sources])
    R = moves - J @ (fit.sensitivity[:, kept] @ moves)
    b = R.T @ (weight * r)
    inner = np.eye(R.shape[1]) + (R.T * weight) @ R
    chi2 = float(weight @ r**2 - b @ np.linalg.solve(inner, b))
    return bool(special.chdtrc(max(len(r) - J.shape[1], 1), chi2) <= FORM_BY_CHANCE)


def _jacobian(fit: Fit, xy: Array) -> Array:
    """Return how a shape moves along its normals at points (n, 2) with its parameters, (n, p)."""
    if isinstance(fit, LineFit):
        return np.column_stack([np.ones(len(xy)), (xy - fit.anchor) @ fit.direction])
    return np.column_stack([fit.normals, np.ones(len(xy))])
