"""Stability: does the same part measure the same from visit to visit? By Shewhart's chart and the weighted average's.

Points are single values, or averages of the sets that a factor (visit, day) names. Centre and scatter come from the
first points (`base`): σ of single values from what neighbours differ by, σ of sets from what is within them. A chart
without an alarm is not yet a proof; a drift is shown to be small by the interval of its trend.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import coverage_factor
from tiepoint.studies.checks import LEVEL, Check, fine_enough, independence, normality, without_outliers
from tiepoint.studies.control import LAMBDA, SHEWHART, WIDTH, ewma, run_length, sigma_of_singles
from tiepoint.studies.figure import Figure, counted
from tiepoint.studies.measured import Measured, levels_of
from tiepoint.studies.wording import p_said, told, unit_said

Array = NDArray[np.float64]

FEWEST, ENOUGH = 10, 25
_P = 0.95


@dataclass(frozen=True, slots=True)
class Alarm:
    """A point outside a chart's limits: which `chart` (single, average or weighted), its number from 0, and where."""

    chart: str
    point: int
    where: str


@dataclass(frozen=True)
class StabilityStudy:
    """The charts of `points` (n,), each of `counts` (n,) values, with `sigma` (n,) and `labels`.

    `averages` (n,) are the weighted ones, `spreads` (n,) their standard deviations. `drift`: from the first point to
    the last, by the straight trend. `runs`: points until an alarm, on average, at shifts of 0, 0.5 and 1 σ of a point.
    `centre_given`: whether the centre was known from before. `data`: what it was made of.
    """

    name: str
    unit: str
    n: int
    grouped_by: str | None
    labels: tuple[str, ...]
    points: Array
    counts: Array
    sigma: Array
    centre: float
    centre_given: bool
    base: int
    weight: float
    width: float
    averages: Array
    spreads: Array
    alarms: tuple[Alarm, ...]
    drift: Figure
    drift_p: float
    runs: tuple[float, float, float]
    most: float | None
    data: Measured
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class _Points:
    """Values gathered into points."""

    labels: tuple[str, ...]
    values: Array
    counts: Array
    within: tuple[Array, ...]


def study_stability(
    data: Measured,
    *,
    base: int | None = None,
    centre: float | None = None,
    weight: float = LAMBDA,
    width: float = WIDTH,
    most: float | None = None,
) -> StabilityStudy:
    """Return the study of one part's values in their order; a factor groups them into sets.

    `base`: points at the start from which centre and scatter are taken (all). `centre`: where it is known. `weight` and
    `width`: of the weighted average. `most`: the drift that is allowed from the first point to the last.

    Raises `UnusableInput` for what cannot be, `PoorGeometry` for too few or constant values.
    """
    _check_asked(weight, width, most)
    points = _points(data)
    n = len(points.labels)
    taken = _base(data, base, n)
    sigma = _sigma(data, points, taken)
    middle = _centre(points, taken) if centre is None else centre
    averages, spreads = ewma(points.values, sigma, middle, weight)
    drift, p = _drift(points)
    study = StabilityStudy(
        name=data.name,
        unit=data.unit,
        n=len(data),
        grouped_by=next(iter(data.factors), None),
        labels=points.labels,
        points=points.values,
        counts=points.counts,
        sigma=sigma,
        centre=middle,
        centre_given=centre is not None,
        base=taken,
        weight=weight,
        width=width,
        averages=averages,
        spreads=spreads,
        alarms=_alarms(points, sigma, middle, averages, width * spreads),
        drift=drift,
        drift_p=p,
        runs=(run_length(0.0, weight, width), run_length(0.5, weight, width), run_length(1.0, weight, width)),
        most=most,
        data=data,
        convention=_convention(points, taken, n, centre, weight, width),
        checks=_checks(points, float(np.median(sigma * np.sqrt(points.counts))), data.values),
        good=None,
        sentences=(),
    )
    study = replace(study, good=_good(study))
    return replace(study, sentences=(*data.notes, *_sentences(study)))


def _check_asked(weight: float, width: float, most: float | None) -> None:
    if not 0 < weight <= 1:
        raise UnusableInput(f"the weight of the newest point is {weight:g}; give above 0 and at most 1, 0.2 is usual")
    if not (math.isfinite(width) and 1 <= width <= 10):
        raise UnusableInput(f"the width of the limits is {width:g}; give 1 to 10, {WIDTH:g} is usual")
    if most is not None and not (math.isfinite(most) and most > 0):
        raise UnusableInput(f"the drift allowed is {most:g}; give more than 0")


def _points(data: Measured) -> _Points:
    x = np.asarray(data.values, float)
    if data.reference is not None:
        x = x - data.reference
    elif data.part is not None and len(parts := dict.fromkeys(data.part)) > 1:
        raise UnusableInput(
            f"{data.name}: {len(parts)} parts are in it; give those of one part, or a column reference to take off"
        )
    if len(data.factors) > 1:
        raise UnusableInput(f"{data.name}: one factor can group the values; {', '.join(data.factors)} are named")
    if not data.factors:
        points = _Points(data.where, x, np.ones(x.size), ())
    else:
        labels, numbers = levels_of(next(iter(data.factors.values())))
        within = tuple(x[numbers == k] for k in range(len(labels)))
        means = np.array([float(w.mean()) for w in within])
        points = _Points(labels, means, np.array([float(w.size) for w in within]), within)
    if len(points.labels) < FEWEST:
        many = counted(len(points.labels), "set" if data.factors else "value")
        by = f" by {next(iter(data.factors))}" if data.factors else ""
        raise PoorGeometry(f"{data.name} has {many}{by}; give at least {FEWEST}, {ENOUGH} or more are usual")
    return points


def _base(data: Measured, base: int | None, n: int) -> int:
    if base is None:
        return n
    if not FEWEST <= base <= n:
        raise UnusableInput(f"{data.name}: the base is {base} points; give {FEWEST} to {n}")
    return base


def _sigma(data: Measured, points: _Points, base: int) -> Array:
    """Return σ (n,) of each point."""
    if not points.within:
        sigma = sigma_of_singles(points.values[:base])
    else:
        squares = sum(float(np.sum((w - w.mean()) ** 2)) for w in points.within[:base])
        dof = float(np.sum(points.counts[:base] - 1))
        if dof < 1:
            raise PoorGeometry(
                f"{data.name}: every set has one value; leave the factor out, or measure sets of several"
            )
        sigma = math.sqrt(squares / dof)
    if not sigma > 0:
        raise PoorGeometry(f"{data.name}: the values of the base do not scatter at all; give more digits")
    return np.asarray(sigma / np.sqrt(points.counts))


def _centre(points: _Points, base: int) -> float:
    return float(np.average(points.values[:base], weights=points.counts[:base]))


def _drift(points: _Points) -> tuple[Figure, float]:
    """Return the trend from first point to last by least squares of the points, and p against none."""
    n = len(points.labels)
    t = np.arange(n) - (n - 1) / 2
    around = points.values - points.values.mean()
    slope = float(t @ around) / float(t @ t)
    left = around - slope * t
    u = math.sqrt(float(left @ left) / (n - 2) / float(t @ t))
    change, U = slope * (n - 1), coverage_factor((1 + _P) / 2, n - 2) * u * (n - 1)
    p = float(2 * special.stdtr(n - 2, -abs(slope) / u)) if u > 0 else 0.0
    return Figure(change, change - U, change + U), p


def _alarms(points: _Points, sigma: Array, centre: float, averages: Array, reach: Array) -> tuple[Alarm, ...]:
    kind = "average" if points.within else "single"
    found = []
    for k, label in enumerate(points.labels):
        if abs(points.values[k] - centre) > SHEWHART * sigma[k]:
            found.append(Alarm(kind, k, label))
        if abs(averages[k] - centre) > reach[k]:
            found.append(Alarm("weighted", k, label))
    return tuple(found)


def _good(study: StabilityStudy) -> bool | None:
    if study.alarms:
        return False
    if study.most is None:
        return None
    return max(abs(study.drift.low), abs(study.drift.high)) <= study.most


def _convention(points: _Points, base: int, n: int, centre: float | None, weight: float, width: float) -> str:
    kind = "averages of sets, σ within the sets" if points.within else "single values, σ = mean moving range/1.128"
    start = f"the first {base} of {n}" if base < n else f"all {n}"
    given = "" if centre is None else f", about the given centre {centre:g}"
    return (
        f"Charts of {kind}, from {start} points{given}: Shewhart's with limits of ±{SHEWHART:g} σ, and the "
        f"exponentially weighted average with λ = {weight:g} and exact limits of ±{width:g} of its σ (Lucas and "
        "Saccucci 1990); drift by a straight trend with its 95 % interval."
    )


def _checks(points: _Points, sigma: float, values: Array) -> tuple[Check, ...]:
    n = len(points.labels)
    few = f"There are {n} points; {ENOUGH} or more are usual, and limits from fewer raise more false alarms."
    checks = [Check("enough points", n >= ENOUGH, few if n < ENOUGH else f"{n} points are enough.")]
    checks.append(fine_enough(values, sigma, "the scatter"))
    of = "the averages" if points.within else "the values"
    checks += [normality(points.values, of), without_outliers(points.values, points.labels, of)]
    checks.append(independence(points.values, of))
    if points.within:
        checks.append(_between(points))
    return tuple(checks)


def _between(points: _Points) -> Check:
    """Whether sets differ by no more than their values scatter (F test of one way)."""
    n, k = float(points.counts.sum()), len(points.within)
    pure = sum(float(np.sum((w - w.mean()) ** 2)) for w in points.within)
    mean = float(np.average(points.values, weights=points.counts))
    between = float(np.sum(points.counts * (points.values - mean) ** 2)) / (k - 1)
    p = float(special.fdtrc(k - 1, n - k, between / (pure / (n - k))))
    if p >= LEVEL:
        return Check("sets alike", True, f"The sets differ by no more than their values scatter ({p_said(p)}).", p)
    ratio = math.sqrt(between / (pure / (n - k)))
    said = f"The averages scatter {ratio:.2g} times as much as the values within the sets explain ({p_said(p)})"
    return Check("sets alike", False, f"{said}: what a new loading or warm-up adds is not in σ.", p)


def _sentences(study: StabilityStudy) -> list[str]:
    unit = f" {unit_said(study.unit)}" if study.unit else ""
    said = [_found(study)]
    does = "drifts" if study.drift_p < 1 - _P else "does not show a drift"
    said.append(f"It {does}: from the first point to the last {told(study.drift)}{unit} ({p_said(study.drift_p)}).")
    if study.most is not None:
        said.append(_verdict(study, unit))
    said += [c.sentence for c in study.checks if c.holds is False]
    typical = float(np.median(study.sigma))
    said.append(
        f"A shift of {typical:.2g}{unit} (1 σ of a point) would be seen after {study.runs[2]:.2g} points on average, "
        f"half of it after {study.runs[1]:.2g}; a false alarm comes every {study.runs[0]:.3g} points if σ is known."
    )
    return [*said, _next(study)]


def _found(study: StabilityStudy) -> str:
    if not study.alarms:
        return f"None of {len(study.labels)} points is outside the limits of either chart."
    first = study.alarms[0]
    if len(study.alarms) == 1:
        return f"One alarm, by the {first.chart} chart at {first.where}."
    return f"{len(study.alarms)} alarms, the first by the {first.chart} chart at {first.where}."


def _verdict(study: StabilityStudy, unit: str) -> str:
    assert study.most is not None
    largest = max(abs(study.drift.low), abs(study.drift.high))
    if largest <= study.most:
        return f"The drift is at most {study.most:g}{unit}: its 95 % interval keeps it."
    if abs(study.drift.value) <= study.most:
        return (
            f"The drift is at most {study.most:g}{unit} by its point value; its interval reaches {largest:.3g}{unit}."
        )
    return f"The drift is more than {study.most:g}{unit}."


def _next(study: StabilityStudy) -> str:
    if study.alarms:
        return (
            "Next: look at what happened at the first alarm (lamp, focus, a knock, temperature, another batch of the "
            "part) before anything is set anew."
        )
    if study.drift_p < 1 - _P:
        return "Next: look for what creeps (warm-up, lamp's age, temperature), and measure over a longer time."
    return (
        "Next: keep these limits and measure the same part at each start; an alarm asks for a look before work goes on."
    )
