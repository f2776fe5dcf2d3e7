"""Margin to the limit: how far each part of a trial stands within its nearest limit, class by class.

A row a class, its parts as bars of their count; parts that were judged wrongly as their verdict's marks above. The
scale is linear near the limit, where parts are told apart, and logarithmic beyond, where they are plainly one or other.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from tiepoint.foundation.rounding import fixed
from tiepoint.report import svg
from tiepoint.report.axes import Axis, standing_alone
from tiepoint.report.charts import mark_at
from tiepoint.studies.trial import PartSeen, TrialStudy

_WIDTH, _LEFT, _RIGHT, _TOP, _ROW = 640.0, 150.0, 24.0, 66.0, 58.0
_BINS = 96
_LINEAR = 4.0
"""Margins in u up to which the scale is linear."""
_FAR = 400.0
_TICKS = (-100.0, -20.0, -4.0, -2.0, 0.0, 2.0, 4.0, 20.0, 100.0)
_GUARD = 1.645
"""In u: the guard band of ISO 14253-1 for 95 %, many degrees of freedom and u much below the tolerance."""
_MOST_MARKS = 200


def _stretched(margin: float) -> float:
    """Return a margin on the scale of the picture."""
    size = min(abs(margin), _FAR)
    far = size if size <= _LINEAR else _LINEAR * (1.0 + math.log(size / _LINEAR))
    return math.copysign(far, margin)


def margins(study: TrialStudy) -> str:
    """Return the picture as an SVG document."""
    edge = _stretched(_FAR)
    x = Axis(-edge, edge, _LEFT, _WIDTH - _RIGHT)
    bottom = _TOP + _ROW * len(study.classes)
    drawn = [svg.text(10, 22, "Margin to the nearest limit, each part by its worst showing", class_="t head")]
    drawn += [svg.text(10, 42, "marks: judged wrongly; hatched: guard band", class_="t quiet")]
    drawn += _scale(x, bottom)
    for k, seen in enumerate(study.classes):
        of = [p for p in study.parts if (p.worst.truth, p.worst.kind or p.worst.truth) == (seen.truth, seen.name)]
        drawn += _row(x, _TOP + _ROW * (k + 1) - 8, of, seen.name, seen.truth)
    return standing_alone(_WIDTH, bottom + 50, "Margins of all parts to their limits", *drawn)


def _scale(x: Axis, bottom: float) -> Iterator[str]:
    n = svg.number
    inner = x.at(_stretched(_GUARD))
    yield svg.element("rect", x=x.at(0), y=_TOP, width=inner - x.at(0), height=bottom - _TOP, fill="url(#guard)")
    for value in _TICKS:
        at = x.at(_stretched(value))
        line = "limit-line" if value == 0 else "hair"
        yield svg.element("path", class_=line, d=f"M{n(at)} {_TOP:g}V{n(bottom)}")
        if abs(value) != 2:
            yield svg.text(at, bottom + 15, "limit" if value == 0 else fixed(value, 0), class_="t middle")
    yield svg.text(x.at(_stretched(-20)), bottom + 34, "beyond the limit", class_="t quiet middle")
    yield svg.text(x.at(_stretched(20)), bottom + 34, "within, in u of the reading", class_="t quiet middle")


def _row(x: Axis, base: float, parts: Sequence[PartSeen], name: str, truth: str) -> Iterator[str]:
    n, tall = svg.number, _ROW - 26
    known = np.array([_stretched(p.worst.margin) for p in parts if p.worst.margin is not None])
    without = len(parts) - known.size
    yield svg.element("path", class_="base", d=f"M{n(_LEFT)} {n(base)}H{n(_WIDTH - _RIGHT)}")
    yield svg.text(10, base - 14, name if name == truth else f"{truth}: {name}", class_="t")
    told = f"{len(parts)} parts" + (f", {without} without a margin" if without else "")
    yield svg.text(10, base + 2, told, class_="t quiet")
    counts, edges = np.histogram(known, _BINS, (x.low, x.high))
    # By the root of the count: one part among thousands is still seen.
    heights = np.sqrt(counts / max(int(counts.max()), 1)) * tall
    for height, low, high in zip(heights.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if height:
            width = x.at(high) - x.at(low) - 0.6
            yield svg.element("rect", class_="bar-dark", x=x.at(low) + 0.3, y=base - height, width=width, height=height)
    for part in [p for p in parts if p.is_wrong][:_MOST_MARKS]:
        at = 0.0 if part.worst.margin is None else _stretched(part.worst.margin)
        yield mark_at(part.worst.verdict, x.at(at), base - tall - 6)
