"""Axes of a chart that stands alone: where a number lies, ticks with their labels, and lines told by their dashes."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.rounding import fixed
from tiepoint.report import look, svg
from tiepoint.report.charts import hatching
from tiepoint.report.figures import nice_step

Array = NDArray[np.float64]

_MOST_TICKS = 6


@dataclass(frozen=True, slots=True)
class Axis:
    """Numbers from `low` to `high` along a drawing from `start` to `end`; `log` by their decades."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, value: float) -> float:
        """Return the place of a number; beyond the axis it keeps going, and 0 on a logarithmic one is its low end."""
        low, high = self.low, self.high
        if self.log:
            value, low, high = math.log10(max(value, low)), math.log10(low), math.log10(high)
        return self.start + (value - low) / (high - low) * (self.end - self.start)

    def ticks(self) -> list[float]:
        """Return numbers to be written at the axis."""
        if self.log:
            first, last = math.ceil(math.log10(self.low) - 1e-9), math.floor(math.log10(self.high) + 1e-9)
            return [10.0**k for k in range(first, last + 1)]
        step = nice_step(self.high - self.low, _MOST_TICKS)
        return [k * step for k in range(math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9) + 1)]


def decimals(axis: Axis) -> int:
    """Return the decimals that tell the ticks of an axis apart."""
    step = nice_step(axis.high - axis.low, _MOST_TICKS)
    return max(0, -math.floor(math.log10(step) + 1e-9))


def grid_x(axis: Axis, top: float, bottom: float, words: str) -> Iterator[str]:
    """Yield ticks below a panel, hairs through it and what the axis means."""
    for value in axis.ticks():
        x = axis.at(value)
        yield svg.element("path", class_="hair", d=f"M{svg.number(x)} {svg.number(top)}V{svg.number(bottom)}")
        yield svg.text(x, bottom + 15, fixed(value, decimals(axis)), class_="t middle")
    yield svg.text((axis.start + axis.end) / 2, bottom + 32, words, class_="t quiet middle")


def grid_y(axis: Axis, left: float, right: float, labels: Sequence[tuple[float, str]]) -> Iterator[str]:
    """Yield hairs across a panel, each with its label at the left."""
    for value, said in labels:
        y = axis.at(value)
        yield svg.element("path", class_="hair", d=f"M{svg.number(left)} {svg.number(y)}H{svg.number(right)}")
        yield svg.text(left - 6, y + 4, said, class_="t end")


def curve(x: Axis, y: Axis, xs: Array, ys: Array, dash: str | None = None, width: float = 1.6) -> str:
    """Return a line through points (n,), cut off at the lower end of a logarithmic axis."""
    shown = ys > y.low if y.log else np.isfinite(ys)
    points = [(x.at(float(a)), y.at(float(b))) for a, b in zip(xs[shown], ys[shown], strict=True)]
    if len(points) < 2:
        return ""
    return svg.element(
        "path", class_="truth", d=svg.path(points), stroke_dasharray=dash, style=f"stroke-width:{svg.number(width)}"
    )


def standing_alone(width: float, height: float, title: str, *drawn: str) -> str:
    """Return a drawing with its faces, inks and paper, as a file of its own."""
    faces = look.faces(("Fira Sans Condensed", 400, "normal"), ("Fira Sans Condensed", 600, "normal"))
    return svg.drawing(
        width,
        height,
        svg.element("title", title),
        svg.element("style", f"\n{faces}\n{look.plain_sheet()}"),
        svg.element("defs", hatching("guard")),
        svg.element("rect", class_="paper", x=0, y=0, width=width, height=height),
        *drawn,
        width=width,
        height=height,
        role="img",
    )
