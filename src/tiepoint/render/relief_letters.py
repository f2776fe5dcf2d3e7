"""Letters of single strokes, as a stamp or an engraver makes them: own forms in the manner of technical lettering.

A letter stands on y = 0 and is 6 units high; capitals, digits and a few signs. Each stroke is a path; round parts are
drawn by chords of at most 15°. Zero is an oval and O is wide, one has a flag and a foot: they can be told apart.
"""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Stroke = tuple[tuple[float, ...], ...]
"""Points (x, y) and arcs (x, y, radius x, radius y, from degrees, to degrees) in order."""

UNITS = 6.0
GAP = 1.9
"""Between letters, units."""
CHORD_DEG = 15.0

_LETTERS: Mapping[str, tuple[float, tuple[Stroke, ...]]] = MappingProxyType(
    {
        " ": (2.0, ()),
        "-": (2.6, (((0.2, 3), (2.4, 3)),)),
        ".": (0.2, (((0.0, 0.0), (0.2, 0.0)),)),
        "/": (3.0, (((0, 0), (3, 6)),)),
        "0": (3.4, (((1.7, 3, 1.7, 3, 90, 450),),)),
        "1": (2.4, (((0, 4.6), (1.2, 6), (1.2, 0)), ((0, 0), (2.4, 0)))),
        "2": (3.6, (((1.8, 4.3, 1.75, 1.7, 170, -35), (0, 0), (3.6, 0)),)),
        "3": (3.6, (((1.7, 4.5, 1.5, 1.5, 150, -90), (1.2, 3.0)), ((1.7, 3.0), (1.7, 1.5, 1.8, 1.5, 90, -150)))),
        "4": (3.8, (((2.9, 0), (2.9, 6), (0, 1.7), (3.8, 1.7)),)),
        "5": (3.6, (((3.3, 6), (0.5, 6), (0.25, 3.1), (1.7, 1.95, 1.85, 1.95, 140, -150)),)),
        "6": (3.6, (((3.2, 5.4), (2.2, 3.2, 2.15, 2.8, 70, 180), (0.05, 1.9)), ((1.8, 1.85, 1.75, 1.85, 0, 360),))),
        "7": (3.4, (((0, 6), (3.4, 6), (1.2, 0)),)),
        "8": (3.6, (((1.8, 4.55, 1.45, 1.45, 0, 360),), ((1.8, 1.55, 1.8, 1.55, 0, 360),))),
        "9": (3.6, (((1.8, 4.15, 1.75, 1.85, 0, 360),), ((3.55, 4.1), (1.4, 2.8, 2.15, 2.8, 0, -110)))),
        "A": (4.4, (((0, 0), (2.2, 6), (4.4, 0)), ((0.75, 2.0), (3.65, 2.0)))),
        "B": (
            3.8,
            (
                ((0, 0), (0, 6), (1.9, 6), (2.1, 4.6, 1.4, 1.4, 90, -90), (0, 3.2)),
                ((2.1, 3.2), (2.2, 1.6, 1.6, 1.6, 90, -90), (0, 0)),
            ),
        ),
        "C": (4.2, (((2.3, 3, 2.3, 3, 50, 310),),)),
        "D": (4.0, (((0, 0), (0, 6), (1.4, 6), (1.4, 3, 2.6, 3, 90, -90), (0, 0)),)),
        "E": (3.4, (((3.4, 0), (0, 0), (0, 6), (3.4, 6)), ((0, 3.1), (2.7, 3.1)))),
        "F": (3.3, (((0, 0), (0, 6), (3.3, 6)), ((0, 3.1), (2.6, 3.1)))),
        "G": (4.4, (((2.3, 3, 2.3, 3, 50, 330), (4.3, 2.7), (2.6, 2.7)),)),
        "H": (4.0, (((0, 0), (0, 6)), ((4, 0), (4, 6)), ((0, 3), (4, 3)))),
        "I": (0.2, (((0.1, 0), (0.1, 6)),)),
        "J": (2.8, (((2.8, 6), (1.4, 1.5, 1.4, 1.5, 0, -170)),)),
        "K": (3.9, (((0, 0), (0, 6)), ((3.7, 6), (0, 2.2)), ((1.3, 3.5), (3.9, 0)))),
        "L": (3.2, (((0, 6), (0, 0), (3.2, 0)),)),
        "M": (4.8, (((0, 0), (0, 6), (2.4, 1.6), (4.8, 6), (4.8, 0)),)),
        "N": (4.0, (((0, 0), (0, 6), (4, 0), (4, 6)),)),
        "O": (4.8, (((2.4, 3, 2.4, 3, 90, 450),),)),
        "P": (3.7, (((0, 0), (0, 6), (2.1, 6), (2.1, 4.4, 1.6, 1.6, 90, -90), (0, 2.8)),)),
        "Q": (4.8, (((2.4, 3, 2.4, 3, 90, 450),), ((2.8, 1.6), (4.8, -0.4)))),
        "R": (3.9, (((0, 0), (0, 6), (2.1, 6), (2.1, 4.5, 1.6, 1.5, 90, -90), (0, 3.0)), ((1.9, 3.0), (3.9, 0)))),
        "S": (3.7, (((1.85, 4.5, 1.65, 1.5, 25, 270), (1.85, 1.5, 1.8, 1.5, 90, -155)),)),
        "T": (4.0, (((0, 6), (4, 6)), ((2, 6), (2, 0)))),
        "U": (4.0, (((0, 6), (2, 2, 2, 2, 180, 360), (4, 6)),)),
        "V": (4.2, (((0, 6), (2.1, 0), (4.2, 6)),)),
        "W": (5.8, (((0, 6), (1.4, 0), (2.9, 5), (4.4, 0), (5.8, 6)),)),
        "X": (4.0, (((0, 0), (4, 6)), ((0, 6), (4, 0)))),
        "Y": (4.0, (((0, 6), (2, 2.8), (4, 6)), ((2, 2.8), (2, 0)))),
        "Z": (3.8, (((0, 6), (3.8, 6), (0, 0), (3.8, 0)),)),
    }
)

LETTERS = "".join(_LETTERS)


def lettering(text: str, x_mm: float, y_mm: float, height_mm: float, angle_deg: float = 0.0) -> tuple[Array, ...]:
    """Return the strokes, paths (n, 2), of a line of text whose first letter stands with its lower left at a point."""
    unknown = sorted(set(text) - set(LETTERS))
    if unknown:
        raise UnusableInput(f"no strokes are known for {unknown[0]!r}; take capitals, digits, and any of - . /")
    turn = np.deg2rad(angle_deg)
    scale = height_mm / UNITS
    turned = scale * np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    paths, pen = [], np.zeros(2)
    for letter in text:
        width, strokes = _LETTERS[letter]
        paths += [(drawn(stroke) + pen) @ turned + (x_mm, y_mm) for stroke in strokes]
        pen[0] += width + GAP
    return tuple(paths)


def drawn(stroke: Stroke) -> Array:
    """Return a stroke's path (n, 2) in units, arcs as chords."""
    return np.vstack([_arc(*item) if len(item) == 6 else np.array([item]) for item in stroke])


def _arc(x: float, y: float, radius_x: float, radius_y: float, start_deg: float, end_deg: float) -> Array:
    count = int(np.ceil(abs(end_deg - start_deg) / CHORD_DEG)) + 1
    turn = np.deg2rad(np.linspace(start_deg, end_deg, count))
    return np.column_stack([x + radius_x * np.cos(turn), y + radius_y * np.sin(turn)])
