"""When the disk will be full, and whether the clock was set: by numbers alone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

FEWEST = 10


@dataclass(frozen=True, slots=True)
class DiskForecast:
    """Bytes that are used up an hour, and hours until nothing is free; infinity where less is used than before."""

    free: float
    per_hour: float
    hours_left: float


def disk_forecast(samples: Sequence[tuple[float, float]]) -> DiskForecast | None:
    """Return what (seconds, bytes free) foretell; None of fewer than ten.

    The slope is the median of those between all pairs (Theil, 1950; Sen, JASA 63 (1968) 1379): what is deleted at once
    does not turn it.
    """
    if len(samples) < FEWEST:
        return None
    t, free = np.array(samples, float).T
    first, second = np.triu_indices(len(t), 1)
    apart = t[second] - t[first]
    slopes = (free[second] - free[first])[apart > 0] / apart[apart > 0]
    per_hour = -3600 * float(np.median(slopes)) if slopes.size else 0.0
    left = float(free[-1])
    return DiskForecast(left, per_hour, left / per_hour if per_hour > 0 else math.inf)


def clock_jump(before: tuple[float, float], now: tuple[float, float], least_s: float) -> float:
    """Return by how many seconds the wall clock was set, forward or (negative) back; 0 where by less than `least_s`.

    Both are (wall, monotonic) in seconds; the monotonic clock cannot be set.
    """
    jump = (now[0] - before[0]) - (now[1] - before[1])
    return jump if abs(jump) >= least_s else 0.0
