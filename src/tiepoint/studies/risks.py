"""Global risks of judging parts by a measurement: bad ones accepted, good ones not.

JCGM 106:2012, 9.3: with true values Y of the parts, measured values Y + E and acceptance limits,

    consumer's risk  = P(Y outside its limits, Y + E accepted)
    producer's risk  = P(Y within its limits, Y + E not accepted)

of all parts made. The guide takes E as independent from part to part. A tie's error is not: it is common to all parts
of its station, so E = common + own, and a station lives with one draw of the common part. Hence three figures: the
average over stations, a station whose common error is zero, and the 95 %-worst: no worse one among 95 of 100.

Where the parts' own mean was read by the station itself, its common error e hides in that mean: readings lie where
they were seen to lie, and the parts at that less e. To take the mean for true and let e move the readings besides would
count the error as if it hid nothing, and make the consumer's risk look many times smaller than it is.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]

WORST = 0.95
"""Share of stations that are no worse than the 95 %-worst one."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_REACH = 9
"""In standard deviations of the parts: beyond lies less than 1e-18 of them."""
_EDGE = np.linspace(-6.5, 6.5, 11)
"""In u: where panels end about the edge of a zone; beyond its probability is 0 or 1 to 1e-10."""
_STATIONS = np.linspace(-4.5, 4.5, 73)
"""Common errors at which risks are worked out, in their standard uncertainties."""


Undecided = Literal["not-accepted", "accepted", "sorted"]
"""What becomes of undecided parts: they are lost, they are passed on, or somebody sorts them rightly by other means."""
RISKS_OF: Mapping[Undecided, tuple[str, str]] = {
    "not-accepted": ("consumer", "producer"),
    "accepted": ("bad_not_rejected", "good_rejected"),
    "sorted": ("consumer", "good_rejected"),
}
"""The fields of `Risks` that are the consumer's and the producer's risk then."""


@dataclass(frozen=True, slots=True)
class Normal:
    """Parts whose true values are normal: their `mean` and standard deviation `sd`, in the unit of the limits.

    `read`: whether the mean is that of the station's own readings, so that the parts lie off it by its common error.
    """

    mean: float
    sd: float
    read: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean) and math.isfinite(self.sd) and self.sd > 0):
            raise UnusableInput(f"the parts' mean is {self.mean:g} and their spread {self.sd:g}; give a spread above 0")


@dataclass(frozen=True, slots=True)
class Sample:
    """Parts whose true values are those of a sample, each equally likely: `values` (n,); `read`: as in `Normal`."""

    values: Array
    read: bool = False

    def __post_init__(self) -> None:
        if self.values.ndim != 1 or not self.values.size or not np.isfinite(self.values).all():
            raise UnusableInput("the sample of parts is empty or holds what is no number; give one value for each part")


@dataclass(frozen=True, slots=True)
class Zones:
    """Limits of the true value, and what a measured value leads to; an open side is infinite.

    Accepted from `accept_lower` to `accept_upper`, rejected below `reject_lower` and above `reject_upper`, undecided
    between. Where nothing is accepted `accept_lower` is above `accept_upper`.
    """

    lower: float
    upper: float
    accept_lower: float
    accept_upper: float
    reject_lower: float
    reject_upper: float

    def __post_init__(self) -> None:
        if not self.lower < self.upper:
            raise UnusableInput(f"the limits are {self.lower:g} and {self.upper:g}; give a lower one below the upper")
        if math.isinf(self.lower) and math.isinf(self.upper):
            raise UnusableInput("there are no limits; give at least one")
        if self.reject_lower > self.accept_lower or self.reject_upper < self.accept_upper:
            raise UnusableInput(
                "what is accepted would be rejected as well; let the rejected begin outside the accepted"
            )


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of all parts.

    `consumer`: bad and accepted. `producer`: good and not accepted, of which `good_rejected` are rejected outright.
    `undecided`: neither accepted nor rejected, good or bad. `bad`: with true values outside their limits, of which
    `bad_not_rejected` are accepted or undecided.
    """

    consumer: float
    producer: float
    good_rejected: float
    undecided: float
    bad: float
    bad_not_rejected: float

    def carried(self, undecided: Undecided) -> tuple[float, float]:
        """Return the consumer's and the producer's risk, by what becomes of undecided parts."""
        consumer, producer = RISKS_OF[undecided]
        return float(getattr(self, consumer)), float(getattr(self, producer))


@dataclass(frozen=True, slots=True)
class StationRisks:
    """Risks of the `average` station, of one with `no_error` in common, and of the 95 %-worst: of each risk its own."""

    average: Risks
    no_error: Risks
    worst: Risks


def zones_by_guard(lower: float, upper: float, guard: float) -> Zones:
    """Return zones with a guard band on both sides of each limit: undecided within it.

    A negative guard band accepts beyond the limits; then nothing is undecided.
    """
    return Zones(lower, upper, lower + guard, upper - guard, lower - abs(guard), upper + abs(guard))


def risks(parts: Normal | Sample, zones: Zones, u: float, common_error: float = 0.0) -> Risks:
    """Return the risks where measured values err by `u`, independently from part to part, and all by `common_error`."""
    return Risks(*(float(x) for x in _shares(parts, zones, u, np.array([common_error]))[:, 0]))


def station_risks(parts: Normal | Sample, zones: Zones, u_own: float, u_common: float) -> StationRisks:
    """Return the risks over stations: errors `u_own` of each part's own, and `u_common` drawn once for each station."""
    if not (u_own >= 0 and u_common >= 0 and math.isfinite(u_own) and math.isfinite(u_common)):
        raise UnusableInput(f"u is {u_own:g} and {u_common:g} in common; give finite ones of 0 or more")
    average = average_risks(parts, zones, u_own, u_common)
    no_error = risks(parts, zones, u_own)
    if u_common == 0:
        return StationRisks(average, no_error, no_error)
    shares = _shares(parts, zones, u_own, u_common * _STATIONS)
    return StationRisks(average, no_error, Risks(*(_quantile(row) for row in shares)))


def average_risks(parts: Normal | Sample, zones: Zones, u_own: float, u_common: float) -> Risks:
    """Return the mean over stations of their risks."""
    if not parts.read:
        return risks(parts, zones, math.hypot(u_own, u_common))
    return Risks(*(float(x) for x in _shares(replace(parts, read=False), zones, u_own, np.zeros(1), u_common)[:, 0]))


def worst_risks(
    parts: Normal | Sample, zones: Zones, u_own: float, u_common: float, names: tuple[str, ...]
) -> tuple[float, ...]:
    """Return the named fields of the 95 %-worst station's risks alone, for who asks at many limits."""
    if u_common == 0:
        found = risks(parts, zones, u_own)
        return tuple(getattr(found, name) for name in names)
    shares = _shares(parts, zones, u_own, u_common * _STATIONS)
    order = [field.name for field in fields(Risks)]
    return tuple(_quantile(shares[order.index(name)]) for name in names)


def _quantile(shares: Array) -> float:
    """Return what a share (k,), known at the stations of `_STATIONS`, does not exceed at 95 of 100 of them.

    By a cubic spline, of fourth order where the share is smooth; by a monotone one, which overshoots nowhere, where it
    bends so sharply that the other does.
    """
    low, high = float(shares.min()), float(shares.max())
    if high - low <= 1e-15:
        return high
    # From 0 to 1, rounded: differences of 1e-300 between stations make slopes that no number holds.
    y = np.round((shares - low) / (high - low), 14)
    smooth = scipy.interpolate.CubicSpline(_STATIONS, y)
    overshoots = _measure(smooth, -1e-3) > 0 or _measure(smooth, 1.001) < 1
    curve = scipy.interpolate.PchipInterpolator(_STATIONS, y) if overshoots else smooth
    # A little beyond both ends: to the curve itself they are no closer than its rounding.
    found = float(
        scipy.optimize.brentq(lambda level: _measure(curve, level) - WORST, -2e-3, 1.002, xtol=1e-10, rtol=1e-12)
    )
    return low + min(max(found, 0.0), 1.0) * (high - low)


def _measure(curve: "scipy.interpolate.PPoly", level: float) -> float:
    """Return the probability that a standard normal station lies where the curve is at most `level`."""
    ends = np.concatenate([[-math.inf], np.unique(curve.solve(level, extrapolate=False)), [math.inf]])
    ends = ends[~np.isnan(ends)]
    middles = np.clip((np.clip(ends[:-1], -9, 9) + np.clip(ends[1:], -9, 9)) / 2, _STATIONS[0], _STATIONS[-1])
    inside = curve(middles) <= level
    return float(np.sum(np.diff(special.ndtr(ends))[inside]))


# --- shares of all parts, for each of several common errors --------------------------------------------------------


def _shares(parts: Normal | Sample, zones: Zones, u: float, errors: Array, hidden: float = 0.0) -> Array:
    """Return the fields of `Risks` (6, k) for common errors (k,).

    `hidden`: standard uncertainty of what lies between where parts are seen and where they truly are.
    """
    if not (u >= 0 and math.isfinite(u)):
        raise UnusableInput(f"u is {u:g}; give a finite standard uncertainty of 0 or more")
    places, weights = _places(parts, zones, u, errors, hidden)
    good = _within(places, zones.lower, zones.upper, hidden)
    bad = np.minimum(_below(places, zones.lower, hidden) + _above(places, zones.upper, hidden), 1.0)
    at = places + errors[:, None]
    accepted = _within(at, zones.accept_lower, zones.accept_upper, u)
    # From tails: the difference of two numbers near 1 would lose the digits that a risk is made of.
    missed = np.minimum(_below(at, zones.accept_lower, u) + _above(at, zones.accept_upper, u), 1.0)
    rejected = np.minimum(_below(at, zones.reject_lower, u) + _above(at, zones.reject_upper, u), 1.0)
    undecided = np.maximum(missed - rejected, 0.0)
    rows = (bad * accepted, good * missed, good * rejected, undecided, bad, bad * (accepted + undecided))
    return np.array([np.sum(weights * row, axis=1) for row in rows])


def _places(parts: Normal | Sample, zones: Zones, u: float, errors: Array, hidden: float) -> tuple[Array, Array]:
    """Return values of parts (k, m) at which to ask, and the shares (k, m) of parts that they stand for.

    Of a normal process by Gauss-Legendre on panels no wider than a standard deviation of the parts or, near the edge
    of a zone, 1.3 of the measurement; panels end at the limits and at the edges.
    """
    off = (errors if parts.read else np.zeros(errors.size))[:, None]
    if isinstance(parts, Sample):
        values = parts.values[None, :] - off
        return values, np.full(values.shape, 1.0 / parts.values.size)
    means = parts.mean - off
    panels = means + parts.sd * np.arange(-_REACH, _REACH + 1.0)
    limits = _about((zones.lower, zones.upper), hidden) if hidden else np.array([zones.lower, zones.upper])
    fixed = np.broadcast_to(limits, (errors.size, limits.size))
    edges = _about((zones.accept_lower, zones.accept_upper, zones.reject_lower, zones.reject_upper), u)
    ends = np.concatenate([panels, fixed, edges - errors[:, None]], axis=1)
    ends = np.sort(np.clip(ends, panels[:, :1], panels[:, -1:]), axis=1)
    half, middle = np.diff(ends, axis=1) / 2, (ends[:, 1:] + ends[:, :-1]) / 2
    places = (middle[:, :, None] + half[:, :, None] * _NODES).reshape(errors.size, -1)
    z = (places - means) / parts.sd
    density = np.exp(-0.5 * z * z) / (parts.sd * math.sqrt(2 * math.pi))
    return places, (half[:, :, None] * _WEIGHTS).reshape(errors.size, -1) * density


def _about(edges: Sequence[float], u: float) -> Array:
    """Return where panels end about edges that measuring by `u` blurs."""
    return np.concatenate([edge + u * _EDGE for edge in dict.fromkeys(edges) if math.isfinite(edge)])


def _below(at: Array, edge: float, u: float) -> Array:
    if u == 0:
        return (at < edge).astype(float)
    return np.asarray(special.ndtr((edge - at) / u), float)


def _above(at: Array, edge: float, u: float) -> Array:
    return _below(-at, -edge, u)


def _within(at: Array, low: float, high: float, u: float) -> Array:
    """Return the probability of a measured value from `low` to `high`, from the tails that are small."""
    if not low <= high:
        return np.zeros_like(at)
    if u == 0:
        return ((at >= low) & (at <= high)).astype(float)
    far = at > (min(max(low, -1e300), 1e300) + min(max(high, -1e300), 1e300)) / 2
    # Mirrored on the lower side, so that both terms are lower tails, with all their digits, where the value is outside.
    a, b = np.where(far, low - at, at - high) / u, np.where(far, high - at, at - low) / u
    return np.asarray(special.ndtr(b) - special.ndtr(a), float)
