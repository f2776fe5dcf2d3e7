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

from tiepoint.foundation.sources import (
    Source,
    Sources,
    Value,
    Values,
    alone,
    ensemble,
    half_width,
    listed,
    members,
    together,
)
from tiepoint.recipe.context import Context, EdgeLook
from tiepoint.recipe.fit_kernels import facing, tell_fit
from tiepoint.recipe.seek import EdgePoints
from tiepoint.vision.fits import CircleFit, LineFit

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Fit = LineFit | CircleFit

CURVATURE = half_width("model:edge-curvature", "Edge seen on a curve", 0.04, "instrument")
"""In px·px over the radius in px: what noise-free circles of 10 to 80 px and blurs of 0.5 to 1.5 px are off by."""
FORM_BY_CHANCE = 0.01
"""How often noise and tie alone may pass for form, in one fit."""


@dataclass(frozen=True)
class Scatter:
    """How the points of a fit scatter about it: `variance` of each (n,), or one for all; `dof`; `tau`, the correlation
    length in points.

    `mean_square` of the residuals, and `noise_ms`, what the edges' own noise explains of it. `count` of the points that
    belong.
    """

    variance: float | Array
    dof: float
    tau: float
    mean_square: float
    noise_ms: float
    count: int


def belongs(fit: Fit) -> Bools:
    """Return which points a fit rests on (n,)."""
    return np.asarray(fit.weights > 0)


def told_by(
    context: Context, parameters: Array, fit: Fit, points: EdgePoints, closed: bool, radius: float | None = None
) -> tuple[Values, Scatter]:
    """Return the parameters of a fit as values over noise, tie and edge definition, and how its points scatter.

    `closed`: the last point is beside the first. `radius`: of an edge whose curvature was corrected for.
    """
    M, shift, sources = fit.sensitivity, context.shift.source, listed(points.sources)
    p = len(M)
    more = [sources]
    light_at = -1 if shift is None else p + _place(more, shift)
    curve_at = -1 if radius is None else p + _place(more, CURVATURE)
    c = np.empty((p, p + sum(map(len, more))))
    is_known, count, dof, tau, mean_square, noise_ms = tell_fit(
        M, fit.residuals, fit.weights, fit.normals, points.u, points.d_sources, points.seen, closed,
        context.is_foreseen, light_at, curve_at, radius or math.inf, c,
    )  # fmt: skip
    scatter = Scatter(points.u**2 if context.is_foreseen else mean_square, dof, tau, mean_square, noise_ms, count)
    name, label = f"edges:{context.prefix}", f'Edge noise of "{context.table.name}"'
    if is_known:
        noise = members(name, label, p, "pixel", dof)
    else:
        noise, spread = ensemble(name, label, tau * (M * scatter.variance) @ M.T, "pixel", dof)
        c = np.hstack([spread, c[:, p:]])
    return Values(parameters, c, together(noise, *more)), scatter


def _place(lists: list[Sources], source: Source) -> int:
    """Return the place of a source in lists laid end to end; it is added to them where they do not have it.

    The part's frame, in the first, may have moved with the same cause as the edges: then its column is there already.
    """
    known = lists[0].place.get(source)
    if known is not None:
        return known
    lists.append(alone(source))
    return sum(map(len, lists)) - 1


def look_of(fit: Fit, points: EdgePoints) -> EdgeLook:
    """Return how those points look on which a fit rests."""
    return EdgeLook(*facing(points.seen, fit.weights, fit.normals), isinstance(fit, LineFit))


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
    if not (fit.flags or points.flags):
        return ()
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
