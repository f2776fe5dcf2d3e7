"""A picture of how a robot reaches its poses: RP and AP of each with their intervals. It is readable in one ink."""

from collections.abc import Iterator

from tiepoint.report import svg
from tiepoint.report.axes import Axis, grid_x, standing_alone
from tiepoint.studies.figure import Figure
from tiepoint.studies.pose import PoseStudy

_WIDTH, _TOP, _ROW, _LEFT, _RIGHT = 600.0, 48.0, 26.0, 150.0, 30.0
_LONGEST = 18


def pose_picture(study: PoseStudy, most_ap_mm: float | None = None, most_rp_mm: float | None = None) -> str:
    """Return RP and, where it was commanded, AP of every pose, with intervals and what was asked for."""
    rows = [(f"{p.name[:_LONGEST]}: RP", p.rp, most_rp_mm) for p in study.poses]
    rows += [(f"{p.name[:_LONGEST]}: AP", p.ap, most_ap_mm) for p in study.poses if p.ap is not None]
    most = max(end for _, figure, limit in rows for end in (figure.high, limit or 0.0))
    x, bottom = Axis(0.0, 1.08 * most, _LEFT, _WIDTH - _RIGHT), _TOP + _ROW * len(rows)
    title = "Repeatability RP and accuracy AP of each pose, with 95 % intervals"
    drawn = [svg.text(10, 22, title, class_="t head"), *grid_x(x, _TOP, bottom, "mm")]
    for k, (name, figure, limit) in enumerate(rows):
        drawn += _row(x, _TOP + _ROW * (k + 0.5), name, figure, limit)
    return standing_alone(_WIDTH, bottom + 46, title, *drawn)


def _row(x: Axis, y: float, name: str, figure: Figure, limit: float | None) -> Iterator[str]:
    n = svg.number
    low, high, at = x.at(figure.low), x.at(figure.high), x.at(figure.value)
    yield svg.text(_LEFT - 10, y + 4, name, class_="t end")
    yield svg.element("path", class_="whisker", d=f"M{n(low)} {n(y)}H{n(high)}")
    yield svg.element("path", class_="caps", d=f"M{n(low)} {n(y - 5)}v10M{n(high)} {n(y - 5)}v10")
    yield svg.element("path", class_="pointer", d=f"M{n(at)} {n(y - 6)}l5 6l-5 6l-5 -6z")
    if limit is not None:
        place = n(x.at(limit))
        yield svg.element("path", class_="limit-line", d=f"M{place} {n(y - 11)}V{n(y + 11)}")
