"""The one way in which a number is written for a person: value to the place of its ±, true minus, thin groups.

± is U at 95 % with two significant figures, and the value ends at the same place (JCGM 100:2008, 7.2.6). An uncertainty
is better stated too large than too small (ibid.): U is rounded up, and down only where that takes off less than a
twentieth of its last figure, which is half a per cent of U at most. A verdict is judged on the unrounded value, so
rounding must not carry the printed one to a limit or across: both get more decimals until it does not.
"""

import math
from collections.abc import Iterable

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"
HOLD = "\N{NO-BREAK SPACE}"
MOST_DECIMALS = 9
LITTLE = 0.05
"""Of a unit in the last figure of U: what may be rounded down."""
NO_NEWS = 1e-3
"""A value this share of U beside a limit stands on it, to a person and to every rule that takes U into account."""


def fixed(value: float, decimals: int) -> str:
    """Return a number with a fixed count of decimals, a true minus and thin groups from five digits on.

    Decimals below 0 round to tens, hundreds and so on.
    """
    text = f"{abs(round(value, decimals) if decimals < 0 else value):.{max(0, decimals)}f}"
    whole, dot, rest = text.partition(".")
    grouped = f"{int(whole):,}".replace(",", THIN) if len(whole) > 4 else whole
    # A rounded zero has no sign.
    sign = MINUS if value < 0 and float(text) != 0 else ""
    return f"{sign}{grouped}{dot}{rest}"


def decimals_of(number: float, figures: int = 2) -> int:
    """Return the decimals that show a number with so many significant figures; 0 where it has none to show."""
    if not (math.isfinite(number) and number > 0):
        return 0
    # Rounded first: 0.0996 has the two figures 0.10, not 0.100.
    exponent = math.floor(math.log10(float(f"{number:.{figures - 1}e}")))
    return min(MOST_DECIMALS, max(0, figures - 1 - exponent))


def value_and_pm(
    value: float, U: float | None, limits: Iterable[float | None] = (), *, exactly: bool = False
) -> tuple[str, str]:
    """Return a value and its ± as text, to the same place; the second is empty where there is no U.

    Both get more decimals while the rounded value stands on another side of one of `limits` than the value does. Within
    `NO_NEWS` of U of a limit a value counts as on it, unless `exactly` (for rules that do not ask for U).
    """
    if not (U and math.isfinite(U) and U > 0):
        decimals, near = _enough(value), 0.0
    else:
        decimals, near = _place_of(U), 0.0 if exactly else NO_NEWS * U
    bounds = [limit for limit in limits if limit is not None]
    while decimals < MOST_DECIMALS and any(
        _side(round(value, decimals), b, near) != _side(value, b, near) for b in bounds
    ):
        decimals += 1
    return fixed(value, decimals), f"±{THIN}{fixed(rounded_up(U, decimals), decimals)}" if U else ""


def with_unit(value: float, U: float | None, unit: str) -> str:
    """Return `12.345 ± 0.012 mm` as running text; a unit of `1` is left out."""
    number, pm = value_and_pm(value, U)
    return HOLD.join(part for part in (number, pm, "" if unit == "1" else unit) if part)


def rounded_up(U: float, decimals: int) -> float:
    """Return U to so many decimals (below 0: tens and so on), down where that takes off little, else up."""
    if not math.isfinite(U):
        return U
    scaled = U * 10.0**decimals
    return math.ceil(scaled - LITTLE) / 10.0**decimals


def _place_of(U: float) -> int:
    """Return the decimals at which U has two significant figures once it is rounded; below 0 for 100 and more."""
    decimals = 1 - math.floor(math.log10(U))
    # 0.0996 becomes 0.10: one decimal less.
    return min(MOST_DECIMALS, decimals - (round(rounded_up(U, decimals) * 10.0**decimals) >= 100))


def _side(value: float, limit: float, near: float) -> int:
    if math.isclose(value, limit, rel_tol=1e-12, abs_tol=near):
        return 0
    return 1 if value > limit else -1


def _enough(value: float, most: int = 4) -> int:
    return next((k for k in range(most) if math.isclose(round(value, k), value, rel_tol=1e-9, abs_tol=1e-12)), most)


def short(value: float) -> str:
    """Return a graduation's number: no more decimals than it has."""
    return fixed(value, _enough(value, 6))
