"""A belt: mm per count and direction from one mark seen twice or more, and poses carried on to a later count.

Each row is predicted once by the others: one that lies farther off than they allow (F test at 1 % over all rows) is
named and nothing is made of the table, since a mistyped row turns the belt for every part that follows.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableDocument, UnusableInput
from tiepoint.foundation.sources import Value, Values, combine, ensemble, stack
from tiepoint.ties.readers import (
    array_in,
    maybe_number_in,
    one_of,
    read_in_sentences,
    source_in,
    source_out,
    text_in,
    whole_in,
)

Array = NDArray[np.float64]

FRAMES: Final = ("plane", "robot")
WRAPS: Final = (2**16, 2**24, 2**32)
"""Counts after which counters begin anew (16, 24 and 32 bits; common practice)."""

_ROWS_TO_NAME = 4
"""With three rows each is as likely to be the wrong one."""
_UNEXPECTED = 0.01
_AS_LIKELY = 20.0
_FINEST = 1e-6
"""Scatter over the way travelled below which a table was typed exactly, not measured."""


@dataclass(frozen=True)
class Belt:
    """`velocity`: x and y in mm per count, over shared sources; `wrap`: counts after which the counter begins anew.

    `frame`: in which x and y are, the plane's or the robot's. `scatter_mm`: sd of one coordinate about the line.
    """

    velocity: Values
    wrap: int | None = None
    frame: str = "plane"
    rows: int = 0
    scatter_mm: float | None = None

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

    def travel(self, count_then: float, count_now: float) -> Values:
        """Return how far it carries along x and y (mm) from one count to a later one."""
        step = _unwrapped(np.array([count_then, count_now], float), self.wrap)[1] - count_then
        return Values(self.velocity.value * step, self.velocity.c * step, self.velocity.sources)

    def advance(self, pose: Values, count_then: float, count_now: float) -> Values:
        """Return x, y (and what follows them) as they are at a later count."""
        way = self.travel(count_then, count_now)
        return stack([*(pose[k].plus(way[k]) for k in (0, 1)), *(pose[k] for k in range(2, len(pose)))])


def belt_of(
    counts: ArrayLike,
    xy_mm: ArrayLike,
    belt_id: str,
    u_mm: float | None = None,
    wrap: int | None = None,
    frame: str = "plane",
) -> Belt:
    """Return the belt from one mark at counts (n,) and places (n, 2) in mm.

    `u_mm`: standard uncertainty of one coordinate; without it, or where the rows contradict it at 1 %, the scatter
    about the line tells, from three rows on.

    Raises `UnusableInput` for what is no number, for a row that does not belong to the others (from four rows on), and
    for a counter that began anew unsaid; `PoorGeometry` for a mark that does not move enough.
    """
    c, xy = _checked(counts, xy_mm, u_mm, wrap)
    if len(c) < 2 or (len(c) == 2 and not u_mm):
        raise PoorGeometry("one mark seen twice tells no scatter: state the u of a place, or see it three times")
    n = _unwrapped(c, wrap)
    if not np.ptp(n) > 0:
        raise PoorGeometry("the count is the same in every row; let the belt run between two sightings")
    if wrap is None:
        _demand_no_wrap(c, xy, u_mm)
    _demand_rows(n, xy, u_mm)
    line = _line(n, xy)
    variance, dof = _variance(line, u_mm)
    covariance = np.eye(2) * variance / line.run_square
    if not math.hypot(*line.velocity) > 3 * math.sqrt(covariance[0, 0]):
        raise PoorGeometry("the mark does not move by more than its uncertainty; let the belt run farther")
    sources, factor = ensemble(f"belt:{belt_id}", "Belt's travel per count", covariance, "station", dof)
    scatter = math.sqrt(line.left / line.dof) if line.dof else None
    return Belt(Values(line.velocity, factor, sources), wrap, frame, len(c), scatter)


def parts_in_flight(distance_mm: float, pitch_mm: float) -> int:
    """Return how many parts lie between the camera and the robot: each needs its count kept until it arrives."""
    if not (math.isfinite(distance_mm) and distance_mm > 0 and math.isfinite(pitch_mm) and pitch_mm > 0):
        raise UnusableInput("parts in flight need a distance and a pitch above 0")
    # A part that lies exactly at the robot is there already: 900 mm at a pitch of 100 mm are 9.
    return math.ceil(distance_mm / pitch_mm * (1 - 1e-12))


# --- one line through the rows -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Line:
    """`velocity` (2,) in mm per count through `middle` (2,) at the count `centre`; `left`: sum of squares, mm²."""

    velocity: Array
    middle: Array
    centre: float
    run_square: float
    left: float
    n: int

    @property
    def dof(self) -> int:
        return 2 * (self.n - 2)

    def at(self, count: float) -> Array:
        return self.middle + self.velocity * (count - self.centre)


def _line(n: Array, xy: Array) -> _Line:
    centre, middle = float(n.mean()), xy.mean(axis=0)
    run, seen = n - centre, xy - middle
    square = float(run @ run)
    velocity = run @ seen / square
    left = float(np.sum((seen - np.outer(run, velocity)) ** 2))
    return _Line(velocity, middle, centre, square, left, len(n))


def _variance(line: _Line, u_mm: float | None) -> tuple[float, float]:
    """Return the variance of one coordinate and its dof: as stated, unless the rows contradict it."""
    if not u_mm:
        return line.left / line.dof, float(line.dof)
    if line.dof and float(special.chdtrc(line.dof, line.left / u_mm**2)) < _UNEXPECTED:
        return line.left / line.dof, float(line.dof)
    return u_mm**2, math.inf


def _checked(counts: ArrayLike, xy_mm: ArrayLike, u_mm: float | None, wrap: int | None) -> tuple[Array, Array]:
    c, xy = np.asarray(counts, float), np.asarray(xy_mm, float)
    if xy.shape != (len(c), 2) or not (np.isfinite(c).all() and np.isfinite(xy).all()):
        raise UnusableInput("the belt's table holds something that is no number; give count, x, y in every row")
    if u_mm is not None and not (math.isfinite(u_mm) and u_mm >= 0):
        raise UnusableInput(f"the u of a place is {u_mm:g} mm; give 0 or more")
    if wrap is not None:
        if wrap < 2:
            raise UnusableInput(f"a counter cannot begin anew after {wrap} counts; give how many it knows, as in 65536")
        if (beyond := np.flatnonzero((c < -wrap) | (c >= wrap))).size:
            k = int(beyond[0])
            raise UnusableInput(f"row {k + 1}: the count {c[k]:.10g} is beyond a counter that begins anew at {wrap}")
    return c, xy


def _demand_no_wrap(c: Array, xy: Array, u_mm: float | None) -> None:
    """Refuse counts that lie on one line only if the counter began anew between them."""
    if len(c) < 3:
        return
    plain = _line(c, xy)
    floor = len(c) * max((u_mm or 0.0) ** 2, (_FINEST * float(np.ptp(xy, axis=0).max())) ** 2)
    for wrap in WRAPS:
        n = np.unwrap(c, period=wrap)
        if np.abs(c).max() < wrap and not np.array_equal(n, c) and 100 * max(_line(n, xy).left, floor) < plain.left:
            raise UnusableInput(f"the counter seems to begin anew at {wrap} within the table; if so, say --wrap {wrap}")


def _demand_rows(n: Array, xy: Array, u_mm: float | None) -> None:
    """Refuse a table in which one row lies off the line of the others."""
    if len(n) < _ROWS_TO_NAME:
        return
    chances, places = zip(*(_left_out(k, n, xy, u_mm) for k in range(len(n))), strict=True)
    worst = int(np.argmin(chances))
    if len(n) * chances[worst] >= _UNEXPECTED:
        return
    others = [k for k, p in enumerate(chances) if k != worst and p < _AS_LIKELY * chances[worst] + 1e-300]
    off = math.hypot(*(xy[worst] - places[worst]))
    at = f"({places[worst][0]:.4g}, {places[worst][1]:.4g})"
    either = "".join(f" or row {k + 1}" for k in others)
    raise UnusableInput(
        f"row {worst + 1}{either} does not belong to the others: row {worst + 1} reads ({xy[worst][0]:g}, "
        f"{xy[worst][1]:g}) mm where they put the mark at {at}, {off:.3g} mm away{_fitting_count(worst, n, xy)}; look "
        "at it, then type it again or leave it out"
    )


def _fitting_count(k: int, n: Array, xy: Array) -> str:
    """Say which count a row's place fits, where it lies on the line of the others after all."""
    rest = np.arange(len(n)) != k
    line = _line(n[rest], xy[rest])
    away = xy[k] - line.at(float(n[k]))
    along = float(away @ line.velocity) / float(line.velocity @ line.velocity)
    if math.hypot(*(away - along * line.velocity)) > 0.05 * math.hypot(*away):
        return ""
    return f" (its place fits the count {float(n[k]) + along:.0f})"


def _left_out(k: int, n: Array, xy: Array, u_mm: float | None) -> tuple[float, Array]:
    """Return how likely a row is that far from the line of the others, and where that line puts it."""
    rest = np.arange(len(n)) != k
    if not np.ptp(n[rest]) > 0:
        return 1.0, xy[k]
    line = _line(n[rest], xy[rest])
    at = line.at(float(n[k]))
    spread = 1 + 1 / line.n + (float(n[k]) - line.centre) ** 2 / line.run_square
    square = float(np.sum((xy[k] - at) ** 2)) / spread
    finest = (_FINEST * float(np.ptp(xy, axis=0).max())) ** 2
    variance = max(line.left / line.dof, finest)
    if u_mm and variance <= u_mm**2:
        return float(special.chdtrc(2, square / u_mm**2)), at
    return float(special.fdtrc(2, line.dof, square / (2 * variance))), at


# --- the document --------------------------------------------------------------------------------------------------


def to_document(belt: Belt, belt_id: str) -> dict[str, Any]:
    """Return the belt as plain data."""
    return {
        "id": belt_id,
        "frame": belt.frame,
        "mm_per_count": belt.velocity.value.tolist(),
        "sources": [source_out(s) for s in belt.velocity.sources],
        "factor": belt.velocity.c.tolist(),
        "wrap": belt.wrap,
        "rows": belt.rows,
        "scatter_mm": belt.scatter_mm,
    }


def from_document(content: Mapping[str, Any], where: str = "the belt") -> Belt:
    """Return the belt that a document holds; `UnusableDocument` in one sentence where it does not hold one."""
    return read_in_sentences(_read, content, where)


def _read(content: Mapping[str, Any]) -> Belt:
    text_in(content["id"], "id")
    sources = tuple(source_in(s) for s in content["sources"])
    velocity = array_in(content["mm_per_count"], "mm_per_count", (2,))
    factor = array_in(content["factor"], "factor", (2, len(sources)))
    if not math.hypot(*velocity) > 0:
        raise UnusableDocument("its mm_per_count is 0: such a belt does not move")
    wrap = None if content["wrap"] is None else whole_in(content["wrap"], "wrap")
    frame = one_of(content["frame"], FRAMES, "frame")
    scatter = maybe_number_in(content["scatter_mm"], "scatter_mm")
    return Belt(Values(velocity, factor, sources), wrap, frame, whole_in(content["rows"], "rows"), scatter)


# --- counting ------------------------------------------------------------------------------------------------------


def _unwrapped(counts: Array, wrap: int | None) -> Array:
    """Return counts that go on where the counter began anew; each step is below half its range."""
    return counts if wrap is None else np.asarray(np.unwrap(counts, period=wrap))
