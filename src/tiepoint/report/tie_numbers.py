"""The numbers of a tie as a page prints them: rounded, each with its ±, and what that is made of."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tiepoint.foundation.rounding import THIN, value_and_pm
from tiepoint.foundation.sources import Value, coverage_factor
from tiepoint.foundation.units import to_unit
from tiepoint.foundation.words import as_first
from tiepoint.report.causes import largest
from tiepoint.ties.probe import ProbedLength, ProbePoint, length
from tiepoint.ties.tie import Tie

_ROUND = 2.4477 / 1.96
"""From a half-width of one coordinate to the ellipse that holds both with 95 % (√χ²(0.95; 2) over the normal's)."""
_K95 = coverage_factor(0.975, math.inf)


@dataclass(frozen=True, slots=True)
class Number:
    """A number as text, with its half-width at 95 % to the same place; `pm` is empty where it has none of its own."""

    value: str
    pm: str
    unit: str


@dataclass(frozen=True, slots=True)
class Row:
    """A line of a table: what, and how much. `is_worst`: that which is ringed on the map."""

    what: str
    number: Number
    is_worst: bool = False


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of a ±: its standard uncertainties along each axis asked for, in the unit's thousandth, and its share
    of the variance of all of them together.
    """

    label: str
    u: tuple[str, ...]
    share: float


def number(value: float, U: float | None, unit: str) -> Number:
    """Return a number of any unit as text."""
    text, pm = value_and_pm(value, U)
    return Number(text, pm.removeprefix("±").lstrip(THIN), unit)


def in_unit(value: Value, unit: str) -> Number:
    """Return a length in mm as text in a unit of length."""
    return number(to_unit(value.value, unit), to_unit(value.U95, unit), unit)


def small_unit(unit: str) -> tuple[str, float]:
    """Return the unit in which uncertainties are told, and how many of it are in a mm."""
    return ("µm", 1000.0) if unit == "mm" else ("mil", 1000.0 / 25.4)


def budget_of(values: Sequence[Value], unit: str) -> tuple[Cause, ...]:
    """Return what the ± of some lengths is made of, largest first; causes of one name are one, small ones the last."""
    by_label: dict[str, list[float]] = {}
    for k, value in enumerate(values):
        for source, c in value.terms.items():
            variances = by_label.setdefault(source.label, [0.0] * len(values))
            variances[k] += (c * source.u) ** 2
    rows = largest(by_label)
    total = math.fsum(math.fsum(parts) for _, parts in rows)
    per = small_unit(unit)[1]
    return tuple(
        Cause(as_first(label), tuple(_u(math.sqrt(v) * per) for v in parts), math.fsum(parts) / total)
        for label, parts in rows
    )


def _u(u: float) -> str:
    return value_and_pm(u, u)[0] if u > 0 else "0"


def widest(tie: Tie) -> ProbedLength:
    """Return the length between the two corners of the valid region that are farthest apart."""
    corners = tie.valid_region
    far = np.linalg.norm(corners[:, None] - corners[None], axis=2)
    a, b = np.unravel_index(int(np.argmax(far)), far.shape)
    # A hair inside: the border itself must not depend on rounding.
    middle = corners.mean(axis=0)
    return length(tie, *(middle + 0.999 * (corners[k] - middle) for k in (a, b)))


def ellipse_px(tie: Tie, point: ProbePoint) -> tuple[float, float, float] | None:
    """Return the 95 % region of a place as it looks in the picture: half axes in px, and the turn of the long one.

    The turn is in degrees, as in SVG: from +x towards +y, which runs down.
    """
    cov, x, y = point.covariance, point.x, point.y
    if cov is None or x is None or y is None or not (x.u > 0 and y.u > 0):
        return None
    back = np.linalg.inv(tie.map(np.array([point.px])).d_px[0])
    values, vectors = np.linalg.eigh(back @ cov @ back.T)
    k = max(x.U95 / x.u, y.U95 / y.u) * _ROUND
    major, minor = (k * math.sqrt(max(float(v), 0.0)) for v in values[::-1])
    return major, minor, math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))


def quality_rows(tie: Tie, unit: str) -> Iterator[Row]:
    """Yield how far off the tie is at points that it was not made from, and what else shows how good it is."""
    small, per = small_unit(unit)
    if (q := tie.quality) is not None:
        x, y = (f"{to_unit(v, unit):.4g}" for v in q.max_at_mm)
        yield Row("Error, root mean square", number(per * q.rms_mm, per * _K95 * q.u_rms_mm, small))
        yield Row("Error that 95 % stay below", _alone(per * q.p95_mm, small))
        yield Row(f"Largest, ringed, at ({x}, {y}) {unit}", _alone(per * q.max_mm, small), is_worst=True)
        if q.rms_px is not None:
            yield Row("The same seen in the picture", _alone(q.rms_px, "px"))
    if (wide := widest(tie).value) is not None:
        yield Row("A length right across its region", in_unit(wide, unit))
    if tie.covered_share is not None:
        yield Row("Share of the picture covered", Number(f"{100 * tie.covered_share:.0f}", "", "%"))
    if tie.diagnostics.chi2_per_dof is not None:
        yield Row("χ² per degree of freedom", Number(f"{tie.diagnostics.chi2_per_dof:.2f}", "", "1"))


def _alone(value: float, unit: str) -> Number:
    """Return a number that describes a set and has no ± of its own: two figures."""
    return Number(value_and_pm(value, value)[0], "", unit)
