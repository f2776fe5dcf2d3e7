"""How studies write numbers in sentences: a true minus, one place for a figure and its interval, a space before %."""

import math

from tiepoint.foundation.rounding import MINUS, decimals_of, fixed
from tiepoint.studies.figure import Figure


def per_cent(share: float, digits: int = 3) -> str:
    """Return a share of 1 as `7.58 %`."""
    return f"{100 * share:.{digits}g} %".replace("-", MINUS)


def signed(value: float, digits: int = 3) -> str:
    """Return a number with its sign, as an error is told."""
    return f"{value:+.{digits}g}".replace("-", MINUS)


def told(figure: Figure) -> str:
    """Return `−0.00309 (−0.00386 to −0.00231)`, all to the place at which the interval has three figures."""
    three = (figure.value, figure.low, figure.high)
    largest = max((abs(v) for v in three if math.isfinite(v)), default=0.0)
    width = figure.high - figure.low
    place = decimals_of(largest, 3)
    if math.isfinite(width) and width > 0:
        place = min(decimals_of(width, 3), decimals_of(largest, 4))
    value, low, high = (fixed(v, place) if math.isfinite(v) else "open" for v in three)
    return f"{value} ({low} to {high})"


def unit_said(unit: str) -> str:
    """Return a unit as it is printed: `um` is typed, µm is read."""
    return "µm" if unit == "um" else unit


def p_said(p: float) -> str:
    """Return `p = 0.031`, and `p < 0.0001` of what is smaller."""
    return f"p = {p:.2g}" if p >= 1e-4 else "p < 0.0001"
