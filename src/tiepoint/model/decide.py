"""The decision rules: what a reading, its uncertainty and its limits allow to be said.

ISO 14253-1:2017 with p = 0.95: conformance is shown where the probability that the true value lies within
the limits is at least p, non-conformance where it is at most 1 - p. For one limit, or two that are far
apart, this is the guard band t(p, ν_eff)·u; for two near limits it is the probability itself (JCGM 106:2012,
7.4 and 8.3). One formula serves both, so nothing switches between them.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason, forbidding, in_short
from tiepoint.foundation.sources import coverage_factor
from tiepoint.foundation.units import parse_length, to_unit

Verdict = Literal["conforms", "rejected", "undecided", "unread"]

ISO = "iso14253-1"
SIMPLE = "simple"


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a quantity (either may be open), the decision rule and its probability.

    `rule` is `iso14253-1`, `simple` (no guard band) or `guard:<length>`. Limits belong to conformance.
    """

    lower: float | None = None
    upper: float | None = None
    rule: str = ISO
    p: float = 0.95

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise UnusableInput("limits state neither lower nor upper; give at least one")
        for name, limit in (("lower", self.lower), ("upper", self.upper)):
            if limit is not None and not math.isfinite(limit):
                raise UnusableInput(f"limits.{name} is {limit}; give a finite number or leave it out")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise UnusableInput(
                f"limits are upside down: lower {self.lower:g} is above upper {self.upper:g}; exchange them"
            )
        if not 0.5 < self.p < 1:
            raise UnusableInput(f"the decision rule's p is {self.p:g}; choose above 0.5 and below 1")
        if self.rule not in (ISO, SIMPLE):
            guard_mm(self.rule)

    @property
    def width(self) -> float:
        """Distance between the limits; infinite where one is open."""
        return math.inf if self.lower is None or self.upper is None else self.upper - self.lower


@dataclass(frozen=True, slots=True)
class Prospect:
    """Whether any part could be shown to conform at this uncertainty, said before the first one is measured."""

    possible: bool
    smallest_tolerance: float
    sentence: str


def guard_mm(rule: str) -> float:
    """Return the fixed guard band, in mm, of a rule written `guard:<length>`."""
    name, _, length = rule.partition(":")
    if name != "guard" or not length:
        raise UnusableInput(f"the decision rule {rule!r} is not known; use {ISO}, {SIMPLE} or guard:0.01mm")
    guard = parse_length(length)
    if guard < 0:
        raise UnusableInput(f"the guard band of {rule!r} is negative; choose 0mm or more")
    return guard


def probability_of_conformance(value: float, u: float, dof: float, limits: Limits) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106, 7.4, with t for finite dof)."""
    if u == 0:
        return float(_within(value, limits, 0.0))
    # Tails, not 1 - tails: a probability near 1 would lose the digits that the rule looks at.
    below = 0.0 if limits.lower is None else _cdf((limits.lower - value) / u, dof)
    above = 0.0 if limits.upper is None else _cdf((value - limits.upper) / u, dof)
    return max(0.0, 1.0 - below - above)


def decide(value: float, u: float, dof: float, limits: Limits, unit: str = "mm") -> Verdict:
    """Return the verdict on an unrounded value. A value that is not finite is `unread`.

    Value, u and limits are in `unit`, which matters only to a guard band of fixed length.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0 and dof > 0):
        return "unread"
    if limits.rule == SIMPLE:
        return "conforms" if _within(value, limits, 0.0) else "rejected"
    if limits.rule != ISO:
        guard = to_unit(guard_mm(limits.rule), unit)
        if _within(value, limits, guard):
            return "conforms"
        return "undecided" if _within(value, limits, -guard) else "rejected"
    return by_probability(probability_of_conformance(value, u, dof, limits), limits.p)


def by_probability(probability: float, p: float) -> Verdict:
    """Return the verdict that a probability of lying within the limits gives, by a rule that asks for `p`."""
    if probability >= p:
        return "conforms"
    return "rejected" if probability <= 1 - p else "undecided"


def acceptance_limits(u: float, dof: float, limits: Limits, unit: str = "mm") -> tuple[float | None, float | None]:
    """Return the lowest and highest value that would conform; (None, None) where none could.

    For one limit, or far ones, these are limit ± t(p, dof)·u.
    """
    guard = _guard(u, dof, limits, unit)
    if limits.lower is None or limits.upper is None:
        return (
            None if limits.lower is None else limits.lower + guard,
            None if limits.upper is None else limits.upper - guard,
        )
    middle = (limits.lower + limits.upper) / 2
    if decide(middle, u, dof, limits, unit) != "conforms":
        return None, None
    if limits.rule != ISO or u == 0:
        return limits.lower + guard, limits.upper - guard
    # Bisect between the middle, which conforms, and the limit, which does not.
    inside, outside = middle, limits.upper
    for _ in range(200):
        trial = (inside + outside) / 2
        if probability_of_conformance(trial, u, dof, limits) >= limits.p:
            inside = trial
        else:
            outside = trial
    reach = inside - middle
    return middle - reach, middle + reach


def prospect(u: float, dof: float, limits: Limits, unit: str = "mm") -> Prospect:
    """Say whether a part at the middle of its tolerance could conform, and the smallest tolerance that could."""
    smallest = _smallest_tolerance(u, dof, limits, unit)
    possible = limits.width >= smallest
    if possible:
        return Prospect(True, smallest, f"Tolerances down to {smallest:.3g} wide can be shown to conform.")
    return Prospect(
        False,
        smallest,
        f"No part can ever conform: the limits are {limits.width:.3g} apart, and at this uncertainty "
        f"({u:.2g}, one standard deviation) the smallest tolerance that could be shown to conform is {smallest:.3g}.",
    )


def as_flagged(verdict: Verdict | None, flags: Iterable[str]) -> tuple[Verdict | None, Reason | None]:
    """Return the verdict as far as a reading's flags let it stand, and the reason where they do not.

    Where the ± may not hold, nothing is shown to conform, whatever the rule. What is rejected stays so: a part is not
    passed because its measurement is doubtful.
    """
    against = forbidding(flags) if verdict == "conforms" else ()
    if not against:
        return verdict, None
    return "undecided", Reason("doubtful", {"flags": " ".join(against), "says": in_short(against)})


def overall(verdicts: list[Verdict | None]) -> Verdict:
    """Return the verdict of a record from those of its readings; nothing judged is `unread`."""
    judged = [v for v in verdicts if v is not None]
    for verdict in ("rejected", "unread", "undecided"):
        if verdict in judged:
            return verdict
    return "conforms" if judged else "unread"


def _cdf(z: float, dof: float) -> float:
    return float(special.ndtr(z)) if dof == math.inf else float(special.stdtr(dof, z))


def _within(value: float, limits: Limits, guard: float) -> bool:
    above = limits.lower is None or value >= limits.lower + guard
    return above and (limits.upper is None or value <= limits.upper - guard)


def _guard(u: float, dof: float, limits: Limits, unit: str) -> float:
    if limits.rule == SIMPLE:
        return 0.0
    return coverage_factor(limits.p, dof) * u if limits.rule == ISO else to_unit(guard_mm(limits.rule), unit)


def _smallest_tolerance(u: float, dof: float, limits: Limits, unit: str) -> float:
    if limits.rule != ISO:
        return 2 * _guard(u, dof, limits, unit)
    return 2 * coverage_factor((1 + limits.p) / 2, dof) * u
