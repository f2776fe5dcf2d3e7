"""Rates of events among parts that were tried, with the bound that their number allows.

Clopper & Pearson, Biometrika 26 (1934) 404: exact, from the tails of the binomial law by quantiles of the beta law. One
part counts once: a part that is shown sixty times is no sixty parts.
"""

from dataclasses import dataclass

from scipy import special

from tiepoint.foundation.errors import UnusableInput

CONFIDENCE = 0.95
_MOST = 100_000_000


@dataclass(frozen=True, slots=True)
class Rate:
    """`events` of `n` parts: the share `value` (None of no part), its two-sided interval and its one-sided bounds.

    `at_most` and `at_least` each hold alone with the `confidence`; `low` and `high` together.
    """

    events: int
    n: int
    confidence: float
    value: float | None
    low: float
    high: float
    at_least: float
    at_most: float


@dataclass(frozen=True, slots=True)
class Agreed:
    """Whether a rate is shown to be `most` at most: `shown`, and how many `more` parts without an event it takes.

    `more` is None where it is shown, and where no number in reach would do.
    """

    name: str
    most: float
    rate: Rate
    shown: bool
    more: int | None


def rate(events: int, n: int, confidence: float = CONFIDENCE) -> Rate:
    """Return the rate of `events` among `n` parts."""
    if not 0 <= events <= n:
        raise UnusableInput(f"{events} of {n} parts cannot be; count each part once")
    if not 0.5 <= confidence < 1:
        raise UnusableInput(f"the confidence is {confidence:g}; choose 0.5 or more and below 1, as in 0.95")
    alpha = 1 - confidence
    return Rate(
        events,
        n,
        confidence,
        events / n if n else None,
        _low(events, n, alpha / 2),
        _high(events, n, alpha / 2),
        _low(events, n, alpha),
        _high(events, n, alpha),
    )


def agreed(name: str, found: Rate, most: float) -> Agreed:
    """Return whether a rate is shown to be `most` at most, by its one-sided bound."""
    if not 0 < most < 1:
        raise UnusableInput(f"the agreed {name} is {most:g}; give a share above 0 and below 1, as in 0.01")
    if found.at_most <= most:
        return Agreed(name, most, found, True, None)
    return Agreed(name, most, found, False, more_parts(found, most))


def more_parts(found: Rate, most: float) -> int | None:
    """Return how many further parts without an event would show the rate to be `most` at most; None beyond reach."""
    alpha = 1 - found.confidence
    if _high(found.events, _MOST, alpha) > most:
        return None
    low, high = found.n, _MOST
    while high - low > 1:
        middle = (low + high) // 2
        if _high(found.events, middle, alpha) <= most:
            high = middle
        else:
            low = middle
    return high - found.n


def _low(events: int, n: int, tail: float) -> float:
    return float(special.betaincinv(events, n - events + 1, tail)) if events else 0.0


def _high(events: int, n: int, tail: float) -> float:
    # By the complement where events are few: 1 − a number near 1 would lose the digits.
    return float(special.betainccinv(events + 1, n - events, tail)) if events < n else 1.0
