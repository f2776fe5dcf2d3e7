"""How a number is written for a person: value to the decimals of its ±, true minus, thin groups, unit apart.

± is U at 95 % with two significant figures (JCGM 100:2008, 7.2.6). A verdict is judged on the unrounded
value, so rounding must not carry the printed one across a limit: it gets more decimals until it does not.
"""

import math
from collections.abc import Iterable

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"
HOLD = "\N{NO-BREAK SPACE}"
MOST_DECIMALS = 9


def fixed(value: float, decimals: int) -> str:
    """Return a number with a fixed count of decimals, a true minus and thin groups from five digits on."""
    text = f"{abs(value):.{max(0, decimals)}f}"
    whole, dot, rest = text.partition(".")
    grouped = f"{int(whole):,}".replace(",", THIN) if len(whole) > 4 else whole
    # A rounded zero has no sign.
    sign = MINUS if value < 0 and float(text) != 0 else ""
    return f"{sign}{grouped}{dot}{rest}"


def decimals_of(U: float, figures: int = 2) -> int:
    """Return the decimals that show `U` with so many significant figures; 0 where it has none to show."""
    if not (math.isfinite(U) and U > 0):
        return 0
    # Rounded first: 0.0996 has the two figures 0.10, not 0.100.
    exponent = math.floor(math.log10(float(f"{U:.{figures - 1}e}")))
    return min(MOST_DECIMALS, max(0, figures - 1 - exponent))


def value_and_pm(value: float, U: float | None, limits: Iterable[float | None] = ()) -> tuple[str, str]:
    """Return a value and its ± as text, to the same decimals; the second is empty where there is no U.

    Decimals are added while the rounded value stands on another side of one of `limits` than the value does.
    """
    decimals = decimals_of(U) if U else _enough(value)
    bounds = [limit for limit in limits if limit is not None]
    while decimals < MOST_DECIMALS and any(_side(round(value, decimals), b) != _side(value, b) for b in bounds):
        decimals += 1
    return fixed(value, decimals), f"±{THIN}{fixed(U, decimals)}" if U else ""


def with_unit(value: float, U: float | None, unit: str) -> str:
    """Return `12.345 ± 0.012 mm` as running text; a unit of `1` is left out."""
    number, pm = value_and_pm(value, U)
    return HOLD.join(part for part in (number, pm, "" if unit == "1" else unit) if part)


def per_cent(share: float) -> str:
    """Return a share as per cent: whole from 10 % on, one decimal below, never a bare 0 for something."""
    hundred = 100 * share
    if 0 < hundred < 0.05:
        return f"below 0.1{THIN}%"
    return f"{fixed(hundred, 0 if hundred >= 9.95 else 1)}{THIN}%"


def nice_step(span: float, most: float) -> float:
    """Return the smallest of 1, 2, 5 · 10^k that divides `span` into at most `most` steps."""
    if not (math.isfinite(span) and span > 0):
        return 1.0
    decade = 10.0 ** math.floor(math.log10(span / most))
    return next(m * decade for m in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (m * decade) <= most)


def short(value: float) -> str:
    """Return a graduation's number: no more decimals than it has."""
    return fixed(value, _enough(value, 6))


def counted(n: int, one: str, many: str | None = None) -> str:
    """Return `1 plate`, `25 plates`."""
    return f"{fixed(n, 0)} {one if n == 1 else many or one + 's'}"


def _side(value: float, limit: float) -> int:
    return (value > limit) - (value < limit)


def _enough(value: float, most: int = 4) -> int:
    return next((k for k in range(most) if math.isclose(round(value, k), value, rel_tol=1e-9, abs_tol=1e-12)), most)
