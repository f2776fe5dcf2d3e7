"""Pictures of the studies of values: type 1, gauge R&R, linearity, stability. Each reads in one ink."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.rounding import fixed, short
from tiepoint.report import svg
from tiepoint.report.axes import Axis, curve, decimals, grid_x, grid_y, standing_alone
from tiepoint.report.figures import nice_step
from tiepoint.studies.figure import Figure
from tiepoint.studies.linearity import LinearityStudy
from tiepoint.studies.measured import Measured, levels_of
from tiepoint.studies.rr import RrStudy
from tiepoint.studies.stability import StabilityStudy
from tiepoint.studies.type1 import Type1Study

Array = NDArray[np.float64]

_WIDTH, _LEFT, _TOP, _TALL = 640.0, 84.0, 44.0, 230.0
_RIGHT = 118.0
_FOOT = 46.0
_MOST_LABELS = 12


def type1_picture(study: Type1Study) -> str:
    """Return the values in their order with the reference, and the share of the tolerance that the scatter may take."""
    half = study.share * study.tolerance / 2
    y = _upright(np.r_[study.values, study.reference - half, study.reference + half])
    x = _in_order(study.n)
    drawn = [*_values_axis(y, x.end), *grid_x(x, _TOP, _TOP + _TALL, "value, in the order taken")]
    lines = [_Line(study.reference, "reference"), _Line(study.mean, "mean", "truth", "2 3")]
    share = f"{100 * study.share / 2:g} % of T"
    for sign, said in ((1, f"+{share}"), (-1, f"−{share}")):
        lines.append(_Line(study.reference + sign * half, said, "limit-line", "7 4"))
    drawn += _across(y, x.end, lines)
    drawn += _dots(x, y, study.values)
    title = f"Values of one part: Cg {study.cg.value:.3g}, Cgk {study.cgk.value:.3g}"
    return _drawing(title, study.unit, *drawn)


def rr_picture(study: RrStudy) -> str:
    """Return the parts with their values by level, and below the standard deviations with their intervals."""
    upper, below = _by_part(study), _TOP + _TALL + _FOOT + 34
    lower, height = _intervals(study, below)
    title = f"Gauge study: measuring is {100 * study.share_of_total.value:.3g} % of the total variation"
    return _drawing(title, study.unit, *upper, *lower, height=height)


def rr_readings(study: RrStudy) -> str:
    """Return the parts with their values by level, alone."""
    return standing_alone(_WIDTH, _TOP + _TALL + _FOOT, f"{study.n} readings by part", *_by_part(study))


def linearity_picture(study: LinearityStudy) -> str:
    """Return the biases over the reference with the line, its band, and the bias that is allowed."""
    low, high = float(study.references.min()), float(study.references.max())
    room = 0.05 * (high - low)
    x = Axis(low - room, high + room, _LEFT, _WIDTH - _RIGHT)
    at = np.linspace(low, high, 60)
    line, band = study.line(at), study.band(at)
    limits = [] if study.most is None else [-study.most, study.most]
    y = _upright(np.r_[study.biases, line - band, line + band, limits, 0.0])
    drawn = [*_values_axis(y, x.end), *grid_x(x, _TOP, _TOP + _TALL, f"reference, {study.unit}")]
    lines = [_Line(0.0, "no bias", "zero"), *(_Line(limit, "allowed", "limit-line", "7 4") for limit in limits)]
    drawn += _across(y, x.end, [*lines, _Line(float(line[-1]), "line, 95 % band", "")])
    drawn += [curve(x, y, at, line), curve(x, y, at, line - band, "2 3"), curve(x, y, at, line + band, "2 3")]
    drawn += [_dot(x.at(float(a)), y.at(float(b)), 1.8) for a, b in zip(study.references, study.biases, strict=True)]
    for a in study.at:
        drawn += _whisker(x.at(a.reference) + 7, y, a.bias)
    return _drawing("Bias over the range, values and means with their intervals", study.unit, *drawn)


def stability_picture(study: StabilityStudy) -> str:
    """Return the points with Shewhart's limits, and below the weighted average with its own."""
    x = _in_order(len(study.labels))
    steps = np.arange(1, len(study.labels) + 1, dtype=float)
    upper = _chart(study, x, study.points, 3 * study.sigma, _TOP, "single" if study.grouped_by is None else "average")
    below = _TOP + _TALL + 44
    lower = _chart(study, x, study.averages, study.width * study.spreads, below, "weighted")
    named = "set" if study.grouped_by else "value"
    drawn = [*upper, *lower, *grid_x(x, below, below + _TALL, f"{named}, in the order taken")]
    drawn.append(svg.text(_LEFT, below - 8, f"Weighted average, λ {study.weight:g}", class_="t head"))
    if study.base < steps.size:
        place = svg.number(x.at(study.base + 0.5))
        drawn.append(svg.element("path", class_="limit-line", d=f"M{place} {_TOP:g}V{svg.number(below + _TALL)}"))
        drawn.append(svg.text(x.at(study.base + 0.5) + 4, _TOP + 10, "base ends", class_="t quiet over"))
    what = "Averages" if study.grouped_by else "Values"
    return _drawing(f"{what} of one part: {len(study.alarms)} alarms", study.unit, *drawn, height=below + _TALL + _FOOT)


# --- parts of them -------------------------------------------------------------------------------------------------


def _drawing(title: str, unit: str, *drawn: str, height: float = _TOP + _TALL + _FOOT) -> str:
    words = f"{title}{f' ({unit})' if unit else ''}"
    return standing_alone(_WIDTH, height, title, *drawn, svg.text(_LEFT, 20, words, class_="t head"))


def _upright(values: Array, top: float = _TOP) -> Axis:
    low, high = float(values.min()), float(values.max())
    room = 0.06 * (high - low) or 1.0
    return Axis(low - room, high + room, top + _TALL, top)


def _in_order(n: int) -> Axis:
    return Axis(0.0, n + 1.0, _LEFT, _WIDTH - _RIGHT)


def _values_axis(y: Axis, right: float) -> Iterator[str]:
    yield from grid_y(y, _LEFT, right, [(value, fixed(value, decimals(y))) for value in y.ticks()])


@dataclass(frozen=True, slots=True)
class _Line:
    """A value that is named at the right of a panel, with a line across it where it has a class."""

    value: float
    words: str
    class_: str = "limit-line"
    dash: str | None = None


def _across(y: Axis, right: float, lines: Sequence[_Line]) -> Iterator[str]:
    """Yield lines across the panel, and their names below one another where they would touch."""
    lowest = -math.inf
    for line in sorted(lines, key=lambda one: y.at(one.value)):
        place = y.at(line.value)
        if line.class_:
            d = f"M{_LEFT:g} {svg.number(place)}H{svg.number(right)}"
            yield svg.element("path", class_=line.class_, d=d, stroke_dasharray=line.dash)
        lowest = max(place + 4, lowest + 14)
        yield svg.text(right + 8, lowest, line.words, class_="t quiet over")


def _dot(x: float, y: float, r: float) -> str:
    return svg.element("circle", class_="bar-dark", cx=x, cy=y, r=r)


def _dots(x: Axis, y: Axis, values: Array) -> list[str]:
    r = 2.6 if len(values) <= 120 else 1.4
    return [_dot(x.at(k), y.at(v), r) for k, v in enumerate(values.tolist(), 1)]


def _whisker(place: float, y: Axis, figure: Figure) -> Iterator[str]:
    n, a, b, at = svg.number, y.at(figure.low), y.at(figure.high), y.at(figure.value)
    yield svg.element("path", class_="whisker", d=f"M{n(place)} {n(a)}V{n(b)}")
    yield svg.element("path", class_="caps", d=f"M{n(place - 4)} {n(at)}h8")


def _chart(study: StabilityStudy, x: Axis, values: Array, reach: Array, top: float, kind: str) -> Iterator[str]:
    """Yield one chart: points joined, limits stepped, alarms ringed."""
    y = _upright(np.r_[values, study.centre - reach, study.centre + reach], top)
    yield from _values_axis(y, x.end)
    ends = [_Line(study.centre + sign * float(reach[-1]), "limit", "") for sign in (-1, 1)]
    yield from _across(y, x.end, [_Line(study.centre, "centre", "zero"), *ends])
    for sign in (-1, 1):
        yield svg.element("path", class_="limit-line", d=_stepped(x, y, study.centre + sign * reach))
    yield svg.element(
        "path", class_="truth", d=svg.path([(x.at(k), y.at(v)) for k, v in enumerate(values.tolist(), 1)])
    )
    yield from _dots(x, y, values)
    for alarm in study.alarms:
        if alarm.chart == kind:
            yield svg.element(
                "circle", class_="worst", cx=x.at(alarm.point + 1), cy=y.at(float(values[alarm.point])), r=7
            )


def _stepped(x: Axis, y: Axis, limits: Array) -> str:
    n = svg.number
    steps = [f"{n(x.at(k + 0.5))} {n(y.at(v))}H{n(x.at(k + 1.5))}" for k, v in enumerate(limits.tolist())]
    return f"M{'L'.join(steps)}"


# --- gauge studies -------------------------------------------------------------------------------------------------


def _by_part(study: RrStudy) -> list[str]:
    """Return the values less their overall mean by part, one column of dots a level, the level's mean as a bar."""
    data = study.data
    parts, of_part = levels_of(data.parts())
    levels, of_level = _levels(data)
    values = np.asarray(data.values, float)
    y = _upright(values)
    x = Axis(0.0, float(len(parts)), _LEFT, _WIDTH - _RIGHT)
    drawn = list(_values_axis(y, x.end))
    shown = max(1, math.ceil(len(parts) / 20))
    for k, part in enumerate(parts):
        if k:
            between = svg.number(x.at(float(k)))
            drawn.append(svg.element("path", class_="hair", d=f"M{between} {_TOP:g}V{_TOP + _TALL:g}"))
        if k % shown == 0:
            drawn.append(svg.text(x.at(k + 0.5), _TOP + _TALL + 15, part[:6], class_="t middle"))
    drawn.append(svg.text((x.start + x.end) / 2, _TOP + _TALL + 32, "part", class_="t quiet middle"))
    wide = (x.at(1.0) - x.at(0.0)) * 0.8 / len(levels)
    for k, j in itertools.product(range(len(parts)), range(len(levels))):
        own = values[(of_part == k) & (of_level == j)]
        place = x.at(k + 0.1) + (j + 0.5) * wide
        drawn += [_dot(place, y.at(v), min(2.2, 0.35 * wide)) for v in own.tolist()]
        if own.size:
            bar = f"M{svg.number(place - 0.42 * wide)} {svg.number(y.at(float(own.mean())))}h{svg.number(0.84 * wide)}"
            drawn.append(svg.element("path", class_="truth", d=bar))
    if len(levels) > 1:
        drawn += _level_key(levels, " × ".join(study.factors), x.end + 8)
    return drawn


def _levels(data: Measured) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    if not data.factors:
        return ("",), np.zeros(len(data), np.intp)
    return levels_of([" ".join(names) for names in zip(*data.factors.values(), strict=True)])


def _level_key(levels: Sequence[str], name: str, x: float) -> Iterator[str]:
    yield svg.text(x, _TOP + 8, f"{name},"[:20], class_="t quiet")
    yield svg.text(x, _TOP + 22, "left to right:", class_="t quiet")
    for k, level in enumerate(levels[:_MOST_LABELS]):
        yield svg.text(x, _TOP + 38 + 15 * k, level[:18], class_="t")


def _intervals(study: RrStudy, top: float) -> tuple[list[str], float]:
    """Return the standard deviations with their intervals on a logarithmic axis, and where the drawing ends."""
    rows = [(c.name, c.sd) for c in study.components] + [("measuring (GRR)", study.grr), ("all", study.tv)]
    if study.tolerance is not None:
        rows.append((f"T/{study.spread:g}", Figure(*[study.tolerance / study.spread] * 3)))
    ends = [v for _, f in rows for v in (f.value, f.high) if v > 0 and math.isfinite(v)]
    largest = max(ends)
    smallest = max(min([f.low for _, f in rows if f.low > 0] + ends), largest / 1e4)
    x = Axis(smallest / 1.3, largest * 1.3, _LEFT + 76, _WIDTH - 24, log=True)
    bottom = top + 22 * len(rows) + 6
    drawn = [svg.text(_LEFT, top - 10, "Standard deviations with 95 % intervals", class_="t head")]
    for value in _log_ticks(x):
        place = svg.number(x.at(value))
        drawn.append(svg.element("path", class_="hair", d=f"M{place} {svg.number(top)}V{svg.number(bottom)}"))
        drawn.append(svg.text(x.at(value), bottom + 15, short(value), class_="t middle"))
    for k, (name, figure) in enumerate(rows):
        drawn += _row(name, figure, x, top + 22 * k + 14)
    return drawn, bottom + 26


def _row(name: str, figure: Figure, x: Axis, y: float) -> Iterator[str]:
    n = svg.number
    yield svg.text(x.start - 8, y + 4, name, class_="t end")
    low, high = x.at(figure.low), min(x.at(figure.high), x.end)
    open_ = figure.low <= x.low
    if figure.high > figure.low:
        # An interval that reaches zero has no end on this axis: it begins with dashes.
        yield svg.element(
            "path", class_="whisker", d=f"M{n(low)} {n(y)}H{n(high)}", stroke_dasharray="5 3" if open_ else None
        )
    if figure.value > x.low:
        yield svg.element("circle", class_="bar-dark", cx=x.at(figure.value), cy=y, r=4.2)
    else:
        yield svg.text(x.start + 4, y - 4, "none seen", class_="t quiet over")


def _log_ticks(x: Axis) -> list[float]:
    """Return 1, 2, 5 of each decade, or the decades alone over a wide axis."""
    wide = math.log10(x.high / x.low) > 2.5
    first, last = math.floor(math.log10(x.low)), math.ceil(math.log10(x.high))
    found = [m * 10.0**k for k in range(first, last + 1) for m in ((1,) if wide else (1, 2, 5))]
    return [v for v in found if x.low <= v <= x.high] or [nice_step(x.high, 1)]
