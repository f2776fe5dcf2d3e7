"""Small drawings of numbers: verdict marks, limit strip, interval, trend. Every mark is readable in one ink."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.rounding import short
from tiepoint.model.decide import Limits, Verdict, acceptance_limits
from tiepoint.report import svg
from tiepoint.report.figures import nice_step
from tiepoint.studies.trial import VERDICTS

Array = NDArray[np.float64]


STRIP_WIDTH = 120.0
STRIP_HEIGHT = 20.0
_NARROWEST = 6.0
"""A bar of ±U is never drawn narrower, so that it stays visible on a wide tolerance."""


# ---------- verdict marks ----------


def _mark(verdict: Verdict) -> str:
    """Return a mark in a box of 14 × 14."""
    if verdict == "conforms":
        return svg.element("circle", class_="m-conforms", cx=7, cy=7, r=6)
    if verdict == "rejected":
        return svg.element("path", class_="m-rejected", d="M7 0l7 7-7 7-7-7z")
    if verdict == "undecided":
        half = svg.element("path", class_="m-undecided", d="M7 1.4a5.6 5.6 0 0 0 0 11.2z")
        return svg.element("circle", class_="m-back", cx=7, cy=7, r=5.6) + half + _rim()
    return svg.element("circle", class_="m-back", cx=7, cy=7, r=4.9) + svg.element(
        "circle", class_="m-unread", cx=7, cy=7, r=4.9
    )


def _rim() -> str:
    return svg.element("circle", class_="m-rim", cx=7, cy=7, r=5.6)


def symbols() -> str:
    """Return the marks once for a page, to be used by `verdict`; also the hatching of guard bands."""
    marks = [svg.element("symbol", _mark(v), id=f"mark-{v}", viewBox="0 0 14 14", overflow="visible") for v in VERDICTS]
    return svg.element(
        "svg", *marks, svg.element("defs", hatching("guard")), class_="symbols", aria_hidden="true", focusable="false"
    )


def hatching(name: str) -> str:
    """Return a pattern of thin lines at 45°."""
    line = svg.element("path", d="M-1 1L1 -1M0 5L5 0M4 6L6 4", class_="hatch")
    return svg.element("pattern", line, id=name, width=5, height=5, patternUnits="userSpaceOnUse")


def verdict(kind: Verdict) -> str:
    """Return a verdict's mark with its word."""
    use = svg.element("svg", svg.element("use", href=f"#mark-{kind}"), aria_hidden="true", viewBox="0 0 14 14")
    return f'<span class="v {kind}">{use}{kind}</span>'


def mark_at(kind: Verdict, x: float, y: float, size: float = 9.0) -> str:
    """Return a mark centred on a place of a drawing."""
    move = f"translate({svg.number(x - size / 2)} {svg.number(y - size / 2)}) scale({size / 14:.4f})"
    return svg.element("g", _mark(kind), transform=move)


# ---------- limit strip ----------


@dataclass(frozen=True, slots=True)
class StripScale:
    """Where a strip puts a value: `low` at `left`, `high` at `right`, in drawing units."""

    low: float
    high: float
    left: float
    right: float

    def place(self, value: float) -> float:
        """Return the place of a value; beyond the strip's ends it keeps going."""
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)


def strip_scale(limits: Limits, value: float, U: float) -> StripScale:
    """Return the scale of a strip: limits at fixed places, or, with one limit, the reading well within."""
    if limits.lower is not None and limits.upper is not None and limits.width > 0:
        return StripScale(limits.lower, limits.upper, 18.0, STRIP_WIDTH - 18.0)
    limit = limits.upper if limits.upper is not None else limits.lower
    assert limit is not None
    reach = max(1.6 * abs(limit - value), 6 * U, 1e-9)
    if limits.upper is not None:
        return StripScale(limit - reach, limit, 12.0, STRIP_WIDTH - 22.0)
    return StripScale(limit, limit + reach, 22.0, STRIP_WIDTH - 12.0)


def limit_strip(value: float | None, U: float, u: float, dof: float, limits: Limits) -> str:
    """Return limits as posts, guard bands hatched, and the reading above the line as a bar of ±U on a stem."""
    base = svg.element("path", class_="base", d=f"M2 15H{STRIP_WIDTH - 2:g}")
    if value is None:
        dotted = svg.element("path", class_="base", d=f"M2 15H{STRIP_WIDTH - 2:g}", stroke_dasharray="1.5 3")
        return svg.drawing(STRIP_WIDTH, STRIP_HEIGHT, dotted, class_="strip", aria_hidden="true")
    scale = strip_scale(limits, value, U)
    drawn = [base, *_guards(scale, acceptance_limits(u, dof, limits), limits)]
    drawn += [
        svg.element("path", class_="post", d=f"M{svg.number(scale.place(limit))} 10V20")
        for limit in (limits.lower, limits.upper)
        if limit is not None
    ]
    return svg.drawing(STRIP_WIDTH, STRIP_HEIGHT, *drawn, _reading(scale, value, U), class_="strip", aria_hidden="true")


def _guards(scale: StripScale, accept: tuple[float | None, float | None], limits: Limits) -> Iterator[str]:
    ends = [(limits.lower, accept[0]), (limits.upper, accept[1])]
    if accept == (None, None):
        ends = [(limits.lower, limits.upper)]
    for limit, inner in ends:
        if limit is not None and inner is not None and limit != inner:
            a, b = sorted((scale.place(limit), scale.place(inner)))
            a, b = max(a, 0.0), min(b, STRIP_WIDTH)
            yield svg.element("rect", x=a, y=11, width=max(b - a, 0.0), height=8, fill="url(#guard)")


def _reading(scale: StripScale, value: float, U: float) -> str:
    place = scale.place(value)
    if place < 2 or place > STRIP_WIDTH - 2:
        right = place > STRIP_WIDTH - 2
        tip, back = (STRIP_WIDTH - 1, -9.0) if right else (1.0, 9.0)
        shaft = svg.element("path", class_="stem", d=f"M{tip + 2 * back:g} 6H{tip + back:g}")
        head = svg.element("path", class_="pointer", d=f"M{tip:g} 6l{back:g} -3.6v7.2z")
        return shaft + head
    half = max(scale.place(value + U) - place, _NARROWEST / 2)
    a, b, n = place - half, place + half, svg.number
    return (
        svg.element("path", class_="stem", d=f"M{n(place)} 5V15")
        + svg.element("path", class_="whisker", d=f"M{n(a)} 5H{n(b)}")
        + svg.element("path", class_="caps", d=f"M{n(a)} 2v6M{n(b)} 2v6")
    )


# ---------- interval ----------


def interval(estimate: float, U: float, reach: float, width: float = 160.0) -> str:
    """Return a bar from estimate − U to estimate + U about a zero line, a pointer at the estimate.

    `reach` is the value at the drawing's right end; a bar that misses zero is broken.
    """
    middle, per = width / 2, (width / 2 - 4) / reach
    a, b, n = middle + (estimate - U) * per, middle + (estimate + U) * per, svg.number
    kind = "whisker thick" if abs(estimate) <= U else "whisker miss"
    at = middle + estimate * per
    return svg.drawing(
        width,
        16,
        svg.element("path", class_="zero", d=f"M{n(middle)} 0V16"),
        svg.element("path", class_=kind, d=f"M{n(a)} 11H{n(b)}"),
        svg.element("path", class_="pointer", d=f"M{n(at)} 8l-3.4 -6h6.8z"),
        class_="interval",
        aria_hidden="true",
        preserveAspectRatio="none",
    )


# ---------- trend ----------


@dataclass(frozen=True)
class Trend:
    """One quantity over many parts: `values` and `U` (n,), NaN where unread; `truth` (n,); one verdict a part."""

    name: str
    unit: str
    parts: tuple[int, ...]
    values: Array
    U: Array
    truth: Array
    verdicts: tuple[Verdict | None, ...]
    limits: Limits | None


_WIDTH, _LEFT, _RIGHT = 460.0, 50.0, 12.0
_TOP, _UPPER, _GAP, _LOWER = 10.0, 104.0, 26.0, 66.0
_HEIGHT = _TOP + _UPPER + _GAP + _LOWER + 28.0


@dataclass(frozen=True, slots=True)
class _Panel:
    """A panel's scale: `low` at the bottom, `high` at the top."""

    low: float
    high: float
    top: float
    height: float

    def y(self, value: float) -> float:
        return self.top + (self.high - value) / (self.high - self.low) * self.height


def trend(run: Trend, error_unit: str = "µm", per_unit: float = 1000.0) -> str:
    """Return readings against their limits, and below, much larger, their errors ± U against the truth.

    `per_unit` is how many of `error_unit` are in the reading's unit.
    """
    upper, lower = _upper(run), _lower(run, per_unit)
    step = (_WIDTH - _LEFT - _RIGHT) / max(len(run.parts), 1)
    xs = [_LEFT + (k + 0.5) * step for k in range(len(run.parts))]
    drawn = [*_limits(run, upper), *_readings(run, upper, xs, step), *_errors(run, lower, xs, per_unit)]
    drawn.append(
        svg.text(_WIDTH - _RIGHT, lower.top - 7, f"reading less truth, {error_unit}", class_="t quiet end over")
    )
    labelled = [k for k in range(len(xs)) if run.parts[k] % 5 == 0 or k == 0]
    foot = lower.top + lower.height + 22
    drawn += [svg.text(xs[k], foot, str(run.parts[k]), class_="t quiet middle") for k in labelled]
    drawn.append(svg.text(0, foot, "plate", class_="t quiet"))
    title = svg.element("title", f"{run.name}: readings of {len(run.parts)} parts, and their errors")
    return svg.drawing(_WIDTH, _HEIGHT, title, *drawn, class_="chart trend", role="img")


def _upper(run: Trend) -> _Panel:
    shown = [v for v in (*run.values.tolist(), *run.truth.tolist()) if np.isfinite(v)]
    if run.limits is not None:
        shown += [v for v in (run.limits.lower, run.limits.upper) if v is not None]
    low, high = min(shown, default=0.0), max(shown, default=1.0)
    room = 0.08 * (high - low) or 1.0
    return _Panel(low - room, high + room, _TOP, _UPPER)


def _lower(run: Trend, per_unit: float) -> _Panel:
    ends = np.abs(run.values - run.truth) + run.U
    reach = per_unit * float(np.nanmax(ends)) if np.isfinite(ends).any() else 1.0
    reach = 1.08 * (reach or 1.0)
    return _Panel(-reach, reach, _TOP + _UPPER + _GAP, _LOWER)


def _limits(run: Trend, panel: _Panel) -> Iterator[str]:
    right = _WIDTH - _RIGHT
    limits = run.limits
    if limits is None:
        step = nice_step(panel.high - panel.low, 4)
        for value in np.arange(np.ceil(panel.low / step), panel.high / step) * step:
            yield from _ruled(panel.y(float(value)), float(value), "hair")
        return
    u = float(np.nanmedian(run.U)) / 2 if np.isfinite(run.U).any() else 0.0
    accept = acceptance_limits(u, np.inf, limits)
    for limit, inner in zip((limits.lower, limits.upper), accept, strict=True):
        if limit is None:
            continue
        if inner is not None:
            a, b = sorted((panel.y(limit), panel.y(inner)))
            yield svg.element("rect", x=_LEFT, y=a, width=right - _LEFT, height=b - a, fill="url(#guard)")
        yield from _ruled(panel.y(limit), limit, "limit-line")
    if limits.lower is not None and limits.upper is not None:
        middle = (limits.lower + limits.upper) / 2
        yield from _ruled(panel.y(middle), middle, "hair")


def _ruled(y: float, value: float, class_: str) -> Iterator[str]:
    yield svg.element("path", class_=class_, d=f"M{_LEFT:g} {svg.number(y)}H{_WIDTH - _RIGHT:g}")
    yield svg.text(_LEFT - 6, y + 4, short(value), class_="t end")


def _readings(run: Trend, panel: _Panel, xs: Sequence[float], step: float) -> Iterator[str]:
    half = min(0.48 * step, 8.0)
    truths = "".join(
        f"M{svg.number(x - half)} {svg.number(panel.y(t))}h{svg.number(2 * half)}"
        for x, t in zip(xs, run.truth.tolist(), strict=True)
        if np.isfinite(t)
    )
    yield svg.element("path", class_="truth", d=truths or "M0 0")
    for x, value, kind in zip(xs, run.values.tolist(), run.verdicts, strict=True):
        y = panel.y(value) if np.isfinite(value) else panel.top + panel.height - 5
        if kind is not None:
            yield mark_at(kind, x, y)
        elif np.isfinite(value):
            yield svg.element("circle", class_="bar-dark", cx=x, cy=y, r=2.4)


def _errors(run: Trend, panel: _Panel, xs: Sequence[float], per_unit: float) -> Iterator[str]:
    # At most 2.5 steps to the end: steps grow by 2.5 at most, so at least one lies within the panel.
    step = nice_step(panel.high, 2.5)
    for value in (-step, 0.0, step):
        yield from _ruled(panel.y(value), value, "zero" if value == 0 else "hair")
    for x, value, truth, U in zip(xs, run.values.tolist(), run.truth.tolist(), run.U.tolist(), strict=True):
        if not (np.isfinite(value) and np.isfinite(truth)):
            continue
        error, reach = (value - truth) * per_unit, U * per_unit
        a, b, at, n = panel.y(error + reach), panel.y(error - reach), panel.y(error), svg.number
        missed = abs(error) > reach
        yield svg.element(
            "path", class_="whisker", d=f"M{n(x)} {n(a)}V{n(b)}", stroke_dasharray="2.5 2" if missed else None
        )
        yield svg.element("path", class_="caps", d=f"M{n(x - 3)} {n(a)}h6M{n(x - 3)} {n(b)}h6M{n(x - 4)} {n(at)}h8")
        if missed:
            yield svg.text(x, panel.top - 1, "×", class_="t middle strong")
