"""How well a set of pairs is explained: the evidence of a model, with unknown noise, over changed or dropped rows.

For a model linear in p unknowns, N equations, flat priors on the unknowns and 1/σ on the noise, the marginal
likelihood is, up to a constant common to all explanations (Bretthorst, Bayesian Spectrum Analysis, 1988, ch. 3;
from memory),

    ln E = ln Γ(ν/2) − (ν/2)·ln(π·RSS) − ½·ln|AᵀA|,   ν = N − p.

A row that is left out costs ln(area): it may lie anywhere. So explanations with different models and different
rows can be compared by one number, and the chance that a false one wins by a factor k on a clean set is below
1/k. RSS is kept above what the written digits, or a stated u, can resolve. For a projective model the same form
is taken at its fit (Laplace).
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.ties.pair_fit import fit_pairs, thinness

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Shape = Literal["similarity", "affine", "projective"]

LN_AREA: Final = math.log(36.0)
"""Where a wrong row may lie, in units of the points' robust radius squared: a square of three radii about them."""
_AFFINE_SPREAD = 0.07
"""Prior sd of |antisimilar part|/|similar part|: foreshortening of a view tilted by some 30°, 1 − cos α = 0.13."""
_PROJECTIVE_SPREAD = 0.1
"""Prior sd of the change of scale over one radius: r·sin α/Z at α = 30° and r/Z = 0.2."""
_FLOOR = 1e-5
"""Least noise believed in, as a share of the radius: a micrometre on 100 mm."""
_MIN_THINNESS = 0.01


@dataclass(frozen=True)
class Level:
    """Robust centre and radius that both sides of the pairs are counted in."""

    centre: complex
    radius: float

    def of(self, z: Complex) -> Complex:
        """Return points as complex numbers in units of the radius."""
        return np.asarray((z - self.centre) / self.radius)


def level(points: Array) -> Level:
    """Return median centre and median radius of points (n, 2)."""
    z = points[:, 0] + 1j * points[:, 1]
    centre = complex(np.median(z.real), np.median(z.imag))
    radius = float(np.median(np.abs(z - centre)))
    return Level(centre, radius if radius > 0 else max(float(np.abs(z - centre).max()), 1e-300))


@dataclass(frozen=True)
class Fitted:
    """A model fitted to levelled pairs: `log_evidence`, residuals (k,) as complex numbers, `projector` (k, k).

    `projector` is I − hat: RSS = rᴴ·r = tᴴ·projector·t (of the linear numerator, for a projective model).
    """

    shape: Shape
    log_evidence: float
    nu: int
    rss: float
    floor: float
    residuals: Complex
    projector: Complex

    @cached_property
    def rms(self) -> float:
        """Root mean square length of the residuals, in radii."""
        return math.sqrt(self.rss / len(self.residuals))

    @cached_property
    def lever(self) -> Array:
        """The diagonal of the projector (k,), kept above rounding."""
        return np.maximum(self.projector.diagonal().real, 1e-9)

    def gain_of_rss(self, rss: Array) -> Array:
        """Return the gain of log evidence where only the sum of squares changes."""
        old = self.rss + self.nu * self.floor**2
        return np.asarray(-0.5 * self.nu * np.log((np.maximum(rss, 0.0) + self.nu * self.floor**2) / old))


def rss_changed(fit: Fitted, rows: NDArray[np.intp], delta: Complex) -> Array:
    """Return RSS after row `rows[k]` alone moved by `delta[k]`."""
    e, q = fit.residuals[rows], fit.lever[rows]
    return np.asarray(fit.rss + 2 * (np.conj(delta) * e).real + np.abs(delta) ** 2 * q)


def rss_exchanged(fit: Fitted, t: Complex) -> Array:
    """Return RSS (k, k) after the to points of rows i and j were exchanged."""
    delta = t[None, :] - t[:, None]
    e = fit.residuals[:, None] - fit.residuals[None, :]
    q = fit.lever[:, None] + fit.lever[None, :] - 2 * fit.projector.real
    return np.asarray(fit.rss + 2 * (np.conj(delta) * e).real + np.abs(delta) ** 2 * q)


def gain_of_leaving_out(fit: Fitted) -> Array:
    """Return the gain of log evidence (k,) where one row is left out."""
    if fit.nu <= 2:
        return np.full(len(fit.residuals), -math.inf)
    rss = np.maximum(fit.rss - np.abs(fit.residuals) ** 2 / fit.lever, 0.0)
    return (
        log_evidence(rss, fit.nu - 2, fit.floor)
        - log_evidence(np.array(fit.rss), fit.nu, fit.floor)
        - (np.log(fit.lever) + LN_AREA)
    )


def log_evidence(rss: Array, nu: int, floor: float) -> Array:
    """Return ln Γ(ν/2) − (ν/2)·ln(π·RSS): the part that residuals bring."""
    return np.asarray(special.gammaln(nu / 2) - nu / 2 * np.log(math.pi * (rss + nu * floor**2)))


def explain(shape: Shape, f: Complex, t: Complex, floor: float) -> Fitted | None:
    """Return the fit of levelled to points t (k,) by from points f (k,); None where they determine nothing."""
    if shape == "projective":
        return _projective(f, t, floor)
    return _linear(shape, f, t, np.ones(len(f)), floor)


def _linear(shape: Shape, f: Complex, t: Complex, weight: Array, floor: float) -> Fitted | None:
    """Return the fit of t by the similarity or affine design of f, whose rows are multiplied by `weight`."""
    k = len(f)
    columns = [np.ones(k), f] if shape == "similarity" else [np.ones(k), f.real, f.imag]
    nu = 2 * k - 2 * len(columns)
    if nu <= 0:
        return None
    q, r = np.linalg.qr(np.stack(columns, axis=1) * weight[:, None])
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < _MIN_THINNESS * diagonal.max():
        return None
    projector = np.eye(k) - q @ q.conj().T
    residuals = projector @ t
    rss = float(np.sum(np.abs(residuals) ** 2))
    evidence = float(log_evidence(np.array(rss), nu, floor)) - 2 * float(np.log(diagonal).sum())
    if shape == "affine":
        _, by_x, by_y = np.linalg.solve(r, q.conj().T @ t)
        evidence += _affine_prior(complex(by_x), complex(by_y))
    return Fitted(shape, evidence, nu, rss, floor, np.asarray(residuals), np.asarray(projector, complex))


def _affine_prior(by_x: complex, by_y: complex) -> float:
    """Return the log prior density of the two unknowns that an affine map has beyond a similarity."""
    similar, antisimilar = (by_x - 1j * by_y) / 2, (by_x + 1j * by_y) / 2
    size = max(abs(similar), 1e-12)
    # Four times: dRe dIm of the antisimilar part are a quarter of the entries' own volume.
    far = abs(antisimilar) / size / _AFFINE_SPREAD
    return -0.5 * far**2 - math.log(2 * math.pi * (2 * _AFFINE_SPREAD * size) ** 2)


def _projective(f: Complex, t: Complex, floor: float) -> Fitted | None:
    k = len(f)
    nu = 2 * k - 8
    if nu <= 0:
        return None
    points = np.stack([f.real, f.imag], axis=1)
    if thinness(points) < _MIN_THINNESS:
        return None
    try:
        fit = fit_pairs("projective", points, np.stack([t.real, t.imag], axis=1))
    except PoorGeometry:
        return None
    h = fit.matrix / fit.matrix[2, 2]
    w = points @ h[2, :2] + 1.0
    if w.min() <= 0.05:
        return None
    inner = _linear("affine", f, np.asarray(t, complex), 1.0 / w, floor)
    if inner is None:
        return None
    sign, log_det = np.linalg.slogdet(np.einsum("nip,niq->pq", fit.jacobian, fit.jacobian))
    if sign <= 0:
        return None
    evidence = float(log_evidence(np.array(fit.chi2), nu, floor)) - 0.5 * float(log_det)
    bend = float(np.hypot(h[2, 0], h[2, 1])) / _PROJECTIVE_SPREAD
    evidence += -0.5 * bend**2 - math.log(2 * math.pi * _PROJECTIVE_SPREAD**2)
    linear = (h[:2, :2] - np.outer(h[:2, 2], h[2, :2])).T
    evidence += _affine_prior(complex(*linear[0]), complex(*linear[1]))
    residuals = fit.residuals[:, 0] + 1j * fit.residuals[:, 1]
    return Fitted("projective", evidence, nu, fit.chi2, floor, residuals, inner.projector)


def floor_of(radius: float, *u: float) -> float:
    """Return the least noise believed in, in radii, for standard uncertainties `u` in the unit of the points."""
    return math.hypot(_FLOOR, *(v / radius for v in u))
