"""Propagation of distributions (JCGM 101:2008) where the linear law of propagation is not good enough.

`propagate` first tries the linear law (JCGM 100, eq. 10) with numeric sensitivities, and checks it the way
JCGM 101 clause 8 does: do both ends of its coverage interval stand, within half a unit of the last
significant digit of u? Where some dozens of steps show no curvature nobody draws. Otherwise the check is a small
coupled simulation: the formula and its linear form see the same draws, so that the difference of their quantiles is
hardly noisy. Where the law fails, draws are added in blocks until the results are stable (clause 7.9).

Departures from JCGM 101: the reported value stays the formula at the best estimates (not the mean of the
draws, which would add the noise of a length of a vector a second time); sources with finite dof inside one
ensemble are a joint multivariate t, with a single χ² (one residual variance scales them all); sources other
than normal that state a finite dof are scaled by the same χ² rather than by a curvilinear trapezoid.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.convolution import Convolved, convolved
from tiepoint.foundation.law import fourth_cumulant, places_along, root_of, slopes_of, steps_of, worst_of
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import DIVISOR, Source, Value, Values, coverage_factor, stack

Array = NDArray[np.float64]
Formula = Callable[[Array], Array]
"""Takes (k, draws), the k inputs at many draws, and returns (draws,); NaN where it has no answer."""

_UNLIMITED = ("", math.inf)
_PILOT = 4000
_BLOCK = 10_000


@dataclass(frozen=True, slots=True)
class Propagated:
    """The outcome of a formula: its value with sources, and a 95 % (or `p`) interval that holds.

    `convolution`: the formula is straight, and its `distribution` is that of the sum of its sources. `value` carries
    the linear sensitivities, and where Monte Carlo was needed one more source for what the
    linear law misses. `mean` and `u` are those of the draws (of the linear law where that was enough).
    `low`, `high` bound the interval; both NaN, with a `reason`, where the formula has no answer too often, or where an
    input or its uncertainty is no number.
    """

    value: Value
    method: Literal["linear", "convolution", "monte-carlo"]
    low: float
    high: float
    mean: float
    u: float
    draws: int
    reason: Reason | None = None
    distribution: Convolved | None = None

    @property
    def half_width(self) -> float:
        """The larger distance from the value to an end of the interval: U where one number must do."""
        return max(self.high - self.value.value, self.value.value - self.low)


def propagate(
    f: Formula,
    inputs: Sequence[Value] | Values,
    *,
    seed: int | np.random.Generator,
    name: str,
    p: float = 0.95,
    digits: int = 2,
    at_least: float | None = None,
    interval: Literal["symmetric", "shortest"] = "symmetric",
    method: Literal["auto", "monte-carlo"] = "auto",
    max_draws: int = 2_000_000,
) -> Propagated:
    """Return f(inputs) with its uncertainty, by the linear law or, where that fails, by Monte Carlo.

    `name` makes the id of the source that Monte Carlo adds. `digits`: significant digits of u that must
    stand. `at_least`: a bound that the quantity cannot pass (a distance is at least 0); an interval of the
    linear law that would pass it sends the work to Monte Carlo, whose interval is then extended to the
    bound. Without this a true value near the bound would never be covered (Hall, Metrologia 45, 2008:
    the interval of clause 7.7 always excludes 0 there).
    """
    joint = inputs if isinstance(inputs, Values) else stack(inputs)
    asked, factor, is_finite = steps_of(joint.c, joint.stated, joint.value)
    y = _at(f, asked)
    # Central differences, at ±u (JCGM 100, 5.1.3, note 2) and at ± a column of the factor.
    estimate, (c, gradient) = float(y[0]), slopes_of(y, joint.stated)
    linear = joint.known_by(estimate, c)
    if not is_finite:
        return Propagated(linear, "linear", math.nan, math.nan, math.nan, math.nan, 0, Reason("not_a_number"))
    if not factor.size:
        return Propagated(linear, "linear", estimate, estimate, estimate, 0.0, 0)
    k = coverage_factor(0.5 + p / 2, linear.dof)
    half = k * linear.u
    by_linear_law = Propagated(linear, "linear", estimate - half, estimate + half, estimate, linear.u, 0)
    is_free = at_least is None or by_linear_law.low >= at_least
    delta, by_shape = tolerance(linear.u, digits), _moved_by_shape(linear, p)
    bent = _bent(f, joint.value, estimate, factor, gradient, k) if method == "auto" and is_free else math.inf
    if bent + by_shape <= delta:
        return by_linear_law
    # Only the shapes of the sources' distributions stand against the law: those add up without draws.
    if bent <= delta / 2 and (sum_of_sources := convolved(linear)) is not None:
        half = sum_of_sources.half_width(p)
        return replace(
            by_linear_law, method="convolution", low=estimate - half, high=estimate + half, distribution=sum_of_sources
        )
    rng, sampler = np.random.default_rng(seed), _Sampler(joint, c)
    if method == "auto" and is_free and _linear_law_holds(f, sampler, linear, rng, p, digits, by_shape):
        return replace(by_linear_law, draws=_PILOT)
    return _monte_carlo(f, sampler, linear, rng, _Wanted(name, p, digits, at_least, interval, max_draws))


def drawn(f: Formula, inputs: Sequence[Value] | Values, *, seed: int | np.random.Generator, draws: int) -> Array:
    """Return f at so many draws of its inputs (draws,): NaN where it has no answer."""
    joint = inputs if isinstance(inputs, Values) else stack(inputs)
    if not joint.c.any():
        return np.repeat(_at(f, joint.value[:, None]), draws)
    x, _ = _Sampler(joint, np.zeros(len(joint.sources))).draw(draws, np.random.default_rng(seed))
    return _at(f, x)


def tolerance(u: float, digits: int) -> float:
    """Return δ, half a unit of the last of `digits` significant digits of u (JCGM 101, 7.9.2)."""
    if not (u > 0 and math.isfinite(u)):
        return 0.0
    exponent = math.floor(math.log10(u)) - digits + 1
    # Rounding u may carry (0.0996 → 0.10): the exponent is that of the rounded number.
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def _at(f: Formula, x: Array) -> Array:
    with np.errstate(all="ignore"):
        return np.asarray(f(x), float).reshape(x.shape[1])


class _Sampler:
    """Draws of the inputs (k, draws) and of the formula's linear form (draws,), from the same chance.

    Normal sources of unlimited dof are drawn together, k numbers for all of them; so is each ensemble of
    finite dof, with its own χ². Both are exact, and keep the cost independent of the number of sources.
    """

    def __init__(self, joint: Values, c: Array) -> None:
        self._value = joint.value
        u = joint.u
        # The linear form rides along as one more output of the same sources.
        self._spread = np.vstack([joint.c, c[None, :]]) * u
        self._normal: dict[tuple[str, float], list[int]] = {}
        self._other: list[tuple[int, str, tuple[str, float] | None]] = []
        for k in np.flatnonzero(joint.c.any(axis=0)).tolist():
            source = joint.sources[k]
            group = _group(source)
            if source.distribution in ("normal", "t"):
                self._normal.setdefault(group or _UNLIMITED, []).append(k)
            else:
                self._other.append((k, source.distribution, group))
        self._factors = {group: root_of(self._spread[:, rows]) for group, rows in self._normal.items()}

    def draw(self, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Return inputs (k, n) and the linear form (n,), which is 0 at the estimates."""
        total = np.zeros((self._spread.shape[0], n))
        stretch: dict[tuple[str, float], Array] = {}
        for together, factor in self._factors.items():
            total += (factor @ rng.standard_normal((factor.shape[1], n))) * _stretch(together, stretch, n, rng)
        for k, distribution, group in self._other:
            unit = _unit_draws(distribution, n, rng) * _stretch(group or _UNLIMITED, stretch, n, rng)
            total += np.outer(self._spread[:, k], unit)
        return self._value[:, None] + total[:-1], total[-1]

    @property
    def is_heavy(self) -> bool:
        """Whether a t of so few dof takes part that the sample variance of draws does not settle."""
        groups = [*self._normal, *(group for _, _, group in self._other if group)]
        return any(dof <= 4 for _, dof in groups)


def _stretch(
    group: tuple[str, float], known: dict[tuple[str, float], Array], n: int, rng: np.random.Generator
) -> Array | float:
    """Return √(ν/χ²_ν), one number a draw for a whole ensemble; 1 for unlimited dof."""
    if math.isinf(group[1]):
        return 1.0
    if group not in known:
        known[group] = np.sqrt(group[1] / rng.chisquare(group[1], n))
    return known[group]


def _group(source: Source) -> tuple[str, float] | None:
    return None if math.isinf(source.dof) else (source.ensemble, source.dof)


def _unit_draws(distribution: str, n: int, rng: np.random.Generator) -> Array:
    """Return draws of unit variance."""
    match distribution:
        case "rectangular":
            unit = rng.uniform(-1.0, 1.0, n)
        case "triangular":
            unit = rng.triangular(-1.0, 0.0, 1.0, n)
        case _:
            unit = np.sin(rng.uniform(0.0, math.tau, n))
    return np.asarray(unit * DIVISOR[distribution])


def _linear_law_holds(
    f: Formula,
    sampler: _Sampler,
    linear: Value,
    rng: np.random.Generator,
    p: float,
    digits: int,
    by_shape: float,
) -> bool:
    """Whether both ends of the linear law's interval stand within δ (JCGM 101, 8.1)."""
    x, straight = sampler.draw(_PILOT, rng)
    bent = _at(f, x) - linear.value
    if not np.isfinite(bent).all():
        return False
    beyond = float(np.sqrt(np.mean((bent - straight) ** 2)))
    delta = tolerance(max(linear.u, beyond), digits)
    ends = [0.5 - p / 2, 0.5 + p / 2]
    moved = float(np.abs(np.quantile(bent, ends) - np.quantile(straight, ends)).max())
    return moved + by_shape <= delta


def _bent(f: Formula, at: Array, estimate: float, factor: Array, gradient: Array, k: float) -> float:
    """Return how far an end of the interval may move because f is not straight; infinite where that is not clear.

    In coordinates z in which the inputs, `at` + `factor`·z, are independent with unit variance, f is compared with its
    tangent, `estimate` + `gradient`·z, along each axis, each diagonal and the gradient, at the ends of the interval,
    `k` away, and half as far again. There, at k ≈ 2, a curved f departs by k²/2 of its second derivative; the mean of f
    moves by half the sum of those along the axes, and an end by no more than its own departure besides: twice the
    largest is on the safe side for up to k² inputs.
    """
    count = factor.shape[1]
    square = float(gradient @ gradient)
    if count > 4 or k > 4 or not 0 < square < math.inf:
        return math.inf
    places, rises = places_along(at, factor, _straight_and_diagonal(count), gradient, k)
    return 2.0 * worst_of(_at(f, places), estimate, rises)


@cache
def _straight_and_diagonal(count: int) -> Array:
    """Return unit vectors (count, ways) along the axes and between any two of them."""
    axes = np.eye(count)
    pairs = [(i, j) for i in range(count) for j in range(i)]
    diagonals = [(axes[i] + sign * axes[j]) / math.sqrt(2.0) for i, j in pairs for sign in (1.0, -1.0)]
    return np.column_stack([axes, *diagonals])


def _moved_by_shape(linear: Value, p: float) -> float:
    """Return how far an end moves because sources are not normal (Cornish-Fisher, fourth cumulant)."""
    if linear.u == 0:
        return 0.0
    sources, c = linear.row
    excess = fourth_cumulant(c, sources.stated, linear.u)
    z = coverage_factor(0.5 + p / 2, math.inf)
    return linear.u * abs(excess * (z**3 - 3 * z) / 24)


@dataclass(frozen=True, slots=True)
class _Wanted:
    name: str
    p: float
    digits: int
    at_least: float | None
    interval: str
    max_draws: int


def _monte_carlo(f: Formula, sampler: _Sampler, linear: Value, rng: np.random.Generator, wanted: _Wanted) -> Propagated:
    size = max(_BLOCK, math.ceil(100 / (1 - wanted.p)))
    blocks: list[Array] = []
    results: list[tuple[float, ...]] = []
    beyond: list[float] = []
    stable = False
    while not stable and (len(blocks) < 2 or (len(blocks) + 1) * size <= wanted.max_draws):
        x, straight = sampler.draw(size, rng)
        y = _at(f, x)
        missed = (y - linear.value - straight)[np.isfinite(y)]
        beyond.append(float(np.mean(missed**2)) if missed.size else math.nan)
        blocks.append(y)
        results.append(_summary(y, wanted.p, wanted.interval))
        stable = len(blocks) >= 2 and _settled(np.array(results), wanted, sampler.is_heavy)
    return _conclude(np.concatenate(blocks), linear, math.sqrt(float(np.mean(beyond))), wanted)


def _summary(y: Array, p: float, interval: str) -> tuple[float, float, float, float]:
    """Return mean, u, low and high of draws; a draw without an answer counts as beyond either end."""
    known = y[np.isfinite(y)]
    if known.size < 2 or y.size - known.size > (1 - p) / 10 * y.size:
        return math.nan, math.nan, math.nan, math.nan
    outside = y.size - known.size
    ordered = np.sort(known)
    low, high = (_shortest if interval == "shortest" else _symmetric)(ordered, y.size, outside, p)
    return float(known.mean()), float(known.std(ddof=1)), low, high


def _symmetric(ordered: Array, n: int, outside: int, p: float) -> tuple[float, float]:
    tail = max((1 - p) / 2 * n - outside, 0.0)
    low, high = np.interp([tail - 0.5, ordered.size - tail - 0.5], np.arange(ordered.size), ordered)
    return float(low), float(high)


def _shortest(ordered: Array, n: int, outside: int, p: float) -> tuple[float, float]:
    """Return the shortest interval that holds a share p of the draws (JCGM 101, 7.7.4)."""
    held = min(math.ceil(p * n) + outside, ordered.size - 1)
    widths = ordered[held:] - ordered[:-held]
    k = int(np.argmin(widths))
    return float(ordered[k]), float(ordered[k + held])


def _settled(results: Array, wanted: _Wanted, is_heavy: bool) -> bool:
    """Whether twice the standard deviation of every averaged result is within δ (JCGM 101, 7.9.4).

    Where the moments do not settle (t of few dof), only the ends are asked to, with u read from their distance.
    """
    if not np.isfinite(results).all():
        return len(results) >= 5
    mean_u, low, high = (float(v) for v in results[:, 1:].mean(axis=0))
    u = (high - low) / (2 * coverage_factor(0.5 + wanted.p / 2, math.inf)) if is_heavy else mean_u
    judged = results[:, 2:] if is_heavy else results
    spread = 2 * judged.std(axis=0, ddof=1) / math.sqrt(len(results))
    return bool((spread <= tolerance(u, wanted.digits)).all())


def _conclude(y: Array, linear: Value, beyond: float, wanted: _Wanted) -> Propagated:
    mean, u, low, high = _summary(y, wanted.p, wanted.interval)
    reason = None
    if math.isnan(low) or not math.isfinite(linear.value):
        low, high, reason = math.nan, math.nan, Reason("linear_law_fails")
    elif wanted.at_least is not None:
        low = _no_lower_than(wanted.at_least, low, high, mean - linear.value)
    source = Source(f"{wanted.name}/beyond-linear", "What the linear law misses", "B", beyond, "shot")
    value = linear.with_source(source) if beyond > 0 else linear
    return Propagated(value, "monte-carlo", low, high, mean, u, y.size, reason)


def _no_lower_than(bound: float, low: float, high: float, raised: float) -> float:
    """Return the lower end for a quantity with a bound.

    The draws lie `raised` above the value as the value lies above the truth, so the lower end goes down by
    twice that. It goes to the bound itself while that cannot be told from the truth: for the length of a
    vector in the plane, r ≤ 2.72·u (the 97.5 % point of Rayleigh's distribution), where `low` still stands within
    a quarter of the interval.
    """
    if low - bound < (high - low) / 4:
        return bound
    return max(bound, low - 2 * max(raised, 0.0))
