"""A belt: mm per count and direction from one mark seen twice or more, and poses carried on to a later count."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import Value, Values, combine, ensemble, stack

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Belt:
    """`velocity`: x and y in mm per count, over shared sources; `wrap`: counts after which the counter begins anew."""

    velocity: Values
    wrap: int | None = None

    @property
    def mm_per_count(self) -> Value:
        """Length travelled in one count."""
        x, y = self.velocity.value
        way = math.hypot(x, y)
        return combine(way, ((self.velocity[0], x / way), (self.velocity[1], y / way)))

    @property
    def direction_rad(self) -> Value:
        """Where it runs, counter-clockwise from +x."""
        x, y = self.velocity.value
        square = x * x + y * y
        return combine(math.atan2(y, x), ((self.velocity[0], -y / square), (self.velocity[1], x / square)))

    def advance(self, pose: Values, count_then: float, count_now: float) -> Values:
        """Return x, y (and what follows them) as they are at a later count."""
        step = _unwrapped(np.array([count_then, count_now], float), self.wrap)[1] - count_then
        moved = [pose[k].plus(self.velocity[k], float(step)) for k in (0, 1)]
        return stack([*moved, *(pose[k] for k in range(2, len(pose)))])


def belt_of(
    counts: ArrayLike, xy_mm: ArrayLike, belt_id: str, u_mm: float | None = None, wrap: int | None = None
) -> Belt:
    """Return the belt from one mark at counts (n,) and places (n, 2) in mm.

    `u_mm`: standard uncertainty of one coordinate; without it the scatter about the line tells, from three rows on.
    """
    c, xy = np.asarray(counts, float), np.asarray(xy_mm, float)
    if xy.shape != (len(c), 2) or not (np.isfinite(c).all() and np.isfinite(xy).all()):
        raise UnusableInput("the belt's table holds something that is no number; give count, x, y in every row")
    if len(c) < 2 or (len(c) == 2 and not u_mm):
        raise PoorGeometry("one mark seen twice tells no scatter: state the u of a place, or see it three times")
    n = _unwrapped(c, wrap)
    if not np.ptp(n) > 0:
        raise PoorGeometry("the count is the same in every row; let the belt run between two sightings")
    run, seen = n - n.mean(), xy - xy.mean(axis=0)
    velocity = run @ seen / (run @ run)
    left = seen - np.outer(run, velocity)
    dof = math.inf if u_mm else 2.0 * (len(n) - 2)
    variance = u_mm**2 if u_mm else float(np.sum(left**2)) / dof
    covariance = np.eye(2) * variance / (run @ run)
    if not math.hypot(*velocity) > 3 * math.sqrt(covariance[0, 0]):
        raise PoorGeometry("the mark does not move by more than its uncertainty; let the belt run farther")
    sources, factor = ensemble(f"belt:{belt_id}", "Belt's travel per count", covariance, "station", dof)
    return Belt(Values(velocity, factor, sources), wrap)


def _unwrapped(counts: Array, wrap: int | None) -> Array:
    """Return counts that go on where the counter began anew; each step is below half its range."""
    return counts if wrap is None else np.asarray(np.unwrap(counts, period=wrap))
