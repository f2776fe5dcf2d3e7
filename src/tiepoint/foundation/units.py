"""Lengths are typed with a unit and kept in millimetres; inch and degree exist only at the edges.

Six exact factors do not need a units library (decision 0003); the tests let one vouch for them.
"""

import math
import re

from tiepoint.foundation.errors import UnknownUnit

MM_PER: dict[str, float] = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 1e-3,
    "µm": 1e-3,
    "μm": 1e-3,
    "in": 25.4,
}
"""Millimetres in one unit. The inch is exact since 1959 (NIST SP 811, B.6)."""

_LENGTH = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([^\s\d]*)\s*\Z")


def parse_length(text: str) -> float:
    """Return millimetres for a typed length such as `42mm`, `1.5in` or `10um`.

    Raises `UnknownUnit` where the number or its unit is missing or not known.
    """
    match = _LENGTH.match(text)
    if match is None:
        raise UnknownUnit(f"{text!r} is not a length; type a number with its unit, as in 42mm, 1.5in or 10um")
    number, unit = match.groups()
    if unit not in MM_PER:
        said = f"has the unit {unit!r}, which is not known" if unit else "has no unit"
        raise UnknownUnit(f"{text!r} {said}; use one of mm, cm, m, um, in, as in 42mm")
    value = float(number) * MM_PER[unit]
    if not math.isfinite(value):
        raise UnknownUnit(f"{text!r} is too large to be a length")
    return value


def to_unit(mm: float, unit: str) -> float:
    """Return a length in mm expressed in `unit`."""
    if unit not in MM_PER:
        raise UnknownUnit(f"the unit {unit!r} is not known; use one of mm, cm, m, um, in")
    return mm / MM_PER[unit]
