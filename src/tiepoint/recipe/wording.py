"""How a reading is said: two figures of U at most, the value to the same decimal, never against its verdict."""

import math

from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading

MINUS = "\u2212"
THIN = "\u2009"


def said_value(reading: Reading) -> str:
    """Return `4.503 ± 0.006 mm`, or `no value`."""
    if reading.value is None or reading.U95 is None:
        return "no value"
    value, U = rounded(reading.value, reading.U95, reading.limits)
    if reading.unit == "1":
        return f"{reading.value:.3g}"
    space = "" if reading.unit == "deg" else " "
    return f"{value} ± {U}{space}{'°' if reading.unit == 'deg' else reading.unit}"


def rounded(value: float, U: float, limits: Limits | None = None) -> tuple[str, str]:
    """Return value and U as text: U to two significant figures, the value to the same decimal.

    Decimals are added while the rounded value would stand on another side of a limit than the value itself.
    """
    decimals = fewest = _decimals(U)
    if limits is not None:
        # A step beyond a ten-thousandth of U is no news to anyone.
        while decimals < fewest + 4 and _within(round(value, decimals), limits) != _within(value, limits):
            decimals += 1
    return _grouped(value, decimals), _grouped(U, decimals)


def _decimals(U: float) -> int:
    if not (U > 0 and math.isfinite(U)):
        return 4
    # 0.0996 rounds to 0.10: the place is that of the rounded figure.
    figures = float(f"{U:.1e}")
    return min(max(1 - math.floor(math.log10(figures)), 0), 9)


def _within(value: float, limits: Limits) -> tuple[bool, bool]:
    return limits.lower is None or value >= limits.lower, limits.upper is None or value <= limits.upper


def _grouped(value: float, decimals: int) -> str:
    """Return a number with a true minus sign, and thin groups of three from five digits on."""
    text = f"{abs(value):.{decimals}f}"
    whole, _, rest = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN)
    sign = MINUS if value < 0 and float(text) != 0 else ""
    return sign + whole + (f".{rest}" if rest else "")
