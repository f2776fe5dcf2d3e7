"""Pictures of agreement, capability and known lengths. Each is readable in one ink."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.rounding import fixed
from tiepoint.report import svg
from tiepoint.report.axes import Axis, decimals, grid_x, grid_y, standing_alone
from tiepoint.report.figures import per_cent
from tiepoint.studies.agreement import AgreementStudy
from tiepoint.studies.capability import CapabilityStudy, CauseRow
from tiepoint.studies.lengths import LengthsStudy
from tiepoint.studies.rates import Rate

Array = NDArray[np.float64]

_WIDTH, _TOP, _ROW = 600.0, 48.0, 30.0


# --- rates with their intervals ------------------------------------------------------------------------------------


def agreement_picture(study: AgreementStudy) -> str:
    """Return miss and false alarm rates, of all parts and of each class, with their intervals and what was agreed."""
    rows: list[tuple[str, Rate, float | None]] = []
    asked = {a.name: a.most for a in study.asked}
    if study.misses is not None and study.false_alarms is not None:
        rows += [("misses", study.misses, asked.get("miss rate"))]
        rows += [("false alarms", study.false_alarms, asked.get("false alarm rate"))]
        rows += [(f"of {c.name}", c.wrong, None if c.asked is None else c.asked.most) for c in study.classes]
    if study.same is not None:
        s = study.same
        differ = Rate(s.n - s.events, s.n, s.confidence, 1 - s.events / s.n, 1 - s.high, 1 - s.low, 0.0, 1.0)
        rows.append(("repeats differ", differ, None))
    return _rates("Shares of distinct parts, with 95 % intervals", rows)


def _rates(title: str, rows: Sequence[tuple[str, Rate, float | None]]) -> str:
    most = max([r.high for _, r, _ in rows] + [m for _, _, m in rows if m is not None], default=1.0)
    x, bottom = Axis(0.0, 100 * min(1.0, 1.08 * most), 150.0, _WIDTH - 90), _TOP + _ROW * len(rows)
    drawn = [svg.text(10, 22, title, class_="t head"), *grid_x(x, _TOP, bottom, "per cent of parts")]
    for k, (name, found, limit) in enumerate(rows):
        drawn += _rate_row(x, _TOP + _ROW * (k + 0.5), name, found, limit)
    return standing_alone(_WIDTH, bottom + 46, title, *drawn)


def _rate_row(x: Axis, y: float, name: str, found: Rate, limit: float | None) -> Iterator[str]:
    n = svg.number
    yield svg.text(140, y + 4, name, class_="t end")
    a, b = x.at(100 * found.low), x.at(100 * found.high)
    yield svg.element("path", class_="whisker", d=f"M{n(a)} {n(y)}H{n(b)}")
    yield svg.element("path", class_="caps", d=f"M{n(a)} {n(y - 5)}v10M{n(b)} {n(y - 5)}v10")
    if found.value is not None:
        at = x.at(100 * found.value)
        yield svg.element("path", class_="pointer", d=f"M{n(at)} {n(y - 6)}l5 6l-5 6l-5 -6z")
    if limit is not None and 100 * limit <= x.high:
        at = x.at(100 * limit)
        yield svg.element("path", class_="limit-line", d=f"M{n(at)} {n(y - 13)}V{n(y + 13)}")
    yield svg.text(x.end + 8, y + 4, f"{found.events} of {found.n}", class_="t")


# --- sources side by side ------------------------------------------------------------------------------------------


def capability_picture(study: CapabilityStudy) -> str:
    """Return every cause as a bar of its standard uncertainty; hatched where another holds it."""
    rows, left = study.rows, 230.0
    x = Axis(0.0, 1.1 * max(r.u for r in rows), left, _WIDTH - 150)
    bottom = _TOP + _ROW * len(rows)
    title = f"Causes of uncertainty; {_q('Q_MS', study.system.q.value, study.system.most)}"
    if study.process is not None:
        title += f", {_q('Q_MP', study.process.q.value, study.process.most)}"
    drawn = [svg.text(10, 22, title, class_="t head"), *grid_x(x, _TOP, bottom, f"standard uncertainty, {study.unit}")]
    drawn.append(svg.text(x.end + 10, _TOP - 6, "of system", class_="t quiet"))
    drawn.append(svg.text(x.end + 76, _TOP - 6, "of process", class_="t quiet"))
    for k, row in enumerate(rows):
        drawn += _cause(x, _TOP + _ROW * (k + 0.5), row)
    return standing_alone(_WIDTH, bottom + 46, title, *drawn)


def _q(name: str, value: float, most: float) -> str:
    return f"{name} {per_cent(value)} of {per_cent(most)}"


def _cause(x: Axis, y: float, row: CauseRow) -> Iterator[str]:
    counts = bool(row.share_process if row.share_process is not None else row.share_system)
    yield svg.text(x.start - 8, y + 4, row.name.partition(",")[0], class_="t end")
    place = {"x": x.start, "y": y - 8, "width": max(x.at(row.u) - x.start, 0.5), "height": 16}
    if counts:
        yield svg.element("rect", class_="bar-dark", **place)
    else:
        yield svg.element("rect", fill="url(#guard)", **place)
        yield svg.element("rect", class_="frame", fill="none", **place)
    for share, at in ((row.share_system, x.end + 10), (row.share_process, x.end + 76)):
        yield svg.text(at, y + 4, "–" if share is None else "held" if share == 0 else per_cent(share), class_="t")


# --- known lengths -------------------------------------------------------------------------------------------------


def lengths_picture(study: LengthsStudy) -> str:
    """Return errors over length between the lines of the stated maximum, marked by height."""
    data, unit = study.data, study.unit
    reach = float(np.max(np.abs(study.errors)))
    if study.allowed is not None:
        reach = max(reach, float(study.allowed.max()))
    x = Axis(0.0, 1.05 * float(data.known.max()), 90.0, _WIDTH - 120)
    bottom = _TOP + 230
    y = Axis(-1.1 * reach, 1.1 * reach, bottom, _TOP)
    marks = [(value, fixed(value, decimals(y))) for value in y.ticks()]
    drawn = [svg.text(10, 22, f"Error of known lengths, {unit}", class_="t head")]
    drawn += [*grid_y(y, x.start, x.end, marks), *grid_x(x, _TOP, bottom, f"known length, {unit}")]
    if study.allowed is not None:
        order = np.argsort(data.known)
        for sign in (-1.0, 1.0):
            ends = zip(data.known[order], sign * study.allowed[order], strict=True)
            line = [(x.at(float(a)), y.at(float(b))) for a, b in ends]
            whole = [(x.start, line[0][1]), *line, (x.end, line[-1][1])]
            drawn.append(svg.element("path", class_="limit-line", d=svg.path(whole)))
    heights = list(dict.fromkeys(data.height))
    for k, error in enumerate(study.errors.tolist()):
        drawn.append(_mark(heights.index(data.height[k]), x.at(float(data.known[k])), y.at(error)))
    for k, height in enumerate(heights[:8]):
        drawn.append(_mark(k, x.end + 16, _TOP + 14 + 20 * k))
        drawn.append(svg.text(x.end + 28, _TOP + 18 + 20 * k, f"height {_short(height)}", class_="t"))
    return standing_alone(_WIDTH, bottom + 46, "Errors of known lengths", *drawn)


def _short(name: str) -> str:
    return name if len(name) <= 10 else name[:9] + "…"


def _mark(kind: int, x: float, y: float) -> str:
    """Return one of four marks, told apart by their form."""
    n = svg.number
    if kind % 4 == 0:
        return svg.element("circle", class_="truth", cx=x, cy=y, r=3.2)
    if kind % 4 == 1:
        return svg.element("path", class_="cross", d=f"M{n(x - 3.5)} {n(y)}h7M{n(x)} {n(y - 3.5)}v7")
    if kind % 4 == 2:
        return svg.element("path", class_="cross", d=f"M{n(x - 3)} {n(y - 3)}l6 6M{n(x - 3)} {n(y + 3)}l6 -6")
    return svg.element("path", class_="truth", d=f"M{n(x)} {n(y - 4)}l3.6 6.4h-7.2z")
