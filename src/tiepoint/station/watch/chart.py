"""A chart of one number against its accepted state, in constant memory: when it left, by how much, and since when.

    z_i = λ·d_i + (1 − λ)·z_{i−1},   alarm where |z| > limit,   end where |z| < limit/2 for `calm` points

d is the deviation from the accepted centre (Roberts, Technometrics 1 (1959) 239). The limit is the larger of two: what
chance may do, L·σ·√(λ/(2 − λ)) with L from the run length that is asked for (Crowder's equation, `studies.control`),
and what does not matter (`allow`). Centre and σ are known from n points only, so σ is taken at its upper bound, and the
centre's own bound is added: the run length is then *at least* the one that was asked for, not on average. The bounds
hold at 95 % for all charts of a station together (Bonferroni): a few whose scatter happened to look small would
otherwise raise more false alarms than all the rest.

Since when, and by how much: the step that explains the last points best, τ with the largest (n − τ)·d̄², d̄ the average
deviation from τ on (Samuel, Pignatiello & Calvin, Quality Engineering 10 (1998) 521). Where that is all the points that
are remembered, the change is older: then from the point at which z last crossed the centre (Nishina, Qual. Reliab. Eng.
Int. 8 (1992) 537).
"""

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.control import run_length

WEIGHT = 0.1
"""Of the newest point. A lamp that dims by two limits is told after 7 points."""
FEWEST = 5
"""Points that a centre and a scatter are taken from at least."""
LONGEST_RUN = 1e10
"""The integral equation has digits left up to there: checked by a Markov chain."""
DOUBT = 0.05
"""That some chart of a station has a larger scatter, or another centre, than its limit allows for."""
RECENT = 60
"""Points that are remembered, to tell when a change was."""


@dataclass(frozen=True, slots=True)
class Centre:
    """The accepted state of a number: `value` and `sigma` of a single point, from `n` of them."""

    value: float
    sigma: float
    n: int


@dataclass(frozen=True, slots=True)
class Rule:
    """When a chart alarms: |z| beyond `limit`; and when that ends: `calm` points in a row within half of it."""

    centre: float
    limit: float
    weight: float = WEIGHT
    calm: int = math.ceil(2 / WEIGHT)


@dataclass(frozen=True, slots=True)
class Course:
    """What a chart remembers: `n` points, their weighted deviation `z`, and the last of them.

    `crossed` and `crossed_utc`: the number (from 1) and the time of the point at which z last crossed the centre.
    `recent`: the last deviations, oldest first, and `recent_utc` their times. `inside`: points in a row within half of
    the limit.
    """

    n: int = 0
    z: float = 0.0
    crossed: int = 1
    crossed_utc: str = ""
    is_out: bool = False
    inside: int = 0
    recent: tuple[float, ...] = ()
    recent_utc: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """A change: by how much, since when, and how many points ago that was."""

    change: float
    since_utc: str
    points: int


def centre_of(points: NDArray[np.float64]) -> Centre:
    """Return centre and scatter of accepted points (n,). Raises `UnusableInput` for fewer than five."""
    if points.size < FEWEST:
        raise UnusableInput(f"{points.size} points cannot be held as accepted; give at least {FEWEST}, 50 are usual")
    # The plain standard deviation, not neighbours' differences: what wanders slowly is a part of the accepted state.
    return Centre(float(np.mean(points)), float(np.std(points, ddof=1)), points.size)


def rule_of(centre: Centre, run: float, allow: float, weight: float = WEIGHT, *, charts: int = 1) -> Rule:
    """Return the rule by which a chart raises a false alarm once in `run` points at most.

    `allow`: a change up to which no alarm is wanted, in the number's unit. `charts`: of a station, of which 95 % sure
    none has too narrow a limit.
    """
    freedom, doubt = centre.n - 1, DOUBT / charts
    sigma = centre.sigma * math.sqrt(freedom / float(special.chdtri(freedom, 1 - doubt)))
    off = float(special.ndtri(1 - doubt / 2)) * sigma / math.sqrt(centre.n)
    reach = width_for(run, weight) * sigma * math.sqrt(weight / (2 - weight)) + off
    return Rule(centre.value, max(allow, reach, 1e-12), weight, math.ceil(2 / weight))


@cache
def width_for(run: float, weight: float = WEIGHT) -> float:
    """Return L, in standard deviations of z, for one false alarm in `run` points on average."""
    if not 10 <= run <= LONGEST_RUN:
        raise UnusableInput(f"one false alarm in {run:g} points cannot be had; choose 10 to {LONGEST_RUN:g}")

    def short_by(width: float) -> float:
        return math.log(run_length(0.0, weight, width)) - math.log(run)

    width = 0.5
    # In steps: the equation has no digits left where runs are a million times as long as the one that is asked for.
    while short_by(width + 0.25) < 0:
        width += 0.25
    return float(scipy.optimize.brentq(short_by, width, width + 0.25, xtol=1e-6))


def follow(course: Course, rule: Rule, value: float, at_utc: str) -> Course:
    """Return a chart's course after one more point."""
    away = value - rule.centre
    z = rule.weight * away + (1 - rule.weight) * course.z
    n = course.n + 1
    if course.n == 0 or (z >= 0) != (course.z >= 0):
        course = replace(course, crossed=n, crossed_utc=at_utc)
    inside = course.inside + 1 if abs(z) < rule.limit / 2 else 0
    is_out = inside < rule.calm if course.is_out else abs(z) > rule.limit
    recent, when = (*course.recent, away)[-RECENT:], (*course.recent_utc, at_utc)[-RECENT:]
    return replace(course, n=n, z=z, is_out=is_out, inside=inside, recent=recent, recent_utc=when)


def step_of(course: Course) -> Step:
    """Return the step that explains a chart's last points best. Of a course with a point at least."""
    means = np.cumsum(course.recent[::-1]) / np.arange(1, len(course.recent) + 1)
    points = 1 + int(np.argmax(means**2 * np.arange(1, len(means) + 1)))
    change = float(means[points - 1])
    if points == len(means) < course.n - course.crossed + 1:
        return Step(change, course.crossed_utc, course.n - course.crossed + 1)
    return Step(change, course.recent_utc[-points], points)


def points_until(change: float, rule: Rule) -> float:
    """Return after how many points a lasting change is told, without noise; infinity where it is within the limit."""
    if abs(change) <= rule.limit:
        return math.inf
    return math.ceil(math.log(1 - rule.limit / abs(change)) / math.log(1 - rule.weight))
