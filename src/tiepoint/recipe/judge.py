"""From what a step told to a reading: units, propagation where the linear law fails, verdict."""

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.convolution import Convolved
from tiepoint.foundation.montecarlo import Propagated, drawn, propagate
from tiepoint.foundation.once import cached_property
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value, Values
from tiepoint.foundation.units import MM_PER
from tiepoint.model.decide import ISO, Limits, Verdict, by_probability, decide
from tiepoint.model.reading import Reading
from tiepoint.recipe.context import Said, Told
from tiepoint.recipe.features import Derived
from tiepoint.recipe.kinds import Quantity
from tiepoint.recipe.recipe import Recipe, Step
from tiepoint.recipe.schema import limits_of

Array = NDArray[np.float64]

MOST_DRAWS = 50_000
"""An end of a 95 % interval from so many draws repeats within a per cent of u, in some hundredths of a second."""


@dataclass(frozen=True)
class Asked:
    """One quantity of a step as the recipe asks for it: its unit, its factor from ground units, its limits.

    `expected`: what a text is judged by, in words.
    """

    step: Step
    quantity: Quantity
    unit: str
    factor: float
    limits: Limits | None
    expected: str | None = None

    @property
    def id(self) -> str:
        """The id of the reading within its record."""
        return f"{self.step.name}.{self.quantity.name}"

    @cached_property
    def is_mm(self) -> bool:
        """Whether it is a length or an area in the plane."""
        return self.quantity.dimension in ("length", "area") and self.step.base == "plane"

    @property
    def label(self) -> str:
        """What a sentence calls it: the step's name, with the quantity where it is not the first of its kind."""
        first = self.step.kind.quantities[0].name
        return self.step.name if self.quantity.name == first else f"{self.step.name} {self.quantity.name}"

    @cached_property
    def _of_recipe(self) -> dict[str, object]:
        return {
            "id": self.id,
            "name": self.step.name,
            "kind": self.step.kind.kind,
            "quantity": self.quantity.name,
            "unit": self.unit,
            "step": self.step.name,
            "frame": self.step.frame,
            "drawing": self.step.table.drawing,
            "expected": self.expected,
        }

    def describe(self, operator: str | None, flags: tuple[str, ...]) -> dict[str, object]:
        """Return the fields of the reading that do not depend on the value."""
        return {**self._of_recipe, "operator": operator, "flags": flags}


def asked_of(recipe: Recipe, step: Step) -> list[Asked]:
    """Return the quantities that a step is to read: those always read, with limits, or asked for, in their order."""
    table, rule = step.table, recipe.rule_of(step)
    asked = []
    for quantity in step.kind.quantities:
        if quantity.always or quantity.name in table.limits or quantity.name in table.readings:
            unit = recipe.unit_of(step, quantity.dimension)
            limits = limits_of(table, quantity.name, rule)
            asked.append(Asked(step, quantity, unit, _factor(unit), limits, table.expects(quantity.name)))
    return asked


def read(asked: Asked, told: Told, operator: str | None, flags: tuple[str, ...], prefix: str) -> Reading:
    """Return the reading of what a step told in ground units."""
    about = asked.describe(operator, flags)
    if isinstance(told, Derived):
        return _read_formula(asked, told, about, prefix)
    if isinstance(told, Value):
        value = told.times(asked.factor)
        if math.isfinite(value.value) and math.isfinite(value.u):
            return Reading.of(value, limits=asked.limits, **about)
        told = Reason("not_a_number")
    if isinstance(told, Said):
        expected = asked.expected if told.expected is None else told.expected
        return Reading.of_text(told.text, told.verdict, told.reason, **{**about, "expected": expected})
    return Reading.without(told, limits=asked.limits, **about)


def _read_formula(asked: Asked, told: Derived, about: dict[str, object], prefix: str) -> Reading:
    name, joint = f"{prefix}/{asked.quantity.name}", told.joint
    out = propagate(told.formula, joint, seed=seed_of(name), name=name, at_least=told.at_least, max_draws=MOST_DRAWS)
    if out.reason is not None or not math.isfinite(out.value.value):
        return Reading.without(out.reason or Reason("not_a_number"), limits=asked.limits, **about)
    if out.method == "linear":
        return Reading.of(out.value.times(asked.factor), limits=asked.limits, **about)
    value = out.value if out.method == "convolution" else _by_source(told.formula, joint, out.value)
    reading = Reading.of(value.times(asked.factor), limits=asked.limits, **about)
    verdict = None if asked.limits is None else _decide_by_shape(asked, asked.limits, told, out, name)
    return replace(reading, U95=out.half_width * asked.factor, method=out.method).judged(verdict)


def _by_source(formula: Callable[[Array], Array], joint: Values, value: Value) -> Value:
    """Return a value whose u is laid on its causes, where the derivative says nothing about them.

    Near zero a distance grows whichever way a source errs: its derivative vanishes there, and the linear law would
    put everything down to what it misses. So each source counts by the rms of what ±u of it alone does, scaled so that
    together they make the u that the draws gave.
    """
    u, steps = joint.u, joint.c * joint.u
    ends = formula(np.concatenate([joint.value[:, None] + steps, joint.value[:, None] - steps], axis=1))
    up, down = ends[: u.size] - value.value, ends[u.size :] - value.value
    effect = np.where(np.isfinite(up) & np.isfinite(down), np.hypot(up, down) / math.sqrt(2.0), 0.0)
    whole = float(np.hypot.reduce(effect))
    if not whole > 0:
        return value
    signed = np.where(up >= down, 1.0, -1.0) * effect * (value.u / whole) / np.where(u > 0, u, 1.0)
    return joint.known_by(value.value, signed)


def _decide_by_shape(asked: Asked, limits: Limits, told: Derived, out: Propagated, name: str) -> Verdict:
    """Return the verdict where the distribution is not that of Student: by how much of it lies within the limits.

    The same formula as for Student's (decision 0008; JCGM 106:2012, 7.4), so a second limit that is far off changes
    nothing. A quantity with a bound is drawn too far from it on average: its draws are counted as they are and with
    that taken off, and a verdict is given where both agree.
    """
    if limits.rule != ISO:
        return decide(out.value.value * asked.factor, 0.0, math.inf, limits, asked.unit)
    # No distribution has more than 1 - p beyond this many of its rms from the value (Chebyshev): mostly that will do.
    reach = out.value.u / math.sqrt(1.0 - limits.p)
    sure = _between((out.value.value - reach) * asked.factor, (out.value.value + reach) * asked.factor, limits)
    if sure != "undecided":
        return sure
    if out.distribution is not None:
        return by_probability(_convolved_within(out.distribution, limits, asked.factor), limits.p)
    draws = drawn(told.formula, told.joint, seed=seed_of(name), draws=MOST_DRAWS) * asked.factor
    shifts = (0.0,) if told.at_least is None else (0.0, 2.0 * max(out.mean - out.value.value, 0.0) * asked.factor)
    verdicts = {by_probability(_share_within(draws - shift, limits), limits.p) for shift in shifts}
    return verdicts.pop() if len(verdicts) == 1 else "undecided"


def _convolved_within(distribution: Convolved, limits: Limits, factor: float) -> float:
    """Return the probability of lying within the limits, which are in the reading's unit."""
    above = 1.0 if limits.upper is None else distribution.below(limits.upper / factor)
    below = 0.0 if limits.lower is None else distribution.below(limits.lower / factor)
    return max(above - below, 0.0)


def _share_within(draws: Array, limits: Limits) -> float:
    """Return the share of draws (n,) within the limits; one without an answer lies within none."""
    within = np.isfinite(draws)
    if limits.lower is not None:
        within &= draws >= limits.lower
    if limits.upper is not None:
        within &= draws <= limits.upper
    return float(np.mean(within))


def _between(low: float, high: float, limits: Limits) -> Verdict:
    """Return the verdict on a value that lies between two bounds."""
    above = limits.lower is None or low >= limits.lower
    below = limits.upper is None or high <= limits.upper
    if above and below:
        return "conforms"
    beyond = (limits.upper is not None and low > limits.upper) or (limits.lower is not None and high < limits.lower)
    return "rejected" if beyond else "undecided"


def stays_below(asked: Asked, p: float, told: Derived, name: str) -> float:
    """Return the value that the quantity stays below with probability p (in the reading's unit)."""
    draws = drawn(told.formula, told.joint, seed=seed_of(name), draws=MOST_DRAWS)
    known = np.where(np.isfinite(draws), draws, np.inf)
    return float(np.quantile(known, p, method="higher")) * asked.factor


def seed_of(name: str) -> int:
    """Return a seed that is always the same for the same name."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")


def _factor(unit: str) -> float:
    if unit == "deg":
        return 180.0 / math.pi
    if unit.endswith("2"):
        return _factor(unit[:-1]) ** 2
    return 1.0 / MM_PER[unit] if unit in MM_PER else 1.0
