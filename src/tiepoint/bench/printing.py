"""A print of a target: never quite at 100 %, and measured by a person with a rule that is not quite right either."""

import math
from dataclasses import dataclass

import numpy as np

from tiepoint.targets.draw import Measured, Target

HOW_PRINTS_MISS = (-0.0020, 0.0012)
"""Mean and spread of a print's scale error per axis: a printer that "fits to page" a little, and swelling paper."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What the bars are measured with. The scale error is common to both bars, the reading error is not."""

    name: str = "rule no 12"
    u_scale: float = 5e-5
    u_reading_mm: float = 0.05
    step_mm: float = 0.01


@dataclass(frozen=True)
class PrintedTarget:
    """A target on paper: true scales, true bars, and what a person read off them.

    `u_mm` is the standard uncertainty of one reading: rule's scale, reading and step in quadrature.
    """

    target: Target
    scale_x: float
    scale_y: float
    rule: Rule
    rule_scale_error: float
    reading_x_mm: float
    reading_y_mm: float

    @property
    def true_x_mm(self) -> float:
        """True length of the bar along x."""
        return self.target.bar_x_mm * self.scale_x

    @property
    def true_y_mm(self) -> float:
        """True length of the bar along y."""
        return self.target.bar_y_mm * self.scale_y

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of the longer bar's reading."""
        longest = max(self.target.bar_x_mm, self.target.bar_y_mm)
        return math.hypot(self.rule.u_reading_mm, self.rule.step_mm / math.sqrt(12), self.rule.u_scale * longest)

    def measured(self, when_utc: str) -> Measured:
        """Return the readings in the form in which a target keeps them."""
        return Measured(self.reading_x_mm, self.reading_y_mm, self.u_mm, self.rule.name, when_utc)


def print_target(
    target: Target, seed: int, *, scale: tuple[float, float] | None = None, rule: Rule | None = None
) -> PrintedTarget:
    """Return a print of the target. Without `scale` (x, y), scales are drawn as printers miss them."""
    rule = rule or Rule()
    rng = np.random.default_rng(seed)
    mean, spread = HOW_PRINTS_MISS
    drawn = 1 + mean + spread * rng.standard_normal(2)
    scale_x, scale_y = scale or (float(drawn[0]), float(drawn[1]))
    error = rule.u_scale * float(rng.standard_normal())
    slips = rule.u_reading_mm * rng.standard_normal(2)
    true = np.array([target.bar_x_mm * scale_x, target.bar_y_mm * scale_y])
    # A rule that is long by `error` reads too little.
    readings = np.round((true / (1 + error) + slips) / rule.step_mm) * rule.step_mm
    return PrintedTarget(target, scale_x, scale_y, rule, error, float(readings[0]), float(readings[1]))
