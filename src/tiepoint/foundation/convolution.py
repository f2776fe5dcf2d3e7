"""The distribution of a linear form over sources of known distributions, without draws.

A sum of independent parts has the product of their characteristic functions φ, and its distribution function is

    F(x) = 1/2 + 1/π·∫ sin(s·x)·φ(s)/s ds over s > 0

for symmetric parts (Gil-Pelaez, Biometrika 38, 1951, from memory). A normal part makes φ fall off quickly, so some
dozens of terms of a midpoint sum carry it. Where too little is normal, or an ensemble has too few degrees of freedom,
there is no such distribution here, and draws must do.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.sources import Value

Array = NDArray[np.float64]

LEAST_NORMAL = 0.1
"""Standard uncertainty of the normal parts over that of the whole from which the sum is short."""
LEAST_DOF = 20.0
"""Degrees of freedom from which Student's t is a mean of five normal distributions for every purpose."""
_PERIOD = 24.0
"""The midpoint sum repeats F after so many u: nothing of weight lies there."""
_FADED = 6.5
"""exp(−6.5²/2) = 7e-10: the normal parts leave no more of φ."""
_PLACES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Convolved:
    """The distribution of a value about its estimate: F(x) = 1/2 + Σ weight·sin(s·x), with scale `u`."""

    value: float
    u: float
    s: Array
    weight: Array

    def below(self, x: float) -> float:
        """Return the probability of lying below x."""
        away = x - self.value
        if abs(away) > _PERIOD / 2 * self.u:
            return 0.0 if away < 0 else 1.0
        return min(max(0.5 + float(self.weight @ np.sin(self.s * away)), 0.0), 1.0)

    def half_width(self, p: float) -> float:
        """Return the half-width of the symmetric interval that holds a share p, by Newton from the normal one."""
        x = float(special.ndtri(0.5 + p / 2)) * self.u
        for _ in range(20):
            density = float((self.weight * self.s) @ np.cos(self.s * x))
            step = (0.5 + p / 2 - self.below(self.value + x)) / max(density, 1e-3 / self.u)
            x += min(max(step, -0.5 * self.u), 0.5 * self.u)
            if abs(step) < 1e-9 * self.u:
                break
        return x


def convolved(value: Value) -> Convolved | None:
    """Return the distribution of a value; None where its sources do not allow it."""
    u = value.u
    normal = 0.0
    ensembles: dict[str, tuple[float, float]] = {}
    boxes: list[tuple[str, float]] = []
    for source, c in value.terms.items():
        part = c * source.u
        if source.distribution not in ("normal", "t"):
            if math.isfinite(source.dof):
                return None
            boxes.append((source.distribution, part))
        elif math.isinf(source.dof):
            normal += part * part
        else:
            before = ensembles.get(source.ensemble, (0.0, 0.0))[0]
            ensembles[source.ensemble] = (before + part * part, source.dof)
    settled = normal + sum(variance for variance, _ in ensembles.values())
    if not (u > 0 and settled > (LEAST_NORMAL * u) ** 2) or any(dof < LEAST_DOF for _, dof in ensembles.values()):
        return None
    h = math.tau / (_PERIOD * u)
    s = np.asarray((np.arange(math.ceil(_FADED / (math.sqrt(settled) * h))) + 0.5) * h)
    phi = np.asarray(np.exp(-0.5 * normal * s * s))
    for variance, dof in ensembles.values():
        phi = phi * _student(variance * s * s, dof)
    for distribution, part in boxes:
        phi = phi * _of_shape(distribution, part * s)
    return Convolved(value.value, u, s, phi / s * (h / math.pi))


def _student(square: Array, dof: float) -> Array:
    """Return φ of Student's t by (u·s)²: a mean of normal ones over χ²/ν, whose cube root is nearly normal.

    Wilson & Hilferty 1931; five places of Gauss and Hermite carry the mean.
    """
    spread = math.sqrt(2.0 / (9.0 * dof))
    of_chi2 = (1.0 - spread**2 + spread * _PLACES) ** 3
    return np.asarray(_WEIGHTS @ np.exp(np.multiply.outer(-0.5 / of_chi2, square)))


def _of_shape(distribution: str, x: Array) -> Array:
    """Return φ of a distribution of unit variance at x."""
    match distribution:
        case "rectangular":
            return np.asarray(np.sinc(x * (math.sqrt(3.0) / math.pi)))
        case "triangular":
            return np.asarray(np.sinc(x * (math.sqrt(1.5) / math.pi)) ** 2)
        case _:
            return np.asarray(special.j0(x * math.sqrt(2.0)))
