"""Pictures of a limit: both risks against the guard band, and good and bad parts beside the limit between them."""

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from tiepoint.report import svg
from tiepoint.report.axes import Axis, curve, grid_x, grid_y, standing_alone
from tiepoint.report.charts import mark_at
from tiepoint.studies.good_bad import GoodBadLimits
from tiepoint.studies.limits import LimitsStudy, share

Array = NDArray[np.float64]

_WIDTH, _LEFT, _RIGHT, _TOP = 560.0, 104.0, 150.0, 44.0
_TALL = 240.0
_LINE = 14.0
"""From one line of words to the next."""
_FLOOR = 1e-7
"""Shares below are not drawn: one of ten million parts."""


def risk_curves(study: LimitsStudy, unit: str) -> str:
    """Return both risks against the guard band, of the average station and of the 95 %-worst, as a drawing."""
    found, bottom = study.curves, _TOP + _TALL
    x = Axis(float(found.guard[0]), float(found.guard[-1]), _LEFT, _WIDTH - _RIGHT)
    y = Axis(_FLOOR, 1.0, bottom, _TOP, log=True)
    lines = (
        ("bad and accepted", found.consumer, found.consumer_worst, None),
        ("good and not accepted", found.producer, found.producer_worst, "7 4"),
    )
    drawn = [*grid_y(y, _LEFT, x.end, [(v, _decade(v)) for v in y.ticks()])]
    drawn += grid_x(x, _TOP, bottom, f"guard band within each limit, {unit}")
    drawn += [svg.element("path", class_="limit-line", d=f"M{svg.number(x.at(0))} {_TOP:g}V{svg.number(bottom)}")]
    drawn += [svg.text(x.at(0), _TOP - 6, "limits", class_="t quiet middle")]
    for _, average, worst, dash in lines:
        drawn += [curve(x, y, found.guard, average, dash), curve(x, y, found.guard, worst, dash, 3.0)]
    drawn += [*_names(x, y, {name: average for name, average, _, _ in lines})]
    drawn += [_key(x.end + 8, (_TOP + bottom) / 2), *_chosen(study, x, bottom)]
    most = max(float(np.max(v)) for _, average, worst, _ in lines for v in (average, worst))
    small = "" if most >= _FLOOR else ": fewer than 0.1 of a million, too few to be drawn"
    drawn.append(svg.text(_LEFT, 20, f"Shares of all parts{small}", class_="t head"))
    return standing_alone(_WIDTH, bottom + 46, "Both risks against the guard band", *drawn)


def _names(x: Axis, y: Axis, curves: Mapping[str, Array]) -> Iterator[str]:
    """Yield the name of each curve beside its end, none upon another."""
    above = math.inf
    for name, values in curves.items():
        at = y.at(max(float(values[-1]), _FLOOR)) + 4
        above = at = above - _LINE if abs(at - above) < _LINE else at
        yield svg.text(x.end + 8, at, name, class_="t")


def _decade(value: float) -> str:
    return share(value) if value >= 0.0005 else f"{1e6 * value:g} of 10⁶"


def _key(x: float, y: float) -> str:
    n = svg.number
    return (
        svg.element("path", class_="truth", d=f"M{n(x)} {n(y)}h26", style="stroke-width:1.6")
        + svg.text(x + 32, y + 4, "average station", class_="t quiet")
        + svg.element("path", class_="truth", d=f"M{n(x)} {n(y + 18)}h26", style="stroke-width:3")
        + svg.text(x + 32, y + 22, "95 %-worst", class_="t quiet")
    )


def _chosen(study: LimitsStudy, x: Axis, bottom: float) -> Iterator[str]:
    for placed, words in ((study.by_rule, "by rule"), (study.by_risks, "by risks")):
        if placed is not None and x.low <= placed.guard <= x.high:
            at = svg.number(x.at(placed.guard))
            yield svg.element("path", class_="region", d=f"M{at} {_TOP:g}V{svg.number(bottom)}")
            yield svg.text(x.at(placed.guard), _TOP - (6 if words == "by rule" else 20), words, class_="t middle")


# --- good and bad parts --------------------------------------------------------------------------------------------


def good_and_bad(study: GoodBadLimits, good: Array, bad: Array, unit: str) -> str:
    """Return readings of good and bad parts in two rows, with the limits between, as a drawing."""
    both = np.concatenate([good, bad])
    room = 0.06 * float(np.ptp(both)) or 1.0
    x = Axis(float(both.min()) - room, float(both.max()) + room, 60.0, _WIDTH - 20)
    bottom = _TOP + 96
    drawn = [*grid_x(x, _TOP, bottom, f"reading, {unit}" if unit else "reading")]
    for limit in (study.lower, study.upper):
        if limit is not None:
            at = svg.number(x.at(limit))
            drawn.append(svg.element("path", class_="limit-line", d=f"M{at} {_TOP - 6:g}V{svg.number(bottom)}"))
            drawn.append(svg.text(x.at(limit), _TOP - 12, f"{limit:.5g}", class_="t strong middle"))
    for values, words, kind, y in ((good, "good", "conforms", _TOP + 24), (bad, "bad", "rejected", _TOP + 72)):
        drawn.append(svg.text(52, y + 4, words, class_="t end"))
        drawn += [mark_at(kind, x.at(float(v)), y + _spread(k), 7.0) for k, v in enumerate(values)]  # type: ignore[arg-type]  # literals
    return standing_alone(_WIDTH, bottom + 46, "Readings of good and bad parts", *drawn)


def _spread(k: int) -> float:
    """Return how far a mark stands off its row, so that equal readings are seen beside each other."""
    return 12.0 * (math.modf(0.618034 * k)[0] - 0.5)
