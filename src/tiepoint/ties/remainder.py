"""What a fit leaves over: noise beyond what was stated, lens terms left out, and structure that no member explains."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.ties.family import Fit
from tiepoint.ties.lens import straighten
from tiepoint.ties.tie import ideal_from_picture, polynomial_terms, project

Array = NDArray[np.float64]

STRUCTURE_DEGREE = 5
STRUCTURE_P = 1e-4
"""Residuals are called structured where chance alone would show as much less often than this."""

FEWEST_CORNERS = 40
"""With fewer, structure in the residuals cannot be told from noise."""
_SMALLEST_WEIGHT = 0.01


@dataclass(frozen=True)
class Smooth:
    """A smooth displacement: polynomial `coefficients` (terms, 2) in mm about `middle`, scaled by `reach`, in px."""

    middle: tuple[float, float]
    reach: float
    coefficients: Array


@dataclass(frozen=True)
class Structure:
    """The smooth part of the residuals; `rms_px` is its size at the corners, `share` its part of their variance."""

    smooth: Smooth
    rms_px: float
    share: float


def extra_variance(residual_px: Array, covariance: Array, dof: float) -> float:
    """Return the variance τ² in px², per coordinate, that corners scatter beyond their own covariances (n, 2, 2).

    Solves Σ r²/(σ² + τ²) = ν on the residuals (n, 2) as they are (Mandel & Paule, Analytical Chemistry 42, 1970):
    ink, paper and pixels that no corner's own covariance knows of. Zero where χ² does not exceed ν.
    """

    def excess(tau2: float) -> float:
        solved = np.linalg.solve(covariance + tau2 * np.eye(2), residual_px[:, :, None])[:, :, 0]
        return float(np.sum(residual_px * solved)) - dof

    if dof <= 0 or excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, float(np.sum(residual_px**2)) / dof
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


def lens_doubt(fits: tuple[Fit, ...], chosen: Fit, noise: float) -> tuple[Smooth, ...]:
    """Return displacements, one a richer member: how far it maps from the chosen one, times the root of its weight.

    Weights are exp(−ΔBIC/2), the posterior probability of a member among these (Burnham & Anderson 2002, 6.4.1;
    from memory): terms that the corners can neither show nor exclude remain in the budget.
    """
    richer = [f for f in fits if f is not chosen and set(f.free) > set(chosen.free)]
    penalty = math.log(chosen.n)
    criteria = np.array([f.chi2 / noise + penalty * f.k_used for f in (chosen, *richer)])
    weights = np.exp(-(criteria - criteria.min()) / 2)
    weights /= weights.sum()
    doubts = [(w, fit) for w, fit in zip(weights[1:], richer, strict=True) if w > _SMALLEST_WEIGHT]
    if not doubts:
        return ()
    middle, reach, basis = _basis(chosen)
    here = _mapped(chosen, chosen.corners.px)
    inverse = np.linalg.pinv(basis)
    return tuple(
        Smooth(middle, reach, inverse @ (math.sqrt(w) * (_mapped(fit, chosen.corners.px) - here))) for w, fit in doubts
    )


def _mapped(fit: Fit, px: Array) -> Array:
    straight = np.column_stack([straighten(fit.lens, px), np.ones(len(px))]) @ fit.matrix.T
    return np.asarray(straight[:, :2] / straight[:, 2:])


def _basis(fit: Fit) -> tuple[tuple[float, float], float, Array]:
    """Return middle and reach of the corners in the picture, and the polynomials there (n, terms)."""
    px = fit.corners.px
    low, high = px.min(axis=0), px.max(axis=0)
    middle, reach = (low + high) / 2, float(np.max(high - low)) / 2
    degree = smooth_degree(len(px))
    return (float(middle[0]), float(middle[1])), reach, polynomial_terms(degree, (px - middle) / reach)


def smooth_degree(corners: int) -> int:
    """Return the degree of smooth displacements that so many corners can bear."""
    return STRUCTURE_DEGREE if corners >= FEWEST_CORNERS else 3 if corners >= 20 else 1


def structure(fit: Fit) -> Structure | None:
    """Return the smooth part of the residuals where there is one beyond chance; None otherwise.

    Polynomials of degree 5 in picture coordinates, less what the fit itself can express, are fitted to the whitened
    residuals; an F test compares them with the rest.
    """
    n = len(fit.corners)
    if n < FEWEST_CORNERS:
        return None
    middle, reach, basis = _basis(fit)
    smooth = _both_coordinates(basis)
    rows = fit.rows.reshape(-1, fit.k)
    modes = np.einsum("nij,njm->nim", fit.white, smooth).reshape(2 * n, -1)
    residual = np.einsum("nij,nj->ni", fit.white, fit.residual_px / fit.frame.rho_px).ravel()
    # What the fit can express leaves no residual, and what it nearly can would only pick up rounding.
    fitted = np.linalg.qr(rows)[0]
    free = modes - fitted @ (fitted.T @ modes)
    power, directions = np.linalg.eigh(free.T @ free)
    kept = power > 1e-6 * power[-1]
    size, directions = np.sqrt(power[kept]), directions[:, kept]
    seen = directions.T @ (free.T @ residual) / size
    explained, count = float(seen @ seen), int(kept.sum())
    rest, rest_dof = fit.chi2 - explained, fit.dof - count
    if rest_dof < count / 2 or rest <= 0:
        return None
    chance = special.fdtrc(count, rest_dof, (explained / count) / (rest / rest_dof))
    if chance > STRUCTURE_P:
        return None
    weights = directions @ (seen / size)
    swallowed = fit.covariance @ (rows.T @ (modes @ weights))
    smooth_mm, rms_px = _as_field(fit, basis, weights, swallowed)
    return Structure(Smooth(middle, reach, smooth_mm), rms_px, explained / fit.chi2)


def _as_field(fit: Fit, basis: Array, weights: Array, swallowed: Array) -> tuple[Array, float]:
    """Return the smooth residual in mm (terms, 2), what the fit swallowed of it taken off, and its rms in px."""
    in_picture = basis @ weights.reshape(-1, 2) * fit.frame.rho_px
    px = fit.corners.px
    straight = ideal_from_picture(fit.lens, px)
    _, d_ideal, d_matrix = project(fit.matrix, straight.ideal_px)
    by_parameter = np.concatenate([d_matrix, d_ideal @ straight.d_lens], axis=2) @ fit.parameter_factor()
    # A corner seen at +δ of where it should be is mapped to +∂mm/∂px·δ; the parameters moved the other way.
    mm = np.einsum("nij,nj->ni", d_ideal @ straight.d_px, in_picture) + by_parameter @ swallowed
    coefficients = np.asarray(np.linalg.lstsq(basis, mm, rcond=None)[0])
    size = np.einsum("nij,nj->ni", np.linalg.inv(d_ideal @ straight.d_px), basis @ coefficients)
    return coefficients, math.sqrt(float(np.mean(np.sum(size**2, axis=1))))


def _both_coordinates(basis: Array) -> Array:
    """Return (n, 2, 2·terms): every term once along x, once along y, in the order of `weights.reshape(-1, 2)`."""
    n, terms = basis.shape
    out = np.zeros((n, 2, 2 * terms))
    out[:, 0, 0::2] = basis
    out[:, 1, 1::2] = basis
    return out
