"""Numbers and verdicts as a person reads them on a terminal."""

import math
import re
from collections.abc import Iterator

from tiepoint.cli.answer import table
from tiepoint.foundation.rounding import decimals_of, fixed, value_and_pm, with_unit
from tiepoint.foundation.sources import Value, budget
from tiepoint.foundation.units import to_unit
from tiepoint.foundation.words import as_first, inside
from tiepoint.model.reading import Reading
from tiepoint.model.record import Grip
from tiepoint.recipe.wording import figures_of, one_line, said_flags, unit_of
from tiepoint.report.causes import largest
from tiepoint.report.figures import per_cent
from tiepoint.station.words import limits_said

MARKS = {"conforms": "●", "rejected": "◆", "undecided": "◐", "unread": "○"}
"""A shape for each verdict, so that a photocopy tells them apart too."""


def plain(text: str) -> str:
    """Return text as a terminal copies it: ordinary spaces, and none inside a number."""
    return re.sub("[\u2009\u202f\u00a0]", " ", re.sub(r"(?<=\d)[\u2009\u202f](?=\d)", "", text))


def mm(value: Value, unit: str = "mm") -> str:
    """Return a length in mm as `12.345 ± 0.012 mm`, in the unit asked for."""
    return plain(with_unit(to_unit(value.value, unit), to_unit(value.U95, unit), unit))


def verdict(word: str) -> str:
    """Return a verdict with its mark."""
    return f"{MARKS[word]} {word}"


def budget_lines(value: Value, unit: str = "mm") -> Iterator[str]:
    """Yield what the ± is made of, largest first: label, share of the variance, standard uncertainty."""
    rows = largest(_by_label(value))
    if not rows:
        return
    yield f"What {_pm(value, unit)} {unit} is made of ({_interval(value.dof)}):"
    shown = [
        (as_first(label), share_of(v / value.u**2), f"u {figures(to_unit(math.sqrt(v), unit))} {unit}")
        for label, (v,) in rows
    ]
    yield from table(shown, frozenset({1}))


def _pm(value: Value, unit: str) -> str:
    return plain(value_and_pm(to_unit(value.value, unit), to_unit(value.U95, unit))[1])


def _by_label(value: Value) -> dict[str, tuple[float]]:
    """Return variances by label: causes of one name are one row to a person."""
    variances: dict[str, float] = {}
    for row in budget(value):
        variances[row.label] = variances.get(row.label, 0.0) + row.u**2
    return {label: (v,) for label, v in variances.items()}


def reading_row(reading: Reading) -> tuple[str, ...]:
    """Return one reading as cells: name, value, ±, unit, limits, verdict, what there is to know of it."""
    name = f"{reading.name} {reading.quantity.replace('_', ' ')}"
    limits = "" if reading.limits is None else limits_said(reading.limits.lower, reading.limits.upper)
    judged = verdict(reading.verdict) if reading.verdict else ""
    if reading.text is not None:
        expected = f"{one_line(reading.expected)} expected" if reading.expected is not None else ""
        why = reading.reason.sentence if reading.reason else ""
        remarks = "; ".join(part for part in (why, said_flags(reading)) if part)
        return name, one_line(reading.text), "", "", expected, judged, remarks
    if reading.value is None:
        return name, "no value", "", "", limits, judged, reading.reason.sentence if reading.reason else ""
    value, pm = map(plain, figures_of(reading))
    remarks = "; ".join(part for part in (_dominates(reading), said_flags(reading)) if part)
    return name, value, pm, unit_of(reading), limits, judged, remarks


def _dominates(reading: Reading) -> str:
    by_label: dict[str, float] = {}
    for term in reading.sources:
        by_label[term.label] = by_label.get(term.label, 0.0) + (term.c * term.u) ** 2
    total = math.fsum(by_label.values())
    if total <= 0:
        return ""
    label = max(by_label, key=lambda k: by_label[k])
    return f"mostly {inside(label)} ({share_of(by_label[label] / total)})"


def share_of(share: float) -> str:
    """Return a share as per cent."""
    return plain(per_cent(share))


def figures(u: float) -> str:
    """Return an uncertainty or an error with two significant figures."""
    return plain(fixed(u, decimals_of(u)))


def _interval(dof: float) -> str:
    return "95 % interval" if math.isinf(dof) or dof > 200 else f"95 % interval, {dof:.3g} degrees of freedom"


def grip_line(grip: Grip) -> str:
    """Return a grip as a line: where the gripper is to go in the robot's frame, or why it is not to."""
    if grip.robot_from_grip is None or grip.U is None or grip.turn_deg is None:
        return f"grip {grip.name}: none. {grip.reason.sentence if grip.reason else ''}".rstrip()
    x, y, z = grip.robot_from_grip.position_mm
    said = zip("xyz", (x, y, z), grip.U[:3], strict=True)
    places = ", ".join(f"{name} {value:.2f} ± {U:.2f}" for name, value, U in said)
    age = "" if grip.age_s is None else f", {grip.age_s:.2f} s old"
    return f"grip {grip.name}: {places} mm, turn {grip.turn_deg:.2f} ± {grip.U[3]:.2f}°, in the robot's frame{age}"
