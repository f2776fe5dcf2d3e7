"""How a station's sentences are made: whole ones, counts in words, and none that tells where its folder lies."""

import os
from pathlib import Path

from tiepoint.foundation.rounding import fixed
from tiepoint.foundation.words import as_first


def sentence(says: str) -> str:
    """Return what a room says as a sentence that stands alone: with a capital, and a full stop at its end."""
    return f"{as_first(says)}{'' if says.endswith('.') else '.'}"


def counted(n: int, one: str, many: str = "") -> str:
    """Return a number of things in words, as `1 tie` or `3 ties`."""
    return f"{fixed(n, 0)} {one if n == 1 else many or one + 's'}"


def limits_said(lower: float | None, upper: float | None) -> str:
    """Return limits in words, as `4.4 to 4.6` or `at most 0.2`; "" where there are none."""
    if lower is None:
        return "" if upper is None else f"at most {upper:.10g}"
    return f"at least {lower:.10g}" if upper is None else f"{lower:.10g} to {upper:.10g}"


def without_folder(says: str, folder: Path) -> str:
    """Return a sentence that does not tell where the station's `folder` lies: files are named from there.

    The folder is given whole, from the root: a relative one, as `.` or `plates`, may be a part of any word.
    """
    for sep in {os.sep, "/"}:
        says = says.replace(f"{folder}{sep}", "")
    return says.replace(f"the station's folder {folder}", "the station's folder").replace(str(folder), "the station")
