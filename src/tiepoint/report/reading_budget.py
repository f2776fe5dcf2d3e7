"""What the ± of a kept reading is made of, from the record alone, as a person who works it out again needs it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tiepoint.foundation.rounding import HOLD, value_and_pm
from tiepoint.foundation.words import as_first
from tiepoint.report.causes import largest
from tiepoint.report.tie_numbers import Cause

_MANY_DOF = 1e4
"""So many degrees of freedom are as good as infinitely many: t differs from the normal's by 2e-4."""


@dataclass(frozen=True, slots=True)
class ReadingBudget:
    """Causes, largest first, each with its u as text; `says`: how ± comes from the standard uncertainty."""

    causes: tuple[Cause, ...]
    says: str


NOTHING = ReadingBudget((), "")


def budget_of_reading(reading: Mapping[str, Any], unit: str) -> ReadingBudget:
    """Return what the ± of a reading in a record is made of; `unit` as it is written. Nothing where it has no ±."""
    u, U = reading.get("u"), reading.get("U95")
    if not u or not U:
        return NOTHING
    by_label: dict[str, list[float]] = {}
    for term in reading.get("sources", ()):
        by_label.setdefault(term["label"], []).append((term["c"] * term["u"]) ** 2)
    rows = largest({label: (math.fsum(parts),) for label, parts in by_label.items()})
    total = math.fsum(v for _, (v,) in rows)
    causes = tuple(Cause(as_first(label), (_text(math.sqrt(v)),), v / total) for label, (v,) in rows)
    held = HOLD.join(part for part in (_text(u), unit) if part)
    return ReadingBudget(causes, f"± is {U / u:.3f} times the standard uncertainty u = {held}, {_by(reading)}.")


def _by(reading: Mapping[str, Any]) -> str:
    method, dof = reading.get("method", "linear"), reading.get("dof")
    if method == "convolution":
        return "as far as 95 % of the sum of these causes reaches, not all of which are normal (JCGM 101)"
    if method == "monte-carlo":
        return "as far as 95 % of draws of these causes reach, since the formula is not straight (JCGM 101)"
    if dof is None or dof > _MANY_DOF:
        return "by the normal distribution at 95 %"
    return f"by Student's t at 95 % for {dof:.3g} degrees of freedom (JCGM 100, G.2b)"


def _text(u: float) -> str:
    return value_and_pm(u, u)[0]
