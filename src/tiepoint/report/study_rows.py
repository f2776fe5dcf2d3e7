"""A figure of a study as the report has it: a row of words, and the numbers that can be worked out again."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from tiepoint.foundation.rounding import decimals_of, fixed
from tiepoint.studies.figure import Figure
from tiepoint.studies.limits import share
from tiepoint.studies.rates import Rate
from tiepoint.studies.wording import per_cent, unit_said

Columns = Mapping[str, Sequence[Any]]


@dataclass(frozen=True, slots=True)
class Row:
    """A figure of a study: what it is, its value and the ends of its interval (None: open, or not told), its unit.

    `numbers`: those that can be worked out again, by their place in the formula's result. `asked`: what was asked for.
    `told`: what is to be said beside it. `said`: the value in words, where a number would not be understood.
    """

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)
    asked: str = ""
    told: str = ""
    said: str = ""


@dataclass(frozen=True)
class Worked:
    """A study as the report has it: its figures, raw numbers (none: not kept with it), and its picture as SVG.

    `formula` with `inputs` works the figures out of the `columns`; None where the page has no formula for them. `left`:
    in a sentence what of them the page cannot work out.
    """

    rows: tuple[Row, ...]
    columns: Columns = field(default_factory=dict)
    formula: str | None = None
    inputs: Mapping[str, Any] = field(default_factory=dict)
    picture: str | None = None
    left: str = ""


def of_all(part: float) -> str:
    """Return a share of parts or of a tolerance to three figures: in per cent, or of a million where it is small."""
    if part == 0:
        return "0 %"
    return per_cent(part) if part >= 0.0005 else share(part)


@dataclass(frozen=True, slots=True)
class Told:
    """A figure in words: its value and the ends of its interval, all to one place, and their unit beside them."""

    name: str
    value: str
    low: str
    high: str
    unit: str
    asked: str
    told: str


def in_words(row: Row) -> Told:
    """Return a row as a table has it: to three figures, and so far that the interval has two."""
    unit = unit_said(row.unit)
    if row.value is None:
        return Told(row.name, "not tried", "", "", "", row.asked, row.told)
    ends = [v for v in (row.low, row.high) if v is not None]
    alone_ = not ends or row.low == row.high
    if row.said:
        return Told(row.name, row.said, "", "", "", row.asked, row.told)
    if alone_ and float(row.value).is_integer():
        return Told(row.name, fixed(row.value, 0), "", "", unit, row.asked, row.told)
    spread = (row.value, *(() if alone_ else ends))
    finite_ = [v for v in spread if math.isfinite(v)]
    place = decimals_of(max(map(abs, finite_), default=0.0), 3)
    if len(finite_) == 3:
        place = max(place, decimals_of(max(finite_) - min(finite_), 2))
    low, high = ("", "") if alone_ else (_end(v, place) for v in (row.low, row.high))
    return Told(row.name, _end(row.value, place), low, high, unit, row.asked, row.told)


def _end(value: float | None, place: int) -> str:
    return "open" if value is None or not math.isfinite(value) else fixed(value, place)


def finite(numbers: Mapping[str, float | None]) -> dict[str, float]:
    """Return the numbers that are there and finite, by their place."""
    return {path: float(v) for path, v in numbers.items() if v is not None and math.isfinite(v)}


def figure_row(name: str, path: str, figure: Figure, unit: str = "", asked: str = "", told: str = "") -> Row:
    """Return the row of a figure that stands at `path` of an outcome."""
    ends = {end: getattr(figure, end) for end in ("value", "low", "high")}
    numbers = finite({f"{path}.{end}": v for end, v in ends.items()})
    return Row(name, figure.value, figure.low, figure.high, unit, numbers, asked, told)


def alone(name: str, path: str, value: float | None, unit: str = "", told: str = "") -> Row:
    """Return the row of a value without an interval."""
    return Row(name, value, unit=unit, numbers=finite({path: value}), told=told)


def rate_row(name: str, path: str, rate: Rate, asked: str = "") -> Row:
    """Return the row of a rate, in per cent."""
    ends = {end: getattr(rate, end) for end in ("events", "n", "value", "low", "high", "at_least", "at_most")}
    numbers = finite({f"{path}.{end}": v for end, v in ends.items()}) if rate.n else {}
    told = f"{rate.events} of {rate.n}, at most {per_cent(rate.at_most)} one-sided"
    return of_100(Row(name, rate.value, rate.low, rate.high, "", numbers, asked, told))


def of_100(row: Row) -> Row:
    """Return a row that holds a share in per cent; what is worked out again stays the share itself."""
    value, low, high = (None if v is None else 100 * v for v in (row.value, row.low, row.high))
    return replace(row, value=value, low=low, high=high, unit="%")


def at_least(least: float | None) -> str:
    """Return how a lower limit is asked for."""
    return "" if least is None else f"≥ {least:g}"


def at_most(most: float | None, unit: str = "") -> str:
    """Return how an upper limit is asked for."""
    return "" if most is None else f"≤ {most:g} {unit_said(unit)}".strip()


def share_asked(most: float | None) -> str:
    """Return how a largest share is asked for."""
    return "" if most is None else f"≤ {per_cent(most)}"
