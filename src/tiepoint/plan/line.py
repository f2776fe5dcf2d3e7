"""One line of a plan's sheet."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

State = Literal["fine", "caution", "fault"]
Group = Literal["field", "lens", "sharpness", "motion", "light", "height", "uncertainty"]


@dataclass(frozen=True, slots=True)
class Line:
    """A number of the plan: `value` ± `U` (95 %, None where the inputs carry no bounds) in `unit`.

    `how`: the arithmetic with its numbers. `source`: whose formula or rule that is. `says`: the sentence beside a state
    that is not fine. `chosen`: not stated by the person, but chosen.
    """

    key: str
    group: Group
    label: str
    value: float | None
    unit: str
    U: float | None
    how: str
    source: str
    state: State = "fine"
    says: str = ""
    text: str = ""
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """Numbers and their U by key, from which lines are made."""

    numbers: Mapping[str, float]
    spread: Mapping[str, float]

    def line(
        self,
        key: str,
        group: Group,
        label: str,
        unit: str,
        how: str,
        source: str,
        verdict: tuple[State, str] = ("fine", ""),
        *,
        chosen: bool = False,
    ) -> Line:
        """Return the line of a number by its key."""
        value = self.numbers[key]
        # Below a millionth of the value is the rounding of the difference, and no bound.
        U = self.spread.get(key, 0.0)
        told = U if math.isfinite(U) and 1e-6 * abs(value) < U else None
        return Line(key, group, label, value, unit, told, how, source, *verdict, chosen=chosen)


def g(value: float) -> str:
    """Return a number as arithmetic shows it: four significant figures, no exponent where none is needed."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    if 1e-4 <= abs(value) < 1e7:
        decimals = max(0, 3 - math.floor(math.log10(abs(value))))
        text = f"{value:.{decimals}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value:.3e}"


def g2(value: float | None) -> str:
    """Return a number with two significant figures, as uncertainties have."""
    return "" if value is None else g(float(f"{value:.2g}"))
