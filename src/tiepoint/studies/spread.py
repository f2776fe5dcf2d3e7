"""How parts that were made spread within their limits: performance indices with their intervals, from many readings.

    Pp = (upper − lower) / 6s,   Ppk = min(upper − mean, mean − lower) / 3s        (ISO 22514-2, from memory)

s is the standard deviation of all values together, so what drifts counts. Intervals take independent, normal values:
of the mean by Student's t, of s and Pp by χ², and of a one-sided index exactly by the noncentral t law, since
√n·(limit − mean)/s has n − 1 degrees of freedom and the noncentrality 3·√n·index (Johnson & Welch, Biometrika 31 (1940)
362). Ppk with both limits takes that of its nearer limit: the farther one can only lower it, by a little where both
are near. Spread of the measurement is within s: an index tells of parts as they were measured.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.figure import Figure

CONFIDENCE = 0.95
FEWEST = 10
"""Values with which a spread is told: of fewer its interval says nothing."""


@dataclass(frozen=True, slots=True)
class Moments:
    """Values as sums, which can be added: `n`, `mean`, and the `squares` about it (Welford, 1962)."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0

    def __add__(self, other: "Moments") -> "Moments":
        """Return those of both together (Chan, Golub & LeVeque, 1979)."""
        n = self.n + other.n
        if not self.n or not other.n:
            return self if self.n else other
        apart = other.mean - self.mean
        return Moments(
            n, self.mean + apart * other.n / n, self.squares + other.squares + apart**2 * self.n * other.n / n
        )


@dataclass(frozen=True, slots=True)
class Spread:
    """`n` values with their `mean` and `s`; `pp` and `ppk` None where limits do not tell them, or no value differs."""

    n: int
    mean: Figure
    s: Figure
    pp: Figure | None
    ppk: Figure | None


def moments(values: NDArray[np.float64]) -> Moments:
    """Return the moments of values (n,)."""
    mean = float(values.mean()) if values.size else 0.0
    return Moments(int(values.size), mean, float(np.square(values - mean).sum()))


def spread_of(found: Moments, lower: float | None = None, upper: float | None = None) -> Spread:
    """Return how values spread, with intervals at 95 %. Raises `UnusableInput` of fewer than 10 values."""
    if found.n < FEWEST:
        raise UnusableInput(f"{found.n} values tell no spread; take {FEWEST} or more")
    dof, s = found.n - 1, math.sqrt(found.squares / (found.n - 1))
    tail = (1 - CONFIDENCE) / 2
    half = float(special.stdtrit(dof, 1 - tail)) * s / math.sqrt(found.n)
    # χ² by its upper tail, as scipy has it.
    wide, narrow = (math.sqrt(dof / float(special.chdtri(dof, p))) for p in (1 - tail, tail))
    pp = ppk = None
    if s > 0 and lower is not None and upper is not None:
        value = (upper - lower) / (6 * s)
        pp = Figure(value, value / wide, value / narrow)
    if s > 0 and (lower is not None or upper is not None):
        away = min(side for side in (_above(found.mean, lower), _below(found.mean, upper)) if side is not None)
        ppk = _index(away / (3 * s), found.n)
    mean = Figure(found.mean, found.mean - half, found.mean + half)
    return Spread(found.n, mean, Figure(s, s * narrow, s * wide), pp, ppk)


def _above(mean: float, lower: float | None) -> float | None:
    return None if lower is None else mean - lower


def _below(mean: float, upper: float | None) -> float | None:
    return None if upper is None else upper - mean


MOST_EXACT = 2000
"""Values up to which the noncentral t law is asked; beyond, its normal limit is within a thousandth of it."""


def _index(value: float, n: int) -> Figure:
    tail = (1 - CONFIDENCE) / 2
    if n <= MOST_EXACT:
        root = 3 * math.sqrt(n)
        ends = [float(special.nctdtrinc(n - 1, p, root * value)) / root for p in (1 - tail, tail)]
        if all(map(math.isfinite, ends)):
            return Figure(value, min(ends), max(ends))
    half = float(special.ndtri(1 - tail)) * math.sqrt(1 / (9 * n) + value**2 / (2 * (n - 1)))
    return Figure(value, value - half, value + half)
