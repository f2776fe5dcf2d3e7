"""The gauge study by averages and ranges: arithmetic that a hand can repeat, beside the analysis of variance.

    EV = R̄·K(r, p·a),   AV² = (range of the factor's averages · K(a, 1))² − EV²/(p·r),   PV = range of parts · K(p, 1)

with r repeats, p parts and a levels of the factor. K = 1/d₂*, Duncan's √(d₂² + d₃²/g) for g ranges (Quality Control and
Industrial Statistics, app. D3), d₂ itself for g above 15; computed here and rounded to four decimals, as the tables in
use are, so that the outcome agrees with work by hand.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

_MANY = 15
_REACH = 8.5
"""Standard deviations beyond which no range of some hundred values reaches in double precision."""


@dataclass(frozen=True, slots=True)
class ByRanges:
    """Standard deviations by ranges: repeatability, factor, both together, parts, all."""

    ev: float
    av: float
    grr: float
    pv: float
    tv: float


def by_ranges(cube: Array) -> ByRanges:
    """Return the study of values (parts, levels, repeats); one level has no AV."""
    p, a, r = cube.shape
    ev = float(np.mean(np.ptp(cube, axis=2))) * factor(r, p * a)
    av = 0.0
    if a > 1:
        between = float(np.ptp(cube.mean(axis=(0, 2)))) * factor(a, 1)
        av = math.sqrt(max(between**2 - ev**2 / (p * r), 0.0))
    pv = float(np.ptp(cube.mean(axis=(1, 2)))) * factor(p, 1)
    grr = math.hypot(ev, av)
    return ByRanges(ev, av, grr, pv, math.hypot(grr, pv))


def factor(n: int, ranges: int) -> float:
    """Return K, by which the mean of so many ranges of n normal values is multiplied to have their σ; four decimals."""
    d2, d3 = range_moments(n)
    return round(1 / (d2 if ranges > _MANY else math.sqrt(d2**2 + d3**2 / ranges)), 4)


@cache
def range_moments(n: int) -> tuple[float, float]:
    """Return the mean d₂ and the standard deviation d₃ of the range of n standard normal values (Tippett 1925)."""
    x, w = np.polynomial.legendre.leggauss(400)
    x, w = _REACH * x, _REACH * w
    F = special.ndtr(x)
    mean = float(w @ (1 - F**n - special.ndtr(-x) ** n))
    # E[W²] = 2 ∬_{x<y} (1 − F(y)ⁿ − (1 − F(x))ⁿ + (F(y) − F(x))ⁿ); y from x to the end, on a grid of its own.
    half = (_REACH - x) / 2
    y = x[:, None] + half[:, None] * (x[None, :] / _REACH + 1)
    wy = half[:, None] * w[None, :] / _REACH
    inner = 1 - special.ndtr(y) ** n - special.ndtr(-x)[:, None] ** n + (special.ndtr(y) - F[:, None]) ** n
    squares = 2 * float(w @ np.sum(inner * wy, axis=1))
    return mean, math.sqrt(squares - mean**2)
