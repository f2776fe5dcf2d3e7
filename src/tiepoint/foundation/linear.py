"""Ordinary least squares with everything that an uncertainty needs: covariance, leverage, what is left over.

Solved by QR of the column-scaled design, never by normal equations: the certified sets of NIST's
Statistical Reference Datasets (linear regression) lose half their digits otherwise.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.foundation.sources import Scope, Values, ensemble

Array = NDArray[np.float64]

_RANK = 1e-13
"""Smallest diagonal of the scaled triangle, relative to the largest, that still counts as determined."""


@dataclass(frozen=True)
class LinearFit:
    """A fit y ≈ A·b: `estimate` (p,), `cofactor` (p, p) = (AᵀA)⁻¹, `residuals` (n,) = y − A·b.

    `leverage` (n,) is the diagonal of the hat matrix; `dof` = n − p.
    """

    estimate: Array
    cofactor: Array
    residuals: Array
    leverage: Array
    dof: int

    @cached_property
    def rss(self) -> float:
        """Sum of squared residuals."""
        return float(self.residuals @ self.residuals)

    @cached_property
    def s(self) -> float:
        """Residual standard deviation; NaN where nothing is left over to tell."""
        return math.sqrt(self.rss / self.dof) if self.dof > 0 else math.nan

    @property
    def covariance(self) -> Array:
        """Covariance (p, p) with the residual variance as noise."""
        return np.asarray(self.cofactor * self.s**2)

    def values(self, prefix: str, label: str, scope: Scope) -> Values:
        """Return the parameters as one ensemble of sources with the fit's dof."""
        sources, factor = ensemble(prefix, label, self.covariance, scope, float(self.dof))
        return Values(self.estimate, factor, sources)


def least_squares(design: Array, observed: Array) -> LinearFit:
    """Return the fit of `observed` (n,) by `design` (n, p).

    Raises `PoorGeometry` where the design does not determine all p parameters.
    """
    n, p = design.shape
    scale = np.sqrt(np.einsum("ij,ij->j", design, design))
    if n < p or not np.all(scale > 0):
        raise PoorGeometry(f"{n} equations do not determine {p} unknowns")
    q, r = np.linalg.qr(design / scale)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() <= _RANK * diagonal.max():
        raise PoorGeometry(f"the {n} equations are too alike to determine {p} unknowns")
    estimate = np.linalg.solve(r, q.T @ observed) / scale
    inverse = np.linalg.inv(r) / scale[:, None]
    leverage = np.einsum("ij,ij->i", q, q)
    return LinearFit(estimate, inverse @ inverse.T, observed - design @ estimate, leverage, n - p)
