"""Control charts: limits for single values, for averages of sets, and for the exponentially weighted average.

    z_i = λ·x_i + (1 − λ)·z_{i−1},   var z_i = λ²·σ_i² + (1 − λ)²·var z_{i−1},   limits: centre ± L·√(var z_i)

(Roberts, Technometrics 1 (1959) 239; Lucas & Saccucci, Technometrics 32 (1990) 1.) The variance is followed from the
first point on, so that the limits are exact from the start; σ_i is that of the i-th point.
"""

import math

import numpy as np
from numpy.typing import NDArray

from tiepoint.studies.ranges import range_moments

Array = NDArray[np.float64]

LAMBDA, WIDTH = 0.2, 2.86
"""Weight of the newest point, and width of the limits: one false alarm in some 370 points (Lucas & Saccucci 1990)."""
SHEWHART = 3.0


def ewma(points: Array, sigma: Array, centre: float, weight: float = LAMBDA) -> tuple[Array, Array]:
    """Return the weighted averages (n,) of points (n,) with standard deviations `sigma` (n,), and their own."""
    z, variance = centre, 0.0
    averages, spreads = np.empty(len(points)), np.empty(len(points))
    for k, (x, s) in enumerate(zip(points.tolist(), sigma.tolist(), strict=True)):
        z = weight * x + (1 - weight) * z
        variance = (weight * s) ** 2 + (1 - weight) ** 2 * variance
        averages[k], spreads[k] = z, math.sqrt(variance)
    return averages, spreads


def sigma_of_singles(values: Array) -> float:
    """Return σ of single values (n,) from what neighbours differ by: mean moving range over d₂(2) = 1.128."""
    return float(np.mean(np.abs(np.diff(values)))) / range_moments(2)[0]


def run_length(shift: float, weight: float = LAMBDA, width: float = WIDTH, nodes: int = 61) -> float:
    """Return after how many points, on average, the weighted average leaves its (final) limits.

    `shift` of the mean in standard deviations of a point. The integral equation of Crowder, Technometrics 29 (1987)
    401, on Gauss-Legendre nodes.
    """
    h = width * math.sqrt(weight / (2 - weight))
    x, w = np.polynomial.legendre.leggauss(nodes)
    x, w = h * x, h * w

    def density(to: Array, start: Array) -> Array:
        away = (to[None, :] - (1 - weight) * start[:, None]) / weight - shift
        return np.asarray(np.exp(-(away**2) / 2) / (weight * math.sqrt(2 * math.pi)))

    lengths = np.linalg.solve(np.eye(nodes) - density(x, x) * w, np.ones(nodes))
    return float(1 + (density(x, np.zeros(1)) * w @ lengths)[0])
