"""Shares, counts and graduations as a person reads them; numbers with a ± are `foundation.rounding`."""

import math

from tiepoint.foundation.rounding import THIN, fixed


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
