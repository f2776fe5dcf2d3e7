"""The ladder: which preparations are tried, in which order.

It was frozen on marks of a simple generator (tests/helpers/dotted_marks.py) and judged on those of another, which it
had never seen (proofs/marks.py). Cheap rungs and those that read most come first; what print needs stands before what
dots need, and pictures computed from several lights, which show dots and little else, before dots in a single one.
"""

from collections.abc import Sequence
from dataclasses import replace

from tiepoint.vision.mark_rungs import Rung

_PRINT = (
    Rung(),
    Rung(shrink=2, smooth=1),
    Rung(shrink=4, smooth=1),
    Rung(shrink=8, smooth=1),
    Rung(smooth=1.5),
    Rung(shrink=4, smooth=2),
    Rung(shrink=2, even=31, smooth=1),
    Rung(shrink=2, smooth=1, join_dark=3),
    Rung(shrink=2, smooth=1, join_bright=3),
    Rung(shrink=0.5),
)
_BRIGHT = (
    Rung(),
    Rung(shrink=3, join_bright=3),
    Rung(dots="bright"),
    Rung(shrink=2, dots="bright"),
    Rung(shrink=1.5, dots="bright"),
    Rung(shrink=4, dots="bright"),
)
_CURVED = (
    Rung(dots="dark"),
    Rung(shrink=1.5, dots="dark"),
    Rung(shrink=2, dots="dark"),
    Rung(shrink=4, dots="dark"),
    Rung(dots="bright"),
    Rung(shrink=2, dots="bright"),
)
_DOTS = (
    Rung(shrink=2, dots="dark"),
    Rung(shrink=2, dots="bright"),
    Rung(dots="bright"),
    Rung(dots="dark"),
    Rung(shrink=4, dots="dark"),
    Rung(shrink=4, dots="bright"),
    Rung(shrink=0.5, dots="bright"),
    Rung(shrink=0.5, dots="dark"),
)


def ladder(others: Sequence[str] = ()) -> tuple[Rung, ...]:
    """Return the rungs for the picture that is looked at and `others` of the same shot, by name.

    Pits are dark in a picture of curvature; every other one is taken to show what is sought bright.
    """
    relief = tuple(
        replace(rung, picture=name) for name in others for rung in (_CURVED if name == "curvature" else _BRIGHT)
    )
    return (*_PRINT, *relief, *_DOTS)
