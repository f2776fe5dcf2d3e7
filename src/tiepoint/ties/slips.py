"""What a typed number may have been meant to be: the usual slips of fingers, undone one at a time."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

SlipKind = Literal["digits", "point", "sign", "wrong-digit", "missing-digit", "extra-digit"]

SHARE: Final[dict[SlipKind, float]] = {
    "digits": 0.30,
    "point": 0.20,
    "sign": 0.20,
    "wrong-digit": 0.15,
    "missing-digit": 0.075,
    "extra-digit": 0.075,
}
"""How often each kind is the one that happened (common practice; only their order of size matters)."""

WORDS: Final[dict[SlipKind, str]] = {
    "digits": "two digits exchanged",
    "point": "the decimal point moved",
    "sign": "the sign is wrong",
    "wrong-digit": "one digit wrong",
    "missing-digit": "a digit left out",
    "extra-digit": "a digit too many",
}

_SHIFTS = (1, -1, 2, -2, 3, -3)
_LONG = 9
"""A number of more digits was computed, not typed: only three of its decimals can have been."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A value that may have been meant, how the typed text departs from it, and how likely that is among slips."""

    value: float
    kind: SlipKind
    share: float


def typed_text(value: float) -> str:
    """Return how a person would have typed a number that reached us without its text."""
    text = f"{value:.15g}"
    if "e" in text or sum(c.isdigit() for c in text) > _LONG:
        text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


@lru_cache(maxsize=4096)
def slips(text: str) -> tuple[Slip, ...]:
    """Return every other number that a single slip could have turned into `text` (decimal point, no exponent)."""
    negative = text.startswith("-")
    body = text.lstrip("+-")
    if not body or not body.replace(".", "", 1).isdigit():
        return ()
    found: dict[float, tuple[SlipKind, float]] = {}
    typed = _number(body, negative)
    for kind, candidates in _by_kind(body, negative):
        values = {v for v in candidates if v != typed and math.isfinite(v)}
        for value in sorted(values):
            share = SHARE[kind] / len(values)
            if value not in found or found[value][1] < share:
                found[value] = (kind, share)
    return tuple(Slip(value, kind, share) for value, (kind, share) in found.items())


def _by_kind(body: str, negative: bool) -> Iterator[tuple[SlipKind, list[float]]]:
    def number(changed: str) -> float:
        return _number(changed, negative)

    yield "digits", [number(b) for b in _exchanged(body)]
    yield "point", [number(b) for b in _shifted(body)]
    yield "sign", [_number(body, not negative)]
    places = [k for k, c in enumerate(body) if c.isdigit()]
    yield "wrong-digit", [number(body[:k] + d + body[k + 1 :]) for k in places for d in "0123456789"]
    yield "missing-digit", [number(body[:k] + d + body[k:]) for k in range(len(body) + 1) for d in "0123456789"]
    yield "extra-digit", [number(body[:k] + body[k + 1 :]) for k in places if len(places) > 1]


def _exchanged(body: str) -> Iterator[str]:
    """Neighbouring digits exchanged; a decimal point between them does not part them."""
    places = [k for k, c in enumerate(body) if c.isdigit()]
    for i, j in itertools.pairwise(places):
        letters = list(body)
        letters[i], letters[j] = letters[j], letters[i]
        yield "".join(letters)


def _shifted(body: str) -> Iterator[str]:
    """The decimal point moved by one to three places, as exact text so that no rounding creeps in."""
    whole, _, part = body.partition(".")
    digits, point = whole + part, len(whole)
    for shift in _SHIFTS:
        at = point + shift
        padded = "0" * max(-at, 0) + digits + "0" * max(at - len(digits), 0)
        at = max(at, 0)
        yield f"{padded[:at] or '0'}.{padded[at:]}"


def _number(body: str, negative: bool) -> float:
    try:
        value = float(body)
    except ValueError:
        return math.nan
    return -value if negative else value
