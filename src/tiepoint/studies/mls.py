"""Intervals of sums and differences of variances by modified large samples.

For γ = Σ k_i E[MS_i], k_i of either sign, from independent mean squares with n_i degrees of freedom:

    low = γ̂ − √V_L,   high = γ̂ + √V_U

with V_L and V_U quadratic in the mean squares, exact for one of them and for the ratio of two (Graybill & Wang, JASA
75 (1980) 869, for sums; Ting, Burdick, Graybill, Jeyaratnam & Lu, J. Statist. Comput. Simul. 35 (1990) 135, for
differences; Burdick & Larsen, J. Quality Technology 29 (1997) 261 and Burdick, Borror & Montgomery, ibid. 35 (2003)
342, for gauge studies; formulas from memory, proved in proofs/gauges.py). Ratios are the roots φ of the ends for
γ₁ − φγ₂ (Burdick & Graybill, Confidence Intervals on Variance Components, 1992, 3.4). A term beside the mean squares,
with an interval of its own, joins with its distance to that interval's end (Zou & Donner, Statistics in Medicine 27
(2008) 1693).
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
Beside = tuple[float, float, float]
"""A value with the low and the high end of its interval."""
NOTHING: Beside = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class LargeSample:
    """Factors of the method for mean squares with some degrees of freedom, `tail` left out on each side.

    `G`, `H` (m,) are those of one mean square, `apart` (m, m) those of a positive (row) and a negative one (column),
    `alike` (m, m) those of two with the same sign. They are for the low end; the high one is that of −γ.
    """

    G: Array
    H: Array
    apart: Array
    alike: Array

    @classmethod
    def of(cls, dof: Array, tail: float = 0.025) -> "LargeSample":
        """Return the factors for degrees of freedom (m,)."""
        n = np.asarray(dof, float)
        G, H = 1 - n / special.chdtri(n, tail), n / special.chdtri(n, 1 - tail) - 1
        a, b = n[:, None], n[None, :]
        F = special.fdtri(a, b, 1 - tail)
        apart = ((F - 1) ** 2 - (G[:, None] * F) ** 2 - H[None, :] ** 2) / F
        joint = (1 - (a + b) / special.chdtri(a + b, tail)) ** 2 * (a + b) ** 2 / (a * b)
        alike = joint - G[:, None] ** 2 * a / b - G[None, :] ** 2 * b / a
        return cls(G, H, apart, alike - np.diag(np.diag(alike)))

    def interval(self, parts: Array, beside: Beside = NOTHING) -> tuple[float, float]:
        """Return the interval of a sum of parts (m,): mean squares times their coefficients, of either sign.

        `beside`: one more term of the sum, with its own interval.
        """
        value, low, high = beside
        return self._low(parts, beside), -self._low(-parts, (-value, -high, -low))

    def _low(self, parts: Array, beside: Beside = NOTHING) -> float:
        plus, minus = np.maximum(parts, 0.0), np.maximum(-parts, 0.0)
        V = float(np.sum((self.G * plus) ** 2) + np.sum((self.H * minus) ** 2))
        if (minus > 0).any():
            V += float(plus @ self.apart @ minus)
            if (of := int(np.count_nonzero(plus > 0))) > 1:
                V += float(plus @ self.alike @ plus) / 2 / (of - 1)
        V = max(V, 0.0) + (beside[0] - beside[1]) ** 2
        return float(parts.sum()) + beside[0] - math.sqrt(V)

    def ratio(self, over: Array, under: Array, beside: Beside = NOTHING) -> tuple[float, float]:
        """Return the interval of a ratio of two sums of parts (m,), both of them variances: within 0 to ∞.

        `beside`: one more term of the sum under the line.
        """
        if not under.sum() + beside[0] > 0:
            return 0.0, math.inf
        low = 0.0 if self._low(over) <= 0 else self._root(over, under, beside, 1.0)
        high = math.inf if self._low(under, beside) <= 0 else self._root(over, under, beside, -1.0)
        return low, high

    def _root(self, over: Array, under: Array, beside: Beside, sign: float) -> float:
        """Return φ at which the low end (sign 1) or the high end (−1) of over − φ·under is 0."""

        def at(log: float) -> float:
            phi = math.exp(log)
            value, *ends = (-sign * phi * v for v in beside)
            return sign * self._low(sign * (over - phi * under), (value, min(ends), max(ends)))

        middle = math.log(max(abs(float(over.sum())), 1e-300) / (float(under.sum()) + beside[0]))
        low, high, step = middle - 1.0, middle + 1.0, 2.0
        while (below := at(low)) <= 0 and low > -600:
            low, step = low - step, 2 * step
        while (above := at(high)) >= 0 and high < 600:
            high, step = high + step, 2 * step
        if below <= 0 or above >= 0:
            return 0.0 if below <= 0 else math.inf
        return math.exp(float(scipy.optimize.brentq(at, low, high, xtol=1e-9)))


def spread_of_fixed(
    ms: float, dof: float, against: float, dof_against: float, tail: float = 0.025
) -> tuple[float, float]:
    """Return the interval of what fixed effects add to the expectation of their mean square.

    From the non-central F of `ms` over the mean square `against`, whose own expectation is taken as found: too wide
    where the effects are large beside it, never too narrow.
    """
    v2, p = _chi_square_over(dof_against)
    F = ms / against

    def at(shift: float, level: float) -> float:
        return float(special.chndtr(dof * F * v2, dof, shift) @ p) - level

    def end(level: float) -> float:
        if at(0.0, level) <= 0:
            return 0.0
        high = max(dof * F, 1.0)
        while at(high, level) > 0:
            high *= 2.0
        return float(scipy.optimize.brentq(at, 0.0, high, args=(level,), rtol=1e-10))

    return end(1 - tail) * against / dof, end(tail) * against / dof


@cache
def _chi_square_over(dof: float) -> tuple[Array, Array]:
    """Return values of χ²/dof (k,) with their weights, on Gauss-Legendre nodes of its root."""
    ends = np.sqrt(special.chdtri(dof, [1 - 1e-12, 1e-12]) / dof)
    x, w = np.polynomial.legendre.leggauss(120)
    v = ends.mean() + np.ptp(ends) / 2 * x
    log = (dof - 1) * np.log(v) - dof * v**2 / 2
    p = w * np.exp(log - log.max())
    return v**2, p / p.sum()
