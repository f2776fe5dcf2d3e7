"""Which target fills a field of view: one rule, by which a plan is foreseen and a target is printed.

A charuco may be cut by the border of the picture, so it reaches a little beyond the field and ties all of it; a checker
and dots must be seen whole, so they lie a little within. How many squares: enough for a lens's distortion, each seen
large enough to be read finely (common practice).
"""

import math
from dataclasses import dataclass

from tiepoint.foundation.errors import UnusableInput
from tiepoint.targets.draw import FEWEST, MOST_COLUMNS, Target, bar_length, new_target
from tiepoint.targets.draw import PITCHES_MM as LIMITS_MM

LEAST_PX = 20.0
"""Least width of a square in the picture, or of a dot's cell (docs/how-to/print-a-target.md)."""
GOOD_PX = 60.0
ALONG, ACROSS = 16, 9
"""Squares along the longer side, and no fewer across the shorter one, as long as they are seen `GOOD_PX` wide."""
OVERFILL, WITHIN = 1.1, 0.92
"""How much of each side of the field a charuco takes, and what must be seen whole."""
PITCHES_MM = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
"""Pitches within a decade, that a person can check with a rule."""


@dataclass(frozen=True, slots=True)
class ForField:
    """A target that suits a field: `pitch_px` is how wide its squares, or its dots' cells, are in the picture."""

    pattern: str
    pitch_mm: float
    columns: int
    rows: int
    pitch_px: float

    @property
    def bar_x_mm(self) -> float:
        """Length of the ruler bar along x, as it would be printed."""
        return bar_length(self.columns * self.pitch_mm)

    @property
    def cells(self) -> str:
        """What it is made of, in words: columns, rows and pitch."""
        cells = "dots" if self.pattern == "dots" else "squares"
        return f"{self.columns} × {self.rows} {cells} of {self.pitch_mm:g} mm"

    def target(self) -> Target:
        """Return the target itself; `UnusableInput` where no such target can be printed and found."""
        return new_target(self.pattern, self.pitch_mm, self.columns, self.rows)


def for_field(field_mm: tuple[float, float], size_px: tuple[int, int], pattern: str = "charuco") -> ForField:
    """Return the target for a field of width × height, in mm in the target's plane, that a picture of `size_px` shows.

    Raises `UnusableInput` where no target has squares that such a picture would show large enough.
    """
    for mm, what in zip(field_mm, ("width", "height"), strict=True):
        if not (math.isfinite(mm) and mm > 0):
            raise UnusableInput(f"the {what} of the field is {mm:g} mm; give more than 0")
    per_mm = min(px / mm for px, mm in zip(size_px, field_mm, strict=True))
    cut = pattern == "charuco"
    fill = OVERFILL if cut else WITHIN
    pitch = _round_pitch(max(wanted_mm(field_mm, fill), GOOD_PX / per_mm))
    counts = [(math.ceil if cut else math.floor)(round(mm * fill / pitch, 6)) for mm in field_mm]
    fewest = FEWEST.get(pattern, (4, 4))
    columns, rows = (min(max(n, least), MOST_COLUMNS) for n, least in zip(counts, fewest, strict=True))
    if pitch * per_mm < LEAST_PX:
        raise UnusableInput(
            f"a field of {field_mm[0]:g} × {field_mm[1]:g} mm is too large for a picture of {size_px[0]} × "
            f"{size_px[1]} px: even squares of {pitch:g} mm would be {pitch * per_mm:.2g} px wide; take a smaller field"
        )
    if not cut and (counts[0] < fewest[0] or counts[1] < fewest[1]):
        raise UnusableInput(
            f"a picture of {size_px[0]} × {size_px[1]} px is too coarse for a {pattern} that lies in "
            f"{field_mm[0]:g} × {field_mm[1]:g} mm whole; take a charuco, which may be cut by the border"
        )
    return ForField(pattern, pitch, columns, rows, pitch * per_mm)


def wanted_mm(field_mm: tuple[float, float], fill: float = OVERFILL) -> float:
    """Return the pitch that gives `ALONG` squares along the longer side, or `ACROSS` across the shorter, if finer."""
    return fill * min(max(field_mm) / ALONG, min(field_mm) / ACROSS)


def _round_pitch(mm: float) -> float:
    """Return the smallest round pitch that is at least so much, from a thousandth of a millimetre to a metre."""
    decade = 10.0 ** math.floor(math.log10(mm))
    pitch = next((round(p * decade, 6) for p in PITCHES_MM if p * decade >= mm * (1 - 1e-9)), 10 * decade)
    finest, widest = LIMITS_MM
    return min(max(pitch, finest), widest)
