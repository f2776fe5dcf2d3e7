"""What else lies about: hardware, offcuts, brackets, marks, the belt's weave, shadows; each kind by its own statistics.

Kinds differ on purpose: a threshold that was chosen on one must hold on another.
"""

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.outline import Outline, disc, polygon, rectangle, rounded, slot
from tiepoint.render.scene import Lay, Piece, Sheet

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""A field in the plane, mm: lowest x, lowest y, highest x, highest y."""

Make = Callable[[np.random.Generator], tuple[Piece, ...]]

PENUMBRA_STEPS = 4


def washer(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a washer for a screw of 3 to 8 mm: outer edge about 2.1 times the bore."""
    bore = rng.uniform(3.2, 8.4)
    return (Piece(disc(0, 0, 1.05 * bore), _metal(rng), 0.0, holes=(disc(0, 0, bore / 2),)),)


def nut(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a hexagon nut, about 1.7 times its thread across flats."""
    thread = rng.uniform(3.0, 8.0)
    corners = 1.7 * thread / math.sqrt(3) * _circle(6)
    return (Piece(polygon(corners), _metal(rng), 0.0, holes=(disc(0, 0, thread / 2),)),)


def screw(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a screw on its side: head, shank, and threads as darker strips across it."""
    thread, length = rng.uniform(3.0, 6.0), rng.uniform(10.0, 30.0)
    head, rise, half = 0.9 * thread, 0.8 * thread, thread / 2
    ring = [
        (-rise, -head),
        (0, -head),
        (0, -half),
        (length, -half),
        (length, half),
        (0, half),
        (0, head),
        (-rise, head),
    ]
    bright = _metal(rng)
    turns = np.arange(0.3 * length, length - 0.4, 0.16 * thread)
    threads = (Piece(rectangle(x, -half, x + 0.06 * thread, half), 0.5 * bright, bright) for x in turns)
    return (Piece(polygon(np.array(ring)), bright, 0.0), *threads)


def bracket(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return another part: a rounded oblong with two bores and a slot, near to a plate in size but not in form."""
    w, h = rng.uniform(30, 65), rng.uniform(18, 40)
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    bores = tuple(disc(w * x, h * rng.uniform(0.3, 0.7), rng.uniform(1.5, 4.0)) for x in (0.15, 0.85))
    # Openings must not meet: half the slot's width has the way to a bore's edge, less a rim.
    room = 2 * (0.25 * w - 4.0) - 1.0
    opening = slot(0.4 * w, h / 2, 0.6 * w, h / 2, min(rng.uniform(0.1, 0.3) * h, room))
    return (Piece(rounded(corners, rng.uniform(1.0, 0.2 * h)), _metal(rng), 0.0, holes=(*bores, opening)),)


def offcut(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a scrap of sheet: a ring of 4 to 9 corners at random distances."""
    count = int(rng.integers(4, 10))
    corners = rng.uniform(3.0, 15.0, (count, 1)) * _circle(count)
    return (Piece(polygon(corners), float(rng.uniform(0.05, 0.9)), 0.0),)


def strip(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a straight offcut, long and narrow, as it drops from shears."""
    length, width = rng.uniform(20, 90), rng.uniform(1.0, 6.0)
    return (Piece(rectangle(-length / 2, -width / 2, length / 2, width / 2), _metal(rng), 0.0),)


def mark(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a scratch or a stroke on the belt, lighter or darker than it."""
    length = rng.uniform(2.0, 40.0)
    return (Piece(slot(0, 0, length, 0, rng.uniform(0.08, 0.8)), float(rng.choice([0.05, 0.45, 0.7])), 0.0),)


def stain(rng: np.random.Generator) -> tuple[Piece, ...]:
    """Return a stain: a veil that darkens what lies beneath."""
    return (Piece(disc(0, 0, rng.uniform(1.0, 12.0)), 0.0, 0.0, lets_through=float(rng.uniform(0.6, 0.95))),)


KINDS: Mapping[str, tuple[Make, ...]] = MappingProxyType(
    {
        "hardware": (washer, nut, screw),
        "offcuts": (offcut, offcut, strip),
        "marks": (mark, mark, mark, stain),
        "brackets": (bracket,),
        "mixed": (washer, nut, screw, offcut, strip, mark, stain, bracket),
    }
)
"""Kinds of clutter, by name: what is drawn from, each with the same chance."""


def clutter(kind: str, count: int, field: Box, rng: np.random.Generator, height_mm: float = 0.0) -> tuple[Sheet, ...]:
    """Return `count` things of a kind, anywhere in the field, at any angle, one on another as they fall."""
    if kind not in KINDS:
        raise UnusableInput(f"the bench has no clutter {kind!r}; choose one of {', '.join(KINDS)}")
    makes = KINDS[kind]
    return tuple(lying(makes[int(rng.integers(len(makes)))](rng), field, rng, height_mm) for _ in range(count))


def lying(pieces: tuple[Piece, ...], field: Box, rng: np.random.Generator, height_mm: float = 0.0) -> Sheet:
    """Return pieces as they come to lie somewhere in the field, at any angle."""
    x, y = rng.uniform(field[0], field[2]), rng.uniform(field[1], field[3])
    return Sheet(pieces, Lay(float(x), float(y), float(rng.uniform(0, 360)), height_mm))


def weave(field: Box, pitch_mm: float, contrast: float, angle_deg: float = 0.0) -> tuple[Sheet, ...]:
    """Return the threads of a woven belt: every second stripe is darker by the share `contrast`."""
    half = math.hypot(field[2] - field[0], field[3] - field[1]) / 2
    lay = Lay((field[0] + field[2]) / 2, (field[1] + field[3]) / 2, angle_deg)
    at = np.arange(-half, half, pitch_mm)
    return tuple(
        Sheet((Piece(rectangle(-half, y, half, y + pitch_mm / 2), 0.0, 0.0, lets_through=1 - contrast),), lay)
        for y in at.tolist()
    )


def shadow(outline: Outline, lay: Lay, lets_through: float, penumbra_mm: float = 0.0) -> tuple[Sheet, ...]:
    """Return a shadow in the form of an outline; over `penumbra_mm` (along the lay's x) it deepens in steps."""
    steps = PENUMBRA_STEPS if penumbra_mm > 0 else 1
    piece = Piece(outline, 0.0, 0.0, lets_through=lets_through ** (1 / steps))
    c, s = math.cos(math.radians(lay.angle_deg)), math.sin(math.radians(lay.angle_deg))
    shifts = [penumbra_mm * ((k + 0.5) / steps - 0.5) for k in range(steps)]
    return tuple(Sheet((piece,), Lay(lay.x_mm + d * c, lay.y_mm + d * s, lay.angle_deg, lay.z_mm)) for d in shifts)


def shadow_band(field: Box, rng: np.random.Generator, height_mm: float) -> tuple[Sheet, ...]:
    """Return the shadow of a cable or an arm that crosses the field, soft at its long sides."""
    half = math.hypot(field[2] - field[0], field[3] - field[1])
    width = rng.uniform(4.0, 30.0)
    x, y = rng.uniform(field[0], field[2]), rng.uniform(field[1], field[3])
    lay = Lay(float(x), float(y), float(rng.uniform(0, 180)), height_mm)
    return shadow(rectangle(-width / 2, -half, width / 2, half), lay, float(rng.uniform(0.4, 0.8)), 1.2)


def _metal(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.35, 0.9))


def _circle(count: int) -> Array:
    angles = np.arange(count) * 2 * math.pi / count
    return np.column_stack([np.cos(angles), np.sin(angles)])
