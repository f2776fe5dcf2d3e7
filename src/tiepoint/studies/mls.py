"""Intervals of sums and differences of variances by modified large samples.

For γ = Σ k_i E[MS_i], k_i of either sign, from independent mean squares with n_i degrees of freedom:

    low = γ̂ − √V_L,   high = γ̂ + √V_U

with V_L and V_U quadratic in the mean squares, exact for one of them and for the ratio of two (Graybill & Wang, JASA
75 (1980) 869, for sums; Ting, Burdick, Graybill, Jeyaratnam & Lu, J. Statist. Comput. Simul. 35 (1990) 135, for
differences; Burdick & Larsen, J. Quality Technology 29 (1997) 261 and Burdick, Borror & Montgomery, ibid. 35 (2003)
342, for gauge studies; formulas from memory, proved in proofs/gauges.py). Ratios are the roots φ of the ends for
γ₁ − φγ₂ (Burdick & Graybill, Confidence Intervals on Variance Components, 1992, 3.4).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

Array = NDArray[np.float64]


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

    def interval(self, parts: Array) -> tuple[float, float]:
        """Return the interval of a sum of parts (m,): mean squares times their coefficients, of either sign."""
        return self._low(parts), -self._low(-parts)

    def _low(self, parts: Array) -> float:
        plus, minus = np.maximum(parts, 0.0), np.maximum(-parts, 0.0)
        V = float(np.sum((self.G * plus) ** 2) + np.sum((self.H * minus) ** 2))
        if (minus > 0).any():
            V += float(plus @ self.apart @ minus)
            if (of := int(np.count_nonzero(plus > 0))) > 1:
                V += float(plus @ self.alike @ plus) / 2 / (of - 1)
        return float(parts.sum()) - math.sqrt(max(V, 0.0))

    def ratio(self, over: Array, under: Array) -> tuple[float, float]:
        """Return the interval of a ratio of two sums of parts (m,), both of them variances: within 0 to ∞."""
        if not under.sum() > 0:
            return 0.0, math.inf
        low = 0.0 if self._low(over) <= 0 else self._root(over, under, 1.0)
        high = math.inf if self._low(under) <= 0 else self._root(over, under, -1.0)
        return low, high

    def _root(self, over: Array, under: Array, sign: float) -> float:
        """Return φ at which the low end (sign 1) or the high end (−1) of over − φ·under is 0."""

        def at(log: float) -> float:
            return sign * self._low(sign * (over - math.exp(log) * under))

        middle = math.log(max(abs(float(over.sum())), 1e-300) / float(under.sum()))
        low, high, step = middle - 1.0, middle + 1.0, 2.0
        while (below := at(low)) <= 0 and low > -600:
            low, step = low - step, 2 * step
        while (above := at(high)) >= 0 and high < 600:
            high, step = high + step, 2 * step
        if below <= 0 or above >= 0:
            return 0.0 if below <= 0 else math.inf
        return math.exp(float(optimize.brentq(at, low, high, xtol=1e-9)))
