"""How a reading is said: its value with its ±, never against its verdict, and its flags in a few words."""

from tiepoint.foundation.reasons import forbidding, in_short
from tiepoint.foundation.rounding import HOLD, value_and_pm
from tiepoint.model.decide import ISO
from tiepoint.model.reading import Reading

MOST_LETTERS = 60
"""A longer text is cut where it is shown; the record keeps it whole."""


def figures_of(reading: Reading) -> tuple[str, str]:
    """Return value and ± of a reading as text; both empty where there is no value."""
    if reading.value is None:
        return "", ""
    limits = reading.limits
    if limits is None:
        return value_and_pm(reading.value, reading.U95)
    return value_and_pm(reading.value, reading.U95, (limits.lower, limits.upper), exactly=limits.rule != ISO)


def unit_of(reading: Reading) -> str:
    """Return the unit as it is written."""
    return {"deg": "°", "1": "", "mm2": "mm²", "in2": "in²", "px2": "px²"}.get(reading.unit, reading.unit)


def said_value(reading: Reading) -> str:
    """Return `4.503 ± 0.006 mm`, the text that was read, or `no value`."""
    if reading.text is not None:
        return one_line(reading.text)
    if reading.value is None:
        return "no value"
    # A bare share states no ± of its own.
    if reading.unit == "1":
        return f"{reading.value:.3g}"
    return HOLD.join(part for part in (*figures_of(reading), unit_of(reading)) if part)


def one_line(text: str) -> str:
    """Return a text as one line: what does not print is shown by its number, and what is long is cut."""
    printed = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[:MOST_LETTERS])
    return printed if len(text) <= MOST_LETTERS else printed[: MOST_LETTERS - 1] + "…"


def said_flags(reading: Reading) -> str:
    """Return the flags of a reading in a few words each, doubts of its ± first; empty where there are none."""
    against = forbidding(reading.flags)
    doubts = f"± may not hold: {in_short(against)}" if against else ""
    return "; ".join(part for part in (doubts, in_short(f for f in reading.flags if f not in against)) if part)
